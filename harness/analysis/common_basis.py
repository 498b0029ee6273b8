"""Capacity on a common basis: runs at other rates or temperatures brought to one, as an estimate.

Only where the data carry it: two runs of one cell at different currents give the exponent of
Peukert's law; two at different temperatures a coefficient. Never a certificate's figure.
Units: Ah, A, degC.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.errors import AnalysisError


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
    if len(points) < 2 or not current_A > 0:
        raise AnalysisError(f"{len(points)} run(s): a common basis needs two or more complete discharges of one cell")
    currents = np.array([point.current_A for point in points])
    capacities = np.array([point.capacity_Ah for point in points])
    if not ((currents > 0).all() and (capacities > 0).all()):
        raise AnalysisError("each run needs a current and a capacity above 0")
    by_rate = float(currents.max() / currents.min()) > 1.2
    temperatures = np.array([math.nan if p.temperature_degC is None else p.temperature_degC for p in points])
    known = np.isfinite(temperatures).all()
    by_temperature = bool(known and temperature_degC is not None and float(np.ptp(temperatures)) > 5.0)
    if not (by_rate or by_temperature):
        raise AnalysisError("the runs were made at nearly the same current and temperature: they carry no common basis")
    if by_rate and not currents.min() / 1.5 <= current_A <= currents.max() * 1.5:
        raise AnalysisError(
            f"{current_A:g} A is too far from the {currents.min():g} to {currents.max():g} A of the runs to estimate at"
        )
    columns = [np.ones(len(points))]
    target = [1.0]
    if by_rate:
        columns.append(np.log(currents / current_A))
        target.append(0.0)
    if by_temperature and temperature_degC is not None:
        columns.append(temperatures - temperature_degC)
        target.append(0.0)
    if len(points) < len(columns):
        raise AnalysisError(f"{len(points)} runs cannot carry both rate and temperature; {len(columns)} are needed")
    matrix = np.column_stack(columns)
    if np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        raise AnalysisError("rate and temperature changed together in these runs: they cannot be told apart")
    y = np.log(capacities)
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
    )
