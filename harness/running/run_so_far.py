"""A run so far: its time, its journal, and what its records add up to (the folds of stepping and guard).

Nothing here orders anything. What is kept can be had anew by replaying the run folder.
"""

import errno
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amphora.drivers.roles import Clock
from amphora.harness.archive.journal import JournalWriter
from amphora.harness.control import guard
from amphora.harness.control.events import Event
from amphora.harness.control.step_records import State
from amphora.harness.plans.plan import Plan, Step


class Stop(Exception):
    """Ends the loop: a reason in the contract's words, and one sentence."""

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason
        self.text = text


@dataclass
class RunSoFar:
    """Plan, folder and clock of a run, and what its records made of it until now. Seconds since the run's zero."""

    plan: Plan
    clock: Clock
    folder: Path
    header: dict[str, Any]
    journal: JournalWriter | None = None  # there once the run has begun
    state: State = field(default_factory=State)
    memory: guard.Memory = field(default_factory=guard.Memory)
    zero_s: float = 0.0  # the run's zero on its clock
    last_reading_s: float = 0.0
    last_asked_s: float = 0.0
    degC: float | None = None  # the cell's temperature, as it was read last
    finish_text: str = ""
    _watch: guard.Watch | None = None

    def now_s(self) -> float:
        """Return the run's time, s."""
        return self.clock.now_s() - self.zero_s

    @property
    def step(self) -> Step:
        """The step that is carried out."""
        return self.plan.steps[self.state.plan_step]

    @property
    def rows(self) -> int:
        """How many readings stand in the folder."""
        return self.journal.rows if self.journal is not None else 0

    def watch(self) -> guard.Watch:
        """Return what the guard looks at this run with."""
        if self._watch is None:
            self._watch = guard.watch_of(self.plan, self.header.get("measurement"))
        return self._watch

    def event(self, event: Event, t_s: float | None = None) -> None:
        """Write an event; what it tells the guard, the guard is told here and nowhere else: a resume reads the same.

        Raises:
            OSError: it cannot be written.
        """
        if self.journal is None:
            return
        written = self.journal.append_event(event, self.now_s() if t_s is None else t_s, self.clock.utc())
        record = guard.record_of(written)
        if record is not None:
            self.memory = guard.fold(self.memory, record)


def room_first(error: OSError) -> str:
    """Return what a person does first where a disk, or somebody's share of it, is full; "" for any other error."""
    return "; make room there, then resume" if error.errno in (errno.ENOSPC, errno.EDQUOT) else ""


def told(error: OSError) -> str:
    """Return a system's error in words."""
    return error.strerror or str(error)
