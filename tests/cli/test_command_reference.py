"""The page of commands says what the program says."""

import difflib
import inspect
import subprocess
import sys

import pytest
from command_reference import COLUMNS, PAGE, commands, help_text, page
from typer.testing import CliRunner

from amphora.harness.cli.app import app
from amphora.harness.cli.commands import COMMANDS, ORDER, function_of


def test_the_page_says_what_the_program_says() -> None:
    stands = PAGE.read_text(encoding="utf-8").splitlines()
    changed = list(
        difflib.unified_diff(stands, page().splitlines(), "docs/commands.md", "the program", lineterm="", n=0)
    )
    assert not changed, "the page is old; 'make commands' writes it anew:\n" + "\n".join(changed[:40])


def test_every_line_fits_a_page_and_is_plain() -> None:
    for line in page().splitlines():
        assert len(line) <= max(COLUMNS, 112), line
        assert "\x1b" not in line and "│" not in line


def test_every_help_begins_with_a_verb_and_fits_80_columns() -> None:
    nouns = ("the", "a", "an", "what", "which", "who", "all", "this", "how", "where")
    for name, command in COMMANDS.items():
        assert command.line.split()[0].lower() not in nouns, f"{name}: {command.line}"
    shown = CliRunner(env={"COLUMNS": "80"}).invoke(app, ["--help"], terminal_width=80).output
    assert "bench" in shown and max(map(len, shown.splitlines())) <= 80


@pytest.mark.parametrize("words", [["run"], ["cell", "add"], []], ids=" ".join)
def test_what_the_page_tells_is_what_a_terminal_shows(words: list[str]) -> None:
    name = " ".join(["amphora", *words])
    (context,) = [one for known, one in commands() if known == name]
    command = context.command
    options = {option for each in command.params for option in each.opts if option.startswith("--")}
    assert len(options) > 1
    shown = subprocess.run(
        [sys.executable, "-m", "amphora.harness", *words, "--help"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
        env={"PATH": "", "COLUMNS": "200", "PYTHONIOENCODING": "utf-8"},
    ).stdout
    text = help_text(context)
    for option in options:
        assert option in text and option in shown
    for key in getattr(command, "commands", ()):
        assert key in text and key in shown


def test_the_help_lists_the_commands_in_the_order_of_the_work_and_none_without_a_place() -> None:
    import typer

    from amphora.harness.cli.app import app

    group = typer.main.get_command(app)
    listed = group.list_commands(typer.Context(group))
    assert listed == list(ORDER) and listed.index("cell") < listed.index("plan") < listed.index("analyse")
    for name in ("cell", "shelf", "bench", "duty", "key"):  # a group says what is in it
        inside = group.commands[name]
        assert all(sub in (inside.help or "") for sub in inside.list_commands(typer.Context(inside)))


def test_the_table_of_commands_says_what_their_own_helps_say_and_each_stands_in_it_once() -> None:
    for words, named in COMMANDS.items():
        if named.target:
            own = (inspect.getdoc(function_of(named)) or "").split("\n\n")[0].replace("\n", " ")
            assert named.line == own, words
    groups = {words for words, named in COMMANDS.items() if not named.target}
    assert {words.partition(" ")[0] for words in COMMANDS if " " in words} == groups
    assert [words for words in COMMANDS if " " not in words] == list(ORDER)
    targets = [named.target for named in COMMANDS.values() if named.target]
    assert len(targets) == len(set(targets))


@pytest.mark.parametrize("words", [["--help"], ["cell", "--help"], ["queue"], ["--version"]], ids=" ".join)
def test_a_list_of_commands_imports_none_of_them(words: list[str]) -> None:
    asked = (
        "import sys, typer\n"
        "from amphora.harness.cli.app import app\n"
        "try: app(sys.argv[1:], standalone_mode=False)\n"
        "except Exception: pass\n"
        "print(sorted(m for m in sys.modules if m.startswith('amphora.harness.cli.')), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", asked, *words], capture_output=True, text=True, timeout=120)
    assert done.stdout and done.stderr.split() == [
        "['amphora.harness.cli.app',", "'amphora.harness.cli.commands',", "'amphora.harness.cli.terminal']",
    ]  # fmt: skip
