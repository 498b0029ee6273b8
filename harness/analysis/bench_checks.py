"""What the evening's own checks of the instruments are good for: the current zero and the check resistor.

A zero that was measured is taken out of every reading of that instrument; what is left of the offset is the
uncertainty of that zero and what it may drift by until morning. A resistor of known value bounds the gain of
the current against that of the voltage. Pure: records in, records out; the readings on disk stay as they were.
Units: A, V, ohm, s; current positive into the cell.
"""

import math
from dataclasses import replace

import numpy as np

from amphora.harness.analysis.records import CheckedResistor, FloatArray, MeasuredZero, Measurement, Record, RunInfo
from amphora.harness.analysis.uncertainty import digits, rectangular, standard, with_check, with_room, with_zero
from amphora.harness.common.errors import AnalysisError

ZERO_DRIFT_SHARE = 0.1  # of the specified offset, until morning: common practice, assumed
FLOWS_A = 0.02  # below it an instrument is taken as idle: where two meters share the current


def zero_by_row(record: Record, info: RunInfo) -> FloatArray | None:
    """Return the zero error in each reading of the current, shape (n,), in ampere; None when none is known.

    Where several instruments measure the current, the load's zero counts while current is drawn, the supply's
    while the cell is charged, and the sum of all while nothing flows, as the bench adds their readings.

    Args:
        record: Readings, shape (n,) each.
        info: Its zeros and who measures the current.

    Source: common practice; JCGM 100:2008, 3.2.3 (a known systematic effect is corrected).
    """
    if not info.zeros:
        return None
    by_name: dict[str, list[MeasuredZero]] = {}
    for zero in info.zeros:
        by_name.setdefault(zero.instrument, []).append(zero)
    roles = dict(info.current_of) or dict.fromkeys(by_name, "")
    values = {name: _held(record.t_s, by_name[name]) for name in roles if name in by_name}
    if not values:
        return None
    if len(roles) == 1:
        return next(iter(values.values()))
    out: FloatArray = np.sum(list(values.values()), axis=0)
    drawn, charged = record.current_A < -FLOWS_A, record.current_A > FLOWS_A
    for rows, other in ((drawn, "supply"), (charged, "load")):
        for name, role in roles.items():
            if role == other and name in values:  # it is off, and the bench leaves its reading out
                out[rows] -= values[name][rows]
    return out


def _held(t_s: FloatArray, zeros: list[MeasuredZero]) -> FloatArray:
    """Return, for each row, the last zero taken before it (the first one before that), shape (n,)."""
    if len(zeros) == 1:
        return np.full(t_s.size, zeros[0].current_A)
    ordered = sorted(zeros, key=lambda zero: zero.t_s)
    at = np.searchsorted([zero.t_s for zero in ordered], t_s, side="right") - 1
    return np.array([zero.current_A for zero in ordered])[np.maximum(at, 0)]


def zero_is_used(info: RunInfo) -> bool:
    """Tell whether the evening's zero is taken out: where it is known better than the specification says.

    So it is too where it lies beyond the specification, which then tells nothing. A meter of coarse digits whose
    maker allows less than one digit is left as it is.

    Source: JCGM 100:2008, 3.2.3, F.2.4.5.
    """
    if not info.zeros:
        return False
    current = info.measurement.current
    if any(abs(zero.current_A) > current.offset + 2 * zero.standard_u_A for zero in info.zeros):
        return True
    known = zero_standard_u(info)
    u_A = known[0] if known is not None else max(zero.standard_u_A for zero in info.zeros)
    return u_A < standard(current.offset, current)


def without_zero(record: Record, info: RunInfo) -> Record:
    """Return the record with the evening's zero taken out of the current; itself where it is not used.

    Source: JCGM 100:2008, 3.2.3.
    """
    zero_A = zero_by_row(record, info) if zero_is_used(info) else None
    return record if zero_A is None else replace(record, current_A=record.current_A - zero_A)


