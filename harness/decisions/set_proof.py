"""The best choice of sets there is, by an integer program over every set that could still better the one at hand."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray
from amphora.harness.decisions.set_bound import (
    BETTER,
    MOST_COLUMNS,
    all_below,
    cost_of_missing,
    linear_program,
    set_cost,
    set_costs,
)


@dataclass(frozen=True, slots=True)
class Choice:
    """Sets chosen. `at_least`: no choice of as many sets costs less; `at_most_sets`: no choice has more."""

    sets: tuple[tuple[int, ...], ...]
    total: float
    at_least: float
    at_most_sets: int
    exact: bool


def prove(
    points: FloatArray,
    rows: IntArray,
    good: list[list[int]],
    size: int,
    count: int,
    widest: float,
    left_s: Callable[[], float],
) -> Choice | None:
    """Return the best choice there is, by an integer program; None when it was not proven in time.

    Dual prices of the linear program over all sets say what a set costs above its worth. A set whose excess is larger
    than what the choice at hand lies above the program's total is in no better choice. All others are columns.

    Args:
        points: Weighted coordinates, shape (n, d).
        rows: Sets to begin with, shape (m, size).
        good: The choice at hand; none of its sets costs more than `widest`.
        size, count: Cells in a set, sets wanted at most.
        widest: No set may cost more.
        left_s: Gives the seconds that are left.

    Source: reduced-cost fixing, as in textbooks of integer programming (Nemhauser and Wolsey 1988, II.5; from memory).
    """
    rows = np.unique(np.concatenate([rows, np.sort(np.array(good, dtype=np.int64).reshape(-1, size), axis=1)]), axis=0)
    whole = _program_over_all(points, rows, size, count, len(good), widest, left_s)
    if whole is None:
        return None
    if whole.count == 0:
        return Choice((), 0.0, 0.0, 0, True)
    total = sum(set_cost(points, members) for members in good)
    gap = total + cost_of_missing(points) * (whole.count - len(good)) - whole.at_least
    proven = True
    if gap > BETTER:
        found = _by_integers(points, whole, size, gap, widest, left_s)
        if found is None:
            return None
        sets, proven = found
        sets_total = sum(set_cost(points, members) for members in sets)
        if (-len(sets), sets_total) < (-len(good), total - BETTER):
            good, total = sets, sets_total
        if not proven and len(good) < whole.count:
            return None
    chosen = tuple(tuple(sorted(members)) for members in good)
    return Choice(chosen, total, total if proven else min(whole.at_least, total), len(good), proven)


@dataclass(frozen=True, slots=True)
class _Program:
    """The linear program over all sets, solved. `rows`: the sets it was given; no other would change it."""

    rows: IntArray
    dual_prices: FloatArray
    count: int  # sets that there can be at most
    at_least: float  # its total, what is missing counted


def _program_over_all(
    points: FloatArray,
    rows: IntArray,
    size: int,
    count: int,
    made: int,
    widest: float,
    left_s: Callable[[], float],
) -> _Program | None:
    """Return the linear program, given sets until its prices leave none below its worth; None when time is up.

    Args:
        points, rows, size, count, widest, left_s: As for `prove`.
        made: Sets of the choice at hand.
    """
    missing = cost_of_missing(points)
    while True:
        left = left_s()
        solved = linear_program(points, rows, range(len(points)), count, left) if left > 0 and len(rows) else None
        if solved is None:
            return None
        shares, prices = solved
        dear = all_below(points, prices, size, -BETTER, widest, lambda: left_s() < 0)
        if dear is None:
            return None
        grown = np.unique(np.concatenate([rows, *(found[np.argsort(worth)[:10]] for found, worth in dear)]), axis=0)
        if len(grown) > len(rows):
            rows = grown
            continue
        whole = math.floor(float(shares.sum()) + 1e-6)  # no choice has more sets than the program has shares
        if not (float(shares.sum()) < count - 1e-6 and made <= whole < count):
            at_least = float(shares @ set_costs(points, rows)) + missing * (count - float(shares.sum()))
            return _Program(rows, prices, count, at_least)
        count = whole
        if count == 0:
            return _Program(rows, prices, 0, 0.0)


def _by_integers(
    points: FloatArray, whole: _Program, size: int, gap: float, widest: float, left_s: Callable[[], float]
) -> tuple[list[list[int]], bool] | None:
    """Return the best sets, and whether that is proven; None where there are too many columns or time is up.

    Args:
        points, size, widest, left_s: As for `prove`.
        whole: The linear program over all sets.
        gap: What the choice at hand lies above its total.
    """
    import scipy.optimize
    from scipy.sparse import csr_matrix

    columns = all_below(points, whole.dual_prices, size, gap + BETTER, widest, lambda: left_s() < 0)
    if columns is None:
        return None
    rows = np.unique(np.concatenate([whole.rows, *(found for found, _ in columns)]), axis=0)
    left = left_s()
    if len(rows) > MOST_COLUMNS or left <= 0:
        return None
    number = np.repeat(np.arange(len(rows)), size)
    inside = csr_matrix((np.ones(rows.size), (rows.ravel(), number)), shape=(len(points), len(rows)))
    solve: Any = scipy.optimize.milp  # its stubs know no sparse matrix
    answer = solve(
        set_costs(points, rows) - cost_of_missing(points),
        constraints=[
            scipy.optimize.LinearConstraint(inside, -np.inf, 1.0),
            scipy.optimize.LinearConstraint(np.ones((1, len(rows))), -np.inf, whole.count),
        ],
        integrality=np.ones(len(rows)), bounds=scipy.optimize.Bounds(0, 1),
        options={"time_limit": left, "mip_rel_gap": 0.0},
    )  # fmt: skip
    if answer.x is None:
        return None
    return [rows[k].tolist() for k in np.flatnonzero(answer.x > 0.5).tolist()], answer.status == 0
