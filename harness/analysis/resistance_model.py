"""One resistance of a cell over its charge and the time after a step, fitted to all values that a run shows.

A surface that is linear between knots of charge and of the time's logarithm: every value counts by its own U, and
neighbouring knots hold together as far as the data leave them free. It is stated only where values lie near, and each
value keeps its own method beside it. Pure: arrays in, a plain record out. Ohm, s.

Caveats: of one run, at that run's temperature. Values of load, release and charge count alike; where they differ, the
scatter is in U.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.analysis.resistance import REVERSAL, SLOPE_REMOVED, STATED_TIMES_S, TWO_STEP

MOST_KNOTS = 9
FEWEST_VALUES = 4
NEAR_TIME = 0.45  # of the logarithm (e): a value this near to a time supports it
_STIFF = 0.05  # standard, relative: how far a knot may lie from the line through its neighbours without data


@dataclass(frozen=True)
class ResistanceModel:
    """Resistance at knots: `ohm[k][j]` at `along[k]` and `times_s[j]`, None where no value lies near. U with k = 2."""

    along: tuple[float, ...]  # charge state, charge moved or voltage: as the values were ordered
    times_s: tuple[float, ...]
    ohm: tuple[tuple[float | None, ...], ...]
    U_ohm: tuple[tuple[float | None, ...], ...]
    values: int
    scatter: float  # of the values about the surface, over their own standard uncertainty; 1 where U tells it all


def fit_resistance_model(
    methods: Sequence[str], along: FloatArray, duration_s: FloatArray, ohm: FloatArray, U_ohm: FloatArray
) -> ResistanceModel | None:
    """Return the surface, or None where fewer than `FEWEST_VALUES` values can be used.

    Args:
        methods: Of each value; the two-step method's and the one without slope are the same pulses again and left out.
        along: Where in its charge the cell stood, shape (n,); NaN leaves a value out.
        duration_s, ohm, U_ohm: The values, shape (n,), all above 0; U with k = 2.

    Source:
        Weighted least squares, JCGM 100:2008, H.3; the roughness penalty: common practice of smoothing.
    """
    again = np.isin(np.asarray(methods), (REVERSAL, SLOPE_REMOVED, TWO_STEP))
    good = ~again & np.isfinite(along) & (ohm > 0) & (U_ohm > 0) & (duration_s > 0)
    good &= U_ohm < 0.5 * ohm
    x, at, y, u = along[good], np.log(duration_s[good]), ohm[good], np.maximum(U_ohm[good] / 2, 1e-3 * ohm[good])
    times = [t for t in STATED_TIMES_S if at.size and np.min(np.abs(at - np.log(t))) <= NEAR_TIME]
    if y.size < FEWEST_VALUES or not times:
        return None
    knots = _knots(x)
    log_times = np.log(np.array(times))
    matrix = (_hats(x, knots)[:, :, None] * _hats(at, log_times)[:, None, :]).reshape(y.size, -1)
    rough = _roughness(knots.size, log_times.size) / (_STIFF * float(np.median(y)))
    whole = np.vstack((matrix / u[:, None], rough))
    found, *_ = np.linalg.lstsq(whole, np.concatenate((y / u, np.zeros(rough.shape[0]))), rcond=None)
    left = (matrix @ found - y) / u
    scatter = float(np.sqrt(np.sum(left**2) / max(1.0, y.size - np.linalg.matrix_rank(matrix))))
    covariance = np.linalg.pinv(whole.T @ whole)
    # Gains and leads are shared by all values: no mean makes them smaller.
    shared = float(np.min(u / y))
    value: FloatArray = np.asarray(found, dtype=np.float64).reshape(knots.size, log_times.size)
    own = np.sqrt(np.clip(np.diag(covariance), 0, None)).reshape(value.shape) * max(1.0, scatter)
    wide: FloatArray = 2 * np.hypot(own, shared * np.abs(value))
    reach = 0.6 * float(np.max(np.diff(knots))) if knots.size > 1 else np.inf
    shown = np.array(
        [
            [bool(np.any((np.abs(x - place) <= reach) & (np.abs(at - when) <= NEAR_TIME))) for when in log_times]
            for place in knots
        ]
    ) & (value > 0)

    def rows(of: FloatArray) -> tuple[tuple[float | None, ...], ...]:
        return tuple(
            tuple(float(of[k, j]) if shown[k, j] else None for j in range(log_times.size)) for k in range(knots.size)
        )

    return ResistanceModel(
        tuple(float(k) for k in knots), tuple(times), rows(value), rows(wide), int(y.size), max(scatter, 0.0)
    )  # fmt: skip


def _knots(x: FloatArray) -> FloatArray:
    """Return where along the charge the surface has knots: where values lie, neighbours merged."""
    low, high = float(x.min()), float(x.max())
    apart = (high - low) / (MOST_KNOTS - 1)
    if apart <= 1e-9:
        return np.array([low])
    kept: list[list[float]] = []
    for place in np.sort(x):
        if kept and place - kept[-1][0] < 0.9 * apart:
            kept[-1].append(float(place))
        else:
            kept.append([float(place)])
    return np.array([float(np.mean(some)) for some in kept])


def _hats(x: FloatArray, knots: FloatArray) -> FloatArray:
    """Return the weights of linear interpolation between knots, shape (n, knots); beyond the ends the last one's."""
    if knots.size == 1:
        return np.ones((x.size, 1))
    return np.stack([np.interp(x, knots, np.eye(knots.size)[k]) for k in range(knots.size)], axis=1)


def _roughness(along: int, times: int) -> FloatArray:
    """Return rows that are 0 for a surface without bends along the charge, alike over time at neighbouring knots."""
    rows = []
    for j in range(times):
        for k in range(1, along - 1):
            row = np.zeros((along, times))
            row[k - 1, j], row[k, j], row[k + 1, j] = 0.5, -1.0, 0.5
            rows.append(row.ravel())
    for k in range(along - 1):  # what a longer time adds changes slowly with charge
        for j in range(times - 1):
            row = np.zeros((along, times))
            row[k, j], row[k, j + 1], row[k + 1, j], row[k + 1, j + 1] = 0.5, -0.5, -0.5, 0.5
            rows.append(row.ravel())
    return np.array(rows).reshape(-1, along * times)
