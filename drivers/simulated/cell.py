"""A simulated cell: open-circuit curve, resistance, two RC pairs, heat, self-discharge, protection.

Model: V = OCV(z) + M*h + I*R0(z, T) + U1 + U2 (current positive into the cell), with the exact
discrete form of each RC pair (Plett, Battery Management Systems vol. 1, ch. 2), a first-order
thermal node, and curves from published functions (source beside each). Everything is plain floats:
one step costs a few microseconds. Curves are tabled once on a uniform grid of charge.

Units: V, A, ohm, F, Ah, degC, s. `soc` is the share of `capacity_Ah`, 1 full; a little outside
0 to 1 is allowed, where the voltage falls or rises steeply and smoothly.
"""

import itertools
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

GRID = 2000
SOC_LOW, SOC_HIGH = -0.10, 1.10
R_ACTIVATION_K = 2600.0  # resistance follows exp(B(1/T - 1/T0)); common practice


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
    "measured-18650": ocv_measured_18650,
    "nimh": ocv_nimh,
    "alkaline": ocv_alkaline,
    "lithium-primary": ocv_lithium_primary,
    "linear": ocv_linear,
}
ABOVE_FULL_V = {"nimh": 0.3, "lfp": 100.0, "chen-rincon-mora": 20.0, "measured-18650": 10.0}
"""How fast the voltage rises beyond full, V per unit of charge: the limit is met within about 1 % of full."""
_tables: dict[str, list[float]] = {}


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


@dataclass(frozen=True)
class CellSpec:
    """What a simulated cell is made like. Resistances at 20 degC and half charge."""

    kind: str = "li-ion"
    chemistry: str = "li-ion"
    curve: str = "nmc"
    capacity_Ah: float = 1.05
    r0_ohm: float = 0.085
    r1_ohm: float = 0.030
    c1_F: float = 1000.0
    r2_ohm: float = 0.025
    c2_F: float = 9000.0
    hysteresis_V: float = 0.0
    leak_A: float = 0.00002
    efficiency: float = 0.9995
    heat_J_per_K: float = 40.0
    loss_W_per_K: float = 0.10
    mass_g: float = 44.0
    rechargeable: bool = True
    full_V: float = 4.2
    cutoff_V: float = 3.0
    low_end_rise: float = 1.2  # how much R0 grows towards empty
    surface_s: float = 0.0  # what was pushed in beyond full spreads inwards with this time constant; 0: it stays
    gassing_V_per_K: float = 0.0  # falls as it warms itself over the room: the end-of-charge dip of NiMH
    protection: "Protection | None" = None


@dataclass(frozen=True)
class Protection:
    """A board on the cell. Source of the figures: a protection-board sheet (4.25 V, 2.5 V, release 3.0 V)."""

    over_charge_V: float = 4.25
    over_discharge_V: float = 2.5
    release_V: float = 3.0
    over_current_A: float = 3.0
    delay_s: float = 0.15
    resistance_ohm: float = 0.055


