"""Promises of the answer of `amphora analyse`: its keys, its honesty, its cache."""

import json
import math

import numpy as np
import pytest

from amphora.harness.account.answer import analyse_run
from amphora.harness.common.errors import InputError
from amphora.harness.common.words import with_U
from amphora.harness.importing.import_run import import_table
from amphora.harness.report.analysis_text import analysis_lines
from amphora.harness.results.kept import kept_text

KEYS = {
    "capacity_Ah", "capacity_U_Ah", "charge_Ah", "energy_Wh", "energy_U_Wh", "mean_voltage_V", "duration_s",
    "reached_cutoff", "end_voltage_V", "resistances", "temperature_rise_K", "start", "warnings", "cell", "run",
    "chemistry", "form", "profile", "created_utc", "finished", "stop", "phases", "budget",
}  # fmt: skip


def make_run(tmp_path, pieces, name="a", **options):
    """Import (current_A, seconds, begin_V, end_V) pieces as one record, a row every 10 s."""
    i, v = [], []
    for amps, seconds, begin, end in pieces:
        n = seconds // 10
        i += [amps] * n
        v += list(np.linspace(begin, end, n))
    lines = ["Time,Voltage,Current,Temperature"]
    lines += [f"{10 * k},{v[k]:.5f},{i[k]:.5f},{20 + min(k, 100) / 20:.2f}" for k in range(len(i))]
    file = tmp_path / f"{name}.csv"
    file.write_text("\n".join(lines) + "\n")
    options = {"cutoff": 3.0, "discharge_sign": "negative"} | options
    return import_table(file, "L3-a", logs=tmp_path / "logs", **options)


REST = (0.0, 600, 4.1, 4.1)
DOWN = (-0.5, 7000, 4.0, 2.98)
UP = (0.5, 6000, 3.3, 4.2)


def taper():
    return [(0.5 * math.exp(-k / 4), 300, 4.2, 4.2) for k in range(1, 14)]


def codes(result):
    return {item.code for item in result.warnings}


def test_every_key_of_the_contract_is_there_and_the_answer_is_plain_json(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, DOWN, REST]))
    plain = result.to_json()
    assert plain.keys() >= KEYS
    json.dumps(plain, allow_nan=False)
    assert result.mean_voltage_V == pytest.approx(result.energy_Wh / result.capacity_Ah)
    assert result.capacity_Ah > 0 and result.capacity_U_Ah > 0
    for phase in plain["phases"]:
        assert phase.keys() == plain["phases"][0].keys()
        assert phase.keys() >= {"capacity_Ah", "charge_Ah", "reached_cutoff", "resistances", "start", "warnings"}


def test_an_unknown_start_is_what_was_left_and_says_so(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, DOWN, REST]))
    assert result.start == "unknown"
    assert "start-unknown" in codes(result)
    assert any("left in it" in line for line in analysis_lines(result))


def test_a_charge_to_its_taper_just_before_makes_the_start_full(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, UP, *taper(), REST, DOWN, REST]))
    assert [phase.kind for phase in result.phases] == ["charge", "discharge"]
    assert result.start == "full"
    assert result.charge_Ah == pytest.approx((0.5 * 6000 + 300 * sum(piece[0] for piece in taper())) / 3600, rel=0.01)
    assert result.cycle is None  # not emptied before: no efficiency
    late = analyse_run(make_run(tmp_path, [REST, UP, *taper(), (0.0, 5 * 3600, 4.1, 4.1), DOWN], "late"))
    assert late.start == "unknown"


def test_a_whole_cycle_has_an_efficiency(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, DOWN, REST, UP, *taper(), REST, DOWN, REST]))
    assert result.cycle is not None
    assert 0 < result.cycle.coulombic_efficiency < 2


def test_a_cutoff_not_reached_is_an_at_least(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, (-0.5, 3000, 4.0, 3.4), REST]))
    assert not result.reached_cutoff and not result.complete
    assert "cutoff-not-reached" in codes(result)
    assert any("at least" in line for line in analysis_lines(result))


