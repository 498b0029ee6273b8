"""Promises of completion and of the help's groups: what is offered is there, and each command stands in one group."""

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from amphora.harness.cli import completion
from amphora.harness.cli.app import app
from amphora.harness.cli.commands import PANELS


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    logs = tmp_path / "logs"
    for cell, runs in {"L3-a": ("20260301T210000Z-charge", "20260302T210000Z-overnight"), "L3-b": ()}.items():
        (logs / cell).mkdir(parents=True)
        (logs / cell / "cell.json").write_text("{}")
        for run in runs:
            (logs / cell / run).mkdir()
            (logs / cell / run / "run.json").write_text("{}")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("AMPHORA_LOGS", raising=False)
    return logs


def test_ids_and_recipes_run_are_offered(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert completion.cells("L3") == ["L3-a", "L3-b"] and completion.cells("X") == []
    assert completion.runs("L3-a") == ["L3-a"]
    assert completion.runs("L3-a@") == ["L3-a@charge", "L3-a@overnight"]
    assert completion.runs("L3-a@o") == ["L3-a@overnight"] and completion.runs("gone@") == []
    monkeypatch.setenv("AMPHORA_LOGS", str(shelf.parent / "elsewhere"))
    assert completion.cells("") == []


def test_what_is_built_in_and_what_lies_here_is_offered(shelf: Path) -> None:
    (shelf.parent / "bench.toml").write_text("")
    (shelf.parent / "sub").mkdir()
    (shelf.parent / "sub" / "my.toml").write_text("")
    assert completion.benches("") == ["simulated", "bench.toml"] and completion.benches("sub/") == ["sub/my.toml"]
    assert {"overnight", "charge", "bench.toml"} <= set(completion.recipes(""))
    assert "path-light" in completion.duties("path")
    assert completion.load_dialects("") and not set(completion.load_dialects("")) & set(completion.supply_dialects(""))


def test_a_shell_gets_them(shelf: Path) -> None:
    asked = {"_AMPHORA_COMPLETE": "complete_bash", "COMP_WORDS": "amphora analyse L3", "COMP_CWORD": "2"}
    done = CliRunner().invoke(app, [], env=asked, prog_name="amphora")
    assert done.stdout.split() == ["L3-a", "L3-b"]


def test_each_command_stands_in_one_of_five_groups() -> None:
    names = [name for panel in PANELS.values() for name in panel]
    assert len(PANELS) == 5 and len(names) == len(set(names))
    commands = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    assert commands <= set(names)
    page = CliRunner().invoke(app, ["--help"]).stdout
    assert "─ Commands ─" not in page and all(f"─ {panel} ─" in page for panel in PANELS)


def test_a_cell_of_nearly_that_name_is_named(shelf: Path) -> None:
    done = CliRunner().invoke(app, ["cell", "show", "L3-c", "--json"])
    assert "'L3-a' is near" in str(done.exception) or "'L3-b' is near" in str(done.exception)
    assert "is near" not in str(CliRunner().invoke(app, ["cell", "show", "zzz"]).exception)


@pytest.mark.parametrize("command", ["analyse", "plot", "export", "fit", "model", "watch", "resume"])
def test_each_command_that_takes_a_run_finds_it_below_logs(shelf: Path, command: str) -> None:
    more = {"export": ["--out", "x.csv"], "fit": ["--duty", "path-light"]}.get(command, [])
    done = CliRunner().invoke(app, [command, "L3-b", "--logs", str(shelf), *more])
    assert "L3-b: the cell L3-b has no run" in str(done.exception), (done.output, json.dumps(str(done.exception)))
