"""The steps of a recipe made into those of a plan, for one cell, in SI units. Pure.

Knows no bench but how its leads are moved. A level, voltage or cut-off beyond the window is refused with the step, the
value, the limit and where the limit is from. How long a step takes is left to `plans.durations`.
"""

import dataclasses
import itertools
import math
from collections.abc import Iterator
from typing import Literal, cast

from amphora.harness.common.errors import InputError
from amphora.harness.common.quantities import format_duration, format_quantity
from amphora.harness.plans.charge_permission import FIRST_DOUBLES_AFTER_AH
from amphora.harness.plans.draft import Context, Draft
from amphora.harness.plans.plan import End, EndQuantity, Limits, Order, Segment, Step, StepKind, Taper
from amphora.harness.plans.recipe import RecipeStep, Value, every_step

USUAL_CHARGE_It = 0.4
CHARGE_MARGIN = 1.2  # a discharge passes at most this share of what a cell could hold
PRECHARGE_MOST_S = 3 * 3600.0
PRECHARGE = "pre-charge"
COLD_It = 0.2  # the most below 10 degC (common practice)
SLOW_NICKEL_It, FAST_NICKEL_It = 0.2, 0.3  # up to here by time or charge; from here on by the voltage's fall
NICKEL_DROP_V = {"nimh": 0.007, "nicd": 0.015}  # common practice: 5 to 10 mV, 10 to 20 mV
METER_U = 5.0  # a taper threshold is at least so many U of the current meter
COARSE_END_V = 0.01  # a voltage held by the supply is met this much below it
TIMED_HEADROOM_V = 0.05  # above the stop of a timed charge, so that the stop is seen
CHARGE_RATE_K_PER_MIN = 1.0
OTHER_RATE_K_PER_MIN = 2.0
DEVICE_LIMIT_A = 1.2
BELOW_CUTOFF = 0.75  # a lamp without a cell in it may be taken down so far to see where it shuts itself off
PANEL_MOST_V = 60.0
DIODE_SPREAD_V = 0.15  # a diode drops more at a charge's full current than at its end, a twentieth of it: by Shockley's
# equation n x 26 mV x ln(20), 0.08 V for n = 1, 0.14 V for n = 1.8 (from memory: silicon)
PULSE_INTERVAL_S, ENERGISED_INTERVAL_S, REST_INTERVAL_S = 0.2, 1.0, 10.0
LEADS_S = 15.0  # what moving leads is expected to take, in the mean
ASK_S = 120.0
ASK_MOST_S = 2 * 3600.0
CONNECT_S = 2.0


def drafted(context: Context) -> list[Draft]:
    """Return all steps, in order, with leads moved between charging and discharging.

    Raises:
        InputError: a level, a voltage or a time is beyond the window or the recipe's own bounds.
    """
    drafts: list[Draft] = []
    _unroll(context, context.recipe.steps, drafts, None, (), itertools.count(1))
    drafts = _with_leads(context, drafts)
    _leave_repeats(drafts)
    return drafts


def _applies(context: Context, step: RecipeStep) -> bool:
    when = step.word("only_when")
    if when in ("cc-cv", "timed") and when != context.charging.method:
        return False
    if when == "capacity unknown" and context.capacity_known:
        return False
    if when == "may be charged" and not context.may_charge:
        return False
    if step.kind == "charge" and not context.recipe.device and not context.may_charge:
        return False
    if context.precharge_only:
        return step.kind in ("rest", "charge")
    return True


