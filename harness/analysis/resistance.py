"""Resistance from current steps, found in any record.

A resistance is never a bare number here: it comes with its method, the change of current, the time after
the step, the charge state and its expanded uncertainty (k = 2). Current is positive INTO the cell, so a
heavier load is a negative change of current. Pure: arrays in, frozen records out.

Caveats: a step needs a stable current before and after it; ramps, tapers and single wild rows are no steps.
Offsets of the instruments cancel in a difference, gain errors and noise do not.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.current_steps import CurrentStep, Table, steps_in, table_of
from amphora.harness.analysis.records import FloatArray, Measurement, Record, Specification

EARLY_S = 1.5
# Of the fall per its time: U then holds 94 to 98 % of early values (docs/faults.md, resistance on awkward benches).
EARLY_SLOPE = 0.10
UNSURE_EDGE_S = 0.25  # a hand's switching, known between two rows: what the voltage does meanwhile counts
STATED_TIMES_S = (0.1, 1.0, 10.0, 30.0)
LOAD_STEP = "load step"
LOAD_RELEASE = "load release"
CHARGE_STEP = "charge step"
CHARGE_RELEASE = "charge release"
REVERSAL = "reversal"  # from charge to discharge or back
TWO_STEP = "IEC 61960-3 two-step"
SLOPE_REMOVED = "10 s pulse, slope removed"


@dataclass(frozen=True)
class Resistance:
    """One DC resistance with everything needed to compare it with another one."""

    method: str
    ohm: float
    U_ohm: float  # expanded, k = 2
    current_A: float  # change of current, positive INTO the cell
    duration_s: float  # time from the step to the reading
    charge_state: float | None  # share of the phase's capacity still in the cell at the step
    t_s: float  # when the current stepped
    leads: str = "not known"  # "in", "out" or "not known": are leads and holder in the value?
    before_V: float | None = None  # just before the step
    before_A: float | None = None


def standard_relative(spec: Specification) -> float:
    """Return the standard uncertainty of a channel's gain, relative.

    Source:
        JCGM 100:2008 (GUM), 4.3.3 (expanded with k) and 4.3.7 (rectangular limits).
    """
    return spec.gain / (np.sqrt(3.0) if spec.distribution == "rectangular" else spec.k)


def find_resistances(
    record: Record, first_row: int, last_row: int, capacity_Ah: float | None, measurement: Measurement
) -> list[Resistance]:
    """Return the DC resistances that the current steps of one phase show.

    At each step the voltage is read just before and 0.1, 1, 10 and 30 s after it, where the record has a reading
    there (interpolated between two readings after the same step). Where nothing is sampled at 0.1 s, the first
    reading gives a value at its own time. A stretch of 0.2 It for 10 s followed by 1 It for 1 s gives the
    two-step value of the standard. A 10 s value is given a second time with the slope of the open-circuit
    voltage taken out, where the record shows that slope.

    A value at time T after a step needs the current before it to have been steady for 2 T (else it would be a
    mixture of two pulses); the beginning of a record counts as steady.

    Args:
        record: Any record, shape (n,), rows with NaN in time, voltage or current are passed over.
        first_row: First row of the phase.
        last_row: Last row of the phase, included.
        capacity_Ah: Charge of the complete phase, positive; None when the phase is not complete, then
            `charge_state` is None.
        measurement: Specification of the bench.

    Returns:
        List in order of time. Values below zero, or whose uncertainty exceeds them, are left out.

    Raises:
        AnalysisError: the rows are outside the record.

    Source:
        IEC 61960-3:2017, 7.7.3 (two-step; durations and currents second-hand, from memory). Load steps and the
        10 s pulse: DOE/ID-11069 (2003), section 4.3 (from memory). Slope bias: arXiv 2505.06410.
    """
    table = table_of(record, first_row, last_row)
    if table is None:
        return []
    steps = steps_in(table, first_row, last_row)
    if not steps:
        return []
    return _measure(table, steps, first_row, last_row, capacity_Ah, measurement)


# --- the parts ---------------------------------------------------------------------------------------------


def _measure(
    table: Table,
    steps: list[CurrentStep],
    first_row: int,
    last_row: int,
    capacity_Ah: float | None,
    measurement: Measurement,
) -> list[Resistance]:
    bench = _Bench(
        table,
        float(standard_relative(measurement.voltage)),
        float(standard_relative(measurement.current)),
        float(np.hypot(measurement.voltage.resolution / np.sqrt(12.0), table.voltage_noise_V)),
        float(np.hypot(measurement.current.resolution / np.sqrt(12.0), table.current_noise_A)),
    )
    begin = min(int(np.searchsorted(table.rows, first_row)), table.t_s.size - 1)
    finish = max(int(np.searchsorted(table.rows, last_row, side="right")) - 1, begin)
    slopes = _Slopes(table, begin, finish)
    found: list[Resistance] = []
    for step in steps:
        seen = _before(bench, step, begin, finish, capacity_Ah)
        if seen is not None:
            found += (item for item in _of_step(bench, seen, slopes) if item is not None)
    found.sort(key=lambda item: (item.t_s, item.duration_s, item.method))
    return found


@dataclass(frozen=True, slots=True)
class _Bench:
    """A table of steps with what its readings may be off by: gains relative, readings absolute, standard (k = 1)."""

    table: Table
    gain_V: float
    gain_A: float
    read_V: float
    read_A: float


@dataclass(frozen=True, slots=True)
class _Seen:
    """One step as it stood before: rows of the table, and the voltage carried to the instant of the step."""

    step: CurrentStep
    a: int  # last row with the old current
    b: int  # first row with the new one
    start: int  # of the steady stretch before
    end: int  # of the one after
    steady_s: float  # how long the old current had been steady
    old_V: float
    u_old_V: float
    charge_state: float | None
    method: str
    heavier: bool  # a pulse from rest or from less current


def _before(bench: _Bench, step: CurrentStep, begin: int, finish: int, capacity_Ah: float | None) -> _Seen | None:
    """Return how it stood before a step; None where one reading between two steps is all there is."""
    table = bench.table
    t, v, i = table.t_s, table.voltage_V, table.current_A
    a, b = (int(np.searchsorted(table.rows, row)) for row in (step.before, step.after))
    start, end = (int(np.searchsorted(table.rows, row)) for row in (step.start, step.end))
    steady_s = float(step.t_s - t[start])
    if step.first and abs(i[a]) < 0.02 * abs(step.change_A):
        steady_s = np.inf
    if start == a and not step.first:
        return None  # where the voltage went until the second step is not known
    # The voltage just before: the last reading, carried to the instant of the step by its own drift.
    back = min(max(start, int(np.searchsorted(t, t[a] - min(10.0, steady_s / 2)))), max(start, a - 1))
    drift = (v[a] - v[back]) / (t[a] - t[back]) if back < a else 0.0
    carry_s = step.t_s - t[a]
    unsure = abs(drift)  # V/s
    if back < a and abs(drift) * (t[a] - t[back]) < 4 * bench.read_V:
        drift = 0.0  # noise alone, as far as one can tell
    state: float | None = None
    if capacity_Ah is not None and capacity_Ah > 0:
        moved = float(table.charge_Ah[a] + i[a] * carry_s / 3600.0 - table.charge_Ah[begin])
        charging = table.charge_Ah[finish] > table.charge_Ah[begin]
        state = moved / capacity_Ah if charging else 1.0 + moved / capacity_Ah
        state = min(1.0, max(0.0, state))
    method, heavier = _method_of(float(i[a]), float(i[b]), step.change_A)
    return _Seen(
        step, a, b, start, end, steady_s,
        old_V=float(v[a] + drift * carry_s),
        u_old_V=float(np.hypot(bench.read_V, unsure * (carry_s / 2 + step.edge_s) / np.sqrt(3.0))),
        charge_state=state, method=method, heavier=heavier,
    )  # fmt: skip


def _method_of(old_A: float, new_A: float, change_A: float) -> tuple[str, bool]:
    """Return what a step between two currents is called, and whether it is a pulse from less current."""
    heavier = abs(new_A) > abs(old_A)
    if old_A * new_A < 0 and min(abs(old_A), abs(new_A)) > 0.05 * abs(change_A):
        return REVERSAL, False  # no pulse from rest: no slope to take out
    side = new_A if heavier else old_A
    if side < 0:
        return LOAD_STEP if heavier else LOAD_RELEASE, heavier
    return CHARGE_STEP if heavier else CHARGE_RELEASE, heavier


def _of_step(bench: _Bench, seen: _Seen, slopes: "_Slopes") -> Iterator[Resistance | None]:
    """Give the resistances that one step shows; None for one whose reading says nothing."""
    t, step = bench.table.t_s, seen.step
    first_s, last_s = float(t[seen.b] - step.t_s), float(t[seen.end] - step.t_s)
    times = [
        at
        for at in STATED_TIMES_S
        if first_s <= at * 1.25 + 1e-9 and last_s >= 0.75 * at and seen.steady_s >= 2 * at and step.edge_s <= 0.5 * at
    ]
    early = times[0] if times and times[0] <= 1.0 else 5.0
    if early > 0.1 and 0 < first_s <= 0.75 * early and step.edge_s <= 0.5 * first_s and seen.steady_s >= 2 * first_s:
        yield _value(bench, seen, seen.method, first_s)  # the earliest reading there is, at its own time
    for at in times:
        nearest = _nearest(t, seen.b, seen.end, step.t_s + at)
        bracketed = first_s <= at <= last_s
        spacing = _spacing(t, seen.b, seen.end, step.t_s + at)
        if bracketed and spacing <= 0.5 * at:
            yield _value(bench, seen, seen.method, at)
        elif abs(nearest - step.t_s - at) <= 0.25 * at:  # rows too coarse to interpolate: at its own time
            yield _value(bench, seen, seen.method, nearest - step.t_s)
    if _is_two_step(bench.table, seen):
        yield _value(bench, seen, TWO_STEP, min(1.0, last_s) if first_s <= 1.0 else first_s)
    if 10.0 in times and seen.heavier:
        per_Ah = slopes.at(seen.a)
        if per_Ah is not None:
            yield _value(bench, seen, SLOPE_REMOVED, min(10.0, last_s), per_Ah)


def _is_two_step(table: Table, seen: _Seen) -> bool:
    """Tell whether a step is the second of the standard's two: 0.2 It for 10 s, at once 1 It for 1 s."""
    t, i, step, start = table.t_s, table.current_A, seen.step, seen.start
    old_A, new_A = float(i[seen.a]), float(i[seen.b])
    if not (seen.heavier and old_A * new_A > 0 and 4.75 <= new_A / old_A <= 5.25):
        return False
    if not (start > 0 and abs(i[start - 1]) < 0.05 * abs(old_A)):
        return False
    loose_s, begun_s = table.interval_s + step.edge_s, float((t[start] + t[start - 1]) / 2)
    known = np.flatnonzero(table.after == start)
    if known.size:
        begun_s = float(table.edge_t_s[known[0]])
        loose_s = 0.1 + step.edge_s + float(table.edge_s[known[0]])
    first_s, last_s = float(t[seen.b] - step.t_s), float(t[seen.end] - step.t_s)
    return (
        abs(step.t_s - begun_s - 10.0) <= 0.1 + loose_s
        and last_s >= 0.9 - step.edge_s - 1e-9
        and last_s <= 1.1 + 2 * loose_s + table.interval_s
        and first_s <= 1.0 + step.edge_s + 1e-9
    )


