"""Text and value: whatever an instrument answers, a finite number comes out or a DriverError."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.drivers.errors import DriverError, GarbledReply
from amphora.drivers.scpi import syntax as scpi

ANY_TEXT = st.one_of(
    st.text(max_size=40),
    st.floats().map(repr),
    st.floats(allow_nan=False, allow_infinity=False).map(lambda x: f"{x:+.6E}"),
    st.from_regex(r"[+-]?[0-9.]{1,12}([eE][+-]?[0-9]{1,5})?", fullmatch=True),
    st.integers().map(str),
)


@given(ANY_TEXT, st.sampled_from(["", "V", "A"]))
def test_a_number_is_finite_or_a_driver_error(text: str, unit: str) -> None:
    try:
        number = scpi.parse_number(text, "voltage", unit)
    except DriverError as error:
        assert str(error)
    else:
        assert math.isfinite(number)
        assert abs(number) < 9.9e37


@given(st.floats(allow_nan=False, min_value=-9.8e37, max_value=9.8e37))
def test_every_finite_number_comes_back_as_it_was_written(value: float) -> None:
    assert scpi.parse_number(repr(value)) == value
    assert scpi.parse_number(f" {value:+.17E} ") == value


@given(ANY_TEXT)
def test_nothing_but_driver_errors_leaves_the_parsers(text: str) -> None:
    parsers = (
        scpi.parse_integer,
        scpi.parse_boolean,
        scpi.parse_error,
        scpi.parse_identity,
        scpi.parse_non_decimal,
        lambda one: scpi.split_answer(one, 2),
        lambda one: scpi.parse_block(one.encode("utf-8", "replace")),
    )
    for parse in parsers:
        try:
            parse(text)
        except DriverError as error:
            assert str(error)


@given(st.binary(max_size=60))
def test_a_block_comes_back_whole(content: bytes) -> None:
    length = str(len(content)).encode()
    assert scpi.parse_block(b"#" + str(len(length)).encode() + length + content + b"\n") == content
    assert scpi.parse_block(b"#0" + content + b"\n") == content


@given(st.lists(st.text(alphabet="abc,; ", max_size=6), min_size=1, max_size=5))
def test_a_separator_inside_quotes_does_not_count(texts: list[str]) -> None:
    answer = ";".join(f'"{one}"' for one in texts)
    assert scpi.split_answer(answer, len(texts)) == [f'"{one}"' for one in texts]


@pytest.mark.parametrize("text", ["9.9E37", "+9.90000E+37", "-9.9E37", "9.91E37", "9.91000E+37", "1E400", "inf", "NAN"])
def test_infinity_and_not_a_number_are_never_data(text: str) -> None:
    with pytest.raises(scpi.OverRange, match=r"overrange|not-a-number"):
        scpi.parse_number(text, "load: voltage")


def test_not_a_number_and_overrange_are_told_apart() -> None:
    with pytest.raises(GarbledReply, match="not-a-number"):
        scpi.parse_number("9.91E+37")
    with pytest.raises(GarbledReply, match="overrange"):
        scpi.parse_number("9.9E+37")


@pytest.mark.parametrize("text", ["", "3,7", "3.7 mV", "1_000", "0x10", "1e", "--1", "٣.٧", "3.7;0.5"])
def test_what_is_no_number_is_refused_with_the_answer_shown(text: str) -> None:
    with pytest.raises(GarbledReply, match="is not a number"):
        scpi.parse_number(text)


def test_a_unit_behind_the_number_is_taken_only_where_the_dialect_says_so() -> None:
    assert scpi.parse_number("3.70V", "voltage", "V") == 3.70
    with pytest.raises(GarbledReply):
        scpi.parse_number("3700mV", "voltage", "V")


@pytest.mark.parametrize("text", ['0,"No error"', '+0,"No error"', "0", "+0", "0,No Error", '"NO ERROR"', "None"])
def test_every_spelling_of_an_empty_queue_is_code_0(text: str) -> None:
    assert scpi.parse_error(text).code == 0


def test_an_error_keeps_code_and_text() -> None:
    entry = scpi.parse_error('-113,"Undefined header;say ""what"""')
    assert (entry.code, entry.text) == (-113, 'Undefined header;say "what"')
    assert str(entry) == '-113, Undefined header;say "what"'


def test_a_late_number_is_no_error_entry() -> None:
    with pytest.raises(GarbledReply):
        scpi.parse_error("3.7012")


def test_units_of_one_message_are_joined_from_the_root() -> None:
    assert scpi.join_commands(["MEAS:VOLT?", "MEAS:CURR?", "*OPC?"]) == "MEAS:VOLT?;:MEAS:CURR?;*OPC?"


def test_missing_identity_fields_are_0() -> None:
    assert scpi.parse_identity("SOMEBODY,BENCH LOAD") == scpi.Identity("SOMEBODY", "BENCH LOAD", "0", "0")


def test_only_the_exact_short_or_long_form_is_a_spelling() -> None:
    for word in ("VOLT", "volt", "VOLTage", "VOLTAGE"):
        assert scpi.is_spelling("VOLTage", word)
    for word in ("VOL", "VOLTA", "VOLTAGES", ""):
        assert not scpi.is_spelling("VOLTage", word)


@pytest.mark.parametrize(
    "text", ["", "3.7", "+3.700000E+00", "3.7;0.5", "+3.7E+00;-5.0E-01", '0,""', '+0,"No error"', "\x00\x01"]
)
def test_a_late_answer_to_another_question_is_no_identity(text: str) -> None:
    with pytest.raises(GarbledReply):
        scpi.parse_identity(text)
