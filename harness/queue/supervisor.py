"""Carries the queue out: starts one `amphora run` for each bay, sees how it ends, says whose hands are needed.

It orders no instrument and holds no link. Each run is a process of its own with its own guard, watchdog, locks and
folder, and goes on when this one dies; started again, the supervisor finds it by its process and adopts it. What it
decides stands in `decide`; what it knows it has from the queue's journal and the run folders. An order of its own is
only one: end (SIGTERM, later SIGKILL, after which the run's watchdog switches off).
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Protocol

from amphora.harness.bench.bays import Bays
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.queue.course import Stage
from amphora.harness.queue.decide import Act, Facts, Hand, decide, forecast, hand_event, hands
from amphora.harness.queue.happening import (
    AlarmRaised,
    BayAssigned,
    GroupStopped,
    KeptApart,
    NightSpared,
    RunBegan,
    RunEnded,
    RunPausing,
)
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.room import OVER, Place, Room, State
from amphora.harness.running.shared_leads import SHARED_LEADS

LOOK_S = 2.0
SCREEN_AFTER_S = 35 * 60.0  # rest, load steps and ten minutes of discharge of a night are over by then
END_WITHIN_S = 20.0  # a run that was asked to end makes safe within this; then it is killed, and its watchdog acts


@dataclass(frozen=True, slots=True)
class Ended:
    """How a run ended. `run`: its folder, if any; `final`: it cannot go on; `safe`: outputs off, read back."""

    reason: str
    text: str
    exit_code: int
    run: str = ""
    final: bool = True
    safe: bool = True
    at: datetime | None = None


class Runs(Protocol):
    """Who starts runs: processes, or a simulated bench in this one."""

    def begin(self, cell: str, recipe: str, bay: str, run: str) -> tuple[int, float]:
        """Start a run of a recipe, or go on with the folder `run`; return process and its start.

        Raises:
            AmphoraError, OSError: it could not be started.
        """
        ...

    def ended(self, place: Place) -> Ended | None:
        """Return how the run of a cell ended; None while it goes on. Also for one that another program started."""
        ...

    def end(self, place: Place) -> None:
        """Ask it to make safe and end; returns at once."""
        ...

    def kill(self, place: Place) -> None:
        """End it for good; its watchdog switches off."""
        ...


@dataclass
class Supervisor:
    """One queue at work.

    Args:
        journal: What happened.
        bays: The bench.
        runs: Who starts runs.
        now: The time, local, aware.
        tell: Gets a line at a time for a person.
        call: Calls the person: (kind, text), as an alarm.
        refused: (cell, stage) -> why the gate does not let it; asked before each decision.
        expected_s: (cell, recipe) -> how long a run is expected to take.
        not_worth: (cell, what it has to hold, Ah) -> why the screen says that it is not worth a night; empty: it is,
            or that cannot be told.
    """

    journal: QueueJournal
    bays: Bays
    runs: Runs
    now: Callable[[], datetime]
    tell: Callable[[str], None] = lambda text: None
    call: Callable[[str, str], None] = lambda kind, text: None
    refused: Callable[[str, Stage], str] = lambda cell, stage: ""
    expected_s: Callable[[str, str], float] = lambda cell, recipe: 3600.0
    not_worth: Callable[[str, float | None], str] = lambda cell, least_Ah: ""
    _told: tuple[Hand, ...] = ()
    _ending: dict[str, datetime] = field(default_factory=dict)
    _kept: dict[tuple[str, int], float] = field(default_factory=dict)
    _screened: set[tuple[str, int, datetime]] = field(default_factory=set)

    # -- one look ---------------------------------------------------------------------------------

    def look(self) -> Room:
        """See what has ended, then do what may be done now. One bay's trouble never keeps the others waiting."""
        room = self.journal.refresh()
        self._see_alarm(room)
        for place in list(self.journal.room.places.values()):
            if place.pid or place.state == "running":
                self._see(place)
        self._late()
        room = self.journal.refresh()
        for act in decide(room, self.facts(room), self.now()):
            self._do(act)
        room = self.journal.refresh()
        self._say_hands(room)
        return room

    def facts(self, room: Room) -> Facts:
        """Return what the decision needs beside the journal."""
        refused: dict[str, str] = {}
        expected: dict[tuple[str, int], float] = {}
        for place in room.left():
            stages = self.journal.courses[place.course].stages
            if place.state in ("waiting", "to place", "ready"):
                why = self.refused(place.cell, stages[place.stage])
                if why:
                    refused[place.cell] = why
            for number in range(place.stage, len(stages)):
                key = (place.cell, number)
                if key not in self._kept:
                    self._kept[key] = self.expected_s(place.cell, stages[number].recipe)
                expected[key] = self._kept[key]
        return Facts(
            self.journal.courses, self.bays.bays, self.bays.attended, refused, expected, self._not_worth(room)
        )  # fmt: skip

    def _not_worth(self, room: Room) -> dict[str, str]:
        """Ask the screen of each cell before a screened stage, and once in it, when its first minutes are over."""
        found: dict[str, str] = {}
        for place in room.left():
            course = self.journal.courses[place.course]
            if place.spared or not course.stages[place.stage].screened:
                continue
            if place.state == "running":
                began = place.began or self.now()
                key = (place.cell, place.stage, began)
                if key in self._screened or (self.now() - began).total_seconds() < SCREEN_AFTER_S:
                    continue
                self._screened.add(key)
            elif place.state != "ready":
                continue
            why = self.not_worth(place.cell, course.least_Ah)
            if why:
                found[place.cell] = f"not worth a night: {why}"
        return found

    def done(self, room: Room) -> bool:
        """Tell whether the bag is through, the last cell taken out."""
        return not room.left() and not hands(room) and not any(place.pid for place in room.places.values())

    def hands_done(self) -> None:
        """A person says that all that was asked for has been done."""
        for hand in hands(self.journal.refresh()):
            self.journal.append(hand_event(hand), self.now())

    # -- its parts --------------------------------------------------------------------------------

    def _see_alarm(self, room: Room) -> None:
        if room.alarm:  # what a queue that died, or a refusal, left at work
            for place in room.places.values():
                if place.state == "running" and place.cell not in self._ending:
                    self._end(place)
        if self.bays.alarm_input is None:
            return
        why = self.bays.alarm_input.read()
        if why and not room.alarm:
            self._alarmed(room, why)

    def _alarmed(self, room: Room, why: str) -> None:
        for place in room.places.values():  # OFF first: the disk may wait
            if place.state == "running":
                self._end(place)
        self.tell(f"! {why}: all runs are being ended. Get out, call the fire service")
        self.call("stop", f"{why}: all bays are being switched off")
        self.journal.append(AlarmRaised(why), self.now())
        for place in room.places.values():
            if place.state == "running":
                self.journal.append(RunPausing(place.cell), self.now())

    def _see(self, place: Place) -> None:
        try:
            ended = self.runs.ended(place)
        except (AmphoraError, OSError) as error:
            self.tell(f"! bay {place.bay}: {error}")
            return
        if ended is None:
            if place.state != "running" and place.cell not in self._ending:  # dropped while it ran
                self._end(place)
            return
        self._ending.pop(place.cell, None)
        self._kept = {key: value for key, value in self._kept.items() if key[0] != place.cell}
        alarmed = ended.reason == "guard:smoke-alarm"
        if alarmed and not self.journal.room.alarm:  # a blip: one run saw it, and nothing may begin before somebody did
            self._alarmed(self.journal.room, ended.text)
        on_purpose = (place.pausing or alarmed) and not ended.final
        reason = "paused" if on_purpose else ended.reason
        event = RunEnded(
            place.cell, place.stage, place.bay, reason, ended.text, run=ended.run, final=ended.final, safe=ended.safe,
            exit_code=ended.exit_code,
        )  # fmt: skip
        self.journal.append(event, ended.at or self.now())
        after = self.journal.room.places[place.cell]
        recipe = self.journal.courses[place.course].stages[place.stage].name
        self.tell(f"bay {place.bay}: {place.cell}: {recipe} ended: {ended.reason}" + _more(ended, after))
        if ended.text.startswith(SHARED_LEADS):
            group = self._group(str(place.bay))
            mates = [one for one in self.journal.room.places.values() if one.state == "running" and one.bay in group]
            for one in mates:  # OFF first: whose cell is still on these leads is not known
                self._end(one)
            self.journal.append(GroupStopped(tuple(group), ended.text), self.now())
            for one in mates:
                self.journal.append(RunPausing(one.cell), self.now())
            self.call("stop", f"bays {', '.join(group)}: {ended.text}")
        elif ended.exit_code == 3 or not ended.safe:
            self.call("stop", f"bay {place.bay}: {place.cell}: {ended.text}")

    def _group(self, bay: str) -> list[str]:
        """Return the bays that share an energising instrument with this one, itself among them."""
        own = self.bays.bays[bay]
        mine = {name for name, role in own.shared.items() if role in ("load", "supply")}
        return [name for name, other in self.bays.bays.items() if name == bay or mine & set(other.shared)]

    def _late(self) -> None:
        """Kill what was asked to end and did not: its watchdog switches the bay off."""
        for cell, since in list(self._ending.items()):
            if (self.now() - since).total_seconds() > END_WITHIN_S:
                place = self.journal.room.places[cell]
                self.tell(f"! bay {place.bay}: {cell} did not end; killed, its watchdog switches off")
                self.runs.kill(place)
                self._ending[cell] = self.now()

    def _end(self, place: Place) -> None:
        self._ending.setdefault(place.cell, self.now())
        try:
            self.runs.end(place)
        except (AmphoraError, OSError) as error:
            self.tell(f"! bay {place.bay}: {place.cell} could not be asked to end: {error}")

    def _do(self, act: Act) -> None:
        now = self.now()
        if act.what == "assign":
            self.journal.append(BayAssigned(act.cell, act.bay), now)
        elif act.what == "apart":
            self.tell(f"{act.cell}: kept apart: {act.why}")
            self.journal.append(KeptApart(act.cell, act.why), now)
        elif act.what == "spare":
            self.tell(f"{act.cell}: {act.why}")
            running = self.journal.room.places[act.cell].state == "running"
            self.journal.append(NightSpared(act.cell, act.why), now)
            if running:
                self._end(self.journal.room.places[act.cell])
        elif act.what == "pause":
            place = self.journal.room.places[act.cell]
            self.journal.append(RunPausing(act.cell), now)
            self._end(place)
        else:
            self._begin(act)

    def _begin(self, act: Act) -> None:
        place = self.journal.room.places[act.cell]
        stage = self.journal.courses[place.course].stages[act.stage]
        run = place.run if act.what == "go-on" else ""
        # Before the start, so that a bay whose run nobody wrote down cannot be; the process follows in a second line.
        began = RunBegan(act.cell, act.stage, act.bay, run)
        self.journal.append(began, self.now())
        try:
            pid, started = self.runs.begin(act.cell, stage.recipe, act.bay, run)
        except (AmphoraError, OSError) as error:
            code = getattr(error, "exit_code", 4)
            event = RunEnded(
                act.cell, act.stage, act.bay, "instrument", str(error), run=run, final=not run, exit_code=code
            )
            self.journal.append(event, self.now())
            self.tell(f"! bay {act.bay}: {act.cell}: {error}")
            return
        self.journal.append(replace(began, pid=pid, started=started), self.now())
        self.tell(f"bay {act.bay}: {act.cell}: {stage.name} {'goes on' if run else 'began'}")

    def _say_hands(self, room: Room) -> None:
        wanted = tuple(hands(room))
        hours = self.bays.attended
        there = hours is None or hours.hold(self.now())
        if wanted == self._told or not there:
            return
        self._told = wanted
        if wanted:
            text = "; ".join(in_words(hand) for hand in wanted)
            self.tell(f">>> hands are needed: {text}")
            self.call("person", text)

    # -- the end ----------------------------------------------------------------------------------

    def end_all(self) -> bool:
        """Ask every run to end; return whether none is left. To be called until it is so."""
        for place in self.journal.refresh().places.values():
            if place.state == "running" and place.cell not in self._ending:
                self.journal.append(RunPausing(place.cell), self.now())
                self._end(place)
        for place in list(self.journal.room.places.values()):
            if place.state == "running":
                self._see(place)
        self._late()
        return not any(place.state == "running" for place in self.journal.room.places.values())


