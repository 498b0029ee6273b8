"""From a dialect's table with a `[protocol]` to words the drivers know and exchanges of bytes.

Where a table of SCPI has a command, such a table has an exchange: `{ send = "U?", answer = "U=(?P<value>.*)" }` for
lines, `{ send = ["10"], answer = ["90", "value u16 0.001"] }` for frames, `{ read = "input", register = 16,
scale = 0.001 }` for Modbus. `translate` gives each a word, such as `MEASURE.VOLTAGE?`; what is left is an ordinary
table of words, checked and driven as any other. docs/described.md describes every key.
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from amphora.drivers.described import check_keys, finite_number, shown
from amphora.drivers.errors import DescriptionError
from amphora.drivers.polled.coding import Coding, Frames, Lines, Modbus
from amphora.drivers.polled.exchange import OFF, ON, Exchange, Field

KINDS = ("lines", "frames", "modbus")
COMMON = ("kind", "identity", "echo", "retries", "late_s", "starts_s", "gap_s", "keep_alive", "keep_alive_s", "dtr",
          "rts", "hid_report", "bauds")  # fmt: skip
OF_KIND = {
    "lines": ("ends", "answers_end"),
    "frames": ("layout", "start", "answer_start", "end", "length", "check", "endian", "longest"),
    "modbus": ("address", "framing", "endian", "low_word_first"),
}
PARTS = ("start", "length", "payload", "check", "end")
TYPES = ("u8", "i8", "u16", "i16", "u24", "i24", "u32", "i32", "f32")
# A table of these keys is an exchange; which of them a kind knows.
EXCHANGE: dict[str, tuple[str, ...]] = {
    "lines": ("send", "answer", "refused", "scale", "on", "off"),
    "frames": ("send", "answer", "refused", "on", "off"),
    "modbus": ("read", "write", "write_coil", "register", "type", "scale", "offset", "is", "many", "on", "off",
               "low_word_first", "per_channel"),
}  # fmt: skip


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
        self.protocol = self.table(data.get("protocol"), "protocol")
        kind = self.protocol.get("kind")
        if kind not in KINDS:
            raise self.fail("protocol.kind", kind, f"{', '.join(KINDS)} are")
        self.kind = str(kind)
        check_keys(self.protocol, (*COMMON, *OF_KIND[self.kind]), f"{where}: protocol")
        self.endian = self.choice("endian", "big", ("big", "little"))
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

    def choice(self, key: str, default: str, accepted: tuple[str, ...]) -> str:
        value = self.protocol.get(key, default)
        if value not in accepted:
            raise self.fail(f"protocol.{key}", value, f"{', '.join(accepted)} are")
        return str(value)

    def number(self, table: Mapping[str, Any], key: str, name: str, default: float, low: float, high: float) -> float:
        value = finite_number(table.get(key, default))
        if value is None or not low <= value <= high:
            raise self.fail(f"{name}{key}", table.get(key), f"a number from {low:g} to {high:g} is")
        return value

    def whole(self, table: Mapping[str, Any], key: str, name: str, default: int, low: int, high: int) -> int:
        value = self.number(table, key, name, default, low, high)
        if value != int(value):
            raise self.fail(f"{name}{key}", table.get(key), "a whole number is")
        return int(value)

    def flag(self, key: str, default: bool | None) -> bool | None:
        value = self.protocol.get(key, default)
        if value is not None and not isinstance(value, bool):
            raise self.fail(f"protocol.{key}", value, "true or false is")
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
        identity = self.protocol_exchange("identity")
        keep_alive = self.protocol_exchange("keep_alive")
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
        proto = self.protocol
        bauds = proto.get("bauds", [])
        if not isinstance(bauds, list) or not all(isinstance(one, int) and 50 <= one <= 4_000_000 for one in bauds):
            raise self.fail("protocol.bauds", bauds, "a list of baud rates is")
        coding = self.coding()
        return plain, Speech(
            name=str(self.data.get("name", "")),
            kind=self.kind,
            exchanges=self.exchanges,
            make_coding=coding,
            identity=identity,
            probe=probe,
            retries=self.whole(proto, "retries", "protocol.", 0, 0, 3),
            late_s=self.number(proto, "late_s", "protocol.", 0.5, 0.05, 30.0) if "late_s" in proto else None,
            starts_s=self.number(proto, "starts_s", "protocol.", 0.0, 0.0, 10.0),
            gap_s=self.number(proto, "gap_s", "protocol.", {"lines": 0.0}.get(self.kind, 0.05), 0.0, 2.0),
            keep_alive=keep_alive,
            keep_alive_s=self.number(proto, "keep_alive_s", "protocol.", 1.0, 0.1, 3600.0),
            dtr=self.flag("dtr", None),
            rts=self.flag("rts", None),
            hid_report=self.whole(proto, "hid_report", "protocol.", 64, 1, 1024),
            bauds=tuple(bauds),
        )

    def protocol_exchange(self, key: str) -> Exchange | None:
        if key not in self.protocol:
            return None
        table = self.table(self.protocol[key], f"protocol.{key}")
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
            made = Exchange(**{**made.__dict__, "modes": words})
        self.exchanges[word] = made
        return " ".join((word, *(f"{{{one}}}" for one in places)))

    def numbered(self, section: str, key: str, n: int, table: Mapping[str, Any]) -> str:
        word = f"{section}.{key}.{n}".upper()
        self.exchanges[word] = self.exchange(word, table, f"{section}.{key}", (), False)
        return word

    # -- exchanges ----------------------------------------------------------------------------------

    def exchange(self, word: str, table: Mapping[str, Any], name: str, places: tuple[str, ...], asks: bool) -> Exchange:
        check_keys(table, EXCHANGE[self.kind], f"{self.where}: {name}")
        states: dict[str, str] = {}
        if ("on" in table) != ("off" in table):
            raise self.fail(name, table, "on and off together are")
        for key, means in (("on", ON), ("off", OFF)):
            for one in table[key] if isinstance(table.get(key), list) else [table[key]] if key in table else []:
                states[str(one)] = means
        make = {"lines": self.line, "frames": self.frame, "modbus": self.register}[self.kind]
        form, names, scales, answered = make(table, name, places, asks)
        if asks and not names:
            raise self.fail(name, table, "a question whose answer holds something is")
        if (
            asks
            and ("query" in name and name.startswith(("output", "power_on", "remote_sense", "positions")))
            and not states
        ):
            raise self.fail(name, table, "on and off, as they stand in the answer, are needed in it")
        return Exchange(word, places, names, form, states, {}, scales, answered, asks)

    def line(self, table: Mapping[str, Any], name: str, places: tuple[str, ...], asks: bool) -> Any:
        send = table.get("send")
        if not isinstance(send, str) or not send or not send.isascii() or not send.isprintable():
            raise self.fail(f"{name}.send", send, "one line of printable ASCII is")
        found = set(re.findall(r"\{(\w+)(?::[0-9.]+f)?\}", send))
        if found != set(places) - ({"channel"} - found):
            raise self.fail(
                f"{name}.send", send, f"a line with {' and '.join(f'{{{one}}}' for one in places) or 'no place'} is"
            )
        pattern = table.get("answer")
        if pattern is None and asks:
            raise self.fail(f"{name}.answer", pattern, "the pattern of its answer is")
        for key in ("answer", "refused"):
            if key in table:
                try:
                    re.compile(table[key])
                except (re.error, TypeError) as error:
                    raise self.fail(f"{name}.{key}", table[key], f"a regular expression is ({error})") from error
        names: tuple[str, ...] = ()
        if asks:
            groups = re.compile(str(pattern)).groupindex
            names = tuple(groups) or ("value",)
        scale = table.get("scale", 1.0)
        scales = dict.fromkeys(("value", *names), 1.0)
        if isinstance(scale, Mapping):
            check_keys(scale, tuple(scales), f"{self.where}: {name}.scale")
            scales |= {key: self.number(scale, key, f"{name}.scale.", 1.0, -1e6, 1e6) for key in scale}
        else:
            value = self.number(table, "scale", f"{name}.", 1.0, -1e6, 1e6)
            scales = dict.fromkeys(scales, value)
        if 0.0 in scales.values():
            raise self.fail(f"{name}.scale", scale, "a number other than 0 is")
        return {"send": send, "answer": pattern, "refused": table.get("refused")}, names, scales, pattern is not None

    def frame(self, table: Mapping[str, Any], name: str, places: tuple[str, ...], asks: bool) -> Any:
        send = self.fields(table.get("send"), f"{name}.send")
        answer = self.fields(table["answer"], f"{name}.answer") if "answer" in table else None
        refused = self.fields(table["refused"], f"{name}.refused") if "refused" in table else None
        filled = {one.name for one in send if isinstance(one, Field)}
        if filled != set(places):
            raise self.fail(f"{name}.send", table.get("send"), f"one with {' and '.join(places) or 'bytes alone'} is")
        if answer is None and asks:
            raise self.fail(f"{name}.answer", None, "the fields of its answer are")
        names = tuple(one.name for one in answer or () if isinstance(one, Field) and one.name != "any") if asks else ()
        scales = {one.name: one.scale for one in send if isinstance(one, Field)}
        return {"send": send, "answer": answer, "refused": refused}, names, scales, answer is not None

    def fields(self, value: object, name: str) -> tuple[bytes | Field, ...]:
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

    def register(self, table: Mapping[str, Any], name: str, places: tuple[str, ...], asks: bool) -> Any:
        ways = [key for key in ("read", "write", "write_coil") if key in table]
        if len(ways) != 1 or (ways == ["read"]) != asks:
            raise self.fail(name, table, "read (for a question) or one of write, write_coil (for an order) is")
        way = ways[0]
        kind = table.get("type", "u16")
        if kind not in TYPES[2:] or kind in ("u24", "i24"):
            raise self.fail(f"{name}.type", kind, "u16, i16, u32, i32, f32 are")
        scale = self.number(table, "scale", f"{name}.", 1.0, -1e6, 1e6)
        field = Field(
            "value", kind, scale or 1.0, self.number(table, "offset", f"{name}.", 0.0, -1e6, 1e6), self.endian
        )
        low_first = table.get("low_word_first", self.protocol.get("low_word_first", False))
        if not isinstance(low_first, bool):
            raise self.fail(f"{name}.low_word_first", low_first, "true or false is")
        form: dict[str, Any] = {"field": field, "low_word_first": low_first, "is": None,
                                "per_channel": self.whole(table, "per_channel", f"{name}.", 0, 0, 65535)}  # fmt: skip
        if "is" in table:
            form["is"] = self.number(table, "is", f"{name}.", 0.0, -1e12, 1e12)
        if way == "read":
            if table["read"] not in ("holding", "input", "coil", "discrete"):
                raise self.fail(f"{name}.read", table["read"], "holding, input, coil, discrete are")
            form |= {"what": table["read"], "register": self.whole(table, "register", f"{name}.", -1, 0, 65535)}
        else:
            many = table.get("many", False)
            what = "write-coil" if way == "write_coil" else "write-many" if many else "write"
            form |= {"what": what, "register": self.whole(table, way, f"{name}.", -1, 0, 65535)}
            if "value" not in places and "mode" not in places and form["is"] is None:
                raise self.fail(name, table, "is = the value that is written is needed")
        return form, (("value",) if asks else ()), {"value": scale}, True

    # -- coding -------------------------------------------------------------------------------------

    def coding(self) -> Callable[[], Coding]:
        proto, echo = self.protocol, bool(self.flag("echo", False))
        if self.kind == "lines":
            ends = [proto.get(key, "\n") for key in ("ends", "answers_end")]
            if "answers_end" not in proto:
                ends[1] = ends[0]
            for key, value in zip(("ends", "answers_end"), ends, strict=True):
                if not isinstance(value, str) or not 1 <= len(value) <= 4 or not value.isascii():
                    raise self.fail(f"protocol.{key}", value, r'one to four signs such as "\r\n" are')
            return lambda: Lines(ends[0], ends[1], echo)
        if self.kind == "modbus":
            address = self.whole(proto, "address", "protocol.", 1, 1, 247)
            framing = self.choice("framing", "rtu", ("rtu", "tcp"))
            return lambda: Modbus(address, framing, echo)
        table = self.framing(proto) | {"echo": echo}
        return lambda: Frames(table)

    def framing(self, proto: Mapping[str, Any]) -> dict[str, Any]:
        layout = proto.get("layout")
        if not isinstance(layout, list) or "payload" not in layout or len(set(map(str, layout))) != len(layout) or any(
            one not in PARTS for one in layout
        ):  # fmt: skip
            raise self.fail("protocol.layout", layout, f"a list of {', '.join(PARTS)} with payload is")
        for one in ("start", "length", "check", "end"):
            if (one in layout) != (one in proto):
                raise self.fail("protocol.layout", layout, f"one that has {one} where protocol.{one} is described is")
        start = self.hexed(proto.get("start", ""), "protocol.start")
        made: dict[str, Any] = {
            "layout": layout, "start": start, "end": self.hexed(proto.get("end", ""), "protocol.end"),
            "answer_start": self.hexed(proto.get("answer_start", proto.get("start", "")), "protocol.answer_start"),
            "length": None, "check": None, "longest": self.whole(proto, "longest", "protocol.", 32, 4, 1024),
        }  # fmt: skip
        if "length" in proto:
            table = self.table(proto["length"], "protocol.length")
            check_keys(table, ("bytes", "counts", "endian"), f"{self.where}: protocol.length")
            made["length"] = {
                "bytes": self.whole(table, "bytes", "protocol.length.", 1, 1, 4),
                "counts": self.parts(table.get("counts", ["payload"]), "protocol.length.counts"),
                "endian": table.get("endian", self.endian),
            }
        if "check" in proto:
            made["check"] = self.check(self.table(proto["check"], "protocol.check"), layout)
        return made

    def parts(self, value: object, name: str) -> list[str]:
        if not isinstance(value, list) or not value or any(one not in PARTS for one in value):
            raise self.fail(name, value, f"a list of {', '.join(PARTS)} is")
        return value

    def check(self, table: Mapping[str, Any], layout: list[str]) -> dict[str, Any]:
        here = "protocol.check."
        check_keys(table, ("kind", "bytes", "over", "polynomial", "init", "final", "reflect", "endian", "complement"),
                   f"{self.where}: protocol.check")  # fmt: skip
        if table.get("kind") not in ("sum", "xor", "crc"):
            raise self.fail(f"{here}kind", table.get("kind"), "sum, xor, crc are")
        size = self.whole(table, "bytes", here, 2 if table["kind"] == "crc" else 1, 1, 4)
        if table["kind"] == "crc" and "polynomial" not in table:
            raise self.fail(f"{here}polynomial", None, "the polynomial, such as 0x1021, is")
        most = (1 << 8 * size) - 1
        usual = [one for one in layout if one not in ("check", "end")]
        return {
            "kind": table["kind"], "bytes": size, "endian": table.get("endian", self.endian),
            "over": self.parts(table.get("over", usual), f"{here}over"),
            "polynomial": self.whole(table, "polynomial", here, 0, 0, most),
            "init": self.whole(table, "init", here, 0, 0, most),
            "final": self.whole(table, "final", here, 0, 0, most),
            "reflect": table.get("reflect", False) is True, "complement": table.get("complement", False) is True,
        }  # fmt: skip


def _number(word: str) -> float | None:
    try:
        return finite_number(float(word))
    except ValueError:
        return None
