"""What may this unmarked cell be? By exclusion, and never on one reading.

Each kind of cell that may look like the one on the bench is a candidate until a piece of evidence rules it
out. An answer names a chemistry only when every other candidate is out; else it says what to do next. Being wrong
and confident is the worst outcome, because the answer decides how high the cell is charged.

Sizes mislead: a 1.3 V AA size may be NiMH, alkaline or a ruined lithium cell; 3.0 to 3.35 V may be a lithium
primary; sodium-ion, titanate, lead-acid, thionyl and regulated 1.5 V cells exist. Voltage alone never permits
charging. Thresholds are common practice with the margins stated beside them; local rules and the maker's
sheet go before all of this.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from amphora.harness.analysis.curve_shape import VoltageCurve, between, clean, densest, joined
from amphora.harness.analysis.records import FloatArray, Record
from amphora.harness.analysis.staged_charge import (
    ABOVE_ALL_V,
    HIGH_OHM,
    LAST_V,
    SHAPE_FROM_V,
    STAGES_V,
    THIONYL_MOST_V,
    ChargeStage,
    lfp_end,
    next_stage,
    sodium_ruled_out,
    thionyl_top,
)
from amphora.harness.common.errors import AnalysisError

LI_ION = "Li-ion 4 V class"
LFP = "LFP"
NICKEL = "NiMH/NiCd"
PRIMARY = "may be a primary cell: do not charge"
CANNOT_TELL = "cannot tell yet: do this next"
CHEMISTRY_KEY = {LI_ION: "li-ion", LFP: "lfp", NICKEL: "nimh"}

ABOVE_LFP_V = 3.45  # rested 1 h after the watched charge; above it is not LFP (common practice)
FIRST_STAGE_FROM_V = 3.55  # at rest: above it a cell has no room below 3.60 V
MOST_V = 4.50
THIONYL_END_V = 3.62  # rested; up to it a thionyl cell near its end and an emptied Li-ion cell slope alike
MOST_CHARGE_It = 0.11
# Sagging Li-ion passes for LFP: one at 4 degC and 2 A did (it had 2.0 Ah). Common practice for a curve near its rest:
FAST_It = 0.55  # of what the discharge gave, or of the capacity as believed where that is more
COLD_degC = 10.0
LEAST_SHARE = 0.2  # of the capacity as believed that a curve must hold to be judged by its shape

Confidence = Literal["sure", "likely", "open"]
_Out = Callable[[set[str] | frozenset[str], str], None]  # rules kinds out, with the reason


@dataclass(frozen=True)
class Evidence:
    """What is known of a cell. None or empty: not known."""

    as_found_V: float  # rested, no load
    voltage_U_V: float = 0.01  # of each voltage, k = 2
    declared_rechargeable: bool = False  # a person says so: markings, or a device that charged it
    single_cell: bool = True
    step_ohm: tuple[float, ...] = ()  # resistance of small load steps, 10 s
    discharge: VoltageCurve | None = None
    charge: VoltageCurve | None = None  # watched, at most 0.1 It
    charge_It: float | None = None
    rested_after_charge_V: float | None = None
    rest_after_charge_h: float | None = None
    reference_A: float | None = None  # It as believed; None: the discharge is taken to be at 0.1 It
    warmed_K: float | None = None  # in the watched charge
    emptied_rests_V: float | None = None  # at rest after the discharge to the cut-off that came last; else None


@dataclass(frozen=True)
class Identification:
    """An answer with its reasons."""

    answer: str
    chemistry: str | None  # key of a window, or None
    confidence: Confidence
    evidence: tuple[str, ...]
    next_step: str
    may_charge: bool  # a watched charge inside the most cautious window is allowed as the next step
    recipes: tuple[str, ...] = ()  # shipped recipes that do the next step, in this order
    asks: Literal["", "chemistry", "rechargeable"] = ""  # what only a person can say; no further run is the next step
    charge_to_V: float | None = None  # the next watched charge's limit, once it is kept on the shelf
    rests_V: float | None = None  # where the cell stands by its last run; goes with `charge_to_V`


# Resting voltages at which each kind may be found, widest case (FACTS of the trade, common practice).
_RESTING: dict[str, tuple[float, float]] = {
    "li-ion": (-0.1, 4.50),
    "lfp": (-0.1, 3.55),
    "nickel": (-0.1, 1.50),
    "alkaline or zinc primary": (0.0, 1.68),
    "lithium-iron-disulfide primary": (0.3, 1.90),
    "lithium-manganese primary": (0.5, 3.50),
    "lithium-thionyl primary": (1.0, 3.80),
    "lithium-sulfuryl primary": (1.5, 4.00),
    "titanate": (0.0, 2.85),
    "lead-acid": (1.5, 2.40),
    "sodium-ion": (0.0, 4.00),
    "nickel-zinc": (0.5, 1.90),
    "regulated 1.5 V cell": (0.0, 1.62),
}
_PRIMARIES = frozenset(
    {
        "alkaline or zinc primary",
        "lithium-iron-disulfide primary",
        "lithium-manganese primary",
        "lithium-thionyl primary",
        "lithium-sulfuryl primary",
    }
)


def identify(evidence: Evidence) -> Identification:
    """Say what a cell is, or what to do next to find out.

    Args:
        evidence: What is known. The minimum is the voltage as found, rested, measured with a hand meter.

    Returns:
        Answer with its evidence in words. `chemistry` is None unless the answer names one.

    Raises:
        AnalysisError: a voltage that is not finite, or a curve whose arrays do not agree.

    Source:
        Common practice (resting windows; 3.60 V until LFP is ruled out; above 3.45 V after an hour's rest is not
        LFP; plateau within 3.15 to 3.30 V over most of the charge is LFP).
    """
    found_V, U_V = evidence.as_found_V, evidence.voltage_U_V
    if not np.isfinite(found_V):
        raise AnalysisError(f"voltage as found: {found_V} is no number; measure it with a hand meter, no load")
    words: list[str] = [f"found at {found_V:.3f} V"]
    if found_V < -0.02 - U_V:
        return Identification(
            CANNOT_TELL, None, "open", (*words, "it is reversed: below zero at its own terminals"),
            "do not charge it; check the polarity of the leads by hand, and retire the cell if it is truly reversed",
            False,
        )  # fmt: skip
    if not evidence.single_cell or found_V > MOST_V:
        return Identification(
            CANNOT_TELL, None, "open",
            (*words, "that is more than one cell can show" if found_V > MOST_V else "it is not a single cell"),
            "do not charge it; open the pack or find its data, and test one cell at a time", False,
        )  # fmt: skip
    left = {kind for kind, (low, high) in _RESTING.items() if low - U_V <= found_V <= high + U_V}

    def out(kinds: set[str] | frozenset[str], why: str) -> None:
        if left & kinds:
            left.difference_update(kinds)
            words.append(why)

    if found_V - U_V > ABOVE_ALL_V:
        out(set(_RESTING) - {"li-ion"}, f"nothing but the 4 V class of Li-ion rests above {ABOVE_ALL_V:.2f} V")
    if evidence.declared_rechargeable:
        out(_PRIMARIES, "a person says that it is rechargeable")
    _weigh_steps(evidence, out, words)
    if evidence.discharge is not None:
        _weigh_discharge(_without_drop(evidence.discharge, evidence), evidence.reference_A, out, words)
    if evidence.charge is not None or evidence.rested_after_charge_V is not None:
        _weigh_charge(evidence, out, words)
    return _conclude(evidence, left, words)


def _weigh_steps(evidence: Evidence, out: _Out, words: list[str]) -> None:
    if not evidence.step_ohm:
        return
    ohm = float(np.median(evidence.step_ohm))
    words.append(f"small load steps show {ohm * 1000:.0f} mΩ")
    if ohm > HIGH_OHM:
        words.append("so high a resistance fits a worn-out cell or a primary for small currents")


def _weigh_discharge(curve: VoltageCurve, reference_A: float | None, out: _Out, words: list[str]) -> None:
    q, v = clean(curve)
    if q is None or v is None:
        words.append("the discharge curve holds too little to judge")
        return
    why_not = _not_to_be_judged(curve, float(q[-1] - q[0]), float(v.min()), float(v.max()), reference_A)
    if why_not:
        words.append(why_not)
        return
    _weigh_plateau(curve, q, v, out, words)
    if float(v.min()) > 1.7:
        out({"nickel", "lead-acid", "nickel-zinc"}, "it gave all that charge well above a nickel cell's voltage")
    _weigh_slope(q, v, float(q[-1] - q[0]), out, words)
    _weigh_upper(q, v, out)


def _not_to_be_judged(
    curve: VoltageCurve, total_Ah: float, low_V: float, high_V: float, reference_A: float | None
) -> str:
    """Return why the shape of a discharge says nothing; empty where it does."""
    fast = abs(curve.current_A) > FAST_It * max(total_Ah, reference_A or 0.0)
    cold = curve.temperature_degC is not None and curve.temperature_degC < COLD_degC
    if fast or cold:
        return "it was drawn from fast or in the cold, where any cell sags: the shape of that discharge is not judged"
    if high_V - low_V < 0.15:
        return f"the discharge covers only {low_V:.2f} to {high_V:.2f} V: too little to judge its shape"
    # The last drops of any cell look alike: a thionyl or zinc cell's end passes for an LFP or nickel knee.
    least = _least_Ah(curve, reference_A)
    if total_Ah < least:
        return (
            f"it gave only {total_Ah * 1000:.0f} mAh, the end of its charge; below {least * 1000:.0f} mAh "
            "the shape says nothing"
        )
    return ""


def _weigh_plateau(curve: VoltageCurve, q: FloatArray, v: FloatArray, out: _Out, words: list[str]) -> None:
    """Tell kinds apart by where a discharge gave most of its charge, and by the knee after it."""
    total, low_V, high_V = float(q[-1] - q[0]), float(v.min()), float(v.max())
    share, at_V = densest(q, v, 0.060)
    words.append(f"{100 * share:.0f} % of its charge comes within 60 mV around {at_V:.2f} V")
    # Of an import nobody knows the resistance: its plateau lies lower the faster it was drawn from.
    sag_V = 0.0 if curve.resistance_ohm else min(0.06, 0.1 * abs(curve.current_A) / total)
    plateau = between(q, v, 3.18 - sag_V, 3.36) / total
    on_lfp = plateau > 0.60 and share > 0.40  # a nearly empty Li-ion cell spends its rest there too, but sloping
    on_nickel = 1.10 <= at_V <= 1.31
    # A knee is a slope that was read; a protection board opens between two readings.
    knee = np.count_nonzero((v > 2.95) & (v < 3.12)) >= 3 and low_V < 3.04
    nickel_knee = np.count_nonzero((v > 1.02) & (v < 1.12)) >= 3 and low_V < 1.08
    others = set(_RESTING)
    # The knee must be in the record: a piece of any slope looks flat.
    if share > 0.45 and 3.40 <= at_V <= 3.75 and high_V < 3.80:
        out({"li-ion"}, "a plateau near 3.6 V is that of a thionyl primary, whatever was said of it")
    if on_lfp and knee:
        words.append(f"{100 * plateau:.0f} % of its charge comes between 3.18 and 3.36 V")
        # An overcharged titanate cell may show anything: one found below 2.85 V stays in doubt.
        out(others - {"lfp", "titanate"} - _PRIMARIES, "such a plateau with its knee is that of LFP")
    elif on_nickel and share > 0.50 and nickel_knee and high_V < 1.62:
        out(others - {"nickel"}, "such a plateau with its knee is that of a nickel cell")
    elif low_V < 2.95 and high_V > 3.0:
        # A cell that was nearly empty shows no plateau whatever it is, so this rules LFP out only from above.
        if high_V > 3.42 and share < 0.35:
            out({"lfp"}, "LFP has a plateau, this cell has none")
        out({"titanate", "lead-acid"}, "it gave charge at too high a voltage for titanate or lead-acid")


def _least_Ah(curve: VoltageCurve, reference_A: float | None) -> float:
    """Charge below which a curve's shape says nothing: a fifth of the capacity as believed."""
    return LEAST_SHARE * (reference_A or 10.0 * abs(curve.current_A))


