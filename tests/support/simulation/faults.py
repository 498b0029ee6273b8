"""Faults of a bench: what goes wrong with links, instruments, cells, sensors, hosts and people.

Each fault has a name, a family and its own numbers; `begin` makes it act on a simulated bench from
that moment on. It stands in `bench.fired` only once it has really acted, so that a night can prove
that its fault came. Link faults raise what a real driver raises after its own tries. Faults of the
disk and of the process (full, slow, killed) belong to whoever runs the night; they are not here.

`CATALOGUE` names them all, each entry a function that makes one with plain values; `draw` makes one
with values drawn by seed. `HOPELESS` holds the few that no program can make safe.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from amphora.drivers.errors import GarbledReply, IdentityError, InstrumentError, LinkError
from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from tests.support.simulation.described_faults import ENTRIES as DESCRIBED

if TYPE_CHECKING:
    from amphora.drivers.simulated.bench import SimulatedBench
    from amphora.drivers.simulated.parts import SimulatedInstrument

FOREVER = 10**9
Begin = Callable[["SimulatedBench", "Fault"], None]


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong.

    name: as in the catalogue; family: link, instrument, cell, sensor, host or person;
    about: one sentence; values: its numbers; act: what it does to the bench.
    """

    name: str
    family: str
    about: str
    act: Begin = field(repr=False, compare=False)
    values: dict[str, Any] = field(default_factory=dict)

    def begin(self, bench: "SimulatedBench") -> None:
        """Make it act on this bench from now on."""
        self.act(bench, self)

    def __getitem__(self, key: str) -> Any:
        return self.values[key]


# -- helpers --------------------------------------------------------------------------------------


def _instrument(bench: "SimulatedBench", fault: Fault) -> "SimulatedInstrument":
    instrument: Any = bench.instruments[fault.values.get("instrument", "load")]
    return instrument  # type: ignore[no-any-return]


def _link(make: Callable[["SimulatedInstrument", str], Exception | None]) -> Begin:
    """Return a fault of the link that strikes at the next `calls` calls."""

    def begin(bench: "SimulatedBench", fault: Fault) -> None:
        left = [int(fault.values.get("calls", 1))]
        only = fault.values.get("only", "")

        def strike(instrument: "SimulatedInstrument", what: str) -> None:
            if left[0] <= 0 or not what.startswith(only):
                return
            left[0] -= 1
            bench.mark(fault.name)
            error = make(instrument, what)
            if error is not None:
                raise error

        _hook(_instrument(bench, fault), strike)

    return begin


def _hook(instrument: "SimulatedInstrument", strike: Callable[["SimulatedInstrument", str], None]) -> None:
    before = instrument.fault

    def both(one: "SimulatedInstrument", what: str) -> None:
        strike(one, what)
        if before is not None:
            before(one, what)

    instrument.fault = both


def _reading(change: Callable[[dict[str, float], Fault, dict[str, float]], dict[str, float]]) -> Begin:
    """Return a fault of what is shown; `change` gets the values, the fault and a memory of its own."""

    def begin(bench: "SimulatedBench", fault: Fault) -> None:
        instrument = _instrument(bench, fault)
        before = instrument.reading_fault
        memory: dict[str, float] = {}
        left = [int(fault.values.get("readings", FOREVER))]

        def shown(values: dict[str, float]) -> dict[str, float]:
            if before is not None:
                values = before(values)
            if left[0] <= 0:
                return values
            left[0] -= 1
            bench.mark(fault.name)
            return change(dict(values), fault, memory)

        instrument.reading_fault = shown

    return begin


def _freeze(*keys: str) -> Begin:
    def change(values: dict[str, float], fault: Fault, memory: dict[str, float]) -> dict[str, float]:
        for key in keys:
            if key in values:
                values[key] = memory.setdefault(key, values[key])
        return values

    return _reading(change)


def _shift(key: str) -> Begin:
    def change(values: dict[str, float], fault: Fault, memory: dict[str, float]) -> dict[str, float]:
        if key in values:
            values[key] += fault["by"]
        return values

    return _reading(change)


def _drift(key: str) -> Begin:
    def change(values: dict[str, float], fault: Fault, memory: dict[str, float]) -> dict[str, float]:
        memory["n"] = memory.get("n", 0.0) + 1.0
        if key in values:
            values[key] *= 1.0 + fault["per_reading"] * memory["n"]
        return values

    return _reading(change)


