"""Reading plain data (TOML, JSON): tables with known fields, numbers that are numbers."""

import math
from collections.abc import Sequence
from typing import Any

from harness.errors import InputError


def table_of(data: object, where: str, known: Sequence[str], needed: Sequence[str] = ()) -> dict[str, Any]:
    """Return `data` as a table that has only `known` fields, and all that are `needed`.

    Raises:
        InputError: it is no table, or a field is not known or missing; names the place.
    """
    if not isinstance(data, dict):
        raise InputError(f"{where}: is no table")
    for key in data:
        if key not in known:
            raise InputError(f"{where}: field {key!r} is not known; {', '.join(known)} are accepted")
    for key in needed:
        if key not in data:
            raise InputError(f"{where}: field {key!r} is missing")
    return data


def finite_number(value: object) -> float | None:
    """Return a finite number as such; None for anything else, a truth value included."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
