"""How far may a cell that nobody knows be charged in order to find out what it is? In stages, each earned by the last.

LIMITS of this project, 'Identification of an undeclared cell': once a person has declared it rechargeable, 3.60 V at
0.1 It and an hour of rest; on to 3.85 V only if it then rests at 3.50 V or more and the charge it took fits no LFP or
primary curve; on to 4.05 V only if it rests at 3.75 V or more. 4.10 V only after 'likely Li-ion'. Pure.
"""

from dataclasses import dataclass

from amphora.harness.analysis.curve_shape import VoltageCurve, between, clean
from amphora.harness.analysis.records import FloatArray

STAGES_V = (3.60, 3.85, 4.05)
LAST_V = 4.10  # only after 'likely Li-ion', attended, with a sensor
RESTS_V = (3.50, 3.75)  # an hour after the stage before, for the second and the third
ABOVE_ALL_V = 4.02  # nothing but the 4 V class rests above this: sodium-ion ends near 3.95, sulfuryl near 3.95
HIGH_OHM = 0.2  # above it a small cell is worn out, or a primary for small currents (common practice)
REST_H = 0.95
LEAST_SHARE = 0.05  # of It times 1 h: a charge of less says nothing
# Charge per volt, one band against another. Of six published and tabled Li-ion curves (drivers/simulated/cell.py) the
# first lies at 1.1 or above, of LFP below 0.05; the second at 1.7 or below, of a thionyl cell at 21; the third at 1.5
# or above, of layered sodium-ion (drawn by hand, common practice) at 0.93.
LFP_END = 0.5
THIONYL_TOP = 3.0
SODIUM = 1.35
THIONYL_FROM_V = 3.54
THIONYL_KNEE, THIONYL_EVEN = 0.45, 1.25  # per volt, of It; the end's charge per volt against the knee's
TOP_V = 3.575  # without the drop: from here on the charge shows whether it goes flat
THIONYL_MOST_V = 3.72  # no rest of a thionyl cell lies above it, whatever it was charged with
SHAPE_FROM_V = 3.37  # a charge begun above it does not show the plateau of LFP
BAND_V = 0.12  # the least width of the lower band


@dataclass(frozen=True)
class ChargeStage:
    """The next stage, or why there is none. Volt."""

    to_V: float | None
    why: str


def next_stage(
    charge: VoltageCurve | None,
    rested_V: float | None,
    rest_h: float | None,
    ohm: float | None,
    It_A: float,
    U_V: float,
) -> ChargeStage:
    """Return the next stage of the watched charge of a cell that was declared rechargeable.

    Args:
        charge: All that was charged since the last discharge; None: nothing yet.
        rested_V: At rest after it.
        rest_h: How long.
        ohm: Resistance of small load steps.
        It_A: As believed.
        U_V: Of the voltage, k = 2.

    Source: LIMITS of this project, with the shapes named above.
    """
    if charge is None or rested_V is None or rest_h is None or rest_h < REST_H:
        return ChargeStage(None, "")
    low_V = rested_V - U_V
    if low_V < RESTS_V[0]:
        return ChargeStage(None, "")
    if ohm is None:  # found too low for load steps: now it has the room for them
        return ChargeStage(STAGES_V[0], "")
    if ohm > HIGH_OHM:
        return ChargeStage(None, "a primary for small currents has so high a resistance: it is charged no further")
    q, v = clean(charge)
    if q is None or v is None or float(q[-1] - q[0]) < LEAST_SHARE * It_A:
        return ChargeStage(None, "the charge that it took is too little to tell a primary by: it is charged no further")
    if float(v.min()) >= SHAPE_FROM_V:
        return ChargeStage(None, "")  # begun too high to show an LFP end: a discharge first makes room
    if sign := no_li_ion(q, v):
        return ChargeStage(None, sign)
    reached_V = float(charge.voltage_V.max())
    if float(v.max()) < TOP_V:
        if reached_V < STAGES_V[0] - 0.015:
            return ChargeStage(STAGES_V[0], "")  # its time was over before 3.60 V
        return ChargeStage(None, "its drop hides whether it goes flat near 3.6 V as a thionyl primary does: no further")
    if low_V >= ABOVE_ALL_V:
        return ChargeStage(None, "")
    if low_V >= RESTS_V[1]:
        return ChargeStage(STAGES_V[2], "") if reached_V < STAGES_V[2] - 0.01 else ChargeStage(None, "")
    if reached_V < STAGES_V[0] + 0.02 and thionyl_knee(q, v, It_A):
        return ChargeStage(
            None, "it climbs to 3.58 V with little charge, as a thionyl primary near its end does: no further"
        )
    if reached_V < STAGES_V[0] + 0.02 or (reached_V < STAGES_V[1] - 0.01 and low_V > THIONYL_MOST_V):
        return ChargeStage(STAGES_V[1], "")
    return ChargeStage(
        None, f"on the way to {STAGES_V[1]:.2f} V it does not keep {RESTS_V[1]:.2f} V: it is charged no further"
    )


