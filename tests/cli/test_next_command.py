"""Promises of the last line: each command names the exact next one, and pasted it works."""

import shlex
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from amphora.harness.cli.app import app


def call(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, list(words))
    assert done.exit_code == code, (words, done.output, done.exception)
    return done.stdout


def next_of(text: str) -> list[str]:
    (line,) = [line for line in text.splitlines() if line.startswith("Next: amphora ")]
    return shlex.split(line)[2:]


@pytest.fixture
def on_the_shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("AMPHORA_LOGS", raising=False)
    call(
        "cell", "add", "h1", "--form", "18650", "--chemistry", "li-ion", "--as-found", "4.18 V", "--inspection", "sound"
    )
    return tmp_path


def test_an_evening_is_walked_by_its_last_lines_alone(on_the_shelf: Path) -> None:
    words = ["plan", "--cell", "h1", "--profile", "overnight", "--bench", "simulated", "--start", "declared-full"]
    walked = []
    while words[0] not in ("match", "certify"):
        walked.append(words[0])
        words = next_of(call(*words))
    assert walked == ["plan", "run", "analyse", "grade", "compare"]
    fitted = next_of(call("fit", "h1", "--duty", "path-light"))
    assert fitted[:2] == ["certify", "h1"]


def test_the_run_that_is_named_does_what_was_planned(on_the_shelf: Path) -> None:
    import json

    asked = ("--cell", "h1", "--profile", "overnight", "--start", "declared-full", "--cutoff", "3.1 V")
    by = (datetime.now() + timedelta(hours=12)).strftime("%H:%M")
    plan: dict[str, Any] = json.loads(call("plan", *asked, "--ready-by", by, "--json"))["plan"]
    words = next_of(call("plan", *asked, "--ready-by", by))
    assert "--ready-by" not in words and words[words.index("--cutoff") + 1] == "3.1 V"
    again = json.loads(call("plan", *words[1:], "--json"))["plan"]
    ordered = [
        [segment["order"]["value"] or 0.0 for step in one["steps"] for segment in step["segments"]]
        for one in (plan, again)
    ]
    assert ordered[0] == pytest.approx(ordered[1], rel=0.01)  # the time left has moved on between the two plans


def test_where_the_cells_are_elsewhere_the_line_says_where(on_the_shelf: Path) -> None:
    text = call("cell", "add", "h2", "--chemistry", "li-ion", "--as-found", "4.1 V", "--logs", "other place")
    assert "other place" in text
    plan = call("plan", "--cell", "h2", "--profile", "overnight", "--logs", "other place", "--start", "declared-full")
    assert next_of(plan)[next_of(plan).index("--logs") + 1] == "other place"
