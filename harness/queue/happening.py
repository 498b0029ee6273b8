"""What happened to a bag: one frozen type for each kind of event in `queue.jsonl`, and one pair to JSON and back.

Each says when (`utc`, ISO 8601); whoever writes it into the journal stamps it. What a newer version says in addition is
passed over, and so is a kind that is not known here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar, Literal

from amphora.harness.common.as_json import known_of, to_json


@dataclass(frozen=True, slots=True)
class Happening:
    """What all of them say."""

    KIND: ClassVar[str] = ""  # the word in the file

    utc: str = field(default="", kw_only=True)

    @property
    def at(self) -> datetime:
        """Return when it was written, aware."""
        return datetime.fromisoformat(self.utc)


@dataclass(frozen=True, slots=True)
class OfACell(Happening):
    """What happened to one cell."""

    cell: str


@dataclass(frozen=True, slots=True)
class CellAdded(OfACell):
    """It is in the queue, the last in the order."""

    KIND: ClassVar[str] = "added"

    course: str


@dataclass(frozen=True, slots=True)
class CellMoved(OfACell):
    """Its place in the order is another; 1 is the first."""

    KIND: ClassVar[str] = "moved"

    to: int


@dataclass(frozen=True, slots=True)
class CellDropped(OfACell):
    """A person took it out of the queue."""

    KIND: ClassVar[str] = "dropped"

    why: str = ""


@dataclass(frozen=True, slots=True)
class BayAssigned(OfACell):
    """It is to be put into a bay."""

    KIND: ClassVar[str] = "assigned"

    bay: str


@dataclass(frozen=True, slots=True)
class HandsDone(OfACell):
    """A person put it into a bay, or took it out."""

    KIND: ClassVar[str] = "hands"

    bay: str
    what: Literal["in", "out"]


@dataclass(frozen=True, slots=True)
class RunBegan(OfACell):
    """A run of it began or went on. `run`: the folder it goes on with; `pid`, `started`: its process, once it is."""

    KIND: ClassVar[str] = "began"

    stage: int
    bay: str
    run: str = ""
    pid: int = 0
    started: float = 0.0


@dataclass(frozen=True, slots=True)
class RunPausing(OfACell):
    """Its run was asked to end, and is to go on later."""

    KIND: ClassVar[str] = "pausing"


@dataclass(frozen=True, slots=True)
class RunEnded(OfACell):
    """Its run ended. `run`: its folder; `final`: it cannot go on; `safe`: outputs off, read back."""

    KIND: ClassVar[str] = "ended"

    stage: int
    bay: str | None
    reason: str
    text: str = ""
    exit_code: int = field(kw_only=True)
    run: str = ""
    final: bool = False
    safe: bool = True

    @property
    def goes_on(self) -> bool:
        """Tell whether there is a run that can go on."""
        return bool(self.run) and not self.final

    @property
    def said(self) -> str:
        """Return in words why it ended."""
        return self.text or self.reason


@dataclass(frozen=True, slots=True)
class KeptApart(OfACell):
    """Nothing more is done with it."""

    KIND: ClassVar[str] = "apart"

    why: str


@dataclass(frozen=True, slots=True)
class NightSpared(OfACell):
    """It is not worth the stages that are left."""

    KIND: ClassVar[str] = "spared"

    why: str


@dataclass(frozen=True, slots=True)
class BayStopped(Happening):
    """Nothing begins in a bay."""

    KIND: ClassVar[str] = "bay-stopped"

    bay: str
    why: str


@dataclass(frozen=True, slots=True)
class BayCleared(Happening):
    """A person put a bay right."""

    KIND: ClassVar[str] = "bay-cleared"

    bay: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class GroupStopped(Happening):
    """Nothing begins in bays that share an instrument."""

    KIND: ClassVar[str] = "group-stopped"

    bays: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class AlarmRaised(Happening):
    """Smoke or heat: everything stands still."""

    KIND: ClassVar[str] = "alarm"

    text: str


@dataclass(frozen=True, slots=True)
class AlarmCleared(Happening):
    """A person says that it is over."""

    KIND: ClassVar[str] = "alarm-cleared"

    text: str


KINDS: dict[str, type[Happening]] = {
    kind.KIND: kind
    for kind in (
        CellAdded, CellMoved, CellDropped, BayAssigned, HandsDone, RunBegan, RunPausing, RunEnded, KeptApart,
        NightSpared, BayStopped, BayCleared, GroupStopped, AlarmRaised, AlarmCleared,
    )
}  # fmt: skip


def happening_to_json(happening: Happening) -> dict[str, Any]:
    """Return a line of the journal as plain data."""
    return {"kind": happening.KIND, **to_json(happening)}


def happening_of(data: Mapping[str, Any]) -> Happening | None:
    """Return what a line of the journal says; None of a kind that is not known here.

    Raises:
        ValueError: it says nothing of what or when, or a key is missing, or of another kind than it should be.
    """
    word, utc = (data.get(name) for name in ("kind", "utc"))
    if not isinstance(word, str) or not isinstance(utc, str):
        raise ValueError("it does not say what happened and when")
    datetime.fromisoformat(utc)
    kind = KINDS.get(word)
    return None if kind is None else known_of(kind, data)
