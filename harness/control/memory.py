"""What the guard remembers, what it is told, and what it may say. Plain data, no judgement.

The memory is made of records alone (orders, readings, gaps, resumes), so that folding a run's folder gives the very
memory that the run had (`guard.refold`). Times in seconds of the run, volt, ampere (positive into the cell), Ah, degC.
"""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any, NamedTuple

from amphora.harness.plans.plan import CellLimits, Order, Plan, USED_HOTTEST_degC, kind_of

OFF = Order("off")
ENERGISED = ("charge", "discharge")
FINGERS_S = 300.0  # so long a sensor that was held shows the fingers (LIMITS; common practice)
LONG_OFF_S = 2 * 3600.0  # by then a bare cell has the room's temperature again (40 J/K over 0.05 W/K, five times)
SETTLE_S = 3.0
OFF_CURRENT_A = 0.020


class Violation(NamedTuple):
    """What is wrong: the check (a name of `checks.CHECKS`), one sentence, the value and the limit."""

    check: str
    text: str
    value: float | None
    limit: float | None


class Verdict(NamedTuple):
    """What the guard says of a reading.

    `stop` acts, `suspect` wants a second reading at once, `call` calls the person and stops nothing, `told` is a
    remark on the sensor while all is off.
    """

    stop: Violation | None = None
    suspect: Violation | None = None
    call: Violation | None = None
    told: str = ""


FINE = Verdict()


class Meters(NamedTuple):
    """What the instruments show in their last digit, and what the sensor may be off by (U, k = 2)."""

    voltage_resolution_V: float = 0.001
    current_resolution_A: float = 0.001
    temperature_U_K: float = 2.0
    current_offset_A: float = 0.010


@dataclass(frozen=True)
class Watch:
    """All that stands fixed while the guard looks at one run."""

    plan: Plan
    cell: CellLimits | None
    meters: Meters

    nothing_A: float = field(init=False)  # a meter may show it while none flows: 20 mA, more where its sheet says so

    def __post_init__(self) -> None:
        nothing_A = max(OFF_CURRENT_A, self.meters.current_offset_A + 3.0 * self.meters.current_resolution_A)
        object.__setattr__(self, "nothing_A", nothing_A)


class Ordered(NamedTuple):
    """An order is on the disk, and goes out now."""

    t_s: float
    order: Order


class Acted(NamedTuple):
    """The order before has acted by now: sending it took a while."""

    t_s: float


class Reading(NamedTuple):
    """A reading as the journal keeps it; None where there is no value."""

    t_s: float
    step: int
    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None
    room_degC: float | None = None
    took_s: float = 0.0  # how long the answer took: asked for within t_s +- half of it


class TimeUnseen(NamedTuple):
    """Nobody looked: what charge may have passed, and for how long current did and may have flowed."""

    from_s: float
    to_s: float
    low_Ah: float
    high_Ah: float
    on_low_s: float
    on_high_s: float


class Resumed(NamedTuple):
    """The run goes on, all off, after it was cut short."""

    t_s: float


Record = Ordered | Acted | Reading | TimeUnseen | Resumed


