"""From an exchange to bytes and back: lines of text, binary frames, Modbus.

`request` makes the bytes of a question or an order; `answer` takes what has come so far and says None (more has to
come), values by name, or raises: `Spoiled` for what is no answer to this question, `Declined` for a refusal in good
form. An answer is taken whole or not at all: nothing is searched for inside what came, nothing is skipped.

Checksums come from the library `crc`, Modbus frames from `pymodbus`; an answer of Modbus has to be, byte for byte,
what the library makes of the values that it found in it.
"""

import functools
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, Protocol, cast

from amphora.drivers.errors import LimitError
from amphora.drivers.polled.exchange import (
    Declined,
    Exchange,
    Field,
    Fields,
    FrameForm,
    LineForm,
    RegisterForm,
    Spoiled,
)

LONGEST = 4096


class Coding(Protocol):
    """One way of speaking."""

    spoiler: bytes  # ends half a message that somebody left behind, so that it is not carried out
    echo: bool  # whether all that is sent comes back first

    def request(self, exchange: Exchange, values: Mapping[str, str]) -> bytes:
        """Return the bytes to send. LimitError: the value does not fit; nothing was sent."""
        ...

    def answer(self, exchange: Exchange, sent: bytes, came: bytes) -> tuple[dict[str, str], int] | None:
        """Return the values and how many bytes they took; None while more has to come."""
        ...


def number_text(value: float) -> str:
    """Return a number as the driver reads it."""
    return f"{value:.10g}"


# -- lines -----------------------------------------------------------------------------------------------


class Lines:
    """One line asks, one line answers."""

    def __init__(self, ends: str, answers_end: str, echo: bool) -> None:
        self.ends, self.answers_end, self.echo = ends.encode("latin-1"), answers_end.encode("latin-1"), echo
        self.spoiler = b"!" + self.ends

    def request(self, exchange: Exchange, values: Mapping[str, str]) -> bytes:
        """See `Coding`."""

        def fill(found: re.Match[str]) -> str:
            name, style = found[1], found[2]
            if name == "mode":
                return exchange.wire_mode(values["mode"])
            if name == "channel":
                return values["channel"]
            number = float(values[name]) / exchange.scales.get(name, 1.0)
            if style:
                return format(number, style[1:])
            return values[name] if exchange.scales.get(name, 1.0) == 1.0 else number_text(number)

        text = re.sub(r"\{(\w+)(:[0-9.]+f)?\}", fill, cast(LineForm, exchange.form).send)
        return text.encode("latin-1") + self.ends

    def answer(self, exchange: Exchange, sent: bytes, came: bytes) -> tuple[dict[str, str], int] | None:
        """See `Coding`."""
        line, end, _ = came.partition(self.answers_end)
        if not end:
            if len(came) > LONGEST:
                raise Spoiled("a line without an end came")
            return None
        text = line.decode("latin-1").strip("\r\n ")
        if sent and text and text == sent.decode("latin-1").strip("\r\n "):
            raise Spoiled(f"what was sent came back ({text!r}): the line echoes, and echo = true is not said")
        form = cast(LineForm, exchange.form)
        if form.refused is not None and re.fullmatch(form.refused, text):
            raise Declined(text)
        match = re.fullmatch(str(form.answer), text)
        if match is None:
            raise Spoiled(f"{text[:60]!r} is not of the form {form.answer!r}")
        values = {}
        for name in exchange.names:
            part = match[name] if name in match.groupdict() else text
            values[name] = exchange.said(name, self._number(part or "", exchange.scales.get(name)))
        return values, len(line) + len(end)

    @staticmethod
    def _number(text: str, scale: float | None) -> str:
        if scale is None or scale == 1.0:
            return text.strip()
        try:
            return number_text(float(text) * scale)
        except ValueError:
            raise Spoiled(f"{text[:40]!r} is no number") from None


# -- frames ----------------------------------------------------------------------------------------------


