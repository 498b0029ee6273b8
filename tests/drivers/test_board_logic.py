"""The fallback board's MicroPython program under CPython, in virtual time: what it opens by itself."""

import binascii
import math

import pytest
from board_bench import Board, logic
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.drivers.serial.format_file import load_format


@pytest.fixture
def board():
    one = Board()
    one.ready()
    return one


def trip(board):
    board.run(600)
    return board.sent.decode().splitlines()[-1].split(" ")[8]


def test_the_checksum_is_the_published_one():
    # CRC-16/IBM-3740, check value 0x29B1 (catalogue of parametrised CRC algorithms); binascii as a second opinion.
    assert logic.crc(b"123456789") == 0x29B1 == binascii.crc_hqx(b"123456789", 0xFFFF)


def test_after_a_reset_it_is_open_and_beats_change_nothing():
    board = Board()
    board.run(500)
    board.held(3000)
    assert not board.made and trip(board) == "unarmed"
    board.ready()
    board.held(2000)
    assert board.made
    board.reset("watchdog")
    assert not board.made
    board.run(300)
    board.held(3000)
    assert not board.made and trip(board) == "unarmed"
    assert board.hear("1 L 09") == ["1 L 09 - - - - - unarmed 0"]


def test_held_by_beats_and_open_within_five_seconds_of_the_last(board):
    board.held(60_000)
    assert board.made
    board.hear("1 B d")
    last_ms = board.now_ms
    board.run(20_000)
    assert board.changes[-1] == (last_ms + 5000, False) and trip(board) == "beat"
    board.held(3000)
    assert not board.made  # a computer that wakes up again does not go on by itself


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"volts": 3.03}, "low"),  # 2.985 V at the terminals under load
        ({"volts": 4.34}, "high"),
        ({"degC": [0.4, 22.0]}, "cold"),  # read as -0.4: the coefficients are not those of a beta formula
        ({"degC": [46.0, 22.0]}, "warm"),
        ({"degC": [25.0, 46.0]}, "warm"),
        ({"degC": [None, 22.0]}, "sensor"),
    ],
)
def test_each_limit_opens_it_by_itself_though_beats_go_on(board, change, why):
    board.held(2000)
    assert board.made
    for name, value in change.items():
        setattr(board, name, value)
    began_ms = board.now_ms
    board.held(3000)
    assert not board.made and trip(board) == why
    assert board.changes[-1] == (began_ms + 300, False)  # three rounds
    board.volts, board.degC = 3.9, [25.0, 22.0]
    board.held(3000)
    assert not board.made  # it stays open until limits are armed anew


@pytest.mark.parametrize(
    "change", [{"volts": 3.07}, {"volts": 4.29}, {"degC": [1.0, 22.0]}, {"degC": [44.0, 44.0]}, {"degC": [25.0, None]}]
)
def test_just_inside_each_limit_it_stays_made(board, change):
    board.held(2000)
    for name, value in change.items():
        setattr(board, name, value)
    board.held(5000)
    assert board.made


def test_one_spike_opens_nothing(board):
    board.held(2000)
    board.volts = 2.0
    board.run(200)
    board.volts = 3.9
    board.held(2000)
    assert board.made


def test_the_time_limit_counts_all_the_time_that_the_contact_was_made():
    board = Board()
    board.ready("3000 4250 - - 10")
    board.held(6000)
    board.hear("1 O")
    assert not board.made
    board.run(30_000)
    board.held(3000)
    assert board.made
    board.held(3000)
    assert not board.made and trip(board) == "time"
    made = [at_ms for at_ms, made in board.changes if made]
    opened = [at_ms for at_ms, made in board.changes[1:] if not made]
    assert sum(b - a for a, b in zip(made, opened, strict=True)) == 10_000


def test_it_makes_no_contact_beyond_a_limit():
    board = Board()
    board.volts = 2.9
    board.ready()
    board.held(2000)
    assert not board.made and trip(board) == "low"


def test_an_open_order_opens_at_once_and_is_no_trip(board):
    board.held(1000)
    (line,) = board.hear("1 O")
    assert not board.made and line.endswith("open none")
    board.held(1000)
    assert board.made


@pytest.mark.parametrize(
    "limits",
    ["799 4250 - - 60", "3000 4351 - - 60", "4250 3000 - - 60", "3000 4250 -2001 - 60", "3000 4250 - 6001 60",
     "3000 4250 4500 0 60", "3000 4250 - - 0", "3000 4250 - - 259201"],
)  # fmt: skip
def test_limits_wider_than_the_program_allows_are_refused_and_change_nothing(board, limits):
    before = board.hear("1 L 07")
    assert board.hear(f"1 A 08 {limits}") == ["1 N 08 range"]
    assert board.hear("1 L 07") == before == ["1 L 07 3000 4250 0 4500 3600 armed 0"]


