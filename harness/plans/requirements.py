"""What a plan reads in a bench file: its roles, leads and sensor, and what its instruments guard by themselves. Pure.

Knows a bench as data and nothing of the steps but which side of the bench they want.
"""

from collections.abc import Mapping
from typing import Any

from amphora.harness.bench.bench_file import current_specification, diode_drop_of, temperature_specification
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite_number
from amphora.harness.common.quantities import parse
from amphora.harness.plans.recipe import Recipe

FUSES_A = (0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3,
           8.0, 10.0, 12.5, 16.0)  # fmt: skip  # rated currents as fuses are sold (R10 series, IEC 60127)
ASLEEP = "a computer that sleeps, as with its lid closed: the load draws on below the cut-off until it wakes"


def leads_of(bench: Mapping[str, Any] | None) -> str:
    """Return how the cell's leads are moved; by hand where nothing is said."""
    return str((bench or {}).get("leads", "by hand"))


def called(bench: Mapping[str, Any] | None) -> str:
    """Return a bench as a message calls it."""
    return f"bench {(bench or {}).get('name', 'bench')!r}"


def diode_drop_V(bench: Mapping[str, Any] | None) -> float:
    """Return the smallest drop of a blocking diode in the charge path, V; 0 where there is none.

    Raises:
        InputError: what the bench says of it is not accepted.
    """
    return diode_drop_of(bench or {}, called(bench))


def has_sensor(bench: Mapping[str, Any] | None) -> bool:
    """Return whether a sensor is named at the cell."""
    return bool((bench or {}).get("cell", {}).get("temperature"))


def charge_meter(bench: Mapping[str, Any] | None) -> tuple[str, dict[str, Any]]:
    """Return who measures the current of a charge, and what it may be off by; "" where the bench does not say.

    Raises:
        InputError: a specification of it is not accepted.
    """
    if bench is None:
        return "", current_specification({}, "")
    instruments = bench.get("instruments", {})
    named = (bench.get("cell") or {}).get("current") or [
        name for name, table in instruments.items() if table.get("role") in ("load", "supply")
    ]
    names = [named] if isinstance(named, str) else list(named)
    names.sort(key=lambda name: instruments.get(name, {}).get("role") == "load")  # a load measures no charge
    if not names:
        return "", current_specification({}, "")
    where = f"{called(bench)}: instruments.{names[0]}.specification.current"
    return names[0], current_specification(instruments.get(names[0], {}), where)


def sensor_U_K(bench: Mapping[str, Any] | None) -> float:
    """Return the expanded uncertainty (k = 2) of the sensor at the cell, in kelvin; 0 where there is none.

    Source: JCGM 100:2008, 4.3.7: a rectangular half-width over the root of three.
    """
    named = (bench or {}).get("cell", {}).get("temperature")
    if not named:
        return 0.0
    table = (bench or {}).get("instruments", {}).get(named, {})
    found = temperature_specification(table, f"instruments.{named}.specification.temperature")
    divisor = float(found["k"]) if found["distribution"] == "normal" else 3.0**0.5
    return round(2.0 * float(found["offset"]) / divisor, 3)


def check_working_voltage(bench: Mapping[str, Any] | None, cutoff_V: float, chemistry: str) -> None:
    """Check that the load still draws its current at the cut-off.

    Raises:
        InputError: it does not, by `lowest_working_voltage` in its table.
    """
    for name, table in (bench or {}).get("instruments", {}).items():
        written = table.get("lowest_working_voltage")
        if table.get("role") != "load" or written is None:
            continue
        where = f"{called(bench)}: instruments.{name}.lowest_working_voltage"
        lowest_V = parse(written, "voltage", where)
        if cutoff_V < lowest_V - 1e-9:
            raise InputError(
                f"{where} = {lowest_V:g} V is above the cut-off of {cutoff_V:g} V ({chemistry}): the load would let go "
                "before the cell is empty; a load that works lower is needed, or --cutoff"
            )


def _roles(bench: Mapping[str, Any] | None) -> set[str]:
    return {str(table.get("role")) for table in (bench or {}).get("instruments", {}).values()}


def check_roles(recipe: Recipe, bench: Mapping[str, Any] | None, wanted: list[tuple[str, str]]) -> None:
    """Check that a bench has what the steps want: pairs of a role, or "" for none, and the step's name.

    Raises:
        InputError: an instrument is missing.
    """
    if bench is None:
        return
    roles = _roles(bench)
    for side, step_name in wanted:
        if side and side not in roles:
            what = "discharges" if side == "load" else "charges"
            if recipe.device:
                what = "is driven"
            raise InputError(
                f"{called(bench)} has no {side}, and step {step_name!r} of "
                f"recipe {recipe.name!r} {what} with one; [instruments.NAME] with role = {side!r} is needed"
                + (", or recipe 'watch-resistor'" if side == "load" and resistor_ohm(bench) else "")
            )
    if bench.get("leads") == "relay" and "switch" not in roles and len({side for side, _ in wanted} - {""}) > 1:
        raise InputError(f"{called(bench)}: leads = 'relay', and there is no instrument with role = 'switch'")


def abilities_of(bench: Mapping[str, Any] | None, role: str) -> Any | None:
    """Return the abilities of the first instrument of a role where they are known."""
    if bench is None:
        return None
    known = bench.get("abilities", {})
    for name, table in bench.get("instruments", {}).items():
        if table.get("role") == role:
            return known.get(name)
    return None


