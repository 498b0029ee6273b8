"""What a device asks of a cell, and whether a tested cell can give it.

The cell is taken from its own run: an open-circuit-like curve (voltage under the test's load plus current times
resistance), its resistance against charge, its capacity. The device is a file. Nothing is taken from a table of
typical cells, save how cold raises resistance (marked so). Currents here are what the device draws, positive OUT of
the cell; that is the way of duty files, data of runs counts the other way. V, A, Ah, ohm, h.

What a lasting load sees is the resistance of the load steps, the curve's own fall taken out, and what the rest after
the discharge shows of slow processes (minutes). That rest is at the empty end; what it tells of the rest of the charge
is doubted by a half and held against the load steps. Where there is no such rest, slow processes lie in the curve as
the test's current made them, and the uncertainty says so.

Caveats: the run's temperature and age are those of the day. How cold raises resistance is not in a run at one
temperature, nor is what resistance does at currents far above the test's.
"""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from harness.errors import InputError
from harness.fields import shown, table_of, unknown

if TYPE_CHECKING:
    from harness.analysis.records import Record, RunInfo

FloatArray = npt.NDArray[np.float64]
GAS_J_PER_MOL_K = 8.314462618  # SI
COLD_J_PER_MOL = 17.1e3  # of resistance against cold: conductivity of LiPF6 in EC:DMC, Ecker et al. 2015, JES 162 A1836
COLD_U_J_PER_MOL = 12e3  # k = 2: metal and contacts hardly grow, charge transfer by 44 to 53 kJ/mol (the same paper)
WIDE_GAP = 0.4  # of charge without a load step
KNEE = (
    0.2  # of charge; over a wide gap resistance is flat down to it and rises below, as in the measured LMO cell below
)
BETWEEN_U = 0.1  # k = 2, share of a resistance with no load step near, besides what lies between its neighbours
UNSEEN_RISE_U = 1.0  # k = 2, share of a resistance below the knee where nothing shows the empty end (common practice)
SLOW_SPREAD_U = 0.5  # k = 2: slow resistance at other charge states than where the rest showed it; one measured LMO
# cell (ORNL, doi 10.5281/zenodo.2580327) has it within a half of its mean from full to a tenth
SLOW_SCALE_U = 1.0  # k = 2: of the same before the load steps are asked
STILL_AIR_K_PER_W = (
    20.0  # how much a cell warms: 42 cm2 of an 18650 at 12 W/(m2 K), computed; still air, common practice
)
SHORTEST_REST_S = 120.0  # of a rest that can tell of slow processes
NEARLY_FULL = 0.95  # of charge; above it the load is young and the curve falls by slow processes too
FALL_U = 0.25  # k = 2, share of the curve's fall in a load step
LONGEST_PULSE_S = 60.0
STEEP = 3.0  # the curve falls this many times faster than its median: there a load step tells the fall, not resistance
LINE_WITHIN_A = 5e-4  # points of a load line nearer than this to their neighbours are noise
CHARGE_RETURN = {"nimh": 0.8, "nicd": 0.8, "lead-acid": 0.9}  # share of the charge that comes back (common practice)
LITHIUM_RETURN = 0.99
PROTECTION_TOLERANCE_V = 0.05
VOLTAGE_U_V = 0.010  # what rail and curve may be off by together, k = 2, where nothing better is known
RUN_TIME_AIM, CHARGE_STATE_AIM = 0.05, 0.03  # what an answer is wanted within
DOUBTS = {
    "capacity": "the capacity is not known better; a test on a better bench would settle it",
    "resistance": "the resistance is not known better; larger load steps in the test would settle it",
    "voltage": "the curve is flat where the rail is, and the rail and curve are known to 10 mV",
    "end": "it goes on beyond the test's end; a test down to the device's own rail would settle it",
    "slow": "it hangs on what goes on for minutes under load; a test at its own current would settle it",
    "between": "the test has no load steps over much of the charge; the recipe 'load-steps' would settle it",
    "warming": "the cell warms itself, by how much was not measured; a test at its own current would settle it",
    "cold": "how cold raises this cell's resistance was not measured; a test at that temperature would settle it",
}
WEATHER = ("good", "average", "poor")


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
        """Return the current while on, A, from what the cell has inside; NaN where the cell cannot give it."""
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


def divider(top_ohm: float, bottom_ohm: float) -> float:
    """Return the share of a voltage that a divider hands on, at its middle.

    Source: Ohm's law; 100 kohm over 51 kohm gives a third (common practice).
    """
    return bottom_ohm / (top_ohm + bottom_ohm)


def shipped() -> list[str]:
    """Return the names of the duties that ship."""
    folder = files("profiles").joinpath("duties")
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
        text = files("profiles").joinpath("duties", f"{name}.toml").read_text(encoding="utf-8")
    else:
        where = str(name)
        try:
            text = Path(name).read_bytes().decode("utf-8")
        except OSError as error:
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
    for change in what_if:
        _change(data, change)
    return duty_from_dict(data, where)


def _change(data: dict[str, Any], change: str) -> None:
    """Apply one 'field=value' of --what-if."""
    path, sign, value = (part.strip() for part in change.partition("="))
    accepted = (
        "field=value such as 'resistor=47 ohm', 'lowest_rail=3.2 V', 'panel.current=120 mA', 'bright.current=80 mA'"
    )
    if not sign or not path or not value:
        raise InputError(f"--what-if {change!r} is not accepted; {accepted} is")
    head, _, last = path.rpartition(".")
    modes = [item for item in data.get("modes", []) if isinstance(item, dict)]
    if head.startswith("panel"):
        table = data.setdefault("panel", {})
        if head == "panel.sun":
            table = table.setdefault("sun", {})
        table[last] = value
    elif head:
        named = [item for item in modes if item.get("name") == head]
        if not named:
            raise InputError(f"--what-if {change!r}: there is no mode {head!r}; {accepted} is accepted")
        if last in ("current", "power", "resistor"):
            for other in ("current", "power", "resistor", "led", "line"):
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
            data.pop("regulator", None)
            data.pop("dropout", None)
            data.pop("sense", None)
    else:
        raise InputError(f"--what-if {change!r}: field {path!r} is not known; {accepted} is accepted")


def duty_from_dict(raw: object, where: str) -> Duty:
    """Return a duty from plain data.

    Raises:
        InputError: file, field, value, what is accepted.
    """
    from harness.chemistry import KEYS
    from harness.quantities import parse

    data = table_of(raw, where, TOP)

    def get(name: str, kind: str, table: Mapping[str, Any] = data, place: str = where) -> float | None:
        return None if name not in table else parse(table[name], kind, f"{place}: {name}")

    if not isinstance(data.get("name"), str) or not data["name"].strip():
        raise InputError(f"{where}: key 'name' is missing or no text")
    chemistries = data.get("chemistry")
    if not isinstance(chemistries, list) or not chemistries:
        raise InputError(f'{where}: chemistry = {shown(chemistries)} is not accepted; a list such as ["li-ion"] is')
    for key in chemistries:
        if key not in KEYS or key == "auto":
            raise InputError(f"{where}: {unknown('chemistry', key, [k for k in KEYS if k != 'auto'])}")
    limited_by = data.get("charge_limited_by", "charger" if "charge_limit" in data else "nothing")
    if limited_by not in ("charger", "protection", "nothing"):
        raise InputError(
            f"{where}: charge_limited_by = {shown(limited_by)} is not accepted; charger, protection or nothing is"
        )
    blocked = data.get("cold_charge_blocked", False)
    if not isinstance(blocked, bool):
        raise InputError(f"{where}: cold_charge_blocked = {blocked!r} is not accepted; true or false is")
    rail = _rail(data, where)
    tables = data.get("modes")
    if not isinstance(tables, list) or not tables:
        raise InputError(f"{where}: there is no [[modes]]")
    modes = tuple(_mode(item, rail, f"{where}: modes {n}") for n, item in enumerate(tables, 1))
    names = [mode.name for mode in modes]
    if len(set(names)) < len(names):
        raise InputError(f"{where}: two modes have the same name")
    night = []
    nights = data.get("night", [])
    if not isinstance(nights, list):
        raise InputError(f"{where}: night is no list of tables; [[night]] is accepted")
    for number, item in enumerate(nights, 1):
        place = f"{where}: night {number}"
        entry = table_of(item, place, ("mode", "for"), ("mode", "for"))
        if entry["mode"] not in names:
            raise InputError(f"{place}: {unknown('mode', entry['mode'], names)}")
        night.append((str(entry["mode"]), parse(entry["for"], "duration", f"{place}: for") / 3600.0))
    if sum(hours for _, hours in night) > 24.0 + 1e-9:
        raise InputError(f"{where}: the night is longer than 24 h")
    return Duty(
        data["name"], tuple(chemistries), get("charge_limit", "voltage"), limited_by,
        get("comes_back", "voltage") or 0.0, get("protection_low", "voltage"), get("quiescent", "current") or 0.0,
        get("night_temperature", "temperature"), get("day_temperature", "temperature"), blocked, modes, tuple(night),
        _panel(data["panel"], f"{where}: panel") if "panel" in data else None,
    )  # fmt: skip


