"""Where a run stands: one model behind the run's own line, `watch`, its JSON and the pages. Pure on what was read.

`Seen` is what was read (by `along.Along` from a folder, or known inside the run itself); `view_of` makes the model.
V, A (positive into the cell), Ah, degC, s.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from amphora.harness.common.words import with_U
from amphora.harness.plans.plan import CellLimits, Limits, Plan, Step
from amphora.harness.running.whereabouts import Left, StateName

ROOM_degC = 20.0  # what a cell begins at where no temperature was read before (assumed)
ALL_OFF = ("rest", "ask")  # kinds of step in which no current is ordered or put on by hand
Concern = Literal["none", "look", "go"]  # nothing to do; somebody should look; somebody has to go to the bench


@dataclass(frozen=True, slots=True)
class Moved:
    """Charge of a whole run so far: what went in, and what came out, both positive, Ah."""

    in_Ah: float = 0.0
    out_Ah: float = 0.0


@dataclass(frozen=True, slots=True)
class Shown:
    """One reading; None where there is no value."""

    t_s: float
    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None


@dataclass(frozen=True, slots=True)
class Seen:
    """What was read of a run.

    `state`, `text`, `age_s`, `outputs_off`: see `whereabouts`. `zero_utc`: the wall clock at t_s = 0. `plan_step`: from
    0, None before the first. `first_degC`: the first temperature of the run. `left`: by its plan, while it is
    known. `found`: the headline of its figures, "" while there is none.
    """

    cell: str
    profile: str
    plan: Plan | None
    state: StateName
    text: str
    outputs_off: bool | None = None
    age_s: float | None = None
    zero_utc: datetime | None = None
    plan_step: int | None = None
    step_name: str = ""
    step_kind: str = ""
    step_began_s: float = 0.0
    reading: Shown | None = None
    step_charge_Ah: float | None = None
    moved: Moved | None = None
    first_degC: float | None = None
    left: Left | None = None
    stop: str = ""
    found: str = ""
    simulated: bool = False
    bay: str = ""
    run: str = ""


@dataclass(frozen=True, slots=True)
class Nearest:
    """The limit of the guard that is nearest. `left`: how far off, in `unit`; `share`: of the way there, 0 at it."""

    name: str
    value: float
    limit: float
    unit: str
    left: float
    share: float
    text: str


@dataclass(frozen=True, slots=True)
class View:
    """How a run stands, for whatever shows it. Times are aware; `ends`: expected and latest end of the whole run."""

    seen: Seen
    concern: Concern
    left: Left | None
    ends: tuple[datetime, datetime] | None
    nearest: Nearest | None
    sentence: str  # what a person has to know, in words
    brief: str  # the same where all bays stand below each other

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data for JSON."""
        seen, last = self.seen, self.seen.reading
        near = self.nearest
        return {
            "cell": seen.cell, "bay": seen.bay or None, "profile": seen.profile, "run": seen.run,
            "simulated": seen.simulated, "state": seen.state, "state_text": seen.text, "sentence": self.sentence,
            "brief": self.brief,
            "concern": self.concern, "outputs_off": seen.outputs_off, "age_s": seen.age_s,
            "plan_step": seen.plan_step, "step_name": seen.step_name or None, "step_kind": seen.step_kind or None,
            "t_s": last.t_s if last else None, "voltage_V": last.voltage_V if last else None,
            "current_A": last.current_A if last else None, "temperature_degC": last.temperature_degC if last else None,
            "step_charge_Ah": seen.step_charge_Ah,
            "charged_Ah": seen.moved.in_Ah if seen.moved else None,
            "discharged_Ah": seen.moved.out_Ah if seen.moved else None,
            "left_s": None if self.left is None else {"low": self.left.low, "high": self.left.high},
            "began_utc": seen.zero_utc.isoformat() if seen.zero_utc else None,
            "ends_utc": None if self.ends is None else [moment.isoformat() for moment in self.ends],
            "nearest_limit": None if near is None else {
                "name": near.name, "value": near.value, "limit": near.limit, "unit": near.unit, "left": near.left,
                "text": near.text,
            },
            "stop": seen.stop or None, "result": seen.found or None,
        }  # fmt: skip


def view_of(seen: Seen) -> View:
    """Return how a run stands.

    Args:
        seen: What was read of it.
    """
    at_work = seen.state in ("running", "waiting", "silent")
    left = seen.left if at_work else Left(0.0, 0.0) if seen.state == "ended" else None
    step = _step(seen)
    near = None
    if at_work and step is not None and seen.reading is not None and seen.plan is not None:
        near = nearest_limit(step, seen.plan.cell, seen)
    return View(seen, _concern(seen), left, _ends(seen, left) if at_work else None, near, _sentence(seen), _brief(seen))


def _step(seen: Seen) -> Step | None:
    steps = seen.plan.steps if seen.plan is not None else ()
    return steps[seen.plan_step] if seen.plan_step is not None and 0 <= seen.plan_step < len(steps) else None


def _ends(seen: Seen, left: Left | None) -> tuple[datetime, datetime] | None:
    if left is None or seen.zero_utc is None or seen.reading is None:
        return None
    last = seen.zero_utc + timedelta(seconds=seen.reading.t_s)
    return last + timedelta(seconds=left.low), last + timedelta(seconds=left.high)


