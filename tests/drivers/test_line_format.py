import math
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from amphora.drivers.described import keys_of
from amphora.drivers.errors import DescriptionError, DriverError, GarbledReply
from amphora.drivers.serial.format_file import ColumnTable, LinesTable, format_from_dict, load_format, shipped
from amphora.drivers.serial.line_format import SERIAL_KEYS, strip_parity, to_number, unwrap

WRAP_S = 4294967.296


def parsed(name, text):
    return load_format(name).parse(text.encode())


@pytest.mark.parametrize(
    ("name", "line", "values", "time_s"),
    [
        (
            "plain",
            "12345,3.712,-0.201,24.5",
            {"voltage_V": 3.712, "current_A": -0.201, "temperature_degC": 24.5},
            12.345,
        ),
        ("plain", "12345,3.712,,", {"voltage_V": 3.712}, 12.345),
        ("plain", "12345,3.712", {"voltage_V": 3.712}, 12.345),
        ("plain", "759,,,20.49", {"temperature_degC": 20.49}, 0.759),
        ("plain", ",3.712,,24.5", {"voltage_V": 3.712, "temperature_degC": 24.5}, None),
        ("plain", "4294967295, 3.7 , -1e-3", {"voltage_V": 3.7, "current_A": -0.001}, 4294967.295),
        ("semicolons", "12,5;3712,4;-201,0", {"voltage_V": 3.7124, "current_A": -0.201}, 12.5),
        ("labelled", "T=24.5 V=3.712", {"voltage_V": 3.712, "temperature_degC": 24.5}, None),
        ("labelled", "V:3.712", {"voltage_V": 3.712}, None),
        ("bare", "+3.7124E+00", {"voltage_V": 3.7124}, None),
        ("value-unit", "371.2 mV DC", {"voltage_V": 0.3712}, None),
        ("value-unit", "77 F", {"temperature_degC": 25.0}, None),
        ("raw-counts", "1000,3000,2048", {"voltage_V": 3000 / 4096 * 5.0, "temperature_degC": 25.0}, 1.0),
        ("sample-frame", "-037123v@\n", {"voltage_V": -3.712}, None),
        ("sample-frame", "+02450 t@\n", {"temperature_degC": 24.5}, None),
    ],
)  # fmt: skip
def test_shipped_formats_read_what_they_say(name, line, values, time_s):
    result = parsed(name, line)
    assert dict(result.values) == pytest.approx(values)
    assert result.time_s == (None if time_s is None else pytest.approx(time_s))
    assert result.faults == ()


@pytest.mark.parametrize("line", ["# a remark", "t_ms,voltage_V,current_A,temperature_degC", "", "  "])
def test_header_and_blank_lines_are_passed_over(line):
    assert parsed("plain", line) is None


@pytest.mark.parametrize(
    ("name", "line", "words"),
    [
        ("plain", "1,2,3,4,5", "5 fields"),
        ("plain", "3.7", "holds no value"),
        ("raw-counts", "1000", "1 fields"),
        ("plain", "1,3.7V", "'3.7V' is no number"),
        ("plain", "1,0x3", "no number"),
        ("plain", "1,1_000", "no number"),
        ("plain", "1,３.7", "no number"),
        ("plain", "-1,3.7", "outside 0 to"),
        ("plain", "4294967296,3.7", "outside 0 to"),
        ("plain", ",,,", "no value"),
        ("semicolons", "1.5;3.7", "no number"),
        ("labelled", "V=3.7 V=3.8", "twice"),
        ("labelled", "3.7", "label=value"),
        ("value-unit", "3.7 furlong", "not known"),
        ("sample-frame", "-0371v@\n", "8 bytes"),
        ("sample-frame", "-0x7123v@\n", "no digit"),
        ("sample-frame", "-037129v@\n", "range"),
        ("sample-frame", "-037123q@\n", "function"),
    ],
)
def test_a_line_that_does_not_fit_is_refused_with_the_reason(name, line, words):
    with pytest.raises(GarbledReply) as caught:
        parsed(name, line)
    assert words in str(caught.value)


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-inf", "OL", "9.9E37", "9.91E+37", "-9.9e37"])
def test_infinity_and_not_a_number_are_never_values(text):
    result = parsed("plain", f"1,{text},-0.5")
    assert "voltage_V" not in result.values
    assert result.values["current_A"] == -0.5
    assert result.faults


