"""Cells side by side: ranking with the uncertainty, ties, outliers with a likely cause, claims, a trend over time.

Two capacities are told apart when they differ by more than the expanded uncertainty of their difference, each taken as
that of the cell as an item: not what one night was worth, but what the cell would show on another. Readings of one
bench share its calibration, so this errs to the side of a tie. Ah, ohm, V.
"""

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

from amphora.harness.account.kept_answers import CellRun
from amphora.harness.analysis.resistance_warmth import at_temperature, law_of
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.results.chosen import chosen_resistance, nearest
from amphora.harness.results.result import ResistanceValue, Result

if TYPE_CHECKING:
    from amphora.harness.analysis.common_basis import RunPoint

OUTLIER_AT = 3.5  # modified z-score, Iglewicz and Hoaglin 1993 (from memory)
OUTLIER_FROM = 5  # cells of a batch
MAD_TO_SIGMA = 1.4826
# Of the median: a narrower batch is taken to spread so much, so that nobody is called an outlier for nothing.
LEAST_SPREAD = {
    "capacity_Ah": 0.02,
    "resistance_ohm": 0.05,
    "temperature_rise_K": 1.5,
}  # a bench thermometer is off by about 1 K

# Like is compared with like: what two runs of one cell may differ by and still stand in one trend.
LIKE_CURRENT = 0.10  # of the current
LIKE_K = 5.0
LIKE_CUTOFF_V = 0.010
LIKE_DURATION = 0.05  # of the time after the current step
LIKE_CHARGE_STATE = 0.05
# What is left between like runs widens the trend's uncertainty (half-widths of rectangles, common practice).
RESISTANCE_SHARE_PER_K = 0.015
CONTACT_ohm = 0.0025  # each time a cell is put in, unless sensed at the cell: 5 mohm between two is the contact
SAME_HEALTH_DAYS = 90.0  # runs further back tell of a younger cell, and carry no common basis


@dataclass(frozen=True)
class Basis:
    """What capacities are brought to. None: chosen for each chemistry from the runs themselves."""

    current_A: float | None = None
    temperature_degC: float | None = None
    cutoff_V: float | None = None


def basis_from(current: str | None, temperature: str | None, cutoff: str | None) -> Basis:
    """Return a basis from what a person wrote; None leaves it open.

    Raises:
        InputError: not a current, a temperature or a voltage, or a current or voltage not above 0.
    """
    from amphora.harness.common.quantities import parse

    made = Basis(
        None if current is None else parse(current, "current", "--at-current"),
        None if temperature is None else parse(temperature, "temperature", "--at-temperature"),
        None if cutoff is None else parse(cutoff, "voltage", "--at-cutoff"),
    )
    for name, text, value in (("--at-current", current, made.current_A), ("--at-cutoff", cutoff, made.cutoff_V)):
        if value is not None and value <= 0:
            raise InputError(f"{name} {text!r} is not accepted; a value above 0 is")
    return made


def read_runs(
    folders: Sequence[Path], verify: bool = False, whole: bool = True
) -> tuple[list[CellRun], list[dict[str, str]]]:
    """Return each run with its cell, and the damaged ones with why.

    Args:
        folders: Run folders.
        verify: Hash every readings file; else a run is taken to be what it was as long as its files' size, time and
            inode are.
        whole: False: what only one run's own page needs (phases, budgets, rests) may be left out.
    """
    from amphora.harness.account.kept_answers import read_answers

    good, damaged = read_answers(folders, verify, whole)
    return _taught_by_all(good), damaged


