"""The board's logic, free of the board: bytes in, lines out, and whether the contact may be made.

Runs under MicroPython and under CPython. Knows no pin and no clock: it is handed milliseconds, bytes
and sums of looks. The C program (../avr/core.c) does the same; docs/board.md describes both.
"""

import math

PROGRAM = 1
LOOKS = 64
LINE_MOST = 96
CONTACTS = {"d": "discharge", "c": "charge"}
CALIBRATION = (  # name, default, least, most; the order is the protocol's
    ("cell_nV_per_count", 4882812, 1000, 20000000),
    ("cell_offset_uV", 0, -100000, 100000),
    ("load_nV_per_count", 4882812, 1000, 20000000),
    ("load_offset_uV", 0, -100000, 100000),
    ("shunt_uohm", 10000000, 1000, 1000000000),
    ("ntc_cell_series_ohm", 10000, 100, 1000000),
    ("ntc_cell_a", 885277, 0, 10000000),
    ("ntc_cell_b", 251859, 0, 1000000),
    ("ntc_cell_c", 190749, 0, 1000000),
    ("ntc_second_series_ohm", 10000, 100, 1000000),
    ("ntc_second_a", 885277, 0, 10000000),
    ("ntc_second_b", 251859, 0, 1000000),
    ("ntc_second_c", 190749, 0, 1000000),
)