def test_a_lost_sensor_leaves_the_voltage_and_is_told():
    result = parsed("raw-counts", "1000,3000,4096")
    assert set(result.values) == {"voltage_V"}
    assert "broken or shorted" in result.faults[0]


def test_a_converter_at_full_scale_is_no_voltage():
    result = parsed("raw-counts", "1000,4095,2048")
    assert set(result.values) == {"temperature_degC"}
    assert "full scale" in result.faults[0]


def test_a_meter_in_the_wrong_setting_says_which():
    assert "alternating" in parsed("value-unit", "3.7 VAC").faults[0]
    assert "alternating" in parsed("sample-frame", "+037123w@\n").faults[0]


def test_a_frame_over_range_holds_no_value():
    result = parsed("sample-frame", "+999993vA\n")
    assert result.values == {} and "over range" in result.faults[0]


def test_range_decides_the_value_of_a_frame():
    assert parsed("sample-frame", "+371204v@\n").values == {"voltage_V": pytest.approx(371.20)}
    assert parsed("sample-frame", "+371201v@\n").values == {"voltage_V": pytest.approx(0.37120)}


def test_frames_are_found_in_the_middle_of_noise():
    frame = load_format("sample-frame")
    buffer = bytearray(b"\x00zz23v@\n+037123v@\n??+037124v@\n+0371")
    got = frame.split(buffer)
    assert [len(record) for record in got] == [8, 10, 10]
    assert got[1] == b"+037123v@\n"
    assert bytes(buffer) == b"+0371"
    buffer += b"23v@\n"
    assert frame.split(buffer) == [b"+037123v@\n"]


def test_frames_may_be_found_by_their_start():
    text = """
kind = "frames"
length = 5
start_hex = "aa55"
[value]
digits = [3, 4]
digit_mask = 0x0f
[function]
byte = 2
codes.0x01 = { quantity = "voltage", scale = 0.1 }
"""
    frame = format_from_dict(tomllib.loads(text.replace("codes.0x01", 'codes."0x01"')))
    buffer = bytearray(b"\x01\xaa\x55\x01\x33\x37\xaa\x55\x01")
    assert [dict(frame.parse(r).values) for r in frame.split(buffer)] == [{"voltage_V": pytest.approx(3.7)}]
    assert bytes(buffer) == b"\xaa\x55\x01"


def test_display_segments_can_stand_for_digits():
    frame = format_from_dict(
        {
            "kind": "frames",
            "length": 4,
            "end_hex": "0a",
            "value": {"digits": [0, 1], "digit_codes": {"0x7d": 0, "0x05": 1, "0x1f": 3}},
            "function": {"byte": 2, "codes": {"0x56": {"quantity": "voltage", "unit": "mV"}}},
        }
    )
    assert frame.parse(b"\x1f\x05V\n").values == {"voltage_V": pytest.approx(0.031)}


@given(data=st.binary(max_size=60), parity=st.sampled_from(["odd", "even"]))
def test_seven_bits_with_parity_come_back_and_a_flipped_bit_is_seen(data, parity):
    seven = bytes(byte & 0x7F for byte in data)
    sent = bytes(byte | 0x80 if (byte.bit_count() & 1) != (parity == "odd") else byte for byte in seven)
    assert strip_parity(sent, parity) == seven
    for at in range(len(sent)):
        broken = bytearray(sent)
        broken[at] ^= 0x04
        assert strip_parity(bytes(broken), parity)[at] == 0xFF


