"""What a comparison reads of every run of a shelf, kept by cell in its index, so that ten thousand stay quick.

Only for speed: kept for a key of all it is made of (size, time and inode of the files of each run of the cell, its
record, the runs that measured leads, the code), and worked out anew where any of that differs, or was written within
the last seconds.
"""

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from amphora.harness.account.after_run import work_out
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.shelf import Shelf, run_names
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.kept import by_stamps, code_digest, once, stamps_of
from amphora.harness.results.result import Result

_NOWHERE = Path()
MANY = 24  # fewer runs are not worth an index
NOT_COMPARED = (  # what no decision between cells asks of a run: most of an answer's length
    "budget", "evening", "leads", "leads_measured", "passes", "phases", "reference_temperature", "resistance_table",
    "resolved", "rests", "warnings",
)  # fmt: skip
OF_THE_ACCOUNT = ("findings", "may", "repeats", "self_discharge_percent_per_month", "self_discharge_U")
OF_MAY = ("grade", "match")  # the two that compare, grade and match ask


class CellRun(NamedTuple):
    """A run with its cell. `measured_utc`: when it was measured; None: an imported one whose file does not say."""

    folder: Path
    result: Result
    cell: Mapping[str, Any]  # its record, as the register has it now
    measured_utc: str | None = None

    @property
    def name(self) -> str:
        """Return the cell's id."""
        return str(self.result.cell or self.cell.get("id"))

    @property
    def instant(self) -> str | None:
        """Return when it was measured, else when it came in."""
        return self.measured_utc or self.result.created_utc or None


def read_answers(
    folders: Sequence[Path], verify: bool = False, whole: bool = True
) -> tuple[list[CellRun], list[dict[str, str]]]:
    """Return each run with its cell, and the damaged ones with why, both in the order asked.

    Args:
        folders: Run folders.
        verify: Ask each file's digest, not its size, time and inode.
        whole: False: `NOT_COMPARED` may be left out of the results, and what was kept may serve.
    """
    parents = places_of(folders)
    with by_stamps(not verify):
        kept: dict[str, dict[str, CellRun | str]] = {}
        wanted: dict[str, list[Path]] = {}
        for parent, folder in zip(parents, folders, strict=True):
            wanted.setdefault(parent, []).append(Path(folder))
        keys: dict[str, str] = {}
        if not whole and not verify and len(folders) >= MANY:
            keys = {parent: key for parent in wanted if (key := _key_of(parent))}
            kept = _kept(keys)
        work_out([folder for parent, runs in wanted.items() if parent not in kept for folder in runs])
        for parent, runs in wanted.items():
            if parent not in kept:
                kept[parent] = {folder.name: _read(folder) for folder in runs}
                if set(kept[parent]) != set(_names(parent)):
                    keys.pop(parent, None)  # not all of the cell: nothing to keep for it
            else:
                keys.pop(parent, None)
        _keep({parent: (key, kept[parent]) for parent, key in keys.items()})
    good: list[CellRun] = []
    damaged: list[dict[str, str]] = []
    for parent, folder in zip(parents, map(Path, folders), strict=True):
        found = kept[parent].get(folder.name) or _read(folder)
        if isinstance(found, str):
            damaged.append({"run": str(folder), "text": found})
        else:
            good.append(found._replace(folder=folder))
    return good, damaged


def places_of(folders: Sequence[Path]) -> list[str]:
    """Return for each run folder that of its cell."""
    there = os.getcwd()  # noqa: PTH109  asked once, not ten thousand times
    return [os.path.dirname(os.path.normpath(os.path.join(there, folder))) for folder in folders]  # noqa: PTH118, PTH120


def _read(folder: Path) -> CellRun | str:
    """Return a run with its cell; why not, where it is damaged."""
    try:
        result = analyse_run(folder)
        run = read_header(folder)
        record = dict(run.get("cell") or {})
    except (AmphoraError, OSError, ValueError) as error:
        return str(error)
    return CellRun(folder, result, _present_record(folder, record), _when(run))


