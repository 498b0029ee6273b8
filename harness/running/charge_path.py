"""What a bench's instruments guard by themselves is armed here, and a charge through a blocking diode is kept safe.

Behind a diode a supply does not see the cell. The drop, 0.2 to 0.7 V, vanishes with the current, so a cell left on it
creeps up to what the supply is set to. Hence: the supply is set to the charge limit and the smallest drop, the one at
the current at which a charge ends, and to no more; its over-voltage protection is armed for that drop; who measures at
the cell is shown to see it before each switching on; and a diode that does not drop what the bench file says ends it.
Volt, ampere.
"""

from collections.abc import Callable, Mapping

from amphora.drivers.errors import InstrumentError
from amphora.harness.bench.opened import Rig
from amphora.harness.plans.plan import Plan

ABOVE_V = 0.05  # a supply's own protection above what it is set to
BOARD_V = 0.025  # of ABOVE_V, what is left to a board that reads low, and as much to a full cell that it reads high
OVER_A = 1.2  # an instrument's own limit of current over the plan's largest
HELD_WITHIN_V = 0.005  # by how much an armed protection may be coarser, where a diode hides the cell
FALLS_V, RISES_V = 0.3, 0.6  # a cell's voltage from the reading before, which may be under current, to one with all off
DROP_SHARE = 0.5  # of the stated drop: a diode that drops less is bridged, or another one than was stated


def arm(rig: Rig, plan: Plan, timer_s: float | None) -> dict[str, dict[str, float]]:
    """Arm load, supply and relay board as far as they can; return what they hold, by name.

    Args:
        rig: The opened bench.
        plan: What is to be done.
        timer_s: For the supply's own timer, s; None: the plan charges nothing.

    Raises:
        DriverError: an instrument does not take it, or charges through a diode without a protection.
    """
    armed: dict[str, dict[str, float]] = {}
    lows = [step.limits.voltage_low_V for step in plan.steps if step.limits.voltage_low_V is not None]
    orders = [segment.order for step in plan.steps for segment in step.segments]
    highs = [order.voltage_V for order in orders if order.kind == "charge" and order.voltage_V is not None]
    most_A = OVER_A * plan.max_current_A or None
    if rig.load is not None and lows:
        armed[rig.load.name] = dict(rig.load.arm_limits(max(lows), most_A))
    if rig.supply is not None and highs:
        over_V = at_supply_V(rig, max(highs)) + ABOVE_V
        held = armed[rig.supply.name] = dict(rig.supply.arm_limits(over_V, most_A, timer_s))
        if rig.description.diode_drop_V and not held.get("over_voltage_V", over_V + 1.0) <= over_V + HELD_WITHIN_V:
            raise InstrumentError(
                f"{rig.supply.name}: charges through a diode, and its own over-voltage protection does not hold "
                f"{over_V:.3f} V or less; a relay in the charge lead in place of the diode is accepted"
            )
    return armed | _arm_relay(rig, plan)


def _arm_relay(rig: Rig, plan: Plan) -> dict[str, dict[str, float]]:
    """Arm a relay board, which opens by itself when this computer is dead; return what it holds."""
    order: Callable[..., Mapping[str, float]] | None = getattr(rig.switch, "arm_limits", None)
    if order is None or rig.switch is None:
        return {}
    limits = [step.limits for step in plan.steps]
    lows = [one.voltage_low_V for one in limits if one.voltage_low_V is not None]
    highs = [one.voltage_high_V for one in limits if one.voltage_high_V is not None]
    colds = [one.temperature_low_degC for one in limits if one.temperature_low_degC is not None]
    warms = [one.temperature_high_degC for one in limits if one.temperature_high_degC is not None]
    sensed = rig.description.cell_temperature is not None  # without a sensor there is nothing to watch
    held = order(
        max(lows, default=plan.cutoff_V - 0.05),
        max(highs, default=plan.as_found_high_V) + above_full_V(rig, max(highs, default=plan.as_found_high_V)),
        max(colds) if colds and sensed else None,
        min(warms) if warms and sensed else None,
        plan.max_duration_s,
    )
    return {rig.switch.name: dict(held)}


