"""Simulated instruments on two more wires of open standards: HiSLIP (IVI-6.1) and VXI-11 (over ONC RPC).

The instrument behind the wire is that of `drivers.simulated.scpi_server`, faults and all; here is only
how its messages are wrapped. What of the two standards is needed to talk is here; locks, service
requests, TLS and the port mapper are not (a VISA string names the port instead).
"""

import contextlib
import queue
import socket
import struct
import threading
from collections.abc import Callable
from typing import Any

from amphora.drivers.simulated.scpi_server import ScpiServer

HISLIP_HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, parameter, length of what follows
INITIALIZE, INITIALIZED, FATAL_ERROR, ERROR = 0, 1, 2, 3
DATA, DATA_END, CLEAR_COMPLETE, CLEAR_ACKNOWLEDGED = 6, 7, 8, 9
ASYNC_SIZE, ASYNC_SIZED, ASYNC_INITIALIZE, ASYNC_INITIALIZED = 15, 16, 17, 18
ASYNC_CLEAR, ASYNC_STATUS, ASYNC_STATUS_IS, ASYNC_CLEAR_ACKNOWLEDGED = 19, 21, 22, 23
HISLIP_VERSION = 0x0100  # 1.0
LONGEST = 1 << 20
SUB_ADDRESS = b"hislip0"

RPC_HEAD = struct.Struct("!IIIIII")  # id, call, RPC version, program, version, procedure
CORE_CHANNEL = (0x0607AF, 1)
CREATE_LINK, DEVICE_WRITE, DEVICE_READ, DEVICE_CLEAR, DESTROY_LINK = 10, 11, 12, 15, 23
PROGRAM_UNAVAILABLE, PROCEDURE_UNAVAILABLE = 1, 3
INVALID_LINK, TIMED_OUT = 4, 15
FLAG_END, REASON_COUNT, REASON_END = 8, 1, 4


class HislipServer(ScpiServer):
    """Serves over HiSLIP: a synchronous and an asynchronous connection for each client."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._clients *= 2
        self._sessions = 0

    @property
    def resource(self) -> str:
        """The VISA string by which it is reached."""
        return f"TCPIP::{self.host}::{SUB_ADDRESS.decode()},{self.port}::INSTR"

    def _serve(self, connection: socket.socket) -> None:
        said = b""
        try:
            while not self._stopping.is_set():
                prologue, kind, _, parameter, length = HISLIP_HEADER.unpack(exactly(connection, HISLIP_HEADER.size))
                if prologue != b"HS" or length > LONGEST:
                    _hislip(connection, FATAL_ERROR, 1)
                    return
                payload = exactly(connection, length)
                if kind == INITIALIZE:
                    if payload != SUB_ADDRESS:
                        _hislip(connection, FATAL_ERROR, 3)
                        return
                    self._sessions += 1
                    _hislip(connection, INITIALIZED, 0, HISLIP_VERSION << 16 | self._sessions)
                elif kind == ASYNC_INITIALIZE:
                    _hislip(connection, ASYNC_INITIALIZED)
                elif kind == ASYNC_SIZE:
                    _hislip(connection, ASYNC_SIZED, payload=struct.pack("!Q", LONGEST))
                elif kind == ASYNC_STATUS:
                    _hislip(connection, ASYNC_STATUS_IS)
                elif kind == ASYNC_CLEAR:
                    _hislip(connection, ASYNC_CLEAR_ACKNOWLEDGED)
                elif kind == CLEAR_COMPLETE:
                    said = b""
                    _hislip(connection, CLEAR_ACKNOWLEDGED)
                elif kind == DATA:
                    said += payload
                elif kind == DATA_END:
                    line, said = said + payload, b""
                    if not self._hear(line, self._answering(connection, parameter)):
                        return
                else:
                    _hislip(connection, ERROR, 1)
        except OSError:
            return
        finally:
            self._forget(connection)

    def _answering(self, connection: socket.socket, message: int) -> Callable[[bytes], None]:
        """What sends the answer to a message: it carries that message's number."""
        end = self.quirks.terminator.encode()
        return lambda data: _hislip(connection, DATA_END if data.endswith(end) else DATA, 0, message, data)

    def _forget(self, connection: socket.socket) -> None:
        connection.close()
        with self._state:
            self._connections.discard(connection)
            self._state.notify_all()


