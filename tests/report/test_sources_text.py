"""The table of sources at a terminal: no wider than 80, every figure with its interval and how many it is of."""

import random

from amphora.harness.decisions.sources import Middle, One, Share, SourceOfCells
from amphora.harness.report.sources_text import render, when_tested

LONG = "hand lamps of the boating club, second delivery"


def source(name: str, rng: random.Random, whole: bool = True) -> SourceOfCells:
    held, ohm, lost = rng.uniform(0.9, 2.6), rng.uniform(0.05, 0.3), rng.uniform(1.0, 9.0)
    return SourceOfCells(
        source=name, month="2026-11", cells=120,
        capacity=Middle(118, held, held * 0.9, held * 1.1) if whole else Middle(3, held, None, None),
        resistance=Middle(117, ohm, ohm * 0.9, ohm * 1.1) if whole else Middle(0, None, None, None),
        self_discharge=Middle(111, lost, lost * 0.9, lost * 1.1) if whole else Middle(0, None, None, None),
        duds=Share(61, 119, 0.51, 0.42, 0.60) if whole else Share(0, 0, None, 0.0, 1.0), usable_Ah=30.0,
        text="more than half of its cells are duds, by the whole interval: not worth opening while others are left",
    )  # fmt: skip


def test_the_table_is_no_wider_than_a_terminal_and_leaves_nothing_out() -> None:
    rng = random.Random(1)
    shown = render([source("porch lights", rng), source(LONG, rng), source("attic", rng, whole=False)])
    lines = shown.splitlines()
    assert max(map(len, lines)) <= 80, max(lines, key=len)
    first = next(line for line in lines if line.startswith("porch lights"))
    under = lines[lines.index(first) + 1]
    assert first.count(", n ") == 4 and under.count(" to ") == 4  # value and number, interval under it
    assert " ".join(shown.split()).count("second delivery") >= 1
    attic = next(line for line in lines if line.startswith("attic"))
    assert ", n 3" in attic and attic.count("–") == 3  # too few for an interval, and nothing measured


def test_the_picture_says_when_the_cells_were_tested_and_that_none_was_real() -> None:
    one = One("a", "attic", "2026-11", 1.9, tested="2026-11-20", simulated=True)
    two = One("b", "attic", "2026-11", 1.7, tested="2026-11-24")
    never = One("c", "attic", "2026-11")
    assert when_tested([one, never]) == "tested 2026-11-20 · SIMULATED, no real cell"
    assert when_tested([one, two, never]) == "tested 2026-11-20 to 2026-11-24 · 1 of 2 SIMULATED"
    assert when_tested([two]) == "tested 2026-11-24"
    assert when_tested([never]) == ""
