"""What a certificate states, as frozen types: made once when one is issued, read once from the file.

`Certificate.to_json` and `from_json` are the one pair; `certificate.schema.json` is the same for others. V, A, Ah, Wh,
ohm, s, degC; U is expanded with k = 2; a current is positive into the cell. Text may be empty: not stated; a number may
be None. What older certificates do not state is `ABSENT` where None says something else, and None elsewhere.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from amphora.harness.common.as_json import ABSENT, LEFT_OUT, Absent, from_json, to_json
from amphora.harness.results.chosen import chosen_of
from amphora.harness.results.result import ResistanceValue

FORMAT = "amphora-certificate/1"


@dataclass(frozen=True, slots=True)
class Issuer:
    """Who issued it, and for whom."""

    bench: str
    place: str
    operator: str
    customer: str


@dataclass(frozen=True, slots=True)
class ItemStated:
    """The cell. `state`: on the register at issue; `former_ids`: of a cell that was renamed."""

    id: str
    form: str
    chemistry: str
    chemistry_found: str
    source: str
    markings: str
    claim_Ah: float | None
    mass_g: float | None
    as_found_V: float | None
    as_found_utc: str
    condition: str
    notes: str
    state: str
    former_ids: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)

    @property
    def quarantined(self) -> bool:
        """Tell whether it is not cleared for use."""
        return self.state == "quarantined"


@dataclass(frozen=True, slots=True)
class ResistanceStated:
    """One DC resistance and how it was found. `charge_state`: share of this discharge still in the cell, 1 full."""

    method: str
    ohm: float | None
    U_ohm: float | None
    current_A: float | None
    duration_s: float | None
    charge_state: float | None
    t_s: float | None


@dataclass(frozen=True, slots=True)
class ResultsStated:
    """The numbers of one run."""

    capacity_Ah: float | None
    capacity_U_Ah: float | None
    charge_Ah: float | None
    charge_U_Ah: float | None
    energy_Wh: float | None
    energy_U_Wh: float | None
    mean_voltage_V: float | None
    duration_s: float | None
    end_voltage_V: float | None
    temperature_rise_K: float | None
    reached_cutoff: bool
    start: str
    resistances: tuple[ResistanceStated, ...]
    temperature_rise_U_K: float | Absent | None = ABSENT

    @property
    def rise_U_K(self) -> float | None:
        """Return the U of the rise; None where it is not stated."""
        return None if self.temperature_rise_U_K is ABSENT else self.temperature_rise_U_K

    @property
    def main_resistance(self) -> ResistanceStated | None:
        """Return the resistance that stands for the cell, the same one that grading looks at."""
        values = [
            ResistanceValue("", item.ohm, item.U_ohm, duration_s=item.duration_s or 0.0, charge_state=item.charge_state)
            for item in self.resistances
        ]
        chosen = chosen_of(values)
        return next((item for value, item in zip(values, self.resistances, strict=True) if value is chosen), None)


@dataclass(frozen=True, slots=True)
class BudgetEntry:
    """One line of the capacity's uncertainty budget. `type`: A or B."""

    name: str
    standard_u: float | None
    unit: str
    contribution_Ah: float | None
    type: str
    assumed: bool
    note: str


@dataclass(frozen=True, slots=True)
class ZeroStated:
    """What an instrument showed with everything off, and whether it was subtracted from each of its readings."""

    instrument: str
    current_A: float | None
    standard_u_A: float | None
    t_s: float | None
    readings: float | None
    duration_s: float | None
    taken_out: bool


@dataclass(frozen=True, slots=True)
class LeadsStated:
    """Whether leads and holder are in the resistances ("in", "out", "not known"), and what was taken out, by which run.

    `files_sha256`: of that run's files.
    """

    state: str
    ohm: float | None
    U_ohm: float | None
    from_run: str
    files_sha256: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class InstrumentStated:
    """One instrument."""

    name: str
    role: str
    identity: str


@dataclass(frozen=True, slots=True)
class SpecificationStated:
    """What a channel may be off by: `gain` relative, the rest in its unit."""

    gain: float | Absent | None = ABSENT
    offset: float | Absent | None = ABSENT
    resolution: float | Absent | None = ABSENT
    distribution: str | Absent = ABSENT
    k: float | Absent | None = ABSENT
    assumed: bool | Absent = ABSENT


@dataclass(frozen=True, slots=True)
class Footing:
    """What the U of a channel rests on. `basis`: calibration, calibration overdue, maker's sheet, assumed."""

    channel: str
    instrument: str
    basis: str
    number: str
    date: str
    due: str
    by: str
    traceable: bool


@dataclass(frozen=True, slots=True)
class CycleStated:
    """The share of charge and of energy that came back in a whole cycle."""

    coulombic_efficiency: float | None
    coulombic_efficiency_U: float | None
    energy_efficiency: float | None


