"""Says of a run that was ended early, because its outcome was settled, that it gives no capacity."""

from collections.abc import Iterable

from amphora.harness.analysis.warnings import Warning_
from amphora.harness.control.events import Event, StepEnded
from amphora.harness.plans.settled import SETTLED

CODE = "settled-early"


def settled_told(events: Iterable[Event]) -> list[Warning_]:
    """Return the warning of a run whose discharge was ended because its outcome was settled; else nothing."""
    for event in events:
        if isinstance(event, StepEnded) and event.reason == "condition" and event.text.startswith(SETTLED):
            said = event.text.removeprefix(SETTLED)
            return [Warning_(CODE, f"Ended early as asked: {said}. What it gave is an 'at least', no capacity.")]
    return []


__all__ = ["CODE", "settled_told"]
