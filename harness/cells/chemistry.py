"""The safe window of each chemistry, and what may be done with a cell as it was found.

The numbers are data, in profiles/chemistries/*.toml, each with its source. `auto` stands for a cell
that has not been identified: the most cautious of all that it may be. A charge limit of 4.35 V is
never inferred; somebody has to write it down. Voltages are those of one cell, currents multiples
of It (capacity / 1 h), temperatures in degC.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, shown, table_of, text_of, unknown
from amphora.harness.common.quantities import parse

Method = Literal["cc-cv", "timed"]
KEYS = ("li-ion", "li-ion-4.35", "lfp", "nimh", "nicd", "lto", "lead-acid", "auto")
TIMED_ONLY = ("timed_charge_s", "charge_factor", "charge_rise_K", "charge_rate_K_per_min")
FAMILY_4V_V = 3.40  # at rest; no LFP or primary manganese cell stays above it (common practice)
PRIMARY_POSSIBLE_V = 2.0
NICKEL_LOW_V, NICKEL_HIGH_V = 1.0, 1.6
ONE_CELL_V = 5.0  # no single cell has more (common practice)
REVERSED_V = -0.02  # what a voltmeter may show of a cell that is simply empty


@dataclass(frozen=True)
class ChemistryTable:
    """The keys of a chemistry's file, as they are written."""

    key: Any = ""
    name: Any = ""
    method: Any = ""
    note: Any = ""
    numbers: Any = None


@dataclass(frozen=True)
class NumberTable:
    """The keys of one of its numbers."""

    value: Any = None
    source: Any = None


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One window. The last four are zero where the charge is not timed."""

    key: str
    name: str
    method: Method
    note: str
    nominal_V: float
    charge_limit_V: float  # held (cc-cv), or where a timed charge stops
    taper_It: float  # where a cc-cv charge ends; 0: has none
    cutoff_V: float  # end of discharge at 0.2 It
    hard_low_V: float  # the lowest cut-off that may be asked for, and the guard's limit
    hard_high_V: float  # never beyond, measuring error included
    reject_below_V: float
    quarantine_below_V: float
    reject_above_V: float
    precharge_below_V: float
    precharge_It: float
    precharge_max_s: float
    precharge_rise_K: float
    charge_low_degC: float
    charge_high_degC: float
    discharge_low_degC: float
    discharge_high_degC: float
    max_charge_It: float
    max_discharge_It: float
    storage_low_V: float  # at rest
    storage_high_V: float
    sources: Mapping[str, str]
    timed_charge_s: float = 0.0
    charge_factor: float = 0.0  # charge put in at most, over the capacity
    charge_rise_K: float = 0.0
    charge_rate_K_per_min: float = 0.0

    @property
    def storage_V(self) -> float:
        """The middle of the storage band."""
        return 0.5 * (self.storage_low_V + self.storage_high_V)


@dataclass(frozen=True, slots=True)
class Triage:
    """What may be done with a cell as it was found.

    `quarantine`: only the slow pre-charge with its limits, then days of rest under watch.
    """

    verdict: Literal["accept", "quarantine", "refuse"]
    reason: str
    may_charge: bool
    may_discharge: bool


def _numbers() -> tuple[str, ...]:
    plain = ("key", "name", "method", "note", "sources")
    return tuple(field.name for field in fields(Chemistry) if field.name not in plain)


NUMBERS = _numbers()


def _kind(number: str) -> str:
    """Return the kind of quantity that a number's name says."""
    if number.endswith("_K_per_min"):
        return "temperature_rate"
    if number.endswith("_degC"):
        return "temperature"
    for ending, kind in (
        ("_It", "rate_It"), ("_V", "voltage"), ("_s", "duration"), ("_K", "temperature_difference")
    ):  # fmt: skip
        if number.endswith(ending):
            return kind
    return "ratio"


def keys() -> tuple[str, ...]:
    """Return the keys of the chemistries that ship."""
    return KEYS


@cache
def load_chemistry(key: str) -> Chemistry:
    """Return a chemistry's window.

    Raises:
        InputError: no such chemistry; the message lists those there are.
    """
    if key not in KEYS:
        raise InputError(unknown("chemistry", key, KEYS))
    text = files("amphora.profiles").joinpath("chemistries", f"{key}.toml").read_text(encoding="utf-8")
    return read_chemistry(text, f"profiles/chemistries/{key}.toml")


