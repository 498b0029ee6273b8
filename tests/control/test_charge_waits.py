"""Promises of a charge that pauses by itself: a voltage that fell is judged by a rest, a warm cell is waited for."""

from dataclasses import replace
from pathlib import Path

import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import Short, SimulatedCell
from amphora.harness.archive.journal import read_run
from amphora.harness.control.events import Event
from amphora.harness.control.replay import replay
from amphora.harness.control.step_records import Sample
from amphora.harness.control.stepping import FALL_REST_S
from amphora.harness.running.orders import WARM_MOST_S
from amphora.harness.running.whereabouts import _pause_of
from tests.control.test_guard_nights import Night, sound


def contact(night: Night, at_s: float, ohm: float = 0.15) -> None:
    """Let a contact between cell and sense lead get better: the voltage that is seen in the charge falls."""
    cell = night.bench.cell
    cell.spec = replace(cell.spec, r0_ohm=cell.spec.r0_ohm + ohm)

    def better(bench: SimulatedBench) -> None:
        bench.cell.spec = replace(bench.cell.spec, r0_ohm=bench.cell.spec.r0_ohm - ohm)
        bench.touch()

    night.bench.at(at_s, "contact", better)


def shorted(ohm: float) -> SimulatedCell:
    """Return a cell in a heavy holder, which hides the short's heat: else the rate of warming tells first."""
    return sound(0.3, shorts=(Short(ohm, from_s=3600.0),), heat_J_per_K=400.0, loss_W_per_K=0.4)


def replayed(night: Night) -> list[Event]:
    run = read_run(night.folder)
    rows = [Sample(t, v, i, degC) for t, _, v, i, degC, _ in run.iter_rows()]
    return replay(night.plan, run.events, rows)[1]


def test_a_contact_that_changed_rests_ten_minutes_and_goes_on_to_its_taper(tmp_path: Path) -> None:
    night = Night(tmp_path, sound(0.2), "charge", capacity_Ah=1.0)
    contact(night, 3600.0)  # 60 mV
    outcome = night.run()
    assert outcome.reason == "taper", outcome.text
    fell, paused, on = (night.events(kind) for kind in ("voltage-fell", "paused", "continued"))
    assert len(fell) == len(paused) == len(on) == 1
    assert on[0]["t_s"] - fell[0]["t_s"] == pytest.approx(FALL_REST_S, abs=10.0)
    at_rest = [row for row in read_run(night.folder).iter_rows() if fell[0]["t_s"] + 1 < row[0] < on[0]["t_s"]]
    assert len(at_rest) > 60 and all(abs(row[3] or 0.0) < 0.02 for row in at_rest)
    assert [one["kind"] for one in replayed(night)].count("continued") == 1


@pytest.mark.parametrize("ohm", [4.0, 5.0])
def test_a_short_falls_on_in_that_rest_and_ends_the_charge_for_good(tmp_path: Path, ohm: float) -> None:
    night = Night(tmp_path, shorted(ohm), "charge", capacity_Ah=1.0)
    outcome = night.run()
    assert outcome.reason == "guard:short-inside" and outcome.final, outcome.text
    fell_s, ended_s = night.events("voltage-fell")[0]["t_s"], night.events("guard")[0]["t_s"]
    assert "in the rest after it" in outcome.text and FALL_REST_S - 90.0 < ended_s - fell_s <= FALL_REST_S


def test_a_second_fall_in_the_same_charge_is_a_short_whatever_the_rest_said(tmp_path: Path) -> None:
    night = Night(tmp_path, sound(0.2), "charge", capacity_Ah=1.0)
    contact(night, 3600.0)
    contact(night, 6000.0)
    outcome = night.run()
    assert outcome.reason == "guard:short-inside" and "once more" in outcome.text


@pytest.mark.parametrize("ohm", [0.0, 5.0])
def test_a_program_killed_in_that_rest_rests_anew_and_judges_all_the_same(tmp_path: Path, ohm: float) -> None:
    cell = shorted(ohm) if ohm else sound(0.3)
    night = Night(tmp_path, cell, "charge", capacity_Ah=1.0)
    if not ohm:
        contact(night, 3600.0)
    made = night.runner()
    until_s = night.bench.clock.now_s() + 3600.0 + 400.0  # by then it rests

    def signal(bench: SimulatedBench) -> None:
        made.signals.name = "SIGTERM"

    night.bench.at(until_s, "signal", signal)
    assert night._see(made).reason == "interrupted"
    assert night.events("voltage-fell") and not night.events("continued")
    night.bench.clock.sleep(20 * 60.0)
    outcome = night.resume()
    resumed_s = night.events("resumed")[0]["t_s"]
    if ohm:
        assert outcome.reason == "guard:short-inside", outcome.text
        assert night.events("guard")[0]["t_s"] - resumed_s < FALL_REST_S
    else:
        assert outcome.reason == "taper", outcome.text
        assert night.events("continued")[0]["t_s"] - resumed_s == pytest.approx(FALL_REST_S, abs=15.0)


def test_a_cell_too_warm_for_a_charge_is_waited_for_and_charged_once_it_has_cooled(tmp_path: Path) -> None:
    cell = sound(0.5)
    cell.temperature_degC, cell.ambient_degC = 49.5, 35.0
    night = Night(tmp_path, cell, "charge", capacity_Ah=1.0)
    limit_degC = next(step.limits.temperature_high_degC for step in night.plan.steps if step.kind == "charge")
    assert limit_degC is not None and limit_degC < 47.0
    assert night.run().reason == "taper"
    begun_s = night.events("continued")[0]["t_s"]
    events = read_run(night.folder).events
    paused = [event["kind"] for event in events].index("paused")
    assert _pause_of(events[: paused + 1]) == ("warm", limit_degC) and _pause_of(events) == ("", 0.0)
    warm = [row for row in read_run(night.folder).iter_rows() if row[0] < begun_s - 0.5]
    assert all(abs(row[3] or 0.0) < 0.02 for row in warm)
    assert warm[-1][4] is not None and warm[-1][4] <= limit_degC
    assert 0.0 < begun_s < WARM_MOST_S


def test_a_cell_that_stays_too_warm_is_not_waited_for_without_end_and_is_charged_another_time(tmp_path: Path) -> None:
    cell = sound(0.5)
    cell.temperature_degC = cell.ambient_degC = 46.5  # a cupboard over a stove
    night = Night(tmp_path, cell, "charge", capacity_Ah=1.0)
    outcome = night.run()
    assert outcome.reason == "guard:too-warm" and not outcome.final
    ended_s = night.events("stopped")[0]["t_s"]
    assert ended_s == pytest.approx(WARM_MOST_S, abs=300.0)
    assert all(abs(row[3] or 0.0) < 0.02 for row in read_run(night.folder).iter_rows())
    night.bench.cell.ambient_degC = 20.0
    night.bench.clock.sleep(3 * 3600.0)
    assert night.resume().reason == "taper"


def test_a_cell_hotter_than_any_rest_explains_ends_the_waiting_at_once(tmp_path: Path) -> None:
    cell = sound(0.5)
    cell.temperature_degC = 47.0
    cell.extra_heat_W = 2.5  # it heats itself
    night = Night(tmp_path, cell, "charge", capacity_Ah=1.0)
    outcome = night.run()
    assert outcome.reason == "guard:temperature-high" and outcome.final, outcome.text
