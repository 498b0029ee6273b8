"""Cells side by side: ranking with the uncertainty, ties, outliers with a likely cause, claims.

Two capacities are told apart when they differ by more than the expanded uncertainty of their difference, each taken as
that of the cell as an item: not what one night was worth, but what the cell would show on another. Readings of one
bench share its calibration, so this errs to the side of a tie. Ah, ohm, V.
"""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Any

from amphora.harness.account.kept_answers import CellRun
from amphora.harness.analysis.resistance_warmth import at_temperature, law_of
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.words import with_U
from amphora.harness.decisions.basis import Basis, on_common_basis
from amphora.harness.decisions.cell_runs import best_runs, read_runs
from amphora.harness.decisions.grades import grade_runs, key_of, load_criteria
from amphora.harness.decisions.trends import trends
from amphora.harness.results.chosen import chosen_resistance

OUTLIER_AT = 3.5  # modified z-score, Iglewicz and Hoaglin 1993 (from memory)
OUTLIER_FROM = 5  # cells of a batch
MAD_TO_SIGMA = 1.4826
# Of the median: a narrower batch is taken to spread so much, so that nobody is called an outlier for nothing.
LEAST_SPREAD = {
    "capacity_Ah": 0.02,
    "resistance_ohm": 0.05,
    "temperature_rise_K": 1.5,
}  # a bench thermometer is off by about 1 K
DIFFERENT = 1.25  # between the shares of what they hold that two cells were run at: beyond it a night's figures differ
MOST_TIES = 50  # named for one cell: the nearest; on a shelf of thousands all of them are a list that nobody reads


def compare(
    folders: Sequence[Path],
    criteria: str | Path = "general",
    each_run: bool = False,
    basis: Basis | None = None,
    rank_on_basis: bool = False,
    verify: bool = False,
) -> dict[str, Any]:
    """Compare runs.

    Args:
        folders: Run folders; several of one cell are one cell with a history.
        criteria: For the grades.
        each_run: Every run is a line of its own instead of the one that says most of its cell.
        basis: Bring capacities to this, as an estimate: each row gets `common_basis`.
        rank_on_basis: By that estimate instead of by what was measured.
        verify: Hash every readings file (see `read_runs`).

    Returns:
        `cells`: `{cell, run, capacity_Ah, capacity_U_Ah, resistance_ohm, resistance_U_ohm, resistance_temperature_degC,
        resistance_at (at 20 °C, see `add_resistances_at`), energy_Wh, grade, rank,
        tied_with (at most `MOST_TIES`, the nearest), tied (how many there are), claim_Ah, claim_text, chemistry, form,
        start}` by rank; `ranked_on` ("measured", "stated condition"
        where the cells were run at different shares of what they hold and all can be estimated there, or "common
        basis"); `outliers`; `trends`; `damaged`. `common_basis`: `{capacity_Ah, capacity_U_Ah, basis: {current_A,
        temperature_degC, cutoff_V}, estimate: true, converted, runs, text}`, or nulls and `why`.

    Raises:
        InputError: none of the folders can be read, or ranking on a basis is asked without one or for each run.
    """
    if rank_on_basis and (basis is None or each_run):
        raise InputError("ranking on a common basis needs one, and cells: a cell has one such figure, not one a run")
    runs, damaged = read_runs(folders, verify, whole=basis is not None)
    if not runs and damaged:
        raise InputError(damaged[0]["text"])
    chosen = runs if each_run else best_runs(runs)
    grades = grade_runs([(run.result, run.cell) for run in chosen], load_criteria(criteria))
    rows = [_row(item, grade) for item, grade in zip(chosen, grades, strict=True)]
    add_resistances_at(rows, runs)
    if basis is not None:
        found = on_common_basis(runs, basis)
        rows = [{**row, "common_basis": found[str(row["cell"])]} for row in rows]
    stated = not rank_on_basis and not each_run and conditions_differ(rows)
    return {
        "ties": ties_text(rows),
        "cells": rank(rows, rank_on_basis, stated),
        "ranked_on": "common basis" if rank_on_basis else "stated condition" if stated else "measured",
        "outliers": outliers(rows),
        "trends": trends(runs),
        "damaged": damaged,
        "grades": grades,
    }


