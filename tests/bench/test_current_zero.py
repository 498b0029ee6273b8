"""Promises of the current zero: taken in the first rest, told in plain words, refused where it is none."""

import math
from pathlib import Path
from typing import Any

import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.current_zero import InstrumentZero, Zeros, judge_zero, zeros_of
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import Request, carry_out, make_plan, open_rig


def taken(values: list[float]) -> Zeros:
    made = Zeros(("load",))
    for second, value in enumerate(values):
        made.note(float(second), {"load": {"current_A": value}})
    return made


def test_mean_and_standard_uncertainty_are_those_of_the_guide() -> None:
    # Source: JCGM 100:2008, 4.2.3 and F.2.2.1, computed by hand: s = 1.5811 mA over five, digit 0.1 mA.
    (zero,) = zeros_of(taken([0.001, 0.002, 0.003, 0.004, 0.005]), {"load": 0.0001})
    assert zero.current_A == pytest.approx(0.003)
    assert zero.standard_uncertainty_A == pytest.approx(math.sqrt(2.5e-6 / 5 + 1e-8 / 12))
    assert (zero.readings, zero.duration_s) == (5, 4.0)


def test_one_garbled_reading_does_not_go_on_through_the_night() -> None:
    noise = [0.0010, 0.0011, 0.0009, 0.0010, 0.0012, 0.0008] * 10
    (zero,) = zeros_of(taken([*noise, 0.150]), {"load": 0.0001})
    assert zero.current_A == pytest.approx(0.0010, abs=1e-6)
    assert (zero.readings, zero.left_out) == (60, 1)
    (stands,) = zeros_of(taken([0.001] * 59 + [0.151]), {})  # a display that does not move
    assert (stands.current_A, stands.left_out) == (0.001, 1)


def test_fewer_than_five_readings_make_no_zero() -> None:
    made = taken([0.001] * 4)
    assert not made.enough and zeros_of(made, {}) == []


@pytest.mark.parametrize(
    ("zero_A", "offset_A", "verdict"),
    [
        (0.001, 0.0015, "fine"),
        (-0.0014, 0.0015, "fine"),
        (0.003, 0.0015, "warn"),
        (0.0051, 0.0001, "refuse"),  # never below 5 mA: 50 mAh in ten hours
        (0.0049, 0.0001, "warn"),
        (0.0076, 0.0015, "refuse"),  # five times what is specified
        (0.0199, 0.010, "warn"),
        (-0.0201, 0.010, "refuse"),  # never above 20 mA, whatever is specified
    ],
)
def test_a_zero_is_judged_by_the_specification(zero_A: float, offset_A: float, verdict: str) -> None:
    said, text = judge_zero(InstrumentZero("load", zero_A, 1e-5, 60, 59.0), offset_A, False)
    assert said == verdict
    assert "load shows" in text and "60 readings in 59 s" in text
    assert ("Likely" in text) == (verdict == "refuse")


def night(tmp_path: Path, spoil: Any = None, profile: str = "overnight") -> tuple[Outcome, RunFolder, list[str]]:
    """Run a recipe on a simulated bench that was spoiled before; return how it ended, its folder, what was told."""
    bench = SimulatedBench("worn-out", 5, start_soc=1.0)
    if spoil is not None:
        spoil(bench)
    described = bench_from_dict(bench.description, "simulated")
    Shelf(tmp_path).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion"}))
    request = Request("c", profile, tmp_path, start="declared-full", current_A=0.2, capacity_Ah=0.5, present=True)
    rig = open_rig(described, bench.clock, lambda name, table, clock: bench.instruments[name])
    told: list[str] = []
    person = ObligingPerson(hands=bench.asked)
    outcome = carry_out(request, described, rig, bench.clock, person, tell=told.append, guarded=False)
    return outcome, read_run(outcome.folder), told


def zeros_in(run: RunFolder) -> dict[str, dict[str, Any]]:
    return {event["instrument"]: event for event in run.events if event["kind"] == "current-zero"}


