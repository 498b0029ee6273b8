"""A simulated cell: open-circuit curve, resistance, two RC pairs, slow diffusion, heat, shorts, leaks, a board.

Model: V = OCV(z + x) + (T - 20 degC)*dU/dT + M*h + I*R0(z, T) + U1 + U2 (current positive into the
cell), with the exact discrete form of each RC pair (Plett, Battery Management Systems vol. 1,
ch. 2) and a first-order thermal node; curves from published functions (source beside each).
x is the charge by which the surface of the electrodes runs ahead of their inside: a sum of parts
x_k that follow g_k*I/Q with time constants of minutes to hours (what the modes of diffusion into a
particle do; fitted to measured rests). So the slow part of a rest is large where the curve is steep.
An internal short lies across the cell behind R0; its heat stays in the can.

Heat = I^2 R0 + U1^2/R1 + U2^2/R2 + I (OCV(z + x) - OCV(z) + M*h) + I T dU/dT + V^2/R of a short +
charge that is lost times OCV (Bernardi, Pawlikowski & Newman 1985, J. Electrochem. Soc. 132 5).

The kinds without 'real' are the ideal ones of 0.1.0: two RC pairs, no slow part, a large loss of heat.
Everything is plain floats: one step costs a few microseconds. Curves are tabled once on a uniform grid of charge.

Units: V, A, ohm, F, Ah, degC, s. `soc` is the share of `capacity_Ah`, 1 full; a little outside
0 to 1 is allowed, where the voltage falls or rises steeply and smoothly.
"""

import math
import random
from dataclasses import asdict, dataclass, replace
from typing import Any

from amphora.drivers.simulated.curves import ENTROPY_GRID, GRID, SOC_HIGH, SOC_LOW, entropy_of, table_of

R_ACTIVATION_K = 2600.0  # resistance follows exp(B(1/T - 1/T0)); common practice


"""How fast the voltage rises beyond full, V per unit of charge: the limit is met within about 1 % of full."""


MONTH_S = 30.0 * 86400.0
STALE_S = 30.0 * 86400.0  # time constant in which a cell at rest becomes one 'after storage'
STALE_SHARE = 0.3  # of a full charge, in which what storage did wears off


@dataclass(frozen=True)
class Short:
    """A resistance inside, across the electrodes. Its heat stays in the can.

    ohm: how large; from_s: of the cell's own time, when it appears; above_V: it only acts while the voltage behind R0
    is at least this (what touches near full, when the electrodes have swollen, and lets go below); on_s, off_s: it
    comes and goes, so many seconds each; 0: always.
    """

    ohm: float
    from_s: float = 0.0
    above_V: float = 0.0
    on_s: float = 0.0
    off_s: float = 0.0


@dataclass(frozen=True)
class CellSpec:
    """What a simulated cell is made like. Resistances at 20 degC and half charge.

    slow: parts of slow diffusion, each (g in hours, time constant in seconds): at a steady current I the surface runs
    g*I/capacity ahead of the inside. entropy: which of `ENTROPY_mV_per_K`; "" none. lost_per_month: self-discharge at
    20 degC as a share of what is in it, double for each 10 K (common practice), on top of `leak_A`. stale_loss: share
    of the capacity that the first full charge after long storage loses. shorts: what is wrong inside.
    """

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
    slow: tuple[tuple[float, float], ...] = ()
    entropy: str = ""
    lost_per_month: float = 0.0
    stale_loss: float = 0.0
    shorts: tuple[Short, ...] = ()


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


@dataclass(frozen=True)
class Make:
    """What new cells of a chemistry are like, as `real_spec` scales it.

    r0, r1, r2: ohm times ampere-hours; tau1_s, tau2_s: time constants; slow: as in `CellSpec`. The can: bare in still
    air (18650 0.04 to 0.06 W/K, 40 to 45 g at 0.9 to 1.0 J/gK; AA by its surface; common practice). A measured
    18650 after a discharge cools with a time constant of 620 to 660 s, which is 42 J/K over 0.065 W/K
    (NASA Ames PCoE aging data, cells B0033 and B0034).
    """

    curve: str
    r0: float
    r1: float
    r2: float
    slow: tuple[tuple[float, float], ...]
    entropy: str
    efficiency: float
    lost_per_month: float
    stale_loss: float
    full_V: float
    cutoff_V: float
    hysteresis_V: float = 0.004
    tau1_s: float = 30.0
    tau2_s: float = 200.0
    heat_J_per_K: float = 42.0
    loss_W_per_K: float = 0.050
    mass_g: float = 45.0


