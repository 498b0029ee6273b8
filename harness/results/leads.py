"""Leads and holder: which run of the bench measured them, and how they are taken out of another run's figures.

Whether leads are in a resistance depends on where the voltage is sensed: `sensed_at` in the bench file, "cell" or
"load". Without it nothing is taken out, and the resistances say that it is not known. Ohm, U with k = 2.
"""

import contextlib
import json
import math
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.kept import once

# Two leads of half a metre and a holder's springs are 20 to 80 mohm, seldom 100 (common practice, assumed); of a
# rectangle from nothing to that, 95 % lie below this.
UNKNOWN_MOST_OHM = 0.1
UNKNOWN_U_OHM = 0.95 * UNKNOWN_MOST_OHM
LEADS_NOTE = "two wires that nobody measured: up to 100 mohm are counted; run 'leads', or sense at the cell"
AT_THE_CELL = ("capacity_Ah", "capacity_U_Ah", "energy_Wh", "energy_U_Wh", "mean_voltage_V")


def latest_measured(folder: Path, bench: dict[str, Any], created_utc: str) -> tuple[Path, dict[str, Any]] | None:
    """Return the run that measured the leads of a bench, and what it found.

    The newest one not younger than the run in question; where there is none, the first one after it. So a leads run
    made later changes no figure that already had one.

    Args:
        folder: The run in question; its shelf is searched.
        bench: As in its `run.json`; benches are the same when their names are.
        created_utc: When it was made.
    """
    from amphora.harness.results.figures import figures_of

    root = folder.absolute().parent.parent
    earlier: list[tuple[str, Path]] = []
    later: list[tuple[str, Path]] = []
    for other in once(f"leads runs {root}", lambda: list(root.glob("*/*-leads/run.json"))):
        if other.parent == folder.absolute():
            continue
        with contextlib.suppress(OSError, ValueError):
            run = json.loads(other.read_text(encoding="utf-8"))
            if (run.get("bench") or {}).get("name") == bench.get("name"):
                made = str(run.get("created_utc") or "")
                (earlier if made <= created_utc else later).append((made, other.parent))
    for _, candidate in [*sorted(earlier, reverse=True), *sorted(later)]:
        with contextlib.suppress(AmphoraError, OSError):
            found = figures_of(candidate).get("leads_measured")
            if found and found["ohm"] is not None:
                return candidate, found
    return None


def state_of(folder: Path, bench: dict[str, Any], created_utc: str) -> dict[str, Any]:
    """Return whether leads and holder are in the resistances of a run, and what is to be taken out of each.

    Returns:
        `state` ("in", "out", "not known"), `text`, and `ohm`, `U_ohm`, `from_run` where something is taken out.
    """
    found: dict[str, Any] = {"state": "out", "text": "", "ohm": None, "U_ohm": None, "from_run": None}
    sensed_at = bench.get("sensed_at")
    if sensed_at == "cell":
        return {**found, "text": "leads and holder are out: the voltage is sensed at the cell"}
    if sensed_at != "load":
        text = "not known whether leads and holder are in: nothing says where the voltage is sensed"
        return {**found, "state": "not known", "text": text}
    measured = latest_measured(folder, bench, created_utc)
    if measured is None:
        text = (
            "leads and holder are in: the voltage is sensed at the load, and no 'leads' run of this bench is here; "
            f"up to {1000 * UNKNOWN_MOST_OHM:.0f} mΩ of them are counted in each U"
        )
        return {**found, "state": "in", "text": text}
    source, ohm, U_ohm = measured[0], float(measured[1]["ohm"]), float(measured[1]["U_ohm"])
    text = (
        f"leads and holder, {1000 * ohm:.1f} ± {1000 * U_ohm:.1f} mΩ, are taken out "
        f"(measured by {source.parent.name}/{source.name})"
    )
    return {**found, "text": text, "ohm": ohm, "U_ohm": U_ohm, "from_run": str(source)}


