"""Which cells belong together: sets of N, in parallel or in series, with the least spread that matters there.

The spread of a set is a weighted sum of ranges: for each figure (capacity, resistance, self-discharge) the largest
minus the smallest of the set, over the median of all candidates. In parallel, resistance shares the current; in
series, the smallest capacity ends the run for all. Small shelves are solved exactly; large ones by local search that
may be stopped at any time, with a lower bound beside it, so that it is known how far from the best the answer can be.

The bound: a set costs at least as much as the cheapest set that any of its cells can be in; so the sum over the
cheapest sets of all cells that must be used, over N, is a lower bound of the total. Pure; numpy only.
"""

import itertools
import math
import random
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from harness.errors import InputError

Wiring = Literal["parallel", "series"]
FIGURES = ("capacity", "resistance", "self-discharge")
WEIGHTS: dict[str, tuple[float, float, float]] = {"parallel": (0.5, 1.0, 0.3), "series": (1.0, 0.4, 0.5)}
EXACT_UP_TO = 12
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


def best_sets(points: npt.NDArray[np.float64], size: int, count: int) -> tuple[list[tuple[int, ...]], float]:
    """Return the sets with the least total cost, by going through all: for up to `EXACT_UP_TO` cells.

    Args:
        points: Weighted coordinates, shape (n, d).
        size: Cells in a set.
        count: Sets to make; count * size <= n.
    """
    n = len(points)
    combos = np.array(list(itertools.combinations(range(n), size)), dtype=np.int64)
    costs = _costs(points, combos)
    by_lowest: list[list[tuple[float, int, tuple[int, ...]]]] = [[] for _ in range(n)]
    for row, cost in zip(combos.tolist(), costs.tolist(), strict=True):
        by_lowest[row[0]].append((cost, sum(1 << item for item in row), tuple(row)))
    for options in by_lowest:
        options.sort()
    memo: dict[tuple[int, int, int], tuple[float, tuple[tuple[int, ...], ...]]] = {}

    def solve(used: int, lowest: int, left: int) -> tuple[float, tuple[tuple[int, ...], ...]]:
        if left == 0:
            return 0.0, ()
        while lowest < n and used >> lowest & 1:
            lowest += 1
        free = sum(1 for item in range(lowest, n) if not used >> item & 1)
        if free < left * size:
            return math.inf, ()
        key = (used, lowest, left)
        if key in memo:
            return memo[key]
        best = solve(used | 1 << lowest, lowest + 1, left)  # this one is left over
        for cost, mask, row in by_lowest[lowest]:
            if cost >= best[0]:
                break
            if mask & used:
                continue
            rest, sets = solve(used | mask, lowest + 1, left - 1)
            if cost + rest < best[0]:
                best = (cost + rest, (row, *sets))
        memo[key] = best
        return best

    total, sets = solve(0, 0, count)
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
) -> None:
    """Make the sets better in place: two sets dealt anew in the best way, a member for one left over."""
    halves: npt.NDArray[np.int64] | None = None
    if 1 < size <= 5:
        rows = [row for row in itertools.combinations(range(2 * size), size) if row[0] == 0]
        halves = np.array([[*row, *(k for k in range(2 * size) if k not in row)] for row in rows], dtype=np.int64)
    costs = [_cost(points, members) for members in sets]
    changed = set(range(len(sets)))
    while changed and not until():
        todo, changed = changed, set()
        centres = np.array([points[members].mean(axis=0) for members in sets])
        for a in sorted(todo):
            if until():
                return
            near = np.argsort(np.abs(centres - centres[a]).sum(axis=1), kind="stable")[1:25]
            for b in near.tolist():
                if _deal(points, sets, costs, a, b, size, halves):
                    changed |= {a, b}
            if free and _swap_free(points, sets, costs, a, free):
                changed.add(a)


