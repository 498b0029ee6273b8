"""Says of a run that was ended early, because its outcome was settled, that it gives no capacity."""

from collections.abc import Iterable, Mapping
from typing import Any

from amphora.harness.analysis.warnings import Warning_
from amphora.harness.plans.settled import SETTLED

CODE = "settled-early"


def settled_told(events: Iterable[Mapping[str, Any]]) -> list[Warning_]:
    """Return the warning of a run whose discharge was ended because its outcome was settled; else nothing."""
    for event in events:
        text = str(event.get("text", ""))
        if event["kind"] == "step-ended" and event.get("reason") == "condition" and text.startswith(SETTLED):
            said = text.removeprefix(SETTLED)
            return [Warning_(CODE, f"Ended early as asked: {said}. What it gave is an 'at least', no capacity.")]
    return []


__all__ = ["CODE", "settled_told"]
