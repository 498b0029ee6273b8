"""How often is an unmarked cell named, and how often wrongly? A confusion table over a wide simulated population.

Run from the project's folder: python tests/campaign/identification.py [cells of each kind] [seed]

Each cell has its own age, resistance, charge and temperature. Beside the kinds of the simulated bench there are
kinds that could be mistaken for them: sodium-ion, titanate, lead-acid, thionyl and disulfide primaries and nickel-zinc;
their curves are common practice, drawn by hand between a few points.
Each is taken through the same evening: found, small load steps, where allowed a watched charge with an hour's
rest, then a discharge at 0.1 It; then what the answer names as its next step, the stages of the watched charge
among it, six runs in all. An answer counts at every stage on the way. "declared" means that a
person said rechargeable; for primaries that person is wrong, and those rows are kept apart.
"""

import random
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from amphora.drivers.simulated.cell import KINDS, CellSpec, SimulatedCell, random_cell
from amphora.drivers.simulated.curves import ABOVE_FULL_V, CURVES
from amphora.harness.analysis.curve_shape import joined
from amphora.harness.analysis.identification import (
    CANNOT_TELL,
    LFP,
    LI_ION,
    NICKEL,
    PRIMARY,
    Evidence,
    Identification,
    VoltageCurve,
    identify,
)
from amphora.harness.analysis.records import FloatArray
from tests.support.simulation.populations import draw_cell

_ABOVE_FULL = {
    "sodium-ion": 5.0,
    "sodium-ion-iron": 8.0,
    "titanate": 10.0,
    "lead-acid": 3.0,
    "nickel-zinc": 3.0,
    "thionyl": 0.5,
    "disulfide": 0.5,
}  # V per unit of charge, by hand
MOST_RUNS = 6
ANSWERS = (LI_ION, LFP, NICKEL, PRIMARY, CANNOT_TELL)
_POINTS = {
    "sodium-ion": ((0, 1.5), (0.05, 2.05), (0.2, 2.55), (0.35, 2.8), (0.5, 3.0), (0.6, 3.15), (0.72, 3.38),
                   (0.83, 3.58), (1, 3.92)),
    "sodium-ion-iron": ((0, 1.6), (0.05, 2.3), (0.2, 2.75), (0.45, 2.95), (0.7, 3.1), (0.85, 3.2),
                        (0.95, 3.35), (1, 3.65)),
    "titanate": ((0, 1.6), (0.05, 2.05), (0.3, 2.2), (0.7, 2.32), (0.9, 2.45), (1, 2.7)),
    "lead-acid": ((0, 1.94), (0.5, 2.05), (1, 2.14)),
    "thionyl": ((0, 2.2), (0.04, 3.3), (0.1, 3.58), (0.5, 3.64), (1, 3.67)),
    "disulfide": ((0, 1.0), (0.05, 1.45), (0.3, 1.55), (0.8, 1.66), (1, 1.80)),
    "nickel-zinc": ((0, 1.2), (0.1, 1.58), (0.5, 1.65), (0.9, 1.73), (1, 1.85)),
}  # fmt: skip
_OTHERS = {
    "sodium-ion": CellSpec("sodium-ion", curve="sodium-ion", capacity_Ah=1.3, full_V=3.95, r0_ohm=0.04),
    "sodium-ion-iron": CellSpec("sodium-ion-iron", curve="sodium-ion-iron", capacity_Ah=1.3, full_V=3.65, r0_ohm=0.04),
    "titanate": CellSpec("titanate", curve="titanate", capacity_Ah=1.3, full_V=2.8, r0_ohm=0.02),
    "lead-acid": CellSpec("lead-acid", curve="lead-acid", capacity_Ah=2.5, full_V=2.4, r0_ohm=0.03),
    "thionyl": CellSpec("thionyl", curve="thionyl", capacity_Ah=2.2, r0_ohm=0.9, rechargeable=False),
    "thionyl-spiral": CellSpec("thionyl-spiral", curve="thionyl", capacity_Ah=1.6, r0_ohm=0.12, rechargeable=False),
    "disulfide": CellSpec("disulfide", curve="disulfide", capacity_Ah=3.0, r0_ohm=0.12, rechargeable=False),
    "nickel-zinc": CellSpec("nickel-zinc", curve="nickel-zinc", capacity_Ah=1.5, r0_ohm=0.05),
}
TRUTH = {
    "li-ion": LI_ION, "li-ion-good": LI_ION, "worn-out": LI_ION, "soft-short": LI_ION, "protected": LI_ION,
    "empty": LI_ION, "lfp": LFP, "nimh": NICKEL,
}  # fmt: skip
_ANSWER_OF = {"li-ion": LI_ION, "lfp": LFP, "nimh": NICKEL}
# cells that err like real ones, shorted ones too
TRUTH.update({kind: _ANSWER_OF[spec.chemistry] for kind, spec in KINDS.items() if spec.slow})


