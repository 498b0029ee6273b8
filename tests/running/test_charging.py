"""Charging as a person lives it: sick cells beside healthy ones, what is armed by its value, and what is refused.

Virtual clock throughout. Figures of the evidence: a healthy cell of 2.6 or 3.4 Ah was cut off by the supply's timer
after 5.03 h; a short of 50 ohm held the current at 85 mA until that timer tripped, and was called full.
"""

import dataclasses
import itertools
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from amphora.drivers.described import check_keys
from amphora.drivers.errors import DescriptionError, LimitError
from amphora.drivers.opening import KEYS
from amphora.drivers.scpi.dialect import load_dialect, parse_dialect
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.control.events import Event
from amphora.harness.control.replay import replay
from amphora.harness.control.step_records import Sample
from amphora.harness.control.stepping import advance, initial
from amphora.harness.plans.plan import COLD_DEGC, End, Plan, plan_from_dict
from amphora.harness.plans.recipe import read_recipe
from amphora.harness.plans.supply_timer import AHEAD_S, FACTOR, armed_for_s
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import Request, carry_out, how_full, make_plan, measured_Ah
from tests.support.plans import build_plan

CELL = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True, "as_found_V": 3.6}
ABLE = {
    "load": {"low_voltage_cutoff": True, "over_current_protection": True, "cutoff_latches": True},
    "supply": {"over_voltage_protection": True, "over_current_protection": True, "off_timer": True},
}


def bench_of(
    capacity_Ah: float = 1.0, soc: float = 0.3, short_ohm: float | None = None, renewable: bool = False, **more: Any
) -> SimulatedBench:
    cell = SimulatedCell(dataclasses.replace(KINDS["li-ion"], capacity_Ah=capacity_Ah), soc, more.pop("degC", 20.0))
    cell.short_ohm = short_ohm
    bench = SimulatedBench("li-ion", 1, cell=cell, **more)
    able = dataclasses.replace(bench.supply.abilities, off_timer_renewable=renewable)
    bench.supply.abilities = able
    return bench


def carried(bench: SimulatedBench, logs: Path, profile: str = "charge", **asked: Any) -> tuple[Outcome, RunFolder]:
    if not (logs / "c" / "cell.json").exists():
        Shelf(logs).add(Cell.from_dict(CELL))
    described = bench_from_dict(bench.description, "simulated")
    request = Request("c", profile, logs, present=True, **asked)
    rig = Rig(described, bench.instruments)
    outcome = carry_out(request, described, rig, bench.clock, ObligingPerson(), guarded=False)
    assert not bench.supply.on
    assert not bench.load.on
    return outcome, read_run(outcome.folder)


def kinds(run: RunFolder, kind: str) -> list[Event]:
    return [event for event in run.events if event["kind"] == kind]


def replays(run: RunFolder) -> bool:
    rows = [Sample(t, v, i, degC) for t, _, v, i, degC, _ in run.iter_rows()]
    _, told = replay(plan_from_dict(run.run["plan"]), run.events, rows)
    names = ("step-begun", "step-ended", "paused", "continued", "current-raised", "finished")
    written = [
        (event["kind"], event.get("reason"), event.get("step")) for event in run.events if event["kind"] in names
    ]
    return written == [(event["kind"], event.get("reason"), event.get("step")) for event in told]


# -- a taper is a taper -------------------------------------------------------------------------------


@pytest.mark.parametrize(("capacity_Ah", "renewable"), [(2.6, True), (3.4, False)])
def test_a_large_healthy_cell_is_charged_to_its_taper_whatever_the_timer_was_set_to(
    tmp_path: Path, capacity_Ah: float, renewable: bool
) -> None:
    bench = bench_of(capacity_Ah, 0.7 if renewable else 0.3, renewable=renewable)
    outcome, run = carried(bench, tmp_path)
    assert (outcome.reason, outcome.exit_code) == ("taper", 0), outcome.text
    assert bench.cell.soc > 0.985
    assert how_full(Shelf(tmp_path), "c", bench.clock.utc()) == "full"
    (asked,) = kinds(run, "supply-asked")
    assert (asked["on"], asked["believed"]) == (True, True)
    timers = kinds(run, "timer-set")
    if renewable:
        assert {event["off_after_s"] for event in timers} == {1800.0}
        times = [event["t_s"] for event in timers]
        assert max(b - a for a, b in itertools.pairwise(times)) < 602.0
        assert not kinds(run, "paused")
    else:
        assert len(kinds(run, "paused")) == len(kinds(run, "continued")) == 1, "paused with outputs off, and gone on"
        assert len(timers) == 2
        (paused,) = kinds(run, "paused")
        assert "timer" in paused["why"]
    assert replays(run)


