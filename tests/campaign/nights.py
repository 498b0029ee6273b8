"""One night with one fault, on the virtual clock, and what must be true of it afterwards.

The seed decides everything: which recipe, which fault, its numbers, and when it strikes. A failing
seed replays alone: `python -m tests.campaign --seed N`.
"""

import dataclasses
import random
import shutil
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.faults import CATALOGUE, draw
from harness.bench import bench_from_dict
from harness.errors import AmphoraError
from harness.journal import JournalWriter, read_run
from harness.persons import ObligingPerson
from harness.plan import plan_to_dict
from harness.rig import CellReading, Rig
from harness.runner import Runner, run_folder, run_header
from harness.session import Request, make_plan
from harness.shelf import Cell, Shelf
from harness.stepping import RESULT_KINDS, Sample, replay

CURRENT_A = 0.25
LOW_V, HIGH_V = 2.5, 4.25  # the window of the plan (li-ion), profiles/chemistries/li-ion.toml
OUTSIDE_S = 3.0  # a reading interval, its confirmation, and the way of the order
OURS = ("disk full", "slow disk", "disk full at the end")
RECIPES = ("overnight", "charge", "standard-capacity")

# What a night must say when this fault struck; a fault not named here may also end a night well.
MUST_SAY: dict[str, tuple[str, ...]] = {
    "Ctrl-C": ("interrupted",),
    "comes back as another": ("instrument",),
    "self-heating": ("guard:temperature-rate", "guard:temperature-high", "cutoff", "taper", "condition"),
    "sensor broken": ("guard:temperature-low", "condition"),
    "sensor jumps": ("guard:temperature-high", "guard:temperature-rate", "guard:temperature-low", "condition"),
    "silence for good": ("instrument",),
    "garbage for good": ("instrument",),
    "disk full": ("interrupted",),
    "wrong way round": ("guard:reversed", "guard:as-found"),
}


class Watched(SimulatedBench):
    """Counts how long current flowed the wrong way out of the window."""

    outside_s = 0.0

    def update(self) -> None:
        """Bring the bench to now, and look."""
        before_s = self._at_s
        super().update()
        passed_s = self._at_s - before_s
        if passed_s <= 0.0 or self.disconnected:
            return
        current_A = self._solve()
        volts = self.cell.voltage(current_A)
        if (current_A < -0.05 and 0.05 < volts < LOW_V) or (current_A > 0.01 and volts > HIGH_V):
            self.outside_s += passed_s


class Counting(Rig):
    """Counts the readings that came back."""

    taken = 0

    def read(self, energised: bool) -> CellReading:
        """Read, and count."""
        reading = super().read(energised)
        self.taken += 1
        return reading


@dataclass
class Night:
    """What happened, and what should not have."""

    seed: int
    recipe: str
    fault: str
    at_reading: int
    fired: bool
    reason: str
    text: str
    rows: int
    outside_s: float
    wrong: list[str] = field(default_factory=list)


def spend(seed: int, fault_name: str | None = None) -> Night:
    """Spend one night; `wrong` lists the promises that were broken."""
    rng = random.Random(seed)
    recipe = rng.choice(RECIPES)
    name = fault_name or rng.choice(sorted(CATALOGUE) + list(OURS))
    folder = Path(tempfile.mkdtemp(prefix="amphora-night-"))
    try:
        return _spend(seed, rng, recipe, name, folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _spend(seed: int, rng: random.Random, recipe: str, name: str, folder: Path) -> Night:
    full = recipe == "overnight"
    bench = Watched("worn-out", rng.randrange(10**6), start_soc=1.0 if full else rng.uniform(0.2, 0.7))
    described = bench_from_dict(bench.description)
    Shelf(folder).add(
        Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True})
    )
    request = Request(
        "c", recipe, folder, start="declared-full" if full else None, capacity_Ah=0.5, present=True,
        current_A=CURRENT_A if recipe == "overnight" else None,
    )  # fmt: skip
    abilities = {key: instrument.abilities for key, instrument in bench.instruments.items()}
    plan, cell = make_plan(request, described, bench.clock.utc(), abilities)
    run = run_folder(folder, "c", recipe, bench.clock.utc())
    header = run_header(plan_to_dict(plan), cell, described, run, plan.start, plan.cutoff_V, recipe, bench.clock.utc())
    rig = Counting(described, bench.instruments)
    runner = Runner(plan, rig, bench.clock, run, header, ObligingPerson(), take_signals=False)
    at_reading = rng.randint(3, 2200)
    struck: list[str] = []
    if name in OURS:
        _disk(runner, name, at_reading, struck, rng)
    else:
        bench.inject(draw(rng, name), at_reading=at_reading)
    outcome = runner.run()
    bench.update()
    fired = name in bench.fired or name in struck
    night = Night(seed, recipe, name, at_reading, fired, outcome.reason, outcome.text, outcome.rows, bench.outside_s)
    _judge(night, bench, rig, runner, plan, name)
    return night


