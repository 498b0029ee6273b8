"""Temperature of a run: rise, rate, and heat against what the resistance explains.

Pure: arrays in, a frozen record out. Source of the reference: 20 °C with 5 K either way is the temperature of
the portable-cell standard (IEC 61960-3, from memory).
"""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import Measurement, Record
from amphora.harness.analysis.resistance import standard_relative
from amphora.harness.analysis.uncertainty import standard
from amphora.harness.common.errors import AnalysisError

REFERENCE_degC = 20.0
REFERENCE_BAND_K = 5.0
CONTACT_SHARE = 0.1  # of the rise: a sensor on the wrapper lags and loses heat to the air (common practice)
OFFSET_SHARE = 0.1  # of an offset that does not cancel between two readings of one evening (common practice)
WARM_K = 15.0  # common practice: a cell that warms more at a moderate load has something to tell


@dataclass(frozen=True)
class Thermal:
    """What the temperatures of a phase say."""

    start_degC: float | None
    highest_degC: float | None
    rise_K: float | None
    rise_U_K: float | None  # k = 2; a common offset cancels but for a tenth; with the contact of the sensor
    fastest_K_per_min: float | None
    heat_Wh: float | None  # I²R over the phase, from the resistance given
    mean_power_W: float | None
    expected_rise_K: float | None  # of an 18650 in still air, from the mean power of the last hour
    notes: tuple[str, ...]


def thermal(
    record: Record,
    first_row: int,
    last_row: int,
    measurement: Measurement,
    resistance_ohm: float | None = None,
    heat_J_per_K: float | None = 40.0,
    loss_W_per_K: float = 0.09,
) -> Thermal:
    """Return rise, rate and heat of one phase.

    The start is the mean of the rest before the phase (its last 10 minutes), else the first reading of the
    phase. The rate is taken over a minute at least, so that noise is no rate.

    Args:
        record: Any record, shape (n,).
        first_row: First row of the phase.
        last_row: Last row of the phase, included.
        measurement: Specification of the bench.
        resistance_ohm: Resistance for long times; None: no heat is estimated.
        heat_J_per_K: Heat capacity of the cell, joule per kelvin (an 18650 has about 40; common practice). None:
            not known, no rise is expected.
        loss_W_per_K: Loss to still air, watt per kelvin (about 0.09 for an 18650; common practice).

    Raises:
        AnalysisError: the rows are outside the record.

    Source:
        Joule heat; lumped body, from the first law. Reference temperature: IEC 61960-3 (from memory).
    """
    n = record.t_s.size
    if not 0 <= first_row <= last_row < n:
        raise AnalysisError(f"rows {first_row} to {last_row} are outside the record's {n} rows")
    rows = slice(first_row, last_row + 1)
    t, amps, warm = record.t_s[rows], record.current_A[rows], record.temperature_degC[rows]
    notes: list[str] = []
    heat = power = expected = None
    if resistance_ohm is not None and t.size > 1:
        good = np.isfinite(t) & np.isfinite(amps)
        seconds, watts = t[good], amps[good] ** 2 * resistance_ohm
        span = float(seconds[-1] - seconds[0]) if seconds.size > 1 else 0.0
        if span > 0:
            heat = float(np.trapezoid(watts, seconds)) / 3600
            power = heat * 3600 / span
        if span > 0 and heat_J_per_K is not None:
            tail = seconds >= seconds[-1] - 3600
            late_W = float(np.mean(watts[tail]))
            expected = late_W / loss_W_per_K * (1 - float(np.exp(-span * loss_W_per_K / heat_J_per_K)))
    known = np.isfinite(warm) & np.isfinite(t)
    if np.count_nonzero(known) < 2:
        return Thermal(None, None, None, None, None, heat, power, expected, ("no temperature was recorded",))
    rest = _rest_before(record, first_row)
    start = float(np.mean(rest)) if rest is not None else float(warm[known][0])
    if rest is None:
        notes.append("no rest before the phase: the rise counts from its first reading")
    highest = float(np.max(warm[known]))
    rise = highest - start
    spec = measurement.temperature
    parts = (
        spec.resolution / np.sqrt(12.0) * np.sqrt(2.0),
        standard_relative(spec) * rise,
        CONTACT_SHARE * rise / np.sqrt(3.0),
        OFFSET_SHARE * standard(spec.offset, spec),
    )
    u = float(np.sqrt(sum(part**2 for part in parts)))
    rate = _fastest(t[known], warm[known])
    if abs(start - REFERENCE_degC) > REFERENCE_BAND_K:
        notes.append(
            f"the cell stood at {start:.1f} °C; the standard's 20 °C, 5 K either way, was not held: capacity falls and "
            "resistance rises in the cold, so compare with runs of the same temperature"
        )
    if rise > WARM_K:
        notes.append(f"the cell warmed by {rise:.1f} K: more than a sound cell does at a moderate load")
    if expected is not None and rise > 2 * expected + 3:
        notes.append(
            f"it warmed by {rise:.1f} K where I²R explains about {expected:.1f} K: look for a hot contact, a neighbour "
            "that heats it, or a failing cell"
        )
    return Thermal(start, highest, rise, 2 * u, rate, heat, power, expected, tuple(notes))


def _rest_before(record: Record, first_row: int) -> np.ndarray | None:
    low = max(0, first_row - 5000)
    t, amps, warm = (a[low:first_row] for a in (record.t_s, record.current_A, record.temperature_degC))
    if t.size == 0:
        return None
    level = 0.02 * float(np.nanmax(np.abs(record.current_A[first_row : first_row + 50]), initial=0.0)) + 1e-6
    busy = np.flatnonzero(~(np.abs(amps) <= level))
    start = int(busy[-1]) + 1 if busy.size else 0
    keep = (np.arange(t.size) >= start) & np.isfinite(warm) & (t >= record.t_s[first_row] - 600)
    return warm[keep] if np.count_nonzero(keep) >= 1 else None


def _fastest(t: np.ndarray, warm: np.ndarray) -> float | None:
    """Largest rate over windows of a minute or more, in kelvin per minute."""
    if t[-1] - t[0] < 60:
        return None
    cells = np.floor((t - t[0]) / 30.0).astype(np.int64)
    counts = np.bincount(cells)
    full = counts > 0
    x = np.bincount(cells, t)[full] / counts[full]
    y = np.bincount(cells, warm)[full] / counts[full]
    if x.size < 3:
        return None
    ahead = np.minimum(np.searchsorted(x, x + 60 - 1e-9), x.size - 1)
    width = x[ahead] - x
    wide = width >= 59
    if not wide.any():
        return None
    return float(np.max((y[ahead] - y)[wide] / width[wide]) * 60)