def _more(ended: Ended, after: Place) -> str:
    text = f" ({ended.text})" if ended.text else ""
    if after.state == "apart":
        return f"{text}; kept apart"
    if after.state == "done":
        return f"{text}; through"
    return text


def in_words(hand: Hand) -> str:
    """Return what to do, for a person."""
    return f"put {hand.cell} into bay {hand.bay}" if hand.what == "in" else f"take {hand.cell} out of bay {hand.bay}"


@dataclass(frozen=True, slots=True)
class CellShown:
    """A cell of the bag. `step`: the recipe that it is at, None when it is through; `ready_at`: expected, ISO 8601."""

    cell: str
    course: str
    step: str | None
    bay: str | None
    state: State
    ready_at: str | None
    why: str | None


@dataclass(frozen=True, slots=True)
class MomentShown:
    """When hands are needed (ISO 8601), and for what."""

    at: str
    what: str


@dataclass(frozen=True, slots=True)
class BayShown:
    """A bay: the cell in it, and why nothing begins in it."""

    bay: str
    cell: str | None
    stopped: str | None


@dataclass(frozen=True, slots=True)
class SlotShown:
    """A cell in a bay for one recipe, as expected; ISO 8601."""

    cell: str
    bay: str
    recipe: str
    begin: str
    end: str


