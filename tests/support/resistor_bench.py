"""A power resistor, hands and a logger, on the virtual clock: the least bench that there is.

The resistor is clipped on by a hand so many seconds before or after Return is pressed; the logger reads the cell's
voltage and its can, and reckons the current from the resistor as the bench file states it.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from amphora.drivers.roles import Abilities
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell
from amphora.drivers.simulated.parts import SimThermometer
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
        if act in ("drain-through-resistor", "resistor-off-cell"):
            self.bench.at(now_s + self.clips_s, act, lambda bench: bench.load.set_input(on))
        self._done_s = now_s + self.answers_s

    def answered(self) -> bool:
        return self.bench.clock.now_s() >= self._done_s

    show = ask


class ResistorNight:
    """One run of `watch-resistor`; `true_ohm` is what the resistor really is, leads and all."""

    def __init__(
        self, logs: Path, name: str, cell: SimulatedCell, *, capacity_Ah: float, true_ohm: float = 10.0,
        stated_ohm: float = 10.0, clips_s: float = 2.0, answers_s: float = 5.0, seed: int = 5,
    ) -> None:  # fmt: skip
        self.bench = SimulatedBench("li-ion", seed, cell=cell)
        bench = self.bench
        bench.load.abilities = Abilities()
        bench.load.set_discharge("resistance", true_ohm - bench.lead_ohm)
        self.logger = ResistorLogger(bench, "logger", bench.rng if hasattr(bench, "rng") else _rng(seed), True)
        self.logger.stated_ohm = stated_ohm
        bench.instruments = {"logger": self.logger}
        electrical = bench.description["instruments"]["load"]["specification"]["voltage"]
        specification = {
            "voltage": electrical,
            "current": {"gain": "0.3 %", "offset": "0.2 mA", "resolution": "0.01 mA"},
            **bench.description["instruments"]["thermometer"]["specification"],
        }
        self.described = bench_from_dict(
            {
                "name": "kitchen table", "leads": "wired", "sensed_at": "cell",
                "instruments": {
                    "logger": {
                        "role": "logger", "port": "simulated", "shunt": f"{stated_ohm:g} ohm",
                        "specification": specification,
                    }
                },
                "cell": {"voltage": "logger", "current": ["logger"], "temperature": "logger"},
            }
        )  # fmt: skip
        chemistry = cell.spec.chemistry
        Shelf(logs).add(Cell.from_dict({"id": name, "form": "18650", "chemistry": chemistry}))
        request = Request(
            name, "watch-resistor", logs, start="declared-full", capacity_Ah=capacity_Ah, present=True,
            hand_voltage_V=bench.hand_meter_V(),
        )  # fmt: skip
        self.plan, record = make_plan(request, self.described, bench.clock.utc(), {"logger": Abilities()})
        self.folder = run_folder(logs, name, "watch-resistor", bench.clock.utc())
        header = run_header(
            plan_to_dict(self.plan), record, self.described, self.folder, self.plan.start, self.plan.cutoff_V,
            "watch-resistor", bench.clock.utc(),
        )  # fmt: skip
        self.runner = Runner(
            self.plan, Rig(self.described, bench.instruments), bench.clock, self.folder, header,
            Hands(bench, clips_s, answers_s), take_signals=False,
        )  # fmt: skip

    def run(self) -> Outcome:
        """Spend it."""
        outcome = self.runner.run()
        self.bench.update()
        return outcome


def _rng(seed: int) -> Any:
    import random

    return random.Random(seed)
