"""A known resistor, measured with what measures the cells: by supply, by load, or by a logger's own shunt.

Only this check switches anything on, and never above 1 V. Volt, ampere, ohm.
"""

import math
import statistics
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import NamedTuple

from amphora.drivers.errors import DriverError
from amphora.drivers.roles import Clock
from amphora.harness.bench.bench_file import CheckResistor
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import BenchError, InputError, Refused
from amphora.harness.common.quantities import format_quantity
from amphora.harness.control.events import ResistorChecked
from amphora.harness.running.guided import Tell, all_off, ask_and_wait, guarded
from amphora.harness.running.people import Attendant

ALARM_AT = 0.01
TEST_V = 1.0  # below any cell worth the name: a supply at 1 V charges none that was left in by mistake
TEST_A = 0.1
FOREIGN_V = 0.1  # more than this where the resistor should be alone: a cell is still connected
SETTLE_S = 2.0
RECOVER_S = 8.0
READINGS = 20
EVERY_S = 0.3


def check_resistor(
    rig: Rig, resistor: CheckResistor, clock: Clock, person: Attendant, tell: Tell, through: str | None = None
) -> ResistorChecked:
    """Measure a known resistor with what measures the cells; the bench is made safe at every end.

    Args:
        rig: The opened bench.
        resistor: What it is.
        clock, person, tell: Time, who does it, and where progress is said.
        through: "supply": the supply feeds it in the cell's place. "load": the load draws from a cell,
            once without and once with the resistor in series; the difference is the resistor. "logger":
            a cell drains through it. None: with whoever measures the discharge, where the bench can.

    Returns:
        What was measured: `voltage_V` over the resistor by `voltage_by`; `current_A` as `instrument` showed it
        (positive into a cell) and `zero_A`, what it showed with nothing flowing:
        measured_ohm = voltage_V / |current_A - zero_A|.

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
            f"{rig.description.where}: nothing here can check a resistor: no supply, no load, and no logger with "
            "an ammeter (a current computed from the voltage proves nothing)"
        )
    if way not in ways:
        raise InputError(f"--through {way}: this bench cannot; {', '.join(ways) or 'nothing'} is accepted")
    with guarded(rig, clock, tell):
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
) -> ResistorChecked:
    known = resistor.resistance_ohm
    amperes = abs(shown_A - zero_A)
    found = ResistorChecked(
        resistance_ohm=known, tolerance=resistor.tolerance, through=way, voltage_by=voltage_by, instrument=current_by,
        voltage_V=round(volts, 6), current_A=round(shown_A, 6), zero_A=round(zero_A, 6), passed=False,
    )  # fmt: skip
    who = f"voltage by {voltage_by}, current by {current_by}"
    if amperes <= 0.0 or volts <= 0.0 or not math.isfinite(volts / amperes):
        text = f"no resistance came out ({volts:.4f} V, {amperes:.4f} A; {who}): is the resistor connected?"
        return replace(found, text=text)
    measured = volts / amperes
    deviation = measured / known - 1.0
    passed = abs(deviation) <= ALARM_AT
    text = (
        f"{format_quantity(known, 'ohm')} measured as {measured:.4g} ohm, {deviation * 100:+.2f} % ({who}); "
        f"{'within' if passed else 'MORE THAN'} {ALARM_AT * 100:g} %"
    )
    if not passed:
        text += ": a contact, a wrong sense lead, a wrong range, or an instrument that is off; measure no cell with it"
    return replace(
        found, measured_ohm=round(measured, 6), deviation=round(deviation, 6), passed=passed, text=text
    )  # fmt: skip


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
    ask_and_wait(person, clock, text, "resistor-for-cell")
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
    all_off(rig, clock)
    ask_and_wait(person, clock, "Take the check resistor out and put the cell back: plus to plus.", "cell-back")
    return _Taken(shown_V - zero_V, shown_A, zero_A, voltage_by, supply.name)


def _by_load(rig: Rig, resistor: CheckResistor, clock: Clock, person: Attendant, tell: Tell) -> _Taken:
    load = rig.load
    assert load is not None
    ohm = format_quantity(resistor.resistance_ohm, "ohm")
    text = "Connect a cell to the load as for a run, the voltmeter's clips at the LOAD's own terminals."
    ask_and_wait(person, clock, text, "clips-to-load")
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
    ask_and_wait(person, clock, text, "resistor-in-series")
    with_V, with_A, zero_A = _drop(rig, clock, amperes)
    text = "Take the check resistor out of the lead again; clips back where they were."
    ask_and_wait(person, clock, text, "resistor-out-of-lead")
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
    ask_and_wait(person, clock, text, "drain-through-resistor")
    clock.sleep(SETTLE_S)
    volts, amperes = _means(rig, clock, voltage_by, name)
    tell(f"{voltage_by} reads {volts:.3f} V, {name} {amperes * 1000:.1f} mA")
    ask_and_wait(
        person, clock, "Take the check resistor off the cell now: it drains on otherwise.", "resistor-off-cell"
    )
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
