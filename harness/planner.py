"""A recipe made concrete: for one cell, on one bench, in SI units, checked. Pure.

Nothing here can exceed the window of the chemistry: a level, voltage or cut-off beyond it is
refused with the step, the value, the limit and where the limit is from. What is assumed (capacity,
charge state at the start) is said in the plan's warnings and notes. What a person has to do and
what no instrument guards stands in `Plan.notes`, which `harness.planview` prints.

Levels given in It are turned into ampere with the capacity assumed, except those of a second pass
that takes It from the first. Expected ends come from the capacity assumed; latest ends from the
upper bounds in time and from what such a cell could hold at most.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal, cast

from harness.chemistry import KEYS, Chemistry, classify_as_found, load_chemistry, triage
from harness.errors import InputError, Refused
from harness.fields import finite_number
from harness.plan import End, EndQuantity, Limits, Order, Plan, Segment, Step, StepKind
from harness.profile import Recipe, RecipeStep, Value, load_recipe
from harness.quantities import format_duration, format_quantity, parse

Start = Literal["full", "declared-full", "unknown"]

ASSUMED_AH = 1.0
ASSUMED_BY_FORM_AH = {"14500": 0.5, "16340": 0.4, "10440": 0.25, "aa": 0.5, "aaa": 0.25}
ASSUMED_NICKEL_AH = {"aa": 0.3, "14500": 0.3, "aaa": 0.2}
ASSUMED_NICKEL_OTHER_AH = 0.3
MOST_BY_FORM_AH = {"18650": 3.6, "14500": 1.1, "16340": 0.9, "10440": 0.4, "21700": 5.2, "26650": 6.0, "aa": 3.0,
                   "aaa": 1.3}  # fmt: skip  # common practice: what the best of the format hold
USUAL_CHARGE_It = 0.4
CHARGE_MARGIN = 1.2  # a run passes at most this share of what a cell could hold
SAG_OHM = 0.15
COARSE_END_V = 0.01  # a voltage held by the supply is met this much below it
TIMED_HEADROOM_V = 0.05  # above the stop of a timed charge, so that the stop is seen
IDENTIFY_LIMIT_V = 3.60
NICKEL_AS_FOUND_V = 2.0
EMPTY_HEADROOM_V = 0.01
CHARGE_RATE_K_PER_MIN = 1.0
OTHER_RATE_K_PER_MIN = 2.0
DEVICE_LIMIT_A = 1.2
BELOW_CUTOFF = 0.75  # a lamp without a cell in it may be taken down so far to see where it shuts itself off
PANEL_MOST_V = 60.0
DEVICE_FOUND_V = 0.5
PULSE_INTERVAL_S, ENERGISED_INTERVAL_S, REST_INTERVAL_S = 0.2, 1.0, 10.0
LEADS_S = 15.0  # what moving leads is expected to take, in the mean
ASK_S = 120.0
ASK_MOST_S = 2 * 3600.0
CONNECT_S = 2.0
READY_MARGIN = 1.05
FUSES_A = (0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3,
           8.0, 10.0, 12.5, 16.0)  # fmt: skip  # rated currents as fuses are sold (R10 series, IEC 60127)

BY_HAND = (
    "A holder on a surface that cannot burn; nothing that burns within reach of it.",
    "Read voltage and polarity at the cell with a hand meter before anything is connected; type it in with "
    "--hand-voltage. The bench must agree within 50 mV.",
    "Never a swollen, leaking, dented, hot or reversed cell. Swelling, hissing, smell or heat: stop and get out.",
    "Local codes and licensed practice come first; this program replaces neither.",
)


@dataclass
class _Context:
    """Everything that is fixed while the steps are made."""

    recipe: Recipe
    cell_id: str
    window: Chemistry  # for discharging
    charging: Chemistry  # for charging
    charge_limit_V: float
    identify_V: float
    capacity_Ah: float
    capacity_known: bool
    most_Ah: float
    cutoff_V: float
    current_A: float | None  # the parameter, where one is asked for
    may_charge: bool
    leads: str
    attended: tuple[float, float] | None
    start: Start
    precharge_only: bool
    voltage_high_V: float
    source: str = ""  # of the capacity
    as_found_V: float | None = None
    key: str = "auto"  # the cell's chemistry


@dataclass
class _Draft:
    """A step being made, with what only the planner needs to know of it."""

    step: Step
    side: str  # "load", "supply", "" (neither)
    leave: int | None = None  # the repeat to leave at the cut-off
    inside: tuple[int, ...] = ()
    most_current_A: float = 0.0


@dataclass
class _Estimate:
    """Expected charge in the cell while the steps are gone through."""

    remaining_Ah: float
    out: set[int] = field(default_factory=set)  # repeats that are expected to have been left


def build_plan(
    profile: str | Recipe,
    cell: Mapping[str, Any],
    bench: Mapping[str, Any] | None,
    *,
    capacity_Ah: float | None = None,
    ready_by: datetime | None = None,
    now: datetime | None = None,
    attended: tuple[float, float] | None = None,
    cutoff_V: float | None = None,
    current_A: float | None = None,
    start: str = "unknown",
    unattended_charging_ok: bool = False,
    present: bool = False,
) -> Plan:
    """Return the checked plan of a recipe for a cell on a bench.

    Args:
        profile: A recipe, its name, or its path.
        cell: The shelf's record as data (`id`, `chemistry`, `form`, `claim_Ah`, `as_found_V`, `state`,
            `declared_rechargeable`, `identified`); what is missing is not known.
        bench: A bench file as data, with `abilities` by instrument name where they are known; None
            to plan without a bench.
        capacity_Ah: What the cell is taken to hold; None: the claim where it is plausible, else assumed.
        ready_by, now: Aware; choose a discharge current that is done by then.
        attended: Hours of the day, local, in which somebody is there; charging keeps inside them.
        cutoff_V, current_A: In place of the chemistry's and the recipe's own.
        start: `full`, `declared-full` or `unknown`.
        unattended_charging_ok: The explicit yes to charging with nobody there.
        present: Somebody is there for as long as it charges.

    Raises:
        InputError: recipe, cell, bench or options do not go together; step, value, limit, its source.
        Refused: the cell may not be charged, or nothing may be done with it.
    """
    recipe = load_recipe(profile) if isinstance(profile, str) else profile
    if start not in ("full", "declared-full", "unknown"):
        raise InputError(f"start {start!r} is not accepted; full, declared-full or unknown is")
    _finite("capacity", capacity_Ah, "Ah", 0.01, 100.0)
    _finite("current", current_A, "A", 0.001, 30.0)
    if attended is not None and not all(0.0 <= hour <= 24.0 for hour in attended):
        raise InputError(f"attended hours {attended} are not accepted; two times of day from 0:00 to 24:00 are")
    if attended is not None and attended[0] == attended[1]:
        raise InputError(
            "attended hours that begin and end at the same time are none; two different times are accepted"
        )
    warnings: list[str] = []
    context = _context(recipe, cell, bench, capacity_Ah, cutoff_V, current_A, cast(Start, start), attended, warnings)
    if current_A is not None and "current" not in recipe.parameters:
        raise InputError(f"{recipe.where}: has no current that may be chosen; leave --current out")
    if ready_by is not None:
        context.current_A = _current_for(context, ready_by, now, current_A)
    drafts = _make(context)
    charges = any(draft.side == "supply" for draft in drafts) and not recipe.device
    if not drafts:
        raise InputError(f"{recipe.where}: no step of it applies to {context.window.name}")
    _check_bench(recipe, bench, drafts)
    if charges:
        _check_charging(context, bench, attended, present, unattended_charging_ok, warnings)
    _start_warnings(context, drafts, warnings)
    return _plan(context, bench, drafts, charges, warnings)


def expected_s(plan: Plan) -> float:
    """Return how long the plan is expected to take, in second."""
    return sum(step.max_duration_s if step.expected_duration_s is None else step.expected_duration_s
               for step in plan.steps)  # fmt: skip


def _finite(what: str, value: float | None, unit: str, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise InputError(f"{what} {value:g} {unit} is not accepted; {low:g} to {high:g} {unit} is")


# -- what is known ----------------------------------------------------------------------------------


def _context(
    recipe: Recipe,
    cell: Mapping[str, Any],
    bench: Mapping[str, Any] | None,
    capacity_Ah: float | None,
    cutoff_V: float | None,
    current_A: float | None,
    start: Start,
    attended: tuple[float, float] | None,
    warnings: list[str],
) -> _Context:
    cell_id = str(cell.get("id") or "cell")
    key, by_run = _chemistry(cell, warnings)
    window = charging = load_chemistry(key)
    declared = bool(cell.get("declared_rechargeable", False))
    as_found_V = finite_number(cell.get("as_found_V"))
    state = str(cell.get("state") or "found")
    wants_charge = not recipe.device and any(step.kind == "charge" for step in _flat(recipe.steps))
    must_charge = not recipe.device and any(
        step.kind == "charge" and step.word("only_when") != "may be charged" for step in _flat(recipe.steps)
    )
    limit_V, identify_V = charging.charge_limit_V, min(charging.charge_limit_V, IDENTIFY_LIMIT_V)
    may_charge, precharge_only, why_not = True, False, ""
    if not recipe.device:
        if state == "retired":
            raise Refused(f"{cell_id}: is retired on the shelf; nothing is done with it")
        if key == "auto":
            if as_found_V is not None:
                found = classify_as_found(as_found_V)
                if found is not None:
                    window = load_chemistry(found)
                if as_found_V < NICKEL_AS_FOUND_V:  # the lowest plausible limit is that of nickel
                    charging = load_chemistry("nimh")
                    limit_V = identify_V = charging.charge_limit_V
            elif wants_charge:
                may_charge, why_not = False, "its as-found voltage is not on the shelf"
            if found_text := _unknown_text(as_found_V, window):
                warnings.append(found_text)
        if as_found_V is not None:
            verdict = triage(key, as_found_V, declared)
            if not verdict.may_charge:
                may_charge, why_not = False, verdict.reason
            elif by_run and not declared:
                may_charge, why_not = False, "a run identified it, and nobody has declared it rechargeable"
            elif state == "quarantined" and verdict.verdict == "accept":
                may_charge, why_not = False, "it is in quarantine on the shelf; its state comes first"
            elif verdict.verdict == "quarantine" and (key != "auto" or as_found_V >= charging.reject_below_V > 0.0):
                precharge_only = wants_charge
        elif not declared and (key == "auto" or by_run):
            may_charge, why_not = False, why_not or "nobody has declared it rechargeable"
        if key == "auto" and may_charge and as_found_V is not None and as_found_V > limit_V - 0.05:
            may_charge = False
            why_not = f"found at {as_found_V:.3f} V, and an unidentified cell is not charged above {limit_V:.2f} V"
        if not may_charge and not declared and "rechargeable" in why_not:
            why_not += f"; whoever knows that says so by: amphora cell check {cell_id} --rechargeable"
        if must_charge and not may_charge:
            raise Refused(f"{cell_id}: may not be charged by {recipe.name!r}: {why_not}")
        if wants_charge and not may_charge:
            warnings.append(f"the charging part is left out: {why_not}")
        if precharge_only and recipe.name != "charge":
            raise Refused(
                f"{cell_id}: found at {as_found_V:.3f} V, in the quarantine band of {charging.name}: only "
                "the pre-charge of 'charge' is allowed, then days of rest under watch"
            )
        if precharge_only:
            warnings.append(
                "in the quarantine band: this plan does the slow pre-charge and a rest, no more; then 72 h to 14 days "
                "of rest under watch ('retention'), and a new as-found voltage, come before a charge"
            )
    form = str(cell.get("form") or "").lower()
    capacity, source, known = _capacity(cell, form, window, capacity_Ah, warnings)
    most = _most_Ah(form, capacity, capacity_Ah is not None)
    cut = _cutoff(window, cutoff_V)
    return _Context(
        recipe=recipe,
        cell_id=cell_id,
        window=window,
        charging=charging,
        charge_limit_V=limit_V,
        identify_V=identify_V,
        capacity_Ah=capacity,
        capacity_known=known,
        most_Ah=most,
        cutoff_V=cut,
        current_A=current_A,
        may_charge=may_charge,
        leads=str((bench or {}).get("leads", "by hand")),
        attended=attended,
        start=start,
        precharge_only=precharge_only,
        voltage_high_V=max(window.charge_limit_V, window.reject_above_V - 0.05),
        source=source,
        as_found_V=as_found_V,
        key=key,
    )


def _chemistry(cell: Mapping[str, Any], warnings: list[str]) -> tuple[str, bool]:
    """Return the key of the cell's chemistry and whether a run has identified it. Never the 4.35 V class by a run."""
    key = str(cell.get("chemistry") or "auto")
    identified = cell.get("identified")
    found = identified.get("chemistry") if isinstance(identified, Mapping) else None
    if key != "auto" or found not in KEYS or found in ("auto", "li-ion-4.35"):
        return key, False
    warnings.append(f"identified by a run as {load_chemistry(str(found)).name}; that window holds")
    return str(found), True


