"""Judges each reading: `judge(watch, limits, memory, reading) -> (memory, verdict)`. Pure, a fold over records.

Independent of the step logic. The memory is made of records alone: `fold` takes orders, gaps and resumes, `judge`
takes readings, and `refold` makes the memory of a run's folder anew, so that a resume goes on with all that was known.

A first violation makes the reading suspect and asks for a second one as soon as the link can give it; the second
violation of the same check in a row stops the run. Checks that compare with what was ordered wait for the
instruments to settle and say how many readings they need. The names of all checks, and what follows from each, stand
in `control.checks`. Two of them are not raised here: `protection-tripped` by the runner, `no-taper` by the charge.

Beside the limits of the step the cell itself is guarded, in every step and rest, with current or without
(`plan.CellLimits`): its least voltage, its warmth (`warmth`), readings that stand still (`standstill`), voltages
that go the wrong way (`slopes`). The time of one step is the stepping's own.
"""

from collections.abc import Iterator, Sequence

from amphora.harness.control.checks import CHECKS
from amphora.harness.control.events import Event, MadeSafe, OrderActed, OrderGiven, RunResumed, StepBegun, Unobserved
from amphora.harness.control.memory import (
    ENERGISED,
    FINE,
    FINGERS_S,
    LONG_OFF_S,
    OFF,
    OFF_CURRENT_A,
    SETTLE_S,
    Acted,
    Memory,
    Meters,
    Ordered,
    Reading,
    Record,
    Resumed,
    TimeUnseen,
    Verdict,
    Violation,
    Watch,
    watch_of,
)
from amphora.harness.control.slopes import RELAXED_V, wrong_way
from amphora.harness.control.standstill import standing_still
from amphora.harness.control.warmth import forbids, judge_warmth, sensor_remark, warms_when_off
from amphora.harness.plans.plan import Limits, Order

PLAUSIBLE_READINGS = 3
RISE_V = 0.10
JUMP_V = 0.30  # between two readings under one order: no cell does that, another cell or a lead does
JUMP_S = 3.0
NOTHING_V = 0.10
A_CELL_V = 0.5  # so much was there before: what is there no more was a cell
CALL_AGAIN_S = 600.0
SHOWN_AGAIN_S = SETTLE_S  # so long a meter may show what it showed before an order
LONGEST_WAIT_S = 10.0  # for a second measurement
ANEW = 1.05  # renewals after which a meter has measured anew for sure
SINKS_V = 0.05  # below the voltage of the pre-charge
RELAXES_S = 1800.0  # off for longer, and a charged cell's voltage has come down for good


def silent(allowed_s: float, now_s: float, last_reading_s: float) -> Verdict:
    """Judge the absence of readings: the age of the last one against what is allowed."""
    age_s = now_s - last_reading_s
    if age_s <= allowed_s:
        return FINE
    text = f"no fresh reading for {age_s:.1f} s; {allowed_s:g} s are allowed"
    return Verdict(stop=Violation("no-reading", text, age_s, allowed_s))


def fold(memory: Memory, record: Ordered | Acted | TimeUnseen | Resumed) -> Memory:
    """Return the memory after an order, a gap or a resume; the one handed in stays as it is."""
    memory = memory.copy()
    if isinstance(record, Ordered):
        _ordered(memory, record)
    elif isinstance(record, Acted):
        memory.order_s = max(memory.order_s, record.t_s)
    elif isinstance(record, TimeUnseen):
        _gap(memory, record)
    else:
        _begin_anew(memory)
        _ordered(memory, Ordered(record.t_s, OFF))
    return memory


def judge(watch: Watch, limits: Limits, memory: Memory, reading: Reading) -> tuple[Memory, Verdict]:
    """Judge one reading against the limits of the step and the cell, and against what was ordered.

    Args:
        watch: What stands fixed in the run: plan, limits of the cell, meters.
        limits: What the step is held to.
        memory: What was seen and ordered before; left as it is.
        reading: As the journal keeps it.

    Returns:
        The memory with this reading in it, and what is said of it.
    """
    memory = memory.copy()
    return memory, look(watch, limits, memory, reading)


