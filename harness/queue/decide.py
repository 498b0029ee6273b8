"""What may be done now with the bag: begun, gone on with, paused, moved by hand. Pure; asks no clock and no file.

`decide` looks at the room as it stands, at what is known of the cells and bays, and at the time. `forecast` runs the
same function forward on expected times: the plan of the evening is the queue itself, not a second opinion.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Literal

from amphora.harness.bench.bays import Bay, Hours
from amphora.harness.queue.course import Course, Stage, stage_to_begin_with
from amphora.harness.queue.happening import (
    AlarmCleared,
    BayAssigned,
    HandsDone,
    KeptApart,
    NightSpared,
    RunBegan,
    RunEnded,
)
from amphora.harness.queue.room import Place, Room, fold

LEAST_CHARGE_S = 20 * 60.0  # of attended hours left: less is not worth the beginning of a charge
SAME_MOMENT = timedelta(minutes=30)  # what hands are needed for within it is one moment
FAR = timedelta(days=120)
MOST_TURNS = 20000


@dataclass(frozen=True, slots=True)
class Facts:
    """What does not stand in the journal.

    courses: By name. bays: By name. hours: In which somebody is there; None: nobody is known to be, nothing charges.
    refused: cell -> why the gate says no. not_worth: cell -> why its night is spared.
    expected_s: (cell, stage) -> how long it is expected to take, second.
    """

    courses: Mapping[str, Course]
    bays: Mapping[str, Bay]
    hours: Hours | None
    refused: Mapping[str, str] = field(default_factory=dict)
    expected_s: Mapping[tuple[str, int], float] = field(default_factory=dict)
    not_worth: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Act:
    """Something to do. `what`: assign, begin, go-on, pause, apart, spare. `stage`: where the course goes on."""

    what: Literal["assign", "begin", "go-on", "pause", "apart", "spare"]
    cell: str
    bay: str = ""
    stage: int = 0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Hand:
    """What a person has to do at a bay: put a cell in, or take it out."""

    cell: str
    bay: str
    what: Literal["in", "out"]


def charges(stage: Stage) -> bool:
    """Tell whether somebody has to be there for a stage."""
    return stage.charges or "supply" in stage.roles


def decide(room: Room, facts: Facts, now: datetime) -> list[Act]:
    """Return what may be done now, in the order in which it is to be done.

    Args:
        room: As the journal has it.
        facts: See there.
        now: Local, aware.
    """
    acts = [
        Act("apart", place.cell, why=facts.refused[place.cell])
        for place in room.left()
        if place.cell in facts.refused and place.state not in ("running",)
    ]
    acts += [
        Act("spare", place.cell, place.bay or "", place.stage, facts.not_worth[place.cell])
        for place in room.left()
        if place.cell in facts.not_worth and not place.spared and place.cell not in facts.refused
    ]
    gone = {act.cell for act in acts}
    acts += _pauses(room, facts, now)
    if room.alarm:
        return acts
    held: set[str] = set()
    for place in room.places.values():
        if place.state == "running" and place.bay is not None:
            held |= facts.bays[place.bay].needs(_stage(place, facts).roles)
    for place in room.left():
        if place.cell in gone or place.state not in ("ready", "paused") or place.bay is None:
            continue
        act = _begin(room, place, facts, now, held)
        if act is not None:
            acts.append(act)
            held |= facts.bays[place.bay].needs(facts.courses[place.course].stages[act.stage].roles)
    return acts + _assign(room, facts, gone, now)


def _stage(place: Place, facts: Facts) -> Stage:
    return facts.courses[place.course].stages[place.stage]


def _pauses(room: Room, facts: Facts, now: datetime) -> list[Act]:
    """Return the charges that nobody is there for any more, where the run itself does not know the days."""
    hours = facts.hours
    if hours is None or hours.every_day() or hours.hold(now):
        return []
    return [
        Act("pause", place.cell, place.bay or "", place.stage, "nobody is there until the next attended hours")
        for place in room.left()
        if place.state == "running" and not place.pausing and charges(_stage(place, facts))
    ]


def _begin(room: Room, place: Place, facts: Facts, now: datetime, held: set[str]) -> Act | None:
    bay_name = place.bay or ""
    bay = room.bay(bay_name)
    if bay.stopped or bay.out or bay.cell != place.cell or bay_name not in facts.bays:
        return None
    course, stage_no = facts.courses[place.course], place.stage
    going_on = place.state == "paused"
    if not going_on:
        since_s = None if place.since is None else (now - place.since).total_seconds()
        stage_no = stage_to_begin_with(course, stage_no, since_s)
        if stage_no == place.stage and since_s is not None and since_s < course.stages[stage_no].after_s:
            return None
    stage = course.stages[stage_no]
    own = facts.bays[bay_name]
    if charges(stage):
        if facts.hours is None or not facts.hours.hold(now) or own.sensor is None:
            return None
        if not going_on and (facts.hours.span(now)[1] - now).total_seconds() < LEAST_CHARGE_S:
            return None
    if own.needs(stage.roles) & held:
        return None
    return Act("go-on" if going_on else "begin", place.cell, bay_name, stage_no)


def _assign(room: Room, facts: Facts, gone: set[str], now: datetime) -> list[Act]:
    """Return which waiting cells go into which free bays: one in each, the first in the order first."""
    free = []
    for name, bay in facts.bays.items():
        as_it_is = room.bay(name)
        leaves = as_it_is.out and as_it_is.cell is not None
        if (
            not as_it_is.stopped
            and as_it_is.coming is None
            and (as_it_is.cell is None or leaves)
            and bay.sensor is not None
        ):
            free.append(name)
    waiting = [place for place in room.left() if place.state == "waiting" and place.cell not in gone]
    return [Act("assign", place.cell, name, place.stage) for place, name in zip(waiting, free, strict=False)]


def hands(room: Room) -> list[Hand]:
    """Return what a person may do now, bay by bay: out before in."""
    found = []
    for name, bay in sorted(room.bays.items()):
        if bay.cell is not None and bay.out:
            found.append(Hand(bay.cell, name, "out"))
    for place in room.left():
        if place.state == "to place" and place.bay is not None and not room.bay(place.bay).stopped:
            found.append(Hand(place.cell, place.bay, "in"))
    return sorted(found, key=lambda hand: (hand.bay, hand.what == "in"))


@dataclass(frozen=True, slots=True)
class Slot:
    """A cell in a bay for one stage, as expected."""

    cell: str
    bay: str
    recipe: str
    begin: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Moment:
    """When hands are needed, and for what: several things together."""

    at: datetime
    what: tuple[Hand, ...]


@dataclass(frozen=True, slots=True)
class Forecast:
    """The plan: who is where until when, what hands are needed when, when the bag is done (None: not to be seen)."""

    slots: tuple[Slot, ...]
    moments: tuple[Moment, ...]
    done: datetime | None
    stuck: tuple[str, ...] = ()  # cells that nothing is expected to bring on, as things stand


def _attended_s(begin: datetime, seconds: float, hours: Hours | None) -> datetime:
    """Return when a charge ends that takes so long and is paused outside of the hours."""
    if hours is None:
        return begin + timedelta(seconds=seconds)
    at = begin
    for _ in range(400):
        start, end = hours.span(at)
        at = max(at, start)
        if (end - at).total_seconds() >= seconds:
            return at + timedelta(seconds=seconds)
        seconds -= (end - at).total_seconds()
        at = end
    return at


def forecast(room: Room, facts: Facts, now: datetime) -> Forecast:
    """Return what is expected of the bag from now on; hands are taken to do their part at once in attended hours."""
    slots: list[Slot] = []
    moments: list[Moment] = []
    ends: dict[str, datetime] = {}
    for place in room.left():
        if place.state == "running":
            stage = _stage(place, facts)
            began = place.began or now
            left_s = max(facts.expected_s.get((place.cell, place.stage), 3600.0) - (now - began).total_seconds(), 60.0)
            ends[place.cell] = _end(now, left_s, stage, facts)
            slots.append(Slot(place.cell, place.bay or "", stage.name, began, ends[place.cell]))
    room = fold([AlarmCleared("", utc=_utc(now))], facts.courses, room)
    at = now
    for _ in range(MOST_TURNS):
        room = _hands_done(room, facts, at, moments)
        acts = [act for act in decide(room, facts, at) if act.what != "pause"]
        for act in acts:
            room = _acted(room, act, facts, at, ends, slots)
        if acts:
            continue
        if not room.left() and not hands(room):
            break
        later = next_time(room, facts, at, ends)
        if later is None or later - now > FAR:
            break
        at = later
        for cell in [cell for cell, end in ends.items() if end <= at]:
            place = room.places[cell]
            utc = _utc(ends.pop(cell))
            event = RunEnded(cell, place.stage, place.bay, "forecast", exit_code=0, utc=utc)
            room = fold([event], facts.courses, room)
    left = [place.cell for place in room.left()]
    done = None if left else max([slot.end for slot in slots], default=now)
    return Forecast(tuple(slots), tuple(_together(moments)), done, tuple(left))


def _end(begin: datetime, seconds: float, stage: Stage, facts: Facts) -> datetime:
    return _attended_s(begin, seconds, facts.hours) if charges(stage) else begin + timedelta(seconds=seconds)


def _hands_done(room: Room, facts: Facts, at: datetime, moments: list[Moment]) -> Room:
    wanted = hands(room)
    if wanted and (facts.hours is None or facts.hours.hold(at)):
        moments.append(Moment(at, tuple(wanted)))
        room = fold([hand_event(hand, _utc(at)) for hand in wanted], facts.courses, room)
    return room


def hand_event(hand: Hand, utc: str = "") -> HandsDone:
    """Return what says that a person did it."""
    return HandsDone(hand.cell, hand.bay, hand.what, utc=utc)


def _acted(
    room: Room, act: Act, facts: Facts, at: datetime, ends: dict[str, datetime], slots: list[Slot]
) -> Room:  # fmt: skip
    utc = _utc(at)
    if act.what == "assign":
        return fold([BayAssigned(act.cell, act.bay, utc=utc)], facts.courses, room)
    if act.what == "spare":
        return fold([NightSpared(act.cell, act.why, utc=utc)], facts.courses, room)
    if act.what == "apart":
        return fold([KeptApart(act.cell, act.why, utc=utc)], facts.courses, room)
    place = room.places[act.cell]
    stage = facts.courses[place.course].stages[act.stage]
    ends[act.cell] = _end(at, facts.expected_s.get((act.cell, act.stage), 3600.0), stage, facts)
    slots.append(Slot(act.cell, act.bay, stage.name, at, ends[act.cell]))
    return fold([RunBegan(act.cell, act.stage, act.bay, utc=utc)], facts.courses, room)


def next_time(room: Room, facts: Facts, at: datetime, ends: Mapping[str, datetime]) -> datetime | None:
    """Return when something can change next."""
    times = [end for end in ends.values() if end > at]
    for place in room.left():
        if place.state == "ready" and place.since is not None:
            times.append(place.since.astimezone(at.tzinfo) + timedelta(seconds=_stage(place, facts).after_s))
    if facts.hours is not None and (room.left() or hands(room)):
        times.append(facts.hours.span(at)[0])
        times.append(facts.hours.span(facts.hours.span(at)[1])[0])
    times = [time for time in times if time > at]
    return min(times, default=None)


def _together(moments: list[Moment]) -> list[Moment]:
    found: list[Moment] = []
    for moment in moments:
        if found and moment.at - found[-1].at <= SAME_MOMENT:
            found[-1] = Moment(found[-1].at, found[-1].what + moment.what)
        else:
            found.append(moment)
    return found


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat()


__all__ = ["Act", "Facts", "Forecast", "Hand", "Moment", "Slot", "decide", "forecast", "hands", "next_time"]