def _unknown_text(as_found_V: float | None, window: Chemistry) -> str:
    if as_found_V is None:
        return "chemistry and as-found voltage are not known: the most cautious window holds"
    if window.key == "auto":
        return (
            f"not identified: cut-off {window.cutoff_V:g} V, the highest of all that it may be ('identify' tells more)"
        )
    return (
        f"not identified: found at {as_found_V:.3f} V it is discharged inside the window of {window.name}; "
        "that says nothing about charging it ('identify' tells more)"
    )


def _capacity(
    cell: Mapping[str, Any], form: str, window: Chemistry, given_Ah: float | None, warnings: list[str]
) -> tuple[float, str, bool]:
    if given_Ah is not None:
        return given_Ah, "as asked for", True
    claim_Ah = finite_number(cell.get("claim_Ah"))
    most_Ah = MOST_BY_FORM_AH.get(form)
    if claim_Ah is not None and claim_Ah > 0.0:
        if most_Ah is None or claim_Ah <= most_Ah:
            return claim_Ah, "claim on the label", False
        warnings.append(
            f"the label claims {format_quantity(claim_Ah, 'Ah')}, more than a {form} can hold "
            f"(about {format_quantity(most_Ah, 'Ah')}): not believed"
        )
    if window.method == "timed":
        assumed_Ah = ASSUMED_NICKEL_AH.get(form, ASSUMED_NICKEL_OTHER_AH)
    else:
        assumed_Ah = ASSUMED_BY_FORM_AH.get(form, ASSUMED_AH)
    return assumed_Ah, "assumed (common practice)", False


