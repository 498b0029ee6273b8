"""The rows of a table as arrays over time: numbers, clocks and dates, further columns, times that do not fall.

What a row cannot give is told by its line and left out; a clock that passes midnight, is set back, starts
again or counts each step from zero is put in order, and told. Whether the values make sense for a cell is
not judged here (`importing.plausibility`). Units: second, volt, ampere, degree Celsius.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import ColumnSource
from amphora.harness.importing.header_words import (
    CELLS,
    OTHERS,
    bare,
    counter_of,
    counts_discharge,
    plain_word,
)
from amphora.harness.importing.numbers import number_column
from amphora.harness.importing.table_file import COMPLEX, WITH_UNIT, Layout, lines_text
from amphora.harness.importing.times import newest_first, settle_time, time_column
from amphora.harness.importing.told import Told

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]

MOST_LEFT_OUT = 0.2  # of the rows may be no numbers; more is no table of ours
MOST_WORDS = 200  # different texts in a column that is kept as numbers
RESERVED = ("t_s", "step", "voltage_V", "current_A", "temperature_degC")


@dataclass
class Rows:
    """The usable rows of a table, in order of time.

    `columns` holds t, v, i (second, volt, ampere) and, where there is one, temp (degree Celsius), each of shape
    (n,), n >= 2; `extra` the further columns, shape (n,), under the names they get in the run folder; `executed`
    the step as executed from 0, shape (n,); `lines` each row's line in the file, shape (n,); `restarts` the rows
    before which time starts again; `first_utc` the first clock time, where the table has dates.
    """

    columns: "dict[str, FloatArray]"
    extra: "dict[str, FloatArray]"
    executed: "IntArray"
    lines: "IntArray"
    restarts: list[int]
    first_utc: str | None


@dataclass(frozen=True)
class Readings:
    """Time, voltage and current of the rows that have all three, oldest first, each of shape (n,).

    In second, volt and ampere where `unstated` does not hold the channel's letter; else as the table has it, in a
    unit that nobody said. `two_figures`: the times are two figures with a colon, here read as hours and minutes.
    """

    t: "FloatArray"
    v: "FloatArray"
    i: "FloatArray"
    counters: "dict[str, FloatArray]"
    unstated: frozenset[str]
    two_figures: bool


def rows_of(file: Path, layout: Layout, table: "pd.DataFrame", sources: Mapping[str, ColumnSource], told: Told) -> Rows:
    """Return the rows of a table that have time, voltage and current.

    Raises:
        InputError: no times that can be read, more than a fifth of the rows is no numbers, or fewer than two rows.
    """
    import numpy as np

    bad: dict[int, str] = {}
    t, first_utc, wraps, _ = time_column(file, layout, table, sources["t"], bad, told)
    columns: dict[str, FloatArray] = {"t": t}
    for channel in ("v", "i"):
        columns[channel] = number_column(layout, table, sources[channel], bad)
    keep = np.isfinite(columns["t"]) & np.isfinite(columns["v"]) & np.isfinite(columns["i"])
    _tell_left_out(file, layout, table, keep, bad, told)
    if keep.sum() < 2:
        raise InputError(f"{file}: {int(keep.sum())} row(s) with time, voltage and current; at least 2 are needed")
    if "temp" in sources:
        columns["temp"] = temperature_column(layout, table, sources["temp"], told)
    extra = extra_columns(layout, table, sources, told, keep)
    steps = step_column(table, sources.get("step"))
    lines = table.index.to_numpy()
    if not keep.all():
        columns = {name: column[keep] for name, column in columns.items()}
        extra = {name: column[keep] for name, column in extra.items()}
        steps, lines = steps[keep], lines[keep]
    if newest_first(columns["t"]):
        columns = {name: column[::-1].copy() for name, column in columns.items()}
        extra = {name: column[::-1].copy() for name, column in extra.items()}
        steps, lines = steps[::-1].copy(), lines[::-1].copy()
        told.note("the newest row stands first: the rows were turned round")
        if first_utc is not None:
            first_utc = (datetime.fromisoformat(first_utc) + timedelta(seconds=float(columns["t"][0]))).isoformat()
        columns["t"] = columns["t"] - (columns["t"][0] if not wraps and first_utc is not None else 0.0)
    columns["t"], order, restarts = settle_time(columns["t"], wraps, lines, told, steps if "step" in sources else None)
    if order is not None:
        columns = {name: column if name == "t" else column[order] for name, column in columns.items()}
        extra = {name: column[order] for name, column in extra.items()}
        steps, lines = steps[order], lines[order]
    executed = np.concatenate(([0], np.cumsum(np.diff(steps) != 0))).astype(np.int64)
    return Rows(columns, extra, executed, lines, restarts, first_utc)


def readings_of(file: Path, layout: Layout, table: "pd.DataFrame", sources: Mapping[str, ColumnSource]) -> Readings:
    """Return time, voltage and current as they stand in the table, to judge in which units they are.

    Raises:
        InputError: as `rows_of`.
    """
    import numpy as np

    told = Told()
    times = time_column(file, layout, table, sources["t"], {}, told)
    v, i = (number_column(layout, table, sources[channel], {}) for channel in ("v", "i"))
    keep = np.isfinite(times.t_s) & np.isfinite(v) & np.isfinite(i)
    counters: dict[str, FloatArray] = {}
    beside = counts_discharge(layout.header)
    for column in range(layout.width):
        header = layout.header[column] if layout.header else ""
        found = counter_of(header, beside)
        if found and found[0].endswith("_Ah") and table[column].dtype.kind in "fiu":
            counters[found[0]] = table[column].to_numpy(np.float64, na_value=np.nan)[keep] * found[1]
    unstated = {channel for channel in ("v", "i") if not _says_unit(table, sources[channel])}
    if (times.kind == "count" and not _says_unit(table, sources["t"])) or times.kind == "two":
        unstated.add("t")
    t, v, i = times.t_s[keep], v[keep], i[keep]
    if newest_first(t):
        t, v, i = t[::-1], v[::-1], i[::-1]
        counters = {name: values[::-1] for name, values in counters.items()}
    return Readings(t, v, i, counters, frozenset(unstated), times.kind == "two")


def _says_unit(table: "pd.DataFrame", source: ColumnSource) -> bool:
    """Tell whether the unit of a column is known: stated, or written behind its values."""
    column = table[source.column]
    if source.stated or column.dtype.kind in "fiu":
        return source.stated
    sample = [str(item).strip() for item in column.dropna().iloc[:50]]
    return bool(sample) and sum(bool(WITH_UNIT.match(item)) for item in sample) > 0.5 * len(sample)


def table_of_one_cell(
    file: Path,
    layout: Layout,
    table: "pd.DataFrame",
    sources: Mapping[str, ColumnSource],
    which: str | None,
    told: Told,
) -> "pd.DataFrame":
    """Return the rows of one cell, where a table holds those of several.

    Args:
        file: As messages name it.
        layout: Of the table.
        table: All rows.
        sources: Which column each channel comes from.
        which: The cell: what stands in the column that says whose row it is, or, where rows of several cells follow
            one another in turn, the number of the row in each turn from 1; `all` for all rows.
        told: Is added to.

    Raises:
        InputError: several cells and nobody said which, or not the one that was asked for.
    """
    import numpy as np

    if (which or "").strip().lower() == "all":
        return table
    main = {source.column for source in sources.values()}
    for column in range(layout.width if layout.header else 0):
        words = set(plain_word(bare(layout.header[column])[0]).split())
        if column in main or not words & CELLS or words & (OTHERS - {"index"}) or bare(layout.header[column])[1]:
            continue
        names = [str(name).strip() for name in table[column].dropna().unique()[:65]]
        names = [name.removesuffix(".0") for name in names]
        if not 2 <= len(names) <= 64:
            continue
        if which is None:
            raise InputError(
                f"{file}: the column {layout.header[column]!r} names {len(names)} cells ({', '.join(names[:6])}); "
                f"choose one, as --which {names[0]!r}, or --which all where they are one cell's"
            )
        wanted = which.strip().lower()
        own = table[column].astype("string").str.strip().str.replace(r"\.0$", "", regex=True).str.lower() == wanted
        if not own.any():
            raise InputError(f"{file}: --which {which!r} is not in {layout.header[column]!r}: {', '.join(names[:8])}")
        told.note(f"rows with {which} in {layout.header[column]!r} were taken, {int(own.sum())} of {len(table)}")
        return table[own.fillna(False).to_numpy(bool)]
    readings = readings_of(file, layout, table, sources)
    turns = _turns(readings)
    if turns > 1:
        if which is None:
            raise InputError(
                f"{file}: voltage and current change back and forth from row to row, as where rows of {turns} cells "
                f"stand in turn; choose one, as --which 1 (to {turns}), or --which all where they are "
                "one cell's"
            )
        if not which.strip().isdigit() or not 1 <= int(which) <= turns:
            raise InputError(f"{file}: --which {which!r}: rows of {turns} cells in turn; 1 to {turns} are accepted")
        there = np.flatnonzero(np.isfinite(number_column(layout, table, sources["v"], {})))
        told.note(f"row {which} of each {turns} in turn was taken")
        return table.iloc[there[int(which) - 1 :: turns]]
    if which is not None and not any(bare(name)[0] == "" and not name for name in layout.header):
        raise InputError(f"{file}: --which {which!r}: the table does not show several cells; leave the option out")
    return table


def _turns(readings: Readings) -> int:
    """Return of how many cells rows stand in turn: 1 where they are one cell's."""
    import numpy as np

    i, v, t = readings.i, readings.v, readings.t
    if i.size < 24:
        return 1
    size = float(np.quantile(np.abs(i), 0.95))
    loaded = np.abs(i) > 0.05 * size
    for turns in (2, 3, 4, 5, 6, 8):
        again_i, again_v = np.abs(i[turns:] - i[:-turns]), np.abs(v[turns:] - v[:-turns])
        next_i, next_v = np.abs(np.diff(i))[: again_i.size], np.abs(np.diff(v))[: again_v.size]
        under = loaded[: again_i.size]
        if under.sum() < 12:
            continue
        fresh = 1e-9 + np.median(again_i[under])
        differ_i = np.quantile(next_i[under], 0.6) > max(8 * fresh, 0.02 * size)
        differ_v = np.quantile(next_v, 0.6) > max(8 * np.median(again_v), 2e-3 * abs(float(np.median(v))))
        together = np.count_nonzero(np.diff(t) == 0) >= 0.9 * (t.size - t.size / turns - 1)
        differ = np.quantile(next_v, 0.6) > max(4 * np.median(again_v), 5e-4 * abs(float(np.median(v))))
        if differ_i or differ_v or (together and differ):
            return turns
    return 1


