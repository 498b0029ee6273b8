"""Promises of the pictures: the same run gives the same bytes, units on axes, nothing drawn across a gap."""

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest

from amphora.harness.analysis.cell_model import CellModel
from amphora.harness.analysis.records import Measurement, Record, RecordGap, RunInfo, Specification
from amphora.harness.analysis.resistance import find_resistances
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.duty import load_duty
from amphora.harness.decisions.fit import fit
from amphora.harness.report import plot_style as look
from amphora.harness.report.fit_plot import plot_fit
from amphora.harness.report.plots import (
    KINDS,
    _broken,
    _curve,
    _device,
    _figure,
    _over_time,
    _resistances_into,
    _running_mean,
    _thin,
    draw_overlay,
    draw_run,
    split,
)
from amphora.harness.results.resistances import plain_resistance
from amphora.harness.results.result import ResistanceValue, Result

SPEC = Specification(0.001, 0.001, 0.0001)
BENCH = Measurement(SPEC, SPEC, SPEC, SPEC)
OF_A_NIGHT = tuple(kind for kind in KINDS if kind != "device")


def night(cell: str = "path-light-1", capacity_Ah: float = 2.0) -> tuple[Record, RunInfo, Result]:
    """A rest, a discharge with three pulses in it, a rest and a charge, of a cell with a linear voltage."""
    pieces = [(0.0, 600.0, 5.0)]
    for _ in range(3):
        pieces += [(-0.4, capacity_Ah / 4 / 0.4 * 3600, 10.0), (-1.2, 10.0, 0.5)]
    pieces += [(-0.4, 1800.0, 10.0), (0.0, 900.0, 10.0), (0.5, 3600.0, 10.0)]
    t, i, switches, now = [], [], [], 0.0
    for current, length, step in pieces:
        switches.append(now)
        times = now + np.arange(step, length + step / 2, step)
        t.append(times)
        i.append(np.full(times.size, current))
        now = float(times[-1])
    time, amps = np.concatenate(t), np.concatenate(i)
    moved = np.concatenate(([0.0], np.cumsum(amps[1:] * np.diff(time)))) / 3600
    volts = 4.1 + 0.5 * moved / capacity_Ah + 0.06 * amps - 1.0 * np.exp(-(capacity_Ah + moved) / 0.05)
    temperature = 21.0 + 2.0 * (time / time[-1])
    record = Record(time, volts, amps, temperature, np.full(time.size, -1), np.array(switches[1:]))
    last = int(np.flatnonzero(amps < 0)[-1])
    values = find_resistances(record, 0, last, capacity_Ah, BENCH)
    info = RunInfo(f"{cell}/night", cell, "18650", "li-ion", "full", 3.0, BENCH)
    shown = tuple(plain_resistance(value) for value in values)
    return (
        record,
        info,
        Result(cell, info.run_id, "li-ion", capacity_Ah=capacity_Ah, resistances=shown, temperature_rise_K=2.0),
    )


def survey() -> tuple[Record, RunInfo, Result]:
    """A lamp of 10 ohm above 3 V, its voltage swept down and up, a rest before."""
    volts = np.concatenate((np.zeros(20), np.linspace(4.2, 2.5, 60), np.linspace(2.5, 4.2, 60)))
    amps = np.where(volts > 3.0, volts / 10, 0.0)
    step = np.repeat([0, 1, 2], [20, 60, 60])
    record = Record(np.arange(140.0), volts, amps, np.full(140, 20.0), step, np.array([20.0, 80.0]))
    info = RunInfo("light/lamp", "light", "light", "li-ion", "unknown", 3.0, BENCH, profile="lamp")
    return (
        record,
        dataclasses.replace(info, step_kinds=("rest", "sweep", "sweep")),
        Result("light", info.run_id, "li-ion"),
    )


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_run_gives_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    run = night()
    kinds = ["time", "resistance"] if suffix != ".png" else None
    once = draw_run(*run, tmp_path / f"a{suffix}", kinds)
    again = draw_run(*run, tmp_path / f"b{suffix}", kinds)
    assert len(once) == len(kinds or OF_A_NIGHT)
    starts = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}
    for first, second in zip(once, again, strict=True):
        assert first.read_bytes() == second.read_bytes()
        assert first.read_bytes().startswith(starts[suffix])


