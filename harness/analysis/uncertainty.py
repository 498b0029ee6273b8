"""Uncertainty by the GUM: standard uncertainties, propagation with correlation, budgets, coverage.

Everything a channel may be off by holds through a whole run (gain, offset, time base), so it is
never divided by the root of the number of readings. u: standard uncertainty; U: expanded, k = 2.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from amphora.harness.analysis.records import Specification
from amphora.harness.common.words import about

COVERAGE_K = 2.0


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: `contribution` = |sensitivity| * `standard_u`, in the result's unit."""

    name: str
    standard_u: float
    unit: str
    sensitivity: float
    contribution: float
    kind: str  # "A": from repeated readings; "B": from other knowledge
    assumed: bool = False
    note: str = ""


@dataclass(frozen=True)
class Budget:
    """A result with its budget. `u` combined standard, `U` expanded with `k`; all in `unit`."""

    quantity: str
    value: float
    unit: str
    lines: tuple[Contribution, ...]
    u: float
    U: float
    k: float = COVERAGE_K
    notes: tuple[str, ...] = ()


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of limits +-a: a/sqrt(3). Source: JCGM 100:2008, 4.3.7."""
    return abs(half_width) / math.sqrt(3.0)


def digits(step: float) -> float:
    """Return the standard uncertainty of a resolution d: d/sqrt(12). Source: JCGM 100:2008, F.2.2.1."""
    return abs(step) / math.sqrt(12.0)


def standard(limit: float, specification: Specification) -> float:
    """Return the standard uncertainty of one limit of a specification (its gain or offset).

    Source: JCGM 100:2008, 4.3.3 (normal, U/k) and 4.3.7 (rectangular limits).
    """
    if specification.distribution == "normal":
        return abs(limit) / specification.k
    return rectangular(limit)


def make_budget(
    quantity: str,
    value: float,
    unit: str,
    lines: Sequence[Contribution],
    k: float = COVERAGE_K,
    notes: Sequence[str] = (),
) -> Budget:
    """Return a budget whose lines are independent of each other; lines that are 0 are left out.

    `notes` say what is not in it, or how a line was obtained.

    Source: JCGM 100:2008, 5.1.2 equation 10 and 6.2.1.
    """
    kept = tuple(line for line in lines if line.contribution > 0)
    u = math.sqrt(sum(line.contribution**2 for line in kept))
    return Budget(quantity, value, unit, kept, u, k * u, k, tuple(notes))


def line(
    name: str, standard_u: float, unit: str, sensitivity: float, kind: str = "B", assumed: bool = False, note: str = ""
) -> Contribution:
    """Return one line of a budget. Source: JCGM 100:2008, 5.1.3."""
    return Contribution(
        name, standard_u, unit, sensitivity, abs(sensitivity * standard_u), kind, assumed and standard_u > 0, note
    )


def with_zero(specification: Specification, zero_u_A: float, note: str = "") -> Specification:
    """Return a current specification whose offset was measured and taken out: the zero reading of that evening.

    What the specification allowed counts no more, be it less or more.

    Args:
        specification: Of the current channel.
        zero_u_A: Standard uncertainty of the zero: its noise and what it may drift by morning.
        note: What the budget says beside the offset.

    Source: JCGM 100:2008, 3.2.3 and F.2.4.5 (a correction applied leaves its own uncertainty).
    """
    return replace(
        specification,
        offset=_limit(zero_u_A, specification),
        measured=(*specification.measured, "offset"),
        offset_note=note,
    )


def with_check(
    specification: Specification, check_relative_u: float, voltage_gain_u: float = 0.0, note: str = ""
) -> Specification:
    """Return a current specification whose gain was checked against a resistor of known value.

    The check compares current with voltage: an error of the voltmeter's gain is in the current's gain too.
    It counts with the voltage (`gain_follows_voltage`), with the same sign, and is not in `gain`.

    Args:
        specification: Of the current channel.
        check_relative_u: Relative standard uncertainty of the check, the voltmeter's gain left out.
        voltage_gain_u: Relative standard uncertainty of the voltmeter's gain.
        note: What the budget says beside the gain.

    Source: JCGM 100:2008, 3.2.3, F.2.4.5, and F.1.2.3 (quantities that share an instrument are correlated).
    """
    if standard(specification.gain, specification) <= math.hypot(check_relative_u, voltage_gain_u):
        return specification
    return replace(
        specification,
        gain=_limit(check_relative_u, specification),
        measured=(*specification.measured, "gain"),
        gain_follows_voltage=voltage_gain_u > 0,
        gain_note=note,
    )


def _limit(standard_u: float, specification: Specification) -> float:
    """Return the limit that `standard` turns into this standard uncertainty."""
    return standard_u * (specification.k if specification.distribution == "normal" else math.sqrt(3.0))


def with_room(specification: Specification, room_degC: float | None) -> Specification:
    """Return a specification that knows how far the room was outside the temperatures it holds for.

    A maker states accuracy for, say, 23 degC +- 5 K and a coefficient for each kelvin beyond. A room that is
    not known is taken as up to 5 K beyond.

    Args:
        specification: Of any channel; without coefficients it is returned as it is.
        room_degC: Temperature of the room; None: not known.

    Source: common practice of data sheets; JCGM 100:2008, 4.3.7 (the coefficient is a limit).
    """
    if specification.gain_per_K <= 0 and specification.offset_per_K <= 0:
        return specification
    held = about(specification.reference_degC, "°C", specification.band_K, "K")
    if room_degC is None or not math.isfinite(room_degC):
        return replace(specification, away_K=5.0, temperature_note=f"room not known: taken as up to 5 K outside {held}")
    away_K = max(0.0, abs(room_degC - specification.reference_degC) - specification.band_K)
    where = f"{away_K:.1f} K outside" if away_K > 0 else "within"
    return replace(specification, away_K=away_K, temperature_note=f"room at {room_degC:.1f} °C, {where} {held}")