def _concern(seen: Seen) -> Concern:
    if seen.state == "dead":
        return "look" if seen.outputs_off else "go"
    if seen.state == "silent":
        return "go"
    if seen.state == "waiting" or _paused(seen):
        return "look"
    if seen.state == "ended" and seen.outputs_off is False:
        return "go"
    return "look" if seen.state == "ended" and _cut_short(seen) else "none"


def _paused(seen: Seen) -> bool:
    """Whether a run that is at work holds by itself, and `text` says why."""
    return seen.state == "running" and seen.text != "running"


def _cut_short(seen: Seen) -> bool:
    return seen.stop.startswith(("guard", "instrument", "killed", "interrupted"))


def _sentence(seen: Seen) -> str:
    if seen.state == "running":
        if seen.reading is None:
            return "begins; no reading yet"
        if _paused(seen):
            return seen.text
        return seen.step_name or "runs"
    if seen.state == "ended" and seen.outputs_off is False:
        return f"{seen.text}. Outputs NOT known to be off: go to the bench and pull the leads"
    if seen.state == "ended" and seen.found:
        return f"{seen.text}. {seen.found}"
    return seen.text


def _brief(seen: Seen) -> str:
    if seen.state == "dead":
        return f"the program is dead; outputs {'off, verified' if seen.outputs_off else 'not known to be off'}"
    if seen.state == "ended" and seen.found and not _cut_short(seen):
        return f"ended. {seen.found}"
    return _sentence(seen)


def nearest_limit(step: Step, cell: CellLimits | None, seen: Seen) -> Nearest | None:
    """Return which limit of the guard the last reading is nearest to, as a share of the way that there was to it.

    A current that is ordered stands near its own limit from the first second to the last and tells nothing, so it is
    left out.

    Args:
        step: The step at work.
        cell: What the cell itself is held to; None: not known.
        seen: With a reading.
    """
    assert seen.reading is not None
    found = [
        *_of_voltage(step.limits, cell, seen.reading.voltage_V, step.kind),
        *_of_temperature(step.limits, cell, seen.reading.temperature_degC, seen.first_degC, step.kind),
        *_of_amount(step, seen),
    ]
    return min(found, key=lambda near: near.share, default=None)


def _of_voltage(limits: Limits, cell: CellLimits | None, volts: float | None, kind: str) -> list[Nearest]:
    low, high = limits.voltage_low_V, limits.voltage_high_V
    if low is None and cell is not None:
        low = cell.floor_V
    if volts is None:
        return []
    # The guard acts beyond a limit by what the voltmeter may err: a charge at its limit is not at the guard's.
    low = None if low is None else low - limits.voltage_tolerance_V
    high = None if high is None else high + limits.voltage_tolerance_V
    top = high if high is not None else cell.charge_limit_V if cell is not None and cell.charge_limit_V else None
    span = top - low if top is not None and low is not None and top > low else 1.0
    found = []
    if low is not None:
        text = f"voltage {max(0.0, volts - low):.2f} V above the guard's {low:.2f} V"
        found.append(Nearest("voltage-low", volts, low, "V", volts - low, (volts - low) / span, text))
    if high is not None and kind == "charge":
        text = f"voltage {max(0.0, high - volts):.2f} V below the guard's {high:.2f} V"
        found.append(Nearest("voltage-high", volts, high, "V", high - volts, (high - volts) / span, text))
    return found


def _of_temperature(
    limits: Limits, cell: CellLimits | None, degC: float | None, first_degC: float | None, kind: str
) -> list[Nearest]:
    high = limits.temperature_high_degC
    if cell is not None and kind != "charge":
        high = cell.hottest_degC if high is None else min(high, cell.hottest_degC)
    if degC is None or high is None:
        return []
    span = max(high - (ROOM_degC if first_degC is None else first_degC), 1.0)
    text = f"temperature {max(0.0, high - degC):.1f} K below the guard's {high:.0f} °C"
    return [Nearest("temperature-high", degC, high, "degC", high - degC, (high - degC) / span, text)]


def _of_amount(step: Step, seen: Seen) -> list[Nearest]:
    found = []
    most_Ah = step.limits.charge_Ah
    if most_Ah and seen.step_charge_Ah is not None:
        moved = abs(seen.step_charge_Ah)
        text = f"charge {1000 * max(0.0, most_Ah - moved):.0f} mAh below the guard's {1000 * most_Ah:.0f} mAh"
        found.append(Nearest("charge", moved, most_Ah, "Ah", most_Ah - moved, 1 - moved / most_Ah, text))
    if not step.time_is_end and step.max_duration_s > 0 and seen.reading is not None:
        gone_s = max(0.0, seen.reading.t_s - seen.step_began_s)
        left_s = step.max_duration_s - gone_s
        text = f"time {max(0.0, left_s) / 3600:.1f} h below the step's longest {step.max_duration_s / 3600:.1f} h"
        found.append(Nearest("time", gone_s, step.max_duration_s, "s", left_s, left_s / step.max_duration_s, text))
    return found


def headline(result: Mapping[str, Any]) -> str:
    """Return in a few words what a run showed of its cell; "" where it shows nothing.

    Args:
        result: What `analyse` answers.
    """
    capacity = result.get("capacity_Ah")
    if capacity is not None:
        what = "Gave at least"
        if result.get("reached_cutoff"):
            what = "Holds" if result.get("start") in ("full", "declared-full") else "Gave, from a start not known full,"
        return f"{what} {with_U(capacity, result.get('capacity_U_Ah'), 1000.0, 'mAh')}"
    if result.get("charge_Ah") is not None:
        return f"Took {1000 * float(result['charge_Ah']):.0f} mAh"
    return ""
