"""Capacity and energy of a phase, with their budgets.

Capacity counts up to the interpolated crossing of the cut-off at the main current; where the
cut-off was not reached, the figure is an 'at least'. Figures are positive magnitudes. Units: Ah,
Wh, V, A, s.
"""

import math
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.integration import Edges, Totals
from amphora.harness.analysis.phases import Phase, at_main_current
from amphora.harness.analysis.records import FloatArray, IntArray, Measurement, Record, Specification
from amphora.harness.analysis.uncertainty import Budget, Contribution, digits, line, make_budget, rectangular, standard
from amphora.harness.common.errors import AnalysisError

COLLAPSE = 0.5  # of the voltage before: no cell falls so far between two readings; common practice
CELL_NOTE = (
    "not in it: the cell itself at another temperature. The figure is that of the cell as warm as it was; "
    "it is not converted to the standard's 20 °C"
)


@dataclass(frozen=True)
class Crossing:
    """Where the cut-off was crossed: after `row - 1` and at or before `row`, at `t_s`."""

    row: int
    t_s: float
    charge_Ah: float  # running charge there, signed
    energy_Wh: float
    interpolated: bool
    slope_V_per_Ah: float  # of the voltage over charge taken out, near the crossing; above 0
    noise_V: float  # standard deviation of readings about that slope


@dataclass(frozen=True)
class Figures:
    """What one phase gave. `capacity_Ah` and `energy_Wh` are magnitudes."""

    capacity_Ah: float
    energy_Wh: float
    duration_s: float
    mean_voltage_V: float | None
    end_voltage_V: float
    end_t_s: float
    begin_t_s: float
    reached_cutoff: bool
    crossing: Crossing | None
    capacity: Budget
    energy: Budget
    whole_rows_Ah: float  # up to and with the first row at or below the cut-off: as some laboratories count
    gaps_inside: int
    gap_half_Ah: float | None  # half the width of the bounds of gaps inside; None: unknown charge


def find_crossing(record: Record, totals: Totals, phase: Phase, cutoff_V: float) -> Crossing | None:
    """Return where a discharge crossed the cut-off, or None.

    The crossing is the first of two consecutive readings at or below the cut-off at the phase's
    main current (or the last such reading of the phase), interpolated to the reading before. A single
    last reading at less than half the voltage before it is none: the path opened.

    Args:
        record: Readings, shape (n,) each.
        totals: Running totals of the same record.
        phase: A discharge of it.
        cutoff_V: The cut-off voltage.

    Raises:
        AnalysisError: the cut-off is not above 0 V.

    Source: design, section 7; reference sheet 11.8 (linear interpolation of the crossing).
    """
    if not cutoff_V > 0:
        raise AnalysisError(f"a cut-off of {cutoff_V:g} V is not above 0 V")
    rows = at_main_current(record, phase)
    if rows.size == 0:
        return None
    begin = int(rows[0])
    low_rows = np.flatnonzero(record.voltage_V[begin : int(rows[-1]) + 1] <= cutoff_V)
    if low_rows.size == 0:
        return None
    skipped = int(np.searchsorted(rows, begin + int(low_rows[0])))  # nothing before is below
    below = record.voltage_V[rows[skipped:]] <= cutoff_V
    both = below.copy()
    both[:-1] &= below[1:]
    hits = np.flatnonzero(both)
    if hits.size == 0:
        return None
    hit = skipped + int(hits[0])
    row = int(rows[hit])
    slope, noise = _slope(record, totals, rows, hit, cutoff_V)
    before = row - 1
    high, low = float(record.voltage_V[before]) if before >= phase.first_row else math.nan, float(record.voltage_V[row])
    main_before = hit > 0 and int(rows[hit - 1]) == before
    if hit == rows.size - 1 and main_before and low < COLLAPSE * high and high > cutoff_V:
        return None  # one last reading far below: the path opened (a protection board, a lead), nothing was crossed
    if main_before and high > cutoff_V >= low:
        share = (high - cutoff_V) / (high - low)
        t_s = float(record.t_s[before] + share * (record.t_s[row] - record.t_s[before]))
        return Crossing(
            row,
            t_s,
            float(totals.charge_Ah[before] + share * (totals.charge_Ah[row] - totals.charge_Ah[before])),
            float(totals.energy_Wh[before] + share * (totals.energy_Wh[row] - totals.energy_Wh[before])),
            True,
            slope,
            noise,
        )
    return Crossing(
        row,
        float(record.t_s[row]),
        float(totals.charge_Ah[row]),
        float(totals.energy_Wh[row]),
        False,
        slope,
        noise,
    )


