"""A microcontroller's relay: a line "hold d" or "hold c" makes a contact for as long as lines keep coming.

The line "let go" opens it at once.
"""

import threading
import time

from circuit import Circuit


class Relay:
    """Faults: "welded" (the contact stays), "deaf" (lines do nothing)."""

    WORDS = {"hold d": "discharge", "hold c": "charge"}  # noqa: RUF012

    def __init__(self, name: str, circuit: Circuit, release_s: float = 3.0) -> None:
        self.name, self.circuit, self.release_s = name, circuit, release_s
        self.lock = circuit.lock
        self.position, self.since_s, self.heard_s = "open", time.monotonic(), 0.0
        self.received: list = []
        self.faults: dict = {}
        self.fired: dict = {}
        circuit.path = self
        threading.Thread(target=self._fall_out, daemon=True).start()

    def fire(self, fault: str) -> None:
        self.fired[fault] = self.fired.get(fault, 0) + 1

    def reaches(self, side: str) -> bool:
        return self.position == side

    def hear(self, line: str, session) -> str | None:
        with self.lock:
            now_s = time.monotonic()
            self.received.append((now_s, line))
            if line.strip() == "let go" and not {"deaf", "welded"} & set(self.faults):
                if self.position != "open":
                    self.position, self.since_s = "open", now_s
                return None
            word = self.WORDS.get(line.strip())
            if word is None or "deaf" in self.faults:
                return None
            self.heard_s = now_s
            if word != self.position and "welded" not in self.faults:
                self.position, self.since_s = word, now_s
        return None

    def wire(self, line: str, answer: str | None, end: bytes) -> tuple[bytes, float]:
        return b"", 0.0

    def _fall_out(self) -> None:
        while True:
            time.sleep(0.02)
            with self.lock:
                now_s = time.monotonic()
                if self.position != "open" and now_s - self.heard_s >= self.release_s:
                    if "welded" in self.faults:
                        self.fire("welded")
                    else:
                        self.position, self.since_s = "open", now_s

    def truth(self) -> dict:
        with self.lock:
            return {
                "position": self.position, "on": self.position != "open", "since_s": self.since_s,
                "heard_s": self.heard_s, "messages": len(self.received), "faults": self.faults, "fired": self.fired,
            }  # fmt: skip
