"""What a simulated instrument answers to a line of its dialect, quirks and faults too; `scpi_server` has the wire."""

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from amphora.drivers.errors import DriverError, LimitError
from amphora.drivers.scpi.dialect import KEYS_OF_READING, MEASURED, PROTECTIONS, Command, Dialect, Setting
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
