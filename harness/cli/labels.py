"""Labels to stick on cells: label."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_of
from amphora.harness.account.gate import warning_of
from amphora.harness.archive.journal import write_out
from amphora.harness.archive.run_folder import is_simulated, read_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, say
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.report import label as labels
from amphora.harness.report.certificate.issue import grade_of
from amphora.harness.results.result import Result


def _best_run(cell_id: str, logs: Path) -> "tuple[Path, Result] | None":
    """Return a cell's newest run with a capacity from a known full start, else its newest analysed run."""
    fallback: tuple[Path, Result] | None = None
    for folder in reversed(Shelf(logs).runs(cell_id)):
        try:
            result = analyse_run(folder)
        except AmphoraError as error:
            say(f"amphora: {folder} was left out: {error}")
            continue
        if result.from_full and result.reached_cutoff:
            return folder, result
        fallback = fallback or (folder, result)
    return fallback


def label(
    cells: Annotated[list[str], typer.Argument(help="Ids of cells on the shelf; one label each.")],
    out: Annotated[Path, typer.Option("--out", help="The PDF to write.")] = Path("labels.pdf"),
    size: Annotated[
        str, typer.Option(help="strip (60x12), tag (48x25), card (70x36), or width x height in mm.")
    ] = "tag",
    sheet: Annotated[
        str | None, typer.Option(help="Columns x rows on a page, as 3x8; default: a page per label.")
    ] = None,
    page: Annotated[str, typer.Option(help="The sheet's width, height in mm.")] = "210,297",
    first: Annotated[str | None, typer.Option(help="Left, top of the first label in mm; default: centred.")] = None,
    gap: Annotated[str, typer.Option(help="Gap between labels, across, down, in mm.")] = "0,0",
    skip: Annotated[int, typer.Option(help="Places already used on the first sheet.")] = 0,
    shift: Annotated[str, typer.Option(help="What the printer is off by: right, down, in mm.")] = "0,0",
    cut_lines: Annotated[bool, typer.Option("--cut-lines", help="A thin outline to cut along.")] = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write labels to stick on cells.

    Example: amphora label L3-a L3-b --size card --sheet 3x8 --skip 2 --out labels.pdf
    """
    sides = labels.size_mm(size)
    place = None
    if sheet is not None:
        columns, rows = labels.grid(sheet)
        corner = labels.pair(first, "--first") if first else (None, None)
        across, down = labels.pair(gap, "--gap")
        right, low = labels.pair(shift, "--shift")
        place = labels.Sheet(
            columns, rows, labels.pair(page, "--page"), corner[0], corner[1], across, down, skip, right, low
        )
    contents = []
    for cell_id in cells:
        record = Shelf(logs).get(cell_id)
        if record.is_device:
            raise InputError(f"{cell_id} is a {record.form}, not a cell: a label names what a cell holds")
        best = _best_run(cell_id, logs)
        grade = grade_of(best[0]) if best else None
        simulated = best is not None and is_simulated(read_header(best[0]))
        words = grade.grade if grade else None
        warning = warning_of(record, standing_of(Shelf(logs), cell_id))
        contents.append(labels.label_content(record, best[1] if best else None, words, simulated, warning))
    write_out(out, labels.make_labels(contents, sides, place, cut_lines))
    data = {"labels": str(out), "cells": [item.id for item in contents], "size_mm": list(sides)}

    def show() -> None:
        print(f"{out}: {len(contents)} label{'' if len(contents) == 1 else 's'} of {sides[0]:g} x {sides[1]:g} mm")
        show_next("report", "--all", logs=logs)

    answer(data, as_json, show)
