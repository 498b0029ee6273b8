"""Promises of datapackage.json: valid by the open standard's own reference implementation."""

import json

import pytest

from harness.errors import InputError
from harness.importing import import_table
from harness.packaging import describe, write_package


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

    path = write_package(run)
    assert Package(str(path)).name == json.loads(path.read_text())["name"]
    report = validate(str(path), resource_name="samples")
    assert report.valid, report.flatten(["rowNumber", "fieldName", "note"])


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
