"""Orders to the instruments of a run, and its records: the only place that lets current flow.

Orders that energise are recorded first and sent after; orders that make safe are sent first and recorded after, so
that a full disk never delays OFF.
"""

import contextlib
import dataclasses
from dataclasses import dataclass
from typing import Literal, cast

from amphora.drivers.errors import DriverError, IdentityError
from amphora.drivers.roles import Position
from amphora.harness.bench.opened import Rig
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import BenchError
from amphora.harness.common.quantities import format_duration
from amphora.harness.control import guard
from amphora.harness.control.events import (
    Event,
    Finished,
    FoundTooWarm,
    InstrumentTrouble,
    MadeSafe,
    OrderActed,
    OrderGiven,
    OrderRefused,
    PlanBegun,
)
from amphora.harness.control.replay import record_of
from amphora.harness.control.stepping import advance
from amphora.harness.plans.plan import Order
from amphora.harness.running.charge_path import arm, at_supply_V, see_cell
from amphora.harness.running.heartbeat import Heartbeat
from amphora.harness.running.own_protections import SupplyTimer
from amphora.harness.running.people import People
from amphora.harness.running.run_so_far import RunSoFar, Stop
from amphora.harness.running.shared_leads import show_dead, show_joined
from amphora.harness.running.switch_off import make_all_safe, off_limit_A
from amphora.harness.running.zero_rest import ZeroRest

WARM_MOST_S = 2 * 3600.0  # a cell that is too warm to be charged is waited for: by then it has the room's temperature