@dataclass(frozen=True)
class Trial:
    """One cell's way through the evening."""

    kind: str
    declared: bool
    answers: tuple[Identification, ...]
    charged_to_V: float = 0.0  # the highest limit that it was charged towards

    @property
    def ends(self) -> str:
        """How it ended: named, a question to a person, or open."""
        last = self.answers[-1]
        return "named" if last.chemistry is not None else "question" if last.asks else "open"

    @property
    def wrong(self) -> list[Identification]:
        """Answers that name a chemistry the cell is not."""
        return [a for a in self.answers if a.chemistry is not None and a.answer != TRUTH.get(self.kind)]


def _between(points: FloatArray, z: float) -> float:
    return float(np.interp(z, points[:, 0], points[:, 1]))


def cell_of(kind: str, rng: random.Random) -> SimulatedCell:
    """Return a random cell of a kind, the simulated bench's or one of those added here."""
    if kind in KINDS and KINDS[kind].slow and kind in ("real-li-ion", "real-lfp", "real-nimh"):
        return draw_cell(
            rng, KINDS[kind].chemistry, rng.choice(("healthy", "aged")), soc=rng.uniform(0.02, 1.0),
            ambient_degC=rng.uniform(0.0, 35.0),
        ).cell  # fmt: skip
    if kind in KINDS:
        cell = random_cell(kind, rng)
        if kind == "empty":
            cell.soc = rng.uniform(-0.09, 0.02)
        return cell
    name = _OTHERS[kind].curve
    if name not in CURVES:
        points = np.array(_POINTS[name])
        CURVES[name] = partial(_between, points)
        ABOVE_FULL_V[name] = _ABOVE_FULL[name]
    spec = _OTHERS[kind]
    spec = replace(
        spec, capacity_Ah=spec.capacity_Ah * rng.uniform(0.4, 1.1), r0_ohm=spec.r0_ohm * rng.uniform(0.6, 2.5)
    )
    return SimulatedCell(spec, rng.uniform(0.02, 1.0), rng.uniform(0.0, 35.0))


def _go(
    cell: SimulatedCell, current_A: float, stop_V: float, most_s: float, dt_s: float, noise: np.random.Generator
) -> VoltageCurve:
    moved, volts, now = [], [], 0.0
    while now < most_s:
        cell.advance(dt_s, current_A)
        now += dt_s
        moved.append(abs(current_A) * now / 3600)
        # LFP's voltage shoots up when full and relaxes in the rest; the simulated curve has no such overvoltage.
        over_V = 20.0 * max(0.0, cell.soc - 0.99) if cell.spec.chemistry == "lfp" and current_A > 0 else 0.0
        volts.append(cell.voltage(current_A) + over_V)
        if (volts[-1] >= stop_V) if current_A > 0 else (volts[-1] <= stop_V):
            break
    seen = np.round(np.array(volts) + noise.normal(0, 0.0005, len(volts)), 3)
    return VoltageCurve(np.array(moved), seen, current_A)


def _with_discharge(known: Evidence, curve: VoltageCurve) -> Evidence:
    """Keep the discharge that moved most, as the runs of an evening are judged together."""
    if known.discharge is not None and known.discharge.moved_Ah[-1] > curve.moved_Ah[-1]:
        return known
    return replace(known, discharge=curve)


def trial(kind: str, declared: bool, seed: int) -> Trial:
    """Take one random cell through the evening."""
    rng = random.Random(f"{kind}-{seed}")
    noise = np.random.default_rng(seed)
    cell = cell_of(kind, rng)
    spec = KINDS.get(kind) or _OTHERS[kind]
    it_A = spec.capacity_Ah * rng.uniform(0.35, 1.4)  # what the person believes it holds
    meter = rng.uniform(-0.003, 0.003)

    def rest_V() -> float:
        return round(cell.voltage(0.0) + meter, 3)

    known = Evidence(rest_V(), declared_rechargeable=declared, reference_A=it_A)
    answers = [identify(known)]
    before = cell.voltage(0.0)
    cell.advance(10.0, -0.1 * it_A)
    ohm = (before - cell.voltage(-0.1 * it_A)) / (0.1 * it_A) + rng.gauss(0.0, 0.003)
    cell.advance(300.0, 0.0)
    known = replace(known, step_ohm=(max(ohm, 0.0),))
    answers.append(identify(known))
    low_V, high_V = (rng.choice((2.5, 3.0)), 3.60) if known.as_found_V >= 2.0 else (1.0, 1.60)
    order = ["discharge", "charge"] if rng.random() < 0.5 else ["charge", "discharge"]
    for act in order:
        if act == "charge":
            if not (answers[-1].may_charge or (declared and known.as_found_V >= 0.9)) or known.as_found_V > 3.55:
                continue
            curve = _go(cell, 0.1 * it_A, high_V, 6 * 3600.0, 30.0, noise)
            cell.advance(3600.0, 0.0)
            known = replace(
                known, charge=curve, charge_It=0.1, rested_after_charge_V=rest_V(), rest_after_charge_h=1.0,
                emptied_rests_V=None,
            )  # fmt: skip
        else:
            curve = _go(cell, -0.1 * it_A, low_V, 16 * 3600.0, 30.0, noise)
            cell.advance(1800.0, 0.0)
            known = replace(_with_discharge(known, curve), emptied_rests_V=rest_V())
        answers.append(identify(known))
    charged_V = high_V if known.charge is not None else 0.0
    known, charged_V = _go_on(cell, known, answers, (low_V, high_V, it_A, charged_V), noise, rest_V)
    return Trial(kind, declared, tuple(answers), charged_V)


