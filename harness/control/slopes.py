"""Voltages that go the wrong way, on medians of a minute: a fall in a charge, a fall at rest, an LFP's climb. Pure.

A median of a minute, because single readings of a cheap meter scatter by up to 10 mV. The rules hold for lithium; the
voltage of nickel falls when it is full, and that of a sulphated lead-acid cell humps.
"""

from itertools import pairwise
from statistics import median

from amphora.harness.control.memory import Memory, Reading, Violation, Watch

MINUTE_S = 60.0
LEAST_READINGS = 5
FIRST_MINUTES = 10
FALL_V = 0.020
FALL_SCATTERS = 6.0
FALL_OHM = 0.020  # what a contact may change by (common practice)
FALL_MINUTES = 3
HELD_V = 0.05  # so near the set voltage it is held, and cannot fall
RELAXED_V = 0.060  # what a worn cell's voltage falls by in an hour off (measured), and does not get back at once
RECOVERY_FALL_V = (
    0.010  # after a discharge a sound cell's voltage rises, by 21 to 88 mV from minute 10 to 60 (measured)
)
REST_FALL_V = 0.020  # within an hour, of a cell that has rested for long
REST_LONG_S = {"li-ion": 2 * 3600.0, "lfp": 4 * 3600.0}  # LFP falls by 50 to 250 mV in the first hour (measured)
TRAIL_S = 600.0
HOUR_S = 3600.0
# LFP at the end of its charge: flat, then through these within 1 to 3 % of its charge; Li-ion takes 10 % and more.
CLIMB_V = (3.45, 3.55, 3.65)
CLIMB_FROM_V = 3.42  # it has to have been below, once the first minutes are over
CLIMB_AFTER_MIN = 5
CLIMB_STEEPER = 4.0
LITHIUM = ("li-ion", "lfp")
# Whether a voltage that fell in a charge falls on in ten minutes of rest (LIMITS). A rest after a charge falls anyway,
# ever slower; what drains does not slow down. On 240 drawn sound and aged cells, Li-ion and LFP, the later of these
# stretches fell at 0.68 of the earlier one's rate at most; 4 to 16 ohm inside mostly at 0.75 to 1.7.
FALL_POINTS_S = (150.0, 270.0, 540.0)
FALLS_ON_RATE = 0.75
FALLS_ON_V = 0.006


def wrong_way(watch: Watch, memory: Memory, reading: Reading) -> Violation | None:
    """Judge the voltage minute by minute; brings the memory up to date."""
    cell, volts, t_s = watch.cell, reading.voltage_V, reading.t_s
    kind = memory.order.kind
    if cell is None or volts is None or cell.kind not in LITHIUM or kind not in ("charge", "off"):
        return None
    if not memory.minute:
        memory.minute_s = t_s
    memory.minute = minute = (*memory.minute, volts)
    if t_s - memory.minute_s < MINUTE_S or len(minute) < LEAST_READINGS:
        return _passes(watch, memory, volts) if kind == "charge" else None
    middle_V = median(memory.minute)
    scatter_V = 1.48 * median(abs(one - middle_V) for one in memory.minute)
    memory.minute = ()
    memory.minutes += 1
    memory.scatter_V += (scatter_V - memory.scatter_V) * (1.0 if memory.minutes == 1 else 0.1)
    if kind == "charge":
        return _falls_in_charge(memory, reading, middle_V) or _climbs(watch, memory, middle_V)
    if memory.fall_open:
        return _falls_on(watch, memory, reading.t_s - memory.off_s, middle_V)
    return _falls_at_rest(watch, memory, reading.t_s, middle_V)


def _falls_on(watch: Watch, memory: Memory, off_s: float, middle_V: float) -> Violation | None:
    """Judge the rest after a first fall: steady is a contact, and the charge may go on; falling on is a short."""
    trail = memory.fall_trail = (*memory.fall_trail, (off_s, middle_V))
    first_s = trail[0][0] - FALL_POINTS_S[0]  # after a gap the points begin anew
    points = [next((one for one in trail if one[0] >= at_s + max(0.0, first_s)), None) for at_s in FALL_POINTS_S]
    start, middle, end = points
    if start is None or middle is None or end is None:
        return None
    memory.fall_open, memory.fall_trail, memory.charge_peak_V = False, (), None
    early_V, late_V = start[1] - middle[1], middle[1] - end[1]
    early, late = early_V / (middle[0] - start[0]), late_V / (end[0] - middle[0])
    least_V = max(FALLS_ON_V, FALL_SCATTERS * memory.scatter_V, 3.0 * watch.meters.voltage_resolution_V)
    if late_V <= least_V or late < FALLS_ON_RATE * early:
        return None
    text = f"and fell further in the rest after it, by {late_V * 1000:.0f} mV in {(end[0] - middle[0]) / 60:.0f} min"
    return Violation("short-inside", f"the voltage fell in the charge {text}: a short inside", late_V, least_V)


def _passes(watch: Watch, memory: Memory, volts: float) -> Violation | None:
    """Look at the climb before the minute is over: beyond its end an LFP cell is at the limit within a minute."""
    high_V = CLIMB_V[-1]
    if volts < high_V or not memory.climb or memory.climb[-1][1] >= high_V or len(memory.minute) < LEAST_READINGS:
        return None
    now_V = median(memory.minute[-LEAST_READINGS:])
    return _climbs(watch, memory, now_V) if now_V >= high_V else None