def test_the_millisecond_counter_may_wrap_and_time_goes_on():
    time_s, turns, again = unwrap(0.5, WRAP_S - 0.5, 0, WRAP_S)
    assert (time_s, turns, again) == (pytest.approx(WRAP_S + 0.5), 1, False)
    time_s, turns, again = unwrap(1.5, 0.5, turns, WRAP_S)
    assert (time_s, turns, again) == (pytest.approx(WRAP_S + 1.5), 1, False)


def test_a_logger_that_started_again_is_not_a_wrap():
    assert unwrap(0.2, 3600.0, 0, WRAP_S) == (0.2, 0, True)
    assert unwrap(0.2, 3600.0, 0, None) == (0.2, 0, True)


@given(st.lists(st.floats(0.001, WRAP_S * 0.49), min_size=1, max_size=40))
def test_unwrapped_time_equals_the_true_sum(steps):
    true, last, turns = 0.0, None, 0
    for step in steps:
        true += step
        count = math.fmod(true, WRAP_S)
        time_s, turns, again = unwrap(count, last, turns, WRAP_S)
        assert not again and time_s == pytest.approx(true, rel=1e-9, abs=1e-3)
        last = count


@pytest.mark.parametrize("name", shipped())
@settings(max_examples=100)
@given(data=st.data())
def test_no_bytes_bring_anything_but_finite_values_or_a_driver_error(name, data):
    one = load_format(name)
    near = st.text("0123456789.,;+-eE=:VITmC \t#nafiOL\r\n", max_size=60).map(str.encode)
    buffer = bytearray(data.draw(st.one_of(st.binary(max_size=80), near)))
    if data.draw(st.booleans()):
        buffer += b"\n"
    for record in [*one.split(buffer), bytes(buffer)]:
        try:
            result = one.parse(record)
        except DriverError:
            continue
        if result is not None:
            assert all(math.isfinite(value) for value in result.values.values())
            assert result.time_s is None or math.isfinite(result.time_s)


@given(st.text(max_size=20))
def test_to_number_gives_a_finite_number_or_none(text):
    number = to_number(text)
    assert number is None or math.isfinite(number)


def test_a_partial_line_waits_and_an_endless_one_does_not_grow():
    plain = load_format("plain")
    buffer = bytearray(b"1,3.7\n2,3.")
    assert plain.split(buffer) == [b"1,3.7"]
    buffer += b"8\r\n"
    assert plain.split(buffer) == [b"2,3.8"]
    buffer += b"x" * 10_000
    assert plain.split(buffer) == [] and len(buffer) <= 1000


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"colour": 1}, "'colour' is not known"),
        ({"kind": "pictures"}, "lines or frames"),
        ({"separator": "7"}, "separator"),
        ({"decimal": ","}, "both be a comma"),
        ({"columns": []}, "columns is missing"),
        ({"columns": [{"quantity": "speed"}]}, "quantity = 'speed'"),
        ({"columns": [{"quantity": "voltage", "unit": "volts"}]}, "V, mV, uV"),
        ({"columns": [{"quantity": "voltage"}, {"quantity": "voltage"}]}, "two columns give voltage_V"),
        ({"columns": [{"quantity": "voltage", "scale": math.inf}]}, "number"),
        ({"columns": [{"quantity": "voltage", "sensor": {"kind": "platinum"}}]}, "belongs to a temperature"),
        ({"columns": [{"quantity": "voltage", "wraps_at": 5}]}, "belongs to a time"),
        ({"columns": [{"quantity": "other"}]}, "key"),
        ({"pattern": "("}, "regular expression"),
        ({"ignore": ["["]}, "regular expression"),
        ({"serial": {"baud": "fast"}}, "baud"),
        ({"serial": {"bits": 6}}, "7 or 8"),
        ({"serial": {"rts": 1}}, "true or false"),
        ({"serial": {"speed": 1}}, "'speed' is not known"),
    ],
)
def test_a_wrong_format_file_is_refused_naming_the_field(change, words):
    good = {"columns": [{"quantity": "voltage"}]}
    format_from_dict(good)
    with pytest.raises(DescriptionError) as caught:
        format_from_dict({**good, **change}, "mine.toml")
    assert words in str(caught.value) and "mine.toml" in str(caught.value)