def _weigh_charge(evidence: Evidence, out: _Out, words: list[str]) -> None:
    if evidence.charge_It is not None and evidence.charge_It > MOST_CHARGE_It:
        words.append(f"the charge at {evidence.charge_It:.2f} It was above 0.1 It: it is not counted as evidence")
        return
    if evidence.charge is not None:
        q, v = clean(_without_drop(evidence.charge, evidence))
        if q is not None and v is not None:
            moved = float(q[-1] - q[0])
            if thionyl_top(q, v):
                out({"li-ion"}, "it goes flat near 3.6 V as a thionyl primary does, whatever was said of it")
            words.append(f"it took {moved * 1000:.0f} mAh up to {float(v.max()):.2f} V in the watched charge")
            if float(v.max()) > 1.75:
                out({"nickel", "alkaline or zinc primary"}, "under charge it rose above any nickel cell")
            if moved < _least_Ah(evidence.charge, evidence.reference_A):
                words.append("that is too little to judge its shape")
            else:
                _weigh_slope(q, v, moved, out, words)
                _weigh_upper(q, v, out)
    rested, hours = evidence.rested_after_charge_V, evidence.rest_after_charge_h
    if rested is None:
        return
    if hours is None or hours < 0.95:
        words.append("the rest after the charge was shorter than an hour: it is not counted as evidence")
        return
    words.append(f"after an hour's rest it stands at {rested:.3f} V")
    margin = evidence.voltage_U_V
    if rested - margin > ABOVE_LFP_V:
        # A real LFP cell that was filled falls by 50 to 250 mV in that hour: the shape of its charge comes first.
        q, v = (None, None) if evidence.charge is None else clean(_without_drop(evidence.charge, evidence))
        if q is not None and v is not None and lfp_end(q, v):
            words.append("it climbed as LFP does at its end, so the voltage after that rest says nothing against LFP")
        else:
            out({"lfp"}, f"above {ABOVE_LFP_V:.2f} V after that rest it is not LFP")
        out(
            {"nickel", "titanate", "lead-acid", "nickel-zinc", "regulated 1.5 V cell"},
            "it keeps a voltage that nickel, lead-acid and titanate cells never hold",
        )
    elif rested + margin < ABOVE_LFP_V:
        reached = float(np.nanmax(evidence.charge.voltage_V)) if evidence.charge is not None else None
        if reached is not None and reached >= 3.585:
            words.append("it fell back after reaching 3.60 V: LFP, a worn cell of another kind, or a primary")


