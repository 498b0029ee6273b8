"""The first twenty minutes of a discharge: against a circuit whose answers are known in closed form."""

import math

import numpy as np
import pytest

from amphora.harness.analysis.early_signs import Signs, early_signs
from amphora.harness.common.errors import AnalysisError

R0, R1, TAU_S, FALL_V_PER_AH, FULL_V = 0.080, 0.040, 20.0, 0.45, 4.18
SHAPE = ((0.0, 60.0), (0.2, 10.0), (1.0, 1.0), (0.0, 180.0), (0.5, 10.0), (0.0, 180.0), (0.2, 620.0), (0.0, 60.0))


def lived(shape: tuple[tuple[float, float], ...] = SHAPE) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A resistor, a pair, a straight line of voltage against charge: 0.1 s at a time."""
    rows, t_s, u_V, given_Ah = [], 0.0, 0.0, 0.0
    for amps, seconds in shape:
        for _ in range(round(seconds / 0.1)):
            t_s += 0.1
            u_V += (amps * R1 - u_V) * (1.0 - math.exp(-0.1 / TAU_S))
            given_Ah += amps * 0.1 / 3600.0
            rows.append((t_s, FULL_V - FALL_V_PER_AH * given_Ah - amps * R0 - u_V, -amps))
    table = np.array(rows)
    return table[:, 0], table[:, 1], table[:, 2]


def test_the_signs_of_a_circuit_are_its_own() -> None:
    found = early_signs(*lived(), np.full(lived()[0].size, 21.0))
    ten_s = R0 + R1 * (1.0 - math.exp(-10.0 / TAU_S))
    one_s = R0 + (R1 - R1 * 0.2 * (1.0 - math.exp(-10.0 / TAU_S)) * 0.0) * (1.0 - math.exp(-1.0 / TAU_S))
    assert found.rest_V == pytest.approx(FULL_V, abs=1e-4)
    assert found.step_ohm == pytest.approx(ten_s, abs=0.0015)
    assert found.short_ohm == pytest.approx(one_s, abs=0.003)
    assert found.slope_V_per_Ah == pytest.approx(FALL_V_PER_AH, rel=0.03)  # the pair fades in the first minute
    decay = R1 * (1.0 - math.exp(-10.0 / TAU_S)) * (math.exp(-5.0 / TAU_S) - math.exp(-140.0 / TAU_S))
    assert found.recovery_ohm == pytest.approx(decay, rel=0.05)
    assert found.current_A == pytest.approx(0.2) and found.temperature_degC == pytest.approx(21.0)


def test_a_sick_cell_beside_it_shows_more_of_everything() -> None:
    t_s, voltage_V, current_A = lived()
    sound = early_signs(t_s, voltage_V, current_A)
    sick = early_signs(t_s, FULL_V + (voltage_V - FULL_V) * 3.0, current_A)
    for name in ("short_ohm", "step_ohm", "recovery_ohm", "slope_V_per_Ah", "sag_ohm"):
        assert getattr(sick, name) == pytest.approx(3.0 * getattr(sound, name), rel=1e-6)


@pytest.mark.parametrize(
    ("shape", "said"),
    [
        (SHAPE[:6], "no discharge of ten minutes"),
        ((*SHAPE[:6], (0.2, 400.0), (0.0, 60.0)), "no discharge of ten minutes"),
        (((0.0, 60.0), (0.2, 700.0)), "no load steps"),
        (((0.0, 60.0), (0.5, 10.0), (0.0, 180.0), (0.2, 700.0)), "no load step rises"),
    ],
)
def test_a_run_without_them_is_refused_by_name(shape: tuple[tuple[float, float], ...], said: str) -> None:
    with pytest.raises(AnalysisError, match=said):
        early_signs(*lived(shape))


def test_rows_without_a_value_do_no_harm() -> None:
    t_s, voltage_V, current_A = lived()
    torn = voltage_V.copy()
    torn[::7] = np.nan
    whole, found = early_signs(t_s, voltage_V, current_A), early_signs(t_s, torn, current_A)
    assert isinstance(found, Signs)
    assert found.step_ohm == pytest.approx(whole.step_ohm, rel=0.01)
    assert found.slope_V_per_Ah == pytest.approx(whole.slope_V_per_Ah, rel=0.01)
