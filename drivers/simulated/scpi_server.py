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
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Self

from amphora.drivers.errors import DriverError, LimitError
from amphora.drivers.scpi.dialect import KEYS_OF_READING, MEASURED, PROTECTIONS, Command, Dialect, Setting, load_dialect
from amphora.drivers.scpi.syntax import esr_bit, is_spelling

FaultKind = Literal[
    "silence", "late-reply", "split-reply", "garbage", "wrong-unit", "wrong-format", "not-a-number", "overrange",
    "drop", "other-identity", "refuse-order", "late-order", "ignore-off", "reset", "queue-error",
]  # fmt: skip
FAULTS: tuple[str, ...] = FaultKind.__args__  # type: ignore[attr-defined]
OF_NUMBERS = ("wrong-unit", "wrong-format", "not-a-number", "overrange")
OF_ORDERS = ("refuse-order", "late-order", "queue-error")
STRANGER = "AMPHORA SIM,SOMEBODY ELSE,0002,1.0"
GARBAGE = b"\xf3\x02@@~\x81"
TEXTS = {
    -100: "Command error", -109: "Missing parameter", -113: "Undefined header", -200: "Execution error",
    -221: "Settings conflict", -222: "Data out of range", -224: "Illegal parameter value", -240: "Hardware error",
    -350: "Queue overflow", -420: "Query UNTERMINATED",
}  # fmt: skip
SLOW_FACTOR = 0.5  # a message sooner than this part of the needed pause is lost
PROGRAMS = 1024  # compiled messages kept


@dataclass(frozen=True)
class Quirks:
    """How this instrument differs from its family; None: as the dialect has it.

    `number`: how numbers are written; `no_error`: how an empty queue is spelled;
    `latency_s`: time before each answer; `strict`: a header after `;` needs its full path.
    """

    pause_s: float | None = None
    refresh_s: float | None = None
    clients: int | None = None
    measures_with_output_off: bool | None = None
    number: Literal["NR2", "NR3"] = "NR2"
    no_error: str = '0,"No error"'
    queue_length: int = 16
    terminator: str = "\n"
    latency_s: float = 0.0
    power_on: str = "OFF"


@dataclass
class Fault:
    """One fault: from message number `at` on, at the next `count` messages it can apply to."""

    kind: str
    at: int
    count: int
    seconds: float
    text: str


@dataclass
class _Output:
    """What one channel holds beside what its role object knows."""

    device: Any
    mode: str = "current"
    values: dict[str, float] = field(default_factory=dict)
    sense: bool = False
    reading: Mapping[str, float] = field(default_factory=dict)
    reading_s: float = float("-inf")


Handler = Callable[[Mapping[str, str]], str | None]
Program = list[tuple[str, Handler | None, Mapping[str, str]]]


