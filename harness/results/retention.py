"""What the longest rest of a run says about self-discharge."""

from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from amphora.harness.results.result import RestLoss, Result

if TYPE_CHECKING:
    from amphora.harness.analysis.records import Record, RunInfo


def longest_rest(record: "Record", info: "RunInfo") -> slice | None:
    """Return the rows of the longest stretch without current; None when there is none."""
    import numpy as np

    from amphora.harness.analysis.records import blocks
    from amphora.harness.results.preparation import idle_rows

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


def retention_in(record: "Record", info: "RunInfo", rows: slice) -> RestLoss:
    """Return what a rest says about self-discharge.

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
    return RestLoss(
        **asdict(found),
        mV_per_day=None if found.fall_V_per_day is None else 1000 * found.fall_V_per_day,
        mV_U_per_day=None if found.fall_U_V_per_day is None else 1000 * found.fall_U_V_per_day,
        rested_V=float(rested.mean()) if rested.size else None,
    )


SLOPE_ABOUT_V = 0.02  # at least this far about the voltages of the rest the slope is taken

SLOPE_U_SHARE = 0.25  # standard; a discharge's curve less its sag is not at equilibrium (common practice, assumed)


def loss_of(retention: RestLoss, folder: Path, result: Result) -> RestLoss:
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
    rested_V, fall, fall_U = retention.rested_V, retention.fall_V_per_day, retention.fall_U_V_per_day
    if rested_V is None or fall is None or fall_U is None:
        return retention
    fallen_V = max(0.0, fall * (float(retention.rested_days or 1.0) - 1.0))  # after the first day
    middle_V, half_V = rested_V + 0.5 * fallen_V, max(SLOPE_ABOUT_V, 0.5 * fallen_V)
    high_V = min(middle_V + half_V, float(model.ocv_V[0]))
    low_V = min(middle_V - half_V, high_V - SLOPE_ABOUT_V)
    if not (model.ocv_V[-1] < low_V and rested_V < model.ocv_V[0] + SLOPE_ABOUT_V):
        return retention  # the cell rests where the discharge never was
    falling = -model.ocv_V
    moved_Ah = np.interp([-high_V, -low_V], falling, model.given_Ah)
    share = float(moved_Ah[1] - moved_Ah[0]) / model.capacity_Ah
    if share <= 0:
        return retention
    slope = (high_V - low_V) / share
    to_percent = MONTH_DAYS * 100 / slope
    loss = fall * to_percent
    return replace(
        retention,
        loss_percent_per_month=loss,
        loss_U_percent_per_month=float(np.hypot(fall_U * to_percent, 2 * SLOPE_U_SHARE * loss)),
        slope_from=result.run,
    )
