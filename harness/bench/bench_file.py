"""A bench file: the instruments of one set-up and how they are wired. Data only.

Read from TOML, checked key by key; the opening of links is left to `drivers.opening`, which gets
each instrument's table as it stands.
"""

import contextlib
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amphora.drivers.quantities import NotAQuantity, read
from amphora.harness.bench.alarm_input import AlarmInput, alarm_input_of
from amphora.harness.bench.calibration import calibrations_of
from amphora.harness.bench.one_bay import bay_data, read_toml
from amphora.harness.common.alarm import Alarm
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite_number, name_shown, shown, table_of, text_of

ROLES = ("load", "supply", "meter", "logger", "switch")
LEADS = ("by hand", "relay", "wired")
SENSED_AT = ("cell", "load")  # where the voltage is sensed: at the cell's own ends, or at the load's terminals
TOP_KEYS = ("name", "leads", "instruments", "cell", "speed_up", "alarms", "note", "simulated", "sensed_at",
            "hands", "check_resistor", "charge_path", "calibration", "attended", "smoke_alarm", "bay")  # fmt: skip
LEAST_DROP_V, MOST_DROP_V = 0.05, 0.7  # of a blocking diode (common practice: Schottky 0.2 to 0.3 V, silicon 0.6 V)
AGREE_V = 0.05
LEAST_AGREE_V = 0.005  # two cables in one holder differ by this much
CELL_KEYS = ("voltage", "current", "temperature", "voltage_when_off", "room_temperature")
RESISTOR_KEYS = ("resistance", "tolerance", "power", "note")
CHANNELS = ("voltage", "current", "temperature", "time")
SPECIFICATION_KEYS = (
    "gain", "offset", "resolution", "range", "distribution", "k",
    "gain_per_K", "offset_per_K", "reference_degC", "band_K",
)  # fmt: skip
ORDER_TAKES_S = 0.05  # from an order to the current, of the bench's own time (common practice)
KIND_OF = {"voltage": "voltage", "current": "current", "temperature": "temperature_accuracy", "time": "ratio"}

# What a bench that gives no specification is taken to have: assumptions, marked as such.
ASSUMED: dict[str, dict[str, Any]] = {
    "voltage": {"gain": 0.001, "offset": 0.005, "resolution": 0.001},
    "current": {"gain": 0.005, "offset": 0.010, "resolution": 0.001},
    "temperature": {"gain": 0.0, "offset": 2.0, "resolution": 0.1},
    "time": {"gain": 100e-6, "offset": 0.0, "resolution": 0.0},
}


@dataclass(frozen=True)
class CheckResistor:
    """The known resistor that a bench is checked against.

    resistance_ohm; tolerance: relative; power_W: what it may be loaded with for good.
    """

    resistance_ohm: float
    tolerance: float
    power_W: float = 0.25


