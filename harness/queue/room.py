"""Where every cell of a bag stands: the fold over what happened (`happening`). Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import singledispatch
from typing import Any, Literal

from amphora.harness.control.checks import against_the_cell, tells_when_repeated
from amphora.harness.queue.course import Course, stage_to_begin_with
from amphora.harness.queue.happening import (
    AlarmCleared,
    AlarmRaised,
    BayAssigned,
    BayCleared,
    BayStopped,
    CellAdded,
    CellDropped,
    CellMoved,
    GroupStopped,
    HandsDone,
    Happening,
    KeptApart,
    NightSpared,
    OfACell,
    RunBegan,
    RunEnded,
    RunPausing,
)

State = Literal["waiting", "to place", "ready", "running", "paused", "done", "apart", "dropped"]
OVER: tuple[State, ...] = ("done", "apart", "dropped")
MOST_TRIES = 3  # a run that is cut short again and again: the bay is at fault


@dataclass(frozen=True, slots=True)
class Place:
    """One cell of the bag. `stage`: index into its course; `since`: when the one before ended; `run`: to go on with."""

    cell: str
    course: str
    state: State = "waiting"
    stage: int = 0
    bay: str | None = None
    since: datetime | None = None
    run: str = ""
    why: str = ""
    tries: int = 0
    began: datetime | None = None
    pid: int = 0
    started: float = 0.0
    pausing: bool = False
    spared: str = ""  # why it is not worth the stages that are left: on to the last one
    stops: tuple[str, ...] = ()  # what the guard has stopped it for and a person has let go on


@dataclass(frozen=True, slots=True)
class BayNow:
    """One bay. `cell`: in it; `out`: it has to be taken out; `coming`: to be put in; `stopped`: why nothing begins."""

    cell: str | None = None
    out: bool = False
    coming: str | None = None
    stopped: str = ""
    troubles: int = 0  # in a row, with different cells


@dataclass(frozen=True, slots=True)
class Room:
    """The whole bag. `order`: ids, first come first; `alarm`: why everything stands still."""

    places: Mapping[str, Place] = field(default_factory=dict)
    order: tuple[str, ...] = ()
    bays: Mapping[str, BayNow] = field(default_factory=dict)
    alarm: str = ""

    def with_place(self, place: Place) -> "Room":
        """Return it with one cell's place changed."""
        return replace(self, places={**self.places, place.cell: place})

    def bay(self, name: str | None) -> BayNow:
        """Return how a bay stands; one that nothing has happened to is empty."""
        return self.bays.get(name or "", BayNow())

    def with_bay(self, name: str | None, **changes: Any) -> "Room":
        """Return it with one bay changed; None: of a cell that is in no bay nothing changes."""
        return self if name is None else replace(self, bays={**self.bays, name: replace(self.bay(name), **changes)})

    def left(self) -> list[Place]:
        """Return the cells that are not through, in order."""
        return [self.places[cell] for cell in self.order if self.places[cell].state not in OVER]


def fold(events: Iterable[Happening], courses: Mapping[str, Course], room: Room | None = None) -> Room:
    """Return how everything stands after these events.

    Args:
        events: In order.
        courses: By name, each that an event names.
        room: How it stood before; None: nothing was there.
    """
    room = room or Room()
    for event in events:
        room = _after(event, room, courses)
    return room


@singledispatch
def _after(event: Happening, room: Room, courses: Mapping[str, Course]) -> Room:
    """Return the room after something happened, by what it was."""
    raise TypeError(f"{type(event).__name__} is not known here")


@_after.register
def _(event: AlarmRaised, room: Room, courses: Mapping[str, Course]) -> Room:
    return replace(room, alarm=event.text)


@_after.register
def _(event: AlarmCleared, room: Room, courses: Mapping[str, Course]) -> Room:
    return replace(room, alarm="")


@_after.register
def _(event: BayStopped, room: Room, courses: Mapping[str, Course]) -> Room:
    return room.with_bay(event.bay, stopped=event.why)


