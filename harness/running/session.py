"""From a request to a run: cell, recipe and bench brought together, then the runner started.

Leaves to others: what a plan contains (`planner`), what happens on the bench (`runner`), how it is
printed (`cli`). Opening of instruments is handed in, because only the program picks them.
"""

import dataclasses
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.drivers.errors import DescriptionError, DriverError
from amphora.drivers.roles import Abilities, Clock, Instrument
from amphora.harness.account.asking import standing_of
from amphora.harness.account.charge_end import emptied_before, ended_full
from amphora.harness.account.entries import key_of
from amphora.harness.account.fold import full_band
from amphora.harness.account.gate import require
from amphora.harness.account.state import full_floor_V
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.result_file import read_kept
from amphora.harness.archive.run_folder import resumable, run_folder, run_header
from amphora.harness.archive.run_header import header_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import AGREE_V, BenchDescription
from amphora.harness.bench.opened import Rig
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import AmphoraError, InputError, Refused
from amphora.harness.common.keep_awake import stay_awake
from amphora.harness.common.locks import acquire_channel, acquire_folder, acquire_keys, channel_text, identity_key
from amphora.harness.control.events import SensorChecked, StepBegun, StepEnded
from amphora.harness.plans.build import build_plan
from amphora.harness.plans.plan import AccountNotes, Order, Plan, Segment, Step, plan_to_dict
from amphora.harness.plans.requirements import ASLEEP
from amphora.harness.plans.settled import Settled, with_settled
from amphora.harness.running.beginning import OffSheet
from amphora.harness.running.checks_for_run import of_the_evening, why_not_proven
from amphora.harness.running.checks_of_bench import in_words, keep, read_checks
from amphora.harness.running.people import Attendant
from amphora.harness.running.runner import Outcome, Progress, Runner
from amphora.harness.running.switch_off import beside, sheet_of
from amphora.harness.running.watchdog import Keeper

if TYPE_CHECKING:
    from amphora.harness.account.standing import Standing
    from amphora.harness.results.rulings import Act

FULL_FOR_H = 4.0
ZERO_REST_S = 60.0
Open = Callable[[str, Mapping[str, Any], Clock], Instrument]

CAUTIONS = (
    "A fuse at the cell, a holder on a surface that cannot burn, polarity and voltage read by hand first.",
    "Charging cells are not left alone. Swelling, hissing, smell or heat: stop, get out, call the fire service.",
    "Local rules and licensed practice come first; this program replaces neither.",
)


@dataclass(frozen=True)
class Request:
    """What a person asks for. Quantities in SI; None: as the recipe has it."""

    cell_id: str
    profile: str
    logs: Path
    start: str | None = None
    capacity_Ah: float | None = None
    current_A: float | None = None
    cutoff_V: float | None = None
    ready_by: datetime | None = None
    attended: tuple[float, float] | None = None
    present: bool = False
    unattended_charging_ok: bool = False
    without_sensor_ok: bool = False
    hand_voltage_V: float | None = None
    settled: Settled | None = None  # what may end a discharge before its cut-off
    in_spite_of: tuple[str, ...] = ()  # findings of the account that a person takes on
    extra: Mapping[str, Any] = field(default_factory=dict)


def how_full(shelf: Shelf, cell_id: str, now: datetime, *, ahead: bool = False) -> str:
    """Return `full` when our own charge of this cell ended by its taper at most 4 h ago.

    A run that drew current since then makes it `unknown`. `ahead` is for a simulated bench that lives faster than
    the wall clock: the charge's end may then lie ahead of now.
    """
    for folder in reversed(shelf.runs(cell_id)):
        try:
            run = read_run(folder)
        except AmphoraError:
            continue
        kinds = {event.step: event.step_kind for event in run.events if isinstance(event, StepBegun)}
        ended = [event for event in run.events if isinstance(event, StepEnded)]
        energised = [event for event in ended if kinds.get(event.step) in ("charge", "discharge", "pulses")]
        if not energised:
            if any(kinds[step] in ("charge", "discharge", "pulses") for step in kinds):
                return "unknown"
            continue
        last = energised[-1]
        if kinds.get(last.step) != "charge" or not ended_full(
            header_of(run.run), last, emptied_before(run.events, last)
        ):
            return "unknown"
        if run.stopped is None or run.stopped.reason.startswith("guard:"):
            return "unknown"
        age = now - datetime.fromisoformat(last.utc)
        soon = age <= timedelta(hours=FULL_FOR_H) and (ahead or age >= timedelta(0))
        return "full" if soon else "unknown"
    return "unknown"


