"""One table of units: whoever reads a quantity takes the same spellings and finds the same number."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.drivers.errors import DescriptionError
from amphora.drivers.quantities import EXAMPLES, TEMPERATURE_SCALES, UNITS, Kind, described, read
from amphora.drivers.serial.line_format import QUANTITIES
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.common.errors import InputError
from amphora.harness.common.quantities import parse

PAIRS = [(kind, unit) for kind, units in UNITS.items() for unit in units]


def test_each_kind_has_its_units_and_its_example() -> None:
    assert set(UNITS) == set(EXAMPLES) == set(Kind.__args__)  # type: ignore[attr-defined]


@given(st.sampled_from(PAIRS), st.floats(0.001, 999.0), st.sampled_from(["", " "]))
def test_a_recipe_and_a_bench_file_read_the_same_number(pair: tuple[str, str], number: float, gap: str) -> None:
    kind, unit = pair
    text = f"{number:.3f}{gap}{unit}"
    assert read(text, kind) == parse(text, kind) == described(text, kind, "b.toml")


@pytest.mark.parametrize(("quantity", "kind"), [("time", "duration"), ("voltage", "voltage"), ("current", "current"),
                                                ("shunt", "voltage")])  # fmt: skip
def test_a_line_format_knows_every_unit_of_the_table(quantity: str, kind: str) -> None:
    assert {unit: factor for unit, (factor, _) in QUANTITIES[quantity][1].items()} == UNITS[kind]


@pytest.mark.parametrize(("unit", "number"), [("degC", 25.0), ("K", 298.15), ("degF", 77.0)])
def test_one_temperature_on_three_scales(unit: str, number: float) -> None:
    # Source: definition of the degree Celsius (SI brochure, 9th edition, 2.3.1: 273.15 K) and of the degree
    # Fahrenheit (NIST SP 811, appendix B.8: t/degC = (t/degF - 32)/1.8), from memory.
    factor, shift = TEMPERATURE_SCALES[unit]
    assert number * factor + shift == pytest.approx(25.0, abs=1e-9)


@pytest.mark.parametrize("gain", ["0.1 %", "0.1%", "1000 ppm", 0.001, "0.001"])
def test_a_specification_takes_a_share_however_it_is_spelled(gain: object) -> None:
    table = {"role": "load", "resource": "TCPIP::127.0.0.1::1::SOCKET", "specification": {"current": {"gain": gain}}}
    bench = bench_from_dict({"name": "b", "instruments": {"load": table}, "cell": {"current": "load"}}, "b.toml")
    assert bench.measurement().current.gain == pytest.approx(0.001)


@pytest.mark.parametrize("value", ["5 V", "3,5 A", "-1 A", "5", 5, True, None, float("nan"), [1]])
def test_what_is_no_current_is_refused_by_both_in_the_same_words(value: object) -> None:
    with pytest.raises(DescriptionError, match=r"^here: ") as there:
        described(value, "current", "here")
    if value != "-1 A":  # a recipe's current may be negative
        with pytest.raises(InputError) as here:
            parse(value, "current", "here")
        assert str(here.value) == str(there.value)
