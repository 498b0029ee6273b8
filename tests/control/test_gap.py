"""Promises of the bounds of a gap: whatever passed under the order lies within them, and nothing is guessed."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.control.events import GuardStopped, MadeSafe, Unobserved
from amphora.harness.control.gap import MAYBE_ON, bound_gap, charge_between, ordered_A, time_is_bound_only, unacted
from amphora.harness.control.step_records import State
from amphora.harness.plans.plan import Limits, Order, Plan, Segment, Step

current = st.floats(-5.0, 5.0)
DISCHARGE = Step("d", "discharge", (Segment(Order("discharge", value=0.5), 3600.0),), (), 3600.0, False, 1.0, Limits())
PLAN = Plan("p", "c", "li-ion", (DISCHARGE,), 3.0, 1.0, "assumed", "full", False, 1e5)


def state(current_A: float | None = -0.5, order: Order = DISCHARGE.segments[0].order) -> State:
    return dataclasses.replace(State(), plan_step=0, order=order, last_current_A=current_A, last_voltage_V=3.7)


@given(current, current, st.floats(0.0, 1.0), st.floats(0.0, 1e5))
def test_a_current_between_the_one_before_and_the_one_after_is_within_the_bounds(
    before_A: float, after_A: float, share: float, seconds: float
) -> None:
    low_Ah, high_Ah = charge_between(before_A, after_A, seconds)
    assert low_Ah is not None and high_Ah is not None
    passed_Ah = (before_A + share * (after_A - before_A)) * seconds / 3600.0
    assert low_Ah - 1e-9 <= passed_Ah <= high_Ah + 1e-9


def test_a_current_that_nobody_measured_bounds_nothing() -> None:
    assert charge_between(None, None, 60.0) == (None, None)


@given(current, st.floats(0.0, 1e5), st.floats(0.0, 1e5), st.floats(0.0, 1.0))
def test_an_output_that_may_have_been_on_for_any_part_of_the_gap_is_bounded_by_all_and_nothing(
    current_A: float, from_s: float, gap_s: float, share: float
) -> None:
    found = bound_gap(PLAN, state(current_A), (), 5, from_s, from_s + gap_s, False, None)
    assert found.known == MAYBE_ON and found.from_s == from_s
    assert found.low_Ah - 1e-9 <= current_A * share * gap_s / 3600.0 <= found.high_Ah + 1e-9
    assert found.low_Ah <= 0.0 <= found.high_Ah


@given(st.floats(0.0, 1000.0))
def test_being_made_safe_after_the_last_reading_ends_the_time_under_current(safe_after_s: float) -> None:
    events = (MadeSafe(off=True, t_s=100.0 + safe_after_s, after_row=5),)
    found = bound_gap(PLAN, state(), events, 5, 100.0, 1100.0, False, None)
    assert found.low_Ah <= -0.5 * safe_after_s / 3600.0 + 1e-12 and found.high_Ah == 0.0
    assert found.low_Ah >= -0.5 * 1.06 * safe_after_s / 3600.0 - 1e-12


@pytest.mark.parametrize(
    "event",
    [
        MadeSafe(off=True, t_s=101.0, after_row=4),  # of an earlier interruption
        MadeSafe(off=False, t_s=101.0, after_row=5),  # tried, and not seen off
    ],
)
def test_a_making_safe_that_was_none_of_this_gap_bounds_nothing(event: MadeSafe) -> None:
    assert bound_gap(PLAN, state(), (event,), 5, 100.0, 1100.0, False, None).known == MAYBE_ON


def test_with_nothing_ordered_nothing_passed() -> None:
    found = bound_gap(PLAN, state(order=Order("off")), (), 5, 100.0, 1100.0, False, None)
    assert (found.low_Ah, found.high_Ah, found.off_for_s, found.known) == (0.0, 0.0, 1000.0, "nothing was on")


def test_an_order_that_nobody_saw_act_counts_with_the_current_it_lets_flow() -> None:
    found = bound_gap(PLAN, state(None), (), 0, 0.0, 3600.0, False, None)
    assert found.low_Ah <= -0.5 and found.high_Ah == 0.0


@pytest.mark.parametrize(
    ("order", "expected_A"),
    [
        (Order("charge", voltage_V=4.2, current_A=0.5), 0.5),
        (Order("discharge", value=0.5), -0.5),
        (Order("discharge", mode="resistance", value=10.0), -0.37),
        (Order("discharge", mode="power", value=1.85), -0.5),
        (Order("discharge", mode="voltage", value=3.0), 0.0),
        (Order("off"), 0.0),
    ],
)
def test_the_most_that_an_order_lets_flow(order: Order, expected_A: float) -> None:
    assert ordered_A(order, 3.7) == pytest.approx(expected_A)


def test_time_that_nobody_watched_is_given_back_where_it_is_a_bound_and_not_the_end() -> None:
    timed = dataclasses.replace(DISCHARGE, time_is_end=True)
    pulses = dataclasses.replace(DISCHARGE, kind="pulses")
    for step, given_back in ((DISCHARGE, True), (timed, False), (pulses, False)):
        plan = dataclasses.replace(PLAN, steps=(step,))
        assert time_is_bound_only(plan, state()) is given_back
        found = bound_gap(plan, state(), (), 5, 0.0, 100.0, True, -0.5)
        assert found.off_for_s == (100.0 if given_back else 0.0)
    assert not time_is_bound_only(PLAN, State())


def test_only_gaps_after_the_last_reading_that_a_step_acted_on_are_uncounted() -> None:
    def gap(after_row: int) -> Unobserved:
        return Unobserved(10.0, 40.0, -0.2, -0.1, after_row=after_row)

    stop = GuardStopped(after_row=6)
    assert unacted(PLAN, state(), (gap(3), gap(5), stop), 6) == (-0.2, -0.1, 30.0)
    assert unacted(PLAN, state(), (gap(3),), 6) == (0.0, 0.0, 0.0)
    assert unacted(PLAN, state(), (gap(0),), 0) == (0.0, 0.0, 0.0)
