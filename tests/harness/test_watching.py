"""The line and the picture of a run: steps counted as the plan counts them, charge as that of the step."""

import json
from types import SimpleNamespace
from typing import Any

from typer.testing import CliRunner

from harness.cli.app import app
from harness.watching import fitted, picture, progress_line

PLAN = {"steps": [{"name": "open-circuit reading"}, {"name": "load steps"}, {"name": "discharge"}]}
BEGUN = [
    {"kind": "step-begun", "step": number, "plan_step": number, "name": step["name"]}
    for number, step in enumerate(PLAN["steps"])
]


def progress(plan_step: int, step: int, name: str) -> Any:
    return SimpleNamespace(
        t_s=3600.0,
        reading=SimpleNamespace(voltage_V=3.7, current_A=-0.2, temperature_degC=20.0),
        state=SimpleNamespace(plan_step=plan_step, step=step, step_began_s=1000.0, charge_Ah=-0.145),
        step=SimpleNamespace(name=name, kind="discharge", max_duration_s=7200.0, expected_duration_s=None),
    )


def test_the_line_counts_steps_from_one_as_the_plan_does_and_says_whose_charge_it_is() -> None:
    line = progress_line(progress(2, 2, "discharge"))
    assert " · step 3, discharge · " in line
    assert "-145 mAh in this step" in line
    # A repeated step has another number in the files; the plan's stays.
    assert "step 3, discharge" in progress_line(progress(2, 7, "discharge"))


def test_the_picture_from_beside_counts_in_the_same_way() -> None:
    run: Any = SimpleNamespace(
        run={"cell": {"id": "hall-1"}, "profile": "overnight", "plan": PLAN},
        folder=SimpleNamespace(name="20260313T200000Z-overnight"),
        events=BEGUN,
        iter_rows=lambda: iter([(0.0, 2, 3.70, -0.2, 20.0, {}), (3600.0, 2, 3.60, -0.2, 20.0, {})]),
        stopped=None,
        notices=[],
    )
    said = "\n".join(picture(run))
    assert "1:00:00 · step 3, discharge · 3.600 V" in said
    assert "-200 mAh in this step" in said
    assert max(map(len, picture(run, 50)[2:])) <= 50  # as wide as it is told, plot and time below it
    run.events = []  # a run from a table has no steps
    assert "step 3" not in "\n".join(picture(run))


def test_how_a_run_stands_is_one_document_too(tmp_path: Any) -> None:
    from harness.importing import import_table

    table = tmp_path / "night.csv"
    table.write_text("t,V,I\n" + "".join(f"{n},3.{900 - n},-0.5\n" for n in range(60)))
    folder = import_table(table, "L3-a", logs=tmp_path / "logs")
    done = CliRunner().invoke(app, ["watch", str(folder), "--json"])
    answer = json.loads(done.stdout)
    assert done.exit_code == 0
    assert (answer["cell"], answer["profile"], answer["stop"], answer["rows"]) == ("L3-a", "import", "person", 60)
    assert (answer["t_s"], answer["voltage_V"], answer["current_A"]) == (59.0, 3.841, -0.5)
    assert answer["temperature_degC"] is None and answer["step_name"] is None


def test_on_a_narrow_terminal_the_line_stays_one_line() -> None:
    line = progress_line(progress(2, 2, "discharge"))
    assert fitted(line, 200) == line
    for columns in (20, 60, 79):
        short = fitted(line, columns)
        assert len(short) <= columns and line.startswith(short) and not short.endswith("·")
    assert "3.700 V" in fitted(line, 60) and "at most" not in fitted(line, 60)
