"""Capacity on a common basis: runs at other rates or temperatures brought to one, as an estimate.

Only where the data carry it: two runs of one cell at different currents give the exponent of
Peukert's law; two at different temperatures a coefficient. Never a certificate's figure.
Units: Ah, A, degC.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import AnalysisError

AT_CURRENT = 0.05  # of the reference: a run within this is at it, and is not converted
AT_K = 5.0  # so too a run within this of the reference temperature
# What is not converted, or converted by a law that only nearly holds, widens the uncertainty (half-widths of a
# rectangle, as a share of the capacity; common practice: they bound what sound cells do near room temperature).
RATE_SHARE = 0.10  # for each e-fold of current between a run and the reference, not converted
MODEL_SHARE = 0.03  # so too for the nearest run, converted by the law
SLOPE = 1.5  # of the law's own slope instead, if that is more
EXPONENTS = (0.97, 1.08)  # beyond, the cut-off meets a knee or the cell changed: no law of rate (common practice)
UPWARDS = 1.05  # of the highest current run: what comes above it may be a knee that no run has seen
WARMTH_SHARE_PER_K = 0.005  # not converted
WARMTH_KNOWN_K = 1.0  # how well a bench knows the cell's temperature: added to each difference


@dataclass(frozen=True)
class RunPoint:
    """One complete discharge of one cell."""

    capacity_Ah: float
    capacity_U_Ah: float
    current_A: float  # magnitude
    temperature_degC: float | None


@dataclass(frozen=True)
class CommonBasis:
    """A capacity estimated at the reference current and temperature. `estimate` is always true."""

    capacity_Ah: float
    capacity_U_Ah: float
    current_A: float
    temperature_degC: float | None
    exponent: float | None
    per_K: float | None
    text: str
    estimate: bool = True
    converted: bool = True  # False: a run made there stands for it as it is, with an allowance
    runs: int = 0


def allowance(current_ratio: float, difference_K: float | None, share: float = RATE_SHARE) -> float:
    """Return U (k = 2) as a share of the capacity for a run that is not quite at the conditions wanted.

    Args:
        current_ratio: Current of the run over that wanted, above 0.
        difference_K: Temperature of the run minus that wanted; None: no temperature is asked for.
        share: Half-width of the rectangle for each e-fold of current.

    Raises:
        AnalysisError: the ratio is not above 0.

    Source: JCGM 100:2008, 4.3.7 (rectangle); the half-widths are common practice.
    """
    if not (math.isfinite(current_ratio) and current_ratio > 0):
        raise AnalysisError("two currents above 0 are needed to compare conditions")
    by_rate = share * abs(math.log(current_ratio))
    by_warmth = WARMTH_SHARE_PER_K * abs(difference_K or 0.0)
    return 2.0 / math.sqrt(3.0) * math.hypot(by_rate, by_warmth)


def on_basis(points: Sequence[RunPoint], current_A: float, temperature_degC: float | None = None) -> CommonBasis:
    """Give a cell's capacity at reference conditions: a run made there as it is, else an estimate from its runs.

    Args:
        points: Complete discharges of one cell to one cut-off, oldest first, one at least.
        current_A: Reference current (magnitude).
        temperature_degC: Reference temperature; None: no temperature is asked for.

    Returns:
        The capacity with a U wider than that of the runs it stands on: the allowance for what was not converted, and
        for the law being nearly true, is added in squares.

    Raises:
        AnalysisError: no run was made there and the runs do not carry the estimate (see `to_common_basis`), a run's
            temperature is not known while one is asked for, or lies too far from it without a second temperature.

    Source: as `to_common_basis`; JCGM 100:2008, 5.1.2 (sum in squares); the allowances are common practice.
    """
    points = _placed(points, temperature_degC)
    there = _made_there(points, current_A, temperature_degC)
    if there is not None:
        return there
    if len(points) == 1:
        point = points[0]
        raise AnalysisError(
            f"its only run was made at {_conditions(point.current_A, point.temperature_degC)}, the basis is "
            f"{_conditions(current_A, temperature_degC)}: another run at another current or temperature would tell"
        )
    warmths = [point.temperature_degC for point in points if point.temperature_degC is not None]
    if temperature_degC is None and warmths and max(warmths) - min(warmths) > AT_K:
        raise AnalysisError("the runs were made at different temperatures, and the basis names none")
    found = to_common_basis(points, current_A, temperature_degC)
    off_K = None if temperature_degC is None else _off_all(warmths, temperature_degC, found.per_K is not None)
    nearest_A = min((point.current_A for point in points), key=lambda value: abs(math.log(value / current_A)))
    share = _share_left(points, current_A, found.exponent, nearest_A)
    wide = allowance(nearest_A / current_A, _wide(off_K), share)
    return replace(
        found,
        capacity_U_Ah=math.hypot(found.capacity_U_Ah, found.capacity_Ah * wide),
        temperature_degC=temperature_degC,
        runs=len(points),
    )


def _placed(points: Sequence[RunPoint], temperature_degC: float | None) -> Sequence[RunPoint]:
    """Return the runs that can be placed: where a temperature is asked for, those that have one."""
    if not points:
        raise AnalysisError("no complete discharge from a full start to this cut-off")
    if temperature_degC is None:
        return points
    known = [point for point in points if point.temperature_degC is not None]
    if not known:
        raise AnalysisError("the cell's temperature was not recorded, so nothing ties its runs to the basis")
    return known


def _made_there(points: Sequence[RunPoint], current_A: float, temperature_degC: float | None) -> CommonBasis | None:
    """Return what the newest run at the reference gave, as it is; None where there is none."""
    if not current_A > 0:
        return None
    for point in reversed(points):
        off_K = _off_K(point, temperature_degC)
        if abs(point.current_A / current_A - 1.0) <= AT_CURRENT and abs(off_K or 0.0) <= AT_K:
            U = math.hypot(
                point.capacity_U_Ah, point.capacity_Ah * allowance(point.current_A / current_A, _wide(off_K))
            )
            text = f"A run at {point.current_A:.3g} A stands for it as it is, with an allowance for the difference."
            return CommonBasis(
                point.capacity_Ah, U, current_A, temperature_degC, None, None, text, converted=False, runs=1
            )
    return None


def _off_all(warmths: Sequence[float], temperature_degC: float, fitted: bool) -> float:
    """Return how far from the reference temperature the estimate stands, K.

    Args:
        warmths: Of the runs.
        temperature_degC: The reference.
        fitted: The runs gave a coefficient: what is left is how far it lies beyond them, else the whole difference.

    Raises:
        AnalysisError: it lies too far from the runs.
    """
    low, high = min(warmths), max(warmths)
    beyond = max(low - temperature_degC, temperature_degC - high, 0.0)
    if beyond > AT_K:
        raise AnalysisError(
            f"{temperature_degC:g} degC is too far from the {low:.3g} to {high:.3g} degC of the runs to estimate at"
        )
    if fitted:
        return beyond
    off = max(abs(value - temperature_degC) for value in warmths)
    if off > AT_K:
        raise AnalysisError(
            f"a run at {low if temperature_degC - low > AT_K else high:.3g} °C is too far from "
            f"{temperature_degC:g} degC, and the others carry no coefficient"
        )
    return off


def _share_left(points: Sequence[RunPoint], current_A: float, exponent: float | None, nearest_A: float) -> float:
    """Return the half-width for each e-fold of current that the estimate leaves open, as a share of the capacity.

    Raises:
        AnalysisError: the reference lies too far above the runs, or their capacities follow no law of rate.
    """
    if exponent is None:
        if max(abs(point.current_A / current_A - 1.0) for point in points) > AT_CURRENT:
            raise AnalysisError(
                f"every run was made at about {nearest_A:.3g} A: they carry no step to {current_A:.3g} A"
            )
        return RATE_SHARE
    highest = max(point.current_A for point in points)
    if current_A > UPWARDS * highest:
        raise AnalysisError(
            f"{current_A:.3g} A is too far above the {highest:.3g} A of the runs: the capacity may fall off there"
        )
    if not EXPONENTS[0] <= exponent <= EXPONENTS[1]:
        raise AnalysisError(
            f"the capacity changes with the current by more than a rate law carries (exponent {exponent:.2f}, "
            f"{EXPONENTS[0]:g} to {EXPONENTS[1]:g} is believed)"
        )
    # the steeper the step between the runs, the less a straight line through them is to be trusted between and beyond
    return max(MODEL_SHARE, SLOPE * abs(exponent - 1.0))


def _wide(off_K: float | None) -> float | None:
    return None if off_K is None else abs(off_K) + WARMTH_KNOWN_K


def _conditions(current_A: float, temperature_degC: float | None) -> str:
    return f"{current_A:.3g} A" + ("" if temperature_degC is None else f" and {temperature_degC:.3g} °C")


def _off_K(point: RunPoint, temperature_degC: float | None) -> float | None:
    if temperature_degC is None or point.temperature_degC is None:
        return None
    return point.temperature_degC - temperature_degC


def to_common_basis(points: Sequence[RunPoint], current_A: float, temperature_degC: float | None = None) -> CommonBasis:
    """Estimate a cell's capacity at a reference current and temperature from its own runs.

    Args:
        points: Complete discharges of one cell, at least two.
        current_A: Reference current (magnitude).
        temperature_degC: Reference temperature; None: not brought to one.

    Raises:
        AnalysisError: the runs do not span a range that carries the estimate: currents within
            20 % of each other (and temperatures within 5 K), or the reference lies beyond the range
            of currents by more than a factor of 1.5.

    Source: W. Peukert, Elektrotechnische Zeitschrift 20 (1897) 287: C = C0*(I/I0)^(1-n); the
        temperature term is common practice.
    """
    by_rate, by_temperature = _carried(points, current_A, temperature_degC)
    columns = [np.ones(len(points))]
    if by_rate:
        columns.append(np.log(np.array([point.current_A for point in points]) / current_A))
    if by_temperature and temperature_degC is not None:
        columns.append(_temperatures(points) - temperature_degC)
    if len(points) < len(columns):
        raise AnalysisError(f"{len(points)} runs cannot carry both rate and temperature; {len(columns)} are needed")
    matrix = np.column_stack(columns)
    if np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        raise AnalysisError("rate and temperature changed together in these runs: their effects cannot be separated")
    y = np.log(np.array([point.capacity_Ah for point in points]))
    solution, *_ = np.linalg.lstsq(matrix, y, rcond=None)
    inverse = np.linalg.pinv(matrix)
    relative_U = np.array([point.capacity_U_Ah / point.capacity_Ah for point in points])
    # gain errors of one bench are common to all runs: add the weights' sum, not their squares
    common = float(np.abs(inverse[0]) @ relative_U)
    freedom = len(points) - len(columns)
    residual = y - matrix @ solution
    scatter = 2 * math.sqrt(float(residual @ residual) / freedom * float(inverse[0] @ inverse[0])) if freedom else 0.0
    value = math.exp(float(solution[0]))
    exponent = 1.0 - float(solution[1]) if by_rate else None
    per_K = float(solution[-1]) if by_temperature else None
    where = f"{current_A:g} A" + (f" and {temperature_degC:g} degC" if by_temperature else "")
    return CommonBasis(
        value,
        value * math.hypot(common, scatter),
        current_A,
        temperature_degC if by_temperature else None,
        exponent,
        per_K,
        f"Estimated at {where} from {len(points)} runs of this cell; not a measured capacity.",
        runs=len(points),
    )


def _temperatures(points: Sequence[RunPoint]) -> FloatArray:
    """Return the temperatures of runs, shape (n,), NaN where one is not known."""
    return np.array([math.nan if p.temperature_degC is None else p.temperature_degC for p in points])


def _carried(points: Sequence[RunPoint], current_A: float, temperature_degC: float | None) -> tuple[bool, bool]:
    """Return whether runs carry a change of the current, and one of the temperature.

    Raises:
        AnalysisError: neither, or the reference lies too far from them.
    """
    if len(points) < 2 or not current_A > 0:
        raise AnalysisError(f"{len(points)} run(s): a common basis needs two or more complete discharges of one cell")
    currents = np.array([point.current_A for point in points])
    if not ((currents > 0).all() and all(point.capacity_Ah > 0 for point in points)):
        raise AnalysisError("each run needs a current and a capacity above 0")
    by_rate = float(currents.max() / currents.min()) > 1.2
    temperatures = _temperatures(points)
    known = np.isfinite(temperatures).all()
    by_temperature = bool(known and temperature_degC is not None and float(np.ptp(temperatures)) > 5.0)
    if not (by_rate or by_temperature):
        raise AnalysisError("the runs were made at nearly the same current and temperature: they carry no common basis")
    if by_rate and not currents.min() / 1.5 <= current_A <= currents.max() * 1.5:
        raise AnalysisError(
            f"{current_A:g} A is too far from the {currents.min():g} to {currents.max():g} A of the runs to estimate at"
        )
    return by_rate, by_temperature
