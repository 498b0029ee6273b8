"""A check of the bench that a person is guided through: asked and waited for, all off on every way out."""

import math
import signal
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from amphora.drivers.errors import DriverError
from amphora.drivers.roles import Clock
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import BenchError, InputError, Interrupted, Terminated
from amphora.harness.common.signals import handled, ignored, numbers
from amphora.harness.running.people import Attendant
from amphora.harness.running.switch_off import make_all_safe, off_limit_A, sheet_of
from amphora.harness.running.watchdog import Keeper, beating

ANSWER_WITHIN_S = 1800.0

Tell = Callable[[str], None]


@contextmanager
def guarded(rig: Rig, clock: Clock, tell: Tell) -> Iterator[None]:
    """Switch all off on every way out; where this program is ended for good, the keeper does.

    Raises:
        BenchError: something is still on; told before, and what the keeper achieved.
        Interrupted: the system asked to end, or the terminal was closed.
    """
    keeper: Keeper | None = None
    names = rig.energising()
    if names and rig.description.where != "simulated":
        # There is no run to record in.
        nowhere = Path(tempfile.gettempdir()) / "amphora-bench-check" / rig.description.name
        keeper = Keeper.start(rig.description, nowhere, sheet_of(rig.description, rig.instruments))
    try:
        with beating(keeper, lambda: None, math.inf), _signals_raise():
            try:
                yield
            finally:
                with _signals_wait():
                    _all_off_or_keeper(rig, clock, tell, keeper)
    finally:
        if keeper is not None:
            keeper.bye()


def _all_off_or_keeper(rig: Rig, clock: Clock, tell: Tell, keeper: Keeper | None) -> None:
    try:
        all_off(rig, clock)
    except BenchError as error:
        if keeper is None:
            raise
        tell(f"! {error}; the keeper goes on trying")
        for name in rig.energising():  # two do not talk to one instrument
            with suppress(DriverError, OSError):
                rig.instruments[name].close()
        keeper.take_over()
        off, words, _ = keeper.achieved()
        raise BenchError(words if off else f"{error}; {words}") from error


SIGNALS = numbers("SIGTERM", "SIGHUP")


@contextmanager
def _signals_raise() -> Iterator[None]:
    """Let what would end the program on the spot go the way of Ctrl-C."""

    def end(number: int, frame: object) -> None:
        del frame
        kind = Terminated if number == signal.SIGTERM else Interrupted
        raise kind(f"{signal.Signals(number).name}: the check was cut short; outputs are off, read back")

    with handled(end, _heeded(SIGNALS)):
        yield


@contextmanager
def _signals_wait() -> Iterator[None]:
    """Let no signal cut short what switches off; another Ctrl-C changes nothing."""
    with handled(lambda number, frame: None, _heeded((*SIGNALS, signal.SIGINT))):
        yield


def _heeded(which: Sequence[int]) -> list[int]:
    return [number for number in which if not ignored(number)]


def all_off(rig: Rig, clock: Clock) -> None:
    """Switch everything off and see that it is.

    Raises:
        BenchError: something is still on.
    """
    limits_A = {name: off_limit_A(rig.description, name) for name in rig.instruments}
    made = make_all_safe(rig.instruments, clock, limits_A)
    still = [f"{name} ({one.text})" for name, one in made.items() if not one.off]
    if still:
        raise BenchError(f"{', '.join(still)}: MAY STILL BE ON: pull the leads now")


def ask_and_wait(person: Attendant, clock: Clock, text: str, act: str = "") -> None:
    """Have a person do something, and wait for the answer.

    Raises:
        InputError: nobody answered within half an hour.
    """
    person.ask(text, act)
    begin_s = clock.now_s()
    while not person.answered():
        if clock.now_s() - begin_s > ANSWER_WITHIN_S:
            raise InputError(f"nobody answered within {ANSWER_WITHIN_S / 60:g} min: {text}")
        clock.sleep(0.2)
