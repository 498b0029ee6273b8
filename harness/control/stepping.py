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

from amphora.harness.common.quantities import format_duration
from amphora.harness.control import taper
from amphora.harness.control.events import (
    Continued,
    CurrentRaised,
    Event,
    Finished,
    Paused,
    PulseSkipped,
    StepBegun,
    StepEnded,
    WaitsForHours,
)
from amphora.harness.control.step_records import (
    NO_COURSE,
    OFF,
    Advance,
    Answered,
    Attendance,
    Begin,
    Fell,
    GoOn,
    Pause,
    Record,
    Renewed,
    Resume,
    Sample,
    Sent,
    State,
    SupplyAsked,
    TooWarm,
    ZeroTaken,
)
from amphora.harness.plans.plan import COLD_DEGC, End, Order, Plan, Segment, Step

TRAIL_S = 10.0  # how far apart the points of the trails are
TRAIL_POINTS = 31  # five minutes
RATE_WINDOW_S = 120.0
NEAR_CUTOFF_V = 0.1
CONFIRM = 2  # readings on end that must agree
TAPER_SETTLE_S = 5.0
DROP_AFTER_S = 600.0  # a voltage that falls earlier is no sign of being full (common practice for nickel)
MEDIAN_POINTS = 6  # of the trail: a minute
SHOWN_AGAIN_S = 5.0  # so long a meter may show what it showed before an order, to the last digit
FALL_REST_S = 600.0  # how long a cell rests whose voltage fell in its charge (LIMITS)
COOLER_K = 1.0  # below what is allowed, before a charge that waited begins
EPSILON_S = 2e-4  # the journal keeps 0.1 ms


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
        return take(plan, state, record)
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
    events.append(Continued(state.step, why))
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


def _may_be_old(plan: Plan, state: State, t_s: float, voltage_V: float | None) -> bool:
    """Whether a reading may show what was before the last order: as old as readings get, or the same voltage again."""
    since_s = t_s - state.acted_s
    if since_s < plan.renewed_s or since_s < state.renewed_s:
        return True
    return since_s < SHOWN_AGAIN_S and voltage_V == state.before_V


def _pause(state: State, t_s: float, waiting: str, why: str, orders: list[Order], events: list[Event]) -> None:
    state.waiting = waiting
    state.paused_s = t_s
    orders.append(OFF)
    state.order = OFF
    state.last_current_A = None
    state.last_t_s = t_s
    state.asking = False
    events.append(Paused(state.step, why))


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


def take(plan: Plan, state: State, sample: Sample) -> Advance:
    """Advance by a reading in the state itself: for whoever owns it, a copy saved.

    Args, returns: see `advance`.
    """
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
    old = _may_be_old(plan, state, t_s, voltage_V)
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
    events: list[Event] = [StepEnded(state.step, "guard:no-taper", text, round(state.charge_Ah, 6))]
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
    return Advance(state, (order,), (CurrentRaised(state.step, order.current_A),))


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
        why = "in 10 min of rest its voltage fell no further: most likely a bad contact"
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
        events.append(WaitsForHours(index, "for the attended hours"))
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
    events.append(StepBegun(state.step, state.plan_step, step.kind, step.name))
    _begin_segment(plan, state, step, 0, t_s, orders, events)


def _begin_segment(
    plan: Plan, state: State, step: Step, index: int, t_s: float, orders: list[Order], events: list[Event]
) -> None:
    """Begin a segment; pulses that would sag too near the cut-off are skipped and said so."""
    while index < len(step.segments) and step.segments[index].pulse:
        predicted_V = _predicted(plan, state, step.segments[index].order)
        if step.cutoff_V is None or predicted_V is None or predicted_V >= step.cutoff_V + NEAR_CUTOFF_V:
            break
        events.append(PulseSkipped(state.step, index, round(predicted_V, 4), step.cutoff_V))
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
    events.append(StepEnded(state.step, reason, text, round(state.charge_Ah, 6)))
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
    events.append(Finished(reason, text))


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
