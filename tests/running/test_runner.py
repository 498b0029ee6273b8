"""Promises of the runner, on an ideal bench with a virtual clock."""

import dataclasses
import itertools
import math
import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from ideal import BENCH, IdealBench, IdealInstrument, dead_link

from amphora.drivers.errors import IdentityError, InstrumentError, LinkError
from amphora.drivers.roles import Abilities, SafeState
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.run_folder import resumable, run_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import BenchError, JournalDamaged, Refused
from amphora.harness.control.events import Event, stamped
from amphora.harness.control.replay import RESULT_KINDS, replay
from amphora.harness.control.step_records import Sample
from amphora.harness.plans.plan import End, Limits, Order, Plan, PlanNotes, PlanWindow, Segment, Step, plan_to_dict
from amphora.harness.running.runner import Outcome, Runner
from amphora.harness.running.session import Request, make_plan

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


def runner(
    bench: IdealBench, the_plan: Plan, folder: Path, described: Mapping[str, Any] = BENCH, **changes: Any
) -> Runner:
    description = bench_from_dict(described)
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
    told = [stamped(event, 0.0, "", 0) for event in run.events if event.kind in RESULT_KINDS]
    rows = [Sample(row[0], *row[2:5]) for row in run.iter_rows()]
    _, again = replay(the_plan, run.events, rows)
    assert again == told
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
    assert outcome.exit_code == 3 and outcome.reason == "guard:as-found"
    assert words in outcome.text
    run = read_run(tmp_path / "r")
    assert run.stopped is not None and words in run.stopped["text"]
    assert not any(event["kind"] == "ordered" for event in run.events)


def test_a_hand_meter_that_disagrees_by_more_than_50_mV_is_believed_before_the_bench(tmp_path: Path) -> None:
    outcome = night(IdealBench(), plan(rest(), discharge()), tmp_path / "r", hand_voltage_V=3.9)
    assert outcome.exit_code == 3 and "hand meter" in outcome.text


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


def test_one_late_answer_in_a_rest_with_sparse_readings_ends_no_night(tmp_path: Path) -> None:
    bench = IdealBench()
    sparse = dataclasses.replace(rest(3600.0), sample_interval_s=10.0)
    fired: list[float] = []

    def fault(call: str) -> None:
        if call == "load.read" and bench.clock.s > 2000.0 and not fired:
            bench.clock.sleep(5.0)
            fired.append(bench.clock.s)
            raise LinkError("load: no answer to read within 5 s")

    bench.fault = fault
    outcome = night(bench, plan(sparse), tmp_path / "r")
    assert fired and outcome.reason == "time", outcome.text


