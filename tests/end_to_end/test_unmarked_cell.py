"""The client's case: an unmarked 18650 found at 3.31 V, and what is typed is only what the program says.

Whoever follows each answer's commands ends with a cell that is charged full, or with one question to a person; never
in a circle. Seven runs of a watched charge take a person a week of evenings: more than that counts as a circle.
"""

import random
import re
import shlex
from datetime import UTC, datetime
from pathlib import Path

import pytest
from programs import run_inside

from amphora.drivers.simulated import bench as simulated_bench
from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.archive.journal import read_run
from amphora.harness.plans import steps as plan_steps
from amphora.harness.running import runner
from amphora.harness.running.simulated_session import KeptCell, store_kept
from tests.support.simulation.populations import draw_cell

MOST_RUNS = 7


@pytest.fixture(autouse=True)
def _coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 30.0)
    monkeypatch.setattr(runner, "ENERGISED_AT_MOST_S", 30.0)
    monkeypatch.setattr(simulated_bench, "STEP_S", 10.0)
    monkeypatch.setattr(plan_steps, "REST_INTERVAL_S", 60.0)


def at_rest(cell: SimulatedCell, volts: float) -> None:
    low, high = 0.0, 1.0
    for _ in range(30):
        cell.settle(0.5 * (low + high))
        low, high = (cell.soc, high) if cell.voltage(0.0) < volts else (low, cell.soc)


def typed_next(text: str) -> list[list[str]]:
    """Return the commands that an answer names, in order."""
    return [shlex.split(words)[1:] for words in re.findall(r"`(amphora [^`]+)`", " ".join(text.split()))]


def followed(logs: Path, chemistry: str, volts: float) -> list[tuple[list[str], str]]:
    """Type what is said until a charge has ended, or a question is asked."""
    cell, _ = draw_cell(random.Random(11), chemistry, "healthy", soc=0.3, ambient_degC=20.0)  # type: ignore[arg-type]
    at_rest(cell, volts)
    shelf = ("--logs", str(logs))
    added = run_inside(
        "cell", "add", "u1", "--form", "18650", "--as-found", f"{volts:.2f} V", "--rechargeable", "--inspection",
        "sound", *shelf,
    )  # fmt: skip
    assert added.returncode == 0, added.stderr
    store_kept(logs, "u1", KeptCell("unmarked", 1, datetime(2026, 3, 1, 18, tzinfo=UTC), cell))
    todo = [["run", "--cell", "u1", "--profile", "identify", "--bench", "simulated", "--present", *shelf],
            ["identify", "u1", "--save", *shelf]]  # fmt: skip
    told: list[tuple[list[str], str]] = []
    while todo:
        words = todo.pop(0)
        done = run_inside(*words)
        told.append((words, done.stdout + done.stderr))
        assert done.returncode == 0, (words, done.stderr[-600:])
        assert sum(one[0] == "run" for one, _ in told) <= MOST_RUNS, [" ".join(one) for one, _ in told]
        if words[0] == "identify" and not todo:
            if "the question: " in done.stdout:
                break
            todo = typed_next(done.stdout)
            assert todo, done.stdout
        if words[0] == "run" and "charge" in words:
            break
    return told


@pytest.mark.parametrize(("chemistry", "volts"), [("li-ion", 3.31)])
def test_what_each_answer_says_to_type_ends_in_a_full_charge(tmp_path: Path, chemistry: str, volts: float) -> None:
    told = followed(tmp_path, chemistry, volts)
    assert told[-1][0][0] == "run" and "charge" in told[-1][0], told[-1]
    run = read_run(sorted(tmp_path.glob("u1/*-charge"))[-1])
    assert run.run["plan"]["chemistry"] == chemistry
    assert run.events[-1]["reason"] == "taper"


def test_one_near_empty_ends_in_one_question_that_names_each_answer(tmp_path: Path) -> None:
    told = followed(tmp_path, "lfp", 3.00)
    answer = told[-1][1]
    assert answer.count("the question: ") == 1
    assert [words[0:2] for words in typed_next(answer)] == [["cell", "edit"], ["cell", "state"]]
