"""The temperature axis of a cell's resistance: brought from one temperature to another, with what that leaves open.

Arrhenius' law. Its energy is taken from the cell's own runs where their temperatures lie apart, weighed against a
stated prior; else it is the prior. So a value measured at 12 °C can stand beside one at 26 °C, with a U that says how
little is known of the step. Pure. Ohm, degC, J/mol.

Caveats: one energy for all of a resistance, though contacts hardly change with temperature and charge transfer changes
twice as much as the electrolyte; the prior's U spans these. Below 0 °C nothing here was held against a measurement.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

GAS_J_PER_MOL_K = 8.314462618  # SI
ZERO_DEGC_K = 273.15
COLD_J_PER_MOL = 17.1e3  # of resistance against cold: conductivity of LiPF6 in EC:DMC, Ecker et al. 2015, JES 162 A1836
COLD_U_J_PER_MOL = 12e3  # k = 2: metal and contacts hardly grow, charge transfer by 44 to 53 kJ/mol (the same paper)
STATED_degC = 20.0  # at which cells are put side by side
APART_K = 5.0  # of two runs' temperatures, before they say anything of the energy
REPEAT_SHARE = 0.04  # k = 2: of one cell's resistance from run to run, contacts included (common practice)
MOST_AWAY_K = 25.0  # further away nothing is converted


class WarmthLaw(NamedTuple):
    """How resistance falls with temperature."""

    J_per_mol: float = COLD_J_PER_MOL
    U_J_per_mol: float = COLD_U_J_PER_MOL  # k = 2
    source: Literal["prior", "runs"] = "prior"


@dataclass(frozen=True, slots=True)
class AtTemperature:
    """A resistance at another temperature than its own. `U_ohm`: k = 2, with that of the step."""

    ohm: float
    U_ohm: float
    temperature_degC: float
    measured_degC: float
    source: Literal["measured", "prior", "runs"]


def law_of(values: Sequence[tuple[float, float, float]]) -> WarmthLaw:
    """Return the law of one cell from like resistances of its runs.

    Args:
        values: (temperature in degC, resistance in ohm above 0, its U with k = 2), one a run.

    Returns:
        The prior, where no two temperatures lie `APART_K` apart; else the weighted mean of the prior and of the slope
        of ln R against 1/(RT).

    Source: weighted least squares and the weighted mean of an expected and a measured value, JCGM 100:2008, H.3 and
        4.2 (a straight line through ln R, Arrhenius' law).
    """
    usable = [(degC, ohm, U) for degC, ohm, U in values if ohm > 0 and math.isfinite(degC) and math.isfinite(U)]
    if len(usable) < 2 or max(v[0] for v in usable) - min(v[0] for v in usable) < APART_K:
        return WarmthLaw()
    x = [1.0 / (GAS_J_PER_MOL_K * (degC + ZERO_DEGC_K)) for degC, _, _ in usable]
    y = [math.log(ohm) for _, ohm, _ in usable]
    weight = [(math.hypot(U / ohm, REPEAT_SHARE) / 2) ** -2 for _, ohm, U in usable]
    total = math.fsum(weight)
    middle = math.fsum(w * a for w, a in zip(weight, x, strict=True)) / total
    spread = math.fsum(w * (a - middle) ** 2 for w, a in zip(weight, x, strict=True))
    found = math.fsum(w * (a - middle) * b for w, a, b in zip(weight, x, y, strict=True)) / spread
    own, prior = spread, (COLD_U_J_PER_MOL / 2) ** -2
    return WarmthLaw((own * found + prior * COLD_J_PER_MOL) / (own + prior), 2 * (own + prior) ** -0.5, "runs")


def at_temperature(
    ohm: float, U_ohm: float, measured_degC: float | None, at_degC: float = STATED_degC, law: WarmthLaw | None = None
) -> AtTemperature | None:
    """Return a resistance at another temperature; None where its own is not known or lies too far away.

    Args:
        ohm, U_ohm: As measured; U with k = 2.
        measured_degC: Of the cell, when it was measured.
        at_degC: Wanted.
        law: Of the cell; None: the prior.

    Source: Arrhenius' law; the energy's U through its derivative, JCGM 100:2008, 5.1.2.
    """
    if measured_degC is None or not math.isfinite(measured_degC) or abs(measured_degC - at_degC) > MOST_AWAY_K:
        return None
    law = law or WarmthLaw()
    step = (1.0 / (at_degC + ZERO_DEGC_K) - 1.0 / (measured_degC + ZERO_DEGC_K)) / GAS_J_PER_MOL_K
    there = ohm * math.exp(law.J_per_mol * step)
    U = there * math.hypot(U_ohm / ohm, law.U_J_per_mol * step) if ohm > 0 else U_ohm
    source = "measured" if abs(measured_degC - at_degC) < 1.0 else law.source
    return AtTemperature(there, U, at_degC, measured_degC, source)
