"""A clock that moves only when somebody sleeps: a night takes seconds, the same each time."""

from datetime import UTC, datetime, timedelta

BEGIN = datetime(2026, 3, 13, 20, 0, tzinfo=UTC)


class VirtualClock:
    """Implements `drivers.roles.Clock`.

    Args:
        begin_utc: What the wall clock shows at first.
    """

    virtual = True

    def __init__(self, begin_utc: datetime = BEGIN) -> None:
        self._now_s = 0.0
        self._begin_utc = begin_utc
        self._wall_offset_s = 0.0
        self._suspend: list[tuple[float, float]] = []
        self._asleep_s = 0.0
        self._starts = 1

    def now_s(self) -> float:
        """Seconds since the bench began; counts on through a suspend."""
        return self._now_s

    def utc(self) -> datetime:
        """The wall clock, which may be set."""
        return self._begin_utc + timedelta(seconds=self._now_s + self._wall_offset_s)

    def sleep(self, seconds: float) -> None:
        """Move on at once."""
        if seconds > 0:
            self._now_s += seconds
        if self._suspend and self._now_s >= self._suspend[0][0]:
            for_s = self._suspend.pop(0)[1]
            self._now_s += for_s
            self._asleep_s += for_s

    def asleep_s(self) -> float:
        """Seconds the computer has been asleep, all together."""
        return self._asleep_s

    def boot(self) -> tuple[str, float]:
        """Which start of the computer this is, and the seconds on its own clock."""
        return f"virtual-{self._starts}", self._now_s

    def restart(self) -> None:
        """Have the computer started anew: its own clock tells nothing of before."""
        self._starts += 1

    def suspend_at(self, at_s: float, for_s: float) -> None:
        """Have the computer asleep from a moment on, for that long."""
        self._suspend.append((at_s, for_s))
        self._suspend.sort()

    def set_wall(self, by_s: float) -> None:
        """Set the wall clock forward, or back with a negative number."""
        self._wall_offset_s += by_s
