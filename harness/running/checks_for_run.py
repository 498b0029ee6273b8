"""What a run relies on of the checks of its bench: gathered, or made now, before anything is on."""

from collections.abc import Mapping
from pathlib import Path

from amphora.drivers.errors import DriverError
from amphora.drivers.roles import Clock
from amphora.harness.archive.journal import utc_text
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import BenchError, Refused
from amphora.harness.control.events import Event, LeakageChecked, ResistorChecked, SensorChecked, SensorNotChecked
from amphora.harness.plans.plan import Plan
from amphora.harness.running.check_sensor import prove_sensor
from amphora.harness.running.checks_of_bench import keep, latest, notices_of, read_checks
from amphora.harness.running.guided import Tell
from amphora.harness.running.people import Attendant


def of_the_evening(plan: Plan, rig: Rig, logs: Path, clock: Clock, person: Attendant, tell: Tell) -> tuple[Event, ...]:
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
    found: list[Event] = []
    resistor = latest(checks, ResistorChecked, bench, now, identities=identities)
    if resistor is not None:
        found.append(resistor.event())
        if not resistor.passed:
            tell(f"! the check resistor of this evening FAILED: {resistor.text}")
    leak = latest(checks, LeakageChecked, bench, now, within=None)
    if leak is not None and not leak.passed:
        tell(f"! {leak.text}")
    if sensor is not None:
        warmed = latest(checks, SensorChecked, bench, now, identities=identities, sensor=sensor)
        if warmed is not None:
            found.append(warmed.event())
        else:
            found.append(_prove_for(plan, rig, sensor, identities, logs, clock, person, tell))
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
    if latest(checks, SensorChecked, bench, clock.utc(), identities=identities, sensor=sensor) is not None:
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
) -> Event:
    """Have the sensor proven now where the plan charges, else say that it is not."""
    bench = rig.description
    now = utc_text(clock.utc())
    if not plan.charges:
        text = f"{sensor} has not been proven this evening ('amphora bench check --sensor'): do not rely on it"
        tell(f"! {text}")
        return SensorNotChecked(sensor, text, now)
    if not person.present or (bench.simulated and bench.where != "simulated" and not bench.hands):
        if bench.simulated:
            text = f"{sensor} is not proven: the bench is simulated, and nobody there has hands"
            return SensorNotChecked(sensor, text, now)
        raise Refused(
            f"{plan.cell_id}: charging relies on {sensor}, which has not been proven this evening, and nobody is at "
            "the terminal to warm it; 'amphora bench check --sensor' does that; nothing was switched on"
        )
    try:
        made = prove_sensor(rig, sensor, clock, person, tell)
    except DriverError as error:
        raise BenchError(str(error)) from error
    if not made.proven:
        raise Refused(f"{plan.cell_id}: charging relies on {sensor}: {made.text}; nothing was switched on")
    return keep(logs, bench, {sensor: identities[sensor]}, made, clock.utc()).event()