@pytest.mark.parametrize("short_ohm", [50.0, 25.0])
def test_a_short_that_takes_the_current_ends_the_charge_and_is_not_called_full(
    tmp_path: Path, short_ohm: float
) -> None:
    outcome, run = carried(bench_of(0.95, 0.8, short_ohm), tmp_path)
    assert (outcome.reason, outcome.exit_code) == ("guard:no-taper", 3)
    assert [event["reason"] for event in kinds(run, "step-ended")][-1] == "guard:no-taper"
    assert how_full(Shelf(tmp_path), "c", run_end(run)) == "unknown"
    assert replays(run)


def run_end(run: RunFolder) -> Any:
    from datetime import datetime

    return datetime.fromisoformat(run.events[-1]["utc"]) + timedelta(minutes=1)


def in_the_taper(bench: SimulatedBench, act: Callable[[SimulatedBench], None]) -> None:
    def now(bench: SimulatedBench) -> None:
        assert 0.055 < bench.supply_current() < 0.24, "in constant voltage, and above the threshold"
        act(bench)

    bench.at(0.8 * 3600.0, "act", now)  # a cell of 1 Ah from 0.8


def test_a_supply_that_is_off_without_a_word_is_no_taper_and_the_run_can_be_resumed(tmp_path: Path) -> None:
    bench = bench_of(1.0, 0.8)

    def off(bench: SimulatedBench) -> None:
        bench.supply.on = False

    in_the_taper(bench, off)
    outcome, run = carried(bench, tmp_path)
    assert outcome.reason == "instrument", outcome.text
    assert "no taper" in outcome.text
    assert run.events[-1]["kind"] == "stopped"
    assert run.events[-1]["final"] is False
    assert how_full(Shelf(tmp_path), "c", run_end(run)) == "unknown"


def test_a_current_that_vanishes_with_the_supply_on_is_no_taper(tmp_path: Path) -> None:
    bench = bench_of(1.0, 0.8)

    def lost(bench: SimulatedBench) -> None:
        bench.supply.reading_fault = lambda values: {**values, "current_A": 0.0002}

    in_the_taper(bench, lost)
    outcome, run = carried(bench, tmp_path)
    assert outcome.reason == "instrument"
    assert "within seconds" in outcome.text
    assert kinds(run, "supply-asked")[0]["believed"] is False


def test_a_timer_that_trips_before_the_program_expects_it_pauses_the_charge_and_it_goes_on(tmp_path: Path) -> None:
    bench = bench_of(1.0, 0.8)

    def late(bench: SimulatedBench) -> None:
        bench.supply.trip("off-timer")

    armed_s = armed_for_s(planned(), 0, renewable=False)
    assert armed_s is not None
    bench.supply.set_timer(armed_s)
    in_the_taper(bench, late)
    outcome, _ = carried(bench, tmp_path)
    assert outcome.reason in ("instrument", "guard:protection-tripped"), "far too early: something is wrong with it"
    bench = bench_of(3.4, 0.3)
    bench.at(5.0 * 3600.0, "act", late)
    outcome, run = carried(bench, tmp_path / "late")
    assert outcome.reason == "taper"
    assert len(kinds(run, "paused")) >= 1
    assert replays(run)


def planned(**more: Any) -> Plan:
    bench = bench_of()
    return build_plan("charge", {**CELL, **more}, {**bench.description, "abilities": ABLE}, present=True)


def test_a_full_cell_that_is_charged_counts_as_full_and_says_nothing_else(tmp_path: Path) -> None:
    bench = bench_of(1.0, 1.0)
    outcome, _ = carried(bench, tmp_path)
    assert outcome.reason == "taper"
    found = analyse_run(outcome.folder)
    assert "charge-unfinished" not in [one.code for one in found.warnings]
    assert how_full(Shelf(tmp_path), "c", bench.clock.utc()) == "full"


# -- what is armed, by its value in the instrument ----------------------------------------------------