# -- one column -------------------------------------------------------------------------------------


def temperature_column(layout: Layout, table: "pd.DataFrame", source: ColumnSource, told: Told) -> "FloatArray":
    """Return temperatures in degree Celsius; one that cannot be read costs no row."""
    import numpy as np

    values = number_column(layout, table, source, {})
    if bare(source.shown)[1].lower() in ("f", "degf", "°f"):
        values = (values - 32.0) / 1.8
    if np.isfinite(values).any() and float(np.nanmedian(values)) > 200.0:
        values = values - 273.15
        told.note("temperatures above 200 were read as kelvin")
    return values


def step_column(table: "pd.DataFrame", source: ColumnSource | None) -> "FloatArray":
    """Return the numbers of the steps, shape (rows,); 0 where the table has none."""
    import numpy as np
    import pandas as pd

    if source is None:
        return np.zeros(len(table), np.float64)
    numbers = pd.to_numeric(table[source.column], errors="coerce")
    steps: FloatArray = np.nan_to_num(numbers.to_numpy(dtype=np.float64, na_value=np.nan))
    return steps


# -- rows that are left out -------------------------------------------------------------------------


def _tell_left_out(
    file: Path, layout: Layout, table: "pd.DataFrame", keep: "BoolArray", bad: dict[int, str], told: Told
) -> None:
    """Tell the rows that are not kept, by line and why; `bad` holds what could not be read, by line.

    Raises:
        InputError: more than a fifth of the rows could not be read.
    """
    import numpy as np

    rows, lines = len(table), table.index.to_numpy()
    silent = table.isna().all(axis=1).to_numpy() if not keep.all() else np.zeros(rows, bool)
    impedance = _impedance_rows(layout, table, keep, bad)
    if impedance.any():
        told.note(lines_text(lines[impedance].tolist(), "impedance without voltage or current over time; left out"))
        for line in lines[impedance].tolist():
            bad.pop(line, None)
        silent = silent | impedance
    if bad:
        numbers = sorted(bad)
        shown = "; ".join(f"line {number}: {bad[number]}" for number in numbers[:3])
        more = f"; and {len(numbers) - 3} more" if len(numbers) > 3 else ""
        told.note(f"{shown}{more}; left out")
        if len(numbers) > MOST_LEFT_OUT * max(1, rows):
            raise InputError(
                f"{file}, line {numbers[0]}: {bad[numbers[0]]}, and so it is in {len(numbers)} of {rows} rows; "
                "rows of numbers are accepted"
            )
    missing = lines[~keep & ~silent & ~np.isin(lines, list(bad))].tolist()
    if missing:
        told.note(lines_text(missing, "no time, voltage or current; left out"))
    if bad or missing:
        told.warn("rows-left-out", f"{len(bad) + len(missing)} row(s) of {rows} could not be read and were left out.")