def _rail(data: Mapping[str, Any], where: str) -> float:
    """Return the lowest voltage at the cell that works: written, or regulator and drop-out, or a divided reference."""
    from harness.quantities import parse

    given = [name for name in ("lowest_rail", "regulator", "sense") if name in data]
    if len(given) != 1:
        raise InputError(
            f"{where}: one of lowest_rail, regulator (with dropout) and sense is wanted, {len(given)} are there"
        )
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
    from harness.quantities import parse

    data = table_of(raw, where, MODE)
    if not isinstance(data.get("name"), str) or not data["name"]:
        raise InputError(f"{where}: key 'name' is missing or no text")
    where = f"{where} ({data['name']})"
    kinds = {"current": "current", "power": "power", "resistor": "resistance"}
    given = [name for name in (*kinds, "line") if name in data]
    if len(given) != 1:
        raise InputError(f"{where}: one of current, power, resistor and line is wanted, {len(given)} are there")
    values: dict[str, float | None] = dict.fromkeys(kinds)
    line = _line(data["line"], f"{where}: line") if given == ["line"] else ()
    if not line:
        value = parse(data[given[0]], kinds[given[0]], f"{where}: {given[0]}")
        if not value > 0:
            raise InputError(f"{where}: {given[0]} = {data[given[0]]!r} is not above 0")
        values[given[0]] = value
    share = parse(data.get("duty_cycle", "100 %"), "ratio", f"{where}: duty_cycle")
    if not 0 < share <= 1:
        raise InputError(f"{where}: duty_cycle = {data['duty_cycle']!r} is not accepted; above 0 up to 100 % is")
    own_rail = parse(data["lowest_rail"], "voltage", f"{where}: lowest_rail") if "lowest_rail" in data else rail_V
    led = parse(data["led"], "voltage", f"{where}: led") if "led" in data else 0.0
    dimmest = parse(data["dimmest"], "current", f"{where}: dimmest") if "dimmest" in data else 0.0
    back = parse(data["comes_back"], "voltage", f"{where}: comes_back") if "comes_back" in data else None
    return Mode(
        data["name"],
        own_rail,
        values["current"],
        values["power"],
        values["resistor"],
        led,
        share,
        dimmest,
        back,
        line,
    )


def _line(raw: object, where: str) -> tuple[tuple[float, float], ...]:
    """Return the points of a load line: pairs of voltage and current, voltage rising."""
    from harness.quantities import parse

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
    from harness.quantities import parse

    data = table_of(raw, where, ("current", "voltage", "diode_drop", "share", "sun"), ("current", "sun"))
    sun = table_of(data["sun"], f"{where}.sun", WEATHER)
    hours = {name: parse(sun[name], "duration", f"{where}.sun: {name}") / 3600.0 for name in WEATHER if name in sun}
    if not hours or max(hours.values()) > 24:
        raise InputError(f"{where}.sun: hours of full sun for good, average or poor are wanted, at most 24 h")
    share = parse(data.get("share", "80 %"), "ratio", f"{where}: share")
    if not 0 < share <= 1:
        raise InputError(f"{where}: share = {data['share']!r} is not accepted; above 0 up to 100 % is")
    voltage = parse(data["voltage"], "voltage", f"{where}: voltage") if "voltage" in data else None
    drop = parse(data.get("diode_drop", "0.3 V"), "voltage", f"{where}: diode_drop")
    return Panel(parse(data["current"], "current", f"{where}: current"), voltage, drop, share, hours)


# ---- the cell, from its own run -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CellModel:
    """A cell as its run showed it. `given_Ah` rises from 0 (full); shapes (n,)."""

    given_Ah: FloatArray
    ocv_V: FloatArray
    ohm: FloatArray  # what a lasting load sees
    fast_ohm: FloatArray  # what the on-time of PWM sees
    capacity_Ah: float
    capacity_U_Ah: float
    ohm_U_share: float
    temperature_degC: float | None
    chemistry: str
    test_A: float = 0.0  # what the test drew
    slow: tuple[tuple[float, float], ...] = ()  # (ohm, time constant in s), part of `ohm`, from the rest afterwards
    slow_U_ohm: float | None = None  # k = 2; None: there was no rest to tell
    between_ohm: float | FloatArray = 0.0  # k = 2: what `ohm` may be off by far from any load step
    beyond: int = 0  # points of the curve beyond the test's end

    def changed(self, capacity: float = 1.0, ohm: float = 1.0) -> "CellModel":
        """Return the cell with another capacity and resistance, as factors."""
        return replace(
            self, given_Ah=self.given_Ah * capacity, capacity_Ah=self.capacity_Ah * capacity, ohm=self.ohm * ohm,
            fast_ohm=self.fast_ohm * ohm, slow=tuple((part * ohm, tau_s) for part, tau_s in self.slow),
        )  # fmt: skip

    def resisting(self, more: FloatArray | float, fast: bool = False) -> "CellModel":
        """Return the cell with more resistance, ohm, whose test would have shown the same curve.

        Args:
            more: Added, shape (n,) or one number.
            fast: What PWM sees grows as well.
        """
        return replace(
            self, ohm=np.maximum(self.ohm + more, 1e-6), ocv_V=self.ocv_V + self.test_A * more,
            fast_ohm=np.maximum(self.fast_ohm + more, 1e-6) if fast else self.fast_ohm,
        )  # fmt: skip

    def slower(self) -> FloatArray | float:
        """Return what a lasting load may see beyond `ohm`, k = 2, ohm: by the rest's uncertainty.

        Without a rest that tells: once more of what resistance gains from the shortest pulse to the longest. What
        goes on beyond the longest pulse stands in the curve as the test's current made it.
        """
        return self.ohm - self.fast_ohm if self.slow_U_ohm is None else self.slow_U_ohm

    def steeper(self) -> "CellModel":
        """Return the cell with a curve that falls twice as fast beyond the test's end."""
        if not self.beyond:
            return self
        curve = self.ocv_V.copy()
        curve[-self.beyond :] += curve[-self.beyond :] - curve[-self.beyond - 1]
        return replace(self, ocv_V=curve)


def resistance_curve(
    resistances: Sequence[Mapping[str, Any]], shortest: bool = False
) -> tuple[FloatArray, FloatArray, float]:
    """Return (charge state rising, ohm, share of expanded uncertainty) from a run's resistances.

    At each charge state the longest pulse counts, up to a minute: it holds most of what a lasting load sees; with
    `shortest` the shortest, which is what fast PWM sees.
    """
    best: dict[float, tuple[float, float, float]] = {}
    for item in resistances:
        ohm, state = item.get("ohm"), item.get("charge_state")
        if not isinstance(ohm, int | float) or ohm <= 0 or not math.isfinite(ohm):
            continue
        place = 0.5 if state is None else round(min(max(float(state), 0.0), 1.0), 2)
        duration = float(item.get("duration_s") or 0.0)
        if duration > 60.0:
            continue
        if place in best and (duration >= best[place][0] if shortest else duration <= best[place][0]):
            continue
        best[place] = (duration, float(ohm), float(item.get("U_ohm") or 0.0) / float(ohm))
    states = sorted(best)
    return (
        np.array(states, dtype=float),
        np.array([best[state][1] for state in states], dtype=float),
        max((best[state][2] for state in states), default=0.0),
    )


