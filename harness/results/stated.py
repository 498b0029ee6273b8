"""A run's capacity at the stated condition (0.2 It, 20 °C, its cut-off), or why its record does not support one."""

from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.common.errors import AnalysisError
from amphora.harness.results.result import StatedCapacity

if TYPE_CHECKING:
    from amphora.harness.analysis.capacity import Figures
    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Record

STILL_SHARE = 0.02  # of the main current: below it nothing flows
MOST_POINTS = 20_000


def stated_of(
    record: "Record", totals: "Totals", phase: "Phase | None", found: "Figures | None", temperature_degC: float | None,
    start: str,
) -> StatedCapacity | None:  # fmt: skip
    """Return the capacity at the stated condition, or why there is none; None for what is no discharge to an end.

    Args:
        record: The run's readings.
        totals: Their running charge and energy.
        phase: The discharge the answer is about; None: there is none.
        found: Its figures.
        temperature_degC: Of the cell before it.
        start: How it began: from what is not known to be full no capacity follows.
    """
    from amphora.harness.analysis.phases import at_main_current
    from amphora.harness.analysis.stated_condition import STATED_degC, to_stated

    if phase is None or found is None or phase.kind != "discharge" or found.crossing is None or start == "unknown":
        return None
    if phase.cut_by_gap or found.gap_half_Ah is None:
        return StatedCapacity(None, None, why="a gap in the record")
    rows = at_main_current(record, phase)
    rows = rows[rows <= found.crossing.row]
    stride = max(1, rows.size // MOST_POINTS)
    rows = np.append(rows[:-1:stride], rows[-1:])
    given = np.abs(totals.charge_Ah[rows] - phase.begin_Ah)
    volt = record.voltage_V[rows]
    main_A = abs(phase.main_current_A)
    cutoff_V = float(volt[-1]) if not found.crossing.interpolated else found.end_voltage_V
    rested_V, rested_s = _rest_after(record, found.end_t_s, main_A)
    try:
        made = to_stated(
            given, volt, main_A, cutoff_V, found.capacity_Ah, found.capacity.U, rested_V, rested_s, temperature_degC
        )
    except AnalysisError as error:
        return StatedCapacity(None, None, why=str(error))
    return StatedCapacity(
        made.capacity_Ah, made.U_Ah, made.current_A, STATED_degC, made.cutoff_V, made.converted_Ah, made.text
    )


def _rest_after(record: "Record", end_s: float, main_A: float) -> tuple[float | None, float]:
    """Return the last voltage of the rest that follows a discharge, and how long that rest took, s."""
    first = int(np.searchsorted(record.t_s, end_s, side="right"))
    flows = np.abs(record.current_A[first:]) > STILL_SHARE * main_A
    still = np.flatnonzero(~flows)
    if not still.size:
        return None, 0.0
    begin = int(still[0])
    busy = np.flatnonzero(flows[begin:])
    last = begin + (int(busy[0]) if busy.size else flows.size - begin) - 1
    lasted = float(record.t_s[first + last] - record.t_s[first + begin])
    return float(record.voltage_V[first + last]), lasted
