"""One night with one fault, on the virtual clock, and what must be true of it afterwards.

The seed decides everything: which recipe, which fault, its numbers, and when it strikes. A failing
seed replays alone: `python -m tests.campaign --seed N`.
"""

import dataclasses
import os
import random
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, SimulatedCell, real_spec
from amphora.drivers.simulated.parts import SimulatedInstrument
from amphora.harness.archive.journal import JournalWriter, read_run
from amphora.harness.archive.run_folder import resumable, run_folder, run_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import BenchDescription, bench_from_dict
from amphora.harness.bench.opened import CellReading, Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.common.errors import AmphoraError, JournalDamaged, Refused
from amphora.harness.control.events import Event, MadeSafe, RunnerGone, Stopped, stamped
from amphora.harness.control.guard import refold, watch_of
from amphora.harness.control.replay import RESULT_KINDS, replay
from amphora.harness.control.step_records import Sample
from amphora.harness.plans.plan import Plan, plan_to_dict
from amphora.harness.running.resuming import readings_of
from amphora.harness.running.runner import Outcome, Runner
from amphora.harness.running.session import Request, make_plan
from amphora.harness.running.switch_off import make_one_safe
from tests.support.simulation.faults import CATALOGUE, draw

OUTSIDE_S = 3.0  # a reading interval, its confirmation, and the way of the order
KILLED = "killed"  # kill -9 at a reading: the keeper makes safe, the run is resumed
KILLED_AT_ORDER = "killed at an order"  # the same between the record of an order and its effect, or just after it
DARK = "computer dies"  # no keeper either: only what the instruments were told holds; the tail may be torn
LOST = "disk loses rows"  # the same, and the disk has lost rows that it had confirmed
DARKNESS = (DARK, LOST)
DEATHS = (KILLED, KILLED_AT_ORDER, *DARKNESS)
DISK = ("disk full", "slow disk", "disk full at the end")
OURS = (*DISK, *DEATHS)
# Faults of an instrument that strike the supply as well as the load.
EITHER = (
    "frozen current", "current jumps", "current drifts", "order ignored", "level ignored", "order late",
    "off comes late", "off fails once", "off fails twice", "Ctrl-C at an order", "late link", "renewal slow",
    "board starts again", "starts at each opening", "browns out", "bytes swapped",
)  # fmt: skip
# A second fault in some nights: one that may not change how the night ends, whatever the first one is.
BESIDE = (
    "silence", "late reply", "split reply", "garbage", "slow link", "clock set back", "daylight saving", "late link",
    "renewal slow",
)  # fmt: skip
RECIPES = {  # recipe: how often
    "overnight": 35, "charge": 25, "standard-capacity": 15, "storage": 10, "identify": 8, "load-steps": 7,
}  # fmt: skip
DISCHARGES = ("overnight", "load-steps")  # these begin with a full cell and never charge
# Small cells make short nights: the capacity that the plan assumes, and what the cell really holds.
SMALL: dict[str, tuple[float, float]] = {
    "worn-out": (0.5, 0.20),
    "lfp": (0.5, 0.18),
    "nimh": (0.8, 0.25),
}
REAL_SHARE = 0.7  # of the nights have a cell that errs like a real one, the others the ideal one of 0.1.0
SWAPPED = {"worn-out": ("lfp", 1.0), "lfp": ("li-ion", 0.5), "nimh": ("li-ion", 0.5)}  # "wrong chemistry"

# What a night must say when this fault struck; a fault not named here may also end a night well.
MUST_SAY: dict[str, tuple[str, ...]] = {
    "Ctrl-C": ("interrupted",),
    "Ctrl-C at an order": ("interrupted",),
    "comes back as another": ("instrument",),
    "self-heating": (
        "guard:temperature-rise",
        "guard:temperature-rate",
        "guard:temperature-high",
        "cutoff",
        "taper",
        "condition",
    ),
    "sensor broken": ("guard:temperature-low", "condition"),
    "sensor jumps": (
        "guard:temperature-rise",
        "guard:temperature-high",
        "guard:temperature-rate",
        "guard:temperature-low",
        "condition",
    ),
    "silence for good": ("instrument",),
    "garbage for good": ("instrument",),
    "disk full": ("interrupted",),
    "wrong way round": ("guard:reversed", "guard:as-found"),
    LOST: ("refused",),
}
# What stops nothing while all is off has to be told as an event all the same.
SAID_AT_REST = {"sensor broken": "the sensor shows"}


