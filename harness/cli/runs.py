"""Commands of the group Runs."""

import typer


def register(app: typer.Typer) -> None:
    """Add this group's commands to the program."""
