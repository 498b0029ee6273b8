"""Judges each reading: `judge(...) -> Verdict`. Pure, and independent of the step logic.

A first violation makes the reading suspect and asks for a second one as soon as the link can give
it; the second violation of the same check in a row stops the run. Checks that compare with what
was ordered wait for the instruments to settle and say how many readings they need.

Every check has a name that stands in events as `guard:<name>`:
voltage-low, voltage-high, current-low, current-high, temperature-low, temperature-high,
temperature-rate, temperature-lost, temperature-frozen, room-rise (the cell more than 15 K above the
room, where a second sensor tells), temperature-rise, takes-no-charge (of a pre-charge), charge,
current-when-off, no-current, current-off-order,
voltage-rises, voltage-jump, reversed, frozen, no-reading, time (current ordered for longer than all
steps of the plan may last; the time of one step is the stepping's own). The runner
adds protection-tripped: an instrument says that it has switched itself off.
"""

from dataclasses import dataclass
from typing import NamedTuple

from harness.plan import Limits, Order, Plan

SETTLE_S = 3.0
PLAUSIBLE_READINGS = 3
OFF_CURRENT_A = 0.020
FROZEN_SHARE = 0.02  # of the assumed capacity passed without any change of the readings
FROZEN_S = 30.0
TEMPERATURE_LOST_S = 15.0
TEMPERATURE_FROZEN_S = 3600.0
ROOM_RISE_K = 15.0  # above the room: at these currents no sound cell gets there (DESIGN, section 5)
SENSOR_DEGC = (-40.0, 150.0)  # what no cell that is handled has: an open or a short sensor (common practice)
ROOM_DEGC = (-30.0, 60.0)  # a room sensor that shows anything else is broken, and is not compared with
RATE_WINDOW_S = 120.0
RATE_POINTS = 24
RATE_TRAIL_S = 10.0
RISE_V = 0.10
JUMP_V = 0.30  # between two readings under one order: no cell does that, another cell or a lead does
JUMP_S = 3.0
FROZEN_VOLTAGE_SHARE = 0.08  # of the assumed capacity passed without any change of the voltage alone
NOTHING_V = 0.10


OFF = Order("off")
ENERGISED = ("charge", "discharge")


class Violation(NamedTuple):
    """What is wrong: the check, one sentence, the value and the limit."""

    check: str
    text: str
    value: float | None
    limit: float | None


class Verdict(NamedTuple):
    """What the guard says of a reading: `stop` acts, `suspect` wants a second reading at once."""

    stop: Violation | None
    suspect: Violation | None


FINE = Verdict(None, None)


@dataclass(slots=True)
class History:
    """What the guard remembers. It belongs to one run; `judge` brings it up to date."""

    order: Order = OFF
    order_s: float = 0.0
    step: int = -1
    step_s: float = 0.0
    step_degC: float | None = None  # the first temperature of the step
    charge_Ah: float = 0.0
    on_s: float = 0.0  # how long current has been ordered, through the whole run
    last_t_s: float | None = None
    last_current_A: float = 0.0
    suspect: str = ""
    odd: int = 0
    odd_check: str = ""
    same_since_s: float = 0.0
    same_charge_Ah: float = 0.0
    same_voltage_V: float | None = None
    same_current_A: float | None = None
    temperature_seen_s: float | None = None
    temperature_same_s: float = 0.0
    temperature_degC: float | None = None
    temperatures: tuple[tuple[float, float], ...] = ()
    sensor_told: bool = False
    lowest_V: float = 1e9
    good_V: float | None = None
    good_s: float = 0.0
    volts_since_s: float = 0.0
    volts_same: float | None = None


def ordered(history: History, order: Order, t_s: float, step: int) -> None:
    """Tell the guard what was ordered, so that it can judge what should be seen."""
    if step != history.step:
        history.charge_Ah = 0.0
        history.step = step
        history.step_s = t_s
        history.step_degC = None
    history.order = order
    history.order_s = t_s
    history.odd = 0
    history.lowest_V = 1e9
    history.suspect = ""
    history.same_voltage_V = None
    history.good_V = None
    history.volts_same = None


def woke(history: History, t_s: float) -> None:
    """Tell the guard that nobody looked for a while (a suspend): what stood still, stood still unseen.

    The charge goes on being counted across the gap; nothing counts as frozen or lost for the time in
    which there were no readings at all.
    """
    history.odd = 0
    history.suspect = ""
    history.same_voltage_V = None
    history.volts_same = None
    history.good_V = None
    history.temperature_same_s = t_s
    if history.temperature_seen_s is not None:
        history.temperature_seen_s = t_s
    history.temperatures = ()


