"""A resistor that was clipped on after it was said to be on: what was counted before it did not flow.

A current that is reckoned from the cell's voltage is the voltage over a constant, so nothing in it tells when the
resistor went on; the cell's own resistance does. It drops the voltage when the current begins, or later, at once and
by far more than it moves then. Pure: V, A, s, Ah.
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


@dataclass(frozen=True, slots=True)
class LateResistor:
    """The last row before the resistor was on, how late that was, and what had been counted by then."""

    row: int
    late_s: float
    fall_V: float
    counted_Ah: float


def late_resistor(record: Record, phase: Phase) -> LateResistor | None:
    """Return how late the resistor of a discharge went on; None where the current was measured, or it was on in time.

    Args:
        record: Readings, shape (n,) each.
        phase: The discharge.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    inside = slice(phase.first_row + 1, phase.last_row)
    volts, amps = record.voltage_V[inside], record.current_A[inside]
    if volts.size < LEAST_ROWS or not np.all(np.isfinite(volts)) or not np.all(amps < 0):
        return None
    ohm = volts / -amps
    if float(np.std(ohm)) > RECKONED_WITHIN * float(np.mean(ohm)):
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


def without_late_resistor(record: Record) -> tuple[Record, list[LateResistor]]:
    """Return the record with no current before each resistor was on, and what was found.

    What one row of readings around that moment leaves open stays in the figure's uncertainty, as at every edge.

    Args:
        record: Readings, shape (n,) each.

    Source: common practice (Ohm's law over the cell's own resistance).
    """
    flowing = np.isfinite(record.current_A) & (record.current_A < 0) & (record.voltage_V > 0)
    if np.count_nonzero(flowing) < LEAST_ROWS:
        return record, []
    ohm = record.voltage_V[flowing] / -record.current_A[flowing]
    if float(np.mean(np.abs(ohm - np.median(ohm)) > 5 * RECKONED_WITHIN * np.median(ohm))) > 0.5:
        return record, []  # measured: not worth looking for its phases
    current_A, found = record.current_A, []
    for phase in find_phases(record, accumulate(record)):
        late = late_resistor(record, phase) if phase.kind == "discharge" else None
        if late is not None:
            current_A = current_A.copy()
            current_A[phase.first_row : late.row + 1] = 0.0
            found.append(late)
    return (dataclasses.replace(record, current_A=current_A), found) if found else (record, [])
