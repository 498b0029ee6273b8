"""The voltage at rest over the share of charge, by chemistry: the curves of the simulated cells, in volt.

Each says where it is from; what is from memory says so.
"""

import itertools
import math
from collections.abc import Callable

SOC_LOW, SOC_HIGH = -0.10, 1.10
GRID = 2000


def ocv_chen_rincon_mora(z: float) -> float:
    """Return the OCV of a polymer Li-ion cell, V.

    Source: Chen & Rincon-Mora 2006, IEEE Trans. Energy Convers. 21(2) 504-511 (-0.1178 z^2).
    """
    return -1.031 * math.exp(-35.0 * z) + 3.685 + 0.2156 * z - 0.1178 * z * z + 0.3201 * z**3


def ocp_graphite(x: float) -> float:
    """Return the graphite-SiOx half-cell potential, V. Source: Chen et al. 2020, JES 167 080534."""
    return (
        1.9793 * math.exp(-39.3631 * x)
        + 0.2482
        - 0.0909 * math.tanh(29.8538 * (x - 0.1234))
        - 0.04478 * math.tanh(14.9159 * (x - 0.2769))
        - 0.0205 * math.tanh(30.4444 * (x - 0.6103))
    )


def ocp_nmc811(y: float) -> float:
    """Return the NMC811 half-cell potential, V. Source: Chen et al. 2020, JES 167 080534."""
    return (
        -0.8090 * y
        + 4.4875
        - 0.0428 * math.tanh(18.5138 * (y - 0.5542))
        - 17.7326 * math.tanh(15.7890 * (y - 0.3117))
        + 17.5842 * math.tanh(15.9308 * (y - 0.3120))
    )


def ocv_nmc(z: float) -> float:
    """Return the NMC811/graphite full-cell OCV, V; limits of stoichiometry from memory."""
    return ocp_nmc811(0.9084 + (0.2661 - 0.9084) * z) - ocp_graphite(0.0279 + (0.9014 - 0.0279) * z)


def ocp_lfp(y: float) -> float:
    """Return the LFP half-cell potential, V. Source: Afshar et al., arXiv 1709.03970."""
    return 3.4077 - 0.020269 * y + 0.5 * math.exp(-150.0 * y) - 0.9 * math.exp(-30.0 * (1.0 - y))


LFP_AT_REST = (  # LFP/graphite at rest; papers, from memory. The steep ends: the half cell above less graphite
    (0.0, 2.500), (0.01, 2.760), (0.02, 2.920), (0.03, 3.010), (0.05, 3.110), (0.07, 3.160), (0.10, 3.200),
    (0.15, 3.225), (0.20, 3.243), (0.30, 3.265), (0.40, 3.281), (0.50, 3.290), (0.58, 3.298), (0.62, 3.310),
    (0.68, 3.328), (0.80, 3.331), (0.90, 3.334), (0.97, 3.338), (0.985, 3.345), (1.00, 3.375),
)  # fmt: skip


def ocv_lfp(z: float) -> float:
    """Return the LFP/graphite full-cell OCV at rest, V: the table above, linear between its points."""
    return _between(LFP_AT_REST, z)


def ocv_lfp_full(z: float) -> float:
    """Return the LFP OCV at rest, V, with a rounded knee at the top: 3.65 V is full.

    Form and 0.5 % of charge are ours, so that it falls by 50 to 250 mV from 10 min to 1 h after its charge.
    """
    return ocv_lfp(min(z, 0.97)) + 0.312 * math.exp((z - 1.0) / 0.005)


def _between(points: tuple[tuple[float, float], ...], z: float) -> float:
    for (z0, v0), (z1, v1) in itertools.pairwise(points):
        if z <= z1:
            return v0 + (v1 - v0) * (z - z0) / (z1 - z0)
    return points[-1][1]


MEASURED_18650 = (  # Source: github.com/derlucae98/US18650VTC6_OCV_SOC_Curve (MIT licence), mean of C/20 both ways
    (0.01, 2.760), (0.05, 3.133), (0.10, 3.268), (0.20, 3.414), (0.30, 3.559), (0.40, 3.661), (0.50, 3.753),
    (0.60, 3.839), (0.70, 3.923), (0.80, 4.037), (0.90, 4.091), (0.95, 4.112), (1.00, 4.175),
)  # fmt: skip


def ocv_measured_18650(z: float) -> float:
    """Return the OCV of a measured 3.0 Ah 18650, V, linear between the printed points."""
    points = MEASURED_18650
    if z <= points[0][0]:
        return points[0][1] + (z - points[0][0]) * 25.2
    return _between(points, z)


def ocv_nca(z: float) -> float:
    """Return the OCV of the measured 18650 above, V, its charge scaled so that full is 4.20 V at rest."""
    z *= 1.020
    return 4.175 + (z - 1.0) * 1.26 if z > 1.0 else ocv_measured_18650(z)


def ocv_nmc_full(z: float) -> float:
    """Return the NMC811/graphite OCV, V, its charge scaled so that full is 4.20 V at rest."""
    return ocv_nmc(z * 1.0071)


