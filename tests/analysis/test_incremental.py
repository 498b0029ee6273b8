"""Promises of the incremental capacity."""

import numpy as np
import pytest

from amphora.harness.analysis.incremental import incremental_capacity
from amphora.harness.common.errors import AnalysisError


def linear(z: np.ndarray) -> np.ndarray:
    return 3.0 + 1.2 * z


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