def look(watch: Watch, limits: Limits, memory: Memory, reading: Reading) -> Verdict:
    """Judge as `judge` does, and take the reading into the memory itself: for whoever owns it, a copy saved a reading.

    Args, returns: see `judge`.
    """
    t_s, step, voltage_V, current_A, _, _, took_s = reading
    if step != memory.step or memory.begun_s is None:
        _begin(memory, reading)
    order, before_s = memory.order, memory.last_t_s
    if before_s is not None and order.kind in ENERGISED:
        _count(memory, t_s - before_s, current_A)
    memory.last_t_s = t_s
    if current_A is not None:
        memory.last_current_A = current_A
    age_s, seen_s = watch.plan.renewed_s, memory.renewed_s
    if seen_s > age_s:
        age_s = seen_s
    memory.since_s = t_s - 0.5 * took_s - age_s - memory.order_s
    call, told = None, ""
    if order.kind == "off":
        call = warms_when_off(watch, memory, reading)
        violation = _absolute(watch, limits, memory, reading)
        told = sensor_remark(watch, memory, reading)
    else:
        violation = _absolute(watch, limits, memory, reading)
    if violation is None:
        memory.suspect = ""
        if memory.since_s >= SETTLE_S:  # has been seen in several readings on end already
            violation = _plausible(watch, memory, order, t_s, voltage_V, current_A)
    elif CHECKS[violation.check].confirm:
        if violation.check != memory.suspect:
            memory.suspect, memory.suspect_s = violation.check, reading.t_s
            return _shown(memory, reading, Verdict(suspect=violation, told=told))
        if reading.t_s - memory.suspect_s < min(ANEW * age_s, LONGEST_WAIT_S):  # the same measurement, shown again
            return _shown(memory, reading, Verdict(suspect=violation, told=told))
    if violation is None and call is None and not told:  # as nearly each is
        if voltage_V is not None:
            memory.shown_V = voltage_V
        if current_A is not None:
            memory.shown_A = current_A
        return FINE
    return _said(memory, reading, violation, call, told)


def _said(memory: Memory, reading: Reading, violation: Violation | None, call: Violation | None, told: str) -> Verdict:
    """Return the verdict on a reading of which there is something to say; a person is called again in ten minutes."""
    if violation is not None and CHECKS[violation.check].calls_only:
        call, violation = violation, None
    if call is not None:
        again = call.check != memory.called_check or reading.t_s - memory.called_s >= CALL_AGAIN_S
        if again:
            memory.called_check, memory.called_s = call.check, reading.t_s
        else:
            call = None
    fine = violation is None and call is None and not told
    return _shown(memory, reading, FINE if fine else Verdict(violation, None, call, told))


def _age_s(watch: Watch, memory: Memory) -> float:
    """Return how old what a meter shows may be: as bench file or dialect say, or as it shows itself."""
    told_s, seen_s = watch.plan.renewed_s, memory.renewed_s
    return told_s if told_s > seen_s else seen_s


def _shown(memory: Memory, reading: Reading, verdict: Verdict) -> Verdict:
    """Keep what was shown last, for the order that may come next."""
    if reading.voltage_V is not None:
        memory.shown_V = reading.voltage_V
    if reading.current_A is not None:
        memory.shown_A = reading.current_A
    return verdict


def _may_be_old(memory: Memory, t_s: float, value: float, before: float, alike: float) -> bool:
    """Whether a value may be of the time before the order: its interval reaches back there, or it is shown again.

    Nobody may know how often a meter measures: what it showed before the order is taken for old for some seconds. A
    current may be a sum, with the flickering zero of an instrument that is off in it, so it need only be alike.
    """
    return memory.since_s < 0.0 or (t_s - memory.order_s < SHOWN_AGAIN_S and abs(value - before) <= alike)


# -- the fold ---------------------------------------------------------------------------------