MAKES: dict[str, Make] = {
    "li-ion": Make(
        "nmc-full", 0.130, 0.040, 0.040, ((0.015, 400.0), (0.019, 2400.0), (0.011, 14400.0)), "li-ion", 0.998, 0.02,
        0.010, 4.20, 3.0,
    ),
    "lfp": Make(
        "lfp-full", 0.090, 0.035, 0.035, ((0.007, 600.0), (0.009, 2400.0), (0.007, 10800.0)), "lfp", 0.9985, 0.02,
        0.010, 3.65, 2.5, hysteresis_V=0.008, mass_g=40.9,
    ),
    "nimh": Make(
        "nimh", 0.060, 0.018, 0.020, ((0.020, 600.0), (0.020, 3600.0), (0.015, 14400.0)), "nimh", 0.97, 0.20, 0.04,
        1.60, 1.0, hysteresis_V=0.015, heat_J_per_K=26.0, loss_W_per_K=0.033, mass_g=27.0,
    ),
}  # fmt: skip


def real_spec(
    chemistry: str, capacity_Ah: float, *, kind: str = "", health: float = 1.0, growth: float = 1.0, **changes: Any
) -> CellSpec:
    """Return a cell that errs like a real one: slow diffusion, heat, losses.

    Args:
        chemistry: A key of `MAKES`.
        capacity_Ah: What it holds now.
        kind: Its name.
        health: What it holds now as a share of what it held when new.
        growth: How many times its resistances have grown, the slow parts with them.
        changes: Other values of `CellSpec`.

    Raises:
        KeyError: no such chemistry.
    """
    make = MAKES[chemistry]
    per_Ah = growth * health / capacity_Ah
    r1_ohm, r2_ohm = make.r1 * per_Ah, make.r2 * per_Ah
    made = CellSpec(
        kind or f"real-{chemistry}", chemistry, make.curve, capacity_Ah, make.r0 * per_Ah, r1_ohm,
        make.tau1_s / r1_ohm, r2_ohm, make.tau2_s / r2_ohm, make.hysteresis_V, 0.0, make.efficiency,
        make.heat_J_per_K, make.loss_W_per_K, make.mass_g, full_V=make.full_V, cutoff_V=make.cutoff_V,
        gassing_V_per_K=-0.0025 if chemistry == "nimh" else 0.0,
        slow=tuple((hours * growth, tau_s) for hours, tau_s in make.slow),
        entropy=make.entropy, lost_per_month=make.lost_per_month, stale_loss=make.stale_loss,
    )  # fmt: skip
    return replace(made, **changes)


def shorted(spec: CellSpec, ohm: float) -> CellSpec:
    """Return it with a short of so many ohm inside; one that it has already keeps its time and voltage."""
    first = spec.shorts[0] if spec.shorts else Short(ohm)
    return replace(spec, shorts=(replace(first, ohm=ohm),))


USED = {"health": 0.66, "growth": 2.4}
KINDS.update({
    "real-li-ion": real_spec("li-ion", 2.05, kind="real-li-ion", health=0.93, growth=1.2),
    "unmarked": real_spec("li-ion", 1.45, kind="unmarked", health=0.90, growth=1.3),
    "real-lfp": real_spec("lfp", 1.30, kind="real-lfp", health=0.93, growth=1.2),
    "real-nimh": real_spec("nimh", 1.90, kind="real-nimh", health=0.95, growth=1.1),
    "aged-li-ion": real_spec("li-ion", 1.45, kind="aged-li-ion", lost_per_month=0.04, **USED),
    "aged-lfp": real_spec("lfp", 0.92, kind="aged-lfp", lost_per_month=0.03, **USED),
    "aged-nimh": real_spec("nimh", 1.25, kind="aged-nimh", lost_per_month=0.30, **USED),
    "shorted-li-ion": real_spec("li-ion", 1.05, kind="shorted-li-ion", shorts=(Short(50.0),), **USED),
    "shorted-lfp": real_spec("lfp", 0.92, kind="shorted-lfp", shorts=(Short(50.0),), **USED),
    "shorted-nimh": real_spec("nimh", 1.25, kind="shorted-nimh", shorts=(Short(20.0),), **USED),
    "shorted-late": real_spec("li-ion", 1.05, kind="shorted-late", shorts=(Short(8.0, from_s=3600.0),), **USED),
    "shorted-near-full": real_spec(
        "li-ion", 1.05, kind="shorted-near-full", shorts=(Short(25.0, above_V=4.05, on_s=240.0, off_s=120.0),), **USED
    ),
})  # fmt: skip
START_SOC = {"unmarked": 0.1145, "empty": -0.02, "lithium-primary": 0.8, "alkaline": 0.5}


