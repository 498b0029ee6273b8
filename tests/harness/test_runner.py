"""Promises of the runner, on an ideal bench with a virtual clock."""

import dataclasses
import itertools
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ideal import BENCH, IdealBench, dead_link

from drivers.errors import IdentityError, InstrumentError
from harness.bench import bench_from_dict
from harness.errors import Refused
from harness.journal import read_run
from harness.persons import ObligingPerson
from harness.plan import End, Limits, Order, Plan, Segment, Step, plan_to_dict
from harness.rig import Rig
from harness.runner import Outcome, Runner, resumable, run_header
from harness.stepping import RESULT_KINDS, Sample, replay

LIMITS = Limits(2.5, 4.25, -1.1, 1.1, 0.0, 45.0, 2.0, 3.0)


def rest(seconds: float = 60.0) -> Step:
    return Step("rest", "rest", (Segment(Order("off"), seconds),), (), seconds, True, 1.0, LIMITS)


def discharge(current_A: float = 0.4, cutoff_V: float = 3.0, bound_s: float = 36000.0, **changes: Any) -> Step:
    step = Step(
        "discharge",
        "discharge",
        (Segment(Order("discharge", value=current_A), bound_s),),
        (End("cutoff", "voltage_V", "<=", cutoff_V),),
        bound_s,
        False,
        10.0,
        LIMITS,
        cutoff_V=cutoff_V,
    )
    return dataclasses.replace(step, **changes)


def charge(current_A: float = 0.5) -> Step:
    return Step(
        "charge",
        "charge",
        (Segment(Order("charge", voltage_V=4.2, current_A=current_A), 36000.0),),
        (End("taper", "current_A", "<=", 0.05),),
        36000.0,
        False,
        10.0,
        LIMITS,
    )


def plan(*steps: Step, **changes: Any) -> Plan:
    made = Plan("night", "c1", "li-ion", steps, 3.0, 2.0, "assumed", "full", False, 1e5, max_current_A=1.0)
    return dataclasses.replace(made, as_found_low_V=2.5, as_found_high_V=4.25, **changes)


def runner(bench: IdealBench, the_plan: Plan, folder: Path, **changes: Any) -> Runner:
    description = bench_from_dict(BENCH)
    header = run_header(
        plan_to_dict(the_plan), {"id": "c1"}, description, folder, the_plan.start, 3.0, "night", bench.clock.utc()
    )
    rig = Rig(description, bench.instruments)
    return Runner(the_plan, rig, bench.clock, folder, header, ObligingPerson(), take_signals=False, **changes)


def night(bench: IdealBench, the_plan: Plan, folder: Path, **changes: Any) -> Outcome:
    outcome = runner(bench, the_plan, folder, **changes).run()
    assert not bench.load_on and not bench.supply_on
    return outcome


def test_a_discharge_gives_the_charge_and_time_of_the_closed_form(tmp_path: Path) -> None:
    # Source: closed form of a linear OCV at constant current (FACTS 11.5, computed):
    # a 3.0, b 1.2, Qn 2.0 Ah, R0 0.1, 0.4 A to 3.000 V: Q 1.93333 Ah, t 4.83333 h.
    bench = IdealBench()
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert (outcome.reason, outcome.exit_code, outcome.safe) == ("cutoff", 0, True)
    run = read_run(tmp_path / "r")
    rows = [row for row in run.iter_rows() if row[1] == 1]
    assert math.isclose((rows[-1][0] - rows[0][0]) / 3600.0, 4.83333, abs_tol=0.004)
    ended = next(event for event in run.events if event["kind"] == "step-ended" and event["step"] == 1)
    assert math.isclose(-ended["charge_Ah"], 1.93333, abs_tol=0.002)


def test_while_energised_a_reading_comes_at_least_every_second(tmp_path: Path) -> None:
    bench = IdealBench()
    night(bench, plan(rest(), discharge(bound_s=36000.0)), tmp_path / "r")
    times = [row[0] for row in read_run(tmp_path / "r").iter_rows() if row[1] == 1]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 1.0 + 1e-6


