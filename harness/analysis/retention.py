"""Does a cell keep its charge? Days of rest, with relaxation told apart from leakage.

After a charge or discharge the voltage first relaxes, which looks like self-discharge (or hides it) and is
none. So the first day never counts as leakage, and what is left is a straight line beside a fading exponential.
Pure: arrays in, a frozen record out.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from amphora.harness.analysis.records import FloatArray, Measurement
from amphora.harness.analysis.resistance import standard_relative
from amphora.harness.common.errors import AnalysisError

DAY_S = 86_400.0
MONTH_DAYS = 30.4375
SOFT_SHORT_V_PER_DAY = 0.005  # common practice: more than this after the first day suggests a soft short
WAIT_S = DAY_S
LEAST_AFTER_S = DAY_S  # rest needed beyond the first day before anything is said

Verdict = Literal["too early to say", "keeps its charge", "suspicious", "soft short suspected: quarantine"]


@dataclass(frozen=True)
class Retention:
    """Self-discharge from a rest. Rates are positive for a falling voltage."""

    verdict: Verdict
    fall_V_per_day: float | None
    fall_U_V_per_day: float | None  # k = 2
    loss_percent_per_month: float | None  # of the capacity; None without the slope of the open-circuit voltage
    loss_U_percent_per_month: float | None
    relaxation_V: float | None  # what faded away and is no leakage, from the first reading that counts on
    rested_days: float
    text: str


def retention(
    t_s: FloatArray,
    voltage_V: FloatArray,
    measurement: Measurement,
    slope_V_per_share: float | None = None,
    slope_u_V_per_share: float = 0.0,
    temperature_degC: FloatArray | None = None,
) -> Retention:
    """Return the self-discharge that days of rest show.

    Args:
        t_s: Time since the rest began, in second, shape (n,), rising.
        voltage_V: Open-circuit voltage, shape (n,); NaN where there was no reading.
        measurement: Specification of the bench. Gain and offset cancel in a fall within one run, except for their
            drift, taken as a tenth of the offset over the run (common practice); resolution and noise stay.
        slope_V_per_share: Slope of the open-circuit voltage against charge at this voltage, in volt per unit of
            charge state; turns the fall into a loss of charge.
        slope_u_V_per_share: Its standard uncertainty.
        temperature_degC: Temperatures, shape (n,): a change of the room moves the voltage as well.

    Returns:
        Rates with expanded uncertainties (k = 2), and a verdict. Without a day beyond the first 24 h, or with an
        uncertainty too wide to tell a soft short from a good cell: too early to say.

    Raises:
        AnalysisError: shapes differ or times do not rise.

    Source:
        Common practice: 24 h of waiting, 5 mV a day as the limit. Least squares: JCGM 100:2008 (GUM), Annex H.3.
    """
    if t_s.shape != voltage_V.shape or t_s.ndim != 1:
        raise AnalysisError(f"retention: {t_s.shape} times and {voltage_V.shape} voltages; the shapes must agree")
    good = np.isfinite(t_s) & np.isfinite(voltage_V)
    t, v = t_s[good], voltage_V[good]
    if t.size and not (np.diff(t) > 0).all():
        raise AnalysisError("retention: times must rise")
    span_s = float(t[-1] - t[0]) if t.size else 0.0
    days = span_s / DAY_S
    late = t >= (t[0] if t.size else 0.0) + WAIT_S
    if span_s < WAIT_S + LEAST_AFTER_S or np.count_nonzero(late) < 12:
        left_h = max(0.0, (WAIT_S + LEAST_AFTER_S - span_s) / 3600)
        return Retention(
            "too early to say", None, None, None, None, None, days,
            f"{days:.1f} days of rest: the first day is relaxation, and one more day is the least; "
            f"leave it for another {max(left_h, 1):.0f} h",
        )  # fmt: skip
    x, y = _daily(t[late], v[late])
    fall, u_fit, faded = _line_beside_fading(x, y)
    length_days = float(x[-1] - x[0])
    warmth = None if temperature_degC is None else temperature_degC[good][late]
    u_room, note = _of_the_room(warmth, length_days)
    u_meter, u_gain = _of_the_meter(measurement, length_days), standard_relative(measurement.voltage) * abs(fall)
    U = 2 * float(np.sqrt(u_fit**2 + u_meter**2 + u_gain**2 + u_room**2))
    loss = loss_U = None
    if slope_V_per_share is not None and slope_V_per_share > 0:
        loss = fall / slope_V_per_share * MONTH_DAYS * 100
        relative = slope_u_V_per_share / slope_V_per_share
        loss_U = float(np.hypot(U / slope_V_per_share * MONTH_DAYS * 100, 2 * relative * loss))
    verdict, words = _judged(fall, U, note)
    return Retention(verdict, fall, U, loss, loss_U, faded, days, words)


def _of_the_meter(measurement: Measurement, length_days: float) -> float:
    """Return the standard uncertainty of a fall by the voltmeter's drift and resolution, V a day."""
    return float(
        np.hypot(
            measurement.voltage.offset * 0.1 / np.sqrt(3.0),
            measurement.voltage.resolution / np.sqrt(12.0) * np.sqrt(2.0),
        )
        / length_days
    )


