"""The cell behind load and supply: a voltage source that follows its charge, with a resistance in series."""

import threading
import time
from dataclasses import dataclass, field

TICK_S = 0.01


@dataclass
class Circuit:
    """One cell. Currents in ampere, both positive in their own direction; `asked` holds who draws and who feeds."""

    full_V: float = 4.2
    empty_V: float = 3.0
    resistance_ohm: float = 0.05
    capacity_Ah: float = 1.0
    charge_Ah: float = 0.5
    leads_open: bool = False
    reversed: bool = False
    taken_Ah: float = 0.0
    given_Ah: float = 0.0
    lowest_V: float = 99.0
    highest_V: float = -99.0
    counted_s: float = field(default_factory=time.monotonic)
    lock: threading.RLock = field(default_factory=threading.RLock)
    drains: list = field(default_factory=list)  # objects with .drawn(open_V, ohm) and .watch(volt, ampere)
    feeds: list = field(default_factory=list)  # objects with .fed(open_V, ohm) and .watch(volt, ampere)
    path: object = None  # a relay, when there is one: .reaches("discharge")

    def open_V(self) -> float:
        """Voltage without current; below empty it falls steeply, above full it rises steeply."""
        share = self.charge_Ah / self.capacity_Ah
        inside = self.empty_V + (self.full_V - self.empty_V) * min(max(share, 0.0), 1.0)
        outside = 20.0 * (share if share < 0.0 else max(0.0, share - 1.0))
        return max(0.0, inside + outside)

    def reaches(self, side: str) -> bool:
        """Whether the leads of one side are at the cell."""
        if self.leads_open:
            return False
        return self.path is None or self.path.reaches(side)

    def state(self) -> tuple[float, float, float]:
        """Return the cell's voltage, and the currents drawn and fed."""
        with self.lock:
            volt = self.open_V()
            drawn = sum(one.drawn(volt, self.resistance_ohm) for one in self.drains if self.reaches("discharge"))
            under = volt - drawn * self.resistance_ohm
            fed = sum(one.fed(under, self.resistance_ohm) for one in self.feeds if self.reaches("charge"))
            return max(0.0, under + fed * self.resistance_ohm), drawn, fed

    def seen_V(self, side: str) -> float:
        """Return what a voltmeter at the terminals of one side reads."""
        volt = self.state()[0] if self.reaches(side) else 0.0
        return -volt if self.reversed else volt

    def advance(self) -> None:
        """Count what flowed until now; before anything is switched as well."""
        with self.lock:
            now_s = time.monotonic()
            volt, drawn, fed = self.state()
            hours = (now_s - self.counted_s) / 3600.0
            self.counted_s = now_s
            self.taken_Ah += drawn * hours
            self.given_Ah += fed * hours
            self.charge_Ah += (fed - drawn) * hours
            self.lowest_V, self.highest_V = min(self.lowest_V, volt), max(self.highest_V, volt)

    def live(self) -> None:
        """Integrate for ever, and let the protections watch."""
        while True:
            time.sleep(TICK_S)
            with self.lock:
                self.advance()
                for one in (*self.drains, *self.feeds):
                    one.watch()
