"""Nights on the fallback board, its very program at work: `python -m tests.campaign.firmware --board avr --kills 8`.

The AVR program runs in simavr, the MicroPython one under MicroPython (its WebAssembly port, in node), each with a cell
at its pins and behind a pseudo-terminal, several times as fast as the wall. `amphora run` drives it as it drives a real
board. At random moments runner and keeper are killed with signal 9, as when the computer dies: the board has to open by
itself; then `amphora resume` goes on, to the cut-off.
`--in-step` lets time pass on the board and in the program alike (`tests.campaign.in_step`): a whole night on a machine
that others use too.

Needs what `make firmware` installs; `--micropython PATH` names micropython.mjs of the npm package.
"""

import argparse
import binascii
import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import termios
import threading
import time
import tty
from dataclasses import dataclass, field
from pathlib import Path

import psutil

import amphora.drivers
from tests.campaign.in_step import Pace

FIRMWARE = Path(amphora.drivers.__file__).parent / "firmware"
HERE = Path(__file__).resolve().parents[1] / "firmware"
PROGRAM = [sys.executable, "-m", "amphora.harness"]
PORT = "@micropython/micropython-webassembly-pyscript"  # of npm
ASSUMED_Ah = 0.4  # a smaller one would be guarded from the resistor's 0.4 A
BEGINS = 1.0  # of the charge: a cell that stands at 4.200 V, as one does that was just charged
BEAT_MS = 10_000  # of the board's time; a constant of the build, the longest that the driver takes
SLICE_MS = 20.0
MOST_STOPS = 30
STEP_SPEED = 2.0  # what the bench file says of a night in step: not the computer's own clock
OPENS_MS = 200.0  # looked at each 100 ms, and a slice
PER_COUNT = {"avr": 4882812, "micropython": 1220703}  # nV, of 10 and 12 bits
RECIPE = """name = "board-night"
summary = "The board discharges a cell through its resistor."
attended = false
full_start = true
[[step]]
kind = "log"
name = "at rest"
leads = "open"
duration = "20 s"
sample_every = "1 s"
[[step]]
kind = "log"
name = "through the resistor"
leads = "discharge"
at_most = "72 h"
sample_every = "1 s"
until = { voltage_falls_to = "cut-off" }
"""
BENCH = """name = "board night"
leads = "relay"
simulated = true
speed_up = {speed}
[instruments.logger]
role = "logger"
port = "{port}"
format = "board"
silence = "{silence} s"
[instruments.logger.specification.voltage]
gain = "0.3 %"
offset = "5 mV"
resolution = "4.9 mV"
[instruments.logger.specification.current]
gain = "0.3 %"
offset = "0.5 mA"
resolution = "0.5 mA"
[instruments.relay]
role = "switch"
board = true
port = "{port}"
holds = ["discharge"]
release = "10 s"
[cell]
voltage = "logger"
current = "logger"
temperature = "logger"
"""


class BoardOnPty:
    """A program that takes the orders of bench.c, behind a pseudo-terminal.

    It goes `speed` times as fast as the wall, or as `pace` says.
    """

    def __init__(self, command: list[str], speed: float, pace: Pace | None = None, **orders: str) -> None:
        self.speed, self.now_ms, self.soc, self.pace = speed, 0.0, 1.0, pace
        self.gate: list[tuple[float, bool]] = []
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._ended = threading.Event()
        self.behind_s = 0.0
        for word, value in orders.items():
            self._order(f"{word} {value}")
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    @property
    def made(self) -> bool:
        """Whether the contact is made."""
        return bool(self.gate) and self.gate[-1][1]

    def _order(self, text: str) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(text.encode() + b"\n")
        self._process.stdin.flush()
        while (line := self._process.stdout.readline().rstrip(b"\n")) != b".":
            if not line and self._process.poll() is not None:
                raise RuntimeError("the board's program ended")
            kind, _, rest = line.partition(b" ")
            if kind == b"U":
                with contextlib.suppress(BlockingIOError):  # nobody reads
                    os.write(self._master, rest + b"\n")
            elif kind == b"P":
                at_ms, made = rest.split()
                self.gate.append((float(at_ms), made == b"1"))
            elif kind == b"Z":
                at_ms, soc = rest.split()
                self.now_ms, self.soc = float(at_ms), float(soc)

    def _live(self) -> None:
        began_s, ran_ms = time.monotonic(), 0.0
        while not self._ended.is_set():
            try:
                data = os.read(self._master, 4096)
                self._order(f"send {data.hex()}")
            except BlockingIOError:
                pass
            if self.pace is not None and self.pace.stands:
                time.sleep(0.001)
                continue
            if self.pace is not None:
                self._order(f"run {self.pace.next_ms(self.now_ms):.3f}")
                self._order("where")
                self.pace.arrived(self.now_ms)
                continue
            self._order(f"run {SLICE_MS}")
            self._order("where")
            ran_ms += SLICE_MS
            ahead_s = ran_ms / 1000.0 / self.speed - (time.monotonic() - began_s)
            self.behind_s = max(self.behind_s, -ahead_s)
            if ahead_s > 0:
                time.sleep(ahead_s)
            elif ahead_s < -0.2:  # a busy machine: what was missed is not made up for in a rush
                began_s = time.monotonic() - ran_ms / 1000.0 / self.speed

    def end(self) -> None:
        """Leave nothing behind."""
        self._ended.set()
        self._thread.join(10)
        if self.pace is not None:
            self.pace.end()
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            with contextlib.suppress(BrokenPipeError):
                stream.close()
        for one in (self._master, self._slave):
            os.close(one)


