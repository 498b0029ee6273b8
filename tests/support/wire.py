"""Instruments at the end of a wire: one opened as a bench file would, and the far end of a serial line.

Answers are waited for long enough for any machine; only a link that is to lose one is impatient, and only until then.
"""

import os
import pty
import select
import threading
import tty
from collections.abc import Callable
from typing import Any, TypeVar

from amphora.drivers.links.visa import Link
from amphora.drivers.opening import open_instrument
from amphora.drivers.simulated.clock import VirtualClock
from amphora.drivers.simulated.scpi_server import ScpiServer

Kind = TypeVar("Kind")
PATIENT_S = 30.0


def open_over_wire(kind: type[Kind], role: str, server: ScpiServer, **more: Any) -> Kind:
    """Open what a server plays; `more`: what else its table of a bench file says."""
    description = {"role": role, "resource": server.resource, "timeout": f"{PATIENT_S:g} s", **more}
    opened = open_instrument(role, description, VirtualClock())
    assert isinstance(opened, kind)
    return opened


def impatient_until_reopened(server: ScpiServer, link: Link, timeout_s: float = 0.12) -> None:
    """Let a link wait no longer than this for an answer, and the server hold back what a fault makes late.

    Both end when the link is opened again, where what was held back has left the instrument before the first new
    question; or when it is settled as it is, where that may still come in between.
    """
    let_go = threading.Event()
    server._stopping.wait = lambda timeout=None: let_go.wait(PATIENT_S)  # type: ignore[method-assign]
    opens, settles = link.open, link.settle

    def settle(message: str, right: Callable[[str], bool]) -> str:
        link.timeout_s = PATIENT_S
        let_go.set()
        return settles(message, right)

    def open_again() -> None:
        link.timeout_s = PATIENT_S
        let_go.set()
        with server._turn:  # one message at a time: the late one is through
            pass
        opens()

    link.timeout_s = timeout_s
    if link._resource is not None:
        link._resource.timeout = round(timeout_s * 1000)
    link.open = open_again  # type: ignore[method-assign]
    link.settle = settle  # type: ignore[method-assign]


def comes(link: Link) -> None:
    """Wait until there is something to read at this end of a TCP link: bytes, or its end."""
    assert link._socket is not None
    assert select.select([link._socket], [], [], PATIENT_S)[0]


class Far:
    """The far end of a pseudo-terminal: what a logger would send, what a relay would hear."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def heard(self, count: int) -> bytes:
        """All that has come, once it is `count` bytes at least; a terminal hands bytes on in pieces."""
        data = b""
        while select.select([self.master], [], [], 0.05 if len(data) >= count else PATIENT_S)[0]:
            data += os.read(self.master, 100)
        return data

    def close(self) -> None:
        for number in (self.master, self.slave):
            if number >= 0:
                os.close(number)
        self.master = self.slave = -1
