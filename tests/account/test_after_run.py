"""Promises about what a run leaves on the shelf: a state moved, a line in the index, whatever happened."""

import json
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from amphora.harness.account.after_run import after_run, enter_run, work_out
from amphora.harness.archive.shelf import INDEX_NAME, Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.support.duty_runs import cell_of, write_test
from tests.support.made_results import result_of

FULL = {"start": "full", "reached_cutoff": True, "capacity_Ah": 1.0}


@pytest.mark.parametrize(
    ("state", "result", "stop", "expected"),
    [
        ("found", FULL, "cutoff", "tested"),
        ("found", {**FULL, "start": "declared-full"}, "cutoff", "tested"),
        ("found", {**FULL, "start": "unknown"}, "cutoff", "found"),
        ("found", {**FULL, "reached_cutoff": False}, "person", "found"),
        ("found", {**FULL, "capacity_Ah": None}, "taper", "found"),
        ("found", {}, "guard:no-reading", "found"),
        ("found", {}, "guard:temperature-lost", "found"),
        ("found", {}, "guard:voltage-lost", "found"),
        ("found", {}, "guard:temperature-rise", "quarantined"),
        ("found", {}, "guard:room-rise", "quarantined"),
        ("found", {}, "guard:takes-no-charge", "quarantined"),
        ("found", {}, "guard:no-taper", "quarantined"),
        ("found", {}, "guard:temperature-high", "quarantined"),
        ("tested", FULL, "guard:temperature-rate", "quarantined"),
        ("in use", FULL, "cutoff", "in use"),
        ("quarantined", FULL, "cutoff", "quarantined"),
        ("retired", FULL, "cutoff", "retired"),
        ("retired", {}, "guard:temperature-high", "retired"),
    ],
)
def test_a_run_moves_a_state_only_where_it_may(state, result, stop, expected):
    cell = after_run(Cell("a", state=state, notes="one"), result_of(result), stop, "20261124T210000Z-overnight")
    assert cell.state == expected
    assert ("20261124" in cell.notes) == (expected == "quarantined" and state != expected)


def test_a_night_on_the_bench_leaves_a_tested_cell_with_its_capacity_in_the_index(tmp_path):
    Shelf(tmp_path).add(Cell("hall-9", "18650", "li-ion"))
    session = SimulatedSession(tmp_path, "hall-9", "worn-out", 3, start_soc=1.0)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request("hall-9", "overnight", tmp_path, start="declared-full", present=True)
    made = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    rig.close()
    assert Shelf(tmp_path).get("hall-9").state == "tested"
    # In the index already, before anybody lists: asked of the file itself.
    base = sqlite3.connect(tmp_path / INDEX_NAME)
    rows = base.execute("select name, stop, capacity_Ah from runs").fetchall()
    base.close()
    assert [row[:2] for row in rows] == [(made.folder.name, "cutoff")] and 0.2 < rows[0][2] < 0.6


def test_an_imported_table_moves_the_state_as_a_run_does(tmp_path):
    table = tmp_path / "t.csv"
    lines = ["t,v,i", *(f"{60 * n},{4.1 - 0.0055 * n:.4f},-0.2" for n in range(202)), "12180,2.98,-0.2"]
    table.write_text("\n".join(lines) + "\n")
    words = [
        "import",
        str(table),
        "--cell",
        "far-1",
        "--map",
        "t=t,v=v,i=i",
        "--cutoff",
        "3.0 V",
        "--logs",
        str(tmp_path),
    ]
    assert CliRunner().invoke(app, [*words, "--start", "unknown", "--json"]).exit_code == 0
    assert Shelf(tmp_path).get("far-1").state == "found"
    assert CliRunner().invoke(app, [*words, "--start", "full", "--json"]).exit_code == 0
    assert Shelf(tmp_path).get("far-1").state == "tested"
    assert len(Shelf(tmp_path).list_runs("far-1")) == 2


def test_what_cannot_be_worked_out_or_written_spoils_nothing(tmp_path):
    folder = write_test(tmp_path, cell_of(), "a")
    (folder / "samples.csv").write_text("nonsense\n")
    assert enter_run(folder) is not None  # the cell is there, and as it was
    assert Shelf(tmp_path).get("a").state == "found"
    (tmp_path / "a" / "cell.json").write_text("{")
    assert enter_run(folder) is None
    assert Shelf(tmp_path).list_cells()[0].damaged
    (tmp_path / INDEX_NAME).unlink()
    (tmp_path / INDEX_NAME).mkdir()  # no index can be made here
    assert enter_run(folder) is None
    assert Shelf(tmp_path).list_runs("a")[0].cell == "a"


