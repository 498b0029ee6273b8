"""A link of a run failed: close, reopen, ask who is there; never for longer than the plan allows."""

from dataclasses import dataclass

from amphora.drivers.errors import DriverError, IdentityError
from amphora.harness.bench.opened import SOON_S
from amphora.harness.common.signals import Signals, in_words
from amphora.harness.control import guard
from amphora.harness.control.events import InstrumentTrouble, LinksReopened
from amphora.harness.running.clock_watch import JUST_WOKEN_S, ClockWatch
from amphora.harness.running.heartbeat import Heartbeat
from amphora.harness.running.orders import Orders
from amphora.harness.running.run_so_far import Stop


@dataclass
class Reconnecting:
    """Reopens the links of a bench in mid-run."""

    orders: Orders
    heartbeat: Heartbeat
    gaps: ClockWatch
    signals: Signals

    def after(self, error: DriverError, interval_s: float) -> None:
        """Reopen every link until all answer and are as they were ordered.

        Args:
            error: What went wrong.
            interval_s: How far apart the readings are; with all off they may be late by so much.

        Raises:
            Stop: it takes too long, it is somebody else, or it is not as it was ordered.
        """
        so_far = self.orders.so_far
        so_far.event(InstrumentTrouble(str(error)))
        if isinstance(error, IdentityError):
            raise Stop("instrument", str(error))
        started_s = so_far.now_s()
        asleep_s = self.gaps.asleep_since()  # a link that did not survive a suspend gets its time, too
        silent_since_s = max(min(so_far.last_reading_s + asleep_s, started_s), self.gaps.until_s - JUST_WOKEN_S)
        # With all off readings are seconds apart anyway, and there is nothing that a longer look could harm.
        allowed_s = so_far.plan.max_gap_s + (0.0 if so_far.state.energised else interval_s)
        if started_s - silent_since_s > allowed_s:
            raise Stop("instrument", f"{error}; no reading for {started_s - so_far.last_reading_s:.0f} s")
        so_far.clock.sleep(SOON_S)
        while True:
            if self.signals.name:
                raise Stop("interrupted", in_words(self.signals.name))
            try:
                self._reopen_all()
                return
            except IdentityError as other:
                raise Stop("instrument", str(other)) from other
            except DriverError as again:
                last = again
            verdict = guard.silent(allowed_s, so_far.now_s(), silent_since_s)
            if verdict.stop is not None or so_far.now_s() - started_s > so_far.plan.max_gap_s:
                raise Stop("instrument", f"{last} ({error})" if str(last) != str(error) else str(error))
            so_far.clock.sleep(SOON_S)
            if self.heartbeat.needed:
                self.heartbeat.beat()

    def _reopen_all(self) -> None:
        for instrument in self.orders.rig.instruments.values():
            self.heartbeat.beat()  # a silent one takes its time, and the next one may be silent too
            instrument.reopen()
        self.orders.see_as_ordered()
        self.orders.hold_again()
        self.orders.so_far.event(LinksReopened("the links were reopened; everybody is who they were"))
