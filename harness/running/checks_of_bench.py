"""What an evening proves of a bench: check resistor, warmed sensor, leakage with the mains unplugged.

Each proof is one line of `bench-checks.jsonl` in the logs folder, beside the cells. A run of the
same evening (24 h) on the same bench and the same instruments copies what it relies on into its own
events, so that a folder tells all by itself; leakage is tested once per bench and holds until the
bench is wired anew. Lines are only ever appended, one whole line at a time whoever appends beside; a
line that was cut short is told and proves nothing, and neither does a time that lies ahead of now (a
clock that was set back: how old that proof is nobody knows). Guided by a person; only the check
resistor switches anything on, and never above 1 V. Volt, ampere, ohm, kelvin, second.
"""

import json
import math
import os
import signal
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from amphora.drivers.errors import DriverError
from amphora.drivers.roles import Clock
from amphora.harness.archive.journal import sync_folder, to_line, utc_text
from amphora.harness.bench.bench_file import BenchDescription, CheckResistor
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import BenchError, InputError, Interrupted, JournalDamaged, Refused, Terminated
from amphora.harness.common.locks import Lock, acquire
from amphora.harness.common.quantities import format_quantity
from amphora.harness.common.signals import handled, ignored, numbers
from amphora.harness.plans.plan import Plan
from amphora.harness.running.people import Attendant
from amphora.harness.running.switch_off import make_all_safe, off_limit_A, sheet_of
from amphora.harness.running.watchdog import Keeper, beating

FILE = "bench-checks.jsonl"
FORMAT = "amphora-bench-checks/1"
EVENING = timedelta(hours=24)
AHEAD = timedelta(seconds=5)  # a clock that is kept right by the network is trimmed by less
LOCK_WITHIN_S = 10.0
TORN = b" torn\n"  # the mark of a line that was cut short, as in the journal
KINDS = ("check-resistor", "sensor-proven", "leakage")

RISE_K = 3.0  # fingers are some 10 K above a room; a sensor that lies on the cell and is read shows a third of it
WARM_WITHIN_S = 120.0
COOL_WITHIN_S = 180.0
ANSWER_WITHIN_S = 1800.0
ALARM_AT = 0.01
TEST_V = 1.0  # below any cell worth the name: a supply at 1 V charges none that was left in by mistake
TEST_A = 0.1
FOREIGN_V = 0.1  # more than this where the resistor should be alone: a cell is still connected
SETTLE_S = 2.0
RECOVER_S = 8.0
READINGS = 20
EVERY_S = 0.3
LEAK_V_PER_H = 0.005  # a cell of 1 Ah in the middle of its charge falls some 7 mV for 10 mAh taken out


Tell = Callable[[str], None]


# -- the file -----------------------------------------------------------------------------------------


class Checks(list[dict[str, Any]]):
    """Every proof that was kept, oldest first; `notices` tells of lines that were left out."""

    notices: tuple[str, ...] = ()


def read_checks(logs: Path) -> Checks:
    """Return every proof that was kept, oldest first; a line that was cut short is left out and told.

    Raises:
        JournalDamaged: a line is none of ours: file and line.
    """
    path = logs / FILE
    content = _content(path)
    if content and not content.endswith(b"\n"):
        time.sleep(0.1)  # somebody may be in the middle of a line
        content = _content(path)
    found = Checks()
    notices = []
    *lines, tail = content.split(b"\n")
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if line.endswith(TORN.rstrip(b"\n")):
            notices.append(_torn(path, number))
            continue
        record = _record(line)
        if record is None:
            raise JournalDamaged(
                f"{path}, line {number}: is no check of a bench ({FORMAT}); take that line out, and check again"
            )
        found.append(record)
    if tail:
        notices.append(_torn(path, len(lines) + 1))
    found.notices = tuple(notices)
    return found


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _torn(path: Path, number: int) -> str:
    return f"{path}, line {number}: a check that was cut short was left out; it proves nothing"


def _record(line: bytes) -> dict[str, Any] | None:
    """Return one line of the file as data; None when it is none of ours."""
    try:
        record = json.loads(line)
        moment = datetime.fromisoformat(record["utc"])
        kind, passed = record["kind"], record["proven" if record["kind"] == "sensor-proven" else "passed"]
        ours = record["format"] == FORMAT and kind in KINDS and moment.tzinfo is not None
        whole = isinstance(record["instruments"], dict) and isinstance(record["text"], str) and isinstance(passed, bool)
        whole = whole and (kind == "leakage" or bool(record["instruments"]))  # of whom it was proven
        to_line(record).encode("utf-8")  # no number or character that a run's events could not hold
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        return None
    return record if ours and whole else None


