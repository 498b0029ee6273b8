"""Runs for the tests of what is printed: a folder with raw samples of known capacity, and its analysis."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from amphora.harness.archive.loading import measurement_of
from amphora.harness.archive.run_folder import is_simulated
from amphora.harness.archive.run_header import header_of
from amphora.harness.decisions.grades import Graded
from amphora.harness.report.certificate.issue import to_attach
from amphora.harness.report.certificate.keys import Signer
from amphora.harness.report.certificate.page import render
from amphora.harness.report.certificate.run_input import RunInput, discharge_curve, discharge_points
from amphora.harness.report.certificate.seal import seal
from amphora.harness.report.certificate.statement import Issue, certificate_of
from amphora.harness.results.result import Result
from tests.support.made_results import result_of

CURRENT_A = 0.5
RUN_ID = "L3-a/20261124T210000Z-overnight"
GRADE = Graded("L3-a", "", "steady duty", "resistance", (), (), (), "", "general")


def cell_record(**changes: Any) -> dict[str, Any]:
    cell = {
        "id": "L3-a", "form": "18650", "chemistry": "li-ion", "source": "path light 3, village hall", "markings": "",
        "claim_Ah": None, "mass_g": 44.1, "as_found_V": 3.312, "as_found_utc": "2026-11-20T18:02:00Z",
        "inspection": {"wrapper": "sound", "dents": "none"}, "notes": "",
    }  # fmt: skip
    return {**cell, **changes}


def write_run(
    logs: Path, rows: int = 600, cell: dict[str, Any] | None = None, start: str = "full", **run_changes: Any
) -> Path:
    """Write a run's folder: a discharge at 0.5 A, voltage falling in a straight line from 4.1 to 2.99 V."""
    record = cell or cell_record()
    folder = logs / record["id"] / RUN_ID.split("/")[1]
    folder.mkdir(parents=True)
    run = {
        "format": "amphora-run/1", "run_id": f"{record['id']}/{folder.name}", "created_utc": "2026-11-24T21:00:00Z",
        "cell": record, "plan": None, "profile": "overnight", "start": start, "cutoff_V": 3.0,
        "bench": {
            "name": "kitchen bench",
            "instruments": {
                "load": {"role": "load", "identity": "EXAMPLE WORKS,EL-150,0042,1.3"},
                "thermometer": {"role": "logger", "identity": "thermometer at the cell"},
            },
        },
        "measurement": {
            name: {
                "gain": gain, "offset": offset, "resolution": resolution, "distribution": "rectangular", "k": 2.0,
                "assumed": name != "voltage",
            }
            for name, gain, offset, resolution in (
                ("voltage", 5e-4, 2e-3, 1e-3), ("current", 5e-3, 1e-3, 1e-3), ("temperature", 0.0, 0.5, 0.1),
                ("time", 5e-5, 0.0, 0.0),
            )
        },
        "software": {"name": "amphora", "version": "0.1.0"},
        **run_changes,
    }  # fmt: skip
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    t_s = np.linspace(0, 14400, rows)
    lines = ["t_s,step,voltage_V,current_A,temperature_degC"]
    for t, v in zip(t_s, np.linspace(4.1, 2.99, rows), strict=True):
        lines.append(f"{t:.3f},0,{v:.5f},{-CURRENT_A:.4f},{22 + t / 7200:.2f}")
    (folder / "samples.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    events = [
        {"kind": "run-begun", "t_s": 0.0, "utc": "2026-11-24T21:00:00Z", "after_row": 0},
        {"kind": "stopped", "t_s": 14400.0, "utc": "2026-11-25T01:00:00Z", "after_row": rows, "reason": "cutoff"},
    ]
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events), encoding="utf-8")
    return folder