def _go_on(
    cell: SimulatedCell, known: Evidence, answers: list[Identification], limits: tuple[float, float, float, float],
    noise: np.random.Generator, rest_V: Callable[[], float],
) -> tuple[Evidence, float]:  # fmt: skip
    """Do what each answer names as its next step until one names a kind for sure, asks, or six runs are made."""
    low_V, high_V, it_A, charged_V = limits
    runs = 1 + (known.charge is not None) + (known.discharge is not None)
    again = 0
    while runs < MOST_RUNS and not answers[-1].asks and again < 2:
        last = answers[-1]
        to_V = last.charge_to_V
        if to_V is None and not (last.recipes and last.chemistry is None):
            break
        if to_V is not None or ("identify" in last.recipes and last.may_charge):
            runs += 1
            curve = _go(cell, 0.1 * it_A, to_V or high_V, 6 * 3600.0, 30.0, noise)
            charged_V = max(charged_V, to_V or high_V)
            cell.advance(3600.0, 0.0)
            if known.charge is not None and known.emptied_rests_V is None and to_V is not None:
                curve = VoltageCurve(*joined([known.charge, curve]), curve.current_A)
            known = replace(known, charge=curve, charge_It=0.1, rested_after_charge_V=rest_V(),
                            rest_after_charge_h=1.0, emptied_rests_V=None)  # fmt: skip
        if to_V is None:
            again += 1
        if to_V is None and "overnight" in last.recipes:
            runs += 1
            known = _with_discharge(known, _go(cell, -0.1 * it_A, low_V, 30 * 3600.0, 30.0, noise))
            cell.advance(1800.0, 0.0)
            known = replace(known, emptied_rests_V=rest_V())
        answers.append(identify(known))
    if answers[-1].chemistry is None and answers[-1].recipes:  # as results.identify says after as many runs
        answers[-1] = replace(answers[-1], asks="chemistry", recipes=())
    return known, charged_V


def campaign(each: int, seed: int = 0) -> list[Trial]:
    """Take `each` cells of every kind through the evening, half of them declared rechargeable."""
    return [
        trial(kind, bool(number % 2), seed * 100_003 + number) for kind in (*KINDS, *_OTHERS) for number in range(each)
    ]


def table(trials: list[Trial]) -> str:
    """Return the confusion table: last answers by kind, and answers at any stage that named a wrong chemistry."""
    heads = ("Li-ion", "LFP", "nickel", "question", "open", "wrong at any stage", "charged above 3.60 V")
    lines = ["| kind | " + " | ".join(heads) + " |", "|---" * (len(heads) + 1) + "|"]
    for kind in (*KINDS, *_OTHERS):
        for declared in (False, True):
            some = [t for t in trials if t.kind == kind and t.declared == declared]
            if not some:
                continue
            spec = KINDS.get(kind) or _OTHERS[kind]
            said = " (declared, wrongly)" if declared and not spec.rechargeable else " (declared)" if declared else ""
            last = Counter(t.answers[-1].answer for t in some)
            ends = Counter(t.ends for t in some)
            counts = (
                *(last[answer] for answer in ANSWERS[:3]), ends["question"], ends["open"],
                sum(bool(t.wrong) for t in some), sum(t.charged_to_V > 3.60 for t in some),
            )  # fmt: skip
            lines.append(f"| {kind}{said} | " + " | ".join(str(count) for count in counts) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    each_kind = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    all_trials = campaign(each_kind, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
    print(table(all_trials))
    bad = [t for t in all_trials if t.wrong]
    print(f"\n{len(all_trials)} cells, {len(bad)} named wrongly at any stage")
    print(f"{dict(Counter(t.ends for t in all_trials))}")
    for example in [t for t in all_trials if t.ends == "open"][:5]:
        print(f"  open: {example.kind}, declared {example.declared}: {'; '.join(example.answers[-1].evidence)}")
    for example in bad[:5]:
        first = example.wrong[0]
        print(f"  {example.kind}, declared {example.declared}: {first.answer}: {'; '.join(first.evidence)}")
