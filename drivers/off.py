"""What switches one instrument off, as plain data: prepared while it answers, used when nobody can be asked.

An `OffOrder` holds the address as resolved, the exact messages in their order, terminations, pauses,
serial settings, the dialect as found, what reads back, and who is expected. `order_of` takes it from an
open instrument, `order_from_table` from a table of a bench file without opening anything (where the dialect
is not known: what switches off in each dialect it could be). `restore` makes an instrument of it that is
not opened: its `make_safe` opens a session and sends before it asks anything.

A serial device on USB is known by its serial number, wherever it is plugged in; without one by its adapter's
kind and its socket. Where another device, or none, has its place, nothing is sent and `StrangerError` says so.
A host's name is resolved once, when the order is made. Times in seconds.
"""

import dataclasses
import os
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amphora.drivers.errors import DescriptionError, DriverError, LinkError
from amphora.drivers.links.visa import Link
from amphora.drivers.opening import (
    DEFAULT_TIMEOUT_S,
    KINDS,
    find_dialect,
    link_of_table,
    named_dialect,
    relay_of_data,
    relay_of_table,
)
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.polled.switch import DescribedRelay
from amphora.drivers.polled.wires import PortSettings
from amphora.drivers.roles import Instrument, SafeState
from amphora.drivers.scpi.dialect import Dialect, candidates, dialect_of_table
from amphora.drivers.scpi.instrument import KEEP_SESSION_S, ScpiInstrument
from amphora.drivers.scpi.syntax import join_commands
from amphora.drivers.serial.board import is_board, relay_table
from amphora.drivers.serial.relay import HeldRelay

OPEN_S = 1.0  # for a new session: asked again and again, so none may wait for long
MOST_TIMEOUT_S = 5.0  # an answer that takes longer is asked for again; what it says delays nothing
BY_ID = Path("/dev/serial/by-id")


class StrangerError(LinkError):
    """Another device than the one that was prepared for has its port; nothing was sent."""


@dataclass(frozen=True, slots=True)
class UsbDevice:
    """Whose a serial port is: of its adapter, in the system's words; "": not told."""

    vid: str = ""
    pid: str = ""
    serial_number: str = ""
    location: str = ""
    by_id: str = ""

    @property
    def several(self) -> bool:
        """Whether it is an adapter with several ports, of which the interface is one."""
        return ":" in self.location

    @property
    def interface(self) -> str:
        """Which of its ports it is."""
        return self.location.rpartition(":")[2]