def test_replaying_a_finished_run_gives_the_same_events_to_the_bit(tmp_path: Path) -> None:
    bench = IdealBench(z=0.6)
    the_plan = plan(rest(), discharge(0.9), rest(), charge(), rest())
    night(bench, the_plan, tmp_path / "r")
    run = read_run(tmp_path / "r")
    told = [
        {key: value for key, value in event.items() if key not in ("t_s", "utc", "after_row")}
        for event in run.events
        if event["kind"] in RESULT_KINDS
    ]
    rows = [Sample(row[0], *row[2:5]) for row in run.iter_rows()]
    _, again = replay(the_plan, run.events, rows)
    assert json.loads(json.dumps(again)) == told
    assert len(told) == 11


def test_what_energises_is_on_disk_before_it_is_sent(tmp_path: Path) -> None:
    bench = IdealBench()
    seen: list[bool] = []

    def fault(call: str) -> None:
        if call == "load.set_input True":
            events = (tmp_path / "r" / "events.jsonl").read_text().splitlines()
            seen.append('"kind":"discharge"' in events[-1])

    bench.fault = fault
    night(bench, plan(rest(), discharge(0.9)), tmp_path / "r")
    assert seen == [True]


def test_charging_closes_at_the_cells_own_voltage_and_ends_by_its_taper(tmp_path: Path) -> None:
    bench = IdealBench(z=0.5)
    outcome = night(bench, plan(rest(), charge(), charges=True), tmp_path / "r")
    assert outcome.reason == "taper"
    at = bench.log.index("supply.set_output True")
    assert bench.log[at - 2] == "supply.set_voltage 3.6" and bench.log[at + 1] == "supply.set_voltage 4.2"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda bench: setattr(bench, "z", -5.0), "the wrong way round"),
        (lambda bench: setattr(bench, "z", -0.6), "below 2.500 V"),
        (lambda bench: setattr(bench, "z", 1.2), "above 4.250 V"),
        (lambda bench: setattr(bench, "z", -2.5), "open lead"),
        (lambda bench: setattr(bench, "supply_on", True), "switched on already"),
    ],
)
def test_a_cell_or_bench_that_is_not_as_it_must_be_is_refused_and_the_folder_says_why(
    tmp_path: Path, change: Callable[[IdealBench], None], words: str
) -> None:
    bench = IdealBench()
    change(bench)
    outcome = night(bench, plan(rest(), discharge()), tmp_path / "r")
    assert outcome.exit_code == 1 and outcome.reason == "guard:as-found"
    assert words in outcome.text
    run = read_run(tmp_path / "r")
    assert run.stopped is not None and words in run.stopped["text"]
    assert not any(event["kind"] == "ordered" for event in run.events)


def test_a_hand_meter_that_disagrees_by_more_than_50_mV_is_believed_before_the_bench(tmp_path: Path) -> None:
    outcome = night(IdealBench(), plan(rest(), discharge()), tmp_path / "r", hand_voltage_V=3.9)
    assert outcome.exit_code == 1 and "hand meter" in outcome.text


