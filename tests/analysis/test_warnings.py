"""Promises of the warnings: each is given where its fault is in the record, and only there."""

import dataclasses

import numpy as np
import pytest

from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.late_resistor import without_late_resistor
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, RunInfo, Specification
from amphora.harness.analysis.resistance import Resistance
from amphora.harness.analysis.warnings import find_warnings, late_resistor_told

SPEC = Measurement(
    Specification(0.001, 0.005, 1e-3),
    Specification(0.005, 0.010, 1e-3),
    Specification(0.0, 2.0),
    Specification(1e-4, 0.0),
)


def night(end_V=2.95, amps=0.5, hours=3.0, interval_s=10.0, noise_V=2e-4):
    """A discharge between rests, as a sound cell on a sound bench gives it."""
    n = int(hours * 3600 / interval_s)
    down = 3.95 - (3.95 - end_V) * np.linspace(0, 1, n) ** 3
    v = np.concatenate((np.full(60, 4.1), down, np.full(60, 3.3)))
    v += np.random.default_rng(3).normal(0, noise_V, v.size)
    i = np.concatenate((np.zeros(60), np.full(n, -amps), np.zeros(60)))
    t = np.arange(v.size) * interval_s
    return Record(t, v, i, np.full(v.size, 21.0), np.zeros(v.size, np.int64), (59.5 + np.array([0.0, n])) * interval_s)


def codes(record, form="18650", chemistry="li-ion", resistances=(), rise_K=2.0, cutoff_V=3.0, start="full"):
    info = RunInfo("L3-a/one", "L3-a", form, chemistry, "full", cutoff_V, SPEC)
    totals = accumulate(record)
    phases = find_phases(record, totals)
    downs = [phase for phase in phases if phase.kind == "discharge"]
    phase = max(downs, key=lambda phase: abs(phase.end_Ah - phase.begin_Ah), default=None)
    found = None if phase is None else figures(record, totals, phase, SPEC, cutoff_V)
    told = find_warnings(
        record, info, totals, phase, found, start, cutoff_V, resistances, rise_K,
        [phase for phase in phases if phase.kind == "charge"],
    )  # fmt: skip
    assert all(item.text.endswith(".") for item in told)
    return {item.code for item in told}


def pulse(ohm, duration_s=1.0, t_s=0.0, method="load step"):
    return Resistance(method, ohm, 0.001, -1.0, duration_s, None, t_s)


def test_a_sound_night_has_nothing_to_distrust():
    assert codes(night(), resistances=[pulse(0.06), pulse(0.09, 10.0)]) == set()


def test_a_contact_that_moves_shows_as_jumps_of_the_voltage():
    record = night()
    voltage = record.voltage_V.copy()
    for row in (200, 430, 610, 800):
        voltage[row : row + 15] -= 0.02
    assert "bad-contact" in codes(dataclasses.replace(record, voltage_V=voltage))


def over_a_resistor(late_rows, interval_s=10.0):
    """A night over 10 ohm, its current reckoned from the voltage; the resistor is clipped on so many rows late."""
    record = night(interval_s=interval_s)
    loaded = np.arange(60, record.t_s.size - 60)
    voltage = record.voltage_V.copy()
    voltage[:60] = voltage[60] + 0.04  # 0.4 A over 0.1 ohm
    on = loaded[late_rows:]
    voltage[loaded[:late_rows]] = voltage[0]
    voltage[on] = record.voltage_V[loaded[: on.size]]
    current = np.where(np.isin(np.arange(voltage.size), loaded), -voltage / 10.0, 0.0)
    return dataclasses.replace(record, voltage_V=voltage, current_A=current)


@pytest.mark.parametrize(("late_rows", "told"), [(0, False), (5, True), (30, True), (200, True)])
def test_a_resistor_clipped_on_after_the_answer_is_told(late_rows, told):
    assert ("resistor-late" in codes(over_a_resistor(late_rows))) is told
    assert "resistor-late" not in codes(night())  # a current that was measured


