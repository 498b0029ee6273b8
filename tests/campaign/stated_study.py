"""One cell measured at several currents: how far apart are its figures at the stated condition (0.2 It, 20 °C)?

    python -m tests.campaign.stated_study --cells 8 --seed 1

Cells are drawn from the populations that err like real ones (healthy and aged; Li-ion, LFP, NiMH). Each is discharged
from full at 0.1, 0.2, 0.3, 0.5 and 1 It of its design, with half an hour of rest afterwards, by a bench without
error; the truth is what the same cell gives at 0.2 It of what it holds. What is asked: how often a record carries a
figure, how far it is off, and how often its U holds the truth.
"""

import argparse
import random
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.analysis.stated_condition import Stated, to_stated
from amphora.harness.common.errors import AnalysisError
from tests.support.simulation.populations import draw_cell

CUTOFF_V = {"li-ion": 3.0, "lfp": 2.5, "nimh": 1.0}
RATES_IT = (0.1, 0.2, 0.3, 0.5, 1.0)
REST_S = 1800.0
BENCH_U = 0.002  # k = 2, share: as a good bench states it


@dataclass
class Seen:
    """What came at one rate: errors as shares of the truth, their U, how far the night's own figure was off."""

    off: list[float] = field(default_factory=list)
    U: list[float] = field(default_factory=list)
    raw: list[float] = field(default_factory=list)
    none: int = 0

    def line(self) -> str:
        """Return it in words."""
        raw = 100 * float(np.median(np.abs(self.raw)))
        if not self.off:
            return f"none of {self.none} supported (the night's own figure off by {raw:.1f} % in the middle)"
        off, U = np.abs(self.off), np.array(self.U)
        return (
            f"{off.size} of {off.size + self.none} supported; off by {100 * np.median(off):.2f} % in the middle, "
            f"at most {100 * off.max():.1f} %; within 2 %: {100 * np.mean(off <= 0.02):.0f} %; "
            f"U holds {100 * np.mean(off <= U):.0f} %, {100 * np.median(U):.1f} % in the middle "
            f"(the night's own figure off by {raw:.1f} %)"
        )


def night(make: Callable[[], SimulatedCell], current_A: float, cutoff_V: float) -> tuple[float, Stated | str]:
    """Return what a cell gave in one night, Ah, and what follows from it at the stated condition."""
    cell, dt_s = make(), 5.0 if current_A > 0.25 * make().spec.capacity_Ah else 20.0
    given, volts, out = [0.0], [cell.voltage(-current_A)], 0.0
    while volts[-1] > cutoff_V:
        cell.advance(dt_s, -current_A)
        out += current_A * dt_s / 3600.0
        given.append(out)
        volts.append(cell.voltage(-current_A))
    share = (volts[-2] - cutoff_V) / (volts[-2] - volts[-1])
    held = given[-2] + share * (given[-1] - given[-2])
    for _ in range(int(REST_S / dt_s)):
        cell.advance(dt_s, 0.0)
    try:
        stated = to_stated(
            np.array(given), np.array(volts), current_A, cutoff_V, held, BENCH_U * held, cell.voltage(0.0), REST_S, 20.0
        )
    except AnalysisError as error:
        return held, str(error)
    return held, stated


def study(cells: int, seed: int, kinds: tuple[str, ...] = ("healthy", "aged")) -> dict[tuple[str, str, float], Seen]:
    """Return what came, by chemistry, health and rate."""
    found: dict[tuple[str, str, float], Seen] = {}
    for chemistry, cutoff_V in CUTOFF_V.items():
        for kind in kinds:
            for number in range(cells):

                def make(chemistry: str = chemistry, kind: str = kind, number: int = number) -> SimulatedCell:
                    rng = random.Random(1000 * seed + number)
                    return draw_cell(rng, chemistry, kind).cell  # type: ignore[arg-type]

                size = make().spec.capacity_Ah
                true_Ah = 0.9 * size
                for _ in range(3):
                    true_Ah = night(make, 0.2 * true_Ah, cutoff_V)[0]
                for rate in RATES_IT:
                    held, stated = night(make, rate * size, cutoff_V)
                    seen = found.setdefault((chemistry, kind, rate), Seen())
                    seen.raw.append(held / true_Ah - 1)
                    if isinstance(stated, str):
                        seen.none += 1
                    else:
                        seen.off.append(stated.capacity_Ah / true_Ah - 1)
                        seen.U.append(stated.U_Ah / true_Ah)
    return found


def main() -> None:
    """Print it, by chemistry, health and rate."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    found = study(chosen.cells, chosen.seed)
    for (chemistry, kind, rate), seen in found.items():
        print(f"{chemistry} {kind} {rate:g} It: {seen.line()}")
    off = np.array([value for seen in found.values() for value in seen.off])
    U = np.array([value for seen in found.values() for value in seen.U])
    holds, near = 100 * np.mean(np.abs(off) <= U), 100 * np.mean(np.abs(off) <= 0.02)
    print(f"all: {off.size} figures, U holds {holds:.1f} %, within 2 % {near:.1f} %")


if __name__ == "__main__":
    main()
