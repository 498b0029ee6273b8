"""Sensors against printed tables. Each source stands beside its figures."""

import pytest

from amphora.drivers.serial.sensors import BetaNtc, Platinum, SteinhartHartNtc, TableNtc

# A class of 10 kohm NTC as printed in its maker's table (read in one copy): degC, ohm.
PRINTED_10K = (
    (-5.0, 33890.0),
    (0.0, 27280.0),
    (5.0, 22050.0),
    (10.0, 17960.0),
    (15.0, 14680.0),
    (20.0, 12090.0),
    (25.0, 10000.0),
    (30.0, 8313.0),
    (40.0, 5828.0),
    (45.0, 4912.0),
    (50.0, 4161.0),
)


@pytest.mark.parametrize(
    ("degC", "ohm", "half_digit"),
    [
        # IEC 60751, table of Pt100; anchors as printed in public copies of the table (read).
        (-200.0, 18.520, 5e-4),
        (-100.0, 60.256, 5e-4),
        (-100.0, 60.2558, 5e-5),
        (-20.0, 92.1599, 5e-5),
        (0.0, 100.000, 5e-4),
        (100.0, 138.5055, 5e-5),
        (200.0, 175.856, 5e-4),
    ],
)
def test_pt100_resistance_is_that_of_iec_60751(degC, ohm, half_digit):
    assert Platinum().resistance_ohm(degC) == pytest.approx(ohm, abs=half_digit * 1.0001)


@pytest.mark.parametrize(
    ("ohm", "degC"),
    # IEC 60751 table in steps of 10 K, two decimals: computed from the standard's formula, as the
    # published tables have it; 0.005 ohm are 0.013 K.
    [(92.16, -20), (96.09, -10), (98.04, -5), (100.00, 0), (103.90, 10), (107.79, 20), (109.73, 25), (115.54, 40),
     (117.47, 45), (119.40, 50), (130.90, 80), (138.51, 100)],
)  # fmt: skip
def test_pt100_temperature_is_that_of_the_table(ohm, degC):
    assert Platinum().temperature_degC(ohm) == pytest.approx(degC, abs=0.0135)


def test_pt100_inverse_of_a_worked_example():
    # 110.000 ohm is 25.684 degC (computed by inverting the formula of IEC 60751).
    assert Platinum().temperature_degC(110.000) == pytest.approx(25.684, abs=5e-4)


@pytest.mark.parametrize(("degC", "ohm"), PRINTED_10K)
def test_a_table_gives_its_own_points(degC, ohm):
    assert TableNtc(PRINTED_10K).temperature_degC(ohm) == pytest.approx(degC, abs=1e-9)


def test_a_table_with_points_left_out_finds_them_again_within_a_tenth_of_a_kelvin():
    # Every second printed point is kept; those left out are outside figures for the interpolation.
    kept = TableNtc(PRINTED_10K[::2])
    for degC, ohm in PRINTED_10K[1::2]:
        assert kept.temperature_degC(ohm) == pytest.approx(degC, abs=0.1)


def test_steinhart_hart_through_three_printed_points_meets_the_others():
    # a, b, c through (0, 27280), (25, 10000), (50, 4161); stated residual at most 0.03 K (computed).
    sensor = SteinhartHartNtc(8.85277e-4, 2.51859e-4, 1.90749e-7)
    for degC, ohm in PRINTED_10K:
        assert sensor.temperature_degC(ohm) == pytest.approx(degC, abs=0.04)


@pytest.mark.parametrize(
    ("beta_K", "degC", "ohm"),
    # R = R25 exp(B (1/T - 1/298.15)): the definition of beta, common practice; whole ohms, computed.
    [(3435, -10, 46290), (3435, 0, 28704), (3435, 45, 4847), (3435, 80, 1662),
     (3950, -10, 58246), (3950, 0, 33621), (3950, 45, 4348), (3950, 80, 1270)],
)  # fmt: skip
def test_beta_formula_reproduces_its_computed_table(beta_K, degC, ohm):
    assert BetaNtc(10000.0, beta_K).temperature_degC(ohm) == pytest.approx(degC, abs=0.012)


def test_a_makers_beta_reads_high_at_the_freezing_gate_and_the_table_does_not():
    # With B = 3435 the printed sensor reads 1.11 degC at a true 0 degC and 44.61 at a true 45 degC
    # (computed from the printed table): the reason why a table is preferred.
    beta = BetaNtc(10000.0, 3435.0)
    assert beta.temperature_degC(27280.0) == pytest.approx(1.11, abs=0.005)
    assert beta.temperature_degC(4912.0) == pytest.approx(44.61, abs=0.005)
    assert TableNtc(PRINTED_10K).temperature_degC(27280.0) == pytest.approx(0.0, abs=1e-9)
