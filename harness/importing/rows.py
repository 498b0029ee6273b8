"""The rows of a table as arrays over time: numbers, clocks and dates, further columns, times that do not fall.

What a row cannot give is told by its line and left out; a clock that passes midnight, is set back, starts
again or counts each step from zero is put in order, and told. Whether the values make sense for a cell is
not judged here (`importing.plausibility`). Units: second, volt, ampere, degree Celsius.
"""

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import (
    CELLS,
    OTHERS,
    Source,
    bare,
    counter_of,
    counts_discharge,
    plain_word,
    unit_factor,
)
from amphora.harness.importing.odd_times import (
    blocks_in_order,
    overflow_s,
    plain_times,
    put_forward,
    spread,
    step_clock,
    usual_s,
)
from amphora.harness.importing.table_file import CLOCK, COMPLEX, DATE, DAY_ONLY, WITH_UNIT, Layout, lines_text

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
DAY_S, HOUR_S = 86_400.0, 3600.0
SERIAL_ZERO = datetime(1899, 12, 30, tzinfo=UTC)
FIRST_SERIAL, LAST_SERIAL = 32_874.0, 73_051.0  # the years 1990 to 2099


@dataclass
class Told:
    """What a person should know about the import; warnings go on into the analysis."""

    notes: list[str] = field(default_factory=list)
    warnings: list[dict[str, str]] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Add what was done."""
        self.notes.append(text)

    def warn(self, code: str, text: str) -> None:
        """Add what to distrust."""
        self.warnings.append({"code": code, "text": text})


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


class _Times(NamedTuple):
    """Times in second; the first as clock time, where it is known; whether they start anew at midnight."""

    t_s: "FloatArray"
    first_utc: str | None = None
    wraps: bool = False
    kind: str = "count"  # or clock, date, epoch; `two` for a clock of two figures that may be mm:ss


def rows_of(file: Path, layout: Layout, table: "pd.DataFrame", sources: Mapping[str, Source], told: Told) -> Rows:
    """Return the rows of a table that have time, voltage and current.

    Raises:
        InputError: no times that can be read, more than a fifth of the rows is no numbers, or fewer than two rows.
    """
    import numpy as np

    bad: dict[int, str] = {}
    t, first_utc, wraps, kind = _time_column(file, layout, table, sources["t"], bad, told)
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
        told.note("the newest row came first: the order of the rows was reversed")
        if first_utc is not None:
            first_utc = (datetime.fromisoformat(first_utc) + timedelta(seconds=float(columns["t"][0]))).isoformat()
        columns["t"] = columns["t"] - (columns["t"][0] if not wraps and first_utc is not None else 0.0)
    columns["t"], order, restarts = _settle_time(columns["t"], wraps, lines, told, steps if "step" in sources else None)
    if kind in ("clock", "date"):
        _settle_clock(columns, lines, told)
    if order is not None:
        columns = {name: column if name == "t" else column[order] for name, column in columns.items()}
        extra = {name: column[order] for name, column in extra.items()}
        steps, lines = steps[order], lines[order]
    executed = np.concatenate(([0], np.cumsum(np.diff(steps) != 0))).astype(np.int64)
    return Rows(columns, extra, executed, lines, restarts, first_utc)


def _settle_clock(columns: "dict[str, FloatArray]", lines: "IntArray", told: Told) -> None:
    """Undo what clocks do: one stamp for several rows, an hour in spring. Rows as they stand in the table."""
    apart = spread(columns["t"])
    if apart is not None:
        columns["t"] = apart
        told.note("several rows share a stamp of the clock: spread evenly up to the next")
    row = put_forward(columns["t"], columns["v"], columns["i"])
    if row is not None:
        columns["t"] = columns["t"].copy()
        columns["t"][row:] -= HOUR_S
        line = int(lines[row])
        told.note(f"line {line}: the clock was put forward by an hour; the voltage shows that no hour had passed")
        told.warn("clock-set", f"The clock was put forward by an hour at line {line}; the hour was taken out.")


def newest_first(t: "FloatArray") -> bool:
    """Tell whether times fall from nearly every row to the next."""
    import numpy as np

    steps = np.diff(t)
    moving = np.count_nonzero(steps)
    return bool(t.size >= 3 and moving and np.count_nonzero(steps < 0) > 0.9 * moving)


def readings_of(file: Path, layout: Layout, table: "pd.DataFrame", sources: Mapping[str, Source]) -> Readings:
    """Return time, voltage and current as they stand in the table, to judge in which units they are.

    Raises:
        InputError: as `rows_of`.
    """
    import numpy as np

    told = Told()
    times = _time_column(file, layout, table, sources["t"], {}, told)
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


def _says_unit(table: "pd.DataFrame", source: Source) -> bool:
    """Tell whether the unit of a column is known: stated, or written behind its values."""
    column = table[source.column]
    if source.stated or column.dtype.kind in "fiu":
        return source.stated
    sample = [str(item).strip() for item in column.dropna().iloc[:50]]
    return bool(sample) and sum(bool(WITH_UNIT.match(item)) for item in sample) > 0.5 * len(sample)


def table_of_one_cell(
    file: Path, layout: Layout, table: "pd.DataFrame", sources: Mapping[str, Source], which: str | None, told: Told
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


def number_column(layout: Layout, table: "pd.DataFrame", source: Source, bad: dict[int, str]) -> "FloatArray":
    """Return the numbers of a column in the house's unit, NaN where there is none; `bad` takes those by line."""
    import numpy as np
    import pandas as pd

    column = table[source.column]
    if column.dtype.kind in "fiu":
        values: FloatArray = column.to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        text = column.astype("string").str.strip()
        plain = text
        if layout.thousands is not None:
            mark = re.escape(layout.thousands)
            plain = plain.str.replace(rf"(?<=\d){mark}(?=\d{{3}}(?!\d))", "", regex=True)
        if layout.decimal == ",":
            plain = plain.str.replace(",", ".", regex=False)
        plain = plain.str.replace(r"^\((\d.*)\)$", r"-\1", regex=True)  # as bookkeepers write what is owed
        plain = plain.str.replace(r"^(\d[\d.]*)-$", r"-\1", regex=True)  # and as old ledgers do
        read = pd.to_numeric(plain, errors="coerce")
        values = read.to_numpy(dtype=np.float64, na_value=np.nan)
        values = _with_units(plain, values, source)
        _name_bad(table, source, text, values, "a number", bad)
    # 9.9E37 and 9.91E37 stand for infinity and 'no value' in SCPI-1999: never data
    beyond = np.abs(values) > 9e36
    if beyond.any():
        values = np.where(beyond, np.nan, values)
    return np.asarray(values * source.factor) if source.factor != 1.0 else values