def _falls_in_charge(memory: Memory, reading: Reading, middle_V: float) -> Violation | None:
    order = memory.order
    if order.voltage_V is None or middle_V > order.voltage_V - HELD_V:
        memory.below = 0
        return None
    peak_V = memory.charge_peak_V
    if peak_V is None or middle_V > peak_V:
        memory.charge_peak_V, memory.below = middle_V, 0
        return None
    most_V = max(FALL_V, FALL_SCATTERS * memory.scatter_V, FALL_OHM * abs(reading.current_A or order.current_A or 0.0))
    if memory.minutes <= FIRST_MINUTES or peak_V - middle_V <= most_V:
        memory.below = 0
        return None
    memory.below += 1
    if memory.below < FALL_MINUTES:
        return None
    memory.below = 0
    memory.falls += 1
    memory.fall_open, memory.fall_trail = True, ()
    by_mV = (peak_V - middle_V) * 1000.0
    text = f"the voltage fell by {by_mV:.0f} mV in the charge ({peak_V:.3f} to {middle_V:.3f} V)"
    if memory.falls == 1:
        return Violation(
            "voltage-falls",
            f"{text}: a bad contact, or a short inside. Outputs off for 10 min; the guard decides then",
            middle_V, peak_V,
        )  # fmt: skip
    return Violation("short-inside", f"{text}, once more in this charge: a short inside", middle_V, peak_V)


def _climbs(watch: Watch, memory: Memory, middle_V: float) -> Violation | None:
    """Find a declared Li-ion cell that rises as LFP does at its end: flat before, then ever steeper."""
    cell = watch.cell
    if cell is None or cell.kind != "li-ion" or memory.minutes < CLIMB_AFTER_MIN:
        return None
    trail = memory.climb = (*memory.climb, (memory.charge_Ah, middle_V))
    low_V, high_V = CLIMB_V[0], CLIMB_V[-1]
    if middle_V < high_V or trail[0][1] > CLIMB_FROM_V or trail[-2][1] >= high_V:
        return None
    low_Ah, mid_Ah, high_Ah = (_crossing_Ah(trail, level) for level in CLIMB_V)
    before = [point for point in trail if point[1] < low_V]
    half = before[len(before) // 2 :]  # the flatter part: the transient of the start is over
    passed_Ah, rose_V = half[-1][0] - half[0][0], half[-1][1] - half[0][1]
    if len(half) < 3 or passed_Ah <= 0.0 or high_Ah <= low_Ah:
        return None
    before_slope, slope = max(rose_V, 1e-4) / passed_Ah, (high_V - low_V) / (high_Ah - low_Ah)
    if slope < CLIMB_STEEPER * before_slope or high_Ah - mid_Ah > (mid_Ah - low_Ah) * 1.05:
        return None
    text = (
        f"from {low_V:g} to {high_V:g} V within {(high_Ah - low_Ah) * 1000:.0f} mAh, {slope / before_slope:.0f} times "
        f"as steep as before: the end of an LFP cell; a charge to {cell.charge_limit_V or 4.2:.2f} V would harm it; "
        "declare its chemistry again"
    )
    return Violation("climbs-as-lfp", text, slope, CLIMB_STEEPER * before_slope)


def _crossing_Ah(trail: tuple[tuple[float, float], ...], level_V: float) -> float:
    """Return the charge at which a trail that ends above a level first rose through it."""
    for (before_Ah, before_V), (after_Ah, after_V) in pairwise(trail):
        if before_V < level_V <= after_V:
            return before_Ah + (after_Ah - before_Ah) * (level_V - before_V) / (after_V - before_V)
    return trail[-1][0]


def _falls_at_rest(watch: Watch, memory: Memory, t_s: float, middle_V: float) -> Violation | None:
    cell = watch.cell
    assert cell is not None
    off_s = t_s - memory.off_s
    meter_V = max(FALL_SCATTERS * memory.scatter_V, 3.0 * watch.meters.voltage_resolution_V)
    if memory.last_on == "discharge" and off_s >= FIRST_MINUTES * MINUTE_S:
        if memory.rest_peak_V is None or middle_V > memory.rest_peak_V:
            memory.rest_peak_V = middle_V
        elif memory.rest_peak_V - middle_V > max(RECOVERY_FALL_V, meter_V):
            memory.below += 1
            if memory.below >= FALL_MINUTES:
                by_mV = (memory.rest_peak_V - middle_V) * 1000.0
                text = (
                    f"after the discharge the voltage falls at rest, by {by_mV:.0f} mV ({memory.rest_peak_V:.3f} to "
                    f"{middle_V:.3f} V), where a sound cell's rises"
                )
                return _drains(text, middle_V, memory.rest_peak_V)
            return None
        memory.below = 0
    trail = memory.rest_trail
    if trail and t_s - trail[-1][0] < TRAIL_S:
        return None
    earlier = next((point for point in reversed(trail) if t_s - point[0] >= HOUR_S), None)
    memory.rest_trail = (*(point for point in trail if t_s - point[0] < 2 * HOUR_S), (t_s, middle_V))
    if earlier is None or off_s < REST_LONG_S[cell.kind] + HOUR_S:
        return None
    hours = (t_s - earlier[0]) / HOUR_S
    most_V = max(REST_FALL_V * hours, meter_V)
    if earlier[1] - middle_V <= most_V:
        return None
    text = f"at rest the voltage fell by {(earlier[1] - middle_V) * 1000:.0f} mV in {hours * 60:.0f} min"
    return _drains(text, middle_V, earlier[1])


def _drains(text: str, value_V: float, limit_V: float) -> Violation:
    return Violation(
        "falls-at-rest",
        f"{text}: a short inside it, or something on the bench drains it (a bleeder, a lamp, a relay that sticks); "
        "take it out, and measure it again after 12 h",
        value_V, limit_V,
    )  # fmt: skip
