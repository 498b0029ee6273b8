"""From a run folder to the figures that not every run has: equivalent circuit, retention.

Thin: loads the folder, picks the rows, calls the pure analysis, returns plain data for JSON.
"""

from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.common.errors import InputError

if TYPE_CHECKING:
    from amphora.harness.analysis.records import Record, RunInfo


def circuit_of(folder: Path) -> dict[str, Any]:
    """Return the equivalent circuit that the load steps of a run support, as `amphora-circuit/1`.

    The stretch is the first pulses step with what follows it up to the next long load; in a record without
    such a step, the first current step with 30 s before it and up to 10 minutes after it.

    Leads and holder are taken out of R0 where the voltage was sensed at the load and they were measured; `leads`
    says so.

    Raises:
        InputError: no current step in the run, or too few readings about it.
    """
    import numpy as np

    from amphora.harness.analysis.circuit import circuit_to_dict, fit_circuit
    from amphora.harness.analysis.current_steps import find_steps
    from amphora.harness.archive.loading import load
    from amphora.harness.results.analyse import idle_rows, prepared
    from amphora.harness.results.leads import state_of

    raw, info = load(folder)
    record = prepared(raw, own=info.profile != "import", info=info)
    record = replace(record, current_A=np.where(idle_rows(record, info), 0.0, record.current_A))
    pulses = [number for number, kind in enumerate(info.step_kinds) if kind == "pulses"]
    rows = np.flatnonzero(record.step == pulses[0]) if pulses else np.empty(0, dtype=np.int64)
    if rows.size:
        first, last = int(rows[0]), int(rows[-1])
    else:
        steps = find_steps(record, 0, record.t_s.size - 1) if record.t_s.size else []
        if not steps:
            raise InputError(
                f"{folder}: the current never steps in this run; a circuit needs load steps ('load-steps')"
            )
        begin = steps[0]
        first = max(begin.start, int(np.searchsorted(record.t_s, begin.t_s - 30.0)))
        last = int(np.searchsorted(record.t_s, begin.t_s + 600.0, side="right")) - 1
    fit = fit_circuit(record, first, last, info.measurement)
    leads = state_of(Path(folder), info.bench, info.created_utc)
    circuit: dict[str, Any] = {**circuit_to_dict(fit, info.cell_id), "leads": leads}
    if leads["ohm"] is not None:
        circuit["r0_ohm"] -= leads["ohm"]
        circuit["u_r0_ohm"] = float(np.hypot(circuit["u_r0_ohm"], leads["U_ohm"] / 2))
        if circuit["r0_ohm"] <= 0:
            raise InputError(f"{folder}: {leads['text']}, and nothing is left: that leads run does not fit this one")
    return circuit


