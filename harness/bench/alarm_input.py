"""A smoke or heat detector that a bench file names as an input: what it says, in words. Orders nothing.

[smoke_alarm]
file = "/sys/class/gpio/gpio17/value"
alarm_when = "1"
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, finite_number, shown, text_of


@dataclass(frozen=True)
class AlarmTable:
    """The keys of [smoke_alarm], as they are written."""

    file: Any = None
    alarm_when: Any = None
    above: Any = None
    scale: Any = None
    unit: Any = None


@dataclass(frozen=True, slots=True)
class AlarmInput:
    """A smoke or heat detector, as a file that a system shows its state in (a pin, a thermometer).

    file: Read every second. alarm_when: the words that mean alarm. above: or a number times `scale` from which on
    it is one. A file that cannot be read is an alarm too: nobody would be told of smoke.
    """

    file: str
    alarm_when: str = ""
    above: float | None = None
    scale: float = 1.0

    def read(self) -> str:
        """Return why everything has to stop; empty where all is quiet."""
        try:
            text = Path(self.file).read_text(encoding="utf-8", errors="replace").strip()
        except OSError as error:
            return f"the smoke or heat alarm cannot be read ({self.file}: {error.strerror})"
        if self.alarm_when and text == self.alarm_when:
            return f"the smoke or heat alarm says {text!r} ({self.file})"
        if self.above is not None:
            try:
                value = float(text) * self.scale
            except ValueError:
                return f"the heat alarm shows no number ({self.file}: {shown(text)})"
            if not value < self.above:
                return f"the heat alarm shows {value:g} (limit {self.above:g}; {self.file})"
        return ""


def alarm_input_of(data: Any, where: str) -> AlarmInput | None:
    """Return what a bench file's [smoke_alarm] describes; None where there is none.

    Args:
        data: The table.
        where: The file and the table, for messages.

    Raises:
        InputError: a key or value is not accepted.
    """
    if data is None:
        return None
    table = as_written(AlarmTable, data, where, ("file",))
    if table.alarm_when is None and table.above is None:
        raise InputError(f"{where}: alarm_when or above is missing; what of the file means alarm?")
    above, scale = finite_number(table.above), finite_number(table.scale)
    for key, written, value in (("above", table.above, above), ("scale", table.scale, scale)):
        if written is not None and value is None:
            raise InputError(f"{where}: {key} = {shown(written)} is not accepted; a number is")
    when = "" if table.alarm_when is None else str(table.alarm_when)
    return AlarmInput(text_of(table.file, f"{where}: file"), when, above, scale or 1.0)
