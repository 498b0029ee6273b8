"""The queue's journal: `queue.jsonl` beside the cells. Append only; how the bag stands is the fold over it."""

import json
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import sync_folder
from amphora.harness.common.errors import InputError
from amphora.harness.common.locks import Lock, acquire
from amphora.harness.queue.course import Course, load_course
from amphora.harness.queue.room import Room, fold

NAME = "queue.jsonl"
NEEDED: dict[str, tuple[str, ...]] = {
    "added": ("cell", "course"), "moved": ("cell", "to"), "dropped": ("cell",), "assigned": ("cell", "bay"),
    "hands": ("cell", "bay", "what"), "began": ("cell", "stage", "bay"), "pausing": ("cell",),
    "ended": ("cell", "stage", "bay", "reason", "exit_code"), "apart": ("cell", "why"), "spared": ("cell", "why"),
    "bay-stopped": ("bay", "why"), "bay-cleared": ("bay",), "group-stopped": ("bays", "why"), "alarm": ("text",),
    "alarm-cleared": ("text",),
}  # fmt: skip


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

    def append(self, kind: str, now: datetime | None = None, **fields: Any) -> None:
        """Write one event, durable, and fold it in.

        Raises:
            OSError: the disk refuses; nothing was changed.
        """
        utc = (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="milliseconds")
        line = json.dumps({"kind": kind, "utc": utc, **fields}, ensure_ascii=False, separators=(",", ":"))
        new = not self.path.exists()
        self.logs.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(self.path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            size = os.lseek(descriptor, 0, os.SEEK_END)
            torn = False
            if size:
                os.lseek(descriptor, -1, os.SEEK_END)
                torn = os.read(descriptor, 1) != b"\n"
            data = (b"\n" if torn else b"") + line.encode("utf-8") + b"\n"
            if os.write(descriptor, data) != len(data):
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
            if event["kind"] == "added" and event["course"] not in self.courses:
                self.courses[event["course"]] = load_course(event["course"])
        self.room = fold(events, self.courses, self.room)
        return self.room

    def _event(self, line: bytes) -> Mapping[str, Any] | None:
        if not line.strip():
            return None
        where = f"{self.path}, line {self._line}"
        try:
            event = json.loads(line)
            kind = event["kind"]
            datetime.fromisoformat(event["utc"])
            missing = [key for key in NEEDED.get(kind, ()) if key not in event]
        except (ValueError, KeyError, TypeError) as error:
            if self._torn(line):
                return None
            raise InputError(
                f"{where}: is no event of the queue ({error}); put the line right or take it out"
            ) from error
        if missing:
            raise InputError(f"{where}: {kind} lacks {', '.join(missing)}; put the line right or take it out")
        return event if kind in NEEDED else None

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