def crc(data):
    """Return the CRC-16 of bytes (polynomial 0x1021, begun with 0xFFFF): b"123456789" gives 0x29B1."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = ((value << 1) ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def sealed(body):
    """Return a line with its checksum, as bytes."""
    return "{} ~{:04X}\n".format(body, crc(body.encode())).encode()  # noqa: UP032  older MicroPython has no f-strings


def number(text):
    """Return a whole number as the protocol writes it; None for anything else."""
    digits = text[1:] if text[:1] == "-" else text
    if not 1 <= len(digits) <= 10 or any(c not in "0123456789" for c in digits):
        return None
    value = int(text)
    return value if abs(value) <= 2147483647 else None


def kept_text(values):
    """Return calibration values as the file keeps them: with a checksum."""
    return sealed("1 " + " ".join(str(value) for value in values))


def kept_values(data):
    """Return the values of such a file; None where its checksum or a value is wrong."""
    if len(data) < 8 or data[-1:] != b"\n" or sealed_body(data[:-1]) is None:
        return None
    words = sealed_body(data[:-1]).split(" ")
    values = [number(word) for word in words[1:]]
    if words[0] != "1" or len(values) != len(CALIBRATION):
        return None
    for value, (_, _, least, most) in zip(values, CALIBRATION):  # noqa: B905  MicroPython's zip has no strict
        if value is None or not least <= value <= most:
            return None
    return values


def sealed_body(line):
    """Return what a line without its end holds; None where its checksum is missing or wrong."""
    if len(line) < 7 or line[-6:-4] != b" ~" or any(byte < 32 or byte > 126 for byte in line):
        return None
    told = line[-4:].decode()
    if any(c not in "0123456789ABCDEF" for c in told) or int(told, 16) != crc(line[:-6]):
        return None
    return line[:-6].decode()


class Logic:
    """See the module.

    Args:
        send: Takes a line's bytes. keep: takes calibration bytes for the file. contact: takes whether it is made.
        reset: Why the board started. kept: the files' contents, tried in turn.
        counts: The converter's full scale, in counts; more: constants of a build, by name.
    """

    beat_limit_ms = 5000
    round_ms = 100
    report_ms = 500
    confirm_rounds = 3
    spoil_ms = 500
    widest = (800, 4350, -2000, 6000, 259200)

    def __init__(self, send, keep, contact, reset="power", kept=(), counts=1024, **more):
        contact(False)
        self.send, self.keep, self.make = send, keep, contact
        self.reset, self.counts = reset, counts
        for name in more:
            setattr(self, name, more[name])
        self.calibration, self.calibrated = [one[1] for one in CALIBRATION], False
        for data in kept:
            values = kept_values(data)
            if values is not None:
                self.calibration, self.calibrated = values, True
                break
        self.contact, self.trip, self.limits = "open", "unarmed", None
        self.suspect, self.suspect_rounds = "none", 0
        self.values = None  # uV, uA, 1/100 degC, 1/100 degC
        self.sums, self.noise = (0,) * 4, (0.0,) * 4
        self.beat_ms = self.held_ms = self.since_ms = self.sent_ms = self.byte_ms = 0
        self.line, self.spoiled = bytearray(), False

    # -- measuring ---------------------------------------------------------------------------------

    def degrees(self, total, first):
        """Return 1/100 degC from a sum of looks; None where the sensor's wire is broken or shorted."""
        series, a, b, c = self.calibration[first : first + 4]
        share = total / (LOOKS * self.counts)
        if not 0.02 <= share <= 0.98:
            return None
        ln = math.log(series * share / (1.0 - share))
        inverse = a * 1e-9 + b * 1e-9 * ln + c * 1e-12 * ln * ln * ln
        if not 1e-3 <= inverse <= 1e-2:
            return None
        return int(math.floor((1.0 / inverse - 273.15) * 100.0 + 0.5))  # noqa: RUF046

    def round(self, sums, squares, now_ms):
        """Take in one round: for each of the four channels the sum of its looks and of their squares."""
        of = self.calibration
        self.sums = sums
        self.noise = [
            math.sqrt(max(0, q * LOOKS - s * s)) / LOOKS
            for s, q in zip(sums, squares)  # noqa: B905
        ]
        cell = sums[0] * of[0] // (LOOKS * 1000) - of[1]
        load = sums[1] * of[2] // (LOOKS * 1000) - of[3]
        amps = load * 1000000 // of[4]
        self.values = (cell, -amps, self.degrees(sums[2], 5), self.degrees(sums[3], 9))
        before = self.contact
        if self.contact != "open":
            why = self.beyond()
            self.suspect_rounds = (self.suspect_rounds + 1 if why == self.suspect else 1) if why != "none" else 0
            self.suspect = why
            if why != "none" and self.suspect_rounds >= self.confirm_rounds:
                self.let_go(why, now_ms)
        self.watch(now_ms)
        if self.contact != before or now_ms - self.sent_ms >= self.report_ms:
            self.report(now_ms)

    # -- what opens by itself ----------------------------------------------------------------------

    def beyond(self):
        """Return which limit the last values are beyond, else "none"."""
        low, high, cold, warm, _ = self.limits
        cell, _, own, second = self.values
        if cell < low * 1000:
            return "low"
        if cell > high * 1000:
            return "high"
        if cold is None and warm is None:
            return "none"
        if own is None:
            return "sensor"
        if cold is not None and own < cold:
            return "cold"
        if warm is not None and (own > warm or (second is not None and second > warm)):
            return "warm"
        return "none"

    def held_s(self, now_ms):
        """Return for how long the contact was made since the limits were armed."""
        return (self.held_ms + (0 if self.contact == "open" else now_ms - self.since_ms)) // 1000

    def let_go(self, why, now_ms):
        """Open, and keep why."""
        self.make(False)
        if self.contact != "open":
            self.held_ms += now_ms - self.since_ms
        self.contact, self.suspect, self.suspect_rounds = "open", "none", 0
        if why != "none":
            self.trip = why

    def watch(self, now_ms):
        """Open where no beat came, or the time is over. Also called while nothing is measured."""
        if self.contact == "open":
            return
        if now_ms - self.beat_ms >= self.beat_limit_ms:
            self.let_go("beat", now_ms)
        elif self.held_s(now_ms) >= self.limits[4]:
            self.let_go("time", now_ms)

    def beat(self, wanted, now_ms):
        """Hold, or make, the contact."""
        if self.contact not in ("open", wanted):
            self.let_go("none", now_ms)
            return
        self.beat_ms = now_ms
        if self.contact != "open" or self.limits is None or self.trip != "none" or self.values is None:
            return
        why = self.beyond()
        if why == "none" and self.held_s(now_ms) >= self.limits[4]:
            why = "time"
        if why != "none":
            self.trip = why
            return
        self.contact, self.since_ms = wanted, now_ms
        self.make(True)
        self.report(now_ms)

    # -- lines -------------------------------------------------------------------------------------

    def tell(self, *words):
        """Send one line."""
        self.send(sealed("1 " + " ".join("-" if word is None else str(word) for word in words)))

    def report(self, now_ms):
        """Send what was measured last."""
        self.tell("R", now_ms, *self.values, self.contact, self.trip)
        self.sent_ms = now_ms

    def feed(self, data, now_ms):
        """Take in bytes as they come."""
        for byte in data:
            if (self.line or self.spoiled) and now_ms - self.byte_ms > self.spoil_ms:
                self.spoiled = True
            self.byte_ms = now_ms
            if byte == 10:
                body = None if self.spoiled else sealed_body(bytes(self.line))
                self.line, self.spoiled = bytearray(), False
                if body is not None:
                    self.order([word for word in body.split(" ") if word], now_ms)
            elif byte < 32 or byte > 126 or len(self.line) >= LINE_MOST:
                self.spoiled = True
            else:
                self.line.append(byte)

    def order(self, words, now_ms):
        """Carry out one order."""
        if len(words) < 2 or len(words) > 10 or words[0] != "1":
            return
        kind, rest = words[1], words[2:]
        if kind == "B" and len(rest) == 1:
            if rest[0] in CONTACTS:
                self.beat(CONTACTS[rest[0]], now_ms)
            return
        if kind == "O" and not rest:
            self.let_go("none", now_ms)
            if self.values is not None:
                self.report(now_ms)
            return
        if not rest or len(kind) != 1 or len(rest[0]) != 2:
            return
        tag, rest = rest[0], rest[1:]
        if kind == "H" and not rest:
            known = "calibrated" if self.calibrated else "uncalibrated"
            confirm_ms = self.round_ms * self.confirm_rounds
            self.tell("H", tag, "micropython", PROGRAM, self.reset, known, self.beat_limit_ms, confirm_ms)
        elif kind == "W" and not rest:
            self.tell("W", tag, *self.widest)
        elif kind == "A" and len(rest) == 5:
            self.arm(tag, rest, now_ms)
        elif kind == "L" and not rest:
            self.tell_limits(tag, now_ms)
        elif (kind == "C" and len(rest) == 1) or (kind == "P" and len(rest) == 2):
            self.calibrate(tag, rest)
        elif kind == "Q" and not rest:
            self.tell("Q", tag, *self.quality())
        else:
            self.tell("N", tag, "order")

    def tell_limits(self, tag, now_ms):
        """Send what is armed."""
        armed = (None,) * 5 if self.limits is None else self.limits
        state = "unarmed" if self.limits is None else "armed"
        self.tell("L", tag, *armed, state, self.held_s(now_ms))

    def arm(self, tag, rest, now_ms):
        """Take limits: all, or none."""
        refused = "held" if self.contact != "open" else "" if self.calibrated else "calibration"
        values = [None if word == "-" else number(word) for word in rest]
        if not refused and any(value is None and word != "-" for value, word in zip(values, rest)):  # noqa: B905
            refused = "order"
        low, high, cold, warm, longest = values
        if not refused and None in (low, high, longest):
            refused = "order"
        if not refused:
            w_low, w_high, w_cold, w_warm, w_longest = self.widest
            fits = w_low <= low < high <= w_high and 1 <= longest <= w_longest
            fits = fits and all(one is None or w_cold <= one <= w_warm for one in (cold, warm))
            if not fits or (cold is not None and warm is not None and cold >= warm):
                refused = "range"
        if refused:
            self.tell("N", tag, refused)
            return
        self.limits, self.trip, self.held_ms = tuple(values), "none", 0
        self.tell_limits(tag, now_ms)

    def calibrate(self, tag, rest):
        """Tell a calibration value; keep another one where one is given."""
        index = number(rest[0])
        if index is None or not 0 <= index < len(CALIBRATION):
            self.tell("N", tag, "range")
            return
        if len(rest) == 2:
            value = number(rest[1])
            if self.contact != "open":
                self.tell("N", tag, "held")
                return
            if value is None or not CALIBRATION[index][2] <= value <= CALIBRATION[index][3]:
                self.tell("N", tag, "range")
                return
            self.calibration[index] = value
            self.limits, self.trip, self.calibrated = None, "unarmed", True  # they were armed against other values
            self.keep(kept_text(self.calibration))
        self.tell("C", tag, index, self.calibration[index])

    def quality(self):
        """Return what a count is worth and how far single looks are spread: uV, uA, mK, mK, each."""
        of = self.calibration
        steps = [of[0] // 1000, of[2] * 1000 // of[4]]
        for total, first in ((self.sums[2], 5), (self.sums[3], 9)):
            below, above = self.degrees(total - 2 * LOOKS, first), self.degrees(total + 2 * LOOKS, first)
            steps.append(0 if below is None or above is None else (below - above) * 10 // 4)
        return steps + [int(step * noise) for step, noise in zip(steps, self.noise)]  # noqa: B905
