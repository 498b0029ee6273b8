"""Is a cell worth a night: the bound, the interval, and every case in which nothing may be said."""

import math
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import pytest

from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.account.standing import Move, RestSeen, RunSeen
from amphora.harness.analysis.early_signs import Signs
from amphora.harness.decisions.screening import LEAST_CASES, Case, most_by_charge, screen
from amphora.harness.decisions.screening_shelf import charge_before
from tests.support.simulation.populations import draw_cell

LEAST_AH = 0.75


def case(rng: random.Random, name: str, capacity_Ah: float, known: bool = True, joined: bool = True) -> Case:
    ohm = 0.12 / math.sqrt(capacity_Ah) * rng.lognormvariate(0.0, 0.08) if joined else rng.uniform(0.05, 0.5)
    slope = 0.9 / capacity_Ah * rng.lognormvariate(0.0, 0.08) if joined else rng.uniform(0.3, 3.0)
    signs = Signs(4.17, ohm * 0.7, ohm, ohm * 0.3 * rng.lognormvariate(0.0, 0.2), ohm * 1.8, slope, 0.2, 21.0, 0.033)
    return Case(name, signs, True, capacity_Ah=capacity_Ah if known else None)


def shelf(count: int, joined: bool = True, seed: int = 3) -> list[Case]:
    rng = random.Random(seed)
    return [case(rng, f"c{number}", rng.uniform(0.2, 2.6), joined=joined) for number in range(count)]


def test_a_dud_and_a_good_cell_beside_it() -> None:
    rng, known = random.Random(8), shelf(40)
    dud = screen(case(rng, "dud", 0.35, known=False), known, "li-ion", LEAST_AH)
    good = screen(case(rng, "good", 2.2, known=False), known, "li-ion", LEAST_AH)
    assert dud.answer == "not worth a night" and good.answer == "worth one"
    assert dud.low_Ah is not None and dud.high_Ah is not None and dud.low_Ah < 0.35 < dud.high_Ah < LEAST_AH
    assert good.low_Ah is not None and good.high_Ah is not None and LEAST_AH < good.low_Ah < 2.2 < good.high_Ah


def test_near_what_is_asked_for_nothing_is_promised() -> None:
    near = [case(random.Random(seed), "near", LEAST_AH, known=False) for seed in range(10)]
    answers = [screen(one, shelf(40), "li-ion", LEAST_AH).answer for one in near]
    assert answers.count("cannot tell") >= 8


def test_with_fewer_than_twenty_like_cells_there_is_no_interval() -> None:
    assert LEAST_CASES == 20
    dud = case(random.Random(8), "dud", 0.3, known=False)
    few = screen(dud, shelf(19), "li-ion", LEAST_AH)
    assert few.answer == "cannot tell" and few.low_Ah is None and "19 like cells" in few.why
    assert screen(dud, shelf(20), "li-ion", LEAST_AH).low_Ah is not None


def test_cells_without_a_night_and_the_cell_itself_teach_nothing() -> None:
    known = [replace(one, capacity_Ah=None) for one in shelf(30)]
    assert screen(known[0], known, "li-ion", LEAST_AH).like_cells == 0
    itself = [replace(one, cell="one") for one in shelf(30)]
    assert screen(itself[0], itself, "li-ion", LEAST_AH).like_cells == 0


@pytest.mark.parametrize("joined", [True, False])
def test_where_the_signs_say_nothing_of_the_capacity_no_answer_is_given(joined: bool) -> None:
    answers = set()
    for seed in range(20):
        rng = random.Random(seed)
        new = case(rng, "new", rng.choice((0.3, 2.3)), known=False, joined=joined)
        answers.add(screen(new, shelf(60, joined, seed + 100), "li-ion", LEAST_AH).answer)
    assert answers == ({"worth one", "not worth a night"} if joined else {"cannot tell"})


