"""A capacity at the stated condition: one cell at several currents gives one figure. The small form of the study."""

import numpy as np
import pytest

from amphora.harness.analysis.stated_condition import to_stated
from amphora.harness.common.errors import AnalysisError
from tests.campaign.stated_study import study


def linear_cell(current_A: float, ohm: float = 0.1, held: float = 2.0) -> tuple[np.ndarray, np.ndarray, float]:
    """Return a discharge of a cell with a straight curve from 4 to 3 V over `held` Ah, to 3.1 V, in closed form."""
    end = held * (4.0 - 3.1 - current_A * ohm)
    given = np.linspace(0.0, end, 2001)
    return given, 4.0 - given / held - current_A * ohm, end


@pytest.mark.parametrize("current_A", [0.1, 0.2, 0.34, 0.5, 0.8])
def test_a_straight_curve_is_converted_exactly(current_A: float) -> None:
    """Closed form: the end moves by the difference of the drops over the slope."""
    given, volts, end = linear_cell(current_A)
    rested = 3.1 + current_A * 0.1
    found = to_stated(given, volts, current_A, 3.1, end, 0.004, rested, 1800.0, 20.0)
    wanted = 2.0 * (0.9 - 0.1 * found.current_A)
    assert found.current_A == pytest.approx(0.2 * wanted, rel=0.01)
    assert found.capacity_Ah == pytest.approx(wanted, rel=0.004)
    assert abs(found.capacity_Ah - wanted) <= found.U_Ah


def test_one_cell_at_five_currents_gives_one_figure() -> None:
    """Drawn cells of three chemistries that err like real ones, none of them used while building."""
    found = study(1, 11, kinds=("healthy",))
    for (chemistry, _, rate), seen in found.items():
        for off, U in zip(seen.off, seen.U, strict=True):
            assert abs(off) <= min(U, 0.02), (chemistry, rate)
        assert rate > 0.5 or not seen.none, (chemistry, rate)
    spread = [seen.raw[0] for (chemistry, _, _), seen in found.items() if chemistry == "li-ion"]
    assert max(spread) - min(spread) > 0.05  # so much the nights' own figures are apart


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"temperature_degC": 5.0}, "20 °C within 5 K"),
        ({"rested_s": 30.0}, "no rest of 10 min"),
        ({"current_A": 2.6}, "too far from 0.2 It"),
    ],
)
def test_what_a_record_does_not_carry_is_not_given(changes: dict[str, float], words: str) -> None:
    given, volts, end = linear_cell(0.8)
    known = {"current_A": 0.8, "rested_s": 1800.0, "temperature_degC": 20.0, **changes}
    with pytest.raises(AnalysisError, match=words):
        to_stated(given, volts, known["current_A"], 3.1, end, 0.004, 3.18, known["rested_s"], known["temperature_degC"])


def test_a_temperature_that_nobody_read_widens_the_figure() -> None:
    given, volts, end = linear_cell(0.34)
    with_it = to_stated(given, volts, 0.34, 3.1, end, 0.004, 3.134, 1800.0, 20.0)
    without = to_stated(given, volts, 0.34, 3.1, end, 0.004, 3.134, 1800.0, None)
    assert without.U_Ah > 2 * with_it.U_Ah
