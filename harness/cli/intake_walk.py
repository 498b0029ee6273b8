"""The walk along a bag at the door: for each cell what the scale and the hand meter show, and what is seen and smelled.

One key takes a reading, one says that a cell was looked at and nothing was found. What was filled in is not asked for.
"""

import sys
from collections.abc import Callable, Sequence
from typing import Any

from amphora.harness.account import intake
from amphora.harness.cells.cell import INSPECTION, check_inspection
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import shown

LINE_WITHIN_S = 20.0  # a scale that prints by itself does so every second; one with a key, when it is pressed
SOUND = {part: words[0] for part, words in INSPECTION.items()}
LOOK = ", ".join(f"{part} {words[1]}" for part, words in INSPECTION.items())


class _Over(Exception):
    """No more keys come."""


def walk(
    rows: list[dict[str, str]],
    ports: Sequence[tuple[str, Any]],
    look: bool,
    shelf: Any,
    write: Callable[[], None],
) -> None:
    """Go through the rows; what lacks a value is asked for, and each answer is written at once.

    Args:
        rows: Of the sheet, changed in place.
        ports: (column, open port that fills it), in the order in which they are asked for.
        look: Ask what is seen and smelled, too.
        shelf: Where the cells are.
        write: Writes the sheet.

    Raises:
        InputError: a row names no cell of the shelf.
    """
    try:
        for row in rows:
            cell = shelf.get(row["id"])
            for column, lines in ports:
                if not (row.get(column) or "").strip() and (text := _reading(cell, column, lines)):
                    row[column] = text
                    write()
            if look and not any((row.get(part) or "").strip() for part in INSPECTION) and (found := _seen(cell)):
                row.update(found)
                write()
    except _Over:
        return


def _key() -> str:
    typed = sys.stdin.readline()
    if not typed:
        raise _Over
    return typed.strip()


def _reading(cell: Any, column: str, lines: Any) -> str:
    """Return one reading that can be believed; "" where it is skipped."""
    lines.forget()
    sys.stderr.write(f">>> {cell.id}, {column}: Return takes what {lines.port} shows (or type it; s: skip)\n")
    while (word := _key()) != "s":
        text = word or intake.number_of(lines.take(LINE_WITHIN_S) or "") or ""
        try:
            if not text:
                raise InputError(f"{lines.port}: no line with a number came within {LINE_WITHIN_S:g} s; once more")
            intake.value_of(column, text, cell)
        except InputError as error:
            sys.stderr.write(f"{error}\n")
            lines.forget()
            continue
        sys.stderr.write(f"{cell.id}: {column} {text}\n")
        return text
    return ""


def _seen(cell: Any) -> dict[str, str]:
    """Return what a person saw and smelled; empty where it is skipped."""
    sys.stderr.write(f">>> {cell.id}: look and smell. Return: nothing found. Else what, as: {LOOK} (s: skip)\n")
    while (word := _key()) != "s":
        try:
            return {**SOUND, **_parts(word)}
        except InputError as error:
            sys.stderr.write(f"{error}\n")
    return {}


def _parts(text: str) -> dict[str, str]:
    """Return what is named as 'wrapper torn, smell yes'; what is not named is sound."""
    found = {}
    for item in filter(None, (part.strip() for part in text.split(","))):
        part, _, word = item.partition(" ")
        if part not in INSPECTION:
            raise InputError(f"{shown(item)} is not accepted; {', '.join(INSPECTION)} with a word behind it are")
        found[part] = check_inspection({part: word.strip()}, "seen")[part]
    return found
