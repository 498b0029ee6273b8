"""Promises of the guard on the simulated bench: sick cells beside sound ones, through runner and resume.

The cells err like real ones (`drivers.simulated.cell.real_spec`, `populations.draw_cell`).
"""

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from amphora.drivers.errors import LinkError
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import Short, SimulatedCell, real_spec
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.run_folder import resumable, run_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.control.guard import refold, watch_of
from amphora.harness.plans.plan import End, Limits, Order, Plan, PlanNotes, PlanWindow, Segment, Step, plan_to_dict
from amphora.harness.running.resuming import readings_of
from amphora.harness.running.runner import Outcome, Runner
from amphora.harness.running.session import Request, make_plan, with_zero_rest
from tests.support.simulation.populations import draw_cell


class Night:
    """One cell, one recipe, one folder."""

    def __init__(self, logs: Path, cell: SimulatedCell, recipe: str | None, **asked: Any) -> None:
        self.bench = SimulatedBench("li-ion", 7, cell=cell)
        self.described = bench_from_dict(self.bench.description)
        self.folder = logs / "c" / "run"
        record = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}
        Shelf(logs).add(Cell.from_dict(record))
        self.plan: Plan
        if recipe is None:
            self.plan = asked["plan"]
        else:
            request = Request("c", recipe, logs, present=True, **asked)
            self.plan, _ = make_plan(request, self.described, self.bench.clock.utc(), {})
        self.header = run_header(
            plan_to_dict(self.plan), record, self.described, self.folder, "unknown", 3.0, "r", self.bench.clock.utc()
        )
        self.calls: list[tuple[str, str]] = []

    def runner(self, **changes: Any) -> Runner:
        rig = Rig(self.described, self.bench.instruments)
        person = ObligingPerson(hands=self.bench.asked)
        return Runner(
            self.plan, rig, self.bench.clock, self.folder, self.header, person, take_signals=False,
            alarm=lambda kind, text: self.calls.append((kind, text)), **changes,
        )  # fmt: skip

    def run(self) -> Outcome:
        return self._see(self.runner())

    def resume(self) -> Outcome:
        before, _ = resumable(self.folder)
        return self._see(self.runner(from_folder=before))

    def _see(self, made: Runner) -> Outcome:
        outcome = made.run()
        assert not self.bench.load.on and not self.bench.supply.on
        run = read_run(self.folder)
        watch = watch_of(self.plan, run.run["measurement"])
        assert refold(watch, run.events, readings_of(run)) == made.so_far.memory  # what a resume will know
        return outcome

    def events(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in read_run(self.folder).events if event["kind"] == kind]


def sound(soc: float, **changes: Any) -> SimulatedCell:
    return SimulatedCell(replace(real_spec("li-ion", 1.05), **changes), soc)


@pytest.mark.parametrize("ohm", [5.0, 8.0])
def test_a_short_that_appears_in_a_charge_is_found_within_minutes(tmp_path: Path, ohm: float) -> None:
    # before: 3.85 to 2.08 V under 0.4 A of charge, below 2.8 V for 2 h; only the supply's timer ended it
    night = Night(tmp_path, sound(0.2, shorts=(Short(ohm, from_s=2400.0),)), "charge", capacity_Ah=1.0)
    outcome = night.run()
    assert outcome.reason in ("guard:voltage-falls", "guard:short-inside", "guard:temperature-rate"), outcome.text
    ended_s = night.events("guard")[0]["t_s"]
    assert 2400.0 < ended_s < 2400.0 + 600.0
    lowest = min(row[2] or 9.0 for row in read_run(night.folder).iter_rows() if row[0] > 600.0)
    assert lowest > 3.3


def test_the_same_charge_without_a_short_ends_by_its_taper(tmp_path: Path) -> None:
    assert Night(tmp_path, sound(0.5), "charge", capacity_Ah=1.0).run().reason == "taper"


