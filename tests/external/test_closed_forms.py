"""Capacity and energy against closed forms: no simulation, no data, only the formulas.

Source: the linear cell OCV = a + b*z with series resistance R0 (any text on circuits). Through a
resistor R it decays with tau = Qn*(R + R0)/b; at constant current it falls straight. Numbers
computed from the formulas in double precision.
"""

import math

import numpy as np
import pytest
from scipy import integrate

from amphora.harness.analysis.capacity import figures, find_crossing
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, Specification

A_V, B_V, QN_AH, R_OHM, R0_OHM = 3.0, 1.2, 2.0, 10.0, 0.1
EXACT = Specification(0.0, 0.0)
NOTHING_OFF = Measurement(EXACT, EXACT, EXACT, EXACT)


def record_of(t_s, voltage_V, current_A, switches=()):
    n = len(t_s)
    return Record(
        np.asarray(t_s, float),
        np.asarray(voltage_V, float),
        np.asarray(current_A, float),
        np.full(n, 20.0),
        np.zeros(n, np.int64),
        np.asarray(switches, float),
    )


def resistor_discharge(h_s, until_s=5.8 * 3600):
    t = np.arange(0.0, until_s, h_s)
    tau_s = QN_AH * 3600 * (R_OHM + R0_OHM) / B_V
    ocv = (A_V + B_V) * np.exp(-t / tau_s)
    # the formula decays to 0, the cell's own line: OCV0*exp(-t/tau), OCV = a + b*z with z from there
    current = ocv / (R_OHM + R0_OHM)
    return t, current * R_OHM, -current


def test_resistor_discharge_to_three_volts():
    # Computed: t 5.49645 h, Q 1.95000 Ah, W 6.97946 Wh.
    t, v, i = resistor_discharge(10.0)
    record = record_of(t, v, i)
    totals = accumulate(record)
    (phase,) = find_phases(record, totals)
    found = figures(record, totals, phase, NOTHING_OFF, 3.0)
    assert found.reached_cutoff
    assert found.capacity_Ah == pytest.approx(1.95000, abs=5e-6)
    assert found.energy_Wh == pytest.approx(6.97946, abs=5e-6)
    assert found.duration_s / 3600 == pytest.approx(5.49645, abs=5e-6)
    assert found.mean_voltage_V == pytest.approx(6.97946 / 1.95, abs=1e-5)


def test_constant_current_discharge_to_three_volts():
    # Computed: at 0.4 A Q 1.93333 Ah, t 4.83333 h, W 6.92133 Wh; at 1.0 A Q 1.83333 Ah.
    for current_A, expected_Ah, expected_Wh in ((0.4, 1.93333, 6.92133), (1.0, 1.83333, None)):
        t = np.arange(0.0, 2.0 * 3600 / current_A, 10.0)
        z = 1 - current_A * t / 3600 / QN_AH
        v = A_V + B_V * z - current_A * R0_OHM
        record = record_of(t, v, np.full(t.size, -current_A))
        totals = accumulate(record)
        (phase,) = find_phases(record, totals)
        found = figures(record, totals, phase, NOTHING_OFF, 3.0)
        assert found.capacity_Ah == pytest.approx(expected_Ah, abs=5e-6)
        if expected_Wh is not None:
            assert found.energy_Wh == pytest.approx(expected_Wh, abs=5e-6)
            assert found.duration_s / 3600 == pytest.approx(4.83333, abs=5e-6)


def test_trapezoid_error_keeps_its_bound_on_the_resistor_discharge():
    # Error bound (b-a)*h^2/12*max|f''|: 1.812e-5 Ah at h = 600 s; the error itself +1.553e-5 Ah.
    h_s, end_s = 600.0, 32 * 600.0
    t, v, i = resistor_discharge(h_s, end_s + 1)
    totals = accumulate(record_of(t, v, i))
    tau_s = QN_AH * 3600 * (R_OHM + R0_OHM) / B_V
    exact_Ah = (A_V + B_V) / (R_OHM + R0_OHM) * tau_s * (1 - math.exp(-t[-1] / tau_s)) / 3600
    error_Ah = abs(totals.charge_Ah[-1]) - exact_Ah
    second = (A_V + B_V) / (R_OHM + R0_OHM) / tau_s**2
    bound_Ah = t[-1] * h_s**2 / 12 * second / 3600
    assert bound_Ah == pytest.approx(1.812e-5, rel=0.01)
    assert 0 < error_Ah <= bound_Ah
    assert error_Ah == pytest.approx(1.553e-5, rel=0.01)


