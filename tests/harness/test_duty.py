"""Promises of a fit: true run times, honest refusals, clear words about broken files."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from harness.cli.app import app
from harness.duty import (
    CellModel,
    Duty,
    cell_model,
    duty_from_run,
    fit,
    fit_run,
    load_duty,
    load_line,
    panel_points,
    read_duty,
    refusals,
    shipped,
    survey_run,
)
from harness.errors import InputError
from harness.report.fit_plot import plot_fit
from tests.campaign.fit_study import POPULATIONS, one
from tests.support.duty_runs import cell_of, serve, write_test

HEAD = 'name = "lamp"\nchemistry = ["li-ion"]\n'


def simple(rail: str = "3.0 V", mode: str = 'current = "100 mA"', more: str = "") -> Duty:
    return read_duty(f'{HEAD}lowest_rail = "{rail}"\n{more}\n[[modes]]\nname = "m"\n{mode}\n', "lamp.toml")


def linear(capacity: float = 1.0, ohm: float = 0.1) -> CellModel:
    """A cell whose voltage falls in a straight line from 4.2 to 3.0 V, so that everything has a closed form."""
    given = np.linspace(0, capacity, 201)
    flat = np.full(201, ohm)
    return CellModel(given, 4.2 - 1.2 * given / capacity, flat, flat, capacity, 0.01 * capacity, 0.02, 20.0, "li-ion")


def test_a_constant_current_runs_as_long_as_the_straight_line_says():
    # 4.2 - 1.2 q - 0.5 * 0.1 = 3.3 -> q = 0.7083 Ah at 0.5 A -> 1.4167 h
    mode = fit(linear(), simple("3.3 V", 'current = "500 mA"'))["modes"][0]
    assert mode["run_time_h"] == pytest.approx(0.85 / 1.2 / 0.5, rel=1e-3)
    assert mode["sag_V"] == pytest.approx(0.05)
    assert mode["run_time_U_h"] > 0.01 * mode["run_time_h"] * 0.9


def test_resistor_and_led_follow_the_exponential_of_the_straight_line():
    # I = (E - Vf)/(R + r), dE/dt = -1.2 I / Q: E - Vf falls as exp(-t/tau), tau = Q (R + r) / 1.2 (Ohm)
    mode = fit(linear(), simple("3.2 V", 'resistor = "10 ohm"\nled = "2.0 V"'))["modes"][0]
    r, tau = 10.1, 10.1 / 1.2
    end = (3.2 - 2.0) / 10.0 * r  # E - Vf where the terminal shows 3.2 V
    assert mode["run_time_h"] == pytest.approx(tau * np.log(2.2 / end), rel=2e-3)


def test_pwm_sags_with_the_full_current_but_lasts_by_the_mean():
    full = fit(linear(), simple("3.3 V", 'current = "500 mA"'))["modes"][0]
    tenth = fit(linear(), simple("3.3 V", 'current = "500 mA"\nduty_cycle = "10 %"'))["modes"][0]
    assert tenth["run_time_h"] == pytest.approx(10 * full["run_time_h"], rel=1e-6)


def test_below_the_re_trigger_point_the_rest_is_unusable():
    mode = fit(linear(ohm=0.3), simple("3.3 V", 'current = "500 mA"', 'comes_back = "50 mV"'))["modes"][0]
    assert mode["retrigger_charge_state"] == pytest.approx((3.3 + 0.15 - 3.0) / 1.2, abs=2e-3)
    assert mode["unusable_Ah"] == pytest.approx(0.15 / 1.2, abs=2e-3)
    slight = fit(linear(ohm=0.05), simple("3.3 V", 'current = "500 mA"', 'comes_back = "50 mV"'))["modes"][0]
    assert slight["retrigger_charge_state"] is None  # it sags 25 mV and would have to come back by 50 mV


NIGHT = (
    '[[night]]\nmode = "m"\nfor = "4 h"\n[panel]\ncurrent = "100 mA"\nshare = "100 %"\n'
    '[panel.sun]\ngood = "6 h"\naverage = "5 h"\npoor = "1 h"\n'
)


def test_night_and_day_are_balanced_and_days_until_empty_counted():
    duty = read_duty(
        HEAD + 'lowest_rail="3.0 V"\ncharge_limit="4.20 V"\n[[modes]]\nname="m"\ncurrent="100 mA"\n' + NIGHT, "l"
    )
    found = fit(linear(), duty)
    night = found["night"]
    assert night["used_Ah"] == pytest.approx(0.4)
    assert night["returned_Ah"] == pytest.approx({"good": 0.594, "average": 0.495, "poor": 0.099})
    assert night["days_until_empty_by"]["average"] is None and found["fits"]
    assert night["days_until_empty"] == pytest.approx(night["usable_Ah"] / (0.4 - 0.099))


def test_a_night_longer_than_the_cell_lasts_does_not_fit_and_says_which_mode():
    text = HEAD + 'lowest_rail="3.0 V"\n[[modes]]\nname="m"\ncurrent="500 mA"\n[[night]]\nmode="m"\nfor="4 h"\n'
    found = fit(linear(), read_duty(text, "l"))
    assert not found["fits"] and "'m' lasts 1.9 of 4 h" in found["reasons"][0]


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
    assert not found["fits"] and found["refusals"]


def test_a_device_that_blocks_cold_charging_is_not_refused():
    duty = simple(more='charge_limit = "4.20 V"\nday_temperature = "-3 degC"\ncold_charge_blocked = true')
    assert refusals("li-ion", duty) == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name=", "TOML"),
        (HEAD, "lowest_rail"),
        (HEAD + 'lowest_rail="3 V"', "modes"),
        (HEAD + 'lowest_rail="3"\n[[modes]]\nname="m"\ncurrent="1 A"', "lowest_rail.*'3'"),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 V"', "modes 1.*current.*1 V"),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"', "current, power, resistor and line"),
        (HEAD + 'lowest_rail="3 V"\ncolour="red"\n[[modes]]\nname="m"\ncurrent="1 A"', "colour"),
        (
            HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\n[[night]]\nmode="x"\nfor="1 h"',
            "night 1.*'x'",
        ),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\nduty_cycle="120 %"', "duty_cycle"),
        (HEAD.replace("li-ion", "wood") + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"', "wood"),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\n[panel]\ncurrent="1 A"', "panel.*sun"),
    ],
)
def test_a_broken_duty_file_is_told_by_file_and_field(text, told):
    with pytest.raises(InputError, match=f"lamp.toml.*{told}"):
        read_duty(text, "lamp.toml")


def test_duties_that_ship_can_be_read_and_a_change_changes_them():
    assert shipped() == ["camp-lantern", "door-sensor", "path-light"]
    for name in shipped():
        load_duty(name)
    assert load_duty("path-light", ["panel.current=120 mA"]).panel.current_A == pytest.approx(0.12)
    assert load_duty("camp-lantern", ["resistor=100 ohm"]).mode("night light").resistor_ohm == 100
    assert load_duty("camp-lantern", ["lowest_rail=3.2 V"]).mode("bright").lowest_rail_V == 3.2
    assert load_duty("path-light", ["bright.current=50 mA"]).mode("bright").current_A == 0.05
    with pytest.raises(InputError, match="what-if"):
        load_duty("path-light", ["colour=red"])


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
    from harness.loading import load
    from harness.results import analyse_run

    run = write_test(tmp_path, cell_of(seed=seed, **changes))
    record, _ = load(run)
    result = analyse_run(run)
    model = cell_model(record.t_s, record.voltage_V, record.current_A, result)
    duty = simple(
        f"{rail_V} V", f'current = "{on_A * 1000} mA"\nduty_cycle = "{share}"', f'night_temperature = "{degC} degC"'
    )
    mode = fit(model, duty)["modes"][0]
    hours, given = serve(cell_of(seed=seed, degC=degC, **changes), on_A, share, rail_V)
    assert mode["run_time_h"] == pytest.approx(hours, rel=0.05)
    assert mode["ends_charge_state"] == pytest.approx(max(0.0, 1 - given / result["capacity_Ah"]), abs=0.03)


def test_a_run_without_resistances_or_discharge_is_refused():
    flat = np.full(20, 3.7)
    with pytest.raises(InputError, match="no discharge"):
        cell_model(np.arange(20.0), flat, np.zeros(20), {"run": "a/x", "phases": [], "capacity_Ah": None})
    phase = {"kind": "discharge", "capacity_Ah": 1.0, "begin_s": 0, "end_s": 19, "main_current_A": -1.0}
    result = {"run": "a/x", "phases": [phase], "capacity_Ah": 1.0, "resistances": []}
    with pytest.raises(InputError, match="resistance"):
        cell_model(np.arange(20.0), flat, -np.ones(20), result)


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


def test_load_line_tells_a_current_from_a_resistor():
    volt = np.linspace(4.2, 2.6, 80)
    regulated = load_line(volt, np.where(volt > 3.0, 0.12, 0.0))
    assert regulated["current_A"] == pytest.approx(0.12) and regulated["lowest_V"] == pytest.approx(3.0, abs=0.03)
    plain = load_line(volt, np.maximum(volt - 2.5, 0) / 35.0)
    assert plain["resistor_ohm"] == pytest.approx(35.0, rel=0.01) and plain["led_V"] == pytest.approx(2.5, abs=0.02)
    with pytest.raises(InputError):
        load_line(volt, np.zeros(80))


def test_panel_sweep_gives_its_points():
    volt = np.linspace(0, 6, 61)
    found = panel_points(volt, 0.1 * (1 - (volt / 6) ** 8))
    assert found["open_circuit_V"] == 6 and found["short_circuit_A"] == pytest.approx(0.1)
    assert found["voltage_V"] == pytest.approx(4.6, abs=0.11)  # 6 * (1/9) ** (1/8)


def survey(logs: Path, profile: str, volt, amps) -> Path:
    folder = write_test(logs, cell_of(), "lamp-3")
    run = json.loads((folder / "run.json").read_text())
    run["profile"] = profile
    (folder / "run.json").write_text(json.dumps(run))
    rows = [f"{t:.1f},0,{v:.4f},{a:.5f}," for t, (v, a) in enumerate(zip(volt, amps, strict=True))]
    (folder / "samples.csv").write_text("t_s,step,voltage_V,current_A,temperature_degC\n" + "\n".join(rows) + "\n")
    begun = {
        "kind": "step-begun",
        "t_s": 0,
        "utc": "",
        "after_row": 0,
        "step": 0,
        "plan_step": 0,
        "step_kind": "sweep",
        "name": "",
    }
    stop = {"kind": "stopped", "t_s": len(rows), "utc": "", "after_row": len(rows), "reason": "time"}
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in (begun, stop)))
    return folder


def test_a_survey_becomes_a_duty_file_that_can_be_read(tmp_path):
    volt = np.linspace(4.2, 2.6, 80)
    lamp = survey(tmp_path / "a", "lamp", volt, np.where(volt > 3.0, 0.12, 0.0))
    duty = read_duty(duty_from_run(lamp, 'lamp "3"'), "made.toml")
    assert duty.name == 'lamp "3"' and duty.modes[0].current_A == pytest.approx(0.12)
    panel = survey(tmp_path / "b", "panel", np.linspace(0, 6, 61), -0.1 * (1 - (np.linspace(0, 6, 61) / 6) ** 8))
    assert read_duty(
        HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\n' + duty_from_run(panel, "p"), "l"
    ).panel


def test_what_if_answers_beside(tmp_path):
    run = write_test(tmp_path, cell_of())
    found = fit_run(run, "camp-lantern", ["resistor=94 ohm"])
    before = next(m for m in found["modes"] if m["name"] == "night light")
    after = next(m for m in found["what_if"]["modes"] if m["name"] == "night light")
    assert after["run_time_h"] > 1.8 * before["run_time_h"]


def test_plot_of_a_duty_without_panel(tmp_path):
    text = HEAD + 'lowest_rail="3.0 V"\n[[modes]]\nname="m"\ncurrent="100 mA"\n[[night]]\nmode="m"\nfor="4 h"\n'
    duty = read_duty(text, "l")
    plot_fit(fit(linear(), duty), 1.0, duty, tmp_path / "x" / "a.png")
    assert (tmp_path / "x" / "a.png").stat().st_size > 5000


def test_a_run_without_a_complete_discharge_is_told_in_one_sentence(tmp_path):
    run = write_test(tmp_path, cell_of())
    head, *rows = (run / "samples.csv").read_text().splitlines()
    (run / "samples.csv").write_text("\n".join([head, *rows[: len(rows) // 2]]) + "\n")
    stop = {"kind": "stopped", "t_s": 1e5, "utc": "", "after_row": len(rows) // 2, "reason": "person"}
    (run / "events.jsonl").write_text(json.dumps(stop) + "\n")
    with pytest.raises(InputError, match="cut-off"):
        fit_run(run, "path-light")


def test_a_survey_with_sweeps_down_and_up_tells_where_the_lamp_comes_back(tmp_path):
    volt = np.linspace(4.2, 2.6, 81)
    folder = survey(tmp_path, "lamp", volt, np.zeros(81))
    lines, events = ["t_s,step,voltage_V,current_A,temperature_degC"], []
    for step, (amps, falling) in enumerate([(0.12, True), (0.12, False), (0.0, None), (0.03, True), (0.03, False)]):
        kind = "ask" if falling is None else "sweep"
        begun = {"kind": "step-begun", "t_s": len(lines), "utc": "", "after_row": len(lines) - 1, "step": step}
        events.append({**begun, "plan_step": step, "step_kind": kind, "name": ""})
        if falling is None:
            continue
        for v in volt if falling else volt[::-1]:
            on = v > (3.0 if falling else 3.2)
            lines.append(f"{len(lines)},{step},{v:.4f},{amps if on else 0:.5f},")
    (folder / "samples.csv").write_text("\n".join(lines) + "\n")
    events.append({"kind": "stopped", "t_s": 1e4, "utc": "", "after_row": len(lines) - 1, "reason": "time"})
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events))
    duty = read_duty(duty_from_run(folder, "lamp 3"), "made.toml")
    assert [mode.current_A for mode in duty.modes] == pytest.approx([0.12, 0.03])
    assert duty.modes[0].lowest_rail_V == pytest.approx(3.0, abs=0.03)
    assert [mode.comes_back_V for mode in duty.modes] == pytest.approx([0.2, 0.2], abs=0.03)


@pytest.fixture(scope="module")
def surveys(tmp_path_factory):
    """A lamp and a panel, surveyed by their recipes on the simulated bench."""
    from harness.session import Request, carry_out, open_rig
    from harness.shelf import Cell, Shelf
    from harness.simulating import SimulatedSession

    logs = tmp_path_factory.mktemp("surveys")
    made = {}
    for kind in ("lamp", "panel"):
        Shelf(logs).add(Cell(f"{kind}-1", chemistry="li-ion"))
        session = SimulatedSession(logs, f"{kind}-1", kind, 1)
        rig = open_rig(session.description, session.clock, session.open)
        request = Request(f"{kind}-1", kind, logs, present=True)
        made[kind] = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False).folder
        made[f"{kind} truth"] = session.bench.truth()
        rig.close()
    return made


def test_the_lamp_recipe_finds_load_line_shut_off_return_and_blinking_of_each_mode(surveys):
    truth = surveys["lamp truth"]
    modes = survey_run(surveys["lamp"])
    assert [mode.line["current_A"] for mode in modes] == pytest.approx(
        list(truth["modes_A"].values()), rel=0.06, abs=2e-3
    )
    step_V = 0.033  # of the recipe's sweep
    for mode, name in zip(modes, truth["modes_A"], strict=True):
        assert mode.back_V == pytest.approx(truth["on_above_V"], abs=2 * step_V)
        assert mode.off_V is not None and mode.off_V < mode.steady_from_V
        blinks = truth["blinks_between_V"][name]
        assert (mode.blinks_V is None) == (blinks is None)
        if blinks is not None:
            assert mode.blinks_V == pytest.approx(blinks, abs=1.5 * step_V)
            assert mode.steady_from_V > blinks[1] - 0.5 * step_V
    # The smallest current: what it watches is what stands at its terminals.
    assert modes[-1].steady_from_V == pytest.approx(truth["off_below_V"], abs=step_V)


def test_the_panel_recipe_finds_its_three_points(surveys):
    from harness.loading import load

    truth = surveys["panel truth"]
    record, _ = load(surveys["panel"])
    found = panel_points(record.voltage_V, record.current_A)
    assert found["open_circuit_V"] == pytest.approx(truth["open_circuit_V"], rel=0.01)
    assert found["short_circuit_A"] == pytest.approx(truth["short_circuit_A"], abs=2e-3)
    assert found["power_W"] == pytest.approx(truth["best_V"] * truth["best_A"], rel=0.05)


def test_what_the_bench_shows_of_nothing_is_taken_off_a_survey(surveys):
    truth = surveys["panel truth"]
    panel = read_duty(
        HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\n' + duty_from_run(surveys["panel"], "p"), "l"
    ).panel
    assert panel is not None and panel.current_A == pytest.approx(truth["best_A"], rel=0.03)
    smallest = survey_run(surveys["lamp"])[-1]  # 30 mA, on a bench that shows about 1 mA of nothing
    assert smallest.line["current_A"] == pytest.approx(0.0302, rel=0.02)


def test_from_lamp_and_panel_by_survey_and_duty_file_to_the_fit_of_a_cell(surveys, tmp_path):
    out = tmp_path / "mine.toml"
    words = ["duty", "from-run", str(surveys["lamp"]), "--panel", str(surveys["panel"]), "--name", "mine"]
    done = CliRunner().invoke(app, [*words, "--out", str(out), "--json"])
    assert done.exit_code == 0, done.stderr
    run = write_test(tmp_path / "logs", cell_of(), "L3-a")
    refused = CliRunner().invoke(app, ["fit", str(run), "--duty", str(out), "--json"])
    assert refused.exit_code == 1 and "limits the charge voltage" in json.loads(refused.stdout)["refusals"][0]
    text = out.read_text().replace("# charge_limit", "charge_limit")
    for line in ("[[night]]", 'mode = "mode 1"', 'for = "2 h"'):
        text = text.replace("# " + line, line)
    out.write_text(text.replace('mode = "mode 1"', 'mode = "mode 3"'))
    answered = CliRunner().invoke(app, ["fit", str(run), "--duty", str(out), "--json"])
    found = json.loads(answered.stdout)
    assert answered.exit_code == 0, found
    hours = [mode["run_time_h"] for mode in found["modes"]]
    assert len(hours) == 3 and hours[0] < hours[1] < hours[2]
    assert found["modes"][0]["retrigger_charge_state"] > found["modes"][2]["ends_charge_state"]
    assert found["night"]["used_Ah"] == pytest.approx(2 * 0.03, rel=0.1)
    assert found["night"]["returned_Ah"]["good"] > found["night"]["returned_Ah"]["poor"] > 0


def test_a_panel_that_is_no_panel_run_is_refused(surveys):
    with pytest.raises(InputError, match="no run of the recipe panel"):
        duty_from_run(surveys["lamp"], "l", panel=surveys["lamp"])


def test_a_survey_of_something_dead_is_told(tmp_path):
    dead = survey(tmp_path, "lamp", np.linspace(4.2, 2.6, 80), np.zeros(80))
    with pytest.raises(InputError, match="no sweep in which a device drew current"):
        survey_run(dead)


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


def model_of(run: Path) -> CellModel:
    from harness.loading import load
    from harness.results import analyse_run

    record, _ = load(run)
    return cell_model(record.t_s, record.voltage_V, record.current_A, analyse_run(run))


SLOW_CELL = {"curve": "linear", "r0_ohm": 0.1, "r1_ohm": 1e-6, "r2_ohm": 0.05, "c2_F": 5000.0, "low_end_rise": 0.0}


def test_the_rest_after_the_discharge_tells_what_no_load_step_is_long_enough_to_see(tmp_path):
    # A linear curve, R0 100 mohm and 50 mohm with 250 s: 30 s show 5.7 of these 50 mohm.
    model = model_of(write_test(tmp_path, cell_of(**SLOW_CELL)))
    assert model.ohm[::40] == pytest.approx(np.full(model.ohm[::40].size, 0.15), rel=0.02)
    (ohm, tau_s), *others = model.slow
    assert not others and ohm == pytest.approx(0.05, rel=0.05) and tau_s == pytest.approx(250.0, rel=0.05)
    assert model.slow_U_ohm is not None and model.slow_U_ohm > 0.2 * ohm
    # What the cell has inside: 3.0 + 1.2 z, full at 4.2 V.
    cell = cell_of(**SLOW_CELL)
    inside = 4.2 - 1.2 * model.given_Ah / cell.spec.capacity_Ah
    assert model.ocv_V[10:-20] == pytest.approx(inside[10:-20], abs=2e-3)


def test_a_test_without_a_rest_says_that_minutes_are_not_known(tmp_path):
    run = write_test(tmp_path, cell_of(**SLOW_CELL))
    with_rest = model_of(run)
    head, *rows = (run / "samples.csv").read_text().splitlines()
    last = max(k for k, row in enumerate(rows) if row.split(",")[1] == "1")
    (run / "samples.csv").write_text("\n".join([head, *rows[: last + 4]]) + "\n")
    model = model_of(run)
    assert model.slow == () and model.slow_U_ohm is None
    duty = simple("3.3 V", 'current = "800 mA"')
    (known,), (guessed,) = fit(with_rest, duty)["modes"], fit(model, duty)["modes"]
    assert guessed["run_time_U_h"] > 0 and known["run_time_h"] < guessed["run_time_h"]
    hours, _ = serve(cell_of(**SLOW_CELL), 0.8, 1.0, 3.3)
    assert known["run_time_h"] == pytest.approx(hours, rel=0.01)


def test_a_mode_sees_slow_resistance_only_after_a_while():
    # 1 ohm in all, half of it with a time constant of 10 h: at once 4.2 - 0.1 * 0.5 - 1.2 q, at last 0.1 V under 4.2.
    slow = replace(linear(ohm=1.0), fast_ohm=np.full(201, 0.5), slow=((0.5, 36000.0),), slow_U_ohm=0.0)
    at_once = replace(linear(ohm=0.5))
    duty = simple("3.6 V", 'current = "100 mA"')
    hours = fit(slow, duty)["modes"][0]["run_time_h"]
    # 0.6 = 1.2 * 0.1 t + 0.05 + 0.05 (1 - exp(-t / 10)) -> t = 4.434 h
    assert hours == pytest.approx(4.434, rel=2e-3)
    assert hours < fit(at_once, duty)["modes"][0]["run_time_h"]


def test_load_steps_near_full_alone_take_the_empty_end_from_the_rest_and_doubt_the_middle(tmp_path):
    run = write_test(tmp_path, cell_of(seed=4), only_first=True)
    model, cell = model_of(run), cell_of(seed=4)
    spec = cell.spec
    state = 1.0 - model.given_Ah / model.capacity_Ah
    cell.soc = 1.0 - model.capacity_Ah / spec.capacity_Ah
    cell.changed()
    at_end = cell.r0() + spec.r1_ohm + spec.r2_ohm
    assert float(np.interp(0.0, state[::-1], model.ohm[::-1])) == pytest.approx(at_end, rel=0.05)
    middle = int(np.argmin(np.abs(state - 0.5)))
    between = np.asarray(model.between_ohm)
    assert between[middle] > 0.1 * model.ohm[middle] and between[0] < 0.05 * model.ohm[0]
    lowest = int(np.argmin(np.abs(state - 0.1)))
    assert between[lowest] > abs(model.ohm[lowest] - spec.r0_ohm - spec.r1_ohm - spec.r2_ohm)


def test_an_answer_says_in_words_and_fields_that_it_is_not_within_and_by_what():
    weak = replace(linear(ohm=0.8), fast_ohm=np.full(201, 0.4), test_A=0.2, slow_U_ohm=0.02)
    cold = fit(weak, simple("3.2 V", 'current = "400 mA"', 'night_temperature = "0 degC"'))
    mode = cold["modes"][0]
    assert not mode["run_time_within_5_percent"] and not mode["charge_state_within_3_percent"]
    assert mode["doubt"] == "cold"
    note = next(note for note in cold["notes"] if note.startswith("m: the run time is not within the 5 %"))
    assert "not within 3 % of charge" in note and "a test at that temperature would settle it" in note
    warm = fit(weak, simple("3.2 V", 'current = "400 mA"'))["modes"][0]
    assert warm["doubt"] == "warming"  # 0.13 W in an ohm that nobody saw warm
    easy = fit(linear(), simple("3.2 V", 'current = "60 mA"'))["modes"][0]
    assert easy["run_time_within_5_percent"] and easy["charge_state_within_3_percent"]


def test_a_mode_that_may_or_may_not_work_from_full_is_not_said_to_be_known():
    edge = replace(linear(ohm=1.01), fast_ohm=np.full(201, 0.4), test_A=0.2)
    found = fit(edge, simple("3.2 V", 'current = "1 A"'))
    assert found["modes"][0]["run_time_h"] == 0 and any("not within the 5 %" in note for note in found["notes"])


def test_a_run_time_that_hangs_on_the_sag_is_said_to_be_poorly_known():
    weak = replace(linear(), ohm=np.full(201, 1.0), fast_ohm=np.full(201, 0.4), test_A=0.2)
    notes = fit(weak, simple("3.2 V", 'current = "600 mA"', 'night_temperature = "0 degC"'))["notes"]
    assert any("the run time is not within the 5 %" in note and "settle" in note for note in notes)
    notes = fit(linear(), simple("3.2 V", 'current = "60 mA"'))["notes"]
    assert not any("not within" in note for note in notes)


def test_what_goes_on_beyond_the_longest_pulse_leaves_the_test_itself_as_it_was():
    model = replace(linear(), ohm=np.full(201, 0.3), fast_ohm=np.full(201, 0.2), test_A=0.5)
    slower = model.resisting(model.slower())
    assert slower.ocv_V - 0.5 * slower.ohm == pytest.approx(model.ocv_V - 0.5 * model.ohm)
    assert slower.ohm == pytest.approx(np.full(201, 0.4))


def test_a_load_line_through_the_origin_is_a_resistor():
    as_line = fit(linear(), simple("3.3 V", 'line = [["0 V", "0 A"], ["5 V", "500 mA"]]'))["modes"][0]
    as_resistor = fit(linear(), simple("3.3 V", 'resistor = "10 ohm"'))["modes"][0]
    assert as_line["run_time_h"] == pytest.approx(as_resistor["run_time_h"], rel=1e-6)
    assert as_line["sag_V"] == pytest.approx(as_resistor["sag_V"], rel=1e-6)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('"3 V"', "two or more pairs"),
        ('[["3 V", "1 A"]]', "two or more pairs"),
        ('[["3 V", "1 A"], ["3 V"]]', "point 2"),
        ('[["3 V", "1 A"], ["4 A", "1 A"]]', "point 2: '4 A'"),
        ('[["4 V", "1 A"], ["3 V", "1 A"]]', "do not rise"),
        ('[["3 V", "0 A"], ["4 V", "0 A"]]', "no current"),
        ('[["3 V", "1 A"], ["4 V", "1 A"]]\ncurrent = "1 A"', "one of current, power, resistor and line"),
    ],
)
def test_a_broken_load_line_is_told_with_file_and_field(line, told):
    with pytest.raises(InputError, match=f"lamp.toml: modes 1 .*{told}"):
        simple("3.0 V", f"line = {line}")


def test_what_if_a_mode_with_a_load_line_drew_a_current():
    text = f'{HEAD}lowest_rail="3 V"\n[[modes]]\nname="m"\nline=[["3 V", "50 mA"], ["4 V", "100 mA"]]\n'
    assert read_duty(text, "l", ["m.current=80 mA"]).modes[0].current_A == 0.08


@pytest.mark.parametrize("kind", ["li-ion", "li-ion-good"])
def test_a_surveyed_lamp_on_a_tested_cell_burns_as_long_as_was_said_and_fails_where_was_said(kind, surveys, tmp_path):
    """The whole way on the simulated bench: survey, duty file, test, fit; then the lamp really on the cell."""
    from drivers.simulated.cell import SimulatedCell
    from drivers.simulated.lamp import SimulatedLamp, lamp_on_cell
    from harness.session import Request, carry_out, open_rig
    from harness.shelf import Cell, Shelf
    from harness.simulating import SimulatedSession

    duty = tmp_path / "surveyed.toml"
    duty.write_text(duty_from_run(surveys["lamp"], "l"))
    Shelf(tmp_path).add(Cell("c", "18650", "li-ion"))
    session = SimulatedSession(tmp_path, "c", kind, 3, start_soc=1.0)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request("c", "overnight", tmp_path, start="declared-full", present=True)
    run = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False).folder
    rig.close()
    answer = fit_run(run, duty)
    for found, mode in zip(answer["modes"], ("full", "steady", "standby"), strict=True):
        lamp, cell = SimulatedLamp(mode), SimulatedCell(session.bench.cell.spec, 1.0, 20.0)
        hours = given = 0.0
        step_s = 10.0 if mode == "standby" else 1.0
        while not lamp.off:
            volts, amps = lamp_on_cell(lamp, cell)
            lamp.advance(step_s, volts)
            cell.advance(step_s, amps)
            hours, given = hours + step_s / 3600.0, given - amps * step_s / 3600.0
        assert found["run_time_h"] == pytest.approx(hours, rel=0.05), mode
        assert found["ends_charge_state"] == pytest.approx(max(0.0, 1 - given / answer["capacity_Ah"]), abs=0.03), mode
        if mode == "full":  # it recovers when off and starts again
            assert found["retrigger_charge_state"] is not None
            restarted = False
            for _ in range(600):
                volts, amps = lamp_on_cell(lamp, cell)
                lamp.advance(1.0, volts)
                cell.advance(1.0, amps)
                restarted = restarted or not lamp.off
            assert restarted
