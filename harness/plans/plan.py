"""A plan: a recipe made concrete for one cell on one bench, in SI units. Data only.

`plans.build` builds and checks it; `stepping` and `guard` read it; `run.json` holds it.
Signs: levels in orders are positive magnitudes; the kind of the order tells the direction.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from amphora.harness.common.as_json import LEFT_OUT, WHERE_SAID, from_json, to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import keys_of

COLD_DEGC = 10.0  # below it a lithium cell is charged slowly (common practice)
OrderKind = Literal["off", "discharge", "charge", "ask", "connect"]
StepKind = Literal["rest", "charge", "discharge", "pulses", "sweep", "log", "ask"]
EndQuantity = Literal[
    "voltage_V",  # as read
    "current_A",  # magnitude
    "charge_Ah",  # magnitude since the step began
    "temperature_degC",
    "temperature_rise_K",  # above the reading at the beginning of the step
    "temperature_rate_K_per_min",  # over the last minutes
    "voltage_drop_V",  # below the highest voltage of this step
    "load_step_ohm",  # as the last load step of this run showed it
    "voltage_rate_V_per_h",  # magnitude, over the last minutes: has it come to rest
]


@dataclass(frozen=True, slots=True)
class Order:
    """One thing to ask of the bench.

    `off`: everything that energises is off. `discharge`: `mode` with `value` (A, ohm, W, or V).
    `charge`: constant current `current_A` up to `voltage_V`, then constant voltage.
    `ask`: `text` to a person, who answers; `act` is the same for the hands of a simulated bench
    (`drivers.hands.ACTS`). `connect`: `mode` is the position of the leads
    (`charge`, `discharge`, `open`). `in_It`: the level is in multiples of It, where It is the
    capacity that an earlier complete discharge of this run gave, divided by one hour.
    """

    kind: OrderKind
    mode: str = "current"
    value: float | None = None
    voltage_V: float | None = None
    current_A: float | None = None
    in_It: bool = False
    text: str = ""
    act: str = field(default="", metadata=WHERE_SAID)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one order inside a step. The last segment of a step may be open-ended."""

    order: Order
    duration_s: float
    pulse: bool = False  # ends by time alone; skipped when it would sag too near the cut-off


@dataclass(frozen=True, slots=True)
class End:
    """A step ends with `reason` once `quantity` is at or beyond `value` (in a non-pulse segment)."""

    reason: Literal["cutoff", "taper", "charge", "condition"]
    quantity: EndQuantity
    at: Literal[">=", "<="]
    value: float
    text: str = ""
    finishes: bool = field(default=False, metadata=WHERE_SAID)  # the whole run, not the step alone


@dataclass(frozen=True, slots=True)
class Limits:
    """What the guard holds a step to. None: not limited by this step. Current signed, into the cell."""

    voltage_low_V: float | None = None
    voltage_high_V: float | None = None
    current_low_A: float | None = None
    current_high_A: float | None = None
    temperature_low_degC: float | None = None
    temperature_high_degC: float | None = None
    temperature_rate_K_per_min: float | None = None
    charge_Ah: float | None = None  # magnitude through one step
    temperature_rise_K: float | None = None  # above the first reading of the step
    reach_V: float | None = None  # a charge that has not brought the cell there within `reach_within_s` is refused
    reach_within_s: float | None = None
    voltage_tolerance_V: float = 0.05  # what the voltmeter may be off


@dataclass(frozen=True, slots=True)
class CellLimits:
    """What the guard holds the cell itself to, whatever step it is in, with current or without."""

    kind: Literal["li-ion", "lfp", "nickel", "lead-acid"]
    floor_V: float  # the least of the window, also at rest; a cell that was found lower may not fall from there
    hottest_degC: float  # while it is discharged, and at rest
    precharge_below_V: float = 0.0
    precharge_A: float = 0.0  # no more than this flows into it below that voltage
    charge_limit_V: float = 0.0
    charge_low_degC: float | None = None  # of the window; what the sensor may be off by comes on top


