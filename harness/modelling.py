"""From a run folder to the figures that not every run has: equivalent circuit, retention.

Thin: loads the folder, picks the rows, calls the pure analysis, returns plain data for JSON.
"""

from dataclasses import asdict
from pathlib import Path
from typing import Any

from harness.errors import InputError


def circuit_of(folder: Path) -> dict[str, Any]:
    """Return the equivalent circuit that the load steps of a run support, as `amphora-circuit/1`.

    The stretch is the first pulses step with what follows it up to the next long load; in a record without
    such a step, the first current step with 30 s before it and up to 10 minutes after it.

    Raises:
        InputError: no current step in the run, or too few readings about it.
    """
    import numpy as np

    from harness.analysis.circuit import circuit_to_dict, fit_circuit
    from harness.analysis.resistance import find_steps
    from harness.loading import load
    from harness.results import prepared

    raw, info = load(folder)
    record = prepared(raw, own=info.profile != "import")
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
    return circuit_to_dict(fit, info.cell_id)


def retention_of(folder: Path) -> dict[str, Any]:
    """Return what the longest rest of a run says about self-discharge.

    Raises:
        InputError: the run has no rest.
    """
    import numpy as np

    from harness.analysis.retention import retention
    from harness.loading import load

    record, info = load(folder)
    longest: tuple[float, Any] = (0.0, None)
    quiet = np.abs(np.nan_to_num(record.current_A)) < max(0.002, 3 * info.measurement.current.resolution)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], quiet, [False])).astype(np.int8)))
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        span = float(record.t_s[high - 1] - record.t_s[low])
        if span > longest[0]:
            longest = (span, slice(low, high))
    if longest[1] is None:
        raise InputError(f"{folder}: this run has no rest; days of rest are the 'retention' recipe")
    rows = longest[1]
    found = retention(
        record.t_s[rows] - record.t_s[rows][0],
        record.voltage_V[rows],
        info.measurement,
        temperature_degC=record.temperature_degC[rows],
    )
    return asdict(found)
