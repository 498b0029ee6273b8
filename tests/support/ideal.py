"""An ideal bench on a virtual clock, for tests of the runner: a linear cell, instruments without errors.

OCV = 3.0 V + 1.2 V * z, R0 = 0.1 ohm, 2.0 Ah: the cell of the closed forms (FACTS 11.4, 11.5).
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from amphora.drivers.errors import LinkError
from amphora.drivers.roles import Abilities, SafeState

BENCH = {
    "name": "ideal",
    "leads": "wired",
    "instruments": {
        "load": {"role": "load", "resource": "ideal"},
        "supply": {"role": "supply", "resource": "ideal"},
    },
    "cell": {"voltage": "load", "current": ["load", "supply"], "temperature": "load"},
}


class IdealClock:
    """Moves only when somebody sleeps."""

    virtual = True

    def __init__(self) -> None:
        self.s = 1000.0
        self.begin = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
        self.on_sleep: list[Callable[[float], None]] = []
        self.slept_s = 0.0
        self.wall_s = 0.0  # what the wall clock is ahead by
        self.start_of = "first"  # which start of the computer this is

    def suspend(self, for_s: float) -> None:
        """Have the computer asleep for so long, from now; the cell goes on."""
        self.s += for_s
        self.slept_s += for_s

    def suspend_once(self, after_s: float, for_s: float) -> list[float]:
        """Have it fall asleep at the first wait after a moment; the answer holds when that came."""
        done: list[float] = []

        def fall_asleep(now_s: float) -> None:
            if now_s > after_s and not done:
                done.append(now_s)
                self.suspend(for_s)

        self.on_sleep.append(fall_asleep)
        return done

    def asleep_s(self) -> float:
        return self.slept_s

    def boot(self) -> tuple[str, float]:
        return self.start_of, self.s

    def now_s(self) -> float:
        return self.s

    def utc(self) -> datetime:
        return self.begin + timedelta(seconds=self.s - 1000.0 + self.wall_s)

    def sleep(self, seconds: float) -> None:
        self.s += max(seconds, 0.0)
        for hook in self.on_sleep:
            hook(self.s)


class IdealBench:
    """The cell and what is switched on."""

    def __init__(self, z: float = 1.0) -> None:
        self.clock = IdealClock()
        self.z = z
        self.at_s = self.clock.now_s()
        self.mode: str = "current"
        self.value = 0.0
        self.load_on = False
        self.supply_on = False
        self.set_V = 0.0
        self.limit_A = 0.0
        self.degC = 20.0
        self.log: list[str] = []
        self.fault: Callable[[str], None] = lambda call: None
        self.load = IdealInstrument(self, "load")
        self.supply = IdealInstrument(self, "supply")
        self.instruments: dict[str, Any] = {"load": self.load, "supply": self.supply}

    def ocv(self) -> float:
        return 3.0 + 1.2 * self.z

    def current(self) -> float:
        """Current into the cell, A."""
        if self.load_on:
            if self.mode == "current":
                return -self.value
            if self.mode == "resistance":
                return -self.ocv() / (self.value + 0.1)
            ocv = self.ocv()
            return -(ocv - (ocv * ocv - 0.4 * self.value) ** 0.5) / 0.2
        if self.supply_on:
            return max(0.0, min(self.limit_A, (self.set_V - self.ocv()) / 0.1))
        return 0.0

    def update(self) -> None:
        """Bring the cell to now, in steps of a second."""
        now_s = self.clock.now_s()
        while self.at_s < now_s - 1e-9:
            step_s = min(1.0, now_s - self.at_s)
            self.z += self.current() * step_s / 3600.0 / 2.0
            self.at_s += step_s

    def voltage(self) -> float:
        return self.ocv() + self.current() * 0.1


class IdealInstrument:
    """Load and supply in one class: what a role asks."""

    def __init__(self, bench: IdealBench, role: str) -> None:
        self.bench = bench
        self.name = role
        self.role = role
        self.abilities = Abilities()

    def _call(self, what: str) -> None:
        self.bench.update()
        self.bench.log.append(f"{self.name}.{what}")
        self.bench.fault(f"{self.name}.{what}")

    def identify(self) -> str:
        self._call("identify")
        return f"IDEAL,{self.name},0,1"

    def read_errors(self) -> list[str]:
        return []

    def read(self) -> Mapping[str, float]:
        self._call("read")
        current_A = self.bench.current()
        own = current_A if (current_A < 0) == (self.role == "load") else 0.0
        answer = {"voltage_V": self.bench.voltage(), "current_A": own}
        if self.role == "load":
            answer["temperature_degC"] = self.bench.degC
        return answer

    def read_setup(self) -> Mapping[str, object]:
        self._call("read_setup")
        return {"on": self.bench.load_on if self.role == "load" else self.bench.supply_on}

    def make_safe(self) -> SafeState:
        self._call("make_safe")
        self._switch(False)
        return SafeState(True, self.bench.current(), "off")

    def _switch(self, on: bool) -> None:
        if self.role == "load":
            self.bench.load_on = on
        else:
            self.bench.supply_on = on

    def reopen(self) -> None:
        self._call("reopen")

    def close(self) -> None:
        self.bench.log.append(f"{self.name}.close")

    def set_discharge(self, mode: str, value: float) -> float:
        self._call(f"set_discharge {mode} {value:g}")
        self.bench.mode, self.bench.value = mode, value
        return value

    def set_input(self, on: bool) -> None:
        self._call(f"set_input {on}")
        self._switch(on)

    def set_voltage(self, voltage_V: float) -> float:
        self._call(f"set_voltage {voltage_V:g}")
        self.bench.set_V = voltage_V
        return voltage_V

    def set_current_limit(self, current_A: float) -> float:
        self._call(f"set_current_limit {current_A:g}")
        self.bench.limit_A = current_A
        return current_A

    def set_output(self, on: bool) -> None:
        self._call(f"set_output {on}")
        self._switch(on)

    def arm_limits(self, *limits: float | None) -> Mapping[str, float]:
        self._call("arm_limits")
        return {}


def dead_link(name: str, after: int, for_calls: int = 10**9) -> Callable[[str], None]:
    """Return a fault: from its `after`-th reading on, an instrument's link is dead for some calls."""
    seen = [0, 0]

    def fault(call: str) -> None:
        if not call.startswith(f"{name}."):
            return
        if call == f"{name}.read":
            seen[0] += 1
        if seen[0] >= after and seen[1] < for_calls:
            seen[1] += 1
            raise LinkError(f"{name}: no answer within 1 s")

    return fault