@_after.register
def _(event: BayCleared, room: Room, courses: Mapping[str, Course]) -> Room:
    return room.with_bay(event.bay, stopped="", troubles=0)


@_after.register
def _(event: GroupStopped, room: Room, courses: Mapping[str, Course]) -> Room:
    for name in event.bays:
        room = room.with_bay(name, stopped=event.why)
    return room


@_after.register
def _(event: CellAdded, room: Room, courses: Mapping[str, Course]) -> Room:
    order = (*(cell for cell in room.order if cell != event.cell), event.cell)
    return replace(room.with_place(Place(event.cell, event.course)), order=order)


@_after.register
def _(event: OfACell, room: Room, courses: Mapping[str, Course]) -> Room:
    place = room.places.get(event.cell)
    return room if place is None else _of_a_cell(event, room, place, courses[place.course])


@singledispatch
def _of_a_cell(event: OfACell, room: Room, place: Place, course: Course) -> Room:
    """Return the room after something happened to a cell of the bag, by what it was."""
    raise TypeError(f"{type(event).__name__} is not known here")


@_of_a_cell.register
def _(event: CellMoved, room: Room, place: Place, course: Course) -> Room:
    rest = [cell for cell in room.order if cell != place.cell]
    rest.insert(max(event.to - 1, 0), place.cell)
    return replace(room, order=tuple(rest))


@_of_a_cell.register
def _(event: CellDropped, room: Room, place: Place, course: Course) -> Room:
    return _leaves(room, replace(place, state="dropped", why=event.why))


@_of_a_cell.register
def _(event: KeptApart, room: Room, place: Place, course: Course) -> Room:
    return _leaves(room, replace(place, state="apart", why=event.why))


@_of_a_cell.register
def _(event: BayAssigned, room: Room, place: Place, course: Course) -> Room:
    room = room.with_place(replace(place, state="to place", bay=event.bay))
    return room.with_bay(event.bay, coming=place.cell)


@_of_a_cell.register
def _(event: HandsDone, room: Room, place: Place, course: Course) -> Room:
    if event.what == "out":
        if room.bay(event.bay).cell == place.cell:
            room = room.with_bay(event.bay, cell=None, out=False)
        return room.with_place(replace(place, bay=None) if place.bay == event.bay else place)
    if place.state != "to place":
        return room
    room = room.with_bay(event.bay, cell=place.cell, out=False, coming=None)
    return room.with_place(replace(place, state="ready"))


@_of_a_cell.register
def _(event: RunBegan, room: Room, place: Place, course: Course) -> Room:
    state: State = place.state if place.state in OVER else "running"  # dropped while it was being started
    return room.with_place(
        replace(
            place, state=state, stage=event.stage, began=event.at, pid=event.pid, started=event.started, pausing=False,
            run=event.run,
        )
    )  # fmt: skip


@_of_a_cell.register
def _(event: RunPausing, room: Room, place: Place, course: Course) -> Room:
    return room.with_place(replace(place, pausing=True))


@_of_a_cell.register
def _(event: NightSpared, room: Room, place: Place, course: Course) -> Room:
    place = replace(place, spared=event.why)
    return room.with_place(place if place.state == "running" else _to_the_last(place, course))


@_of_a_cell.register
def _(event: RunEnded, room: Room, place: Place, course: Course) -> Room:
    """A run ended: on to the next stage, on with the same one, apart, or out of a bay that failed."""
    place = replace(place, run="", pid=0, pausing=False)
    if place.state in OVER:  # a person took it out of the queue while it ran: nothing goes on with it
        room = room if event.safe else room.with_bay(event.bay, stopped=event.said)
        return room.with_place(place)
    if place.spared and place.stage < len(course.stages) - 1 and event.safe and _ended_for_it(event):
        room = room.with_bay(event.bay, troubles=0)
        return room.with_place(_to_the_last(replace(place, since=event.at), course))
    if event.exit_code == 0:
        return _next_stage(room.with_bay(event.bay, troubles=0), place, event, course)
    if not event.safe:
        # Nobody goes near it by program before a person has: what may still be on is no matter of another try.
        room = room.with_bay(event.bay, stopped=event.said)
        return room.with_place(_to_the_last(place, course) if place.spared else _another_try(place, event))
    if event.reason.startswith("guard:") or event.reason == "refused":
        return _stopped(room, place, event)
    return _cut_short(room, place, event, course)


