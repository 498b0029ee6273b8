"""What a run leaves behind for the account of its cell: its rests, and how steep a discharge ends.

A rest says three things: at which voltage the cell stood, how that voltage moved, and so how large a leak can be.
Relaxation is none: it fades, and its rate at two times fades with it. Pure: arrays in, plain records out. V, s, Ah;
slopes in volt per hour.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amphora.harness.analysis.phases import Phase
from amphora.harness.analysis.records import FloatArray, Record

LEAST_REST_S = 60.0
LATEST_S = 12 * 3600.0  # a rest is looked at as far as this; days of rest are `retention`
EARLY = (1 / 6, 5 / 12)  # of the rest: 10 to 25 min of an hour
LATE = (2 / 3, 1.0)
LEAST_FOR_SLOPES_S = 1200.0
END_SHARE = 0.015  # of a discharge's charge, over which its last slope is taken


@dataclass(frozen=True, slots=True)
class Rest:
    """One stretch without current. `after`: what flowed before it in this record, "" for nothing.

    Slopes are positive for a rising voltage, with U (k = 2); None where the rest is too short for them.
    """

    begin_s: float
    end_s: float
    after: str
    first_V: float
    last_V: float
    early_V_per_h: float | None
    early_U_V_per_h: float | None
    early_at_s: float | None  # the middle of the stretch, from the rest's begin
    late_V_per_h: float | None
    late_U_V_per_h: float | None
    late_at_s: float | None
    first_degC: float | None
    last_degC: float | None


def rests_in(
    record: Record, quiet: npt.NDArray[np.bool_], phases: Sequence[Phase], drift_V: float = 0.0005
) -> list[Rest]:
    """Return the rests of a record, oldest first.

    Args:
        record: Readings, shape (n,) each.
        quiet: Where no current flows, shape (n,).
        phases: The charges and discharges of the record.
        drift_V: What the voltmeter may wander in a rest (half-width).

    Source: common practice (a line by least squares, JCGM 100:2008, H.3); the windows are this project's.
    """
    edges = np.flatnonzero(quiet[1:] != quiet[:-1]) + 1
    edges = np.concatenate(([0] if quiet[:1].any() else [], edges, [quiet.size] if quiet[-1:].any() else []))
    # What happened in a gap nobody knows: a rest ends before it, and another begins after it.
    gaps = [gap.after_row for gap in record.gaps if gap.charge_low_Ah is None and 0 < gap.after_row < quiet.size]
    gaps = [row for row in gaps if quiet[row - 1] and quiet[row]]
    edges = np.sort(np.concatenate((edges, np.repeat(np.array(gaps, np.int64), 2))))
    found = []
    for low, high in edges.astype(np.int64).reshape(-1, 2).tolist():
        t = record.t_s[low:high]
        if t.size < 2 or t[-1] - t[0] < LEAST_REST_S:
            continue
        found.append(_rest(record, low, high, phases, drift_V))
    return found


def _rest(record: Record, low: int, high: int, phases: Sequence[Phase], drift_V: float) -> Rest:
    t, v = record.t_s[low:high] - record.t_s[low], record.voltage_V[low:high]
    warm = record.temperature_degC[low:high]
    warm = warm[np.isfinite(warm)]
    span_s = min(float(t[-1]), LATEST_S)
    after = ""
    for phase in phases:
        if phase.first_row + 1 < low:
            after = phase.kind
    early = late = None
    if float(t[-1]) >= LEAST_FOR_SLOPES_S and after:
        early = _slope(t, v, EARLY[0] * span_s, EARLY[1] * span_s, drift_V)
        late = _slope(t, v, LATE[0] * span_s, LATE[1] * span_s, drift_V)
    begin = v[t <= min(30.0, 0.1 * float(t[-1]))]
    end = v[t >= float(t[-1]) - min(120.0, 0.1 * float(t[-1]))]
    rate, rate_U, rate_at = early or (None, None, None)
    end_rate, end_U, end_at = late or (None, None, None)
    return Rest(
        float(record.t_s[low]), float(record.t_s[high - 1]), after, float(np.median(begin)), float(np.median(end)),
        rate, rate_U, rate_at, end_rate, end_U, end_at,
        float(warm[0]) if warm.size else None, float(warm[-1]) if warm.size else None,
    )  # fmt: skip


def _slope(
    t: FloatArray, v: FloatArray, low_s: float, high_s: float, drift_V: float
) -> tuple[float, float, float] | None:
    """Return slope in V/h, its U (k = 2) and the middle of the stretch."""
    inside = (t >= low_s) & (t <= high_s)
    if np.count_nonzero(inside) < 4:
        return None
    x, y = t[inside] / 3600.0, v[inside]
    x = x - x.mean()
    square = float(x @ x)
    if square <= 0:
        return None
    slope = float(x @ y) / square
    left = y - y.mean() - slope * x
    # Neighbouring readings are not independent where the curve bends or the meter wanders.
    total = max(float(left @ left), 1e-18)
    follow = float(np.clip(float(left[1:] @ left[:-1]) / total, 0.0, 0.95))
    u_fit = math.sqrt(total / max(left.size - 2, 1) / square * (1 + follow) / (1 - follow))
    u_drift = drift_V * 2 / math.sqrt(3.0) / ((high_s - low_s) / 3600.0)
    return slope, 2 * math.hypot(u_fit, u_drift), 0.5 * (low_s + high_s)


def end_slope(t_s: FloatArray, voltage_V: FloatArray, given_Ah: FloatArray) -> float | None:
    """Return how steep a discharge ends, in volt per unit of its charge; None where it has too few readings.

    Args:
        t_s, voltage_V, given_Ah: Rows at the main current up to the cut-off, shape (n,); charge given so far, rising.

    Source: a line by least squares over the last share of the charge.
    """
    if t_s.size < 8 or not given_Ah[-1] > 0:
        return None
    share = given_Ah / given_Ah[-1]
    inside = share >= 1.0 - END_SHARE
    if np.count_nonzero(inside) < 4:
        inside[-4:] = True
    x, y = share[inside], voltage_V[inside]
    x = x - x.mean()
    square = float(x @ x)
    return None if square <= 0 else -float(x @ y) / square