def _deal(
    points: npt.NDArray[np.float64],
    sets: list[list[int]],
    costs: list[float],
    a: int,
    b: int,
    size: int,
    halves: npt.NDArray[np.int64] | None,
) -> bool:
    """Deal the cells of two sets anew; tell whether it got better."""
    pool = np.array([*sets[a], *sets[b]], dtype=np.int64)
    before = costs[a] + costs[b]
    if halves is not None:
        dealt = pool[halves]
        first, second = _costs(points, dealt[:, :size]), _costs(points, dealt[:, size:])
    else:
        swaps = [(i, j) for i in range(size) for j in range(size, 2 * size)]
        dealt = np.repeat(pool[None, :], len(swaps), axis=0)
        for row, (i, j) in enumerate(swaps):
            dealt[row, i], dealt[row, j] = dealt[row, j], dealt[row, i]
        first, second = _costs(points, dealt[:, :size]), _costs(points, dealt[:, size:])
    best = int(np.argmin(first + second))
    if first[best] + second[best] >= before - 1e-12:
        return False
    sets[a], sets[b] = dealt[best, :size].tolist(), dealt[best, size:].tolist()
    costs[a], costs[b] = float(first[best]), float(second[best])
    return True


def _swap_free(
    points: npt.NDArray[np.float64], sets: list[list[int]], costs: list[float], a: int, free: list[int]
) -> bool:
    """Take a left-over cell for a member where that is tighter."""
    members = np.array(sets[a], dtype=np.int64)
    rows = np.repeat(members[None, :], len(members) * len(free), axis=0)
    for place in range(len(members)):
        rows[place * len(free) : (place + 1) * len(free), place] = free
    found = _costs(points, rows)
    best = int(np.argmin(found))
    if found[best] >= costs[a] - 1e-12:
        return False
    place, index = divmod(best, len(free))
    sets[a][place], free[index] = free[index], sets[a][place]
    costs[a] = float(found[best])
    return True


def lower_bound(points: npt.NDArray[np.float64], size: int, count: int, most: int = 60_000) -> float:
    """Return a total cost that no choice of `count` sets of `size` can go below.

    Args:
        points: Weighted coordinates, shape (n, d).
        size, count: Cells in a set, sets.
        most: Subsets gone through for one cell; beyond it that cell's share is bounded by distances alone.
    """
    n = len(points)
    least = np.empty(n)
    for i in range(n):
        distance = np.abs(points - points[i]).sum(axis=1)
        order = [k for k in np.argsort(distance, kind="stable").tolist() if k != i]
        weakest = float(distance[order[size - 2]]) if size > 1 else 0.0  # a set spans to its farthest member
        known = _cost(points, [i, *order[: size - 1]])
        near = [k for k in order if distance[k] < known]  # any cheaper set lies within this distance
        if size > 1 and len(near) >= size - 1 and math.comb(len(near), size - 1) <= most:
            others = np.array(list(itertools.combinations(near, size - 1)), dtype=np.int64)
            rows = np.column_stack([np.full(len(others), i), others])
            known = min(known, float(_costs(points, rows).min()))
            least[i] = known
        elif len(near) < size - 1:
            least[i] = known
        else:
            least[i] = weakest
    least.sort()
    return float(least[: count * size].sum() / size)


def choose_sets(
    points: npt.NDArray[np.float64], size: int, count: int, seconds: float = 6.0, seed: int = 1
) -> tuple[list[tuple[int, ...]], float, float]:
    """Return (sets, total cost, lower bound). Equal to the bound when it was solved exactly.

    Args:
        points: Weighted coordinates, shape (n, d).
        size, count: Cells in a set, sets to make; size * count <= n.
        seconds: At most so long; what was best by then is returned.
        seed: For the kicks out of a local best; the same seed and enough time give the same answer.
    """
    if count == 0:
        return [], 0.0, 0.0
    if len(points) <= EXACT_UP_TO:
        exact, total = best_sets(points, size, count)
        return exact, total, total
    begun = time.monotonic()

    def over() -> bool:
        return time.monotonic() - begun > seconds

    sets, free = _first_sets(points, size, count)
    _improve(points, sets, free, size, over)
    best = [list(members) for members in sets]
    best_free = list(free)
    best_total = sum(_cost(points, members) for members in best)
    rng = random.Random(seed)
    for _ in range(4000):
        if over() or count < 2:
            break
        sets, free = [list(members) for members in best], list(best_free)
        centres = np.array([points[members].mean(axis=0) for members in sets])
        a = rng.randrange(count)
        near = np.argsort(np.abs(centres - centres[a]).sum(axis=1), kind="stable")[:6].tolist()
        pool = [cell for k in near for cell in sets[k]]
        rng.shuffle(pool)
        for place, k in enumerate(near):
            sets[k] = pool[place * size : (place + 1) * size]
        _improve_some(points, sets, free, size, near, over)
        total = sum(_cost(points, members) for members in sets)
        if total < best_total - 1e-12:
            best, best_free, best_total = [list(m) for m in sets], list(free), total
    return [tuple(sorted(m)) for m in best], best_total, lower_bound(points, size, count)