@dataclass(frozen=True)
class BenchDescription:
    """One set-up. `cell_*`: names of the instruments that measure the cell."""

    name: str
    leads: str
    instruments: Mapping[str, Mapping[str, Any]]
    cell_voltage: str
    cell_current: tuple[str, ...]
    cell_temperature: str | None
    cell_voltage_when_off: str
    room_temperature: str | None = None
    check_resistor: CheckResistor | None = None
    calibration: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    speed_up: float = 1.0
    alarms: Mapping[str, Any] = field(default_factory=dict)
    data: Mapping[str, Any] = field(default_factory=dict)
    where: str = "bench"
    alarm_input: AlarmInput | None = None  # of smoke or heat
    diode_drop_V: float = 0.0  # of a blocking diode, at the current at which a charge ends; 0: there is none

    @property
    def hands(self) -> str:
        """Where the hands of a served simulated bench are reached; "": nowhere."""
        return str(self.data.get("hands", ""))

    @property
    def simulated(self) -> bool:
        """Whether the file says that nothing of this bench is real."""
        return self.data.get("simulated") is True

    def may_differ_V(self, one: str, other: str, voltage_V: float) -> float:
        """Return how far apart two voltmeters at the same cell may read, V: what both specifications allow together.

        Without a specification of one of them: 50 mV, or what is assumed where that is more.
        """
        both = [self._of(name, "voltage") for name in (one, other)]
        each = [float(table["gain"] * abs(voltage_V) + table["offset"] + table["resolution"]) for table in both]
        if any(table["assumed"] for table in both):
            return max(AGREE_V, sum(each))
        return max(LEAST_AGREE_V, sum(each))

    def voltage_off_V(self, name: str, voltage_V: float) -> float | None:
        """Return what one instrument's voltage may be off by, V; None where the file does not say."""
        table = self._of(name, "voltage")
        return None if table["assumed"] else float(table["gain"] * voltage_V + table["offset"] + table["resolution"])

    def current_of(self, name: str) -> dict[str, Any]:
        """Return what one instrument's current may be off by: `gain`, `offset` (A), `resolution` (A), `assumed`."""
        return self._of(name, "current")

    def role_of(self, name: str) -> str:
        """Return the role of one instrument."""
        return str(self.instruments[name]["role"])

    @property
    def shares(self) -> list[str]:
        """The names of the instruments that other bays use too."""
        return list(self.data.get("bay", {}).get("shares", []))

    def first(self, role: str) -> str | None:
        """Return the name of the first instrument of a role, else None."""
        for name, table in self.instruments.items():
            if table["role"] == role:
                return name
        return None

    def measurement(self, only_charges: bool = False) -> dict[str, dict[str, Any]]:
        """Return the specification of each channel, as run.json holds it.

        `only_charges`: the run's current is the supply's, also where a resistor's is named before it.
        """
        whose = self.cell_current[:1]
        if only_charges:
            whose = tuple(name for name in self.cell_current if self.role_of(name) == "supply") or whose
        current = self._of(whose[0], "current") if whose else None
        return {
            "voltage": self._of(self.cell_voltage, "voltage"),
            "current": current or _assumed("current"),
            "temperature": self._of(self.cell_temperature or "", "temperature"),
            "time": self._of(self.cell_voltage, "time") | self._orders(),
        }

    def _orders(self) -> dict[str, float]:
        """A bench that lives faster carries orders out as late as the faster time says."""
        return {"orders_within_s": ORDER_TAKES_S * self.speed_up} if self.speed_up > 1.0 else {}

    def _of(self, name: str, channel: str) -> dict[str, Any]:
        table = self.instruments.get(name, {}).get("specification", {}).get(channel)
        if table is None:
            return _assumed(channel)
        where = f"{self.where}: instruments.{name}.specification.{channel}"
        return _specification(table, channel, where)


