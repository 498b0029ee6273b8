"""The parts of the GUM that no command of ours needs: second methods for the budgets that the program makes.

Checked against the examples of JCGM 100:2008 and 101:2008 themselves (tests/external/test_gum.py); what the program
does use of them stands here beside, from `analysis.uncertainty`.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.analysis.uncertainty import (
    digits,
    line,
    make_budget,
    rectangular,
    standard,
    with_check,
    with_room,
    with_zero,
)
from amphora.harness.common.errors import AnalysisError

__all__ = [
    "arcsine", "combine", "coverage_factor", "digits", "effective_freedom", "line", "make_budget", "mean_with_u",
    "monte_carlo", "propagate", "rectangular", "standard", "triangular", "with_check", "with_room", "with_zero",
]  # fmt: skip


def triangular(half_width: float) -> float:
    """Return the standard uncertainty of a triangle +-a: a/sqrt(6). Source: JCGM 100:2008, 4.3.9."""
    return abs(half_width) / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """Return the standard uncertainty of a cyclic +-a: a/sqrt(2). Source: JCGM 100:2008, H.1.3.4."""
    return abs(half_width) / math.sqrt(2.0)


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
