"""Things of a light that are no cell: a lamp that eats current and a panel that gives some.

Both are two-terminal devices with a voltage-current curve: `current_into(v)`, positive into the
device, rising with voltage. The simulated bench puts one in place of the cell (`kind="lamp"` or
`"panel"`); `play` runs a lamp on a simulated cell. Units: V, A, ohm, W, s, degC.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Protocol

from amphora.drivers.simulated.cell import SimulatedCell

THERMAL_V_PER_K = 8.617333e-5  # Boltzmann constant over elementary charge (exact since 2019, rounded)
MODES: dict[str, float] = {"full": 1.1, "steady": 0.35, "standby": 0.03}


class Device(Protocol):
    """A two-terminal thing in place of the cell."""

    kind: str

    def current_into(self, voltage_V: float) -> float:
        """Return the current into it at this voltage, A, as it is now."""
        ...

    def open_circuit_V(self) -> float:
        """Return what it shows with nothing connected, V."""
        ...

    def advance(self, dt_s: float, voltage_V: float) -> None:
        """Let time pass with this voltage at its terminals."""
        ...

    def asked(self, act: str) -> bool:
        """Do an act (`drivers.hands.ACTS`) on it; tell whether something was changed on it."""
        ...

    def truth(self) -> dict[str, object]:
        """Return what it really is."""
        ...


@dataclass
class SimulatedLamp:
    """A lamp on a linear 3.3 V regulator: constant current until the rail sags, off below, on again above.

    In regulation the cell sees the mode's current, whatever its voltage; below regulator voltage plus
    drop-out the rail follows the cell and the current falls in proportion (common practice for a
    linear regulator). Under `off_below_V` at the terminals it shuts itself off; it comes back once
    it has stood above `on_above_V` for `wait_s`. What it watches lies behind its spring and switch
    (`contact_ohm`), so the light's own current lowers it: on a tired cell, and in the brightest mode
    also on a stiff supply just above `on_above_V`, it blinks.
    """

    mode: str = "full"
    kind: str = "lamp"
    currents_A: dict[str, float] = field(default_factory=lambda: dict(MODES))
    regulator_V: float = 3.3
    dropout_V: float = 0.15
    light_from_V: float = 2.0  # the rail at which the light goes out altogether
    quiet_A: float = 0.0002  # the electronics while shut off
    off_below_V: float = 2.95
    on_above_V: float = 3.15
    wait_s: float = 2.0
    contact_ohm: float = 0.35
    off: bool = False
    shut_offs: int = 0
    _above_s: float = 0.0

    def current_into(self, voltage_V: float) -> float:
        """Return what it draws at this voltage, A."""
        if voltage_V <= 0.0:
            return 0.0
        if self.off:
            return self.quiet_A * min(voltage_V / self.regulator_V, 1.0)
        wanted_A = self.currents_A[self.mode]
        rail_V = min(self.regulator_V, voltage_V - self.dropout_V)
        share = (rail_V - self.light_from_V) / (self.regulator_V - self.light_from_V)
        return self.quiet_A * min(voltage_V / self.regulator_V, 1.0) + wanted_A * max(share, 0.0)

    def open_circuit_V(self) -> float:
        """A lamp gives nothing."""
        return 0.0

    def advance(self, dt_s: float, voltage_V: float) -> None:
        """Shut off or come back by what it has seen behind its contacts."""
        voltage_V -= self.current_into(voltage_V) * self.contact_ohm
        if not self.off:
            if voltage_V < self.off_below_V:
                self.off = True
                self.shut_offs += 1
                self._above_s = 0.0
            return
        self._above_s = self._above_s + dt_s if voltage_V > self.on_above_V else 0.0
        if self._above_s >= self.wait_s:
            self.off = False

    def next_mode(self) -> str:
        """Press its switch once: the next mode, after the last one the first again."""
        names = list(self.currents_A)
        self.mode = names[(names.index(self.mode) + 1) % len(names)]
        return self.mode

    def asked(self, act: str) -> bool:
        """Switch the mode: `next-mode` or `brightest-mode`."""
        if act == "next-mode":
            self.next_mode()
            return True
        if act == "brightest-mode":
            self.mode = max(self.currents_A, key=lambda name: self.currents_A[name])
            return True
        return False

    def blinks_between_V(self, mode: str) -> tuple[float, float] | None:
        """Return the voltages of a stiff supply between which it shuts off and comes back again and again; or None."""
        low_V = self.on_above_V + self.quiet_A * self.contact_ohm
        other = SimulatedLamp(mode, currents_A=self.currents_A, contact_ohm=self.contact_ohm)
        other.regulator_V, other.dropout_V, other.light_from_V = self.regulator_V, self.dropout_V, self.light_from_V

        def behind(volts: float) -> float:
            return volts - other.current_into(volts) * self.contact_ohm - self.off_below_V

        if behind(low_V) >= 0.0:
            return None
        return low_V, bisected(behind, low_V, low_V + 5.0)

    def truth(self) -> dict[str, object]:
        """Return currents and thresholds."""
        return {
            "kind": self.kind,
            "modes_A": dict(self.currents_A),
            "regulation_from_V": self.regulator_V + self.dropout_V,
            "off_below_V": self.off_below_V,
            "on_above_V": self.on_above_V,
            "blinks_between_V": {mode: self.blinks_between_V(mode) for mode in self.currents_A},
        }


@dataclass
class SimulatedPanel:
    """A small panel: one diode, series and shunt resistance.

    I = IL - I0 (exp((V + I Rs)/(n Ns Vt)) - 1) - (V + I Rs)/Rsh, IL in proportion to the light.
    Source: the single-diode model of the photovoltaic trade; saturation current from the stated
    open-circuit voltage.
    """

    kind: str = "panel"
    light: float = 1.0  # share of 1 kW/m2
    short_circuit_A: float = 0.055
    open_V: float = 6.2
    cells: int = 10
    ideality: float = 1.3
    series_ohm: float = 3.0
    shunt_ohm: float = 2500.0
    temperature_degC: float = 25.0

    def _made(self) -> tuple[float, ...]:
        junction_V = self.ideality * self.cells * THERMAL_V_PER_K * (self.temperature_degC + 273.15)
        return self.light, self.short_circuit_A, self.open_V, junction_V, self.series_ohm, self.shunt_ohm

    def gives(self, voltage_V: float) -> float:
        """Return the current out of it at this voltage, A (negative beyond its open-circuit voltage)."""
        return _panel_gives(voltage_V, *self._made())

    def current_into(self, voltage_V: float) -> float:
        """Return the current into it, A: negative while it gives."""
        return -self.gives(voltage_V)

    def open_circuit_V(self) -> float:
        """Return the open-circuit voltage in this light, V."""
        return 0.0 if self.light <= 0.0 else _panel_open_V(*self._made())

    def best_point(self) -> tuple[float, float]:
        """Return voltage and current of the largest power, V and A."""
        low_V, high_V = 0.0, self.open_circuit_V()
        ratio = 0.6180339887498949
        for _ in range(60):
            a_V = high_V - ratio * (high_V - low_V)
            b_V = low_V + ratio * (high_V - low_V)
            if a_V * self.gives(a_V) > b_V * self.gives(b_V):
                high_V = b_V
            else:
                low_V = a_V
        return low_V, self.gives(low_V)

    def advance(self, dt_s: float, voltage_V: float) -> None:
        """Nothing changes in it by itself."""

    def asked(self, act: str) -> bool:
        """There is nothing to switch on it."""
        return False

    def truth(self) -> dict[str, object]:
        """Return the three points everybody asks for, in this light."""
        best_V, best_A = self.best_point()
        return {
            "kind": self.kind,
            "short_circuit_A": self.gives(0.0),
            "open_circuit_V": self.open_circuit_V(),
            "best_V": best_V,
            "best_A": best_A,
            "light": self.light,
        }


# A bench asks the same of a panel with each reading, and both are halved for: what was found is kept.


@lru_cache(4096)
def _panel_gives(
    voltage_V: float,
    light: float,
    short_circuit_A: float,
    open_V: float,
    junction_V: float,
    series_ohm: float,
    shunt_ohm: float,
) -> float:
    saturation_A = (short_circuit_A - open_V / shunt_ohm) / math.expm1(open_V / junction_V)
    light_A = short_circuit_A * light
    low_A, high_A = -10.0, light_A + 1e-6
    for _ in range(60):  # the left side falls steadily in I, so halving finds it
        middle_A = 0.5 * (low_A + high_A)
        at_V = voltage_V + middle_A * series_ohm
        over = min(at_V / junction_V, 200.0)
        if light_A - saturation_A * math.expm1(over) - at_V / shunt_ohm > middle_A:
            low_A = middle_A
        else:
            high_A = middle_A
    return 0.5 * (low_A + high_A)


@lru_cache(64)
def _panel_open_V(
    light: float, short_circuit_A: float, open_V: float, junction_V: float, series_ohm: float, shunt_ohm: float
) -> float:
    made = (light, short_circuit_A, open_V, junction_V, series_ohm, shunt_ohm)
    return bisected(lambda volts: -_panel_gives(volts, *made), 0.0, 2.0 * open_V)


def bisected(rising: Callable[[float], float], low: float, high: float) -> float:
    """Return where a rising function crosses zero between two places."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        if rising(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