def test_a_format_file_of_ones_own_is_read_from_its_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[[columns]]\nquantity = "voltage"\nunit = "mV"\n', encoding="utf-8")
    assert load_format(str(path)).parse(b"3712").values == {"voltage_V": pytest.approx(3.712)}
    path.write_text("columns = ", encoding="utf-8")
    with pytest.raises(DescriptionError, match="is not TOML"):
        load_format(str(path))


def test_an_unknown_format_names_the_shipped_ones():
    with pytest.raises(DescriptionError, match="plain"):
        load_format("no-such-format")


ANY = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 300)
    | st.floats()
    | st.sampled_from(
        ["", "voltage", "V", "ms", "time", "temperature", "0x3b", "0a", ",", "space", "(?P<a>x)", "a", "ohm"]
    )
    | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=4,
)


def some(keys):
    return st.fixed_dictionaries({}, optional=dict.fromkeys(keys, ANY))


COLUMN = st.fixed_dictionaries(
    {"quantity": st.sampled_from(["time", "voltage", "temperature", "skip"]) | ANY},
    optional={
        **{key: ANY for key in keys_of(ColumnTable) if key != "quantity"},
        "sensor": some(["kind", "r25_ohm", "beta_K", "a", "b", "c", "degC", "ohm", "r0_ohm"]) | ANY,
        "adc": some(["counts", "reference_V"]),
        "divider": some(["series_ohm", "supply_V", "sensor_at"]),
    },
)
LINES = st.fixed_dictionaries(
    {"columns": st.lists(COLUMN | ANY, min_size=1, max_size=3) | ANY},
    optional={**{key: ANY for key in keys_of(LinesTable) if key != "columns"}, "serial": some(SERIAL_KEYS)},
)
FLAG = some(["byte", "mask", "equals"])
FRAMES = st.fixed_dictionaries(
    {
        "kind": st.just("frames"),
        "length": st.integers(2, 12) | ANY,
        "end_hex": st.just("0a") | ANY,
        "value": st.fixed_dictionaries(
            {"digits": st.lists(st.integers(0, 12), min_size=1, max_size=5) | ANY},
            optional={
                "digit_mask": ANY,
                "digit_codes": st.dictionaries(st.sampled_from(["0x30", "1", "z"]), ANY, max_size=3) | ANY,
                "negative": FLAG | ANY,
                "overload": st.lists(FLAG | ANY, max_size=2) | ANY,
            },
        )
        | ANY,
        "function": st.fixed_dictionaries(
            {
                "byte": st.integers(0, 11) | ANY,
                "codes": st.dictionaries(
                    st.sampled_from(["0x3b", "1", "z"]),
                    some(["quantity", "unit", "key", "scale", "scales", "refuse"]) | ANY,
                    max_size=2,
                )
                | ANY,
            },
            optional={"mask": ANY, "range_byte": ANY, "range_mask": ANY},
        )
        | ANY,
    },
    optional={"start_hex": ANY},
)


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(table=LINES | FRAMES | some(["kind", "name", "columns"]), record=st.binary(max_size=20))
def test_any_format_file_is_accepted_or_refused_in_one_sentence(table, record):
    try:
        one = format_from_dict(table, "mine.toml")
    except DescriptionError as error:
        assert "mine.toml" in str(error)
        return
    try:
        result = one.parse(record)
    except DriverError:
        return
    assert result is None or all(math.isfinite(value) for value in result.values.values())
