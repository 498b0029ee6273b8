"""The page that compares cells: report."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.archive.journal import write_out
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.completion import runs as completion_of_runs
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, say
from amphora.harness.cli.papers import folder_of
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.sources import One, read_sources
from amphora.harness.report.comparison_page import make_report


def report(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="RUN", autocompletion=completion_of_runs, help="Run folders; or --all."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="The HTML page to write.")] = Path("cells.html"),
    everything: Annotated[bool, typer.Option("--all", help="Every run on the shelf, and cells without one.")] = False,
    title: Annotated[str, typer.Option(help="The page's heading.")] = "Cells compared",
    note: Annotated[str, typer.Option(help="A sentence under the heading.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write a page that compares cells.

    Example: amphora report --all --title "Cells of the path lights" --out cells.html
    """
    others: list[Cell] = []
    cells: list[One] = []
    if everything == bool(runs):
        raise InputError("report: name run folders, or give --all; one of the two is accepted")
    if everything:
        shelf = Shelf(logs)
        others = [cell for cell in shelf.cells() if not cell.is_device]
        folders = [folder for cell in others for folder in shelf.runs(cell.id)]
        cells = read_sources(logs) if others else []
        if not others:
            raise InputError(f"report: no cell is on the shelf in {logs}; `amphora cell add` puts one there")
    else:
        folders = [folder_of(run, logs) for run in runs or []]
    page, comparison = make_report(folders, title, note, others, cells)
    write_out(out, page.encode("utf-8"))
    for item in comparison.damaged:
        say(f"amphora: {item.run} was left out: {item.text}")
    names, damaged = [row.cell for row in comparison.cells], to_json(comparison.damaged)
    data = {"report": str(out), "cells": names, "damaged": damaged}
    count = len(names)

    def show() -> None:
        print(f"{out}: {count} cell{'' if count == 1 else 's'} side by side")
        if count > 1:
            show_next("match", "--size", "2", logs=logs)
        elif folders:
            show_next("grade", folders[-1], logs=logs)

    answer(data, as_json, show)
