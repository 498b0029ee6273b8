"""Open-circuit functions and a measured table from outside, against the curves we rebuild from records of them.

Each printed row was computed from the published coefficients; a second curve (charge and discharge pair, slow
discharge, rests) must come back to them.
"""

import numpy as np
import pytest

from amphora.harness.analysis.circuit import fit_circuit
from amphora.harness.analysis.incremental import (
    OcvCurve,
    cutoff_sensitivity,
    incremental_capacity,
    ocv_from_pair,
    ocv_from_slow_discharge,
)
from amphora.harness.analysis.records import Measurement, Record, Specification

NOTHING = Specification(0.0, 0.0)
PERFECT = Measurement(NOTHING, NOTHING, NOTHING, NOTHING)
SHARES = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])


def chen_rincon_mora(z: np.ndarray) -> np.ndarray:
    # M. Chen, G. A. Rincón-Mora, IEEE Trans. Energy Convers. 21(2), 2006, 504-511: polymer Li-ion, 850 mAh.
    return -1.031 * np.exp(-35 * z) + 3.685 + 0.2156 * z - 0.1178 * z**2 + 0.3201 * z**3


def nmc_graphite(z: np.ndarray) -> np.ndarray:
    # C.-H. Chen et al., J. Electrochem. Soc. 167, 2020, 080534 (open access): half-cell functions; the limits of
    # stoichiometry are from memory.
    x, y = 0.0279 + (0.9014 - 0.0279) * z, 0.9084 + (0.2661 - 0.9084) * z
    negative = (
        1.9793 * np.exp(-39.3631 * x) + 0.2482 - 0.0909 * np.tanh(29.8538 * (x - 0.1234))
        - 0.04478 * np.tanh(14.9159 * (x - 0.2769)) - 0.0205 * np.tanh(30.4444 * (x - 0.6103))
    )  # fmt: skip
    positive = (
        -0.8090 * y + 4.4875 - 0.0428 * np.tanh(18.5138 * (y - 0.5542))
        - 17.7326 * np.tanh(15.7890 * (y - 0.3117)) + 17.5842 * np.tanh(15.9308 * (y - 0.3120))
    )  # fmt: skip
    return positive - negative


PRINTED = {
    chen_rincon_mora: [2.6540, 3.5164, 3.6746, 3.7250, 3.7477, 3.7729, 3.8034, 3.8411, 3.8880, 3.9460, 4.0170, 4.1029],
    nmc_graphite: [2.4977, 3.0728, 3.2577, 3.4493, 3.5483, 3.6343, 3.7078, 3.8089, 3.9236, 4.0215, 4.0941, 4.1929],
}
# Measured 18650 of 3.0 Ah: github.com/derlucae98/US18650VTC6_OCV_SOC_Curve (MIT licence), C/20 both ways, mean of both.
MEASURED_SHARE = np.array([1, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]) / 100
MEASURED_V = np.array([2.760, 3.133, 3.268, 3.414, 3.559, 3.661, 3.753, 3.839, 3.923, 4.037, 4.091, 4.112, 4.175])


@pytest.mark.parametrize("function", list(PRINTED))
def test_a_pair_of_slow_curves_gives_back_the_published_function(function) -> None:
    assert function(SHARES) == pytest.approx(PRINTED[function], abs=6e-5)  # the printed row itself
    q = np.linspace(0.0, 2.0, 4000)
    drop = 0.1 * 0.06
    curve = ocv_from_pair(q, function(1 - q / 2) - drop, q, function(q / 2) + drop)
    assert np.interp(SHARES, curve.share, curve.voltage_V) == pytest.approx(PRINTED[function], abs=1.5e-3)


@pytest.mark.parametrize("function", list(PRINTED))
def test_a_slow_discharge_with_resistance_gives_back_the_published_function(function) -> None:
    q = np.linspace(0.0, 2.0, 4000)
    curve = ocv_from_slow_discharge(q, function(1 - q / 2) - 0.1 * 0.06, -0.1, 0.06, 0.001)
    assert np.interp(SHARES, curve.share, curve.voltage_V) == pytest.approx(PRINTED[function], abs=1.5e-3)


def test_cutoff_sensitivity_of_the_measured_18650() -> None:
    # From the full table: 10 mV at the cut-off cost 0.11 % of the capacity at 3.0 V and 0.36 % at 3.2 V; here the
    # table is thinned to 13 points, so a fifth of the figure is allowed.
    curve = OcvCurve(MEASURED_SHARE, MEASURED_V, np.zeros(13), 3.0, "table")
    assert cutoff_sensitivity(curve, 3.0) * 0.010 * 100 == pytest.approx(0.11, rel=0.2)
    assert cutoff_sensitivity(curve, 3.2) * 0.010 * 100 == pytest.approx(0.36, rel=0.2)
    assert cutoff_sensitivity(curve, 3.8) * 0.010 * 100 == pytest.approx(10 / 8.3, rel=0.2)  # 8.3 mV per %


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