KINDS: dict[str, CellSpec] = {
    "li-ion": CellSpec(),
    "li-ion-good": CellSpec("li-ion-good", capacity_Ah=2.05, r0_ohm=0.052, r1_ohm=0.018, c1_F=1600.0, mass_g=45.6),
    "worn-out": CellSpec(
        "worn-out", capacity_Ah=0.43, r0_ohm=0.310, r1_ohm=0.090, c1_F=500.0, r2_ohm=0.08, c2_F=3000.0, mass_g=43.2
    ),
    "lfp": CellSpec(
        "lfp", "lfp", "lfp", 1.30, 0.060, 0.022, 1500.0, 0.02, 12000.0, hysteresis_V=0.008, mass_g=40.9,
        full_V=3.65, cutoff_V=2.5, surface_s=1200.0,
    ),
    "nimh": CellSpec(
        "nimh", "nimh", "nimh", 0.62, 0.110, 0.030, 900.0, 0.03, 8000.0, hysteresis_V=0.015, leak_A=0.0002,
        efficiency=0.97, heat_J_per_K=24.0, loss_W_per_K=0.06, mass_g=24.0, full_V=1.60, cutoff_V=1.0,
        gassing_V_per_K=-0.0025,
    ),
    "protected": CellSpec(
        "protected",
        capacity_Ah=1.62,
        r0_ohm=0.075,
        mass_g=46.8,
        protection=Protection(over_discharge_V=3.15, release_V=3.4),
    ),
    "soft-short": CellSpec("soft-short", capacity_Ah=0.95, r0_ohm=0.120, leak_A=0.0035),
    "lithium-primary": CellSpec(
        "lithium-primary", "lithium-primary", "lithium-primary", 1.40, 0.250, 0.06, 600.0, 0.05, 5000.0,
        mass_g=17.0, rechargeable=False, full_V=3.2, cutoff_V=2.0,
    ),
    "alkaline": CellSpec(
        "alkaline", "alkaline", "alkaline", 2.0, 0.20, 0.08, 700.0, 0.1, 5000.0, mass_g=23.5, rechargeable=False,
        full_V=1.6, cutoff_V=0.9,
    ),
    "empty": CellSpec("empty", capacity_Ah=1.00, r0_ohm=0.110),
}  # fmt: skip
START_SOC = {"empty": -0.02, "lithium-primary": 0.8, "alkaline": 0.5}


