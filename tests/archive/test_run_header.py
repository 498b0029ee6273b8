"""What `run.json` says, as types: it comes back as it was, and what else stands in it does no harm."""

import json
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.run_header import RunHeader, header_of
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import JournalDamaged
from tests.support.any_of_a_type import made

LOGS = Path(__file__).parents[1] / "fixtures" / "v0_1_0" / "logs"


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


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("cutoff_V", "3.0"),
        ("profile", 7),
        ("bench", ["load"]),
        ("bench.cell.current", "load"),
        ("measurement.voltage.gain", "0.1 %"),
    ],
)
def test_a_value_of_another_kind_in_a_run_is_named_and_no_figure_is_made(
    key: str, value: object, tmp_path: Path
) -> None:
    folder = tmp_path / "night"
    shutil.copytree(next(LOGS.glob("*/*-overnight")), folder)
    run = read_header(folder)
    *way, last = key.split(".")
    held = run
    for part in way:
        held = held[part]
    held[last] = value
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    with pytest.raises(JournalDamaged, match=f"{key} = .* is of another kind"):
        load(folder)