@dataclass(frozen=True, slots=True)
class _After:
    """What was read so long after a step: `near` are the rows that show how fast the voltage still moves."""

    volt: float
    amps: float
    at_s: float
    bend_V: float  # how far the voltage may bend between two readings
    row: int
    near: tuple[int, int]


def _read_after(bench: _Bench, seen: _Seen, at_s: float) -> _After:
    """Return the reading at a time after a step, between two rows where none is there."""
    t, v, i = bench.table.t_s, bench.table.voltage_V, bench.table.current_A
    b, end, t_s = seen.b, seen.end, seen.step.t_s
    k = int(np.searchsorted(t[b : end + 1], t_s + at_s)) + b
    row = min(k, end)
    if k > end or k == b or abs(t[row] - t_s - at_s) < 1e-6 * max(1.0, at_s):
        near = (max(b, row - 1), min(end, row + 1))
        return _After(float(v[row]), float(i[row]), float(t[row] - t_s), 0.0, row, near)
    w = (t_s + at_s - t[k - 1]) / (t[k] - t[k - 1])
    return _After(
        float(v[k - 1] + w * (v[k] - v[k - 1])), float(i[k - 1] + w * (i[k] - i[k - 1])), at_s,
        0.5 * float(w * (1 - w) * abs(v[k] - v[k - 1])), row, (k - 1, k),
    )  # fmt: skip


