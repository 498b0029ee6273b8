"""Each phase of a run as an entry of the answer, and which of them the answer is about."""

import contextlib
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from amphora.harness.common.errors import InputError
from amphora.harness.results.result import (
    BudgetLine,
    BudgetTable,
    ChargeCourse,
    Cycle,
    Knee,
    PhaseResult,
    RestResult,
    TaperFit,
)

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from amphora.harness.analysis.capacity import Figures
    from amphora.harness.analysis.charge import ChargeMetrics
    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Record, RunInfo
    from amphora.harness.analysis.uncertainty import Budget as Worth

REST_AFTER_CHARGE_S = 4 * 3600.0  # IEC 61960-3, 7.3.1: not more than 4 h after the charge


def rests_of(
    quiet: "Record", idle: "npt.NDArray[np.bool_]", phases: "tuple[Phase, ...]", info: "RunInfo"
) -> tuple[RestResult, ...]:
    """Return the rests of a run: where it orders no current, or none is read that could be one."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.integration import largest_current_A
    from amphora.harness.analysis.traces import rests_in

    current = info.measurement.current
    least_A = max(0.002, 3 * current.resolution, 0.005 * largest_current_A(quiet.current_A))
    still = idle | (np.abs(quiet.current_A) <= least_A)
    drift_V = max(0.0002, 0.05 * info.measurement.voltage.offset)  # what wanders in an hour (common practice)
    return tuple(RestResult(**dataclasses.asdict(item)) for item in rests_in(quiet, still, phases, drift_V))


def end_slope_of(record: "Record", totals: "Totals", phase: "Phase", found: "Figures") -> float | None:
    """Return how steep a complete discharge ends, in volt per unit of its charge."""
    import numpy as np

    from amphora.harness.analysis.phases import at_main_current
    from amphora.harness.analysis.traces import end_slope

    if phase.kind != "discharge" or not found.reached_cutoff:
        return None
    rows = at_main_current(record, phase)
    rows = rows[record.t_s[rows] <= found.end_t_s]
    if rows.size > 4000:  # the end is what is looked at
        rows = np.concatenate((rows[:1], rows[-4000:]))
    if not rows.size:
        return None
    return end_slope(record.t_s[rows], record.voltage_V[rows], phase.begin_Ah - totals.charge_Ah[rows])


KNEE_V = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)  # above the cut-off


def knee_of(record: "Record", totals: "Totals", phase: "Phase", found: "Figures") -> Knee | None:
    """Return what a complete discharge gave between each of `KNEE_V` above the cut-off and the cut-off itself.

    With `current_A` at the crossing and `square_A2h`, the current squared over the whole discharge: what leads take.
    """
    import numpy as np

    from amphora.harness.analysis.phases import at_main_current

    crossing = found.crossing
    if phase.kind != "discharge" or crossing is None or not found.end_voltage_V:
        return None
    rows = at_main_current(record, phase)
    rows = rows[rows <= crossing.row]
    if rows.size < 2:
        return None
    tail = rows[-min(rows.size, 20_000) :]
    lowest = np.minimum.accumulate(record.voltage_V[tail][:-1])  # falls: noise and recovery after pulses left out
    to_go = np.abs(crossing.charge_Ah - totals.charge_Ah[tail][:-1])
    steps = slice(phase.first_row, crossing.row + 1)
    square = float(np.sum(record.current_A[steps][:-1] ** 2 * np.diff(record.t_s[steps]))) / 3600.0
    falling, left = np.append(lowest, found.end_voltage_V)[::-1], np.append(to_go, 0.0)[::-1]
    return Knee(
        current_A=abs(float(record.current_A[crossing.row])),
        square_A2h=square,
        above_V=KNEE_V,
        Ah=tuple(float(np.interp(found.end_voltage_V + volt, falling, left)) for volt in KNEE_V),
    )


def choose(entries: Sequence[PhaseResult]) -> int | None:
    """Return the discharge the answer is about: the last complete one, else the largest."""
    discharges = [index for index, entry in enumerate(entries) if entry.kind == "discharge" and not entry.pulse]
    complete = [index for index in discharges if entries[index].complete]
    if complete:
        return complete[-1]
    return max(discharges, key=lambda index: float(entries[index].capacity_Ah or 0.0), default=None)


def entry_of(
    record: "Record", info: "RunInfo", phase: "Phase", found: "Figures", metrics: "ChargeMetrics | None", start: str
) -> PhaseResult:
    """Return one phase as an entry of the answer, its resistances and warnings still empty."""
    charge = phase.kind == "charge"
    complete = found.reached_cutoff if not charge else bool(metrics and metrics.tapered)
    if phase.cut_by_gap or found.gap_half_Ah is None:
        complete = False
    rise_K, mean_degC = temperature_of(record, phase)
    return PhaseResult(
        kind=phase.kind,
        begin_s=found.begin_t_s,
        end_s=found.end_t_s,
        first_row=phase.first_row,
        last_row=phase.last_row,
        main_current_A=phase.main_current_A,
        complete=complete,
        capacity_Ah=None if charge else found.capacity_Ah,
        capacity_U_Ah=None if charge else found.capacity.U,
        capacity_whole_rows_Ah=None if charge else found.whole_rows_Ah,
        charge_Ah=found.capacity_Ah if charge else None,
        charge_U_Ah=found.capacity.U if charge else None,
        energy_Wh=found.energy_Wh,
        energy_U_Wh=found.energy.U,
        mean_voltage_V=found.mean_voltage_V,
        duration_s=found.duration_s,
        reached_cutoff=found.reached_cutoff and not charge,
        end_voltage_V=found.end_voltage_V,
        temperature_rise_K=rise_K,
        temperature_degC=mean_degC,
        start=start,
        cut_by_gap=phase.cut_by_gap,
        charge_metrics=None if metrics is None else _course_of(metrics),
    )


def _course_of(metrics: "ChargeMetrics") -> ChargeCourse:
    """Return how a charge went as it stands in the answer."""
    taper = metrics.taper
    return ChargeCourse(
        metrics.constant_current_share,
        metrics.constant_voltage_share,
        metrics.held_voltage_V,
        metrics.end_current_A,
        metrics.tapered,
        None if taper is None else TaperFit(taper.tau_s, taper.amplitude_A, taper.floor_A, taper.residual_A),
    )


def start_of(
    record: "Record",
    info: "RunInfo",
    phases: "tuple[Phase, ...]",
    metrics: "list[ChargeMetrics | None]",
    made: "list[Figures]",
    index: int,
) -> str:
    """Return how a phase started: the record's own charge decides where there was one before."""
    if phases[index].kind == "charge":
        return "unknown"
    if index == 0:
        return info.start
    before = phases[index - 1]
    metric = metrics[index - 1]
    if before.kind != "charge" or metric is None or not metric.tapered or before.cut_by_gap:
        return "unknown"
    rest_s = made[index].begin_t_s - made[index - 1].end_t_s
    held = [gap for gap in record.gaps if before.last_row <= gap.after_row <= phases[index].first_row]
    if rest_s > REST_AFTER_CHARGE_S or any(gap.charge_low_Ah is None for gap in held):
        return "unknown"
    held_V = metric.held_voltage_V
    with contextlib.suppress(ImportError, InputError):
        from amphora.harness.cells.chemistry import load_chemistry

        full_V = load_chemistry(info.chemistry).charge_limit_V
        if info.chemistry != "auto" and full_V is not None and held_V is not None and held_V < float(full_V) - 0.05:
            return "unknown"
    return "full"


