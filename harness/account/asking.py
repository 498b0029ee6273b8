"""The standing of cells on a shelf: read, folded, and kept in the index, so that a long list stays quick."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from amphora.harness.account.entries import entries_of
from amphora.harness.account.fold import fold
from amphora.harness.account.standing import ACTS, Standing
from amphora.harness.archive.run_folder import events_size, runs_in
from amphora.harness.archive.shelf import CellEntry, Shelf, cell_id_now
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.as_item import with_item_U
from amphora.harness.results.chosen import resistance_of_the_cell
from amphora.harness.results.result import FULL_STARTS, Result, RunWarning


def standing_of(shelf: Shelf, cell_id: str) -> Standing:
    """Return the standing of a cell on the shelf.

    Raises:
        InputError: no such cell, or its record is damaged.
    """
    cell = shelf.get(cell_id)
    return fold(cell, entries_of(cell, shelf.runs(cell.id)))


def standing_beside(folder: Path, record: Mapping[str, Any] | None = None) -> tuple[Cell, Standing] | None:
    """Return the cell of a run's folder and its standing; None where the folder is on no shelf.

    Args:
        folder: A run's folder.
        record: The cell's record to take where `cell.json` is not there; None: then there is no answer.
    """
    folder = Path(folder).absolute()
    shelf = Shelf(folder.parent.parent)
    try:
        cell = shelf.get(folder.parent.name)
        key = _stamps(folder.parent)
        if key not in _recent:
            standing = fold(cell, entries_of(cell, shelf.runs(cell.id)))
            key = _stamps(folder.parent)  # figures that were made just now stand there too
            if len(_recent) > 256:
                _recent.clear()
            _recent[key] = (cell, standing)
        return _recent[key]
    except AmphoraError:
        pass
    if record is None:
        return None
    try:
        cell = Cell.from_dict(record)
    except AmphoraError:
        return None
    return cell, fold(cell, entries_of(cell, [folder]))


@cache
def _code() -> str:
    import amphora.harness

    digest = hashlib.sha256(amphora.harness.__version__.encode())
    here = Path(__file__).parent
    for path in sorted([*here.glob("*.py"), here.parent / "cells" / "incoming.py", here.parent / "cells" / "cell.py"]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class KeptStanding:
    """What a list of cells shows of a standing. `findings`: their codes; `may`: act -> yes, ask or no."""

    capacity_Ah: float | None = None
    capacity_U_Ah: float | None = None
    self_discharge_percent_per_month: float | None = None
    findings: tuple[str, ...] = ()
    may: Mapping[str, str] = field(default_factory=dict)


def kept_standings(shelf: Shelf) -> dict[str, KeptStanding]:
    """Return the standing of every cell as lists show it, from the index where nothing changed."""
    found: dict[str, KeptStanding] = {}
    fresh: dict[str, tuple[str, str]] = {}
    for cell_id, (key, text) in shelf.kept(_code()).items():
        if text:
            found[cell_id] = from_json(KeptStanding, json.loads(text))
            continue
        try:
            standing = standing_of(shelf, cell_id)
        except AmphoraError:
            continue
        codes = tuple(item.code for item in standing.findings)
        kept = KeptStanding(
            standing.capacity_Ah, standing.capacity_U_Ah, standing.self_discharge_percent_per_month, codes,
            {act: standing.may[act].verdict for act in ACTS},
        )  # fmt: skip
        found[cell_id] = kept
        fresh[cell_id] = (key, json.dumps(to_json(kept), ensure_ascii=False))
    shelf.keep(fresh)
    return found


QUIET = (
    "never-inspected",
    "no-capacity",
    "leak-not-bounded",
    "leak-near-full",
    "retired",
    "quarantined",
    "no-second-look",
)  # said by other columns


def listed(shelf: Shelf) -> list[CellEntry]:
    """Return the cells of a shelf with what they hold by their account, never what was only left in them."""
    entries = shelf.list_cells()
    standings = kept_standings(shelf)
    found = []
    for entry in entries:
        standing = standings.get(entry.id)
        if standing is not None:
            codes = tuple(code for code in standing.findings if code not in QUIET)
            entry = replace(
                entry, capacity_Ah=standing.capacity_Ah, capacity_U_Ah=standing.capacity_U_Ah, findings=codes
            )
        found.append(entry)
    return found


_recent: dict[tuple[Any, ...], tuple[Cell, Standing]] = {}


def _stamps(folder: Path) -> tuple[Any, ...]:
    """Return what changes when anything in a cell's folder does."""
    found: list[Any] = [str(folder)]
    for path in sorted([folder / "cell.json", *runs_in(folder)]):
        try:
            found.append((path.name, path.stat().st_mtime_ns))
        except OSError:
            found.append((path.name, 0))
    found += [events_size(path) for path in sorted(runs_in(folder))]
    return tuple(found)


def as_the_account_has_it(run: str, result: Result, standing: Standing) -> Result:
    """Return a run's result with U of the cell as an item: its repeats, unseen drain, other charges and currents."""
    unseen, conditions = standing.unseen.get(run, 0.0), standing.conditions.get(run, 0.0)
    return with_item_U(result, standing.repeats, unseen=unseen, conditions=conditions)


def _by_the_account(folder: Path, result: Result) -> Result:
    """Return a run's result as the account of its cell sees it: how it began, and U of the cell as an item.

    What other runs say is not among the inputs of `result.json`, so this part is never kept.
    """
    result = replace(with_item_U(result, ()), rest_before_h=None, account=None)
    found = standing_beside(folder) if result.phases else None
    if found is None:
        return result
    standing = found[1]
    name = Path(folder).absolute().name
    result = replace(as_the_account_has_it(name, result, standing), account=standing.beside_a_run())
    if result.start == "unknown" and standing.starts.get(name) == "full":  # the charge's record came by itself
        return replace(
            result,
            start="full",
            warnings=tuple(item for item in result.warnings if item.code != "start-unknown"),
            rest_before_h=standing.rest_before_h.get(name),
        )
    if not result.from_full or name not in standing.starts:
        return result
    result = replace(result, rest_before_h=standing.rest_before_h.get(name))
    if standing.starts[name] not in FULL_STARTS:
        said = [item for item in standing.findings if name in item.runs and item.about == "record"]
        text = said[0].text if said else "By the cell's account it did not begin full: it measured what was left."
        code = said[0].code if said else "not-full-since"
        return replace(result, start="unknown", warnings=(*result.warnings, RunWarning(code, text)))
    return result


def with_account(folder: Path, result: Result) -> Result:
    """Return a run's result as the account of its cell sees it: start, U as an item, the cell's resistance."""
    seen = _by_the_account(folder, result)
    if seen.cell:
        seen = replace(seen, cell=cell_id_now(folder, seen.cell))
    return replace(seen, resistance=resistance_of_the_cell(seen))
