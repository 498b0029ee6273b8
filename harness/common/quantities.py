"""Quantities as people write them: "500 mA", "0.2 It", "2 h 30 min", "45 degC" -> a number.

Each field knows its kind; a kind knows its units. What comes back is in the unit that this project
uses for that kind: V, A, ohm, Ah, Wh, W, s, degC, K, K/min, V/h, g, plain ratio, multiples of It.
Anything that could be misread is refused: a decimal comma, a unit that is missing or of another
kind, NaN, infinity, a negative duration.
"""

import math
import re
from collections.abc import Mapping
from typing import Literal

from amphora.harness.common.errors import QuantityError
from amphora.harness.common.fields import shown

Kind = Literal[
    "voltage", "current", "resistance", "capacity", "energy", "power", "duration", "temperature",
    "temperature_difference", "temperature_rate", "voltage_rate", "mass", "ratio", "rate_It",
]  # fmt: skip

_MICRO = ("u", "µ", "μ")  # letter u, micro sign, Greek mu
_OHMS = ("ohm", "Ω", "Ω")  # word, Greek omega, ohm sign


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
    "duration": {"d": 86400.0, "h": 3600.0, "min": 60.0, "s": 1.0, "ms": 1e-3},
    "temperature": {"degC": 1.0, "°C": 1.0, "℃": 1.0},
    "temperature_difference": {"K": 1.0},
    "temperature_rate": {"K/min": 1.0, "K/h": 1.0 / 60.0},
    "voltage_rate": {"V/h": 1.0, "mV/h": 1e-3, "mV/d": 1e-3 / 24.0},
    "mass": {"g": 1.0, "mg": 1e-3, "kg": 1e3},
    "ratio": {"": 1.0, "%": 0.01},
    "rate_It": {"It": 1.0, "C": 1.0},
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


def parse(text: object, kind: str, where: str = "") -> float:
    """Return the value of a quantity in the unit of its kind.

    Args:
        text: What was written. A bare number is accepted for a `ratio` alone.
        kind: One of `Kind`.
        where: What the message names: an option, or a file and field.

    Returns:
        V, A, ohm, Ah, Wh, W, s, degC, K, K/min, V/h, g, ratio, multiples of It; always finite.

    Raises:
        QuantityError: one sentence: where, the value, and what is accepted.
    """
    accepted = EXAMPLES[kind]
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise _error(where, text, "is not a quantity", accepted)
    written = text.strip() if isinstance(text, str) else shown(text)
    if len(written) > 60:
        raise _error(where, written, "is too long for a quantity", accepted)
    if _COMMA.search(written):
        raise _error(where, text, "has a comma; decimals are written with a point", accepted)
    if re.search(r"(?i)\b(nan|inf|infinity)\b", written):
        raise _error(where, text, "is not a finite number", accepted)
    value = _duration(written, text, where) if kind == "duration" else _single(written, text, kind, where)
    if not math.isfinite(value):
        raise _error(where, text, "is not a finite number", accepted)
    if value < 0.0 and kind not in _SIGNED:
        raise _error(where, text, "is negative", accepted)
    if kind == "temperature" and value < ABSOLUTE_ZERO_DEGC:
        raise _error(where, text, "is below absolute zero", accepted)
    return value + 0.0


def _single(written: str, text: object, kind: str, where: str) -> float:
    match = _ONE.fullmatch(written)
    accepted = EXAMPLES[kind]
    if match is None:
        raise _error(where, text, "cannot be read", accepted)
    unit = match[2] or ""
    factor = UNITS[kind].get(unit)
    if factor is None:
        what = "has no unit" if not unit else f"has a unit that does not fit ({unit})"
        raise _error(where, text, what, accepted)
    return float(match[1]) * factor


def _duration(written: str, text: object, where: str) -> float:
    """Read '2 h 30 min': parts from the largest unit to the smallest, each once."""
    accepted = EXAMPLES["duration"]
    position = 0
    total_s = 0.0
    least_s = math.inf
    if not written:
        raise _error(where, text, "is empty", accepted)
    while position < len(written):
        match = _ONE.match(written, position)
        if match is None:
            raise _error(where, text, "cannot be read", accepted)
        unit = match[2] or ""
        factor = UNITS["duration"].get(unit)
        if factor is None:
            what = "has no unit" if not unit else f"has a unit that does not fit ({unit})"
            raise _error(where, text, what, accepted)
        if float(match[1]) < 0.0:
            raise _error(where, text, "is negative", accepted)
        if factor >= least_s:
            raise _error(where, text, "has its parts out of order or twice", accepted)
        least_s = factor
        total_s += float(match[1]) * factor
        position = match.end()
        while position < len(written) and written[position].isspace():
            position += 1
    return total_s


def _error(where: str, text: object, what: str, accepted: str) -> QuantityError:
    place = f"{where}: " if where else ""
    return QuantityError(f"{place}{shown(text)} {what}; {accepted} is accepted")


def format_duration(seconds: float) -> str:
    """Return a duration as people say it: '5 h 12 min', '3 d 2 h', '45 s', '0.5 s'."""
    if not math.isfinite(seconds):
        return "no end"
    if seconds < 0:
        return "-" + format_duration(-seconds)
    if seconds < 10.0 and abs(seconds - round(seconds)) > 1e-9:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    if whole < 600 and whole % 60:
        return f"{whole // 60} min {whole % 60} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 72 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    days, hours = divmod(round(seconds / 3600.0), 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def format_quantity(value: float, unit: str) -> str:
    """Return a value with a unit in a size that people read: (0.431, 'Ah') -> '431 mAh'.

    Args:
        value: In `unit`; not finite gives 'unknown'.
        unit: V, A, ohm, Ah, Wh, W, s, degC, K, K/min, V/h, g, It or '' (a ratio, shown in percent).
    """
    if not math.isfinite(value):
        return "unknown"
    if unit == "s":
        return format_duration(value)
    if unit == "Ah":
        shown = value * 1000.0
        return f"{shown:.0f} mAh" if abs(shown) >= 10 else f"{shown:.3g} mAh"
    if unit == "V":
        return f"{value:.2f} V" if abs(value * 100 - round(value * 100)) < 1e-6 else f"{value:.3f} V"
    if unit in ("A", "W", "ohm", "Wh") and 0.0 < abs(value) < 0.9995:
        shown = value * 1000.0
        return f"{shown:.0f} m{unit}" if abs(shown) >= 10 else f"{shown:.3g} m{unit}"
    if unit == "V/h":
        return f"{value * 1000.0:.3g} mV/h"
    if unit == "degC":
        return f"{value:.3g} °C"
    if unit == "":
        return f"{value * 100.0:.3g} %"
    return f"{value:.4g} {unit}"
