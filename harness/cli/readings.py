"""Commands about figures: import a table, analyse a run, draw it, export it."""

import shlex
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.data_package import write_package
from amphora.harness.cli.completion import benches, cells, runs
from amphora.harness.cli.next_command import after_a_picture, show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, run_named, say, voltage
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import parse_map, parse_units
from amphora.harness.importing.import_run import import_table, imported_notes
from amphora.harness.report.analysis_text import analysis_lines
from amphora.harness.report.plots import plot_run
from amphora.harness.results.export import export_run

MapOption = Annotated[
    str,
    typer.Option(
        "--map",
        help="Columns: t=…,v=…,i=…,temp=… (also step, steptime, ah, wh), by header text or number from 1, "
        "with a factor: i=Current(mA)*0.001. What is left out is guessed from the header.",
    ),
]
UnitsOption = Annotated[
    str,
    typer.Option(
        "--units", help="Units that the table does not state: t=min,v=mV,i=mA; t=mm:ss or t=h:mm for a clock."
    ),
]
WhichOption = Annotated[
    str | None,
    typer.Option("--which", help="One cell of several in the table: its channel, the number of its columns, or all."),
]
BeganOption = Annotated[
    str | None,
    typer.Option("--began", help="When the record began, such as 2026-03-14T21:15; a date in the table goes first."),
]
InstrumentsOption = Annotated[
    Path | None,
    typer.Option(
        "--bench",
        autocompletion=benches,
        help="Bench file of the instruments: their accuracy and where they sense.",
    ),
]
InSpiteOfOption = Annotated[
    list[str] | None,
    typer.Option("--in-spite-of", metavar="CODE", help="Take on a finding of the account; it is kept in the run."),
]


def import_(
    file: Annotated[Path, typer.Argument(help="Table as delimited text (plain, .gz or .zip) or spreadsheet (.xlsx).")],
    cell: Annotated[
        str, typer.Option("--cell", autocompletion=cells, help="Id of the cell; made when it is not on the shelf.")
    ],
    mapping: MapOption = "",
    discharge_sign: Annotated[
        str | None, typer.Option("--discharge-sign", help="negative or positive: the sign of discharging in the table.")
    ] = None,
    units: UnitsOption = "",
    which: WhichOption = None,
    began: BeganOption = None,
    bench: InstrumentsOption = None,
    cutoff: Annotated[str | None, typer.Option("--cutoff", help="Cut-off voltage, such as 2.7 or 2.7 V.")] = None,
    start: Annotated[str, typer.Option("--start", help="full or unknown: was the cell full at the start?")] = "unknown",
    chemistry: Annotated[
        str | None, typer.Option("--chemistry", help="For a cell that is not on the shelf yet.")
    ] = None,
    in_spite_of: InSpiteOfOption = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Make a run from any table of time, voltage and current.

    Example: amphora import night.csv --cell L3-a --map "t=Time,v=Volt,i=Current" --units t=min,i=mA --start full
    """
    folder = import_table(
        file,
        cell,
        parse_map(mapping),
        discharge_sign,  # type: ignore[arg-type]  # judged there, with a sentence
        voltage(cutoff, "--cutoff"),
        start,
        logs,
        chemistry,
        units=parse_units(units),
        which=which,
        began=moment(began),
        bench=bench,
        in_spite_of=in_spite_of or (),
    )
    notes, warnings = imported_notes(folder)
    for text in notes:
        say(f"note: {text}")
    for text in warnings:
        say(f"warning: {text}")
    answer(
        {"run": str(folder.absolute()), "cell": cell, "notes": notes, "warnings": warnings},
        as_json,
        lambda: print(f"{folder}\nNext: amphora analyse {shlex.quote(str(folder))}"),
    )


def moment(text: str | None) -> datetime | None:
    """Return `--began` as a moment; one without a zone is this computer's time.

    Raises:
        InputError: it is no date and time.
    """
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError) as error:
        raise InputError(f"--began: {text[:40]!r}; a date and time such as 2026-03-14T21:15 is accepted") from error


def analyse(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN", autocompletion=runs, help="Run folder, or a cell's id: its newest run; id@recipe."
        ),
    ],
    cutoff: Annotated[
        str | None, typer.Option("--cutoff", help="Another cut-off voltage, such as 3.2 or 3.2 V.")
    ] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Show where the uncertainty comes from.")] = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Show the results of a run, each with its uncertainty.

    Also what to distrust in it.

    Example: amphora analyse logs/L3-a/20260301T210000Z-overnight --cutoff "3.2 V" --budget
    """
    result = analyse_run(run_named(run, logs=logs), voltage(cutoff, "--cutoff"))

    def show() -> None:
        for text in analysis_lines(result, budget):
            print(text)
        show_next("grade", run, logs=logs)

    answer(result.to_json(), as_json, show)


def plot(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN", autocompletion=runs, help="Run folder, or a cell's id: its newest run; id@recipe."
        ),
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Picture: .png, .svg or .pdf.")] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option("--kind", help="Which picture; may be given several times. Without it: all there is data for."),
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Draw a run, or a surveyed device.

    Example: amphora plot logs/L3-a/20260301T210000Z-overnight --out night.png
    """
    run = run_named(run, logs=logs)
    target = out if out is not None else run / "night.png"
    files = plot_run(run, target, kind or None)

    def show() -> None:
        print("\n".join(str(file) for file in files))
        show_next(*after_a_picture(run), logs=logs)

    answer({"files": [str(file) for file in files]}, as_json, show)


def export(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN", autocompletion=runs, help="Run folder, or a cell's id: its newest run; id@recipe."
        ),
    ],
    out: Annotated[Path, typer.Option("--out", help="File to write: .csv or .parquet.")],
    form: Annotated[
        str | None,
        typer.Option(
            "--format", help="own: all columns, our names. bdf: the open Battery Data Format's names and units."
        ),
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write a run's readings for other programs.

    Example: amphora export logs/L3-a/20260301T210000Z-overnight --out night.bdf.csv --format bdf
    """
    run = run_named(run, logs=logs)
    file = export_run(run, out, form=form or "own")
    files: list[str] = [str(file)]
    try:
        files.append(str(write_package(run)))
    except OSError as error:
        say(f"note: datapackage.json was not written ({error.strerror or error})")

    def show() -> None:
        print(file)
        show_next("plot", run, logs=logs)

    answer({"file": str(file), "files": files}, as_json, show)
