"""The guard's eye on the temperature: how hot, how fast, how far above where it began. Pure.

Called by `guard.judge` with a memory that is its own to change. Nickel goes by rules of its own: it warms when it is
full, so what ends such a charge here (`nickel-warm`) says nothing against the cell.
"""

from itertools import combinations
from statistics import median

from amphora.harness.control.memory import ENERGISED, Memory, Reading, Violation, Watch
from amphora.harness.plans.plan import Limits, Order

TEMPERATURE_LOST_S = 15.0
TEMPERATURE_FROZEN_S = 3600.0
SENSOR_DEGC = (-40.0, 150.0)  # what no cell that is handled has: an open or a short sensor (common practice)
ROOM_DEGC = (-30.0, 60.0)  # a room sensor that shows anything else is broken, and is not compared with
RATE_WINDOW_S = 120.0
RATE_POINTS = 4
RATE_TRAIL_S = 20.0
# Allowed above the rest before the run, by what flows. Of 60 measured discharges of sound to aged cells at about
# 1 It, 50 rose by more than 10 K and 26 by more than 15 K; none by 25 K.
RISE_CHARGE_K = 10.0
RISE_SLOW_K = 15.0  # discharge up to 0.5 It
RISE_FAST_K = 25.0  # above
RISE_NICKEL_K = 15.0
FAST_It = 0.5
NICKEL_RATE_K_PER_MIN = 2.0
NICKEL_HOTTEST_degC = 45.0
ROOM_RISE_K = 15.0  # above the room, where a second sensor tells; above 0.5 It what the rise may be
OFF_SETTLED_S = 300.0
OFF_WARMER_K = 2.0
OFF_RENEWED_S = 3600.0  # the room moves by less than that in an hour, as a rule (common practice)


def if_no_cell(temperature_degC: float) -> str:
    """Return what a temperature says that no cell has: words to append."""
    if SENSOR_DEGC[0] <= temperature_degC <= SENSOR_DEGC[1]:
        return ""
    return ": an open or short sensor, or its lead is off"


def room_of(reading: Reading) -> float | None:
    """Return the room's temperature where a second sensor shows one that can be."""
    return None if reading.room_degC is None else possible_room(reading.room_degC)


def possible_room(degC: float) -> float | None:
    """Return a room's temperature where it is one that can be."""
    return degC if ROOM_DEGC[0] <= degC <= ROOM_DEGC[1] else None


def allowed_rise_K(watch: Watch, order: Order, current_A: float | None) -> float | None:
    """Return how far above the rest before the run a cell may get under an order; None where it is not held to any."""
    cell = watch.cell
    if cell is None or order.kind not in ENERGISED:
        return None
    if cell.kind == "nickel":
        return RISE_NICKEL_K
    if order.kind == "charge":
        return RISE_CHARGE_K
    level_A = order.value if order.mode == "current" else None if current_A is None else -current_A
    fast_A = FAST_It * watch.plan.capacity_Ah * 1.02  # currents are whole milliampere
    return RISE_FAST_K if level_A is not None and level_A > fast_A else RISE_SLOW_K


def judge_warmth(watch: Watch, limits: Limits, memory: Memory, reading: Reading) -> Violation | None:
    """Judge a reading's temperature, or its absence; brings the memory up to date."""
    t_s, _, _, _, degC, room_degC, _ = reading
    order, cell = memory.order, watch.cell
    if degC is None:
        if watch.plan.needs_temperature and order.kind in ENERGISED:
            since_s = memory.temperature_seen_s
            lost_s = t_s - (memory.order_s if since_s is None else since_s)
            if lost_s > TEMPERATURE_LOST_S:
                text = f"no temperature for {lost_s:.0f} s, and the plan relies on it"
                return Violation("temperature-lost", text, lost_s, TEMPERATURE_LOST_S)
        return None
    memory.temperature_seen_s = t_s
    nickel = cell is not None and cell.kind == "nickel"
    found = _bounds(watch, limits, order, degC, nickel)
    if found is not None:
        return found
    base_degC = memory.base_degC
    if memory.step_degC is None or base_degC is None or degC < base_degC:
        _remember(memory, reading, degC)
    if degC != memory.temperature_degC:
        memory.temperature_degC = degC
        memory.temperature_same_s = t_s
    elif watch.plan.needs_temperature and order.kind in ENERGISED:
        same_s = t_s - max(memory.temperature_same_s, memory.order_s)
        if same_s > TEMPERATURE_FROZEN_S:
            text = f"the temperature has read {degC:g} °C without any change for {same_s:.0f} s"
            return Violation("temperature-frozen", text, same_s, TEMPERATURE_FROZEN_S)
    found = _rise(watch, limits, memory, reading, degC, nickel)
    if found is None and room_degC is not None:
        found = _above_room(watch, memory, reading, degC, nickel)
    if found is not None:
        return found
    trail = memory.temperatures
    if memory.rate_K_per_min is None and trail and t_s - trail[-1][0] < RATE_TRAIL_S:
        return None  # as for most readings: nothing to tell yet
    return _rate(limits, memory, t_s, degC, nickel)


