"""A bench file: the instruments of one set-up and how they are wired. Data only.

Read from TOML, checked key by key; the opening of links is left to `drivers.opening`, which gets
each instrument's table as it stands.
"""

import contextlib
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from amphora.drivers.quantities import NotAQuantity, read
from amphora.drivers.roles import Abilities
from amphora.harness.bench.alarm_input import AlarmInput, alarm_input_of
from amphora.harness.bench.calibration import Calibration, calibrations_of
from amphora.harness.bench.one_bay import bay_data, read_toml
from amphora.harness.bench.specification import (
    ASSUMED,
    CHANNELS,
    BenchMeasurement,
    ChannelSpecification,
    specification_of_channel,
    specification_table,
)
from amphora.harness.common.alarm import Alarm
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, finite_number, name_shown, shown, table_of, text_of
from amphora.harness.common.quantities import parse

ROLES = ("load", "supply", "meter", "logger", "switch")
LEADS = ("by hand", "relay", "wired")
SENSED_AT = ("cell", "load")  # where the voltage is sensed: at the cell's own ends, or at the load's terminals
LEAST_DROP_V, MOST_DROP_V = 0.05, 0.7  # of a blocking diode (common practice: Schottky 0.2 to 0.3 V, silicon 0.6 V)
AGREE_V = 0.05
LEAST_AGREE_V = 0.005  # two cables in one holder differ by this much
ORDER_TAKES_S = 0.05  # from an order to the current, of the bench's own time (common practice)


@dataclass(frozen=True)
class BenchTable:
    """The keys of a bench file of one place, as they are written."""

    name: Any = "bench"
    leads: Any = "by hand"
    instruments: Any = None
    cell: Any = field(default_factory=dict)
    speed_up: Any = 1.0
    alarms: Any = field(default_factory=dict)
    note: Any = None
    simulated: Any = None
    sensed_at: Any = None
    hands: Any = None
    check_resistor: Any = None
    charge_path: Any = None
    calibration: Any = None
    attended: Any = None
    smoke_alarm: Any = None
    bay: Any = field(default_factory=dict)


@dataclass(frozen=True)
class CellTable:
    """The keys of [cell]: which instrument measures what of the cell."""

    voltage: Any = None
    current: Any = None
    temperature: Any = None
    voltage_when_off: Any = None
    room_temperature: Any = None


@dataclass(frozen=True)
class ResistorTable:
    """The keys of [check_resistor]."""

    resistance: Any = None
    tolerance: Any = "0.1 %"
    power: Any = "0.25 W"
    note: Any = None


