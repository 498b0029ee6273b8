"""A simulated instrument on a real wire: SCPI over TCP, or over a pseudo-terminal.

Serves anything with a role of `drivers.roles` (a simulated load, supply, meter) by turning a
dialect's command table round: what the driver sends is what is understood here, long and short
forms, compound messages with the header path of IEEE 488.2, an error queue, common commands.
What a family does badly (a pause needed, one client at a time, readings refreshed a few times a
second, 0 V with the output off, a coarse read-back) is done badly here as well. Faults of link and
instrument are injected at a message by number; `fired` lists those that happened.
"""

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any, Literal, Self

from amphora.drivers.scpi.dialect import Dialect, load_dialect
from amphora.drivers.simulated.responder import (
    FAULTS,
    GARBAGE,
    OF_NUMBERS,
    SLOW_FACTOR,
    STRANGER,
    Fault,
    FaultKind,
    Program,
    Quirks,
    Responder,
)


class ScpiServer:
    """Serves a simulated instrument on a wire of its own, in threads of this process.

    Args:
        instrument: An object with a role of `drivers.roles`, or a mapping of channel to object.
        dialect: How it is spoken to: a dialect or the name of one that ships.
        port: TCP port; 0 takes a free one.
        host: Address to listen on.
        identity: The `*IDN?` answer; None names the dialect's family.
        lock: Held while the instrument is used; give the same to all servers of one bench.
        quirks: How it differs from its family, as `Quirks` or a mapping of its fields.
        transport: "tcp", or "pty" for a pseudo-terminal.
        now: Seconds on the bench's clock, for readings that are refreshed a few times a second.
    """

    def __init__(
        self,
        instrument: Any,
        dialect: Dialect | str,
        *,
        port: int = 0,
        host: str = "127.0.0.1",
        identity: str | None = None,
        lock: Any = None,
        quirks: Quirks | Mapping[str, Any] | None = None,
        transport: Literal["tcp", "pty"] = "tcp",
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.dialect = load_dialect(dialect) if isinstance(dialect, str) else dialect
        self.quirks = quirks if isinstance(quirks, Quirks) else Quirks(**(quirks or {}))
        devices = dict(instrument) if isinstance(instrument, Mapping) else {1: instrument}
        self.identity = identity or default_identity(self.dialect)
        self.host, self.port, self.transport = host, port, transport
        self.responder = Responder(devices, self.dialect, self.identity, lock or threading.RLock(), self.quirks, now)
        self.fired: list[tuple[int, str]] = []
        self.heard: list[str] | None = None  # set to a list to keep every message
        self.refused = 0  # connections turned away because one client was served
        pause_s = self.quirks.pause_s
        self._pause_s = self.dialect.pause_s if pause_s is None else pause_s
        clients = self.quirks.clients
        self._clients = self.dialect.clients if clients is None else clients
        self._faults: list[Fault] = []
        self._state = threading.Condition()
        self._turn = threading.Lock()  # one message at a time, as in an instrument
        self._stopping = threading.Event()
        self._connections: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._listener: socket.socket | None = None
        self._master = self._slave = -1
        self._terminal = ""
        self._heard_s = float("-inf")

    @property
    def resource(self) -> str:
        """The VISA string by which it is reached."""
        if self.transport == "pty":
            return f"ASRL{self._terminal}::INSTR"
        return f"TCPIP::{self.host}::{self.port}::SOCKET"

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> Self:
        """Listen; returns itself."""
        if self.transport == "pty":
            self._open_terminal()
            self._spawn(self._serve_terminal)
        else:
            listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self.host, self.port))
            listener.listen(16)
            self.port = listener.getsockname()[1]
            self._listener = listener
            self._spawn(self._accept)
        return self

    def stop(self) -> None:
        """Hang up on everybody; may be called twice."""
        self._stopping.set()
        if self._listener is not None:
            with contextlib.suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
        for connection in list(self._connections):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(2.0)
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1

    def inject(
        self, kind: FaultKind, *, at: int | None = None, count: int = 1, seconds: float = 0.5, text: str = ""
    ) -> None:
        """Let a fault happen at message number `at` (from 1; None: the next), or the first after it that it fits.

        Args:
            kind: What happens.
            count: How often.
            seconds: How late, for the late ones.
            text: The identity of who comes back, for `other-identity`.
        """
        if kind not in FAULTS:
            raise ValueError(f"fault {kind!r} is not known; {', '.join(FAULTS)} are")
        first = self.responder.messages + 1 if at is None else at
        self._faults.append(Fault(kind, first, count, seconds, text))

    # -- the wire -----------------------------------------------------------------------------------------

    def _spawn(self, target: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=target, args=arguments, daemon=True, name=f"scpi-{self.dialect.name}")
        self._threads = [one for one in self._threads if one.is_alive()]
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        listener = self._listener
        assert listener is not None
        while not self._stopping.is_set():
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._state:
                if self._clients:
                    self._state.wait_for(lambda: len(self._connections) < self._clients, 0.1)
                    if len(self._connections) >= self._clients:
                        self.refused += 1
                        connection.close()
                        continue
                self._connections.add(connection)
            self._spawn(self._serve, connection)

    def _serve(self, connection: socket.socket) -> None:
        rest = b""
        ending = self.dialect.write_termination.encode()
        try:
            while not self._stopping.is_set():
                data = connection.recv(65536)
                if not data:
                    return
                rest += data
                while ending in rest:
                    line, rest = rest.split(ending, 1)
                    if not self._hear(line, connection.sendall):
                        return
        except OSError:
            return
        finally:
            connection.close()
            with self._state:
                self._connections.discard(connection)
                self._state.notify_all()

    def _open_terminal(self) -> None:
        import tty

        self._master, self._slave = os.openpty()  # the slave is held open, so a client may come and go
        tty.setraw(self._slave)
        self._terminal = os.ttyname(self._slave)

    def _serve_terminal(self) -> None:
        rest = b""
        ending = self.dialect.write_termination.encode()
        while not self._stopping.is_set():
            if not select.select([self._master], [], [], 0.1)[0]:
                continue
            try:
                rest += os.read(self._master, 65536)
            except OSError:
                return
            while ending in rest:
                line, rest = rest.split(ending, 1)
                self._hear(line, lambda data: (os.write(self._master, data), None)[1])

    def _hear(self, line: bytes, send: Callable[[bytes], None]) -> bool:
        """Deal with one message; False hangs up."""
        message = line.decode("latin-1").strip()
        if not message:
            return True
        with self._turn:
            if self._pause_s:
                now_s = time.monotonic()
                early = now_s - self._heard_s < self._pause_s * SLOW_FACTOR
                self._heard_s = now_s
                if early:
                    return True
            responder = self.responder
            responder.messages += 1
            if self.heard is not None:
                self.heard.append(message)
            program = responder.program(message)
            fault = self._due(program) if self._faults else None
            if fault is not None:
                return self._misbehave(fault, program, send)
            answer = responder.run(program)
            if self._pause_s:
                self._heard_s = time.monotonic()
        if answer is not None:
            if self.quirks.latency_s:
                self._stopping.wait(self.quirks.latency_s)
            send((answer + self.quirks.terminator).encode("latin-1"))
        return True

    # -- faults -------------------------------------------------------------------------------------------

    def _due(self, program: Program) -> Fault | None:
        number = self.responder.messages
        for fault in self._faults:
            if number >= fault.at and self.responder.carries_out(program, fault.kind):
                fault.count -= 1
                if fault.count <= 0:
                    self._faults.remove(fault)
                self.fired.append((number, fault.kind))
                return fault
        return None

    def _misbehave(self, fault: Fault, program: Program, send: Callable[[bytes], None]) -> bool:
        responder, kind = self.responder, fault.kind
        if kind == "silence":
            return True
        if kind in ("drop", "other-identity"):
            if kind == "other-identity":
                responder.identity = fault.text or STRANGER
            return False
        if kind == "reset":
            with responder.lock:
                responder.reset()
        elif kind in ("refuse-order", "late-order", "queue-error"):
            if kind == "queue-error":
                responder._error(-240)
            elif kind == "late-order":
                timer = threading.Timer(fault.seconds, responder.run, (program,))
                timer.daemon = True
                timer.start()
            program = responder.skip_orders(program, off_only=False)
        elif kind == "ignore-off":
            program = responder.skip_orders(program, off_only=True)
        answer = responder.run(program)
        if answer is None:
            return True
        data = (answer + self.quirks.terminator).encode("latin-1")
        end = self.quirks.terminator.encode()
        if kind == "garbage":
            data = GARBAGE + end
        elif kind in OF_NUMBERS:
            first, _, others = answer.partition(";")
            broken = {
                "wrong-unit": first + "mV",
                "wrong-format": first.replace(".", ","),
                "not-a-number": "9.91E37",
                "overrange": "9.9E37",
            }[kind]
            data = (";".join([broken, others] if others else [broken])).encode() + end
        elif kind == "late-reply":
            self._stopping.wait(fault.seconds)
        elif kind == "split-reply":
            half = max(1, len(data) // 2)
            send(data[:half])
            self._stopping.wait(fault.seconds)
            data = data[half:]
        send(data)
        return True


def default_identity(dialect: Dialect) -> str:
    """Return the identity of a simulated instrument of this family; its dialect is found by it."""
    first = {"load": "load-function-input", "supply": "supply-plain", "meter": "meter-measure"}[dialect.role]
    model = dialect.role if dialect.name == first else dialect.name
    return f"AMPHORA SIM,{model.upper()},0001,1.0"
