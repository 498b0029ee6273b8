"""What the analysis asks of a run's results, which a room above makes: one resistance, one phase, one run.

Whatever has these fields serves (`results.result` does); no room above is imported for it. V, A, Ah, ohm, s, degC;
U is expanded with k = 2, a current is positive into the cell.
"""

from collections.abc import Sequence
from typing import Protocol


class ShownResistance(Protocol):
    """One resistance as a run shows it."""

    @property
    def method(self) -> str:
        """How it was found."""

    @property
    def ohm(self) -> float | None:
        """The value; None: none."""

    @property
    def U_ohm(self) -> float | None:
        """Its expanded uncertainty."""

    @property
    def current_A(self) -> float:
        """The change of current."""

    @property
    def duration_s(self) -> float:
        """The time after the change."""

    @property
    def charge_state(self) -> float | None:
        """Where: 1 full."""

    @property
    def t_s(self) -> float:
        """When."""


class ShownPhase(Protocol):
    """One charge or discharge as a run shows it."""

    @property
    def kind(self) -> str:
        """Charge or discharge."""

    @property
    def begin_s(self) -> float:
        """When it began."""

    @property
    def end_s(self) -> float:
        """When it ended."""

    @property
    def main_current_A(self) -> float | None:
        """What flowed most of it."""

    @property
    def capacity_Ah(self) -> float | None:
        """What was given."""


class ShownRun(Protocol):
    """A run's results, as far as a cell is made of them."""

    @property
    def run(self) -> str:
        """The run's folder."""

    @property
    def chemistry(self) -> str:
        """As declared."""

    @property
    def form(self) -> str:
        """As declared."""

    @property
    def capacity_Ah(self) -> float | None:
        """What was given."""

    @property
    def capacity_U_Ah(self) -> float | None:
        """Its expanded uncertainty."""

    @property
    def temperature_degC(self) -> float | None:
        """Of the cell."""

    @property
    def phases(self) -> Sequence[ShownPhase]:
        """In order of time."""

    @property
    def resistances(self) -> Sequence[ShownResistance]:
        """In order of time."""
