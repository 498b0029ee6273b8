"""Looks at a bench without switching anything on: who answers and how, what guards itself, what is missing.

What a run will send is sent here first, with the outputs off and harmless values: the limits an instrument enforces
itself, each mode, level, voltage and timer, and off. An instrument in trouble never keeps another from being looked at.
Times are those of the bench's clock, in second, of this computer's where the bench lives faster.
"""

import statistics
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

from amphora.drivers.errors import DriverError, IdentityError, LimitError
from amphora.drivers.quantities import described
from amphora.drivers.roles import Clock, Instrument
from amphora.harness.bench.bench_file import AGREE_V, BenchDescription
from amphora.harness.cells.chemistry import triage
from amphora.harness.common.as_json import LEFT_OUT, to_json
from amphora.harness.running.switch_off import off_limit_A

READINGS = 5
LEAK_A = 0.002
NO_CELL_V = 0.1
LOOK_FOR_S = 7.0  # three renewals of readings that are new every 2 s
BETWEEN_S = 0.02
CHANGES = 3  # seen before anything is said of how often readings are renewed
ENOUGH = 8
EACH = 0.8  # share of the readings that differ from the one before: they are new with each question
USUAL_TIMEOUT_S = 1.0
# What is tried with the outputs off. A cut-off below every cell, a voltage that pushes nothing in, small currents.
CUTOFF_V, TRIED_A, MOST_A, TRIED_V, OVER_VOLTAGE_V, TIMER_S = 0.9, 0.05, 0.2, 1.0, 4.3, 3600.0
LEVELS = (("resistance", 100.0), ("power", 0.2), ("voltage", 10.0), ("current", TRIED_A))  # current last: it stays
Open = Callable[[str, Mapping[str, Any], Clock], Instrument]


class Problem(NamedTuple):
    """One thing that is not as it should be; `hard`: it forbids a run."""

    text: str
    hard: bool = True


@dataclass(slots=True)
class FoundOne:
    """What was found of one instrument, while it is looked at. Times in second of the bench's clock; None: not known.

    setup: as it says that it is set; readings, spread: mean of each quantity, and how far apart its readings lay;
    latency_s, longest_s: of an answer; renewed_s: how often readings are new, refresh_s: as dialect or bench file say;
    tried: what it took; dialect, lacks: of one that has a dialect; always_armed: what no command switches on; trouble:
    why no more could be found.
    """

    role: str
    identity: str
    errors: list[str]
    setup: Mapping[str, Any]
    readings: Mapping[str, float] = field(default_factory=dict)
    spread: Mapping[str, float] = field(default_factory=dict)
    latency_s: float | None = None
    longest_s: float | None = None
    renewed_s: float | None = None
    refresh_s: float = 0.0
    tried: list[str] = field(default_factory=list)
    dialect: str | None = field(default=None, metadata=LEFT_OUT)
    lacks: list[str] | None = field(default=None, metadata=LEFT_OUT)
    always_armed: list[str] | None = field(default=None, metadata=LEFT_OUT)
    trouble: str | None = field(default=None, metadata=LEFT_OUT)

    @property
    def is_on(self) -> bool:
        """Whether it says that it lets current flow."""
        return self.setup.get("on") is True

    @property
    def energises(self) -> bool:
        """Whether it can let current flow by an order."""
        return self.role in ("load", "supply")

    @property
    def current_A(self) -> float | None:
        """Its current, with nothing ordered; None: it gives none."""
        return self.readings.get("current_A")

    @property
    def voltage_V(self) -> float | None:
        """Its voltage; None: it gives none."""
        return self.readings.get("voltage_V")


@dataclass(frozen=True, slots=True)
class NotFound:
    """An instrument that could not be asked at all, and why."""

    role: str
    trouble: str


