"""Promises of the pure stepping."""

import math

from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.control.step_records import Advance, Answered, Attendance, Begin, Resume, Sample
from amphora.harness.control.stepping import advance, initial
from amphora.harness.plans.plan import End, Limits, Order, Plan, Segment, Step, plan_from_dict, plan_to_dict

LIMITS = Limits(2.0, 4.25, -2.0, 2.0)


def step(kind: str = "discharge", **changes: object) -> Step:
    fields: dict[str, object] = {
        "name": kind,
        "kind": kind,
        "segments": (Segment(Order("discharge", value=0.5), 36000.0),),
        "ends": (End("cutoff", "voltage_V", "<=", 3.0),),
        "max_duration_s": 36000.0,
        "time_is_end": False,
        "sample_interval_s": 1.0,
        "limits": LIMITS,
        "cutoff_V": 3.0,
    }
    return Step(**{**fields, **changes})  # type: ignore[arg-type]


def rest(seconds: float = 10.0) -> Step:
    return step(
        "rest",
        segments=(Segment(Order("off"), seconds),),
        ends=(),
        max_duration_s=seconds,
        time_is_end=True,
    )


def plan(*steps: Step, **changes: object) -> Plan:
    fields: dict[str, object] = {
        "profile": "p", "cell_id": "c", "chemistry": "li-ion", "steps": steps, "cutoff_V": 3.0,
        "capacity_Ah": 1.0, "capacity_source": "assumed", "start": "full", "charges": False,
        "max_duration_s": 1e5,
    }  # fmt: skip
    return Plan(**{**fields, **changes})  # type: ignore[arg-type]


def feed(the_plan: Plan, *records: object) -> tuple[list[Advance], Advance]:
    state = initial(the_plan)
    seen = []
    for record in records:
        result = advance(the_plan, state, record)  # type: ignore[arg-type]
        state = result.state
        seen.append(result)
    return seen, seen[-1]


def test_a_single_reading_at_the_cutoff_does_not_end_the_discharge_but_two_do() -> None:
    the_plan = plan(step(), rest())
    seen, last = feed(
        the_plan,
        Begin(0.0),
        Sample(1.0, 3.4, -0.5, 20.0),
        Sample(2.0, 2.99, -0.5, 20.0),
        Sample(2.2, 3.02, -0.5, 20.0),
        Sample(3.0, 2.99, -0.5, 20.0),
        Sample(3.2, 2.98, -0.5, 20.0),
    )
    assert seen[2].state.wants_soon
    assert not seen[2].events and not seen[4].events
    assert [event["kind"] for event in last.events] == ["step-ended", "step-begun"]
    assert last.events[0]["reason"] == "cutoff"
    assert last.orders == (Order("off"),)


def test_a_sag_inside_a_pulse_never_ends_the_step() -> None:
    pulses = step(
        "pulses",
        segments=(
            Segment(Order("off"), 10.0),
            Segment(Order("discharge", value=0.5), 10.0, pulse=True),
            Segment(Order("off"), 10.0),
        ),
        max_duration_s=100.0,
    )
    records = [Begin(0.0)] + [Sample(float(t), 3.9, 0.0, 20.0) for t in range(1, 11)]
    records += [Sample(float(t), 2.5, -0.5, 20.0) for t in range(11, 20)]
    seen, last = feed(plan(pulses), *records)
    assert any(order.kind == "discharge" for one in seen for order in one.orders)
    assert not last.state.finished
    assert last.state.step == 0


def test_a_pulse_that_would_sag_to_near_the_cutoff_is_skipped_and_said_so() -> None:
    pulses = step(
        "pulses",
        segments=(
            Segment(Order("off"), 10.0),
            Segment(Order("discharge", value=1.0), 10.0, pulse=True),
            Segment(Order("off"), 10.0),
        ),
        max_duration_s=100.0,
    )
    seen, last = feed(
        plan(pulses, assumed_resistance_ohm=0.2),
        Begin(0.0),
        Sample(5.0, 3.25, 0.0, 20.0),
        Sample(10.0, 3.25, 0.0, 20.0),
    )
    skipped = [event for event in last.events if event["kind"] == "pulse-skipped"]
    assert len(skipped) == 1 and math.isclose(skipped[0]["predicted_V"], 3.05)
    assert not any(order.kind == "discharge" for one in seen for order in one.orders)


def test_a_step_that_reaches_its_bound_in_time_ends_the_run_with_guard_time() -> None:
    bounded = step(segments=(Segment(Order("discharge", value=0.5), 20.0),), max_duration_s=20.0)
    _, last = feed(plan(bounded, rest()), Begin(0.0), Sample(10.0, 3.9, -0.5, None), Sample(20.0, 3.9, -0.5, None))
    assert last.state.finished == "guard:time"
    assert last.orders == (Order("off"),)


def test_time_that_is_the_normal_end_goes_on_with_the_next_step() -> None:
    _, last = feed(plan(rest(10.0), step()), Begin(0.0), Sample(10.0, 4.0, 0.0, None))
    assert last.state.step == 1
    assert last.orders == (Order("discharge", value=0.5),)


