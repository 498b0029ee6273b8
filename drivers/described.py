"""What messages show of a file that a person wrote, and of what an instrument answered: one form of sentence.

A leaf that every room may use; `harness/common/fields` adds the harness's own errors.
"""

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import fields
from functools import cache
from typing import Any, TypeVar

from amphora.drivers.errors import DescriptionError

SHOWN_LENGTH = 60
T = TypeVar("T")


def shown(value: object) -> str:
    """Return a value as a message shows it: one line, at most about 60 characters; bytes without their b."""
    if isinstance(value, str | bytes):
        return repr(value[:SHOWN_LENGTH]).removeprefix("b") + "…" * (len(value) > SHOWN_LENGTH)
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


def check_keys(table: Iterable[str], accepted: Collection[str], where: str) -> None:
    """Refuse a key that is not known.

    Raises:
        DescriptionError: names the place, the key, what is accepted and what of it is near.
    """
    for key in table:
        if key not in accepted:
            raise DescriptionError(f"{where}: {unknown('key', key, accepted)}")


def keys_of(kind: type[Any]) -> Mapping[str, str]:
    """Return the keys that a table may have which is read as that type, and the field that each fills.

    A key is its field's name; where that is no name in Python, it is one with a `_` behind it (`is_`).
    """
    return _keys_of(kind)  # type: ignore[arg-type]  # a class is hashable


@cache
def _keys_of(kind: type[Any]) -> Mapping[str, str]:
    return {item.name.removesuffix("_"): item.name for item in fields(kind)}


def as_written(kind: type[T], table: Mapping[str, Any], where: str) -> T:
    """Return a table out of a file as a frozen type that has a field for each key that is accepted.

    The values are as they stand in the file; what is not there is the field's default. Whoever reads the field says
    what its value has to be.

    Raises:
        DescriptionError: a key is not known.
    """
    known = keys_of(kind)
    check_keys(table, known, where)
    return kind(**{known[key]: value for key, value in table.items()})


def finite_number(value: object) -> float | None:
    """Return a finite number as such; None for anything else, a truth value included."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:  # a whole number beyond every float
        return None
    return number if math.isfinite(number) else None


def text_of(value: object, where: str) -> str:
    """Return a text as such.

    Raises:
        DescriptionError: it is none.
    """
    if not isinstance(value, str):
        raise DescriptionError(f"{where}: {shown(value)} is not accepted; a text in quotes is")
    return value
