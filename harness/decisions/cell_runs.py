"""Runs of many cells: read, the one that says most of each cell, and how they follow each other in time."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from amphora.harness.account.kept_answers import CellRun, DamagedRun, places_of, read_answers
from amphora.harness.analysis.repeats import Beside
from amphora.harness.results.as_item import with_item_U
from amphora.harness.results.result import Result


def read_runs(
    folders: Sequence[Path], verify: bool = False, whole: bool = True
) -> tuple[list[CellRun], list[DamagedRun]]:
    """Return each run with its cell, and the damaged ones with why.

    Args:
        folders: Run folders.
        verify: Hash every readings file; else a run is taken to be what it was as long as its files' size, time and
            inode are.
        whole: False: what only one run's own page needs (phases, budgets, rests) may be left out.
    """
    good, damaged = read_answers(folders, verify, whole)
    return _taught_by_all(good), damaged


def _taught_by_all(runs: list[CellRun]) -> list[CellRun]:
    """Return runs whose item's U is learned from the repeats of all cells among them, the cell's own counting most."""
    places = places_of([run.folder for run in runs])
    seen: dict[str, list[float]] = {}
    for place, run in zip(places, runs, strict=True):
        seen[place] = list(run.result.account.repeats) if run.result.account else []
    all_of_them = Beside.of(seen.values())
    return [
        run._replace(result=with_item_U(run.result, seen[place], all_of_them.without(seen[place])))
        for place, run in zip(places, runs, strict=True)
    ]


def best_runs(runs: Sequence[CellRun]) -> list[CellRun]:
    """Return one run for each cell: the newest complete discharge from a known full start, else the newest.

    A start that our own charge made full counts before one that was declared so.
    """
    chosen: dict[str, CellRun] = {}
    for run in sorted(runs, key=lambda one: one.result.created_utc or one.folder.name):
        before = chosen.get(run.name)
        if before is None or worth(run.result) >= worth(before.result):
            chosen[run.name] = run
    return list(chosen.values())


def worth(result: Result) -> int:
    """Return how much a run says of what its cell holds: 3 all of it, 1 what was left in it."""
    return (2 if result.from_full and result.reached_cutoff else 0) + (1 if result.capacity_Ah is not None else 0)


def counts(result: Result) -> bool:
    """Tell whether a run is a complete discharge from a known full start, and has a capacity."""
    return worth(result) >= 3


def by_cell(runs: Sequence[CellRun]) -> dict[str, list[CellRun]]:
    """Return the runs of each cell, oldest first: by when they were measured, else by when they came in."""
    groups: dict[str, list[CellRun]] = {}
    for run in sorted(runs, key=lambda one: (one.instant or "", len(one.folder.name), one.folder.name)):
        groups.setdefault(run.name, []).append(run)
    return groups


def days_between(first: CellRun, last: CellRun) -> float | None:
    """Return the days between two runs; None where one of them does not say when it was measured."""
    times = []
    for run in (first, last):
        if not run.measured_utc:
            return None
        try:
            when = datetime.fromisoformat(run.measured_utc)
        except ValueError:
            return None
        times.append(when if when.tzinfo else when.replace(tzinfo=UTC))
    return (times[1] - times[0]).total_seconds() / 86400.0