@dataclass(frozen=True, slots=True)
class Taper:
    """How the taper of a charge is judged (`control.taper`)."""

    share_It: float  # of what has been charged, once that exceeds It: where it ends
    resolution_A: float  # last digit of the current meter
    U_A: float  # its expanded uncertainty (k = 2) at the threshold, its zero taken off
    below_V: float = 0.05  # so far below the voltage that is held may the cell be, and the voltage counts as held


@dataclass(frozen=True, slots=True)
class Step:
    """One step, concrete. `segments` are gone through in order; `ends` may end it before."""

    name: str
    kind: StepKind
    segments: tuple[Segment, ...]
    ends: tuple[End, ...]
    max_duration_s: float
    time_is_end: bool  # reaching max_duration_s is the normal end, else the run ends with guard:time
    sample_interval_s: float
    limits: Limits
    attended: bool = False  # energises charge, or needs a person
    leads: Literal["open", "discharge", "charge"] = "discharge"
    cutoff_V: float | None = None  # the cut-off this step works to (pulses are skipped near it)
    after_cutoff: int | None = None  # index of the step to go to when it ends by `cutoff`
    hours: tuple[float, float] | None = None  # attended hours, local, as hours of the day: begin only within
    expected_duration_s: float | None = None
    taper: Taper | None = None  # None: an end by taper is a current below its value, and no more is asked
    later_current_A: float | None = None  # of a first charge: the current after `later_after_Ah`
    later_after_Ah: float | None = None
    cold_current_A: float | None = None  # the most below COLD_DEGC


@dataclass(frozen=True, slots=True)
class PlanWindow:
    """The window that a plan holds its cell in, as a person reads it. None: not said."""

    charge_limit_V: float | None = None
    cutoff_V: float | None = None
    hard_low_V: float | None = None
    charge_low_degC: float | None = None
    charge_high_degC: float | None = None
    discharge_high_degC: float | None = None


@dataclass(frozen=True, slots=True)
class WindowSources:
    """Where the numbers of the window are from."""

    charge_limit_V: str = "the chemistry"
    cutoff_V: str = "the chemistry"


@dataclass(frozen=True, slots=True)
class AccountNotes:
    """What the account said of the cell before the run.

    it_Ah, it_from: what It refers to; charge_now_Ah: bounds (`low`, `high`) of what it holds; full_from_V: what a full
    cell of its kind shows at least; expected_V: between which voltages it has to stand where it was charged full;
    full_since: since when, ISO 8601; findings: their codes; in_spite_of: what a person let through.
    """

    it_Ah: float | None = None
    it_from: str | None = None
    charge_now_Ah: Mapping[str, float | None] | None = None
    full_from_V: float | None = None
    expected_V: tuple[float, ...] | None = None
    full_since: str | None = None
    findings: tuple[str, ...] = ()
    in_spite_of: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class PlanNotes:
    """What a person has to know and do, and what no instrument guards.

    charge_window, discharge_window: keys of the chemistries; first_leads: the role at whose leads it begins; by_hand:
    what has to be done first; guarded, not_guarded: by the instruments themselves, and whether that is known
    (`abilities_known`); most_Ah: what such a cell could hold; device: it is no cell; timer: what the supply's own timer
    does; stop_when_settled: the purpose for which it may end early; proofs: how the checks of the bench stood, in
    words; more: what another version wrote.
    """

    summary: str = ""
    chemistry_name: str = ""
    charge_window: str = ""
    discharge_window: str = ""
    window: PlanWindow | None = None
    window_sources: WindowSources | None = None
    first_leads: str = ""
    leads: str = ""
    fuse_A: float | None = None
    resistor_A: float | None = None
    by_hand: tuple[str, ...] = ()
    guarded: tuple[str, ...] = ()
    not_guarded: tuple[str, ...] = ()
    abilities_known: bool = False
    expected_s: float | None = None
    most_Ah: float | None = None
    device: bool = False
    it_from: str = ""
    afterwards: str | None = field(default=None, metadata=LEFT_OUT)
    assumption: str | None = field(default=None, metadata=LEFT_OUT)
    timer: str | None = field(default=None, metadata=LEFT_OUT)
    stop_when_settled: str | None = field(default=None, metadata=LEFT_OUT)
    account: AccountNotes | None = field(default=None, metadata=LEFT_OUT)
    proofs: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)
    more: Mapping[str, Any] | None = field(default=None, metadata=LEFT_OUT)

    @property
    def hard_low_V(self) -> float | None:
        """The least that the cell may be taken to, V; None where there is no window."""
        return None if self.window is None else self.window.hard_low_V


