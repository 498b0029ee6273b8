"""Promises of the temperature figures."""

import numpy as np
import pytest

from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.records import Measurement, Record, Specification
from amphora.harness.analysis.thermal import thermal
from amphora.harness.common.errors import AnalysisError
from amphora.harness.report.analysis_text import analysis_lines
from tests.support.paper_runs import cell_record, write_run

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


def test_of_a_cell_whose_heat_capacity_is_not_known_no_rise_is_expected() -> None:
    record, first = body(1.2)
    found = thermal(record, first, record.t_s.size - 1, BENCH, resistance_ohm=0.1, heat_J_per_K=None)
    assert found.heat_Wh is not None
    assert found.expected_rise_K is None
    assert not any("hot contact" in note for note in found.notes)


def warming(tmp_path, power_W: float, form: str = "18650"):
    """A run of a cell of 0.1 ohm at 1 A, with load steps, that is warmed by `power_W`."""
    record, _ = body(power_W)
    t = record.t_s
    amps = np.where((t % 600 < 60) & (record.current_A < 0), 1.2 * record.current_A, record.current_A)
    volts = 4.0 - 0.9 * t / t[-1] + 0.1 * amps
    folder = write_run(tmp_path, rows=2, cell=cell_record(form=form))
    lines = ["t_s,step,voltage_V,current_A,temperature_degC"]
    for row in zip(t, volts, amps, record.temperature_degC, strict=True):
        lines.append(f"{row[0]:.3f},0,{row[1]:.5f},{row[2]:.4f},{row[3]:.2f}")
    (folder / "samples.csv").write_text("\n".join(lines) + "\n")
    return analyse_run(folder)


def test_the_answer_has_rise_rate_and_heat_and_tells_of_warmth_that_the_resistance_does_not_explain(tmp_path) -> None:
    sound = warming(tmp_path / "a", 0.1)
    assert sound.thermal.rise_K == pytest.approx(0.1 / 0.09, abs=0.05)
    assert sound.thermal.heat_Wh == pytest.approx(0.1 * 4 * (0.9 + 0.1 * 1.44), rel=0.05)  # I²R over four hours
    assert sound.thermal.fastest_K_per_min > 0
    assert any(line.strip().startswith("heat in it") for line in analysis_lines(sound))
    assert "warmed-unexplained" not in {item.code for item in sound.warnings}
    hot = warming(tmp_path / "b", 1.2)
    assert "warmed-unexplained" in {item.code for item in hot.warnings}
    other = warming(tmp_path / "c", 1.2, "26650")  # its heat capacity is not known here
    assert other.thermal.expected_rise_K is None
