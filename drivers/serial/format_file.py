"""Reads the file that describes what an instrument sends (its keys: `line_format`); one sentence for each fault."""

import re
import tomllib
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from amphora.drivers.described import as_written, check_keys, shown, text_of
from amphora.drivers.errors import DescriptionError
from amphora.drivers.serial.line_format import (
    MISSING,
    QUANTITIES,
    SERIAL_KEYS,
    Column,
    Format,
    FrameFormat,
    Function,
    LineFormat,
    SerialSettings,
    UnitMeaning,
    is_int,
    is_number,
    straight,
)
from amphora.drivers.serial.sensors import Sensor, sensor_from_dict


@dataclass(frozen=True)
class FormatTable:
    """The keys of every format file, as they are written."""

    name: Any = None
    about: Any = None
    kind: Any = "lines"
    serial: Any = field(default_factory=dict)


@dataclass(frozen=True)
class LinesTable(FormatTable):
    """The keys of a file that describes lines."""

    separator: Any = None
    pattern: Any = None
    labels: Any = False
    named_sensors: Any = False
    decimal: Any = "."
    ignore: Any = ()
    missing: Any = ()
    columns: Any = None
    units: Any = field(default_factory=dict)
    check: Any = None


@dataclass(frozen=True)
class FramesTable(FormatTable):
    """The keys of a file that describes frames."""

    length: Any = None
    start_hex: Any = ""
    end_hex: Any = ""
    value: Any = None
    function: Any = None


@dataclass(frozen=True)
class ColumnTable:
    """The keys of one [[columns]]."""

    name: Any = None
    quantity: Any = None
    unit: Any = None
    scale: Any = 1.0
    offset: Any = 0.0
    optional: Any = False
    key: Any = None
    wraps_at: Any = None
    adc: Any = None
    sensor: Any = None
    divider: Any = None
    unit_group: Any = None


@dataclass(frozen=True)
class AdcTable:
    """The keys of a column's adc."""

    counts: Any = None
    reference_V: Any = None


@dataclass(frozen=True)
class DividerTable:
    """The keys of the divider that a sensor stands in."""

    series_ohm: Any = None
    supply_V: Any = None
    sensor_at: Any = "ground"


@dataclass(frozen=True)
class UnitTable:
    """The keys of a unit that comes with the reading."""

    quantity: Any = None
    unit: Any = None
    key: Any = None
    refuse: Any = None


@dataclass(frozen=True)
class ValueTable:
    """The keys of [value]: where a frame holds its digits."""

    digits: Any = None
    digit_mask: Any = 0xFF
    digit_codes: Any = field(default_factory=dict)
    negative: Any = None
    overload: Any = ()


@dataclass(frozen=True)
class FunctionTable:
    """The keys of [function]: where a frame says what it measures."""

    byte: Any = None
    mask: Any = 0xFF
    range_byte: Any = None
    range_mask: Any = 0xFF
    codes: Any = None


@dataclass(frozen=True)
class CodeTable:
    """The keys of one of function.codes."""

    quantity: Any = None
    unit: Any = None
    key: Any = None
    scale: Any = 1.0
    scales: Any = None
    refuse: Any = None


@dataclass(frozen=True)
class FlagTable:
    """The keys of a byte that says something by some of its bits."""

    byte: Any = None
    mask: Any = 0xFF
    equals: Any = None


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
    table: FramesTable | LinesTable
    table = as_written(FramesTable, data, where) if kind == "frames" else as_written(LinesTable, data, where)
    serial_table = _mapping(table.serial, f"{where}: serial")
    check_keys(serial_table, SERIAL_KEYS, f"{where}: serial")
    serial = SerialSettings.from_dict(serial_table, f"{where}: serial")
    name = text_of(Path(where).stem if table.name is None else table.name, f"{where}: name")
    if isinstance(table, FramesTable):
        return _frames(table, name, serial, where)
    return _lines(table, name, serial, where)


