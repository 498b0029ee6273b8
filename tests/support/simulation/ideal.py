"""The smallest instruments there can be: a cell that never empties, exact, without a clock.

For trying links and dialects; the bench with physics is `drivers.simulated.bench`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from amphora.drivers.errors import LimitError
from amphora.drivers.roles import Abilities, DischargeMode, SafeState


@dataclass
class IdealCell:
    """A voltage source with a series resistance; the current is positive into the cell."""

    source_V: float = 3.7
    resistance_ohm: float = 0.05
    current_A: float = 0.0

    @property
    def voltage_V(self) -> float:
        """At the terminals."""
        return self.source_V + self.resistance_ohm * self.current_A


class _Ideal:
    role = "meter"

    def __init__(self, cell: IdealCell, name: str = "ideal") -> None:
        self.cell, self.name = cell, name
        self.abilities = Abilities()
        self.on = False
        self.held: dict[str, float] = {}

    def identify(self) -> str:
        return f"AMPHORA SIM,{self.role.upper()},0001,1.0"

    def read_errors(self) -> list[str]:
        return []

    def reopen(self) -> None:
        return None

    def close(self) -> None:
        return None

    def read(self) -> Mapping[str, float]:
        self._flow()
        return {"voltage_V": self.cell.voltage_V, "current_A": self.cell.current_A if self.on else 0.0}

    def read_setup(self) -> Mapping[str, object]:
        return {"on": self.on, **self.held}

    def make_safe(self) -> SafeState:
        self.on = False
        return SafeState(True, 0.0, "off")

    def _flow(self) -> None:
        """Let the current follow what is set."""


class IdealLoad(_Ideal):
    """A load that holds exactly what it is told."""

    role = "load"

    def __init__(self, cell: IdealCell, name: str = "load") -> None:
        super().__init__(cell, name)
        self.mode: DischargeMode = "current"
        self.level = 0.0

    def set_discharge(self, mode: DischargeMode, value: float) -> float:
        """Hold this; LimitError above 40 of any unit."""
        if not 0.0 < value <= 40.0:
            raise LimitError(f"{self.name}: {value:g} is outside 0 to 40")
        self.mode, self.level = mode, value
        return value

    def set_input(self, on: bool) -> None:
        """Switch."""
        self.on = on
        self._flow()

    def arm_limits(self, low_voltage_V: float | None, max_current_A: float | None) -> Mapping[str, float]:
        """Keep the limits."""
        wanted = {"low_voltage_V": low_voltage_V, "max_current_A": max_current_A}
        armed = {key: value for key, value in wanted.items() if value is not None}
        self.held.update(armed)
        return armed

    def _flow(self) -> None:
        cell = self.cell
        if not self.on:
            cell.current_A = 0.0
        elif self.mode == "resistance":
            cell.current_A = -cell.source_V / (self.level + cell.resistance_ohm)
        elif self.mode == "power":
            cell.current_A = -self.level / cell.source_V
        elif self.mode == "voltage":
            cell.current_A = -max(0.0, (cell.source_V - self.level) / cell.resistance_ohm)
        else:
            cell.current_A = -self.level


class IdealSupply(_Ideal):
    """A supply whose current is what the cell takes, up to its limit."""

    role = "supply"

    def __init__(self, cell: IdealCell, name: str = "supply") -> None:
        super().__init__(cell, name)
        self.voltage_V = 0.0
        self.limit_A = 0.0

    def set_voltage(self, voltage_V: float) -> float:
        """Set the output voltage."""
        self.voltage_V = voltage_V
        return voltage_V

    def set_current_limit(self, current_A: float) -> float:
        """Set the current limit."""
        self.limit_A = current_A
        return current_A

    def set_output(self, on: bool) -> None:
        """Switch."""
        self.on = on
        self._flow()

    def arm_limits(
        self, over_voltage_V: float | None, over_current_A: float | None, off_after_s: float | None
    ) -> Mapping[str, float]:
        """Keep the limits."""
        wanted = {"over_voltage_V": over_voltage_V, "over_current_A": over_current_A, "off_after_s": off_after_s}
        armed = {key: value for key, value in wanted.items() if value is not None}
        self.held.update(armed)
        return armed

    def _flow(self) -> None:
        wanted_A = (self.voltage_V - self.cell.source_V) / self.cell.resistance_ohm
        self.cell.current_A = min(max(wanted_A, 0.0), self.limit_A) if self.on else 0.0


class IdealMeter(_Ideal):
    """Measures the cell, and a room of 23 degrees."""

    role = "meter"

    def read(self) -> Mapping[str, float]:
        """Measure."""
        return {"voltage_V": self.cell.voltage_V, "current_A": self.cell.current_A, "temperature_degC": 23.0}
