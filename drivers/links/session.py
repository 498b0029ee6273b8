"""Whether a session may be used: open, broken and since when, or dead for good."""

import time

from amphora.drivers.errors import LinkError


class Session:
    """The state of one session; `reopen()` of the link is the only way back after an error.

    A broken one stays open, for what may have to be sent on it: only on a dead one nothing can be sent any more.
    """

    name: str
    resource: str

    def __init__(self) -> None:
        self._broken = "it is not open yet"
        self._broken_s = 0.0
        self._dead = False  # the peer is gone: nothing can be sent on this session

    @property
    def broken(self) -> str:
        """Why the link may not be used; empty while it may."""
        return self._broken

    @property
    def _open(self) -> bool:
        """Whether there is a session at all."""
        raise NotImplementedError

    @property
    def alive(self) -> bool:
        """Whether a session is open that bytes can be sent on, broken or not."""
        return self._open and not self._dead

    def broken_for_s(self) -> float:
        """Return how long the open session has been broken."""
        return time.monotonic() - self._broken_s if self._broken else 0.0

    def _break(self, reason: str, dead: bool = False) -> LinkError:
        """Make the link unusable; the session stays open, for what may have to be sent on it.

        Args:
            reason: What happened.
            dead: Nothing can be sent on the session any more.
        """
        if not self._broken:
            self._broken_s = time.monotonic()
        self._broken = reason
        self._dead = self._dead or dead
        return LinkError(f"{self.name} at {self.resource}: {reason}; the link has to be reopened")
