"""What a device asks of a cell: a duty file, read and checked, with the changes somebody asks about.

Knows files and what a device draws from a given voltage behind a given resistance; nothing of tested cells. Currents
are what the device draws, positive OUT of the cell; data of runs counts the other way. V, A, ohm, h.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import shown, table_of, unknown

AVERAGE = "average"
WEATHER = ("good", AVERAGE, "poor")


@dataclass(frozen=True, slots=True)
class Mode:
    """One way the device draws: a current, a power, a resistor and LED, or a load line; `share` of the time (PWM)."""

    name: str
    lowest_rail_V: float
    current_A: float | None = None
    power_W: float | None = None
    resistor_ohm: float | None = None
    led_V: float = 0.0
    share: float = 1.0
    dimmest_A: float = 0.0
    comes_back_V: float | None = None  # None: the device's
    line: tuple[tuple[float, float], ...] = ()  # (voltage at the device, V; current while on, A), voltage rising

    def on_current(self, ocv_V: FloatArray, ohm: FloatArray) -> FloatArray:
        """Return the current while on, A, shape (n,); NaN where the cell cannot give it.

        Args:
            ocv_V, ohm: What the cell has inside and its resistance, shape (n,).
        """
        if self.current_A is not None:
            return np.full_like(ocv_V, self.current_A)
        if self.line:
            at_V, draw_A = (np.array(column) for column in zip(*self.line, strict=True))
            low, high = np.zeros_like(ocv_V), ocv_V.copy()
            for _ in range(40):  # what stands at the device and what it draws there, against what the cell has inside
                middle = 0.5 * (low + high)
                over = middle + np.interp(middle, at_V, draw_A) * ohm > ocv_V
                low, high = np.where(over, low, middle), np.where(over, middle, high)
            return np.asarray(np.interp(low, at_V, draw_A), dtype=float)
        if self.power_W is not None:
            root = ocv_V**2 - 4.0 * ohm * self.power_W
            volt = np.where(root >= 0, 0.5 * (ocv_V + np.sqrt(np.maximum(root, 0.0))), np.nan)
            return np.asarray(self.power_W / volt, dtype=float)
        assert self.resistor_ohm is not None
        return np.maximum(ocv_V - self.led_V, 0.0) / (self.resistor_ohm + ohm)


@dataclass(frozen=True, slots=True)
class Panel:
    """A solar panel: current and voltage at its maximum power point in full sun, hours of full sun by weather."""

    current_A: float
    voltage_V: float | None
    diode_drop_V: float
    share: float
    sun_h: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Duty:
    """What a device asks."""

    name: str
    chemistries: tuple[str, ...]
    charge_limit_V: float | None
    charge_limited_by: str
    comes_back_V: float
    protection_low_V: float | None
    quiescent_A: float
    night_degC: float | None
    day_degC: float | None
    cold_charge_blocked: bool
    modes: tuple[Mode, ...]
    night: tuple[tuple[str, float], ...]  # (mode, hours)
    panel: Panel | None

    def mode(self, name: str) -> Mode:
        """Return a mode by name."""
        return next(item for item in self.modes if item.name == name)


TOP = (
    "name", "note", "chemistry", "charge_limit", "charge_limited_by", "lowest_rail", "regulator", "dropout", "sense",
    "comes_back", "protection_low", "quiescent", "night_temperature", "day_temperature", "cold_charge_blocked",
    "modes", "night", "panel",
)  # fmt: skip
MODE = ("name", "current", "power", "resistor", "led", "line", "duty_cycle", "lowest_rail", "dimmest", "comes_back")
DRAWS = {"current": "current", "power": "power", "resistor": "resistance"}  # of a mode: key, kind of quantity


def divider(top_ohm: float, bottom_ohm: float) -> float:
    """Return the share of a voltage that a divider hands on, at its middle.

    Source: Ohm's law; 100 kohm over 51 kohm gives a third (common practice).
    """
    return bottom_ohm / (top_ohm + bottom_ohm)


def shipped() -> list[str]:
    """Return the names of the duties that ship."""
    folder = files("amphora.profiles").joinpath("duties")
    return sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))


def load_duty(name: str | Path, what_if: Sequence[str] = ()) -> Duty:
    """Return a duty that ships, by name, or that of a file, with changes asked for.

    Args:
        name: Such as 'path-light', or a path.
        what_if: Changes such as 'resistor=47 ohm', 'lowest_rail=3.2 V', 'panel.current=120 mA', 'bright.current=80 mA'.

    Raises:
        InputError: no such file, or a field that is wrong: file, field, value, what is accepted.
    """
    if str(name) in shipped():
        where = f"profiles/duties/{name}.toml"
        text = files("amphora.profiles").joinpath("duties", f"{name}.toml").read_text(encoding="utf-8")
    else:
        where = str(name)
        try:
            text = Path(name).read_bytes().decode("utf-8")
        except OSError as error:
            if isinstance(error, FileNotFoundError):
                raise InputError(unknown("duty", where, shipped(), ", or your own file")) from error
            raise InputError(
                f"duty {where!r} cannot be read: {error.strerror}; a file or one of {', '.join(shipped())} is accepted"
            ) from error
        except UnicodeDecodeError as error:
            raise InputError(f"{where}: byte {error.start} is no UTF-8 text") from error
    return read_duty(text, where, what_if)


def read_duty(text: str, where: str, what_if: Sequence[str] = ()) -> Duty:
    """Read the text of a duty file; see `load_duty`."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError(f"{where}: is not TOML: {error}") from error
    duty = duty_from_dict(data, where)  # what is wrong in the file itself is said of the file
    for change in what_if:
        _change(data, change)
        duty = duty_from_dict(data, f"--what-if {change!r}")
    return duty