def _impedance_rows(layout: Layout, table: "pd.DataFrame", keep: "BoolArray", bad: Mapping[int, str]) -> "BoolArray":
    """Return which unusable rows are readings of impedance: complex numbers, or an impedance beside empty readings."""
    import numpy as np

    found = np.zeros(len(table), bool)
    left = np.flatnonzero(~keep)
    if not left.size:
        return found
    for column in range(layout.width):
        series = table[column]
        if series.dtype.kind in "fiub":
            words = bare(layout.header[column])[0] if layout.header else ""
            if re.search(r"\b(impedance|resistance|eis|frequency|freq)\b", words):
                found[left] |= series.iloc[left].notna().to_numpy()
            continue
        text = series.iloc[left].astype("string").str.strip()
        found[left] |= text.str.match(COMPLEX).fillna(False).to_numpy(bool)
    lines = table.index.to_numpy()
    for row in np.flatnonzero(np.isin(lines, list(bad)) & found):
        # what is neither a number nor complex stays a bad row
        found[row] = bool(COMPLEX.match(bad[int(lines[row])].split("'")[1].strip()))
    return found


# -- time that does not fall ------------------------------------------------------------------------


# -- further columns --------------------------------------------------------------------------------


def extra_columns(
    layout: Layout, table: "pd.DataFrame", sources: Mapping[str, ColumnSource], told: Told, keep: "BoolArray"
) -> "dict[str, FloatArray]":
    """Return the columns that are no channel of their own, under the names they get, all rows of the table."""
    import numpy as np
    import pandas as pd

    main = {sources[name].column for name in ("t", "v", "i", "temp") if name in sources}
    named = {
        sources[channel].column: (name, sources[channel].factor)
        for channel, name in (("steptime", "step_time_s"), ("ah", "counter_Ah"), ("wh", "counter_Wh"))
        if channel in sources
    }
    beside_a_discharge = counts_discharge(layout.header)
    extra: dict[str, FloatArray] = {}
    taken = set(RESERVED)
    for column in range(layout.width):
        if column in main:
            continue
        header = layout.header[column] if layout.header else f"column {column + 1}"
        plain = re.sub(r'[,"\r\n\t]+', " ", header).strip() or f"column {column + 1}"
        name, factor = named.get(column) or counter_of(header, beside_a_discharge) or (plain, 1.0)
        while name in taken:
            name += "_"
        taken.add(name)
        series = table[column]
        if series.dtype.kind not in "fiub":
            numbers = pd.to_numeric(series.astype("string").str.strip(), errors="coerce")
            if numbers.notna().sum() < 0.5 * max(1, int(series.notna().sum())):
                held = _no_numbers(series, name, header, keep, told)
                extra |= held
                taken |= held.keys()
                continue
            series = numbers
        values = series.to_numpy(dtype=np.float64, na_value=np.nan)
        extra[name] = values * factor if factor != 1.0 else values
    return extra