def _taught_by_all(runs: list[CellRun]) -> list[CellRun]:
    """Return runs whose item's U is learned from the repeats of all cells among them, the cell's own counting most."""
    from amphora.harness.analysis.repeats import Beside
    from amphora.harness.results.as_item import with_item_U

    places = [os.path.dirname(os.path.abspath(run.folder)) for run in runs]  # noqa: PTH100, PTH120
    seen: dict[str, list[float]] = {}
    for place, run in zip(places, runs, strict=True):
        seen[place] = list((run.result.account or {}).get("repeats") or [])
    all_of_them = Beside.of(seen.values())
    return [
        run._replace(result=with_item_U(run.result, seen[place], all_of_them.without(seen[place])))
        for place, run in zip(places, runs, strict=True)
    ]


def item_U(row: Mapping[str, Any]) -> float:
    """Return the U (k = 2) that two cells are told apart by: the item's, else that of the measurement alone."""
    return float(row.get("capacity_item_U_Ah") or row.get("capacity_U_Ah") or 0.0)


def best_runs(runs: Sequence[CellRun]) -> list[CellRun]:
    """Return one run for each cell: the newest complete discharge from a known full start, else the newest.

    A start that our own charge made full counts before one that was declared so.
    """
    chosen: dict[str, CellRun] = {}
    for run in sorted(runs, key=lambda one: one.result.created_utc or one.folder.name):
        before = chosen.get(run.name)
        if before is None or _worth(run.result) >= _worth(before.result):
            chosen[run.name] = run
    return list(chosen.values())


def _worth(result: Result) -> int:
    return (2 if result.from_full and result.reached_cutoff else 0) + (1 if result.capacity_Ah is not None else 0)


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
    from amphora.harness.decisions.grades import grade_runs, load_criteria

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