def pack(field: Field, text: str) -> bytes:
    """Return a value as it stands on the wire.

    Raises:
        LimitError: it does not fit into the field; nothing is clipped.
    """
    number = (float(text) - field.offset) / field.scale
    if field.kind.startswith("f"):
        return struct.pack((">" if field.endian == "big" else "<") + "f", number)
    whole = round(number)
    signed = field.kind.startswith("i")
    low, high = (
        (-(1 << (8 * field.size - 1)), (1 << (8 * field.size - 1)) - 1) if signed else (0, (1 << 8 * field.size) - 1)
    )
    if not low <= whole <= high:
        raise LimitError(
            f"{field.name} {text} does not fit into {field.kind} with a scale of {field.scale:g} "
            f"({low * field.scale:g} to {high * field.scale:g}); nothing was sent"
        )
    return whole.to_bytes(field.size, "big" if field.endian == "big" else "little", signed=signed)


def unpack(field: Field, data: bytes) -> str:
    """Return what a field holds, in SI.

    Raises:
        Spoiled: not a number, or infinite.
    """
    if field.kind.startswith("f"):
        number = float(struct.unpack((">" if field.endian == "big" else "<") + "f", data)[0])
        if not abs(number) < 1e12:
            raise Spoiled(f"{field.name} is {number}")
    else:
        order = "big" if field.endian == "big" else "little"
        number = float(int.from_bytes(data, order, signed=field.kind.startswith("i")))  # type: ignore[arg-type]
    return number_text(number * field.scale + field.offset)


@functools.cache
def _calculator(width: int, polynomial: int, init: int, final: int, reflect: bool) -> Any:
    from crc import Calculator, Configuration

    return Calculator(Configuration(width, polynomial, init, final, reflect, reflect), optimized=True)


Endian = Literal["big", "little"]


@dataclass(frozen=True)
class Length:
    """The length in a frame: of how many bytes, and which parts it counts."""

    size: int
    counts: tuple[str, ...]
    endian: Endian


@dataclass(frozen=True)
class Check:
    """The check bytes of a frame: `sum`, `xor` or `crc`, of `size` bytes, over which parts."""

    kind: Literal["sum", "xor", "crc"]
    size: int
    endian: Endian = "big"
    over: tuple[str, ...] = ()
    polynomial: int = 0
    init: int = 0
    final: int = 0
    reflect: bool = False
    complement: bool = False


@dataclass(frozen=True)
class Framing:
    """How a frame is put together: the order of its parts, of start, length, payload, check, end.

    start, answer_start, end: constant bytes; longest: how many bytes a frame has at most.
    """

    layout: tuple[str, ...]
    start: bytes
    answer_start: bytes
    end: bytes
    longest: int
    length: Length | None = None
    check: Check | None = None


def checksum(check: Check, data: bytes) -> bytes:
    """Return the check bytes of some bytes."""
    if check.kind == "sum":
        value = sum(data)
        value = -value if check.complement else value
    elif check.kind == "xor":
        value = functools.reduce(lambda one, other: one ^ other, data, check.init)
    else:
        value = int(
            _calculator(8 * check.size, check.polynomial, check.init, check.final, check.reflect).checksum(data)
        )
    return (value & ((1 << 8 * check.size) - 1)).to_bytes(check.size, check.endian)


