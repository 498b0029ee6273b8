"""The standing of cells on a shelf: read, folded, and kept in the index, so that a long list stays quick."""

import hashlib
import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from harness.account.entries import entries_of
from harness.account.fold import fold
from harness.account.standing import Standing
from harness.errors import AmphoraError
from harness.shelf import Cell, Shelf


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
        return cell, fold(cell, entries_of(cell, shelf.runs(cell.id)))
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
    import harness

    digest = hashlib.sha256(harness.__version__.encode())
    here = Path(__file__).parent
    for path in sorted([*here.glob("*.py"), here.parent / "triage.py"]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def kept_standings(shelf: Shelf) -> dict[str, dict[str, Any]]:
    """Return the standing of every cell as plain data, from the index where nothing changed."""
    from harness.account.standing import ACTS

    found: dict[str, dict[str, Any]] = {}
    fresh: dict[str, tuple[str, str]] = {}
    for cell_id, (key, text) in shelf.kept(_code()).items():
        if text:
            found[cell_id] = json.loads(text)
            continue
        try:
            standing = standing_of(shelf, cell_id)
        except AmphoraError:
            continue
        plain = standing.to_dict()
        plain["starts"] = dict(standing.starts)
        plain["may"] = {act: plain["may"][act]["verdict"] for act in ACTS}
        plain["findings"] = [{k: item[k] for k in ("code", "strength", "text")} for item in plain["findings"]]
        found[cell_id] = plain
        fresh[cell_id] = (key, json.dumps(plain, ensure_ascii=False))
    shelf.keep(fresh)
    return found
