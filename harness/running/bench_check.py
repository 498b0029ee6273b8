"""Looks at a bench without switching anything on: who answers and how, what guards itself, what is missing.

What a run will send is sent here first, with the outputs off and harmless values: the limits an instrument enforces
itself, each mode, level, voltage and timer, and off. An instrument in trouble never keeps another from being looked at.
Times are those of the bench's clock, in second, of this computer's where the bench lives faster.
"""

import statistics
from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Any, NamedTuple

from amphora.drivers.errors import DriverError, IdentityError, LimitError
from amphora.drivers.quantities import described
from amphora.drivers.roles import Clock, Instrument
from amphora.harness.bench.bench_file import AGREE_V, BenchDescription
from amphora.harness.cells.chemistry import triage
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


def check_bench(
    bench: BenchDescription,
    clock: Clock,
    open_one: Open,
    *,
    chemistry: str = "auto",
    empty: bool = False,
    look_for_s: float = LOOK_FOR_S,
) -> dict[str, Any]:
    """Return what was found: `instruments`, `guards`, `missing`, `problems`, `passed`, `trouble`, `exit_code`.

    Args:
        bench: The set-up.
        clock: The bench's.
        open_one: Opens one instrument.
        chemistry: Of the cell that is connected, for its window.
        empty: No cell is connected.
        look_for_s: How long to look at most for readings that are renewed.
    """
    found: dict[str, dict[str, Any]] = {}
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
        for name in found:
            if name not in trouble:
                problems += _as_it_stands(name, found[name], bench)
        on = [name for name, one in found.items() if one["setup"].get("on") is True and one["role"] != "switch"]
        for name in found:
            if on or name in trouble or found[name]["role"] not in ("load", "supply"):
                continue
            problems += _try_orders(opened[name], found[name])
        for name in found:
            if found[name]["role"] == "switch" and name not in trouble:
                problems += _try_relay(name, bench, opened, found, bool(on or trouble))
    finally:
        for instrument in opened.values():
            _close(instrument)
    for name, wrong in trouble.items():
        found.setdefault(name, {"role": bench.instruments[name]["role"]})["trouble"] = str(wrong)
        other = "" if name in opened else _another(bench, name, wrong, clock, open_one)
        problems.append(Problem(f"{name}: {other}" if other else _named(name, str(wrong))))
    looked_at = {name: one for name, one in found.items() if "trouble" not in one}
    problems += _voltages(bench, looked_at, chemistry, empty)
    guards, missing = _guards(bench, {name: opened[name] for name in looked_at}, set(trouble))
    return {
        "bench": bench.name,
        "instruments": {name: found[name] for name in bench.instruments},
        "guards": guards,
        "missing": missing,
        "problems": [one.text for one in problems],
        "unattended_discharge": not trouble and not any(text.startswith("discharge:") for text in missing),
        "unattended_charge": not trouble and not any(text.startswith("charge:") for text in missing),
        "passed": not any(one.hard for one in problems),
        "trouble": sorted(trouble),
        "exit_code": max((wrong.exit_code for wrong in trouble.values()), default=0),
    }


def _close(instrument: Instrument) -> None:
    try:
        instrument.close()
    except (DriverError, OSError):
        return


def _named(name: str, text: str) -> str:
    return text if name in text else f"{name}: {text}"


# -- looking ------------------------------------------------------------------------------------------------------


def _look(instrument: Instrument) -> dict[str, Any]:
    identity = instrument.identify()
    errors = instrument.read_errors()
    dialect = getattr(instrument, "dialect", None)
    found: dict[str, Any] = {
        "role": instrument.role,
        "identity": identity,
        "errors": errors,
        "setup": dict(instrument.read_setup()),
        "readings": {},
        "spread": {},
        "latency_s": None,
        "longest_s": None,
        "renewed_s": None,
        "refresh_s": instrument.abilities.refresh_s,  # as dialect or bench file say it
        "tried": [],
    }
    if dialect is not None:
        found |= {"dialect": dialect.name, "lacks": sorted(getattr(instrument, "missing", ()))}
        found["lacks"] = [one for one in found["lacks"] if " " not in one and _in_table(dialect, one)]
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
    found: dict[str, dict[str, Any]],
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
        found[name] |= {
            "readings": {key: statistics.fmean(some) for key, some in values[name].items()},
            "spread": {key: max(some) - min(some) for key, some in values[name].items()},
            "latency_s": statistics.median(took[name]),
            "longest_s": max(took[name]),
            "renewed_s": _renewed_s(changed[name], len(took[name]), clock.now_s() - began_s),
        }


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


def _as_it_stands(name: str, one: Mapping[str, Any], bench: BenchDescription) -> list[Problem]:
    """Return what is wrong with an instrument before anything is tried."""
    problems: list[Problem] = []
    if one["errors"]:
        problems.append(Problem(f"{name}: its error queue held {one['errors'][0]}"))
    if one["role"] != "switch" and one["setup"].get("on") is True:
        problems.append(Problem(f"{name}: is switched on; nothing was tried"))
    current_A = one["readings"].get("current_A")
    if current_A is not None and one["role"] in ("load", "supply"):
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
    longest_s = one["longest_s"]
    if one["role"] in ("load", "supply", "meter") and longest_s is not None and longest_s > 0.5 * timeout_s:
        problems.append(
            Problem(
                f"{name}: an answer took {longest_s:.2g} s, and {timeout_s:g} s is all it may take: "
                f'timeout = "{4.0 * longest_s:.2g} s" in its table',
                hard=False,
            )
        )
    renewed_s, declared_s = one["renewed_s"], one["refresh_s"]
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


