"""What a serial logger sends, described in TOML: text lines, or byte frames of fixed length.

Pure: bytes in, values out; no port, no clock. Nothing that is not a finite number ever leaves here.

A format file has `name`, `about`, `kind` ("lines" or "frames"), an optional `[serial]` table (baud,
bits, parity, stop, rts, dtr), and then:

lines   `separator` (one character, or "space" for any run of blanks), or `pattern` (a regular
        expression whose named groups are the columns); `labels = true` when each field reads
        `name=value` or `name:value` in any order; `decimal` ("." or ","); `ignore` (regular
        expressions of header lines);
        `check` ("crc16": each line ends in its checksum); `missing` (words that stand for no value); `[[columns]]`.
columns `name`, `quantity` (time, voltage, current, temperature, shunt, other, skip), `unit`, `scale`
        and `offset` (applied before the unit), `optional`, `key` (where another name is wanted),
        `wraps_at` (time: the count at which it starts again at 0), `adc` = {counts, reference_V},
        `sensor` (see `drivers.serial.sensors`) with `divider` = {series_ohm, supply_V, sensor_at}, and
        `unit_group` (pattern: the group that holds the unit, which comes with each reading).
frames  `length`, `start_hex` and/or `end_hex`, `[value]` (which bytes hold the digits), `[function]`
        (which byte says what is measured) with `[function.codes."0x3b"]` tables. See the shipped
        `sample-frame.toml`, which is written out in full.
"""

import binascii
import math
import re
import tomllib
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from amphora.drivers.described import check_keys, shown, text_of
from amphora.drivers.errors import DescriptionError, GarbledReply
from amphora.drivers.quantities import TEMPERATURE_SCALES, UNITS
from amphora.drivers.serial.sensors import HIGHEST_DEGC, LOWEST_DEGC, Sensor, sensor_from_dict

LONGEST_LINE = 1000
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?\Z", re.ASCII)
MISSING = ("", "nan", "-nan", "inf", "-inf", "ol", "-ol", "ovf", "-", "--", "---", "----", "null", "none")
POWER_UP_DEGC = 85.0
OVERRANGE = 9.0e37  # IEEE 488.2 / SCPI: 9.9E37 is infinity, 9.91E37 is not a number


def _straight(kind: str) -> dict[str, tuple[float, float]]:
    """Return the units of a kind that has no zero but nought: unit -> (factor, shift)."""
    return {unit: (factor, 0.0) for unit, factor in UNITS[kind].items()}


QUANTITIES: dict[str, tuple[str, dict[str, tuple[float, float]]]] = {
    # quantity: (key, {unit: (factor, shift)})
    "time": ("time_s", _straight("duration")),
    "voltage": ("voltage_V", _straight("voltage")),
    "current": ("current_A", _straight("current")),
    "temperature": ("temperature_degC", TEMPERATURE_SCALES),
    "shunt": ("shunt_V", _straight("voltage")),
    "other": ("", {"": (1.0, 0.0)}),
    "skip": ("", {"": (1.0, 0.0)}),
}

TOP_KEYS = {
    "lines": (
        "separator",
        "pattern",
        "labels",
        "named_sensors",
        "decimal",
        "ignore",
        "missing",
        "columns",
        "units",
        "check",
    ),
    "frames": ("length", "start_hex", "end_hex", "value", "function"),
}
COLUMN_KEYS = (
    "name", "quantity", "unit", "scale", "offset", "optional", "key", "wraps_at",
    "adc", "sensor", "divider", "unit_group",
)  # fmt: skip
SERIAL_KEYS = ("baud", "bits", "parity", "stop", "rts", "dtr")
PARITIES = ("none", "even", "odd")


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """How a port is opened. `rts`, `dtr`: static levels, None leaves them as the system has them."""

    baud: int = 9600
    bits: int = 8
    parity: str = "none"
    stop: float = 1
    rts: bool | None = None
    dtr: bool | None = None

    @classmethod
    def from_dict(cls, table: Mapping[str, Any], where: str, base: "SerialSettings | None" = None) -> "SerialSettings":
        """Check and take the settings that are given; the others from `base`."""
        values: dict[str, Any] = {key: getattr(base or cls(), key) for key in SERIAL_KEYS}
        accepted: dict[str, tuple[Callable[[Any], bool], str]] = {
            "baud": (lambda v: _is_int(v) and 50 <= v <= 4_000_000, "a whole number from 50 to 4000000"),
            "bits": (lambda v: _is_int(v) and v in (7, 8), "7 or 8"),
            "parity": (lambda v: v in PARITIES, "none, even or odd"),
            "stop": (lambda v: _is_number(v) and v in (1, 1.5, 2), "1, 1.5 or 2"),
            "rts": (lambda v: isinstance(v, bool), "true or false"),
            "dtr": (lambda v: isinstance(v, bool), "true or false"),
        }
        for key in SERIAL_KEYS:
            if key in table:
                check, text = accepted[key]
                if not check(table[key]):
                    raise DescriptionError(f"{where}.{key}: {shown(table[key])} is not accepted; {text} is")
                values[key] = table[key]
        return cls(**values)