def _no_numbers(series: Any, name: str, header: str, keep: "BoolArray", told: Told) -> "dict[str, FloatArray]":
    """Return what is kept of a column without numbers: two parts of an impedance, words as numbers, or nothing."""
    import numpy as np
    import pandas as pd

    parts = _complex_parts(series)
    if parts is not None:
        if not keep[np.isfinite(parts[0])].any():
            told.note(f"column {header!r} holds impedance, in rows that were left out: it is not kept")
            return {}
        told.note(f"column {header!r} holds complex numbers; kept as {name}_real and {name}_imaginary")
        return {f"{name}_real": parts[0], f"{name}_imaginary": parts[1]}
    codes, levels = pd.factorize(series)
    if len(levels) > MOST_WORDS:
        told.note(f"column {header!r} holds text of many kinds; left out")
        return {}
    legend = {int(code): str(level) for code, level in enumerate(levels)}
    told.note(f"column {header!r} holds words; kept as numbers: {legend}"[:300])
    return {name: np.where(codes < 0, np.nan, codes).astype(np.float64)}


def _complex_parts(series: Any) -> "tuple[FloatArray, FloatArray] | None":
    """Return real and imaginary part of a column of complex numbers; None when it is none."""
    import numpy as np

    text = series.astype("string").str.strip()
    there = text.notna() & (text != "")
    complex_ = text.str.match(COMPLEX).fillna(False)
    if not there.any() or int(complex_.sum()) < 0.5 * int(there.sum()):
        return None
    real, imaginary = np.full(len(text), np.nan), np.full(len(text), np.nan)
    for row in np.flatnonzero(complex_.to_numpy(bool)).tolist():
        plain = re.sub(r"[\s()*]", "", str(text.iloc[row])).replace("i", "j")
        try:
            value = complex(plain)
        except ValueError:
            continue
        real[row], imaginary[row] = value.real, value.imag
    return real, imaginary
