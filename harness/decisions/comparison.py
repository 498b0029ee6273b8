"""Cells side by side: ranking with the uncertainty, ties, outliers with a likely cause, claims, a trend over time.

Two capacities are told apart when they differ by more than the expanded uncertainty of their difference, each taken as
that of the cell as an item: not what one night was worth, but what the cell would show on another. Readings of one
bench share its calibration, so this errs to the side of a tie. Ah, ohm, V.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from amphora.harness.common.errors import AmphoraError, InputError

OUTLIER_AT = 3.5  # modified z-score, Iglewicz and Hoaglin 1993 (from memory)
OUTLIER_FROM = 5  # cells of a batch
MAD_TO_SIGMA = 1.4826
# Of the median: a narrower batch is taken to spread so much, so that nobody is called an outlier for nothing.
LEAST_SPREAD = {
    "capacity_Ah": 0.02,
    "resistance_ohm": 0.05,
    "temperature_rise_K": 1.5,
}  # a bench thermometer is off by about 1 K

Item = tuple[Path, Mapping[str, Any], Mapping[str, Any]]  # folder, figures, cell's record

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
) -> tuple[list[tuple[Path, dict[str, Any], dict[str, Any]]], list[dict[str, str]]]:
    """Return (folder, figures, cell's record) of each run, and the damaged ones with why.

    Args:
        folders: Run folders.
        verify: Hash every readings file; else a run is taken to be what it was as long as its files' size, time and
            inode are.
        whole: False: what only one run's own page needs (phases, budgets, rests) may be left out.
    """
    from amphora.harness.account.kept_answers import read_answers

    good, damaged = read_answers(folders, verify, whole)
    return _taught_by_all(good), damaged


def _taught_by_all(
    runs: list[tuple[Path, dict[str, Any], dict[str, Any]]],
) -> list[tuple[Path, dict[str, Any], dict[str, Any]]]:
    """Return runs whose item's U is learned from the repeats of all cells among them, the cell's own counting most."""
    from amphora.harness.analysis.repeats import Beside, with_item_U

    places = [str(folder.absolute().parent) for folder, _, _ in runs]
    seen: dict[str, list[float]] = {}
    for place, (_, result, _) in zip(places, runs, strict=True):
        seen[place] = list((result.get("account") or {}).get("repeats") or [])
    all_of_them = Beside.of(seen.values())
    return [
        (folder, with_item_U(result, seen[place], all_of_them.without(seen[place])), cell)
        for place, (folder, result, cell) in zip(places, runs, strict=True)
    ]


def item_U(figures: Mapping[str, Any]) -> float:
    """Return the U (k = 2) that two cells are told apart by: the item's, else that of the measurement alone."""
    return float(figures.get("capacity_item_U_Ah") or figures.get("capacity_U_Ah") or 0.0)


def best_runs(
    runs: Sequence[tuple[Path, dict[str, Any], dict[str, Any]]],
) -> list[tuple[Path, dict[str, Any], dict[str, Any]]]:
    """Return one run for each cell: the newest complete discharge from a known full start, else the newest.

    A start that our own charge made full counts before one that was declared so.
    """
    chosen: dict[str, tuple[Path, dict[str, Any], dict[str, Any]]] = {}
    for item in sorted(runs, key=lambda run: str(run[1].get("created_utc") or run[0].name)):
        name = str(item[1].get("cell") or item[2].get("id"))
        before = chosen.get(name)
        if before is None or _worth(item[1]) >= _worth(before[1]):
            chosen[name] = item
    return list(chosen.values())


def _worth(result: Mapping[str, Any]) -> int:
    known = result.get("start") in ("full", "declared-full")
    return (2 if known and result.get("reached_cutoff") else 0) + (1 if result.get("capacity_Ah") is not None else 0)


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
        `cells`: `{cell, run, capacity_Ah, capacity_U_Ah, resistance_ohm, resistance_U_ohm, energy_Wh, grade, rank,
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
    grades = grade_runs([(result, cell) for _, result, cell in chosen], load_criteria(criteria))
    rows = [_row(item, grade) for item, grade in zip(chosen, grades, strict=True)]
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


def _row(item: tuple[Path, dict[str, Any], dict[str, Any]], grade: Mapping[str, Any]) -> dict[str, Any]:
    from amphora.harness.decisions.grades import key_of
    from amphora.harness.results.chosen import chosen_resistance

    folder, result, cell = item
    resistance = chosen_resistance(result) or {}
    known = result.get("start") in ("full", "declared-full") and bool(result.get("reached_cutoff"))
    row = {
        "cell": result.get("cell") or cell.get("id"),
        "run": str(folder),
        "capacity_Ah": result.get("capacity_Ah"),
        "capacity_U_Ah": result.get("capacity_U_Ah"),
        "resistance_ohm": resistance.get("ohm"),
        "resistance_U_ohm": resistance.get("U_ohm"),
        "resistance_duration_s": resistance.get("duration_s"),
        "energy_Wh": result.get("energy_Wh"),
        "temperature_rise_K": result.get("temperature_rise_K"),
        "grade": grade["grade"],
        "needs": grade["needs"],
        "rank": None,
        "tied": 0,
        "tied_with": [],
        "claim_Ah": cell.get("claim_Ah"),
        "chemistry": key_of(result, cell),
        "form": result.get("form") or cell.get("form"),
        "start": result.get("start"),
        "comparable": known,
        "capacity_item_U_Ah": result.get("capacity_item_U_Ah") if known else None,
        "current_A": abs(float(result["main_current_A"])) if known and result.get("main_current_A") else None,
        "stated": result.get("stated") if known else None,
        "item_text": (result.get("item") or {}).get("text") if known else None,
        "left_Ah": None if known else result.get("capacity_Ah"),
        "may_match": ((result.get("account") or {}).get("may") or {}).get("match"),
    }
    if not known:  # what was left in it is not what it holds
        row["capacity_Ah"] = row["capacity_U_Ah"] = None
    row["claim_text"] = claim_text(row)
    return row


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


def _counts(result: Mapping[str, Any]) -> bool:
    return _worth(result) >= 3


def _by_cell(runs: Sequence[Item]) -> dict[str, list[Item]]:
    """Return the runs of each cell, oldest first: by when they were measured, else by when they came in."""
    groups: dict[str, list[Item]] = {}
    for item in sorted(runs, key=lambda run: (_instant(run) or "", len(run[0].name), run[0].name)):
        groups.setdefault(str(item[1].get("cell") or item[2].get("id")), []).append(item)
    return groups


def _instant(item: Item) -> str | None:
    value = item[1].get("measured_utc") or item[1].get("created_utc")
    return str(value) if value else None


def _days(first: Item, last: Item) -> float | None:
    """Return the days between two runs; None where one of them does not say when it was measured."""
    from datetime import UTC, datetime

    times = []
    for item in (first, last):
        value = item[1].get("measured_utc", item[1].get("created_utc"))
        if not value:
            return None
        try:
            when = datetime.fromisoformat(str(value))
        except ValueError:
            return None
        times.append(when if when.tzinfo else when.replace(tzinfo=UTC))
    return (times[1] - times[0]).total_seconds() / 86400.0


def on_common_basis(runs: Sequence[Item], basis: Basis) -> dict[str, dict[str, Any]]:
    """Return each cell's capacity at one current, temperature and cut-off, as an estimate, or why there is none.

    What the basis leaves open is chosen for each chemistry: the highest cut-off of its runs, for a record holds what
    came before but not what would have come after; the current at which most cells were run; the middle temperature.

    Returns:
        By cell: `common_basis` as `compare` gives it.
    """
    from amphora.harness.decisions.grades import key_of

    kinds: dict[str, dict[str, list[Item]]] = {}
    for name, items in _by_cell(runs).items():
        kinds.setdefault(key_of(items[-1][1], items[-1][2]), {})[name] = items
    found: dict[str, dict[str, Any]] = {}
    for cells in kinds.values():
        goal = _goal([(name, item) for name, items in cells.items() for item in items], basis)
        for name, items in cells.items():
            found[name] = _cell_on_basis(items, goal)
    return found


def _goal(all_items: Sequence[tuple[str, Item]], basis: Basis) -> Basis:
    from amphora.harness.analysis.common_basis import AT_CURRENT

    cutoff_V, current_A, degC = basis.cutoff_V, basis.current_A, basis.temperature_degC
    items = [(name, item[1]) for name, item in all_items if _counts(item[1])]
    if cutoff_V is None:
        cutoff_V = max((float(r["cutoff_V"]) for _, r in items if r.get("cutoff_V")), default=None)
    if current_A is None:
        amps = [(name, abs(float(r["main_current_A"]))) for name, r in items if r.get("main_current_A")]
        current_A = min(
            {value for _, value in amps},
            key=lambda at: (-len({name for name, value in amps if abs(value / at - 1.0) <= AT_CURRENT}), at),
            default=None,
        )
    if degC is None:
        known = [float(r["temperature_degC"]) for _, r in items if r.get("temperature_degC") is not None]
        degC = round(median(known), 1) if known else None
    return Basis(current_A, degC, cutoff_V)


def _cell_on_basis(items: Sequence[Item], goal: Basis) -> dict[str, Any]:
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.analysis.common_basis import RunPoint, on_basis
    from amphora.harness.common.errors import AnalysisError

    told: dict[str, Any] = {
        "capacity_Ah": None,
        "capacity_U_Ah": None,
        "basis": {"current_A": goal.current_A, "temperature_degC": goal.temperature_degC, "cutoff_V": goal.cutoff_V},
        "estimate": True,
    }
    full = [item for item in items if item[1].get("start") in ("full", "declared-full")]
    if not full:
        return {**told, "why": "no run from a full start"}
    if goal.current_A is None or goal.cutoff_V is None:
        return {**told, "why": "no run to a cut-off whose current is known"}
    left: list[str] = []
    points: list[RunPoint] = []
    for folder, result, _ in full:
        days = _days((folder, result, {}), full[-1])
        if days is not None and days > SAME_HEALTH_DAYS:
            left.append(f"{folder.name} is {days:.0f} days older than the last")
            continue
        own_V = result.get("cutoff_V")
        if own_V is None or abs(float(own_V) - goal.cutoff_V) > 1e-3:
            try:
                result = analyse_run(folder, goal.cutoff_V, budget=False)
            except AmphoraError as error:
                left.append(f"{folder.name}: {error}")
                continue
        if not result.get("reached_cutoff") or result.get("capacity_Ah") is None or not result.get("main_current_A"):
            left.append(f"{folder.name} does not reach {goal.cutoff_V:g} V")
            continue
        points.append(
            RunPoint(
                float(result["capacity_Ah"]),
                item_U(result),
                abs(float(result["main_current_A"])),
                None if result.get("temperature_degC") is None else float(result["temperature_degC"]),
            )
        )
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
    middle = median(values.values())
    spread = MAD_TO_SIGMA * median(abs(value - middle) for value in values.values())
    spread = max(spread, LEAST_SPREAD[name] * abs(middle))
    if spread <= 0:
        return {}
    return {key: (value - middle) / spread for key, value in values.items()}


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


def trends(runs: Sequence[Item]) -> list[dict[str, Any]]:
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
        full = [item for item in items if _counts(item[1]) and _instant(item)]
        pulsed = [item for item in items if item[1].get("resistances") and _instant(item)]
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


def _near(a: Any, b: Any, share: float = 0.0, least: float = 0.0) -> bool:
    """Tell whether two figures are alike; one that is not known is like only another one."""
    if a is None or b is None:
        return a is None and b is None
    return abs(float(a) - float(b)) <= max(least, share * abs(float(a)))


def _capacity_trend(items: Sequence[Item]) -> dict[str, Any]:
    from amphora.harness.analysis.common_basis import allowance

    if len(items) < 2:
        return {"why": f"{len(items)} complete discharge(s) from a full start; two are needed"}

    def unlike(item: Item, to: Item) -> str:
        a, b = to[1], item[1]
        if not _near(a.get("main_current_A"), b.get("main_current_A"), LIKE_CURRENT):
            return "another current"
        if not _near(a.get("cutoff_V"), b.get("cutoff_V"), least=LIKE_CUTOFF_V):
            return "another cut-off"
        if not _near(a.get("temperature_degC"), b.get("temperature_degC"), least=LIKE_K):
            return "another temperature"
        return ""

    groups = [(to, [item for item in items if not unlike(item, to)]) for to in reversed(items)]
    to, like = max(groups, key=lambda group: len(group[1]))  # of equal ones the newest
    left = [{"run": str(item[0]), "why": unlike(item, to)} for item in items if unlike(item, to)]
    if len(like) < 2:
        return {"why": f"no two of {len(items)} runs are alike ({', '.join(sorted({x['why'] for x in left}))})"}
    values = [float(item[1]["capacity_Ah"]) for item in like]
    Us = []
    for item, value in zip(like, values, strict=True):
        amps, goal = item[1].get("main_current_A"), to[1].get("main_current_A")
        off = _off_K(item, to)
        share = allowance(float(amps) / float(goal) if amps and goal else 1.0, off)
        Us.append(math.hypot(item_U(item[1]), share * value))
    conditions = {
        "current_A": to[1].get("main_current_A"),
        "cutoff_V": to[1].get("cutoff_V"),
        "temperature_degC": to[1].get("temperature_degC"),
    }
    return _course(like, values, Us, "Ah", ("mAh", 0), ("lost", "gained"), conditions, left)


def _off_K(item: Item, to: Item) -> float | None:
    a, b = item[1].get("temperature_degC"), to[1].get("temperature_degC")
    return None if a is None or b is None else float(a) - float(b)


def _resistance_trend(items: Sequence[Item]) -> dict[str, Any]:
    from amphora.harness.results.chosen import nearest

    if len(items) < 2:
        return {"why": f"{len(items)} run(s) with a resistance; two are needed"}
    best: tuple[Item, dict[str, Any], list[tuple[Item, dict[str, Any]]]] | None = None
    for to in reversed(items):
        kinds: dict[tuple[Any, Any], list[dict[str, Any]]] = {}
        for pulse in to[1]["resistances"]:
            if pulse.get("charge_state") is not None and pulse.get("current_A"):
                kinds.setdefault((pulse.get("method"), pulse.get("duration_s")), []).append(pulse)
        for pulses in kinds.values():
            chosen = nearest(pulses)
            if chosen is None:
                continue
            pairs = [(item, pulse) for item in items if (pulse := _like_pulse(item, to, chosen)) is not None]
            if best is None or _better(pairs, chosen, best[2], best[1]):
                best = (to, chosen, pairs)
        if best is not None and len(best[2]) == len(items):
            break
    if best is None:
        return {"why": "the charge state of no pulse is known"}
    to, chosen, pairs = best
    if len(pairs) < 2:
        return {
            "why": f"no two of {len(items)} runs have pulses alike in method, duration, current, charge state, "
            "temperature and leads"
        }
    kept = {id(item) for item, _ in pairs}
    left = [{"run": str(item[0]), "why": "no pulse like the others'"} for item in items if id(item) not in kept]
    values = [float(pulse["ohm"]) for _, pulse in pairs]
    Us = []
    for (item, pulse), value in zip(pairs, values, strict=True):
        bench = item[1].get("bench") or {}
        contact = 0.0 if bench.get("sensed_at") == "cell" else CONTACT_ohm
        warmth = RESISTANCE_SHARE_PER_K * value * (_off_K(item, to) or 0.0)
        Us.append(math.hypot(float(pulse.get("U_ohm") or 0.0), 2 / math.sqrt(3) * math.hypot(contact, warmth)))
    conditions = {
        "method": chosen.get("method"),
        "duration_s": chosen.get("duration_s"),
        "current_A": chosen.get("current_A"),
        "charge_state": chosen.get("charge_state"),
        "leads": chosen.get("leads"),
        "temperature_degC": to[1].get("temperature_degC"),
    }
    how = f" ({chosen.get('method')}, {chosen.get('duration_s'):g} s, {abs(chosen['current_A']):.3g} A"
    how += f", {100 * chosen['charge_state']:.0f} % charged)"
    like = [item for item, _ in pairs]
    return _course(like, values, Us, "ohm", ("mΩ", 1), ("fell by", "grew by"), conditions, left, how)


def _better(pairs: Sequence[Any], pulse: Mapping[str, Any], before: Sequence[Any], than: Mapping[str, Any]) -> bool:
    from amphora.harness.results.chosen import nearest

    if len(pairs) != len(before):
        return len(pairs) > len(before)
    # of two with as many runs, the one that would stand for a run: nearest to 10 s, then to half charged
    return nearest([than, pulse]) == dict(pulse) != dict(than)


def _like_pulse(item: Item, to: Item, chosen: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return a run's pulse like one of another run, the nearest in charge state; None without."""
    if not _near(to[1].get("temperature_degC"), item[1].get("temperature_degC"), least=LIKE_K):
        return None
    if (to[1].get("bench") or {}).get("sensed_at") != (item[1].get("bench") or {}).get("sensed_at"):
        return None
    like = [
        pulse
        for pulse in item[1]["resistances"]
        if pulse.get("method") == chosen.get("method")
        and pulse.get("leads") == chosen.get("leads")
        and pulse.get("ohm") is not None
        and pulse["ohm"] > 0
        and pulse.get("charge_state") is not None
        and _near(chosen.get("duration_s"), pulse.get("duration_s"), LIKE_DURATION)
        and _near(chosen.get("current_A"), pulse.get("current_A"), LIKE_CURRENT)
        and _near(chosen.get("charge_state"), pulse["charge_state"], least=LIKE_CHARGE_STATE)
    ]
    if not like:
        return None
    return dict(min(like, key=lambda pulse: abs(pulse["charge_state"] - chosen["charge_state"])))


def _course(
    items: Sequence[Item], values: Sequence[float], Us: Sequence[float], unit: str, shown: tuple[str, int],
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
        "run": [str(item[0]) for item in items],
        "left_out": [dict(entry) for entry in left],
        "text": text,
    }