def _change(data: dict[str, Any], change: str) -> None:
    """Apply one 'field=value' of --what-if; whether the value is one, the reading of the whole tells."""
    path, sign, value = (part.strip() for part in change.partition("="))
    accepted = (
        "field=value such as 'resistor=47 ohm', 'lowest_rail=3.2 V', 'panel.current=120 mA', 'bright.current=80 mA'"
    )
    if not sign or not path or not value:
        raise InputError(f"--what-if {change!r} is not accepted; {accepted} is")
    head, _, last = path.rpartition(".")
    tables = data.get("modes")
    modes = [item for item in tables if isinstance(item, dict)] if isinstance(tables, list) else []
    if head in ("panel", "panel.sun"):
        table: object = data
        for key in head.split("."):
            table = table.setdefault(key, {}) if isinstance(table, dict) else None
        if isinstance(table, dict):
            table[last] = value
    elif head:
        named = [item for item in modes if item.get("name") == head]
        if not named:
            raise InputError(f"--what-if {change!r}: there is no mode {head!r}; {accepted} is accepted")
        if last in DRAWS:
            for other in (*DRAWS, "led", "line"):
                named[0].pop(other, None)
        named[0][last] = value
    elif path in ("resistor", "led"):
        named = [item for item in modes if "resistor" in item]
        if not named:
            raise InputError(f"--what-if {change!r}: no mode has a resistor; {accepted} is accepted")
        for item in named:
            item[path] = value
    elif path in TOP and path not in ("modes", "night", "panel", "chemistry", "sense", "cold_charge_blocked"):
        data[path] = value
        if path == "lowest_rail":
            for other in ("regulator", "dropout", "sense"):
                data.pop(other, None)
    else:
        raise InputError(f"--what-if {change!r}: field {path!r} is not known; {accepted} is accepted")


