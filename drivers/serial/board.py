"""The relay of the fallback board (`drivers/firmware`, docs/board.md): held by beats, with limits of its own.

What it measures comes through the line format `board` and a plain logger; this module arms its limits, reads
them back, holds its contact and reads back whether that is made. The board opens by itself at each limit and 5 s
after the last beat, whatever the computer does, and stays open until limits are armed anew.

A bench table: `role = "switch"`, `board = true`, `port`, and what narrows the plan's limits: `low_voltage`,
`high_voltage`, `low_temperature`, `high_temperature`, `longest`; `holds` (discharge, charge). Limits are
refused by the board where they are wider than its program allows, and never clipped.
"""

import binascii
import re
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from amphora.drivers.described import check_keys, finite_number, shown
from amphora.drivers.errors import DescriptionError, GarbledReply, IdentityError, InstrumentError, LimitError, LinkError
from amphora.drivers.quantities import described
from amphora.drivers.roles import Abilities, Clock, Position, SafeState, Switch
from amphora.drivers.serial.format_file import load_format
from amphora.drivers.serial.line_format import unsealed
from amphora.drivers.serial.relay import KEYS as RELAY_KEYS
from amphora.drivers.serial.relay import HeldRelay

ANSWER_S = 1.0
TRIES = 4
FRESH_S = 2.0  # a board speaks twice a second; an older line proves nothing
START_S = 4.0  # one that starts again when its port is opened speaks by then
LIMIT_KEYS = ("low_voltage", "high_voltage", "low_temperature", "high_temperature", "longest")
KEYS = (*(key for key in RELAY_KEYS if key not in ("hold", "open", "feedback")), "board", "holds", *LIMIT_KEYS)
REFUSALS = {
    "range": "wider than its program allows",
    "held": "its contact is made; limits are armed while it is open",
    "calibration": "its calibration is lost or was never written; see docs/board.md",
    "order": "it does not know that order",
}
TRIPS = {
    "beat": "watch for the computer's beat", "low": "lower voltage limit", "high": "upper voltage limit",
    "cold": "lower temperature limit", "warm": "upper temperature limit", "time": "time limit",
    "sensor": "watch over its temperature sensor", "unarmed": "start (its limits are gone: it started again)",
}  # fmt: skip


def seal(body: str) -> str:
    """Return a line with its checksum, without its end."""
    return f"{body} ~{binascii.crc_hqx(body.encode('ascii'), 0xFFFF):04X}"


HOLD_TEXTS = {"discharge": "text " + seal("1 B d"), "charge": "text " + seal("1 B c")}
OPEN_TEXT = "text " + seal("1 O")
ABILITIES = Abilities(
    low_voltage_cutoff=True, cutoff_latches=True, over_voltage_protection=True, off_timer=True, power_on_off=True
)


@dataclass(frozen=True, slots=True)
class BoardLimits:
    """What a bench file says of a board's own limits, V, degC, s; None: nothing."""

    low_V: float | None = None
    high_V: float | None = None
    low_degC: float | None = None
    high_degC: float | None = None
    longest_s: float | None = None


def is_board(table: Mapping[str, Any]) -> bool:
    """Tell whether a table of the bench file is such a board's relay."""
    return table.get("role") == "switch" and table.get("board") is True


LONGEST_S = 259_200.0  # the board takes no more; a plan that may last longer is cut off by it, never refused for it


def relay_table(table: Mapping[str, Any], here: str) -> dict[str, Any]:
    """Return the table that `HeldRelay` reads: beats and OFF are constant lines.

    Raises:
        DescriptionError: a key or value is not accepted.
    """
    check_keys(table, KEYS, here)
    if table.get("board") is not True:
        raise DescriptionError(f"{here}.board: {shown(table.get('board'))} is not accepted; true is")
    holds = table.get("holds", ["discharge"])
    if not isinstance(holds, list) or not holds or any(one not in HOLD_TEXTS for one in holds):
        raise DescriptionError(f"{here}.holds: {shown(holds)} is not accepted; a list of discharge, charge is")
    kept = {key: value for key, value in table.items() if key in RELAY_KEYS}
    return {"baud": load_format("board").serial.baud, **kept,
            "hold": {one: HOLD_TEXTS[one] for one in holds}, "open": OPEN_TEXT}  # fmt: skip


