"""Before the first order of a run: who answers, what the cell shows, what forbids it; all of it in the folder."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amphora.drivers.errors import DriverError
from amphora.harness.archive.journal import TOOK, JournalWriter
from amphora.harness.bench.opened import CellReading, Rig
from amphora.harness.common.errors import Refused
from amphora.harness.control.events import Checked, Event, RunBegun
from amphora.harness.control.stepping import initial
from amphora.harness.plans.plan import plan_to_dict
from amphora.harness.running.clock_watch import boot_anchor
from amphora.harness.running.orders import Orders
from amphora.harness.running.own_protections import Trips
from amphora.harness.running.pre_run import problems_of, remarks_of
from amphora.harness.running.run_so_far import RunSoFar, told
from amphora.harness.running.switch_off import FILE, OffList, write_sheet


@dataclass
class OffSheet:
    """What switches the bench off, as data: for when nothing of this program is left to know it.

    Args:
        sheet: What is written into the folder before the first order.
        beside: Where it is written as well: beside the bench file.
    """

    sheet: OffList | None = None
    beside: Path | None = None

    def keep(self, folder: Path, notes: list[str]) -> None:
        """Write it; what cannot be written beside the bench file becomes a note."""
        if self.sheet is None:
            return
        write_sheet(self.sheet, folder / FILE)
        if self.beside is not None:
            try:
                write_sheet(self.sheet, self.beside)
            except OSError as error:
                notes.append(f"{self.beside} could not be written: {told(error)}")


@dataclass
class _Answers:
    """What the instruments said when they were asked first, by name."""

    identities: dict[str, str] = field(default_factory=dict)
    readings: dict[str, Mapping[str, float]] = field(default_factory=dict)
    setups: dict[str, dict[str, Any]] = field(default_factory=dict)
    queued: dict[str, list[str]] = field(default_factory=dict)
    trouble: DriverError | None = None

    @classmethod
    def of(cls, rig: Rig) -> "_Answers":
        """Ask each; the first one in trouble ends it."""
        answers = cls()
        for name, instrument in rig.instruments.items():
            try:
                answers.identities[name] = instrument.identify()
                answers.queued[name] = instrument.read_errors()
                answers.setups[name] = dict(instrument.read_setup())
                answers.readings[name] = dict(instrument.read())
            except DriverError as error:
                answers.trouble = error
                break
        return answers


@dataclass
class Beginning:
    """How a new run begins.

    Args:
        hand_voltage_V: What a hand meter read before anything was connected; None when not given.
        proofs: What was proven of the bench this evening (`running.checks_of_bench`); goes into the events.
    """

    hand_voltage_V: float | None
    proofs: tuple[Event, ...]

    def look(self, orders: Orders, trips: Trips, off_sheet: OffSheet, notes: list[str]) -> None:
        """Look at the bench before anything is switched on; what is found is in the folder.

        Raises:
            Refused: the cell or the bench is not as it must be.
            DriverError: an instrument does not answer as it should.
        """
        so_far, rig = orders.so_far, orders.rig
        orders.touched = True
        answers = _Answers.of(rig)
        rig.find_extras(answers.readings)
        _into_header(so_far, rig, answers)
        so_far.journal = JournalWriter.open_new(so_far.folder, so_far.header, (*rig.extra_columns, TOOK))
        off_sheet.keep(so_far.folder, notes)
        plan = so_far.plan
        so_far.state = initial(plan)
        so_far.event(RunBegun(plan.profile, plan.cell_id, tuple(notes), boot_anchor(so_far)))
        for proof in self.proofs:
            so_far.event(proof)
        if answers.trouble is not None:
            raise answers.trouble
        tripped = trips.remember()
        first = _first_reading(so_far, rig)
        remarks = [f"{name}: its error queue held {errors[0]}" for name, errors in answers.queued.items() if errors]
        remarks += remarks_of(plan, rig, first, answers.readings, tripped)
        problems = problems_of(plan, rig, first, answers.readings, answers.setups, self.hand_voltage_V)
        limits = {} if problems else orders.arm()
        queued = {name: errors for name, errors in answers.queued.items() if errors}
        so_far.event(
            Checked(
                first.voltage_V, first.current_A, first.temperature_degC, self.hand_voltage_V,
                answers.setups, queued, limits, tuple(problems), tuple(remarks),
            )
        )  # fmt: skip
        for remark in remarks:
            orders.people.say(remark)
        if problems:
            raise Refused(f"{plan.cell_id}: {problems[0]}; outputs are off; see {so_far.folder}")
        orders.zero.begin()


def _into_header(so_far: RunSoFar, rig: Rig, answers: _Answers) -> None:
    """Put into the header who answered, and how often who measures the cell measures anew; the plan learns it, too."""
    for name, identity in answers.identities.items():
        so_far.header["bench"]["instruments"].setdefault(name, {})["identity"] = identity
    renewed_s = rig.renewed_s()
    so_far.header["timing"] = {"renewed_s": renewed_s}
    measuring = {rig.description.cell_voltage, *rig.description.cell_current}
    slowest_s = max((renewed_s.get(name, 0.0) for name in measuring), default=0.0)
    if slowest_s != so_far.plan.renewed_s:
        so_far.plan = dataclasses.replace(so_far.plan, renewed_s=slowest_s)
        so_far.header["plan"] = plan_to_dict(so_far.plan)


def _first_reading(so_far: RunSoFar, rig: Rig) -> CellReading:
    reading = rig.read(energised=False)
    so_far.degC = reading.temperature_degC
    so_far.last_reading_s = so_far.last_asked_s = so_far.now_s()
    return reading
