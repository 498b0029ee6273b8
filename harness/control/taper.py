"""Is this the taper of a charge? How a current behaves once the voltage is held. Pure.

A charge counts as full by its taper alone, so a current that merely vanishes (a tripped supply, a lost lead) must not
be taken for one, and a current that stands still (a short inside takes it) must not be waited for. `follow` keeps the
course of one charge, `threshold_A` says where its taper ends, `no_taper` why it will never end by one, `fell` whether
the current vanished. Currents are positive into the cell with the meter's zero taken off; ampere, second.

Limits: LIMITS of this project's own account of cells; healthy cells measured in open records rise by up to 29 mA over
their lowest in single readings, which is why minutes are compared and not readings.
"""

from typing import NamedTuple

from amphora.harness.plans.plan import Taper

MINUTE_S = 60.0
STANDS_S = 3600.0  # within an hour ...
STANDS_SHARE = 0.10  # ... a taper falls by more than this ...
STANDS_ABOVE = 1.5  # ... while above so many thresholds and 3 U
STANDS_U = 3.0
HELD_MOST_S = 4 * 3600.0  # constant voltage that lasts longer is no taper
RISE_A, RISE_SHARE, RISE_MINUTES = 0.030, 0.10, 3
FALL_S, FALL_STEPS = 10.0, 5.0  # by half, and by so many last digits, within so long: no cell does that
NOTHING_SHARE = 0.2  # of the threshold: less than this is no current of a charge any more
GONE_SHARE = 0.05  # of what it fell from: less than this, and it stays gone
BEGIN_S = 60.0  # after an order the current still settles
LIMITED_SHARE = 0.95  # of the highest current seen: below it the supply no longer holds the current
LITTLE_SHARE = 0.5  # of the ordered current: a cell that was full at once
MINUTES = 61


class TaperSoFar(NamedTuple):
    """How one charge went so far."""

    held_s: float = 0.0  # in constant voltage, pauses left out
    held: bool = False
    began_s: float | None = None  # since when this order stands
    highest_A: float = 0.0  # of the minutes
    minute_s: float = 0.0  # when the minute of the moment began
    minute_sum_A: float = 0.0
    minute_n: int = 0
    minutes: tuple[tuple[float, float], ...] = ()  # (end, mean) of the minutes in constant voltage
    lowest_A: float = 1e9
    risen: int = 0  # minutes on end above the lowest by more than a healthy cell does
    last_s: float | None = None
    recent: tuple[tuple[float, float], ...] = ()  # readings of the last 10 s
    fell_from_A: float = 0.0  # the current that vanished; 0 while none has


def follow(course: TaperSoFar, rule: Taper, t_s: float, current_A: float, at_limit: bool, order_A: float) -> TaperSoFar:
    """Return the course with one reading more.

    Args:
        course: So far.
        rule: Of the step.
        t_s: When it was read.
        current_A: Zero-corrected.
        at_limit: Whether the voltage is at the one that is held.
        order_A: The current that the supply holds at most.
    """
    began_s = t_s if course.began_s is None else course.began_s
    held = course.held
    highest_A, minutes, lowest_A, risen = course.highest_A, course.minutes, course.lowest_A, course.risen
    held_s = course.held_s
    if held and course.last_s is not None:
        held_s += t_s - course.last_s
    fell_from_A = _fell(course, rule, t_s, current_A, began_s)
    recent = course.recent
    start = 0
    while start + 1 < len(recent) and recent[start + 1][0] <= t_s - FALL_S:
        start += 1
    recent = (*recent[start:], (t_s, current_A))
    minute_s = course.minute_s if course.minute_n else t_s
    sum_A, n = course.minute_sum_A + current_A, course.minute_n + 1
    if t_s - minute_s >= MINUTE_S:
        mean_A = sum_A / n
        sum_A, n = 0.0, 0
        if mean_A > highest_A:
            highest_A = mean_A
        if at_limit and (mean_A < LIMITED_SHARE * highest_A or mean_A < LITTLE_SHARE * order_A):
            held = True
        if held:
            minutes = (*minutes[-MINUTES + 1 :], (t_s, mean_A))
            if mean_A < lowest_A:
                lowest_A = mean_A
            risen = risen + 1 if mean_A >= lowest_A + max(RISE_A, RISE_SHARE * lowest_A) else 0
    return TaperSoFar(
        held_s, held, began_s, highest_A, minute_s, sum_A, n, minutes, lowest_A, risen, t_s, recent, fell_from_A
    )  # fmt: skip


