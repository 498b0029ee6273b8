"""A plan as a person reads it, in plain text: steps, what stops each, when it should be done.

Times are by the wall clock of `now`. Leaves to others: what the plan is (`planner`), and where the
text goes (`cli`). A row of equal steps, as a repeat makes it, is folded into one line.
"""

import math
import textwrap
from datetime import datetime, timedelta

from amphora.harness.common.quantities import format_duration, format_quantity
from amphora.harness.plans.plan import End, Order, Plan, PlanWindow, Step, WindowSources

SHOWN_STEPS = 40
WIDTH = 80
_QUANTITIES = {
    "voltage_V": ("V", "the voltage"),
    "current_A": ("A", "the current"),
    "charge_Ah": ("Ah", "the charge passed"),
    "temperature_degC": ("degC", "the cell's temperature"),
    "temperature_rise_K": ("K", "the rise of temperature"),
    "temperature_rate_K_per_min": ("K/min", "the rate of warming"),
    "voltage_drop_V": ("V", "the drop from the highest voltage"),
    "voltage_rate_V_per_h": ("V/h", "the drift of the voltage"),
}


def clock(moment: datetime, now: datetime) -> str:
    """Return a time of day, with the day where it is not within the next: '07:10', 'Thu 07:10'."""
    far = moment - now >= timedelta(hours=20) or moment.date() > now.date() + timedelta(days=1)
    return f"{moment:%a %H:%M}" if far else f"{moment:%H:%M}"


def ends_at(plan: Plan, now: datetime) -> tuple[datetime, datetime]:
    """Return when the plan is expected to end and the latest it can, waiting for attended hours included."""
    expected, latest = now, now
    for step in plan.steps:
        expected = _after(step, expected, step.max_duration_s if step.expected_duration_s is None else
                          step.expected_duration_s)  # fmt: skip
        latest = _after(step, latest, step.max_duration_s)
    return expected, latest


def _after(step: Step, moment: datetime, seconds: float) -> datetime:
    """Return the end of a step; one that keeps to hours stands still outside of them."""
    if step.hours is None or seconds <= 0.0:
        return moment + timedelta(seconds=seconds)
    begin_h, end_h = step.hours
    left_s = seconds
    for _ in range(400):
        hour = moment.hour + moment.minute / 60.0 + moment.second / 3600.0
        open_now = begin_h <= hour < end_h if begin_h < end_h else (hour >= begin_h or hour < end_h)
        if open_now:
            stretch_s = ((end_h - hour) % 24.0) * 3600.0 or 86400.0
            if left_s <= stretch_s:
                return moment + timedelta(seconds=left_s)
            left_s -= stretch_s
            moment += timedelta(seconds=stretch_s)
        else:
            moment += timedelta(seconds=max(((begin_h - hour) % 24.0) * 3600.0, 1.0))
    return moment + timedelta(seconds=left_s)


def render(plan: Plan, now: datetime) -> str:
    """Return the plan as text.

    Args:
        plan: What will be done.
        now: When it would begin, local.
    """
    notes = plan.notes
    expected, latest = ends_at(plan, now)
    lines = _wrapped((f"{plan.profile} for {plan.cell_id}: {notes.summary}".rstrip(": "),), 2)
    lines.append(f"  Done about {clock(expected, now)}; at the latest {clock(latest, now)} "
                 f"({format_duration((expected - now).total_seconds())}; at most "
                 f"{format_duration((latest - now).total_seconds())}).")  # fmt: skip
    lines.extend(f"  ! {line}" for line in _wrapped(plan.warnings, 4))
    lines.append("")
    lines.append(_window(plan))
    if not notes.device:
        held = f"Capacity: {format_quantity(plan.capacity_Ah, 'Ah')}, {plan.capacity_source}{_it(plan)}."
        lines.extend(f"  {line}" for line in _wrapped((f"{held} Start: {_START[plan.start]}.",), 2))
        if notes.assumption is not None:
            lines.extend(f"  {line}" for line in _wrapped((_sentence(notes.assumption),), 2))
        found = f"between {plan.as_found_low_V:.2f} and {plan.as_found_high_V:.2f} V"
        lines.append(f"  The cell has to be found {found}, else nothing is switched on.")
    lines.extend(["", "Steps"])
    lines.extend(_steps(plan, now))
    if notes.afterwards is not None:
        lines.extend(["", *_wrapped((f"Afterwards: {notes.afterwards}.",), 2)])
    lines.extend(["", "By hand, before anything is connected"])
    lines.extend(f"  - {line}" for line in _wrapped(_by_hand(plan), 4))
    lines.extend(_guards(plan))
    return "\n".join(lines)


