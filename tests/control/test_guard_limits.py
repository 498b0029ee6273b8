"""Limits of the guard by their values where no other test held them: pure, readings made by hand.

Sources stand beside the constants in harness/control/slopes.py, warmth.py and taper.py.
"""

import random
from dataclasses import replace

import pytest

from amphora.harness.control.guard import Ordered, Reading, TimeUnseen, fold, forbids, judge
from amphora.harness.control.memory import OFF
from amphora.harness.control.step_records import State
from amphora.harness.control.stepping import _charging_order
from amphora.harness.control.taper import TaperSoFar, vanished
from amphora.harness.plans.plan import Limits, Order, Segment, Step
from tests.control.test_guard_cell import (
    CHARGE,
    DOWN,
    LFP,
    REST,
    UP,
    Guarded,
    alive,
    charged,
    climbs,
    warmed,
)


def rested_after_a_fall(early_mV_per_min: float, late_mV_per_min: float) -> Guarded:
    """A charge whose voltage fell by 60 mV, and the ten minutes of rest after it: two rates, the second from 280 s."""
    run = charged(lambda t: 3.7 + min(t, 3000.0) / 3e5 - (0.060 if t > 3000.0 else 0.0), hours=3300.0 / 3600.0)
    assert run.first == "voltage-falls"
    run.said = []
    run.memory = fold(run.memory, Ordered(run.t_s, OFF))

    def volts(t: float) -> float:
        fell_mV = early_mV_per_min * min(t, 280.0) / 60.0 + late_mV_per_min * max(t - 280.0, 0.0) / 60.0
        return 3.6 - fell_mV / 1000.0

    return run.go(REST, 600.0, lambda t: (volts(t), 0.0, 20.0), 2.0)


@pytest.mark.parametrize(
    ("early", "late", "check"),
    [
        (6.0, 6.0 * 0.77, "short-inside"),  # what drains does not slow down
        (6.0, 6.0 * 0.73, ""),  # what relaxes does
        (1.6, 1.6, "short-inside"),  # 6.6 mV in the later stretch
        (1.3, 1.3, ""),  # 5.4 mV: as steady as a contact
        (0.2, 1.3, ""),
        (8.0, 3.0, ""),  # 12 mV, and ever slower
    ],
)
def test_what_falls_on_in_the_rest_after_a_fall_is_a_short(early: float, late: float, check: str) -> None:
    assert rested_after_a_fall(early, late).first == check


@pytest.mark.parametrize(("fall_V", "check"), [(0.036, ""), (0.044, "voltage-falls")])
def test_a_contact_may_change_by_20_milliohm(fall_V: float, check: str) -> None:
    run = Guarded().order(replace(CHARGE, current_A=2.0))
    limits = replace(UP, current_high_A=2.0)

    def volts(t: float) -> float:
        return 3.7 + min(t, 3000.0) / 3e5 - (fall_V if t > 3000.0 else 0.0) + alive(t)

    run.go(limits, 4000.0, lambda t: (volts(t), 2.0, 20.0 + alive(t / 60)), 2.0)
    assert run.first == check


def test_a_fall_beyond_six_times_the_scatter_is_found() -> None:
    rng = random.Random(4)
    run = charged(lambda t: 3.7 + t / 3e5 + rng.gauss(0.0, 0.010) - (0.075 if t > 3000.0 else 0.0))
    assert run.first == "voltage-falls"


@pytest.mark.parametrize(("top_V", "check"), [(4.10, "voltage-falls"), (4.195, "")])
def test_a_voltage_is_held_only_within_50_mV_of_the_set_one(top_V: float, check: str) -> None:
    assert charged(lambda t: top_V - (0.035 if t > 3000.0 else 0.0), hours=1.2).first == check


def test_an_lfp_cell_at_rest_is_judged_from_the_fifth_hour_on() -> None:
    run = Guarded(LFP).order(OFF)
    run.go(REST, 8 * 3600.0, lambda t: (3.3 - 0.030 * t / 3600.0, 0.0, 20.0), 60.0)
    assert run.first == "falls-at-rest" and 5 * 3600.0 <= run.when < 5.3 * 3600.0


@pytest.mark.parametrize(("steeper", "check"), [(5.0, "climbs-as-lfp"), (3.5, "")])
def test_four_times_as_steep_as_before_is_the_end_of_an_lfp_cell(steeper: float, check: str) -> None:
    end_min = 65.0 + 200.0 / (1.5 * steeper)  # 1.5 mV a minute before
    run = climbs([(0, 3.30), (5, 3.36), (65, 3.45), (end_min, 3.65), (end_min + 4, 3.65 + 0.006 * steeper)])
    assert run.first == check


