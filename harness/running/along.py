"""Reads a run's folder as it grows, from a second process, and changes nothing in it.

Each look takes only what was appended. A row counts once it ends in a newline and has all its fields.
"""

import contextlib
import json
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.archive.result_file import read_kept
from amphora.harness.archive.run_folder import EVENTS, SAMPLES, is_simulated, new_lines, read_header, stopped_of
from amphora.harness.common.errors import AmphoraError
from amphora.harness.common.locks import folder_owner
from amphora.harness.control.events import Event, StepBegun, event_of
from amphora.harness.plans.plan import Plan, plan_from_dict
from amphora.harness.running.view import ALL_OFF, Moved, Seen, Shown, View, headline, view_of
from amphora.harness.running.whereabouts import whereabouts

CURVE_POINTS = 400
LEAST_GAP_S = 30.0
GAPS = 3.0  # times the longest that the plan allows
USUAL = 5.0  # times what usually lies between two readings: beyond it nobody looked


def number(text: str) -> float | None:
    """Return a finite number; None for anything else."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


@dataclass(slots=True)
class TraceStretch:
    """What was read in one stretch of time: times of the first and last reading, and the values between which it lay.

    `torn`: before it nobody looked.
    """

    t_s: float
    end_s: float
    torn: bool
    low_V: float | None
    high_V: float | None
    low_A: float | None
    high_A: float | None
    temperature_degC: float | None

    def take(self, other: "TraceStretch") -> None:
        """Make one stretch of this and the one after it."""
        self.end_s = other.end_s
        if other.low_V is not None and other.high_V is not None:
            self.low_V = other.low_V if self.low_V is None else min(self.low_V, other.low_V)
            self.high_V = other.high_V if self.high_V is None else max(self.high_V, other.high_V)
        if other.low_A is not None and other.high_A is not None:
            self.low_A = other.low_A if self.low_A is None else min(self.low_A, other.low_A)
            self.high_A = other.high_A if self.high_A is None else max(self.high_A, other.high_A)
        if other.temperature_degC is not None:
            self.temperature_degC = other.temperature_degC


class Trace:
    """A course over time in at most 2 x `CURVE_POINTS` stretches: short drops stay in it, and so do gaps."""

    def __init__(self, gap_s: float) -> None:
        self.stretches: list[TraceStretch] = []
        self._gap_s = max(LEAST_GAP_S, GAPS * gap_s)
        self._width_s = 0.0
        self._usual_s = 0.0

    def add(self, reading: Shown) -> None:
        """Take one reading, later than those before."""
        last = self.stretches[-1] if self.stretches else None
        since_s = 0.0 if last is None else reading.t_s - last.end_s
        torn = self._usual_s > 0.0 and since_s > max(self._gap_s, USUAL * self._usual_s)
        if last is not None:  # a gap moves it a little, so that readings that come more slowly from here on are none
            most_s = 2 * USUAL * self._usual_s or since_s
            self._usual_s = 0.9 * (self._usual_s or since_s) + 0.1 * min(since_s, most_s)
        volts = reading.voltage_V
        amps = reading.current_A
        new = TraceStretch(reading.t_s, reading.t_s, torn, volts, volts, amps, amps, reading.temperature_degC)
        if last is not None and not torn and reading.t_s - last.t_s < self._width_s:
            last.take(new)
            return
        self.stretches.append(new)
        if len(self.stretches) > 2 * CURVE_POINTS:
            self._halve()

    def _halve(self) -> None:
        length_s = self.stretches[-1].end_s - self.stretches[0].t_s
        self._width_s = max(2 * self._width_s, length_s / CURVE_POINTS)
        kept: list[TraceStretch] = []
        for one in self.stretches:
            if kept and not one.torn and one.end_s - kept[-1].t_s < self._width_s:
                kept[-1].take(one)
            else:
                kept.append(one)
        self.stretches = kept

    def points(self) -> list[list[float | None]]:
        """Return [t_s, lowest and highest V, lowest and highest A, degC] of each stretch; None where nobody looked."""
        found: list[list[float | None]] = []
        for one in self.stretches:
            if one.torn:
                found.append([None] * 6)
            values = [one.low_V, one.high_V, one.low_A, one.high_A, one.temperature_degC]
            found.append([one.t_s, *values])
            if one.end_s > one.t_s:
                found.append([one.end_s, *values])
        return found


class Along:
    """Reads what was added to a run's folder since the last look. One look at a time.

    Raises:
        InputError, JournalDamaged: no run's folder, or one that cannot be read.
    """

    def __init__(self, folder: Path, now: Callable[[], float] = time.time):
        self.folder = folder
        self.run = read_header(folder)
        self.now = now
        self.plan: Plan | None = None
        with contextlib.suppress(AmphoraError, KeyError, TypeError, ValueError, AttributeError):
            self.plan = plan_from_dict(self.run["plan"])
        self._lock = threading.Lock()
        self._found: str | None = None
        self._begin_again()

    def _begin_again(self) -> None:
        gap_s = (self.run.get("plan") or {}).get("max_gap_s")
        self.curve = Trace(float(gap_s) if isinstance(gap_s, int | float) else 0.0)
        self.events: list[Event] = []
        self.rows = 0
        self.last: Shown | None = None
        self.first_degC: float | None = None
        self._offset = self._events_offset = self._columns = 0
        self._previous: tuple[float, float] | None = None
        self._step = ""
        self._all_off: set[str] = set()
        self._step_Ah = self._in_Ah = self._out_Ah = 0.0

    def _take_row(self, line: bytes) -> None:
        parts = line.decode("utf-8", "replace").split(",")
        if self._columns == 0:
            self._columns = len(parts)
            return
        t_s = number(parts[0])
        if len(parts) != self._columns or len(parts) < 5 or t_s is None:
            return
        self.last = Shown(t_s, number(parts[2]), number(parts[3]), number(parts[4]))
        if parts[1] != self._step:
            self._step, self._step_Ah = parts[1], 0.0
            self._previous = None
        amps = self.last.current_A
        if amps is not None:
            if self._previous is not None:
                moved_Ah = 0.5 * (amps + self._previous[1]) * (t_s - self._previous[0]) / 3600.0
                self._step_Ah += moved_Ah
                if parts[1] not in self._all_off:  # there it would be the meter's own zero that is counted
                    self._in_Ah += max(0.0, moved_Ah)
                    self._out_Ah -= min(0.0, moved_Ah)
            self._previous = (t_s, amps)
        if self.first_degC is None:
            self.first_degC = self.last.temperature_degC
        self.curve.add(self.last)
        self.rows += 1

    def look(self) -> View:
        """Read on, and return how the run stands."""
        with self._lock:
            self._take_events()  # first: a row's step has begun by then
            lines, offset = new_lines(self.folder / SAMPLES, self._offset)
            if offset < 0:  # another file than before
                self._begin_again()
                self._take_events()
                lines, offset = new_lines(self.folder / SAMPLES, 0)
            self._offset = max(offset, 0)
            for line in lines:
                self._take_row(line)
            return view_of(self.seen())

    def _take_events(self) -> None:
        lines, offset = new_lines(self.folder / EVENTS, self._events_offset)
        self._events_offset = max(offset, 0)
        for line in lines:
            with contextlib.suppress(ValueError):
                data = json.loads(line)
                if isinstance(data, dict):
                    event = event_of(data)
                    self.events.append(event)
                    if isinstance(event, StepBegun) and event.step_kind in ALL_OFF:
                        self._all_off.add(str(event.step))

    def seen(self) -> Seen:
        """Return what was read so far."""
        last = self.last
        at = whereabouts(self.folder, self.run, self.events, last.t_s if last else None, self.now())
        stopped = stopped_of(self.events)
        begun = self._begun(stopped is not None)
        cell = self.run.get("cell") or {}
        return Seen(
            cell=str(cell.get("id") or ""), profile=str(self.run.get("profile") or "readings"), plan=self.plan,
            state=at.state, text=at.text, outputs_off=at.outputs_off, age_s=at.age_s if last else None,
            zero_utc=self._zero_utc(), plan_step=begun.place,
            step_name=(begun.name or begun.step_kind)[:120],
            step_kind=begun.step_kind, step_began_s=float(begun.t_s),
            reading=last, step_charge_Ah=self._step_Ah if last else None,
            moved=Moved(self._in_Ah, self._out_Ah) if last else None, first_degC=self.first_degC,
            left=at.left_s, stop="" if stopped is None else stopped.reason,
            found="" if stopped is None else self._headline(),
            simulated=is_simulated(self.run), bay=bay_of(self.run), run=str(self.folder),
        )  # fmt: skip

    @property
    def last_step(self) -> int | None:
        """Return the number of the step of the last row; None without one."""
        return int(self._step) if self._step.isdigit() else None

    def _begun(self, ended: bool) -> StepBegun:
        """Return how the step at work began; of a run that has ended, that of its last row."""
        begun = [event for event in self.events if isinstance(event, StepBegun)]
        if ended:
            begun = [event for event in begun if event.step == self.last_step]
        return begun[-1] if begun else StepBegun()

    def _zero_utc(self) -> datetime | None:
        """Return the wall clock at t_s = 0, by the first event that says both."""
        for event in self.events:
            with contextlib.suppress(ValueError):
                moment = datetime.fromisoformat(event.utc)
                if moment.tzinfo is not None:
                    return moment - timedelta(seconds=float(event.t_s))
        return None

    def _headline(self) -> str:
        """Return what `result.json` says of a run that has ended; it is not made here: looking costs nothing."""
        if not self._found:
            kept = read_kept(self.folder / "result.json") or {}
            with contextlib.suppress(TypeError, ValueError, KeyError):
                self._found = headline(kept.get("result") or {})
        return self._found or ""


def bay_of(run: dict[str, Any]) -> str:
    """Return the bay that a run used: what follows # in the name of its bench file; "" where there is none."""
    return str((run.get("bench") or {}).get("file") or "").partition("#")[2]


