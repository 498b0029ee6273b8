"""The uncertainty room against the GUM's own worked examples, and against a second program.

Source of the numbers: JCGM 100:2008, Annex H.1 and H.2, and table G.2; raw data of H.2 as printed in
table H.2. Values marked (recomputed) were worked out from the same inputs with full precision.
"""

import math

import numpy as np
import pytest

from amphora.harness.analysis.records import Specification
from amphora.harness.common.errors import AnalysisError
from amphora.harness.common.words import round_with_U
from tests.support import gum


def test_conversions_of_limits_to_standard_uncertainties():
    # Source: JCGM 100:2008, 4.3.7, 4.3.9, H.1.3.4, F.2.2.1.
    assert gum.rectangular(1.0) == pytest.approx(0.57735, abs=5e-6)
    assert gum.triangular(1.0) == pytest.approx(0.40825, abs=5e-6)
    assert gum.arcsine(1.0) == pytest.approx(0.70711, abs=5e-6)
    assert gum.digits(1.0) == pytest.approx(0.28868, abs=5e-6)
    normal = Specification(0.01, 0.0, distribution="normal", k=2.0)
    assert gum.standard(0.01, normal) == 0.005


def end_gauge(x):
    ls, d, alpha_s, theta, d_alpha, d_theta = x
    return ls + d - ls * (d_alpha * theta + alpha_s * d_theta)


def h1_inputs():
    u_d = math.sqrt(5.8**2 + 3.9**2 + 6.7**2)
    u_theta = math.hypot(0.2, gum.arcsine(0.5))
    estimates = [50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0]
    u = [25.0, u_d, gum.rectangular(2e-6), u_theta, gum.rectangular(1e-6), gum.rectangular(0.05)]
    return estimates, u


def test_end_gauge_of_annex_h1():
    # Source: JCGM 100:2008, H.1: l = 50 000 838 nm, uc = 32 nm, components 25, 9.7, 2.9, 16.6 nm.
    estimates, u = h1_inputs()
    value, uc, parts = gum.propagate(end_gauge, estimates, u)
    assert value == pytest.approx(50_000_838, abs=0.5)
    assert 31.5 <= uc <= 32.5
    assert uc == pytest.approx(31.66, abs=0.005)  # recomputed
    sizes = np.abs(parts)
    assert sizes[0] == pytest.approx(25, abs=0.05)
    assert sizes[1] == pytest.approx(9.7, abs=0.05)
    assert sizes[4] == pytest.approx(2.9, abs=0.05)
    assert sizes[5] == pytest.approx(16.6, abs=0.05)


def test_effective_degrees_of_freedom_and_expanded_uncertainty_of_annex_h1():
    # Source: JCGM 100:2008, H.1.6: veff = 16, t99(16) = 2.92, U99 = 93 nm (2.92 times the rounded 32 nm).
    estimates, u = h1_inputs()
    _, uc, parts = gum.propagate(end_gauge, estimates, u)
    d_freedom = gum.effective_freedom([5.8, 3.9, 6.7], [24, 5, 8])
    assert d_freedom == pytest.approx(25.6, abs=0.2)
    freedom = gum.effective_freedom(parts, [18, d_freedom, math.inf, math.inf, 50, 2])
    assert 16.5 <= freedom <= 17.5
    k = gum.coverage_factor(0.99, freedom)
    assert k == pytest.approx(2.92, abs=0.005)
    assert abs(k * uc - 93) <= 1