def _of_the_room(warmth_degC: FloatArray | None, length_days: float) -> tuple[float, str]:
    """Return the standard uncertainty of a fall by the room's warmth, V a day, and what is to be said of it."""
    known = np.empty(0) if warmth_degC is None else warmth_degC[np.isfinite(warmth_degC)]
    if known.size < 4:
        return 0.0, ""
    third = max(1, known.size // 3)
    drift_K = abs(float(np.mean(known[-third:]) - np.mean(known[:third])))
    note = f"; the room drifted by {drift_K:.1f} K, which moves the voltage too" if drift_K > 3 else ""
    return float(0.0003 * drift_K / np.sqrt(3.0) / length_days), note  # up to 0.3 mV/K: common practice


def _judged(fall: float, U: float, note: str) -> tuple[Verdict, str]:
    """Return the verdict on a fall with its U (k = 2), V a day, and its words."""
    rate = f"{fall * 1000:.2f} mV a day (U {U * 1000:.2f} mV, k = 2) after the first day" + note
    if fall - U > SOFT_SHORT_V_PER_DAY:
        return "soft short suspected: quarantine", f"it falls by {rate}: more than 5 mV suggests a soft short"
    if fall + U <= SOFT_SHORT_V_PER_DAY:
        return "keeps its charge", f"it falls by {rate}"
    if fall > SOFT_SHORT_V_PER_DAY:
        return "suspicious", f"it falls by {rate}: about the limit of 5 mV; keep it apart and go on measuring"
    return "too early to say", f"{rate}: too wide to tell a good cell from a soft short; go on measuring"


def _daily(t: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Average into at most 600 equal stretches of time; x in days from the first."""
    x = (t - t[0]) / DAY_S
    cells = min(600, t.size)
    at = np.minimum((x / x[-1] * cells).astype(np.int64), cells - 1)
    counts = np.bincount(at, minlength=cells)
    full = counts > 0
    return (
        np.bincount(at, x, cells)[full] / counts[full],
        np.bincount(at, v, cells)[full] / counts[full],
    )


def _line_beside_fading(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """Fit y = a - fall x (+ b exp(-x/tau)): fall and its standard uncertainty per day, and the faded part in volt.

    The exponential is kept when it improves the fit beyond noise. Its time constant is scanned, and the spread of the
    falls that fit about as well counts as uncertainty: over few days leakage and slow relaxation look alike.
    """
    n = y.size
    fits: list[tuple[float, float, float, float]] = []  # square, fall, variance, faded
    candidates = [None, *np.geomspace(0.15, max(0.2, float(x[-1]) * 0.75), 24).tolist()]
    for tau in candidates:
        columns = [np.ones_like(x), -x] if tau is None else [np.ones_like(x), -x, np.exp(-x / tau)]
        matrix = np.column_stack(columns)
        coefficients, *_ = np.linalg.lstsq(matrix, y, rcond=None)
        error = matrix @ coefficients - y
        square = max(float(error @ error), n * 1e-14)
        # Neighbouring stretches are not independent: the room's and the meter's wander is slow.
        follow = float(np.clip(np.sum(error[1:] * error[:-1]) / square, 0.0, 0.95))
        inflate = (1 + follow) / (1 - follow)
        variance = float(np.linalg.pinv(matrix.T @ matrix)[1, 1]) * square / max(n - len(columns) - 1, 1) * inflate
        faded = 0.0 if tau is None else float(coefficients[2] * (1 - np.exp(-x[-1] / tau)))
        fits.append((square, float(coefficients[1]), variance, faded))
    line, best = fits[0], min(fits[1:], key=lambda fit: fit[0])
    if n * np.log(line[0] / best[0]) < 10.0:  # two more numbers must earn it (Akaike weight beyond 1:20)
        return line[1], float(np.sqrt(line[2])), 0.0
    scale = best[0] / max(n - 4, 1)
    near = [fit for fit in fits[1:] if fit[0] <= best[0] + 4.0 * scale]
    spread = (max(fit[1] for fit in near) - min(fit[1] for fit in near)) / np.sqrt(12.0)
    return best[1], float(np.sqrt(best[2] + spread**2)), best[3]