@dataclass(frozen=True, slots=True)
class Parsed:
    """One record. `values`: keys with units, all finite; `count`: the raw time as sent, None where
    there is none; `faults`: values that came and mean nothing (sensor broken, over range)."""

    values: Mapping[str, float]
    time_s: float | None = None
    faults: tuple[str, ...] = ()
    sensors: Mapping[str, float] = field(default_factory=dict)  # each temperature by the sensor's own name, degC


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a line, with its way from text to value."""

    name: str
    quantity: str
    key: str
    factor: float = 1.0
    shift: float = 0.0
    scale: float = 1.0
    offset: float = 0.0
    optional: bool = False
    wraps_at: float | None = None
    adc_counts: float | None = None
    adc_reference_V: float = 0.0
    sensor: Sensor | None = None
    series_ohm: float | None = None
    supply_V: float = 0.0
    at_ground: bool = True
    unit_group: str | None = None

    def convert(self, number: float) -> float:
        """Return the value in the key's unit; GarbledReply when it means nothing."""
        value = number
        if self.adc_counts is not None:
            if not 0.0 <= value <= self.adc_counts:
                raise GarbledReply(f"{self.name}: {value:g} counts is outside 0 to {self.adc_counts:g}")
            if value >= self.adc_counts - 1.0 and self.sensor is None:
                raise GarbledReply(f"{self.name}: {value:g} counts is full scale; the true value may be anything above")
            value = value / self.adc_counts * self.adc_reference_V
        value = (value * self.scale + self.offset) * self.factor + self.shift
        if self.sensor is not None:
            if self.series_ohm is not None:
                rest_V = self.supply_V - value
                if not 0.0 < value < self.supply_V:
                    raise GarbledReply(
                        f"{self.name}: {value:g} V at the divider is not between 0 and {self.supply_V:g} V; "
                        "the sensor's wire is broken or shorted"
                    )
                value = self.series_ohm * (value / rest_V if self.at_ground else rest_V / value)
            value = self.sensor.temperature_degC(value)
        if not math.isfinite(value):
            raise GarbledReply(f"{self.name}: {number:g} cannot be turned into a finite value")
        return value


@dataclass(frozen=True, slots=True)
class UnitMeaning:
    """What a unit that comes with the reading means; `refuse`: why such a reading is of no use."""

    key: str = ""
    factor: float = 1.0
    shift: float = 0.0
    refuse: str | None = None


