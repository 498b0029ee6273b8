"""The line and the picture of a run: steps counted as the plan counts them, charge as that of the step."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

from amphora.harness.cli.app import app
from amphora.harness.common.locks import acquire_folder
from amphora.harness.control.events import (
    AttendanceSeen,
    Continued,
    Event,
    FoundTooWarm,
    MadeSafe,
    OrderGiven,
    Paused,
    PersonActed,
    RunResumed,
    StepBegun,
    Stopped,
    VoltageFell,
    WaitsForHours,
)
from amphora.harness.plans.plan import Limits, Order, Plan, Step, plan_to_dict
from amphora.harness.report.run_text import braille, fitted, line_of, picture, progress_line
from amphora.harness.running.along import Along
from amphora.harness.running.view import Seen, Shown, view_of
from amphora.harness.running.whereabouts import Left, pause_text, whereabouts

NAMES = ("open-circuit reading", "load steps", "discharge")


def step_of(name: str, latest_s: float = 7200.0, expected_s: float | None = None) -> Step:
    return Step(name, "discharge", (), (), latest_s, True, 1.0, Limits(), expected_duration_s=expected_s)


def plan_of(*steps: Step) -> Plan:
    return Plan("overnight", "hall-1", "li-ion", steps, 3.0, 1.0, "claim", "full", False, 1e6, max_gap_s=10.0)


PLAN = plan_of(*map(step_of, NAMES))
BEGUN = [
    {"kind": "step-begun", "t_s": 0.0, "after_row": 0, "step": number, "plan_step": number, "name": name,
     "step_kind": "discharge"}
    for number, name in enumerate(NAMES)
]  # fmt: skip


def progress(plan_step: int, step: int, name: str) -> Any:
    return SimpleNamespace(
        t_s=3600.0,
        reading=SimpleNamespace(voltage_V=3.7, current_A=-0.2, temperature_degC=20.0),
        state=SimpleNamespace(
            plan_step=plan_step, step=step, step_began_s=1000.0, charge_Ah=-0.145, waiting="", below_degC=0.0
        ),
        step=step_of(name),
        plan=None,
    )


def test_the_line_counts_steps_from_one_as_the_plan_does_and_says_whose_charge_it_is() -> None:
    line = progress_line(progress(2, 2, "discharge"))
    assert " · step 3, discharge · " in line
    assert "-145 mAh in this step" in line
    # A repeated step has another number in the files; the plan's stays.
    assert "step 3, discharge" in progress_line(progress(2, 7, "discharge"))


def test_the_picture_from_beside_counts_in_the_same_way(tmp_path: Path) -> None:
    made = tmp_path / "hall-1" / "20260313T200000Z-overnight"
    made.mkdir(parents=True)
    run = {"format": "amphora-run/1", "cell": {"id": "hall-1"}, "profile": "overnight", "plan": plan_to_dict(PLAN)}
    (made / "run.json").write_text(json.dumps(run))
    (made / "samples.csv").write_text(
        "t_s,step,voltage_V,current_A,temperature_degC\n0,2,3.70,-0.2,20\n3600,2,3.60,-0.2,20\n"
    )
    (made / "events.jsonl").write_text("".join(json.dumps(event) + "\n" for event in BEGUN))
    said = "\n".join(picture(Along(made)))
    assert "1:00:00 · step 3, discharge · 3.600 V" in said
    assert "-200 mAh in this step" in said
    with acquire_folder(made):
        assert max(map(len, picture(Along(made), 50)[2:])) <= 50  # as wide as it is told, plot and time below it
    (made / "events.jsonl").write_text("")  # a run from a table has no steps
    assert "step 3" not in "\n".join(picture(Along(made)))


def test_how_a_run_stands_is_one_document_too(tmp_path: Any) -> None:
    from amphora.harness.importing.import_run import import_table

    table = tmp_path / "night.csv"
    table.write_text("t (s),U (V),I (A)\n" + "".join(f"{n},3.{900 - n},-0.5\n" for n in range(60)))
    folder = import_table(table, "L3-a", logs=tmp_path / "logs")
    done = CliRunner().invoke(app, ["watch", str(folder), "--json"])
    answer = json.loads(done.stdout)
    assert done.exit_code == 0
    assert (answer["cell"], answer["profile"], answer["stop"], answer["rows"]) == ("L3-a", "import", "person", 60)
    assert (answer["t_s"], answer["voltage_V"], answer["current_A"]) == (59.0, 3.841, -0.5)
    assert answer["temperature_degC"] is None and answer["step_name"] is None
    assert answer["state"] == "ended" and answer["left_s"] == {"low": 0.0, "high": 0.0} and answer["age_s"] >= 0


def test_on_a_narrow_terminal_the_line_stays_one_line() -> None:
    line = progress_line(progress(2, 2, "discharge"))
    assert fitted(line, 200) == line
    for columns in (20, 60, 79):
        short = fitted(line, columns)
        assert len(short) <= columns and line.startswith(short) and not short.endswith("·")
    assert "3.700 V" in fitted(line, 60) and "20.0 °C" not in fitted(line, 60)
    assert "1:16:40 to go" in fitted(line, 79)  # what somebody wants to know at night is not what is cut off first
    wide = "0:22:28 · step 3, discharge · 4.109 V · -201 mA · 7:55:51 to go, at most 26:42:28 · 20.3 °C"
    assert fitted(wide, 79) == wide.replace(", at most 26:42:28", "") and fitted(wide, 100) == wide


def test_the_time_left_is_that_of_the_whole_run() -> None:
    at = progress(1, 1, "load steps")
    steps = [
        step_of("s", latest_s=latest, expected_s=expected)
        for expected, latest in ((60.0, 60.0), (2600.0, 7200.0), (None, 3600.0))
    ]
    at.plan = plan_of(*steps)
    assert "1:00:00 to go, at most 2:16:40" in progress_line(at)  # 2600 s are over: 0 to 4600 s, and the last hour


def test_a_drop_between_two_columns_and_a_gap_are_drawn() -> None:
    times = [float(t) for t in range(20_000) if not 8000 <= t < 12_000]
    values = [0.002 if t == 5001.0 else 3.7 for t in times]
    plot = braille(times, values)
    assert any(ord(sign) != 0x2800 for sign in plot[-1])  # one reading of 20,000 reaches the lowest line
    columns = ["".join(line[k] for line in plot) for k in range(72)]
    empty = [k for k, column in enumerate(columns) if all(sign == "\u2800" for sign in column)]
    assert empty and 28 <= min(empty) <= 30 and 41 <= max(empty) <= 43  # 8000 to 12,000 of 20,000 s


RUN = {"plan": {"steps": [
    {"max_duration_s": 60.0, "expected_duration_s": None}, {"max_duration_s": 7200.0, "expected_duration_s": 3600.0},
], "max_gap_s": 5.0}}  # fmt: skip
STEPS: list[Event] = [StepBegun(1, 1, "discharge", "discharge", t_s=60.0)]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "L3-a" / "20261124T210000Z-overnight"
    made.mkdir(parents=True)
    (made / "samples.csv").write_text("t_s,step,voltage_V,current_A,temperature_degC\n660,1,3.7,-0.2,20\n")
    return made


def test_a_run_at_work_says_how_long_the_whole_of_it_takes(folder: Path) -> None:
    with acquire_folder(folder):
        at = whereabouts(folder, RUN, STEPS, 660.0)
    assert at.state == "running" and at.left_s == Left(3000.0, 6600.0)
    assert at.age_s is not None and at.age_s < 600


def test_silent_is_said_after_three_times_the_gap_that_the_plan_allows(folder: Path) -> None:
    written = (folder / "samples.csv").stat().st_mtime
    with acquire_folder(folder):
        assert whereabouts(folder, RUN, STEPS, 660.0, written + 14.9).state == "running"
        assert whereabouts(folder, RUN, STEPS, 660.0, written + 15.1).state == "silent"
        brisk = {"plan": {**RUN["plan"], "max_gap_s": 1.0}}
        assert whereabouts(folder, brisk, STEPS, 660.0, written + 9.9).state == "running"
        assert whereabouts(folder, brisk, STEPS, 660.0, written + 10.1).state == "silent"


@pytest.mark.parametrize(("off", "words"), [(True, "outputs off, verified"), (False, "bench off"), (None, "bench off")])
def test_a_dead_program_is_said_at_once_and_whether_anybody_saw_the_outputs_off(
    folder: Path, off: bool | None, words: str
) -> None:
    with acquire_folder(folder) as lock:
        name = lock.path.read_text()
    gone = json.loads(name) | {"started": 1.0}  # a process that was, and is none now
    lock.path.write_text(json.dumps(gone))
    events = [*STEPS, *([] if off is None else [MadeSafe(off=off, t_s=700.0)])]
    at = whereabouts(folder, RUN, events, 660.0)
    assert (at.state, at.outputs_off, at.left_s) == ("dead", off, None) and words in at.text


def test_waiting_for_a_person_or_for_attended_hours_is_said(folder: Path) -> None:
    ask = StepBegun(2, 1, "ask", "clip the resistor on", t_s=61.0)
    with acquire_folder(folder):
        assert "clip the resistor on" in whereabouts(folder, RUN, [*STEPS, ask], 660.0).text
        hours = WaitsForHours(1, "for the attended hours")
        assert whereabouts(folder, RUN, [*STEPS, hours], 660.0).state == "waiting"
        done = PersonActed(t_s=70.0)
        assert whereabouts(folder, RUN, [*STEPS, ask, done], 660.0).state == "running"


def test_a_charge_that_is_paused_says_why_in_the_run_line_in_watch_and_on_the_page(folder: Path) -> None:
    off = OrderGiven(Order("off"))
    fell = [VoltageFell("the voltage fell by 35 mV", t_s=600.0), off, Paused()]
    warm = [FoundTooWarm(45.0, t_s=600.0), off, Paused()]
    away, back = (AttendanceSeen(here) for here in (False, True))
    with acquire_folder(folder):

        def said(*more: Event) -> str:
            return whereabouts(folder, RUN, [*STEPS, *more], 660.0).text

        assert said(*fell) == pause_text("fall") and "the voltage fell" in pause_text("fall")
        assert said(*warm) == pause_text("warm", 45.0) and "warmer than 45 °C" in pause_text("warm", 45.0)
        assert said(away, off, Paused()) == said(*fell, away) == pause_text("hours")
        assert said(*fell, RunResumed()) == said(*fell, away, back) == pause_text("fall")
        assert said(*fell, Continued()) == said(*warm, RunResumed()) == "running"
    reading = Shown(660.0, 4.05, 0.0, 47.0)
    why = pause_text("warm", 45.0)
    at = view_of(Seen("A07", "charge", None, "running", why, plan_step=0, step_name="charge", reading=reading))
    assert (at.concern, at.sentence) == ("look", why)  # the page and `watch --all` show the sentence
    assert line_of(at).startswith("0:11:00 · paused, outputs off: warmer than 45 °C · step 1, charge")


def test_an_interrupted_run_says_how_to_go_on_and_a_finished_one_does_not(folder: Path) -> None:
    def stopped(final: bool) -> Stopped:
        return Stopped("interrupted", "Ctrl-C", final=final)

    assert "amphora resume" in whereabouts(folder, RUN, [*STEPS, stopped(False)], 660.0).text
    at = whereabouts(folder, RUN, [*STEPS, stopped(True)], 660.0)
    assert at.state == "ended" and "resume" not in at.text and at.left_s == Left(0.0, 0.0)
