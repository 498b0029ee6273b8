"""Simulated instruments: they implement `drivers.roles` on a simulated bench, with the errors real ones have.

Each reading is true * (1 + gain) + offset + noise, rounded to the resolution; gain and offset are
drawn once by seed within the specification that the bench file states. A load limits itself to
what the cell can give; a supply is constant current, then constant voltage, and never sinks.
"""

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import cos, log, pi, sin, sqrt
from typing import TYPE_CHECKING, Any

from amphora.drivers.errors import InstrumentError, LimitError
from amphora.drivers.roles import Abilities, DischargeMode, Position, SafeState
from amphora.drivers.simulated.operator import Fingers

if TYPE_CHECKING:
    from amphora.drivers.simulated.bench import SimulatedBench

TURN = 2.0 * pi
LOWEST_LOAD_V = 0.10  # a load cannot pull a terminal lower than its shunt and transistor need


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """What a channel may be off by: relative gain and offset (half-widths), resolution, noise (1 sigma)."""

    gain: float = 0.0
    offset: float = 0.0
    resolution: float = 0.0
    noise: float = 0.0

    def table(self, unit: str) -> dict[str, str]:
        """Return the specification as a bench file writes it."""
        return {
            "gain": f"{self.gain * 100:.6g} %",
            "offset": f"{self.offset:.6g} {unit}",
            "resolution": f"{self.resolution:.6g} {unit}",
            "distribution": "rectangular",
        }


VOLTAGE = ChannelSpec(0.0005, 0.002, 0.0001, 0.00015)
CURRENT = ChannelSpec(0.001, 0.0015, 0.0001, 0.0002)
TEMPERATURE = ChannelSpec(0.0, 0.5, 0.01, 0.02)

METERS: dict[str, dict[str, ChannelSpec]] = {
    "good": {"voltage": VOLTAGE, "current": CURRENT, "temperature": TEMPERATURE},
    "cheap": {
        "voltage": ChannelSpec(0.005, 0.010, 0.001, 0.0033),
        "current": ChannelSpec(0.01, 0.009, 0.010, 0.003),
        "temperature": ChannelSpec(0.0, 1.0, 0.1, 0.1),
    },
}
"""What the meters of a bench may be off by: `SimulatedBench(**METERS["cheap"], wobble_A=WOBBLE_A)`.

Cheap: scatter of single readings up to 10 mV (three sigma), currents in steps of 10 mA, zeros of up to 9 mA, as cheap
loads and supplies show (common practice).
"""
WOBBLE_A = 0.029
"""By how much the current in constant voltage rises over its lowest, in single readings of a healthy cell; measured: 10
to 31 mA in eight charges of the NASA Ames PCoE aging data (cells B0030, B0033, B0034, B0046)."""


def _steps_in_one(resolution: float) -> float:
    """Return how many steps of a power of ten from 1 to 1e-9 make one, 0 for any other resolution."""
    return next((10.0**digits for digits in range(10) if resolution == float(f"1e-{digits}")), 0.0)


class Channel:
    """One measuring channel with its own fixed errors."""

    __slots__ = ("_rng", "_steps", "frozen", "gain", "jump", "noise", "offset", "resolution")

    def __init__(self, spec: ChannelSpec, rng: random.Random, errors: bool) -> None:
        self.gain = 1.0 + (rng.uniform(-spec.gain, spec.gain) if errors else 0.0)
        self.offset = rng.uniform(-spec.offset, spec.offset) if errors else 0.0
        self.noise = spec.noise if errors else 0.0
        self.resolution = spec.resolution if errors else 0.0
        self.jump = 0.0
        self.frozen: float | None = None
        self._rng: Any = rng
        self._steps = _steps_in_one(self.resolution)

    def read(self, true: float) -> float:
        """Return what the channel shows for a true value.

        Several are read each simulated second. So the noise is `random.Random.gauss` written out (it keeps every second
        value in `gauss_next`), and a decimal step is divided by rather than rounded to: the same to the bit.
        """
        if self.frozen is not None:
            return self.frozen
        value = true * self.gain + self.offset + self.jump
        if self.noise:
            rng = self._rng
            normal = rng.gauss_next
            if normal is None:
                turn = rng.random() * TURN
                length = sqrt(-2.0 * log(1.0 - rng.random()))
                normal = cos(turn) * length
                rng.gauss_next = sin(turn) * length
            else:
                rng.gauss_next = None
            value += normal * self.noise
        if self._steps:
            return round(value / self.resolution) / self._steps
        if self.resolution:
            return round(round(value / self.resolution) * self.resolution, 9)
        return value


