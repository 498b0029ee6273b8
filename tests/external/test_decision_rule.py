"""The decision rule against JCGM 106:2012 and ILAC-G8:09/2019. Figures from memory of these documents."""

import pytest
from scipy import stats

from amphora.harness.decisions.criteria import Criterion
from amphora.harness.decisions.grades import decide

LIMIT = Criterion("c", "capacity", "higher", "needs", "", {"full duty": 1.0})
UPPER = Criterion("c", "temperature rise", "lower", "needs", "", {"full duty": 10.0})


@pytest.mark.parametrize(("guard", "risk"), [(1.0, 0.025), (0.83, 0.05), (0.0, 0.5)])
def test_guard_band_bounds_the_risk_of_a_wrong_yes(guard, risk):
    # ILAC-G8:09/2019, table of guard bands (from memory): w = U -> < 2.5 %, w = 0.83 U -> < 5 %, w = 0 -> < 50 %.
    U = 0.02
    just_accepted = 1.0 + guard * U + 1e-12
    assert decide(just_accepted, U, LIMIT, guard).grade == "full duty"
    assert stats.norm.sf((just_accepted - 1.0) / (U / 2)) <= risk
    just_not = 1.0 + guard * U - 1e-9
    assert decide(just_not, U, LIMIT, guard).grade != "full duty"


@pytest.mark.parametrize(("value", "verdict"), [(1.03, "met"), (1.01, "open"), (0.99, "open"), (0.97, "not met")])
def test_four_places_about_a_lower_limit(value, verdict):
    # ILAC-G8:09/2019, 4.2.3, non-binary rule with a guard band: pass, conditional pass, conditional fail, fail
    # (from memory); both conditional places are `open` here and get the lower grade.
    found = decide(value, 0.02, LIMIT, 1.0)
    assert found.verdict == verdict and (found.grade == "full duty") == (verdict == "met")


@pytest.mark.parametrize(("value", "verdict"), [(8.0, "met"), (9.5, "open"), (10.5, "open"), (12.0, "not met")])
def test_four_places_about_an_upper_limit(value, verdict):
    assert decide(value, 1.0, UPPER, 1.0).verdict == verdict
