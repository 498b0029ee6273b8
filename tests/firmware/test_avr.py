"""The board's program for an 8-bit AVR, in simavr with a cell of 20 mAh, a resistor and thermistors at its pins."""

import os
import random
import signal
import subprocess
import sys
import time

import pytest
from board_bench import Board

from amphora.drivers.serial.format_file import load_format
from tests.firmware.conftest import LONG_S, sealed


def test_the_checksum_is_the_published_one():
    assert sealed("123456789") == b"123456789 ~29B1\n"  # CRC-16/IBM-3740; each line of these tests is checked with it


def test_after_power_comes_on_it_is_open_and_beats_change_nothing(start):
    board = start()
    board.run(500)
    board.held(3)
    assert not board.gate and board.trip == "unarmed"
    assert board.ask("1 H 05") == "1 H 05 avr 1 power uncalibrated 5000 300"
    assert board.ask("1 A 06 3000 4250 - - 60") == "1 N 06 calibration"


def test_held_by_beats_and_open_five_seconds_after_the_last(board):
    board.held(20)
    assert board.made
    board.send(sealed("1 B d"))
    board.run(30)
    last_ms = board.now_ms()
    board.run(8000)
    assert not board.made and board.trip == "beat"
    assert 4900 <= board.gate[-1][0] - last_ms <= 5150  # looked at each 100 ms
    board.held(3)
    assert not board.made


@pytest.mark.parametrize(
    ("inside", "beyond", "why"),
    [
        ("volts 3.06", "volts 3.035", "low"),  # 2.990 V under load; 3.015 V inside
        ("volts 4.30", "volts 4.34", "high"),  # 4.276 V under load; 4.236 V inside
        ("warm 0 2.0", "warm 0 0.4", "cold"),
        ("warm 0 44.0", "warm 0 46.0", "warm"),
        ("warm 1 44.0", "warm 1 46.0", "warm"),
        ("warm 1 -", "warm 0 -", "sensor"),
    ],
)
def test_each_limit_opens_it_by_itself_at_its_value(board, inside, beyond, why):
    board.held(2)
    board.order(inside)
    board.held(3)
    assert board.made
    began_ms = board.now_ms()
    board.order(beyond)
    board.held(2)
    assert not board.made and board.trip == why
    assert board.gate[-1][0] - began_ms <= 500  # three rounds, and what was measured when it began
    board.order("volts 3.9")
    board.order("warm 0 25")
    board.held(2)
    assert not board.made


def test_the_cell_runs_down_and_the_board_opens_at_its_lower_limit(board):
    board.order("soc 0.06")  # a minute and a bit of 20 mAh through 10 ohm
    board.ask("1 A 07 2700 4250 0 4500 3600")
    board.held(15)
    assert not board.made and board.trip == "low"
    last = [line for line in board.lines if " discharge " in line][-1]
    assert 2.66e6 < int(last.split()[3]) < 2.76e6
    board.order("where")
    assert float(board.other[-1].split()[2]) > 0.0  # nothing was drained below what the limit left


def test_the_time_limit_opens_it(start):
    board = start()
    board.run(300)
    board.ask("1 P 01 0 4882812")
    board.ask("1 A 02 3000 4250 - - 10")
    board.held(14)
    assert not board.made and board.trip == "time"
    (on_ms, _), (off_ms, _) = board.gate
    assert off_ms - on_ms == pytest.approx(10_000, abs=150)


def test_times_are_constants_of_the_build(start):
    board = start("-DBEAT_LIMIT_MS=1500UL")
    board.run(300)
    board.ask("1 P 01 0 4882812")
    board.ask("1 A 02 3000 4250 - - 10")
    board.send(sealed("1 B d"))
    board.run(3000)
    (on_ms, _), (off_ms, _) = board.gate
    assert off_ms - on_ms == pytest.approx(1500, abs=150)


def test_limits_wider_than_the_program_allows_are_refused(board):
    for limits in ("799 4250 - - 60", "3000 4351 - - 60", "3000 4250 -2001 - 60", "3000 4250 - 6001 60",
                   "3000 4250 - - 259201", "4250 3000 - - 60"):  # fmt: skip
        assert board.ask(f"1 A 08 {limits}") == "1 N 08 range"
    assert board.ask("1 L 09") == "1 L 09 3000 4250 0 4500 3600 armed 0"
    assert board.ask("1 A 08 800 4350 -2000 6000 259200").endswith("armed 0")


def test_half_a_line_and_a_changed_one_are_spoiled(board):
    line, rng = sealed("1 B d"), random.Random(3)
    for cut in range(1, len(line) - 1):
        board.send(line[:cut] + line)
        board.run(30)
    for _ in range(40):
        changed = bytearray(line)
        changed[rng.randrange(len(line) - 1)] ^= rng.randrange(1, 256)
        board.send(bytes(changed) + b"\n")
        board.run(30)
    board.send(line[:6])
    board.run(700)
    board.send(line[6:])
    board.run(30)
    board.send(b"x" * 300)
    board.send(b"\n")
    board.run(120)
    assert not board.gate
    board.send(line)
    board.run(30)
    assert board.made


