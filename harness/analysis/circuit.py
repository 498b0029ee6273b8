"""Equivalent circuit of a cell from pulses and the rests after them.

Model: V = E + s q + I R0 + u1 (+ u2), each RC pair answering exactly to a current that is constant between
steps; current positive INTO the cell, q the charge moved since the first row. The time constants are searched,
everything else is linear. Pure: arrays in, frozen records out.

Caveats: the pair's values belong to the length of the pulses they come from; a pulse of 10 s says nothing about
minutes. At the first row the cell must be at rest, or have carried its current for long.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from amphora.harness.analysis.current_steps import CurrentStep, find_steps
from amphora.harness.analysis.records import FloatArray, IntArray, Measurement, Record
from amphora.harness.analysis.resistance import standard_relative
from amphora.harness.common.errors import AnalysisError


@dataclass(frozen=True)
class Pair:
    """One resistor and capacitor in parallel, with standard uncertainties."""

    ohm: float
    u_ohm: float
    farad: float
    u_farad: float
    time_constant_s: float
    u_time_constant_s: float


@dataclass(frozen=True)
class Circuit:
    """A fitted equivalent circuit. Uncertainties are standard (k = 1)."""

    r0_ohm: float
    u_r0_ohm: float
    pairs: tuple[Pair, ...]
    open_V: float  # at the first row
    u_open_V: float
    slope_V_per_Ah: float  # of the open-circuit voltage over the window
    u_slope_V_per_Ah: float
    residual_V: float  # root mean square
    expected_V: float  # what noise and resolution alone would leave
    residuals_fit: bool
    residual_text: str
    from_s: float
    to_s: float


def fit_circuit(
    record: Record,
    first_row: int,
    last_row: int,
    measurement: Measurement,
    pairs: int | None = None,
    slope: bool = True,
) -> Circuit:
    """Fit R0 and one or two RC pairs to a stretch with current steps in it.

    Args:
        record: Any record, shape (n,).
        first_row: First row of the stretch, at rest or long under the same current.
        last_row: Last row, included.
        measurement: Specification of the bench; gains go into the uncertainties, offsets cancel.
        pairs: 1 or 2; None: the second pair only when the data support it (corrected Akaike criterion, a time
            constant three times the first one's, and a resistance of more than twice its uncertainty).
        slope: Fit the slope of the open-circuit voltage against charge too.

    Returns:
        The circuit with standard uncertainties, and whether its residuals look like noise.

    Raises:
        AnalysisError: no current step in the stretch, or fewer than 20 usable rows.

    Source:
        G. Plett, Battery Management Systems vol. 1, ch. 2 (from memory): Thevenin model in its exact discrete
        form. Least squares: JCGM 100:2008 (GUM), Annex H.3. Criterion: Hurvich and Tsai 1989 (from memory).
    """
    if pairs not in (None, 1, 2):
        raise AnalysisError(f"circuit: {pairs} RC pairs; accepted: 1 or 2")
    steps = find_steps(record, first_row, last_row)
    steps = [s for s in steps if first_row < s.after <= last_row]
    if not steps:
        raise AnalysisError(f"circuit: no current step between rows {first_row} and {last_row}")
    stretch = _stretch(record, first_row, last_row, steps)
    t = stretch.t_s
    base = [np.ones_like(t), stretch.current_A] + ([stretch.moved_Ah] if slope else [])
    expected = float(np.hypot(measurement.voltage.resolution / np.sqrt(12.0), stretch.noise_V))
    chosen = _with_as_many_pairs_as_show(stretch, base, pairs)
    bend = np.zeros(chosen.u.size)
    if slope:
        chosen, bend = _with_the_bend(stretch, base, chosen)
    chosen = replace(chosen, u=np.hypot(chosen.u, bend))
    return _circuit(chosen, len(base), slope, measurement, steps[0].edge_s, expected, float(t[0]), float(t[-1]))


@dataclass(frozen=True)
class _Stretch:
    """The usable rows of a stretch, shape (n,), and its pieces between the steps: current is constant within one."""

    t_s: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    piece: IntArray  # of each row
    level_A: FloatArray  # of each piece
    bounds_s: FloatArray  # of the pieces, one more than they are
    moved_Ah: FloatArray
    weight: FloatArray
    noise_V: float

    def answer(self, tau_s: float) -> FloatArray:
        """Return the response of one RC pair of 1 Ω, shape (n,), V."""
        level, bounds, t = self.level_A, self.bounds_s, self.t_s
        state, out = float(level[0]), np.zeros(t.size, dtype=np.float64)
        for k in range(level.size):
            inside = self.piece == k
            out[inside] = level[k] + (state - level[k]) * np.exp(-(t[inside] - bounds[k]) / tau_s)
            state = level[k] + (state - level[k]) * np.exp(-(bounds[k + 1] - bounds[k]) / tau_s)
        return out


def _stretch(record: Record, first_row: int, last_row: int, steps: Sequence[CurrentStep]) -> _Stretch:
    """Return the rows of a stretch without those caught in the middle of an edge.

    Raises:
        AnalysisError: fewer than 20 of them.
    """
    rows = np.arange(first_row, last_row + 1)
    rows = rows[np.isfinite(record.t_s[rows] + record.voltage_V[rows] + record.current_A[rows])]
    t = record.t_s[rows]
    forward = np.concatenate(([True], t[1:] > np.maximum.accumulate(t)[:-1]))
    rows, t = rows[forward], t[forward]
    edge_rows = {row for s in steps for row in range(s.before + 1, s.after)}
    keep = np.array([row not in edge_rows for row in rows.tolist()])
    rows, t = rows[keep], t[keep]
    if rows.size < 20:
        raise AnalysisError(f"circuit: {rows.size} usable rows; at least 20 are needed")
    volts, amps = record.voltage_V[rows], record.current_A[rows]
    edges = np.array([s.t_s for s in steps])
    bounds = np.concatenate(([t[0]], edges, [t[-1]]))
    piece = np.searchsorted(np.array([s.after for s in steps]), rows, side="right")
    level = np.array([float(np.mean(amps[piece == k])) if (piece == k).any() else 0.0 for k in range(edges.size + 1)])
    charge = np.concatenate(([0.0], np.cumsum(level * np.diff(bounds))))
    moved = (charge[piece] + level[piece] * (t - bounds[piece])) / 3600
    return _Stretch(t, volts, amps, piece, level, bounds, moved, _weights(t, piece), _noise(t, volts, piece))


def _with_as_many_pairs_as_show(stretch: _Stretch, base: list[FloatArray], pairs: int | None) -> "_Fit":
    """Return the fit with as many pairs as asked; with none asked the second only where the data support it."""
    if pairs is not None:
        return _fit(stretch, base, pairs)
    one, two = _fit(stretch, base, 1), _fit(stretch, base, 2)
    if not two.criterion < one.criterion - 6:
        return one
    tau, x, u = two.tau, two.x, two.u
    first = len(base)
    # A time constant as long as the whole stretch was not seen: it is where the fit was made to stop.
    seen = tau[1] < 0.95 * (stretch.t_s[-1] - stretch.t_s[0])
    told = x[first] > 2 * u[first] and x[first + 1] > 2 * u[first + 1]
    return two if seen and tau[1] > 3 * tau[0] and told else one


def _with_the_bend(stretch: _Stretch, base: list[FloatArray], chosen: "_Fit") -> "tuple[_Fit, FloatArray]":
    """Return the fit with the bend of the open-circuit curve where the data show it, and what that leaves in doubt."""
    bent = _fit(stretch, [*base, stretch.moved_Ah**2], chosen.tau.size)
    if not bent.criterion < chosen.criterion - 6:
        return chosen, np.zeros(chosen.u.size)
    others = [k for k in range(bent.u.size) if k != len(base)]
    straight = np.concatenate((chosen.x, chosen.tau))
    curved = np.concatenate((bent.x, bent.tau))[others]
    fit = _Fit(
        bent.criterion, bent.tau, np.delete(bent.x, len(base)), bent.u[others],
        bent.covariance[np.ix_(others, others)], bent.residual_V, bent.follow,
    )  # fmt: skip
    return fit, 0.3 * np.abs(curved - straight)


def circuit_to_dict(circuit: Circuit, cell: str = "", charge_state: float | None = None) -> dict[str, Any]:
    """Return the fitted model as plain data for other programs (JSON).

    Args:
        circuit: The fit.
        cell: Cell id.
        charge_state: Share of charge left at the fit, when known.

    Source:
        Our own format `amphora-circuit/1`; SI units in the names, current positive into the cell.
    """
    data = asdict(circuit)
    return {
        "format": "amphora-circuit/1",
        "cell": cell,
        "charge_state": charge_state,
        "model": "V = open_V + slope_V_per_Ah q + I r0_ohm + sum of RC pairs; I positive into the cell",
        "uncertainties": "standard, k = 1",
        **{key: list(value) if isinstance(value, tuple) else value for key, value in data.items()},
    }


@dataclass(frozen=True)
class _Fit:
    criterion: float
    tau: FloatArray
    x: FloatArray
    u: FloatArray  # of x, then of tau
    covariance: FloatArray
    residual_V: float
    follow: float  # correlation of neighbouring residuals


def _weights(t: FloatArray, piece: IntArray) -> FloatArray:
    """All ones: each reading counts once. A rest of hours must not drown a pulse, so long pieces count as 400 rows."""
    weight = np.ones_like(t)
    for k in np.unique(piece):
        inside = piece == k
        count = int(np.count_nonzero(inside))
        if count > 400:
            weight[inside] = np.sqrt(400 / count)
    return weight


def _noise(t: FloatArray, volts: FloatArray, piece: IntArray) -> float:
    """Noise of a reading from second differences inside the pieces."""
    second = np.abs(volts[2:] - 2 * volts[1:-1] + volts[:-2])[(piece[2:] == piece[:-2])]
    return 1.4826 * float(np.median(second)) / float(np.sqrt(6.0)) if second.size else 0.0


def _fit(stretch: _Stretch, base: list[FloatArray], pairs: int) -> _Fit:
    from scipy.optimize import least_squares

    t, volts, weight, answer, bounds = (
        stretch.t_s, stretch.voltage_V, stretch.weight, stretch.answer, stretch.bounds_s
    )  # fmt: skip
    span = float(t[-1] - t[0])
    low = np.log(max(float(np.min(np.diff(t))) / 2, span / 1e5))
    high = np.log(span)
    longest = float(np.max(np.diff(bounds)))
    starts = (
        [[longest / 30], [longest / 6], [longest / 2]]
        if pairs == 1
        else [[longest / 60, longest / 4], [longest / 20, longest / 1.5], [longest / 150, longest / 20]]
    )

    def solve(log_tau: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        matrix: FloatArray = np.column_stack([*base, *(answer(float(tau)) for tau in np.exp(log_tau))])
        x = np.asarray(np.linalg.lstsq(matrix * weight[:, None], volts * weight, rcond=None)[0], dtype=np.float64)
        error: FloatArray = (matrix @ x - volts) * weight
        return matrix, x, error

    def errors(log_tau: FloatArray) -> FloatArray:
        return solve(log_tau)[2] * 1000

    best = None
    for start in starts:
        found = least_squares(errors, np.clip(np.log(start), low + 1e-6, high - 1e-6), bounds=(low, high), xtol=1e-12)
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    order = np.argsort(best.x)
    log_tau = best.x[order]
    matrix, x, error = solve(log_tau)
    tau = np.exp(log_tau)
    n, k = volts.size, len(base) + 2 * pairs
    effective = float(np.sum(weight**2))
    square = max(float(error @ error), effective * 1e-16)
    step = 1e-4
    slopes = [
        x[len(base) + j]
        * (answer(float(tau[j] * (1 + step))) - answer(float(tau[j] * (1 - step))))
        / (2 * step * tau[j])
        for j in range(pairs)
    ]
    jacobian = np.column_stack([matrix, *slopes]) * weight[:, None]
    follow = float(np.clip(np.sum(error[1:] * error[:-1]) / square, 0.0, 0.98))
    inflate = (1 + follow) / (1 - follow)
    scale = square / max(effective - k, 1.0) * inflate
    covariance = np.asarray(np.linalg.pinv(jacobian.T @ jacobian) * scale, dtype=np.float64)
    u = np.asarray(np.sqrt(np.clip(np.diag(covariance), 0, None)), dtype=np.float64)
    stuck = (log_tau > high - 1e-3) | (log_tau < low + 1e-3)  # at the edge of what was asked: nothing is known of it
    u[u.size - pairs :][stuck] = np.maximum(u[u.size - pairs :], tau)[stuck]
    criterion = effective * np.log(square / effective) + 2 * k + 2 * k * (k + 1) / max(effective - k - 1, 1.0)
    return _Fit(
        float(criterion), tau, x, u, covariance,
        float(np.sqrt(square / effective)), float(np.sum(error[1:] * error[:-1]) / square) if n > 1 else 0.0,
    )  # fmt: skip


def _circuit(
    fit: _Fit,
    first: int,
    slope: bool,
    measurement: Measurement,
    edge_s: float,
    expected: float,
    from_s: float,
    to_s: float,
) -> Circuit:
    gain = float(np.hypot(standard_relative(measurement.voltage), standard_relative(measurement.current)))
    x, u, tau = fit.x, fit.u, fit.tau
    pairs = []
    for j in range(tau.size):
        ohm, u_ohm = float(x[first + j]), float(np.hypot(u[first + j], gain * x[first + j]))
        place = first + tau.size + j
        u_tau = float(u[place])
        farad = float(tau[j]) / ohm if ohm > 0 else float("inf")
        # C = tau / R: the two are correlated in the fit.
        shared = float(fit.covariance[first + j, place])
        relative = (u_tau / tau[j]) ** 2 + (u[first + j] / ohm) ** 2 - 2 * shared / (tau[j] * ohm) + gain**2
        pairs.append(Pair(ohm, u_ohm, farad, float(farad * np.sqrt(max(float(relative), 0.0))), float(tau[j]), u_tau))
    moved_by_edge = sum(p.ohm / p.time_constant_s for p in pairs) * edge_s / np.sqrt(3.0)
    u_r0 = float(np.sqrt(u[1] ** 2 + (gain * x[1]) ** 2 + moved_by_edge**2))
    noise_like = fit.residual_V <= 1.5 * expected + 2e-6
    if noise_like:
        text = f"residuals {fit.residual_V * 1e3:.2f} mV are what noise and resolution leave ({expected * 1e3:.2f} mV)"
    else:
        text = (
            f"residuals {fit.residual_V * 1e3:.2f} mV are above the {expected * 1e3:.2f} mV of noise and resolution"
            ": "
            "the circuit is too simple for this stretch, take its values as an outline"
        )
    return Circuit(
        float(x[1]), u_r0, tuple(pairs), float(x[0]),
        float(np.hypot(u[0], standard_relative(measurement.voltage) * x[0])),
        float(x[2]) if slope else 0.0, float(u[2]) if slope else 0.0, fit.residual_V, expected, bool(noise_like), text,
        from_s, to_s,
    )  # fmt: skip
