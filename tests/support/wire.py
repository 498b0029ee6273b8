"""Instruments at the end of a wire: one opened as a bench file would, and the far end of a serial line."""

import os
import pty
import select
import tty
from typing import Any, TypeVar

from drivers.opening import open_instrument
from drivers.simulated.clock import VirtualClock
from drivers.simulated.scpi_server import ScpiServer

Kind = TypeVar("Kind")


def open_over_wire(kind: type[Kind], role: str, server: ScpiServer, **more: Any) -> Kind:
    """Open what a server plays; `more`: what else its table of a bench file says."""
    description = {"role": role, "resource": server.resource, "timeout": "120 ms", **more}
    opened = open_instrument(role, description, VirtualClock())
    assert isinstance(opened, kind)
    return opened


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
        while select.select([self.master], [], [], 0.05 if len(data) >= count else 2.0)[0]:
            data += os.read(self.master, 100)
        return data

    def close(self) -> None:
        for number in (self.master, self.slave):
            if number >= 0:
                os.close(number)
        self.master = self.slave = -1
