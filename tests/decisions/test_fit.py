"""Promises of a fit: true run times, honest refusals, doubts that say so."""

import json
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from amphora.harness.analysis.cell_model import cell_model
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.duty import read_duty
from amphora.harness.decisions.fit import fit, fit_run, refusals
from amphora.harness.report.fit_plot import plot_fit
from tests.campaign.fit_study import POPULATIONS, one
from tests.support.duties import HEAD, linear, simple
from tests.support.duty_runs import cell_of, serve, write_test


def test_a_constant_current_runs_as_long_as_the_straight_line_says():
    # 4.2 - 1.2 q - 0.5 * 0.1 = 3.3 -> q = 0.7083 Ah at 0.5 A -> 1.4167 h
    mode = fit(linear(), simple("3.3 V", 'current = "500 mA"')).modes[0]
    assert mode.run_time_h == pytest.approx(0.85 / 1.2 / 0.5, rel=1e-3)
    assert mode.sag_V == pytest.approx(0.05)
    assert mode.run_time_U_h > 0.01 * mode.run_time_h * 0.9


def test_resistor_and_led_follow_the_exponential_of_the_straight_line():
    # I = (E - Vf)/(R + r), dE/dt = -1.2 I / Q: E - Vf falls as exp(-t/tau), tau = Q (R + r) / 1.2 (Ohm)
    mode = fit(linear(), simple("3.2 V", 'resistor = "10 ohm"\nled = "2.0 V"')).modes[0]
    r, tau = 10.1, 10.1 / 1.2
    end = (3.2 - 2.0) / 10.0 * r  # E - Vf where the terminal shows 3.2 V
    assert mode.run_time_h == pytest.approx(tau * np.log(2.2 / end), rel=2e-3)


def test_pwm_sags_with_the_full_current_but_lasts_by_the_mean():
    full = fit(linear(), simple("3.3 V", 'current = "500 mA"')).modes[0]
    tenth = fit(linear(), simple("3.3 V", 'current = "500 mA"\nduty_cycle = "10 %"')).modes[0]
    assert tenth.run_time_h == pytest.approx(10 * full.run_time_h, rel=1e-6)


def test_below_the_re_trigger_point_the_rest_is_unusable():
    mode = fit(linear(ohm=0.3), simple("3.3 V", 'current = "500 mA"', 'comes_back = "50 mV"')).modes[0]
    assert mode.retrigger_charge_state == pytest.approx((3.3 + 0.15 - 3.0) / 1.2, abs=2e-3)
    assert mode.unusable_Ah == pytest.approx(0.15 / 1.2, abs=2e-3)
    slight = fit(linear(ohm=0.05), simple("3.3 V", 'current = "500 mA"', 'comes_back = "50 mV"')).modes[0]
    assert slight.retrigger_charge_state is None  # it sags 25 mV and would have to come back by 50 mV


NIGHT = (
    '[[night]]\nmode = "m"\nfor = "4 h"\n[panel]\ncurrent = "100 mA"\nshare = "100 %"\n'
    '[panel.sun]\ngood = "6 h"\naverage = "5 h"\npoor = "1 h"\n'
)


def test_night_and_day_are_balanced_and_days_until_empty_counted():
    duty = read_duty(
        HEAD + 'lowest_rail="3.0 V"\ncharge_limit="4.20 V"\n[[modes]]\nname="m"\ncurrent="100 mA"\n' + NIGHT, "l"
    )
    found = fit(linear(), duty)
    night = found.night
    assert night.used_Ah == pytest.approx(0.4)
    assert night.returned_Ah == pytest.approx({"good": 0.594, "average": 0.495, "poor": 0.099})
    assert night.days_until_empty_by["average"] is None and found.fits
    assert night.days_until_empty == pytest.approx(night.usable_Ah / (0.4 - 0.099))


def test_a_night_longer_than_the_cell_lasts_does_not_fit_and_says_which_mode():
    text = HEAD + 'lowest_rail="3.0 V"\n[[modes]]\nname="m"\ncurrent="500 mA"\n[[night]]\nmode="m"\nfor="4 h"\n'
    found = fit(linear(), read_duty(text, "l"))
    assert not found.fits and "'m' lasts 1.9 of 4 h" in found.reasons[0]