def read_chemistry(text: str, where: str) -> Chemistry:
    """Read the text of a chemistry file.

    Raises:
        InputError: not TOML, a key that is unknown or missing, a number without a source, or
            numbers that contradict each other.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError(f"{where}: is not TOML: {error}") from error
    written = as_written(ChemistryTable, data, where)
    named = {"key": written.key, "name": written.name, "method": written.method, "note": written.note}
    texts = {key: text_of(value, f"{where}: {key}") for key, value in named.items()}
    for key in ("key", "name", "method"):
        if not texts[key]:
            raise InputError(f"{where}: {key} is missing")
    method, numbers = written.method, written.numbers
    if method not in ("cc-cv", "timed"):
        raise InputError(f"{where}: method = {shown(method)} is not accepted; 'cc-cv' or 'timed' is")
    if numbers is None:
        raise InputError(f"{where}: the numbers are missing; a table [numbers.NAME] for each is accepted")
    values: dict[str, float] = {}
    sources: dict[str, str] = {}
    for name, entry in table_of(numbers, f"{where}: numbers", NUMBERS).items():
        table = as_written(NumberTable, entry, f"{where}: numbers.{name}", ("value", "source"))
        source = table.source
        if not isinstance(source, str) or not source.strip():
            raise InputError(f"{where}: numbers.{name} has no source; a reference or 'common practice' is accepted")
        values[name] = parse(table.value, _kind(name), f"{where}: numbers.{name}")
        sources[name] = source
    needed = [name for name in NUMBERS if method == "timed" or name not in TIMED_ONLY]
    missing = [name for name in needed if name not in values]
    if missing:
        raise InputError(f"{where}: numbers.{missing[0]} is missing")
    chemistry = Chemistry(**dict[str, Any](texts), **dict[str, Any](values), sources=sources)
    _check_order(chemistry, where)
    return chemistry


def _check_order(c: Chemistry, where: str) -> None:
    """Hold the numbers of one window to their order."""
    rising = (
        ("reject_below_V", "quarantine_below_V"),
        ("hard_low_V", "cutoff_V"),
        ("cutoff_V", "nominal_V"),
        ("nominal_V", "charge_limit_V"),
        ("charge_limit_V", "hard_high_V"),
        ("storage_low_V", "storage_high_V"),
        ("cutoff_V", "storage_low_V"),
        ("storage_high_V", "charge_limit_V"),
        ("charge_low_degC", "charge_high_degC"),
        ("discharge_low_degC", "discharge_high_degC"),
        ("precharge_It", "max_charge_It"),
    )
    for low, high in rising:
        if getattr(c, low) > getattr(c, high):
            raise InputError(
                f"{where}: numbers.{low} = {getattr(c, low):g} is above numbers.{high} = {getattr(c, high):g}"
            )


def classify_as_found(voltage_V: float) -> str | None:
    """Return the chemistry whose DISCHARGE window suits a cell found at a voltage, None where none does.

    It never permits charging: a lithium primary and a charged 4 V cell can read the same.
    """
    if voltage_V >= FAMILY_4V_V:
        return "li-ion"
    if voltage_V >= PRIMARY_POSSIBLE_V:
        return "auto"  # 4 V class, LFP, or a lithium primary: the highest cut-off of them
    if NICKEL_LOW_V <= voltage_V <= NICKEL_HIGH_V:
        return "nimh"  # or alkaline, whose discharge to 1.0 V harms nothing
    return None


def triage(chemistry: Chemistry | str, voltage_V: float, declared_rechargeable: bool = False) -> Triage:
    """Return what may be done with a cell found at a voltage, rested at least an hour, without a load.

    Args:
        chemistry: The window or its key.
        voltage_V: As found.
        declared_rechargeable: A person says that it is no primary cell.

    Raises:
        InputError: the voltage is not finite, or the chemistry is not known.
    """
    c = load_chemistry(chemistry) if isinstance(chemistry, str) else chemistry
    if not -1e3 < voltage_V < 1e3:
        raise InputError(f"{voltage_V!r} V as found is not accepted; a measured voltage of one cell is")
    shown = f"{voltage_V:.3f} V"
    if voltage_V < REVERSED_V:
        return Triage("refuse", f"{shown}: reversed, or the leads are; never charge a reversed cell", False, False)
    if voltage_V > c.reject_above_V:
        kind = "a cell not identified yet" if c.key == "auto" else c.name
        slip = "; more than one cell, or a slip of the pen?" if voltage_V > ONE_CELL_V else ""
        return Triage("refuse", f"{shown} is above {c.reject_above_V:g} V, the most for {kind}{slip}", False, False)
    if c.key == "auto":
        return _triage_unknown(c, voltage_V, declared_rechargeable, shown)
    if voltage_V < c.reject_below_V or (c.reject_below_V > 0 and voltage_V <= 0):
        reason = f"{shown} is below {c.reject_below_V:g} V: over-discharged {c.name} is not charged again"
        return Triage("refuse", reason, False, False)
    if voltage_V < c.quarantine_below_V:
        reason = (
            f"{shown} is below {c.quarantine_below_V:g} V: only the slow pre-charge at "
            f"{c.precharge_It:g} It, then 72 h to 14 days of rest under watch"
        )
        return Triage("quarantine", reason, True, False)
    return Triage("accept", f"{shown} is inside the window of {c.name}", True, voltage_V > c.hard_low_V)


def _triage_unknown(c: Chemistry, voltage_V: float, declared: bool, shown: str) -> Triage:
    discharge_key = classify_as_found(voltage_V)
    may_discharge = discharge_key is not None and voltage_V > load_chemistry(discharge_key).cutoff_V
    if voltage_V < c.reject_below_V:
        if not declared:
            reason = (
                f"{shown} is below {c.reject_below_V:g} V: it may be NiMH, an alkaline primary, or a ruined "
                "lithium cell; declare it rechargeable or retire it"
            )
            return Triage("quarantine" if may_discharge else "refuse", reason, False, may_discharge)
        if not may_discharge:
            reason = f"{shown}: too low for an unidentified cell, say its chemistry or retire it"
            return Triage("refuse", reason, False, False)
        reason = f"{shown}, declared rechargeable: taken as nickel, never above 1.60 V and 0.1 It until identified"
        return Triage("quarantine", reason, True, True)
    if voltage_V < c.quarantine_below_V:
        reason = f"{shown} is below {c.quarantine_below_V:g} V: over-discharged, or not what it seems"
        return Triage("quarantine", reason, declared, False)
    if not declared:
        reason = (
            f"{shown}: may be discharged; a lithium primary is not excluded, so it is charged only when a "
            "person declares it rechargeable"
        )
        return Triage("accept", reason, False, may_discharge)
    reason = f"{shown}, declared rechargeable: up to {c.charge_limit_V:g} V at {c.max_charge_It:g} It until identified"
    return Triage("accept", reason, True, may_discharge)