@dataclass(frozen=True)
class OffOrder:
    """All that is needed to switch one instrument off without asking it anything. JSON-able by `to_dict`.

    resource: with the host resolved and links of device files followed; messages: what is sent on a new
    session, in order, each ended by `write_termination`, `pause_s` apart; device: who a serial port belongs
    to (`serial_number`, `vid`, `pid`, `location`, `by_id`; empty for none that could be known); read_back:
    the questions and what answers mean off; dialect: the whole table as found, {} where none is known;
    table: of the bench file, as it was.
    """

    name: str
    role: str
    resource: str
    channel: int = 1
    messages: tuple[str, ...] = ()
    write_termination: str = "\n"
    read_termination: str = "\n"
    pause_s: float = 0.0
    timeout_s: float = DEFAULT_TIMEOUT_S
    serial: Mapping[str, Any] = field(default_factory=dict)
    device: UsbDevice | None = None
    identity: str = ""
    expected: str = ""
    dialect: Mapping[str, Any] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    behaviour: Mapping[str, Any] = field(default_factory=dict)
    read_back: Mapping[str, Any] = field(default_factory=dict)
    table: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        return dataclasses.asdict(self) | {"messages": list(self.messages), "missing": list(self.missing)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "OffOrder":
        """Return it from JSON.

        Raises:
            DescriptionError: a key is missing or of another kind.
        """
        try:
            known = {one.name: data[one.name] for one in dataclasses.fields(cls)}
            order = cls(**known)
            order = dataclasses.replace(
                order,
                messages=tuple(order.messages),
                missing=tuple(order.missing),
                device=UsbDevice(**order.device) if order.device else None,  # type: ignore[arg-type]  # as JSON has it
            )
        except (KeyError, TypeError) as error:
            raise DescriptionError(f"an order to switch off: {error} is missing or of another kind") from error
        texts = (order.name, order.role, order.resource, *order.messages)
        if not all(isinstance(one, str) for one in texts) or not isinstance(order.table, Mapping):
            raise DescriptionError(f"an order to switch off: {order.name!r} does not hold texts")
        return order


# -- making one ------------------------------------------------------------------------------------


def order_of(instrument: Instrument, table: Mapping[str, Any]) -> OffOrder | None:
    """Return how an open instrument is switched off; None where it has nothing to switch, or is not ours to write to.

    Args:
        instrument: As opened: its dialect has been found.
        table: Of the bench file.
    """
    if isinstance(instrument, DescribedRelay):
        return _described_relay(instrument, table)
    if isinstance(instrument, HeldRelay):
        return _relay_order(instrument.name, table, bool(instrument.open_text))
    if not isinstance(instrument, ScpiInstrument) or not instrument.off_messages():
        return None
    order = _order(instrument.name, table, instrument.link, instrument.off_messages())
    return dataclasses.replace(
        order,
        channel=instrument.channel,
        identity=instrument.identity,
        expected=instrument.expected,
        dialect=dict(instrument.dialect.data),
        missing=tuple(sorted(instrument.missing)),
        behaviour=dict(instrument.behaviour),
        read_back=_read_back(instrument),
    )


def order_from_table(name: str, table: Mapping[str, Any]) -> OffOrder | None:
    """Return how an instrument is switched off by its table alone; nothing is opened and nobody asked.

    Where the dialect is to be found, the messages are those of each dialect it could be, one after another: a
    command that it does not know changes nothing.

    Raises:
        DescriptionError: the table or its dialect is wrong.
    """
    role = str(table.get("role", ""))
    if role == "switch" and "dialect" in table:
        return _described_relay(relay_of_table(name, table), table)
    if role == "switch":
        return _relay_order(name, table, bool(table.get("open")) or is_board(table))
    if role not in KINDS or role == "meter":
        return None
    dialect = named_dialect(name, table)
    link = link_of_table(name, table, dialect)
    channel = table.get("channel", 1)
    fitting = [dialect] if dialect is not None else _could_be(role, channel)
    each = [_scpi(name, role, link, one, channel) for one in fitting]
    messages = [message for one in each for message in one.off_messages()]
    order = _order(name, table, link, tuple(messages))
    order = dataclasses.replace(order, channel=channel, expected=str(table.get("identity", "")))
    if dialect is None:
        return dataclasses.replace(order, pause_s=max((one.pause_s for one in fitting), default=0.0))
    return dataclasses.replace(order, dialect=dict(dialect.data), read_back=_read_back(each[0]))


def _could_be(role: str, channel: int) -> list[Dialect]:
    return [one for one in candidates(role, "") if channel <= one.channels and one.off is not None]


def _order(name: str, table: Mapping[str, Any], link: Link | PolledLink, messages: tuple[str, ...]) -> OffOrder:
    device = None if not link.is_serial else device_of(_device_path(link.resource))
    return OffOrder(
        name=name,
        role=str(table["role"]),
        resource=resolved(link.resource),
        messages=messages,
        write_termination=link.write_termination,
        read_termination=link.read_termination,
        pause_s=link.pause_s,
        timeout_s=link.timeout_s,
        serial={"baud": link.baud, "data_bits": link.data_bits, "parity": link.parity, "stop_bits": link.stop_bits},
        device=device,
        table=dict(table),
    )


def _relay_order(name: str, table: Mapping[str, Any], told: bool) -> OffOrder | None:
    """A relay that can be told; one that falls out because nobody beats needs nothing."""
    if not told:
        return None
    port = str(table.get("port", table.get("resource", ""))).strip()
    path = os.path.realpath(port) if "://" not in port and port.startswith("/") else port
    if is_board(table):  # OFF is a constant line of its protocol: whoever sends it needs to ask nothing
        table = relay_table(table, f"instruments.{name}")
    text = str(table.get("open", "")).removeprefix("text ")
    return OffOrder(
        name, "switch", path, messages=(text,), device=device_of(path), table=dict(table),
        serial={key: table[key] for key in ("baud", "bits", "parity", "stop", "rts", "dtr") if key in table},
    )  # fmt: skip


def _described_relay(relay: DescribedRelay, table: Mapping[str, Any]) -> OffOrder:
    order = _order(relay.name, table, relay.link, relay.off_messages())
    return dataclasses.replace(order, identity=relay.identity, dialect=dict(relay.data))


def _scpi(name: str, role: str, link: Link | PolledLink, dialect: Dialect, channel: int) -> ScpiInstrument:
    return KINDS[role](link, dialect, name=name, channel=channel)


def _read_back(instrument: ScpiInstrument) -> dict[str, Any]:
    """Return the questions that prove it, and which answers mean off (a boolean is read in any spelling, too)."""
    dialect, channel = instrument.dialect, instrument.channel
    select = [dialect.select.send(channel=channel)] if dialect.select else []

    def asked(query: str) -> str:
        return join_commands([*select, query]) if dialect.compound and select else query

    found: dict[str, Any] = {"identity": "*IDN?"}
    if dialect.on_query is not None:
        found |= {"state": asked(dialect.on_query.send(channel=channel)), "off": ["0", "OFF", dialect.states[1]]}
    current = dialect.measure.get("current") or dialect.measure_all
    if current is not None:
        found["current"] = asked(current.send(channel=channel))
    return found


def resolved(resource: str) -> str:
    """Return a VISA resource with its host as a number and its device file as it is; as it was where that fails."""
    match = re.fullmatch(r"(TCPIP\d*::)([^:]+|\[[^\]]*\])(::.*)", resource, re.IGNORECASE)
    if match is not None:
        try:
            return f"{match[1]}{socket.gethostbyname(match[2])}{match[3]}"
        except OSError:
            return resource
    path = _device_path(resource)
    return resource.replace(path, os.path.realpath(path)) if path.startswith("/") else resource


def _device_path(resource: str) -> str:
    match = re.match(r"ASRL(.+?)(?:::INSTR)?$", resource, re.IGNORECASE)
    path = match[1] if match is not None else ""
    return f"COM{path}" if path.isdigit() and os.name == "nt" else path


# -- whose port it is --------------------------------------------------------------------------------


def device_of(port: str) -> UsbDevice | None:
    """Return who a serial port belongs to; None where the system does not say (a built-in port, a pseudo-terminal)."""
    if not port or "://" in port:
        return None
    path = os.path.realpath(port) if port.startswith("/") else port
    found = next((one for one in _ports() if one.device in (port, path)), None)
    if found is None or found.vid is None:
        return None
    return UsbDevice(
        vid=f"{found.vid:04x}",
        pid=f"{found.pid:04x}",
        serial_number=found.serial_number or "",
        location=found.location or "",
        by_id=next((str(one) for one in _by_id() if os.path.realpath(one) == path), ""),
    )


def port_now(order: OffOrder) -> str:
    """Return the port that the device of an order has now.

    Raises:
        StrangerError: it is not plugged in, or another device has its port.
    """
    plain = order.role == "switch" and not order.dialect
    port = order.resource if plain else _device_path(order.resource)
    wanted = order.device
    if wanted is None:
        return port
    same = [one for one in _ports() if one.vid is not None and _is(one, wanted)]
    if len(same) == 1:
        return str(same[0].device)
    on_port = next((one.device for one in same if one.device == port), None)
    if on_port is not None:
        return str(on_port)
    who = f"the adapter {wanted.vid or '?'}:{wanted.pid or '?'} at USB socket {wanted.location or '?'}"
    if wanted.serial_number:
        who = f"the device with serial number {wanted.serial_number}"
    raise StrangerError(f"{order.name}: {who} is not plugged in any more ({port} may be another's); nothing was sent")


def _is(one: Any, wanted: UsbDevice) -> bool:
    if f"{one.vid:04x}" != wanted.vid or f"{one.pid:04x}" != wanted.pid:
        return False
    location = one.location or ""
    if wanted.serial_number:
        same_port = not wanted.several or location.rpartition(":")[2] == wanted.interface
        return (one.serial_number or "") == wanted.serial_number and same_port
    return bool(location == wanted.location)


def _ports() -> list[Any]:
    try:
        from serial.tools.list_ports import comports

        return list(comports())
    except (ImportError, OSError, TypeError, AttributeError):
        return []


def _by_id() -> list[Path]:
    try:
        return sorted(BY_ID.iterdir())
    except OSError:
        return []


# -- using one ---------------------------------------------------------------------------------------


def restore(order: OffOrder, links: dict[str, Link | PolledLink] | None = None) -> "Outlet":
    """Return an instrument that only switches off, as prepared; nothing is opened yet.

    Args:
        order: As prepared.
        links: By resource; channels of one instrument share what is in it.

    Raises:
        DescriptionError: the order is damaged.
    """
    if order.role == "switch" and order.dialect:
        return DescribedOutlet(order)
    if order.role == "switch":
        return ToldRelay(order)
    if order.role not in KINDS:
        raise DescriptionError(f"{order.name}: role {order.role!r} has nothing to switch off")
    return Outlet(order, {} if links is None else links)


def _link_of(order: OffOrder, spoken: Dialect | None) -> Link | PolledLink:
    timeout_s = min(order.timeout_s, MOST_TIMEOUT_S)
    if spoken is not None and spoken.speech is not None:
        return PolledLink(
            order.resource, spoken.speech, name=order.name, timeout_s=timeout_s, pause_s=order.pause_s,
            serial=PortSettings(**order.serial),
        )  # fmt: skip
    return Link(
        order.resource,
        name=order.name,
        timeout_s=timeout_s,
        read_termination=order.read_termination,
        write_termination=order.write_termination,
        pause_s=order.pause_s,
        **order.serial,
    )


class Outlet:
    """A load or supply that is only switched off. `make_safe` may be called until it is.

    The session is opened when it is first needed, quickly or not at all, and the prepared messages are the first that
    go out on it.
    """

    def __init__(self, order: OffOrder, links: dict[str, Link | PolledLink]) -> None:
        self.order = order
        self.name, self.role = order.name, order.role
        self.sent = 0  # how often the bytes left this computer
        self._instrument: ScpiInstrument | None = None
        spoken = None
        if order.dialect:
            spoken = dialect_of_table(order.dialect, f"the order to switch off {order.name}")
        if order.resource not in links:
            links[order.resource] = _link_of(order, spoken)
        self.link = links[order.resource]
        self.link.open_timeout_s = OPEN_S
        if spoken is not None:
            made = KINDS[order.role](
                self.link,
                spoken,
                name=order.name,
                channel=order.channel,
                expected=order.expected,
                behaviour=order.behaviour,
            )
            made.identity = order.identity
            made.missing = set(order.missing)
            made.off_bytes = order.messages
            self._instrument = made

    def send_off(self) -> bool:
        """Send the messages on the open session, else as the first on a new one. Never raises; whether they left."""
        try:
            if self.link.alive:
                self.link.send_blind(self.order.messages)
            else:
                self._open()
        except DriverError:
            return False
        self.sent += 1
        return True

    def _open(self) -> None:
        self.link.off[self.name] = self.order.messages
        port = port_now(self.order) if self.order.device else ""
        if port:
            self.link.resource = f"ASRL{port.removeprefix('COM') if port.startswith('COM') else port}::INSTR"
        self.link.reopen(self.order.messages)

    def make_safe(self) -> SafeState:
        """Switch off, read back, measure. See `ScpiInstrument.make_safe`.

        Raises:
            StrangerError: another device has its port; nothing was sent.
            DriverError: it could not be reached, or did not answer.
        """
        self.send_off()
        if not self.link.alive:
            self._open()
            self.sent += 1
        before = self.link.broken
        if self._instrument is None:
            self._instrument = self._found()
        elif before:
            self._instrument.get_back()
        else:
            self._instrument.identify()
        return self._instrument.prove_off(f"; the link had failed before ({before})" if before else "")

    def _found(self) -> ScpiInstrument:
        """Find the dialect: after OFF has been sent in each that it could be."""
        if self.link.broken and self.link.broken_for_s() >= KEEP_SESSION_S:
            self.link.reopen(self.order.messages)
        elif self.link.broken:
            self.link.settle("*IDN?", lambda line: line.count(",") >= 3)
        instrument = find_dialect(self.name, self.order.table, self.link)
        instrument.start_remote()
        return instrument

    def read(self) -> Mapping[str, float]:
        """Measure."""
        if self._instrument is None:
            raise LinkError(f"{self.name}: has not answered yet")
        return self._instrument.read()

    def close(self) -> None:
        """Give the link back."""
        self.link.off.clear()
        self.link.close()


class DescribedOutlet(Outlet):
    """A described relay that is told to open, by the bytes that were prepared."""

    def __init__(self, order: OffOrder) -> None:
        self.order = order
        self.name, self.role = order.name, order.role
        self.sent = 0
        table = {**order.table, "resource": order.resource}
        self._relay = relay_of_data(order.name, table, order.dialect, f"the order to switch off {order.name}")
        self._relay.identity = order.identity
        self._relay.link.open_timeout_s = OPEN_S
        self.link = self._relay.link

    def make_safe(self) -> SafeState:
        """Tell it to open, and ask where it can tell."""
        self.send_off()
        if not self.link.alive:
            self._open()
            self.sent += 1
        if self.link.broken:
            self.link.settle("*IDN?", lambda line: True)
        return self._relay.make_safe()

    def read(self) -> Mapping[str, float]:
        """A relay measures nothing."""
        return {}


class ToldRelay(Outlet):
    """A microcontroller's relay that is told to open, and falls out by itself anyway."""

    def __init__(self, order: OffOrder) -> None:
        self.order = order
        self.name, self.role = order.name, order.role
        self.sent = 0
        self._relay: HeldRelay | None = None

    def send_off(self) -> bool:
        """Tell it to open; whether the port took it."""
        try:
            self._told()
        except DriverError:
            return False
        self.sent += 1
        return True

    def _told(self) -> None:
        if self._relay is None:
            table = {key: value for key, value in self.order.table.items() if key not in ("identity", "resource")}
            table["port"] = port_now(self.order)
            from amphora.drivers.clock import RealClock

            self._relay = HeldRelay(self.name, table, RealClock())
        if not self._relay.send_off():
            self._relay.reopen()
            self._relay.send_off()

    def make_safe(self) -> SafeState:
        """Tell it to open, and see by its feedback where it has one."""
        self._told()
        self.sent += 1
        assert self._relay is not None
        return self._relay.make_safe()

    def read(self) -> Mapping[str, float]:
        """A relay measures nothing."""
        return {}

    def close(self) -> None:
        """Give the port back."""
        if self._relay is not None:
            self._relay.close()
