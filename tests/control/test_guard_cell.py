"""Promises of the guard of the cell, beside that of the step: sick cells next to sound ones.

Limits are the numbers written here, so that a changed limit fails: sources stand in harness/control/warmth.py,
slopes.py and standstill.py.
"""

import random
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import pairwise

import pytest

from amphora.harness.control.guard import Memory, Ordered, Reading, TimeUnseen, Verdict, fold, forbids, judge
from amphora.harness.control.memory import OFF, Meters, Watch
from amphora.harness.plans.plan import CellLimits, Limits, Order, Plan

CELL = CellLimits("li-ion", 2.5, 50.0, 3.0, 0.1, 4.2)
LFP = CellLimits("lfp", 2.0, 50.0, 2.5, 0.1, 3.65)
NICKEL = CellLimits("nickel", 0.9, 50.0, 0.9, 0.1, 1.6)
LEAD = CellLimits("lead-acid", 1.7, 50.0, 1.75, 0.05, 2.4)
PLAN = Plan("p", "c", "li-ion", (), 3.0, 1.0, "assumed", "full", True, 1e9, needs_temperature=True, cell=CELL)
REST = Limits(voltage_high_V=4.2, temperature_high_degC=60.0, temperature_rate_K_per_min=2.0)
DOWN = Limits(2.5, 4.2, -1.05, 0.0, -10.0, 60.0, 2.0, 9.0)
UP = Limits(2.0, 4.2, 0.0, 0.4, 0.0, 45.0, 1.0, 9.0)
CHARGE = Order("charge", voltage_V=4.2, current_A=0.4)
Values = tuple[float | None, float | None, float | None]


class Guarded:
    """A run of readings under orders; keeps what was said."""

    def __init__(self, cell: CellLimits = CELL, meters: Meters | None = None) -> None:
        self.watch = Watch(replace(PLAN, cell=cell), cell, meters or Meters(temperature_U_K=2.0))
        self.memory = Memory()
        self.t_s = 0.0
        self.step = -1
        self.said: list[tuple[float, str]] = []
        self.calls: list[tuple[float, str]] = []

    def order(self, order: Order) -> "Guarded":
        self.step += 1
        self.memory = fold(self.memory, Ordered(self.t_s, order))
        return self

    def go(
        self, limits: Limits, seconds: float, values: Callable[[float], Values], every_s: float = 1.0,
        room: Callable[[float], float] | None = None,
    ) -> "Guarded":  # fmt: skip
        """Read for so long; by the time of this stretch."""
        count = round(seconds / every_s)
        for k in range(1, count + 1):
            now_s = k * every_s
            self.see(limits, self.t_s + now_s, values(now_s), None if room is None else room(now_s))
        self.t_s += count * every_s
        return self

    def see(self, limits: Limits, t_s: float, values: Values, room: float | None = None) -> Verdict:
        self.memory, verdict = judge(self.watch, limits, self.memory, Reading(t_s, self.step, *values, room))
        if verdict.stop is not None:
            self.said.append((t_s, verdict.stop.check))
        if verdict.call is not None:
            self.calls.append((t_s, verdict.call.check))
        return verdict

    @property
    def first(self) -> str:
        return self.said[0][1] if self.said else ""

    @property
    def when(self) -> float:
        return self.said[0][0]


def alive(k: float) -> float:
    """What keeps a reading from standing still: a tenth of a millivolt to and fro."""
    return 1e-4 * (int(k) % 3)


# -- floor and ceiling ------------------------------------------------------------------------------------


def test_a_rest_is_held_to_the_window_and_says_what_drains() -> None:
    drained = Guarded().order(OFF).go(REST, 4 * 3600.0, lambda t: (2.82 - t / 7200.0 * 0.4, 0.0, 20.0), 60.0)
    assert drained.first in ("voltage-low", "falls-at-rest")
    text = ""
    run = Guarded().order(OFF)
    for k, volts in enumerate((2.82, 2.451, 2.448, 2.448)):
        verdict = run.see(REST, 100.0 * k, (volts, 0.0, 20.0))
        text = verdict.stop.text if verdict.stop else text
    assert run.said == [(300.0, "voltage-low")] and "drains the cell" in text and "bleeder" in text


