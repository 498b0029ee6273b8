"""Promises of the temperature figures."""

import numpy as np
import pytest

from harness.analysis.records import Measurement, Record, Specification
from harness.analysis.thermal import thermal
from harness.errors import AnalysisError

SPEC = Specification(0.0, 0.5, 0.1)
BENCH = Measurement(SPEC, SPEC, SPEC, SPEC)


def body(power_W: float, room: float = 20.0, rest_s: float = 1200.0, known: bool = True) -> tuple[Record, int]:
    """A lumped body: 40 J/K, 0.09 W/K, heated after a rest; closed form of its warming."""
    t = np.arange(0.0, rest_s + 4 * 3600.0, 5.0)
    after = np.clip(t - rest_s, 0.0, None)
    rise = power_W / 0.09 * (1 - np.exp(-after * 0.09 / 40.0))
    amps = np.where(t > rest_s, -1.0, 0.0)
    warm = room + rise if known else np.full(t.size, np.nan)
    record = Record(t, np.full(t.size, 3.7), amps, warm, np.full(t.size, -1), np.array([rest_s]))
    return record, int(np.flatnonzero(amps < 0)[0])


def test_rise_counts_from_the_rest_before_and_agrees_with_the_heat() -> None:
    record, first = body(0.1)
    found = thermal(record, first, record.t_s.size - 1, BENCH, resistance_ohm=0.1)
    assert found.rise_K == pytest.approx(0.1 / 0.09, rel=1e-3)
    assert found.expected_rise_K == pytest.approx(0.1 / 0.09, rel=1e-2)
    assert found.heat_Wh == pytest.approx(0.4, rel=1e-3)
    assert found.fastest_K_per_min == pytest.approx(0.1 / 40 * 60, rel=0.15)
    assert found.notes == ()


def test_a_cold_room_is_named_against_the_20_degrees_of_the_standard() -> None:
    record, first = body(0.1, room=8.0)
    assert any("20 °C" in note for note in thermal(record, first, record.t_s.size - 1, BENCH).notes)


def test_more_heat_than_the_resistance_explains_is_said() -> None:
    record, first = body(1.2)
    found = thermal(record, first, record.t_s.size - 1, BENCH, resistance_ohm=0.1)
    assert any("hot contact" in note for note in found.notes)


def test_noise_is_no_rate_and_a_missing_sensor_is_no_error() -> None:
    record, first = body(0.0)
    noise = np.random.default_rng(1).normal(0, 0.05, record.t_s.size)
    noisy = Record(
        record.t_s, record.voltage_V, record.current_A, record.temperature_degC + noise, record.step, record.switches_s
    )
    rate = thermal(noisy, first, record.t_s.size - 1, BENCH).fastest_K_per_min
    assert rate is not None
    assert rate < 0.15
    bare, first = body(0.1, known=False)
    found = thermal(bare, first, bare.t_s.size - 1, BENCH, resistance_ohm=0.1)
    assert found.rise_K is None
    assert found.heat_Wh is not None
    with pytest.raises(AnalysisError, match="outside"):
        thermal(bare, 0, 10**6, BENCH)
