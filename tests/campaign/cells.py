"""Drawn cells, lived over evenings, nights and a week: which healthy ones are kept apart, which sick ones pass?

`python -m tests.campaign.cells --healthy 1000 --sick 200 --seed 1 --chemistry li-ion --workers 2`

Each cell is charged and spends a night on the simulated bench twice, then lies for a week, and a person reads its
voltage; after each night and after the week its account is asked what it may: match, certify, grade. The seed and the
number decide everything; `--only N` lives one cell again and prints all of its life.

Healthy: `draw_cell`'s "healthy" and "aged", half each. Sick: a leak (`SICKNESSES`), a cell swapped or drained between
its charge and its night. Counted as kept apart: a run that the guard ended for the cell's sake, a finding about the
cell, or a "no" at the end. Counted as passed: a leak of 20 % a day or more with a "yes" after the first night, of 5 %
or more with a "yes" after the second; a swapped or drained cell whose certified capacity is off by more than 5 % and U.

A short that acts near full alone counts by what it takes in the first day at rest. Rows are `INTERVAL_S` apart and
physics moves by `PHYSICS_S` instead of one second: `--interval 1 --physics 1` as on a bench.

With `--out FILE` each life is a line of JSON there as soon as it is over. The same command again goes on where it was
cut: cells that stand there are not lived again, unless the program has changed since (each line carries a
fingerprint of the sources; `--any-sources` counts them all the same, and says how many).
"""

import argparse
import collections
import copy
import json
import multiprocessing
import os
import random
import shutil
import signal
import tempfile
import time
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.drivers.simulated import bench as simulated_bench
from amphora.drivers.simulated.parts import METERS, WOBBLE_A
from amphora.harness.account.asking import standing_of
from amphora.harness.account.standing import Standing
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell, DatedEntry
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.control.checks import against_the_cell
from amphora.harness.plans import steps as plan_steps
from amphora.harness.running import runner
from amphora.harness.running.session import Request, carry_out, go_on, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.campaign.__main__ import fingerprint, upper_bound
from tests.support.meddling import drain, left, swap, wait
from tests.support.simulation.populations import draw_cell, truth_of

CHEMISTRIES = {"li-ion": "li-ion", "lfp": "lfp", "nickel": "nimh"}
EVENING = datetime(2026, 3, 13, 17, 30, tzinfo=UTC)
INTERVAL_S = 10.0
PHYSICS_S = 5.0
SICK = ("sick", "swapped", "drained")
VERDICTS = ("match", "certify", "grade")
FIRST_NIGHT_LEAK, LATER_LEAK = 20.0, 5.0  # percent a day that has to be seen by then
OFF_BY = 0.05
MOST_DAYS = 2  # at full, before the second night: a cell that soaks for long needs the second one
# What the bench's record says, not what the cell is: asked, not kept apart.
OPEN = ("no-capacity", "leak-not-bounded", "leak-near-full", "never-inspected", "quarantined", "retired")


@dataclass
class Life:
    """One cell: what was true, what happened, what was said of it, and what should not have been."""

    number: int
    seed: int
    chemistry: str
    drawn: str  # healthy, aged, sick, swapped, drained
    truth: dict[str, Any]
    meters: str = "good"
    runs: list[str] = field(default_factory=list)
    said: dict[str, dict[str, Any]] = field(default_factory=dict)  # by stage
    wrong: list[str] = field(default_factory=list)
    cpu_s: float = 0.0