def test_a_rest_after_the_discharge_that_falls_to_nothing_is_stopped_on_the_way() -> None:
    run = (
        Guarded()
        .order(Order("discharge", value=0.4))
        .go(DOWN, 600.0, lambda t: (3.3 - t / 2000 + alive(t), -0.4, 20.0))
    )
    run.order(OFF).go(REST, 180.0, lambda t: (3.0 - t / 60.0, 0.0, 20.0), 5.0)
    assert run.first == "voltage-low" and run.when < 650.0


def test_a_cell_that_was_found_below_the_window_may_rest_there_and_may_not_fall_from_there() -> None:
    assert not Guarded().order(OFF).go(REST, 600.0, lambda t: (2.30, 0.0, 20.0), 10.0).said
    assert Guarded().order(OFF).go(REST, 600.0, lambda t: (2.30 - t / 6000, 0.0, 20.0), 10.0).first == "voltage-low"


def test_what_is_drained_by_something_that_is_not_ours_is_called_and_called_again_and_stops_nothing() -> None:
    run = Guarded().order(Order("connect", mode="open"))
    run.go(REST, 3000.0, lambda t: (2.9 - t / 3000.0, -0.2, 20.0), 10.0)
    assert not run.said
    assert [check for _, check in run.calls] == ["drained"] * 3
    assert run.calls[1][0] - run.calls[0][0] == pytest.approx(600.0, abs=10.0)


@pytest.mark.parametrize("order", [OFF, Order("discharge", value=0.4), CHARGE])
def test_no_voltage_at_all_is_a_lead_or_a_board_and_no_fault_of_the_cell(order: Order) -> None:
    run = Guarded().order(order)
    limits = {"off": REST, "discharge": DOWN, "charge": UP}[order.kind]
    current = {"off": 0.0, "discharge": -0.4, "charge": 0.4}[order.kind]
    run.go(limits, 60.0, lambda t: (3.6 + alive(t), current, 20.0)).see(limits, 70.0, (0.01, 0.0, 20.0))
    run.see(limits, 70.2, (0.01, 0.0, 20.0))
    assert run.first == "voltage-lost"


def test_the_ceiling_holds_at_rest_too() -> None:
    run = Guarded().order(OFF)
    for k, volts in enumerate((4.249, 4.251, 4.251)):
        run.see(REST, 10.0 * k, (volts, 0.0, 20.0))
    assert run.said == [(20.0, "voltage-high")]


@pytest.mark.parametrize(
    ("volts", "current_A", "check"), [(2.94, 0.15, "above-pre-charge"), (2.94, 0.13, ""), (2.96, 0.15, "")]
)
def test_below_the_voltage_of_the_pre_charge_no_recipe_charges_faster(
    volts: float, current_A: float, check: str
) -> None:
    run = Guarded().order(CHARGE).go(UP, 20.0, lambda t: (volts + alive(t), current_A, 20.0))
    assert run.first == check


# -- a meter that stands still ------------------------------------------------------------------------------


def lively(t: float, slope: float, digit: float, rng: random.Random) -> float:
    return round((3.7 + slope * t + rng.gauss(0.0, 1.2 * digit)) / digit) * digit


@pytest.mark.parametrize("every_s", [0.2, 1.0])
def test_a_lively_meter_that_freezes_is_found_within_half_a_minute(every_s: float) -> None:
    rng = random.Random(1)
    run = Guarded().order(Order("discharge", value=0.5))
    run.go(DOWN, 300.0, lambda t: (lively(t, -2e-5, 1e-3, rng), -0.5, 20.0), every_s)
    assert not run.said
    last_V = lively(300.0, -2e-5, 1e-3, rng)
    run.go(DOWN, 60.0, lambda t: (last_V, -0.5, 20.0 + 0.01 * (int(t) % 2)), every_s)
    assert run.first == "frozen" and run.when < 300.0 + 30.0