def _unroll(
    context: Context,
    steps: tuple[RecipeStep, ...],
    drafts: list[Draft],
    leave: int | None,
    inside: tuple[int, ...],
    counter: Iterator[int],
) -> None:
    for step in steps:
        if not _applies(context, step):
            continue
        if step.kind == "charge" and not context.recipe.device:
            before = None if drafts and drafts[-1].step.name == PRECHARGE else _precharge(context, step)
            if before is not None:
                drafts.append(dataclasses.replace(before, leave=leave, inside=inside))
            if context.precharge_only and step.word("current") != PRECHARGE:
                continue
        if step.kind != "repeat":
            drafts.append(dataclasses.replace(_draft(context, step), leave=leave, inside=inside))
            continue
        number = next(counter)
        for _ in range(step.times):
            _unroll(context, step.steps, drafts, number if step.leave_at_cutoff else leave, (*inside, number), counter)


def _with_leads(context: Context, drafts: list[Draft]) -> list[Draft]:
    """Put a step between a discharge and a charge wherever somebody or a relay has to move the leads."""
    result: list[Draft] = []
    at = ""
    for draft in drafts:
        if draft.side and at and draft.side != at and not context.recipe.device:
            move = _move(context, draft)
            if move is not None:
                result.append(move)
        at = draft.side or at
        result.append(draft)
    return result


def _move(context: Context, draft: Draft) -> Draft | None:
    position = "charge" if draft.side == "supply" else "discharge"
    if context.leads == "by hand":
        text = f"Move the cell's leads to the {draft.side}: plus to plus. Look at the polarity twice."
        order, most_s = Order("ask", text=text, act=f"leads-to-{draft.side}"), ASK_MOST_S
        name = f"leads to the {draft.side}"
        kind: StepKind = "ask"
    elif context.leads == "relay":
        order, most_s, name = Order("connect", mode=position), CONNECT_S, f"relay to the {draft.side}"
        kind = "rest"
    else:
        return None
    step = Step(
        name=name, kind=kind, segments=(Segment(order, most_s),), ends=(), max_duration_s=most_s,
        time_is_end=kind == "rest", sample_interval_s=1.0, limits=_limits(context), attended=kind == "ask",
        leads="open", expected_duration_s=LEADS_S if kind == "ask" else most_s,
        hours=context.attended if kind == "ask" else None,
    )  # fmt: skip
    return Draft(step, "", draft.leave, draft.inside)


def _leave_repeats(drafts: list[Draft]) -> None:
    """Point every discharge of a repeat that is left at the cut-off to the step after the repeat."""
    for index, draft in enumerate(drafts):
        if draft.leave is None or draft.step.kind != "discharge":
            continue
        after = index + 1
        while after < len(drafts) and draft.leave in drafts[after].inside:
            after += 1
        draft.step = dataclasses.replace(draft.step, after_cutoff=after)


def _draft(context: Context, step: RecipeStep) -> Draft:
    maker = {
        "rest": _rest, "charge": _charge, "discharge": _discharge, "pulses": _pulses, "sweep": _sweep,
        "log": _log, "ask": _ask,
    }[step.kind]  # fmt: skip
    return maker(context, step)


def _interval(step: RecipeStep, usual_s: float, most_s: float) -> float:
    asked_s = step.number("sample_every")
    if asked_s is None:
        return usual_s
    if not 0.05 <= asked_s <= most_s:
        raise InputError(
            f"{step.where}: sample_every {format_duration(asked_s)} is not accepted; 0.05 s to "
            f"{format_duration(most_s)} is (while anything is energised readings come at least every second)"
        )
    return asked_s


def _bound(context: Context, step: RecipeStep, window_s: float = 0.0) -> tuple[float, bool]:
    """Return the upper bound in time and whether reaching it is the normal end."""
    duration_s = step.number("duration")
    if duration_s is not None:
        return duration_s, True
    most_s = step.number("at_most")
    if most_s is None:
        if window_s <= 0.0:
            raise InputError(f"{step.where}: at_most = 'window' says nothing for {context.charging.name}")
        most_s = window_s
    return most_s, step.word("normal_end") == "time"


def _check_at_most(step: RecipeStep, total_s: float) -> None:
    bound_s = step.number("at_most")
    if bound_s is not None and bound_s < total_s:
        raise InputError(
            f"{step.where}: takes {format_duration(total_s)}, more than its at_most of {format_duration(bound_s)}"
        )