_START = {
    "full": "full, by our own charge",
    "declared-full": "full, by declaration",
    "unknown": "not known to be full",
}


def _it(plan: Plan) -> str:
    return f" (It: {plan.it_from})" if plan.it_from else ""


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _wrapped(lines: tuple[str, ...] | list[str], indent: int) -> list[str]:
    """Wrap lines; what follows the first is indented under it."""
    result = []
    for line in lines:
        result.append(("\n" + " " * indent).join(textwrap.wrap(line, WIDTH - indent, break_on_hyphens=False)))
    return result


def _window(plan: Plan) -> str:
    notes = plan.notes
    name = plan.chemistry_name
    if notes.device:
        return f"A device, no cell: driven inside the window of {name}." if plan.max_current_A else "Only reads."
    window, sources = notes.window or PlanWindow(), notes.window_sources or WindowSources()
    parts = [f"cut-off {format_quantity(plan.cutoff_V, 'V')} ({sources.cutoff_V})"]
    if plan.charges and window.charge_limit_V is not None:
        parts.insert(
            0,
            f"charge up to {format_quantity(window.charge_limit_V, 'V')} "
            f"({sources.charge_limit_V}), {window.charge_low_degC:g} to {window.charge_high_degC:g} °C",
        )
    if window.discharge_high_degC is not None:
        parts.append(f"discharge up to {window.discharge_high_degC:g} °C")
    return "\n".join(_wrapped((f"Window of {name}: " + "; ".join(parts) + ".",), 2))


def _steps(plan: Plan, now: datetime) -> list[str]:
    """One line for each step, a row of equal ones folded."""
    lines: list[str] = []
    expected = now
    shown = 0
    index = 0
    steps = plan.steps
    while index < len(steps):
        period, times = _repetition(steps, index)
        for offset in range(period):
            step = steps[index + offset]
            seconds = step.max_duration_s if step.expected_duration_s is None else step.expected_duration_s
            begins = _after(step, expected, 0.0)
            expected = _after(step, expected, seconds)
            if shown < SHOWN_STEPS:
                lines.extend(_step(index + offset + 1, step, begins, expected, now))
            shown += 1
        if times > 1:
            for later in range(index + period, index + period * times):
                step = steps[later]
                seconds = step.max_duration_s if step.expected_duration_s is None else step.expected_duration_s
                expected = _after(step, expected, seconds)
            lines.append(f"      … up to {times} times in all, until about {clock(expected, now)}")
        index += period * times
    if shown > SHOWN_STEPS:
        lines.append(f"      … and {shown - SHOWN_STEPS} more steps")
    return lines


def _repetition(steps: tuple[Step, ...], index: int) -> tuple[int, int]:
    """Return the shortest period of steps that repeats from here, and how often (1, 1: none does)."""
    for period in range(1, 9):
        times = 1
        while all(
            index + times * period + k < len(steps) and _same(steps[index + k], steps[index + times * period + k])
            for k in range(period)
        ):
            times += 1
        if times > 1:
            return period, times
    return 1, 1


def _same(a: Step, b: Step) -> bool:
    return (a.name, a.kind, a.segments, a.ends, a.hours) == (b.name, b.kind, b.segments, b.ends, b.hours)


def _step(number: int, step: Step, begins: datetime, ends: datetime, now: datetime) -> list[str]:
    what = _orders(step)
    stops = _stops(step)
    seconds = step.max_duration_s if step.expected_duration_s is None else step.expected_duration_s
    head = f"{number:4d}  {step.name}" + (f": {what}" if what else "")
    if step.hours is not None and step.kind == "charge":
        head += f" (only {_hours(step.hours)})"
    tail = f"ends by {stops}; about {format_duration(seconds)}, until {clock(ends, now)}"
    if not step.time_is_end or step.ends:
        tail += f"; at most {format_duration(step.max_duration_s)}"
    return [*_wrapped((head,), 6), "      " + _wrapped((tail,), 6)[0]]


