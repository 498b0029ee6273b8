"""Where every cell of a bag stands: the fold over the queue's journal. Pure.

Events, one table each, in order: `added` (cell, course), `moved` (cell, to), `dropped` (cell, why), `assigned` (cell,
bay), `hands` (cell, bay, what: "in" or "out"), `began` (cell, stage, bay, pid, started, run), `ended` (cell, stage,
bay, reason, text, exit_code, run, final, safe), `pausing` (cell), `apart` (cell, why), `spared` (cell, why),
`bay-stopped` (bay, why), `bay-cleared` (bay), `group-stopped` (bays, why), `alarm` (text),
`alarm-cleared` (text). Each has `utc`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from amphora.harness.control.checks import against_the_cell, tells_when_repeated
from amphora.harness.queue.course import Course, stage_to_begin_with

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

    def with_bay(self, name: str, bay: BayNow) -> "Room":
        """Return it with one bay changed."""
        return replace(self, bays={**self.bays, name: bay})

    def left(self) -> list[Place]:
        """Return the cells that are not through, in order."""
        return [self.places[cell] for cell in self.order if self.places[cell].state not in OVER]


def fold(events: Iterable[Mapping[str, Any]], courses: Mapping[str, Course], room: Room | None = None) -> Room:
    """Return how everything stands after these events.

    Args:
        events: In order.
        courses: By name, each that an event names.
        room: How it stood before; None: nothing was there.
    """
    room = room or Room()
    for event in events:
        room = _after(room, event, courses)
    return room


def _after(room: Room, event: Mapping[str, Any], courses: Mapping[str, Course]) -> Room:
    kind = event["kind"]
    if kind == "alarm":
        return replace(room, alarm=str(event["text"]))
    if kind == "alarm-cleared":
        return replace(room, alarm="")
    if kind == "bay-stopped":
        bay = room.bays.get(event["bay"], BayNow())
        return room.with_bay(event["bay"], replace(bay, stopped=str(event["why"])))
    if kind == "bay-cleared":
        bay = room.bays.get(event["bay"], BayNow())
        return room.with_bay(event["bay"], replace(bay, stopped="", troubles=0))
    if kind == "group-stopped":
        for name in event["bays"]:
            bay = room.bays.get(name, BayNow())
            room = room.with_bay(name, replace(bay, stopped=str(event["why"])))
        return room
    cell = str(event["cell"])
    if kind == "added":
        place = Place(cell, str(event["course"]))
        order = (*(item for item in room.order if item != cell), cell)
        return replace(room.with_place(place), order=order)
    if cell not in room.places:
        return room
    if kind == "moved":
        rest = [item for item in room.order if item != cell]
        rest.insert(max(int(event["to"]) - 1, 0), cell)
        return replace(room, order=tuple(rest))
    return _of_a_cell(room, event, courses[room.places[cell].course])


def _of_a_cell(room: Room, event: Mapping[str, Any], course: Course) -> Room:
    kind, place = event["kind"], room.places[str(event["cell"])]
    if kind == "dropped":
        return _leaves(room, replace(place, state="dropped", why=str(event.get("why", ""))))
    if kind == "apart":
        return _leaves(room, replace(place, state="apart", why=str(event["why"])))
    if kind == "assigned":
        room = room.with_place(replace(place, state="to place", bay=str(event["bay"])))
        bay = room.bays.get(event["bay"], BayNow())
        return room.with_bay(str(event["bay"]), replace(bay, coming=place.cell))
    if kind == "hands":
        bay = room.bays.get(event["bay"], BayNow())
        if event["what"] == "out":
            if bay.cell == place.cell:
                room = room.with_bay(str(event["bay"]), replace(bay, cell=None, out=False))
            return room.with_place(replace(place, bay=None) if place.bay == event["bay"] else place)
        if place.state != "to place":
            return room
        room = room.with_bay(str(event["bay"]), replace(bay, cell=place.cell, out=False, coming=None))
        return room.with_place(replace(place, state="ready"))
    if kind == "began":
        state: State = place.state if place.state in OVER else "running"  # dropped while it was being started
        return room.with_place(
            replace(
                place, state=state, stage=int(event["stage"]), began=at(event), pid=int(event.get("pid", 0)),
                started=float(event.get("started", 0.0)), pausing=False, run=str(event.get("run", "")),
            )
        )  # fmt: skip
    if kind == "pausing":
        return room.with_place(replace(place, pausing=True))
    if kind == "spared":
        place = replace(place, spared=str(event["why"]))
        return room.with_place(place if place.state == "running" else _to_the_last(place, course))
    if kind == "ended":
        return _ended(room, place, event, course)
    return room


def _ended(room: Room, place: Place, event: Mapping[str, Any], course: Course) -> Room:
    """A run ended: on to the next stage, on with the same one, apart, or out of a bay that failed."""
    name = str(event["bay"])
    bay = room.bays.get(name, BayNow())
    code, reason = int(event["exit_code"]), str(event["reason"])
    run, text = str(event.get("run") or ""), str(event.get("text", ""))
    place = replace(place, run="", pid=0, pausing=False)
    if place.state in OVER:  # a person took it out of the queue while it ran: nothing goes on with it
        if not event.get("safe", True):
            room = room.with_bay(name, replace(bay, stopped=text or reason))
        return room.with_place(place)
    if (
        place.spared
        and place.stage < len(course.stages) - 1
        and event.get("safe", True)
        and _ended_for_it(code, reason)
    ):
        room = room.with_bay(name, replace(bay, troubles=0))
        return room.with_place(_to_the_last(replace(place, since=at(event)), course))
    if code == 0:
        room = room.with_bay(name, replace(bay, troubles=0))
        stage = place.stage + 1
        if stage >= len(course.stages):
            return _leaves(room, replace(place, state="done", stage=place.stage, why=place.spared, since=at(event)))
        return room.with_place(replace(place, state="ready", stage=stage, since=at(event), tries=0, why=""))
    keep = bool(run) and not bool(event.get("final"))
    if not event.get("safe", True):
        # Nobody goes near it by program before a person has: what may still be on is no matter of another try.
        room = room.with_bay(name, replace(bay, stopped=text or reason))
        if place.spared:
            return room.with_place(_to_the_last(place, course))
        return room.with_place(replace(place, state="paused" if keep else "ready", run=run if keep else "", why=text))
    twice = reason in place.stops and tells_when_repeated(reason)
    if reason.startswith("guard:") and keep and not against_the_cell(reason) and not twice:
        # Nothing against the cell (a sensor that is gone, a contact): a person puts it right and clears the bay.
        room = room.with_bay(name, replace(bay, stopped=text or reason))
        return room.with_place(replace(place, state="paused", run=run, why=text, stops=(*place.stops, reason)))
    if reason.startswith("guard:") or reason == "refused":
        # The cell is the one to look at; a bay in which this happens again and again is, too.
        room = _trouble(room, name, bay, f"{bay.troubles + 1} cells in a row stopped here, last: {text}")
        why = ("a second time, after somebody had looked: " if twice else "") + (text or reason)
        return _leaves(room, replace(place, state="apart", why=why))
    on_purpose = reason == "paused"
    tries = place.tries + (0 if on_purpose else 1)
    if tries >= MOST_TRIES:
        why = f"its run was cut short {tries} times: {text}"
        room = room.with_bay(name, replace(bay, stopped=why, out=True))
        back = stage_to_begin_with(course, place.stage, None)
        return room.with_place(replace(place, state="waiting", stage=back, tries=0, since=None, why=why))
    return room.with_place(
        replace(place, state="paused" if keep else "ready", run=run if keep else "", tries=tries, why=text)
    )


def _to_the_last(place: Place, course: Course) -> Place:
    """A cell that is not worth its night goes on with the charge for the shelf."""
    return replace(place, state="ready", stage=len(course.stages) - 1, run="", tries=0, why=place.spared)


def _ended_for_it(code: int, reason: str) -> bool:
    """Whether a run ended as it was asked to, or by itself: not by the guard, and not for an instrument."""
    return code == 0 or reason in ("paused", "interrupted", "killed")


def _trouble(room: Room, name: str, bay: BayNow, why: str) -> Room:
    troubles = bay.troubles + 1
    return room.with_bay(name, replace(bay, troubles=troubles, stopped=why if troubles >= MOST_TRIES else bay.stopped))


def _leaves(room: Room, place: Place) -> Room:
    """A cell is through: it has to be taken out of its bay, unless nobody has put it in yet."""
    if place.bay is not None:
        bay = room.bays.get(place.bay, BayNow())
        if bay.cell == place.cell:
            room = room.with_bay(place.bay, replace(bay, out=True))
        elif bay.coming == place.cell:
            room = room.with_bay(place.bay, replace(bay, coming=None))
            place = replace(place, bay=None)
    return room.with_place(place)


def at(event: Mapping[str, Any]) -> datetime:
    """Return when an event was written, aware."""
    return datetime.fromisoformat(str(event["utc"]))


__all__ = ["OVER", "BayNow", "Place", "Room", "fold"]