def test_coverage_factors_of_table_g2():
    # Source: JCGM 100:2008, table G.2, column 95.45 %.
    for freedom, k in ((1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (100, 2.025)):
        assert gum.coverage_factor(0.9545, freedom) == pytest.approx(k, abs=0.006)
    assert gum.coverage_factor(0.9545, math.inf) == pytest.approx(2.0, abs=0.001)
    assert gum.coverage_factor(0.95, math.inf) == pytest.approx(1.960, abs=0.0005)


H2 = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def h2_functions():
    return {
        "R": lambda x: x[0] / x[1] * math.cos(x[2]),
        "X": lambda x: x[0] / x[1] * math.sin(x[2]),
        "Z": lambda x: x[0] / x[1],
    }


def test_simultaneous_resistance_and_reactance_of_annex_h2():
    # Source: JCGM 100:2008, H.2: R = 127.732(71), X = 219.847(295), Z = 254.260(236) ohm.
    means, u, r = gum.mean_with_u(H2)
    assert means == pytest.approx([4.9990, 19.6610e-3, 1.04446], abs=5e-6)
    assert u[0] == pytest.approx(0.0032, abs=5e-5)
    assert u[1] == pytest.approx(0.0095e-3, abs=5e-8)
    assert u[2] == pytest.approx(0.00075, abs=5e-6)
    assert r[0, 1] == pytest.approx(-0.36, abs=0.006)
    assert r[0, 2] == pytest.approx(0.86, abs=0.006)
    assert r[1, 2] == pytest.approx(-0.65, abs=0.006)
    printed = {"R": (127.732, 0.071), "X": (219.847, 0.295), "Z": (254.260, 0.236)}
    for name, function in h2_functions().items():
        value, uc, _ = gum.propagate(function, means, u, r)
        assert value == pytest.approx(printed[name][0], abs=0.001), name
        assert uc == pytest.approx(printed[name][1], abs=0.001), name


def test_dropping_the_correlation_of_annex_h2_gives_the_known_wrong_answer():
    # Recomputed from the same data: 0.195, 0.201 and 0.204 ohm.
    means, u, _ = gum.mean_with_u(H2)
    wrong = {name: gum.propagate(function, means, u)[1] for name, function in h2_functions().items()}
    assert wrong["R"] == pytest.approx(0.195, abs=0.001)
    assert wrong["X"] == pytest.approx(0.201, abs=0.001)
    assert wrong["Z"] == pytest.approx(0.204, abs=0.001)


def test_a_general_uncertainty_library_agrees_on_annex_h2():
    # Second opinion: GTC, a general library for uncertain numbers.
    import GTC

    z = GTC.type_a.multi_estimate_real(H2.T.tolist())
    v, i, phi = z
    means, u, r = gum.mean_with_u(H2)
    for name, theirs in (
        ("R", v / i * GTC.cos(phi)),
        ("X", v / i * GTC.sin(phi)),
        ("Z", v / i),
    ):
        value, uc, _ = gum.propagate(h2_functions()[name], means, u, r)
        assert value == pytest.approx(GTC.value(theirs), rel=1e-9)
        assert uc == pytest.approx(GTC.uncertainty(theirs), rel=1e-3)


def test_a_general_uncertainty_library_agrees_on_annex_h1():
    import GTC

    estimates, u = h1_inputs()
    inputs = [GTC.ureal(x, s) for x, s in zip(estimates, u, strict=True)]
    ls, d, alpha_s, theta, d_alpha, d_theta = inputs
    theirs = ls + d - ls * (d_alpha * theta + alpha_s * d_theta)
    value, uc, _ = gum.propagate(end_gauge, estimates, u)
    assert value == pytest.approx(GTC.value(theirs), rel=1e-12)
    assert uc == pytest.approx(GTC.uncertainty(theirs), rel=1e-6)


def test_monte_carlo_of_a_sum_of_rectangles_matches_the_supplement():
    # Source: JCGM 101:2008, 9.2.3 (additive model, four rectangles, u = 1 each): u(y) = 2.0 and the
    # shortest 95 % interval +-3.88.
    def draw(generator, count):
        return generator.uniform(-math.sqrt(3), math.sqrt(3), (count, 4))

    mean, deviation, (low, high) = gum.monte_carlo(lambda x: x.sum(axis=1), draw, 400_000, 0.95)
    assert mean == pytest.approx(0.0, abs=0.02)
    assert deviation == pytest.approx(2.0, abs=0.01)
    assert low == pytest.approx(-3.88, abs=0.06)
    assert high == pytest.approx(3.88, abs=0.06)


def test_rounding_keeps_two_digits_of_U_and_the_value_follows():
    # Source: JCGM 100:2008, 7.2.6.
    assert round_with_U(2.134567, 0.03456) == (2.135, 0.035)
    assert round_with_U(1999.6, 12.4) == (2000.0, 12.0)
    assert round_with_U(0.12345, 0.0999) == (0.12, 0.10)


def test_nonsense_is_refused():
    with pytest.raises(AnalysisError):
        gum.combine([1.0, 1.0], [1.0, 1.0], np.array([[1.0, 2.0], [2.0, 1.0]]))
    with pytest.raises(AnalysisError):
        gum.coverage_factor(0.95, 0.5)
    with pytest.raises(AnalysisError):
        gum.effective_freedom([1.0], [0.0])
    with pytest.raises(AnalysisError):
        round_with_U(math.nan, 1.0)
