"""Screens of cells on simulated shelves that nobody looked at while building: `python -m tests.campaign.screening`.

Each shelf has four sources with 5 to 60 % of duds. Its cells are screened in the order of the draw; those that are
worth a night, or of which nothing can be said, have it and are learned from, the others are spared it. A cell is the
model of `drivers.simulated` itself: its charge, its twenty minutes and its night are lived without instruments, with
the noise of a meter; no run folder is written. Prints coverage, lost good cells, spared duds, attended hours.
"""

import argparse
import math
import random
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from amphora.drivers.simulated.cell import SimulatedCell, delivered_Ah
from amphora.harness.analysis.early_signs import early_signs
from amphora.harness.common.errors import AnalysisError
from amphora.harness.decisions.screening import LEAST_CASES, Case, Screened, screen
from tests.support.simulation.populations import draw_cell

LEAST_AH = 0.75  # 30 % of a new 18650 (profiles/grades/general.toml: steady duty)
CHARGE_A, LATER_A, IT_A = 0.25, 0.4, 1.0  # of an 18650 that nobody has measured: first charge, after 1 Ah, It
STORAGE_A, TOP_UP_H, SCREEN_H = 0.2, 0.6, 0.32
TAPER_A = 0.05
NOISE_V, HAND_V, HOLDER_OHM = 0.0005, 0.01, 0.003


@dataclass(frozen=True)
class Lived:
    """A cell that was charged, screened and had its night, and what its charge took, hour."""

    case: Case
    truth_Ah: float
    charge_h: float


def live(rng: random.Random, number: int, dud: bool, joined: bool = True, as_found: bool = False) -> Lived | None:
    """Live one cell's charge, screen and night; None where it cannot be screened.

    Args:
        rng: Draws the cell and the noise.
        number: Its name.
        dud: It holds 3 to 40 % of what it held when new.
        joined: Resistance grows with what is lost; False: both are drawn without connection.
        as_found: The screen comes before the charge.
    """
    kind = "healthy" if rng.random() < 0.5 else "aged"
    ambient = rng.uniform(17.0, 23.0)
    cell = draw_cell(rng, "li-ion", kind, soc=0.5, ambient_degC=ambient).cell  # type: ignore[arg-type]
    spec = cell.spec
    if dud:  # worn far beyond what the populations have: its resistances go on growing the same way
        health = rng.uniform(0.03, 0.40)
        design_Ah = spec.capacity_Ah / rng.uniform(0.6, 0.95)
        growth = (1.0 + 4.0 * (1.0 - health)) / 2.2 * rng.lognormvariate(0.0, 0.25)
        spec = replace(
            spec, capacity_Ah=design_Ah * health, r0_ohm=spec.r0_ohm * growth, r1_ohm=spec.r1_ohm * growth,
            r2_ohm=spec.r2_ohm * growth,
        )  # fmt: skip
    if not joined:
        factor = math.exp(rng.uniform(-1.1, 1.1)) * 0.12 / (spec.r0_ohm + spec.r1_ohm + spec.r2_ohm)
        spec = replace(
            spec, r0_ohm=spec.r0_ohm * factor, r1_ohm=spec.r1_ohm * factor, r2_ohm=spec.r2_ohm * factor,
            capacity_Ah=rng.uniform(0.1, 3.0),
        )  # fmt: skip
    soc = rng.uniform(0.0, 0.10) if rng.random() < 0.5 else rng.uniform(0.1, 0.8)
    cell = SimulatedCell(replace(spec, shorts=()), soc, ambient)
    from_V = round(cell.voltage(0.0) + rng.gauss(0.0, HAND_V / 2), 2)
    found: Case | None = None
    holder = rng.uniform(0.0, HOLDER_OHM)
    name = f"c{number}"
    if as_found:
        found = _screened(rng, cell, name, holder, False, None, None)
    charged_Ah, charge_h = _charged(cell)
    charged_Ah *= 1.0 + rng.gauss(0.0, 0.002)
    cell.rest(rng.uniform(600.0, 3600.0))
    if not as_found:
        found = _screened(rng, cell, name, holder, True, charged_Ah, from_V)
    if found is None:
        return None
    truth_Ah = delivered_Ah(cell, 0.2 * IT_A, 3.0, dt_s=60.0)
    return Lived(found, truth_Ah * (1.0 + rng.gauss(0.0, 0.0025)), charge_h)


