"""A cell, a resistor and two thermistors at the MicroPython program's logic, in virtual time.

Shares no code with the drivers.
"""

import importlib.util
import math
from pathlib import Path

import amphora.drivers

SOURCE = Path(amphora.drivers.__file__).parent / "firmware" / "micropython" / "logic.py"


def load_logic():
    """Return the module as the board has it: alone, under its own name."""
    spec = importlib.util.spec_from_file_location("logic", SOURCE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


logic = load_logic()


class Board:
    """`volts`: the cell's voltage at rest; `degC`: both sensors, None unplugged; `files`: what survives a reset."""

    def __init__(self, files=(), **more):
        self.files = list(files)
        self.volts, self.degC, self.now_ms = 3.9, [25.0, 22.0], 0
        self.sent, self.changes, self.made = b"", [], None
        self.more = more
        self.reset("power")

    def reset(self, why):
        self.now_ms = 0
        self.made = False  # the pin floats, its pull-down opens the contact
        self.one = logic.Logic(self._send, self._keep, self._contact, why, self.files, **self.more)

    def _send(self, data):
        self.sent += data

    def _keep(self, data):
        self.files = [data, data]

    def _contact(self, made):
        if made != self.made:
            self.changes.append((self.now_ms, made))
        self.made = made

    def pins_V(self):
        amperes = self.volts / 10.15 if self.made else 0.0
        return [(self.volts - 0.15 * amperes) / 2, amperes * 10.0 / 2, *(self._ntc_V(one) for one in self.degC)]

    @staticmethod
    def _ntc_V(at_degC):
        if at_degC is None:
            return 2.499
        ohm = 10000.0 * math.exp(3380.0 * (1.0 / (at_degC + 273.15) - 1.0 / 298.15))
        return 2.5 * ohm / (ohm + 10000.0)

    def run(self, ms):
        """Let time pass, a round each 100 ms."""
        for _ in range(ms // 100):
            self.now_ms += 100
            counts = [min(1023, int(volts / 2.5 * 1024)) for volts in self.pins_V()]
            self.one.round([64 * n for n in counts], [64 * n * n for n in counts], self.now_ms)

    def hear(self, body):
        """Send a line with its checksum; return what was answered, without checksums."""
        before = len(self.sent)
        self.one.feed(logic.sealed(body), self.now_ms)
        return [line.rpartition(" ~")[0] for line in self.sent[before:].decode().splitlines()]

    def ready(self, limits="3000 4250 0 4500 3600"):
        """Calibrate, measure and arm."""
        self.hear("1 P 01 0 4882812")
        self.run(200)
        return self.hear(f"1 A 02 {limits}")

    def held(self, ms, each_ms=1000):
        """Let time pass with a beat each second."""
        for _ in range(ms // each_ms):
            self.hear("1 B d")
            self.run(each_ms)