@pytest.mark.parametrize(
    ("chemistry", "more", "told"),
    [
        ("lfp", "", "made for li-ion"),
        ("auto", "", "not known"),
        ("li-ion", 'charge_limit = "4.25 V"\ncharge_limited_by = "protection"', "protection chip"),
        ("li-ion", 'charge_limit = "4.25 V"', "4.25 V"),
        ("li-ion", 'charge_limit = "4.20 V"\ncharge_limited_by = "nothing"', "nothing in the device"),
        ("li-ion", 'charge_limit = "4.20 V"\nday_temperature = "-3 degC"', "below 0 °C"),
    ],
)
def test_what_would_harm_the_cell_is_refused(chemistry, more, told):
    duty = simple(more=more)
    assert any(told in text for text in refusals(chemistry, duty))
    found = fit(replace(linear(), chemistry=chemistry), duty)
    assert not found.fits and found.refusals


def test_a_device_that_blocks_cold_charging_is_not_refused():
    duty = simple(more='charge_limit = "4.20 V"\nday_temperature = "-3 degC"\ncold_charge_blocked = true')
    assert refusals("li-ion", duty) == []


@pytest.mark.parametrize(
    ("seed", "on_A", "share", "rail_V", "degC", "changes"),
    [
        (0, 0.12, 1.0, 3.0, 20.0, {}),
        (1, 0.35, 0.3, 3.3, 20.0, {}),
        (2, 0.35, 1.0, 3.45, 20.0, {}),
        (3, 0.35, 0.5, 3.3, 20.0, {"hysteresis_V": 0.03}),
        (4, 0.35, 0.3, 3.3, 20.0, {"curve": "chen-rincon-mora"}),
        (5, 0.35, 1.0, 3.3, 0.0, {}),
    ],
)
def test_predictions_from_a_test_hold_when_the_cell_really_does_the_duty(
    tmp_path, seed, on_A, share, rail_V, degC, changes
):
    # Promise: run time within 5 %, re-trigger point within 3 % of charge, also where the cell differs from the model.
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.archive.loading import load

    run = write_test(tmp_path, cell_of(seed=seed, **changes))
    record, _ = load(run)
    result = analyse_run(run)
    model = cell_model(record.t_s, record.voltage_V, record.current_A, result)
    duty = simple(
        f"{rail_V} V", f'current = "{on_A * 1000} mA"\nduty_cycle = "{share}"', f'night_temperature = "{degC} degC"'
    )
    mode = fit(model, duty).modes[0]
    hours, given = serve(cell_of(seed=seed, degC=degC, **changes), on_A, share, rail_V)
    assert mode.run_time_h == pytest.approx(hours, rel=0.05)
    assert mode.ends_charge_state == pytest.approx(max(0.0, 1 - given / result.capacity_Ah), abs=0.03)


def test_the_command_answers_as_the_contract_says_and_draws(tmp_path):
    run = write_test(tmp_path, cell_of())
    picture = tmp_path / "night.png"
    args = [
        "fit",
        str(run),
        "--duty",
        "path-light",
        "--what-if",
        "panel.current=20 mA",
        "--plot",
        str(picture),
        "--json",
    ]
    answered = CliRunner().invoke(app, args)
    data = json.loads(answered.stdout)
    assert answered.exit_code == (0 if data["fits"] else 1)
    assert {"name", "run_time_h", "run_time_U_h", "retrigger_charge_state"} <= set(data["modes"][0])
    assert set(data["night"]["returned_Ah"]) == {"good", "average", "poor"} and "days_until_empty" in data["night"]
    assert not data["what_if"]["fits"]
    assert picture.read_bytes()[:4] == b"\x89PNG"


def test_a_cell_that_does_not_fit_ends_with_one(tmp_path):
    run = write_test(tmp_path, cell_of(), chemistry="lfp")
    answered = CliRunner().invoke(app, ["fit", str(run), "--duty", "path-light", "--json"])
    assert answered.exit_code == 1 and "made for li-ion" in json.loads(answered.stdout)["refusals"][0]


def test_what_if_answers_beside(tmp_path):
    run = write_test(tmp_path, cell_of())
    found = fit_run(run, "camp-lantern", ["resistor=94 ohm"])
    before = next(m for m in found.modes if m.name == "night light")
    after = next(m for m in found.what_if.modes if m.name == "night light")
    assert after.run_time_h > 1.8 * before.run_time_h


def test_plot_of_a_duty_without_panel(tmp_path):
    text = HEAD + 'lowest_rail="3.0 V"\n[[modes]]\nname="m"\ncurrent="100 mA"\n[[night]]\nmode="m"\nfor="4 h"\n'
    duty = read_duty(text, "l")
    plot_fit(fit(linear(), duty), duty, tmp_path / "x" / "a.png")
    assert (tmp_path / "x" / "a.png").stat().st_size > 5000