def test_one_kind_is_written_under_the_very_name_given(tmp_path: Path) -> None:
    assert draw_run(*night(), tmp_path / "only.svg", ["charge"]) == [tmp_path / "only.svg"]


def test_every_axis_names_its_unit() -> None:
    from amphora.harness.report.plots import _MAKERS

    record, info, result = night()
    with look.style():
        for kind in KINDS:
            figure = _MAKERS[kind](*(survey() if kind == "device" else (record, info, result)))
            assert figure is not None, kind
            for axes in figure.axes:
                assert " / " in axes.get_ylabel(), kind
            assert " / " in figure.axes[-1].get_xlabel(), kind


def test_nothing_is_drawn_across_a_gap() -> None:
    record, info, result = night()
    gap = RecordGap(200, float(record.t_s[199]), float(record.t_s[200]))
    broken = Record(
        record.t_s, record.voltage_V, record.current_A, record.temperature_degC, record.step, record.switches_s, (gap,)
    )
    x, y = _broken(record.t_s, record.voltage_V, broken)
    assert np.isnan(y[200])
    assert x.size == record.t_s.size + 1
    with look.style():
        figure = _over_time(broken, info, result)
        assert figure is not None
        assert np.isnan(np.asarray(figure.axes[0].lines[0].get_ydata(), dtype=float)).sum() == 1


def test_thinning_keeps_the_shortest_spike() -> None:
    y = np.zeros(1_000_003)
    y[654_321] = -1.0
    x, thin = _thin(np.arange(y.size, dtype=float), y)
    assert x.size < 2 * look.MOST_POINTS
    assert thin.min() == -1.0
    assert x[int(np.argmin(thin))] == 654_321


def test_pulses_do_not_split_a_discharge_and_a_charge_begins_a_new_stretch() -> None:
    stretches = split(night()[0])
    assert [s.discharge for s in stretches] == [True, False]
    assert stretches[0].main_A == pytest.approx(-0.4)
    assert stretches[0].moved_Ah[-1] == pytest.approx(1.5 + 3 * 1.2 * 10 / 3600 + 0.2, rel=2e-3)


def test_an_unknown_kind_or_ending_is_refused_with_what_is_accepted(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="accepted: time, charge"):
        draw_run(*night(), tmp_path / "a.png", ["colours"])
    with pytest.raises(InputError, match=r"\.png, \.svg or \.pdf"):
        draw_run(*night(), tmp_path / "a.bmp")
    record, info, result = night()
    with pytest.raises(InputError, match="no data for the picture 'resistance'"):
        draw_run(record, info, dataclasses.replace(result, resistances=()), tmp_path / "a.png", ["resistance"])
    assert list(tmp_path.iterdir()) == []


def test_junk_is_drawn_over_time_and_gives_no_curves(tmp_path: Path) -> None:
    t = np.array([0.0, 2.5, 5.5, 8.3, 12.7])
    volts = np.array([0.236, 0.003, 4.985, 4.985, 4.213])
    record = Record(t, volts, np.full(5, 0.0005), np.full(5, 23.4), np.full(5, -1), np.empty(0))
    info = RunInfo("junk/import", "junk", "18650", "li-ion", "unknown", None, BENCH, profile="import")
    files = draw_run(record, info, Result("junk", info.run_id, "li-ion"), tmp_path / "junk.png")
    assert tmp_path / "junk-time.png" in files
    assert tmp_path / "junk-resistance.png" not in files