class Frames:
    """Frames of bytes, put together as a `Framing` says."""

    def __init__(self, framing: Framing, echo: bool) -> None:
        self.framing, self.echo = framing, echo
        # Fills up a frame that somebody left half: its checksum is then wrong, and it is dropped. Without a
        # checksum only the pause before (`pause_s`) parts it from what comes.
        self.spoiler = bytes(framing.longest) if framing.check is not None else b""

    def request(self, exchange: Exchange, values: Mapping[str, str]) -> bytes:
        """See `Coding`."""
        payload = b""
        for part in cast(FrameForm, exchange.form).send:
            if isinstance(part, bytes):
                payload += part
            elif part.name == "mode":
                payload += pack(part, exchange.wire_mode(values["mode"]))
            else:
                payload += pack(part, values[part.name])
        return self._framed(payload, self.framing.start)

    def _framed(self, payload: bytes, start: bytes) -> bytes:
        framing, length, check = self.framing, self.framing.length, self.framing.check
        parts = {"start": start, "payload": payload, "end": framing.end, "length": b"", "check": b""}
        if length is not None:
            sizes = {name: len(part) for name, part in parts.items()}
            sizes |= {"length": length.size, "check": 0 if check is None else check.size}
            counted = sum(sizes[name] for name in length.counts)
            parts["length"] = counted.to_bytes(length.size, length.endian)
        if check is not None:
            parts["check"] = checksum(check, b"".join(parts[name] for name in framing.layout if name in check.over))
        return b"".join(parts[name] for name in framing.layout)

    def answer(self, exchange: Exchange, sent: bytes, came: bytes) -> tuple[dict[str, str], int] | None:
        """See `Coding`."""
        form = cast(FrameForm, exchange.form)
        ways = [(form.answer or (), False)] + ([(form.refused, True)] if form.refused is not None else [])
        answer_start = self.framing.answer_start
        why = ""
        for fields, is_refusal in ways:
            size = sum(len(one) if isinstance(one, bytes) else one.size for one in fields)
            whole = len(self._framed(bytes(size), answer_start))
            begin = came[: len(answer_start)]
            if begin != answer_start[: len(begin)]:
                raise Spoiled(f"{came[:24].hex(' ')} does not begin with {answer_start.hex(' ')}")
            if len(came) < whole:
                why = why or "short"
                continue
            payload = self._payload(came[:whole], size)
            if isinstance(payload, str):
                why = payload if why in ("", "short") else why
                continue
            found = self._fields(exchange, fields, payload)
            if isinstance(found, str):
                why = found
                continue
            if is_refusal:
                raise Declined(f"code {found.get('code', payload.hex(' '))}")
            return found, whole
        if why == "short":
            return None
        raise Spoiled(f"{came[:32].hex(' ')}: {why}")

    def _payload(self, frame: bytes, size: int) -> bytes | str:
        framing = self.framing
        sizes = {"start": len(framing.answer_start), "length": 0 if framing.length is None else framing.length.size}
        begin = sum(sizes.get(one, 0) for one in framing.layout[: framing.layout.index("payload")])
        payload = frame[begin : begin + size]
        right = self._framed(payload, framing.answer_start)
        return payload if right == frame else f"its length, checksum or end is wrong ({right.hex(' ')} would be right)"

    @staticmethod
    def _fields(exchange: Exchange, fields: Fields, payload: bytes) -> dict[str, str] | str:
        values, at = {}, 0
        for one in fields:
            if isinstance(one, bytes):
                if payload[at : at + len(one)] != one:
                    return f"{payload.hex(' ')} is not what answers this question"
                at += len(one)
            else:
                if one.name != "any":
                    values[one.name] = exchange.said(one.name, unpack(one, payload[at : at + one.size]))
                at += one.size
        return values


# -- Modbus ----------------------------------------------------------------------------------------------

EXCEPTIONS = {1: "function not known", 2: "no such register", 3: "value not accepted", 4: "it failed", 6: "busy"}