def _with_units(text: Any, values: "FloatArray", source: Source) -> "FloatArray":
    """Read what could not be read as a number and a unit behind it, such as `3.91 V`; the unit of the value counts."""
    import numpy as np
    import pandas as pd

    left = np.flatnonzero(np.isnan(values) & text.notna().to_numpy())
    if not left.size:
        return values
    parts = text.iloc[left].str.extract(WITH_UNIT)
    numbers = pd.to_numeric(parts[0].str.replace(",", ".", regex=False), errors="coerce").to_numpy(
        np.float64, na_value=np.nan
    )
    factors = np.full(left.size, np.nan)
    for unit in parts[1].dropna().unique():
        channels = [one for one in ("t", "v", "i", "temp") if unit_factor(one, str(unit)) is not None]
        words = set(plain_word(bare(source.shown)[0]).split())
        fits = [one for one in channels if source.channel in ("", one)] or ([] if source.channel else channels)
        if fits and words is not None:
            factors[(parts[1] == unit).fillna(False).to_numpy(bool)] = unit_factor(fits[0], str(unit)) or np.nan
    values = values.copy()
    values[left] = numbers * factors / source.factor
    return values


def _name_bad(
    table: "pd.DataFrame", source: Source, text: Any, values: "FloatArray", what: str, bad: dict[int, str]
) -> None:
    """Put into `bad`, by line, what stands in a column and could not be read."""
    import numpy as np

    column = table[source.column]
    for row in np.flatnonzero(np.isnan(values) & column.notna().to_numpy() & (text != "").fillna(False).to_numpy(bool)):
        bad.setdefault(int(table.index[int(row)]), f"{str(column.iloc[row])[:30]!r} in {source.shown} is not {what}")


