"""The streams of the program: whatever their encoding, whoever reads them, and however wide the terminal is."""

import codecs
import contextlib
import io
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable
from typing import Any, TextIO, cast

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
