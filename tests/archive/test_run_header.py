"""What `run.json` says, as types: of every version, whatever else stands in it."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings

from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.run_header import ImportOfRun, RunHeader, header_of
from amphora.harness.common.as_json import from_json, known_of, to_json
from tests.support.any_of_a_type import made

LOGS = Path(__file__).parents[1] / "fixtures" / "v0_1_0" / "logs"
FOLDERS = sorted(path.parent for path in LOGS.glob("*/*/run.json"))


@pytest.mark.parametrize("folder", FOLDERS, ids=[f"{folder.parent.name}-{folder.name[17:]}" for folder in FOLDERS])
def test_a_run_of_0_1_0_says_what_it_said(folder: Path) -> None:
    run = read_header(folder)
    header = header_of(run)
    assert (header.cell.id, header.profile, header.created_utc) == (
        run["cell"]["id"], run["profile"], run["created_utc"])  # fmt: skip
    assert header.cell.to_dict() == {**header.cell.to_dict(), **run["cell"]}
    assert list(header.bench.instruments) == list(run["bench"]["instruments"])
    assert list(header.bench.cell.current) == run["bench"]["cell"].get("current", [])
    imported = run.get("imported")
    assert (header.imported is None) is (imported is None)
    if imported is not None:  # since then it also says when its record began, and by whom
        assert to_json(header.imported) == {**imported, "began_utc": None, "began_from": None}


@settings(max_examples=40, deadline=None, database=None)
@given(made(ImportOfRun))
def test_what_is_kept_of_a_table_comes_back_as_it_was(imported: ImportOfRun) -> None:
    data = json.loads(json.dumps(to_json(imported)))
    assert from_json(ImportOfRun, data) == known_of(ImportOfRun, data) == imported


@pytest.mark.parametrize("run", [{}, {"cell": None, "bench": [], "plan": 7, "imported": "x.csv", "cutoff_V": "3 V"}])
def test_what_is_of_another_kind_counts_as_not_said(run: dict[str, object]) -> None:
    assert header_of(run) == RunHeader()
