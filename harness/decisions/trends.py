"""One cell over time, like compared with like: the course of its capacity, and of its resistance. Ah, ohm, V."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from amphora.harness.account.kept_answers import CellRun
from amphora.harness.analysis.charge import trend
from amphora.harness.analysis.common_basis import allowance
from amphora.harness.common.words import to_places
from amphora.harness.decisions.cell_runs import by_cell, counts, days_between
from amphora.harness.results.chosen import nearest
from amphora.harness.results.result import ResistanceValue, Result

# Like is compared with like: what two runs of one cell may differ by and still stand in one trend.
LIKE_CURRENT = 0.10  # of the current
LIKE_K = 5.0
LIKE_CUTOFF_V = 0.010
LIKE_DURATION = 0.05  # of the time after the current step
LIKE_CHARGE_STATE = 0.05
# What is left between like runs widens the trend's uncertainty (half-widths of rectangles, common practice).
RESISTANCE_SHARE_PER_K = 0.015
CONTACT_ohm = 0.0025  # each time a cell is put in, unless sensed at the cell: 5 mohm between two is the contact


@dataclass(frozen=True, slots=True)
class NoCourse:
    """Why runs of a cell make no course."""

    why: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A run that is not like the others, and in what."""

    run: str
    why: str


@dataclass(frozen=True, slots=True)
class CapacityCourse:
    """How a capacity went over like runs. `per_run`: a share of the mean; `days`: None where a run says no time."""

    runs: int
    days: float | None
    first_Ah: float
    last_Ah: float
    change_Ah: float
    change_U_Ah: float
    per_run: float
    per_run_U: float | None
    significant: bool
    like: Mapping[str, Any]
    run: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    text: str


@dataclass(frozen=True, slots=True)
class ResistanceCourse:
    """The same of a resistance."""

    runs: int
    days: float | None
    first_ohm: float
    last_ohm: float
    change_ohm: float
    change_U_ohm: float
    per_run: float
    per_run_U: float | None
    significant: bool
    like: Mapping[str, Any]
    run: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    text: str


@dataclass(frozen=True, slots=True)
class CourseOfCell:
    """The course of one cell; `runs`, `days` and `text` lead with its capacity where that has one."""

    cell: str
    runs: int
    days: float | None
    change_Ah: float | None
    change_U_Ah: float | None
    capacity: CapacityCourse | NoCourse
    resistance: ResistanceCourse | NoCourse
    text: str


def trends(runs: Sequence[CellRun]) -> list[CourseOfCell]:
    """Return the course of cells with repeated runs: of capacity, and of resistance, like compared with like.

    A cell is listed when one of both has a course, or when it has two tests that count and they are not alike.

    Capacity: complete discharges from a known full start, currents within 10 %, cut-offs within 10 mV, temperatures
    within 5 K. Resistance: one method, the same time after the step within 5 %, pulse currents within 10 %, charge
    state within 0.05, temperatures within 5 K, leads and holder in or out of both.

    Source: `charge.trend` (JCGM 100:2008, H.3); the tolerances are common practice.
    """
    found = []
    for name, items in by_cell(runs).items():
        full = [item for item in items if counts(item.result) and item.instant]
        pulsed = [item for item in items if item.result.resistances and item.instant]
        if len(full) < 2 and len(pulsed) < 2:
            continue
        capacity, resistance = _capacity_trend(full), _resistance_trend(pulsed)
        if len(full) < 2 and isinstance(resistance, NoCourse):
            continue  # a charge and a test, say: nobody meant to repeat anything
        both = (("capacity", capacity), ("resistance", resistance))
        texts = [part.text for _, part in both if not isinstance(part, NoCourse)]
        texts += [f"{what} over time: {part.why}" for what, part in both if isinstance(part, NoCourse)]
        lead = resistance if isinstance(capacity, NoCourse) else capacity
        found.append(
            CourseOfCell(
                cell=name,
                runs=0 if isinstance(lead, NoCourse) else lead.runs,
                days=None if isinstance(lead, NoCourse) else lead.days,
                change_Ah=None if isinstance(capacity, NoCourse) else capacity.change_Ah,
                change_U_Ah=None if isinstance(capacity, NoCourse) else capacity.change_U_Ah,
                capacity=capacity,
                resistance=resistance,
                text=f"{name}: " + "; ".join(texts),
            )
        )
    return sorted(found, key=lambda entry: entry.cell)