def test_the_supply_and_the_load_are_armed_with_these_values(tmp_path: Path) -> None:
    bench = bench_of(0.3, 0.97)
    outcome, run = carried(bench, tmp_path, "standard-capacity", capacity_Ah=1.0)
    assert outcome.reason == "cutoff"
    plan = plan_from_dict(run.run["plan"])
    assert bench.supply.over_V == pytest.approx(4.20 + 0.05)
    assert bench.supply.over_A == pytest.approx(1.2 * plan.max_current_A)
    assert bench.load.most_A == pytest.approx(1.2 * plan.max_current_A)
    assert bench.load.low_V == max(step.limits.voltage_low_V or 0.0 for step in plan.steps)
    (checked,) = kinds(run, "checked")
    assert checked["armed"]["supply"] == {
        "over_voltage_V": bench.supply.over_V,
        "over_current_A": bench.supply.over_A,
        "off_after_s": kinds(run, "timer-set")[0]["off_after_s"],
    }
    charges = [step for step in plan.steps if step.kind == "charge"]
    expected_s = sum(step.expected_duration_s or 0.0 for step in charges)
    assert kinds(run, "timer-set")[0]["off_after_s"] == pytest.approx(FACTOR * expected_s)
    assert FACTOR == 1.5


def test_a_dead_man_s_timer_begins_anew_under_load_and_another_does_not() -> None:
    for renewable in (True, False):
        bench = bench_of(renewable=renewable)
        supply = bench.supply
        supply.set_voltage(4.0)
        supply.set_current_limit(0.2)
        assert supply.set_timer(AHEAD_S) == 1800.0
        supply.set_output(True)
        bench.clock.sleep(1200.0)
        supply.set_timer(AHEAD_S)
        bench.clock.sleep(700.0)
        supply.read()
        assert supply.on is renewable
        bench.clock.sleep(1200.0)
        supply.read()
        assert not supply.on
        assert supply.read_trips() == ["off-timer"]
    bench.supply.abilities = dataclasses.replace(bench.supply.abilities, off_timer=False)
    with pytest.raises(LimitError, match="no timer"):
        bench.supply.set_timer(60.0)


def test_a_dialect_says_whether_a_timer_can_be_renewed() -> None:
    table = load_dialect("supply-plain")
    assert table.settings["off_timer"].renewable is False
    from importlib.resources import files

    text = files("amphora.drivers.scpi").joinpath("dialects", "supply-plain.toml").read_text(encoding="utf-8")
    said = text.replace("[settings.off_timer]", "[settings.off_timer]\nrenewable = true")
    assert parse_dialect(said, "mine").settings["off_timer"].renewable is True
    with pytest.raises(DescriptionError, match="renewable does not belong there"):
        parse_dialect(text.replace("[settings.voltage]", "[settings.voltage]\nrenewable = true"), "mine")


def test_the_plan_names_the_timer() -> None:
    assert "7 h 21 min" in planned().notes.timer
    able = {**ABLE, "supply": {**ABLE["supply"], "off_timer_renewable": True}}
    bench = {**bench_of().description, "abilities": able}
    assert "30 min after this computer has died" in build_plan("charge", CELL, bench, present=True).notes.timer
    bare = {**bench_of().description, "abilities": {**ABLE, "supply": {}}}
    assert build_plan("charge", CELL, bare, present=True).notes.timer is None


def test_a_current_in_it_of_a_first_pass_stays_below_the_plan_s_largest() -> None:
    plan = planned()
    from amphora.harness.control.step_records import Begin
    from amphora.harness.plans.plan import Order, Segment

    step = dataclasses.replace(
        plan.steps[0], kind="discharge", segments=(Segment(Order("discharge", value=0.2, in_It=True), 60.0),)
    )
    for start, largest_A in (("full", 0.5), ("full", 2.0)):
        one = dataclasses.replace(plan, steps=(step,), start=start, max_current_A=largest_A)
        state = initial(one)
        state.measured_Ah = 5.0
        (order,) = advance(one, state, Begin(0.0)).orders
        assert order.value == pytest.approx(min(0.2 * 5.0, largest_A))