def write_circuit(circuit: Mapping[str, Any], out: Path) -> None:
    """Write a circuit as JSON into a file that is not there yet.

    Raises:
        InputError: the file is there already, or cannot be written.
    """
    import json

    from amphora.harness.archive.journal import write_new

    text = json.dumps(circuit, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    write_new(out, text)


def circuit_lines(circuit: Mapping[str, Any]) -> list[str]:
    """Return a circuit in plain words, values with U (k = 2)."""
    from amphora.harness.common.words import with_U

    lines = [
        f"R0: {with_U(circuit['r0_ohm'], 2 * circuit['u_r0_ohm'], 1000, 'mΩ')} (U with k = 2, as below)",
    ]
    for number, pair in enumerate(circuit["pairs"], start=1):
        lines.append(
            f"R{number} with C{number}: {with_U(pair['ohm'], 2 * pair['u_ohm'], 1000, 'mΩ')}, "
            f"{with_U(pair['farad'], 2 * pair['u_farad'], 1, 'F')}; "
            f"time constant {with_U(pair['time_constant_s'], 2 * pair['u_time_constant_s'], 1, 's')}"
        )
    lines.append(f"At rest at the beginning: {with_U(circuit['open_V'], 2 * circuit['u_open_V'], 1, 'V')}")
    leads = str((circuit.get("leads") or {}).get("text") or "")
    if leads:
        lines.append(f"{leads[:1].upper()}{leads[1:]}.")
    lines.append(f"From {circuit['from_s']:.0f} s to {circuit['to_s']:.0f} s of the run: {circuit['residual_text']}")
    return lines


def longest_rest(record: "Record", info: "RunInfo") -> slice | None:
    """Return the rows of the longest stretch without current; None when there is none."""
    import numpy as np

    from amphora.harness.analysis.records import blocks
    from amphora.harness.results.analyse import idle_rows

    quiet = idle_rows(record, info)
    limit_A = max(0.002, 3 * info.measurement.current.resolution)
    for first, last in blocks(quiet.size):
        quiet[first:last] |= ~(np.abs(record.current_A[first:last]) >= limit_A)  # one without a reading is none
    edges = np.flatnonzero(quiet[1:] != quiet[:-1]) + 1
    edges = np.concatenate(([0] if quiet[:1].any() else [], edges, [quiet.size] if quiet[-1:].any() else []))
    unknown = [gap.after_row for gap in record.gaps if gap.charge_low_Ah is None and 0 < gap.after_row < quiet.size]
    unknown = [row for row in unknown if quiet[row - 1] and quiet[row]]  # a gap is no rest
    edges = np.sort(np.concatenate((edges, np.repeat(np.array(unknown, np.int64), 2))))
    low, high = edges.astype(np.int64).reshape(-1, 2).T
    if not low.size:
        return None
    spans = record.t_s[high - 1] - record.t_s[low]
    longest = int(np.argmax(np.nan_to_num(spans)))
    return slice(int(low[longest]), int(high[longest])) if spans[longest] > 0 else None


def retention_in(record: "Record", info: "RunInfo", rows: slice) -> dict[str, Any]:
    """Return what a rest says about self-discharge, as plain data.

    Args:
        record, info: The run.
        rows: The rest, as `longest_rest` finds it.

    Raises:
        AnalysisError: times that fall.
    """
    import numpy as np

    from amphora.harness.analysis.retention import retention

    t_s = record.t_s[rows]
    later = np.concatenate(([True], np.diff(t_s) != 0))  # a time written twice is one reading
    found = retention(
        t_s[later] - t_s[0],
        record.voltage_V[rows][later],
        info.measurement,
        temperature_degC=record.temperature_degC[rows][later],
    )
    late = record.voltage_V[rows][-max(1, t_s.size // 20) :]
    rested = late[np.isfinite(late)]
    return {
        **asdict(found),
        "mV_per_day": None if found.fall_V_per_day is None else 1000 * found.fall_V_per_day,
        "mV_U_per_day": None if found.fall_U_V_per_day is None else 1000 * found.fall_U_V_per_day,
        "rested_V": float(rested.mean()) if rested.size else None,
        "slope_from": None,
    }


def retention_of(folder: Path) -> dict[str, Any]:
    """Return what the longest rest of a run says about self-discharge.

    Raises:
        InputError: the run has no rest.
    """
    from amphora.harness.archive.loading import load
    from amphora.harness.results.analyse import prepared

    raw, info = load(folder)
    record = prepared(raw, own=info.profile != "import", info=info)
    rows = longest_rest(record, info)
    if rows is None:
        raise InputError(f"{folder}: this run has no rest; days of rest are the 'retention' recipe")
    return retention_in(record, info, rows)


SLOPE_ABOUT_V = 0.02  # at least this far about the voltages of the rest the slope is taken
SLOPE_U_SHARE = 0.25  # standard; a discharge's curve less its sag is not at equilibrium (common practice, assumed)


def loss_of(retention: Mapping[str, Any], folder: Path, result: Mapping[str, Any]) -> dict[str, Any]:
    """Return a retention with its loss of charge, from the slope that a discharge of the same cell shows.

    Args:
        retention: What `retention_in` gave.
        folder, result: A complete discharge from full of the same cell, and its figures.

    Raises:
        InputError: the discharge has no resistance or too few readings; without it no slope is known.
    """
    import numpy as np

    from amphora.harness.analysis.cell_model import cell_model
    from amphora.harness.analysis.retention import MONTH_DAYS
    from amphora.harness.archive.loading import load

    record, _ = load(folder)
    model = cell_model(record.t_s, record.voltage_V, record.current_A, result)
    rested_V, fall = retention.get("rested_V"), retention.get("fall_V_per_day")
    fall_U = retention.get("fall_U_V_per_day")
    if rested_V is None or fall is None or fall_U is None:
        return dict(retention)
    fallen_V = max(0.0, fall * (float(retention.get("rested_days") or 1.0) - 1.0))  # after the first day
    middle_V, half_V = rested_V + 0.5 * fallen_V, max(SLOPE_ABOUT_V, 0.5 * fallen_V)
    high_V = min(middle_V + half_V, float(model.ocv_V[0]))
    low_V = min(middle_V - half_V, high_V - SLOPE_ABOUT_V)
    if not (model.ocv_V[-1] < low_V and rested_V < model.ocv_V[0] + SLOPE_ABOUT_V):
        return dict(retention)  # the cell rests where the discharge never was
    falling = -model.ocv_V
    moved_Ah = np.interp([-high_V, -low_V], falling, model.given_Ah)
    share = float(moved_Ah[1] - moved_Ah[0]) / model.capacity_Ah
    if share <= 0:
        return dict(retention)
    slope = (high_V - low_V) / share
    to_percent = MONTH_DAYS * 100 / slope
    loss = fall * to_percent
    return {
        **retention,
        "loss_percent_per_month": loss,
        "loss_U_percent_per_month": float(np.hypot(fall_U * to_percent, 2 * SLOPE_U_SHARE * loss)),
        "slope_from": result.get("run"),
    }
