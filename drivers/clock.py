"""Real time for a bench: a clock that never goes back and counts on while the computer sleeps."""

import time
from datetime import UTC, datetime, timedelta

_BOOTTIME = getattr(time, "CLOCK_BOOTTIME", None)


def _elapsed_s() -> float:
    """Seconds since some fixed moment, suspend included where the system has such a clock."""
    if _BOOTTIME is not None:
        return time.clock_gettime(_BOOTTIME)
    return time.monotonic()


class RealClock:
    """The computer's own time."""

    virtual = False
    counts_suspend = _BOOTTIME is not None

    def now_s(self) -> float:
        """Seconds on a clock that never goes back."""
        return _elapsed_s()

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
    """

    def __init__(self, factor: float) -> None:
        self.factor = factor
        self._begin_s = _elapsed_s()
        self._begin_utc = datetime.now(UTC)

    def now_s(self) -> float:
        """Seconds of the bench."""
        return (_elapsed_s() - self._begin_s) * self.factor

    def utc(self) -> datetime:
        """The bench's wall clock: began right, runs fast."""
        return self._begin_utc + timedelta(seconds=self.now_s())

    def sleep(self, seconds: float) -> None:
        """Wait for that long on the bench."""
        if seconds > 0:
            time.sleep(seconds / self.factor)
