"""Which of the resistances that a run shows stands for its cell."""

import math
from collections.abc import Mapping
from typing import Any


def chosen_resistance(result: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the resistance that stands for a run: nearest to 10 s, then nearest to half charged; None without one."""
    usable = [
        item
        for item in result.get("resistances") or []
        if isinstance(item.get("ohm"), int | float) and item["ohm"] > 0 and math.isfinite(item["ohm"])
    ]
    if not usable:
        return None

    def distance(item: Any) -> tuple[float, float]:
        duration = item.get("duration_s") or 1e-3
        state = item.get("charge_state")
        return (round(abs(math.log(max(duration, 1e-3) / 10.0)), 1), abs((0.0 if state is None else state) - 0.5))

    return dict(min(usable, key=distance))