@dataclass
class _Bench:
    """A cell's bench and shelf over its life."""

    logs: Path
    kind: str
    seed: int
    options: dict[str, Any]
    life: Life
    stopped: bool = False

    def run(self, profile: str, **first: Any) -> bool:
        """Make one run, going on where it was cut short; False where it was refused or ended for the cell's sake."""
        if self.stopped:
            return False
        session = SimulatedSession(self.logs, "c", self.kind, self.seed, **self.options, **first)
        rig = open_rig(session.description, session.clock, session.open)
        try:
            request = Request("c", profile, self.logs, present=True)
            outcome = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
            for _ in range(3):
                if outcome.reason not in ("interrupted", "attended", "instrument", "timer"):
                    break
                session.clock.sleep(600.0)
                outcome = go_on(
                    outcome.folder, session.description, rig, session.clock, session.person(), guarded=False
                )
            said = f"{profile}: {outcome.reason}" + (
                f" ({outcome.text})" if outcome.reason.startswith("guard:") else ""
            )
            self.stopped = bool(against_the_cell(outcome.reason))
        except Refused as refused:
            said, self.stopped = f"{profile}: refused ({refused})", True
        finally:
            rig.close()
            session.keep()
        self.life.runs.append(said)
        return not self.stopped

    def standing(self, stage: str) -> Standing:
        """Ask the account, and keep what it says."""
        standing = standing_of(Shelf(self.logs), "c")
        cell = left(self.logs, "c").cell
        true_Ah = truth_of(cell, cell.spec.capacity_Ah * 0.2)["capacity_Ah"]
        begins_s = self.life.truth.get("short_from_s")
        self.life.said[stage] = {
            "short_acts": begins_s is None or cell.age_s > begins_s,
            "may": {act: standing.may[act].verdict for act in ("charge", *VERDICTS)},
            "why": {act: list(standing.may[act].findings) for act in VERDICTS if standing.may[act].findings},
            "findings": [
                f"{item.code}, {item.strength}, {item.about}: {item.text}"
                for item in standing.findings if item.code not in OPEN
            ],
            "leak": [round(100 * standing.leak.low, 2), round(100 * standing.leak.high, 2)],
            "leak_from": standing.leak.high_from,
            "near_full": round(100 * standing.leak_full.high, 2), "near_full_from": standing.leak_full.high_from,
            "capacity_Ah": standing.capacity_Ah, "U_Ah": standing.capacity_item_U_Ah, "true_Ah": round(true_Ah, 4),
        }  # fmt: skip
        return standing


