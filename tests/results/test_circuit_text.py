"""A circuit in words: an element that the fit does not bind has a value alone."""

from amphora.harness.results.circuit import circuit_lines


def test_an_element_without_an_uncertainty_is_shown_alone() -> None:
    pair = {"ohm": 0.02, "u_ohm": 0.001, "farad": 900.0, "u_farad": None, "time_constant_s": 18.0,
            "u_time_constant_s": None}  # fmt: skip
    lines = circuit_lines({
        "r0_ohm": 0.05, "u_r0_ohm": 0.001, "pairs": [pair], "open_V": 3.3, "u_open_V": 0.01, "from_s": 0.0,
        "to_s": 60.0, "residual_text": "fits",
    })  # fmt: skip
    assert "20.0 ± 2.0 mΩ, 900 F; time constant 18 s" in lines[1]
