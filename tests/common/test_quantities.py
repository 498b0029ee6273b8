"""Quantities: what people write is read as they meant it, or refused in one sentence."""

import math
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.common.errors import QuantityError
from amphora.harness.common.quantities import EXAMPLES, UNITS, format_duration, format_quantity, parse

READ = [
    ("500 mA", "current", 0.5),
    ("0.2 It", "rate_It", 0.2),
    ("0.2C", "rate_It", 0.2),
    ("3.0 V", "voltage", 3.0),
    ("-3.31V", "voltage", -3.31),
    ("150 µV", "voltage", 150e-6),
    ("2 h 30 min", "duration", 9000.0),
    ("2h 30min", "duration", 9000.0),
    ("1 d 2 h 3 min 4 s 5 ms", "duration", 93784.005),
    ("45 degC", "temperature", 45.0),
    ("45 °C", "temperature", 45.0),
    ("-20 degC", "temperature", -20.0),
    ("150 mΩ", "resistance", 0.15),
    ("150 mΩ", "resistance", 0.15),  # the ohm sign
    ("150 mohm", "resistance", 0.15),
    ("1.2 kohm", "resistance", 1200.0),
    ("1200 mAh", "capacity", 1.2),
    ("3.7 Wh", "energy", 3.7),
    ("3600 J", "energy", 1.0),
    ("2.5 W", "power", 2.5),
    ("10 K", "temperature_difference", 10.0),
    ("1 K/min", "temperature_rate", 1.0),
    ("5 mV/h", "voltage_rate", 0.005),
    ("24 mV/d", "voltage_rate", 0.001),
    ("44 g", "mass", 44.0),
    ("80 %", "ratio", 0.8),
    ("0.8", "ratio", 0.8),
    (0.8, "ratio", 0.8),
    ("1e-3 A", "current", 0.001),
]


@pytest.mark.parametrize(("text", "kind", "value"), READ)
def test_a_quantity_is_read_as_written(text, kind, value):
    assert parse(text, kind) == pytest.approx(value, rel=1e-12)


REFUSED = [
    ("3,0 V", "voltage", "comma"),
    ("1,200 mAh", "capacity", "comma"),
    ("3.0", "voltage", "no unit"),
    (3.0, "voltage", "no unit"),
    (True, "voltage", "not a quantity"),
    (None, "voltage", "not a quantity"),
    ([1], "voltage", "not a quantity"),
    ("3.0 mA", "voltage", "does not fit"),
    ("3.0 v", "voltage", "does not fit"),
    ("3.0 MA", "current", "does not fit"),
    ("nan V", "voltage", "finite"),
    ("inf V", "voltage", "finite"),
    (float("nan"), "ratio", "finite"),
    (float("inf"), "ratio", "finite"),
    ("1e999 V", "voltage", "finite"),
    ("-2 h", "duration", "negative"),
    ("2 h -30 min", "duration", "negative"),
    ("30 min 2 h", "duration", "out of order"),
    ("2 h 2 h", "duration", "out of order"),
    ("2 h 30", "duration", "no unit"),
    ("2:30", "duration", "does not fit"),
    ("", "duration", "empty"),
    ("-1 ohm", "resistance", "negative"),
    ("-300 degC", "temperature", "absolute zero"),
    ("4 V 5", "voltage", "cannot be read"),
    ("3.0 V" + " " * 80 + "x", "voltage", "too long"),
    ("0x10 V", "voltage", "cannot be read"),
    ("1_000 mA", "current", "cannot be read"),
]


@pytest.mark.parametrize(("text", "kind", "why"), REFUSED)
def test_what_could_be_misread_is_refused_in_one_sentence(text, kind, why):
    with pytest.raises(QuantityError) as caught:
        parse(text, kind, "--here")
    message = str(caught.value)
    assert why in message
    assert message.startswith("--here: ")
    assert EXAMPLES[kind] in message
    assert "\n" not in message
    assert len(message) < 250


NUMBERS = st.floats(min_value=0.001, max_value=1e5, allow_nan=False)


@settings(deadline=None)
@given(NUMBERS, st.sampled_from(sorted(UNITS)), st.data())
def test_every_unit_of_a_kind_scales_the_number(number, kind, data):
    unit = data.draw(st.sampled_from(sorted(UNITS[kind])))
    value = parse(f"{number!r} {unit}".strip(), kind)
    assert value == pytest.approx(number * UNITS[kind][unit], rel=1e-12)


@settings(deadline=None)
@given(st.text(alphabet=string.printable + "Ωµ°,", max_size=30), st.sampled_from(sorted(UNITS)))
def test_no_text_ends_in_anything_but_a_finite_number_or_the_one_error(text, kind):
    try:
        value = parse(text, kind, "here")
    except QuantityError as error:
        assert str(error).startswith("here: ")
        return
    assert math.isfinite(value)


@settings(deadline=None)
@given(st.integers(0, 400), st.integers(0, 23), st.integers(0, 59), st.integers(0, 59))
def test_the_parts_of_a_duration_add_up(days, hours, minutes, seconds):
    text = f"{days} d {hours} h {minutes} min {seconds} s"
    assert parse(text, "duration") == days * 86400 + hours * 3600 + minutes * 60 + seconds


@settings(deadline=None)
@given(st.floats(0.0, 1e7))
def test_a_duration_that_is_shown_can_be_read_back_within_what_is_shown(seconds):
    half_a_digit_s = 0.05 if seconds < 9 else 0.5 if seconds < 599 else 30.0 if seconds < 259000 else 1800.0
    back = parse(format_duration(seconds), "duration")
    assert back == pytest.approx(seconds, abs=half_a_digit_s + 1e-6)


SHOWN = [
    (0.431, "Ah", "431 mAh"),
    (1.2, "Ah", "1200 mAh"),
    (3.0, "V", "3.00 V"),
    (3.3125, "V", "3.312 V"),
    (0.2, "A", "200 mA"),
    (1.5, "A", "1.5 A"),
    (0.0725, "ohm", "72 mohm"),
    (10.0, "ohm", "10 ohm"),
    (18720.0, "s", "5 h 12 min"),
    (45.0, "degC", "45 °C"),
    (0.8, "", "80 %"),
    (0.005, "V/h", "5 mV/h"),
    (math.nan, "V", "unknown"),
]


@pytest.mark.parametrize(("value", "unit", "text"), SHOWN)
def test_quantities_are_shown_in_a_size_that_people_read(value, unit, text):
    assert format_quantity(value, unit) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.2, "0.2 s"), (45, "45 s"), (391, "6 min 31 s"), (3600, "1 h"), (7 * 86400, "7 d"), (math.inf, "no end")],
)
def test_durations_are_shown_as_people_say_them(seconds, text):
    assert format_duration(seconds) == text
