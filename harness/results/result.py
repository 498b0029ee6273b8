"""What is found in a run: `Result` and the types within it, frozen; `to_json` and `from_json` are the one pair.

`amphora analyse --json` prints a `Result` field by field. V, A, Ah, Wh, ohm, s, degC; U is expanded with k = 2; a
current is positive into the cell. None: not known, or nothing of the kind in the run. Questions that several rooms ask
of a result (does its capacity count? how many full charges?) are its properties.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from amphora.harness.common.as_json import LEFT_OUT, from_json, key, to_json
from amphora.harness.results.rulings import AccountOfCell

FULL_STARTS = ("full", "declared-full")


@dataclass(frozen=True, slots=True)
class RunWarning:
    """What to distrust in a run: a code for programs, a sentence for people."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class BenchOfRun:
    """The bench that a run was made on: its name, and where it senses the voltage ("cell", "load")."""

    name: str | None = None
    sensed_at: str | None = None


@dataclass(frozen=True, slots=True)
class ResistanceValue:
    """One resistance, with all that is needed to compare it with another. `leads`: "in", "out" or "not known"."""

    method: str
    ohm: float | None
    U_ohm: float | None = None
    current_A: float = 0.0
    duration_s: float = 0.0
    charge_state: float | None = None
    t_s: float = 0.0
    before_V: float | None = None
    before_A: float | None = None
    moved_Ah: float | None = None  # since the first row, positive into the cell
    leads: str | None = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class CellResistance:
    """The resistance that stands for the cell. `charge_state`: of the cell, 1 full."""

    ohm: float | None
    U_ohm: float | None = None
    duration_s: float | None = None
    charge_state: float | None = None
    temperature_degC: float | None = None


@dataclass(frozen=True, slots=True)
class TaperFit:
    """The fall of the current at constant voltage: an exponential and a floor."""

    tau_s: float | None
    amplitude_A: float | None
    floor_A: float | None
    residual_A: float | None


@dataclass(frozen=True, slots=True)
class ChargeCourse:
    """How a charge went: shares at constant current and at constant voltage, and how it ended."""

    constant_current_share: float | None = None
    constant_voltage_share: float | None = None
    held_voltage_V: float | None = None
    end_current_A: float | None = None
    tapered: bool = False
    taper: TaperFit | None = None


@dataclass(frozen=True, slots=True)
class Knee:
    """What a complete discharge gave between each voltage above the cut-off and the cut-off itself."""

    current_A: float
    square_A2h: float  # the current squared over the whole discharge
    above_V: tuple[float, ...]
    Ah: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class PhaseResult:
    """One charge or discharge of a run."""

    kind: Literal["charge", "discharge"]
    begin_s: float = 0.0
    end_s: float = 0.0
    first_row: int = 0
    last_row: int = 0
    main_current_A: float | None = None
    complete: bool = False
    capacity_Ah: float | None = None
    capacity_U_Ah: float | None = None
    capacity_whole_rows_Ah: float | None = None
    charge_Ah: float | None = None
    charge_U_Ah: float | None = None
    energy_Wh: float | None = None
    energy_U_Wh: float | None = None
    mean_voltage_V: float | None = None
    duration_s: float | None = None
    reached_cutoff: bool = False
    end_voltage_V: float | None = None
    resistances: tuple[ResistanceValue, ...] = ()
    temperature_rise_K: float | None = None
    temperature_degC: float | None = None
    start: str = "unknown"
    warnings: tuple[RunWarning, ...] = ()
    cut_by_gap: bool = False
    charge_metrics: ChargeCourse | None = None
    end_slope_V: float | None = None  # volt per unit of its charge
    knee: Knee | None = None
    pulse: bool | None = field(default=None, metadata=LEFT_OUT)  # too short to say what a cell holds
    leads_Ah: float | None = field(default=None, metadata=LEFT_OUT)  # what leads of the load took, put back
    leads_U_Ah: float | None = field(default=None, metadata=LEFT_OUT)
    leads_U_Wh: float | None = field(default=None, metadata=LEFT_OUT)

    @property
    def moved_Ah(self) -> float | None:
        """Return the charge that moved, whichever way."""
        return self.charge_Ah if self.kind == "charge" else self.capacity_Ah

    @property
    def moved_U_Ah(self) -> float | None:
        """Return the U of `moved_Ah`."""
        return self.charge_U_Ah if self.kind == "charge" else self.capacity_U_Ah

    @property
    def from_full(self) -> bool:
        """Tell whether it began from a start known to be full."""
        return self.start in FULL_STARTS


@dataclass(frozen=True, slots=True)
class Cycle:
    """The efficiencies of one charge and the discharge after it."""

    coulombic_efficiency: float | None
    coulombic_efficiency_U: float | None
    energy_efficiency: float | None