def test_a_link_that_is_dead_in_a_rest_ends_the_run_all_the_same(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.fault = dead_link("load", 100)
    sparse = dataclasses.replace(rest(3600.0), sample_interval_s=10.0)
    outcome = runner(bench, plan(sparse), tmp_path / "r").run()
    assert outcome.reason == "instrument"
    last_s = list(read_run(tmp_path / "r").iter_rows())[-1][0]
    assert events_of(tmp_path / "r", "stopped")[0]["t_s"] - last_s < 30.0


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
    bench.clock.on_sleep.append(lambda s: setattr(made.signals, "name", "SIGINT" if s > 5000.0 else ""))
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
    bench.clock.on_sleep.append(lambda s: setattr(made.signals, "name", "SIGTERM" if s > 9000.0 else ""))
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
        if s > 5000.0 and made.so_far.journal is not None and not fired:
            fired.append(s)

            def append(*_: Any, **__: Any) -> None:
                raise OSError(28, "No space left on device")

            monkeypatch.setattr(made.so_far.journal, "append_row", append)
            monkeypatch.setattr(made.so_far.journal, "append_event", append)

    bench.clock.on_sleep.append(full)
    outcome = made.run()
    assert fired and not bench.load_on
    assert outcome.exit_code == 2 and "No space left" in outcome.text


def test_a_guard_stop_that_a_full_disk_will_not_take_is_still_what_stopped_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = IdealBench()
    made = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    refused = []

    def hot(s: float) -> None:
        if s > 5000.0 and made.so_far.journal is not None and not refused:
            bench.degC = 60.0

            def append(event: Event, *_: Any, **__: Any) -> None:
                refused.append(event.kind)
                raise OSError(28, "No space left on device")

            monkeypatch.setattr(made.so_far.journal, "append_event", append)

    bench.clock.on_sleep.append(hot)
    outcome = made.run()
    assert "guard" in refused and not bench.load_on
    assert outcome.reason == "guard:temperature-high" and outcome.exit_code == 3
    assert "60.0 °C" in outcome.text and "No space left" in outcome.text


def test_a_sensor_that_breaks_when_all_is_off_is_told_and_the_run_ends_as_it_would(tmp_path: Path) -> None:
    bench = IdealBench()
    at_rest = dataclasses.replace(rest(600.0), limits=dataclasses.replace(LIMITS, temperature_low_degC=None))
    made = runner(bench, plan(discharge(0.9), at_rest), tmp_path / "r")

    def breaks(s: float) -> None:
        if made.so_far.state.step == 1:
            bench.degC = -242.0

    bench.clock.on_sleep.append(breaks)
    assert made.run().reason == "cutoff"
    told = [event["text"] for event in events_of(tmp_path / "r", "instrument-error")]
    assert len(told) == 1 and "-242.0 °C" in told[0]
    result = analyse_run(tmp_path / "r")
    assert "sensor-broken" in {warning.code for warning in result.warnings}
    assert result.temperature_rise_K == 0.0


def events_of(folder: Path, kind: str) -> list[Event]:
    return [event for event in read_run(folder).events if event["kind"] == kind]


def replays_to_the_bit(folder: Path, the_plan: Plan) -> bool:
    run = read_run(folder)
    told = [stamped(event, 0.0, "", 0) for event in run.events if event.kind in RESULT_KINDS]
    _, again = replay(the_plan, run.events, [Sample(row[0], *row[2:5]) for row in run.iter_rows()])
    return again == told


# -- suspends -------------------------------------------------------------------------------------


def test_after_a_suspend_the_instruments_are_asked_and_the_run_goes_on_with_a_bounded_gap(tmp_path: Path) -> None:
    bench = IdealBench()
    slept = bench.clock.suspend_once(5000.0, 900.0)
    the_plan = plan(rest(), discharge(), rest())
    outcome = night(bench, the_plan, tmp_path / "r")
    assert slept and (outcome.reason, outcome.exit_code) == ("cutoff", 0)
    (gap,) = events_of(tmp_path / "r", "gap")
    assert math.isclose(gap["to_s"] - gap["from_s"], 901.0, abs_tol=1.5)
    assert "asleep for 900 s" in gap["known"]
    passed_Ah = -0.4 * (gap["to_s"] - gap["from_s"]) / 3600.0
    assert gap["charge_low_Ah"] < passed_Ah < gap["charge_high_Ah"] < 0.0
    assert gap["charge_high_Ah"] - gap["charge_low_Ah"] <= 0.1001 * abs(passed_Ah)
    at = bench.log.index("load.read_setup", bench.log.index("load.set_input True"))
    assert bench.log[at : at + 3] == ["load.read_setup", "supply.read_setup", "load.read"]
    # Source: the closed form above; the load drained on in the suspend, and the sum has it.
    (ended,) = [event for event in events_of(tmp_path / "r", "step-ended") if event["step"] == 1]
    assert math.isclose(-ended["charge_Ah"], 1.93333, abs_tol=0.002)
    assert replays_to_the_bit(tmp_path / "r", the_plan)


def test_an_instrument_found_off_after_a_suspend_is_made_safe_named_and_can_be_resumed(tmp_path: Path) -> None:
    bench = IdealBench()
    slept = bench.clock.suspend_once(5000.0, 3600.0)

    def trip(s: float) -> None:
        if slept and bench.load_on and s < slept[0] + 3601.0:
            bench.at_s = s  # off since the suspend began: nothing was drawn
            bench.load_on = False

    bench.clock.on_sleep.append(trip)
    the_plan = plan(rest(), discharge(), rest())
    outcome = night(bench, the_plan, tmp_path / "r")
    assert slept and (outcome.reason, outcome.exit_code) == ("instrument", 4)
    assert "came back switched off" in outcome.text and "asleep for 3600 s" in outcome.text
    before, again_plan = resumable(tmp_path / "r")
    bench.clock.on_sleep.clear()
    outcome = night(bench, again_plan, tmp_path / "r", from_folder=before)
    assert outcome.reason == "cutoff"
    (gap,) = events_of(tmp_path / "r", "gap")
    assert gap["charge_low_Ah"] <= -0.4 and gap["charge_high_Ah"] == 0.0  # it may have been on, or not
    assert replays_to_the_bit(tmp_path / "r", the_plan)


def test_a_cell_beyond_its_window_after_a_suspend_ends_the_run_for_good_and_the_suspend_is_named(
    tmp_path: Path,
) -> None:
    bench = IdealBench(z=0.5)
    slept = bench.clock.suspend_once(3000.0, 5 * 3600.0)
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert slept and (outcome.reason, outcome.exit_code) == ("guard:voltage-low", 3)
    assert "asleep for 18000 s" in outcome.text
    with pytest.raises(Exception, match="cannot be resumed"):
        resumable(tmp_path / "r")


def test_a_step_whose_bound_passed_in_a_suspend_can_be_resumed_and_gets_that_time_back(tmp_path: Path) -> None:
    bench = IdealBench()
    slept = bench.clock.suspend_once(4000.0, 7200.0)
    the_plan = plan(rest(), discharge(0.2, bound_s=10 * 3600.0 - 600.0), rest(), max_duration_s=2e5)
    # 0.2 A empties it in about 9.9 h: the bound is just short of what a night without a suspend needs.
    the_plan = dataclasses.replace(
        the_plan, steps=(the_plan.steps[0], discharge(0.4, bound_s=7000.0, cutoff_V=3.5), the_plan.steps[2])
    )
    outcome = night(bench, the_plan, tmp_path / "r")
    assert slept and (outcome.reason, outcome.exit_code) == ("interrupted", 130)
    assert "upper bound" in outcome.text and "asleep for 7200 s" in outcome.text
    assert events_of(tmp_path / "r", "guard")[0]["check"] == "time"
    before, again_plan = resumable(tmp_path / "r")
    outcome = night(bench, again_plan, tmp_path / "r", from_folder=before)
    assert outcome.reason == "cutoff"
    (ended,) = [event for event in events_of(tmp_path / "r", "step-ended") if event["step"] == 1]
    # Closed form: OCV 3.5 V + 0.04 V at the end, from 4.2 V: z from 1 to 0.45.
    assert math.isclose(-ended["charge_Ah"], 2.0 * (4.2 - 3.54) / 1.2, rel_tol=0.03)
    assert replays_to_the_bit(tmp_path / "r", the_plan)


def test_a_suspend_in_a_rest_is_a_gap_without_charge(tmp_path: Path) -> None:
    bench = IdealBench()
    slept = bench.clock.suspend_once(1030.0, 900.0)
    outcome = night(bench, plan(rest(), discharge(0.9), rest()), tmp_path / "r")
    assert slept and outcome.reason == "cutoff"
    (gap,) = events_of(tmp_path / "r", "gap")
    assert gap["charge_low_Ah"] == gap["charge_high_Ah"] == 0.0 and "nothing was on" in gap["known"]


@pytest.mark.parametrize(("calls", "reason"), [(4, "cutoff"), (10**9, "instrument")])
def test_a_link_that_did_not_survive_a_suspend_is_opened_again(tmp_path: Path, calls: int, reason: str) -> None:
    bench = IdealBench()
    slept = bench.clock.suspend_once(5000.0, 900.0)
    failed = [0]

    def fault(call: str) -> None:
        if slept and call.startswith("load.") and failed[0] < calls:
            failed[0] += 1
            raise LinkError("load: the connection was closed")

    bench.fault = fault
    outcome = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r").run()
    assert failed[0] >= 4 and outcome.reason == reason
    if reason == "cutoff":
        (gap,) = events_of(tmp_path / "r", "gap")
        assert "asleep for 900 s" in gap["known"]
    else:
        bench.fault = lambda call: None
        assert resumable(tmp_path / "r")[1] == plan(rest(), discharge(), rest())


def test_a_suspend_while_an_answer_was_awaited_gives_no_row_of_an_unknown_moment(tmp_path: Path) -> None:
    bench = IdealBench()
    slept: list[float] = []

    def fault(call: str) -> None:
        if call == "load.read" and bench.load_on and bench.clock.s > 5000.0 and not slept:
            slept.append(bench.clock.s)
            bench.clock.suspend(900.0)

    bench.fault = fault
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert slept and outcome.reason == "cutoff"
    times = [row[0] for row in read_run(tmp_path / "r").iter_rows()]
    assert not [t for t in times if slept[0] - 1000.0 + 1.0 < t < slept[0] - 1000.0 + 899.0]
    assert "a moment that is not known" in events_of(tmp_path / "r", "instrument-error")[0]["text"]
    assert len(events_of(tmp_path / "r", "gap")) == 1


def test_where_the_clock_stands_still_in_a_suspend_the_wall_clock_tells_and_the_doubt_is_said(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.clock.counts_suspend = False  # type: ignore[attr-defined]
    done: list[float] = []

    def ahead(s: float) -> None:
        if s > 5000.0 and not done:
            done.append(s)
            bench.clock.wall_s += 900.0
            bench.z -= 0.4 * 900.0 / 3600.0 / 2.0  # the load drained on

    bench.clock.on_sleep.append(ahead)
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert done and outcome.reason == "cutoff"
    (gap,) = events_of(tmp_path / "r", "gap")
    assert math.isclose(gap["to_s"] - gap["from_s"], 901.0, abs_tol=1.5)
    assert gap["charge_low_Ah"] < -0.4 * 900.0 / 3600.0 and gap["charge_high_Ah"] == 0.0
    assert "or its clock was set" in gap["known"]
    rows = [row for row in read_run(tmp_path / "r").iter_rows() if row[1] == 1]
    assert math.isclose((rows[-1][0] - rows[0][0]) / 3600.0, 4.83333, abs_tol=0.004)


def test_a_wall_clock_that_is_set_moves_no_number_where_the_clock_counts_on(tmp_path: Path) -> None:
    for name, by_s in (("plain", 0.0), ("forward", 5400.0), ("back", -5400.0)):
        bench = IdealBench()
        bench.clock.on_sleep.append(
            lambda s, bench=bench, by_s=by_s: setattr(bench.clock, "wall_s", by_s if s > 5000.0 else 0.0)
        )
        assert night(bench, plan(rest(), discharge(), rest()), tmp_path / name).reason == "cutoff"
    rows = [list(read_run(tmp_path / name).iter_rows()) for name in ("plain", "forward", "back")]
    assert rows[0] == rows[1] == rows[2] and not events_of(tmp_path / "forward", "gap")


def test_a_temperature_that_reads_the_same_after_hours_of_suspend_is_not_called_frozen(tmp_path: Path) -> None:
    bench = IdealBench()
    slept = bench.clock.suspend_once(3000.0, 2.5 * 3600.0)
    bench.clock.on_sleep.append(lambda s: setattr(bench, "degC", 20.0 + (int(s) // 60 % 2) * 0.1))
    outcome = night(bench, plan(rest(), discharge(0.2), rest(), needs_temperature=True), tmp_path / "r")
    assert slept and outcome.reason == "cutoff"


class HeldSwitch:
    """A relay that lets go when it gets no beat for 8 s."""

    name, role, release_s = "relay", "switch", 8.0
    abilities = Abilities()

    def __init__(self) -> None:
        self.position = "open"

    def identify(self) -> str:
        return "relay"

    def read_errors(self) -> list[str]:
        return []

    def read(self) -> dict[str, float]:
        return {}

    def read_setup(self) -> dict[str, object]:
        return {"on": self.position != "open"}

    def connect(self, position: str) -> None:
        self.position = position

    def beat(self) -> None:
        pass

    def make_safe(self) -> SafeState:
        self.position = "open"
        return SafeState(True, None, "let go")

    def reopen(self) -> None:
        pass

    def close(self) -> None:
        pass


def test_a_relay_that_let_go_in_a_suspend_ends_the_run_by_its_name_and_can_be_resumed(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.instruments["relay"] = HeldSwitch()
    slept = bench.clock.suspend_once(5000.0, 900.0)
    description = {**BENCH, "instruments": {**BENCH["instruments"], "relay": {"role": "switch", "resource": "ideal"}}}  # type: ignore[dict-item]
    the_plan = plan(rest(), discharge(), rest())
    made = runner(bench, the_plan, tmp_path / "r", description)
    outcome = made.run()
    assert slept and outcome.reason == "instrument" and not bench.load_on
    assert "relay" in outcome.text and "let go" in outcome.text and "asleep for 900 s" in outcome.text
    assert resumable(tmp_path / "r")[1] == the_plan


# -- a logger's own remarks -------------------------------------------------------------------------


class Remarking(IdealInstrument):
    """A logger that noticed something once, and counts how often it is asked."""

    def __init__(self, bench: IdealBench) -> None:
        super().__init__(bench, "logger")
        self.remarks = ["records could not be read: 7"]
        self.asked = 0

    def read_errors(self) -> list[str]:
        self.asked += 1
        told, self.remarks = (self.remarks, []) if self.bench.clock.s > 3000.0 else ([], self.remarks)
        return told


def test_what_a_logger_noticed_is_recorded_once_and_asked_for_at_a_low_rate(tmp_path: Path) -> None:
    bench = IdealBench()
    bench.instruments["logger"] = logger = Remarking(bench)
    description = {**BENCH, "instruments": {**BENCH["instruments"], "logger": {"role": "logger", "port": "ideal"}}}  # type: ignore[dict-item]
    made = runner(bench, plan(rest(), discharge(0.9), rest()), tmp_path / "r", description)
    assert made.run().reason == "cutoff"
    told = [event["text"] for event in events_of(tmp_path / "r", "instrument-error")]
    assert told == ["logger: records could not be read: 7"]
    assert logger.asked <= (bench.clock.s - 1000.0) / 60.0 + 3  # not with every reading


# -- attended hours ----------------------------------------------------------------------------------


@pytest.fixture
def local_time(monkeypatch: pytest.MonkeyPatch) -> Iterator[ZoneInfo]:
    """The computer stands where the clocks change."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield ZoneInfo("Europe/Berlin")
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("name", "begin", "hours", "parts"),
    [
        ("cut and goes on the next evening", "2026-03-13T16:30:00+00:00", (17.75, 19.0), 2),
        ("has to wait for the evening", "2026-03-13T07:00:00+00:00", (18.0, 23.0), 1),
        ("across midnight", "2026-03-13T22:00:00+00:00", (23.25, 0.5), 2),
        ("the hour that is not there in March", "2026-03-28T22:30:00+00:00", (1.5, 3.5), 2),
        ("the hour that comes twice in October", "2026-10-24T22:30:00+00:00", (1.5, 2.5), 2),
    ],
)
def test_a_charge_keeps_to_the_attended_hours_and_the_rest_goes_on_without(
    tmp_path: Path, local_time: ZoneInfo, name: str, begin: str, hours: tuple[float, float], parts: int
) -> None:
    bench = SimulatedBench("worn-out", 1, cell=SimulatedCell(KINDS["worn-out"], 0.3, 20.0))
    bench.clock._begin_utc = datetime.fromisoformat(begin)
    described = bench_from_dict(bench.description)
    record = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}
    Shelf(tmp_path).add(Cell.from_dict(record))
    abilities = {key: one.abilities for key, one in bench.instruments.items()}
    request = Request("c", "standard-capacity", tmp_path, attended=hours, capacity_Ah=1.0)
    the_plan, cell = make_plan(request, described, bench.clock.utc(), abilities)
    header = run_header(
        plan_to_dict(the_plan), cell.to_dict(), described, tmp_path / "r", the_plan.start, 3.0, "x", bench.clock.utc()
    )
    rig = Rig(described, bench.instruments)
    outcome = Runner(the_plan, rig, bench.clock, tmp_path / "r", header, ObligingPerson(), take_signals=False).run()
    assert outcome.reason == "cutoff", outcome.text
    run = read_run(tmp_path / "r")
    (by_taper,) = [e["step"] for e in run.events if e["kind"] == "step-ended" and e["reason"] == "taper"]
    charged = [row for row in run.iter_rows() if (row[3] or 0.0) > 0.03 and row[1] >= by_taper - 1]
    assert {row[1] for row in charged} == {by_taper - 1, by_taper}, "a pre-charge, and the charge"
    start_h, end_h = hours
    for row in charged:
        moment = (datetime.fromisoformat(begin) + timedelta(seconds=row[0] - 2.0)).astimezone(local_time)
        hour = moment.hour + moment.minute / 60.0 + moment.second / 3600.0
        assert start_h - 0.01 <= hour < end_h if start_h < end_h else hour >= start_h - 0.01 or hour < end_h, moment
    gaps = [b[0] - a[0] for a, b in itertools.pairwise(charged) if b[0] - a[0] > 1000.0]
    assert len(gaps) + 1 == parts
    charged = [row for row in charged if row[1] == by_taper]  # a step that was cut goes on, it does not begin again
    kinds = [event["kind"] for event in run.events]
    assert kinds.count("paused") == kinds.count("continued") == parts - 1
    (ended,) = [e for e in run.events if e["kind"] == "step-ended" and e["reason"] == "taper"]
    counted_Ah = sum(
        0.5 * (a[3] + b[3]) * (b[0] - a[0]) / 3600.0 for a, b in itertools.pairwise(charged) if b[0] - a[0] < 60.0
    )
    assert math.isclose(ended["charge_Ah"], counted_Ah, rel_tol=0.01)
    assert replays_to_the_bit(tmp_path / "r", the_plan)


def test_what_a_cut_charge_has_counted_still_counts_the_next_evening(tmp_path: Path, local_time: ZoneInfo) -> None:
    # A timed charge of 3 h in hours of 2 h a day: 2 h today, 1 h tomorrow; without a memory it never ended.
    bench = IdealBench(z=0.2)
    timed = dataclasses.replace(
        charge(0.2),
        segments=(Segment(Order("charge", voltage_V=4.2, current_A=0.2), 10800.0),),
        ends=(),
        max_duration_s=10800.0,
        time_is_end=True,
        hours=(21.0, 23.0),  # the ideal clock begins at 20:00 UTC, 21:00 here
    )
    outcome = night(bench, plan(rest(), timed, rest(), charges=True), tmp_path / "r")
    assert outcome.reason == "time"
    (ended,) = [event for event in events_of(tmp_path / "r", "step-ended") if event["step"] == 1]
    assert math.isclose(ended["charge_Ah"], 0.6, rel_tol=0.01) and ended["t_s"] > 23 * 3600.0


# -- what a resume may not forget --------------------------------------------------------------------


def test_a_program_that_died_right_after_an_order_counts_the_ordered_current_as_possible(tmp_path: Path) -> None:
    bench = IdealBench()
    made = runner(bench, plan(rest(), discharge(), rest()), tmp_path / "r")

    class Gone(BaseException):
        pass

    real = made.rig.read

    def read(energised: bool) -> Any:
        if energised:
            raise Gone
        return real(energised)

    made.rig.read = read  # type: ignore[method-assign]
    made._end = lambda *words: None  # type: ignore[method-assign,assign,return-value]
    with pytest.raises(Gone):
        made.run()
    assert bench.load_on  # the process is gone, the load is on
    bench.clock.sleep(600.0)
    bench.update()
    bench.load_on = False  # somebody pulled the mains
    before, the_plan = resumable(tmp_path / "r")
    outcome = night(bench, the_plan, tmp_path / "r", from_folder=before)
    (gap,) = events_of(tmp_path / "r", "gap")
    assert outcome.reason == "cutoff"
    assert gap["charge_low_Ah"] < -0.4 * 600.0 / 3600.0 and gap["charge_high_Ah"] == 0.0


def gone_at(bench: IdealBench, folder: Path, at_s: float) -> None:
    """Have the program die at a moment, with the load on and nobody to make safe."""

    class Gone(BaseException):
        pass

    made = runner(bench, plan(rest(), discharge(), rest()), folder)

    def die(s: float) -> None:
        if s > at_s:
            raise Gone

    bench.clock.on_sleep.append(die)
    made._end = lambda *words: None  # type: ignore[method-assign,assign,return-value]
    with pytest.raises(Gone):
        made.run()
    bench.clock.on_sleep.clear()
    assert bench.load_on


@pytest.mark.parametrize("wall_s", [-7200.0, 0.0, 86400.0])
def test_a_wall_clock_set_while_the_program_is_dead_moves_no_gap_of_the_same_start_of_the_computer(
    tmp_path: Path, wall_s: float
) -> None:
    bench = IdealBench()
    gone_at(bench, tmp_path / "r", 3000.0)
    bench.clock.wall_s = wall_s
    bench.clock.sleep(600.0)
    before, the_plan = resumable(tmp_path / "r")
    assert night(bench, the_plan, tmp_path / "r", from_folder=before).reason == "cutoff"
    (gap,) = events_of(tmp_path / "r", "gap")
    assert 600.0 <= gap["to_s"] - gap["from_s"] < 605.0
    assert gap["charge_low_Ah"] < -0.4 * 600.0 / 3600.0 < gap["charge_high_Ah"] < 0.0
    ended = next(e for e in events_of(tmp_path / "r", "step-ended") if e["step"] == 1)
    assert math.isclose(-ended["charge_Ah"], 1.93333, abs_tol=0.005)


def test_after_a_restart_with_the_wall_clock_behind_a_gap_that_may_have_drawn_current_is_not_guessed(
    tmp_path: Path,
) -> None:
    bench = IdealBench()
    gone_at(bench, tmp_path / "r", 3000.0)
    bench.clock.sleep(600.0)
    bench.update()
    bench.load_on = False  # somebody pulled the mains
    bench.clock.start_of, bench.clock.wall_s = "second", -86400.0
    before, the_plan = resumable(tmp_path / "r")
    with pytest.raises(Refused, match=r"behind the run's last event.* cannot be bounded"):
        night(bench, the_plan, tmp_path / "r", from_folder=before)
    assert events_of(tmp_path / "r", "gap") == []


def test_after_a_restart_the_wall_clock_bounds_the_gap(tmp_path: Path) -> None:
    bench = IdealBench()
    gone_at(bench, tmp_path / "r", 3000.0)
    bench.clock.sleep(600.0)
    bench.clock.start_of = "second"
    before, the_plan = resumable(tmp_path / "r")
    assert night(bench, the_plan, tmp_path / "r", from_folder=before).reason == "cutoff"
    (gap,) = events_of(tmp_path / "r", "gap")
    assert gap["to_s"] - gap["from_s"] == pytest.approx(600.0, abs=5.0)
    assert [event["boot"]["id"] for event in read_run(tmp_path / "r").events if "boot" in event] == ["first", "second"]


def test_a_run_whose_disk_lost_confirmed_rows_is_not_taken_up_and_says_how_many_there_were(tmp_path: Path) -> None:
    bench = IdealBench()
    gone_at(bench, tmp_path / "r", 3000.0)
    path = tmp_path / "r" / "samples.csv"
    confirmed = max(event["after_row"] for event in read_run(tmp_path / "r").events)
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:confirmed]))  # the header and one less
    run = read_run(tmp_path / "r")
    assert f"holds {confirmed - 1} rows, and {confirmed} were there" in run.lost and run.lost in run.notices
    with pytest.raises(JournalDamaged, match=r"the disk has lost what it had confirmed.*amphora bench off"):
        resumable(tmp_path / "r")
    assert run.lost + "." in {warning.text for warning in analyse_run(tmp_path / "r").warnings}


def test_the_charge_between_the_last_reading_and_being_made_safe_is_in_the_gap(tmp_path: Path) -> None:
    bench = IdealBench()
    dead = dead_link("load", 500)
    since: list[float] = []

    def fault(call: str) -> None:
        if not since or bench.clock.s < since[0] + 10.5:
            try:
                dead(call)
            except LinkError:
                since.append(bench.clock.s)
                raise

    bench.fault = fault
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert outcome.reason == "instrument" and outcome.safe
    bench.clock.sleep(2.0)
    before, the_plan = resumable(tmp_path / "r")
    last_s = list(before.iter_rows())[-1][0]
    safe_s = events_of(tmp_path / "r", "made-safe")[0]["t_s"]
    assert safe_s - last_s > 5.0
    assert night(bench, the_plan, tmp_path / "r", from_folder=before).reason == "cutoff"
    (gap,) = events_of(tmp_path / "r", "gap")
    assert gap["from_s"] == last_s and gap["charge_low_Ah"] <= -0.4 * (safe_s - last_s) / 3600.0


def test_the_guard_goes_on_counting_charge_and_time_across_a_resume(tmp_path: Path) -> None:
    limits = dataclasses.replace(LIMITS, charge_Ah=0.5)
    for name, changes, most in (
        ("charge", {"limits": limits}, {}),
        ("time", {}, {"max_duration_s": 4500.0}),
    ):
        bench = IdealBench()
        the_plan = plan(rest(), discharge(**changes), rest(), **most)  # type: ignore[arg-type]
        made = runner(bench, the_plan, tmp_path / name)
        bench.clock.on_sleep.append(lambda s, made=made: setattr(made.signals, "name", "SIGINT" if s > 4000.0 else ""))
        assert made.run().reason == "interrupted"
        bench.clock.on_sleep.clear()
        before, the_plan = resumable(tmp_path / name)
        outcome = night(bench, the_plan, tmp_path / name, from_folder=before)
        assert outcome.reason == f"guard:{name}"
        rows = [row for row in read_run(tmp_path / name).iter_rows() if row[3] is not None and row[3] < -0.1]
        assert abs(len(rows) - 4500.0) < 30.0  # 0.5 Ah at 0.4 A are 4500 s as well


# -- whoever has to come ---------------------------------------------------------------------------------


class Absent:
    """A person who was asked and does not come."""

    present = True

    def ask(self, text: str, act: str = "") -> None:
        self.asked = text

    def answered(self) -> bool:
        return False


def test_a_person_who_does_not_come_is_called_again_and_told_when_the_cell_is_being_harmed(tmp_path: Path) -> None:
    bench = IdealBench()
    text = "Take the resistor off the cell now."
    ask = Step(
        "take it off", "ask", (Segment(Order("ask", text=text), 3600.0),), (), 3600.0, False, 10.0,
        Limits(), leads="discharge",
    )  # fmt: skip
    the_plan = plan(
        ask, notes=PlanNotes(window=PlanWindow(hard_low_V=2.5, charge_limit_V=4.2), chemistry_name="Li-ion")
    )
    called: list[tuple[float, str]] = []
    made = runner(bench, the_plan, tmp_path / "r", alarm=lambda kind, words: called.append((bench.clock.s, words)))
    made.people.person = Absent()

    def drains(s: float) -> None:
        if s > 2500.0:
            bench.z = -0.9  # 1.92 V

    bench.clock.on_sleep.append(drains)
    outcome = made.run()
    assert outcome.reason == "guard:time" and "nobody answered within 1 h" in outcome.text
    calls = [words for _, words in called if words.startswith(text)]
    assert len(calls) == 7  # when it was asked, and every ten minutes of the hour
    assert [("1.92 V is below 2.50 V" in words) for words in calls] == [False] * 3 + [True] * 4


@pytest.mark.parametrize(("sense", "reason"), [(True, "cutoff"), (False, "guard:voltage-lost")])
def test_leads_that_are_moved_by_hand_carry_a_cycle_and_a_voltmeter_that_stays_behind_ends_it(
    tmp_path: Path, sense: bool, reason: str
) -> None:
    bench = SimulatedBench("worn-out", 3, start_soc=0.5, leads="by hand", sense=sense)
    data = {**bench.description, "sensed_at": "cell"}  # true or not
    described = bench_from_dict(data)
    record = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}
    Shelf(tmp_path).add(Cell.from_dict(record))
    request = Request("c", "standard-capacity", tmp_path, present=True, capacity_Ah=0.5)
    the_plan, _ = make_plan(request, described, bench.clock.utc())
    header = run_header(
        plan_to_dict(the_plan), record, described, tmp_path / "r", "unknown", 3.0, "cycle", bench.clock.utc()
    )
    person = ObligingPerson(hands=bench.asked)
    made = Runner(
        the_plan, Rig(described, bench.instruments), bench.clock, tmp_path / "r", header, person, take_signals=False
    )
    outcome = made.run()
    assert outcome.reason == reason and outcome.safe
    moved = [text for text in person.asked if text.startswith("Move the cell's leads")]
    assert ["supply" in text for text in moved] == ([True, False] if sense else [True])
    assert sense or "the voltmeter is not connected to the cell" in outcome.text


# -- another keeper, and who may end a run ------------------------------------------------------------------


class Dies:
    """A keeper that is there for so many looks."""

    def __init__(self, looks: int) -> None:
        self.looks, self.beats = looks, 0

    def beat(self) -> None:
        self.beats += 1

    def bye(self) -> None: ...

    def take_over(self) -> None: ...

    def achieved(self, given_up: Callable[[], bool]) -> tuple[bool, str, bool]:
        return True, "", True

    def alive(self) -> bool:
        self.looks -= 1
        return self.looks >= 0


def test_a_keeper_that_is_gone_is_replaced_and_told_and_not_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = IdealBench()
    monkeypatch.setattr("amphora.harness.running.heartbeat.time.monotonic", bench.clock.now_s)
    keepers: list[Dies] = []

    def another() -> Dies:
        keepers.append(Dies(100))
        return keepers[-1]

    said: list[str] = []
    made = runner(bench, plan(rest(2000.0)), tmp_path / "r", another_keeper=another, tell=said.append)
    made.heartbeat.keeper = Dies(50)
    outcome = made.run()
    assert outcome.reason == "instrument" and outcome.safe and outcome.exit_code == 4  # and it can be resumed
    told = [event["text"] for event in events_of(tmp_path / "r", "instrument-error")]
    assert len(keepers) == 3 and len(told) == 4
    assert all("another one was started" in text for text in told[:3])
    assert "nobody would act if this program died; the run ends" in told[3]
    assert [text.lstrip("! ") for text in said if "keeper" in text] == told


def test_where_no_other_keeper_can_be_started_that_is_told_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = IdealBench()
    monkeypatch.setattr("amphora.harness.running.heartbeat.time.monotonic", bench.clock.now_s)

    def another() -> Dies:
        raise BenchError("no memory for another process")

    made = runner(bench, plan(rest(300.0)), tmp_path / "r", another_keeper=another)
    made.heartbeat.keeper = Dies(50)
    assert made.run().reason == "instrument"
    (text,) = [event["text"] for event in events_of(tmp_path / "r", "instrument-error")]
    assert "no memory for another process" in text and "nobody would act if this program died" in text


@pytest.mark.parametrize("ignored", [True, False])
def test_a_hang_up_that_is_ignored_for_this_program_ends_no_run(tmp_path: Path, ignored: bool) -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN if ignored else signal.SIG_DFL)  # nohup ignores it
    try:
        bench = IdealBench()
        made = runner(bench, plan(rest(300.0)), tmp_path / "r")
        made.take_signals = True
        fired: list[float] = []

        def hang_up(s: float) -> None:
            if s > 1100.0 and not fired:
                fired.append(s)
                os.kill(os.getpid(), signal.SIGHUP)

        bench.clock.on_sleep.append(hang_up)
        outcome = made.run()
        assert fired and outcome.reason == ("time" if ignored else "interrupted")
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_run_folder_that_is_deleted_in_mid_run_ends_the_run_with_all_off(tmp_path: Path) -> None:
    bench = IdealBench()
    fired: list[float] = []

    def delete(s: float) -> None:
        if s > 3000.0 and not fired:
            fired.append(s)
            shutil.rmtree(tmp_path / "r")

    bench.clock.on_sleep.append(delete)
    outcome = night(bench, plan(rest(), discharge(), rest()), tmp_path / "r")
    assert fired and outcome.reason == "interrupted" and outcome.exit_code == 2
    assert "samples.csv was deleted" in outcome.text


def test_a_finished_run_cannot_be_resumed(tmp_path: Path) -> None:
    night(IdealBench(), plan(rest(), discharge(0.9)), tmp_path / "r")
    with pytest.raises(Exception, match="finished run cannot be resumed; its results: amphora analyse "):
        resumable(tmp_path / "r")
