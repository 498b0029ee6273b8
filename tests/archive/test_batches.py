"""Without pyarrow, which is an optional part, every table gives the same numbers."""

import sys
from pathlib import Path

import numpy as np
import pytest

from amphora.harness.archive.batches import batches_by_numpy, batches_by_pyarrow
from amphora.harness.archive.loading import load_all

COLUMNS = ("t_s", "step", "voltage_V", "current_A", "temperature_degC", "took_s")
HEAD = ",".join(COLUMNS) + "\n"
ROWS = [
    f"{k * 0.1!r},{k // 50},{4.2 - k / 7e3!r},{-0.3 + k * 1e-9!r},{'' if k % 3 else 20.5},{k * 1e-7!r}"
    for k in range(500)
]
WANTED = ["t_s", "step", "voltage_V", "temperature_degC"]


def whole(reader, path: Path, wanted: list[str]):
    parts = list(reader(path, COLUMNS, wanted, 4096))
    assert len(parts) > 1  # several batches
    return sum(count for count, _ in parts), {
        name: np.concatenate([part[name] for _, part in parts]) for name in wanted
    }


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("wanted", [WANTED, list(COLUMNS)])
def test_both_ways_give_the_same_numbers_to_the_bit(tmp_path: Path, end: str, wanted: list[str]) -> None:
    path = tmp_path / "samples.csv"
    rows = [*ROWS, ",,,,,", "1e-05,7,-0.0,1E3,1e308,5e-324"]
    path.write_bytes((HEAD + "".join(row + end for row in rows)).encode())
    (count, one), (other_count, other) = whole(batches_by_pyarrow, path, wanted), whole(batches_by_numpy, path, wanted)
    assert count == other_count == len(rows)
    for name in wanted:
        assert one[name].dtype == other[name].dtype
        assert np.array_equal(one[name], other[name], equal_nan=name != "step"), name


@pytest.mark.parametrize(
    "row", ["1.0,2,3,4,5", "1.0,2,3,4,5,6,7", "1.0,x,3,4,5,6", "1.0,2,3,4,5,6 torn", "a,2,3,4,5,6", "1.0,2.5,3,4,5,6"]
)
def test_both_ways_refuse_the_same_rows(tmp_path: Path, row: str) -> None:
    path = tmp_path / "samples.csv"
    path.write_text(HEAD + "\n".join([*ROWS, row, *ROWS]) + "\n", encoding="utf-8")
    for reader in (batches_by_pyarrow, batches_by_numpy):
        with pytest.raises(ValueError):
            list(reader(path, COLUMNS, WANTED, 4096))


def test_a_table_imported_loaded_and_exported_without_pyarrow_has_the_same_values(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from programs import Inside

    from amphora.harness.common.errors import InputError
    from amphora.harness.results.export import export_run

    table = tmp_path / "night.csv"
    rows = "".join(f"{10 * k},{4.1 - k * 0.0021:.4f},{-300 - k % 3}.5\n" for k in range(400))
    table.write_text("time / s,voltage / V,current / mA\n" + rows, encoding="utf-8")
    read, written = [], []
    for bare in (False, True):
        folder = tmp_path / ("bare" if bare else "full")
        if bare:
            for name in ("pyarrow", "pyarrow.csv", "pyarrow.parquet"):
                monkeypatch.setitem(sys.modules, name, None)
        Inside(folder).call("import", str(table), "--cell", "c")
        (run,) = (path for path in (folder / "logs" / "c").iterdir() if path.is_dir())
        record = load_all(run).record
        read.append([record.t_s, record.step, record.voltage_V, record.current_A])
        lines = export_run(run, folder / "out.csv").read_text(encoding="utf-8").splitlines()
        written.append((lines[0], [[float(cell or "nan") for cell in line.split(",")] for line in lines[1:]]))
    for one, other in zip(*read, strict=True):
        assert np.array_equal(one, other)
    assert written[0][0] == written[1][0]
    assert np.array_equal(written[0][1], written[1][1], equal_nan=True)
    with pytest.raises(InputError, match=r"amphora-bench\[parquet\]"):
        export_run(run, tmp_path / "out.parquet")