def _lines(table: LinesTable, name: str, serial: SerialSettings, where: str) -> LineFormat:
    pattern = None if table.pattern is None else _regex(table.pattern, f"{where}: pattern")
    separator, decimal = _marks(table, pattern, where)
    labels = _yes(table.labels, f"{where}: labels")
    named = _yes(table.named_sensors, f"{where}: named_sensors")
    if named and not labels:
        raise DescriptionError(f"{where}: named_sensors needs labels = true: a sensor is known by its name in the line")
    columns = _columns(table, named, pattern, where)
    ignore, missing = table.ignore, table.missing
    if not isinstance(ignore, list | tuple):
        raise DescriptionError(f"{where}: ignore = {shown(ignore)} is not accepted; a list of regular expressions is")
    if not isinstance(missing, list | tuple) or not all(isinstance(word, str) for word in missing):
        raise DescriptionError(f"{where}: missing = {shown(missing)} is not accepted; a list of words is")
    units = {
        text: _unit_meaning(one, f"{where}: units.{text}")
        for text, one in _mapping(table.units, f"{where}: units").items()
    }
    if any(column.unit_group for column in columns) and not units:
        raise DescriptionError(f"{where}: unit_group is given and no [units] table says what a unit means")
    return LineFormat(
        name, serial, columns, separator, pattern, labels, decimal,
        tuple(_regex(text, f"{where}: ignore") for text in ignore),
        frozenset({*MISSING, *(word.casefold() for word in missing)}), units,
        named_sensors=named, sealed=_sealed(table, where),
    )  # fmt: skip


def _marks(table: LinesTable, pattern: re.Pattern[str] | None, where: str) -> tuple[str | None, str]:
    """Return what parts the fields (None: any run of blanks), and the decimal mark."""
    separator: Any = "," if table.separator is None else table.separator
    if pattern is not None and table.separator is not None:
        raise DescriptionError(f"{where}: separator and pattern are both given; one of them is accepted")
    if separator == "space":
        separator = None
    elif not isinstance(separator, str) or len(separator) != 1 or separator in "0123456789.+-\r\n":
        raise DescriptionError(f"{where}: separator = {shown(separator)} is not accepted; one character or space is")
    decimal = table.decimal
    if decimal not in (".", ","):
        raise DescriptionError(f"{where}: decimal = {shown(decimal)} is not accepted; . or , is")
    if decimal == "," and separator == "," and pattern is None:
        raise DescriptionError(f"{where}: decimal and separator cannot both be a comma")
    return separator, decimal


def _columns(table: LinesTable, named: bool, pattern: re.Pattern[str] | None, where: str) -> tuple[Column, ...]:
    """Return the columns; each gives a value of its own."""
    tables = [] if named and table.columns is None else table.columns
    if not isinstance(tables, list) or not (tables or named):
        raise DescriptionError(f"{where}: columns is missing; at least one [[columns]] table is needed")
    columns = tuple(_column(one, f"{where}: column {n}", pattern) for n, one in enumerate(tables, 1))
    keys = [column.key for column in columns if column.quantity not in ("skip",) and column.unit_group is None]
    for key in keys:
        if keys.count(key) > 1:
            raise DescriptionError(f"{where}: two columns give {key}; tell them apart with key")
    return columns


def _yes(value: object, where: str) -> bool:
    if not isinstance(value, bool):
        raise DescriptionError(f"{where} = {shown(value)} is not accepted; true or false is")
    return value


def _sealed(table: LinesTable, where: str) -> bool:
    if table.check not in (None, "crc16"):
        raise DescriptionError(f"{where}: check = {shown(table.check)} is not accepted; 'crc16' is")
    return table.check is not None


