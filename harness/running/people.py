"""Whoever is at the bench, and how a run speaks to them: a line of words, an alarm, a request."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


class Person(Protocol):
    """Whoever is at the bench."""

    def ask(self, text: str, act: str = "") -> None:
        """Put a request; returns at once."""
        ...

    def answered(self) -> bool:
        """Whether the last request has been done."""
        ...


class Attendant(Person, Protocol):
    """Somebody with hands, who is guided through what the bench itself sees was done."""

    def show(self, text: str, act: str = "") -> None:
        """Say what to do; the bench itself sees that it was done."""
        ...

    @property
    def present(self) -> bool:
        """Whether there is somebody who can do such things now."""
        ...


@dataclass
class People:
    """Who answers and who listens; the time of the run at which somebody was asked last, s."""

    person: Person
    tell: Callable[[str], None] | None = None
    alarm: Callable[[str, str], None] | None = None
    called_s: float = 0.0

    def say(self, text: str) -> None:
        """Tell one line of plain words."""
        if self.tell is not None:
            self.tell(text)

    def call(self, kind: str, text: str) -> None:
        """Sound the alarm: at a stop, at the end, or when a person is needed ("stop", "end", "person")."""
        if self.alarm is not None:
            self.alarm(kind, text)
