"""Promises of capacity and energy: the crossing, honesty at an end not reached, what widens U."""

import dataclasses

import numpy as np
import pytest

from amphora.harness.analysis.capacity import figures, find_crossing
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, RecordGap, Specification

SPEC = Measurement(
    Specification(0.001, 0.005), Specification(0.005, 0.010), Specification(0.0, 2.0), Specification(100e-6, 0.0)
)


def discharge(end_V=2.9, rest=True, gaps=(), sag_at=None, interval_s=10.0):
    n = 1001
    t = np.arange(n) * interval_s
    v = np.linspace(4.1, end_V, n)
    i = np.full(n, -0.5)
    if sag_at is not None:
        i[sag_at : sag_at + 2] = -2.0
        v[sag_at : sag_at + 2] = 2.5
    if rest:
        t = np.concatenate((t, t[-1] + np.arange(1, 20) * interval_s))
        v, i = np.concatenate((v, np.full(19, 3.4))), np.concatenate((i, np.zeros(19)))
    n = t.size
    return Record(t, v, i, np.full(n, 21.0), np.zeros(n, np.int64), np.empty(0), tuple(gaps))


def made(record, cutoff_V=3.0, spec=SPEC):
    totals = accumulate(record)
    phase = find_phases(record, totals)[-1]
    return figures(record, totals, phase, spec, cutoff_V)


def test_the_crossing_is_interpolated_between_two_readings():
    found = made(discharge())
    assert found.reached_cutoff
    assert found.capacity_Ah == pytest.approx(0.5 * 10000 * (4.1 - 3.0) / 1.2 / 3600, rel=1e-9)
    assert found.end_voltage_V == 3.0


def test_any_other_cutoff_comes_from_the_same_record():
    record = discharge()
    assert made(record, 3.5).capacity_Ah == pytest.approx(0.5 * 10000 * 0.6 / 1.2 / 3600, rel=1e-9)
    assert made(record, 3.5).capacity_Ah < made(record, 3.2).capacity_Ah < made(record, 3.0).capacity_Ah


def test_a_sag_in_a_pulse_is_no_crossing():
    found = made(discharge(sag_at=300))
    assert found.crossing is not None
    assert found.crossing.row > 900


def test_a_single_low_reading_amid_the_discharge_is_no_crossing():
    record = discharge()
    voltage = record.voltage_V.copy()
    voltage[200] = 2.8
    found = made(dataclasses.replace(record, voltage_V=voltage))
    assert found.crossing is not None and found.crossing.row > 900


def test_the_last_reading_under_load_may_be_the_crossing():
    record = discharge(end_V=2.9999)
    found = made(record)
    assert found.reached_cutoff


def test_a_cutoff_not_reached_is_said_and_the_figure_is_what_was_given():
    found = made(discharge(end_V=3.3))
    assert not found.reached_cutoff
    assert found.crossing is None
    assert found.capacity_Ah == pytest.approx(0.5 * 10000 / 3600, rel=1e-3)


def test_current_errors_are_not_divided_by_the_number_of_readings():
    few, many = made(discharge(interval_s=10.0)), made(discharge(interval_s=1.0))
    relative = [found.capacity.U / found.capacity_Ah for found in (few, many)]
    assert relative[0] == pytest.approx(relative[1], rel=0.05)


def test_a_bounded_gap_widens_U():
    plain = made(discharge())
    gap = RecordGap(500, 4990.0, 5000.0, -0.2, 0.0)
    widened = made(discharge(gaps=[gap]))
    assert widened.gap_half_Ah == pytest.approx(0.1)
    assert widened.capacity.U > plain.capacity.U
    assert any(line.name == "gaps without readings" for line in widened.capacity.lines)


def test_voltmeter_errors_of_cutoff_and_mean_voltage_add_before_squaring():
    exact = Specification(0.0, 0.0)
    found = made(discharge(), spec=Measurement(Specification(0.0, 0.01), exact, exact, exact))
    slope_Ah_per_V = 0.5 * 10000 / 3600 / 1.2
    expected = 0.01 / np.sqrt(3) * (found.capacity_Ah + 3.0 * slope_Ah_per_V)
    (line,) = [line for line in found.energy.lines if line.name == "voltage offset"]
    assert line.contribution == pytest.approx(expected, rel=1e-3)


def test_assumed_specifications_are_marked_in_the_budget():
    assumed = dataclasses.replace(SPEC, current=dataclasses.replace(SPEC.current, assumed=True))
    found = made(discharge(), spec=assumed)
    marks = {line.name: line.assumed for line in found.capacity.lines}
    assert marks["current gain"] and not marks["time base"]


def test_crossing_is_none_when_nothing_is_below():
    record = discharge(end_V=3.3)
    totals = accumulate(record)
    assert find_crossing(record, totals, find_phases(record, totals)[0], 3.0) is None
