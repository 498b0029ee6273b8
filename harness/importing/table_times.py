"""The times of a table's column: a count, a clock, dates. Second, from the column's own zero."""

import re
import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from amphora.harness.common.errors import InputError
from amphora.harness.importing.column_values import Told, name_bad, number_column
from amphora.harness.importing.odd_times import plain_times
from amphora.harness.importing.sources import Source
from amphora.harness.importing.table_file import CLOCK, DATE, DAY_ONLY, Layout

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]

DAY_S, HOUR_S = 86_400.0, 3600.0
SERIAL_ZERO = datetime(1899, 12, 30, tzinfo=UTC)
FIRST_SERIAL, LAST_SERIAL = 32_874.0, 73_051.0  # the years 1990 to 2099


class Times(NamedTuple):
    """Times in second; the first as clock time, where it is known; whether they start anew at midnight."""

    t_s: "FloatArray"
    first_utc: str | None = None
    wraps: bool = False
    kind: str = "count"  # or clock, date, epoch; `two` for a clock of two figures that may be mm:ss


def time_column(
    file: Path, layout: Layout, table: "pd.DataFrame", source: Source, bad: dict[int, str], told: Told
) -> Times:
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
    name_bad(table, source, text, times.t_s, "a time", bad)
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
        times = time_column(Path(header), layout, table, source, {}, Told())
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


def _counted_times(file: Path, column: Any, source: Source, told: Told) -> Times:
    import numpy as np

    values: FloatArray = column.to_numpy(dtype=np.float64, na_value=np.nan) * source.factor
    finite = values[np.isfinite(values)]
    if finite.size and source.factor == DAY_S and FIRST_SERIAL < float(finite[0]) / DAY_S < LAST_SERIAL:
        first = float(finite[0])  # days since 1899-12-30, as spreadsheets keep a date (common practice)
        told.note("times are serial days of a spreadsheet")
        first_utc = (SERIAL_ZERO + timedelta(seconds=round(first, 3))).isoformat()
        return Times(values - first, first_utc)
    if not finite.size or finite[0] <= 1e8:
        return Times(values)
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
    return Times((values - first) * scale, first_utc, kind="epoch")


def _clock_times(text: Any, source: Source) -> Times:
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

    days, hours, minutes, seconds = (numbers(words[name]) for name in "dhms")
    if np.isfinite(minutes).any():
        clock = np.nan_to_num(days) * DAY_S + np.nan_to_num(hours) * HOUR_S + minutes * 60 + seconds
        return Times(clock, kind="clock")
    days, more_days, hours, minutes, seconds, parted = (numbers(parts[name]) for name in "dehmsf")
    days, parted = np.nan_to_num(days) + np.nan_to_num(more_days), np.nan_to_num(parted)
    half = parts.half.str.lower()
    if half.notna().any():
        late = (half == "p").fillna(False).to_numpy(bool)
        hours = np.where(half.notna().to_numpy(bool), hours % 12 + 12 * late, hours)
    two = bool(np.isnan(seconds[np.isfinite(hours)]).all())
    said = source.clock or ("mm:ss" if bool(parts.f.notna().any()) else None)
    if two and said == "mm:ss":
        return Times(days * DAY_S + hours * 60 + minutes + parted, kind="clock")
    seconds = np.where(np.isnan(seconds) & ~np.isnan(hours), 0.0, seconds)
    values = np.asarray(days * DAY_S + hours * HOUR_S + minutes * 60 + seconds + parted, dtype=np.float64)
    finite = hours[np.isfinite(hours)]
    wraps = bool(finite.size and finite.max() < 24)
    unsaid = two and said is None and not half.notna().any()
    return Times(values, wraps=wraps and not unsaid, kind="two" if unsaid else "clock")


def _dated_times(file: Path, text: Any, source: Source, first_text: str, told: Told) -> Times:
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
    return Times(
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