def _weigh_slope(q: FloatArray, v: FloatArray, total_Ah: float, out: _Out, words: list[str]) -> None:
    """Tell Li-ion from sodium-ion by how the charge per volt changes between 3.2 and 3.6 V."""
    if float(v.min()) > 3.18 or float(v.max()) < 3.56 or total_Ah <= 0:
        return
    upper = between(q, v, 3.46, 3.56)
    lower = between(q, v, 3.18, 3.28)
    if upper <= 0:
        return
    ratio = upper / max(lower, 1e-9 * total_Ah)
    words.append(
        f"between 3.46 and 3.56 V it holds {min(ratio, 99):.1f} times the charge it holds between 3.18 and 3.28 V"
    )
    if ratio > 1.8:
        out({"sodium-ion"}, "a sodium-ion cell slopes evenly there")
        out({"lfp"}, "LFP holds its charge below, not there")
    elif ratio < 1.3:
        out({"li-ion"}, "a cell of the 4 V class holds much more charge at the higher of the two")


def _weigh_upper(q: FloatArray, v: FloatArray, out: _Out) -> None:
    if sodium_ruled_out(q, v):
        out({"sodium-ion", "lfp"}, "it holds more charge from 3.65 to 3.85 V than below, as only the 4 V class does")


def _conclude(evidence: Evidence, left: set[str], words: list[str]) -> Identification:
    """Return what is left of the kinds as an answer: one kind that may be named, or what to do next."""
    ohm = float(np.median(evidence.step_ohm)) if evidence.step_ohm else 0.0
    stage = _staged(evidence, left)
    if stage.why:
        words.append(stage.why)
    if left == {"li-ion"} or stage.to_V is not None:
        found = _of_the_4_V_class(evidence, left, stage, ohm, words)
    elif left == {"lfp"} and evidence.as_found_V >= 1.5 and not (ohm > HIGH_OHM and ohm > 0.5):
        found = _lfp(evidence, words)
    elif left == {"nickel"}:
        found = _nickel(evidence, words)
    else:
        found = None
    if found is not None:
        return found
    words.append(f"it may still be: {', '.join(sorted(left)) or 'none of the kinds known here'}")
    return _set_apart(evidence, left, words) or _look_further(evidence, bool(stage.why), words)