def test_scipy_integrators_agree_with_the_running_totals():
    t, v, i = resistor_discharge(7.0)
    totals = accumulate(record_of(t, v, i))
    assert totals.charge_Ah[-1] == pytest.approx(integrate.trapezoid(i, t) / 3600, rel=1e-12)
    assert totals.energy_Wh[-1] == pytest.approx(integrate.trapezoid(i * v, t) / 3600, rel=1e-12)
    assert totals.charge_Ah == pytest.approx(integrate.cumulative_trapezoid(i, t, initial=0) / 3600, abs=1e-12)
    assert totals.energy_Wh[-1] == pytest.approx(integrate.simpson(i * v, x=t) / 3600, rel=1e-7)


def test_a_step_at_a_known_instant_is_held_not_ramped():
    # A step of dI between rows h apart: a ramp errs by up to dI*h/2; with the instant known, by nothing.
    t = np.array([0.0, 10.0, 20.0, 30.0, 40.0, 50.0])
    i = np.array([0.0, 0.0, -2.0, -2.0, -2.0, 0.0])
    v = np.array([4.2, 4.2, 4.0, 4.0, 4.0, 4.1])
    known = accumulate(record_of(t, v, i, [11.0, 49.0]))
    assert known.charge_Ah[-1] * 3600 == pytest.approx(-2.0 * (49 - 11), abs=1e-9)
    assert known.energy_Wh[-1] * 3600 == pytest.approx(-8.0 * (49 - 11), abs=1e-9)
    unknown = accumulate(record_of(t, v, i))
    assert unknown.charge_Ah[-1] * 3600 == pytest.approx(-2.0 * 30, abs=1e-9)  # 15 s to 45 s
    assert set(unknown.edges.how) == {"half-way"}
    assert unknown.edges.half_width_s == pytest.approx([5.0, 5.0])


def test_contributions_of_a_capacity_match_the_worked_table():
    # Worked by hand from JCGM 100:2008, 4.3.7 for 0.400 A, 1.9333 Ah, slope 0.6 V/Ah at the cut-off:
    # gain +-0.1 % 0.058 %, offset +-0.5 mA 0.072 %, time +-50 ppm 0.003 %, cut-off +-5 mV 0.249 %.
    t = np.arange(0.0, 18000.0, 10.0)
    v = A_V + B_V * (1 - 0.4 * t / 3600 / QN_AH) - 0.04
    record = record_of(t, v, np.full(t.size, -0.4))
    totals = accumulate(record)
    (phase,) = find_phases(record, totals)
    measurement = Measurement(
        Specification(0.0, 0.005), Specification(0.001, 0.0005), Specification(0.0, 2.0), Specification(50e-6, 0.0)
    )
    found = figures(record, totals, phase, measurement, 3.0)
    percent = {line.name: 100 * line.contribution / found.capacity_Ah for line in found.capacity.lines}
    assert percent["current gain"] == pytest.approx(0.058, abs=0.0005)
    assert percent["current offset"] == pytest.approx(0.072, abs=0.0005)
    assert percent["time base"] == pytest.approx(0.003, abs=0.0005)
    assert percent["voltage offset at the cut-off"] == pytest.approx(0.249, abs=0.0005)


def test_cutoff_sensitivity_is_the_local_slope():
    # dQ/dV of the linear cell is Qn/b = 1.66667 Ah/V everywhere.
    t = np.arange(0.0, 18000.0, 10.0)
    v = A_V + B_V * (1 - 0.4 * t / 3600 / QN_AH) - 0.04
    record = record_of(t, v, np.full(t.size, -0.4))
    totals = accumulate(record)
    (phase,) = find_phases(record, totals)
    crossing = find_crossing(record, totals, phase, 3.0)
    assert crossing is not None
    assert 1 / crossing.slope_V_per_Ah == pytest.approx(QN_AH / B_V, rel=1e-6)