@pytest.mark.parametrize("late_rows", [5, 30, 200])
def test_what_was_counted_before_the_resistor_was_on_is_taken_off(late_rows):
    """EVIDENCE's case: 50.5 mAh were counted that did not flow; the figure has to be that of a resistor in time."""
    late, in_time = over_a_resistor(late_rows), over_a_resistor(0)
    cut, found = without_late_resistor(late)
    (item,) = found
    assert item.late_s == pytest.approx(10.0 * late_rows, abs=10.0)
    assert item.counted_Ah == pytest.approx(late_rows * 10.0 * late.voltage_V[0] / 10.0 / 3600, rel=0.25)
    wrong, right = abs(accumulate(late).charge_Ah[-1]), abs(accumulate(cut).charge_Ah[-1])
    flowed = abs(float(np.sum(in_time.current_A[60 : -60 - late_rows])) * 10.0 / 3600)  # the same cell, cut at its end
    assert right == pytest.approx(flowed, abs=0.42 * 10.0 / 3600)  # one row of readings
    assert wrong - right == pytest.approx(item.counted_Ah, abs=0.42 * 10.0 / 3600)
    assert without_late_resistor(cut)[1] == [] and "resistor-late" not in codes(cut)
    for sound in (night(), in_time):
        same, none = without_late_resistor(sound)
        assert same is sound and none == []
    assert "taken off" in late_resistor_told(found)[0].text


def test_rows_that_are_unevenly_spaced_are_no_contact_that_moves():
    record = night(noise_V=0.0, interval_s=2.0)
    kept = np.sort(np.random.default_rng(5).choice(np.arange(60, record.t_s.size - 60), 700, replace=False))
    kept = np.concatenate((np.arange(60), kept, np.arange(record.t_s.size - 60, record.t_s.size)))
    thinned = {
        name: getattr(record, name)[kept] for name in ("t_s", "voltage_V", "current_A", "temperature_degC", "step")
    }
    sparse = dataclasses.replace(record, **thinned)
    second_V = np.diff(sparse.voltage_V, 2)[60:-60]
    assert np.abs(second_V).max() > 8 * np.median(np.abs(second_V))  # by rows alone it would look like jumps
    assert "bad-contact" not in codes(sparse)


def test_readings_whose_moment_is_poorly_known_are_no_contact_that_moves():
    record = night(noise_V=1e-4)
    late_s = np.random.default_rng(7).uniform(0, 30.0, record.t_s.size) * (np.arange(record.t_s.size) % 40 == 0)
    read_V = np.interp(record.t_s + late_s, record.t_s, record.voltage_V)
    steady = record.current_A < 0
    voltage = np.where(steady, read_V, record.voltage_V)
    moved = dataclasses.replace(record, voltage_V=voltage)
    assert "bad-contact" in codes(moved)
    assert "bad-contact" not in codes(dataclasses.replace(moved, orders_within_s=30.0))


def test_a_resistance_that_jumps_between_two_pulses_is_the_contact_and_a_smooth_rise_is_the_cell():
    smooth = [pulse(ohm, t_s=60.0 * k) for k, ohm in enumerate((0.060, 0.061, 0.063, 0.066, 0.070))]
    jumped = [pulse(ohm, t_s=60.0 * k) for k, ohm in enumerate((0.060, 0.061, 0.061, 0.085, 0.062))]
    assert "resistance-stepped" not in codes(night(), resistances=smooth)
    assert "resistance-stepped" in codes(night(), resistances=jumped)


def test_sense_leads_that_measure_the_holder_too_show_as_a_large_drop_that_is_there_at_once():
    assert "sense-wiring" in codes(night(), resistances=[pulse(0.400), pulse(0.410, 10.0)])
    assert "sense-wiring" not in codes(night(), resistances=[pulse(0.060), pulse(0.090, 10.0)])
    assert "sense-wiring" not in codes(night(), resistances=[pulse(0.300), pulse(0.450, 10.0)])  # a worn cell is slow


def test_sense_leads_or_signs_the_wrong_way_round_are_told():
    assert "sense-reversed" in codes(night(), resistances=[pulse(-0.060)])
    assert "sense-reversed" not in codes(night(), resistances=[pulse(0.060)])


def opened(both=True):
    """A protection board opens at 3.4 V: current and voltage fall together."""
    record = night(end_V=3.4)
    voltage, current = record.voltage_V.copy(), record.current_A.copy()
    last = int(np.flatnonzero(current < 0)[-1])
    voltage[last + 1 :] = 0.2 if both else 3.6
    return dataclasses.replace(record, voltage_V=voltage, current_A=current)


def test_a_protection_board_that_opens_is_told_from_a_load_that_was_switched_off():
    assert "protection-opened" in codes(opened())
    assert "cutoff-not-reached" in codes(opened())
    assert "protection-opened" not in codes(opened(both=False))


