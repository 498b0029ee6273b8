"""Real time for a bench: a clock that never goes back and counts on while the computer sleeps.

Where the system has a second clock that stands still in a suspend, the difference of the two tells
how long the computer has been asleep.
"""

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

if sys.platform == "darwin":  # there, CLOCK_MONOTONIC counts on, and time.monotonic() does not
    _COUNTS_ON, _STANDS_STILL = time.CLOCK_MONOTONIC, time.CLOCK_UPTIME_RAW
else:
    _COUNTS_ON = getattr(time, "CLOCK_BOOTTIME", None)
    _STANDS_STILL = None if _COUNTS_ON is None else time.CLOCK_MONOTONIC


def _elapsed_s() -> float:
    """Seconds since some fixed moment, suspend included where the system has such a clock."""
    if _COUNTS_ON is not None:
        return time.clock_gettime(_COUNTS_ON)
    return time.monotonic()


def _asleep_s() -> float:
    """Seconds the computer has slept since it was started; 0 where no clock tells."""
    if _COUNTS_ON is None or _STANDS_STILL is None:
        return 0.0
    return time.clock_gettime(_COUNTS_ON) - time.clock_gettime(_STANDS_STILL)


def _boot_id() -> str:
    """Return the name of this start of the computer; "" where the system gives none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""


class RealClock:
    """The computer's own time."""

    virtual = False
    counts_suspend = _COUNTS_ON is not None or sys.platform == "win32"  # ticks go on while Windows sleeps

    def now_s(self) -> float:
        """Seconds on a clock that never goes back."""
        return time.clock_gettime(_COUNTS_ON) if _COUNTS_ON is not None else time.monotonic()

    def asleep_s(self) -> float:
        """Seconds the computer has slept, all suspends together; only differences count."""
        return _asleep_s()

    def boot(self) -> tuple[str, float] | None:
        """Which start of the computer this is, and the seconds since; None where the system does not tell.

        Two programs of the same start can compare these seconds, whatever the wall clock was set to.
        """
        name = _boot_id()
        return (name, _elapsed_s()) if name and _COUNTS_ON is not None else None

    def utc(self) -> datetime:
        """The wall clock, aware, UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Wait."""
        if seconds > 0:
            time.sleep(seconds)


class ScaledClock(RealClock):
    """Real time run faster: for simulated instruments that live `factor` times as fast.

    Args:
        factor: How many seconds of the bench pass in one real second.
        begin_utc: What its wall shows at first; None: what this computer's shows.
    """

    def __init__(self, factor: float, begin_utc: datetime | None = None) -> None:
        self.factor = factor
        self._begin_s = _elapsed_s()
        self._begin_utc = begin_utc or datetime.now(UTC)

    def now_s(self) -> float:
        """Seconds of the bench."""
        return (_elapsed_s() - self._begin_s) * self.factor

    def asleep_s(self) -> float:
        """Seconds of the bench that the computer has slept."""
        return _asleep_s() * self.factor

    def boot(self) -> tuple[str, float] | None:
        """As for the real clock, in seconds of the bench."""
        boot = super().boot()
        return None if boot is None else (f"{boot[0]} x{self.factor:g}", boot[1] * self.factor)

    def utc(self) -> datetime:
        """The bench's wall clock: runs fast from where it began."""
        return self._begin_utc + timedelta(seconds=self.now_s())

    def sleep(self, seconds: float) -> None:
        """Wait for that long on the bench."""
        if seconds > 0:
            time.sleep(seconds / self.factor)