def _charged(cell: SimulatedCell) -> tuple[float, float]:
    moved_As, passed_s, step_s = 0.0, 0.0, 20.0
    ohm = cell.series_ohm() + cell.spec.r1_ohm
    current_A = CHARGE_A
    while passed_s < 40 * 3600.0:
        most_A = LATER_A if moved_As > 3600.0 else CHARGE_A
        over_V = cell.voltage(current_A) - 4.20
        current_A = min(max(current_A - over_V / ohm * 0.7, 0.0), most_A)
        if current_A <= TAPER_A and cell.voltage(current_A) > 4.15:
            break
        cell.advance(step_s, current_A)
        moved_As += current_A * step_s
        passed_s += step_s
    return moved_As / 3600.0, passed_s / 3600.0


def _screened(
    rng: random.Random, cell: SimulatedCell, name: str, holder_ohm: float, full: bool,
    charged_Ah: float | None, from_V: float | None,
) -> Case | None:  # fmt: skip
    rows: list[tuple[float, float, float, float]] = []
    t_s = 0.0

    def go(amps: float, seconds: float, every_s: float) -> bool:
        """Return whether it got through without falling to the cut-off."""
        nonlocal t_s
        end_s = t_s + seconds
        while t_s < end_s - 1e-9:
            cell.advance(every_s, -amps)
            t_s += every_s
            shown_V = cell.voltage(-amps) - amps * holder_ohm + rng.gauss(0.0, NOISE_V)
            rows.append((t_s, round(shown_V, 3), -amps, cell.temperature_degC))
            if amps and shown_V < 2.9:
                return False
        return True

    go(0.0, 60.0, 10.0)
    if go(0.2 * IT_A, 10.0, 0.5):
        go(IT_A, 1.0, 0.2)
    go(0.0, 180.0, 5.0)
    go(0.5 * IT_A, 10.0, 0.5)
    go(0.0, 180.0, 5.0)
    go(0.2 * IT_A, 600.0, 5.0)
    table = np.array(rows)
    try:
        signs = early_signs(table[:, 0], table[:, 1], table[:, 2], table[:, 3])
    except AnalysisError:
        return None
    return Case(name, signs, full, charged_Ah, from_V)


@dataclass
class Count:
    """What came of one shelf. `inside`, `given`: intervals; the rest are cells. Hours are a person's presence."""

    good: int = 0
    lost: int = 0
    duds: int = 0
    spared: int = 0
    late_duds: int = 0  # once the shelf can answer
    late_spared: int = 0
    given: int = 0
    inside: int = 0
    unsaid: int = 0
    unfit: int = 0
    by_bound: int = 0
    saved_h: float = 0.0
    cost_h: float = 0.0
    nights: int = 0


def shelf(seed: int, cells: int, joined: bool = True, as_found: bool = False, apart: bool = False) -> Count:
    """Screen one shelf, cell by cell; `apart`: each shows what another cell showed, and what went in is not known."""
    rng = random.Random(seed)
    shares = [rng.uniform(0.05, 0.60) for _ in range(4)]
    known: list[Case] = []
    count = Count()
    bag = [live(rng, number, rng.random() < shares[number % 4], joined, as_found) for number in range(cells)]
    if apart:
        whole = [one for one in bag if one is not None]
        others = rng.sample(whole, len(whole))
        bag = [
            replace(one, case=replace(one.case, signs=other.case.signs, charged_Ah=None))
            for one, other in zip(whole, others, strict=True)
        ]
    for lived in bag:
        if lived is None:
            count.unfit += 1
            continue
        said = screen(lived.case, known, "li-ion", LEAST_AH)
        _count(count, said, lived, as_found)
        if said.like_cells >= LEAST_CASES and lived.truth_Ah < LEAST_AH:
            count.late_duds += 1
            count.late_spared += said.answer == "not worth a night"
        if said.answer != "not worth a night":
            known.append(replace(lived.case, capacity_Ah=lived.truth_Ah))
    return count


