"""The interval learned from like cases: its closed form against the plain one, and its coverage."""

import math

import numpy as np
import pytest

from amphora.harness.analysis.prediction import RIDGE, jackknife_plus, least_cases, outside
from amphora.harness.common.errors import AnalysisError


def plainly(columns: np.ndarray, values: np.ndarray, new: np.ndarray, alpha: float) -> tuple[float, float]:
    """Barber et al. 2021, equation 1.3, one case left out after another and the line made anew each time."""
    n = len(values)
    middle, spread = columns.mean(axis=0), columns.std(axis=0)
    X = np.column_stack((np.ones(n), (columns - middle) / spread))
    x = np.concatenate(([1.0], (new - middle) / spread))
    penalty = np.diag([0.0, *([RIDGE * n] * columns.shape[1])])
    low, high = [], []
    for left in range(n):
        keep = np.arange(n) != left
        beta = np.linalg.solve(X[keep].T @ X[keep] + penalty, X[keep].T @ values[keep])
        error = abs(values[left] - X[left] @ beta)
        low.append(x @ beta - error)
        high.append(x @ beta + error)
    return sorted(low)[math.floor(alpha * (n + 1) + 1e-9) - 1], sorted(high)[
        math.ceil((1 - alpha) * (n + 1) - 1e-9) - 1
    ]


@pytest.mark.parametrize("n", [20, 39, 61])
def test_it_is_the_jackknife_plus_of_the_paper(n: int) -> None:
    rng = np.random.default_rng(n)
    columns = rng.normal(size=(n, 3))
    values = columns @ [1.0, -0.5, 0.2] + rng.normal(size=n)
    new = rng.normal(size=3)
    found = jackknife_plus(columns, values, new, 0.05)
    assert (found.low, found.high) == pytest.approx(plainly(columns, values, new, 0.05))


@pytest.mark.parametrize("heavy", [False, True])
def test_it_covers_as_often_as_it_says_whatever_the_errors_are_drawn_from(heavy: bool) -> None:
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(1500):
        columns = rng.normal(size=(31, 2))
        noise = rng.standard_t(2.0, size=31) if heavy else rng.normal(size=31)
        values = columns @ [1.0, 1.0] + noise * np.exp(0.3 * columns[:, 0])
        found = jackknife_plus(columns[:30], values[:30], columns[30])
        inside += found.low <= values[30] <= found.high
    assert 0.93 <= inside / 1500 <= 0.985  # 1 - alpha = 0.95; with 30 cases the ranks give up to 0.97


def test_columns_without_connection_have_no_skill_and_like_ones_have() -> None:
    rng = np.random.default_rng(2)
    columns = rng.normal(size=(50, 2))
    new = columns[0]
    assert jackknife_plus(columns, rng.normal(size=50), new).skill < 0.2
    assert jackknife_plus(columns, columns[:, 0] + 0.1 * rng.normal(size=50), new).skill > 0.9


def test_too_few_cases_have_no_interval() -> None:
    assert least_cases(0.05) == 19
    with pytest.raises(AnalysisError, match="18 cases are too few; 19 are needed"):
        jackknife_plus(np.zeros((18, 1)), np.zeros(18), np.zeros(1))
    with pytest.raises(AnalysisError, match="not finite"):
        jackknife_plus(np.full((30, 1), np.nan), np.zeros(30), np.zeros(1))


def test_outside_names_the_column() -> None:
    columns = np.array([[0.0, 10.0], [1.0, 20.0]])
    assert outside(columns, np.array([0.5, 15.0]), 0.1) is None
    assert outside(columns, np.array([1.1, 15.0]), 0.1) is None
    assert outside(columns, np.array([0.5, 21.1]), 0.1) == 1
    assert outside(columns, np.array([math.nan, 15.0]), 0.1) == 0
