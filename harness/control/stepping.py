"""What a step does next: `advance(state, record) -> (state, orders, events)`. Pure.

No instrument, no file, no clock: the time is in the record. The run is the fold of `advance` over
the journal's records, so a resume is a replay, and every decision can be tested on its own.

Records: `Begin`, `Sample`, `Answered` (a person), `Attendance` (the hours in which somebody is
there), `Resume` (after a gap), `ZeroTaken`, `SupplyAsked` (before a taper is believed), `Pause` and
`GoOn` (a supply's own timer), `Fell` (its voltage fell in a charge: it rests) and `TooWarm` (it waits).
Orders go to the bench through the runner; events go to the journal.
A step's `ends` are judged in its open-ended segment only, never inside a pulse, and a value has to
be there in two readings on end. Charge is integrated by the trapezoid inside a segment; where an
order changes the current, the new current counts from the moment of the change.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from amphora.harness.common.quantities import format_duration
from amphora.harness.control import taper
from amphora.harness.plans.plan import COLD_DEGC, End, Order, Plan, Segment, Step

OFF = Order("off")
TRAIL_S = 10.0  # how far apart the points of the trails are
TRAIL_POINTS = 31  # five minutes
RATE_WINDOW_S = 120.0
NEAR_CUTOFF_V = 0.1
CONFIRM = 2  # readings on end that must agree
TAPER_SETTLE_S = 5.0
NO_COURSE = taper.Course()
DROP_AFTER_S = 600.0  # a voltage that falls earlier is no sign of being full (common practice for nickel)
MEDIAN_POINTS = 6  # of the trail: a minute
SHOWN_AGAIN_S = 5.0  # so long a meter may show what it showed before an order, to the last digit
FALL_REST_S = 600.0  # how long a cell rests whose voltage fell in its charge (LIMITS)
COOLER_K = 1.0  # below what is allowed, before a charge that waited begins
EPSILON_S = 2e-4  # the journal keeps 0.1 ms


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
Event = dict[str, Any]


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
    course: taper.Course = NO_COURSE  # of a charge that ends by its taper
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


NOTHING: tuple[()] = ()


def initial(plan: Plan) -> State:
    """Return the state before the first record."""
    state = State()
    state.resistance_ohm = plan.assumed_resistance_ohm
    state.started_full = plan.start != "unknown"
    return state


def advance(plan: Plan, state: State, record: Record) -> Advance:
    """Return what follows from one record.

    Args:
        plan: The plan of the run.
        state: The state before the record; left as it is.
        record: What happened; its `t_s` is not before that of the record before it.
    """
    state = state.copy()
    if type(record) is Sample:
        return _sample(plan, state, record)
    if state.finished:
        return Advance(state, NOTHING, NOTHING)
    orders: list[Order] = []
    events: list[Event] = []
    if isinstance(record, Begin):
        _go_to(plan, state, 0, record.t_s, orders, events)
    elif isinstance(record, Answered):
        if state.waiting == "person":
            state.waiting = ""
            _end_step(plan, state, record.t_s, "person", "done as asked", orders, events)
    elif isinstance(record, Attendance):
        state.present = record.present
        step = plan.steps[state.plan_step]
        if state.waiting == "hours" and record.present:
            state.waiting = ""
            if state.paused_s is None:
                _begin_step(plan, state, record.t_s, orders, events)
            else:
                _continue(plan, state, record.t_s, "the attended hours have begun", orders, events)
        elif not record.present and step.hours is not None and state.waiting == "" and state.energised:
            _pause(state, record.t_s, "hours", "the attended hours are over", orders, events)
    elif isinstance(record, ZeroTaken):
        state.zero_A += record.current_A
    elif isinstance(record, SupplyAsked):
        if state.asking:
            _supply_answered(plan, state, record, orders, events)
    elif isinstance(record, Pause):
        if state.waiting == "" and state.energised:
            _pause(state, record.t_s, "timer", record.text, orders, events)
    elif isinstance(record, Fell):
        if state.waiting == "" and state.order.kind == "charge":
            state.rest_until_s = record.t_s + FALL_REST_S
            _pause(state, record.t_s, "fall", record.text, orders, events)
    elif isinstance(record, TooWarm):
        if state.waiting == "" and state.order.kind == "charge":
            state.below_degC = record.below_degC
            _pause(state, record.t_s, "warm", f"too warm to be charged above {record.below_degC:g} °C", orders, events)
    elif isinstance(record, GoOn):
        if state.waiting == "timer":
            _continue(plan, state, record.t_s, "the supply's timer was set again", orders, events)
    elif isinstance(record, Sent):
        _sent(plan, state, record)
    elif isinstance(record, Renewed):
        state.renewed_s = record.renewed_s
    elif isinstance(record, Resume):
        _resume(plan, state, record, orders, events)
    return Advance(state, tuple(orders), tuple(events))


def _continue(plan: Plan, state: State, t_s: float, why: str, orders: list[Order], events: list[Event]) -> None:
    """Go on in a step that was paused; outside the attended hours it waits for them first."""
    assert state.paused_s is not None
    if plan.steps[state.plan_step].hours is not None and not state.present:
        state.waiting = "hours"
        return
    state.waiting = ""
    events.append({"kind": "continued", "step": state.step, "why": why})
    off_for_s, state.paused_s = t_s - state.paused_s, None
    _go_on(plan, state, t_s, off_for_s, orders, events)


def _sent(plan: Plan, state: State, record: Sent) -> None:
    """Count the new current, and the time of a pulse, from when the order acted."""
    middle_s = 0.5 * (record.from_s + record.to_s)
    state.acted_s = record.to_s
    if state.last_t_s is not None:
        state.last_t_s = max(state.last_t_s, middle_s)
    if not state.energised or state.waiting or state.plan_step < 0:
        return
    step = plan.steps[state.plan_step]
    if step.segments[state.segment].pulse:
        late_s = max(0.0, middle_s - state.segment_began_s)
        state.segment_began_s += late_s
        state.deadline_s = min(state.deadline_s + late_s, state.step_began_s + step.max_duration_s)


def _may_be_old(plan: Plan, state: State, sample: Sample) -> bool:
    """Whether a reading may show what was before the last order: as old as readings get, or the same voltage again."""
    since_s = sample.t_s - state.acted_s
    if since_s < max(plan.renewed_s, state.renewed_s):
        return True
    return since_s < SHOWN_AGAIN_S and sample.voltage_V == state.before_V


def _pause(state: State, t_s: float, waiting: str, why: str, orders: list[Order], events: list[Event]) -> None:
    state.waiting = waiting
    state.paused_s = t_s
    orders.append(OFF)
    state.order = OFF
    state.last_current_A = None
    state.last_t_s = t_s
    state.asking = False
    events.append({"kind": "paused", "step": state.step, "why": why})


def _supply_answered(plan: Plan, state: State, record: SupplyAsked, orders: list[Order], events: list[Event]) -> None:
    """End the step by its taper where the supply is on; else the step goes on, as the runner sees to."""
    state.asking = False
    state.agreeing, state.agreeing_end = 0, -1
    if not record.believed:
        return
    end = next(end for end in plan.steps[state.plan_step].ends if end.reason == "taper")
    limit_A = _taper_end_A(plan.steps[state.plan_step], state, end)
    shown = "" if state.last_voltage_V is None else f" at {state.last_voltage_V:.3f} V"
    _end_step(plan, state, record.t_s, "taper", end.text or f"current_A <= {limit_A:g}{shown}", orders, events)


def _sample(plan: Plan, state: State, sample: Sample) -> Advance:
    t_s, voltage_V, current_A, temperature_degC = sample
    if current_A is not None:
        if state.last_t_s is not None:
            before_A = state.last_current_A
            mean_A = current_A if before_A is None else 0.5 * (before_A + current_A)
            if state.paused_s is None:  # a step that waits passes no charge, only the zero error of what measures it
                state.charge_Ah += mean_A * (t_s - state.last_t_s) / 3600.0
        state.last_current_A = current_A
        state.last_t_s = t_s
    if voltage_V is not None:
        state.last_voltage_V = voltage_V
    if temperature_degC is not None:
        state.temperature_degC = temperature_degC
        if state.first_temperature_degC is None:
            state.first_temperature_degC = temperature_degC
    trail = state.trail
    if not trail or t_s - trail[-1][0] >= TRAIL_S:
        state.trail = (*trail[-TRAIL_POINTS + 1 :], (t_s, voltage_V, temperature_degC))
        median_V = _median_V(state.trail)
        if median_V is not None and median_V > state.peak_V:
            state.peak_V = median_V
    if state.finished or state.waiting or state.plan_step < 0:
        if state.waiting and not state.finished:
            return _waiting_too_long(plan, state, t_s)
        return Advance(state, NOTHING, NOTHING)

    step = plan.steps[state.plan_step]
    segment = step.segments[state.segment]
    old = _may_be_old(plan, state, sample)
    if step.taper is not None and current_A is not None and state.order.kind == "charge" and not old:
        found = _follow(state, step, segment, sample)
        if found is not None:
            return found
    if not segment.pulse and step.ends:
        met = None if old else _met(step.ends, state, step, segment, sample)
        if met is None:
            state.agreeing = 0
            state.agreeing_end = -1
        else:
            state.agreeing = state.agreeing + 1 if state.agreeing_end == met else 1
            state.agreeing_end = met
            if state.agreeing >= CONFIRM or step.ends[met].quantity == "charge_Ah":
                orders: list[Order] = []
                events: list[Event] = []
                end = step.ends[met]
                if end.reason == "taper" and step.taper is not None:
                    state.asking = True  # the supply is asked before it is believed
                    return Advance(state, NOTHING, NOTHING)
                _end_step(plan, state, t_s, end.reason, _why(end, sample), orders, events, end.finishes)
                return Advance(state, tuple(orders), tuple(events))
    if t_s >= state.deadline_s - EPSILON_S:
        return _deadline(plan, state, step, t_s)
    if step.later_current_A is not None and state.order.kind == "charge":
        return _raised(state, step, t_s)
    return Advance(state, NOTHING, NOTHING)


def _follow(state: State, step: Step, segment: Segment, sample: Sample) -> Advance | None:
    """Follow the current of a charge; return the end of the run where it will not taper."""
    assert step.taper is not None and sample.current_A is not None
    current_A = sample.current_A - state.zero_A
    at_limit = _taper_current(state, segment, sample, step.taper.below_V) is not None
    order_A = state.order.current_A or 0.0
    state.course = taper.follow(state.course, step.taper, sample.t_s, current_A, at_limit, order_A)
    if state.course.minute_n:  # judged by the minute
        return None
    end = next((end for end in step.ends if end.reason == "taper"), None)
    if end is None or (state.course.minutes and state.course.minutes[-1][1] <= _taper_end_A(step, state, end)):
        return None  # small enough: behind a diode that drops more than stated the cell stays below where that ends it
    text = taper.no_taper(state.course, step.taper, _taper_end_A(step, state, end))
    if not text:
        return None
    orders: list[Order] = []
    events: list[Event] = [
        {
            "kind": "step-ended",
            "step": state.step,
            "reason": "guard:no-taper",
            "text": text,
            "charge_Ah": round(state.charge_Ah, 6),
        }
    ]
    _finish(state, "guard:no-taper", f"{step.name}: {text}", orders, events)
    return Advance(state, tuple(orders), tuple(events))


def _taper_end_A(step: Step, state: State, end: End) -> float:
    """Return the current at which a charge ends by its taper."""
    if step.taper is None:
        return end.value
    return taper.threshold_A(step.taper, end.value, abs(state.charge_Ah), state.order.current_A or 0.0)


def _raised(state: State, step: Step, t_s: float) -> Advance:
    """Let a first charge that went well so far go on with more current."""
    order = _charging_order(step, state, state.order)
    if order == state.order or state.course.held:
        return Advance(state, NOTHING, NOTHING)
    state.order = order
    state.last_current_A = None
    state.last_t_s = t_s
    state.course = taper.begun_anew(state.course)
    events = ({"kind": "current-raised", "step": state.step, "current_A": order.current_A},)
    return Advance(state, (order,), events)


def _charging_order(step: Step, state: State, order: Order) -> Order:
    """Return the order of a charge with the current that it may have by now, and at this temperature."""
    if order.kind != "charge" or order.current_A is None:
        return order
    current_A = order.current_A
    if step.later_current_A is not None and abs(state.charge_Ah) >= (step.later_after_Ah or 0.0):
        current_A = max(current_A, step.later_current_A)
    cold_A, degC = step.cold_current_A, state.temperature_degC
    if cold_A is not None and degC is not None and degC < COLD_DEGC:
        current_A = min(current_A, cold_A)
    if current_A == order.current_A:
        return order
    return Order("charge", order.mode, order.value, order.voltage_V, current_A, order.in_It, order.text)


def _median_V(trail: tuple[tuple[float, float | None, float | None], ...]) -> float | None:
    """Return the median voltage of the last minute of a trail; None before there is one."""
    if len(trail) < MEDIAN_POINTS:
        return None
    values = sorted(point[1] for point in trail[-MEDIAN_POINTS:] if point[1] is not None)
    return values[len(values) // 2] if values else None


def _waiting_too_long(plan: Plan, state: State, t_s: float) -> Advance:
    step = plan.steps[state.plan_step]
    if state.waiting == "person" and t_s >= state.step_began_s + step.max_duration_s - EPSILON_S:
        orders: list[Order] = []
        events: list[Event] = []
        text = f"{step.name}: nobody answered within {format_duration(step.max_duration_s)}"
        _finish(state, "guard:time", text, orders, events)
        return Advance(state, tuple(orders), tuple(events))
    why = ""
    if state.waiting == "fall" and t_s >= state.rest_until_s - EPSILON_S:
        why = "in 10 min of rest its voltage did not fall on: a contact, most likely"
    elif state.waiting == "warm" and state.temperature_degC is not None:
        why = "it has cooled" if state.temperature_degC <= state.below_degC - COOLER_K else ""
    if why:
        orders, events = [], []
        _continue(plan, state, t_s, why, orders, events)
        return Advance(state, tuple(orders), tuple(events))
    return Advance(state, NOTHING, NOTHING)


def _deadline(plan: Plan, state: State, step: Step, t_s: float) -> Advance:
    """A segment's or the step's time is up."""
    orders: list[Order] = []
    events: list[Event] = []
    step_over = t_s >= state.step_began_s + step.max_duration_s - EPSILON_S
    if step_over and not step.time_is_end and step.kind != "pulses":
        text = f"{step.name}: not done after {format_duration(step.max_duration_s)}, its upper bound"
        _finish(state, "guard:time", text, orders, events)
    elif state.segment + 1 >= len(step.segments) or step_over:
        _end_step(plan, state, t_s, "time", f"{t_s - state.step_began_s:.0f} s are over", orders, events)
    else:
        _learn_resistance(state, step)
        _begin_segment(plan, state, step, state.segment + 1, t_s, orders, events)
    return Advance(state, tuple(orders), tuple(events))


def _met(ends: tuple[End, ...], state: State, step: Step, segment: Segment, sample: Sample) -> int | None:
    """Return the index of the first end whose value is reached, else None."""
    for index, end in enumerate(ends):
        quantity = end.quantity
        value: float | None
        limit = end.value
        if quantity == "voltage_V":
            value = sample.voltage_V
        elif quantity == "current_A":
            value = _taper_current(state, segment, sample) if end.reason == "taper" else _magnitude(sample)
            if end.reason == "taper" and step.taper is not None and value is not None:
                limit = _taper_end_A(step, state, end)
                value = abs((sample.current_A or 0.0) - state.zero_A)
                if taper.falling(state.course, sample.t_s):
                    value = None  # by half within seconds: what that comes to is seen in 10 s
        elif quantity == "charge_Ah":
            value = abs(state.charge_Ah)
        elif quantity == "temperature_degC":
            value = sample.temperature_degC
        elif quantity == "temperature_rise_K":
            first = state.first_temperature_degC
            now = sample.temperature_degC
            value = None if first is None or now is None else now - first
        elif quantity == "temperature_rate_K_per_min":
            value = rate_per_s(state.trail, 2, sample.t_s, sample.temperature_degC)
            value = None if value is None else value * 60.0
        elif quantity == "load_step_ohm":
            value = state.resistance_ohm  # before a load step: what the plan assumed, far below any such limit
        elif quantity == "voltage_drop_V":
            median_V = _median_V(state.trail)
            value = None if median_V is None else state.peak_V - median_V
            if sample.t_s - state.step_began_s < DROP_AFTER_S:
                value = None
        else:
            value = rate_per_s(state.trail, 1, sample.t_s, sample.voltage_V)
            if sample.t_s - state.step_began_s < RATE_WINDOW_S * 2:
                value = None
            value = None if value is None else abs(value) * 3600.0
        if value is None:
            continue
        if (value >= limit) if end.at == ">=" else (value <= limit):
            return index
    return None


def _magnitude(sample: Sample) -> float | None:
    return None if sample.current_A is None else abs(sample.current_A)


def _taper_current(state: State, segment: Segment, sample: Sample, below_V: float = 0.05) -> float | None:
    """Return the current once the voltage is held, else None: a small current before is no taper."""
    limit_V = segment.order.voltage_V
    if sample.current_A is None or sample.voltage_V is None or limit_V is None:
        return None
    if sample.t_s - state.segment_began_s < TAPER_SETTLE_S or sample.voltage_V < limit_V - below_V:
        return None
    return abs(sample.current_A)


def rate_per_s(
    trail: tuple[tuple[float, float | None, float | None], ...],
    column: int,
    t_s: float,
    value: float | None,
    window_s: float = RATE_WINDOW_S,
) -> float | None:
    """Return the rate of change over the window before `t_s`, per second; None where it can't be told.

    Args:
        trail: Points (t_s, voltage_V, temperature_degC), oldest first.
        column: 1 for the voltage, 2 for the temperature.
        t_s: The moment of `value`.
        value: The value now.
        window_s: How far back to look, at least half of it must be there.
    """
    if value is None:
        return None
    for point in trail:
        earlier = point[column]
        if point[0] >= t_s - window_s and earlier is not None:
            span_s = t_s - point[0]
            return None if span_s < window_s / 2 else (value - earlier) / span_s
    return None


def _why(end: End, sample: Sample) -> str:
    if end.text:
        return end.text
    shown = "" if sample.voltage_V is None else f" at {sample.voltage_V:.3f} V"
    return f"{end.quantity} {end.at} {end.value:g}{shown}"


def _go_to(plan: Plan, state: State, index: int, t_s: float, orders: list[Order], events: list[Event]) -> None:
    """Go to a step of the plan, or end the run after the last."""
    if index >= len(plan.steps):
        _finish(state, state.main_reason or "time", "all steps are done", orders, events)
        return
    state.plan_step = index
    step = plan.steps[index]
    if step.hours is not None and not state.present:
        state.waiting = "hours"
        state.step_began_s = t_s
        state.deadline_s = t_s + step.max_duration_s
        if state.order.kind != "off":
            orders.append(OFF)
            state.order = OFF
        events.append({"kind": "waiting", "plan_step": index, "why": "for the attended hours"})
        return
    _begin_step(plan, state, t_s, orders, events)


def _begin_step(plan: Plan, state: State, t_s: float, orders: list[Order], events: list[Event]) -> None:
    step = plan.steps[state.plan_step]
    state.step += 1
    state.step_began_s = t_s
    state.charge_Ah = 0.0
    state.peak_V = -1e9
    state.first_temperature_degC = None
    state.trail = ()
    state.course = NO_COURSE
    state.asking = False
    state.agreeing = 0
    state.agreeing_end = -1
    events.append(
        {
            "kind": "step-begun",
            "step": state.step,
            "plan_step": state.plan_step,
            "step_kind": step.kind,
            "name": step.name,
        }
    )
    _begin_segment(plan, state, step, 0, t_s, orders, events)


def _begin_segment(
    plan: Plan, state: State, step: Step, index: int, t_s: float, orders: list[Order], events: list[Event]
) -> None:
    """Begin a segment; pulses that would sag too near the cut-off are skipped and said so."""
    while index < len(step.segments) and step.segments[index].pulse:
        predicted_V = _predicted(plan, state, step.segments[index].order)
        if step.cutoff_V is None or predicted_V is None or predicted_V >= step.cutoff_V + NEAR_CUTOFF_V:
            break
        events.append(
            {
                "kind": "pulse-skipped",
                "step": state.step,
                "segment": index,
                "predicted_V": round(predicted_V, 4),
                "cutoff_V": step.cutoff_V,
            }
        )
        index += 1
    if index >= len(step.segments):
        _end_step(plan, state, t_s, "time", "no pulse is left to do", orders, events)
        return
    segment = step.segments[index]
    order = _charging_order(step, state, _resolve(plan, state, segment.order))
    state.segment = index
    state.segment_began_s = t_s
    state.deadline_s = min(t_s + segment.duration_s, state.step_began_s + step.max_duration_s)
    state.before_pulse = None
    if segment.pulse and state.last_voltage_V is not None and state.last_current_A is not None:
        state.before_pulse = (state.last_voltage_V, state.last_current_A)
    if order != state.order or order.kind in ("ask", "connect"):
        state.acted_s, state.before_V = t_s, state.last_voltage_V
        state.last_current_A = None  # the new current counts from here
        state.last_t_s = t_s
        orders.append(order)
        if order.kind == "ask":
            state.waiting = "person"
            state.order = OFF
        elif order.kind == "connect":
            state.order = OFF
        else:
            state.order = order


def _resolve(plan: Plan, state: State, order: Order) -> Order:
    """Turn a level in It into ampere."""
    if not order.in_It:
        return order
    it_A = state.measured_Ah if state.measured_Ah is not None else plan.capacity_Ah
    scaled_A = None if order.current_A is None else order.current_A * it_A
    scaled = None if order.value is None else order.value * it_A
    if order.kind == "discharge" and scaled is not None and plan.max_current_A > 0:
        scaled = min(scaled, plan.max_current_A)
    if order.kind == "charge" and scaled_A is not None and plan.max_current_A > 0:
        scaled_A = min(scaled_A, plan.max_current_A)
    return Order(order.kind, order.mode, scaled, order.voltage_V, scaled_A, False, order.text)


def _predicted(plan: Plan, state: State, order: Order) -> float | None:
    """Predict the voltage at the end of a pulse from the resistance seen so far."""
    order = _resolve(plan, state, order)
    if order.kind != "discharge" or order.mode != "current" or order.value is None:
        return None
    if state.last_voltage_V is None:
        return None
    now_A = state.last_current_A or 0.0
    return state.last_voltage_V - (order.value + now_A) * state.resistance_ohm


def _learn_resistance(state: State, step: Step) -> None:
    """Take the resistance from the pulse that just ended, for the prediction of the next."""
    if not step.segments[state.segment].pulse or state.before_pulse is None:
        return
    if state.last_voltage_V is None or state.last_current_A is None:
        return
    step_A = state.last_current_A - state.before_pulse[1]
    if abs(step_A) > 0.02:
        seen_ohm = (state.last_voltage_V - state.before_pulse[0]) / step_A
        if 0.0 < seen_ohm < 10.0:
            state.resistance_ohm = seen_ohm


def _end_step(
    plan: Plan, state: State, t_s: float, reason: str, text: str, orders: list[Order], events: list[Event],
    finishes: bool = False,
) -> None:  # fmt: skip
    step = plan.steps[state.plan_step]
    _learn_resistance(state, step)
    events.append(
        {
            "kind": "step-ended",
            "step": state.step,
            "reason": reason,
            "text": text,
            "charge_Ah": round(state.charge_Ah, 6),
        }
    )
    if step.kind == "discharge":
        state.main_reason = reason
        if reason == "cutoff" and state.started_full:
            state.measured_Ah = abs(state.charge_Ah)
        state.started_full = False
    elif step.kind == "charge":
        state.main_reason = reason
        state.started_full = reason in ("taper", "charge", "condition", "time")
    elif step.kind in ("log", "sweep"):
        state.main_reason = reason
    after = len(plan.steps) if finishes else state.plan_step + 1
    if reason == "cutoff" and step.after_cutoff is not None:
        after = step.after_cutoff
    _go_to(plan, state, after, t_s, orders, events)


def _finish(state: State, reason: str, text: str, orders: list[Order], events: list[Event]) -> None:
    orders.append(OFF)
    state.order = OFF
    state.waiting = ""
    state.finished = reason
    events.append({"kind": "finished", "reason": reason, "text": text})


def _resume(plan: Plan, state: State, record: Resume, orders: list[Order], events: list[Event]) -> None:
    """Go on in the same step: its clock stood still while nothing was energised."""
    if state.plan_step < 0:
        _go_to(plan, state, 0, record.t_s, orders, events)
        return
    off_for_s = record.off_for_s if state.paused_s is None or state.waiting == "timer" else 0.0
    if state.waiting == "warm" and state.paused_s is not None:
        off_for_s = max(record.off_for_s, record.t_s - state.paused_s)
    if state.waiting in ("timer", "warm"):
        state.waiting, state.paused_s = "", None
    if state.waiting == "fall":  # nobody saw all of that rest: it begins anew
        state.rest_until_s = record.t_s + FALL_REST_S
    state.charge_Ah += 0.5 * (record.charge_low_Ah + record.charge_high_Ah)
    _go_on(plan, state, record.t_s, off_for_s, orders, events)


def _go_on(plan: Plan, state: State, t_s: float, off_for_s: float, orders: list[Order], events: list[Event]) -> None:
    """Go on in a step that was left for a while; what is compared with its beginning starts anew where it must."""
    step = plan.steps[state.plan_step]
    shift_s = off_for_s if step.segments[state.segment].order.kind in ("charge", "discharge") else 0.0
    if shift_s > 0.0:  # it rested: its voltage fell or rose and it cooled, and that is no sign of being full
        state.peak_V = -1e9
        state.first_temperature_degC = None
    state.course = taper.begun_anew(state.course)
    state.asking = False
    state.step_began_s += shift_s
    state.segment_began_s += shift_s
    state.deadline_s += shift_s
    state.last_t_s = t_s
    state.last_current_A = None
    state.agreeing = 0
    state.trail = ()
    state.order = OFF
    if state.waiting:
        if state.waiting == "person":
            orders.append(step.segments[state.segment].order)
        return
    index = state.segment
    if step.segments[index].pulse:
        index += 1  # half a pulse is none
    if index >= len(step.segments):
        _end_step(plan, state, t_s, "time", "the last pulse was cut short", orders, events)
        return
    began_s, deadline_s = state.segment_began_s, state.deadline_s
    _begin_segment(plan, state, step, index, t_s, orders, events)
    if index == state.segment and not step.segments[index].pulse and index == len(step.segments) - 1:
        state.segment_began_s, state.deadline_s = began_s, max(deadline_s, t_s)


def record_of(event: Mapping[str, Any]) -> Record | None:
    """Return the record that an event of the journal stands for, None for one that is a result."""
    kind = event["kind"]
    t_s = float(event["t_s"])
    if kind == "begin":
        return Begin(t_s)
    if kind == "person" and event.get("act") == "done":
        return Answered(t_s)
    if kind == "attendance":
        return Attendance(t_s, bool(event["present"]))
    if kind == "current-zero" and "in_charge_A" in event:
        return ZeroTaken(t_s, float(event["in_charge_A"]))
    if kind == "supply-asked":
        return SupplyAsked(t_s, bool(event["believed"]))
    if kind == "sent":
        return Sent(float(event["from_s"]), float(event["to_s"]))
    if kind == "renewal-seen":
        return Renewed(t_s, float(event["renewed_s"]))
    if kind == "timer-pause":
        return Pause(t_s, str(event["text"]))
    if kind == "timer-go-on":
        return GoOn(t_s)
    if kind == "voltage-fell":
        return Fell(t_s, str(event["text"]))
    if kind == "too-warm":
        return TooWarm(t_s, float(event["below_degC"]))
    if kind == "resumed":
        return Resume(t_s, float(event["off_for_s"]), float(event["charge_low_Ah"]), float(event["charge_high_Ah"]))
    return None


RESULT_KINDS = frozenset(
    {"step-begun", "step-ended", "pulse-skipped", "paused", "continued", "waiting", "finished", "current-raised"}
)  # what `advance` itself writes


def replay(plan: Plan, events: list[dict[str, Any]], rows: list[Sample]) -> tuple[State, list[Event]]:
    """Fold a run's records; return the last state and the events that `advance` gave.

    Args:
        plan: The plan in run.json.
        events: The events of the journal, in order, each with `after_row`.
        rows: The rows of the journal, in order.
    """
    state = initial(plan)
    told: list[Event] = []
    done = 0
    # The row on which the guard stopped was written down and not acted on.
    stopped = {int(event["after_row"]) - 1 for event in events if event["kind"] == "guard"}
    for event in events:
        record = record_of(event)
        if record is None:
            continue
        while done < min(int(event["after_row"]), len(rows)):
            if done not in stopped:
                state, _, new = advance(plan, state, rows[done])
                told.extend(new)
            done += 1
        state, _, new = advance(plan, state, record)
        told.extend(new)
    while done < len(rows):
        if done not in stopped:
            state, _, new = advance(plan, state, rows[done])
            told.extend(new)
        done += 1
    return state, told