@pytest.mark.parametrize("start", ["full", "unknown"])
def test_it_of_a_second_pass_is_taken_from_a_discharge_that_began_full(start: Any) -> None:
    from amphora.harness.control.step_records import Begin
    from amphora.harness.plans.plan import Order, Segment

    plan = planned()
    down = dataclasses.replace(
        plan.steps[0], kind="discharge", segments=(Segment(Order("discharge", value=0.2), 9e4),), max_duration_s=9e4,
        ends=(End("cutoff", "voltage_V", "<=", 3.0),),
    )  # fmt: skip
    plan = dataclasses.replace(plan, steps=(down, plan.steps[0]), start=start)
    state = advance(plan, initial(plan), Begin(0.0)).state
    for t_s, volts in ((1.0, 3.9), (3601.0, 3.3), (3602.0, 2.99), (3602.2, 2.99)):
        state = advance(plan, state, Sample(t_s, volts, -0.2, 20.0)).state
    assert state.plan_step == 1
    assert state.measured_Ah == (pytest.approx(0.2, abs=0.001) if start == "full" else None)


@pytest.mark.parametrize(("drift", "reason"), [(1.04, "cutoff"), (1.5, "guard:current-off-order")])
def test_a_load_that_draws_half_as_much_again_ends_the_night(tmp_path: Path, drift: float, reason: str) -> None:
    bench = bench_of(0.3, 0.6)
    bench.load.drift = drift
    outcome, _ = carried(bench, tmp_path, "overnight", capacity_Ah=0.5)
    assert outcome.reason == reason, outcome.text


def test_a_resistance_draws_the_voltage_over_it(tmp_path: Path) -> None:
    path = tmp_path / "ohm.toml"
    path.write_text(
        'name = "ohm"\nsummary = "ten ohm"\n[[step]]\nkind = "discharge"\nresistance = "10 ohm"\nat_most = "9 h"\n'
        'until = { voltage_falls_to = "cut-off" }\n',
        encoding="utf-8",
    )
    outcome, run = carried(bench_of(0.3, 0.4), tmp_path / "logs", str(path))
    assert outcome.reason == "cutoff", outcome.text
    drawn = [row for row in run.iter_rows() if (row[3] or 0.0) < -0.05][5]
    assert -(drawn[3] or 0.0) == pytest.approx((drawn[2] or 0.0) / 10.0, rel=0.02)


# -- It, the first charge, the pre-charge, the charge put in --------------------------------------------


def the_charge(plan: Plan, name: str = "charge") -> Any:
    return next(step for step in plan.steps if step.name == name)


@pytest.mark.parametrize(
    ("more", "first_A", "later_A", "it_from"),
    [
        ({}, 0.25, 0.4, "assumed"),
        ({"claim_Ah": 3.6}, 0.25, 0.4, "assumed"),
        ({"claim_Ah": 2.6}, 0.25, 0.4, "assumed"),
        ({"claim_Ah": 1.2}, 0.15, 0.24, "claim"),
        ({"claim_Ah": 0.43}, 0.053, 0.086, "claim"),
        ({"form": "21700"}, 0.5, 0.8, "assumed"),
        ({"form": "26650", "claim_Ah": 5.0}, 0.5, 0.8, "assumed"),
        ({"form": "14500"}, 0.125, 0.2, "assumed"),
    ],
)
def test_the_first_charge_of_a_cell_that_nobody_has_measured_is_cautious(
    more: dict[str, Any], first_A: float, later_A: float, it_from: str
) -> None:
    plan = planned(**more)
    step = the_charge(plan)
    assert step.segments[0].order.current_A == pytest.approx(first_A)
    assert step.later_current_A == pytest.approx(later_A)
    assert step.later_after_Ah == 1.0
    assert step.limits.current_high_A == pytest.approx(later_A)
    assert plan.it_from == it_from


def test_more_than_a_first_charge_may_have_is_refused_and_a_measured_cell_is_charged_by_its_it() -> None:
    bench = bench_of().description
    with pytest.raises(InputError, match=r"0\.4 A|400 mA"):
        build_plan("charge", CELL, bench, present=True, current_A=0.4)
    known = build_plan("charge", {**CELL, "claim_Ah": 3.4}, bench, present=True, measured_Ah=2.0)
    assert the_charge(known).segments[0].order.current_A == pytest.approx(0.8)
    assert the_charge(known).later_current_A is None
    assert (known.it_from, known.capacity_Ah) == ("measured", 2.0)
    assert the_charge(known).limits.charge_Ah == pytest.approx(1.2 * 2.0)
    assert the_charge(planned()).limits.charge_Ah == pytest.approx(1.1 * 3.6)
    left = build_plan("charge", CELL, bench, present=True, measured_Ah=2.0, can_take_Ah=0.5)
    assert the_charge(left).limits.charge_Ah == pytest.approx(0.6)


