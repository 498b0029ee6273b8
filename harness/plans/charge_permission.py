"""What is known of a cell before its plan is made: its windows, whether it may be charged, what it is taken to hold.

Pure. The charging decision (`permission`) is the first layer of the safety of a plan: it stands alone, wants no bench
and no step made, and says why it is no.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import KEYS, Chemistry, classify_as_found, load_chemistry, triage
from amphora.harness.cells.forms import TAKEN_AH, TAKEN_NICKEL_AH, form_of
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.common.fields import finite_number
from amphora.harness.common.quantities import format_quantity
from amphora.harness.plans.recipe import Recipe, every_step

IDENTIFY_LIMIT_V = 3.60
STAGES_V = (3.60, 3.85, 4.05)  # of the watched charge of an unknown cell, each earned by the one before (LIMITS)
LIKELY_V = 4.10  # once it is likely Li-ion, attended, with a sensor (LIMITS)
METER_V = 0.05  # above a stage: for the voltmeter
NICKEL_CLAIM_SHARE = 0.25  # of it, of nickel: 0.1 It of that is 0.2 It of a cell that holds an eighth of its label
CLAIM_SHARE = 0.5  # of a label's claim: what a used cell is taken to hold before anybody has measured (common practice)
FIRST_CHARGE_It = 0.25  # of a cell whose history nobody knows (common practice)
FIRST_CHARGE_MOST_A = 0.25
FIRST_CHARGE_LARGE_A = 0.5
FIRST_DOUBLES_AFTER_AH = 1.0
TAKES_MOST = 1.2  # times what a cell is known to take: more than that is a fault (LIMITS: charge put in)
FORM_MOST = 1.1  # times the most that its form holds, where nobody knows
NICKEL_AS_FOUND_V = 2.0


@dataclass(frozen=True, slots=True)
class Permission:
    """The windows a cell is worked in, and whether a recipe may charge it. Voltages in volt."""

    key: str  # the cell's chemistry
    window: Chemistry  # for discharging
    charging: Chemistry  # for charging
    charge_limit_V: float
    identify_V: float
    as_found_V: float | None
    may_charge: bool
    precharge_only: bool
    why_not: str  # it may not be charged; else empty
    told: tuple[str, ...]  # what the plan has to warn of
    staged: bool = False  # charged above 3.60 V though nobody is sure what it is: somebody is there, with a sensor


@dataclass
class _Weighed:
    """A recipe and a cell while it is found out what may be done; `refuse` says why no charge is."""

    recipe: Recipe
    cell: Cell
    key: str
    by_run: bool
    wants_charge: bool
    must_charge: bool
    window: Chemistry
    charging: Chemistry
    limit_V: float
    identify_V: float
    told: list[str]
    may_charge: bool = True
    precharge_only: bool = False
    why_not: str = ""
    stage_V: float | None = None
    rests_V: float | None = None

    def refuse(self, why: str) -> None:
        self.may_charge, self.why_not = False, why


def permission(recipe: Recipe, cell: Cell) -> Permission:
    """Return what a recipe may do with a cell, as the shelf's record has it.

    Raises:
        Refused: the recipe has to charge and the cell may not be charged, or nothing may be done with it.
    """
    told: list[str] = []
    key, by_run = _chemistry(cell, told)
    window = load_chemistry(key)
    charges = [] if recipe.device else [step for step in every_step(recipe.steps) if step.kind == "charge"]
    at = _Weighed(
        recipe, cell, key, by_run, bool(charges),
        any(step.word("only_when") != "may be charged" for step in charges), window, window,
        window.charge_limit_V, min(window.charge_limit_V, IDENTIFY_LIMIT_V), told,
    )  # fmt: skip
    if not recipe.device:
        _see_that_it_is_a_cell_in_use(at)
        if key == "auto":
            _weigh_unknown_chemistry(at)
        _weigh_as_found(at)
        _weigh_stage(at)
        _conclude(at)
    return Permission(
        key, at.window, at.charging, at.limit_V, at.identify_V, at.cell.as_found_V, at.may_charge, at.precharge_only,
        at.why_not, tuple(told),
        staged=at.stage_V is not None and at.stage_V > IDENTIFY_LIMIT_V and at.may_charge,
    )  # fmt: skip


def _see_that_it_is_a_cell_in_use(at: _Weighed) -> None:
    if at.cell.is_device:
        raise InputError(
            f"{at.cell.id} is a {at.cell.form}, not a cell, and {at.recipe.name!r} is for cells; "
            "`amphora duty survey --help` shows what is for it"
        )
    if at.cell.state == "retired":
        raise Refused(f"{at.cell.id}: is retired on the shelf; nothing is done with it")


def _weigh_unknown_chemistry(at: _Weighed) -> None:
    """A cell of unknown chemistry is held to the lowest plausible limit, by the voltage it was found at."""
    if at.cell.as_found_V is not None:
        found = classify_as_found(at.cell.as_found_V)
        if found is not None:
            at.window = load_chemistry(found)
        if at.cell.as_found_V < NICKEL_AS_FOUND_V:  # the lowest plausible limit is that of nickel
            at.charging = load_chemistry("nimh")
            at.limit_V = at.identify_V = at.charging.charge_limit_V
        elif at.recipe.name == "identify" and at.cell.declared_rechargeable:
            at.stage_V, at.rests_V = _stage(at.cell, STAGES_V)
    elif at.wants_charge:
        at.refuse("its as-found voltage is not on the shelf")
    if found_text := _unknown_text(at.cell.as_found_V, at.window):
        at.told.append(found_text)


def _weigh_as_found(at: _Weighed) -> None:
    """What incoming inspection, the shelf and an identification say of charging it."""
    if at.cell.as_found_V is not None:
        verdict = triage(at.key, at.cell.as_found_V, at.cell.declared_rechargeable)
        in_band = at.key != "auto" or at.cell.as_found_V >= at.charging.reject_below_V > 0.0
        if not verdict.may_charge:
            at.refuse(verdict.reason)
        elif at.by_run and not at.cell.declared_rechargeable:
            at.refuse("a run identified it, and nobody has declared it rechargeable")
        elif at.cell.state == "quarantined" and verdict.verdict == "accept":
            at.refuse("it is in quarantine on the shelf; its state comes first")
        elif verdict.verdict == "quarantine" and in_band:
            at.precharge_only = at.wants_charge
    elif not at.cell.declared_rechargeable and (at.key == "auto" or at.by_run):
        at.refuse(at.why_not or "nobody has declared it rechargeable")


def _weigh_stage(at: _Weighed) -> None:
    """How far a cell is charged of which it is not certain yet what it is."""
    if at.by_run and at.key == "li-ion" and _only_likely(at.cell):
        if at.must_charge:
            at.refuse(_likely_text(at.cell.id, _stage(at.cell, (LIKELY_V,))[0]))
        elif at.recipe.name == "identify":
            at.stage_V, at.rests_V = _stage(at.cell, (LIKELY_V,))
    if at.stage_V is not None:
        at.limit_V = at.identify_V = at.stage_V
        at.charging = replace(at.charging, charge_limit_V=at.stage_V, hard_high_V=at.stage_V + METER_V)
        if at.stage_V > IDENTIFY_LIMIT_V:
            at.told.append(f"not certain yet what it is: charged to {at.stage_V:.2f} V at 0.1 It, watched, no more")
    if at.rests_V is not None:
        if at.may_charge and at.rests_V > at.limit_V - 0.02:
            at.refuse(f"it stands at {at.rests_V:.3f} V, and this stage ends at {at.limit_V:.2f} V")
    elif at.key == "auto" and at.may_charge and (found_V := at.cell.as_found_V or 0.0) > at.limit_V - 0.05:
        at.refuse(f"found at {found_V:.3f} V, and an unidentified cell is not charged above {at.limit_V:.2f} V")


def _conclude(at: _Weighed) -> None:
    """Refuse a recipe that has to charge what may not be charged; say what is left out of another."""
    if not at.may_charge and not at.cell.declared_rechargeable and "rechargeable" in at.why_not:
        at.why_not += f"; whoever knows that says so by: amphora cell check {at.cell.id} --rechargeable"
    if at.must_charge and not at.may_charge:
        raise Refused(f"{at.cell.id}: may not be charged by {at.recipe.name!r}: {at.why_not}")
    if at.wants_charge and not at.may_charge:
        at.told.append(f"the charging part is left out: {at.why_not}")
    if at.precharge_only and at.recipe.name != "charge":
        raise Refused(
            f"{at.cell.id}: found at {at.cell.as_found_V:.3f} V, in the quarantine band of {at.charging.name}: only "
            "the pre-charge of 'charge' is allowed, then days of rest under watch"
        )
    if at.precharge_only:
        at.told.append(
            "in the quarantine band: this plan does the slow pre-charge and a rest, no more; then 72 h to 14 days "
            "of rest under watch ('retention'), and a new as-found voltage, come before a charge"
        )


def _stage(cell: Cell, allowed: tuple[float, ...]) -> tuple[float | None, float | None]:
    """Return the stage that identification has earned, and where the cell stood then, in volt; None: none."""
    to_V, rests_V = finite_number(cell.identified.charge_to_V), finite_number(cell.identified.rests_V)
    if to_V is None or rests_V is None or to_V not in allowed:
        return None, None
    return to_V, rests_V


def _likely_text(cell_id: str, to_V: float | None) -> str:
    """Return why a cell that is only likely Li-ion is not charged full, and the one thing that settles it."""
    by_print = f'`amphora cell edit {cell_id} --chemistry li-ion --why "its print"`'
    if to_V is None:
        return (
            f"a run found it likely Li-ion, and no further run makes that certain. The question: does its print, its "
            f"data sheet or its device's charger say Li-ion? yes: {by_print}; no, or nobody knows: "
            f"`amphora cell state {cell_id} retired`"
        )
    return (
        f"a run found it likely Li-ion, which is not certain: first `amphora run --cell {cell_id} --profile identify "
        f"--present` up to {to_V:.2f} V, then `amphora identify {cell_id} --save`; or its print says so: {by_print}"
    )


def _only_likely(cell: Cell) -> bool:
    return cell.identified.confidence == "likely"


def _chemistry(cell: Cell, warnings: list[str]) -> tuple[str, bool]:
    """Return the key of the cell's chemistry and whether a run has identified it. Never the 4.35 V class by a run."""
    key, found = cell.chemistry or "auto", cell.identified.chemistry
    if key != "auto" or found not in KEYS or found in ("auto", "li-ion-4.35"):
        return key, False
    warnings.append(f"identified by a run as {load_chemistry(str(found)).name}; that window holds")
    return str(found), True