@dataclass(frozen=True)
class LineFormat:
    """Text lines. `split` takes complete lines out of a buffer, `parse` reads one."""

    name: str
    serial: SerialSettings
    columns: tuple[Column, ...]
    separator: str | None = ","
    pattern: re.Pattern[str] | None = None
    labels: bool = False
    decimal: str = "."
    ignore: tuple[re.Pattern[str], ...] = ()
    missing: frozenset[str] = frozenset(MISSING)
    units: Mapping[str, UnitMeaning] = field(default_factory=dict)
    kind: str = "lines"
    named_sensors: bool = False  # each label that is no column is a temperature sensor, degC
    sealed: bool = False  # each line ends in " ~" and the CRC-16 of what stands before it

    def split(self, buffer: bytearray) -> list[bytes]:
        """Take the complete lines out of `buffer`; a partial one stays in it."""
        cut = max(buffer.rfind(b"\n"), buffer.rfind(b"\r"))
        if cut < 0:
            if len(buffer) > LONGEST_LINE:  # no line end in sight: keep what a line can hold at most
                del buffer[:-LONGEST_LINE]
            return []
        complete = bytes(buffer[: cut + 1])
        del buffer[: cut + 1]
        return [line for line in complete.replace(b"\r", b"\n").split(b"\n") if line]

    def parse(self, record: bytes) -> Parsed | None:
        """Read one line; None for a blank or header line.

        Raises:
            GarbledReply: it is not such a line.
        """
        if len(record) > LONGEST_LINE:
            raise GarbledReply(f"a line of {len(record)} bytes; {LONGEST_LINE} at most are accepted")
        if self.sealed:
            record = unsealed(record)
        try:
            text = record.decode("utf-8").strip(" \t\r\n\0")
        except UnicodeDecodeError as error:
            raise GarbledReply(f"{shown(record)} is not text") from error
        if not text or any(pattern.search(text) for pattern in self.ignore):
            return None
        fields, groups = self._fields(text)
        sensors, faults = self._named_sensors(text)
        values: dict[str, float] = {}
        time_s: float | None = None
        present = len(sensors)
        for column, cell in zip(self.columns, fields, strict=True):
            if column.quantity == "skip":
                continue
            if cell is None:
                if column.optional:
                    continue
                raise GarbledReply(f"{text!r}: {column.name} is missing")
            cell = cell.strip()
            if cell.casefold() in self.missing:
                if cell or not column.optional:
                    faults.append(f"{column.name} reads {cell!r}")
                continue
            number = to_number(cell, self.decimal)
            if number is None:
                raise GarbledReply(f"{text!r}: {cell!r} is no number ({column.name})")
            present += column.quantity != "time"
            if abs(number) >= OVERRANGE:
                faults.append(f"{column.name} reads {cell!r}: over range")
                continue
            if column.wraps_at is not None and not 0 <= number < column.wraps_at:
                raise GarbledReply(f"{text!r}: {column.name} is outside 0 to {column.wraps_at:g}")
            if column.unit_group is not None:
                self._by_unit(column, number, groups.get(column.unit_group) or "", values, faults, text)
                continue
            try:
                value = column.convert(number)
            except GarbledReply as error:
                faults.append(str(error))
                continue
            if column.quantity == "time":
                time_s = value
            else:
                values[column.key] = value
                if column.quantity == "temperature":
                    sensors[column.name] = value
        if not present and not faults:
            raise GarbledReply(f"{text!r}: holds no value")
        return Parsed(values, time_s, tuple(faults), sensors)

    def _named_sensors(self, text: str) -> tuple[dict[str, float], list[str]]:
        """Return the temperature of each sensor that a line names and no column does, and what is wrong with others.

        Source: a 1-wire thermometer shows 85 degC from its power-up until its first conversion, and a master whose
        sensor is gone -127 degC (common practice, from memory): neither is a temperature.
        """
        found: dict[str, float] = {}
        faults: list[str] = []
        columns = {column.name for column in self.columns}
        for label, cell in self._labels(text).items() if self.named_sensors else ():
            number = to_number(cell.strip(), self.decimal)
            if label in columns:
                continue
            if number is None and cell.strip().casefold() not in self.missing:
                raise GarbledReply(f"{text[:80]!r}: {cell.strip()!r} is no number ({label})")
            if number == POWER_UP_DEGC:
                faults.append(f"{label} reads {cell.strip()}: it has just been powered up, and has not measured")
            elif number is None or not LOWEST_DEGC <= number <= HIGHEST_DEGC:
                faults.append(f"{label} reads {cell.strip()!r}: no such sensor answers")
            else:
                found[label] = number
        return found, faults

    def counter_span_s(self) -> float | None:
        """Return after how long the time column starts again at 0, None where it never does."""
        for column in self.columns:
            if column.quantity == "time" and column.wraps_at is not None:
                return column.wraps_at * column.scale * column.factor
        return None

    def _fields(self, text: str) -> tuple[list[str | None], Mapping[str, str | None]]:
        """Return the text of each column, None where it is not there."""
        if self.pattern is not None:
            match = self.pattern.fullmatch(text)
            if match is None:
                raise GarbledReply(f"{text[:80]!r} does not fit the pattern of format {self.name}")
            groups: Mapping[str, str | None] = match.groupdict()
            return [groups.get(column.name) for column in self.columns], groups
        cells = text.split() if self.separator is None else text.split(self.separator)
        if self.labels:
            found = self._labels(text)
            return [found.get(column.name) for column in self.columns], {}
        needed = max((n for n, column in enumerate(self.columns, 1) if not column.optional), default=1)
        if not needed <= len(cells) <= len(self.columns):
            raise GarbledReply(
                f"{text[:80]!r} has {len(cells)} fields; format {self.name} has {needed} to {len(self.columns)}"
            )
        return [*cells, *[None] * (len(self.columns) - len(cells))], {}

    def _labels(self, text: str) -> dict[str, str]:
        """Return what stands at each label of a line of label=value."""
        found: dict[str, str] = {}
        cells = text.split() if self.separator is None else text.split(self.separator)
        for cell in cells:
            label, sign, value = re.split(r"([=:])", cell.strip(), maxsplit=1) if re.search("[=:]", cell) else ("",) * 3
            if not sign:
                raise GarbledReply(f"{text[:80]!r}: {cell.strip()!r} is no label=value")
            if label.strip() in found:
                raise GarbledReply(f"{text[:80]!r}: {label.strip()} comes twice")
            found[label.strip()] = value
        return found

    def _by_unit(
        self, column: Column, number: float, unit: str, values: dict[str, float], faults: list[str], text: str
    ) -> None:
        meaning = self.units.get(unit.strip())
        if meaning is None:
            raise GarbledReply(f"{text!r}: unit {unit!r} is not known; {', '.join(self.units)} are accepted")
        if meaning.refuse is not None:
            faults.append(f"{column.name} comes in {unit.strip()}: {meaning.refuse}")
            return
        value = (number * column.scale + column.offset) * meaning.factor + meaning.shift
        if math.isfinite(value):
            values[meaning.key] = value
        else:
            faults.append(f"{column.name}: {number:g} {unit} is over range")


