"""A runner on a bench of foreign make, as a process of its own with a real keeper: to be killed.

It opens the bench, hands the keeper what switches it off, switches load or supply on and beats. It keeps no journal:
what a whole run does after a kill is the other campaign's.
"""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from foreign.asking import Foreign

import amphora.harness.running.watchdog as keeper_module
from amphora.harness.common.locks import process_start

ROOT = str(Path(keeper_module.__file__).resolve().parent.parent.parent)
RUNNER = """
import sys, time
sys.path.insert(0, {root!r})
from pathlib import Path
from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.running.watchdog import Keeper
from amphora.harness.running.session import held, open_rig
from amphora.harness.running.switch_off import FILE, beside, sheet_of, write_sheet
bench = load_bench(Path({bench!r}))
with held(bench):
    rig = open_rig(bench, RealClock(), open_instrument)
    sheet = sheet_of(bench, rig.instruments)
    write_sheet(sheet, beside(bench.where))
    keeper = Keeper.start(bench, Path({folder!r}), sheet)
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

    def __init__(self, foreign: Foreign, folder: Path, environment: dict[str, str] | None = None, **bench: Any) -> None:
        self.foreign, self.folder = foreign, folder
        self.bench = foreign.bench_file(folder, **bench)
        code = RUNNER.format(root=ROOT, bench=str(self.bench), folder=str(folder / "run"))
        self.process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, env=environment)
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