def _when(run: Mapping[str, Any]) -> str | None:
    """Return when a run was measured: for an imported one what its file says, which may be nothing."""
    imported = run.get("imported")
    return run.get("created_utc") if not isinstance(imported, Mapping) else imported.get("first_clock_time")


def _present_record(folder: Path, then: dict[str, Any]) -> dict[str, Any]:
    """Return the cell's record as the register has it now, else as it was when the run began."""
    try:
        now = json.loads((folder.parent / "cell.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return then
    if not isinstance(now, dict):
        return then
    renamed = folder.parent.name == now.get("id") and any(
        isinstance(item, dict) and item.get("kind") == "renamed" for item in now.get("entries") or []
    )
    return now if renamed or now.get("id") == then.get("id", now.get("id")) else then


def _names(parent: str) -> list[str]:
    return once(f"runs {parent}", lambda: run_names(parent))


def _key_of(where: str) -> str:
    """Return a key of all that a cell's answers are made of; "" where they may not be kept."""
    try:
        record = os.stat(f"{where}/cell.json")  # noqa: PTH116  ten thousand of them a comparison
        names = _names(where)
    except (OSError, AmphoraError):
        return ""
    logs = os.path.dirname(where)  # noqa: PTH120
    leads = once(f"leads {logs}", lambda: _leads(Path(logs)))
    parts: list[Any] = [_form(), record.st_size, record.st_mtime_ns, leads]
    for name in names:
        stamps = stamps_of(f"{where}/{name}")
        if stamps is None:
            return ""
        parts.append((name, stamps))
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _leads(logs: Path) -> str:
    """Return what the runs that measured leads are made of; a folder is looked into once for all questions."""
    cells = [entry.path for entry in os.scandir(logs) if entry.is_dir()]
    found = [f"{cell}/{name}" for cell in cells for name in _names(cell) if name.endswith("-leads")]
    return repr(sorted((folder, stamps_of(folder)) for folder in found))


def _form() -> str:
    """Return what changes with the code of the figures, and with what is kept of them."""
    return f"{code_digest()} {NOT_COMPARED} {OF_THE_ACCOUNT} {OF_MAY}"


def _kept(keys: Mapping[str, str]) -> dict[str, dict[str, CellRun | str]]:
    found: dict[str, dict[str, CellRun | str]] = {}
    shelves: dict[str, dict[str, tuple[str, str]]] = {}
    for parent, key in keys.items():
        logs, name = os.path.split(parent)
        if logs not in shelves:
            shelves[logs] = Shelf(Path(logs)).kept_answers()
        before = shelves[logs].get(name)
        if before is not None and before[0] == key:
            found[parent] = {run: _from_json(one) for run, one in json.loads(before[1]).items()}
    return found


def _from_json(one: dict[str, Any]) -> CellRun | str:
    if "damaged" in one:
        return str(one["damaged"])
    return CellRun(_NOWHERE, Result.from_json(one["result"]), one["record"], one["measured_utc"])


def _to_json(one: CellRun | str) -> dict[str, Any]:
    if isinstance(one, str):
        return {"damaged": one}
    result = one.result.to_json()
    slim = {key: value for key, value in result.items() if key not in NOT_COMPARED and value is not None}
    account = slim.get("account")
    if account is not None:
        account = {key: account[key] for key in OF_THE_ACCOUNT if key in account}
        account["may"] = {key: value for key, value in (account.get("may") or {}).items() if key in OF_MAY}
        slim["account"] = account
    return {"result": slim, "record": dict(one.cell), "measured_utc": one.measured_utc}


def _keep(fresh: Mapping[str, tuple[str, dict[str, CellRun | str]]]) -> None:
    by_shelf: dict[str, dict[str, tuple[str, str]]] = {}
    for parent, (key, runs) in fresh.items():
        slim = {name: _to_json(one) for name, one in runs.items()}
        logs, cell = os.path.split(parent)
        by_shelf.setdefault(logs, {})[cell] = (key, json.dumps(slim, ensure_ascii=False))
    for logs, answers in by_shelf.items():
        Shelf(Path(logs)).keep_answers(answers)
