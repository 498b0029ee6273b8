"""What `run.json` says of a run before its first order, as frozen types: cell, plan, bench, accuracy, or an import.

Only what somebody asks of it is here; the file holds more, and what is not in an older file is as it is by default.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import LEFT_OUT, checked_of, known_of

SIMULATED = "simulated"


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """A step of the plan: its name, what it does, and which leads carry it."""

    name: str = ""
    kind: str = ""
    leads: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """A code for programs and a sentence for people: a finding that a person took on, a warning of an import."""

    code: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class AccountAtPlanning:
    """What the plan notes of the cell's account. `full_since`: when our charge before it ended, ISO 8601."""

    in_spite_of: tuple[Said, ...] = ()
    full_since: str = ""


@dataclass(frozen=True, slots=True)
class NotesOfPlan:
    """What the plan notes."""

    account: AccountAtPlanning = AccountAtPlanning()


@dataclass(frozen=True, slots=True)
class PlanOfRun:
    """What a plan says of its cell, and its steps. `capacity_source`: where the capacity is from, in words."""

    notes: NotesOfPlan = NotesOfPlan()
    chemistry: str = ""
    cutoff_V: float | None = None
    capacity_source: str = "assumed"
    steps: tuple[PlannedStep, ...] = ()

    @property
    def only_charges(self) -> bool:
        """Whether all that it lets flow comes from a supply."""
        charges = [step.kind == "charge" for step in self.steps]
        drains = any(step.kind != "charge" and step.leads == "discharge" for step in self.steps)
        return any(charges) and not drains


@dataclass(frozen=True, slots=True)
class InstrumentOfRun:
    """An instrument of the bench. `shunt`: the current is computed from the drop over a known resistor."""

    role: str = ""
    resource: Any = None
    port: Any = None
    identity: Any = None
    shunt: Any = None

    @property
    def simulated(self) -> bool:
        """Whether it is none that one can touch: by its address, or by what it answers."""
        return SIMULATED in (self.resource, self.port) or str(self.identity or "").startswith("AMPHORA SIM,")


@dataclass(frozen=True, slots=True)
class SensedBy:
    """Which instruments read the cell."""

    voltage: str | None = None
    current: tuple[str, ...] = ()
    temperature: str | None = None


@dataclass(frozen=True, slots=True)
class CalibrationOfRun:
    """One calibration of an instrument. Dates in ISO 8601."""

    channels: tuple[str, ...] = ()
    number: str = ""
    date: str = ""
    due: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class BenchOfHeader:
    """The bench: its name, its file, where it senses the voltage, its instruments by name and their calibrations."""

    name: str | None = None
    simulated: bool = False
    file: str | None = None
    sensed_at: str | None = None
    instruments: Mapping[str, InstrumentOfRun] = field(default_factory=dict)
    cell: SensedBy = SensedBy()
    calibration: Mapping[str, CalibrationOfRun] = field(default_factory=dict)

    @property
    def is_simulated(self) -> bool:
        """Whether no real cell was tested on it."""
        return self.simulated or any(one.simulated for one in self.instruments.values())

    @property
    def shunted(self) -> bool:
        """Whether the current is computed from the drop over a known resistor."""
        used = self.instruments.get(self.cell.current[0]) if self.cell.current else None
        return used is not None and used.shunt is not None


@dataclass(frozen=True, slots=True)
class ChannelOfRun:
    """How accurate a channel is, as the bench file says; V, A, degC, s; gain and its change as shares."""

    gain: float | None = None
    offset: float | None = None
    resolution: float | None = None
    distribution: str = "rectangular"
    k: float = 2.0
    assumed: bool = False
    gain_per_K: float = 0.0
    offset_per_K: float = 0.0
    reference_degC: float = 23.0
    band_K: float = 5.0
    orders_within_s: float = 0.0  # of the time: so long after its instant an order may have acted


@dataclass(frozen=True, slots=True)
class MeasurementOfRun:
    """The accuracy of each channel."""

    voltage: ChannelOfRun = ChannelOfRun()
    current: ChannelOfRun = ChannelOfRun()
    temperature: ChannelOfRun = ChannelOfRun()
    time: ChannelOfRun = ChannelOfRun()

    @property
    def knows_the_room(self) -> bool:
        """Whether a channel changes with the room's temperature."""
        channels = (self.voltage, self.current, self.temperature, self.time)
        return any(one.gain_per_K or one.offset_per_K for one in channels)


@dataclass(frozen=True, slots=True)
class TimingOfRun:
    """How often each instrument renews what it shows, s."""

    renewed_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ColumnTaken:
    """The column of a table that a channel came from, and the factor to the unit of the house."""

    column: str = ""
    factor: float = 1.0
    guessed: bool = False


@dataclass(frozen=True, slots=True)
class ImportOfRun:
    """A table that was imported: the file, how it is written, what was done to it and what to distrust.

    `began_from`: who says when the record began: "table", "given" (by whoever imported it) or "file" (its own date).
    `in_spite_of`: findings of the cell's account that a person took on, as they stood.
    """

    file: str = ""
    sha256: str = ""
    delimiter: str = ""
    decimal: str = ""
    first_line: int = 0
    first_clock_time: str | None = None
    map: Mapping[str, ColumnTaken] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    warnings: tuple[Said, ...] = ()
    began_utc: str | None = None
    began_from: str | None = None
    in_spite_of: tuple[Mapping[str, Any], ...] | None = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class Software:
    """What wrote the run."""

    version: str = "0"


@dataclass(frozen=True, slots=True)
class RunHeader:
    """What was known before the run. `cell`: the record as it was then, as in `cell.json`; no plan: it was imported."""

    format: str = ""
    run_id: str = ""
    created_utc: str = ""
    cell: Mapping[str, Any] = field(default_factory=dict)
    plan: PlanOfRun | None = None
    profile: str = ""
    start: str = "unknown"
    cutoff_V: float | None = None
    bench: BenchOfHeader = BenchOfHeader()
    measurement: MeasurementOfRun = MeasurementOfRun()
    timing: TimingOfRun | None = None
    imported: ImportOfRun | None = None
    software: Software = Software()

    @property
    def cell_record(self) -> Cell:
        """Return the cell's record as it was then; what is of another kind in it counts as not there."""
        return known_of(Cell, self.cell)

    @property
    def in_spite_of(self) -> tuple[Said, ...]:
        """Return what it was let through by, as its plan notes it."""
        return self.plan.notes.account.in_spite_of if self.plan is not None else ()

    @property
    def cell_id(self) -> str:
        """Return the cell's id as the run has it; "" where it has none."""
        return str(self.cell.get("id") or "")

    @property
    def measured_utc(self) -> str | None:
        """Return when it was measured: of an imported one what its table says, which may be nothing."""
        return (self.created_utc or None) if self.imported is None else self.imported.first_clock_time


def header_of(run: Mapping[str, Any]) -> RunHeader:
    """Return what `run.json` says.

    Raises:
        ValueError: a value is of another kind than it should be; names the key.
    """
    return checked_of(RunHeader, run)
