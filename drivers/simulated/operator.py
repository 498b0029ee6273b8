"""What the person of a simulated bench does with the hands: acts from a fixed list, no words.

Warms the sensor between two fingers, puts the check resistor in the cell's place or in series with it,
lets the cell drain through it, takes it out again. Volt, ohm, kelvin, second.
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from amphora.drivers.simulated.bench import SimulatedBench

FINGERS_DEGC = 33.0  # skin (common practice)
WARMS_WITHIN_S = 10.0  # time constant of a small sensor between fingers


@dataclass
class PlainResistor:
    """A resistor where the cell would be."""

    ohm: float
    kind: str = "resistor"

    def current_into(self, voltage_V: float) -> float:
        """Return the current into it at this voltage, A."""
        return voltage_V / self.ohm

    def open_circuit_V(self) -> float:
        """Return nothing: it gives none."""
        return 0.0

    def advance(self, dt_s: float, voltage_V: float) -> None:
        """Stay as it is."""

    def asked(self, act: str) -> bool:
        """Nothing can be switched on it."""
        return False

    def truth(self) -> dict[str, object]:
        """Return what it really is."""
        return {"kind": self.kind, "ohm": self.ohm}


class Fingers:
    """Warmth that fingers put into a sensor: rises while it is held, falls after."""

    def __init__(self) -> None:
        self.held = False
        self._kelvin = 0.0
        self._at_s = 0.0

    def hold(self, now_s: float, held: bool, sensor_degC: float) -> None:
        """Take the sensor, or let go."""
        self.warmth(now_s, sensor_degC)
        self.held, self._at_s = held, now_s

    def warmth(self, now_s: float, sensor_degC: float) -> float:
        """Return how much warmer than what it lies on the sensor is, K.

        Args:
            now_s: The bench's clock.
            sensor_degC: What it lies on.
        """
        if not self.held and not self._kelvin:
            return 0.0
        target_K = FINGERS_DEGC - sensor_degC if self.held else 0.0
        share = math.exp(-max(now_s - self._at_s, 0.0) / WARMS_WITHIN_S)
        self._kelvin = target_K + (self._kelvin - target_K) * share
        self._at_s = now_s
        if not self.held and abs(self._kelvin) < 1e-3:
            self._kelvin = 0.0
        return self._kelvin


def act(bench: "SimulatedBench", what: str) -> None:
    """Do one of `drivers.hands.ACTS`; what is none of the sensor or the check resistor is left to others."""
    if what in ("warm-sensor", "release-sensor"):
        bench.thermometer.fingers.hold(bench.clock.now_s(), what == "warm-sensor", bench.cell.temperature_degC)
    elif what == "resistor-for-cell":
        bench.device = PlainResistor(bench.check_ohm)
    elif what == "cell-back":
        bench.device = None
    elif what == "resistor-in-series":
        bench.lead_ohm += bench.check_ohm
    elif what == "resistor-out-of-lead":
        bench.lead_ohm -= bench.check_ohm
    else:
        return
    bench.touch()