@dataclass
class FirmwareNight:
    """What happened, and what should not have."""

    board: str
    seed: int
    kills: int = 0
    opened_ms: list[float] = field(default_factory=list)  # after the kill, at most, in the board's time
    stops: list[str] = field(default_factory=list)
    board_s: float = 0.0
    rows: int = 0
    wall_s: float = 0.0
    wrong: list[str] = field(default_factory=list)


def command_of(board: str, folder: Path, micropython: str) -> list[str]:
    """Build the AVR program and its bench, or name the MicroPython one; return what runs it."""
    if board == "micropython":
        logic = str(FIRMWARE / "micropython" / "logic.py")
        pins = str(HERE / "board_at_pins.py")
        return ["node", str(HERE / "board.mjs"), micropython, logic, pins, f"beat_limit_ms={BEAT_MS}"]
    subprocess.run(
        ["make", "-s", "-C", str(FIRMWARE / "avr"), f"OUT={folder}", f"EXTRA=-DBEAT_LIMIT_MS={BEAT_MS}UL"],
        check=True, capture_output=True,
    )  # fmt: skip
    bench = folder / "bench"
    subprocess.run(["gcc", "-O2", "-o", str(bench), str(HERE / "bench.c"), "-lsimavr", "-lelf", "-lm"], check=True)
    return [str(bench), str(folder / "board.elf"), str(folder / "eeprom")]


class _Run:
    """One call of `amphora` with its keeper."""

    def __init__(self, folder: Path, *words: str, in_step: bool = False) -> None:
        program = [sys.executable, "-m", "tests.campaign.in_step", str(folder)] if in_step else PROGRAM
        environment = {**os.environ, "AMPHORA_LOGS": str(folder / "logs"), "AMPHORA_RUNTIME": str(folder / "runtime")}
        self.log = (folder / "said.txt").open("ab")
        self.process = subprocess.Popen(
            [*program, *words], env=environment, stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log,
            start_new_session=True, cwd=HERE.parents[1],
        )  # fmt: skip

    def die(self) -> None:
        """Die as with the computer: the runner, and the keeper that is its child or was."""
        family = [psutil.Process(self.process.pid), *psutil.Process(self.process.pid).children(recursive=True)]
        for one in family:
            one.suspend()
        for one in family:
            os.kill(one.pid, signal.SIGKILL)
        self.process.wait(30)
        self.log.close()


def spend(
    board: str, seed: int, kills: int, capacity_Ah: float, speed: float, micropython: str = "", wall_s: float = 3600.0,
    in_step: bool = False, keep: Path | None = None,
) -> FirmwareNight:  # fmt: skip
    """Spend one night; `wrong` lists the promises that were broken. `keep`: where its run and what was said go."""
    night, rng, began_s = FirmwareNight(board, seed), random.Random(seed), time.monotonic()
    with tempfile.TemporaryDirectory(prefix="amphora-board-") as place:
        folder = Path(place)
        orders = {"run": "300", "send": _calibration(board), "noise": "0.7", "soc": f"{BEGINS}"}
        speed = STEP_SPEED if in_step else speed
        pace = Pace(folder) if in_step else None
        at = BoardOnPty(command_of(board, folder, micropython), speed, pace, capacity=f"{capacity_Ah:g}", **orders)
        try:
            at_speed = {"speed": speed, "port": at.path, "silence": max(3.0, 2.0 * speed)}
            (folder / "bench.toml").write_text(BENCH.format(**at_speed), encoding="utf-8")
            (folder / "night.toml").write_text(RECIPE, encoding="utf-8")
            _live_through(night, rng, at, folder, kills, capacity_Ah, began_s + wall_s)
        finally:
            at.end()
            if keep is not None:
                shutil.copytree(folder / "logs", keep / f"{board}-{seed}", dirs_exist_ok=True)
                shutil.copy(folder / "said.txt", keep / f"{board}-{seed}")
        night.board_s = round(at.now_ms / 1000.0, 1)
    night.wall_s = round(time.monotonic() - began_s, 1)
    return night


def _calibration(board: str) -> str:
    return b"".join(sealed(f"1 P 0{n} {n} {PER_COUNT[board]}") for n in (0, 2)).hex()


def sealed(body: str) -> bytes:
    """Return a line with its checksum."""
    return f"{body} ~{binascii.crc_hqx(body.encode(), 0xFFFF):04X}\n".encode()


