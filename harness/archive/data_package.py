"""`datapackage.json`: what the files of a run folder hold, by the open Frictionless standard.

Data Package and Table Schema, version 1 (specs.frictionlessdata.io). Derived: may be deleted and
made anew. Units stand beside each field, spelled out.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import sha256, write_whole
from amphora.harness.archive.run_folder import EVENTS, RUN, SAMPLES, header_of_run, read_columns

FIELDS: dict[str, tuple[str, str, str, str]] = {
    # name: (type, title, unit, description)
    "t_s": ("number", "Time", "second", "Time since the start of the run, on a clock that never goes back."),
    "step": ("integer", "Step", "", "Index from 0 of the step as executed; a repeated step gets a new one."),
    "voltage_V": ("number", "Voltage", "volt", "Voltage at the cell."),
    "current_A": ("number", "Current", "ampere", "Current, positive into the cell."),
    "temperature_degC": ("number", "Temperature", "degree Celsius", "Temperature of the cell."),
    "took_s": ("number", "Took", "second", "How long the answer took: within half of it around t_s."),
    "step_time_s": ("number", "Step time", "second", "The source's own time since its step began."),
    "counter_Ah": ("number", "Charge counter", "ampere-hour", "The source's own charge counter."),
    "counter_charge_Ah": ("number", "Charge counter", "ampere-hour", "The source's own counter of charge put in."),
    "counter_discharge_Ah": ("number", "Discharge counter", "ampere-hour", "The source's counter of charge taken out."),
    "charge_Ah": ("number", "Running charge", "ampere-hour", "Integral of the current, positive into the cell."),
    "energy_Wh": ("number", "Running energy", "watt-hour", "Integral of the power, positive into the cell."),
}
_ENDINGS = {
    "_V": "volt",
    "_A": "ampere",
    "_degC": "degree Celsius",
    "_ohm": "ohm",
    "_Ah": "ampere-hour",
    "_s": "second",
}


def table_schema(columns: Sequence[str]) -> dict[str, Any]:
    """Return the Table Schema of a table with these columns."""
    fields = []
    for name in columns:
        kind, title, unit, description = FIELDS.get(name, ("number", name, "", "A further channel of the source."))
        if name not in FIELDS:
            unit = next((words for ending, words in _ENDINGS.items() if name.endswith(ending)), "")
        entry: dict[str, Any] = {"name": name, "type": kind, "title": title, "description": description}
        if unit:
            entry["unit"] = unit
        if name in ("t_s", "step"):
            entry["constraints"] = {"required": True}
        fields.append(entry)
    return {"fields": fields, "missingValues": [""]}


def describe(folder: Path) -> dict[str, Any]:
    """Return the data package descriptor of a run folder.

    Raises:
        InputError: no run folder, or its table has no header.
    """
    folder = Path(folder)
    header, columns = header_of_run(folder), read_columns(folder)
    resources: list[dict[str, Any]] = [
        {
            "name": "samples",
            "path": SAMPLES,
            "title": "Readings, a row each",
            "profile": "tabular-data-resource",
            "type": "table",
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "header": True},
            "schema": table_schema(columns),
            **_size(folder / SAMPLES),
        }
    ]
    others = (
        ("run", RUN, "What was known before the run: cell, plan, bench, accuracy", "application/json", "json"),
        ("events", EVENTS, "What happened, a JSON object a line", "application/jsonl", "text"),
        (
            "off",
            "off.json",
            "What switches the instruments of this run off: addresses, bytes",
            "application/json",
            "json",
        ),
    )
    for name, file_name, title, media, kind in others:
        if (folder / file_name).is_file():
            resources.append(
                {
                    "name": name,
                    "path": file_name,
                    "title": title,
                    "profile": "data-resource",
                    "type": kind,
                    "format": file_name.rsplit(".", 1)[1],
                    "mediatype": media,
                    "encoding": "utf-8",
                    **_size(folder / file_name),
                }
            )
    cell = header.cell.id or folder.parent.name
    return {
        "profile": "data-package",
        "name": _name(f"{cell}-{folder.name}"),
        "title": f"Run {folder.name} of cell {cell}",
        "description": "Readings and events of one run on one cell. Current is positive into the cell.",
        "created": header.created_utc,
        "version": header.software.version,
        "resources": resources,
    }


def write_package(folder: Path) -> Path:
    """Write `datapackage.json` into a run folder; return its path.

    Raises:
        InputError: see `describe`.
    """
    folder = Path(folder)
    write_whole(folder / "datapackage.json", json.dumps(describe(folder), ensure_ascii=False, indent=1) + "\n")
    return folder / "datapackage.json"


def _size(path: Path) -> dict[str, Any]:
    return {"bytes": path.stat().st_size, "hash": f"sha256:{sha256(path)}"}


def _name(text: str) -> str:
    """Return a name as the standard wants it: lower case letters, digits, '-', '_' and '.'."""
    plain = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_.") else "-" for letter in text)
    return plain.lower()
