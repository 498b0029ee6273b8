"""The types of the account: entries in order of time go in, a standing comes out. Frozen; units in names.

Charge in Ah, voltage in V, current positive into the cell, times in UTC. A leak is a share of the capacity a day.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from amphora.harness.common.as_json import to_json
from amphora.harness.results.rulings import AccountOfCell, Act, Finding, LeakBound, May

ACTS: tuple[Act, ...] = ("charge", "discharge", "grade", "match", "certify")  # what `cell show` answers
FURTHER_ACTS: tuple[Act, ...] = ("import", "label", "fit")


@dataclass(frozen=True, slots=True)
class RestSeen:
    """A rest as a run shows it. `after`: what flowed before it in that run, "" for nothing. Slopes in V/h, U k = 2."""

    begin_utc: datetime
    end_utc: datetime
    after: str
    first_V: float
    last_V: float
    early_V_per_h: float | None = None
    early_U_V_per_h: float | None = None
    early_at_s: float | None = None
    late_V_per_h: float | None = None
    late_U_V_per_h: float | None = None
    late_at_s: float | None = None
    first_degC: float | None = None
    last_degC: float | None = None


@dataclass(frozen=True, slots=True)
class Move:
    """One charge or discharge of a run. `ah` above 0 in both; `whole`: by its true end (taper, cut-off)."""

    kind: Literal["charge", "discharge"]
    begin_utc: datetime
    end_utc: datetime
    ah: float
    U_ah: float
    whole: bool
    current_A: float | None = None
    cutoff_V: float | None = None
    end_slope_V: float | None = None  # of a discharge: V per unit of its charge at its end
    taper_A: float | None = None  # of a charge: the current at which it ended as full


@dataclass(frozen=True, slots=True)
class RunSeen:
    """What one run tells of its cell. `at` begins it; `dated` is False where only the file's arrival is known."""

    run: str
    at: datetime
    end: datetime
    profile: str
    start: str  # as the run's own record says: full, declared-full, unknown
    stop: str
    final: bool
    moves: tuple[Move, ...] = ()
    rests: tuple[RestSeen, ...] = ()
    capacity_Ah: float | None = None  # of the headline discharge; None without a complete one
    capacity_U_Ah: float | None = None
    stated_Ah: float | None = None  # of the same at the stated condition, by its own record; None: no estimate
    headline: int | None = None  # which of `moves` that discharge is
    headline_start: str = "unknown"  # how it began, by the run's own figures
    resistance_ohm: float | None = None
    resistance_U_ohm: float | None = None
    resistance_like: tuple[Any, ...] = ()  # what two resistances have to share before they are compared
    temperature_degC: float | None = None
    charge_full: bool = False  # its last charge ended full, and nothing was drawn afterwards
    gaps_unknown: int = 0
    imported: bool = False
    dated: bool = True
    simulated: bool = False
    warnings: tuple[str, ...] = ()
    retention_mV_per_day: float | None = None  # of days of rest, after the first
    retention_U_mV_per_day: float | None = None
    retention_V: float | None = None
    curve: tuple[tuple[float, float], ...] = ()  # voltage at rest and share of charge given, from full
    damaged: str = ""
    refused_V: float | None = None  # what the bench read of it where the run was refused for how it was found


@dataclass(frozen=True, slots=True)
class Noted:
    """What a person saw, measured or said of a cell, with its date."""

    at: datetime
    kind: str  # found, check, state, edit, note
    noted_utc: str = ""
    voltage_V: float | None = None
    mass_g: float | None = None
    inspection: Mapping[str, str] = field(default_factory=dict)
    state: str = ""
    text: str = ""
    by: str = ""
    resolution_V: float = 0.01  # the last digit of the meter that was read


Entry = RunSeen | Noted