@dataclass(frozen=True, slots=True)
class BenchFound:
    """What was found of a bench, by instrument and in words. exit_code: of what is in trouble; 0: nothing is.

    written: what was written into the bench file; proofs: what came of the checks that a person was guided through;
    proven: which checks hold, in words.
    """

    bench: str
    instruments: Mapping[str, FoundOne | NotFound]
    guards: tuple[str, ...]
    missing: tuple[str, ...]
    problems: tuple[str, ...]
    unattended_discharge: bool
    unattended_charge: bool
    passed: bool
    trouble: tuple[str, ...]
    exit_code: int
    written: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)
    proofs: tuple[Mapping[str, Any], ...] | None = field(default=None, metadata=LEFT_OUT)
    proven: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        made: dict[str, Any] = to_json(self)
        return made


def check_bench(
    bench: BenchDescription,
    clock: Clock,
    open_one: Open,
    *,
    chemistry: str = "auto",
    empty: bool = False,
    look_for_s: float = LOOK_FOR_S,
) -> BenchFound:
    """Return what was found.

    Args:
        bench: The set-up.
        clock: The bench's.
        open_one: Opens one instrument.
        chemistry: Of the cell that is connected, for its window.
        empty: No cell is connected.
        look_for_s: How long to look at most for readings that are renewed.
    """
    found: dict[str, FoundOne] = {}
    trouble: dict[str, DriverError] = {}
    opened: dict[str, Instrument] = {}
    problems: list[Problem] = []
    try:
        for name, table in bench.instruments.items():
            try:
                opened[name] = open_one(name, table, clock)
                found[name] = _look(opened[name])
            except DriverError as error:
                trouble[name] = error
        _watch(bench, clock, opened, found, trouble, look_for_s)
        problems += _tried(bench, opened, found, trouble)
    finally:
        for instrument in opened.values():
            _close(instrument)
    looked_at = {name: one for name, one in found.items() if name not in trouble}
    for name, wrong in trouble.items():
        if name in found:
            found[name].trouble = str(wrong)
        other = "" if name in opened else _another(bench, name, wrong, clock, open_one)
        problems.append(Problem(f"{name}: {other}" if other else _named(name, str(wrong))))
    problems += _voltages(bench, looked_at, chemistry, empty)
    guards = _guards(bench, {name: opened[name] for name in looked_at}, set(trouble))
    return BenchFound(
        bench=bench.name,
        instruments={
            name: found[name] if name in found else NotFound(bench.role_of(name), str(trouble[name]))
            for name in bench.instruments
        },
        guards=tuple(guards.guarded),
        missing=tuple(guards.missing),
        problems=tuple(one.text for one in problems),
        unattended_discharge=not trouble and not any(text.startswith("discharge:") for text in guards.missing),
        unattended_charge=not trouble and not any(text.startswith("charge:") for text in guards.missing),
        passed=not any(one.hard for one in problems),
        trouble=tuple(sorted(trouble)),
        exit_code=max((wrong.exit_code for wrong in trouble.values()), default=0),
    )


def _tried(
    bench: BenchDescription,
    opened: Mapping[str, Instrument],
    found: Mapping[str, FoundOne],
    trouble: Mapping[str, DriverError],
) -> list[Problem]:
    """Try what a run will send, where nothing is on; return what is not as it should be, before and after."""
    sound = {name: one for name, one in found.items() if name not in trouble}
    problems = [problem for name, one in sound.items() for problem in _as_it_stands(name, one, bench)]
    on = any(one.is_on and one.role != "switch" for one in found.values())
    for name, one in sound.items():
        if one.energises and not on:
            problems += _try_orders(opened[name], one)
    for name, one in sound.items():
        if one.role == "switch":
            problems += _try_relay(name, bench, opened, found, on or bool(trouble))
    return problems


def _close(instrument: Instrument) -> None:
    try:
        instrument.close()
    except (DriverError, OSError):
        return


def _named(name: str, text: str) -> str:
    return text if name in text else f"{name}: {text}"


# -- looking ------------------------------------------------------------------------------------------------------


def _look(instrument: Instrument) -> FoundOne:
    identity = instrument.identify()
    errors = instrument.read_errors()
    found = FoundOne(
        instrument.role, identity, errors, dict(instrument.read_setup()), refresh_s=instrument.abilities.refresh_s
    )
    dialect = getattr(instrument, "dialect", None)
    if dialect is not None:
        lacks = sorted(getattr(instrument, "missing", ()))
        found.dialect = dialect.name
        found.lacks = [one for one in lacks if " " not in one and _in_table(dialect, one)]
    return found


