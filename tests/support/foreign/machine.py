"""What both styles have in common: state, faults, the truth, and how a message becomes an answer.

Faults (set at run time through the control port, by name):

    mute            obeys, answers nothing
    late            SECONDS: obeys at once, answers that much later
    slow            SECONDS: every message takes that long, orders as well
    garbled         the answers are noise
    noise           SHARE: that share of the answers is noise, at random
    not-a-number    numbers are 9.91E37
    stuck           ignores OFF
    welded          switched off by the state, and current flows on
    echo            repeats what it was sent before it answers
    drops           N: hangs up after that many messages
    session         SECONDS: one session at a time, and a dead one is held for that long (late comers are hung up on)
    queue           SECONDS: the same, and late comers wait unheard
    renew           SECONDS: readings are renewed that often
    drifts          its voltage moves within 1 mV with each reading that is new
    shows           {"voltage_V": .., "current_A": ..}: what it reads, whatever is there
    unguarded       holds what its protections were set to, and none of them acts
    silent-to       WORDS: a message that contains one of these words gets no answer
"""

import random
import time

from circuit import Circuit

NOT_A_NUMBER = "9.91E37"
NOISE = b"\xff\xfe@#5;,x!"


class Refused(Exception):
    """An order that the instrument does not take: its code and text go into the error queue."""


class Machine:
    """A load or a supply; the styles say how it is spoken to."""

    side = ""

    def __init__(self, name: str, circuit: Circuit, lacks=()) -> None:
        self.name = name
        self.circuit = circuit
        self.lacks = frozenset(lacks)
        self.lock = circuit.lock
        self.on = False
        self.since_s = time.monotonic()
        self.switched = 0
        self.faults: dict = {}
        self.fired: dict = {}
        self.received: list = []
        self.answered = 0
        self.errors: list = []
        self.tripped = ""
        self._random = random.Random(1)
        self._renewed_s = self._drifted_s = -1.0
        self._drift = 0.0
        self._readings = (0.0, 0.0)

    # -- what flows ------------------------------------------------------------------------------------

    def switch(self, on: bool) -> None:
        """Switch, unless it is stuck."""
        if not on and "stuck" in self.faults:
            self.fire("stuck")
            return
        if on:
            self.tripped = ""
        if on != self.on:
            self.on, self.since_s = on, time.monotonic()
            self.switched += 1

    def trip(self, why: str) -> None:
        """A protection of its own acts."""
        self.circuit.advance()
        self.tripped = why
        self.on, self.since_s = False, time.monotonic()

    @property
    def carries(self) -> bool:
        """Whether its terminals are energised."""
        return self.on or "welded" in self.faults

    def now(self) -> tuple[float, float]:
        """Return the true voltage and current at its terminals; the current is positive in its own direction."""
        raise NotImplementedError

    def watch(self) -> None:
        """Let the protections of its own act."""

    def look(self) -> tuple[float, float]:
        """Return what it measures, as old as its readings are."""
        renew_s = float(self.faults.get("renew", 0.0))
        now_s = time.monotonic()
        if renew_s <= 0.0:
            self._readings = self.now()
        elif now_s - self._renewed_s >= renew_s:
            self._renewed_s = now_s - now_s % renew_s
            self._readings = self.now()
        else:
            self.fire("renew")
        volt, ampere = self._readings
        if "drifts" in self.faults and (renew_s <= 0.0 or self._drifted_s != self._renewed_s):
            self._drifted_s = self._renewed_s
            self._drift = self._random.uniform(-1e-3, 1e-3)
            self.fire("drifts")
        volt += self._drift if "drifts" in self.faults else 0.0
        shows = self.faults.get("shows")
        if shows:
            self.fire("shows")
            volt, ampere = shows.get("voltage_V", volt), shows.get("current_A", ampere)
        return volt, ampere

    def fire(self, fault: str) -> None:
        """Count a fault that acted."""
        self.fired[fault] = self.fired.get(fault, 0) + 1

    # -- what is said -----------------------------------------------------------------------------------

    def hear(self, line: str, session) -> str | None:
        """Obey one message; return the answer, None for none."""
        with self.lock:
            self.circuit.advance()
            self.received.append((time.monotonic(), line))
            answers = []
            for unit in line.split(";") if self.compound else [line]:
                bare = unit.strip().lstrip(":")
                if not bare:
                    continue
                try:
                    told = self.obey(bare, session)
                except Refused as error:
                    self.errors.append(str(error))
                    continue
                if told is not None:
                    answers.append(told)
            return ";".join(answers) if answers else None

    compound = True

    def obey(self, text: str, session) -> str | None:
        """Obey one command, or answer one question."""
        raise NotImplementedError

    def number(self, value: float, text: str) -> str:
        """Return a number as it is answered."""
        if "not-a-number" in self.faults:
            self.fire("not-a-number")
            return NOT_A_NUMBER
        return text.format(value)

    def wire(self, line: str, answer: str | None, end: bytes) -> tuple[bytes, float]:
        """Return the bytes that go out for an answer and how many seconds later; faults of the link act here."""
        faults = self.faults
        out = b""
        if "echo" in faults:
            self.fire("echo")
            out += line.encode("latin-1") + end
        if answer is not None:
            quiet = faults.get("silent-to")
            if "mute" in faults:
                self.fire("mute")
                return b"", 0.0
            if quiet and any(word in line.upper() for word in quiet):
                self.fire("silent-to")
                return b"", 0.0
            if "garbled" in faults:
                self.fire("garbled")
                out += NOISE + end
            elif "noise" in faults and self._random.random() < float(faults["noise"]):
                self.fire("noise")
                out += NOISE + end
            else:
                out += answer.encode("latin-1") + end
            self.answered += 1
        late_s = float(faults.get("late", 0.0))
        if late_s and out:
            self.fire("late")
        return out, late_s

    def truth(self) -> dict:
        """What is so, whatever it answers."""
        with self.lock:
            volt, ampere = self.now()
            return {
                "on": self.on,
                "since_s": self.since_s,
                "voltage_V": volt,
                "current_A": ampere,
                "switched": self.switched,
                "tripped": self.tripped,
                "messages": len(self.received),
                "answered": self.answered,
                "faults": self.faults,
                "fired": self.fired,
                "settings": self.settings(),
            }

    def settings(self) -> dict:
        """What is set, in SI."""
        return {}


