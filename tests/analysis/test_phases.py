"""Promises of the phases: where a charge or discharge begins, ends, and what is inside it."""

import numpy as np
import pytest

from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import at_main_current, find_phases
from amphora.harness.analysis.records import Record, RecordGap


def record_of(pieces, gaps=(), interval_s=1.0):
    """Make a record out of (current_A, seconds, begin_V, end_V) pieces."""
    current, voltage = [], []
    for amps, seconds, begin, end in pieces:
        n = round(seconds / interval_s)
        current += [amps] * n
        voltage += list(np.linspace(begin, end, n))
    n = len(current)
    return Record(
        np.arange(n) * interval_s,
        np.array(voltage),
        np.array(current),
        np.full(n, np.nan),
        np.zeros(n, np.int64),
        np.empty(0),
        tuple(gaps),
    )


def phases_of(record):
    return find_phases(record, accumulate(record))


REST = (0.0, 60, 3.8, 3.8)


def test_rests_and_pulses_inside_a_discharge_do_not_end_it():
    record = record_of(
        [REST, (-1.0, 600, 4.0, 3.8), (0.0, 60, 3.9, 3.9), (-3.0, 10, 3.5, 3.5), (-1.0, 600, 3.7, 3.0), REST]
    )
    (phase,) = phases_of(record)
    assert phase.kind == "discharge"
    assert phase.main_current_A == -1.0
    assert abs(phase.end_Ah - phase.begin_Ah) == pytest.approx((1200 + 30) / 3600, rel=1e-3)


def test_opposite_charge_up_to_one_percent_does_not_end_a_phase_and_above_it_does():
    small = [REST, (-1.0, 1000, 4.0, 3.5), (1.0, 8, 3.9, 3.9), (-1.0, 1000, 3.5, 3.0), REST]
    assert [phase.kind for phase in phases_of(record_of(small))] == ["discharge"]
    large = [REST, (-1.0, 1000, 4.0, 3.5), (1.0, 80, 3.9, 3.9), (-1.0, 1000, 3.5, 3.0), REST]
    assert [phase.kind for phase in phases_of(record_of(large))] == ["discharge", "charge", "discharge"]


def test_charge_and_discharge_in_turn_are_told_apart_with_their_amounts():
    record = record_of([REST, (0.5, 3600, 3.4, 4.2), REST, (-1.0, 1700, 4.1, 3.0), REST])
    charge, discharge = phases_of(record)
    assert (charge.kind, discharge.kind) == ("charge", "discharge")
    assert charge.end_Ah - charge.begin_Ah == pytest.approx(0.5, rel=1e-3)
    assert discharge.end_Ah - discharge.begin_Ah == pytest.approx(-1700 / 3600, rel=1e-3)


def test_charge_running_straight_into_discharge_is_parted_at_the_step():
    record = record_of([(0.5, 1000, 3.4, 4.2), (-1.0, 1000, 4.1, 3.0)])
    charge, discharge = phases_of(record)
    assert charge.end_Ah == pytest.approx(discharge.begin_Ah)
    assert discharge.end_Ah - discharge.begin_Ah == pytest.approx(-999.5 / 3600, rel=1e-6)


def test_a_reading_below_the_cutoff_in_a_pulse_is_not_at_the_main_current():
    record = record_of([REST, (-0.4, 1000, 4.0, 3.6), (-2.0, 10, 2.9, 2.9), (-0.4, 1000, 3.6, 3.0), REST])
    (phase,) = phases_of(record)
    rows = at_main_current(record, phase)
    assert not (np.abs(record.current_A[rows]) > 1).any()


def test_a_step_of_a_coarse_meter_in_hours_of_rest_is_not_the_main_current():
    """10 mA shown in the recovery after 0.19 A (a meter of 10 mA steps): the cut-off was crossed all the same."""
    record = record_of([REST, (-0.19, 3600, 4.0, 2.99), (-0.01, 3600, 3.05, 3.19)])
    (phase,) = phases_of(record)
    rows = at_main_current(record, phase)
    assert rows.size == 3600 and record.current_A[rows].max() == -0.19


def test_the_falling_current_of_a_resistor_is_the_main_current_throughout():
    n = 5000
    current = -np.linspace(0.42, 0.26, n)
    record = Record(
        np.arange(n) * 2.0,
        -10 * current,
        current,
        np.full(n, np.nan),
        np.zeros(n, np.int64),
        np.empty(0),
    )
    (phase,) = phases_of(record)
    assert at_main_current(record, phase).size == n


def test_a_gap_of_unknown_charge_under_load_parts_the_phases_and_marks_the_cut():
    record = record_of([REST, (-1.0, 500, 4.0, 3.7), (-1.0, 500, 3.5, 3.0), REST], [RecordGap(560, 559.0, 560.0)])
    phases = phases_of(record)
    assert [phase.kind for phase in phases] == ["discharge", "discharge"]
    assert phases[0].cut_by_gap


def test_a_gap_between_two_equal_rests_parts_nothing():
    record = record_of([REST, REST, (-1.0, 500, 4.0, 3.0), REST], [RecordGap(60, 59.0, 60.0)])
    assert len(phases_of(record)) == 1


def test_a_kick_the_other_way_at_switching_on_belongs_to_the_phase():
    record = record_of([REST, (-3.0, 1, 3.5, 3.5), (1.0, 3600, 3.5, 4.2), REST])
    (phase,) = phases_of(record)
    assert phase.kind == "charge"
    assert phase.end_Ah - phase.begin_Ah == pytest.approx((3600 - 3) / 3600, rel=1e-3)


def test_a_record_without_current_has_no_phases():
    assert phases_of(record_of([REST, REST])) == ()


def with_current(current_A, interval_s=10.0):
    n = current_A.size
    return Record(
        np.arange(n) * interval_s, np.full(n, 3.7), current_A, np.full(n, np.nan), np.zeros(n, np.int64), np.empty(0)
    )


@pytest.mark.parametrize("amplitude_A", [1e-6, 5e-4, 5e-3])
def test_the_noise_of_no_current_is_no_charge_and_no_discharge(amplitude_A):
    noise = np.random.default_rng(1).normal(0, amplitude_A, 2000)
    assert phases_of(with_current(noise)) == ()


@pytest.mark.parametrize("current_A", [-5e-3, 1e-3, -2e-4])
def test_a_small_current_that_flows_is_a_phase_whatever_its_noise(current_A):
    noise = np.random.default_rng(2).normal(0, abs(current_A) / 4, 2000)
    (phase,) = phases_of(with_current(current_A + noise))
    assert phase.kind == ("discharge" if current_A < 0 else "charge")
    assert phase.end_Ah - phase.begin_Ah == pytest.approx(current_A * 19_990 / 3600, rel=0.02)


def test_pulses_of_a_single_reading_are_no_noise():
    current = np.zeros(200)
    current[10::20] = -1.0
    (phase,) = phases_of(with_current(current))
    assert phase.kind == "discharge"
