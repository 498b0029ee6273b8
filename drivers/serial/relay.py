"""A relay held by a beating line: it falls out by itself when the program is silent.

Each call of `beat` (the runner calls it at least once a second) toggles RTS or DTR of a serial port,
or sends a text to a microcontroller. A charge pump (see docs/serial-logger.md) holds the relay as
long as edges come and lets it fall out within 10 s of the last one: a steady level, which a system
may put on the line when a port is opened, holds nothing.

A bench table: `port`, `hold = { discharge = "rts", charge = "dtr" }` (a position and the line that
holds it, or `"text d"` for a text sent with each beat), `open = "text o"` (what lets a microcontroller's
relay fall out at once; without it, it falls out when the beats stop), `feedback = { discharge = "cts" }`
(an input that is on while the contact is made), `release = "8 s"` (the longest time it takes to fall out).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, get_args

from amphora.drivers.described import as_written, keys_of, shown, text_of
from amphora.drivers.errors import DescriptionError, DriverError, IdentityError, InstrumentError, LimitError, LinkError
from amphora.drivers.quantities import described
from amphora.drivers.relay import Relay
from amphora.drivers.roles import Abilities, Clock, Position, SafeState
from amphora.drivers.serial.line_format import SerialSettings
from amphora.drivers.serial.logger import SerialPort, port_of, usb_text


@dataclass(frozen=True)
class RelayTable:
    """The keys of a held relay in a bench file, as they are written."""

    role: Any = None
    port: Any = None
    resource: Any = None
    baud: Any = None
    bits: Any = None
    parity: Any = None
    stop: Any = None
    rts: Any = None
    dtr: Any = None
    hold: Any = field(default_factory=lambda: {"discharge": "rts"})
    open: Any = ""
    feedback: Any = field(default_factory=dict)
    release: Any = "8 s"
    identity: Any = None
    timeout: Any = None
    channel: Any = None
    specification: Any = None
    note: Any = None
    simulated: Any = None


KEYS = tuple(keys_of(RelayTable))
LONGEST_RELEASE_S = 10.0
PULL_IN_EDGES = 20
EDGE_S = 0.02
FEEDBACK_S = 2.0
HELD = tuple(position for position in get_args(Position) if position != "open")


class HeldRelay(Relay):
    """See the module. Position `open` after opening, whatever was before."""

    def __init__(self, name: str, description: Mapping[str, Any], clock: Clock) -> None:
        here = f"instruments.{name}"
        table = as_written(RelayTable, description, here)
        self.name = name
        self.abilities = Abilities()
        self._clock = clock
        self._hold = _table(table.hold, f"{here}.hold", _is_holder, "rts, dtr, text X")
        if not self._hold:
            raise DescriptionError(f"{here}.hold: is empty; at least one position and its line are needed")
        self._feedback = _table(
            table.feedback,
            f"{here}.feedback",
            {"cts", "dsr", "cd", "ri"}.__contains__,
            "cts, dsr, cd, ri",
        )
        self.release_s = described(table.release, "duration", f"{here}.release", bare=True, positive=True)
        if self.release_s > LONGEST_RELEASE_S:
            raise DescriptionError(
                f"{here}.release: {self.release_s:g} s is too long; a relay has to fall out within "
                f"{LONGEST_RELEASE_S:g} s of silence"
            )
        opens = table.open
        if not isinstance(opens, str) or (opens and (not _is_holder(opens) or opens in self._hold.values())):
            raise DescriptionError(f"{here}.open: {shown(opens)} is not accepted; text X is, another than a hold's")
        self.open_text = opens.removeprefix("text ") if opens.startswith("text ") else ""
        if opens and not self.open_text:
            raise DescriptionError(f"{here}.open: {shown(opens)} is not accepted; text X is")
        self._lines = {holder for holder in self._hold.values() if holder in ("rts", "dtr")}
        for line in self._lines:
            if line in description:
                raise DescriptionError(f"{here}.{line}: is given a level, and hold uses it; one of the two")
        self._identity = None if table.identity is None else text_of(table.identity, f"{here}.identity")
        self._settings = SerialSettings.from_dict(description, here)
        self._port_name = port_of(table.port, table.resource, here)
        self.position: Position = "open"
        self._level = False
        self._opened_s = -LONGEST_RELEASE_S  # when it was last let go, on the bench's clock
        self._port: SerialPort | None = SerialPort.attach(self._port_name, self._settings, self._lines)
        if self._identity is not None and self._identity not in self.identify():
            told = self.identify()
            self.close()
            raise IdentityError(f"{name}: {told!r} answers; the bench file expects {self._identity!r}")

    def identify(self) -> str:
        """Return port, lines and, for a USB port, who the adapter says it is."""
        held = ", ".join(f"{position} held by {holder}" for position, holder in self._hold.items())
        return f"relay on {self._port_name}, {held}{usb_text(self._port_name)}"

    def connect(self, position: Position) -> None:
        """Move, and read back where there is feedback; two contacts are never made at once.

        Raises:
            LimitError: the relay has no such position; nothing was moved.
            InstrumentError: the feedback says otherwise.
            LinkError: the port failed; the relay falls out by itself.
        """
        if position != "open" and position not in self._hold:
            raise LimitError(
                f"{self.name}: has no position {position!r}; its hold table has {', '.join(self._hold)}; nothing moved"
            )
        if position == self.position:
            self.beat()
            return
        self._let_go()
        if position == "open":
            if not self._wait_for(made=False, seconds=self.release_s):
                raise InstrumentError(f"{self.name}: still makes contact {self.release_s:g} s after it was let go")
            return
        left_s = self._opened_s + self.release_s - self._clock.now_s()
        if left_s > 0 and not (self._feedback and self._wait_for(made=False, seconds=self.release_s)):
            self._clock.sleep(left_s)
        self.position = position
        for _ in range(PULL_IN_EDGES if self._hold[position] in ("rts", "dtr") else 1):
            self.beat()
            self._clock.sleep(EDGE_S)
        if position in self._feedback and not self._wait_for(made=True, seconds=FEEDBACK_S):
            self._let_go()
            raise InstrumentError(
                f"{self.name}: was moved to {position}, and its feedback says no contact; let go again"
            )

    def beat(self) -> None:
        """Give one edge (or one text) to the held position; nothing when it is open."""
        if self.position == "open":
            return
        holder = self._hold[self.position]
        port = self._attached()
        if holder in ("rts", "dtr"):
            port.set_line(holder, not self._level)
            self._level = not self._level
        else:
            port.write(holder.removeprefix("text ").encode("utf-8") + b"\n")

    def send_off(self) -> bool:
        """Let it go on the port that is open; waits for nobody, never raises. Whether the port took it."""
        try:
            self._let_go()
        except DriverError:
            return False
        return True

    def make_safe(self) -> SafeState:
        """Stop holding it; waits for the contact to open where feedback tells, else says how long that takes."""
        try:
            self._let_go()
        except LinkError as error:
            # Without a port no edge reaches it: that is how it falls out.
            return SafeState(True, None, f"{error}; no longer held, falls out by itself within {self.release_s:g} s")
        if not self._feedback and self.open_text:
            return SafeState(True, None, f"told to open; falls out by itself within {self.release_s:g} s")
        if not self._feedback:
            return SafeState(True, None, f"no longer held; falls out by itself within {self.release_s:g} s")
        if self._wait_for(made=False, seconds=self.release_s):
            return SafeState(True, None, "let go; its feedback says open")
        return SafeState(False, None, f"let go, and its feedback says contact after {self.release_s:g} s")

    def reopen(self) -> None:
        """Close and open again; it is then open."""
        self.position, self._level = "open", False
        if self._port is None:
            self._port = SerialPort.attach(self._port_name, self._settings, self._lines)
        else:
            self._port.reopen()

    def close(self) -> None:
        """Give the port back; the relay then falls out. May be called twice."""
        port, self._port = self._port, None
        if port is not None:
            port.detach()

    def _attached(self) -> SerialPort:
        if self._port is None:
            self._port = SerialPort.attach(self._port_name, self._settings, self._lines)
        return self._port

    def _let_go(self) -> None:
        if self.position != "open":
            self._opened_s = self._clock.now_s()
        self.position, self._level = "open", False
        failed: DriverError | None = None
        if self.open_text:
            try:
                self._attached().write(self.open_text.encode("utf-8") + b"\n")
            except DriverError as error:
                failed = error
        for line in sorted(self._lines):
            try:
                self._attached().set_line(line, False)
            except DriverError as error:  # a steady level holds nothing; the other line is tried first
                failed = error
        if failed is not None:
            raise failed

    def _made(self) -> bool | None:
        """Return whether any contact is made, None without feedback."""
        if not self._feedback:
            return None
        return any(self._attached().get_line(line) for line in self._feedback.values())

    def _wait_for(self, made: bool, seconds: float) -> bool:
        """Wait until feedback says so; True at once where there is none."""
        until_s = self._clock.now_s() + seconds
        while (state := self._made()) is not None and state != made:
            if self._clock.now_s() >= until_s:
                return False
            if made:
                self.beat()
            self._clock.sleep(0.05)
        return True


def _is_holder(value: str) -> bool:
    return value in ("rts", "dtr") or (value.startswith("text ") and bool(value[5:].strip()) and value.isprintable())


def _table(value: Any, where: str, accepted: Any, text: str) -> dict[Position, str]:
    if not isinstance(value, Mapping):
        raise DescriptionError(f'{where}: {shown(value)} is not accepted; a table such as {{ discharge = "rts" }} is')
    for position, line in value.items():
        if position not in HELD:
            raise DescriptionError(f"{where}: position {shown(position)} is not accepted; {', '.join(HELD)} are")
        if not isinstance(line, str) or not accepted(line):
            raise DescriptionError(f"{where}.{position}: {shown(line)} is not accepted; {text} is")
    if len(set(value.values())) != len(value):
        raise DescriptionError(f"{where}: two positions share one line")
    return dict(value)
