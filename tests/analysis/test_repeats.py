"""What repeats of a cell teach of its U as an item: the small form of the study in docs/faults.md."""

import math

import numpy as np
import pytest

from amphora.harness.analysis.repeats import PRIOR_SCATTER, Repeat, alike, differences, item_U_Ah, learned
from amphora.harness.results.as_item import with_item_U
from tests.campaign.repeat_study import Tally, drawn_shelf, judged
from tests.support.made_results import result_of


def test_without_repeats_the_prior_stands_and_names_its_source() -> None:
    """Measured repeats of laboratory cells: 0.25 % robust, 0.5 to 1.5 % plain (1,061 pairs of open records)."""
    found = with_item_U(result_of(capacity_Ah=2.0, capacity_U_Ah=0.004, start="full"), ())
    assert found.item is not None and found.item.from_ == "prior"
    assert "1,061 pairs" in found.item.text
    assert found.capacity_item_U_Ah == pytest.approx(math.hypot(0.004, 2 * 0.005 * 2.0))
    assert 0.0025 <= PRIOR_SCATTER <= 0.015


def test_successive_tests_of_one_cell_seldom_differ_and_a_loss_of_two_per_cent_is_found() -> None:
    """Held out: what judged a pair was learned from the tests before it, and from other cells."""
    rng = np.random.default_rng(7)
    total = Tally()
    for _ in range(12):
        one = judged(drawn_shelf(rng, 10))
        total = Tally(total.pairs + one.pairs, total.differ + one.differ, total.found + one.found)
    assert total.pairs == 960
    assert 0.02 <= total.differ / total.pairs <= 0.08
    assert total.found / total.pairs >= 0.70


def test_a_restless_cell_gets_a_wider_item_and_a_steady_one_beside_it_does_not() -> None:
    """Twelve tests each; what one cell does weighs most on itself."""
    rng = np.random.default_rng(3)
    restless = differences([Repeat(2.0 * (1 + 0.02 * x)) for x in rng.standard_normal(12)])
    steady = differences([Repeat(2.0 * (1 + 0.002 * x)) for x in rng.standard_normal(12)])
    wide, narrow = learned(restless, [steady]), learned(steady, [restless])
    assert 0.01 < wide.share < 0.03
    assert narrow.share < 0.009
    assert (wide.pairs, wide.shelf_pairs) == (11, 11)


def test_one_change_of_a_cell_is_no_scatter() -> None:
    """A fall by 20 % between two of eight tests is a change; the item's U does not swallow the next one like it."""
    quiet = [0.002, -0.003, 0.001, -0.2, 0.002, -0.001, 0.003]
    assert learned(quiet).share < 0.008
    assert learned([-0.2]).share < 0.009


def test_only_tests_made_alike_are_repeats() -> None:
    """Another current, cut-off, warmth, or month: no repeat."""
    one = Repeat(2.0, 0.4, 3.0, 21.0, 0.0)
    assert alike(one, Repeat(1.98, 0.41, 3.0, 23.0, 3.0))
    for other in (
        Repeat(1.9, 0.8, 3.0, 21.0, 1.0),
        Repeat(1.9, 0.4, 2.8, 21.0, 1.0),
        Repeat(1.9, 0.4, 3.0, 35.0, 1.0),
        Repeat(1.9, 0.4, 3.0, None, 1.0),
        Repeat(1.9, 0.4, 3.0, 21.0, 90.0),
    ):
        assert not alike(one, other)
        assert differences([one, other]) == []


def test_a_charge_that_nobody_saw_widens_the_item() -> None:
    """2 % (k = 2) for a charger that stops between 4.15 and 4.25 V: practice."""
    assert item_U_Ah(1.0, 0.002, "declared-full") == pytest.approx(math.hypot(0.002, 0.01, 0.02))