def duty_from_dict(raw: object, where: str) -> Duty:
    """Return a duty from plain data.

    Raises:
        InputError: file, field, value, what is accepted.
    """
    data = table_of(raw, where, TOP)
    if not isinstance(data.get("name"), str) or not data["name"].strip():
        raise InputError(f"{where}: key 'name' is missing or no text")
    chemistries = _chemistries(data.get("chemistry"), where)
    limited_by = data.get("charge_limited_by", "charger" if "charge_limit" in data else "nothing")
    if limited_by not in ("charger", "protection", "nothing"):
        raise InputError(
            f"{where}: charge_limited_by = {shown(limited_by)} is not accepted; charger, protection or nothing is"
        )
    blocked = data.get("cold_charge_blocked", False)
    if not isinstance(blocked, bool):
        raise InputError(f"{where}: cold_charge_blocked = {blocked!r} is not accepted; true or false is")
    rail_V = _rail(data, where)
    tables = data.get("modes")
    if not isinstance(tables, list) or not tables:
        raise InputError(f"{where}: there is no [[modes]]")
    modes = tuple(_mode(item, rail_V, f"{where}: modes {n}") for n, item in enumerate(tables, 1))
    names = [mode.name for mode in modes]
    if len(set(names)) < len(names):
        raise InputError(f"{where}: two modes have the same name")
    night = _steps_of_night(data.get("night", []), names, where)
    return Duty(
        name=data["name"],
        chemistries=chemistries,
        charge_limit_V=_given(data, "charge_limit", "voltage", where),
        charge_limited_by=limited_by,
        comes_back_V=_given(data, "comes_back", "voltage", where) or 0.0,
        protection_low_V=_given(data, "protection_low", "voltage", where),
        quiescent_A=_given(data, "quiescent", "current", where) or 0.0,
        night_degC=_given(data, "night_temperature", "temperature", where),
        day_degC=_given(data, "day_temperature", "temperature", where),
        cold_charge_blocked=blocked,
        modes=modes,
        night=night,
        panel=_panel(data["panel"], f"{where}: panel") if "panel" in data else None,
    )


def _given(table: Mapping[str, Any], key: str, kind: str, where: str) -> float | None:
    """Return a quantity in SI units; None where the table has no such key."""
    from amphora.harness.common.quantities import parse

    return parse(table[key], kind, f"{where}: {key}") if key in table else None


def _chemistries(raw: object, where: str) -> tuple[str, ...]:
    from amphora.harness.cells.chemistry import KEYS

    if not isinstance(raw, list) or not raw:
        raise InputError(f'{where}: chemistry = {shown(raw)} is not accepted; a list such as ["li-ion"] is')
    for key in raw:
        if key not in KEYS or key == "auto":
            raise InputError(f"{where}: {unknown('chemistry', key, [k for k in KEYS if k != 'auto'])}")
    return tuple(raw)


def _steps_of_night(raw: object, modes: Sequence[str], where: str) -> tuple[tuple[str, float], ...]:
    """Return (mode, hours) of each step of the night."""
    from amphora.harness.common.quantities import parse

    if not isinstance(raw, list):
        raise InputError(f"{where}: night is no list of tables; [[night]] is accepted")
    night = []
    for number, item in enumerate(raw, 1):
        place = f"{where}: night {number}"
        entry = table_of(item, place, ("mode", "for"), ("mode", "for"))
        if entry["mode"] not in modes:
            raise InputError(f"{place}: {unknown('mode', entry['mode'], modes)}")
        night.append((str(entry["mode"]), parse(entry["for"], "duration", f"{place}: for") / 3600.0))
    if sum(hours for _, hours in night) > 24.0 + 1e-9:
        raise InputError(f"{where}: the night is longer than 24 h")
    return tuple(night)


def _rail(data: Mapping[str, Any], where: str) -> float:
    """Return the lowest voltage at the cell that works: written, or regulator and drop-out, or a divided reference."""
    from amphora.harness.common.quantities import parse

    given = [name for name in ("lowest_rail", "regulator", "sense") if name in data]
    if len(given) != 1:
        raise InputError(f"{where}: give one of lowest_rail, regulator (with dropout) and sense; got {len(given)}")
    if given[0] == "lowest_rail":
        return parse(data["lowest_rail"], "voltage", f"{where}: lowest_rail")
    if given[0] == "regulator":
        regulator = parse(data["regulator"], "voltage", f"{where}: regulator")
        return regulator + parse(data.get("dropout", "0.2 V"), "voltage", f"{where}: dropout")
    parts = ("top", "bottom", "reference")
    sense = table_of(data["sense"], f"{where}: sense", parts, parts)
    top = parse(sense["top"], "resistance", f"{where}: sense.top")
    bottom = parse(sense["bottom"], "resistance", f"{where}: sense.bottom")
    if not bottom > 0:
        raise InputError(f"{where}: sense.bottom = {sense['bottom']!r} is not above 0")
    return parse(sense["reference"], "voltage", f"{where}: sense.reference") / divider(top, bottom)