def _ordered(memory: Memory, record: Ordered) -> None:
    order, t_s = record.order, record.t_s
    was_on = memory.order.kind in ENERGISED
    same = order == memory.order
    if was_on and order.kind not in ENERGISED:
        memory.off_s = t_s
        memory.off_degC = None
        memory.rest_peak_V = None
        memory.rest_trail = ()
    if order.kind in ENERGISED:
        memory.ever_on = True
        memory.last_on = order.kind
        memory.rise_K = None  # as the new order has it
    if order.kind == "charge" and order.current_A != memory.charge_A:
        memory.charge_A, memory.charge_peak_V = order.current_A, None  # another current shows another voltage
    if order.kind in ENERGISED:
        memory.fall_open = False
    memory.order = order
    memory.order_s = t_s
    memory.before_V, memory.before_A = memory.shown_V, memory.shown_A
    memory.last_t_s = t_s
    memory.last_current_A = None  # the new current counts from here
    memory.odd = 0
    memory.lowest_V = 1e9
    memory.suspect = ""
    memory.good_V = None
    memory.minute, memory.minutes, memory.below = (), 0, 0
    memory.climb = ()
    memory.called_check = ""
    if not same:
        memory.same_voltage_V = None
        memory.stretches = 0  # another current has stretches of another length


def _begin_anew(memory: Memory) -> None:
    """Nothing counts as frozen, lost, odd or fallen for a time in which there were no readings."""
    memory.odd = 0
    memory.suspect = ""
    memory.good_V = None
    memory.same_voltage_V = None
    memory.temperatures = ()
    memory.rate_K_per_min = None
    memory.minute, memory.minutes, memory.below = (), 0, 0
    memory.rest_trail = memory.fall_trail = ()


def _gap(memory: Memory, gap: TimeUnseen) -> None:
    """Take a gap's time for what it was: current counts as far as it flowed, rest as far as it rested."""
    _begin_anew(memory)
    seconds = gap.to_s - gap.from_s
    memory.charge_Ah = max(memory.charge_Ah + gap.low_Ah, memory.charge_Ah + gap.high_Ah, key=abs)
    memory.step_on_s += gap.on_low_s
    memory.on_s += gap.on_high_s
    memory.last_t_s, memory.last_current_A = gap.to_s, None
    memory.temperature_same_s = gap.to_s
    if memory.temperature_seen_s is not None:
        memory.temperature_seen_s = gap.to_s
    memory.off_degC = None
    off_s = seconds - gap.on_high_s
    if off_s >= RELAXES_S and memory.charge_peak_V is not None:
        memory.charge_peak_V -= RELAXED_V
    if off_s >= LONG_OFF_S or not memory.ever_on:  # as warm as the room, whatever that is by now
        memory.base_degC = memory.base_room_degC = memory.step_degC = None
        memory.base_until_s = gap.to_s + FINGERS_S


def _begin(memory: Memory, reading: Reading) -> None:
    if memory.begun_s is None:
        memory.begun_s = memory.off_s = reading.t_s
        memory.base_until_s = reading.t_s + FINGERS_S
    if reading.step != memory.step:
        memory.step = reading.step
        memory.charge_Ah = 0.0
        memory.step_on_s = 0.0
        memory.step_degC = None
        memory.charge_peak_V = None
        memory.step_high_V = -1e9
        memory.falls = 0
        memory.fall_open = False


def _count(memory: Memory, passed_s: float, current_A: float | None) -> None:
    """Count charge and time under current."""
    memory.step_on_s += passed_s
    memory.on_s += passed_s
    if current_A is not None:
        before_A = memory.last_current_A
        memory.charge_Ah += 0.5 * (current_A + (current_A if before_A is None else before_A)) * passed_s / 3600.0


def records_of(
    plan_steps: Sequence[Limits], events: Sequence[Event], rows: Sequence[Reading]
) -> Iterator[tuple[Record, Limits]]:
    """Yield what the guard was told in a run, in order, each reading with the limits of its step.

    Args:
        plan_steps: The limits of each step of the plan.
        events: The events of the journal, in order, each with `after_row`.
        rows: The rows of the journal, in order.
    """
    done = 0
    limits = plan_steps[0] if plan_steps else Limits()
    for event in events:
        upto = min(event.after_row, len(rows))
        while done < upto:
            yield rows[done], limits
            done += 1
        if isinstance(event, StepBegun):
            if event.place is not None:
                limits = plan_steps[event.place]
            continue
        record = record_of(event)
        if record is not None:
            yield record, limits
    while done < len(rows):
        yield rows[done], limits
        done += 1