def _show(key: str) -> Begin:
    def change(values: dict[str, float], fault: Fault, memory: dict[str, float]) -> dict[str, float]:
        if key in values:
            values[key] = fault["shows"]
        return values

    return _reading(change)


def _noisy(values: dict[str, float], fault: Fault, memory: dict[str, float]) -> dict[str, float]:
    memory["n"] = memory.get("n", 0.0) + 1.0
    values["voltage_V"] += fault["by"] * (1.0 if memory["n"] % 2 else -1.0)
    return values


def _orders(take: Callable[["SimulatedBench", Fault, "SimulatedInstrument", str, Callable[[], None]], bool]) -> Begin:
    """Return a fault of the next `orders` orders that begin with `only`."""

    def begin(bench: "SimulatedBench", fault: Fault) -> None:
        instrument = _instrument(bench, fault)
        left = [int(fault.values.get("orders", 1))]
        only = fault.values.get("only", "")

        def taken(one: "SimulatedInstrument", what: str, act: Callable[[], None]) -> bool:
            if left[0] <= 0 or not _is_meant(what, only):
                return False
            left[0] -= 1
            bench.mark(fault.name)
            return take(bench, fault, one, what, act)

        instrument.order_fault = taken

    return begin


def _is_meant(what: str, only: str) -> bool:
    if only == "off":
        return what == "make_safe" or what.endswith(" False")
    if only == "on":
        return what.endswith(" True")
    return what.startswith(only)


def _later(
    bench: "SimulatedBench", fault: Fault, one: "SimulatedInstrument", what: str, act: Callable[[], None]
) -> bool:
    bench.at(bench.clock.now_s() + fault["late_s"], "", lambda _: act())
    return True


# -- link -----------------------------------------------------------------------------------------


def _late(instrument: "SimulatedInstrument", what: str) -> Exception:
    instrument.bench.clock.sleep(1.0)
    return LinkError(f"{instrument.name}: no answer to {what} within 1 s")


def _slow(bench: "SimulatedBench", fault: Fault) -> None:
    left = [int(fault["calls"])]

    def strike(instrument: "SimulatedInstrument", what: str) -> None:
        if left[0] > 0:
            left[0] -= 1
            bench.mark(fault.name)
            bench.clock.sleep(fault["takes_s"])
            bench.update()

    _hook(_instrument(bench, fault), strike)


def _renewed(bench: "SimulatedBench", fault: Fault) -> None:
    """The meter measures anew only that often, and shows the same in between."""
    instrument = _instrument(bench, fault)
    before, every_s = instrument.reading_fault, float(fault["every_s"])
    slot, held = [-1.0], [dict[str, float]()]

    def shown(values: dict[str, float]) -> dict[str, float]:
        values = values if before is None else before(values)
        now = bench.clock.now_s() // every_s
        if now == slot[0]:
            bench.mark(fault.name)
            return held[0]
        slot[0], held[0] = now, values
        return values

    instrument.reading_fault = shown


def _flapping(bench: "SimulatedBench", fault: Fault) -> None:
    seen = [0]

    def strike(instrument: "SimulatedInstrument", what: str) -> None:
        if what != "read":
            return
        seen[0] += 1
        if seen[0] % int(fault["every"]) == 0 and seen[0] <= int(fault["every"]) * int(fault["times"]):
            bench.mark(fault.name)
            raise LinkError(f"{instrument.name}: no answer within 1 s")

    _hook(_instrument(bench, fault), strike)


def _another(bench: "SimulatedBench", fault: Fault) -> None:
    instrument = _instrument(bench, fault)
    lost = [True]

    def strike(one: "SimulatedInstrument", what: str) -> None:
        if what == "reopen":
            bench.mark(fault.name)
            lost[0] = False
            raise IdentityError(f"{one.name}: another instrument answers ({one.identity}) than the bench file says")
        if lost[0] and what != "make_safe":
            bench.mark(fault.name)
            raise LinkError(f"{one.name}: the connection was closed")

    instrument.identity = "SOMEBODY ELSE,OTHER,1,0.1"
    _hook(instrument, strike)


def _queue_full(bench: "SimulatedBench", fault: Fault) -> None:
    instrument = _instrument(bench, fault)

    def strike(one: "SimulatedInstrument", what: str) -> None:
        if what == "read_errors" or what.startswith("set_"):
            bench.mark(fault.name)
            if what.startswith("set_") and one.queue:
                text = one.queue.pop(0)
                raise InstrumentError(f"{one.name}: {text} after {what}")

    instrument.queue += ['-222,"Data out of range"'] * int(fault["entries"]) + ['-350,"Queue overflow"']
    _hook(instrument, strike)


