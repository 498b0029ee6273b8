"""Which cells belong together: sets of N, in parallel or in series, with the least spread that matters there.

The spread of a set is a weighted sum of ranges: for each figure (capacity, resistance, self-discharge) the largest
minus the smallest of the set, over the median of all candidates. In parallel, resistance shares the current; in
series, the smallest capacity ends the run for all. Small shelves are solved exactly by going through all sets. Larger
ones by local search that may be stopped at any time; then an integer program over every set that could still better
it proves the best, or finds it. Beyond its reach a lower bound says how far from the best the answer can be.

A set wider than wanted is no set: the most sets that are not too wide are made, then those with the least total.

The bound: `_payable`. Prices of cells come from a linear program over the tightest sets about each cell; what they
leave unpaid is gone through cell by cell, so the bound holds whatever sets the program was given.
Pure; numpy and scipy.
"""

import heapq
import itertools
import math
import random
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from amphora.harness.common.errors import InputError

Wiring = Literal["parallel", "series"]
FIGURES = ("capacity", "resistance", "self-discharge")
WEIGHTS: dict[str, tuple[float, float, float]] = {"parallel": (0.5, 1.0, 0.3), "series": (1.0, 0.4, 0.5)}
EXACT_UP_TO = 12
BETTER = 1e-9
TOO_WIDE = 1e3  # what a set that is too wide weighs in the search, beside costs of at most a few
MOST_FOR_SHARES = 2000  # cells; beyond it the linear program takes too long
LEAST_SECONDS_FOR_SHARES = 0.5
MOST_FOR_PRICES = 6  # cells in a set; beyond it the sets worth their price are too many to go through
MOST_FOR_PROOF = 150  # cells; beyond it the integer program takes too long
MOST_COLUMNS = 60_000  # sets in the integer program
CAUTION = (
    "Building packs is work for people trained in it: cells in parallel must be within 50 mV before they are joined, "
    "each series group wants its own protection and balancing, each parallel cell its own fuse, and spot welding and "
    "first charging are done on a surface that cannot burn. Used cells without a history are outside the reuse "
    "standards; local rules go first. Never mix chemistries, and never put a retired cell into a set."
)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A tested cell. Ah, ohm, share a month; None where it was not measured. `age_days` of its test."""

    cell: str
    chemistry: str
    capacity_Ah: float
    resistance_ohm: float | None = None
    self_discharge: float | None = None
    age_days: float = 0.0
    form: str = ""
    capacity_item_U_Ah: float | None = None  # k = 2, of the cell as an item


def _points(cells: Sequence[Candidate], wiring: Wiring) -> npt.NDArray[np.float64]:
    """Return weighted coordinates, shape (n, figures measured of all); the spread of a set is the sum of its ranges."""
    columns = []
    figures: tuple[list[float | None], ...] = (
        [c.capacity_Ah for c in cells],
        [c.resistance_ohm for c in cells],
        [c.self_discharge for c in cells],
    )
    for weight, values in zip(WEIGHTS[wiring], figures, strict=True):
        if any(value is None for value in values):
            continue
        array = np.asarray(values, dtype=float)
        middle = float(np.median(array))
        if middle > 0:
            columns.append(weight * array / middle)
    return np.column_stack(columns)


def _cost(points: npt.NDArray[np.float64], members: Sequence[int]) -> float:
    chosen = points[list(members)]
    return float(np.sum(chosen.max(axis=0) - chosen.min(axis=0)))


def _costs(points: npt.NDArray[np.float64], sets: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """Return the cost of each row of `sets`, shape (m,)."""
    chosen = points[sets]
    return np.asarray((chosen.max(axis=1) - chosen.min(axis=1)).sum(axis=1), dtype=float)


def _weighed(costs: npt.NDArray[np.float64], widest: float) -> npt.NDArray[np.float64]:
    """Return costs for the search: a set that is too wide weighs more than any number of sets that are not."""
    return np.where(costs > widest, TOO_WIDE + costs, costs)


def best_sets(
    points: npt.NDArray[np.float64], size: int, count: int, widest: float = math.inf
) -> tuple[list[tuple[int, ...]], float]:
    """Return as many sets as can be made, with the least total cost of these, by going through all.

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
    costs = _costs(points, combos)
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