def current_specification(table: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return what the current of one instrument's table may be off by; assumed where the table does not say."""
    written = table.get("specification", {}).get("current")
    return _assumed("current") if written is None else _specification(written, "current", where)


def temperature_specification(table: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return what the temperature of one instrument's table may be off by; assumed where the table does not say."""
    written = table.get("specification", {}).get("temperature")
    return _assumed("temperature") if written is None else _specification(written, "temperature", where)


def _assumed(channel: str) -> dict[str, Any]:
    return {**ASSUMED[channel], "distribution": "rectangular", "k": 2.0, "assumed": True}


def _specification(table: Mapping[str, Any], channel: str, where: str) -> dict[str, Any]:
    """Read one channel's specification: a maker's limits, or a calibration's expanded uncertainty with its k.

    A maker gives percent of reading (`gain`) plus an absolute part (`offset`), which may be a percentage of
    `range`. A calibration gives the same with `k`, and is then taken as normal.
    """
    kind = KIND_OF[channel]
    span = _number(table["range"], f"{where}.range", kind) if "range" in table else None

    def absolute(key: str) -> float:
        value = table.get(key, 0.0)
        if isinstance(value, str) and value.strip().endswith(("%", "ppm")):
            if span is None:
                raise InputError(
                    f"{where}.{key}: {shown(value)} is of the range; then range is needed too, such as 30 A or 20 V"
                )
            return _number(value, f"{where}.{key}") * span
        return _number(value, f"{where}.{key}", kind)

    k = table.get("k", 2.0)
    if not 1.0 <= (finite_number(k) or 0.0) <= 5.0:
        raise InputError(f"{where}.k: {shown(k)} is not accepted; a number from 1 to 5 is, 2 as a rule")
    found = {
        "gain": _number(table.get("gain", 0.0), f"{where}.gain"),
        "offset": absolute("offset"),
        "resolution": absolute("resolution"),
        "distribution": table.get("distribution", "normal" if "k" in table else "rectangular"),
        "k": float(k),
        "assumed": False,
    }
    if "gain_per_K" in table:
        found["gain_per_K"] = _number(table["gain_per_K"], f"{where}.gain_per_K")
    if "offset_per_K" in table:
        found["offset_per_K"] = absolute("offset_per_K")
    for key, low, high in (("reference_degC", -40.0, 85.0), ("band_K", 0.0, 50.0)):
        if key in table:
            value = finite_number(table[key])
            if value is None or not low <= value <= high:
                raise InputError(
                    f"{where}.{key}: {shown(table[key])} is not accepted; a number from {low:g} to {high:g} is"
                )
            found[key] = value
    return found


def _number(value: Any, where: str, kind: str = "ratio") -> float:
    """Read '0.5 %', '10 mA', '50 ppm' or a plain number, which has to be finite and not negative."""
    number = finite_number(value)
    for accepted in (kind, "ratio"):
        share = isinstance(value, str) and value.strip().endswith(("%", "ppm"))
        if number is None and (accepted == kind or not share):
            with contextlib.suppress(NotAQuantity):
                number = read(value, accepted)
    if number is None or number < 0.0:
        raise InputError(
            f"{where}: {shown(value)} is not accepted; a number with a unit such as 0.5 %, 10 mA, 50 ppm is"
        )
    return number


def load_bench(path: Path) -> BenchDescription:
    """Read a bench file.

    Raises:
        InputError: missing, not TOML, or a key or value that is not accepted.
    """
    name = ""
    if "#" in path.name and not path.exists():  # one bay of a file that describes several
        file, _, name = path.name.rpartition("#")
        file_path = path.with_name(file)
        data = bay_data(read_toml(file_path), name, file_path)
        return single_bench(from_the_file(data, file_path), str(path))
    data = read_toml(path)
    if "bays" in data:
        bays = [str(bay) for bay in data["bays"]] if isinstance(data["bays"], Mapping) else []
        addresses = ", ".join(f"{path}#{bay}" for bay in bays)
        raise InputError(f"{path}: describes {len(bays)} bays; one of {addresses} is meant")
    return single_bench(from_the_file(data, path), str(path))


def from_the_file(data: dict[str, Any], path: Path) -> dict[str, Any]:
    """Let the paths of dialects and formats count from the bench file, whatever folder the program is called in."""
    instruments = data.get("instruments")
    for table in instruments.values() if isinstance(instruments, dict) else ():
        for key in ("dialect", "format"):
            written = table.get(key) if isinstance(table, dict) else None
            if isinstance(written, str) and (written.endswith(".toml") or Path(written).parent != Path()):
                table[key] = str((path.parent / Path(written).expanduser()).resolve())
        if isinstance(table, dict) and table.get("role") == "load":
            _take_lowest(table)
    return data


def _take_lowest(table: dict[str, Any]) -> None:
    """Take a load's lowest working voltage from its dialect, so that it is said when a run is planned."""
    written = table.get("dialect")
    if "lowest_working_voltage" in table or not isinstance(written, str) or not written.endswith(".toml"):
        return
    try:
        lowest_V = tomllib.loads(Path(written).read_text(encoding="utf-8"))["behaviour"]["lowest_working_voltage"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return  # what is wrong with the file is said where it is read
    if (number := finite_number(lowest_V)) is not None and number > 0.0:
        table["lowest_working_voltage"] = f"{number:g} V"


def single_bench(data: Mapping[str, Any], where: str) -> BenchDescription:
    """Check the data of a bench of one place; errors as in `load_bench`."""
    return bench_from_dict(data, where)


def for_recipe(bench: BenchDescription, roles: Collection[str]) -> BenchDescription:
    """Return a bay without the shared load or supply that a run does not need: others may use it meanwhile.

    Args:
        bench: One bay, or a bench that shares nothing, which is returned as it is.
        roles: Of what the run orders: load, supply.
    """
    shares = bench.shares
    energising = {name for name in shares if bench.role_of(name) in ("load", "supply")}
    spare = [name for name in energising if bench.role_of(name) not in roles]
    if energising == set(spare):  # then nobody asks who is on the shared leads
        at_cell = {bench.cell_voltage, bench.cell_voltage_when_off, bench.cell_temperature, *bench.cell_current}
        spare += [name for name in shares if name not in energising and name not in at_cell]
    if not spare:
        return bench
    data = dict(bench.data)
    data["instruments"] = {name: table for name, table in bench.instruments.items() if name not in spare}
    data["bay"] = {**data["bay"], "shares": [name for name in shares if name not in spare]}
    cell = dict(data.get("cell", {}))
    for key, value in list(cell.items()):
        if value in spare:
            del cell[key]
        elif isinstance(value, list):
            cell[key] = [name for name in value if name not in spare]
    data["cell"] = cell
    return bench_from_dict(data, bench.where)


def bench_from_dict(data: Mapping[str, Any], where: str = "bench") -> BenchDescription:
    """Check a bench given as data; errors as in `load_bench`."""
    table_of(data, where, TOP_KEYS)
    instruments = data.get("instruments")
    if not isinstance(instruments, Mapping) or not instruments:
        raise InputError(f"{where}: instruments is missing; at least one [instruments.NAME] table is needed")
    for name, table in instruments.items():
        _check_instrument(name, table, where)
    leads = data.get("leads", "by hand")
    if leads not in LEADS:
        raise InputError(f"{where}: leads = {shown(leads)} is not accepted; {', '.join(map(repr, LEADS))} are")
    if data.get("sensed_at") not in (None, *SENSED_AT):
        raise InputError(
            f"{where}: sensed_at = {shown(data['sensed_at'])} is not accepted; {', '.join(map(repr, SENSED_AT))} are"
        )
    _check_hands(data, where)
    speed_up = finite_number(data.get("speed_up", 1.0))
    if speed_up is None or not 0 < speed_up <= 1e6:
        raise InputError(f"{where}: speed_up = {shown(data['speed_up'])} is not accepted; a number above 0 is")
    cell = _cell(data.get("cell", {}), instruments, where)
    drop_V = diode_drop_of(data, where)
    alarms = data.get("alarms", {})
    Alarm(alarms, f"{where}: alarms")  # a mistake there is told now, not at the first alarm
    bench = BenchDescription(
        name=text_of(data.get("name", "bench"), f"{where}: name"),
        leads=leads,
        instruments=instruments,
        speed_up=speed_up,
        check_resistor=_check_resistor(data.get("check_resistor"), where),
        calibration=calibrations_of(data.get("calibration"), instruments, where),
        alarms=alarms,
        data=data,
        where=where,
        diode_drop_V=drop_V,
        alarm_input=alarm_input_of(data.get("smoke_alarm"), f"{where}: smoke_alarm"),
        **cell,
    )
    if drop_V:
        _seen_behind_the_diode(bench)
    bench.measurement()
    return bench


def diode_drop_of(data: Mapping[str, Any], where: str) -> float:
    """Return the smallest drop of the blocking diode that [charge_path] describes, V; 0 where there is none.

    Raises:
        InputError: a key or value that is not accepted.
    """
    if "charge_path" not in data:
        return 0.0
    here = f"{where}: charge_path"
    (written,) = table_of(data["charge_path"], here, ("smallest_drop",), ("smallest_drop",)).values()
    drop_V: float | None = None
    with contextlib.suppress(NotAQuantity):
        drop_V = read(written, "voltage")
    if drop_V is None or not LEAST_DROP_V <= drop_V <= MOST_DROP_V:
        raise InputError(
            f"{here}.smallest_drop: {shown(written)} is not accepted; {LEAST_DROP_V:g} V to {MOST_DROP_V:g} V is, as "
            "measured with a hand meter over the diode at the current at which a charge ends"
        )
    return drop_V


def _seen_behind_the_diode(bench: BenchDescription) -> None:
    """Check that somebody else than the supply measures at the cell itself.

    Raises:
        InputError: nobody does, so a charge through the diode would go unseen.
    """
    for name in (bench.cell_voltage, bench.cell_voltage_when_off):
        role = bench.role_of(name)
        if role == "supply" or (role == "load" and bench.data.get("sensed_at") != "cell"):
            raise InputError(
                f"{bench.where}: charge_path: {name_shown(name)} measures the cell's voltage, and sees it only through "
                "the diode or along the load's leads; a meter or logger at the cell is needed, or a load whose sense "
                "wires end there (sensed_at = 'cell'); or a relay in place of the diode"
            )


def _check_hands(data: Mapping[str, Any], where: str) -> None:
    """Refuse hands of a bench that is not simulated, or on another computer."""
    if "hands" not in data:
        return
    host, _, port = str(data["hands"]).rpartition(":")
    if data.get("simulated") is not True:
        raise InputError(f"{where}: hands goes with simulated = true; a real bench has a person at the terminal")
    if host != "127.0.0.1" or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise InputError(f'{where}: hands = {shown(data["hands"])} is not accepted; "127.0.0.1:PORT" is')


def _check_resistor(data: Any, where: str) -> CheckResistor | None:
    """Read [check_resistor]: resistance = "10 ohm", tolerance = "0.1 %", power = "0.5 W"."""
    from amphora.harness.common.quantities import parse

    if data is None:
        return None
    here = f"{where}: check_resistor"
    table = table_of(data, here, RESISTOR_KEYS)
    if "resistance" not in table:
        raise InputError(f'{here}.resistance is missing; a resistance such as "10 ohm" is needed')
    ohm = parse(table["resistance"], "resistance", f"{here}.resistance")
    tolerance = parse(table.get("tolerance", "0.1 %"), "ratio", f"{here}.tolerance")
    power_W = parse(table.get("power", "0.25 W"), "power", f"{here}.power")
    for value, key, low, high, accepted in (
        (ohm, "resistance", 0.1, 1e4, "0.1 ohm to 10 kohm"),
        (tolerance, "tolerance", 0.0, 0.01, "up to 1 %: a coarser one checks nothing"),
        (power_W, "power", 0.01, 1000.0, "10 mW to 1 kW"),
    ):
        if not low <= value <= high:
            raise InputError(f"{here}.{key} = {shown(table.get(key))} is not accepted; {accepted} is")
    return CheckResistor(ohm, tolerance, power_W)


def _check_instrument(name: str, table: Any, where: str) -> None:
    here = f"{where}: instruments.{name_shown(name)}"
    if not isinstance(table, Mapping):
        raise InputError(f"{here}: {shown(table)} is not a table; one with role is accepted")
    if "role" not in table:
        from difflib import get_close_matches

        near = get_close_matches("role", [str(key)[:60] for key in table], 1, 0.7)
        raise InputError(
            f"{here}: " + (f"key {near[0]!r} is not known ('role' is near)" if near else "role is missing")
            + f"; role = one of {', '.join(ROLES)} is needed"
        )  # fmt: skip
    role = table["role"]
    if role not in ROLES:
        raise InputError(f"{here}: role = {shown(role)} is not accepted; {', '.join(ROLES)} are")
    needed = ("resource",) if role in ("load", "supply", "meter") else ("port", "resource")
    if not any(isinstance(table.get(key), str) and table[key] for key in needed):
        raise InputError(f"{here}: {' or '.join(needed)} is missing; how is it reached?")
    here = f"{here}.specification"
    for channel, entry in table_of(table.get("specification", {}), here, CHANNELS).items():
        specification = table_of(entry, f"{here}.{channel}", SPECIFICATION_KEYS)
        distribution = specification.get("distribution", "normal")
        if distribution not in ("rectangular", "normal"):
            raise InputError(
                f"{here}.{channel}.distribution: {shown(distribution)} is not accepted; rectangular or normal is"
            )


def _cell(data: Any, instruments: Mapping[str, Mapping[str, Any]], where: str) -> dict[str, Any]:
    """Return who measures the cell; sensible where there is no choice."""
    table = table_of(data, f"{where}: cell", CELL_KEYS)
    known = ", ".join(map(name_shown, instruments))
    for key, value in table.items():
        for name in value if isinstance(value, list) and key == "current" else [value]:
            if not isinstance(name, str) or name not in instruments:
                raise InputError(f"{where}: cell.{key} names {shown(name)}; the instruments are {known}")
    by_role: dict[str, list[str]] = {}
    for name, one in instruments.items():
        by_role.setdefault(one["role"], []).append(name)
    measuring = [
        *by_role.get("meter", []), *by_role.get("load", []), *by_role.get("logger", []), *by_role.get("supply", [])
    ]  # fmt: skip
    if not measuring:
        raise InputError(
            f"{where}: no instrument measures the cell's voltage; a load, meter, logger or supply is needed"
        )
    voltage = table.get("voltage", measuring[0])
    current = table.get("current", [*by_role.get("load", []), *by_role.get("supply", [])] or [voltage])
    temperature = table.get("temperature")
    if temperature is not None and table.get("room_temperature") == temperature:
        raise InputError(
            f"{where}: cell.room_temperature names {temperature!r}, which is the cell's own sensor; "
            "a second one is needed"
        )
    return {
        "cell_voltage": str(voltage),
        "cell_current": tuple([current] if isinstance(current, str) else current),
        "cell_temperature": temperature,
        "cell_voltage_when_off": str(table.get("voltage_when_off", voltage)),
        "room_temperature": table.get("room_temperature"),
    }
