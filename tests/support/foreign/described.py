"""Invented instruments without SCPI: polled lines, binary frames, Modbus RTU. Nothing here comes from the drivers.

Further faults (see `machine`): crc (checksums are wrong), swapped (numbers with their bytes the other way round), half
(only half of an answer comes), clips VALUE (a level above is silently taken as that), sticks (a level keeps its old
value and says it was set), reboots (each new session finds it switched off, its levels forgotten), lapses SECONDS
(leaves remote, and switches off, after so long a silence), resets (starts again, once), brown-out SECONDS (starts
again, and hears and says nothing for so long), drift SHARE (that share of the bytes each way has a bit turned over, as
of a line whose baud rate has drifted away), lenient (lines: leaves out a mark that it does not know, and obeys the
rest), swallows N (lines: says OK to STOP and goes on, among the first N messages of a session).
"""

import struct
import time

from machine import Load, Machine, Supply


class Spoken(Machine):
    """What all of these share: an own clock of silence, and levels that can lie."""

    raw = False
    heard_s = 0.0
    dark_until_s = 0.0
    remote = False
    needs_remote = False

    def notice(self) -> None:
        now_s = time.monotonic()
        lapses_s = float(self.faults.get("lapses", 0.0))
        if lapses_s and now_s - self.heard_s > lapses_s:
            self.remote = False
        self.heard_s = now_s

    def watch(self) -> None:
        super().watch()
        if self.faults.pop("resets", None):
            self.fire("resets")
            self.restart()
        if "brown-out" in self.faults and self.dark_until_s == 0.0:
            self.fire("brown-out")
            self.dark_until_s = time.monotonic() + float(self.faults["brown-out"])
            self.restart()
        lapses_s = float(self.faults.get("lapses", 0.0))
        if lapses_s and self.on and time.monotonic() - self.heard_s > lapses_s:
            self.fire("lapses")
            self.trip("silence")

    def on_the_line(self, data: bytes) -> bytes:
        """What of some bytes gets through, either way."""
        if time.monotonic() < self.dark_until_s:
            return b""
        share = float(self.faults.get("drift", 0.0))
        if not share:
            return data
        turned = bytes(
            byte ^ (1 << self._random.randrange(7)) if self._random.random() < share else byte for byte in data
        )
        if turned != data:
            self.fire("drift")
        return turned

    def connected(self) -> None:
        if "reboots" in self.faults:
            self.fire("reboots")
            self.restart()

    def restart(self) -> None:
        if self.on:
            self.trip("restart")
        self.remote = False
        self.level_is(0.0)

    def asked_level(self, value: float) -> None:
        if "sticks" in self.faults:
            self.fire("sticks")
            return
        if "clips" in self.faults and value > float(self.faults["clips"]):
            self.fire("clips")
            value = float(self.faults["clips"])
        self.level_is(value)

    def level_is(self, value: float) -> None:
        if isinstance(self, Load):
            self.level["current"] = value
        else:
            self.ampere = value

    def level_now(self) -> float:
        return self.level["current"] if isinstance(self, Load) else self.ampere


# -- lines: a carriage return ends a question, a line feed more an answer ---------------------------------


