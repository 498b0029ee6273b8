"""Where a run stands, seen from a second process: alive, silent, dead, waiting for a person, or ended.

The one answer behind `watch`, its JSON and the page. It reads the run's folder and the lock of it, asks the
operating system whether the process that holds the lock still lives, and changes nothing.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from amphora.harness.archive.run_folder import SAMPLES, stopped_of
from amphora.harness.common.locks import folder_owner
from amphora.harness.control.events import (
    AttendanceSeen,
    Continued,
    Event,
    Finished,
    FoundTooWarm,
    MadeSafe,
    OrderGiven,
    Paused,
    PersonActed,
    RunResumed,
    StepBegun,
    StepEnded,
    TimerPaused,
    VoltageFell,
    WaitsForHours,
)

StateName = Literal["running", "waiting", "silent", "dead", "ended"]
SILENT_AT_LEAST_S = 10.0  # of wall clock without a reading; a run beats at least as often as that


@dataclass(frozen=True, slots=True)
class Left:
    """Seconds until the whole run ends: as expected, and at the latest."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """How a run stands.

    `age_s`: since the last reading, None without one. `left_s`: None where it cannot be said.
    `text`: one sentence for a person. `outputs_off`: what the last word on that says; None when nobody has said.
    """

    state: StateName
    text: str
    age_s: float | None
    left_s: Left | None
    outputs_off: bool | None


def age_of(folder: Path, now_s: float | None = None) -> float | None:
    """Return how long ago the last reading was written, s; None without one. By the folder's clock, never below 0."""
    path = folder / SAMPLES
    try:
        with path.open("rb") as stream:
            header = stream.readline()
            first = stream.readline()
        if not header.endswith(b"\n") or not first.endswith(b"\n"):
            return None
        return max(0.0, (time.time() if now_s is None else now_s) - path.stat().st_mtime)
    except OSError:
        return None


def time_left(steps: Sequence[tuple[float | None, float]], in_step_s: float) -> Left:
    """Return how long steps still take.

    Args:
        steps: Expected duration (None: not known) and longest duration of each step that is left, s; the first is at
            work.
        in_step_s: How long the first has been at work, s.
    """
    low = high = 0.0
    for number, (expected, latest_s) in enumerate(steps):
        expected_s = latest_s if expected is None else min(latest_s, expected)
        gone_s = in_step_s if number == 0 else 0.0
        low += max(0.0, expected_s - gone_s)
        high += max(0.0, latest_s - gone_s)
    return Left(low, high)


def left_of(plan: Mapping[str, Any] | None, events: Sequence[Event], t_s: float | None) -> Left | None:
    """Return how long the whole run still takes, by its plan and the step it is in; None without either."""
    steps = (plan or {}).get("steps") or []
    begun = next((event for event in reversed(events) if isinstance(event, StepBegun)), None)
    if not steps or begun is None:
        return None
    try:
        at, began_s = begun.place or 0, float(begun.t_s)
        ahead = [
            (None if step.get("expected_duration_s") is None else float(step["expected_duration_s"]),
             float(step["max_duration_s"]))
            for step in steps[at:]
        ]  # fmt: skip
        return time_left(ahead, max(0.0, (began_s if t_s is None else t_s) - began_s))
    except (KeyError, TypeError, ValueError):
        return None