def _unlike(a: Result, b: Result) -> str:
    """Return in what two discharges are not alike; empty where they are."""
    if not _near(a.main_current_A, b.main_current_A, LIKE_CURRENT):
        return "another current"
    if not _near(a.cutoff_V, b.cutoff_V, least=LIKE_CUTOFF_V):
        return "another cut-off"
    if not _near(a.temperature_degC, b.temperature_degC, least=LIKE_K):
        return "another temperature"
    return ""


def _near(a: float | None, b: float | None, share: float = 0.0, least: float = 0.0) -> bool:
    """Tell whether two figures are alike; one that is not known is like only another one."""
    if a is None or b is None:
        return a is None and b is None
    return abs(a - b) <= max(least, share * abs(a))


def _capacity_trend(items: Sequence[CellRun]) -> CapacityCourse | NoCourse:
    if len(items) < 2:
        return NoCourse(f"{len(items)} complete discharge(s) from a full start; two are needed")
    groups = [(to, [item for item in items if not _unlike(to.result, item.result)]) for to in reversed(items)]
    to, like = max(groups, key=lambda group: len(group[1]))  # of equal ones the newest
    left = [LeftOut(str(item.folder), why) for item in items if (why := _unlike(to.result, item.result))]
    if len(like) < 2:
        return NoCourse(f"no two of {len(items)} runs are alike ({', '.join(sorted({one.why for one in left}))})")
    values = [item.result.capacity_Ah or 0.0 for item in like]
    Us = []
    for item, value in zip(like, values, strict=True):
        amps, goal = item.result.main_current_A, to.result.main_current_A
        share = allowance(amps / goal if amps and goal else 1.0, _off_K(item, to))
        Us.append(math.hypot(item.result.item_U_Ah, share * value))
    conditions = {
        "current_A": to.result.main_current_A,
        "cutoff_V": to.result.cutoff_V,
        "temperature_degC": to.result.temperature_degC,
    }
    return _course(CapacityCourse, like, values, Us, ("mAh", 0), ("lost", "gained"), conditions, left)


def _off_K(item: CellRun, to: CellRun) -> float | None:
    a, b = item.result.temperature_degC, to.result.temperature_degC
    return None if a is None or b is None else a - b


Pulsed = tuple[CellRun, ResistanceValue]


def _resistance_trend(items: Sequence[CellRun]) -> ResistanceCourse | NoCourse:
    if len(items) < 2:
        return NoCourse(f"{len(items)} run(s) with a resistance; two are needed")
    best = _like_pulses(items)
    if best is None:
        return NoCourse("the charge state of no pulse is known")
    to, chosen, pairs = best
    if len(pairs) < 2:
        return NoCourse(
            f"no two of {len(items)} runs have pulses alike in method, duration, current, charge state, "
            "temperature and leads"
        )
    kept = {id(item) for item, _ in pairs}
    left = [LeftOut(str(item.folder), "no pulse like the others'") for item in items if id(item) not in kept]
    values = [pulse.ohm or 0.0 for _, pulse in pairs]
    Us = []
    for (item, pulse), value in zip(pairs, values, strict=True):
        contact = 0.0 if item.result.sensed_at == "cell" else CONTACT_ohm
        warmth = RESISTANCE_SHARE_PER_K * value * (_off_K(item, to) or 0.0)
        Us.append(math.hypot(pulse.U_ohm or 0.0, 2 / math.sqrt(3) * math.hypot(contact, warmth)))
    conditions = {
        "method": chosen.method,
        "duration_s": chosen.duration_s,
        "current_A": chosen.current_A,
        "charge_state": chosen.charge_state,
        "leads": chosen.leads,
        "temperature_degC": to.result.temperature_degC,
    }
    how = f" ({chosen.method}, {chosen.duration_s:g} s, {abs(chosen.current_A):.3g} A"
    how += f", {100 * (chosen.charge_state or 0.0):.0f} % charged)"
    like = [item for item, _ in pairs]
    return _course(ResistanceCourse, like, values, Us, ("mΩ", 1), ("fell by", "grew by"), conditions, left, how)


