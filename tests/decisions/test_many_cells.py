"""Ranks, ties and cohorts of many cells: the same as by looking at every pair, without looking at every pair."""

import math
import random
from statistics import median

from amphora.harness.analysis.repeats import Beside, learned
from amphora.harness.decisions import comparison
from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.decisions.comparison import rank
from amphora.harness.decisions.grades import Others


def test_ranks_and_ties_are_those_of_all_pairs() -> None:
    rng = random.Random(3)
    for _ in range(20):
        rows = [
            ComparedRow(
                cell=f"c{k}",
                capacity_Ah=round(rng.uniform(1.0, 1.2), 3),
                capacity_U_Ah=rng.choice((0.0, 0.01, 0.05)),
            )
            for k in range(rng.randint(1, 30))
        ]
        for row in rank(rows):
            others = [other for other in rows if other.cell != row.cell]
            apart = [
                o for o in others
                if abs(row.capacity_Ah - o.capacity_Ah) > math.hypot(row.capacity_U_Ah, o.capacity_U_Ah)
            ]  # fmt: skip
            assert row.rank == 1 + sum(o.capacity_Ah > row.capacity_Ah for o in apart)
            assert set(row.tied_with) == {o.cell for o in others} - {o.cell for o in apart}
            assert row.tied == len(row.tied_with)


def test_of_very_many_ties_the_nearest_are_named_and_all_are_counted() -> None:
    rows = [ComparedRow(cell=f"c{k:03d}", capacity_Ah=1.0 + k * 1e-4, capacity_U_Ah=0.5) for k in range(200)]
    middle = next(row for row in rank(rows) if row.cell == "c100")
    assert middle.tied == 199
    assert len(middle.tied_with) == comparison.MOST_TIES
    assert set(middle.tied_with) <= {f"c{k:03d}" for k in range(74, 127)}


def test_a_cohort_without_one_cell_has_the_median_of_the_others() -> None:
    rng = random.Random(4)
    for size in range(1, 12):
        values = [rng.choice((1.0, 1.5, 2.0, 2.5)) for _ in range(size)]
        for left_out in (None, *range(size)):
            rest = [value for place, value in enumerate(values) if place != left_out]
            others = Others(sorted(values), None if left_out is None else values[left_out])
            assert list(others) == sorted(rest) and len(others) == len(rest)
            if rest:
                assert others.middle == median(rest)


def test_what_a_shelf_taught_may_be_added_up_first() -> None:
    rng = random.Random(5)
    cells = [[rng.gauss(0.0, 0.01) for _ in range(rng.randint(0, 4))] for _ in range(30)]
    total = Beside.of(cells)
    for place, own in enumerate(cells):
        one_by_one = learned(own, [found for other, found in enumerate(cells) if other != place])
        at_once = learned(own, total.without(own))
        assert at_once.shelf_pairs == one_by_one.shelf_pairs
        assert math.isclose(at_once.share, one_by_one.share, rel_tol=1e-12)
