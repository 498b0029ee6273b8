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
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))  # keys are never put into somebody's home
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


NAMED_ELSEWHERE = {  # walked by the tests above, or by the named test; each of them prints its next command
    "plan", "run", "analyse", "grade", "compare", "match", "fit", "certify", "cell add",
    "bench find", "bench new", "bench check", "doctor", "demo", "import", "identify", "duty from-run", "queue run",
    "resume", "screen", "duty survey", "model", "bench off", "bench rehearse",
}  # fmt: skip
ENDS = {  # nothing has to come after these: what they print is what was asked for
    "verify", "schema", "bench unit", "bench simulate",
}  # fmt: skip
WALKED = {  # a command as typed, and what it has to name; h1 has been measured, h2 has only a voltage, h3 not even that
    "cell list": ("cell list", "cell show h1"),
    "cell show": ("cell show h1", "grade h1"),
    "cell check": ("cell check h2 --as-found 3.9V", "plan --cell h2"),
    "export": ("export h1 --out night.csv", "plot "),
    "plot": ("plot h1 --out night.png --kind time", "analyse "),
    "label": ("label h1", "report --all"),
    "sources": ("sources", "compare --all"),
    "cell add-many": ("cell add-many --prefix A --count 2 --form 18650", "cell sheet --out sheet.csv"),
    "cell sheet": ("cell sheet --out sheet.csv", "cell take-in sheet.csv"),
    "cell take-in": ("cell take-in sheet.csv", "cell list"),
    "shelf rebuild": ("shelf rebuild", "cell list"),
    "shelf export": ("shelf export --out register.csv", "sources"),
    "shelf import": ("shelf import register.csv --logs other", "cell list --logs other"),
    "watch": ("watch --all --once", "watch --all --page"),
    "queue add": ("queue add h2", "queue run --bench bench.toml"),
    "queue move": ("queue move h2 --to 1", "queue show"),
    "queue done": ("queue done", "queue show"),
    "queue drop": ("queue drop h2", "queue show"),
    "report": ("report --all", "grade "),
    "duty list": ("duty list", "duty check "),
    "duty check": ("duty check path-light", "fit CELL --duty path-light"),
    "cell edit": ("cell edit h3 --markings none", "cell show h3"),
    "cell note": ("cell note h3 'a new wrapper'", "cell show h3"),
    "cell rename": ("cell rename h3 h4", "cell show h4"),
    "cell state": ("cell state h4 retired", "cell list"),
    "cell remove": ("cell remove h4", "cell list"),
    "key show": ("key show", "key export bench.pem"),
    "key export": ("key export bench.pem", "key import bench.pem --name BENCH"),
    "key import": ("key import bench.pem --name hall", "verify CERTIFICATE.pdf"),
}


def all_commands() -> set[str]:
    import typer

    found: set[str] = set()

    def walk(command: Any, name: str) -> None:
        for word, inner in getattr(command, "commands", {}).items():
            walk(inner, f"{name} {word}".strip())
        if not getattr(command, "commands", {}):
            found.add(name)

    walk(typer.main.get_command(app), "")
    return found


def test_each_command_names_the_exact_next_one_or_is_known_to_be_an_end(on_the_shelf: Path) -> None:
    rows = [f"{t},{4.18 - t * 1.2 / 7200:.4f},{-0.4 if t >= 60 else 0.0}" for t in range(0, 7200, 20)]
    Path("night.t.csv").write_text("t_s,voltage_V,current_A\n" + "\n".join(rows) + "\n", encoding="utf-8")
    call("import", "night.t.csv", "--cell", "h1", "--start", "full", "--cutoff", "3.0")
    call(
        "cell", "add", "h2", "--form", "18650", "--chemistry", "li-ion", "--as-found", "3.9 V", "--inspection", "sound"
    )
    call("cell", "add", "h3", "--form", "18650", "--chemistry", "li-ion")
    assert all_commands() - NAMED_ELSEWHERE - ENDS - set(WALKED) == {"queue show", "queue clear"}  # a bench with bays
    assert next_of(call("cell", "show", "h3"))[:2] == ["cell", "check"]
    for typed, wanted in WALKED.values():
        said = shlex.join(next_of(call(*shlex.split(typed))))
        assert said.startswith(wanted), (typed, said)
    assert "Next:" not in call("shelf", "export")  # a table for other programs