def _slope(record: Record, totals: Totals, rows: IntArray, hit: int, cutoff_V: float) -> tuple[float, float]:
    """Return the slope of voltage over charge near the crossing, and the scatter about it."""
    base = max(0, hit - max(2000, hit // 10))  # the window is 1 % of the charge: no need to look further back
    start_Ah = float(totals.charge_Ah[rows[0]])
    rows = rows[base : hit + max(2000, hit // 100)]
    hit -= base
    taken = np.abs(totals.charge_Ah[rows] - start_Ah)
    window = max(0.01 * float(taken[hit]), 0.0)
    first = int(np.searchsorted(taken, taken[hit] - window))
    first = max(0, min(first, hit - 3))
    last = min(rows.size - 1, hit + max(1, (hit - first) // 4))
    stride = max(1, (last - first) // 2000)
    picked = rows[first : last + 1 : stride]
    x, y = np.abs(totals.charge_Ah[picked] - start_Ah), record.voltage_V[picked]
    if picked.size < 2 or float(np.ptp(x)) <= 0:
        return math.inf, 0.0
    order = 2 if picked.size >= 6 else 1
    centre = float(taken[hit])
    fit = np.polyfit(x - centre, y, order)
    slope = -float(fit[-2])
    noise = float(np.std(y - np.polyval(fit, x - centre), ddof=order + 1)) if picked.size > order + 1 else 0.0
    plain = (float(y[0]) - float(y[-1])) / float(x[-1] - x[0])
    if not slope > 0.2 * plain:
        slope = plain
    return (slope if slope > 0 else math.inf), noise


def figures(
    record: Record,
    totals: Totals,
    phase: Phase,
    measurement: Measurement,
    cutoff_V: float | None = None,
) -> Figures:
    """Return capacity, energy and the like of a phase, with budgets.

    Args:
        record: Readings, shape (n,) each.
        totals: Running totals of the same record.
        phase: A phase of it.
        measurement: What the channels may be off by.
        cutoff_V: For a discharge; None: the whole phase counts.

    Raises:
        AnalysisError: see `find_crossing`.

    Source:
        JCGM 100:2008, 5.1.2; reference sheet 7.9 (contributors of a capacity).
    """
    crossing = None
    if phase.kind == "discharge" and cutoff_V is not None:
        crossing = find_crossing(record, totals, phase, cutoff_V)
    begin_t_s = _begin_s(record, totals.edges, phase)
    begin_Wh = _energy_at(record, totals, phase.first_row, begin_t_s)
    if crossing is not None:
        charge_Ah, end_t_s, last = crossing.charge_Ah - phase.begin_Ah, crossing.t_s, crossing.row
        energy_Wh = crossing.energy_Wh - begin_Wh
        end_voltage_V = float(cutoff_V) if crossing.interpolated and cutoff_V else float(record.voltage_V[last])
    else:
        charge_Ah, last = phase.end_Ah - phase.begin_Ah, phase.last_row
        end_t_s = _end_s(record, totals.edges, phase)
        energy_Wh = _energy_at(record, totals, max(phase.first_row, last - 1), end_t_s) - begin_Wh
        end_voltage_V = float(record.voltage_V[_last_loaded(record, phase)])
    capacity_Ah, energy_Wh = abs(charge_Ah), abs(energy_Wh)
    half_Ah, gaps_inside = _gap_half(record, phase, last)
    counted = _Counted(
        record, totals, phase, measurement, cutoff_V, crossing, capacity_Ah, energy_Wh, end_t_s - begin_t_s, last,
        half_Ah,
    )  # fmt: skip
    return Figures(
        capacity_Ah=capacity_Ah,
        energy_Wh=energy_Wh,
        duration_s=max(0.0, end_t_s - begin_t_s),
        mean_voltage_V=energy_Wh / capacity_Ah if capacity_Ah > 0 else None,
        end_voltage_V=end_voltage_V,
        end_t_s=end_t_s,
        begin_t_s=begin_t_s,
        reached_cutoff=crossing is not None,
        crossing=crossing,
        capacity=_capacity_budget(counted),
        energy=_energy_budget(counted),
        whole_rows_Ah=capacity_Ah if crossing is None else abs(float(totals.charge_Ah[crossing.row]) - phase.begin_Ah),
        gaps_inside=gaps_inside,
        gap_half_Ah=half_Ah,
    )


def _edge_at(edges: Edges, row: int) -> float | None:
    at = np.flatnonzero(edges.row == row)
    return float(edges.at_s[at[0]]) if at.size else None


def _begin_s(record: Record, edges: Edges, phase: Phase) -> float:
    edge = _edge_at(edges, phase.first_row)
    return float(record.t_s[phase.first_row]) if edge is None else edge


def _last_loaded(record: Record, phase: Phase) -> int:
    way = 1.0 if phase.kind == "charge" else -1.0
    last = phase.last_row
    small = 0.02 * abs(phase.main_current_A)
    while last > phase.first_row and way * record.current_A[last] <= small:
        last -= 1
    return last


def _end_s(record: Record, edges: Edges, phase: Phase) -> float:
    last = _last_loaded(record, phase)
    edge = _edge_at(edges, last) if last < record.t_s.size - 1 else None
    return float(record.t_s[last]) if edge is None else edge


def _energy_at(record: Record, totals: Totals, row: int, t_s: float) -> float:
    """Return the running energy at an instant in the interval after `row` (the step, where there is one)."""
    if row + 1 >= record.t_s.size or t_s <= record.t_s[row]:
        return float(totals.energy_Wh[row])
    if t_s >= record.t_s[row + 1]:
        return float(totals.energy_Wh[row + 1])
    power_W = float(record.voltage_V[row] * record.current_A[row])
    return float(totals.energy_Wh[row]) + power_W * (t_s - float(record.t_s[row])) / 3600.0


def _gap_half(record: Record, phase: Phase, last: int) -> tuple[float | None, int]:
    half, count = 0.0, 0
    for gap in record.gaps:
        if phase.first_row < gap.after_row <= last:
            count += 1
            if gap.charge_low_Ah is None or gap.charge_high_Ah is None:
                return None, count
            half += 0.5 * abs(gap.charge_high_Ah - gap.charge_low_Ah)
    return half, count


@dataclass(frozen=True, slots=True)
class _Counted:
    """One phase as it was counted: what both of its budgets are made of."""

    record: Record
    totals: Totals
    phase: Phase
    measurement: Measurement
    cutoff_V: float | None
    crossing: Crossing | None
    capacity_Ah: float
    energy_Wh: float
    duration_s: float
    last: int
    gap_half_Ah: float | None

    @property
    def hours(self) -> float:
        """Return how long current readings counted: an offset works through the rests too."""
        return max(self.duration_s, 0.0) / 3600.0

    @property
    def mean_V(self) -> float:
        """Return energy over charge."""
        return self.energy_Wh / self.capacity_Ah if self.capacity_Ah > 0 else 0.0

    @property
    def through(self) -> float:
        """Return 1 where the check resistor compared current with voltage: the voltage's gain is the current's too."""
        return 1.0 if self.measurement.current.gain_follows_voltage else 0.0

    @property
    def at_V(self) -> float:
        """Return the cut-off; 0 without one."""
        return float(self.cutoff_V or 0.0)

    @property
    def slope_Ah_per_V(self) -> float:
        """Return how much later in charge a voltmeter that reads higher sees the cut-off; 0 without a crossing."""
        if self.crossing is None or not math.isfinite(self.crossing.slope_V_per_Ah):
            return 0.0
        return 1.0 / self.crossing.slope_V_per_Ah


def _capacity_budget(counted: _Counted) -> Budget:
    current, voltage, time = counted.measurement.current, counted.measurement.voltage, counted.measurement.time
    slope_Ah_per_V, crossing = counted.slope_Ah_per_V, counted.crossing
    volts_Ah = counted.through * counted.capacity_Ah + counted.at_V * slope_Ah_per_V
    lines = [
        *_current_and_time(current, time, counted.capacity_Ah, counted.hours),
        line(
            "voltage gain at the cut-off",
            standard(voltage.gain, voltage),
            "",
            volts_Ah,
            assumed=voltage.assumed,
            note="through the check resistor, and at the cut-off" if counted.through else "",
        ),
        line(
            "voltage offset at the cut-off",
            standard(voltage.offset, voltage),
            "V",
            slope_Ah_per_V,
            assumed=voltage.assumed,
        ),
        line(
            "voltage resolution at the cut-off",
            digits(voltage.resolution),
            "V",
            slope_Ah_per_V,
            assumed=voltage.assumed,
        ),
        *_voltage_by_temperature(voltage, volts_Ah, slope_Ah_per_V),
    ]
    if crossing is not None:
        lines += _at_crossing(counted, crossing, slope_Ah_per_V, 1.0, counted.totals.charge_Ah, "Ah")
    lines.append(line("current steps between readings", _edges_u(counted), "Ah", 1.0))
    if counted.gap_half_Ah:
        lines.append(line("gaps without readings", rectangular(counted.gap_half_Ah), "Ah", 1.0))
    notes = [CELL_NOTE, *_notes(counted.measurement)]
    return make_budget("capacity", counted.capacity_Ah, "Ah", lines, notes=notes)


def _energy_budget(counted: _Counted) -> Budget:
    current, voltage, time = counted.measurement.current, counted.measurement.voltage, counted.measurement.time
    at_V, slope_Ah_per_V, crossing = counted.at_V, counted.slope_Ah_per_V, counted.crossing
    # One error of the voltmeter moves both the mean voltage and the instant of the crossing,
    # in the same sense: the two sensitivities add before squaring.
    volts_Wh = (1 + counted.through) * counted.energy_Wh + at_V * at_V * slope_Ah_per_V
    offset_Ah = counted.capacity_Ah + at_V * slope_Ah_per_V
    lines = [
        *_current_and_time(current, time, counted.energy_Wh, counted.hours * counted.mean_V),
        line(
            "voltage gain",
            standard(voltage.gain, voltage),
            "",
            volts_Wh,
            assumed=voltage.assumed,
            note="mean voltage, cut-off and check resistor together"
            if counted.through
            else "mean voltage and cut-off together",
        ),
        line(
            "voltage offset",
            standard(voltage.offset, voltage),
            "V",
            offset_Ah,
            assumed=voltage.assumed,
            note="mean voltage and cut-off together",
        ),
        line("voltage resolution", digits(voltage.resolution), "V", offset_Ah, assumed=voltage.assumed),
        line("current steps between readings", _edges_u(counted), "Ah", counted.mean_V),
        *_voltage_by_temperature(voltage, volts_Wh, offset_Ah),
    ]
    if crossing is not None:
        lines += _at_crossing(counted, crossing, at_V * slope_Ah_per_V, at_V, counted.totals.energy_Wh, "Wh")
    if counted.gap_half_Ah:
        lines.append(line("gaps without readings", rectangular(counted.gap_half_Ah), "Ah", counted.mean_V))
    notes = [CELL_NOTE, *_notes(counted.measurement)]
    return make_budget("energy", counted.energy_Wh, "Wh", lines, notes=notes)


def _at_crossing(
    counted: _Counted, crossing: Crossing, per_V: float, per_Ah: float, running: FloatArray, unit: str
) -> list[Contribution]:
    """Return the lines of where a cut-off was crossed, with the result's sensitivities to its voltage and charge.

    Args:
        counted, crossing: The phase, and where its cut-off was crossed.
        per_V, per_Ah: The sensitivities.
        running: The running total that the result is read from, shape (n,), in `unit`.
        unit: The result's.
    """
    lines = [line("reading noise at the cut-off", crossing.noise_V, "V", per_V, "A")]
    age_Ah = age_at_the_cutoff_Ah(counted.record, counted.phase, crossing)
    if age_Ah > 0.0:
        lines.append(line("age of the readings at the cut-off", rectangular(age_Ah), "Ah", per_Ah))
    if not crossing.interpolated:
        step = abs(float(running[crossing.row] - running[max(0, crossing.row - 1)]))
        lines.append(line("end between two readings", rectangular(step), unit, 1.0))
    return lines


def age_at_the_cutoff_Ah(record: Record, phase: Phase, crossing: Crossing) -> float:
    """Return the charge that may have passed since a voltage was what the crossing shows, in Ah.

    A reading was taken up to a renewal of the meter before it was asked for, and anywhere in the time that the answer
    took: the crossing is so much too late, at most.

    Source: common practice; the interval is what the run records (`records.Timing`).
    """
    took_s = float(record.took_s[crossing.row])
    old_s = record.timing.voltage_renewed_s + (0.5 * took_s if math.isfinite(took_s) else 0.0)
    return old_s * abs(phase.main_current_A) / 3600.0


def _current_and_time(current: Specification, time: Specification, gained: float, hours: float) -> list[Contribution]:
    """Return the lines of current and time: `gained` the result itself, `hours` its sensitivity to an offset."""
    offset_assumed = current.assumed and "offset" not in current.measured
    return [
        line(
            "current gain",
            standard(current.gain, current),
            "",
            gained,
            assumed=current.assumed and "gain" not in current.measured,
            note=current.gain_note,
        ),
        line(
            "current offset",
            standard(current.offset, current),
            "A",
            hours,
            assumed=offset_assumed,
            note=current.offset_note,
        ),
        line("current resolution", digits(current.resolution), "A", hours, assumed=current.assumed),
        line(
            "current gain by temperature",
            rectangular(current.gain_per_K * current.away_K),
            "",
            gained,
            note=current.temperature_note,
        ),
        line(
            "current offset by temperature",
            rectangular(current.offset_per_K * current.away_K) if "offset" not in current.measured else 0.0,
            "A",
            hours,
            note=current.temperature_note,
        ),
        line("time base", standard(time.gain, time), "", gained, assumed=time.assumed),
        line(
            "time base by temperature",
            rectangular(time.gain_per_K * time.away_K),
            "",
            gained,
            note=time.temperature_note,
        ),
    ]


def _voltage_by_temperature(voltage: Specification, to_gain: float, to_offset: float) -> list[Contribution]:
    """Return the lines of the voltmeter's temperature, with the result's sensitivities to its gain and offset."""
    note = voltage.temperature_note
    return [
        line("voltage gain by temperature", rectangular(voltage.gain_per_K * voltage.away_K), "", to_gain, note=note),
        line(
            "voltage offset by temperature",
            rectangular(voltage.offset_per_K * voltage.away_K),
            "V",
            to_offset,
            note=note,
        ),
    ]


def _notes(measurement: Measurement) -> list[str]:
    """Return how the lines were obtained that need a sentence, each once."""
    current, voltage = measurement.current, measurement.voltage
    found = [
        f"current offset: {current.offset_note}" if current.offset_note else "",
        f"current gain: {current.gain_note}" if current.gain_note else "",
        *(
            f"{name} by temperature: {one.temperature_note}" if one.temperature_note else ""
            for name, one in (("current", current), ("voltage", voltage), ("time", measurement.time))
        ),
    ]
    return [text for text in found if text]


def _edges_u(counted: _Counted) -> float:
    """Return the standard uncertainty of charge from steps between readings: independent of each other."""
    record, edges = counted.record, counted.totals.edges
    inside = (edges.row >= counted.phase.first_row) & (edges.row < counted.last)
    if not inside.any():
        return 0.0
    row = edges.row[inside]
    jump = np.abs(record.current_A[row + 1] - record.current_A[row])
    return float(np.sqrt(np.sum((jump * edges.half_width_s[inside] / 3600.0) ** 2 / 3.0)))