def _limits(context: Context, **changes: float | None) -> Limits:
    """What holds in any step of a cell: the highest voltage and temperature."""
    window = context.window
    if context.recipe.device:
        return dataclasses.replace(Limits(current_low_A=-DEVICE_LIMIT_A, current_high_A=DEVICE_LIMIT_A), **changes)  # type: ignore[arg-type]
    base = Limits(
        voltage_high_V=context.voltage_high_V,
        current_low_A=0.0,
        current_high_A=0.0,
        temperature_high_degC=window.discharge_high_degC,
        temperature_rate_K_per_min=OTHER_RATE_K_PER_MIN,
    )
    return dataclasses.replace(base, **changes)  # type: ignore[arg-type]


def _current(context: Context, step: RecipeStep, value: Value, highest_It: float, source: str) -> tuple[float, bool]:
    """Return a current in ampere and whether it is in It of a capacity to be measured."""
    in_It = step.word("it_from") == "measured"
    if value.kind == "parameter":
        parameter = context.recipe.parameters[value.word]
        low_A = ampere(context, parameter.lowest)
        high_A = ampere(context, parameter.highest)
        usual_A = min(ampere(context, parameter.default), highest_It * context.capacity_Ah)
        current_A = usual_A if context.current_A is None else context.current_A
        if not low_A * (1 - 1e-9) <= current_A <= high_A * (1 + 1e-9):
            raise InputError(
                f"{step.where}: current {format_quantity(current_A, 'A')} is outside {format_quantity(low_A, 'A')} to "
                f"{format_quantity(high_A, 'A')}, the range of recipe {context.recipe.name!r} for "
                f"{format_quantity(context.capacity_Ah, 'Ah')}, {context.holds.source}"
            )
    elif value.kind == "rate_It" and in_It:
        current_A = value.number
        if current_A > highest_It:
            raise InputError(f"{step.where}: {current_A:g} It is above {highest_It:g} It ({source})")
        return current_A, True
    else:
        current_A = ampere(context, value)
    most_A = highest_It * context.capacity_Ah
    if current_A > most_A * (1 + 1e-9):
        raise InputError(
            f"{step.where}: current {format_quantity(current_A, 'A')} is above {format_quantity(most_A, 'A')} "
            f"({highest_It:g} It of {format_quantity(context.capacity_Ah, 'Ah')}; {source})"
        )
    return current_A, False


def ampere(context: Context, value: Value) -> float:
    """Return a current in ampere, one in It with the capacity assumed."""
    if value.kind != "rate_It":
        return value.number
    return _whole_mA(value.number * context.capacity_Ah)


def _whole_mA(current_A: float) -> float:
    """Return a current in whole milliampere, downwards, as cheap instruments can hold it; a small one as it is."""
    return math.floor(current_A * 1000.0 + 1e-6) / 1000.0 if current_A >= 0.02 else current_A


def _rest(context: Context, step: RecipeStep) -> Draft:
    most_s, normal = _bound(context, step)
    made = Step(
        name=step.name, kind="rest", segments=(Segment(Order("off"), most_s),), ends=_ends(context, step, None),
        max_duration_s=most_s, time_is_end=normal, sample_interval_s=_interval(step, REST_INTERVAL_S, 600.0),
        limits=_limits(context), leads="open",
        expected_duration_s=most_s,
    )  # fmt: skip
    return Draft(made, "")


def _precharge(context: Context, step: RecipeStep) -> Draft | None:
    """Return the pre-charge before a charge; None where the step is one, or ends below where it would.

    Every charge of every recipe begins with one: a cell that is found low takes a small current first, for others it is
    over with its second reading.
    """
    charging = context.charging
    if step.word("current") == PRECHARGE or _stop_V(context, step) <= charging.precharge_below_V + COARSE_END_V:
        return None
    made = RecipeStep(
        "charge", PRECHARGE, step.where,
        values={"current": Value("word", word=PRECHARGE), "voltage": step.values["voltage"],
                "at_most": Value("word", word="window")},
        conditions={"voltage_reaches": Value("word", word=PRECHARGE)},
    )  # fmt: skip
    return _charge(context, made)


