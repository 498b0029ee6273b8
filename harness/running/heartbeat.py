"""The heartbeat of a run: to the watchdog process, which acts when this one dies, and to what lets go without one.

A watchdog that is gone, stopped or hung is replaced in mid-run; where none can be had, the run ends. Whatever this
program cannot switch off it hands over, and waits for what comes of it.
"""

import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from typing import Protocol

from amphora.drivers.errors import DriverError
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import BenchError
from amphora.harness.common.signals import Signals
from amphora.harness.control.events import InstrumentTrouble
from amphora.harness.running.people import People
from amphora.harness.running.run_so_far import RunSoFar, Stop
from amphora.harness.running.watchdog import WARNING, beating

BEAT_S = 1.0
MOST_KEEPERS = 3  # started anew in one run: whatever ends them again and again ends the next one, too
KEEPER_WAIT_S = 2.0  # another one is waited for so long before the next reading


class Beats(Protocol):
    """The keeper, as the runner sees it."""

    def beat(self) -> None:
        """Say that the runner lives."""
        ...

    def bye(self) -> None:
        """Say that the runner made safe and ends."""
        ...

    def take_over(self) -> None:
        """Say that not everything went off, and that the links have been given back: it acts at once."""
        ...

    def achieved(self, given_up: Callable[[], bool]) -> tuple[bool, str, bool]:
        """Wait for what came of that: whether all is off, in words, whether it has done trying."""
        ...

    def alive(self) -> bool:
        """Whether it is there, and answers."""
        ...


class _Started:
    """Another keeper, started in a thread."""

    def __init__(self, start: Callable[[], Beats] | None) -> None:
        self.keeper: Beats | None = None
        self.why = ""
        self._start = start
        self._thread = threading.Thread(target=self._run, name="another-keeper", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        if self._start is None:
            return
        try:
            self.keeper = self._start()
        except (BenchError, OSError) as error:
            self.why = f", and no other could be started ({error})"

    def wait(self, seconds: float) -> None:
        """Wait until it is there, so long at most."""
        self._thread.join(seconds)

    @property
    def done(self) -> bool:
        """Whether it is there, or cannot be."""
        return not self._thread.is_alive()


@dataclass
class Heartbeat:
    """Beats as long as the run goes on; None for a keeper on a virtual bench, which needs none.

    Args:
        another: Starts a keeper in the place of one that is gone in mid-run.
    """

    so_far: RunSoFar
    rig: Rig
    people: People
    keeper: Beats | None = None
    another: Callable[[], Beats] | None = None
    _new: _Started | None = None
    _lost: int = 0
    _beat_s: float = -1e9
    _warned: bool = False

    @property
    def needed(self) -> bool:
        """Whether somebody waits for it."""
        return self.keeper is not None or self.rig.switch is not None

    def beat(self) -> None:
        """Beat, where it is time to; see that the keeper is there.

        Raises:
            Stop: the keeper is gone and no other could be started. Made safe; the run can be resumed.
        """
        wall_s = time.monotonic()
        if wall_s - self._beat_s < BEAT_S * 0.5:
            return
        self._beat_s = wall_s
        if self.keeper is not None:
            if self._new is None:
                self.keeper.beat()
            if self._new is not None or not self.keeper.alive():
                self._renew()
        self.rig.beat()

    def _renew(self) -> None:
        """Put another keeper in the place of one that is gone, stopped or hung; without one the run ends.

        It is started beside: a computer that is slow to start a process must not keep the readings waiting.

        Raises:
            Stop: no other could be started. Made safe; the run can be resumed.
        """
        new = self._new
        if new is None:
            self._lost += 1
            end: Callable[[], None] | None = getattr(self.keeper, "end", None)
            if end is not None:
                end()  # one that wakes up again must not act beside the other
            new = self._new = _Started(self.another if self._lost <= MOST_KEEPERS else None)
            new.wait(KEEPER_WAIT_S)
        if not new.done:
            return
        self._new = None
        text = "the keeper process is gone or does not answer"
        if new.keeper is None:
            text += f"{new.why}: nobody would act if this program died; the run ends"
        else:
            self.keeper = new.keeper
            text += "; another one was started (what ended it?)"
        self.so_far.event(InstrumentTrouble(text))
        self.people.say(f"! {text}")
        if new.keeper is None:
            raise Stop("instrument", text)
        self.people.call("person", text)

    def meanwhile(self, reason: str, text: str) -> AbstractContextManager[None]:
        """Beat beside what may take long; a person is told (reason, text) when it does."""
        return beating(self.keeper, lambda: self._warn(reason, text))

    def _warn(self, reason: str, text: str) -> None:
        """Tell, once, while it is still being tried."""
        if self._warned:
            return
        self._warned = True
        self.people.say(f"{text}; {WARNING}; it is being tried again")
        self.people.call("stop", f"{reason}: {text}; {WARNING}; it is being tried again")

    def goodbye(self) -> None:
        """Say that all is off and that the run ends."""
        if self.keeper is not None:
            self.keeper.bye()

    def hand_over(self) -> None:
        """Give the links back and have the keeper act: not everything went off."""
        if self.keeper is None:
            return
        for name in self.rig.energising():  # two do not talk to one instrument
            with suppress(DriverError, OSError):
                self.rig.instruments[name].close()
        self.keeper.take_over()

    def by_the_keeper(self, reason: str, text: str, signals: Signals) -> tuple[str, bool]:
        """Warn, then wait for what the keeper achieves; return what to say, and whether all is off at last.

        A further signal gives up waiting.
        """
        if self.keeper is None:
            return f"{text}; {WARNING}", False
        self._warn(reason, text)
        if self.so_far.journal is not None:
            self.so_far.journal.close()  # what the keeper achieves it writes itself
        signals.name = ""
        off, words, _ = self.keeper.achieved(lambda: bool(signals.name))
        relay = self.rig.switch
        if off and relay is not None:
            try:
                off = relay.make_safe().off
            except (DriverError, OSError):
                off = False
        if off:
            return f"{text}; this program could not switch everything off, {words}", True
        return f"{text}; {words}; {WARNING}", False
