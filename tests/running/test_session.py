"""Promises of the session: what it takes for granted about a cell before a run begins."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from amphora.drivers.roles import Abilities
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.running.session import Request, asleep_now, held, how_full, make_plan


def test_a_cell_is_full_for_four_hours_after_its_charge_and_on_a_faster_bench_before_the_wall_clock_gets_there(
    tmp_path: Path,
) -> None:
    logs = ["--logs", str(tmp_path)]
    added = CliRunner().invoke(app, ["cell", "add", "hall-9", "--form", "18650", "--chemistry", "li-ion", *logs])
    assert added.exit_code == 0, added.output
    ran = CliRunner().invoke(
        app, ["run", "--cell", "hall-9", "--profile", "charge", "--bench", "simulated", "--present", *logs]
    )
    assert ran.exit_code == 0, ran.output
    shelf = Shelf(tmp_path)
    events = read_run(shelf.runs("hall-9")[-1]).events
    tapered = next(event for event in events if event["kind"] == "step-ended" and event["reason"] == "taper")
    ended = datetime.fromisoformat(tapered["utc"])
    assert how_full(shelf, "hall-9", ended + timedelta(hours=3.9)) == "full"
    assert how_full(shelf, "hall-9", ended + timedelta(hours=4.1)) == "unknown"
    assert how_full(shelf, "hall-9", ended - timedelta(hours=1)) == "unknown"
    assert how_full(shelf, "hall-9", ended - timedelta(hours=1), ahead=True) == "full"
    assert how_full(shelf, "hall-9", ended + timedelta(hours=4.1), ahead=True) == "unknown"


def test_two_instruments_of_a_bench_file_on_one_channel_are_refused_before_anything_is_opened(tmp_path: Path) -> None:
    same = {"resource": "TCPIP::127.0.0.1::9::SOCKET", "identity": "x"}
    described = bench_from_dict(
        {
            "instruments": {
                "load": {**same, "role": "load", "dialect": "load-simple"},
                "supply": {**same, "role": "supply", "dialect": "supply-simple"},
            },
            "cell": {"voltage": "load", "current": ["load", "supply"]},
        },
        "bench.toml",
    )
    said = r"bench\.toml: instruments\.load and instruments\.supply are the same channel"
    with pytest.raises(InputError, match=said), held(described):
        raise AssertionError("held")


def test_the_start_of_a_run_says_what_a_sleeping_computer_does_not_guard_as_the_plan_does(tmp_path: Path) -> None:
    Shelf(tmp_path).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion"}))
    bench = SimulatedBench()
    described = bench_from_dict(bench.description)
    request = Request("c", "overnight", tmp_path, start="declared-full", capacity_Ah=1.0)
    said = {}
    for has in (True, False):
        able = {"load": Abilities(low_voltage_cutoff=has, cutoff_latches=True, over_current_protection=True)}
        plan, _ = make_plan(request, described, bench.clock.utc(), able)
        said[has] = " ".join(asleep_now(plan, "this computer may fall asleep"))
        assert ("lid closed" in " ".join(plan.notes.not_guarded)) is not has
        assert "may fall asleep" in said[has]
        assert not has or asleep_now(plan, "") == []
    assert "lid closed" in said[False] and "not guarded" in said[False] and "lid closed" not in said[True]
