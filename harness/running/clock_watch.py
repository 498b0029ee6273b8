"""The clocks of a run: a computer that was asleep, a clock that was set, a program that stood still.

Each shows as a gap between two readings. Before anything is read after it, the instruments are asked whether all is
on or off as it was ordered; the charge that can have passed goes into the record as bounds. Also what ties the run's
time to a start of the computer, for whoever resumes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from amphora.drivers.roles import Clock
from amphora.harness.control.events import Unobserved
from amphora.harness.control.gap import charge_between
from amphora.harness.running.orders import Orders
from amphora.harness.running.run_so_far import RunSoFar, Stop

SLEPT_S = 5.0  # a wall clock that ran ahead of the run's by more: asleep, or set
JUST_WOKEN_S = 15.0  # for so long the words of a stop name the gap before it


@dataclass
class ClockWatch:
    """What is known of the last gap."""

    orders: Orders
    asleep_seen_s: float = 0.0
    wall_ahead_s: float | None = None
    maybe_set: bool = False  # what looks like a suspend may have been a clock that was set
    text: str = ""  # of the last gap
    until_s: float = -1.0

    def begin(self) -> None:
        """Count from here on."""
        self.asleep_seen_s = self._asleep()

    def _asleep(self) -> float:
        """How long the computer has slept so far, as the clock can tell."""
        asleep: Callable[[], float] | None = getattr(self.orders.so_far.clock, "asleep_s", None)
        return 0.0 if asleep is None else asleep()

    def asleep_since(self) -> float:
        """How long the computer has slept since the last gap that was looked at, s."""
        return self._asleep() - self.asleep_seen_s

    def compare(self) -> None:
        """Find a suspend where the run's own clock stands still in one: the wall clock has run ahead.

        A wall clock that was set forward looks the same, so the charge of such a gap may be none.
        """
        so_far = self.orders.so_far
        ahead_s = so_far.clock.utc().timestamp() - so_far.clock.now_s()
        before_s, self.wall_ahead_s = self.wall_ahead_s, ahead_s
        if before_s is not None and ahead_s - before_s > SLEPT_S:
            so_far.zero_s -= ahead_s - before_s
            self.maybe_set = True

    def look_after_gap(self, from_s: float, now_s: float) -> None:
        """After a gap, before anything is read: what happened, and is all on or off as it was ordered?

        Raises:
            Stop: it is not; made safe. A run that ends so can be resumed.
            DriverError: a link did not survive.
        """
        before_s, self.asleep_seen_s = self.asleep_seen_s, self._asleep()
        asleep_s = self.asleep_seen_s - before_s
        if now_s > self.until_s:
            self.text = f"there was no reading for {now_s - from_s:.0f} s (a program that stood still?)"
        if self.maybe_set:
            self.text = f"the computer was asleep for {now_s - from_s:.0f} s, or its clock was set"
        elif asleep_s > SLEPT_S:
            self.text = f"the computer was asleep for {min(asleep_s, now_s - from_s):.0f} s"
        self.until_s = now_s + JUST_WOKEN_S
        switch = self.orders.rig.switch
        release_s = getattr(switch, "release_s", None)
        energised = self.orders.so_far.state.energised
        if energised and switch is not None and release_s is not None and now_s - from_s > release_s:
            self.orders.make_safe()
            raise Stop("instrument", f"{switch.name}: had no beat for so long that it has let go")
        try:
            self.orders.see_as_ordered()
        except Stop:
            self.orders.make_safe()
            raise

    def note_gap(self, from_s: float, to_s: float, current_A: float | None) -> None:
        """Record that there was no reading for longer than the plan allows, and what charge can have passed."""
        so_far = self.orders.so_far
        low_Ah: float | None = 0.0
        high_Ah: float | None = 0.0
        known = "nothing was on"
        if so_far.state.energised:
            low_Ah, high_Ah = charge_between(so_far.state.last_current_A, current_A, to_s - from_s)
            known = "the order stood: read back on, as it was ordered, and measured before and after"
            if self.maybe_set and low_Ah is not None and high_Ah is not None:
                low_Ah, high_Ah = min(low_Ah, 0.0), max(high_Ah, 0.0)
                known += "; a clock that was set would look the same"
        self.maybe_set = False
        on_s = round(to_s - from_s, 4) if so_far.state.energised else 0.0
        on_low_s = on_s if not (low_Ah or 0.0) <= 0.0 <= (high_Ah or 0.0) else 0.0
        told = f"{self.text}; {known}"
        so_far.event(Unobserved(round(from_s, 4), round(to_s, 4), low_Ah, high_Ah, told, on_low_s, on_s))

    @property
    def just_woken(self) -> bool:
        """Whether the last reading came so soon after a gap that a stop may be due to it."""
        return bool(self.text) and self.orders.so_far.last_reading_s <= self.until_s


def boot(clock: Clock) -> tuple[str, float] | None:
    """Which start of the computer this is, and how long ago, where the clock can tell."""
    ask: Callable[[], tuple[str, float] | None] | None = getattr(clock, "boot", None)
    return None if ask is None else ask()


def boot_anchor(so_far: RunSoFar) -> dict[str, Any] | None:
    """Return what ties the run's time to the start of the computer: for whoever resumes; None where nothing does."""
    now = boot(so_far.clock)
    return None if now is None else {"id": now[0], "zero_s": round(now[1] - so_far.now_s(), 3)}