def _slope_after(bench: _Bench, seen: _Seen, after: _After, change_V: float) -> float | None:
    """Return how fast the voltage moves at a reading after a step, V/s; None where one reading cannot tell."""
    t, v, step = bench.table.t_s, bench.table.voltage_V, seen.step
    low, high = after.near
    slope = abs(v[high] - v[low]) / (t[high] - t[low]) if high > low else 0.0
    if slope * (t[high] - t[low]) < 3 * bench.read_V:
        wide = step.edge_s >= UNSURE_EDGE_S
        slope = _wider_slope(t, v, after.near, (seen.b, seen.end), 3 * bench.read_V) if wide else 0.0
    elif low == after.row and high + 1 <= seen.end:  # the first reading: the slope falls from here on
        later = abs(v[high + 1] - v[high]) / (t[high + 1] - t[high])
        slope *= min(2.0, max(1.0, float(np.sqrt(slope / max(later, 1e-12)))))
    if low == high and after.at_s > 0:
        slope = 0.3 * abs(change_V) / after.at_s  # one reading shows no slope: a steep cell's, common practice
        if step.edge_s > 0.4 * after.at_s:
            return None  # nor can one reading tell where in the slow part it lies
    if 0 < after.at_s < EARLY_S:  # between two readings the voltage bends more than they show
        slope = max(slope, EARLY_SLOPE * abs(change_V) / after.at_s)
    return float(slope)


