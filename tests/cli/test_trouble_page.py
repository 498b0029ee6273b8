"""Promises of the page "when something is wrong": no reason a run ends without a line, no command that is not there."""

import re
from pathlib import Path

import typer

from amphora.harness.cli.app import app
from amphora.harness.control.checks import CHECKS, PREFIX

PAGE = (Path(__file__).parents[2] / "docs" / "trouble.md").read_text(encoding="utf-8")


def test_each_check_of_the_guard_has_a_line_and_no_other_is_named() -> None:
    named = set(re.findall(rf"`{PREFIX}([a-z-]+)`", PAGE))
    assert named == set(CHECKS) | {"as-found"}


def test_what_speaks_against_the_cell_never_ends_in_going_on() -> None:
    for line in PAGE.splitlines():
        reasons = re.findall(rf"`{PREFIX}([a-z-]+)`", line.split("|")[1] if line.startswith("|") else "")
        if any(name in CHECKS and CHECKS[name].against_cell for name in reasons):
            assert "resume" not in line, line


def test_each_command_on_the_page_is_one_of_ours() -> None:
    root = typer.main.get_command(app)
    for words in re.findall(r"`amphora ([a-z -]+)", PAGE):
        command: object = root
        for word in words.split():
            commands = getattr(command, "commands", None)
            if commands is None or word.startswith("-"):
                break
            assert word in commands, f"amphora {words}"
            command = commands[word]


def test_each_exit_code_of_the_program_is_on_the_page() -> None:
    from amphora.harness.common import errors

    codes = {kind.exit_code for kind in vars(errors).values() if isinstance(kind, type) and hasattr(kind, "exit_code")}
    assert all(re.search(rf"\b{code}\b", PAGE.rpartition("codes:")[2]) for code in codes | {0})
