"""What the queue asks of the rooms below: what the gate says of a cell, and how long a run is expected to take."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from amphora.harness.account.asking import standing_of
from amphora.harness.account.entries import key_of
from amphora.harness.account.gate import may
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bays import Bays
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.common.errors import AmphoraError, Refused
from amphora.harness.plans.charge_permission import permission
from amphora.harness.plans.durations import expected_s
from amphora.harness.plans.recipe import load_recipe
from amphora.harness.queue.course import LAST, Stage
from amphora.harness.queue.decide import charges
from amphora.harness.results.rulings import Act
from amphora.harness.running.session import Request, make_plan

USUAL_S = {"charge": 5 * 3600.0, "overnight": 7 * 3600.0, "load-steps": 12 * 3600.0, "storage": 3 * 3600.0}


class Knowledge:
    """Answers, kept as long as nothing in a cell's folder changes.

    Args:
        logs: The shelf's folder.
        bays: The bench.
        describe: Returns a bay's description by its address; None: the bench file.
        simulated: The bench is a simulated one: nobody has to have smelled a cell.
    """

    def __init__(self, logs: Path, bays: Bays, describe: Callable[[str], Any] | None = None) -> None:
        self._shelf = Shelf(logs)
        self._logs = Path(logs)
        self._bays = bays
        self._describe = describe or (lambda address: load_bench(Path(address)))
        self._kept: dict[tuple[str, str], tuple[Any, str]] = {}
        self._bench: Any = None

    def refused(self, cell: str, stage: Stage) -> str:
        """Return why the gate lets a recipe not be run on a cell; empty where it does, or where no one knows yet."""
        key = (cell, stage.recipe)
        stamp = self._stamp(cell)
        kept = self._kept.get(key)
        if kept is None or kept[0] != stamp:
            why = self._asked(cell, "charge" if charges(stage) else "discharge")
            kept = self._kept[key] = (stamp, why or self._not_permitted(cell, stage))
        return kept[1]

    def _asked(self, cell: str, act: Act) -> str:
        try:
            record = self._shelf.get(cell)
            standing = standing_of(self._shelf, cell)
        except AmphoraError as error:
            return str(error)
        ruling = may(record, standing, act)
        if ruling.verdict == "yes":
            return ""
        if self._bays.simulated and ruling.verdict == "ask" and set(ruling.findings) == {"never-inspected"}:
            return ""
        return f"it may not be {act}d: {ruling.why}"

    def _not_permitted(self, cell: str, stage: Stage) -> str:
        """Return why no plan may be made of a recipe for a cell, and the one thing that settles it; "" where one may.

        A cell that nobody knows is not tried again and again: it is kept apart with what names it.
        """
        try:
            record = self._shelf.get(cell)
            permission(load_recipe(stage.recipe), record)
        except Refused as error:
            return str(error).removeprefix(f"{cell}: ")
        except AmphoraError:
            return ""  # the run itself says it
        if key_of(record) != "auto" or not charges(stage):
            return ""
        return (  # charged to 3.60 V, the most it may be, it is not full: the night would measure a part for the whole
            f"nobody knows what it is, so no charge of it is full: `amphora run --cell {cell} --profile identify "
            f"--present` with somebody there, then `amphora identify {cell} --save`, which names it or asks one "
            f"question; then `amphora queue add {cell}`"
        )

    def expected_s(self, cell: str, recipe: str) -> float:
        """Return how long a run is expected to take, second; a usual time where it cannot be planned yet."""
        try:
            if self._bench is None:
                self._bench = self._describe(next(iter(self._bays.bays.values())).address)
            request = Request(cell, recipe, self._logs, attended=(0.0, 24.0))
            plan, _ = make_plan(request, self._bench, datetime.now(UTC))
        except AmphoraError:
            return USUAL_S.get(recipe, 6 * 3600.0)
        seconds = expected_s(plan)
        if plan.charges and recipe == LAST:  # it comes after the night: nothing is left to be discharged
            steps = [step for step in plan.steps if step.kind != "discharge"]
            seconds = expected_s(replace(plan, steps=tuple(steps)))
        return seconds / self._bays.speed_up

    def _stamp(self, cell: str) -> Any:
        folder = self._logs / cell
        try:
            return folder.stat().st_mtime_ns, (folder / "cell.json").stat().st_mtime_ns
        except OSError:
            return None


__all__ = ["Knowledge"]
