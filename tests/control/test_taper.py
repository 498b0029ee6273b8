"""Is it a taper? The pure judgement of a current in constant voltage: sick courses beside healthy ones.

The limits are those of the project's own LIMITS page (common practice; the 29 mA that a healthy cell's current may rise
by are from open records of laboratory cells). Each test fails when its limit is changed.
"""

import math

import pytest

from amphora.harness.control.taper import TaperSoFar, falling, follow, no_taper, threshold_A, vanished
from amphora.harness.plans.plan import Taper

RULE = Taper(share_It=0.05, resolution_A=0.001, U_A=0.002)
ORDER_A = 0.4
THRESHOLD_A = 0.05


def played(current, hours, every_s=10.0, rule=RULE, threshold=THRESHOLD_A):
    """Play a current (a function of hours in constant voltage) after ten minutes at the ordered one."""
    course, told = TaperSoFar(), ""
    t_s = 0.0
    while t_s < 600.0:
        course = follow(course, rule, t_s, ORDER_A, False, ORDER_A)
        t_s += every_s
    while t_s < 600.0 + hours * 3600.0 and not told:
        course = follow(course, rule, t_s, current((t_s - 600.0) / 3600.0), True, ORDER_A)
        if not course.minute_n:
            told = no_taper(course, rule, threshold)
        t_s += every_s
    return told, (t_s - 600.0) / 3600.0, course


def test_a_current_that_stands_because_a_short_takes_it_ends_after_its_hour_and_a_healthy_one_does_not():
    # EVIDENCE: 50 ohm take 85 mA, 25 ohm 168 mA at 4.2 V, and the current never gets below.
    for short_A in (0.085, 0.168):
        told, hours, _ = played(lambda h, a=short_A: a + (ORDER_A - a) * math.exp(-h / 0.35), 4.0)
        assert "stands at" in told, short_A
        assert 1.0 < hours < 2.7
    told, _, _ = played(lambda h: ORDER_A * math.exp(-h / 0.35), 0.35 * math.log(ORDER_A / THRESHOLD_A))
    assert told == ""
    slow, _, _ = played(lambda h: ORDER_A * math.exp(-h / 1.8), 1.8 * math.log(ORDER_A / THRESHOLD_A))
    assert slow == "", "a worn cell whose taper takes nearly four hours"


def test_ten_percent_an_hour_is_the_limit():
    # I = I0 exp(-h/tau): 10 % in 60 min is tau = 1/-ln(0.9) = 9.49 h (closed form)
    def hour(tau):
        return played(lambda h: 0.3 * math.exp(-h / tau), 1.3)[0]

    assert "stands at" in hour(10.5)
    assert hour(8.6) == ""


def test_near_its_end_a_current_may_stand():
    # above 1.5 times the threshold and 3 U of the meter: 0.075 + 0.006 A
    assert "stands at" in played(lambda h: 0.083, 3.0)[0]
    assert played(lambda h: 0.080, 3.0)[0] == ""
    unsure = Taper(0.05, 0.001, 0.004)  # 3 U are 12 mA now
    assert played(lambda h: 0.083, 3.0, rule=unsure)[0] == ""


def test_constant_voltage_of_more_than_four_hours_is_no_taper():
    falls = lambda h: 0.078 - 0.006 * h  # noqa: E731 - a course
    assert "held for 4.0 h" in played(falls, 4.4, threshold=0.05)[0]
    told, hours, _ = played(falls, 3.9, threshold=0.05)
    assert told == ""
    assert hours == pytest.approx(3.9, abs=0.01)


def test_a_current_that_rises_again_ends_and_the_rise_of_a_healthy_cell_does_not():
    def course(rise_A, minutes):
        def current(h):
            fallen = 0.10 + 0.3 * math.exp(-h / 0.1)
            return fallen + (rise_A if 0.8 <= h < 0.8 + minutes / 60.0 else 0.0)

        return played(current, 0.95)[0]

    assert "rises again" in course(0.031, 6)
    assert course(0.029, 6) == "", "29 mA over the lowest, measured on healthy cells"
    assert course(0.050, 2) == "", "for less than three minutes"