class Killed(BaseException):
    """The process is gone: nothing of the program runs after this."""


class Watched(SimulatedBench):
    """Counts how long current flowed the wrong way out of the window."""

    outside_s = 0.0
    low_V, high_V = -1e9, 1e9  # the window of the plan

    def update(self) -> None:
        """Bring the bench to now, and look."""
        before_s = self._at_s
        super().update()
        passed_s = self._at_s - before_s
        if passed_s <= 0.0 or self.disconnected:
            return
        current_A = self._solve()
        volts = self.cell.voltage(current_A)
        if (current_A < -0.05 and 0.05 < volts < self.low_V) or (current_A > 0.01 and volts > self.high_V):
            self.outside_s += passed_s


class Counting(Rig):
    """Counts the readings that came back; dies at a chosen one."""

    taken = 0
    dies_at = -1
    dead = False

    def read(self, energised: bool) -> CellReading:
        """Read, and count."""
        reading = super().read(energised)
        if self.taken == self.dies_at:
            self.die()
        self.taken += 1
        return reading

    def die(self) -> None:
        """Nothing of the program runs after this, until it is started anew."""
        self.dies_at = -1
        self.dead = True
        raise Killed


@dataclass
class Night:
    """What happened, and what should not have."""

    seed: int
    recipe: str
    kind: str
    fault: str
    at_reading: int
    beside: str = ""
    fired: bool = False
    reason: str = ""
    text: str = ""
    rows: int = 0
    torn: int = 0  # rows that the disk itself lost
    outside_s: float = 0.0
    cpu_s: float = 0.0
    wrong: list[str] = field(default_factory=list)