def _bounds(watch: Watch, limits: Limits, order: Order, degC: float, nickel: bool) -> Violation | None:
    low, high = limits.temperature_low_degC, limits.temperature_high_degC
    charging = order.kind == "charge"
    cell = watch.cell
    # also in a charge that waits for it to cool
    if cell is not None and not charging and (high is None or cell.hottest_degC < high or order.kind == "off"):
        high = cell.hottest_degC
    if nickel:
        high = NICKEL_HOTTEST_degC if high is None else min(high, NICKEL_HOTTEST_degC)
    if high is not None and degC > high:
        text = f"{degC:.1f} °C is above {high:.1f} °C{if_no_cell(degC)}"
        return Violation("nickel-warm" if nickel and charging else "temperature-high", text, degC, high)
    if charging:
        low = _coldest_charge_degC(watch, low)
    if low is not None and degC < low:
        text = f"{degC:.1f} °C is below {low:.1f} °C{if_no_cell(degC)}"
        return Violation("temperature-low", text, degC, low)
    return None


def _coldest_charge_degC(watch: Watch, low: float | None) -> float | None:
    """Return below what a cell is not charged: the window's limit and what the sensor may be off by."""
    cell, U_K = watch.cell, watch.meters.temperature_U_K
    if cell is None or cell.charge_low_degC is None:
        return None if low is None else low + U_K
    return max(
        cell.charge_low_degC + U_K, cell.charge_low_degC if low is None else low
    )  # the step's may hold it already


def _remember(memory: Memory, reading: Reading, degC: float) -> None:
    """Keep what later temperatures are compared with."""
    if memory.step_degC is None:
        memory.step_degC = degC
    # The lowest, not the mean: fingers that were on the sensor only warm it, and so does current.
    base = memory.base_degC
    if base is None or (degC < base and (not memory.ever_on or reading.t_s <= memory.base_until_s)):
        memory.base_degC = degC
        memory.base_room_degC = room_of(reading)


def _rise(
    watch: Watch, limits: Limits, memory: Memory, reading: Reading, degC: float, nickel: bool
) -> Violation | None:
    t_s, _, _, current_A, _, room_degC, _ = reading
    most_K, first = limits.temperature_rise_K, memory.step_degC
    if most_K is not None and first is not None and degC - first > most_K:
        text = f"the cell has warmed by {degC - first:.1f} K in this step; {most_K:g} K are allowed: a short inside"
        return Violation("nickel-warm" if nickel else "temperature-rise", text, degC - first, most_K)
    order = memory.order
    if (memory.rise_K is None or order.mode != "current") and order.kind in ENERGISED:
        memory.rise_K = allowed_rise_K(watch, order, current_A)
    most_K, base = memory.rise_K, memory.base_degC
    if most_K is None or base is None or t_s <= memory.base_until_s:
        return None
    room = None if room_degC is None else possible_room(room_degC)
    moved_K = 0.0 if room is None or memory.base_room_degC is None else room - memory.base_room_degC
    rise_K = degC - base - moved_K
    if rise_K <= most_K:
        return None
    shown = f"; the room moved by {moved_K:.1f} K" if moved_K else ""
    text = (
        f"the cell is {rise_K:.1f} K warmer than in the rest before the run ({degC:.1f} and {base:.1f} °C{shown}); "
        f"{most_K:g} K are allowed"
    )
    return Violation("nickel-warm" if nickel else "temperature-rise", text, rise_K, most_K)


def _above_room(watch: Watch, memory: Memory, reading: Reading, degC: float, nickel: bool) -> Violation | None:
    """Compare the cell with the room, outputs on or off: a cell that warms by itself is found too."""
    room = room_of(reading)
    if room is None or not watch.plan.needs_temperature:
        return None
    most_K = max(ROOM_RISE_K, memory.rise_K or 0.0)
    rise_K = degC - room
    if rise_K <= most_K:
        return None
    text = f"the cell is {rise_K:.1f} K above the room ({degC:.1f} and {room:.1f} °C); {most_K:g} K are allowed"
    return Violation("nickel-warm" if nickel else "room-rise", text, rise_K, most_K)