Hook = Callable[["SimulatedInstrument", str], None]
Values = dict[str, float]
ReadingHook = Callable[[Values], Values]
OrderHook = Callable[["SimulatedInstrument", str, Callable[[], None]], bool]


class SimulatedInstrument:
    """What all simulated instruments share."""

    role = "meter"

    def __init__(self, bench: "SimulatedBench", name: str, abilities: Abilities) -> None:
        self.bench = bench
        self.name: str = name
        self.abilities = abilities
        self.identity = f"AMPHORA SIM,{self.role.upper()},{bench.seed:04d},1.0"
        self.queue: list[str] = []
        self.fault: Hook | None = None  # called before each call; may raise as a driver would
        self.reading_fault: ReadingHook | None = None  # changes what is shown
        self.order_fault: OrderHook | None = None  # True: it has taken the order over
        self.closed = False
        self._shown_s = -1e9
        self._shown: Mapping[str, float] = {}

    def _call(self, what: str) -> None:
        """Bring the bench to now, and let an injected fault have its say."""
        self.bench.update()
        if self.fault is not None:
            self.fault(self, what)

    def _order(self, what: str, act: Callable[[], None]) -> None:
        """Carry an order out, unless a fault takes it over."""
        self._call(what)
        if self.order_fault is None or not self.order_fault(self, what, act):
            act()
        self.bench.touch()

    def _held(self) -> bool:
        """Whether the last reading still stands: some refresh only a few times a second."""
        refresh_s = self.abilities.refresh_s
        if not refresh_s:
            return False
        now_s = self.bench.clock.now_s()
        if now_s - self._shown_s < refresh_s:
            return True
        self._shown_s = now_s
        return False

    def identify(self) -> str:
        """Return the identity."""
        self._call("identify")
        return self.identity

    def read_errors(self) -> list[str]:
        """Empty the error queue."""
        self._call("read_errors")
        queued, self.queue = self.queue, []
        return queued

    def read(self) -> Mapping[str, float]:
        """Measure nothing."""
        self._call("read")
        return {}

    def read_setup(self) -> Mapping[str, object]:
        """Nothing to switch."""
        self._call("read_setup")
        return {"on": None}

    def make_safe(self) -> SafeState:
        """Nothing to switch off."""
        self._call("make_safe")
        return SafeState(True, None, f"{self.name}: only measures")

    def reopen(self) -> None:
        """Open the link again."""
        self._call("reopen")
        self.closed = False

    def close(self) -> None:
        """Give the link back."""
        self.closed = True