STATE = (
    "soc", "ambient_degC", "temperature_degC", "u1_V", "u2_V", "hysteresis", "leak_A", "tripped", "short_ohm",
    "extra_heat_W", "open", "age_s", "stale",
)  # fmt: skip
"""What of a cell's state is one plain value; `kept` adds the slow parts and the board's delay."""


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
        "_charge_C",
        "_dt_s",
        "_entropy",
        "_first_order",
        "_inner_V",
        "_quick",
        "_r0_ohm",
        "_slow_terms",
        "_surface",
        "_surface_V",
        "_table",
        "_trip_s",
        "age_s",
        "ambient_degC",
        "extra_heat_W",
        "hysteresis",
        "leak_A",
        "open",
        "short_ohm",
        "slow",
        "soc",
        "spec",
        "stale",
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
        self.slow = [0.0] * len(spec.slow)  # by how much charge the surface runs ahead, part by part
        self.age_s = 0.0  # what it has lived through here
        self.stale = 0.0  # 1: long stored
        self._trip_s = 0.0
        self._table = table_of(spec.curve)
        self._entropy = entropy_of(spec.entropy)
        self._slow_terms: list[tuple[float, float]] = []
        self._first_order = -math.log(1.0 - spec.lost_per_month) / MONTH_S
        self._inner_V: float | None = None
        self._r0_ohm: float | None = None
        self._dt_s = -1.0
        self._a1 = self._a2 = 0.0
        self._charge_C = 3600.0 * spec.capacity_Ah
        self._quick = True  # steps so short that the can's warmth moves on in a straight line
        self._surface = -1e9  # the charge at which `_surface_V` was looked up
        self._surface_V = 0.0

    def changed(self) -> None:
        """Forget what was computed: call it after a state or `spec` was changed from outside."""
        spec = self.spec
        self._inner_V = self._r0_ohm = None
        self._table = table_of(spec.curve)
        self._entropy = entropy_of(spec.entropy)
        self._first_order = -math.log(1.0 - spec.lost_per_month) / MONTH_S
        if len(self.slow) != len(spec.slow):
            self.slow = [0.0] * len(spec.slow)
        self._dt_s = -1.0
        self._surface = -1e9

    def copy(self) -> "SimulatedCell":
        """Return a cell in the same state that goes its own way."""
        return SimulatedCell.restored(self.kept())

    def kept(self) -> dict[str, Any]:
        """Return what it is and how it stands, as plain values for JSON; `restored` makes the same cell of it."""
        state = {name: getattr(self, name) for name in STATE}
        return {"spec": asdict(self.spec), **state, "slow": list(self.slow), "trip_s": self._trip_s}

    @classmethod
    def restored(cls, kept: dict[str, Any]) -> "SimulatedCell":
        """Return the cell that `kept` described."""
        spec = dict(kept["spec"])
        if spec["protection"] is not None:
            spec["protection"] = Protection(**spec["protection"])
        spec["slow"] = tuple((part[0], part[1]) for part in spec["slow"])
        spec["shorts"] = tuple(Short(**short) for short in spec["shorts"])
        cell = cls(CellSpec(**spec), kept["soc"], kept["ambient_degC"])
        for name in STATE:
            setattr(cell, name, kept[name])
        cell.slow = [float(part) for part in kept["slow"]]
        cell._trip_s = kept["trip_s"]
        return cell

    def settle(self, soc: float) -> None:
        """Put it at this share of charge, fully at rest and as warm as the room: drained or filled by somebody."""
        self.soc = soc
        self.u1_V = self.u2_V = 0.0
        self.slow = [0.0] * len(self.spec.slow)
        self.temperature_degC = self.ambient_degC
        self.changed()

    def rest(self, seconds: float) -> None:
        """Let it lie for so long without a current: minutes or months; it relaxes, leaks, cools."""
        left_s = seconds
        while left_s > 1e-9:
            drawn_A = max(self.inner_V(), 0.0) * self.short_S() + self.leak_A
            step_s = min(max(2.0 * self.spec.capacity_Ah / max(drawn_A, 1e-9), 1.0), 600.0, left_s)
            self.advance(step_s, 0.0)
            left_s -= step_s

    def short_S(self) -> float:
        """Return the conductance of all that is shorted inside at this moment, siemens."""
        siemens = 0.0 if self.short_ohm is None else 1.0 / self.short_ohm
        for short in self.spec.shorts:
            if self.age_s < short.from_s or (short.above_V and self.inner_V() < short.above_V):
                continue
            if short.off_s and (self.age_s - short.from_s) % (short.on_s + short.off_s) >= short.on_s:
                continue
            siemens += 1.0 / short.ohm
        return siemens

    def _at(self, soc: float) -> float:
        place = (soc - SOC_LOW) * (GRID / (SOC_HIGH - SOC_LOW))
        if place <= 0.0:
            return max(self._table[0], 0.0)
        if place >= GRID:
            return self._table[GRID]
        index = int(place)
        low = self._table[index]
        value = low + (self._table[index + 1] - low) * (place - index)
        return value if value > 0.0 else 0.0

    def entropy(self) -> float:
        """Return dU/dT at this charge, V/K."""
        place = int(self.soc * ENTROPY_GRID + 0.5)
        return self._entropy[place if 0 <= place <= ENTROPY_GRID else min(max(place, 0), ENTROPY_GRID)]

    def ocv(self) -> float:
        """Return the open-circuit voltage at this charge at 20 degC and at rest, V."""
        return self._at(self.soc)

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
            self._surface = surface = self.soc + sum(self.slow) if self.slow else self.soc
            self._surface_V = value = self._at(surface)
            value += spec.hysteresis_V * self.hysteresis + self.u1_V + self.u2_V
            if spec.entropy:
                value += (self.temperature_degC - 20.0) * self.entropy()
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
        spec, slow, soc = self.spec, self.slow, self.soc
        if (self.tripped or self.open) and current_A and not self.conducts(current_A):
            current_A = 0.0
        if dt_s != self._dt_s:
            self._prepare(dt_s)
        inner_A = current_A
        heat_W = self.extra_heat_W
        if self.short_ohm is not None or spec.shorts:
            behind_V = max(self.inner_V(), 0.0)
            short_A = behind_V * self.short_S()
            inner_A -= short_A
            heat_W += behind_V * short_A
        effective_A = inner_A * spec.efficiency if inner_A > 0.0 else inner_A
        surface = soc + sum(slow) if slow else soc
        surface_V = self._surface_V if surface == self._surface else self._at(surface)
        ocv_V = self._at(soc) if slow else surface_V
        if spec.stale_loss:
            self._age(dt_s, inner_A)
            if inner_A > 0.0:
                effective_A -= inner_A * min(self.stale * spec.stale_loss / STALE_SHARE, 0.5)
        heat_W += (inner_A - effective_A + self.leak_A) * ocv_V
        if inner_A > 0.0 and soc > 0.85 and spec.chemistry == "nimh":
            accepted = max(0.0, 1.0 - (soc - 0.85) / 0.2)
            heat_W += inner_A * 1.45 * (1.0 - accepted)
            effective_A *= accepted
        r0_ohm = self._r0_ohm
        if r0_ohm is None:
            r0_ohm = self.r0()
        if inner_A:
            ahead_V = spec.hysteresis_V * self.hysteresis
            if slow:
                ahead_V += surface_V - ocv_V
            heat_W += inner_A * ahead_V
            if spec.entropy:
                heat_W += inner_A * (self.temperature_degC + 273.15) * self.entropy()
        heat_W += current_A * current_A * r0_ohm
        lost_A = self.leak_A
        if self._first_order and soc > 0.0:
            warmer = 2.0 ** (0.1 * (self.temperature_degC - 20.0))
            own_A = self._first_order * warmer * soc * 3600.0 * spec.capacity_Ah
            lost_A += own_A
            heat_W += own_A * ocv_V
        charge_C = self._charge_C
        soc += (effective_A - lost_A) * dt_s / charge_C
        if soc < SOC_LOW:
            soc = SOC_LOW  # what flows beyond ruins the cell and is no charge
        if soc > 1.0 and spec.surface_s:
            soc = 1.0 + (soc - 1.0) * math.exp(-dt_s / spec.surface_s)
        self.soc = soc
        self._inner_V = self._r0_ohm = None
        a1, a2, r1_ohm, r2_ohm = self._a1, self._a2, spec.r1_ohm, spec.r2_ohm
        self.u1_V = u1_V = a1 * self.u1_V + (1.0 - a1) * inner_A * r1_ohm
        self.u2_V = u2_V = a2 * self.u2_V + (1.0 - a2) * inner_A * r2_ohm
        if slow:
            self.slow = [
                keep * part + gain * inner_A for part, (keep, gain) in zip(slow, self._slow_terms, strict=True)
            ]
        if inner_A and spec.hysteresis_V:
            target = 1.0 if inner_A > 0.0 else -1.0
            share = min(abs(inner_A) * dt_s / charge_C * 30.0, 1.0)
            self.hysteresis += (target - self.hysteresis) * share
        heat_W += u1_V * u1_V / r1_ohm + u2_V * u2_V / r2_ohm
        over_K = self.temperature_degC - self.ambient_degC
        if self._quick:
            over_K += (heat_W - over_K * spec.loss_W_per_K) * dt_s / spec.heat_J_per_K
        else:
            keep = math.exp(-dt_s / (spec.heat_J_per_K / spec.loss_W_per_K))
            over_K = over_K * keep + heat_W / spec.loss_W_per_K * (1.0 - keep)
        self.temperature_degC = self.ambient_degC + over_K
        self.age_s += dt_s
        if spec.protection is not None:
            self._protect(spec.protection, dt_s, current_A)

    def _prepare(self, dt_s: float) -> None:
        """Work out what steps of this length share."""
        spec = self.spec
        self._dt_s = dt_s
        self._charge_C = 3600.0 * spec.capacity_Ah
        self._quick = dt_s <= 0.2 * (spec.heat_J_per_K / spec.loss_W_per_K)
        self._a1 = math.exp(-dt_s / (spec.r1_ohm * spec.c1_F))
        self._a2 = math.exp(-dt_s / (spec.r2_ohm * spec.c2_F))
        self._slow_terms = [
            (keep, (1.0 - keep) * hours / spec.capacity_Ah)
            for hours, keep in ((hours, math.exp(-dt_s / tau_s)) for hours, tau_s in spec.slow)
        ]

    def _age(self, dt_s: float, inner_A: float) -> None:
        """Grow stale at rest; a charge takes it off again: a full one loses 0.96 of `stale_loss`."""
        if inner_A > 0.0:
            self.stale *= math.exp(-inner_A * dt_s / (3600.0 * self.spec.capacity_Ah * STALE_SHARE))
        else:
            self.stale += (1.0 - self.stale) * (1.0 - math.exp(-dt_s / STALE_S))

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
    copy.leak_A, copy.short_ohm, copy.age_s = cell.leak_A, cell.short_ohm, cell.age_s
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