def whereabouts(
    folder: Path,
    run: Mapping[str, Any],
    events: Sequence[Event],
    t_s: float | None,
    now_s: float | None = None,
) -> Whereabouts:
    """Return where a run stands.

    Args:
        folder: The run's folder.
        run: What run.json holds.
        events: Its events so far, in order.
        t_s: Time of its last reading, s since the start; None without one.
        now_s: Seconds since 1970; None asks the clock.
    """
    age_s = age_of(folder, now_s)
    off = outputs_off(events)
    stopped = stopped_of(events)
    if stopped is not None:
        why = f"{stopped.reason} ({stopped.text})" if stopped.text else stopped.reason
        on = "" if stopped.ends_it else f". It can go on: amphora resume {folder}"
        return Whereabouts("ended", f"ended: {why}{on}", age_s, Left(0.0, 0.0), off)
    if not run.get("plan"):  # imported readings
        return Whereabouts("ended", "ended: these readings were imported", age_s, Left(0.0, 0.0), None)
    owner = folder_owner(folder)
    alive = None if owner is None else owner.is_alive()
    if owner is None or alive is False:
        return Whereabouts("dead", _dead(folder, off), age_s, None, off)
    left = left_of(run.get("plan"), events, t_s)
    asked = _open_request(events)
    if asked is not None:
        return Whereabouts("waiting", asked, age_s, left, off)
    pause, below_degC = _pause_of(events)
    paused = pause_text(pause, below_degC)
    if pause == "hours":
        return Whereabouts("waiting", paused, age_s, left, off)
    limit_s = max(SILENT_AT_LEAST_S, 3 * _number((run.get("plan") or {}).get("max_gap_s"), 0.0))
    if age_s is not None and age_s > limit_s:
        where = "" if alive else " on another computer"
        since = f"{age_s:.0f} s" if age_s < 120 else f"{age_s / 60:.0f} min"
        text = f"no new reading for {since}; the program{where} has not ended. Look at the bench"
        return Whereabouts("silent", text, age_s, left, off)
    return Whereabouts("running", paused or "running", age_s, left, off)


def pause_text(waiting: str, below_degC: float = 0.0) -> str:
    """Return in words why a step is paused by itself; "" where it is not.

    Args:
        waiting: What the step waits for, as `State.waiting` has it.
        below_degC: What a cell that was too warm has to cool to.
    """
    if waiting == "fall":
        return "paused, outputs off: the voltage fell. The guard decides after 10 min of rest"
    if waiting == "warm":
        why = f"warmer than {below_degC:g} °C"
        return f"paused, outputs off: {why}. The charge goes on by itself once the cell is cooler"
    return "outputs off: waiting for the attended hours" if waiting == "hours" else ""


_CAUSES = {VoltageFell: "fall", FoundTooWarm: "warm", AttendanceSeen: "hours", TimerPaused: "timer"}


def _pause_of(events: Sequence[Event]) -> tuple[str, float]:
    """Return what a step that is paused waits for, and what it has to cool to, degC; "" where none is paused."""
    resumed, absent = False, None
    for number in range(len(events) - 1, -1, -1):
        event = events[number]
        if isinstance(event, Continued | StepBegun | StepEnded | Finished):
            return "", 0.0
        resumed = resumed or isinstance(event, RunResumed)
        if isinstance(event, AttendanceSeen) and absent is None:
            absent = not event.present
        if isinstance(event, Paused):
            causes = [one for one in events[max(0, number - 3) : number] if type(one) in _CAUSES]
            cause = causes[-1] if causes else event
            waiting = _CAUSES.get(type(cause), "")
            if resumed and waiting in ("warm", "timer"):  # tried again at once
                return "", 0.0
            return "hours" if absent else waiting, cause.below_degC if isinstance(cause, FoundTooWarm) else 0.0
    return "", 0.0


def _dead(folder: Path, off: bool | None) -> str:
    if off:
        return f"the program is dead; outputs off, verified. To go on: amphora resume {folder}"
    return (
        "the program is dead, and nobody has verified that the outputs are off. "
        f"Go to the bench, or: amphora bench off --bench FILE; then: amphora resume {folder}"
    )


def outputs_off(events: Sequence[Event]) -> bool | None:
    """Return what the last `made-safe` says, unless something was switched on after it; None without one."""
    for event in reversed(events):
        if isinstance(event, MadeSafe):
            return bool(event.off)
        if isinstance(event, OrderGiven | StepBegun | RunResumed | Continued):
            return None
    return None


def _open_request(events: Sequence[Event]) -> str | None:
    """Return in words what is waited for: what a person was asked to do, or the attended hours; else None."""
    for event in reversed(events):
        if isinstance(event, StepEnded | PersonActed | Continued):
            return None
        if isinstance(event, WaitsForHours):
            return f"waiting {event.why or '; see the terminal of the run'}"
        if isinstance(event, StepBegun):
            return f"waiting for a person: {event.name}" if event.step_kind == "ask" else None
    return None


def _number(value: object, otherwise: float) -> float:
    return float(value) if isinstance(value, int | float) else otherwise
