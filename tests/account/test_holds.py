"""What the account says that a cell holds covers what another charge or current would give."""

from dataclasses import replace

import pytest

from amphora.harness.account.fold import fold
from amphora.harness.account.holds import conditions_share
from tests.support.account_entries import cell, charge, night


def at_current(ah: float, current_A: float, begin_h: float = 4.5, **changes):
    found = night(begin_h, ah=ah, **changes)
    return replace(found, moves=(replace(found.moves[0], current_A=-current_A),))


def share(held, *others, charged=None):
    return conditions_share(held, [*others, held], charged or {})


def test_an_aged_cell_that_gives_less_at_more_current_holds_what_both_nights_say():
    """A drawn aged cell: 1.626 Ah at 0.2 A after a charge at 0.25 A, 1.541 Ah at 0.325 A after one at 0.65 A."""
    slower, faster = at_current(1.626, 0.20), at_current(1.541, 0.325, 34.5)
    entries = [charge(ah=1.6), slower, charge(30.0, ah=1.65), faster]
    standing = fold(cell(), entries)
    assert standing.capacity_Ah == 1.541
    assert standing.capacity_item_U_Ah > 1.626 - 1.541  # was 0.016
    assert standing.to_dict()["capacity_conditions_share"] == pytest.approx(1.626 / 1.541 - 1)
    # one that gives the same at both, beside it, is known as well as its repeats
    steady = fold(cell(), [charge(ah=1.6), at_current(1.543, 0.20), charge(30.0, ah=1.55), faster])
    assert steady.capacity_item_U_Ah < 0.017


def test_a_night_at_the_stated_current_stands_alone_without_an_allowance():
    assert share(at_current(1.0, 0.20)) == share(at_current(1.0, 0.215)) == 0.0


@pytest.mark.parametrize(("current_A", "expected"), [(0.1, 0.040), (0.4, 0.080), (1.0, 0.186)])
def test_a_night_at_another_current_has_an_allowance_or_its_own_estimate(current_A, expected):
    """2/sqrt(3) of 5 % (slower) or 10 % (faster) for each e-fold from 0.2 It; its own estimate goes before that."""
    found = at_current(1.0, current_A)
    assert share(found) == pytest.approx(expected, abs=0.0005)
    assert share(replace(found, stated_Ah=0.97)) == pytest.approx(0.03)


def test_only_unlike_nights_of_the_same_cell_as_it_is_now_widen_it():
    held = at_current(1.0, 0.2, 40.0)
    other = at_current(1.05, 0.13)
    assert share(held, other) == pytest.approx(0.05)
    assert share(held, at_current(1.05, 0.21)) == 0.0  # alike: that is the scatter of repeats
    assert share(held, at_current(1.05, 0.21), charged={"40-overnight": 0.65, "4.5-overnight": 0.25}) == pytest.approx(
        0.05
    )
    assert share(held, at_current(1.05, 0.13, begin_h=-31 * 24.0)) == 0.0  # age comes in
    cold = replace(other, temperature_degC=10.0)
    assert share(replace(held, temperature_degC=20.0), cold) == 0.0
    other_end = replace(other, moves=(replace(other.moves[0], cutoff_V=2.5),))
    assert share(held, other_end) == 0.0
    assert share(held, replace(other, dated=False)) == 0.0