def cell_model(
    t_s: FloatArray, voltage_V: FloatArray, current_A: FloatArray, result: Mapping[str, Any], points: int = 400
) -> CellModel:
    """Return what a discharge tells of a cell.

    Args:
        t_s, voltage_V, current_A: The run's readings, shape (n,); current positive into the cell.
        result: What `analyse` answers for them.
        points: Points of the curve.

    Raises:
        InputError: no discharge, or too few readings in it, or no resistance.
    """
    capacity = result.get("capacity_Ah")
    phases = [p for p in result.get("phases") or [] if p.get("kind") == "discharge" and p.get("capacity_Ah")]
    if not capacity or not phases:
        raise InputError(f"{result.get('run')}: there is no discharge to fit a duty to")
    phase = min(phases, key=lambda p: abs(p["capacity_Ah"] - capacity))
    found = result.get("resistances") or []
    states, _, ohm_U = resistance_curve(found)
    if states.size == 0:
        raise InputError(
            f"{result.get('run')}: no resistance was measured, so no sag can be told; a run with load steps is accepted"
        )
    main = abs(float(phase["main_current_A"]))
    good = np.isfinite(t_s) & np.isfinite(voltage_V) & np.isfinite(current_A)
    t, v, i = t_s[good], voltage_V[good], -current_A[good]
    inside = (t >= phase["begin_s"]) & (t <= phase["end_s"])
    if int(inside.sum()) < 10:
        raise InputError(
            f"{result.get('run')}: its discharge has {int(inside.sum())} readings; 10 at least are accepted"
        )
    before = np.flatnonzero((t < phase["begin_s"]) & (np.abs(i) < 0.02 * main))
    rested = v[before[-1]] if before.size else None
    slow = _slow(t, v, i, float(phase["end_s"]), main)
    every_s, every_A = t, i
    t, v, i = t[inside], v[inside], i[inside]
    given = np.concatenate(([0.0], np.cumsum(np.diff(t) * 0.5 * (i[1:] + i[:-1])))) / 3600.0
    given *= float(capacity) / given[-1]
    steady = np.abs(i - main) < 0.1 * main
    steady[1:] &= steady[:-1]  # not the first reading after a step
    if int(steady.sum()) < 10:
        raise InputError(
            f"{result.get('run')}: its discharge has {int(steady.sum())} readings at its main current; "
            "10 at least are accepted"
        )
    state = 1.0 - given / float(capacity)
    steps = _lasting(found, state[steady], v[steady], float(capacity), slow, every_s, every_A)
    slow = replace(slow, pairs=tuple((part * steps.scale, tau_s) for part, tau_s in slow.pairs))
    late = _polarisation(t, i, slow.pairs)[steady] if slow.pairs else np.zeros(int(steady.sum()))
    given, v, i, state = given[steady], v[steady], i[steady], state[steady]
    instant = np.interp(state, steps.state, steps.ohm) - sum(part for part, _ in slow.pairs)
    ocv = v + i * instant + late
    if rested is not None and given[0] > 0:
        given, ocv = np.concatenate(([0.0], given)), np.concatenate(([max(rested, ocv[0])], ocv))
    ocv = np.minimum.accumulate(ocv)
    grid = np.linspace(0.0, float(capacity), points)
    curve = np.interp(grid, given, ocv)
    quick_states, quick_ohms, _ = resistance_curve(found, shortest=True)
    # Beyond the test's end a smaller load goes on: the last slope, carried on to 2 % more charge.
    tail = max(2, points // 50)
    slope = (curve[-1] - curve[-1 - tail]) / (grid[-1] - grid[-1 - tail])
    further = np.linspace(0.0, 0.02 * float(capacity), 11)[1:]
    beyond = curve[-1] + np.minimum(slope, -1e-6) * further
    grid, curve = np.concatenate((grid, grid[-1] + further)), np.concatenate((curve, beyond))
    at = 1.0 - grid / float(capacity)
    ohm = np.interp(at, steps.state, steps.ohm)
    if slow.all_ohm is not None and quick_states[0] > 0:  # the rest shows the empty end too
        soon_s = min(float(item.get("duration_s") or LONGEST_PULSE_S) for item in found)
        end_ohm = max(slow.all_ohm - slow.after(soon_s) / max(steps.scale, 1e-3), float(quick_ohms[0]))
        quick_states, quick_ohms = _kneed(np.append(0.0, quick_states), np.append(end_ohm, quick_ohms))
    return CellModel(
        grid, curve, ohm, np.minimum(np.interp(at, quick_states, quick_ohms), ohm), float(capacity),
        float(result.get("capacity_U_Ah") or 0.0), ohm_U, result.get("temperature_degC"),
        str(result.get("chemistry") or "auto"), main, slow.pairs,
        None if not slow.told else math.hypot(slow.U_ohm, steps.slow_U_ohm),
        _between(at, steps.state, steps.ohm), further.size,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Slow:
    """What the rest after a discharge tells: RC pairs (ohm, s), and what all of it was seen over."""

    told: bool
    pairs: tuple[tuple[float, float], ...] = ()
    U_ohm: float = 0.0  # k = 2, of where the rest was heading
    all_ohm: float | None = None  # from the loaded voltage at the end to where the rest was heading

    def after(self, duration_s: float) -> float:
        """Return what is still to come so long after a step, ohm."""
        return sum(part * math.exp(-duration_s / tau_s) for part, tau_s in self.pairs)


def _slow(t: FloatArray, v: FloatArray, i: FloatArray, end_s: float, main_A: float) -> _Slow:
    """Return what the rest after a discharge shows; nothing when there is none that tells.

    Source: a circuit of resistors and capacitors answers to a current switched off as it did to the same current
    switched on (linear superposition); that the charge state hardly matters is `SLOW_SPREAD_U`.
    """
    from harness.analysis.relaxation import extrapolate_rest
    from harness.errors import AnalysisError

    # The discharge's end is where the cut-off was crossed; the load may have gone off a reading later.
    still = np.flatnonzero((t > end_s) & (np.abs(i) <= 0.02 * main_A))
    if not still.size or still[0] == 0:
        return _Slow(False)
    last = int(still[0]) - 1
    flowing = np.flatnonzero(np.abs(i[last + 1 :]) > 0.02 * main_A)
    stop = last + 1 + (int(flowing[0]) if flowing.size else i.size - last - 1)
    off_s = 0.5 * (t[last] + t[last + 1])
    if off_s - end_s > LONGEST_PULSE_S:
        return _Slow(False)
    rest_s, rest_V = t[last + 1 : stop] - off_s, v[last + 1 : stop]
    rising = np.concatenate(([True], np.diff(rest_s) > 0)) & (rest_s > 0)
    rest_s, rest_V = rest_s[rising], rest_V[rising]
    if rest_s.size < 12 or rest_s[-1] - rest_s[0] < SHORTEST_REST_S:
        return _Slow(False)
    for terms in (None, 1):
        try:
            found = extrapolate_rest(rest_s, rest_V, terms)
        except AnalysisError:
            return _Slow(False)
        if min(found.amplitudes_V) >= 0:
            break
    else:
        return _Slow(False)
    steady = abs(float(i[last]) - main_A) < 0.1 * main_A
    pairs = tuple(
        (volts / main_A, tau_s) for volts, tau_s in zip(found.amplitudes_V, found.time_constants_s, strict=True)
    )
    # What lies before the first reading of the rest is not told from resistance; it is as `ohm` has it.
    first_s = float(rest_s[0])
    pairs = tuple((ohm, tau_s) for ohm, tau_s in pairs if tau_s > first_s)
    whole = (found.voltage_V - float(v[last])) / main_A
    return _Slow(True, pairs, 2 * found.u_V / main_A, whole if steady and whole > 0 else None)


def _polarisation(t: FloatArray, i: FloatArray, pairs: Sequence[tuple[float, float]]) -> FloatArray:
    """Return the voltage over RC pairs that were at rest at the first reading, shape (n,), V."""
    jumps = np.flatnonzero(np.abs(np.diff(i)) > 0.1 * float(np.median(np.abs(i)))) + 1
    if jumps.size > 20_000:  # PWM: its mean is what slow processes see
        jumps = np.empty(0, dtype=np.int64)
    first = np.concatenate(([0], jumps))
    level = np.add.reduceat(i, first) / np.diff(np.append(first, i.size))
    begin, piece = t[first], np.searchsorted(first, np.arange(i.size), side="right") - 1
    lengths = np.diff(np.append(begin, t[-1]))
    out = np.zeros_like(t)
    for ohm, tau_s in pairs:
        keep = np.exp(-lengths / tau_s)
        start = np.zeros(first.size)
        for k in range(1, first.size):
            start[k] = level[k - 1] * ohm + (start[k - 1] - level[k - 1] * ohm) * keep[k - 1]
        full = level[piece] * ohm
        out += full + (start[piece] - full) * np.exp(-(t - begin[piece]) / tau_s)
    return out


@dataclass(frozen=True, slots=True)
class _Lasting:
    """Resistance for a lasting load against charge state (rising), and how slow resistance compares."""

    state: FloatArray
    ohm: FloatArray
    scale: float  # slow resistance over the charge, as a share of what the rest at the end showed
    slow_U_ohm: float  # k = 2, what that leaves open


def _lasting(
    resistances: Sequence[Mapping[str, Any]], state: FloatArray, volt: FloatArray, capacity_Ah: float, slow: _Slow,
    t: FloatArray, i: FloatArray,
) -> _Lasting:  # fmt: skip
    """Return what a lasting load sees: load steps less the curve's fall in them, plus what was still to come.

    Args:
        resistances: Of the run.
        state, volt: The discharge at its main current, shape (n,), state falling.
        capacity_Ah: Of it.
        slow: From the rest afterwards.
        t, i: The run's times and currents out of the cell, shape (m,).
    """
    # The fall of the curve in V per Ah, over 4 % of the charge, from V at equal distances.
    at = np.linspace(0.0, 1.0, 101)
    fall = np.maximum(np.gradient(np.interp(at, state[::-1], volt[::-1]), at), 0.0) / capacity_Ah
    fall = np.convolve(np.pad(fall, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    usual = float(np.median(fall))
    steps_seen = any("step" in str(item.get("method")) for item in resistances)
    rows: list[tuple[float, float, float, float]] = []  # state, duration, ohm less the fall, u
    for item in resistances:
        ohm, place, duration = item.get("ohm"), item.get("charge_state"), float(item.get("duration_s") or 0.0)
        if not isinstance(ohm, int | float) or not math.isfinite(ohm) or ohm <= 0 or duration > LONGEST_PULSE_S:
            continue
        fallen = 0.0
        where = 0.5 if place is None else min(max(float(place), 0.0), 1.0)
        change = float(item.get("current_A") or 0.0)
        if "release" in str(item.get("method")) and where > 0.0 and steps_seen:
            continue  # the end of a pulse, whose slow part had not come to rest
        if "slope removed" not in str(item.get("method")) and change:
            k = int(np.searchsorted(t, float(item.get("t_s") or 0.0))) - 1
            flows_A = (float(i[k]) if k >= 0 else 0.0) - change  # after the step, out of the cell
            moved = float(np.interp(min(where, NEARLY_FULL), at, fall)) * flows_A * duration / 3600.0 / change
            ohm, fallen = ohm + moved, abs(moved)
        if ohm <= 0:
            continue
        u = math.hypot(float(item.get("U_ohm") or 0.0) / 2, FALL_U * fallen / 2)
        rows.append((where, duration, float(ohm), max(u, 1e-6)))
    scale, open_ohm = 1.0, 0.0
    if slow.pairs:
        scale, doubt = _scale(rows, at, fall, usual, slow)
        open_ohm = max(SLOW_SPREAD_U, doubt) * scale * slow.after(10.0)
    groups: dict[float, list[tuple[float, float]]] = {}
    for where, duration, ohm, u in rows:
        groups.setdefault(round(where, 2), []).append((ohm + scale * slow.after(duration), u))
    points = {place: float(np.average([o for o, _ in g], weights=[u**-2 for _, u in g])) for place, g in groups.items()}
    if slow.all_ohm is not None:
        points[0.0] = max(slow.all_ohm, 1e-6)
    states = np.array(sorted(points))
    values = np.array([points[place] for place in states.tolist()])
    return _Lasting(*_kneed(states, values), scale, open_ohm)


def _kneed(states: FloatArray, ohms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a resistance curve that rises from `KNEE` down where it has a wide gap from there up."""
    if states.size < 2 or states[0] >= KNEE or states[1] - states[0] <= WIDE_GAP:
        return states, ohms
    return np.insert(states, 1, KNEE), np.insert(ohms, 1, ohms[1])


def _scale(
    rows: Sequence[tuple[float, float, float, float]], at: FloatArray, fall: FloatArray, usual: float, slow: _Slow
) -> tuple[float, float]:
    """Return slow resistance over the charge against that of the rest at the end, and its doubt, k = 2, as shares.

    From how much load steps gain from their shortest reading to their longest, where the curve is not steep.

    Source: weighted mean of an expected and a measured value, JCGM 100:2008 (GUM), H.
    """
    measured = weight = 0.0
    for place in {round(where, 2) for where, *_ in rows}:
        here = sorted((d, o, u) for where, d, o, u in rows if round(where, 2) == place)
        gain = slow.after(here[0][0]) - slow.after(here[-1][0])
        if gain <= 0 or float(np.interp(place, at, fall)) > STEEP * usual:
            continue
        doubt = math.hypot(here[0][2], here[-1][2]) / gain
        measured += (here[-1][1] - here[0][1]) / gain / doubt**2
        weight += doubt**-2
    first = (SLOW_SCALE_U / 2) ** -2
    scale = (first + measured) / (first + weight)
    return float(np.clip(scale, 0.0, 2.0)), 2 * (first + weight) ** -0.5


def _between(at: FloatArray, states: FloatArray, ohms: FloatArray) -> FloatArray:
    """Return what a resistance may be off by where no load step is near, k = 2, ohm, shape (n,).

    Below the knee anything between the neighbours; above it half of what they differ by.
    """
    out = np.zeros_like(at)
    now = np.interp(at, states, ohms)
    inner = states != KNEE
    edges = np.concatenate(([0.0], states[inner], [1.0]))
    values = np.concatenate((ohms[inner][:1], ohms[inner], ohms[inner][-1:]))
    low = at < KNEE
    for k in np.flatnonzero(np.diff(edges) > WIDE_GAP):
        here = (at > edges[k]) & (at < edges[k + 1])
        far = np.maximum(np.abs(now - values[k]), np.abs(now - values[k + 1]))
        away = np.where(low, far, 0.5 * abs(values[k + 1] - values[k]))
        out[here] = away[here] + BETWEEN_U * now[here]
    if states[0] > KNEE:
        out[low] = np.maximum(out[low], UNSEEN_RISE_U * now[low] * (KNEE - at[low]) / KNEE)
    return np.maximum(out, 0.0)


# ---- the fit ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _ModeRun:
    hours: float
    end_Ah: float
    ends_by: str
    sag_V: float
    mean_A: float
    time_h: FloatArray
    given_Ah: FloatArray


def _colder_K(model: CellModel, duty: Duty) -> float:
    """Return how much colder the night is than the test was, K; 0 when it is warmer or not known."""
    measured = 20.0 if model.temperature_degC is None else model.temperature_degC
    return 0.0 if duty.night_degC is None else max(0.0, measured - duty.night_degC)


def _cold(model: CellModel, duty: Duty, more_J_per_mol: float = 0.0) -> float:
    """Return how many times the test's resistance the night's is.

    Source: Arrhenius' law with the activation energy of `COLD_J_PER_MOL`.
    """
    colder_K = _colder_K(model, duty)
    if duty.night_degC is None or not colder_K:
        return 1.0
    night_K = duty.night_degC + 273.15
    return math.exp((COLD_J_PER_MOL + more_J_per_mol) / GAS_J_PER_MOL_K * (1.0 / night_K - 1.0 / (night_K + colder_K)))


def _crossing(given: FloatArray, volt: FloatArray, limit: float) -> float:
    """Return the charge given at which a falling voltage first meets a limit; the last charge when it never does."""
    low = np.flatnonzero(volt <= limit)
    if low.size == 0:
        return float(given[-1])
    k = int(low[0])
    if k == 0:
        return 0.0
    part = (volt[k - 1] - limit) / (volt[k - 1] - volt[k])
    return float(given[k - 1] + part * (given[k] - given[k - 1]))


def _run_mode(
    model: CellModel, duty: Duty, mode: Mode, rail_shift_V: float = 0.0, more_J_per_mol: float = 0.0
) -> _ModeRun:
    """Return how a mode runs from full until it no longer works."""
    # In the on-time the fast part sees the full current, the slow part the mean.
    cold = _cold(model, duty, more_J_per_mol)
    ohm = (model.fast_ohm + mode.share * (model.ohm - model.fast_ohm)) * cold
    on_A = mode.on_current(model.ocv_V, ohm)
    if model.slow:  # not there yet while the mode is young
        pace = 1.0 / np.maximum(np.nan_to_num(on_A) * mode.share + duty.quiescent_A, 1e-9)
        passed_s = np.concatenate(([0.0], np.cumsum(np.diff(model.given_Ah) * 0.5 * (pace[1:] + pace[:-1])))) * 3600.0
        missing = sum((part * np.exp(-passed_s / tau_s) for part, tau_s in model.slow), np.zeros_like(ohm))
        ohm = np.maximum(ohm - mode.share * cold * missing, model.fast_ohm * cold)
        on_A = mode.on_current(model.ocv_V, ohm)
    volt = np.where(np.isfinite(on_A), model.ocv_V - on_A * ohm, 0.0)
    ends = [(_crossing(model.given_Ah, volt, mode.lowest_rail_V + rail_shift_V), "regulator")]
    if duty.protection_low_V is not None:
        ends.append((_crossing(model.given_Ah, volt, duty.protection_low_V + rail_shift_V), "protection"))
    ends.append((float(model.given_Ah[-1]), "empty"))
    if mode.dimmest_A > 0:
        ends.append((_crossing(model.given_Ah, on_A, mode.dimmest_A), "too dim"))
    end, why = min(ends, key=lambda item: item[0])
    mean_A = np.nan_to_num(on_A) * mode.share + duty.quiescent_A
    grid = np.linspace(0.0, end, 400) if end > 0 else np.zeros(2)
    draw = np.maximum(np.interp(grid, model.given_Ah, mean_A), 1e-9)
    pace = 1.0 / draw
    time_h = np.concatenate(([0.0], np.cumsum(np.diff(grid) * 0.5 * (pace[1:] + pace[:-1]))))
    hours = float(time_h[-1])
    sag_V = float(np.interp(end / 2, model.given_Ah, np.nan_to_num(on_A) * ohm))
    return _ModeRun(hours, end, why, sag_V, end / hours if hours > 0 else float(mean_A[0]), time_h, grid)


def _doubts(model: CellModel, duty: Duty, mode: Mode, run: _ModeRun) -> dict[str, tuple[float, float]]:
    """Return by cause what a run time (h) and the charge given at its end (Ah) may be off by, k = 2.

    The larger of up and down, where a cause has both; each is a run with that cause changed.
    """
    share = model.capacity_U_Ah / model.capacity_Ah
    slower = model.slower()

    def off(*others: _ModeRun) -> tuple[float, float]:
        return max(abs(o.hours - run.hours) for o in others), max(abs(o.end_Ah - run.end_Ah) for o in others)

    def both(more: FloatArray | float, fast: bool) -> tuple[float, float]:
        return off(*(_run_mode(model.resisting(sign * more, fast), duty, mode) for sign in (1, -1)))

    hours, _ = off(_run_mode(model.changed(capacity=1 + share), duty, mode))
    found = {
        "capacity": (hours, 0.0),  # shares of charge are shares of it
        "resistance": both(model.ohm_U_share * model.ohm, True),
        "voltage": off(*(_run_mode(model, duty, mode, sign * VOLTAGE_U_V) for sign in (1, -1))),
        "end": off(_run_mode(model.steeper(), duty, mode)),
        "slow": both(slower, False),
        "between": both(model.between_ohm, True) if np.any(model.between_ohm) else (0.0, 0.0),
    }
    warmer_K = STILL_AIR_K_PER_W * run.mean_A * run.sag_V
    now_K = 273.15 + (duty.night_degC if duty.night_degC is not None else 20.0)
    less = math.exp(COLD_J_PER_MOL / GAS_J_PER_MOL_K * (1.0 / (now_K + warmer_K) - 1.0 / now_K))
    found["warming"] = off(_run_mode(model.changed(ohm=less), duty, mode))
    if _colder_K(model, duty):
        found["cold"] = off(*(_run_mode(model, duty, mode, more_J_per_mol=sign * COLD_U_J_PER_MOL) for sign in (1, -1)))
    return found


def _fit_mode(model: CellModel, duty: Duty, mode: Mode) -> dict[str, Any]:
    """Return a mode's run time with uncertainty, its sag, and where the device begins to re-trigger itself."""
    run = _run_mode(model, duty, mode)
    parts = _doubts(model, duty, mode, run)
    run_time_U_h = math.hypot(*(hours for hours, _ in parts.values()))
    end_U = math.hypot(*(given for _, given in parts.values())) / model.capacity_Ah
    back_V = duty.comes_back_V if mode.comes_back_V is None else mode.comes_back_V
    rest_Ah = _crossing(model.given_Ah, model.ocv_V, mode.lowest_rail_V + back_V)
    state = 1.0 - run.end_Ah / model.capacity_Ah
    again = run.ends_by == "regulator" and rest_Ah > run.end_Ah and state > 0.0
    unusable = max(0.0, _crossing(model.given_Ah, model.ocv_V, mode.lowest_rail_V) - run.end_Ah)
    return {
        "name": mode.name,
        "run_time_h": run.hours,
        "run_time_U_h": run_time_U_h,
        "run_time_within_5_percent": run_time_U_h <= RUN_TIME_AIM * run.hours,
        "retrigger_charge_state": state if again else None,
        "ends_charge_state": max(0.0, state),
        "ends_charge_state_U": end_U,
        "charge_state_within_3_percent": end_U <= CHARGE_STATE_AIM,
        "doubt": max(parts, key=lambda name: parts[name][0]),
        "ends_by": run.ends_by,
        "sag_V": run.sag_V,
        "mean_current_A": run.mean_A,
        "delivered_Ah": run.end_Ah,
        "unusable_Ah": unusable if run.ends_by == "regulator" else 0.0,
        "unusable_Wh": unusable * mode.lowest_rail_V if run.ends_by == "regulator" else 0.0,
    }


def refusals(chemistry: str, duty: Duty) -> list[str]:
    """Return why a device must not get a cell of this chemistry at all; empty when nothing is known against it."""
    from harness.chemistry import load_chemistry

    found = []
    if chemistry == "auto":
        return ["the cell's chemistry is not known; identify it first, a device charges by what it was made for"]
    if chemistry not in duty.chemistries:
        found.append(f"the device is made for {' or '.join(duty.chemistries)}, the cell is {chemistry}")
    charges = duty.charge_limit_V is not None or duty.panel is not None
    window = load_chemistry(chemistry)
    if charges and duty.charge_limited_by == "protection":
        found.append(
            "the device's only charge limit is its protection chip, about 4.25 V: a last resort is no charger "
            f"({window.name} is charged to {window.charge_limit_V:.2f} V)"
        )
    elif charges and (duty.charge_limited_by == "nothing" or duty.charge_limit_V is None):
        found.append("nothing in the device limits the charge voltage")
    elif duty.charge_limit_V is not None and duty.charge_limit_V > window.charge_limit_V + 1e-9:
        text = f"the device charges to {duty.charge_limit_V:.2f} V, {window.name} allows {window.charge_limit_V:.2f} V"
        if duty.charge_limit_V >= 4.25 - 1e-9 and chemistry.startswith("li-ion"):
            text += "; a limit of 4.25 V is a protection chip's, not a charger's"
        found.append(text)
    low = window.charge_low_degC
    if charges and duty.day_degC is not None and duty.day_degC < low and not duty.cold_charge_blocked:
        found.append(
            f"it would be charged at {duty.day_degC:g} °C and nothing blocks that: {window.name} is not charged below "
            f"{low:g} °C (lithium plates out)"
        )
    return found


def _night(model: CellModel, duty: Duty) -> tuple[dict[str, Any], list[str], list[dict[str, float | str]]]:
    """Return the night's budget, why it fails, and its course: charge given over time."""
    course: list[dict[str, float | str]] = []
    reasons: list[str] = []
    hours = given = 0.0
    for name, length_h in duty.night:
        run = _run_mode(model, duty, duty.mode(name))
        begun_h = float(np.interp(given, run.given_Ah, run.time_h))
        last_h = min(begun_h + length_h, run.hours)
        if given > run.end_Ah or begun_h + length_h > run.hours + 1e-9:
            lasted = max(0.0, run.hours - begun_h) if given <= run.end_Ah else 0.0
            reasons.append(
                f"{name!r} lasts {lasted:.1f} of {length_h:g} h of the night from a full cell; ended by: {run.ends_by}"
            )
        if given <= run.end_Ah:
            for at in np.linspace(begun_h, last_h, 40):
                course.append(
                    {
                        "t_h": hours + float(at) - begun_h,
                        "given_Ah": float(np.interp(at, run.time_h, run.given_Ah)),
                        "mode": name,
                    }
                )
            given = float(np.interp(last_h, run.time_h, run.given_Ah))
        hours += length_h
    used = given + duty.quiescent_A * max(0.0, 24.0 - hours)
    returned: dict[str, float | None] = dict.fromkeys(WEATHER)
    if duty.panel is not None:
        back = CHARGE_RETURN.get(model.chemistry, LITHIUM_RETURN)
        for weather, sun_h in duty.panel.sun_h.items():
            returned[weather] = duty.panel.current_A * sun_h * duty.panel.share * back
    usable = max((_run_mode(model, duty, duty.mode(name)).end_Ah for name, _ in duty.night), default=model.capacity_Ah)
    days: dict[str, float | None] = {}
    for weather, value in ({"no sun": 0.0, **returned}).items():
        if value is None:
            continue
        net = used - value
        days[weather] = usable / net if net > 0 else None
    poor = days.get("poor", days.get("average", days.get("no sun"))) if duty.panel is not None else days["no sun"]
    night = {
        "used_Ah": used if duty.night else None,
        "returned_Ah": returned,
        "days_until_empty": poor if duty.night else None,
        "days_until_empty_by": days if duty.night else {},
        "usable_Ah": usable,
        "hours": hours,
    }
    return night, reasons, course


def fit(model: CellModel, duty: Duty, cell: str = "", run: str = "", start: str = "full") -> dict[str, Any]:
    """Return whether a cell fits a duty, and how.

    Args:
        model: From `cell_model`.
        duty: From `load_duty`.
        cell, run: Names, for the answer.
        start: How the run began; what is not known to have been full is a lower bound.

    Returns:
        `fits`; `modes`: run time, sag, re-trigger point; `night`: `used_Ah`, `returned_Ah`, `days_until_empty` (of
        poor days where there is a panel, else without sun; None: for ever); `refusals`, `reasons`, `notes`, `course`.
    """
    refused = refusals(model.chemistry, duty)
    modes = [_fit_mode(model, duty, mode) for mode in duty.modes]
    night, reasons, course = _night(model, duty)
    notes = []
    for (name, _), found in ((step, m) for step in duty.night for m in modes if m["name"] == step[0]):
        if found["run_time_h"] <= 0:
            reasons.append(f"{name!r} does not work even from a full cell")
    average = night["returned_Ah"]["average"]
    if duty.panel is not None and duty.night and average is not None and average < night["used_Ah"]:
        reasons.append(
            f"an average day gives back {average * 1000:.0f} mAh, the night takes {night['used_Ah'] * 1000:.0f} mAh"
        )
    for found in modes:
        if found["retrigger_charge_state"] is not None:
            notes.append(
                f"{found['name']}: below {100 * found['retrigger_charge_state']:.0f} % of charge the rail sags under "
                f"{duty.mode(found['name']).lowest_rail_V:.2f} V, recovers when off, and the device starts again and "
                f"again; {found['unusable_Ah'] * 1000:.0f} mAh stay unusable because of it"
            )
        notes += _doubt_notes(found)
    notes += _panel_notes(model, duty)
    if start not in ("full", "declared-full"):
        notes.append("the run did not start known to be full: run times are what was left, a lower bound")
    if duty.night_degC is not None and _cold(model, duty) > 1.02:
        notes.append(
            f"at {duty.night_degC:g} °C the resistance is taken {_cold(model, duty):.2f} times that of the test "
            "(by the electrolyte's conductivity, not measured)"
        )
    return {
        "fits": not refused and not reasons,
        "cell": cell,
        "run": run,
        "duty": duty.name,
        "refusals": refused,
        "reasons": list(dict.fromkeys(reasons)),
        "modes": modes,
        "night": night,
        "notes": notes,
        "course": course,
        "capacity_Ah": model.capacity_Ah,
    }


def _doubt_notes(found: Mapping[str, Any]) -> list[str]:
    """Return in words when a mode's answer is not within what is wanted, and what would settle it."""
    hours, U_h, U = found["run_time_h"], found["run_time_U_h"], found["ends_charge_state_U"]
    said = []
    if not found["run_time_within_5_percent"]:
        said.append(
            f"the run time is not within the {100 * RUN_TIME_AIM:.0f} %: {max(0.0, hours - U_h):.2g} to "
            f"{hours + U_h:.2g} h"
        )
    if not found["charge_state_within_3_percent"]:
        state = found["ends_charge_state"]
        said.append(
            f"where it ends is not within {100 * CHARGE_STATE_AIM:.0f} % of charge: at "
            f"{100 * max(0.0, state - U):.0f} to {100 * min(1.0, state + U):.0f} %"
        )
    return [f"{found['name']}: {'; '.join(said)}; {DOUBTS[found['doubt']]}"] if said else []


def _panel_notes(model: CellModel, duty: Duty) -> list[str]:
    if duty.panel is None:
        return []
    notes = []
    panel = duty.panel
    full = duty.charge_limit_V or float(model.ocv_V[0])
    if panel.voltage_V is not None and panel.voltage_V - panel.diode_drop_V < full:
        notes.append(
            f"the panel's {panel.voltage_V:.2f} V less the diode's {panel.diode_drop_V:.2f} V does not reach "
            f"{full:.2f} V: its current falls before the cell is full"
        )
    lost = panel.diode_drop_V / (float(np.median(model.ocv_V)) + panel.diode_drop_V)
    notes.append(f"the panel's diode takes {100 * lost:.1f} % of the power, none of the charge below the panel's knee")
    best = max((value for value in panel.sun_h.values()), default=0.0) * panel.current_A
    if best > 0 and panel.current_A > 0.5 * model.capacity_Ah:
        notes.append(f"the panel gives {panel.current_A / model.capacity_Ah:.2g} It: more than a used cell should get")
    return notes


def fit_run(folder: Path, duty_name: str | Path, what_if: Sequence[str] = ()) -> dict[str, Any]:
    """Return the fit of a run folder; with changes, also `what_if`: the same answer for the changed device.

    Raises:
        InputError: the run or the duty cannot be read, or the run holds no complete discharge with resistances.
    """
    from harness.comparing import read_runs
    from harness.grading import key_of
    from harness.loading import load

    runs, damaged = read_runs([folder])
    if damaged:
        raise InputError(damaged[0]["text"])
    _, result, cell = runs[0]
    if not result.get("reached_cutoff"):
        raise InputError(
            f"{folder}: holds no discharge that reached its cut-off; a complete one with load steps is accepted"
        )
    record, _ = load(folder)
    result["chemistry"] = key_of(result, cell)
    model = cell_model(record.t_s, record.voltage_V, record.current_A, result)
    names = {"cell": str(result.get("cell") or ""), "run": str(folder), "start": str(result.get("start"))}
    answer = fit(model, load_duty(duty_name), **names)
    if what_if:
        changed = fit(model, load_duty(duty_name, what_if), **names)
        answer["what_if"] = {"changes": list(what_if), **changed}
    return answer


def day_of(answer: Mapping[str, Any], duty: Duty, weather: str = "average") -> dict[str, list[float]]:
    """Return a day from dusk: hours, current into the cell (A, night out, day in), charge given since full (Ah)."""
    t_h: list[float] = []
    current: list[float] = []
    given: list[float] = []
    for point in answer["course"]:
        t_h.append(float(point["t_h"]))
        given.append(float(point["given_Ah"]))
    for k in range(len(t_h)):
        # The first point of a mode has the pace of what follows it, not of the mode before.
        fresh = k == 0 or t_h[k] - t_h[k - 1] <= 1e-9
        low, high = (k, k + 1) if fresh and k + 1 < len(t_h) else (k - 1, k)
        step = t_h[high] - t_h[low] if low >= 0 else 0.0
        current.append(-(given[high] - given[low]) / step if step > 1e-9 else 0.0)
    if duty.panel is not None and weather in duty.panel.sun_h:
        sun_h = duty.panel.sun_h[weather]
        night_h = float(answer["night"]["hours"])
        day_h = 24.0 - night_h
        at = np.linspace(0.0, day_h, 61)
        # A half sine with the same area as `sun_h` hours of full sun, never above it.
        shape = np.sin(np.pi * at / day_h) if day_h > 0 else np.zeros_like(at)
        peak = min(1.0, sun_h * np.pi / (2 * day_h)) if day_h > 0 else 0.0
        flow = duty.panel.current_A * duty.panel.share * peak * shape
        back = (given[-1] if given else 0.0) - np.concatenate(
            ([0.0], np.cumsum(np.diff(at) * 0.5 * (flow[1:] + flow[:-1])))
        )
        full = np.flatnonzero(back <= 0)
        if full.size:
            flow[full] = 0.0
        t_h += [night_h + float(x) for x in at]
        current += [float(x) for x in flow]
        given += [max(0.0, float(x)) for x in back]
    return {"t_h": t_h, "current_A": current, "given_Ah": given}


# ---- a duty from a survey ---------------------------------------------------------------------------


def load_line(voltage_V: FloatArray, current_A: FloatArray) -> dict[str, float]:
    """Return how a lamp draws: a constant current, or a resistor and LED; from a sweep of its supply.

    Args:
        voltage_V, current_A: Readings, shape (n,); current drawn, positive.

    Returns:
        `current_A`, or `resistor_ohm` and `led_V`; `lowest_V`, where it still drew half of its usual current.

    Raises:
        InputError: it drew nothing.
    """
    good = np.isfinite(voltage_V) & np.isfinite(current_A)
    v, i = voltage_V[good], np.abs(current_A[good])
    if v.size < 5 or float(i.max(initial=0.0)) <= 1e-4:
        raise InputError("the lamp drew nothing in the sweep; check that its mode was on")
    usual = float(np.median(i[i > 0.2 * i.max()]))
    on = i > 0.5 * usual
    lowest = float(v[on].min())
    # Above the middle of where it works a regulated lamp is flat; below it may already follow the cell.
    top = on & (v >= 0.5 * (float(v[on].max()) + lowest))
    flat_A = float(np.median(i[top]))
    slope = float(np.polyfit(v[top], i[top], 1)[0]) if int(top.sum()) >= 3 and float(np.ptp(v[top])) > 0 else 0.0
    if slope * float(np.ptp(v[top])) < 0.15 * flat_A:
        return {"current_A": flat_A, "lowest_V": float(v[i > 0.5 * flat_A].min())}
    work = i > 0.2 * usual
    slope, intercept = np.polyfit(v[work], i[work], 1)
    return {"resistor_ohm": float(1.0 / slope), "led_V": float(-intercept / slope), "lowest_V": float(v[work].min())}


@dataclass(frozen=True, slots=True)
class SurveyedMode:
    """What a survey found of one of a lamp's modes. V, A, ohm; None: not seen.

    `line` is that of `load_line`; `steady_from_V` the lowest voltage from which up it stays on; `off_V` the highest at
    which it stays off on the way down, `back_V` the lowest at which it is on again on the way up; between `blinks_V` it
    goes off and on by itself.
    """

    line: Mapping[str, float]
    steady_from_V: float
    off_V: float | None
    back_V: float | None
    blinks_V: tuple[float, float] | None
    curve: tuple[tuple[float, float], ...] = ()  # (V, A) where it stays on, voltage rising

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            **self.line, "steady_from_V": self.steady_from_V, "off_V": self.off_V, "back_V": self.back_V,
            "blinks_V": None if self.blinks_V is None else list(self.blinks_V),
            "curve": [list(point) for point in self.curve],
        }  # fmt: skip


def _plateaus(
    t_s: FloatArray, voltage_V: FloatArray, current_A: FloatArray, on_A: float, switches_s: FloatArray
) -> list[tuple[float, npt.NDArray[np.bool_], float]]:
    """Return (voltage, on at each reading, current) of each voltage set; without orders each reading is one."""
    number = np.searchsorted(switches_s, t_s) if switches_s.size else np.arange(t_s.size)
    found = []
    for k in np.unique(number).tolist():
        rows = number == k
        # The supply may still have been on its way in the first reading of several.
        amps = current_A[rows][1:] if int(rows.sum()) > 2 else current_A[rows]
        found.append((float(np.median(voltage_V[rows])), amps > on_A, float(np.median(amps))))
    return found


def survey_mode(
    down: tuple[FloatArray, FloatArray, FloatArray],
    up: tuple[FloatArray, FloatArray, FloatArray] | None,
    switches_s: FloatArray,
) -> SurveyedMode:
    """Return what sweeps of a lamp's supply, down and up again, tell of a mode.

    Args:
        down, up: (t_s, voltage_V, current_A) of the readings, each shape (n,); current drawn, either sign.
        switches_s: When another voltage was ordered, shape (m,).

    Raises:
        InputError: it drew nothing.
    """
    line = load_line(down[1], down[2])
    usual = line.get("current_A")
    if usual is None:
        top_V = float(np.nanmax(down[1]))
        usual = 0.4 * max(top_V - line["led_V"], 0.0) / line["resistor_ohm"]  # a resistor dims, it does not shut off

    def read(sweep: tuple[FloatArray, FloatArray, FloatArray]) -> list[tuple[float, npt.NDArray[np.bool_], float]]:
        good = np.isfinite(sweep[1]) & np.isfinite(sweep[2])
        t, v, i = (part[good] for part in sweep)
        return _plateaus(t, v, np.abs(i), 0.5 * usual, switches_s)

    falling, rising = read(down), [] if up is None else read(up)
    steady = line["lowest_V"]
    off: float | None = None
    begun = False  # switching it on takes a while: not before it has been on throughout
    curve: list[tuple[float, float]] = []
    for volts, on, amps in sorted(falling, key=lambda item: -item[0]):
        if begun and not on.all():
            off = volts
            break
        if on.all():
            begun, steady = True, volts
            curve.insert(0, (volts, amps))
    never = [volts for volts, on, _ in falling if not on.any()]
    ever = [volts for volts, on, _ in falling if on.any()]
    if off is not None and ever:
        below = [volts for volts in never if volts < min(ever)]
        off = max(below) if below else None
    back = min((volts for volts, on, _ in rising if on.any()), default=None) if off is not None else None
    blinking = [
        volts for volts, on, _ in [*falling, *rising] if on.size > 2 and int(np.count_nonzero(on[1:] != on[:-1])) >= 2
    ]
    blinks = (min(blinking), max(blinking)) if blinking else None
    if "current_A" not in line:
        steady = line["lowest_V"]
    return SurveyedMode(line, steady, off, back, blinks, tuple(curve))


def panel_points(voltage_V: FloatArray, current_A: FloatArray) -> dict[str, float]:
    """Return a panel's open-circuit voltage, short-circuit current and maximum power point from a sweep.

    Raises:
        InputError: it gave nothing.
    """
    good = np.isfinite(voltage_V) & np.isfinite(current_A)
    v, i = voltage_V[good], np.abs(current_A[good])
    if v.size < 3 or float((v * i).max(initial=0.0)) <= 0:
        raise InputError("the panel gave nothing in the sweep; is it dark, or reversed?")
    k = int(np.argmax(v * i))
    return {
        "open_circuit_V": float(v.max()), "short_circuit_A": float(i.max()), "voltage_V": float(v[k]),
        "current_A": float(i[k]),
        "power_W": float(v[k] * i[k]),
    }  # fmt: skip


def _sweeps(
    step: npt.NDArray[np.int64], voltage_V: FloatArray, kinds: Sequence[str]
) -> list[tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_] | None]]:
    """Return (rows of a sweep down, rows of the sweep up that follows it, if any) of a lamp's survey."""
    found: list[tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_] | None]] = []
    before_sweep = False
    for k in np.unique(step[step >= 0]).tolist():
        kind = kinds[k] if k < len(kinds) else ""
        rows = step == k
        if kind != "sweep" or int(rows.sum()) < 5:
            before_sweep = False
            continue
        volt = voltage_V[rows]
        volt = volt[np.isfinite(volt)]
        rising = volt.size > 0 and volt[-1] > volt[0]
        if rising and before_sweep and found[-1][1] is None:
            found[-1] = (found[-1][0], rows)
        else:
            found.append((rows, None))
        before_sweep = True
    return found


