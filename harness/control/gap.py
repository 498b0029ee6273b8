"""How much charge may have passed while nobody looked: a gap in a run, bounded. Pure.

A gap is a suspend, a program that stood still, or the time from the last reading of a run that was cut short
to its resume. Bounds are signed charges, positive into the cell, Ah; times in seconds of the run.
"""

from collections.abc import Sequence
from typing import NamedTuple

from amphora.harness.control.events import Event, GuardStopped, MadeSafe, Unobserved
from amphora.harness.control.step_records import State
from amphora.harness.plans.plan import Order, Plan

ON_SPREAD = 0.05  # of the charge of a gap through which the output was on: nobody measured it
MAYBE_ON = "it may have been on for all of the gap, or for none"


class GapBound(NamedTuple):
    """What can be said of a gap that ends with a resume: since when, the charge, and what is no step's time."""

    from_s: float
    low_Ah: float
    high_Ah: float
    off_for_s: float
    known: str
    on_low_s: float = 0.0  # for how long current flowed for sure
    on_high_s: float = 0.0  # and for how long it may have


class Unacted(NamedTuple):
    """Gaps that no step has counted yet: their charge, and how long of them is no step's time."""

    low_Ah: float
    high_Ah: float
    off_for_s: float


def bound_gap(
    plan: Plan,
    state: State,
    events: Sequence[Event],
    rows: int,
    from_s: float,
    now_s: float,
    still_on: bool,
    now_A: float | None,
) -> GapBound:
    """GapBound the charge since the last reading of a run that was cut short.

    Args:
        plan, state: What was going on, by replay.
        events: The run's events; a `made-safe` after the last reading ends the time under current.
        rows: How many readings there are.
        from_s: The last reading's time, 0 for none.
        now_s: The run's time now.
        still_on: Whether an instrument was found switched on.
        now_A: The current measured now, None where none was.
    """
    gap_s = max(now_s - from_s, 0.0)
    if not state.energised:
        return GapBound(from_s, 0.0, 0.0, gap_s, "nothing was on")
    before_A = state.last_current_A
    if before_A is None:  # ordered, and not seen yet
        before_A = ordered_A(state.order, state.last_voltage_V)
    given_back = time_is_bound_only(plan, state)
    if still_on:
        low_Ah, high_Ah = charge_between(before_A, now_A, gap_s)
        assert low_Ah is not None and high_Ah is not None
        off_for_s = gap_s if given_back else 0.0
        return GapBound(from_s, low_Ah, high_Ah, off_for_s, "the output was on all the time", gap_s, gap_s)
    most_Ah = before_A * (1.0 + ON_SPREAD) / 3600.0
    safe = [event for event in events if isinstance(event, MadeSafe) and event.off is not False]
    if safe and safe[-1].after_row >= rows:
        on_s = min(max(0.0, safe[-1].t_s - from_s), gap_s)
        part_Ah = most_Ah * on_s
        off_for_s = gap_s if given_back else gap_s - on_s
        return GapBound(
            from_s, min(part_Ah, 0.0), max(part_Ah, 0.0), off_for_s, "the outputs were switched off then", 0.0, on_s
        )
    return GapBound(from_s, min(most_Ah * gap_s, 0.0), max(most_Ah * gap_s, 0.0), gap_s, MAYBE_ON, 0.0, gap_s)


def unacted(plan: Plan, state: State, events: Sequence[Event], rows: int) -> Unacted:
    """Return the gaps whose reading the guard stopped at: their charge is not in the state."""
    stopped = {event.after_row - 1 for event in events if isinstance(event, GuardStopped)}
    acted = max((number for number in range(rows) if number not in stopped), default=-1)
    low_Ah = high_Ah = seconds = 0.0
    for event in events:
        if isinstance(event, Unobserved) and event.after_row > acted + (acted < 0):
            low_Ah += event.charge_low_Ah or 0.0
            high_Ah += event.charge_high_Ah or 0.0
            seconds += (event.to_s or 0.0) - (event.from_s or 0.0)
    return Unacted(low_Ah, high_Ah, seconds if time_is_bound_only(plan, state) else 0.0)


def time_is_bound_only(plan: Plan, state: State) -> bool:
    """Whether the time of the step is a bound and not its end: what nobody watched is then given back."""
    if state.plan_step < 0:
        return False
    step = plan.steps[state.plan_step]
    return not step.time_is_end and step.kind != "pulses"


def ordered_A(order: Order, voltage_V: float | None) -> float:
    """Return the most current that an order lets flow, signed."""
    if order.kind == "charge":
        return order.current_A or 0.0
    if order.kind != "discharge" or order.value is None:
        return 0.0
    if order.mode == "current":
        return -order.value
    if voltage_V is None or order.mode == "voltage":
        return 0.0
    return -voltage_V / order.value if order.mode == "resistance" else -order.value / max(voltage_V, 0.1)


def charge_between(before_A: float | None, after_A: float | None, seconds: float) -> tuple[float | None, float | None]:
    """GapBound the charge of a gap in which one order stood: between the currents before and after, and a spread."""
    between = [value for value in (before_A, after_A) if value is not None]
    if not between:
        return None, None
    low_A, high_A = min(between), max(between)
    hours = seconds / 3600.0
    return (low_A - abs(low_A) * ON_SPREAD) * hours, (high_A + abs(high_A) * ON_SPREAD) * hours
