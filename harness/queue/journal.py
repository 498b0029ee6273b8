"""The queue's journal: `queue.jsonl` beside the cells. Append only; how the bag stands is the fold over it."""

import json
import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from amphora.harness.archive.journal import sync_folder
from amphora.harness.common.errors import InputError
from amphora.harness.common.locks import Lock, acquire
from amphora.harness.queue.course import Course, load_course
from amphora.harness.queue.happening import CellAdded, Happening, happening_of, happening_to_json
from amphora.harness.queue.room import Room, fold

NAME = "queue.jsonl"


class QueueJournal:
    """The journal of one shelf. Several processes append whole lines; each reads what the others wrote.

    Args:
        logs: The shelf's folder.
    """

    def __init__(self, logs: Path) -> None:
        self.logs = Path(logs)
        self.path = self.logs / NAME
        self.courses: dict[str, Course] = {}
        self.room = Room()
        self._read = 0
        self._line = 0

    def append(self, event: Happening, now: datetime | None = None) -> None:
        """Write what happened, durable, and fold it in.

        Raises:
            OSError: the disk refuses; nothing was changed.
        """
        utc = (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="milliseconds")
        data = happening_to_json(replace(event, utc=utc))
        line = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
        new = not self.path.exists()
        self.logs.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(self.path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            size = os.lseek(descriptor, 0, os.SEEK_END)
            torn = False
            if size:
                os.lseek(descriptor, -1, os.SEEK_END)
                torn = os.read(descriptor, 1) != b"\n"
            whole = (b"\n" if torn else b"") + line.encode("utf-8") + b"\n"
            if os.write(descriptor, whole) != len(whole):
                os.ftruncate(descriptor, size)
                raise OSError(28, "No space left on device")
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        if new:
            sync_folder(self.logs)
        self.refresh()

    def refresh(self) -> Room:
        """Read what was appended since, by whomever, and return how everything stands.

        Raises:
            InputError: a line is damaged: file, line and what is wrong.
        """
        try:
            with self.path.open("rb") as file:
                file.seek(self._read)
                data = file.read()
        except FileNotFoundError:
            return self.room
        end = data.rfind(b"\n") + 1  # a torn last line is no event
        events = []
        for line in data[:end].splitlines():
            self._line += 1
            event = self._event(line)
            if event is not None:
                events.append(event)
        self._read += end
        for event in events:
            if isinstance(event, CellAdded) and event.course not in self.courses:
                self.courses[event.course] = load_course(event.course)
        self.room = fold(events, self.courses, self.room)
        return self.room

    def _event(self, line: bytes) -> Happening | None:
        if not line.strip():
            return None
        try:
            return happening_of(json.loads(line))
        except (ValueError, AttributeError) as error:
            if self._torn(line):
                return None
            raise InputError(
                f"{self.path}, line {self._line}: is no event of the queue ({error}); put the line right or take it out"
            ) from error

    @staticmethod
    def _torn(line: bytes) -> bool:
        """A line that a dead computer left half written, and the next one closed."""
        return line.startswith(b"{") and not line.rstrip().endswith(b"}")


def hold(logs: Path) -> Lock:
    """Hold the queue: one `queue run` for a shelf.

    Raises:
        InputError: another one is at work.
    """
    Path(logs).mkdir(parents=True, exist_ok=True)
    return acquire(Path(logs) / ".queue.lock", "a queue", "the queue of this shelf")


__all__ = ["NAME", "QueueJournal", "hold"]
