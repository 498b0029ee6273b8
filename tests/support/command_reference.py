"""The command reference, docs/commands.md, as the program itself tells it: `make commands` writes it anew."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from amphora.harness.cli.app import app

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"
COLUMNS = 100

HEAD = """# Commands

For people who look up a command or an option. Reference.

What `amphora COMMAND --help` says, of every command. Written by `make commands`; a test compares this page
with the program.

An answer goes to standard output, everything else to standard error; with `--json` the answer is one document.
Exit codes: 0 done, 1 the answer is no, 2 bad input or usage, 3 stopped by the guard, 4 instrument trouble,
130 Ctrl-C, 143 ended by the system.
`amphora --install-completion` teaches the shell to complete commands and options.

"""


def commands() -> Iterator[tuple[str, Any]]:
    """The context of every command and group, with its name as it is typed; a group before its commands."""

    def walk(name: str, command: Any, parent: Any) -> Iterator[tuple[str, Any]]:
        command.rich_markup_mode = None  # plain lines: no frames, no colours, whatever the terminal
        context = command.context_class(
            command,
            info_name=name.rpartition(" ")[2],
            parent=parent,
            terminal_width=COLUMNS,
            max_content_width=COLUMNS,
            **command.context_settings,
        )
        yield name, context
        for key in sorted(getattr(command, "commands", ())):
            yield from walk(f"{name} {key}", command.commands[key], context)

    # A tree of its own, as it is changed here: the tests share one (tests/conftest.py).
    build = getattr(typer.main.get_command, "__wrapped__", typer.main.get_command)
    yield from walk("amphora", build(app), None)


def help_text(context: Any) -> str:
    """What `--help` says."""
    return "\n".join(line.rstrip() for line in context.command.get_help(context).splitlines()).strip()


def page() -> str:
    """Return the whole page."""
    parts = [f"## {name}\n\n```text\n{help_text(context)}\n```\n" for name, context in commands()]
    return HEAD + "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