def measured_Ah(shelf: Shelf, cell_id: str) -> float | None:
    """Return what the newest complete discharge from a full start has given; None: there is none.

    What was left in a cell found at an unknown charge, or declared to be full, is never what it holds.
    """
    for folder in reversed(shelf.runs(cell_id)):
        kept = (read_kept(folder / "result.json") or {}).get("result", {})
        capacity_Ah = kept.get("capacity_Ah")
        if kept.get("start") != "full" or kept.get("reached_cutoff") is not True:
            continue
        if isinstance(capacity_Ah, float) and capacity_Ah > 0.0:
            return capacity_Ah
    return None


def make_plan(
    request: Request,
    bench: BenchDescription | None,
    now: datetime,
    abilities: Mapping[str, Abilities] | None = None,
) -> tuple[Plan, Cell]:
    """Return the checked plan and the cell's record.

    Args:
        request: What is asked for.
        bench: The set-up; None to plan without one.
        now: Aware; when it would begin.
        abilities: What each instrument guards by itself, by name, where it is known.

    Raises:
        InputError: cell, recipe or bench do not go together: what, where, value, limit.
    """
    shelf = Shelf(request.logs)
    cell = shelf.get(request.cell_id)
    standing = standing_of(shelf, request.cell_id)
    ahead = bench is not None and bench.speed_up > 1.0
    start = request.start or how_full(shelf, request.cell_id, now, ahead=ahead)
    if start == "full" and standing.full_since is None:
        start = "unknown"  # what was seen since speaks against it
    check_declared(request, standing)
    if bench is not None and abilities:
        bench = dataclasses.replace(bench, abilities=abilities)
    plan = build_plan(
        request.profile,
        cell,
        bench,
        capacity_Ah=request.capacity_Ah,
        ready_by=request.ready_by,
        now=now.astimezone(),
        attended=request.attended,
        cutoff_V=request.cutoff_V,
        current_A=request.current_A,
        start=start,
        unattended_charging_ok=request.unattended_charging_ok,
        present=request.present,
        measured_Ah=standing.it_Ah if standing.it_from == "measured" else None,
        gave_Ah=standing.it_Ah if standing.it_from == "assumed" else None,
        without_sensor_ok=request.without_sensor_ok,
    )
    if bench is not None and bench.speed_up > 1.0:
        # A simulated bench that lives faster: two real seconds may pass between readings.
        plan = dataclasses.replace(plan, max_gap_s=max(plan.max_gap_s, 2.0 * bench.speed_up))
    if request.settled is not None:
        plan = with_settled(plan, request.settled)
    plan = with_zero_rest(plan)
    notes = dataclasses.replace(plan.notes, account=account_notes(standing, plan))
    if bench is not None:
        notes = dataclasses.replace(notes, proofs=tuple(in_words(read_checks(request.logs), bench, now)))
    return dataclasses.replace(plan, notes=notes), cell


def acts_of(plan: Plan) -> "tuple[Act, ...]":
    """Return what a plan does to a cell: charges it, discharges it, or neither."""
    if plan.notes.device:
        return ()
    kinds = {segment.order.kind for step in plan.steps for segment in step.segments}
    drains = "discharge" in kinds or any(step.kind == "log" and step.leads == "discharge" for step in plan.steps)
    acts: list[Act] = ["charge"] if "charge" in kinds else []
    return (*acts, "discharge") if drains else tuple(acts)


def account_notes(standing: "Standing", plan: Plan) -> AccountNotes:
    """Return what the account says of a cell before a run, for its plan."""
    expected = None
    if plan.start == "full" and standing.full_rest_V is not None:
        expected = tuple(full_band(standing.full_rest_V, 0.0, plan.chemistry))
    holds = None
    if standing.charge_low_Ah is not None:
        holds = {"low": standing.charge_low_Ah, "high": standing.charge_high_Ah}
    return AccountNotes(
        it_Ah=standing.it_Ah,
        it_from=standing.it_from,
        charge_now_Ah=holds,
        full_from_V=full_floor_V(plan.chemistry),
        expected_V=expected,
        full_since=None if standing.full_since is None else standing.full_since.isoformat(),
        findings=tuple(item.code for item in standing.findings),
    )


