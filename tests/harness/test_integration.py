"""Promises of the integration: steps where they are known, nothing across gaps, times that repeat."""

import numpy as np
import pytest

from harness.analysis.integration import accumulate, find_edges, find_gaps
from harness.analysis.records import Gap, Record
from harness.errors import AnalysisError


def record_of(t_s, current_A, voltage_V=None, switches=(), gaps=()):
    t = np.asarray(t_s, float)
    return Record(
        t,
        np.full(t.size, 3.7) if voltage_V is None else np.asarray(voltage_V, float),
        np.asarray(current_A, float),
        np.full(t.size, np.nan),
        np.zeros(t.size, np.int64),
        np.asarray(switches, float),
        tuple(gaps),
    )


def test_an_ordered_step_is_placed_at_its_instant():
    record = record_of([0, 10, 20, 30, 40], [0, 0, -1, -1, -1], switches=[13.0])
    edges = find_edges(record)
    assert list(edges.row) == [1]
    assert edges.at_s[0] == 13.0
    assert edges.how == ("ordered",)
    assert accumulate(record).charge_Ah[-1] * 3600 == pytest.approx(-27.0)


def test_the_step_clock_of_the_source_places_a_step():
    step_time = np.array([0.0, 10.0, 20.0, 4.0, 14.0, 24.0])
    record = record_of([0, 10, 20, 30, 40, 50], [0, 0, 0, -1, -1, -1])
    edges = find_edges(record, step_time)
    assert edges.how == ("step clock",)
    assert edges.at_s[0] == pytest.approx(26.0)


def test_a_row_off_the_rhythm_followed_by_a_new_rhythm_is_where_the_step_was():
    record = record_of([0, 10, 20, 24.4, 34.4, 44.4, 54.4], [-1, -1, -1, -1, 0, 0, 0])
    assert find_edges(record).how == ("row before",)
    assert accumulate(record).charge_Ah[-1] * 3600 == pytest.approx(-24.4, abs=0.2)


def test_a_time_written_twice_is_where_the_step_was():
    record = record_of([0, 60, 120, 120, 180, 240], [0, 0, 0, 0, 2.9, 2.9])
    assert find_edges(record).how == ("row before",)
    assert accumulate(record).charge_Ah[-1] * 3600 == pytest.approx(2.9 * 120)


def test_a_step_of_unknown_instant_is_half_way_with_its_limits():
    record = record_of([0, 10, 20, 30, 40, 50], [0, 0, 0, -2, -2, -2])
    edges = find_edges(record)
    assert edges.how == ("half-way",)
    assert (edges.at_s[0], edges.half_width_s[0]) == (25.0, 5.0)


def test_a_smooth_taper_has_no_steps():
    t = np.arange(0, 3600, 10.0)
    record = record_of(t, 1.0 * np.exp(-t / 600))
    assert find_edges(record).row.size == 0


def test_nothing_is_integrated_across_an_unknown_gap_and_the_middle_across_a_bounded_one():
    t, i = [0, 10, 20, 7220, 7230], [-1, -1, -1, -1, -1]
    unknown = accumulate(record_of(t, i, gaps=[Gap(3, 20, 7220)]))
    assert unknown.charge_Ah[-1] * 3600 == pytest.approx(-30.0)
    bounded = accumulate(record_of(t, i, gaps=[Gap(3, 20, 7220, -2.0, 0.0)]))
    assert bounded.charge_Ah[-1] == pytest.approx(-30.0 / 3600 - 1.0)


def test_hours_without_rows_among_dense_rows_are_gaps_and_a_sparse_record_has_none():
    dense = np.concatenate((np.arange(0, 100, 10.0), np.arange(10_000, 10_100, 10.0)))
    (gap,) = find_gaps(dense)
    assert (gap.after_row, gap.from_s, gap.to_s) == (10, 90.0, 10_000.0)
    assert find_gaps(np.arange(0, 100 * 3600, 3600.0)) == ()


def test_repeated_times_add_nothing():
    once = accumulate(record_of([0, 10, 20], [-1, -1, -1]))
    twice = accumulate(record_of([0, 10, 10, 20, 20], [-1, -1, -1, -1, -1]))
    assert twice.charge_Ah[-1] == once.charge_Ah[-1]


def test_falling_time_and_a_single_row_are_refused():
    with pytest.raises(AnalysisError, match="time falls after row 2"):
        accumulate(record_of([0, 10, 5], [-1, -1, -1]))
    with pytest.raises(AnalysisError, match="at least 2"):
        accumulate(record_of([0], [-1]))