def at_1_It(capacity_Ah: float) -> Plan:
    current_A = round(capacity_Ah, 3)
    limits = Limits(2.5, 4.2, -current_A, 0.0, -10.0, 60.0, 2.0, 2.0 * capacity_Ah)
    rest = Step(
        "rest", "rest", (Segment(Order("off"), 600.0),), (), 600.0, True, 5.0, replace(limits, voltage_low_V=None)
    )
    down = Step(
        "down", "discharge", (Segment(Order("discharge", value=current_A), 7200.0),),
        (End("cutoff", "voltage_V", "<=", 3.0),), 7200.0, False, 1.0, limits, cutoff_V=3.0,
    )  # fmt: skip
    made = Plan(
        "r", "c", "li-ion", (rest, down, replace(rest, name="after")), 3.0, capacity_Ah, "known", "full", False, 1e5,
        as_found_low_V=2.5, as_found_high_V=4.25, max_current_A=current_A, needs_temperature=True,
        notes=PlanNotes(window=PlanWindow(hard_low_V=2.5, discharge_high_degC=60.0)),
    )  # fmt: skip
    return with_zero_rest(made)


def test_a_sound_cell_at_1_It_rises_by_13_to_17_kelvin_and_goes_on(tmp_path: Path) -> None:
    # 13 to 17 K, bare 18650 in room air at 1 It (measured)
    rises = []
    for seed in (11, 12):
        drawn = draw_cell(random.Random(seed), "li-ion", "healthy", soc=1.0)
        plan = at_1_It(drawn.truth["inner_capacity_Ah"])
        night = Night(tmp_path / str(seed), drawn.cell, None, plan=plan)
        assert night.run().reason == "cutoff"
        warm = [row[4] or 0.0 for row in read_run(night.folder).iter_rows()]
        rises.append(max(warm) - warm[0])
    assert max(rises) > 10.0, rises


def test_heat_that_grows_in_an_unattended_discharge_ends_it(tmp_path: Path) -> None:
    # before: 59.6 degC, 39 K above the start, ended as "cutoff"
    night = Night(tmp_path, sound(1.0), "overnight", capacity_Ah=1.0, start="declared-full")
    for minute in range(40):
        watts = 0.05 * minute
        night.bench.at(
            3600.0 + 60.0 * minute, "heat", lambda bench, watts=watts: setattr(bench.cell, "extra_heat_W", watts)
        )
    outcome = night.run()
    assert outcome.reason in ("guard:temperature-rise", "guard:temperature-rate") and outcome.final
    assert max(row[4] or 0.0 for row in read_run(night.folder).iter_rows()) < 36.5


def test_no_current_flows_into_a_cell_below_zero(tmp_path: Path) -> None:
    cell = sound(0.5)
    night = Night(tmp_path, cell, "charge", capacity_Ah=1.0)

    def out_in_the_cold(bench: SimulatedBench) -> None:
        cell.ambient_degC = cell.temperature_degC = -0.6

    night.bench.at(60.0, "cold", out_in_the_cold)
    outcome = night.run()
    assert outcome.reason == "guard:too-cold" and not outcome.final
    assert not [event for event in night.events("ordered") if event["order"]["kind"] == "charge"]
    cell.ambient_degC = cell.temperature_degC = 20.0  # carried into the room
    assert night.resume().reason == "taper"


def test_a_rest_of_days_that_something_drains_is_ended_before_the_cell_is_ruined(tmp_path: Path) -> None:
    # before: 2.82, 2.42, 2.02 V in 'retention', and no event
    cell = sound(0.5)
    cell.leak_A = 0.05  # nobody measures it
    night = Night(tmp_path, cell, "retention")
    outcome = night.run()
    assert outcome.reason in ("guard:falls-at-rest", "guard:voltage-low") and outcome.exit_code == 3
    assert cell.voltage(0.0) > 2.44
    assert night.calls[-1][0] == "stop" and "bleeder" in night.calls[-1][1]