def record_of(event: Event) -> Ordered | Acted | TimeUnseen | Resumed | None:
    """Return what an event of the journal tells the guard, None for one that tells it nothing."""
    match event:
        case OrderGiven():
            return None if event.order is None else Ordered(event.t_s, event.order)
        case MadeSafe():
            return None if event.off is False else Ordered(event.t_s, OFF)
        case OrderActed():
            return Acted(event.to_s)
        case Unobserved(from_s=float() | int() as from_s, to_s=float() | int() as to_s):
            low_Ah, high_Ah = event.charge_low_Ah or 0.0, event.charge_high_Ah or 0.0
            most_s = to_s - from_s if low_Ah or high_Ah else 0.0  # of a run of 0.1.0, which does not say for how long
            on_high_s = most_s if event.on_high_s is None else event.on_high_s
            return TimeUnseen(from_s, to_s, low_Ah, high_Ah, event.on_low_s or 0.0, on_high_s)
        case RunResumed():
            return Resumed(event.t_s)
        case _:
            return None


def refold(watch: Watch, events: Sequence[Event], rows: Sequence[Reading]) -> Memory:
    """Return the memory that a run had after its last record, from its folder."""
    memory = Memory()
    for record, limits in records_of([step.limits for step in watch.plan.steps], events, rows):
        if isinstance(record, Reading):
            look(watch, limits, memory, record)
        else:
            memory = fold(memory, record)
    return memory


# -- limits -----------------------------------------------------------------------------------


def _absolute(watch: Watch, limits: Limits, memory: Memory, reading: Reading) -> Violation | None:
    t_s, _, volts, current_A, _, _, _ = reading
    order = memory.order
    found = (
        (None if volts is None else _volts(watch, limits, memory, order, t_s, volts, current_A))
        or _ampere(watch, limits, memory, order, t_s, current_A)
        or judge_warmth(watch, limits, memory, reading)
        or standing_still(watch, memory, reading)
    )
    return found if found is not None or order.kind == "discharge" else wrong_way(watch, memory, reading)


def _volts(
    watch: Watch, limits: Limits, memory: Memory, order: Order, t_s: float, volts: float, current_A: float | None
) -> Violation | None:
    tolerance_V, kind = limits.voltage_tolerance_V, order.kind
    low, high = limits.voltage_low_V, limits.voltage_high_V
    before_V = memory.before_V
    if before_V is not None and _may_be_old(memory, t_s, volts, before_V, 0.0):
        low = None if low is None else min(low, before_V)  # it was judged by the limits of then
        high = None if high is None else max(high, before_V)
    if volts < -tolerance_V:
        return Violation("reversed", f"{volts:.3f} V: the cell is reversed", volts, 0.0)
    if volts < NOTHING_V and low is not None and low > NOTHING_V + tolerance_V:
        return _nothing(volts, low)
    if low is not None and volts < low - tolerance_V:
        return Violation("voltage-low", f"{volts:.3f} V is below {low:.3f} V", volts, low)
    if kind not in ENERGISED and watch.cell is not None and kind in ("off", "connect"):
        # With nothing on there is nothing to switch off: whoever is called takes the cell out. One that was found
        # below the window may not fall from there.
        floor_V = min(watch.cell.floor_V, memory.seen_V)
        if volts < NOTHING_V and memory.seen_V > A_CELL_V and kind == "off":
            return _nothing(volts, floor_V)
        if NOTHING_V <= volts < floor_V - tolerance_V:
            text = (
                f"{volts:.3f} V is below {floor_V:.3f} V with nothing switched on: something drains the cell (a lamp, "
                "a bleeder, an instrument that only looks off, a short inside it); take it out now"
            )
            return Violation("voltage-low" if kind == "off" else "drained", text, volts, floor_V)
    if high is not None and volts > high + tolerance_V:
        return Violation("voltage-high", f"{volts:.3f} V is above {high:.3f} V", volts, high)
    if kind == "charge":
        if memory.since_s >= SETTLE_S and volts > memory.step_high_V:
            memory.step_high_V = volts
        found = _takes_no_charge(limits, memory, volts) or _above_pre_charge(watch, limits, memory, current_A, volts)
        if found is not None:
            return found
    if kind != "ask":  # a person who was asked may well make a step of the voltage
        jump = _jump(watch, memory, order, t_s, volts)
        if jump is not None:
            return jump
    if volts > memory.seen_V:
        memory.seen_V = volts
    return None