@dataclass(frozen=True)
class Function:
    """What one function code of a frame means: key, and scale by range byte (None: any range)."""

    key: str
    shift: float
    scales: Mapping[int | None, float]
    refuse: str | None = None


@dataclass(frozen=True)
class FrameFormat:
    """Frames of fixed length whose unit and range come with each reading."""

    name: str
    serial: SerialSettings
    length: int
    start: bytes
    end: bytes
    digits: tuple[int, ...]
    digit_mask: int
    digit_codes: Mapping[int, int]
    negative: tuple[int, int, int] | None
    overload: tuple[tuple[int, int, int], ...]
    function: tuple[int, int]
    range_: tuple[int, int] | None
    functions: Mapping[int, Function]
    kind: str = "frames"

    def split(self, buffer: bytearray) -> list[bytes]:
        """Take the frames out of `buffer`: found by their end bytes, else by their start bytes."""
        frames = []
        mark = self.end or self.start
        while (at := buffer.find(mark)) >= 0:
            if self.end:
                stop = at + len(mark)
                frames.append(bytes(buffer[max(0, stop - self.length) : stop]))
                del buffer[:stop]
            else:
                if len(buffer) - at < self.length:
                    del buffer[:at]
                    return frames
                frames.append(bytes(buffer[at : at + self.length]))
                del buffer[: at + self.length]
        keep = self.length + len(mark)
        if len(buffer) > keep:
            del buffer[:-keep]
        return frames

    def parse(self, record: bytes) -> Parsed | None:
        """Read one frame.

        Raises:
            GarbledReply: it is not such a frame.
        """
        if len(record) != self.length:
            raise GarbledReply(f"{shown(record)} has {len(record)} bytes; a frame of {self.name} has {self.length}")
        if not record.startswith(self.start) or not record.endswith(self.end):
            raise GarbledReply(f"{shown(record)} does not start or end as a frame of {self.name}")
        code = record[self.function[0]] & self.function[1]
        function = self.functions.get(code)
        if function is None:
            raise GarbledReply(f"{shown(record)}: function 0x{code:02x} is not known to format {self.name}")
        if function.refuse is not None:
            return Parsed({}, None, (function.refuse,))
        for byte, mask, value in self.overload:
            if record[byte] & mask == value:
                return Parsed({}, None, (f"{function.key} is over range",))
        number = 0
        for position in self.digits:
            digit = self.digit_codes.get(record[position] & self.digit_mask)
            if digit is None:
                raise GarbledReply(f"{shown(record)}: byte {position} (0x{record[position]:02x}) is no digit")
            number = number * 10 + digit
        if self.negative is not None:
            byte, mask, value = self.negative
            if record[byte] & mask == value:
                number = -number
        range_code = None if self.range_ is None else record[self.range_[0]] & self.range_[1]
        scale = function.scales.get(range_code, function.scales.get(None))
        if scale is None:
            raise GarbledReply(f"{shown(record)}: range 0x{range_code or 0:02x} is not known for {function.key}")
        result = number * scale + function.shift
        if not math.isfinite(result):
            raise GarbledReply(f"{shown(record)}: holds no finite value")
        return Parsed({function.key: result})

    def counter_span_s(self) -> float | None:
        """Frames carry no time."""
        return None


Format = LineFormat | FrameFormat