def silent(allowed_s: float, now_s: float, last_reading_s: float) -> Verdict:
    """Judge the absence of readings: the age of the last one against what is allowed."""
    age_s = now_s - last_reading_s
    if age_s <= allowed_s:
        return FINE
    text = f"no fresh reading for {age_s:.1f} s; {allowed_s:g} s are allowed"
    return Verdict(Violation("no-reading", text, age_s, allowed_s), None)


def judge(
    plan: Plan,
    limits: Limits,
    history: History,
    t_s: float,
    voltage_V: float | None,
    current_A: float | None,
    temperature_degC: float | None,
    room_degC: float | None = None,
) -> Verdict:
    """Judge one reading against the limits of the step and against what was ordered.

    Args:
        plan: The run's plan (capacity, whether a temperature is needed).
        limits: What the step is held to.
        history: What was seen and ordered before; brought up to date.
        t_s, voltage_V, current_A, temperature_degC: The reading; None where there is no value.
        room_degC: What a second sensor shows of the room; None where there is none.
    """
    violation = _absolute(plan, limits, history, t_s, voltage_V, current_A, temperature_degC)
    if violation is None and room_degC is not None and temperature_degC is not None:
        violation = _above_room(plan, temperature_degC, room_degC)
    if violation is None:
        violation = _plausible(plan, history, t_s, voltage_V, current_A)
        if violation is not None:
            # has been seen in several readings on end already
            return Verdict(violation, None)
        if history.suspect:
            history.suspect = ""
        return FINE
    if violation.check == history.suspect or violation.check in IMMEDIATE:
        return Verdict(violation, None)
    history.suspect = violation.check
    return Verdict(None, violation)


IMMEDIATE = frozenset({"temperature-lost", "temperature-frozen", "frozen", "charge", "takes-no-charge", "time"})


def sensor_trouble(plan: Plan, history: History, t_s: float, temperature_degC: float | None) -> str:
    """Return what is wrong with the sensor while nothing is energised; "" where nothing is, or it has been told.

    With all off there is nothing to stop, but nobody should take what such a sensor shows for the cell's warmth.
    Comes after `judge` of the same reading.

    Args:
        plan: The run's plan (whether it needs a temperature).
        history: What was seen and told before; brought up to date.
        t_s, temperature_degC: The reading; None where there is no value.
    """
    if temperature_degC is not None:
        text = _if_no_cell(temperature_degC)
        if not text:
            history.sensor_told = False
            return ""
        text = f"the sensor shows {temperature_degC:.1f} °C{text}; this is not taken for the cell's temperature"
    else:
        seen_s = history.temperature_seen_s
        if not plan.needs_temperature or seen_s is None or t_s - seen_s <= TEMPERATURE_LOST_S:
            return ""
        text = f"the sensor has shown no temperature for {t_s - seen_s:.0f} s"
    if history.sensor_told:
        return ""
    history.sensor_told = True
    return text


def _if_no_cell(temperature_degC: float) -> str:
    """Return what a temperature says that no cell has: words to append."""
    if SENSOR_DEGC[0] <= temperature_degC <= SENSOR_DEGC[1]:
        return ""
    return ": an open or short sensor, or its lead is off"


def _absolute(
    plan: Plan,
    limits: Limits,
    history: History,
    t_s: float,
    voltage_V: float | None,
    current_A: float | None,
    temperature_degC: float | None,
) -> Violation | None:
    if voltage_V is not None:
        tolerance_V = limits.voltage_tolerance_V
        low, high = limits.voltage_low_V, limits.voltage_high_V
        if voltage_V < -tolerance_V:
            return Violation("reversed", f"{voltage_V:.3f} V: the cell is reversed", voltage_V, 0.0)
        if low is not None and voltage_V < low - tolerance_V:
            text = f"{voltage_V:.3f} V is below {low:.3f} V"
            if voltage_V < NOTHING_V:
                text += ": a protection board has tripped, a lead is off, or whoever measures is not at the cell"
            return Violation("voltage-low", text, voltage_V, low)
        if high is not None and voltage_V > high + tolerance_V:
            text = f"{voltage_V:.3f} V is above {high:.3f} V"
            return Violation("voltage-high", text, voltage_V, high)
        if limits.reach_V is not None and limits.reach_within_s is not None and voltage_V < limits.reach_V:
            since_s = t_s - history.step_s
            if history.order.kind == "charge" and since_s >= limits.reach_within_s - 1.0:
                text = (
                    f"the cell does not take charge: {voltage_V:.3f} V after {since_s / 60:.0f} min of pre-charge, "
                    f"{limits.reach_V:.3f} V have to be reached by then; it is ruined, or has a short inside"
                )
                return Violation("takes-no-charge", text, voltage_V, limits.reach_V)
        jump = _jump(history, t_s, voltage_V)
        if jump is not None:
            return jump
    if current_A is not None:
        low, high = limits.current_low_A, limits.current_high_A
        if low is not None and current_A < low * 1.05 - OFF_CURRENT_A:
            return Violation("current-low", f"{current_A:.3f} A is beyond {low:.3f} A", current_A, low)
        if high is not None and current_A > high * 1.05 + OFF_CURRENT_A:
            return Violation("current-high", f"{current_A:.3f} A is beyond {high:.3f} A", current_A, high)
        last_s = history.last_t_s
        if last_s is not None and history.order.kind in ENERGISED:
            history.charge_Ah += 0.5 * (current_A + history.last_current_A) * (t_s - last_s) / 3600.0
            history.on_s += t_s - last_s
            if history.on_s > plan.max_duration_s + SETTLE_S:
                text = f"current was ordered for {history.on_s:.0f} s; the plan has {plan.max_duration_s:.0f} s in all"
                return Violation("time", text, history.on_s, plan.max_duration_s)
        history.last_t_s = t_s
        history.last_current_A = current_A
        most = limits.charge_Ah
        if most is not None and abs(history.charge_Ah) > most:
            text = f"{abs(history.charge_Ah):.3f} Ah in this step is more than {most:.3f} Ah, what such a cell can hold"
            return Violation("charge", text, abs(history.charge_Ah), most)
    violation = _temperature(plan, limits, history, t_s, temperature_degC)
    if violation is not None:
        return violation
    return _frozen(plan, history, t_s, voltage_V, current_A)


