"""A cell that lives on between runs on the simulated bench in this process.

What the simulated cell is and how full it stands is kept beside the shelf's record, so that an
evening's charge and the night after it work on the same cell.
"""

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from drivers.roles import Clock, Instrument
from drivers.simulated.bench import SimulatedBench
from harness.bench import bench_from_dict
from harness.journal import write_whole
from harness.persons import ObligingPerson

PAUSE = timedelta(hours=1)  # between two runs: a cell rests at least an hour after its charge (IEC 61960-3)


class SimulatedSession:
    """One run on the simulated bench.

    Args:
        logs: The shelf's folder.
        cell_id: Whose cell it is.
        kind, seed: What the cell is when it is met for the first time.
        options: Handed to `SimulatedBench`.
    """

    def __init__(self, logs: Path, cell_id: str, kind: str = "li-ion", seed: int = 1, **options: Any) -> None:
        self._file = logs / cell_id / "simulated.json"
        kept: dict[str, Any] = {}
        if self._file.is_file():
            kept = json.loads(self._file.read_text(encoding="utf-8"))
            kind, seed = kept["kind"], kept["seed"]
            options.setdefault("start_soc", kept["soc"])
            options.setdefault("begin_utc", datetime.fromisoformat(kept["utc"]) + PAUSE)
        self.bench = SimulatedBench(kind, seed, **options)
        self.kind, self.seed = kind, seed
        self.clock: Clock = self.bench.clock
        self._begun_s = self.clock.now_s()
        self.description = bench_from_dict(self.bench.description, "simulated")

    def open(self, name: str, table: Mapping[str, Any], clock: Clock) -> Instrument:
        """Return the simulated instrument of that name."""
        return self.bench.instruments[name]

    def person(self) -> ObligingPerson:
        """Return who stands at this bench: does at once what is asked, the lamp's switch included."""
        return ObligingPerson(hands=self.bench.asked)

    def keep(self) -> None:
        """Write down how the cell stands, if it is on the shelf and a run has begun."""
        if self.clock.now_s() == self._begun_s or not self._file.parent.is_dir():
            return
        kept = {
            "kind": self.kind,
            "seed": self.seed,
            "soc": self.bench.cell.soc,
            "utc": self.clock.utc().isoformat(),
        }
        write_whole(self._file, json.dumps(kept) + "\n")