def _row(run: CellRun, grade: Mapping[str, Any]) -> dict[str, Any]:
    folder, result, cell = run.folder, run.result, run.cell
    resistance = chosen_resistance(result)
    known = result.from_full and result.reached_cutoff
    row = {
        "cell": result.cell or cell.get("id"),
        "run": str(folder),
        "capacity_Ah": result.capacity_Ah if known else None,  # what was left in it is not what it holds
        "capacity_U_Ah": result.capacity_U_Ah if known else None,
        "resistance_ohm": resistance.ohm if resistance else None,
        "resistance_U_ohm": resistance.U_ohm if resistance else None,
        "resistance_duration_s": resistance.duration_s if resistance else None,
        "energy_Wh": result.energy_Wh,
        "temperature_rise_K": result.temperature_rise_K,
        "grade": grade["grade"],
        "needs": grade["needs"],
        "rank": None,
        "tied": 0,
        "tied_with": [],
        "claim_Ah": cell.get("claim_Ah"),
        "chemistry": key_of(result, cell),
        "form": result.form or cell.get("form"),
        "start": result.start,
        "comparable": known,
        "capacity_item_U_Ah": result.capacity_item_U_Ah if known else None,
        "current_A": abs(result.main_current_A) if known and result.main_current_A else None,
        "stated": to_json(result.stated) if known else None,
        "item_text": result.item.text if known and result.item else None,
        "left_Ah": None if known else result.capacity_Ah,
        "may_match": ((result.account or {}).get("may") or {}).get("match"),
    }
    row["claim_text"] = claim_text(row)
    return row


def add_resistances_at(rows: Sequence[dict[str, Any]], runs: Sequence[CellRun]) -> None:
    """Give each row its resistance at 20 °C, by the law that the runs of its cell show, else by the stated prior.

    Args:
        rows: Get `resistance_temperature_degC` and `resistance_at`: `{ohm, U_ohm, temperature_degC, measured_degC,
            source}`, null where the temperature is not known.
        runs: Of all cells.
    """
    seen: dict[str, list[tuple[float, float, float]]] = {}
    for run in runs:
        value = chosen_resistance(run.result)
        degC = run.result.temperature_degC
        if value is not None and value.ohm and degC is not None:
            name = str(run.result.cell or run.cell.get("id"))
            seen.setdefault(name, []).append((degC, value.ohm, value.U_ohm or 0.0))
    warmth = {str(run.folder): run.result.temperature_degC for run in runs}
    for row in rows:
        degC = warmth.get(row["run"]) if row["resistance_ohm"] is not None else None
        found = None
        if degC is not None:
            law = law_of(seen.get(str(row["cell"]), []))
            found = at_temperature(row["resistance_ohm"], row["resistance_U_ohm"] or 0.0, degC, law=law)
        row["resistance_temperature_degC"] = degC
        row["resistance_at"] = None if found is None else found._asdict()


