"""What `run.json` says, as types: of the cell, the bench, its instruments and their calibrations, and the plan's notes.

A type names what somebody asks of it; what else stands in the file is passed over. A value of another kind than it
should be counts as not there. Text may be empty, numbers None: not said.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import LEFT_OUT, known_of


@dataclass(frozen=True, slots=True)
class InstrumentOfRun:
    """One instrument of the bench. `shunt`: the resistor that gives the current, as the bench file has it."""

    role: str = ""
    identity: str = ""
    shunt: str = ""


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
    """The bench as it was. `file`: the bench file it was read from."""

    name: str = ""
    file: str = ""
    instruments: Mapping[str, InstrumentOfRun] = field(default_factory=dict)
    cell: WiringOfRun = WiringOfRun()
    calibration: Mapping[str, CalibrationOfRun] = field(default_factory=dict)


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
class PlanAtRun:
    """The plan."""

    notes: NotesOfPlan = NotesOfPlan()


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
class RunHeader:
    """What was known before the run. `imported`: the table that its readings are from; None: they are our own."""

    run_id: str = ""
    created_utc: str = ""
    profile: str = ""
    start: str = ""
    cutoff_V: float | None = None
    cell: Cell = field(default_factory=Cell)
    bench: BenchAtRun = BenchAtRun()
    plan: PlanAtRun = PlanAtRun()
    imported: ImportOfRun | None = None

    @property
    def in_spite_of(self) -> tuple[Said, ...]:
        """Return what it was let through by, as its plan notes it."""
        return self.plan.notes.account.in_spite_of


def header_of(run: Mapping[str, Any]) -> RunHeader:
    """Return what `run.json` says, read (`run_folder.read_header`), as a type."""
    return known_of(RunHeader, run)
