"""Open-circuit voltage: from a rest, from a slow discharge, from a pair of curves, from pulses.

Charge `moved_Ah` is counted along the discharge, from full, positive. Curves come out on a grid of the share
of charge left (1 full, 0 at the end of the record). Pure: arrays in, frozen records out.

Caveats: a slow discharge still lies below the open-circuit curve by current times resistance; a charge and
discharge pair cancels that, and half of the hysteresis stays unknown.
"""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError


@dataclass(frozen=True)
class OcvCurve:
    """Open-circuit voltage against the share of charge left, shape (n,) each, share rising."""

    share: FloatArray
    voltage_V: FloatArray
    u_V: FloatArray  # standard uncertainty of each point, method included, instruments not
    capacity_Ah: float
    method: str


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


def ocv_from_slow_discharge(
    moved_Ah: FloatArray,
    voltage_V: FloatArray,
    current_A: float,
    resistance_ohm: float | None = None,
    resistance_U_ohm: float = 0.0,
    points: int = 101,
) -> OcvCurve:
    """Return the open-circuit curve that a slow, complete discharge shows.

    Args:
        moved_Ah: Charge taken out since full, shape (n,), n >= 3.
        voltage_V: Terminal voltage, shape (n,).
        current_A: The discharge current, positive INTO the cell, so below zero.
        resistance_ohm: Resistance for long times; None: no correction, and the whole drop is uncertainty.
        resistance_U_ohm: Its expanded uncertainty, k = 2.
        points: Number of points of the grid.

    Returns:
        The curve; with a resistance given, current times resistance is added back.

    Raises:
        AnalysisError: arrays that are no curve, or a current not below zero.

    Source:
        G. Plett, Battery Management Systems vol. 1, ch. 2 (from memory).
    """
    q, v = _curve(moved_Ah, voltage_V, "slow discharge")
    if not current_A < 0:
        raise AnalysisError(
            f"slow discharge: current {current_A:g} A; a discharge is below 0 (into the cell is positive)"
        )
    share = np.linspace(0.0, 1.0, points)
    volts = np.interp(q[-1] * (1 - share), q, v)
    if resistance_ohm is None:
        u = np.full(points, abs(current_A) * 0.1 / np.sqrt(3.0))  # up to 0.1 Ω unknown: common practice
        return OcvCurve(share, volts, u, float(q[-1]), "slow discharge, not corrected")
    u = np.full(points, abs(current_A) * resistance_U_ohm / 2)
    return OcvCurve(share, volts - current_A * resistance_ohm, u, float(q[-1]), "slow discharge, resistance added back")


def ocv_from_pair(
    out_Ah: FloatArray, out_V: FloatArray, in_Ah: FloatArray, in_V: FloatArray, points: int = 101
) -> OcvCurve:
    """Return the mean of a slow discharge curve and a slow charge curve at equal charge.

    Args:
        out_Ah: Charge taken out since full, shape (n,).
        out_V: Voltage of the discharge, shape (n,).
        in_Ah: Charge put in since empty, shape (m,).
        in_V: Voltage of the charge, shape (m,).
        points: Number of points of the grid.

    Returns:
        Mean curve; the standard uncertainty is half of the distance of the two, taken as rectangular limits.

    Raises:
        AnalysisError: arrays that are no curve, or capacities that differ by more than 5 %.

    Source:
        Method of the open 18650 table (C/20, mean of both curves); G. Plett, vol. 1, ch. 2 (from memory).
    """
    q_out, v_out = _curve(out_Ah, out_V, "discharge of the pair")
    q_in, v_in = _curve(in_Ah, in_V, "charge of the pair")
    if abs(q_in[-1] - q_out[-1]) > 0.05 * q_out[-1]:
        raise AnalysisError(
            f"pair of curves: {q_in[-1]:.4g} Ah in and {q_out[-1]:.4g} Ah out differ by more than 5 %; "
            "both must be complete and of one cell"
        )
    share = np.linspace(0.0, 1.0, points)
    low = np.interp(1 - share, q_out / q_out[-1], v_out)
    high = np.interp(share, q_in / q_in[-1], v_in)
    return OcvCurve(share, (low + high) / 2, np.abs(high - low) / 2 / np.sqrt(3.0), float(q_out[-1]), "pair of curves")


def ocv_from_rests(share: FloatArray, rested_V: FloatArray, u_V: FloatArray, capacity_Ah: float) -> OcvCurve:
    """Return the curve through rested voltages, as between the pulses of a pulse test.

    Args:
        share: Share of charge left at each rest, shape (n,), n >= 2.
        rested_V: Voltage extrapolated from each rest, shape (n,).
        u_V: Standard uncertainty of each, shape (n,).
        capacity_Ah: Capacity that the shares refer to.

    Raises:
        AnalysisError: shapes differ, fewer than 2 rests, a share outside 0 to 1.

    Source:
        Common practice.
    """
    if not share.shape == rested_V.shape == u_V.shape or share.size < 2:
        raise AnalysisError(
            f"rests: {share.shape}, {rested_V.shape} and {u_V.shape}; equal shapes with 2 or more needed"
        )
    if not ((share >= -1e-9) & (share <= 1 + 1e-9)).all():
        raise AnalysisError("rests: a share of charge is outside 0 to 1")
    order = np.argsort(share)
    return OcvCurve(share[order], rested_V[order], u_V[order], capacity_Ah, "rests")


def cutoff_sensitivity(curve: OcvCurve, cutoff_V: float) -> float:
    """Return how much capacity, as a share, an error of one volt at the cut-off costs: dz/dV in 1/V.

    Args:
        curve: Open-circuit curve.
        cutoff_V: Cut-off voltage within the curve.

    Raises:
        AnalysisError: the cut-off lies outside the curve.

    Source:
        Inverse slope of the curve at the crossing; JCGM 100:2008, 5.1.3 (sensitivity coefficient).
    """
    if not curve.voltage_V.min() < cutoff_V < curve.voltage_V.max():
        raise AnalysisError(
            f"cut-off {cutoff_V:g} V is outside the curve, {curve.voltage_V.min():.3f} to {curve.voltage_V.max():.3f} V"
        )
    k = int(np.searchsorted(np.maximum.accumulate(curve.voltage_V), cutoff_V))
    k = min(max(k, 1), curve.share.size - 1)
    rise_V = float(curve.voltage_V[k] - curve.voltage_V[k - 1])
    if rise_V <= 0:
        raise AnalysisError(f"the curve is flat at {cutoff_V:g} V")
    return float(curve.share[k] - curve.share[k - 1]) / rise_V
