"""What a cell's capacity is worth beyond one night: how far repeats of one cell scatter, and the item's U from it.

Two uncertainties stand side by side. That of the measurement says how far the figure of this night may be off (the
instruments, the time base, the cut-off). That of the item says how far another test of the same cell, made alike on
another day, may lie from it: charge, rest, warmth and the cell's own mood come beside. Units: Ah, A, V, degC, days.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Literal

PRIOR_SCATTER = 0.005  # standard, of one cell's repeats: 0.25 % robust, 0.5 to 1.5 % plain (measured, laboratory cells)
PRIOR_FREEDOM = 6.0  # how many pairs the prior weighs as much as
LEAST_SCATTER = 0.002  # repeats that happen to agree do not make a cell steadier than the steadiest measured ones
PRIOR_SOURCE = "1,061 pairs of successive tests in open records of laboratory cells: 0.25 % robust, 0.5 to 1.5 % plain"
CLIP = 3.0  # a pair further apart than so many scatters is a change of the cell, and counts as if it stood there
MAD_TO_SIGMA = 1.4826
DECLARED_U = 0.02  # k = 2, of a charge that nobody here saw: 4.15 to 4.25 V at the charger (practice)
STATED_IT = 0.2  # IEC 61960-3, 7.3.1 (from memory); here, where no run at work loads what only analysis needs
LIKE_CURRENT = 0.10
LIKE_K = 5.0
LIKE_CUTOFF_V = 0.010
MOST_DAYS = 30.0  # further apart, ageing comes in

From = Literal["prior", "repeats"]


@dataclass(frozen=True)
class Repeat:
    """One complete discharge of a cell from a known full start. `at_days` on any one scale; None: not known."""

    capacity_Ah: float
    current_A: float | None = None
    cutoff_V: float | None = None
    temperature_degC: float | None = None
    at_days: float | None = None


@dataclass(frozen=True)
class Scatter:
    """The standard deviation of one cell's repeats, as a share of its capacity, and what it was learned from."""

    share: float = PRIOR_SCATTER
    pairs: int = 0  # of the cell itself
    shelf_pairs: int = 0  # of other cells

    @property
    def from_(self) -> From:
        """Return whether any repeat was looked at."""
        return "repeats" if self.pairs or self.shelf_pairs else "prior"

    @property
    def text(self) -> str:
        """Return what it stands on, in words."""
        if self.from_ == "prior":
            return f"repeats of one cell taken to scatter by {100 * self.share:.2g} % (1 sigma): {PRIOR_SOURCE}"
        parts = [f"{self.pairs} of this cell"] if self.pairs else []
        parts += [f"{self.shelf_pairs} of other cells"] if self.shelf_pairs else []
        total = self.pairs + self.shelf_pairs
        word = "pair" if total == 1 else "pairs"
        return (
            f"repeats scatter by {100 * self.share:.2g} % (1 sigma), learned from {' and '.join(parts)} {word} of tests"
        )


def alike(a: Repeat, b: Repeat) -> bool:
    """Tell whether two tests of a cell are repeats: current, cut-off, warmth and time; what one lacks the other must.

    Source: the tolerances are common practice.
    """

    def near(x: float | None, y: float | None, most: float) -> bool:
        return (x is None and y is None) if x is None or y is None else abs(x - y) <= most

    return (
        near(a.current_A, b.current_A, LIKE_CURRENT * abs(a.current_A or 0.0))
        and near(a.cutoff_V, b.cutoff_V, LIKE_CUTOFF_V)
        and near(a.temperature_degC, b.temperature_degC, LIKE_K)
        and (a.at_days is None or b.at_days is None or abs(b.at_days - a.at_days) <= MOST_DAYS)
    )


def differences(tests: Sequence[Repeat]) -> list[float]:
    """Return what successive like tests of one cell differ by, later minus earlier, as shares of their mean.

    Source: common practice (paired differences).
    """
    return [
        2 * (b.capacity_Ah - a.capacity_Ah) / (a.capacity_Ah + b.capacity_Ah)
        for a, b in pairwise(tests)
        if a.capacity_Ah > 0 and b.capacity_Ah > 0 and alike(a, b)
    ]


def _pooled(before: float, freedom: float, found: Sequence[float]) -> float:
    """Return a scatter from one that was expected and the differences seen, each clipped where it is a change."""
    if not found:
        return before
    typical = MAD_TO_SIGMA * median(abs(value) for value in found) / math.sqrt(2) if len(found) >= 4 else 0.0
    most = CLIP * math.sqrt(2) * max(before, typical)
    squares = sum(min(abs(value), most) ** 2 for value in found) / 2
    return math.sqrt((freedom * before**2 + squares) / (freedom + len(found)))


@dataclass(frozen=True)
class Beside:
    """What the repeats of a whole shelf say of one cell's scatter, so that each cell need not go through all others.

    `squares`: half the sum of the squared differences, each clipped where it is a change.
    """

    pairs: int = 0
    squares: float = 0.0

    @classmethod
    def of(cls, found: Iterable[Sequence[float]]) -> "Beside":
        """Return what these cells' differences add up to."""
        values = [min(abs(value), CLIP * math.sqrt(2) * PRIOR_SCATTER) for one in found for value in one]
        return cls(len(values), math.fsum(value**2 for value in values) / 2)

    def without(self, own: Sequence[float]) -> "Beside":
        """Return it without one cell that was counted in it."""
        less = Beside.of([own])
        return Beside(self.pairs - less.pairs, max(0.0, self.squares - less.squares))

    @property
    def share(self) -> float:
        """Return the scatter that the prior and these pairs make."""
        return math.sqrt((PRIOR_FREEDOM * PRIOR_SCATTER**2 + self.squares) / (PRIOR_FREEDOM + self.pairs))


def learned(own: Sequence[float] = (), others: Iterable[Sequence[float]] | Beside = ()) -> Scatter:
    """Return the scatter of a cell's repeats, from the prior, the shelf's other cells, and its own repeats.

    Args:
        own: What `differences` gave for the cell.
        others: What it gave for each other cell of the shelf, or all that added up.

    Returns:
        The prior counts as `PRIOR_FREEDOM` pairs; so does what the shelf taught, before the cell's own pairs. A slow
        fall from test to test is in it: it is what the next test will differ by, too.

    Source: a scaled inverse chi-squared prior for a variance (Bayesian standard practice, from memory); differences
        of two repeats have twice the variance of one.
    """
    beside = others if isinstance(others, Beside) else Beside.of(others)
    share = max(LEAST_SCATTER, _pooled(beside.share, PRIOR_FREEDOM, own))
    return Scatter(share, len(own), beside.pairs)


def item_U_Ah(
    capacity_Ah: float, U_Ah: float, start: str = "full", scatter: float = PRIOR_SCATTER, unseen: float = 0.0
) -> float:
    """Return the expanded uncertainty (k = 2) of what a cell holds as an item: of one night, and of its repeats.

    Args:
        capacity_Ah: Of one night.
        U_Ah: Of that measurement, k = 2.
        start: How the discharge began; a charge that nobody saw adds to it.
        scatter: Standard deviation of the cell's repeats, as a share.
        unseen: What may have been drawn between charge and discharge without the voltage telling, as a share.

    Source: JCGM 100:2008, 5.1.2.
    """
    declared = DECLARED_U * capacity_Ah if start == "declared-full" else 0.0
    return math.hypot(U_Ah, 2 * scatter * capacity_Ah, declared, capacity_Ah * unseen / (1.0 - unseen))