def _in_table(dialect: Any, lacked: str) -> bool:
    """Whether a dialect has what this instrument lacks; what the dialect has not is no news."""
    if lacked == "remote_sense":
        return dialect.sense_query is not None
    if lacked == "power_on":
        return dialect.power_on_query is not None
    return lacked in dialect.settings


def _watch(
    bench: BenchDescription,
    clock: Clock,
    opened: Mapping[str, Instrument],
    found: Mapping[str, FoundOne],
    trouble: dict[str, DriverError],
    look_for_s: float,
) -> None:
    """Read all of them in turn; enter what they read, how long an answer takes, how often readings are renewed."""
    took: dict[str, list[float]] = {name: [] for name in found}
    values: dict[str, dict[str, list[float]]] = {name: {} for name in found}
    changed: dict[str, list[float]] = {name: [] for name in found}
    last: dict[str, Mapping[str, float]] = {}
    began_s = clock.now_s()
    while True:
        for name in found:
            if name in trouble:
                continue
            before_s = clock.now_s()
            try:
                reading = opened[name].read()
            except DriverError as error:
                trouble[name] = error
                continue
            after_s = clock.now_s()
            took[name].append((after_s - before_s) / bench.speed_up)
            if name in last and reading != last[name]:
                changed[name].append(after_s)
            last[name] = dict(reading)
            for key, value in reading.items():
                values[name].setdefault(key, []).append(value)
        at_it = [name for name in found if name not in trouble and values[name]]
        if all(len(took[name]) >= READINGS for name in at_it) and (
            all(len(changed[name]) >= ENOUGH for name in at_it) or clock.now_s() - began_s >= look_for_s
        ):
            break
        clock.sleep(BETWEEN_S)
    for name in at_it:
        one = found[name]
        one.readings = {key: statistics.fmean(some) for key, some in values[name].items()}
        one.spread = {key: max(some) - min(some) for key, some in values[name].items()}
        one.latency_s, one.longest_s = statistics.median(took[name]), max(took[name])
        one.renewed_s = _renewed_s(changed[name], len(took[name]), clock.now_s() - began_s)


