"""A resistor that was clipped on at another moment than it was said to be on: after it, or before it.

What was counted before it was on did not flow; what flowed before the answer was not counted. A current that is
computed from the cell's voltage is the voltage over a constant, so nothing in it tells when the resistor went on; the
cell's own resistance does. It drops the voltage when the current begins, or at another moment, at once and by far more
than it moves then. Pure: V, A, s, Ah.
"""

import dataclasses
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import Phase, find_phases
from amphora.harness.analysis.records import Record

LATE_FALL_V = 0.01  # what a resistor of a few ohm takes off a cell of some 30 mohm (common practice)
RECKONED_WITHIN = 1e-3  # voltage over current stands still so well only where one was made from the other
LEAST_ROWS = 30
EARLY_AT_MOST_S = 600.0  # so long before the answer a resistor is looked for: hands that clip it on, then press Return


@dataclass(frozen=True, slots=True)
class LateResistor:
    """The last row before the resistor was on, how late that was, and what had been counted by then."""

    row: int
    late_s: float
    fall_V: float
    counted_Ah: float


@dataclass(frozen=True, slots=True)
class EarlyResistor:
    """The last row before the resistor was on, how long before the answer that was, and what flowed uncounted."""

    row: int
    early_s: float
    fall_V: float
    missed_Ah: float


def late_resistor(record: Record, phase: Phase) -> LateResistor | None:
    """Return how late the resistor of a discharge went on; None where the current was measured, or it was on in time.

    Args:
        record: Readings, shape (n,) each.
        phase: The discharge.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    volts = record.voltage_V[phase.first_row + 1 : phase.last_row]
    if _computed_ohm(record, phase) is None:
        return None
    falls = volts[:-1] - volts[1:]
    early = falls[: max(falls.size // 2, 1)]
    row = int(np.argmax(early))
    fall_V = float(early[row])
    at_begin_V = float(record.voltage_V[phase.first_row]) - float(np.median(volts[:3]))
    if fall_V < max(LATE_FALL_V, 10 * float(np.median(np.abs(falls)))) or at_begin_V > 0.25 * fall_V:
        return None
    last = phase.first_row + 1 + row
    late_s = float(record.t_s[last]) - float(record.t_s[phase.first_row])
    charge_Ah = accumulate(record).charge_Ah
    return LateResistor(last, late_s, fall_V, abs(float(charge_Ah[last]) - float(charge_Ah[phase.first_row])))


def _computed_ohm(record: Record, phase: Phase) -> float | None:
    """Return the resistor that a discharge's current was made from; None where it was measured."""
    inside = slice(phase.first_row + 1, phase.last_row)
    volts, amps = record.voltage_V[inside], record.current_A[inside]
    if volts.size < LEAST_ROWS or not np.all(np.isfinite(volts)) or not np.all(amps < 0):
        return None
    ohm = volts / -amps
    return None if float(np.std(ohm)) > RECKONED_WITHIN * float(np.mean(ohm)) else float(np.mean(ohm))


def early_resistor(record: Record, phase: Phase) -> tuple[EarlyResistor, float] | None:
    """Return how long before its first counted row the resistor of a discharge was on, and that resistor in ohm.

    None where the current was measured, where the voltage falls with the current as it should, or where no row before
    shows the fall: it has to stay down, and to come while the current reads nothing, at most `EARLY_AT_MOST_S` before.

    Args:
        record: Readings, shape (n,) each.
        phase: The discharge.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    ohm = _computed_ohm(record, phase)
    first = phase.first_row
    if ohm is None or first < 2:
        return None
    begin = int(np.searchsorted(record.t_s, record.t_s[first] - EARLY_AT_MOST_S))
    for gap in record.gaps:
        begin = max(begin, gap.after_row) if gap.after_row <= first else begin
    flowing = np.flatnonzero(record.current_A[begin : first + 1] != 0.0)
    begin = begin + int(flowing[-1]) + 1 if flowing.size else begin
    volts = record.voltage_V[begin : first + 1]
    if volts.size < 3 or not np.all(np.isfinite(volts)):
        return None
    falls = volts[:-1] - volts[1:]
    row = int(np.argmax(falls))
    fall_V = float(falls[row])
    usual_V = float(np.median(np.abs(falls)))
    at_answer_V = float(record.voltage_V[first]) - float(np.median(record.voltage_V[first + 1 : first + 4]))
    stays = float(np.max(volts[row + 1 :])) <= float(volts[row]) - 0.5 * fall_V
    if fall_V < max(LATE_FALL_V, 10 * usual_V) or at_answer_V > 0.25 * fall_V or not stays:
        return None
    last = begin + row
    t_s, on = record.t_s[last + 1 : first + 2], record.voltage_V[last + 1 : first + 2] / ohm
    half_edge_As = 0.5 * float(record.t_s[last + 1] - record.t_s[last]) * float(on[0])
    missed_As = float(np.sum(0.5 * (on[1:] + on[:-1]) * np.diff(t_s))) + half_edge_As
    return EarlyResistor(last, float(record.t_s[first] - record.t_s[last]), fall_V, missed_As / 3600.0), ohm


def with_early_resistor(record: Record) -> tuple[Record, list[EarlyResistor]]:
    """Return the record with the current that flowed before each resistor was said to be on, and what was found.

    Args:
        record: Readings, shape (n,) each.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    if not _may_be_computed(record):
        return record, []
    current_A, found = record.current_A, []
    for phase in find_phases(record, accumulate(record)):
        early = early_resistor(record, phase) if phase.kind == "discharge" else None
        if early is not None:
            rows = slice(early[0].row + 1, phase.first_row + 1)
            current_A = current_A.copy()
            current_A[rows] = -record.voltage_V[rows] / early[1]
            found.append(early[0])
    return (dataclasses.replace(record, current_A=current_A), found) if found else (record, [])


def _may_be_computed(record: Record) -> bool:
    """Tell whether the currents of a discharge are one voltage over one resistor; quick, for records of any length."""
    flowing = np.isfinite(record.current_A) & (record.current_A < 0) & (record.voltage_V > 0)
    if np.count_nonzero(flowing) < LEAST_ROWS:
        return False
    ohm = record.voltage_V[flowing] / -record.current_A[flowing]
    return float(np.mean(np.abs(ohm - np.median(ohm)) > 5 * RECKONED_WITHIN * np.median(ohm))) <= 0.5


def without_late_resistor(record: Record) -> tuple[Record, list[LateResistor]]:
    """Return the record with no current before each resistor was on, and what was found.

    What one row of readings around that moment leaves open stays in the figure's uncertainty, as at every edge.

    Args:
        record: Readings, shape (n,) each.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    if not _may_be_computed(record):
        return record, []  # measured: not worth looking for its phases
    current_A, found = record.current_A, []
    for phase in find_phases(record, accumulate(record)):
        late = late_resistor(record, phase) if phase.kind == "discharge" else None
        if late is not None:
            current_A = current_A.copy()
            current_A[phase.first_row : late.row + 1] = 0.0
            found.append(late)
    return (dataclasses.replace(record, current_A=current_A), found) if found else (record, [])


def as_clipped_on(record: Record) -> tuple[Record, list[LateResistor | EarlyResistor]]:
    """Return the record with a computed current from the moment on at which each resistor was on, and what was found.

    Args:
        record: Readings, shape (n,) each.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    record, late = without_late_resistor(record)
    record, early = with_early_resistor(record)
    return record, [*late, *early]