def test_a_run_without_a_complete_discharge_is_told_in_one_sentence(tmp_path):
    run = write_test(tmp_path, cell_of())
    head, *rows = (run / "samples.csv").read_text().splitlines()
    (run / "samples.csv").write_text("\n".join([head, *rows[: len(rows) // 2]]) + "\n")
    stop = {"kind": "stopped", "t_s": 1e5, "utc": "", "after_row": len(rows) // 2, "reason": "person"}
    (run / "events.jsonl").write_text(json.dumps(stop) + "\n")
    with pytest.raises(InputError, match="cut-off"):
        fit_run(run, "path-light")


@pytest.mark.parametrize("name", [name for name in POPULATIONS if not name.startswith("worn out,")])
@pytest.mark.parametrize("seed", [1, 2])
def test_cells_unlike_the_model_read_by_a_bench_that_is_off_do_as_was_said(name, seed, tmp_path):
    found = one(name, seed, tmp_path)
    assert abs(found["time"]) <= 0.05 and abs(found["state"]) <= 0.03, found["what"]


# Of the cold's seeds these fail by most: the record does not hold how cold raises resistance.
@pytest.mark.parametrize("seed", [100000, 100018, 100030, 100034, 100045, 100061])
def test_a_worn_out_cell_in_the_cold_is_inside_its_interval_and_an_answer_that_is_off_said_so(seed, tmp_path):
    found = one("worn out, 0 degC", seed, tmp_path)
    assert found["covered"] and found["state covered"], found["what"]
    assert found["told"] or (abs(found["time"]) <= 0.05 and abs(found["state"]) <= 0.03), found["what"]


def test_a_mode_sees_slow_resistance_only_after_a_while():
    # 1 ohm in all, half of it with a time constant of 10 h: at once 4.2 - 0.1 * 0.5 - 1.2 q, at last 0.1 V under 4.2.
    slow = replace(linear(ohm=1.0), fast_ohm=np.full(201, 0.5), slow=((0.5, 36000.0),), slow_U_ohm=0.0)
    at_once = linear(ohm=0.5)
    duty = simple("3.6 V", 'current = "100 mA"')
    hours = fit(slow, duty).modes[0].run_time_h
    # 0.6 = 1.2 * 0.1 t + 0.05 + 0.05 (1 - exp(-t / 10)) -> t = 4.434 h
    assert hours == pytest.approx(4.434, rel=2e-3)
    assert hours < fit(at_once, duty).modes[0].run_time_h


def test_an_answer_says_in_words_and_fields_that_it_is_not_within_and_by_what():
    weak = replace(linear(ohm=0.8), fast_ohm=np.full(201, 0.4), test_A=0.2, slow_U_ohm=0.02)
    cold = fit(weak, simple("3.2 V", 'current = "400 mA"', 'night_temperature = "0 degC"'))
    mode = cold.modes[0]
    assert not mode.run_time_within_5_percent and not mode.charge_state_within_3_percent
    assert mode.doubt == "cold"
    note = next(note for note in cold.notes if note.startswith("m: the run time is not within the 5 %"))
    assert "not within 3 % of charge" in note and "test at that temperature" in note
    warm = fit(weak, simple("3.2 V", 'current = "400 mA"')).modes[0]
    assert warm.doubt == "resistance"  # asked at twice the test's current
    easy = fit(linear(), simple("3.2 V", 'current = "60 mA"')).modes[0]
    assert easy.run_time_within_5_percent and easy.charge_state_within_3_percent


def test_a_mode_that_may_or_may_not_work_from_full_is_not_said_to_be_known():
    edge = replace(linear(ohm=1.01), fast_ohm=np.full(201, 0.4), test_A=0.2)
    found = fit(edge, simple("3.2 V", 'current = "1 A"'))
    assert found.modes[0].run_time_h == 0 and any("not within the 5 %" in note for note in found.notes)


def test_a_run_time_that_hangs_on_the_sag_is_said_to_be_poorly_known():
    weak = replace(linear(), ohm=np.full(201, 1.0), fast_ohm=np.full(201, 0.4), test_A=0.2)
    notes = fit(weak, simple("3.2 V", 'current = "600 mA"', 'night_temperature = "0 degC"')).notes
    assert any("the run time is not within the 5 %" in note and "; test " in note for note in notes)
    notes = fit(linear(), simple("3.2 V", 'current = "60 mA"')).notes
    assert not any("not within" in note for note in notes)


def test_a_load_line_through_the_origin_is_a_resistor():
    as_line = fit(linear(), simple("3.3 V", 'line = [["0 V", "0 A"], ["5 V", "500 mA"]]')).modes[0]
    as_resistor = fit(linear(), simple("3.3 V", 'resistor = "10 ohm"')).modes[0]
    assert as_line.run_time_h == pytest.approx(as_resistor.run_time_h, rel=1e-6)
    assert as_line.sag_V == pytest.approx(as_resistor.sag_V, rel=1e-6)
