"""A run's events as the records that its steps are advanced by, and the fold over them: what a resume is. Pure."""

from collections.abc import Sequence

from amphora.harness.control.events import (
    AttendanceSeen,
    CurrentZero,
    Event,
    FoundTooWarm,
    GuardStopped,
    OrderActed,
    PersonActed,
    PlanBegun,
    RenewalSeen,
    RunResumed,
    SupplyAnswered,
    TimerPaused,
    TimerSetAnew,
    VoltageFell,
)
from amphora.harness.control.step_records import (
    Answered,
    Attendance,
    Begin,
    Fell,
    GoOn,
    Pause,
    Record,
    Renewed,
    Resume,
    Sample,
    Sent,
    State,
    SupplyAsked,
    TooWarm,
    ZeroTaken,
)
from amphora.harness.control.stepping import advance, initial
from amphora.harness.plans.plan import Plan


def record_of(event: Event) -> Record | None:
    """Return the record that an event of the journal stands for, None for one that is a result."""
    t_s = event.t_s
    match event:
        case PlanBegun():
            return Begin(t_s)
        case PersonActed(act="done"):
            return Answered(t_s)
        case AttendanceSeen():
            return Attendance(t_s, event.present)
        case CurrentZero() if event.in_charge_A is not None:
            return ZeroTaken(t_s, event.in_charge_A)
        case SupplyAnswered():
            return SupplyAsked(t_s, event.believed)
        case OrderActed():
            return Sent(event.from_s, event.to_s)
        case RenewalSeen():
            return Renewed(t_s, event.renewed_s)
        case TimerPaused():
            return Pause(t_s, event.text)
        case TimerSetAnew():
            return GoOn(t_s)
        case VoltageFell():
            return Fell(t_s, event.text)
        case FoundTooWarm():
            return TooWarm(t_s, event.below_degC)
        case RunResumed():
            return Resume(t_s, event.off_for_s, event.charge_low_Ah, event.charge_high_Ah)
        case _:
            return None


RESULT_KINDS = frozenset(
    {"step-begun", "step-ended", "pulse-skipped", "paused", "continued", "waiting", "finished", "current-raised"}
)  # what `advance` itself writes


def replay(plan: Plan, events: Sequence[Event], rows: list[Sample]) -> tuple[State, list[Event]]:
    """Fold a run's records; return the last state and the events that `advance` gave.

    Args:
        plan: The plan in run.json.
        events: The events of the journal, in order, each with `after_row`.
        rows: The rows of the journal, in order.
    """
    state = initial(plan)
    told: list[Event] = []
    done = 0
    # The row on which the guard stopped was written down and not acted on.
    stopped = {event.after_row - 1 for event in events if isinstance(event, GuardStopped)}
    for event in events:
        record = record_of(event)
        if record is None:
            continue
        while done < min(event.after_row, len(rows)):
            if done not in stopped:
                state, _, new = advance(plan, state, rows[done])
                told.extend(new)
            done += 1
        state, _, new = advance(plan, state, record)
        told.extend(new)
    while done < len(rows):
        if done not in stopped:
            state, _, new = advance(plan, state, rows[done])
            told.extend(new)
        done += 1
    return state, told