DEVICES: dict[str, Callable[[], Device]] = {"lamp": SimulatedLamp, "panel": SimulatedPanel}


def on_supply(device: Device, set_V: float, limit_A: float) -> tuple[float, float]:
    """Return voltage and current into a device on a supply: constant voltage up to its current limit."""
    wanted_A = device.current_into(set_V)
    if wanted_A <= limit_A:
        return set_V, max(wanted_A, 0.0)
    return bisected(lambda volts: device.current_into(volts) - limit_A, 0.0, set_V), limit_A


def on_load(device: Device, mode: str, value: float) -> tuple[float, float]:
    """Return voltage and current into a device (negative: it gives) on a load in one of its modes."""
    open_V = device.open_circuit_V()
    if open_V <= 0.0:
        return 0.0, 0.0
    if mode == "voltage":
        at_V = min(value, open_V)
    elif mode == "resistance":
        at_V = bisected(lambda volts: device.current_into(volts) + volts / max(value, 1e-3), 0.0, open_V)
    elif mode == "current":
        at_V = bisected(lambda volts: device.current_into(volts) + value, 0.0, open_V)
    else:
        best_V = max(
            (open_V * step / 200 for step in range(1, 200)), key=lambda volts: -volts * device.current_into(volts)
        )
        if -best_V * device.current_into(best_V) < value:
            return 0.0, device.current_into(0.0)  # more than it can give: it collapses
        at_V = bisected(lambda volts: device.current_into(volts) + value / volts, best_V, open_V)
    return at_V, min(device.current_into(at_V), 0.0)


