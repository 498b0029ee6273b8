"""What a plan reads in a bench file: its roles, leads and sensor, and what its instruments guard by themselves. Pure.

Knows a bench as data and nothing of the steps but which side of the bench they want.
"""

from dataclasses import dataclass, field

from amphora.drivers.roles import Abilities
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.bench.specification import ASSUMED, ChannelSpecification
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite_number
from amphora.harness.common.quantities import parse
from amphora.harness.plans.recipe import Recipe

FUSES_A = (0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3,
           8.0, 10.0, 12.5, 16.0)  # fmt: skip  # rated currents as fuses are sold (R10 series, IEC 60127)
ASLEEP = "a computer that sleeps, as with its lid closed: the load draws on below the cut-off until it wakes"


def leads_of(bench: BenchDescription | None) -> str:
    """Return how the cell's leads are moved; by hand where nothing is said."""
    return "by hand" if bench is None else bench.leads


def called(bench: BenchDescription) -> str:
    """Return a bench as a message calls it."""
    return f"bench {bench.name!r}"


def has_sensor(bench: BenchDescription | None) -> bool:
    """Return whether a sensor is named at the cell."""
    return bench is not None and bool(bench.cell_temperature)


def charge_meter(bench: BenchDescription | None) -> tuple[str, ChannelSpecification]:
    """Return who measures the current of a charge, and what it may be off by; "" where the bench does not say.

    Raises:
        InputError: a specification of it is not accepted.
    """
    if bench is None:
        return "", ASSUMED["current"]
    # A load measures no charge: it comes last.
    name = min(bench.cell_current, key=lambda name: bench.role_of(name) == "load")
    return name, bench.current_of(name)


def sensor_U_K(bench: BenchDescription | None) -> float:
    """Return the expanded uncertainty (k = 2) of the sensor at the cell, in kelvin; 0 where there is none.

    Source: JCGM 100:2008, 4.3.7: a rectangular half-width over the root of three.
    """
    if bench is None or not bench.cell_temperature:
        return 0.0
    found = bench.temperature_of(bench.cell_temperature)
    divisor = found.k if found.distribution == "normal" else 3.0**0.5
    return round(2.0 * found.offset / divisor, 3)


def check_working_voltage(bench: BenchDescription | None, cutoff_V: float, chemistry: str) -> None:
    """Check that the load still draws its current at the cut-off.

    Raises:
        InputError: it does not, by `lowest_working_voltage` in its table.
    """
    if bench is None:
        return
    for name in bench.with_role("load"):
        written = bench.instruments[name].get("lowest_working_voltage")
        if written is None:
            continue
        where = f"{called(bench)}: instruments.{name}.lowest_working_voltage"
        lowest_V = parse(written, "voltage", where)
        if cutoff_V < lowest_V - 1e-9:
            raise InputError(
                f"{where} = {lowest_V:g} V is above the cut-off of {cutoff_V:g} V ({chemistry}): the load would let go "
                "before the cell is empty; a load that works lower is needed, or --cutoff"
            )


def check_roles(recipe: Recipe, bench: BenchDescription | None, wanted: list[tuple[str, str]]) -> None:
    """Check that a bench has what the steps want: pairs of a role, or "" for none, and the step's name.

    Raises:
        InputError: an instrument is missing.
    """
    if bench is None:
        return
    for side, step_name in wanted:
        if side and not bench.with_role(side):
            what = "discharges" if side == "load" else "charges"
            if recipe.device:
                what = "is driven"
            raise InputError(
                f"{called(bench)} has no {side}, and step {step_name!r} of "
                f"recipe {recipe.name!r} {what} with one; [instruments.NAME] with role = {side!r} is needed"
                + (", or recipe 'watch-resistor'" if side == "load" and resistor_ohm(bench) else "")
            )
    if bench.leads == "relay" and not bench.with_role("switch") and len({side for side, _ in wanted} - {""}) > 1:
        raise InputError(f"{called(bench)}: leads = 'relay', and there is no instrument with role = 'switch'")


def abilities_of(bench: BenchDescription | None, role: str) -> Abilities | None:
    """Return the abilities of the first instrument of a role where they are known."""
    name = None if bench is None else bench.first(role)
    return None if bench is None or name is None else bench.abilities.get(name)


def _out_of_sight(bench: BenchDescription | None) -> list[str]:
    """Return what to say where the load is the cell's voltmeter, and its leads are at the supply during a charge.

    Raises:
        InputError: the bench file says that the load senses at its own terminals: it would charge unseen.
    """
    if bench is None or bench.leads != "by hand":
        return []
    named = bench.cell_voltage
    if bench.role_of(named) != "load" or bench.sensed_at == "cell":
        return []
    if bench.sensed_at == "load":
        raise InputError(
            f"{bench.name}: cell.voltage is {named!r}, which senses at its own terminals "
            "(sensed_at = 'load') and does not see the cell once the leads are moved to the supply; a meter, or sense "
            "wires that stay at the cell (sensed_at = 'cell'), are accepted for a charge"
        )
    return [
        f"the cell's voltage while the leads are at the supply, unless the sense wires of {named} stay at the cell "
        "(then say so: sensed_at = 'cell')"
    ]


