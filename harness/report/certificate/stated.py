"""Numbers and texts as a certificate states them."""

import math
import re
from typing import Any

_TEXT_LIMIT = 1200
_KEPT = "\u00a0\u202f\u200c\u200d"  # spaces that do not break, joiners of letters; never a turn of direction


def number(value: Any) -> float | None:
    """Return a finite number at nine significant digits, or None."""
    if hasattr(value, "item"):  # a number of numpy
        value = value.item()
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(f"{value:.9g}") if math.isfinite(value) else None


def text(value: Any) -> str:
    """Return text for the certificate: one paragraph, no control characters, of bounded length."""
    text = "" if value is None else str(value)
    text = "".join(char if char.isprintable() or char in _KEPT else " " for char in text)
    text = re.sub(r" +", " ", text).strip(" ")
    return text if len(text) <= _TEXT_LIMIT else text[: _TEXT_LIMIT - 1] + "…"
