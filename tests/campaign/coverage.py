"""How often does the stated interval hold the truth? Over simulated benches with drawn errors.

    python tests/campaign/coverage.py --benches 2000

Each bench has instruments whose gain, offset, time base are drawn from their specification (normal
or rectangular), readings with noise, a sampling interval and unknown instants of the load steps;
the cell is a closed form, so the truth is known: charge and energy to the instant when its own voltage
crosses the cut-off (open-circuit curve of its chemistry, series resistance), and what its voltage really
does at a stated time after a load step (the same, and one slow part). Of each bench's resistances one is
drawn: those of one bench share their errors.
"""

import argparse
import json
import math
from typing import Any

import numpy as np

from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import FloatArray, Measurement, Record, Specification
from amphora.harness.analysis.resistance import SLOPE_REMOVED, find_resistances

CHEMISTRIES: dict[str, dict[str, Any]] = {
    # open-circuit voltage over charge state at z: rough curves of each kind, cut-off, size
    "li-ion": {
        "z": [0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 1],
        "v": [2.6, 2.95, 3.15, 3.3, 3.45, 3.66, 3.84, 4.04, 4.1, 4.18],
        "cutoff_V": 3.0,
    },
    "lfp": {
        "z": [0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.97, 1],
        "v": [2.0, 2.7, 3.0, 3.18, 3.24, 3.28, 3.31, 3.33, 3.34, 3.5],
        "cutoff_V": 2.5,
    },
    "nimh": {
        "z": [0, 0.03, 0.06, 0.1, 0.2, 0.5, 0.8, 0.95, 1],
        "v": [0.6, 1.0, 1.14, 1.19, 1.23, 1.27, 1.31, 1.36, 1.42],
        "cutoff_V": 1.0,
    },
}


def specifications(distribution: Any) -> Measurement:
    """Return what the instruments of the study may be off by."""
    return Measurement(
        voltage=Specification(0.001, 0.005, 0.0001, distribution, 2.0),
        current=Specification(0.005, 0.010, 0.0001, distribution, 2.0),
        temperature=Specification(0.0, 2.0, 0.1, distribution, 2.0),
        time=Specification(100e-6, 0.0, 0.0, distribution, 2.0),
    )


def drawn(limit: float, distribution: str, generator: np.random.Generator) -> float:
    """Draw one error of an instrument from its specification."""
    if distribution == "normal":
        return float(generator.normal(0, limit / 2.0))
    return float(generator.uniform(-limit, limit))