@dataclass(frozen=True, slots=True)
class Guarding:
    """What the instruments guard by themselves, what nobody guards, and whether that is known."""

    guarded: tuple[str, ...]
    missing: tuple[str, ...]
    known: bool


@dataclass(slots=True)
class _Guards:
    """What is guarded and what is not, while it is found out."""

    guarded: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    known: bool = True

    def note(self, able: bool, text: str) -> None:
        (self.guarded if able else self.missing).append(text)


def not_guarded(
    bench: BenchDescription | None, sides: set[str], *, resistor: bool, device: bool, needs_temperature: bool
) -> Guarding:
    """Return what the instruments guard by themselves, and what they don't.

    `sides` are the roles that energise the cell; `resistor`: a resistor drains it while somebody logs.

    Raises:
        InputError: the bench file says that a charge would go unseen.
    """
    guards = _Guards()
    if "load" in sides:
        _load_guards(bench, guards)
    if "supply" in sides:
        _supply_guards(bench, guards)
    if resistor or sides:
        _relay_guards(bench, guards)
    by_itself = bench is None or not bench.with_role("switch")
    if resistor and by_itself:
        guards.missing.append(
            "a plain resistor drains on when the computer stops, and below the cut-off: use a relay that drops out or "
            "a protected holder, or be there"
        )
    for role in ("load", "supply"):
        abilities = abilities_of(bench, role) if role in sides else None
        if abilities is not None:
            off = abilities.power_on_off is True
            guards.note(off, f"the {role}'s outlet after a power cut: {'off' if off else 'not known to be off'}")
    if device:
        return Guarding(tuple(guards.guarded), tuple(guards.missing), guards.known)
    if not has_sensor(bench):
        guards.missing.append("the cell's temperature: the bench has no sensor at the cell; touch it now and then")
    elif resistor and by_itself:
        guards.missing.append(
            "the cell's temperature: it is read and reported; nothing here can take a resistor off; touch the cell now "
            "and then"
        )
    elif needs_temperature and bench is not None and not bench.room_temperature:
        guards.missing.append("the cell against the room: there is no second sensor (cell.room_temperature)")
    return Guarding(tuple(guards.guarded), tuple(guards.missing), guards.known)


def _load_guards(bench: BenchDescription | None, guards: _Guards) -> None:
    abilities = abilities_of(bench, "load")
    if abilities is None:
        guards.known = False
        return
    guards.note(abilities.low_voltage_cutoff, "the load's own low-voltage cut-off")
    if not abilities.low_voltage_cutoff:
        guards.missing.append(ASLEEP)
    guards.note(abilities.over_current_protection, "the load's own current limit")
    if abilities.low_voltage_cutoff and abilities.cutoff_latches is not True:
        guards.missing.append(
            "the load's cut-off does not latch, or nobody knows: it may start again as the cell recovers"
        )


def _supply_guards(bench: BenchDescription | None, guards: _Guards) -> None:
    guards.missing += _out_of_sight(bench)
    if bench is not None and (drop_V := bench.diode_drop_V):
        guards.missing.append(
            f"the cell behind the diode: its drop of {drop_V:g} V vanishes with the current. If the computer "
            f"dies, the cell creeps up to {drop_V:g} V above its charge limit; pull the lead then"
        )
    abilities = abilities_of(bench, "supply")
    if abilities is None:
        guards.known = False
        return
    guards.note(abilities.over_voltage_protection, "the supply's own over-voltage protection")
    guards.note(abilities.over_current_protection, "the supply's own over-current protection")
    guards.note(abilities.off_timer, "a timer that ends the charge (an armed supply holds its voltage without end)")


def _relay_guards(bench: BenchDescription | None, guards: _Guards) -> None:
    """A relay with limits of its own is the last guard."""
    relay = abilities_of(bench, "switch")
    if relay is None or not relay.low_voltage_cutoff:
        return
    guards.guarded += [
        "the relay board's own lower and upper voltage limits"
        + (" and temperature limits" if has_sensor(bench) else "")
        + ": it opens by itself, and stays open",
        "the relay board opens by itself when the computer's beat stops, and when its time is over",
    ]


def resistor_ohm(bench: BenchDescription | None) -> float | None:
    """Return the known resistor that a logger reckons the cell's current from; None where there is none.

    Below half an ohm it is a shunt beside whatever draws the current, and says nothing of how much that is.
    """
    if bench is None:
        return None
    for name in bench.cell_current:
        written = bench.instruments[name].get("shunt")
        if written is None:
            continue
        text = str(written).replace("Ω", "ohm").replace("Ohm", "ohm")
        try:
            ohm = parse(f"{text} ohm" if finite_number(written) is not None else text, "resistance")
        except InputError:
            return None  # the logger says what is wrong with it
        return ohm if ohm >= 0.5 else None
    return None


def fuse_for(most_current_A: float) -> float | None:
    """Return a fuse rating for a largest current: the highest that is sold at or below twice it.

    Source: common practice (a fuse at the cell of one to two times the largest current);
    ratings of the R10 series as in IEC 60127.
    """
    if most_current_A <= 0.0:
        return None
    fitting = [rating for rating in FUSES_A if most_current_A < rating <= 2.0 * most_current_A * (1 + 1e-9)]
    return max(fitting) if fitting else None
