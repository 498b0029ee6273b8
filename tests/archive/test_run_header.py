"""What `run.json` says, as types: it comes back as it was, and what else stands in it does no harm."""

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.run_header import ImportOfRun, RunHeader, header_of
from amphora.harness.common.as_json import from_json, known_of, to_json
from tests.support.any_of_a_type import made

LOGS = Path(__file__).parents[1] / "fixtures" / "v0_1_0" / "logs"
FOLDERS = sorted(path.parent for path in LOGS.glob("*/*/run.json"))


@settings(max_examples=40, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(made(RunHeader))
def test_a_header_comes_back_as_it_was_whatever_a_newer_version_says_beside_it(header: RunHeader) -> None:
    data = json.loads(json.dumps(to_json(header), allow_nan=False))
    assert header_of(data) == header
    assert header_of({**data, "weather": "rain", "bench": {**data["bench"], "colour": ["red"]}}) == header


def test_what_is_not_said_is_as_by_default() -> None:
    assert header_of({}) == header_of({"plan": None, "bench": {"name": None}}) == RunHeader()
    assert header_of({"imported": {}}).measured_utc is None
    assert header_of({"created_utc": "2026-11-24T21:00:00Z"}).measured_utc == "2026-11-24T21:00:00Z"


@pytest.mark.parametrize(
    "run",
    [
        {"cutoff_V": "3.0"}, {"cutoff_V": True}, {"profile": 7}, {"bench": ["load"]}, {"bench": {"simulated": 1}},
        {"bench": {"cell": {"current": "load"}}}, {"measurement": {"voltage": {"gain": "1 %"}}}, {"plan": 7},
    ],
)  # fmt: skip
def test_a_value_of_another_kind_counts_as_not_there(run: dict[str, object]) -> None:
    assert header_of(run) == RunHeader()


@pytest.mark.parametrize(
    ("bench", "simulated"),
    [
        ({"simulated": True}, True),
        ({"instruments": {"load": {"resource": "simulated"}}}, True),
        ({"instruments": {"load": {"identity": "AMPHORA SIM,LOAD,0001,1.0"}}}, True),
        ({"instruments": {"load": {"resource": "USB0::1", "identity": "EXAMPLE WORKS,EL-150,0042,1.3"}}}, False),
    ],
)
def test_a_bench_without_a_real_cell_is_told_by_its_addresses_or_answers(
    bench: dict[str, object], simulated: bool
) -> None:
    assert header_of({"bench": bench}).bench.is_simulated is simulated


@pytest.mark.parametrize("folder", FOLDERS, ids=[f"{folder.parent.name}-{folder.name[17:]}" for folder in FOLDERS])
def test_a_run_of_0_1_0_says_what_it_said(folder: Path) -> None:
    run = read_header(folder)
    header = header_of(run)
    assert (header.cell_id, header.profile, header.created_utc) == (
        run["cell"]["id"], run["profile"], run["created_utc"])  # fmt: skip
    assert header.cell_record.to_dict() == {**header.cell_record.to_dict(), **run["cell"]}
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