def _most_Ah(form: str, capacity_Ah: float, given: bool) -> float:
    """What such a cell could hold at most."""
    ceiling_Ah = MOST_BY_FORM_AH.get(form)
    if ceiling_Ah is None:
        return max(5.0 * capacity_Ah, 2.0)
    return max(ceiling_Ah, capacity_Ah) if not given else max(min(ceiling_Ah, 2.0 * capacity_Ah), capacity_Ah)


def _cutoff(window: Chemistry, asked_V: float | None) -> float:
    if asked_V is None:
        return window.cutoff_V
    if not window.hard_low_V <= asked_V < window.nominal_V:
        raise InputError(
            f"cut-off {asked_V:.3f} V is outside {window.hard_low_V:.3f} to {window.nominal_V:.3f} V "
            f"(window {window.key}: {window.sources['hard_low_V']})"
        )
    return asked_V


def _flat(steps: tuple[RecipeStep, ...]) -> list[RecipeStep]:
    found: list[RecipeStep] = []
    for step in steps:
        found.append(step)
        found.extend(_flat(step.steps))
    return found


# -- steps ------------------------------------------------------------------------------------------


def _make(context: _Context) -> list[_Draft]:
    """Make all steps, in order, with leads moved between charging and discharging."""
    drafts: list[_Draft] = []
    counter = [0]
    _unroll(context, context.recipe.steps, drafts, None, (), counter)
    drafts = _with_leads(context, drafts)
    _leave_repeats(drafts)
    _expect(context, drafts)
    return drafts


def _applies(context: _Context, step: RecipeStep) -> bool:
    when = step.word("only_when")
    if when in ("cc-cv", "timed") and when != context.charging.method:
        return False
    if when == "capacity unknown" and context.capacity_known:
        return False
    if when == "may be charged" and not context.may_charge:
        return False
    if step.kind == "charge" and not context.recipe.device and not context.may_charge:
        return False
    if context.precharge_only:
        return step.kind == "rest" or (step.kind == "charge" and step.word("current") == "pre-charge")
    return True


def _unroll(
    context: _Context,
    steps: tuple[RecipeStep, ...],
    drafts: list[_Draft],
    leave: int | None,
    inside: tuple[int, ...],
    counter: list[int],
) -> None:
    for step in steps:
        if not _applies(context, step):
            continue
        if step.kind != "repeat":
            drafts.append(dataclasses.replace(_draft(context, step), leave=leave, inside=inside))
            continue
        counter[0] += 1
        number = counter[0]
        for _ in range(step.times):
            _unroll(context, step.steps, drafts, number if step.leave_at_cutoff else leave, (*inside, number), counter)


def _with_leads(context: _Context, drafts: list[_Draft]) -> list[_Draft]:
    """Put a step between a discharge and a charge wherever somebody or a relay has to move the leads."""
    result: list[_Draft] = []
    at = ""
    for draft in drafts:
        if draft.side and at and draft.side != at and not context.recipe.device:
            move = _move(context, draft)
            if move is not None:
                result.append(move)
        at = draft.side or at
        result.append(draft)
    return result


def _move(context: _Context, draft: _Draft) -> _Draft | None:
    position = "charge" if draft.side == "supply" else "discharge"
    if context.leads == "by hand":
        text = f"Move the cell's leads to the {draft.side}: plus to plus. Look at the polarity twice."
        order, most_s, name = Order("ask", text=text), ASK_MOST_S, f"leads to the {draft.side}"
        kind: StepKind = "ask"
    elif context.leads == "relay":
        order, most_s, name = Order("connect", mode=position), CONNECT_S, f"relay to the {draft.side}"
        kind = "rest"
    else:
        return None
    step = Step(
        name=name, kind=kind, segments=(Segment(order, most_s),), ends=(), max_duration_s=most_s,
        time_is_end=kind == "rest", sample_interval_s=1.0, limits=_limits(context), attended=kind == "ask",
        leads="open", expected_duration_s=LEADS_S if kind == "ask" else most_s,
        hours=context.attended if kind == "ask" else None,
    )  # fmt: skip
    return _Draft(step, "", draft.leave, draft.inside)


def _leave_repeats(drafts: list[_Draft]) -> None:
    """Point every discharge of a repeat that is left at the cut-off to the step after the repeat."""
    for index, draft in enumerate(drafts):
        if draft.leave is None or draft.step.kind != "discharge":
            continue
        after = index + 1
        while after < len(drafts) and draft.leave in drafts[after].inside:
            after += 1
        draft.step = dataclasses.replace(draft.step, after_cutoff=after)


def _draft(context: _Context, step: RecipeStep) -> _Draft:
    maker = {
        "rest": _rest, "charge": _charge, "discharge": _discharge, "pulses": _pulses, "sweep": _sweep,
        "log": _log, "ask": _ask,
    }[step.kind]  # fmt: skip
    return maker(context, step)


def _interval(step: RecipeStep, usual_s: float, most_s: float) -> float:
    asked_s = step.number("sample_every")
    if asked_s is None:
        return usual_s
    if not 0.05 <= asked_s <= most_s:
        raise InputError(
            f"{step.where}: sample_every {format_duration(asked_s)} is not accepted; 0.05 s to "
            f"{format_duration(most_s)} is (while anything is energised readings come at least every second)"
        )
    return asked_s


def _bound(context: _Context, step: RecipeStep, window_s: float = 0.0) -> tuple[float, bool]:
    """Return the upper bound in time and whether reaching it is the normal end."""
    duration_s = step.number("duration")
    if duration_s is not None:
        return duration_s, True
    most_s = step.number("at_most")
    if most_s is None:
        if window_s <= 0.0:
            raise InputError(f"{step.where}: at_most = 'window' says nothing for {context.charging.name}")
        most_s = window_s
    return most_s, step.word("normal_end") == "time"


def _limits(context: _Context, **changes: float | None) -> Limits:
    """What holds in any step of a cell: the highest voltage and temperature."""
    window = context.window
    if context.recipe.device:
        return dataclasses.replace(Limits(current_low_A=-DEVICE_LIMIT_A, current_high_A=DEVICE_LIMIT_A), **changes)  # type: ignore[arg-type]
    base = Limits(
        voltage_high_V=context.voltage_high_V,
        current_low_A=0.0,
        current_high_A=0.0,
        temperature_high_degC=window.discharge_high_degC,
        temperature_rate_K_per_min=OTHER_RATE_K_PER_MIN,
    )
    return dataclasses.replace(base, **changes)  # type: ignore[arg-type]


