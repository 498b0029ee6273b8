"""The newest line that a scale or a hand meter prints on a serial port. Only listens; says nothing."""

import contextlib
import threading
from typing import Any

from amphora.drivers.errors import LinkError

LONGEST = 200  # characters: a line that goes on for ever is none


class NewestLine:
    """An open port and the last whole line that came.

    Args:
        port: '/dev/ttyUSB0', 'COM3' or a URL that pyserial knows.
        baud: As the scale has it.

    Raises:
        LinkError: it cannot be opened.
    """

    def __init__(self, port: str, baud: int = 9600) -> None:
        import serial

        self.port = port
        try:
            self._link: Any = serial.serial_for_url(port, baudrate=baud, timeout=0.2)
        except (OSError, ValueError) as error:
            raise LinkError(f"{port}: cannot be opened: {error}") from error
        self._line = ""
        self._new = threading.Event()
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._listen, name="newest-line", daemon=True)
        self._thread.start()

    def take(self, within_s: float) -> str | None:
        """Return the newest line that nobody has taken yet, waiting so long for one at most; None: none came."""
        if not self._new.wait(within_s):
            return None
        with self._lock:
            self._new.clear()
            return self._line

    def forget(self) -> None:
        """Leave what came until now: it was of the cell before."""
        with self._lock:
            self._new.clear()

    def close(self) -> None:
        """Give the port back. May be called twice."""
        self._stop.set()
        self._thread.join(2.0)
        with contextlib.suppress(OSError):
            self._link.close()

    def _listen(self) -> None:
        held = b""
        while not self._stop.is_set():
            try:
                held += self._link.read(64)
            except (OSError, ValueError, TypeError):
                return
            *whole, held = held.replace(b"\r", b"\n").split(b"\n")
            held = held[-LONGEST:]
            for line in whole:
                text = line.decode("ascii", "replace").strip()[:LONGEST]
                if text:
                    with self._lock:
                        self._line = text
                        self._new.set()