class SimulatedOutlet(SimulatedInstrument):
    """What load and supply share: they measure voltage and current, and can be switched."""

    switched = "output"

    def __init__(
        self,
        bench: "SimulatedBench",
        name: str,
        abilities: Abilities,
        rng: random.Random,
        errors: bool,
        voltage: ChannelSpec,
        current: ChannelSpec,
    ) -> None:
        super().__init__(bench, name, abilities)
        self.voltage = Channel(voltage, rng, errors)
        self.current = Channel(current, rng, errors)
        self.on = False
        self.tripped: list[str] = []  # its own protections that have acted, until it is switched on again

    def true_current(self) -> float:
        """Return what flows through it, positive into the cell, in ampere."""
        raise NotImplementedError

    def true_voltage(self) -> float:
        """Return what stands at its sense terminals, in volt."""
        return self.bench.sense_voltage()

    def read(self) -> Mapping[str, float]:
        """Measure voltage and current; the current as seen by the cell."""
        self.bench.update()
        return self._measure()

    def _measure(self) -> Mapping[str, float]:
        """Measure a bench that is up to date."""
        if self.fault is not None:
            self.fault(self, "read")
        if self.abilities.refresh_s and self._held():
            return self._shown
        current_A = self.true_current()
        values = {"voltage_V": self.voltage.read(self.true_voltage()), "current_A": self.current.read(current_A)}
        if self.reading_fault is not None:
            values = self.reading_fault(values)
        self._shown = values
        return values

    def trip(self, protection: str, entry: str = "") -> None:
        """Switch off by its own protection, with an entry in the error queue where it makes one."""
        self.on = False
        self.tripped.append(protection)
        if entry:
            self.queue.append(entry)

    def read_trips(self) -> list[str]:
        """Return which of its own protections have tripped."""
        self._call("read_trips")
        return list(self.tripped)

    def _switch(self, on: bool) -> None:
        self.on = on
        if on:
            self.tripped.clear()

    def _order_switch(self, on: bool) -> None:
        self._order(f"set_{self.switched} {on}", lambda: self._switch(on))
        if self.on != on:
            raise InstrumentError(f"{self.name}: {self.switched} ordered {'on' if on else 'off'}, reads back otherwise")

    def _order_value(self, what: str, value: float, unit: str, key: str, top: float) -> float:
        """Refuse, order, read back: a value that stands in the attribute `key`."""
        if not 0.0 <= value <= top:
            raise LimitError(f"{self.name}: {what} {value:g} {unit} is outside 0 to {top:g} {unit}; nothing was sent")
        self._order(f"set_{what.replace(' ', '_')} {value:g}", lambda: setattr(self, key, value))
        held = getattr(self, key)
        if held != value:
            raise InstrumentError(f"{self.name}: asked for {value:g} {unit}, holds {held:g} {unit} (read back)")
        return value

    def make_safe(self) -> SafeState:
        """Switch off, read back."""
        self._order("make_safe", lambda: self._switch(False))
        current_A = self.current.read(self.true_current())
        text = "STILL ON after being ordered off" if self.on else f"{self.switched} off, read back"
        return SafeState(not self.on, current_A, f"{self.name}: {text}")


class SimLoad(SimulatedOutlet):
    """An electronic load."""

    role = "load"
    switched = "input"

    def __init__(
        self,
        bench: "SimulatedBench",
        name: str,
        rng: random.Random,
        errors: bool,
        voltage: ChannelSpec = VOLTAGE,
        current: ChannelSpec = CURRENT,
        abilities: Abilities | None = None,
        most_A: float = 5.0,
    ) -> None:
        able = abilities or Abilities(
            low_voltage_cutoff=True,
            cutoff_latches=True,
            over_current_protection=True,
            power_on_off=True,
            remote_sense=True,
        )
        super().__init__(bench, name, able, rng, errors, voltage, current)
        self.set_gain = 1.0 + (rng.uniform(-current.gain, current.gain) if errors else 0.0)
        self.mode: DischargeMode = "current"
        self.value = 0.0
        self.low_V: float | None = None
        self.most_A: float | None = None
        self.range_A = most_A
        self.cut = False
        self.drift = 1.0  # what it draws, as a share of what is set
        self.dead = False  # switched on it draws nothing

    def true_current(self) -> float:
        """Return what it draws, as the cell sees it."""
        return self.bench.load_current()

    def read(self) -> Mapping[str, float]:
        """Measure voltage and current; a reading of the load is what the bench counts."""
        bench = self.bench
        bench.update()
        bench.readings = count = bench.readings + 1
        if count == bench.next_reading:
            bench.begin_due()
            bench.update()
        return self._measure()

    def true_voltage(self) -> float:
        """Return what stands at its sense terminals, in volt."""
        return self.bench.load_sees_V()

    def read_setup(self) -> Mapping[str, object]:
        """Return whether the input is on, mode and level."""
        self._call("read_setup")
        return {"on": self.on, "mode": self.mode, "value": self.value}

    def set_discharge(self, mode: DischargeMode, value: float) -> float:
        """Set mode and level.

        Raises:
            LimitError: outside its range; nothing was set.
        """
        top = {"current": self.range_A, "resistance": 10000.0, "power": 60.0, "voltage": 60.0}[mode]
        if not 0.0 <= value <= top:
            raise LimitError(f"{self.name}: {mode} {value:g} is outside 0 to {top:g}; nothing was sent")

        def act() -> None:
            self.mode, self.value = mode, value

        self._order(f"set_discharge {mode} {value:g}", act)
        if (self.mode, self.value) != (mode, value):
            raise InstrumentError(
                f"{self.name}: asked for {mode} {value:g}, holds {self.mode} {self.value:g} (read back)"
            )
        return value

    def _switch(self, on: bool) -> None:
        super()._switch(on)
        self.cut = False

    def set_input(self, on: bool) -> None:
        """Switch the input."""
        self._order_switch(on)

    def arm_limits(self, low_voltage_V: float | None, max_current_A: float | None) -> Mapping[str, float]:
        """Arm the low-voltage cut-off and the current protection."""
        self._call("arm_limits")
        held: dict[str, float] = {}
        if low_voltage_V is not None and self.abilities.low_voltage_cutoff:
            self.low_V = held["low_voltage_V"] = low_voltage_V
        if max_current_A is not None and self.abilities.over_current_protection:
            self.most_A = held["max_current_A"] = max_current_A
        self.bench.touch()
        return held


