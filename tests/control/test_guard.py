"""Promises of the guard."""

import dataclasses
import json

import pytest
from guard_memory import memory_from_dict, memory_to_dict
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.control import guard
from amphora.harness.control.guard import Ordered, Reading, Verdict, Watch, fold, silent
from amphora.harness.control.memory import Meters
from amphora.harness.plans.plan import Limits, Order, Plan

LIMITS = Limits(
    voltage_low_V=2.5,
    voltage_high_V=4.2,
    current_low_A=-1.0,
    current_high_A=0.5,
    temperature_low_degC=0.0,
    temperature_high_degC=45.0,
    temperature_rate_K_per_min=1.0,
    charge_Ah=1.5,
)
PLAN = Plan("p", "c", "li-ion", (), 3.0, 1.0, "assumed", "full", False, 1e5, needs_temperature=True)
DISCHARGE = Order("discharge", value=0.5)
Row = tuple[float, float | None, float | None, float | None]


class History:
    """A memory that is carried along."""

    def __init__(self) -> None:
        self.memory = guard.Memory()

    def judge(self, plan: Plan, limits: Limits, t_s: float, *values: float | None) -> Verdict:
        watch = Watch(plan, plan.cell, Meters(temperature_U_K=0.0))
        before = memory_to_dict(self.memory)
        after, verdict = guard.judge(watch, limits, self.memory, Reading(t_s, 0, *values))
        assert memory_to_dict(self.memory) == before  # what is handed in stays as it is
        assert memory_from_dict(json.loads(json.dumps(memory_to_dict(after)))) == after
        self.memory = after
        return verdict


def discharging(order: Order = DISCHARGE) -> History:
    history = History()
    history.memory = fold(history.memory, Ordered(0.0, order))
    return history


def run(history: History, *rows: Row, limits: Limits = LIMITS, plan: Plan = PLAN) -> list[Verdict]:
    return [history.judge(plan, limits, *row) for row in rows]


@pytest.mark.parametrize(
    ("check", "row"),
    [
        ("voltage-low", (5.0, 2.3, -0.5, 20.0)),
        ("voltage-high", (5.0, 4.3, -0.5, 20.0)),
        ("reversed", (5.0, -1.0, -0.5, 20.0)),
        ("current-low", (5.0, 3.7, -1.2, 20.0)),
        ("current-high", (5.0, 3.7, 0.7, 20.0)),
        ("temperature-high", (5.0, 3.7, -0.5, 46.0)),
        ("temperature-low", (5.0, 3.7, -0.5, -1.0)),
    ],
)
def test_a_first_violation_asks_for_a_second_reading_and_the_second_acts(check: str, row: Row) -> None:
    first, second = run(discharging(), row, (row[0] + 0.2, *row[1:]))
    assert first.stop is None and first.suspect is not None and first.suspect.check == check
    assert second.stop is not None and second.stop.check == check


def test_one_odd_reading_between_good_ones_does_not_stop() -> None:
    verdicts = run(discharging(), (4.0, 3.7, -0.5, 20.0), (5.0, 9.9, -0.5, 20.0), (5.2, 3.7, -0.5, 20.0))
    assert all(verdict.stop is None for verdict in verdicts)


def test_current_when_off_is_found_after_settling_and_three_readings() -> None:
    history = discharging(Order("off"))
    rows: list[Row] = [(t, 3.9, -0.3, 20.0) for t in (1.0, 2.0, 4.0, 5.0)]
    assert all(verdict.stop is None for verdict in run(history, *rows))
    (last,) = run(history, (6.0, 3.9, -0.3, 20.0))
    assert last.stop is not None and last.stop.check == "current-when-off"


def test_no_current_where_some_was_ordered_is_an_open_lead() -> None:
    verdicts = run(discharging(), *[(t, 4.0, 0.0, 20.0) for t in (4.0, 5.0, 6.0)])
    assert verdicts[-1].stop is not None and verdicts[-1].stop.check == "no-current"


@pytest.mark.parametrize(("flows_A", "check"), [(0.09, "no-current"), (0.11, "current-off-order")])
def test_less_than_a_fifth_of_what_was_ordered_is_no_current(flows_A: float, check: str) -> None:
    """Of 0.5 A: an open lead shows a trickle through the meter, a wrong setting shows more (practice)."""
    verdicts = run(discharging(), *[(t, 4.0, -flows_A, 20.0) for t in (4.0, 5.0, 6.0)])
    assert verdicts[-1].stop is not None and verdicts[-1].stop.check == check


def test_another_current_than_ordered_is_told() -> None:
    verdicts = run(discharging(), *[(t, 4.0, -0.8, 20.0) for t in (4.0, 5.0, 6.0)])
    assert verdicts[-1].stop is not None and verdicts[-1].stop.check == "current-off-order"


def test_a_voltage_that_rises_on_discharge_is_told() -> None:
    rows: list[Row] = [(4.0, 3.7, -0.5, 20.0), (5.0, 3.9, -0.5, 20.0), (6.0, 3.9, -0.5, 20.1), (7.0, 3.9, -0.5, 20.2)]
    verdicts = run(discharging(), *rows)
    assert verdicts[-1].stop is not None and verdicts[-1].stop.check == "voltage-rises"