@pytest.mark.parametrize("limits", ["800 4350 -2000 6000 259200", "3000 4250 - - 1"])
def test_the_widest_limits_are_taken(board, limits):
    assert board.hear(f"1 A 08 {limits}") == [f"1 L 08 {limits} armed 0"]


@pytest.mark.parametrize("order", ["1 A 08 3000 4250 - - 60", "1 P 08 0 5000000"])
def test_nothing_is_changed_while_the_contact_is_made(board, order):
    board.held(1000)
    assert board.hear(order) == ["1 N 08 held"] and board.made


def test_a_limit_without_a_number_is_no_limit(board):
    for limits in ("- 4250 - - 60", "3000 - - - 60", "3000 4250 - - -", "3.0 4250 - - 60", "3000 4250 x - 60"):
        assert board.hear(f"1 A 08 {limits}") == ["1 N 08 order"]


def test_calibration_survives_a_reset_and_one_damaged_file(board):
    board.hear("1 P 03 4 9870000")
    board.reset("power")
    assert board.hear("1 C 04 4") == ["1 C 04 4 9870000"]
    board.files[0] = board.files[0][:20]  # cut while writing
    board.reset("power")
    assert board.hear("1 C 04 4") == ["1 C 04 4 9870000"]


def test_a_lost_calibration_lets_nothing_be_armed(board):
    board.files = [data.replace(b"10000000", b"10000001") for data in board.files]
    board.reset("power")
    board.run(300)
    assert "uncalibrated" in board.hear("1 H 01")[0]
    assert board.hear("1 A 02 3000 4250 - - 60") == ["1 N 02 calibration"]
    board.held(2000)
    assert not board.made


def test_writing_a_calibration_disarms(board):
    board.hear("1 P 03 0 4900000")
    board.held(2000)
    assert not board.made


@given(st.binary(max_size=200))
@settings(deadline=None)
def test_whatever_comes_makes_no_contact_and_the_next_line_is_understood(data):
    board = Board()
    board.ready()
    if b"~" in data and b"1 B" in data:
        return
    board.one.feed(data, board.now_ms)
    board.run(600)
    assert not board.made
    board.one.feed(b"\n", board.now_ms)
    assert board.hear("1 L 42")[0].startswith("1 L 42 3000")


@given(st.integers(0, 12), st.integers(1, 255))
@settings(deadline=None)
def test_a_line_with_one_byte_changed_is_no_line(place, change):
    board = Board()
    board.ready()
    line = bytearray(logic.sealed("1 B d"))
    place %= len(line) - 1
    line[place] ^= change
    board.one.feed(bytes(line), board.now_ms)
    assert not board.made


@pytest.mark.parametrize("cut", range(1, 11))
def test_half_a_line_is_spoiled(board, cut):
    line = logic.sealed("1 B d")
    board.one.feed(line[:cut] + line, board.now_ms)
    assert not board.made
    board.one.feed(line[:cut], board.now_ms)
    board.run(600)
    board.one.feed(line[cut:], board.now_ms)  # its other half, too late
    assert not board.made
    board.one.feed(line, board.now_ms)
    assert board.made


def test_the_shipped_format_reads_what_it_sends(board):
    board.held(2000)
    line = board.sent.splitlines()[-1]
    found = load_format("board").parse(line)
    assert found.values["voltage_V"] == pytest.approx(3.9 * 10 / 10.15, abs=0.015)  # 0.15 ohm inside; a count is 4.9 mV
    assert found.values["current_A"] == pytest.approx(-3.9 / 10.15, abs=0.001)
    assert found.values["temperature_degC"] == pytest.approx(25.0, abs=0.2)
    assert 0 <= board.now_ms / 1000 - found.time_s <= 0.5


def test_resolution_is_one_count_and_noise_is_what_the_looks_are_spread_by(board):
    volts, amperes, kelvin, _ = (int(word) for word in board.hear("1 Q 05")[0].split(" ")[3:7])
    assert volts == 4882 and amperes == 488  # 2.5 V x 2 / 1024; over 10 ohm
    # R = s n / (N - n), 1/T = 1/T0 + ln(R/R0) / B: dT/dn = T^2 / B x N / (n (N - n)), at 25 degC and half scale
    assert kelvin == pytest.approx(1000 * 298.15**2 / 3380 * 1024 / (512 * 512), rel=0.05)
    board.one.round([64 * 500] * 4, [32 * (498**2 + 502**2)] * 4, board.now_ms)  # looks 2 counts off, either way
    noise = [int(word) for word in board.hear("1 Q 05")[0].split(" ")[7:]]
    assert noise[0] == 4882 * 2 and math.isclose(noise[1], 976, abs_tol=1)