def analyse(folder: Path, cutoff_V: float | None = None, **changes: Any) -> Result:
    """Work a run of `write_run` out from its raw samples; a plain second implementation, for these tests alone."""
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    cutoff = cutoff_V or run["cutoff_V"]
    t, _, v, i, temperature = np.loadtxt(folder / "samples.csv", delimiter=",", skiprows=1, unpack=True)
    end = int(np.argmax(v <= cutoff)) if (v <= cutoff).any() else len(v) - 1
    t, v, i = t[: end + 1], v[: end + 1], i[: end + 1]
    capacity = float(np.trapezoid(-i, t) / 3600)
    energy = float(np.trapezoid(-i * v, t) / 3600)
    plain = {
        "cell": run["cell"]["id"], "run": run["run_id"], "chemistry": "li-ion", "form": "18650",
        "finished": True, "stop": "cutoff",
        "capacity_Ah": capacity, "capacity_U_Ah": 0.006 * capacity, "charge_Ah": None, "energy_Wh": energy,
        "energy_U_Wh": 0.0065 * energy, "mean_voltage_V": energy / capacity, "duration_s": float(t[-1]),
        "reached_cutoff": bool(v[-1] <= cutoff), "end_voltage_V": float(v[-1]),
        "temperature_rise_K": float(temperature.max() - 22),
        "start": run["start"], "warnings": [], "cutoff_V": cutoff, "created_utc": run["created_utc"],
        "resistances": [
            {"method": "current step", "ohm": 0.0621 + 0.01 * abs(s - 0.6), "U_ohm": 0.0018, "current_A": -0.5,
             "duration_s": 10.0, "charge_state": s, "t_s": 100.0}
            for s in (0.95, 0.5, 0.1)
        ],
        "complete": bool(v[-1] <= cutoff), "main_current_A": -CURRENT_A, "temperature_degC": 22.0,
        "budget": {"capacity": {"lines": [
            {"name": "current gain", "standard_u": 0.0029, "unit": "1", "sensitivity": capacity, "contribution": 0.0058,
             "type": "B", "assumed": True, "note": "limits of the load's current"},
        ]}},
    }  # fmt: skip
    return result_of(plain, **changes)


def run_input(folder: Path, **changes: Any) -> RunInput:
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    result = analyse(folder, **changes)
    t, _, v, i, _ = np.loadtxt(folder / "samples.csv", delimiter=",", skiprows=1, unpack=True)
    charge, voltage = discharge_points(t, v, i)
    return RunInput(
        folder, header_of(run), result, discharge_curve(charge, voltage), measurement_of(run["measurement"]),
        simulated=is_simulated(run),
    )  # fmt: skip


RESISTANCE_OHM = 0.06


def write_pulsed_run(logs: Path, cell: dict[str, Any] | None = None, **run_changes: Any) -> Path:
    """Write a run as `write_run`, a reading a second, with four stops of 30 s: the voltage springs up by I times R."""
    folder = write_run(logs, cell=cell, **run_changes)
    stops_s = (2000, 5000, 8000, 11000)
    lines = ["t_s,step,voltage_V,current_A,temperature_degC"]
    orders = []
    for t in range(14_401):
        off = any(stop < t <= stop + 30 for stop in stops_s)
        voltage = 4.1 - 1.11 * t / 14400 + (CURRENT_A * RESISTANCE_OHM if off else 0.0)
        lines.append(f"{t},0,{voltage:.5f},{0.0 if off else -CURRENT_A:.4f},{22 + t / 7200:.2f}")
    for stop in stops_s:
        for at, order in ((stop + 0.5, {"kind": "off"}), (stop + 30.5, {"kind": "discharge", "value": CURRENT_A})):
            orders.append(
                {"kind": "ordered", "t_s": at, "utc": "2026-11-24T22:00:00Z", "after_row": int(at) + 1, "order": order}
            )
    (folder / "samples.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    begun, stopped = (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()
    last = {**json.loads(stopped), "rows": 14_401, "after_row": 14_401}
    text = "\n".join([begun, *(json.dumps(order) for order in orders), json.dumps(last)])
    (folder / "events.jsonl").write_text(text + "\n", encoding="utf-8")
    return folder


def make_certificate(
    runs: list[RunInput], issue: Issue, signer: Signer, grade: dict[str, Any] | None = None
) -> tuple[bytes, dict[str, Any]]:
    """The sealed PDF of these runs, and its data."""
    stated = certificate_of(runs, issue, grade)
    return seal(render(stated, to_attach(stated, signer), signer.public), signer), stated.to_json()