def test_a_sign_that_no_cell_of_the_shelf_showed_is_no_ground_for_an_answer() -> None:
    known = shelf(40)
    odd = case(random.Random(8), "odd", 0.35, known=False)
    assert odd.signs is not None
    for name in ("step_ohm", "recovery_ohm", "slope_V_per_Ah"):
        strange = replace(odd, signs=replace(odd.signs, **{name: getattr(odd.signs, name) * 30.0}))
        said = screen(strange, known, "li-ion", LEAST_AH)
        assert said.answer == "cannot tell" and "lies outside" in said.why and said.low_Ah is None
        none = replace(odd, signs=replace(odd.signs, **{name: -0.01}))  # no logarithm: not to be used, either
        assert screen(none, known, "li-ion", LEAST_AH).answer == "cannot tell"


@pytest.mark.parametrize(
    ("from_V", "emptied", "most_Ah"),
    [
        (3.9, True, 0.40 * 1.02),  # a discharge had ended at its cut-off: what went in is what it holds
        (2.80, False, 0.40 * 1.02 / 0.92),  # found empty: at most 8 % was left
        (3.30, False, 0.40 * 1.02 / 0.85),
        (3.45, False, 0.40 * 1.02 / 0.715),  # between two points
        (4.01, False, None),  # nearly full: a tenth of it that was charged says nothing of the whole
        (None, False, None),
    ],
)
def test_what_went_in_and_what_was_left_at_most_bound_what_it_holds(
    from_V: float | None, emptied: bool, most_Ah: float | None
) -> None:
    one = Case("c", None, True, 0.40, from_V, emptied)
    found = most_by_charge(one, "li-ion")
    assert found == (None if most_Ah is None else pytest.approx(most_Ah))
    said = screen(one, [], "li-ion", LEAST_AH)  # needs no other cell, and no night
    assert said.answer == ("cannot tell" if most_Ah is None else "not worth a night")


def test_a_good_cell_is_not_lost_by_its_bound() -> None:
    assert screen(Case("c", None, True, 0.74, 3.2, False), [], "li-ion", LEAST_AH).answer == "cannot tell"
    half_full = Case("c", None, True, 0.36, 3.70, False)  # 0.36 Ah are 49 % of 0.75 Ah: more is left in no curve
    assert screen(half_full, [], "li-ion", LEAST_AH).answer == "cannot tell"
    assert most_by_charge(Case("c", None, True, 0.5, 3.31), "lfp") is None  # its flat middle says nothing
    assert most_by_charge(Case("c", None, True, 0.5, 3.2), "auto") is None  # of an unknown kind nothing is known


@pytest.mark.parametrize("curve", ["nmc-full", "nca", "lco"])
def test_no_open_circuit_curve_leaves_more_than_the_bound_takes(curve: str) -> None:
    # Curves: of published cells, drivers/simulated/cell.py names them; 0.03 is the margin that has to be left at least.
    cell = draw_cell(random.Random(2), "li-ion", curve=curve, shorts=()).cell
    for percent in range(0, 96, 5):
        left = percent / 100.0
        volts = SimulatedCell(cell.spec, left, 20.0).voltage(0.0)
        if volts > 4.0:
            break
        went_in_Ah = 1.0 - left
        found = most_by_charge(Case("c", None, True, went_in_Ah, volts), "li-ion")
        assert found is not None and found >= 1.03, (volts, left, found)


Kind = Literal["charge", "discharge"]


def seen(run: str, at: datetime, hours: float, kind: Kind, ah: float, from_V: float) -> RunSeen:
    end = at + timedelta(hours=hours)
    move = Move(kind, at, end, ah, 0.001, kind == "charge")  # a discharge here ended before its cut-off
    rest = RestSeen(at, at + timedelta(minutes=1), "", from_V, from_V)
    return RunSeen(
        run, at, end, kind, "unknown", "done", True, (move,), (rest,), charge_full=kind == "charge"
    )  # fmt: skip


@pytest.mark.parametrize(("rested_h", "from_V"), [(0.5, None), (1.9, None), (2.1, 3.35), (48.0, 3.35)])
def test_a_voltage_still_rising_after_a_discharge_bounds_nothing(rested_h: float, from_V: float | None) -> None:
    before = seen("first", datetime(2026, 3, 1, tzinfo=UTC), 3.0, "discharge", 0.9, 4.1)
    charged = seen("then", before.end + timedelta(hours=rested_h), 3.0, "charge", 0.6, 3.35)
    assert charge_before([before, charged], None) == (0.6, from_V, False)
