"""The queue at work without processes: what it ends, what it leaves alone, what a new one does with the same disk."""

from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

import pytest
from bag_room import BEGIN, EVENING, bay

from amphora.harness.bench.bays import AlarmInput, Bays
from amphora.harness.common.errors import AmphoraError
from amphora.harness.queue import room
from amphora.harness.queue.happening import (
    KINDS,
    AlarmCleared,
    BayCleared,
    CellAdded,
    CellDropped,
    Happening,
    NightSpared,
    RunBegan,
)
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.room import Place
from amphora.harness.queue.supervisor import END_WITHIN_S, Ended, Supervisor
from amphora.harness.running.shared_leads import SHARED_LEADS


@dataclass
class Hand:
    """Starts nothing; says what was asked of it."""

    at_work: dict[str, Ended | None] = field(default_factory=dict)
    began: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    killed: list[str] = field(default_factory=list)
    silent: str = ""  # of this cell nothing can be learned

    def begin(self, cell: str, recipe: str, bay: str, run: str) -> tuple[int, float]:
        self.at_work[cell] = None
        self.began.append(f"{cell} {recipe} {run}".strip())
        return len(self.began), 0.0

    def ended(self, place: Place) -> Ended | None:
        if place.cell == self.silent:
            raise AmphoraError("no answer")
        return self.at_work[place.cell]

    def end(self, place: Place) -> None:
        self.asked.append(place.cell)

    def kill(self, place: Place) -> None:
        self.killed.append(place.cell)


class Queue:
    """Three bays at work; a and b share a supply."""

    def __init__(self, folder: Path) -> None:
        self.logs, self.now, self.hand = folder / "logs", BEGIN, Hand()
        self.said: list[str] = []
        self.called: list[str] = []
        self.smoke = folder / "smoke"
        self.smoke.write_text("0\n")
        shared = {"supply": "supply"}
        own = [bay("a", shared), bay("b", shared), bay("c")]
        alarm = AlarmInput(str(self.smoke), alarm_when="1")
        self.bays = Bays("hall", "hall.toml", {one.name: one for one in own}, EVENING, alarm, {}, True)
        self.open()
        for cell, course in (("A1", "one-night"), ("A2", "one-night"), ("A3", "one-night")):
            self.supervisor.journal.append(CellAdded(cell=cell, course=course), BEGIN)
        self.supervisor.look()
        self.supervisor.hands_done()
        self.look()  # A1 and A3 are charged; A2 waits for the supply
        self.ends("A1", Ended("taper", "all steps are done", 0, "r1"))
        self.look()
        self.now += timedelta(hours=1)
        self.look()

    def open(self) -> None:
        """Begin with what is on the disk, as after a restart of the computer."""
        journal = QueueJournal(self.logs)
        journal.refresh()
        self.supervisor = Supervisor(
            journal, self.bays, self.hand, lambda: self.now, self.said.append,
            lambda kind, text: self.called.append(f"{kind}: {text}"),
        )  # fmt: skip

    def ends(self, cell: str, how: Ended) -> None:
        self.hand.at_work[cell] = replace(how, at=self.now)

    def look(self) -> dict[str, str]:
        self.hand.asked.clear()
        return {cell: place.state for cell, place in self.supervisor.look().places.items()}

    def later(self, seconds: float) -> dict[str, str]:
        self.now += timedelta(seconds=seconds)
        return self.look()


@pytest.fixture
def queue(tmp_path: Path) -> Queue:
    made = Queue(tmp_path)
    assert made.look() == {"A1": "running", "A2": "running", "A3": "running"}
    return made


INTERRUPTED = Ended("interrupted", "SIGTERM", 143, "r", final=False)


@pytest.mark.parametrize("kind", KINDS.values())
def test_every_event_that_the_journal_reads_is_folded(kind: type[Happening]) -> None:
    known = set(room._after.registry) | set(room._of_a_cell.registry)
    assert kind in known


def test_smoke_ends_every_run_once_calls_and_lets_nothing_begin(queue: Queue) -> None:
    began = list(queue.hand.began)
    queue.smoke.write_text("1\n")
    queue.look()
    assert sorted(queue.hand.asked) == ["A1", "A2", "A3"]
    assert any("fire service" in line for line in queue.said) and queue.called[-1].startswith("stop: ")
    queue.later(2.0)
    assert queue.hand.asked == []  # asked once
    for cell in ("A1", "A2"):
        queue.ends(cell, INTERRUPTED)
    queue.later(END_WITHIN_S)
    assert queue.hand.killed == ["A3"]  # what does not end is killed, its watchdog switches off
    queue.ends("A3", replace(INTERRUPTED, reason="killed"))
    queue.smoke.write_text("0\n")
    queue.later(60.0)
    assert queue.hand.began == began  # quiet again is not cleared
    queue.open()
    queue.later(60.0)
    assert queue.hand.began == began  # nor is a restart
    queue.supervisor.journal.append(AlarmCleared(text="toast"), queue.now)
    queue.later(2.0)
    assert len(queue.hand.began) > len(began)


