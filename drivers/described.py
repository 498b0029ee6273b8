"""What messages show: of a bench file, a dialect or a line format, and of what an instrument answered.

The words are those of `common.fields`, which this room does not know.
"""

import math
from collections.abc import Collection, Iterable
from difflib import get_close_matches

from amphora.drivers.errors import DescriptionError

SHOWN_LENGTH = 60


def shown(value: object) -> str:
    """Return a value as a message shows it: one line, at most about 60 characters; bytes without their b."""
    if isinstance(value, str | bytes):
        return repr(value[:SHOWN_LENGTH]).removeprefix("b") + "…" * (len(value) > SHOWN_LENGTH)
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # thousands of digits, or of levels
        return f"a value too long to show ({type(value).__name__})"
    return text[:SHOWN_LENGTH] + "…" * (len(text) > SHOWN_LENGTH)


def check_keys(table: Iterable[str], accepted: Collection[str], where: str) -> None:
    """Refuse a key that is not known.

    Raises:
        DescriptionError: names the place, the key, what is accepted and what of it is near.
    """
    for key in table:
        if key not in accepted:
            near = get_close_matches(str(key)[:SHOWN_LENGTH], accepted, 1, 0.7)
            hint = f" ({near[0]!r} is near)" if near else ""
            verb = "is" if len(accepted) == 1 else "are"
            raise DescriptionError(
                f"{where}: key {shown(key)} is not known; {', '.join(accepted)} {verb} accepted{hint}"
            )


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