def test_a_lost_temperature_sensor_stops_only_where_the_plan_relies_on_it() -> None:
    rows: list[Row] = [(float(t), 3.9 - t / 1e4, -0.5, None) for t in range(4, 40)]
    assert any(verdict.stop for verdict in run(discharging(), *rows))
    without = dataclasses.replace(PLAN, needs_temperature=False)
    assert not any(verdict.stop for verdict in run(discharging(), *rows, plan=without))


@pytest.mark.parametrize("degC", [-242.0, 850.0, 160.0])
def test_with_all_off_a_sensor_that_shows_what_no_cell_has_is_told_once_until_it_is_well_again(degC: float) -> None:
    # A platinum sensor's lead open or short shows an end of its range (common practice).
    history = discharging(Order("off"))
    told = []
    for t_s, shows in enumerate((20.0, degC, degC, 20.0, 20.1, degC, degC)):
        told.append(history.judge(PLAN, Limits(), float(t_s), 3.9, 0.0, shows).told)
    assert [bool(text) for text in told] == [False, True, False, False, False, True, False]
    assert f"{degC:.1f} °C" in told[1] and "not taken for the cell's temperature" in told[1]


def test_with_all_off_a_sensor_that_falls_silent_is_told_once_where_the_plan_relies_on_it() -> None:
    for plan, times in ((PLAN, 1), (dataclasses.replace(PLAN, needs_temperature=False), 0)):
        history = discharging(Order("off"))
        told = []
        for t_s, shows in [(0.0, 20.0), (1.0, 20.1), *((float(t), None) for t in range(2, 60))]:
            told.append(history.judge(plan, Limits(), t_s, 3.9, 0.0, shows).told)
        assert len([text for text in told if text]) == times


def test_a_stop_by_a_temperature_that_no_cell_has_names_the_sensor() -> None:
    verdicts = run(discharging(), (5.0, 3.7, -0.5, -242.0), (5.2, 3.7, -0.5, -242.0))
    assert verdicts[-1].stop is not None and "open or short sensor" in verdicts[-1].stop.text


def test_warming_faster_than_allowed_stops() -> None:
    rows: list[Row] = [(float(t), 3.9 - t / 1e4, -0.5, 20.0 + t * 2.0 / 60.0) for t in range(4, 120, 2)]
    stops = [verdict.stop for verdict in run(discharging(), *rows) if verdict.stop]
    assert stops and stops[0].check == "temperature-rate"


def test_more_charge_than_such_a_cell_can_hold_stops() -> None:
    rows: list[Row] = [(float(t), 3.9 - t / 1e6, -0.5, 20.0 + t / 1e4) for t in range(4, 3600 * 4, 60)]
    stops = [verdict.stop for verdict in run(discharging(), *rows) if verdict.stop]
    assert stops and stops[0].check == "charge"


def test_the_age_of_the_last_reading_is_judged() -> None:
    assert silent(10.0, 100.0, 95.0).stop is None
    late = silent(10.0, 100.0, 80.0)
    assert late.stop is not None and late.stop.check == "no-reading"


@given(
    st.lists(
        st.tuples(
            st.none() | st.floats(3.9, 4.1),
            st.none() | st.floats(-0.54, -0.46),
            st.none() | st.floats(15.0, 15.9),
        ),
        min_size=1,
        max_size=50,
    )
)
def test_good_readings_never_stop_a_run(rows: list[tuple[float | None, float | None, float | None]]) -> None:
    falling = sorted(((v for v, _, _ in rows if v is not None)), reverse=True)
    history = discharging()
    for number, (voltage_V, current_A, temperature_degC) in enumerate(rows):
        if voltage_V is not None:
            voltage_V = falling.pop(0)
        if number % 10 == 0:
            temperature_degC = 15.5
        verdict = history.judge(PLAN, LIMITS, 4.0 + number, voltage_V, current_A, temperature_degC)
        assert verdict.stop is None


@given(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(-300, 1e3))
def test_a_reading_outside_the_limits_never_passes_twice(voltage_V: float, current_A: float, degC: float) -> None:
    tolerance = LIMITS.voltage_tolerance_V
    inside = 2.5 - tolerance <= voltage_V <= 4.2 + tolerance and -1.07 <= current_A <= 0.545 and 0.0 <= degC <= 45.0
    history = discharging()
    run(history, (1.0, voltage_V, current_A, degC))
    (second,) = run(history, (1.2, voltage_V, current_A, degC))
    assert (second.stop is None) == inside


def test_a_held_voltage_is_not_frozen() -> None:
    history = discharging(Order("charge", voltage_V=4.2, current_A=0.5))
    rows: list[Row] = [(float(t), 4.2, 0.4 - t / 1e5, 20.0 + t / 1000) for t in range(4, 900)]
    assert all(verdict.stop is None for verdict in run(history, *rows))


