"""The decision rule against JCGM 106:2012 and ILAC-G8:09/2019. Figures from memory of these documents."""

import math

import pytest

from amphora.harness.decisions.grades import Criterion, conformance_probability, decide

LIMIT = Criterion("c", "capacity", "higher", "needs", "", {"full duty": 1.0})
UPPER = Criterion("c", "temperature rise", "lower", "needs", "", {"full duty": 10.0})


@pytest.mark.parametrize(("z", "probability"), [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)])
def test_conformance_probability_of_a_one_sided_interval(z, probability):
    # JCGM 106:2012, 7.4, table 1 (from memory): probability 0.80 to 0.999 belongs to z = 0.84 to 3.09.
    assert conformance_probability(z * 0.3, 0.3) == pytest.approx(probability, abs=0.0012)


def test_on_the_limit_it_is_one_half():
    # Simple acceptance ("shared risk"): up to 50 % (ILAC-G8:09/2019, 4.2.1, from memory)
    assert conformance_probability(0.0, 1.0) == pytest.approx(0.5)


@pytest.mark.parametrize(("guard", "risk"), [(1.0, 0.025), (0.83, 0.05), (0.0, 0.5)])
def test_guard_band_bounds_the_risk_of_a_wrong_yes(guard, risk):
    # ILAC-G8:09/2019, table of guard bands (from memory): w = U -> < 2.5 %, w = 0.83 U -> < 5 %, w = 0 -> < 50 %.
    U = 0.02
    just_accepted = 1.0 + guard * U + 1e-12
    assert decide(just_accepted, U, LIMIT, guard)["grade"] == "full duty"
    assert 1.0 - conformance_probability(just_accepted - 1.0, U / 2) <= risk
    just_not = 1.0 + guard * U - 1e-9
    assert decide(just_not, U, LIMIT, guard)["grade"] != "full duty"


@pytest.mark.parametrize(("value", "verdict"), [(1.03, "met"), (1.01, "open"), (0.99, "open"), (0.97, "not met")])
def test_four_places_about_a_lower_limit(value, verdict):
    # ILAC-G8:09/2019, 4.2.3, non-binary rule with a guard band: pass, conditional pass, conditional fail, fail
    # (from memory); both conditional places are `open` here and get the lower grade.
    found = decide(value, 0.02, LIMIT, 1.0)
    assert found["verdict"] == verdict and (found["grade"] == "full duty") == (verdict == "met")


@pytest.mark.parametrize(("value", "verdict"), [(8.0, "met"), (9.5, "open"), (10.5, "open"), (12.0, "not met")])
def test_four_places_about_an_upper_limit(value, verdict):
    assert decide(value, 1.0, UPPER, 1.0)["verdict"] == verdict


def test_specific_risk_matches_the_normal_tail():
    # Gauss integral at k = 2: 2.275 % on one side (any table of the normal distribution)
    assert 1 - conformance_probability(2.0, 1.0) == pytest.approx(0.02275, abs=5e-6)
    assert math.isclose(conformance_probability(1.0, 1.0), 0.841345, abs_tol=1e-6)
