"""Who answers when a step asks for a person: somebody at the terminal, or the simulated bench."""

import sys
import threading
from collections.abc import Callable

from amphora.harness.common.errors import InputError


class TerminalPerson:
    """Asks on standard error and takes Return on standard input for 'done'. Never blocks the run."""

    def __init__(self) -> None:
        self._done = threading.Event()
        self._thread: threading.Thread | None = None

    def ask(self, text: str) -> None:
        """Put a request; returns at once."""
        self._done.clear()
        sys.stderr.write(f"\n\a>>> {text}\n>>> Return when it is done: ")
        sys.stderr.flush()
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._wait, name="person", daemon=True)
            self._thread.start()

    present = True

    def answered(self) -> bool:
        """Whether the last request has been done."""
        return self._done.is_set()

    def show(self, text: str) -> None:
        """Say what to do; the bench itself sees that it was done."""
        sys.stderr.write(f"\n\a>>> {text}\n")
        sys.stderr.flush()

    def _wait(self) -> None:
        if sys.stdin.readline():
            self._done.set()


class ObligingPerson:
    """Does at once what is asked: the person of the simulated bench.

    Args:
        only_when: False: nobody is there; asking is refused with one sentence.
        hands: Called with the words of each request: what the person then does on the simulated bench.
    """

    def __init__(self, only_when: bool = True, hands: Callable[[str], None] | None = None) -> None:
        self._there = only_when
        self._hands = hands
        self.asked: list[str] = []

    def ask(self, text: str) -> None:
        """Note the request.

        Raises:
            InputError: nobody is there to answer.
        """
        self.asked.append(text)
        if not self._there:
            raise InputError(f"nobody can be asked, for standard input is no terminal: start it at one ({text})")
        if self._hands is not None:
            self._hands(text)

    @property
    def present(self) -> bool:
        """Whether there is somebody with hands: who can warm a sensor, or put in a resistor."""
        return self._there and self._hands is not None

    def answered(self) -> bool:
        """Whether the last request has been done."""
        return self._there

    def show(self, text: str) -> None:
        """Do what is said; errors as `ask`."""
        self.ask(text)
