"""The temperature axis of a resistance: by the cell's own runs, else by a stated prior, never as if it were nothing."""

import math

import pytest

from amphora.harness.analysis.resistance_warmth import (
    COLD_J_PER_MOL,
    COLD_U_J_PER_MOL,
    GAS_J_PER_MOL_K,
    MOST_AWAY_K,
    STATED_degC,
    WarmthLaw,
    at_temperature,
    law_of,
)


def arrhenius(ohm_at_20, degC, J_per_mol):
    """Closed form: R = R20 exp(E/R (1/T - 1/T20))."""
    return ohm_at_20 * math.exp(J_per_mol / 8.314462618 * (1 / (degC + 273.15) - 1 / 293.15))


def test_a_value_comes_to_20_degC_by_the_prior_with_what_it_leaves_open():
    found = at_temperature(0.070, 0.0007, 12.0)
    assert found.source == "prior" and found.temperature_degC == STATED_degC and found.measured_degC == 12.0
    assert found.ohm == pytest.approx(0.070 / arrhenius(1.0, 12.0, COLD_J_PER_MOL))
    step = (1 / 293.15 - 1 / 285.15) / GAS_J_PER_MOL_K
    assert found.U_ohm == pytest.approx(found.ohm * math.hypot(0.01, COLD_U_J_PER_MOL * step))
    assert found.U_ohm > 0.1 * found.ohm  # eight kelvin are not known better than by a tenth


def test_one_cell_at_12_and_at_26_degC_is_one_cell():
    for J_per_mol in (COLD_J_PER_MOL - 0.9 * COLD_U_J_PER_MOL, COLD_J_PER_MOL, COLD_J_PER_MOL + 0.9 * COLD_U_J_PER_MOL):
        cold, warm = (
            at_temperature(arrhenius(0.06, degC, J_per_mol), 0.0003, degC, law=WarmthLaw()) for degC in (12.0, 26.0)
        )
        assert abs(cold.ohm - warm.ohm) <= cold.U_ohm + warm.U_ohm
    assert arrhenius(0.06, 12.0, COLD_J_PER_MOL) > 1.3 * arrhenius(0.06, 26.0, COLD_J_PER_MOL)


@pytest.mark.parametrize("J_per_mol", [9e3, 17e3, 28e3])
def test_runs_at_several_temperatures_teach_the_cells_own_law(J_per_mol):
    runs = [(degC, arrhenius(0.06, degC, J_per_mol), 0.0006) for degC in (6.0, 14.0, 27.0)]
    law = law_of(runs)
    assert law.source == "runs" and law.U_J_per_mol < COLD_U_J_PER_MOL / 3
    assert abs(law.J_per_mol - J_per_mol) <= law.U_J_per_mol
    assert at_temperature(*runs[0][1:], 6.0, law=law).U_ohm < at_temperature(*runs[0][1:], 6.0).U_ohm / 2


def test_runs_at_nearly_one_temperature_teach_nothing():
    assert law_of([(20.0, 0.06, 0.001), (23.0, 0.05, 0.001)]) == WarmthLaw()
    assert law_of([(20.0, 0.06, 0.001)]) == WarmthLaw()


def test_nothing_is_converted_from_far_away_or_from_an_unknown_temperature():
    assert at_temperature(0.06, 0.001, None) is None
    assert at_temperature(0.06, 0.001, STATED_degC - MOST_AWAY_K - 0.1) is None
    assert MOST_AWAY_K == 25.0