def _live_through(
    night: FirmwareNight, rng: random.Random, at: BoardOnPty, folder: Path, kills: int, capacity_Ah: float,
    until_s: float,
) -> None:  # fmt: skip
    environment = {**os.environ, "AMPHORA_LOGS": str(folder / "logs"), "AMPHORA_RUNTIME": str(folder / "runtime")}
    add = ["cell", "add", "B1", "--form", "18650", "--chemistry", "li-ion", "--as-found", "4.20 V"]
    subprocess.run([*PROGRAM, *add], env=environment, check=True, capture_output=True)
    assumed = f"{max(ASSUMED_Ah, 1.2 * capacity_Ah):g} Ah"
    words = ["run", "--cell", "B1", "--profile", str(folder / "night.toml"), "--bench", str(folder / "bench.toml"),
             "--hand-voltage", "4.20 V", "--start", "declared-full", "--capacity", assumed]  # fmt: skip
    whole_ms = capacity_Ah / 0.36 * 3.6e6
    moments = sorted(at.now_ms + rng.uniform(0.05, 0.95) * whole_ms for _ in range(kills))
    while time.monotonic() < until_s:
        run = _Run(folder, *words, in_step=at.pace is not None)
        while run.process.poll() is None and time.monotonic() < until_s:
            if moments and at.now_ms > moments[0] and at.made:
                moments.pop(0)
                _kill(night, at, run)
                break
            time.sleep(0.05)
        else:
            run.log.close()
            if run.process.poll() is None:
                run.die()
                break
            night.stops.append(str(run.process.returncode))
        found = sorted((folder / "logs" / "B1").glob("*-board-night*"))
        if not found:
            night.wrong.append("no run: " + (folder / "said.txt").read_text(encoding="utf-8", errors="replace")[-600:])
            return
        events = [json.loads(line) for line in (found[-1] / "events.jsonl").read_text("utf-8").splitlines()]
        last = events[-1] if events else {}
        night.rows = len((found[-1] / "samples.csv").read_text("utf-8").splitlines()) - 1
        if last.get("kind") == "stopped" and last.get("final"):
            _judge(night, at, folder, str(last.get("reason")))
            return
        if len(night.stops) > MOST_STOPS:
            break
        words = ["resume", str(found[-1]), "--bench", str(folder / "bench.toml")]
    night.wrong.append("did not end in its time: " + (folder / "said.txt").read_text("utf-8", errors="replace")[-600:])


def _kill(night: FirmwareNight, at: BoardOnPty, run: _Run) -> None:
    if at.pace is not None:
        at.pace.stands = True
        time.sleep(0.05)  # the slice at work is over
    before_ms = at.now_ms
    run.die()
    if at.pace is not None:
        at.pace.stands = False
    killed_ms = at.now_ms
    night.kills += 1
    until_s = time.monotonic() + 120.0
    while at.made and time.monotonic() < until_s:
        time.sleep(0.01)
    if at.made:
        night.wrong.append("the contact stayed made after the computer died")
        return
    opened_ms = at.gate[-1][0] - before_ms
    night.opened_ms.append(round(opened_ms))
    if opened_ms > BEAT_MS + OPENS_MS + (killed_ms - before_ms) + 2 * SLICE_MS * at.speed:
        night.wrong.append(f"open {opened_ms:.0f} ms after the computer died")


def _judge(night: FirmwareNight, at: BoardOnPty, folder: Path, reason: str) -> None:
    night.stops.append(reason)
    if at.made:
        night.wrong.append("the contact is made after the end")
    if reason not in ("cutoff", "instrument", "guard:protection-tripped", "guard:voltage-low"):
        night.wrong.append(f"ended by {reason}: " + (folder / "said.txt").read_text("utf-8", errors="replace")[-600:])
    if at.soc < 0.0:
        night.wrong.append(f"drained to {at.soc:.3f} of its charge")


def main() -> int:
    """Spend nights; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.firmware", description=__doc__)
    parser.add_argument("--board", choices=("avr", "micropython"), default="avr")
    parser.add_argument("--micropython", default=f"node_modules/{PORT}/micropython.mjs", help="where the port is")
    parser.add_argument("--nights", type=int, default=1)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--kills", type=int, default=6, help="how often the computer dies in each night")
    parser.add_argument("--capacity", type=float, default=0.3, help="the cell, in Ah; 3 Ah is a night of eight hours")
    parser.add_argument("--speed", type=float, default=10.0, help="how many times as fast as the wall")
    parser.add_argument("--in-step", action="store_true", help="as fast as the machine allows, whoever else uses it")
    parser.add_argument("--keep", type=Path, help="a folder that gets the runs, to look into")
    parser.add_argument("--wall", type=float, default=3600.0, help="seconds on the wall after which it is given up")
    options = parser.parse_args()
    broken = 0
    for seed in range(options.first, options.first + options.nights):
        night = spend(
            options.board, seed, options.kills, options.capacity, options.speed, options.micropython, options.wall,
            options.in_step, options.keep,
        )  # fmt: skip
        print(json.dumps(vars(night)), flush=True)
        broken += bool(night.wrong)
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