def above_full_V(rig: Rig, full_V: float) -> float:
    """Return how far above the plan's highest voltage a relay board is to open, V.

    A full cell stands at that voltage, and the board reads it as high as its own error lets it: armed for that voltage
    it would open at a sound cell. So it opens below what the guard allows (50 mV above) by its own error, and at the
    least 25 mV above: one that may be off by more opens at some full cells, and has to be calibrated.
    """
    told = rig.description.instruments
    port = told.get(rig.switch.name, {}).get("port") if rig.switch is not None else None
    loggers = [name for name, table in told.items() if table["role"] == "logger" and table.get("port") == port]
    own_V = rig.description.voltage_off_V(loggers[0] if loggers else "", full_V)
    return ABOVE_V - BOARD_V if own_V is None else max(BOARD_V, ABOVE_V - own_V)


def at_supply_V(rig: Rig, cell_V: float) -> float:
    """Return what the supply is set to so that the cell gets no more than `cell_V`, V."""
    return cell_V + rig.description.diode_drop_V


def forbids(rig: Rig, plan: Plan, hand_voltage_V: float | None) -> list[str]:
    """Return what forbids a charge through a diode before anything is switched on; nothing without a diode."""
    if not plan.charges or not rig.description.diode_drop_V or rig.supply is None:
        return []
    found = []
    if not rig.supply.abilities.over_voltage_protection:
        found.append(
            f"{rig.supply.name} has no over-voltage protection of its own, and a diode hides the cell from it "
            "(charge_path); a supply that has one is needed, or a relay in place of the diode"
        )
    if hand_voltage_V is None:
        found.append(
            "charges through a diode, so the sense leads are checked by hand before each charge; --hand-voltage, as "
            "read at the cell's own ends, is needed"
        )
    return found


def see_cell(rig: Rig, before_V: float | None) -> None:
    """See, with the outputs off, that who measures at the cell still does, before a charge through a diode begins.

    Raises:
        InstrumentError: it shows something else than at the reading before.
    """
    if not rig.description.diode_drop_V:
        return
    now_V = rig.read(energised=False).voltage_V
    if now_V is None or before_V is None or not -FALLS_V <= now_V - before_V <= RISES_V:
        raise InstrumentError(
            f"{rig.description.cell_voltage}: shows {'nothing' if now_V is None else f'{now_V:.3f} V'} where "
            f"{'nothing' if before_V is None else f'{before_V:.3f} V'} was read: a sense lead is off; nothing is "
            "charged through a diode without it"
        )


def no_drop(rig: Rig, plan: Plan) -> str:
    """Return why the diode is not as the bench file says; "" while it is, or where the last reading tells nothing.

    At the current at which a charge ends, and above it, a diode drops the stated voltage or more; less than half of
    it means that it is bridged, and that the supply is set too high for the cell.
    """
    drop_V, supply = rig.description.diode_drop_V, rig.supply
    if not drop_V or supply is None or supply.name not in rig.answers:
        return ""
    answer, at_cell = rig.answers[supply.name], rig.answers.get(rig.description.cell_voltage, {})
    least_A = max((end.value for step in plan.steps for end in step.ends if end.reason == "taper"), default=0.0)
    try:
        between_V, current_A = answer["voltage_V"] - at_cell["voltage_V"], answer["current_A"]
    except KeyError:
        return ""
    if current_A < least_A or between_V >= DROP_SHARE * drop_V:
        return ""
    return (
        f"{between_V:.3f} V between {supply.name} and the cell at {current_A:.3f} A, and charge_path says {drop_V:g} V "
        "at the least: the diode is bridged, or drops less than stated; measure it with a hand meter"
    )
