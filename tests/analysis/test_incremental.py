"""Promises of the open-circuit curves and the incremental capacity."""

import numpy as np
import pytest

from amphora.harness.analysis.incremental import (
    cutoff_sensitivity,
    incremental_capacity,
    ocv_from_pair,
    ocv_from_rests,
    ocv_from_slow_discharge,
)
from amphora.harness.common.errors import AnalysisError


def linear(z: np.ndarray) -> np.ndarray:
    return 3.0 + 1.2 * z


def test_a_slow_discharge_with_its_resistance_added_back_is_the_curve() -> None:
    q = np.linspace(0.0, 2.0, 400)
    volts = linear(1 - q / 2.0) - 0.1 * 0.08
    curve = ocv_from_slow_discharge(q, volts, -0.1, 0.08, 0.004)
    assert np.max(np.abs(curve.voltage_V - linear(curve.share))) < 1e-9
    assert curve.u_V[0] == pytest.approx(0.1 * 0.004 / 2)
    assert curve.capacity_Ah == pytest.approx(2.0)
    bare = ocv_from_slow_discharge(q, volts, -0.1)
    assert np.all(np.abs(bare.voltage_V - linear(bare.share)) <= 2 * bare.u_V)
    with pytest.raises(AnalysisError, match="below 0"):
        ocv_from_slow_discharge(q, volts, 0.1)


def test_a_pair_cancels_the_drop_and_says_how_far_apart_the_two_were() -> None:
    q = np.linspace(0.0, 2.0, 400)
    curve = ocv_from_pair(q, linear(1 - q / 2) - 0.02, q, linear(q / 2) + 0.02)
    assert np.max(np.abs(curve.voltage_V - linear(curve.share))) < 1e-9
    assert curve.u_V == pytest.approx(0.02 / np.sqrt(3))
    with pytest.raises(AnalysisError, match="more than 5 %"):
        ocv_from_pair(q, linear(1 - q / 2), q * 0.8, linear(q / 2))


def test_rests_come_out_in_order_of_charge() -> None:
    z = np.array([0.9, 0.1, 0.5])
    curve = ocv_from_rests(z, linear(z), np.full(3, 0.001), 2.0)
    assert curve.share.tolist() == [0.1, 0.5, 0.9]
    assert np.all(np.diff(curve.voltage_V) > 0)
    with pytest.raises(AnalysisError, match="outside 0 to 1"):
        ocv_from_rests(np.array([0.2, 1.4]), z[:2], z[:2], 2.0)


def test_incremental_capacity_of_a_straight_line_is_its_inverse_slope_and_keeps_the_charge() -> None:
    q = np.linspace(0.0, 2.0, 5000)
    noise = np.random.default_rng(0).normal(0, 1e-3, q.size)
    curve = incremental_capacity(q, linear(1 - q / 2) + noise)
    middle = (curve.voltage_V > 3.1) & (curve.voltage_V < 4.1)
    assert np.max(np.abs(curve.slope_Ah_per_V[middle] - 2.0 / 1.2)) < 0.05
    assert np.sum(curve.slope_Ah_per_V) * 0.005 == pytest.approx(2.0, rel=0.01)


def test_incremental_capacity_finds_a_plateau_where_it_is() -> None:
    # A plateau: half the charge between 3.28 and 3.30 V.
    z = np.linspace(0, 1, 4000)
    volts = np.interp(z, [0.0, 0.25, 0.75, 1.0], [3.6, 3.30, 3.28, 2.5])
    curve = incremental_capacity(z, volts)
    assert curve.peak_V == pytest.approx(3.29, abs=0.01)
    with pytest.raises(AnalysisError, match="does not span"):
        incremental_capacity(z, np.full(4000, 3.3))
    with pytest.raises(AnalysisError, match="does not grow"):
        incremental_capacity(np.zeros(10), volts[:10])


def test_the_cost_of_a_cutoff_error_is_the_inverse_slope() -> None:
    q = np.linspace(0.0, 2.0, 400)
    curve = ocv_from_slow_discharge(q, linear(1 - q / 2.0), -0.1, 0.0)
    assert cutoff_sensitivity(curve, 3.3) == pytest.approx(1 / 1.2, rel=1e-6)
    with pytest.raises(AnalysisError, match="outside the curve"):
        cutoff_sensitivity(curve, 2.0)
