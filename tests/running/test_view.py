"""One model of where a run stands: what it says of bays at work, dead, waiting and done; limits; gaps and drops."""

import dataclasses
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from night_of_bays import CELL, kill, night_of_bays, plan_of, write_bay
from typer.testing import CliRunner

from amphora.harness.cli.app import app
from amphora.harness.common.locks import acquire_folder
from amphora.harness.plans.plan import Limits
from amphora.harness.running.along import CURVE_POINTS, Along, RunsAlong, Trace
from amphora.harness.running.view import Seen, Shown, nearest_limit, view_of
from amphora.harness.running.whereabouts import Left

NOW = datetime(2026, 11, 28, 21, 0, tzinfo=UTC)


def seen(**more: object) -> Seen:
    plain = Seen("A07", "overnight", plan_of("A07"), "running", "running", plan_step=1, step_began_s=600.0)
    return dataclasses.replace(plain, **more)  # type: ignore[arg-type]


def test_the_model_is_made_of_what_was_read_alone() -> None:
    read = seen(
        reading=Shown(4200.0, 3.8, -0.4, 22.0), zero_utc=NOW, left=Left(18000.0, 28800.0), step_charge_Ah=-0.4,
        first_degC=20.0,
    )  # fmt: skip
    assert view_of(read) == view_of(read)
    at = view_of(read)
    assert at.concern == "none"
    assert at.ends == (NOW + timedelta(seconds=22200), NOW + timedelta(seconds=33000))
    json.dumps(at.to_dict(), allow_nan=False)


@pytest.mark.parametrize(
    ("more", "concern"),
    [
        ({"state": "dead", "outputs_off": None}, "go"),
        ({"state": "dead", "outputs_off": False}, "go"),
        ({"state": "dead", "outputs_off": True}, "look"),
        ({"state": "silent"}, "go"),
        ({"state": "waiting"}, "look"),
        ({"state": "ended", "stop": "cutoff", "outputs_off": True}, "none"),
        ({"state": "ended", "stop": "guard:frozen", "outputs_off": True}, "look"),
        ({"state": "ended", "stop": "cutoff", "outputs_off": False}, "go"),
    ],
)
def test_who_has_to_go_to_the_bench_and_who_has_to_look(more: dict[str, object], concern: str) -> None:
    at = view_of(seen(**more))
    assert at.concern == concern
    if more == {"state": "ended", "stop": "cutoff", "outputs_off": False}:
        assert "NOT known to be off" in at.sentence and "NOT known to be off" in at.brief


@pytest.mark.parametrize(
    ("volts", "degC", "moved_Ah", "name", "left"),
    [
        (3.0, 21.0, -0.3, "voltage-low", 0.15),  # 2.9 V, and the 0.05 V that the voltmeter may err
        (3.9, 48.5, -0.3, "temperature-high", 1.5),
        (3.9, 21.0, -2.9, "charge", 0.1),
    ],
)
def test_the_nearest_limit_is_that_with_the_least_of_its_way_left(
    volts: float, degC: float, moved_Ah: float, name: str, left: float
) -> None:
    step = plan_of("A07").steps[1]
    read = seen(reading=Shown(1200.0, volts, -0.4, degC), step_charge_Ah=moved_Ah, first_degC=20.0)
    near = nearest_limit(step, CELL, read)
    assert near is not None and near.name == name
    assert near.left == pytest.approx(left)


def test_the_end_of_a_steps_time_is_a_limit_and_a_charge_has_one_above() -> None:
    step = plan_of("A07").steps[1]
    late = seen(reading=Shown(32900.0, 3.9, -0.4, 21.0), step_charge_Ah=-0.1)
    near = nearest_limit(step, CELL, late)
    assert near is not None and (near.name, near.left) == ("time", 100.0)
    charge = dataclasses.replace(step, kind="charge", limits=Limits(voltage_low_V=2.9, voltage_high_V=4.2))
    near = nearest_limit(charge, CELL, seen(reading=Shown(1200.0, 4.202, 0.4, 21.0)))
    assert near is not None and (near.name, round(near.left, 3)) == ("voltage-high", 0.048)
    assert near.text == "voltage 0.05 V below the guard's 4.25 V"