class Modbus:
    """Registers and coils, framed by pymodbus; `framing` rtu (also over TCP) or tcp (each question numbered)."""

    echo = False

    def __init__(self, address: int, framing: str, echo: bool) -> None:
        from pymodbus.framer import FramerRTU, FramerSocket
        from pymodbus.pdu import DecodePDU

        self.address, self.echo, self.framing = address, echo, framing
        self._framer: Any = (FramerRTU if framing == "rtu" else FramerSocket)(DecodePDU(False))
        self._number = 0
        self.spoiler = b""  # silence ends half a frame, in the standard: the pause before

    def request(self, exchange: Exchange, values: Mapping[str, str]) -> bytes:
        """See `Coding`."""
        from pymodbus.pdu import bit_message, register_message

        form = cast(RegisterForm, exchange.form)
        self._number = self._number % 65535 + 1
        asked: dict[str, Any] = {
            "dev_id": self.address, "transaction_id": self._number if self.framing == "tcp" else 0,
            "address": form.register + form.per_channel * (int(values.get("channel", "1")) - 1),
        }  # fmt: skip
        what = form.what
        if what in ("holding", "input"):
            kind: Any = getattr(register_message, f"Read{what.title()}RegistersRequest")
            return bytes(self._framer.buildFrame(kind(**asked, count=form.field.size // 2)))
        if what in ("coil", "discrete"):
            kind = bit_message.ReadCoilsRequest if what == "coil" else bit_message.ReadDiscreteInputsRequest
            return bytes(self._framer.buildFrame(kind(**asked, count=1)))
        if what == "write-coil":
            return bytes(self._framer.buildFrame(bit_message.WriteSingleCoilRequest(**asked, bits=[form.value != 0])))
        if "mode" in values:
            text = exchange.wire_mode(values["mode"])
        else:
            text = values.get("value", number_text(form.value) if form.value is not None else "")
        registers = self._registers(form, pack(form.field, text))
        if what == "write-many" or len(registers) > 1:
            kind = register_message.WriteMultipleRegistersRequest
            return bytes(self._framer.buildFrame(kind(**asked, registers=registers, count=len(registers))))
        return bytes(self._framer.buildFrame(register_message.WriteSingleRegisterRequest(**asked, registers=registers)))

    @staticmethod
    def _registers(form: RegisterForm, data: bytes) -> list[int]:
        found = [int.from_bytes(data[n : n + 2], "big") for n in range(0, len(data), 2)]
        return found[::-1] if form.low_word_first else found

    def answer(self, exchange: Exchange, sent: bytes, came: bytes) -> tuple[dict[str, str], int] | None:
        """See `Coding`."""
        head = 6 if self.framing == "tcp" else 0
        whole = self._whole(came, head)
        if whole is None:
            return None
        frame = came[:whole]
        if frame[head] != self.address:
            raise Spoiled(f"station {frame[head]} answered, {self.address} was asked")
        if head and frame[:2] != sent[:2]:
            raise Spoiled("the answer to another question came")
        try:
            used, found = self._framer.handleFrame(frame, self.address, int.from_bytes(sent[:2], "big") if head else 0)
        except Exception as error:
            raise Spoiled(f"{frame.hex(' ')}: {error}") from error
        if found is None or used != whole or bytes(self._framer.buildFrame(found)) != frame:
            raise Spoiled(f"{frame.hex(' ')}: its checksum or form is wrong")
        function = frame[head + 1]
        if function == sent[head + 1] | 0x80:
            code = frame[head + 2]
            raise Declined(f"exception {code}, {EXCEPTIONS.get(code, 'of its own')}")
        if function != sent[head + 1]:
            raise Spoiled(f"function {function} answered, {sent[head + 1]} was asked")
        return self._values(exchange, found, sent, frame, head), whole

    @staticmethod
    def _whole(came: bytes, head: int) -> int | None:
        """Return how long the answer is that begins so; None while that cannot be told, or not all has come."""
        if head:
            size = 6 + int.from_bytes(came[4:6], "big") if len(came) >= 6 else None
        elif len(came) < 3:
            size = None
        elif came[1] & 0x80:
            size = 5
        else:
            size = 5 + came[2] if came[1] in (1, 2, 3, 4) else 8
        if size is not None and size > 300:
            raise Spoiled(f"{came[:16].hex(' ')}: longer than any answer")
        return size if size is not None and len(came) >= size else None

    def _values(self, exchange: Exchange, found: Any, sent: bytes, frame: bytes, head: int) -> dict[str, str]:
        form = cast(RegisterForm, exchange.form)
        if form.what in ("holding", "input"):
            registers = list(found.registers)
            if len(registers) != form.field.size // 2:
                raise Spoiled(f"{len(registers)} registers answered, {form.field.size // 2} were asked")
            registers = registers[::-1] if form.low_word_first else registers
            data = b"".join(one.to_bytes(2, "big") for one in registers)
            text = unpack(form.field, data)
            if form.value is not None and float(text) != form.value:
                raise Spoiled(f"register {form.register} holds {text}, {form.value:g} is described")
            return {exchange.names[0]: exchange.said(exchange.names[0], text)}
        if form.what in ("coil", "discrete"):
            return {exchange.names[0]: exchange.said(exchange.names[0], "1" if found.bits[0] else "0")}
        if frame[head + 2 : head + 6] != sent[head + 2 : head + 6]:
            raise Spoiled("another register, or another value, was confirmed than was written")
        return {}
