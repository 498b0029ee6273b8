"""Is a cell worth a night on the bench? Decided by what twenty minutes show, learned from the user's own shelf. Pure.

Two things speak. A bound: what the last charge put into a cell known to be empty is the most that it can give. And a
prediction: an interval of the capacity (jackknife+, 95 %), made of the like cells that had their night. The prediction
holds for cells drawn like those. So it is not given where a sign lies outside of what they showed, where fewer than
`LEAST_CASES` of them are there, or where the signs say little about their capacity (resistance and capacity without
connection): then the answer is "cannot tell", and the cell has its night.

Ah, V, ohm. Sources: `analysis.prediction`; the share of errors of twenty minutes: docs/screen.md.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from amphora.harness.analysis.early_signs import Signs
from amphora.harness.analysis.prediction import as_columns, jackknife_plus, outside

Answer = Literal["not worth a night", "worth one", "cannot tell"]
ALPHA = 0.05
LEAST_CASES = 20  # an interval of 95 % needs 19 (analysis.prediction.least_cases)
LEAST_SKILL = 0.5  # half of the squares of error gone, each case left out: less is no connection to decide by
BEYOND = 0.3  # of a sign's range on the shelf, as its logarithm, that a new cell may lie beyond its ends
MOST_LEFT_AT: Mapping[str, tuple[tuple[float, float], ...]] = {
    "li-ion": (
        (3.0, 0.08), (3.3, 0.15), (3.4, 0.24), (3.5, 0.33), (3.6, 0.43), (3.7, 0.56), (3.8, 0.66), (3.9, 0.75),
        (4.0, 0.86),
    ),
    "li-ion-4.35": ((3.0, 0.08), (3.3, 0.15), (3.4, 0.24), (3.5, 0.33), (3.6, 0.43), (3.7, 0.56)),
    "lfp": ((3.0, 0.05),),
}  # fmt: skip
"""The most that is left at a voltage at rest, as a share of the capacity; above the last one nothing is said.