def _rate(limits: Limits, memory: Memory, t_s: float, degC: float, nickel: bool) -> Violation | None:
    trail = memory.temperatures
    if not trail or t_s - trail[-1][0] >= RATE_TRAIL_S:
        trail = (*(point for point in trail if t_s - point[0] <= RATE_WINDOW_S), (t_s, degC))
        memory.temperatures = trail
        memory.rate_K_per_min = None
        if t_s - trail[0][0] >= RATE_WINDOW_S / 2 and len(trail) >= RATE_POINTS:
            memory.rate_K_per_min = 60.0 * median(
                [(later - earlier) / (t - then) for (then, earlier), (t, later) in combinations(trail, 2)]
            )  # the median of all slopes: one odd reading moves no line
    most, rate = limits.temperature_rate_K_per_min, memory.rate_K_per_min
    if nickel and most is not None:
        most = max(most, NICKEL_RATE_K_PER_MIN)
    if most is None or rate is None or rate <= most:
        return None
    text = f"warms by {rate:.1f} K/min over 2 min; {most:g} K/min are allowed"
    return Violation("nickel-warm" if nickel else "temperature-rate", text, rate, most)


def warms_when_off(watch: Watch, memory: Memory, reading: Reading) -> Violation | None:
    """Find a cell that gets warmer while all is off: nothing can be switched off, so the person is called."""
    t_s, degC = reading.t_s, reading.temperature_degC
    if degC is None or memory.order.kind != "off" or not watch.plan.needs_temperature or if_no_cell(degC):
        return None
    if t_s - memory.off_s < OFF_SETTLED_S:
        return None
    room = room_of(reading)
    first = memory.off_degC
    if first is None or (t_s - memory.off_degC_s >= OFF_RENEWED_S and not memory.called_check):
        memory.off_degC, memory.off_room_degC, memory.off_degC_s = degC, room, t_s
        return None
    moved_K = 0.0 if room is None or memory.off_room_degC is None else room - memory.off_room_degC
    rise_K = degC - first - moved_K
    if rise_K <= OFF_WARMER_K:
        return None
    text = (
        f"all is off, and the cell has warmed by {rise_K:.1f} K all the same ({first:.1f} to {degC:.1f} °C): a short "
        "inside it, or something other than the bench feeds or drains it; take it outdoors if it keeps warming"
    )
    return Violation("warms-when-off", text, rise_K, OFF_WARMER_K)


def sensor_remark(watch: Watch, memory: Memory, reading: Reading) -> str:
    """Return what is wrong with the sensor while nothing is energised; "" where nothing is, or it has been told.

    With all off there is nothing to stop, but nobody should take what such a sensor shows for the cell's warmth.
    """
    degC = reading.temperature_degC
    if degC is not None:
        text = if_no_cell(degC)
        if not text:
            memory.sensor_told = False
            return ""
        text = f"the sensor shows {degC:.1f} °C{text}; this is not taken for the cell's temperature"
    else:
        seen_s = memory.temperature_seen_s
        if not watch.plan.needs_temperature or seen_s is None or reading.t_s - seen_s <= TEMPERATURE_LOST_S:
            return ""
        text = f"the sensor has shown no temperature for {reading.t_s - seen_s:.0f} s"
    if memory.sensor_told:
        return ""
    memory.sensor_told = True
    return text


def forbids(watch: Watch, limits: Limits, degC: float | None, order: Order) -> Violation | None:
    """Judge the temperature before an order that energises is sent: no current where the next reading would stop it."""
    if order.kind not in ENERGISED or degC is None:
        return None
    low, high = limits.temperature_low_degC, limits.temperature_high_degC
    if order.kind == "charge":
        low = _coldest_charge_degC(watch, low)
    if watch.cell is not None and order.kind == "discharge":
        high = watch.cell.hottest_degC if high is None else min(high, watch.cell.hottest_degC)
    what = "charged" if order.kind == "charge" else "discharged"
    if low is not None and degC < low:
        text = f"{degC:.1f} °C is below {low:.1f} °C: too cold to be {what}. Nothing was switched on"
        return Violation("too-cold", text, degC, low)
    if high is not None and degC > high:
        text = f"{degC:.1f} °C is above {high:.1f} °C: too warm to be {what}. Nothing was switched on; let it cool"
        return Violation("too-warm", text, degC, high)
    return None
