"""`queue run` as a person types it: what it says of each bay first, and what it hands to each run."""

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest
from programs import run_inside

from amphora.harness.bench.bays import load_bays
from amphora.harness.cli import queue_run as queue_command
from amphora.harness.queue.happening import AlarmRaised, BayAssigned, BayStopped
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.processes import Processes
from amphora.harness.queue.supervisor import Supervisor

BENCH = """
name = "hall"
simulated = true
[attended]
hours = "18:00-23:00"
"""
BAY = """
[bays.{0}]
fuse = "{1} A"
place = "tile {0}"
[bays.{0}.instruments.load]
role = "load"
resource = "simulated"
[bays.{0}.instruments.supply]
role = "supply"
resource = "simulated"
[bays.{0}.instruments.probe-{0}]
role = "logger"
resource = "simulated"
[bays.{0}.cell]
voltage = "load"
temperature = "probe-{0}"
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "hall.toml"
    path.write_text(BENCH + BAY.format("a", 2) + BAY.format("b", 3))
    return path


class Asked:
    """Stands for the process of a run; keeps its words."""

    words: list[list[str]]

    def __init__(self, words: list[str], **_: Any) -> None:
        Asked.words.append(words)
        self.pid = 10**9 + len(Asked.words)


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    Asked.words = []
    monkeypatch.setattr(subprocess, "Popen", Asked)
    return Asked.words


SETTLED = ["--stop-when-settled", "--for", "path-light"]


@pytest.mark.parametrize("asked", [[], ["--stop-when-settled"], SETTLED])
def test_a_night_that_may_end_early_is_handed_to_each_night_and_to_nothing_else(
    bench: Path, tmp_path: Path, words: list[list[str]], monkeypatch: pytest.MonkeyPatch, asked: list[str]
) -> None:
    def loop(supervisor: Supervisor, hands: bool) -> int:
        for bay in ("a", "b"):
            supervisor.runs.begin("A1", "overnight", bay, "")
            supervisor.runs.begin("A1", "charge", bay, "")
            supervisor.runs.begin("A1", "overnight", bay, "logs/A1/run")
        return 0

    monkeypatch.setattr(queue_command, "_loop", loop)
    done = run_inside("queue", "run", "--bench", str(bench), "--logs", str(tmp_path / "logs"), *asked)
    assert done.returncode == 0, done.stderr
    assert len(words) == 6
    for night, charge, resumed in (words[:3], words[3:]):
        assert night[night.index("--profile") + 1] == "overnight"
        assert [word for word in night if word in SETTLED] == asked
        assert not set(SETTLED) & set(charge)
        assert resumed[4] == "resume" and not set(SETTLED) & set(resumed)  # its plan has it already
        assert "18:00-23:00" in night and "18:00-23:00" in charge  # a charge rests outside of them


@pytest.mark.parametrize(
    ("asked", "said"),
    [(["--for", "path-light"], "goes with --stop-when-settled"),
     (["--stop-when-settled", "--for", "no-such-lamp"], "no-such-lamp")],
)  # fmt: skip
def test_a_duty_alone_or_one_that_is_none_is_refused_before_anything_begins(
    bench: Path, tmp_path: Path, words: list[list[str]], asked: list[str], said: str
) -> None:
    done = run_inside("queue", "run", "--bench", str(bench), "--logs", str(tmp_path / "logs"), *asked)
    assert done.returncode == 2 and said in done.stderr and not words


def test_what_each_bay_has_of_its_own_is_said_before_anything_begins(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queue_command, "_loop", lambda supervisor, hands: queue_command.say("BEGINS") or 0)
    done = run_inside("queue", "run", "--bench", str(bench), "--logs", str(tmp_path / "logs"))
    before = done.stderr.partition("BEGINS")[0].splitlines()
    assert "bay a: tile a; a fuse of 2 A; sensor probe-a" in before
    assert "bay b: tile b; a fuse of 3 A; sensor probe-b" in before
    assert any(line.startswith("! no smoke or heat alarm") for line in before)
    bench.write_text(bench.read_text().replace('temperature = "probe-b"\n', ""))
    done = run_inside("queue", "run", "--bench", str(bench), "--logs", str(tmp_path / "logs"))
    assert "bay b: tile b; a fuse of 3 A; ! no temperature sensor: nothing is charged there" in done.stderr


def test_each_run_gets_the_bench_of_its_own_bay(bench: Path, tmp_path: Path, words: list[list[str]]) -> None:
    (tmp_path / "logs").mkdir()
    runs = Processes(tmp_path / "logs", load_bays(bench))
    for bay in ("a", "b"):
        runs.begin("A1", "charge", bay, "")
    assert [one[one.index("--bench") + 1] for one in words] == [f"{bench}#a", f"{bench}#b"]


def test_cells_are_added_moved_dropped_shown_done_and_a_bay_cleared_by_command(bench: Path, tmp_path: Path) -> None:
    logs = str(tmp_path / "logs")

    def call(*words: str, code: int = 0) -> str:
        done = run_inside(*words, "--logs", logs)
        assert done.returncode == code, done.stderr
        return done.stdout + done.stderr

    for cell in ("A1", "A2", "A3", "B1"):
        call("cell", "add", cell, "--form", "18650", "--chemistry", "li-ion", "--as-found", "3.7 V")
    call("queue", "add", "A*", "--course", "one-night")
    assert "is in the queue already (waiting)" in call("queue", "add", "A2", code=2)
    assert "no cell on the shelf" in call("queue", "add", "C*", code=2)
    call("queue", "move", "A3", "--to", "1")
    call("queue", "drop", "A2", "--why", "wrapper torn")
    assert "is not in the queue" in call("queue", "move", "B1", code=2)
    shown = json.loads(call("queue", "show", "--bench", str(bench), "--json"))
    assert [(cell["cell"], cell["state"], cell["why"]) for cell in shown["cells"]] == [
        ("A3", "waiting", None), ("A1", "waiting", None), ("A2", "dropped", "wrapper torn"),
    ]  # fmt: skip
    assert shown["hands"] and shown["slots"] and shown["done_at"]  # who is where until when, hands, the end
    said = call("queue", "show")  # the bench file is known from before
    assert "Hands are needed:" in said and "put A3 into bay a" in said and "The bag is expected to be done" in said
    journal = QueueJournal(tmp_path / "logs")
    journal.append(BayAssigned(cell="A3", bay="a"))
    assert "done: put A3 into bay a" in call("queue", "done")
    assert journal.refresh().places["A3"].state == "ready"
    journal.append(BayStopped(bay="a", why="relay"))
    assert "--why is missing" in call("queue", "clear", "a", code=2)
    assert "has not stopped" in call("queue", "clear", "b", "--why", "x", code=2)
    call("queue", "clear", "a", "--why", "relay replaced")
    assert journal.refresh().bays["a"].stopped == ""
    assert "there is no alarm" in call("queue", "clear", "--why", "x", code=2)
    journal.append(AlarmRaised(text="smoke"))
    assert "ALARM: smoke" in call("queue", "show")
    call("queue", "clear", "--why", "toast")
    assert journal.refresh().alarm == ""