class Load(Machine):
    """Draws current."""

    side = "discharge"

    def __init__(self, name: str, circuit: Circuit, lacks=()) -> None:
        super().__init__(name, circuit, lacks)
        self.mode = "current"
        self.level = {"current": 0.0, "resistance": 1000.0, "power": 0.0, "voltage": 60.0}
        self.cutoff_V, self.cutoff_armed = 0.0, False
        self.most_A, self.most_armed = 99.0, False
        circuit.drains.append(self)

    def drawn(self, open_V: float, ohm: float) -> float:
        if not self.carries:
            return 0.0
        level = self.level[self.mode]
        if self.mode == "current":
            wanted = level
        elif self.mode == "resistance":
            wanted = open_V / (level + ohm)
        elif self.mode == "voltage":
            wanted = max(0.0, (open_V - level) / ohm)
        else:
            inside = open_V**2 - 4.0 * ohm * level
            wanted = (open_V - inside**0.5) / (2.0 * ohm) if inside > 0.0 else open_V / (2.0 * ohm)
        return min(wanted, open_V / ohm)

    def now(self) -> tuple[float, float]:
        drawn = self.circuit.state()[1] if self.circuit.reaches(self.side) else 0.0
        return self.circuit.seen_V(self.side), drawn

    def watch(self) -> None:
        if not self.on or "unguarded" in self.faults:
            return
        volt, ampere = self.now()
        if self.cutoff_armed and volt <= self.cutoff_V:
            self.trip("cutoff")
        elif self.most_armed and ampere > self.most_A:
            self.trip("over-current")

    def settings(self) -> dict:
        return {
            "mode": self.mode, "level": self.level[self.mode],
            "cutoff_V": self.cutoff_V if self.cutoff_armed else None,
            "over_current_A": self.most_A if self.most_armed else None,
        }  # fmt: skip


class Supply(Machine):
    """Feeds current; sinks none."""

    side = "charge"

    def __init__(self, name: str, circuit: Circuit, lacks=()) -> None:
        super().__init__(name, circuit, lacks)
        self.volt, self.ampere = 0.0, 0.0
        self.most_V, self.most_V_armed = 66.0, False
        self.most_A, self.most_A_armed = 11.0, False
        self.timer_s, self.timer_armed = 0.0, False
        circuit.feeds.append(self)

    def fed(self, open_V: float, ohm: float) -> float:
        if not self.carries:
            return 0.0
        return max(0.0, min(self.ampere, (self.volt - open_V) / ohm))

    def now(self) -> tuple[float, float]:
        if self.circuit.reaches(self.side):
            return self.circuit.seen_V(self.side), self.circuit.state()[2]
        return (self.volt if self.carries else 0.0), 0.0

    def watch(self) -> None:
        if not self.on or "unguarded" in self.faults:
            return
        volt, ampere = self.now()
        if self.most_V_armed and volt > self.most_V:
            self.trip("over-voltage")
        elif self.most_A_armed and ampere > self.most_A:
            self.trip("over-current")
        elif self.timer_armed and self.timer_s > 0.0 and time.monotonic() - self.since_s >= self.timer_s:
            self.trip("timer")

    def settings(self) -> dict:
        return {
            "voltage_V": self.volt, "current_A": self.ampere,
            "over_voltage_V": self.most_V if self.most_V_armed else None,
            "over_current_A": self.most_A if self.most_A_armed else None,
            "off_after_s": self.timer_s if self.timer_armed else None,
        }  # fmt: skip