@dataclass(frozen=True, slots=True)
class ChargeRecord:
    """The run whose charge made a discharge begin full, by the cell's account."""

    run: str
    files_sha256: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class RunStated:
    """One run. `curve`: voltage over charge given, thinned; `cutoff_given_V`: given in place of the run's own."""

    run_id: str
    profile: str
    started_utc: str
    stop: str
    cutoff_V: float | None
    cutoff_given_V: float | None
    main_current_A: float | None
    results: ResultsStated
    start_temperature_degC: float | None
    highest_temperature_degC: float | None
    warnings: tuple[str, ...]
    budget: tuple[BudgetEntry, ...]
    current_zero: tuple[ZeroStated, ...]
    leads: LeadsStated | None
    deviations: tuple[str, ...]
    instruments: tuple[InstrumentStated, ...]
    specifications: Mapping[str, SpecificationStated]
    imported: bool
    simulated: bool
    files_sha256: Mapping[str, str]
    curve: tuple[tuple[float, float], ...]
    traceability: tuple[Footing, ...] | None = field(default=None, metadata=LEFT_OUT)
    cycle: CycleStated | Absent | None = ABSENT
    start_from: ChargeRecord | None = field(default=None, metadata=LEFT_OUT)

    @property
    def leads_state(self) -> str:
        """Return whether leads and holder are in: "in", "out" or "not known"."""
        return "not known" if self.leads is None else self.leads.state

    @property
    def leads_run(self) -> str:
        """Return the run that leads and holder were measured by; empty for none."""
        return "" if self.leads is None else self.leads.from_run

    @property
    def name(self) -> str:
        """Return the name of the run's folder."""
        return self.run_id.rsplit("/", 1)[-1]


@dataclass(frozen=True, slots=True)
class CriterionStated:
    """One criterion of the grade. `scale`: from the value to the unit that it is shown in."""

    name: str
    unit: str
    scale: float
    value: float | None
    U: float | None
    limit: float | None
    verdict: str
    remark: str


@dataclass(frozen=True, slots=True)
class GradeStated:
    """The grade, what decided it, and the rule."""

    grade: str
    decided_by: str
    rule: str
    criteria: tuple[CriterionStated, ...]


@dataclass(frozen=True, slots=True)
class Coverage:
    """What U means."""

    k: int = 2
    probability: str = "about 95 %"


@dataclass(frozen=True, slots=True)
class SoftwareStated:
    """What made it."""

    name: str
    version: str


@dataclass(frozen=True, slots=True)
class LayoutStated:
    """What made the pages, so that they can be made again and compared."""

    typst: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ItemUncertainty:
    """The U of the cell as an item, and what it was learned from."""

    capacity_U_Ah: float | None
    text: str


@dataclass(frozen=True, slots=True)
class ChargeBefore:
    """The charge before the last run's discharge. `run`: name of its folder, empty for the same run."""

    current_A: float | None
    end_current_A: float | None
    held_V: float | None
    tapered: bool
    run: str
    ended_utc: str
    rest_h: float | None


@dataclass(frozen=True, slots=True)
class HandOver:
    """The cell at issue by its account. Charges as shares of what it holds."""

    voltage_V: float | None
    voltage_utc: str
    charge_low: float | None
    charge_high: float | None
    self_discharge_percent_per_month: float | None
    self_discharge_U: float | None
    leak_high_percent_per_day: float | None


@dataclass(frozen=True, slots=True)
class Certificate:
    """All that a certificate states; everything printed comes from it. The last run gives the headline."""

    format: str
    kind: str
    issued: str
    issuer: Issuer
    item: ItemStated
    runs: tuple[RunStated, ...]
    grade: GradeStated | None
    coverage: Coverage
    not_tested: tuple[str, ...]
    statements: tuple[str, ...]
    cautions: tuple[str, ...]
    pages: int
    software: SoftwareStated
    layout: LayoutStated
    number: str
    canonical: str | None = field(default=None, metadata=LEFT_OUT)
    item_uncertainty: ItemUncertainty | Absent | None = ABSENT
    charge_before: ChargeBefore | Absent | None = ABSENT
    hand_over: HandOver | Absent | None = ABSENT
    in_spite_of: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)

    @property
    def last(self) -> RunStated:
        """Return the run that the headline is of."""
        return self.runs[-1]

    @property
    def simulated(self) -> bool:
        """Tell whether any of it was made on a simulated bench."""
        return any(run.simulated for run in self.runs)

    @property
    def as_an_item(self) -> ItemUncertainty | None:
        """Return the U of the cell as an item; None where it is not stated."""
        return None if self.item_uncertainty is ABSENT else self.item_uncertainty

    def to_json(self) -> dict[str, Any]:
        """Return it as plain data."""
        data: dict[str, Any] = to_json(self)
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Certificate":
        """Return it from plain data.

        Raises:
            ValueError: a key is not known, or one is missing.
        """
        return from_json(cls, data)


ALGORITHM = "Ed25519"


@dataclass(frozen=True, slots=True)
class Signature:
    """The signature over the canonical form of the data; key and value in base64."""

    algorithm: str
    public_key: str
    value: str


@dataclass(frozen=True, slots=True)
class SignedDocument:
    """What is attached to the pages: the data as they were signed, and the signature."""

    certificate: Mapping[str, Any]
    signature: Signature
