"""How often a grade is wrong: simulated cells of known truth, each measured on many benches that are off within their
specification.

Not collected by a plain test run. `python -m tests.campaign.grade_study --cells 60 --benches 50` prints false accepts
(a grade better than the truth's) and false rejects (a worse one), beside what the decision rule promises. The truth's
grade comes from the same criteria with an uncertainty of zero.
"""

import argparse
import math
import random
import tempfile
from dataclasses import replace
from pathlib import Path

from amphora.drivers.simulated.cell import SimulatedCell, random_cell
from amphora.harness.account.answer import analyse_run
from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.criteria import GRADES, Criteria, load_criteria
from amphora.harness.decisions.grades import grade_result
from amphora.harness.results.result import RestLoss, Result, Warmth
from tests.support.duty_runs import write_test

CURRENT_GAIN, CURRENT_OFFSET_A, VOLTAGE_GAIN = 1e-3, 5e-4, 5e-4  # as `write_test` states its bench


def measured(true: Result, rng: random.Random, normal: bool = False) -> Result:
    """Return the figures as a bench would have them that is off by a draw from its specification.

    Args:
        normal: Normal errors of the same standard uncertainty instead of rectangular limits.
    """

    def off(limit: float) -> float:
        return rng.gauss(0.0, limit / math.sqrt(3.0)) if normal else rng.uniform(-limit, limit)

    gain, offset = off(CURRENT_GAIN), off(CURRENT_OFFSET_A)
    hours = (true.duration_s or 0.0) / 3600.0
    ratio = (1 + off(VOLTAGE_GAIN)) / (1 + gain)
    resistances = tuple(replace(item, ohm=(item.ohm or 0.0) * ratio) for item in true.resistances)
    return replace(true, capacity_Ah=(true.capacity_Ah or 0.0) * (1 + gain) + offset * hours, resistances=resistances)


def exact(true: Result) -> Result:
    """Return the truth: the same figures with next to no uncertainty."""
    resistances = tuple(replace(item, U_ohm=1e-12) for item in true.resistances)
    return replace(
        true, capacity_U_Ah=1e-12, capacity_item_U_Ah=None, resistances=resistances,
        thermal=replace(true.thermal or Warmth(), rise_U_K=1e-12),
    )  # fmt: skip


def simple(criteria: Criteria) -> Criteria:
    """Return the same criteria with simple acceptance."""
    return replace(criteria, guard=0.0)


def main() -> None:
    """Print the rates."""
    parser = argparse.ArgumentParser(description="How often a grade is wrong.")
    parser.add_argument("--cells", type=int, default=60)
    parser.add_argument("--benches", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--normal", action="store_true", help="normal errors of the benches, not rectangular limits")
    wanted = parser.parse_args()
    criteria = load_criteria("general")
    rng = random.Random(wanted.seed)
    counts = {name: {"better": 0, "worse": 0, "same": 0} for name in ("guarded", "simple")}
    near = 0
    with tempfile.TemporaryDirectory() as folder:
        for k in range(wanted.cells):
            spec = replace(random_cell("li-ion", rng).spec, leak_A=0.0)
            run = write_test(Path(folder), SimulatedCell(spec, 1.0, 20.0), f"c{k}", current_A=0.2 * spec.capacity_Ah)
            kept = RestLoss("keeps its charge", None, None, 1.5, 0.5, None, None, "")
            figures = analyse_run(run)
            figures = replace(figures, retention=kept, form="other")  # the claim alone decides about capacity
            figures = replace(figures, thermal=replace(figures.thermal or Warmth(), rise_U_K=0.5))
            capacity = figures.capacity_Ah or math.nan
            # A claim that puts the truth within two U of a limit: the worst place there is.
            off = rng.uniform(-2, 2) * (figures.capacity_U_Ah or 0.0) / capacity
            share = rng.choice([0.8, 0.6, 0.3]) * (1 + off)
            cell = Cell(f"c{k}", claim_Ah=capacity / share)
            truth = grade_result(exact(figures), cell, simple(criteria)).grade
            for _ in range(wanted.benches):
                seen = measured(figures, rng, wanted.normal)
                near += 1
                for name, rules in (("guarded", criteria), ("simple", simple(criteria))):
                    given = GRADES.index(grade_result(seen, cell, rules).grade) - GRADES.index(truth)
                    counts[name]["better" if given < 0 else "worse" if given > 0 else "same"] += 1
    for name, found in counts.items():
        print(
            f"{name} acceptance: {near} gradings near a limit: false accepts {100 * found['better'] / near:.2f} %, "
            f"false rejects {100 * found['worse'] / near:.2f} %, right {100 * found['same'] / near:.2f} %"
        )
    print("promised with guard band U, k = 2: false accepts at most 2.3 % for each limit")


if __name__ == "__main__":
    main()
