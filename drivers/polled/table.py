"""From a dialect's table with a `[protocol]` to words the drivers know and exchanges of bytes.

Where a table of SCPI has a command, such a table has an exchange: `{ send = "U?", answer = "U=(?P<value>.*)" }` for
lines, `{ send = ["10"], answer = ["90", "value u16 0.001"] }` for frames, `{ read = "input", register = 16,
scale = 0.001 }` for Modbus. `translate` gives each a word, such as `MEASURE.VOLTAGE?`; what is left is an ordinary
table of words, checked and driven as any other. docs/described.md describes every key.
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from amphora.drivers.described import as_written, check_keys, finite_number, shown
from amphora.drivers.errors import DescriptionError
from amphora.drivers.polled.coding import Check, Coding, Endian, Frames, Framing, Length, Lines, Modbus
from amphora.drivers.polled.exchange import OFF, ON, Exchange, Field, Fields, Form, FrameForm, LineForm, RegisterForm

PARTS = ("start", "length", "payload", "check", "end")
TYPES = ("u8", "i8", "u16", "i16", "u24", "i24", "u32", "i32", "f32")


@dataclass(frozen=True)
class ProtocolTable:
    """The keys of every [protocol], as they are written."""

    kind: Any = None
    identity: Any = None
    echo: Any = None
    retries: Any = 0
    late_s: Any = None
    starts_s: Any = 0.0
    gap_s: Any = None
    keep_alive: Any = None
    keep_alive_s: Any = 1.0
    dtr: Any = None
    rts: Any = None
    hid_report: Any = 64
    bauds: Any = ()


@dataclass(frozen=True)
class LinesProtocol(ProtocolTable):
    """The keys of one that speaks in lines."""

    ends: Any = "\n"
    answers_end: Any = None


@dataclass(frozen=True)
class FramesProtocol(ProtocolTable):
    """The keys of one that speaks in frames."""

    layout: Any = None
    start: Any = None
    answer_start: Any = None
    end: Any = None
    length: Any = None
    check: Any = None
    endian: Any = "big"
    longest: Any = 32


@dataclass(frozen=True)
class ModbusProtocol(ProtocolTable):
    """The keys of one that speaks Modbus."""

    address: Any = 1
    framing: Any = "rtu"
    endian: Any = "big"
    low_word_first: Any = False


@dataclass(frozen=True)
class LengthTable:
    """The keys of protocol.length."""

    bytes: Any = 1
    counts: Any = ("payload",)
    endian: Any = None


@dataclass(frozen=True)
class CheckTable:
    """The keys of protocol.check."""

    kind: Any = None
    bytes: Any = None
    over: Any = None
    polynomial: Any = None
    init: Any = 0
    final: Any = 0
    reflect: Any = False
    endian: Any = None
    complement: Any = False


@dataclass(frozen=True)
class LineTable:
    """The keys of an exchange of lines."""

    send: Any = None
    answer: Any = None
    refused: Any = None
    scale: Any = 1.0
    on: Any = None
    off: Any = None


@dataclass(frozen=True)
class FrameTable:
    """The keys of an exchange of frames."""

    send: Any = None
    answer: Any = None
    refused: Any = None
    on: Any = None
    off: Any = None


@dataclass(frozen=True)
class RegisterTable:
    """The keys of an exchange over Modbus."""

    read: Any = None
    write: Any = None
    write_coil: Any = None
    register: Any = None
    type: Any = "u16"
    scale: Any = 1.0
    offset: Any = 0.0
    is_: Any = None
    many: Any = False
    on: Any = None
    off: Any = None
    low_word_first: Any = None
    per_channel: Any = 0


PROTOCOLS: Mapping[str, type[ProtocolTable]] = {
    "lines": LinesProtocol, "frames": FramesProtocol, "modbus": ModbusProtocol,
}  # fmt: skip
ExchangeTable = LineTable | FrameTable | RegisterTable
Made = tuple[Form, tuple[str, ...], dict[str, float], bool]  # form, names, scales, whether anything comes back


@dataclass(frozen=True)
class Speech:
    """How an instrument is spoken to: its exchanges by word, and what its line needs. Times in second."""

    name: str
    kind: str
    exchanges: Mapping[str, Exchange]
    make_coding: Callable[[], Coding]
    identity: Exchange | None
    probe: Exchange  # a harmless question
    retries: int
    late_s: float | None
    starts_s: float
    gap_s: float
    keep_alive: Exchange | None
    keep_alive_s: float
    dtr: bool | None
    rts: bool | None
    hid_report: int
    bauds: tuple[int, ...]


def translate(data: Mapping[str, Any], where: str) -> tuple[dict[str, Any], Speech]:
    """Return the table with words for exchanges, and the exchanges.

    Raises:
        DescriptionError: file, key, value, what is accepted.
    """
    return _Translator(data, where).done()


class _Translator:
    def __init__(self, data: Mapping[str, Any], where: str) -> None:
        self.data, self.where = data, where
        table = self.table(data.get("protocol"), "protocol")
        kind = table.get("kind")
        if not isinstance(kind, str) or kind not in PROTOCOLS:
            raise self.fail("protocol.kind", kind, f"{', '.join(PROTOCOLS)} are")
        self.kind = kind
        self.protocol = as_written(PROTOCOLS[kind], table, f"{where}: protocol")
        protocol = self.protocol
        endian = protocol.endian if isinstance(protocol, FramesProtocol | ModbusProtocol) else None
        self.endian = self.one_endian(endian, "protocol.endian", "big")
        self.exchanges: dict[str, Exchange] = {}
        channels = data.get("channels", 1)
        self.channelled = isinstance(channels, int) and channels > 1

    # -- small readers ------------------------------------------------------------------------------

    def fail(self, key: str, value: object, accepted: str) -> DescriptionError:
        return DescriptionError(f"{self.where}: {key} = {shown(value)} is not accepted; {accepted}")

    def table(self, value: object, name: str) -> Mapping[str, Any]:
        if not isinstance(value, Mapping):
            raise self.fail(name, value, "a table is")
        return value

    def one_endian(self, value: object, name: str, default: Endian) -> Endian:
        if value not in (None, "big", "little"):
            raise self.fail(name, value, "big, little are")
        return "little" if value == "little" else default if value is None else "big"

    def number(self, written: object, name: str, low: float, high: float) -> float:
        value = finite_number(written)
        if value is None or not low <= value <= high:
            raise self.fail(name, written, f"a number from {low:g} to {high:g} is")
        return value

    def whole(self, written: object, name: str, low: int, high: int) -> int:
        value = self.number(written, name, low, high)
        if value != int(value):
            raise self.fail(name, written, "a whole number is")
        return int(value)

    def flag(self, value: object, name: str) -> bool | None:
        if value is not None and not isinstance(value, bool):
            raise self.fail(name, value, "true or false is")
        return value

    def hexed(self, value: object, name: str) -> bytes:
        try:
            if not isinstance(value, str):
                raise ValueError
            return bytes.fromhex(value)
        except ValueError:
            raise self.fail(name, value, 'bytes such as "A5 10" are') from None

    # -- the whole ----------------------------------------------------------------------------------

    def done(self) -> tuple[dict[str, Any], Speech]:
        """Return the ordinary table, and how each of its words is said."""
        plain: dict[str, Any] = {}
        for key, value in self.data.items():
            if key == "protocol":
                continue
            if key == "errors":
                raise self.fail(key, value, "no such table is: a refusal is part of the answer here")
            plain[key] = self.section(key, value) if isinstance(value, Mapping) else value
        link = dict(plain.get("link", {}))
        check_keys(link, ("pause_s", "remote"), f"{self.where}: link")
        plain["link"] = {**link, "spelling": "long", "compound": False}
        proto = self.protocol
        identity = self.protocol_exchange("identity", proto.identity)
        keep_alive = self.protocol_exchange("keep_alive", proto.keep_alive)
        probe = identity or next(
            (self.exchanges[one] for one in ("OUTPUT.QUERY?", *self.exchanges) if one in self.exchanges
             and self.exchanges[one].is_query), None,
        )  # fmt: skip
        if probe is None and keep_alive is not None and keep_alive.answered:
            probe = keep_alive  # said all the time anyway, and its answer shows that somebody is there
        if probe is None:
            raise DescriptionError(
                f"{self.where}: describes no question at all, so nobody could tell whether it is there; a measure or "
                "output.query (of a relay: positions.query, an identity or a keep_alive with an answer) is needed"
            )
        bauds = proto.bauds
        if bauds != () and not (
            isinstance(bauds, list) and all(isinstance(one, int) and 50 <= one <= 4_000_000 for one in bauds)
        ):
            raise self.fail("protocol.bauds", bauds, "a list of baud rates is")
        usual_gap_s = 0.0 if self.kind == "lines" else 0.05
        coding = self.coding()
        return plain, Speech(
            name=str(self.data.get("name", "")),
            kind=self.kind,
            exchanges=self.exchanges,
            make_coding=coding,
            identity=identity,
            probe=probe,
            retries=self.whole(proto.retries, "protocol.retries", 0, 3),
            late_s=None if proto.late_s is None else self.number(proto.late_s, "protocol.late_s", 0.05, 30.0),
            starts_s=self.number(proto.starts_s, "protocol.starts_s", 0.0, 10.0),
            gap_s=self.number(usual_gap_s if proto.gap_s is None else proto.gap_s, "protocol.gap_s", 0.0, 2.0),
            keep_alive=keep_alive,
            keep_alive_s=self.number(proto.keep_alive_s, "protocol.keep_alive_s", 0.1, 3600.0),
            dtr=self.flag(proto.dtr, "protocol.dtr"),
            rts=self.flag(proto.rts, "protocol.rts"),
            hid_report=self.whole(proto.hid_report, "protocol.hid_report", 1, 1024),
            bauds=tuple(bauds),
        )

    def protocol_exchange(self, key: str, written: object) -> Exchange | None:
        if written is None:
            return None
        table = self.table(written, f"protocol.{key}")
        exchange = self.exchange(f"PROTOCOL.{key.upper()}?", table, f"protocol.{key}", (), key == "identity")
        if key == "keep_alive":
            self.exchanges[exchange.word] = exchange
        if key == "identity" and not exchange.names:
            raise self.fail(f"protocol.{key}", table, 'an exchange whose answer holds something (a "value") is')
        return exchange

    def section(self, name: str, table: Mapping[str, Any]) -> dict[str, Any]:
        made: dict[str, Any] = {}
        modes = table.get("words") if name == "modes" else None
        for key, value in table.items():
            if name == "modes" and key == "words":
                made[key] = {mode: str(mode).upper() for mode in self.table(value, "modes.words")}
            elif name == "settings":
                made[key] = self.setting(key, self.table(value, f"settings.{key}"))
            elif isinstance(value, Mapping):
                made[key] = self.word(name, key, value, modes)
            elif isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
                made[key] = [self.numbered(name, key, n, one) for n, one in enumerate(value)]
            else:
                made[key] = value
        if name == "measure" and "all" in made:
            made["fields"] = list(self.exchanges[str(made["all"]).split()[0]].names)
        if name == "power_on" and "query" in made:
            made["off"] = [OFF]
        if name == "output" and "state" in made:
            raise self.fail("output.state", table["state"], "on and off, an exchange each, are")
        return made

    def setting(self, key: str, table: Mapping[str, Any]) -> dict[str, Any]:
        made = self.section(f"settings.{key}", table)
        exchange = self.exchanges.get(f"SETTINGS.{key.upper()}.SET")
        if exchange is not None:
            scale = exchange.scales.get("value", 1.0)
            if "decimals" not in table and scale < 1.0:
                made["decimals"] = min(9, math.ceil(-math.log10(scale) - 1e-9))
            if "step" not in table and scale != 1.0:
                made["step"] = scale
        return made

    def word(self, section: str, key: str, table: Mapping[str, Any], modes: object) -> str:
        asks = key not in ("set", "on", "off", "enable", "disable", "remote")
        if section == "positions":
            asks = key == "query"
        word = f"{section}.{key}".upper() + ("?" if asks else "")
        places: tuple[str, ...] = ()
        if key == "set":
            places = ("mode",) if section == "modes" else ("value",)
        if self.channelled:
            places = (*places, "channel")
        made = self.exchange(word, table, f"{section}.{key}", places, asks)
        if modes is not None:
            words = {str(mode): str(wire) for mode, wire in self.table(modes, "modes.words").items()}
            made = replace(made, modes=words)
        self.exchanges[word] = made
        return " ".join((word, *(f"{{{one}}}" for one in places)))

    def numbered(self, section: str, key: str, n: int, table: Mapping[str, Any]) -> str:
        word = f"{section}.{key}.{n}".upper()
        self.exchanges[word] = self.exchange(word, table, f"{section}.{key}", (), False)
        return word

    # -- exchanges ----------------------------------------------------------------------------------

    def exchange(self, word: str, table: Mapping[str, Any], name: str, places: tuple[str, ...], asks: bool) -> Exchange:
        here = f"{self.where}: {name}"
        written: ExchangeTable
        if self.kind == "lines":
            written = as_written(LineTable, table, here)
            form, names, scales, answered = self.line(written, name, places, asks)
        elif self.kind == "frames":
            written = as_written(FrameTable, table, here)
            form, names, scales, answered = self.frame(written, name, places, asks)
        else:
            written = as_written(RegisterTable, table, here)
            form, names, scales, answered = self.register(written, table, name, places, asks)
        if (written.on is None) != (written.off is None):
            raise self.fail(name, table, "on and off together are")
        states: dict[str, str] = {}
        for stands, means in ((written.on, ON), (written.off, OFF)):
            for one in stands if isinstance(stands, list) else [] if stands is None else [stands]:
                states[str(one)] = means
        if asks and not names:
            raise self.fail(name, table, "a question whose answer holds something is")
        if (
            asks
            and ("query" in name and name.startswith(("output", "power_on", "remote_sense", "positions")))
            and not states
        ):
            raise self.fail(name, table, "on and off, as they stand in the answer, are needed in it")
        return Exchange(word, form, places, names, states, {}, scales, answered, asks)

    def line(self, table: LineTable, name: str, places: tuple[str, ...], asks: bool) -> Made:
        send = table.send
        if not isinstance(send, str) or not send or not send.isascii() or not send.isprintable():
            raise self.fail(f"{name}.send", send, "one line of printable ASCII is")
        found = set(re.findall(r"\{(\w+)(?::[0-9.]+f)?\}", send))
        if found != set(places) - ({"channel"} - found):
            raise self.fail(
                f"{name}.send", send, f"a line with {' and '.join(f'{{{one}}}' for one in places) or 'no place'} is"
            )
        if table.answer is None and asks:
            raise self.fail(f"{name}.answer", None, "the pattern of its answer is")
        for key, pattern in (("answer", table.answer), ("refused", table.refused)):
            try:
                re.compile(pattern or "")
            except (re.error, TypeError) as error:
                raise self.fail(f"{name}.{key}", pattern, f"a regular expression is ({error})") from error
        names = (tuple(re.compile(table.answer).groupindex) or ("value",)) if asks else ()
        scale = table.scale
        scales = dict.fromkeys(("value", *names), 1.0)
        if isinstance(scale, Mapping):
            check_keys(scale, tuple(scales), f"{self.where}: {name}.scale")
            scales |= {key: self.number(one, f"{name}.scale.{key}", -1e6, 1e6) for key, one in scale.items()}
        else:
            scales = dict.fromkeys(scales, self.number(scale, f"{name}.scale", -1e6, 1e6))
        if 0.0 in scales.values():
            raise self.fail(f"{name}.scale", scale, "a number other than 0 is")
        return LineForm(send, table.answer, table.refused), names, scales, table.answer is not None

    def frame(self, table: FrameTable, name: str, places: tuple[str, ...], asks: bool) -> Made:
        send = self.fields(table.send, f"{name}.send")
        answer = None if table.answer is None else self.fields(table.answer, f"{name}.answer")
        refused = None if table.refused is None else self.fields(table.refused, f"{name}.refused")
        filled = {one.name for one in send if isinstance(one, Field)}
        if filled != set(places):
            raise self.fail(f"{name}.send", table.send, f"one with {' and '.join(places) or 'bytes alone'} is")
        if answer is None and asks:
            raise self.fail(f"{name}.answer", None, "the fields of its answer are")
        names = tuple(one.name for one in answer or () if isinstance(one, Field) and one.name != "any") if asks else ()
        scales = {one.name: one.scale for one in send if isinstance(one, Field)}
        return FrameForm(send, answer, refused), names, scales, answer is not None

    def fields(self, value: object, name: str) -> Fields:
        if not isinstance(value, list) or not value or not all(isinstance(one, str) for one in value):
            raise self.fail(name, value, 'a list such as ["10", "value u16 0.001"] is')
        found: list[bytes | Field] = []
        for one in value:
            words = one.split()
            bare = not words or re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", words[0])
            found.append(self.hexed(one, name) if bare else self.field(words, one, name))
        return tuple(found)

    def field(self, words: list[str], one: str, name: str) -> Field:
        match = re.fullmatch(r"([uif](?:8|16|24|32))(le|be)?", words[1]) if len(words) > 1 else None
        numbers = [_number(word) for word in words[2:]] + [None] * 2
        scale, offset = numbers[0] if len(words) > 2 else 1.0, numbers[1] if len(words) > 3 else 0.0
        if match is None or match[1] not in TYPES or len(words) > 4 or not scale or offset is None:
            raise self.fail(
                name, one, f"a name, one of {', '.join(TYPES)} (le or be behind it), a scale and an offset are"
            )
        endian = {"le": "little", "be": "big"}.get(match[2] or "", self.endian)
        return Field(words[0], match[1], scale, offset, endian)

    def register(
        self, table: RegisterTable, raw: Mapping[str, Any], name: str, places: tuple[str, ...], asks: bool
    ) -> Made:
        ways = {"read": table.read, "write": table.write, "write_coil": table.write_coil}
        given = [way for way, value in ways.items() if value is not None]
        if len(given) != 1 or (given == ["read"]) != asks:
            raise self.fail(name, raw, "read (for a question) or one of write, write_coil (for an order) is")
        kind = table.type
        if kind not in TYPES[2:] or kind in ("u24", "i24"):
            raise self.fail(f"{name}.type", kind, "u16, i16, u32, i32, f32 are")
        scale = self.number(table.scale, f"{name}.scale", -1e6, 1e6)
        offset = self.number(table.offset, f"{name}.offset", -1e6, 1e6)
        field = Field("value", kind, scale or 1.0, offset, self.endian)
        low_first = table.low_word_first
        if low_first is None and isinstance(self.protocol, ModbusProtocol):
            low_first = self.protocol.low_word_first
        if not isinstance(low_first, bool):
            raise self.fail(f"{name}.low_word_first", low_first, "true or false is")
        per_channel = self.whole(table.per_channel, f"{name}.per_channel", 0, 65535)
        value = None if table.is_ is None else self.number(table.is_, f"{name}.is", -1e12, 1e12)
        if table.read is not None:
            if table.read not in ("holding", "input", "coil", "discrete"):
                raise self.fail(f"{name}.read", table.read, "holding, input, coil, discrete are")
            what, register = table.read, self.whole(table.register, f"{name}.register", 0, 65535)
        else:
            way = given[0]
            what = "write-coil" if way == "write_coil" else "write-many" if table.many else "write"
            register = self.whole(ways[way], f"{name}.{way}", 0, 65535)
            if "value" not in places and "mode" not in places and value is None:
                raise self.fail(name, raw, "is = the value that is written is needed")
        form = RegisterForm(what, register, field, low_first, per_channel, value)
        return form, (("value",) if asks else ()), {"value": scale}, True

    # -- coding -------------------------------------------------------------------------------------

    def coding(self) -> Callable[[], Coding]:
        proto, echo = self.protocol, bool(self.flag(self.protocol.echo, "protocol.echo"))
        if isinstance(proto, LinesProtocol):
            ends, answers_end = proto.ends, proto.ends if proto.answers_end is None else proto.answers_end
            for key, value in (("ends", ends), ("answers_end", answers_end)):
                if not isinstance(value, str) or not 1 <= len(value) <= 4 or not value.isascii():
                    raise self.fail(f"protocol.{key}", value, r'one to four signs such as "\r\n" are')
            return lambda: Lines(ends, answers_end, echo)
        if isinstance(proto, ModbusProtocol):
            address = self.whole(proto.address, "protocol.address", 1, 247)
            if proto.framing not in ("rtu", "tcp"):
                raise self.fail("protocol.framing", proto.framing, "rtu, tcp are")
            return lambda: Modbus(address, proto.framing, echo)
        assert isinstance(proto, FramesProtocol)
        framing = self.framing(proto)
        return lambda: Frames(framing, echo)

    def framing(self, proto: FramesProtocol) -> Framing:
        layout = proto.layout
        if not isinstance(layout, list) or "payload" not in layout or len(set(map(str, layout))) != len(layout) or any(
            one not in PARTS for one in layout
        ):  # fmt: skip
            raise self.fail("protocol.layout", layout, f"a list of {', '.join(PARTS)} with payload is")
        described = {"start": proto.start, "length": proto.length, "check": proto.check, "end": proto.end}
        for one, written in described.items():
            if (one in layout) != (written is not None):
                raise self.fail("protocol.layout", layout, f"one that has {one} where protocol.{one} is described is")
        start = self.hexed("" if proto.start is None else proto.start, "protocol.start")
        answers = proto.answer_start
        return Framing(
            layout=tuple(layout),
            start=start,
            answer_start=start if answers is None else self.hexed(answers, "protocol.answer_start"),
            end=self.hexed("" if proto.end is None else proto.end, "protocol.end"),
            longest=self.whole(proto.longest, "protocol.longest", 4, 1024),
            length=None if proto.length is None else self.length(self.table(proto.length, "protocol.length")),
            check=None if proto.check is None else self.check(self.table(proto.check, "protocol.check"), layout),
        )

    def length(self, table: Mapping[str, Any]) -> Length:
        written = as_written(LengthTable, table, f"{self.where}: protocol.length")
        return Length(
            self.whole(written.bytes, "protocol.length.bytes", 1, 4),
            self.parts(written.counts, "protocol.length.counts"),
            self.one_endian(written.endian, "protocol.length.endian", self.endian),
        )

    def parts(self, value: object, name: str) -> tuple[str, ...]:
        if not isinstance(value, list | tuple) or not value or any(one not in PARTS for one in value):
            raise self.fail(name, value, f"a list of {', '.join(PARTS)} is")
        return tuple(value)

    def check(self, table: Mapping[str, Any], layout: list[str]) -> Check:
        here = "protocol.check."
        written = as_written(CheckTable, table, f"{self.where}: protocol.check")
        if written.kind not in ("sum", "xor", "crc"):
            raise self.fail(f"{here}kind", written.kind, "sum, xor, crc are")
        is_crc = written.kind == "crc"
        size = self.whole((2 if is_crc else 1) if written.bytes is None else written.bytes, f"{here}bytes", 1, 4)
        if is_crc and written.polynomial is None:
            raise self.fail(f"{here}polynomial", None, "the polynomial, such as 0x1021, is")
        most = (1 << 8 * size) - 1
        usual = [one for one in layout if one not in ("check", "end")]
        return Check(
            kind=written.kind,
            size=size,
            endian=self.one_endian(written.endian, f"{here}endian", self.endian),
            over=self.parts(usual if written.over is None else written.over, f"{here}over"),
            polynomial=self.whole(written.polynomial or 0, f"{here}polynomial", 0, most),
            init=self.whole(written.init, f"{here}init", 0, most),
            final=self.whole(written.final, f"{here}final", 0, most),
            reflect=written.reflect is True,
            complement=written.complement is True,
        )


def _number(word: str) -> float | None:
    try:
        return finite_number(float(word))
    except ValueError:
        return None