def test_the_zero_of_each_instrument_is_taken_before_the_first_order_and_told(tmp_path: Path) -> None:
    def offset(bench: SimulatedBench) -> None:
        bench.load.current.offset = 0.0012

    outcome, run, told = night(tmp_path, offset)
    assert outcome.exit_code == 0
    found = zeros_in(run)
    assert set(found) == {"load", "supply"}
    zero = found["load"]
    assert zero["current_A"] == pytest.approx(0.0012, abs=5e-5)
    assert zero["duration_s"] >= 60.0 and zero["readings"] >= 60
    assert 0.0 < zero["standard_uncertainty_A"] < 1e-4
    kinds = [event["kind"] for event in run.events]
    energised = next(
        index for index, event in enumerate(run.events)
        if event["kind"] == "ordered" and event["order"]["kind"] == "discharge"
    )  # fmt: skip
    assert kinds.index("current-zero") < energised
    assert any(line.startswith("current zero: load shows +1.2") and "mAh in ten hours" in line for line in told)


def test_no_night_gets_longer_by_it() -> None:
    described = bench_from_dict(SimulatedBench().description, "simulated")
    from tests.support.plans import build_plan

    record = {"id": "c", "form": "18650", "chemistry": "li-ion"}
    bare = build_plan("overnight", record, dict(described.data))
    assert bare.steps[0].kind == "rest" and bare.steps[0].max_duration_s >= 60.0
    from amphora.harness.running.session import with_zero_rest

    made = with_zero_rest(bare)
    assert made.max_duration_s == bare.max_duration_s
    assert len(made.steps) == len(bare.steps)
    assert made.steps[0].sample_interval_s == 1.0


def test_a_zero_beyond_the_specification_is_a_warning(tmp_path: Path) -> None:
    def offset(bench: SimulatedBench) -> None:
        bench.load.current.offset = 0.004  # 1.5 mA are specified

    outcome, run, told = night(tmp_path, offset)
    assert outcome.exit_code == 0
    assert zeros_in(run)["load"]["verdict"] == "warn"
    assert any(line.startswith("! current zero: load") for line in told)


@pytest.mark.parametrize(
    ("offset_A", "said", "code"),
    # More than what may still be called off (the same limit): nobody can say that all is off.
    [(0.009, "flows although", 4), (0.030, "flows although", 4)],
)
def test_a_zero_that_is_none_is_refused_and_names_what_it_may_be(
    tmp_path: Path, offset_A: float, said: str, code: int
) -> None:
    def offset(bench: SimulatedBench) -> None:
        bench.load.current.offset = offset_A

    outcome, run, _ = night(tmp_path, offset)
    assert (outcome.reason, outcome.exit_code, outcome.safe) == ("guard:as-found", code, code == 3)
    assert said in outcome.text and "Likely" in outcome.text and "load" in outcome.text
    assert not any(event["kind"] == "ordered" and event["order"]["kind"] == "discharge" for event in run.events)


def test_a_bleeder_that_drains_the_cell_is_refused_as_such(tmp_path: Path) -> None:
    def bleed(bench: SimulatedBench) -> None:
        bench.supply.bleed_A = 0.012

    outcome, _, _ = night(tmp_path, bleed)
    assert (outcome.reason, outcome.exit_code) == ("guard:as-found", 4)
    assert "a bleeder" in outcome.text and "supply" in outcome.text


def test_a_current_that_is_reckoned_from_the_voltage_has_no_zero() -> None:
    described = bench_from_dict(
        {"name": "b", "instruments": {"logger": {"role": "logger", "port": "x", "shunt": "10 ohm"}}}, "bench"
    )
    from amphora.harness.bench.opened import Rig

    class Logger:
        name, role = "logger", "logger"

        def read(self) -> dict[str, float]:
            return {"voltage_V": 3.7, "current_A": -0.37}

    rig = Rig(described, {"logger": Logger()})  # type: ignore[dict-item]
    rig.read(False)
    assert rig.measured_currents() == ()


def test_the_plan_tells_how_the_proofs_of_the_bench_stand(tmp_path: Path) -> None:
    Shelf(tmp_path).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion"}))
    bench = SimulatedBench()
    described = bench_from_dict(bench.description, "simulated")
    plan, _ = make_plan(Request("c", "overnight", tmp_path), described, bench.clock.utc())
    said = " ".join(plan.notes.proofs)
    assert "never tested on this bench" in said and "not measured this evening" in said
    assert "thermometer: not proven this evening" in said