def test_one_cell_under_five_claims_has_one_plan_once_it_was_measured() -> None:
    bench = bench_of().description
    claims = [{"claim_Ah": 3.6}, {"claim_Ah": 2.6}, {"claim_Ah": 1.2}, {}, {"claim_Ah": 0.43}]
    for name in ("charge", "overnight", "standard-capacity", "load-steps"):
        plans = [build_plan(name, {**CELL, **one}, bench, present=True, measured_Ah=0.41) for one in claims]
        assert len({repr(plan.steps) for plan in plans}) == 1
        assert {plan.capacity_Ah for plan in plans} == {0.41}


def test_it_is_taken_from_a_full_start_only(tmp_path: Path) -> None:
    bench = bench_of(0.4, 0.5)
    carried(bench, tmp_path, "overnight")
    assert measured_Ah(Shelf(tmp_path), "c") is None, "what was left is not what it holds"
    carried(bench, tmp_path)
    outcome, _ = carried(bench, tmp_path, "overnight")
    held_Ah = measured_Ah(Shelf(tmp_path), "c")
    assert held_Ah == pytest.approx(analyse_run(outcome.folder).capacity_Ah)
    plan, _ = make_plan(Request("c", "charge", tmp_path, present=True), bench_from_dict(bench.description), NOW(bench))
    assert (plan.it_from, plan.capacity_Ah) == ("measured", held_Ah)


def NOW(bench: SimulatedBench) -> Any:
    return bench.clock.utc()


OWN = """
name = "mine"
summary = "one of one's own"
[[step]]
kind = "charge"
name = "mine"
current = "0.3 It"
voltage = "4.1 V"
at_most = "9 h"
until = { current_falls_to = "taper" }
"""


@pytest.mark.parametrize("name", ["charge", "standard-capacity", "storage", "mine"])
def test_every_charge_of_every_recipe_begins_with_a_pre_charge(name: str) -> None:
    # EVIDENCE: standard-capacity and storage charged a cell of 2.62 V with 0.40 and 0.20 A
    recipe: Any = read_recipe(OWN, "mine.toml") if name == "mine" else name
    plan = build_plan(recipe, {**CELL, "as_found_V": 2.62}, bench_of().description, present=True)
    names = [step.name for step in plan.steps]
    charges = [index for index, step in enumerate(plan.steps) if step.kind == "charge" and step.name != "pre-charge"]
    assert charges
    for index in charges:
        assert names[index - 1] == "pre-charge"
        first = plan.steps[index - 1]
        assert first.segments[0].order.current_A == pytest.approx(0.1)
        assert [(end.quantity, end.value) for end in first.ends] == [("voltage_V", 3.0)]
        assert first.limits.reach_V == 3.0
        assert first.limits.reach_within_s == first.max_duration_s


def test_a_cell_of_2_62_v_gets_a_small_current_first_in_a_recipe_of_one_s_own(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OWN, encoding="utf-8")
    bench = bench_of(1.0, 0.01)
    bench.cell.soc = next(z / 1000.0 for z in range(-40, 100) if at_rest_V(bench, z / 1000.0) >= 2.62)
    _, run = carried(bench, tmp_path / "logs", str(path))
    below = [row for row in run.iter_rows() if row[2] is not None and row[2] < 2.99 and (row[3] or 0.0) > 0.01]
    assert below
    assert max(row[3] or 0.0 for row in below) < 0.105


def at_rest_V(bench: SimulatedBench, soc: float) -> float:
    bench.cell.soc = soc
    bench.touch()
    return bench.cell.voltage(0.0)


def test_a_pre_charge_lasts_longer_for_the_current_it_lost_and_three_hours_at_most() -> None:
    def seconds(**more: Any) -> float:
        return the_charge(planned(**more), "pre-charge").max_duration_s

    assert seconds() == 3600.0
    assert seconds(claim_Ah=1.2) == pytest.approx(7200.0)  # half the claim: half the current
    assert seconds(claim_Ah=2.6) == pytest.approx(2.6 * 3600.0)
    assert seconds(claim_Ah=3.5) == 3 * 3600.0


