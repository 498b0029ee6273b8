"""Charge metrics: how a charge went, and what came back of it.

Shares of constant current and constant voltage, the taper's time constant, efficiency over a
cycle, fade over repeated runs. Units: A, V, Ah, Wh, s; current positive into the cell.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.integration import Totals, largest_current_A
from amphora.harness.analysis.phases import Phase
from amphora.harness.analysis.records import FloatArray, Record
from amphora.harness.common.errors import AnalysisError


@dataclass(frozen=True)
class ExponentialTaper:
    """I(t) = floor + amplitude * exp(-t/tau) over the constant-voltage part."""

    tau_s: float
    amplitude_A: float
    floor_A: float
    residual_A: float  # standard deviation


@dataclass(frozen=True)
class ChargeMetrics:
    """How one charge went. Shares are of the charge accepted; None where there is no such part."""

    charge_Ah: float
    energy_Wh: float
    constant_current_share: float
    constant_voltage_share: float
    held_voltage_V: float | None
    end_current_A: float
    tapered: bool
    taper: ExponentialTaper | None


def charge_metrics(record: Record, totals: Totals, phase: Phase) -> ChargeMetrics:
    """Return how a charge went.

    The constant-voltage part begins where the voltage first stays within 0.5 % of what it is held
    at and the current falls below 0.97 of the main current.

    Args:
        record: Readings, shape (n,) each.
        totals: Running totals of the same record.
        phase: A charge of it.

    Raises:
        AnalysisError: the phase is a discharge.

    Source: common practice for constant-current, constant-voltage charging; IEC 61960-3, 7.2
        leaves the charge to the maker's method.
    """
    if phase.kind != "charge":
        raise AnalysisError("charge metrics need a charge, not a discharge")
    rows = np.arange(phase.first_row, phase.last_row + 1)
    small = 0.003 * largest_current_A(record.current_A[rows])
    rows = rows[record.current_A[rows] > small]
    accepted_Ah = abs(phase.end_Ah - phase.begin_Ah)
    energy_Wh = abs(float(totals.energy_Wh[phase.last_row] - totals.energy_Wh[phase.first_row]))
    if rows.size < 3:
        end_A = float(record.current_A[rows[-1]]) if rows.size else 0.0
        return ChargeMetrics(accepted_Ah, energy_Wh, 1.0, 0.0, None, end_A, False, None)
    current, voltage, t_s = record.current_A[rows], record.voltage_V[rows], record.t_s[rows]
    top_V = float(np.quantile(voltage, 0.98))
    full_A = float(np.quantile(current, 0.9)) if phase.main_current_A <= 0 else phase.main_current_A
    near = voltage >= top_V * 0.995
    falling = current < 0.97 * full_A
    held = near & falling
    end_A = float(np.median(current[-3:])) if rows.size >= 3 else float(current[-1])
    if not held.any():
        return ChargeMetrics(accepted_Ah, energy_Wh, 1.0, 0.0, None, end_A, False, None)
    # from the last reading that is not held, on
    not_held = np.flatnonzero(~held)
    begin = int(not_held[-1]) + 1 if not_held.size else 0
    if rows.size - begin < 3:
        begin = int(np.flatnonzero(held)[0])
    held_Ah = abs(phase.end_Ah - float(totals.charge_Ah[rows[begin]]))
    share = min(1.0, held_Ah / accepted_Ah) if accepted_Ah > 0 else 0.0
    fit = fit_taper(t_s[begin:], current[begin:]) if rows.size - begin >= 8 else None
    tapered = end_A < 0.35 * full_A and share > 0
    return ChargeMetrics(
        accepted_Ah, energy_Wh, 1.0 - share, share, float(np.median(voltage[begin:])), end_A, tapered, fit
    )


def fit_taper(t_s: FloatArray, current_A: FloatArray) -> ExponentialTaper | None:
    """Fit a falling exponential with a floor to the current of the constant-voltage part.

    Args:
        t_s: Times, shape (n,), n >= 8, rising.
        current_A: Currents, shape (n,).

    Returns:
        The fit, or None where no falling exponential fits.

    Raises:
        AnalysisError: shapes differ, or n < 8.

    Source: common practice; variable projection over the time constant (Golub and Pereyra 1973).
    """
    if t_s.shape != current_A.shape or t_s.size < 8:
        raise AnalysisError("a taper fit needs 8 or more readings of time and current")
    stride = max(1, t_s.size // 2000)
    t, y = t_s[::stride] - t_s[0], current_A[::stride]
    span = float(t[-1])
    if span <= 0 or float(np.ptp(y)) <= 0:
        return None

    def solve(tau: float) -> tuple[float, float, float]:
        basis = np.column_stack((np.exp(-t / tau), np.ones(t.size)))
        solution, *_ = np.linalg.lstsq(basis, y, rcond=None)
        rest = float(np.sum((y - basis @ solution) ** 2))
        return rest, float(solution[0]), float(solution[1])

    from scipy import optimize

    found = optimize.minimize_scalar(
        lambda log_tau: solve(math.exp(log_tau))[0],
        bounds=(math.log(span / 100), math.log(span * 20)),
        method="bounded",
    )
    tau = math.exp(float(found.x))
    rest, amplitude, floor = solve(tau)
    if amplitude <= 0:
        return None
    return ExponentialTaper(tau, amplitude, floor, math.sqrt(rest / max(1, t.size - 3)))


@dataclass(frozen=True)
class CycleEfficiency:
    """Charge and energy that came back of what went in; the charge precedes the discharge."""

    coulombic: float
    energy: float
    coulombic_U: float


def cycle_efficiency(
    charged_Ah: float,
    charged_Wh: float,
    discharged_Ah: float,
    discharged_Wh: float,
    current_gain_cancels_U: float = 0.0,
) -> CycleEfficiency:
    """Return the efficiencies of one cycle that began and ended at the same state.

    The current's gain error cancels when one instrument measured both; `current_gain_cancels_U`
    is the relative expanded uncertainty of what does not cancel.

    Raises:
        AnalysisError: nothing was charged.

    Source: reference sheet 10.6; IEC 62660-1 names the energy efficiency this way (memory).
    """
    if not (charged_Ah > 0 and charged_Wh > 0):
        raise AnalysisError("nothing was charged; an efficiency needs a charge before the discharge")
    ratio = discharged_Ah / charged_Ah
    return CycleEfficiency(ratio, discharged_Wh / charged_Wh, ratio * current_gain_cancels_U)


@dataclass(frozen=True)
class Trend:
    """A straight line through figures of repeated runs: relative change for each run, with its U (95 %)."""

    per_run: float
    per_run_U: float | None
    first: float
    last: float
    runs: int
    significant: bool


def trend(values: Sequence[float], expanded_U: Sequence[float] | None = None) -> Trend:
    """Return how a figure (capacity, resistance) changed over repeated runs of one cell.

    Args:
        values: One figure for each run, in order, at least 2.
        expanded_U: U (k = 2) of each; None: judged by the scatter about the line alone, with Student's t (95 %).

    Raises:
        AnalysisError: fewer than two runs, a value that is not finite or not above 0.

    Source: JCGM 100:2008, H.3 (straight line by least squares), G.3 (Student's t).
    """
    y = np.asarray(values, float)
    if y.size < 2 or not np.isfinite(y).all() or not (y > 0).all():
        raise AnalysisError("a trend needs two or more runs, each with a figure above 0")
    x = np.arange(y.size, dtype=float)
    centred = x - x.mean()
    slope = float(centred @ y / (centred @ centred))
    level = float(y.mean())
    u_slope: float | None = None
    if y.size >= 3:
        residual = y - level - slope * centred
        u_slope = math.sqrt(float(residual @ residual) / (y.size - 2) / float(centred @ centred))
    if expanded_U is not None:
        u = np.asarray(expanded_U, float) / 2
        given = math.sqrt(float(np.sum((centred * u) ** 2))) / float(centred @ centred)
        u_slope = given if u_slope is None else max(given, u_slope)
    k = 2.0
    if expanded_U is None and u_slope is not None:  # a few runs tell little of their own scatter
        from scipy.stats import t as student

        k = float(student.ppf(0.975, y.size - 2))
    U = None if u_slope is None else k * u_slope / level
    return Trend(slope / level, U, float(y[0]), float(y[-1]), int(y.size), U is not None and abs(slope / level) > U)


AGREE = 0.02  # two passes of one cell (common practice)
NICKEL_AGREE = 0.05  # a nickel cell that has lain for long needs some cycles to settle (common practice)


def passes_agree(
    first_Ah: float, second_Ah: float, chemistry: str, what: str = "Two passes"
) -> tuple[bool, float, str]:
    """Tell whether two passes of one cell agree: within 2 % of each other, nickel cells within 5 %.

    Args:
        first_Ah: Capacity of the earlier pass.
        second_Ah: Capacity of the later pass.
        chemistry: Key of the chemistry.
        what: How the sentence names the two.

    Returns:
        Whether they do, the relative difference, and a sentence.

    Raises:
        AnalysisError: a capacity is not above 0.

    Source: common practice (2 %, nickel 5 %); IEC 61951-2 and 61960-3 allow up to five cycles (reference
        sheet 1.1.6, 1.2.2).
    """
    if not (first_Ah > 0 and second_Ah > 0):
        raise AnalysisError("two capacities above 0 are needed to compare passes")
    difference = (second_Ah - first_Ah) / first_Ah
    nickel = chemistry in ("nimh", "nicd")
    size = abs(difference)
    limit = NICKEL_AGREE if nickel else AGREE
    if size <= AGREE:
        return True, difference, f"{what} agree within {100 * size:.1f} %."
    pair = f"{1000 * first_Ah:.0f} and {1000 * second_Ah:.0f} mAh"
    if size <= limit:
        return (
            True,
            difference,
            f"{what} differ by {100 * difference:+.1f} % ({pair}): within the 5 % of a nickel cell that has not "
            "settled; it may need up to five passes.",
        )
    more = "A nickel cell may need up to five passes." if nickel else "Do another one before you rely on either."
    return (
        False,
        difference,
        f"{what} differ by {100 * difference:+.1f} % ({pair}), more than {100 * limit:.0f} %. {more}",
    )