def _value(bench: _Bench, seen: _Seen, name: str, at_s: float, per_Ah: float = 0.0) -> Resistance | None:
    """Return the resistance so long after a step; None where the record does not allow it.

    Args:
        bench, seen: The table, and how it stood before the step.
        name: The method.
        at_s: Time after the step.
        per_Ah: Slope of the open-circuit voltage against charge, to be taken out.
    """
    step, after = seen.step, _read_after(bench, seen, at_s)
    before_A = float(bench.table.current_A[seen.a])
    change_A = after.amps - before_A
    if change_A * step.change_A <= 0 or abs(change_A - step.change_A) > 0.05 * abs(step.change_A):
        return None  # the current did not hold
    change_V = after.volt - seen.old_V
    slope = _slope_after(bench, seen, after, change_V)
    if slope is None:
        return None
    ohm = change_V / change_A
    # With the new current the open-circuit voltage alone moves by this much until the reading.
    correction_ohm = per_Ah * after.amps * after.at_s / 3600.0 / change_A
    u_correction_ohm = 0.2 * abs(correction_ohm) / np.sqrt(3.0)
    u_V = np.sqrt(
        bench.read_V**2
        + seen.u_old_V**2
        + (bench.gain_V * change_V) ** 2
        + (slope * step.edge_s) ** 2 / 3
        + after.bend_V**2 / 3
    )
    u_A = np.hypot(bench.gain_A * change_A, np.sqrt(2.0) * bench.read_A)
    u = np.sqrt((u_V / change_A) ** 2 + (ohm * u_A / change_A) ** 2 + u_correction_ohm**2)
    ohm -= correction_ohm
    if not (2 * u < ohm < 100 and after.at_s > 0):
        return None
    return Resistance(
        name, float(ohm), float(2 * u), change_A, after.at_s, seen.charge_state, step.t_s,
        before_V=seen.old_V, before_A=before_A,
    )  # fmt: skip