@dataclass(frozen=True, slots=True)
class StatedCapacity:
    """The capacity at the stated condition (0.2 It, 20 °C), an estimate; or `why` there is none."""

    capacity_Ah: float | None
    U_Ah: float | None
    current_A: float | None = field(default=None, metadata=LEFT_OUT)
    temperature_degC: float | None = field(default=None, metadata=LEFT_OUT)
    cutoff_V: float | None = field(default=None, metadata=LEFT_OUT)
    converted_Ah: float | None = field(default=None, metadata=LEFT_OUT)
    text: str | None = field(default=None, metadata=LEFT_OUT)
    why: str | None = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class RestLoss:
    """What days of rest say about self-discharge. Rates are positive for a falling voltage."""

    verdict: str
    fall_V_per_day: float | None
    fall_U_V_per_day: float | None
    loss_percent_per_month: float | None
    loss_U_percent_per_month: float | None
    relaxation_V: float | None
    rested_days: float | None
    text: str
    mV_per_day: float | None = None
    mV_U_per_day: float | None = None
    rested_V: float | None = None
    slope_from: str | None = None  # the run whose discharge turned a fall into a loss


@dataclass(frozen=True, slots=True)
class ZeroUsed:
    """What an instrument read of no current that evening, and whether it was taken out."""

    instrument: str
    current_A: float
    standard_uncertainty_A: float | None
    t_s: float | None
    corrected: bool


@dataclass(frozen=True, slots=True)
class CheckUsed:
    """What the check resistor showed, and whether it bounds the gain."""

    resistance_ohm: float
    deviation: float | None
    used: bool
    corrected: bool


@dataclass(frozen=True, slots=True)
class StandardU:
    """A standard uncertainty as specified, and as the bench's checks leave it."""

    specified: float | None
    used: float | None


@dataclass(frozen=True, slots=True)
class BenchChecksUsed:
    """What was measured of the instruments that evening, and what it did to the figures."""

    current_zero: tuple[ZeroUsed, ...]
    drift_seen_A: float | None
    check_resistor: CheckUsed | None
    offset_u_A: StandardU
    gain_u: StandardU
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Warmth:
    """How warm a phase made its cell, and the heat that its resistance explains."""

    rise_K: float | None = None
    rise_U_K: float | None = None
    fastest_K_per_min: float | None = None
    resistance_ohm: float | None = None
    heat_Wh: float | None = None
    mean_power_W: float | None = None
    expected_rise_K: float | None = None
    unexplained: str | None = None


@dataclass(frozen=True, slots=True)
class ReferenceTemperature:
    """How the cell's temperature stands to the standard's, in words too."""

    cell_degC: float | None
    reference_degC: float
    band_K: float
    within: bool | None
    text: str


@dataclass(frozen=True, slots=True)
class LeadsMeasured:
    """What a run with two places of sensing says of leads, holder and contacts."""

    ohm: float | None = None
    U_ohm: float | None = None
    pulses: int = 0
    duration_s: float | None = None
    contact_difference_ohm: float | None = None
    contact_U_ohm: float | None = None
    contact_is_bad: bool | None = None
    contact_text: str | None = None
    problem: str | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class LeadsState:
    """Whether leads and holder are in the figures ("in", "out", "not known"), and what was taken out."""

    state: str
    text: str
    ohm: float | None = None
    U_ohm: float | None = None
    from_run: str | None = None
    files_sha256: Mapping[str, str] | None = field(default=None, metadata=LEFT_OUT)  # of that run, on a certificate


@dataclass(frozen=True, slots=True)
class RepeatsAgree:
    """Whether two complete discharges agree. `earlier_run`: the folder of the first; None: both in this run."""

    first_Ah: float
    second_Ah: float
    difference: float  # relative
    agree: bool
    earlier_run: str | None
    text: str


@dataclass(frozen=True, slots=True)
class RestResult:
    """One stretch without current. Slopes are positive for a rising voltage."""

    begin_s: float
    end_s: float
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
class ResistanceTable:
    """Resistance over charge and time, `ohm[k][j]` at `at[k]` and `times_s[j]`. `along`: what `at` is."""

    along: str
    temperature_degC: float | None
    at: tuple[float, ...]
    times_s: tuple[float, ...]
    ohm: tuple[tuple[float | None, ...], ...]
    U_ohm: tuple[tuple[float | None, ...], ...]
    count: int = field(metadata=key("values"))  # how many values it was fitted to
    scatter: float | None


