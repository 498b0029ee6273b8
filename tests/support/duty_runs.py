"""Run folders made by a simulated cell alone, without a bench: a full start, load steps, a discharge, a rest."""

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

from amphora.drivers.simulated.cell import SimulatedCell, make_cell

STEP_S = 5.0


def cell_of(kind: str = "li-ion", seed: int = 1, degC: float = 20.0, **changes: Any) -> SimulatedCell:
    """Return a simulated cell, full, with changes to what it is made like."""
    made = make_cell(kind, random.Random(seed))
    return SimulatedCell(replace(made.spec, leak_A=0.0, **changes), soc=1.0, ambient_degC=degC)


def write_test(
    logs: Path, cell: SimulatedCell, cell_id: str = "L3-a", current_A: float = 0.2, cutoff_V: float = 3.0,
    chemistry: str = "li-ion", start: str = "full", stamp: str = "20261124T210000Z", only_first: bool = False,
    **record: Any,
) -> Path:  # fmt: skip
    """Run a test of a cell and write its folder: every 8 % of charge a load step of 30 s to 2.5 times the current.

    Args:
        only_first: One load step, near full, as the recipe `overnight` has them, and then none.
    """
    folder = logs / cell_id / f"{stamp}-overnight"
    folder.mkdir(parents=True)
    rows: list[str] = []
    events: list[dict[str, Any]] = [{"kind": "run-begun", "t_s": 0.0, "utc": "2026-11-24T21:00:00Z", "after_row": 0}]
    t = 0.0

    def spend(seconds: float, amps: float, step: int, stop_V: float = 0.0, every_s: float = STEP_S) -> bool:
        nonlocal t
        for _ in range(max(1, round(seconds / every_s))):
            volt = cell.voltage(-amps)
            rows.append(f"{t:.2f},{step},{volt:.5f},{-amps:.5f},{cell.temperature_degC:.2f}")
            if volt <= stop_V:
                return True
            cell.advance(every_s, -amps)
            t += every_s
        return False

    def order(step: int) -> None:
        events.append({"kind": "ordered", "t_s": t - 1e-3, "utc": "", "after_row": len(rows), "order": {}})

    def begin(step: int, kind: str) -> None:
        entry = {"kind": "step-begun", "t_s": t, "utc": "", "after_row": len(rows)}
        events.append({**entry, "step": step, "plan_step": step, "step_kind": kind, "name": kind})

    begin(0, "rest")
    spend(600.0, 0.0, 0)
    begin(1, "discharge")
    done = stepped = False
    part_s = 0.08 * cell.spec.capacity_Ah / current_A * 3600.0
    while not done:
        order(1)
        done = spend(part_s, current_A, 1, cutoff_V)
        if only_first and stepped:
            continue
        if not done and cell.voltage(-2.5 * current_A) > cutoff_V + 0.02:
            stepped = True
            order(1)
            spend(30.0, 2.5 * current_A, 1, every_s=1.0)
    order(1)
    begin(2, "rest")
    spend(900.0, 0.0, 2)
    data = {
        "id": cell_id, "form": "18650", "chemistry": chemistry, "source": "path light 3", "claim_Ah": None, **record,
    }  # fmt: skip
    run = {
        "format": "amphora-run/1", "run_id": f"{cell_id}/{folder.name}", "created_utc": "2026-11-24T21:00:00Z",
        "cell": {"format": "amphora-cell/1", **data}, "plan": None, "profile": "overnight", "start": start,
        "cutoff_V": cutoff_V, "bench": {"name": "kitchen bench", "instruments": {}, "cell": {}},
        "measurement": {
            "voltage": _channel(5e-4, 2e-3), "current": _channel(1e-3, 5e-4), "temperature": _channel(0.0, 0.5),
            "time": _channel(5e-5, 0.0),
        },
        "software": {"name": "amphora", "version": "0"},
    }  # fmt: skip
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    head = "t_s,step,voltage_V,current_A,temperature_degC\n"
    (folder / "samples.csv").write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    events.append(
        {"kind": "stopped", "t_s": t, "utc": "", "after_row": len(rows), "reason": "cutoff", "rows": len(rows)}
    )
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events), encoding="utf-8")
    if not (folder.parent / "cell.json").exists():
        (folder.parent / "cell.json").write_text(json.dumps({"format": "amphora-cell/1", **data}), encoding="utf-8")
    return folder


def _channel(gain: float, offset: float) -> dict[str, Any]:
    return {
        "gain": gain,
        "offset": offset,
        "resolution": 0.0,
        "distribution": "rectangular",
        "k": 2.0,
        "assumed": False,
    }


def serve(cell: SimulatedCell, on_A: float, share: float, rail_V: float, dt_s: float = 2.0) -> tuple[float, float]:
    """Really run a cell through a PWM duty until its rail sags while on; return (hours, charge given in Ah)."""
    hours = given = 0.0
    while True:
        mean = on_A * share
        extra = -(on_A - mean) * cell.series_ohm()
        if cell.voltage(-mean) + extra <= rail_V:
            return hours, given
        cell.advance(dt_s, -mean)
        hours += dt_s / 3600.0
        given += mean * dt_s / 3600.0