def _current(context: _Context, step: RecipeStep, value: Value, highest_It: float, source: str) -> tuple[float, bool]:
    """Return a current in ampere and whether it is in It of a capacity to be measured."""
    in_It = step.word("it_from") == "measured"
    if value.kind == "parameter":
        parameter = context.recipe.parameters[value.word]
        low_A = _ampere(context, parameter.lowest)
        high_A = _ampere(context, parameter.highest)
        usual_A = min(_ampere(context, parameter.default), highest_It * context.capacity_Ah)
        current_A = usual_A if context.current_A is None else context.current_A
        if not low_A * (1 - 1e-9) <= current_A <= high_A * (1 + 1e-9):
            raise InputError(
                f"{step.where}: current {format_quantity(current_A, 'A')} is outside {format_quantity(low_A, 'A')} to "
                f"{format_quantity(high_A, 'A')}, the range of recipe {context.recipe.name!r} for "
                f"{format_quantity(context.capacity_Ah, 'Ah')}, {context.source}"
            )
    elif value.kind == "rate_It" and in_It:
        current_A = value.number
        if current_A > highest_It:
            raise InputError(f"{step.where}: {current_A:g} It is above {highest_It:g} It ({source})")
        return current_A, True
    else:
        current_A = _ampere(context, value)
    most_A = highest_It * context.capacity_Ah
    if current_A > most_A * (1 + 1e-9):
        raise InputError(
            f"{step.where}: current {format_quantity(current_A, 'A')} is above {format_quantity(most_A, 'A')} "
            f"({highest_It:g} It of {format_quantity(context.capacity_Ah, 'Ah')}; {source})"
        )
    return current_A, False


def _ampere(context: _Context, value: Value) -> float:
    if value.kind != "rate_It":
        return value.number
    return _whole_mA(value.number * context.capacity_Ah)


def _whole_mA(current_A: float) -> float:
    """Return a current in whole milliampere, downwards, as cheap instruments can hold it; a small one as it is."""
    return math.floor(current_A * 1000.0 + 1e-6) / 1000.0 if current_A >= 0.02 else current_A


def _rest(context: _Context, step: RecipeStep) -> _Draft:
    most_s, normal = _bound(context, step)
    made = Step(
        name=step.name, kind="rest", segments=(Segment(Order("off"), most_s),), ends=_ends(context, step, None),
        max_duration_s=most_s, time_is_end=normal, sample_interval_s=_interval(step, REST_INTERVAL_S, 600.0),
        limits=_device_rest(context) if context.recipe.device else _limits(context), leads="open",
        expected_duration_s=most_s,
    )  # fmt: skip
    return _Draft(made, "")


def _device_rest(context: _Context) -> Limits:
    return Limits(current_low_A=-DEVICE_LIMIT_A, current_high_A=DEVICE_LIMIT_A)


def _charge(context: _Context, step: RecipeStep) -> _Draft:
    charging = context.charging
    source = f"window {charging.key}: {charging.sources['max_charge_It']}"
    timed = charging.method == "timed"
    word = step.word("current") if step.values["current"].kind == "word" else ""
    if word:
        level_It = charging.precharge_It if word == "pre-charge" else min(USUAL_CHARGE_It, charging.max_charge_It)
        current_A = _whole_mA(level_It * context.capacity_Ah)
    else:
        current_A, _ = _current(context, step, step.values["current"], charging.max_charge_It, source)
    voltage = step.values["voltage"]
    stop_V = {
        "charge limit": context.charge_limit_V,
        "storage": charging.storage_V,
        "identify": context.identify_V,
    }.get(voltage.word, voltage.number)
    if stop_V > context.charge_limit_V + 1e-9:
        raise InputError(
            f"{step.where}: charge voltage {stop_V:.3f} V is above {context.charge_limit_V:.3f} V "
            f"(window {charging.key}: {charging.sources['charge_limit_V']})"
        )
    held_V = round(stop_V + TIMED_HEADROOM_V, 4) if timed else stop_V
    window_s = charging.precharge_max_s if step.word("current") == "pre-charge" else charging.timed_charge_s
    most_s, normal = _bound(context, step, window_s)
    most_Ah = context.most_Ah * CHARGE_MARGIN
    if not normal:  # the largest cell of the format, and its constant-voltage part
        most_s = min(most_s, most_Ah / current_A * 3600.0 + 5400.0)
    if timed and charging.charge_factor > 0:
        most_Ah = min(most_Ah, 1.05 * charging.charge_factor * context.capacity_Ah)
    order = Order("charge", voltage_V=held_V, current_A=current_A)
    ends = _ends(context, step, current_A, held_V)
    reach_V = None
    if word == "pre-charge" and not normal:  # a cell that does not take it is not charged on
        reach_V = next((end.value for end in ends if end.quantity == "voltage_V"), None)
    limits = Limits(
        voltage_low_V=charging.reject_below_V,
        voltage_high_V=context.charge_limit_V,
        current_low_A=0.0,
        current_high_A=current_A,
        temperature_low_degC=charging.charge_low_degC,
        temperature_high_degC=charging.charge_high_degC,
        temperature_rate_K_per_min=OTHER_RATE_K_PER_MIN if timed else CHARGE_RATE_K_PER_MIN,
        charge_Ah=most_Ah,
        temperature_rise_K=charging.precharge_rise_K if word == "pre-charge" else None,
        reach_V=reach_V,
        reach_within_s=None if reach_V is None else most_s,
    )
    made = Step(
        name=step.name, kind="charge", segments=(Segment(order, most_s),),
        ends=ends, max_duration_s=most_s, time_is_end=normal,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, ENERGISED_INTERVAL_S), limits=limits,
        attended=True, leads="charge", hours=context.attended,
    )  # fmt: skip
    return _Draft(made, "supply", most_current_A=current_A)


def _discharge(context: _Context, step: RecipeStep) -> _Draft:
    window = context.window
    source = f"window {window.key}: {window.sources['max_discharge_It']}"
    in_It = False
    if "current" in step.values:
        level, in_It = _current(context, step, step.values["current"], window.max_discharge_It, source)
        mode, most_A = "current", level
        if in_It:
            most_A = level * max(context.most_Ah, context.capacity_Ah)
    elif "resistance" in step.values:
        mode, level = "resistance", step.values["resistance"].number
        most_A = context.voltage_high_V / level
    else:
        mode, level = "power", step.values["power"].number
        most_A = level / context.cutoff_V
    limit_A = window.max_discharge_It * (context.most_Ah if in_It else context.capacity_Ah)
    if most_A > limit_A * (1 + 1e-9):
        raise InputError(
            f"{step.where}: up to {format_quantity(most_A, 'A')} is above {format_quantity(limit_A, 'A')} "
            f"({window.max_discharge_It:g} It; {source})"
        )
    most_s, normal = _bound(context, step)
    ends = _ends(context, step, None)
    if not any(end.reason == "cutoff" for end in ends):
        cut = End("cutoff", "voltage_V", "<=", context.cutoff_V, "")
        ends = (cut, *ends)
    most_Ah = context.most_Ah * CHARGE_MARGIN
    if not in_It and mode == "current":
        wanted_Ah = min([end.value for end in ends if end.quantity == "charge_Ah"], default=most_Ah)
        most_s = min(most_s, 1.1 * wanted_Ah / level * 3600.0 + 60.0) if not normal else most_s
    limits = _limits(
        context,
        voltage_low_V=window.hard_low_V,
        current_low_A=-most_A,
        temperature_low_degC=window.discharge_low_degC,
        charge_Ah=most_Ah,
    )
    made = Step(
        name=step.name, kind="discharge", segments=(Segment(Order("discharge", mode, level, in_It=in_It), most_s),),
        ends=ends, max_duration_s=most_s, time_is_end=normal,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, ENERGISED_INTERVAL_S), limits=limits,
        leads="discharge", cutoff_V=context.cutoff_V,
    )  # fmt: skip
    return _Draft(made, "load", most_current_A=most_A)


