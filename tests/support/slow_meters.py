"""A bench whose meters measure anew only now and then, behind a link that takes its time; on the virtual clock."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.run_folder import run_header
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.control.events import Event
from amphora.harness.control.guard import refold, watch_of
from amphora.harness.control.replay import RESULT_KINDS, replay
from amphora.harness.control.step_records import Sample
from amphora.harness.plans.plan import (
    End,
    Limits,
    Order,
    Plan,
    PlanNotes,
    PlanWindow,
    Segment,
    Step,
    plan_from_dict,
    plan_to_dict,
)
from amphora.harness.running.resuming import readings_of
from amphora.harness.running.runner import Outcome, Runner
from tests.support.simulation.faults import CATALOGUE


class SlowNight:
    """One run on a bench whose load and supply are renewed every `renewed_s`, each exchange taking `takes_s`.

    `told`: the bench file says so; else nobody does.
    """

    def __init__(
        self, folder: Path, cell: SimulatedCell, plan: Plan, renewed_s: float, takes_s: float, told: bool = False
    ) -> None:
        self.bench = SimulatedBench("li-ion", 7, cell=cell)
        for name in ("load", "supply"):
            if renewed_s:
                CATALOGUE["renewal slow"](every_s=renewed_s, instrument=name).begin(self.bench)
            if takes_s:
                CATALOGUE["late link"](takes_s=takes_s, instrument=name).begin(self.bench)
        self.described = bench_from_dict(self.bench.description)
        self.folder = folder / "c" / "run"
        record = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}
        header = run_header(
            plan_to_dict(plan), record, self.described, self.folder, "full", 3.0, "r", self.bench.clock.utc()
        )
        rig = Rig(self.described, self.bench.instruments)
        if told:
            rig.renewed_s = lambda: {"load": renewed_s, "supply": renewed_s}  # type: ignore[method-assign]
        self.runner = Runner(
            plan, rig, self.bench.clock, self.folder, header, ObligingPerson(hands=self.bench.asked), take_signals=False
        )

    def run(self) -> Outcome:
        """Run; afterwards all is off, and the folder folds to what the run knew and decided."""
        outcome = self.runner.run()
        run = read_run(self.folder)
        plan = plan_from_dict(run.run["plan"])
        assert refold(watch_of(plan, run.run["measurement"]), run.events, readings_of(run)) == self.runner.so_far.memory
        _, again = replay(plan, run.events, [Sample(row[0], *row[2:5]) for row in run.iter_rows()])
        assert [event["kind"] for event in again] == [one["kind"] for one in run.events if one["kind"] in RESULT_KINDS]
        return outcome

    def events(self, kind: str) -> list[Event]:
        """Return the events of one kind."""
        return [event for event in read_run(self.folder).events if event["kind"] == kind]


def limits(low_A: float, high_A: float, low_V: float | None = 2.5) -> Limits:
    """Return the limits of a step."""
    return Limits(low_V, 4.25, low_A, high_A, -10.0, 60.0, 2.0, 3.0)


def rest(seconds: float, name: str = "rest", every_s: float = 1.0) -> Step:
    """Return a rest in which nothing may flow."""
    return Step(name, "rest", (Segment(Order("off"), seconds),), (), seconds, True, every_s, limits(0.0, 0.0, None))


def discharge(current_A: float, cutoff_V: float = 3.0, every_s: float = 1.0, most_s: float = 4 * 3600.0) -> Step:
    """Return a discharge to the cut-off."""
    return Step(
        "down", "discharge", (Segment(Order("discharge", value=current_A), most_s),),
        (End("cutoff", "voltage_V", "<=", cutoff_V),), most_s, False, every_s, limits(-current_A, 0.0),
        cutoff_V=cutoff_V,
    )  # fmt: skip


def plan_of(*steps: Step, **changes: Any) -> Plan:
    """Return a plan of these steps."""
    most_A = max(abs(step.limits.current_low_A or 0.0) for step in steps) or 1.0
    made = Plan(
        "r", "c", "li-ion", steps, 3.0, 1.0, "known", "full", False, 1e5, as_found_low_V=2.5, as_found_high_V=4.25,
        max_current_A=most_A, needs_temperature=True,
        notes=PlanNotes(window=PlanWindow(hard_low_V=2.5, discharge_high_degC=60.0)),
    )  # fmt: skip
    return replace(made, **changes)
