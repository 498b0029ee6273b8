"""Ends a discharge before its cut-off where the outcome is settled for what was asked. Data only; off unless asked for.

A person asks for it (`--stop-when-settled`, with `--for DUTY` for a purpose). It adds ends to the steps of a plan that
discharge to the cut-off; `control.stepping` judges them like every other end, so a resumed run and a replay see the
same. What such a run gives is an "at least", or nothing: never a capacity.
"""

from dataclasses import dataclass, replace

from amphora.harness.common.errors import InputError
from amphora.harness.plans.plan import End, Plan, Step
from amphora.harness.plans.recipe import Recipe, Value

SETTLED = "settled: "  # how the text of such an end begins
RESERVE = 1.25  # of what a purpose takes: a cold night, an older cell (common practice)
RESISTANCE_MARGIN = 1.2  # above the last limit: what a load step may be off by


@dataclass(frozen=True, slots=True)
class Settled:
    """When the outcome is settled.

    purpose: In words: a duty's name, or "any grade". need_Ah: given so much (times `RESERVE`), it is enough. rail_V:
    below it, before that, it is not. worst_ohm: a cell of more cannot reach any grade, or not serve the purpose.
    """

    purpose: str
    need_Ah: float | None = None
    rail_V: float | None = None
    worst_ohm: float | None = None


def with_settled(plan: Plan, settled: Settled) -> Plan:
    """Return the plan with the ends that settle it.

    Args:
        plan: A checked plan.
        settled: When its outcome is settled.

    Raises:
        InputError: it has no discharge to the cut-off that could be ended early, or it charges.
    """
    steps = tuple(_with_ends(step, settled) if _may_end_early(step) else step for step in plan.steps)
    if plan.charges or steps == plan.steps:  # where it is charged afterwards, the discharge has a purpose of its own
        raise InputError(
            f"--stop-when-settled: the recipe {plan.profile} has no discharge to the cut-off that may be ended early"
        )
    notes = replace(plan.notes, stop_when_settled=settled.purpose)
    text = f"it may end before the cut-off, once it is settled for {settled.purpose}: then it gives no capacity"
    return replace(plan, steps=steps, notes=notes, warnings=(*plan.warnings, text))


def may_end_early(recipe: Recipe) -> bool:
    """Tell whether a recipe that charges nothing has a discharge to the cut-off that may be ended early."""
    return not any(step.kind == "charge" for step in recipe.steps) and any(
        step.kind == "discharge" and step.conditions.get("voltage_falls_to", _NONE).word == "cut-off"
        and "charge_reaches" not in step.conditions and "normal_end" not in step.values
        for step in recipe.steps
    )  # fmt: skip


_NONE = Value("word")


def _may_end_early(step: Step) -> bool:
    to_cutoff = any(end.reason == "cutoff" for end in step.ends)
    return step.kind == "discharge" and to_cutoff and all(end.quantity != "charge_Ah" for end in step.ends)


def _with_ends(step: Step, settled: Settled) -> Step:
    ends: list[End] = []
    if settled.worst_ohm is not None:
        most = settled.worst_ohm * RESISTANCE_MARGIN
        text = f"{SETTLED}its load steps show more than {most * 1000:.0f} mΩ: too much for {settled.purpose}"
        ends.append(End("condition", "load_step_ohm", ">=", most, text, finishes=True))
    if settled.rail_V is not None and settled.rail_V > (step.cutoff_V or 0.0):
        fell = f"the voltage fell to {settled.rail_V:g} V, the lowest for {settled.purpose}"
        text = f"{SETTLED}{fell}, before it gave enough"
        ends.append(End("condition", "voltage_V", "<=", settled.rail_V, text, finishes=True))
    if settled.need_Ah is not None:
        enough = settled.need_Ah * RESERVE
        text = f"{SETTLED}it has given {enough * 1000:.0f} mAh: enough for {settled.purpose}"
        ends.append(End("condition", "charge_Ah", ">=", enough, text, finishes=True))
    return replace(step, ends=(*step.ends, *ends))


__all__ = ["RESERVE", "RESISTANCE_MARGIN", "SETTLED", "Settled", "may_end_early", "with_settled"]
