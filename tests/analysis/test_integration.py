"""Promises of the integration: steps where they are known, nothing across gaps, times that repeat."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.analysis.integration import accumulate, find_edges, find_gaps, rows_that_jump
from amphora.harness.analysis.records import BLOCK_ROWS, Record, RecordGap, Timing
from amphora.harness.common.errors import AnalysisError


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


def test_an_order_that_may_act_late_is_placed_between_its_instant_and_the_next_reading():
    record = record_of([0, 1, 2, 12, 13], [0, 0, 0, -1, -1], switches=[2.0])
    known, late = find_edges(record), find_edges(dataclasses.replace(record, orders_within_s=30.0))
    assert known.at_s.tolist() == [2.0] and known.half_width_s[0] < 0.1
    assert late.at_s.tolist() == [7.0] and late.half_width_s.tolist() == [5.0]
    soon = find_edges(dataclasses.replace(record, orders_within_s=3.0))
    assert soon.at_s.tolist() == [3.5] and soon.half_width_s.tolist() == [1.5]


def test_an_order_that_took_a_while_acted_between_being_sent_and_confirmed():
    record = dataclasses.replace(
        record_of([0, 10, 20, 30], [0, 0, -1, -1], switches=[12.0]), switches_until_s=np.array([16.0])
    )
    edges = find_edges(record)
    assert edges.at_s.tolist() == [14.0] and edges.half_width_s.tolist() == [2.0]


def test_readings_that_are_older_than_an_order_do_not_move_its_instant():
    # off at 20 s; a meter renewed every 2 s shows the discharge until 22 s: the charge is that of 20 s all the same
    t = np.arange(0.0, 31.0)
    volts = np.where(t < 22, 3.6, 3.7)
    off = record_of(t, np.where(t < 22, -1.0, 0.0), voltage_V=volts, switches=[20.0])
    off = dataclasses.replace(off, switches_until_s=np.array([20.0]))
    told = dataclasses.replace(off, timing=Timing(2.0, 2.0, known=True))
    assert find_edges(told).at_s.tolist() == [20.0]
    assert accumulate(told).charge_Ah[-1] * 3600 == pytest.approx(-20.0)
    nobody_said = dataclasses.replace(off, timing=Timing(known=True))  # the order may have been late as well
    edges = find_edges(nobody_said)
    assert edges.at_s[0] - edges.half_width_s[0] == pytest.approx(20.0)
    assert edges.at_s[0] + edges.half_width_s[0] == pytest.approx(22.0)
    old_folder = find_edges(dataclasses.replace(off, switches_until_s=np.empty(0)))
    assert old_folder.how == ("half-way",)


def test_a_meter_that_shows_a_mean_over_the_order_changes_no_charge():
    t = np.arange(0.0, 31.0)
    amps = np.where(t <= 20, -1.0, np.where(t <= 22, -0.4, 0.0))
    record = record_of(t, amps, switches=[20.5])
    told = dataclasses.replace(record, switches_until_s=np.array([20.5]), timing=Timing(2.0, 2.0, known=True))
    assert accumulate(told).charge_Ah[-1] * 3600 == pytest.approx(-20.5)


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
    unknown = accumulate(record_of(t, i, gaps=[RecordGap(3, 20, 7220)]))
    assert unknown.charge_Ah[-1] * 3600 == pytest.approx(-30.0)
    bounded = accumulate(record_of(t, i, gaps=[RecordGap(3, 20, 7220, -2.0, 0.0)]))
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


def naive(record, edges):
    """The trapezoid interval by interval; where the current steps, each level is held up to the instant."""
    charge = 0.0
    at = {int(row): float(t) for row, t in zip(edges.row, edges.at_s, strict=True)}
    t, i = record.t_s, record.current_A
    for k in range(t.size - 1):
        if k in at:
            charge += i[k] * (at[k] - t[k]) + i[k + 1] * (t[k + 1] - at[k])
        else:
            charge += 0.5 * (i[k] + i[k + 1]) * (t[k + 1] - t[k])
    return charge / 3600


def steps_strategy():
    return st.lists(
        st.tuples(st.sampled_from([0.0, -0.5, -2.0, 0.3, 1.0]), st.integers(3, 12), st.sampled_from([0.5, 1.0, 7.0])),
        min_size=1,
        max_size=6,
    )


def pieces(parts, begin_s=0.0, ordered=True):
    t, i, v, switches, now = [], [], [], [], begin_s
    for amps, rows, interval_s in parts:
        switches.append(now - 0.3 * interval_s)
        for k in range(rows):
            t.append(now)
            i.append(amps)
            v.append(3.7 + 0.01 * k + 0.05 * amps)
            now += interval_s
    return record_of(t, i, v, switches[1:] if ordered else ())


@settings(max_examples=60, deadline=None)
@given(steps_strategy(), st.booleans())
def test_the_sum_is_that_of_every_interval(parts, ordered):
    record = pieces(parts, ordered=ordered)
    totals = accumulate(record)
    assert totals.charge_Ah[-1] == pytest.approx(naive(record, totals.edges), abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(steps_strategy(), st.data())
def test_splitting_a_record_anywhere_keeps_the_sum(parts, data):
    # Each part is given the orders, so that both sides know where the current stepped.
    record = pieces(parts)
    cut = data.draw(st.integers(1, record.t_s.size - 2))
    first = record_of(
        record.t_s[: cut + 1], record.current_A[: cut + 1], record.voltage_V[: cut + 1], record.switches_s
    )
    second = record_of(record.t_s[cut:], record.current_A[cut:], record.voltage_V[cut:], record.switches_s)
    whole, a, b = accumulate(record), accumulate(first), accumulate(second)
    assert a.charge_Ah[-1] + b.charge_Ah[-1] == pytest.approx(whole.charge_Ah[-1], abs=1e-12)
    assert a.energy_Wh[-1] + b.energy_Wh[-1] == pytest.approx(whole.energy_Wh[-1], abs=1e-12)
    assert whole.charge_Ah[cut] == pytest.approx(a.charge_Ah[-1], abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(steps_strategy(), st.sampled_from([-512.0, 64.0, 86_400.0, 2.0**20]), st.booleans())
def test_when_a_record_began_does_not_matter(parts, shift_s, ordered):
    here, there = accumulate(pieces(parts, ordered=ordered)), accumulate(pieces(parts, shift_s, ordered))
    assert list(here.edges.row) == list(there.edges.row)
    assert here.edges.how == there.edges.how
    assert there.charge_Ah == pytest.approx(here.charge_Ah, abs=1e-9)
    assert there.energy_Wh == pytest.approx(here.energy_Wh, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(steps_strategy())
def test_charging_and_discharging_alike_give_opposite_sums(parts):
    record = pieces(parts)
    back = record_of(record.t_s, -record.current_A, record.voltage_V, record.switches_s)
    assert accumulate(back).charge_Ah == pytest.approx(-accumulate(record).charge_Ah, abs=1e-12)


def test_a_long_record_is_summed_across_the_parts_it_is_worked_on_in():
    n = 2 * BLOCK_ROWS + 77
    t = np.arange(n) * 1.0
    i = -1.0 - 0.1 * np.sin(t / 500)
    for row in (BLOCK_ROWS - 1, BLOCK_ROWS + 40, 2 * BLOCK_ROWS):  # steps at and beside the seams
        i[row + 1 :] -= 1.0
    record = record_of(t, i)
    totals = accumulate(record)
    assert list(totals.edges.row) == [BLOCK_ROWS - 1, BLOCK_ROWS + 40, 2 * BLOCK_ROWS]
    assert totals.charge_Ah[-1] == pytest.approx(naive(record, totals.edges), rel=1e-12)
    assert list(rows_that_jump(i, 0.5)) == list(totals.edges.row)
    falling = t.copy()
    falling[BLOCK_ROWS + 1 :] -= 5.0
    with pytest.raises(AnalysisError, match=f"time falls after row {BLOCK_ROWS + 1}"):
        accumulate(record_of(falling, i))
