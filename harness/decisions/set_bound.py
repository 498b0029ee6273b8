"""How good can a choice of sets be at all: dual prices of cells, and a bound that holds whatever they are.

The cost of a set is the sum of its ranges in weighted coordinates, points of shape (n, d). A linear program over the
tightest sets about each cell gives each cell a dual price; what the prices leave unpaid is searched cell by cell
(`lower_bounds`), so that the bound holds whatever sets the program was given. Pure; numpy and scipy.
"""

import heapq
import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray

BETTER = 1e-9
MOST_COLUMNS = 60_000  # sets in the integer program


def set_cost(points: FloatArray, members: Sequence[int]) -> float:
    """Return the cost of one set: the sum of its ranges in weighted coordinates."""
    chosen = points[list(members)]
    return float(np.sum(chosen.max(axis=0) - chosen.min(axis=0)))


def set_costs(points: FloatArray, sets: IntArray) -> FloatArray:
    """Return the cost of each row of `sets`, shape (m,)."""
    chosen = points[sets]
    return np.asarray((chosen.max(axis=1) - chosen.min(axis=1)).sum(axis=1), dtype=float)


def sets_below(
    points: FloatArray,
    prices: FloatArray,
    cell: int,
    size: int,
    below: float,
    widest: float,
    most: int,
) -> tuple[IntArray, FloatArray] | float:
    """Return every set with `cell` in it whose cost less its cells' prices is below `below`, and these values.

    Where more than `most` partial sets would have to be looked at: a number that none of these values goes below.
    """
    distance = np.abs(points - points[cell]).sum(axis=1)
    order = np.argsort(distance, kind="stable")
    order = order[(order != cell) & (distance[order] <= widest)]
    nothing = np.empty((0, size), dtype=np.int64), np.empty(0)
    if order.size < size - 1:
        return nothing
    # A set spans at least to its farthest member, and all its other members are nearer.
    floor = np.full(order.size, math.inf)
    nearer: list[float] = []
    highest = 0.0  # sum of the size - 2 highest prices among the nearer ones
    for rank, k in enumerate(order.tolist()):
        if rank >= size - 2:
            floor[rank] = distance[k] - prices[cell] - prices[k] - highest
        if size > 2:
            if len(nearer) < size - 2:
                heapq.heappush(nearer, prices[k])
                highest += prices[k]
            elif prices[k] > nearer[0]:
                highest += prices[k] - heapq.heapreplace(nearer, prices[k])
    reached = np.flatnonzero(floor < below)
    if not reached.size:
        return nothing
    near = order[: int(reached[-1]) + 1]
    near = near[np.argsort(-prices[near], kind="stable")]  # dear ones first: what can still be added only gets cheaper
    part, worth = points[near], prices[near]
    sums = np.concatenate(([0.0], np.cumsum(worth)))
    low, high = np.minimum(part, points[cell]), np.maximum(part, points[cell])
    chosen, last, paid = np.arange(near.size)[:, None], np.arange(near.size), worth.copy()
    for need in range(size - 2, -1, -1):
        cost = (high - low).sum(axis=1)
        still = sums[np.minimum(last + 1 + need, near.size)] - sums[last + 1]
        keep = (cost - prices[cell] - paid - still < below) & (cost <= widest) & (last + need < near.size)
        chosen, low, high, paid, last, cost = chosen[keep], low[keep], high[keep], paid[keep], last[keep], cost[keep]
        if need == 0:
            return np.column_stack([np.full(len(chosen), cell), near[chosen]]), cost - prices[cell] - paid
        room = near.size - 1 - last
        rows = int(room.sum())
        if rows > most:
            return float(floor.min())
        from_row = np.repeat(np.arange(len(chosen)), room)
        following = np.arange(rows) - np.repeat(np.cumsum(room) - room, room) + last[from_row] + 1
        low, high = np.minimum(low[from_row], part[following]), np.maximum(high[from_row], part[following])
        chosen, paid, last = (
            np.column_stack([chosen[from_row], following]),
            paid[from_row] + worth[following],
            following,
        )
    raise AssertionError("size is 2 or more")


def all_below(
    points: FloatArray,
    prices: FloatArray,
    size: int,
    below: float,
    widest: float,
    over: Callable[[], bool],
) -> list[tuple[IntArray, FloatArray]] | None:
    """Return, for each cell, every set with it whose cost less its cells' prices is below `below`, and these values.

    None when there are too many to search, or time is up.
    """
    everything, number = [], 0
    for i in range(len(points)):
        found = sets_below(points, prices, i, size, below, widest, 4 * MOST_COLUMNS)
        if isinstance(found, float):
            if found < below:
                return None
            continue
        number += len(found[1])
        if over() or number > size * MOST_COLUMNS:
            return None
        everything.append((np.sort(found[0], axis=1), found[1]))
    return everything


def lower_bound_of(worths: FloatArray, size: int, count: int) -> float:
    """Return a lower bound of the total of `count` sets; `worths` of a set's cells add up to its cost at most."""
    return float(np.sort(worths)[: count * size].sum())