def _next_stage(room: Room, place: Place, event: RunEnded, course: Course) -> Room:
    """A run did what it should."""
    stage = place.stage + 1
    if stage >= len(course.stages):
        return _leaves(room, replace(place, state="done", stage=place.stage, why=place.spared, since=event.at))
    return room.with_place(replace(place, state="ready", stage=stage, since=event.at, tries=0, why=""))


def _stopped(room: Room, place: Place, event: RunEnded) -> Room:
    """The guard stopped it, or it was refused: the bay is put right and it goes on, or it is kept apart."""
    reason = event.reason
    twice = reason in place.stops and tells_when_repeated(reason)
    if reason != "refused" and event.goes_on and not against_the_cell(reason) and not twice:
        # Nothing against the cell (a sensor that is gone, a contact): a person puts it right and clears the bay.
        room = room.with_bay(event.bay, stopped=event.said)
        return room.with_place(replace(_another_try(place, event), stops=(*place.stops, reason)))
    # The cell is the one to look at; a bay in which this happens again and again is, too.
    troubles = room.bay(event.bay).troubles + 1
    room = room.with_bay(event.bay, troubles=troubles)
    if troubles >= MOST_TRIES:
        room = room.with_bay(event.bay, stopped=f"{troubles} cells in a row stopped here, last: {event.text}")
    why = ("a second time, after somebody had looked: " if twice else "") + event.said
    return _leaves(room, replace(place, state="apart", why=why))


def _cut_short(room: Room, place: Place, event: RunEnded, course: Course) -> Room:
    """It ended before its time, by nobody's fault that is known: another try, and at last another bay."""
    tries = place.tries + (0 if event.reason == "paused" else 1)  # paused: on purpose
    if tries < MOST_TRIES:
        return room.with_place(replace(_another_try(place, event), tries=tries))
    why = f"its run was cut short {tries} times: {event.text}"
    room = room.with_bay(event.bay, stopped=why, out=True)
    back = stage_to_begin_with(course, place.stage, None)
    return room.with_place(replace(place, state="waiting", stage=back, tries=0, since=None, why=why))


def _another_try(place: Place, event: RunEnded) -> Place:
    """Return a place whose run goes on where it can, else begins anew."""
    if event.goes_on:
        return replace(place, state="paused", run=event.run, why=event.text)
    return replace(place, state="ready", run="", why=event.text)


def _to_the_last(place: Place, course: Course) -> Place:
    """A cell that is not worth its night goes on with the charge for the shelf."""
    return replace(place, state="ready", stage=len(course.stages) - 1, run="", tries=0, why=place.spared)


def _ended_for_it(event: RunEnded) -> bool:
    """Whether a run ended as it was asked to, or by itself: not by the guard, and not for an instrument."""
    return event.exit_code == 0 or event.reason in ("paused", "interrupted", "killed")


def _leaves(room: Room, place: Place) -> Room:
    """A cell is through: it has to be taken out of its bay, unless nobody has put it in yet."""
    if place.bay is not None:
        bay = room.bay(place.bay)
        if bay.cell == place.cell:
            room = room.with_bay(place.bay, out=True)
        elif bay.coming == place.cell:
            room = room.with_bay(place.bay, coming=None)
            place = replace(place, bay=None)
    return room.with_place(place)


__all__ = ["OVER", "BayNow", "Place", "Room", "fold"]