@dataclass(slots=True)
class Memory:
    """What the guard remembers of one run. `judge` and `fold` work on a copy; `look` is for whoever owns it."""

    order: Order = OFF
    order_s: float = 0.0  # by when it had acted
    before_V: float | None = None  # what was shown last before it: an old reading looks the same
    before_A: float | None = None
    last_t_s: float | None = None
    last_current_A: float | None = None
    # the step, and current through the run
    step: int = -1
    step_degC: float | None = None
    step_on_s: float = 0.0  # how long current flowed for sure in this step
    step_high_V: float = -1e9  # the highest voltage while it was charged in this step
    charge_Ah: float = 0.0  # in this step, the most that may have passed
    on_s: float = 0.0  # how long it may have flowed, through the whole run
    ever_on: bool = False
    last_on: str = ""  # the kind of the last order that energised
    off_s: float = 0.0  # since when all is off
    # readings that want a second one, or have had some
    suspect: str = ""
    suspect_s: float = 0.0
    odd: int = 0
    odd_check: str = ""
    odd_s: float = 0.0
    lowest_V: float = 1e9
    good_V: float | None = None
    good_s: float = 0.0
    seen_V: float = -1e9  # the highest voltage of the run
    # what stands still: both readings, and the voltage alone
    same_voltage_V: float | None = None
    same_current_A: float | None = None
    same_s: float = 0.0
    same_count: int = 0
    volts_s: float = 0.0
    volts_count: int = 0
    stretches: int = 0  # finished stretches of equal readings under this order
    stretch_s: float = 0.0  # how long they are, a moving mean
    stretch_count: float = 0.0
    lively: float = 0.0  # share of changes of the voltage that go back and by more than a digit: noise, not slope
    jagged: float = 0.0  # share of changes by more than a digit
    last_change_V: float = 0.0
    finest_V: float = 0.0  # the smallest change seen; 0 before there was one
    repeated_s: tuple[float, ...] = ()  # how long the last readings that were shown more than once stood
    renewed_s: float = 0.0  # how often readings are renewed, as they show; 0 while nothing says that they are old
    # what the reading of the moment is worth
    since_s: float = 0.0  # for so long, at least, the order stood when this was measured; negative: perhaps not yet
    shown_V: float | None = None
    shown_A: float | None = None
    # temperature
    begun_s: float | None = None
    base_until_s: float = 0.0
    base_degC: float | None = None  # the lowest before the first current, and in the first minutes
    base_room_degC: float | None = None
    rise_K: float | None = None  # what is allowed above it, by the last order that energised
    temperature_degC: float | None = None
    temperature_seen_s: float | None = None
    temperature_same_s: float = 0.0
    temperatures: tuple[tuple[float, float], ...] = ()
    rate_K_per_min: float | None = None
    off_degC: float | None = None  # what it was once all had been off for 5 min, renewed each hour
    off_room_degC: float | None = None
    off_degC_s: float = 0.0
    sensor_told: bool = False
    # medians of a minute
    minute_s: float = 0.0
    minute: tuple[float, ...] = ()
    minutes: int = 0  # of this order
    scatter_V: float = 0.0
    charge_peak_V: float | None = None  # the highest of the step's charge; survives whatever interrupts it
    charge_A: float | None = None  # what that charge was ordered at
    rest_peak_V: float | None = None
    below: int = 0  # how many minutes on end it has been below that
    falls: int = 0  # how often the voltage fell in the charge of this step
    fall_open: bool = False  # the last one waits for its rest to judge it
    fall_trail: tuple[tuple[float, float], ...] = ()  # (seconds off, voltage) of that rest, once a minute
    rest_trail: tuple[tuple[float, float], ...] = ()
    climb: tuple[tuple[float, float], ...] = ()  # (charge, voltage) of the charge, once a minute
    # a person who was called
    called_check: str = ""
    called_s: float = 0.0

    def copy(self) -> "Memory":
        """Return a memory of its own."""
        return Memory(*_all_of(self))


_all_of = attrgetter(*(field.name for field in dataclasses.fields(Memory)))


def watch_of(plan: Plan, measurement: Mapping[str, Mapping[str, Any]] | None = None) -> Watch:
    """Return what the guard looks at a run with.

    Args:
        plan: The run's plan; one of 0.1.0 gives the limits of the cell by its notes.
        measurement: The specification of each channel as run.json holds it; None: the usual assumptions.
    """
    usual = Meters()
    if measurement is None:
        return Watch(plan, _cell_of(plan), usual)

    def number(channel: str, key: str, otherwise: float) -> float:
        value = measurement.get(channel, {}).get(key)
        return otherwise if value is None else float(value)

    sensor_K = number("temperature", "offset", usual.temperature_U_K) + number("temperature", "resolution", 0.0)
    meters = Meters(
        number("voltage", "resolution", usual.voltage_resolution_V),
        number("current", "resolution", usual.current_resolution_A),
        sensor_K,
        number("current", "offset", usual.current_offset_A),
    )
    return Watch(plan, _cell_of(plan), meters)


def _cell_of(plan: Plan) -> CellLimits | None:
    if plan.cell is not None:
        return plan.cell
    notes = plan.notes
    if notes.device or notes.window is None or notes.window.hard_low_V is None:
        return None
    hot = min(USED_HOTTEST_degC, notes.window.discharge_high_degC or USED_HOTTEST_degC)
    return CellLimits(kind_of(plan.chemistry), notes.window.hard_low_V, hot)
