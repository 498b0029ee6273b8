"""Readings of a run as a file for other programs: CSV or Parquet, units spelled out.

CSV: header words with unit. Parquet: the names of this project, and each field's unit in its
metadata. Running charge and energy are added as this project integrates them; `amphora analyse`
gives the figures, `harness.packaging` describes the folder itself.
"""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from harness.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SPELLED = {
    "t_s": "time (second)",
    "step": "step",
    "voltage_V": "voltage (volt)",
    "current_A": "current into the cell (ampere)",
    "temperature_degC": "temperature (degree Celsius)",
    "charge_Ah": "running charge into the cell (ampere-hour)",
    "energy_Wh": "running energy into the cell (watt-hour)",
}


def export_run(folder: Path, out: Path, kind: Literal["csv", "parquet"] | None = None) -> Path:
    """Write a run's readings to a file; return its path.

    Args:
        folder: The run folder.
        out: File to write, `.csv` or `.parquet`.
        kind: Overrides the ending.

    Raises:
        InputError: no run folder, an unknown ending, a file that cannot be written.
        JournalDamaged: damage in the run folder.
    """
    out = Path(out)
    kind = kind or {".csv": "csv", ".parquet": "parquet", ".pq": "parquet"}.get(out.suffix.lower())  # type: ignore[assignment]
    if kind not in ("csv", "parquet"):
        raise InputError(f"{out}: ends in {out.suffix or 'nothing'}; .csv or .parquet are accepted")
    columns, info = exported_columns(folder)
    import pyarrow as pa

    arrays = [pa.array(values, from_pandas=True) for values in columns.values()]
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        if kind == "csv":
            import pyarrow.csv as pa_csv

            with out.open("wb") as file:
                header = ",".join(_quoted(SPELLED.get(name, name)) for name in columns)
                file.write((header + "\n").encode("utf-8"))
                table = pa.table(arrays, names=list(columns))
                pa_csv.write_csv(table, file, pa_csv.WriteOptions(include_header=False))
        else:
            import pyarrow.parquet as pq

            from harness.packaging import table_schema

            described = {field["name"]: field for field in table_schema(list(columns))["fields"]}
            fields = [
                pa.field(
                    name,
                    array.type,
                    metadata={
                        "unit": described[name].get("unit", ""),
                        "title": described[name]["title"],
                        "description": described[name]["description"],
                    },
                )
                for name, array in zip(columns, arrays, strict=True)
            ]
            schema = pa.schema(fields, metadata={"amphora": json.dumps(info, ensure_ascii=False)})
            pq.write_table(pa.table(arrays, schema=schema), out)
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror or error})") from error
    return out


def exported_columns(folder: Path) -> "tuple[dict[str, npt.NDArray[np.generic]], dict[str, Any]]":
    """Return the columns to export, with running charge and energy, and what is known of the run."""
    import numpy as np

    from harness.analysis.integration import accumulate
    from harness.loading import load_all
    from harness.results import prepared

    loaded = load_all(Path(folder))
    record = loaded.record
    columns: dict[str, npt.NDArray[np.generic]] = {
        "t_s": record.t_s,
        "step": record.step,
        "voltage_V": record.voltage_V,
        "current_A": record.current_A,
        "temperature_degC": record.temperature_degC,
    }
    ready = prepared(record, loaded.run.get("plan") is not None, loaded.info)
    good = np.isfinite(record.t_s) & np.isfinite(record.voltage_V) & np.isfinite(record.current_A)
    for name in ("charge_Ah", "energy_Wh"):
        columns[name] = np.full(record.t_s.size, np.nan)
    if ready.t_s.size >= 2:
        totals = accumulate(ready, ready.extra.get("step_time_s"))
        columns["charge_Ah"][good] = totals.charge_Ah
        columns["energy_Wh"][good] = totals.energy_Wh
    columns.update(record.extra)
    info = {
        "cell": loaded.info.cell_id,
        "run": loaded.info.run_id,
        "chemistry": loaded.info.chemistry,
        "start": loaded.info.start,
        "created_utc": loaded.info.created_utc,
        "current": "positive into the cell",
    }
    return columns, info


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\n') else text
