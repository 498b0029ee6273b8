"""Plain data (TOML, JSON): tables with known keys, numbers that are numbers, and the words for what is not.

Every refusal says where, which key or value, and what is accepted; what a file holds is shown cut, on one line.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from amphora.harness.common.errors import InputError

SHOWN_LENGTH = 60


def why_unreadable(error: Exception) -> str:
    """Return in plain words why a file cannot be read: its kind, its rights, or that it is no text."""
    if isinstance(error, IsADirectoryError):
        return "it is a folder; a file is accepted"
    if isinstance(error, UnicodeDecodeError):
        return f"byte {error.start} is no UTF-8 text; a text file is accepted"
    return str(getattr(error, "strerror", None) or error)


def shown(value: object) -> str:
    """Return a value as a message shows it: one line, at most about 60 characters of what a file may hold."""
    if isinstance(value, str):
        return repr(value[:SHOWN_LENGTH]) + "…" * (len(value) > SHOWN_LENGTH)
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # thousands of digits, or of levels
        return f"a value too long to show ({type(value).__name__})"
    return text[:SHOWN_LENGTH] + "…" * (len(text) > SHOWN_LENGTH)


def name_shown(name: object) -> str:
    """Return a name that a file gives, as part of a place: as it stands where it is short and can be printed."""
    text = str(name)
    return text if len(text) <= SHOWN_LENGTH and text.isprintable() else shown(text)


def unknown(what: str, name: object, accepted: Collection[str], more: str = "") -> str:
    """Return the sentence for a name that is none of those accepted, with the nearest of them where one is near.

    Args:
        what: What is named: 'key', 'chemistry' ...
        name: As given.
        accepted: The names there are.
        more: What else is accepted, behind the list.
    """
    from difflib import get_close_matches

    near = get_close_matches(str(name)[:SHOWN_LENGTH], accepted, 1, 0.7) if isinstance(name, str) else []
    hint = f" ({near[0]!r} is near)" if near else ""
    verb = "is" if len(accepted) == 1 else "are"
    listed = ", ".join(map(name_shown, accepted))
    return f"{what} {shown(name)} is not known; {listed} {verb} accepted{more}{hint}"


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


def text_of(value: object, where: str) -> str:
    """Return a text as such.

    Raises:
        InputError: it is none.
    """
    if not isinstance(value, str):
        raise InputError(f"{where}: {shown(value)} is not accepted; a text in quotes is")
    return value


def finite_number(value: object) -> float | None:
    """Return a finite number as such; None for anything else, a truth value included."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:  # a whole number beyond every float
        return None
    return number if math.isfinite(number) else None


def finite(value: Any) -> Any:
    """Return data as JSON holds it: arrays as lists, paths as text, None for every number that is not finite."""
    kind = type(value)
    if kind is float:
        return value if math.isfinite(value) else None
    if value is None or kind is str or kind is bool or kind is int:
        return value
    if isinstance(value, dict):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    if hasattr(value, "tolist"):
        return finite(value.tolist())
    return str(value) if hasattr(value, "__fspath__") else value  # a path; pure rooms that come here load no pathlib
