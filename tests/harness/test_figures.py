"""Promises of the pictures: the same run gives the same bytes, units on axes, nothing drawn across a gap."""

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.analysis.records import Gap, Measurement, Record, RunInfo, Specification
from harness.analysis.resistance import find_resistances
from harness.errors import InputError
from harness.report import look
from harness.report.figures import (
    KINDS,
    _broken,
    _over_time,
    _thin,
    draw_overlay,
    draw_run,
    resistance_curve_svg,
    split,
    voltage_curve_svg,
)

SPEC = Specification(0.001, 0.001, 0.0001)
BENCH = Measurement(SPEC, SPEC, SPEC, SPEC)


def night(cell: str = "path-light-1", capacity_Ah: float = 2.0) -> tuple[Record, RunInfo, dict[str, Any]]:
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
    return (
        record,
        info,
        {"capacity_Ah": capacity_Ah, "resistances": [vars(v) for v in values], "temperature_rise_K": 2.0},
    )


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_run_gives_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    run = night()
    kinds = ["time", "resistance"] if suffix != ".png" else None
    once = draw_run(*run, tmp_path / f"a{suffix}", kinds)
    again = draw_run(*run, tmp_path / f"b{suffix}", kinds)
    assert len(once) == len(kinds or KINDS)
    starts = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}
    for first, second in zip(once, again, strict=True):
        assert first.read_bytes() == second.read_bytes()
        assert first.read_bytes().startswith(starts[suffix])


def test_one_kind_is_written_under_the_very_name_given(tmp_path: Path) -> None:
    assert draw_run(*night(), tmp_path / "only.svg", ["charge"]) == [tmp_path / "only.svg"]


def test_every_axis_names_its_unit() -> None:
    from harness.report.figures import _MAKERS

    record, info, result = night()
    with look.style():
        for kind in KINDS:
            figure = _MAKERS[kind](record, info, result)
            assert figure is not None, kind
            for axes in figure.axes:
                assert " / " in axes.get_ylabel(), kind
            assert " / " in figure.axes[-1].get_xlabel(), kind


def test_nothing_is_drawn_across_a_gap() -> None:
    record, info, result = night()
    gap = Gap(200, float(record.t_s[199]), float(record.t_s[200]))
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
        draw_run(record, info, {**result, "resistances": []}, tmp_path / "a.png", ["resistance"])
    assert list(tmp_path.iterdir()) == []


def test_junk_is_drawn_over_time_and_gives_no_curves(tmp_path: Path) -> None:
    t = np.array([0.0, 2.5, 5.5, 8.3, 12.7])
    volts = np.array([0.236, 0.003, 4.985, 4.985, 4.213])
    record = Record(t, volts, np.full(5, 0.0005), np.full(5, 23.4), np.full(5, -1), np.empty(0))
    info = RunInfo("junk/import", "junk", "18650", "li-ion", "unknown", None, BENCH, profile="import")
    files = draw_run(record, info, {"resistances": []}, tmp_path / "junk.png")
    assert tmp_path / "junk-time.png" in files
    assert tmp_path / "junk-resistance.png" not in files


def test_overlay_names_each_cell_once(tmp_path: Path) -> None:
    out = draw_overlay([night("path-light-1"), night("path-light-2", 1.5)], tmp_path / "all.svg")
    assert out.read_bytes() == draw_overlay([night("path-light-1"), night("path-light-2", 1.5)], out).read_bytes()
    with pytest.raises(InputError, match="nothing to lay over"):
        draw_overlay([], tmp_path / "none.png")


def test_small_curves_for_the_certificate_are_reproducible_svg() -> None:
    _, _, result = night()
    x = np.linspace(0, 2, 50)
    first = voltage_curve_svg(x, 4.2 - 0.5 * x, cutoff_V=3.0)
    assert first == voltage_curve_svg(x, 4.2 - 0.5 * x, cutoff_V=3.0)
    assert b"<svg" in first
    assert b"<svg" in resistance_curve_svg(result["resistances"])


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
