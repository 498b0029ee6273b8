"""Promises of what a run means: an idle meter is no charge, rest is judged, cell and circuit are named.

The runs are made on the simulated bench through the program, as a person would make them.
"""

import json
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from amphora.drivers.simulated.cell import KINDS
from amphora.drivers.simulated.servers import ServedBench
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.loading import load
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Identified
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.duty import load_duty
from amphora.harness.results.circuit import circuit_of
from amphora.harness.results.identify import save_identification


def call(*args: str) -> str:
    done = CliRunner().invoke(app, list(args))
    if done.exception is not None:
        raise done.exception
    assert done.exit_code == 0
    return done.stdout


def asked(*args: str) -> dict[str, Any]:
    found = json.loads(call(*args, "--json"))
    assert isinstance(found, dict)
    return found


def put(logs: Path, cell: str) -> None:
    call("cell", "add", cell, "--form", "18650", "--chemistry", "li-ion", "--as-found", "3.7 V",
         "--inspection", "sound", "--claim", "1200 mAh", "--logs", str(logs))  # fmt: skip


def made(logs: Path, cell: str, profile: str, kind: str = "li-ion") -> Path:
    found = asked("run", "--cell", cell, "--profile", profile, "--bench", "simulated", "--simulated-cell", kind,
                  "--present", "--capacity", "1.2 Ah", "--logs", str(logs))  # fmt: skip
    folders = sorted((logs / cell).glob(f"*-{Path(profile).stem}"))
    assert found["stop"] in ("time", "taper", "cutoff"), found
    return folders[-1]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    logs = tmp_path_factory.mktemp("shelf")
    for cell in ("steady", "leaky", "lamp-1", "panel-1"):
        put(logs, cell)
    return logs


@pytest.fixture(scope="module")
def steady(shelf: Path) -> dict[str, Path]:
    names = ("first", "charge", "night", "again", "retention")
    profiles = ("overnight", "charge", "overnight", "charge", "retention")
    return {name: made(shelf, "steady", profile) for name, profile in zip(names, profiles, strict=True)}


@pytest.fixture(scope="module")
def leaky(shelf: Path) -> Path:
    made(shelf, "leaky", "charge", "soft-short")
    return made(shelf, "leaky", "retention", "soft-short")


def test_a_week_of_rest_moves_no_charge_however_the_meter_is_off(steady: dict[str, Path]) -> None:
    folder = steady["retention"]
    current_A = load(folder)[0].current_A
    assert 24 * 7 * abs(float(np.nanmean(current_A))) > 0.01  # the meter's offset alone would make more than 10 mAh
    result = analyse_run(folder)
    assert result.phases == ()
    assert result.capacity_Ah is None and result.charge_Ah is None
    assert "coarse" not in str(result.warnings)


def test_a_logging_run_without_current_gave_and_took_nothing(shelf: Path, tmp_path: Path) -> None:
    shipped = files("amphora.profiles").joinpath("recipes", "log.toml").read_text(encoding="utf-8")
    recipe = tmp_path / "log.toml"  # a day of it, at a tenth of the readings
    recipe.write_text(shipped.replace('sample_every = "1 s"', 'sample_every = "10 s"'), encoding="utf-8")
    folder = made(shelf, "leaky", str(recipe), "soft-short")
    record = load(folder)[0]
    assert record.t_s[-1] > 86_300 and record.t_s.size < 10_000
    result = analyse_run(folder)
    assert (result.phases, result.retention) == ((), None)


def test_a_charge_is_a_charge_alone(steady: dict[str, Path]) -> None:
    result = analyse_run(steady["charge"])
    assert [phase.kind for phase in result.phases] == ["charge"]
    assert result.charge_Ah == pytest.approx(0.967, abs=0.02)
    assert result.retention is None


def test_days_of_rest_keep_their_charge_and_the_grade_reads_the_loss(steady: dict[str, Path]) -> None:
    found = analyse_run(steady["retention"]).retention
    assert found.verdict == "keeps its charge"
    assert found.slope_from.endswith(steady["night"].name)
    spec = KINDS["li-ion"]
    true_percent = 100 * spec.leak_A * 24 * 30.4375 / spec.capacity_Ah
    assert abs(found.loss_percent_per_month - true_percent) < found.loss_U_percent_per_month
    done = CliRunner().invoke(app, ["grade", str(steady["retention"])])
    assert done.exit_code == 1  # not graded: a rest alone says nothing of what it holds
    line = next(line for line in done.stdout.splitlines() if line.startswith("self-discharge a month"))
    assert f"{found.loss_percent_per_month:.2f} ±" in line and "met" in line.split()


def test_a_soft_short_is_found_and_without_a_discharge_its_loss_in_charge_is_not_claimed(leaky: Path) -> None:
    result = analyse_run(leaky)
    found = result.retention
    assert found.verdict == "soft short suspected: quarantine"
    assert found.mV_per_day - found.mV_U_per_day > 5
    assert found.loss_percent_per_month is None
    text = call("analyse", str(leaky))
    assert "Self-discharge: soft short suspected: quarantine." in text
    assert "needs a complete discharge" in text