def _nothing(volts: float, least_V: float) -> Violation:
    text = (
        f"{volts:.3f} V where a cell was: a protection board has tripped, a lead is off, or the voltmeter is not "
        "connected to the cell"
    )
    return Violation("voltage-lost", text, volts, least_V)


def _takes_no_charge(limits: Limits, memory: Memory, volts: float) -> Violation | None:
    if limits.reach_V is None or limits.reach_within_s is None or volts >= limits.reach_V:
        return None
    on_s = memory.step_on_s  # what a gap took does not count: nothing flowed
    if on_s < limits.reach_within_s - 1.0:
        return None
    text = (
        f"the cell does not take charge: {volts:.3f} V after {on_s / 60:.0f} min of pre-charge, "
        f"{limits.reach_V:.3f} V have to be reached by then; it is ruined, or has a short inside"
    )
    return Violation("takes-no-charge", text, volts, limits.reach_V)


def _above_pre_charge(
    watch: Watch, limits: Limits, memory: Memory, current_A: float | None, volts: float
) -> Violation | None:
    """Hold every charge, whatever the recipe, to the window's pre-charge below its voltage."""
    cell = watch.cell
    if cell is None or current_A is None or cell.precharge_A <= 0.0:
        return None
    if memory.step_high_V >= cell.precharge_below_V:
        return None  # it was past it: that is judged by `_sinks`
    if volts >= cell.precharge_below_V - limits.voltage_tolerance_V or memory.since_s < SETTLE_S:
        return None
    if current_A <= 1.2 * cell.precharge_A + OFF_CURRENT_A:
        return None
    text = (
        f"{current_A:.3f} A flows into a cell at {volts:.3f} V; below {cell.precharge_below_V:.2f} V "
        f"no more than {cell.precharge_A:.3f} A may"
    )
    return Violation("above-pre-charge", text, current_A, cell.precharge_A)


def _ampere(
    watch: Watch, limits: Limits, memory: Memory, order: Order, t_s: float, current_A: float | None
) -> Violation | None:
    if current_A is not None:
        low, high, before_A = limits.current_low_A, limits.current_high_A, memory.before_A
        if before_A is not None and _may_be_old(memory, t_s, current_A, before_A, watch.nothing_A):
            low = None if low is None else min(low, before_A)
            high = None if high is None else max(high, before_A)
        if low is not None and current_A < low * 1.05 - watch.nothing_A:
            return Violation("current-low", f"{current_A:.3f} A is beyond {low:.3f} A", current_A, low)
        if high is not None and current_A > high * 1.05 + watch.nothing_A:
            return Violation("current-high", f"{current_A:.3f} A is beyond {high:.3f} A", current_A, high)
    if memory.on_s > watch.plan.max_duration_s + SETTLE_S and order.kind in ENERGISED:
        most_s = watch.plan.max_duration_s
        text = f"current was ordered for {memory.on_s:.0f} s; the plan has {most_s:.0f} s in all"
        return Violation("time", text, memory.on_s, most_s)
    most = limits.charge_Ah
    if most is not None and abs(memory.charge_Ah) > most:
        text = f"{abs(memory.charge_Ah):.3f} Ah in this step is more than {most:.3f} Ah, what such a cell can hold"
        return Violation("charge", text, abs(memory.charge_Ah), most)
    return None


def _jump(watch: Watch, memory: Memory, order: Order, t_s: float, volts: float) -> Violation | None:
    """Find a step of the voltage that no cell makes under one order."""
    good_V = memory.good_V
    if good_V is not None and (volts - good_V > JUMP_V or good_V - volts > JUMP_V):
        settled = order.mode == "current" and memory.since_s > SETTLE_S
        near = t_s - memory.good_s <= JUMP_S + 2.0 * min(_age_s(watch, memory), LONGEST_WAIT_S)
        if settled and near:
            text = f"{volts:.3f} V right after {good_V:.3f} V: another cell, a loose lead, or a short"
            return Violation("voltage-jump", text, volts, good_V)
    memory.good_V = volts
    memory.good_s = t_s
    return None


# -- what was ordered ---------------------------------------------------------------------------


