"""A bag of forty cells from four sources over eight bays, with things that go wrong: `python -m tests.campaign.bag`.

Prints what became of each cell, what left its window, and what the bag took beside one bench worked by hand. The seed
decides everything. Exit code 1 where a promise was broken.
"""

import argparse
import os
import random
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from virtual_bag import BEGIN, PER_CELL_MIN, PER_MOMENT_MIN, Trouble, VirtualBag, ended_as

from amphora.drivers.simulated.cell import Short, SimulatedCell
from amphora.harness.plans import steps as plan_steps
from amphora.harness.queue.room import OVER
from amphora.harness.running import runner
from tests.support.simulation.populations import Drawn, draw_cell, truth_of

SOURCES = {"porch lights": 0.05, "path lights": 0.2, "hand lamps": 0.4, "a box from the attic": 0.6}  # share of duds
BY_HAND_MIN = 25.0  # a person's minutes for a cell on one bench: three runs set up, polarity, notes (assumed)
PER_CLEARING_MIN = 5.0  # contacts and sensor of a bay looked at (assumed)
LOW_V, HIGH_V = 2.45, 4.25
BAYS = "abcdefgh"
SHORT_OHM = 0.5


def drawn_of(rng: random.Random, kind: str) -> Drawn:
    """Return a cell as it comes out of a bag: at any charge; a dud is worn far beyond what the populations have."""
    soc = rng.uniform(0.0, 0.1) if kind == "dud" and rng.random() < 0.5 else rng.uniform(0.15, 0.7)
    if kind != "dud":
        return draw_cell(rng, "li-ion", kind, soc=soc)  # type: ignore[arg-type]
    drawn = draw_cell(rng, "li-ion", "aged")
    health = rng.uniform(0.03, 0.40)
    growth = (1.0 + 4.0 * (1.0 - health)) / 2.2 * rng.lognormvariate(0.0, 0.25)
    spec = drawn.cell.spec
    spec = replace(
        spec, capacity_Ah=drawn.truth["design_Ah"] * health,
        r0_ohm=spec.r0_ohm * growth, r1_ohm=spec.r1_ohm * growth, r2_ohm=spec.r2_ohm * growth,
    )  # fmt: skip
    cell = SimulatedCell(spec, soc)
    return Drawn(cell, {**truth_of(cell), "health": "dud", "sickness": "", "design_Ah": drawn.truth["design_Ah"]})


def bag_of(folder: Path, cells: int, bays: int, seed: int, course: str = "one-night") -> VirtualBag:
    """Return a bag with its troubles: of the share of duds of a source half are worn far beyond use, half are aged."""
    rng = random.Random(seed)
    restart = BEGIN + timedelta(days=1, hours=rng.uniform(0.5, 4.0))
    bag = VirtualBag(folder, tuple(BAYS[:bays]), restarts=[restart], course=course)
    ids = []
    for number in range(cells):
        source, duds = list(SOURCES.items())[number % len(SOURCES)]
        kind = "sick" if rng.random() < 0.1 else rng.choice(("aged", "dud")) if rng.random() < duds else "healthy"
        drawn = drawn_of(rng, kind)
        ids.append(f"A{number + 1:02d}")
        bag.put_on_the_shelf(ids[-1], drawn.cell, source, drawn.truth)
    sound = [cell for cell in ids if bag.truths[cell]["health"] in ("healthy", "aged")]
    *chosen, shorted = rng.sample(sound, 4)
    spec = bag.cells[shorted].spec
    bag.cells[shorted] = SimulatedCell(replace(spec, shorts=(Short(SHORT_OHM),)), 0.02)  # through since it came home
    bag.truths[shorted] |= {"health": "sick", "sickness": "hard short"}
    bag.troubles = [
        Trouble("swapped", chosen[0], "overnight"),
        Trouble("silent", chosen[1], "overnight", rng.uniform(600.0, 7200.0)),
        Trouble("killed", chosen[2], "charge", rng.uniform(300.0, 3000.0)),
    ]
    return bag


def left_the_window(bag: VirtualBag) -> list[str]:
    """Return the runs in which a cell that nothing drains from inside left its window."""
    found = []
    for run, low, high in bag.widest:
        cell = Path(run).parent.name
        sick = cell in bag.truths and bag.truths[cell]["health"] == "sick"  # drains itself also with all off
        if high > HIGH_V or (low < LOW_V and not sick):
            found.append(f"{run}: {low:.3f} to {high:.3f} V")
    return found


def _no_sync(fd: int) -> None:
    """Nothing here is to outlive the program."""


def main() -> int:
    """Carry the bag through and say how it went."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cells", type=int, default=40)
    parser.add_argument("--bays", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--course", default="one-night", help="one-night, or screened-night")
    parser.add_argument("--story", type=Path, help="a file for what the queue said, each line with its time")
    parser.add_argument("--logs", type=Path, help="keep the shelf here")
    parser.add_argument(
        "--interval", type=float, default=10.0, help="seconds between energised readings; 1 as on a bench"
    )
    asked = parser.parse_args()
    plan_steps.ENERGISED_INTERVAL_S = runner.ENERGISED_AT_MOST_S = asked.interval
    os.fsync = os.fdatasync = _no_sync  # the disk's promise is another campaign's (tests/campaign/kills.py)
    began = time.monotonic()
    wrong = []
    with tempfile.TemporaryDirectory() as folder:
        bag = bag_of(asked.logs or Path(folder), asked.cells, asked.bays, asked.seed, asked.course)
        room = bag.carry_on()
        if asked.story:
            asked.story.write_text("".join(f"{at:%a %d %b %H:%M}  {text}\n" for at, text in bag.told))
        for cell in room.order:
            place, truth = room.places[cell], bag.truths[cell]
            about = f"{truth['health']}{' (' + truth['sickness'] + ')' if truth['sickness'] else ''}"
            became = ended_as(bag, cell) if place.state in OVER else f"NOT THROUGH: {place.state} {place.why}"
            print(f"{cell}  {about:<24} {truth['capacity_Ah'] * 1000:5.0f} mAh  {became[:110]}")
            if place.state not in OVER:
                wrong.append(f"{cell} is not through")
        wrong += left_the_window(bag)
        nights = sum(Path(run).name.endswith("-overnight") for run, _, _ in bag.widest)
        missing = {"restart", "swapped", "silent load", "killed"} - set(bag.struck)
        wrong += [f"{what} never struck" for what in sorted(missing)]
        print(f"\nstruck: {', '.join(sorted(set(bag.struck)))}" + (f"; never struck: {missing}" if missing else ""))
        days = (bag.now - BEGIN).total_seconds() / 86400.0
        minutes = bag.moments * PER_MOMENT_MIN + bag.moved * PER_CELL_MIN
        minutes += bag.cleared * PER_CLEARING_MIN
        print(f"{asked.bays} bays: {days:.1f} days, {nights} runs of a night, {bag.moments} moments at the bench,")
        print(f"{bag.cleared} bays looked at and cleared, {minutes:.0f} min of a person")
        print(
            f"one bench by hand: about {asked.cells} days, {asked.cells * BY_HAND_MIN:.0f} min (25 min a cell, assumed)"
        )
        print(f"computed in {time.monotonic() - began:.0f} s, {time.process_time():.0f} s of processor")
    for line in wrong:
        print(f"BROKEN: {line}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
