"""What a record of pulses, gaps or a changing load says: charge moved each way, and resistance over the charge.

A pulse is no discharge: what flowed in it says nothing of what the cell holds. Ah, ohm, s, V.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from amphora.harness.results.result import PhaseResult, ResistanceTable, ResistanceValue, RunWarning

if TYPE_CHECKING:
    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.records import Record, RunInfo
    from amphora.harness.analysis.resistance_model import ResistanceModel

PULSE_S = 120.0  # a load no longer than this is a pulse: those of the standards last up to 30 s (common practice)
MANY_PHASES = 20
FEW_PULSES = 3
DEADBAND = 0.005  # of the largest current, as for phases
MOST_ALIKE = 3  # warnings of one kind that are shown one by one


def loaded_s(entry: PhaseResult) -> float:
    """Return how long a phase's charge takes at its main current, in s: rests in it are no load."""
    main_A = abs(entry.main_current_A or 0.0)
    return 3600.0 * float(entry.moved_Ah or 0.0) / main_A if main_A > 0 else 0.0


def kind_of(info: "RunInfo", entries: Sequence[PhaseResult]) -> str:
    """Return what a record is: "pulses", "changing load", or "" for charges and discharges as usual.

    Of our own runs the recipe says it: a step of the kind discharge is one, however short.
    """
    import statistics

    discharges = [entry for entry in entries if entry.kind == "discharge"]
    if any(info.step_kinds) or not discharges:
        return ""
    lengths = [loaded_s(entry) for entry in entries]
    if len(entries) >= MANY_PHASES and statistics.median(lengths) < PULSE_S:
        return "changing load" if sum(entry.kind == "charge" for entry in entries) >= len(entries) / 3 else "pulses"
    return "pulses" if max(loaded_s(entry) for entry in discharges) < PULSE_S else ""


def is_pulse(info: "RunInfo", entry: PhaseResult, kind: str) -> bool:
    """Return whether a phase is too short to say what a cell holds."""
    return not any(info.step_kinds) and (bool(kind) or loaded_s(entry) < PULSE_S)


def moved(record: "Record", totals: "Totals") -> tuple[float, float]:
    """Return the charge that went in, and that which went out, Ah, both 0 or more, where it is known."""
    import numpy as np

    from amphora.harness.analysis.integration import largest_current_A
    from amphora.harness.analysis.records import blocks

    least_A = DEADBAND * largest_current_A(record.current_A)
    into = out = 0.0
    for first, last in blocks(record.t_s.size - 1):
        step = np.diff(totals.charge_Ah[first : last + 1])
        flows = np.abs(record.current_A[first : last + 1]) > least_A
        step = step[flows[1:] | flows[:-1]]
        into += float(step[step > 0].sum())
        out -= float(step[step < 0].sum())
    return into, out


def resistance_table(items: Sequence[ResistanceValue], temperature_degC: float | None) -> ResistanceTable | None:
    """Return the resistance of a run over charge and time; None where too little shows it.

    Args:
        items: The resistances, leads in or out as they are.
        temperature_degC: Of the cell before the run.

    Returns:
        `along`: "charge_state", "moved_Ah" (from the first row on, positive into the cell) or "before_V" (the voltage
        at rest before each step), the first of these that the values have; and the surface of the model.
    """
    import numpy as np

    from amphora.harness.analysis.resistance_model import fit_resistance_model

    for name in ("charge_state", "moved_Ah", "before_V"):
        some = [item for item in items if getattr(item, name) is not None and item.ohm]
        if name == "before_V":
            some = [item for item in some if abs(item.before_A or 0.0) < 0.05 * abs(item.current_A or 0.0)]
        if len(some) < max(4, 0.5 * len(items)):
            continue
        columns = [np.array([float(getattr(one, key)) for one in some]) for key in (name, "duration_s", "ohm", "U_ohm")]
        found: ResistanceModel | None = fit_resistance_model([item.method for item in some], *columns)
        if found is not None:
            return ResistanceTable(
                name, temperature_degC, found.along, found.times_s, found.ohm, found.U_ohm, found.values, found.scatter
            )
    return None


def told_once(warnings: Sequence[RunWarning]) -> tuple[RunWarning, ...]:
    """Return warnings with those of one kind, where there are many, in one line."""
    counts: dict[str, int] = {}
    for item in warnings:
        counts[item.code] = counts.get(item.code, 0) + 1
    out, seen = [], set()
    for item in warnings:
        count = counts[item.code]
        if count <= MOST_ALIKE:
            out.append(item)
        elif item.code not in seen:
            seen.add(item.code)
            out.append(RunWarning(item.code, f"{count} times, first: {item.text}"))
    return tuple(out)
