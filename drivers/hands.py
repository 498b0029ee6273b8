"""What a person can be asked to do at a bench, as data, and the hands of a simulated bench in another process.

A request has words for a person and one of `ACTS` for a simulated bench, whose hands read no words. A bench that is
served (`amphora bench simulate`) listens for acts on the loopback address: a line of JSON asks, a line of JSON answers.
"""

import json
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from amphora.drivers.errors import DriverError

ACTS = (
    "warm-sensor", "release-sensor",
    "resistor-for-cell", "cell-back", "resistor-in-series", "resistor-out-of-lead",
    "drain-through-resistor", "resistor-off-cell",
    "brightest-mode", "next-mode",
    "clips-to-cell", "clips-to-load", "reseat-cell",
    "leads-to-supply", "leads-to-load",
)  # fmt: skip
"""Everything that the hands of a simulated bench can do; "" in a request: nothing that the simulation knows of."""
ANSWER_WITHIN_S = 5.0


class Hands:
    """The hands of a bench that another process serves, and its hand meter.

    Args:
        address: `127.0.0.1:PORT`, as the bench file has it.

    Raises:
        DriverError: each method, when nobody answers there.
    """

    def __init__(self, address: str) -> None:
        self.address = address

    def act(self, act: str) -> None:
        """Have one of `ACTS` done."""
        if act:
            self._ask({"act": act})

    def hand_meter_V(self) -> float:
        """Return what the simulated hand meter shows at the cell, V."""
        return float(self._ask({"read": "hand-meter"})["voltage_V"])

    def _ask(self, question: dict[str, str]) -> dict[str, Any]:
        host, _, port = self.address.rpartition(":")
        try:
            with socket.create_connection((host, int(port)), ANSWER_WITHIN_S) as link:
                link.sendall(json.dumps(question).encode() + b"\n")
                with link.makefile("rb") as lines:
                    answer = json.loads(lines.readline(4096) or b"{}")
        except (OSError, ValueError) as error:
            raise DriverError(
                f"the hands of the simulated bench ({self.address}) do not answer: {error}; is "
                "'amphora bench simulate' still running, and is this its bench file?"
            ) from error
        if "error" in answer or not answer:
            raise DriverError(f"the hands of the simulated bench ({self.address}): {answer.get('error', 'no answer')}")
        return dict(answer)


class HandsServer:
    """Does with the hands of a simulated bench what another process asks for. Listens on the loopback address only.

    Args:
        act: Called with one of `ACTS`.
        hand_meter_V: Gives the reading of the hand meter, V.
    """

    def __init__(self, act: Callable[[str], None], hand_meter_V: Callable[[], float]) -> None:
        self._act = act
        self._hand_meter_V = hand_meter_V
        self._stop = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.2)
        self.address = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve, name="simulated-hands", daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """End. May be called twice, and before it began."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)
        self._listener.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            with suppress(OSError):
                link, _ = self._listener.accept()
                with link:
                    link.settimeout(ANSWER_WITHIN_S)
                    with link.makefile("rb") as lines:
                        link.sendall(json.dumps(self._answer(lines.readline(4096))).encode() + b"\n")

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            question = json.loads(line)
        except ValueError:
            return {"error": "a line of JSON is accepted"}
        if not isinstance(question, dict):
            return {"error": "an object with act or read is accepted"}
        if question.get("act") in ACTS:
            self._act(question["act"])
            return {"done": question["act"]}
        if question.get("read") == "hand-meter":
            return {"voltage_V": self._hand_meter_V()}
        return {"error": f"not accepted: {question}; act: {', '.join(ACTS)}; read: hand-meter"}