def check_declared(request: Request, standing: "Standing") -> None:
    """Refuse a declaration of full that the newest voltage at rest contradicts.

    Raises:
        Refused: it does: the voltage, and what a full cell shows.
    """
    if request.start != "declared-full":
        return
    floor_V = full_floor_V(key_of(Shelf(request.logs).get(request.cell_id)))
    volt, where = request.hand_voltage_V, "the hand meter reads"
    if volt is None and standing.last_V is not None and standing.last_V_at is not None:
        volt, where = standing.last_V, f"it was last seen on {standing.last_V_at:%Y-%m-%d %H:%M} UTC, at"
        if standing.last_current is None:
            return  # as it was found: somebody may have charged it since
    if volt is not None and 0.0 < volt < floor_V - AGREE_V:
        raise Refused(
            f"{request.cell_id}: declared full, and {where} {volt:.3f} V: a full cell of this kind stands at "
            f"{floor_V:.2f} V or more; charge it, or leave out --start"
        )


def check_account(request: Request, plan: Plan, bench: BenchDescription, now: datetime) -> Plan:
    """Refuse what the account of the cell forbids; return the plan with a note of what a person lets through.

    Args:
        now: Aware; what the clock says. Where simulated time runs ahead of it, it says nothing of the order of runs.

    Raises:
        Refused: the answer is no, or ask and nobody took it on.
    """
    shelf = Shelf(request.logs)
    cell = shelf.get(request.cell_id)
    standing = standing_of(shelf, request.cell_id)
    dated = None if bench.speed_up > 1.0 else now
    let = require(cell, standing, acts_of(plan), request.in_spite_of, _simulated(bench), dated)
    account = dataclasses.replace(
        plan.notes.account or AccountNotes(), in_spite_of=tuple(to_json(item) for item in let)
    )
    return dataclasses.replace(plan, notes=dataclasses.replace(plan.notes, account=account))


def check_hand_voltage(request: Request) -> None:
    """Refuse a cell that the hand meter shows the wrong way round, before anything is opened.

    Raises:
        Refused: it is.
    """
    hand_V = request.hand_voltage_V
    if hand_V is not None and hand_V < -AGREE_V:
        raise Refused(
            f"{request.cell_id}: the hand meter reads {hand_V:.3f} V: the cell is in the wrong way round, or the "
            "meter's leads are swapped; a reversed cell conducts through a load before any program acts; "
            "nothing was switched on"
        )


def check_folder(request: Request) -> None:
    """Refuse a shelf that nothing can be written to, before anything is opened.

    Raises:
        InputError: the cell's folder may not be written.
    """
    folder = request.logs / request.cell_id
    if folder.is_dir() and not os.access(folder, os.W_OK | os.X_OK):
        raise InputError(f"{folder}: may not be written, and a run is kept there; give another by --logs")


def by_hand_now(plan: Plan, request: Request, bench: BenchDescription) -> list[str]:
    """Return what a person has to have done before a run is let at a cell; short, for its start."""
    if plan.notes.device or plan.max_current_A <= 0.0:
        return []
    fuse_A = plan.notes.fuse_A
    fuse = f"a fuse of {fuse_A:g} A" if fuse_A else "a fuse"
    lines = [f"At the cell: {fuse}; the largest current is {plan.max_current_A:.3g} A, a fuse is at most twice that."]
    if request.hand_voltage_V is None and not bench.simulated:
        lines.append(
            "! no hand-meter voltage was typed in (--hand-voltage): nobody but the instruments has looked at the "
            "polarity, and a reversed cell conducts through them before any program acts"
        )
    return lines


def asleep_now(plan: Plan, warning: str) -> list[str]:
    """Return what a person has to know at the start of each run of a computer that may sleep, its lid closed say."""
    unguarded = f"! not guarded: {ASLEEP}"
    return [f"! {warning}"] * bool(warning) + [unguarded] * (ASLEEP in plan.notes.not_guarded)


