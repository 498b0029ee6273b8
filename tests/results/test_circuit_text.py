"""A circuit in words: an element that the fit does not bind has a value alone."""

import math

from amphora.harness.analysis.circuit import Circuit, Pair
from amphora.harness.common.as_json import without_odd_numbers
from amphora.harness.results.circuit import CircuitOfCell, circuit_lines


def test_an_element_without_an_uncertainty_is_shown_alone() -> None:
    pair = Pair(0.02, 0.001, 900.0, math.nan, 18.0, math.nan)
    fit = Circuit(0.05, 0.001, (pair,), 3.3, 0.01, 0.0, 0.0, 0.0, 0.0, True, "fits", 0.0, 60.0)
    lines = circuit_lines(CircuitOfCell("a", without_odd_numbers(fit)))
    assert "20.0 ± 2.0 mΩ, 900 F; time constant 18 s" in lines[1]
