"""What a step is told, and what it knows: the records that `stepping.advance` takes, and its state. Plain data.

Times in seconds of the run, volt, ampere (positive into the cell), Ah, degC.
"""

from dataclasses import dataclass
from typing import NamedTuple

from amphora.harness.control import taper
from amphora.harness.control.events import (
    Event,
)
from amphora.harness.plans.plan import Order

OFF = Order("off")


NO_COURSE = taper.TaperSoFar()


class Begin(NamedTuple):
    """The run begins."""

    t_s: float


class Sample(NamedTuple):
    """A reading, as the journal keeps it."""

    t_s: float
    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None


class Answered(NamedTuple):
    """A person did what was asked."""

    t_s: float


class Attendance(NamedTuple):
    """Somebody is there (or no longer): the attended hours began or ended."""

    t_s: float
    present: bool


class Resume(NamedTuple):
    """The run goes on after a gap in which the outputs were off, or on with known bounds."""

    t_s: float
    off_for_s: float  # how long nothing was energised: does not count as time of the step
    charge_low_Ah: float
    charge_high_Ah: float


class ZeroTaken(NamedTuple):
    """What an instrument that measures the current of a charge shows with nothing flowing."""

    t_s: float
    current_A: float


class SupplyAsked(NamedTuple):
    """The supply was asked whether it is on and has not tripped, because the current says taper."""

    t_s: float
    believed: bool


class Pause(NamedTuple):
    """The supply's own timer has run out or is about to: outputs off."""

    t_s: float
    text: str


class Sent(NamedTuple):
    """The order before acted between two moments, as sending it took a while."""

    from_s: float
    to_s: float

    @property
    def t_s(self) -> float:
        """By when it had acted."""
        return self.to_s


class Renewed(NamedTuple):
    """Readings are renewed so seldom, as they show."""

    t_s: float
    renewed_s: float


class Fell(NamedTuple):
    """The voltage fell in a charge, for the first time: outputs off, and a rest that the guard judges."""

    t_s: float
    text: str


class TooWarm(NamedTuple):
    """Too warm for the charge that was ordered; it waits with all off until it has cooled below that."""

    t_s: float
    below_degC: float


class GoOn(NamedTuple):
    """The timer was set anew: the step that was paused goes on."""

    t_s: float


Record = (
    Begin | Sample | Answered | Attendance | Resume | ZeroTaken | SupplyAsked | Pause | GoOn | Sent | Renewed | Fell
    | TooWarm
)  # fmt: skip


@dataclass(slots=True)
class State:
    """Where the run is. Never changed in place by `advance`: it works on a copy."""

    plan_step: int = -1
    step: int = -1
    segment: int = 0
    step_began_s: float = 0.0
    segment_began_s: float = 0.0
    deadline_s: float = 0.0
    charge_Ah: float = 0.0
    last_t_s: float | None = None
    last_current_A: float | None = None
    last_voltage_V: float | None = None
    first_temperature_degC: float | None = None
    trail: tuple[tuple[float, float | None, float | None], ...] = ()
    agreeing: int = 0
    agreeing_end: int = -1
    waiting: str = ""  # "", "person", "hours", "timer", "fall", "warm"
    order: Order = OFF
    resistance_ohm: float = 0.0
    before_pulse: tuple[float, float] | None = None
    measured_Ah: float | None = None
    started_full: bool = False
    present: bool = True
    main_reason: str = ""
    finished: str = ""
    paused_s: float | None = None  # since when a step that had begun waits for the attended hours, or a timer
    course: taper.TaperSoFar = NO_COURSE  # of a charge that ends by its taper
    zero_A: float = 0.0  # what the current of a charge shows with nothing flowing
    asking: bool = False  # the taper is there, and the supply is to be asked
    temperature_degC: float | None = None  # the last one
    peak_V: float = -1e9  # the highest median of a minute in this step
    acted_s: float = -1e9  # by when the last order had acted
    before_V: float | None = None  # as shown last before it
    renewed_s: float = 0.0  # how often readings are renewed, as they show
    rest_until_s: float = 0.0  # of a cell whose voltage fell in its charge
    below_degC: float = 0.0  # what a cell that was too warm has to cool to

    def copy(self) -> "State":
        """Return a state of its own."""
        return State(
            self.plan_step, self.step, self.segment, self.step_began_s, self.segment_began_s,
            self.deadline_s, self.charge_Ah, self.last_t_s, self.last_current_A, self.last_voltage_V,
            self.first_temperature_degC, self.trail, self.agreeing,
            self.agreeing_end, self.waiting, self.order, self.resistance_ohm, self.before_pulse,
            self.measured_Ah, self.started_full, self.present, self.main_reason, self.finished,
            self.paused_s, self.course, self.zero_A, self.asking, self.temperature_degC, self.peak_V,
            self.acted_s, self.before_V, self.renewed_s, self.rest_until_s, self.below_degC,
        )  # fmt: skip

    @property
    def energised(self) -> bool:
        """Whether the order of the moment lets current flow."""
        return self.order.kind in ("charge", "discharge")

    @property
    def wants_soon(self) -> bool:
        """Whether a second reading should come as soon as it can."""
        return self.agreeing > 0


class Advance(NamedTuple):
    """The next state, what to order, and what to write down."""

    state: State
    orders: tuple[Order, ...]
    events: tuple[Event, ...]
