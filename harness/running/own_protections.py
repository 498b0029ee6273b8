"""What the instruments guard by themselves, while a run goes on: what has tripped, and the supply's own timer.

The timer is for when this computer is dead: it is renewed where the supply can do that, and a charge is paused before
it runs out where it cannot.
"""

from dataclasses import dataclass

from amphora.harness.bench.opened import Rig
from amphora.harness.common.quantities import format_duration
from amphora.harness.control.events import TimerSet
from amphora.harness.plans.supply_timer import armed_for_s, before_s, renew_due
from amphora.harness.running.run_so_far import RunSoFar

TRIPS_EVERY_S = 60.0  # while current flows: whether an instrument's own protection has acted
OFF_TIMER = "off-timer"  # as a supply names what has tripped


@dataclass
class Trips:
    """Which protections have acted."""

    rig: Rig
    before: tuple[str, ...] = ()  # what had tripped before this run, and is no news
    asked_s: float = 0.0

    def remember(self) -> tuple[str, ...]:
        """Take what has tripped before the first order for no news; return it."""
        self.before = tuple(self.rig.read_trips())
        return self.before

    def due(self, now_s: float) -> bool:
        """Whether it is time to ask again; from here on it counts as asked."""
        if now_s - self.asked_s < TRIPS_EVERY_S:
            return False
        self.asked_s = now_s
        return True

    def told(self) -> list[str]:
        """Ask which have acted in this run, in words."""
        return [text for text in self.rig.read_trips() if text not in self.before]

    def new(self) -> str:
        """Ask which have acted in this run; "" where none has."""
        return "; ".join(self.told())


@dataclass
class SupplyTimer:
    """The timer of the supply: after how long it switches off by itself, and when it was set."""

    so_far: RunSoFar
    rig: Rig
    trips: Trips
    off_after_s: float = 0.0  # 0: it has none
    set_s: float = 0.0

    @property
    def renews(self) -> bool:
        """Whether it can be set again while the output is on."""
        return self.rig.supply is not None and self.rig.supply.abilities.off_timer_renewable

    def wanted_s(self, plan_step: int) -> float | None:
        """Return what it has to be armed for in a step; None where the plan charges nothing."""
        return armed_for_s(self.so_far.plan, plan_step, self.renews)

    def set(self) -> None:
        """Set it for what is charged now; recorded."""
        supply = self.rig.supply
        self.off_after_s = 0.0
        wanted_s = self.wanted_s(self.so_far.state.plan_step)
        if supply is None or wanted_s is None or not supply.abilities.off_timer:
            return
        self.off_after_s = supply.set_timer(wanted_s)
        self.set_s = self.so_far.now_s()
        self.so_far.event(TimerSet(self.off_after_s, self.renews))

    def about_to_run_out(self) -> str:
        """Renew it in time, or say that the charge has to pause for it ("" where not)."""
        if not self.off_after_s or self.so_far.state.order.kind != "charge":
            return ""
        since_s = self.so_far.now_s() - self.set_s
        if self.renews:
            if renew_due(since_s, self.off_after_s):
                self.set()
        elif since_s > self.off_after_s - before_s(self.off_after_s, self.so_far.plan.max_gap_s):
            return f"the supply's own timer of {format_duration(self.off_after_s)} is about to run out"
        return ""

    def ran_out(self) -> str:
        """Return how it ended a charge; "" where it did not."""
        supply = self.rig.supply
        if supply is None or self.so_far.state.order.kind != "charge" or not self.off_after_s:
            return ""
        if supply.read_setup().get("on") is not False:
            return ""
        since_s = self.so_far.now_s() - self.set_s
        if any(OFF_TIMER not in text for text in self.trips.told()):
            return ""  # another protection has acted
        if since_s < 0.5 * self.off_after_s:
            return ""
        return f"the supply's own timer of {format_duration(self.off_after_s)} has run out"