class Pulsed:
    """A cell under a row of constant currents: its voltage at any time, in closed form."""

    def __init__(self, chemistry: str, generator: np.random.Generator) -> None:
        data = CHEMISTRIES[chemistry]
        self.z, self.v = np.array(data["z"]), np.array(data["v"])
        self.capacity_Ah = float(generator.uniform(0.8, 2.8))
        self.r0_ohm, self.r1_ohm = float(generator.uniform(0.02, 0.1)), float(generator.uniform(0.01, 0.05))
        self.tau_s = float(generator.uniform(3.0, 60.0))
        start = float(generator.uniform(0.5, 0.95))
        one_It = self.capacity_Ah
        parts = [(0.0, 60.0), (0.5, 600.0), (0.0, 300.0)]
        for _ in range(3):
            parts += [(1.0, 12.0), (0.0, 90.0)]
        parts += [(0.2, 10.0), (1.0, 1.0), (0.0, 60.0)]  # the two-step method's currents and durations
        self.amps = np.array([-share * one_It for share, _ in parts])
        lengths = np.array([seconds for _, seconds in parts]) + generator.uniform(0, 1e-3, len(parts))
        self.begins = np.concatenate(([0.0], np.cumsum(lengths)[:-1]))
        self.end_s = float(lengths.sum())
        self.charge = start + np.concatenate(([0.0], np.cumsum(self.amps * lengths)[:-1])) / 3600 / self.capacity_Ah
        self.slow = np.zeros(len(parts))  # voltage over the slow part where each piece begins
        for k in range(1, len(parts)):
            settled = self.amps[k - 1] * self.r1_ohm
            self.slow[k] = settled + (self.slow[k - 1] - settled) * math.exp(-lengths[k - 1] / self.tau_s)

    def at(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return terminal voltage, current and open-circuit voltage at times, shape (n,); at a step: after it."""
        k = np.clip(np.searchsorted(self.begins, t_s, side="right") - 1, 0, None)
        since = t_s - self.begins[k]
        amps = self.amps[k]
        open_V = np.interp(self.charge[k] + amps * since / 3600 / self.capacity_Ah, self.z, self.v)
        settled = amps * self.r1_ohm
        slow = settled + (self.slow[k] - settled) * np.exp(-since / self.tau_s)
        return open_V + amps * self.r0_ohm + slow, amps, open_V


def one_pulsed_bench(chemistry: str, distribution: str, generator: np.random.Generator) -> dict[str, bool | None]:
    """Return whether the interval of a resistance, drawn from those of one bench, held the truth."""
    cell = Pulsed(chemistry, generator)
    interval_s = float(generator.choice([0.1, 0.2, 0.5, 1.0]))
    t_true = np.arange(generator.uniform(0, interval_s), cell.end_s, interval_s)
    v, i, _ = cell.at(t_true)
    size = t_true.size

    def off(limit: float) -> float:
        return drawn(limit, distribution, generator)

    v_read = np.round((v * (1 + off(0.001)) + off(0.005) + generator.normal(0, 1e-4, size)) / 1e-4) * 1e-4
    i_read = np.round((i * (1 + off(0.005)) + off(0.010) + generator.normal(0, 1e-4, size)) / 1e-4) * 1e-4
    clock = 1 + off(100e-6)
    late_s = generator.uniform(0, 0.01)  # an order is stamped, then it acts
    told = generator.random() < 0.5  # half the records know their orders, half are somebody's table
    switches = (cell.begins[1:] - late_s) * clock if told else np.empty(0)
    record = Record(t_true * clock, v_read, i_read, np.full(size, 20.0), np.zeros(size, np.int64), switches, (), {})
    found = find_resistances(record, 0, size - 1, None, specifications(distribution))
    if not found:
        return {"resistance": None}
    item = found[int(generator.integers(len(found)))]
    at_s = float(cell.begins[np.argmin(np.abs(cell.begins - item.t_s / clock))])
    before, after = cell.at(np.array([np.nextafter(at_s, 0.0)])), cell.at(np.array([at_s + item.duration_s / clock]))
    change_V = float(after[0][0] - before[0][0])
    if item.method == SLOPE_REMOVED:
        change_V -= float(after[2][0] - before[2][0])
    truth = change_V / float(after[1][0] - before[1][0])
    return {"resistance": abs(item.ohm - truth) <= item.U_ohm}


def one_bench(chemistry: str, distribution: str, generator: np.random.Generator) -> dict[str, bool | None]:
    """Return, for each quantity, whether its interval held the truth."""
    data = CHEMISTRIES[chemistry]
    curve_z, curve_v, cutoff_V = np.array(data["z"]), np.array(data["v"]), float(data["cutoff_V"])
    capacity_Ah = generator.uniform(0.8, 2.8)
    r_ohm = generator.uniform(0.03, 0.12)
    current_A = generator.uniform(0.2, 0.6) * capacity_Ah
    interval_s = generator.choice([1.0, 5.0, 10.0])

    def draw(limit: float) -> float:
        return drawn(limit, distribution, generator)

    # the truth, on a fine grid of charge taken
    taken = np.linspace(0, capacity_Ah, 200_001)
    terminal = np.interp(1 - taken / capacity_Ah, curve_z, curve_v) - current_A * r_ohm
    below = np.flatnonzero(terminal <= cutoff_V)
    end = int(below[0])
    share = (terminal[end - 1] - cutoff_V) / (terminal[end - 1] - terminal[end])
    true_Ah = taken[end - 1] + share * (taken[end] - taken[end - 1])
    true_Wh = float(np.trapezoid(terminal[:end], taken[:end])) + (true_Ah - taken[end - 1]) * cutoff_V

    # what the bench saw
    on_s = 60.0 + generator.uniform(0, interval_s)
    last_s = on_s + capacity_Ah / current_A * 3600
    t_true = np.arange(0.0, last_s, interval_s)
    q = np.clip((t_true - on_s) * current_A / 3600, 0, None)
    loaded = t_true >= on_s
    v = np.interp(1 - q / capacity_Ah, curve_z, curve_v) - np.where(loaded, current_A * r_ohm, 0.0)
    i = np.where(loaded, -current_A, 0.0)
    noise = generator.normal(0, 1e-4, v.size)
    v_read = np.round((v * (1 + draw(0.001)) + draw(0.005) + noise) / 1e-4) * 1e-4
    i_read = np.round((i * (1 + draw(0.005)) + draw(0.010) + generator.normal(0, 1e-4, i.size)) / 1e-4) * 1e-4
    t_read = t_true * (1 + draw(100e-6))
    low = loaded & (v_read <= cutoff_V)
    twice = np.flatnonzero(low[:-1] & low[1:])  # the load goes off at the second reading in a row below
    n = int(twice[0]) + 2 if twice.size else t_read.size
    record = Record(t_read[:n], v_read[:n], i_read[:n], np.full(n, 20.0), np.zeros(n, np.int64), np.empty(0), (), {})
    totals = accumulate(record)
    phase = [item for item in find_phases(record, totals) if item.kind == "discharge"][-1]
    found = figures(record, totals, phase, specifications(distribution), cutoff_V)
    return {
        "capacity": abs(found.capacity_Ah - true_Ah) <= found.capacity.U,
        "energy": abs(found.energy_Wh - true_Wh) <= found.energy.U,
        "complete": found.reached_cutoff,
    }


def study(benches: int, seed: int = 1) -> dict[str, dict[str, float]]:
    """Return the share of benches whose interval held the truth, by chemistry and kind of error."""
    out: dict[str, dict[str, float]] = {}
    for number, chemistry in enumerate(CHEMISTRIES):
        for kind, distribution in enumerate(("normal", "rectangular")):
            generator = np.random.default_rng([seed, number, kind])
            results = [one_bench(chemistry, distribution, generator) for _ in range(benches)]
            shares = {
                name: float(np.mean([bool(item[name]) for item in results]))
                for name in ("capacity", "energy", "complete")
            }
            generator = np.random.default_rng([seed, number, kind, 1])
            held = [one_pulsed_bench(chemistry, distribution, generator)["resistance"] for _ in range(benches)]
            known = [bool(item) for item in held if item is not None]
            shares["resistance"] = float(np.mean(known)) if known else math.nan
            shares["with a resistance"] = len(known) / benches
            out[f"{chemistry}, {distribution}"] = shares
    return out


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    result = study(options.benches, options.seed)
    if options.json:
        print(json.dumps(result, indent=1))
        return
    spread = 200 * math.sqrt(0.95 * 0.05 / options.benches)
    print(f"{options.benches} benches each; a share of 95 % is known within {spread:.1f} %")
    for name, shares in result.items():
        print(f"  {name:<22} " + "  ".join(f"{key} {100 * value:.1f} %" for key, value in shares.items()))


if __name__ == "__main__":
    main()
