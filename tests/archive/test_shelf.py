"""Promises of the shelf: files are the truth, nothing hides anything, lists stay instant."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from paper_runs import cell_record, write_run
from typer.testing import CliRunner

from amphora.harness.archive.shelf import CSV_COLUMNS, INDEX_NAME, Shelf, read_entry
from amphora.harness.cells.cell import Cell, Identified
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.results.kept import kept_text


def put_run(logs: Path, cell_id: str, number: int, capacity_Ah: float | None = 2.0, stopped: bool = True) -> Path:
    folder = logs / cell_id / f"202611{number % 28 + 1:02d}T2100{number % 60:02d}Z-overnight"
    folder.mkdir(parents=True)
    run = {
        "format": "amphora-run/1",
        "profile": "overnight",
        "start": "full",
        "created_utc": f"2026-11-{number % 28 + 1:02d}T21:00:00Z",
    }
    (folder / "run.json").write_text(json.dumps(run))
    (folder / "samples.csv").write_text("t_s,step,voltage_V,current_A,temperature_degC\n")
    events = [{"kind": "run-begun"}] + ([{"kind": "stopped", "reason": "cutoff"}] if stopped else [])
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events))
    if capacity_Ah is not None:
        result = {"capacity_Ah": capacity_Ah, "capacity_U_Ah": 0.02, "reached_cutoff": True}
        (folder / "result.json").write_text(kept_text(result, {}))
    return folder


def test_a_cell_comes_back_as_it_was_put(tmp_path):
    cell = Cell("L3-a", "18650", "li-ion", "path light 3", "", 1.2, 44.0, 3.31, "2026-11-24T18:00:00Z",
                {"wrapper": "sound"}, ["p/1.jpg"], "east path", "found", True,
                Identified(chemistry="li-ion"))  # fmt: skip
    Shelf(tmp_path).add(cell)
    assert Shelf(tmp_path).get("L3-a") == cell
    assert json.loads((tmp_path / "L3-a" / "cell.json").read_text())["format"] == "amphora-cell/1"
    assert Shelf(tmp_path).cells() == [cell]


@pytest.mark.parametrize("bad", ["", "../x", "a/b", "a\\b", ".hidden", "-x", "a b", "a\nb", "con", "NUL.txt", "x" * 65,
                                 "a.", "a\u202eb", "a:b", "²", "\U0001f600"])  # fmt: skip
def test_an_id_that_is_no_safe_folder_name_is_refused_and_nothing_written(tmp_path, bad):
    with pytest.raises(InputError, match="id"):
        Shelf(tmp_path / "logs").add(Cell(bad))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("good", ["L3-a", "лампа-3", "ไฟ-๑", "अ१", "18650_2.b", "é"])
def test_ids_in_any_script_are_accepted(tmp_path, good):
    Shelf(tmp_path).add(Cell(good))
    assert Shelf(tmp_path).get(good).id == good


def test_an_id_that_differs_only_by_case_is_taken(tmp_path):
    Shelf(tmp_path).add(Cell("L3-a"))
    with pytest.raises(InputError, match="L3-a"):
        Shelf(tmp_path).add(Cell("l3-A"))


def test_an_unknown_cell_is_named_with_the_folder(tmp_path):
    with pytest.raises(InputError, match="L9.*" + tmp_path.name):
        Shelf(tmp_path).get("L9")


def test_proposed_ids_are_free(tmp_path):
    shelf = Shelf(tmp_path)
    assert shelf.add(Cell(shelf.propose_id("18650"))).id == "18650-001"
    assert shelf.propose_id("18650") == "18650-002"
    assert shelf.propose_id("../") == "cell-001"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("{", "JSON"),
        ('{"id": "a", "mass_g": "heavy"}', "mass_g"),
        ('{"id": "a", "mass_g": NaN}', "mass_g"),
        ('{"id": "a", "weight": 3}', "weight"),
        ('{"id": "a", "state": "lost"}', "state"),
        ('{"id": "b"}', "folder"),
        ("[]", "[] is not a table; one with format, id"),
    ],
)
def test_a_damaged_record_is_listed_and_hides_no_other(tmp_path, content, told):
    shelf = Shelf(tmp_path)
    shelf.add(Cell("z"))
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "cell.json").write_text(content)
    entries = {entry.id: entry for entry in shelf.list_cells()}
    assert told in entries["a"].damaged
    assert entries["z"].cell == Cell("z")


def test_a_kept_result_with_a_changed_digit_is_not_believed(tmp_path):
    Shelf(tmp_path).add(Cell("a"))
    run = put_run(tmp_path, "a", 1, capacity_Ah=1.5)
    assert read_entry(run).capacity_Ah == 1.5
    path = run / "result.json"
    path.write_text(path.read_text().replace("1.5", "9.5"))
    assert read_entry(run).capacity_Ah is None


def test_a_damaged_run_is_listed_and_hides_no_other(tmp_path):
    shelf = Shelf(tmp_path)
    shelf.add(Cell("a"))
    good = put_run(tmp_path, "a", 1)
    broken = put_run(tmp_path, "a", 2)
    (broken / "run.json").write_text("{")
    empty = tmp_path / "a" / "20261109T210000Z-charge"
    empty.mkdir()
    runs = {Path(entry.folder): entry for entry in shelf.list_runs("a")}
    assert runs[good].damaged == "" and runs[good].capacity_Ah == 2.0
    assert runs[broken].damaged and runs[empty].damaged
    assert shelf.list_cells()[0].damaged_runs == 2
    assert shelf.runs("a") == sorted([good, broken, empty])


def test_index_follows_the_files_whatever_changes(tmp_path):
    shelf = Shelf(tmp_path)
    shelf.add(Cell("a"))
    run = put_run(tmp_path, "a", 1, capacity_Ah=None, stopped=False)
    assert shelf.list_runs("a")[0].stop == ""
    with (run / "events.jsonl").open("a") as file:
        file.write('{"kind": "stopped", "reason": "cutoff"}\n')
    assert shelf.list_runs("a")[0].stop == "cutoff"
    result = {"capacity_Ah": 1.5, "capacity_U_Ah": 0.01, "reached_cutoff": True}
    (run / "result.json").write_text(kept_text(result, {}))
    assert shelf.list_cells()[0].capacity_Ah == 1.5
    shelf.save(replace(shelf.get("a"), state="tested"))
    assert shelf.cells()[0].state == "tested"
    shutil.rmtree(run)
    assert shelf.list_runs() == []
    shutil.rmtree(tmp_path / "a")
    assert shelf.list_cells() == []


@pytest.mark.parametrize("content", [b"", b"not a database, not at all, only text" * 40])
def test_a_ruined_or_missing_index_is_made_again(tmp_path, content):
    shelf = Shelf(tmp_path)
    shelf.add(Cell("a"))
    put_run(tmp_path, "a", 1)
    before = shelf.list_cells()
    (tmp_path / INDEX_NAME).write_bytes(content)
    assert shelf.list_cells() == before
    (tmp_path / INDEX_NAME).unlink()
    assert shelf.list_cells() == before
    assert shelf.rebuild() == {"cells": 1, "runs": 1, "damaged_cells": 0, "damaged_runs": 0}


def test_listing_nothing_writes_nothing(tmp_path):
    assert Shelf(tmp_path / "none").list_cells() == []
    assert list(tmp_path.iterdir()) == []


def test_register_survives_export_and_import(tmp_path):
    here, there = Shelf(tmp_path / "one"), Shelf(tmp_path / "two")
    here.add(Cell("a", "18650", "li-ion", "=SUM(A1)", "-x", 1.2, 44.0, 3.31, "2026-11-24T18:00:00Z",
                  {"leak": "none"}, ["p 1.jpg", "p2.jpg"], 'two\nlines, "quoted"', "tested", True,
                  Identified(chemistry="lfp")))  # fmt: skip
    here.add(Cell("лампа", notes="'tis"))
    text = here.export_csv()
    assert "\r\na,18650,li-ion,'=SUM(A1)," in text
    there.import_csv(text)
    assert there.cells() == here.cells()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("id,colour\r\na,red\r\n", "line 1.*colour"),
        ("form\r\n18650\r\n", "id"),
        ("id,mass_g\r\nb,1\r\na,heavy\r\n", "line 3.*mass_g.*heavy"),
        ("id,state\r\na,lost\r\n", "line 2.*state.*lost"),
        ("id\r\na\r\na\r\n", "line 3.*already"),
        ("id,form\r\na\r\n", "line 2"),
        ("id,leak\r\na,maybe\r\n", "leak.*maybe"),
    ],
)
def test_a_bad_register_is_refused_whole(tmp_path, text, told):
    shelf = Shelf(tmp_path)
    with pytest.raises(InputError, match=told):
        shelf.import_csv(text, "register.csv")
    assert shelf.cells() == []
    assert CSV_COLUMNS[0] == "id"


def test_one_more_run_reads_one_more_run(tmp_path, monkeypatch):
    import amphora.harness.archive.shelf as module

    shelf = Shelf(tmp_path)
    for number in range(5):
        shelf.add(Cell(f"c{number}"))
        put_run(tmp_path, f"c{number}", 1)
    shelf.list_cells()
    read: list[Path] = []
    real = module.read_entry
    monkeypatch.setattr(module, "read_entry", lambda folder: (read.append(folder), real(folder))[1])
    new = put_run(tmp_path, "c3", 2)
    shelf.list_cells()
    assert read == [new]
    read.clear()
    shelf.note_run(new)
    assert read == [new]


def test_list_of_a_hundred_cells_with_ten_runs_is_whole(tmp_path):
    shelf = Shelf(tmp_path)
    for number in range(100):
        shelf.add(Cell(f"c{number:03d}"))
        for run in range(10):
            put_run(tmp_path, f"c{number:03d}", run)
    assert len(shelf.list_runs()) == 1000
    assert len(shelf.list_cells()) == 100


def answered(*args: str) -> tuple[int, dict]:
    done = CliRunner().invoke(app, [*args, "--json"])
    return done.exit_code, json.loads(done.stdout) if done.stdout else {}


def test_a_cell_goes_through_the_register_by_command(tmp_path):
    logs = ("--logs", str(tmp_path / "logs"))
    code, data = answered("cell", "add", "--form", "18650", "--as-found", "3.31 V", "--mass", "44 g",
                          "--claim", "1200 mAh", "--inspection", "sound", *logs)  # fmt: skip
    assert code == 0 and data["cell"]["id"] == "18650-001" and data["judgement"]["verdict"] == "accept"
    assert (data["cell"]["claim_Ah"], data["cell"]["mass_g"], data["cell"]["as_found_V"]) == (1.2, 44.0, 3.31)
    assert answered("cell", "note", "18650-001", "new wrapper", *logs)[0] == 0
    assert answered("cell", "state", "18650-001", "in use", *logs)[1]["cell"]["state"] == "in use"
    code, data = answered("cell", "list", "--state", "in use", "--find", "wrapper", *logs)
    assert code == 0 and [row["id"] for row in data["cells"]] == ["18650-001"]
    assert answered("cell", "list", "--state", "retired", *logs)[1]["cells"] == []
    code, data = answered("cell", "check", "18650-001", "--inspection", "leak=yes", *logs)
    assert code == 1 and data["verdict"] == "retire"
    code, data = answered("cell", "show", "18650-001", *logs)
    assert code == 0 and data["cell"]["state"] == "retired" and data["runs"] == []


def test_the_register_goes_out_and_in_by_command(tmp_path):
    Shelf(tmp_path / "a").add(Cell("x", notes="one"))
    out = tmp_path / "register.csv"
    assert answered("shelf", "export", "--out", str(out), "--logs", str(tmp_path / "a"))[0] == 0
    assert answered("shelf", "import", str(out), "--logs", str(tmp_path / "b"))[1]["cells"] == ["x"]
    assert Shelf(tmp_path / "b").get("x").notes == "one"
    assert answered("shelf", "rebuild", "--logs", str(tmp_path / "b"))[1]["cells"] == 1


def test_a_quantity_without_its_unit_writes_nothing(tmp_path):
    done = CliRunner().invoke(app, ["cell", "add", "x", "--mass", "44", "--logs", str(tmp_path / "logs")])
    assert isinstance(done.exception, InputError) and "--mass" in str(done.exception)
    assert not (tmp_path / "logs").exists()


def test_a_wrong_id_in_a_register_is_named_with_file_and_line_and_nothing_is_written(tmp_path):
    with pytest.raises(InputError, match=r"reg.csv: line 3: the cell's id '../x'"):
        Shelf(tmp_path / "logs").import_csv("id,mass_g\nok,1\n../x,2\n", "reg.csv")
    assert not (tmp_path / "logs").exists()


def test_a_register_with_semicolons_is_read_too(tmp_path):
    cells = Shelf(tmp_path).import_csv("id;mass_g;notes\nok;44.1;a, b\n", "reg.csv")
    assert (cells[0].mass_g, cells[0].notes) == (44.1, "a, b")
    with pytest.raises(InputError, match="line 2: column 'mass_g' = '44,1' is no number"):
        Shelf(tmp_path).import_csv("id;mass_g\nok2;44,1\n", "reg.csv")


@pytest.mark.parametrize("name", ["run.json", "samples.csv", "events.jsonl"])
def test_a_run_with_a_file_missing_says_which(tmp_path, name):
    Shelf(tmp_path).add(Cell("a"))
    folder = put_run(tmp_path, "a", 1)
    (folder / name).unlink()
    assert Shelf(tmp_path).list_runs("a")[0].damaged.endswith(f"{name} is missing")


def test_words_of_any_kind_come_back_from_the_register_as_they_were(tmp_path):
    odd = Cell(
        "лампа-3", "18650", markings="⚡ 3,7 V", source='by the "gate"; left', notes="=1+1\n@x,\t'y'",
        photos=["p/фото 1.jpg", "x,y.png"], inspection={"wrapper": "scratched", "smell": "none"}, claim_Ah=1.2,
        mass_g=44.05, as_found_V=-0.2, declared_rechargeable=True,
        identified=Identified(chemistry="lfp", confidence="likely", more={"by": "hand"}),
    )  # fmt: skip
    Shelf(tmp_path / "a").add(odd)
    text = Shelf(tmp_path / "a").export_csv()
    Shelf(tmp_path / "b").import_csv(text)
    assert Shelf(tmp_path / "b").get("лампа-3") == odd
    assert Shelf(tmp_path / "b").export_csv() == text


def test_a_shelf_is_read_from_anywhere_also_where_its_index_was_made_by_a_relative_path(tmp_path, monkeypatch):
    write_run(tmp_path / "logs", cell=cell_record(id="hall-1"))
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path)
    (here,) = Shelf(Path("logs")).list_runs("hall-1")
    assert Path(here.folder).parts[0] == "logs" and Path(here.folder).is_dir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    for shelf in (Shelf(tmp_path / "logs"), Shelf(Path("..") / "logs")):
        for entries in (shelf.list_runs(), shelf.list_runs("hall-1"), shelf.list_runs_of_cells()):
            assert [Path(entry.folder).is_dir() for entry in entries] == [True], entries