@dataclass(frozen=True)
class ChargePathTable:
    """The keys of [charge_path]."""

    smallest_drop: Any = None


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
    """One set-up. `cell_*`: names of the instruments that measure the cell.

    instruments: each one's table, as its driver reads it; abilities: what each guards by itself, as far as that is
    known without opening it; hands: where the hands of a served simulated bench are reached; simulated: whether the
    file says that nothing of this bench is real; shares: the instruments that other bays use too.
    """

    name: str
    leads: str
    instruments: Mapping[str, Mapping[str, Any]]
    cell_voltage: str
    cell_current: tuple[str, ...]
    cell_temperature: str | None
    cell_voltage_when_off: str
    room_temperature: str | None = None
    check_resistor: CheckResistor | None = None
    calibration: Mapping[str, Calibration] = field(default_factory=dict)
    speed_up: float = 1.0
    alarms: Mapping[str, Any] = field(default_factory=dict)
    data: Mapping[str, Any] = field(default_factory=dict)
    where: str = "bench"
    alarm_input: AlarmInput | None = None  # of smoke or heat
    diode_drop_V: float = 0.0  # of a blocking diode, at the current at which a charge ends; 0: there is none
    sensed_at: str | None = None
    hands: str = ""
    simulated: bool = False
    shares: tuple[str, ...] = ()
    abilities: Mapping[str, Abilities] = field(default_factory=dict)

    def may_differ_V(self, one: str, other: str, voltage_V: float) -> float:
        """Return how far apart two voltmeters at the same cell may read, V: what both specifications allow together.

        Without a specification of one of them: 50 mV, or what is assumed where that is more.
        """
        both = [self._of(name, "voltage") for name in (one, other)]
        each = sum(specification.most(voltage_V) for specification in both)
        return max(AGREE_V if any(specification.assumed for specification in both) else LEAST_AGREE_V, each)

    def voltage_off_V(self, name: str, voltage_V: float) -> float | None:
        """Return what one instrument's voltage may be off by, V; None where the file does not say."""
        specification = self._of(name, "voltage")
        return None if specification.assumed else specification.most(voltage_V)

    def current_of(self, name: str) -> ChannelSpecification:
        """Return what one instrument's current may be off by, A."""
        return self._of(name, "current")

    def temperature_of(self, name: str) -> ChannelSpecification:
        """Return what one instrument's temperature may be off by, K."""
        return self._of(name, "temperature")

    def role_of(self, name: str) -> str:
        """Return the role of one instrument."""
        return str(self.instruments[name]["role"])

    def with_role(self, role: str) -> list[str]:
        """Return the names of all instruments of a role."""
        return [name for name in self.instruments if self.role_of(name) == role]

    def first(self, role: str) -> str | None:
        """Return the name of the first instrument of a role, else None."""
        return next(iter(self.with_role(role)), None)

    def measurement(self, only_charges: bool = False) -> BenchMeasurement:
        """Return the specification of each channel, as run.json holds it.

        `only_charges`: the run's current is the supply's, also where a resistor's is named before it.
        """
        whose = self.cell_current[:1]
        if only_charges:
            whose = tuple(name for name in self.cell_current if self.role_of(name) == "supply") or whose
        time = self._of(self.cell_voltage, "time")
        if self.speed_up > 1.0:  # a bench that lives faster carries orders out as late as the faster time says
            time = replace(time, orders_within_s=ORDER_TAKES_S * self.speed_up)
        return BenchMeasurement(
            voltage=self._of(self.cell_voltage, "voltage"),
            current=self._of(whose[0], "current") if whose else ASSUMED["current"],
            temperature=self._of(self.cell_temperature or "", "temperature"),
            time=time,
        )

    def _of(self, name: str, channel: str) -> ChannelSpecification:
        written = self.instruments.get(name, {}).get("specification", {}).get(channel)
        if written is None:
            return ASSUMED[channel]
        return specification_of_channel(written, channel, f"{self.where}: instruments.{name}.specification.{channel}")


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
        return bench_from_dict(from_the_file(data, file_path), str(path))
    data = read_toml(path)
    if "bays" in data:
        bays = [str(bay) for bay in data["bays"]] if isinstance(data["bays"], Mapping) else []
        addresses = ", ".join(f"{path}#{bay}" for bay in bays)
        raise InputError(f"{path}: describes {len(bays)} bays; one of {addresses} is meant")
    return bench_from_dict(from_the_file(data, path), str(path))


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
    table = as_written(BenchTable, data, where)
    instruments = table.instruments
    if not isinstance(instruments, Mapping) or not instruments:
        raise InputError(f"{where}: instruments is missing; at least one [instruments.NAME] table is needed")
    for name, one in instruments.items():
        _check_instrument(name, one, where)
    if table.leads not in LEADS:
        raise InputError(f"{where}: leads = {shown(table.leads)} is not accepted; {', '.join(map(repr, LEADS))} are")
    if table.sensed_at not in (None, *SENSED_AT):
        raise InputError(
            f"{where}: sensed_at = {shown(table.sensed_at)} is not accepted; {', '.join(map(repr, SENSED_AT))} are"
        )
    _check_hands(table, where)
    speed_up = finite_number(table.speed_up)
    if speed_up is None or not 0 < speed_up <= 1e6:
        raise InputError(f"{where}: speed_up = {shown(table.speed_up)} is not accepted; a number above 0 is")
    cell = _cell(table.cell, instruments, where)
    drop_V = _diode_drop_V(table.charge_path, where)
    Alarm(table.alarms, f"{where}: alarms")  # a mistake there is told now, not at the first alarm
    bench = BenchDescription(
        name=text_of(table.name, f"{where}: name"),
        leads=table.leads,
        instruments=instruments,
        speed_up=speed_up,
        check_resistor=_check_resistor(table.check_resistor, where),
        calibration=calibrations_of(table.calibration, instruments, where),
        alarms=table.alarms,
        data=data,
        where=where,
        diode_drop_V=drop_V,
        alarm_input=alarm_input_of(table.smoke_alarm, f"{where}: smoke_alarm"),
        sensed_at=table.sensed_at,
        hands=str(table.hands or ""),
        simulated=table.simulated is True,
        shares=tuple(table.bay.get("shares", ())),
        **cell,
    )
    if drop_V:
        _seen_behind_the_diode(bench)
    bench.measurement()
    return bench


