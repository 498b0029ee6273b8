"""A whole bench made of physics: cell, leads, load, supply, thermometer, on one clock.

The physics moves on lazily: whoever asks anything first brings the bench to the clock's now, in
steps of at most a second while current flows. The same seed gives the same night, to the bit.
"""

import math
import random
from collections.abc import Callable
from datetime import datetime
from typing import Any, Protocol

from amphora.drivers.roles import Clock, Instrument
from amphora.drivers.simulated import clock as virtual
from amphora.drivers.simulated.cell import SimulatedCell, delivered_Ah, leak_truth, make_cell
from amphora.drivers.simulated.device import DEVICES, Device, on_load, on_supply
from amphora.drivers.simulated.operator import act
from amphora.drivers.simulated.parts import (
    CURRENT,
    LOWEST_LOAD_V,
    TEMPERATURE,
    VOLTAGE,
    ChannelSpec,
    SimLoad,
    SimSupply,
    SimSwitch,
    SimThermometer,
)

DIODE_THERMAL_V = 0.027  # n kT/q of a Schottky diode
STEP_S = 1.0
REST_STEP_S = 10.0
HARD_SHORT_S = 0.1  # siemens, from which a cell at rest is stepped as finely as under load
USUAL_A = {"nimh": 0.06}
"""What `truth` discharges at: 0.2 It of a cell assumed to hold 1 Ah (NiMH AA from a light: 0.3 Ah)."""
Event = Callable[["SimulatedBench"], None]


class Mishap(Protocol):
    """One thing that goes wrong on a bench."""

    @property
    def name(self) -> str:
        """What it is called."""
        ...

    def begin(self, bench: "SimulatedBench") -> None:
        """Make it act on this bench from now on."""
        ...


