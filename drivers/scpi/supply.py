"""A generic DC supply: puts current into the cell, driven by a dialect."""

import math
from collections.abc import Mapping

from amphora.drivers.errors import LimitError
from amphora.drivers.scpi.instrument import ScpiInstrument


class ScpiSupply(ScpiInstrument):
    """A supply with one output, or one output of several. See `drivers.roles.Supply`."""

    role = "supply"

    def set_voltage(self, voltage_V: float) -> float:
        """Set the output voltage; return the value held, in volt.

        Raises:
            LimitError: outside the range; nothing was sent.
            InstrumentError: an error was queued, or another value is held.
        """
        return self._hold("voltage", voltage_V)

    def set_current_limit(self, current_A: float) -> float:
        """Set the current limit; return the value held, in ampere. Errors as `set_voltage`."""
        return self._hold("current", current_A)

    def set_output(self, on: bool) -> None:
        """Switch the output; read back."""
        self._switch(on)

    def arm_limits(
        self, over_voltage_V: float | None, over_current_A: float | None, off_after_s: float | None
    ) -> Mapping[str, float]:
        """Arm the supply's own protections and timer where it has them.

        Returns:
            What it holds: `over_voltage_V`, `over_current_A`, `off_after_s`; a key is missing
            where there is none.
        """
        armed: dict[str, float] = {}
        self._prepare()
        if over_voltage_V is not None and self._has("over_voltage"):
            armed["over_voltage_V"] = self._hold("over_voltage", over_voltage_V)
        if over_current_A is not None and self._has("over_current"):
            armed["over_current_A"] = self._hold("over_current", over_current_A)
        if off_after_s is not None and self._has("off_timer"):
            armed["off_after_s"] = self.set_timer(off_after_s)
        return armed

    def set_timer(self, off_after_s: float) -> float:
        """Set the timer that switches the output off, in whole ticks, upwards; return what it holds, in second.

        With the output on it begins anew only where the dialect says `renewable`.

        Raises:
            LimitError: there is no timer, or the time is outside its range; nothing was sent.
            InstrumentError: an error was queued, or another value is held.
        """
        if not self._has("off_timer"):
            raise LimitError(f"{self.name}: has no timer of its own (dialect {self.dialect.name}); nothing was sent")
        setting = self.dialect.settings["off_timer"]
        tick_s = setting.scale * 10.0**-setting.decimals
        return self._hold("off_timer", math.ceil(off_after_s / tick_s - 1e-9) * tick_s)

    def read_setup(self) -> Mapping[str, object]:
        """Return `on`, `voltage_V`, `current_A` (the limit) and the protections it holds."""
        found, _ = self._setup(tuple(self.dialect.settings), {})
        return found