def _diode_drop_V(written: object, where: str) -> float:
    """Return the smallest drop of the blocking diode that [charge_path] describes, V; 0 where there is none.

    Raises:
        InputError: a key or value that is not accepted.
    """
    if written is None:
        return 0.0
    here = f"{where}: charge_path"
    table = as_written(ChargePathTable, written, here, ("smallest_drop",))
    drop_V: float | None = None
    with contextlib.suppress(NotAQuantity):
        drop_V = read(table.smallest_drop, "voltage")
    if drop_V is None or not LEAST_DROP_V <= drop_V <= MOST_DROP_V:
        raise InputError(
            f"{here}.smallest_drop: {shown(table.smallest_drop)} is not accepted; {LEAST_DROP_V:g} V to "
            f"{MOST_DROP_V:g} V is, as measured with a hand meter over the diode at the current at which a charge ends"
        )
    return drop_V


def _seen_behind_the_diode(bench: BenchDescription) -> None:
    """Check that somebody else than the supply measures at the cell itself.

    Raises:
        InputError: nobody does, so a charge through the diode would go unseen.
    """
    for name in (bench.cell_voltage, bench.cell_voltage_when_off):
        role = bench.role_of(name)
        if role == "supply" or (role == "load" and bench.sensed_at != "cell"):
            raise InputError(
                f"{bench.where}: charge_path: {name_shown(name)} measures the cell's voltage, and sees it only through "
                "the diode or along the load's leads; a meter or logger at the cell is needed, or a load whose sense "
                "wires end there (sensed_at = 'cell'); or a relay in place of the diode"
            )


def _check_hands(table: BenchTable, where: str) -> None:
    """Refuse hands of a bench that is not simulated, or on another computer."""
    if table.hands is None:
        return
    host, _, port = str(table.hands).rpartition(":")
    if table.simulated is not True:
        raise InputError(f"{where}: hands goes with simulated = true; a real bench has a person at the terminal")
    if host != "127.0.0.1" or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise InputError(f'{where}: hands = {shown(table.hands)} is not accepted; "127.0.0.1:PORT" is')


def _check_resistor(data: Any, where: str) -> CheckResistor | None:
    """Read [check_resistor]: resistance = "10 ohm", tolerance = "0.1 %", power = "0.5 W"."""
    if data is None:
        return None
    here = f"{where}: check_resistor"
    table = as_written(ResistorTable, data, here)
    if table.resistance is None:
        raise InputError(f'{here}.resistance is missing; a resistance such as "10 ohm" is needed')
    ohm = parse(table.resistance, "resistance", f"{here}.resistance")
    tolerance = parse(table.tolerance, "ratio", f"{here}.tolerance")
    power_W = parse(table.power, "power", f"{here}.power")
    for value, key, written, low, high, accepted in (
        (ohm, "resistance", table.resistance, 0.1, 1e4, "0.1 ohm to 10 kohm"),
        (tolerance, "tolerance", table.tolerance, 0.0, 0.01, "up to 1 %: a coarser one checks nothing"),
        (power_W, "power", table.power, 0.01, 1000.0, "10 mW to 1 kW"),
    ):
        if not low <= value <= high:
            raise InputError(f"{here}.{key} = {shown(written)} is not accepted; {accepted} is")
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
        specification_table(entry, f"{here}.{channel}")


def _cell(data: Any, instruments: Mapping[str, Mapping[str, Any]], where: str) -> dict[str, Any]:
    """Return who measures the cell; sensible where there is no choice."""
    table = as_written(CellTable, data, f"{where}: cell")
    known = ", ".join(map(name_shown, instruments))
    for key, value in data.items():
        for name in value if isinstance(value, list) and key == "current" else [value]:
            if not isinstance(name, str) or name not in instruments:
                raise InputError(f"{where}: cell.{key} names {shown(name)}; the instruments are {known}")
    by_role: dict[str, list[str]] = {role: [] for role in ROLES}
    for name, one in instruments.items():
        by_role[one["role"]].append(name)
    meters, loads, loggers, supplies = (by_role[role] for role in ("meter", "load", "logger", "supply"))
    measuring = [*meters, *loads, *loggers, *supplies]
    if not measuring:
        raise InputError(
            f"{where}: no instrument measures the cell's voltage; a load, meter, logger or supply is needed"
        )
    voltage = measuring[0] if table.voltage is None else table.voltage
    current = ([*loads, *supplies] or [voltage]) if table.current is None else table.current
    temperature = table.temperature
    if temperature is not None and table.room_temperature == temperature:
        raise InputError(
            f"{where}: cell.room_temperature names {temperature!r}, which is the cell's own sensor; "
            "a second one is needed"
        )
    return {
        "cell_voltage": str(voltage),
        "cell_current": tuple([current] if isinstance(current, str) else current),
        "cell_temperature": temperature,
        "cell_voltage_when_off": str(voltage if table.voltage_when_off is None else table.voltage_when_off),
        "room_temperature": table.room_temperature,
    }