class Responder:
    """The instrument behind the wire: one message in, at most one line out. Not thread-safe by itself."""

    def __init__(
        self,
        devices: Mapping[int, Any],
        dialect: Dialect,
        identity: str,
        lock: Any,
        quirks: Quirks,
        now: Callable[[], float],
    ) -> None:
        self.dialect, self.identity, self.lock, self.quirks, self.now = dialect, identity, lock, quirks, now
        self.outputs = {channel: _Output(device) for channel, device in devices.items()}
        self.selected = min(self.outputs)
        self.queue: list[tuple[int, str]] = []
        self.esr = 128
        self.remote = not dialect.remote
        self.messages = 0
        self.fresh = 0  # counts messages, so that one message measures once
        self.refresh_s = dialect.refresh_s if quirks.refresh_s is None else quirks.refresh_s
        blind = quirks.measures_with_output_off
        self.blind_when_off = not (dialect.measures_with_output_off if blind is None else blind)
        self._off_handlers: list[Handler] = []
        self._order_handlers: list[Handler] = []
        self._number_handlers: list[Handler] = []
        self._table = list(self._turned_round())
        self._programs: dict[str, Program] = {}

    # -- the table turned round ----------------------------------------------------------------------

    def _turned_round(self) -> Iterator[tuple[Command, Handler]]:
        dialect = self.dialect
        yield Command("*IDN?"), lambda _: self.identity
        yield Command("*OPC?"), lambda _: "1"
        yield Command("*OPC"), lambda _: self._set_esr(1)
        yield Command("*CLS"), lambda _: self._clear()
        yield Command("*RST"), lambda _: self.reset()
        yield Command("*ESR?"), lambda _: self._read_esr()
        if dialect.error_query is not None:
            yield dialect.error_query, lambda _: self._next_error()
        for command in dialect.remote:
            yield command, lambda _: self._take_remote()
        if dialect.select is not None:
            yield dialect.select, self._select
        if dialect.select_query is not None:
            yield dialect.select_query, lambda _: str(self.selected)
        if dialect.on is not None and dialect.off is not None and dialect.on_query is not None:
            turn_off = self._ordering(lambda values: self._switch(values, False))
            self._off_handlers.append(turn_off)
            yield dialect.on, self._ordering(lambda values: self._switch(values, True))
            yield dialect.off, turn_off
            yield dialect.on_query, lambda values: self._state(bool(self._is_on(self._output(values))))
        if dialect.mode_set is not None and dialect.mode_query is not None:
            yield dialect.mode_set, self._ordering(self._set_mode)
            yield dialect.mode_query, lambda values: self._mode_word(self._output(values).mode)
        if dialect.power_on_query is not None:
            yield dialect.power_on_query, lambda _: self.quirks.power_on
        for state, sense in ((True, dialect.sense_on), (False, dialect.sense_off)):
            if sense is not None:
                yield sense, self._ordering(self._sensing(state))
        if dialect.sense_query is not None:
            yield dialect.sense_query, lambda values: self._state(self._output(values).sense)
        for key, setting in dialect.settings.items():
            if setting.set is not None:
                yield setting.set, self._ordering(self._setting(key, setting))
            if setting.query is not None:
                yield setting.query, self._answering(key, setting)
            if setting.tripped is not None:
                yield setting.tripped, self._tripping(key)
            for command in (*setting.enable, *setting.disable):
                yield command, self._ordering(lambda _: None)
        for key, command in dialect.measure.items():
            yield command, self._numbering(self._measuring((key,), ""))
        if dialect.measure_all is not None:
            yield dialect.measure_all, self._numbering(self._measuring(dialect.fields, dialect.separator))

    def _ordering(self, handler: Handler) -> Handler:
        def order(values: Mapping[str, str]) -> str | None:
            return handler(values) if self.remote else None

        self._order_handlers.append(order)
        return order

    def _numbering(self, handler: Handler) -> Handler:
        self._number_handlers.append(handler)
        return handler

    def _output(self, values: Mapping[str, str]) -> _Output:
        channel = int(values["channel"]) if "channel" in values else self.selected
        output = self.outputs.get(channel)
        if output is None:
            raise LimitError(f"channel {channel}")
        return output

    def _select(self, values: Mapping[str, str]) -> None:
        channel = int(values["channel"])
        if channel not in self.outputs:
            raise LimitError(f"channel {channel}")
        self.selected = channel

    def _take_remote(self) -> None:
        self.remote = True

    def _sensing(self, state: bool) -> Handler:
        def sense(values: Mapping[str, str]) -> None:
            self._output(values).sense = state

        return sense

    @staticmethod
    def _is_on(output: _Output) -> bool | None:
        on = output.device.read_setup().get("on")
        return None if on is None else bool(on)

    def _state(self, on: bool) -> str:
        states = self.dialect.states
        return ("1" if on else "0") if states[0] not in ("TRUE", "true") else states[0 if on else 1]

    def _switch(self, values: Mapping[str, str], on: bool) -> None:
        output = self._output(values)
        if self.dialect.role == "load":
            output.device.set_input(on)
        else:
            output.device.set_output(on)
        self._stale(output)

    def _mode_word(self, mode: str) -> str:
        word = self.dialect.mode_words.get(mode, mode)
        return "".join(letter for letter in word if not letter.islower())

    def _set_mode(self, values: Mapping[str, str]) -> None:
        output = self._output(values)
        for mode, word in self.dialect.mode_words.items():
            if is_spelling(word, values["mode"]):
                output.mode = mode
                if output.values.get(mode, 0.0) > 0.0:
                    output.device.set_discharge(mode, output.values[mode])
                return
        self._error(-224)

    def _setting(self, key: str, setting: Setting) -> Handler:
        def set_it(values: Mapping[str, str]) -> None:
            output = self._output(values)
            try:
                value = float(values["value"]) * setting.scale
            except ValueError:
                self._error(-224)
                return
            if not setting.low <= value <= setting.high:
                self._error(-222)
                return
            self._put(output, key, value)

        return set_it

    def _put(self, output: _Output, key: str, value: float) -> None:
        device, held = output.device, value
        if self.dialect.role == "load":
            if key == "cutoff":
                held = float(device.arm_limits(value, None).get("low_voltage_V", value))
            elif key == "over_current":
                held = float(device.arm_limits(None, value).get("max_current_A", value))
            elif key == output.mode and value > 0.0:
                held = float(device.set_discharge(key, value))
        elif key == "voltage":
            held = float(device.set_voltage(value))
        elif key == "current":
            held = float(device.set_current_limit(value))
        elif key == "over_voltage":
            held = float(device.arm_limits(value, None, None).get("over_voltage_V", value))
        elif key == "over_current":
            held = float(device.arm_limits(None, value, None).get("over_current_A", value))
        elif key == "off_timer":
            held = float(device.arm_limits(None, None, value).get("off_after_s", value))
        output.values[key] = held
        self._stale(output)

    def _answering(self, key: str, setting: Setting) -> Handler:
        def answer(values: Mapping[str, str]) -> str:
            held = self._output(values).values.get(key, 0.0)
            if setting.step > 0.0:
                held = round(held / setting.step) * setting.step
            return self._number(held / setting.scale, setting.unit)

        return answer

    def _tripping(self, key: str) -> Handler:
        def answer(values: Mapping[str, str]) -> str:
            trips: Callable[[], list[str]] | None = getattr(self._output(values).device, "read_trips", None)
            return self._state(trips is not None and PROTECTIONS[key] in trips())

        return answer

    def _measuring(self, keys: tuple[str, ...], separator: str) -> Handler:
        def measure(values: Mapping[str, str]) -> str:
            output = self._output(values)
            reading = self._reading(output)
            texts = []
            for key in keys:
                value = reading.get(KEYS_OF_READING.get(key, key), 0.0)
                if key in ("current", "power"):
                    value *= self.dialect.current_sign * (-1.0 if self.dialect.role == "load" else 1.0)
                texts.append(self._number(value, MEASURED.get(key, "")))
            return separator.join(texts)

        return measure

    def _reading(self, output: _Output) -> Mapping[str, float]:
        if self.refresh_s > 0.0:
            now_s = self.now()
            if now_s - output.reading_s < self.refresh_s:
                return output.reading
            output.reading_s = now_s
        elif output.reading_s == self.fresh:
            return output.reading
        else:
            output.reading_s = self.fresh
        reading: Mapping[str, float] = output.device.read()
        if self.blind_when_off and not self._is_on(output):
            reading = dict.fromkeys(reading, 0.0)
        output.reading = reading
        return reading

    def _stale(self, output: _Output) -> None:
        """Measure anew after an order, but not where readings are refreshed a few times a second."""
        if self.refresh_s <= 0.0:
            output.reading_s = float("-inf")

    def _number(self, value: float, unit: str) -> str:
        value += 0.0  # no instrument writes a negative zero
        text = f"{value:.6f}" if self.quirks.number == "NR2" else f"{value:+.6E}"
        return text + unit if self.dialect.units else text

    # -- the status system ----------------------------------------------------------------------------

    def _set_esr(self, bit: int) -> None:
        self.esr |= bit

    def _read_esr(self) -> str:
        esr, self.esr = self.esr, 0
        return str(esr)

    def _clear(self) -> None:
        self.queue.clear()
        self.esr = 0

    def _error(self, code: int, text: str = "") -> None:
        self.esr |= esr_bit(code)
        if len(self.queue) >= self.quirks.queue_length:
            self.queue[-1] = (-350, TEXTS[-350])
            self.esr |= esr_bit(-350)
        else:
            self.queue.append((code, text or TEXTS.get(code, "Device error")))

    def _next_error(self) -> str:
        if not self.queue:
            return self.quirks.no_error
        code, text = self.queue.pop(0)
        quoted = text.replace('"', '""')
        return f'{code},"{quoted}"'

    def reset(self) -> None:
        """Put everything back to its defaults: off, no level held."""
        for output in self.outputs.values():
            with contextlib.suppress(AttributeError):
                if self.dialect.role == "load":
                    output.device.set_input(False)
                elif self.dialect.role == "supply":
                    output.device.set_output(False)
            output.values.clear()
            output.mode, output.sense, output.reading_s = "current", False, float("-inf")
        self.selected = min(self.outputs)

    # -- one message ------------------------------------------------------------------------------------

    def program(self, message: str) -> Program:
        """Return what a message means; kept, because the same few are asked all night."""
        program = self._programs.get(message)
        if program is None:
            if len(self._programs) >= PROGRAMS:
                self._programs.clear()
            program = self._programs[message] = self._compile(message)
        return program

    def _compile(self, message: str) -> Program:
        program: Program = []
        path = ""
        for unit in message.split(";"):
            text = unit.strip()
            if not text:
                continue
            whole = text
            if text[0] not in ":*" and path:
                whole = path + text
            if text[0] != "*":
                head = whole.lstrip(":").partition(" ")[0]
                path = head.rpartition(":")[0] + ":" if ":" in head else ""
            for command, handler in self._table:
                match = command.pattern.fullmatch(whole)
                if match:
                    program.append((whole, handler, match.groupdict()))
                    break
            else:
                program.append((whole, None, {}))
        return program

    def carries_out(self, program: Program, kind: str) -> bool:
        """Whether a fault of this kind can happen at this message."""
        handlers = [handler for _, handler, _ in program]
        if kind in OF_NUMBERS:
            return any(handler in self._number_handlers for handler in handlers)
        if kind in OF_ORDERS:
            return any(handler in self._order_handlers for handler in handlers)
        if kind == "ignore-off":
            return any(handler in self._off_handlers for handler in handlers)
        if kind in ("silence", "late-reply", "split-reply", "garbage"):
            return any("?" in text for text, _, _ in program)
        return True

    def run(self, program: Program) -> str | None:
        """Carry a message out; return the line that answers it, or None."""
        self.fresh += 1
        answers: list[str] = []
        with self.lock:
            for text, handler, values in program:
                if handler is None:
                    self._error(-113, f"{TEXTS[-113]};{text[:30]}")
                    continue
                try:
                    answer = handler(values)
                except LimitError:
                    self._error(-222)
                except DriverError as error:
                    self._error(-200, f"{TEXTS[-200]};{str(error)[:60]}")
                else:
                    if answer is not None:
                        answers.append(answer)
        return ";".join(answers) if answers else None

    def skip_orders(self, program: Program, off_only: bool) -> Program:
        """Return the message without its orders (or only without the off orders)."""
        gone = self._off_handlers if off_only else self._order_handlers
        return [unit for unit in program if unit[1] not in gone]


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
