"""Charge and energy from readings: where the current steps, where rows are missing, where times repeat.

Between two rows the trapezoid holds, except where the current stepped in between: there each level is
held up to the instant of the step. That instant is, in this order: the order the runner recorded;
the beginning of a step as the source's own step clock tells; the row before, where the source's
rows show that its clock of readings began anew there; else half-way, with half the interval as the
limit of what is not known. Units: s, A, V, Ah, Wh; current positive into the cell.

Invariant: nothing is integrated over a gap; a bounded gap counts with the middle of its bounds.
"""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray, Record, RecordGap, blocks
from amphora.harness.common.errors import AnalysisError

SECONDS_PER_HOUR = 3600.0
LATE_S = 5.0  # a meter that shows the same after an order for so long may be renewed slowly, and nobody said so
SWITCH_U_S = 0.05  # how well an order's instant is known: sending, acting, settling (common practice)


@dataclass(frozen=True)
class Edges:
    """Steps of the current that fall between rows.

    `row` (m,): the step is after this row and before the next. `at_s` (m,): the instant.
    `half_width_s` (m,): limits of the instant, rectangular. `how` (m,): 'ordered', 'step clock',
    'row before', 'half-way'.
    """

    row: IntArray
    at_s: FloatArray
    half_width_s: FloatArray
    how: tuple[str, ...]


@dataclass(frozen=True)
class Totals:
    """Running totals at each row, shape (n,), from the first row on; signed, into the cell."""

    charge_Ah: FloatArray
    energy_Wh: FloatArray
    edges: Edges
    gaps: tuple[RecordGap, ...]


