"""Commands for a bag of cells at the door: cell add-many, cell sheet, cell take-in."""

import csv
import io
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.drivers.errors import LinkError
from amphora.drivers.serial.lines import NewestLine
from amphora.harness.account import intake
from amphora.harness.account.intake import Turned
from amphora.harness.archive.journal import write_out, write_whole
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import INSPECTION, Cell
from amphora.harness.cli.asking import ask_for
from amphora.harness.cli.intake_walk import walk
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import why_unreadable
from amphora.harness.report import label
from amphora.harness.report.intake_page import intake_page

FILLED = ("mass_g", "voltage_V")


def add_many(
    prefix: Annotated[str, typer.Option("--prefix", help="What their ids begin with, as 'A'.")],
    count: Annotated[int, typer.Option("--count", help="How many.")],
    form: Annotated[str, typer.Option(help="Their form: 18650, 14500, AA, ...")] = "",
    chemistry: Annotated[str, typer.Option(help="auto, li-ion, lfp, nimh, ...; auto where nobody knows.")] = "auto",
    source: Annotated[str, typer.Option(help="Where they came from.")] = "",
    first: Annotated[int, typer.Option("--first", help="The first number; default: after the highest there is.")] = 0,
    labels: Annotated[Path | None, typer.Option("--labels", help="Write labels with id and QR code, as PDF.")] = None,
    label_sheet: Annotated[str, typer.Option("--label-sheet", help="Columns x rows of labels on a page.")] = "3x8",
    sheet_out: Annotated[Path | None, typer.Option("--sheet", help="Write the intake sheet: .csv or .html.")] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Put many cells on the shelf at once, with labels and a sheet for what is measured and seen.

    Example: amphora cell add-many --prefix A --count 40 --form 18650 --source "hall lights" --labels labels.pdf
    """
    shelf = Shelf(logs)
    ids = intake.many(prefix, count, first, [cell.id for cell in shelf.cells()])
    cells = intake.add_many(shelf, ids, form, chemistry, source)
    if labels is not None:
        _write_labels(cells, labels, label_sheet)
    if sheet_out is not None:
        _write_sheet(cells, sheet_out)
    data = {"cells": ids, "labels": labels and str(labels), "sheet": sheet_out and str(sheet_out)}

    def show() -> None:
        print(f"{len(ids)} cells are on the shelf in {logs}: {ids[0]} to {ids[-1]}")
        if sheet_out is not None and sheet_out.suffix == ".csv":
            show_next("cell", "take-in", sheet_out, logs=logs)
        else:
            show_next("cell", "sheet", "--out", "sheet.csv", logs=logs)

    answer(data, as_json, show)


def _write_labels(cells: "list[Cell]", out: Path, places: str) -> None:
    columns, rows = label.grid(places)
    contents = [label.label_content(cell, None) for cell in cells]
    write_out(out, label.make_labels(contents, label.size_mm("tag"), label.Sheet(columns, rows), True))


def _write_sheet(cells: "list[Cell]", out: Path) -> None:
    if out.suffix.lower() == ".csv":
        if out.exists():
            raise InputError(f"{out}: is there already, and may be filled in; give another name")
        write_out(out, intake.sheet(cells))
    elif out.suffix.lower() in (".html", ".htm"):
        write_out(out, intake_page(cells, f"Cells received: {cells[0].id} to {cells[-1].id}"))
    else:
        raise InputError(f"{out}: is not accepted; a name that ends in .csv (to fill in) or .html (to print) is")


def sheet(
    cells: Annotated[
        list[str] | None, typer.Argument(metavar="[CELL]...", help="Ids; default: not measured yet.")
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="A .csv to fill in, or an .html page to print.")] = Path(
        "sheet.csv"
    ),
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write the intake sheet: mass, voltage, and what you see and smell, one line a cell.

    Example: amphora cell sheet --out sheet.html
    """
    shelf = Shelf(logs)
    chosen = [shelf.get(name) for name in cells] if cells else [c for c in shelf.cells() if c.as_found_V is None]
    if not chosen:
        raise InputError(f"every cell on the shelf in {logs} has a voltage already; name cells to have a sheet of them")
    _write_sheet(chosen, out)
    data = {"sheet": str(out), "cells": [cell.id for cell in chosen]}

    def show() -> None:
        print(f"{out}: {len(chosen)} cells")
        if out.suffix == ".csv":
            show_next("cell", "take-in", out, logs=logs)
        else:  # what is written on paper is typed into such a file
            show_next("cell", "sheet", *(cells or []), "--out", out.with_suffix(".csv"), logs=logs)

    answer(data, as_json, show)


def take_in(
    path: Annotated[Path, typer.Argument(metavar="SHEET", help="The sheet, filled in (CSV).")],
    from_port: Annotated[
        list[str] | None,
        typer.Option("--from-port", help="Fill it from a scale or hand meter on this serial port first; may be two."),
    ] = None,
    into: Annotated[
        list[str] | None,
        typer.Option("--into", help="Which column each port fills: mass_g or voltage_V; default: in this order."),
    ] = None,
    look: Annotated[
        bool, typer.Option("--look", help="Ask at each cell what is seen and smelled: Return for nothing.")
    ] = False,
    baud: Annotated[int, typer.Option("--baud", help="The ports' speed.")] = 9600,
    by: Annotated[str, typer.Option("--by", help="Who looked and measured.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Enter a filled sheet, line by line; each refusal is one line. Exit code 1 if a line was refused.

    At a terminal a value that cannot be believed is asked for again. A line that stands on the shelf already is left.

    Example: amphora cell take-in sheet.csv --from-port /dev/ttyUSB0 --into mass_g --look
    """
    shelf = Shelf(logs)
    columns = _columns(from_port or [], into)
    if from_port or look:
        _fill(path, from_port or [], baud, columns, look, shelf)
    taken, turned = [], []
    for line, values in intake.read_sheet(_text(path), str(path)):
        if _known(shelf, values):
            continue
        one, refused = intake.take(shelf, line, values, by=by)
        while refused and sys.stdin.isatty() and all(item.column != "id" for item in refused):
            for item in refused:
                values[item.column] = _again(path, item, shelf)
            one, refused = intake.take(shelf, line, values, by=by)
        turned += refused
        if one is not None:
            taken.append(one)
    data = {
        "taken": [{"cell": one.cell.id, "state": one.cell.state, "verdict": one.judged.verdict} for one in taken],
        "refused": [{"line": item.line, "cell": item.cell, "column": item.column, "why": item.why} for item in turned],
    }

    def show() -> None:
        for one in taken:
            bad = "; ".join(reason.text for reason in one.judged.reasons if reason.verdict != "accept")
            print(f"{one.cell.id}: {one.judged.verdict}" + (f": {bad}" if bad else ""))
        print(f"{len(taken)} lines taken, {len(turned)} refused")
        show_next("cell", "list", logs=logs)

    for item in turned:
        say(f"{path}, line {item.line} ({item.cell}): {item.why}")
    answer(data, as_json, show)
    if turned:
        leave(1)


def _columns(ports: list[str], into: list[str] | None) -> list[str]:
    """Return which column each port fills."""
    columns = list(into or FILLED)
    for name in columns:
        if name not in FILLED:
            raise InputError(f"--into {name}: is not accepted; {' or '.join(FILLED)} is")
    if len(ports) > len(columns) or len(set(columns)) < len(columns) or (into and len(into) > max(len(ports), 1)):
        raise InputError(
            f"--from-port is given {len(ports)} times and --into {len(into or [])} times; a column for each port is "
            "accepted, each once"
        )
    return columns


def _known(shelf: Any, values: dict[str, str]) -> bool:
    """Tell whether a line was taken before: the sheet may be read again when the rest of it has been put right."""
    try:
        cell = shelf.get(values["id"])
        seen = {"mass_g": cell.mass_g, "voltage_V": cell.as_found_V, **cell.inspection}
        given = {name: intake.value_of(name, text, cell) for name, text in values.items() if text and name != "id"}
    except InputError:
        return False
    return all(seen.get(name) == value for name, value in given.items())


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read: {why_unreadable(error)}") from error


def _again(path: Path, item: "Turned", shelf: Any) -> str:
    """Ask for a value once more until it can be believed."""
    say(f"{path}, line {item.line} ({item.cell}): {item.why}")
    cell = shelf.get(item.cell)

    def read(text: str) -> str:
        intake.value_of(item.column, text, cell)
        return text

    return ask_for(f"{item.cell}, {item.column}: ", read)


def _fill(path: Path, ports: list[str], baud: int, into: list[str], look: bool, shelf: Any) -> None:
    """Fill columns at the bench, cell by cell. Each value is in the sheet at once."""
    rows = list(csv.DictReader(io.StringIO(_text(path).lstrip("\ufeff"))))
    needed = ["id", *into[: len(ports)], *(INSPECTION if look else ())]
    missing = [name for name in needed if not rows or name not in rows[0]]
    if missing:
        raise InputError(
            f"{path}: has no columns {' and '.join(missing)}, separated by commas; amphora cell sheet writes one"
        )
    opened: list[tuple[str, Any]] = []
    try:
        for port, column in zip(ports, into, strict=False):
            try:
                opened.append((column, NewestLine(port, baud)))
            except LinkError as error:
                raise InputError(f"--from-port: {error}") from error
        walk(rows, opened, look, shelf, lambda: _write_rows(path, rows))
    finally:
        for _, lines in opened:
            lines.close()


def _write_rows(path: Path, rows: list[dict[str, str]]) -> None:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_whole(path, out.getvalue())