def _column(written: Any, where: str, pattern: re.Pattern[str] | None) -> Column:
    table = as_written(ColumnTable, _mapping(written, where), where)
    quantity = table.quantity
    if not _in(quantity, QUANTITIES):
        raise DescriptionError(f"{where}: quantity = {shown(quantity)} is not accepted; {', '.join(QUANTITIES)} are")
    default_key, units = QUANTITIES[quantity]
    key = default_key if table.key is None else table.key
    if not isinstance(key, str) or (quantity not in ("skip",) and not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", key)):
        raise DescriptionError(
            f"{where}: key = {shown(key)} is not accepted; letters, digits and _ are, with the unit last"
        )
    name = text_of(key or quantity if table.name is None else table.name, f"{where}: name")
    if pattern is not None and quantity != "skip" and name not in pattern.groupindex:
        raise DescriptionError(
            f"{where}: the pattern has no group {shown(name)}; it has {', '.join(pattern.groupindex)}"
        )
    unit_group = table.unit_group
    if unit_group is not None and (pattern is None or not _in(unit_group, pattern.groupindex)):
        raise DescriptionError(f"{where}: unit_group = {shown(unit_group)} is no group of the pattern")
    optional = _yes(table.optional, f"{where}: optional")
    sensor, series_ohm, supply_V, at_ground = None, None, 0.0, True
    if table.sensor is not None:
        if quantity != "temperature":
            raise DescriptionError(f"{where}: a sensor belongs to a temperature, not to {quantity}")
        sensor, series_ohm, supply_V, at_ground = _sensor(table, where)
        units = straight("resistance") | straight("voltage") | {"": (1.0, 0.0)}
    default_unit = "" if sensor is not None else next(iter(units))
    unit = default_unit if table.unit is None else table.unit
    if not _in(unit, units):
        raise DescriptionError(f"{where}: unit = {shown(unit)} is not accepted; {', '.join(filter(None, units))} are")
    adc_counts, adc_reference_V = _adc(table, where)
    wraps_at = table.wraps_at
    if wraps_at is not None:
        if quantity != "time":
            raise DescriptionError(f"{where}: wraps_at belongs to a time, not to {quantity}")
        wraps_at = _positive(wraps_at, f"{where}: wraps_at")
    factor, shift = units[unit]
    return Column(
        name, quantity, key, factor, shift,
        _number(table.scale, f"{where}: scale"), _number(table.offset, f"{where}: offset"),
        optional, wraps_at, adc_counts, adc_reference_V, sensor, series_ohm, supply_V, at_ground, unit_group,
    )  # fmt: skip


def _adc(table: ColumnTable, where: str) -> tuple[float | None, float]:
    """Return the full scale of a converter in counts, and its reference in volt; (None, 0) where there is none."""
    if table.adc is None:
        return None, 0.0
    adc = as_written(AdcTable, _mapping(table.adc, f"{where}: adc"), f"{where}: adc")
    return _positive(adc.counts, f"{where}: adc.counts"), _positive(adc.reference_V, f"{where}: adc.reference_V")


def _sensor(table: ColumnTable, where: str) -> tuple[Sensor, float | None, float, bool]:
    """Return a sensor, and of its divider the series resistor in ohm, the supply in volt, and whether it is below."""
    sensor = sensor_from_dict(_mapping(table.sensor, f"{where}: sensor"), f"{where}: sensor")
    if table.divider is None:
        return sensor, None, 0.0, True
    divider = as_written(DividerTable, _mapping(table.divider, f"{where}: divider"), f"{where}: divider")
    series_ohm = _positive(divider.series_ohm, f"{where}: divider.series_ohm")
    supply_V = _positive(divider.supply_V, f"{where}: divider.supply_V")
    side = divider.sensor_at
    if side not in ("ground", "supply"):
        raise DescriptionError(f"{where}: divider.sensor_at = {shown(side)} is not accepted; ground or supply is")
    return sensor, series_ohm, supply_V, side == "ground"


def _unit_meaning(written: Any, where: str) -> UnitMeaning:
    table = as_written(UnitTable, _mapping(written, where), where)
    if table.refuse is not None:
        return UnitMeaning(refuse=text_of(table.refuse, f"{where}: refuse"))
    key, factor, shift = _quantity(table, where)
    return UnitMeaning(key, factor, shift)


def _quantity(table: UnitTable | CodeTable, where: str) -> tuple[str, float, float]:
    """Return (key, factor, shift) of a table that gives quantity, unit and perhaps key."""
    quantity: Any = table.quantity
    if not _in(quantity, QUANTITIES) or quantity in ("skip", "time"):
        raise DescriptionError(
            f"{where}: quantity = {shown(quantity)} is not accepted; voltage, current, temperature, shunt or other is"
        )
    default_key, units = QUANTITIES[quantity]
    unit = next(iter(units)) if table.unit is None else table.unit
    if not _in(unit, units):
        raise DescriptionError(f"{where}: unit = {shown(unit)} is not accepted; {', '.join(units)} are")
    key = default_key if table.key is None else table.key
    if not isinstance(key, str) or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", key):
        raise DescriptionError(
            f"{where}: key = {shown(key)} is not accepted; letters, digits and _ are, with the unit last"
        )
    factor, shift = units[unit]
    return key, factor, shift


def _frames(table: FramesTable, name: str, serial: SerialSettings, where: str) -> FrameFormat:
    length: Any = table.length
    if not is_int(length) or not 2 <= length <= 256:
        raise DescriptionError(f"{where}: length = {shown(length)} is not accepted; a whole number from 2 to 256 is")
    start, end = _hex(table.start_hex, f"{where}: start_hex"), _hex(table.end_hex, f"{where}: end_hex")
    if (not start and not end) or len(start) + len(end) >= length:
        raise DescriptionError(f"{where}: start_hex or end_hex is needed, and both together shorter than the frame")
    value = as_written(ValueTable, _mapping(table.value, f"{where}: value"), f"{where}: value")
    digits = value.digits
    if not isinstance(digits, list) or not 1 <= len(digits) <= 12:
        raise DescriptionError(f"{where}: value.digits = {shown(digits)} is not accepted; a list of byte positions is")
    positions = tuple(_position(one, length, f"{where}: value.digits") for one in digits)
    mask = _byte(value.digit_mask, f"{where}: value.digit_mask")
    codes: dict[int, int] = {}
    for text, digit in _mapping(value.digit_codes, f"{where}: value.digit_codes").items():
        if not is_int(digit) or not 0 <= digit <= 9:
            raise DescriptionError(f"{where}: value.digit_codes.{text} = {shown(digit)} is not accepted; 0 to 9 is")
        codes[_byte(text, f"{where}: value.digit_codes")] = digit
    if not codes:
        codes = {(0x30 + digit) & mask: digit for digit in range(10)}
    negative = None if value.negative is None else _flag(value.negative, length, f"{where}: value.negative")
    overload = value.overload
    if not isinstance(overload, list | tuple):
        raise DescriptionError(f"{where}: value.overload is not accepted; a list of {{byte, mask, equals}} is")
    function = as_written(FunctionTable, _mapping(table.function, f"{where}: function"), f"{where}: function")
    range_: tuple[int, int] | None = None
    if function.range_byte is not None:
        range_ = (
            _position(function.range_byte, length, f"{where}: function.range_byte"),
            _byte(function.range_mask, f"{where}: function.range_mask"),
        )
    functions = {
        _byte(text, f"{where}: function.codes"): _function(one, f"{where}: function.codes.{text}", range_)
        for text, one in _mapping(function.codes, f"{where}: function.codes").items()
    }
    if not functions:
        raise DescriptionError(f"{where}: function.codes is empty; at least one code is needed")
    return FrameFormat(
        name, serial, length, start, end, positions, mask, codes, negative,
        tuple(_flag(one, length, f"{where}: value.overload") for one in overload),
        (
            _position(function.byte, length, f"{where}: function.byte"),
            _byte(function.mask, f"{where}: function.mask"),
        ),
        range_, functions,
    )  # fmt: skip


def _function(written: Any, where: str, range_: tuple[int, int] | None) -> Function:
    table = as_written(CodeTable, _mapping(written, where), where)
    if table.refuse is not None:
        return Function("", 0.0, {}, text_of(table.refuse, f"{where}: refuse"))
    key, factor, shift = _quantity(table, where)
    scales: dict[int | None, float] = {}
    if table.scales is not None:
        if range_ is None:
            raise DescriptionError(f"{where}: scales is given and function.range_byte is not")
        for text, scale in _mapping(table.scales, f"{where}: scales").items():
            scales[_byte(text, f"{where}: scales")] = _number(scale, f"{where}: scales.{text}") * factor
    else:
        scales[None] = _number(table.scale, f"{where}: scale") * factor
    return Function(key, shift, scales)


def _flag(written: Any, length: int, where: str) -> tuple[int, int, int]:
    table = as_written(FlagTable, _mapping(written, where), where)
    mask = _byte(table.mask, f"{where}.mask")
    equals = mask if table.equals is None else _byte(table.equals, f"{where}.equals")
    return _position(table.byte, length, f"{where}.byte"), mask, equals


def _mapping(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise DescriptionError(f"{where}: is missing or is no table")
    return value


def _in(value: Any, names: Mapping[str, Any]) -> bool:
    """Whether it is one of the names; a list or table out of a file is not, and no error either."""
    return isinstance(value, str) and value in names


def _number(value: Any, where: str) -> float:
    if not is_number(value):
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a number is")
    return float(value)


def _positive(value: Any, where: str) -> float:
    if not is_number(value) or value <= 0:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a number above 0 is")
    return float(value)


def _position(value: Any, length: int, where: str) -> int:
    if not is_int(value) or not 0 <= value < length:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a byte position from 0 to {length - 1} is")
    return int(value)


def _byte(value: Any, where: str) -> int:
    number: Any
    try:
        number = int(value, 0) if isinstance(value, str) else value
    except ValueError:
        number = None
    if not is_int(number) or not 0 <= number <= 255:
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