def to_number(text: str, decimal: str = ".") -> float | None:
    """Return a plain decimal number, None when the text is none. Never NaN or infinite."""
    if decimal != ".":
        if "." in text:
            return None
        text = text.replace(decimal, ".")
    if not NUMBER.match(text):
        return None
    number = float(text)
    return number if math.isfinite(number) else None


def strip_parity(data: bytes, parity: str) -> bytes:
    """Return 7-bit bytes of which the eighth bit was the parity; a byte with wrong parity becomes 0xff.

    0xff is no 7-bit value, so a record that holds one is refused by its reader.
    """
    if parity == "none":
        return bytes(byte & 0x7F for byte in data)
    odd = parity == "odd"
    return bytes(byte & 0x7F if bool(byte.bit_count() & 1) == odd else 0xFF for byte in data)


def unwrap(count_s: float, last_s: float | None, turns: int, span_s: float | None) -> tuple[float, int, bool]:
    """Return (unwrapped time, turns, whether the counter started again) for a counter that wraps.

    A step back by more than half the span is the wrap; any smaller one is a restart of the logger.
    """
    if last_s is None or count_s >= last_s:
        return count_s + turns * (span_s or 0.0), turns, False
    if span_s is not None and last_s - count_s > span_s / 2:
        turns += 1
        return count_s + turns * span_s, turns, False
    return count_s + turns * (span_s or 0.0), turns, True


# -- reading a format file ------------------------------------------------------------------------


def shipped() -> tuple[str, ...]:
    """Return the names of the formats that come with the program."""
    folder = resources.files("amphora.drivers.serial") / "formats"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load_format(name: str) -> Format:
    """Read a format by its shipped name, or from a path to a TOML file.

    Raises:
        DescriptionError: no such format, not TOML, or a key or value that is not accepted.
    """
    if name in shipped():
        text, where = (
            (resources.files("amphora.drivers.serial") / "formats" / f"{name}.toml").read_text("utf-8"),
            f"format {name}",
        )
    else:
        where = name
        try:
            text = Path(name).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError, ValueError) as error:
            raise DescriptionError(
                f"format {shown(name)} is neither shipped ({', '.join(shipped())}) nor a file that can be read"
            ) from error
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise DescriptionError(f"{where}: is not TOML: {error}") from error
    return format_from_dict(data, where)


def format_from_dict(data: Mapping[str, Any], where: str = "format") -> Format:
    """Check a format given as data; errors as in `load_format`."""
    kind = data.get("kind", "lines")
    if kind not in ("lines", "frames"):
        raise DescriptionError(f"{where}: kind = {shown(kind)} is not accepted; lines or frames is")
    check_keys(data, ("name", "about", "kind", "serial", *TOP_KEYS[kind]), where)
    serial_table = _mapping(data.get("serial", {}), f"{where}: serial")
    check_keys(serial_table, SERIAL_KEYS, f"{where}: serial")
    serial = SerialSettings.from_dict(serial_table, f"{where}: serial")
    name = text_of(data.get("name", Path(where).stem), f"{where}: name")
    if kind == "frames":
        return _frames(data, name, serial, where)
    return _lines(data, name, serial, where)


def _lines(data: Mapping[str, Any], name: str, serial: SerialSettings, where: str) -> LineFormat:
    pattern = _regex(data["pattern"], f"{where}: pattern") if "pattern" in data else None
    separator: Any = data.get("separator", ",")
    if pattern is not None and "separator" in data:
        raise DescriptionError(f"{where}: separator and pattern are both given; one of them is accepted")
    if separator == "space":
        separator = None
    elif not isinstance(separator, str) or len(separator) != 1 or separator in "0123456789.+-\r\n":
        raise DescriptionError(f"{where}: separator = {shown(separator)} is not accepted; one character or space is")
    decimal = data.get("decimal", ".")
    if decimal not in (".", ","):
        raise DescriptionError(f"{where}: decimal = {shown(decimal)} is not accepted; . or , is")
    if decimal == "," and separator == "," and pattern is None:
        raise DescriptionError(f"{where}: decimal and separator cannot both be a comma")
    labels, named = (_yes(data, key, where) for key in ("labels", "named_sensors"))
    if named and not labels:
        raise DescriptionError(f"{where}: named_sensors needs labels = true: a sensor is known by its name in the line")
    tables = data.get("columns", [] if named else None)
    if not isinstance(tables, list) or not (tables or named):
        raise DescriptionError(f"{where}: columns is missing; at least one [[columns]] table is needed")
    columns = tuple(_column(table, f"{where}: column {n}", pattern) for n, table in enumerate(tables, 1))
    keys = [column.key for column in columns if column.quantity not in ("skip",) and column.unit_group is None]
    for key in keys:
        if keys.count(key) > 1:
            raise DescriptionError(f"{where}: two columns give {key}; tell them apart with key")
    ignore = data.get("ignore", [])
    if not isinstance(ignore, list):
        raise DescriptionError(f"{where}: ignore = {shown(ignore)} is not accepted; a list of regular expressions is")
    missing = data.get("missing", [])
    if not isinstance(missing, list) or not all(isinstance(word, str) for word in missing):
        raise DescriptionError(f"{where}: missing = {shown(missing)} is not accepted; a list of words is")
    units = {
        text: _unit_meaning(table, f"{where}: units.{text}")
        for text, table in _mapping(data.get("units", {}), f"{where}: units").items()
    }
    if any(column.unit_group for column in columns) and not units:
        raise DescriptionError(f"{where}: unit_group is given and no [units] table says what a unit means")
    return LineFormat(
        name, serial, columns, separator, pattern, labels, decimal,
        tuple(_regex(text, f"{where}: ignore") for text in ignore),
        frozenset({*MISSING, *(word.casefold() for word in missing)}), units,
        named_sensors=named, sealed=_sealed(data, where),
    )  # fmt: skip


