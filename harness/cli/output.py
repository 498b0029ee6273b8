"""What every command shares: answers to standard output, messages to standard error, exit codes."""

import contextlib
import json
import os
import sys
from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from amphora.harness.archive.shelf import Shelf
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite
from amphora.harness.common.quantities import parse

JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else there.")]
LogsOption = Annotated[
    Path,
    typer.Option("--logs", envvar="AMPHORA_LOGS", help="Where cells and their runs are kept."),
]
DEFAULT_LOGS = Path("logs")


def run_named(run: Path, capacity: bool = False, logs: Path | None = None) -> Path:
    """Return the folder of the run that is meant: a path; or a cell's id, or `id@recipe`, for its newest run.

    Args:
        run: What was typed.
        capacity: A run that shows what the cell holds is wanted: from a full start first, then any with a figure.
        logs: Where the cells are; None: `AMPHORA_LOGS`, else `logs`.

    Raises:
        InputError: there is such a cell, and no such run of it.
    """
    if (run / "cell.json").is_file():  # a cell's folder
        logs = run.absolute().parent
    elif run.exists() or len(run.parts) != 1:
        return run
    elif logs is None:
        logs = Path(os.environ.get("AMPHORA_LOGS") or DEFAULT_LOGS)
    cell, _, recipe = run.absolute().name.partition("@")
    if not cell or not (logs / cell / "cell.json").is_file():
        return _no_cell(run, cell, logs)
    runs = [entry for entry in Shelf(logs).list_runs(cell) if not entry.damaged]
    meant = [entry for entry in runs if recipe in ("", entry.profile)]
    if not meant:
        had = ", ".join(sorted({entry.profile for entry in runs})) or "none"
        near = get_close_matches(recipe, [entry.profile for entry in runs], 1, 0.7)
        hint = f" ({near[0]!r} is near)" if near else ""
        what = f" of {recipe}" if recipe else ""
        raise InputError(f"{run}: the cell {cell} has no run{what}; recipes run: {had}{hint}")
    meant.sort(key=lambda entry: entry.created_utc)
    if capacity and not recipe:
        with_figure = [entry for entry in meant if entry.capacity_Ah is not None]
        full = [entry for entry in with_figure if entry.start in ("full", "declared-full")]
        meant = full or with_figure or meant
    return Path(meant[-1].folder)


def _no_cell(run: Path, cell: str, logs: Path) -> Path:
    """Return what was typed as it is, where no cell of the shelf has nearly that name."""
    near = get_close_matches(cell, [file.parent.name for file in logs.glob("*/cell.json")], 1, 0.6)
    if near:
        raise InputError(
            f"{run}: there is no such run folder, and no such cell on the shelf in {logs} ({near[0]!r} is near)"
        )
    return run


def answer(data: dict[str, Any], as_json: bool, show: Callable[[], None]) -> None:
    """Print the answer: as one JSON document, or as `show` prints it for a person."""
    if as_json:
        plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"  # then \u escapes: JSON in any encoding
        sys.stdout.write(_text_of(data, plain) + "\n")
        sys.stdout.flush()
    else:
        show()


def _text_of(data: dict[str, Any], plain: bool) -> str:
    """Return data as JSON. Ten thousand rows are written as they are; only where JSON does not hold one, all are gone
    through first."""
    if _is_long(data):
        with contextlib.suppress(ValueError, TypeError):
            return _document(data, plain)
    return _document(finite(data), plain)


def _is_long(data: dict[str, Any]) -> bool:
    return any(isinstance(value, list) and len(value) > LONG for value in data.values())


LONG = 200  # entries: a longer list stands with one of them a line


def _document(data: dict[str, Any], plain: bool) -> str:
    """Return data as JSON for people and programs: indented; long lists with an entry a line, which is ten times as
    quick to write."""
    if not _is_long(data):
        return json.dumps(data, ensure_ascii=plain, indent=2, allow_nan=False)
    write = json.JSONEncoder(ensure_ascii=plain, allow_nan=False).encode
    parts = []
    for key, value in data.items():
        if isinstance(value, list) and len(value) > LONG:
            text = "[\n    " + ",\n    ".join(map(write, value)) + "\n  ]"
        else:
            text = json.dumps(value, ensure_ascii=plain, indent=2, allow_nan=False).replace("\n", "\n  ")
        parts.append(f"  {write(key)}: {text}")
    return "{\n" + ",\n".join(parts) + "\n}"


def voltage(text: str | None, where: str) -> float | None:
    """Return a voltage given as a bare number of volts or with its unit."""
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = parse(text, "voltage", where)
    if not 0 < value < 100:
        raise InputError(f"{where}: {text!r}; a voltage above 0 V, such as 2.7 or 2.7 V, is accepted")
    return float(value)


def say(text: str) -> None:
    """Tell a person something that is not the answer: to standard error."""
    print(text, file=sys.stderr, flush=True)


# How signs are written where the terminal's encoding does not have them.


def leave(code: int) -> NoReturn:
    """End the command with an exit code."""
    raise typer.Exit(code)
