"""Open-circuit functions from outside, against what we find in records made of them."""

import numpy as np
import pytest

from amphora.harness.analysis.circuit import fit_circuit
from amphora.harness.analysis.incremental import (
    incremental_capacity,
)
from amphora.harness.analysis.records import Measurement, Record, Specification

NOTHING = Specification(0.0, 0.0)
PERFECT = Measurement(NOTHING, NOTHING, NOTHING, NOTHING)


def test_lfp_function_has_its_incremental_peak_where_the_function_is_flat() -> None:
    # A. Afshar et al., arXiv 1709.03970: U(y); printed values of the function.
    def lfp(y: np.ndarray) -> np.ndarray:
        return 3.4077 - 0.020269 * y + 0.5 * np.exp(-150 * y) - 0.9 * np.exp(-30 * (1 - y))

    y = np.array([0.01, 0.1, 0.5, 0.8, 0.9, 0.95, 0.99])
    assert lfp(y) == pytest.approx([3.5191, 3.4057, 3.3976, 3.3893, 3.3446, 3.1876, 2.7209], abs=6e-5)
    grid = np.linspace(0.001, 0.999, 5000)
    curve = incremental_capacity(grid * 2.0, lfp(grid), step_V=0.002, smooth_V=0.004)
    # Steepest where dU/dy is smallest: the inverse of 0.020269 V at the plateau, 2 Ah / 0.020 V, smoothed down.
    assert 3.385 <= curve.peak_V <= 3.408
    assert 0.5 * 2.0 / 0.020269 <= curve.peak_Ah_per_V <= 1.1 * 2.0 / 0.020269


def test_two_pairs_of_chen_and_rincon_mora_at_half_charge_are_recovered() -> None:
    # At z = 0.5: Rs 74.46, R1 46.69, R2 49.84 mΩ, C1 702.7 F, C2 4475 F (C1 and R2 coefficients from memory).
    rs, r1, r2, c1, c2 = 0.07446, 0.04669, 0.04984, 702.7, 4475.0
    t = np.concatenate((np.arange(0.0, 30.0, 1.0), np.arange(30.5, 630.0, 0.5), np.arange(630.5, 3600.0, 2.0)))
    on = (t > 30.0) & (t <= 630.0)
    volts = np.full(t.size, 3.8034) - np.where(on, rs * 0.4, 0.0)
    for ohm, farad in ((r1, c1), (r2, c2)):
        tau = ohm * farad
        falling = (1 - np.exp(-600.0 / tau)) * np.exp(-np.clip(t - 630.0, 0, None) / tau)
        volts -= 0.4 * ohm * np.where(t <= 30.0, 0.0, np.where(on, 1 - np.exp(-(t - 30.0) / tau), falling))
    volts += np.random.default_rng(2).normal(0, 2e-5, t.size)
    record = Record(
        t, volts, np.where(on, -0.4, 0.0), np.full(t.size, np.nan), np.full(t.size, -1), np.array([30.0, 630.0])
    )
    fit = fit_circuit(record, 0, t.size - 1, PERFECT)
    assert len(fit.pairs) == 2
    assert abs(fit.r0_ohm - rs) <= 3 * fit.u_r0_ohm
    for pair, ohm, farad in zip(fit.pairs, (r1, r2), (c1, c2), strict=True):
        assert abs(pair.ohm - ohm) <= 3 * pair.u_ohm
        assert abs(pair.farad - farad) <= 3 * pair.u_farad
        assert pair.u_ohm < 0.02 * ohm