def _plausible(
    watch: Watch, memory: Memory, order: Order, t_s: float, voltage_V: float | None, current_A: float | None
) -> Violation | None:
    """Compare with the order, once that has settled; needs several odd readings on end."""
    found: Violation | None = None
    if order.kind == "discharge":
        found = _discharging(order, memory, voltage_V, current_A)
    elif order.kind == "charge":
        found = _sinks(watch, memory, voltage_V) or _charging(order, voltage_V, current_A)
    elif order.kind == "off" and current_A is not None and abs(current_A) > OFF_CURRENT_A:
        found = Violation(
            "current-when-off",
            f"{current_A:.3f} A flows although all is ordered off",
            current_A,
            OFF_CURRENT_A,
        )
    if found is None:
        memory.odd = 0
        return None
    if memory.odd == 0 or found.check != memory.odd_check:
        memory.odd, memory.odd_s = 0, t_s
    memory.odd += 1
    memory.odd_check = found.check
    if memory.odd < PLAUSIBLE_READINGS or t_s - memory.odd_s < min(ANEW * _age_s(watch, memory), LONGEST_WAIT_S):
        return None
    return found


def _sinks(watch: Watch, memory: Memory, voltage_V: float | None) -> Violation | None:
    """Find a cell that was past its pre-charge, and sinks below it again although it is charged."""
    cell = watch.cell
    if cell is None or voltage_V is None or memory.step_high_V < cell.precharge_below_V:
        return None
    if voltage_V >= cell.precharge_below_V - SINKS_V:
        return None
    text = (
        f"the voltage fell from {memory.step_high_V:.3f} to {voltage_V:.3f} V while the cell was charged: a short "
        "inside"
    )
    return Violation("short-inside", text, voltage_V, cell.precharge_below_V)


def _charging(order: Order, voltage_V: float | None, current_A: float | None) -> Violation | None:
    if current_A is None:
        return None
    if current_A < -OFF_CURRENT_A:
        return Violation("current-off-order", f"{current_A:.3f} A flows out while charging", current_A, 0.0)
    wanted_A, held_V = order.current_A, order.voltage_V
    if wanted_A is None or held_V is None or voltage_V is None or voltage_V > held_V - 0.1:
        return None
    if current_A < 0.05 * wanted_A and wanted_A > OFF_CURRENT_A:
        text = f"{current_A:.3f} A flows at {voltage_V:.3f} V where {wanted_A:.3f} A was ordered: open lead, or tripped"
        return Violation("no-current", text, current_A, wanted_A)
    return None


def _discharging(order: Order, memory: Memory, voltage_V: float | None, current_A: float | None) -> Violation | None:
    if voltage_V is not None:
        if voltage_V < memory.lowest_V:
            memory.lowest_V = voltage_V
        elif voltage_V > memory.lowest_V + RISE_V and order.mode == "current":
            text = f"{voltage_V:.3f} V: the voltage rises on discharge (it was at {memory.lowest_V:.3f} V)"
            return Violation("voltage-rises", text, voltage_V, memory.lowest_V)
    if current_A is None or not order.value:
        return None
    expected_A: float | None
    if order.mode == "current":
        expected_A = order.value
    elif voltage_V is None:
        expected_A = None
    elif order.mode == "resistance":
        expected_A = voltage_V / order.value
    elif order.mode == "power":
        expected_A = order.value / max(voltage_V, 0.1)
    else:
        expected_A = None
    if expected_A is None:
        return None
    if current_A > OFF_CURRENT_A:
        return Violation("current-off-order", f"{current_A:.3f} A flows in on discharge", current_A, 0.0)
    if -current_A < 0.2 * expected_A and expected_A > OFF_CURRENT_A:
        text = f"{-current_A:.3f} A flows where {expected_A:.3f} A was ordered: open lead, or tripped"
        return Violation("no-current", text, -current_A, expected_A)
    off_A = abs(-current_A - expected_A)
    if off_A > 0.1 * expected_A + OFF_CURRENT_A:
        text = f"{-current_A:.3f} A flows where {expected_A:.3f} A was ordered"
        return Violation("current-off-order", text, -current_A, expected_A)
    return None


__all__ = [
    "FINE",
    "Acted",
    "Memory",
    "Meters",
    "Ordered",
    "Reading",
    "Resumed",
    "TimeUnseen",
    "Verdict",
    "Violation",
    "Watch",
    "fold",
    "forbids",
    "judge",
    "look",
    "record_of",
    "records_of",
    "refold",
    "silent",
    "watch_of",
]