def spend(seed: int, fault_name: str | None = None) -> Night:
    """Spend one night; `wrong` lists the promises that were broken."""
    rng = random.Random(seed)
    kind = rng.choices(tuple(SMALL), (70, 20, 10))[0]
    recipe = "overnight" if kind == "nimh" else rng.choices(tuple(RECIPES), tuple(RECIPES.values()))[0]
    name = fault_name or rng.choice(sorted(CATALOGUE) + list(OURS))
    folder = Path(tempfile.mkdtemp(prefix="amphora-night-", dir=_fast_folder()))
    night = Night(seed, recipe, kind, name, rng.randint(3, 1100 if recipe == "storage" else 2200))
    begin_s = time.process_time()
    try:
        _spend(night, rng, folder)
    except Exception as error:  # noqa: BLE001  whatever it is, it is a broken promise and the campaign goes on
        night.wrong.append(f"the program failed: {error!r}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    night.cpu_s = round(time.process_time() - begin_s, 3)
    return night


def _fast_folder() -> str | None:
    """Return a file system in memory where there is one: these nights are not about this computer's disk."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def small_cell(kind: str, rng: random.Random, soc: float, real: bool = False) -> SimulatedCell:
    """Return a cell that holds little, so that a night is short; each a bit different.

    A real one relaxes for hours, warms in its own can and loses charge (`real_spec`).
    """
    spec = KINDS[kind]
    if real:
        spec = real_spec(spec.chemistry, SMALL[kind][1], kind=kind, growth=1.2)
    spec = replace(
        spec, capacity_Ah=SMALL[kind][1] * rng.uniform(0.8, 1.2), r0_ohm=max(spec.r0_ohm, 0.15) * rng.uniform(0.7, 1.4)
    )
    return SimulatedCell(spec, soc, 20.0)


@dataclass
class _Set:
    """All that one night is made of."""

    bench: Watched
    described: BenchDescription
    plan: Plan
    rig: Counting
    runner: Runner


def _prepare(night: Night, rng: random.Random, folder: Path) -> _Set:
    full = night.recipe in DISCHARGES
    real = random.Random(f"real:{night.seed}").random() < REAL_SHARE  # of its own, so that no other draw moves
    cell = small_cell(night.kind, rng, 1.0 if full else rng.uniform(0.2, 0.7), real)
    leads = rng.choices(("wired", "relay", "by hand"), (75, 15, 10))[0]
    bench = Watched(night.kind, rng.randrange(10**6), cell=cell, leads=leads, room=rng.random() < 0.15)
    described = bench_from_dict(bench.description)
    chemistry = KINDS[night.kind].chemistry
    form = "AA" if chemistry == "nimh" else "18650"
    Shelf(folder).add(Cell.from_dict({"id": "c", "form": form, "chemistry": chemistry, "declared_rechargeable": True}))
    capacity_Ah = SMALL[night.kind][0]
    request = Request(
        "c", night.recipe, folder, start="declared-full" if full else None, capacity_Ah=capacity_Ah, present=True,
        current_A=0.5 * capacity_Ah if full else None,
    )  # fmt: skip
    abilities = {key: instrument.abilities for key, instrument in bench.instruments.items()}
    plan, cell = make_plan(request, described, bench.clock.utc(), abilities)
    record = cell.to_dict()
    window = load_chemistry(plan.chemistry)
    bench.low_V, bench.high_V = window.hard_low_V, window.hard_high_V
    run = run_folder(folder, "c", night.recipe, bench.clock.utc())
    header = run_header(
        plan_to_dict(plan), record, described, run, plan.start, plan.cutoff_V, night.recipe, bench.clock.utc()
    )
    rig = Counting(described, bench.instruments)
    runner = Runner(plan, rig, bench.clock, run, header, ObligingPerson(hands=bench.asked), take_signals=False)
    return _Set(bench, described, plan, rig, runner)


def _spend(night: Night, rng: random.Random, folder: Path) -> None:
    made = _prepare(night, rng, folder)
    bench = made.bench
    struck: list[str] = []
    name = night.fault
    if name in DISK:
        _disk(made.runner, name, night.at_reading, struck)
    elif name == KILLED_AT_ORDER:
        _die_at_order(made, rng, 1 if night.recipe == "charge" else 2)
    elif name in DEATHS:
        made.rig.dies_at = night.at_reading
    else:
        fault = draw(rng, name)
        if name == "wrong chemistry":
            other, soc = SWAPPED[night.kind]
            fault = CATALOGUE[name](kind=other, soc=soc)
        elif name in EITHER and night.recipe not in DISCHARGES and rng.random() < 0.6:
            fault = CATALOGUE[name](**{**fault.values, "instrument": "supply"})
        bench.inject(fault, at_reading=night.at_reading)
    if rng.random() < 0.15 and name not in DISK:
        night.beside = rng.choice(BESIDE)
        bench.inject(draw(rng, night.beside), at_reading=rng.randint(3, 2200))
    outcome = _run(made, night, rng, struck)
    bench.update()
    night.fired = name in bench.fired or name in struck
    night.reason, night.text, night.rows = outcome.reason, outcome.text, outcome.rows
    night.outside_s = bench.outside_s
    _judge(night, made)


def _die_at_order(made: _Set, rng: random.Random, most: int) -> None:
    """Have the process die at one of the first orders that switch on: before it acts, or just after."""
    left = [rng.randint(1, most)]
    acts = rng.random() < 0.5

    def taken(one: SimulatedInstrument, what: str, act: Callable[[], None]) -> bool:
        if not what.endswith(" True") or made.rig.dead:
            return False
        left[0] -= 1
        if left[0] == 0:
            if acts:
                act()
                made.bench.touch()
            made.rig.die()
        return False

    made.bench.load.order_fault = made.bench.supply.order_fault = taken


def _run(made: _Set, night: Night, rng: random.Random, struck: list[str]) -> Outcome:
    """Run to the end; where the process is killed, do what the keeper does, and resume."""
    runner = made.runner
    if night.fault not in DEATHS:
        return runner.run()
    real_end = runner._end

    def end(reason: str, text: str, code: int) -> Outcome:
        if made.rig.dead:  # no way out is gone by a process that was killed
            raise Killed
        return real_end(reason, text, code)

    runner._end = end  # type: ignore[method-assign]
    try:
        return runner.run()
    except Killed:
        struck.append(night.fault)
    clock = made.bench.clock
    if night.fault in DARKNESS:
        night.torn = _tear(runner.so_far.folder, rng, keeps_its_word=night.fault == DARK)
        clock.restart()
        if night.fault == LOST and not read_run(runner.so_far.folder).lost:
            struck.remove(LOST)  # it died before it had confirmed any row
    else:
        clock.sleep(rng.uniform(0.1, 5.0))
        made.bench.update()
        off = [one.make_safe().off for one in made.bench.instruments.values()]
        writer = JournalWriter.open_again(runner.so_far.folder)
        now_s = clock.now_s() - runner.so_far.zero_s
        writer.append_event(RunnerGone("killed", "no word", "keeper"), now_s, clock.utc())
        writer.append_event(MadeSafe("keeper", all(off), {}), now_s, clock.utc())
        writer.close()
    clock.sleep(rng.uniform(1.0, 900.0 if night.fault in DARKNESS else 60.0))
    made.bench.update()
    try:
        before, plan = resumable(runner.so_far.folder)
    except JournalDamaged as damage:  # a person does what it says
        safe = all(make_one_safe(one, clock).off for one in made.bench.instruments.values())
        return Outcome(runner.so_far.folder, "refused", str(damage), 2, safe, 0)
    again = Runner(
        plan,
        made.rig,
        clock,
        runner.so_far.folder,
        before.run,
        runner.people.person,
        from_folder=before,
        take_signals=False,
    )
    made.runner = again
    try:
        return again.run()
    except Refused as refused:  # nothing was written: it says in one sentence why
        return Outcome(runner.so_far.folder, "refused", str(refused), 1, True, before.rows)


def _tear(folder: Path, rng: random.Random, keeps_its_word: bool) -> int:
    """Take away the end of the rows, as a disk does that lost its power; return how many that are.

    A disk that keeps its word holds all rows that an event came after: they were synced before it.
    """
    path = folder / "samples.csv"
    lines = path.read_bytes().splitlines(keepends=True)
    rows = len(lines) - 1  # the first line is the header
    confirmed = max(event["after_row"] for event in read_run(folder).events)
    if keeps_its_word or confirmed == 0:
        left = rows - rng.randint(0, min(rows - confirmed, 3))
        torn = left > confirmed and rng.random() < 0.7
    else:
        left, torn = rng.randint(max(confirmed - 5, 0), confirmed - 1), False
    lines = lines[: 1 + left]
    if torn:
        lines[-1] = lines[-1][: rng.randint(1, len(lines[-1]) - 1)]
    path.write_bytes(b"".join(lines))
    return rows - left + torn


def _disk(runner: Runner, name: str, at: int, struck: list[str]) -> None:
    """Have the journal's writes fail, or take long, from a row on."""
    real = JournalWriter.append_row
    count = [0]

    def append(self: JournalWriter, *row: Any) -> None:
        count[0] += 1
        if count[0] >= at:
            struck[:] = [name]
            if name == "slow disk":
                time.sleep(0.0005)
            elif name == "disk full":
                raise OSError(28, "No space left on device")
        real(self, *row)

    original = runner.orders.record

    def record(event: Event) -> None:
        journal = runner.so_far.journal
        assert journal is not None
        journal.append_row = append.__get__(journal)  # type: ignore[method-assign]
        original(event)

    runner.orders.record = record  # type: ignore[method-assign]
    if name == "disk full at the end":
        real_event = JournalWriter.append_event

        def event(self: JournalWriter, what: Event, *rest: Any) -> Any:
            if isinstance(what, Stopped | MadeSafe):
                struck[:] = [name]
                raise OSError(28, "No space left on device")
            return real_event(self, what, *rest)

        before = runner._end

        def end(reason: str, text: str, code: int) -> Outcome:
            if runner.so_far.journal is not None:
                runner.so_far.journal.append_event = event.__get__(runner.so_far.journal)  # type: ignore[method-assign]
            return before(reason, text, code)

        runner._end = end  # type: ignore[method-assign]


def _judge(night: Night, made: _Set) -> None:
    wrong, name, bench, runner = night.wrong, night.fault, made.bench, made.runner
    if bench.load.on or bench.supply.on:
        wrong.append("an output is still on")
    # Not a current of the program: a short inside, a bleeder that draws whatever is ordered.
    if night.outside_s > OUTSIDE_S and name not in ("sudden short", "bleeder", "soft short begins"):
        wrong.append(f"current flowed for {night.outside_s:.1f} s outside the window")
    if not (runner.so_far.folder / "run.json").is_file():
        wrong.append("no folder")
        return
    try:
        run = read_run(runner.so_far.folder)
        rows = list(run.iter_rows())
    except AmphoraError as error:
        wrong.append(f"the folder cannot be read: {error}")
        return
    # An answer that took so long that its moment is not known is told with its values, as an event.
    untimed = sum("of a moment that is not known" in str(event.get("text", "")) for event in run.events)
    _judge_rows(night, made, len(rows) + untimed)
    if run.notices and name not in DARKNESS:
        wrong.append(f"notices: {run.notices[0]}")
    said = name in SAID_AT_REST and any(SAID_AT_REST[name] in str(event.get("text", "")) for event in run.events)
    if night.fired and not night.beside and name in MUST_SAY and night.reason not in MUST_SAY[name] and not said:
        wrong.append(f"ended with {night.reason} ({night.text})")
    if not night.text:
        wrong.append("no word about why")
    told = [stamped(event, 0.0, "", 0) for event in run.events if event.kind in RESULT_KINDS]
    _, again = replay(made.plan, run.events, [Sample(row[0], *row[2:5]) for row in rows])
    remembered = refold(watch_of(made.plan, run.run["measurement"]), run.events, readings_of(run))
    if remembered != runner.so_far.memory and name not in (*DISK, LOST):
        wrong.append("a resume would not know what the guard knew")
    if name == LOST and night.fired and not run.lost:
        wrong.append("the folder does not say that rows are gone")
    if again != told and name not in ("disk full", LOST):
        wrong.append("replay gives other events")
    _judge_figures(night, made)


def _judge_rows(night: Night, made: _Set, rows: int) -> None:
    """Every reading that came back is in the folder, but those of the checks before an order."""
    allowed = 1  # the reading of the checks
    if night.fault == "disk full":
        allowed += 1  # the one that could not be written
    elif night.fault in DEATHS:
        allowed += 2  # looked at before going on, with the output on and off
        allowed += night.torn
    lost = made.rig.taken - allowed - rows
    if lost > 0:
        night.wrong.append(f"{lost} readings are not in the folder")


def _judge_figures(night: Night, made: _Set) -> None:
    """The figures are honest: an end that was not reached is not claimed, and no link fault moves a number."""
    from amphora.drivers.simulated.cell import delivered_Ah
    from amphora.harness.account.answer import analyse_run
    from tests.support.simulation.faults import FAMILIES

    if night.recipe != "overnight":
        return
    try:
        result = analyse_run(made.runner.so_far.folder)
    except AmphoraError:
        return  # it says in one sentence that there are none
    ended_otherwise = night.reason in ("time", "taper", "condition", "charge")
    if result.reached_cutoff and ended_otherwise:
        night.wrong.append("claims a cut-off that the run did not reach")
    harmless = FAMILIES.get(night.fault) in ("link", "host") or night.fault in OURS
    if harmless and result.reached_cutoff:
        bench, plan = made.bench, made.plan
        current_A = 0.5 * SMALL[night.kind][0] * bench.load.set_gain
        truth_Ah = delivered_Ah(bench.cell, current_A, plan.cutoff_V)
        off_Ah = abs(result.capacity_Ah - truth_Ah)
        if off_Ah > 2.0 * result.capacity_U_Ah + 0.01 * truth_Ah + 0.003:
            night.wrong.append(f"capacity {result.capacity_Ah:.4f} Ah, truth {truth_Ah:.4f} Ah")


def as_row(night: Night) -> dict[str, Any]:
    """Return a night as plain data."""
    return dataclasses.asdict(night)