def _pulses(context: _Context, step: RecipeStep) -> _Draft:
    window = context.window
    source = f"window {window.key}: {window.sources['max_discharge_It']}"
    segments: list[Segment] = []
    most_A = 0.0
    before_s = step.number("rest_before") or 0.0
    if before_s > 0.0:
        segments.append(Segment(Order("off"), before_s))
    for _ in range(step.times):
        for level in step.levels:
            value, in_It = _current(context, step, level.current, window.max_discharge_It, source)
            ampere = value * context.most_Ah if in_It else value
            most_A = max(most_A, ampere)
            segments.append(Segment(Order("discharge", "current", value, in_It=in_It), level.duration_s, pulse=True))
            if level.rest_s > 0.0:
                segments.append(Segment(Order("off"), level.rest_s))
    total_s = sum(segment.duration_s for segment in segments)
    bound_s = step.number("at_most")
    if bound_s is not None and bound_s < total_s:
        raise InputError(
            f"{step.where}: takes {format_duration(total_s)}, more than its at_most of {format_duration(bound_s)}"
        )
    made = Step(
        name=step.name, kind="pulses", segments=tuple(segments), ends=(), max_duration_s=total_s + 1.0,
        time_is_end=True, sample_interval_s=_interval(step, PULSE_INTERVAL_S, ENERGISED_INTERVAL_S),
        limits=_limits(
            context, voltage_low_V=window.hard_low_V, current_low_A=-most_A,
            temperature_low_degC=window.discharge_low_degC, charge_Ah=context.most_Ah * CHARGE_MARGIN,
        ),
        leads="discharge", cutoff_V=context.cutoff_V, expected_duration_s=total_s,
    )  # fmt: skip
    return _Draft(made, "load", most_current_A=most_A)


def _sweep(context: _Context, step: RecipeStep) -> _Draft:
    quantity, supply = step.word("quantity"), step.word("with") == "supply"
    if not context.recipe.device:
        raise InputError(f"{step.where}: sweeps a lamp or a panel; a recipe for them says device = true")
    low, high = (_sweep_value(context, step.values[key]) for key in ("from", "to"))
    dwell_s, points = step.values["dwell"].number, step.points
    limit_A = step.number("current") or DEVICE_LIMIT_A
    if limit_A > DEVICE_LIMIT_A:
        raise InputError(f"{step.where}: current {limit_A:g} A is above {DEVICE_LIMIT_A:g} A, the most for a device")
    if supply and max(low, high) > context.charge_limit_V + 1e-9:
        raise InputError(
            f"{step.where}: {max(low, high):.3f} V is above {context.charge_limit_V:.3f} V, what the device's cell "
            f"gives at most (window {context.charging.key})"
        )
    segments = []
    for index in range(points):
        share = index / (points - 1)
        value = low * (high / low) ** share if step.word("spacing") == "ratio" else low + (high - low) * share
        value = round(value, 6)
        order = Order("charge", voltage_V=value, current_A=limit_A) if supply else Order("discharge", quantity, value)
        segments.append(Segment(order, dwell_s))
    total_s = points * dwell_s
    bound_s = step.number("at_most")
    if bound_s is not None and bound_s < total_s:
        raise InputError(
            f"{step.where}: takes {format_duration(total_s)}, more than its at_most of {format_duration(bound_s)}"
        )
    made = Step(
        name=step.name, kind="sweep", segments=tuple(segments), ends=(), max_duration_s=total_s + 1.0, time_is_end=True,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, ENERGISED_INTERVAL_S),
        limits=Limits(
            voltage_high_V=context.charge_limit_V if supply else PANEL_MOST_V,
            current_low_A=0.0 if supply else -DEVICE_LIMIT_A,
            current_high_A=limit_A if supply else 0.0,
        ),
        attended=True, leads="charge" if supply else "discharge", expected_duration_s=total_s,
    )  # fmt: skip
    return _Draft(made, "supply" if supply else "load", most_current_A=limit_A)


def _sweep_value(context: _Context, value: Value) -> float:
    if value.kind != "word":
        return value.number
    if value.word == "below cut-off":
        return BELOW_CUTOFF * context.cutoff_V
    return context.charge_limit_V if value.word == "charge limit" else context.cutoff_V


def _log(context: _Context, step: RecipeStep) -> _Draft:
    most_s, normal = _bound(context, step)
    leads = cast(Literal["open", "discharge", "charge"], step.word("leads") or "open")
    # `connect` and not `off`: a current that flows while logging is nothing wrong
    made = Step(
        name=step.name, kind="log", segments=(Segment(Order("connect", mode=leads), most_s),),
        ends=_ends(context, step, None), max_duration_s=most_s, time_is_end=normal,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, 3600.0),
        limits=_log_limits(context, leads), leads=leads,
        cutoff_V=context.cutoff_V if leads == "discharge" else None, expected_duration_s=None,
    )  # fmt: skip
    return _Draft(made, "", most_current_A=0.0)


def _log_limits(context: _Context, leads: str) -> Limits:
    if context.recipe.device:
        return Limits()
    low_V = context.window.hard_low_V if leads == "discharge" else None
    return _limits(context, voltage_low_V=low_V, current_low_A=-context.window.max_discharge_It * context.most_Ah)


def _ask(context: _Context, step: RecipeStep) -> _Draft:
    most_s = step.values["at_most"].number
    # Where a resistor is put on and taken off by hand, its current flows while the person is asked.
    by_hand = any(one.kind == "log" and one.word("leads") == "discharge" for one in _flat(context.recipe.steps))
    limits = _log_limits(context, "open") if by_hand else _limits(context)
    made = Step(
        name=step.name, kind="ask", segments=(Segment(Order("ask", text=step.text), most_s),), ends=(),
        max_duration_s=most_s, time_is_end=False, sample_interval_s=1.0,
        limits=Limits() if context.recipe.device else limits, attended=True, leads="open",
        expected_duration_s=ASK_S,
    )  # fmt: skip
    return _Draft(made, "")


def _ends(context: _Context, step: RecipeStep, current_A: float | None, held_V: float | None = None) -> tuple[End, ...]:
    """Turn the conditions of a step into ends; the reason says what kind of end it is."""
    charging, window = context.charging, context.window
    ends: list[End] = []
    for key, value in step.conditions.items():
        number = value.number
        if key == "voltage_falls_to":
            number = {"cut-off": context.cutoff_V, "storage": charging.storage_V}.get(value.word, number)
            reason: Literal["cutoff", "taper", "charge", "condition"] = (
                "cutoff" if value.word == "cut-off" else "condition"
            )
            if step.kind == "discharge" and number < window.hard_low_V:
                raise InputError(
                    f"{step.where}: {number:.3f} V is below {window.hard_low_V:.3f} V "
                    f"(window {window.key}: {window.sources['hard_low_V']})"
                )
            ends.append(End(reason, "voltage_V", "<=", number))
        elif key == "voltage_reaches":
            number = {
                "charge limit": context.charge_limit_V, "pre-charge": charging.precharge_below_V,
                "identify": context.identify_V,
            }.get(value.word, number)  # fmt: skip
            if held_V is not None and number > held_V - COARSE_END_V:
                number = held_V - COARSE_END_V
            ends.append(End("condition", "voltage_V", ">=", number))
        elif key == "current_falls_to":
            if value.word == "taper":
                number = charging.taper_It * context.capacity_Ah
                if number <= 0.0:
                    raise InputError(f"{step.where}: {charging.name} has no taper; until wants another condition")
            else:
                number = _ampere(context, value)
            if current_A is not None and number >= current_A:
                number = 0.5 * current_A
            ends.append(End("taper", "current_A", "<=", number))
        elif key == "charge_reaches":
            if value.word == "window":
                number = charging.charge_factor * context.capacity_Ah
            elif value.kind == "ratio":
                number = value.number * context.capacity_Ah
            if number > 0.0:
                ends.append(End("charge", "charge_Ah", ">=", number))
        else:
            ends.append(_other_end(context, step, key, value))
    return tuple(ends)