def ties_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return in words what two cells are told apart by."""
    texts = [str(row["item_text"]) for row in rows if row.get("item_text") and row.get("comparable")]
    if not texts:
        return ""
    return "tied: closer than the U (k = 2) of their difference, each cell as an item: " + max(
        set(texts), key=texts.count
    )


def _row(run: CellRun, grade: Mapping[str, Any]) -> dict[str, Any]:
    from amphora.harness.decisions.grades import key_of

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
    from amphora.harness.common.words import with_U

    claim, held, U = row.get("claim_Ah"), row.get("capacity_Ah"), row.get("capacity_U_Ah")
    if not claim or held is None or not row.get("comparable", True):
        return ""
    return f"{row['cell']}: claims {claim * 1000:.0f} mAh, holds {with_U(held, U, 1000, 'mAh')}"


def distinct(a_Ah: float, a_U: float, b_Ah: float, b_U: float) -> bool:
    """Tell whether two capacities differ by more than the expanded uncertainty of their difference."""
    return abs(a_Ah - b_Ah) > math.hypot(a_U, b_U)


DIFFERENT = 1.25  # between the shares of what they hold that two cells were run at: beyond it a night's figures differ


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


MOST_TIES = 50  # named for one cell: the nearest; on a shelf of thousands all of them are a list that nobody reads


def _place(rows: Sequence[dict[str, Any]], figures: Sequence[tuple[float, float]]) -> None:
    """Set rank and ties of rows that come best first; only neighbours that may be tied are looked at.

    Source: as `distinct`.
    """
    import numpy as np

    if not rows:
        return
    value, U = np.array([figure[0] for figure in figures]), np.array([figure[1] for figure in figures])
    reach = np.hypot(U, U.max()) * (1 + 1e-9)
    first = np.searchsorted(-value, -(value + reach), side="left")  # outside of it all are certainly better, or worse
    end = np.searchsorted(-value, -(value - reach), side="right")
    for place, row in enumerate(rows):
        near = slice(int(first[place]), int(end[place]))
        gap = value[near] - value[place]
        apart = np.abs(gap) > np.hypot(U[near], U[place])
        tied = np.flatnonzero(~apart) + near.start
        tied = tied[tied != place]
        row["rank"] = near.start + int(np.count_nonzero(apart & (gap > 0))) + 1
        row["tied"] = len(tied)
        if len(tied) > MOST_TIES:
            nearest = np.argsort(np.abs(value[tied] - value[place]), kind="stable")[:MOST_TIES]
            tied = np.sort(tied[nearest])
        row["tied_with"] = [str(rows[int(other)]["cell"]) for other in tied]


def _counts(result: Result) -> bool:
    return _worth(result) >= 3


def _by_cell(runs: Sequence[CellRun]) -> dict[str, list[CellRun]]:
    """Return the runs of each cell, oldest first: by when they were measured, else by when they came in."""
    groups: dict[str, list[CellRun]] = {}
    for run in sorted(runs, key=lambda one: (one.instant or "", len(one.folder.name), one.folder.name)):
        groups.setdefault(run.name, []).append(run)
    return groups


def _days(first: CellRun, last: CellRun) -> float | None:
    """Return the days between two runs; None where one of them does not say when it was measured."""
    from datetime import UTC, datetime

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


def on_common_basis(runs: Sequence[CellRun], basis: Basis) -> dict[str, dict[str, Any]]:
    """Return each cell's capacity at one current, temperature and cut-off, as an estimate, or why there is none.

    What the basis leaves open is chosen for each chemistry: the highest cut-off of its runs, for a record holds what
    came before but not what would have come after; the current at which most cells were run; the middle temperature.

    Returns:
        By cell: `common_basis` as `compare` gives it.
    """
    from amphora.harness.decisions.grades import key_of

    kinds: dict[str, dict[str, list[CellRun]]] = {}
    for name, items in _by_cell(runs).items():
        kinds.setdefault(key_of(items[-1].result, items[-1].cell), {})[name] = items
    found: dict[str, dict[str, Any]] = {}
    for cells in kinds.values():
        goal = _goal([(name, item) for name, items in cells.items() for item in items], basis)
        for name, items in cells.items():
            found[name] = _cell_on_basis(items, goal)
    return found


def _goal(all_items: Sequence[tuple[str, CellRun]], basis: Basis) -> Basis:
    from amphora.harness.analysis.common_basis import AT_CURRENT

    cutoff_V, current_A, degC = basis.cutoff_V, basis.current_A, basis.temperature_degC
    items = [(name, run.result) for name, run in all_items if _counts(run.result)]
    if cutoff_V is None:
        cutoff_V = max((r.cutoff_V for _, r in items if r.cutoff_V), default=None)
    if current_A is None:
        amps = [(name, abs(r.main_current_A)) for name, r in items if r.main_current_A]
        current_A = min(
            {value for _, value in amps},
            key=lambda at: (-len({name for name, value in amps if abs(value / at - 1.0) <= AT_CURRENT}), at),
            default=None,
        )
    if degC is None:
        known = [r.temperature_degC for _, r in items if r.temperature_degC is not None]
        degC = round(median(known), 1) if known else None
    return Basis(current_A, degC, cutoff_V)


def _cell_on_basis(items: Sequence[CellRun], goal: Basis) -> dict[str, Any]:
    from amphora.harness.analysis.common_basis import on_basis
    from amphora.harness.common.errors import AnalysisError

    told: dict[str, Any] = {
        "capacity_Ah": None,
        "capacity_U_Ah": None,
        "basis": {"current_A": goal.current_A, "temperature_degC": goal.temperature_degC, "cutoff_V": goal.cutoff_V},
        "estimate": True,
    }
    full = [item for item in items if item.result.from_full]
    if not full:
        return {**told, "why": "no run from a full start"}
    if goal.current_A is None or goal.cutoff_V is None:
        return {**told, "why": "no run to a cut-off whose current is known"}
    points, left = _points_at(full, goal.cutoff_V)
    try:
        made = on_basis(points, goal.current_A, goal.temperature_degC)
    except AnalysisError as error:
        return {**told, "why": "; ".join([str(error).rstrip("."), *left])}
    return {
        **told,
        "capacity_Ah": made.capacity_Ah,
        "capacity_U_Ah": made.capacity_U_Ah,
        "converted": made.converted,
        "runs": made.runs,
        "left_out": left,
        "text": made.text,
    }


def _points_at(full: Sequence[CellRun], cutoff_V: float) -> "tuple[list[RunPoint], list[str]]":
    """Return what runs from full gave down to one cut-off, and which of them were left out, each with why."""
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.analysis.common_basis import RunPoint

    points: list[RunPoint] = []
    left: list[str] = []
    for run in full:
        folder, result, days = run.folder, run.result, _days(run, full[-1])
        if days is not None and days > SAME_HEALTH_DAYS:
            left.append(f"{folder.name} is {days:.0f} days older than the last")
            continue
        if result.cutoff_V is None or abs(result.cutoff_V - cutoff_V) > 1e-3:
            try:
                result = analyse_run(folder, cutoff_V, budget=False)
            except AmphoraError as error:
                left.append(f"{folder.name}: {error}")
                continue
        if not result.reached_cutoff or result.capacity_Ah is None or not result.main_current_A:
            left.append(f"{folder.name} does not reach {cutoff_V:g} V")
            continue
        points.append(
            RunPoint(result.capacity_Ah, result.item_U_Ah, abs(result.main_current_A), result.temperature_degC)
        )
    return points, left


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


def trends(runs: Sequence[CellRun]) -> list[dict[str, Any]]:
    """Return the course of cells with repeated runs: of capacity, and of resistance, like compared with like.

    A cell is listed when one of both has a course, or when it has two tests that count and they are not alike.

    Capacity: complete discharges from a known full start, currents within 10 %, cut-offs within 10 mV, temperatures
    within 5 K. Resistance: one method, the same time after the step within 5 %, pulse currents within 10 %, charge
    state within 0.05, temperatures within 5 K, leads and holder in or out of both.

    Returns:
        For each cell `{cell, runs, days, change_Ah, change_U_Ah, capacity, resistance, text}`; `capacity` and
        `resistance`: `{runs, days, first_Ah or first_ohm, last_…, change_…, change_U_… (k = 2), per_run,
        per_run_U (shares of the mean), significant, like, run, left_out, text}`, or `{why}`. `days` is null where
        an imported run does not say when it was measured.

    Source: `charge.trend` (JCGM 100:2008, H.3); the tolerances are common practice.
    """
    found = []
    for name, items in _by_cell(runs).items():
        full = [item for item in items if _counts(item.result) and item.instant]
        pulsed = [item for item in items if item.result.resistances and item.instant]
        if len(full) < 2 and len(pulsed) < 2:
            continue
        capacity, resistance = _capacity_trend(full), _resistance_trend(pulsed)
        if len(full) < 2 and "why" in resistance:
            continue  # a charge and a test, say: nobody meant to repeat anything
        texts = [part["text"] for part in (capacity, resistance) if "text" in part]
        texts += [
            f"{what} over time: {part['why']}"
            for what, part in (("capacity", capacity), ("resistance", resistance))
            if "why" in part
        ]
        lead = capacity if "text" in capacity else resistance
        found.append(
            {
                "cell": name,
                "runs": lead.get("runs", 0),
                "days": lead.get("days"),
                "change_Ah": capacity.get("change_Ah"),
                "change_U_Ah": capacity.get("change_U_Ah"),
                "capacity": capacity,
                "resistance": resistance,
                "text": f"{name}: " + "; ".join(texts),
            }
        )
    return sorted(found, key=lambda entry: str(entry["cell"]))


def _near(a: float | None, b: float | None, share: float = 0.0, least: float = 0.0) -> bool:
    """Tell whether two figures are alike; one that is not known is like only another one."""
    if a is None or b is None:
        return a is None and b is None
    return abs(a - b) <= max(least, share * abs(a))


def _unlike(a: Result, b: Result) -> str:
    """Return in what two discharges are not alike; empty where they are."""
    if not _near(a.main_current_A, b.main_current_A, LIKE_CURRENT):
        return "another current"
    if not _near(a.cutoff_V, b.cutoff_V, least=LIKE_CUTOFF_V):
        return "another cut-off"
    if not _near(a.temperature_degC, b.temperature_degC, least=LIKE_K):
        return "another temperature"
    return ""


def _capacity_trend(items: Sequence[CellRun]) -> dict[str, Any]:
    from amphora.harness.analysis.common_basis import allowance

    if len(items) < 2:
        return {"why": f"{len(items)} complete discharge(s) from a full start; two are needed"}
    groups = [(to, [item for item in items if not _unlike(to.result, item.result)]) for to in reversed(items)]
    to, like = max(groups, key=lambda group: len(group[1]))  # of equal ones the newest
    left = [{"run": str(item.folder), "why": why} for item in items if (why := _unlike(to.result, item.result))]
    if len(like) < 2:
        return {"why": f"no two of {len(items)} runs are alike ({', '.join(sorted({x['why'] for x in left}))})"}
    values = [item.result.capacity_Ah or 0.0 for item in like]
    Us = []
    for item, value in zip(like, values, strict=True):
        amps, goal = item.result.main_current_A, to.result.main_current_A
        share = allowance(amps / goal if amps and goal else 1.0, _off_K(item, to))
        Us.append(math.hypot(item.result.item_U_Ah, share * value))
    conditions = {
        "current_A": to.result.main_current_A,
        "cutoff_V": to.result.cutoff_V,
        "temperature_degC": to.result.temperature_degC,
    }
    return _course(like, values, Us, "Ah", ("mAh", 0), ("lost", "gained"), conditions, left)


def _off_K(item: CellRun, to: CellRun) -> float | None:
    a, b = item.result.temperature_degC, to.result.temperature_degC
    return None if a is None or b is None else a - b


Pulsed = tuple[CellRun, ResistanceValue]


def _like_pulses(items: Sequence[CellRun]) -> tuple[CellRun, ResistanceValue, list[Pulsed]] | None:
    """Return the pulse that the most runs have one like, its run, and the like one of each; None without any."""
    best: tuple[CellRun, ResistanceValue, list[Pulsed]] | None = None
    for to in reversed(items):
        kinds: dict[tuple[str, float], list[ResistanceValue]] = {}
        for pulse in to.result.resistances:
            if pulse.charge_state is not None and pulse.current_A:
                kinds.setdefault((pulse.method, pulse.duration_s), []).append(pulse)
        for pulses in kinds.values():
            chosen = nearest(pulses)
            if chosen is None:
                continue
            pairs = [(item, found) for item in items if (found := _like_pulse(item, to, chosen)) is not None]
            if best is None or _better(pairs, chosen, best[2], best[1]):
                best = (to, chosen, pairs)
        if best is not None and len(best[2]) == len(items):
            break
    return best


def _resistance_trend(items: Sequence[CellRun]) -> dict[str, Any]:
    if len(items) < 2:
        return {"why": f"{len(items)} run(s) with a resistance; two are needed"}
    best = _like_pulses(items)
    if best is None:
        return {"why": "the charge state of no pulse is known"}
    to, chosen, pairs = best
    if len(pairs) < 2:
        return {
            "why": f"no two of {len(items)} runs have pulses alike in method, duration, current, charge state, "
            "temperature and leads"
        }
    kept = {id(item) for item, _ in pairs}
    left = [{"run": str(item.folder), "why": "no pulse like the others'"} for item in items if id(item) not in kept]
    values = [pulse.ohm or 0.0 for _, pulse in pairs]
    Us = []
    for (item, pulse), value in zip(pairs, values, strict=True):
        contact = 0.0 if item.result.sensed_at == "cell" else CONTACT_ohm
        warmth = RESISTANCE_SHARE_PER_K * value * (_off_K(item, to) or 0.0)
        Us.append(math.hypot(pulse.U_ohm or 0.0, 2 / math.sqrt(3) * math.hypot(contact, warmth)))
    conditions = {
        "method": chosen.method,
        "duration_s": chosen.duration_s,
        "current_A": chosen.current_A,
        "charge_state": chosen.charge_state,
        "leads": chosen.leads,
        "temperature_degC": to.result.temperature_degC,
    }
    how = f" ({chosen.method}, {chosen.duration_s:g} s, {abs(chosen.current_A):.3g} A"
    how += f", {100 * (chosen.charge_state or 0.0):.0f} % charged)"
    like = [item for item, _ in pairs]
    return _course(like, values, Us, "ohm", ("mΩ", 1), ("fell by", "grew by"), conditions, left, how)


def _better(pairs: Sequence[Any], pulse: ResistanceValue, before: Sequence[Any], than: ResistanceValue) -> bool:
    if len(pairs) != len(before):
        return len(pairs) > len(before)
    # of two with as many runs, the one that would stand for a run: nearest to 10 s, then to half charged
    return nearest([than, pulse]) == pulse != than


def _like_pulse(item: CellRun, to: CellRun, chosen: ResistanceValue) -> ResistanceValue | None:
    """Return a run's pulse like one of another run, the nearest in charge state; None without."""
    if not _near(to.result.temperature_degC, item.result.temperature_degC, least=LIKE_K):
        return None
    if to.result.sensed_at != item.result.sensed_at or chosen.charge_state is None:
        return None
    state = chosen.charge_state
    like = [
        (abs(pulse.charge_state - state), pulse)
        for pulse in item.result.resistances
        if pulse.method == chosen.method
        and pulse.leads == chosen.leads
        and pulse.ohm is not None
        and pulse.ohm > 0
        and pulse.charge_state is not None
        and _near(chosen.duration_s, pulse.duration_s, LIKE_DURATION)
        and _near(chosen.current_A, pulse.current_A, LIKE_CURRENT)
        and _near(state, pulse.charge_state, least=LIKE_CHARGE_STATE)
    ]
    return min(like, key=lambda pair: pair[0])[1] if like else None