def _jump(history: History, t_s: float, voltage_V: float) -> Violation | None:
    """Find a step of the voltage that no cell makes under one order; a person who was asked may well make one."""
    if history.order.kind == "ask":
        return None
    good_V = history.good_V
    settled = history.order.mode == "current" and t_s - history.order_s > SETTLE_S
    near = good_V is not None and t_s - history.good_s <= JUMP_S
    if settled and near and good_V is not None and abs(voltage_V - good_V) > JUMP_V:
        text = f"{voltage_V:.3f} V right after {good_V:.3f} V: another cell, a loose lead, or a short"
        return Violation("voltage-jump", text, voltage_V, good_V)
    history.good_V = voltage_V
    history.good_s = t_s
    return None


def _temperature(
    plan: Plan, limits: Limits, history: History, t_s: float, temperature_degC: float | None
) -> Violation | None:
    energised = history.order.kind in ("charge", "discharge")
    if temperature_degC is None:
        if plan.needs_temperature and energised:
            since_s = history.temperature_seen_s
            lost_s = t_s - (history.order_s if since_s is None else since_s)
            if lost_s > TEMPERATURE_LOST_S:
                text = f"no temperature for {lost_s:.0f} s, and the plan relies on it"
                return Violation("temperature-lost", text, lost_s, TEMPERATURE_LOST_S)
        return None
    history.temperature_seen_s = t_s
    low, high = limits.temperature_low_degC, limits.temperature_high_degC
    if high is not None and temperature_degC > high:
        text = f"{temperature_degC:.1f} °C is above {high:.1f} °C{_if_no_cell(temperature_degC)}"
        return Violation("temperature-high", text, temperature_degC, high)
    if low is not None and temperature_degC < low:
        text = f"{temperature_degC:.1f} °C is below {low:.1f} °C{_if_no_cell(temperature_degC)}"
        return Violation("temperature-low", text, temperature_degC, low)
    if history.step_degC is None:
        history.step_degC = temperature_degC
    most_K = limits.temperature_rise_K
    if most_K is not None and temperature_degC - history.step_degC > most_K:
        rise_K = temperature_degC - history.step_degC
        text = f"the cell has warmed by {rise_K:.1f} K in this step; {most_K:g} K are allowed: a short inside"
        return Violation("temperature-rise", text, rise_K, most_K)
    if temperature_degC != history.temperature_degC:
        history.temperature_degC = temperature_degC
        history.temperature_same_s = t_s
    elif plan.needs_temperature and energised:
        same_s = t_s - max(history.temperature_same_s, history.order_s)
        if same_s > TEMPERATURE_FROZEN_S:
            text = f"the temperature has read {temperature_degC:g} °C without any change for {same_s:.0f} s"
            return Violation("temperature-frozen", text, same_s, TEMPERATURE_FROZEN_S)
    trail = history.temperatures
    rate_limit = limits.temperature_rate_K_per_min
    if rate_limit is not None:
        for then_s, then_degC in trail:
            span_s = t_s - then_s
            if span_s <= RATE_WINDOW_S:
                if span_s >= RATE_WINDOW_S / 2:
                    rate = (temperature_degC - then_degC) / span_s * 60.0
                    if rate > rate_limit:
                        text = f"warms by {rate:.1f} K/min; {rate_limit:g} K/min are allowed"
                        return Violation("temperature-rate", text, rate, rate_limit)
                break
    if not trail or t_s - trail[-1][0] >= RATE_TRAIL_S:
        history.temperatures = (*trail[-RATE_POINTS:], (t_s, temperature_degC))
    return None


