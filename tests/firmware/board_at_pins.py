"""A cell, a resistor and two thermistors at the MicroPython program's logic: runs under MicroPython and CPython.

Takes the orders of bench.c and tells what happened in its words. Thin: what decides is logic.py alone.
"""

import math

from logic import Logic

STEP_MS = 10
CELL_OHM, LOAD_OHM = 0.15, 10.0
COUNTS = 4096


class AtPins:
    """`more`: constants of the build, as Logic takes them."""

    def __init__(self, **more):
        self.more, self.files = more, []
        self.soc, self.capacity_Ah, self.fixed = 1.0, 0.020, None
        self.degC, self.noise, self.seed = [25.0, 22.0], 0.0, 1
        self.made, self.passed_ms, self.now_ms, self.due_ms = False, 0, 0, 0
        self.one = None
        self.start()

    def start(self):
        self.now_ms = self.due_ms = 0
        self.line = b""
        self.one = Logic(self._sent, self._keep, self._contact, "power", self.files, counts=COUNTS, **self.more)

    def _sent(self, data):
        self.line += data
        while b"\n" in self.line:
            whole, self.line = self.line.split(b"\n", 1)
            print("U " + whole.decode())

    def _keep(self, data):
        self.files = [data, data]

    def _contact(self, made):
        if made != self.made:
            self.made = made
            print("P {} {}".format(self.passed_ms + self.now_ms, 1 if made else 0))  # noqa: UP032  older MicroPython

    def gauss(self):
        total = 0
        for _ in range(4):
            self.seed = (self.seed * 1103515245 + 12345) & 0x7FFFFFFF
            total += self.seed / 0x7FFFFFFF
        return (total - 2.0) * 1.7

    def amperes(self):
        soc = self.soc
        rest_V = 3.3 + 0.9 * (soc - 0.1) / 0.9 if soc > 0.1 else 2.5 + 0.8 * max(soc, 0.0) / 0.1
        if self.fixed is not None:
            rest_V = self.fixed
        return rest_V, (rest_V / (LOAD_OHM + CELL_OHM) if self.made else 0.0)

    def ntc_V(self, degC):
        if degC is None:
            return 2.499
        ohm = 10000.0 * math.exp(3380.0 * (1.0 / (degC + 273.15) - 1.0 / 298.15))
        return 2.5 * ohm / (ohm + 10000.0)

    def look(self):
        rest_V, amps = self.amperes()
        volts = [(rest_V - amps * CELL_OHM) / 2, amps * LOAD_OHM / 2] + [self.ntc_V(one) for one in self.degC]
        sums, squares = [], []
        for one in volts:
            count = min(COUNTS - 1, max(0, int(one / 2.5 * COUNTS + self.gauss() * self.noise)))
            sums.append(64 * count)
            squares.append(64 * count * count)
        self.one.round(sums, squares, self.now_ms)

    def run(self, ms):
        until_ms = self.now_ms + int(ms)
        while self.now_ms < until_ms:
            self.now_ms += STEP_MS
            self.soc -= self.amperes()[1] * STEP_MS / 3.6e6 / self.capacity_Ah
            self.one.watch(self.now_ms)
            if self.now_ms >= self.due_ms:
                self.due_ms = self.now_ms + self.one.round_ms
                self.look()

    def obey(self, order):
        words = order.split(" ")
        what, rest = words[0], words[1:]
        if what == "run":
            self.run(float(rest[0]))
        elif what == "send":
            self.one.feed(bytes(int(rest[0][n : n + 2], 16) for n in range(0, len(rest[0]), 2)), self.now_ms)
        elif what == "capacity":
            self.capacity_Ah = float(rest[0])
        elif what == "soc":
            self.soc = float(rest[0])
        elif what == "volts":
            self.fixed = None if rest[0] == "-" else float(rest[0])
        elif what == "noise":
            self.noise = float(rest[0])
        elif what == "warm":
            self.degC[int(rest[0])] = None if rest[1] == "-" else float(rest[1])
        elif what == "cut":  # the pin floats, and its pull-down opens the contact
            self.passed_ms += self.now_ms
            self.now_ms = 0
            self._contact(False)
            self.start()
        elif what == "where":
            print("Z {} {:.6f}".format(self.passed_ms + self.now_ms, self.soc))  # noqa: UP032