class SimulatedCell:
    """One cell with its state.

    Args:
        spec: What it is.
        soc: Share of charge at the start.
        ambient_degC: Temperature around it, and its own at first.
    """

    __slots__ = (
        "_a1",
        "_a2",
        "_dt_s",
        "_inner_V",
        "_r0_ohm",
        "_r0_table",
        "_table",
        "_trip_s",
        "ambient_degC",
        "extra_heat_W",
        "hysteresis",
        "leak_A",
        "open",
        "short_ohm",
        "soc",
        "spec",
        "temperature_degC",
        "tripped",
        "u1_V",
        "u2_V",
    )  # fmt: skip

    def __init__(self, spec: CellSpec, soc: float = 1.0, ambient_degC: float = 20.0) -> None:
        self.spec = spec
        self.soc = soc
        self.ambient_degC = ambient_degC
        self.temperature_degC = ambient_degC
        self.u1_V = 0.0
        self.u2_V = 0.0
        self.hysteresis = 0.0
        self.leak_A = spec.leak_A
        self.tripped = ""
        self.short_ohm: float | None = None
        self.extra_heat_W = 0.0
        self.open = False
        self._trip_s = 0.0
        self._table = table_of(spec.curve)
        self._inner_V: float | None = None
        self._r0_ohm: float | None = None
        self._dt_s = -1.0
        self._a1 = self._a2 = 0.0

    def changed(self) -> None:
        """Forget what was computed: call it after a state or `spec` was changed from outside."""
        self._inner_V = self._r0_ohm = None
        self._table = table_of(self.spec.curve)
        self._dt_s = -1.0

    def copy(self) -> "SimulatedCell":
        """Return a cell in the same state that goes its own way."""
        other = SimulatedCell(self.spec, self.soc, self.ambient_degC)
        for name in ("temperature_degC", "u1_V", "u2_V", "hysteresis", "leak_A", "tripped", "short_ohm", "open"):
            setattr(other, name, getattr(self, name))
        other.extra_heat_W = self.extra_heat_W
        return other

    def ocv(self) -> float:
        """Return the open-circuit voltage at this charge, V."""
        place = (self.soc - SOC_LOW) * (GRID / (SOC_HIGH - SOC_LOW))
        if place <= 0.0:
            return max(self._table[0], 0.0)
        if place >= GRID:
            return self._table[GRID]
        index = int(place)
        low = self._table[index]
        value = low + (self._table[index + 1] - low) * (place - index)
        return value if value > 0.0 else 0.0

    def r0(self) -> float:
        """Return the series resistance at this charge and temperature, ohm."""
        if self._r0_ohm is not None:
            return self._r0_ohm
        spec = self.spec
        value = spec.r0_ohm
        z = self.soc
        if z < 0.25:
            low = (0.25 - z) * 4.0
            value *= 1.0 + spec.low_end_rise * low * low
        degC = self.temperature_degC
        if degC != 20.0:
            value *= math.exp(R_ACTIVATION_K * (1.0 / (degC + 273.15) - 1.0 / 293.15))
        self._r0_ohm = value
        return value

    def inner_V(self) -> float:
        """Return what the cell shows behind its series resistance, V."""
        if self._inner_V is None:
            spec = self.spec
            value = self.ocv() + spec.hysteresis_V * self.hysteresis + self.u1_V + self.u2_V
            if spec.gassing_V_per_K:
                value += spec.gassing_V_per_K * (self.temperature_degC - self.ambient_degC)
            self._inner_V = value
        return self._inner_V

    def series_ohm(self) -> float:
        """Return all that stands in series with the inner voltage: R0, and the board where there is one."""
        board = self.spec.protection
        return self.r0() + (board.resistance_ohm if board is not None else 0.0)

    def conducts(self, current_A: float) -> bool:
        """Tell whether the board lets a current of this direction pass."""
        if self.open:
            return False
        if self.tripped == "discharge":
            return current_A > 0.0
        if self.tripped == "charge":
            return current_A < 0.0
        return not self.tripped

    def voltage(self, current_A: float) -> float:
        """Return the voltage at the tabs with this current into the cell, V."""
        if self.open or (self.tripped == "discharge" and current_A <= 0.0):
            return 0.0
        return self.inner_V() + current_A * self.series_ohm()

    def advance(self, dt_s: float, current_A: float) -> None:
        """Let `dt_s` pass with a constant current into the cell."""
        spec = self.spec
        if current_A and not self.conducts(current_A):
            current_A = 0.0
        if dt_s != self._dt_s:
            self._dt_s = dt_s
            self._a1 = math.exp(-dt_s / (spec.r1_ohm * spec.c1_F))
            self._a2 = math.exp(-dt_s / (spec.r2_ohm * spec.c2_F))
        inner_A = current_A
        if self.short_ohm is not None:
            inner_A -= self.ocv() / self.short_ohm
        effective_A = inner_A * spec.efficiency if inner_A > 0.0 else inner_A
        gassing_W = 0.0
        if spec.chemistry == "nimh" and inner_A > 0.0 and self.soc > 0.85:
            accepted = max(0.0, 1.0 - (self.soc - 0.85) / 0.2)
            gassing_W = inner_A * 1.45 * (1.0 - accepted)
            effective_A *= accepted
        r0_ohm = self.r0()
        self.soc += (effective_A - self.leak_A) * dt_s / (3600.0 * spec.capacity_Ah)
        if self.soc < SOC_LOW:
            self.soc = SOC_LOW  # what flows beyond ruins the cell and is no charge
        if spec.surface_s and self.soc > 1.0:
            self.soc = 1.0 + (self.soc - 1.0) * math.exp(-dt_s / spec.surface_s)
        self._inner_V = self._r0_ohm = None
        self.u1_V = self._a1 * self.u1_V + (1.0 - self._a1) * inner_A * spec.r1_ohm
        self.u2_V = self._a2 * self.u2_V + (1.0 - self._a2) * inner_A * spec.r2_ohm
        if spec.hysteresis_V and inner_A:
            target = 1.0 if inner_A > 0.0 else -1.0
            share = min(abs(inner_A) * dt_s / (3600.0 * spec.capacity_Ah) * 30.0, 1.0)
            self.hysteresis += (target - self.hysteresis) * share
        heat_W = inner_A * inner_A * r0_ohm + abs(inner_A * (self.u1_V + self.u2_V)) + gassing_W + self.extra_heat_W
        over_K = self.temperature_degC - self.ambient_degC
        tau_s = spec.heat_J_per_K / spec.loss_W_per_K
        if dt_s > 0.2 * tau_s:
            keep = math.exp(-dt_s / tau_s)
            over_K = over_K * keep + heat_W / spec.loss_W_per_K * (1.0 - keep)
        else:
            over_K += (heat_W - over_K * spec.loss_W_per_K) * dt_s / spec.heat_J_per_K
        self.temperature_degC = self.ambient_degC + over_K
        if spec.protection is not None:
            self._protect(spec.protection, dt_s, current_A)

    def _protect(self, board: Protection, dt_s: float, current_A: float) -> None:
        bare_V = self.inner_V() + current_A * self.r0()
        if self.tripped == "discharge":
            if bare_V >= board.release_V and current_A >= 0.0:
                self.tripped = ""
            return
        if self.tripped == "charge":
            if bare_V <= board.over_charge_V - 0.15 or current_A < 0.0:
                self.tripped = ""
            return
        wrong = ""
        if bare_V < board.over_discharge_V or current_A < -board.over_current_A:
            wrong = "discharge"
        elif bare_V > board.over_charge_V:
            wrong = "charge"
        self._trip_s = self._trip_s + dt_s if wrong else 0.0
        if wrong and self._trip_s >= board.delay_s:
            self.tripped = wrong