@dataclass(frozen=True, slots=True)
class QueueShown:
    """How the queue stands and what is expected; what `queue show --json` prints, field by field."""

    cells: tuple[CellShown, ...]
    hands: tuple[MomentShown, ...]
    bays: tuple[BayShown, ...]
    slots: tuple[SlotShown, ...]
    done_at: str | None
    alarm: str | None


def shown(room: Room, facts: Facts, journal: QueueJournal, now: datetime) -> QueueShown:
    """Return how the queue stands and what is expected."""
    plan = forecast(room, facts, now)
    ready: dict[str, datetime] = {}
    for slot in plan.slots:
        ready[slot.cell] = max(slot.end, ready.get(slot.cell, slot.end))

    def of_cell(place: Place) -> CellShown:
        recipe = journal.courses[place.course].stages[place.stage].name
        through = place.state in OVER
        expected = None if through or place.cell in plan.stuck else ready.get(place.cell)
        return CellShown(
            place.cell, place.course, None if through else recipe, place.bay, place.state,
            None if expected is None else _iso(expected), place.why or None,
        )  # fmt: skip

    return QueueShown(
        cells=tuple(of_cell(room.places[cell]) for cell in room.order),
        hands=tuple(MomentShown(_iso(moment.at), "; ".join(map(in_words, moment.what))) for moment in plan.moments),
        bays=tuple(BayShown(name, room.bay(name).cell, room.bay(name).stopped or None) for name in facts.bays),
        slots=tuple(
            SlotShown(slot.cell, slot.bay, slot.recipe, _iso(slot.begin), _iso(slot.end)) for slot in plan.slots
        ),
        done_at=None if plan.done is None else _iso(plan.done),
        alarm=room.alarm or None,
    )


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="minutes")


def check_added(journal: QueueJournal, cells: list[str]) -> None:
    """Refuse cells that are in the queue already.

    Raises:
        InputError: one of them is, and is not through.
    """
    for cell in cells:
        place = journal.room.places.get(cell)
        if place is not None and place.state not in OVER:
            raise InputError(f"{cell}: is in the queue already ({place.state}); drop it first to begin again")


__all__ = ["Ended", "QueueShown", "Runs", "Supervisor", "check_added", "in_words", "shown"]
