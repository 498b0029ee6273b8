"""The best sets of cells: all ways for few cells, else local search with a bound beside it, and a proof in its reach.

Small shelves are solved exactly by searching all sets. Larger ones by rounding a linear program and local search that
may be stopped at any time; then an integer program over every set that could still better it proves the best, or finds
it (`set_proof`). Beyond its reach a lower bound says how far from the best the answer can be (`set_bound`).

A set wider than wanted is no set: the most sets that are not too wide are made, then those with the least total.
"""

import itertools
import math
import random
import time
from collections.abc import Callable

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray
from amphora.harness.decisions.set_bound import (
    BETTER,
    cost_of_missing,
    linear_program,
    lower_bound_of,
    lower_bounds,
    most_sets_of,
    near_sets,
    set_cost,
    set_costs,
)
from amphora.harness.decisions.set_proof import Choice, prove

EXACT_UP_TO = 12
TOO_WIDE = 1e3  # what a set that is too wide weighs in the search, beside costs of at most a few
MOST_FOR_PROGRAM = 2000  # cells; beyond it the linear program takes too long
LEAST_SECONDS_FOR_PROGRAM = 0.5
MOST_FOR_PRICES = 6  # cells in a set; beyond it the sets worth their price are too many to search
MOST_FOR_PROOF = 150  # cells; beyond it the integer program takes too long


