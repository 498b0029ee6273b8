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
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from amphora.drivers.described import shown
from amphora.drivers.errors import DescriptionError, GarbledReply
from amphora.drivers.quantities import TEMPERATURE_SCALES, UNITS
from amphora.drivers.serial.sensors import HIGHEST_DEGC, LOWEST_DEGC, Sensor

LONGEST_LINE = 1000
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?\Z", re.ASCII)
MISSING = ("", "nan", "-nan", "inf", "-inf", "ol", "-ol", "ovf", "-", "--", "---", "----", "null", "none")
POWER_UP_DEGC = 85.0
OVERRANGE = 9.0e37  # IEEE 488.2 / SCPI: 9.9E37 is infinity, 9.91E37 is not a number


def straight(kind: str) -> dict[str, tuple[float, float]]:
    """Return the units of a kind that has no zero but nought: unit -> (factor, shift)."""
    return {unit: (factor, 0.0) for unit, factor in UNITS[kind].items()}


QUANTITIES: dict[str, tuple[str, dict[str, tuple[float, float]]]] = {
    # quantity: (key, {unit: (factor, shift)})
    "time": ("time_s", straight("duration")),
    "voltage": ("voltage_V", straight("voltage")),
    "current": ("current_A", straight("current")),
    "temperature": ("temperature_degC", TEMPERATURE_SCALES),
    "shunt": ("shunt_V", straight("voltage")),
    "other": ("", {"": (1.0, 0.0)}),
    "skip": ("", {"": (1.0, 0.0)}),
}

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
            "baud": (lambda v: is_int(v) and 50 <= v <= 4_000_000, "a whole number from 50 to 4000000"),
            "bits": (lambda v: is_int(v) and v in (7, 8), "7 or 8"),
            "parity": (lambda v: v in PARITIES, "none, even or odd"),
            "stop": (lambda v: is_number(v) and v in (1, 1.5, 2), "1, 1.5 or 2"),
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


def is_int(value: Any) -> bool:
    """Tell whether a value of TOML is a whole number."""
    return isinstance(value, int) and not isinstance(value, bool)


def is_number(value: Any) -> bool:
    """Tell whether a value of TOML is a finite number."""
    return isinstance(value, int | float) and not isinstance(value, bool) and -1e300 < value < 1e300