def live(job: tuple[int, int, str, bool]) -> Life:
    """Live one cell: (number, seed, chemistry as named on the command line, whether it is a sick one)."""
    number, seed, named, sick = job
    rng = random.Random(f"cells:{seed}:{named}:{'sick' if sick else 'sound'}:{number}")
    chemistry = CHEMISTRIES[named]
    drawn = rng.choices(("sick", "swapped", "drained"), (60, 20, 20))[0] if sick else rng.choice(("healthy", "aged"))
    health: Any = drawn if drawn in ("healthy", "aged", "sick") else rng.choice(("healthy", "aged"))
    ambient = rng.uniform(14.0, 27.0)
    cell, truth = draw_cell(rng, chemistry, health, soc=rng.uniform(0.05, 0.7), ambient_degC=ambient)
    meters = rng.choices(tuple(METERS), (70, 30))[0]
    # a small cell's taper is refused with cheap meters, at plan time
    life = Life(number, seed, named, drawn, truth, meters if truth["capacity_Ah"] > 0.95 else "good")
    if truth["sickness"] == "near full":
        life.truth = {**truth, "leak_percent_per_day": min(truth["leak_percent_per_day"], first_day_percent(cell))}
    begin_s = time.process_time()
    folder = Path(tempfile.mkdtemp(prefix="amphora-cell-", dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None))
    try:
        options = {"ambient_degC": ambient, **METERS[life.meters]}
        if life.meters == "cheap":
            options["wobble_A"] = WOBBLE_A
        bench = _Bench(folder, f"real-{chemistry}", rng.randrange(10**6), options, life)
        # What is printed on it is what it was sold with; on most unmarked lithium cells nothing is.
        claim = round(truth["design_Ah"], 1) if chemistry == "nimh" or rng.random() < 0.4 else None
        data = {
            "id": "c", "form": "AA" if chemistry == "nimh" else "18650", "chemistry": chemistry, "claim_Ah": claim,
            "as_found_V": round(cell.voltage(0.0), 2), "as_found_utc": EVENING.isoformat(),
            "declared_rechargeable": True, "inspection": {"swelling": "none"},
        }  # fmt: skip
        Shelf(folder).add(Cell.from_dict({key: value for key, value in data.items() if value is not None}))
        _spend(bench, cell, rng)
        _judge(life)
    except InputError as refused:  # no run that this bench could measure: said before anything is switched on
        life.wrong.append(f"not with these meters: {refused}")
    except Exception as error:  # noqa: BLE001  whatever it is, the campaign goes on and tells it
        life.wrong.append(f"the program failed: {error!r}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    life.cpu_s = round(time.process_time() - begin_s, 2)
    return life


def first_day_percent(cell: Any) -> float:
    """Return what a cell loses in its first day at rest after a full charge, in percent.

    A short that acts above a voltage only stops itself: of an LFP cell, which leaves 3.40 V within minutes, it takes
    about 1 % (no more than a sound cell), of a Li-ion cell 10 to 27 %.
    """
    full = copy.deepcopy(cell)
    full.settle(1.0)
    before = full.soc
    for _ in range(24 * 60):
        full.advance(60.0, 0.0)
    return float(100 * (before - full.soc))


def _asked(bench: _Bench, code: str) -> bool:
    """Tell whether the account asks for what settles a finding, which a person then does."""
    return not bench.stopped and standing_of(Shelf(bench.logs), "c").finding(code) is not None


def _spend(bench: _Bench, cell: Any, rng: random.Random) -> None:
    """Two charges and nights, and a week; with the rest at full that the account asks for: a day before the second
    night, of nickel the week after a third charge."""
    days = 0
    life, meddled = bench.life, rng.choice((1, 2))  # before which night somebody swaps or drains it
    for night in (1, 2):
        first = {"cell": cell, "begin_utc": EVENING} if night == 1 else {}
        if night == 2 and not bench.stopped:
            wait(bench.logs, "c", timedelta(hours=rng.uniform(6.0, 60.0)))
        bench.run("charge", **first)
        while night == 2 and days < MOST_DAYS and _asked(bench, "leak-near-full"):
            days += 1
            wait(bench.logs, "c", timedelta(hours=rng.uniform(20.0, 28.0)))
            life.runs.append("a day at full")
            bench.run("charge")
        if life.drawn == "drained" and night == meddled and not bench.stopped:
            drain(bench.logs, "c", rng.uniform(0.1, 0.95))
            life.runs.append(f"drained to {100 * left(bench.logs, 'c').cell.soc:.0f} %")
        if life.drawn == "swapped" and night == meddled and not bench.stopped:
            kind = rng.choice(("healthy", "aged", "sick"))
            other, truth = draw_cell(rng, life.truth["chemistry"], kind, soc=rng.uniform(0.1, 1.0))  # type: ignore[arg-type]
            other.ambient_degC = left(bench.logs, "c").cell.ambient_degC
            swap(bench.logs, "c", other)
            life.runs.append(f"swapped for one ({kind}) with {truth['capacity_Ah']:.2f} Ah, {100 * other.soc:.0f} %")
        bench.run("overnight")
        bench.standing(f"night {night}")
    if bench.stopped:
        return
    if life.chemistry == "nickel" and _asked(bench, "no-capacity"):  # a large one, charged by the clock for a guess
        bench.run("charge")
        bench.run("overnight")
        bench.standing("night 3")
    if life.chemistry == "nickel" and _asked(bench, "leak-not-bounded"):  # a week at full, then what is left
        bench.run("charge")
        wait(bench.logs, "c", timedelta(days=7))
        bench.run("overnight")
        bench.standing("week")
        return
    wait(bench.logs, "c", timedelta(days=7))
    kept = left(bench.logs, "c")
    seen_V = round(kept.cell.voltage(0.0) + rng.uniform(-0.004, 0.004), rng.choice((2, 3)))
    shelf = Shelf(bench.logs)
    record = shelf.get("c")
    entry = DatedEntry(kept.utc.isoformat(), "check", kept.utc.isoformat(), seen_V)
    shelf.save(replace(record, entries=[*record.entries, entry]))
    life.runs.append(f"a week later {seen_V:g} V")
    bench.standing("week")


def _judge(life: Life) -> None:
    """Fill `wrong`."""
    last = list(life.said.values())[-1]
    passed = {stage: [act for act in VERDICTS if said["may"][act] == "yes"] for stage, said in life.said.items()}
    if life.drawn in ("healthy", "aged"):
        against = [text for text in last["findings"] if ", cell: " in text and ", reported, " not in text]
        stops = [run for run in life.runs if "guard:" in run or "refused" in run]
        refused = [act for act, verdict in last["may"].items() if verdict == "no"]
        if (
            refused
            and not against
            and not stops
            and {code for why in last["why"].values() for code in why} == {"no-capacity"}
        ):
            life.wrong.append("no capacity after two charges and nights")
        elif against or stops or refused:
            life.wrong.append("kept apart: " + "; ".join((*stops, *against) or (f"no to {', '.join(refused)}",)))
        elif not passed[list(passed)[-1]]:
            life.wrong.append("open at the end: " + ", ".join(sorted({c for w in last["why"].values() for c in w})))
        true_Ah, held = last["true_Ah"], last["capacity_Ah"]
        if held is not None and abs(held - true_Ah) > OFF_BY * true_Ah + (last["U_Ah"] or 0.0):
            life.wrong.append(f"holds {true_Ah:.3f} Ah, said {held:.3f} Ah")
        return
    for stage, acts in passed.items():
        said = life.said[stage]
        if life.drawn == "sick" and acts and said["short_acts"]:  # nobody finds what has not begun
            leak = life.truth["leak_percent_per_day"]
            if leak >= (FIRST_NIGHT_LEAK if stage == "night 1" else LATER_LEAK):
                life.wrong.append(
                    f"passed: {life.truth['sickness']} of {leak:.1f} % a day, yes to {', '.join(acts)} after {stage} "
                    f"(leak said {said['leak'][0]} to {said['leak'][1]} %, {said['leak_from']})"
                )
        held, true_Ah = said["capacity_Ah"], said["true_Ah"]
        off_Ah = abs((held or true_Ah) - true_Ah)
        if life.drawn != "sick" and "certify" in acts and off_Ah > OFF_BY * true_Ah + (said["U_Ah"] or 0.0):
            life.wrong.append(f"passed: {life.drawn}, holds {true_Ah:.3f} Ah, said {held:.3f} Ah after {stage}")


def coarse(interval_s: float, physics_s: float = 1.0) -> None:
    """Have energised readings and steps of physics so far apart in this process; leave Ctrl-C to the parent."""
    simulated_bench.STEP_S = min(physics_s, interval_s)
    plan_steps.ENERGISED_INTERVAL_S = interval_s
    runner.ENERGISED_AT_MOST_S = interval_s
    if interval_s > 1.0:
        plan_steps.PULSE_INTERVAL_S = 0.5
        plan_steps.REST_INTERVAL_S = max(plan_steps.REST_INTERVAL_S, interval_s)
    with suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def table(lives: Sequence[Life]) -> Iterable[str]:
    """Return the counts as lines."""
    for drawn in ("healthy", "aged", "sick", "swapped", "drained"):
        some = [life for life in lives if life.drawn == drawn]
        if not some:
            continue
        kinds = collections.Counter(
            text.split(":")[0] for life in some for text in {w.split(":")[0] for w in life.wrong}
        )
        yield f"{drawn:8} {len(some):5d} cells" + "".join(f"; {kind} {count}" for kind, count in kinds.most_common())
    for sickness in sorted({life.truth["sickness"] for life in lives if life.drawn == "sick"}):
        some = [life for life in lives if life.truth["sickness"] == sickness]
        ended = [list(life.said.values())[-1] for life in some if life.said]
        seen = sum(all(said["may"][act] != "yes" for act in VERDICTS) for said in ended)
        refused = len(some) - len(ended)
        less = sum(life.truth["leak_percent_per_day"] < LATER_LEAK for life in some)
        yield (
            f"  {sickness}: {len(ended)} cells, {seen} without any healthy verdict at the end"
            + (f"; {refused} more not lived (refused before anything was switched on)" if refused else "")
            + (f"; {less} lose less than {LATER_LEAK:g} % in their first day at rest" if less else "")
        )
    cpu_s = sum(life.cpu_s for life in lives) / max(len(lives), 1)
    yield f"{len(lives)} cells, {cpu_s:.2f} s of a processor each"


def _mark(life: Life) -> str:
    """Return how `--only` names a life."""
    return f"{'s' if life.drawn in SICK else ''}{life.number}"


def lived_before(out: Path, like: dict[str, Any], any_sources: bool) -> tuple[list[Life], int]:
    """Return the lives of that campaign that stand in a file, and how many of them are of other sources.

    Args:
        out: The file.
        like: What a line has to share with this campaign: seed, chemistry, interval, physics, sources.
        any_sources: Lives lived on other sources count as well.
    """
    found: dict[str, Life] = {}
    others = 0
    for line in out.read_text(encoding="utf-8").splitlines() if out.is_file() else ():
        try:
            row = json.loads(line)
        except ValueError:
            continue  # the last line of a campaign that was cut short
        of = row.pop("campaign", {})
        if any(of.get(key) != value for key, value in like.items() if key != "sources"):
            continue
        if of.get("sources") != like["sources"]:
            if not any_sources:
                continue
            others += 1
        life = Life(**row)
        found[_mark(life)] = life
    return list(found.values()), others


def running_count(lives: Sequence[Life], wanted: int, wall_s: float) -> str:
    """Return how it stands: what was kept apart of the healthy ones, and what passed of the sick ones."""
    sound = [life for life in lives if life.drawn not in SICK]
    apart = sum(any(text.startswith("kept apart") for text in life.wrong) for life in sound)
    passed = sum(any(text.startswith("passed") for text in life.wrong) for life in lives)
    failed = sum(any(text.startswith("the program") for text in life.wrong) for life in lives)
    text = f"{len(lives)} of {wanted} cells, {wall_s:.0f} s: kept apart {apart} of {len(sound)} sound and aged"
    if sound:
        text += f" (95 % upper bound {100 * upper_bound(apart, len(sound)):.2g} %)"
    text += f", passed {passed} of {len(lives) - len(sound)} sick"
    return text + (f", the program failed in {failed}" if failed else "")


def main() -> int:
    """Live the cells; exit 1 when a sick one passed."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.campaign.cells", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--healthy", type=int, default=40, help="healthy and aged cells")
    parser.add_argument("--sick", type=int, default=20, help="leaking, swapped and drained cells")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="the first cell's number")
    parser.add_argument("--chemistry", choices=tuple(CHEMISTRIES), default="li-ion")
    parser.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--interval", type=float, default=INTERVAL_S, help="seconds between energised readings")
    parser.add_argument("--physics", type=float, default=PHYSICS_S, help="seconds of one step of physics")
    parser.add_argument("--out", type=Path, help="a line of JSON per cell; the same command goes on where it was")
    parser.add_argument("--any-sources", action="store_true", help="count what stands there of another program, too")
    parser.add_argument("--only", help="one cell in full: its number, or s and its number for a sick one (s17)")
    options = parser.parse_args()
    if options.only is not None:
        coarse(options.interval, options.physics)
        number = int(options.only.lstrip("s"))
        life = live((number, options.seed, options.chemistry, options.only.startswith("s")))
        print(json.dumps(asdict(life), indent=1, default=str))
        return bool(life.wrong)
    begin_s, told_s = time.monotonic(), time.monotonic()
    campaign = {
        "seed": options.seed, "chemistry": options.chemistry, "interval": options.interval,
        "physics": options.physics, "sources": fingerprint(),
    }  # fmt: skip
    span = range(options.first, options.first + options.healthy)
    jobs = [(n, options.seed, options.chemistry, False) for n in span]
    jobs += [(n, options.seed, options.chemistry, True) for n in range(options.first, options.first + options.sick)]
    random.Random(0).shuffle(jobs)
    wanted = {f"{'s' if sick else ''}{n}" for n, _, _, sick in jobs}
    lives: list[Life] = []
    out = None
    if options.out is not None:
        before, others = lived_before(options.out, campaign, options.any_sources)
        lives = [life for life in before if _mark(life) in wanted]
        if lives:
            print(f"{len(lives)} of these cells stand in {options.out} ({others} of other sources)", flush=True)
        out = options.out.open("a", encoding="utf-8")
        if out.tell():
            out.write("\n")  # the last line may have been cut short
    there = {_mark(life) for life in lives}
    jobs = [job for job in jobs if f"{'s' if job[3] else ''}{job[0]}" not in there]
    with multiprocessing.Pool(options.workers, coarse, (options.interval, options.physics)) as pool:
        for life in pool.imap_unordered(live, jobs, chunksize=1):
            lives.append(life)
            if out is not None:
                out.write(json.dumps({**asdict(life), "campaign": campaign}, default=str) + "\n")
                out.flush()
            for text in life.wrong:
                print(f"--only {_mark(life)} ({life.drawn}, {life.meters} meters): {text}", flush=True)
            if life.wrong or time.monotonic() - told_s > 60.0:
                told_s = time.monotonic()
                print(running_count(lives, len(wanted), told_s - begin_s), flush=True)
    for line in table(lives):
        print(line)
    print(running_count(lives, len(wanted), time.monotonic() - begin_s))
    return int(any(text.startswith(("passed", "the program")) for life in lives for text in life.wrong))


if __name__ == "__main__":
    raise SystemExit(main())
