"""Promise: a resume at any row gives the verdict of a run that was never interrupted; a gap counts as what it was."""

import json
from collections.abc import Callable, Sequence

import pytest
from guard_memory import memory_from_dict, memory_to_dict

from amphora.harness.control.events import MadeSafe, OrderGiven, RunResumed, StepBegun, Unobserved
from amphora.harness.control.guard import Memory, Ordered, Reading, Resumed, TimeUnseen, fold, judge, refold
from amphora.harness.control.memory import OFF, Meters, Watch
from amphora.harness.plans.plan import CellLimits, Limits, Order, Plan, Segment, Step

CELL = CellLimits("li-ion", 2.5, 50.0, 3.0, 0.1, 4.2)
PLAN = Plan("p", "c", "li-ion", (), 3.0, 1.0, "assumed", "full", True, 1e6, needs_temperature=True, cell=CELL)
WATCH = Watch(PLAN, CELL, Meters())
REST = (OFF, Limits(voltage_high_V=4.2))
PRE = (
    Order("charge", voltage_V=4.2, current_A=0.1),
    Limits(2.0, 4.2, 0.0, 0.1, 0.0, 45.0, 1.0, 4.0, 5.0, 3.0, 3600.0),
)
CHARGE = (Order("charge", voltage_V=4.2, current_A=0.4), Limits(2.0, 4.2, 0.0, 0.4, 0.0, 45.0, 1.0, 4.0))
DISCHARGE = (Order("discharge", value=0.4), Limits(2.5, 4.2, -0.4, 0.0, -10.0, 60.0, 2.0, 1.0))
Part = tuple[tuple[Order, Limits], float, Callable[[float], tuple[float, float, float]]]
EVERY_S = 20.0  # five of them are what the guard calls a minute


def readings(*parts: Part) -> list[tuple[int, Order, Limits, Reading]]:
    """Each part: what is ordered, for how long, and (voltage, current, temperature) by its own time."""
    rows, t_s = [], 0.0
    for step, ((order, limits), seconds, values) in enumerate(parts):
        for k in range(int(seconds / EVERY_S)):
            volts, current_A, degC = values((k + 1) * EVERY_S)
            digit = 1e-4 * (k % 3)  # a meter that is alive
            row = Reading(t_s + (k + 1) * EVERY_S, step, volts + digit, current_A, degC + 0.01 * (k % 2))
            rows.append((step, order, limits, row))
        t_s += int(seconds / EVERY_S) * EVERY_S
    return rows


Rows = Sequence[tuple[int, Order, Limits, Reading]]


def go(memory: Memory, rows: Rows, first: int, later_s: float, keep: list[Memory] | None = None) -> tuple[str, int]:
    """Judge rows from one on, each so much later; return the check that stopped it, and at which row."""
    step = rows[first - 1][0] if first else -1
    for number in range(first, len(rows)):
        now, order, limits, row = rows[number]
        if keep is not None:
            keep.append(memory)
        if now != step:
            memory, step = fold(memory, Ordered(row.t_s + later_s - EVERY_S + 0.1, order)), now
        row = row._replace(t_s=row.t_s + later_s)
        memory, verdict = judge(WATCH, limits, memory, row)
        if verdict.suspect is not None:  # a second reading at once
            memory, verdict = judge(WATCH, limits, memory, row._replace(t_s=row.t_s + 0.2))
        if verdict.stop is not None:
            return verdict.stop.check, number
    return "", len(rows)


def cut(memory: Memory, order: Order, at_s: float, gap_s: float) -> Memory:
    """Cut a run short after a reading, made safe at once, and go on."""
    memory = fold(memory, Ordered(at_s + 0.05, OFF))
    memory = memory_from_dict(json.loads(json.dumps(memory_to_dict(memory))))
    memory = fold(memory, TimeUnseen(at_s, at_s + gap_s, 0.0, 0.0, 0.0, 0.05))
    memory = fold(memory, Resumed(at_s + gap_s))
    return memory if order == OFF else fold(memory, Ordered(at_s + gap_s + 0.05, order))


def rest(seconds: float, volts: float, degC: float = 20.0) -> Part:
    return REST, seconds, lambda t: (volts, 0.0, degC)


