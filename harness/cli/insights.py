"""Commands that say what a run means: what an unmarked cell is, which circuit stands for a cell."""

import re
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.harness.account.corrections import named, time_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli import completion
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, run_named, say
from amphora.harness.results.circuit import circuit_lines, circuit_of, write_circuit
from amphora.harness.results.identify import folders_of, identify_runs, save_identification


def identify(
    runs: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN",
            autocompletion=completion.runs,
            help="Run folders of one cell, oldest first, judged together; or the cell's id: all its runs.",
        ),
    ],
    save: Annotated[bool, typer.Option("--save", help="Keep the answer in the cell's record on the shelf.")] = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Find out what kind of cell it is.

    It is a judgement with a confidence, no proof: treat a cell as the most delicate kind it may be.

    Example: amphora identify logs/L3-a/20261124T190000Z-identify --save
    """
    runs = folders_of(runs, logs)
    found = identify_runs(runs)
    data: dict[str, Any] = {**asdict(found), "saved": save}
    if save:
        saved = save_identification(logs, runs, found)
        cell = named(saved, time_of(None))
        if cell != saved:
            Shelf(logs).save(cell)
        data["cell"] = cell.id
        say(f"kept in the record of {cell.id}")

    def show() -> None:
        print(f"{found.answer} (confidence: {found.confidence})")
        for text in found.evidence:
            print(f"  - {text}")
        kept = re.sub(r"\(`amphora identify \S+ --save[^`]*`, then ", "(", found.next_step) if save else found.next_step
        print(f"Next: {kept}")

    answer(data, as_json, show)


def model(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", autocompletion=completion.runs, help="A run folder with load steps.")
    ],
    out: Annotated[Path | None, typer.Option("--out", help="File to write the circuit to, as JSON; a new one.")] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Fit an equivalent circuit to a run's load steps.

    Example: amphora model logs/L3-a/20261124T210000Z-load-steps --out L3-a.json
    """
    circuit = circuit_of(run_named(run, logs=logs))
    if out is not None:
        write_circuit(circuit, out)
        say(f"circuit written to {out}")

    def show() -> None:
        for text in circuit_lines(circuit):
            print(text)
        show_next("plot", run, logs=logs)

    answer(circuit.to_json(), as_json, show)
