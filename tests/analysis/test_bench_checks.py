"""Promises of what the evening's checks are good for: the zero is taken out, the resistor bounds the gain."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.parts import ChannelSpec
from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.bench_checks import check_standard_u, improved, without_zero, zero_by_row, zero_standard_u
from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import CheckedResistor, MeasuredZero, Measurement, Record, RunInfo, Specification
from amphora.harness.analysis.uncertainty import standard
from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import run_header
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.plans.plan import End, Limits, Order, Plan, Segment, Step, plan_to_dict
from amphora.harness.report.analysis_text import analysis_lines
from amphora.harness.results.preparation import prepared
from amphora.harness.running.runner import Runner
from tests.support.paper_runs import write_run

CHEAP = Measurement(
    Specification(0.0005, 0.002, 1e-3, "normal"),
    Specification(0.005, 0.010, 1e-4, "normal", assumed=True),
    Specification(0.0, 2.0, 0.1),
    Specification(50e-6, 0.0, 0.0, "normal"),
)
ZERO = MeasuredZero("load", -0.010, 2e-5, 30.0, 60, 60.0)


def info_of(measurement=CHEAP, zeros=(), check=None, current_of=(("load", "load"),)):
    return RunInfo(
        "L3-a/one", "L3-a", "18650", "li-ion", "full", 3.0, measurement,
        zeros=tuple(zeros), check=check, current_of=current_of, voltage_by="load",
    )  # fmt: skip


def discharge(offset_A=0.0, gain=0.0, amps=-0.2, volt_gain=0.0):
    t = np.arange(0.0, 40_000.0, 20.0)
    loaded = t >= 100.0
    v = 4.1 - np.where(loaded, 0.05 + 1.15 * (t - 100) / 39_000, 0.0)
    i = np.where(loaded, amps, 0.0) * (1 + gain) + offset_A
    return Record(t, v * (1 + volt_gain), i, np.full(t.size, 20.0), np.zeros(t.size, np.int64), np.array([100.0]))


def found_in(record, info):
    record = without_zero(record, info)
    totals = accumulate(record)
    phase = next(phase for phase in find_phases(record, totals) if phase.kind == "discharge")
    return figures(record, totals, phase, improved(info), 3.0)


def test_a_bench_that_is_10_mA_off_gives_the_right_capacity_once_its_zero_was_measured():
    true = found_in(discharge(), info_of())
    wrong = found_in(discharge(offset_A=-0.010), info_of())
    right = found_in(discharge(offset_A=-0.010), info_of(zeros=[ZERO]))
    assert wrong.capacity_Ah - true.capacity_Ah == pytest.approx(0.010 * true.duration_s / 3600, rel=0.01)
    assert right.capacity_Ah == pytest.approx(true.capacity_Ah, rel=1e-9)
    assert right.capacity.U < 0.25 * wrong.capacity.U
    (line,) = [line for line in right.capacity.lines if line.name == "current offset"]
    assert "taken out" in line.note and not line.assumed
    assert all(line.assumed for line in right.capacity.lines if line.name == "current gain")


def test_the_interval_with_a_zero_taken_out_covers_the_truth():
    # Method: JCGM 101:2008, clause 7. Offsets 1 k normal of the specification, drift rectangular, zero with its noise.
    true = found_in(discharge(), info_of())
    generator = np.random.default_rng(11)
    inside, widths = 0, []
    for _ in range(400):
        offset_A, gain = generator.normal(0, 0.005), generator.normal(0, 0.0025)
        zero = MeasuredZero("load", offset_A + generator.normal(0, 5e-5), 5e-5, 30.0)
        drift_A = generator.uniform(-0.001, 0.001)
        found = found_in(discharge(offset_A + drift_A, gain), info_of(zeros=[zero]))
        inside += abs(found.capacity_Ah - true.capacity_Ah) <= found.capacity.U
        widths.append(found.capacity.U)
    assert inside >= 370  # 95 % of 400 is 380, its standard deviation 4.4
    assert max(widths) < 0.4 * found_in(discharge(), info_of()).capacity.U


def test_each_of_two_meters_has_its_own_zero_while_it_carries_the_current():
    zeros = [MeasuredZero("load", -0.010, 1e-5, 0.0), MeasuredZero("supply", 0.004, 1e-5, 0.0)]
    both = info_of(zeros=zeros, current_of=(("load", "load"), ("supply", "supply")))
    record = replace(
        discharge(), t_s=np.arange(3.0), current_A=np.array([-0.006, -1.010, 0.504]), voltage_V=np.full(3, 3.7)
    )
    assert without_zero(record, both).current_A == pytest.approx([0.0, -1.0, 0.5])
    assert zero_standard_u(info_of(zeros=zeros[:1], current_of=both.current_of)) is None  # one is not known


def test_a_run_that_went_on_after_a_break_has_the_zero_of_its_time():
    info = info_of(zeros=[MeasuredZero("load", 0.001, 1e-5, 10.0), MeasuredZero("load", 0.003, 1e-5, 200.0)])
    record = replace(discharge(), t_s=np.array([0.0, 100.0, 200.0, 300.0]), current_A=np.zeros(4))
    assert zero_by_row(record, info) == pytest.approx([0.001, 0.001, 0.003, 0.003])
    found = zero_standard_u(info)
    assert found is not None and found[1] == pytest.approx(0.002)  # it was seen to move by so much


def test_no_zero_changes_nothing():
    record = discharge()
    assert without_zero(record, info_of()) is record
    assert improved(info_of()) == CHEAP


def check(gain=0.0, volt_gain=0.0, **changes):
    amps, ohm = 0.1, 10.0
    made = CheckedResistor(
        ohm, 1e-4, amps * ohm * (1 + volt_gain), -amps * (1 + gain), (1 + volt_gain) / (1 + gain) - 1,
        instrument="load", voltage_by="load", drop=True,
    )  # fmt: skip
    return replace(made, **changes)


FINE = replace(
    CHEAP, voltage=Specification(0.0005, 0.002, 1e-6, "normal"), current=Specification(0.005, 0, 1e-6, "normal")
)


def test_the_check_resistor_bounds_the_gain_and_the_voltmeters_share_counts_with_the_voltage():
    info = info_of(FINE, check=check(gain=0.0004))
    found = check_standard_u(info)
    assert found is not None
    assert found[1] == pytest.approx(-0.0004, rel=1e-2)
    assert found[0] == pytest.approx(math.hypot(0.0004, 1e-4 / math.sqrt(3)), rel=0.02)  # left uncorrected, it counts
    used = improved(info).current
    assert standard(used.gain, used) == pytest.approx(found[0])
    assert used.gain_follows_voltage
    before, after = found_in(discharge(), info_of(FINE)), found_in(discharge(), info)
    assert after.capacity.U < 0.6 * before.capacity.U
    (line,) = [line for line in after.energy.lines if line.name == "voltage gain"]
    (plain,) = [line for line in before.energy.lines if line.name == "voltage gain"]
    assert line.contribution - plain.contribution == pytest.approx(0.00025 * after.energy_Wh, rel=1e-6)


def test_the_interval_with_a_check_resistor_covers_the_truth():
    # Method: JCGM 101:2008, clause 7. The check shows gain of voltage over gain of current, and so does each night.
    true = found_in(discharge(), info_of(FINE))
    generator = np.random.default_rng(5)
    capacity = energy = 0
    for _ in range(300):
        gain, volt_gain = generator.normal(0, 0.0004), generator.normal(0, 0.00025)
        info = info_of(FINE, check=check(gain, volt_gain))
        found = found_in(discharge(gain=gain, volt_gain=volt_gain), info)
        capacity += abs(found.capacity_Ah - true.capacity_Ah) <= found.capacity.U
        energy += abs(found.energy_Wh - true.energy_Wh) <= found.energy.U
    assert capacity >= 275 and energy >= 275  # 95 % of 300 is 285, its standard deviation 3.8


@pytest.mark.parametrize("change", [{"passed": False}, {"instrument": "supply"}, {"voltage_by": "meter"}])
def test_a_check_that_failed_or_was_made_by_other_meters_improves_nothing(change):
    info = info_of(FINE, check=check(**change))
    assert check_standard_u(info) is None
    assert improved(info) == FINE


BENCH = {
    "name": "hall bench",
    "instruments": {"load": {"role": "load"}},
    "cell": {"voltage": "load", "current": ["load"], "temperature": None},
}


def with_events(folder, *events):
    lines = (folder / "events.jsonl").read_text().splitlines()
    made = [json.dumps({"t_s": 0.0, "after_row": 0, "utc": "2026-11-24T21:00:00Z", **event}) for event in events]
    (folder / "events.jsonl").write_text("\n".join([lines[0], *made, *lines[1:]]) + "\n")
    return folder


ZERO_EVENT = {
    "kind": "current-zero", "instrument": "load", "current_A": -0.010, "standard_uncertainty_A": 5e-5, "readings": 60,
    "duration_s": 60.0,
}  # fmt: skip


def test_a_run_says_that_and_how_it_was_corrected_and_its_readings_stay(tmp_path):
    plain = analyse_run(write_run(tmp_path / "a", bench=BENCH))
    folder = with_events(write_run(tmp_path / "b", bench=BENCH), ZERO_EVENT)
    raw = (folder / "samples.csv").read_bytes()
    result = analyse_run(folder)
    hours = result.duration_s / 3600
    assert result.capacity_Ah == pytest.approx(plain.capacity_Ah - 0.010 * hours, rel=1e-4)
    assert (folder / "samples.csv").read_bytes() == raw
    assert load(folder)[0].current_A[5] == pytest.approx(-0.5)
    evening = result.evening
    assert evening.current_zero[0].corrected and evening.current_zero[0].current_A == -0.010
    assert "+10.00 mA" in evening.texts[0]
    assert any("+10.00 mA" in line for line in analysis_lines(result))
    assert "zero-beyond-specification" not in {item.code for item in result.warnings}  # it is only assumed
    assert plain.evening is None


def test_a_zero_beyond_what_the_maker_allows_is_said(tmp_path):
    folder = write_run(tmp_path, bench=BENCH)
    run = json.loads((folder / "run.json").read_text())
    run["measurement"]["current"]["assumed"] = False
    (folder / "run.json").write_text(json.dumps(run))
    result = analyse_run(with_events(folder, ZERO_EVENT))
    assert "zero-beyond-specification" in {item.code for item in result.warnings}


def test_a_failed_check_resistor_is_a_warning_and_a_good_one_is_reported(tmp_path):
    event = {
        "kind": "check-resistor", "resistance_ohm": 10.0, "tolerance": 1e-4, "measured_ohm": 10.002,
        "voltage_V": 1.0002, "current_A": -0.1, "zero_A": 0.0, "deviation": 0.0002, "passed": True,
        "instrument": "load", "voltage_by": "load", "through": "load",
    }  # fmt: skip
    good = analyse_run(with_events(write_run(tmp_path / "a", bench=BENCH), event))
    assert good.evening.check_resistor.deviation == pytest.approx(0.0002)
    assert "check-failed" not in {item.code for item in good.warnings}
    bad = analyse_run(
        with_events(write_run(tmp_path / "b", bench=BENCH), {**event, "deviation": 0.04, "passed": False})
    )
    assert "check-failed" in {item.code for item in bad.warnings}
    assert not bad.evening.check_resistor.used


def test_an_event_without_numbers_is_passed_over(tmp_path):
    result = analyse_run(with_events(write_run(tmp_path, bench=BENCH), {**ZERO_EVENT, "current_A": None}))
    assert result.evening is None


def test_the_instruments_temperature_is_a_line_beyond_the_band_it_holds_for():
    warm = replace(CHEAP, current=replace(CHEAP.current, gain_per_K=1e-4, offset_per_K=1e-5))
    inside, outside, unknown = (improved(info_of(warm), room).current for room in (25.0, 8.0, None))
    assert (inside.away_K, outside.away_K, unknown.away_K) == (0.0, 10.0, 5.0)
    record = discharge()
    totals = accumulate(record)
    found = figures(record, totals, find_phases(record, totals)[0], improved(info_of(warm), 8.0), 3.0)
    lines = {line.name: line for line in found.capacity.lines}
    assert lines["current gain by temperature"].contribution == pytest.approx(
        1e-4 * 10 / math.sqrt(3) * found.capacity_Ah
    )
    assert lines["current offset by temperature"].contribution == pytest.approx(
        1e-5 * 10 / math.sqrt(3) * found.duration_s / 3600
    )
    assert any("10.0 K outside 23 °C ± 5 K" in note for note in found.capacity.notes)
    plain = figures(record, totals, find_phases(record, totals)[0], improved(info_of(warm), 21.0), 3.0)
    assert not any("temperature" in line.name for line in plain.capacity.lines)
    assert any("within 23 °C ± 5 K" in note for note in plain.capacity.notes)


def test_the_cells_own_temperature_is_a_stated_note_beside_the_budget(tmp_path):
    result = analyse_run(write_run(tmp_path, bench=BENCH))
    assert result.reference_temperature.reference_degC == 20.0
    assert result.reference_temperature.within is True
    assert any("20 °C" in note for note in result.budget.capacity.notes)
    assert any("not in it: the cell itself at another temperature" in line for line in analysis_lines(result, True))


def test_a_zero_of_coarse_digits_is_not_taken_out_where_the_maker_allows_less_than_a_digit():
    fine = replace(CHEAP, current=Specification(0.001, 0.0002, 1e-3))
    info = info_of(fine, zeros=[MeasuredZero("load", 0.0003, 3e-4, 0.0)])
    assert improved(info) == fine
    record = discharge()
    assert without_zero(record, info) is record


def test_a_zero_beyond_the_specification_counts_whatever_that_says():
    strict = replace(CHEAP, current=Specification(0.001, 0.001, 1e-3))
    info = info_of(strict, zeros=[MeasuredZero("load", -0.010, 3e-4, 0.0)])
    found, true = found_in(discharge(offset_A=-0.010), info), found_in(discharge(), info_of())
    assert found.capacity_Ah == pytest.approx(true.capacity_Ah, rel=1e-9)
    assert standard(improved(info).current.offset, improved(info).current) == pytest.approx(
        math.hypot(3e-4, 1e-3 / math.sqrt(3))
    )


def test_the_drift_seen_until_the_end_replaces_the_one_assumed(tmp_path):
    info = info_of(zeros=[ZERO])
    seen = improved(info, drift_A=0.004).current
    assert standard(seen.offset, seen) == pytest.approx(0.004 / math.sqrt(3), rel=1e-3)
    assert "seen until the end" in seen.offset_note


def a_night(folder, seed):
    """Run a discharge on a bench whose current is up to 0.5 % and 10 mA off; return it and the true charge."""
    bench = SimulatedBench("li-ion-good", seed, current=ChannelSpec(0.005, 0.010, 1e-4, 2e-4))
    limits = Limits(2.5, 4.4, -2.0, 2.0)

    def rest(name, seconds):
        return Step(name, "rest", (Segment(Order("off"), seconds),), (), seconds, True, 1.0, limits)

    order, end = Order("discharge", value=0.5), End("cutoff", "voltage_V", "<=", 3.0)
    down = Step("down", "discharge", (Segment(order, 30_000.0),), (end,), 30_000.0, False, 10.0, limits)
    plan = Plan(
        "b", "c", "li-ion", (rest("before", 120.0), down, rest("after", 300.0)), 3.0, 10.0, "x", "full", False, 1e6,
        as_found_high_V=4.4,
    )  # fmt: skip
    described = bench_from_dict(bench.description)
    header = run_header(plan_to_dict(plan), {"id": "c"}, described, folder, "full", 3.0, "b", bench.clock.utc())
    before = bench.cell.soc
    Runner(
        plan, Rig(described, bench.instruments), bench.clock, folder, header, ObligingPerson(), take_signals=False
    ).run()
    return folder, (before - bench.cell.soc) * bench.cell.spec.capacity_Ah


@pytest.mark.parametrize("seed", [7, 13, 17])  # without the zero more than 1 % wrong
def test_a_whole_night_on_a_bench_that_is_off_gives_the_charge_that_really_left_the_cell(tmp_path, seed):
    folder, true_Ah = a_night(tmp_path / "c" / "20260101T000000Z-x", seed)
    raw, info = load(folder)
    result = analyse_run(folder)
    U_Ah = next(phase for phase in result.phases if phase.kind == "discharge").capacity_U_Ah
    as_read, corrected = (-accumulate(prepared(raw, True, told)).charge_Ah[-1] for told in (None, info))
    assert abs(as_read - true_Ah) > 0.01 * true_Ah
    assert abs(corrected - true_Ah) < U_Ah < 0.01 * true_Ah
    assert result.evening.drift_seen_A == pytest.approx(0.0, abs=2e-4)


def test_the_room_is_as_warm_as_its_own_sensor_says_and_else_as_the_cell_before(tmp_path):
    folder = write_run(tmp_path, bench=BENCH)
    run = json.loads((folder / "run.json").read_text())
    run["measurement"]["current"] |= {"gain_per_K": 1e-4}
    (folder / "run.json").write_text(json.dumps(run))
    notes = analyse_run(folder).budget.capacity.notes
    assert any("room at 22.0 °C, within 23 °C ± 5 K" in note for note in notes)
    lines = (folder / "samples.csv").read_text().splitlines()
    with_room = [f"{lines[0]},room.temperature_degC", *(f"{line},12.00" for line in lines[1:])]
    (folder / "samples.csv").write_text("\n".join(with_room) + "\n")
    answer = analyse_run(folder).budget.capacity
    assert any("room at 12.0 °C, 6.0 K outside 23 °C ± 5 K" in note for note in answer.notes)
    (line,) = [line for line in answer.lines if line.name == "current gain by temperature"]
    assert line.standard_u == pytest.approx(6e-4 / math.sqrt(3))
