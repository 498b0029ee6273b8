"""Prediction of one value from a few others, with an interval whose coverage holds for any distribution. Pure.

The jackknife+ over a ridge line: each known case is left out once, the line without it predicts both it and the new
case; the interval is made of these. It covers the truth in at least 1 - 2*alpha of new cases, and in about 1 - alpha
on the mean, as long as the new case is drawn like the known ones (is exchangeable with them). Whoever asks has to see
to that: `outside` says which value of the new case lies outside what the known ones had.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError

RIDGE = 0.01  # of the number of cases, on standardised columns: holds columns apart that say nearly the same


@dataclass(frozen=True, slots=True)
class Prediction:
    """An interval and how much the columns tell. `skill`: 1 - squares of errors left out / without columns."""

    low: float
    middle: float
    high: float
    skill: float
    cases: int


def least_cases(alpha: float) -> int:
    """Return how many cases an interval of 1 - alpha needs: with fewer it is endless.

    Args:
        alpha: Share of new cases that may lie outside, 0 to 1.

    Source: Barber, Candes, Ramdas & Tibshirani 2021, Annals of Statistics 49(1) 486-507: the k-th smallest of n
        values with k = ceil((1 - alpha)(n + 1)) has to exist.
    """
    return math.ceil((1.0 - alpha) / alpha - 1e-9)


def jackknife_plus(columns: FloatArray, values: FloatArray, new: FloatArray, alpha: float = 0.05) -> Prediction:
    """Return the jackknife+ interval of a new case.

    Args:
        columns: Shape (n, p), finite: what is known of each case.
        values: Shape (n,), finite: what is to be predicted.
        new: Shape (p,), finite: the new case.
        alpha: Share of new cases that may lie outside.

    Raises:
        AnalysisError: shapes differ, a value is not finite, or there are fewer cases than `least_cases` or p + 2.

    Source: Barber, Candes, Ramdas & Tibshirani 2021, Annals of Statistics 49(1) 486-507, equation 1.3 (from memory);
        leaving one out of a ridge line in closed form: Sherman-Morrison, standard algebra.
    """
    n, p = columns.shape
    if values.shape != (n,) or new.shape != (p,):
        raise AnalysisError(f"shapes {columns.shape}, {values.shape}, {new.shape} do not go together")
    if not (np.isfinite(columns).all() and np.isfinite(values).all() and np.isfinite(new).all()):
        raise AnalysisError("a value is not finite")
    if n < max(least_cases(alpha), p + 2):
        raise AnalysisError(f"{n} cases are too few; {max(least_cases(alpha), p + 2)} are needed")
    middle, spread = columns.mean(axis=0), columns.std(axis=0)
    spread = np.where(spread > 0.0, spread, 1.0)
    X = np.column_stack((np.ones(n), (columns - middle) / spread))
    x = np.concatenate(([1.0], (new - middle) / spread))
    penalty = np.diag([0.0, *([RIDGE * n] * p)])
    inverse = np.linalg.inv(X.T @ X + penalty)
    beta = inverse @ (X.T @ values)
    hat = np.einsum("ij,jk,ik->i", X, inverse, X)
    left_out = (values - X @ beta) / (1.0 - hat)  # error at each case of the line made without it
    at_new = x @ beta - (X @ (inverse @ x)) * left_out  # what that line says of the new case
    size = np.abs(left_out)
    rank = math.ceil((1.0 - alpha) * (n + 1) - 1e-9)
    high = float(np.sort(at_new + size)[rank - 1])
    low = -float(np.sort(-(at_new - size))[rank - 1])
    null = (values - values.mean()) * n / (n - 1)
    skill = 1.0 - float(left_out @ left_out) / max(float(null @ null), 1e-300)
    return Prediction(low, float(x @ beta), high, skill, n)


def outside(columns: FloatArray, new: FloatArray, share: float) -> int | None:
    """Return the first column in which a new case lies outside what the known ones had; None where it lies inside.

    Args:
        columns: Shape (n, p).
        new: Shape (p,).
        share: So much of a column's range may a new case lie beyond its ends.

    Source: common practice: a line is not believed beyond what it was made from.
    """
    low, high = columns.min(axis=0), columns.max(axis=0)
    beyond = share * (high - low)
    bad = np.flatnonzero((new < low - beyond) | (new > high + beyond) | ~np.isfinite(new))
    return int(bad[0]) if bad.size else None


def as_columns(rows: Sequence[Sequence[float]]) -> FloatArray:
    """Return rows of plain numbers as an array, shape (n, p). Source: none, plain data."""
    return np.asarray(rows, dtype=np.float64)


__all__ = ["Prediction", "as_columns", "jackknife_plus", "least_cases", "outside"]