def test_the_rest_of_days_of_a_sound_cell_goes_to_its_end(tmp_path: Path) -> None:
    assert Night(tmp_path, sound(0.5), "retention").run().reason == "time"


# -- what a person can put right is not the end -----------------------------------------------------------------


def pulled_thermometer(night: Night) -> Callable[[], None]:
    night.bench.at(4000.0, "pulled", lambda bench: setattr(bench.thermometer, "read", dict))
    kept = night.bench.thermometer.read
    return lambda: setattr(night.bench.thermometer, "read", kept)


def open_lead(night: Night) -> Callable[[], None]:
    night.bench.at(4000.0, "open", lambda bench: setattr(bench.cell, "open", True))
    return lambda: setattr(night.bench.cell, "open", False)


def mute_load(night: Night) -> Callable[[], None]:
    def silent(instrument: Any, what: str) -> None:
        if what.startswith("read"):
            raise LinkError("load: no answer within 1 s")

    kept = night.bench.load.fault
    night.bench.at(4000.0, "mute", lambda bench: setattr(bench.load, "fault", silent))
    return lambda: setattr(night.bench.load, "fault", kept)


@pytest.mark.parametrize(
    ("trouble", "reason"),
    [(pulled_thermometer, "guard:temperature-lost"), (open_lead, "guard:voltage-lost"), (mute_load, "instrument")],
)
def test_a_sensor_a_lead_and_a_mute_instrument_are_put_right_and_the_night_goes_on(
    tmp_path: Path, trouble: Callable[[Night], Callable[[], None]], reason: str
) -> None:
    night = Night(tmp_path, sound(1.0), "overnight", capacity_Ah=1.0, start="declared-full")
    put_right = trouble(night)
    outcome = night.run()
    assert outcome.reason == reason and not outcome.final, outcome.text
    put_right()
    night.bench.clock.sleep(600.0)
    outcome = night.resume()
    assert outcome.reason == "cutoff" and outcome.final
    given = next(event for event in night.events("step-ended") if event["reason"] == "cutoff")
    assert 0.9 < -given["charge_Ah"] < 1.1
    assert Shelf(tmp_path).get("c").state == "found"


def test_a_pre_charge_that_is_cut_short_and_gone_on_with_stops_where_a_whole_one_does(tmp_path: Path) -> None:
    # before: stopped at 5.0 K when whole; cut short at 4.5 K and gone on with, the same cell warmed by 9.3 K
    def warming(folder: Path) -> Night:
        cell = sound(0.012)
        night = Night(folder, cell, "charge", capacity_Ah=1.0)
        night.bench.at(400.0, "heat", lambda bench: setattr(bench.cell, "extra_heat_W", 0.6))
        return night

    def warmest_K(night: Night) -> float:
        rows = [row for row in read_run(night.folder).iter_rows() if row[4] is not None]
        first = next(row[4] for row in rows if row[3] and row[3] > 0.02)
        return max(row[4] for row in rows) - first  # type: ignore[type-var, operator]

    whole = warming(tmp_path / "whole")
    outcome = whole.run()
    if outcome.reason != "guard:temperature-rise":
        pytest.fail(f"the pre-charge ended with {outcome.reason}: {outcome.text}")
    cut = warming(tmp_path / "cut")
    made = cut.runner()
    for at_s in range(0, 20000, 30):
        cut.bench.at(
            float(at_s), "cut",
            lambda bench, signals=made.signals: setattr(
                signals, "name", "SIGINT" if bench.cell.temperature_degC > 24.5 else ""
            ),
        )  # fmt: skip
    assert cut._see(made).reason == "interrupted"
    assert 4.0 < warmest_K(cut) < 5.0
    outcome = cut.resume()
    assert outcome.reason == "guard:temperature-rise" and outcome.final
    assert warmest_K(cut) < 5.5
