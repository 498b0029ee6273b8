"""What a comparison reads of every run of a shelf, kept by cell in its index, so that ten thousand stay quick.

Only for speed: kept for a key of all it is made of (size, time and inode of the files of each run of the cell, its
record, the runs that measured leads, the code), and worked out anew where any of that differs, or was written within
the last seconds.
"""

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from amphora.harness.account.after_run import work_out
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.shelf import Shelf, run_names
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import from_json, without_defaults
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.kept import by_stamps, code_digest, once, stamps_of
from amphora.harness.results.result import Result
from amphora.harness.results.rulings import AccountOfCell, Act

_NOWHERE = Path()
MANY = 24  # fewer runs are not worth an index
NOT_COMPARED: dict[str, Any] = {  # what no decision between cells asks of a run: most of an answer's length
    "budget": None, "evening": None, "leads": None, "leads_measured": None, "passes": None, "phases": (),
    "reference_temperature": None, "resistance_table": None, "resolved": None, "rests": (),
}  # fmt: skip
ACTS_ASKED: tuple[Act, ...] = ("grade", "match")  # the two that compare, grade and match ask


@dataclass(frozen=True, slots=True)
class DamagedRun:
    """A run folder that cannot be read, and why."""

    run: str
    text: str


class CellRun(NamedTuple):
    """A run with its cell. `measured_utc`: when it was measured; None: an imported one whose file does not say."""

    folder: Path
    result: Result
    cell: Cell  # its record, as the register has it now
    measured_utc: str | None = None

    @property
    def name(self) -> str:
        """Return the cell's id."""
        return self.result.cell or self.cell.id

    @property
    def instant(self) -> str | None:
        """Return when it was measured, else when it came in."""
        return self.measured_utc or self.result.created_utc or None


def read_answers(
    folders: Sequence[Path], verify: bool = False, whole: bool = True
) -> tuple[list[CellRun], list[DamagedRun]]:
    """Return each run with its cell, and the damaged ones with why, both in the order asked.

    Args:
        folders: Run folders.
        verify: Ask each file's digest, not its size, time and inode.
        whole: False: `NOT_COMPARED` may be left out of the results, and what was kept may serve.
    """
    parents = places_of(folders)
    folders = [folder if isinstance(folder, Path) else Path(folder) for folder in folders]
    with by_stamps(not verify):
        kept: dict[str, dict[str, CellRun | str]] = {}
        wanted: dict[str, list[Path]] = {}
        for parent, folder in zip(parents, folders, strict=True):
            wanted.setdefault(parent, []).append(folder)
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
    damaged: list[DamagedRun] = []
    for parent, folder in zip(parents, folders, strict=True):
        found = kept[parent].get(folder.name) or _read(folder)
        if isinstance(found, str):
            damaged.append(DamagedRun(str(folder), found))
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
    except (AmphoraError, OSError, ValueError) as error:
        return str(error)
    return CellRun(folder, result, _present_record(folder, _record(run.get("cell"))), _when(run))


def _when(run: Mapping[str, Any]) -> str | None:
    """Return when a run was measured: for an imported one what its file says, which may be nothing."""
    imported = run.get("imported")
    return run.get("created_utc") if not isinstance(imported, Mapping) else imported.get("first_clock_time")


def _record(data: object) -> Cell | None:
    """Return a cell's record; None where it is none that could be read."""
    try:
        return Cell.from_dict(data) if isinstance(data, Mapping) else None
    except AmphoraError:
        return None


def _present_record(folder: Path, then: Cell | None) -> Cell:
    """Return the cell's record as the register has it now, else as it was when the run began."""
    try:
        now = _record(json.loads((folder.parent / "cell.json").read_text(encoding="utf-8")))
    except (OSError, ValueError):
        now = None
    if now is None:
        return then or Cell(folder.parent.name)
    renamed = folder.parent.name == now.id and bool(now.former_ids)
    return now if then is None or renamed or now.id == then.id else then


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
    return f"{code_digest()} {NOT_COMPARED} {ACTS_ASKED}"


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


@dataclass(frozen=True, slots=True)
class _Kept:
    """One run of a cell as the index keeps it: without what is not compared, or only why it cannot be read."""

    damaged: str | None = None
    result: Result | None = None
    record: Cell | None = None
    measured_utc: str | None = None


def _from_json(data: Mapping[str, Any]) -> CellRun | str:
    one = from_json(_Kept, data)
    if one.result is None or one.record is None:
        return one.damaged or ""
    return CellRun(_NOWHERE, one.result, one.record, one.measured_utc)


def _to_json(one: CellRun | str) -> Any:
    if isinstance(one, str):
        return without_defaults(_Kept(one))
    return without_defaults(_Kept(None, _slim(one.result), one.cell, one.measured_utc))


def _slim(result: Result) -> Result:
    """Return a result with what decisions between cells ask of it."""
    found = result.account
    if found is not None:
        found = AccountOfCell(
            self_discharge_percent_per_month=found.self_discharge_percent_per_month,
            self_discharge_U=found.self_discharge_U,
            findings=found.findings,
            may={act: found.may[act] for act in ACTS_ASKED if act in found.may},
            repeats=found.repeats,
        )
    return replace(result, account=found, **NOT_COMPARED)


def _keep(fresh: Mapping[str, tuple[str, dict[str, CellRun | str]]]) -> None:
    by_shelf: dict[str, dict[str, tuple[str, str]]] = {}
    for parent, (key, runs) in fresh.items():
        slim = {name: _to_json(one) for name, one in runs.items()}
        logs, cell = os.path.split(parent)
        by_shelf.setdefault(logs, {})[cell] = (key, json.dumps(slim, ensure_ascii=False))
    for logs, answers in by_shelf.items():
        Shelf(Path(logs)).keep_answers(answers)
