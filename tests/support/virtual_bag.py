"""A bag on the virtual clock: the real queue, the real runs, simulated cells. Nothing waits.

Each bay is a simulated bench of its own. A run is carried out to its end when it begins; the queue learns of it when
the bag's clock has come so far. What goes wrong (a cell that is swapped, a load that is silent, a runner that is
killed, a computer that starts again) is given beforehand.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

from amphora.drivers.errors import LinkError
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell
from amphora.drivers.simulated.clock import VirtualClock
from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_of
from amphora.harness.archive.journal import JournalWriter, read_run
from amphora.harness.archive.run_folder import resumable
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bays import Bay, Bays, Hours
from amphora.harness.bench.bench_file import BenchDescription, bench_from_dict
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import AmphoraError
from amphora.harness.control.events import MadeSafe, RunnerGone
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.grades import grade_runs
from amphora.harness.decisions.screening_shelf import Screen
from amphora.harness.plans.settled import Settled
from amphora.harness.queue.decide import hands, next_time
from amphora.harness.queue.happening import BayCleared, CellAdded, NightSpared
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.knowledge import Knowledge
from amphora.harness.queue.room import Place, Room
from amphora.harness.queue.supervisor import SCREEN_AFTER_S, Ended, Supervisor
from amphora.harness.running.runner import Runner
from amphora.harness.running.session import Request, carry_out, go_on, open_rig
from tests.support.simulation.faults import Fault, _link
from tests.support.simulation.populations import draw_cell

BEGIN = datetime(2026, 3, 13, 18, 0, tzinfo=UTC)
PER_MOMENT_MIN, PER_CELL_MIN = 2.0, 1.0  # a person's walk to the bench, and a cell moved: assumed
INSPECTED = {"wrapper": "sound", "dents": "none", "rust": "none", "swelling": "none", "leak": "none", "smell": "none"}


class Killed(BaseException):
    """The runner's process is gone: no way out is gone by it."""


@dataclass
class Trouble:
    """What goes wrong in one run: `kind` is swapped, silent or killed; `after_s` of the run."""

    kind: str
    cell: str
    recipe: str
    after_s: float = 1800.0