def _answer(
    evidence: Evidence,
    words: list[str],
    name: str,
    confidence: Confidence,
    next_step: str,
    may_charge: bool = False,
    recipes: tuple[str, ...] = (),
    asks: Literal["", "chemistry", "rechargeable"] = "",
) -> Identification:
    lacks = _lacking(evidence) if confidence != "sure" else ""
    said = (*words, lacks) if lacks else tuple(words)
    return Identification(name, CHEMISTRY_KEY.get(name), confidence, said, next_step, may_charge, recipes, asks)


def _of_the_4_V_class(
    evidence: Evidence, left: set[str], stage: ChargeStage, ohm: float, words: list[str]
) -> Identification | None:
    """Return what a cell is that may be or has to be of the 4 V class; None where that is not to be said."""
    found_V = evidence.as_found_V
    rested_V = max(found_V, evidence.rested_after_charge_V or found_V) - evidence.voltage_U_V
    # What a charge beyond 3.60 V left may be a primary's own voltage, driven up.
    charged = _reached(evidence) > STAGES_V[0] + 0.02 and found_V - evidence.voltage_U_V <= THIONYL_END_V
    most_V = THIONYL_MOST_V if charged else THIONYL_END_V
    if stage.to_V is not None and (left != {"li-ion"} or rested_V <= most_V):
        said = (*words, _lacking(evidence)) if _lacking(evidence) else tuple(words)
        return Identification(
            CANNOT_TELL, None, "open", said,
            f"charge it on, watched, at 0.1 It to {stage.to_V:.2f} V, with an hour's rest", True, ("identify",),
            "", stage.to_V, evidence.emptied_rests_V or evidence.rested_after_charge_V,
        )  # fmt: skip
    if rested_V <= most_V:
        words.append(
            f"it was never seen at rest above {most_V:.2f} V: a thionyl primary near its end looks the same, "
            "and what a person said of it is no proof"
        )
        return _answer(
            evidence, words, CANNOT_TELL, "open",
            "no further run settles this: look for its markings or data sheet, and enter its chemistry on the shelf by "
            "these; without them do not charge it, it may be a primary cell", False, asks="chemistry",
        )  # fmt: skip
    if found_V <= ABOVE_ALL_V and not evidence.step_ohm:
        words.append("its resistance is not known, and a high one would speak for a primary cell")
        return _answer(
            evidence, words, CANNOT_TELL, "open", "measure its resistance by small load steps", recipes=("identify",)
        )
    ruined = found_V < 1.5
    if not ruined and (rested_V > ABOVE_ALL_V or not ohm > HIGH_OHM):
        return _li_ion(evidence, rested_V, words)
    return None