def test_a_tenth_of_a_large_current_is_what_it_may_rise():
    def current(rise):
        return lambda h: (0.9 * math.exp(-h / 0.5) + 0.4) if h < 0.8 else rise

    def told(rise):
        course, text, t_s = TaperSoFar(), "", 0.0
        while t_s < 600.0:
            course = follow(course, RULE, t_s, 1.5, False, 1.5)
            t_s += 10.0
        while t_s < 600.0 + 3600.0 and not text:
            course = follow(course, RULE, t_s, current(rise)((t_s - 600.0) / 3600.0), True, 1.5)
            if not course.minute_n:
                text = no_taper(course, RULE, 0.05)
            t_s += 10.0
        return text

    lowest_A = 0.9 * math.exp(-1.6) + 0.4
    assert "rises again" in told(1.13 * lowest_A)
    assert told(1.07 * lowest_A) == "", "7 % of 0.58 A are 41 mA, less than a tenth"


@pytest.mark.parametrize("every_s", [1.0, 60.0])
def test_a_current_that_vanishes_is_no_taper_and_one_that_falls_to_its_end_is(every_s):
    # EVIDENCE: 0.145 A, then 0 by the trip of a timer, was written as a taper
    tripped = played(lambda h: 0.4 * math.exp(-h / 0.35) if h < 0.35 else 0.0003, 0.35 + every_s / 3600.0, every_s)[2]
    assert "no taper" in vanished(tripped, THRESHOLD_A)
    healthy = played(lambda h: 0.4 * math.exp(-h / 0.35), 0.35 * math.log(8.0) + 0.02, every_s)[2]
    assert healthy.recent[-1][1] <= THRESHOLD_A
    assert vanished(healthy, THRESHOLD_A) == ""
    assert not falling(healthy, healthy.recent[-1][0])


def test_what_falls_by_half_within_ten_seconds_waits_for_what_it_comes_to():
    course = played(lambda h: 0.09 if h < 0.3 else 0.04, 0.3 + 2.0 / 3600.0, 1.0)[2]
    assert falling(course, course.recent[-1][0])
    later = played(lambda h: 0.09 if h < 0.3 else 0.04, 0.3 + 20.0 / 3600.0, 1.0)[2]
    assert not falling(later, later.recent[-1][0]), "something flows all the same: it is the cell's current"
    assert vanished(later, THRESHOLD_A) == ""


def test_a_fall_within_the_meter_s_last_digits_is_none():
    coarse = Taper(0.05, 0.010, 0.008)
    course = played(lambda h: 0.06 if h < 0.3 else 0.02, 0.3 + 3.0 / 3600.0, 1.0, rule=coarse)[2]
    assert course.fell_from_A == 0.0, "40 mA are four steps of 10 mA"
    course = played(lambda h: 0.12 if h < 0.3 else 0.02, 0.3 + 3.0 / 3600.0, 1.0, rule=coarse)[2]
    assert course.fell_from_A == pytest.approx(0.12)


def test_the_threshold_grows_with_what_has_been_charged_and_stays_below_the_order():
    assert threshold_A(RULE, 0.05, 0.8, 1.0) == 0.05
    assert threshold_A(RULE, 0.05, 3.0, 1.0) == pytest.approx(0.15)
    assert threshold_A(RULE, 0.05, 3.0, 0.25) == pytest.approx(0.125), "half of what is ordered"


def test_a_cell_that_was_full_and_has_a_short_is_seen_too():
    course, told = TaperSoFar(), ""
    for t_s in range(0, 2 * 3600, 10):
        course = follow(course, RULE, float(t_s), 0.085, True, ORDER_A)
        if not course.minute_n:
            told = told or no_taper(course, RULE, THRESHOLD_A)
    assert "stands at" in told