The highest of the open-circuit curves of docs/screen.md, and 0.05 to 0.07 more for other makes and for wear (common
practice). LFP: its flat middle says nothing.
"""
LEFT_AT: Mapping[str, tuple[tuple[float, float], ...]] = {
    "li-ion": (
        (3.0, 0.02), (3.3, 0.08), (3.4, 0.12), (3.5, 0.18), (3.6, 0.27), (3.7, 0.41), (3.8, 0.54), (3.9, 0.66),
        (4.0, 0.77), (4.1, 0.89), (4.2, 1.0),
    ),
}  # fmt: skip
"""Share of the charge left at a voltage at rest; only a column to learn over (common practice; mean of many cells)."""
MOST_LEFT = 0.9  # less than a tenth to be charged says nothing of the whole
METER_SHARE = 0.02  # what the charge that went in may be off by


@dataclass(frozen=True, slots=True)
class Case:
    """One cell as the screen sees it.

    signs: Of its first twenty minutes; None: not seen yet. full: they began at a known full. charged_Ah: what the
    charge before put in, by its taper; None: none, or not whole. from_V: its voltage at rest before that charge.
    from_empty: that charge began where a discharge had ended at its cut-off. mass_g: None: not weighed.
    capacity_Ah: of its night; None: had none.
    """

    cell: str
    signs: Signs | None
    full: bool
    charged_Ah: float | None = None
    from_V: float | None = None
    from_empty: bool = False
    mass_g: float | None = None
    capacity_Ah: float | None = None


@dataclass(frozen=True, slots=True)
class Screened:
    """The answer. `low_Ah`, `high_Ah`: the interval, None where none can be given; `most_Ah`: by what went in."""

    answer: Answer
    why: str
    least_Ah: float
    low_Ah: float | None = None
    middle_Ah: float | None = None
    high_Ah: float | None = None
    most_Ah: float | None = None
    like_cells: int = 0
    skill: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


SIGNS: tuple[tuple[str, str], ...] = (
    ("step_ohm", "resistance after 10 s"), ("recovery_ohm", "recovery"), ("slope_V_per_Ah", "fall in ten minutes"),
)  # fmt: skip


def _columns(case: Case, chemistry: str, with_charge: bool, with_mass: bool) -> list[float]:
    """Return what the line is made over: logarithms, so that a share of a value counts alike in large and small."""
    signs = case.signs
    assert signs is not None
    found = [_log(getattr(signs, name)) for name, _ in SIGNS]
    if not case.full:
        found.append(signs.rest_V)
    if with_charge:
        found += [_log((case.charged_Ah or 0.0) / (1.0 - _left(case, chemistry))), case.from_V or math.nan]
    if with_mass:
        found.append(case.mass_g or math.nan)
    return found


def _names(case: Case, with_charge: bool, with_mass: bool) -> list[str]:
    found = [name for _, name in SIGNS]
    if not case.full:
        found.append("voltage at rest")
    if with_charge:
        found += ["charge that went in", "voltage before the charge"]
    return [*found, "mass"] if with_mass else found


def _log(value: float) -> float:
    return math.log(value) if value > 0.0 else math.nan


def most_by_charge(case: Case, chemistry: str) -> float | None:
    """Return the most that a cell can give by what went into it, Ah; None where what was left before is not known.

    Source: charge out is never more than charge in and what was left; common practice.
    """
    if case.charged_Ah is None:
        return None
    left = 0.0 if case.from_empty else _most_left(case.from_V, chemistry)
    return None if left is None else case.charged_Ah * (1.0 + METER_SHARE) / (1.0 - left)


def _most_left(from_V: float | None, chemistry: str) -> float | None:
    points = MOST_LEFT_AT.get(chemistry)
    if points is None or from_V is None or from_V > points[-1][0]:
        return None
    volts, shares = zip(*points, strict=True)
    return float(np.interp(from_V, volts, shares))


def screen(case: Case, shelf: Sequence[Case], chemistry: str, least_Ah: float) -> Screened:
    """Return whether a cell is worth a night.

    Args:
        case: The cell.
        shelf: Like cells (same form, same chemistry); those that had a night are learned from.
        chemistry: A key of profiles/chemistries.
        least_Ah: What it has to hold to be worth one.
    """
    most_Ah = most_by_charge(case, chemistry)
    known = [
        one for one in shelf
        if one.capacity_Ah and one.signs is not None and one.full == case.full and one.cell != case.cell
    ]  # fmt: skip
    if most_Ah is not None and most_Ah < least_Ah:
        why = (
            f"by what went into it, it holds at most {most_Ah * 1000:.0f} mAh; {least_Ah * 1000:.0f} mAh are asked for"
        )
        return Screened("not worth a night", why, least_Ah, most_Ah=most_Ah, like_cells=len(known))
    if case.signs is None:
        why = "its load steps and ten minutes of discharge were not measured yet"
        return Screened("cannot tell", why, least_Ah, most_Ah=most_Ah, like_cells=len(known))
    if len(known) < LEAST_CASES:
        why = f"{len(known)} like cells were tested overnight; {LEAST_CASES} are needed, so no interval is given"
        return Screened("cannot tell", why, least_Ah, most_Ah=most_Ah, like_cells=len(known))
    return _by_like_cells(case, known, chemistry, Screened("cannot tell", "", least_Ah, most_Ah=most_Ah))


def _by_like_cells(case: Case, known: Sequence[Case], chemistry: str, said: Screened) -> Screened:
    """Return what like cells that had their night say of one by its signs.

    Args:
        case: The cell.
        known: Like cells with a capacity and signs, `LEAST_CASES` at least.
        chemistry: A key of profiles/chemistries.
        said: What is said without them.
    """
    least_Ah, most_Ah = said.least_Ah, said.most_Ah
    with_charge = _has_charge(case, chemistry) and sum(_has_charge(one, chemistry) for one in known) >= LEAST_CASES
    known = [one for one in known if _has_charge(one, chemistry)] if with_charge else known
    with_mass = case.mass_g is not None and sum(one.mass_g is not None for one in known) >= LEAST_CASES
    known = [one for one in known if one.mass_g is not None] if with_mass else known
    rows = as_columns([_columns(one, chemistry, with_charge, with_mass) for one in known])
    capacities = [one.capacity_Ah or 0.0 for one in known]
    whole = [index for index in range(len(known)) if all(map(math.isfinite, rows[index]))]
    said = replace(said, like_cells=len(whole))
    if len(whole) < LEAST_CASES:
        why = f"{len(whole)} like cells have all readings; {LEAST_CASES} are needed"
        return replace(said, why=why)
    rows = rows[whole]
    new = as_columns([_columns(case, chemistry, with_charge, with_mass)])[0]
    column = outside(rows, new, BEYOND)
    if column is not None:
        name = _names(case, with_charge, with_mass)[column]
        return replace(said, why=f"its {name} lies outside what the {len(whole)} like cells showed")
    values = as_columns([[math.log(capacities[index])] for index in whole])[:, 0]
    found = jackknife_plus(rows, values, new, ALPHA)
    if found.skill < LEAST_SKILL:
        why = "on this shelf the readings do not predict the capacity: no interval is given"
        return replace(said, why=why, skill=found.skill)
    most = math.inf if most_Ah is None else most_Ah
    low_Ah, middle_Ah, high_Ah = (min(math.exp(value), most) for value in (found.low, found.middle, found.high))
    why = f"{low_Ah * 1000:.0f} to {high_Ah * 1000:.0f} mAh expected; {least_Ah * 1000:.0f} mAh are asked for"
    answer: Answer = "not worth a night" if high_Ah < least_Ah else "worth one" if low_Ah >= least_Ah else "cannot tell"
    return replace(said, answer=answer, why=why, low_Ah=low_Ah, middle_Ah=middle_Ah, high_Ah=high_Ah, skill=found.skill)


def _has_charge(case: Case, chemistry: str) -> bool:
    if not case.full or not case.charged_Ah or case.from_V is None or chemistry not in LEFT_AT:
        return False
    return _left(case, chemistry) <= MOST_LEFT


def _left(case: Case, chemistry: str) -> float:
    """Return about what share of its charge was left before a charge; 0 where a discharge had emptied the cell."""
    points = LEFT_AT[chemistry]
    volts, shares = zip(*points, strict=True)
    return 0.0 if case.from_empty else float(np.interp(case.from_V or 0.0, volts, shares))


__all__ = ["ALPHA", "LEAST_CASES", "LEAST_SKILL", "Case", "Screened", "most_by_charge", "screen"]
