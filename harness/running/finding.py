"""Finds instruments: which ports and VISA resources there are, and what those answer that may be asked.

A serial port may belong to anything (a printer, a door lock), and opening one resets some boards. So a port is opened
only when a person says that it belongs to the bench; an instrument on USB that calls itself a test instrument, and an
address that a person typed, are asked. The network is searched only on request. Questions only: nothing is set.
"""

import contextlib
import re
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DriverError, GarbledReply
from amphora.drivers.links.visa import Link
from amphora.drivers.off import BY_ID
from amphora.drivers.opening import open_instrument
from amphora.drivers.serial.format_file import load_format, shipped
from amphora.drivers.serial.line_format import Format, SerialSettings
from amphora.drivers.serial.logger import SerialPort
from amphora.harness.common.errors import InputError

RAW_PORT = 5025  # registered for SCPI over TCP
LISTEN_S = 2.5  # a logger that prints once a second has printed twice
ENOUGH_LINES = 2
BAUDS = (115200, 9600, 38400)
TIMEOUT_S = 1.0
PLAUSIBLE = {"voltage_V": (-100.0, 100.0), "current_A": (-100.0, 100.0), "temperature_degC": (-40.0, 125.0)}
ROLE_WORDS = {"load": r"\bload\b", "supply": r"suppl|power|psu", "meter": r"meter|dmm"}


class Spot(NamedTuple):
    """Where an instrument may be. `about`: what the system says of it; `stable`: a name that survives replugging."""

    kind: Literal["serial", "usb", "network"]
    address: str
    about: str = ""
    stable: str = ""

    @property
    def needs_yes(self) -> bool:
        """Whether it may belong to something else, so that a person has to say that it is of the bench."""
        return self.kind == "serial"


class Answer(NamedTuple):
    """What a place answered.

    said: its identity, or the last line that it printed; role: `load`, `supply`, `meter`, `logger` or None;
    dialect: for SCPI; line_format: for a logger; why: where nothing was recognised, what happened.
    """

    place: Spot
    said: str = ""
    role: str | None = None
    dialect: str | None = None
    line_format: str | None = None
    baud: int | None = None
    why: str = ""


def places(network: bool = False, typed: Sequence[str] = ()) -> list[Spot]:
    """Return where instruments may be on this computer; asks none of them.

    Args:
        network: Also look for those that announce themselves on the local network.
        typed: Addresses that a person gave: `host`, `host:port`, a VISA string, or a port's name.
    """
    found = [place_of(text) for text in typed]
    known = {place.address for place in found} | {place.stable for place in found}
    found += [place for place in _serial_places() if not known & {place.address, place.stable}]
    found += [Spot("usb", name) for name in _visa_resources("USB?*") if name not in known]
    if network:
        found += [Spot("network", name) for name in _visa_resources("TCPIP?*") if name not in known]
    return found


def place_of(text: str) -> Spot:
    """Return the place that a person typed.

    Raises:
        InputError: it is neither a host, nor a VISA string, nor a port's name.
    """
    text = text.strip()
    upper = text.upper()
    if upper.startswith("ASRL") and upper.endswith("::INSTR"):
        return Spot("serial", text[4:-7], "typed in")
    if upper.startswith("USB") and "::" in text:
        return Spot("usb", text, "typed in")
    if upper.startswith("TCPIP") and "::" in text:
        return Spot("network", text, "typed in")
    if text.startswith("/dev/") or re.fullmatch(r"COM\d+", upper):
        return Spot("serial", text, "typed in")
    match = re.fullmatch(r"(?P<host>[A-Za-z0-9_.-]+|\[[0-9a-fA-F:.]+\])(?::(?P<port>\d{1,5}))?", text)
    if match is None or not 0 < int(match["port"] or RAW_PORT) < 65536:
        raise InputError(
            f"{text!r} is no address; a host such as 192.0.2.10 or bench.local:5025, a VISA string such as "
            "TCPIP::192.0.2.10::5025::SOCKET, or a port such as /dev/ttyUSB0 or COM3 is accepted"
        )
    return Spot("network", f"TCPIP::{match['host'].strip('[]')}::{match['port'] or RAW_PORT}::SOCKET", "typed in")


def resource_of(place: Spot) -> str:
    """Return the VISA string for the place."""
    if place.kind == "serial":
        return f"ASRL{place.stable or place.address}::INSTR"
    return place.address