@dataclass
class Orders:
    """Records what happens, advances the plan by it, and carries out what the plan orders."""

    so_far: RunSoFar
    rig: Rig
    people: People
    heartbeat: Heartbeat
    timer: SupplyTimer
    zero: ZeroRest
    touched: bool = False  # whether anything may be on because of this run
    on: str = ""  # "load", "supply": who lets current flow by order; "" when all is off

    # -- records --------------------------------------------------------------------------------

    def record(self, event: Event) -> None:
        """Write an event that is a record, advance by it, and carry out what follows.

        Raises:
            Stop, DriverError, OSError: as `carry_out`.
        """
        so_far = self.so_far
        t_s = round(so_far.now_s(), 4)
        so_far.event(event, t_s)
        if isinstance(event, PlanBegun):
            so_far.last_reading_s = t_s
        record = record_of(dataclasses.replace(event, t_s=t_s))
        assert record is not None
        so_far.state, orders, events = advance(so_far.plan, so_far.state, record)
        self.carry_out(orders, events, t_s)

    def carry_out(self, orders: tuple[Order, ...], events: tuple[Event, ...], t_s: float) -> None:
        """Carry out what a record led to: its orders and its events.

        Raises:
            Stop: an order is forbidden, or an output does not go off.
            DriverError: an instrument is in trouble.
            OSError: the folder cannot be written.
        """
        # Safe first: an order that switches off does not wait for the disk.
        so_far = self.so_far
        acted: tuple[float, float] | None = None
        for order in orders:
            if order.kind == "off":
                from_s = so_far.now_s()
                self.order_off()
                acted = self._interval_since(from_s)
        for event in events:
            so_far.event(event, t_s)
            if isinstance(event, Finished):
                so_far.finish_text = event.text
        if self.zero.zeros is not None and any(order.kind != "off" for order in orders):
            self.zero.take()
        for order in orders:
            if order.kind == "off":
                so_far.event(OrderGiven(order, *(acted or ())))
            else:
                self._order(order)

    # -- orders that energise or ask ------------------------------------------------------------

    def _order(self, order: Order) -> None:
        """Record an order that energises or asks, then send it; once more through a reopened link."""
        so_far = self.so_far
        forbidden = guard.forbids(so_far.watch(), so_far.step.limits, so_far.degC, order)
        if forbidden is not None:
            so_far.event(OrderRefused(*forbidden))
            if forbidden.check == "too-warm" and order.kind == "charge":
                most = format_duration(WARM_MOST_S)
                text = f"{forbidden.text}. The charge begins by itself once it is cooler"
                self.people.say(f"! {text}. After {most} the run ends")
                assert forbidden.limit is not None
                self.record(FoundTooWarm(forbidden.limit))
                return
            raise Stop(f"guard:{forbidden.check}", f"{so_far.plan.cell_id}: {forbidden.text}")
        so_far.event(OrderGiven(order))
        try:
            self._send_timed(order)
        except DriverError as error:
            if isinstance(error, IdentityError):
                raise
            so_far.event(InstrumentTrouble(str(error)))
            self.make_safe()
            for instrument in self.rig.instruments.values():
                self.heartbeat.beat()
                instrument.reopen()
            so_far.event(OrderGiven(order))
            self._send_timed(order)

    def _interval_since(self, from_s: float) -> tuple[float, float] | None:
        """Return the interval in which an order acted, to be recorded; None where it took no time."""
        to_s = self.so_far.now_s()
        return (round(from_s, 4), round(to_s, 4)) if to_s - from_s >= 1e-4 else None

    def _send_timed(self, order: Order) -> None:
        """Send an order that energises, and record the interval in which it acted where that took time."""
        from_s = self._send(order)
        acted = None if from_s is None else self._interval_since(from_s)
        if acted is not None:
            self.record(OrderActed(*acted))

    def _send(self, order: Order) -> float | None:
        """Send an order; return the moment before which no change of the current can have been, None where none is."""
        if order.kind == "discharge":
            return self._discharge(order)
        if order.kind == "charge":
            return self._charge(order)
        if order.kind == "connect":
            if self.rig.switch is not None:
                self.rig.switch.connect(cast(Position, order.mode))
        elif order.kind == "ask":
            self.people.person.ask(order.text, order.act)
            self.people.called_s = self.so_far.now_s()
            self.people.call("person", order.text)
        return None

    def _discharge(self, order: Order) -> float:
        rig = self.rig
        if rig.load is None:
            raise BenchError(f"{rig.description.name}: has no load to discharge with")
        if rig.supply is not None and self.on != "load":
            rig.supply.set_output(False)
        self._join("load", "discharge")
        assert order.value is not None
        from_s = self.so_far.now_s()
        rig.load.set_discharge(order.mode, order.value)  # type: ignore[arg-type]
        if self.on != "load":
            from_s = self.so_far.now_s()  # nothing flowed before
            rig.load.set_input(True)
        self._set_on("load")
        return from_s

    def _charge(self, order: Order) -> float:
        rig = self.rig
        if rig.supply is None:
            raise BenchError(f"{rig.description.name}: has no supply to charge with")
        if rig.load is not None and self.on != "supply":
            rig.load.set_input(False)
        self._join("supply", "charge")
        assert order.voltage_V is not None and order.current_A is not None
        if self.on != "supply":
            own_V = self.so_far.state.last_voltage_V
            see_cell(rig, own_V)
            rig.supply.set_voltage(order.voltage_V if own_V is None else min(max(own_V, 0.0), order.voltage_V))
            rig.supply.set_current_limit(order.current_A)
            self.timer.set()
            from_s = self.so_far.now_s()
            rig.supply.set_output(True)
        else:
            from_s = self.so_far.now_s()
            rig.supply.set_current_limit(order.current_A)
        rig.supply.set_voltage(at_supply_V(rig, order.voltage_V))
        self._set_on("supply")
        return from_s

    def _join(self, role: Literal["load", "supply"], position: Position) -> None:
        """Have the relay join the cell to who is to be switched on next, where it is not yet."""
        rig = self.rig
        if self.on == role or rig.switch is None:
            return
        self.heartbeat.beat()  # a relay may take seconds between two positions
        show_dead(rig, role, self.so_far.clock)
        rig.switch.connect(position)
        show_joined(rig, role, self.so_far.clock)

    def _set_on(self, role: str) -> None:
        self.on = role
        one = self.rig.load if role == "load" else self.rig.supply if role == "supply" else None
        self.rig.active = "" if one is None else one.name

    # -- off, limits, and whether all is as ordered ---------------------------------------------

    def order_off(self) -> None:
        """Switch off what may be on; whatever does not obey is made safe with all tries.

        Raises:
            Stop: an output could not be switched off.
        """
        try:
            if self.rig.load is not None and self.on != "supply":
                self.rig.load.set_input(False)
            if self.rig.supply is not None and self.on != "load":
                self.rig.supply.set_output(False)
            if self.rig.switch is not None and self.on:
                self.rig.switch.connect("open")
            self._set_on("")
        except DriverError as error:
            safe = self.make_safe()
            self.so_far.event(InstrumentTrouble(str(error)))
            if not safe:
                raise Stop("instrument", f"an output could not be switched off: {error}") from error

    def make_safe(self, reason: str = "instrument", text: str = "an instrument is silent") -> bool:
        """Switch everything off and see that it is; last touched first. Never raises.

        Args:
            reason, text: What a person is told when it takes its time.

        Returns:
            Whether every instrument that can let current flow was read back as off, with its
            current measured as zero within what it may be off.
        """
        if not self.touched:
            return True
        limits_A = {name: off_limit_A(self.rig.description, name) for name in self.rig.instruments}
        with self.heartbeat.meanwhile(reason, text):  # a silent one takes the time of all its tries
            results = make_all_safe(self.rig.instruments, self.so_far.clock, limits_A)
        safe = all(answer.off for answer in results.values())
        self._set_on("")
        with contextlib.suppress(OSError):  # told at the end of the run; OFF has been sent
            self.so_far.event(MadeSafe("runner", safe, to_json(results)))
        return safe

    def arm(self) -> dict[str, dict[str, float]]:
        """Arm what the instruments guard by themselves; return what they hold."""
        return arm(self.rig, self.so_far.plan, self.timer.wanted_s(max(self.so_far.state.plan_step, 0)))

    def held_position(self) -> Position:
        """Return where a relay holds the cell while nothing is ordered to carry current: at its resistor, or "open"."""
        state = self.so_far.state
        if self.rig.switch is None or state.waiting or state.finished or state.plan_step < 0:
            return "open"
        step = self.so_far.step
        return step.leads if step.kind == "log" else "open"

    def hold_again(self) -> None:
        """Make a relay's contact anew: it let go when its line was reopened, and the cell would rest unnoticed.

        Raises:
            DriverError: it stays open, by limits of its own for instance.
        """
        position = self.held_position()
        if position != "open":
            assert self.rig.switch is not None
            self.so_far.event(OrderGiven(Order("connect", position)))
            self.rig.switch.connect(position)

    def see_as_ordered(self) -> None:
        """After a reopened link: the instrument has to be on or off as it was ordered.

        Raises:
            Stop: one is not.
        """
        order = self.so_far.state.order
        expected = {
            "load": order.kind == "discharge",
            "supply": order.kind == "charge",
        }
        for name, instrument in self.rig.instruments.items():
            wanted = expected.get(instrument.role)
            if wanted is None:
                continue
            on = instrument.read_setup().get("on")
            if on is not None and bool(on) != wanted:
                raise Stop(
                    "instrument",
                    f"{name}: came back switched {'on' if on else 'off'} where it was ordered "
                    f"{'on' if wanted else 'off'} (was it reset, or did it trip?)",
                )