def test_taper_is_judged_only_once_the_voltage_is_held() -> None:
    charge = step(
        "charge",
        segments=(Segment(Order("charge", voltage_V=4.2, current_A=0.5), 36000.0),),
        ends=(End("taper", "current_A", "<=", 0.05),),
    )
    seen, last = feed(
        plan(charge),
        Begin(0.0),
        Sample(1.0, 3.7, 0.0, None),
        Sample(10.0, 3.7, 0.01, None),
        Sample(11.0, 3.7, 0.01, None),
        Sample(5000.0, 4.2, 0.04, None),
        Sample(5000.2, 4.2, 0.04, None),
    )
    assert not any(one.events for one in seen[1:5])
    assert last.state.finished == "taper"


def test_the_second_pass_takes_It_from_the_first_complete_discharge() -> None:
    again = step(segments=(Segment(Order("discharge", value=0.2, in_It=True), 36000.0),))
    _, last = feed(
        plan(step(), rest(10.0), again, max_current_A=2.0),
        Begin(0.0),
        Sample(0.0, 4.0, -0.5, None),
        Sample(3600.0, 2.9, -0.5, None),
        Sample(3600.2, 2.9, -0.5, None),
        Sample(3610.2, 3.3, 0.0, None),
    )
    assert last.orders[0].value is not None
    assert math.isclose(last.orders[0].value, 0.2 * 0.5, rel_tol=1e-3)


def test_an_ask_waits_for_the_person_and_no_longer_than_its_bound() -> None:
    ask = step("ask", segments=(Segment(Order("ask", text="move the leads"), 600.0),), ends=(), max_duration_s=600.0)
    the_plan = plan(ask, rest())
    _, waiting = feed(the_plan, Begin(0.0), Sample(1.0, 3.9, 0.0, None))
    assert waiting.state.waiting == "person"
    _, done = feed(the_plan, Begin(0.0), Sample(1.0, 3.9, 0.0, None), Answered(2.0))
    assert done.events[0]["reason"] == "person" and done.state.step == 1
    _, late = feed(the_plan, Begin(0.0), Sample(601.0, 3.9, 0.0, None))
    assert late.state.finished == "guard:time"


def test_a_charge_waits_for_the_attended_hours_and_pauses_when_they_end() -> None:
    charge = step(
        "charge",
        segments=(Segment(Order("charge", voltage_V=4.2, current_A=0.5), 36000.0),),
        ends=(End("taper", "current_A", "<=", 0.05),),
        hours=(18.0, 23.0),
    )
    seen, last = feed(
        plan(charge),
        Attendance(0.0, True),
        Begin(0.0),
        Sample(1.0, 3.8, 0.5, None),
        Attendance(2.0, False),
        Attendance(3.0, True),
    )
    assert seen[1].orders[0].kind == "charge"
    assert seen[3].orders == (Order("off"),) and seen[3].state.waiting == "hours"
    assert last.orders[0].kind == "charge"


def test_a_resume_gives_the_order_again_and_stops_the_step_clock_for_the_time_off() -> None:
    _, last = feed(
        plan(step()),
        Begin(0.0),
        Sample(100.0, 3.9, -0.5, None),
        Resume(1000.0, 900.0, -0.1, 0.0),
    )
    assert last.orders == (Order("discharge", value=0.5),)
    assert math.isclose(last.state.step_began_s, 900.0)
    assert math.isclose(last.state.charge_Ah, -0.5 * 100 / 3600 - 0.05, rel_tol=1e-6)


def test_advance_leaves_the_state_it_was_given_as_it_is() -> None:
    the_plan = plan(step(), rest())
    state = advance(the_plan, initial(the_plan), Begin(0.0)).state
    before = repr(state)
    advance(the_plan, state, Sample(5.0, 3.0, -0.5, 25.0))
    assert repr(state) == before


@given(
    st.lists(
        st.tuples(
            st.floats(0.01, 400.0),
            st.none() | st.floats(-1, 6),
            st.none() | st.floats(-3, 3),
            st.none() | st.floats(-20, 90),
        ),
        max_size=60,
    )
)
def test_whatever_is_read_steps_only_go_forward_and_nothing_energises_after_the_end(
    readings: list[tuple[float, float | None, float | None, float | None]],
) -> None:
    charge = step(
        "charge",
        segments=(Segment(Order("charge", voltage_V=4.2, current_A=0.5), 3600.0),),
        ends=(End("taper", "current_A", "<=", 0.05), End("condition", "temperature_rise_K", ">=", 10.0)),
    )
    the_plan = plan(rest(), step(), rest(), charge, rest())
    state, _, _ = advance(the_plan, initial(the_plan), Begin(0.0))
    t_s, at = 0.0, state.step
    for wait_s, voltage_V, current_A, temperature_degC in readings:
        t_s += wait_s
        finished = state.finished
        state, orders, events = advance(the_plan, state, Sample(t_s, voltage_V, current_A, temperature_degC))
        assert state.step in (at, at + 1)
        at = state.step
        if finished:
            assert not orders and not events
        if state.finished:
            assert state.order.kind == "off"


def test_a_plan_survives_the_way_through_json() -> None:
    import json

    the_plan = plan(rest(), step(hours=(18.0, 23.0)), warnings=("a",))
    assert plan_from_dict(json.loads(json.dumps(plan_to_dict(the_plan)))) == the_plan
