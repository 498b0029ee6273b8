"""Who answers when a step asks for a person: somebody at the terminal, or the hands of a simulated bench."""

import sys
import threading
from collections.abc import Callable

from amphora.drivers.errors import DriverError
from amphora.harness.common.errors import InputError


class TerminalPerson:
    """Asks on standard error and takes Return on standard input for 'done'. Never blocks the run.

    Args:
        hands: On a simulated bench: what does the act (`drivers.hands.ACTS`) once Return was pressed.
    """

    def __init__(self, hands: Callable[[str], None] | None = None) -> None:
        self._done = threading.Event()
        self._thread: threading.Thread | None = None
        self._hands = hands
        self._act = ""

    def ask(self, text: str, act: str = "") -> None:
        """Put a request; returns at once."""
        self._done.clear()
        self._act = act
        sys.stderr.write(f"\n\a>>> {text}\n>>> {self._how()}: ")
        sys.stderr.flush()
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._wait, name="person", daemon=True)
            self._thread.start()

    present = True

    def answered(self) -> bool:
        """Whether the last request has been done."""
        return self._done.is_set()

    def show(self, text: str, act: str = "") -> None:
        """Say what to do; the bench itself sees that it was done. With simulated hands, Return makes them do it."""
        sys.stderr.write(f"\n\a>>> {text}\n")
        if self._hands is not None:
            sys.stderr.write(f">>> {self._how()}: ")
            sys.stderr.flush()
            sys.stdin.readline()
            self._hands(act)
        sys.stderr.flush()

    def _how(self) -> str:
        return "Return when it is done" if self._hands is None else "Return: the simulated hands do it"

    def _wait(self) -> None:
        if not sys.stdin.readline():
            return
        if self._hands is not None:
            try:
                self._hands(self._act)
            except DriverError as error:
                sys.stderr.write(f"{error}\n")
                return
        self._done.set()


class ObligingPerson:
    """Does at once what is asked: the person of the simulated bench.

    Args:
        only_when: False: nobody is there; asking is refused with one sentence.
        hands: Called with the act of each request (`drivers.hands.ACTS`), never with its words.
    """

    def __init__(self, only_when: bool = True, hands: Callable[[str], None] | None = None) -> None:
        self._there = only_when
        self._hands = hands
        self.asked: list[str] = []

    def ask(self, text: str, act: str = "") -> None:
        """Note the request, and do its act.

        Raises:
            InputError: nobody is there to answer.
        """
        self.asked.append(text)
        if not self._there:
            raise InputError(f"nobody can be asked, for standard input is no terminal: start it at one ({text})")
        if self._hands is not None:
            self._hands(act)

    @property
    def present(self) -> bool:
        """Whether there is somebody with hands: who can warm a sensor, or put in a resistor."""
        return self._there and self._hands is not None

    def answered(self) -> bool:
        """Whether the last request has been done."""
        return self._there

    def show(self, text: str, act: str = "") -> None:
        """Do what is said; errors as `ask`."""
        self.ask(text, act)