def ask(place: Spot, bauds: Sequence[int] = BAUDS, listen_s: float = LISTEN_S) -> Answer:
    """Return what a place answers: listen for lines of a logger first, then ask `*IDN?` and what fits its identity.

    Args:
        place: Where; it is opened.
        bauds: Serial only: rates that are tried, in this order.
        listen_s: Serial only: how long each rate is listened to.
    """
    if place.kind != "serial":
        return _ask_scpi(place, None)
    last = Answer(place, why="no answer")
    for baud in bauds:
        try:
            heard = listen(place.address, baud, listen_s)
        except DriverError as error:
            return Answer(place, why=str(error))
        name = recognise(heard)
        if name is not None:
            line = heard.replace(b"\r", b"\n").strip(b"\n").rpartition(b"\n")[2]
            return Answer(place, line.decode("ascii", "replace"), "logger", line_format=name, baud=baud)
        if heard:
            last = Answer(place, why=f"it sends {len(heard)} bytes in {listen_s:g} s that no shipped format reads")
            continue
        answer = _ask_scpi(place, baud)
        if answer.said:
            return answer
    return last


def listen(port: str, baud: int, listen_s: float) -> bytes:
    """Return what a port sends by itself in a while; sends nothing.

    Raises:
        LinkError: it cannot be opened.
    """
    heard = bytearray()
    opened = SerialPort.attach(port, SerialSettings(baud=baud), set())
    try:
        opened.listen(heard.extend)
        until = time.monotonic() + listen_s
        while time.monotonic() < until and heard.count(b"\n") <= ENOUGH_LINES:
            time.sleep(0.05)
    finally:
        opened.detach(heard.extend)
    return bytes(heard)


def recognise(heard: bytes) -> str | None:
    """Return the shipped format that reads these bytes as plausible values; of several the one that finds most."""
    best: tuple[int, str] | None = None
    for name in shipped():
        values = _values_found(load_format(name), heard)
        if values and (best is None or values > best[0]):
            best = (values, name)
    return None if best is None else best[1]


def _values_found(form: Format, heard: bytes) -> int:
    """Return how many values a format finds in all whole records but the first; 0 when one is not of it."""
    records = form.split(bytearray(heard))[1:]  # the first may have begun before we listened
    found = lines = 0
    for record in records:
        try:
            parsed = form.parse(record)
        except GarbledReply:
            return 0
        if parsed is None:
            continue
        for key, value in parsed.values.items():
            low, high = PLAUSIBLE.get(key, (float("-inf"), float("inf")))
            if not low <= value <= high:
                return 0
        lines += 1
        found += len(parsed.values) + (parsed.time_s is not None)
    return found if lines >= ENOUGH_LINES - 1 else 0


def _ask_scpi(place: Spot, baud: int | None) -> Answer:
    """Ask an instrument who it is, and find by questions in which role and dialect it understands."""
    serial: dict[str, Any] = {} if baud is None else {"baud": baud}
    link = Link(resource_of(place), name=place.address, timeout_s=TIMEOUT_S, **serial)
    try:
        link.open()
        identity = link.query("*IDN?").strip()
    except DriverError as error:
        return Answer(place, why=str(error))
    finally:
        with contextlib.suppress(DriverError):
            link.release()
    if not identity:
        return Answer(place, why="it answers an empty line to *IDN?")
    why = ""
    for role in likely_roles(identity):
        table = {"role": role, "resource": resource_of(place), **serial}
        try:
            opened = open_instrument(role, table, RealClock())
        except DriverError as error:
            why = why or str(error)
            continue
        spoken = getattr(opened, "dialect", None)
        opened.close()
        return Answer(place, identity, role, getattr(spoken, "name", None), baud=baud)
    return Answer(place, identity, why=why, baud=baud)


def likely_roles(identity: str) -> list[str]:
    """Return the roles in which to try an instrument: first those whose words stand in its identity."""
    named = [role for role, words in ROLE_WORDS.items() if re.search(words, identity, re.IGNORECASE)]
    return named + [role for role in ROLE_WORDS if role not in named]


def _serial_places() -> list[Spot]:
    from serial.tools import list_ports

    return [
        Spot("serial", port.device, port.description if port.description != "n/a" else "", _stable_name(port.device))
        for port in sorted(list_ports.comports())
    ]


def _stable_name(port: str) -> str:
    """Return the name of a port that stays when it is plugged in elsewhere; "" where the system keeps none."""
    try:
        names = sorted(BY_ID.iterdir())
        return next((str(name) for name in names if name.resolve() == Path(port).resolve()), "")
    except OSError:
        return ""


def _visa_resources(pattern: str) -> list[str]:
    import warnings

    import pyvisa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return sorted(pyvisa.ResourceManager("@py").list_resources(pattern))
        except Exception:  # noqa: BLE001  what a backend cannot search it does not list; typed addresses still work
            return []


def quantities_of(format_name: str) -> set[str]:
    """Return the quantities that a shipped line format reads, as `voltage` and `temperature`."""
    return {str(column.quantity) for column in getattr(load_format(format_name), "columns", ())}