def most_sets_of(worths: FloatArray, size: int, count: int, widest: float, missing: float) -> int:
    """Return how many sets there can be at most.

    Let a missing set cost `missing`. Each cell pays min(worth, missing / size), what is over for cells that must be
    left over given back: a lower bound L of total + missing * (count - sets). As the total is at most sets * widest,
    sets <= (missing * count - L) / (missing - widest).
    """
    most = missing / size
    paid = float(np.minimum(worths, most).sum()) - most * (len(worths) - count * size)
    return min(count, math.floor((missing * count - paid) / (missing - widest) + 1e-9))


def lower_bounds(
    points: FloatArray,
    size: int,
    widest: float = math.inf,
    prices: FloatArray | None = None,
    known: IntArray | None = None,
    most: int = 60_000,
) -> tuple[FloatArray, IntArray]:
    """Return (a worth of each cell, sets that stand against more): a set's worths never add up to more than its cost.

    With any prices p whatever: let r_i be the least of "cost less prices" over all sets with cell i in them. Then
    p_i + r_i / size, summed over the cells of any set, is not above its cost. Without prices r_i is the tightest set of
    each cell. `inf`: the cell is in no set at all.

    Args:
        points: Weighted coordinates, shape (n, d).
        size: Cells in a set.
        widest: No set may cost more.
        prices: From a linear program over some of the sets, shape (n,); None: zero.
        known: Sets known beforehand, shape (m, size): only for speed.
        most: Partial sets searched for one cell; beyond it that cell's r is bounded by distances alone.

    Source: duality of linear programming; a set's cost is at least the distance of any two of its cells.
    """
    n = len(points)
    zero = prices is None
    given = np.zeros(n) if prices is None else prices
    least = np.full(n, math.inf)
    if known is not None and len(known):
        costs = set_costs(points, known)
        reduced = np.where(costs <= widest, costs - given[known].sum(axis=1), math.inf)
        for column in range(size):
            np.minimum.at(least, known[:, column], reduced)
    tight: list[IntArray] = []
    for i in range(n):
        below = least[i]
        if math.isinf(below):
            order = np.argsort(np.abs(points - points[i]).sum(axis=1), kind="stable")
            first = [i, *order[order != i][: size - 1].tolist()]
            cost = set_cost(points, first)
            below = cost - float(given[first].sum()) if len(first) == size and cost <= widest else math.inf
            least[i] = below
        found = sets_below(points, given, i, size, below, widest, most)
        if isinstance(found, float):
            least[i] = min(least[i], found)
        elif len(found[1]):
            least[i] = min(least[i], float(found[1].min()))
            best = np.argsort(found[1], kind="stable")[:10]
            tight.append(
                np.sort(found[0][best], axis=1) if zero else np.sort(found[0][best][found[1][best] < -BETTER], axis=1)
            )
    rows = np.concatenate(tight) if tight else np.empty((0, size), dtype=np.int64)
    return given + least / size, rows


def near_sets(points: FloatArray, cells: Sequence[int], size: int, widest: float, keep: int = 50) -> IntArray:
    """Return for each cell the tightest sets with its nearest neighbours, shape (m, size), each once."""
    names = np.array(cells, dtype=np.int64)
    reach = size - 1
    while reach < min(len(names) - 1, 14) and math.comb(reach + 1, size - 1) <= 400:
        reach += 1
    combos = np.array(list(itertools.combinations(range(1, reach + 1), size - 1)), dtype=np.int64)
    part = points[names]
    found = []
    for k in range(len(names)):
        order = np.argsort(np.abs(part - part[k]).sum(axis=1), kind="stable")
        order = np.concatenate(([k], order[order != k][:reach]))
        rows = names[np.column_stack([np.full(len(combos), k), order[combos]])]
        costs = set_costs(points, rows)
        best = np.argsort(costs, kind="stable")[:keep]
        found.append(np.sort(rows[best[costs[best] <= widest]], axis=1))
    return np.unique(np.concatenate(found), axis=0)


def cost_of_missing(points: FloatArray) -> float:
    """Return what a set that is not made costs in the linear program: more than any set can."""
    return 10.0 * float(np.ptp(points, axis=0).sum()) + 1.0


def linear_program(
    points: FloatArray, rows: IntArray, cells: Sequence[int], count: int, seconds: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return (share of each set, price of each cell) of the linear program: `count` sets, each cell at most once.

    A set that cannot be made costs more than any that can. None when it was not solved in time.
    """
    import scipy.optimize
    from scipy.sparse import csr_matrix

    m, n, size = len(rows), len(cells), rows.shape[1]
    place = np.full(len(points), -1)
    place[list(cells)] = np.arange(n)
    number = np.repeat(np.arange(m), size)
    inside = csr_matrix((np.ones(m * size), (place[rows.ravel()], number)), shape=(n, m + 1))
    solve: Any = scipy.optimize.linprog  # its stubs know no sparse matrix
    answer = solve(
        np.concatenate((set_costs(points, rows), [cost_of_missing(points)])), A_ub=inside, b_ub=np.ones(n),
        A_eq=np.ones((1, m + 1)), b_eq=[count], bounds=(0, None), method="highs-ds",
        options={"time_limit": max(seconds, 0.1)},
    )  # fmt: skip
    if answer.status != 0:
        return None
    prices = np.zeros(len(points))
    prices[list(cells)] = answer.eqlin.marginals[0] / size + answer.ineqlin.marginals
    return np.asarray(answer.x[:m]), prices