def _unknown_text(as_found_V: float | None, window: Chemistry) -> str:
    if as_found_V is None:
        return "chemistry and as-found voltage are not known: the most cautious window holds"
    if window.key == "auto":
        return f"not identified: cut-off {window.cutoff_V:g} V, the highest that it may be ('identify' finds out more)"
    return (
        f"not identified: found at {as_found_V:.3f} V it is discharged inside the window of {window.name}; "
        "that says nothing about charging it ('identify' finds out more)"
    )


ItFrom = Literal["measured", "claim", "assumed"]


@dataclass(frozen=True, slots=True)
class Holds:
    """What a cell is taken to hold (It refers to it), and where that is from. Ampere-hour, ampere."""

    capacity_Ah: float
    source: str
    it_from: ItFrom
    known: bool  # measured, or given by whoever asks
    claim_Ah: float | None  # on the label, where its form can hold that
    most_Ah: float  # what such a cell could hold at most
    charge_most_Ah: float  # what a charge may put in
    first_A: float | None  # the most current of a first charge; None: it is none


def holds_of(
    cell: Cell,
    form: str,
    window: Chemistry,
    given_Ah: float | None,
    measured_Ah: float | None,
    warnings: list[str],
    can_take_Ah: float | None = None,
    gave_Ah: float | None = None,
) -> Holds:
    """Return what a cell is taken to hold.

    Args:
        cell: The shelf's record.
        form: Of the cell, small letters.
        window: For discharging.
        given_Ah: As asked for by a person; goes before everything.
        measured_Ah: By a discharge of our own from a full start; never from an unknown one.
        warnings: Gets what the plan has to say of it.
        can_take_Ah: What the account says that the cell can still take; None: as much as it holds.
        gave_Ah: What a nickel cell that nobody has measured gave leads to by its account; counts where it is more.

    Source: common practice, as in the limits of this project: before anybody has measured, the form's assumed value or
    half of the claim, whichever is smaller; of nickel a quarter of the claim where that is more.
    """
    nickel = window.method == "timed"
    found = form_of(form)
    claim_Ah = _plausible_claim(cell, form, nickel, warnings)
    charge_most_Ah: float | None = None
    first = False
    if given_Ah is not None:
        capacity_Ah, source, it_from = given_Ah, "as asked for", "claim"
    elif measured_Ah is not None:
        capacity_Ah, source, it_from = measured_Ah, "measured from full", "measured"
        charge_most_Ah = TAKES_MOST * (measured_Ah if can_take_Ah is None else can_take_Ah)
    else:
        first = True
        capacity_Ah, source, it_from = _assumed_Ah(form, nickel), "assumed (common practice)", "assumed"
        if claim_Ah is not None and CLAIM_SHARE * claim_Ah < capacity_Ah:
            capacity_Ah, source, it_from = CLAIM_SHARE * claim_Ah, "half of the claim on the label", "claim"
        elif nickel and claim_Ah is not None and NICKEL_CLAIM_SHARE * claim_Ah > capacity_Ah:
            # It is charged by the clock: for far too little it would take a night more until it is known to be full.
            capacity_Ah, it_from = NICKEL_CLAIM_SHARE * claim_Ah, "claim"
            source = "a quarter of the claim on the label"
        most_known_Ah = min(claim_Ah or math.inf, most_Ah_of(form, nickel, capacity_Ah, False))
        if gave_Ah is not None and nickel and min(gave_Ah, most_known_Ah) > capacity_Ah:
            capacity_Ah, it_from = min(gave_Ah, most_known_Ah), "assumed"
            source = "assumed, by what it gave so far"
    known = not first
    most_Ah = most_Ah_of(form, nickel, capacity_Ah, known)
    if charge_most_Ah is None:
        charge_most_Ah = FORM_MOST * most_Ah
    first_A = None
    if first:
        largest_A = FIRST_CHARGE_LARGE_A if found is not None and found.large else FIRST_CHARGE_MOST_A
        first_A = min(FIRST_CHARGE_It * capacity_Ah, largest_A)
    return Holds(capacity_Ah, source, it_from, known, claim_Ah, most_Ah, charge_most_Ah, first_A)  # type: ignore[arg-type]