def _disk(runner: Runner, name: str, at: int, struck: list[str], rng: random.Random) -> None:
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

    original = runner._record

    def record(kind: str, **fields: Any) -> None:
        journal = runner.journal
        assert journal is not None
        journal.append_row = append.__get__(journal)  # type: ignore[method-assign]
        original(kind, **fields)

    runner._record = record  # type: ignore[method-assign]
    if name == "disk full at the end":
        real_event = JournalWriter.append_event

        def event(self: JournalWriter, kind: str, *rest: Any, **fields: Any) -> Any:
            if kind in ("stopped", "made-safe"):
                struck[:] = [name]
                raise OSError(28, "No space left on device")
            return real_event(self, kind, *rest, **fields)

        before = runner._end

        def end(*words: Any) -> Any:
            if runner.journal is not None:
                runner.journal.append_event = event.__get__(runner.journal)  # type: ignore[method-assign]
            return before(*words)

        runner._end = end  # type: ignore[method-assign]


def _judge(night: Night, bench: Watched, rig: Counting, runner: Runner, plan: Any, name: str) -> None:
    wrong = night.wrong
    if bench.load.on or bench.supply.on:
        wrong.append("an output is still on")
    if night.outside_s > OUTSIDE_S and name not in ("sudden short", "bleeder", "soft short begins"):
        wrong.append(f"current flowed for {night.outside_s:.1f} s outside the window")
    if not (runner.folder / "run.json").is_file():
        wrong.append("no folder")
        return
    try:
        run = read_run(runner.folder)
        rows = list(run.iter_rows())
    except AmphoraError as error:
        wrong.append(f"the folder cannot be read: {error}")
        return
    lost = rig.taken - 1 - len(rows)
    if lost > (1 if name == "disk full" else 0):
        wrong.append(f"{lost} readings are not in the folder")
    if run.notices:
        wrong.append(f"notices: {run.notices[0]}")
    if night.fired and name in MUST_SAY and night.reason not in MUST_SAY[name]:
        wrong.append(f"ended with {night.reason} ({night.text})")
    if not night.text:
        wrong.append("no word about why")
    told = [
        {key: value for key, value in event.items() if key not in ("t_s", "utc", "after_row")}
        for event in run.events
        if event["kind"] in RESULT_KINDS
    ]
    _, again = replay(plan, run.events, [Sample(row[0], *row[2:5]) for row in rows])
    if again != told and name != "disk full":
        wrong.append("replay gives other events")
    _judge_figures(night, bench, runner.folder, name)


def _judge_figures(night: Night, bench: Watched, folder: Path, name: str) -> None:
    """The figures are honest: an end that was not reached is not claimed, and no link fault moves a number."""
    from drivers.simulated.cell import delivered_Ah
    from drivers.simulated.faults import FAMILIES
    from harness.results import analyse_run

    try:
        result = analyse_run(folder)
    except AmphoraError:
        return  # it says in one sentence that there are none
    ended_otherwise = night.reason in ("time", "taper", "condition", "charge")
    if result["reached_cutoff"] and night.recipe == "overnight" and ended_otherwise:
        night.wrong.append("claims a cut-off that the run did not reach")
    harmless = FAMILIES.get(name) in ("link", "host") or name in OURS
    if harmless and result["reached_cutoff"] and night.recipe == "overnight":
        truth_Ah = delivered_Ah(bench.cell, CURRENT_A * bench.load.set_gain, 3.0)
        off_Ah = abs(result["capacity_Ah"] - truth_Ah)
        if off_Ah > 2.0 * result["capacity_U_Ah"] + 0.01 * truth_Ah + 0.003:
            night.wrong.append(f"capacity {result['capacity_Ah']:.4f} Ah, truth {truth_Ah:.4f} Ah")


def as_row(night: Night) -> dict[str, Any]:
    """Return a night as plain data."""
    return dataclasses.asdict(night)
