"""From a run folder to its equivalent circuit, and to the retention of its longest rest.

Thin: loads the folder, picks the rows, calls the pure analysis, returns plain data for JSON.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from amphora.harness.analysis.circuit import Circuit, circuit_to_dict, fit_circuit
from amphora.harness.analysis.current_steps import find_steps
from amphora.harness.archive.journal import write_new
from amphora.harness.archive.loading import load
from amphora.harness.common.as_json import to_json, without_odd_numbers
from amphora.harness.common.errors import InputError
from amphora.harness.common.words import with_U
from amphora.harness.results.leads import state_of
from amphora.harness.results.preparation import idle_rows, prepared
from amphora.harness.results.result import LeadsState


@dataclass(frozen=True, slots=True)
class CircuitOfCell:
    """The circuit of a cell as a run shows it. `leads`: whether leads and holder are taken out of R0."""

    cell: str
    circuit: Circuit
    leads: LeadsState | None = None

    def to_json(self) -> dict[str, Any]:
        """Return it as `amphora-circuit/1`."""
        return {**circuit_to_dict(self.circuit, self.cell), "leads": to_json(self.leads)}


def circuit_of(folder: Path) -> CircuitOfCell:
    """Return the equivalent circuit that the load steps of a run support.

    The stretch is the first pulses step with what follows it up to the next long load; in a record without
    such a step, the first current step with 30 s before it and up to 10 minutes after it.

    Leads and holder are taken out of R0 where the voltage was sensed at the load and they were measured; `leads`
    says so.

    Raises:
        InputError: no current step in the run, or too few readings about it.
    """
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
    leads = state_of(Path(folder), info.bench, info.sensed_at, info.created_utc)
    if leads.ohm is not None:
        u_ohm = float(np.hypot(fit.u_r0_ohm, (leads.U_ohm or 0.0) / 2))
        fit = replace(fit, r0_ohm=fit.r0_ohm - leads.ohm, u_r0_ohm=u_ohm)
        if fit.r0_ohm <= 0:
            raise InputError(f"{folder}: {leads.text}, and nothing is left: that leads run does not fit this one")
    return CircuitOfCell(info.cell_id, without_odd_numbers(fit), leads)


def write_circuit(circuit: CircuitOfCell, out: Path) -> None:
    """Write a circuit as JSON into a file that is not there yet.

    Raises:
        InputError: the file is there already, or cannot be written.
    """
    write_new(out, json.dumps(circuit.to_json(), ensure_ascii=False, indent=2, allow_nan=False) + "\n")


def _twice(u: float | None) -> float | None:
    """Return U with k = 2; None where no u is known: the fit does not bind that element."""
    return None if u is None else 2 * u


def circuit_lines(found: CircuitOfCell) -> list[str]:
    """Return a circuit in plain words, values with U (k = 2)."""
    circuit = found.circuit
    lines = [
        f"R0: {with_U(circuit.r0_ohm, _twice(circuit.u_r0_ohm), 1000, 'mΩ')} (U with k = 2, as below)",
    ]
    for number, pair in enumerate(circuit.pairs, start=1):
        lines.append(
            f"R{number} with C{number}: {with_U(pair.ohm, _twice(pair.u_ohm), 1000, 'mΩ')}, "
            f"{with_U(pair.farad, _twice(pair.u_farad), 1, 'F')}; "
            f"time constant {with_U(pair.time_constant_s, _twice(pair.u_time_constant_s), 1, 's')}"
        )
    lines.append(f"At rest at the beginning: {with_U(circuit.open_V, _twice(circuit.u_open_V), 1, 'V')}")
    leads = found.leads.text if found.leads else ""
    if leads:
        lines.append(f"{leads[:1].upper()}{leads[1:]}.")
    lines.append(f"From {circuit.from_s:.0f} s to {circuit.to_s:.0f} s of the run: {circuit.residual_text}")
    return lines