def temperature_of(record: "Record", phase: "Phase") -> tuple[float | None, float | None]:
    """Return the rise (highest minus the mean of the rest before) and the mean before, where known."""
    import numpy as np

    inside = record.temperature_degC[phase.first_row : phase.last_row + 1]
    inside = inside[np.isfinite(inside)]
    if inside.size == 0:
        return None, None
    low = phase.first_row
    limit = 0.02 * abs(phase.main_current_A)
    earliest = max(0, low - 5000)
    loaded = np.flatnonzero(np.abs(record.current_A[earliest : low + 1]) > limit)
    begin = earliest + (int(loaded[-1]) + 1 if loaded.size else 0)
    before = record.temperature_degC[begin : low + 1] if begin <= low else inside[:1]
    before = before[np.isfinite(before)]
    rest = float(before.mean()) if before.size else float(inside[0])
    return float(inside.max()) - rest, rest


def temperature_at_first(entries: Sequence[PhaseResult]) -> float | None:
    """Return the first temperature that a phase began at, in °C; None where none is known."""
    return next((entry.temperature_degC for entry in entries if entry.temperature_degC is not None), None)


def cycle_of(charge: "Figures", discharge: "Figures") -> Cycle:
    """Return the efficiencies of one charge and the discharge after it."""
    from amphora.harness.analysis.charge import cycle_efficiency

    offsets = [
        2 * line.contribution / found.capacity_Ah
        for found in (charge, discharge)
        for line in found.capacity.lines
        if line.name not in ("current gain", "time base")
    ]
    found = cycle_efficiency(
        charge.capacity_Ah, charge.energy_Wh, discharge.capacity_Ah, discharge.energy_Wh, math.hypot(*offsets)
    )
    return Cycle(found.coulombic, found.coulombic_U, found.energy)


def budget_of(budget: "Worth") -> BudgetTable:
    """Return a budget as it stands in the answer."""
    return BudgetTable(
        budget.quantity,
        budget.value,
        budget.unit,
        budget.u,
        budget.U,
        budget.k,
        tuple(budget.notes),
        tuple(
            BudgetLine(
                line.name, line.standard_u, line.unit, line.sensitivity, line.contribution, line.kind, line.assumed,
                line.note,
            )
            for line in budget.lines
        ),
    )  # fmt: skip
