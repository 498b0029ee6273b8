"""Changes of current in any record: where each is, how well its instant is known, and what is steady around it.

Pure: arrays in, frozen records out. Current is positive INTO the cell.

Voltage and current of one row are seldom read at one instant. A row whose voltage belongs to the new current and whose
current to the old one (or the other way round) is torn: it belongs to neither side of its step. How many steps tore a
row tells how far apart the two readings are.

Caveats: a step needs a stable current before and after it; ramps, tapers and single wild rows are no steps.
"""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray, Record
from amphora.harness.common.errors import AnalysisError

MOST_STEPS = 200  # a lamp's PWM has thousands of edges; an even selection is enough
_REACH = 4000  # rows looked at outside the phase, for the rest before and the recovery after
_REACH_S = 600.0  # and no longer than this
_MOST_TORN = 3  # rows at one step
_MOST_RENEWED = 20  # more of them, where an instrument renews its readings seldom
_SKEW_U_S = 0.15  # standard, of a skew that tore no row: an exchange takes 20 to 300 ms (common practice)
_TORN_SHARE = 0.1  # of a step's whole change of voltage; less is the cell's own drift


@dataclass(frozen=True)
class CurrentStep:
    """One change of current between two stable stretches. Rows are those of the whole record."""

    before: int  # last row with the old current
    after: int  # first row with the new current
    start: int  # first row of the stable stretch before
    end: int  # last row of the stable stretch after
    t_s: float  # instant of the step
    edge_s: float  # half-width within which that instant lies; 0 where the switching is recorded
    change_A: float
    first: bool  # nothing is known of the time before `start`


@dataclass(frozen=True)
class Table:
    """The usable rows of a slice, and its steps in rows of that table."""

    rows: IntArray
    t_s: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    charge_Ah: FloatArray  # signed, from the first usable row
    before: IntArray
    after: IntArray
    edge_t_s: FloatArray
    edge_s: FloatArray
    lag: IntArray  # torn rows at each step; below 0: the voltage changed before the current did
    breaks: IntArray  # first row after each step and each gap
    voltage_noise_V: float
    current_noise_A: float
    interval_s: float
    skew_s: float  # how long after the current the voltage is read; below 0: before it. An estimate
    skew_u_s: float  # standard uncertainty of that


def find_steps(record: Record, first_row: int, last_row: int) -> list[CurrentStep]:
    """Find the changes of current whose new current begins within first_row..last_row.

    Args:
        record: Any record, shape (n,).
        first_row: First row of the phase.
        last_row: Last row of the phase, included.

    Returns:
        Steps in order of time, at most `MOST_STEPS`, an even selection when there are more. A release right
        after `last_row` counts as the phase's.

    Raises:
        AnalysisError: the rows are outside the record.

    Source:
        Common practice.
    """
    table = table_of(record, first_row, last_row)
    return [] if table is None else steps_in(table, first_row, last_row)