def _other_end(context: _Context, step: RecipeStep, key: str, value: Value) -> End:
    charging = context.charging
    number = value.number
    quantity: EndQuantity
    at: Literal[">=", "<="] = ">="
    if key == "temperature_reaches":
        quantity = "temperature_degC"
    elif key == "temperature_rises_by":
        quantity = "temperature_rise_K"
        number = charging.charge_rise_K if value.word else number
    elif key == "temperature_rate_reaches":
        quantity = "temperature_rate_K_per_min"
        number = charging.charge_rate_K_per_min if value.word else number
    elif key == "voltage_drops_by":
        quantity = "voltage_drop_V"
    else:
        quantity, at = "voltage_rate_V_per_h", "<="
    if number <= 0.0 and quantity != "temperature_degC":
        raise InputError(f"{step.where}: until.{key} says nothing for {charging.name}; a value above zero is accepted")
    return End("condition", quantity, at, number)


# -- how long ---------------------------------------------------------------------------------------


def _expect(context: _Context, drafts: list[_Draft]) -> None:
    """Fill in how long each step is expected to take, from the capacity assumed."""
    estimate = _Estimate(context.capacity_Ah)
    for draft in drafts:
        step = draft.step
        if any(number in estimate.out for number in draft.inside):
            draft.step = dataclasses.replace(step, expected_duration_s=0.0)
            continue
        seconds = step.expected_duration_s
        if step.kind == "discharge":
            seconds = _expect_discharge(context, draft, estimate)
        elif step.kind == "charge":
            seconds = _expect_charge(context, draft, estimate)
        elif step.kind == "log" and step.cutoff_V is not None:
            seconds = min(step.max_duration_s, 10.0 * 3600.0)
        elif seconds is None:
            seconds = step.max_duration_s
        draft.step = dataclasses.replace(step, expected_duration_s=min(seconds, step.max_duration_s))


def _level_A(context: _Context, order: Order) -> float:
    """Return the mean current of an order, in ampere."""
    value = order.value or 0.0
    if order.mode == "resistance":
        return context.window.nominal_V / value
    if order.mode == "power":
        return value / context.window.nominal_V
    return value * context.capacity_Ah if order.in_It else value


def _expect_discharge(context: _Context, draft: _Draft, estimate: _Estimate) -> float:
    step = draft.step
    current_A = _level_A(context, step.segments[0].order)
    wanted_Ah = min([end.value for end in step.ends if end.quantity == "charge_Ah"], default=math.inf)
    if step.time_is_end:
        wanted_Ah = min(wanted_Ah, current_A * step.max_duration_s / 3600.0)
    to_storage = any(end.quantity == "voltage_V" and end.reason == "condition" for end in step.ends)
    if to_storage:
        wanted_Ah = 0.5 * context.capacity_Ah
    passed_Ah = min(wanted_Ah, estimate.remaining_Ah)
    if passed_Ah < wanted_Ah and draft.leave is not None:
        estimate.out.add(draft.leave)
    estimate.remaining_Ah = max(estimate.remaining_Ah - passed_Ah, 0.0)
    if estimate.remaining_Ah <= 1e-9 and draft.leave is not None:
        estimate.out.add(draft.leave)
    return passed_Ah / current_A * 3600.0


def _expect_charge(context: _Context, draft: _Draft, estimate: _Estimate) -> float:
    step = draft.step
    current_A = step.segments[0].order.current_A or 1.0
    if step.time_is_end:
        factor = context.charging.charge_factor or 1.0
        seconds = min(step.max_duration_s, factor * context.capacity_Ah / current_A * 3600.0)
        estimate.remaining_Ah = context.capacity_Ah
        return seconds
    if not any(end.reason == "taper" for end in step.ends):
        found_V = context.as_found_V
        if found_V is not None and found_V < context.charging.precharge_below_V:
            return step.max_duration_s  # else the supply's own timer, 1.5 times this, would end it
        return 120.0  # a pre-charge is over at once for a cell that is not low
    target_Ah = context.capacity_Ah
    if (step.segments[0].order.voltage_V or 0.0) < context.charge_limit_V - 0.02:
        target_Ah = 0.5 * context.capacity_Ah
    estimate.remaining_Ah = target_Ah
    return target_Ah / current_A * 3600.0 * 1.05 + 2400.0  # the constant-voltage part takes its time


def _current_for(context: _Context, ready_by: datetime, now: datetime | None, asked_A: float | None) -> float:
    """Return the discharge current that is done by a time: the recipe's own, or as much more as it takes."""
    recipe = context.recipe
    if "current" not in recipe.parameters:
        raise InputError(f"{recipe.where}: has no current that may be chosen, so nothing can be done about --ready-by")
    if asked_A is not None:
        raise InputError("--current and --ready-by say the same twice; one of them is accepted")
    if now is None:
        raise InputError("ready-by needs to know what time it is now")
    available_s = (ready_by - now).total_seconds()
    parameter = recipe.parameters["current"]
    low_A, high_A = _ampere(context, parameter.default), _ampere(context, parameter.highest)

    def takes_s(current_A: float) -> float:
        drafts = _make(dataclasses.replace(context, current_A=current_A))
        return sum(draft.step.expected_duration_s or 0.0 for draft in drafts) * READY_MARGIN

    if takes_s(low_A) <= available_s:
        return low_A
    fastest_s = takes_s(high_A)
    if fastest_s > available_s:
        raise InputError(
            f"ready by {ready_by:%H:%M} cannot be done: at {format_quantity(high_A, 'A')}, the most that recipe "
            f"{recipe.name!r} allows for {format_quantity(context.capacity_Ah, 'Ah')}, "
            f"{context.source}, it takes about {format_duration(fastest_s)} and would be ready at "
            f"{now + timedelta(seconds=fastest_s):%H:%M}"
        )
    for _ in range(40):
        middle_A = 0.5 * (low_A + high_A)
        if takes_s(middle_A) <= available_s:
            high_A = middle_A
        else:
            low_A = middle_A
    return min(math.ceil(high_A * 1000.0) / 1000.0, _ampere(context, parameter.highest))


# -- checks against the bench and the person ----------------------------------------------------------


def _check_bench(recipe: Recipe, bench: Mapping[str, Any] | None, drafts: list[_Draft]) -> None:
    if bench is None:
        return
    roles = {str(table.get("role")) for table in bench.get("instruments", {}).values()}
    for draft in drafts:
        if draft.side and draft.side not in roles:
            what = "discharges" if draft.side == "load" else "charges"
            if recipe.device:
                what = "is driven"
            raise InputError(
                f"bench {bench.get('name', 'bench')!r} has no {draft.side}, and step {draft.step.name!r} of "
                f"recipe {recipe.name!r} {what} with one; [instruments.NAME] with role = {draft.side!r} is needed"
                + (", or recipe 'watch-resistor'" if draft.side == "load" and _resistor_ohm(bench) else "")
            )
    if bench.get("leads") == "relay" and "switch" not in roles and len({draft.side for draft in drafts} - {""}) > 1:
        raise InputError(
            f"bench {bench.get('name', 'bench')!r}: leads = 'relay', and there is no instrument with role = 'switch'"
        )


