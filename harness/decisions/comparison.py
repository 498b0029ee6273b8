"""Cells side by side: ranking with the uncertainty, ties, outliers with a likely cause, claims.

Two capacities are told apart when they differ by more than the expanded uncertainty of their difference, each taken as
that of the cell as an item: not what one night was worth, but what the cell would show on another. Readings of one
bench share its calibration, so this errs to the side of a tie. Ah, ohm, V.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np

from amphora.harness.account.kept_answers import CellRun
from amphora.harness.analysis.resistance_warmth import at_temperature, law_of
from amphora.harness.common.errors import InputError
from amphora.harness.common.words import with_U
from amphora.harness.decisions.basis import on_common_basis
from amphora.harness.decisions.cell_runs import best_runs, read_runs
from amphora.harness.decisions.compared import Basis, ComparedRow, Comparison, OnBasis, Outlier
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.grades import Graded, grade_runs, key_of
from amphora.harness.decisions.trends import trends
from amphora.harness.results.chosen import chosen_resistance

CAPACITY, RESISTANCE, WARMTH = "capacity_Ah", "resistance_ohm", "temperature_rise_K"  # what a batch is scored by
OUTLIER_AT = 3.5  # modified z-score, Iglewicz and Hoaglin 1993 (from memory)
OUTLIER_FROM = 5  # cells of a batch
MAD_TO_SIGMA = 1.4826
# Of the median: a narrower batch is taken to spread so much, so that nobody is called an outlier for nothing.
LEAST_SPREAD = {CAPACITY: 0.02, RESISTANCE: 0.05, WARMTH: 1.5}  # a bench thermometer is off by about 1 K
DIFFERENT = 1.25  # between the shares of what they hold that two cells were run at: beyond it a night's figures differ
MOST_TIES = 24  # named for one cell: the nearest; on a shelf of thousands all of them are a list that nobody reads


def compare(
    folders: Sequence[Path],
    criteria: str | Path = "general",
    each_run: bool = False,
    basis: Basis | None = None,
    rank_on_basis: bool = False,
    verify: bool = False,
) -> Comparison:
    """Compare runs.

    Args:
        folders: Run folders; several of one cell are one cell with a history.
        criteria: For the grades.
        each_run: Every run is a line of its own instead of the one that says most of its cell.
        basis: Bring capacities to this, as an estimate: each row gets `common_basis`.
        rank_on_basis: By that estimate instead of by what was measured.
        verify: Hash every readings file (see `read_runs`).

    Returns:
        Cells by rank. Ranked on the "stated condition" where the cells were run at different shares of what they hold
        and all can be estimated there.

    Raises:
        InputError: none of the folders can be read, or ranking on a basis is asked without one or for each run.
    """
    if rank_on_basis and (basis is None or each_run):
        raise InputError("ranking on a common basis needs one, and cells: a cell has one such figure, not one a run")
    runs, damaged = read_runs(folders, verify, whole=basis is not None)
    if not runs and damaged:
        raise InputError(damaged[0].text)
    chosen = runs if each_run else best_runs(runs)
    grades = grade_runs([(run.result, run.cell) for run in chosen], load_criteria(criteria))
    found = {} if basis is None else on_common_basis(runs, basis)
    resisting = _resisting(runs)
    rows = [
        _row(item, grade, resisting.get(item.name, ()), found.get(item.name))
        for item, grade in zip(chosen, grades, strict=True)
    ]
    stated = not rank_on_basis and not each_run and conditions_differ(rows)
    return Comparison(
        ties=ties_text(rows),
        cells=tuple(rank(rows, rank_on_basis, stated)),
        ranked_on="common basis" if rank_on_basis else "stated condition" if stated else "measured",
        outliers=tuple(outliers(rows)),
        trends=tuple(trends(runs)),
        damaged=tuple(damaged),
        grades=tuple(grades),
    )


Resisting = tuple[float, float, float]  # temperature in degC, resistance in ohm, its U


def _resisting(runs: Sequence[CellRun]) -> dict[str, list[Resisting]]:
    """Return of each cell the resistances of its runs whose temperature is known."""
    seen: dict[str, list[Resisting]] = {}
    for run in runs:
        value, degC = chosen_resistance(run.result), run.result.temperature_degC
        if value is not None and value.ohm and degC is not None:
            seen.setdefault(run.name, []).append((degC, value.ohm, value.U_ohm or 0.0))
    return seen


def _row(run: CellRun, grade: Graded, resisting: Sequence[Resisting], on_basis: OnBasis | None) -> ComparedRow:
    """Return what stands in a row of one run.

    Args:
        run: The run with its cell.
        grade: Of it.
        resisting: Resistances of the cell's runs: by the law that they show its own is brought to 20 °C, else by the
            stated prior.
        on_basis: Its capacity on a common basis; None: none is asked.
    """
    result, cell = run.result, run.cell
    resistance = chosen_resistance(result)
    known = result.from_full and result.reached_cutoff
    ohm, U_ohm = (resistance.ohm, resistance.U_ohm) if resistance else (None, None)
    degC = result.temperature_degC if ohm is not None else None
    there = None
    if ohm is not None and degC is not None:
        there = at_temperature(ohm, U_ohm or 0.0, degC, law=law_of(resisting))
    claim = claim_text(run.name, cell.claim_Ah, result.capacity_Ah if known else None, result.capacity_U_Ah)
    return ComparedRow(
        cell=run.name,
        run=str(run.folder),
        capacity_Ah=result.capacity_Ah if known else None,  # what was left in it is not what it holds
        capacity_U_Ah=result.capacity_U_Ah if known else None,
        resistance_ohm=ohm,
        resistance_U_ohm=U_ohm,
        resistance_duration_s=resistance.duration_s if resistance else None,
        energy_Wh=result.energy_Wh,
        temperature_rise_K=result.temperature_rise_K,
        grade=grade.grade,
        needs=grade.needs,
        claim_Ah=cell.claim_Ah,
        chemistry=key_of(result, cell),
        form=result.form or cell.form,
        start=result.start,
        comparable=known,
        capacity_item_U_Ah=result.capacity_item_U_Ah if known else None,
        current_A=abs(result.main_current_A) if known and result.main_current_A else None,
        stated=result.stated if known else None,
        item_text=result.item.text if known and result.item else None,
        left_Ah=None if known else result.capacity_Ah,
        may_match=result.account.ruling("match") if result.account else None,
        resistance_temperature_degC=degC,
        resistance_at=there,
        common_basis=on_basis,
        claim_text=claim,
    )


def claim_text(cell: str, claim_Ah: float | None, counted_Ah: float | None, U_Ah: float | None) -> str:
    """Return 'L3-a: claims 1200 mAh, holds 431.2 ± 9.4 mAh', or nothing without a claim and a capacity that counts."""
    if not claim_Ah or counted_Ah is None:
        return ""
    return f"{cell}: claims {claim_Ah * 1000:.0f} mAh, holds {with_U(counted_Ah, U_Ah, 1000, 'mAh')}"


def ties_text(rows: Sequence[ComparedRow]) -> str:
    """Return in words what two cells are told apart by."""
    texts = [row.item_text for row in rows if row.item_text and row.comparable]
    if not texts:
        return ""
    return "tied: closer than the U (k = 2) of their difference, each cell as an item: " + max(
        dict.fromkeys(texts), key=texts.count
    )


def conditions_differ(rows: Sequence[ComparedRow]) -> bool:
    """Tell whether cells were run at so different a share of what they hold that their figures are not of one kind.

    True only where each cell that counts has a figure at the stated condition to be ranked by instead.
    """
    shares = [row.current_A / row.counted_Ah for row in rows if row.counted_Ah and row.current_A]
    if len(shares) < 2 or max(shares) <= DIFFERENT * min(shares):
        return False
    return all(row.stated_Ah for row in rows if row.counted_Ah)


Held = tuple[float, float]  # what a cell is ranked by, and its U


def _held(row: ComparedRow, on_basis: bool, stated: bool) -> Held | None:
    """Return what a cell is ranked by; None where it has no rank."""
    if on_basis:
        found = row.common_basis
        return None if found is None or found.capacity_Ah is None else (found.capacity_Ah, found.capacity_U_Ah or 0.0)
    if row.counted_Ah is None:
        return None
    if stated and row.stated is not None and row.stated.capacity_Ah:
        night = row.capacity_U_Ah or 0.0
        beside = math.sqrt(max(row.item_U_Ah**2 - night**2, 0.0))  # what the item has beside the measurement
        return row.stated.capacity_Ah, math.hypot(row.stated.U_Ah or 0.0, beside)
    return row.counted_Ah, row.item_U_Ah


def rank(rows: Sequence[ComparedRow], on_basis: bool = False, stated: bool = False) -> list[ComparedRow]:
    """Return rows by capacity, best first, those without one that counts last; ties are named.

    `rank` is one more than the number of cells that are certainly better, so cells that cannot be told apart from
    the best one share rank 1.

    Args:
        rows: Rows of `compare`, as yet without `rank` and ties.
        on_basis: By the estimate under `common_basis`; a row without one has no rank.
        stated: By the estimate under `stated`, each with the scatter of the cell as an item.
    """
    counted: list[tuple[ComparedRow, Held]] = []
    rest: list[ComparedRow] = []
    for row in rows:
        held = _held(row, on_basis, stated)
        if held is None:
            rest.append(row)
        else:
            counted.append((row, held))
    counted.sort(key=lambda pair: (-pair[1][0], pair[0].cell))
    placed = _placed([row for row, _ in counted], [figure for _, figure in counted])
    return placed + sorted(rest, key=lambda row: row.cell)


def _placed(rows: Sequence[ComparedRow], figures: Sequence[Held]) -> list[ComparedRow]:
    """Return rows that come best first with rank and ties; only neighbours that may be tied are looked at.

    Source: two values differ where they do so by more than the U of their difference (JCGM 100:2008, 5.1.2).
    """
    if not rows:
        return []
    placed = []
    value, U = np.array([figure[0] for figure in figures]), np.array([figure[1] for figure in figures])
    reach = np.hypot(U, U.max()) * (1 + 1e-9)
    first = np.searchsorted(-value, -(value + reach), side="left")  # outside of it all are certainly better, or worse
    end = np.searchsorted(-value, -(value - reach), side="right")
    names = [row.cell for row in rows]
    square = U * U
    for place, row in enumerate(rows):
        start, stop = int(first[place]), int(end[place])
        gap = value[start:stop] - value[place]
        alike = gap * gap <= square[start:stop] + square[place]
        better = place - start  # of these neighbours stand before it
        before = start + better - int(np.count_nonzero(alike[:better]))
        alike[better] = False  # itself
        tied = np.flatnonzero(alike) + start
        ties = len(tied)
        if ties > MOST_TIES:
            here = int(np.searchsorted(tied, place))  # values fall along the rows: the nearest are beside it
            tied = tied[max(0, here - MOST_TIES) : here + MOST_TIES]
            nearest = np.argsort(np.abs(value[tied] - value[place]), kind="stable")[:MOST_TIES]
            tied = np.sort(tied[nearest])
        tied_with = tuple(names[other] for other in tied.tolist())
        placed.append(replace(row, rank=before + 1, tied=ties, tied_with=tied_with))
    return placed


SCORED: dict[str, Callable[[ComparedRow], float | None]] = {
    CAPACITY: lambda row: row.capacity_Ah,
    RESISTANCE: lambda row: row.resistance_ohm,
    WARMTH: lambda row: row.temperature_rise_K,
}


def outliers(rows: Sequence[ComparedRow]) -> list[Outlier]:
    """Return the cells that fall out of their batch (same form and chemistry, five at least), with a likely cause.

    Source: modified z-score, Iglewicz and Hoaglin 1993, limit 3.5 (from memory).
    """
    found = []
    groups: dict[tuple[str, str], list[ComparedRow]] = {}
    for row in rows:
        groups.setdefault((row.form, row.chemistry), []).append(row)
    for group in groups.values():
        scores = {name: _scores([row for row in group if row.comparable], name) for name in SCORED}
        for row in group:
            marks = {name: values[id(row)] for name, values in scores.items() if id(row) in values}
            out = {name: score for name, score in marks.items() if abs(score) > OUTLIER_AT}
            if out:
                found.append(Outlier(row.cell, row.run, out, likely_cause(out)))
    return found


def _scores(group: Sequence[ComparedRow], name: str) -> dict[int, float]:
    values = {id(row): value for row in group if (value := SCORED[name](row)) is not None}
    if len(values) < OUTLIER_FROM:
        return {}
    open_ = dict.fromkeys(values, 0.0)  # standard: what bringing them to one temperature leaves open
    there = {id(row): row.resistance_at for row in group if row.resistance_at}
    if name == RESISTANCE and values.keys() <= there.keys():
        values = {key: there[key].ohm for key in values}
        open_ = {key: there[key].U_ohm / 2 for key in values}
    middle = median(values.values())
    spread = MAD_TO_SIGMA * median(abs(value - middle) for value in values.values())
    spread = max(spread, LEAST_SPREAD[name] * abs(middle))
    if spread <= 0:
        return {}
    return {key: (value - middle) / math.hypot(spread, open_[key]) for key, value in values.items()}


def likely_cause(out: Mapping[str, float]) -> str:
    """Return in words why a cell may fall out of its batch."""
    capacity, resistance, warmth = (out.get(name, 0.0) for name in (CAPACITY, RESISTANCE, WARMTH))
    if resistance > 0 and capacity < 0:
        return "low capacity and high resistance: worn out, or dried"
    if resistance > 0:
        return "high resistance alone: look at the contacts first (two-wire, rust, a loose spring), then measure again"
    if capacity < 0 and resistance < 0:
        return "low capacity at low resistance: another kind of cell than the others, or not full at the start"
    if capacity < 0:
        return "low capacity alone: not full at the start, over-discharged before, or a smaller cell than it says"
    if capacity > 0:
        return "more than the others: another type, or less used; check the current's sign and scale for an import"
    if resistance < 0:
        return "lower resistance than the others: another type, less used, or warmer when it was tested"
    if warmth > 0:
        return "warmer than the others: the sensor, a warm place, or an inner fault; do not leave it alone"
    return "unlike the others in this figure"
