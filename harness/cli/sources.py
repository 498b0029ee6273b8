"""The command that says what each source of cells gives."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.archive.journal import write_new
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, say
from amphora.harness.decisions.sources import NO_DATE, NO_SOURCE, by_source, document, read_sources
from amphora.harness.report.sources_text import CSV_COLUMNS, csv_rows, draw, render, when_tested
from amphora.harness.report.tables import as_csv


def sources(
    months: Annotated[bool, typer.Option("--months", help="A line for each month in which cells came.")] = False,
    csv: Annotated[Path | None, typer.Option("--csv", help="Also write the table as CSV, into a new file.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Draw capacities and duds into this file.")] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Say which source of cells is worth opening.

    Shows capacity, resistance, self-discharge and the share of duds of each source. A dud is retired, kept apart, or
    graded 'bench only' or 'retire'.

    Example: amphora sources --plot sources.png
    """
    cells = read_sources(logs)
    found = by_source(cells, months)
    if csv is not None:
        write_new(csv, as_csv(CSV_COLUMNS, csv_rows(found)))
        say(f"table written to {csv}")
    if plot is not None:
        values = [
            (f"{one.source or NO_SOURCE} {(one.month or NO_DATE) if months else ''}".strip(), one.capacity_Ah)
            for one in cells
            if one.capacity_Ah is not None
        ]
        draw(found, values, plot, when_tested(cells))
        say(f"picture written to {plot}")

    def show() -> None:
        print(render(found))
        if any(one.capacity_Ah is not None for one in cells):
            show_next("compare", "--all", logs=logs)
        else:
            show_next("cell", "list", logs=logs)

    answer(document(found), as_json, show)