class SimulatedBench:
    """One simulated set-up.

    Args:
        kind: Kind of cell (`drivers.simulated.cell.KINDS`), or "lamp" or "panel" in its place.
        seed: Seed of cell and instruments.
        start_soc: Share of charge at the start; None: as the kind comes.
        ambient_degC: Temperature of the room.
        errors: Whether instruments have errors; False: they show the truth.
        clock: Whose time it is; None: a virtual clock.
        begin_utc: What the virtual clock's wall shows at first.
        cell: A cell of one's own instead of `kind`.
        leads: "wired", "relay" or "by hand", as the bench file has it.
        lead_ohm: Leads and holder, seen by an instrument without remote sense.
        sense: Whether the instruments sense at the cell.
        contact_spread_ohm: What the holder's contacts may add each time the cell is put in anew.
        room: Whether there is a second sensor, which shows the room.
        voltage, current, temperature: What the channels may be off by (`METERS`).
        wobble_A: How far the current swings in constant voltage (`WOBBLE_A`).
    """

    def __init__(
        self,
        kind: str = "li-ion",
        seed: int = 0,
        *,
        start_soc: float | None = None,
        ambient_degC: float = 20.0,
        errors: bool = True,
        clock: Clock | None = None,
        begin_utc: datetime | None = None,
        cell: SimulatedCell | None = None,
        leads: str = "wired",
        lead_ohm: float = 0.030,
        sense: bool = True,
        contact_spread_ohm: float = 0.001,
        room: bool = False,
        voltage: ChannelSpec = VOLTAGE,
        current: ChannelSpec = CURRENT,
        temperature: ChannelSpec = TEMPERATURE,
        wobble_A: float = 0.0,
    ) -> None:
        rng = random.Random(f"{kind}:{seed}")
        self.kind = kind
        self.seed = seed
        self.clock: Clock = clock or virtual.VirtualClock(begin_utc or virtual.BEGIN)
        self.device: Device | None = DEVICES[kind]() if kind in DEVICES else None  # stands where a cell would
        self.cell = cell or make_cell("li-ion" if self.device else kind, rng, start_soc, ambient_degC)
        self._device_V = self.device.open_circuit_V() if self.device else 0.0
        self.start_soc = self.cell.soc
        self.lead_ohm = self._wire_ohm = lead_ohm
        self.contact_spread_ohm = contact_spread_ohm
        self._hand = random.Random(f"{kind}:{seed}:hand")
        self.sense = sense
        self._specs = (voltage, current, temperature)
        self.load = SimLoad(self, "load", rng, errors, voltage, current)
        self.supply = SimSupply(self, "supply", rng, errors, voltage, current)
        self.supply.wobble_A = wobble_A if errors else 0.0
        self.thermometer = SimThermometer(self, "thermometer", rng, errors, temperature, voltage)
        self.instruments: dict[str, Instrument] = {
            "load": self.load,
            "supply": self.supply,
            "thermometer": self.thermometer,
        }
        self.room: SimThermometer | None = None
        if room:
            self.instruments["room"] = self.room = SimThermometer(self, "room", rng, errors, temperature, voltage)
            self.room.of_the_room = True
        self.check_ohm = 10.0  # what the check resistor really is
        self.switch: SimSwitch | None = None
        if leads == "relay":
            self.switch = SimSwitch(self, "relay")
            self.instruments["relay"] = self.switch
        self.leads = leads
        self.diode_saturation_A: float | None = None  # of a blocking diode in the supply's lead; None: there is none
        self.side = ""  # where leads that are moved by hand are: "charge", "discharge"; "" before they are moved
        self.disconnected = False
        self.fired: list[str] = []
        self._events: list[tuple[float, str, Event]] = []
        self._at_s = self.clock.now_s()
        self._current_A = 0.0
        self._solved = False
        self.readings = 0  # of the load, which is the voltmeter of this bench
        self._reading_faults: list[tuple[int, Mishap]] = []
        self.next_reading = -1
        self.lowest_V = self.highest_V = self.cell.voltage(0.0)
        self.description = self._describe()

    # -- faults ---------------------------------------------------------------------------------

    def at(self, at_s: float, name: str, event: Event) -> None:
        """Have something happen to the bench at a moment; it stands in `fired` once it has."""
        self._events.append((at_s, name, event))
        self._events.sort(key=lambda item: item[0])

    def inject(self, fault: "Mishap", *, at_s: float | None = None, at_reading: int | None = None) -> None:
        """Have a fault begin at a moment of the bench, or just before a reading of the load (from 1).

        It stands in `fired` once it has really acted: an order that is to be ignored must have come.

        Raises:
            ValueError: neither or both of the two were given.
        """
        if (at_s is None) == (at_reading is None):
            raise ValueError(f"{fault.name}: at_s or at_reading is needed, one of them")
        if at_s is not None:
            self.at(at_s, "", fault.begin)
            return
        self._reading_faults.append((int(at_reading or 0), fault))
        self._reading_faults.sort(key=lambda item: item[0])
        self.next_reading = self._reading_faults[0][0]

    def begin_due(self) -> None:
        """Begin the faults whose reading has come."""
        while self._reading_faults and self._reading_faults[0][0] <= self.readings:
            self._reading_faults.pop(0)[1].begin(self)
            self.touch()
        self.next_reading = self._reading_faults[0][0] if self._reading_faults else -1

    def mark(self, name: str) -> None:
        """Note that a fault has acted."""
        if name not in self.fired:
            self.fired.append(name)

    def asked(self, what: str) -> None:
        """Do by hand what the person of this bench is asked for: one of `drivers.hands.ACTS`, "" for nothing.

        A lamp in place of the cell is switched; leads and the voltmeter's clips are moved; the cell is reseated; the
        sensor is warmed, the check resistor put in and taken out.
        """
        self.update()
        act(self, what)
        if self.device is not None and self.device.asked(what):
            self.touch()
        if what in ("clips-to-load", "clips-to-cell"):
            self.sense = what == "clips-to-cell"
        elif what == "reseat-cell":
            self.reseat()
        elif what in ("leads-to-supply", "leads-to-load") and self.leads == "by hand":
            self.side = "charge" if what == "leads-to-supply" else "discharge"
            self.touch()

    def hand_meter_V(self) -> float:
        """Return what a hand meter shows at the cell, V, to the millivolt."""
        self.update()
        return round(self.sense_voltage(), 3)

    def reseat(self) -> None:
        """Take the cell out of its holder and put it back: the contacts touch elsewhere."""
        self.lead_ohm = self._wire_ohm + self._hand.uniform(0.0, self.contact_spread_ohm)
        self.mark("reseated")
        self.touch()

    def put_in(self, cell: SimulatedCell) -> None:
        """Put another cell into the holder: it is in the room from now on."""
        self.update()
        cell.ambient_degC = self.cell.ambient_degC
        self.cell = cell
        self.touch()

    def touch(self) -> None:
        """Something was switched, set or swapped: solve the circuit anew."""
        self._solved = False
        self.cell.changed()

    # -- physics --------------------------------------------------------------------------------

    def update(self) -> None:
        """Bring the bench to the clock's now."""
        now_s = self.clock.now_s()
        if now_s <= self._at_s:
            if self._events and self._events[0][0] <= now_s:
                self._happen(now_s)
            return
        left_s = now_s - self._at_s
        while left_s > 1e-9:
            if self._events and self._events[0][0] <= self._at_s:
                self._happen(self._at_s)
            current_A = self._current_A if self._solved else self._solve()
            most_s = STEP_S if current_A or self.cell.short_S() > HARD_SHORT_S else REST_STEP_S
            step_s = left_s if left_s < most_s else most_s
            if self._events:
                until_s = self._events[0][0] - self._at_s
                if 0.0 < until_s < step_s:
                    step_s = until_s
            if self.device is not None:
                self.device.advance(step_s, self._device_V)
                current_A = 0.0
            self.cell.advance(step_s, current_A)
            self._solved = False
            self._at_s += step_s
            left_s -= step_s
        self._at_s = now_s
        if self._events and self._events[0][0] <= now_s:
            self._happen(now_s)

    def _happen(self, now_s: float) -> None:
        while self._events and self._events[0][0] <= now_s:
            _, name, event = self._events.pop(0)
            if name:
                self.mark(name)
            event(self)
            self.touch()

    def _solve(self) -> float:
        """Return the current into the cell with what is switched on now, A; sees to the trips."""
        if self._solved:
            return self._current_A
        self._solved = True
        if self.device is not None:
            return self._solve_device(self.device)
        load, supply, cell = self.load, self.supply, self.cell
        self._current_A = 0.0
        if not (load.on or supply.on) or self.disconnected:
            if supply.bleed_A and not self.disconnected:
                self._current_A = -supply.bleed_A
            return self._current_A
        inner_V, series_ohm = cell.inner_V(), cell.series_ohm()
        ohm = series_ohm + self.lead_ohm
        if load.on and not load.dead and self._connected("discharge"):
            self._current_A = self._load_current(inner_V, ohm)
        elif supply.on and self._connected("charge"):
            self._current_A = self._supply_current(inner_V, ohm)
        if (cell.tripped or cell.open) and self._current_A and not cell.conducts(self._current_A):
            self._current_A = 0.0
        shown_V = inner_V + self._current_A * series_ohm
        if shown_V < self.lowest_V:
            self.lowest_V = shown_V
        elif shown_V > self.highest_V:
            self.highest_V = shown_V
        return self._current_A

    def _solve_device(self, device: Device) -> float:
        load, supply = self.load, self.supply
        volts, current_A = device.open_circuit_V(), 0.0
        if not self.disconnected and load.on and not load.dead and self._connected("discharge"):
            volts, current_A = on_load(device, load.mode, load.value * load.drift)
        elif not self.disconnected and supply.on and self._connected("charge"):
            volts, current_A = on_supply(device, supply.set_V * supply.set_gain + supply.overshoot_V, supply.limit_A)
        self._device_V, self._current_A = volts, current_A
        return current_A

    def _connected(self, wanted: str) -> bool:
        if self.side and self.side != wanted:
            return False
        return self.switch is None or self.switch.position == wanted

    def load_sees_V(self) -> float:
        """Return what stands at the load's sense terminals, V: nothing where all its wires are off the cell."""
        return 0.0 if self.side == "charge" and not self.sense else self.sense_voltage()

    def _load_current(self, inner_V: float, ohm: float) -> float:
        load = self.load
        most_A = max((inner_V - LOWEST_LOAD_V) / ohm, 0.0)
        mode, value = load.mode, load.value
        if mode == "current":
            wanted_A = value * load.set_gain * load.drift
        elif mode == "resistance":
            wanted_A = inner_V / (value + ohm)
        elif mode == "power":
            under = inner_V * inner_V - 4.0 * value * ohm
            wanted_A = (inner_V - under**0.5) / (2.0 * ohm) if under > 0.0 else inner_V / (2.0 * ohm)
        else:
            wanted_A = max((inner_V - value) / ohm, 0.0)
        if wanted_A > most_A:
            wanted_A = most_A
        if load.most_A is not None and wanted_A > load.most_A:
            load.trip("over-current protection", '+301,"Over-current protection tripped"')
            return 0.0
        if load.low_V is not None:
            at_V = inner_V - wanted_A * (self.cell.series_ohm() if self.sense else ohm)
            if load.cut and not load.abilities.cutoff_latches and inner_V > load.low_V + 0.2:
                load.cut = False
            if at_V < load.low_V:
                load.cut = True
                if load.abilities.cutoff_latches:
                    load.trip("low-voltage cut-off")
                return 0.0
            if load.cut:
                return 0.0
        return -wanted_A

    def _supply_current(self, inner_V: float, ohm: float) -> float:
        supply = self.supply
        set_V = supply.set_V * supply.set_gain + supply.overshoot_V
        series = self.cell.series_ohm() if self.sense else ohm
        if supply.off_after_s is not None and self._at_s - supply.on_since_s > supply.off_after_s:
            supply.trip("off-timer")
            return 0.0
        if supply.over_V is not None and set_V > supply.over_V:
            supply.trip("over-voltage protection", '+302,"Over-voltage protection tripped"')
            return 0.0
        if self.diode_saturation_A is None:
            wanted_A = (set_V - inner_V) / series
        else:
            wanted_A = self._through_diode(set_V - inner_V, ohm)
        if wanted_A > supply.limit_A:
            wanted_A = supply.limit_A
        if supply.over_A is not None and wanted_A > supply.over_A:
            supply.trip("over-current protection", '+303,"Over-current protection tripped"')
            return 0.0
        return wanted_A if wanted_A > 0.0 else 0.0

    def diode_V(self, current_A: float) -> float:
        """Return the drop of the blocking diode in the supply's lead, V; 0 without one.

        Source: W. Shockley's equation, n kT/q = 27 mV (from memory: a Schottky diode near room temperature).
        """
        if self.diode_saturation_A is None or current_A <= 0.0:
            return 0.0
        return DIODE_THERMAL_V * math.log1p(current_A / self.diode_saturation_A)

    def _through_diode(self, over_V: float, ohm: float) -> float:
        """Return the current at which diode and resistance share a voltage, A."""
        low_A, high_A = 0.0, max(over_V / ohm, 0.0)
        for _ in range(50):
            middle_A = 0.5 * (low_A + high_A)
            if middle_A * ohm + self.diode_V(middle_A) > over_V:
                high_A = middle_A
            else:
                low_A = middle_A
        return low_A

    def sense_voltage(self) -> float:
        """Return the voltage at the sense leads with the present current, V."""
        if self.disconnected:
            return 0.0
        current_A = self._current_A if self._solved else self._solve()
        if self.device is not None:
            return self._device_V
        volts = self.cell.voltage(current_A)
        return volts if self.sense else volts + current_A * self.lead_ohm

    def load_current(self) -> float:
        """Return the load's share of the current into the cell, A (negative or zero)."""
        current_A = self._current_A if self._solved else self._solve()
        return current_A if self.load.on and current_A < 0.0 else 0.0

    def supply_current(self) -> float:
        """Return the supply's share of the current into the cell, A."""
        current_A = self._current_A if self._solved else self._solve()
        return current_A if not (self.load.on and current_A < 0.0) else 0.0

    # -- what is told about it --------------------------------------------------------------------

    def _describe(self) -> dict[str, Any]:
        voltage, current, temperature = self._specs
        electrical = {"voltage": voltage.table("V"), "current": current.table("A"), "time": {"gain": "1 ppm"}}
        instruments: dict[str, Any] = {
            "load": {"role": "load", "resource": "simulated", "specification": electrical},
            "supply": {"role": "supply", "resource": "simulated", "specification": electrical},
            "thermometer": {
                "role": "logger",
                "port": "simulated",
                "specification": {"temperature": temperature.table("K")},
            },
        }
        cell: dict[str, Any] = {"voltage": "load", "current": ["load", "supply"], "temperature": "thermometer"}
        if self.room is not None:
            instruments["room"] = {**instruments["thermometer"]}
            cell["room_temperature"] = "room"
        if self.switch is not None:
            instruments["relay"] = {"role": "switch", "port": "simulated"}
        return {
            "name": "simulated bench",
            "leads": self.leads,
            "sensed_at": "cell" if self.sense else "load",
            "simulated": True,
            "instruments": instruments,
            "cell": cell,
            "check_resistor": {"resistance": "10 ohm", "tolerance": "0.1 %"},
        }

    def truth(self, current_A: float | None = None, cutoff_V: float | None = None) -> dict[str, Any]:
        """Return what is really there: capacity at a current and cut-off, resistances, state at the start."""
        if self.device is not None:
            return self.device.truth()
        spec = self.cell.spec
        used_A = current_A if current_A is not None else USUAL_A.get(spec.chemistry, 0.2)
        used_V = cutoff_V if cutoff_V is not None else spec.cutoff_V
        fresh = SimulatedCell(spec, 0.5, self.cell.ambient_degC)
        fresh.leak_A, fresh.short_ohm = self.cell.leak_A, self.cell.short_ohm
        return {
            "kind": self.kind,
            "seed": self.seed,
            "chemistry": spec.chemistry,
            "inner_capacity_Ah": spec.capacity_Ah,
            "capacity_Ah": delivered_Ah(self.cell, used_A, used_V),
            "current_A": used_A,
            "cutoff_V": used_V,
            "r0_ohm": fresh.series_ohm(),
            "r1_ohm": spec.r1_ohm,
            "c1_F": spec.c1_F,
            "r2_ohm": spec.r2_ohm,
            "c2_F": spec.c2_F,
            **leak_truth(fresh),
            "lead_ohm": self.lead_ohm,
            "start": "full" if self.start_soc >= 0.999 else "unknown",
            "start_soc": self.start_soc,
            "ambient_degC": self.cell.ambient_degC,
        }
