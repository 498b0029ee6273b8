"""Questions to a person at the terminal: nonsense asks again, and where there is no terminal nobody is asked."""

import sys
from collections.abc import Callable, Sequence
from typing import TypeVar

from amphora.harness.common.errors import InputError

T = TypeVar("T")


def fill_in(question: str, given: str | None, default: str) -> str:
    """Return what was given as an option, else what a person types, else the default where there is no terminal."""
    if given is not None:
        return given
    if not sys.stdin.isatty():
        return default
    return ask_for(f"{question}{f' [{default}]' if default else ''}: ", str.strip) or default


def choose(question: str, given: str | None, accepted: Sequence[str], default: str | None = None) -> str:
    """Return one of several words; the first is the default unless another is named.

    Raises:
        InputError: what was given as an option is none of them.
    """
    usual = accepted[0] if default is None else default

    def one_of(text: str) -> str:
        word = text.strip() or usual
        if word not in accepted:
            raise InputError(f"{word!r} is not accepted; {', '.join(accepted)} are")
        return word

    if given is not None:
        return one_of(given)
    if not sys.stdin.isatty():
        return usual
    return ask_for(f"{question} ({', '.join(accepted)}) [{usual}]: ", one_of)


def ask_for(prompt: str, read: Callable[[str], T]) -> T:
    """Ask until `read` takes what was typed.

    Raises:
        InputError: standard input ended.
    """
    while True:
        sys.stderr.write(f">>> {prompt}")
        sys.stderr.flush()
        line = sys.stdin.readline()
        if not line:
            raise InputError(f"nothing was typed for: {prompt.strip(': ')}")
        try:
            return read(line.strip())
        except InputError as error:
            sys.stderr.write(f"{error}\n")
