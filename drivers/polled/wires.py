"""Bytes to and from a described instrument: a serial port, a TCP socket, a USB HID device. No meaning, no retries.

Foreign exceptions leave here as `OSError` with the system's words.
"""

import contextlib
import os
import re
import select
import socket
from dataclasses import dataclass
from typing import Any, Protocol

SEND_S = 1.0  # the longest that sending may take to a peer that does not read


@dataclass(frozen=True, slots=True)
class PortSettings:
    """How a serial port is opened. None: as usual, or as the system has it (`dtr`, `rts`)."""

    baud: int | None = None
    data_bits: int | None = None
    parity: str | None = None
    stop_bits: float | None = None
    dtr: bool | None = None
    rts: bool | None = None


class Wire(Protocol):
    """Open after being made. Every method may raise `OSError`."""

    pads: bool  # whether zeros behind an answer only fill it up

    def send(self, data: bytes) -> None:
        """Send all of it."""
        ...

    def receive(self, wait_s: float) -> bytes:
        """Return what has come, waiting that long at most for the first of it; empty where nothing came."""
        ...

    def close(self) -> None:
        """Give it back."""
        ...


def open_wire(resource: str, timeout_s: float, serial: PortSettings, hid_report: int) -> Wire:
    """Open what a resource names: `ASRL...::INSTR`, `TCPIP::HOST::PORT::SOCKET`, `HID::VENDOR::PRODUCT[::SERIAL]`.

    Raises:
        OSError: it cannot be opened; ValueError: no such kind of resource.
    """
    match = re.fullmatch(r"TCPIP\d*::(\[[^\]]*\]|[^:]+)::(\d+)::SOCKET", resource, re.IGNORECASE)
    if match is not None:
        return TcpWire(match[1].strip("[]"), int(match[2]), timeout_s)
    match = re.fullmatch(r"ASRL(.+?)(?:::INSTR)?", resource, re.IGNORECASE)
    if match is not None:
        path = f"COM{match[1]}" if match[1].isdigit() and os.name == "nt" else match[1]
        return SerialWire(path, serial)
    match = re.fullmatch(HID, resource, re.IGNORECASE)
    if match is not None:
        return HidWire(int(match[1], 16), int(match[2], 16), match[3] or "", hid_report)
    raise ValueError(f"{resource} is neither a serial port, a TCP socket nor a HID device")


HID = r"HID::0x([0-9a-f]{1,4})::0x([0-9a-f]{1,4})(?:::([^:]+))?"


class TcpWire:
    """A TCP socket."""

    pads = False

    def __init__(self, host: str, port: int, timeout_s: float) -> None:
        self._socket = socket.create_connection((host, port), timeout_s)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data: bytes) -> None:
        """See `Wire`."""
        self._socket.settimeout(SEND_S)
        self._socket.sendall(data)

    def receive(self, wait_s: float) -> bytes:
        """See `Wire`."""
        if not select.select((self._socket,), (), (), max(0.0, wait_s))[0]:
            return b""
        data = self._socket.recv(65536)
        if not data:
            raise ConnectionResetError(0, "the instrument closed the connection")
        return data

    def close(self) -> None:
        """See `Wire`."""
        self._socket.close()


class SerialWire:
    """A serial port, exclusively."""

    pads = False

    def __init__(self, path: str, settings: PortSettings) -> None:
        import serial

        try:
            port = serial.Serial()
            port.port = path
            port.baudrate = settings.baud or 9600
            port.bytesize = settings.data_bits or 8
            port.parity = {"odd": "O", "even": "E", "mark": "M", "space": "S"}.get(settings.parity or "", "N")
            port.stopbits = settings.stop_bits or 1
            port.timeout, port.write_timeout, port.exclusive = 0, SEND_S, True
            for line, level in (("dtr", settings.dtr), ("rts", settings.rts)):
                if level is not None:  # before it is opened: some boards start again on an edge
                    setattr(port, line, level)
            port.open()
            port.reset_input_buffer()
        except (serial.SerialException, ValueError) as error:
            raise OSError(getattr(error, "errno", None) or 0, _words(error)) from error
        self._port = port

    def send(self, data: bytes) -> None:
        """See `Wire`."""
        import serial

        try:
            self._port.write(data)
            self._port.flush()
        except (serial.SerialException, TypeError, AttributeError) as error:
            raise OSError(0, _words(error)) from error

    def receive(self, wait_s: float) -> bytes:
        """See `Wire`."""
        import serial

        try:
            self._port.timeout = max(0.0, wait_s)
            first = self._port.read(1)
            waiting = self._port.in_waiting if first else 0
            return bytes(first + (self._port.read(waiting) if waiting else b""))
        except (serial.SerialException, TypeError, AttributeError) as error:
            raise OSError(0, _words(error)) from error

    def close(self) -> None:
        """See `Wire`."""
        with contextlib.suppress(Exception):
            self._port.close()


class HidWire:
    """Reports of a USB HID device through the library `hidapi`, which is not installed with the program."""

    pads = True

    def __init__(self, vendor: int, product: int, serial: str, report: int) -> None:
        try:
            import hid
        except ImportError as error:
            raise OSError(0, "the Python library hidapi is needed for a HID device: pip install hidapi") from error
        self._report = report
        self._device: Any = hid.device()
        try:
            self._device.open(vendor, product, serial or None)
        except (OSError, ValueError) as error:
            raise OSError(0, f"no HID device {vendor:04x}:{product:04x} can be opened ({error})") from error

    def send(self, data: bytes) -> None:
        """See `Wire`. Long data go out in several reports, each filled up with zeros."""
        for n in range(0, max(len(data), 1), self._report):
            part = data[n : n + self._report]
            if self._device.write(b"\0" + part.ljust(self._report, b"\0")) < 0:
                raise OSError(0, "the HID device took no report")

    def receive(self, wait_s: float) -> bytes:
        """See `Wire`. One report at most."""
        try:
            return bytes(self._device.read(self._report, max(1, round(wait_s * 1000))))
        except ValueError as error:
            raise OSError(0, str(error)) from error

    def close(self) -> None:
        """See `Wire`."""
        with contextlib.suppress(Exception):
            self._device.close()


def _words(error: BaseException) -> str:
    text = str(error)
    if "exclusively lock" in text or "Resource temporarily unavailable" in text or "busy" in text.lower():
        return "another program is using it"
    return " ".join(text.split()) or type(error).__name__
