"""Promises of the uncertainty room beside the GUM's examples: the linear budget against Monte Carlo."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, Specification
from amphora.harness.archive.loading import measurement_of
from amphora.harness.archive.run_header import MeasurementOfRun
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.common.as_json import known_of, to_json
from amphora.harness.common.errors import InputError
from tests.support import gum


def reading(v_gain=0.0, v_offset=0.0, i_gain=0.0, i_offset=0.0, t_gain=0.0):
    t = np.arange(0.0, 18000.0, 30.0)
    v = 4.2 - 1.2 * 0.4 * t / 3600 / 2.0 - 0.04
    n = t.size
    return Record(
        t * (1 + t_gain),
        v * (1 + v_gain) + v_offset,
        np.full(n, -0.4) * (1 + i_gain) + i_offset,
        np.full(n, np.nan),
        np.zeros(n, np.int64),
        np.empty(0),
    )


def figures_of(record, measurement):
    totals = accumulate(record)
    return figures(record, totals, find_phases(record, totals)[0], measurement, 3.0)


def test_the_linear_budget_agrees_with_monte_carlo():
    # Method: JCGM 101:2008, clause 8 (comparison of the GUM's framework with Monte Carlo).
    normal = Measurement(
        Specification(0.001, 0.005, 0.0, "normal"),
        Specification(0.005, 0.010, 0.0, "normal"),
        Specification(0.0, 2.0, 0.0, "normal"),
        Specification(100e-6, 0.0, 0.0, "normal"),
    )
    linear = figures_of(reading(), normal)
    generator = np.random.default_rng(7)
    capacities, energies = [], []
    for _ in range(400):
        v_gain, v_offset, i_gain, i_offset, t_gain = generator.normal(0, [0.0005, 0.0025, 0.0025, 0.005, 50e-6])
        found = figures_of(reading(v_gain, v_offset, i_gain, i_offset, t_gain), normal)
        capacities.append(found.capacity_Ah)
        energies.append(found.energy_Wh)
    assert np.std(capacities, ddof=1) == pytest.approx(linear.capacity.u, rel=0.12)
    assert np.std(energies, ddof=1) == pytest.approx(linear.energy.u, rel=0.12)


def test_the_interval_covers_the_truth_over_simulated_benches():
    path = Path(__file__).parents[1] / "campaign" / "coverage.py"
    spec = importlib.util.spec_from_file_location("coverage_over_benches", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    shares = module.study(60, seed=5)
    for name, share in shares.items():
        assert share["complete"] == 1.0, name
        assert share["capacity"] >= 0.86, name  # 60 benches: 95 % less three standard deviations
        assert share["energy"] >= 0.86, name
        assert share["with a resistance"] == 1.0, name
        assert share["resistance"] >= 0.86, name


def test_the_interval_covers_the_resistance_on_awkward_benches():
    from tests.campaign import resistance_study

    cases, none = resistance_study.study(300, seed=3)
    assert none == 0
    for name, count, share, _ in resistance_study.table(cases):
        if count >= 60:  # 95 % less three standard deviations
            assert share >= 0.95 - 3 * (0.95 * 0.05 / count) ** 0.5, name


def test_a_zero_reading_and_a_check_resistor_improve_the_current():
    specification = Specification(0.005, 0.010, 0.001, "rectangular", 2.0, True)
    better = gum.with_zero(specification, 0.0002)
    assert gum.standard(better.offset, better) == pytest.approx(0.0002)
    assert better.measured == ("offset",) and better.gain == specification.gain
    checked = gum.with_check(better, 0.0005)
    assert gum.standard(checked.gain, checked) == pytest.approx(0.0005)
    before = figures_of(reading(), Measurement(specification, specification, specification, Specification(1e-4, 0)))
    after = figures_of(reading(), Measurement(specification, checked, specification, Specification(1e-4, 0)))
    assert after.capacity.U < before.capacity.U


def test_a_budget_leaves_out_what_is_zero_and_expands_with_k():
    budget = gum.make_budget(
        "x", 1.0, "Ah", [gum.line("a", 3.0, "A", 1.0), gum.line("b", 4.0, "A", 1.0), gum.line("c", 0, "A", 1)]
    )
    assert [line.name for line in budget.lines] == ["a", "b"]
    assert budget.u == pytest.approx(5.0)
    assert pytest.approx(10.0) == budget.U


def bench_with(**channels):
    load = {"role": "load", "resource": "TCPIP::192.0.2.10::5025::SOCKET", "specification": channels}
    return bench_from_dict({"name": "hall bench", "leads": "by hand", "instruments": {"load": load}})


def lines_with(**channels):
    """Return the capacity's budget lines of one record under a bench file's specification."""
    measurement = measurement_of(known_of(MeasurementOfRun, to_json(bench_with(**channels).measurement())))
    found = figures_of(reading(), measurement)
    return found, {line.name: line for line in found.capacity.lines}


def test_a_maker_s_percent_of_reading_plus_percent_of_range_is_in_the_budget():
    # JCGM 100:2008, 4.3.7: limits without a distribution are rectangular, a/sqrt(3).
    found, lines = lines_with(current={"gain": "0.05 %", "offset": "0.02 %", "range": "30 A"})
    assert lines["current gain"].standard_u == pytest.approx(0.0005 / math.sqrt(3))
    assert lines["current offset"].standard_u == pytest.approx(0.006 / math.sqrt(3))
    assert lines["current offset"].contribution == pytest.approx(0.006 / math.sqrt(3) * found.duration_s / 3600)
    assert not lines["current gain"].assumed and lines["time base"].assumed


def test_a_calibration_with_its_k_is_normal_and_divided_by_that_k():
    # JCGM 100:2008, 4.3.3: an expanded uncertainty of a certificate is divided by its k.
    _, lines = lines_with(current={"gain": "0.03 %", "offset": "0.6 mA", "k": 3})
    assert lines["current gain"].standard_u == pytest.approx(1e-4)
    assert lines["current offset"].standard_u == pytest.approx(2e-4)


def test_a_temperature_coefficient_of_the_bench_file_reaches_the_specification():
    coefficients = {"gain_per_K": "50 ppm", "offset_per_K": "1 ppm", "range": "30 A", "reference_degC": 25, "band_K": 3}
    written = bench_with(current={"gain": "0.1 %", **coefficients}).measurement()
    spec = measurement_of(known_of(MeasurementOfRun, to_json(written))).current
    assert spec.gain_per_K == pytest.approx(50e-6)
    assert spec.offset_per_K == pytest.approx(30e-6)
    away = gum.with_room(spec, 10.0)
    assert away.away_K == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("channel", "words"),
    [
        ({"offset": "0.02 %"}, "range is needed"),
        ({"gain": "10 mA"}, "'10 mA' is not accepted"),
        ({"offset": "10 mV"}, "'10 mV' is not accepted"),
        ({"k": 0}, "0 is not accepted; a number from 1 to 5"),
        ({"k": "two"}, "'two' is not accepted"),
        ({"reference_degC": "warm"}, "'warm' is not accepted"),
    ],
)
def test_a_specification_that_says_nothing_usable_is_refused_with_its_place(channel, words):
    with pytest.raises(InputError, match=words) as caught:
        bench_with(current=channel).measurement()
    assert "instruments.load.specification.current" in str(caught.value)
