"""Is each limit of the account where the cells say, and not where somebody looked? Fitted on half, judged on the rest.

    python -m tests.campaign.detectors --cells 400 --seed 1
    AMPHORA_MEASURED=DIR python -m tests.campaign.detectors    # and the measured rests, charges and cycles in DIR

Cells are drawn by seed and lived by physics alone (no bench, no meter: what a detector can do when everything is read
exactly): charged to 0.05 It, an hour at rest, a night at 0.2 It, three hours at rest, charged again, a day at rest, and
charged again. Each detector has one figure per cell, larger for a sick one. Its limit is fitted on the cells of even
number: the smallest that at most one sound or aged cell in a hundred exceeds. The cells of odd number judge it, and the
limit in use beside it: false alarms among sound and aged cells, misses among sick ones by what they have. Measured
cells are all sound: each alarm there is false.
"""

import argparse
import csv
import gzip
import itertools
import math
import os
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.account import findings, near_full
from amphora.harness.control.taper import RISE_A, RISE_SHARE
from tests.campaign.cells import LATER_LEAK, first_day_percent
from tests.support.simulation.populations import SICKNESSES, draw_cell

DT_S = 20.0
LONGEST_S = 10 * 3600.0
FALSE_SHARE = 0.01  # of the sound and aged cells that a fitted limit may stop
NOT_DONE = math.inf  # a charge that does not end: the guard's to stop, and no verdict


@dataclass(frozen=True)
class Detector:
    """One figure of a cell: what it is, its limit in use, and of which charge of the cell it speaks."""

    name: str
    unit: str
    limit: float
    digits: int


DETECTORS = (
    Detector("fall at rest, 1 h after a full charge", "mV/h", 1000 * findings.FALLS_FULL_V_PER_H, 1),
    Detector("rise of the current in constant voltage", "times 30 mA or a tenth", 1.0, 2),
    Detector("not given back over a cycle", "%", 100 * (1.0 - findings.BALANCE_SUSPECTED), 2),
    Detector("fall at the end of the rest after a night", "mV/h", 1000 * findings.RELAXED_RATE_V_PER_H, 2),
    Detector("taken to fill it up after a day at full", "%", 100 * near_full.LIMIT, 2),
)


@dataclass(frozen=True)
class Seen:
    """One drawn cell: its number, what it has ("" for sound or aged), and its figures in order of `DETECTORS`."""

    number: int
    sickness: str
    figures: tuple[float, ...]


def charged(cell: SimulatedCell, current_A: float, end_A: float) -> tuple[float, float] | None:
    """Charge it by constant current and voltage; return what went in, Ah, and how far the current rose (`risen`).

    None where it does not end.
    """
    put_in_Ah, now_s, least_A, rise = 0.0, 0.0, math.inf, 0.0
    while now_s < LONGEST_S:
        wanted_A = max((cell.spec.full_V - cell.inner_V()) / cell.series_ohm(), 0.0)
        if wanted_A < end_A:
            return put_in_Ah, rise
        flows_A = min(wanted_A, current_A)
        if wanted_A < current_A:
            least_A = min(least_A, flows_A)
            rise = max(rise, risen(flows_A, least_A))
        cell.advance(DT_S, flows_A)
        put_in_Ah += flows_A * DT_S / 3600.0
        now_s += DT_S
    return None


def risen(flows_A: float, least_A: float) -> float:
    """Return by how much a current exceeds its lowest, in parts of what the guard lets pass."""
    return (flows_A - least_A) / max(RISE_A, RISE_SHARE * least_A)


def discharged(cell: SimulatedCell, current_A: float) -> float:
    """Discharge it to its cut-off; return what came out, Ah."""
    came_out_Ah = 0.0
    while cell.voltage(-current_A) > cell.spec.cutoff_V:
        cell.advance(DT_S, -current_A)
        came_out_Ah += current_A * DT_S / 3600.0
    return came_out_Ah


def fall_V_per_h(cell: SimulatedCell, hours: float) -> float:
    """Return how fast its voltage falls over so many hours of rest from now."""
    before_V = cell.voltage(0.0)
    cell.rest(hours * 3600.0)
    return (before_V - cell.voltage(0.0)) / hours


