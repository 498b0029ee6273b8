"""How charge and voltage of one charge or discharge go together: joined, cleaned, weighed by voltage. Pure."""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError


@dataclass(frozen=True)
class VoltageCurve:
    """Charge moved since the beginning in ampere-hours (positive) against voltage, shape (n,) each."""

    moved_Ah: FloatArray
    voltage_V: FloatArray
    current_A: float  # positive INTO the cell
    resistance_ohm: float = 0.0  # taken out of the voltage where known
    temperature_degC: float | None = None


def clean(curve: VoltageCurve) -> tuple[FloatArray, FloatArray] | tuple[None, None]:
    """Return charge and voltage where both are finite, without the drop of the resistance; None: too little.

    Raises:
        AnalysisError: the arrays do not agree.

    Source: V at rest = V - I R, by Ohm's law.
    """
    q, v = curve.moved_Ah, curve.voltage_V
    if q.shape != v.shape or q.ndim != 1:
        raise AnalysisError(f"curve: charge has shape {q.shape}, voltage {v.shape}; they must agree")
    good = np.isfinite(q) & np.isfinite(v)
    q, v = q[good], v[good] - curve.current_A * curve.resistance_ohm
    if q.size < 8 or not q[-1] > q[0]:
        return None, None
    return q, v


def between(q: FloatArray, v: FloatArray, low_V: float, high_V: float) -> float:
    """Charge moved while the voltage stood between two levels, spread evenly inside each interval.

    Source: linear interpolation between readings (common practice).
    """
    dq = np.diff(q)
    bottom, top = np.minimum(v[1:], v[:-1]), np.maximum(v[1:], v[:-1])
    width = top - bottom
    inside = np.clip(np.minimum(top, high_V) - np.maximum(bottom, low_V), 0.0, None)
    level = (width <= 0) & (bottom >= low_V) & (bottom < high_V)
    part = np.where(width > 0, inside / np.where(width > 0, width, 1.0), level.astype(float))
    return float(np.sum(dq * part))


def densest(q: FloatArray, v: FloatArray, width_V: float) -> tuple[float, float]:
    """Return the largest share of charge within any window of the width, and the window's middle.

    Source: the highest peak of dQ/dV, as incremental capacity analysis has it (common practice).
    """
    middle = (v[1:] + v[:-1]) / 2
    order = np.argsort(middle)
    volts, charge = middle[order], np.cumsum(np.diff(q)[order])
    charge = np.concatenate(([0.0], charge))
    upper = np.searchsorted(volts, volts + width_V, side="right")
    amount = charge[upper] - charge[:-1]
    best = int(np.argmax(amount))
    return float(amount[best] / charge[-1]), float(volts[best] + width_V / 2)


def joined(pieces: list[VoltageCurve]) -> tuple[FloatArray, FloatArray]:
    """Put the pieces of one interrupted discharge behind one another: charge and voltage, shape (n,) each.

    Source: charge adds up; one cell, one curve (common practice).
    """
    ends = np.cumsum([0.0, *(float(piece.moved_Ah[-1]) for piece in pieces[:-1])])
    moved = np.concatenate([piece.moved_Ah + end for piece, end in zip(pieces, ends, strict=True)])
    return moved, np.concatenate([piece.voltage_V for piece in pieces])
