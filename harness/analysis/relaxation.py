"""Rest after a current: where the voltage is heading, and when it has got there.

Pure: arrays in, frozen records out. Times in seconds from the beginning of the rest.
"""

from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError


@dataclass(frozen=True)
class RestedVoltage:
    """Open-circuit voltage that a rest is heading for."""

    voltage_V: float
    u_V: float  # standard, of the extrapolation; the voltmeter is not in it
    time_constants_s: tuple[float, ...]
    amplitudes_V: tuple[float, ...]  # voltage still missing at the beginning of the rest, per time constant
    last_V: float
    still_moving_V: float  # from the last reading to the end value
    residual_V: float  # root mean square
    settled: bool  # the last reading is already the end value within its uncertainty


def extrapolate_rest(t_s: FloatArray, voltage_V: FloatArray, terms: int | None = None) -> RestedVoltage:
    """Return the open-circuit voltage by extrapolating a rest.

    A sum of one or two exponentials and a constant is fitted; the second one only when it improves the corrected
    Akaike criterion. The constant of an unfinished rest depends on the model, so the distance still to go
    widens its uncertainty.

    Args:
        t_s: Time since the current went off, shape (n,), n >= 8, rising.
        voltage_V: Voltage, shape (n,).
        terms: 1 or 2 exponentials; None: as the data support.

    Returns:
        The end value with its standard uncertainty.

    Raises:
        AnalysisError: shapes differ, fewer than 8 readings, times that do not rise, a value not finite.

    Source:
        Thevenin relaxation, G. Plett, Battery Management Systems vol. 1, ch. 2 (from memory). Choice of the number of
        terms: corrected Akaike information criterion (Hurvich and Tsai 1989, Biometrika 76, 297; from memory).
    """
    if t_s.shape != voltage_V.shape or t_s.ndim != 1 or t_s.size < 8:
        raise AnalysisError(f"rest: {t_s.shape} times and {voltage_V.shape} voltages; equal shapes of 8 or more needed")
    if not (np.isfinite(t_s).all() and np.isfinite(voltage_V).all() and (np.diff(t_s) > 0).all()):
        raise AnalysisError("rest: times must rise and every value must be finite")
    if terms not in (None, 1, 2):
        raise AnalysisError(f"rest: {terms} exponentials; accepted: 1 or 2")
    t, v = _thinned(t_s - t_s[0], voltage_V)
    offset = float(t_s[0])
    fits = [_fit(t, v, n) for n in ((1, 2) if terms is None else (terms,)) if v.size > 2 * n + 3]
    best = min(fits, key=lambda fit: fit[0])
    _, constants, taus, amplitudes, u_end, residual = best
    last = float(v[-1])
    moving = constants - last
    u = float(np.hypot(u_end, 0.3 * moving))
    back = tuple(float(a * np.exp(offset / tau)) for a, tau in zip(amplitudes, taus, strict=True))
    return RestedVoltage(
        float(constants), u, tuple(float(tau) for tau in taus), back, last, float(moving), residual,
        bool(abs(moving) <= 2 * max(u, residual)),
    )  # fmt: skip


def _thinned(t: FloatArray, v: FloatArray, most: int = 400) -> tuple[FloatArray, FloatArray]:
    """Average readings into at most `most` cells, denser at the beginning where the voltage moves."""
    if t.size <= most:
        return t, v
    edges = np.unique(np.concatenate((np.arange(40), np.geomspace(40, t.size, most - 40).astype(np.int64))))
    edges = edges[edges < t.size]
    counts = np.diff(np.append(edges, t.size))
    return np.add.reduceat(t, edges) / counts, np.add.reduceat(v, edges) / counts


def _fit(t: FloatArray, v: FloatArray, terms: int) -> tuple[float, float, FloatArray, FloatArray, float, float]:
    """Fit constant and exponentials: criterion, constant, time constants, amplitudes, u of the constant, residual."""
    from scipy.optimize import least_squares

    span = float(t[-1])
    shortest = max(float(np.median(np.diff(t))), span / 1e5)

    def solve(log_tau: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        matrix = np.column_stack([np.ones_like(t), *(-np.exp(-t / tau) for tau in np.exp(log_tau))])
        x, *_ = np.linalg.lstsq(matrix, v, rcond=None)
        return matrix, x, matrix @ x - v

    starts = [span / 4] if terms == 1 else [span / 15, span / 2]
    low, high = np.log(shortest / 2), np.log(span * 3)

    def errors(log_tau: FloatArray) -> FloatArray:
        return solve(log_tau)[2]

    result = least_squares(errors, np.clip(np.log(starts), low + 1e-6, high - 1e-6), bounds=(low, high))
    matrix, x, error = solve(result.x)
    tau = np.exp(result.x)
    n, k = v.size, 2 * terms + 1
    square = max(float(error @ error), n * 1e-14)
    criterion = n * np.log(square / n) + 2 * k + 2 * k * (k + 1) / max(n - k - 1, 1)
    jacobian = np.column_stack([matrix, *(-x[j + 1] * np.exp(-t / tau[j]) * t / tau[j] for j in range(terms))])
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * square / max(n - k, 1)
    order = np.argsort(tau)
    return (
        float(criterion), float(x[0]), tau[order], x[1:][order], float(np.sqrt(max(covariance[0, 0], 0.0))),
        float(np.sqrt(square / n)),
    )  # fmt: skip