def _first_sets(points: npt.NDArray[np.float64], size: int, count: int) -> tuple[list[list[int]], list[int]]:
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
    sets.sort(key=lambda members: _cost(points, members))
    for members in sets[count:]:
        free += members
    return sets[:count], free


def _improve(
    points: npt.NDArray[np.float64],
    sets: list[list[int]],
    free: list[int],
    size: int,
    until: Callable[[], bool],
    widest: float = math.inf,
) -> None:
    """Make the sets better in place: two sets dealt anew in the best way, a member for one left over."""
    halves: npt.NDArray[np.int64] | None = None
    if 1 < size <= 5:
        rows = [row for row in itertools.combinations(range(2 * size), size) if row[0] == 0]
        halves = np.array([[*row, *(k for k in range(2 * size) if k not in row)] for row in rows], dtype=np.int64)
    costs = _weighed(np.array([_cost(points, members) for members in sets]), widest).tolist()
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
    points: npt.NDArray[np.float64],
    sets: list[list[int]],
    costs: list[float],
    a: int,
    b: int,
    size: int,
    halves: npt.NDArray[np.int64] | None,
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
    first = _weighed(_costs(points, dealt[:, :size]), widest)
    second = _weighed(_costs(points, dealt[:, size:]), widest)
    best = int(np.argmin(first + second))
    if first[best] + second[best] >= before - BETTER:
        return False
    sets[a], sets[b] = dealt[best, :size].tolist(), dealt[best, size:].tolist()
    costs[a], costs[b] = float(first[best]), float(second[best])
    return True


def _swap_free(
    points: npt.NDArray[np.float64], sets: list[list[int]], costs: list[float], a: int, free: list[int], widest: float
) -> bool:
    """Take a left-over cell for a member where that is tighter."""
    members = np.array(sets[a], dtype=np.int64)
    rows = np.repeat(members[None, :], len(members) * len(free), axis=0)
    for place in range(len(members)):
        rows[place * len(free) : (place + 1) * len(free), place] = free
    found = _weighed(_costs(points, rows), widest)
    best = int(np.argmin(found))
    if found[best] >= costs[a] - BETTER:
        return False
    place, index = divmod(best, len(free))
    sets[a][place], free[index] = free[index], sets[a][place]
    costs[a] = float(found[best])
    return True


# ---- how good can it be at all: prices of cells, and sets that are worth their price ----------------


def _sets_below(
    points: npt.NDArray[np.float64],
    prices: npt.NDArray[np.float64],
    cell: int,
    size: int,
    below: float,
    widest: float,
    most: int,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]] | float:
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


def lower_bound(points: npt.NDArray[np.float64], size: int, count: int, widest: float = math.inf) -> float:
    """Return a total cost that no choice of `count` sets of `size` can go below, without a linear program.

    Args:
        points: Weighted coordinates, shape (n, d).
        size, count: Cells in a set, sets.
        widest: No set may cost more.
    """
    return _total_of(_payable(points, size, widest)[0], size, count)


def _total_of(worths: npt.NDArray[np.float64], size: int, count: int) -> float:
    """Return a lower bound of the total of `count` sets; `worths` of a set's cells add up to its cost at most."""
    return float(np.sort(worths)[: count * size].sum())


def _most_sets(worths: npt.NDArray[np.float64], size: int, count: int, widest: float, missing: float) -> int:
    """Return how many sets there can be at most.

    Let a missing set cost `missing`. Each cell pays min(worth, missing / size), what is over for cells that must be
    left over given back: a lower bound L of total + missing * (count - sets). As the total is at most sets * widest,
    sets <= (missing * count - L) / (missing - widest).
    """
    most = missing / size
    paid = float(np.minimum(worths, most).sum()) - most * (len(worths) - count * size)
    return min(count, math.floor((missing * count - paid) / (missing - widest) + 1e-9))