def _hours(hours: tuple[float, float]) -> str:
    def one(hour: float) -> str:
        minutes = round(hour * 60.0)
        return f"{minutes // 60:02d}:{minutes % 60:02d}"

    return f"{one(hours[0])}-{one(hours[1])}"


def _orders(step: Step) -> str:
    """Say what a step orders."""
    if step.kind == "pulses":
        levels = []
        for segment in step.segments:
            if segment.pulse:
                text = f"{_level(segment.order)} for {format_duration(segment.duration_s)}"
                if text not in levels:
                    levels.append(text)
        return ", ".join(levels) + " (skipped near the cut-off)"
    order = step.segments[0].order
    if step.kind == "sweep":
        first, last = (_point(segment.order) for segment in (step.segments[0], step.segments[-1]))
        limit = "" if order.current_A is None else f", at most {format_quantity(order.current_A, 'A')}"
        return f"{first} to {last} in {len(step.segments)} points{limit}"
    if order.kind == "ask":
        return order.text
    if step.later_current_A is not None and step.later_after_Ah is not None:
        return (
            f"{_level(order)}, {format_quantity(step.later_current_A, 'A')} after "
            f"{format_quantity(step.later_after_Ah, 'Ah')}"
        )
    return _level(order)


def _point(order: Order) -> str:
    """Say one point of a sweep."""
    if order.kind == "charge" and order.voltage_V is not None:
        return format_quantity(order.voltage_V, "V")
    return _level(order)


def _level(order: Order) -> str:
    if order.kind == "charge":
        current = "" if order.current_A is None else format_quantity(order.current_A, "A")
        voltage = "" if order.voltage_V is None else format_quantity(order.voltage_V, "V")
        return f"{current} up to {voltage}"
    if order.kind != "discharge" or order.value is None:
        return ""
    if order.in_It:
        return f"{order.value:g} It, It as measured in the first pass"
    unit = {"current": "A", "resistance": "ohm", "power": "W", "voltage": "V"}[order.mode]
    return format_quantity(order.value, unit)


def _stops(step: Step) -> str:
    if step.kind == "ask":
        return "a person's answer"
    said = [_end(end) for end in step.ends]
    if step.time_is_end:
        said.append("time")
    return " or ".join(said)


def _end(end: End) -> str:
    unit, name = _QUANTITIES[end.quantity]
    value = format_quantity(end.value, unit) if math.isfinite(end.value) else "?"
    words = {"cutoff": "cut-off", "taper": "taper", "charge": "charge", "condition": name}
    return f"{words[end.reason]} {'at' if end.reason != 'condition' else '≥' if end.at == '>=' else '≤'} {value}"


def _by_hand(plan: Plan) -> list[str]:
    notes = plan.notes
    lines = list(notes.by_hand)
    fuse_A = notes.fuse_A
    at = "device" if notes.device else "cell"
    if fuse_A is not None:
        most_A = plan.max_current_A or round(notes.resistor_A or 0.0, 2)
        lines.insert(
            0,
            f"A fuse of {fuse_A:g} A at the {at}: the largest current is {format_quantity(most_A, 'A')}, "
            "a fuse is at most twice that.",
        )
    elif not notes.device:
        lines.insert(0, "A fuse at the cell of at most twice the largest current that can flow.")
    if notes.first_leads and notes.leads == "by hand":
        lines.append(f"Begin with the leads at the {notes.first_leads}; the run asks when they have to be moved.")
    return lines


def _guards(plan: Plan) -> list[str]:
    notes = plan.notes
    lines: list[str] = []
    guarded, missing = notes.guarded, notes.not_guarded
    if notes.timer:
        guarded = (*guarded, notes.timer)
    if guarded:
        lines.extend(["", "Guarded by the instruments themselves, also when this computer dies"])
        lines.extend(f"  - {line}" for line in _wrapped(guarded, 4))
    if missing or not notes.abilities_known:
        lines.extend(["", "Not guarded by this bench itself: left to the program, and to you"])
        lines.extend(f"  - {line}" for line in _wrapped(missing, 4))
        if not notes.abilities_known:
            lines.append("  - what the instruments guard is asked at the start ('amphora bench check' asks now)")
    if notes.proofs:
        lines.extend(["", "Proven of this bench"])
        lines.extend(f"  - {line}" for line in _wrapped(notes.proofs, 4))
    return lines


__all__ = ["clock", "ends_at", "render"]
