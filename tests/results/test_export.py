"""Promises of the export: the same numbers, units spelled out, in CSV and Parquet."""

import csv

import pytest

from amphora.harness.common.errors import InputError
from amphora.harness.importing.import_run import import_table
from amphora.harness.results.export import export_run


@pytest.fixture
def run(tmp_path):
    lines = ["Time(s),Voltage(V),Current(A),Temp(C),Humidity"]
    lines += [f"{10 * k},{4.0 - k * 0.01},{-0.5 if k > 2 else 0},21.5,{40 + k}" for k in range(60)]
    file = tmp_path / "a.csv"
    file.write_text("\n".join(lines) + "\n")
    return import_table(file, "K-7", logs=tmp_path / "logs")


def test_csv_spells_the_units_out_and_carries_the_running_charge(run, tmp_path):
    out = export_run(run, tmp_path / "out" / "night.csv")
    rows = list(csv.reader(out.read_text(encoding="utf-8").splitlines()))
    assert rows[0][:5] == [
        "time (second)", "step", "voltage (volt)", "current into the cell (ampere)", "temperature (degree Celsius)",
    ]  # fmt: skip
    assert "Humidity" in rows[0]
    charge = rows[0].index("running charge into the cell (ampere-hour)")
    assert float(rows[-1][charge]) == pytest.approx(-0.5 * 565 / 3600, rel=1e-6)
    assert len(rows) == 61


def test_parquet_holds_the_unit_of_each_field(run, tmp_path):
    import pyarrow.parquet as pq

    table = pq.read_table(export_run(run, tmp_path / "night.parquet"))
    assert table.schema.field("voltage_V").metadata[b"unit"] == b"volt"
    assert table.schema.field("current_A").metadata[b"unit"] == b"ampere"
    assert table.num_rows == 60
    assert b"K-7" in table.schema.metadata[b"amphora"]


def test_another_ending_is_refused(run, tmp_path):
    with pytest.raises(InputError, match=r"\.csv or \.parquet"):
        export_run(run, tmp_path / "night.xlsx")