class SimSupply(SimulatedOutlet):
    """A supply: constant current up to a voltage; it reads 0 V with its output off."""

    role = "supply"

    def __init__(
        self,
        bench: "SimulatedBench",
        name: str,
        rng: random.Random,
        errors: bool,
        voltage: ChannelSpec = VOLTAGE,
        current: ChannelSpec = CURRENT,
        abilities: Abilities | None = None,
    ) -> None:
        able = abilities or Abilities(
            over_voltage_protection=True,
            over_current_protection=True,
            off_timer=True,
            power_on_off=True,
            measures_with_output_off=False,
            remote_sense=True,
        )
        super().__init__(bench, name, able, rng, errors, voltage, current)
        self.set_gain = 1.0 + (rng.uniform(-0.0004, 0.0004) if errors else 0.0)
        self.set_V = 0.0
        self.limit_A = 0.0
        self.over_V: float | None = None
        self.over_A: float | None = None
        self.off_after_s: float | None = None
        self.on_since_s = 0.0
        self.bleed_A = 0.0
        self.overshoot_V = 0.0
        self.wobble_A = 0.0  # in constant voltage single readings of the current are higher by up to this
        self._wobbles = random.Random(f"{bench.kind}:{bench.seed}:wobble")  # its own, so that no other draw moves

    def true_current(self) -> float:
        """Return what it feeds into the cell, with the short swings of its regulation in constant voltage.

        They last less than a step of the physics and carry no charge.
        """
        current_A = self.bench.supply_current()
        if self.wobble_A and self.on and 0.0 < current_A < 0.999 * self.limit_A:
            # mostly small, one reading in about 20 above half of the whole
            current_A += self.wobble_A * self._wobbles.random() ** 4 * (0.5 + 0.5 * self._wobbles.random())
        return current_A

    def true_voltage(self) -> float:
        """Return what stands at its terminals as far as it can see."""
        bench = self.bench
        if bench.diode_saturation_A is not None and self.on:  # then it senses before the diode
            current_A = bench.supply_current()
            return bench.cell.voltage(current_A) + current_A * bench.lead_ohm + bench.diode_V(current_A)
        return bench.sense_voltage() if self.on else 0.0

    def read_setup(self) -> Mapping[str, object]:
        """Return whether the output is on, voltage and current limit."""
        self._call("read_setup")
        return {"on": self.on, "voltage_V": self.set_V, "current_limit_A": self.limit_A}

    def set_voltage(self, voltage_V: float) -> float:
        """Set the output voltage.

        Raises:
            LimitError: outside 0 to 30 V; nothing was set.
        """
        return self._order_value("voltage", voltage_V, "V", "set_V", 30.0)

    def set_current_limit(self, current_A: float) -> float:
        """Set the current limit.

        Raises:
            LimitError: outside 0 to 5 A; nothing was set.
        """
        return self._order_value("current limit", current_A, "A", "limit_A", 5.0)

    def _switch(self, on: bool) -> None:
        if on and not self.on:
            self.on_since_s = self.bench.clock.now_s()
        super()._switch(on)

    def set_output(self, on: bool) -> None:
        """Switch the output."""
        self._order_switch(on)

    def arm_limits(
        self, over_voltage_V: float | None, over_current_A: float | None, off_after_s: float | None
    ) -> Mapping[str, float]:
        """Arm protections and the timer."""
        self._call("arm_limits")
        held: dict[str, float] = {}
        if over_voltage_V is not None and self.abilities.over_voltage_protection:
            self.over_V = held["over_voltage_V"] = over_voltage_V
        if over_current_A is not None and self.abilities.over_current_protection:
            self.over_A = held["over_current_A"] = over_current_A
        if off_after_s is not None and self.abilities.off_timer:
            held["off_after_s"] = self.set_timer(off_after_s)
        self.bench.touch()
        return held

    def set_timer(self, off_after_s: float) -> float:
        """Set the timer; with the output on it begins anew where it is one of that kind.

        Raises:
            LimitError: it has none; nothing was set.
        """
        self._call("set_timer")
        if not self.abilities.off_timer:
            raise LimitError(f"{self.name}: has no timer; nothing was sent")
        self.off_after_s = off_after_s
        if self.on and self.abilities.off_timer_renewable:
            self.on_since_s = self.bench.clock.now_s()
        self.bench.touch()
        return off_after_s


