"""Cells side by side: ranking with the uncertainty, ties, outliers with a likely cause, claims, a trend over time.

Two capacities are told apart when they differ by more than the expanded uncertainty of their difference; readings of
one bench share its calibration, so this errs to the side of a tie. Ah, ohm, V.
"""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Any

from harness.errors import AmphoraError, InputError

OUTLIER_AT = 3.5  # modified z-score, Iglewicz and Hoaglin 1993 (from memory)
OUTLIER_FROM = 5  # cells of a batch
MAD_TO_SIGMA = 1.4826
# Of the median: a narrower batch is taken to spread so much, so that nobody is called an outlier for nothing.
LEAST_SPREAD = {
    "capacity_Ah": 0.02,
    "resistance_ohm": 0.05,
    "temperature_rise_K": 1.5,
}  # a bench thermometer is off by about 1 K


def read_runs(
    folders: Sequence[Path],
) -> tuple[list[tuple[Path, dict[str, Any], dict[str, Any]]], list[dict[str, str]]]:
    """Return (folder, figures, cell's record) of each run, and the damaged ones with why."""
    import json

    from harness.entering import work_out
    from harness.results import analyse_run

    work_out(folders)
    good: list[tuple[Path, dict[str, Any], dict[str, Any]]] = []
    damaged: list[dict[str, str]] = []
    for folder in folders:
        try:
            result = analyse_run(Path(folder))
            run = json.loads((Path(folder) / "run.json").read_text(encoding="utf-8"))
            record = dict(run.get("cell") or {})
        except (AmphoraError, OSError, ValueError) as error:
            damaged.append({"run": str(folder), "text": str(error)})
            continue
        good.append((Path(folder), dict(result), _present_record(Path(folder), record)))
    return good, damaged


def _present_record(folder: Path, then: dict[str, Any]) -> dict[str, Any]:
    """Return the cell's record as the register has it now, else as it was when the run began."""
    import json

    try:
        now = json.loads((folder.parent / "cell.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return then
    return now if isinstance(now, dict) and now.get("id") == then.get("id", now.get("id")) else then


def best_runs(
    runs: Sequence[tuple[Path, dict[str, Any], dict[str, Any]]],
) -> list[tuple[Path, dict[str, Any], dict[str, Any]]]:
    """Return one run for each cell: the newest complete discharge from a known full start, else the newest."""
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


def compare(folders: Sequence[Path], criteria: str | Path = "general", each_run: bool = False) -> dict[str, Any]:
    """Compare runs.

    Args:
        folders: Run folders; several of one cell are one cell with a history.
        criteria: For the grades.
        each_run: Every run is a line of its own instead of the one that says most of its cell.

    Returns:
        `cells`: `{cell, run, capacity_Ah, capacity_U_Ah, resistance_ohm, resistance_U_ohm, energy_Wh, grade, rank,
        tied_with, claim_Ah, claim_text, chemistry, form, start}` by rank; `outliers`; `trends`; `damaged`.

    Raises:
        InputError: none of the folders can be read.
    """
    from harness.grading import grade_runs, load_criteria

    runs, damaged = read_runs(folders)
    if not runs and damaged:
        raise InputError(damaged[0]["text"])
    chosen = runs if each_run else best_runs(runs)
    grades = grade_runs([(result, cell) for _, result, cell in chosen], load_criteria(criteria))
    rows = [_row(item, grade) for item, grade in zip(chosen, grades, strict=True)]
    return {
        "cells": rank(rows),
        "outliers": outliers(rows),
        "trends": trends(runs),
        "damaged": damaged,
        "grades": grades,
    }


def _row(item: tuple[Path, dict[str, Any], dict[str, Any]], grade: Mapping[str, Any]) -> dict[str, Any]:
    from harness.grading import chosen_resistance, key_of

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
        "tied_with": [],
        "claim_Ah": cell.get("claim_Ah"),
        "chemistry": key_of(result, cell),
        "form": result.get("form") or cell.get("form"),
        "start": result.get("start"),
        "comparable": known,
    }
    row["claim_text"] = claim_text(row)
    return row


def claim_text(row: Mapping[str, Any]) -> str:
    """Return 'L3-a: claims 1200 mAh, holds 431 ± 9 mAh', or nothing without a claim and a capacity that counts."""
    claim, held, U = row.get("claim_Ah"), row.get("capacity_Ah"), row.get("capacity_U_Ah")
    if not claim or held is None or not row.get("comparable", True):
        return ""
    text = f"{row['cell']}: claims {claim * 1000:.0f} mAh, holds {held * 1000:.0f}"
    if U:
        text += f" ± {U * 1000:.0f}"
    return text + " mAh"


def distinct(a_Ah: float, a_U: float, b_Ah: float, b_U: float) -> bool:
    """Tell whether two capacities differ by more than the expanded uncertainty of their difference."""
    return abs(a_Ah - b_Ah) > math.hypot(a_U, b_U)


def rank(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows by capacity, best first, those without one that counts last; ties are named.

    `rank` is one more than the number of cells that are certainly better, so cells that cannot be told apart from
    the best one share rank 1.
    """
    counted = [row for row in rows if row.get("comparable", True) and row.get("capacity_Ah") is not None]
    rest = [row for row in rows if row not in counted]
    counted.sort(key=lambda row: (-row["capacity_Ah"], str(row["cell"])))
    for row in counted:
        U = row.get("capacity_U_Ah") or 0.0
        better, tied = 0, []
        for other in counted:
            if other is row:
                continue
            if not distinct(row["capacity_Ah"], U, other["capacity_Ah"], other.get("capacity_U_Ah") or 0.0):
                tied.append(str(other["cell"]))
            elif other["capacity_Ah"] > row["capacity_Ah"]:
                better += 1
        row["rank"], row["tied_with"] = better + 1, tied
    return counted + sorted(rest, key=lambda row: str(row["cell"]))


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


def trends(runs: Sequence[tuple[Path, Mapping[str, Any], Mapping[str, Any]]]) -> list[dict[str, Any]]:
    """Return the course of cells with two or more runs that count: capacity over time."""
    from datetime import datetime

    by_cell: dict[str, list[tuple[str, float, float]]] = {}
    for _, result, cell in runs:
        if _worth(result) < 3 or not result.get("created_utc"):
            continue
        point = (str(result["created_utc"]), float(result["capacity_Ah"]), float(result.get("capacity_U_Ah") or 0.0))
        by_cell.setdefault(str(result.get("cell") or cell.get("id")), []).append(point)
    found = []
    for name, points in sorted(by_cell.items()):
        if len(points) < 2:
            continue
        points.sort()
        (then, first, first_U), (now, last, last_U) = points[0], points[-1]
        days = (datetime.fromisoformat(now) - datetime.fromisoformat(then)).total_seconds() / 86400.0
        change, U = last - first, math.hypot(first_U, last_U)
        changed = abs(change) > U
        word = ("lost" if change < 0 else "gained") if changed else "no change that can be told"
        text = f"{name}: {first * 1000:.0f} to {last * 1000:.0f} mAh in {days:.0f} days over {len(points)} runs: {word}"
        if changed:
            text += f" {abs(change) * 1000:.0f} ± {U * 1000:.0f} mAh"
        found.append(
            {"cell": name, "runs": len(points), "days": days, "change_Ah": change, "change_U_Ah": U, "text": text}
        )
    return found
