"""Uncertainty by the GUM: standard uncertainties, propagation with correlation, budgets, coverage.

Everything a channel may be off by holds through a whole run (gain, offset, time base), so it is
never divided by the root of the number of readings. u: standard uncertainty; U: expanded, k = 2.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from amphora.harness.analysis.records import FloatArray, Specification
from amphora.harness.common.errors import AnalysisError

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


def triangular(half_width: float) -> float:
    """Return the standard uncertainty of a triangle +-a: a/sqrt(6). Source: JCGM 100:2008, 4.3.9."""
    return abs(half_width) / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """Return the standard uncertainty of a cyclic +-a: a/sqrt(2). Source: JCGM 100:2008, H.1.3.4."""
    return abs(half_width) / math.sqrt(2.0)


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


def combine(
    sensitivities: Sequence[float] | FloatArray,
    standard_u: Sequence[float] | FloatArray,
    correlation: FloatArray | None = None,
) -> float:
    """Return the combined standard uncertainty of a result.

    Args:
        sensitivities: Partial derivatives, shape (n,).
        standard_u: Standard uncertainties of the inputs, shape (n,), none below 0.
        correlation: Correlation coefficients, shape (n, n), or None for independent inputs.

    Raises:
        AnalysisError: shapes differ, a value is not finite, a correlation is beyond +-1.

    Source:
        JCGM 100:2008, 5.1.2 equation 10 and 5.2.2 equation 13.
    """
    parts = np.asarray(sensitivities, float) * np.asarray(standard_u, float)
    if parts.ndim != 1 or not np.isfinite(parts).all():
        raise AnalysisError("sensitivities and uncertainties must be finite, one of each for each input")
    if correlation is None:
        return float(np.sqrt(np.sum(parts**2)))
    matrix = np.asarray(correlation, float)
    if matrix.shape != (parts.size, parts.size) or not (np.abs(matrix) <= 1 + 1e-9).all():
        raise AnalysisError(f"correlations need shape ({parts.size}, {parts.size}) and values from -1 to 1")
    return float(np.sqrt(max(0.0, float(parts @ matrix @ parts))))


def propagate(
    function: Callable[[FloatArray], float],
    estimates: Sequence[float] | FloatArray,
    standard_u: Sequence[float] | FloatArray,
    correlation: FloatArray | None = None,
) -> tuple[float, float, FloatArray]:
    """Return value, combined standard uncertainty and contributions c_i*u_i of y = f(x).

    Sensitivities are found by stepping each input by plus and minus its own uncertainty.

    Args:
        function: Takes the inputs, shape (n,), gives one number.
        estimates: Inputs, shape (n,).
        standard_u: Their standard uncertainties, shape (n,).
        correlation: Shape (n, n), or None.

    Raises:
        AnalysisError: see `combine`.

    Source:
        JCGM 100:2008, 5.1.3 note 2 (numerical sensitivities), 5.2.2 equation 13.
    """
    x = np.asarray(estimates, float)
    u = np.asarray(standard_u, float)
    if x.shape != u.shape or x.ndim != 1:
        raise AnalysisError(f"estimates {x.shape} and uncertainties {u.shape} differ in shape")
    contributions = np.zeros(x.size)
    for index in range(x.size):
        step = np.zeros(x.size)
        step[index] = u[index]
        if u[index] > 0:
            contributions[index] = 0.5 * (function(x + step) - function(x - step))
    return float(function(x)), combine(np.ones(x.size), contributions, correlation), contributions


def effective_freedom(contributions: Sequence[float] | FloatArray, freedom: Sequence[float] | FloatArray) -> float:
    """Return the effective degrees of freedom of a combined uncertainty.

    Args:
        contributions: c_i*u_i, shape (n,), in the result's unit.
        freedom: Degrees of freedom of each, shape (n,); infinity where exactly known.

    Raises:
        AnalysisError: shapes differ, a degree of freedom is not above 0, all contributions are 0.

    Source:
        JCGM 100:2008, G.4.1 equation G.2b (Welch-Satterthwaite).
    """
    parts, nu = np.asarray(contributions, float), np.asarray(freedom, float)
    if parts.shape != nu.shape or not (nu > 0).all():
        raise AnalysisError("each contribution needs degrees of freedom above 0")
    bottom = float(np.sum(parts**4 / nu))
    top = float(np.sum(parts**2)) ** 2
    if top <= 0:
        raise AnalysisError("all contributions are 0; there is nothing to expand")
    return math.inf if bottom == 0 else top / bottom


def coverage_factor(probability: float, freedom: float) -> float:
    """Return k for a two-sided coverage probability; degrees of freedom are cut to whole ones.

    Raises:
        AnalysisError: the probability is not between 0 and 1, the freedom below 1.

    Source:
        JCGM 100:2008, G.4.1 note 1, G.6.4 and table G.2.
    """
    if not 0 < probability < 1 or not freedom >= 1:
        raise AnalysisError(f"coverage {probability:g} with {freedom:g} degrees of freedom has no factor")
    from scipy import stats

    upper = 0.5 * (1 + probability)
    if math.isinf(freedom):
        return float(stats.norm.ppf(upper))
    return float(stats.t.ppf(upper, math.floor(freedom)))


def mean_with_u(readings: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return means, standard uncertainties of the means, and correlations of simultaneous readings.

    Args:
        readings: Shape (n, m): n simultaneous readings of m quantities, n >= 2.

    Raises:
        AnalysisError: wrong shape, or a value that is not finite.

    Source:
        JCGM 100:2008, 4.2.3 equation 5 and 5.2.3 equation 17.
    """
    data = np.asarray(readings, float)
    if data.ndim != 2 or data.shape[0] < 2 or not np.isfinite(data).all():
        raise AnalysisError("two or more simultaneous readings, all finite, shape (n, m), are needed")
    covariance = np.atleast_2d(np.cov(data, rowvar=False)) / data.shape[0]
    u = np.sqrt(np.diag(covariance))
    scale = np.where(u > 0, u, 1.0)
    return data.mean(axis=0), u, covariance / np.outer(scale, scale)