@dataclass
class VirtualBag:
    """One bag.

    Args:
        logs: Its shelf.
        bays: Names of the bays.
        hours: In which somebody is there.
        troubles: What goes wrong; each strikes once.
        restarts: When the computer starts again: all runs at work are dead, then the queue is read from the disk.
    """

    logs: Path
    bays: tuple[str, ...]
    hours: Hours = field(default_factory=lambda: Hours(18.0, 23.0))
    troubles: list[Trouble] = field(default_factory=list)
    restarts: list[datetime] = field(default_factory=list)
    course: str = "one-night"
    settled: Settled | None = None  # what may end a night before its cut-off
    cells: dict[str, SimulatedCell] = field(default_factory=dict)
    truths: dict[str, dict[str, Any]] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    told: list[tuple[datetime, str]] = field(default_factory=list)  # the same, with when
    struck: list[str] = field(default_factory=list)
    widest: list[tuple[str, float, float]] = field(default_factory=list)  # run, lowest and highest voltage
    moments: int = 0
    moved: int = 0
    cleared: int = 0  # bays that a person looked at and let go on

    def __post_init__(self) -> None:
        self.now = BEGIN
        self._left: dict[str, datetime] = {}
        self._screen = Screen(self.logs)
        self._ends: dict[int, Ended] = {}
        self._runs = 0
        first = SimulatedBench(leads="relay", room=True)
        self.description = bench_from_dict(first.description, "simulated")
        roles = frozenset({"load", "supply"})
        bays = {name: Bay(name, "simulated", 2.0, f"tile {name}", "thermometer", roles) for name in self.bays}
        self.bench = Bays("bag", "simulated", bays, self.hours, None, {}, True)
        self._open_queue()

    def _open_queue(self) -> None:
        """Begin with what is on the disk, as after a restart."""
        journal = QueueJournal(self.logs)
        journal.refresh()
        known = Knowledge(self.logs, self.bench, self._describe)
        self.queue = Supervisor(
            journal, self.bench, self, lambda: self.now, self._tell, lambda kind, text: None,
            known.refused, known.expected_s, self._not_worth,
        )  # fmt: skip

    def _tell(self, text: str) -> None:
        self.said.append(text)
        self.told.append((self.now, text))

    def _not_worth(self, cell: str, least_Ah: float | None) -> str:
        """Ask the screen; of a night at work it is asked in `_arm`, for here the whole of it is lived at once."""
        if self.queue.journal.room.places[cell].state == "running":
            return ""
        return self._screen.not_worth(cell, least_Ah)

    def _describe(self, address: str) -> BenchDescription:
        return self.description

    def put_on_the_shelf(self, cell_id: str, cell: SimulatedCell, source: str, truth: dict[str, Any]) -> None:
        """Enter a cell as a person does, and put it into the queue."""
        record = Cell(
            cell_id, form="18650", chemistry=truth["chemistry"], source=source, mass_g=44.5,
            as_found_V=round(cell.voltage(0.0), 2), as_found_utc=(BEGIN - timedelta(hours=1)).isoformat(),
            inspection=dict(INSPECTED),
        )  # fmt: skip
        Shelf(self.logs).add(record)
        self.cells[cell_id], self.truths[cell_id], self._left[cell_id] = cell, truth, BEGIN
        self.queue.journal.append(CellAdded(cell=cell_id, course=self.course), BEGIN)

    # -- the bag's clock --------------------------------------------------------------------------

    def carry_on(self, until: Callable[[Room], bool] | None = None, most_days: float = 60.0) -> Room:
        """Let time pass until the bag is through, or `until` says so."""
        while True:
            room = self._look()
            if self.queue.done(room) or (until is not None and until(room)):
                return room
            ends = {
                place.cell: self._ends[place.pid].at or self.now for place in room.left() if place.pid in self._ends
            }
            later = [next_time(room, self.queue.facts(room), self.now, ends)]
            later += [moment for moment in self.restarts if moment > self.now]
            times = [time for time in later if time is not None]
            if not times or min(times) - BEGIN > timedelta(days=most_days):
                return room
            self.now = min(times)
            if self.now in self.restarts:
                self.struck.append("restart")
                self._open_queue()

    def _look(self) -> Room:
        room = self._clear(self.queue.look())
        while (wanted := hands(room)) and self.hours.hold(self.now):
            self.moments += 1
            self.moved += len(wanted)
            self.queue.hands_done()
            room = self._clear(self.queue.look())
        return room

    def _clear(self, room: Room) -> Room:
        """A person looks at what waits for one: contacts and sensors seated, the bay let go on."""
        while self.hours.hold(self.now) and (waiting := [name for name, bay in room.bays.items() if bay.stopped]):
            self.moments += 1
            self.cleared += len(waiting)
            for name in waiting:
                self.queue.journal.append(BayCleared(bay=name, why="looked at; contacts seated"), self.now)
            room = self.queue.look()
        return room

    # -- what the queue asks for ------------------------------------------------------------------

    def begin(self, cell: str, recipe: str, bay: str, run: str) -> tuple[int, float]:
        self._runs += 1
        self._ends[self._runs] = self._carried_out(cell, recipe, run)
        return self._runs, 0.0

    def ended(self, place: Place) -> Ended | None:
        ended = self._ends.get(place.pid)
        if ended is None or (ended.at is not None and ended.at > self.now):
            return None
        return self._ends.pop(place.pid)

    def end(self, place: Place) -> None:
        raise AssertionError("nothing is ended in this bag")

    kill = end

    def _carried_out(self, cell_id: str, recipe: str, run: str) -> Ended:
        cell = self.cells[cell_id]
        cell.rest(max((self.now - self._left[cell_id]).total_seconds(), 0.0))
        trouble = next((one for one in self.troubles if one.cell == cell_id and one.recipe == Path(recipe).stem), None)
        if trouble is not None:
            self.troubles.remove(trouble)
        if trouble is not None and trouble.kind == "swapped":
            self.struck.append("swapped")
            cell = self.cells[cell_id] = draw_cell(random.Random("other"), "li-ion", "aged", soc=0.55).cell
        clock = VirtualClock(self.now)
        for _ in range(self._runs):
            clock.restart()  # each run is timed by the wall clock alone against another: as after a restart
        bench = SimulatedBench(cell=cell, seed=len(cell_id), clock=clock, leads="relay", room=True)
        self._arm(bench, trouble)
        self._arm_screen(bench, cell_id, recipe)
        try:
            with patch.object(Runner, "_end", _unless_killed(Runner._end)):
                ended = self._run(bench, cell_id, recipe, run)
        finally:
            bench.update()
            self._left[cell_id] = clock.utc()
        self.widest.append((ended.run, bench.lowest_V, bench.highest_V))
        assert not bench.load.on and not bench.supply.on, f"{cell_id} {recipe}: an output is on"
        return replace(ended, at=clock.utc())

    def _arm(self, bench: SimulatedBench, trouble: Trouble | None) -> None:
        def die(_: object = None) -> None:
            raise Killed

        if trouble is not None and trouble.kind == "killed":
            bench.at(trouble.after_s, "killed", die)
        if trouble is not None and trouble.kind == "silent":
            silent = _link(lambda instrument, what: LinkError(f"{instrument.name}: no answer within 2 s"))
            fault = Fault("silent load", "link", "It says nothing any more.", silent, {"calls": 10**9})
            bench.inject(fault, at_s=trouble.after_s)
        for moment in self.restarts:
            if moment > self.now:
                bench.at((moment - self.now).total_seconds(), "restart", die)

    def _arm_screen(self, bench: SimulatedBench, cell_id: str, recipe: str) -> None:
        """Let the queue ask the screen when the night's first half hour is over, and end the run as it does."""
        place = self.queue.journal.room.places[cell_id]
        course = self.queue.journal.courses[place.course]
        stage = next((one for one in course.stages if one.screened and one.recipe == recipe), None)
        if stage is None:
            return

        def ask(_: object = None) -> None:
            why = self._screen.not_worth(cell_id, course.least_Ah)
            if why:
                self.struck.append("screened")
                self.queue.journal.append(NightSpared(cell=cell_id, why=f"not worth a night: {why}"), bench.clock.utc())
                raise KeyboardInterrupt

        bench.at(SCREEN_AFTER_S, "screen", ask)

    def _run(self, bench: SimulatedBench, cell_id: str, recipe: str, run: str) -> Ended:
        rig = open_rig(self.description, bench.clock, lambda name, table, clock: bench.instruments[name])
        person: Any = _Nobody()
        try:
            if run:
                outcome = go_on(Path(run), self.description, rig, bench.clock, person, guarded=False)
            else:
                hours = (self.hours.begin_h, self.hours.end_h)
                settled = self.settled if Path(recipe).stem == "overnight" else None
                request = Request(cell_id, recipe, self.logs, attended=hours, settled=settled)
                outcome = carry_out(request, self.description, rig, bench.clock, person, guarded=False)
        except Killed:
            return self._after_death(bench, cell_id, run)
        except AmphoraError as error:
            return Ended("refused" if error.exit_code in (1, 2) else "instrument", str(error), error.exit_code, run)
        self.struck += bench.fired
        for one in bench.instruments.values():
            one.fault = None  # type: ignore[attr-defined]
            one.make_safe()  # a silent load is switched off by its watchdog in the end
        return Ended(outcome.reason, outcome.text, outcome.exit_code, str(outcome.folder), not _goes_on(outcome.folder))

    def _after_death(self, bench: SimulatedBench, cell_id: str, run: str) -> Ended:
        """What the watchdog does: everything off, written after the last line of the dead."""
        self.struck += bench.fired
        folder = Path(run) if run else Shelf(self.logs).runs(cell_id)[-1]
        bench.clock.sleep(2.0)
        off = all(one.make_safe().off for one in bench.instruments.values())
        writer = JournalWriter.open_again(folder)
        t_s = max([event["t_s"] for event in read_run(folder).events], default=0.0) + 2.0
        writer.append_event(RunnerGone("killed", "it ended without a word", "keeper"), t_s, bench.clock.utc())
        writer.append_event(MadeSafe("keeper", off, {}), t_s, bench.clock.utc())
        writer.close()
        return Ended("killed", "its process is gone", 143, str(folder), not _goes_on(folder))


def ended_as(bag: VirtualBag, cell: str) -> str:
    """Return what became of a cell: a grade, kept apart and why, or why it has no grade."""
    place = bag.queue.journal.room.places[cell]
    if place.state == "apart":
        return f"apart: {place.why}"
    record = Shelf(bag.logs).get(cell)
    run = standing_of(Shelf(bag.logs), cell).capacity_run
    if run is None and place.spared:
        return f"spared its night: {place.why}"
    if run is None:
        return "no grade: no complete discharge from a start known to be full"
    result = analyse_run(bag.logs / cell / run)
    found = grade_runs([(result, record)], load_criteria("general"))[0]
    return str(found.grade or f"no grade: {found.needs}")


class _Nobody:
    present = False

    def ask(self, text: str, act: str = "") -> None:
        raise AssertionError(f"nobody is there to be asked: {text}")

    show = ask

    def answered(self) -> bool:
        return False


def _goes_on(folder: Path) -> bool:
    try:
        resumable(folder)
    except AmphoraError:
        return False
    return True


def _unless_killed(real: Any) -> Any:
    def end(self: Runner, reason: str, text: str, code: int) -> Any:
        if "Killed" in text:
            raise Killed
        return real(self, reason, text, code)

    return end