def temperature_column(layout: Layout, table: "pd.DataFrame", source: Source, told: Told) -> "FloatArray":
    """Return temperatures in degree Celsius; one that cannot be read costs no row."""
    import numpy as np

    values = number_column(layout, table, source, {})
    if bare(source.shown)[1].lower() in ("f", "degf", "°f"):
        values = (values - 32.0) / 1.8
    if np.isfinite(values).any() and float(np.nanmedian(values)) > 200.0:
        values = values - 273.15
        told.note("temperatures above 200 were read as kelvin")
    return values


def step_column(table: "pd.DataFrame", source: Source | None) -> "FloatArray":
    """Return the numbers of the steps, shape (rows,); 0 where the table has none."""
    import numpy as np
    import pandas as pd

    if source is None:
        return np.zeros(len(table), np.float64)
    numbers = pd.to_numeric(table[source.column], errors="coerce")
    steps: FloatArray = np.nan_to_num(numbers.to_numpy(dtype=np.float64, na_value=np.nan))
    return steps


def _time_column(
    file: Path, layout: Layout, table: "pd.DataFrame", source: Source, bad: dict[int, str], told: Told
) -> _Times:
    """Return the times of a column that counts, shows a clock, or shows dates."""
    import pandas as pd

    column = table[source.column]
    if column.dtype.kind in "fiu":
        return _counted_times(file, column, source, told)
    text = column.astype("string").str.strip()
    present = text[text.notna() & (text != "")]
    if present.empty:
        raise InputError(f"{file}: the time column {source.shown} is empty")
    sample = [str(item) for item in present.iloc[:50]]
    text, sample = _with_the_day(layout, table, source, text, sample, told)
    text = plain_times(text)
    sample = [str(item) for item in text.dropna().iloc[:50]]
    if sum(bool(CLOCK.match(item)) for item in sample) > 0.5 * len(sample):
        times = _clock_times(text, source)
    elif sum(bool(DATE.match(item)) for item in sample) > 0.5 * len(sample):
        times = _dated_times(file, text, source, sample[0], told)
    else:
        values = number_column(layout, table, source, bad)
        return _counted_times(file, pd.Series(values / source.factor), source, told)
    _name_bad(table, source, text, times.t_s, "a time", bad)
    return times


def other_times(layout: Layout, table: "pd.DataFrame", column: int) -> "tuple[FloatArray, bool] | None":
    """Return another column as times, all rows of the table: its numbers, or seconds of a clock or dates, or None.

    The second value tells whether it shows a clock or dates, so that no unit is left open.
    """
    header = layout.header[column] if layout.header else ""
    source = Source(column, header, 1.0, channel="t", clock=None)
    series = table[column]
    if series.dtype.kind not in "fiu":
        first = [str(item).strip() for item in series.dropna().iloc[:20]]
        if not first or all(DAY_ONLY.match(item) for item in first):
            return None  # a day alone passes no time
    elif series.nunique() < 0.2 * len(series):
        return None  # too coarse
    try:
        times = _time_column(Path(header), layout, table, source, {}, Told())
    except (InputError, ValueError):
        return None
    t = times.t_s.copy()
    if times.wraps:
        falls = t[1:] - t[:-1] < -DAY_S / 2
        t[1:] += DAY_S * falls.cumsum()
    return None if times.kind == "two" else (t, times.kind in ("clock", "date", "epoch"))