def _payable(
    points: npt.NDArray[np.float64],
    size: int,
    widest: float = math.inf,
    prices: npt.NDArray[np.float64] | None = None,
    known: npt.NDArray[np.int64] | None = None,
    most: int = 60_000,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
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
        most: Partial sets gone through for one cell; beyond it that cell's r is bounded by distances alone.

    Source: duality of linear programming; a set's cost is at least the distance of any two of its cells.
    """
    n = len(points)
    zero = prices is None
    given = np.zeros(n) if prices is None else prices
    least = np.full(n, math.inf)
    if known is not None and len(known):
        costs = _costs(points, known)
        reduced = np.where(costs <= widest, costs - given[known].sum(axis=1), math.inf)
        for column in range(size):
            np.minimum.at(least, known[:, column], reduced)
    tight: list[npt.NDArray[np.int64]] = []
    for i in range(n):
        below = least[i]
        if math.isinf(below):
            order = np.argsort(np.abs(points - points[i]).sum(axis=1), kind="stable")
            first = [i, *order[order != i][: size - 1].tolist()]
            cost = _cost(points, first)
            below = cost - float(given[first].sum()) if len(first) == size and cost <= widest else math.inf
            least[i] = below
        found = _sets_below(points, given, i, size, below, widest, most)
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


def _near_sets(
    points: npt.NDArray[np.float64], cells: Sequence[int], size: int, widest: float, keep: int = 50
) -> npt.NDArray[np.int64]:
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
        costs = _costs(points, rows)
        best = np.argsort(costs, kind="stable")[:keep]
        found.append(np.sort(rows[best[costs[best] <= widest]], axis=1))
    return np.unique(np.concatenate(found), axis=0)


def _missing(points: npt.NDArray[np.float64]) -> float:
    """Return what a set that is not made costs in the linear program: more than any set can."""
    return 10.0 * float(np.ptp(points, axis=0).sum()) + 1.0


def _solve_shares(
    points: npt.NDArray[np.float64], rows: npt.NDArray[np.int64], cells: Sequence[int], count: int, seconds: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
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
        np.concatenate((_costs(points, rows), [_missing(points)])), A_ub=inside, b_ub=np.ones(n),
        A_eq=np.ones((1, m + 1)), b_eq=[count], bounds=(0, None), method="highs-ds",
        options={"time_limit": max(seconds, 0.1)},
    )  # fmt: skip
    if answer.status != 0:
        return None
    prices = np.zeros(len(points))
    prices[list(cells)] = answer.eqlin.marginals[0] / size + answer.ineqlin.marginals
    return np.asarray(answer.x[:m]), prices


def _sets_by_shares(
    points: npt.NDArray[np.float64],
    rows: npt.NDArray[np.int64],
    size: int,
    count: int,
    widest: float,
    until: Callable[[], bool],
) -> tuple[list[list[int]], list[int]]:
    """Return sets to begin with: take what the linear program takes wholly, and the largest shares; solve the rest."""
    left = list(range(len(points)))
    sets: list[list[int]] = []
    while len(sets) < count and len(left) >= size and len(rows) and not until():
        solved = _solve_shares(points, rows, left, min(count - len(sets), len(left) // size), 2.0)
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
            np.concatenate([rows[remains[rows].all(axis=1)], _near_sets(points, left, size, widest)]), axis=0
        )
    return sets, left


def _fill(
    points: npt.NDArray[np.float64], sets: list[list[int]], free: list[int], size: int, count: int
) -> tuple[list[list[int]], list[int]]:
    """Return `count` sets: those there are, and the rest out of what is left over, tight or not."""
    more, rest = _first_sets(points[free], size, min(count - len(sets), len(free) // size))
    return [*sets, *([free[k] for k in members] for members in more)], [free[k] for k in rest]


def _part(
    points: npt.NDArray[np.float64], sets: list[list[int]], widest: float
) -> tuple[list[list[int]], float, list[int]]:
    """Return (sets that are not too wide, their total, cells of the others)."""
    costs = [_cost(points, members) for members in sets]
    good = [members for members, cost in zip(sets, costs, strict=True) if cost <= widest]
    wide = [cell for members, cost in zip(sets, costs, strict=True) if cost > widest for cell in members]
    return good, sum(cost for cost in costs if cost <= widest), wide


@dataclass(frozen=True, slots=True)
class Choice:
    """Sets chosen. `at_least`: no choice of as many sets costs less; `at_most_sets`: no choice has more."""

    sets: tuple[tuple[int, ...], ...]
    total: float
    at_least: float
    at_most_sets: int
    exact: bool


def choose_sets(
    points: npt.NDArray[np.float64],
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
        seed: For the kicks out of a local best; the same seed and enough time give the same answer.
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
    prices: npt.NDArray[np.float64] | None = None
    sets: list[list[int]] = []
    free = list(range(len(points)))
    if seconds >= LEAST_SECONDS_FOR_SHARES and len(points) <= MOST_FOR_SHARES:
        rows = _near_sets(points, free, size, widest)
        solved = _solve_shares(points, rows, free, count, 0.3 * seconds) if len(rows) else None
        if solved is not None:
            prices = solved[1]
            sets, free = _sets_by_shares(points, rows, size, count, widest, after(0.4))
    sets, free = _fill(points, sets, free, size, count)
    sets, free = _search(points, sets, free, size, widest, after(0.55), seed)
    good, total, wide = _part(points, sets, widest)
    if wide and good:  # the cells of sets that are none are free
        _improve(points, good, [*free, *wide], size, after(0.65), widest)
        good, total, _ = _part(points, good, widest)
    most_sets = count
    bound = 0.0
    if prices is None or size > MOST_FOR_PRICES:
        worths, _ = _payable(points, size, widest)
        bound = _total_of(worths, size, len(good))
        most_sets = min(count, int(np.isfinite(worths).sum()) // size)
    else:
        if len(good) < count:
            worths, _ = _payable(points, size, widest, prices, rows, most=400_000)
            most_sets = _most_sets(worths, size, count, widest, _missing(points))
            solved = _solve_shares(points, rows, range(len(points)), len(good), 0.2 * seconds)
            prices = np.zeros(len(points)) if solved is None else solved[1]
        while True:
            worths, tight = _payable(points, size, widest, prices, rows, most=400_000)
            bound = max(bound, _total_of(worths, size, len(good)))
            if not len(tight) or after(0.9)():
                break
            more = np.unique(np.concatenate([rows, tight]), axis=0)
            if len(more) == len(rows):
                break  # the program knows them all: its prices can get no better
            rows = more
            solved = _solve_shares(points, rows, range(len(points)), len(good), 0.2 * seconds)
            if solved is None:
                break
            prices = solved[1]
    if len(points) <= MOST_FOR_PROOF and size <= MOST_FOR_PRICES and prices is not None:
        best = _prove(
            points, rows, good, size, most_sets, widest, max(0.3 * seconds, seconds - time.monotonic() + begun)
        )
        if best is not None:
            return best
    chosen = tuple(tuple(sorted(members)) for members in good)
    return Choice(chosen, total, min(bound, total), max(most_sets, len(good)), False)


def _prove(
    points: npt.NDArray[np.float64],
    rows: npt.NDArray[np.int64],
    good: list[list[int]],
    size: int,
    count: int,
    widest: float,
    seconds: float,
) -> Choice | None:
    """Return the best choice there is, by an integer program; None when it was not proven in time.

    Prices of the linear program over all sets say what a set costs above its worth. A set whose excess is larger than
    what the choice at hand lies above the program's total is in no better choice. All others are columns.

    Args:
        points: Weighted coordinates, shape (n, d).
        rows: Sets to begin with, shape (m, size).
        good: The choice at hand; none of its sets costs more than `widest`.
        size, count: Cells in a set, sets wanted at most.
        widest: No set may cost more.
        seconds: About so long.

    Source: reduced-cost fixing, as in textbooks of integer programming (Nemhauser and Wolsey 1988, II.5; from memory).
    """
    import scipy.optimize
    from scipy.sparse import csr_matrix

    begun = time.monotonic()

    def over() -> bool:
        return time.monotonic() - begun > seconds

    missing = _missing(points)
    proven = True
    rows = np.unique(np.concatenate([rows, np.sort(np.array(good, dtype=np.int64).reshape(-1, size), axis=1)]), axis=0)
    everyone = range(len(points))
    while True:  # columns are added until the program's prices leave no set below its worth
        left = seconds - (time.monotonic() - begun)
        solved = _solve_shares(points, rows, everyone, count, left) if left > 0 and len(rows) else None
        if solved is None:
            return None
        shares, prices = solved
        dear = _all_below(points, prices, size, -BETTER, widest, over)
        if dear is None:
            return None
        grown = np.unique(np.concatenate([rows, *(found[np.argsort(worth)[:10]] for found, worth in dear)]), axis=0)
        if len(grown) == len(rows):
            made = float(shares.sum())
            if made < count - 1e-6 and math.floor(made + 1e-6) >= len(good):
                whole = math.floor(made + 1e-6)  # no choice has more sets than the program has shares
                if whole < count:
                    count = whole
                    if count == 0:
                        return Choice((), 0.0, 0.0, 0, True)
                    continue
            break
        rows = grown
    at_least = float(shares @ _costs(points, rows)) + missing * (count - float(shares.sum()))
    total = sum(_cost(points, members) for members in good)
    gap = total + missing * (count - len(good)) - at_least
    if gap > BETTER:
        columns = _all_below(points, prices, size, gap + BETTER, widest, over)
        if columns is None:
            return None
        rows = np.unique(np.concatenate([rows, *(found for found, _ in columns)]), axis=0)
        left = seconds - (time.monotonic() - begun)
        if len(rows) > MOST_COLUMNS or left <= 0:
            return None
        number = np.repeat(np.arange(len(rows)), size)
        inside = csr_matrix((np.ones(rows.size), (rows.ravel(), number)), shape=(len(points), len(rows)))
        solve: Any = scipy.optimize.milp  # its stubs know no sparse matrix
        answer = solve(
            _costs(points, rows) - missing,
            constraints=[
                scipy.optimize.LinearConstraint(inside, -np.inf, 1.0),
                scipy.optimize.LinearConstraint(np.ones((1, len(rows))), -np.inf, count),
            ],
            integrality=np.ones(len(rows)), bounds=scipy.optimize.Bounds(0, 1),
            options={"time_limit": left, "mip_rel_gap": 0.0},
        )  # fmt: skip
        if answer.x is None:
            return None
        proven = answer.status == 0
        found = [rows[k].tolist() for k in np.flatnonzero(answer.x > 0.5).tolist()]
        found_total = sum(_cost(points, members) for members in found)
        if (-len(found), found_total) < (-len(good), total - BETTER):
            good, total = found, found_total
        if not proven and len(good) < count:
            return None
    chosen = tuple(tuple(sorted(members)) for members in good)
    return Choice(chosen, total, total if proven else min(at_least, total), len(good), proven)


def _all_below(
    points: npt.NDArray[np.float64],
    prices: npt.NDArray[np.float64],
    size: int,
    below: float,
    widest: float,
    over: Callable[[], bool],
) -> list[tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]] | None:
    """Return, for each cell, every set with it whose cost less its cells' prices is below `below`, and these values.

    None when there are too many to go through, or time is up.
    """
    everything, number = [], 0
    for i in range(len(points)):
        found = _sets_below(points, prices, i, size, below, widest, 4 * MOST_COLUMNS)
        if isinstance(found, float):
            if found < below:
                return None
            continue
        number += len(found[1])
        if over() or number > size * MOST_COLUMNS:
            return None
        everything.append((np.sort(found[0], axis=1), found[1]))
    return everything


def _search(
    points: npt.NDArray[np.float64],
    sets: list[list[int]],
    free: list[int],
    size: int,
    widest: float,
    until: Callable[[], bool],
    seed: int,
) -> tuple[list[list[int]], list[int]]:
    """Return better sets: local search, then kicks out of each local best, until they help no more or time is up."""

    def value(some: list[list[int]]) -> float:
        return float(_weighed(np.array([_cost(points, members) for members in some]), widest).sum())

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


def candidate_of(
    row: Mapping[str, Any], age_days: float, self_discharge: float | None, in_spite_of: Sequence[str] = ()
) -> Candidate | str:
    """Return a candidate from a line of `compare`, or why it is none.

    Args:
        row: A line of `compare`.
        age_days: Of its test.
        self_discharge: Share a month; None: not known.
        in_spite_of: Codes of findings that a person takes on.
    """
    ruling = row.get("may_match") or {}
    open_codes = [code for code in ruling.get("findings") or [] if code not in in_spite_of]
    if ruling.get("verdict") == "no" and "no-capacity" not in ruling.get("findings", []):
        return f"its account says no: {ruling.get('why')}"
    if ruling.get("verdict") == "ask" and open_codes:
        return f"its account asks: {ruling.get('why')}; whoever takes it on: --in-spite-of {open_codes[0]}"
    if row.get("grade") == "retire":
        return "retired by its grade"
    if not row.get("comparable") or row.get("capacity_Ah") is None:
        return "not tested: needs a complete discharge from a start known to be full"
    if row.get("chemistry") in (None, "", "auto"):
        return "its chemistry is not known"
    return Candidate(
        str(row["cell"]), str(row["chemistry"]), float(row["capacity_Ah"]), row.get("resistance_ohm"),
        self_discharge, age_days, str(row.get("form") or ""), row.get("capacity_item_U_Ah"),
    )  # fmt: skip


def match(
    candidates: Sequence[Candidate],
    size: int,
    wiring: Wiring = "parallel",
    oldest_days: float = 365.0,
    widest: float | None = None,
    refused: Mapping[str, str] | None = None,
    seconds: float = 4.0,
) -> dict[str, Any]:
    """Return sets of cells that belong together.

    Args:
        candidates: Tested cells.
        size: Cells in a set, 2 or more.
        wiring: How they will be joined.
        oldest_days: A test older than this does not count.
        widest: A set with a greater spread is not offered; None: every set is.
        refused: Cells that are no candidates, with why: they come out as left over.
        seconds: About so long for the search.

    Returns:
        As many sets as can be made, then those with the least total spread. `sets`: `{cells, spread, spreads,
        chemistry, capacity_Ah, reason}`; `leftovers`: `{cell, reason}`; `total`, `at_least` (no choice of as many sets
        has less), `within` (total over it, minus 1; None when it is 0), `at_most_sets` (no choice has more), `exact`,
        `how`, `caution`.

    Raises:
        InputError: size below 2, a wiring that is not known.
    """
    if size < 2 or size > 24:
        raise InputError(f"--size {size} is not accepted; 2 to 24 is")
    if wiring not in WEIGHTS:
        raise InputError(f"--wiring {wiring!r} is not accepted; parallel or series is")
    left = [{"cell": name, "reason": why} for name, why in sorted((refused or {}).items())]
    groups: dict[tuple[str, str], list[Candidate]] = {}
    for item in candidates:
        if item.age_days > oldest_days:
            left.append(
                {"cell": item.cell, "reason": f"its test is {item.age_days:.0f} days old, {oldest_days:.0f} count"}
            )
        elif item.resistance_ohm is None:
            left.append({"cell": item.cell, "reason": "its resistance was not measured"})
        else:
            groups.setdefault((item.chemistry, item.form), []).append(item)
    sets: list[dict[str, Any]] = []
    total = at_least = 0.0
    at_most_sets = 0
    exact = True
    limit = math.inf if widest is None else widest
    share = seconds / max(1, sum(len(group) > EXACT_UP_TO for group in groups.values()))
    for (chemistry, form), group in sorted(groups.items()):
        count = len(group) // size
        name = f"{form} {chemistry}".strip()
        if count == 0:
            left += [
                {"cell": c.cell, "reason": f"only {len(group)} of {name} tested; a set wants {size} alike"}
                for c in group
            ]
            continue
        points = _points(group, wiring)
        found = choose_sets(points, size, count, share, widest=limit)
        total, at_least = total + found.total, at_least + found.at_least
        at_most_sets += found.at_most_sets
        exact = exact and found.exact
        taken = {k for members in found.sets for k in members}
        sets += [
            _set_entry([group[k] for k in members], _cost(points, members), wiring, chemistry) for members in found.sets
        ]
        rest = [k for k in range(len(group)) if k not in taken]
        tightest = _tightest(points, rest, size) if widest is not None else {}
        for k in rest:
            if tightest.get(k, 0.0) > limit:
                reason = (
                    f"no set below a spread of {100 * limit:.3g} % (the tightest for it: {100 * tightest[k]:.3g} %)"
                )
            elif len(rest) < size:
                reason = f"{len(group)} of {name} do not divide by {size}, and it fitted least"
            else:
                reason = f"it fitted least: no further set below a spread of {100 * limit:.3g} % beside those chosen"
            left.append({"cell": group[k].cell, "reason": reason})
    sets.sort(key=lambda item: item["spread"])
    within = total / at_least - 1.0 if at_least > 0 else None
    if exact and not sets:
        how = "all sets were searched"
    elif exact:
        how = "the best there is: the most sets, and of these the least spread (proven)"
    else:
        how = (
            f"by search: total spread {100 * total:.2f} %; the best of as many sets cannot be below "
            f"{100 * at_least:.2f} %"
        )
        if within is not None:
            how += f", so at most {100 * within:.1f} % above it"
        if at_most_sets > len(sets):
            how += f"; more sets may be possible, at most {at_most_sets}"
    return {
        "sets": sets, "leftovers": left, "size": size, "wiring": wiring, "total": total, "at_least": at_least,
        "within": within, "at_most_sets": at_most_sets, "exact": exact, "how": how, "caution": CAUTION,
    }  # fmt: skip


def _tightest(points: npt.NDArray[np.float64], cells: Sequence[int], size: int) -> dict[int, float]:
    """Return the spread of the tightest set that each of these cells could be in, if all others were free."""
    found = {}
    nothing = np.zeros(len(points))
    for i in cells:
        order = np.argsort(np.abs(points - points[i]).sum(axis=1), kind="stable")
        near = _cost(points, [i, *order[order != i][: size - 1].tolist()])
        below = _sets_below(points, nothing, i, size, near, math.inf, 60_000)
        found[i] = near if isinstance(below, float) or not len(below[1]) else float(below[1].min())
    return found


def _set_entry(cells: Sequence[Candidate], cost: float, wiring: Wiring, chemistry: str) -> dict[str, Any]:
    capacities = [c.capacity_Ah for c in cells]
    spreads = {"capacity": (max(capacities) - min(capacities)) / float(np.mean(capacities))}
    ohms = [c.resistance_ohm for c in cells if c.resistance_ohm is not None]
    if len(ohms) == len(cells):
        spreads["resistance"] = (max(ohms) - min(ohms)) / float(np.mean(ohms))
    worst = max(spreads, key=lambda name: spreads[name])
    whole = sum(capacities) if wiring == "parallel" else min(capacities)
    reason = (
        f"resistances within {100 * spreads.get('resistance', 0):.1f} %: the current shares evenly"
        if wiring == "parallel"
        else f"capacities within {100 * spreads['capacity']:.1f} %: they run empty together"
    )
    Us = [c.capacity_item_U_Ah for c in cells if c.capacity_item_U_Ah is not None]
    if len(Us) == len(cells) and spreads["capacity"] * float(np.mean(capacities)) <= math.hypot(*sorted(Us)[-2:]):
        reason += "; all of them are too close to separate (U of the cell as an item, k = 2)"
    return {
        "cells": sorted(c.cell for c in cells), "spread": cost, "spreads": spreads, "widest_in": worst,
        "chemistry": chemistry, "capacity_Ah": whole, "reason": reason,
    }  # fmt: skip
