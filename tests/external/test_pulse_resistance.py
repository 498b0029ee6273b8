"""Pulse resistance against figures from outside: the Thevenin step response and worked examples.

Thevenin step response: G. Plett, Battery Management Systems vol. 1, ch. 2 (closed form, from memory);
durations of the two-step method: IEC 61960-3:2017, 7.7.3 (second-hand and from memory).
With AMPHORA_MEASURED naming a folder of measured records, a real pulse test is checked as well.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from amphora.harness.analysis.records import Measurement, Record, Specification
from amphora.harness.analysis.resistance import (
    LOAD_STEP,
    SLOPE_REMOVED,
    TWO_STEP,
    Resistance,
    find_resistances,
)

NOTHING = Specification(0.0, 0.0)
PERFECT = Measurement(NOTHING, NOTHING, NOTHING, NOTHING)


def thevenin(
    stretches: list[tuple[float, float]],
    dt_s: float = 0.1,
    r0: float = 0.050,
    r1: float = 0.030,
    c1: float = 1000.0,
    ocv_V: float = 3.7,
    slope_V: float = 0.0,
    capacity_Ah: float = 2.0,
) -> Record:
    """Return the exact response to stretches of (current into the cell, seconds)."""
    times, volts, amps, switches = [], [], [], []
    now = polarisation = moved = 0.0
    for current, length in stretches:
        switches.append(now)
        k = np.arange(1, round(length / dt_s) + 1) * dt_s
        fade = np.exp(-k / (r1 * c1))
        u1 = polarisation * fade + current * r1 * (1 - fade)
        times.append(now + k)
        volts.append(ocv_V + slope_V * (moved + current * k / 3600) / capacity_Ah + current * r0 + u1)
        amps.append(np.full(k.size, current))
        now, polarisation, moved = now + length, float(u1[-1]), moved + current * length / 3600
    t = np.concatenate(times)
    return Record(
        t, np.concatenate(volts), np.concatenate(amps), np.full(t.size, np.nan), np.full(t.size, -1),
        np.array(switches[1:]),
    )  # fmt: skip


def values(record: Record, capacity_Ah: float | None = None) -> list[Resistance]:
    return find_resistances(record, 0, record.t_s.size - 1, capacity_Ah, PERFECT)


def one(found: list[Resistance], method: str, duration_s: float, near_s: float) -> float:
    hits = [
        r.ohm for r in found
        if r.method == method and abs(r.duration_s - duration_s) < 1e-6 and abs(r.t_s - near_s) < 1e-6
    ]  # fmt: skip
    assert len(hits) == 1, (method, duration_s, near_s, found)
    return hits[0]


@pytest.mark.parametrize(("after_s", "printed_mohm"), [(0.1, 50.100), (1.0, 50.984), (10.0, 58.504), (30.0, 68.964)])
def test_reference_cell_step_response_at_stated_times(after_s: float, printed_mohm: float) -> None:
    # R0 50 mΩ, R1 30 mΩ, C1 1000 F: R(t) = R0 + R1 (1 - exp(-t / 30 s)); 60 s pulse at 1 A.
    found = values(thevenin([(0.0, 120.0), (-1.0, 60.0)]))
    assert one(found, LOAD_STEP, after_s, 120.0) * 1000 == pytest.approx(printed_mohm, abs=0.0006)


def test_reference_cell_two_step_is_51_160() -> None:
    # IEC 61960-3, 7.7.3: 0.2 It 10 s, then 1.0 It 1 s; 2 Ah cell: 0.4 A and 2 A.
    found = values(thevenin([(0.0, 120.0), (-0.4, 10.0), (-2.0, 1.0), (0.0, 60.0)]))
    assert one(found, TWO_STEP, 1.0, 130.0) * 1000 == pytest.approx(51.160, abs=0.0006)


def test_slope_of_the_open_circuit_voltage_biases_by_1_667_and_is_taken_out() -> None:
    # 1.2 V per unit charge, 2 Ah, 10 s: + 1.2 * 10 / (3600 * 2) = 1.667 mΩ. The discharge shows the slope.
    record = thevenin([(0.0, 120.0), (-2.0, 10.0), (0.0, 600.0), (-0.4, 3600.0)], slope_V=1.2)
    found = values(record)
    raw = one(found, LOAD_STEP, 10.0, 120.0)
    clean = one(found, SLOPE_REMOVED, 10.0, 120.0)
    assert raw * 1000 == pytest.approx(58.504 + 1.667, abs=0.001)
    assert clean * 1000 == pytest.approx(58.504, abs=0.03)


def test_worked_two_step_72_115() -> None:
    # 2.6 Ah, 0.520 A then 2.600 A, U1 3.850 V, U2 3.700 V: (U1 - U2) / (I2 - I1) = 72.115 mΩ.
    t = np.concatenate((np.arange(0, 60.05, 0.1), np.arange(60.1, 70.05, 0.1), np.arange(70.1, 71.05, 0.1)))
    t = np.append(t, 71.1)
    volts = np.where(t < 60.05, 3.9, np.where(t < 70.05, 3.850, np.where(t < 71.05, 3.700, 3.9)))
    amps = np.where(t < 60.05, 0.0, np.where(t < 70.05, -0.520, np.where(t < 71.05, -2.600, 0.0)))
    record = Record(t, volts, amps, np.full(t.size, np.nan), np.full(t.size, -1), np.array([60.0, 70.0, 71.0]))
    found = [r for r in values(record) if r.method == TWO_STEP]
    assert [round(r.ohm * 1000, 3) for r in found] == [72.115]


def test_worked_pulse_of_60_milliohm() -> None:
    # OCV 3.900 V, 2.0 A, V(10 s) 3.780 V: 60.0 mΩ. DOE/ID-11069, 4.3 (from memory).
    t = np.arange(0.0, 40.0, 0.5)
    amps = np.where(t > 20.0, -2.0, 0.0)
    volts = np.where(t > 20.0, 3.780, 3.900)
    record = Record(t, volts, amps, np.full(t.size, np.nan), np.full(t.size, -1), np.array([20.0]))
    assert one(values(record), LOAD_STEP, 10.0, 20.0) == pytest.approx(0.0600, abs=1e-9)


def test_published_waveform_of_a_thevenin_cell() -> None:
    # Public page ansh-bohrey.github.io/EV-blog (ECM voltage waveform): OCV 3.7 V, R0 0.1 Ω, R1 0.05 Ω, C1 200 F,
    # 2 A for 5 s: instant drop 0.200 V, further drop at 5 s = 0.1 (1 - exp(-0.5)) = 0.0393 V.
    record = thevenin([(0.0, 60.0), (-2.0, 5.0), (0.0, 100.0)], r0=0.1, r1=0.05, c1=200.0)
    at_1_s = one(values(record), LOAD_STEP, 1.0, 60.0)
    assert at_1_s == pytest.approx(0.1 + 0.05 * (1 - np.exp(-0.1)), rel=1e-6)
    end = record.voltage_V[np.flatnonzero(record.current_A < 0)[-1]]
    assert 3.7 - 0.200 - end == pytest.approx(0.0393, abs=5e-5)


def test_edges_between_readings_hold_the_truth_within_the_stated_uncertainty() -> None:
    # The same cell, but nobody recorded when the current stepped: readings every 0.7 s, edges anywhere between.
    rng = np.random.default_rng(5)
    inside = total = 0
    for _ in range(60):
        fine = thevenin([(0.0, 60.0 + float(rng.integers(0, 70)) / 100), (-1.0, 60.0)], dt_s=0.01)
        some = slice(None, None, 70)
        n = fine.t_s[some].size
        record = Record(
            fine.t_s[some], fine.voltage_V[some], fine.current_A[some], np.full(n, np.nan), np.full(n, -1),
            np.empty(0),
        )  # fmt: skip
        for r in values(record):
            if r.method != LOAD_STEP:
                continue
            total += 1
            truth = 0.05 + 0.03 * (1 - np.exp(-r.duration_s / 30))
            inside += abs(r.ohm - truth) <= r.U_ohm + 1e-6
    assert total >= 100
    assert inside / total >= 0.95


if "AMPHORA_MEASURED" in os.environ:

    def test_pulses_of_the_measured_pouch_cell() -> None:
        # Nissan Leaf cell data, G. Wiggins, S. Allu, H. Wang, ORNL, doi 10.5281/zenodo.2580327: ten 30 s pulses at
        # 30 A; 1.5 to 1.8 mΩ at 0.5 s, 2.5 to 4.0 mΩ at 30 s.
        path = Path(os.environ["AMPHORA_MEASURED"]) / "lmo-pulse-test.csv.gz"
        table = np.genfromtxt(path, delimiter=",", names=True, usecols=(0, 4, 5))
        n = table.size
        record = Record(
            table["Time_s"], table["Voltage_V"], table["Current_A"], np.full(n, np.nan), np.full(n, -1), np.empty(0)
        )
        spec = Specification(0.001, 0.0, 0.001)
        bench = Measurement(spec, spec, NOTHING, NOTHING)
        found = find_resistances(record, 0, n - 1, None, bench)
        early = [r for r in found if r.method == LOAD_STEP and r.duration_s < 1.0]
        late = [r for r in found if r.method == LOAD_STEP and 28.0 <= r.duration_s <= 32.0]
        assert len(early) >= 8
        assert len(late) >= 8
        for r in early:
            assert 0.0015 - 0.0003 <= r.ohm <= 0.0018 + 0.0003, r
        for r in late:
            assert 0.0025 - 0.0003 <= r.ohm <= 0.0040 + 0.0003, r