# -- instrument -----------------------------------------------------------------------------------


def _silently_ignored(
    bench: "SimulatedBench", fault: Fault, one: "SimulatedInstrument", what: str, act: Callable[[], None]
) -> bool:
    bench.load.dead = True
    return False


def _ignored(
    bench: "SimulatedBench", fault: Fault, one: "SimulatedInstrument", what: str, act: Callable[[], None]
) -> bool:
    return True


def _reset(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    load, supply = bench.load, bench.supply
    load.on, load.value, load.mode, load.low_V, load.most_A, load.cut = False, 0.0, "current", None, None, False
    supply.on, supply.set_V, supply.limit_A = False, 0.0, 0.0
    supply.over_V = supply.over_A = supply.off_after_s = None


def _load_trips(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.load.trip("over-temperature protection", '+305,"Over-temperature protection tripped"')


def _supply_trips(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.supply.trip("over-voltage protection", '+302,"Over-voltage protection tripped"')


def _limits_lost(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.load.low_V = bench.load.most_A = None
    bench.supply.over_V = bench.supply.over_A = bench.supply.off_after_s = None


def _set(part: str, attribute: str, key: str) -> Begin:
    """Return a fault that sets an attribute of a part of the bench to one of its values."""

    def begin(bench: "SimulatedBench", fault: Fault) -> None:
        bench.mark(fault.name)
        setattr(getattr(bench, part), attribute, fault[key])

    return begin


def _mode_changes(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.load.mode, bench.load.value = "resistance", fault["ohm"]


# -- cell -----------------------------------------------------------------------------------------


def _cell(attribute: str, key: str, back: Any = None) -> Begin:
    """Return a fault of the cell: an attribute takes a value, and another again after `for_s`."""

    def begin(bench: "SimulatedBench", fault: Fault) -> None:
        bench.mark(fault.name)
        setattr(bench.cell, attribute, fault[key])
        if "for_s" in fault.values:
            bench.at(bench.clock.now_s() + fault["for_s"], "", lambda one: setattr(one.cell, attribute, back))

    return begin


def _respec(**factors: str) -> Begin:
    """Return a fault that multiplies numbers of what the cell is; its present charge share stays."""

    def begin(bench: "SimulatedBench", fault: Fault) -> None:
        bench.mark(fault.name)
        spec = bench.cell.spec
        changes: dict[str, Any] = {name: getattr(spec, name) * fault[key] for name, key in factors.items()}
        bench.cell.spec = replace(spec, **changes)

    return begin


def _another_cell(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.cell = SimulatedCell(KINDS[fault["kind"]], fault["soc"], bench.cell.ambient_degC)


def _wrong_way(bench: "SimulatedBench", fault: Fault) -> None:
    def change(values: dict[str, float]) -> dict[str, float]:
        bench.mark(fault.name)
        return {**values, "voltage_V": -values["voltage_V"]} if "voltage_V" in values else values

    bench.load.reading_fault = change
    bench.disconnected = False
    bench.load.dead = True  # what it would draw does not pass the meter of a model


# -- sensor, host, person ---------------------------------------------------------------------------


def _lost(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.thermometer.lost = True
    if "for_s" in fault.values:
        bench.at(bench.clock.now_s() + fault["for_s"], "", lambda one: setattr(one.thermometer, "lost", False))


def _falls_off(bench: "SimulatedBench", fault: Fault) -> None:
    def change(values: dict[str, float]) -> dict[str, float]:
        bench.mark(fault.name)
        return {**values, "temperature_degC": bench.cell.ambient_degC}

    bench.thermometer.reading_fault = change


def _suspend(bench: "SimulatedBench", fault: Fault) -> None:
    clock: Any = bench.clock
    bench.mark(fault.name)
    clock.suspend_at(clock.now_s(), fault["for_s"])


def _wall(bench: "SimulatedBench", fault: Fault) -> None:
    clock: Any = bench.clock
    bench.mark(fault.name)
    clock.set_wall(fault["by_s"])


def _ctrl_c(bench: "SimulatedBench", fault: Fault) -> None:
    left = [1]

    def strike(instrument: "SimulatedInstrument", what: str) -> None:
        if left[0] and what == "read":
            left[0] = 0
            bench.mark(fault.name)
            raise KeyboardInterrupt

    _hook(_instrument(bench, fault), strike)


def _ctrl_c_at_order(
    bench: "SimulatedBench", fault: Fault, one: "SimulatedInstrument", what: str, act: Callable[[], None]
) -> bool:
    act()
    raise KeyboardInterrupt


def _leads_off(bench: "SimulatedBench", fault: Fault) -> None:
    bench.mark(fault.name)
    bench.disconnected = True
    if "for_s" in fault.values:
        bench.at(bench.clock.now_s() + fault["for_s"], "", lambda one: setattr(one, "disconnected", False))


def _garbled(text: str) -> Callable[["SimulatedInstrument", str], Exception]:
    return lambda one, what: GarbledReply(f"{one.name}: asked to {what}, got {text}; a number in V or A is accepted")


_ENTRIES: tuple[tuple[str, str, str, Begin, dict[str, Any]], ...] = (
    ("silence", "link", "no answer for a few calls",
     _link(lambda one, what: LinkError(f"{one.name}: no answer to {what} within 1 s")), {"calls": 3}),
    ("silence for good", "link", "the instrument never reads again, but still obeys an off-order through a new link",
     _link(lambda one, what: LinkError(f"{one.name}: no answer to {what} within 1 s")),
     {"calls": FOREVER, "only": "read"}),
    ("late reply", "link", "an answer comes after its time", _link(_late), {"calls": 1}),
    ("split reply", "link", "half an answer", _link(_garbled("'+3.71'... cut off")), {"calls": 1, "only": "read"}),
    ("garbage", "link", "bytes that are no answer", _link(_garbled("'\\xff\\x00~'")), {"calls": 2, "only": "read"}),
    ("wrong unit", "link", "an answer in another unit", _link(_garbled("'3712 mV'")), {"calls": 2, "only": "read"}),
    ("not a number", "link", "9.91E37 for a while", _link(_garbled("9.91E37, not a number")),
     {"calls": 3, "only": "read"}),
    ("overrange", "link", "9.9E37 for a while", _link(_garbled("9.9E37, beyond the range")),
     {"calls": 3, "only": "read"}),
    ("garbage for good", "link", "never a readable answer again", _link(_garbled("'?'")),
     {"calls": FOREVER, "only": "read"}),
    ("comes back as another", "link", "after a lost link another instrument answers", _another, {}),
    ("error queue full", "link", "the error queue has overflowed", _queue_full, {"entries": 8}),
    ("flapping link", "link", "every so often no answer", _flapping, {"every": 50, "times": 10}),
    ("slow link", "link", "each answer takes long", _slow, {"calls": 30, "takes_s": 0.8}),
    ("late link", "link", "every answer of the night takes that long", _slow, {"calls": FOREVER, "takes_s": 0.35}),
    ("renewal slow", "link", "what it shows is measured anew only so often", _renewed, {"every_s": 2.0}),
    ("very slow link", "link", "one answer takes very long", _slow, {"calls": 1, "takes_s": 25.0}),
    ("busy when reopened", "link", "the port is taken when it is opened again",
     _link(lambda one, what: LinkError(f"{one.name}: busy")), {"calls": 6}),
    ("supply silent", "link", "the supply gives no answer for a few calls",
     _link(lambda one, what: LinkError(f"{one.name}: no answer to {what} within 1 s")),
     {"calls": 3, "instrument": "supply"}),
    ("frozen reading", "instrument", "voltage and current stand still", _freeze("voltage_V", "current_A"), {}),
    ("frozen voltage", "instrument", "the voltage stands still", _freeze("voltage_V"), {}),
    ("frozen current", "instrument", "the current stands still", _freeze("current_A"), {}),
    ("voltage jumps", "instrument", "the voltage is off by so much from now on", _shift("voltage_V"), {"by": 0.25}),
    ("current jumps", "instrument", "the current is off by so much from now on", _shift("current_A"), {"by": 0.15}),
    ("current drifts", "instrument", "the current reads more and more wrong", _drift("current_A"),
     {"per_reading": 1e-4}),
    ("noisy voltage", "instrument", "the voltage jumps to and fro for a while", _reading(_noisy),
     {"by": 0.08, "readings": 30}),
    ("one wild voltage", "instrument", "one reading far off", _shift("voltage_V"), {"by": 3.0, "readings": 1}),
    ("open sense lead", "instrument", "the voltmeter sees nothing", _show("voltage_V"), {"shows": 0.0}),
    ("order ignored", "instrument", "switched on it stays off, and says so", _orders(_ignored), {"only": "on"}),
    ("order ignored in silence", "instrument", "switched on it draws nothing, and says it is on",
     _orders(_silently_ignored), {"only": "on"}),
    ("level ignored", "instrument", "a new level is not taken", _orders(_ignored), {"only": "set_"}),
    ("order late", "instrument", "an order takes effect seconds later", _orders(_later),
     {"late_s": 3.0, "only": "on"}),
    ("off comes late", "instrument", "the off-order takes effect a second later", _orders(_later),
     {"late_s": 1.0, "only": "off", "orders": 1}),
    ("off fails once", "instrument", "the first off-order does nothing", _orders(_ignored), {"only": "off"}),
    ("off fails twice", "instrument", "two off-orders do nothing", _orders(_ignored), {"only": "off", "orders": 2}),
    ("reset to defaults", "instrument", "everything off and forgotten in mid-run", _reset, {}),
    ("load trips", "instrument", "the load switches itself off", _load_trips, {}),
    ("supply trips", "instrument", "the supply switches itself off", _supply_trips, {}),
    ("limits lost", "instrument", "what was armed is gone", _limits_lost, {}),
    ("draws too much", "instrument", "the load draws more than it was set to", _set("load", "drift", "factor"),
     {"factor": 1.6}),
    ("draws too little", "instrument", "the load draws less than it was set to", _set("load", "drift", "factor"),
     {"factor": 0.4}),
    ("supply overshoots", "instrument", "the supply gives more voltage than set",
     _set("supply", "overshoot_V", "volts"), {"volts": 0.12}),
    ("bleeder", "instrument", "the supply's output draws from the cell", _set("supply", "bleed_A", "amps"),
     {"amps": 0.03}),
    ("mode changes", "instrument", "the load falls into another mode", _mode_changes, {"ohm": 2.0}),
    ("sudden short", "cell", "a hard short inside", _cell("short_ohm", "ohm"), {"ohm": 0.25}),
    ("soft short begins", "cell", "a short of some ohms inside", _cell("short_ohm", "ohm"), {"ohm": 15.0}),
    ("open tab", "cell", "a tab breaks off", _cell("open", "open"), {"open": True}),
    ("loose tab", "cell", "a tab is off for a moment", _cell("open", "open", False), {"open": True, "for_s": 4.0}),
    ("board trips", "cell", "the protection board opens", _cell("tripped", "side"), {"side": "discharge"}),
    ("board trips and recovers", "cell", "the protection board opens and closes again", _cell("tripped", "side", ""),
     {"side": "discharge", "for_s": 90.0}),
    ("self-heating", "cell", "the cell heats itself fast", _cell("extra_heat_W", "watt"), {"watt": 9.0}),
    ("slow self-heating", "cell", "the cell heats itself slowly", _cell("extra_heat_W", "watt"), {"watt": 2.5}),
    ("far smaller", "cell", "it holds far less than assumed", _respec(capacity_Ah="factor"), {"factor": 0.15}),
    ("far larger", "cell", "it holds far more than assumed", _respec(capacity_Ah="factor"), {"factor": 5.0}),
    ("resistance rises", "cell", "the series resistance grows", _respec(r0_ohm="factor"), {"factor": 6.0}),
    ("loses charge", "cell", "self-discharge of tens of milliampere", _cell("leak_A", "amps"), {"amps": 0.04}),
    ("wrong chemistry", "cell", "it is of another chemistry", _another_cell, {"kind": "lfp", "soc": 1.0}),
    ("sensor lost", "sensor", "no temperature any more", _lost, {}),
    ("sensor lost for a moment", "sensor", "no temperature for a moment", _lost, {"for_s": 3.0}),
    ("sensor frozen", "sensor", "the temperature stands still", _freeze("temperature_degC"),
     {"instrument": "thermometer"}),
    ("sensor jumps", "sensor", "the temperature is off by so much from now on", _shift("temperature_degC"),
     {"instrument": "thermometer", "by": 45.0}),
    ("sensor falls off", "sensor", "it shows the room", _falls_off, {"instrument": "thermometer"}),
    ("sensor broken", "sensor", "it shows its lower end", _show("temperature_degC"),
     {"instrument": "thermometer", "shows": -242.0}),
    ("sensor silent", "sensor", "the logger is silent",
     _link(lambda one, what: LinkError(f"{one.name}: silent for 5 s")),
     {"instrument": "thermometer", "calls": FOREVER, "only": "read"}),
    ("suspend", "host", "the computer sleeps", _suspend, {"for_s": 900.0}),
    ("long suspend", "host", "the computer sleeps for hours", _suspend, {"for_s": 9000.0}),
    ("clock set back", "host", "the wall clock is set back", _wall, {"by_s": -5400.0}),
    ("clock set forward", "host", "the wall clock is set forward", _wall, {"by_s": 7200.0}),
    ("daylight saving", "host", "a wall clock kept in local time jumps an hour", _wall, {"by_s": 3600.0}),
    ("program held up", "host", "nothing runs for a while", _slow, {"calls": 1, "takes_s": 15.0}),
    ("Ctrl-C", "person", "a person ends the run", _ctrl_c, {}),
    ("Ctrl-C at an order", "person", "a person ends the run in the moment in which an output is switched on",
     _orders(_ctrl_c_at_order), {"only": "on"}),
    ("leads moved late", "person", "the leads are off for minutes", _leads_off, {"for_s": 180.0}),
    ("leads pulled", "person", "the leads are pulled", _leads_off, {}),
    ("wrong cell", "person", "another cell is in the holder", _another_cell, {"kind": "li-ion-good", "soc": 0.35}),
    ("wrong way round", "person", "the voltmeter sees the cell reversed", _wrong_way, {}),
)  # fmt: skip


def _maker(name: str, family: str, about: str, act: Begin, usual: dict[str, Any]) -> Callable[..., Fault]:
    def make(**values: Any) -> Fault:
        unknown = sorted(set(values) - set(usual) - {"instrument", "calls", "readings", "orders", "only", "for_s"})
        if unknown:
            raise ValueError(f"fault {name}: {unknown[0]} is not known; {', '.join(usual) or 'nothing'} is accepted")
        return Fault(name, family, about, act, {**usual, **values})

    make.__doc__ = about
    return make


def _of_described(act: Callable[..., None]) -> Begin:
    return lambda bench, fault: act(bench, fault, _instrument(bench, fault))


_ALL = (*_ENTRIES, *((*entry[:3], _of_described(entry[3]), entry[4]) for entry in DESCRIBED))
CATALOGUE: dict[str, Callable[..., Fault]] = {entry[0]: _maker(*entry) for entry in _ALL}
FAMILIES: dict[str, str] = {entry[0]: entry[1] for entry in _ALL}

HOPELESS: dict[str, Callable[..., Fault]] = {
    "off never works": _maker(
        "off never works", "instrument", "no off-order is ever obeyed: only the instrument's own limits help",
        _orders(_ignored), {"only": "off", "orders": FOREVER},
    ),
    "dead link": _maker(
        "dead link", "link", "no call ever gets through again",
        _link(lambda one, what: LinkError(f"{one.name}: no answer to {what} within 1 s")), {"calls": FOREVER},
    ),
}  # fmt: skip

_SPREAD: dict[str, tuple[float, float]] = {
    "late_s": (0.5, 8.0), "by": (0.5, 1.5), "ohm": (0.5, 3.0), "watt": (0.7, 2.0), "for_s": (0.3, 3.0),
    "takes_s": (0.3, 1.5), "every_s": (0.25, 1.5), "amps": (0.5, 2.0), "by_s": (0.2, 3.0), "per_reading": (0.3, 3.0),
    "deaf_s": (0.3, 3.0), "share_a_call": (0.3, 3.0),
}  # fmt: skip


def draw(rng: random.Random, name: str | None = None) -> Fault:
    """Return a fault of the catalogue (any, or that one) with its numbers drawn around the usual ones."""
    chosen = name or rng.choice(sorted(CATALOGUE))
    fault = CATALOGUE[chosen]()
    drawn: dict[str, Any] = {}
    for key, value in fault.values.items():
        if key == "calls" and value < FOREVER:
            drawn[key] = rng.randint(1, 2 * int(value))
        elif key in _SPREAD:
            drawn[key] = value * rng.uniform(*_SPREAD[key])
    if fault.family == "link" and "instrument" not in fault.values and rng.random() < 0.3:
        drawn["instrument"] = "supply"
    if chosen == "daylight saving":
        drawn["by_s"] = rng.choice((-3600.0, 3600.0))
    return CATALOGUE[chosen](**drawn)