def _precharge_s(context: Context) -> float:
    """Return how long a pre-charge may last: longer for the current it lost to a cautious It, at most 3 h."""
    holds = context.holds
    lost = 1.0 if holds.known or holds.claim_Ah is None else max(holds.claim_Ah / holds.capacity_Ah, 1.0)
    return min(context.charging.precharge_max_s * lost, max(PRECHARGE_MOST_S, context.charging.precharge_max_s))


def _stop_V(context: Context, step: RecipeStep) -> float:
    voltage = step.values["voltage"]
    return {
        "charge limit": context.charge_limit_V,
        "storage": context.charging.storage_V,
        "identify": context.identify_V,
    }.get(voltage.word, voltage.number)


def _first_A(context: Context, step: RecipeStep, current_A: float) -> tuple[float, float | None]:
    """Return the current that a first charge begins with, and the one it may go on with; None: with no other.

    Raises:
        InputError: somebody asks for more than the first charge of such a cell may have.
    """
    first_A = context.holds.first_A
    if first_A is None or current_A <= first_A * (1 + 1e-9):
        return current_A, None
    if context.current_A is not None and step.values["current"].kind == "parameter":
        raise InputError(
            f"{step.where}: current {format_quantity(current_A, 'A')} is above {format_quantity(first_A, 'A')}, the "
            "most for the first charge of a cell that nobody has measured from full; --capacity says what it is known "
            "to hold"
        )
    begins_A = _whole_mA(first_A)
    context.told.append(
        f"a first charge: {format_quantity(begins_A, 'A')} instead of {format_quantity(current_A, 'A')}, for nobody "
        "has measured this cell from full"
    )
    later_A = min(current_A, 2.0 * begins_A)
    return begins_A, later_A if later_A > begins_A else None


def _taper_of(context: Context, step: RecipeStep, ends: tuple[End, ...]) -> Taper | None:
    """Return how the taper of a charge is judged; None where it does not end by one.

    Raises:
        InputError: the current meter cannot tell where it ends.
    """
    at_A = next((end.value for end in ends if end.reason == "taper"), None)
    if at_A is None:
        return None
    meter = context.meter
    U_A = meter.U_A(at_A)
    if at_A < METER_U * U_A * (1 - 1e-9):
        raise InputError(
            f"{step.where}: the charge ends at {format_quantity(at_A, 'A')}, and "
            f"{meter.name or 'the current meter'} knows that to ± {format_quantity(U_A, 'A')} only (k = 2): at least "
            f"{METER_U:g} times that is needed; a finer meter (cell.current in the bench file), or a cell that holds "
            f"more than {format_quantity(METER_U * U_A / (context.charging.taper_It or 0.05), 'Ah')}"
        )
    taper = Taper(context.charging.taper_It or 0.05, meter.resolution_A, round(U_A, 9))
    if not context.diode:
        return taper
    return dataclasses.replace(taper, below_V=round(taper.below_V + DIODE_SPREAD_V, 3))