def _with_the_day(
    layout: Layout, table: "pd.DataFrame", source: Source, text: Any, sample: list[str], told: Told
) -> tuple[Any, list[str]]:
    """Put day and time of day together, where they stand in two columns."""

    def is_clock(item: str) -> bool:
        return bool(CLOCK.match(item)) and ":" in item

    pattern = is_clock if all(DAY_ONLY.match(item) for item in sample) else DAY_ONLY.match
    if pattern is DAY_ONLY.match and not all(is_clock(item) for item in sample):
        return text, sample
    for column in range(layout.width):
        other = table[column]
        if column == source.column or other.dtype.kind in "fiub":
            continue
        beside = other.astype("string").str.strip()
        first = [str(item) for item in beside.dropna().iloc[:50]]
        if first and all(pattern(item) for item in first):
            day, clock = (beside, text) if pattern is DAY_ONLY.match else (text, beside)
            both = day + " " + clock
            if source.guessed:
                told.note("day and time of day stand in two columns and were put together")
            return both, [str(item) for item in both.dropna().iloc[:50]]
    return text, sample


def _counted_times(file: Path, column: Any, source: Source, told: Told) -> _Times:
    import numpy as np

    values: FloatArray = column.to_numpy(dtype=np.float64, na_value=np.nan) * source.factor
    finite = values[np.isfinite(values)]
    if finite.size and source.factor == DAY_S and FIRST_SERIAL < float(finite[0]) / DAY_S < LAST_SERIAL:
        first = float(finite[0])  # days since 1899-12-30, as spreadsheets keep a date (common practice)
        told.note("times are serial days of a spreadsheet")
        first_utc = (SERIAL_ZERO + timedelta(seconds=round(first, 3))).isoformat()
        return _Times(values - first, first_utc)
    if not finite.size or finite[0] <= 1e8:
        return _Times(values)
    first = float(finite[0])  # since 1970; a number without a unit tells by its size what it counts
    scale = 1.0
    if source.factor == 1.0:
        scale = next((one for least, one in ((1e17, 1e-9), (1e14, 1e-6), (1e11, 1e-3)) if first > least), 1.0)
    try:
        first_utc = datetime.fromtimestamp(first * scale, UTC).isoformat()
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(
            f"{file}: the times in {source.shown} begin at {first:g}, which is no count since 1970 in s, ms, us or ns; "
            "times that count from the start of the test, or since 1970, are accepted"
        ) from error
    told.note("times count from a date long before the test; they now count from the first row")
    return _Times((values - first) * scale, first_utc, kind="epoch")