def test_another_cell_under_one_order_is_a_jump_of_the_voltage() -> None:
    rows: list[Row] = [(4.0, 3.7, -0.5, 20.0), (5.0, 3.7, -0.501, 20.0), (6.0, 3.3, -0.5, 20.0), (6.2, 3.3, -0.5, 20.0)]
    verdicts = run(discharging(), *rows)
    assert verdicts[2].suspect is not None and verdicts[2].suspect.check == "voltage-jump"
    assert verdicts[3].stop is not None and verdicts[3].stop.check == "voltage-jump"


def test_a_person_who_moves_the_leads_as_asked_is_no_jump_of_the_voltage() -> None:
    rows: list[Row] = [(float(t), 4.1 if t < 20 else 0.002 if t < 30 else 3.6, 0.0, 20.0 + t / 100) for t in range(60)]
    asked = run(discharging(Order("ask", text="Move the leads.")), *rows, limits=Limits())
    assert not any(verdict.stop or verdict.suspect for verdict in asked)
    at_rest = run(discharging(Order("off")), *rows, limits=Limits())
    assert [verdict.stop.check for verdict in at_rest if verdict.stop][:1] == ["voltage-jump"]


def test_a_supply_that_gives_nothing_although_ordered_is_told() -> None:
    history = discharging(Order("charge", voltage_V=4.2, current_A=0.5))
    verdicts = run(history, *[(t, 3.7, 0.0, 20.0) for t in (4.0, 5.0, 6.0)])
    assert verdicts[-1].stop is not None and verdicts[-1].stop.check == "no-current"


def warm(*rows: tuple[float, float, float | None], plan: Plan = PLAN) -> list[Verdict]:
    """Judge readings of (t, cell, room)."""
    history = discharging()
    return [history.judge(plan, LIMITS, t, 3.7 - t / 1000, -0.5, cell, room) for t, cell, room in rows]


def test_a_cell_15_kelvin_above_the_room_is_stopped_by_the_second_reading() -> None:
    fine, first, second = warm((5.0, 34.9, 20.0), (6.0, 35.2, 20.0), (6.2, 35.2, 20.0))
    assert fine == guard.FINE
    assert first.stop is None and first.suspect is not None and first.suspect.check == "room-rise"
    assert second.stop is not None and second.stop.check == "room-rise"
    assert second.stop.limit == 15.0 and "above the room" in second.stop.text


def test_a_single_odd_reading_of_the_room_stops_nothing() -> None:
    assert all(v.stop is None for v in warm((5.0, 30.0, 20.0), (6.0, 30.0, 2.0), (6.2, 30.0, 20.0), (7.0, 30.0, 20.0)))


@pytest.mark.parametrize("room", [None, -242.0, 85.0])
def test_without_a_room_sensor_that_can_be_right_there_is_nothing_to_compare_with(room: float | None) -> None:
    assert warm((5.0, 40.0, room), (6.0, 40.0, room), (6.2, 40.0, room))[-1] == guard.FINE


def test_a_warm_room_is_no_fault_of_the_cell() -> None:
    assert warm((5.0, 38.0, 30.0), (6.0, 38.0, 30.0))[-1] == guard.FINE


PRE_CHARGE = dataclasses.replace(LIMITS, temperature_rise_K=5.0, reach_V=3.0, reach_within_s=3600.0)
CHARGE = Order("charge", voltage_V=4.2, current_A=0.1)


def test_a_cell_that_does_not_take_the_pre_charge_is_stopped_when_its_time_is_over() -> None:
    rows: list[Row] = [(60.0 * k, 2.6 + k / 1000, 0.1, 20.0 + k / 1000) for k in range(1, 61)]
    verdicts = run(discharging(CHARGE), *rows, limits=PRE_CHARGE)
    assert all(verdict == guard.FINE for verdict in verdicts[:-1])
    stop = verdicts[-1].stop
    assert stop is not None and stop.check == "takes-no-charge"
    assert "does not take charge" in stop.text and "60 min" in stop.text


def test_a_cell_that_takes_the_pre_charge_is_left_alone() -> None:
    rows: list[Row] = [(60.0 * k, 2.6 + k / 100, 0.1, 20.0 + k / 1000) for k in range(1, 61)]
    assert all(v == guard.FINE for v in run(discharging(CHARGE), *rows, limits=PRE_CHARGE))


def test_a_cell_that_warms_in_the_pre_charge_is_stopped_by_the_second_reading() -> None:
    rows: list[Row] = [(600.0 * k, 2.6 + k / 100, 0.1, 20.0 + k) for k in range(6)]
    *fine, suspect, stop = run(discharging(CHARGE), *rows, (3000.5, 2.65, 0.1, 25.3), (3001.0, 2.651, 0.1, 25.3),
                               limits=PRE_CHARGE)  # fmt: skip
    assert all(verdict == guard.FINE for verdict in fine)
    assert suspect.suspect is not None and suspect.stop is None
    assert stop.stop is not None and stop.stop.check == "temperature-rise"
