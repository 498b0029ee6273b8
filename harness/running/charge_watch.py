"""What a run asks of the instruments beside their readings while current flows: trips, timer, diode, supply.

A charge goes on where the supply's timer ended it, and a small current is believed to be a taper only once the supply
has said that it is on.
"""

from dataclasses import dataclass

from amphora.harness.common.quantities import format_duration
from amphora.harness.control import taper
from amphora.harness.control.events import SupplyAnswered, TimerPaused, TimerSetAnew, VoltageFell
from amphora.harness.control.memory import Violation
from amphora.harness.running.charge_path import no_drop
from amphora.harness.running.orders import WARM_MOST_S, Orders
from amphora.harness.running.own_protections import OFF_TIMER, SupplyTimer, Trips
from amphora.harness.running.run_so_far import Stop


@dataclass
class ChargeWatch:
    """Asks, and pauses a charge where it has to."""

    orders: Orders
    trips: Trips
    timer: SupplyTimer
    fell: Violation | None = None  # the voltage fell in the charge, as the last reading has shown

    def look(self) -> tuple[str, str]:
        """Before a reading with current ordered: which protection has acted, and how the timer ended it ("" each).

        Raises:
            Stop: the diode in the charge lead is not as stated.
        """
        text = self.timer.about_to_run_out() if self.timer.off_after_s else ""
        if text:
            self.pause(text)
        tripped = self.ask_trips()
        if not tripped:
            return "", ""
        return tripped, self.timer.ran_out() if tripped and OFF_TIMER in tripped else ""

    def ask_trips(self) -> str:
        """Ask once a minute, while current is ordered, whether a protection has acted; return which."""
        so_far = self.orders.so_far
        if not self.trips.due(so_far.now_s()):
            return ""
        if self.orders.on == "supply" and (text := no_drop(self.orders.rig, so_far.plan)):
            raise Stop("instrument", f"{so_far.plan.cell_id}: {text}")
        return self.trips.new()

    def pause(self, text: str) -> None:
        """Outputs off, the timer set anew, on again: the charge goes on where it was."""
        self.orders.record(TimerPaused(text))
        if self.orders.so_far.state.waiting == "timer":
            self.orders.record(TimerSetAnew())

    def rest(self) -> None:
        """Outputs off for ten minutes, which the guard judges: the voltage fell in the charge, for the first time."""
        fell, self.fell = self.fell, None
        assert fell is not None
        self.orders.people.say(f"! {fell.text}")
        self.orders.record(VoltageFell(fell.text, fell.value, fell.limit))

    def stays_warm(self, t_s: float) -> None:
        """End the waiting for a cell that does not cool.

        Raises:
            Stop: it has been waited for long enough; the run can be resumed.
        """
        so_far = self.orders.so_far
        if so_far.state.paused_s is None or t_s - so_far.state.paused_s <= WARM_MOST_S:
            return
        text = f"{so_far.degC} °C after {format_duration(WARM_MOST_S)}, limit {so_far.state.below_degC:g} °C"
        raise Stop("guard:too-warm", f"{so_far.plan.cell_id}: too warm to be charged: {text}. Find what warms it")

    def ask_supply(self) -> None:
        """Ask the supply whether it is on, and has not tripped, before a small current is believed to be a taper.

        Raises:
            Stop: it is no taper, and nobody knows why; the run can be resumed.
        """
        so_far, supply = self.orders.so_far, self.orders.rig.supply
        assert supply is not None
        on = supply.read_setup().get("on")
        tripped = self.trips.new()
        ran_out = "" if on is not False else self.timer.ran_out()
        end = next((one.value for one in so_far.step.ends if one.reason == "taper"), 0.0)
        vanished = taper.vanished(so_far.state.course, end)
        believed = on is not False and not tripped and not vanished
        why = ran_out or tripped or ("the supply is off, and nobody ordered that" if on is False else vanished)
        self.orders.record(SupplyAnswered(None if on is None else bool(on), tripped, believed, why))
        if believed:
            return
        if ran_out:
            self.pause(ran_out)
            return
        raise Stop("instrument", f"{so_far.plan.cell_id}: {why}; this was no taper, the charge is not complete")
