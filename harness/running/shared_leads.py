"""Leads that bays share: shown dead before a relay joins a cell to them, and that it is this cell afterwards.

Break before make: the bay before has opened its relay and its run has ended (it held the shared instrument until
then). That its cell has really left the leads is measured, and waited for where a relay is slow. Leads that stay live
mean a relay that does not open: the whole group stops for good, until a person has put it right. After the join the
leads have to show the voltage that the bay's own meter shows: another one means swapped relays or leads.

A cell at 0 V on a welded relay does not show this way; the fuse at each cell is for that.
"""

from amphora.drivers.errors import InstrumentError
from amphora.drivers.roles import Clock, Instrument
from amphora.harness.bench.bench_file import AGREE_V
from amphora.harness.bench.opened import Rig

DEAD_V = 0.1
DEAD_WITHIN_S = 10.0  # a slow relay, and what a supply's output holds for a while
LOOK_S = 0.5
SHARED_LEADS = "shared leads"  # how each such error begins: whoever runs several bays stops the group


def _who(rig: Rig, role: str) -> Instrument | None:
    """Return who measures the leads that a role's instrument shares; None where it shares none.

    Raises:
        InstrumentError: nothing measures them.
    """
    shares = rig.description.shares
    one = rig.load if role == "load" else rig.supply
    if one is None or one.name not in shares:
        return None
    for name in shares:
        if rig.instruments[name].role == "meter" and name != rig.description.cell_voltage:
            return rig.instruments[name]
    if one.abilities.measures_with_output_off:
        return one
    raise InstrumentError(
        f"{SHARED_LEADS}: nothing measures those of {one.name}; a meter on them, in [shared] and 'shares', is needed"
    )


def _volts(meter: Instrument) -> float:
    value = meter.read().get("voltage_V")
    if value is None:
        raise InstrumentError(f"{SHARED_LEADS}: {meter.name} gives no voltage")
    return value


def show_dead(rig: Rig, role: str, clock: Clock) -> None:
    """See that no cell is on the leads that `role` shares; nothing to do where it shares none.

    Raises:
        InstrumentError: they stay live, or nothing measures them.
    """
    meter = _who(rig, role)
    if meter is None:
        return
    if rig.switch is not None:
        rig.switch.connect("open")
    until_s = clock.now_s() + DEAD_WITHIN_S
    while abs(shown_V := _volts(meter)) >= DEAD_V:
        if clock.now_s() >= until_s:
            raise InstrumentError(
                f"{SHARED_LEADS}: {meter.name} shows {shown_V:.3f} V with all relays open (limit {DEAD_V:g} V): a "
                "relay does not open, or a second cell is on them; these bays stop until a person has looked"
            )
        if rig.switch is not None:
            rig.switch.beat()
        clock.sleep(LOOK_S)


def show_joined(rig: Rig, role: str, clock: Clock) -> None:
    """See that the cell which was joined is the one in this bay; the outputs are still off.

    Raises:
        InstrumentError: the leads show another voltage than the bay's own meter.
    """
    meter = _who(rig, role)
    own = rig.instruments.get(rig.description.cell_voltage_when_off)
    if meter is None or own is None or own is meter:
        return
    until_s = clock.now_s() + DEAD_WITHIN_S
    while True:
        shown_V, own_V = _volts(meter), own.read().get("voltage_V")
        if own_V is not None and abs(shown_V - own_V) <= AGREE_V:
            return
        if clock.now_s() >= until_s:
            break
        if rig.switch is not None:
            rig.switch.beat()
        clock.sleep(LOOK_S)
    if rig.switch is not None:
        rig.switch.connect("open")
    raise InstrumentError(
        f"{SHARED_LEADS}: {meter.name} shows {shown_V:.3f} V where the bay's own {own.name} shows "
        f"{'nothing' if own_V is None else f'{own_V:.3f} V'}: the relays or leads of two bays are swapped, or this "
        "relay does not close; these bays stop until a person has looked"
    )


__all__ = ["SHARED_LEADS", "show_dead", "show_joined"]
