"""The imperative shell: read, judge, record, advance, order. The only place that acts on instruments.

Keeps nothing that can't be had by replaying the run folder. Orders that energise are recorded
first and sent after; orders that make safe are sent first and recorded after, so that a full disk
never delays OFF. There is one way out of `Runner.run`, and it makes the bench safe: each
instrument switched off, read back, its current measured as zero, tried again through a reopened
link, recorded, and said aloud where it failed.
"""

import contextlib
import dataclasses
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any, Protocol, cast

from amphora.drivers.errors import DriverError, IdentityError, LinkError
from amphora.drivers.roles import Clock, Instrument, Position
from amphora.harness.archive.journal import TOOK, JournalWriter, RunFolder, rounded
from amphora.harness.bench.current_zero import Zeros, judge_zero, zeros_of
from amphora.harness.bench.opened import SOON_S, CellReading, Rig
from amphora.harness.common.errors import BenchError, InputError, Refused
from amphora.harness.common.quantities import format_duration
from amphora.harness.common.signals import handled, ignored, numbers
from amphora.harness.control import guard, taper
from amphora.harness.control.checks import CHECKS, is_final
from amphora.harness.control.gap import MAYBE_ON, bound_gap, charge_between, unacted
from amphora.harness.control.stepping import (
    OFF,
    Answered,
    Attendance,
    Begin,
    Fell,
    GoOn,
    Pause,
    Record,
    Renewed,
    Resume,
    Sample,
    Sent,
    State,
    SupplyAsked,
    TooWarm,
    ZeroTaken,
    advance,
    initial,
    replay,
)
from amphora.harness.plans.plan import Order, Plan, Step, plan_to_dict
from amphora.harness.plans.supply_timer import armed_for_s, before_s, renew_due
from amphora.harness.running.charge_path import arm, at_supply_V, no_drop, see_cell
from amphora.harness.running.checks_of_bench import as_event
from amphora.harness.running.pre_run import problems_of, remarks_of
from amphora.harness.running.shared_leads import show_dead, show_joined
from amphora.harness.running.switch_off import FILE, Sheet, make_all_safe, off_limit_A, write_sheet
from amphora.harness.running.watchdog import WARNING, beating

BEAT_S = 1.0
ENERGISED_AT_MOST_S = 1.0  # a run looks at least as often while current may flow, whatever its recipe says
ASK_AGAIN_S = 1.0
CALL_AGAIN_S = 600.0  # a person who was asked for something and has not come
SHOWN_EVERY_S = 0.5  # of real time, also where the bench's runs faster
HOURS_AGAIN_S = 5.0  # all is off, and only the time of day is waited for, or a rest
WARM_MOST_S = 2 * 3600.0  # a cell that is too warm to be charged is waited for: by then it has the room's temperature
TRIPS_EVERY_S = 60.0  # while current flows: whether an instrument's own protection has acted
CONTINUITY_V = 0.25
MANY_ROWS = 100
SLEPT_S = 5.0  # a wall clock that ran ahead of the run's by more: asleep, or set
REMARKS_EVERY_S = 60.0  # how often a logger is asked what it noticed beside its readings
JUST_WOKEN_S = 15.0  # for so long the words of a stop name the gap before it
MOST_KEEPERS = 3  # started anew in one run: whatever ends them again and again ends the next one, too
KEEPER_WAIT_S = 2.0  # another one is waited for so long before the next reading
RENEWED_ANEW_S = 0.05  # readings that are seen to be older than known so far by more: told
RESTARTED = "started again"  # in what a logger remarks
OFF_TIMER = "off-timer"  # as a supply names what has tripped
EXIT_CODES = {"instrument": 4, "interrupted": 130, "killed": 143}


class Person(Protocol):
    """Whoever is at the bench."""

    def ask(self, text: str, act: str = "") -> None:
        """Put a request; returns at once."""
        ...

    def answered(self) -> bool:
        """Whether the last request has been done."""
        ...


class Beats(Protocol):
    """The keeper, as the runner sees it."""

    def beat(self) -> None:
        """Say that the runner lives."""
        ...

    def bye(self) -> None:
        """Say that the runner made safe and ends."""
        ...

    def take_over(self) -> None:
        """Say that not everything went off, and that the links have been given back: it acts at once."""
        ...

    def achieved(self, given_up: Callable[[], bool]) -> tuple[bool, str, bool]:
        """Wait for what came of that: whether all is off, in words, whether it has done trying."""
        ...

    def alive(self) -> bool:
        """Whether it is there, and answers."""
        ...