def test_a_run_outside_any_shelf_is_left_alone(tmp_path):
    folder = write_test(tmp_path, cell_of(), "a")
    (tmp_path / "a" / "cell.json").unlink()
    assert enter_run(folder) is None
    assert not (tmp_path / "a" / "cell.json").exists()


def test_a_cell_that_may_not_come_in_is_registered_and_ends_with_one(tmp_path):
    def added(*words: str) -> tuple[int, dict]:
        done = CliRunner().invoke(app, ["cell", "add", *words, "--logs", str(tmp_path), "--json"])
        return done.exit_code, json.loads(done.stdout)

    code, data = added("leaky", "--chemistry", "li-ion", "--as-found", "3.7 V", "--inspection", "leak=yes")
    assert (code, data["cell"]["state"]) == (1, "retired") and not data["judgement"]["may_charge"]
    code, data = added("low", "--chemistry", "li-ion", "--as-found", "1.2 V")
    assert code == 1 and data["cell"]["state"] in ("quarantined", "retired")
    code, data = added("light", "--form", "18650", "--chemistry", "li-ion", "--as-found", "3.7 V", "--mass", "31 g")
    assert (code, data["cell"]["state"]) == (1, "quarantined")
    assert added("good", "--chemistry", "li-ion", "--as-found", "3.7 V")[0] == 0
    assert added("unmeasured", "--chemistry", "auto")[0] == 0
    assert {cell.id for cell in Shelf(tmp_path).cells()} == {"leaky", "low", "light", "good", "unmeasured"}
    assert "Ends with 1" in CliRunner().invoke(app, ["cell", "add", "--help"]).stdout


def test_a_tested_cell_that_is_let_out_of_quarantine_is_tested_again_on_the_list(tmp_path):
    folder = write_test(tmp_path, cell_of(), "a", as_found_V=3.7)
    enter_run(folder)
    shelf = Shelf(tmp_path)
    assert shelf.get("a").state == "tested"
    logs = ["--logs", str(tmp_path), "--json"]
    CliRunner().invoke(app, ["cell", "check", "a", "--inspection", "wrapper=torn", *logs])
    shelf.save(Cell.from_dict({**shelf.get("a").to_dict(), "state": "quarantined"}))
    done = CliRunner().invoke(app, ["cell", "check", "a", "--inspection", "sound", *logs])
    assert done.exit_code == 0 and shelf.get("a").state == "tested"


def test_entering_reads_one_run_however_many_there_are(tmp_path: Path, monkeypatch):
    import amphora.harness.archive.shelf as module

    folders = [write_test(tmp_path, cell_of(), f"c{n}") for n in range(3)]
    Shelf(tmp_path).list_cells()
    read: list[Path] = []
    real = module.read_entry
    monkeypatch.setattr(module, "read_entry", lambda folder: read.append(folder) or real(folder))
    Shelf(tmp_path).note_run(folders[1])
    assert read == [folders[1]]


def test_many_runs_are_worked_out_beside_each_other_and_a_damaged_one_hides_none(tmp_path: Path, monkeypatch):
    import os

    from amphora.harness.account.answer import analyse_run
    from amphora.harness.decisions.cell_runs import read_runs

    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    folders = [write_test(tmp_path, cell_of(capacity_Ah=0.2), f"c{n}", current_A=0.2) for n in range(5)]
    (folders[2] / "events.jsonl").write_text("nonsense\n")
    assert work_out(folders, least=6) == 0  # too few to be worth it
    assert not (folders[0] / "result.json").exists()
    assert work_out(folders, least=2) == 5
    assert [(folder / "result.json").exists() for folder in folders] == [True, True, False, True, True]
    good, damaged = read_runs(folders)
    assert len(good) == 4 and len(damaged) == 1
    kept = analyse_run(folders[0])
    (folders[0] / "result.json").unlink()
    assert analyse_run(folders[0]) == kept  # the same figures as in this process
    assert work_out(folders, least=1) == 1  # the damaged one is tried again, the others are not


def test_rebuilding_the_shelf_brings_back_figures_that_were_deleted(tmp_path):
    folder = write_test(tmp_path, cell_of(capacity_Ah=0.2), "hall-9")
    shelf = Shelf(tmp_path)
    enter_run(folder)
    before = shelf.list_cells()
    assert before[0].capacity_Ah
    (folder / "result.json").unlink()
    (tmp_path / INDEX_NAME).unlink()
    assert shelf.list_cells()[0].capacity_Ah is None
    done = CliRunner().invoke(app, ["shelf", "rebuild", "--logs", str(tmp_path)])
    assert done.exit_code == 0
    assert shelf.list_cells() == before