def _never_said(evidence: Evidence, words: list[str]) -> Identification:
    """Return that nobody said, and no charge showed, that a cell is rechargeable."""
    words.append("nobody has said that it is rechargeable, and no watched charge has shown it")
    return _answer(
        evidence, words, CANNOT_TELL, "open",
        "look for markings or the device it came from; declare it rechargeable only with a reason", False,
        asks="rechargeable",
    )  # fmt: skip


def _lfp(evidence: Evidence, words: list[str]) -> Identification:
    taken = evidence.rested_after_charge_V
    if not evidence.declared_rechargeable and (taken is None or not 3.28 <= taken <= ABOVE_LFP_V):
        return _never_said(evidence, words)
    return _answer(evidence, words, LFP, "likely", "charge it to 3.60 V at most, watched the first time", True)


def _nickel(evidence: Evidence, words: list[str]) -> Identification:
    if not evidence.declared_rechargeable and not _took_like_nickel(evidence):
        return _never_said(evidence, words)
    return _answer(
        evidence, words, NICKEL, "likely", "charge it at 0.1 It for 16 h at most, watched the first time", True
    )


def _set_apart(evidence: Evidence, left: set[str], words: list[str]) -> Identification | None:
    """Return why a cell goes through no further run; None where one may tell more."""
    found_V = evidence.as_found_V
    if not left:
        return _answer(
            evidence, words, CANNOT_TELL, "open",
            "the evidence contradicts itself: check the contacts, and go by its markings or data sheet",
            asks="chemistry",
        )  # fmt: skip
    if found_V < 0.9 or 1.65 < found_V < 2.5:
        return _answer(
            evidence, words, CANNOT_TELL, "open",
            "put it in quarantine and do not charge it; at this voltage it is deeply discharged or of a kind that is "
            "not served here; go on only with its markings or data", asks="chemistry",
        )  # fmt: skip
    if left & _PRIMARIES and not evidence.declared_rechargeable:
        return _answer(
            evidence, words, PRIMARY, "open",
            "do not charge it; look for markings, or for a charger in the device it came from, and declare it "
            "rechargeable only with a reason", asks="rechargeable",
        )  # fmt: skip
    return None