def lived(number: int, seed: int, chemistry: str) -> Seen | None:
    """Live one cell; None for a sick one that does not lose 5 % on its first day at full."""
    rng = random.Random(f"detectors:{seed}:{chemistry}:{number}")
    kind = rng.choices(("healthy", "aged", "sick"), (3, 3, 4))[0]
    some = [name for name in SICKNESSES if name != "late short"]  # which acts when nobody measures
    sickness = rng.choice(some) if kind == "sick" else ""
    cell, truth = draw_cell(rng, chemistry, kind, sickness=sickness, soc=0.05)  # type: ignore[arg-type]
    if sickness == "near full" and first_day_percent(cell) < LATER_LEAK:
        return None
    it_A = truth["capacity_Ah"]
    first = charged(cell, 0.4 * it_A, 0.05 * it_A)
    if first is None:
        return Seen(number, sickness, (NOT_DONE,) * len(DETECTORS))
    cell.rest(3600.0)
    fall = fall_V_per_h(cell, 1 / 6)
    gave_Ah = discharged(cell, 0.2 * it_A)
    cell.rest(2.5 * 3600.0)
    recovery = fall_V_per_h(cell, 0.5)
    second = charged(cell, 0.4 * it_A, 0.05 * it_A)
    if second is None:
        return Seen(number, sickness, (1000 * fall, first[1], NOT_DONE, 1000 * recovery, NOT_DONE))
    cell.rest(24 * 3600.0)
    again = charged(cell, 0.4 * it_A, 0.05 * it_A)
    up = NOT_DONE if again is None else 100 * again[0] / it_A
    lost = 100 * (1.0 - gave_Ah / second[0])
    return Seen(number, sickness, (1000 * fall, first[1], lost, 1000 * recovery, up))


def fitted(values: Sequence[float], share: float = FALSE_SHARE) -> float:
    """Return the smallest limit that at most this share of the values exceeds."""
    ordered = sorted(values)
    return ordered[len(ordered) - 1 - math.floor(share * len(ordered))]


def measured(folder: Path) -> dict[str, list[float]]:
    """Return the figures of measured cells, by detector; all of them are sound.

    Source: 18650PF data (P. Kollmeyer, 2018, doi 10.17632/wykht8y7tg.1), one NCA 18650 over weeks; Li-ion battery aging
    data (B. Saha, K. Goebel, NASA Ames PCoE, 2007).
    """
    found: dict[str, list[float]] = {item.name: [] for item in DETECTORS}
    fall, taper, cycle, recovery, _ = (item.name for item in DETECTORS)
    for path in sorted(folder.glob("rests/nca-*pause[0-9].csv.gz")):
        rows = rows_of(path)
        if rows[0][1] > 4.17 and rows[-1][0] > 3500.0 and abs(rows[0][3] - rows[-1][3]) < 5.0:  # full, and not cooling
            found[fall].append(1000 * slope(rows, 2900.0, 3540.0))
    for path in sorted(folder.glob("rests/nca-*charge*.csv.gz")):
        found[taper] += rises(rows_of(path), 2.85)
    for path in sorted(folder.glob("repeats/*charge.csv.gz")):
        if "discharge" not in path.name:
            found[taper] += rises(rows_of(path), 1.45)
    for out in sorted(folder.glob("rests/nca-*dis1c_rp.csv.gz")):
        (back,) = folder.glob(f"rests/{out.name[:10]}*{out.name[15:20]}*chargerp.csv.gz")
        rows = rows_of(out)
        gave, took = pieces(rows, -1), pieces(rows_of(back), 1)
        found[cycle] += [100 * (1.0 - o / i) for o, i in zip(gave[1:], took[1:], strict=False)]  # full to full
        found[recovery] += [1000 * slope(rest, rest[0][0] + 145.0, rest[-1][0]) for rest in rests_of(rows)]
    return found


Row = tuple[float, float, float, float]  # s, V, A, degC


def rows_of(path: Path) -> list[Row]:
    """Return the rows of a measured record: s, V, A (charge positive), degC."""
    with gzip.open(path, "rt", encoding="utf-8", newline="") as file:
        table = list(csv.reader(file))
    names = [name.split("(")[0].strip().lower() for name in table[0]]
    where = [
        next(n for n, name in enumerate(names) if name.startswith(key)) for key in ("time", "volt", "curr", "temp")
    ]
    return [tuple(float(row[n]) for n in where) for row in table[1:]]  # type: ignore[misc]


