"""Promises of datapackage.json: valid by the open standard's own reference implementation."""

import json
import subprocess
import sys

import pytest

from amphora.harness.archive.data_package import describe, write_package
from amphora.harness.common.errors import InputError
from amphora.harness.importing.import_run import import_table


@pytest.fixture
def run(tmp_path):
    lines = ["Time(s),Voltage(V),Current(A)"]
    lines += [f"{10 * k},{4.0 - k * 0.01},{-0.5 if k > 2 else 0}" for k in range(60)]
    file = tmp_path / "a.csv"
    file.write_text("\n".join(lines) + "\n")
    return import_table(file, "Hall_2", logs=tmp_path / "logs")


@pytest.mark.filterwarnings("ignore")  # of the reference implementation's own dependencies
def test_the_reference_implementation_finds_the_package_and_its_table_valid(run):
    from frictionless import Package, validate

    path = run / "datapackage.json"  # an import leaves it
    assert path.read_bytes() == write_package(run).read_bytes()
    assert Package(str(path)).name == json.loads(path.read_text())["name"]
    report = validate(str(path), resource_name="samples")
    assert report.valid, report.flatten(["rowNumber", "fieldName", "note"])


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", ["imported with more channels", "simulated"])
def test_whole_packages_of_every_kind_of_run_are_valid(tmp_path, kind):
    from frictionless import validate

    if kind == "simulated":
        folder = simulated(tmp_path / "logs")
    else:
        lines = ["Time(s),Voltage(V),Current(A),Temp(C),Humidity,Aux_V"]
        lines += [f"{k},{4.0 - k * 0.01},-0.5,{'' if k % 7 == 0 else 21.5},{40 + k},1e-3" for k in range(60)]
        (tmp_path / "b.csv").write_text("\n".join(lines) + "\n")
        folder = import_table(tmp_path / "b.csv", "Hall_3", logs=tmp_path / "logs")
    report = validate(str(write_package(folder)))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "note"])
    assert {task.name for task in report.tasks} == {"samples", "run", "events"}


@pytest.mark.filterwarnings("ignore")
def test_a_reading_that_is_no_number_makes_the_package_invalid(run):
    from frictionless import validate

    path = write_package(run)
    samples = run / "samples.csv"
    samples.write_text(samples.read_text(encoding="utf-8").replace(",-0.5,", ",half,", 1), encoding="utf-8")
    assert not validate(str(path)).valid


def simulated(logs):
    """Return the folder of a short charge on the simulated bench."""
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.cells.cell import Cell

    Shelf(logs).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}))
    said = subprocess.run(
        [sys.executable, "-m", "amphora.harness", "run", "--cell", "c", "--profile", "charge",
         "--bench", "simulated", "--capacity", "0.5 Ah", "--present", "--logs", str(logs)],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    (folder,) = (path.parent for path in logs.glob("c/*/run.json"))
    assert (folder / "samples.csv").stat().st_size > 500, said.stderr
    return folder


def test_each_field_has_its_unit_and_each_file_its_checksum(run):
    data = describe(run)
    table = data["resources"][0]
    units = {field["name"]: field.get("unit") for field in table["schema"]["fields"]}
    assert units["voltage_V"] == "volt" and units["current_A"] == "ampere"
    assert [item["path"] for item in data["resources"]] == ["samples.csv", "run.json", "events.jsonl"]
    assert all(item["hash"].startswith("sha256:") for item in data["resources"])
    assert data["name"] == data["name"].lower()


def test_what_is_no_run_folder_is_refused(tmp_path):
    with pytest.raises(InputError, match="no run folder"):
        describe(tmp_path)