LCO_AT_REST = (  # LCO/graphite at rest, from memory: flatter in the middle, straight at the top
    (0.00, 2.950), (0.02, 3.130), (0.05, 3.330), (0.10, 3.530), (0.15, 3.640), (0.20, 3.695), (0.30, 3.750),
    (0.40, 3.785), (0.50, 3.825), (0.60, 3.885), (0.70, 3.955), (0.80, 4.030), (0.90, 4.113), (1.00, 4.200),
)  # fmt: skip


def ocv_lco(z: float) -> float:
    """Return an LCO/graphite cell's OCV at rest, V: the table above, linear between its points."""
    return _between(LCO_AT_REST, z)


def ocv_nimh(z: float) -> float:
    """Return a NiMH cell's OCV, V.

    Source: Shepherd form of Tremblay & Dessaint 2009, WEVJ 3 (coefficients from memory), for a
    cell of 6.5 Ah taken as a share of charge.
    """
    it = 6.5 * min(max(1.0 - z, 0.0), 0.985)
    return 1.2848 - 0.01875 * 6.5 / (6.5 - it) + 0.144 * math.exp(-2.3077 * it)


def ocv_alkaline(z: float) -> float:
    """Return an alkaline primary's OCV, V: from 1.58 V falling steadily; common practice."""
    return 1.58 - 0.38 * (1.0 - z) - 0.12 * math.exp(-12.0 * z)


def ocv_lithium_primary(z: float) -> float:
    """Return a lithium manganese dioxide primary's OCV, V: 3.2 V, flat, then down; common practice."""
    return 3.20 - 0.12 * (1.0 - z) - 0.9 * math.exp(-16.0 * z)


def ocv_linear(z: float) -> float:
    """Return 3.0 + 1.2 z: the cell of the closed forms."""
    return 3.0 + 1.2 * z


CURVES: dict[str, Callable[[float], float]] = {
    "chen-rincon-mora": ocv_chen_rincon_mora,
    "nmc": ocv_nmc,
    "lfp": ocv_lfp,
    "lfp-full": ocv_lfp_full,
    "measured-18650": ocv_measured_18650,
    "nmc-full": ocv_nmc_full,
    "nca": ocv_nca,
    "lco": ocv_lco,
    "nimh": ocv_nimh,
    "alkaline": ocv_alkaline,
    "lithium-primary": ocv_lithium_primary,
    "linear": ocv_linear,
}


ABOVE_FULL_V = {
    "nimh": 0.3, "lfp": 100.0, "lfp-full": 60.0, "chen-rincon-mora": 20.0, "measured-18650": 10.0,
    "nmc-full": 1.2, "nca": 1.3, "lco": 1.0,
}  # fmt: skip


ENTROPY_mV_per_K: dict[str, tuple[tuple[float, float], ...]] = {  # dU/dT; from memory of the papers named
    # NMC and NCA with graphite: small, negative near empty and full (Viswanathan et al. 2010, J. Power Sources 195)
    "li-ion": ((0.0, -0.35), (0.1, -0.30), (0.25, -0.15), (0.4, -0.05), (0.6, 0.02), (0.8, -0.06), (1.0, -0.10)),
    # LCO with graphite: negative nearly throughout, most below 40 % (Reynier, Yazami & Fultz 2004, JES 151)
    "lco": ((0.0, -0.45), (0.2, -0.40), (0.4, -0.25), (0.6, -0.05), (0.8, -0.15), (1.0, -0.20)),
    # LFP with graphite: negative below 35 %, weakly positive above (Viswanathan et al. 2010)
    "lfp": ((0.0, -0.45), (0.1, -0.30), (0.25, -0.15), (0.4, 0.0), (0.65, 0.08), (0.75, 0.10), (1.0, 0.05)),
    # NiMH: the thermoneutral 1.34 V is close to its OCV, so little heat either way (thermochemistry, from memory)
    "nimh": ((0.0, -0.10), (1.0, -0.10)),
}


ENTROPY_GRID = 100


_tables: dict[str, list[float]] = {}


_entropies: dict[str, list[float]] = {}


def entropy_of(name: str) -> list[float]:
    """Return dU/dT over charge from 0 to 1, V/K, one value each hundredth; all zero for no name."""
    if name not in _entropies:
        points = ENTROPY_mV_per_K.get(name, ((0.0, 0.0), (1.0, 0.0)))
        _entropies[name] = [_between(points, k / ENTROPY_GRID) / 1000.0 for k in range(ENTROPY_GRID + 1)]
    return _entropies[name]


def table_of(curve: str) -> list[float]:
    """Return the curve on the uniform grid, with a steep smooth end outside 0 to 1."""
    if curve not in _tables:
        function = CURVES[curve]
        table = []
        for index in range(GRID + 1):
            z = SOC_LOW + (SOC_HIGH - SOC_LOW) * index / GRID
            inside = min(max(z, 0.0), 1.0) if curve != "linear" else z
            value = function(inside)
            if z < 0.0:
                value -= 30.0 * -z + 400.0 * z * z if curve != "linear" else 0.0
            elif z > 1.0 and curve != "linear":
                value += ABOVE_FULL_V.get(curve, 5.0) * (z - 1.0)
                if curve != "nimh":  # no limit is ever beyond the grid
                    value += 300.0 * (z - 1.0) ** 2
            table.append(value)
        _tables[curve] = table
    return _tables[curve]
