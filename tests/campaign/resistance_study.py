"""How often does U hold the resistance of a cell on benches that are awkward? With seeds, over drawn benches.

    python -m tests.campaign.resistance_study --benches 2000

Drawn are: how far apart rows are (0.1 to 10 s), whether voltage or current is read first and by how much (up to 0.3
s, so that one row may hold the new voltage and the old current, or the other way round), where in that the time is
stamped, whether the orders are known, whether the instruments measure anew only every 0.3 to 1.5 s, what they are off
by, and how the voltage is sensed (four wires, two wires that were measured, two wires that nobody measured). The cell
is a closed form: open-circuit curve, series resistance, a fast part (0.05 to 0.6 s) and a slow one (3 to 60 s).
Pulses of 5, 12 and 30 s.

Of each bench one value is drawn; the truth is that of the cell's own ends at the stated time after the step.
"""

import argparse
import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray, Record, Timing
from amphora.harness.analysis.resistance import SLOPE_REMOVED, Resistance, find_resistances
from tests.campaign.coverage import CHEMISTRIES, drawn, specifications

INTERVALS_S = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
ORDERS = ("together", "current first", "voltage first")
WIRES = ("four", "two, measured", "two, not measured")


class Cell:
    """Constant currents one after another; voltage at any time in closed form."""

    def __init__(self, chemistry: str, generator: np.random.Generator) -> None:
        data = CHEMISTRIES[chemistry]
        self.z, self.v = np.array(data["z"]), np.array(data["v"])
        self.capacity_Ah = float(generator.uniform(0.8, 2.8))
        self.r0_ohm = float(generator.uniform(0.02, 0.1))
        self.pairs = (
            (float(generator.uniform(0.003, 0.02)), float(generator.uniform(0.05, 0.6))),
            (float(generator.uniform(0.01, 0.05)), float(generator.uniform(3.0, 60.0))),
        )
        parts = [(0.0, 60.0), (0.5, 600.0), (0.0, 300.0)]
        for length_s in generator.permutation([5.0, 12.0, 30.0]):
            parts += [(1.0, float(length_s)), (0.0, 120.0)]
        self.amps = np.array([-share * self.capacity_Ah for share, _ in parts])
        lengths = np.array([seconds for _, seconds in parts]) + generator.uniform(0, 1, len(parts))
        self.begins = np.concatenate(([0.0], np.cumsum(lengths)[:-1]))
        self.end_s = float(lengths.sum())
        moved = np.concatenate(([0.0], np.cumsum(self.amps * lengths)[:-1])) / 3600
        self.charge = float(generator.uniform(0.5, 0.95)) + moved / self.capacity_Ah
        self.slow = []
        for ohm, tau_s in self.pairs:
            state = np.zeros(len(parts))
            for k in range(1, len(parts)):
                settled = self.amps[k - 1] * ohm
                state[k] = settled + (state[k - 1] - settled) * math.exp(-lengths[k - 1] / tau_s)
            self.slow.append(state)

    def current(self, t_s: FloatArray) -> FloatArray:
        """Return the current at times, shape (n,); at a step: after it."""
        return np.asarray(self.amps[np.clip(np.searchsorted(self.begins, t_s, side="right") - 1, 0, None)])

    def voltage(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return terminal and open-circuit voltage at times, shape (n,)."""
        return self.held(np.clip(np.searchsorted(self.begins, t_s, side="right") - 1, 0, None), t_s)

    def held(self, k: IntArray, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the same as if the k-th current, shape (n,), held at these times."""
        since, amps = t_s - self.begins[k], self.amps[k]
        open_V = np.interp(self.charge[k] + amps * since / 3600 / self.capacity_Ah, self.z, self.v)
        volts = open_V + amps * self.r0_ohm
        for (ohm, tau_s), state in zip(self.pairs, self.slow, strict=True):
            volts = volts + amps * ohm + (state[k] - amps * ohm) * np.exp(-since / tau_s)
        return volts, open_V


@dataclass(frozen=True)
class Case:
    """One value of one drawn bench: what was stated, what is true, and how the bench was."""

    item: Resistance
    truth_ohm: float
    interval_s: float
    order: str
    wires: str
    told: bool
    renewed: bool

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return abs(self.item.ohm - self.truth_ohm) <= self.item.U_ohm


def bench(chemistry: str, generator: np.random.Generator) -> list[Case]:
    """Draw one bench, and return every value that it gives."""
    cell = Cell(chemistry, generator)
    interval_s, order = float(generator.choice(INTERVALS_S)), str(generator.choice(ORDERS))
    skew_s = 0.0 if order == "together" else min(float(generator.uniform(0.02, 0.3)), 0.9 * interval_s)
    t_true = np.arange(generator.uniform(0, interval_s), cell.end_s - 0.5, interval_s)
    told = bool(generator.random() < 0.5)  # a bench of our own says what it knows of its times; a table does not
    stamp = skew_s * (0.5 if told else float(generator.choice([0.0, 0.5, 1.0])))  # where between the two readings
    at_V = t_true + (skew_s if order == "current first" else 0.0) - stamp
    at_A = t_true + (skew_s if order == "voltage first" else 0.0) - stamp
    renewed_s = float(generator.uniform(0.3, 1.5)) if told and generator.random() < 0.3 else 0.0
    if renewed_s:
        at_V, at_A = (np.floor((at - phase) / renewed_s) * renewed_s + phase for at, phase in
                      zip((at_V, at_A), generator.uniform(0, renewed_s, 2), strict=True))  # fmt: skip
    distribution = "normal"
    wires = str(generator.choice(WIRES))
    leads_ohm = 0.0 if wires == "four" else float(generator.uniform(0.0, 0.1))

    def off(limit: float) -> float:
        return drawn(limit, distribution, generator)

    size = t_true.size
    volts = cell.voltage(at_V)[0] + leads_ohm * cell.current(at_V)
    v = np.round((volts * (1 + off(0.001)) + off(0.005) + generator.normal(0, 1e-4, size)) / 1e-4) * 1e-4
    amps = cell.current(at_A)
    i = np.round((amps * (1 + off(0.005)) + off(0.010) + generator.normal(0, 1e-4, size)) / 1e-4) * 1e-4
    clock = 1 + off(100e-6)
    switches = (cell.begins[1:] - generator.uniform(0, 0.01)) * clock if told else np.empty(0)
    timing = Timing(renewed_s, renewed_s, order == "together", told)
    record = Record(
        t_true * clock, v, i, np.full(size, 20.0), np.zeros(size, np.int64), switches, timing=timing,
        switches_until_s=switches + 0.01 if told else np.empty(0),
        extra={"took_s": np.full(size, skew_s)} if told else {},
    )  # fmt: skip
    values = as_stated(find_resistances(record, 0, size - 1, None, specifications(distribution)), wires, leads_ohm, off)
    cases = []
    for item in values:
        k = 1 + int(np.argmin(np.abs(cell.begins[1:] - item.t_s / clock)))
        at_s = float(cell.begins[k])
        old_V, old_open = cell.held(np.array([k - 1]), np.array([at_s]))
        new_V, new_open = cell.held(np.array([k]), np.array([at_s + item.duration_s / clock]))
        change_V = float(new_V[0] - old_V[0])
        if item.method == SLOPE_REMOVED:
            change_V -= float(new_open[0] - old_open[0])
        truth = change_V / float(cell.amps[k] - cell.amps[k - 1])
        cases.append(Case(item, truth, interval_s, order, wires, told, renewed_s > 0))
    return cases


def as_stated(values: list[Resistance], wires: str, leads_ohm: float, off: object) -> list[Resistance]:
    """Return values as a person reads them: leads taken out where they were measured, else in U."""
    from dataclasses import replace

    from amphora.harness.results.leads import take_out
    from amphora.harness.results.result import LeadsState, ResistanceValue, Result

    leads = LeadsState("in" if wires == "two, not measured" else "out", "")
    if wires == "two, measured":
        leads = LeadsState("out", "", max(0.0, leads_ohm + off(0.003)), 0.003)  # type: ignore[operator]
    items = tuple(ResistanceValue("", item.ohm, item.U_ohm, t_s=float(n)) for n, item in enumerate(values))
    told = take_out(Result("", "", "", resistances=items), leads)
    return [replace(values[int(one.t_s)], ohm=one.ohm, U_ohm=one.U_ohm) for one in told.resistances]


def study(benches: int, seed: int = 1) -> tuple[list[Case], int]:
    """Return one drawn value of each bench, and how many benches gave none."""
    cases, none = [], 0
    for number, chemistry in enumerate(CHEMISTRIES):
        generator = np.random.default_rng([seed, number, 14])
        for _ in range(benches // len(CHEMISTRIES)):
            found = bench(chemistry, generator)
            if found:
                cases.append(found[int(generator.integers(len(found)))])
            else:
                none += 1
    return cases, none


def table(cases: list[Case]) -> list[tuple[str, int, float, float]]:
    """Return (group, values, share held, median U relative) for each kind of bench and of value."""
    groups: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        at = min((0.1, 0.5, 1.0, 10.0, 30.0), key=lambda s: abs(math.log(case.item.duration_s / s)))
        for name in (
            "all", f"rows {case.interval_s:g} s apart", case.order, f"wires: {case.wires}", f"about {at:g} s",
            "orders known" if case.told else "orders not known", case.item.method,
            "renewed seldom" if case.renewed else "measured when asked",
        ):  # fmt: skip
            groups[name].append(case)
    return [
        (
            name, len(some), float(np.mean([case.held for case in some])),
            float(np.median([case.item.U_ohm / case.truth_ohm for case in some])),
        )
        for name, some in sorted(groups.items())
    ]  # fmt: skip


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    cases, none = study(options.benches, options.seed)
    print(f"{len(cases)} benches gave a value, {none} none")
    for name, count, share, wide in table(cases):
        print(f"  {name:<28} {count:5d}  {100 * share:5.1f} %  median U {100 * wide:.1f} %")


if __name__ == "__main__":
    main()