def _look_further(evidence: Evidence, no_further: bool, words: list[str]) -> Identification:
    """Return which run may tell more of a cell; that none does where `no_further`, or it stands too high."""
    found_V = evidence.as_found_V
    end = "3.0" if found_V >= 2.0 else "1.0"
    if evidence.charge is None and found_V < ABOVE_LFP_V:
        limit = "3.60 V" if found_V >= 2.0 else "1.60 V"
        return _answer(
            evidence, words, CANNOT_TELL, "open",
            f"charge it watched, at most 0.1 It, to {limit}, let it rest for an hour, then discharge it at 0.1 to "
            f"0.2 It to {end} V and look at both curves", found_V >= 0.9, ("identify", "overnight"),
        )  # fmt: skip
    if evidence.discharge is None:
        return _answer(
            evidence, words, CANNOT_TELL, "open",
            f"discharge it at 0.1 to 0.2 It to {end} V and look at the curve", recipes=("overnight",),
        )  # fmt: skip
    if found_V > ABOVE_LFP_V + 0.10 or no_further:
        return _answer(
            evidence, words, CANNOT_TELL, "open",
            "no further run that a cell nobody knows may go through settles this: go by its markings or "
            "data sheet and enter its chemistry on the shelf by these; else retire it", asks="chemistry",
        )  # fmt: skip
    return _answer(
        evidence, words, CANNOT_TELL, "open",
        "charge it watched at 0.1 It within the most cautious window (3.60 V, or 1.60 V below 2.0 V as found) until "
        "that voltage, then discharge it at 0.1 to 0.2 It through its knee; if that does not settle it, go by its "
        "markings, or retire it", True, ("identify", "overnight"),
    )  # fmt: skip