def _abilities(bench: Mapping[str, Any] | None, role: str) -> Any | None:
    """Return the abilities of the first instrument of a role where they are known."""
    if bench is None:
        return None
    known = bench.get("abilities", {})
    for name, table in bench.get("instruments", {}).items():
        if table.get("role") == role:
            return known.get(name)
    return None


def _can(abilities: Any, name: str) -> bool:
    if isinstance(abilities, Mapping):
        return bool(abilities.get(name))
    return bool(getattr(abilities, name, False))


def _check_charging(
    context: _Context,
    bench: Mapping[str, Any] | None,
    attended: tuple[float, float] | None,
    present: bool,
    unattended_ok: bool,
    warnings: list[str],
) -> None:
    name = context.recipe.name
    if present or attended is not None:
        return
    if bench is None:
        warnings.append("charges: somebody has to be there (--present, or --attended with the hours)")
        return
    if not unattended_ok:
        if bench.get("simulated") is True:
            warnings.append("charges; the bench is simulated, on a real one somebody has to be there (--present)")
            return
        raise InputError(
            f"profile {name!r} charges, and nobody is declared to be there: --present, or --attended 18:00-23:00, "
            "is needed (university safety guidance: charging cells are not left alone)"
        )
    abilities = _abilities(bench, "supply")
    if abilities is None:
        warnings.append("charging unattended: the supply's own protections are checked when the run starts")
        return
    missing = [
        text
        for ability, text in (
            ("over_voltage_protection", "over-voltage protection"),
            ("over_current_protection", "over-current protection"),
            ("off_timer", "timer that switches it off"),
        )
        if not _can(abilities, ability)
    ]
    if missing:
        raise InputError(
            f"profile {name!r} may not charge unattended: the supply has no {missing[0]} of its own; somebody has to "
            "be there (--present, or --attended 18:00-23:00)"
        )
    warnings.append("charging with nobody there, as explicitly asked for; the supply guards itself")


def _start_warnings(context: _Context, drafts: list[_Draft], warnings: list[str]) -> None:
    if not context.recipe.device and context.recipe.full_start and context.start == "unknown":
        warnings.append(
            "THE START IS NOT KNOWN TO BE FULL: this measures what is left in the cell, not what it holds; "
            "run 'charge' first, or say --start declared-full"
        )
    if context.recipe.full_start and context.start == "declared-full":
        warnings.append("the start is full by declaration only; the result says so")


def _out_of_sight(context: _Context, bench: Mapping[str, Any] | None) -> list[str]:
    """Return what to say where the load is the cell's voltmeter, and its leads are at the supply during a charge.

    Raises:
        InputError: the bench file says that the load senses at its own terminals: it would charge unseen.
    """
    if bench is None or context.leads != "by hand":
        return []
    tables = bench.get("instruments", {})
    named = (bench.get("cell") or {}).get("voltage")
    if named is None:  # as the bench file is read where it names nobody
        by_role = {one.get("role"): name for name, one in reversed(tables.items())}
        named = by_role.get("meter", by_role.get("load", ""))
    table = tables.get(named, {})
    if table.get("role") != "load" or bench.get("sensed_at") == "cell":
        return []
    if bench.get("sensed_at") == "load":
        raise InputError(
            f"{bench.get('name', 'the bench')}: cell.voltage is {named!r}, which senses at its own terminals "
            "(sensed_at = 'load') and does not see the cell once the leads are moved to the supply; a meter, or sense "
            "wires that stay at the cell (sensed_at = 'cell'), are accepted for a charge"
        )
    return [
        f"the cell's voltage while the leads are at the supply, unless the sense wires of {named} stay at the cell "
        "(then say so: sensed_at = 'cell')"
    ]


def _not_guarded(
    context: _Context, bench: Mapping[str, Any] | None, drafts: list[_Draft], needs_temperature: bool
) -> tuple[list[str], list[str], bool]:
    """Return what the instruments guard by themselves, what they don't, and whether that is known."""
    guarded: list[str] = []
    missing: list[str] = []
    known = True
    sides = {draft.side for draft in drafts}
    logs = any(draft.step.kind == "log" and draft.step.leads == "discharge" for draft in drafts)
    if "load" in sides:
        abilities = _abilities(bench, "load")
        if abilities is None:
            known = False
        else:
            lists = guarded if _can(abilities, "low_voltage_cutoff") else missing
            lists.append("the load's own low-voltage cut-off")
            (guarded if _can(abilities, "over_current_protection") else missing).append("the load's own current limit")
            latches = abilities.get("cutoff_latches") if isinstance(abilities, Mapping) else abilities.cutoff_latches
            if _can(abilities, "low_voltage_cutoff") and latches is not True:
                missing.append(
                    "the load's cut-off does not latch, or nobody knows: it may start again as the cell recovers"
                )
    if "supply" in sides:
        missing += _out_of_sight(context, bench)
        abilities = _abilities(bench, "supply")
        if abilities is None:
            known = False
        else:
            for ability, text in (
                ("over_voltage_protection", "the supply's own over-voltage protection"),
                ("over_current_protection", "the supply's own over-current protection"),
                ("off_timer", "a timer that ends the charge (an armed supply holds its voltage for ever)"),
            ):
                (guarded if _can(abilities, ability) else missing).append(text)
    roles = {str(table.get("role")) for table in (bench or {}).get("instruments", {}).values()}
    if logs and "switch" not in roles:
        missing.append(
            "a plain resistor drains on when the computer stops, and when the cut-off is reached: a relay that "
            "drops out, a protected holder, or somebody there"
        )
    for role in ("load", "supply"):
        abilities = _abilities(bench, role) if role in sides else None
        if abilities is not None:
            off = abilities.get("power_on_off") if isinstance(abilities, Mapping) else abilities.power_on_off
            words = f"the {role}'s outlet after a power cut"
            (guarded if off is True else missing).append(
                f"{words}: off" if off is True else f"{words}: not known to be off"
            )
    sensor = bool((bench or {}).get("cell", {}).get("temperature"))
    if not sensor and not context.recipe.device:
        missing.append("the cell's temperature: the bench has no sensor at the cell; touch it now and then")
    elif logs and "switch" not in roles and not context.recipe.device:
        missing.append(
            "the cell's temperature: it is read and told, and nothing here can take a resistor off; touch the cell now "
            "and then"
        )
    elif needs_temperature and not (bench or {}).get("cell", {}).get("room_temperature"):
        missing.append("the cell against the room: there is no second sensor (cell.room_temperature)")
    return guarded, missing, known


# -- put together ---------------------------------------------------------------------------------------


def _resistor_ohm(bench: Mapping[str, Any] | None) -> float | None:
    """Return the known resistor that a logger reckons the cell's current from; None where there is none.

    Below half an ohm it is a shunt beside whatever draws the current, and says nothing of how much that is.
    """
    instruments = (bench or {}).get("instruments", {})
    named = (bench or {}).get("cell", {}).get("current") or list(instruments)
    for name in [named] if isinstance(named, str) else named:
        written = instruments.get(name, {}).get("shunt")
        if written is None:
            continue
        text = str(written).replace("Ω", "ohm").replace("Ohm", "ohm")
        try:
            ohm = parse(f"{text} ohm" if finite_number(written) is not None else text, "resistance")
        except InputError:
            return None  # the logger says what is wrong with it
        return ohm if ohm >= 0.5 else None
    return None