def _yes(data: Mapping[str, Any], key: str, where: str) -> bool:
    value = data.get(key, False)
    if not isinstance(value, bool):
        raise DescriptionError(f"{where}: {key} = {shown(value)} is not accepted; true or false is")
    return value


def _sealed(data: Mapping[str, Any], where: str) -> bool:
    check = data.get("check")
    if check not in (None, "crc16"):
        raise DescriptionError(f"{where}: check = {shown(check)} is not accepted; 'crc16' is")
    return check is not None


def unsealed(record: bytes) -> bytes:
    """Return a line without its checksum: " ~" and four hexadecimal digits of the CRC-16 of what stands before.

    Source: CRC-16/IBM-3740 (polynomial 0x1021, begun with 0xFFFF), as `binascii.crc_hqx` computes it.

    Raises:
        GarbledReply: the checksum is missing or wrong.
    """
    match = re.fullmatch(rb"(.*) ~([0-9A-F]{4})\s*", record, re.DOTALL)
    if match is None:
        raise GarbledReply(f"{shown(record)} has no checksum")
    if binascii.crc_hqx(match[1], 0xFFFF) != int(match[2], 16):
        raise GarbledReply(f"{shown(record)}: its checksum is wrong")
    return match[1]


def _column(table: Any, where: str, pattern: re.Pattern[str] | None) -> Column:
    table = _mapping(table, where)
    check_keys(table, COLUMN_KEYS, where)
    quantity = table.get("quantity")
    if not _in(quantity, QUANTITIES):
        raise DescriptionError(f"{where}: quantity = {shown(quantity)} is not accepted; {', '.join(QUANTITIES)} are")
    default_key, units = QUANTITIES[quantity]
    key = table.get("key", default_key)
    if not isinstance(key, str) or (quantity not in ("skip",) and not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", key)):
        raise DescriptionError(
            f"{where}: key = {shown(key)} is not accepted; letters, digits and _ are, with the unit last"
        )
    name = text_of(table.get("name", key or quantity), f"{where}: name")
    if pattern is not None and quantity != "skip" and name not in pattern.groupindex:
        raise DescriptionError(
            f"{where}: the pattern has no group {shown(name)}; it has {', '.join(pattern.groupindex)}"
        )
    unit_group = table.get("unit_group")
    if unit_group is not None and (pattern is None or not _in(unit_group, pattern.groupindex)):
        raise DescriptionError(f"{where}: unit_group = {shown(unit_group)} is no group of the pattern")
    optional = table.get("optional", False)
    if not isinstance(optional, bool):
        raise DescriptionError(f"{where}: optional = {shown(optional)} is not accepted; true or false is")
    sensor_table = table.get("sensor")
    sensor: Sensor | None = None
    series_ohm, supply_V, at_ground = None, 0.0, True
    if sensor_table is not None:
        if quantity != "temperature":
            raise DescriptionError(f"{where}: a sensor belongs to a temperature, not to {quantity}")
        sensor = sensor_from_dict(_mapping(sensor_table, f"{where}: sensor"), f"{where}: sensor")
        units = _straight("resistance") | _straight("voltage") | {"": (1.0, 0.0)}
        if "divider" in table:
            divider = _mapping(table["divider"], f"{where}: divider")
            check_keys(divider, ("series_ohm", "supply_V", "sensor_at"), f"{where}: divider")
            series_ohm = _positive(divider.get("series_ohm"), f"{where}: divider.series_ohm")
            supply_V = _positive(divider.get("supply_V"), f"{where}: divider.supply_V")
            side = divider.get("sensor_at", "ground")
            if side not in ("ground", "supply"):
                raise DescriptionError(
                    f"{where}: divider.sensor_at = {shown(side)} is not accepted; ground or supply is"
                )
            at_ground = side == "ground"
    default_unit = "" if sensor is not None else next(iter(units))
    unit = table.get("unit", default_unit)
    if not _in(unit, units):
        raise DescriptionError(f"{where}: unit = {shown(unit)} is not accepted; {', '.join(filter(None, units))} are")
    adc_counts, adc_reference_V = None, 0.0
    if "adc" in table:
        adc = _mapping(table["adc"], f"{where}: adc")
        check_keys(adc, ("counts", "reference_V"), f"{where}: adc")
        adc_counts = _positive(adc.get("counts"), f"{where}: adc.counts")
        adc_reference_V = _positive(adc.get("reference_V"), f"{where}: adc.reference_V")
    wraps_at = table.get("wraps_at")
    if wraps_at is not None:
        if quantity != "time":
            raise DescriptionError(f"{where}: wraps_at belongs to a time, not to {quantity}")
        wraps_at = _positive(wraps_at, f"{where}: wraps_at")
    factor, shift = units[unit]
    return Column(
        name, quantity, key, factor, shift,
        _number(table.get("scale", 1.0), f"{where}: scale"), _number(table.get("offset", 0.0), f"{where}: offset"),
        optional, wraps_at, adc_counts, adc_reference_V, sensor, series_ohm, supply_V, at_ground, unit_group,
    )  # fmt: skip


def _unit_meaning(table: Any, where: str) -> UnitMeaning:
    table = _mapping(table, where)
    check_keys(table, ("quantity", "unit", "key", "refuse"), where)
    if "refuse" in table:
        return UnitMeaning(refuse=text_of(table["refuse"], f"{where}: refuse"))
    key, factor, shift = _quantity(table, where)
    return UnitMeaning(key, factor, shift)


def _quantity(table: Mapping[str, Any], where: str) -> tuple[str, float, float]:
    """Return (key, factor, shift) of a table that gives quantity, unit and perhaps key."""
    quantity: Any = table.get("quantity")
    if not _in(quantity, QUANTITIES) or quantity in ("skip", "time"):
        raise DescriptionError(
            f"{where}: quantity = {shown(quantity)} is not accepted; voltage, current, temperature, shunt or other is"
        )
    default_key, units = QUANTITIES[quantity]
    unit = table.get("unit", next(iter(units)))
    if not _in(unit, units):
        raise DescriptionError(f"{where}: unit = {shown(unit)} is not accepted; {', '.join(units)} are")
    key = table.get("key", default_key)
    if not isinstance(key, str) or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", key):
        raise DescriptionError(
            f"{where}: key = {shown(key)} is not accepted; letters, digits and _ are, with the unit last"
        )
    factor, shift = units[unit]
    return key, factor, shift


def _frames(data: Mapping[str, Any], name: str, serial: SerialSettings, where: str) -> FrameFormat:
    length: Any = data.get("length")
    if not _is_int(length) or not 2 <= length <= 256:
        raise DescriptionError(f"{where}: length = {shown(length)} is not accepted; a whole number from 2 to 256 is")
    start, end = (_hex(data.get(key, ""), f"{where}: {key}") for key in ("start_hex", "end_hex"))
    if (not start and not end) or len(start) + len(end) >= length:
        raise DescriptionError(f"{where}: start_hex or end_hex is needed, and both together shorter than the frame")
    value = _mapping(data.get("value"), f"{where}: value")
    check_keys(value, ("digits", "digit_mask", "digit_codes", "negative", "overload"), f"{where}: value")
    digits = value.get("digits")
    if not isinstance(digits, list) or not 1 <= len(digits) <= 12:
        raise DescriptionError(f"{where}: value.digits = {shown(digits)} is not accepted; a list of byte positions is")
    positions = tuple(_position(one, length, f"{where}: value.digits") for one in digits)
    mask = _byte(value.get("digit_mask", 0xFF), f"{where}: value.digit_mask")
    codes: dict[int, int] = {}
    for text, digit in _mapping(value.get("digit_codes", {}), f"{where}: value.digit_codes").items():
        if not _is_int(digit) or not 0 <= digit <= 9:
            raise DescriptionError(f"{where}: value.digit_codes.{text} = {shown(digit)} is not accepted; 0 to 9 is")
        codes[_byte(text, f"{where}: value.digit_codes")] = digit
    if not codes:
        codes = {(0x30 + digit) & mask: digit for digit in range(10)}
    negative = _flag(value["negative"], length, f"{where}: value.negative") if "negative" in value else None
    overload = value.get("overload", [])
    if not isinstance(overload, list):
        raise DescriptionError(f"{where}: value.overload is not accepted; a list of {{byte, mask, equals}} is")
    function = _mapping(data.get("function"), f"{where}: function")
    check_keys(function, ("byte", "mask", "range_byte", "range_mask", "codes"), f"{where}: function")
    range_: tuple[int, int] | None = None
    if "range_byte" in function:
        range_ = (
            _position(function["range_byte"], length, f"{where}: function.range_byte"),
            _byte(function.get("range_mask", 0xFF), f"{where}: function.range_mask"),
        )
    functions = {
        _byte(text, f"{where}: function.codes"): _function(table, f"{where}: function.codes.{text}", range_)
        for text, table in _mapping(function.get("codes"), f"{where}: function.codes").items()
    }
    if not functions:
        raise DescriptionError(f"{where}: function.codes is empty; at least one code is needed")
    return FrameFormat(
        name, serial, length, start, end, positions, mask, codes, negative,
        tuple(_flag(one, length, f"{where}: value.overload") for one in overload),
        (
            _position(function.get("byte"), length, f"{where}: function.byte"),
            _byte(function.get("mask", 0xFF), f"{where}: function.mask"),
        ),
        range_, functions,
    )  # fmt: skip


def _function(table: Any, where: str, range_: tuple[int, int] | None) -> Function:
    table = _mapping(table, where)
    check_keys(table, ("quantity", "unit", "key", "scale", "scales", "refuse"), where)
    if "refuse" in table:
        return Function("", 0.0, {}, text_of(table["refuse"], f"{where}: refuse"))
    key, factor, shift = _quantity(table, where)
    scales: dict[int | None, float] = {}
    if "scales" in table:
        if range_ is None:
            raise DescriptionError(f"{where}: scales is given and function.range_byte is not")
        for text, scale in _mapping(table["scales"], f"{where}: scales").items():
            scales[_byte(text, f"{where}: scales")] = _number(scale, f"{where}: scales.{text}") * factor
    else:
        scales[None] = _number(table.get("scale", 1.0), f"{where}: scale") * factor
    return Function(key, shift, scales)


def _flag(table: Any, length: int, where: str) -> tuple[int, int, int]:
    table = _mapping(table, where)
    check_keys(table, ("byte", "mask", "equals"), where)
    mask = _byte(table.get("mask", 0xFF), f"{where}.mask")
    equals = _byte(table.get("equals", mask), f"{where}.equals")
    return _position(table.get("byte"), length, f"{where}.byte"), mask, equals


def _mapping(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise DescriptionError(f"{where}: is missing or is no table")
    return value


def _in(value: Any, names: Mapping[str, Any]) -> bool:
    """Whether it is one of the names; a list or table out of a file is not, and no error either."""
    return isinstance(value, str) and value in names


def _is_int(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and -1e300 < value < 1e300


def _number(value: Any, where: str) -> float:
    if not _is_number(value):
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a number is")
    return float(value)


def _positive(value: Any, where: str) -> float:
    if not _is_number(value) or value <= 0:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a number above 0 is")
    return float(value)


def _position(value: Any, length: int, where: str) -> int:
    if not _is_int(value) or not 0 <= value < length:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a byte position from 0 to {length - 1} is")
    return int(value)


def _byte(value: Any, where: str) -> int:
    number: Any
    try:
        number = int(value, 0) if isinstance(value, str) else value
    except ValueError:
        number = None
    if not _is_int(number) or not 0 <= number <= 255:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a byte such as 0x3b is")
    return int(number)


def _hex(value: Any, where: str) -> bytes:
    try:
        return bytes.fromhex(value)
    except (TypeError, ValueError) as error:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; bytes in hex such as 0d0a are") from error


def _regex(text: Any, where: str) -> re.Pattern[str]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # of signs that may mean more one day
            return re.compile(text)
    except (re.error, TypeError, OverflowError, RecursionError) as error:
        raise DescriptionError(f"{where}: {shown(text)} is no regular expression: {error}") from error
