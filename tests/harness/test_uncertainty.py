"""Promises of the uncertainty room beside the GUM's examples: the linear budget against Monte Carlo."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from harness.analysis import uncertainty as gum
from harness.analysis.capacity import figures
from harness.analysis.integration import accumulate
from harness.analysis.phases import find_phases
from harness.analysis.records import Measurement, Record, Specification


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


def test_a_zero_reading_and_a_check_resistor_improve_the_current():
    specification = Specification(0.005, 0.010, 0.001, "rectangular", 2.0, True)
    better = gum.with_zero(specification, 0.0002)
    assert gum.standard(better.offset, better) == pytest.approx(0.0002)
    assert better.measured == ("offset",) and better.gain == specification.gain
    checked = gum.with_check(better, 0.0005)
    assert gum.standard(checked.gain, checked) == pytest.approx(0.0005)
    assert gum.with_zero(specification, 1.0) == specification  # a worse zero improves nothing
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
