"""A runner that is killed while its instrument obeys and does not answer: off all the same, by the instrument's own word.

Instruments of foreign make (tests/support/foreign) in a process of their own, asked for the truth on their control port;
the runner is a real process with a real keeper, and ends by kill -9. The fault is set while all is well, so the run began
with an instrument that answered. Measured times are of `time.monotonic`, which all processes of a computer share.
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign

import harness.keeper as keeper_module
from harness.lock import process_start

ROOT = str(Path(keeper_module.__file__).resolve().parent.parent)
OFF_S = 2.0  # where bytes arrive; the keeper's own start is not in it
RUNNER = """
import sys, time
sys.path.insert(0, {root!r})
from pathlib import Path
from drivers.clock import RealClock
from drivers.opening import open_instrument
from harness.bench import load_bench
from harness.keeper import Keeper
from harness.session import held, open_rig
from harness.switch_off import FILE, beside, sheet_of, write_sheet
bench = load_bench(Path({bench!r}))
with held(bench):
    rig = open_rig(bench, RealClock(), open_instrument)
    sheet = sheet_of(bench, rig.instruments)
    write_sheet(sheet, beside(bench.where))
    keeper = Keeper.start(dict(bench.data), rig.energising(), Path({folder!r}), sheet=sheet)
    if rig.switch is not None:
        rig.switch.connect("discharge" if rig.load else "charge")
    if rig.load is not None:
        rig.load.set_discharge("current", 0.5)
        rig.load.set_input(True)
    else:
        rig.supply.set_voltage(4.0)
        rig.supply.set_current_limit(0.5)
        rig.supply.set_output(True)
    print("running", keeper.pid, flush=True)
    while True:
        keeper.beat()
        if rig.switch is not None:
            rig.switch.beat()
        time.sleep(0.1)
"""


class Killed:
    """A runner at work on a foreign bench, to be killed."""

    def __init__(self, foreign: Foreign, folder: Path, **bench: Any) -> None:
        self.foreign, self.folder = foreign, folder
        self.bench = foreign.bench_file(folder, **bench)
        code = RUNNER.format(root=ROOT, bench=str(self.bench), folder=str(folder / "run"))
        self.process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        word, keeper = self.process.stdout.readline().split()
        assert word == b"running"
        self.keeper = int(keeper)

    def kill(self) -> float:
        """Kill it; return when."""
        os.kill(self.process.pid, signal.SIGKILL)
        at_s = time.monotonic()
        self.process.wait(10)
        return at_s

    def end(self) -> None:
        """Leave nothing behind."""
        for pid in (self.process.pid, self.keeper):
            if process_start(pid) is not None:
                os.kill(pid, signal.SIGKILL)
        self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture
def killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setenv("AMPHORA_RUNTIME", str(tmp_path / "runtime"))
    made: list[Killed] = []

    def start(foreign: Foreign, **bench: Any) -> Killed:
        made.append(Killed(foreign, tmp_path, **bench))
        return made[-1]

    yield start
    for one in made:
        one.end()


@pytest.mark.parametrize(
    ("instrument", "dialects", "faults"),
    [
        ({"load": {"style": "generic"}}, {}, {"mute": True}),
        ({"load": {"style": "generic"}}, {"load": "auto"}, {"late": 15.0}),
        ({"load": {"style": "otherwise", "wire": "serial"}}, {}, {"mute": True}),
        ({"supply": {"style": "otherwise"}}, {}, {"garbled": True}),
    ],
    ids=["load mute", "load found by asking, 15 s late", "serial load of another style mute", "supply garbled"],
)
def test_a_killed_runners_instrument_is_off_within_two_seconds_whatever_it_answers(
    killed: Any, instrument: dict[str, Any], dialects: dict[str, str], faults: dict[str, Any]
) -> None:
    name = next(iter(instrument))
    with Foreign(**instrument) as foreign:
        runner = killed(foreign, dialects=dialects)
        assert foreign.truth()[name]["on"]
        for fault, value in faults.items():
            foreign.fault(name, fault, value)
        at_s = runner.kill()
        assert foreign.off_after_s(name, at_s) < OFF_S


def test_an_instrument_that_holds_the_dead_runners_session_is_off_as_soon_as_it_can_be_had(killed: Any) -> None:
    held_s = 4.0
    with Foreign(load={"style": "generic", "faults": {"session": held_s}}) as foreign:
        runner = killed(foreign)
        foreign.fault("load", "mute")
        at_s = runner.kill()
        off_s = foreign.off_after_s("load", at_s)
        assert foreign.truth()["load"]["refused"] > 0, "the fault did not act"
        assert off_s < held_s + OFF_S