def slope(rows: Sequence[Row], from_s: float, to_s: float) -> float:
    """Return how fast the voltage falls between two times, V/h: a fitted line."""
    some = [(t / 3600.0, volt) for t, volt, _, _ in rows if from_s <= t <= to_s]
    mean_h, mean_V = (sum(item[k] for item in some) / len(some) for k in (0, 1))
    top = sum((t - mean_h) * (volt - mean_V) for t, volt in some)
    return -top / sum((t - mean_h) ** 2 for t, _ in some)


def rises(rows: Sequence[Row], full_A: float) -> Iterator[float]:
    """Yield of each constant-voltage part how far the current rose for three minutes or more (`risen`)."""
    for flows, part in itertools.groupby(rows, key=lambda row: 0.04 < row[2] < full_A and row[1] > 4.15):
        some = list(part)
        if not flows or len(some) < 10:
            continue
        least, best = math.inf, 0.0
        for n, (t, _, _, _) in enumerate(some):
            window = [amp for at, _, amp, _ in some[n:] if at <= t + 180.0]
            if some[-1][0] < t + 180.0:
                break
            best = max(best, risen(min(window), least))
            least = min(least, some[n][2])
        yield max(best, 0.0)


def pieces(rows: Sequence[Row], sign: int) -> list[float]:
    """Return what each charge (or discharge, sign -1) of a record moved, Ah: straight between rows."""
    found: list[float] = []
    inside = False
    for a, b in itertools.pairwise(rows):
        flows = sign * b[2] > 0.01
        if flows:
            found += [] if inside else [0.0]
            mean_A = 0.5 * (a[2] + b[2]) if inside else b[2]
            found[-1] += sign * mean_A * min(b[0] - a[0], 65.0) / 3600.0
        inside = flows
    return found


def rests_of(rows: Sequence[Row]) -> Iterator[list[Row]]:
    """Yield the rests of a record, of five minutes about."""
    for flows, part in itertools.groupby(rows, key=lambda row: abs(row[2]) > 0.01):
        some = list(part)
        if not flows and some[-1][0] - some[0][0] > 200.0:
            yield some


def table(seen: Sequence[Seen], real: dict[str, list[float]]) -> Iterator[str]:
    """Yield the answer as lines of a table."""
    some = sorted({item.sickness for item in seen if item.sickness})
    yield "| detector | limit: in use / fitted | false alarms, odd | misses, odd: " + ", ".join(some) + " | measured |"
    yield "|---|---|---|---|---|"
    for place, detector in enumerate(DETECTORS):
        values = {
            (item.sickness, item.number % 2): [one.figures[place] for one in seen
                                               if (one.sickness, one.number % 2) == (item.sickness, item.number % 2)]
            for item in seen
        }  # fmt: skip
        limits = (detector.limit, fitted(values["", 0]))
        alarms = " / ".join(f"{sum(value > limit for value in values['', 1])}" for limit in limits)
        misses = ", ".join(
            " / ".join(f"{sum(value <= limit for value in values.get((name, 1), []))}" for limit in limits)
            + f" of {len(values.get((name, 1), []))}"
            for name in some
        )
        shown = real.get(detector.name, [])
        on_real = " / ".join(f"{sum(value > limit for value in shown)}" for limit in limits) + f" of {len(shown)}"
        both = " / ".join(f"{limit:.{detector.digits}f}" for limit in limits)
        yield (
            f"| {detector.name} | {both} {detector.unit} | {alarms} of {len(values['', 1])} | {misses} | "
            + (f"{on_real}, at most {max(shown):.{detector.digits}f}" if shown else "no record")
            + " |"
        )
    caught = [item for item in seen if item.sickness and item.number % 2]
    missed = [
        item for item in caught
        if all(value <= one.limit for value, one in zip(item.figures, DETECTORS, strict=True))
    ]  # fmt: skip
    yield f"missed by all limits in use: {len(missed)} of {len(caught)} sick cells of odd number"


def main() -> int:
    """Print the table; exit 1 when a sick cell of odd number passes all limits in use."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.campaign.detectors", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--cells", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--chemistry", choices=("li-ion",), default="li-ion")
    options = parser.parse_args()
    lives = (lived(number, options.seed, options.chemistry) for number in range(options.cells))
    seen = [item for item in lives if item is not None]
    folder = os.environ.get("AMPHORA_MEASURED")
    lines = list(table(seen, measured(Path(folder)) if folder else {}))
    print("\n".join(lines))
    return int(": 0 of" not in lines[-1])


if __name__ == "__main__":
    raise SystemExit(main())
