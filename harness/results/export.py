"""Readings of a run as a file for other programs: CSV or Parquet, units spelled out, or as Battery Data Format.

CSV: header words with unit. Parquet: the names of this project, and each field's unit in its
metadata. Running charge and energy are added as this project integrates them; `amphora analyse`
gives the figures, `archive.data_package` describes the folder itself.
"""

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from amphora.harness.common.errors import InputError
from amphora.harness.common.optional_parts import PARTS, how_to_get

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


# The Battery Data Format's labels for what we write. Source: its ontology 1.2.0, issued 2026-05-14 (read:
# battery-data-alliance/battery-data-format, bdf-ontology-snapshot.ttl). Required: Test Time, Voltage, Current
# (positive charges the cell).
BDF = {
    "t_s": "Test Time / s",
    "voltage_V": "Voltage / V",
    "current_A": "Current / A",
    "unix_s": "Unix Time / s",
    "charging_Ah": "Charging Capacity / Ah",
    "discharging_Ah": "Discharging Capacity / Ah",
}


def export_run(folder: Path, out: Path, kind: Literal["csv", "parquet"] | None = None, form: str = "own") -> Path:
    """Write a run's readings to a file; return its path.

    Args:
        folder: The run folder.
        out: File to write, `.csv` or `.parquet`.
        kind: Overrides the ending.
        form: `own`, our columns; `bdf`, the columns and labels of the open Battery Data Format.

    Raises:
        InputError: no run folder, an unknown ending, a file that cannot be written.
        JournalDamaged: damage in the run folder.
    """
    out = Path(out)
    kind = kind or {".csv": "csv", ".parquet": "parquet", ".pq": "parquet"}.get(out.suffix.lower())  # type: ignore[assignment]
    if kind not in ("csv", "parquet"):
        raise InputError(f"{out}: ends in {out.suffix or 'nothing'}; .csv or .parquet are accepted")
    if form not in ("own", "bdf"):
        raise InputError(f"--format: {form[:40]!r}; own or bdf are accepted")
    try:
        import pyarrow as pa
    except ImportError as error:
        if kind == "csv":
            return _export_plainly(folder, out, form)
        raise InputError(
            f"{out}: Parquet needs the optional part 'parquet' ({PARTS['parquet'].size_MB} MB), which is not "
            f"installed: {how_to_get('parquet')}; .csv is written without it"
        ) from error
    columns, info = exported_columns(folder)
    if form == "bdf":
        columns = _as_bdf(columns, info)

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

            from amphora.harness.archive.data_package import table_schema

            described = (
                {} if form == "bdf" else {field["name"]: field for field in table_schema(list(columns))["fields"]}
            )
            fields = [
                pa.field(
                    name,
                    array.type,
                    metadata={
                        "unit": described[name].get("unit", ""),
                        "title": described[name]["title"],
                        "description": described[name]["description"],
                    }
                    if described
                    else {"unit": name.rpartition(" / ")[2]},
                )
                for name, array in zip(columns, arrays, strict=True)
            ]
            schema = pa.schema(fields, metadata={"amphora": json.dumps(info, ensure_ascii=False)})
            pq.write_table(pa.table(arrays, schema=schema), out)
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror or error})") from error
    return out


def _export_plainly(folder: Path, out: Path, form: str) -> Path:
    """Write the table as CSV where pyarrow is not installed: the same numbers."""
    import numpy as np

    columns, info = exported_columns(folder)
    if form == "bdf":
        columns = _as_bdf(columns, info)
    texts = [
        ["" if isinstance(one, float) and np.isnan(one) else one if isinstance(one, str) else repr(one) for one in part]
        for part in (values.tolist() for values in columns.values())
    ]
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with out.open("w", encoding="utf-8", newline="") as file:
            file.write(",".join(_quoted(SPELLED.get(name, name)) for name in columns) + "\n")
            file.writelines(",".join(row) + "\n" for row in zip(*texts, strict=True))
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror or error})") from error
    return out


def exported_columns(folder: Path) -> "tuple[dict[str, npt.NDArray[np.generic]], dict[str, Any]]":
    """Return the columns to export, with running charge and energy, and what is known of the run."""
    import numpy as np

    from amphora.harness.analysis.integration import accumulate
    from amphora.harness.archive.loading import load_all
    from amphora.harness.results.preparation import prepared

    loaded = load_all(Path(folder))
    record = loaded.record
    columns: dict[str, npt.NDArray[np.generic]] = {
        "t_s": record.t_s,
        "step": record.step,
        "voltage_V": record.voltage_V,
        "current_A": record.current_A,
        "temperature_degC": record.temperature_degC,
    }
    ready = prepared(record, loaded.header.plan is not None, loaded.info)
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
    imported = loaded.header.imported
    if imported is None:
        info["began_utc"] = loaded.info.created_utc
    elif imported.began_utc and imported.began_from in ("table", "given"):
        info["began_utc"] = imported.began_utc
    return columns, info


def _as_bdf(
    columns: "dict[str, npt.NDArray[np.generic]]", info: "dict[str, Any]"
) -> "dict[str, npt.NDArray[np.generic]]":
    """Return the columns that the Battery Data Format has names for; rows without a reading are left out.

    The two counters are running sums of charge in and charge out. Time of day is written only where the run knows it.
    """
    import numpy as np

    t, running = np.asarray(columns["t_s"], np.float64), np.asarray(columns["charge_Ah"], np.float64)
    steps = np.diff(np.where(np.isfinite(running), running, 0.0), prepend=0.0)
    held = {
        "t_s": t,
        "voltage_V": columns["voltage_V"],
        "current_A": columns["current_A"],
        "charging_Ah": np.cumsum(np.maximum(steps, 0.0)),
        "discharging_Ah": np.cumsum(np.maximum(-steps, 0.0)),
    }
    if info.get("began_utc"):
        first = datetime.fromisoformat(str(info["began_utc"]).replace("Z", "+00:00")).timestamp()
        held["unix_s"] = first + t - float(t[0])
    good = np.isfinite(t) & np.isfinite(np.asarray(columns["voltage_V"], np.float64))
    good &= np.isfinite(np.asarray(columns["current_A"], np.float64))
    return {BDF[name]: np.asarray(values)[good] for name, values in held.items()}


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\n') else text
