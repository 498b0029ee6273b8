"""What a signal does for a while: one handler for some, and whatever was there before put back."""

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Any


def numbers(*names: str) -> tuple[int, ...]:
    """Return the signals of these names that this system has."""
    return tuple(getattr(signal, name) for name in names if hasattr(signal, name))


WORDS = {"SIGINT": "Ctrl-C (SIGINT)", "SIGTERM": "asked to end (SIGTERM)", "SIGHUP": "the terminal is gone (SIGHUP)"}


def in_words(name: str) -> str:
    """Return what a person calls a signal."""
    return WORDS.get(name, name)


def ignored(number: int) -> bool:
    """Tell whether a signal is ignored by whoever started this program, as a hang-up is by nohup."""
    return signal.getsignal(number) is signal.SIG_IGN


@contextmanager
def handled(handler: Callable[[int, FrameType | None], None], which: Sequence[int]) -> Iterator[None]:
    """Handle these signals; beside the main thread, where Python allows none of that, nothing is changed."""
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for number in which:
            before[number] = signal.signal(number, handler)
    try:
        yield
    finally:
        for number, one in before.items():
            signal.signal(number, one)


class Signals:
    """Notes which signal asked for an end; a second one changes nothing about being made safe.

    Attributes:
        name: The last one; "" while none came.
    """

    def __init__(self) -> None:
        self.name = ""

    @contextmanager
    def noted(self) -> Iterator[None]:
        """Note interrupt, end and hang-up (nohup is heeded) for a while."""
        hang_up = [number for number in numbers("SIGHUP") if not ignored(number)]
        with handled(self._note, (*numbers("SIGINT", "SIGTERM"), *hang_up)):
            yield

    def _note(self, number: int, frame: FrameType | None) -> None:
        del frame
        self.name = signal.Signals(number).name