def keep(
    logs: Path, bench: BenchDescription, identities: Mapping[str, str], kind: str, utc: datetime, **fields: Any
) -> dict[str, Any]:
    """Append one proof to the file; return it.

    Raises:
        InputError: it cannot be written.
    """
    record = {
        "format": FORMAT, "kind": kind, "utc": utc_text(utc), "bench": bench.name, "instruments": dict(identities),
        **fields,
    }  # fmt: skip
    path = logs / FILE
    try:
        logs.mkdir(parents=True, exist_ok=True)
        with _locked(path):
            _append(path, to_line(record).encode("utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    return record


class _Busy(InputError):
    """Another process appends just now."""


def _locked(path: Path) -> Lock:
    """Return the lock of the file, waiting for whoever appends just now."""
    until_s = time.monotonic() + LOCK_WITHIN_S
    while True:
        try:
            return acquire(path.with_name(f".{path.name}.lock"), "a check of a bench", str(path), _Busy)
        except _Busy:
            if time.monotonic() >= until_s:
                raise
            time.sleep(0.02)


def _append(path: Path, line: bytes) -> None:
    """Append one line, on the disk when this returns; what fails leaves the file as it was. Under its lock."""
    new = not path.exists()
    descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    try:
        size = os.lseek(descriptor, 0, os.SEEK_END)
        if size:
            os.lseek(descriptor, -1, os.SEEK_END)
            if os.read(descriptor, 1) != b"\n":
                line = TORN + line
        try:
            done = 0
            while done < len(line):
                done += os.write(descriptor, line[done:])
            os.fsync(descriptor)
        except OSError:
            with suppress(OSError):  # where it cannot be taken back, the next one marks it
                os.ftruncate(descriptor, size)
            raise
    finally:
        os.close(descriptor)
    if new:
        sync_folder(path.parent)


def latest(
    checks: Sequence[Mapping[str, Any]],
    kind: str,
    bench: BenchDescription,
    now: datetime,
    *,
    within: timedelta | None = EVENING,
    identities: Mapping[str, str] | None = None,
    **fields: Any,
) -> dict[str, Any] | None:
    """Return the newest proof of a kind that holds for this bench now; None: there is none.

    Args:
        within: How old it may be; None: any age.
        identities: Who answers now, by name; an instrument of the proof that is another now makes it void.
        fields: What it has to be about (`sensor="thermometer"`).
    """
    for record in reversed(checks):
        if record["kind"] != kind or record.get("bench") != bench.name:
            continue
        if _is_ahead(record, now) and record.get("passed") is not False:  # what failed is warned of at any time
            continue
        if any(record.get(key) != value for key, value in fields.items()):
            continue
        age = now - datetime.fromisoformat(record["utc"])
        if within is not None and age > within:
            continue
        if identities is not None and any(
            identities.get(name) != identity for name, identity in record["instruments"].items()
        ):
            continue
        return None if record.get("proven") is False else dict(record)
    return None


def _is_ahead(record: Mapping[str, Any], now: datetime) -> bool:
    """Whether it was taken later than now: then the clock was set back, and how old it is cannot be known."""
    return datetime.fromisoformat(record["utc"]) - now > AHEAD


def notices_of(checks: Sequence[Mapping[str, Any]], bench: BenchDescription, now: datetime) -> list[str]:
    """Return what has to be told of the file: lines that were cut short, proofs that lie ahead of the clock."""
    told = list(getattr(checks, "notices", ()))
    ahead = [record for record in checks if record.get("bench") == bench.name and _is_ahead(record, now)]
    if ahead:
        told.append(
            f"{len(ahead)} of this bench's checks, the last of {ahead[-1]['utc']}, lie ahead of this computer's clock "
            f"({utc_text(now)}): it was set back or runs wrong; they prove nothing until it is right"
        )
    return told


def as_event(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return a proof as a run's events hold it: its own fields, and when it was taken."""
    left_out = ("format", "kind", "bench", "instruments", "utc")
    return {**{key: value for key, value in record.items() if key not in left_out}, "taken_utc": record["utc"]}


# -- the temperature sensor, warmed by fingers ---------------------------------------------------------


def prove_sensor(rig: Rig, sensor: str, clock: Clock, person: Attendant, tell: Tell) -> dict[str, Any]:
    """Have a person warm the sensor; it has to rise by 3 K within 2 min, then is left to cool.

    Returns:
        `sensor`, `proven`, `rise_K`, `before_degC`, `highest_degC`, `seconds`, `text`.

    Raises:
        DriverError: it does not answer.
    """
    before = _mean_degC(rig, sensor, clock)
    found: dict[str, Any] = {"sensor": sensor, "proven": False, "rise_K": None}
    if before is None:
        return {**found, "text": f"{sensor} gives no temperature: is it plugged in, is it the right one?"}
    person.show(
        f"Take the sensor {sensor!r} between two fingers, where it lies on the cell{_in_bay(rig)}: it shows "
        f"{before:.1f} °C and has to rise by {RISE_K:g} K within {WARM_WITHIN_S / 60:g} min.",
        "warm-sensor",
    )
    begin_s = clock.now_s()
    highest = before
    others = _others(rig, sensor)
    while clock.now_s() - begin_s < WARM_WITHIN_S:
        clock.sleep(1.0)
        now = rig.instruments[sensor].read().get("temperature_degC")
        if now is not None and now > highest:
            highest = now
        if highest - before >= RISE_K:
            break
    seconds = clock.now_s() - begin_s
    rise_K = highest - before
    risen = {name: degC - others.get(name, degC) for name, degC in _others(rig, sensor).items()}
    other, other_K = max(risen.items(), key=lambda one: one[1], default=("", 0.0))
    found.update(
        proven=rise_K >= RISE_K, rise_K=round(rise_K, 3), before_degC=round(before, 3), highest_degC=round(highest, 3),
        seconds=round(seconds, 1),
    )  # fmt: skip
    person.show("Let go of the sensor.", "release-sensor")
    if rise_K < RISE_K:
        swapped = f"; {other} rose by {other_K:.1f} K instead: that is the one at this cell" * (other_K >= RISE_K)
        return {
            **found,
            "text": f"{sensor} rose by {rise_K:.1f} K in {seconds:.0f} s, {RISE_K:g} K are needed: it is not the one "
            f"at the cell, or not in contact, or it does not measure{swapped}",
        }
    if other_K >= 0.5 * RISE_K:
        return {
            **found,
            "proven": False,
            "text": f"{sensor} rose by {rise_K:.1f} K, and {other} by {other_K:.1f} K: which of them is at this cell "
            "is not shown; warm one alone",
        }
    tell(f"{sensor} rose by {rise_K:.1f} K in {seconds:.0f} s: it measures; waiting until it has cooled")
    begin_s = clock.now_s()
    while clock.now_s() - begin_s < COOL_WITHIN_S:
        clock.sleep(1.0)
        now = rig.instruments[sensor].read().get("temperature_degC")
        if now is not None and now - before < 1.0:
            break
    return {**found, "text": f"{sensor} rose by {rise_K:.1f} K between fingers in {seconds:.0f} s"}


def _in_bay(rig: Rig) -> str:
    """Return which bay's cell is meant, where a file has several."""
    _, several, bay = rig.description.where.rpartition("#")
    return f" in bay {bay!r}" if several else ""


def _others(rig: Rig, sensor: str) -> dict[str, float]:
    """Return what every other sensor shows that this bench can see, degC: by name on a logger's line."""
    own = str(getattr(rig.instruments[sensor], "sensor", ""))
    shown: dict[str, float] = {}
    for one in rig.instruments.values():
        if getattr(one, "sensor", ""):  # else its only temperature is its own
            shown |= getattr(one, "sensors", {})
    return {name: degC for name, degC in shown.items() if name != own}


def _mean_degC(rig: Rig, sensor: str, clock: Clock) -> float | None:
    values = []
    for _ in range(5):
        value = rig.instruments[sensor].read().get("temperature_degC")
        if value is not None:
            values.append(value)
        clock.sleep(0.5)
    return statistics.fmean(values) if values else None


# -- the check resistor ---------------------------------------------------------------------------------


def check_resistor(
    rig: Rig, resistor: CheckResistor, clock: Clock, person: Attendant, tell: Tell, through: str | None = None
) -> dict[str, Any]:
    """Measure a known resistor with what measures the cells; the bench is made safe at every end.

    Args:
        rig: The opened bench.
        resistor: What it is.
        clock, person, tell: Time, who does it, and where progress is said.
        through: "supply": the supply feeds it in the cell's place. "load": the load draws from a cell,
            once without and once with the resistor in series; the difference is the resistor. "logger":
            a cell drains through it. None: with whoever measures the discharge, where the bench can.

    Returns:
        `resistance_ohm`, `tolerance`, `measured_ohm`, `deviation`, `passed`, `text`, `through`; `voltage_V` over the
        resistor by `voltage_by`; `current_A` as `instrument` showed it (positive into a cell) and `zero_A`, what it
        showed with nothing flowing: measured_ohm = voltage_V / |current_A - zero_A|.

    Raises:
        InputError: the bench cannot do it: why.
        Refused: a cell is where the resistor should be alone.
        DriverError: an instrument is in trouble.
    """
    ways = _ways(rig)
    first = rig.instruments[rig.description.cell_current[0]].role  # who measures the discharge
    way = through or (first if first in ways else next(iter(ways), None))
    if way is None:
        raise InputError(
            f"{rig.description.where}: nothing here can check a resistor: no supply, no load, and no logger that "
            "measures a current of its own (one that is computed from the voltage agrees with itself)"
        )
    if way not in ways:
        raise InputError(f"--through {way}: this bench cannot; {', '.join(ways) or 'nothing'} is accepted")
    with _guarded(rig, clock, tell):
        taken = ways[way](rig, resistor, clock, person, tell)
    return _result(resistor, way, *taken)


class _Taken(NamedTuple):
    """Voltage over the resistor without its zero, V; current as shown and with nothing flowing, A; by whom."""

    volts: float
    shown_A: float
    zero_A: float
    voltage_by: str
    current_by: str


def _result(
    resistor: CheckResistor, way: str, volts: float, shown_A: float, zero_A: float, voltage_by: str, current_by: str
) -> dict[str, Any]:
    known = resistor.resistance_ohm
    amperes = abs(shown_A - zero_A)
    found: dict[str, Any] = {"resistance_ohm": known, "tolerance": resistor.tolerance, "through": way}
    found.update(voltage_by=voltage_by, instrument=current_by, voltage_V=round(volts, 6))
    found.update(current_A=round(shown_A, 6), zero_A=round(zero_A, 6))
    who = f"voltage by {voltage_by}, current by {current_by}"
    if amperes <= 0.0 or volts <= 0.0 or not math.isfinite(volts / amperes):
        text = f"no resistance came out ({volts:.4f} V, {amperes:.4f} A; {who}): is the resistor connected?"
        return {**found, "measured_ohm": None, "deviation": None, "passed": False, "text": text}
    measured = volts / amperes
    deviation = measured / known - 1.0
    passed = abs(deviation) <= ALARM_AT
    text = (
        f"{format_quantity(known, 'ohm')} measured as {measured:.4g} ohm, {deviation * 100:+.2f} % ({who}); "
        f"{'within' if passed else 'MORE THAN'} {ALARM_AT * 100:g} %"
    )
    if not passed:
        text += ": a contact, a wrong sense lead, a wrong range, or an instrument that is off; measure no cell with it"
    return {
        **found,
        "measured_ohm": round(measured, 6),
        "deviation": round(deviation, 6),
        "passed": passed,
        "text": text,
    }


Way = Callable[[Rig, CheckResistor, Clock, Attendant, Tell], _Taken]


def _ways(rig: Rig) -> dict[str, Way]:
    ways: dict[str, Way] = {}
    if rig.supply is not None:
        ways["supply"] = _by_supply
    if rig.load is not None:
        ways["load"] = _by_load
    if _own_current(rig) is not None:
        ways["logger"] = _by_logger
    return ways


def _own_current(rig: Rig) -> str | None:
    """Return a logger or meter that measures a current itself, not one computed from the cell's voltage."""
    for name in rig.description.cell_current:
        instrument = rig.instruments[name]
        if instrument.role not in ("logger", "meter"):
            continue
        with suppress(DriverError):
            values = instrument.read()
            if "current_A" in values and not rig.reckoned(name, values):
                return name
    return None


def _test_current(resistor: CheckResistor, most_V: float) -> float:
    """Return a small current: at most 0.1 A, half of what the resistor bears, and so much voltage over it."""
    ohm = resistor.resistance_ohm
    return min(TEST_A, math.sqrt(0.5 * resistor.power_W / ohm), most_V / ohm)


def _by_supply(rig: Rig, resistor: CheckResistor, clock: Clock, person: Attendant, tell: Tell) -> _Taken:
    supply = rig.supply
    assert supply is not None
    bench = rig.description
    voltage_by = bench.cell_voltage
    if bench.leads == "by hand" and rig.instruments[voltage_by].role == "load":
        voltage_by = supply.name  # the load's leads are elsewhere
    ohm = format_quantity(resistor.resistance_ohm, "ohm")
    text = f"Take the cell OUT of its holder and put the check resistor ({ohm}) in the cell's place."
    _do(person, clock, text, "resistor-for-cell")
    blind = not rig.instruments[voltage_by].abilities.measures_with_output_off
    zero_V, zero_A = 0.0, _mean(rig, clock, supply.name, "current_A")
    if not blind:
        zero_V = _mean(rig, clock, voltage_by, "voltage_V")
        if abs(zero_V) > FOREIGN_V:
            raise Refused(
                f"{voltage_by} reads {zero_V:.3f} V where the check resistor should be alone: the cell is still "
                "connected; nothing was switched on"
            )
    amperes = _test_current(resistor, TEST_V)
    volts = amperes * resistor.resistance_ohm
    tell(f"{supply.name} feeds {volts:.3f} V, about {amperes * 1000:.0f} mA")
    supply.arm_limits(volts + 0.5, amperes * 2.0 + 0.05, 60.0)
    supply.set_voltage(volts)
    supply.set_current_limit(amperes * 1.5)
    if rig.switch is not None:
        rig.switch.connect("charge")
    supply.set_output(True)
    _wait(rig, clock, SETTLE_S)
    shown_V, shown_A = _means(rig, clock, voltage_by, supply.name)
    _all_off(rig, clock)
    _do(person, clock, "Take the check resistor out and put the cell back: plus to plus.", "cell-back")
    return _Taken(shown_V - zero_V, shown_A, zero_A, voltage_by, supply.name)


def _by_load(rig: Rig, resistor: CheckResistor, clock: Clock, person: Attendant, tell: Tell) -> _Taken:
    load = rig.load
    assert load is not None
    ohm = format_quantity(resistor.resistance_ohm, "ohm")
    text = "Connect a cell to the load as for a run, the voltmeter's clips at the LOAD's own terminals."
    _do(person, clock, text, "clips-to-load")
    cell_V = _mean(rig, clock, load.name, "voltage_V")
    amperes = _test_current(resistor, 0.25 * cell_V)
    if cell_V < 0.9 or amperes < 0.005:
        raise Refused(
            f"{load.name} reads {cell_V:.3f} V: a charged cell is needed that can give {ohm} a current that is seen; "
            "nothing was switched on"
        )
    tell(
        f"{load.name} draws {amperes * 1000:.0f} mA for {SETTLE_S + READINGS * EVERY_S:g} s, "
        "without and then with the resistor"
    )
    bare_V, bare_A, bare_zero_A = _drop(rig, clock, amperes)
    text = f"Put the check resistor ({ohm}) in series with the cell: into the plus lead, before the load."
    _do(person, clock, text, "resistor-in-series")
    with_V, with_A, zero_A = _drop(rig, clock, amperes)
    text = "Take the check resistor out of the lead again; clips back where they were."
    _do(person, clock, text, "resistor-out-of-lead")
    inner_V = 0.0 if bare_A == bare_zero_A else bare_V / (bare_A - bare_zero_A) * (with_A - zero_A)
    return _Taken(with_V - inner_V, with_A, zero_A, load.name, load.name)


def _drop(rig: Rig, clock: Clock, amperes: float) -> tuple[float, float, float]:
    """Return by how much the voltage falls under a small pulse, its current as shown, and the current before it."""
    load = rig.load
    assert load is not None
    before_V, zero_A = _means(rig, clock, load.name, load.name)
    load.set_discharge("current", amperes)
    if rig.switch is not None:
        rig.switch.connect("discharge")
    load.set_input(True)
    _wait(rig, clock, SETTLE_S)
    on_V, on_A = _means(rig, clock, load.name, load.name)
    load.set_input(False)
    clock.sleep(RECOVER_S)
    after_V = _mean(rig, clock, load.name, "voltage_V")
    return 0.5 * (before_V + after_V) - on_V, on_A, zero_A


def _by_logger(rig: Rig, resistor: CheckResistor, clock: Clock, person: Attendant, tell: Tell) -> _Taken:
    name = _own_current(rig)
    assert name is not None
    voltage_by = rig.description.cell_voltage
    zero_A = _mean(rig, clock, name, "current_A")
    ohm = format_quantity(resistor.resistance_ohm, "ohm")
    text = f"Let the cell drain through the check resistor ({ohm}), through the shunt as in a run."
    _do(person, clock, text, "drain-through-resistor")
    clock.sleep(SETTLE_S)
    volts, amperes = _means(rig, clock, voltage_by, name)
    tell(f"{voltage_by} reads {volts:.3f} V, {name} {amperes * 1000:.1f} mA")
    _do(person, clock, "Take the check resistor off the cell now: it drains on otherwise.", "resistor-off-cell")
    return _Taken(volts, amperes, zero_A, voltage_by, name)


def _means(rig: Rig, clock: Clock, voltage_by: str, current_by: str) -> tuple[float, float]:
    """Return means of voltage and current, read in turn."""
    volts, amperes = [], []
    for _ in range(READINGS):
        values = rig.instruments[voltage_by].read()
        others = values if current_by == voltage_by else rig.instruments[current_by].read()
        if "voltage_V" not in values or "current_A" not in others:
            raise BenchError(f"{voltage_by} or {current_by}: gives no value where one is needed")
        volts.append(values["voltage_V"])
        amperes.append(others["current_A"])
        _wait(rig, clock, EVERY_S)
    return statistics.fmean(volts), statistics.fmean(amperes)


def _wait(rig: Rig, clock: Clock, seconds: float) -> None:
    """Wait, and keep a relay in that wants a beat."""
    until_s = clock.now_s() + seconds
    while (left_s := until_s - clock.now_s()) > 1e-6:
        if rig.switch is not None:
            rig.switch.beat()
        clock.sleep(min(left_s, 0.5))


def _mean(rig: Rig, clock: Clock, name: str, key: str) -> float:
    values = []
    for _ in range(READINGS):
        value = rig.instruments[name].read().get(key)
        if value is None:
            raise BenchError(f"{name}: gives no {key} where one is needed")
        values.append(value)
        clock.sleep(EVERY_S)
    return statistics.fmean(values)


@contextmanager
def _guarded(rig: Rig, clock: Clock, tell: Tell) -> Iterator[None]:
    """Switch all off on every way out; where this program is ended for good, the keeper does.

    Raises:
        BenchError: something is still on; told before, and what the keeper achieved.
        Interrupted: the system asked to end, or the terminal was closed.
    """
    keeper: Keeper | None = None
    names = rig.energising()
    if names and rig.description.where != "simulated":
        # There is no run to record in.
        nowhere = Path(tempfile.gettempdir()) / "amphora-bench-check" / rig.description.name
        keeper = Keeper.start(
            dict(rig.description.data), names, nowhere, sheet=sheet_of(rig.description, rig.instruments)
        )
    try:
        with beating(keeper, lambda: None, math.inf), _signals_raise():
            try:
                yield
            finally:
                with _signals_wait():
                    _all_off_or_keeper(rig, clock, tell, keeper)
    finally:
        if keeper is not None:
            keeper.bye()


def _all_off_or_keeper(rig: Rig, clock: Clock, tell: Tell, keeper: Keeper | None) -> None:
    try:
        _all_off(rig, clock)
    except BenchError as error:
        if keeper is None:
            raise
        tell(f"! {error}; the keeper goes on trying")
        for name in rig.energising():  # two do not talk to one instrument
            with suppress(DriverError, OSError):
                rig.instruments[name].close()
        keeper.take_over()
        off, words, _ = keeper.achieved()
        raise BenchError(words if off else f"{error}; {words}") from error


SIGNALS = numbers("SIGTERM", "SIGHUP")


@contextmanager
def _signals_raise() -> Iterator[None]:
    """Let what would end the program on the spot go the way of Ctrl-C."""

    def end(number: int, frame: object) -> None:
        del frame
        kind = Terminated if number == signal.SIGTERM else Interrupted
        raise kind(f"{signal.Signals(number).name}: the check was cut short; outputs are off, read back")

    with handled(end, _heeded(SIGNALS)):
        yield


@contextmanager
def _signals_wait() -> Iterator[None]:
    """Let no signal cut short what switches off; another Ctrl-C changes nothing."""
    with handled(lambda number, frame: None, _heeded((*SIGNALS, signal.SIGINT))):
        yield


def _heeded(which: Sequence[int]) -> list[int]:
    return [number for number in which if not ignored(number)]


def _all_off(rig: Rig, clock: Clock) -> None:
    """Switch everything off and see that it is.

    Raises:
        BenchError: something is still on.
    """
    limits_A = {name: off_limit_A(rig.description, name) for name in rig.instruments}
    made = make_all_safe(rig.instruments, clock, limits_A)
    still = [f"{name} ({one['text']})" for name, one in made.items() if not one["off"]]
    if still:
        raise BenchError(f"{', '.join(still)}: MAY STILL BE ON: pull the leads now")


def _do(person: Attendant, clock: Clock, text: str, act: str = "") -> None:
    """Have a person do something, and wait for the answer.

    Raises:
        InputError: nobody answered within half an hour.
    """
    person.ask(text, act)
    begin_s = clock.now_s()
    while not person.answered():
        if clock.now_s() - begin_s > ANSWER_WITHIN_S:
            raise InputError(f"nobody answered within {ANSWER_WITHIN_S / 60:g} min: {text}")
        clock.sleep(0.2)


# -- leakage with the mains unplugged -------------------------------------------------------------------


def check_leakage(
    read_V: Callable[[str], float], measured_by: str, wait_s: float, clock: Clock, person: Attendant, tell: Tell
) -> dict[str, Any]:
    """See whether a dead instrument drains the cell: its voltage before and after a wait, mains unplugged.

    Args:
        read_V: Gives the cell's voltage, told when ("before", "after"): a meter, or a person with one.
        measured_by: Whose reading it is, for the record.
        wait_s: How long; half an hour at least.
        clock, person, tell: Time, who does it, and where progress is said.

    Returns:
        `before_V`, `after_V`, `hours`, `fall_V_per_h`, `limit_V_per_h`, `measured_by`, `passed`, `text`.

    Source: a bleeder of some kiloohm to some hundred ohm at a supply's output draws 1 to 10 mA from a
    cell also with its mains dead (common practice); 5 mV in an hour is about 7 mA at a cell of 1 Ah in
    the middle of its charge (slope of an open-circuit voltage of a 4 V-class cell, some 0.7 V over all).
    """
    _do(
        person,
        clock,
        "A cell that has rested for some hours stays connected as for a charge. Unplug the mains of every instrument "
        "that touches it (not of a separate voltmeter).",
    )
    before_V = read_V("before")
    tell(f"{before_V:.4f} V; now {wait_s / 60:.0f} min of waiting")
    clock.sleep(wait_s)
    after_V = read_V("after")
    hours = wait_s / 3600.0
    rate = (before_V - after_V) / hours
    passed = rate <= LEAK_V_PER_H
    text = (
        f"{(before_V - after_V) * 1000:.1f} mV less after {wait_s / 60:.0f} min with the mains unplugged "
        f"({rate * 1000:.1f} mV/h by {measured_by}; {LEAK_V_PER_H * 1000:g} mV/h are allowed)"
    )
    if not passed:
        text += (
            ": a dead instrument drains the cell, and would go on doing so in a power cut; put a relay that drops out, "
            "or a blocking diode, between it and the cell"
        )
    _do(person, clock, "Plug the mains in again.")
    return {
        "before_V": before_V,
        "after_V": after_V,
        "hours": round(hours, 4),
        "fall_V_per_h": round(rate, 6),
        "limit_V_per_h": LEAK_V_PER_H,
        "measured_by": measured_by,
        "passed": passed,
        "text": text,
    }


# -- before a run ---------------------------------------------------------------------------------------


def of_the_evening(
    plan: Plan, rig: Rig, logs: Path, clock: Clock, person: Attendant, tell: Tell
) -> tuple[dict[str, Any], ...]:
    """Return the proofs that a run goes into the night with; has the sensor warmed where a charge relies on it.

    A discharge with a sensor that nobody proved is told aloud and goes on: its voltage and its time
    stop it. On a simulated bench without hands nobody can warm anything, and the record says so.

    Raises:
        Refused: the plan charges, and the sensor is not proven.
        BenchError: an instrument does not answer.
    """
    bench = rig.description
    checks = read_checks(logs)
    for notice in notices_of(checks, bench, clock.utc()):
        tell(f"! {notice}")
    sensor = bench.cell_temperature if plan.needs_temperature else None
    if not checks and sensor is None:
        return ()
    try:
        identities = {name: instrument.identify() for name, instrument in rig.instruments.items()}
    except DriverError as error:
        if plan.charges:
            raise BenchError(str(error)) from error
        return ()  # the checks of the run tell who it is
    now = clock.utc()
    found = []
    resistor = latest(checks, "check-resistor", bench, now, identities=identities)
    if resistor is not None:
        found.append(resistor)
        if not resistor["passed"]:
            tell(f"! the check resistor of this evening FAILED: {resistor['text']}")
    leak = latest(checks, "leakage", bench, now, within=None)
    if leak is not None and not leak["passed"]:
        tell(f"! {leak['text']}")
    if sensor is not None:
        proof = latest(checks, "sensor-proven", bench, now, identities=identities, sensor=sensor)
        if proof is None:
            proof = _prove_for(plan, rig, sensor, identities, logs, clock, person, tell)
        found.append(proof)
    return tuple(found)


def why_not_proven(plan: Plan, rig: Rig, logs: Path, clock: Clock) -> str:
    """Return why a run that is taken up again may not go on charging; "" when it may.

    Asks nobody: an output may still be on, and making it safe goes first.
    """
    bench = rig.description
    sensor = bench.cell_temperature
    if not plan.charges or not plan.needs_temperature or sensor is None or bench.simulated:
        return ""
    try:
        identities = {sensor: rig.instruments[sensor].identify()}
    except DriverError:
        return ""  # the run finds out, and says it
    checks = read_checks(logs)
    if latest(checks, "sensor-proven", bench, clock.utc(), identities=identities, sensor=sensor) is not None:
        return ""
    return (
        f"{plan.cell_id}: this run charges and relies on {sensor}, which has not been proven in the last 24 h; "
        "'amphora bench check --sensor', then resume; outputs are off"
    )


def _prove_for(
    plan: Plan,
    rig: Rig,
    sensor: str,
    identities: Mapping[str, str],
    logs: Path,
    clock: Clock,
    person: Attendant,
    tell: Tell,
) -> dict[str, Any]:
    """Have the sensor proven now where the plan charges, else say that it is not."""
    bench = rig.description
    now = utc_text(clock.utc())
    if not plan.charges:
        text = f"{sensor} has not been proven this evening ('amphora bench check --sensor'): do not rely on it"
        tell(f"! {text}")
        return {"kind": "sensor-unproven", "utc": now, "sensor": sensor, "text": text}
    if not person.present or (bench.simulated and bench.where != "simulated" and not bench.hands):
        if bench.simulated:
            text = f"{sensor} is not proven: the bench is simulated, and nobody there has hands"
            return {"kind": "sensor-unproven", "utc": now, "sensor": sensor, "text": text}
        raise Refused(
            f"{plan.cell_id}: charging relies on {sensor}, which has not been proven this evening, and nobody is at "
            "the terminal to warm it; 'amphora bench check --sensor' does that; nothing was switched on"
        )
    try:
        proof = prove_sensor(rig, sensor, clock, person, tell)
    except DriverError as error:
        raise BenchError(str(error)) from error
    if not proof["proven"]:
        raise Refused(f"{plan.cell_id}: charging relies on {sensor}: {proof['text']}; nothing was switched on")
    return keep(logs, bench, {sensor: identities[sensor]}, "sensor-proven", clock.utc(), **proof)


# -- in words ---------------------------------------------------------------------------------------------


def in_words(checks: Sequence[Mapping[str, Any]], bench: BenchDescription, now: datetime) -> list[str]:
    """Return how the proofs of a bench stand, a line each; for `bench check` and `plan`."""
    lines = notices_of(checks, bench, now)
    leak = latest(checks, "leakage", bench, now, within=None)
    if leak is None:
        lines.append("leakage with the mains unplugged: never tested on this bench ('amphora bench check --leakage')")
    else:
        word = "passed" if leak["passed"] else "FAILED"
        lines.append(f"leakage with the mains unplugged: {word} on {leak['utc'][:10]}: {leak['text']}")
    if bench.check_resistor is not None:
        resistor = latest(checks, "check-resistor", bench, now)
        if resistor is None:
            lines.append("check resistor: not measured this evening ('amphora bench check --resistor')")
        else:
            word = "passed" if resistor["passed"] else "FAILED"
            lines.append(f"check resistor: {word} at {_hour(resistor)}: {resistor['text']}")
    if bench.cell_temperature is not None:
        proof = latest(checks, "sensor-proven", bench, now, sensor=bench.cell_temperature)
        if proof is None:
            lines.append(f"{bench.cell_temperature}: not proven this evening ('amphora bench check --sensor')")
        else:
            lines.append(f"{bench.cell_temperature}: proven at {_hour(proof)}: {proof['text']}")
    return lines


def _hour(record: Mapping[str, Any]) -> str:
    return f"{datetime.fromisoformat(record['utc']).astimezone():%H:%M}"
