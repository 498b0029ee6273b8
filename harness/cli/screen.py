"""The command of the group Decide that spares nights: screen."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli import completion
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, run_named
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.screening_shelf import least_for, screened


def screen(
    run: Annotated[
        Path,
        typer.Argument(metavar="CELL|RUN", autocompletion=completion.runs, help="A cell's id, or one of its runs."),
    ],
    least: Annotated[
        str | None, typer.Option("--least", help="What it has to hold to be worth a night: '800 mAh'.")
    ] = None,
    duty: Annotated[
        str | None, typer.Option("--for", help="What it has to hold: one night of this duty, such as path-light.")
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Say whether a cell is worth a night.

    Judges by the first twenty minutes of a run and by like cells on your shelf. The answer is one of three: not worth a
    night (exit code 1), worth one, cannot tell. The recipe `screen` makes the run.

    Example: amphora screen L3-a --least "800 mAh"
    """
    cell_id = str(run).partition("@")[0]
    shelf = Shelf(logs)
    chosen = None
    if not (logs / cell_id / "cell.json").is_file() or "@" in str(run):
        chosen = run_named(run, logs=logs).absolute()
        if not (chosen.parent / "cell.json").is_file():
            raise InputError(f"{run}: is no cell and no run of a cell on the shelf in {logs}")
        shelf, cell_id = Shelf(chosen.parent.parent), chosen.parent.name
    cell = shelf.get(cell_id)
    found = screened(shelf, cell, least_for(cell, least, duty), chosen)
    data = {"cell": cell.id, "run": None if chosen is None else str(chosen), **found.to_dict()}

    def show() -> None:
        print(f"{cell.id}: {found.answer}: {found.why}")
        if found.most_Ah is not None:
            print(f"  at most {found.most_Ah * 1000:.0f} mAh: by what the charge before put in")
        if found.low_Ah is not None:
            print(f"  predicted from {found.like_cells} like cells; the interval is meant to hold 95 of 100 times")
            print("  a prediction for sorting, no capacity: no grade and no certificate uses it")
        if found.answer == "not worth a night":
            show_next("plan", "--cell", cell.id, "--profile", "storage", "--bench", "bench.toml", logs=shelf.logs)
        else:
            show_next("plan", "--cell", cell.id, "--profile", "overnight", "--bench", "bench.toml", logs=shelf.logs)

    answer(data, as_json, show)
    if found.answer == "not worth a night":
        leave(1)