class Polled(Spoken):
    compound = False

    def wire(self, line: str, answer: str | None, end: bytes) -> tuple[bytes, float]:
        out, late_s = super().wire(line, answer, end)
        if "half" in self.faults and out:
            self.fire("half")
            out = out[: len(out) // 2]
        return out, late_s

    def obey(self, text: str, session) -> str | None:
        self.notice()
        volt, ampere = self.look()
        if "lenient" in self.faults and "!" in text:
            self.fire("lenient")
            text = text.replace("!", "")
        if text == "STOP" and session.messages < int(self.faults.get("swallows", 0)):
            self.fire("swallows")
            return "OK"
        if text == "ID":
            return f"SLUICE {2 if isinstance(self, Load) else 3}.1"
        if text == "KEY 1":
            self.remote = True
            return "OK"
        if text == "U":
            return f"U {volt:+.3f} V"
        if text == "A":
            return f"A {ampere * 1e3:.0f} mA"
        if text == "S":
            return "S RUN" if self.on else "S STOP"
        if text in ("RUN", "STOP"):
            if not self.remote and text == "RUN":
                return "NO 3"
            self.switch(text == "RUN")
            return "OK"
        return self.level_line(text) or "NO 1"

    def level_line(self, text: str) -> str | None:
        names = {"I": "level"} | ({"F": "cutoff"} if isinstance(self, Load) else {"V": "volt", "O": "over"})
        name = names.get(text[:1])
        if name is None:
            return None
        if text[1:] == "?":
            return f"{text[0]} {self.value_of(name):.3f}"
        try:
            value = float(text[1:])
        except ValueError:
            return "NO 1"
        if not self.remote:
            return "NO 3"
        if not 0.0 <= value <= 20.0:
            return "NO 2"
        if name == "level":
            self.asked_level(value)
        elif name == "cutoff":
            self.cutoff_V, self.cutoff_armed = value, value > 0.0
        elif name == "volt":
            self.volt = value
        else:
            self.most_V, self.most_V_armed = value, value > 0.0
        return "OK"

    def value_of(self, name: str) -> float:
        if name == "level":
            return self.level_now()
        return {"cutoff": getattr(self, "cutoff_V", 0.0), "volt": getattr(self, "volt", 0.0),
                "over": getattr(self, "most_V", 0.0)}[name]  # fmt: skip


class PolledLoad(Polled, Load):
    pass


class PolledSupply(Polled, Supply):
    pass


class PolledMeter(Machine):
    """Four places and two sensors on one meter: `P2` asks the voltage at place 2."""

    compound = False

    def now(self):
        return self.circuit.seen_V("discharge"), 0.0

    def obey(self, text: str, session) -> str | None:
        volt = self.look()[0]
        if text == "ID":
            return "LOOKER 4"
        if text[:1] == "P" and text[1:] in ("1", "2", "3", "4"):
            return f"P{text[1:]}={volt if text[1:] == '1' else 1.1 * int(text[1:]):.4f}"
        if text[:1] == "T" and text[1:] in ("1", "2", "3", "4"):
            return f"T{text[1:]}=21.5"
        return "WHAT"


# -- bytes ------------------------------------------------------------------------------------------------


class Bytes(Spoken):
    """A machine of bytes: cuts what came into messages, and answers each."""

    raw = True

    def cut(self, data: bytes):
        """Return (message or None, what is left)."""
        raise NotImplementedError

    def say(self, body: bytes) -> bytes:
        raise NotImplementedError

    def reply(self, message: bytes) -> bytes | None:
        raise NotImplementedError

    def take_bytes(self, data: bytes):
        """Return (messages answered as bytes, what is left)."""
        found = []
        with self.lock:
            self.circuit.advance()
            while True:
                message, data = self.cut(data)
                if message is None:
                    return found, data
                self.received.append((time.monotonic(), message.hex(" ")))
                self.notice()
                found.append((message, self.reply(message)))

    def number_bytes(self, value: int, size: int, order: str, signed: bool = False) -> bytes:
        low = -(1 << (8 * size - 1)) if signed else 0
        data = max(low, min(value, (1 << 8 * size) - 1 + low)).to_bytes(size, order, signed=signed)
        if "swapped" in self.faults:
            self.fire("swapped")
            return data[::-1]
        return data

    def wire_bytes(self, message: bytes, answer: bytes | None) -> tuple[bytes, float]:
        out, late_s = self.wire("", None if answer is None else answer.decode("latin-1"), b"")
        if "echo" in self.faults:
            out = message + out
        if "crc" in self.faults and out:
            self.fire("crc")
            out = out[:-2] + bytes([out[-2] ^ 0x40]) + out[-1:]
        if "half" in self.faults and out:
            self.fire("half")
            out = out[: max(1, len(out) // 2)]
        return out, late_s


class Framed(Bytes):
    """AA 55, length of the payload, payload, CRC of 16 bits (X^16 + X^12 + X^5 + 1, from ones), little end first."""

    @staticmethod
    def sum_of(data: bytes) -> int:
        value = 0xFFFF
        for byte in data:
            for bit in range(7, -1, -1):
                top = (value >> 15) ^ (byte >> bit & 1)
                value = (value << 1) & 0xFFFF
                if top:
                    value ^= 0x1021
        return value

    def say(self, body: bytes) -> bytes:
        inside = bytes([len(body)]) + body
        return b"\xaa\x55" + inside + struct.pack("<H", self.sum_of(inside))

    def cut(self, data: bytes):
        begin = data.find(b"\xaa\x55")
        if begin < 0:
            return None, data[-1:] if data[-1:] == b"\xaa" else b""
        data = data[begin:]
        if len(data) < 3 or len(data) < data[2] + 5:
            return None, data
        whole, rest = data[: data[2] + 5], data[data[2] + 5 :]
        if struct.unpack("<H", whole[-2:])[0] != self.sum_of(whole[2:-2]):
            return self.cut(rest)  # what was in it is gone
        return whole, rest

    def reply(self, message: bytes) -> bytes | None:
        body = message[3:-2]
        volt, ampere = self.look()
        code, rest = body[0], body[1:]
        if code == 0x01:
            return self.say(b"\x81\x42\x07")
        if code == 0x02:
            numbers = self.number_bytes(round(volt * 1e3), 2, "little") + self.number_bytes(
                round(ampere * 1e4), 4, "little"
            )
            return self.say(b"\x82" + numbers + bytes([1 if self.on else 0]))
        if code == 0x03:
            self.switch(rest[:1] == b"\x5a")
            return self.say(b"\x83\x00")
        if code in (0x10, 0x12, 0x14):
            value = int.from_bytes(rest[:2], "little") * 1e-3
            if value > 20.0:
                return self.say(b"\xff\x02")
            self.set_one(code, value)
            return self.say(bytes([0x80 | code, 0]))
        if code in (0x11, 0x13, 0x15):
            return self.say(bytes([0x80 | code]) + self.number_bytes(round(self.get_one(code - 1) * 1e3), 2, "little"))
        return self.say(b"\xff\x01")

    def set_one(self, code: int, value: float) -> None:
        if code == 0x10:
            self.asked_level(value)
        elif isinstance(self, Load):
            self.cutoff_V, self.cutoff_armed = value, value > 0.0
        elif code == 0x12:
            self.volt = value
        else:
            self.most_V, self.most_V_armed = value, value > 0.0

    def get_one(self, code: int) -> float:
        if code == 0x10:
            return self.level_now()
        if isinstance(self, Load):
            return self.cutoff_V
        return self.volt if code == 0x12 else self.most_V


class FramedLoad(Framed, Load):
    pass


class FramedSupply(Framed, Supply):
    pass


class FramedMeter(Framed, Load):
    """Measures and no more."""

    def drawn(self, open_V: float, ohm: float) -> float:
        return 0.0


class Registers(Bytes):
    """Modbus RTU, station 7. Input registers 0 volt (mV), 1 to 2 current (0.1 mA), 3 state; holding registers 16 level
    (mA), 17 voltage or cut-off (mV), 18 over-voltage (mV), 32 on."""

    station = 7
    last_s = 0.0
    holding = (16, 17, 18, 32)

    @staticmethod
    def sum_of(data: bytes) -> bytes:
        value = 0xFFFF
        for byte in data:
            value ^= byte
            for _ in range(8):
                value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
        return struct.pack("<H", value)

    def say(self, body: bytes) -> bytes:
        inside = bytes([self.station]) + body
        return inside + self.sum_of(inside)

    def cut(self, data: bytes):
        now_s = time.monotonic()
        if now_s - self.last_s > 0.02:  # silence ends a frame: what was there before is no part of this one
            data = data[-self.fresh :] if self.fresh else data
        self.last_s = now_s
        if len(data) < 8:
            return None, data
        size = 8 if data[1] != 16 else 9 + data[6]
        if len(data) < size:
            return None, data
        frame, rest = data[:size], data[size:]
        if frame[0] != self.station or frame[-2:] != self.sum_of(frame[:-2]):
            return None, b""
        return frame, rest

    fresh = 0

    def reply(self, message: bytes) -> bytes | None:
        function, register, count = message[1], *struct.unpack(">HH", message[2:6])
        if function in (3, 4):
            words = self.inputs() if function == 4 else self.held()
            if any(n not in words for n in range(register, register + count)):
                return self.say(bytes([function | 0x80, 2]))
            data = b"".join(self.number_bytes(words[n], 2, "big") for n in range(register, register + count))
            return self.say(bytes([function, len(data)]) + data)
        if function == 6:
            if register not in self.holding:
                return self.say(b"\x86\x02")
            if register != 32 and count > 20000:
                return self.say(b"\x86\x03")
            self.hold(register, count)
            return message
        return self.say(bytes([function | 0x80, 1]))

    def inputs(self) -> dict:
        volt, ampere = self.look()
        tenth = round(ampere * 1e4)
        return {0: max(0, round(volt * 1e3)), 1: tenth >> 16, 2: tenth & 0xFFFF, 3: int(self.on), 4: 7001}

    def held(self) -> dict:
        second = self.cutoff_V if isinstance(self, Load) else self.volt
        over = getattr(self, "most_V", 0.0)
        return {16: round(self.level_now() * 1e3), 17: round(second * 1e3), 18: round(over * 1e3), 32: int(self.on)}

    def hold(self, register: int, count: int) -> None:
        if register == 32:
            self.switch(count == 1)
        elif register == 16:
            self.asked_level(count * 1e-3)
        elif register == 18:
            self.most_V, self.most_V_armed = count * 1e-3, count > 0
        elif isinstance(self, Load):
            self.cutoff_V, self.cutoff_armed = count * 1e-3, count > 0
        else:
            self.volt = count * 1e-3


class RegistersLoad(Registers, Load):
    pass


class RegistersSupply(Registers, Supply):
    pass


class RegistersMeter(Registers, Load):
    """Four places: input registers 0 to 3 volt (mV), 4 to 7 degrees (0.01 degC, signed), 8 who it is. Draws nothing."""

    holding = ()

    def drawn(self, open_V: float, ohm: float) -> float:
        return 0.0

    def inputs(self) -> dict:
        volts = [self.look()[0], 1.1, 2.2, 3.3]
        degrees = [21.5, -4.25, 0.0, 60.0]
        words = [round(1e3 * one) for one in volts] + [round(1e2 * one) & 0xFFFF for one in degrees]
        return dict(enumerate([*words, 4107]))


# -- relays of two habits ---------------------------------------------------------------------------------


class Board(Spoken):
    """A contact for each side. `lapses` is its own watchdog."""

    def __init__(self, name, circuit, lacks=()) -> None:
        super().__init__(name, circuit, lacks)
        self.made = ""
        circuit.path = self
        circuit.drains.append(self)  # draws nothing; its watch is called

    def drawn(self, open_V: float, ohm: float) -> float:
        return 0.0

    def now(self):
        return 0.0, 0.0

    def reaches(self, side: str) -> bool:
        return self.on and self.made == side

    def level_is(self, value: float) -> None:
        self.made = ""


class PolledBoard(Board):
    """`1 ON`, `2 ON`, `OFF`, `?`: tells which is on."""

    compound = False

    def obey(self, text: str, session) -> str | None:
        self.notice()
        if text in ("1 ON", "2 ON"):
            self.made = "discharge" if text[0] == "1" else "charge"
            self.switch(True)
            return "DONE"
        if text == "OFF":
            self.switch(False)
            return "DONE"
        if text == "?":
            return f"IS {('1' if self.made == 'discharge' else '2') if self.on else '0'}"
        return "EH"


class CoilBoard(Registers, Board):
    """Modbus coils 0 (discharge) and 1 (charge), station 7. Says nothing of itself but its coils."""

    def reply(self, message: bytes) -> bytes | None:
        function, register, word = message[1], *struct.unpack(">HH", message[2:6])
        if function == 5 and register in (0, 1):
            side = ("discharge", "charge")[register]
            if word == 0xFF00:
                self.made = side
                self.switch(True)
            elif self.made in (side, ""):
                self.switch(False)
            return message
        if function == 1:
            return self.say(bytes([1, 1, int(self.on)]))
        return self.say(bytes([function | 0x80, 1]))