def test_overlay_names_each_cell_once(tmp_path: Path) -> None:
    out = draw_overlay([night("path-light-1"), night("path-light-2", 1.5)], tmp_path / "all.svg")
    assert out.read_bytes() == draw_overlay([night("path-light-1"), night("path-light-2", 1.5)], out).read_bytes()
    record, info, result = night("path-light-3")
    text = draw_overlay([(record, info, dataclasses.replace(result, reached_cutoff=True)), night()], out).read_text(
        encoding="utf-8"
    )
    assert "path-light-3  2000 mAh" in text and "path-light-1  at least 2000 mAh" in text  # each text is a comment, too
    with pytest.raises(InputError, match="nothing to lay over"):
        draw_overlay([], tmp_path / "none.png")


def test_a_survey_of_a_device_is_drawn_over_voltage_and_never_as_a_cell(tmp_path: Path) -> None:
    record, info, result = survey()
    made = draw_run(record, info, result, tmp_path / "lamp.png")
    assert [path.name for path in made] == ["lamp-time.png", "lamp-temperature.png", "lamp-device.png"]
    for kind in ("charge", "resistance", "incremental"):
        with pytest.raises(InputError, match=f"no data for the picture '{kind}'"):
            draw_run(record, info, result, tmp_path / "x.png", [kind])
    with look.style():
        device, over_time = _device(record, info, result), _over_time(record, info, result)
    assert device is not None and over_time is not None
    falling, rising = device.axes[0].lines
    assert (falling.get_label(), rising.get_label()) == ("sweep 1, falling", "sweep 1, rising")
    assert falling.get_linestyle() != rising.get_linestyle()
    assert not over_time.axes[0].texts  # a device has no cut-off
    assert "into the device" in over_time.axes[1].get_ylabel()
    assert _device(*night()) is None


def test_a_pulse_at_the_current_of_the_discharge_leaves_no_stub_before_it() -> None:
    record, _, _ = night()
    # the first 10 s of the discharge, then a pause of nothing: the stub of a two-step method
    amps = record.current_A.copy()
    pause = (record.t_s > 620) & (record.t_s <= 1200)
    amps[pause] = 0.0
    stretch = next(s for s in split(dataclasses.replace(record, current_A=amps)) if s.discharge)
    x, y = _curve(dataclasses.replace(record, current_A=amps), stretch)
    seen = np.flatnonzero(np.isfinite(y))
    assert record.t_s[stretch.first + seen[0]] > 1200
    assert seen.size > 100 and np.all(np.diff(x) >= 0)


def test_resistances_far_apart_in_charge_state_are_told_apart() -> None:
    def value(ohm: float, state: float) -> ResistanceValue:
        return ResistanceValue("load step", ohm, U_ohm=0.002, duration_s=10.0, charge_state=state)

    with look.style():
        axes = _figure().subplots()
        _resistances_into(axes, [value(0.07, 1.0), value(0.13, 0.0)])
        _, names = axes.get_legend_handles_labels()
    assert names == ["load step, cell at 0 %", "load step, cell at 100 %"]


@pytest.mark.parametrize("lowest_V", [1.0, 2.5])
def test_the_word_cut_off_stands_where_the_curve_is_not(lowest_V: float) -> None:
    # a curve that falls to its cut-off and rests just above it: the word belongs to the left, low NiMH voltages too
    record, info, result = night()
    span = record.voltage_V.max() - record.voltage_V.min()
    volts = lowest_V + (record.voltage_V - record.voltage_V.min()) * 0.4 / span
    low = dataclasses.replace(record, voltage_V=volts)
    with look.style():
        figure = _over_time(low, dataclasses.replace(info, cutoff_V=lowest_V), result)
    assert figure is not None
    (word,) = figure.axes[0].texts
    assert word.get_horizontalalignment() == "left"


