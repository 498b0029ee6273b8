"""What all sessions share: whether one may be used, who uses it, and what it sends before it is thrown away."""

import time
from abc import ABC, abstractmethod
from collections.abc import Sequence

from amphora.drivers.errors import LinkError


class Session(ABC):
    """The state of one session; `reopen()` of the link is the only way back after an error.

    A broken one stays open, for what may have to be sent on it: only on a dead one nothing can be sent any more.
    """

    name: str
    resource: str

    def __init__(self) -> None:
        self._broken = "it is not open yet"
        self._broken_s = 0.0
        self._dead = False  # the peer is gone: nothing can be sent on this session
        self.users = 1
        self.off: dict[str, tuple[str, ...]] = {}  # by instrument that may be on: what switches it off

    @property
    def broken(self) -> str:
        """Why the link may not be used; empty while it may."""
        return self._broken

    @property
    @abstractmethod
    def _open(self) -> bool:
        """Whether there is a session at all."""

    @abstractmethod
    def send_blind(self, messages: Sequence[str]) -> None:
        """Send on the open session, whatever has become of it; asks nothing and waits for no answer."""

    @abstractmethod
    def close(self) -> None:
        """Give the session back; may be called twice."""

    @property
    def is_serial(self) -> bool:
        """Whether this is a serial port."""
        return self.resource.upper().startswith("ASRL")

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

    def say_off(self) -> bool:
        """Send on the open session what switches off whoever may be on; return whether anything was sent."""
        said = False
        for messages in tuple(self.off.values()):
            if not self.alive:
                break
            try:
                self.send_blind(messages)
                said = True
            except LinkError:
                continue
        return said

    def release(self) -> None:
        """Give back one user's share (channels of one instrument share a link); the last one closes."""
        self.users -= 1
        if self.users <= 0:
            self.close()

    def distrust(self, reason: str) -> None:
        """Say that an answer was not what had been asked for: the link is broken until it is settled or reopened."""
        self._break(reason)