def _nickel_ends(context: Context, step: RecipeStep, current_A: float, ends: tuple[End, ...]) -> tuple[End, ...]:
    """Give a timed charge the ends that its current allows: the voltage's fall and the rate of warming from 0.3 It on.

    Raises:
        InputError: a fall of the voltage is asked for where there is none to be seen, or the current is between.

    Source: common practice for nickel; IEC 61951-2 charges at 0.1 It for 16 h.
    """
    level_It = current_A / context.capacity_Ah
    falls = any(end.quantity == "voltage_drop_V" for end in ends)
    if level_It < FAST_NICKEL_It - 1e-6:
        if falls:
            raise InputError(
                f"{step.where}: until.voltage_drops_by says nothing at {level_It:.2g} It: below {FAST_NICKEL_It:g} It "
                f"the voltage of {context.charging.name} does not fall when it is full; time or charge ends it"
            )
        if level_It > SLOW_NICKEL_It + 1e-6:
            raise InputError(
                f"{step.where}: {level_It:.2g} It is between {SLOW_NICKEL_It:g} It, up to which time or charge ends a "
                f"charge of {context.charging.name}, and {FAST_NICKEL_It:g} It, from which its voltage tells; one or "
                "the other is accepted"
            )
        return ends
    if not falls:
        drop_V = NICKEL_DROP_V.get(context.charging.key, 0.010)
        ends = (*ends, End("condition", "voltage_drop_V", ">=", drop_V))
    if not any(end.quantity == "temperature_rate_K_per_min" for end in ends):
        rate = context.charging.charge_rate_K_per_min or 1.0
        ends = (*ends, End("condition", "temperature_rate_K_per_min", ">=", rate))
    return ends


def _charge(context: Context, step: RecipeStep) -> Draft:
    charging = context.charging
    source = f"window {charging.key}: {charging.sources['max_charge_It']}"
    timed = charging.method == "timed"
    word = step.word("current") if step.values["current"].kind == "word" else ""
    if word:
        level_It = charging.precharge_It if word == PRECHARGE else min(USUAL_CHARGE_It, charging.max_charge_It)
        current_A = _whole_mA(level_It * context.capacity_Ah)
    else:
        current_A, _ = _current(context, step, step.values["current"], charging.max_charge_It, source)
    later_A: float | None = None
    if word != PRECHARGE:
        current_A, later_A = _first_A(context, step, current_A)
    stop_V = _stop_V(context, step)
    if stop_V > context.charge_limit_V + 1e-9:
        raise InputError(
            f"{step.where}: charge voltage {stop_V:.3f} V is above {context.charge_limit_V:.3f} V "
            f"(window {charging.key}: {charging.sources['charge_limit_V']})"
        )
    held_V = round(stop_V + TIMED_HEADROOM_V, 4) if timed else stop_V
    window_s = _precharge_s(context) if word == PRECHARGE else charging.timed_charge_s
    most_s, normal = _bound(context, step, window_s)
    most_Ah = context.holds.charge_most_Ah
    if not normal:  # the largest cell of the format, and its constant-voltage part
        most_s = min(most_s, most_Ah / current_A * 3600.0 + 5400.0)
    if timed and charging.charge_factor > 0:
        # Nickel gives back less than it takes: what a format holds at most says nothing until that is counted in.
        most_Ah = min(most_Ah, 1.05 * context.capacity_Ah) * charging.charge_factor
    order = Order("charge", voltage_V=held_V, current_A=current_A)
    ends = _ends(context, step, current_A, held_V)
    if timed and word != PRECHARGE:
        ends = _nickel_ends(context, step, current_A, ends)
    most_A = current_A if later_A is None else later_A
    reach_V = None
    if word == PRECHARGE and not normal:  # a cell that does not take it is not charged on
        reach_V = next((end.value for end in ends if end.quantity == "voltage_V"), None)
    limits = Limits(
        voltage_low_V=charging.reject_below_V,
        voltage_high_V=context.charge_limit_V,
        current_low_A=0.0,
        current_high_A=most_A,
        temperature_low_degC=round(charging.charge_low_degC + context.sensor_U_K, 3),
        temperature_high_degC=charging.charge_high_degC,
        temperature_rate_K_per_min=OTHER_RATE_K_PER_MIN if timed else CHARGE_RATE_K_PER_MIN,
        charge_Ah=most_Ah,
        temperature_rise_K=charging.precharge_rise_K if word == PRECHARGE else None,
        reach_V=reach_V,
        reach_within_s=None if reach_V is None else most_s,
    )
    made = Step(
        name=step.name, kind="charge", segments=(Segment(order, most_s),),
        ends=ends, max_duration_s=most_s, time_is_end=normal,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, ENERGISED_INTERVAL_S), limits=limits,
        attended=True, leads="charge", hours=context.attended, taper=_taper_of(context, step, ends),
        later_current_A=later_A, later_after_Ah=None if later_A is None else FIRST_DOUBLES_AFTER_AH,
        cold_current_A=None if timed else max(_whole_mA(COLD_It * context.capacity_Ah), 0.001),
    )  # fmt: skip
    return Draft(made, "supply", most_current_A=most_A)


