"""Text as the shipped fonts can draw it, and as much of it as its room holds."""

import bisect
import functools
import json
import re
import unicodedata
from pathlib import Path
from typing import Any

HERE = Path(__file__).parents[1]
FONTS = HERE / "fonts"
TEMPLATES = HERE / "templates"
MOST_MARKS = 4  # combining marks on one letter; more would climb into the lines around it
_UNDRAWN = {0xFDFD}  # one letter as wide as a sentence
_ON_LETTERS = ("Mn", "Me")
MOST_PRINTED = 1800  # characters that a text may have before it is fitted to its lines


@functools.cache
def _covered() -> tuple[list[int], list[int]]:
    """Return first and last code points of the ranges that the shipped fonts can draw, rising."""
    ranges = json.loads((FONTS / "coverage.json").read_text(encoding="ascii"))
    return [low for low, _ in ranges], [high for _, high in ranges]


def _drawable(point: int) -> bool:
    lows, highs = _covered()
    at = bisect.bisect_right(lows, point) - 1
    return at >= 0 and point <= highs[at] and point not in _UNDRAWN


def printable(text: str) -> str:
    """Return `text` as the shipped fonts can draw it.

    A character that they lack becomes its number, so that none prints as a box; of marks heaped on one letter the
    first few stay.
    """
    out: list[str] = []
    heaped = 0
    for char in text:
        heaped = heaped + 1 if unicodedata.category(char) in _ON_LETTERS else 0
        if heaped <= MOST_MARKS:
            out.append(char if _drawable(ord(char)) else f"[U+{ord(char):04X}]")
    return "".join(out)


_UNITS = r"(%|°C|V|A|mA|mAh|Ah|Wh|mΩ|Ω|K|h|min|s|g|It)"


def _tied(text: str) -> str:
    """Return `text` with each number and its unit, and both sides of ±, held together on a line."""
    text = re.sub(rf"(?<=\d) (?={_UNITS}(?![\w]))", "\u00a0", text)
    return text.replace(" ± ", "\u00a0±\u00a0").replace("k = 2", "k\u00a0=\u00a02")


def short(value: Any, most: int) -> Any:
    """Return texts, alone or in lists, printable and of at most `most` characters; more cannot stand in their room."""
    if isinstance(value, list):
        return [short(item, most) for item in value]
    if isinstance(value, dict):
        return {key: short(item, most) for key, item in value.items()}
    if not isinstance(value, str):
        return value
    text = printable(value[: 4 * most])
    return text[: most - 1] + "…" if len(text) > most else text


def printable_tree(value: Any) -> Any:
    """Return data with all its texts printable, numbers held to their units."""
    if isinstance(value, dict):
        return {key: printable_tree(item) for key, item in value.items()}
    if isinstance(value, list):
        return [printable_tree(item) for item in value]
    return _tied(short(value, MOST_PRINTED)) if isinstance(value, str) else value


def coded(text: str, most: int) -> str:
    """Return as much of a text as `most` bytes of UTF-8 hold."""
    return text.encode("utf-8")[:most].decode("utf-8", "ignore")