def table_of(record: Record, first_row: int, last_row: int) -> Table | None:
    """Return the usable rows of a slice with what lies near it, and its steps; None with too few rows.

    Source: a step is a change of current between two steady stretches (common practice).
    """
    rows = _usable(record, first_row, last_row)
    if rows.size < 4:
        return None
    t, v, i = record.t_s[rows], record.voltage_V[rows], record.current_A[rows]
    dt, size = np.diff(t), np.abs(np.diff(i))
    stride = max(1, size.size // 4_000)
    noise_A = _spread(size[::stride]) / np.sqrt(2.0)
    interval = float(np.median(dt[::stride]))
    before, after = _changes(i, noise_A, stride)
    gap_rows = np.array([gap.after_row for gap in record.gaps], dtype=np.int64)
    gap_at = np.searchsorted(rows, gap_rows)
    gap_at = gap_at[(gap_at > 0) & (gap_at < rows.size)]
    if gap_at.size and before.size:
        inside = np.searchsorted(gap_at, after, side="right") > np.searchsorted(gap_at, before, side="right")
        before, after = before[~inside], after[~inside]
    sparse = max(1, v.size // 4_000)
    second = np.abs(v[2::sparse] - 2 * v[1:-1:sparse] + v[:-2:sparse])
    noise_V = _spread(second) / np.sqrt(6.0)
    renewed_s = max(record.timing.voltage_renewed_s, record.timing.current_renewed_s)
    most = _MOST_TORN + min(_MOST_RENEWED, int(renewed_s / max(interval, 1e-3)))
    before, after, lag, judged = _without_torn(v, i, before, after, gap_at, noise_V, most)
    near = t[after] - t[before]
    shown = near[(judged > 0) & (lag == 0)]
    skew_s, skew_u_s = _skew(lag, judged, float(np.median(shown)) if shown.size else interval)
    edge_t, edge_half = _instants(record, t, record.took_s[rows], before, after, lag, skew_s, skew_u_s)
    charge = _charge(t, i, before, after, edge_t, gap_at)
    for gap, at_row in zip(record.gaps, np.searchsorted(rows, gap_rows), strict=True):
        if gap.charge_low_Ah is not None and gap.charge_high_Ah is not None and 0 < at_row < rows.size:
            charge[at_row:] += (gap.charge_low_Ah + gap.charge_high_Ah) / 2
    breaks = np.unique(np.concatenate((after, gap_at))).astype(np.int64)
    return Table(
        rows, t, v, i, charge, before.astype(np.int64), after.astype(np.int64), edge_t, edge_half, lag,
        breaks, noise_V, noise_A, interval, skew_s, skew_u_s,
    )  # fmt: skip


def _usable(record: Record, first_row: int, last_row: int) -> IntArray:
    """Return the rows of a slice and what lies near it that hold all of time, voltage and current, times rising.

    Raises:
        AnalysisError: the rows are outside the record.
    """
    n = record.t_s.size
    if not 0 <= first_row <= last_row < n:
        raise AnalysisError(f"rows {first_row} to {last_row} are outside the record's {n} rows")
    low, high = max(0, first_row - _REACH), min(n, last_row + _REACH + 1)
    begin_s, end_s = float(record.t_s[first_row]), float(record.t_s[last_row])
    if np.isfinite(begin_s) and np.isfinite(end_s):  # of slow readings minutes are enough
        low += int(np.searchsorted(record.t_s[low:first_row], begin_s - _REACH_S))
        high = last_row + 1 + int(np.searchsorted(record.t_s[last_row + 1 : high], end_s + _REACH_S))
    good = np.isfinite(record.t_s[low:high] + record.voltage_V[low:high] + record.current_A[low:high])
    rows: IntArray = np.flatnonzero(good) + low
    t = record.t_s[rows]
    if t.size >= 4 and not (np.diff(t) > 0).all():  # repeated or backward times
        rows = rows[np.concatenate(([True], t[1:] > np.maximum.accumulate(t)[:-1]))]
    return rows


def _changes(i: FloatArray, noise_A: float, stride: int) -> tuple[IntArray, IntArray]:
    """Return the rows before and after each change of a current between two steady stretches.

    Args:
        i: The current, shape (n,), A.
        noise_A: Standard deviation of a reading.
        stride: Each so manieth reading is enough to say how much flows.
    """
    di = np.diff(i)
    size = np.abs(di)
    level_A = float(np.percentile(np.abs(i[::stride]), 95))
    # A taper sampled coarsely moves a lot between rows without being noise: the share of the level bounds it.
    threshold = max(min(8.0 * noise_A, 0.2 * level_A), 0.02 * level_A, 1e-6)
    flagged = np.flatnonzero(size > threshold)
    if flagged.size == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    sign = np.sign(di[flagged])
    fresh = np.concatenate(([True], (np.diff(flagged) > 1) | (np.diff(sign) != 0)))
    begins = np.flatnonzero(fresh)
    ends = np.append(begins[1:], flagged.size) - 1
    before, after = flagged[begins], flagged[ends] + 1
    quiet_left = np.where(before > 0, size[np.maximum(before - 1, 0)], 0.0)
    quiet_right = np.where(after < size.size, size[np.minimum(after, size.size - 1)], 0.0)
    change = np.abs(i[after] - i[before])
    keep = (
        (after - before <= 2)
        & ((quiet_left > threshold) | (quiet_left * 4 < change))
        & ((quiet_right > threshold) | (quiet_right * 4 < change))
    )
    return before[keep], after[keep]


def _charge(
    t: FloatArray, i: FloatArray, before: IntArray, after: IntArray, edge_t: FloatArray, gap_at: IntArray
) -> FloatArray:
    """Return the running charge of rows from the first on, shape (n,), Ah: each step at its instant, none in a gap."""
    part = (i[1:] + i[:-1]) / 2 * np.diff(t)
    part[gap_at - 1] = 0.0
    single = after - before == 1
    a, b = before[single], after[single]
    part[a] = i[a] * (edge_t[single] - t[a]) + i[b] * (t[b] - edge_t[single])
    return np.concatenate(([0.0], np.cumsum(part))) / 3600.0


def _without_torn(
    v: FloatArray, i: FloatArray, before: IntArray, after: IntArray, gap_at: IntArray, noise_V: float, most: int
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Return the rows on both sides of each step that are whole, its torn rows, and whether it would have shown them.

    A torn row's voltage has moved by most of the step while its current stood, or its voltage stood while the current
    moved. What a cell drifts by between two rows is taken off, as the two rows before show it.
    """
    count = before.size
    lag, judged = np.zeros(count, np.int64), np.zeros(count, np.int64)
    if count == 0 or v.size < 8:
        return before, after, lag, judged
    first = np.maximum(np.concatenate(([0], after[:-1])), _last_at_or_before(gap_at, before))
    last = np.minimum(np.concatenate((before[1:], [v.size - 1])), _first_after(gap_at, after, v.size) - 1)
    way = np.sign(i[after] - i[before])

    def at(row: IntArray) -> FloatArray:
        return v[np.clip(row, 0, v.size - 1)]

    old, new = before.copy(), after.copy()
    for torn in range(most, 0, -1):  # the voltage moved between `begin` and the row after it, the current later
        begin = before - torn
        known = begin - 1 >= first
        drift = np.where(known, at(begin) - at(begin - 1), 0.0)
        jump, whole = way * (at(begin + 1) - at(begin) - drift), way * (at(after) - at(begin))
        share = np.where(known, _TORN_SHARE, 3 * _TORN_SHARE) if torn == 1 else np.full(count, 0.5)
        found = (lag == 0) & (begin >= first) & (whole > 0) & (jump > np.maximum(6 * noise_V, share * whole))
        old, lag = np.where(found, begin, old), np.where(found, -torn, lag)
    stood = way * (at(after) - at(before))
    for torn in range(most, 0, -1):  # the current moved, the voltage `torn` rows later
        end = after + torn
        jump = way * (at(end) - at(end - 1))
        stood = way * (at(end - 1) - at(before))
        found = (lag == 0) & (end <= last) & (jump > 6 * noise_V) & (stood < 0.15 * jump)
        new, lag = np.where(found, end, new), np.where(found, torn, lag)
    whole = way * (at(new) - at(old))
    judged = (whole > 12 * noise_V) & (after - before == 1) & (before - 1 >= first) & (after + 1 <= last)
    return old, new, lag, judged.astype(np.int64)


def _last_at_or_before(places: IntArray, rows: IntArray) -> IntArray:
    if places.size == 0:
        return np.zeros(rows.size, np.int64)
    at = np.searchsorted(np.sort(places), rows, side="right") - 1
    return np.where(at >= 0, np.sort(places)[np.maximum(at, 0)], 0)


def _first_after(places: IntArray, rows: IntArray, size: int) -> IntArray:
    if places.size == 0:
        return np.full(rows.size, size, np.int64)
    at = np.searchsorted(np.sort(places), rows, side="right")
    return np.where(at < places.size, np.sort(places)[np.minimum(at, places.size - 1)], size)


def _skew(lag: IntArray, judged: IntArray, interval_s: float) -> tuple[float, float]:
    """Return how long after the current the voltage is read, and the standard uncertainty of that.

    A reading that comes s later tears a row with the probability s over the interval: the rule of succession.

    Source: P. S. Laplace (from memory); a beta distribution's mean and variance.
    """
    count = int(judged.sum())
    rows = -lag[judged > 0]
    torn = int(min(np.abs(rows).sum(), _MOST_TORN * max(count, 1)))
    scale = max(1, int(np.max(np.abs(rows)))) if rows.size else 1  # rows at once: then the interval is not the limit
    good, bad = torn / scale + 1, count - torn / scale + 1
    share = good / (good + bad)
    u = float(np.sqrt(good * bad / ((good + bad) ** 2 * (good + bad + 1))))
    way = float(np.sign(rows.sum()))
    if torn == 0 or way == 0.0:
        return 0.0, min(float(np.hypot(share, u)) * interval_s, _SKEW_U_S)
    return way * share * scale * interval_s, u * scale * interval_s


def _instants(
    record: Record,
    t: FloatArray,
    took_s: FloatArray,
    before: IntArray,
    after: IntArray,
    lag: IntArray,
    skew_s: float,
    skew_u_s: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the instant of each step as the voltage's readings count time, and its half-width.

    Recorded; or in a torn row, between its two readings; or somewhere between the two rows.
    """
    edge_t = (t[before] + t[after]) / 2
    edge_half = (t[after] - t[before]) / 2
    if before.size == 0:
        return edge_t, edge_half
    # Rectangular: half the skew, and what is not known of it.
    half_s = float(np.hypot(skew_s / 2, np.sqrt(3.0) * skew_u_s))
    shared = np.minimum(half_s, edge_half)
    torn_row = np.where(lag < 0, before + 1, after - 1)
    torn = np.abs(lag) == 1
    edge_t = np.where(torn, t[torn_row] - skew_s / 2, edge_t)
    edge_half = np.where(torn, shared, edge_half)
    good = np.isfinite(record.switches_s)
    switches, until = record.switches_s[good], record.switches_s[good]
    if record.switches_until_s.size == good.size:
        until = np.fmax(record.switches_until_s[good], switches)
    order = np.argsort(switches, kind="stable")
    switches, until = switches[order], until[order]
    if switches.size:
        # Strictly before the first new reading; an order stamped with a reading's own time is the next one's.
        at = np.searchsorted(switches, t[after], side="left") - 1
        candidate = switches[np.maximum(at, 0)]
        known = (at >= 0) & (candidate >= t[before])
        within_s = until[np.maximum(at, 0)] - candidate
        if record.timing.known:  # measured within what its answer took, or longer ago where it is renewed
            renewed_s = record.timing.voltage_renewed_s
            middle = candidate + (within_s + renewed_s) / 2
            half = (within_s + renewed_s + took_s[after]) / 2
            edge_t, edge_half = np.where(known, middle, edge_t), np.where(known, half, edge_half)
        else:
            edge_t = np.where(known, np.clip(candidate - skew_s / 2, t[before], t[after]), edge_t)
            # A run of ours from before it said how long an answer takes: as it was read then, if no row was torn.
            edge_half = np.where(known, shared if skew_s else 0.0, edge_half)
    return edge_t, edge_half


def _spread(differences: FloatArray) -> float:
    """Standard deviation of differences, steps and wild ones left out; a mean, so that coarse digits do not bias it."""
    middle = float(np.median(differences))
    calm = differences[differences <= 6 * middle]
    return float(np.mean(calm)) * float(np.sqrt(np.pi / 2)) if calm.size else 0.0


def steps_in(table: Table, first_row: int, last_row: int) -> list[CurrentStep]:
    """Return the steps of a table whose new current begins within the rows, an even selection of `MOST_STEPS`.

    Source: a step is a change of current between two steady stretches (common practice).
    """
    if table.before.size == 0:
        return []
    new_row = table.rows[table.after]
    inside = (new_row >= first_row) & (new_row <= last_row)
    released = np.abs(table.current_A[table.after]) < 0.05 * np.abs(table.current_A[table.before])
    inside |= (table.rows[table.before] == last_row) & released
    chosen = np.flatnonzero(inside)
    if chosen.size > MOST_STEPS:
        chosen = chosen[np.unique(np.linspace(0, chosen.size - 1, MOST_STEPS).astype(np.int64))]
    # Every flagged step ends a stretch, also one that is not used itself.
    ends_before = np.sort(np.concatenate((table.before, table.breaks - 1)))
    found = []
    for k in chosen:
        a, b = int(table.before[k]), int(table.after[k])
        place = int(np.searchsorted(table.breaks, a, side="right")) - 1
        start = int(table.breaks[place]) if place >= 0 else 0
        following = int(np.searchsorted(ends_before, b))
        end = int(ends_before[following]) if following < ends_before.size else table.t_s.size - 1
        found.append(
            CurrentStep(
                before=int(table.rows[a]),
                after=int(table.rows[b]),
                start=int(table.rows[start]),
                end=int(table.rows[end]),
                t_s=float(table.edge_t_s[k]),
                edge_s=float(table.edge_s[k]),
                change_A=float(table.current_A[b] - table.current_A[a]),
                first=place < 0 and int(table.rows[0]) == int(table.rows[start]),
            )
        )
    return found