def test_a_taper_that_the_meter_cannot_see_is_refused_when_it_is_planned() -> None:
    bench = bench_of().description
    coarse = {"gain": "0.5 %", "offset": "10 mA", "resolution": "20 mA"}
    bench["instruments"]["supply"]["specification"]["current"] = coarse
    with pytest.raises(InputError, match=r"the charge ends at 50 mA, and supply knows that to ± 16 mA only"):
        build_plan("charge", CELL, bench, present=True)
    assert build_plan("overnight", CELL, bench).steps
    # 5 U: a digit of 10 mA gives U = 8.2 mA, so 50 mA are seen and 40 mA are not
    coarse["resolution"] = "10 mA"
    assert build_plan("charge", CELL, bench, present=True).steps
    with pytest.raises(InputError, match="at least 5 times that"):
        build_plan("charge", {**CELL, "claim_Ah": 1.6}, bench, present=True)


# -- temperature, sensor ------------------------------------------------------------------------------


@pytest.mark.parametrize(("degC", "word"), [(-0.6, "never below 0.6 °C"), (51.0, "up to 50.0 °C")])
def test_outside_the_window_nothing_is_switched_on(tmp_path: Path, degC: float, word: str) -> None:
    # EVIDENCE: at -0.6 degC current flowed before the stop; too warm only for a charge waits (test_charge_waits)
    bench = bench_of(1.0, 0.5, degC=degC, ambient_degC=degC)
    outcome, run = carried(bench, tmp_path)
    assert outcome.exit_code == 3
    assert word in outcome.text
    assert not kinds(run, "ordered")


def test_below_ten_degrees_a_cell_is_charged_with_a_fifth_of_it_at_most(tmp_path: Path) -> None:
    assert COLD_DEGC == 10.0
    for degC, most_A in ((8.0, 0.2), (12.0, 0.25)):
        bench = bench_of(1.0, 0.93, degC=degC, ambient_degC=degC)
        _, run = carried(bench, tmp_path / f"{degC:g}")
        assert max(row[3] or 0.0 for row in run.iter_rows()) == pytest.approx(most_A, abs=0.004)


def test_charging_wants_a_sensor_at_the_cell_or_the_word_of_somebody_who_stays() -> None:
    bare = bench_of().description
    bare["cell"] = {key: value for key, value in bare["cell"].items() if key != "temperature"}
    bare["abilities"] = ABLE
    with pytest.raises(InputError, match="--charge-without-sensor"):
        build_plan("charge", CELL, bare, present=True)
    told = build_plan("charge", CELL, bare, present=True, without_sensor_ok=True)
    assert any("WITHOUT A SENSOR" in text for text in told.warnings)
    with pytest.raises(InputError, match=r"may not charge unattended: .*no temperature sensor"):
        build_plan("charge", CELL, bare, without_sensor_ok=True, unattended_charging_ok=True)
    assert build_plan("overnight", CELL, bare).steps, "a discharge goes on without one"


def test_a_sensor_whose_logger_started_again_is_not_proven_any_more(tmp_path: Path) -> None:
    from amphora.harness.control.events import SensorChecked
    from amphora.harness.running.checks_of_bench import latest, read_checks

    bench = bench_of(1.0, 0.5)

    def restart(bench: SimulatedBench) -> None:
        bench.thermometer.queue.append("thermometer: the logger started again (its time went back from 900 to 0)")

    bench.at(0.3 * 3600.0, "act", restart)
    outcome, run = carried(bench, tmp_path)
    assert outcome.reason == "instrument"
    assert "not proven any more" in outcome.text
    assert run.events[-1]["final"] is False
    described = bench_from_dict(bench.description, "simulated")
    assert latest(read_checks(tmp_path), SensorChecked, described, bench.clock.utc(), sensor="thermometer") is None


# -- nickel -------------------------------------------------------------------------------------------

NICKEL = {"id": "n", "form": "AA", "chemistry": "nimh", "declared_rechargeable": True, "as_found_V": 1.25}
FAST = """
name = "fast"
summary = "nickel at half of It"
[[step]]
kind = "charge"
name = "fast"
current = "{level} It"
voltage = "charge limit"
at_most = "4 h"
until = {{ charge_reaches = "window"{more} }}
"""


