"""A whole shelf as Parquet, for any engine that reads it: readings, results and standings, partitioned, appended to.

    DIR/readings/form=18650/month=2026-11/<cell>__<run>.parquet     one file a run
    DIR/results/form=18650/month=2026-11/results.parquet            one row a run
    DIR/standings/form=18650/standings.parquet                      one row a cell
    DIR/schema.json                                                 every column: type, unit, what it is
    DIR/.exported.json                                              what was written of what, for the next export

A second export writes only what is new: a run whose files or code changed is replaced, one that is gone is taken out.
Each file is written whole beside its place and moved there, so a reader never sees half of one.
"""

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from amphora.harness.account.asking import KeptStanding, kept_standings
from amphora.harness.account.kept_answers import DamagedRun, read_answers
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import known_of, to_json
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.export import exported_columns
from amphora.harness.results.kept import code_digest, digest_of, stamps_of
from amphora.harness.results.result import ResistanceValue, Result

MANIFEST, SCHEMA = ".exported.json", "schema.json"
FORMAT = "amphora-shelf-export/1"
Column = tuple[str, str, str, str]  # name, Arrow type, unit, what it is

READINGS: tuple[Column, ...] = (
    ("cell", "string", "", "the cell's id on the shelf"),
    ("run", "string", "", "the run's folder"),
    ("at_utc", "timestamp", "", "wall clock of the reading; null where the run does not know it"),
    ("t_s", "double", "s", "since the start of the run"),
    ("step", "int64", "", "step as executed, from 0"),
    ("voltage_V", "double", "V", "of the cell"),
    ("current_A", "double", "A", "positive into the cell"),
    ("temperature_degC", "double", "degC", "of the cell"),
    ("charge_Ah", "double", "Ah", "running sum, positive into the cell, the evening's zero taken off"),
    ("energy_Wh", "double", "Wh", "running sum, as charge_Ah"),
)
RESULTS: tuple[Column, ...] = (
    ("cell", "string", "", "the cell's id on the shelf"),
    ("run", "string", "", "the run's folder"),
    ("source", "string", "", "where the cell came from"),
    ("chemistry", "string", "", "as declared or identified"),
    ("profile", "string", "", "the recipe"),
    ("measured_utc", "string", "", "when the run was made; null where an import does not say"),
    ("start", "string", "", "full, declared-full or unknown, by the account of the cell"),
    ("stop", "string", "", "why the run ended"),
    ("reached_cutoff", "bool", "", "whether the discharge reached the cut-off"),
    ("capacity_Ah", "double", "Ah", "given to the cut-off; what was left in it where the start is unknown"),
    ("capacity_U_Ah", "double", "Ah", "expanded uncertainty (k = 2) of the measurement"),
    ("capacity_item_U_Ah", "double", "Ah", "the same of the cell as an item, on another day"),
    ("charge_Ah", "double", "Ah", "accepted in a charge"),
    ("energy_Wh", "double", "Wh", "given to the cut-off"),
    ("mean_voltage_V", "double", "V", "energy over capacity"),
    ("main_current_A", "double", "A", "of the discharge, negative"),
    ("cutoff_V", "double", "V", "cut-off voltage"),
    ("resistance_ohm", "double", "ohm", "that stands for the run: nearest to 10 s, then to half charged"),
    ("resistance_U_ohm", "double", "ohm", "its expanded uncertainty (k = 2)"),
    ("temperature_rise_K", "double", "K", "above the rest before"),
    ("warnings", "list", "", "codes of what was noticed"),
)
STANDINGS: tuple[Column, ...] = (
    ("cell", "string", "", "the cell's id on the shelf"),
    ("source", "string", "", "where it came from"),
    ("chemistry", "string", "", "as declared"),
    ("state", "string", "", "found, quarantined, tested, in use or retired"),
    ("as_found_utc", "string", "", "when it was found"),
    ("claim_Ah", "double", "Ah", "what its wrapper claims"),
    ("capacity_Ah", "double", "Ah", "what it holds by its account"),
    ("capacity_U_Ah", "double", "Ah", "expanded uncertainty (k = 2) of that measurement"),
    ("self_discharge_percent_per_month", "double", "%", "by retention or dated voltages"),
    ("findings", "list", "", "codes of what is held against it or not settled"),
    ("may_charge", "string", "", "yes, ask or no"),
    ("may_match", "string", "", "yes, ask or no"),
)
TABLES: dict[str, tuple[Column, ...]] = {"readings": READINGS, "results": RESULTS, "standings": STANDINGS}


@dataclass(frozen=True, slots=True)
class Exported:
    """What an export did: runs written anew, left as they were, taken out; runs that cannot be read, with why."""

    written: tuple[str, ...]
    kept: int
    removed: tuple[str, ...]
    damaged: tuple[DamagedRun, ...]
    cells: int