def choose_sets(
    points: FloatArray,
    size: int,
    count: int,
    seconds: float = 4.0,
    seed: int = 1,
    widest: float = math.inf,
) -> Choice:
    """Return as many sets as can be found, of the least total cost that was found, with a bound beside it.

    Args:
        points: Weighted coordinates, shape (n, d).
        size, count: Cells in a set, sets to make; size * count <= n.
        seconds: About so long; what was best by then is returned.
        seed: For the perturbation of a local best; the same seed and enough time give the same answer.
        widest: No set may cost more.
    """
    if count == 0:
        return Choice((), 0.0, 0.0, 0, True)
    if len(points) <= EXACT_UP_TO:
        exact, total = best_sets(points, size, count, widest)
        return Choice(tuple(exact), total, total, len(exact), True)
    begun = time.monotonic()

    def after(share: float) -> Callable[[], bool]:
        return lambda: time.monotonic() - begun > share * seconds

    rows = np.empty((0, size), dtype=np.int64)
    prices: FloatArray | None = None
    sets: list[list[int]] = []
    free = list(range(len(points)))
    if seconds >= LEAST_SECONDS_FOR_PROGRAM and len(points) <= MOST_FOR_PROGRAM:
        rows = near_sets(points, free, size, widest)
        solved = linear_program(points, rows, free, count, 0.3 * seconds) if len(rows) else None
        if solved is not None:
            prices = solved[1]
            sets, free = _rounded(points, rows, size, count, widest, after(0.4))
    sets, free = _fill(points, sets, free, size, count)
    sets, free = _search(points, sets, free, size, widest, after(0.55), seed)
    good, total, wide = _part(points, sets, widest)
    if wide and good:  # the cells of sets that are none are free
        _improve(points, good, [*free, *wide], size, after(0.65), widest)
        good, total, _ = _part(points, good, widest)
    if prices is None or size > MOST_FOR_PRICES:
        worths, _ = lower_bounds(points, size, widest)
        bound, most = lower_bound_of(worths, size, len(good)), min(count, int(np.isfinite(worths).sum()) // size)
    else:
        bound, most, rows, prices = _bound(
            points, rows, prices, size, count, len(good), widest, 0.2 * seconds, after(0.9)
        )
    if len(points) <= MOST_FOR_PROOF and size <= MOST_FOR_PRICES and prices is not None:
        until_s = max(begun + seconds, time.monotonic() + 0.3 * seconds)
        best = prove(points, rows, good, size, most, widest, lambda: until_s - time.monotonic())
        if best is not None:
            return best
    chosen = tuple(tuple(sorted(members)) for members in good)
    return Choice(chosen, total, min(bound, total), max(most, len(good)), False)


def _bound(
    points: FloatArray,
    rows: IntArray,
    prices: FloatArray,
    size: int,
    count: int,
    made: int,
    widest: float,
    each_s: float,
    until: Callable[[], bool],
) -> tuple[float, int, IntArray, FloatArray]:
    """Return (a bound of the total, sets that there can be at most, the sets of the program, its dual prices).

    Args:
        points, size, count, widest: As for `choose_sets`.
        rows, prices: The linear program's sets, shape (m, size), and dual prices.
        made: Sets that were found.
        each_s: For one linear program.
        until: Tells when to stop.
    """
    most = count
    if made < count:
        worths, _ = lower_bounds(points, size, widest, prices, rows, most=400_000)
        most = most_sets_of(worths, size, count, widest, cost_of_missing(points))
        solved = linear_program(points, rows, range(len(points)), made, each_s)
        prices = np.zeros(len(points)) if solved is None else solved[1]
    bound = 0.0
    while True:
        worths, tight = lower_bounds(points, size, widest, prices, rows, most=400_000)
        bound = max(bound, lower_bound_of(worths, size, made))
        if not len(tight) or until():
            break
        more = np.unique(np.concatenate([rows, tight]), axis=0)
        if len(more) == len(rows):
            break  # the program knows them all: its prices can get no better
        rows = more
        solved = linear_program(points, rows, range(len(points)), made, each_s)
        if solved is None:
            break
        prices = solved[1]
    return bound, most, rows, prices


def best_sets(
    points: FloatArray, size: int, count: int, widest: float = math.inf
) -> tuple[list[tuple[int, ...]], float]:
    """Return as many sets as can be made, with the least total cost of these, by searching all.

    For up to `EXACT_UP_TO` cells.

    Args:
        points: Weighted coordinates, shape (n, d).
        size: Cells in a set.
        count: At most so many sets.
        widest: No set may cost more.
    """
    n = len(points)
    if n < size:
        return [], 0.0
    combos = np.array(list(itertools.combinations(range(n), size)), dtype=np.int64)
    costs = set_costs(points, combos)
    by_lowest: list[list[tuple[float, int, tuple[int, ...]]]] = [[] for _ in range(n)]
    for row, cost in zip(combos.tolist(), costs.tolist(), strict=True):
        if cost <= widest:
            by_lowest[row[0]].append((cost, sum(1 << item for item in row), tuple(row)))
    for options in by_lowest:
        options.sort()
    Found = tuple[int, float, tuple[tuple[int, ...], ...]]  # sets missing, cost of those made, the sets
    memo: dict[tuple[int, int, int], Found] = {}

    def solve(used: int, lowest: int, left: int) -> Found:
        while lowest < n and used >> lowest & 1:
            lowest += 1
        free = sum(1 for item in range(lowest, n) if not used >> item & 1)
        if left == 0 or free < size:
            return left, 0.0, ()
        key = (used, lowest, left)
        if key in memo:
            return memo[key]
        best = solve(used | 1 << lowest, lowest + 1, left)  # this one is left over
        for cost, mask, row in by_lowest[lowest]:
            if best[0] == 0 and cost >= best[1]:
                break
            if mask & used:
                continue
            missing, rest, sets = solve(used | mask, lowest + 1, left - 1)
            if (missing, cost + rest) < best[:2]:
                best = (missing, cost + rest, (row, *sets))
        memo[key] = best
        return best

    _, total, sets = solve(0, 0, count)
    return list(sets), total


def _first_sets(points: FloatArray, size: int, count: int) -> tuple[list[list[int]], list[int]]:
    """Return sets to begin with: halves again and again along the longest side, then the tightest `count` of them."""
    blocks = [list(range(len(points)))]
    done: list[list[int]] = []
    while blocks:
        block = blocks.pop()
        if len(block) < 2 * size:
            done.append(block)
            continue
        part = points[block]
        side = int(np.argmax(part.max(axis=0) - part.min(axis=0)))
        order = [block[k] for k in np.argsort(part[:, side], kind="stable")]
        cut = (len(order) // size // 2) * size
        blocks += [order[:cut], order[cut:]]
    sets = []
    free: list[int] = []
    for block in done:
        if len(block) < size:
            free += block
            continue
        middle = np.median(points[block], axis=0)
        order = [block[k] for k in np.argsort(np.abs(points[block] - middle).sum(axis=1), kind="stable")]
        sets.append(order[:size])
        free += order[size:]
    while len(sets) < count and len(free) >= size:
        sets.append(free[:size])
        free = free[size:]
    sets.sort(key=lambda members: set_cost(points, members))
    for members in sets[count:]:
        free += members
    return sets[:count], free


def _fill(
    points: FloatArray, sets: list[list[int]], free: list[int], size: int, count: int
) -> tuple[list[list[int]], list[int]]:
    """Return `count` sets: those there are, and the rest out of what is left over, tight or not."""
    more, rest = _first_sets(points[free], size, min(count - len(sets), len(free) // size))
    return [*sets, *([free[k] for k in members] for members in more)], [free[k] for k in rest]


def _part(points: FloatArray, sets: list[list[int]], widest: float) -> tuple[list[list[int]], float, list[int]]:
    """Return (sets that are not too wide, their total, cells of the others)."""
    costs = [set_cost(points, members) for members in sets]
    good = [members for members, cost in zip(sets, costs, strict=True) if cost <= widest]
    wide = [cell for members, cost in zip(sets, costs, strict=True) if cost > widest for cell in members]
    return good, sum(cost for cost in costs if cost <= widest), wide


def _rounded(
    points: FloatArray,
    rows: IntArray,
    size: int,
    count: int,
    widest: float,
    until: Callable[[], bool],
) -> tuple[list[list[int]], list[int]]:
    """Return sets to begin with: take what the linear program takes wholly, and the largest shares; solve the rest."""
    left = list(range(len(points)))
    sets: list[list[int]] = []
    while len(sets) < count and len(left) >= size and len(rows) and not until():
        solved = linear_program(points, rows, left, min(count - len(sets), len(left) // size), 2.0)
        if solved is None:
            break
        shares = solved[0]
        used: set[int] = set()
        taken, at_least = 0, max(1, len(left) // size // 12)
        for k in np.argsort(-shares, kind="stable").tolist():
            if shares[k] < 1e-6 or (shares[k] < 0.999 and taken >= at_least) or len(sets) == count:
                break
            members = rows[k].tolist()
            if not used & set(members):
                used |= set(members)
                sets.append(members)
                taken += 1
        if not taken:
            break
        left = [k for k in left if k not in used]
        if len(left) < size:
            break
        remains = np.zeros(len(points), dtype=bool)
        remains[left] = True
        rows = np.unique(
            np.concatenate([rows[remains[rows].all(axis=1)], near_sets(points, left, size, widest)]), axis=0
        )
    return sets, left


def _search(
    points: FloatArray,
    sets: list[list[int]],
    free: list[int],
    size: int,
    widest: float,
    until: Callable[[], bool],
    seed: int,
) -> tuple[list[list[int]], list[int]]:
    """Return better sets: local search, then perturbed local bests, until that helps no more or time is up."""

    def value(some: list[list[int]]) -> float:
        return float(_weighed(np.array([set_cost(points, members) for members in some]), widest).sum())

    _improve(points, sets, free, size, until, widest)
    best, best_free, best_value = [list(members) for members in sets], list(free), value(sets)
    rng = random.Random(seed)
    count = len(sets)
    idle = 0
    while count > 1 and idle < 100 + 20 * count and not until():
        idle += 1
        sets, free = [list(members) for members in best], list(best_free)
        centres = np.array([points[members].mean(axis=0) for members in sets])
        a = rng.randrange(count)
        near = np.argsort(np.abs(centres - centres[a]).sum(axis=1), kind="stable")[:6].tolist()
        pool = [cell for k in near for cell in sets[k]]
        rng.shuffle(pool)
        for place, k in enumerate(near):
            sets[k] = pool[place * size : (place + 1) * size]
        part = [sets[k] for k in near]
        _improve(points, part, free, size, until, widest)
        for k, members in zip(near, part, strict=True):
            sets[k] = members
        reached = value(sets)
        if reached < best_value - BETTER:
            best, best_free, best_value, idle = [list(m) for m in sets], list(free), reached, 0
    return best, best_free


def _improve(
    points: FloatArray,
    sets: list[list[int]],
    free: list[int],
    size: int,
    until: Callable[[], bool],
    widest: float = math.inf,
) -> None:
    """Make the sets better in place: two sets dealt anew in the best way, a member for one left over."""
    halves: IntArray | None = None
    if 1 < size <= 5:
        rows = [row for row in itertools.combinations(range(2 * size), size) if row[0] == 0]
        halves = np.array([[*row, *(k for k in range(2 * size) if k not in row)] for row in rows], dtype=np.int64)
    costs = _weighed(np.array([set_cost(points, members) for members in sets]), widest).tolist()
    changed = set(range(len(sets)))
    while changed and not until():
        todo, changed = changed, set()
        centres = np.array([points[members].mean(axis=0) for members in sets])
        for a in sorted(todo):
            if until():
                return
            near = np.argsort(np.abs(centres - centres[a]).sum(axis=1), kind="stable")[1:25]
            for b in near.tolist():
                if _deal(points, sets, costs, a, b, size, halves, widest):
                    changed |= {a, b}
            if free and _swap_free(points, sets, costs, a, free, widest):
                changed.add(a)


def _deal(
    points: FloatArray,
    sets: list[list[int]],
    costs: list[float],
    a: int,
    b: int,
    size: int,
    halves: IntArray | None,
    widest: float,
) -> bool:
    """Deal the cells of two sets anew; tell whether it got better."""
    pool = np.array([*sets[a], *sets[b]], dtype=np.int64)
    before = costs[a] + costs[b]
    if halves is not None:
        dealt = pool[halves]
    else:
        swaps = [(i, j) for i in range(size) for j in range(size, 2 * size)]
        dealt = np.repeat(pool[None, :], len(swaps), axis=0)
        for row, (i, j) in enumerate(swaps):
            dealt[row, i], dealt[row, j] = dealt[row, j], dealt[row, i]
    first = _weighed(set_costs(points, dealt[:, :size]), widest)
    second = _weighed(set_costs(points, dealt[:, size:]), widest)
    best = int(np.argmin(first + second))
    if first[best] + second[best] >= before - BETTER:
        return False
    sets[a], sets[b] = dealt[best, :size].tolist(), dealt[best, size:].tolist()
    costs[a], costs[b] = float(first[best]), float(second[best])
    return True


def _swap_free(
    points: FloatArray, sets: list[list[int]], costs: list[float], a: int, free: list[int], widest: float
) -> bool:
    """Take a left-over cell for a member where that is tighter."""
    members = np.array(sets[a], dtype=np.int64)
    rows = np.repeat(members[None, :], len(members) * len(free), axis=0)
    for place in range(len(members)):
        rows[place * len(free) : (place + 1) * len(free), place] = free
    found = _weighed(set_costs(points, rows), widest)
    best = int(np.argmin(found))
    if found[best] >= costs[a] - BETTER:
        return False
    place, index = divmod(best, len(free))
    sets[a][place], free[index] = free[index], sets[a][place]
    costs[a] = float(found[best])
    return True


def _weighed(costs: FloatArray, widest: float) -> FloatArray:
    """Return costs for the search: a set that is too wide weighs more than any number of sets that are not."""
    return np.where(costs > widest, TOO_WIDE + costs, costs)