def nickel(level: float, more: str = "", **asked: Any) -> Plan:
    recipe = read_recipe(FAST.format(level=level, more=more), "fast.toml")
    return build_plan(recipe, NICKEL, bench_of().description, present=True, capacity_Ah=2.0, **asked)


def test_nickel_ends_by_time_or_charge_when_slow_and_by_its_voltage_s_fall_when_fast() -> None:
    slow = build_plan("charge", NICKEL, bench_of().description, present=True, capacity_Ah=2.0)
    (step,) = [step for step in slow.steps if step.name == "timed charge"]
    assert step.segments[0].order.current_A == pytest.approx(0.2)
    assert step.max_duration_s == 16 * 3600.0  # IEC 61951-2: 0.1 It for 16 h
    assert step.time_is_end
    assert not [end for end in step.ends if end.quantity == "voltage_drop_V"]
    (by_charge,) = [end for end in step.ends if end.reason == "charge"]
    assert by_charge.value == pytest.approx(1.6 * 2.0)
    fast = the_charge(nickel(0.5), "fast")
    found = {end.quantity: end.value for end in fast.ends}
    assert found["voltage_drop_V"] == pytest.approx(0.007)
    assert found["temperature_rate_K_per_min"] == 1.0
    with pytest.raises(InputError, match=r"says nothing at 0[.]1 It"):
        nickel(0.1, ', voltage_drops_by = "8 mV"')
    with pytest.raises(InputError, match=r"between 0[.]2 It"):
        nickel(0.25)


def test_a_fall_of_the_voltage_counts_on_minutes_and_after_ten_minutes() -> None:
    plan = nickel(0.5)
    index = next(number for number, step in enumerate(plan.steps) if step.name == "fast")
    fast = dataclasses.replace(plan.steps[index], ends=(End("condition", "voltage_drop_V", ">=", 0.007),))
    plan = dataclasses.replace(plan, steps=(fast,))

    def played(volts: Callable[[float], float], until_s: float) -> str:
        from amphora.harness.control.step_records import Begin

        state = advance(plan, initial(plan), Begin(0.0)).state
        t_s = 0.0
        while t_s < until_s and not state.finished:
            state = advance(plan, state, Sample(t_s, volts(t_s), 1.0, 22.0)).state
            t_s += 5.0
        return state.finished

    peak = lambda t: 1.45 + min(t, 1500.0) * 4e-5 - max(t - 1500.0, 0.0) * 2e-5  # noqa: E731
    assert played(peak, 2200.0) == "condition"
    assert played(peak, 1700.0) == "", "4 mV are not 7"
    early = lambda t: 1.47 if t < 120.0 else 1.45  # noqa: E731
    assert played(early, 590.0) == "", "the first minutes hump"
    spike = lambda t: 1.50 if t == 1000.0 else 1.45  # noqa: E731
    assert played(spike, 1500.0) == "", "one reading is no peak"


def test_a_load_that_lets_go_above_the_cut_off_is_refused_when_it_is_planned() -> None:
    bench = bench_of().description
    bench["instruments"]["load"]["lowest_working_voltage"] = "1.5 V"
    with pytest.raises(InputError, match=r"lowest_working_voltage = 1\.5 V is above the cut-off of 1 V"):
        build_plan("overnight", NICKEL, bench)
    assert build_plan("overnight", CELL, bench).steps
    bench["instruments"]["load"]["lowest_working_voltage"] = "1.0 V"
    assert build_plan("overnight", NICKEL, bench).steps
    check_keys(bench["instruments"]["load"], KEYS, "a real load is opened with this key too")


@pytest.mark.parametrize("capacity_Ah", [0.6, 2.0, 2.7])
def test_a_sound_nickel_cell_of_any_size_reaches_the_end_of_its_charge_before_its_limit(capacity_Ah: float) -> None:
    plan = build_plan("charge", NICKEL, bench_of().description, present=True, capacity_Ah=capacity_Ah)
    (step,) = [step for step in plan.steps if step.name == "timed charge"]
    (by_charge,) = [end for end in step.ends if end.reason == "charge"]
    # 1.4 to 1.6 times what it holds (IEC 61951-2: 16 h at 0.1 It); the guard's limit stands a little above.
    assert by_charge.value < step.limits.charge_Ah <= 1.7 * capacity_Ah