def _count(count: Count, said: Screened, lived: Lived, as_found: bool) -> None:
    spared = said.answer == "not worth a night"
    good = lived.truth_Ah >= LEAST_AH
    count.good += good
    count.duds += not good
    count.lost += good and spared
    count.spared += spared and not good
    count.nights += not spared
    count.unsaid += said.answer == "cannot tell"
    count.by_bound += spared and said.high_Ah is None
    if said.high_Ah is not None and said.low_Ah is not None:
        count.given += 1
        count.inside += said.low_Ah <= lived.truth_Ah <= said.high_Ah
    storage_h = 0.5 * lived.truth_Ah / STORAGE_A + 0.5
    if spared:  # full, it goes to storage by a discharge that nobody has to charge; as found, it is not charged at all
        count.saved_h += storage_h + (lived.charge_h if as_found else 0.0)
    elif not as_found:
        count.cost_h += TOP_UP_H


def _one(given: tuple[int, int, bool, bool, bool]) -> Count:
    return shelf(*given)


def counted(
    seeds: range, cells: int, joined: bool, as_found: bool, workers: int, apart: bool = False
) -> Iterator[Count]:
    """Yield the counts of many shelves."""
    given = [(seed, cells, joined, as_found, apart) for seed in seeds]
    if workers < 2:
        yield from map(_one, given)
        return
    with Pool(workers) as pool:
        yield from pool.imap(_one, given)


def summed(counts: list[Count]) -> Count:
    """Return the sum."""
    total = Count()
    for count in counts:
        for name in vars(count):
            setattr(total, name, getattr(total, name) + getattr(count, name))
    return total


def main() -> int:
    """Screen the shelves and say how it went; exit code 1 where an aim was missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shelves", type=int, default=200)
    parser.add_argument("--cells", type=int, default=80)
    parser.add_argument("--seed", type=int, default=100000)
    parser.add_argument("--as-found", action="store_true")
    parser.add_argument("--no-connection", action="store_true", help="resistance and capacity drawn apart")
    parser.add_argument("--apart", action="store_true", help="all signs are another cell's, and no charge is known")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    began = time.monotonic()
    seeds = range(asked.seed, asked.seed + asked.shelves)
    counts = list(counted(seeds, asked.cells, not asked.no_connection, asked.as_found, asked.workers, asked.apart))
    total = summed(counts)
    coverage = [count.inside / count.given for count in counts if count.given >= 5]
    print(f"{asked.shelves} shelves of {asked.cells} cells, seeds {seeds[0]} to {seeds[-1]}")
    print(f"good cells {total.good}, lost {total.lost} ({100 * total.lost / max(total.good, 1):.2f} %)")
    print(f"duds {total.duds}, spared {total.spared} ({100 * total.spared / max(total.duds, 1):.1f} %), "
          f"{total.by_bound} of them by what went in")  # fmt: skip
    print(f"once {LEAST_CASES} like cells are known: duds {total.late_duds}, spared {total.late_spared} "
          f"({100 * total.late_spared / max(total.late_duds, 1):.1f} %)")  # fmt: skip
    print(f"intervals {total.given}, coverage {100 * total.inside / max(total.given, 1):.1f} %; "
          f"mean over shelves {100 * float(np.mean(coverage)) if coverage else math.nan:.1f} %")  # fmt: skip
    print(f"cannot tell {total.unsaid}; not to be screened {total.unfit}")
    print(f"nights spared {total.lost + total.spared} of {total.lost + total.spared + total.nights}")
    print(f"attended hours saved {total.saved_h:.0f}; the recipe as a run of its own from full would have cost "
          f"{total.cost_h:.0f} of charging full again")  # fmt: skip
    if not asked.as_found and not asked.apart:
        aims = {
            "at most 2 % of good cells lost": total.lost <= 0.02 * total.good,
            "at least 70 % of duds spared": total.spared >= 0.7 * total.duds,
            "mean coverage 93 to 98 %": bool(coverage) and 0.93 <= float(np.mean(coverage)) <= 0.98,
        }
        missed = [aim for aim, met in aims.items() if not met]
        print("".join(f"MISSED: {aim}\n" for aim in missed), end="")
    else:
        missed = ["an answer without any sign to go by"] if asked.apart and total.spared + total.given else []
        print("".join(f"BROKEN: {text}\n" for text in missed), end="")
    print(f"in {time.monotonic() - began:.0f} s")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
    raise SystemExit(main())
