"""Times that are written or run on in unusual ways: letters, durations, months in words; counters that begin anew.

Texts are brought to the forms that `rows` reads. What a clock or a counter does by itself (a stamp to the minute that
several rows share, a counter that overflows, a clock put forward in spring) is undone where the readings show it.
"""

import re
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

_WEEKDAY = re.compile(r"^(?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so)[a-z]*[.,]*\s+(?=\S)", re.I)
_MONTHS = {
    "janvier": "Jan", "januar": "Jan", "enero": "Jan", "gennaio": "Jan", "février": "Feb", "februar": "Feb",
    "febrero": "Feb", "febbraio": "Feb", "märz": "Mar", "mars": "Mar", "marzo": "Mar", "avril": "Apr", "abril": "Apr",
    "aprile": "Apr", "mai": "May", "mayo": "May", "maggio": "May", "juin": "Jun", "juni": "Jun", "junio": "Jun",
    "giugno": "Jun", "juillet": "Jul", "juli": "Jul", "julio": "Jul", "luglio": "Jul", "août": "Aug", "agosto": "Aug",
    "septembre": "Sep", "septiembre": "Sep", "settembre": "Sep", "octobre": "Oct", "oktober": "Oct", "octubre": "Oct",
    "ottobre": "Oct", "okt": "Oct", "novembre": "Nov", "noviembre": "Nov", "décembre": "Dec", "dezember": "Dec",
    "dez": "Dec", "diciembre": "Dec", "dicembre": "Dec", "mär": "Mar", "dic": "Dec",
}  # fmt: skip
_DURATION = r"^P(?:(\d+)D)?T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:\.\d+)?)S)?$"
_LETTERED = r"^(\d{1,2})\s*h\s*(\d{1,2})\s*(?:m|min|')\s*(\d{1,2})\s*(?:s|\"|'')?$"
_DOTTED = r"^(\d{1,2})\.(\d{2})\.(\d{2})$"
_OWN = rf"{_DOTTED}|^\d+:\d{{1,2}}:\d{{2}}:\d{{2}}$"  # figures and marks alone, and yet not as `rows` reads them
_UNIX = r"^([A-Za-z]{3}) +(\d{1,2}) (\d{1,2}:\d{2}:\d{2}) (\d{4})$"  # as C's ctime writes it
OVERFLOWS_S = (86_400.0, 65_536.0, 4_294_967.296)  # a day; 16 bits of seconds; 32 bits of milliseconds
HOUR_S = 3600.0


def plain_times(text: Any) -> Any:
    """Return a column of texts with durations, letters and months in forms that `rows` knows, as a pandas series."""
    sample = [str(item) for item in text.dropna().iloc[:20]]
    if not sample or all(re.fullmatch(r"[\d\s:.,TZ+/-]*", item) and not re.match(_OWN, item) for item in sample):
        return text

    def most(pattern: str) -> bool:
        return sum(bool(re.match(pattern, item, re.I)) for item in sample) > 0.5 * len(sample)

    if most(_DURATION):
        parts = text.str.extract(_DURATION, flags=re.I).fillna("0")
        return parts[0] + " d " + parts[1] + " h " + parts[2] + " m " + parts[3] + " s"
    if most(_LETTERED):
        return text.str.replace(_LETTERED, r"\1:\2:\3", regex=True, flags=re.I)
    if most(_DOTTED) and all(int(item.split(".")[0]) < 24 and int(item.split(".")[1]) < 60 for item in sample):
        if len({item.split(".")[2] for item in sample}) > 1:  # the last figure changes: no date
            return text.str.replace(_DOTTED, r"\1:\2:\3", regex=True)
        return text
    if most(r"^\d+:\d{1,2}:\d{2}:\d{2}$"):
        return text.str.replace(r"^(\d+):(\d{1,2}:\d{2}:\d{2})$", r"\1 d \2", regex=True)
    if most(_WEEKDAY.pattern):
        text = text.str.replace(_WEEKDAY, "", regex=True)
    text = text.str.replace(_UNIX, r"\2-\1-\4 \3", regex=True)
    if most(r"^.*\d{2}:\d{2}:\d{2}.*\s(?!UTC|AM|PM)[A-Z]{3,4}$"):
        text = text.str.replace(r"\s+[A-Z]{3,4}$", "", regex=True)  # a zone in letters: the wall's clock counts
    low = " ".join(sample).lower()
    for word, month in _MONTHS.items():
        if re.search(rf"\b{word}\b", low):
            text = text.str.replace(rf"\b{word}\b\.?", month, regex=True, flags=re.I)
    text = text.str.replace(r"^(\d{1,2})\.? ([A-Za-z]{3,9})\.? (\d{4})", r"\1-\2-\3", regex=True)
    return text.str.replace(r"^([A-Za-z]{3,9}) (\d{1,2}), (\d{4})", r"\1 \2 \3", regex=True)


def overflow_s(before_s: float, after_s: float, usual_s: float) -> float | None:
    """Return after how long a counter began anew from one row to the next; None where it did not."""
    for whole in OVERFLOWS_S:
        near = 5 * max(usual_s, 1e-3)
        if 0 <= after_s <= near and whole - near <= before_s <= whole:
            return whole
    return None