def leak_truth(cell: SimulatedCell) -> dict[str, Any]:
    """Return what a cell loses by itself: at 20 degC, full and at rest, with all its shorts at work.

    `leak_ohm`: its shorts alone (None: it has none); `leak_A`; `leak_percent_per_day`: share of the capacity;
    `short_from_s`, `short_above_V`, `short_share_of_time`: when they act (None: no short); `efficiency`.
    """
    spec = cell.spec
    shorts = list(spec.shorts)
    if cell.short_ohm is not None:
        shorts.append(Short(cell.short_ohm))
    full = SimulatedCell(spec, 1.0, 20.0)
    siemens = sum(1.0 / short.ohm for short in shorts)
    own_A = -math.log(1.0 - spec.lost_per_month) / MONTH_S * 3600.0 * spec.capacity_Ah
    leak_A = full.ocv() * siemens + cell.leak_A + own_A
    first = min(shorts, key=lambda short: short.ohm) if shorts else None
    share = first.on_s / (first.on_s + first.off_s) if first is not None and first.off_s else 1.0
    return {
        "leak_ohm": 1.0 / siemens if siemens else None,
        "leak_A": leak_A,
        "leak_percent_per_day": 2400.0 * leak_A / spec.capacity_Ah,
        "short_from_s": first.from_s if first is not None else None,
        "short_above_V": first.above_V if first is not None else None,
        "short_share_of_time": share if first is not None else None,
        "efficiency": spec.efficiency,
    }