def _discharge(context: Context, step: RecipeStep) -> Draft:
    window = context.window
    source = f"window {window.key}: {window.sources['max_discharge_It']}"
    in_It = False
    if "current" in step.values:
        level, in_It = _current(context, step, step.values["current"], window.max_discharge_It, source)
        mode, most_A = "current", level
        if in_It:
            most_A = level * context.most_Ah
    elif "resistance" in step.values:
        mode, level = "resistance", step.values["resistance"].number
        most_A = context.voltage_high_V / level
    else:
        mode, level = "power", step.values["power"].number
        most_A = level / context.cutoff_V
    limit_A = window.max_discharge_It * (context.most_Ah if in_It else context.capacity_Ah)
    if most_A > limit_A * (1 + 1e-9):
        raise InputError(
            f"{step.where}: up to {format_quantity(most_A, 'A')} is above {format_quantity(limit_A, 'A')} "
            f"({window.max_discharge_It:g} It; {source})"
        )
    most_s, normal = _bound(context, step)
    ends = _ends(context, step, None)
    if not any(end.reason == "cutoff" for end in ends):
        cut = End("cutoff", "voltage_V", "<=", context.cutoff_V, "")
        ends = (cut, *ends)
    most_Ah = context.most_Ah * CHARGE_MARGIN
    if not in_It and mode == "current":
        wanted_Ah = min([end.value for end in ends if end.quantity == "charge_Ah"], default=most_Ah)
        most_s = min(most_s, 1.1 * wanted_Ah / level * 3600.0 + 60.0) if not normal else most_s
    limits = _limits(
        context,
        voltage_low_V=window.hard_low_V,
        current_low_A=-most_A,
        temperature_low_degC=window.discharge_low_degC,
        charge_Ah=most_Ah,
    )
    made = Step(
        name=step.name, kind="discharge", segments=(Segment(Order("discharge", mode, level, in_It=in_It), most_s),),
        ends=ends, max_duration_s=most_s, time_is_end=normal,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, ENERGISED_INTERVAL_S), limits=limits,
        leads="discharge", cutoff_V=context.cutoff_V,
    )  # fmt: skip
    return Draft(made, "load", most_current_A=most_A)


def _pulses(context: Context, step: RecipeStep) -> Draft:
    window = context.window
    source = f"window {window.key}: {window.sources['max_discharge_It']}"
    segments: list[Segment] = []
    most_A = 0.0
    before_s = step.number("rest_before") or 0.0
    if before_s > 0.0:
        segments.append(Segment(Order("off"), before_s))
    for _ in range(step.times):
        for level in step.levels:
            value, in_It = _current(context, step, level.current, window.max_discharge_It, source)
            ampere = value * context.most_Ah if in_It else value
            most_A = max(most_A, ampere)
            segments.append(Segment(Order("discharge", "current", value, in_It=in_It), level.duration_s, pulse=True))
            if level.rest_s > 0.0:
                segments.append(Segment(Order("off"), level.rest_s))
    total_s = sum(segment.duration_s for segment in segments)
    _check_at_most(step, total_s)
    made = Step(
        name=step.name, kind="pulses", segments=tuple(segments), ends=(), max_duration_s=total_s + 1.0,
        time_is_end=True, sample_interval_s=_interval(step, PULSE_INTERVAL_S, ENERGISED_INTERVAL_S),
        limits=_limits(
            context, voltage_low_V=window.hard_low_V, current_low_A=-most_A,
            temperature_low_degC=window.discharge_low_degC, charge_Ah=context.most_Ah * CHARGE_MARGIN,
        ),
        leads="discharge", cutoff_V=context.cutoff_V, expected_duration_s=total_s,
    )  # fmt: skip
    return Draft(made, "load", most_current_A=most_A)