class _Started:
    """Another keeper, started in a thread."""

    def __init__(self, start: Callable[[], Beats] | None) -> None:
        self.keeper: Beats | None = None
        self.why = ""
        self._start = start
        self._thread = threading.Thread(target=self._run, name="another-keeper", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        if self._start is None:
            return
        try:
            self.keeper = self._start()
        except (BenchError, OSError) as error:
            self.why = f", and no other could be started ({error})"

    def wait(self, seconds: float) -> None:
        """Wait until it is there, so long at most."""
        self._thread.join(seconds)

    @property
    def done(self) -> bool:
        """Whether it is there, or cannot be."""
        return not self._thread.is_alive()


class Stop(Exception):
    """Ends the loop: a reason in the contract's words, and one sentence."""

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason
        self.text = text


@dataclass
class Outcome:
    """How a run ended: the folder, the reason in the contract's words, one sentence, the exit code."""

    folder: Path
    reason: str
    text: str
    exit_code: int
    safe: bool
    rows: int
    final: bool = True  # False: `amphora resume` goes on


@dataclass
class Progress:
    """What a progress line can show."""

    t_s: float
    step: Step | None
    state: State
    reading: CellReading
    rows: int
    plan: Plan | None = None


@dataclass
class Runner:
    """Carries out one plan on one bench.

    Args:
        plan: What to do.
        rig: The opened instruments.
        clock: Time, real or virtual.
        journal: Where it is written; made by `new_run` or `resume_run`.
        person: Who answers what a step asks.
        keeper: The process that acts when this one dies; None on a virtual bench.
        another_keeper: Starts one in its place, should it be gone in mid-run.
        show: Called about once a second with a `Progress`.
        hand_voltage_V: What a hand meter read before anything was connected; None when not given.
        attended_now: Tells from the wall clock whether the attended hours hold.
        alarm: Called with (kind, text) at a stop, at the end, or when a person is needed.
        proofs: What was proven of the bench this evening (`running.checks_of_bench`); goes into the events.
        tell: Called with a line of plain words about what was found before the first order.
        unproven: Called with a sentence where the sensor at the cell lost its proof: its logger started again.
        not_proven: Why a run that goes on may not charge; the bench is made safe, then it is refused.
        sheet: What switches the bench off, as data: written into the folder before the first order.
        sheet_beside: Where it is written as well: beside the bench file.
    """

    plan: Plan
    rig: Rig
    clock: Clock
    folder: Path
    header: dict[str, Any]
    person: Person
    keeper: Beats | None = None
    another_keeper: Callable[[], Beats] | None = None
    show: Callable[[Progress], None] | None = None
    hand_voltage_V: float | None = None
    alarm: Callable[[str, str], None] | None = None
    from_folder: RunFolder | None = None
    same_cell: bool = False
    proofs: tuple[Mapping[str, Any], ...] = ()
    tell: Callable[[str], None] | None = None
    not_proven: str = ""
    sheet: Sheet | None = None
    sheet_beside: Path | None = None
    unproven: Callable[[str], None] | None = None
    take_signals: bool = True
    signalled: str = ""
    journal: JournalWriter | None = None
    state: State = field(default_factory=State)
    memory: guard.Memory = field(default_factory=guard.Memory)  # the guard's
    _watch: guard.Watch | None = None
    _degC: float | None = None  # the cell's temperature, as it was read last
    _t0_s: float = 0.0
    _last_reading_s: float = 0.0
    _last_asked_s: float = 0.0
    _touched: bool = False
    _new_keeper: "_Started | None" = None
    _keepers_lost: int = 0
    _drains_by_itself: bool = False  # a resistor comes on by hand: nothing flows through it before
    _asleep_seen_s: float = 0.0
    _remarks_s: float = 0.0
    _wall_ahead_s: float | None = None
    _maybe_set: bool = False  # what looks like a suspend may have been a clock that was set
    _gap_text: str = ""
    _gap_until_s: float = -1.0
    _shown_s: float = -1e9
    _beat_s: float = -1e9
    _zeros: Zeros | None = None  # the readings of the first stretch with everything off
    _trips_s: float = 0.0
    _called_s: float = 0.0  # when a person was asked last
    _timer_s: float = 0.0  # what the supply's own timer was set to; 0: it has none
    _timer_set_s: float = 0.0  # when
    _trips_before: tuple[str, ...] = ()  # what had tripped before this run, and is no news
    notes: list[str] = field(default_factory=list)  # what the record should say of the host

    # -- the whole run ------------------------------------------------------------------------

    def run(self) -> Outcome:
        """Carry the plan out to its end, or to whatever stops it; always made safe.

        Raises:
            InputError, Refused: before anything was touched.
        """
        reason, text, code = "instrument", "", 4
        unwritten = False
        with self._signals():
            try:
                try:
                    self._t0_s = self.clock.now_s()
                    self._asleep_seen_s = self._asleep()
                    self._drains_by_itself = any(
                        step.kind == "log" and step.leads == "discharge" for step in self.plan.steps
                    )
                    if self.from_folder is None:
                        self._check()
                        self._record("begin")
                    else:
                        self._resume(self.from_folder)
                    self._loop()
                    reason, text = self.state.finished, self._finish_text
                except Stop as stop:
                    reason, text = stop.reason, stop.text
                    if self._gap_text and self._now() <= self._gap_until_s + self.plan.max_gap_s:
                        text = f"{text} ({self._gap_text} before)"
                except Refused as refused:
                    if self.journal is None:
                        raise
                    return self._end("guard:as-found", str(refused), 3)
                except DriverError as error:
                    reason, text = "instrument", str(error)
                except OSError as error:
                    reason, text, unwritten = "interrupted", f"the run folder cannot be written: {told(error)}", True
                except KeyboardInterrupt:
                    reason, text = "interrupted", "Ctrl-C"
                except BaseException as error:  # whatever it was: safe first, then told
                    self._end("instrument", f"a fault of the program: {error!r}", 4)
                    raise
                if reason.startswith("guard:"):
                    code = 3
                elif self.signalled == "SIGTERM":
                    code = 143
                elif unwritten:
                    code = InputError.exit_code
                else:
                    code = EXIT_CODES.get(reason, 0)
                return self._end(reason, text, code)
            finally:
                if self.journal is not None:
                    self.journal.close()

    _finish_text: str = ""

    def _end(self, reason: str, text: str, code: int) -> Outcome:
        """Make safe, then record, then say."""
        safe = self.make_safe(reason, text)
        if not safe and self.keeper is not None:
            for name in self.rig.energising():  # two do not talk to one instrument
                with contextlib.suppress(DriverError, OSError):
                    self.rig.instruments[name].close()
            self.keeper.take_over()
        with contextlib.suppress(DriverError, OSError):
            self._note_remarks([one for one in self.rig.instruments.values() if one.role == "logger"])
        # What a person can put right is gone on from; what speaks against the cell, and a plan that is over, is final.
        final = reason not in ("interrupted", "instrument", "killed")
        final = final and (bool(self.state.finished) or is_final(reason))
        journal = self.journal
        rows = 0
        if journal is not None:
            rows = journal.rows
            try:
                journal.append_event(
                    "stopped",
                    self._now(),
                    self.clock.utc(),
                    reason=reason,
                    text=text,
                    rows=rows,
                    final=final,
                    safe=safe,
                    checksums=journal.checksums(),
                )
            except OSError as error:
                text += f"; this could not be written to {self.folder}: {told(error)}"
        if not safe:
            text, safe = self._by_the_keeper(reason, text)
            code = 4
        elif self.keeper is not None:
            self.keeper.bye()
        if self.alarm is not None:
            self.alarm("end" if code == 0 else "stop", f"{reason}: {text}")
        return Outcome(self.folder, reason, text, code, safe, rows, final)

    _warned = False

    def _warn(self, reason: str, text: str) -> None:
        """Tell, once, while it is still being tried."""
        if self._warned:
            return
        self._warned = True
        self._say(f"{text}; {WARNING}; it is being tried again")
        if self.alarm is not None:
            self.alarm("stop", f"{reason}: {text}; {WARNING}; it is being tried again")

    def _by_the_keeper(self, reason: str, text: str) -> tuple[str, bool]:
        """Warn, then wait for what the keeper achieves; return what to say, and whether all is off at last."""
        if self.keeper is None:
            return f"{text}; {WARNING}", False
        self._warn(reason, text)
        if self.journal is not None:
            self.journal.close()  # what the keeper achieves it writes itself
        self.signalled = ""
        off, words, _ = self.keeper.achieved(lambda: bool(self.signalled))
        relay = self.rig.switch
        if off and relay is not None:
            try:
                off = relay.make_safe().off
            except (DriverError, OSError):
                off = False
        if off:
            return f"{text}; this program could not switch everything off, {words}", True
        return f"{text}; {words}; {WARNING}", False

    @contextmanager
    def _signals(self) -> Iterator[None]:
        """Turn signals into an orderly end; a second one changes nothing about being made safe."""
        if not self.take_signals:
            yield
            return

        def note(number: int, frame: FrameType | None) -> None:
            del frame
            self.signalled = signal.Signals(number).name

        hang_up = [number for number in numbers("SIGHUP") if not ignored(number)]  # nohup is heeded
        with handled(note, (*numbers("SIGINT", "SIGTERM"), *hang_up)):
            yield

    # -- before the first order ---------------------------------------------------------------

    def _check(self) -> None:
        """Look at the bench before anything is switched on; what is found is in the folder.

        Raises:
            Refused: the cell or the bench is not as it must be.
            DriverError: an instrument does not answer as it should.
        """
        identities: dict[str, str] = {}
        answers: dict[str, Mapping[str, float]] = {}
        setups: dict[str, dict[str, Any]] = {}
        queued: dict[str, list[str]] = {}
        trouble: DriverError | None = None
        self._touched = True
        for name, instrument in self.rig.instruments.items():
            try:
                identities[name] = instrument.identify()
                queued[name] = instrument.read_errors()
                setups[name] = dict(instrument.read_setup())
                answers[name] = dict(instrument.read())
            except DriverError as error:
                trouble = error
                break
        self.rig.find_extras(answers)
        for name, identity in identities.items():
            self.header["bench"]["instruments"].setdefault(name, {})["identity"] = identity
        renewed_s = self.rig.renewed_s()
        self.header["timing"] = {"renewed_s": renewed_s}
        measuring = {self.rig.description.cell_voltage, *self.rig.description.cell_current}
        slowest_s = max((renewed_s.get(name, 0.0) for name in measuring), default=0.0)
        if slowest_s != self.plan.renewed_s:
            self.plan = dataclasses.replace(self.plan, renewed_s=slowest_s)
            self.header["plan"] = plan_to_dict(self.plan)
        self.journal = JournalWriter.open_new(self.folder, self.header, (*self.rig.extra_columns, TOOK))
        self._keep_sheet()
        self.state = initial(self.plan)
        self._event(
            "run-begun", profile=self.plan.profile, cell=self.plan.cell_id, notes=self.notes, **self._boot_anchor()
        )
        for proof in self.proofs:
            self._event(proof["kind"], **as_event(proof))
        if trouble is not None:
            raise trouble
        self._trips_before = tuple(self.rig.read_trips())
        first = self._read_cell(energised=False)
        remarks = [f"{name}: its error queue held {errors[0]}" for name, errors in queued.items() if errors]
        remarks += remarks_of(self.plan, self.rig, first, answers, self._trips_before)
        problems = problems_of(self.plan, self.rig, first, answers, setups, self.hand_voltage_V)
        limits = {} if problems else self._arm()
        self._event(
            "checked",
            as_found_V=first.voltage_V,
            current_A=first.current_A,
            temperature_degC=first.temperature_degC,
            hand_voltage_V=self.hand_voltage_V,
            setups=setups,
            queued={name: errors for name, errors in queued.items() if errors},
            armed=limits,
            problems=problems,
            remarks=remarks,
        )
        for remark in remarks:
            self._say(remark)
        if problems:
            raise Refused(f"{self.plan.cell_id}: {problems[0]}; outputs are off; see {self.folder}")
        self._zeros = Zeros(self.rig.measured_currents())

    def _keep_sheet(self) -> None:
        """Keep what switches the bench off, for when nothing of this program is left to know it."""
        if self.sheet is None:
            return
        write_sheet(self.sheet, self.folder / FILE)
        if self.sheet_beside is not None:
            try:
                write_sheet(self.sheet, self.sheet_beside)
            except OSError as error:
                self.notes.append(f"{self.sheet_beside} could not be written: {told(error)}")

    def _take_zero(self) -> None:
        """Make the current zero of the readings so far: recorded, said, and refused where it is none.

        Raises:
            Refused: an instrument shows so much that it is no zero any more.
        """
        taken, bench = self._zeros, self.rig.description
        if taken is None or not taken.enough:
            return
        self._zeros = None
        digits = {name: float(bench.current_of(name)["resolution"]) for name in taken.names}
        refused = []
        for zero in zeros_of(taken, digits):
            specification = bench.current_of(zero.instrument)
            verdict, text = judge_zero(zero, float(specification["offset"]), bool(specification["assumed"]))
            role = self.rig.instruments[zero.instrument].role
            in_charge_A = 0.0 if role == "load" else round(zero.current_A, 9)  # a load that is off measures no charge
            t_s = round(self._now(), 4)
            self._event("current-zero", t_s=t_s, **zero.event(), in_charge_A=in_charge_A, verdict=verdict, text=text)
            self.state = advance(self.plan, self.state, ZeroTaken(t_s, in_charge_A)).state
            self._say(f"{'! ' if verdict == 'warn' else ''}current zero: {text}")
            if verdict == "refuse":
                refused.append(text)
        if refused:
            raise Refused(f"{self.plan.cell_id}: {refused[0]}; outputs are off; see {self.folder}")

    def _say(self, text: str) -> None:
        if self.tell is not None:
            self.tell(text)

    def _ask_trips(self) -> str:
        """Ask once a minute, while current is ordered, whether a protection has acted; return which."""
        now_s = self._now()
        if now_s - self._trips_s < TRIPS_EVERY_S:
            return ""
        self._trips_s = now_s
        if self._on == "supply" and (text := no_drop(self.rig, self.plan)):
            raise Stop("instrument", f"{self.plan.cell_id}: {text}")
        return self._new_trips()

    def _new_trips(self) -> str:
        return "; ".join(text for text in self.rig.read_trips() if text not in self._trips_before)

    def _arm(self) -> dict[str, dict[str, float]]:
        """Arm what the instruments guard by themselves; return what they hold."""
        timer_s = armed_for_s(self.plan, max(self.state.plan_step, 0), self._renews())
        return arm(self.rig, self.plan, timer_s)

    # -- the supply's own timer, for when this computer is dead --------------------------------------

    def _renews(self) -> bool:
        return self.rig.supply is not None and self.rig.supply.abilities.off_timer_renewable

    def _set_timer(self) -> None:
        """Set the supply's timer for what is charged now; recorded."""
        supply = self.rig.supply
        self._timer_s = 0.0
        wanted_s = armed_for_s(self.plan, self.state.plan_step, self._renews())
        if supply is None or wanted_s is None or not supply.abilities.off_timer:
            return
        self._timer_s = supply.set_timer(wanted_s)
        self._timer_set_s = self._now()
        self._event("timer-set", off_after_s=self._timer_s, renewable=self._renews())

    def _see_to_timer(self) -> None:
        """Renew the supply's timer, or pause the charge before it runs out."""
        if not self._timer_s or self.state.order.kind != "charge":
            return
        since_s = self._now() - self._timer_set_s
        if self._renews():
            if renew_due(since_s, self._timer_s):
                self._set_timer()
        elif since_s > self._timer_s - before_s(self._timer_s, self.plan.max_gap_s):
            self._pause(f"the supply's own timer of {format_duration(self._timer_s)} is about to run out")

    def _pause(self, text: str) -> None:
        """Outputs off, the timer set anew, on again: the charge goes on where it was."""
        self._record("timer-pause", text=text)
        if self.state.waiting == "timer":
            self._record("timer-go-on")

    def _timer_ran_out(self) -> str:
        """Return how the supply's own timer ended a charge; "" where it did not."""
        supply = self.rig.supply
        if supply is None or self.state.order.kind != "charge" or not self._timer_s:
            return ""
        if supply.read_setup().get("on") is not False:
            return ""
        since_s = self._now() - self._timer_set_s
        told = [text for text in self.rig.read_trips() if text not in self._trips_before]
        if any(OFF_TIMER not in text for text in told):
            return ""  # another protection has acted
        if since_s < 0.5 * self._timer_s:
            return ""
        return f"the supply's own timer of {format_duration(self._timer_s)} has run out"

    def _ask_supply(self) -> None:
        """Ask the supply whether it is on, and has not tripped, before a small current is believed to be a taper.

        Raises:
            Stop: it is no taper, and nobody knows why; the run can be resumed.
        """
        supply = self.rig.supply
        assert supply is not None
        on = supply.read_setup().get("on")
        tripped = self._new_trips()
        ran_out = "" if on is not False else self._timer_ran_out()
        step = self.plan.steps[self.state.plan_step]
        end = next((one.value for one in step.ends if one.reason == "taper"), 0.0)
        vanished = taper.vanished(self.state.course, end)
        believed = on is not False and not tripped and not vanished
        why = ran_out or tripped or ("the supply is off, and nobody ordered that" if on is False else vanished)
        self._record("supply-asked", on=on, tripped=tripped, believed=believed, text=why)
        if believed:
            return
        if ran_out:
            self._pause(ran_out)
            return
        raise Stop("instrument", f"{self.plan.cell_id}: {why}; this was no taper, the charge is not complete")

    # -- going on after an interruption ---------------------------------------------------------

    def _resume(self, before: RunFolder) -> None:
        """Replay, ask the instruments, bound the gap, check that it is the same cell, go on."""
        rows = [Sample(t, v, i, temperature) for t, _, v, i, temperature, _ in before.iter_rows()]
        self.state, _ = replay(self.plan, before.events, rows)
        self.memory = guard.refold(self._eye(), before.events, readings_of(before))
        now_s, unsure = self._now_after(before, rows)
        self._touched = True
        on: dict[str, bool | None] = {}
        for name, instrument in self.rig.instruments.items():
            instrument.identify()
            instrument.read_errors()
            state_on = instrument.read_setup().get("on")
            on[name] = bool(state_on) if state_on is not None else None
        self.rig.set_extra_columns(tuple(name for name in before.columns[5:] if name != TOOK))
        still_on = any(value for name, value in on.items() if name in self.rig.energising())
        reading = self.rig.read(energised=still_on)
        last_s = rows[-1].t_s if rows else 0.0
        bound = bound_gap(self.plan, self.state, before.events, len(rows), last_s, now_s, still_on, reading.current_A)
        if still_on and not self.make_safe():
            raise Stop("instrument", "an output was found on and could not be switched off")
        self._t0_s = self.clock.now_s() - now_s
        last_V = last_of_the_cell(rows, before.events)
        if not still_on:
            reading = self.rig.read(energised=False)
        self._degC = reading.temperature_degC
        self._continuity(last_V, reading.voltage_V, self.state)
        if self.not_proven:
            raise Refused(self.not_proven)
        if unsure and bound.known == MAYBE_ON:
            raise Refused(
                f"{self.plan.cell_id}: {unsure}, and an output may have been on all the while: what passed cannot be "
                "bounded; outputs are off; what was measured before stands, measure the cell anew"
            )
        self.journal = JournalWriter.open_again(self.folder)
        self._keep_sheet()
        self._last_reading_s = self._last_asked_s = self._now()
        self._event(
            "gap",
            from_s=round(bound.from_s, 4),
            to_s=round(now_s, 4),
            charge_low_Ah=bound.low_Ah,
            charge_high_Ah=bound.high_Ah,
            known=f"{bound.known}; {unsure}" if unsure else bound.known,
            on_low_s=round(bound.on_low_s, 4),
            on_high_s=round(bound.on_high_s, 4),
        )
        self._arm()
        low_Ah, high_Ah, uncounted_s = unacted(self.plan, self.state, before.events, len(rows))
        low_Ah, high_Ah = low_Ah + bound.low_Ah, high_Ah + bound.high_Ah
        self._record(
            "resumed",
            off_for_s=round(bound.off_for_s + uncounted_s, 4),
            charge_low_Ah=low_Ah,
            charge_high_Ah=high_Ah,
            on=on,
            **self._boot_anchor(),
        )

    def _now_after(self, before: RunFolder, rows: list[Sample]) -> tuple[float, str]:
        """Return the run's time after an interruption, and why that is not sure ("" where it is).

        Since the same start of the computer its own clock tells, whatever the wall clock was set to; else the
        wall clock has to.
        """
        last = before.events[-1]
        last_t_s = max([last["t_s"], *(row.t_s for row in rows[-1:])])
        boot = self._boot()
        anchor = next((event["boot"] for event in reversed(before.events) if "boot" in event), None)
        if boot is not None and anchor is not None and anchor["id"] == boot[0]:
            return max(boot[1] - anchor["zero_s"], last_t_s), ""
        since_s = (self.clock.utc() - datetime.fromisoformat(last["utc"])).total_seconds() + last["t_s"] - last_t_s
        if since_s < -SLEPT_S:
            behind = f"the wall clock is {-since_s:.0f} s behind the run's last event"
            return last_t_s, f"{behind}: how long the gap was is not known"
        return last_t_s + max(since_s, 0.0), ""

    def _boot(self) -> tuple[str, float] | None:
        """Which start of the computer this is, and how long ago, where the clock can tell."""
        boot: Callable[[], tuple[str, float] | None] | None = getattr(self.clock, "boot", None)
        return None if boot is None else boot()

    def _boot_anchor(self) -> dict[str, Any]:
        """Return what ties the run's time to the start of the computer: for whoever resumes."""
        boot = self._boot()
        return {} if boot is None else {"boot": {"id": boot[0], "zero_s": round(boot[1] - self._now(), 3)}}

    def _continuity(self, last_V: float | None, now_V: float | None, state: State) -> None:
        """Refuse to go on when the voltage says that this is another cell."""
        if last_V is None or now_V is None or self.same_cell:
            return
        margin_V = CONTINUITY_V + abs(state.last_current_A or 0.0) * state.resistance_ohm * 2
        if abs(now_V - last_V) > margin_V:
            raise Refused(
                f"{self.plan.cell_id}: {now_V:.3f} V now and {last_V:.3f} V when the run was cut short: is it the "
                f"same cell? (more than {margin_V:.2f} V apart); say --same-cell when you are sure"
            )

    # -- the loop ---------------------------------------------------------------------------------

    def _loop(self) -> None:
        clock = self.clock
        plan = self.plan
        virtual = getattr(clock, "virtual", False)
        slice_s = 1e9 if virtual and self.rig.switch is None and self.keeper is None else BEAT_S
        next_s = self._now()
        has_hours = any(step.hours is not None for step in plan.steps)
        compares = not getattr(clock, "counts_suspend", True)
        loggers = [one for one in self.rig.instruments.values() if one.role == "logger"]
        while not self._done():
            state = self.state
            step = plan.steps[state.plan_step]
            wake_s = next_s
            if not state.waiting and state.deadline_s < wake_s:
                wake_s = state.deadline_s
            if has_hours:
                self._attendance()
            while True:
                if self.signalled:
                    raise Stop("interrupted", f"{self.signalled} in step {state.plan_step + 1} ({step.name})")
                now_s = clock.now_s() - self._t0_s
                if self.keeper is not None or self.rig.switch is not None:
                    self._beat(now_s)
                if now_s >= wake_s - 1e-6:
                    break
                clock.sleep(min(wake_s - now_s, slice_s))
            if compares:
                self._compare_clocks()
            if loggers and self._now() - self._remarks_s >= REMARKS_EVERY_S:
                self._note_remarks(loggers)
            if state.waiting == "person" and self.person.answered():
                self._record("person", act="done", text="")
                next_s = self._now()
                continue
            try:
                soon = self._take_reading()
            except DriverError as error:
                self._trouble(error)
                next_s = self._now()
                continue
            interval_s = self._interval()
            if soon:
                interval_s = min(interval_s, SOON_S)
            base_s = self._last_asked_s
            next_s = base_s + interval_s

    def _call_again(self, t_s: float, voltage_V: float | None) -> None:
        """Call the person again who has not come; a cell that goes on draining through a resistor is told."""
        if t_s - self._called_s < CALL_AGAIN_S:
            return
        state = self.state
        self._called_s, text = t_s, self.plan.steps[state.plan_step].segments[state.segment].order.text
        window = self.plan.notes.get("window")
        if window and voltage_V is not None and voltage_V < window["hard_low_V"]:
            low_V, name = window["hard_low_V"], self.plan.notes.get("chemistry_name", self.plan.chemistry)
            text += f" {voltage_V:.2f} V is below {low_V:.2f} V, the least of {name}: the cell is being harmed."
            self._event("instrument-error", text=text)
        self._say(f"! {text}")
        if self.alarm is not None:
            self.alarm("person", text)

    def _note_remarks(self, loggers: list[Instrument]) -> None:
        """Record what a logger noticed beside its readings: it started again, lines that were no readings."""
        self._remarks_s = self._now()
        for logger in loggers:
            for remark in logger.read_errors():
                text = remark if logger.name in remark else f"{logger.name}: {remark}"
                self._event("instrument-error", text=text)
                if RESTARTED in remark and logger.name == self.rig.description.cell_temperature:
                    self._sensor_restarted(text)

    def _sensor_restarted(self, text: str) -> None:
        """End what was proven of the sensor, and a charge that relies on it.

        Raises:
            Stop: it charges; the run can be resumed once the sensor was proven again.
        """
        if self.unproven is not None:
            self.unproven(text)
        if self.plan.needs_temperature and self.state.order.kind == "charge":
            raise Stop(
                "instrument",
                f"{text}; the sensor at the cell is not proven any more, and this run charges: "
                "'amphora bench check --sensor', then resume",
            )

    def _done(self) -> bool:
        return bool(self.state.finished)

    def _interval(self) -> float:
        state = self.state
        if state.waiting:
            return ASK_AGAIN_S if state.waiting == "person" else HOURS_AGAIN_S
        step = self.plan.steps[state.plan_step]
        interval_s = step.sample_interval_s
        return min(interval_s, ENERGISED_AT_MOST_S) if state.order.kind != "off" else interval_s

    def _take_reading(self) -> bool:
        """Read, record, judge, advance; return whether the next reading should come at once."""
        state = self.state
        clock = self.clock
        step = self.plan.steps[state.plan_step]
        if self._drains_by_itself and step.kind != "ask":  # until a person has answered, the leads are as they were
            self.rig.leads = step.leads
        energised = state.order.kind != "off"
        if energised:
            self._see_to_timer()
            state, step = self.state, self.plan.steps[self.state.plan_step]
        tripped = self._ask_trips() if energised else ""
        ran_out = self._timer_ran_out() if tripped and OFF_TIMER in tripped else ""
        asked_s = clock.now_s()
        before_s = self._last_reading_s
        late = asked_s - self._t0_s - before_s > self.plan.max_gap_s + step.sample_interval_s
        if late:
            self._look_after_gap(before_s, asked_s - self._t0_s)
            asked_s = clock.now_s()
        reading = self.rig.read(energised)
        answered_s = clock.now_s()
        if answered_s - asked_s > self.plan.max_gap_s:  # a suspend while asking: the moment is not known
            raise LinkError(
                f"an answer came {answered_s - asked_s:.0f} s after the question: {reading.voltage_V} V, "
                f"{reading.current_A} A of a moment that is not known; asked again"
            )
        t_s = 0.5 * (asked_s + answered_s) - self._t0_s
        journal = self.journal
        assert journal is not None
        t_s, voltage_V, current_A, temperature_degC = rounded(t_s, reading[0], reading[1], reading[2])
        self._degC = temperature_degC
        if late:
            self._note_gap(before_s, t_s, current_A)
        took_s = round(answered_s - asked_s, 4)
        beside = {**reading[3], TOOK: took_s} if took_s else reading[3]
        journal.append_row(t_s, state.step, voltage_V, current_A, temperature_degC, beside)
        self._last_reading_s = t_s
        self._last_asked_s = asked_s - self._t0_s
        order = state.order
        if self._zeros is not None and (order.kind == "off" or (order.kind == "connect" and order.mode == "open")):
            self._zeros.note(t_s, self.rig.answers)
        seen = guard.Reading(t_s, state.step, voltage_V, current_A, temperature_degC, reading.room_degC, took_s)
        verdict = guard.look(self._eye(), step.limits, self.memory, seen)
        if verdict.stop is not None and verdict.stop.check in ("no-current", "voltage-jump"):
            ran_out = ran_out or self._timer_ran_out()
        if ran_out:
            verdict = verdict._replace(stop=None)
        elif tripped and verdict.stop is None:
            verdict = guard.Verdict(stop=guard.Violation("protection-tripped", tripped, None, None))
        fell = verdict.stop
        if fell is not None and (fell.check != "voltage-falls" or state.order.kind != "charge"):
            self._guard_stop(fell, step)
        if verdict.call is not None:
            self._call(verdict.call)
        if verdict.told:
            self._event("instrument-error", text=verdict.told)
        if late and energised and not step.time_is_end and step.kind != "pulses":
            self._bound_passed_unseen(step, t_s)
        if state.waiting == "person":
            self._call_again(t_s, voltage_V)
        elif state.waiting == "warm" and t_s - (state.paused_s or t_s) > WARM_MOST_S:
            text = f"{temperature_degC} °C after {format_duration(WARM_MOST_S)}, limit {state.below_degC:g} °C"
            raise Stop(
                "guard:too-warm", f"{self.plan.cell_id}: too warm to be charged: {text}; look where that is from"
            )
        sample = Sample(t_s, voltage_V, current_A, temperature_degC)
        self.state, orders, events = advance(self.plan, state, sample)
        if orders or events:
            self._carry_out(orders, events, t_s)
        if self.memory.renewed_s > max(self.plan.renewed_s, self.state.renewed_s) + RENEWED_ANEW_S:
            self._record("renewal-seen", renewed_s=round(self.memory.renewed_s, 3))
        if fell is not None:
            self._say(f"! {fell.text}")
            self._record("voltage-fell", text=fell.text, value=fell.value, limit=fell.limit)
        elif ran_out and self.state.order.kind == "charge":
            self._pause(ran_out)
        elif self.state.asking:
            self._ask_supply()
        if self.show is not None:
            self._show(reading, t_s)
        return verdict.suspect is not None or self.state.agreeing > 0

    def _read_cell(self, energised: bool) -> CellReading:
        reading = self.rig.read(energised)
        self._degC = reading.temperature_degC
        self._last_reading_s = self._last_asked_s = self._now()
        return reading

    # -- a gap in a run that goes on: a suspend, or a program that stood still ------------------------

    def _asleep(self) -> float:
        """How long the computer has slept so far, as the clock can tell."""
        asleep: Callable[[], float] | None = getattr(self.clock, "asleep_s", None)
        return 0.0 if asleep is None else asleep()

    def _newly_asleep(self) -> float:
        """How long the computer has slept since this was asked last."""
        before_s, self._asleep_seen_s = self._asleep_seen_s, self._asleep()
        return self._asleep_seen_s - before_s

    def _compare_clocks(self) -> None:
        """Find a suspend where the run's own clock stands still in one: the wall clock has run ahead.

        A wall clock that was set forward looks the same, so the charge of such a gap may be none.
        """
        ahead_s = self.clock.utc().timestamp() - self.clock.now_s()
        before_s, self._wall_ahead_s = self._wall_ahead_s, ahead_s
        if before_s is not None and ahead_s - before_s > SLEPT_S:
            self._t0_s -= ahead_s - before_s
            self._maybe_set = True

    def _look_after_gap(self, from_s: float, now_s: float) -> None:
        """After a gap, before anything is read: what happened, and is all on or off as it was ordered?

        Raises:
            Stop: it is not; made safe. A run that ends so can be resumed.
            DriverError: a link did not survive.
        """
        asleep_s = self._newly_asleep()
        if now_s > self._gap_until_s:
            self._gap_text = f"there was no reading for {now_s - from_s:.0f} s (a program that stood still?)"
        if self._maybe_set:
            self._gap_text = f"the computer was asleep for {now_s - from_s:.0f} s, or its clock was set"
        elif asleep_s > SLEPT_S:
            self._gap_text = f"the computer was asleep for {min(asleep_s, now_s - from_s):.0f} s"
        self._gap_until_s = now_s + JUST_WOKEN_S
        switch = self.rig.switch
        release_s = getattr(switch, "release_s", None)
        if self.state.energised and switch is not None and release_s is not None and now_s - from_s > release_s:
            self.make_safe()
            raise Stop("instrument", f"{switch.name}: had no beat for so long that it has let go")
        try:
            self._still_as_ordered()
        except Stop:
            self.make_safe()
            raise

    def _note_gap(self, from_s: float, to_s: float, current_A: float | None) -> None:
        """Record that there was no reading for longer than the plan allows, and what charge can have passed."""
        low_Ah: float | None = 0.0
        high_Ah: float | None = 0.0
        known = "nothing was on"
        if self.state.energised:
            low_Ah, high_Ah = charge_between(self.state.last_current_A, current_A, to_s - from_s)
            known = "the order stood: read back on, as it was ordered, and measured before and after"
            if self._maybe_set and low_Ah is not None and high_Ah is not None:
                low_Ah, high_Ah = min(low_Ah, 0.0), max(high_Ah, 0.0)
                known += "; a clock that was set would look the same"
        self._maybe_set = False
        on_s = round(to_s - from_s, 4) if self.state.energised else 0.0
        self._event(
            "gap",
            from_s=round(from_s, 4),
            to_s=round(to_s, 4),
            charge_low_Ah=low_Ah,
            charge_high_Ah=high_Ah,
            known=f"{self._gap_text}; {known}",
            on_low_s=on_s if not (low_Ah or 0.0) <= 0.0 <= (high_Ah or 0.0) else 0.0,
            on_high_s=on_s,
        )

    def _bound_passed_unseen(self, step: Step, t_s: float) -> None:
        """A step's bound in time that passed while nobody could look ends the run, not for good."""
        over_s = t_s - self.state.step_began_s - step.max_duration_s
        if over_s >= 0.0:
            text = f"not done after {format_duration(step.max_duration_s)}, its upper bound"
            self._guard_stop(guard.Violation("time", text, over_s + step.max_duration_s, step.max_duration_s), step)

    def _guard_stop(self, violation: guard.Violation, step: Step) -> None:
        self.make_safe(f"guard:{violation.check}", violation.text)
        tripped = ""
        with contextlib.suppress(DriverError):
            tripped = self._new_trips()
        if tripped and tripped not in violation.text:
            violation = violation._replace(text=f"{tripped}: {violation.text}")
        try:
            self._event(
                "guard",
                check=violation.check,
                text=violation.text,
                value=violation.value,
                limit=violation.limit,
                step=self.state.step,
            )
        except OSError as error:  # what stopped it is said all the same
            violation = violation._replace(text=f"{violation.text}; this could not be written: {told(error)}")
        reason = f"guard:{violation.check}"
        if self._gap_text and self._last_reading_s <= self._gap_until_s and not CHECKS[violation.check].final_after_gap:
            reason = "interrupted"  # unseen for a while, and nothing says that the cell was harmed: a person looks
        raise Stop(
            reason,
            f"{self.plan.cell_id}: {violation.text} (step {self.state.plan_step + 1}, {step.name}); "
            "look at the cell first",
        )

    def _trouble(self, error: DriverError) -> None:
        """A link failed: close, reopen, ask who is there; never for longer than the plan allows."""
        self._event("instrument-error", text=str(error))
        if isinstance(error, IdentityError):
            raise Stop("instrument", str(error))
        started_s = self._now()
        asleep_s = self._asleep() - self._asleep_seen_s  # a link that did not survive a suspend gets its time, too
        silent_since_s = max(min(self._last_reading_s + asleep_s, started_s), self._gap_until_s - JUST_WOKEN_S)
        # With all off readings are seconds apart anyway, and there is nothing that a longer look could harm.
        allowed_s = self.plan.max_gap_s + (0.0 if self.state.energised else self._interval())
        if started_s - silent_since_s > allowed_s:
            raise Stop("instrument", f"{error}; no reading for {started_s - self._last_reading_s:.0f} s")
        self.clock.sleep(SOON_S)
        while True:
            if self.signalled:
                raise Stop("interrupted", self.signalled)
            last: DriverError = error
            try:
                for instrument in self.rig.instruments.values():
                    self._beat(self._now())  # a silent one takes its time, and the next one may be silent too
                    instrument.reopen()
                self._still_as_ordered()
                self._event("answered", text="the links were reopened; everybody is who they were")
                return
            except IdentityError as other:
                raise Stop("instrument", str(other)) from other
            except DriverError as again:
                last = again
            verdict = guard.silent(allowed_s, self._now(), silent_since_s)
            if verdict.stop is not None or self._now() - started_s > self.plan.max_gap_s:
                raise Stop("instrument", f"{last} ({error})" if str(last) != str(error) else str(error))
            self.clock.sleep(SOON_S)
            if self.keeper is not None or self.rig.switch is not None:
                self._beat(self._now())

    def _still_as_ordered(self) -> None:
        """After a reopened link: the instrument has to be on or off as it was ordered."""
        order = self.state.order
        expected = {
            "load": order.kind == "discharge",
            "supply": order.kind == "charge",
        }
        if hasattr(self.rig.switch, "arm_limits") and order.kind == "connect":  # it says itself whether it is made
            expected["switch"] = order.mode != "open"
        for name, instrument in self.rig.instruments.items():
            wanted = expected.get(instrument.role)
            if wanted is None:
                continue
            on = instrument.read_setup().get("on")
            if on is not None and bool(on) != wanted:
                raise Stop(
                    "instrument",
                    f"{name}: came back switched {'on' if on else 'off'} where it was ordered "
                    f"{'on' if wanted else 'off'} (was it reset, or did it trip?)",
                )

    # -- orders and records -------------------------------------------------------------------------

    def _record(self, kind: str, **fields: Any) -> None:
        """Write an event that is a record, and advance by it."""
        t_s = round(self._now(), 4)
        self._event(kind, t_s=t_s, **fields)
        record: Record
        if kind == "begin":
            record = Begin(t_s)
            self._last_reading_s = t_s
        elif kind == "person":
            record = Answered(t_s)
        elif kind == "attendance":
            record = Attendance(t_s, bool(fields["present"]))
        elif kind == "supply-asked":
            record = SupplyAsked(t_s, bool(fields["believed"]))
        elif kind == "timer-pause":
            record = Pause(t_s, str(fields["text"]))
        elif kind == "timer-go-on":
            record = GoOn(t_s)
        elif kind == "voltage-fell":
            record = Fell(t_s, str(fields["text"]))
        elif kind == "too-warm":
            record = TooWarm(t_s, float(fields["below_degC"]))
        elif kind == "sent":
            record = Sent(fields["from_s"], fields["to_s"])
        elif kind == "renewal-seen":
            record = Renewed(t_s, fields["renewed_s"])
        else:
            record = Resume(t_s, fields["off_for_s"], fields["charge_low_Ah"], fields["charge_high_Ah"])
        self.state, orders, events = advance(self.plan, self.state, record)
        self._carry_out(orders, events, t_s)

    def _carry_out(self, orders: tuple[Order, ...], events: tuple[dict[str, Any], ...], t_s: float) -> None:
        # Safe first: an order that switches off does not wait for the disk.
        off: dict[str, float] = {}
        for order in orders:
            if order.kind == "off":
                from_s = self._now()
                self._order_off()
                off = self._interval_since(from_s)
        for event in events:
            fields = {key: value for key, value in event.items() if key != "kind"}
            self._event(event["kind"], t_s=t_s, **fields)
            if event["kind"] == "finished":
                self._finish_text = str(event["text"])
        if self._zeros is not None and any(order.kind != "off" for order in orders):
            self._take_zero()
        for order in orders:
            if order.kind == "off":
                self._event("ordered", order={"kind": "off"}, **off)
            else:
                self._order(order)

    def _order(self, order: Order) -> None:
        """Record an order that energises or asks, then send it; once more through a reopened link."""
        limits = self.plan.steps[self.state.plan_step].limits
        forbidden = guard.forbids(self._eye(), limits, self._degC, order)
        if forbidden is not None:
            self._event("refused-order", **forbidden._asdict())
            if forbidden.check == "too-warm" and order.kind == "charge":
                self._say(f"! {forbidden.text}; it begins by itself, or ends after {format_duration(WARM_MOST_S)}")
                self._record("too-warm", below_degC=forbidden.limit)
                return
            raise Stop(f"guard:{forbidden.check}", f"{self.plan.cell_id}: {forbidden.text}")
        self._event("ordered", order=_slim(order))
        try:
            self._send_timed(order)
        except DriverError as error:
            if isinstance(error, IdentityError):
                raise
            self._event("instrument-error", text=str(error))
            self.make_safe()
            for instrument in self.rig.instruments.values():
                self._beat(self._now())
                instrument.reopen()
            self._event("ordered", order=_slim(order))
            self._send_timed(order)

    def _interval_since(self, from_s: float) -> dict[str, float]:
        """Return the interval in which an order acted, to be recorded; empty where it took no time."""
        to_s = self._now()
        return {"from_s": round(from_s, 4), "to_s": round(to_s, 4)} if to_s - from_s >= 1e-4 else {}

    def _send_timed(self, order: Order) -> None:
        """Send an order that energises, and record the interval in which it acted where that took time."""
        from_s = self._send(order)
        interval = {} if from_s is None else self._interval_since(from_s)
        if interval:
            self._record("sent", **interval)

    def _send(self, order: Order) -> float | None:
        """Send an order; return the moment before which no change of the current can have been, None where none is."""
        rig = self.rig
        from_s: float | None = None
        if order.kind == "discharge":
            if rig.load is None:
                raise BenchError(f"{rig.description.name}: has no load to discharge with")
            if rig.supply is not None and self._on != "load":
                rig.supply.set_output(False)
            if self._on != "load" and rig.switch is not None:
                self._beat(self._now())  # a relay may take seconds between two positions
                show_dead(rig, "load", self.clock)
                rig.switch.connect("discharge")
                show_joined(rig, "load", self.clock)
            assert order.value is not None
            from_s = self._now()
            rig.load.set_discharge(order.mode, order.value)  # type: ignore[arg-type]
            if self._on != "load":
                from_s = self._now()  # nothing flowed before
                rig.load.set_input(True)
            self._set_on("load")
        elif order.kind == "charge":
            if rig.supply is None:
                raise BenchError(f"{rig.description.name}: has no supply to charge with")
            if rig.load is not None and self._on != "supply":
                rig.load.set_input(False)
            if self._on != "supply" and rig.switch is not None:
                self._beat(self._now())
                show_dead(rig, "supply", self.clock)
                rig.switch.connect("charge")
                show_joined(rig, "supply", self.clock)
            assert order.voltage_V is not None and order.current_A is not None
            if self._on != "supply":
                own_V = self.state.last_voltage_V
                see_cell(rig, own_V)
                rig.supply.set_voltage(order.voltage_V if own_V is None else min(max(own_V, 0.0), order.voltage_V))
                rig.supply.set_current_limit(order.current_A)
                self._set_timer()
                from_s = self._now()
                rig.supply.set_output(True)
            else:
                from_s = self._now()
                rig.supply.set_current_limit(order.current_A)
            rig.supply.set_voltage(at_supply_V(rig, order.voltage_V))
            self._set_on("supply")
        elif order.kind == "connect":
            if rig.switch is not None:
                rig.switch.connect(cast(Position, order.mode))
        elif order.kind == "ask":
            self.person.ask(order.text, order.act)
            self._called_s = self._now()
            if self.alarm is not None:
                self.alarm("person", order.text)
        return from_s

    _on: str = ""

    def _set_on(self, role: str) -> None:
        self._on = role
        one = self.rig.load if role == "load" else self.rig.supply if role == "supply" else None
        self.rig.active = "" if one is None else one.name

    def _order_off(self) -> None:
        """Switch off what may be on; whatever does not obey is made safe with all tries."""
        try:
            if self.rig.load is not None and self._on != "supply":
                self.rig.load.set_input(False)
            if self.rig.supply is not None and self._on != "load":
                self.rig.supply.set_output(False)
            if self.rig.switch is not None and self._on:
                self.rig.switch.connect("open")
            self._set_on("")
        except DriverError as error:
            safe = self.make_safe()
            self._event("instrument-error", text=str(error))
            if not safe:
                raise Stop("instrument", f"an output could not be switched off: {error}") from error

    def make_safe(self, reason: str = "instrument", text: str = "an instrument is silent") -> bool:
        """Switch everything off and see that it is; last touched first. Never raises.

        Args:
            reason, text: What a person is told when it takes its time.

        Returns:
            Whether every instrument that can let current flow was read back as off, with its
            current measured as zero within what it may be off.
        """
        if not self._touched:
            return True
        limits_A = {name: off_limit_A(self.rig.description, name) for name in self.rig.instruments}
        with beating(self.keeper, lambda: self._warn(reason, text)):  # a silent one takes the time of all its tries
            results = make_all_safe(self.rig.instruments, self.clock, limits_A)
        safe = all(answer["off"] for answer in results.values())
        self._set_on("")
        with contextlib.suppress(OSError):  # told by `_end`; OFF has been sent
            self._event("made-safe", by="runner", off=safe, instruments=results)
        return safe

    # -- small things -----------------------------------------------------------------------------

    def _now(self) -> float:
        return self.clock.now_s() - self._t0_s

    def _event(self, kind: str, t_s: float | None = None, **fields: Any) -> None:
        """Write an event; what it tells the guard, the guard is told here and nowhere else: a resume reads the same."""
        if self.journal is None:
            return
        event = self.journal.append_event(kind, self._now() if t_s is None else t_s, self.clock.utc(), **fields)
        record = guard.record_of(event)
        if record is not None:
            self.memory = guard.fold(self.memory, record)

    def _eye(self) -> guard.Watch:
        """Return what the guard looks at this run with."""
        if self._watch is None:
            self._watch = guard.watch_of(self.plan, self.header.get("measurement"))
        return self._watch

    def _call(self, found: guard.Violation) -> None:
        """Call the person for what no order can end; OFF is sent once more, and the run goes on looking."""
        text = f"{self.plan.cell_id}: {found.text}"
        self._event("called", check=found.check, text=found.text, value=found.value, limit=found.limit)
        if self.state.order.kind == "off":
            self._order_off()
        self._say(f"! {text}")
        if self.alarm is not None:
            self.alarm("person", text)

    def _beat(self, now_s: float) -> None:
        wall_s = time.monotonic()
        if wall_s - self._beat_s < BEAT_S * 0.5:
            return
        self._beat_s = wall_s
        if self.keeper is not None:
            if self._new_keeper is None:
                self.keeper.beat()
            if self._new_keeper is not None or not self.keeper.alive():
                self._renew_keeper()
        self.rig.beat()

    def _renew_keeper(self) -> None:
        """Put another keeper in the place of one that is gone, stopped or hung; without one the run ends.

        It is started beside: a computer that is slow to start a process must not keep the readings waiting.

        Raises:
            Stop: no other could be started. Made safe; the run can be resumed.
        """
        new = self._new_keeper
        if new is None:
            self._keepers_lost += 1
            end: Callable[[], None] | None = getattr(self.keeper, "end", None)
            if end is not None:
                end()  # one that wakes up again must not act beside the other
            new = self._new_keeper = _Started(self.another_keeper if self._keepers_lost <= MOST_KEEPERS else None)
            new.wait(KEEPER_WAIT_S)
        if not new.done:
            return
        self._new_keeper = None
        text = "the keeper process is gone or does not answer"
        if new.keeper is None:
            text += f"{new.why}: nobody would act if this program died; the run ends"
        else:
            self.keeper = new.keeper
            text += "; another one was started (what ended it?)"
        self._event("instrument-error", text=text)
        self._say(f"! {text}")
        if new.keeper is None:
            raise Stop("instrument", text)
        if self.alarm is not None:
            self.alarm("person", text)

    def _attendance(self) -> None:
        hours = next((step.hours for step in self.plan.steps if step.hours is not None), None)
        if hours is None:
            return
        local = self.clock.utc().astimezone()
        now_h = local.hour + local.minute / 60.0
        start_h, end_h = hours
        present = start_h <= now_h < end_h if start_h <= end_h else now_h >= start_h or now_h < end_h
        if present != self.state.present:
            self._record("attendance", present=present)

    def _show(self, reading: CellReading, t_s: float) -> None:
        wall_s = time.monotonic()
        if wall_s - self._shown_s < SHOWN_EVERY_S or self.show is None:
            return
        self._shown_s = wall_s
        step = self.plan.steps[self.state.plan_step] if self.state.plan_step >= 0 else None
        self.show(Progress(t_s, step, self.state, reading, self.journal.rows if self.journal else 0, self.plan))


def last_of_the_cell(rows: list[Sample], events: list[dict[str, Any]]) -> float | None:
    """Return the last voltage that was the cell's: not what an open lead shows, nor what the guard called a jump."""
    stop = next((event for event in reversed(events) if event["kind"] == "guard"), None)
    if stop is not None and stop["check"] == "voltage-jump" and stop["after_row"] == len(rows):
        return float(stop["limit"])
    volts = [row.voltage_V for row in rows[-MANY_ROWS:] if row.voltage_V is not None]
    return next((value for value in reversed(volts) if value >= guard.NOTHING_V), volts[-1] if volts else None)


def readings_of(run: RunFolder) -> list[guard.Reading]:
    """Return a run's rows as the guard saw them, the room's temperature with them."""
    room = (run.run.get("bench", {}).get("cell") or {}).get("room_temperature")
    column = f"{room}.temperature_degC"
    return [guard.Reading(*row[:5], row[5].get(column), row[5].get(TOOK, 0.0)) for row in run.iter_rows()]


def told(error: OSError) -> str:
    """Return a system's error in words."""
    return error.strerror or str(error)


def _slim(order: Order) -> dict[str, Any]:
    return {key: value for key, value in dataclasses.asdict(order).items() if value not in (None, "", False)}


__all__ = [
    "OFF",
    "Outcome",
    "Person",
    "Progress",
    "Runner",
    "Stop",
]
