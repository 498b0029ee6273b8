"""Quantities as people write them: "500 mA", "0.2 It", "2 h 30 min", "45 degC" -> a number.

The one table of units and the one parser: of recipes, cells and criteria, of bench files, dialects and line formats.
Each field knows its kind; a kind knows its units. What comes back is in the unit that this project
uses for that kind: V, A, ohm, Ah, Wh, W, s, degC, K, K/min, V/h, g, plain ratio, multiples of It.
Anything that could be misread is refused: a decimal comma, a unit that is missing or of another
kind, NaN, infinity, a negative duration.

No library reads them: those tried take a decimal comma for thousands, and cost 200 ms at each start.
"""

import math
import re
from collections.abc import Mapping
from typing import Literal

from amphora.drivers.described import finite_number, shown
from amphora.drivers.errors import DescriptionError

Kind = Literal[
    "voltage", "current", "resistance", "capacity", "energy", "power", "duration", "temperature",
    "temperature_difference", "temperature_accuracy", "temperature_rate", "voltage_rate", "mass", "ratio", "rate_It",
]  # fmt: skip

_MICRO = ("u", "µ", "μ")  # letter u, micro sign, Greek mu
_OHMS = ("ohm", "Ohm", "Ω", "Ω")  # word, Greek omega, ohm sign


def _scaled(names: tuple[str, ...], prefixes: Mapping[str, float]) -> dict[str, float]:
    return {prefix + name: factor for prefix, factor in prefixes.items() for name in names}


_SMALL = {"": 1.0, "m": 1e-3, **dict.fromkeys(_MICRO, 1e-6)}
UNITS: dict[str, dict[str, float]] = {
    "voltage": _scaled(("V",), {**_SMALL, "k": 1e3}),
    "current": _scaled(("A",), _SMALL),
    "resistance": _scaled(_OHMS, {**_SMALL, "k": 1e3, "M": 1e6}),
    "capacity": _scaled(("Ah",), _SMALL),
    "energy": {**_scaled(("Wh",), {**_SMALL, "k": 1e3}), "J": 1.0 / 3600.0, "kJ": 1.0 / 3.6},
    "power": _scaled(("W",), {**_SMALL, "k": 1e3}),
    "duration": {**_scaled(("s",), _SMALL), "min": 60.0, "h": 3600.0, "d": 86400.0},
    "temperature": {"degC": 1.0, "°C": 1.0, "℃": 1.0},
    "temperature_difference": {"K": 1.0},
    "temperature_accuracy": {"K": 1.0, "degC": 1.0, "°C": 1.0, "℃": 1.0},  # nobody means a place on the scale
    "temperature_rate": {"K/min": 1.0, "K/h": 1.0 / 60.0},
    "voltage_rate": {"V/h": 1.0, "mV/h": 1e-3, "mV/d": 1e-3 / 24.0},
    "mass": {"g": 1.0, "mg": 1e-3, "kg": 1e3},
    "ratio": {"": 1.0, "%": 0.01, "ppm": 1e-6},
    "rate_It": {"It": 1.0, "C": 1.0},
}

# What an instrument or a table may give a temperature in: degree Celsius = number * factor + shift.
TEMPERATURE_SCALES: dict[str, tuple[float, float]] = {
    **dict.fromkeys(("degC", "°C", "℃"), (1.0, 0.0)),
    "K": (1.0, -273.15),
    "degF": (5.0 / 9.0, -160.0 / 9.0),
}

EXAMPLES: dict[str, str] = {
    "voltage": "a voltage such as 3.0 V or 150 mV",
    "current": "a current such as 500 mA or 1.2 A",
    "resistance": "a resistance such as 10 ohm or 150 mohm",
    "capacity": "a capacity such as 1200 mAh or 1.2 Ah",
    "energy": "an energy such as 3.7 Wh",
    "power": "a power such as 2.5 W",
    "duration": "a duration such as 2 h 30 min or 10 s",
    "temperature": "a temperature such as 45 degC",
    "temperature_accuracy": "a temperature such as 0.5 K",
    "temperature_difference": "a difference of temperature such as 10 K",
    "temperature_rate": "a rate such as 1 K/min",
    "voltage_rate": "a rate such as 5 mV/h",
    "mass": "a mass such as 44 g",
    "ratio": "a number such as 0.8 or 80 %",
    "rate_It": "a multiple of It such as 0.2 It",
}

