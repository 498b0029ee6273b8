"""Did a charge end full? One answer, for the plan of the next run and for the account alike. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from amphora.harness.control.events import Event, StepBegun, StepEnded
from amphora.harness.plans.charge_permission import is_a_guess

NICKEL = ("nimh", "nicd")
NOT_TO_FULL = ("storage", "identify")
UNKNOWN = "auto"
FALLS, WARMS = "voltage_drop_V", "temperature_"  # how the text of such an end begins


def emptied_before(events: Sequence[Event], ended: StepEnded) -> bool:
    """Tell whether a discharge of the same run went to its cut-off before a step ended."""
    kinds = {event.step: event.step_kind for event in events if isinstance(event, StepBegun)}
    return any(
        event.reason == "cutoff" and kinds.get(event.step) == "discharge"
        for event in events
        if isinstance(event, StepEnded) and event is not ended and event.t_s <= ended.t_s
    )


def ended_full(run: Mapping[str, Any], ended: StepEnded, emptied: bool) -> bool:
    """Tell whether a charge step ended full: by its taper; nickel by its own end, after a discharge to empty.

    Of nickel a fall of the voltage tells by itself. By the clock, by charge, by warming or its rate it is full only
    where what it holds was measured, or given by a person: for a guess nobody knows whether that was enough, and at
    0.1 It a short or the room warms as much. A charge that met its highest voltage is not full: a dry cell does so.
    No charge of an unidentified cell is full, for it goes to 3.60 V.

    Args:
        run: The run's record, with its plan.
        ended: The end of the charge step.
        emptied: A discharge of the same run went to its cut-off before.

    Source: IEC 61951-2, 7.3 (emptied first, then 16 h at 0.1 It); the other ends are common practice.
    """
    if run.get("profile") in NOT_TO_FULL:
        return False
    plan = run.get("plan") or {}
    chemistry = str(plan.get("chemistry", ""))
    if ended.reason == "taper":
        return chemistry != UNKNOWN
    if chemistry not in NICKEL or not emptied:
        return False
    if ended.reason == "condition" and ended.text.startswith(FALLS):
        return True
    if is_a_guess(str(plan.get("capacity_source", "assumed"))):
        return False
    warms = ended.reason == "condition" and ended.text.startswith(WARMS)
    return warms or ended.reason in ("time", "charge")
