"""Which run a cell's id means where what it holds is asked for: the one that its account goes by."""

import os
from contextlib import suppress
from pathlib import Path

from amphora.harness.account.asking import standing_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli.output import DEFAULT_LOGS, run_named
from amphora.harness.common.errors import AmphoraError


def measured_run(run: Path, logs: Path | None = None) -> Path:
    """Return the folder of the run that is meant: a path; or a cell's id, for the run that says what it holds.

    A night after days of rest, or one that only measured what was left, is newer and is not meant.

    Args:
        run: What was typed.
        logs: Where the cells are; None: `AMPHORA_LOGS`, else `logs`.

    Raises:
        InputError: there is such a cell, and no run of it.
    """
    shelf, cell = Shelf(logs or Path(os.environ.get("AMPHORA_LOGS") or DEFAULT_LOGS)), run.name
    if (run / "cell.json").is_file():
        shelf = Shelf(run.absolute().parent)
    elif run.exists() or len(run.parts) != 1 or "@" in cell:
        return run_named(run, capacity=True, logs=logs)
    with suppress(AmphoraError):
        capacity_run = standing_of(shelf, cell).capacity_run
        if capacity_run is not None:
            return shelf.folder(cell) / capacity_run
    return run_named(run, capacity=True, logs=logs)
