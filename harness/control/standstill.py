"""Readings that stand still to the last digit although they have to change: a frozen instrument. Pure.

No capacity is assumed. A meter whose digits flicker (changes that go back, by more than a digit) is held to its own
flicker: twenty times as long as usual, and twenty readings, without any change. A meter whose digits only follow
the cell may rest longer: as long as its digit takes on the flattest stretch of the largest cells, at the current that
flows.
"""

from amphora.harness.control.memory import ENERGISED, Memory, Reading, Violation, Watch

FROZEN_S = 20.0
FROZEN_READINGS = 20
TIMES_USUAL = 20.0
USUAL_KNOWN = 5  # finished stretches, before there is a usual length
LIVELY = 0.15
JAGGED = 0.5
RENEWALS, ONCE = 8, 2  # stretches that are looked at, and how many of them may be a single reading
LONGER = 1.7  # than the others of the same renewal, seen through readings that come at their own times
LONGEST_RENEWAL_S = 10.0  # what stands for longer is judged as standing still
SHARE = 0.1  # of the newest in the moving means
NEWEST = 10  # so many are weighed alike before that: 1 / SHARE
# The flattest stretch of the largest cell of a kind, V/Ah: slope over charge, of the curves that ship, over 3.5 Ah
# (Li-ion 0.2 V for a whole charge, LFP 0.025 V) and 2.7 Ah (NiMH 0.05 V). Computed.
FLATTEST_V_PER_Ah = {"li-ion": 0.057, "lfp": 0.007, "nickel": 0.018, "lead-acid": 0.018}
MARGIN = 1.5


def standing_still(watch: Watch, memory: Memory, reading: Reading) -> Violation | None:
    """Judge whether the readings have stood still for too long; brings the memory up to date."""
    t_s, _, voltage_V, current_A, _, _, _ = reading
    energised = memory.order.kind in ENERGISED
    before_V = memory.same_voltage_V
    if voltage_V != before_V:
        if voltage_V is not None and before_V is not None and energised:
            _changed(memory, voltage_V - before_V)
        memory.volts_s, memory.volts_count = t_s, 0
    else:
        memory.volts_count += 1
    if voltage_V != before_V or current_A != memory.same_current_A:
        if energised and before_V is not None:
            _stretch(memory, t_s - memory.same_s, memory.same_count + 1)
        memory.same_voltage_V, memory.same_current_A = voltage_V, current_A
        memory.same_s, memory.same_count = t_s, 0
    else:
        memory.same_count += 1
    if not energised or voltage_V is None or not current_A:
        return None
    if memory.same_count < FROZEN_READINGS and memory.volts_count < FROZEN_READINGS:
        return None
    allowed_s, allowed_count = _allowed(watch, memory, current_A)
    same_s, volts_s = t_s - memory.same_s, t_s - memory.volts_s
    if same_s > allowed_s and memory.same_count >= allowed_count:
        text = (
            f"the readings have stood at {voltage_V:.4f} V and {current_A:.4f} A to the last digit for {same_s:.0f} s "
            f"({memory.same_count} readings); {allowed_s:.0f} s is the most that this meter and this current explain"
        )
        return Violation("frozen", text, same_s, allowed_s)
    order = memory.order
    held = order.mode == "voltage" or (
        order.kind == "charge" and order.voltage_V is not None and voltage_V > order.voltage_V - 0.05
    )
    if not held and volts_s > 2.0 * allowed_s and memory.volts_count >= 2.0 * allowed_count:
        text = (
            f"the voltage has stood at {voltage_V:.4f} V to the last digit for {volts_s:.0f} s, "
            f"while {abs(current_A):.3f} A flows"
        )
        return Violation("frozen", text, volts_s, 2.0 * allowed_s)
    return None


def _changed(memory: Memory, by_V: float) -> None:
    size_V = abs(by_V)
    if memory.finest_V == 0.0 or size_V < memory.finest_V:
        memory.finest_V = size_V
    far = size_V > 1.5 * memory.finest_V
    memory.jagged += SHARE * (far - memory.jagged)
    memory.lively += SHARE * ((far and by_V * memory.last_change_V < 0.0) - memory.lively)
    memory.last_change_V = by_V


def _stretch(memory: Memory, seconds: float, count: int) -> None:
    if count > 1 or memory.repeated_s:
        _renewed(memory, seconds, count)
    memory.stretches += 1
    share = SHARE if memory.stretches > NEWEST else 1.0 / memory.stretches
    memory.stretch_s += share * (seconds - memory.stretch_s)
    memory.stretch_count += share * (count - memory.stretch_count)


def _renewed(memory: Memory, seconds: float, count: int) -> None:
    """See how often readings are renewed: each stands for about the same time, and then moves by several digits.

    A meter that is new with each question passes through all digits, or flickers.
    """
    trail = (*memory.repeated_s[-RENEWALS + 1 :], seconds if count > 1 else 0.0)
    stood = sorted(one for one in trail if one > 0.0)
    memory.repeated_s = trail if len(trail) - len(stood) <= ONCE else ()
    if len(stood) < RENEWALS - ONCE or len(trail) < RENEWALS or memory.jagged <= JAGGED:
        return
    middle_s = stood[len(stood) // 2]
    alike = [one for one in stood if one <= LONGER * middle_s]  # twice as long: new, and by chance the same
    if len(alike) >= RENEWALS - 2 * ONCE and LONGER * alike[0] >= alike[-1] <= LONGEST_RENEWAL_S:
        memory.renewed_s = max(memory.renewed_s, alike[-1])


def _allowed(watch: Watch, memory: Memory, current_A: float) -> tuple[float, float]:
    """Return for how long, and for how many readings, both may stand still."""
    most_s, most_count = max(FROZEN_S, TIMES_USUAL / 2.0 * watch.plan.renewed_s), float(FROZEN_READINGS)
    if memory.stretches >= USUAL_KNOWN:
        most_s = max(most_s, TIMES_USUAL * memory.stretch_s)
        most_count = max(most_count, TIMES_USUAL * memory.stretch_count)
        if memory.lively > LIVELY:
            return most_s, most_count
    kind = "lfp" if watch.cell is None else watch.cell.kind
    digit_V = memory.finest_V if memory.finest_V > 0.0 and memory.stretches >= USUAL_KNOWN else 0.0
    digit_V = digit_V or watch.meters.voltage_resolution_V
    by_slope_s = MARGIN * digit_V * 3600.0 / (abs(current_A) * FLATTEST_V_PER_Ah[kind])
    return max(most_s, by_slope_s), most_count