def test_a_meter_that_is_renewed_only_every_ten_seconds_is_held_to_twenty_times_that() -> None:
    rng = random.Random(2)
    run = Guarded().order(Order("discharge", value=0.5))
    shown = [lively(10.0 * k, -2e-5, 1e-3, rng) for k in range(70)]
    run.go(DOWN, 600.0, lambda t: (shown[int(t // 10)], -0.5, 20.0))
    assert not run.said
    run.go(DOWN, 400.0, lambda t: (shown[60], -0.5, 20.0 + 0.01 * (int(t) % 2)))
    assert run.first == "frozen" and 150.0 < run.when - 600.0 < 250.0


@pytest.mark.parametrize("cell", [CELL, LFP])
@pytest.mark.parametrize("digit", [1e-4, 1e-3, 1e-2])
def test_a_coarse_meter_on_a_flat_curve_is_not_frozen(digit: float, cell: CellLimits) -> None:
    # From a steep start into the flattest stretch of a large cell; no noise at all. Slopes of the curves that ship.
    flat = {"li-ion": 0.057, "lfp": 0.007}[cell.kind] * 0.5 / 3600.0
    run = Guarded(cell, Meters(voltage_resolution_V=digit)).order(Order("discharge", value=0.5))

    def volts(t: float) -> float:
        true = 3.7 - flat * t - 0.05 * (1.0 - 2.718 ** (-t / 300.0))
        return round(true / digit) * digit

    run.go(
        replace(DOWN, voltage_low_V=2.0), 6 * 3600.0, lambda t: (volts(t), -0.5, 20.0 + 0.01 * (int(t / 60) % 2)), 2.0
    )
    assert not run.said


def test_a_meter_without_noise_is_held_to_what_the_current_and_its_digit_explain() -> None:
    # 0.1 mV at 0.5 A on the flattest Li-ion: 1.5 * 1e-4 V / (0.5 A * 0.057 V/Ah) = 19 s; so 20 s, and 20 readings
    run = Guarded(meters=Meters(voltage_resolution_V=1e-4)).order(Order("discharge", value=0.5))
    run.go(DOWN, 120.0, lambda t: (3.7123, -0.5, 20.0 + 0.01 * (int(t) % 2)))
    assert run.first == "frozen" and 20.0 < run.when <= 24.0
    slow = Guarded(meters=Meters(voltage_resolution_V=1e-3)).order(Order("discharge", value=0.05))
    slow.go(DOWN, 1800.0, lambda t: (3.712, -0.05, 20.0 + 0.01 * (int(t) % 2)))
    assert not slow.said  # 1895 s are explained


def test_a_voltage_that_stands_while_the_current_moves_is_frozen_and_a_held_one_is_not() -> None:
    run = Guarded(meters=Meters(voltage_resolution_V=1e-4)).order(Order("discharge", value=0.5))
    run.go(DOWN, 120.0, lambda t: (3.7, -0.5 - 0.001 * (int(t) % 2), 20.0 + 0.01 * (int(t) % 2)))
    assert run.first == "frozen" and 40.0 < run.when <= 60.0
    held = Guarded(meters=Meters(voltage_resolution_V=1e-4)).order(CHARGE)
    held.go(UP, 600.0, lambda t: (4.199, 0.3 - t * 1e-4, 20.0 + 0.01 * (int(t) % 2)))
    assert not held.said


# -- warmth -------------------------------------------------------------------------------------------------


def warmed(
    order: Order, limits: Limits, by_K: float, cell: CellLimits = CELL, **room: Callable[[float], float]
) -> Guarded:
    """Ten minutes of rest at 20 degC, then so much in two hours."""
    run = Guarded(cell).order(OFF).go(REST, 600.0, lambda t: (3.6, 0.0, 20.0), 10.0, room.get("room"))
    volts = 1.35 if cell is NICKEL else 3.7
    current_A = limits.current_high_A if order.kind == "charge" else -(order.value or 0.0)
    limits = replace(limits, voltage_low_V=0.9 if cell is NICKEL else limits.voltage_low_V)
    way = 1e-6 if order.kind == "charge" else -1e-6
    return run.order(order).go(
        limits,
        7200.0,
        lambda t: (volts + way * t + alive(t / 10), current_A, 20.0 + by_K * t / 7200.0),
        10.0,
        room.get("later"),
    )


@pytest.mark.parametrize(
    ("order", "limits", "most_K"),
    [
        (CHARGE, UP, 10.0),
        (Order("discharge", value=0.5), DOWN, 15.0),
        (Order("discharge", value=0.6), DOWN, 25.0),
    ],
)
def test_the_rise_over_the_rest_before_the_run_is_held_to_what_flows(
    order: Order, limits: Limits, most_K: float
) -> None:
    assert warmed(order, limits, most_K - 0.1).first == ""
    assert warmed(order, limits, most_K + 0.2).first == "temperature-rise"


def test_what_the_room_moved_is_no_rise_of_the_cell() -> None:
    run = warmed(CHARGE, UP, 14.0, room=lambda t: 20.0, later=lambda t: 20.0 + 6.0 * t / 7200.0)
    assert run.first == ""
    assert warmed(CHARGE, UP, 14.0, room=lambda t: 20.0, later=lambda t: 20.0).first == "temperature-rise"


def test_fingers_that_were_on_the_sensor_hide_no_rise() -> None:
    run = Guarded().order(OFF).go(REST, 60.0, lambda t: (3.6, 0.0, 30.0 - t / 30.0), 1.0)
    run.order(CHARGE).go(UP, 3600.0, lambda t: (3.7 + alive(t), 0.4, 28.0 - 8.0 * min(t / 200.0, 1.0) + t / 300.0), 5.0)
    assert run.first == "temperature-rise"
    degC = 28.0 - 8.0 + (run.when - 60.0) / 300.0
    assert degC - 20.9 == pytest.approx(10.0, abs=0.5)  # above the lowest, about 4 min after the fingers


def test_a_used_cell_is_not_discharged_above_50_degC_and_none_is_charged_above_45() -> None:
    for order, limits, most in ((Order("discharge", value=0.6), DOWN, 50.0), (CHARGE, UP, 45.0)):
        run = Guarded().order(OFF).go(REST, 600.0, lambda t, most=most: (3.7, 0.0, most - 0.5), 10.0)
        current_A = 0.4 if order is CHARGE else -0.6
        run.order(order).go(limits, 20.0, lambda t, most=most, a=current_A: (3.7 + alive(t), a, most - 0.1))
        assert not run.said
        run.see(limits, run.t_s + 1.0, (3.7, current_A, most + 0.1))
        run.see(limits, run.t_s + 1.2, (3.7, current_A, most + 0.1))
        assert run.first == "temperature-high"


def test_nothing_is_charged_below_0_degC_and_what_the_sensor_may_be_off_by() -> None:
    for degC, check in ((1.9, "temperature-low"), (2.1, "")):
        assert Guarded().order(CHARGE).go(UP, 20.0, lambda t, d=degC: (3.7 + alive(t), 0.4, d)).first == check
        rested = Guarded().order(OFF).go(REST, 60.0, lambda t, d=degC: (3.7, 0.0, d))
        found = forbids(rested.watch, UP, rested.memory.temperature_degC, CHARGE)
        assert (found is None) == (not check)  # and no current flows before it is seen
        assert found is None or found.check == "too-cold"
    warm = Guarded().order(OFF).go(REST, 60.0, lambda t: (3.7, 0.0, 46.0))
    found = forbids(warm.watch, UP, 46.0, CHARGE)
    assert found is not None and found.check == "too-warm"
    assert forbids(warm.watch, DOWN, 46.0, Order("discharge", value=0.4)) is None


@pytest.mark.parametrize(("order", "limits", "most"), [(CHARGE, UP, 1.0), (Order("discharge", value=0.6), DOWN, 2.0)])
def test_the_rate_is_a_line_fitted_over_two_minutes(order: Order, limits: Limits, most: float) -> None:
    current_A = 0.4 if order is CHARGE else -0.6
    for rate, check in ((most * 1.05, "temperature-rate"), (most * 0.95, "")):
        run = (
            Guarded().order(order).go(limits, 240.0, lambda t, r=rate: (3.7 + alive(t), current_A, 20.0 + r * t / 60.0))
        )
        assert run.first == check
    odd = (
        Guarded()
        .order(order)
        .go(limits, 600.0, lambda t: (3.7 + alive(t), current_A, 26.0 if t in (300.0, 301.0) else 20.0 + alive(t)))
    )
    assert not odd.said  # one odd reading moves no line


def test_all_off_and_yet_warmer_by_2_kelvin_than_at_minute_5_calls_and_calls_again() -> None:
    def rests(by_K: float) -> Guarded:
        run = (
            Guarded().order(Order("discharge", value=0.4)).go(DOWN, 600.0, lambda t: (3.7 - t / 1e4, -0.4, 25.0), 10.0)
        )
        return run.order(OFF).go(
            REST, 2700.0, lambda t: (3.7 + t / 1e5, 0.0, 25.0 + by_K * max(t - 300.0, 0.0) / 1800.0), 10.0
        )

    assert not rests(1.4).calls and not rests(1.4).said
    run = rests(2.2)
    assert [check for _, check in run.calls] == ["warms-when-off"] * 2 and not run.said


def test_a_sensor_that_shows_the_same_for_an_hour_while_current_flows_is_frozen_and_one_that_is_silent_is_lost() -> (
    None
):
    run = Guarded().order(CHARGE).go(UP, 3700.0, lambda t: (3.6 + t / 1e5 + alive(t), 0.4, 20.0), 5.0)
    assert run.first == "temperature-frozen" and 3600.0 < run.when <= 3610.0
    run = Guarded().order(CHARGE).go(UP, 20.0, lambda t: (3.6 + alive(t), 0.4, None if t > 1.0 else 20.0))
    assert run.first == "temperature-lost" and run.when == 17.0


def test_current_is_ordered_for_no_longer_than_all_steps_of_the_plan_may_take() -> None:
    run = Guarded().order(CHARGE)
    run.watch = replace(run.watch, plan=replace(run.watch.plan, max_duration_s=100.0))
    run.go(UP, 120.0, lambda t: (3.6 + t / 1e5 + alive(t), 0.4, 20.0))
    assert run.said[0] == (104.0, "time")


# -- nickel and lead-acid by their own rules -------------------------------------------------------------------


def test_nickel_that_warms_at_its_end_is_never_a_finding() -> None:
    order, limits = Order("charge", voltage_V=1.65, current_A=0.1), Limits(0.0, 1.6, 0.0, 0.1, 0.0, 45.0, 2.0, 9.0)
    assert warmed(order, limits, 14.9, NICKEL).first == ""
    assert warmed(order, limits, 15.2, NICKEL).first == "nickel-warm"
    hot = Guarded(NICKEL).order(order).go(limits, 20.0, lambda t: (1.4 + alive(t), 0.1, 45.1))
    assert hot.first == "nickel-warm"
    fast = Guarded(NICKEL).order(order).go(limits, 240.0, lambda t: (1.4 + alive(t), 0.1, 20.0 + 2.1 * t / 60.0))
    assert fast.first == "nickel-warm"
    slower = Guarded(NICKEL).order(order).go(replace(limits, temperature_rate_K_per_min=1.0), 240.0,
                                             lambda t: (1.4 + alive(t), 0.1, 20.0 + 1.9 * t / 60.0))  # fmt: skip
    assert not slower.said


def test_nickel_is_not_discharged_above_45_degC() -> None:
    for degC, check in ((44.9, ""), (45.1, "temperature-high")):
        run = Guarded(NICKEL).order(Order("discharge", value=0.1))
        run.go(replace(DOWN, voltage_low_V=0.9), 20.0, lambda t, d=degC: (1.3 + alive(t), -0.1, d))
        assert run.first == check


@pytest.mark.parametrize("cell", [NICKEL, LEAD])
def test_a_falling_voltage_is_no_finding_of_nickel_or_lead_acid(cell: CellLimits) -> None:
    top_V = 1.45 if cell is NICKEL else 2.35
    limits = Limits(0.0, 2.5, 0.0, 0.1, 0.0, 45.0, 2.0, 9.0)
    run = Guarded(cell).order(Order("charge", voltage_V=2.6, current_A=0.1))
    run.go(limits, 3 * 3600.0, lambda t: (top_V - 0.05 * t / 10800.0 + alive(t), 0.1, 20.0 + alive(t / 60)), 5.0)
    run.order(OFF).go(
        replace(REST, voltage_high_V=2.5), 5 * 3600.0, lambda t: (top_V - 0.05 - 0.1 * t / 18000.0, 0.0, 20.0), 10.0
    )
    assert not run.said


# -- shorts in a charge, and at rest ------------------------------------------------------------------------------


def charged(volts: Callable[[float], float], hours: float = 2.0, **made: CellLimits) -> Guarded:
    return (
        Guarded(**made)
        .order(CHARGE)
        .go(UP, hours * 3600.0, lambda t: (volts(t) + alive(t), 0.4, 20.0 + alive(t / 60)), 2.0)
    )


@pytest.mark.parametrize(("fall_V", "check"), [(0.019, ""), (0.0215, "voltage-falls")])
def test_a_voltage_that_falls_in_a_charge_by_20_mV_for_3_min_is_found(fall_V: float, check: str) -> None:
    run = charged(lambda t: 3.7 + min(t, 3000.0) / 3e5 - (fall_V if t > 3000.0 else 0.0))
    assert run.first == check
    if check:
        assert 3000.0 + 120.0 < run.when < 3000.0 + 300.0


def test_a_fall_of_two_minutes_and_one_within_the_first_ten_are_none() -> None:
    assert not charged(lambda t: 3.7 + t / 3e5 - (0.05 if 3000.0 < t < 3110.0 else 0.0)).said
    assert not charged(lambda t: 3.7 + t / 3e5 - (0.05 if 120.0 < t < 560.0 else 0.0)).said


def test_a_step_that_scatters_is_held_to_six_times_its_own_scatter() -> None:
    rng = random.Random(3)
    noisy = charged(lambda t: 3.7 + t / 3e5 + rng.gauss(0.0, 0.010) - (0.040 if t > 3000.0 else 0.0))
    assert not noisy.said
    quiet = charged(lambda t: 3.7 + t / 3e5 - (0.040 if t > 3000.0 else 0.0))
    assert quiet.first == "voltage-falls"


def test_after_a_pause_the_highest_is_still_known_the_minutes_begin_anew_and_the_second_fall_is_a_short() -> None:
    def volts(t: float) -> float:
        return 3.7 + min(t, 3000.0) / 3e4 - (0.060 if t > 3000.0 else 0.0)

    run = charged(volts)
    stopped_s = run.when
    assert run.first == "voltage-falls"
    run = Guarded().order(CHARGE).go(UP, stopped_s, lambda t: (volts(t) + alive(t), 0.4, 20.0 + alive(t / 60)), 2.0)
    run.memory = fold(run.memory, Ordered(run.t_s, OFF))
    run.memory = fold(run.memory, TimeUnseen(run.t_s, run.t_s + 600.0, 0.0, 0.0, 0.0, 0.0))
    run.t_s += 600.0
    run.memory = fold(run.memory, Ordered(run.t_s, CHARGE))
    begun_s, run.said = run.t_s, []
    run.go(UP, 1800.0, lambda t: (3.739 + alive(t), 0.4, 20.0), 2.0)
    assert run.first == "short-inside" and 600.0 < run.when - begun_s < 1000.0


@pytest.mark.parametrize(
    ("off_s", "lower_V", "check"),
    [(600.0, 0.030, "voltage-falls"), (3600.0, 0.070, ""), (3600.0, 0.090, "voltage-falls")],
)
def test_what_an_hour_off_relaxed_is_no_fall_and_what_ten_minutes_did_is(
    off_s: float, lower_V: float, check: str
) -> None:
    run = Guarded().order(CHARGE).go(UP, 1800.0, lambda t: (3.7 + t / 1e5 + alive(t), 0.4, 20.0), 2.0)
    run.memory = fold(run.memory, Ordered(run.t_s, OFF))
    run.memory = fold(run.memory, TimeUnseen(run.t_s, run.t_s + off_s, 0.0, 0.0, 0.0, 0.0))
    run.t_s += off_s
    run.memory = fold(run.memory, Ordered(run.t_s, CHARGE))
    run.go(UP, 1500.0, lambda t: (3.718 - lower_V + alive(t), 0.4, 20.0), 2.0)
    assert run.first == check


def test_a_voltage_that_falls_because_less_current_was_ordered_is_no_fall() -> None:
    run = Guarded().order(CHARGE).go(UP, 1800.0, lambda t: (3.75 + t / 1e5 + alive(t), 0.4, 20.0), 2.0)
    run.memory = fold(run.memory, Ordered(run.t_s, replace(CHARGE, current_A=0.1)))
    run.go(UP, 1800.0, lambda t: (3.70 + t / 1e5 + alive(t), 0.1, 20.0 + alive(t / 60)), 2.0)
    assert not run.said


def test_a_cell_that_sinks_below_its_pre_charge_while_it_is_charged_has_a_short() -> None:
    run = charged(lambda t: 3.6 if t < 100.0 else 3.6 - (t - 100.0) / 100.0, 0.05)
    assert run.first == "short-inside"


def climbs(levels: Iterable[tuple[float, float]]) -> Guarded:
    """Charge through points (minutes, volt), linear between."""
    points = list(levels)

    def volts(t: float) -> float:
        for (m0, v0), (m1, v1) in pairwise(points):
            if t / 60.0 <= m1:
                return v0 + (v1 - v0) * (t / 60.0 - m0) / (m1 - m0)
        return points[-1][1]

    return charged(volts, points[-1][0] / 60.0)


def test_a_declared_li_ion_that_climbs_as_lfp_does_is_stopped_and_a_li_ion_from_empty_is_not() -> None:
    lfp = climbs([(0, 3.25), (5, 3.36), (90, 3.40), (95, 3.45), (98, 3.55), (99, 3.65), (100, 3.9)])
    assert lfp.first == "climbs-as-lfp" and lfp.when < 99.5 * 60.0
    # Measured curve of an 18650 (VTC6, MIT licence, as in drivers/simulated/cell.py) at 0.4 It
    li_ion = climbs([(0, 3.05), (7.5, 3.20), (15, 3.33), (30, 3.48), (45, 3.62), (60, 3.72), (75, 3.81)])
    assert not li_ion.said
    # A curve that steepens, yet less than fourfold, is no LFP's end either.
    assert not climbs([(0, 3.30), (5, 3.36), (60, 3.45), (85, 3.55), (107, 3.65), (120, 3.70)]).said


def after_discharge(values: Callable[[float], float], cell: CellLimits = CELL) -> Guarded:
    run = (
        Guarded(cell).order(Order("discharge", value=0.4)).go(DOWN, 600.0, lambda t: (3.2 - t / 3600, -0.4, 20.0), 2.0)
    )
    return run.order(OFF).go(REST, 3600.0, lambda t: (values(t) + alive(t / 10), 0.0, 20.0), 10.0)


def test_after_a_discharge_a_sound_cell_rises_and_one_with_a_short_falls() -> None:
    # recovery from 10 min to 1 h: +21 to +88 mV, always rising (measured)
    assert not after_discharge(lambda t: 3.10 + 0.03 * (1.0 - 2.718 ** (-t / 1200.0))).said
    sick = after_discharge(lambda t: 3.10 + 0.03 * (1.0 - 2.718 ** (-t / 1200.0)) - 0.10 * t / 3600.0)
    assert sick.first == "falls-at-rest" and sick.when < 600.0 + 2400.0
    assert not after_discharge(lambda t: 3.10 - (0.008 if t > 1200.0 else 0.0)).said
    assert after_discharge(lambda t: 3.10 - (0.011 if t > 1200.0 else 0.0)).first == "falls-at-rest"


@pytest.mark.parametrize(("mV_per_h", "check"), [(15.0, ""), (25.0, "falls-at-rest")])
def test_a_long_rest_that_falls_by_more_than_20_mV_an_hour_is_found_once_the_relaxing_is_over(
    mV_per_h: float, check: str
) -> None:
    run = Guarded().order(OFF).go(REST, 6 * 3600.0, lambda t: (3.9 - mV_per_h / 1000.0 * t / 3600.0, 0.0, 20.0), 60.0)
    assert run.first == check
    if check:
        assert 3 * 3600.0 <= run.when < 4.3 * 3600.0


def test_a_full_lfp_cell_may_relax_by_250_mV_in_its_first_hours() -> None:
    # 50 to 250 mV from 10 min to 1 h (measured)
    run = (
        Guarded(LFP).order(OFF).go(REST, 8 * 3600.0, lambda t: (3.35 + 0.25 * 2.718 ** (-t / 3000.0), 0.0, 20.0), 10.0)
    )
    assert not run.said


@pytest.mark.parametrize("low_degC", [0.0, 2.0])
def test_what_the_sensor_may_be_off_by_is_added_once_whether_the_step_holds_it_already_or_not(low_degC: float) -> None:
    cell, limits = replace(CELL, charge_low_degC=0.0), replace(UP, temperature_low_degC=low_degC)
    for degC, check in ((1.9, "temperature-low"), (2.1, "")):
        run = Guarded(cell).order(CHARGE).go(limits, 20.0, lambda t, d=degC: (3.7 + alive(t), 0.4, d))
        assert run.first == check
