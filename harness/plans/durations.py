"""How long the steps of a plan are expected to take, and which current is done by a wanted time. Pure.

From the capacity assumed; no promise, and no limit: those are in the steps as `plans.steps` made them.
"""

import dataclasses
import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from amphora.harness.common.errors import InputError
from amphora.harness.common.quantities import format_duration, format_quantity
from amphora.harness.plans.draft import Context, Draft
from amphora.harness.plans.plan import Order, Plan
from amphora.harness.plans.steps import ampere, drafted

READY_MARGIN = 1.05


@dataclass
class _Estimate:
    """Expected charge in the cell while the steps are gone through."""

    remaining_Ah: float
    emptied: bool = False  # by a discharge: what it was found at says nothing any more
    out: set[int] = field(default_factory=set)  # repeats that are expected to have been left


def make(context: Context) -> list[Draft]:
    """Return all steps, in order, each with how long it is expected to take."""
    drafts = drafted(context)
    _expect(context, drafts)
    return drafts


def expected_s(plan: Plan) -> float:
    """Return how long the plan is expected to take, in second."""
    return sum(step.max_duration_s if step.expected_duration_s is None else step.expected_duration_s
               for step in plan.steps)  # fmt: skip


def _expect(context: Context, drafts: list[Draft]) -> None:
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


def level_A(context: Context, order: Order) -> float:
    """Return the mean current of an order, in ampere."""
    value = order.value or 0.0
    if order.mode == "resistance":
        return context.window.nominal_V / value
    if order.mode == "power":
        return value / context.window.nominal_V
    return value * context.capacity_Ah if order.in_It else value


def _expect_discharge(context: Context, draft: Draft, estimate: _Estimate) -> float:
    step = draft.step
    current_A = level_A(context, step.segments[0].order)
    wanted_Ah = min([end.value for end in step.ends if end.quantity == "charge_Ah"], default=math.inf)
    if step.time_is_end:
        wanted_Ah = min(wanted_Ah, current_A * step.max_duration_s / 3600.0)
    estimate.emptied = True
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


def _expect_charge(context: Context, draft: Draft, estimate: _Estimate) -> float:
    step = draft.step
    current_A = step.segments[0].order.current_A or 1.0
    if step.time_is_end:
        factor = context.charging.charge_factor or 1.0
        seconds = min(step.max_duration_s, factor * context.capacity_Ah / current_A * 3600.0)
        estimate.remaining_Ah = context.capacity_Ah
        return seconds
    if not any(end.reason == "taper" for end in step.ends):
        found_V = context.as_found_V
        if not estimate.emptied and found_V is not None and found_V < context.charging.precharge_below_V:
            return step.max_duration_s  # else the supply's own timer, 1.5 times this, would end it
        return 120.0  # a pre-charge is over at once for a cell that is not low
    target_Ah = context.capacity_Ah
    if (step.segments[0].order.voltage_V or 0.0) < context.charge_limit_V - 0.02:
        target_Ah = 0.5 * context.capacity_Ah
    estimate.remaining_Ah = target_Ah
    later_A, after_Ah = step.later_current_A or current_A, step.later_after_Ah or math.inf
    hours = min(target_Ah, after_Ah) / current_A + max(target_Ah - after_Ah, 0.0) / later_A
    return hours * 3600.0 * 1.05 + 2400.0  # the constant-voltage part takes its time


def current_for(context: Context, ready_by: datetime, now: datetime | None, asked_A: float | None) -> float:
    """Return the discharge current that is done by a time: the recipe's own, or as much more as it takes.

    Raises:
        InputError: there is no such current, or none may be chosen.
    """
    recipe = context.recipe
    if "current" not in recipe.parameters:
        raise InputError(f"{recipe.where}: has no current that may be chosen, so nothing can be done about --ready-by")
    if asked_A is not None:
        raise InputError("--current and --ready-by say the same twice; one of them is accepted")
    if now is None:
        raise InputError("ready-by needs to know what time it is now")
    available_s = (ready_by - now).total_seconds()
    parameter = recipe.parameters["current"]
    low_A, high_A = ampere(context, parameter.default), ampere(context, parameter.highest)

    def takes_s(current_A: float) -> float:
        drafts = make(dataclasses.replace(context, current_A=current_A))
        return sum(draft.step.expected_duration_s or 0.0 for draft in drafts) * READY_MARGIN

    if takes_s(low_A) <= available_s:
        return low_A
    fastest_s = takes_s(high_A)
    if fastest_s > available_s:
        raise InputError(
            f"ready by {ready_by:%H:%M} cannot be done: at {format_quantity(high_A, 'A')}, the most that recipe "
            f"{recipe.name!r} allows for {format_quantity(context.capacity_Ah, 'Ah')}, "
            f"{context.holds.source}, it takes about {format_duration(fastest_s)} and would be ready at "
            f"{now + timedelta(seconds=fastest_s):%H:%M}"
        )
    for _ in range(40):
        middle_A = 0.5 * (low_A + high_A)
        if takes_s(middle_A) <= available_s:
            high_A = middle_A
        else:
            low_A = middle_A
    return min(math.ceil(high_A * 1000.0) / 1000.0, ampere(context, parameter.highest))
