"""What the first twenty minutes of a discharge show of a cell: resistances, recovery, slope. Pure.

The recipe `screen`, and the beginning of `overnight`, are made for it: a rest, load steps, a discharge of ten minutes.
Arrays in, a plain record out. Units: V, A, Ah, ohm, s; current positive into the cell.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError

LOADED_A = 0.02  # less is none: the meter's own, a leak
LONG_S = 590.0  # a discharge of ten minutes, less a reading
SLOPE_FROM_S = 60.0  # the fast part of the sag is over
RECOVERY_S = (5.0, 110.0)  # of the rest after a load step
STEP_S = (8.0, 15.0)  # a load step of about 10 s
WITHIN_S = 30.0  # a reading before a load is one of this time


@dataclass(frozen=True, slots=True)
class Signs:
    """What was seen.

    rest_V: at rest, before the first load. short_ohm: about 1 s, of the step up inside a load. step_ohm: about 10 s,
    from rest. recovery_ohm: rise from 5 s to 110 s after that load, over its current. sag_ohm: first 10 min of the
    discharge, rest less voltage, over its current. slope_V_per_Ah: fall from minute 1 to 10. current_A: of the
    discharge, above 0. temperature_degC: mean, None where nobody measured it. taken_Ah: in those ten minutes.
    """

    rest_V: float
    short_ohm: float
    step_ohm: float
    recovery_ohm: float
    sag_ohm: float
    slope_V_per_Ah: float
    current_A: float
    temperature_degC: float | None
    taken_Ah: float


def early_signs(
    t_s: FloatArray, voltage_V: FloatArray, current_A: FloatArray, temperature_degC: FloatArray | None = None
) -> Signs:
    """Return what the load steps and the first ten minutes of a discharge show.

    Args:
        t_s: Shape (n,), rising, second.
        voltage_V: Shape (n,), at the cell.
        current_A: Shape (n,), negative while it is discharged.
        temperature_degC: Shape (n,); None where nobody measured it.

    Raises:
        AnalysisError: there are no load steps, or no ten minutes of discharge; says which.

    Source: DC resistance between two loads and after 10 s: IEC 61960-3, 7.7.3 (from memory). Sag, slope and recovery
        as signs of what a cell holds: common practice.
    """
    good = np.isfinite(voltage_V) & np.isfinite(current_A)
    t_s, voltage_V, current_A = t_s[good], voltage_V[good], current_A[good]
    stretches = _loaded(current_A)
    long = [one for one in stretches if t_s[one[1]] - t_s[one[0]] >= LONG_S]
    if not long:
        raise AnalysisError("no discharge of ten minutes is in this run")
    first, last = long[0]
    before = [one for one in stretches if one[1] < first]
    steps = [one for one in before if STEP_S[0] <= t_s[one[1]] - t_s[one[0]] <= STEP_S[1]]
    if not steps:
        raise AnalysisError("no load steps come before the discharge")
    rest_V = _before_V(t_s, voltage_V, steps[0][0])
    short_ohm = next((ohm for one in steps if (ohm := _step_inside(voltage_V, current_A, one)) is not None), None)
    if short_ohm is None:
        raise AnalysisError("no load step rises from one current to another")
    plain = [one for one in steps if _step_inside(voltage_V, current_A, one) is None] or steps
    step_ohm, recovery_ohm = _step_from_rest(t_s, voltage_V, current_A, plain[-1])
    begin_V = _before_V(t_s, voltage_V, first)
    rows = np.arange(first, last + 1)
    since_s = t_s[rows] - t_s[first]
    rows, since_s = rows[since_s <= LONG_S + 15.0], since_s[since_s <= LONG_S + 15.0]
    level_A = float(np.median(-current_A[rows]))
    late = since_s >= SLOPE_FROM_S
    if int(late.sum()) < 8:
        raise AnalysisError("fewer than 8 readings are in the ten minutes of discharge")
    slope, at_0 = np.polyfit(since_s[late] * level_A / 3600.0, voltage_V[rows][late], 1)
    end_V = float(at_0 + slope * LONG_S * level_A / 3600.0)
    warmth = None
    if temperature_degC is not None:
        seen = temperature_degC[good][: last + 1]
        seen = seen[np.isfinite(seen)]
        warmth = float(seen.mean()) if seen.size else None
    return Signs(
        rest_V, short_ohm, step_ohm, recovery_ohm, (begin_V - end_V) / level_A, float(-slope), level_A, warmth,
        LONG_S * level_A / 3600.0,
    )  # fmt: skip


def _loaded(current_A: FloatArray) -> list[tuple[int, int]]:
    """Return (first, last) row of each stretch in which the cell is discharged."""
    on = np.concatenate(([False], current_A < -LOADED_A, [False]))
    edges: npt.NDArray[np.int64] = np.flatnonzero(on[1:] != on[:-1]).astype(np.int64)
    return [(int(begin), int(end) - 1) for begin, end in zip(edges[::2], edges[1::2], strict=True)]


def _before_V(t_s: FloatArray, voltage_V: FloatArray, first: int) -> float:
    """Return the voltage of the unloaded readings just before a row."""
    rows = [row for row in range(max(first - 3, 0), first) if t_s[first] - t_s[row] <= WITHIN_S]
    if not rows:
        raise AnalysisError(f"no reading at rest comes before the load at {t_s[first]:.0f} s")
    return float(np.median(voltage_V[rows]))


def _step_inside(voltage_V: FloatArray, current_A: FloatArray, stretch: tuple[int, int]) -> float | None:
    """Return the resistance of a step up inside a load; None where its current does not rise."""
    first, last = stretch
    amps = -current_A[first : last + 1]
    high = amps >= 1.5 * float(np.median(amps))
    if not high.any() or high.all():
        return None
    begin = int(np.argmax(high))
    if begin == 0:
        return None
    low_A, high_A = float(np.median(amps[:begin])), float(np.median(amps[high]))
    low_V = float(np.median(voltage_V[max(first + begin - 5, first) : first + begin]))
    end = first + int(np.flatnonzero(high)[-1])
    return (low_V - float(voltage_V[end])) / (high_A - low_A)


def _step_from_rest(
    t_s: FloatArray, voltage_V: FloatArray, current_A: FloatArray, stretch: tuple[int, int]
) -> tuple[float, float]:
    """Return the resistance at the end of a load step, and what the cell recovers by in the rest after it."""
    first, last = stretch
    amps = float(np.median(-current_A[first : last + 1]))
    loaded_V = float(np.median(voltage_V[max(last - 2, first) : last + 1]))
    ohm = (_before_V(t_s, voltage_V, first) - loaded_V) / amps
    after_s = t_s - t_s[last]
    free = current_A > -LOADED_A
    soon = free & (after_s >= RECOVERY_S[0]) & (after_s <= RECOVERY_S[0] + 15.0)
    later = free & (after_s >= RECOVERY_S[1]) & (after_s <= RECOVERY_S[1] + 60.0)
    if not soon.any() or not later.any():
        raise AnalysisError("the rest after a load step is shorter than two minutes")
    return ohm, (float(np.median(voltage_V[later])) - float(voltage_V[np.flatnonzero(soon)[0]])) / amps


__all__ = ["Signs", "early_signs"]