class SimThermometer(SimulatedInstrument):
    """A serial logger with a temperature channel on the cell's can, and a voltmeter at its tabs."""

    role = "logger"

    def __init__(
        self,
        bench: "SimulatedBench",
        name: str,
        rng: random.Random,
        errors: bool,
        temperature: ChannelSpec = TEMPERATURE,
        voltage: ChannelSpec = VOLTAGE,
    ) -> None:
        super().__init__(bench, name, Abilities())
        self.temperature = Channel(temperature, rng, errors)
        self.voltage = Channel(voltage, rng, errors)
        self.lost = False
        self.of_the_room = False  # it hangs in the air beside the bench
        self.fingers = Fingers()
        self.identity = f"simulated logger, {bench.seed:04d}"

    def true_degC(self) -> float:
        """Return how warm the sensor is, in degree Celsius."""
        cell = self.bench.cell
        lies_on_degC = cell.ambient_degC if self.of_the_room else cell.temperature_degC
        return lies_on_degC + self.fingers.warmth(self.bench.clock.now_s(), lies_on_degC)

    def read(self) -> Mapping[str, float]:
        """Measure the temperature of the can."""
        bench = self.bench
        bench.update()
        if self.fault is not None:
            self.fault(self, "read")
        if self.lost:
            return {}
        values = {"temperature_degC": self.temperature.read(self.true_degC())}
        if self.reading_fault is not None:
            values = self.reading_fault(values)
        return values


class SimSwitch(SimulatedInstrument):
    """A relay between the cell and load or supply.

    welded: it stays where it is, whatever is ordered. slow_s: it moves that much later. moves: the bench whose cell it
    really moves, where the relays of two bays are swapped; None: its own.
    """

    role = "switch"

    def __init__(self, bench: "SimulatedBench", name: str) -> None:
        super().__init__(bench, name, Abilities())
        self.position: Position = "open"
        self.welded = False
        self.slow_s = 0.0
        self.moves: SimulatedBench | None = None

    def _move(self, position: Position) -> None:
        bench = self.moves or self.bench
        switch = bench.switch
        if switch is None or switch.welded:
            return

        def act(_: object = None) -> None:
            switch.position = position
            bench.touch()

        if self.slow_s and position != switch.position:
            bench.at(bench.clock.now_s() + self.slow_s, "slow relay", act)
        else:
            act()

    def connect(self, position: Position) -> None:
        """Move."""
        self._call(f"connect {position}")
        self._move(position)

    def beat(self) -> None:
        """Nothing to hold here."""

    def make_safe(self) -> SafeState:
        """Open."""
        self._call("make_safe")
        self._move("open")
        return SafeState(True, None, f"{self.name}: open")


class SimLeadsMeter(SimulatedInstrument):
    """A voltmeter on leads that several bays share: it shows the cell whose relay is closed on them.

    benches: All whose relay can join these leads. Two joined cells: the mean of both, for want of their resistances.
    """

    role = "meter"

    def __init__(self, bench: "SimulatedBench", name: str, benches: "list[SimulatedBench]") -> None:
        super().__init__(bench, name, Abilities())
        self.benches = benches

    def read(self) -> dict[str, float]:
        """Return `voltage_V` of the leads."""
        self._call("read")
        volts = []
        for bench in self.benches:
            bench.update()
            if bench.switch is not None and bench.switch.position == "charge":
                volts.append(bench.sense_voltage())
        return {"voltage_V": sum(volts) / len(volts) if volts else 0.0}

    def make_safe(self) -> SafeState:
        """Only measures."""
        return SafeState(True, None, f"{self.name}: only measures")