def test_a_queue_that_died_in_an_alarm_ends_what_is_still_at_work_when_it_is_started_again(queue: Queue) -> None:
    queue.smoke.write_text("1\n")
    queue.look()
    queue.open()
    queue.look()
    assert sorted(queue.hand.asked) == ["A1", "A2", "A3"]


def test_a_welded_relay_stops_its_group_for_good_and_the_bay_beside_it_goes_on(queue: Queue) -> None:
    queue.ends("A2", Ended("instrument", f"{SHARED_LEADS}: a relay does not open", 4, "r2", final=False))
    queue.look()
    assert queue.hand.asked == ["A1"]  # its mate on the leads; A3 has a supply of its own
    queue.ends("A1", INTERRUPTED)
    began = list(queue.hand.began)
    states = queue.later(60.0)
    assert states == {"A1": "paused", "A2": "paused", "A3": "running"} and queue.called[-1].startswith(
        "stop: bays a, b"
    )
    queue.open()  # the computer starts again
    for _ in range(3):
        queue.later(86400.0)
    assert queue.hand.began == began
    queue.now = BEGIN + timedelta(days=7)
    for name in ("a", "b"):
        queue.supervisor.journal.append(BayCleared(bay=name, why="relay replaced"), queue.now)
    queue.look()
    assert [line.split()[0] for line in queue.hand.began[len(began) :]] == ["A1", "A2"]


def test_a_guards_stop_or_a_bay_that_says_nothing_ends_no_other_run(queue: Queue) -> None:
    queue.hand.silent = "A3"
    queue.ends("A1", Ended("guard:temperature-rise", "it grew warm", 3, "r1"))
    states = queue.later(2.0)
    assert states == {"A1": "apart", "A2": "running", "A3": "running"}
    assert queue.hand.asked == queue.hand.killed == []
    assert any(line.startswith("! bay c: no answer") for line in queue.said)


def test_after_a_restart_of_the_computer_each_run_goes_on_where_it_was(queue: Queue) -> None:
    for cell in ("A1", "A2", "A3"):
        queue.ends(cell, replace(INTERRUPTED, reason="killed", run=f"logs/{cell}/run"))
    before = len(queue.hand.began)
    queue.open()
    queue.look()
    assert queue.look() == {"A1": "running", "A2": "running", "A3": "running"}
    assert sorted(line.split()[-1] for line in queue.hand.began[before:]) == [f"logs/A{n}/run" for n in (1, 2, 3)]


def test_a_cell_that_is_spared_is_so_after_a_restart(queue: Queue) -> None:
    queue.supervisor.journal.append(NightSpared(cell="A1", why="not worth a night: 210 mAh went in"), queue.now)
    queue.open()
    assert queue.supervisor.journal.room.places["A1"].spared == "not worth a night: 210 mAh went in"


def test_a_cell_that_is_dropped_while_it_runs_is_ended_and_no_other(queue: Queue) -> None:
    queue.supervisor.journal.append(CellDropped(cell="A1", why="wrapper torn"), queue.now)
    queue.look()
    assert queue.hand.asked == ["A1"]
    queue.ends("A1", INTERRUPTED)
    assert queue.later(2.0) == {"A1": "dropped", "A2": "running", "A3": "running"}
    began = list(queue.hand.began)
    queue.open()
    for _ in range(3):
        queue.later(3600.0)
    assert not [line for line in queue.hand.began[len(began) :] if line.startswith("A1")]


def test_a_cell_that_is_dropped_while_its_run_is_being_started_is_ended_too(queue: Queue) -> None:
    queue.supervisor.journal.append(CellDropped(cell="A1", why="wrapper torn"), queue.now)
    queue.supervisor.journal.append(RunBegan(cell="A1", stage=1, bay="a", run="", pid=7, started=0.0), queue.now)
    queue.look()
    assert queue.hand.asked == ["A1"]
    queue.ends("A1", replace(INTERRUPTED, safe=False, text="the load did not answer"))
    assert queue.later(2.0)["A1"] == "dropped"
    assert queue.supervisor.journal.room.bays["a"].stopped == "the load did not answer"