def _clock_times(text: Any, source: Source) -> _Times:
    """Return the times of a clock: `1 d 02:03:04.5`, `26:03`; one that never shows 24 h starts anew at midnight.

    Two figures are hours and minutes, unless a header, `--units` or a fraction behind them says minutes and seconds.
    """
    import numpy as np
    import pandas as pd

    plain = text.str.replace(",", ".", regex=False)
    parts = plain.str.extract(
        r"^(?:(?P<d>\d+)\s*d(?:ays?)?[\s,]*|(?P<e>\d+)\.(?=\d+:\d+:))?(?P<h>\d+):(?P<m>\d+)(?::(?P<s>\d+))?(?P<f>\.\d+)?"
        r"(?:\s*(?P<half>[APap])\.?[Mm]\.?)?$"
    )
    words = plain.str.extract(
        r"^(?:(?P<d>\d+)\s*d(?:ays?)?\s*)?(?:(?P<h>\d+)\s*h(?:ours?)?\s*)?(?P<m>\d+)\s*m(?:in)?(?:utes?)?\s*"
        r"(?P<s>\d+(?:\.\d+)?)\s*s(?:ec)?$"
    )

    def numbers(column: Any) -> "FloatArray":
        read: FloatArray = pd.to_numeric(column, errors="coerce").to_numpy(np.float64, na_value=np.nan)
        return read

    spelled = numbers(words["m"])
    if np.isfinite(spelled).any():
        days, hours = np.nan_to_num(numbers(words["d"])), np.nan_to_num(numbers(words["h"]))
        clock = days * DAY_S + hours * HOUR_S + spelled * 60 + numbers(words["s"])
        return _Times(clock, kind="clock")
    days = np.nan_to_num(numbers(parts["d"])) + np.nan_to_num(numbers(parts["e"]))
    hours, minutes, seconds = (numbers(parts[name]) for name in ("h", "m", "s"))
    parted = np.nan_to_num(numbers(parts["f"]))
    half = parts["half"].str.lower()
    if half.notna().any():
        late = (half == "p").fillna(False).to_numpy(bool)
        hours = np.where(half.notna().to_numpy(bool), hours % 12 + 12 * late, hours)
    two = bool(np.isnan(seconds[np.isfinite(hours)]).all())
    said = source.clock or ("mm:ss" if bool(parts["f"].notna().any()) else None)
    if two and said == "mm:ss":
        return _Times(days * DAY_S + hours * 60 + minutes + parted, kind="clock")
    seconds = np.where(np.isnan(seconds) & ~np.isnan(hours), 0.0, seconds)
    values = np.asarray(days * DAY_S + hours * HOUR_S + minutes * 60 + seconds + parted, dtype=np.float64)
    finite = hours[np.isfinite(hours)]
    wraps = bool(finite.size and finite.max() < 24)
    unsaid = two and said is None and not half.notna().any()
    return _Times(values, wraps=wraps and not unsaid, kind="two" if unsaid else "clock")


def _dated_times(file: Path, text: Any, source: Source, first_text: str, told: Told) -> _Times:
    import numpy as np
    import pandas as pd

    plain = text.str.replace(",", ".", regex=False).str.replace(r"\s*UTC$", "Z", regex=True)
    day_first = _day_first(plain, first_text, told)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that it guesses row by row is no news
        stamps = pd.to_datetime(plain, errors="coerce", dayfirst=day_first, utc=True)
        if stamps.isna().mean() > 0.1:
            stamps = pd.to_datetime(plain, errors="coerce", dayfirst=day_first, utc=True, format="mixed")
    if not stamps.notna().any():
        raise InputError(f"{file}: the times in {source.shown}, such as {first_text!r}, cannot be read")
    first = stamps.dropna().iloc[0]
    seconds = (stamps - first).dt.total_seconds()
    return _Times(
        np.asarray(seconds.to_numpy(np.float64, na_value=np.nan), dtype=np.float64), first.isoformat(), kind="date"
    )


def _day_first(text: Any, first_text: str, told: Told) -> bool:
    """Tell whether the day stands before the month: by a figure above 12, or by which reading passes less time."""
    import pandas as pd

    if re.match(r"^\d{1,2}\.\d{1,2}\.\d{2,4}", first_text):
        return True
    if not re.match(r"^\d{1,2}[/-]\d{1,2}[/-]\d{2,4}", first_text):
        return False
    days = text.str.extract(r"^(\d{1,2})[/-](\d{1,2})[/-]")
    pairs = days.dropna().drop_duplicates()
    one, two = (pd.to_numeric(pairs[column], errors="coerce") for column in (0, 1))
    if (one > 12).any() or (two > 12).any():
        return bool((one > 12).any())
    if len(pairs) > 1:
        spans = (float(((two - two.iloc[0]) * 30 + one - one.iloc[0]).abs().max()),
                 float(((one - one.iloc[0]) * 30 + two - two.iloc[0]).abs().max()))  # fmt: skip
        if spans[0] != spans[1]:
            return spans[0] < spans[1]
    told.note(f"dates such as {first_text!r} were read as month/day; the date may be another, the times are not")
    return False


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
    layout: Layout, table: "pd.DataFrame", sources: Mapping[str, Source], told: Told, keep: "BoolArray"
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