@dataclass(frozen=True, slots=True)
class Resolved:
    """What the integration went by."""

    edges: int
    edges_half_way: int
    gaps: int
    rows_used: int
    sample_interval_s: float | None


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of a budget. `type`: "A" or "B" of the GUM."""

    name: str
    standard_u: float | None
    unit: str | None
    sensitivity: float | None
    contribution: float
    type: str
    assumed: bool
    note: str


@dataclass(frozen=True, slots=True)
class BudgetTable:
    """A result with its budget: `u` combined standard, `U` expanded with `k`."""

    quantity: str
    value: float | None
    unit: str
    u: float | None
    U: float | None
    k: float | None
    notes: tuple[str, ...]
    lines: tuple[BudgetLine, ...]


@dataclass(frozen=True, slots=True)
class Budgets:
    """The budgets of a run: of its capacity (or charge) and of its energy; both or none."""

    capacity: BudgetTable | None = field(default=None, metadata=LEFT_OUT)
    energy: BudgetTable | None = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class ItemScatter:
    """What the U of the cell as an item stands on: how far repeats of one cell scatter."""

    scatter: float
    pairs: int
    shelf_pairs: int
    from_: str = field(metadata=key("from"))
    text: str
    unseen: float = 0.0  # what may have been drawn before it without the voltage telling, as a share
    conditions: float = 0.0  # what another charge or current may change, as a share (k = 2)


@dataclass(frozen=True, slots=True)
class Result:
    """What is found in a run. From `leads` on: what other runs of the cell and the account of it say."""

    cell: str
    run: str
    chemistry: str
    form: str = ""
    profile: str = ""
    created_utc: str | None = None
    bench: BenchOfRun = BenchOfRun()
    finished: bool = True
    stop: str | None = None
    rows: int = 0
    cutoff_V: float | None = None
    capacity_Ah: float | None = None
    capacity_U_Ah: float | None = None
    capacity_whole_rows_Ah: float | None = None
    charge_Ah: float | None = None
    charge_U_Ah: float | None = None
    energy_Wh: float | None = None
    energy_U_Wh: float | None = None
    mean_voltage_V: float | None = None
    duration_s: float | None = None
    reached_cutoff: bool = False
    complete: bool = False
    end_voltage_V: float | None = None
    resistances: tuple[ResistanceValue, ...] = ()
    temperature_rise_K: float | None = None
    temperature_degC: float | None = None
    main_current_A: float | None = None
    start: str = "unknown"
    cycle: Cycle | None = None
    stated: StatedCapacity | None = None
    retention: RestLoss | None = None
    evening: BenchChecksUsed | None = None
    thermal: Warmth | None = None
    reference_temperature: ReferenceTemperature | None = None
    leads_measured: LeadsMeasured | None = None
    passes: RepeatsAgree | None = None
    rests: tuple[RestResult, ...] = ()
    gaps_unknown: int = 0
    charged_Ah: float | None = None
    discharged_Ah: float | None = None
    net_charge_Ah: float | None = None
    record_kind: str = ""
    resistance_table: ResistanceTable | None = None
    k: float = 2.0
    phases: tuple[PhaseResult, ...] = ()
    warnings: tuple[RunWarning, ...] = ()
    resolved: Resolved | None = field(default=None, metadata=LEFT_OUT)  # None: nothing was integrated
    budget: Budgets | None = field(default=None, metadata=LEFT_OUT)
    leads: LeadsState | None = None
    capacity_item_U_Ah: float | None = None
    item: ItemScatter | None = None
    rest_before_h: float | None = None
    account: AccountOfCell | None = None
    resistance: CellResistance | None = None

    @property
    def from_full(self) -> bool:
        """Tell whether it began from a start known to be full."""
        return self.start in FULL_STARTS

    @property
    def headline(self) -> int | None:
        """Return which of the phases the figures are of: the last discharge of that capacity; None without one."""
        found = [n for n, p in enumerate(self.phases) if p.kind == "discharge" and p.capacity_Ah == self.capacity_Ah]
        return found[-1] if found else None

    @property
    def capacity_counts(self) -> bool:
        """Tell whether its capacity is what the cell holds: from a known full start, down to the cut-off."""
        return self.from_full and self.reached_cutoff and self.capacity_Ah is not None

    @property
    def item_U_Ah(self) -> float:
        """Return the U (k = 2) that cells are told apart by: the item's, else that of the measurement alone."""
        return float(self.capacity_item_U_Ah or self.capacity_U_Ah or 0.0)

    @property
    def sensed_at(self) -> str | None:
        """Return where the voltage was sensed; None: nothing says it."""
        return self.bench.sensed_at

    def to_json(self) -> dict[str, Any]:
        """Return it as plain data."""
        data: dict[str, Any] = to_json(self)
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Result":
        """Return it from plain data.

        Raises:
            ValueError: a key is not known, or one is missing.
        """
        return from_json(cls, data)
