"""Promises of a survey: it finds what a lamp and a panel are, and its duty file tells how a cell does in that lamp."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from amphora.harness.archive.loading import load
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.duty import read_duty
from amphora.harness.decisions.duty_survey import duty_from_run, load_line, modes_in, panel_points
from amphora.harness.decisions.fit import fit_run
from tests.support.duties import HEAD
from tests.support.duty_runs import cell_of, write_test


def modes_of(folder):
    return modes_in(*load(folder), folder)


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
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.cells.cell import Cell
    from amphora.harness.running.session import Request, carry_out, open_rig
    from amphora.harness.running.simulated_session import SimulatedSession

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
    modes = modes_of(surveys["lamp"])
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
    from amphora.harness.archive.loading import load

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
    smallest = modes_of(surveys["lamp"])[-1]  # 30 mA, on a bench that shows about 1 mA of nothing
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
        modes_of(dead)


@pytest.mark.parametrize("kind", ["li-ion", "li-ion-good"])
def test_a_surveyed_lamp_on_a_tested_cell_burns_as_long_as_was_said_and_fails_where_was_said(kind, surveys, tmp_path):
    """The whole way on the simulated bench: survey, duty file, test, fit; then the lamp really on the cell."""
    from amphora.drivers.simulated.cell import SimulatedCell
    from amphora.drivers.simulated.device import SimulatedLamp, lamp_on_cell
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.cells.cell import Cell
    from amphora.harness.running.session import Request, carry_out, open_rig
    from amphora.harness.running.simulated_session import SimulatedSession

    duty = tmp_path / "surveyed.toml"
    duty.write_text(duty_from_run(surveys["lamp"], "l"))
    Shelf(tmp_path).add(Cell("c", "18650", "li-ion"))
    session = SimulatedSession(tmp_path, "c", kind, 3, start_soc=1.0)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request("c", "overnight", tmp_path, start="declared-full", present=True)
    run = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False).folder
    rig.close()
    answer = fit_run(run, duty)
    for found, mode in zip(answer.modes, ("full", "steady", "standby"), strict=True):
        lamp, cell = SimulatedLamp(mode), SimulatedCell(session.bench.cell.spec, 1.0, 20.0)
        hours = given = 0.0
        step_s = 10.0 if mode == "standby" else 1.0
        while not lamp.off:
            volts, amps = lamp_on_cell(lamp, cell)
            lamp.advance(step_s, volts)
            cell.advance(step_s, amps)
            hours, given = hours + step_s / 3600.0, given - amps * step_s / 3600.0
        assert found.run_time_h == pytest.approx(hours, rel=0.05), mode
        assert found.ends_charge_state == pytest.approx(max(0.0, 1 - given / answer.capacity_Ah), abs=0.03), mode
        if mode == "full":  # it recovers when off and starts again
            assert found.retrigger_charge_state is not None
            restarted = False
            for _ in range(600):
                volts, amps = lamp_on_cell(lamp, cell)
                lamp.advance(1.0, volts)
                cell.advance(1.0, amps)
                restarted = restarted or not lamp.off
            assert restarted
