"""Writes into the events of a run whose runner is dead; never raises. The watchdog's hand in the journal."""

import contextlib
import json
import math
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from amphora.harness.archive.run_folder import EVENTS, KEEPER, SAMPLES
from amphora.harness.control.events import Event, Stopped, event_of, event_to_json, stamped

if TYPE_CHECKING:
    pass


class DeadRunRecord:
    """Appends to the events of a run whose runner is dead; never raises.

    A run that had ended for good (an output would not go off at its end) keeps its last event last:
    the record then goes to `keeper.jsonl` beside.
    """

    def __init__(self, folder: Path, speed_up: float = 1.0) -> None:
        self.path = folder / EVENTS
        self.speed_up = speed_up
        self.rows, row_t_s = _rows(folder / SAMPLES)
        event_t_s, event_wall_s, ended = _last_event(self.path)
        self._flags = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
        if ended:  # nothing may follow the last event of a run that ended for good
            self.path = folder / KEEPER
            self._flags |= os.O_CREAT
        wall_s = [event_wall_s]
        with contextlib.suppress(OSError):
            wall_s.append((folder / SAMPLES).stat().st_mtime)
        # The run's clock is gone; wall time since the last thing written stands in for it.
        self._t_s = max(row_t_s, event_t_s)
        self._since_s = max(0.0, time.time() - max(wall_s)) if max(wall_s) > 0 else 0.0
        self._began_s = time.monotonic()

    def now_s(self) -> float:
        """The run's time as well as it can be known."""
        return self._t_s + (self._since_s + time.monotonic() - self._began_s) * self.speed_up

    def append(self, event: Event) -> None:
        """Append one event, durable; again for a while when the disk refuses."""
        utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        written = event_to_json(stamped(event, round(self.now_s(), 4), utc, self.rows))
        line = json.dumps(written, ensure_ascii=False, separators=(",", ":")).encode("utf-8") + b"\n"
        for _ in range(5):
            try:
                self._append(line)
                return
            except FileNotFoundError:
                return  # the run had not begun to write: nothing was ever on
            except OSError:
                time.sleep(0.2)

    def _append(self, line: bytes) -> None:
        descriptor = os.open(self.path, self._flags, 0o644)
        try:
            size = os.lseek(descriptor, 0, os.SEEK_END)
            if size:
                os.lseek(descriptor, -1, os.SEEK_END)
                if os.read(descriptor, 1) != b"\n":
                    line = b" torn\n" + line  # the journal's mark of a line that was cut short
            os.write(descriptor, line)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _rows(path: Path) -> tuple[int, float]:
    """Return (complete rows, t_s of the last one)."""
    rows, last = 0, b""
    try:
        with path.open("rb") as file:
            next(file, None)
            for line in file:
                if line.endswith(b"\n") and not line.endswith(b" torn\n"):
                    rows += 1
                    last = line
    except OSError:
        return 0, 0.0
    try:
        return rows, _finite(float(last.split(b",")[0])) if last else 0.0
    except ValueError:
        return rows, 0.0


def _finite(number: float) -> float:
    """Return it, or 0 for what is no time: a damaged file must not stop the record."""
    return number if math.isfinite(number) else 0.0


def _last_event(path: Path) -> tuple[float, float, bool]:
    """Return (t_s of the last whole event, when the file was written in seconds since 1970, whether it ended)."""
    t_s, wall_s, ended = 0.0, 0.0, False
    try:
        wall_s = path.stat().st_mtime
        with path.open("rb") as file:
            for line in file:
                with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError):
                    event = event_of(json.loads(line))
                    t_s = _finite(event.t_s)
                    ended = isinstance(event, Stopped) and event.ends_it
    except OSError:
        pass
    return t_s, wall_s, ended
