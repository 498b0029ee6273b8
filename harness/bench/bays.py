"""A bench file with several bays: instruments that belong to a bay, and instruments that bays use one after another.

    name = "bench in the hall"
    [attended]                      # hours in which somebody is there; charging keeps inside them
    hours = "18:00-23:00"
    days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
    [smoke_alarm]                   # stops everything; see `AlarmInput`
    file = "/sys/class/gpio/gpio17/value"
    alarm_when = "1"
    [shared.supply]                 # one instrument for several bays
    role = "supply"
    resource = "..."
    [bays.a]
    fuse = "2 A"
    place = "tile 1"
    leads = "relay"
    shares = ["supply"]
    [bays.a.instruments.load]       # the rest as in a bench file of one place
    [bays.a.cell]

`FILE#a` names one bay wherever a bench file is asked for: it is then a bench like any other. A run opens of the shared
instruments only those that its recipe needs, and holds them until it ends.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.bench.alarm_input import AlarmInput, alarm_input_of
from amphora.harness.bench.bench_file import BenchTable, bench_from_dict, from_the_file
from amphora.harness.bench.one_bay import BaysTable, BayTable, OfBay, bay_data, read_toml, table_of_any
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, finite_number, shown, text_of
from amphora.harness.common.locks import channel_text
from amphora.harness.common.quantities import parse

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
ENERGISING = ("load", "supply")


@dataclass(frozen=True)
class HoursTable:
    """The keys of [attended], as they are written."""

    hours: Any = None
    days: Any = DAYS


@dataclass(frozen=True, slots=True)
class Hours:
    """The hours of the day in which somebody is there, local; `begin_h` after `end_h`: over midnight."""

    begin_h: float
    end_h: float
    days: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)  # 0: Monday; the day on which they begin

    def span(self, now: datetime) -> tuple[datetime, datetime]:
        """Return when the hours that hold now began and end; else those that come next. `now`: local, aware."""
        length_h = (self.end_h - self.begin_h) % 24.0 or 24.0
        for ahead in range(-1, 9):
            day = (now + timedelta(days=ahead)).date()
            if day.weekday() not in self.days:
                continue
            begin = datetime.combine(day, time(), now.tzinfo) + timedelta(hours=self.begin_h)
            end = begin + timedelta(hours=length_h)
            if end > now:
                return begin, end
        raise InputError("attended: days names none; at least one of " + ", ".join(DAYS) + " is needed")

    def hold(self, now: datetime) -> bool:
        """Tell whether somebody is there."""
        return self.span(now)[0] <= now

    def every_day(self) -> bool:
        """Tell whether they hold each day."""
        return len(set(self.days)) == 7

    def __str__(self) -> str:
        def clock(hour: float) -> str:
            minutes = round(hour * 60.0)
            return f"{minutes // 60:02d}:{minutes % 60:02d}"

        return f"{clock(self.begin_h)}-{clock(self.end_h)}"


@dataclass(frozen=True, slots=True)
class Bay:
    """One place for a cell. `address`: how a run names it; `shared`: name -> role of what it shares with others."""

    name: str
    address: str
    fuse_A: float
    place: str
    sensor: str | None
    roles: frozenset[str]
    shared: Mapping[str, str] = field(default_factory=dict)
    at_cell: frozenset[str] = frozenset()  # who measures the cell

    def needs(self, roles: frozenset[str]) -> frozenset[str]:
        """Return which shared instruments a run of these roles holds (as `for_recipe` leaves them)."""
        used = {name for name, role in self.shared.items() if role in ENERGISING and role in roles}
        others = {name for name, role in self.shared.items() if role not in ENERGISING}
        return frozenset(used | (others if used else others & self.at_cell))


@dataclass(frozen=True, slots=True)
class Bays:
    """All bays of a bench file."""

    name: str
    where: str
    bays: Mapping[str, Bay]
    attended: Hours | None
    alarm_input: AlarmInput | None
    alarms: Mapping[str, Any]
    simulated: bool
    speed_up: float = 1.0

    def said(self) -> list[str]:
        """Return what each place has of its own, and what the bays share; for a person, before anything begins."""
        lines = []
        for bay in self.bays.values():
            fuse = f"a fuse of {bay.fuse_A:g} A" if bay.fuse_A else "! no fuse named"
            sensor = f"sensor {bay.sensor}" if bay.sensor else "! no temperature sensor: nothing is charged there"
            place = bay.place or "! no place of its own named"
            shares = f"; shares {', '.join(bay.shared)}" if bay.shared else ""
            lines.append(f"bay {bay.name}: {place}; {fuse}; {sensor}{shares}")
        if self.alarm_input is None:
            lines.append("! no smoke or heat alarm is an input of this bench ([smoke_alarm]): nothing stops all bays")
        return lines


def parse_hours(text: Any, where: str) -> tuple[float, float]:
    """Return hours of the day from '18:00-23:00'.

    Raises:
        InputError: two times of day are accepted, which differ.
    """
    begin, _, end = text.partition("-") if isinstance(text, str) else ("", "", "")
    found = []
    for part in (begin, end):
        hour, colon, minute = part.strip().partition(":")
        if colon and hour.isdecimal() and minute.isdecimal() and int(minute) < 60 and len(minute) == 2:
            found.append(int(hour) + int(minute) / 60.0)
    if len(found) != 2 or found[0] == found[1] or not all(0.0 <= hour < 24.0 for hour in found):
        raise InputError(f"{where}: {shown(text)} is not accepted; two times of day such as 18:00-23:00 are")
    return found[0], found[1]


def load_bays(path: Path) -> Bays:
    """Read a bench file for the queue; one without bays is a bench of one bay.

    Raises:
        InputError: missing, not TOML, or a key or value that is not accepted.
    """
    data = read_toml(path)
    several = "bays" in data
    table: BaysTable | BenchTable
    table = as_written(BaysTable, data, str(path), ("bays",)) if several else as_written(BenchTable, data, str(path))
    hours = _hours(table.attended, f"{path}: attended")
    alarm = alarm_input_of(table.smoke_alarm, f"{path}: smoke_alarm")
    found: dict[str, Bay] = {}
    if isinstance(table, BaysTable):
        for name in table_of_any(table.bays, f"{path}: bays"):
            found[name] = _bay_of(name, f"{path}#{name}", bay_data(data, name, path), path)
        _check_channels(table, path)
    else:
        found["bench"] = _bay_of("bench", str(path), data, path)
    return Bays(
        name=str(table.name), where=str(path), bays=found, attended=hours, alarm_input=alarm,
        alarms=table.alarms or {}, simulated=table.simulated is True, speed_up=finite_number(table.speed_up) or 1.0,
    )  # fmt: skip


def _bay_of(name: str, address: str, data: Mapping[str, Any], path: Path) -> Bay:
    made = bench_from_dict(from_the_file(dict(data), path), address)
    about = OfBay(**data["bay"]) if "bay" in data else None
    fuse_A = 0.0 if about is None else parse(about.fuse, "current", f"{path}: bays.{name}: fuse")
    place = "" if about is None else text_of(about.place, f"{path}: bays.{name}: place")
    if about is not None and not place.strip():
        raise InputError(f"{path}: bays.{name}: place is empty; where the cell of this bay lies is needed")
    shared = {item: made.role_of(item) for item in made.shares}
    roles = frozenset(map(made.role_of, made.instruments))
    at_cell = frozenset(
        name
        for name in (made.cell_voltage, made.cell_voltage_when_off, made.cell_temperature, *made.cell_current)
        if name is not None
    )
    return Bay(name, address, fuse_A, place, made.cell_temperature, roles, shared, at_cell)


def _check_channels(file: BaysTable, path: Path) -> None:
    """Refuse an instrument that stands in two bays, and two cells in one place."""
    seen: dict[str, str] = {}
    places: dict[str, str] = {}
    tables = [(f"shared.{name}", table) for name, table in (file.shared or {}).items()]
    for bay, written in file.bays.items():
        entry = BayTable(**written)
        tables += [(f"bays.{bay}.instruments.{name}", table) for name, table in entry.instruments.items()]
        place = str(entry.place).strip().casefold()
        if place in places:
            raise InputError(
                f"{path}: bays.{places[place]} and bays.{bay} have the same place; each has one of its own"
            )
        places[place] = bay
        for scanner, at in entry.channels.items():
            other = seen.setdefault(f"{scanner} place {at}", bay)
            if other != bay:
                raise InputError(f"{path}: bays.{other} and bays.{bay} have the same place {at} of {scanner}")
    for name, table in tables:
        if "simulated" in (table.get("resource"), table.get("port")):
            continue
        channel = channel_text(table)
        if channel in seen:
            raise InputError(
                f"{path}: {seen[channel]} and {name} are the same channel ({channel}); what several bays use stands "
                "under [shared.NAME] and in their 'shares'"
            )
        seen[channel] = name


def _hours(data: Any, where: str) -> Hours | None:
    if data is None:
        return None
    table = as_written(HoursTable, data, where, ("hours",))
    begin_h, end_h = parse_hours(table.hours, f"{where}: hours")
    days = table.days
    if not isinstance(days, list | tuple) or not days or not all(day in DAYS for day in days):
        raise InputError(f"{where}: days = {shown(days)} is not accepted; a list of {', '.join(DAYS)} is")
    return Hours(begin_h, end_h, tuple(sorted({DAYS.index(day) for day in days})))