# -- warmth ------------------------------------------------------------------------------------------------------


def test_a_room_sensor_that_shows_what_no_room_has_hides_no_rise() -> None:
    run = warmed(CHARGE, UP, 14.0, room=lambda t: 20.0, later=lambda t: 85.0)
    assert run.first == "temperature-rise"


def test_above_half_an_it_a_cell_may_be_as_far_above_the_room_as_it_may_rise() -> None:
    fast = Order("discharge", value=0.6)
    assert warmed(fast, DOWN, 20.0, room=lambda t: 20.0, later=lambda t: 20.0).first == ""


def test_no_used_cell_is_discharged_from_above_50_degC_whatever_the_step_says() -> None:
    watch = Guarded().watch
    order = Order("discharge", value=0.4)
    found = forbids(watch, replace(DOWN, temperature_high_degC=60.0), 50.1, order)
    assert found is not None and found.check == "too-warm"
    assert forbids(watch, replace(DOWN, temperature_high_degC=60.0), 49.9, order) is None
    assert forbids(watch, replace(DOWN, temperature_high_degC=None), 50.1, order) is not None


# -- the pre-charge, and the taper ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("after_s", "check"), [(1790.0, ""), (1801.0, "takes-no-charge")])
def test_what_the_pre_charge_does_not_bring_to_its_voltage_in_its_time_takes_no_charge(
    after_s: float, check: str
) -> None:
    run = Guarded().order(replace(CHARGE, current_A=0.1))
    limits = replace(UP, current_high_A=0.1, reach_V=3.0, reach_within_s=1800.0)
    run.go(limits, after_s, lambda t: (2.7 + alive(t), 0.1, 20.0 + alive(t / 60)))
    assert run.first == check


@pytest.mark.parametrize(("now_A", "gone"), [(0.009, True), (0.011, False)])
def test_less_than_a_fifth_of_the_threshold_is_no_current_of_a_charge(now_A: float, gone: bool) -> None:
    assert bool(vanished(TaperSoFar(fell_from_A=0.145, recent=((0.0, now_A),)), 0.050)) is gone


def test_a_current_that_flows_out_in_a_charge_is_not_the_one_ordered() -> None:
    run = Guarded().order(CHARGE)
    run.go(replace(UP, current_low_A=None), 20.0, lambda t: (3.7 + alive(t), -0.025, 20.0))
    assert run.first == "current-off-order"
    memory = Guarded().order(CHARGE)
    _, verdict = judge(memory.watch, UP, memory.memory, Reading(10.0, 0, 3.7, 0.4, 20.0))
    assert verdict.stop is None


@pytest.mark.parametrize(("off_h", "check"), [(1.9, "temperature-rise"), (2.1, "")])
def test_only_after_two_hours_off_has_a_cell_the_warmth_of_the_room_anew(off_h: float, check: str) -> None:
    run = Guarded().order(OFF).go(REST, 600.0, lambda t: (3.6, 0.0, 20.0), 10.0)
    run.order(CHARGE).go(UP, 600.0, lambda t: (3.7 + alive(t), 0.4, 20.0 + alive(t)), 10.0)
    run.memory = fold(run.memory, Ordered(run.t_s, OFF))
    run.memory = fold(run.memory, TimeUnseen(run.t_s, run.t_s + off_h * 3600.0, 0.0, 0.0, 0.0, 0.0))
    run.t_s += off_h * 3600.0
    run.go(REST, 600.0, lambda t: (3.68, 0.0, 26.0), 10.0)
    run.memory = fold(run.memory, Ordered(run.t_s, CHARGE))
    run.go(UP, 1800.0, lambda t: (3.7 + alive(t), 0.4, 26.0 + 5.0 * t / 1800.0), 10.0)
    assert run.first == check


@pytest.mark.parametrize(("degC", "current_A"), [(9.9, 0.1), (10.1, 0.4), (None, 0.4)])
def test_below_10_degC_a_charge_has_the_current_of_the_cold(degC: float | None, current_A: float) -> None:
    step = Step(
        "charge", "charge", (Segment(CHARGE, 1e4),), (), 1e4, True, 1.0, Limits(), cold_current_A=0.1,
        later_current_A=0.8, later_after_Ah=1.0,
    )  # fmt: skip
    assert _charging_order(step, State(temperature_degC=degC), CHARGE).current_A == current_A
    later = State(temperature_degC=degC, charge_Ah=1.01)
    assert _charging_order(step, later, CHARGE).current_A == (0.1 if current_A == 0.1 else 0.8)  # the cold goes before
    assert _charging_order(step, State(temperature_degC=degC, charge_Ah=0.99), CHARGE).current_A == current_A