def _course(
    items: Sequence[CellRun], values: Sequence[float], Us: Sequence[float], unit: str, shown: tuple[str, int],
    words: tuple[str, str], like: Mapping[str, Any], left: Sequence[Mapping[str, Any]], how: str = "",
) -> dict[str, Any]:  # fmt: skip
    from amphora.harness.analysis.charge import trend

    line = trend(values, Us)
    level = sum(values) / len(values)
    steps = len(values) - 1
    change, U = line.per_run * level * steps, (line.per_run_U or 0.0) * level * steps
    days = _days(items[0], items[-1])
    when = "" if days is None else f" in {days:.0f} {'day' if round(days) == 1 else 'days'}"
    name, digits = shown
    what = "resistance " if unit == "ohm" else ""
    text = f"{what}{values[0] * 1000:.{digits}f} to {values[-1] * 1000:.{digits}f} {name}{when} over {len(values)} runs"
    text += f"{how}: "
    if line.significant:
        word = words[0] if change < 0 else words[1]
        text += f"{word} {abs(change) * 1000:.{digits}f} ± {U * 1000:.{digits}f} {name}"
    else:
        text += f"no change larger than its uncertainty (beyond ± {U * 1000:.{digits}f} {name})"
    return {
        "runs": len(values),
        "days": days,
        f"first_{unit}": values[0],
        f"last_{unit}": values[-1],
        f"change_{unit}": change,
        f"change_U_{unit}": U,
        "per_run": line.per_run,
        "per_run_U": line.per_run_U,
        "significant": line.significant,
        "like": dict(like),
        "run": [str(item.folder) for item in items],
        "left_out": [dict(entry) for entry in left],
        "text": text,
    }
