"""The rows of a table as arrays over time: numbers, clocks and dates, further columns, times that do not fall.

What a row cannot give is told by its line and left out; a clock that passes midnight, is set back, starts
again or counts each step from zero is put in order, and told. Whether the values make sense for a cell is
not judged here (`importing.plausibility`). Units: second, volt, ampere, degree Celsius.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.common.errors import InputError
from amphora.harness.importing.column_values import Told, number_column, step_column, temperature_column
from amphora.harness.importing.columns import bare, counter_of, counts_discharge
from amphora.harness.importing.odd_times import blocks_in_order, overflow_s, put_forward, spread, step_clock, usual_s
from amphora.harness.importing.sources import Source, Sources
from amphora.harness.importing.table_file import COMPLEX, WITH_UNIT, Layout, lines_text
from amphora.harness.importing.table_times import DAY_S, HOUR_S, time_column

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]

MOST_LEFT_OUT = 0.2  # of the rows may be no numbers; more is no table of ours
MOST_WORDS = 200  # different texts in a column that is kept as numbers
MAIN = ("t", "v", "i", "temp")
COUNTED = {"steptime": "step_time_s", "ah": "counter_Ah", "wh": "counter_Wh"}  # by what they are called in the folder
RESERVED = ("t_s", "step", "voltage_V", "current_A", "temperature_degC")


@dataclass(frozen=True)
class Columns:
    """Time, voltage and current (second, volt, ampere); temperature (degree Celsius) where there is one. Shape (n,)."""

    t: "FloatArray"
    v: "FloatArray"
    i: "FloatArray"
    temp: "FloatArray | None" = None

    def each(self, change: "Callable[[FloatArray], FloatArray]") -> "Columns":
        """Return them with each changed alike."""
        temp = None if self.temp is None else change(self.temp)
        return Columns(change(self.t), change(self.v), change(self.i), temp)


@dataclass(frozen=True)
class Rows:
    """The usable rows of a table, in order of time.

    `columns`: n >= 2; `extra` the further columns, shape (n,), under the names they get in the run folder; `executed`
    the step as executed from 0, shape (n,); `lines` each row's line in the file, shape (n,); `restarts` the rows
    before which time starts again; `first_utc` the first clock time, where the table has dates.
    """

    columns: Columns
    extra: "Mapping[str, FloatArray]"
    executed: "IntArray"
    lines: "IntArray"
    restarts: list[int]
    first_utc: str | None

    @property
    def size(self) -> int:
        """Return how many rows there are."""
        return int(self.executed.size)


@dataclass(frozen=True)
class _Kept:
    """Rows that are kept of a table: what stands in them, and their lines in the file."""

    columns: Columns
    extra: "Mapping[str, FloatArray]"
    steps: "FloatArray"
    lines: "IntArray"

    def taken(self, which: Any) -> "_Kept":
        """Return some of the rows, or all in another order: what numpy takes as an index."""
        extra = {name: column[which] for name, column in self.extra.items()}
        return _Kept(self.columns.each(lambda column: column[which]), extra, self.steps[which], self.lines[which])

    def at(self, t: "FloatArray") -> "_Kept":
        """Return them with other times."""
        return replace(self, columns=replace(self.columns, t=t))


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


def rows_of(file: Path, layout: Layout, table: "pd.DataFrame", sources: Sources, told: Told) -> Rows:
    """Return the rows of a table that have time, voltage and current.

    Raises:
        InputError: no times that can be read, more than a fifth of the rows is no numbers, or fewer than two rows.
    """
    import numpy as np

    bad: dict[int, str] = {}
    times = time_column(file, layout, table, sources.t, bad, told)
    v, i = (number_column(layout, table, source, bad) for source in (sources.v, sources.i))
    keep = np.isfinite(times.t_s) & np.isfinite(v) & np.isfinite(i)
    _tell_left_out(file, layout, table, keep, bad, told)
    if keep.sum() < 2:
        raise InputError(f"{file}: {int(keep.sum())} row(s) with time, voltage and current; at least 2 are needed")
    temp = None if sources.temp is None else temperature_column(layout, table, sources.temp, told)
    extra = extra_columns(layout, table, sources, told, keep)
    steps = step_column(table, sources.step)
    kept, first_utc = _Kept(Columns(times.t_s, v, i, temp), extra, steps, table.index.to_numpy()), times.first_utc
    if not keep.all():
        kept = kept.taken(keep)
    if newest_first(kept.columns.t):
        kept = kept.taken(np.arange(kept.lines.size)[::-1])
        told.note("the newest row came first: the order of the rows was reversed")
        first_s = float(kept.columns.t[0])
        if first_utc is not None:
            first_utc = (datetime.fromisoformat(first_utc) + timedelta(seconds=first_s)).isoformat()
        kept = kept.at(kept.columns.t - (first_s if not times.wraps and first_utc is not None else 0.0))
    counted = kept.steps if sources.step is not None else None
    t, order, restarts = _settle_time(kept.columns.t, times.wraps, kept.lines, told, counted)
    kept = kept.at(t)
    if times.kind in ("clock", "date"):
        kept = _settle_clock(kept, told)
    if order is not None:
        kept = kept.taken(order).at(kept.columns.t)
    executed = np.concatenate(([0], np.cumsum(np.diff(kept.steps) != 0))).astype(np.int64)
    return Rows(kept.columns, kept.extra, executed, kept.lines, restarts, first_utc)


def _settle_clock(kept: _Kept, told: Told) -> _Kept:
    """Undo what clocks do: one stamp for several rows, an hour in spring. Rows as they stand in the table."""
    apart = spread(kept.columns.t)
    if apart is not None:
        kept = kept.at(apart)
        told.note("several rows share a stamp of the clock: spread evenly up to the next")
    row = put_forward(kept.columns.t, kept.columns.v, kept.columns.i)
    if row is None:
        return kept
    t = kept.columns.t.copy()
    t[row:] -= HOUR_S
    line = int(kept.lines[row])
    told.note(f"line {line}: the clock was put forward by an hour; the voltage shows that no hour had passed")
    told.warn("clock-set", f"The clock was put forward by an hour at line {line}; the hour was taken out.")
    return kept.at(t)


def newest_first(t: "FloatArray") -> bool:
    """Tell whether times fall from nearly every row to the next."""
    import numpy as np

    steps = np.diff(t)
    moving = np.count_nonzero(steps)
    return bool(t.size >= 3 and moving and np.count_nonzero(steps < 0) > 0.9 * moving)


def readings_of(file: Path, layout: Layout, table: "pd.DataFrame", sources: Sources) -> Readings:
    """Return time, voltage and current as they stand in the table, to judge in which units they are.

    Raises:
        InputError: as `rows_of`.
    """
    import numpy as np

    told = Told()
    times = time_column(file, layout, table, sources.t, {}, told)
    v, i = (number_column(layout, table, source, {}) for source in (sources.v, sources.i))
    keep = np.isfinite(times.t_s) & np.isfinite(v) & np.isfinite(i)
    counters: dict[str, FloatArray] = {}
    beside = counts_discharge(layout.header)
    for column in range(layout.width):
        header = layout.header[column] if layout.header else ""
        found = counter_of(header, beside)
        if found and found[0].endswith("_Ah") and table[column].dtype.kind in "fiu":
            counters[found[0]] = table[column].to_numpy(np.float64, na_value=np.nan)[keep] * found[1]
    unstated = {channel for channel in ("v", "i") if not _says_unit(table, sources.by_channel[channel])}
    if (times.kind == "count" and not _says_unit(table, sources.t)) or times.kind == "two":
        unstated.add("t")
    t, v, i = times.t_s[keep], v[keep], i[keep]
    if newest_first(t):
        t, v, i = t[::-1], v[::-1], i[::-1]
        counters = {name: values[::-1] for name, values in counters.items()}
    return Readings(t, v, i, counters, frozenset(unstated), times.kind == "two")


def _says_unit(table: "pd.DataFrame", source: Source) -> bool:
    """Tell whether the unit of a column is known: stated, or written behind its values."""
    column = table[source.column]
    if source.stated or column.dtype.kind in "fiu":
        return source.stated
    sample = [str(item).strip() for item in column.dropna().iloc[:50]]
    return bool(sample) and sum(bool(WITH_UNIT.match(item)) for item in sample) > 0.5 * len(sample)


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


def _settle_time(
    t: "FloatArray", wraps: bool, lines: "IntArray", told: Told, steps: "FloatArray | None"
) -> "tuple[FloatArray, IntArray | None, list[int]]":
    """Make times not fall: midnight, a clock set back, a clock of each step, a restart, rows out of order.

    Returns:
        The times in order, from 0 where they began below; the order the other columns are to be put in, or
        None where they are; and the rows before which time starts again.
    """
    import numpy as np

    t, note = (t.copy(), None) if steps is None else step_clock(t, steps, lines)
    if note is not None:
        told.note(note)
    blocks = blocks_in_order(t)
    if blocks is not None:
        told.note("the rows stand in blocks that are not in order of time; they were sorted")
        told.warn("time-disorder", "Blocks of rows were out of order in time and were sorted.")
        return t[blocks] - min(0.0, float(t[blocks][0])), blocks, []
    t, order, restarts = _without_falls(t, wraps, lines, told)
    if (np.diff(t) < 0).any():
        again = np.argsort(t, kind="stable")
        t, order, restarts = t[again], again if order is None else order[again], []
    if restarts:
        told.warn(
            "time-restarts",
            f"Time starts again {len(restarts)} time(s); the length of the gap is not known: "
            "no charge was counted across it.",
        )
    repeated = int(np.count_nonzero(np.diff(t) == 0))
    if repeated:
        told.note(f"{repeated} row(s) repeat the time of the row before")
    if float(t[0]) < 0:
        t = t - float(t[0])
    return t, order, restarts


def _without_falls(
    t: "FloatArray", wraps: bool, lines: "IntArray", told: Told
) -> "tuple[FloatArray, IntArray | None, list[int]]":
    """Take one fall after the other for what it looks like, the surest first; `t` is changed."""
    import numpy as np

    restarts: list[int] = []
    order: IntArray | None = None
    for _ in range(10_000):
        falls = np.flatnonzero(np.diff(t) < 0)
        if falls.size == 0:
            return t, order, restarts
        row = int(falls[0]) + 1
        drop = float(t[row - 1] - t[row])
        line = int(lines[row if order is None else order[row]])
        ahead = np.diff(t[max(0, row - 50) : row])
        usual = usual_s(ahead)
        whole = overflow_s(float(t[row - 1]), float(t[row]), usual)
        if whole is not None and not wraps:
            t[row:] += whole
            told.note(f"line {line}: the time counter restarts at {whole:g} s; read on without a gap")
            continue
        if wraps and drop > DAY_S / 2:
            t[row:] += DAY_S
            told.note(f"line {line}: the clock passes midnight")
            continue
        if abs(drop - HOUR_S) < max(5.0, 3 * usual) and drop > 10 * usual:
            t[row:] += HOUR_S
            told.note(f"line {line}: the clock was set back by an hour; read on without a gap")
            told.warn("clock-set", f"The clock was set back by an hour at line {line}; time was read on without a gap.")
            continue
        recovers = np.flatnonzero(t[row:] >= t[row - 1])
        if recovers.size and recovers[0] <= 5 and drop < 100 * max(usual, 1e-9):
            # Only up to where time falls by more than lateness: behind it begins another day, or another count.
            far = falls[t[falls] - t[falls + 1] >= 100 * max(usual, 1e-9)]
            end = int(far[0]) + 1 if far.size else t.size
            late = int(np.count_nonzero(falls < end - 1))
            again = np.arange(t.size)
            again[:end] = np.argsort(t[:end], kind="stable")
            told.note(f"line {line}: time falls by {drop:g} s; {late} late row(s) put in order of time")
            told.warn("time-disorder", f"{late} row(s) were out of order in time and were sorted.")
            t, order = t[again], again if order is None else order[again]
            continue
        t[row:] += drop + usual
        restarts.append(row)
        if len(restarts) == 1:
            told.note(f"line {line}: time falls by {drop:g} s and starts again; no charge is counted across the gap")
    told.note("time falls in very many places")
    return t, order, restarts


# -- further columns --------------------------------------------------------------------------------


def extra_columns(
    layout: Layout, table: "pd.DataFrame", sources: Sources, told: Told, keep: "BoolArray"
) -> "dict[str, FloatArray]":
    """Return the columns that are no channel of their own, under the names they get, all rows of the table."""
    import numpy as np
    import pandas as pd

    main = {source.column for channel, source in sources.by_channel.items() if channel in MAIN}
    named = {
        source.column: (COUNTED[channel], source.factor)
        for channel, source in sources.by_channel.items()
        if channel in COUNTED
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