def test_the_guard_stops_a_cell_that_grows_hot(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.clock.on_sleep.append(lambda s: setattr(bench, "degC", 20.0 + max(0.0, s - 2000.0) * 0.01))
    outcome = night(bench, plan(rest(), discharge()), tmp_path / "r")
    assert outcome.reason == "guard:temperature-high" and outcome.exit_code == 3
    kinds = [event["kind"] for event in read_run(tmp_path / "r").events]
    assert kinds.index("made-safe") < kinds.index("guard")  # OFF before anything is written about it


def test_a_link_that_dies_for_good_ends_with_instrument_and_can_be_resumed(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.fault = dead_link("load", 500)
    made = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    outcome = made.run()
    assert outcome.reason == "instrument" and outcome.exit_code == 4 and not outcome.safe
    assert "AN OUTPUT MAY STILL BE ON" in outcome.text
    assert bench.load_on  # the fault was real
    before, the_plan = resumable(tmp_path / "r")
    bench.fault = lambda call: None
    bench.clock.sleep(300.0)
    again = runner(bench, the_plan, tmp_path / "r", from_folder=before)
    outcome = again.run()
    assert outcome.reason == "cutoff" and outcome.safe and not bench.load_on
    run = read_run(tmp_path / "r")
    gap = [event for event in run.events if event["kind"] == "gap"][-1]
    assert gap["known"] == "the output was on all the time"
    assert gap["charge_low_Ah"] < -0.4 * 300 / 3600 < gap["charge_high_Ah"]
    ended = next(event for event in run.events if event["kind"] == "step-ended" and event["step"] == 1)
    assert math.isclose(-ended["charge_Ah"], 1.93333, abs_tol=0.01)


def test_a_link_that_comes_back_within_the_allowed_gap_goes_on(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.fault = dead_link("load", 500, for_calls=3)
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert outcome.reason == "cutoff"
    assert any(event["kind"] == "instrument-error" for event in read_run(tmp_path / "r").events)


def test_another_instrument_behind_the_link_ends_the_run(tmp_path: Path) -> None:
    bench = IdealBench()
    dead = dead_link("load", 500, for_calls=1)

    def fault(call: str) -> None:
        dead(call)
        if call == "load.reopen" and bench.load_on:
            raise IdentityError("load: expected IDEAL, found OTHER")

    bench.fault = fault
    outcome = runner(bench, plan(rest(), discharge()), tmp_path / "r").run()
    assert outcome.reason == "instrument" and "OTHER" in outcome.text


def test_an_output_that_does_not_switch_off_at_the_first_try_is_tried_again(tmp_path: Path) -> None:
    bench = IdealBench()
    tries = [0]

    def fault(call: str) -> None:
        if call in ("load.set_input False", "load.make_safe"):
            tries[0] += 1
            if tries[0] < 3:
                raise InstrumentError("load: -200, Execution error")

    bench.fault = fault
    outcome = night(bench, plan(rest(), discharge(0.9), rest()), tmp_path / "r")
    assert tries[0] >= 3 and outcome.safe


def test_a_signal_ends_orderly_and_the_run_can_be_resumed_to_the_same_charge(tmp_path: Path) -> None:
    bench = IdealBench()
    made = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    bench.clock.on_sleep.append(lambda s: setattr(made, "signalled", "SIGINT" if s > 5000.0 else ""))
    outcome = made.run()
    assert outcome.reason == "interrupted" and outcome.exit_code == 130 and not bench.load_on
    bench.clock.on_sleep.clear()
    bench.clock.sleep(7200.0)
    before, the_plan = resumable(tmp_path / "r")
    outcome = runner(bench, the_plan, tmp_path / "r", from_folder=before).run()
    assert outcome.reason == "cutoff"
    ended = next(e for e in read_run(tmp_path / "r").events if e["kind"] == "step-ended" and e["step"] == 1)
    assert math.isclose(-ended["charge_Ah"], 1.93333, abs_tol=0.003)


def test_another_cell_after_an_interruption_is_a_question_not_a_guess(tmp_path: Path) -> None:
    bench = IdealBench()
    made = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    bench.clock.on_sleep.append(lambda s: setattr(made, "signalled", "SIGTERM" if s > 9000.0 else ""))
    assert made.run().exit_code == 143
    bench.clock.on_sleep.clear()
    bench.z = 0.05
    before, the_plan = resumable(tmp_path / "r")
    with pytest.raises(Refused, match="same cell"):
        runner(bench, the_plan, tmp_path / "r", from_folder=before).run()
    assert not bench.load_on


def test_a_full_disk_never_delays_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = IdealBench()
    made = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    fired = []

    def full(s: float) -> None:
        if s > 5000.0 and made.journal is not None and not fired:
            fired.append(s)

            def append(*_: Any, **__: Any) -> None:
                raise OSError(28, "No space left on device")

            monkeypatch.setattr(made.journal, "append_row", append)
            monkeypatch.setattr(made.journal, "append_event", append)

    bench.clock.on_sleep.append(full)
    outcome = made.run()
    assert fired and not bench.load_on
    assert outcome.exit_code == 130 and "No space left" in outcome.text


def test_a_suspend_is_recorded_as_a_gap_and_stops_an_energised_run(tmp_path: Path) -> None:
    bench = IdealBench()
    done = []

    def suspend(s: float) -> None:
        if s > 5000.0 and not done:
            done.append(s)
            bench.clock.s += 900.0

    bench.clock.on_sleep.append(suspend)
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert outcome.reason == "guard:no-reading"
    gap = next(event for event in read_run(tmp_path / "r").events if event["kind"] == "gap")
    assert math.isclose(gap["to_s"] - gap["from_s"], 901.0, abs_tol=1.5)


def test_a_finished_run_cannot_be_resumed(tmp_path: Path) -> None:
    night(IdealBench(), plan(rest(), discharge(0.9)), tmp_path / "r")
    with pytest.raises(Exception, match="finished run cannot be resumed"):
        resumable(tmp_path / "r")
