"""The resistor bench as a person lives it, on the virtual clock: a resistor, a logger, and hands early or late.

Sick and healthy cells side by side. What is true is asked of the simulated cell, never of the program.
"""

import copy
import random
from dataclasses import replace
from pathlib import Path

import pytest
from resistor_bench import ResistorBench

from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from amphora.harness.account.answer import analyse_run
from amphora.harness.common.errors import InputError
from amphora.harness.running.session import Request, make_plan

SMALL_Ah = 0.4
HANDS = {"in time": (0.0, 0.0), "early": (3.0, 8.0), "a minute early": (3.0, 63.0), "late": (20.0, 5.0)}


def small(kind: str = "real-li-ion", soc: float = 1.0) -> SimulatedCell:
    spec = KINDS[kind]
    return SimulatedCell(replace(spec, capacity_Ah=SMALL_Ah), soc)


def falls_in(cell: SimulatedCell, ohm: float, seconds: float) -> float:
    """What the cell itself shows as its resistance so long after a resistor went on; stepped here."""
    one, step_s = copy.deepcopy(cell), 0.1
    before_V = one.voltage(0.0)
    for _ in range(round(seconds / step_s)):
        current_A = -one.inner_V() / (ohm + one.series_ohm())
        one.advance(step_s, current_A)
    current_A = -one.inner_V() / (ohm + one.series_ohm())
    return (one.voltage(current_A) - before_V) / current_A


def given_Ah(cell: SimulatedCell, ohm: float, cutoff_V: float) -> float:
    """What the cell gives through a resistor down to its cut-off; stepped here."""
    one, charge_As, step_s = copy.deepcopy(cell), 0.0, 1.0
    while True:
        current_A = -one.inner_V() / (ohm + one.series_ohm())
        if one.voltage(current_A) <= cutoff_V:
            return charge_As / 3600.0
        one.advance(step_s, current_A)
        charge_As -= current_A * step_s


@pytest.mark.parametrize("hands", HANDS)
@pytest.mark.parametrize("kind", ["real-li-ion", "aged-li-ion"])
def test_capacity_and_resistance_are_true_whenever_the_clip_went_on(tmp_path: Path, kind: str, hands: str) -> None:
    clips_s, answers_s = HANDS[hands]
    off_by_U = []
    for seed in (3,) if clips_s else (1, 3):
        rng = random.Random(seed)
        bench = ResistorBench(tmp_path / str(seed), "A1", small(kind), off_by=rng.uniform(-0.003, 0.003), seed=seed)
        fresh, ohm = copy.deepcopy(bench.bench.cell), bench.ohm
        moment_s = clips_s + rng.random() if clips_s else 0.0
        outcome = bench.spend(
            "watch-resistor", moment_s, answers_s, start="declared-full", capacity_Ah=1.25 * SMALL_Ah
        )  # fmt: skip
        assert outcome.reason == "cutoff", outcome.text
        found = analyse_run(outcome.folder)
        assert abs(found["capacity_Ah"] - given_Ah(fresh, ohm, bench.plan.cutoff_V or 0.0)) < found["capacity_U_Ah"]
        shown = [one for one in found["resistances"] if one["method"] == "load step"]
        assert {10.0, 30.0} <= {one["duration_s"] for one in shown}
        off_by_U += [abs(one["ohm"] - falls_in(fresh, ohm, one["duration_s"])) / one["U_ohm"] for one in shown]
        assert max(one["U_ohm"] / one["ohm"] for one in shown) < 0.04
        codes = {one["code"] for one in found["warnings"]}
        assert ("resistor-late-corrected" in codes) == (hands == "late")
        assert ("resistor-early-counted" in codes) == ("early" in hands)
    assert max(off_by_U) < 1.3 and sum(one < 1.0 for one in off_by_U) >= 0.8 * len(off_by_U), off_by_U


def test_a_resistor_that_was_never_clipped_on_before_the_answer_is_not_made_up(tmp_path: Path) -> None:
    """In the minutes before, the voltage of a cell that only rests falls, too; a meter flickers."""
    bench = ResistorBench(tmp_path, "A1", small(), seed=9)
    bench.logger.voltage.noise = 0.004  # 4 mV a reading: each fall between two rows is as large as a small clip's
    outcome = bench.spend("watch-resistor", 0.0, 120.0, start="declared-full", capacity_Ah=0.5)
    rows = analyse_run(outcome.folder)
    assert outcome.reason == "cutoff" and rows["capacity_Ah"] < 1.01 * SMALL_Ah


def test_charged_by_a_supply_through_the_relay_then_drained_by_the_resistor(tmp_path: Path) -> None:
    """Both ways on one relay of two contacts; nothing of a resistor that is not on is counted in the charge."""
    bench = ResistorBench(tmp_path, "A1", small(soc=0.3), relay=True)
    full = bench.spend("charge", capacity_Ah=1.25 * SMALL_Ah)
    assert full.reason == "taper" and full.safe, full.text
    assert bench.bench.switch is not None and bench.bench.switch.position == "open" and not bench.bench.supply.on
    charged = analyse_run(full.folder)
    assert charged["phases"][0]["kind"] == "charge" and len(charged["phases"]) == 1
    fresh = copy.deepcopy(bench.bench.cell)
    night = bench.spend("watch-resistor", capacity_Ah=1.25 * SMALL_Ah)
    found = analyse_run(night.folder)
    assert night.reason == "cutoff" and found["start"] == "full", night.text
    assert abs(found["capacity_Ah"] - given_Ah(fresh, 10.0, bench.plan.cutoff_V or 0.0)) < found["capacity_U_Ah"]
    assert bench.bench.switch.position == "open"  # nothing drains on: the relay let go at the cut-off
    assert not found["warnings"]


def test_what_this_bench_cannot_do_is_refused_in_words(tmp_path: Path) -> None:
    bench = ResistorBench(tmp_path, "A1", small())
    for recipe, said in (("charge", "supply"), ("overnight", "watch-resistor")):
        with pytest.raises(InputError, match=said):
            make_plan(
                Request("A1", recipe, tmp_path, present=True, capacity_Ah=0.5), bench.described,
                bench.bench.clock.utc(), {},
            )  # fmt: skip
    plan, _ = make_plan(
        Request("A1", "watch-resistor", tmp_path, present=True, capacity_Ah=0.5), bench.described,
        bench.bench.clock.utc(), {},
    )  # fmt: skip
    assert any("a plain resistor drains on when the computer stops" in one for one in plan.notes["not_guarded"])