def _staged(evidence: Evidence, left: set[str]) -> ChargeStage:
    """Return the next stage of the watched charge, where the cell may be of the 4 V class and a person declared it."""
    if not evidence.declared_rechargeable or "li-ion" not in left or not 2.5 <= evidence.as_found_V <= ABOVE_ALL_V:
        return ChargeStage(None, "")
    emptied_V = evidence.emptied_rests_V
    if emptied_V is not None:
        # Found too high for the first stage, or to show its shape in it; our own discharge has made room.
        low = evidence.as_found_V > SHAPE_FROM_V - 0.05 and 2.5 <= emptied_V <= FIRST_STAGE_FROM_V
        return ChargeStage(STAGES_V[0] if low else None, "")
    ohm = float(np.median(evidence.step_ohm)) if evidence.step_ohm else None
    charge = evidence.charge if evidence.charge_It is None or evidence.charge_It <= MOST_CHARGE_It else None
    return next_stage(
        None if charge is None else _without_drop(charge, evidence), evidence.rested_after_charge_V,
        evidence.rest_after_charge_h, ohm, evidence.reference_A or 10.0 * abs(charge.current_A if charge else 0.0),
        evidence.voltage_U_V,
    )  # fmt: skip


def _li_ion(evidence: Evidence, rested_V: float, words: list[str]) -> Identification:
    """Name the 4 V class: 'sure' once it was seen at rest above all others, else with the last stage as next step."""
    if rested_V > ABOVE_ALL_V:
        return Identification(
            LI_ION, "li-ion", "sure", tuple(words),
            "charge it to 4.20 V at most, watched the first time; never above for an unmarked cell", True,
        )  # fmt: skip
    said = (*words, _lacking(evidence)) if _lacking(evidence) else tuple(words)
    if evidence.declared_rechargeable and _reached(evidence) > LAST_V - 0.02:
        return Identification(
            LI_ION, "li-ion", "likely",
            (*said, f"charged to {LAST_V:.2f} V it did not rest above {ABOVE_ALL_V:.2f} V: a worn cell falls so far"),
            "charge it to 4.20 V at most only when its print or data sheet says Li-ion: it is not certain", False,
            asks="chemistry",
        )  # fmt: skip
    return Identification(
        LI_ION, "li-ion", "likely", said,
        "make sure by the wrapper that it is no 3.6 V thionyl primary (they look much the same), then charge "
        f"it to {LAST_V:.2f} V, watched, with a sensor at the cell; resting above {ABOVE_ALL_V:.2f} V an hour later it "
        "is certain", True, charge_to_V=LAST_V if evidence.declared_rechargeable else None,
        rests_V=evidence.emptied_rests_V or evidence.rested_after_charge_V or evidence.as_found_V,
    )  # fmt: skip


def _reached(evidence: Evidence) -> float:
    return float(np.nanmax(evidence.charge.voltage_V)) if evidence.charge is not None else 0.0


def _lacking(evidence: Evidence) -> str:
    """What has not been seen of the cell, in words; empty when nothing is lacking."""
    lacks = [] if evidence.step_ohm else ["small load steps"]
    if evidence.charge is None:
        lacks.append("a watched charge of at most 0.1 It")
    if evidence.rested_after_charge_V is None or (evidence.rest_after_charge_h or 0.0) < 0.95:
        lacks.append("an hour's rest after a watched charge")
    curve = evidence.discharge
    if curve is None:
        lacks.append("a discharge curve")
    elif curve.moved_Ah.size and curve.moved_Ah[-1] - curve.moved_Ah[0] < _least_Ah(curve, evidence.reference_A):
        lacks.append("a discharge long enough to show its shape")
    return f"not seen yet: {', '.join(lacks)}" if lacks else ""


