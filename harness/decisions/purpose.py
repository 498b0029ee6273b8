"""What settles a night before its cut-off: the limits of the last grade, or what one night of a duty asks for."""

from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.duty import load_duty
from amphora.harness.decisions.grades import key_of
from amphora.harness.decisions.screening_shelf import charge_of_a_night_Ah
from amphora.harness.plans.settled import Settled


def settled_by(cell: Cell, duty_name: str | None) -> Settled:
    """Return what settles a night of a cell.

    Args:
        cell: The cell.
        duty_name: The purpose; None: any grade of the criteria `general`.

    Raises:
        InputError: there is no such duty.
    """
    criteria = load_criteria("general")
    nominal_V = load_chemistry(key_of(None, cell)).nominal_V
    sag = next((one for one in criteria.criteria if one.quantity == "sag"), None)
    worst_ohm = None if sag is None else max(sag.limits.values()) * nominal_V / criteria.load_current_A
    if duty_name is None:
        return Settled("any grade", worst_ohm=worst_ohm)
    duty = load_duty(duty_name)
    rail_V = max((mode.lowest_rail_V for mode in duty.modes), default=None)
    return Settled(duty.name, charge_of_a_night_Ah(duty_name), rail_V, worst_ohm)


__all__ = ["settled_by"]
