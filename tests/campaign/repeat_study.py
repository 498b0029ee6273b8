"""How often do two successive tests of one cell "differ", and how often is a true loss found?

    python -m tests.campaign.repeat_study --cells 400 --seed 1
    AMPHORA_MEASURED=DIR python -m tests.campaign.repeat_study     # and the measured repeats in DIR/repeats

Each drawn cell has a scatter of its own: lognormal about 0.3 % (a third of it within 0.25 %), one cell in ten three
times that, and heavy tails (Student's t, 4 degrees of freedom). Its bench errs by a gain that all its tests share.
What was learned from the tests before, and from the other cells of the shelf, judges the next one: the pair looked at
is never among what was learned from. A true loss of 2 % is then put between the two.
"""

import argparse
import csv
import math
import os
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist

import numpy as np

from amphora.harness.analysis.repeats import PRIOR_SCATTER, Repeat, differences, item_U_Ah, learned

BENCH_U = 0.0025  # k = 2, share: a bench of the better kind
LOSS = 0.02


@dataclass
class Tally:
    """Pairs looked at, those that "differ", and those with a true loss that is found."""

    pairs: int = 0
    differ: int = 0
    found: int = 0

    def __str__(self) -> str:
        return (
            f"{self.pairs} pairs: {100 * self.differ / max(1, self.pairs):.1f} % of successive tests differ, "
            f"a loss of 2 % is found in {100 * self.found / max(1, self.pairs):.1f} %"
        )


def drawn_shelf(rng: np.random.Generator, cells: int, tests: int = 12) -> list[list[float]]:
    """Return the capacities that each drawn cell showed, in Ah, one list a cell."""
    shelf = []
    for _ in range(cells):
        scatter = 0.003 * math.exp(0.4 * rng.standard_normal()) * (3.0 if rng.random() < 0.1 else 1.0)
        errors = scatter * rng.standard_t(4, tests) / math.sqrt(2.0)  # t with 4 has a variance of 2
        fade = -0.0005 * np.arange(tests)
        gain = 0.5 * BENCH_U * rng.standard_normal()
        shelf.append(list(2.0 * (1 + errors + fade) * (1 + gain)))
    return shelf


def prior_shelf(rng: np.random.Generator, cells: int, scatter: float, tests: int = 12) -> list[list[float]]:
    """Return the capacities of cells that all scatter alike, normally, as a stated prior has it; in Ah."""
    gains = 0.5 * BENCH_U * rng.standard_normal(cells)
    return [list(2.0 * (1 + scatter * rng.standard_normal(tests)) * (1 + gain)) for gain in gains]


def tests_needed(scatter: float, loss: float = LOSS, found: float = 0.7) -> int:
    """Return how many tests before and after it takes to find a loss so often, where repeats scatter so much.

    Two means of n tests are told apart at k = 2: n such that loss >= (2 + z) * scatter * sqrt(2/n), z the normal
    quantile of `found` (0.524 for 0.7).
    """
    z = NormalDist().inv_cdf(found)
    return max(1, math.ceil(2.0 * ((2.0 + z) * scatter / loss) ** 2))


def measured_shelf(folder: Path) -> list[list[float]]:
    """Return the capacities that the publisher stated of each cell, in Ah, in order of time."""
    cells: dict[str, list[float]] = {}
    with (folder / "repeats" / "stated.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            cells.setdefault(row["record"].split("-")[0], []).append(float(row["stated_Ah"]))
    return list(cells.values())


def judged(shelf: list[list[float]], first: int = 4, bench_U: float = BENCH_U) -> Tally:
    """Judge each pair of successive tests by what the tests before it, and the other cells, taught."""
    told = [differences([Repeat(value) for value in cell]) for cell in shelf]
    tally = Tally()
    for place, cell in enumerate(shelf):
        others = told[:place] + told[place + 1 :]
        for at in range(first, len(cell)):
            share = learned(told[place][: at - 1], others).share
            before, now = cell[at - 1], cell[at]

            def apart(a: float, b: float, share: float = share) -> bool:
                U = math.hypot(item_U_Ah(a, bench_U * a, "full", share), item_U_Ah(b, bench_U * b, "full", share))
                return abs(a - b) > U

            tally.pairs += 1
            tally.differ += apart(before, now)
            tally.found += apart(before, (1 - LOSS) * now)
    return tally


def main() -> None:
    """Print what came of drawn cells, and of the measured ones where they are at hand."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    for size in (1, 10, chosen.cells):
        total = Tally()
        for _ in range(chosen.cells // size):
            one = judged(drawn_shelf(rng, size))
            total = Tally(total.pairs + one.pairs, total.differ + one.differ, total.found + one.found)
        print(f"drawn cells, shelves of {size}: {total}")
    for scatter in (PRIOR_SCATTER / 2, PRIOR_SCATTER):
        told = judged(prior_shelf(rng, chosen.cells, scatter))
        alone = Tally()
        for cell in prior_shelf(rng, chosen.cells, scatter):
            one = judged([cell], first=1)
            alone = Tally(alone.pairs + one.pairs, alone.differ + one.differ, alone.found + one.found)
        print(f"cells that scatter by {100 * scatter:.2g} %, one shelf: {told}")
        print(f"  each alone, from its second test on: {alone}")
    measured = os.environ.get("AMPHORA_MEASURED")
    if measured:
        shelf = measured_shelf(Path(measured))
        print(f"measured cells together: {judged(shelf, bench_U=0.002)}")
        for cell in shelf:
            own = differences([Repeat(value) for value in cell])
            share = math.sqrt(sum(value**2 for value in own) / 2 / len(own))
            print(
                f"  one alone, scatter {100 * share:.2g} %: {judged([cell], bench_U=0.002)}; a loss of 2 % takes "
                f"{tests_needed(share)} test(s) before and after"
            )


if __name__ == "__main__":
    main()