def test_a_board_that_opens_while_the_current_is_still_read_is_no_cutoff():
    record = opened()
    current, voltage = record.current_A.copy(), record.voltage_V
    last = int(np.flatnonzero(current < 0)[-1])
    current[last + 1] = current[last]  # the voltage fell first, the current's reading came a moment earlier
    told = codes(dataclasses.replace(record, current_A=current, voltage_V=voltage))
    assert {"protection-opened", "cutoff-not-reached"} <= told  # what it gave is an 'at least'


@pytest.mark.parametrize(("rise_K", "told"), [(14.0, False), (16.0, True), (None, False)])
def test_a_cell_that_warmed_too_much_is_told(rise_K, told):
    assert ("warmed-much" in codes(night(), rise_K=rise_K)) is told


def test_a_cell_above_60_degrees_is_hot_and_one_far_from_20_is_not_at_the_standard_s_temperature():
    record = night()
    hot = record.temperature_degC.copy()
    hot[500:520] = 61.0
    assert "hot" in codes(dataclasses.replace(record, temperature_degC=hot))
    assert "not-at-20-degC" in codes(dataclasses.replace(record, temperature_degC=np.full(hot.size, 8.0)))
    assert "no-temperature" in codes(dataclasses.replace(record, temperature_degC=np.full(hot.size, np.nan)))


def test_the_temperature_of_a_figure_is_that_before_the_cell_warmed():
    record = night()
    warming = np.linspace(24.9, 29.9, record.t_s.size)  # stood within 20 degC +- 5 K, and warmed itself beyond
    assert "not-at-20-degC" not in codes(dataclasses.replace(record, temperature_degC=warming), rise_K=5.0)
    assert "not-at-20-degC" in codes(dataclasses.replace(record, temperature_degC=warming + 0.5), rise_K=5.0)


@pytest.mark.parametrize(
    ("form", "chemistry", "amps", "told"),
    [
        ("18650", "li-ion", 1.1, False),  # 3.3 Ah
        ("18650", "li-ion", 1.3, True),  # 3.9 Ah: more than the largest 18650 sold, common practice
        ("21700", "li-ion", 1.3, False),
        ("", "li-ion", 9.0, False),  # a size that is not known is not judged
    ],
)
def test_a_capacity_that_the_size_cannot_hold_is_told(form, chemistry, amps, told):
    assert ("capacity-implausible" in codes(night(amps=amps), form=form, chemistry=chemistry)) is told


def test_a_record_too_coarse_for_a_pulse_is_told():
    record = night(interval_s=30.0)
    assert "coarse" in codes(dataclasses.replace(record, switches_s=np.empty(0)))
    assert "coarse" not in codes(record)  # the orders tell when it stepped
    fine = night(interval_s=1.0, hours=1.0)
    assert "coarse" not in codes(dataclasses.replace(fine, switches_s=np.empty(0)))


def drifting(share):
    record = night()
    loaded = record.current_A < 0
    current = record.current_A.copy()
    current[loaded] *= np.linspace(1, 1 - share, int(loaded.sum()))
    return dataclasses.replace(record, current_A=current)


def test_a_load_that_does_not_hold_its_current_is_told():
    assert "current-drift" in codes(drifting(0.05))
    assert "current-drift" not in codes(drifting(0.003))


def charged(share):
    """A charge whose supply lets the set current wander, then a taper, then a sound discharge."""
    down = night()
    n, tail = 700, 200
    v = np.concatenate((np.linspace(3.4, 4.2, n), np.full(tail, 4.2)))
    i = np.concatenate((0.6 * np.linspace(1, 1 - share, n), 0.6 * (1 - share) * np.exp(-np.arange(tail) / 60)))
    rest = 60
    v, i = np.concatenate((v, np.full(rest, 4.12), down.voltage_V)), np.concatenate((i, np.zeros(rest), down.current_A))
    t = np.arange(v.size) * 10.0
    return Record(
        t, v, i, np.full(t.size, 21.0), np.zeros(t.size, np.int64), down.switches_s + (n + tail + rest) * 10.0
    )


def test_a_supply_whose_set_current_wanders_is_told_and_a_taper_is_not_taken_for_it():
    assert "current-drift" in codes(charged(0.05))
    assert "current-drift" not in codes(charged(0.0))