def begun_anew(course: TaperSoFar) -> TaperSoFar:
    """Return the course after a pause or another order: the cell rested, only the time in constant voltage goes on."""
    return TaperSoFar(held_s=course.held_s)


def threshold_A(rule: Taper, least_A: float, charged_Ah: float, order_A: float) -> float:
    """Return the current at which a taper ends: of It, or of what has been charged once that is more.

    A threshold of half the ordered current is the highest: a current that never fell is no taper.
    """
    return max(least_A, min(rule.share_It * charged_Ah, 0.5 * order_A))


def no_taper(course: TaperSoFar, rule: Taper, threshold: float) -> str:
    """Return why this charge will not end by a taper; "" while it may.

    Args:
        course: So far.
        rule: Of the step.
        threshold: The current at which the taper would end.
    """
    if course.held_s > HELD_MOST_S:
        return (
            f"the voltage has been held for {course.held_s / 3600:.1f} h and the current still is "
            f"{_mA(course.minutes[-1][1] if course.minutes else 0.0)}, {_mA(threshold)} end a charge; a short inside "
            "takes it, or the cell is worn out"
        )
    if course.risen >= RISE_MINUTES:
        return (
            f"the current rises again at the held voltage: {_mA(course.minutes[-1][1])}, and it was at "
            f"{_mA(course.lowest_A)}; the cell warms itself, or a short inside takes it"
        )
    if len(course.minutes) > 1:
        now_s, now_A = course.minutes[-1]
        if now_A > STANDS_ABOVE * threshold + STANDS_U * rule.U_A:
            for then_s, then_A in course.minutes:
                if then_s > now_s - STANDS_S + 0.5 * MINUTE_S:
                    break
                if abs(now_A - then_A) < STANDS_SHARE * then_A:
                    return (
                        f"the current stands at {_mA(now_A)} at the held voltage, {_mA(then_A)} "
                        f"{(now_s - then_s) / 60:.0f} min before; {_mA(threshold)} end a charge; a short inside "
                        "takes it"
                    )
    return ""


def _fell(course: TaperSoFar, rule: Taper, t_s: float, current_A: float, began_s: float) -> float:
    """Return the current from which this one fell by half within 10 s (slower rows: against their trend); 0: none."""
    if t_s - began_s < BEGIN_S or not course.recent:
        return 0.0
    least_A = max(FALL_STEPS * rule.resolution_A, rule.U_A)
    before = [value_A for then_s, value_A in course.recent if t_s - then_s <= FALL_S]
    for then_A in before or _expected(course.recent, t_s):
        if then_A - current_A > least_A and current_A <= 0.5 * then_A:
            return then_A
    nothing_A = max(least_A, GONE_SHARE * course.fell_from_A)
    return course.fell_from_A if current_A <= nothing_A else 0.0  # what flows after all is the cell's own


def _expected(recent: tuple[tuple[float, float], ...], t_s: float) -> list[float]:
    """Return what the trend of the last two rows lets expect now, where they are further apart than 10 s."""
    if len(recent) < 2:
        return []
    (first_s, first_A), (last_s, last_A) = recent[-2], recent[-1]
    if first_A <= 0.0 or last_A <= 0.0 or last_s <= first_s:
        return []
    return [last_A * float(min(last_A / first_A, 1.0) ** ((t_s - last_s) / (last_s - first_s)))]


def vanished(course: TaperSoFar, threshold: float) -> str:
    """Return why a current below the threshold is no taper; "" where it is one: it fell at once, and nothing flows."""
    if course.fell_from_A <= 0.0 or not course.recent:
        return ""
    now_A = course.recent[-1][1]
    if now_A > NOTHING_SHARE * threshold:
        return ""
    return (
        f"the current fell from {_mA(course.fell_from_A)} to {_mA(now_A)} within seconds: the supply tripped, or a "
        "lead came off; that is no taper"
    )


def falling(course: TaperSoFar, t_s: float) -> bool:
    """Whether a fall by half lies less than 10 s back: what it comes to is not known yet."""
    if course.fell_from_A <= 0.0:
        return False
    return any(t_s - then_s <= FALL_S and then_A >= 0.99 * course.fell_from_A for then_s, then_A in course.recent)


def _mA(current_A: float) -> str:
    return f"{current_A * 1000:.0f} mA"
