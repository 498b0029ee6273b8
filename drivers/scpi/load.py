"""A generic electronic load: takes current out of the cell, driven by a dialect.

A load reports its current as positive; here it is negative, because it leaves the cell.
"""

from collections.abc import Mapping

from amphora.drivers.described import shown
from amphora.drivers.errors import GarbledReply, InstrumentError, LimitError
from amphora.drivers.roles import DischargeMode
from amphora.drivers.scpi.instrument import ScpiInstrument
from amphora.drivers.scpi.syntax import is_spelling


class ScpiLoad(ScpiInstrument):
    """A load with one input, or one input of several. See `drivers.roles.Load`."""

    role = "load"
    sign = -1.0

    def set_discharge(self, mode: DischargeMode, value: float) -> float:
        """Set what is held and its level (A, ohm, W or V; positive); return the level held.

        While the input is on, no old level of the new mode is ever in force: the level is set
        before the mode, or where the dialect cannot, the input is off in between.

        Raises:
            LimitError: a mode the load has not, or a level outside its range; nothing was sent.
            InstrumentError: an error was queued, or another mode or level is held.
        """
        dialect = self.dialect
        if mode not in dialect.mode_words:
            raise LimitError(
                f"{self.name}: cannot hold a constant {mode} (dialect {dialect.name}); "
                f"{', '.join(dialect.mode_words)} can be held; nothing was sent"
            )
        if not value > 0.0:
            raise LimitError(f"{self.name}: {mode} {value:g} is not accepted; a value above 0 is; nothing was sent")
        self._checked(mode, value)
        if self._mode() == mode:
            return self._hold(mode, value)
        was_on = self._is_on()
        if dialect.mode_needed_before_level:
            if was_on:
                self._switch(False)
            self._set_mode(mode)
            held = self._hold(mode, value)
        else:
            held = self._hold(mode, value)
            self._set_mode(mode)
        if was_on and not self._is_on():
            self._switch(True)
        return held

    def set_input(self, on: bool) -> None:
        """Switch the input; read back."""
        self._switch(on)

    def arm_limits(self, low_voltage_V: float | None, max_current_A: float | None) -> Mapping[str, float]:
        """Arm the load's own cut-off and over-current protection where it has them.

        Returns:
            What it holds: `low_voltage_V`, `max_current_A`; a key is missing where there is none.
        """
        armed: dict[str, float] = {}
        self._prepare()
        if low_voltage_V is not None and self._has("cutoff"):
            armed["low_voltage_V"] = self._hold("cutoff", low_voltage_V)
        if max_current_A is not None and self._has("over_current"):
            armed["max_current_A"] = self._hold("over_current", max_current_A)
        return armed

    def read_setup(self) -> Mapping[str, object]:
        """Return `on`, `mode`, `level` and the limits it holds."""
        more = {}
        if self.dialect.mode_query is not None:
            more["mode"] = self.dialect.mode_query.send(channel=self.channel)
        found, texts = self._setup(("cutoff", "over_current"), more)
        mode = self._mode_of(texts["mode"]) if more else "current"
        found["mode"] = mode or texts["mode"]
        found["level"] = self._read_setting(mode) if mode else None
        return found

    def _set_mode(self, mode: str) -> None:
        assert self.dialect.mode_set is not None  # without modes it always holds a current, and nobody comes here
        word = self.dialect.mode_words[mode]
        sent = word.upper() if self.dialect.long_words else "".join(one for one in word if not one.islower())
        self._order(self.dialect.mode_set.send(mode=sent, channel=self.channel), f"constant {mode}")
        held = self._until(self._mode, lambda one: one == mode)
        if held != mode:
            raise InstrumentError(f"{self.name}: constant {mode} was ordered, the load holds {held or 'another mode'}")

    def _mode(self) -> str:
        if self.dialect.mode_query is None:
            return "current"
        return self._mode_of(self._ask(self.dialect.mode_query.send(channel=self.channel)))

    def _mode_of(self, text: str) -> str:
        """Return which mode an answer names; empty for one that is not ours."""
        bare = text.strip().strip('"').upper()
        for mode, word in self.dialect.mode_words.items():
            others = (one.upper() for one in self.dialect.mode_answers.get(mode, ()))
            if is_spelling(word, bare) or bare in others:
                return mode
        if not bare or not bare[0].isalpha():
            raise self._garbled(GarbledReply(f"{self.name}: the answer {shown(text)} is no mode"))
        return ""
