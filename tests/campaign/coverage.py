"""How often does the stated interval hold the truth? Over simulated benches with drawn errors.

    python tests/campaign/coverage.py --benches 2000

Each bench has instruments whose gain, offset, time base are drawn from their specification (normal
or rectangular), readings with noise, a sampling interval and unknown instants of the load steps;
the cell is a closed form (open-circuit curve of its chemistry, series resistance, one slow part), so
the truth is known: charge and energy to the instant when its own voltage crosses the cut-off.
"""

import argparse
import json
import math
from typing import Any

import numpy as np

from harness.analysis.capacity import figures
from harness.analysis.integration import accumulate
from harness.analysis.phases import find_phases
from harness.analysis.records import Measurement, Record, Specification

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


def one_bench(chemistry: str, distribution: str, generator: np.random.Generator) -> dict[str, bool | None]:
    """Return, for each quantity, whether its interval held the truth."""
    data = CHEMISTRIES[chemistry]
    curve_z, curve_v, cutoff_V = np.array(data["z"]), np.array(data["v"]), float(data["cutoff_V"])
    capacity_Ah = generator.uniform(0.8, 2.8)
    r_ohm = generator.uniform(0.03, 0.12)
    current_A = generator.uniform(0.2, 0.6) * capacity_Ah
    interval_s = generator.choice([1.0, 5.0, 10.0])
    spec = {
        "voltage": Specification(0.001, 0.005, 0.0001, distribution, 2.0),
        "current": Specification(0.005, 0.010, 0.0001, distribution, 2.0),
        "temperature": Specification(0.0, 2.0, 0.1, distribution, 2.0),
        "time": Specification(100e-6, 0.0, 0.0, distribution, 2.0),
    }

    def draw(limit: float) -> float:
        if distribution == "normal":
            return float(generator.normal(0, limit / 2.0))
        return float(generator.uniform(-limit, limit))

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
    found = figures(record, totals, phase, Measurement(**spec), cutoff_V)
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
            out[f"{chemistry}, {distribution}"] = {
                name: float(np.mean([bool(item[name]) for item in results]))
                for name in ("capacity", "energy", "complete")
            }
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
