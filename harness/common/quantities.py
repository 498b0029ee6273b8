"""Quantities in the harness: `parse` with the place in its sentence, and how a value is shown to a person.

The units and the parser are those of `drivers.quantities`, which bench files, dialects and line formats use too.
"""

import math

from amphora.drivers.quantities import ABSOLUTE_ZERO_DEGC, EXAMPLES, UNITS, Kind, NotAQuantity, read
from amphora.harness.common.errors import QuantityError

__all__ = ["ABSOLUTE_ZERO_DEGC", "EXAMPLES", "UNITS", "Kind", "format_duration", "format_quantity", "parse"]


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
    try:
        return read(text, kind)
    except NotAQuantity as error:
        raise QuantityError(f"{where}: {error}" if where else str(error)) from None


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