class Vxi11Server(ScpiServer):
    """Serves over the core channel of VXI-11; an answer waits in the instrument until it is fetched."""

    @property
    def resource(self) -> str:
        """The VISA string by which it is reached; the port stands in it, so no port mapper is asked."""
        return f"TCPIP::{self.host},{self.port}::inst0::INSTR"

    def _serve(self, connection: socket.socket) -> None:
        output = _Output(self.quirks.terminator.encode())
        lines: queue.Queue[bytes | None] = queue.Queue()
        self._spawn(self._work, connection, lines, output)
        said = b""
        try:
            while not self._stopping.is_set():
                call = _record(connection)
                identity, _, _, program, version, procedure = RPC_HEAD.unpack_from(call)
                body = _arguments(call)
                state, reply = 0, b""
                if (program, version) != CORE_CHANNEL:
                    state = PROGRAM_UNAVAILABLE
                elif procedure == CREATE_LINK:
                    reply = struct.pack("!iiII", 0, 1, 0, LONGEST)
                elif procedure in (DEVICE_WRITE, DEVICE_READ, DEVICE_CLEAR) and body[:4] != b"\0\0\0\1":
                    reply = struct.pack("!iii", INVALID_LINK, 0, 0)
                elif procedure == DEVICE_WRITE:
                    _, _, _, flags, length = struct.unpack_from("!iIIiI", body)
                    said += body[20 : 20 + length]
                    if flags & FLAG_END:
                        lines.put(said)
                        said = b""
                    reply = struct.pack("!iI", 0, length)
                elif procedure == DEVICE_READ:
                    _, most, timeout_ms = struct.unpack_from("!iII", body)
                    data, reason = output.take(most, timeout_ms / 1000.0)
                    reply = struct.pack("!iiI", 0 if reason else TIMED_OUT, reason, len(data)) + padded(data)
                elif procedure == DEVICE_CLEAR:
                    said = b""
                    output.clear()
                    reply = struct.pack("!i", 0)
                elif procedure == DESTROY_LINK:
                    reply = struct.pack("!i", 0)
                else:
                    state = PROCEDURE_UNAVAILABLE
                answer = struct.pack("!IIIIII", identity, 1, 0, 0, 0, state) + reply
                connection.sendall(struct.pack("!I", 0x80000000 | len(answer)) + answer)
        except (OSError, struct.error):
            return
        finally:
            lines.put(None)
            connection.close()
            with self._state:
                self._connections.discard(connection)
                self._state.notify_all()

    def _work(self, connection: socket.socket, lines: "queue.Queue[bytes | None]", output: "_Output") -> None:
        """Carry out what was written, apart from the connection: a write does not wait for its answer."""
        while (line := lines.get()) is not None:
            if not self._hear(line, output.put):
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
                return


class _Output:
    """The output queue of an instrument on VXI-11."""

    def __init__(self, end: bytes) -> None:
        self._end = end
        self._data = b""
        self._changed = threading.Condition()

    def put(self, data: bytes) -> None:
        with self._changed:
            self._data += data
            self._changed.notify_all()

    def clear(self) -> None:
        with self._changed:
            self._data = b""

    def take(self, most: int, timeout_s: float) -> tuple[bytes, int]:
        """Return an answer, or its first part, and why it ends there; reason 0: no whole answer came in time."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._data.endswith(self._end), timeout_s):
                return b"", 0
            data, self._data = self._data[:most], self._data[most:]
            return data, REASON_COUNT if self._data else REASON_END


def exactly(peer: socket.socket, count: int) -> bytes:
    """Return that many bytes.

    Raises:
        ConnectionError: the peer hung up before.
    """
    data = b""
    while len(data) < count:
        more = peer.recv(count - len(data))
        if not more:
            raise ConnectionError("the peer hung up")
        data += more
    return data


def padded(data: bytes) -> bytes:
    """Return data filled up to whole words, as XDR wants it."""
    return data + b"\0" * (-len(data) % 4)


def _hislip(peer: socket.socket, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
    peer.sendall(HISLIP_HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)


def _record(peer: socket.socket) -> bytes:
    """Return one RPC record, put together from its fragments."""
    record, last = b"", False
    while not last:
        (mark,) = struct.unpack("!I", exactly(peer, 4))
        last = bool(mark & 0x80000000)
        length = mark & 0x7FFFFFFF
        if len(record) + length > 2 * LONGEST:
            raise ConnectionError("a record is too long")
        record += exactly(peer, length)
    return record


def _arguments(call: bytes) -> bytes:
    """Return a call's arguments: what comes after credentials and verifier."""
    at = RPC_HEAD.size
    for _ in range(2):
        (length,) = struct.unpack_from("!I", call, at + 4)
        at += 8 + length + -length % 4
    return call[at:]
