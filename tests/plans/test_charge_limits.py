"""Each limit of the charging decision and of the supply's timer by its value: a test fails when one is changed.

Values: LIMITS of this project (common practice, where no other source stands beside the constant).
"""

import pytest

from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.common.errors import Refused
from amphora.harness.plans.charge_permission import holds_of
from amphora.harness.plans.plan import Limits, Order, Plan, Segment, Step
from amphora.harness.plans.recipe import load_recipe
from amphora.harness.plans.supply_timer import armed_for_s, before_s, renew_due
from tests.plans.test_charge_permission import cell
from tests.support.plans import build_plan, permission


@pytest.mark.parametrize(("found_V", "charged"), [(3.549, True), (3.551, False), (3.62, False)])
def test_an_unidentified_cell_that_stands_near_the_limit_is_not_charged(found_V: float, charged: bool) -> None:
    known = permission(load_recipe("identify"), cell("auto", found_V))
    assert known.may_charge is charged
    assert charged or "is not charged above 3.60 V" in known.why_not


@pytest.mark.parametrize(("found_V", "key"), [(1.45, "nimh"), (1.99, "nimh"), (2.01, "auto"), (2.6, "auto")])
def test_below_2_V_the_limit_is_that_of_nickel(found_V: float, key: str) -> None:
    known = permission(load_recipe("identify" if key == "nimh" else "charge"), cell("auto", found_V))
    assert known.charging.key == key
    assert known.charge_limit_V == known.identify_V == load_chemistry(key).charge_limit_V


def test_an_unidentified_cell_between_2_and_2_5_V_gets_the_slow_pre_charge_and_no_more() -> None:
    assert permission(load_recipe("charge"), cell("auto", 2.3)).precharge_only
    assert not permission(load_recipe("charge"), cell("auto", 2.6)).precharge_only
    with pytest.raises(Refused, match="quarantine band"):
        permission(load_recipe("identify"), cell("auto", 2.3))


def test_identify_charges_a_cell_of_any_kind_to_3_60_V_at_most() -> None:
    assert permission(load_recipe("identify"), cell()).identify_V == pytest.approx(3.60)


def test_a_retired_cell_is_not_even_discharged() -> None:
    with pytest.raises(Refused, match="retired"):
        permission(load_recipe("overnight"), cell(state="retired"))


def test_no_run_makes_a_cell_one_of_the_4_35_V_class() -> None:
    known = permission(load_recipe("charge"), cell("auto", 3.3, identified={"chemistry": "li-ion-4.35"}))
    assert (known.key, known.charge_limit_V) == ("auto", pytest.approx(3.60))


# -- what it is taken to hold, and what may go in ------------------------------------------------------------


def holds(form: str = "18650", chemistry: str = "li-ion", **known: float | None):
    """As `holds_of`; a claim is of the record."""
    told: list[str] = []
    record = cell(chemistry, claim_Ah=known.pop("claim_Ah", None))
    return holds_of(
        Cell.from_dict(record), form, load_chemistry(chemistry), known.pop("given_Ah", None),
        known.pop("measured_Ah", None), told, **known,
    ), told  # fmt: skip


def test_a_charge_puts_in_a_fifth_more_than_the_cell_is_known_to_take_at_most() -> None:
    assert holds(measured_Ah=2.0)[0].charge_most_Ah == pytest.approx(2.4)
    assert holds(measured_Ah=2.0, can_take_Ah=0.5)[0].charge_most_Ah == pytest.approx(0.6)


def test_where_nobody_knows_a_tenth_more_than_its_form_can_hold_is_the_most() -> None:
    assert holds()[0].charge_most_Ah == pytest.approx(1.1 * 3.6)
    assert holds(given_Ah=1.0)[0].charge_most_Ah == pytest.approx(1.1 * 2.0)  # twice what somebody says


@pytest.mark.parametrize(
    ("form", "chemistry", "known", "first_A"),
    [
        ("18650", "li-ion", {}, 0.25),
        ("18650", "li-ion", {"claim_Ah": 1.0}, 0.125),  # 0.25 It of half the claim
        ("AA", "nimh", {"gave_Ah": 2.0}, 0.25),
        ("26650", "nimh", {"gave_Ah": 4.0}, 0.5),  # a large one
        ("18650", "li-ion", {"measured_Ah": 2.0}, None),
    ],
)  # fmt: skip
def test_the_most_current_of_a_first_charge(form: str, chemistry: str, known: dict, first_A: float | None) -> None:
    found = holds(form.lower(), chemistry, **known)[0].first_A
    assert found == (None if first_A is None else pytest.approx(first_A))


def test_a_first_charge_goes_faster_only_after_1_Ah() -> None:
    plan = build_plan("charge", cell(form="18650"), None, present=True)
    (charge,) = (step for step in plan.steps if step.kind == "charge" and step.later_current_A is not None)
    assert charge.segments[0].order.current_A == pytest.approx(0.25)
    assert (charge.later_current_A, charge.later_after_Ah) == (pytest.approx(0.4), 1.0)


def test_a_claim_above_what_the_form_can_hold_is_not_believed() -> None:
    believed, told = holds(claim_Ah=3.6)
    assert believed.claim_Ah == 3.6 and not told
    dreamt, told = holds(claim_Ah=3.61)
    assert dreamt.claim_Ah is None and "not believed" in told[0]


# -- the supply's own timer ----------------------------------------------------------------------------------


def step(kind: str, expected_s: float | None, most_s: float = 1e5) -> Step:
    order = Order("charge", voltage_V=4.2, current_A=0.2) if kind == "charge" else Order("off")
    return Step(
        kind, kind, (Segment(order, most_s),), (), most_s, True, 1.0, Limits(), expected_duration_s=expected_s
    )  # type: ignore[arg-type]  # fmt: skip


def plan_of(*steps: Step) -> Plan:
    return Plan("p", "c", "li-ion", steps, 3.0, 1.0, "assumed", "full", True, 1e9)


@pytest.mark.parametrize(
    ("steps", "armed_s"),
    [
        ([step("charge", 3600.0)], 5400.0),
        ([step("charge", 3600.0, 4000.0)], 4000.0),  # never longer than the step may last
        ([step("charge", None, 4000.0)], 4000.0),
        ([step("charge", 60.0)], 600.0),
        ([step("rest", 600.0), step("charge", 1800.0), step("charge", 3600.0)], 1.5 * 5400.0),  # one charge
        ([step("charge", 3600.0), step("rest", 600.0), step("charge", 3600.0)], 5400.0),  # two
    ],
)
def test_for_how_long_a_timer_is_armed(steps: list[Step], armed_s: float) -> None:
    assert armed_for_s(plan_of(*steps), 0, False) == pytest.approx(armed_s)
    assert armed_for_s(plan_of(*steps), 0, True) == 1800.0
    assert armed_for_s(plan_of(step("rest", 60.0)), 0, False) is None


def test_a_dead_man_s_timer_is_renewed_after_ten_minutes_and_a_third_of_a_short_one() -> None:
    assert not renew_due(599.0, 1800.0) and renew_due(600.0, 1800.0)
    assert not renew_due(599.0, 3600.0) and renew_due(600.0, 3600.0)  # a supply whose timer knows whole hours
    assert not renew_due(299.0, 900.0) and renew_due(300.0, 900.0)


def test_a_charge_is_paused_a_minute_before_its_timer_or_three_gaps_and_never_for_most_of_a_short_one() -> None:
    assert before_s(5400.0, 10.0) == 60.0 and before_s(5400.0, 40.0) == 120.0 and before_s(200.0, 10.0) == 40.0