def _renewed_s(changed_s: list[float], readings: int, looked_s: float) -> float | None:
    """Return about how often readings are renewed, from when what was shown changed; None where too little changed.

    0 where they are new with each question. Between two changes lies a whole number of renewals, mostly one; one such
    time that is too short (the first, a slow computer) does not decide.
    """
    if len(changed_s) < CHANGES:
        return None
    if len(changed_s) >= EACH * (readings - 1):
        return 0.0
    between_s = sorted(after - before for before, after in pairwise(changed_s))
    return max(between_s[len(between_s) // 4], looked_s / readings)


def _as_it_stands(name: str, one: FoundOne, bench: BenchDescription) -> list[Problem]:
    """Return what is wrong with an instrument before anything is tried."""
    problems: list[Problem] = []
    if one.errors:
        problems.append(Problem(f"{name}: its error queue held {one.errors[0]}"))
    if one.role != "switch" and one.is_on:
        problems.append(Problem(f"{name}: is switched on; nothing was tried"))
    current_A = one.current_A
    if current_A is not None and one.energises:
        limit_A = off_limit_A(bench, name)
        if abs(current_A) > limit_A:
            problems.append(
                Problem(
                    f"{name}: {current_A:.3g} A with its output off; at most "
                    f"{limit_A * 1000:.3g} mA are accepted: take the cell out now, then look for a "
                    "leakage, a channel that is on, swapped leads or a wrong dialect"
                )
            )
        elif abs(current_A) > LEAK_A:
            problems.append(
                Problem(
                    f"{name}: shows {current_A * 1000:.1f} mA with its output off (its zero, or leakage: "
                    "take the cell out and look again)",
                    hard=False,
                )
            )
    table = bench.instruments[name]
    timeout_s = described(table["timeout"], "duration", name) if "timeout" in table else USUAL_TIMEOUT_S
    longest_s = one.longest_s
    if one.role in ("load", "supply", "meter") and longest_s is not None and longest_s > 0.5 * timeout_s:
        problems.append(
            Problem(
                f"{name}: an answer took {longest_s:.2g} s, and {timeout_s:g} s is all it may take: "
                f'timeout = "{4.0 * longest_s:.2g} s" in its table',
                hard=False,
            )
        )
    renewed_s, declared_s = one.renewed_s, one.refresh_s
    if renewed_s is not None and renewed_s > max(1.5 * declared_s, 0.3):
        problems.append(
            Problem(
                f"{name}: its readings are renewed about every {renewed_s:.2g} s: "
                f'refresh = "{renewed_s:.2g} s" in its table',
                hard=False,
            )
        )
    return problems


# -- trying -------------------------------------------------------------------------------------------------------


def _try_orders(instrument: Any, found: FoundOne) -> list[Problem]:
    """Send what a charge or a discharge will send, with the output off; return what is refused."""
    problems: list[Problem] = []
    name, role, able = instrument.name, instrument.role, instrument.abilities
    night = "discharge" if role == "load" else "charge"

    def attempt(what: str, act: Callable[[], Any], *, needed: bool = True) -> Any:
        try:
            done = act()
        except LimitError as error:
            if needed:
                problems.append(Problem(f"{what} was not tried: {_named(name, str(error))}", hard=False))
            return None
        except IdentityError:
            raise
        except DriverError as error:
            problems.append(Problem(f"a {night} would fail: {_named(name, str(error))}"))
            return None
        found.tried.append(what)
        return done

    trips = attempt("protections that have tripped", getattr(instrument, "read_trips", list))
    problems += [Problem(f"{name}: its {what} had tripped before", hard=False) for what in trips or ()]
    if role == "load":
        armed = attempt("limits of its own", lambda: instrument.arm_limits(CUTOFF_V, MOST_A))
        wanted = {"low_voltage_V": able.low_voltage_cutoff, "max_current_A": able.over_current_protection}
        for mode, level in LEVELS:
            attempt(f"constant {mode}", lambda: instrument.set_discharge(mode, level), needed=mode == "current")  # noqa: B023
        attempt("off", lambda: instrument.set_input(False))
    else:
        armed = attempt("limits of its own", lambda: instrument.arm_limits(OVER_VOLTAGE_V, MOST_A, TIMER_S))
        wanted = {
            "over_voltage_V": able.over_voltage_protection, "over_current_A": able.over_current_protection,
            "off_after_s": able.off_timer,
        }  # fmt: skip
        attempt("voltage", lambda: instrument.set_voltage(TRIED_V))
        attempt("current limit", lambda: instrument.set_current_limit(TRIED_A))
        attempt("off", lambda: instrument.set_output(False))
    for key, has in wanted.items():
        if has and armed is not None and key not in armed:
            problems.append(Problem(f"{name}: should have {key.rpartition('_')[0].replace('_', ' ')}, and armed none"))
    always = sorted(getattr(instrument, "always_armed", ()))
    if always:
        found.always_armed = always
        problems.append(
            Problem(
                f"{name}: no command switches its {' and '.join(one.replace('_', ' ') for one in always)} on; taken as "
                "armed by the level alone: see with a resistor that it acts",
                hard=False,
            )
        )
    setup = attempt("how it is set", instrument.read_setup)
    if setup is not None and setup.get("on") is True:
        problems.append(Problem(f"{name}: is switched on after orders that switch nothing on"))
    return problems


def _try_relay(
    name: str, bench: BenchDescription, opened: Mapping[str, Any], found: Mapping[str, FoundOne], unsure: bool
) -> list[Problem]:
    """Close a relay and open it again, each position that a run would take, with nothing flowing; read back.

    It is not moved while something is on, or an instrument that could let current flow did not answer.
    """
    relay, one = opened[name], found[name]
    others = [other for other in found if found[other].energises]

    def flowing() -> str:
        for other in others:
            current_A = opened[other].read().get("current_A", 0.0)
            if abs(current_A) > off_limit_A(bench, other):
                return f"{current_A:.3g} A flow through {other}, which is off"
        return ""

    problems: list[Problem] = []
    try:
        if unsure or flowing():
            return [Problem(f"{name}: was not moved, as not all is known to be off", hard=False)]
        for role, position in (("load", "discharge"), ("supply", "charge")):
            if bench.first(role) is None:
                continue
            relay.connect(position)
            setup = relay.read_setup()
            why = "reads back open" if setup.get("on") is False else flowing()
            if why:
                problems.append(Problem(f"a {position} would fail: {name} was closed to {position}: {why}"))
            relay.connect("open")
            if relay.read_setup().get("on") is True:
                problems.append(Problem(f"{name}: was opened and reads back closed; it may stick"))
                break
            one.tried.append(f"closed to {position} and opened")
    except IdentityError:
        raise
    except DriverError as error:
        problems.append(Problem(f"a run would fail: {_named(name, str(error))}"))
    finally:
        _let_go(relay)
    return problems


def _let_go(relay: Any) -> None:
    try:
        relay.make_safe()
    except (DriverError, OSError):
        return


def _another(bench: BenchDescription, name: str, error: DriverError, clock: Clock, open_one: Open) -> str:
    """Return who answers where an instrument should and does not; "" where nobody was found."""
    table, should_be = bench.instruments[name], bench.role_of(name)
    if should_be not in ("load", "supply") or "could not be opened" in str(error):
        return ""
    role = "supply" if should_be == "load" else "load"
    named = bench.first(role)
    known = "auto" if named is None else str(bench.instruments[named].get("dialect", "auto"))
    dialects = ["auto"] if known == "auto" else [known, "auto"]
    for dialect in dialects:
        other = {key: value for key, value in table.items() if key not in ("identity", "lacks", "channel")}
        try:
            instrument = open_one(name, {**other, "role": role, "dialect": dialect}, clock)
        except DriverError:
            continue
        try:
            who = instrument.identify()
        except DriverError:
            continue
        finally:
            _close(instrument)
        swapped = f"; are its resource and that of {named} swapped?" if named is not None else ""
        return f"a {role} answers at {table.get('resource')}, where a {should_be} should ({who}){swapped}"
    return ""


# -- judging ------------------------------------------------------------------------------------------------------


def _voltages(bench: BenchDescription, found: Mapping[str, FoundOne], chemistry: str, empty: bool) -> list[Problem]:
    if bench.cell_voltage_when_off not in found:
        return []
    reference = found[bench.cell_voltage_when_off].voltage_V
    if reference is None:
        return [Problem(f"{bench.cell_voltage_when_off}: gives no voltage, and it is named for the cell")]
    told = []
    for name, one in found.items():
        other = one.voltage_V
        if other is None or one.role == "supply" or bench.leads == "by hand":
            continue
        margin_V = bench.may_differ_V(name, bench.cell_voltage_when_off, reference)
        if name != bench.cell_voltage_when_off and abs(other - reference) > margin_V:
            told.append(
                Problem(
                    f"{name} reads {other:.3f} V and {bench.cell_voltage_when_off} {reference:.3f} V; "
                    f"{margin_V * 1000:.0f} mV apart is what they may be"
                )
            )
    if reference < -AGREE_V:
        told.append(Problem(f"{reference:.3f} V: the cell is connected the wrong way round"))
    elif not empty and reference < NO_CELL_V:
        told.append(
            Problem(
                f"{reference:.3f} V at {bench.cell_voltage_when_off}: no cell is seen; open leads, a blown fuse, a "
                "protection board that has tripped, or no cell in the holder (then: --empty)"
            )
        )
    elif not empty:
        verdict = triage(chemistry, reference)
        if verdict.verdict != "accept" and not (verdict.may_charge or verdict.may_discharge):
            known = "" if chemistry != "auto" else "; --cell names one whose chemistry is on the shelf"
            told.append(Problem(f"the cell: {verdict.reason}{known}"))
    return told


@dataclass(slots=True)
class _Guards:
    """What the bench guards by itself when the computer is dead, and what nobody guards then; while it is found out."""

    guarded: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def _guards(bench: BenchDescription, opened: Mapping[str, Instrument], trouble: set[str]) -> _Guards:
    """Return what the bench guards by itself when the computer is dead, and what nobody guards then."""
    guards = _Guards()
    by_role: dict[str, Instrument] = {}
    for instrument in opened.values():
        by_role.setdefault(instrument.role, instrument)
    silent = {bench.role_of(name) for name in trouble} - set(by_role)
    load, supply, relay = (by_role.get(role) for role in ("load", "supply", "switch"))
    own_limits = relay is not None and relay.abilities.low_voltage_cutoff
    if relay is not None:
        _relay_guards(relay, guards)
    if load is not None:
        _load_guards(load, guards)
    elif "load" in silent:
        guards.missing.append("discharge: not known, the load could not be asked")
    elif supply is None and not own_limits:
        guards.missing.append("discharge: no load; a plain resistor has no guard (see docs/safety.md)")
    if supply is not None:
        _supply_guards(supply, guards)
    elif "supply" in silent:
        guards.missing.append("charge: not known, the supply could not be asked")
    else:
        guards.missing.append("charge: no supply")
    for one in (load, supply):
        if one is not None and one.abilities.off_when_silent_s:
            silence_s = one.abilities.off_when_silent_s
            guards.guarded.append(f"{one.name}: switches itself off after {silence_s:g} s of silence")
    for one in (load, supply):
        if one is not None and one.abilities.power_on_off is not True:
            guards.missing.append(f"{one.name}: not known to be off after a power cut")
    _sensor_guards(bench, guards)
    if supply is not None and bench.first("switch") is None:
        guards.missing.append(
            "no relay: what the supply's output drains when it is off, it drains (--leakage finds out)"
        )
    return guards


def _relay_guards(relay: Instrument, guards: _Guards) -> None:
    if relay.abilities.low_voltage_cutoff:
        guards.guarded.append(
            f"{relay.name}: opens by itself at its own voltage, temperature and time limits, and stays open"
        )
        guards.guarded.append(f"{relay.name}: opens by itself when the computer's beat stops")
    opens_s = relay.abilities.off_when_silent_s
    if getattr(relay, "habit", "") == "plain":
        guards.missing.append(f"{relay.name}: stays as it was set: it does not protect when the computer dies")
    elif opens_s:
        guards.guarded.append(f"{relay.name}: opens by itself within {opens_s:g} s of silence")


def _load_guards(load: Instrument, guards: _Guards) -> None:
    able = load.abilities
    if able.low_voltage_cutoff and able.cutoff_latches:
        guards.guarded.append(f"{load.name}: a low-voltage cut-off that latches")
    elif able.low_voltage_cutoff:
        guards.guarded.append(f"{load.name}: a low-voltage cut-off")
        guards.missing.append(f"discharge: the cut-off of {load.name} starts again when the cell recovers")
    else:
        guards.missing.append(
            f"discharge: {load.name} has no low-voltage cut-off of its own: while the computer sleeps, as with "
            "its lid closed, it draws on"
        )
    if able.over_current_protection:
        guards.guarded.append(f"{load.name}: a current protection")


def _supply_guards(supply: Instrument, guards: _Guards) -> None:
    able = supply.abilities
    for has, text in (
        (able.over_voltage_protection, "over-voltage protection"),
        (able.over_current_protection, "over-current protection"),
        (able.off_timer, "off-timer"),
    ):
        if has:
            guards.guarded.append(f"{supply.name}: {text}")
        else:
            guards.missing.append(f"charge: {supply.name}: no {text}")


def _sensor_guards(bench: BenchDescription, guards: _Guards) -> None:
    if bench.cell_temperature is None:
        guards.missing.append("charge: no sensor of the cell's temperature")
        guards.missing.append("discharge: no sensor of the cell's temperature")
        return
    guards.guarded.append(f"{bench.cell_temperature}: the cell's temperature (by the program)")
    if bench.room_temperature is None:
        guards.missing.append("no second sensor for the room: the cell is not compared with it (stop at room + 15 K)")
    else:
        guards.guarded.append(f"{bench.room_temperature}: the cell at most 15 K above the room (by the program)")