def _improve_some(
    points: npt.NDArray[np.float64],
    sets: list[list[int]],
    free: list[int],
    size: int,
    which: Sequence[int],
    until: Callable[[], bool],
) -> None:
    part = [sets[k] for k in which]
    _improve(points, part, free, size, until)
    for k, members in zip(which, part, strict=True):
        sets[k] = members


def candidate_of(row: Mapping[str, Any], age_days: float, self_discharge: float | None) -> Candidate | str:
    """Return a candidate from a line of `compare`, or why it is none."""
    if row.get("grade") == "retire":
        return "retired by its grade"
    if not row.get("comparable") or row.get("capacity_Ah") is None:
        return "not tested: needs a complete discharge from a start known to be full"
    if row.get("chemistry") in (None, "", "auto"):
        return "its chemistry is not known"
    return Candidate(
        str(row["cell"]), str(row["chemistry"]), float(row["capacity_Ah"]), row.get("resistance_ohm"),
        self_discharge, age_days, str(row.get("form") or ""),
    )  # fmt: skip


def match(
    candidates: Sequence[Candidate],
    size: int,
    wiring: Wiring = "parallel",
    oldest_days: float = 365.0,
    widest: float | None = None,
    refused: Mapping[str, str] | None = None,
    seconds: float = 6.0,
) -> dict[str, Any]:
    """Return sets of cells that belong together.

    Args:
        candidates: Tested cells.
        size: Cells in a set, 2 or more.
        wiring: How they will be joined.
        oldest_days: A test older than this does not count.
        widest: A set with a greater spread is not offered; None: every set is.
        refused: Cells that are no candidates, with why: they come out as left over.
        seconds: At most so long for the search.

    Returns:
        `sets`: `{cells, spread, spreads, chemistry, capacity_Ah, reason}`; `leftovers`: `{cell, reason}`; `total`,
        `at_least` (lower bound of the total), `within` (total over the bound, minus 1; None when the bound is 0),
        `exact`, `how`, `caution`.

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
    exact = True
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
        chosen, cost, bound = choose_sets(points, size, count, share)
        total, at_least = total + cost, at_least + bound
        exact = exact and len(group) <= EXACT_UP_TO
        taken = {k for members in chosen for k in members}
        for members in chosen:
            entry = _set_entry([group[k] for k in members], _cost(points, members), wiring, chemistry)
            if widest is not None and entry["spread"] > widest:
                tightest = 100 * entry["spread"]
                reason = f"no set below a spread of {100 * widest:.3g} % (the tightest for it: {tightest:.3g} %)"
                left += [{"cell": cell, "reason": reason} for cell in entry["cells"]]
                continue
            sets.append(entry)
        left += [
            {"cell": c.cell, "reason": f"{len(group)} of {name} do not divide by {size}, and it fitted least"}
            for k, c in enumerate(group)
            if k not in taken
        ]
    sets.sort(key=lambda item: item["spread"])
    within = total / at_least - 1.0 if at_least > 0 else None
    how = (
        "the best there is (all were gone through)"
        if exact
        else (
            f"by search: total spread {100 * total:.2f} %, the best there is cannot be below {100 * at_least:.2f} %"
            + (f", so at most {100 * within:.0f} % above it" if within is not None else "")
        )
    )
    return {
        "sets": sets, "leftovers": left, "size": size, "wiring": wiring, "total": total, "at_least": at_least,
        "within": within, "exact": exact, "how": how, "caution": CAUTION,
    }  # fmt: skip


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
    return {
        "cells": sorted(c.cell for c in cells), "spread": cost, "spreads": spreads, "widest_in": worst,
        "chemistry": chemistry, "capacity_Ah": whole, "reason": reason,
    }  # fmt: skip
