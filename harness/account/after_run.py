"""What becomes of the shelf when a run has ended or was imported: its line in the index, its cell's state.

The figures are worked out first, so that lists and choices find them made. None of this may spoil a run: whatever
cannot be read or written here is left to the next command, which makes it anew from the folder.
"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from amphora.harness.archive.shelf import Shelf, now_utc, read_entry
from amphora.harness.cells.cell import TEXT_LENGTH, Cell, DatedEntry
from amphora.harness.common.errors import AmphoraError
from amphora.harness.control.checks import against_the_cell
from amphora.harness.results.result import Result


def enter_run(folder: Path) -> Cell | None:
    """Work out a run's figures, move its cell's state, enter it into the index; the cost does not grow with the shelf.

    Returns:
        The cell as it stands afterwards; None when it is not on a shelf.
    """
    from amphora.harness.account.answer import analyse_run

    folder = Path(folder).absolute()
    shelf = Shelf(folder.parent.parent)
    result: Result | None = None
    with suppress(AmphoraError, OSError):
        result = analyse_run(folder)
    cell = None
    with suppress(AmphoraError, OSError):
        before = shelf.get(folder.parent.name)
        cell = after_run(before, result, read_entry(folder).stop, folder.name)
        if cell != before:
            shelf.save(cell)
    with suppress(AmphoraError, OSError):
        shelf.note_run(folder)
    return cell


def make_missing(shelf: Shelf) -> None:
    """Work out the figures of runs whose `result.json` is gone, so that lists show them again."""
    folders = [folder for entry in shelf.list_cells() for folder in shelf.runs(entry.id)]
    work_out(folders)
    for folder in folders:
        if not (folder / "result.json").exists():  # few, or one processor
            _work_out_one(folder)


def after_run(cell: Cell, result: Result | None, stop: str, run: str) -> Cell:
    """Return a cell as it stands after a run.

    A cell that was only found is tested after a complete discharge from a start known to be full. One that the guard
    stopped for its own sake waits apart, and its notes say why. No run takes a cell out of quarantine or retirement,
    or out of use: a person does.

    Args:
        cell: As it stood.
        result: What is found in the run; None where nothing could be.
        stop: Why the run ended, empty while it can go on.
        run: The folder's name.
    """
    why = against_the_cell(stop)
    if why and cell.state in ("found", "tested", "in use"):
        notes = f"{cell.notes}\n{run[:8]}: {stop} in {run}: {why}; kept apart until somebody has looked".strip()
        entry = DatedEntry(now_utc(), "state", state="quarantined", text=f"{stop} in {run}: {why}")
        return replace(
            cell,
            state="quarantined",
            notes=notes if len(notes) <= TEXT_LENGTH else cell.notes,
            entries=[*cell.entries, entry],
        )
    if cell.state == "found" and result is not None and result.capacity_counts:
        return replace(cell, state="tested")
    return cell


def work_out(folders: Sequence[Path], least: int = 24) -> int:
    """Work out the figures of many runs that have none yet, on all processors; return how many were begun.

    Only for speed: whoever asks for a run's figures gets them made if they are not there, or are out of date.

    Args:
        folders: Run folders; damaged ones are passed over here.
        least: Fewer than so many are not worth other processes.
    """
    import multiprocessing
    import os
    import sys
    import threading
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    missing = [Path(folder) for folder in folders if not (Path(folder) / "result.json").exists()]
    workers = min(os.cpu_count() or 1, 8)
    if len(missing) < least or workers < 2:
        return 0
    import amphora.harness.results.across_runs  # noqa: F401  before the fork, so that no process loads it again

    forks = sys.platform == "linux" and threading.active_count() == 1
    context = multiprocessing.get_context("fork" if forks else "spawn")
    with suppress(OSError, BrokenProcessPool), ProcessPoolExecutor(workers, mp_context=context) as pool:
        for _ in pool.map(_work_out_one, missing, chunksize=4):
            pass
    return len(missing)


def _work_out_one(folder: Path) -> None:
    from amphora.harness.account.answer import analyse_run

    with suppress(AmphoraError, OSError):
        analyse_run(folder)