def test_power_cut_opens_it_and_the_calibration_survives(board):
    assert board.ask("1 P 03 4 9870000") == "1 C 03 4 9870000"
    board.ask("1 A 02 3000 4250 - - 60")
    board.held(2)
    assert board.made
    board.order("cut")
    assert not board.made
    board.order("pin")
    assert board.other[-1] == "F FLOAT"  # nothing drives the gate: its pull-down does
    board.run(500)
    board.held(3)
    assert not board.made and board.trip == "unarmed"
    assert board.ask("1 C 04 4") == "1 C 04 4 9870000"


def test_one_damaged_place_of_the_eeprom_loses_nothing_and_two_lock_the_contact(board, start, tmp_path):
    board.ask("1 P 03 4 9870000")
    board.order("keep")
    kept = tmp_path / "eeprom"
    whole = bytearray(kept.read_bytes())
    first = next(n for n in range(len(whole)) if whole[n] != 0xFF)
    whole[first + 5] ^= 1
    kept.write_bytes(whole)
    one = start()
    one.run(200)
    assert one.ask("1 C 04 4") == "1 C 04 4 9870000"
    one.order("keep")
    whole[first + 55 + 5] ^= 1  # the other place: 1 + 13 x 4 + 2 bytes on
    kept.write_bytes(whole)
    two = start()
    two.run(200)
    assert "uncalibrated" in two.ask("1 H 05")
    assert two.ask("1 A 06 3000 4250 - - 60") == "1 N 06 calibration"


def test_a_program_that_hangs_is_ended_by_the_watchdog_and_the_contact_opens(start):
    board = start("-DHANG_AT_MS=3000UL")
    board.run(300)
    board.ask("1 P 01 0 4882812")
    board.ask("1 A 02 3000 4250 - - 60")
    board.send(sealed("1 B d"))
    board.run(1000)
    assert board.made
    board.run(3000)
    assert not board.made
    assert board.gate[-1][0] == pytest.approx(3500, abs=150)  # 0.5 s after the hang
    assert board.ask("1 H 05").split()[5] == "watchdog"


def test_it_speaks_as_the_micropython_program_does(board):
    other = Board()
    other.ready()
    orders = (
        "1 L 11", "1 W 12", "1 C 13 4", "1 C 13 13", "1 A 14 3000 4250 x - 60", "1 A 15 3000 4351 - - 60",
        "1 A 16 3300 4200 500 4000 120", "1 L 17", "1 P 18 4 12", "1 Z 19", "1 P 20 4 9990000", "1 L 21",
    )  # fmt: skip
    for order in orders:
        assert [board.ask(order)] == other.hear(order)


def test_the_shipped_format_reads_it_and_resolution_and_noise_are_told(board):
    board.order("volts 3.9")
    board.order("noise 1.0")
    board.held(3)
    body = next(line for line in reversed(board.lines) if " discharge " in line)
    found = load_format("board").parse(sealed(body)).values
    assert found["voltage_V"] == pytest.approx(3.9 * 10 / 10.15, abs=0.015)
    assert found["current_A"] == pytest.approx(-3.9 / 10.15, abs=0.0015)
    words = [int(word) for word in board.ask("1 Q 05").split()[3:]]
    assert words[:2] == [4882, 488]
    # looks of one count's standard deviation, in whole counts: the root of 1 + 1/12
    assert words[4] == pytest.approx(4882 * 1.04, rel=0.35)


BEATER = """
import sys, time
from amphora.drivers.serial.board import BoardRelay
from amphora.drivers.clock import RealClock
relay = BoardRelay("relay", {"role": "switch", "board": True, "port": sys.argv[1]}, RealClock())
relay.write_calibration(0, 4882812)
print(dict(relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)), flush=True)
relay.connect("discharge")
print("made", flush=True)
while True:
    relay.beat()
    time.sleep(0.5)
"""


def test_the_computer_is_killed_and_the_board_opens_by_itself(bench, build, tmp_path):
    process = subprocess.Popen(
        [str(bench), str(build()), str(tmp_path / "eeprom"), "pty"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    try:
        said = iter(process.stdout.readline, "")
        path = next(line for line in said if line.startswith("T ")).split()[1]
        computer = subprocess.Popen([sys.executable, "-c", BEATER, path], stdout=subprocess.PIPE, text=True)
        try:
            assert "'low_voltage_V': 3.0" in computer.stdout.readline()
            assert computer.stdout.readline() == "made\n"
            made = next(line for line in said if line.startswith("P "))
            assert made.endswith(" 1\n")
            time.sleep(7.0)  # longer than it lasts without beats
            process.stdin.write("where\n")
            process.stdin.flush()
            killed_ms = float(next(line for line in said if line.startswith(("Z ", "P "))).split()[1])
        finally:
            os.kill(computer.pid, signal.SIGKILL)
            computer.wait()
            computer.stdout.close()
        opened = next(line for line in said if line.startswith(("P ", "Z ")))
        assert opened.startswith("P ") and opened.endswith(" 0\n")
        assert 4000 <= float(opened.split()[1]) - killed_ms <= 5000 + 1500
    finally:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()
    assert LONG_S > 0


def test_fuses_are_in_the_program(build):
    dump = subprocess.run(
        ["avr-objdump", "-s", "-j", ".fuse", str(build())], check=True, capture_output=True, text=True
    ).stdout
    assert "ffd1fc" in dump  # crystal; EEPROM kept; brown-out detector at 4.3 V