def at_one_temperature(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return rows whose `resistance_ohm` is that at 20 °C, where the temperature is known: for cells side by side."""
    return [{**row, "resistance_ohm": row["resistance_at"]["ohm"]} if row.get("resistance_at") else row for row in rows]


def claim_text(row: Mapping[str, Any]) -> str:
    """Return 'L3-a: claims 1200 mAh, holds 431.2 ± 9.4 mAh', or nothing without a claim and a capacity that counts."""
    claim, held, U = row.get("claim_Ah"), row.get("capacity_Ah"), row.get("capacity_U_Ah")
    if not claim or held is None or not row.get("comparable", True):
        return ""
    return f"{row['cell']}: claims {claim * 1000:.0f} mAh, holds {with_U(held, U, 1000, 'mAh')}"


def item_U(row: Mapping[str, Any]) -> float:
    """Return the U (k = 2) that two cells are told apart by: the item's, else that of the measurement alone."""
    return float(row.get("capacity_item_U_Ah") or row.get("capacity_U_Ah") or 0.0)


def ties_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return in words what two cells are told apart by."""
    texts = [str(row["item_text"]) for row in rows if row.get("item_text") and row.get("comparable")]
    if not texts:
        return ""
    return "tied: closer than the U (k = 2) of their difference, each cell as an item: " + max(
        set(texts), key=texts.count
    )


def conditions_differ(rows: Sequence[Mapping[str, Any]]) -> bool:
    """Tell whether cells were run at so different a share of what they hold that their figures are not of one kind.

    True only where each cell that counts has a figure at the stated condition to be ranked by instead.
    """
    shares = [
        float(row["current_A"]) / float(row["capacity_Ah"])
        for row in rows
        if row.get("comparable") and row.get("capacity_Ah") and row.get("current_A")
    ]
    if len(shares) < 2 or max(shares) <= DIFFERENT * min(shares):
        return False
    counted = [row for row in rows if row.get("comparable") and row.get("capacity_Ah")]
    return all((row.get("stated") or {}).get("capacity_Ah") for row in counted)


def rank(rows: list[dict[str, Any]], on_basis: bool = False, stated: bool = False) -> list[dict[str, Any]]:
    """Return rows by capacity, best first, those without one that counts last; ties are named.

    `rank` is one more than the number of cells that are certainly better, so cells that cannot be told apart from
    the best one share rank 1.

    Args:
        rows: Rows of `compare`; `rank` and `tied_with` are set in them.
        on_basis: By the estimate under `common_basis`; a row without one has no rank.
        stated: By the estimate under `stated`, each with the scatter of the cell as an item.
    """

    def held(row: Mapping[str, Any]) -> tuple[float, float] | None:
        figures = (row.get("common_basis") or {}) if on_basis else row
        if figures.get("capacity_Ah") is None or not (on_basis or row.get("comparable", True)):
            return None
        if stated and (row.get("stated") or {}).get("capacity_Ah"):
            value = float(row["stated"]["capacity_Ah"])
            night = float(row.get("capacity_U_Ah") or 0.0)
            beside = math.sqrt(max(item_U(row) ** 2 - night**2, 0.0))  # what the item has beside the measurement
            return value, math.hypot(float(row["stated"]["U_Ah"]), beside)
        return float(figures["capacity_Ah"]), item_U(figures)

    counted = [(row, figure) for row in rows if (figure := held(row)) is not None]
    rest = [row for row in rows if held(row) is None]
    counted.sort(key=lambda pair: (-pair[1][0], str(pair[0]["cell"])))
    _place([row for row, _ in counted], [figure for _, figure in counted])
    return [row for row, _ in counted] + sorted(rest, key=lambda row: str(row["cell"]))


def _place(rows: Sequence[dict[str, Any]], figures: Sequence[tuple[float, float]]) -> None:
    """Set rank and ties of rows that come best first; only neighbours that may be tied are looked at.

    Source: two values differ where they do so by more than the U of their difference (JCGM 100:2008, 5.1.2).
    """
    import numpy as np

    if not rows:
        return
    value, U = np.array([figure[0] for figure in figures]), np.array([figure[1] for figure in figures])
    reach = np.hypot(U, U.max()) * (1 + 1e-9)
    first = np.searchsorted(-value, -(value + reach), side="left")  # outside of it all are certainly better, or worse
    end = np.searchsorted(-value, -(value - reach), side="right")
    names = [str(row["cell"]) for row in rows]
    for place, row in enumerate(rows):
        near = slice(int(first[place]), int(end[place]))
        gap = value[near] - value[place]
        apart = np.abs(gap) > np.hypot(U[near], U[place])
        tied = np.flatnonzero(~apart) + near.start
        tied = tied[tied != place]
        row["rank"] = near.start + int(np.count_nonzero(apart & (gap > 0))) + 1
        row["tied"] = len(tied)
        if len(tied) > MOST_TIES:
            here = int(np.searchsorted(tied, place))  # values fall along the rows: the nearest are beside it
            tied = tied[max(0, here - MOST_TIES) : here + MOST_TIES]
            nearest = np.argsort(np.abs(value[tied] - value[place]), kind="stable")[:MOST_TIES]
            tied = np.sort(tied[nearest])
        row["tied_with"] = [names[other] for other in tied.tolist()]


def outliers(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the cells that fall out of their batch (same form and chemistry, five at least), with a likely cause.

    Source: modified z-score, Iglewicz and Hoaglin 1993, limit 3.5 (from memory).
    """
    found = []
    groups: dict[tuple[Any, Any], list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row.get("form"), row.get("chemistry")), []).append(row)
    for group in groups.values():
        scores = {
            name: _scores([row for row in group if row.get("comparable", True)], name)
            for name in ("capacity_Ah", "resistance_ohm", "temperature_rise_K")
        }
        for row in group:
            marks = {name: values[id(row)] for name, values in scores.items() if id(row) in values}
            out = {name: score for name, score in marks.items() if abs(score) > OUTLIER_AT}
            if out:
                text = likely_cause(out)
                found.append({"cell": row["cell"], "run": row.get("run"), "scores": out, "text": text})
    return found


def _scores(group: Sequence[Mapping[str, Any]], name: str) -> dict[int, float]:
    values = {id(row): float(row[name]) for row in group if row.get(name) is not None}
    if len(values) < OUTLIER_FROM:
        return {}
    open_ = dict.fromkeys(values, 0.0)  # standard: what bringing them to one temperature leaves open
    there = {id(row): row["resistance_at"] for row in group if row.get("resistance_at")}
    if name == "resistance_ohm" and values.keys() <= there.keys():
        values = {key: there[key]["ohm"] for key in values}
        open_ = {key: there[key]["U_ohm"] / 2 for key in values}
    middle = median(values.values())
    spread = MAD_TO_SIGMA * median(abs(value - middle) for value in values.values())
    spread = max(spread, LEAST_SPREAD[name] * abs(middle))
    if spread <= 0:
        return {}
    return {key: (value - middle) / math.hypot(spread, open_[key]) for key, value in values.items()}


def likely_cause(out: Mapping[str, float]) -> str:
    """Return in words why a cell may fall out of its batch."""
    capacity, resistance = out.get("capacity_Ah", 0.0), out.get("resistance_ohm", 0.0)
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
    if out.get("temperature_rise_K", 0.0) > 0:
        return "warmer than the others: the sensor, a warm place, or an inner fault; do not leave it alone"
    return "unlike the others in this figure"