def blocks_in_order(t: "FloatArray") -> "npt.NDArray[np.int64] | None":
    """Return the order of rows that stand in a few blocks out of order; None where they do not, or do not fit together.

    They fit together where no time stands twice and, once sorted, nothing is missing between them.
    """
    falls = np.count_nonzero(np.diff(t) < 0)
    if not 1 <= falls <= 20 or t.size < 20 * (falls + 1):
        return None
    order = np.argsort(t, kind="stable")
    spans = np.diff(t[order])
    usual = float(np.median(spans))
    joints = np.flatnonzero(np.abs(np.diff(order)) > 1)
    if usual <= 0 or np.any(spans <= 0) or joints.size > 2 * falls + 1 or np.any(spans[joints] > 3 * usual):
        return None
    return np.asarray(order, dtype=np.int64)


def spread(t: "FloatArray") -> "FloatArray | None":
    """Return times of rows that share a stamp, spread evenly up to the next stamp; None where few do.

    Args:
        t: Seconds, shape (n,), not falling.
    """
    if t.size < 12 or np.any(np.diff(t) < 0):
        return None
    first = np.flatnonzero(np.concatenate(([True], np.diff(t) > 0)))
    if first.size < 3 or t.size < 1.8 * first.size:
        return None
    counts = np.diff(np.append(first, t.size))
    stamps = t[first]
    spans = np.diff(stamps)
    usual = float(np.median(counts[1:-1])) if counts.size > 2 else float(np.median(counts))
    span = float(np.median(spans))
    if span < 1.0 or usual < 2 or np.count_nonzero(np.abs(counts[1:-1] - usual) > 1.01) > 0.1 * counts.size:
        return None  # not a stamp that several rows share by turns
    step = span / usual
    out = t.copy()
    for k, (begin, count) in enumerate(zip(first.tolist(), counts.tolist(), strict=True)):
        places = np.arange(count)
        if k == 0 and count < usual:  # it began within a stamp
            out[begin : begin + count] = stamps[1] - (count - places) * step
        elif k + 1 < first.size:
            out[begin : begin + count] = stamps[k] + places * (stamps[k + 1] - stamps[k]) / count
        else:
            out[begin : begin + count] = stamps[k] + places * step
    return out


def put_forward(t: "FloatArray", v: "FloatArray", i: "FloatArray") -> int | None:
    """Return the row before which a clock was put forward by an hour under load; None where it was not.

    An hour under load moves a cell's voltage. Where the current goes on, the clock jumps by one hour and one usual
    interval, and the voltage moves no more than in one interval though an hour would have moved it five times as far,
    it was the clock.

    Args:
        t, v, i: Second, volt, ampere; shape (n,).
    """
    if t.size < 20:
        return None
    spans = np.diff(t)
    usual = float(np.median(spans[spans > 0])) if np.any(spans > 0) else 0.0
    if usual <= 0 or usual > 300.0:
        return None
    jumps = np.flatnonzero(np.abs(spans - HOUR_S - usual) <= max(2.0, usual))
    size = float(np.quantile(np.abs(i), 0.98))
    for row in jumps.tolist():
        near = slice(max(0, row - 12), row + 14)
        if size <= 0 or row < 12 or row + 14 > t.size or np.any(np.abs(i[near] - i[row]) > 0.05 * size):
            continue
        if abs(float(i[row])) < 0.1 * size:
            continue
        before = float(np.polyfit(t[row - 12 : row + 1], v[row - 12 : row + 1], 1)[0])
        after = float(np.polyfit(t[row + 1 : row + 14], v[row + 1 : row + 14], 1)[0])
        noise = float(np.median(np.abs(np.diff(v[near])))) + 1e-4
        moved = abs(float(v[row + 1] - v[row]))
        if min(abs(before), abs(after)) * HOUR_S > 5 * max(moved, 3 * noise) and moved < 6 * noise:
            return row + 1
    return None


def usual_s(spans: "FloatArray") -> float:
    """Return the usual time from one reading to the next, in second; 0 where there is none."""
    rising = spans[spans > 0]
    return float(np.median(rising)) if rising.size else 0.0


def step_clock(t: "FloatArray", steps: "FloatArray", lines: "npt.NDArray[np.int64]") -> "tuple[FloatArray, str | None]":
    """Return times that go on where a clock counts each step from zero; a copy of the times where it does not.

    A clock of each step falls only where the step changes, and begins there near zero; the step's own time then
    counts from the last reading of the step before. Source: common practice of test tables.
    """
    out = t.copy()
    spans = np.diff(t)
    falls = np.flatnonzero(spans < 0) + 1
    if falls.size == 0 or not (steps[falls] != steps[falls - 1]).all():
        return out, None
    usual = usual_s(spans)
    if not ((t[falls] >= 0) & (t[falls] <= 2 * usual + 1e-9)).all():
        return out, None
    changes = np.flatnonzero(steps[1:] != steps[:-1]) + 1
    if not (t[changes] <= 2 * usual + 1e-9).all():
        return out, None  # a step whose clock did not begin anew: this is no clock of each step
    for row in changes.tolist():
        out[row:] = out[row - 1] + t[row:] if t[row] > 0 else out[row - 1] + usual + t[row:]
    return out, (
        f"line {int(lines[changes[0]])}: the time counts each step from zero; the {changes.size + 1} steps were put "
        "one after the other"
    )
