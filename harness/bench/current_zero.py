"""The current zero of an evening: what each instrument shows while nothing can flow. Pure.

A cheap load that shows 10 mA with its input off adds 100 mAh to a night of ten hours. `Zeros` takes
the readings of the first stretch with everything off, `zeros_of` makes a mean and its standard
uncertainty of them, `judge_zero` says whether a night may begin with it. Ampere, second.
"""

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from amphora.harness.common.words import to_places

LEAST_READINGS = 5
MOST_READINGS = 3600
FAR_OUT = 10.0  # spreads from the middle: no noise gets there
# Where a zero is refused: at five times what the instrument's specification allows. Within the
# specification is as bought; a little beyond is an instrument that wants adjusting, and the mean is
# taken off anyway; five times is no drift any more: something flows, or the channel is broken, and
# a mean says nothing of what it will be in an hour. Never below 5 mA (50 mAh in ten hours, 5 % of a
# cell of 1 Ah: the order of a good grade's margin), never above 20 mA (what the cheapest meters that are let in need).
REFUSE_FACTOR = 5.0
REFUSE_LEAST_A = 0.005
REFUSE_MOST_A = 0.020
NIGHT_H = 10.0


@dataclass
class Zeros:
    """Takes readings by instrument while everything is off."""

    names: tuple[str, ...]
    readings: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def note(self, t_s: float, answers: Mapping[str, Mapping[str, float]]) -> None:
        """Take one reading of each instrument that gave a current."""
        for name in self.names:
            current_A = answers.get(name, {}).get("current_A")
            if current_A is not None:
                kept = self.readings.setdefault(name, [])
                if len(kept) < MOST_READINGS:
                    kept.append((t_s, current_A))

    @property
    def enough(self) -> bool:
        """Whether any instrument has given enough readings for a mean."""
        return any(len(kept) >= LEAST_READINGS for kept in self.readings.values())


@dataclass(frozen=True)
class InstrumentZero:
    """What one instrument shows with nothing flowing: mean, its standard uncertainty, how it was taken."""

    instrument: str
    current_A: float
    standard_uncertainty_A: float
    readings: int
    duration_s: float
    left_out: int = 0


def zeros_of(taken: Zeros, resolution_A: Mapping[str, float]) -> list[InstrumentZero]:
    """Return the zero of each instrument that gave at least five readings.

    A reading that stands far out (one garbled number) is left out: it would go on through the night.

    Args:
        taken: The readings.
        resolution_A: Last digit of each instrument's current, A; what is missing counts as none.

    Source: JCGM 100:2008 4.2.3 (type A: s/√n) and F.2.2.1 (a digit's width over √12); the scaled median
    of deviations, 1.4826 MAD, as a spread that one wild value does not move (common practice).
    """
    found = []
    for name, kept in taken.readings.items():
        middle_A = statistics.median(value for _, value in kept)
        spread_A = 1.4826 * statistics.median(abs(value - middle_A) for _, value in kept)
        far_A = FAR_OUT * max(spread_A, resolution_A.get(name, 0.0), 1e-6)
        values = [value for _, value in kept if abs(value - middle_A) <= far_A]
        n = len(values)
        if n < LEAST_READINGS:
            continue
        mean_A = math.fsum(values) / n
        spread = math.fsum((value - mean_A) ** 2 for value in values) / (n - 1)
        digit_A = resolution_A.get(name, 0.0)
        u_A = math.sqrt(spread / n + digit_A * digit_A / 12.0)
        found.append(InstrumentZero(name, mean_A, u_A, n, kept[-1][0] - kept[0][0], len(kept) - n))
    return found


def most_zero_A(offset_A: float) -> float:
    """Return up to which current an instrument's zero is accepted, A; above it something flows.

    Args:
        offset_A: What the instrument's specification allows, A.
    """
    return min(max(REFUSE_FACTOR * offset_A, REFUSE_LEAST_A), REFUSE_MOST_A)


Verdict = Literal["fine", "warn", "refuse"]


def judge_zero(zero: InstrumentZero, offset_A: float, assumed: bool) -> tuple[Verdict, str]:
    """Return what a zero means for the night, with one sentence.

    Args:
        zero: What was found.
        offset_A: What the instrument's specification allows, A.
        assumed: The bench file gives no specification, and this is a guess.
    """
    size_A = abs(zero.current_A)
    most_A = most_zero_A(offset_A)
    allowed = f"{offset_A * 1000:g} mA are {'assumed, for want of a specification' if assumed else 'specified'}"
    shown = (
        f"{zero.instrument} shows {to_places(zero.current_A, 2 * zero.standard_uncertainty_A, 2, 1000, 'mA', '+')} "
        f"with everything off ({zero.readings} readings in {zero.duration_s:.0f} s)"
    )
    charge = f"{size_A * NIGHT_H * 1000:.0f} mAh in ten hours"
    if size_A > most_A:
        return "refuse", (
            f"{shown}; {allowed}, and more than {most_A * 1000:g} mA is refused. {cause_of(zero.current_A)}"
        )
    if size_A > offset_A + 2.0 * zero.standard_uncertainty_A:
        return "warn", f"{shown}, {charge}; {allowed}: let it warm up, set its zero, or have it adjusted"
    return "fine", f"{shown}, {charge}; {allowed}"


def cause_of(current_A: float) -> str:
    """Name what is most likely behind a zero that is none."""
    if current_A < 0.0:
        flows = "a bleeder, a lamp or a resistor drains the cell, or the instrument's zero is off"
    else:
        flows = "something charges the cell, or the instrument's zero is off"
    return f"Likely: {flows}. Take the cell out and look again: a current that stays is the instrument's own zero"