def with_zero_rest(plan: Plan) -> Plan:
    """Put a minute of rest before anything that energises: the current zero is taken there."""
    if not plan.steps or not any(
        segment.order.kind in ("charge", "discharge") for step in plan.steps for segment in step.segments
    ):
        return plan
    first = plan.steps[0]
    if first.kind == "rest" and first.max_duration_s >= ZERO_REST_S:
        if first.sample_interval_s <= 1.0 or first.ends:
            return plan
        every_second = dataclasses.replace(first, sample_interval_s=1.0)  # the zero is taken in this rest
        return dataclasses.replace(plan, steps=(every_second, *plan.steps[1:]))
    zero = Step(
        name="current zero",
        kind="rest",
        segments=(Segment(Order("off"), ZERO_REST_S),),
        ends=(),
        max_duration_s=ZERO_REST_S,
        time_is_end=True,
        sample_interval_s=1.0,
        limits=first.limits,
        leads="open",
        expected_duration_s=ZERO_REST_S,
    )
    moved = tuple(
        dataclasses.replace(step, after_cutoff=None if step.after_cutoff is None else step.after_cutoff + 1)
        for step in plan.steps
    )
    return dataclasses.replace(plan, steps=(zero, *moved), max_duration_s=plan.max_duration_s + ZERO_REST_S)


def open_rig(bench: BenchDescription, clock: Clock, open_one: Open) -> Rig:
    """Open every instrument of a bench; what was opened is closed again when one fails."""
    opened: dict[str, Instrument] = {}
    try:
        for name, table in bench.instruments.items():
            opened[name] = open_one(name, table, clock)
    except (DriverError, AmphoraError, OSError) as error:
        for instrument in opened.values():
            instrument.close()
        if isinstance(error, DescriptionError):
            raise InputError(f"{bench.where}: {error}") from error
        raise
    return Rig(bench, opened)


def carry_out(
    request: Request,
    bench: BenchDescription,
    rig: Rig,
    clock: Clock,
    person: Attendant,
    *,
    show: Callable[[Progress], None] | None = None,
    alarm: Callable[[str, str], None] | None = None,
    tell: Callable[[str], None] | None = None,
    guarded: bool = True,
) -> Outcome:
    """Plan and run; returns how it ended, with the folder.

    Args:
        tell: Gets a line of plain words at a time about what is asked of the person and what was found.
        guarded: Start the keeper process and take the locks (a virtual bench needs neither).
    """
    say = tell or (lambda text: None)
    check_hand_voltage(request)
    abilities = {name: instrument.abilities for name, instrument in rig.instruments.items()}
    plan, cell = make_plan(request, bench, clock.utc(), abilities)
    record = cell.to_dict()
    plan = check_account(request, plan, bench, clock.utc())
    for line in by_hand_now(plan, request, bench):
        say(line)
    proofs = of_the_evening(plan, rig, request.logs, clock, person, say)
    now = clock.utc()
    # A recipe of one's own is asked for by its path, and known by its name.
    folder = run_folder(request.logs, request.cell_id, plan.profile, now)
    header = run_header(plan_to_dict(plan), record, bench, folder, plan.start, plan.cutoff_V or None, plan.profile, now)
    runner = Runner(
        plan,
        rig,
        clock,
        folder,
        header,
        person,
        show=show,
        alarm=alarm,
        tell=tell,
        proofs=proofs,
        unproven=_unproven(rig, request.logs, clock),
        hand_voltage_V=request.hand_voltage_V,
    )
    return _guarded(runner, bench, folder, guarded)


def _simulated(bench: BenchDescription) -> bool:
    return bench.simulated or bench.where == "simulated"


def go_on(
    folder: Path,
    bench: BenchDescription,
    rig: Rig,
    clock: Clock,
    person: Attendant,
    *,
    show: Callable[[Progress], None] | None = None,
    alarm: Callable[[str, str], None] | None = None,
    tell: Callable[[str], None] | None = None,
    same_cell: bool = False,
    guarded: bool = True,
    in_spite_of: tuple[str, ...] = (),
) -> Outcome:
    """Go on with a run that was cut short.

    Raises:
        InputError: it ended for good, or somebody is at it.
        Refused: the cell does not look like the same one.
    """
    before, plan = resumable(folder)
    account = plan.notes.account
    allowed = [] if account is None else [str(item.get("code")) for item in account.in_spite_of]
    home = folder.absolute().parent
    if (home / "cell.json").is_file():
        request = Request(home.name, plan.profile, home.parent, in_spite_of=(*in_spite_of, *allowed))
        plan = check_account(request, plan, bench, clock.utc())
    runner = Runner(
        plan,
        rig,
        clock,
        folder,
        before.run,
        person,
        show=show,
        alarm=alarm,
        tell=tell,
        from_folder=before,
        same_cell=same_cell,
        unproven=_unproven(rig, folder.parent.parent, clock),
        not_proven=why_not_proven(plan, rig, folder.parent.parent, clock),
    )
    return _guarded(runner, bench, folder, guarded)


