"""A night in step with the board: time passes on the board and in `amphora run` alike, as fast as the machine allows.

Beside the wall, a busy machine that stands still for a second is ten seconds without a beat. Here the board goes on
when the runner waits, and slowly while it works, so a whole night depends on no machine. The runner is a real process,
can be killed, and writes its folder as always. `python -m tests.campaign.in_step FOLDER WORDS...` is `amphora WORDS...`
with its clock taken from FOLDER.
"""

import mmap
import os
import selectors
import socket
import struct
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

from amphora.drivers.clock import RealClock

MS = struct.Struct("<d")
SLICE_MS = 20.0
WORK_S = 0.01  # while the runner works, the board goes on by a slice each so often
SOCKET, NOW, BEGAN = "step", "now", "began"


class Pace:
    """The board's side: says by how many milliseconds to go on, and tells who waits that the time has come."""

    def __init__(self, folder: Path) -> None:
        self.stands = False  # no time passes: somebody is being killed, and that is one moment
        (folder / NOW).write_bytes(MS.pack(0.0))
        (folder / BEGAN).write_text(datetime.now(UTC).isoformat(), "utf-8")
        with (folder / NOW).open("r+b") as file:
            self._now = mmap.mmap(file.fileno(), MS.size)
        self._door = socket.socket(socket.AF_UNIX)
        self._door.bind(str(folder / SOCKET))
        self._door.listen()
        self._waiting: dict[socket.socket, float] = {}
        self._look = selectors.DefaultSelector()
        self._look.register(self._door, selectors.EVENT_READ)

    def next_ms(self, now_ms: float) -> float:
        """Return how far to go on."""
        busy = not self._waiting
        for key, _ in self._look.select(WORK_S if busy else 0.0):
            one = key.fileobj
            assert isinstance(one, socket.socket)
            if one is self._door:
                self._look.register(one.accept()[0], selectors.EVENT_READ)
                continue
            try:
                until = one.recv(MS.size)
            except OSError:
                until = b""
            if len(until) < MS.size:  # it ended, or was killed
                self._look.unregister(one)
                self._waiting.pop(one, None)
                one.close()
            else:
                self._waiting[one] = MS.unpack(until)[0]
        due_ms = min(self._waiting.values(), default=now_ms + SLICE_MS)
        return min(SLICE_MS, max(1.0, due_ms - now_ms))

    def arrived(self, now_ms: float) -> None:
        """Tell what time it is."""
        MS.pack_into(self._now, 0, now_ms)
        for one, until_ms in list(self._waiting.items()):
            if until_ms <= now_ms:
                del self._waiting[one]
                try:
                    one.send(MS.pack(now_ms))
                except OSError:
                    continue

    def end(self) -> None:
        """Leave nothing behind."""
        for key in list(self._look.get_map().values()):
            key.fileobj.close()  # type: ignore[union-attr]
        self._look.close()
        self._now.close()


class StepClock(RealClock):
    """The runner's side: the board's time, the board's date."""

    folder = Path()

    def __init__(self, *_: object) -> None:
        with (self.folder / NOW).open("rb") as file:
            self._now = mmap.mmap(file.fileno(), MS.size, access=mmap.ACCESS_READ)
        self._began = datetime.fromisoformat((self.folder / BEGAN).read_text("utf-8"))
        self._own = threading.local()

    def now_s(self) -> float:
        """Seconds of the board."""
        return float(MS.unpack_from(self._now)[0]) / 1000.0

    def asleep_s(self) -> float:
        """It does not sleep."""
        return 0.0

    def boot(self) -> tuple[str, float]:
        """One start, whichever process asks."""
        return str(self.folder), self.now_s()

    def utc(self) -> datetime:
        """The date on the board's wall."""
        return self._began + timedelta(seconds=self.now_s())

    def sleep(self, seconds: float) -> None:
        """Wait for that long on the board."""
        if seconds <= 0:
            return
        if not hasattr(self._own, "line"):
            self._own.line = socket.socket(socket.AF_UNIX)
            self._own.line.connect(str(self.folder / SOCKET))
        self._own.line.send(MS.pack((self.now_s() + seconds) * 1000.0))
        if not self._own.line.recv(MS.size):
            raise SystemExit("the board is gone")


def main() -> None:
    """Be `amphora`, in the board's time."""
    StepClock.folder = Path(sys.argv[1])
    import amphora.drivers.clock
    import amphora.drivers.serial.board
    import amphora.drivers.serial.logger
    import amphora.harness.running.heartbeat
    from amphora.harness.cli.app import main as amphora_main

    amphora.drivers.clock.ScaledClock = StepClock  # type: ignore[misc,assignment]
    wall = SimpleNamespace(monotonic=StepClock().now_s)  # how old a line is, when a beat is due: by the board's time
    for module in (amphora.drivers.serial.board, amphora.drivers.serial.logger, amphora.harness.running.heartbeat):
        module.time = wall  # type: ignore[attr-defined]
    sys.argv[1:] = sys.argv[2:]
    os.environ["PYTHONUNBUFFERED"] = "1"
    amphora_main()


if __name__ == "__main__":
    main()
