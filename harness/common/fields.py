"""Plain data (TOML, JSON): tables with known keys, numbers that are numbers, and the words for what is not.

Every refusal says where, which key or value, and what is accepted; what a file holds is shown cut, on one line.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from amphora.drivers.described import finite_number, keys_of, name_shown, shown, unknown
from amphora.harness.common.errors import InputError

__all__ = [
    "as_written",
    "finite",
    "finite_number",
    "keys_of",
    "name_shown",
    "near_file",
    "shown",
    "table_of",
    "text_of",
    "unknown",
    "why_unreadable",
]

T = TypeVar("T")


def why_unreadable(error: Exception) -> str:
    """Return in plain words why a file cannot be read: its kind, its rights, or that it is no text."""
    if isinstance(error, IsADirectoryError):
        return "it is a folder; a file is accepted"
    if isinstance(error, UnicodeDecodeError):
        return f"byte {error.start} is no UTF-8 text; a text file is accepted"
    return str(getattr(error, "strerror", None) or error)


def near_file(path: Path) -> str:
    """Return " ('bench.toml' is near)" where the folder of a file that is not there has one of nearly that name."""
    try:
        names = [one.name for one in path.absolute().parent.iterdir()]
    except OSError:
        return ""
    near = get_close_matches(path.name, names, 1, 0.7)
    return f" ({str(path.with_name(near[0]))!r} is near)" if near else ""


def table_of(data: object, where: str, known: Collection[str], needed: Sequence[str] = ()) -> Mapping[str, Any]:
    """Return `data` as a table that has only `known` keys, and all that are `needed`.

    Raises:
        InputError: it is no table, or a key is not known or missing; names the place and what is accepted.
    """
    if not isinstance(data, Mapping):
        raise InputError(f"{where}: {shown(data)} is not a table; one with {', '.join(known)} is accepted")
    for key in data:
        if key not in known:
            raise InputError(f"{where}: {unknown('key', key, known)}")
    for key in needed:
        if key not in data:
            raise InputError(f"{where}: key {key!r} is missing; {', '.join(needed)} have to be there")
    return data


def as_written(kind: type[T], data: object, where: str, needed: Sequence[str] = ()) -> T:
    """Return a table out of a file as a frozen type that has a field for each key that is accepted (`keys_of`).

    The values are as they stand in the file; what is not there is the field's default. Whoever reads the field says
    what its value has to be.

    Raises:
        InputError: it is no table, or a key is not known or missing.
    """
    known = keys_of(kind)
    return kind(**{known[key]: value for key, value in table_of(data, where, known, needed).items()})


def text_of(value: object, where: str) -> str:
    """Return a text as such.

    Raises:
        InputError: it is none.
    """
    if not isinstance(value, str):
        raise InputError(f"{where}: {shown(value)} is not accepted; a text in quotes is")
    return value


def finite(value: Any) -> Any:
    """Return data as JSON holds it: arrays as lists, paths as text, None for every number that is not finite."""
    kind = type(value)
    if kind is float:
        return value if math.isfinite(value) else None
    if value is None or kind is str or kind is bool or kind is int:
        return value
    if isinstance(value, Mapping):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    if hasattr(value, "tolist"):
        return finite(value.tolist())
    return str(value) if hasattr(value, "__fspath__") else value  # a path; pure rooms that come here load no pathlib
