"""Which of the resistances that a run shows stands for its cell.

A value stands for a cell where it has support: of 20 to 90 % of the charge, or full and named so. One near the empty
end measures the end. So a run that shows none of these has no resistance, and whoever asks says "not measured".
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

LOW_STATE, HIGH_STATE = 0.2, 0.9  # of the cell's charge; below, the resistance climbs towards the empty end


def nearest(items: Sequence[Any]) -> dict[str, Any] | None:
    """Return of several resistances the one nearest to 10 s, then to half charged; None without one above 0."""
    usable = [
        item
        for item in items
        if isinstance(item.get("ohm"), int | float) and item["ohm"] > 0 and math.isfinite(item["ohm"])
    ]
    if not usable:
        return None

    def distance(item: Any) -> tuple[float, float]:
        duration = item.get("duration_s") or 1e-3
        state = item.get("charge_state")
        return (round(abs(math.log(max(duration, 1e-3) / 10.0)), 1), abs((0.0 if state is None else state) - 0.5))

    return dict(min(usable, key=distance))


def supported(result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the resistances of a run that may stand for its cell.

    Args:
        result: What `analyse` answers. A share of what a complete discharge gave is never less than the cell's own
            charge state, so that the empty end is known for one whether or not it began full.
    """
    found = [dict(item) for item in result.get("resistances") or []]
    return [item for item in found if item.get("charge_state") is None or item["charge_state"] >= LOW_STATE]


def chosen_resistance(result: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the resistance that stands for a run: nearest to 10 s, then to half charged; None without support."""
    usable = supported(result)
    inside = [item for item in usable if item.get("charge_state") is None or item["charge_state"] <= HIGH_STATE]
    return nearest(inside) or nearest(usable)


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
    chosen = chosen_resistance(result)
    if chosen is None:
        return None
    known = result.get("start") in ("full", "declared-full") and bool(result.get("complete"))
    return {
        "ohm": chosen["ohm"], "U_ohm": chosen.get("U_ohm"), "duration_s": chosen.get("duration_s"),
        "charge_state": chosen.get("charge_state") if known else None,
        "temperature_degC": result.get("temperature_degC"),
    }  # fmt: skip