def make_budget(
    quantity: str,
    value: float,
    unit: str,
    lines: Sequence[Contribution],
    k: float = COVERAGE_K,
    notes: Sequence[str] = (),
) -> Budget:
    """Return a budget whose lines are independent of each other; lines that are 0 are left out.

    `notes` say what is not in it, or how a line was come by.

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


def monte_carlo(
    function: Callable[[FloatArray], FloatArray],
    draw: Callable[["np.random.Generator", int], FloatArray],
    draws: int = 200_000,
    probability: float = 0.9545,
    seed: int = 1,
) -> tuple[float, float, tuple[float, float]]:
    """Return mean, standard deviation and the shortest coverage interval of f over drawn inputs.

    Args:
        function: Takes inputs of shape (draws, n), gives results of shape (draws,).
        draw: Takes a generator and a count, gives inputs of shape (count, n).
        draws: How many trials.
        probability: Coverage of the interval.
        seed: Of the generator; the same seed gives the same answer.

    Raises:
        AnalysisError: fewer than 1000 draws.

    Source:
        JCGM 101:2008, clause 7 (propagation by Monte Carlo) and 7.7.3 (shortest interval).
    """
    if draws < 1000:
        raise AnalysisError(f"{draws} draws are too few; 1000 or more are accepted")
    results = np.sort(np.asarray(function(draw(np.random.default_rng(seed), draws)), float))
    inside = math.floor(probability * draws + 0.5)
    widths = results[inside:] - results[: draws - inside]
    low = int(np.argmin(widths))
    return float(results.mean()), float(results.std(ddof=1)), (float(results[low]), float(results[low + inside]))


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
    held = f"{specification.reference_degC:g} °C ± {specification.band_K:g} K"
    if room_degC is None or not math.isfinite(room_degC):
        return replace(specification, away_K=5.0, temperature_note=f"room not known: taken as up to 5 K outside {held}")
    away_K = max(0.0, abs(room_degC - specification.reference_degC) - specification.band_K)
    where = f"{away_K:.1f} K outside" if away_K > 0 else "within"
    return replace(specification, away_K=away_K, temperature_note=f"room at {room_degC:.1f} °C, {where} {held}")