@dataclass(frozen=True)
class RunWritten:
    """A run's readings in an export: what they were made of, and their file."""

    key: str
    file: str


@dataclass(frozen=True)
class Manifest:
    """What an export wrote: the runs by name, and the digest of each table of results and standings."""

    format: str
    runs: Mapping[str, RunWritten]
    tables: Mapping[str, str]


def export_shelf(logs: Path, out: Path, say: Callable[[str], None] = lambda text: None) -> Exported:
    """Write a shelf as Parquet, or what is new of it.

    Args:
        logs: The shelf's folder.
        out: A folder; a new one, or that of an earlier export.
        say: Told each hundredth run.

    Raises:
        InputError: pyarrow is missing, the folder is another's, or it cannot be written.
    """
    try:
        import pyarrow  # noqa: F401  found missing before anything is written
    except ImportError as error:
        raise InputError(
            f"{out}: Parquet needs the optional part 'parquet', which is not installed: "
            'pip install "amphora-bench[parquet]"; `amphora export` writes one run as CSV without it'
        ) from error
    before = _manifest(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
        if not before:
            _write_manifest(out, {}, {})  # an export that is killed can be gone on with
        return _export(Path(logs), out, before, say)
    except OSError as error:
        raise InputError(f"{error.filename or out}: cannot be written ({error.strerror or error})") from error


def _write_manifest(out: Path, runs: Mapping[str, RunWritten], tables: Mapping[str, str]) -> None:
    _write_text(out / MANIFEST, json.dumps(to_json(Manifest(FORMAT, runs, tables))))


def _manifest(out: Path) -> Manifest:
    """Return what an earlier export wrote.

    Raises:
        InputError: the folder holds other things.
    """
    if not out.exists() or (out.is_dir() and not any(out.iterdir())):
        return Manifest(FORMAT, {}, {})
    try:
        found = known_of(Manifest, json.loads((out / MANIFEST).read_text(encoding="utf-8")))
        if found.format == FORMAT:
            return found
    except (OSError, ValueError):
        pass
    raise InputError(f"{out}: is no earlier export of a shelf ({MANIFEST} is not there); name a new or empty folder")


def _export(logs: Path, out: Path, before: Manifest, say: Callable[[str], None]) -> Exported:
    shelf = Shelf(logs)
    entries = [entry for entry in shelf.list_runs() if not entry.damaged]
    damaged = [DamagedRun(e.folder, e.damaged) for e in shelf.list_runs() if e.damaged]
    good, more = read_answers([Path(entry.folder) for entry in entries], whole=False)
    damaged += more
    stops = {entry.folder: entry.stop for entry in entries}
    runs: dict[str, RunWritten] = {}
    written: list[str] = []
    rows: dict[str, list[dict[str, Any]]] = {}
    for folder, result, record, measured_utc in good:
        name = f"{folder.parent.name}/{folder.name}"
        place = f"form={_safe(record.form)}/month={_month(measured_utc, folder)}"
        rows.setdefault(f"results/{place}/results.parquet", []).append(
            _result_row(
                folder,
                result,
                measured_utc,
                chosen_resistance(result),
                record,
                stops.get(str(folder), ""),
            )
        )
        file = f"readings/{place}/{_safe(folder.parent.name)}__{_safe(folder.name)}.parquet"
        made = RunWritten(_key_of(folder), file)
        if before.runs.get(name) != made or not (out / file).is_file():
            try:
                _write(out / file, READINGS, _reading_columns(folder))
            except AmphoraError as error:
                damaged.append(DamagedRun(str(folder), str(error)))
                continue
            written.append(name)
        runs[name] = made
        if written and len(written) % 100 == 0 and written[-1] == name:
            say(f"{len(written)} runs written")
            _write_manifest(out, {**before.runs, **runs}, before.tables)
    cells = _standing_rows(logs, rows)
    tables = _write_rows(out, rows, before.tables)
    gone = {item.file for item in before.runs.values()} - {item.file for item in runs.values()}
    for file in [*gone, *(set(before.tables) - set(tables))]:
        (out / file).unlink(missing_ok=True)
    removed = tuple(sorted(set(before.runs) - set(runs)))
    _write_text(out / SCHEMA, json.dumps(schema(), indent=2, ensure_ascii=False))
    _write_manifest(out, runs, tables)
    return Exported(tuple(written), len(runs) - len(written), removed, tuple(damaged), cells)


def _safe(text: object) -> str:
    """Return a text as a part of a path that every engine and file system takes."""
    kept = "".join(sign if sign.isalnum() or sign in "-._" else "_" for sign in str(text or ""))
    return kept.strip(".") or "unknown"


def _month(measured_utc: str | None, folder: Path) -> str:
    """Return the month in which a run was measured; of one that does not say, that of its folder."""
    with contextlib.suppress(ValueError):
        return f"{datetime.fromisoformat(str(measured_utc)):%Y-%m}"
    stamp = folder.name[:6]
    return f"{stamp[:4]}-{stamp[4:]}" if stamp.isdigit() and len(stamp) == 6 else "unknown"


def _key_of(folder: Path) -> str:
    """Return what changes when a run's files do, or the code that makes the columns."""
    stamps = stamps_of(folder)
    made_of = repr(stamps) if stamps is not None else str(digest_of(folder))
    return hashlib.sha256(f"{code_digest()} {made_of}".encode()).hexdigest()[:24]


def _reading_columns(folder: Path) -> dict[str, Any]:
    import numpy as np

    columns, info = exported_columns(folder)
    t_s = np.asarray(columns["t_s"], np.float64)
    began = info.get("began_utc")
    at: Any = [None] * t_s.size
    if began:
        first = np.datetime64(datetime.fromisoformat(str(began)).replace(tzinfo=None), "ms")
        at = first + np.round(1000 * (t_s - t_s[0] if t_s.size else t_s)).astype("timedelta64[ms]")
    found = {name: columns[name] for name, *_ in READINGS if name in columns}
    return {"cell": [folder.parent.name] * t_s.size, "run": [folder.name] * t_s.size, "at_utc": at, **found}


def _result_row(
    folder: Path, result: Result, measured_utc: str | None, chosen: ResistanceValue | None, record: Cell,
    stop: str,
) -> dict[str, Any]:  # fmt: skip
    return {
        **{name: getattr(result, name, None) for name, *_ in RESULTS}, "measured_utc": measured_utc,
        "cell": folder.parent.name, "run": folder.name, "source": record.source,
        "profile": str(result.profile or folder.name.partition("-")[2]), "stop": stop,
        "resistance_ohm": chosen.ohm if chosen else None, "resistance_U_ohm": chosen.U_ohm if chosen else None,
        "warnings": [item.code for item in result.warnings],
    }  # fmt: skip


def _standing_rows(logs: Path, rows: dict[str, list[dict[str, Any]]]) -> int:
    shelf = Shelf(logs)
    standings = kept_standings(shelf)
    cells = shelf.cells()
    for cell in cells:
        standing = standings.get(cell.id, KeptStanding())
        rows.setdefault(f"standings/form={_safe(cell.form)}/standings.parquet", []).append(
            {
                "cell": cell.id, "source": cell.source, "chemistry": cell.chemistry, "state": cell.state,
                "as_found_utc": cell.as_found_utc or None, "claim_Ah": cell.claim_Ah,
                "capacity_Ah": standing.capacity_Ah, "capacity_U_Ah": standing.capacity_U_Ah,
                "self_discharge_percent_per_month": standing.self_discharge_percent_per_month,
                "findings": list(standing.findings),
                **{f"may_{act}": standing.may.get(act) for act in ("charge", "match")},
            }
        )  # fmt: skip
    return len(cells)


def _write_rows(out: Path, rows: Mapping[str, list[dict[str, Any]]], before: Mapping[str, str]) -> dict[str, str]:
    """Write the tables of one row a run or cell whose content differs; return the digest of each."""
    tables = {}
    for file, items in rows.items():
        columns = TABLES[file.partition("/")[0]]
        digest = hashlib.sha256(json.dumps([columns, items], sort_keys=True).encode()).hexdigest()
        if before.get(file) != digest or not (out / file).is_file():
            _write(out / file, columns, {name: [item[name] for item in items] for name, *_ in columns})
        tables[file] = digest
    return tables


def _write(path: Path, columns: tuple[Column, ...], values: Mapping[str, Any]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {
        "string": pa.string(), "double": pa.float64(), "int64": pa.int64(), "bool": pa.bool_(),
        "list": pa.list_(pa.string()), "timestamp": pa.timestamp("ms", tz="UTC"),
    }  # fmt: skip
    fields = [
        pa.field(name, types[kind], metadata={"unit": unit, "description": what}) for name, kind, unit, what in columns
    ]
    arrays = [pa.array(values[name], types[kind], from_pandas=True) for name, kind, _, _ in columns]
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        pq.write_table(pa.table(arrays, schema=pa.schema(fields)), beside, compression="zstd")
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def _write_text(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    beside.write_text(text + "\n", encoding="utf-8", newline="\n")
    beside.replace(path)


def schema() -> dict[str, Any]:
    """Return every table and column: name, type, unit, what it is; and how the folders divide them."""
    return {
        "format": FORMAT,
        "partitions": {"readings": ["form", "month"], "results": ["form", "month"], "standings": ["form"]},
        "tables": {
            table: [
                {"name": name, "type": kind, "unit": unit, "description": what} for name, kind, unit, what in columns
            ]
            for table, columns in TABLES.items()
        },
    }
