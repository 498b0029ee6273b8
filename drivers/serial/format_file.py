"""Reads the file that describes what an instrument sends (its keys: `line_format`); one sentence for each fault."""

import re
import tomllib
import warnings
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from amphora.drivers.described import check_keys, shown, text_of
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
    separator, decimal = _marks(data, pattern, where)
    labels, named = (_yes(data, key, where) for key in ("labels", "named_sensors"))
    if named and not labels:
        raise DescriptionError(f"{where}: named_sensors needs labels = true: a sensor is known by its name in the line")
    columns = _columns(data, named, pattern, where)
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


def _marks(data: Mapping[str, Any], pattern: re.Pattern[str] | None, where: str) -> tuple[str | None, str]:
    """Return what parts the fields (None: any run of blanks), and the decimal mark."""
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
    return separator, decimal


def _columns(data: Mapping[str, Any], named: bool, pattern: re.Pattern[str] | None, where: str) -> tuple[Column, ...]:
    """Return the columns; each gives a value of its own."""
    tables = data.get("columns", [] if named else None)
    if not isinstance(tables, list) or not (tables or named):
        raise DescriptionError(f"{where}: columns is missing; at least one [[columns]] table is needed")
    columns = tuple(_column(table, f"{where}: column {n}", pattern) for n, table in enumerate(tables, 1))
    keys = [column.key for column in columns if column.quantity not in ("skip",) and column.unit_group is None]
    for key in keys:
        if keys.count(key) > 1:
            raise DescriptionError(f"{where}: two columns give {key}; tell them apart with key")
    return columns


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
    sensor, series_ohm, supply_V, at_ground = None, None, 0.0, True
    if table.get("sensor") is not None:
        if quantity != "temperature":
            raise DescriptionError(f"{where}: a sensor belongs to a temperature, not to {quantity}")
        sensor, series_ohm, supply_V, at_ground = _sensor(table, where)
        units = straight("resistance") | straight("voltage") | {"": (1.0, 0.0)}
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


def _sensor(table: Mapping[str, Any], where: str) -> tuple[Sensor, float | None, float, bool]:
    """Return a sensor, and of its divider the series resistor in ohm, the supply in volt, and whether it is below."""
    sensor = sensor_from_dict(_mapping(table["sensor"], f"{where}: sensor"), f"{where}: sensor")
    if "divider" not in table:
        return sensor, None, 0.0, True
    divider = _mapping(table["divider"], f"{where}: divider")
    check_keys(divider, ("series_ohm", "supply_V", "sensor_at"), f"{where}: divider")
    series_ohm = _positive(divider.get("series_ohm"), f"{where}: divider.series_ohm")
    supply_V = _positive(divider.get("supply_V"), f"{where}: divider.supply_V")
    side = divider.get("sensor_at", "ground")
    if side not in ("ground", "supply"):
        raise DescriptionError(f"{where}: divider.sensor_at = {shown(side)} is not accepted; ground or supply is")
    return sensor, series_ohm, supply_V, side == "ground"


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
    if not is_int(length) or not 2 <= length <= 256:
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
        if not is_int(digit) or not 0 <= digit <= 9:
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