def _above_room(plan: Plan, temperature_degC: float, room_degC: float) -> Violation | None:
    """Compare the cell with the room, outputs on or off: a cell that warms by itself is found too."""
    rise_K = temperature_degC - room_degC
    if not plan.needs_temperature or rise_K <= ROOM_RISE_K or not ROOM_DEGC[0] <= room_degC <= ROOM_DEGC[1]:
        return None
    text = (
        f"the cell is {rise_K:.1f} K above the room ({temperature_degC:.1f} and {room_degC:.1f} °C); "
        f"{ROOM_RISE_K:g} K are allowed"
    )
    return Violation("room-rise", text, rise_K, ROOM_RISE_K)


def _frozen(
    plan: Plan, history: History, t_s: float, voltage_V: float | None, current_A: float | None
) -> Violation | None:
    frozen = _frozen_voltage(plan, history, t_s, voltage_V, current_A)
    if frozen is not None:
        return frozen
    if voltage_V != history.same_voltage_V or current_A != history.same_current_A:
        history.same_voltage_V = voltage_V
        history.same_current_A = current_A
        history.same_since_s = t_s
        history.same_charge_Ah = 0.0
        return None
    if history.order.kind not in ("charge", "discharge") or voltage_V is None or not current_A:
        return None
    same_s = t_s - history.same_since_s
    passed_Ah = abs(current_A) * same_s / 3600.0
    most_Ah = FROZEN_SHARE * plan.capacity_Ah
    if same_s > FROZEN_S and passed_Ah > most_Ah:
        text = (
            f"the readings have stood at {voltage_V:.3f} V and {current_A:.3f} A to the last digit "
            f"for {same_s:.0f} s, while {passed_Ah * 1000:.0f} mAh passed"
        )
        return Violation("frozen", text, same_s, FROZEN_S)
    return None


def _frozen_voltage(
    plan: Plan, history: History, t_s: float, voltage_V: float | None, current_A: float | None
) -> Violation | None:
    """Find a voltage that stands still to the last digit although charge passes; a held one may."""
    if voltage_V != history.volts_same:
        history.volts_same = voltage_V
        history.volts_since_s = t_s
        return None
    order = history.order
    if voltage_V is None or current_A is None or order.kind not in ("charge", "discharge"):
        return None
    held = order.kind == "charge" and order.voltage_V is not None and voltage_V > order.voltage_V - 0.05
    passed_Ah = abs(current_A) * (t_s - history.volts_since_s) / 3600.0
    if held or order.mode == "voltage" or passed_Ah <= FROZEN_VOLTAGE_SHARE * plan.capacity_Ah:
        return None
    text = f"the voltage has stood at {voltage_V:.4f} V to the last digit while {passed_Ah * 1000:.0f} mAh passed"
    return Violation("frozen", text, voltage_V, None)


def _plausible(
    plan: Plan, history: History, t_s: float, voltage_V: float | None, current_A: float | None
) -> Violation | None:
    """Compare with the order; needs several odd readings on end, after settling."""
    if t_s - history.order_s < SETTLE_S:
        return None
    order = history.order
    found: Violation | None = None
    if order.kind == "discharge":
        found = _discharging(order, history, voltage_V, current_A)
    elif order.kind == "charge":
        found = _charging(order, voltage_V, current_A)
    elif order.kind == "off" and current_A is not None and abs(current_A) > OFF_CURRENT_A:
        found = Violation(
            "current-when-off",
            f"{current_A:.3f} A flows although all is ordered off",
            current_A,
            OFF_CURRENT_A,
        )
    if found is None:
        history.odd = 0
        return None
    history.odd = history.odd + 1 if found.check == history.odd_check else 1
    history.odd_check = found.check
    return found if history.odd >= PLAUSIBLE_READINGS else None


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


def _discharging(order: Order, history: History, voltage_V: float | None, current_A: float | None) -> Violation | None:
    if voltage_V is not None:
        if voltage_V < history.lowest_V:
            history.lowest_V = voltage_V
        elif voltage_V > history.lowest_V + RISE_V and order.mode == "current":
            text = f"{voltage_V:.3f} V: the voltage rises on discharge (it was at {history.lowest_V:.3f} V)"
            return Violation("voltage-rises", text, voltage_V, history.lowest_V)
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