def _mode(raw: object, rail_V: float, where: str) -> Mode:
    """Return a mode; `rail_V` is the device's lowest rail, for a mode without its own."""
    data = table_of(raw, where, MODE)
    if not isinstance(data.get("name"), str) or not data["name"]:
        raise InputError(f"{where}: key 'name' is missing or no text")
    where = f"{where} ({data['name']})"
    given = [name for name in (*DRAWS, "line") if name in data]
    if len(given) != 1:
        raise InputError(f"{where}: give one of current, power, resistor and line; got {len(given)}")
    line = _line(data["line"], f"{where}: line") if "line" in data else ()
    drawn = {key: _given(data, key, kind, where) for key, kind in DRAWS.items()}
    for key, value in drawn.items():
        if value is not None and not value > 0:
            raise InputError(f"{where}: {key} = {data[key]!r} is not above 0")
    share = _share(data, "duty_cycle", "100 %", where)
    own_rail_V = _given(data, "lowest_rail", "voltage", where)
    return Mode(
        name=data["name"],
        lowest_rail_V=rail_V if own_rail_V is None else own_rail_V,
        current_A=drawn["current"],
        power_W=drawn["power"],
        resistor_ohm=drawn["resistor"],
        led_V=_given(data, "led", "voltage", where) or 0.0,
        share=share,
        dimmest_A=_given(data, "dimmest", "current", where) or 0.0,
        comes_back_V=_given(data, "comes_back", "voltage", where),
        line=line,
    )


def _share(table: Mapping[str, Any], key: str, usual: str, where: str) -> float:
    """Return a share above 0 up to 1."""
    from amphora.harness.common.quantities import parse

    share = parse(table.get(key, usual), "ratio", f"{where}: {key}")
    if not 0 < share <= 1:
        raise InputError(f"{where}: {key} = {table[key]!r} is not accepted; above 0 up to 100 % is")
    return share


def _line(raw: object, where: str) -> tuple[tuple[float, float], ...]:
    """Return the points of a load line: pairs of voltage and current, voltage rising."""
    from amphora.harness.common.quantities import parse

    accepted = 'two or more pairs such as ["3.2 V", "300 mA"], voltage rising, are accepted'
    if not isinstance(raw, list) or len(raw) < 2:
        raise InputError(f"{where} = {raw!r}: {accepted}")
    points = []
    for number, pair in enumerate(raw, 1):
        if not isinstance(pair, list) or len(pair) != 2:
            raise InputError(f"{where}: point {number} = {pair!r}: {accepted}")
        place = f"{where}: point {number}"
        points.append((parse(pair[0], "voltage", place), parse(pair[1], "current", place)))
    if any(later[0] <= sooner[0] for sooner, later in pairwise(points)):
        raise InputError(f"{where}: the voltages do not rise; {accepted}")
    if not max(current for _, current in points) > 0:
        raise InputError(f"{where}: no current is above 0; {accepted}")
    return tuple(points)


def _panel(raw: object, where: str) -> Panel:
    from amphora.harness.common.quantities import parse

    data = table_of(raw, where, ("current", "voltage", "diode_drop", "share", "sun"), ("current", "sun"))
    sun = table_of(data["sun"], f"{where}.sun", WEATHER)
    hours = {name: parse(sun[name], "duration", f"{where}.sun: {name}") / 3600.0 for name in WEATHER if name in sun}
    if not hours or max(hours.values()) > 24:
        raise InputError(f"{where}.sun: give hours of full sun for good, average or poor, at most 24 h")
    share = _share(data, "share", "80 %", where)
    voltage_V = _given(data, "voltage", "voltage", where)
    drop_V = parse(data.get("diode_drop", "0.3 V"), "voltage", f"{where}: diode_drop")
    current_A = parse(data["current"], "current", f"{where}: current")
    for key, value in (("current", current_A), ("voltage", 1.0 if voltage_V is None else voltage_V)):
        if not value > 0:
            raise InputError(f"{where}: {key} = {data[key]!r} is not above 0")
    if drop_V < 0 or min(hours.values()) < 0:
        raise InputError(f"{where}: diode_drop and the hours of sun may not be below 0")
    return Panel(current_A, voltage_V, drop_V, share, hours)
