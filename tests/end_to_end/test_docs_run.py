"""The lines that README and docs show are run as a reader pastes them, on the virtual clock.

`--bench bench.toml` is the served bench that README tells to start; here the same cell stands on the simulated bench
inside the program, so that a night takes a second. A line may end with something other than 0 only where the text of
its section says so: "`certify` ends with 1".
"""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from programs import Inside
from typer.main import get_command

from amphora.harness.cli.app import app

ROOT = Path(__file__).parents[2]
PAGES = (
    "first-night", "first-real-night", "certificate", "duties", "grades", "import", "recipes", "serial-logger",
    "described", "bag",
)  # fmt: skip
NO_LINES = {  # pages whose code blocks this test does not run, and why
    "README": "an index",
    "benchmarks": "they need a quiet machine: make benchmarks",
    **dict.fromkeys(("account", "bench-file", "board", "chemistries", "dialects", "safety", "trouble", "uncertainty"),
                    "no command stands in a block of its own"),
    "commands": "written by the program; tests/cli compares it with the help",
    "faults": "studies of minutes to hours; it names the command of each",
    "screen": "its lines want a queue of cells: tests/bag has them",
    "view": "its lines want a run at work: tests/report and tests/browser have them",
    "shelf-parquet": "its queries are run by tests/report/test_shelf_parquet.py",
    "python": "its Python is run by tests/library",
    "story-cells": "it wants the demo's cells: its lines are read below, tests/support/story.py plays them",
    "wiring": "drawings",
}  # fmt: skip
NIGHT = "logs/L3-a/20261124T210000Z-overnight"  # as the pages write a run's path
ONLY_PARSED = ("bench find", "bench new", "cell check",
               "/dev/", "--page", "queue run", "bench simulate", "bench check", "safe-copy.pem", "their-bench.pem",
               "my-lamp.toml", "my-recipe.toml", "watch-resistor", " RUN ", "add-many", "take-in", "queue ",
               "L3-b")  # fmt: skip
"""What needs a port, a second process, a file of the reader's or another cell: its words and options are read only."""


def lines_of(page: Path) -> Iterator[tuple[str, list[str]]]:
    """Give (section, words) of each line of a code block that calls the program."""
    for section in re.split(r"(?m)^## ", page.read_text(encoding="utf-8").replace("\\\n", " ")):
        for line in re.findall(r"(?m)^(?:    )?(amphora .*)$", "\n".join(_blocks(section))):
            yield section, shlex.split(line, comments=True)[1:]


def _blocks(section: str) -> list[str]:
    fenced = re.findall(r"(?ms)^```\w*\n(.*?)^```", section)
    return [*fenced, *re.findall(r"(?m)^    .*$", section)]


def parse_only(words: list[str]) -> None:
    """Read words and options as the program does, and run nothing.

    Raises:
        Exception: Typer's, when a command, an option or a value is not accepted.
    """
    command, rest = get_command(app), list(words)
    context = command.make_context("amphora", ["--version"])
    while hasattr(command, "commands"):
        command = command.commands[rest.pop(0)]
    command.parse_args(command.context_class(command, parent=context), rest)


def on_the_simulated_bench(words: list[str]) -> list[str]:
    if "bench.toml" not in words:
        return words
    words = ["simulated" if word == "bench.toml" else word for word in words]
    return [*words, "--simulated-cell", "unmarked"] if words[0] == "run" else words


def allowed(section: str, words: list[str], code: int) -> bool:
    """Whether the text says that this command may end so."""
    return code == 0 or re.search(rf"`{words[0]}`[^.`]* ends with {code}\b", section) is not None


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> tuple[Inside, list[tuple[list[str], int, str, bool]]]:
    """README from top to bottom, in an empty folder."""
    folder = tmp_path_factory.mktemp("evening")
    inside = Inside(folder)
    inside.environment["AMPHORA_HOME"] = inside.environment["XDG_CONFIG_HOME"] = str(folder / "config")
    done = []
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for section, words in lines_of(ROOT / "README.md"):
            if any(mark in " ".join(words) for mark in ONLY_PARSED) or words[0] in ("demo", "--install-completion"):
                continue
            code, said = inside.ends(*on_the_simulated_bench(words))
            done.append((words, code, said, allowed(section, words, code)))
    return inside, done


def test_each_line_of_the_readme_works_as_pasted(
    evening: tuple[Inside, list[tuple[list[str], int, str, bool]]],
) -> None:
    _, done = evening
    assert [(words[:2], code, said[-800:]) for words, code, said, fine in done if not fine] == []
    ran = {words[0] for words, _, _, _ in done}
    assert ran >= {"cell", "run", "plan", "analyse", "plot", "compare", "grade", "match", "fit", "certify", "label"}


@pytest.mark.parametrize("name", PAGES)
def test_each_line_of_a_page_works_on_the_readmes_evening(
    name: str, evening: tuple[Inside, list[tuple[list[str], int, str, bool]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    inside, _ = evening
    monkeypatch.chdir(inside.folder)
    (run,) = (inside.folder / "logs" / "L3-a").glob("*-overnight")
    (inside.folder / "night.csv").write_text(
        "t,voltage,i\n" + "".join(f"{k},{4.1 - k * 0.002:.3f},-300\n" for k in range(400)), encoding="utf-8"
    )
    seen = 0
    for section, words in lines_of(ROOT / "docs" / f"{name}.md"):
        parse_only(words)
        seen += 1
        if (
            any(mark in f"{' '.join(words)} " for mark in ONLY_PARSED)
            or words[:2] in (["cell", "add"], ["cell", "sheet"])
            or words[0] in ("run", "import")
        ):
            continue
        words = [word.replace(NIGHT, str(run)) for word in on_the_simulated_bench(words)]
        code, said = inside.ends(*words)
        assert allowed(section, words, code), (words, code, said[-800:])
    assert seen


def test_each_page_is_run_or_says_why_not_and_begins_with_whom_it_is_for() -> None:
    pages = {page.stem: page.read_text(encoding="utf-8") for page in (ROOT / "docs").glob("*.md")}
    assert set(pages) == {*PAGES, *NO_LINES}
    for name, why in NO_LINES.items():
        assert not why.startswith("no command") or not list(lines_of(ROOT / "docs" / f"{name}.md")), name
    for name, text in pages.items():
        first = text.split("\n\n", 2)[1]
        to_whom = ("For people", "For everybody", "For contributors")
        assert text.startswith("# ") and first.startswith(to_whom), name
    index = pages["README"]
    assert [name for name in pages if name != "README" and f"({name}.md)" not in index] == []


def test_each_line_of_the_worked_example_is_accepted() -> None:
    text = (ROOT / "docs" / "story-cells.md").read_text(encoding="utf-8")
    lines = re.findall(r"(?m)^\$ (amphora [^|\n]*)", text)
    assert len(lines) > 12
    for line in lines:
        parse_only(shlex.split(line)[1:])


def test_a_line_with_an_option_that_is_gone_is_seen() -> None:
    parse_only(["plan", "--cell", "L3-a", "--profile", "overnight"])
    for words in (["plan", "--cell", "L3-a", "--recipe", "overnight"], ["cells"]):
        with pytest.raises(Exception, match=r"(?i)no such option|cells"):
            parse_only(words)