def make_cell(
    kind: str, rng: random.Random, start_soc: float | None = None, ambient_degC: float = 20.0
) -> SimulatedCell:
    """Return a cell of a kind, each a little different by its seed.

    Raises:
        KeyError: no such kind.
    """
    spec = KINDS[kind]
    spec = replace(
        spec,
        capacity_Ah=spec.capacity_Ah * rng.uniform(0.95, 1.05),
        r0_ohm=spec.r0_ohm * rng.uniform(0.92, 1.08),
        r1_ohm=spec.r1_ohm * rng.uniform(0.9, 1.1),
        c1_F=spec.c1_F * rng.uniform(0.9, 1.1),
    )
    soc = START_SOC.get(kind, 1.0) if start_soc is None else start_soc
    return SimulatedCell(spec, soc, ambient_degC)


def random_cell(kind: str, rng: random.Random, start_soc: float | None = None) -> SimulatedCell:
    """Return a cell out of a wide population of its kind: age, resistance, curve, temperature."""
    spec = KINDS[kind]
    health = rng.uniform(0.4, 1.1)
    curve = spec.curve
    if curve == "nmc":
        curve = rng.choice(["nmc", "chen-rincon-mora", "measured-18650"])
    spec = replace(
        spec,
        curve=curve,
        capacity_Ah=spec.capacity_Ah * health,
        r0_ohm=spec.r0_ohm * rng.uniform(0.6, 2.5),
        r1_ohm=spec.r1_ohm * rng.uniform(0.5, 2.0),
        c1_F=spec.c1_F * rng.uniform(0.5, 2.0),
        r2_ohm=spec.r2_ohm * rng.uniform(0.5, 2.0),
        c2_F=spec.c2_F * rng.uniform(0.5, 2.0),
    )
    soc = rng.uniform(0.02, 1.0) if start_soc is None else start_soc
    return SimulatedCell(spec, soc, rng.uniform(0.0, 35.0))


def delivered_Ah(cell: SimulatedCell, current_A: float, cutoff_V: float, dt_s: float = 1.0) -> float:
    """Return what a full copy of the cell gives at a constant current down to the cut-off, Ah.

    With its protection board, if it has one: a trip ends it.
    """
    copy = SimulatedCell(cell.spec, 1.0, cell.ambient_degC)
    copy.leak_A = cell.leak_A
    passed_s = 0.0
    before_V = copy.voltage(-current_A)
    while passed_s < 400 * 3600.0:
        copy.advance(dt_s, -current_A)
        passed_s += dt_s
        now_V = copy.voltage(-current_A)
        if now_V <= cutoff_V:
            passed_s -= dt_s * (cutoff_V - now_V) / max(before_V - now_V, 1e-12)
            break
        before_V = now_V
    return current_A * passed_s / 3600.0
