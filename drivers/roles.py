"""What a bench may be asked: the roles and the clock.

The runner sees this module of `drivers` and no other. Signs: current is positive INTO the cell.
Units: SI, named in the quantity (`voltage_V`, `current_A`, `temperature_degC`). An instrument
reports what it measures in those keys; a load reports its current as negative, a supply as
positive, so that the cell's current is the sum over the instruments named for it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol, runtime_checkable

DischargeMode = Literal["current", "resistance", "power", "voltage"]
Position = Literal["open", "discharge", "charge"]


@dataclass(frozen=True, slots=True)
class SafeState:
    """What an instrument answered when it was made safe.

    `off`: read back as off (or it has nothing to switch); `current_A`: what it then measured,
    None where it measures none; `text`: one sentence for the record.
    """

    off: bool
    current_A: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Abilities:
    """What an instrument can guard by itself, and how it behaves. Unknown is None."""

    low_voltage_cutoff: bool = False
    cutoff_latches: bool | None = None
    over_voltage_protection: bool = False
    over_current_protection: bool = False
    off_timer: bool = False
    off_timer_renewable: bool = False  # set anew with the output on it begins anew
    power_on_off: bool | None = None
    measures_with_output_off: bool = True
    refresh_s: float = 0.0
    remote_sense: bool = False
    off_when_silent_s: float = 0.0  # switches itself off when nobody has spoken to it for so long; 0: does not


@runtime_checkable
class Clock(Protocol):
    """Time as the bench has it; virtual in the simulated bench."""

    def now_s(self) -> float:
        """Seconds on a clock that never goes back and counts on through a suspend."""
        ...

    def utc(self) -> datetime:
        """The wall clock, aware, UTC."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait; a virtual clock moves on at once."""
        ...


class Instrument(Protocol):
    """Anything with a link. Every method may raise `drivers.errors.DriverError`."""

    name: str
    role: str
    abilities: Abilities

    def identify(self) -> str:
        """Return the full `*IDN?` answer (a logger: its port and format)."""
        ...

    def read_errors(self) -> list[str]:
        """Empty the error queue; return what was in it, oldest first, as `code, text`."""
        ...

    def read(self) -> Mapping[str, float]:
        """Measure: keys with units, current signed as seen by the cell. Never NaN or infinite."""
        ...

    def read_setup(self) -> Mapping[str, object]:
        """What is set and whether it is on: at least `on` (bool or None where it can't be asked)."""
        ...

    def make_safe(self) -> SafeState:
        """Switch off and verify; works in any state, may be called twice."""
        ...

    def reopen(self) -> None:
        """Close, open again, ask who is there (raises IdentityError when it is another)."""
        ...

    def close(self) -> None:
        """Give the link back. Changes nothing in the instrument. May be called twice."""
        ...


class Load(Instrument, Protocol):
    """Takes current out of the cell."""

    def set_discharge(self, mode: DischargeMode, value: float) -> float:
        """Set mode and level (A, ohm, W or V; positive); return the level the load holds."""
        ...

    def set_input(self, on: bool) -> None:
        """Switch the input; read back."""
        ...

    def arm_limits(self, low_voltage_V: float | None, max_current_A: float | None) -> Mapping[str, float]:
        """Arm its own cut-off and protection where it has them; return what it holds."""
        ...


class Supply(Instrument, Protocol):
    """Puts current into the cell."""

    def set_voltage(self, voltage_V: float) -> float:
        """Set the output voltage; return the value held."""
        ...

    def set_current_limit(self, current_A: float) -> float:
        """Set the current limit; return the value held."""
        ...

    def set_output(self, on: bool) -> None:
        """Switch the output; read back."""
        ...

    def arm_limits(
        self, over_voltage_V: float | None, over_current_A: float | None, off_after_s: float | None
    ) -> Mapping[str, float]:
        """Arm its own protections and timer where it has them; return what it holds."""
        ...

    def set_timer(self, off_after_s: float) -> float:
        """Set its timer, also with the output on; return what it holds, in second."""
        ...


class Meter(Instrument, Protocol):
    """Only measures: a voltmeter, a thermometer, a serial logger."""


class Switch(Instrument, Protocol):
    """A relay between the cell and the instruments."""

    def connect(self, position: Position) -> None:
        """Move and read back where it can."""
        ...

    def beat(self) -> None:
        """Keep a held relay in; called at least once a second by the runner."""
        ...
