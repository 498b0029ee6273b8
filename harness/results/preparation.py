"""A record as it is integrated: clean, with gaps found, the current zero taken out, idle rows known."""

from typing import TYPE_CHECKING

from amphora.harness.control.warmth import SENSOR_DEGC

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from amphora.harness.analysis.records import Record, RunInfo

IDLE_STEPS = ("rest", "log", "ask")  # steps in which the bench orders no current

LEAST_AT_REST = 10  # readings that make a zero at the end of a run


def clean(record: "Record") -> "Record":
    """Return the record without rows that lack voltage or current; gaps keep their place."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.records import RecordGap

    channels = (record.t_s, record.voltage_V, record.current_A)
    if all(np.isfinite(channel.sum()) for channel in channels):  # one that is not finite would make the sum so
        return record
    good = np.isfinite(record.t_s) & np.isfinite(record.voltage_V) & np.isfinite(record.current_A)
    if good.all():
        return record
    before = np.concatenate(([0], np.cumsum(good)))
    gaps = tuple(
        RecordGap(int(before[gap.after_row]), gap.from_s, gap.to_s, gap.charge_low_Ah, gap.charge_high_Ah)
        for gap in record.gaps
    )
    return dataclasses.replace(
        record,
        t_s=record.t_s[good],
        voltage_V=record.voltage_V[good],
        current_A=record.current_A[good],
        temperature_degC=record.temperature_degC[good],
        step=record.step[good],
        gaps=gaps,
        extra={name: values[good] for name, values in record.extra.items()},
    )


def prepared(record: "Record", own: bool, info: "RunInfo | None" = None) -> "Record":
    """Return a record ready to integrate: clean, and with gaps found where no journal told them.

    With `info`, the current zero that was measured that evening is taken out of the current. What a broken
    sensor shows counts as no temperature.
    """
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.integration import find_gaps
    from amphora.harness.analysis.late_resistor import as_clipped_on

    record = clean(record)
    odd = no_temperature(record)
    if odd.any():
        record = dataclasses.replace(record, temperature_degC=np.where(odd, np.nan, record.temperature_degC))
    if info is not None and info.zeros:
        from amphora.harness.analysis.bench_checks import without_zero

        record = without_zero(record, info)
    record, _ = as_clipped_on(record)
    if own:
        return record
    told = {gap.after_row for gap in record.gaps}
    found = [gap for gap in find_gaps(record.t_s) if gap.after_row not in told]
    if not found:
        return record
    return dataclasses.replace(record, gaps=tuple(sorted((*record.gaps, *found), key=lambda gap: gap.after_row)))


def no_temperature(record: "Record") -> "npt.NDArray[np.bool_]":
    """Return where the temperature is none that a cell has, shape (n,): an open or a short sensor shows such."""
    low_degC, high_degC = SENSOR_DEGC
    return (record.temperature_degC < low_degC) | (record.temperature_degC > high_degC)


def idle_rows(record: "Record", info: "RunInfo") -> "npt.NDArray[np.bool_]":
    """Return where a reading of current is no current, shape (n,): no order for one, and within the offset.

    Steps that order none are told by the journal. A record without a journal is judged by what is known of its
    source: with an offset that is only assumed, every reading counts.
    """
    import numpy as np

    from amphora.harness.analysis.records import blocks

    current, size = info.measurement.current, record.current_A.size
    limit_A = current.offset + 2 * current.resolution
    own = any(info.step_kinds)
    idle_step = np.array([kind in IDLE_STEPS for kind in info.step_kinds] + [False])
    idle = np.zeros(size, bool)
    if not own and current.assumed:
        return idle
    for first, last in blocks(size):
        within = np.abs(record.current_A[first:last]) <= limit_A
        if own:
            step = record.step[first:last]
            known = (step >= 0) & (step < len(info.step_kinds))
            within &= idle_step[np.where(known, step, -1)]
        elif not within.all():
            return np.zeros(size, bool)
        idle[first:last] = within
    return idle


def late_zero_A(record: "Record", idle: "npt.NDArray[np.bool_]") -> float | None:
    """Return what the current reads at rest after the last load, its zero already taken out; None without that rest."""
    import numpy as np

    flowed = np.flatnonzero(~idle)
    last = int(flowed[-1]) + 1 if flowed.size else 0
    late = record.current_A[last:]
    if not flowed.size or late.size < LEAST_AT_REST:
        return None
    return float(late[late.size // 10 :].mean())