def lfp_end(q: FloatArray, v: FloatArray) -> bool:
    """Tell whether a charge climbs above 3.48 V with little charge after a plateau, as LFP does when it is full.

    Source: LFP charges on a plateau at 3.35 to 3.45 V and climbs steeply at its end (common practice).
    """
    if float(v.max()) < 3.55 or float(v.min()) >= SHAPE_FROM_V:
        return False
    top_V = min(float(v.max()), 3.58)
    above, below = between(q, v, 3.48, top_V) / (top_V - 3.48), between(q, v, 3.30, 3.40) / 0.10
    return above < LFP_END * below


def no_li_ion(q: FloatArray, v: FloatArray) -> str:
    """Return what in a charge is no Li-ion cell's: an LFP end or a thionyl plateau; empty for nothing.

    Source: as `lfp_end` and `thionyl_top`.
    """
    if between(q, v, 0.0, 3.0) > between(q, v, 3.30, 3.60):
        return "it took most of its charge below 3.0 V: it is charged no further"
    if lfp_end(q, v):
        return "it climbs from 3.48 to 3.58 V as LFP does at its end: it is charged no further"
    if thionyl_top(q, v):
        return "it goes flat near 3.6 V as a thionyl primary does: it is charged no further"
    return ""


def thionyl_top(q: FloatArray, v: FloatArray) -> bool:
    """Tell whether a charge goes flat near 3.6 V after a steep climb, as that of a thionyl primary does.

    Source: lithium thionyl chloride stands at 3.6 to 3.67 V (common practice).
    """
    top_V = min(float(v.max()), 3.60)
    if top_V < TOP_V or float(v.min()) >= 3.54:
        return False
    knee_V = max(float(v.min()), 3.45)
    knee = between(q, v, knee_V, 3.55) / (3.55 - knee_V)
    return between(q, v, 3.565, top_V) / (top_V - 3.565) > THIONYL_TOP * knee


def thionyl_knee(q: FloatArray, v: FloatArray, It_A: float) -> bool:
    """Tell whether the first stage may have climbed the knee of an emptied thionyl primary, below its plateau.

    Args:
        q: Charge moved, ampere-hour, shape (n,).
        v: Voltage without the drop of the resistance, shape (n,).
        It_A: As believed.

    Source: a thionyl primary holds little charge below its plateau (common practice). Of 400 drawn ones, declared
    rechargeable, ten had gone on; these held 0.40 of It per volt there at most, with an even slope (1.13 at most).
    One of 37 drawn Li-ion cells that went on is asked about instead, for it was believed to hold three times as much.
    """
    top_V = min(float(v.max()), 3.60)
    if top_V <= THIONYL_FROM_V or float(v.min()) >= 3.45:
        return False
    top = between(q, v, THIONYL_FROM_V, top_V) / (top_V - THIONYL_FROM_V)
    knee, end = between(q, v, 3.45, 3.55) / 0.10, between(q, v, 3.565, top_V) / max(top_V - 3.565, 1e-6)
    return top < THIONYL_KNEE * It_A and end < THIONYL_EVEN * knee


def sodium_ruled_out(q: FloatArray, v: FloatArray) -> bool:
    """Tell whether a curve holds more charge per volt from 3.65 to 3.85 V than below, as only the 4 V class does.

    Args:
        q: Charge moved, ampere-hour, shape (n,).
        v: Voltage without the drop of the resistance, shape (n,).

    Source: incremental capacity of NMC, NCA and LCO peaks at 3.6 to 3.8 V on graphite (common practice).
    """
    bottom_V = max(3.30, float(v.min()) + 0.005)
    if float(v.max()) < 3.84 or 3.50 - bottom_V < BAND_V:
        return False
    top_V = min(3.85, float(v.max()))
    lower = between(q, v, bottom_V, 3.50) / (3.50 - bottom_V)
    upper = between(q, v, 3.65, top_V) / (top_V - 3.65)
    return lower > 0 and upper > SODIUM * lower
