"""A shelf as Parquet: what is new is written, what changed is replaced, what is gone goes; an engine finds the same."""

import builtins
import json
import os
import re
from pathlib import Path
from statistics import median
from typing import Any

import duckdb
import pyarrow.parquet as pq
import pytest
from paper_runs import cell_record, write_run
from typer.testing import CliRunner

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.comparison import compare
from amphora.harness.report.shelf_parquet import MANIFEST, TABLES, export_shelf, schema

DOC = Path(__file__).parents[2] / "docs" / "shelf-parquet.md"
LONG_AGO_NS = 1_700_000_000_000_000_000


def aged(folder: Path, ns: int = LONG_AGO_NS) -> Path:
    for name in ("run.json", "samples.csv", "events.jsonl"):
        os.utime(folder / name, ns=(ns, ns))
    return folder


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    made = tmp_path / "logs"
    for number in range(4):
        record = cell_record(id=f"hall-{number + 1}", source="hall lights" if number < 3 else "bin")
        Shelf(made).add(Cell.from_dict(record))
        aged(write_run(made, rows=600 + 40 * number, cell=record))
    return made


def files(out: Path) -> dict[str, int]:
    return {str(path.relative_to(out)): path.stat().st_mtime_ns for path in out.rglob("*.parquet")}


def test_a_second_export_writes_only_what_is_new_and_replaces_what_changed(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    first = export_shelf(logs, out)
    assert (len(first.written), first.kept, first.cells) == (4, 0, 4)
    before = files(out)
    assert len([name for name in before if name.startswith("readings/form=18650/month=")]) == 4
    again = export_shelf(logs, out)
    assert (again.written, again.kept, files(out)) == ((), 4, before)
    run = next((logs / "hall-2").glob("*/run.json")).parent
    text = (run / "samples.csv").read_text()
    (run / "samples.csv").write_text(text.replace(",-0.5", ",-0.4"))
    aged(run, LONG_AGO_NS + 1)
    changed = export_shelf(logs, out)
    assert changed.written == (f"hall-2/{run.name}",) and changed.kept == 3
    after = files(out)
    assert set(after) == set(before)
    assert {name for name in after if after[name] != before[name] and name.startswith("readings")} == {
        name for name in after if name.endswith(f"hall-2__{run.name}.parquet")
    }
    (read,) = out.glob("readings/*/*/hall-2__*.parquet")
    assert min(pq.read_table(read, partitioning=None)["current_A"].to_pylist()) == -0.4


def test_a_run_that_is_gone_is_taken_out(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    export_shelf(logs, out)
    run = next((logs / "hall-4").glob("*/run.json")).parent
    run.rename(tmp_path / "elsewhere")
    found = export_shelf(logs, out)
    assert found.removed == (f"hall-4/{run.name}",)
    assert not list(out.glob("readings/*/*/hall-4__*"))
    assert len(list(out.rglob("*.parquet"))) == 3 + 1 + 1


def test_every_column_is_as_the_schema_says(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    export_shelf(logs, out)
    told = json.loads((out / "schema.json").read_text(encoding="utf-8"))
    assert told == json.loads(json.dumps(schema()))
    for table, columns in TABLES.items():
        held = pq.read_schema(next((out / table).rglob("*.parquet")))
        assert held.names == [name for name, *_ in columns]
        for name, _, unit, what in columns:
            assert held.field(name).metadata == {b"unit": unit.encode(), b"description": what.encode()}


def questions() -> list[str]:
    return re.findall(r"```sql\n(.*?)```", DOC.read_text(encoding="utf-8"), re.DOTALL)


def asked(question: str, out: Path) -> list[Any]:
    return duckdb.sql(question.replace("everything/", f"{out}/")).fetchall()


def test_the_questions_of_the_page_find_what_we_find(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    export_shelf(logs, out)
    holds, sources, warned, warmest = (asked(question, out) for question in questions())
    ours = compare(sorted(path.parent for path in logs.glob("*/*/run.json"))).cells
    assert [(row.cell, row.capacity_Ah) for row in ours if row.rank] == holds and holds
    by_cell = {row.cell: row.capacity_Ah for row in ours}
    hall = [by_cell[f"hall-{number}"] for number in (1, 2, 3)]
    assert [row[:2] for row in sources] == [("bin", 1), ("hall lights", 3)]
    assert sources[1][2] == pytest.approx(median(hall))
    assert warned and all(count >= 1 for _, count in warned)
    assert len(warmest) == 1 and re.fullmatch(r"\d{4}-\d\d", warmest[0][0])


def test_a_folder_of_others_is_left_alone(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "holiday"
    out.mkdir()
    (out / "photo.txt").write_text("x")
    with pytest.raises(InputError, match=MANIFEST):
        export_shelf(logs, out)
    assert [path.name for path in out.iterdir()] == ["photo.txt"]


def test_without_pyarrow_it_is_one_sentence_and_nothing_is_written(
    logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.partition(".")[0] == "pyarrow":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match=r"amphora-bench\[parquet\]"):
        export_shelf(logs, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_command_says_what_it_did(logs: Path, tmp_path: Path) -> None:
    words = ["shelf", "export", "--parquet", str(tmp_path / "out"), "--logs", str(logs)]
    done = CliRunner().invoke(app, [*words, "--json"])
    answer = json.loads(done.stdout)
    assert (len(answer["written"]), answer["kept"], answer["cells"]) == (4, 0, 4)
    assert "0 runs written, 4 unchanged" in CliRunner().invoke(app, words).stdout


def test_an_export_that_was_killed_is_gone_on_with(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from amphora.harness.report import shelf_parquet

    class Killed(BaseException):
        pass

    out, real, count = tmp_path / "out", shelf_parquet._write, 0

    def until(*words: Any) -> None:
        nonlocal count
        count += 1
        if count == 3:
            raise Killed
        real(*words)

    monkeypatch.setattr(shelf_parquet, "_write", until)
    with pytest.raises(Killed):
        export_shelf(logs, out)
    monkeypatch.setattr(shelf_parquet, "_write", real)
    export_shelf(logs, out)
    straight = tmp_path / "straight"
    export_shelf(logs, straight)
    assert set(files(out)) == set(files(straight))
    assert (export_shelf(logs, out).written, export_shelf(logs, out).kept) == ((), 4)


def test_of_many_runs_the_table_says_the_same_as_of_few(
    logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from amphora.harness.account import kept_answers

    few, many = tmp_path / "few", tmp_path / "many"
    export_shelf(logs, few)
    monkeypatch.setattr(kept_answers, "MANY", 1)
    for _ in range(2):  # kept, then read back
        export_shelf(logs, many)
        (many / MANIFEST).write_text(json.dumps({"format": "amphora-shelf-export/1", "runs": {}, "tables": {}}))
    for path in few.rglob("results.parquet"):
        rows = pq.read_table(path).to_pylist()
        assert rows == pq.read_table(many / path.relative_to(few)).to_pylist() and any(row["warnings"] for row in rows)
