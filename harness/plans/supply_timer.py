"""For how long a supply's own timer is set: what ends a charge when the computer is dead. Pure. Seconds.

A timer that can be set anew under load is a dead-man: half an hour ahead, renewed every ten minutes. Any other is set
to 1.5 times what the charge is expected to take, and a charge that outlives it is paused with outputs off, and goes on.
"""

from amphora.harness.plans.plan import Plan

FACTOR = 1.5
AHEAD_S = 1800.0
RENEW_S = 600.0
LEAST_S = 600.0  # a pre-charge may be over at once, or not
BEFORE_S = 60.0  # so long before it runs out a charge is paused


def armed_for_s(plan: Plan, index: int, renewable: bool) -> float | None:
    """Return what to set the timer to for the charge at or after a step of the plan; None: it has no charge.

    Steps of charge that follow one another are one charge: the output stays on between them.
    """
    steps = plan.steps
    while index < len(steps) and not _charges(plan, index):
        index += 1
    if index == len(steps):
        return None
    if renewable:
        return AHEAD_S
    seconds = 0.0
    while index < len(steps) and _charges(plan, index):
        step = steps[index]
        seconds += min(step.max_duration_s, FACTOR * (step.expected_duration_s or step.max_duration_s))
        index += 1
    return max(seconds, LEAST_S)


def _charges(plan: Plan, index: int) -> bool:
    return any(segment.order.kind == "charge" for segment in plan.steps[index].segments)


def before_s(timer_s: float, max_gap_s: float) -> float:
    """Return how long before a timer runs out the charge is paused: so that the program is first."""
    return min(max(BEFORE_S, 3.0 * max_gap_s), 0.2 * timer_s)


def renew_due(since_s: float, timer_s: float) -> bool:
    """Return whether a timer that was set so long ago is to be set anew."""
    return since_s >= min(RENEW_S, timer_s / 3.0)


def told(plan: Plan, renewable: bool) -> str:
    """Return what the plan says of the timer; "" where the plan charges nothing."""
    from amphora.harness.common.quantities import format_duration

    seconds = armed_for_s(plan, 0, renewable)
    if seconds is None:
        return ""
    if renewable:
        return (
            f"the supply's own timer ends the charge {format_duration(AHEAD_S)} after this computer has died; it is "
            f"set anew every {format_duration(RENEW_S)}"
        )
    return (
        f"the supply's own timer is set to {format_duration(seconds)}, 1.5 times what is expected; a charge that takes "
        "longer is paused with outputs off, and goes on"
    )
