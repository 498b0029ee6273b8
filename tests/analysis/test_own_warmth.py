"""How a cell warms itself: held against the closed form of a lumped body, and what a test's temperatures say."""

import math

import numpy as np
import pytest

from amphora.harness.analysis.own_warmth import MOST_RISE_K, USUAL_K_PER_W, USUAL_TIME_S, OwnWarmth, rise, warmth_of


def test_a_constant_power_warms_as_the_closed_form_says():
    t = np.arange(0.0, 5000.0, 7.0)
    got = rise(t, np.full(t.size, 0.3), OwnWarmth(18.0, 0.5, 900.0))
    assert got == pytest.approx(0.3 * 18.0 * -np.expm1(-t / 900.0), abs=1e-9)


def test_a_rise_ends_where_no_unattended_run_goes_on():
    t = np.arange(0.0, 50_000.0, 50.0)
    assert rise(t, np.full(t.size, 10.0), OwnWarmth(20.0, 0.5, 900.0)).max() == MOST_RISE_K == 45.0


@pytest.mark.parametrize("true_K_per_W", [8.0, 20.0, 45.0])
def test_the_temperatures_of_a_test_move_the_body_towards_what_it_is_within_its_uncertainty(true_K_per_W):
    t = np.arange(0.0, 18_000.0, 10.0)
    power = np.where(t < 600, 0.0, 0.15)
    degC = (
        21.0
        + rise(t, power, OwnWarmth(true_K_per_W, 0.0, USUAL_TIME_S))
        + np.random.default_rng(1).normal(0, 0.1, t.size)
    )
    found = warmth_of(t, power, degC, "18650", 2.5, 1.0)
    assert abs(math.log(found.K_per_W / true_K_per_W)) <= found.U_share
    if true_K_per_W != USUAL_K_PER_W:
        assert abs(math.log(found.K_per_W / true_K_per_W)) < 0.8 * abs(math.log(USUAL_K_PER_W / true_K_per_W))


def test_without_temperatures_the_body_alone_tells_with_a_wide_uncertainty():
    t = np.arange(0.0, 1000.0, 10.0)
    nothing = np.full(t.size, np.nan)
    small, large = (warmth_of(t, np.ones(t.size), nothing, form, 2.0, 0.4) for form in ("14500", "26650"))
    assert small.K_per_W > USUAL_K_PER_W > large.K_per_W
    assert small.U_share == 0.7
    assert warmth_of(t, np.ones(t.size), nothing, "nobody's", 5.0, 0.4)[:2] == pytest.approx((6.0, 1.2))
    # Measured: a pouch cell of 2.28 Ah warms by 10.4 K at 2 It (Ai et al. 2020): 1.8 W, so 6 K/W, of nobody's form.
    pouch = warmth_of(t, np.ones(t.size), nothing, "", 2.28, 0.4)
    assert abs(math.log(pouch.K_per_W / 6.0)) <= pouch.U_share
