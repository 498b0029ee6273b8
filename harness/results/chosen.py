"""Which of the resistances that a run shows stands for its cell.

A value stands for a cell where it has support: of 20 to 90 % of the charge, or full and named so. One near the empty
end measures the end. So a run that shows none of these has no resistance, and whoever asks says "not measured".
"""

import math
from collections.abc import Sequence

from amphora.harness.results.result import CellResistance, ResistanceValue, Result

LOW_STATE, HIGH_STATE = 0.2, 0.9  # of the cell's charge; below, the resistance climbs towards the empty end


def nearest(items: Sequence[ResistanceValue]) -> ResistanceValue | None:
    """Return of several resistances the one nearest to 10 s, then to half charged; None without one above 0."""
    usable = [item for item in items if item.ohm is not None and item.ohm > 0 and math.isfinite(item.ohm)]
    if not usable:
        return None

    def distance(item: ResistanceValue) -> tuple[float, float]:
        duration, state = item.duration_s or 1e-3, item.charge_state
        return (round(abs(math.log(max(duration, 1e-3) / 10.0)), 1), abs((0.0 if state is None else state) - 0.5))

    return min(usable, key=distance)


def supported(items: Sequence[ResistanceValue]) -> list[ResistanceValue]:
    """Return the resistances that may stand for a cell.

    Args:
        items: Of one run. A share of what a complete discharge gave is never less than the cell's own charge state,
            so that the empty end is known for one whether or not it began full.
    """
    return [item for item in items if item.charge_state is None or item.charge_state >= LOW_STATE]


def chosen_of(items: Sequence[ResistanceValue]) -> ResistanceValue | None:
    """Return the resistance that stands for a run: nearest to 10 s, then to half charged; None without support."""
    usable = supported(items)
    inside = [item for item in usable if item.charge_state is None or item.charge_state <= HIGH_STATE]
    return nearest(inside) or nearest(usable)


def chosen_resistance(result: Result) -> ResistanceValue | None:
    """Return the resistance that stands for a run; None without support."""
    return chosen_of(result.resistances)


def resistance_of_the_cell(result: Result) -> CellResistance | None:
    """Return the resistance that stands for the cell, in ohm, U with k = 2; None where none has support.

    Args:
        result: With `start` as the account of the cell sees it. The charge state is of the cell, 1 full; None where
            the start is not known to be full, or the discharge is not complete.

    Source: values of 20 to 90 % of the charge, or full and named so (LIMITS of this trade: common practice; a pulse
        near the empty end measures the end, not the cell).
    """
    chosen = chosen_resistance(result)
    if chosen is None:
        return None
    known = result.from_full and result.complete
    state = chosen.charge_state if known else None
    return CellResistance(chosen.ohm, chosen.U_ohm, chosen.duration_s, state, result.temperature_degC)