class BoardRelay(HeldRelay):
    """See the module."""

    def __init__(self, name: str, description: Mapping[str, Any], clock: Clock) -> None:
        here = f"instruments.{name}"
        table = relay_table(description, here)
        self._own = _limits_of(description, here)
        self._expected = table.pop("identity", None)
        super().__init__(name, table, clock)
        self.abilities = ABILITIES
        self._news = threading.Condition()
        self._buffer = bytearray()
        self._state: tuple[float, str, str] | None = None  # when it came (on the wall), contact, trip
        self._answers: dict[str, tuple[str, ...]] = {}
        self._tag = int(time.monotonic() * 10) % 100  # another one than a program before us used last
        self._armed: dict[str, float] = {}
        self._identity_text = ""
        port = self._attached()
        port.listen(self._take)
        try:
            port.write(b"\n")  # ends half a line that somebody left behind
            self._identity_text = self._who()
        except BaseException:
            self.close()
            raise

    def identify(self) -> str:
        """Return what answers: which program, how it started, and its port.

        Raises:
            IdentityError: another than the bench file says. LinkError: nobody answers.
        """
        text = self._who() if self._port is not None and hasattr(self, "_answers") else self._port_name
        expected = getattr(self, "_expected", None)
        if expected is not None and str(expected) not in text:
            raise IdentityError(f"{self.name}: {text!r} answers; the bench file expects {expected!r}")
        return text

    def read_setup(self) -> Mapping[str, object]:
        """Return contact, trip, the limits that it holds, and resolution and noise of each channel."""
        held = self.read_limits()
        contact, trip = self._fresh()
        return {
            "on": contact != "open", "position": contact, "trip": trip, "limits": held, **self.read_quality()
        }  # fmt: skip

    def read_limits(self) -> dict[str, float]:
        """Return the limits that the board holds, read from it; empty where none are armed."""
        low, high, cold, warm, longest, state, _ = self._ask("L", 7)
        if state != "armed":
            return {}
        found = {"low_voltage_V": _whole(low) / 1000.0, "high_voltage_V": _whole(high) / 1000.0}
        if cold != "-":
            found["low_temperature_degC"] = _whole(cold) / 100.0
        if warm != "-":
            found["high_temperature_degC"] = _whole(warm) / 100.0
        return {**found, "longest_s": float(_whole(longest))}

    def read_quality(self) -> dict[str, dict[str, float]]:
        """Return what one count is worth, and the standard deviation of a single look (64 make a reading)."""
        words = [_whole(word) * 1e-6 for word in self._ask("Q", 8)]
        names = ("voltage_V", "current_A", "temperature_K", "second_K")
        words = [value * (1e3 if n % 4 > 1 else 1.0) for n, value in enumerate(words)]
        return {"resolution": dict(zip(names, words[:4], strict=True)),
                "noise": dict(zip(names, words[4:], strict=True))}  # fmt: skip

    def read_trips(self) -> list[str]:
        """Return which of its own limits opened it, in words; nothing armed yet is none."""
        _, trip = self._fresh()
        if trip == "none" or (trip == "unarmed" and not self._armed):
            return []
        return [TRIPS.get(trip, trip)]

    def arm_limits(
        self,
        low_voltage_V: float | None,
        high_voltage_V: float | None,
        low_temperature_degC: float | None,
        high_temperature_degC: float | None,
        longest_s: float,
    ) -> Mapping[str, float]:
        """Arm the narrower of what is given and what the bench file says; read back, return what it holds.

        Raises:
            LimitError: the board refuses them; nothing was changed.
            InstrumentError: it holds others than were sent. LinkError: nobody answers.
        """
        own = self._own
        low_V = max(one for one in (low_voltage_V, own.low_V, 0.8) if one is not None)
        high_V = min(one for one in (high_voltage_V, own.high_V, 4.35) if one is not None)
        cold = [one for one in (low_temperature_degC, own.low_degC) if one is not None]
        warm = [one for one in (high_temperature_degC, own.high_degC) if one is not None]
        longest_s = min(one for one in (longest_s, own.longest_s, LONGEST_S) if one is not None)
        words = [
            str(-int(-low_V * 1000.0 // 1)),  # a lower limit upwards, an upper one downwards
            str(int((high_V + 1e-9) * 1000.0)),
            "-" if not cold else str(round(max(cold) * 100.0)),
            "-" if not warm else str(round(min(warm) * 100.0)),
            str(max(1, int(longest_s))),
        ]
        answer = self._ask("A", 7, *words, reply="L")
        if list(answer[:5]) != words or answer[5] != "armed":
            raise InstrumentError(f"{self.name}: was told limits {' '.join(words)}, and answers {' '.join(answer)}")
        again = self._ask("L", 7)
        if list(again[:5]) != words or again[5] != "armed":
            raise InstrumentError(f"{self.name}: was told limits {' '.join(words)}, and holds {' '.join(again)}")
        self._armed = self.read_limits()
        with self._news:  # what came before tells of the limits before
            self._state = None
        return dict(self._armed)

    def connect(self, position: Position) -> None:
        """Move, and read back that the contact is made, or open; see `HeldRelay.connect`.

        Raises:
            InstrumentError: no limits are armed, or one of them opened it, or it does not make contact.
        """
        if position != "open":
            if not self._armed:
                raise InstrumentError(f"{self.name}: no limits are armed; the board makes no contact without")
            if trips := self.read_trips():
                raise InstrumentError(f"{self.name}: stays open: its own {trips[0]} has opened it")
        if position != self.position and position != "open":
            if self.position != "open" or self._made():
                super().connect("open")
            self._opened_s = self._clock.now_s() - self.release_s  # it says that it is open: nothing is waited for
        super().connect(position)
        if position != "open" and not self._wait_for(made=True, seconds=FRESH_S):
            trip = self._fresh()[1]
            self._let_go()
            raise InstrumentError(
                f"{self.name}: was told to hold {position}, and stays open: {TRIPS.get(trip, trip)}; let go again"
            )

    def make_safe(self) -> SafeState:
        """Tell it to open and read back that it is; a board that cannot be asked gets no beats any more."""
        try:
            self._let_go()
            if self._wait_for(made=False, seconds=self.release_s):
                return SafeState(True, None, "told to open; says that it is open")
        except LinkError as error:
            return SafeState(True, None, f"{error}; no longer held, opens by itself within {self.release_s:g} s")
        return SafeState(False, None, f"told to open, and says contact after {self.release_s:g} s")

    def reopen(self) -> None:
        """Close and open again, ask who is there; it is then open."""
        listening = self._port is not None
        super().reopen()
        with self._news:
            self._state = None
        port = self._attached()
        if not listening:
            port.listen(self._take)
        port.write(b"\n")
        self.identify()

    def close(self) -> None:
        """Give the port back; the board opens when the beats are missing."""
        port, self._port = self._port, None
        if port is not None:
            port.detach(self._take)

    def read_calibration(self, index: int) -> int:
        """Return one calibration value, by its number in docs/board.md."""
        return _whole(self._ask("C", 2, str(index))[1])

    def write_calibration(self, index: int, value: int) -> int:
        """Write one calibration value; read back. Limits are then no longer armed."""
        self._armed = {}
        self._ask("P", 2, str(index), str(value), reply="C")
        held = self.read_calibration(index)
        if held != value:
            raise InstrumentError(f"{self.name}: calibration {index} was set to {value}, and holds {held}")
        return held

    # -- the inside ----------------------------------------------------------------------------------

    def _who(self) -> str:
        """Ask who is there; a board that starts again on opening takes its time."""
        until_s = time.monotonic() + START_S
        while True:
            try:
                kind, program, started, calibrated, beat_ms, _ = self._ask("H", 6)
                break
            except LinkError:
                if time.monotonic() >= until_s:
                    raise
        if _whole(beat_ms) > self.release_s * 1000.0:
            raise DescriptionError(
                f"{self.name}: the board opens {_whole(beat_ms) / 1000.0:g} s after the last beat, and the bench file "
                f"says release = {self.release_s:g} s; the board's time or longer is accepted, up to 10 s"
            )
        return (
            f"board ({kind}), program {program}, protocol 1, {calibrated}, started by {started}, on {self._port_name}"
        )

    def _made(self) -> bool | None:
        return self._fresh()[0] != "open"

    def _fresh(self) -> tuple[str, str]:
        """Return contact and trip by a line that came just now."""
        until_s = time.monotonic() + FRESH_S
        with self._news:
            while self._state is None or time.monotonic() - self._state[0] > FRESH_S:
                if not self._news.wait(until_s - time.monotonic()) and time.monotonic() >= until_s:
                    raise LinkError(f"{self.name} on {self._port_name}: silent for {FRESH_S:g} s")
            return self._state[1], self._state[2]

    def _let_go(self) -> None:
        with self._news:  # what came before the order says nothing of what it did
            self._state = None
        super()._let_go()

    def _ask(self, kind: str, count: int, *words: str, reply: str = "") -> tuple[str, ...]:
        """Send an order and return the fields of its own answer, known by its tag: a late one answers nothing.

        Raises:
            LimitError, InstrumentError: the board refuses. LinkError: no answer, tried again.
        """
        for _ in range(TRIES):
            self._tag = (self._tag + 1) % 100
            tag = f"{self._tag:02d}"
            with self._news:
                self._answers.clear()
            self._attached().write(seal(" ".join(("1", kind, tag, *words))).encode("ascii") + b"\n")
            until_s = time.monotonic() + ANSWER_S
            with self._news:
                while tag not in self._answers and (left_s := until_s - time.monotonic()) > 0:
                    self._news.wait(left_s)
                answer = self._answers.pop(tag, None)
            if answer is None:
                continue
            if answer[0] == "N" and len(answer) == 2:
                why = REFUSALS.get(answer[1], answer[1])
                if answer[1] == "range":
                    raise LimitError(f"{self.name}: refuses {kind} {' '.join(words)}: {why}; nothing was changed")
                raise InstrumentError(f"{self.name}: refuses {kind} {' '.join(words)}: {why}")
            if answer[0] != (reply or kind) or len(answer) != count + 1:
                raise GarbledReply(f"{self.name}: {kind} was answered by {' '.join(answer)}")
            return answer[1:]
        raise LinkError(
            f"{self.name} on {self._port_name}: does not answer ({kind}, asked {TRIES} times); is it the board of "
            "docs/board.md, with its program loaded?"
        )

    def _take(self, data: bytes) -> None:
        """Take in bytes; the reader thread."""
        with self._news:
            if not data:
                self._buffer.clear()
                self._state = None
            self._buffer += data
            *lines, rest = bytes(self._buffer).split(b"\n")
            self._buffer = bytearray(rest[-200:])
            for line in lines:
                try:
                    words = unsealed(line.rstrip(b"\r")).decode("ascii").split(" ")
                except (GarbledReply, UnicodeDecodeError):
                    continue  # spoiled: nothing of it counts
                if words[0] != "1" or len(words) < 3:
                    continue
                if words[1] == "R" and len(words) == 9:
                    self._state = (time.monotonic(), words[7], words[8])
                elif words[1] != "R":
                    self._answers[words[2]] = (words[1], *words[3:])
            self._news.notify_all()


def open_switch(name: str, description: Mapping[str, Any], clock: Clock) -> Switch:
    """Open a relay that is held by a beating line, on a board of ours or by itself.

    Raises:
        DescriptionError: its table is wrong; nothing was opened.
        LinkError: the port cannot be opened.
    """
    return BoardRelay(name, description, clock) if "board" in description else HeldRelay(name, description, clock)


def _whole(word: str) -> int:
    if not re.fullmatch(r"-?\d{1,10}", word, re.ASCII):
        raise GarbledReply(f"{shown(word)} is no whole number")
    return int(word)


def _limits_of(table: Mapping[str, Any], here: str) -> BoardLimits:
    def volts(key: str) -> float | None:
        return described(table[key], "voltage", f"{here}.{key}", positive=True) if key in table else None

    def degrees(key: str) -> float | None:
        if key not in table:
            return None
        match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*(?:degC|°C)\s*", str(table[key]), re.ASCII)
        number = None if match is None else finite_number(float(match[1]))
        if number is None:
            raise DescriptionError(f'{here}.{key}: {shown(table[key])} is not accepted; such as "45 degC" is')
        return number

    longest = table.get("longest")
    return BoardLimits(
        volts("low_voltage"),
        volts("high_voltage"),
        degrees("low_temperature"),
        degrees("high_temperature"),
        None if longest is None else described(longest, "duration", f"{here}.longest", positive=True),
    )


CALIBRATION = (
    "cell nV per count", "cell offset uV", "load nV per count", "load offset uV", "shunt uohm",
    "cell sensor's series resistor ohm", "cell sensor a x 1e9", "cell sensor b x 1e9", "cell sensor c x 1e12",
    "second sensor's series resistor ohm", "second sensor a x 1e9", "second sensor b x 1e9", "second sensor c x 1e12",
)  # fmt: skip


def main(words: list[str]) -> int:
    """Show a board's calibration, or write one value: PORT, or PORT NUMBER VALUE."""
    from amphora.drivers.clock import RealClock
    from amphora.drivers.errors import DriverError

    if len(words) not in (1, 3) or not all(re.fullmatch(r"-?\d+", word) for word in words[1:]):
        print("PORT, or PORT NUMBER VALUE is accepted, such as /dev/ttyUSB0 4 9870000")
        return 2
    try:
        board = BoardRelay("board", {"role": "switch", "board": True, "port": words[0]}, RealClock())
        try:
            print(board.identify())
            if len(words) == 3:
                board.write_calibration(int(words[1]), int(words[2]))
            for index, name in enumerate(CALIBRATION):
                print(f"{index:2d}  {board.read_calibration(index):>12d}  {name}")
            for what, values in board.read_quality().items():
                print(f"{what}: " + ", ".join(f"{key} {value:.6g}" for key, value in values.items()))
        finally:
            board.close()
    except DriverError as error:
        print(error)
        return error.exit_code
    return 0


if __name__ == "__main__":
    import sys

    sys.exit(main(sys.argv[1:]))
