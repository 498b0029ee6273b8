"""A night that may end before its cut-off: a pure fold over the plan; a sick cell and a healthy one side by side."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from programs import run_inside
from virtual_bag import BEGIN, Killed

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell, real_spec
from amphora.drivers.simulated.clock import VirtualClock
from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_of
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.control.replay import replay
from amphora.harness.control.step_records import Sample
from amphora.harness.decisions.comparison import compare
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.grades import grade_runs
from amphora.harness.decisions.purpose import settled_by
from amphora.harness.plans import steps as plan_steps
from amphora.harness.plans.plan import plan_from_dict, plan_to_dict
from amphora.harness.plans.recipe import load_recipe, recipe_names
from amphora.harness.plans.settled import RESERVE, RESISTANCE_MARGIN, Settled, may_end_early, with_settled
from amphora.harness.report.label import label_content
from amphora.harness.running.session import Request, carry_out, go_on, open_rig
from tests.support.plans import build_plan

CELL = {"id": "A1", "chemistry": "li-ion", "form": "18650"}
LAMP = Settled("path light", need_Ah=0.2, rail_V=3.2, worst_ohm=1.0)


def overnight() -> Any:
    return build_plan("overnight", CELL, None, start="full")


def test_nothing_ends_early_unless_somebody_asks_for_it() -> None:
    plain = overnight()
    assert not any(end.finishes for step in plain.steps for end in step.ends)
    assert "finishes" not in str(plan_to_dict(plain))
    asked = with_settled(plain, LAMP)
    assert [step.ends for step in asked.steps if step.kind != "discharge"] == [
        step.ends for step in plain.steps if step.kind != "discharge"
    ]
    assert plan_from_dict(plan_to_dict(asked)).steps == asked.steps  # a resumed run has the same ends
    assert "no capacity" in asked.warnings[-1]


def test_the_limits_are_these() -> None:
    assert (RESERVE, RESISTANCE_MARGIN) == (1.25, 1.2)
    ends = {end.quantity: end for step in with_settled(overnight(), LAMP).steps for end in step.ends if end.finishes}
    assert ends["charge_Ah"].value == pytest.approx(0.25) and ends["charge_Ah"].at == ">="
    assert ends["load_step_ohm"].value == pytest.approx(1.2) and ends["load_step_ohm"].at == ">="
    assert ends["voltage_V"].value == 3.2 and ends["voltage_V"].at == "<="
    at_the_cutoff = with_settled(overnight(), replace(LAMP, rail_V=3.0))
    assert not any(end.finishes and end.quantity == "voltage_V" for step in at_the_cutoff.steps for end in step.ends)


def test_recipes_without_a_plain_discharge_to_the_cutoff_are_refused_by_name() -> None:
    assert [name for name in recipe_names() if may_end_early(load_recipe(name))] == ["overnight"]
    for name in ("charge", "load-steps", "storage"):
        with pytest.raises(InputError, match="--stop-when-settled: the recipe " + name):
            with_settled(build_plan(name, CELL, None, start="full", present=True), LAMP)


def test_what_settles_comes_from_the_grades_or_the_duty() -> None:
    cell = Cell("A1", form="18650", chemistry="li-ion")
    any_grade, lamp = settled_by(cell, None), settled_by(cell, "path-light")
    assert any_grade.need_Ah is None and any_grade.rail_V is None
    assert any_grade.worst_ohm == pytest.approx(0.20 * 3.6 / 0.5, rel=0.05)  # "bench only": 20 % of nominal at 500 mA
    assert lamp.purpose == "path light" and lamp.rail_V == 3.0
    assert lamp.need_Ah == pytest.approx(0.08 * 2 + 0.08 * 0.15 * 8 + 60e-6 * 24)


class Night:
    """One night of one cell on the virtual clock."""

    def __init__(self, logs: Path, name: str, ohm: float = 0.0, capacity_Ah: float = 0.9) -> None:
        spec = real_spec("li-ion", capacity_Ah, health=0.9)
        self.cell = SimulatedCell(replace(spec, r0_ohm=spec.r0_ohm + ohm), 1.0)
        self.logs, self.name = logs, name
        record = Cell(name, form="18650", chemistry="li-ion", mass_g=44.5, as_found_V=4.18)
        Shelf(logs).add(replace(record, as_found_utc=(BEGIN - timedelta(hours=1)).isoformat()))
        self.clock = VirtualClock(BEGIN)
        self.bench = SimulatedBench(cell=self.cell, seed=3, clock=self.clock, leads="relay", room=True)
        self.description = bench_from_dict(self.bench.description, "simulated")

    def _rig(self) -> Any:
        return open_rig(self.description, self.clock, lambda name, table, clock: self.bench.instruments[name])

    def run(self, settled: Settled | None) -> Path:
        request = Request(self.name, "overnight", self.logs, start="declared-full", settled=settled)
        nobody: Any = type("Nobody", (), {"present": False, "answered": lambda self: False})()
        outcome = carry_out(request, self.description, self._rig(), self.clock, nobody, guarded=False)
        if outcome.reason == "interrupted":
            outcome = go_on(outcome.folder, self.description, self._rig(), self.clock, nobody, guarded=False)
        assert not self.bench.load.on and not self.bench.supply.on
        return Path(outcome.folder)


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    logs = tmp_path_factory.mktemp("settled") / "logs"
    assert issubclass(Killed, BaseException)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 5.0)
        patch.setattr(plan_steps, "REST_INTERVAL_S", 60.0)
        found = {
            "healthy": Night(logs, "healthy").run(LAMP),
            "sick": Night(logs, "sick", ohm=1.3).run(LAMP),
            "empty soon": Night(logs, "small", capacity_Ah=0.16).run(LAMP),
            "not asked": Night(logs, "plain", capacity_Ah=0.4).run(None),
        }
        cut = Night(logs, "cut")
        cut.bench.at(3000.0, "person", _ctrl_c)
        found["cut short"] = cut.run(LAMP)
    return found


def _ctrl_c(_: object = None) -> None:
    raise KeyboardInterrupt


def settled_end(folder: Path) -> tuple[str, float]:
    ends = [event for event in read_run(folder).events if event["kind"] == "step-ended"]
    return str(ends[-1]["text"]), abs(float(ends[-1]["charge_Ah"]))


def test_a_healthy_cell_ends_when_it_has_given_enough_and_a_sick_one_beside_it_by_its_resistance(
    nights: dict[str, Path],
) -> None:
    text, gave_Ah = settled_end(nights["healthy"])
    assert "it has given 250 mAh: enough for path light" in text and gave_Ah == pytest.approx(0.25, abs=0.002)
    text, gave_Ah = settled_end(nights["sick"])
    assert "load steps show more than 1200 mΩ" in text and gave_Ah < 0.005
    text, gave_Ah = settled_end(nights["empty soon"])
    assert "fell to 3.2 V" in text and gave_Ah < 0.25


def test_who_did_not_ask_gets_the_whole_night(nights: dict[str, Path]) -> None:
    found = analyse_run(nights["not asked"])
    assert found.reached_cutoff and found.complete
    assert not any(item.code == "settled-early" for item in found.warnings)


@pytest.mark.parametrize("name", ["healthy", "sick", "empty soon", "cut short"])
def test_it_is_no_capacity_wherever_it_is_read(nights: dict[str, Path], name: str) -> None:
    folder = nights[name]
    found = analyse_run(folder)
    assert "settled-early" in [item.code for item in found.warnings]
    assert not found.complete and not found.reached_cutoff
    assert "no capacity" in next(item.text for item in found.warnings if item.code == "settled-early")
    shelf = Shelf(folder.parent.parent)
    cell = shelf.get(folder.parent.name)
    assert standing_of(shelf, cell.id).capacity_Ah is None and cell.state == "found"
    assert grade_runs([(found, cell)], load_criteria("general"))[0].grade is None
    label = " ".join(map(str, label_content(cell, found).lines))
    assert "capacity not known" in label and "mAh" not in label
    compared = compare([folder]).cells[0]
    assert compared.capacity_Ah is None and compared.rank is None
    shown = run_inside("certify", str(folder), "--out", str(folder / "c.pdf"))
    assert shown.returncode != 0 and not (folder / "c.pdf").exists()


def test_a_run_that_was_cut_short_and_gone_on_with_ends_by_the_same_end(nights: dict[str, Path]) -> None:
    events = read_run(nights["cut short"]).events
    assert any(event["kind"] == "resumed" for event in events)
    text, gave_Ah = settled_end(nights["cut short"])
    assert "enough for path light" in text and gave_Ah == pytest.approx(0.25, abs=0.004)


@pytest.mark.parametrize("name", ["healthy", "sick", "empty soon", "cut short"])
def test_the_journal_folded_again_ends_it_alike(nights: dict[str, Path], name: str) -> None:
    run = read_run(nights[name])
    rows = [Sample(*row) for row in _samples(nights[name])]
    state, told = replay(plan_from_dict(run.run["plan"]), list(run.events), rows)
    assert state.finished == "condition"
    ends = [event for event in run.events if event["kind"] == "step-ended"]
    assert [event["text"] for event in told if event["kind"] == "step-ended"] == [event["text"] for event in ends]


def _samples(folder: Path) -> list[tuple[float, float | None, float | None, float | None]]:
    import csv

    with (folder / "samples.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = ("voltage_V", "current_A", "temperature_degC")
    return [(float(row["t_s"]), *(float(row[name]) if row[name] else None for name in names)) for row in rows]  # type: ignore[misc]


def test_for_goes_with_the_option_it_belongs_to(tmp_path: Path) -> None:
    run_inside("cell", "add", "A1", "--form", "18650", "--chemistry", "li-ion", "--logs", str(tmp_path))
    said = run_inside("plan", "--cell", "A1", "--profile", "overnight", "--for", "path-light", "--logs", str(tmp_path))
    assert said.returncode == 2 and "goes with --stop-when-settled" in said.stderr
