"""Promises of the retention figures: relaxation is no leakage, a short wait says nothing, a leak is found."""

import numpy as np
import pytest

from amphora.harness.analysis.records import Measurement, Specification
from amphora.harness.analysis.retention import DAY_S, retention
from amphora.harness.common.errors import AnalysisError

VOLT = Specification(0.0005, 0.002, 0.0001)
BENCH = Measurement(VOLT, VOLT, Specification(0.0, 0.5), Specification(5e-5, 0.0))


def rest(days: float, leak_V_per_day: float, relax_V: float = 0.02, tau_days: float = 0.3, seed: int = 0) -> tuple:
    t = np.arange(0.0, days * DAY_S, 60.0)
    x = t / DAY_S
    noise = np.random.default_rng(seed).normal(0, 1e-4, t.size)
    return t, 4.15 - leak_V_per_day * x + relax_V * np.exp(-x / tau_days) + noise


@pytest.mark.parametrize("hours", [1, 20, 30, 47])
def test_less_than_a_day_beyond_the_first_is_too_early(hours: float) -> None:
    found = retention(*rest(hours / 24, 0.02), BENCH)
    assert found.verdict == "too early to say"
    assert found.fall_V_per_day is None
    assert "another" in found.text


@pytest.mark.parametrize("relax_V", [-0.03, 0.0, 0.04])
@pytest.mark.parametrize("leak", [0.0003, 0.002, 0.012])
def test_the_leak_is_told_from_relaxation_within_the_stated_uncertainty(relax_V: float, leak: float) -> None:
    inside = 0
    for seed in range(10):
        found = retention(*rest(7, leak, relax_V, 0.5, seed), BENCH)
        assert found.fall_V_per_day is not None
        assert found.fall_U_V_per_day is not None
        inside += abs(found.fall_V_per_day - leak) <= found.fall_U_V_per_day
        assert found.fall_U_V_per_day < 0.002
    assert inside >= 9


def test_more_than_5_millivolt_a_day_after_the_first_day_means_quarantine() -> None:
    assert retention(*rest(7, 0.012), BENCH).verdict == "soft short suspected: quarantine"
    assert retention(*rest(7, 0.0005), BENCH).verdict == "keeps its charge"


def test_strong_relaxation_alone_is_no_soft_short() -> None:
    # 60 mV relax away, most of them in the first day: a plain difference of two readings would call it a leak.
    found = retention(*rest(5, 0.0003, 0.06, 0.6), BENCH)
    assert found.verdict in ("keeps its charge", "too early to say")


def test_a_slope_turns_the_fall_into_percent_a_month() -> None:
    # 1 mV a day at 0.9 V per unit of charge: 0.001 / 0.9 * 30.4375 d = 3.38 % a month.
    found = retention(*rest(10, 0.001, 0.0), BENCH, slope_V_per_share=0.9, slope_u_V_per_share=0.05)
    assert found.loss_percent_per_month == pytest.approx(3.38, abs=0.15)
    assert found.loss_U_percent_per_month is not None
    assert found.loss_U_percent_per_month > 0.3
    assert retention(*rest(10, 0.001, 0.0), BENCH).loss_percent_per_month is None


def test_a_room_that_drifts_widens_the_uncertainty() -> None:
    t, v = rest(5, 0.001)
    still = retention(t, v, BENCH, temperature_degC=np.full(t.size, 20.0))
    drifting = retention(t, v, BENCH, temperature_degC=np.linspace(15.0, 25.0, t.size))
    assert still.fall_U_V_per_day is not None
    assert drifting.fall_U_V_per_day is not None
    assert drifting.fall_U_V_per_day > still.fall_U_V_per_day
    assert "drifted" in drifting.text


def test_gaps_and_missing_readings_do_no_harm_and_nonsense_is_refused() -> None:
    t, v = rest(7, 0.002)
    v[1000:4000] = np.nan
    found = retention(t, v, BENCH)
    assert found.fall_V_per_day == pytest.approx(0.002, abs=3e-4)
    with pytest.raises(AnalysisError, match="times must rise"):
        retention(t[::-1].copy(), v, BENCH)
    with pytest.raises(AnalysisError, match="agree"):
        retention(t[:-1], v, BENCH)
    assert retention(np.empty(0), np.empty(0), BENCH).verdict == "too early to say"