def ability_of(abilities: Any, name: str) -> Any:
    """Return one ability, as read from a file or as an instrument says it; None where it is not known."""
    return abilities.get(name) if isinstance(abilities, Mapping) else getattr(abilities, name, None)


def can(abilities: Any, name: str) -> bool:
    """Return whether an ability is there."""
    return bool(ability_of(abilities, name))


def _out_of_sight(bench: Mapping[str, Any] | None) -> list[str]:
    """Return what to say where the load is the cell's voltmeter, and its leads are at the supply during a charge.

    Raises:
        InputError: the bench file says that the load senses at its own terminals: it would charge unseen.
    """
    if bench is None or leads_of(bench) != "by hand":
        return []
    tables = bench.get("instruments", {})
    named = (bench.get("cell") or {}).get("voltage")
    if named is None:  # as the bench file is read where it names nobody
        by_role = {one.get("role"): name for name, one in reversed(tables.items())}
        named = by_role.get("meter", by_role.get("load", ""))
    table = tables.get(named, {})
    if table.get("role") != "load" or bench.get("sensed_at") == "cell":
        return []
    if bench.get("sensed_at") == "load":
        raise InputError(
            f"{bench.get('name', 'the bench')}: cell.voltage is {named!r}, which senses at its own terminals "
            "(sensed_at = 'load') and does not see the cell once the leads are moved to the supply; a meter, or sense "
            "wires that stay at the cell (sensed_at = 'cell'), are accepted for a charge"
        )
    return [
        f"the cell's voltage while the leads are at the supply, unless the sense wires of {named} stay at the cell "
        "(then say so: sensed_at = 'cell')"
    ]


def not_guarded(
    bench: Mapping[str, Any] | None, sides: set[str], *, resistor: bool, device: bool, needs_temperature: bool
) -> tuple[list[str], list[str], bool]:
    """Return what the instruments guard by themselves, what they don't, and whether that is known.

    `sides` are the roles that energise the cell; `resistor`: a resistor drains it while somebody logs.

    Raises:
        InputError: the bench file says that a charge would go unseen.
    """
    guarded: list[str] = []
    missing: list[str] = []
    known = True
    if "load" in sides:
        abilities = abilities_of(bench, "load")
        if abilities is None:
            known = False
        else:
            lists = guarded if can(abilities, "low_voltage_cutoff") else missing
            lists.append("the load's own low-voltage cut-off")
            if not can(abilities, "low_voltage_cutoff"):
                missing.append(ASLEEP)
            (guarded if can(abilities, "over_current_protection") else missing).append("the load's own current limit")
            if can(abilities, "low_voltage_cutoff") and ability_of(abilities, "cutoff_latches") is not True:
                missing.append(
                    "the load's cut-off does not latch, or nobody knows: it may start again as the cell recovers"
                )
    if "supply" in sides:
        missing += _out_of_sight(bench)
        if drop_V := diode_drop_V(bench):
            missing.append(
                f"the cell behind the diode: its drop of {drop_V:g} V vanishes with the current, so with the computer "
                f"dead the cell creeps up to {drop_V:g} V above its charge limit; pull the lead then"
            )
        abilities = abilities_of(bench, "supply")
        if abilities is None:
            known = False
        else:
            for ability, text in (
                ("over_voltage_protection", "the supply's own over-voltage protection"),
                ("over_current_protection", "the supply's own over-current protection"),
                ("off_timer", "a timer that ends the charge (an armed supply holds its voltage without end)"),
            ):
                (guarded if can(abilities, ability) else missing).append(text)
    roles = _roles(bench)
    relay = abilities_of(bench, "switch") if resistor or sides else None
    if can(relay, "low_voltage_cutoff"):  # a relay with limits of its own, which is then the last guard
        guarded.append(
            "the relay board's own lower and upper voltage limits"
            + (" and temperature limits" if has_sensor(bench) else "")
            + ": it opens by itself, and stays open"
        )
        guarded.append("the relay board opens by itself when the computer's beat stops, and when its time is over")
    if resistor and "switch" not in roles:
        missing.append(
            "a plain resistor drains on when the computer stops, and below the cut-off: use a relay that drops out or "
            "a protected holder, or be there"
        )
    for role in ("load", "supply"):
        abilities = abilities_of(bench, role) if role in sides else None
        if abilities is not None:
            off = ability_of(abilities, "power_on_off")
            words = f"the {role}'s outlet after a power cut"
            (guarded if off is True else missing).append(
                f"{words}: off" if off is True else f"{words}: not known to be off"
            )
    if not has_sensor(bench) and not device:
        missing.append("the cell's temperature: the bench has no sensor at the cell; touch it now and then")
    elif resistor and "switch" not in roles and not device:
        missing.append(
            "the cell's temperature: it is read and reported; nothing here can take a resistor off; touch the cell now "
            "and then"
        )
    elif needs_temperature and not (bench or {}).get("cell", {}).get("room_temperature"):
        missing.append("the cell against the room: there is no second sensor (cell.room_temperature)")
    return guarded, missing, known


def resistor_ohm(bench: Mapping[str, Any] | None) -> float | None:
    """Return the known resistor that a logger reckons the cell's current from; None where there is none.

    Below half an ohm it is a shunt beside whatever draws the current, and says nothing of how much that is.
    """
    instruments = (bench or {}).get("instruments", {})
    named = (bench or {}).get("cell", {}).get("current") or list(instruments)
    for name in [named] if isinstance(named, str) else named:
        written = instruments.get(name, {}).get("shunt")
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