def lamp_on_cell(lamp: SimulatedLamp, cell: SimulatedCell, lead_ohm: float = 0.0) -> tuple[float, float]:
    """Return voltage at the lamp and current into the cell (negative) when the lamp hangs on it."""
    if not cell.conducts(-1.0):
        return 0.0, 0.0
    inner_V = cell.inner_V()
    ohm = cell.series_ohm() + lead_ohm
    at_V = bisected(lambda volts: lamp.current_into(volts) - (inner_V - volts) / ohm, 0.0, inner_V)
    return at_V, -lamp.current_into(at_V)


def play(
    lamp: SimulatedLamp, cell: SimulatedCell, at_most_s: float, dt_s: float = 1.0
) -> list[tuple[float, float, float]]:
    """Return (t_s, voltage_V, current_A into the cell) of a lamp that burns on a cell until both are dark.

    Ends when the lamp has been shut off for a minute on end, or the time is over.
    """
    rows: list[tuple[float, float, float]] = []
    dark_s = 0.0
    t_s = 0.0
    while t_s < at_most_s and dark_s < 60.0:
        volts, current_A = lamp_on_cell(lamp, cell)
        rows.append((t_s, volts, current_A))
        lamp.advance(dt_s, volts)
        cell.advance(dt_s, current_A)
        dark_s = dark_s + dt_s if lamp.off else 0.0
        t_s += dt_s
    return rows