def test_a_drop_stays_in_the_curve_of_a_long_night_and_a_gap_stays_one() -> None:
    curve = Trace(10.0)
    for t in range(40_000):
        if not 20_000 <= t < 24_000:
            curve.add(Shown(float(t), 0.002 if t == 5001 else 3.7, 0.0 if t == 5001 else -0.4, 20.0))
    points = curve.points()
    assert len(points) <= 4 * CURVE_POINTS + 2
    low = [point[1] for point in points if point[1] is not None]
    assert min(low) == 0.002
    assert max(point[4] for point in points if point[4] is not None) == 0.0  # and so does the current's
    breaks = [place for place, point in enumerate(points) if point[0] is None]
    assert len(breaks) == 1
    before, after = points[breaks[0] - 1][0], points[breaks[0] + 1][0]
    assert (before, after) == (19_999.0, 24_000.0)
    assert points[-1][0] == 39_999.0


def test_slow_readings_are_no_gaps() -> None:
    curve = Trace(10.0)
    for t in range(0, 36_000, 60):
        curve.add(Shown(float(t), 3.7, None, None))
    assert all(point[0] is not None for point in curve.points())


def test_all_bays_of_a_night(tmp_path: Path) -> None:
    with night_of_bays(tmp_path) as made:
        found = {view.seen.bay: view for _, view in RunsAlong(tmp_path).look()}
        assert list(found) == sorted(made)
        assert {bay: view.seen.state for bay, view in found.items()} == {
            "a": "running", "b": "dead", "c": "running", "d": "ended", "e": "waiting", "f": "ended",
        }  # fmt: skip
        assert {bay: view.concern for bay, view in found.items()} == {
            "a": "none", "b": "go", "c": "none", "d": "none", "e": "look", "f": "look",
        }  # fmt: skip
        moved = found["a"].seen.moved
        assert moved is not None and moved.out_Ah == pytest.approx(0.4 * (4 - 1 / 6), rel=0.01) and moved.in_Ah == 0
        assert "Holds 1912" in found["d"].brief
        lines = CliRunner().invoke(app, ["watch", "--all", "--once", "--logs", str(tmp_path)]).stdout.splitlines()
        assert lines[0].startswith("! bay b: A08: the program is dead")
        assert any(line.startswith("bay d: A10 · overnight: ended: cutoff") for line in lines)
        done = CliRunner().invoke(app, ["watch", "--all", "--json", "--logs", str(tmp_path)])
        assert [run["bay"] for run in json.loads(done.stdout)["runs"]] == list("abcdef")


def test_line_json_and_page_say_the_same_of_one_run(tmp_path: Path) -> None:
    from amphora.harness.report.live_page import document
    from amphora.harness.report.run_text import picture, standing

    folder = write_bay(tmp_path, "A07", "a", 2.0, datetime.now(UTC))
    with acquire_folder(folder):
        along = Along(folder)
        answer, lines = standing(along), " ".join("\n".join(picture(along)).split())
        page = document([(along, along.look())], NOW, False)["runs"][0]
    near = answer["nearest_limit"]["text"]
    assert near == page["nearest_limit"]["text"] and near in lines
    for key in ("state", "sentence", "discharged_Ah", "left_s", "ends_utc", "plan_step"):
        assert answer[key] == page[key]
    assert f"{1000 * answer['discharged_Ah']:.0f} mAh out so far" in lines


def test_a_runner_that_dies_between_two_looks_is_said_at_the_next(tmp_path: Path) -> None:
    folder = write_bay(tmp_path, "A07", "a", 1.0, datetime.now(UTC))
    shelf = RunsAlong(tmp_path)
    with acquire_folder(folder):
        assert shelf.look()[0][1].seen.state == "running"
    kill(folder)
    assert shelf.look()[0][1].seen.state == "dead"  # no time has to pass


def test_old_runs_are_not_on_the_wall_and_new_ones_come(tmp_path: Path) -> None:
    now = datetime.now(UTC)
    write_bay(tmp_path, "A07", "a", 1.0, now - timedelta(hours=40))
    clock = [now.timestamp()]
    shelf = RunsAlong(tmp_path, lambda: clock[0])
    assert shelf.look() == []
    write_bay(tmp_path, "A08", "b", 1.0, now)
    assert shelf.look() == []  # searched for every few seconds
    clock[0] += 6.0
    assert [view.seen.cell for _, view in shelf.look()] == ["A08"]


def test_a_run_or_all_is_asked_for() -> None:
    done = CliRunner().invoke(app, ["watch"])
    assert done.exit_code != 0