def _alike(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Tell whether two load lines are the same mode: within 3 %."""
    return one.keys() == other.keys() and all(
        math.isclose(one[key], other[key], rel_tol=0.03, abs_tol=0.02 if key.endswith("_V") else 0.0) for key in one
    )


def _above_nothing(record: "Record", info: "RunInfo") -> FloatArray:
    """Return the current of a survey less what the bench shows in its rests, where nothing flows, shape (n,)."""
    still = np.isin(record.step, [k for k, kind in enumerate(info.step_kinds) if kind == "rest"])
    still &= np.isfinite(record.current_A)
    zero_A = float(np.median(record.current_A[still])) if still.any() else 0.0
    return np.asarray(record.current_A - zero_A, dtype=float)


def survey_run(folder: Path) -> list[SurveyedMode]:
    """Return the modes that a run of the recipe `lamp` found, each once.

    Raises:
        InputError: the run cannot be read, or no device drew current in it.
    """
    from harness.loading import load

    record, info = load(folder)
    current_A = _above_nothing(record, info)
    modes: list[SurveyedMode] = []
    for down, up in _sweeps(record.step, record.voltage_V, info.step_kinds):
        parts = [
            None if rows is None else (record.t_s[rows], record.voltage_V[rows], current_A[rows]) for rows in (down, up)
        ]
        assert parts[0] is not None
        try:
            mode = survey_mode(parts[0], parts[1], record.switches_s)
        except InputError:
            continue  # a mode that is off
        if not any(_alike(mode.line, other.line) for other in modes):  # else the lamp was left in its mode
            modes.append(mode)
    if not modes:
        raise InputError(
            f"{folder}: no sweep in which a device drew current; a run of the recipe lamp or panel is accepted"
        )
    return modes


def _panel_text(folder: Path) -> str:
    """Return the table [panel] of a run of the recipe `panel`."""
    from harness.loading import load

    record, info = load(folder)
    found = panel_points(record.voltage_V, _above_nothing(record, info))
    return (
        f"# From {info.run_id}: open circuit {found['open_circuit_V']:.3f} V, short circuit "
        f"{found['short_circuit_A'] * 1000:.1f} mA, most power {found['power_W']:.3f} W,\n"
        "# at the light of the moment: scale the current to full sun, and set the hours by your place and season.\n"
        f'[panel]\ncurrent = "{found["current_A"] * 1000:.1f} mA"\nvoltage = "{found["voltage_V"]:.3f} V"\n'
        'diode_drop = "0.3 V"\nshare = "80 %"\n[panel.sun]\ngood = "6 h"\naverage = "4 h"\npoor = "1 h"\n'
    )


def _fewer(points: Sequence[tuple[float, float]], within: float) -> list[tuple[float, float]]:
    """Return as few of the points as lie, joined by straight lines, within a distance in current of all of them."""
    if len(points) < 3:
        return list(points)
    (v0, i0), (v1, i1) = points[0], points[-1]
    off = [abs(amps - (i0 + (i1 - i0) * (volts - v0) / (v1 - v0))) for volts, amps in points]
    k = int(np.argmax(off))
    if off[k] <= within:
        return [points[0], points[-1]]
    return [*_fewer(points[: k + 1], within)[:-1], *_fewer(points[k:], within)]


def _mode_text(mode: SurveyedMode, number: int) -> str:
    seen = [f"steady from {mode.steady_from_V:.2f} V up"]
    if mode.off_V is not None:
        seen.append(f"shuts off at {mode.off_V:.2f} V")
    if mode.back_V is not None:
        seen.append(f"comes back at {mode.back_V:.2f} V")
    if mode.blinks_V is not None:
        seen.append(f"goes off and on by itself at {mode.blinks_V[0]:.2f} to {mode.blinks_V[1]:.2f} V")
    text = f'[[modes]]\nname = "mode {number}"  # {", ".join(seen)}\n'
    line = mode.line
    if "current_A" in line:
        points = _fewer(mode.curve, max(0.01 * line["current_A"], LINE_WITHIN_A))
        if len(points) > 1 and min(amps for _, amps in points) < 0.97 * line["current_A"]:
            pairs = ", ".join(f'["{volts:.3f} V", "{amps * 1000:.2f} mA"]' for volts, amps in points)
            text += f"line = [{pairs}]\n"
        else:
            text += f'current = "{line["current_A"] * 1000:.2f} mA"\n'
    else:
        text += f'resistor = "{line["resistor_ohm"]:.2f} ohm"\nled = "{max(0.0, line["led_V"]):.3f} V"\n'
    text += f'lowest_rail = "{mode.steady_from_V:.3f} V"\n'
    if mode.back_V is not None:
        text += f'comes_back = "{1000 * max(0.0, mode.back_V - mode.steady_from_V):.0f} mV"\n'
    return text


def duty_from_run(folder: Path, name: str, chemistry: str = "li-ion", panel: Path | None = None) -> str:
    """Return the text of a duty file from a survey's run: recipe `lamp` (with `panel`: and of its panel) or `panel`.

    A panel's run alone gives the table [panel], to be put into a duty file.

    Raises:
        InputError: a run cannot be read or is no survey.
    """
    from harness.loading import load

    _, info = load(folder)
    if info.profile == "panel":
        return _panel_text(folder)
    if panel is not None and load(panel)[1].profile != "panel":
        raise InputError(f"{panel}: is no run of the recipe panel; one is accepted")
    modes = survey_run(folder)
    title = name.replace("\\", "\\\\").replace('"', '\\"')
    lowest = min(mode.steady_from_V for mode in modes)
    return (
        f"# From {info.run_id}. Set the chemistry and the night by what the device is. It is refused while it has a\n"
        "# panel and no charge limit: measure that, with a cell or a capacitor in it and the panel in full sun.\n"
        f'name = "{title}"\nchemistry = ["{chemistry}"]\nlowest_rail = "{lowest:.3f} V"\n'
        '# charge_limit = "4.20 V"\nquiescent = "0 A"  # not measured by the sweep\n\n'
        + "\n".join(_mode_text(mode, number) for number, mode in enumerate(modes, 1))
        + '\n# [[night]]\n# mode = "mode 1"\n# for = "2 h"\n'
        + ("" if panel is None else "\n" + _panel_text(panel))
    )