def _like_pulses(items: Sequence[CellRun]) -> tuple[CellRun, ResistanceValue, list[Pulsed]] | None:
    """Return the pulse that the most runs have one like, its run, and the like one of each; None without any."""
    best: tuple[CellRun, ResistanceValue, list[Pulsed]] | None = None
    for to in reversed(items):
        kinds: dict[tuple[str, float], list[ResistanceValue]] = {}
        for pulse in to.result.resistances:
            if pulse.charge_state is not None and pulse.current_A:
                kinds.setdefault((pulse.method, pulse.duration_s), []).append(pulse)
        for pulses in kinds.values():
            chosen = nearest(pulses)
            if chosen is None:
                continue
            pairs = [(item, found) for item in items if (found := _like_pulse(item, to, chosen)) is not None]
            if best is None or _better(pairs, chosen, best[2], best[1]):
                best = (to, chosen, pairs)
        if best is not None and len(best[2]) == len(items):
            break
    return best


def _better(pairs: Sequence[Any], pulse: ResistanceValue, before: Sequence[Any], than: ResistanceValue) -> bool:
    if len(pairs) != len(before):
        return len(pairs) > len(before)
    # of two with as many runs, the one that would stand for a run: nearest to 10 s, then to half charged
    return nearest([than, pulse]) == pulse != than


def _like_pulse(item: CellRun, to: CellRun, chosen: ResistanceValue) -> ResistanceValue | None:
    """Return a run's pulse like one of another run, the nearest in charge state; None without."""
    if not _near(to.result.temperature_degC, item.result.temperature_degC, least=LIKE_K):
        return None
    if to.result.sensed_at != item.result.sensed_at or chosen.charge_state is None:
        return None
    state = chosen.charge_state
    like = [
        (abs(pulse.charge_state - state), pulse)
        for pulse in item.result.resistances
        if pulse.method == chosen.method
        and pulse.leads == chosen.leads
        and pulse.ohm is not None
        and pulse.ohm > 0
        and pulse.charge_state is not None
        and _near(chosen.duration_s, pulse.duration_s, LIKE_DURATION)
        and _near(chosen.current_A, pulse.current_A, LIKE_CURRENT)
        and _near(state, pulse.charge_state, least=LIKE_CHARGE_STATE)
    ]
    return min(like, key=lambda pair: pair[0])[1] if like else None


Course = TypeVar("Course", CapacityCourse, ResistanceCourse)


def _course(
    kind: type[Course], items: Sequence[CellRun], values: Sequence[float], Us: Sequence[float], shown: tuple[str, int],
    words: tuple[str, str], like: Mapping[str, Any], left: Sequence[LeftOut], how: str = "",
) -> Course:  # fmt: skip
    line = trend(values, Us)
    level = sum(values) / len(values)
    steps = len(values) - 1
    change, U = line.per_run * level * steps, (line.per_run_U or 0.0) * level * steps
    days = days_between(items[0], items[-1])
    when = "" if days is None else f" in {days:.0f} {'day' if round(days) == 1 else 'days'}"
    name, digits = shown
    what = "resistance " if kind is ResistanceCourse else ""
    text = f"{what}{values[0] * 1000:.{digits}f} to {values[-1] * 1000:.{digits}f} {name}{when} over {len(values)} runs"
    text += f"{how}: "
    if line.significant:
        word = words[0] if change < 0 else words[1]
        text += f"{word} {to_places(abs(change), U, digits, 1000, name)}"
    else:
        text += f"no change larger than its uncertainty (beyond ± {U * 1000:.{digits}f} {name})"
    return kind(
        len(values), days, values[0], values[-1], change, U, line.per_run, line.per_run_U, line.significant,
        dict(like), tuple(str(item.folder) for item in items), tuple(left), text,
    )  # fmt: skip
