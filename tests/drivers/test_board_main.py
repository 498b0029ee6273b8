"""The MicroPython board's `main.py` under CPython, its pins, clock, watchdog and files played: what stands around the
logic. It has run on no board; this shows the order of what it does, not a board.
"""

import os
import runpy
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from board_bench import SOURCE, logic

MAIN = SOURCE.with_name("main.py")
CELL_V = 3.9


class Played:
    """A board's pins and clock. `log`: what was done, in order; `orders`: (ms, line) to come over the line."""

    def __init__(self, orders: list[tuple[int, bytes]], end: Any, cause: int = 0) -> None:
        self.log: list[Any] = []
        self.orders, self.end, self.cause = orders, end, cause
        self.now_ms, self.fed_ms, self.longest_ms, self.sent = 0, 0, 0, b""
        self.gate, self.cell_V = 0, CELL_V

    def modules(self) -> dict[str, ModuleType]:
        board = self

        class Pin:
            OUT = 1

            def __init__(self, number: int, mode: int | None = None, value: int | None = None) -> None:
                self.number = number
                if value is not None:
                    self.value(value)

            def value(self, level: int) -> None:
                board.log.append((self.number, level))
                if self.number == 15:
                    board.gate = level

        class ADC:
            def __init__(self, pin: Pin) -> None:
                self.pin = pin.number

            def read_u16(self) -> int:
                volts = {26: board.cell_V / 2, 27: board.cell_V / 2 * board.gate}.get(self.pin, 1.25)
                return int(volts / 2.5 * 65536)

        class UART:
            def __init__(self, number: int, baud: int) -> None:
                board.log.append(("uart", baud))

            def any(self) -> int:
                return len(board.orders[0][1]) if board.orders and board.orders[0][0] <= board.now_ms else 0

            def read(self, count: int) -> bytes:
                return board.orders.pop(0)[1][:count]

            def write(self, data: bytes) -> None:
                board.sent += data

        class WDT:
            def __init__(self, timeout: int) -> None:
                board.log.append(("watchdog", timeout))

            def feed(self) -> None:
                board.longest_ms = max(board.longest_ms, board.now_ms - board.fed_ms)
                board.fed_ms = board.now_ms

        machine, clock = ModuleType("machine"), ModuleType("time")
        for one in (Pin, ADC, UART, WDT):
            setattr(machine, one.__name__, one)
        machine.WDT_RESET, machine.reset_cause = 3, lambda: board.cause  # type: ignore[attr-defined]
        clock.ticks_ms = lambda: board.now_ms % (1 << 14)  # type: ignore[attr-defined]  # starts again at 0, as a board's does
        clock.ticks_diff = lambda after, before: (after - before) % (1 << 14)  # type: ignore[attr-defined]

        def sleep_ms(ms: int) -> None:
            board.now_ms += ms
            board.end(board)

        clock.sleep_ms = sleep_ms  # type: ignore[attr-defined]
        return {"machine": machine, "time": clock, "logic": logic}


def run(board: Played, folder: Path, monkeypatch: pytest.MonkeyPatch, ends: type[BaseException]) -> None:
    monkeypatch.chdir(folder)
    for name, module in board.modules().items():
        monkeypatch.setitem(sys.modules, name, module)
    monkeypatch.setattr(os, "sync", lambda: None)  # the disks of this computer are none of the board's
    with pytest.raises(ends):
        runpy.run_path(str(MAIN))


def ends_at(ms: int, error: BaseException) -> Any:
    def end(board: Played) -> None:
        if board.now_ms >= ms:
            raise error

    return end


def told(*lines: tuple[int, str]) -> list[tuple[int, bytes]]:
    return [(at_ms, logic.sealed(line)) for at_ms, line in lines]


ARMED = ((200, "1 P 01 0 76293"), (300, "1 A 02 3000 4250 0 4500 3600"), (500, "1 B d"))


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, MemoryError])
def test_whatever_ends_the_program_leaves_the_contact_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:
    board = Played(told(*ARMED), ends_at(2000, error()))
    run(board, tmp_path, monkeypatch, error)
    assert (15, 1) in board.log  # it was made
    assert board.log[-2:] == [(15, 0), (25, 0)] and board.gate == 0


def test_the_gate_is_low_first_of_all_and_the_watchdog_runs_before_a_line_is_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Played([], ends_at(3000, KeyboardInterrupt()))
    run(board, tmp_path, monkeypatch, KeyboardInterrupt)
    assert board.log[0] == (15, 0)
    assert board.log.index(("watchdog", 2000)) < board.log.index(("uart", 38400))
    assert (15, 1) not in board.log and 0 < board.longest_ms < 1000  # fed all the time, with room


@pytest.mark.parametrize("last_s", [16.0, 20.0])
def test_it_opens_five_seconds_after_the_last_beat_though_its_ticks_start_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, last_s: float
) -> None:
    beats = [(500 * n, "1 B d") for n in range(1, round(2 * last_s) + 1)]  # the ticks start again at 16.4 s
    opened: list[int] = []

    def end(board: Played) -> None:
        if board.now_ms > 1000 and not board.gate:
            opened.append(board.now_ms)
            raise KeyboardInterrupt
        assert board.now_ms < 30_000

    run(Played(told(*ARMED[:2], *beats), end), tmp_path, monkeypatch, KeyboardInterrupt)
    assert 1000 * last_s + 4990 <= opened[0] <= 1000 * last_s + 5100


def test_a_limit_is_watched_though_its_ticks_start_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    beats = [(500 * n, "1 B d") for n in range(1, 80)]
    opened: list[int] = []

    def end(board: Played) -> None:
        board.cell_V = CELL_V if board.now_ms < 18_000 else 2.9
        if board.now_ms > 1000 and not board.gate:
            opened.append(board.now_ms)
            raise KeyboardInterrupt
        assert board.now_ms < 39_000

    run(Played(told(*ARMED[:2], *beats), end), tmp_path, monkeypatch, KeyboardInterrupt)
    assert 18_000 < opened[0] <= 18_500


def test_calibration_is_kept_in_two_files_and_one_may_be_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run(Played(told(ARMED[0]), ends_at(1000, KeyboardInterrupt())), tmp_path, monkeypatch, KeyboardInterrupt)
    files = sorted(tmp_path.iterdir())
    assert [one.name for one in files] == ["calibration-2.txt", "calibration.txt"]
    files[1].write_bytes(b"half")
    again = Played(told(*ARMED[1:]), ends_at(2000, KeyboardInterrupt()), cause=3)
    run(again, tmp_path, monkeypatch, KeyboardInterrupt)
    assert (15, 1) in again.log
    files[0].unlink()
    lost = Played(told((100, "1 H 07"), *ARMED[1:]), ends_at(2000, KeyboardInterrupt()), cause=3)
    run(lost, tmp_path, monkeypatch, KeyboardInterrupt)
    assert (15, 1) not in lost.log and b"1 N 02 calibration" in lost.sent
    assert b" watchdog uncalibrated " in lost.sent  # and what started it is told


def test_its_counts_are_volts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    board = Played([], ends_at(1000, KeyboardInterrupt()))
    run(board, tmp_path, monkeypatch, KeyboardInterrupt)
    line = next(one for one in board.sent.split(b"\n") if one.startswith(b"1 R "))
    assert int(line.split()[3]) == pytest.approx(CELL_V * 1e6, abs=200)  # 76 uV a count of 16 bits
    assert int(line.split()[5]) == pytest.approx(2500, abs=60)  # half the reference: 10 kohm, 25 degC
