"""The times of a table's rows: elapsed or of a clock, in seconds from the first row, rising."""

import re
import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import (
    ColumnSource,
)
from amphora.harness.importing.numbers import name_bad, number_column
from amphora.harness.importing.table_file import CLOCK, DATE, DAY_ONLY, Layout
from amphora.harness.importing.told import Told

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]


DAY_S, HOUR_S = 86_400.0, 3600.0
FIRST_SERIAL, LAST_SERIAL = 32_874.0, 73_051.0  # the years 1990 to 2099
SERIAL_ZERO = datetime(1899, 12, 30, tzinfo=UTC)


class _Times(NamedTuple):
    """Times in second; the first as clock time, where it is known; whether they start anew at midnight."""

    t_s: "FloatArray"
    first_utc: str | None = None
    wraps: bool = False
    kind: str = "count"  # or clock, date, epoch; `two` for a clock of two figures that may be mm:ss


def newest_first(t: "FloatArray") -> bool:
    """Tell whether times fall from nearly every row to the next."""
    import numpy as np

    steps = np.diff(t)
    moving = np.count_nonzero(steps)
    return bool(t.size >= 3 and moving and np.count_nonzero(steps < 0) > 0.9 * moving)


def time_column(
    file: Path, layout: Layout, table: "pd.DataFrame", source: ColumnSource, bad: dict[int, str], told: Told
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
    if sum(bool(CLOCK.match(item)) for item in sample) > 0.5 * len(sample):
        times = _clock_times(text, source)
    elif sum(bool(DATE.match(item)) for item in sample) > 0.5 * len(sample):
        times = _dated_times(file, text, source, sample[0], told)
    else:
        values = number_column(layout, table, source, bad)
        return _counted_times(file, pd.Series(values / source.factor), source, told)
    name_bad(table, source, text, times.t_s, "a time", bad)
    return times


def _with_the_day(
    layout: Layout, table: "pd.DataFrame", source: ColumnSource, text: Any, sample: list[str], told: Told
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


def _counted_times(file: Path, column: Any, source: ColumnSource, told: Told) -> _Times:
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
    told.note("times count from a far past; they now count from the first row")
    return _Times((values - first) * scale, first_utc, kind="epoch")


def _clock_times(text: Any, source: ColumnSource) -> _Times:
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
        return _Times(days * DAY_S + hours * HOUR_S + spelled * 60 + numbers(words["s"]), kind="clock")
    days = np.nan_to_num(numbers(parts["d"])) + np.nan_to_num(numbers(parts["e"]))
    hours, minutes, seconds = (numbers(parts[name]) for name in ("h", "m", "s"))
    parted = np.nan_to_num(numbers(parts["f"]))
    half = parts["half"].str.lower()
    if half.notna().any():
        late = (half == "p").fillna(False).to_numpy(bool)
        hours = np.where(half.notna().to_numpy(bool), hours % 12 + 12 * late, hours)
    two = bool(np.isnan(seconds[np.isfinite(hours)]).all())
    said = source.clock or ("mm:ss" if parted.any() else None)
    if two and said == "mm:ss":
        return _Times(days * DAY_S + hours * 60 + minutes + parted, kind="clock")
    seconds = np.where(np.isnan(seconds) & ~np.isnan(hours), 0.0, seconds)
    values = np.asarray(days * DAY_S + hours * HOUR_S + minutes * 60 + seconds + parted, dtype=np.float64)
    finite = hours[np.isfinite(hours)]
    wraps = bool(finite.size and finite.max() < 24)
    unsaid = two and said is None and not half.notna().any()
    return _Times(values, wraps=wraps and not unsaid, kind="two" if unsaid else "clock")


def _dated_times(file: Path, text: Any, source: ColumnSource, first_text: str, told: Told) -> _Times:
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


def settle_time(
    t: "FloatArray", wraps: bool, lines: "IntArray", told: Told, steps: "FloatArray | None"
) -> "tuple[FloatArray, IntArray | None, list[int]]":
    """Make times not fall: midnight, a clock set back, a clock of each step, a restart, rows out of order.

    Returns:
        The times in order, from 0 where they began below; the order the other columns are to be put in, or
        None where they are; and the rows before which time starts again.
    """
    import numpy as np

    t = t.copy() if steps is None else _step_clock(t, steps, lines, told)
    t, order, restarts = _without_falls(t, wraps, lines, told)
    if (np.diff(t) < 0).any():
        again = np.argsort(t, kind="stable")
        t, order, restarts = t[again], again if order is None else order[again], []
    if restarts:
        told.warn(
            "time-restarts",
            f"Time starts again {len(restarts)} time(s); how long was between is not known: "
            "nothing was integrated across.",
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
        usual = _usual_s(ahead)
        if wraps and drop > DAY_S / 2:
            t[row:] += DAY_S
            told.note(f"line {line}: the clock passes midnight")
            continue
        if abs(drop - HOUR_S) < max(5.0, 3 * usual) and drop > 100 * usual:
            t[row:] += HOUR_S
            told.note(f"line {line}: the clock was set back by an hour; taken as going on")
            told.warn("clock-set", f"The clock was set back by an hour at line {line}; time was taken as going on.")
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
            told.note(f"line {line}: time falls by {drop:g} s and starts again; nothing is integrated across")
    told.note("time falls in very many places")
    return t, order, restarts


def _usual_s(spans: "FloatArray") -> float:
    """Return the usual time from one reading to the next, in second; 0 where there is none."""
    import numpy as np

    rising = spans[spans > 0]
    return float(np.median(rising)) if rising.size else 0.0


def _step_clock(t: "FloatArray", steps: "FloatArray", lines: "IntArray", told: Told) -> "FloatArray":
    """Return times that go on where a clock counts each step from zero; a copy of the times where it does not.

    A clock of each step falls only where the step changes, and begins there near zero; the step's own time then
    counts from the last reading of the step before. ColumnSource: common practice of test tables.
    """
    import numpy as np

    out = t.copy()
    spans = np.diff(t)
    falls = np.flatnonzero(spans < 0) + 1
    if falls.size == 0 or not (steps[falls] != steps[falls - 1]).all():
        return out
    usual = _usual_s(spans)
    if not ((t[falls] >= 0) & (t[falls] <= 2 * usual + 1e-9)).all():
        return out
    changes = np.flatnonzero(steps[1:] != steps[:-1]) + 1
    if not (t[changes] <= 2 * usual + 1e-9).all():
        return out  # a step whose clock did not begin anew: this is no clock of each step
    for row in changes.tolist():
        out[row:] = out[row - 1] + t[row:] if t[row] > 0 else out[row - 1] + usual + t[row:]
    told.note(
        f"line {int(lines[changes[0]])}: the time counts each step from zero; the {changes.size + 1} steps were put "
        "one after the other"
    )
    return out
