"""Where each channel of a table comes from."""

from collections.abc import Mapping
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Source:
    """Where a channel comes from: a column (from 0), as a message shows it, and the factor to SI.

    `stated` is whether somebody said the unit: the header, a row of units, the map's factor or `--units`.
    """

    column: int
    shown: str
    factor: float
    guessed: bool = False
    stated: bool = False
    discharges: bool = False  # the header says that it counts the current out of the cell
    channel: str = ""
    clock: str | None = None  # what a clock of two figures shows: mm:ss or h:mm

    def in_unit(self, factor: float) -> "Source":
        """Return it in a unit that somebody stated."""
        return replace(self, factor=factor, stated=True)


@dataclass(frozen=True)
class Sources:
    """The channels that a table has: time, voltage and current, and further ones where there are such."""

    by_channel: Mapping[str, Source]

    @property
    def t(self) -> Source:
        """The time."""
        return self.by_channel["t"]

    @property
    def v(self) -> Source:
        """The voltage."""
        return self.by_channel["v"]

    @property
    def i(self) -> Source:
        """The current."""
        return self.by_channel["i"]

    @property
    def temp(self) -> Source | None:
        """The temperature."""
        return self.by_channel.get("temp")

    @property
    def step(self) -> Source | None:
        """The number of the step."""
        return self.by_channel.get("step")

    @property
    def columns(self) -> frozenset[int]:
        """Return the columns that are taken."""
        return frozenset(source.column for source in self.by_channel.values())

    def changed(self, **sources: Source) -> "Sources":
        """Return them with other ones for some channels."""
        return Sources({**self.by_channel, **sources})