def test_the_mean_of_a_temperature_keeps_its_level_and_its_gaps() -> None:
    noisy = np.full(2000, 21.0) + np.random.default_rng(1).normal(0, 0.05, 2000)
    noisy[100] = np.nan
    mean = _running_mean(noisy)
    assert np.isnan(mean[100]) and np.isnan(mean).sum() == 1
    assert np.nanstd(mean) < 0.3 * np.nanstd(noisy)
    assert np.nanmean(mean) == pytest.approx(np.nanmean(noisy), abs=0.002)


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_fit_gives_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    duty = load_duty("path-light")
    given, flat = np.linspace(0.0, 2.0, 50), np.full(50, 0.06)
    cell = CellModel(given, 4.2 - 0.6 * given, flat, flat, 2.0, 0.02, 0.02, 20.0, "li-ion")
    answer = dataclasses.replace(fit(cell, duty), cell="hall-2")
    for name in "ab":
        plot_fit(answer, duty, tmp_path / f"{name}{suffix}")
    assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()
    if suffix != ".png":
        assert b"Date" not in (tmp_path / f"a{suffix}").read_bytes()


def test_palette_keeps_its_order_in_grey_and_each_series_has_its_own_line() -> None:
    # Relative luminance after WCAG 2.x (sRGB, IEC 61966-2-1): each colour lighter than the one before.
    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    values = [luminance(colour) for colour in look.COLOURS]
    assert all(b > a * 1.15 for a, b in itertools.pairwise(values)), values
    assert len({(s["color"], str(s["linestyle"])) for s in map(look.series, range(12))}) == 12


def test_the_style_is_not_left_behind() -> None:
    import matplotlib

    before = dict(matplotlib.rcParams)
    with look.style():
        assert matplotlib.rcParams["svg.hashsalt"] == "amphora"
    assert dict(matplotlib.rcParams) == before


def test_a_cell_has_one_look_in_every_picture_and_two_cells_never_the_same() -> None:
    assert look.place_of("path-light-3") == look.place_of("L7-c") == 2
    looks = {look.svg_look(place) for place in range(look.LOOKS)}
    assert len(looks) == look.LOOKS and len({(colour, mark) for colour, _, mark in looks}) >= 12
    places = look.places_of(["hall-1", "hall-2", "L3-a", "x", "hall-5"])
    assert len(set(places)) == 5 and places[0] == look.place_of("hall-1") and places[4] == look.place_of("hall-5")


@pytest.mark.parametrize(
    ("start", "reached", "said"),
    [("full", True, "mAh"), ("full", False, "at least 1"), ("unknown", True, "mAh left in it")],
)
def test_a_picture_says_its_day_what_the_charge_is_and_that_no_cell_was_real(
    start: str, reached: bool, said: str
) -> None:
    from amphora.harness.report.plots import _MAKERS

    record, info, result = night()
    bench = {"instruments": {"load": {"role": "load", "identity": "AMPHORA SIM,LOAD,1,1"}}}
    info = dataclasses.replace(info, start=start, created_utc="2026-03-13T20:00:00Z", bench=bench)  # type: ignore[arg-type]
    with look.style():
        for kind in ("time", "charge", "resistance", "temperature"):
            figure = _MAKERS[kind](record, info, dataclasses.replace(result, reached_cutoff=reached))
            assert figure is not None
            assert "2026-03-13 · SIMULATED" in figure.axes[0].get_title(loc="left"), kind
            if kind == "charge":
                (legend,) = figure.legends  # outside the axes: never over a curve
                texts = [text.get_text() for text in legend.get_texts()]
                assert said in texts[0] and ("at least" in texts[0]) is not reached
                assert not any(", 0 mAh" in text or ", 0 mA," in text for text in texts)
                cutoff = next(text for text in figure.axes[0].texts if "cut-off" in text.get_text())
                assert cutoff.xy[0] == 1.0 and cutoff.get_ha() == "left"  # its words stand right of the axes
        assert "SIMULATED" not in _MAKERS["time"](*night()).axes[0].get_title(loc="left")  # type: ignore[union-attr]
