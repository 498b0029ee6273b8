"""Reads a bench's smoke or heat alarm beside whatever else goes on, by a thread of its own.

The runner has one, and its keeper has one: neither a dead queue, nor a dead or hung runner keeps a bay on. A file that
hangs is an alarm as well: nobody would be told of smoke.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from amphora.harness.bench.alarm_input import AlarmInput

EVERY_S = 1.0
STILL_S = 5.0  # a read that takes longer hangs


class AlarmWatch:
    """Says why everything has to stop, once something has said so; it stays so."""

    def __init__(self, source: AlarmInput, call: Callable[[str], None] = lambda why: None) -> None:
        self.why = ""
        self.since_s = 0.0  # of `time.monotonic`
        self._source, self._call = source, call
        self._asked_s: float | None = None
        self._over = threading.Event()
        self._lock = threading.Lock()

    def start(self) -> "AlarmWatch":
        """Begin to read."""
        for work in (self._read, self._see_that_it_reads):
            threading.Thread(target=work, name="smoke-alarm", daemon=True).start()
        return self

    def end(self) -> None:
        """Read no more."""
        self._over.set()

    def _read(self) -> None:
        while not self._over.is_set():
            self._asked_s = time.monotonic()
            why = self._source.read()
            self._asked_s = None
            if why:
                self._raise(why)
                return
            self._over.wait(EVERY_S)

    def _see_that_it_reads(self) -> None:
        while not self._over.wait(EVERY_S):
            asked_s = self._asked_s
            if asked_s is not None and time.monotonic() - asked_s > STILL_S:
                self._raise(f"the smoke or heat alarm cannot be read ({self._source.file}: no answer in {STILL_S:g} s)")

    def _raise(self, why: str) -> None:
        with self._lock:
            if self.why or self._over.is_set():
                return
            self.since_s = time.monotonic()
            self.why = why
            self._over.set()
        self._call(why)


@contextmanager
def watched(source: AlarmInput | None, call: Callable[[str], None]) -> Iterator[AlarmWatch | None]:
    """Read it for a while; nothing where the bench has none."""
    if source is None:
        yield None
        return
    watch = AlarmWatch(source, call).start()
    try:
        yield watch
    finally:
        watch.end()