def with_leads(folder: Path, result: dict[str, Any], stated: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return figures in which each resistance says whether leads and holder are in it; taken out where known.

    The leads run is not among the inputs of `result.json`, so this part is never kept.

    Args:
        folder: The run folder.
        result: Figures as its own files give them.
        stated: What a certificate says was taken out, for one who has not the run that measured it.
    """
    if not any(phase["resistances"] or phase.get("knee") for phase in result["phases"]) and not result["resistances"]:
        return {**result, "leads": None}
    if result.get("leads_measured"):  # this run moved the clips about
        told = {"state": "not known", "text": "leads and holder are in some and not in others: this run measures them"}
        leads: dict[str, Any] = {**told, "ohm": None, "U_ohm": None, "from_run": None}
    else:
        leads = state_of(folder, result.get("bench") or {}, str(result.get("created_utc") or ""))
        if stated is not None and leads["state"] == "in":
            leads = {**leads, **stated, "state": "out"}
    return {**take_out(result, leads), "leads": leads}


def take_out(result: dict[str, Any], leads: dict[str, Any]) -> dict[str, Any]:
    """Return figures as the cell's own ends would give them, as far as the leads are known.

    Leads that were measured leave resistance, capacity and energy alike. Of two wires that nobody measured, all
    that they may be counts in U, and nothing is taken out.

    Args:
        result: Figures with leads and holder still in.
        leads: `state`, `ohm` and `U_ohm` as `state_of` gives them.
    """
    ohm, U_ohm, state = leads["ohm"], leads["U_ohm"], leads["state"]

    def each(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if ohm is None:
            wider = UNKNOWN_U_OHM if state == "in" else 0.0
            return [
                {**item, "U_ohm": math.hypot(item["U_ohm"], wider) if wider else item["U_ohm"], "leads": state}
                for item in items
            ]
        return [
            {**item, "ohm": item["ohm"] - ohm, "U_ohm": math.hypot(item["U_ohm"], U_ohm), "leads": state}
            for item in items
            if item["ohm"] is not None and item["ohm"] > ohm
        ]

    phases = [_at_the_cell({**phase, "resistances": each(phase["resistances"])}, leads) for phase in result["phases"]]
    changed = {**result, "phases": phases, "resistances": each(result["resistances"])}
    table = result.get("resistance_table")
    if table and (ohm is not None or state == "in"):
        less, wider = (0.0, UNKNOWN_U_OHM) if ohm is None else (ohm, U_ohm)
        changed["resistance_table"] = {
            **table,
            "ohm": [[None if value is None else value - less for value in row] for row in table["ohm"]],
            "U_ohm": [[None if value is None else math.hypot(value, wider) for value in row] for row in table["U_ohm"]],
        }
    for before, phase in zip(result["phases"], phases, strict=True):
        if "leads_U_Ah" not in phase or before["capacity_Ah"] != result.get("capacity_Ah"):
            continue
        if before["energy_Wh"] == result.get("energy_Wh"):
            changed.update({key: phase[key] for key in AT_THE_CELL})
            changed["budget"] = _with_line(result.get("budget") or {}, before, phase)
    return changed


def _at_the_cell(phase: dict[str, Any], leads: dict[str, Any]) -> dict[str, Any]:
    """Return a complete discharge counted to where the cell's own ends crossed the cut-off.

    What is left below the record's last reading goes on as the knee above it bends.

    Source: V at the cell = V at the load + I R; JCGM 100:2008, 5.1.2.
    """
    knee = phase.get("knee")
    known = leads["ohm"] is not None
    if not knee or not phase.get("complete") or not (known or leads["state"] == "in"):
        return phase
    ohm = float(leads["ohm"]) if known else UNKNOWN_U_OHM
    more_Ah, bend_Ah = _below(knee, ohm * knee["current_A"])
    more_Wh = ohm * knee["square_A2h"] + phase["end_voltage_V"] * more_Ah
    if known:
        share = float(leads["U_ohm"]) / ohm if ohm > 0 else 0.0
        U_Ah, U_Wh = math.hypot(share * more_Ah, bend_Ah), math.hypot(share * more_Wh, phase["end_voltage_V"] * bend_Ah)
    else:
        U_Ah, U_Wh, more_Ah, more_Wh = more_Ah, more_Wh, 0.0, 0.0
    capacity_Ah, energy_Wh = phase["capacity_Ah"] + more_Ah, phase["energy_Wh"] + more_Wh
    return {
        **phase,
        "capacity_Ah": capacity_Ah,
        "capacity_U_Ah": math.hypot(phase["capacity_U_Ah"], U_Ah),
        "energy_Wh": energy_Wh,
        "energy_U_Wh": math.hypot(phase["energy_U_Wh"], U_Wh),
        "mean_voltage_V": energy_Wh / capacity_Ah,
        "leads_Ah": more_Ah,
        "leads_U_Ah": U_Ah,
        "leads_U_Wh": U_Wh,
    }


def _below(knee: dict[str, Any], fall_V: float) -> tuple[float, float]:
    """Return the charge between the cut-off and `fall_V` below it, and its U: the steps above go on as they shrink."""
    import numpy as np

    above_V, given_Ah = np.array([0.0, *knee["above_V"]]), np.array([0.0, *knee["Ah"]])
    first = float(np.interp(fall_V, above_V, given_Ah))
    second = float(np.interp(2 * fall_V, above_V, given_Ah)) - first
    if fall_V <= 0 or first <= 0:
        return 0.0, 0.0
    shrunk = first * min(1.0, first / second) if second > 0 else first
    return shrunk, 0.5 * shrunk


def _with_line(budget: dict[str, Any], before: dict[str, Any], phase: dict[str, Any]) -> dict[str, Any]:
    """Return the budgets with what the leads do as one more line each."""
    found = dict(budget)
    for name, unit in (("capacity", "Ah"), ("energy", "Wh")):
        table = budget.get(name)
        if not table or table["value"] != before[f"{name}_{unit}"]:
            continue
        u = phase[f"leads_U_{unit}"] / 2
        line = {
            "name": "leads of the load", "standard_u": u, "unit": unit, "sensitivity": 1.0, "contribution": u,
            "type": "B", "assumed": phase["leads_Ah"] == 0.0, "note": LEADS_NOTE if phase["leads_Ah"] == 0.0 else "",
        }  # fmt: skip
        U = phase[f"{name}_U_{unit}"]
        found[name] = {
            **table, "value": phase[f"{name}_{unit}"], "u": U / 2, "U": U, "lines": [*table["lines"], line],
        }  # fmt: skip
    return found
