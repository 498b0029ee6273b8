"""A capacity at one stated condition: 0.2 It of what the cell holds, 20 °C, to the cut-off of its record.

One night is made at the current that the night allowed. What the same cell gives at 0.2 It follows from the record
where it is near enough: a slower night from its own curve (the cut-off comes earlier by the larger drop), a faster
one by carrying its curve on beyond the end, with a U that grows with the part that was not seen. An estimate, never a
measured figure. Ah, A, V, ohm, degC.
"""

import math
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.analysis.repeats import STATED_IT
from amphora.harness.common.errors import AnalysisError

STATED_degC = 20.0
BAND_K = 5.0  # of the same standard
WARMTH_PER_K = 0.005  # half-width, share of the capacity: what sound cells change by near room temperature (practice)
KNOWN_K = 1.0  # how well a bench knows the cell's temperature
AT_IT = 0.05  # of the stated current: nearer than this nothing is converted
SLOWER_U = 0.5  # k = 2, share of a conversion from a slower night: its drop is taken as that at the end
FASTER_U = 0.75  # the same from a faster one, by two ways that are held against each other
FAR_U = 1.5  # from one faster than `BOTH_WAYS_IT`, by the slope at the end alone
BOTH_WAYS_IT = 0.6
MOST_IT = 1.1
FAR_SHARE = 0.05  # of the capacity: what may be converted from far
MOST_U = 0.10  # k = 2, share of the capacity; a wider figure is none
REST_LEAST_S = 600.0  # after the discharge: before that the recovery does not show the drop
NO_REST_DROP = 0.3  # of the stated current: how near the night must be where no rest shows the drop


@dataclass(frozen=True)
class Stated:
    """A capacity at the stated condition. `U_Ah` k = 2; `converted_Ah` is what was added to the night's own."""

    capacity_Ah: float
    U_Ah: float
    current_A: float
    cutoff_V: float
    converted_Ah: float
    conversion_U_Ah: float
    text: str


def to_stated(
    given_Ah: FloatArray,
    voltage_V: FloatArray,
    current_A: float,
    cutoff_V: float,
    capacity_Ah: float,
    capacity_U_Ah: float,
    rested_V: float | None,
    rested_s: float,
    temperature_degC: float | None,
) -> Stated:
    """Return what a cell would have given at 0.2 It of it, 20 degC, to the cut-off of its record.

    Args:
        given_Ah: Charge given so far, rising to the crossing of the cut-off, shape (n,), readings under load alone.
        voltage_V: Voltage at the terminals, shape (n,).
        current_A: The night's main current, magnitude.
        cutoff_V: Its cut-off.
        capacity_Ah, capacity_U_Ah: Its capacity and the U of that measurement (k = 2).
        rested_V: The last voltage of the rest after it, nothing flowing; None: there was none.
        rested_s: How long that rest took.
        temperature_degC: Of the cell before the discharge; None: not known, taken as within 5 K.

    Raises:
        AnalysisError: the record does not support it: why.

    Source: Ohm's law for the difference of two drops; JCGM 100:2008, 5.1.2. The shares of U are from simulated cells
        of three chemistries that err like real ones (docs/faults.md, figures at a stated condition).
    """
    if not (current_A > 0 and capacity_Ah > 0 and given_Ah.size >= 10):
        raise AnalysisError("too few readings under load")
    off_K = 0.0 if temperature_degC is None else temperature_degC - STATED_degC
    if abs(off_K) > BAND_K:
        raise AnalysisError(f"the cell stood at {temperature_degC:.1f} °C; 20 °C within 5 K is needed")
    wanted_A = STATED_IT * capacity_Ah
    if current_A / capacity_Ah > MOST_IT:
        raise AnalysisError(f"{current_A:.3g} A is {current_A / capacity_Ah:.1f} It of it: too far from 0.2 It")
    ohm = None
    if rested_V is not None and rested_s >= REST_LEAST_S and rested_V > cutoff_V:
        ohm = (rested_V - cutoff_V) / current_A
    value, U = capacity_Ah, 0.0
    for _ in range(4):  # 0.2 It of what it holds at 0.2 It
        wanted_A = STATED_IT * value
        value, U = _at(given_Ah, voltage_V, current_A, wanted_A, cutoff_V, capacity_Ah, ohm)
    warmth = 2.0 / math.sqrt(3.0) * WARMTH_PER_K * (BAND_K if temperature_degC is None else abs(off_K) + KNOWN_K)
    whole = math.hypot(capacity_U_Ah, U, warmth * value)
    if whole > MOST_U * value:
        raise AnalysisError(f"the conversion would be worth no more than ± {100 * whole / value:.0f} %")
    moved = value - capacity_Ah
    change = f"{round(1000 * moved):+d} mAh" if round(1000 * moved) else "less than 1 mAh"
    how = (
        "as measured, at nearly this current"
        if abs(current_A / wanted_A - 1.0) <= AT_IT
        else f"{change} for {current_A / value:.2g} It of the night"
    )
    where = "temperature not known" if temperature_degC is None else f"cell at {temperature_degC:.1f} °C"
    return Stated(value, whole, wanted_A, cutoff_V, moved, U, f"{how}; {where}, not converted for it")


def _at(
    given: FloatArray,
    volt: FloatArray,
    current_A: float,
    wanted_A: float,
    cutoff_V: float,
    held: float,
    ohm: float | None,
) -> tuple[float, float]:
    """Return capacity at the wanted current, and U (k = 2) of the conversion alone."""
    ratio = current_A / wanted_A
    if abs(ratio - 1.0) <= AT_IT:
        return held, 0.0
    if ohm is None:
        if abs(ratio - 1.0) > NO_REST_DROP:
            raise AnalysisError("no rest of 10 min after the discharge shows how far the voltage was held down")
        return held, 0.1 * abs(math.log(ratio)) * held  # common practice: a rectangle of 0.1 for each e-fold
    level = cutoff_V + abs(wanted_A - current_A) * ohm
    low = np.flatnonzero(volt <= level)
    if not low.size:
        raise AnalysisError("the voltage never stood where the other current would have ended it")
    before = held - float(given[int(low[0])])  # what the curve gave between that level and the cut-off
    if ratio < 1.0:
        return held - before, SLOWER_U * before
    near = float(np.interp(0.99 * held, given, volt))
    slope = (near - float(volt[-1])) / (0.01 * held)
    if slope <= 0:
        raise AnalysisError("the voltage does not fall at the end")
    by_slope = abs(current_A - wanted_A) * ohm / slope
    if current_A / held > BOTH_WAYS_IT:
        if by_slope > FAR_SHARE * held:
            raise AnalysisError(f"{current_A:.3g} A left too much in it to be estimated: a night at 0.2 It would tell")
        return held + by_slope, FAR_U * by_slope
    more = 0.5 * (by_slope + before)
    return held + more, math.hypot(by_slope - before, FASTER_U * more)