def _try_orders(instrument: Any, one: dict[str, Any]) -> list[Problem]:
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
        one["tried"].append(what)
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
        one["always_armed"] = always
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
    name: str, bench: BenchDescription, opened: Mapping[str, Any], found: dict[str, dict[str, Any]], unsure: bool
) -> list[Problem]:
    """Close a relay and open it again, each position that a run would take, with nothing flowing; read back.

    It is not moved while something is on, or an instrument that could let current flow did not answer.
    """
    relay, one = opened[name], found[name]
    others = [other for other in found if found[other]["role"] in ("load", "supply")]

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
            one["tried"].append(f"closed to {position} and opened")
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
    table = bench.instruments[name]
    if table["role"] not in ("load", "supply") or "could not be opened" in str(error):
        return ""
    role = "supply" if table["role"] == "load" else "load"
    named = bench.first(role)
    dialects = ["auto"]
    if named is not None and bench.instruments[named].get("dialect", "auto") != "auto":
        dialects.insert(0, bench.instruments[named]["dialect"])
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
        return f"a {role} answers at {table.get('resource')}, where a {table['role']} should ({who}){swapped}"
    return ""


# -- judging ------------------------------------------------------------------------------------------------------


def _voltages(bench: BenchDescription, found: Mapping[str, Any], chemistry: str, empty: bool) -> list[Problem]:
    if bench.cell_voltage_when_off not in found:
        return []
    reference = found[bench.cell_voltage_when_off]["readings"].get("voltage_V")
    if reference is None:
        return [Problem(f"{bench.cell_voltage_when_off}: gives no voltage, and it is named for the cell")]
    told = []
    for name, one in found.items():
        other = one["readings"].get("voltage_V")
        if other is None or one["role"] == "supply" or bench.leads == "by hand":
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


def _guards(
    bench: BenchDescription, opened: Mapping[str, Instrument], trouble: set[str]
) -> tuple[list[str], list[str]]:
    """Return what the bench guards by itself when the computer is dead, and what nobody guards then."""
    guards: list[str] = []
    missing: list[str] = []
    by_role: dict[str, Instrument] = {}
    for instrument in opened.values():
        by_role.setdefault(instrument.role, instrument)
    silent = {bench.role_of(name) for name in trouble} - set(by_role)
    load = by_role.get("load")
    relay = by_role.get("switch")
    own_limits = relay is not None and relay.abilities.low_voltage_cutoff
    if own_limits and relay is not None:
        guards.append(f"{relay.name}: opens by itself at its own voltage, temperature and time limits, and stays open")
        guards.append(f"{relay.name}: opens by itself when the computer's beat stops")
    habit, opens_s = getattr(relay, "habit", ""), 0.0 if relay is None else relay.abilities.off_when_silent_s
    if relay is not None and habit == "plain":
        missing.append(f"{relay.name}: stays as it was set: it does not protect when the computer dies")
    elif relay is not None and opens_s:
        guards.append(f"{relay.name}: opens by itself within {opens_s:g} s of silence")
    if load is None:
        if "load" in silent:
            missing.append("discharge: not known, the load could not be asked")
        elif "supply" not in by_role and not own_limits:
            missing.append("discharge: no load; a plain resistor has no guard (see docs/safety.md)")
    else:
        able = load.abilities
        if able.low_voltage_cutoff and able.cutoff_latches:
            guards.append(f"{load.name}: a low-voltage cut-off that latches")
        elif able.low_voltage_cutoff:
            guards.append(f"{load.name}: a low-voltage cut-off")
            missing.append(f"discharge: the cut-off of {load.name} starts again when the cell recovers")
        else:
            missing.append(
                f"discharge: {load.name} has no low-voltage cut-off of its own: while the computer sleeps, as with "
                "its lid closed, it draws on"
            )
        if able.over_current_protection:
            guards.append(f"{load.name}: a current protection")
    supply = by_role.get("supply")
    if supply is None:
        missing.append(
            "charge: not known, the supply could not be asked" if "supply" in silent else "charge: no supply"
        )
    else:
        able = supply.abilities
        for has, text in (
            (able.over_voltage_protection, "over-voltage protection"),
            (able.over_current_protection, "over-current protection"),
            (able.off_timer, "off-timer"),
        ):
            (guards if has else missing).append(
                f"{'' if has else 'charge: '}{supply.name}: {'' if has else 'no '}{text}"
            )
    for one in (load, supply):
        if one is not None and one.abilities.off_when_silent_s:
            guards.append(f"{one.name}: switches itself off after {one.abilities.off_when_silent_s:g} s of silence")
    for one in (load, supply):
        if one is not None and one.abilities.power_on_off is not True:
            missing.append(f"{one.name}: not known to be off after a power cut")
    if bench.cell_temperature is None:
        missing.append("charge: no sensor of the cell's temperature")
        missing.append("discharge: no sensor of the cell's temperature")
    else:
        guards.append(f"{bench.cell_temperature}: the cell's temperature (by the program)")
        if bench.room_temperature is None:
            missing.append("no second sensor for the room: the cell is not compared with it (stop at room + 15 K)")
        else:
            guards.append(f"{bench.room_temperature}: the cell at most 15 K above the room (by the program)")
    if "supply" in by_role and bench.first("switch") is None:
        missing.append("no relay: what the supply's output drains when it is off, it drains (--leakage finds out)")
    return guards, missing
