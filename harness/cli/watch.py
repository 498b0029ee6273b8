"""Follow a run, or all bays, read-only: watch."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.cli.completion import runs
from amphora.harness.cli.next_command import after_a_picture, show_next
from amphora.harness.cli.output import DEFAULT_LOGS, LogsOption, answer, run_named
from amphora.harness.common.errors import InputError
from amphora.harness.report.live_page import serve
from amphora.harness.report.run_text import follow, follow_all, standing
from amphora.harness.running.along import Along, RunsAlong

pass


def watch(
    run: Annotated[
        Path | None, typer.Argument(metavar="RUN", autocompletion=runs, help="The run: folder or cell's id.")
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="All bays: every run at work, and what ended in the last 16 h.")
    ] = False,
    page: Annotated[bool, typer.Option("--page", help="Serve a page on this computer instead.")] = False,
    share: Annotated[
        bool, typer.Option("--share", help="With --page: also for the local network, by a secret address.")
    ] = False,
    once: Annotated[bool, typer.Option("--once", help="Show how it stands now and end.")] = False,
    logs: LogsOption = DEFAULT_LOGS,
    json: Annotated[
        bool, typer.Option("--json", help="How it stands now, as one JSON document on standard output.")
    ] = False,
) -> None:
    """Follow a run, or all bays, read-only.

    Example: amphora watch --all --page
    """
    if every == (run is not None):
        raise InputError("a run or --all is accepted, one of the two")
    folder = None if run is None else run_named(run, logs=logs)
    if page and not json:
        serve(logs if folder is None else folder, share=share, every=every)
        return
    if folder is None:
        if json:
            answer({"runs": [view.to_dict() for _, view in RunsAlong(logs).look()]}, True, lambda: None)
            return
        follow_all(logs, once=once)
        show_next("watch", "--all", "--page", logs=logs)
    elif json:
        answer(standing(Along(folder)), True, lambda: None)
    else:
        follow(folder, once=once)
        if standing(Along(folder))["state"] == "ended":
            show_next(*after_a_picture(folder), logs=logs)