_SIGNED = ("voltage", "current", "temperature", "temperature_difference", "voltage_rate")
_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_ONE = re.compile(rf"({_NUMBER})\s*([^\s0-9+\-.,][^\s0-9+.,]*)?")
_COMMA = re.compile(r"[0-9],[0-9]")
ABSOLUTE_ZERO_DEGC = -273.15


class NotAQuantity(ValueError):
    """A text is no quantity of its kind: what was written, and what is accepted."""


def read(text: object, kind: str) -> float:
    """Return the value of a quantity in the unit of its kind.

    Args:
        text: What was written. A bare number is accepted for a `ratio` alone.
        kind: One of `Kind`.

    Returns:
        V, A, ohm, Ah, Wh, W, s, degC, K, K/min, V/h, g, ratio, multiples of It; always finite.

    Raises:
        NotAQuantity: one sentence: the value, and what is accepted.
    """
    accepted = EXAMPLES[kind]
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise _error(text, "is not a quantity", accepted)
    written = text.strip() if isinstance(text, str) else shown(text)
    if len(written) > 60:
        raise _error(written, "is too long for a quantity", accepted)
    if _COMMA.search(written):
        raise _error(text, "has a comma; decimals are written with a point", accepted)
    if re.search(r"(?i)\b(nan|inf|infinity)\b", written):
        raise _error(text, "is not a finite number", accepted)
    value = _duration(written, text) if kind == "duration" else _single(written, text, kind)
    if not math.isfinite(value):
        raise _error(text, "is not a finite number", accepted)
    if value < 0.0 and kind not in _SIGNED:
        raise _error(text, "is negative", accepted)
    if kind == "temperature" and value < ABSOLUTE_ZERO_DEGC:
        raise _error(text, "is below absolute zero", accepted)
    return value + 0.0


def _single(written: str, text: object, kind: str) -> float:
    match = _ONE.fullmatch(written)
    accepted = EXAMPLES[kind]
    if match is None:
        raise _error(text, "cannot be read", accepted)
    unit = match[2] or ""
    factor = UNITS[kind].get(unit)
    if factor is None:
        what = "has no unit" if not unit else f"has a unit that does not fit ({unit})"
        raise _error(text, what, accepted)
    return float(match[1]) * factor


def _duration(written: str, text: object) -> float:
    """Read '2 h 30 min': parts from the largest unit to the smallest, each once."""
    accepted = EXAMPLES["duration"]
    position = 0
    total_s = 0.0
    least_s = math.inf
    if not written:
        raise _error(text, "is empty", accepted)
    while position < len(written):
        match = _ONE.match(written, position)
        if match is None:
            raise _error(text, "cannot be read", accepted)
        unit = match[2] or ""
        factor = UNITS["duration"].get(unit)
        if factor is None:
            what = "has no unit" if not unit else f"has a unit that does not fit ({unit})"
            raise _error(text, what, accepted)
        if float(match[1]) < 0.0:
            raise _error(text, "is negative", accepted)
        if factor >= least_s:
            raise _error(text, "has its parts out of order or twice", accepted)
        least_s = factor
        total_s += float(match[1]) * factor
        position = match.end()
        while position < len(written) and written[position].isspace():
            position += 1
    return total_s


def _error(text: object, what: str, accepted: str) -> NotAQuantity:
    return NotAQuantity(f"{shown(text)} {what}; {accepted} is accepted")


def described(value: object, kind: str, where: str, *, bare: bool = False, positive: bool = False) -> float:
    """Return a quantity of a bench file, a dialect or a line format, in the unit of its kind; none is negative.

    Args:
        value: What the file holds.
        kind: One of `Kind`.
        where: The file and the key.
        bare: A plain number is one in the unit of the kind.
        positive: 0 is refused.

    Raises:
        DescriptionError: it is no quantity of this kind, negative, or 0 where that is refused.
    """
    number = finite_number(value) if bare else None
    try:
        number = read(value, kind) if number is None else number
    except NotAQuantity as error:
        raise DescriptionError(f"{where}: {error}") from None
    if number < 0.0 or (positive and number == 0.0):
        least = "above 0" if positive else "0 or above"
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; it must be {least}")
    return number
