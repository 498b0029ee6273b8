"""Rooms for tests of the queue: bays without instruments, and a hand that carries acts out."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from amphora.harness.bench.bays import Bay, Hours
from amphora.harness.common.as_json import known_of
from amphora.harness.queue.course import Course, load_course
from amphora.harness.queue.decide import Act, Facts
from amphora.harness.queue.happening import KINDS, Happening
from amphora.harness.queue.room import Room, fold

BEGIN = datetime(2026, 3, 13, 18, 0, tzinfo=UTC)  # a Friday
COURSE = load_course("one-night")
COURSES: dict[str, Course] = {"one-night": COURSE, "screened-night": load_course("screened-night")}
EVENING = Hours(18.0, 23.0)
USUAL_S = {"charge": 4 * 3600.0, "overnight": 6 * 3600.0, "storage": 2 * 3600.0}


def bay(name: str, shared: Mapping[str, str] | None = None, sensor: str | None = "thermometer") -> Bay:
    return Bay(name, f"bench.toml#{name}", 2.0, f"tile {name}", sensor, frozenset({"load", "supply"}), shared or {})


def facts(cells: list[str], bays: list[Bay], hours: Hours | None = EVENING, **refused: str) -> Facts:
    expected = {(cell, n): USUAL_S[stage.recipe] for cell in cells for n, stage in enumerate(COURSE.stages)}
    return Facts(COURSES, {one.name: one for one in bays}, hours, refused, expected)


def event(kind: str, at: datetime, **more: Any) -> Happening:
    """What happened, as the journal would give it back."""
    return known_of(KINDS[kind], {"utc": at.astimezone(UTC).isoformat(), **more})


def bag(cells: list[str]) -> Room:
    return fold([event("added", BEGIN, cell=cell, course="one-night") for cell in cells], COURSES)


def acted(room: Room, act: Act, at: datetime) -> Room:
    """Return the room after the supervisor has carried an act out."""
    kinds = {"assign": "assigned", "begin": "began", "go-on": "began", "pause": "pausing", "apart": "apart",
             "spare": "spared"}  # fmt: skip
    more: dict[str, Any] = {"cell": act.cell}
    if act.what != "apart":
        more |= {"bay": act.bay, "stage": act.stage}
    if act.what in ("begin", "go-on"):
        more |= {"pid": 1, "run": room.places[act.cell].run}
    return fold([event(kinds[act.what], at, why=act.why, **more)], COURSES, room)


def ended(room: Room, cell: str, at: datetime, code: int = 0, **more: Any) -> Room:
    place = room.places[cell]
    said = {"reason": {0: "time", 3: "guard:temperature-rise", 4: "instrument", 143: "killed"}[code], "text": "so",
            "run": f"logs/{cell}/run", "final": code in (0, 3), **more}  # fmt: skip
    return fold(
        [event("ended", at, cell=cell, bay=place.bay, stage=place.stage, exit_code=code, **said)], COURSES, room
    )


def minutes(count: float) -> timedelta:
    return timedelta(minutes=count)