def _sweep(context: Context, step: RecipeStep) -> Draft:
    quantity, supply = step.word("quantity"), step.word("with") == "supply"
    if not context.recipe.device:
        raise InputError(f"{step.where}: sweeps a lamp or a panel; a recipe for them says device = true")
    low, high = (_sweep_value(context, step.values[key]) for key in ("from", "to"))
    dwell_s, points = step.values["dwell"].number, step.points
    limit_A = step.number("current") or DEVICE_LIMIT_A
    if limit_A > DEVICE_LIMIT_A:
        raise InputError(f"{step.where}: current {limit_A:g} A is above {DEVICE_LIMIT_A:g} A, the most for a device")
    if supply and max(low, high) > context.charge_limit_V + 1e-9:
        raise InputError(
            f"{step.where}: {max(low, high):.3f} V is above {context.charge_limit_V:.3f} V, what the device's cell "
            f"gives at most (window {context.charging.key})"
        )
    segments = []
    for index in range(points):
        share = index / (points - 1)
        value = low * (high / low) ** share if step.word("spacing") == "ratio" else low + (high - low) * share
        value = round(value, 6)
        order = Order("charge", voltage_V=value, current_A=limit_A) if supply else Order("discharge", quantity, value)
        segments.append(Segment(order, dwell_s))
    total_s = points * dwell_s
    _check_at_most(step, total_s)
    made = Step(
        name=step.name, kind="sweep", segments=tuple(segments), ends=(), max_duration_s=total_s + 1.0, time_is_end=True,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, ENERGISED_INTERVAL_S),
        limits=Limits(
            voltage_high_V=context.charge_limit_V if supply else PANEL_MOST_V,
            current_low_A=0.0 if supply else -DEVICE_LIMIT_A,
            current_high_A=limit_A if supply else 0.0,
        ),
        attended=True, leads="charge" if supply else "discharge", expected_duration_s=total_s,
    )  # fmt: skip
    return Draft(made, "supply" if supply else "load", most_current_A=limit_A)


def _sweep_value(context: Context, value: Value) -> float:
    if value.kind != "word":
        return value.number
    if value.word == "below cut-off":
        return BELOW_CUTOFF * context.cutoff_V
    return context.charge_limit_V if value.word == "charge limit" else context.cutoff_V


def _log(context: Context, step: RecipeStep) -> Draft:
    most_s, normal = _bound(context, step)
    leads = cast(Literal["open", "discharge", "charge"], step.word("leads") or "open")
    # `connect` and not `off`: a current that flows while logging is nothing wrong
    made = Step(
        name=step.name, kind="log", segments=(Segment(Order("connect", mode=leads), most_s),),
        ends=_ends(context, step, None), max_duration_s=most_s, time_is_end=normal,
        sample_interval_s=_interval(step, ENERGISED_INTERVAL_S, 3600.0),
        limits=_log_limits(context, leads), leads=leads,
        cutoff_V=context.cutoff_V if leads == "discharge" else None, expected_duration_s=None,
    )  # fmt: skip
    return Draft(made, "", most_current_A=0.0)


def _log_limits(context: Context, leads: str) -> Limits:
    if context.recipe.device:
        return Limits()
    low_V = context.window.hard_low_V if leads == "discharge" else None
    return _limits(context, voltage_low_V=low_V, current_low_A=-context.window.max_discharge_It * context.most_Ah)