def _unproven(rig: Rig, logs: Path, clock: Clock) -> Callable[[str], None] | None:
    """Return what notes that the sensor at the cell lost its proof; None where there is none."""
    sensor = rig.description.cell_temperature
    if sensor is None:
        return None

    def note(text: str) -> None:
        with suppress(DriverError, AmphoraError):  # what cannot be written or asked now is in the run's own events
            made = SensorChecked(sensor, False, text=text)
            keep(logs, rig.description, {sensor: rig.instruments[sensor].identify()}, made, clock.utc())

    return note


@contextmanager
def held(bench: BenchDescription) -> Iterator[None]:
    """Hold every channel of a bench; taken before anything is opened.

    Raises:
        InputError: two instruments of the bench file are one channel.
        BenchError: another run has one; nothing was opened.
    """
    seen: dict[str, str] = {}
    for name, table in bench.instruments.items():
        channel = channel_text(table)
        if channel in seen:
            raise InputError(
                f"{bench.where}: instruments.{seen[channel]} and instruments.{name} are the same channel ({channel}); "
                "one instrument for each channel is accepted"
            )
        seen[channel] = name
    with ExitStack() as stack:
        for name, table in bench.instruments.items():
            stack.enter_context(acquire_channel(name, table))
        yield


def hold_identities(bench: BenchDescription, rig: Rig) -> ExitStack:
    """Hold the opened instruments by who they are as well: one may be reached in two ways.

    Raises:
        BenchError: another run has one, by another address; nothing was ordered.
    """
    stack = ExitStack()
    if bench.simulated or bench.where == "simulated":
        return stack  # all of one make say the same
    try:
        taken: set[str] = set()
        for name, instrument in rig.instruments.items():
            identity = str(getattr(instrument, "identity", "") or "")
            key = identity_key(identity, int(getattr(instrument, "channel", 1)))
            if key and key not in taken:
                taken.add(key)
                stack.enter_context(acquire_keys(name, [key]))
    except BaseException:
        stack.close()
        raise
    return stack


def _guarded(runner: Runner, bench: BenchDescription, folder: Path, guarded: bool) -> Outcome:
    """Run with the folder locked, awake, with a keeper beside."""
    if not guarded:
        return _described(runner.run())
    with ExitStack() as stack:
        stack.enter_context(acquire_folder(folder))
        if runner.resuming is not None:  # nobody else writes there from here on: as it stands now
            runner.resuming.before, _ = resumable(folder)
        awake = stack.enter_context(stay_awake())
        runner.notes.append(awake.text)
        for line in asleep_now(runner.so_far.plan, awake.warning):
            runner.people.say(line)
        names = runner.rig.energising()
        sheet = sheet_of(bench, runner.rig.instruments)
        runner.off_sheet = OffSheet(sheet, beside(bench.where))
        keepers: list[Keeper] = []

        def another() -> Keeper:
            keepers.append(Keeper.start(bench, folder, sheet))
            return keepers[-1]

        if names:
            runner.heartbeat.keeper, runner.heartbeat.another = another(), another
        try:
            return _described(runner.run())
        finally:
            for keeper in keepers:
                keeper.abandon()  # nothing after a bye; without one the keeper tries on


def _described(outcome: Outcome) -> Outcome:
    """Describe the files beside them and enter the run on the shelf; what fails there is made anew when asked for."""
    from amphora.harness.account.after_run import enter_run
    from amphora.harness.archive.data_package import write_package

    if outcome.folder.is_dir():
        with suppress(Exception):  # whatever it is: the run has ended, and how it did is what has to be said now
            write_package(outcome.folder)
        with suppress(Exception):
            enter_run(outcome.folder)
    return outcome


__all__ = [
    "CAUTIONS",
    "InputError",
    "Request",
    "carry_out",
    "check_folder",
    "go_on",
    "held",
    "hold_identities",
    "how_full",
    "make_plan",
    "open_rig",
    "with_zero_rest",
]
