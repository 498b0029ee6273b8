"""A cell that lives on between runs on the simulated bench in this process.

What the simulated cell is and how it stands is kept next to the shelf's record, so that an evening's
charge and the night after it work on the same cell. Between two runs time passes for it: it rests,
leaks and cools. What 0.1.0 kept (kind, seed and share of charge) is read as well.

`load_kept` and `store_kept` let whoever plays a person swap a cell, drain it or let weeks pass.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.drivers.roles import Clock, Instrument
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.archive.journal import write_whole
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.operator import ObligingPerson

PAUSE = timedelta(hours=1)  # between two runs: a cell rests at least an hour after its charge (IEC 61960-3)


@dataclass
class KeptCell:
    """A simulated cell between two runs: `kind` and `seed` are also those of its bench; `utc` is when it was left."""

    kind: str
    seed: int
    utc: datetime
    cell: SimulatedCell


def _path(logs: Path, cell_id: str) -> Path:
    return logs / cell_id / "simulated.json"


def load_kept(logs: Path, cell_id: str) -> KeptCell | None:
    """Return how the last run left the simulated cell; None where there was none."""
    path = _path(logs, cell_id)
    if not path.is_file():
        return None
    kept = json.loads(path.read_text(encoding="utf-8"))
    if "cell" in kept:
        cell = SimulatedCell.restored(kept["cell"])
    else:  # 0.1.0
        cell = SimulatedBench(kept["kind"], kept["seed"], start_soc=kept["soc"]).cell
    return KeptCell(kept["kind"], kept["seed"], datetime.fromisoformat(kept["utc"]), cell)


def store_kept(logs: Path, cell_id: str, kept: KeptCell) -> None:
    """Write down how a simulated cell stands, in place of what was known."""
    table = {
        "kind": kept.kind,
        "seed": kept.seed,
        "soc": kept.cell.soc,
        "utc": kept.utc.isoformat(),
        "cell": kept.cell.kept(),
    }
    write_whole(_path(logs, cell_id), json.dumps(table) + "\n")


class SimulatedSession:
    """One run on the simulated bench.

    Args:
        logs: The shelf's folder.
        cell_id: Whose cell it is.
        kind, seed: What the cell is when it is met for the first time.
        options: Handed to `SimulatedBench`.
    """

    def __init__(self, logs: Path, cell_id: str, kind: str = "li-ion", seed: int = 1, **options: Any) -> None:
        self._logs, self._cell_id = logs, cell_id
        kept = load_kept(logs, cell_id)
        if kept is not None:
            kind, seed = kept.kind, kept.seed
            options.setdefault("begin_utc", kept.utc + PAUSE)
        self.bench = SimulatedBench(kind, seed, **options)
        if kept is not None:
            self._lay_in(kept, options)
        self.kind, self.seed = kind, seed
        self.clock: Clock = self.bench.clock
        self._begun_s = self.clock.now_s()
        self.description = bench_from_dict(self.bench.description, "simulated")

    def _lay_in(self, kept: KeptCell, options: Mapping[str, Any]) -> None:
        """Have the cell of the last run on the bench, after the time in between."""
        cell = kept.cell
        cell.ambient_degC = self.bench.cell.ambient_degC
        cell.rest(max((options["begin_utc"] - kept.utc).total_seconds(), 0.0))
        if options.get("start_soc") is not None:
            cell.settle(options["start_soc"])
        if "cell" not in options and self.bench.device is None:
            self.bench.put_in(cell)
            self.bench.start_soc = cell.soc

    def open(self, name: str, table: Mapping[str, Any], clock: Clock) -> Instrument:
        """Return the simulated instrument of that name."""
        return self.bench.instruments[name]

    def person(self) -> ObligingPerson:
        """Return who stands at this bench: does at once what is asked, the lamp's switch included."""
        return ObligingPerson(hands=self.bench.asked)

    def keep(self) -> None:
        """Write down how the cell stands, if it is on the shelf and a run has begun."""
        if self.clock.now_s() == self._begun_s or not _path(self._logs, self._cell_id).parent.is_dir():
            return
        self.bench.update()
        store_kept(self._logs, self._cell_id, KeptCell(self.kind, self.seed, self.clock.utc(), self.bench.cell))