def test_another_cutoff_is_worked_out_from_the_same_record_and_not_kept(tmp_path):
    run = make_run(tmp_path, [REST, DOWN, REST])
    whole, less = analyse_run(run), analyse_run(run, 3.5)
    assert less.capacity_Ah < whole.capacity_Ah
    assert less.end_voltage_V == 3.5
    assert json.loads((run / "result.json").read_text())["result"]["cutoff_V"] == 3.0
    with pytest.raises(InputError, match="--cutoff"):
        analyse_run(run, -1.0)
    with pytest.raises(InputError, match=r"began at .* under load"):  # no capacity of nothing
        analyse_run(run, 5.0)


def test_the_last_complete_discharge_is_the_answer(tmp_path):
    result = analyse_run(
        make_run(
            tmp_path, [REST, DOWN, REST, UP, *taper(), REST, (-1.0, 3500, 4.0, 2.9), REST, UP, (-0.5, 600, 4, 3.8)]
        )
    )
    assert result.main_current_A == -1.0


def test_the_kept_result_is_used_and_made_anew_when_the_readings_change(tmp_path):
    run = make_run(tmp_path, [REST, DOWN, REST])
    first = analyse_run(run)
    kept = run / "result.json"
    data = json.loads(kept.read_text())
    data["result"]["capacity_Ah"] = 42.0
    kept.write_text(json.dumps(data))
    assert analyse_run(run).capacity_Ah == first.capacity_Ah  # changed by somebody: not believed
    kept.write_text(kept_text(data.pop("result"), data))
    assert analyse_run(run).capacity_Ah == 42.0  # used as kept
    with (run / "samples.csv").open("a") as file:
        file.write("99999,0,3.4,0,20\n")
    again = analyse_run(run)
    assert again.capacity_Ah == pytest.approx(first.capacity_Ah)
    assert any("changed after" in item.text for item in again.warnings)
    kept.unlink()
    assert analyse_run(run) == again


def test_a_record_without_discharge_has_no_capacity(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, UP, *taper(), REST]))
    assert result.capacity_Ah is None
    assert result.charge_Ah > 0.8
    assert "no-discharge" in codes(result)
    assert analysis_lines(result, budget=True)


def test_hours_without_rows_under_load_are_not_integrated_across(tmp_path):
    run = make_run(tmp_path, [REST, (-0.5, 3000, 4.0, 3.6), (-0.5, 3000, 3.5, 2.9), REST])
    lines = (run / "samples.csv").read_text().splitlines()
    shifted = []
    for line in lines[1:]:
        t, rest = line.split(",", 1)
        shifted.append(line if float(t) < 3600 else f"{float(t) + 20000},{rest}")
    (run / "samples.csv").write_text("\n".join([lines[0], *shifted]) + "\n")
    result = analyse_run(run)
    assert "gap" in codes(result)
    assert max(phase.capacity_Ah for phase in result.phases) < 0.5 * 3100 / 3600


def test_temperature_rise_is_the_highest_above_the_rest_before(tmp_path):
    result = analyse_run(make_run(tmp_path, [REST, DOWN, REST]))
    assert result.temperature_rise_K == pytest.approx(25.0 - (20 + 59 / 2 / 20), abs=0.1)


def test_too_much_capacity_for_the_size_is_told(tmp_path):
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.cells.cell import Cell

    Shelf(tmp_path / "logs").add(Cell(id="L3-a", form="18650", chemistry="li-ion"))
    result = analyse_run(make_run(tmp_path, [REST, (-5.0, 4000, 4.0, 2.9), REST]))
    assert "capacity-implausible" in codes(result)


def test_numbers_are_shown_with_two_digits_of_U():
    assert (
        with_U(1.9533, 0.0345, 1000, "mAh") == "1953 ± 35 mAh" or with_U(1.9533, 0.0345, 1000, "mAh") == "1953 ± 34 mAh"
    )
    assert with_U(None, None) == "not known"