def fuse_for(most_current_A: float) -> float | None:
    """Return a fuse rating for a largest current: the highest that is sold at or below twice it.

    Source: common practice (a fuse at the cell of one to two times the largest current);
    ratings of the R10 series as in IEC 60127.
    """
    if most_current_A <= 0.0:
        return None
    fitting = [rating for rating in FUSES_A if most_current_A < rating <= 2.0 * most_current_A * (1 + 1e-9)]
    return max(fitting) if fitting else None


def _plan(
    context: _Context,
    bench: Mapping[str, Any] | None,
    drafts: list[_Draft],
    charges: bool,
    warnings: list[str],
) -> Plan:
    recipe, window = context.recipe, context.window
    steps = tuple(draft.step for draft in drafts)
    most_A = max((draft.most_current_A for draft in drafts), default=0.0)
    has_sensor = bool((bench or {}).get("cell", {}).get("temperature"))
    energises = any(draft.side for draft in drafts)
    needs_temperature = has_sensor and energises and not recipe.device
    if context.precharge_only and bench is not None and not has_sensor:
        raise InputError(
            f"{context.cell_id}: a cell of the quarantine band is pre-charged only with a sensor at it, and bench "
            f"{bench.get('name', 'bench')!r} has none; cell.temperature names it in the bench file"
        )
    timed = any(end.quantity.startswith("temperature") for step in steps for end in step.ends)
    if timed and bench is not None and not has_sensor:
        warnings.append(
            "this charge ends by the cell's temperature too, and the bench has no sensor at the cell: only the time, "
            "the charge and the voltage end it"
        )
    clocked = any(step.kind == "charge" and step.time_is_end for step in steps) and context.charging.method == "timed"
    if clocked and not context.capacity_known and recipe.name != "identify":
        warnings.append(
            f"charged by the clock for {format_quantity(context.capacity_Ah, 'Ah')}, {context.source}: a cell "
            "that holds more is NOT full afterwards; give --capacity, from the discharge before it, and charge again"
        )
    found_low_V, found_high_V = _as_found(context, steps, charges)
    warnings.extend(_too_slow(context, drafts))
    guarded, missing, known = _not_guarded(context, bench, drafts, needs_temperature)
    ohm = _resistor_ohm(bench) if any(step.kind == "log" and step.leads == "discharge" for step in steps) else None
    resistor_A = None if ohm is None else context.charge_limit_V / ohm
    fuse_A = fuse_for(most_A or resistor_A or 0.0)
    discharges = [draft for draft in drafts if draft.step.kind == "discharge"]
    notes: dict[str, Any] = {
        "summary": recipe.summary,
        "chemistry_name": window.name,
        "charge_window": context.charging.key,
        "discharge_window": window.key,
        "window": {
            "charge_limit_V": context.charge_limit_V,
            "cutoff_V": context.cutoff_V,
            "hard_low_V": window.hard_low_V,
            "charge_low_degC": context.charging.charge_low_degC,
            "charge_high_degC": context.charging.charge_high_degC,
            "discharge_high_degC": window.discharge_high_degC,
        },
        "window_sources": {
            "charge_limit_V": context.charging.sources["charge_limit_V"],
            "cutoff_V": "as asked for" if context.cutoff_V != window.cutoff_V else window.sources["cutoff_V"],
        },
        "first_leads": next((draft.side for draft in drafts if draft.side), ""),
        "leads": context.leads,
        "fuse_A": fuse_A,
        "resistor_A": resistor_A,
        "by_hand": list(BY_HAND),
        "guarded": guarded,
        "not_guarded": missing,
        "abilities_known": known,
        "expected_s": sum(step.expected_duration_s or 0.0 for step in steps),
        "most_Ah": context.most_Ah,
        "device": recipe.device,
    }
    last = next((draft.step.kind for draft in reversed(drafts) if draft.side), "")
    if last == "discharge" and not recipe.device and window.storage_low_V > context.cutoff_V:
        low_V, high_V = context.charging.storage_low_V, context.charging.storage_high_V
        notes["afterwards"] = (
            f"the cell is left empty: bring it to {low_V:.2f} to {high_V:.2f} V at rest within 24 h ('storage')"
        )
    if discharges and not context.capacity_known:
        notes["assumption"] = (
            f"the capacity is not known, so {format_quantity(context.capacity_Ah, 'Ah')} "
            f"is taken, {context.source}; with half of it the discharge takes half as long, and a cell of "
            f"{format_quantity(context.most_Ah, 'Ah')} takes {context.most_Ah / context.capacity_Ah:.1f} times as long"
        )
    return Plan(
        profile=recipe.name,
        cell_id=context.cell_id,
        chemistry=context.key,
        steps=steps,
        cutoff_V=context.cutoff_V,
        capacity_Ah=context.capacity_Ah,
        capacity_source=str(context.source),
        start=context.start,
        charges=charges,
        max_duration_s=sum(step.max_duration_s for step in steps),
        as_found_low_V=found_low_V,
        as_found_high_V=found_high_V,
        max_current_A=math.ceil(most_A * 1e6 - 1e-3) / 1e6,
        needs_temperature=needs_temperature,
        assumed_resistance_ohm=SAG_OHM,
        warnings=tuple(warnings),
        notes=notes,
    )


def _too_slow(context: _Context, drafts: list[_Draft]) -> list[str]:
    """Say which cells would not be done within the upper bound of a discharge."""
    told = []
    for draft in drafts:
        step, order = draft.step, draft.step.segments[0].order
        if step.kind != "discharge" or step.time_is_end or any(end.reason == "charge" for end in step.ends):
            continue
        within_Ah = _level_A(context, order) * step.max_duration_s / 3600.0
        if within_Ah < context.most_Ah:
            told.append(
                f"step {step.name!r} is bounded to {format_duration(step.max_duration_s)}: a cell that holds more than "
                f"{format_quantity(within_Ah, 'Ah')} is not empty by then, and the run stops"
            )
    return list(dict.fromkeys(told))


def _as_found(context: _Context, steps: tuple[Step, ...], charges: bool) -> tuple[float, float]:
    """Return between which voltages the cell has to be found when the run begins."""
    window, charging = context.window, context.charging
    if context.recipe.device:
        if any(step.kind == "sweep" and step.leads == "charge" for step in steps):
            return -0.05, DEVICE_FOUND_V  # a cell left in the lamp shows
        return -0.05, PANEL_MOST_V
    if charges:
        if context.precharge_only:
            return charging.reject_below_V, charging.reject_above_V
        if charging.key == "auto":
            return charging.quarantine_below_V, context.charge_limit_V
        return charging.quarantine_below_V, charging.reject_above_V
    if any(step.kind in ("discharge", "pulses") for step in steps):
        return context.cutoff_V + EMPTY_HEADROOM_V, window.reject_above_V
    if any(step.kind == "log" for step in steps):
        return context.cutoff_V, window.reject_above_V
    return charging.reject_below_V, max(window.reject_above_V, charging.reject_above_V)