def _ask(context: Context, step: RecipeStep) -> Draft:
    most_s = step.values["at_most"].number
    # Where a resistor is put on and taken off by hand, its current flows while the person is asked.
    by_hand = any(one.kind == "log" and one.word("leads") == "discharge" for one in every_step(context.recipe.steps))
    limits = _log_limits(context, "open") if by_hand else _limits(context)
    order = Order("ask", text=step.text, act=step.word("act"))
    made = Step(
        name=step.name, kind="ask", segments=(Segment(order, most_s),), ends=(),
        max_duration_s=most_s, time_is_end=False, sample_interval_s=1.0,
        limits=Limits() if context.recipe.device else limits, attended=True, leads="open",
        expected_duration_s=ASK_S,
    )  # fmt: skip
    return Draft(made, "")


def _ends(context: Context, step: RecipeStep, current_A: float | None, held_V: float | None = None) -> tuple[End, ...]:
    """Turn the conditions of a step into ends; the reason says what kind of end it is."""
    charging, window = context.charging, context.window
    ends: list[End] = []
    for key, value in step.conditions.items():
        number = value.number
        if key == "voltage_falls_to":
            number = {"cut-off": context.cutoff_V, "storage": charging.storage_V}.get(value.word, number)
            reason: Literal["cutoff", "taper", "charge", "condition"] = (
                "cutoff" if value.word == "cut-off" else "condition"
            )
            if step.kind == "discharge" and number < window.hard_low_V:
                raise InputError(
                    f"{step.where}: {number:.3f} V is below {window.hard_low_V:.3f} V "
                    f"(window {window.key}: {window.sources['hard_low_V']})"
                )
            ends.append(End(reason, "voltage_V", "<=", number))
        elif key == "voltage_reaches":
            number = {
                "charge limit": context.charge_limit_V, "pre-charge": charging.precharge_below_V,
                "identify": context.identify_V,
            }.get(value.word, number)  # fmt: skip
            if held_V is not None and number > held_V - COARSE_END_V:
                number = held_V - COARSE_END_V
            ends.append(End("condition", "voltage_V", ">=", number))
        elif key == "current_falls_to":
            if value.word == "taper":
                number = charging.taper_It * context.capacity_Ah
                if number <= 0.0:
                    raise InputError(f"{step.where}: {charging.name} has no taper; until wants another condition")
            else:
                number = ampere(context, value)
            if current_A is not None and number >= current_A:
                number = 0.5 * current_A
            ends.append(End("taper", "current_A", "<=", number))
        elif key == "charge_reaches":
            if value.word == "window":
                number = charging.charge_factor * context.capacity_Ah
            elif value.kind == "ratio":
                number = value.number * context.capacity_Ah
            if number > 0.0:
                ends.append(End("charge", "charge_Ah", ">=", number))
        else:
            ends.append(_other_end(context, step, key, value))
    return tuple(ends)


def _other_end(context: Context, step: RecipeStep, key: str, value: Value) -> End:
    charging = context.charging
    number = value.number
    quantity: EndQuantity
    at: Literal[">=", "<="] = ">="
    if key == "temperature_reaches":
        quantity = "temperature_degC"
    elif key == "temperature_rises_by":
        quantity = "temperature_rise_K"
        number = charging.charge_rise_K if value.word else number
    elif key == "temperature_rate_reaches":
        quantity = "temperature_rate_K_per_min"
        number = charging.charge_rate_K_per_min if value.word else number
    elif key == "voltage_drops_by":
        quantity = "voltage_drop_V"
    else:
        quantity, at = "voltage_rate_V_per_h", "<="
    if number <= 0.0 and quantity != "temperature_degC":
        raise InputError(f"{step.where}: until.{key} says nothing for {charging.name}; a value above zero is accepted")
    return End("condition", quantity, at, number)