@dataclass(frozen=True, slots=True)
class Plan:
    """All that will be done, and what it was assumed for."""

    profile: str
    cell_id: str
    chemistry: str  # key of profiles/chemistries
    steps: tuple[Step, ...]
    cutoff_V: float
    capacity_Ah: float  # assumed or known
    capacity_source: str  # "assumed (common practice)", "claim", "run ..."
    start: Literal["full", "declared-full", "unknown"]
    charges: bool  # any step puts charge in
    max_duration_s: float
    max_gap_s: float = 10.0
    as_found_low_V: float = 0.0
    as_found_high_V: float = 5.0
    max_current_A: float = 0.0
    needs_temperature: bool = False
    assumed_resistance_ohm: float = 0.15
    it_from: str = ""  # what It refers to: "measured", "claim", "assumed"
    warnings: tuple[str, ...] = ()
    notes: PlanNotes = PlanNotes()
    cell: CellLimits | None = None  # None: a device, or a plan of 0.1.0
    renewed_s: float = 0.0  # so old may be what the slowest meter of voltage or current shows, as far as known before

    @property
    def chemistry_name(self) -> str:
        """What the chemistry is called; its key where the plan does not say."""
        return self.notes.chemistry_name or self.chemistry

    def roles(self) -> frozenset[str]:
        """Return the roles of the instruments that it orders: load, supply."""
        kinds = {segment.order.kind for step in self.steps for segment in step.segments}
        return frozenset(role for kind, role in (("discharge", "load"), ("charge", "supply")) if kind in kinds)


def plan_to_dict(plan: Plan) -> dict[str, Any]:
    """Return the plan as plain JSON-able data."""
    data: dict[str, Any] = to_json(plan)
    if plan.notes.more:
        data["notes"] |= data["notes"].pop("more")
    return data


def plan_from_dict(data: dict[str, Any]) -> Plan:
    """Return the plan that `plan_to_dict` wrote.

    Raises:
        InputError: a field is missing or unknown.
    """
    try:
        return from_json(Plan, {**data, "notes": _known_notes(data.get("notes") or {})})
    except (ValueError, TypeError, AttributeError) as error:
        raise InputError(f"plan: {error}; a plan as run.json holds it is accepted") from error


def _known_notes(notes: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a plan's notes say, with what another version wrote under `more`."""
    known = {key: value for key, value in notes.items() if key in keys_of(PlanNotes)}
    more = {key: value for key, value in notes.items() if key not in known}
    return {**known, "more": more} if more else known


NICKEL = ("nimh", "nicd")
USED_HOTTEST_degC = 50.0  # a used cell in discharge (common practice; makers' sheets say 60)


def kind_of(chemistry: str) -> Any:
    """Return which rules a chemistry's key goes by: `li-ion`, `lfp`, `nickel` or `lead-acid`."""
    if chemistry in NICKEL:
        return "nickel"
    # Not identified yet, and titanate: as flat as LFP may be, so held to what is true of both.
    return {"lead-acid": "lead-acid", "lfp": "lfp", "auto": "lfp", "lto": "lfp"}.get(chemistry, "li-ion")