def test_a_rest_cut_short_is_too_early_to_say(steady: dict[str, Path], tmp_path: Path) -> None:
    folder = tmp_path / "alone" / steady["retention"].name
    folder.mkdir(parents=True)
    for name in ("run.json", "events.jsonl"):
        (folder / name).write_bytes((steady["retention"] / name).read_bytes())
    rows = (steady["retention"] / "samples.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "samples.csv").write_text("".join(rows[: 20 * 60]), encoding="utf-8")  # 20 h, a reading a minute
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()]
    kept = [event for event in events if event["kind"] != "stopped" and event.get("after_row", 0) < 20 * 60 - 1]
    (folder / "events.jsonl").write_text("".join(json.dumps(event) + "\n" for event in kept), encoding="utf-8")
    found = analyse_run(folder).retention
    assert (found.verdict, found.mV_per_day) == ("too early to say", None)


def test_a_lamp_is_surveyed_to_its_end_and_its_duty_can_be_read(shelf: Path, tmp_path: Path) -> None:
    folder = made(shelf, "lamp-1", "lamp", "lamp")
    result = analyse_run(folder)
    assert (result.charge_Ah, result.phases) == (None, ())
    assert [item.code for item in result.warnings] == ["survey"]
    out = tmp_path / "lamp.toml"
    call("duty", "from-run", str(folder), "--name", "lamp 1", "--out", str(out))
    duty = load_duty(str(out))
    assert duty.name == "lamp 1"
    assert 2.5 < duty.modes[0].lowest_rail_V < 4.2
    assert "lamp 1" in call("duty", "check", str(out))
    shipped = call("duty", "check", "path-light")
    assert "dim: 80 mA, on 15 % of the time; works above 3.00 V at the cell" in shipped
    assert "night: bright for 2 h" in shipped and "panel: 90 mA, 80 % of it; 6 h of full sun on good days" in shipped
    assert "night light: 47 ohm and an LED of 2.90 V" in call("duty", "check", "camp-lantern")


def test_a_panel_is_surveyed_to_its_end_and_its_most_power_is_found(shelf: Path, tmp_path: Path) -> None:
    folder = made(shelf, "panel-1", "panel", "panel")
    read = load(folder)[0]
    most_W = float(np.nanmax(-read.voltage_V * read.current_A))
    out = tmp_path / "panel.toml"
    call("duty", "from-run", str(folder), "--name", "panel 1", "--out", str(out))
    panel = tomllib.loads(out.read_text(encoding="utf-8"))["panel"]
    power_W = float(panel["current"].split()[0]) / 1000 * float(panel["voltage"].split()[0])
    assert power_W == pytest.approx(most_W, rel=0.05)
    assert analyse_run(folder).capacity_Ah is None


def test_identify_answers_and_keeps_its_answer_on_the_shelf_only_when_asked(
    shelf: Path, steady: dict[str, Path]
) -> None:
    runs = [str(steady["charge"]), str(steady["night"])]
    found = asked("identify", *runs, "--logs", str(shelf))
    assert found["answer"] and found["evidence"] and found["next_step"]
    assert Shelf(shelf).get("steady").identified == Identified()
    asked("identify", *runs, "--save", "--logs", str(shelf))
    kept = Shelf(shelf).get("steady").identified
    assert kept.answer == found["answer"]
    assert kept.run.endswith(steady["night"].name)
    assert found["answer"] in call("identify", *runs)


def test_runs_of_two_cells_are_not_identified_as_one(shelf: Path, steady: dict[str, Path], leaky: Path) -> None:
    with pytest.raises(InputError, match="several cells"):
        call("identify", str(steady["night"]), str(leaky))


def test_an_identification_is_not_kept_for_a_cell_that_is_not_on_the_shelf(
    steady: dict[str, Path], tmp_path: Path
) -> None:
    from amphora.harness.results.identify import identify_runs

    found = identify_runs([steady["night"]])
    with pytest.raises(InputError, match="steady: no such cell"):
        save_identification(tmp_path, [steady["night"]], found)


def test_the_circuit_of_a_run_is_that_of_the_cell_and_goes_into_a_new_file(
    steady: dict[str, Path], tmp_path: Path
) -> None:
    out = tmp_path / "circuit.json"
    found = asked("model", str(steady["night"]), "--out", str(out))
    assert found == json.loads(out.read_text(encoding="utf-8"))
    assert found["format"] == "amphora-circuit/1"
    assert found["r0_ohm"] == pytest.approx(KINDS["li-ion"].r0_ohm, rel=0.15)
    again = circuit_of(steady["night"])
    assert json.loads(json.dumps(again.to_json())) == found
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("amphora.harness.cli.insights.circuit_of", lambda run: again)  # it would find the same again
        assert "R0: " in call("model", str(steady["night"]))
        with pytest.raises(InputError, match="is there already"):
            call("model", str(steady["night"]), "--out", str(out))


def test_the_circuit_of_a_rest_is_refused_in_one_sentence(steady: dict[str, Path]) -> None:
    with pytest.raises(InputError, match="a circuit needs load steps"):
        call("model", str(steady["retention"]))


def test_the_served_benchs_file_says_that_the_supply_is_blind_when_off() -> None:
    bench = ServedBench()
    try:
        table = tomllib.loads(bench.bench_file())["instruments"]
    finally:
        bench.stop()
    assert table["supply"]["measures_with_output_off"] is False
    assert "measures_with_output_off" not in table["load"]