class _Slopes:
    """Slope of the open-circuit voltage against charge, dV/dQ in volt per ampere-hour, from the record itself."""

    def __init__(self, table: Table, begin: int, finish: int) -> None:
        self._table = table
        self._span_Ah = abs(float(table.charge_Ah[finish] - table.charge_Ah[begin]))
        between = table.breaks[(table.breaks > begin) & (table.breaks <= finish)]
        limits = np.concatenate(([begin], between, [finish + 1]))
        self._loaded: list[tuple[int, int, int]] = []
        rests_q, rests_v = [], []
        stride = max(1, (finish - begin) // 4_000)
        level = float(np.percentile(np.abs(table.current_A[begin : finish + 1 : stride]), 95))
        lengths = table.t_s[np.minimum(limits[1:] - 1, finish)] - table.t_s[limits[:-1]]
        for k in np.flatnonzero(lengths >= 240.0)[:2000]:
            low, high = int(limits[k]), int(limits[k + 1] - 1)
            if abs(table.current_A[high]) > 0.03 * level:
                settled = int(np.searchsorted(table.t_s, table.t_s[low] + 120.0))
                if high - settled >= 3:
                    self._loaded.append((settled, high, max(1, (high - settled) // 400)))
            else:
                rests_q.append(table.charge_Ah[high])
                rests_v.append(table.voltage_V[high])
        ends = np.array([(low, high) for low, high, _ in self._loaded], dtype=np.int64).reshape(-1, 2)
        self._ends_q = np.sort(table.charge_Ah[ends], axis=1)
        order = np.argsort(rests_q)
        self._rest_q, self._rest_v = np.array(rests_q)[order], np.array(rests_v)[order]

    def at(self, row: int) -> float | None:
        """Return dOCV/dQ near a row, or None when the record does not show it."""
        q = self._table.charge_Ah
        here = float(q[row])
        span = self._span_Ah
        if span <= 0:
            return None
        distance = np.maximum(0.0, np.maximum(self._ends_q[:, 0] - here, here - self._ends_q[:, 1]))
        for k in np.argsort(distance, kind="stable")[:3]:
            if distance[k] > 0.05 * span:
                break
            low, high, stride = self._loaded[int(k)]
            x, y = q[low : high + 1 : stride] - here, self._table.voltage_V[low : high + 1 : stride]
            near = np.abs(x) <= distance[k] + 0.05 * span
            if np.count_nonzero(near) >= 4 and np.ptp(x[near]) >= 0.002 * span:
                return max(0.0, float(np.polyfit(x[near], y[near], 1)[0]))
        if self._rest_q.size >= 2:
            k = int(np.clip(np.searchsorted(self._rest_q, here), 1, self._rest_q.size - 1))
            width = float(self._rest_q[k] - self._rest_q[k - 1])
            if 0.002 * span < width <= 0.25 * span:
                return max(0.0, float(self._rest_v[k] - self._rest_v[k - 1]) / width)
        return None


def _wider_slope(t: FloatArray, v: FloatArray, near: tuple[int, int], inside: tuple[int, int], seen_V: float) -> float:
    """Return the slope over up to four rows more on each side, V/s; 0 where not even that is more than noise."""
    low, high = max(inside[0], near[0] - 4), min(inside[1], near[1] + 4)
    rise_V = abs(float(v[high] - v[low]))
    return rise_V / float(t[high] - t[low]) if high > low and rise_V >= seen_V else 0.0


def _nearest(t: FloatArray, low: int, high: int, at: float) -> float:
    k = min(max(int(t[low : high + 1].searchsorted(at)) + low, low), high)
    other = max(low, k - 1)
    return float(t[k] if abs(t[k] - at) <= abs(t[other] - at) else t[other])


def _spacing(t: FloatArray, low: int, high: int, at: float) -> float:
    k = min(max(int(t[low : high + 1].searchsorted(at)) + low, low + 1), high) if high > low else low
    return float(t[k] - t[k - 1]) if k > low else 0.0
