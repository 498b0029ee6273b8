"""A power resistor, hands and a logger, on the virtual clock: the least bench that there is.

The resistor is clipped on by a hand so many seconds after the question, and Return is pressed so many seconds after it.
With `relay`, a relay of two contacts puts the cell on the resistor or on a supply. The logger reads the cell's voltage
and its can, and reckons the current from the resistor as the bench file states it.
"""

import random
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from amphora.drivers.roles import Instrument
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell
from amphora.drivers.simulated.parts import SimThermometer
from amphora.harness.account.after_run import enter_run
from amphora.harness.archive.run_folder import run_folder, run_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.cells.cell import Cell
from amphora.harness.plans.plan import plan_to_dict
from amphora.harness.running.runner import Outcome, Runner
from amphora.harness.running.session import Request, make_plan


class ResistorLogger(SimThermometer):
    """Reads voltage and can; its current is the voltage over the stated resistor, whether that is on or not."""

    stated_ohm = 10.0

    def read(self) -> Mapping[str, float]:
        values = dict(super().read())
        volts = self.voltage.read(self.bench.sense_voltage())
        return {"voltage_V": volts, "current_A": -volts / self.stated_ohm, **values}


class Hands:
    """Somebody who clips a resistor on `clips_s` after the question and says so `answers_s` after it."""

    present = True

    def __init__(self, bench: SimulatedBench, clips_s: float, answers_s: float) -> None:
        self.bench, self.clips_s, self.answers_s = bench, clips_s, answers_s
        self._done_s = 0.0

    def ask(self, text: str, act: str = "") -> None:
        now_s, on = self.bench.clock.now_s(), act == "drain-through-resistor"
        if act in ("drain-through-resistor", "resistor-off-cell") and self.bench.switch is None:
            self.bench.at(now_s + self.clips_s, act, lambda bench: bench.load.set_input(on))
        self._done_s = now_s + self.answers_s

    def answered(self) -> bool:
        return self.bench.clock.now_s() >= self._done_s

    show = ask


class ResistorBench:
    """One cell on one bench; `off_by` is the share by which the resistor is really off, leads and all."""

    def __init__(
        self, logs: Path, name: str, cell: SimulatedCell, *, stated_ohm: float = 10.0, off_by: float = 0.0,
        relay: bool = False, seed: int = 5,
    ) -> None:  # fmt: skip
        self.logs, self.name = logs, name
        self.bench = bench = SimulatedBench("li-ion", seed, cell=cell, leads="relay" if relay else "wired")
        self.ohm = stated_ohm * (1.0 + off_by)
        bench.load.set_discharge("resistance", self.ohm - bench.lead_ohm)
        bench.load.set_input(relay)  # behind a relay the resistor stays wired
        self.logger = ResistorLogger(bench, "logger", random.Random(seed), True)
        self.logger.stated_ohm = stated_ohm
        instruments: dict[str, Instrument] = {"logger": self.logger}
        told = bench.description["instruments"]
        specification = {
            "voltage": told["load"]["specification"]["voltage"],
            "current": {"gain": "0.3 %", "offset": "0.2 mA", "resolution": "0.01 mA"},
            **told["thermometer"]["specification"],
        }
        logger = {
            "role": "logger", "port": "simulated", "shunt": f"{stated_ohm:g} ohm", "specification": specification,
        }  # fmt: skip
        table: dict[str, Any] = {
            "name": "kitchen table", "leads": bench.leads, "sensed_at": "cell", "instruments": {"logger": logger},
            "cell": {"voltage": "logger", "current": ["logger"], "temperature": "logger"},
        }  # fmt: skip
        if relay:
            assert bench.switch is not None
            instruments |= {"supply": bench.supply, "relay": bench.switch}
            table["instruments"] |= {"supply": told["supply"], "relay": told["relay"]}
            table["cell"]["current"] = ["logger", "supply"]
        bench.instruments = instruments
        self.described = bench_from_dict(table)
        record = {"id": name, "form": "18650", "chemistry": cell.spec.chemistry, "declared_rechargeable": True}
        Shelf(logs).add(Cell.from_dict(record))

    def spend(
        self, recipe: str, clips_s: float = 2.0, answers_s: float = 5.0, pause_s: float = 3600.0, **asked: Any
    ) -> Outcome:
        """Make a plan, run it, enter it on the shelf, and let the cell rest before the next one."""
        bench = self.bench
        request = Request(self.name, recipe, self.logs, present=True, hand_voltage_V=bench.hand_meter_V(), **asked)
        abilities = {name: one.abilities for name, one in bench.instruments.items()}
        self.plan, cell = make_plan(request, self.described, bench.clock.utc(), abilities)
        record = cell.to_dict()
        folder = run_folder(self.logs, self.name, recipe, bench.clock.utc())
        header = run_header(
            plan_to_dict(self.plan), record, self.described, folder, self.plan.start, self.plan.cutoff_V, recipe,
            bench.clock.utc(),
        )  # fmt: skip
        runner = Runner(
            self.plan, Rig(self.described, bench.instruments), bench.clock, folder, header,
            Hands(bench, clips_s, answers_s), take_signals=False,
        )  # fmt: skip
        outcome = runner.run()
        enter_run(outcome.folder)
        bench.clock.sleep(pause_s)
        bench.update()
        return outcome