RECENT_S = 16 * 3600.0  # of one night and the morning after it
SEARCH_EVERY_S = 5.0


class RunsAlong:
    """All runs of a shelf that are at work, or have ended within `RECENT_S`; the newest of each cell.

    Args:
        logs: The shelf's folder.
        now: Seconds since 1970.
    """

    def __init__(self, logs: Path, now: Callable[[], float] = time.time) -> None:
        self.logs = Path(logs)
        self.now = now
        self._known: dict[Path, Along] = {}
        self._searched_s = -math.inf

    def look(self) -> list[tuple[Along, View]]:
        """Return each run and how it stands: by bay, then by cell."""
        if self.now() - self._searched_s >= SEARCH_EVERY_S:
            self._searched_s = self.now()
            self._search()
        found = [(along, along.look()) for along in list(self._known.values())]
        return sorted(found, key=lambda item: (item[1].seen.bay, item[1].seen.cell))

    def _search(self) -> None:
        newest: dict[Path, Path] = {}
        for samples in self.logs.glob(f"*/*/{SAMPLES}"):
            folder = samples.parent
            with contextlib.suppress(OSError):
                young = self.now() - samples.stat().st_mtime <= RECENT_S
                other = newest.get(folder.parent)
                if (young or folder_owner(folder) is not None) and (other is None or folder.name > other.name):
                    newest[folder.parent] = folder
        for folder in newest.values():
            if folder not in self._known:
                with contextlib.suppress(AmphoraError, OSError):
                    self._known[folder] = Along(folder, self.now)
        for folder in set(self._known) - set(newest.values()):
            del self._known[folder]