def zero_standard_u(info: RunInfo, drift_A: float | None = None) -> tuple[float, float] | None:
    """Return the standard uncertainty of the zero in ampere and the limit of its drift; None when not all are known.

    Args:
        info: Its zeros, who measures the current, what the bench says of it.
        drift_A: How far the zero was seen to move until the end of the run; None: a share of the specified
            offset is taken.

    Source: JCGM 100:2008, F.2.4.5 (a correction leaves its own uncertainty), 4.3.7.
    """
    names = {zero.instrument for zero in info.zeros}
    if not names or not {name for name, _ in info.current_of} <= names:
        return None
    current = info.measurement.current
    moved = [_spread([zero.current_A for zero in info.zeros if zero.instrument == name]) for name in names]
    limit = max(ZERO_DRIFT_SHARE * current.offset if drift_A is None else abs(drift_A), current.resolution, *moved)
    most = max(zero.standard_u_A for zero in info.zeros)
    return math.hypot(most, rectangular(limit)), limit


def _spread(values: list[float]) -> float:
    return max(values) - min(values)


def check_standard_u(info: RunInfo) -> tuple[float, float] | None:
    """Return the relative standard uncertainty that a check resistor leaves the current's gain, and its deviation.

    The voltmeter's gain is not in it: it is common to the voltage and counts there. The deviation is not
    corrected; it counts in full.

    Args:
        info: Its check, who measures voltage and current, and what the bench says of them.

    Returns:
        (u, deviation); None when there was no check, it failed, or other meters than the run's made it.

    Raises:
        AnalysisError: a resistance, voltage or current that is not above 0.

    Source: JCGM 100:2008, 5.1.6 (relative variances), F.2.4.5 note (a known effect left uncorrected).
    """
    check = info.check
    if check is None or not check.passed or not _of_the_meters(check, info):
        return None
    volts, amps = abs(check.voltage_V), abs(check.current_A - check.zero_A)
    if not (check.resistance_ohm > 0 and volts > 0 and amps > 0):
        raise AnalysisError("a check resistor needs a resistance, a voltage and a current above 0")
    deviation = volts / amps / check.resistance_ohm - 1.0
    voltage, current = info.measurement.voltage, info.measurement.current
    parts = (
        rectangular(check.tolerance),
        0.0 if check.drop else standard(voltage.offset, voltage) / volts,
        math.sqrt(2.0) * digits(voltage.resolution) / volts,
        math.sqrt(2.0) * digits(current.resolution) / amps,
        deviation,
    )
    return math.hypot(*parts), deviation


def _of_the_meters(check: CheckedResistor, info: RunInfo) -> bool:
    """Tell whether the meters of the run, and no others, measured the resistor."""
    names = [name for name, _ in info.current_of]
    voltage = info.voltage_by
    current_too = check.instrument == names[0] if names and check.instrument else len(names) <= 1
    return current_too and (not voltage or not check.voltage_by or check.voltage_by == voltage)


def improved(info: RunInfo, room_degC: float | None = None, drift_A: float | None = None) -> Measurement:
    """Return what the bench may be off by, with what the evening's checks improve and what the room adds.

    Args:
        info: The bench's own specification, zeros and check.
        room_degC: Temperature of the room; None: not known.
        drift_A: See `zero_standard_u`.

    Source: JCGM 100:2008, 3.2.3, F.2.4.5.
    """
    measurement = info.measurement
    current = measurement.current
    zero = zero_standard_u(info, drift_A)
    checked = check_standard_u(info)
    if zero is not None and zero_is_used(info):
        u_A, limit_A = zero
        how = f"± {1000 * limit_A:.2g} mA of drift " + ("assumed" if drift_A is None else "seen until the end")
        current = with_zero(current, u_A, f"the zero of that evening is taken out; {how}")
    if checked is not None:
        current = with_check(
            current,
            checked[0],
            standard(measurement.voltage.gain, measurement.voltage),
            f"a check resistor was measured {100 * checked[1]:+.2f} % off; not corrected",
        )
    return Measurement(
        voltage=with_room(measurement.voltage, room_degC),
        current=with_room(current, room_degC),
        temperature=measurement.temperature,
        time=with_room(measurement.time, room_degC),
    )
