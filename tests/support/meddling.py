"""What somebody does to a simulated cell between two runs: swaps it, drains it, lets time pass."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.running.simulated_session import KeptCell, load_kept, store_kept


def left(logs: Path, cell_id: str) -> KeptCell:
    """Return how the last run left the cell."""
    kept = load_kept(logs, cell_id)
    assert kept is not None, f"{cell_id}: no run on the simulated bench yet"
    return kept


def drain(logs: Path, cell_id: str, soc: float) -> None:
    """Use the cell somewhere else, so that it stands at this share of charge, at rest."""
    kept = left(logs, cell_id)
    kept.cell.settle(soc)
    store_kept(logs, cell_id, kept)


def swap(logs: Path, cell_id: str, cell: SimulatedCell) -> None:
    """Put another cell where this one lay; nobody writes it down."""
    store_kept(logs, cell_id, replace(left(logs, cell_id), cell=cell))


def wait(logs: Path, cell_id: str, time: timedelta) -> None:
    """Let the cell lie for so long before its next run, in addition to the hour that always passes."""
    kept = left(logs, cell_id)
    kept.cell.rest(time.total_seconds())
    store_kept(logs, cell_id, replace(kept, utc=kept.utc + time))
