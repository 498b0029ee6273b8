"""Readings from a serial line: a microcontroller, a meter with a serial output, any sender of lines.

The logger speaks when it likes; a thread takes in what comes, so that the newest complete record and
its age are known at any time and no old one waits in a buffer. A record older than the allowed
silence is never handed out. What a record means stands in its format (`drivers.serial.line_format`).

Ports are opened exclusively; `socket://HOST:PORT` works wherever there is no serial port. A logger
and a relay (`drivers.serial.relay`) of the same program may share one port, each using its own lines.

Known trouble is told by its likely cause: silence, a meter that switched itself off, a wrong baud
rate, a port that vanished, a port somebody else has open.
"""

import contextlib
import errno
import math
import select
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import serial

from amphora.drivers.described import as_written, keys_of, shown, text_of
from amphora.drivers.errors import DescriptionError, DriverError, GarbledReply, IdentityError, LinkError
from amphora.drivers.quantities import described
from amphora.drivers.roles import Abilities, Clock, Meter, SafeState
from amphora.drivers.serial.format_file import load_format
from amphora.drivers.serial.line_format import Format, Parsed, SerialSettings, strip_parity, unwrap

try:
    from termios import error as _TermiosError
except ImportError:  # no such module on Windows

    class _TermiosError(Exception):  # type: ignore[no-redef]
        """Stands in where there is no termios."""


FOREIGN = (serial.SerialException, OSError, _TermiosError, ValueError, OverflowError)
SILENCE_S = 3.0
PATIENCE_S = 1.0  # how long a late line is waited for, on the wall, before it counts as silence
QUARTER_HOUR_S = 900.0
SETTLE_S = 10.0  # a board may start again because the port was opened; later it is an event


@dataclass(frozen=True)
class LoggerTable:
    """The keys of a logger in a bench file, as they are written."""

    role: Any = None
    port: Any = None
    resource: Any = None
    baud: Any = None
    bits: Any = None
    parity: Any = None
    stop: Any = None
    rts: Any = None
    dtr: Any = None
    format: Any = "plain"
    shunt: Any = None
    silence: Any = SILENCE_S
    sensor: Any = ""
    identity: Any = None
    timeout: Any = None
    channel: Any = None
    specification: Any = None
    note: Any = None
    simulated: Any = None


LOGGER_KEYS = tuple(keys_of(LoggerTable))


def _mapped(port: str, doing: str, error: BaseException) -> LinkError:
    """Return what a foreign exception means, in one sentence."""
    number = getattr(error, "errno", None) or (error.args[0] if error.args and isinstance(error.args[0], int) else None)
    text = str(error)
    if doing == "opened":
        if number in (errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK) or "exclusively lock" in text:
            return LinkError(f"{port}: is already in use by another program; end that one first")
        if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
            return LinkError(f"{port}: there is no such port; is the logger plugged in, and is that its name?")
        if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text:
            return LinkError(
                f"{port}: may not be opened; another program has it, or this user may not use serial ports "
                "(on Linux: the port's group, often dialout)"
            )
        if "refused" in text.lower():
            return LinkError(f"{port}: nobody listens there; is the logger's server running?")
        if isinstance(error, _TermiosError):
            return LinkError(f"{port}: the port does not accept these settings (baud, bits, parity or stop): {error}")
    return LinkError(f"{port}: could not be {doing}; it may have been unplugged ({text})")


