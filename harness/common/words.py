"""Words for people that several rooms use: a value with its expanded uncertainty, a middle with its limits."""

import math

from amphora.harness.common.errors import AnalysisError

LEAST_SHOWN_U = 1e-9  # what is known better is shown alone: so many digits are no knowledge of a cell


def round_with_U(value: float, U: float) -> tuple[float, float]:
    """Return value and U, U to two significant digits and the value to the same place.

    Raises:
        AnalysisError: a number is not finite, or U is below 0.

    Source:
        JCGM 100:2008, 7.2.6.
    """
    if not (math.isfinite(value) and math.isfinite(U)) or U < 0:
        raise AnalysisError(f"{value!r} with U = {U!r} cannot be rounded")
    if U == 0:
        return value, 0.0
    places = 1 - math.floor(math.log10(U))
    rounded = round(U, places)
    if rounded >= 10 ** (2 - places):  # 0.0996 becomes 0.10: one place less
        places -= 1
    return round(value, places), round(U, places)


def with_U(
    value: float | None,
    U: float | None,
    factor: float = 1.0,
    unit: str = "",
    *,
    unknown: str = "not known",
    thousands: str = "",
) -> str:
    """Return a value with its expanded uncertainty, both to two significant digits of U; a value alone to four.

    Args:
        value: What was found; None or not finite: nothing was.
        U: Its expanded uncertainty, in the same unit; None, 0 or not finite: there is none to show.
        factor: What both are multiplied by, for the unit shown.
        unit: Written behind.
        unknown: What stands where there is no value.
        thousands: What stands between thousands.

    Source of the rounding: JCGM 100:2008, 7.2.6.
    """
    if value is None or not math.isfinite(value):
        return unknown
    unit = f" {unit}" if unit else ""
    shown_U = (U or 0.0) * factor
    if not 0.0 < shown_U < math.inf or shown_U < LEAST_SHOWN_U:
        return f"{value * factor:.4g}{unit}"
    rounded, rounded_U = round_with_U(value * factor, shown_U)
    places = max(0, 1 - math.floor(math.log10(rounded_U)))
    sides = (f"{side:,.{places}f}".replace(",", thousands) for side in (rounded, rounded_U))
    return " ± ".join(sides) + unit


def to_places(value: float, U: float, places: int, factor: float = 1.0, unit: str = "", sign: str = "") -> str:
    """Return a value with its expanded uncertainty, both to so many places: for texts whose digits are settled.

    Args:
        value, U: In one unit.
        places: Digits behind the point.
        factor: What both are multiplied by, for the unit shown.
        unit: Written behind.
        sign: "+": a value above 0 shows its sign.
    """
    return f"{factor * value:{sign}.{places}f} ± {factor * U:.{places}f}" + (f" {unit}" if unit else "")


def about(middle: float, unit: str, half: float, half_unit: str) -> str:
    """Return a middle with the limits on both sides of it: "20 °C ± 5 K"."""
    return f"{middle:g} {unit} ± {half:g} {half_unit}"
