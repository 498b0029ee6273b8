"""Looks at a bench without switching anything on: who answers, what guards itself, what is missing."""

import statistics
from collections.abc import Callable, Mapping
from typing import Any

from drivers.errors import DriverError
from drivers.roles import Clock, Instrument
from harness.bench import AGREE_V, BenchDescription
from harness.errors import BenchError

READINGS = 5
LEAK_A = 0.002
Open = Callable[[str, Mapping[str, Any], Clock], Instrument]


def check_bench(bench: BenchDescription, clock: Clock, open_one: Open) -> dict[str, Any]:
    """Return what was found: `instruments`, `guards`, `missing`, `problems`, `passed`.

    Raises:
        BenchError: an instrument does not answer, or is another than the bench file says.
    """
    found: dict[str, Any] = {}
    problems: list[str] = []
    opened: dict[str, Instrument] = {}
    try:
        for name, table in bench.instruments.items():
            try:
                opened[name] = open_one(name, table, clock)
                found[name] = _look(opened[name], clock)
            except DriverError as error:
                raise BenchError(str(error)) from error
    finally:
        for instrument in opened.values():
            instrument.close()
    for name, one in found.items():
        if one["errors"]:
            problems.append(f"{name}: its error queue held {one['errors'][0]}")
        if one["setup"].get("on") is True:
            problems.append(f"{name}: is switched on")
        current_A = one["readings"].get("current_A")
        if current_A is not None and abs(current_A) > LEAK_A and one["role"] in ("load", "supply"):
            problems.append(
                f"{name}: shows {current_A * 1000:.1f} mA with its output off (its zero, or leakage: "
                "take the cell out and look again)"
            )
    problems += _voltages(bench, found)
    guards, missing = _guards(bench, opened)
    hard = [text for text in problems if "shows" not in text]
    return {
        "bench": bench.name,
        "instruments": found,
        "guards": guards,
        "missing": missing,
        "problems": problems,
        "unattended_discharge": not any(text.startswith("discharge:") for text in missing),
        "unattended_charge": not any(text.startswith("charge:") for text in missing),
        "passed": not hard,
    }


def _look(instrument: Instrument, clock: Clock) -> dict[str, Any]:
    identity = instrument.identify()
    errors = instrument.read_errors()
    setup = dict(instrument.read_setup())
    readings: dict[str, list[float]] = {}
    for _ in range(READINGS):
        for key, value in instrument.read().items():
            readings.setdefault(key, []).append(value)
        clock.sleep(0.1)
    return {
        "role": instrument.role,
        "identity": identity,
        "errors": errors,
        "setup": setup,
        "readings": {key: statistics.fmean(values) for key, values in readings.items()},
        "spread": {key: max(values) - min(values) for key, values in readings.items()},
    }


def _voltages(bench: BenchDescription, found: Mapping[str, Any]) -> list[str]:
    reference = found[bench.cell_voltage_when_off]["readings"].get("voltage_V")
    if reference is None:
        return [f"{bench.cell_voltage_when_off}: gives no voltage, and it is named for the cell"]
    told = []
    for name, one in found.items():
        other = one["readings"].get("voltage_V")
        if other is None or one["role"] == "supply" or bench.leads == "by hand":
            continue
        margin_V = bench.may_differ_V(name, bench.cell_voltage_when_off, reference)
        if name != bench.cell_voltage_when_off and abs(other - reference) > margin_V:
            told.append(
                f"{name} reads {other:.3f} V and {bench.cell_voltage_when_off} {reference:.3f} V; "
                f"{margin_V * 1000:.0f} mV apart is what they may be"
            )
    if reference < -AGREE_V:
        told.append(f"{reference:.3f} V: the cell is connected the wrong way round")
    return told


def _guards(bench: BenchDescription, opened: Mapping[str, Instrument]) -> tuple[list[str], list[str]]:
    """Return what the bench guards by itself when the computer is dead, and what nobody guards then."""
    guards: list[str] = []
    missing: list[str] = []
    by_role: dict[str, Instrument] = {}
    for instrument in opened.values():
        by_role.setdefault(instrument.role, instrument)
    load = by_role.get("load")
    if load is None:
        if "supply" not in by_role:
            missing.append("discharge: no load; a plain resistor has no guard (see docs/safety.md)")
    else:
        able = load.abilities
        if able.low_voltage_cutoff and able.cutoff_latches:
            guards.append(f"{load.name}: a low-voltage cut-off that latches")
        elif able.low_voltage_cutoff:
            guards.append(f"{load.name}: a low-voltage cut-off")
            missing.append(f"discharge: the cut-off of {load.name} starts again when the cell recovers")
        else:
            missing.append(f"discharge: {load.name} has no low-voltage cut-off of its own")
        if able.over_current_protection:
            guards.append(f"{load.name}: a current protection")
    supply = by_role.get("supply")
    if supply is None:
        missing.append("charge: no supply")
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
    if "supply" in by_role and "switch" not in by_role:
        missing.append("no relay: what the supply's output drains when it is off, it drains (--leakage finds out)")
    return guards, missing
