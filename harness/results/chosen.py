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


LOW_STATE, HIGH_STATE = 0.2, 0.9  # of the cell's charge; below, the resistance climbs towards the empty end


def resistance_of_the_cell(result: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the resistance that stands for the cell, in ohm; None where none has support at its charge state.

    Args:
        result: What `analyse` answers, with `start` as the account of the cell sees it.

    Returns:
        `ohm`, `U_ohm` (k = 2), `duration_s`, `charge_state` (of the cell, 1 full; None where the start is not known to
        be full, or the discharge is not complete), `temperature_degC`.

    Source: values of 20 to 90 % of the charge, or full and named so (LIMITS of this trade: common practice; a pulse
        near the empty end measures the end, not the cell).
    """
    known = result.get("start") in ("full", "declared-full") and bool(result.get("complete"))
    usable = []
    for item in result.get("resistances") or []:
        state = item.get("charge_state") if known else None
        if known and (state is None or state < LOW_STATE):
            continue
        usable.append({**item, "charge_state": state})
    inside = [item for item in usable if item["charge_state"] is None or item["charge_state"] <= HIGH_STATE]
    chosen = chosen_resistance({"resistances": inside}) or chosen_resistance({"resistances": usable})
    if chosen is None:
        return None
    return {
        "ohm": chosen["ohm"], "U_ohm": chosen.get("U_ohm"), "duration_s": chosen.get("duration_s"),
        "charge_state": chosen["charge_state"], "temperature_degC": result.get("temperature_degC"),
    }  # fmt: skip
