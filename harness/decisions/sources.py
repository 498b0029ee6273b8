"""What each source of cells (a kind of lamp, a box, a shop) gives: capacity, resistance, self-discharge, share of duds.

Pure but for `read_sources`. A dud is a cell that is retired or kept apart, or whose grade is 'bench only' or 'retire'.
A cell that has no grade yet is undecided and counts in no share. Ah, ohm, percent a month, shares as plain numbers.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from amphora.harness.archive.run_folder import is_simulated, read_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.cell_runs import best_runs, read_runs
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.grades import grade_runs
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.result import Result

Z = 1.959963984540054  # two-sided 95 % of a normal distribution
LEAST_FOR_INTERVAL = 6  # values: with fewer the lowest and the highest do not hold a median with 95 %
FEW = 10  # decided cells: fewer say little, and that is said
DUD_GRADES = ("bench only", "retire")
DUD_STATES = ("retired", "quarantined")
HALF = 0.5
NO_SOURCE = "(no source)"
NO_DATE = "(no date)"


@dataclass(frozen=True, slots=True)
class One:
    """One cell: None where nothing is known. `month`: when it came, as 2026-11; `dud`: None while undecided.

    `tested`: the day of the run that its figures come from, as 2026-11-28; empty without one.
    """

    cell: str
    source: str
    month: str
    capacity_Ah: float | None = None
    resistance_ohm: float | None = None
    self_discharge: float | None = None
    dud: bool | None = None
    tested: str = ""
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class Middle:
    """The median of some values, and between which it lies with 95 %; None where there are too few to say."""

    n: int
    median: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Share:
    """A share of `n`, and between which it lies with 95 %; None of nothing."""

    count: int
    n: int
    share: float | None
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class SourceOfCells:
    """What one source gave. `usable_Ah`: median capacity times the share that is no dud: what one cell of it brings."""

    source: str
    month: str
    cells: int
    capacity: Middle
    resistance: Middle
    self_discharge: Middle
    duds: Share
    usable_Ah: float | None
    text: str


def wilson(count: int, n: int) -> Share:
    """Return a share with its 95 % interval.

    Args:
        count, n: How many of how many; of none everything is possible.

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209 (from memory); checked against SciPy.
    """
    if n == 0:
        return Share(0, 0, None, 0.0, 1.0)
    share = count / n
    middle = (share + Z * Z / (2 * n)) / (1 + Z * Z / n)
    half = Z / (1 + Z * Z / n) * math.sqrt(share * (1 - share) / n + Z * Z / (4 * n * n))
    return Share(count, n, share, 0.0 if count == 0 else middle - half, 1.0 if count == n else middle + half)


def middle_of(values: Sequence[float]) -> Middle:
    """Return the median, and the pair of ordered values that hold it with at least 95 %, whatever the distribution.

    Source: order statistics, W. J. Conover, Practical Nonparametric Statistics, 3.2 (from memory); checked against
        binomial sums of SciPy.
    """
    ordered = sorted(values)
    n = len(ordered)
    if n == 0:
        return Middle(0, None, None, None)
    median = ordered[n // 2] if n % 2 else 0.5 * (ordered[n // 2 - 1] + ordered[n // 2])
    if n < LEAST_FOR_INTERVAL:
        return Middle(n, median, None, None)
    below, tail = 0, 0.5**n
    while tail + math.comb(n, below + 1) * 0.5**n <= 0.025:
        below += 1
        tail += math.comb(n, below) * 0.5**n
    return Middle(n, median, ordered[below], ordered[n - 1 - below])


def by_source(cells: Sequence[One], months: bool = False) -> list[SourceOfCells]:
    """Return what each source gave, the one that gives most first, those of which nothing is known last.

    Args:
        cells: Each cell once.
        months: A line for each month in which cells of a source came.
    """
    groups: dict[tuple[str, str], list[One]] = {}
    for cell in cells:
        groups.setdefault((cell.source or NO_SOURCE, (cell.month or NO_DATE) if months else ""), []).append(cell)
    found = [_source(source, month, items) for (source, month), items in groups.items()]
    return sorted(found, key=lambda one: (-(one.usable_Ah or 0.0), one.source, one.month))


def _source(source: str, month: str, items: Sequence[One]) -> SourceOfCells:
    capacity = middle_of([one.capacity_Ah for one in items if one.capacity_Ah is not None])
    decided = [one for one in items if one.dud is not None]
    duds = wilson(sum(bool(one.dud) for one in decided), len(decided))
    usable = None
    if duds.share is not None and capacity.median is not None:
        usable = (1 - duds.share) * capacity.median
    elif duds.share == 1.0:
        usable = 0.0
    return SourceOfCells(
        source, month, len(items), capacity,
        middle_of([one.resistance_ohm for one in items if one.resistance_ohm is not None]),
        middle_of([one.self_discharge for one in items if one.self_discharge is not None]),
        duds, usable, worth(duds, len(items)),
    )  # fmt: skip


def worth(duds: Share, cells: int) -> str:
    """Return in words whether a source is worth opening, by its share of duds and how sure that is.

    Args:
        duds: Among the cells that are decided.
        cells: All cells of it.
    """
    if duds.share is None:
        return f"none of {cells} {'cell' if cells == 1 else 'cells'} decided yet"
    share = f"{duds.count} of {duds.n} are duds ({100 * duds.low:.0f} to {100 * duds.high:.0f} %)"
    few = f"; only {duds.n} decided {'cell' if duds.n == 1 else 'cells'}" if duds.n < FEW else ""
    if duds.high < HALF:
        return f"worth opening: {share}{few}"
    if duds.low > HALF:
        return f"not worth opening: {share}{few}"
    return f"cannot tell yet: {share}{few}"


def compared(found: Sequence[SourceOfCells]) -> list[str]:
    """Return in words which sources can be told apart by their share of duds: intervals that do not meet.

    Intervals that do not meet differ for sure; some that meet do, too, so this errs to the side of not telling.
    """
    texts = []
    known = [one for one in found if one.duds.share is not None]
    for place, one in enumerate(known):
        for other in known[place + 1 :]:
            better, worse = (one, other) if one.duds.high <= other.duds.high else (other, one)
            if better.duds.high < worse.duds.low:
                texts.append(
                    f"{_name(better)} before {_name(worse)}: fewer duds "
                    f"({100 * (better.duds.share or 0):.0f} against {100 * (worse.duds.share or 0):.0f} %)"
                )
    if not texts and len(known) > 1:
        texts.append("no two sources differ for sure in their share of duds yet")
    return texts


def _name(one: SourceOfCells) -> str:
    return f"{one.source} {one.month}".strip()


def document(found: Sequence[SourceOfCells]) -> dict[str, Any]:
    """Return it as plain data for JSON."""
    return {"sources": [asdict(one) for one in found], "compared": compared(found)}


def read_sources(logs: Path) -> list[One]:
    """Return every cell of a shelf as it counts here.

    Args:
        logs: The shelf's folder.

    Raises:
        InputError: there is no cell on it.
    """
    shelf = Shelf(logs)
    cells = shelf.cells()
    if not cells:
        raise InputError(f"no cell is on the shelf in {logs}; `amphora cell add` puts one there")
    folders = [Path(entry.folder) for entry in shelf.list_runs() if not entry.damaged]
    best = best_runs(read_runs(folders, whole=False)[0])
    grades = grade_runs([(run.result, run.cell) for run in best], load_criteria("general"))
    figures = {run.folder.absolute().parent.name: (run, grade.grade) for run, grade in zip(best, grades, strict=True)}
    found = []
    for cell in cells:
        run, grade = figures.get(cell.id, (None, None))
        result = None if run is None else run.result
        chosen = None if result is None else chosen_resistance(result)
        held = result.capacity_Ah if result is not None and result.capacity_counts else None
        first = cell.as_found_utc or (run.measured_utc if run else None) or ""
        dud = True if cell.state in DUD_STATES else None if grade is None else grade in DUD_GRADES
        found.append(
            One(
                cell.id, cell.source, first[:7], held,
                chosen.ohm if chosen else None, _self_discharge(result) if result else None, dud,
                ((run.instant if run else None) or "")[:10], run is not None and is_simulated(read_header(run.folder)),
            )
        )  # fmt: skip
    return found


def _self_discharge(result: Result) -> float | None:
    value = result.retention.loss_percent_per_month if result.retention else None
    if value is None:
        value = result.account.self_discharge_percent_per_month if result.account else None
    return None if value is None else float(value)