def largest_current_A(current_A: FloatArray) -> float:
    """Return a robust largest magnitude of the current: the 99.9th percentile, in ampere.

    Source: common practice; a single wild reading must not set the scale.
    """
    if current_A.size == 0:
        return 0.0
    stride = max(1, current_A.size // 200_000)
    sample = np.abs(current_A[::stride])
    sample = sample[np.isfinite(sample)]
    return float(np.quantile(sample, 0.999)) if sample.size else 0.0


def find_gaps(t_s: FloatArray, factor: float = 20.0, least_s: float = 600.0) -> tuple[RecordGap, ...]:
    """Return stretches without rows that are far longer than the rows around them.

    Args:
        t_s: Times in second, shape (n,), not falling.
        factor: How many times the longer neighbouring interval makes a gap.
        least_s: No interval below this is a gap.

    Returns:
        One gap for each, its charge unknown.

    Source: common practice; reference sheet 11.7 (a trapezoid over unknown current has no bound).
    """
    if t_s.size < 3:
        return ()
    gaps = []
    for row in rows_that_jump(t_s, least_s):
        before, after = np.diff(t_s[max(0, row - 8) : row + 1]), np.diff(t_s[row + 1 : row + 10])
        around = np.concatenate((before, after))
        around = around[around > 0]
        if around.size and t_s[row + 1] - t_s[row] > factor * float(np.median(around)):
            gaps.append(RecordGap(int(row) + 1, float(t_s[row]), float(t_s[row + 1])))
    return tuple(gaps)


def rows_that_jump(level: FloatArray, limit: float) -> IntArray:
    """Return the rows after which a level changes by more than a limit, either way, shape (m,).

    Source: common practice.
    """
    found = []
    for first, last in blocks(level.size - 1):
        step = np.diff(level[first : last + 1])
        np.abs(step, out=step)
        found.append(np.flatnonzero(step > limit) + first)
    return np.concatenate(found).astype(np.int64, copy=False) if found else np.empty(0, np.int64)


def find_edges(record: Record, step_time_s: FloatArray | None = None) -> Edges:
    """Return the steps of the current, with the instant of each and how well it is known.

    Args:
        record: Readings, shape (n,) each; `switches_s` where orders are known.
        step_time_s: The source's own time since its step began, shape (n,), where it has one.

    Raises:
        AnalysisError: shapes differ.

    Source:
        Reference sheet 11.7: the trapezoid's error at a step of dI between rows h apart is at most
        dI*h/2, uniform. The signs of a restarted clock of readings are common practice.
    """
    t_s, current_A = record.t_s, record.current_A
    if t_s.shape != current_A.shape:
        raise AnalysisError(f"times {t_s.shape} and currents {current_A.shape} differ in shape")
    none = Edges(np.empty(0, np.int64), np.empty(0), np.empty(0), ())
    if t_s.size < 2:
        return none
    scale_A = largest_current_A(current_A)
    if scale_A <= 0:
        return none
    candidates = rows_that_jump(current_A, 0.03 * scale_A)
    switches = np.sort(record.switches_s)
    untils = np.sort(record.switches_until_s) if record.switches_until_s.size == switches.size else switches
    gap_rows = {gap.after_row - 1 for gap in record.gaps}
    rows: list[int] = []
    at: list[float] = []
    half: list[float] = []
    how: list[str] = []
    last = current_A.size - 2
    for index in candidates:
        row = int(index)
        if row in gap_rows:
            continue
        begin, end = float(t_s[row]), float(t_s[row + 1])
        if end <= begin:
            continue
        low, high = np.searchsorted(switches, (begin, end))
        inside = switches[low:high]
        if inside.size:
            # an order acts after its instant and before the next reading; as a rule at once
            late_s = min(record.orders_within_s, end - float(inside[-1])) + float(untils[high - 1] - inside[-1])
            middle = (float(inside[0] + inside[-1]) + late_s) / 2
            width_s = float(inside[-1] - inside[0]) + late_s
            limit_s = width_s / 2 + SWITCH_U_S if inside.size > 1 else max(SWITCH_U_S, width_s / 2)
            _put(rows, at, half, how, row, middle, min(limit_s, (end - begin) / 2), "ordered")
            continue
        late = _shown_late(record, switches, untils, row)
        if late is not None:
            _put(rows, at, half, how, row, *late, "ordered")
            continue
        here_A, next_A = float(current_A[row]), float(current_A[row + 1])
        before = abs(here_A - float(current_A[row - 1])) if row else 0.0
        after = abs(float(current_A[row + 2]) - next_A) if row < last else 0.0
        smaller = min(abs(here_A), abs(next_A))
        if not (abs(next_A - here_A) > 5.0 * max(before, after) or smaller < 0.02 * scale_A):
            continue
        if step_time_s is not None and np.isfinite(step_time_s[row + 1]):
            began = end - float(step_time_s[row + 1])
            if begin - 1e-6 - 1e-4 * (end - begin) <= began <= end and step_time_s[row + 1] <= step_time_s[row]:
                began = max(began, begin)
                _put(rows, at, half, how, row, began, min(0.02, (end - begin) / 2), "step clock")
                continue
        if _clock_began_anew(t_s, row):
            _put(rows, at, half, how, row, begin, 0.01 * (end - begin), "row before")
        else:
            _put(rows, at, half, how, row, (begin + end) / 2, (end - begin) / 2, "half-way")
    return Edges(np.array(rows, np.int64), np.array(at), np.array(half), tuple(how))


def _shown_late(record: Record, switches: FloatArray, untils: FloatArray, row: int) -> tuple[float, float] | None:
    """Return the instant of an order and its limits, where the readings up to `row` still show what was before it.

    How late a meter may show an order is what the run knows of it (`Timing`). Where it knows of no delay, and the
    voltage up to `row` is what it was before the order to the last digit, either order or meter was late: the step may
    be anywhere between.
    """
    if not record.timing.known or not switches.size:
        return None
    begin, end = float(record.t_s[row]), float(record.t_s[row + 1])
    last = int(np.searchsorted(switches, begin, side="right")) - 1
    if last < 0:
        return None
    from_s, to_s = float(switches[last]), float(untils[last])
    known_s = record.timing.current_renewed_s + 0.5 * float(record.took_s[row])
    if begin - to_s <= known_s:
        return 0.5 * (from_s + to_s), max(SWITCH_U_S, 0.5 * (to_s - from_s))
    first = int(np.searchsorted(record.t_s, from_s)) - 1
    if begin - to_s > LATE_S or first < 0 or np.ptp(record.voltage_V[first : row + 1]) != 0.0:
        return None
    return 0.5 * (from_s + end), 0.5 * (end - from_s)


def _put(
    rows: list[int], at: list[float], half: list[float], how: list[str], row: int, at_s: float, half_s: float, why: str
) -> None:
    rows.append(row)
    at.append(at_s)
    half.append(half_s)
    how.append(why)


def _clock_began_anew(t_s: FloatArray, row: int) -> bool:
    """Tell whether the source wrote `row` because a step ended there.

    So it is when the row's time is written twice, or when the row is off the rhythm of the rows
    before and a new, steady rhythm starts from it.
    """
    dt = np.diff(t_s[max(0, row - 2) : row + 3])
    here = min(2, row)  # index in dt of the interval after `row`
    after = float(dt[here])
    if here >= 1 and dt[here - 1] <= 1e-3 * after:
        return True
    if here + 1 >= dt.size or here < 1:
        return False
    following, before = float(dt[here + 1]), float(dt[here - 1])
    steady = abs(following - after) <= 0.01 * after
    off = abs(before - after) > 0.03 * after
    return steady and off


def accumulate(record: Record, step_time_s: FloatArray | None = None) -> Totals:
    """Return the running charge and energy at each row.

    Args:
        record: Readings, shape (n,) each. Times may repeat, not fall; current and voltage finite.
        step_time_s: See `find_edges`.

    Raises:
        AnalysisError: fewer than two rows, times that fall, shapes that differ.

    Source:
        Trapezoidal rule, error bound (b-a)*h^2/12*max|f''|: any text of numerical analysis;
        reference sheet 11.6 and 11.7.
    """
    t_s, current_A, voltage_V = record.t_s, record.current_A, record.voltage_V
    if t_s.size < 2:
        raise AnalysisError(f"{t_s.size} row(s) with time, voltage and current; at least 2 are needed")
    if not t_s.shape == current_A.shape == voltage_V.shape:
        raise AnalysisError("times, voltages and currents differ in shape")
    charge, energy = np.empty(t_s.size), np.empty(t_s.size)
    charge[0] = energy[0] = 0.0
    for first, last in blocks(t_s.size - 1):
        half_s = np.diff(t_s[first : last + 1])
        if (half_s < 0).any():
            bad = first + int(np.flatnonzero(half_s < 0)[0])
            raise AnalysisError(f"time falls after row {bad + 1}: {t_s[bad]:g} s, then {t_s[bad + 1]:g} s")
        half_s *= 0.5
        amps = current_A[first : last + 1]
        for out, level in ((charge, amps), (energy, voltage_V[first : last + 1] * amps)):
            part = out[first + 1 : last + 1]
            np.add(level[1:], level[:-1], out=part)
            part *= half_s
    edges = find_edges(record, step_time_s)
    if edges.row.size:  # each level is held up to the instant of the step
        row, after = edges.row, edges.row + 1
        held_s, rest_s = edges.at_s - t_s[row], t_s[after] - edges.at_s
        charge[after] = current_A[row] * held_s + current_A[after] * rest_s
        energy[after] = voltage_V[row] * current_A[row] * held_s + voltage_V[after] * current_A[after] * rest_s
    for gap in record.gaps:
        before = gap.after_row - 1
        if not 0 <= before < t_s.size - 1:
            continue
        middle_As = 0.0
        if gap.charge_low_Ah is not None and gap.charge_high_Ah is not None:
            middle_As = 0.5 * (gap.charge_low_Ah + gap.charge_high_Ah) * SECONDS_PER_HOUR
        charge[before + 1] = middle_As
        energy[before + 1] = middle_As * 0.5 * float(voltage_V[before] + voltage_V[before + 1])
    np.cumsum(charge, out=charge)
    np.cumsum(energy, out=energy)
    charge /= SECONDS_PER_HOUR
    energy /= SECONDS_PER_HOUR
    return Totals(charge, energy, edges, record.gaps)
