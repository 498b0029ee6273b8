"""What `run.json` says, as types: of the cell, the bench, its instruments, their accuracy and calibrations, the plan.

A type names what somebody asks of it; what else stands in the file is passed over. A value of another kind than it
should be counts as not there. Text may be empty, numbers None: not said.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import LEFT_OUT, known_of

SIMULATED = "simulated"


@dataclass(frozen=True, slots=True)
class InstrumentOfRun:
    """One instrument of the bench. `shunt`: the resistor that gives the current, as the bench file has it."""

    role: str = ""
    resource: str = ""
    port: str = ""
    identity: str = ""
    shunt: str = ""

    @property
    def simulated(self) -> bool:
        """Whether it is none that one can touch: by its address, or by what it answers."""
        return SIMULATED in (self.resource, self.port) or self.identity.startswith("AMPHORA SIM,")


@dataclass(frozen=True, slots=True)
class WiringOfRun:
    """Which instruments read the cell."""

    voltage: str = ""
    current: tuple[str, ...] = ()
    temperature: str = ""


@dataclass(frozen=True, slots=True)
class CalibrationOfRun:
    """One calibration of an instrument. Dates in ISO 8601."""

    channels: tuple[str, ...] = ()
    number: str = ""
    date: str = ""
    due: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class BenchAtRun:
    """The bench as it was. `file`: the bench file it was read from; `sensed_at`: "cell", "load", or nobody said."""

    name: str = ""
    simulated: bool = False
    file: str = ""
    sensed_at: str | None = None
    instruments: Mapping[str, InstrumentOfRun] = field(default_factory=dict)
    cell: WiringOfRun = WiringOfRun()
    calibration: Mapping[str, CalibrationOfRun] = field(default_factory=dict)

    @property
    def is_simulated(self) -> bool:
        """Whether no real cell was tested on it."""
        return self.simulated or any(one.simulated for one in self.instruments.values())

    @property
    def shunted(self) -> bool:
        """Whether the current is computed from the drop over a known resistor."""
        used = self.instruments.get(self.cell.current[0]) if self.cell.current else None
        return used is not None and bool(used.shunt)


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
class PlannedStep:
    """A step of the plan: its name, what it does, and which leads carry it."""

    name: str = ""
    kind: str = ""
    leads: str = ""


@dataclass(frozen=True, slots=True)
class PlanAtRun:
    """The plan. `capacity_source`: where the capacity that it goes by is from, in words."""

    chemistry: str = ""
    cutoff_V: float | None = None
    capacity_source: str = "assumed"
    steps: tuple[PlannedStep, ...] = ()
    notes: NotesOfPlan = NotesOfPlan()

    @property
    def only_charges(self) -> bool:
        """Whether all that it lets flow comes from a supply."""
        charges = [step.kind == "charge" for step in self.steps]
        drains = any(step.kind != "charge" and step.leads == "discharge" for step in self.steps)
        return any(charges) and not drains


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
    """What was known before the run. `imported`: the table that its readings are from; None: they are our own.

    `plan`: None of a run that was not ours. `cell`: as its record was then.
    """

    run_id: str = ""
    created_utc: str = ""
    profile: str = ""
    start: str = ""
    cutoff_V: float | None = None
    cell: Cell = field(default_factory=Cell)
    bench: BenchAtRun = BenchAtRun()
    plan: PlanAtRun | None = None
    measurement: MeasurementOfRun = MeasurementOfRun()
    timing: TimingOfRun | None = None
    imported: ImportOfRun | None = None
    software: Software = Software()

    @property
    def account(self) -> AccountAtPlanning:
        """Return what its plan notes of the cell's account."""
        return self.plan.notes.account if self.plan else AccountAtPlanning()

    @property
    def measured_utc(self) -> str | None:
        """Return when it was measured: of an imported one what its table says, which may be nothing."""
        return (self.created_utc or None) if self.imported is None else self.imported.first_clock_time

    @property
    def in_spite_of(self) -> tuple[Said, ...]:
        """Return what it was let through by, as its plan notes it."""
        return self.account.in_spite_of


def header_of(run: Mapping[str, Any]) -> RunHeader:
    """Return what `run.json` says, read (`run_folder.read_header`), as a type."""
    return known_of(RunHeader, run)
