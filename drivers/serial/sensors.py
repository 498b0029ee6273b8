"""Temperature from a sensor's resistance: NTC by table, beta or Steinhart-Hart, Pt100.

Resistance in ohm, temperature in degC. A resistance outside what the sensor can show means a broken
wire or a short and is refused, never extrapolated: a temperature made up here would pass a gate.

A beta formula is good near the two temperatures its beta was taken from and no more: with a maker's
B25/85 it can read 1 K high at 0 degC, on the unsafe side of a charge gate. Prefer the maker's table.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from amphora.drivers.described import check_keys, finite_number, shown
from amphora.drivers.errors import DescriptionError, GarbledReply

ZERO_C_K = 273.15
T25_K = 298.15

# IEC 60751: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), the last term below 0 degC only.
PT_A = 3.9083e-3
PT_B = -5.775e-7
PT_C = -4.183e-12

LOWEST_DEGC, HIGHEST_DEGC = -80.0, 250.0  # beyond these no sensor on a cell tells the truth


class Sensor(Protocol):
    """Turns a resistance into a temperature."""

    def temperature_degC(self, resistance_ohm: float) -> float:
        """Return the temperature; GarbledReply when the resistance means a broken or shorted wire."""
        ...


def _above_zero(resistance_ohm: float, kind: str) -> None:
    if not 0.0 < resistance_ohm < math.inf:
        raise GarbledReply(
            f"{kind}: {resistance_ohm:g} ohm is no resistance of a sensor; its wire is broken or shorted"
        )


def _in_reach(value_degC: float, resistance_ohm: float, kind: str) -> float:
    if not LOWEST_DEGC <= value_degC <= HIGHEST_DEGC:
        raise GarbledReply(
            f"{kind}: {resistance_ohm:g} ohm would be {value_degC:.0f} degC, outside {LOWEST_DEGC:g} to "
            f"{HIGHEST_DEGC:g} degC; its wire is broken or shorted"
        )
    return value_degC


@dataclass(frozen=True, slots=True)
class BetaNtc:
    """NTC by R25 and beta: 1/T = 1/298.15 K + ln(R / R25) / B."""

    r25_ohm: float
    beta_K: float

    def temperature_degC(self, resistance_ohm: float) -> float:
        """Return the temperature in degC; see `Sensor`."""
        _above_zero(resistance_ohm, "NTC")
        inverse = 1.0 / T25_K + (math.log(resistance_ohm) - math.log(self.r25_ohm)) / self.beta_K
        if inverse <= 0.0:
            raise GarbledReply(f"NTC: {resistance_ohm:g} ohm is a shorted sensor")
        return _in_reach(1.0 / inverse - ZERO_C_K, resistance_ohm, "NTC")


@dataclass(frozen=True, slots=True)
class SteinhartHartNtc:
    """NTC by three coefficients: 1/T = a + b ln R + c (ln R)^3."""

    a: float
    b: float
    c: float

    def temperature_degC(self, resistance_ohm: float) -> float:
        """Return the temperature in degC; see `Sensor`."""
        _above_zero(resistance_ohm, "NTC")
        ln_r = math.log(resistance_ohm)
        inverse = self.a + self.b * ln_r + self.c * ln_r**3
        if inverse <= 0.0:
            raise GarbledReply(f"NTC: {resistance_ohm:g} ohm is a shorted sensor")
        return _in_reach(1.0 / inverse - ZERO_C_K, resistance_ohm, "NTC")


@dataclass(frozen=True, slots=True)
class TableNtc:
    """NTC by its maker's table; 1/T is interpolated linearly in ln R between two points.

    `points`: (degC, ohm), by rising temperature, resistance falling, at least two.
    """

    points: tuple[tuple[float, float], ...]

    def temperature_degC(self, resistance_ohm: float) -> float:
        """Return the temperature in degC; outside the table is refused."""
        _above_zero(resistance_ohm, "NTC")
        points = self.points
        if not points[-1][1] <= resistance_ohm <= points[0][1]:
            raise GarbledReply(
                f"NTC: {resistance_ohm:g} ohm is outside its table ({points[-1][1]:g} to {points[0][1]:g} ohm, "
                f"{points[0][0]:g} to {points[-1][0]:g} degC); a broken or shorted wire, or too hot or cold"
            )
        for (t0, r0), (t1, r1) in itertools.pairwise(points):
            if resistance_ohm >= r1:
                share = math.log(resistance_ohm / r0) / math.log(r1 / r0)
                inverse = (1.0 - share) / (t0 + ZERO_C_K) + share / (t1 + ZERO_C_K)
                return 1.0 / inverse - ZERO_C_K
        return points[-1][0]


@dataclass(frozen=True, slots=True)
class Platinum:
    """Platinum thermometer after IEC 60751; `r0_ohm` at 0 degC (100 for a Pt100)."""

    r0_ohm: float = 100.0

    def resistance_ohm(self, temperature_degC: float) -> float:
        """Return the resistance at a temperature, in ohm."""
        t = temperature_degC
        ratio = 1.0 + PT_A * t + PT_B * t * t
        if t < 0.0:
            ratio += PT_C * (t - 100.0) * t**3
        return self.r0_ohm * ratio

    def temperature_degC(self, resistance_ohm: float) -> float:
        """Return the temperature in degC; see `Sensor`."""
        _above_zero(resistance_ohm, "Pt100")
        ratio = resistance_ohm / self.r0_ohm
        if not 0.5 < ratio < 2.0:
            raise GarbledReply(
                f"Pt100: {resistance_ohm:g} ohm is no resistance of a sensor of {self.r0_ohm:g} ohm; "
                "its wire is broken or shorted"
            )
        t = (-PT_A + math.sqrt(PT_A**2 - 4.0 * PT_B * (1.0 - ratio))) / (2.0 * PT_B)
        if t < 0.0:
            for _ in range(20):  # Newton's steps on the four-term form; three are enough
                slope = PT_A + 2.0 * PT_B * t + PT_C * (4.0 * t**3 - 300.0 * t**2)
                step = (self.resistance_ohm(t) / self.r0_ohm - ratio) / slope
                t -= step
                if abs(step) < 1e-9:
                    break
        return _in_reach(t, resistance_ohm, "Pt100")


KEYS = {
    "ntc-beta": ("r25_ohm", "beta_K"),
    "ntc-steinhart-hart": ("a", "b", "c"),
    "ntc-table": ("degC", "ohm"),
    "platinum": ("r0_ohm",),
}


def sensor_from_dict(table: Mapping[str, Any], where: str) -> Sensor:
    """Make a sensor of its TOML table (`kind` and the keys of that kind).

    Raises:
        DescriptionError: a kind, key or value is not accepted.
    """
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in KEYS:
        raise DescriptionError(f"{where}.kind: {shown(kind)} is not accepted; {', '.join(KEYS)} are")
    check_keys(table, ("kind", *KEYS[kind]), f"{where} ({kind})")
    if kind == "ntc-table":
        return _table(table, where)
    if kind == "platinum":
        return Platinum(_number(table.get("r0_ohm", 100.0), f"{where}.r0_ohm", positive=True))
    values = [_number(table.get(key), f"{where}.{key}", positive=kind == "ntc-beta") for key in KEYS[kind]]
    return BetaNtc(*values) if kind == "ntc-beta" else SteinhartHartNtc(*values)


def _table(table: Mapping[str, Any], where: str) -> TableNtc:
    columns: list[Sequence[Any]] = []
    for key in ("degC", "ohm"):
        column = table.get(key)
        if not isinstance(column, list) or len(column) < 2:
            raise DescriptionError(f"{where}.{key}: a list of at least two numbers is needed")
        columns.append([_number(value, f"{where}.{key}", positive=key == "ohm") for value in column])
    if len(columns[0]) != len(columns[1]):
        raise DescriptionError(
            f"{where}: degC has {len(columns[0])} values, ohm has {len(columns[1])}; they must match"
        )
    points = tuple(sorted(zip(*columns, strict=True)))
    for (t0, r0), (t1, r1) in itertools.pairwise(points):
        if t1 <= t0 or r1 >= r0 or t0 <= -ZERO_C_K:
            raise DescriptionError(
                f"{where}: from {t0:g} degC ({r0:g} ohm) to {t1:g} degC ({r1:g} ohm) the resistance of an NTC must fall"
            )
    return TableNtc(points)


def _number(value: Any, where: str, positive: bool) -> float:
    number = finite_number(value)
    if number is None:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a number is")
    if positive and number <= 0:
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a number above 0 is")
    return number