class SerialPort:
    """One open port, shared by whatever of this program uses it. Use `attach`, never the class."""

    _open_ports: dict[str, "SerialPort"] = {}  # noqa: RUF012  the point is to share it
    _registry = threading.RLock()

    def __init__(self, port: str, settings: SerialSettings) -> None:
        self.port = port
        self.settings = settings
        self.low_lines: set[str] = set()
        self.error: LinkError | None = None
        self.opened_s = 0.0
        self._users = 0
        self._listeners: list[Callable[[bytes], None]] = []
        self._link: Any = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    @classmethod
    def attach(cls, port: str, settings: SerialSettings, low_lines: set[str]) -> "SerialPort":
        """Return the open port of that name, opened if it is not yet.

        Raises:
            LinkError: it cannot be opened.
            DescriptionError: it is open with other settings.
        """
        with cls._registry:
            one = cls._open_ports.get(port)
            if one is None:
                one = cls(port, settings)
                one.low_lines |= low_lines
                one._open()
                cls._open_ports[port] = one
            elif one.settings != settings:
                raise DescriptionError(
                    f"{port}: is named by two instruments with different settings ({one.settings} and {settings})"
                )
            else:
                one.low_lines |= low_lines
                for line in low_lines:
                    one.set_line(line, False)
            one._users += 1
            return one

    def detach(self, listener: Callable[[bytes], None] | None = None) -> None:
        """Give it back; the last user closes it."""
        with self._registry:
            if listener in self._listeners:
                self._listeners.remove(listener)
            self._users -= 1
            if self._users <= 0:
                self._open_ports.pop(self.port, None)
                self._close()

    def listen(self, listener: Callable[[bytes], None]) -> None:
        """Hand all bytes that come to `listener` (empty bytes say: the port was opened again)."""
        with self._registry:
            self._listeners.append(listener)
            if self._thread is None and self._link is not None:
                self._start_reading()

    def reopen(self) -> None:
        """Close and open again; LinkError when that fails."""
        with self._registry:
            self._close()
            self._open()
            for listener in self._listeners:
                listener(b"")
            if self._listeners:
                self._start_reading()

    def set_line(self, line: str, level: bool) -> None:
        """Set RTS or DTR; LinkError when the port cannot."""
        link = self._alive()
        try:
            setattr(link, line, level)
        except FOREIGN as error:
            raise LinkError(f"{self.port}: its {line.upper()} line cannot be set ({error})") from error

    def get_line(self, line: str) -> bool:
        """Return the level of CTS, DSR, RI or CD; LinkError when the port cannot."""
        link = self._alive()
        try:
            return bool(getattr(link, line))
        except FOREIGN as error:
            raise LinkError(f"{self.port}: its {line.upper()} line cannot be read ({error})") from error

    def write(self, data: bytes) -> None:
        """Send bytes; LinkError when that takes longer than a second."""
        link = self._alive()
        try:
            link.write(data)
        except FOREIGN as error:
            raise _mapped(self.port, "written to", error) from error

    def _alive(self) -> Any:
        if self.error is not None:
            raise LinkError(str(self.error))
        if self._link is None:
            raise LinkError(f"{self.port}: is closed")
        return self._link

    def _open(self) -> None:
        self.error = None
        try:
            self._link = self._opened(soft_bits=self.settings.parity != "none")
        except _TermiosError as error:
            if self.settings.bits != 7:
                raise _mapped(self.port, "opened", error) from error
            try:  # a port without 7 bits (a pseudo-terminal): take 8 and drop the top one
                self._link = self._opened(soft_bits=True)
            except FOREIGN as again:
                raise _mapped(self.port, "opened", again) from again
        except FOREIGN as error:
            raise _mapped(self.port, "opened", error) from error
        self.opened_s = time.monotonic()

    def _opened(self, soft_bits: bool) -> Any:
        """Open with the settings. 7 bits with parity are taken as 8 without: as long on the wire, and
        the parity can then be checked here on any adapter."""
        wanted = self.settings
        seven = wanted.bits == 7 and not soft_bits
        soft_parity = wanted.bits == 7 and soft_bits
        real = "://" not in self.port
        link = serial.serial_for_url(
            self.port,
            do_not_open=True,
            baudrate=wanted.baud,
            bytesize=7 if seven else 8,
            parity="N" if soft_parity else wanted.parity[0].upper(),
            stopbits=wanted.stop,
            timeout=0,
            write_timeout=1.0,
            **({"exclusive": True} if real else {}),
        )
        for line in ("rts", "dtr"):
            level = False if line in self.low_lines else getattr(wanted, line)
            if level is not None:
                setattr(link, line, level)
        try:
            link.open()
        except BaseException:
            with contextlib.suppress(*FOREIGN):
                link.close()
            raise
        return link

    def _close(self) -> None:
        self._stop.set()
        thread, self._thread = self._thread, None
        if thread is not None and thread is not threading.current_thread():
            thread.join(timeout=2.0)
        link, self._link = self._link, None
        if link is not None:
            with contextlib.suppress(*FOREIGN):
                link.close()

    def _start_reading(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(
            target=self._read_on, args=(self._link, self._stop), name=f"serial {self.port}", daemon=True
        )
        self._thread.start()

    def _read_on(self, link: Any, stop: threading.Event) -> None:
        """Take in bytes until told to stop; the reader thread."""
        try:
            number: int | None = link.fileno()
        except (AttributeError, OSError, ValueError, TypeError):
            number = None  # Windows, loop://: no descriptor to wait on
        soft = self.settings.bits == 7
        parity = "none" if self.port.startswith("socket://") else self.settings.parity
        while not stop.is_set():
            try:
                if number is not None:
                    if not select.select([number], [], [], 0.1)[0]:
                        continue
                    data = link.read(4096)
                else:
                    waiting = link.in_waiting
                    if not waiting:
                        stop.wait(0.01)
                        continue
                    data = link.read(waiting)
            except (*FOREIGN, TypeError) as error:
                if not stop.is_set():
                    self.error = _mapped(self.port, "read", error)
                    for listener in tuple(self._listeners):
                        listener(b"")
                return
            if data:
                clean = strip_parity(data, parity) if soft else data
                for listener in tuple(self._listeners):
                    listener(clean)


class SerialLogger:
    """A logger as a meter: only measures.

    Args:
        name: The instrument's name in the bench file.
        description: Its table: `port`, `format`, and what is special (see `LOGGER_KEYS`).
        clock: The bench's clock; ages are counted on it.

    With `shunt` the current comes from the voltage over a known resistor, -V/R, negative because it
    leaves the cell: from the format's `shunt` column where it has one, else from the cell's own
    voltage (the resistor then has to be on the cell whenever the logger reads). A current that the
    logger sends itself is kept.
    """

    role = "logger"
    _bad_total: int
    _bad_told: int
    sensors: Mapping[str, float]  # all that the newest line names, degC
    _complaint: str

    def __init__(self, name: str, description: Mapping[str, Any], clock: Clock) -> None:
        here = f"instruments.{name}"
        table = as_written(LoggerTable, description, here)
        self.name = name
        self.abilities = Abilities()
        self.format: Format = load_format(text_of(table.format, f"{here}.format"))
        self.settings = SerialSettings.from_dict(description, here, self.format.serial)
        self.shunt_ohm: float | None = None
        if table.shunt is not None:
            self.shunt_ohm = described(table.shunt, "resistance", f"{here}.shunt", bare=True, positive=True)
        self.sensor = text_of(table.sensor, f"{here}.sensor")
        self._check_sensor(here)
        self.silence_s = described(table.silence, "duration", f"{here}.silence", bare=True, positive=True)
        self._identity = None if table.identity is None else text_of(table.identity, f"{here}.identity")
        self._clock = clock
        self._span_s = self.format.counter_span_s()
        self._news = threading.Condition()
        self._forget()
        self._port_name = port_of(table.port, table.resource, here)
        self._port: SerialPort | None = SerialPort.attach(self._port_name, self.settings, set())
        self._port.listen(self._take)
        try:
            self._check_identity()
        except BaseException:
            self.close()
            raise

    # -- what a meter is asked --------------------------------------------------------------------

    def identify(self) -> str:
        """Return port, format and, for a USB port, who the adapter says it is."""
        return f"serial logger on {self._port_name}, format {self.format.name}{usb_text(self._port_name)}"

    def read_errors(self) -> list[str]:
        """Return what happened since the last call: the logger started again, records that could not be read."""
        with self._news:
            told = list(self._told)
            self._told.clear()
            bad, self._bad_told = self._bad_total - self._bad_told, self._bad_total
            if bad:
                told.append(f"{self.name}: {bad} records could not be read; the last: {self._complaint}")
        return told

    def read(self) -> Mapping[str, float]:
        """Return the newest complete record; waits when none is fresh yet.

        Raises:
            LinkError: the port failed, or the logger was silent for longer than `silence`.
            GarbledReply: bytes came, and none could be read as a record of its format.
        """
        port = self._port
        if port is None:
            raise LinkError(f"{self.name}: {self._port_name} is closed")
        patience_s = self.silence_s if self._latest is None else min(self.silence_s, PATIENCE_S)
        began_s = time.monotonic()
        with self._news:
            while True:
                if port.error is not None:
                    raise LinkError(f"{self.name}: {port.error}")
                # What came during this call is fresh, also on a bench that lives much faster.
                if self._latest is not None and (self._latest_wall_s >= began_s or self.age_s() <= self.silence_s):
                    return self._latest
                left_s = max(began_s, self._latest_wall_s) + patience_s - time.monotonic()
                if left_s <= 0:
                    raise self._why_silent()
                self._news.wait(min(left_s, 0.1))

    def _check_sensor(self, here: str) -> None:
        """Check that the sensor that is named can come in a line, and that one is named where several do.

        Raises:
            DescriptionError: it cannot, or none is.
        """
        known = [column.name for column in getattr(self.format, "columns", ()) if column.quantity == "temperature"]
        named = getattr(self.format, "named_sensors", False)
        if named and not self.sensor:
            raise DescriptionError(
                f"{here}.sensor is missing: format {self.format.name} tells sensors apart by name; one is needed"
            )
        if self.sensor and not named and self.sensor not in known:
            raise DescriptionError(
                f"{here}.sensor: {shown(self.sensor)} is not accepted; the temperatures of format {self.format.name} "
                f"are {', '.join(known) or 'none'}"
            )

    def age_s(self) -> float:
        """Return the age of the newest record on the bench's clock; infinite before the first."""
        return math.inf if self._latest is None else self._clock.now_s() - self._latest_s

    def read_setup(self) -> Mapping[str, object]:
        """Nothing can be set; says how many records came and how many could not be read."""
        with self._news:
            return {
                "on": None,
                "format": self.format.name,
                "records": self._good,
                "unreadable": self._bad_total,
                "faults": list(self._faults),
            }

    def make_safe(self) -> SafeState:
        """A logger switches nothing."""
        return SafeState(True, None, "measures only; it has nothing to switch")

    def reopen(self) -> None:
        """Close, open again, check who is there."""
        if self._port is None:
            self._port = SerialPort.attach(self._port_name, self.settings, set())
            self._port.listen(self._take)
            self._forget()
        else:
            self._port.reopen()
        self._check_identity()

    def close(self) -> None:
        """Give the port back. May be called twice."""
        port, self._port = self._port, None
        if port is not None:
            port.detach(self._take)

    # -- the inside -------------------------------------------------------------------------------

    def _check_identity(self) -> None:
        if self._identity is not None and self._identity not in self.identify():
            raise IdentityError(f"{self.name}: {self.identify()!r} answers; the bench file expects {self._identity!r}")

    def _forget(self) -> None:
        self._buffer = bytearray()
        self._latest: Mapping[str, float] | None = None
        self._latest_s = self._latest_wall_s = 0.0
        self._first_good_s: float | None = None
        self._opened_s = time.monotonic()
        self._started = False  # whether any byte came
        self._skip_first = False
        self._good = self._bad_total = self._bad_told = 0
        self._bytes = self._odd_bytes = self._bad = self._ignored = 0  # since the last good record
        self._complaint = ""
        self._faults: tuple[str, ...] = ()
        self._told: list[str] = []
        self._last_count_s: float | None = None
        self._turns = 0

    def _take(self, data: bytes) -> None:
        """Take in bytes; called by the reader thread."""
        with self._news:
            if not data:
                port = self._port
                if port is None or port.error is None:
                    self._forget()
                self._news.notify_all()
                return
            if not self._started:
                # Bytes right after opening are the tail of a record, and a tail may read as a whole
                # one with other values; after a pause of a few bytes' time a record begins.
                self._started = True
                self._skip_first = time.monotonic() - self._opened_s < max(0.05, 40.0 / self.settings.baud)
            self._bytes += len(data)
            if self.format.kind == "lines":
                self._odd_bytes += sum(1 for byte in data if byte > 126 or (byte < 32 and byte not in (9, 10, 13)))
            self._buffer += data
            for record in self.format.split(self._buffer):
                if self._skip_first:
                    self._skip_first = False
                    continue
                self._take_record(record)
            self._news.notify_all()

    def _take_record(self, record: bytes) -> None:
        try:
            parsed = self.format.parse(record)
        except GarbledReply as error:
            if self._good or self._bad:  # noise at connect is no news
                self._bad_total += 1
            self._bad += 1
            self._complaint = str(error)
            return
        if parsed is None:
            self._ignored += 1
            return
        self._faults = parsed.faults
        if not parsed.values and not parsed.sensors:
            self._bad += 1
            self._complaint = "; ".join(parsed.faults) or f"{shown(record)} holds no value"
            return
        self._latest = self._values(parsed)
        self._latest_s = self._clock.now_s()
        self._latest_wall_s = time.monotonic()
        if self._first_good_s is None:
            self._first_good_s = self._latest_s
        self._good += 1
        self._bytes = self._odd_bytes = self._bad = self._ignored = 0

    def _values(self, parsed: Parsed) -> dict[str, float]:
        values = dict(parsed.values)
        self.sensors = parsed.sensors
        if self.sensor:
            values.pop("temperature_degC", None)  # of another sensor
            if self.sensor in parsed.sensors:
                values["temperature_degC"] = parsed.sensors[self.sensor]
            elif not any(fault.startswith(f"{self.sensor} reads") for fault in self._faults):
                self._faults = (*self._faults, f"{self.sensor} is not in the line: no such sensor answers")
        if self.shunt_ohm is not None and "current_A" not in values:
            over_V = values.get("shunt_V", values.get("voltage_V"))
            if over_V is not None:
                values["current_A"] = -over_V / self.shunt_ohm
        if parsed.time_s is not None:
            time_s, self._turns, again = unwrap(parsed.time_s, self._last_count_s, self._turns, self._span_s)
            if again and time.monotonic() - self._opened_s > SETTLE_S:
                self._told.append(
                    f"{self.name}: the logger started again (its time went back from "
                    f"{self._last_count_s:g} s to {parsed.time_s:g} s); look at its supply"
                )
            self._last_count_s = parsed.time_s
            values["logger_time_s"] = round(time_s, 6)
        return values

    def _why_silent(self) -> DriverError:
        """Return the exception that tells what came instead of a fresh record."""
        where = f"{self.name} on {self._port_name}"
        since = "since it was opened" if self._latest is None else f"for {self.age_s():.1f} s"
        if not self._bytes:
            return LinkError(f"{where}: silent {since} ({self.silence_s:g} s are allowed){self._likely_cause()}")
        if self.format.kind == "lines" and self._odd_bytes > 0.3 * self._bytes:
            return GarbledReply(
                f"{where}: {self._bytes} bytes came {since}, most of them no text; the baud rate "
                f"({self.settings.baud}) is probably wrong"
            )
        if self._bad:
            return GarbledReply(
                f"{where}: {self._bad} records came {since}, none of use to format {self.format.name}; "
                f"the last: {self._complaint}"
            )
        if self._ignored:
            return GarbledReply(f"{where}: only header lines came {since}, no reading")
        return GarbledReply(
            f"{where}: {self._bytes} bytes came {since} and no complete record; the format ({self.format.name}) or the "
            f"baud rate ({self.settings.baud}) is probably wrong"
        )

    def _likely_cause(self) -> str:
        if self._latest is None or self._first_good_s is None:
            return "; is it switched on, and is it set to send?"
        ran_s = self._latest_s - self._first_good_s
        if abs(ran_s - QUARTER_HOUR_S) <= 90.0:
            return (
                f"; it had run for {ran_s / 60:.0f} min: most likely a meter that switches itself off after a quarter "
                "of an hour; turn that off in the meter"
            )
        if ran_s < QUARTER_HOUR_S:
            return "; was it unplugged, or is it a meter that switches itself off after a quarter of an hour?"
        return "; was it unplugged, or is its battery empty?"


def open_logger(name: str, description: Mapping[str, Any], clock: Clock) -> Meter:
    """Open a serial logger.

    Raises:
        DescriptionError: its table or its format is wrong; nothing was opened.
        LinkError: the port cannot be opened.
        IdentityError: another adapter is there than the table says.
    """
    return SerialLogger(name, description, clock)


# -- small things shared with the switch ----------------------------------------------------------


def port_of(port: object, resource: object, here: str) -> str:
    """Return the port's name: what the table says by the one key or the other."""
    port = resource if port is None else port
    if not isinstance(port, str) or not port.strip():
        raise DescriptionError(f"{here}.port: is missing; a port such as /dev/ttyUSB0, COM3 or socket://HOST:PORT is")
    return port.strip()


def usb_text(port: str) -> str:
    """Return who a USB adapter says it is, as ', …'; empty where that is not known."""
    if "://" in port:
        return ""
    try:
        from serial.tools.list_ports import comports

        found = next((one for one in comports() if one.device == port), None)
    except (ImportError, OSError, TypeError, AttributeError):
        return ""
    if found is None or found.vid is None:
        return ""
    return ", " + " ".join(filter(None, (found.manufacturer, found.product, found.serial_number)))
