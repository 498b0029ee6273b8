"""The board's program in simavr. These tests run when this folder is named, as `make firmware` does after installing
the tools; without the tools they fail. A plain run of the suite needs neither."""

import binascii
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import amphora.drivers

HERE = Path(__file__).parent
SOURCES = Path(amphora.drivers.__file__).parent / "firmware" / "avr"
LONG_S = 120.0  # on the wall, for a machine with busy neighbours; what is measured is the board's own time


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    asked = [Path(config.invocation_params.dir, argument.split("::")[0]) for argument in config.args]
    named = any(path.resolve() == HERE or HERE in path.resolve().parents for path in asked)
    return None if named else True


def sealed(body: str) -> bytes:
    return f"{body} ~{binascii.crc_hqx(body.encode(), 0xFFFF):04X}\n".encode()


class Avr:
    """The board in simavr, in steps of its own time. `gate`: each change, as (ms, made)."""

    def __init__(self, bench: Path, program: Path, eeprom: Path) -> None:
        self.gate: list[tuple[float, bool]] = []
        self.lines: list[str] = []
        self.other: list[str] = []
        self._process = subprocess.Popen(
            [str(bench), str(program), str(eeprom)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def order(self, text: str) -> list[str]:
        """Carry out one order of `bench.c`; return the lines that the board sent meanwhile, without checksums."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(text + "\n")
        self._process.stdin.flush()
        sent = []
        while (line := self._process.stdout.readline().rstrip("\n")) != ".":
            assert line or self._process.poll() is None, "the simulator ended"
            kind, _, rest = line.partition(" ")
            if kind == "U":
                body, _, told = rest.rpartition(" ~")
                assert int(told, 16) == binascii.crc_hqx(body.encode(), 0xFFFF)
                sent.append(body)
            elif kind == "P":
                at_ms, made = rest.split()
                self.gate.append((float(at_ms), made == "1"))
            elif kind in "FZX":
                self.other.append(line)
        self.lines += sent
        return sent

    def run(self, ms: float) -> list[str]:
        return self.order(f"run {ms}")

    def send(self, data: bytes) -> None:
        self.order(f"send {data.hex()}")

    def ask(self, body: str) -> str:
        """Send an order and return its answer."""
        self.send(sealed(body))
        tag = body.split()[2]
        return next(line for line in self.run(60) if line.split()[1] != "R" and line.split()[2] == tag)

    def held(self, seconds: int) -> None:
        for _ in range(seconds):
            self.send(sealed("1 B d"))
            self.run(1000)

    @property
    def made(self) -> bool:
        return bool(self.gate) and self.gate[-1][1]

    @property
    def trip(self) -> str:
        self.run(600)
        return next(line for line in reversed(self.lines) if line.split()[1] == "R").split()[8]

    def now_ms(self) -> float:
        self.order("where")
        return float(self.other[-1].split()[1])

    def end(self) -> None:
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            stream.close()


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Build the program with constants of its own; each build once."""
    made: dict[str, Path] = {}

    def built(extra: str = "") -> Path:
        if extra not in made:
            out = tmp_path_factory.mktemp("program")
            subprocess.run(
                ["make", "-s", "-C", str(SOURCES), f"OUT={out}", f"EXTRA={extra}"], check=True, capture_output=True
            )
            made[extra] = out / "board.elf"
        return made[extra]

    return built


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("bench") / "bench"
    subprocess.run(
        ["gcc", "-O2", "-Wall", "-Werror", "-o", str(out), str(HERE / "bench.c"), "-lsimavr", "-lelf", "-lm"],
        check=True,
    )
    return out


@pytest.fixture
def start(bench: Path, build: Callable[..., Path], tmp_path: Path) -> Iterator[Callable[..., Avr]]:
    boards: list[Avr] = []

    def started(extra: str = "") -> Avr:
        boards.append(Avr(bench, build(extra), tmp_path / "eeprom"))
        return boards[-1]

    yield started
    for one in boards:
        one.end()


@pytest.fixture
def board(start: Callable[..., Avr]) -> Avr:
    """Calibrated, with limits armed."""
    one = start()
    one.run(300)
    assert one.ask("1 P 01 0 4882812").startswith("1 C")
    one.run(500)
    assert one.ask("1 A 02 3000 4250 0 4500 3600") == "1 L 02 3000 4250 0 4500 3600 armed 0"
    return one
