"""A recipe made concrete: for one cell, on one bench, in SI units, checked. Pure.

Puts together what others know: the cell (`permission`), the bench file (`benchneeds`), the steps (`drafting`) and how
long they take (`expecting`). Alone checks that somebody is there while it charges.

Nothing here can exceed the window of the chemistry: a level, voltage or cut-off beyond it is
refused with the step, the value, the limit and where the limit is from. What is assumed (capacity,
charge state at the start) is said in the plan's warnings and notes. What a person has to do and
what no instrument guards stands in `Plan.notes`, which `report.plan_text` prints.

Levels given in It are turned into ampere with the capacity assumed, except those of a second pass
that takes It from the first. Expected ends come from the capacity assumed; latest ends from the
upper bounds in time and from what such a cell could hold at most.
"""

import math
from dataclasses import replace
from datetime import datetime
from typing import cast

from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.common.quantities import format_duration, format_quantity
from amphora.harness.plans.charge_permission import cutoff_of, holds_of, permission
from amphora.harness.plans.draft import ChargeMeter, Context, Draft, Start
from amphora.harness.plans.durations import current_for, level_A, make
from amphora.harness.plans.plan import (
    CellLimits,
    Plan,
    PlanNotes,
    PlanWindow,
    Step,
    USED_HOTTEST_degC,
    WindowSources,
    kind_of,
)
from amphora.harness.plans.recipe import Recipe, load_recipe
from amphora.harness.plans.requirements import (
    abilities_of,
    called,
    charge_meter,
    check_roles,
    check_working_voltage,
    fuse_for,
    has_sensor,
    leads_of,
    not_guarded,
    resistor_ohm,
    sensor_U_K,
)  # fmt: skip
from amphora.harness.plans.steps import PANEL_MOST_V
from amphora.harness.plans.supply_timer import told as timer_told

SAG_OHM = 0.15
EMPTY_HEADROOM_V = 0.01
DEVICE_FOUND_V = 0.5

BY_HAND = (
    "A holder on a surface that cannot burn; nothing that burns within reach of it.",
    "Read voltage and polarity at the cell with a hand meter before anything is connected; type it in with "
    "--hand-voltage. The bench must agree within 50 mV.",
    "Never a swollen, leaking, dented, hot or reversed cell. Swelling, hissing, smell or heat: stop and get out.",
    "Local codes and licensed practice come first; this program replaces neither.",
)
BY_HAND_AT_A_DEVICE = (
    "No cell is in the device, and nothing else is connected to it.",
    "Plus to plus: try the polarity with a hand meter first. Does the device get hot, or smell? Switch off.",
    "Local codes and licensed practice come first; this program replaces neither.",
)


