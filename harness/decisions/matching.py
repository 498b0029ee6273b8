"""Which cells may be matched, and sets of N of them in words: in parallel or in series, with the least spread there.

The spread of a set is a weighted sum of ranges: for each figure (capacity, resistance, self-discharge) the largest
minus the smallest of the set, over the median of all candidates. In parallel, resistance shares the current; in
series, the smallest capacity ends the run for all. `set_choice` chooses the sets. Pure; numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.decisions.set_bound import set_cost, sets_below
from amphora.harness.decisions.set_choice import EXACT_UP_TO, choose_sets
from amphora.harness.decisions.set_proof import Choice
from amphora.harness.results.rulings import May

Wiring = Literal["parallel", "series"]
FIGURES = ("capacity", "resistance", "self-discharge")
WEIGHTS: dict[str, tuple[float, float, float]] = {"parallel": (0.5, 1.0, 0.3), "series": (1.0, 0.4, 0.5)}
CAUTION = (
    "Building packs is work for people trained in it. Cells in parallel must be within 50 mV before they are joined. "
    "Each series group needs its own protection and balancing, each parallel cell its own fuse. Spot welding and first "
    "charging are done on a surface that cannot burn. Used cells without a history are outside the reuse standards; "
    "local rules go first. Never mix chemistries, and never put a retired cell into a set."
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


@dataclass(frozen=True, slots=True)
class MatchedSet:
    """Cells that belong together. `spreads`: figure -> its range over the mean, `widest_in` the largest of them."""

    cells: tuple[str, ...]
    spread: float
    spreads: Mapping[str, float]
    widest_in: str
    chemistry: str
    capacity_Ah: float
    reason: str


@dataclass(frozen=True, slots=True)
class Leftover:
    """A cell that is in no set, and why."""

    cell: str
    reason: str


@dataclass(frozen=True, slots=True)
class Matched:
    """As many sets as can be made, then those with the least total spread, the tightest first.

    `at_least`: no choice of as many sets has less; `within`: total over it, minus 1, None when it is 0;
    `at_most_sets`: no choice has more.
    """

    sets: tuple[MatchedSet, ...]
    leftovers: tuple[Leftover, ...]
    size: int
    wiring: Wiring
    total: float
    at_least: float
    within: float | None
    at_most_sets: int
    exact: bool
    how: str
    caution: str = CAUTION


def _points(cells: Sequence[Candidate], wiring: Wiring) -> FloatArray:
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


def candidate_of(
    row: ComparedRow, age_days: float, self_discharge: float | None, in_spite_of: Sequence[str] = ()
) -> Candidate | str:
    """Return a candidate from a line of `compare`, or why it is none.

    Args:
        row: A line of `compare`.
        age_days: Of its test.
        self_discharge: Share a month; None: not known.
        in_spite_of: Codes of findings that a person takes on.
    """
    ruling = row.may_match or May("yes")
    open_codes = [code for code in ruling.findings if code not in in_spite_of]
    if ruling.verdict == "no" and "no-capacity" not in ruling.findings:
        return f"its account says no: {ruling.why}"
    if ruling.verdict == "ask" and open_codes:
        return f"its account asks: {ruling.why}; to use it all the same: --in-spite-of {open_codes[0]}"
    if row.grade == "retire":
        return "retired by its grade"
    if row.counted_Ah is None:
        return "not tested: needs a complete discharge from a start known to be full"
    if row.chemistry in ("", "auto"):
        return "its chemistry is not known"
    return Candidate(
        row.cell, row.chemistry, row.counted_Ah, row.ohm_at_20, self_discharge, age_days, row.form,
        row.capacity_item_U_Ah,
    )  # fmt: skip


def match(
    candidates: Sequence[Candidate],
    size: int,
    wiring: Wiring = "parallel",
    oldest_days: float = 365.0,
    widest: float | None = None,
    refused: Mapping[str, str] | None = None,
    seconds: float = 4.0,
) -> Matched:
    """Return sets of cells that belong together.

    Args:
        candidates: Tested cells.
        size: Cells in a set, 2 or more.
        wiring: How they will be joined.
        oldest_days: A test older than this does not count.
        widest: A set with a greater spread is not offered; None: every set is.
        refused: Cells that are no candidates, with why: they come out as left over.
        seconds: About so long for the search.

    Raises:
        InputError: size below 2, a wiring that is not known.
    """
    if size < 2 or size > 24:
        raise InputError(f"--size {size} is not accepted; 2 to 24 is")
    if wiring not in WEIGHTS:
        raise InputError(f"--wiring {wiring!r} is not accepted; parallel or series is")
    groups, left = _sorted_out(candidates, oldest_days, refused or {})
    limit = math.inf if widest is None else widest
    share = seconds / max(1, sum(len(group) > EXACT_UP_TO for group in groups.values()))
    sets: list[MatchedSet] = []
    found: list[Choice] = []
    for (chemistry, form), group in sorted(groups.items()):
        name = f"{form} {chemistry}".strip()
        if len(group) < size:
            left += [Leftover(c.cell, f"only {len(group)} of {name} tested; a set needs {size} alike") for c in group]
            continue
        points = _points(group, wiring)
        choice = choose_sets(points, size, len(group) // size, share, widest=limit)
        found.append(choice)
        sets += [
            _set_entry([group[k] for k in members], set_cost(points, members), wiring, chemistry)
            for members in choice.sets
        ]
        left += _left_over(group, points, choice, size, widest, name)
    sets.sort(key=lambda item: item.spread)
    total, at_least = sum((one.total for one in found), 0.0), sum((one.at_least for one in found), 0.0)
    within = total / at_least - 1.0 if at_least > 0 else None
    exact, at_most_sets = all(one.exact for one in found), sum(one.at_most_sets for one in found)
    how = _how(exact, len(sets), total, at_least, within, at_most_sets)
    return Matched(tuple(sets), tuple(left), size, wiring, total, at_least, within, at_most_sets, exact, how)


def _sorted_out(
    candidates: Sequence[Candidate], oldest_days: float, refused: Mapping[str, str]
) -> tuple[dict[tuple[str, str], list[Candidate]], list[Leftover]]:
    """Return the candidates of each chemistry and form, and those that are none, each with why."""
    left = [Leftover(name, why) for name, why in sorted(refused.items())]
    groups: dict[tuple[str, str], list[Candidate]] = {}
    for item in candidates:
        if item.age_days > oldest_days:
            left.append(Leftover(item.cell, f"its test is {item.age_days:.0f} days old, {oldest_days:.0f} count"))
        elif item.resistance_ohm is None:
            left.append(Leftover(item.cell, "its resistance was not measured"))
        else:
            groups.setdefault((item.chemistry, item.form), []).append(item)
    return groups, left


def _left_over(
    group: Sequence[Candidate], points: FloatArray, choice: Choice, size: int, widest: float | None, name: str
) -> list[Leftover]:
    """Return the cells of a group that no set took, each with why."""
    taken = {k for members in choice.sets for k in members}
    rest = [k for k in range(len(group)) if k not in taken]
    limit = math.inf if widest is None else widest
    tightest = _tightest(points, rest, size) if widest is not None else {}
    left = []
    for k in rest:
        if tightest.get(k, 0.0) > limit:
            reason = f"no set below a spread of {100 * limit:.3g} % (the tightest for it: {100 * tightest[k]:.3g} %)"
        elif len(rest) < size:
            reason = f"{len(group)} of {name} do not divide by {size}, and it fitted least"
        else:
            reason = f"it fitted least: no further set below a spread of {100 * limit:.3g} % apart from those chosen"
        left.append(Leftover(group[k].cell, reason))
    return left


def _how(exact: bool, made: int, total: float, at_least: float, within: float | None, at_most_sets: int) -> str:
    """Return in words how sets were chosen, and how far from the best they may be."""
    if exact:
        if not made:
            return "all sets were searched"
        return "the best possible: the most sets, and of these the least spread (proven)"
    how = (
        f"by search: total spread {100 * total:.2f} %; the best of as many sets cannot be below {100 * at_least:.2f} %"
    )
    if within is not None:
        how += f", so at most {100 * within:.1f} % above it"
    if at_most_sets > made:
        how += f"; more sets may be possible, at most {at_most_sets}"
    return how


def _tightest(points: FloatArray, cells: Sequence[int], size: int) -> dict[int, float]:
    """Return the spread of the tightest set that each of these cells could be in, if all others were free."""
    found = {}
    nothing = np.zeros(len(points))
    for i in cells:
        order = np.argsort(np.abs(points - points[i]).sum(axis=1), kind="stable")
        near = set_cost(points, [i, *order[order != i][: size - 1].tolist()])
        below = sets_below(points, nothing, i, size, near, math.inf, 60_000)
        found[i] = near if isinstance(below, float) or not len(below[1]) else float(below[1].min())
    return found


def _set_entry(cells: Sequence[Candidate], cost: float, wiring: Wiring, chemistry: str) -> MatchedSet:
    capacities = [c.capacity_Ah for c in cells]
    apart = (max(capacities) - min(capacities)) / float(np.mean(capacities))
    spreads = {"capacity": apart}
    ohms = [c.resistance_ohm for c in cells if c.resistance_ohm is not None]
    resisting = (max(ohms) - min(ohms)) / float(np.mean(ohms)) if len(ohms) == len(cells) else 0.0
    spreads |= {"resistance": resisting} if len(ohms) == len(cells) else {}
    worst = max(spreads, key=lambda name: spreads[name])
    whole = sum(capacities) if wiring == "parallel" else min(capacities)
    reason = (
        f"resistances within {100 * resisting:.1f} %: the current shares evenly"
        if wiring == "parallel"
        else f"capacities within {100 * apart:.1f} %: they run empty together"
    )
    Us = [c.capacity_item_U_Ah for c in cells if c.capacity_item_U_Ah is not None]
    if len(Us) == len(cells) and apart * float(np.mean(capacities)) <= math.hypot(*sorted(Us)[-2:]):
        reason += "; all of them are too close to separate (U of the cell as an item, k = 2)"
    return MatchedSet(tuple(sorted(c.cell for c in cells)), cost, spreads, worst, chemistry, whole, reason)