def is_a_guess(capacity_source: str) -> bool:
    """Tell whether a plan took its cell to hold something that nobody has measured or asked for.

    A nickel cell charged by the clock for a guess is not known to be full. Plans of 0.1.0 took the whole claim
    ("claim on the label"); those stand as they were read then.
    """
    return capacity_source.startswith(("assumed", "half of the claim", "a quarter of the claim"))


def _plausible_claim(cell: Cell, form: str, nickel: bool, warnings: list[str]) -> float | None:
    claim_Ah = cell.claim_Ah
    found = form_of(form)
    most_Ah = None if found is None else found.most(nickel)
    if claim_Ah is None or claim_Ah <= 0.0:
        return None
    if most_Ah is None or claim_Ah <= most_Ah:
        return claim_Ah
    warnings.append(
        f"the label claims {format_quantity(claim_Ah, 'Ah')}, more than a {form} can hold "
        f"(about {format_quantity(most_Ah, 'Ah')}): not believed"
    )
    return None


def _assumed_Ah(form: str, nickel: bool) -> float:
    found = form_of(form)
    if found is None:
        return TAKEN_NICKEL_AH if nickel else TAKEN_AH
    return found.taken(nickel)


def most_Ah_of(form: str, nickel: bool, capacity_Ah: float, known: bool) -> float:
    """Return what such a cell could hold at most, in ampere-hour."""
    found = form_of(form)
    if found is None:
        return max(5.0 * capacity_Ah, 2.0)
    ceiling_Ah = found.most(nickel)
    return max(ceiling_Ah, capacity_Ah) if not known else max(min(ceiling_Ah, 2.0 * capacity_Ah), capacity_Ah)


def cutoff_of(window: Chemistry, asked_V: float | None) -> float:
    """Return the cut-off, in volt: the window's own, or the one asked for.

    Raises:
        InputError: the one asked for is outside the window.
    """
    if asked_V is None:
        return window.cutoff_V
    if not window.hard_low_V <= asked_V < window.nominal_V:
        raise InputError(
            f"cut-off {asked_V:.3f} V is outside {window.hard_low_V:.3f} to {window.nominal_V:.3f} V "
            f"(window {window.key}: {window.sources['hard_low_V']})"
        )
    return asked_V
