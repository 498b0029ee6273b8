"""What every command shares: answers to standard output, messages to standard error, exit codes."""

import codecs
import contextlib
import io
import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, NoReturn, TextIO, cast

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
        near = get_close_matches(cell, [file.parent.name for file in logs.glob("*/cell.json")], 1, 0.6)
        if near:
            raise InputError(
                f"{run}: there is no such run folder, and no such cell on the shelf in {logs} ({near[0]!r} is near)"
            )
        return run
    runs = [entry for entry in Shelf(logs).list_runs(cell) if not entry.damaged]
    meant = [entry for entry in runs if recipe in ("", entry.profile)]
    if not meant:
        had = ", ".join(sorted({entry.profile for entry in runs})) or "none"
        raise InputError(f"{run}: the cell {cell} has no run{f' of {recipe}' if recipe else ''}; recipes run: {had}")
    meant.sort(key=lambda entry: entry.created_utc)
    if capacity and not recipe:
        with_figure = [entry for entry in meant if entry.capacity_Ah is not None]
        full = [entry for entry in with_figure if entry.start in ("full", "declared-full")]
        meant = full or with_figure or meant
    return Path(meant[-1].folder)


def answer(data: dict[str, Any], as_json: bool, show: Callable[[], None]) -> None:
    """Print the answer: as one JSON document, or as `show` prints it for a person."""
    if as_json:
        plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"  # then \u escapes: JSON in any encoding
        sys.stdout.write(_document(finite(data), plain) + "\n")
        sys.stdout.flush()
    else:
        show()


LONG = 200  # entries: a longer list stands with one of them a line


def _document(data: dict[str, Any], plain: bool) -> str:
    """Return data as JSON for people and programs: indented; long lists with an entry a line, which is ten times as
    quick to write."""
    if not any(isinstance(value, list) and len(value) > LONG for value in data.values()):
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
IN_LETTERS = {
    "±": "+-", "°": "deg", "Ω": "ohm", "µ": "u", "·": "-", "×": "x", "²": "2", "–": "-", "—": "-", "…": "...",
    "≤": "<=", "≥": ">=", "→": "->", "\u00a0": " ", "\u202f": " ", "−": "-",
}  # fmt: skip


def _in_letters(error: UnicodeError) -> tuple[str | bytes, int]:
    """Write what an encoding does not have: signs of ours in letters, all else by its number."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    text = "".join(IN_LETTERS.get(sign) or sign.encode("ascii", "backslashreplace").decode("ascii") for sign in signs)
    return text, error.end


def any_encoding() -> None:
    """Let both streams write somehow what their encoding does not have (a plain terminal, a file's odd name)."""
    codecs.register_error("in-letters", _in_letters)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="in-letters")


class Unfailing:
    """Standard error for a program that must not stop because nobody listens any more.

    A terminal that was closed, a pipe whose reader ended, a full disk behind a redirection: what cannot be told is left
    out.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write, or leave it out."""
        with contextlib.suppress(OSError):
            return self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Flush, or leave it."""
        with contextlib.suppress(OSError):
            self._stream.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


class Folding:
    """A stream to a terminal that breaks long lines of prose between words, never inside one.

    Rows of a table, commands to paste, JSON and lines that are written over stay as they are.

    Args:
        stream: The terminal.
        columns: Returns its width.
    """

    def __init__(self, stream: Any, columns: Callable[[], int]) -> None:
        self._stream = stream
        self._columns = columns
        self._begun = ""  # a line that is not ended yet

    def write(self, text: str) -> int:
        """Write whole lines folded; the rest waits for its end, or for `flush`."""
        *lines, self._begun = (self._begun + text).split("\n")
        for line in lines:
            self._stream.write(folded(line, self._columns()) + "\n")
        if "\r" in self._begun:
            self.flush()
        return len(text)

    def flush(self) -> None:
        """Write what was begun as it is: a prompt."""
        begun, self._begun = self._begun, ""
        self._stream.write(folded(begun, self._columns()) + " " * (len(begun) - len(begun.rstrip(" "))))
        self._stream.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def folded(line: str, columns: int) -> str:
    """Return a line of prose in lines of at most `columns`; what is not prose is returned as it is."""
    text = line.strip()
    line = line.rstrip(" ")
    if len(line) <= columns or "\x1b" in line or "\r" in line or text.startswith(('"', "{", "Next: ", "│")):
        return line
    indent = " " * (len(line) - len(line.lstrip()))
    name = re.fullmatch(r"(\s*\S+(?: \S+)*  +)(\S+(?: \S+)*)", line)
    if name and len(name[1]) <= columns // 2:  # a name, and behind it a sentence
        under = " " * len(name[1])
        return name[1] + textwrap.fill(
            name[2], columns - len(under), subsequent_indent="", break_long_words=False, break_on_hyphens=False
        ).replace("\n", "\n" + under)
    if "  " in text and not text.startswith(("- ", "! ")):  # a row of a table
        return line
    under = indent + "  " * (text.startswith(("- ", "! ", ">>> ")) or bool(re.match(r"\w+: ", text)))
    return textwrap.fill(
        text, columns, initial_indent=indent, subsequent_indent=under, break_long_words=False, break_on_hyphens=False
    )


def fold_at_a_terminal() -> None:
    """Let what is written to a terminal break between words, from here on."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is not None and stream.isatty():
            setattr(sys, name, Folding(stream, lambda: shutil.get_terminal_size((80, 24)).columns))


def unfailing_messages() -> None:
    """Let messages to standard error fail in silence from here on."""
    if sys.stderr is not None and not isinstance(sys.stderr, Unfailing):
        sys.stderr = cast(TextIO, Unfailing(sys.stderr))


def nobody_reads() -> None:
    """Standard output cannot be written: what is left in it is given up, so that the exit code stays the command's."""
    with contextlib.suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)


def leave(code: int) -> NoReturn:
    """End the command with an exit code."""
    raise typer.Exit(code)
