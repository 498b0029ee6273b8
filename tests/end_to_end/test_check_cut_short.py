"""A check that lets current flow is cut short: by a signal, by a closed terminal, by kill -9. The load goes off."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from programs import wait_for

from amphora.drivers.simulated.servers import ServedBench

RESISTOR = '\n[check_resistor]\nresistance = "10 ohm"\ntolerance = "0.1 %"\n'


@pytest.fixture
def served() -> Iterator[ServedBench]:
    bench = ServedBench("worn-out", 1, start_soc=0.5, speed_up=4.0)
    bench.start()
    yield bench
    bench.stop()


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """A terminal (what the program gets, what the person has)."""
    master, slave = os.openpty()
    yield slave, master
    os.close(slave)
    os.close(master)


def at_work(served: ServedBench, amphora: Any, tmp_path: Path, terminal: tuple[int, int]) -> Any:
    """Begin a check, press Return whenever it may be asked for, until current flows."""
    bench = tmp_path / "bench.toml"
    bench.write_text(served.bench_file() + RESISTOR)
    process = amphora.start("bench", "check", "--bench", str(bench), "--resistor", stdin=terminal[0])

    def flows() -> bool:
        os.write(terminal[1], b"\n")
        return served.bench.load.on or process.poll() is not None

    wait_for(flows)
    assert process.poll() is None, process.communicate()
    return process


@pytest.mark.parametrize(
    ("number", "code", "words"),
    [
        (signal.SIGTERM, 143, "SIGTERM: the check was cut short; outputs are off, read back"),
        (signal.SIGHUP, 130, "SIGHUP: the check was cut short; outputs are off, read back"),
        (signal.SIGINT, 130, ""),
        (signal.SIGKILL, -9, ""),
    ],
)
def test_the_load_goes_off_however_the_check_is_ended(
    served: ServedBench, amphora: Any, tmp_path: Path, terminal: Any, number: int, code: int, words: str
) -> None:
    process = at_work(served, amphora, tmp_path, terminal)
    assert served.bench.load.on  # a hand on the key while current flows
    process.send_signal(number)
    wait_for(lambda: not served.bench.load.on)
    _, err = process.communicate(timeout=180)
    assert process.returncode == code and words in err and "Traceback" not in err


def test_a_load_that_ignores_its_off_is_told_and_handed_to_the_keeper(
    served: ServedBench, amphora: Any, tmp_path: Path, terminal: Any
) -> None:
    process = at_work(served, amphora, tmp_path, terminal)
    served.scpi["load"].inject("ignore-off", count=17)  # all of the program's, and some of the keeper's
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=180)
    assert [kind for _, kind in served.scpi["load"].fired].count("ignore-off") == 17
    assert not served.bench.load.on and process.returncode == 4
    *_, told, last = err.strip().splitlines()
    assert "MAY STILL BE ON: pull the leads now; the keeper goes on trying" in told
    assert last == "amphora: the keeper switched off load and supply and read it back"