@dataclass(frozen=True, slots=True)
class Bound:
    """The smallest and largest value that the evidence leaves possible. `from_`: the evidence of each, in words."""

    low: float
    high: float
    low_from: str = ""
    high_from: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """What a cell is, by all that is known of it."""

    cell: str
    capacity_Ah: float | None = None
    capacity_U_Ah: float | None = None
    capacity_item_U_Ah: float | None = None
    repeats: tuple[float, ...] = ()  # what successive like tests differ by, as shares
    conditions_share: float = 0.0  # what another charge or current may change of it, as a share (k = 2)
    conditions: Mapping[str, float] = field(default_factory=dict)  # run -> that share, of each that counts
    capacity_run: str | None = None
    unseen_share: float | None = None  # a flat curve: what may have been drawn unseen between charge and that run
    unseen: Mapping[str, float] = field(default_factory=dict)  # run -> that share, of each
    it_Ah: float = 1.0
    it_from: Literal["measured", "claim", "assumed"] = "assumed"
    charge_low_Ah: float | None = None
    charge_high_Ah: float | None = None
    leak: Bound = Bound(0.0, 24.0)  # share of the capacity a day
    leak_full: Bound = Bound(0.0, 24.0)  # the same where it rests full: a short may act there alone
    self_discharge_percent_per_month: float | None = None
    self_discharge_U: float | None = None
    self_discharge_when: str | None = None
    findings: tuple[Finding, ...] = ()
    starts: Mapping[str, str] = field(default_factory=dict)  # run -> full, declared-full, unknown: by the account
    full_from: Mapping[str, str] = field(default_factory=dict)  # run that began full -> the run that charged it
    rest_before_h: Mapping[str, float] = field(default_factory=dict)  # run -> rest between our charge and it
    full_since: datetime | None = None  # it stands full since then, by our own charge; None: not known to be full
    full_rest_V: float | None = None  # as that charge left it
    last_current: datetime | None = None
    last_V: float | None = None  # the newest voltage at rest, and when
    last_V_at: datetime | None = None
    charges: int = 0  # that ended full
    simulated: bool = False
    curve: tuple[tuple[float, float], ...] = ()  # voltage at rest and share of charge, from full; () : not known
    may: Mapping[str, May] = field(default_factory=dict)

    def finding(self, code: str) -> Finding | None:
        """Return the finding of that code."""
        return next((item for item in self.findings if item.code == code), None)

    @property
    def leak_percent(self) -> LeakBound:
        """Return what it loses a day in percent of its capacity, from the least to the most."""
        leak = self.leak
        return LeakBound(100 * leak.low, 100 * leak.high, leak.low_from, leak.high_from)

    def beside_a_run(self) -> AccountOfCell:
        """Return the part of it that stands in the result of a run."""
        return AccountOfCell(
            self.capacity_run, self.it_Ah, self.it_from, self.leak_percent, self.self_discharge_percent_per_month,
            self.self_discharge_U, self.self_discharge_when, self.findings,
            {act: self.may[act] for act in (*ACTS, "fit") if act in self.may}, self.repeats,
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Return `standing` as `cell show --json` gives it."""
        now = None
        if self.charge_low_Ah is not None and self.charge_high_Ah is not None:
            now = {"low": self.charge_low_Ah, "high": self.charge_high_Ah}
        return {
            "capacity_Ah": self.capacity_Ah,
            "capacity_U_Ah": self.capacity_U_Ah,
            "capacity_item_U_Ah": self.capacity_item_U_Ah,
            "repeats": list(self.repeats),
            "capacity_run": self.capacity_run,
            "capacity_unseen_share": self.unseen_share,
            "capacity_conditions_share": self.conditions_share,
            "it_Ah": self.it_Ah,
            "it_from": self.it_from,
            "charge_now_Ah": now,
            "leak_percent_per_day": to_json(self.leak_percent),
            "leak_near_full_percent_per_day": {
                "high": 100 * self.leak_full.high,
                "high_from": self.leak_full.high_from,
            },
            "self_discharge_percent_per_month": self.self_discharge_percent_per_month,
            "self_discharge_U": self.self_discharge_U,
            "self_discharge_when": self.self_discharge_when,
            "findings": to_json(self.findings),
            "may": {act: to_json(self.may[act]) for act in ACTS if act in self.may},
        }