def _took_like_nickel(evidence: Evidence) -> bool:
    """Whether a watched charge went as with a nickel cell: 1.25 to 1.55 V for at least an hour's worth of 0.1 It."""
    if evidence.charge is None or evidence.rested_after_charge_V is None:
        return False
    q, v = clean(evidence.charge)
    if q is None or v is None:
        return False
    hours = float(q[-1] - q[0]) / abs(evidence.charge.current_A) if evidence.charge.current_A else 0.0
    flat = between(q, v, 1.25, 1.52) / max(float(q[-1] - q[0]), 1e-12)
    return hours >= 1.0 and flat > 0.9 and 1.25 <= evidence.rested_after_charge_V <= 1.45


def _without_drop(curve: VoltageCurve, evidence: Evidence) -> VoltageCurve:
    """Take the drop of the load steps' resistance out of a curve that does not bring a resistance itself."""
    if curve.resistance_ohm or not evidence.step_ohm:
        return curve
    return replace(curve, resistance_ohm=float(np.median(evidence.step_ohm)))


def evidence_from_record(
    record: Record,
    step_kinds: tuple[str, ...],
    as_found_V: float,
    *,
    declared_rechargeable: bool = False,
    reference_A: float | None = None,
    voltage_U_V: float = 0.01,
    step_ohm: tuple[float, ...] = (),
) -> Evidence:
    """Gather the evidence that one of our own runs holds.

    Args:
        record: The run's readings, shape (n,).
        step_kinds: Kind of each step as executed ("rest", "charge", "discharge", "pulses", ...).
        as_found_V: Voltage read with a hand meter before the run.
        declared_rechargeable: A person says so.
        reference_A: Reference current It of the cell, to judge the charging current; None: not judged.
        voltage_U_V: Expanded uncertainty of a voltage.
        step_ohm: Resistances of the small load steps.

    Returns:
        The evidence; what the run does not hold stays None.

    Source:
        Common practice.
    """
    curves: dict[str, VoltageCurve] = {}
    pieces: list[VoltageCurve] = []  # of the discharge that goes on
    rested: float | None = None
    hours: float | None = None
    charged_at = -1
    for number, kind in enumerate(step_kinds):
        rows = np.flatnonzero((record.step == number) & np.isfinite(record.t_s + record.voltage_V + record.current_A))
        if rows.size < 8:
            continue
        t, v, i = record.t_s[rows], record.voltage_V[rows], record.current_A[rows]
        if kind in ("charge", "discharge"):
            moved = np.concatenate(([0.0], np.cumsum(np.abs(i[1:] + i[:-1]) / 2 * np.diff(t)))) / 3600
            if kind == "charge":
                pieces.clear()
            else:
                # Load steps and rests in between do not end a discharge; only a charge does.
                pieces.append(VoltageCurve(moved, v, float(np.median(i))))
                moved, v = joined(pieces)
            warmth = record.temperature_degC[rows]
            known = warmth[np.isfinite(warmth)]
            curve = VoltageCurve(
                moved, v, float(np.median(i)), temperature_degC=float(np.median(known)) if known.size else None
            )
            if kind not in curves or moved[-1] > curves[kind].moved_Ah[-1]:
                curves[kind] = curve
                charged_at = number if kind == "charge" else charged_at
        elif kind == "rest" and charged_at >= 0 and number == charged_at + 1:
            rested, hours = float(np.median(v[-5:])), float(t[-1] - t[0]) / 3600
    charge = curves.get("charge")
    return Evidence(
        as_found_V=as_found_V,
        voltage_U_V=voltage_U_V,
        declared_rechargeable=declared_rechargeable,
        step_ohm=step_ohm,
        discharge=curves.get("discharge"),
        charge=charge,
        charge_It=abs(charge.current_A) / reference_A if charge is not None and reference_A else None,
        rested_after_charge_V=rested,
        rest_after_charge_h=hours,
        reference_A=reference_A,
    )