RUNS: dict[str, tuple[str, int, list[Part]]] = {
    # name: the verdict, how many rows later it may come after a resume, the run
    "pre-charge that warms": (
        "temperature-rise", 0,
        [rest(300.0, 2.6), (PRE, 3600.0, lambda t: (2.6 + t / 36000, 0.1, 20.0 + t / 400))],
    ),
    "pre-charge that takes nothing": (
        "takes-no-charge", 0,
        [rest(300.0, 2.6), (PRE, 3700.0, lambda t: (2.6 + t / 36000, 0.1, 20.0))],
    ),
    "sound pre-charge": (
        "", 0, [rest(300.0, 2.6), (PRE, 3000.0, lambda t: (2.6 + t / 7000, 0.1, 20.0 + t / 1500))],
    ),
    "charge that warms": (
        "temperature-rise", 0,
        [rest(300.0, 3.5), (CHARGE, 5400.0, lambda t: (3.6 + t / 12000, 0.4, 20.0 + t / 500))],
    ),
    "charge that falls": (
        "voltage-falls", 75,  # the minutes begin anew: ten, and three
        [rest(300.0, 3.5), (CHARGE, 9000.0, lambda t: (3.6 + min(t, 3600) / 2e4 - max(t - 3600, 0) / 6e4, 0.4, 20.0))],
    ),
    "sound charge": (
        "", 0, [rest(300.0, 3.5), (CHARGE, 5400.0, lambda t: (3.6 + t / 12000, 0.4, 20.0 + min(t / 600, 8.0)))],
    ),
    "night that warms": (
        "temperature-rise", 0,
        [rest(600.0, 4.15), (DISCHARGE, 5400.0, lambda t: (4.1 - t / 8000, -0.4, 20.0 + t / 300))],
    ),
    "night that gives too much": (
        "charge", 1,
        [rest(600.0, 4.15), (DISCHARGE, 9900.0, lambda t: (4.1 - t / 12000, -0.4, 20.0))],
    ),
    "night that falls at rest": (
        "falls-at-rest", 90,
        [
            rest(600.0, 4.15), (DISCHARGE, 3000.0, lambda t: (4.1 - t / 3000, -0.4, 20.0)),
            (REST, 3600.0, lambda t: (3.3 - t / 30000, 0.0, 20.0)),
        ],
    ),
    "sound night": (
        "", 0,
        [
            rest(600.0, 4.15), (DISCHARGE, 3000.0, lambda t: (4.1 - t / 3000, -0.4, 20.0 + t / 300)),
            (REST, 3600.0, lambda t: (3.3 + t / 80000, 0.0, 30.0 - t / 400)),
        ],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", RUNS)
@pytest.mark.parametrize("gap_s", [40.0, 1500.0])
def test_a_resume_at_every_row_gives_the_verdict_of_an_uninterrupted_run(name: str, gap_s: float) -> None:
    check, later, parts = RUNS[name]
    rows = readings(*parts)
    keep: list[Memory] = []
    whole, at = go(Memory(), rows, 0, 0.0, keep)
    assert whole == check
    for number in range(1, len(keep)):
        if rows[number - 1][0] != rows[number][0]:
            continue
        _, order, _, row = rows[number - 1]
        memory = cut(keep[number], order, row.t_s, gap_s)
        found, when = go(memory, rows, number, gap_s)
        # After the fall has begun, what is left of the run may be too short for the minutes to begin anew.
        if found == "" and when == len(rows) and number + later > len(rows):
            continue
        assert found == check, f"{name}, cut after row {number}: {found!r}"
        early = 5 + (int(gap_s / EVERY_S) if rows[at - 1][1] == OFF else 0)  # a gap in a rest was rest
        early = at - (early if later else 0)
        assert early <= when <= at + later, f"{name}, cut after row {number}: row {when} instead of {at}"


def test_a_sound_cell_that_is_cut_short_in_its_pre_charge_and_gone_on_with_hours_later_is_not_called_ruined() -> None:
    rows = readings(*RUNS["sound pre-charge"][2])
    keep: list[Memory] = []
    go(Memory(), rows, 0, 0.0, keep)
    for number in range(31, len(keep), 5):
        _, order, _, row = rows[number - 1]
        assert go(cut(keep[number], order, row.t_s, 4 * 3600.0), rows, number, 4 * 3600.0)[0] == ""


def test_a_gap_in_which_the_output_was_on_counts_as_time_and_charge() -> None:
    _, order, limits, row = readings(*RUNS["pre-charge that takes nothing"][2])[60]
    memory = fold(Memory(), Ordered(0.0, order))
    memory, _ = judge(WATCH, limits, memory, row)
    left_on = fold(memory, TimeUnseen(row.t_s, row.t_s + 3600.0, 0.095, 0.105, 3600.0, 3600.0))
    _, verdict = judge(WATCH, limits, left_on, row._replace(t_s=row.t_s + 3601.0))
    assert verdict.stop is not None and verdict.stop.check == "takes-no-charge"
    assert left_on.charge_Ah - memory.charge_Ah == pytest.approx(0.105) and left_on.on_s - memory.on_s == 3600.0
    maybe = fold(memory, TimeUnseen(row.t_s, row.t_s + 3600.0, 0.0, 0.105, 0.0, 3600.0))
    _, verdict = judge(WATCH, limits, maybe, row._replace(t_s=row.t_s + 3601.0))
    assert verdict.stop is None  # what may not have flowed condemns nobody
    assert maybe.charge_Ah == left_on.charge_Ah and maybe.on_s == left_on.on_s  # and is counted where it could harm


def test_the_folder_gives_the_memory_that_the_run_had() -> None:
    step = Step("c", "charge", (Segment(CHARGE[0], 1e4),), (), 1e4, False, 1.0, CHARGE[1])
    plan = Plan("p", "c", "li-ion", (step,), 3.0, 1.0, "assumed", "full", True, 1e6, cell=CELL)
    rows = [Reading(10.0 * k, 0, 3.6 + k / 1e3, 0.4, 20.0 + k / 100) for k in range(1, 40)]
    order = Order("charge", voltage_V=4.2, current_A=0.4)
    events = [
        StepBegun(0, 0),
        OrderGiven(order, t_s=0.1),
        MadeSafe(off=True, t_s=100.5, after_row=10),
        Unobserved(100.0, 104.0, 0.0, 1e-4, on_low_s=0.0, on_high_s=0.5, t_s=104.0, after_row=10),
        RunResumed(t_s=104.0, after_row=10),
        OrderGiven(order, t_s=104.1, after_row=10),
    ]
    watch = Watch(plan, CELL, Meters())
    memory = fold(Memory(), Ordered(0.1, order))
    for row in rows[:10]:
        memory, _ = judge(watch, step.limits, memory, row)
    memory = fold(memory, Ordered(100.5, OFF))
    memory = fold(memory, TimeUnseen(100.0, 104.0, 0.0, 1e-4, 0.0, 0.5))
    memory = fold(fold(memory, Resumed(104.0)), Ordered(104.1, order))
    for row in rows[10:]:
        memory, _ = judge(watch, step.limits, memory, row)
    assert refold(watch, events, rows) == memory
