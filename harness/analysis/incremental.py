"""Incremental capacity, dQ/dV, of one charge or discharge curve. Pure: arrays in, frozen records out. Ah, V."""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError


@dataclass(frozen=True)
class IncrementalCapacity:
    """dQ/dV against voltage, shape (n,) each, voltage rising."""

    voltage_V: FloatArray
    slope_Ah_per_V: FloatArray
    peak_V: float
    peak_Ah_per_V: float


def _curve(moved_Ah: FloatArray, voltage_V: FloatArray, name: str) -> tuple[FloatArray, FloatArray]:
    if moved_Ah.shape != voltage_V.shape or moved_Ah.ndim != 1:
        raise AnalysisError(f"{name}: charge has shape {moved_Ah.shape}, voltage {voltage_V.shape}; they must agree")
    good = np.isfinite(moved_Ah) & np.isfinite(voltage_V)
    q, v = moved_Ah[good], voltage_V[good]
    if q.size < 3:
        raise AnalysisError(f"{name}: {q.size} usable readings; at least 3 are needed")
    forward = np.concatenate(([True], q[1:] > np.maximum.accumulate(q)[:-1]))
    q, v = q[forward], v[forward]
    if q.size < 3 or q[-1] <= q[0]:
        raise AnalysisError(f"{name}: the charge does not grow along the curve")
    return q - q[0], v


def incremental_capacity(
    moved_Ah: FloatArray, voltage_V: FloatArray, step_V: float = 0.005, smooth_V: float = 0.012
) -> IncrementalCapacity:
    """Return dQ/dV of one charge or discharge curve.

    Args:
        moved_Ah: Charge moved since the beginning of the curve in ampere-hours, positive, shape (n,), n >= 3.
        voltage_V: Voltage in volt, shape (n,), falling or rising as a whole.
        step_V: Width of the voltage grid.
        smooth_V: Standard deviation of the Gaussian that smooths the result.

    Returns:
        Voltage grid in volt and slope in ampere-hours per volt (positive), with its highest point.

    Raises:
        AnalysisError: shapes differ, fewer than 3 readings, a charge that does not grow, less than 5 grid steps.

    Source:
        Common practice: charge sorted into bins of voltage, so that noise cannot make the slope jump.
    """
    q, v = _curve(moved_Ah, voltage_V, "incremental capacity")
    low, high = float(v.min()), float(v.max())
    cells = int(np.ceil((high - low) / step_V))
    if cells < 5 or cells > 20_000:
        raise AnalysisError(f"incremental capacity: {low:.3f} to {high:.3f} V does not span 5 steps of {step_V:g} V")
    # Each interval's charge is spread evenly over the voltages it crosses: the cumulative charge below each level.
    levels = low + step_V * np.arange(cells + 1)
    v_low, v_high = np.minimum(v[1:], v[:-1]), np.maximum(v[1:], v[:-1])
    dq = np.diff(q)
    width = v_high - v_low
    density = np.zeros(cells)
    narrow = np.floor((v_low - low) / step_V).astype(np.int64) == np.floor((v_high - low) / step_V).astype(np.int64)
    at = np.clip(((v_low[narrow] - low) / step_V).astype(np.int64), 0, cells - 1)
    np.add.at(density, at, dq[narrow])
    wide = np.flatnonzero(~narrow & (width > 0))
    if wide.size:
        # Piecewise constant density: steps up at v_low, down at v_high, integrated exactly at the levels.
        rate = dq[wide] / width[wide]
        knots = np.concatenate((v_low[wide], v_high[wide]))
        changes = np.concatenate((rate, -rate))
        order = np.argsort(knots, kind="stable")
        knots, changes = knots[order], changes[order]
        slope = np.cumsum(changes)
        area = np.concatenate(([0.0], np.cumsum(slope[:-1] * np.diff(knots))))
        inside = np.clip(np.searchsorted(knots, levels, side="right") - 1, 0, knots.size - 1)
        below = np.where(levels <= knots[0], 0.0, area[inside] + slope[inside] * (levels - knots[inside]))
        density += np.diff(below)
    density /= step_V
    half = max(1, int(np.ceil(3 * smooth_V / step_V)))
    if cells < 2 * half + 1:
        raise AnalysisError(f"incremental capacity: {low:.3f} to {high:.3f} V is too little to smooth over")
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * step_V / smooth_V) ** 2)
    smooth = np.convolve(density, kernel, mode="same") / np.convolve(np.ones(cells), kernel, mode="same")
    centres = (levels[1:] + levels[:-1]) / 2
    top = int(np.argmax(smooth))
    return IncrementalCapacity(centres, smooth, float(centres[top]), float(smooth[top]))