def build_plan(
    profile: str | Recipe,
    cell: Cell,
    bench: BenchDescription | None,
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
    measured_Ah: float | None = None,
    can_take_Ah: float | None = None,
    gave_Ah: float | None = None,
    without_sensor_ok: bool = False,
) -> Plan:
    """Return the checked plan of a recipe for a cell on a bench.

    Args:
        profile: A recipe, its name, or its path.
        cell: As the shelf has it.
        bench: With `abilities` where they are known; None to plan without a bench.
        capacity_Ah: What the cell is taken to hold; None: the claim where it is plausible, else assumed.
        ready_by, now: Aware; choose a discharge current that is done by then.
        attended: Hours of the day, local, in which somebody is there; charging keeps inside them.
        cutoff_V, current_A: In place of the chemistry's and the recipe's own.
        start: `full`, `declared-full` or `unknown`.
        unattended_charging_ok: The explicit yes to charging with nobody there.
        present: Somebody is there for as long as it charges.
        measured_Ah: What a discharge of our own from a full start has given; None: there is none.
        can_take_Ah: What the cell can still take by its account; None: as much as it holds.
        gave_Ah: What an unmeasured nickel cell gave leads to, by its account; None: nothing.
        without_sensor_ok: The explicit yes to charging with no sensor at the cell.

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
    context = _context(
        recipe, cell, bench, capacity_Ah, measured_Ah, can_take_Ah, gave_Ah, cutoff_V, current_A, cast(Start, start),
        attended, warnings,
    )  # fmt: skip
    if current_A is not None and "current" not in recipe.parameters:
        raise InputError(f"{recipe.where}: has no current that may be chosen; leave --current out")
    if ready_by is not None:
        context.current_A = current_for(context, ready_by, now, current_A)
    drafts = make(context)
    charges = any(draft.side == "supply" for draft in drafts) and not recipe.device
    if not drafts:
        raise InputError(f"{recipe.where}: no step of it applies to {context.window.name}")
    check_roles(recipe, bench, [(draft.side, draft.step.name) for draft in drafts])
    if charges:
        # Whoever charges what nobody is sure of has to be there, with a sensor: no option goes round that.
        alone, bare = unattended_charging_ok and not context.staged, without_sensor_ok and not context.staged
        _check_charging(recipe.name, bench, attended, present, alone, warnings)
        _check_sensor(recipe.name, bench, present or attended is not None, bare, warnings)
    if any(draft.step.kind in ("discharge", "pulses") for draft in drafts) and not recipe.device:
        check_working_voltage(bench, context.cutoff_V, context.window.name)
    _start_warnings(context, warnings)
    return _plan(context, bench, drafts, charges, warnings)


def _finite(what: str, value: float | None, unit: str, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise InputError(f"{what} {value:g} {unit} is not accepted; {low:g} to {high:g} {unit} is")


def _context(
    recipe: Recipe,
    cell: Cell,
    bench: BenchDescription | None,
    capacity_Ah: float | None,
    measured_Ah: float | None,
    can_take_Ah: float | None,
    gave_Ah: float | None,
    cutoff_V: float | None,
    current_A: float | None,
    start: Start,
    attended: tuple[float, float] | None,
    warnings: list[str],
) -> Context:
    known = permission(recipe, cell)
    warnings.extend(known.told)
    form = cell.form.lower()
    holds = holds_of(cell, form, known.window, capacity_Ah, measured_Ah, warnings, can_take_Ah, gave_Ah)
    meter_name, meter = charge_meter(bench)
    normal_k = meter.k if meter.distribution == "normal" else 0.0
    return Context(
        recipe=recipe,
        cell_id=cell.id,
        window=known.window,
        charging=known.charging,
        charge_limit_V=known.charge_limit_V,
        identify_V=known.identify_V,
        capacity_Ah=holds.capacity_Ah,
        capacity_known=holds.known,
        most_Ah=holds.most_Ah,
        cutoff_V=cutoff_of(known.window, cutoff_V),
        current_A=current_A,
        may_charge=known.may_charge,
        leads=leads_of(bench),
        attended=attended,
        start=start,
        precharge_only=known.precharge_only,
        voltage_high_V=max(known.window.charge_limit_V, known.window.reject_above_V - 0.05),
        told=warnings,
        holds=holds,
        sensor_U_K=sensor_U_K(bench),
        meter=ChargeMeter(meter.gain, meter.resolution, normal_k, meter_name),
        as_found_V=known.as_found_V,
        key=known.key,
        diode=bench is not None and bench.diode_drop_V > 0.0,
        staged=known.staged,
    )


def _check_charging(
    name: str,
    bench: BenchDescription | None,
    attended: tuple[float, float] | None,
    present: bool,
    unattended_ok: bool,
    warnings: list[str],
) -> None:
    if present or attended is not None:
        return
    if bench is not None and bench.diode_drop_V:
        raise InputError(
            f"recipe {name!r} charges through a diode (charge_path), behind which the supply does not see the cell: "
            "somebody has to be there, whatever else is allowed (--present, or --attended 18:00-23:00)"
        )
    if bench is None:
        warnings.append("charges: somebody has to be there (--present, or --attended with the hours)")
        return
    if not unattended_ok:
        if bench.simulated:
            warnings.append("charges; the bench is simulated, on a real one somebody has to be there (--present)")
            return
        raise InputError(
            f"recipe {name!r} charges, and nobody is declared to be there: --present, or --attended 18:00-23:00, "
            "is needed (university safety guidance: charging cells are not left alone)"
        )
    abilities = abilities_of(bench, "supply")
    if abilities is None:
        warnings.append("charging unattended: the supply's own protections are checked when the run starts")
        return
    missing = [
        text
        for able, text in (
            (abilities.over_voltage_protection, "over-voltage protection"),
            (abilities.over_current_protection, "over-current protection"),
            (abilities.off_timer, "timer that switches it off"),
        )
        if not able
    ]
    if missing:
        raise InputError(
            f"recipe {name!r} may not charge unattended: the supply has no {missing[0]} of its own; somebody has to "
            "be there (--present, or --attended 18:00-23:00)"
        )
    warnings.append("charging with nobody there, as explicitly asked for; the supply guards itself")


def _check_sensor(
    name: str, bench: BenchDescription | None, attended: bool, without_ok: bool, warnings: list[str]
) -> None:
    """Ask for a sensor at the cell of whoever charges, or for the word of a person who knows what that means.

    Raises:
        InputError: there is neither.
    """
    if bench is None or has_sensor(bench):
        return
    where = called(bench)
    if not without_ok:
        raise InputError(
            f"recipe {name!r} charges, and {where} has no temperature sensor at the cell (cell.temperature): a short "
            "inside warms a cell long before its voltage tells; a sensor is needed, or --charge-without-sensor from "
            "somebody who stays and touches the cell"
        )
    if not attended:
        raise InputError(
            f"recipe {name!r} may not charge unattended: {where} has no temperature sensor at the cell; somebody has "
            "to be there (--present, or --attended 18:00-23:00)"
        )
    warnings.append(
        "CHARGES WITHOUT A SENSOR AT THE CELL, as explicitly asked for: nothing here sees in time that a cell heats "
        "up. Stay within reach, touch the cell every few minutes, and end the run when it is warm"
    )


def _start_warnings(context: Context, warnings: list[str]) -> None:
    if not context.recipe.device and context.recipe.full_start and context.start == "unknown":
        warnings.append(
            "THE START IS NOT KNOWN TO BE FULL: this measures what is left in the cell, not what it holds; "
            "run 'charge' first, or say --start declared-full"
        )
    if context.recipe.full_start and context.start == "declared-full":
        warnings.append("the start is full by declaration only; the result says so")


def _plan(
    context: Context,
    bench: BenchDescription | None,
    drafts: list[Draft],
    charges: bool,
    warnings: list[str],
) -> Plan:
    recipe = context.recipe
    steps = tuple(draft.step for draft in drafts)
    most_A = max((draft.most_current_A for draft in drafts), default=0.0)
    sensor = has_sensor(bench)
    energises = any(draft.side for draft in drafts)
    needs_temperature = sensor and energises and not recipe.device
    if context.precharge_only and bench is not None and not sensor:
        raise InputError(
            f"{context.cell_id}: a cell of the quarantine band is pre-charged only with a sensor at it, and "
            f"{called(bench)} has none; cell.temperature names it in the bench file"
        )
    warnings.extend(_ends_told(context, steps, bench is None or sensor))
    found_low_V, found_high_V = _as_found(context, steps, charges)
    warnings.extend(_too_slow(context, drafts))
    notes = _notes(context, bench, drafts, needs_temperature)
    plan = Plan(
        profile=recipe.name,
        cell_id=context.cell_id,
        chemistry=context.key,
        steps=steps,
        cutoff_V=context.cutoff_V,
        capacity_Ah=context.capacity_Ah,
        capacity_source=context.holds.source,
        it_from=context.holds.it_from,
        start=context.start,
        charges=charges,
        max_duration_s=sum(step.max_duration_s for step in steps),
        as_found_low_V=found_low_V,
        as_found_high_V=found_high_V,
        max_current_A=math.ceil(most_A * 1e6 - 1e-3) / 1e6,
        needs_temperature=needs_temperature,
        assumed_resistance_ohm=SAG_OHM,
        warnings=tuple(dict.fromkeys(warnings)),
        notes=notes,
        cell=None if recipe.device else _cell_limits(context),
    )
    abilities = abilities_of(bench, "supply")
    if charges and abilities is not None and abilities.off_timer:
        return replace(plan, notes=replace(notes, timer=timer_told(plan, abilities.off_timer_renewable)))
    return plan


def _cell_limits(context: Context) -> CellLimits:
    """What the guard holds the cell itself to, in every step and rest, whatever the recipe says."""
    window, charging = context.window, context.charging
    return CellLimits(
        kind=kind_of(context.key if context.key != "auto" else charging.key),
        floor_V=window.hard_low_V,
        hottest_degC=min(USED_HOTTEST_degC, window.discharge_high_degC),
        precharge_below_V=charging.precharge_below_V,
        precharge_A=charging.precharge_It * context.capacity_Ah,
        charge_limit_V=context.charge_limit_V,
        charge_low_degC=charging.charge_low_degC,
    )


def _ends_told(context: Context, steps: tuple[Step, ...], sensed: bool) -> list[str]:
    """Say what the ends of a charge are worth where there is no sensor, or the capacity is not known."""
    told: list[str] = []
    timed = any(end.quantity.startswith("temperature") for step in steps for end in step.ends)
    if timed and not sensed:
        told.append(
            "this charge ends by the cell's temperature too, and the bench has no sensor at the cell: only the time, "
            "the charge and the voltage end it"
        )
    clocked = any(step.kind == "charge" and step.time_is_end for step in steps) and context.charging.method == "timed"
    if clocked and not context.capacity_known and context.recipe.name != "identify":
        told.append(
            f"charged by the clock for {format_quantity(context.capacity_Ah, 'Ah')}, {context.holds.source}: a cell "
            "that holds more is NOT full afterwards; give --capacity, from the discharge before it, and charge again"
        )
    return told


def _notes(context: Context, bench: BenchDescription | None, drafts: list[Draft], needs_temperature: bool) -> PlanNotes:
    """Return what a person has to know and do, and what no instrument guards."""
    recipe, window, charging = context.recipe, context.window, context.charging
    steps = [draft.step for draft in drafts]
    most_A = max((draft.most_current_A for draft in drafts), default=0.0)
    resistor = any(step.kind == "log" and step.leads == "discharge" for step in steps)
    guarding = not_guarded(
        bench, {draft.side for draft in drafts}, resistor=resistor, device=recipe.device,
        needs_temperature=needs_temperature,
    )  # fmt: skip
    ohm = resistor_ohm(bench) if resistor else None
    resistor_A = None if ohm is None else context.charge_limit_V / ohm
    asked = context.cutoff_V != window.cutoff_V
    return PlanNotes(
        summary=recipe.summary,
        chemistry_name=window.name,
        charge_window=charging.key,
        discharge_window=window.key,
        window=PlanWindow(
            charge_limit_V=context.charge_limit_V,
            cutoff_V=context.cutoff_V,
            hard_low_V=window.hard_low_V,
            charge_low_degC=charging.charge_low_degC,
            charge_high_degC=charging.charge_high_degC,
            discharge_high_degC=window.discharge_high_degC,
        ),
        window_sources=WindowSources(
            charging.sources["charge_limit_V"], "as asked for" if asked else window.sources["cutoff_V"]
        ),
        first_leads=next((draft.side for draft in drafts if draft.side), ""),
        leads=context.leads,
        fuse_A=fuse_for(most_A or resistor_A or 0.0),
        resistor_A=resistor_A,
        by_hand=BY_HAND_AT_A_DEVICE if recipe.device else BY_HAND,
        guarded=guarding.guarded,
        not_guarded=guarding.missing,
        abilities_known=guarding.known,
        expected_s=sum(step.expected_duration_s or 0.0 for step in steps),
        most_Ah=context.most_Ah,
        device=recipe.device,
        it_from=context.holds.it_from,
        afterwards=_afterwards(context, drafts),
        assumption=_assumption(context) if any(step.kind == "discharge" for step in steps) else None,
    )


def _afterwards(context: Context, drafts: list[Draft]) -> str | None:
    """Say what has to follow where the cell is left empty."""
    window, charging = context.window, context.charging
    last = next((draft.step.kind for draft in reversed(drafts) if draft.side), "")
    if last != "discharge" or context.recipe.device or window.storage_low_V <= context.cutoff_V:
        return None
    low_V, high_V = charging.storage_low_V, charging.storage_high_V
    return f"the cell is left empty: bring it to {low_V:.2f} to {high_V:.2f} V at rest within 24 h ('storage')"


def _assumption(context: Context) -> str | None:
    """Say what was taken for the capacity of a cell that nobody has measured."""
    if context.capacity_known:
        return None
    return (
        f"the capacity is not known, so {format_quantity(context.capacity_Ah, 'Ah')} "
        f"is taken, {context.holds.source}; with half of it the discharge takes half as long, and a cell of "
        f"{format_quantity(context.most_Ah, 'Ah')} takes {context.most_Ah / context.capacity_Ah:.1f} times as long"
    )


def _too_slow(context: Context, drafts: list[Draft]) -> list[str]:
    """Say which cells would not be done within the upper bound of a discharge."""
    told = []
    for draft in drafts:
        step, order = draft.step, draft.step.segments[0].order
        if step.kind != "discharge" or step.time_is_end or any(end.reason == "charge" for end in step.ends):
            continue
        within_Ah = level_A(context, order) * step.max_duration_s / 3600.0
        if within_Ah < context.most_Ah:
            told.append(
                f"step {step.name!r} is bounded to {format_duration(step.max_duration_s)}: a cell that holds more than "
                f"{format_quantity(within_Ah, 'Ah')} is not empty by then, and the run stops"
            )
    return list(dict.fromkeys(told))


def _as_found(context: Context, steps: tuple[Step, ...], charges: bool) -> tuple[float, float]:
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
