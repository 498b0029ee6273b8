"""The imperative shell: read, judge, record, advance, order. The only place that acts on instruments.

Keeps nothing that can't be had by replaying the run folder. There is one way out of `Runner.run`, and it makes the
bench safe: each instrument switched off, read back, its current measured as zero, tried again through a reopened link,
recorded, and said aloud where it failed. How a run begins stands in `beginning` and `resuming`, what is ordered in
`orders`, what follows when time was lost in `clock_watch`.
"""

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from amphora.drivers.errors import DriverError, LinkError
from amphora.drivers.roles import Clock
from amphora.harness.archive.journal import TOOK, RunFolder, rounded
from amphora.harness.bench.opened import SOON_S, CellReading, Rig
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.common.quantities import format_duration
from amphora.harness.common.signals import Signals, in_words
from amphora.harness.control import guard
from amphora.harness.control.checks import CHECKS, is_final
from amphora.harness.control.events import (
    AttendanceSeen,
    Event,
    GuardStopped,
    InstrumentTrouble,
    PersonActed,
    PersonCalled,
    PlanBegun,
    RenewalSeen,
    Stopped,
)
from amphora.harness.control.step_records import Sample, State
from amphora.harness.control.stepping import take
from amphora.harness.plans.plan import Plan, Step
from amphora.harness.running.alarm_watch import watched
from amphora.harness.running.beginning import Beginning, OffSheet
from amphora.harness.running.charge_watch import ChargeWatch
from amphora.harness.running.clock_watch import ClockWatch
from amphora.harness.running.heartbeat import BEAT_S, Beats, Heartbeat
from amphora.harness.running.logger_remarks import REMARKS_EVERY_S, LoggerRemarks
from amphora.harness.running.orders import Orders
from amphora.harness.running.own_protections import SupplyTimer, Trips
from amphora.harness.running.people import People, Person
from amphora.harness.running.reconnecting import Reconnecting
from amphora.harness.running.resuming import Resuming
from amphora.harness.running.run_so_far import RunSoFar, Stop, room_first, told
from amphora.harness.running.zero_rest import ZeroRest

ENERGISED_AT_MOST_S = 1.0  # a run looks at least as often while current may flow, whatever its recipe says
ASK_AGAIN_S = 1.0
CALL_AGAIN_S = 600.0  # a person who was asked for something and has not come
SHOWN_EVERY_S = 0.5  # of real time, also where the bench's runs faster
HOURS_AGAIN_S = 5.0  # all is off, and only the time of day is waited for, or a rest
RENEWED_ANEW_S = 0.05  # readings that are seen to be older than known so far by more: told
EXIT_CODES = {"instrument": 4, "interrupted": 130, "killed": 143}
ALARMED = "the smoke or heat alarm"
LIKE_A_TIMER = ("no-current", "voltage-jump")  # how it looks when the supply's own timer switched off


def _look_first(found: guard.Violation) -> str:
    """Return what a person does first after a stop."""
    if found.check == "protection-tripped" and "computer's beat" in found.text:
        return "this computer stood still for a while: find what keeps it busy, then resume"
    return "look at the cell first"


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
class Display:
    """Shows a progress line about twice a second of real time."""

    show: Callable[[Progress], None] | None
    shown_s: float = -1e9

    def update(self, so_far: RunSoFar, reading: CellReading, t_s: float) -> None:
        """Show how far the run is, where it is time to."""
        wall_s = time.monotonic()
        if wall_s - self.shown_s < SHOWN_EVERY_S or self.show is None:
            return
        self.shown_s = wall_s
        step = so_far.step if so_far.state.plan_step >= 0 else None
        self.show(Progress(t_s, step, so_far.state.copy(), reading, so_far.rows, so_far.plan))


class Runner:
    """Carries out one plan on one bench."""

    def __init__(
        self,
        plan: Plan,
        rig: Rig,
        clock: Clock,
        folder: Path,
        header: dict[str, Any],
        person: Person,
        *,
        keeper: Beats | None = None,
        another_keeper: Callable[[], Beats] | None = None,
        show: Callable[[Progress], None] | None = None,
        alarm: Callable[[str, str], None] | None = None,
        tell: Callable[[str], None] | None = None,
        hand_voltage_V: float | None = None,
        proofs: tuple[Event, ...] = (),
        unproven: Callable[[str], None] | None = None,
        from_folder: RunFolder | None = None,
        same_cell: bool = False,
        not_proven: str = "",
        take_signals: bool = True,
    ) -> None:
        """Take the parts of a run; nothing is touched yet.

        Args:
            plan: What to do.
            rig: The opened instruments.
            clock: Time, real or virtual.
            folder: Where it is written.
            header: What `run.json` says.
            person: Who answers what a step asks.
            keeper: The process that acts when this one dies; None on a virtual bench.
            another_keeper: Starts one in its place, should it be gone in mid-run.
            show: Called about once a second with a `Progress`.
            alarm: Called with (kind, text) at a stop, at the end, or when a person is needed.
            tell: Called with a line of plain words about what was found before the first order.
            hand_voltage_V: What a hand meter read before anything was connected; None when not given.
            proofs: What was proven of the bench this evening (`running.checks_of_bench`); goes into the events.
            unproven: Called with a sentence where the sensor at the cell lost its proof: its logger started again.
            from_folder: The run that goes on; None for a new one.
            same_cell: Of a run that goes on: a person is sure that it is the same cell.
            not_proven: Why a run that goes on may not charge; the bench is made safe, then it is refused.
            take_signals: Whether signals are turned into an orderly end.
        """
        self.rig = rig
        self.so_far = RunSoFar(plan, clock, folder, header)
        self.people = People(person, tell, alarm)
        self.signals = Signals()
        self.take_signals = take_signals
        self.off_sheet = OffSheet()
        self.notes: list[str] = []  # what the record should say of the host
        self.heartbeat = Heartbeat(self.so_far, rig, self.people, keeper, another_keeper)
        self.trips = Trips(rig)
        timer = SupplyTimer(self.so_far, rig, self.trips)
        self.orders = Orders(
            self.so_far, rig, self.people, self.heartbeat, timer, ZeroRest(self.so_far, rig, self.people)
        )
        self.charge = ChargeWatch(self.orders, self.trips, timer)
        self.gaps = ClockWatch(self.orders)
        self.remarks = LoggerRemarks(self.so_far, rig, unproven)
        self.beginning = Beginning(hand_voltage_V, proofs)
        self.resuming = None if from_folder is None else Resuming(from_folder, same_cell, not_proven)
        self.display = Display(show)
        self.alarmed = ""  # why the bench's smoke or heat alarm ended it
        self._drains_by_itself = False  # a resistor comes on by hand: nothing flows through it before

    # -- the whole run ------------------------------------------------------------------------

    def run(self) -> Outcome:
        """Carry the plan out to its end, or to whatever stops it; always made safe.

        Raises:
            InputError, Refused: before anything was touched.
        """
        with (
            self.signals.noted() if self.take_signals else contextlib.nullcontext(),
            watched(self.rig.description.alarm_input, self._alarmed),
        ):
            try:
                return self._run()
            finally:
                if self.so_far.journal is not None:
                    self.so_far.journal.close()

    def _alarmed(self, why: str) -> None:
        """End the run as a signal does, wherever it waits; called by the thread that reads the alarm."""
        self.alarmed = why
        self.signals.name = ALARMED

    def _run(self) -> Outcome:
        so_far = self.so_far
        unwritten = False
        try:
            self._begin()
            self._loop()
            reason, text = so_far.state.finished, so_far.finish_text
        except Stop as stop:
            reason, text = stop.reason, stop.text
            if self.gaps.text and so_far.now_s() <= self.gaps.until_s + so_far.plan.max_gap_s:
                text = f"{text} ({self.gaps.text} before)"
        except Refused as refused:
            if so_far.journal is None:
                raise
            return self._end("guard:as-found", str(refused), 3)
        except DriverError as error:
            reason, text = "instrument", str(error)
        except OSError as error:
            unwritten, why = True, f"{told(error)}{room_first(error)}"
            reason, text = "interrupted", f"the run folder cannot be written: {why}"
        except KeyboardInterrupt:
            reason, text = "interrupted", "Ctrl-C"
        except BaseException as error:  # whatever it was: safe first, then told
            self._end("instrument", f"a fault of the program: {error!r}", 4)
            raise
        if self.alarmed and reason == "interrupted":
            reason, text = "guard:smoke-alarm", f"{self.alarmed}; get out, call the fire service"
        if reason.startswith("guard:"):
            code = 3
        elif self.signals.name == "SIGTERM":
            code = 143
        elif unwritten:
            code = InputError.exit_code
        else:
            code = EXIT_CODES.get(reason, 0)
        return self._end(reason, text, code)

    def _begin(self) -> None:
        """Begin a new run, or go on with one."""
        so_far = self.so_far
        source = self.rig.description.alarm_input
        if source is not None and (why := source.read()):
            raise Refused(f"{why}; nothing was switched on")
        so_far.zero_s = so_far.clock.now_s()
        self.gaps.begin()
        self._drains_by_itself = any(step.kind == "log" and step.leads == "discharge" for step in so_far.plan.steps)
        if not self._drains_by_itself and any(step.kind == "charge" for step in so_far.plan.steps):
            self.rig.leads = "open"  # nobody puts a resistor on in a charge: V/R is a current of nothing
        if self.resuming is None:
            self.beginning.look(self.orders, self.trips, self.off_sheet, self.notes)
            self.orders.record(PlanBegun())
        else:
            self.resuming.look(self.orders, self.off_sheet, self.notes)

    def _end(self, reason: str, text: str, code: int) -> Outcome:
        """Make safe, then record, then say."""
        so_far = self.so_far
        safe = self.orders.make_safe(reason, text)
        if not safe:
            self.heartbeat.hand_over()
        with contextlib.suppress(DriverError, OSError):
            self.remarks.note()
        # What a person can put right is gone on from; what speaks against the cell, and a plan that is over, is final.
        final = reason not in ("interrupted", "instrument", "killed")
        final = final and (bool(so_far.state.finished) or is_final(reason))
        rows = so_far.rows
        if so_far.journal is not None:
            try:
                checksums = so_far.journal.checksums()
                so_far.journal.append_event(
                    Stopped(reason, text, rows, final, safe, checksums), so_far.now_s(), so_far.clock.utc()
                )
            except OSError as error:
                text += f"; this could not be written to {so_far.folder}: {told(error)}"
        if not safe:
            text, safe = self.heartbeat.by_the_keeper(reason, text, self.signals)
            code = 4
        else:
            self.heartbeat.goodbye()
        self.people.call("end" if code == 0 else "stop", f"{reason}: {text}")
        return Outcome(so_far.folder, reason, text, code, safe, rows, final)

    # -- the loop ---------------------------------------------------------------------------------

    def _loop(self) -> None:
        so_far, clock = self.so_far, self.so_far.clock
        virtual = getattr(clock, "virtual", False)
        slice_s = 1e9 if virtual and not self.heartbeat.needed else BEAT_S
        next_s = so_far.now_s()
        has_hours = any(step.hours is not None for step in so_far.plan.steps)
        compares = not getattr(clock, "counts_suspend", True)
        has_loggers = bool(self.remarks.loggers)
        while not so_far.state.finished:
            state = so_far.state
            wake_s = next_s
            if not state.waiting and state.deadline_s < wake_s:
                wake_s = state.deadline_s
            if has_hours:
                self._attendance()
            self._sleep_until(wake_s, slice_s)
            if compares:
                self.gaps.compare()
            if has_loggers and so_far.now_s() - self.remarks.asked_s >= REMARKS_EVERY_S:
                self.remarks.note()
            if state.waiting == "person" and self.people.person.answered():
                self.orders.record(PersonActed("done"))
                next_s = so_far.now_s()
                continue
            try:
                soon = self._take_reading()
            except DriverError as error:
                Reconnecting(self.orders, self.heartbeat, self.gaps, self.signals).after(error, self._interval())
                next_s = so_far.now_s()
                continue
            interval_s = self._interval()
            next_s = so_far.last_asked_s + (SOON_S if soon and interval_s > SOON_S else interval_s)

    def _sleep_until(self, wake_s: float, slice_s: float) -> None:
        """Sleep to a moment of the run, with a heartbeat as often as is needed.

        Raises:
            Stop: a signal came.
        """
        so_far, clock, beats = self.so_far, self.so_far.clock, self.heartbeat.needed
        while True:
            if self.signals.name:
                step = so_far.state.plan_step + 1
                raise Stop("interrupted", f"{in_words(self.signals.name)} in step {step} ({so_far.step.name})")
            now_s = clock.now_s() - so_far.zero_s
            if beats:
                self.heartbeat.beat()
            if now_s >= wake_s - 1e-6:
                return
            clock.sleep(min(wake_s - now_s, slice_s))

    def _interval(self) -> float:
        state = self.so_far.state
        if state.waiting:
            return ASK_AGAIN_S if state.waiting == "person" else HOURS_AGAIN_S
        interval_s = self.so_far.plan.steps[state.plan_step].sample_interval_s
        return min(interval_s, ENERGISED_AT_MOST_S) if state.order.kind != "off" else interval_s

    def _take_reading(self) -> bool:
        """Read, record, judge, advance; return whether the next reading should come at once."""
        so_far = self.so_far
        plan, state = so_far.plan, so_far.state
        step = plan.steps[state.plan_step]
        if self._drains_by_itself and step.kind != "ask":  # until a person has answered, the leads are as they were
            self.rig.leads = step.leads
        energised = state.order.kind != "off"
        tripped, ran_out = "", ""
        if energised:
            tripped, ran_out = self.charge.look()
            state = so_far.state
            step = plan.steps[state.plan_step]
        elif self.orders.held_position() != "open":  # a board holds the cell at its resistor, or has let go
            tripped = self.charge.ask_trips()
            state = so_far.state
        before_s = so_far.last_reading_s
        late = so_far.now_s() - before_s > plan.max_gap_s + step.sample_interval_s
        if late:
            self.gaps.look_after_gap(before_s, so_far.now_s())
        reading, seen = self._read(energised, state.step)
        if late:
            self.gaps.note_gap(before_s, seen.t_s, seen.current_A)
        self._keep(reading, seen)
        suspect, ran_out = self._judge(seen, step, tripped, ran_out)
        if late and energised and not step.time_is_end and step.kind != "pulses":
            self._bound_passed_unseen(step, seen.t_s)
        t_s, _, voltage_V, current_A, temperature_degC, _, _ = seen
        if state.waiting == "person":
            self._call_again(t_s, voltage_V)
        elif state.waiting == "warm":
            self.charge.stays_warm(t_s)
        sample = Sample(t_s, voltage_V, current_A, temperature_degC)
        so_far.state, orders, events = take(plan, state, sample)
        if orders or events:
            self.orders.carry_out(orders, events, t_s)
        renewed_s = so_far.memory.renewed_s
        if renewed_s > RENEWED_ANEW_S and renewed_s > max(plan.renewed_s, so_far.state.renewed_s) + RENEWED_ANEW_S:
            self.orders.record(RenewalSeen(round(renewed_s, 3)))
        self._see_to_charge(ran_out)
        if self.display.show is not None:
            self.display.update(so_far, reading, t_s)
        return suspect or so_far.state.wants_soon

    def _see_to_charge(self, ran_out: str) -> None:
        """Rest, pause or ask the supply, where the reading that was just taken wants it."""
        state = self.so_far.state
        if self.charge.fell is not None:
            self.charge.rest()
        elif ran_out and state.order.kind == "charge":
            self.charge.pause(ran_out)
        elif state.asking:
            self.charge.ask_supply()

    def _read(self, energised: bool, step: int) -> tuple[CellReading, guard.Reading]:
        """Ask the bench; return what it said, and that as the journal keeps it."""
        so_far, clock = self.so_far, self.so_far.clock
        asked_s = clock.now_s()
        reading = self.rig.read(energised)
        answered_s = clock.now_s()
        if answered_s - asked_s > so_far.plan.max_gap_s:  # a suspend while asking: the moment is not known
            raise LinkError(
                f"an answer came {answered_s - asked_s:.0f} s after the question: {reading.voltage_V} V, "
                f"{reading.current_A} A of a moment that is not known; asked again"
            )
        zero_s = so_far.zero_s
        volts, ampere, degC, _, room_degC = reading
        t_s, volts, ampere, degC = rounded(0.5 * (asked_s + answered_s) - zero_s, volts, ampere, degC)
        so_far.degC = degC
        took_s = round(answered_s - asked_s, 4) if answered_s != asked_s else 0.0
        so_far.last_asked_s = asked_s - zero_s
        return reading, guard.Reading(t_s, step, volts, ampere, degC, room_degC, took_s)

    def _keep(self, reading: CellReading, seen: guard.Reading) -> None:
        """Write a reading into the journal, whatever the guard will say of it."""
        so_far = self.so_far
        journal = so_far.journal
        assert journal is not None
        t_s, step, voltage_V, current_A, temperature_degC, _, took_s = seen
        beside = {**reading[3], TOOK: took_s} if took_s else reading[3]
        journal.append_row(t_s, step, voltage_V, current_A, temperature_degC, beside)
        so_far.last_reading_s = t_s
        if self.orders.zero.zeros is not None:
            self.orders.zero.note(t_s, so_far.state.order)

    # -- what the guard says ----------------------------------------------------------------------

    def _judge(self, seen: guard.Reading, step: Step, tripped: str, ran_out: str) -> tuple[bool, str]:
        """Have the guard judge a reading, and do what it says.

        Args:
            seen: The reading.
            step: What is carried out.
            tripped: Which protection of an instrument has acted; "" for none.
            ran_out: How the supply's own timer ended the charge; "" where it did not.

        Returns:
            Whether a second reading is wanted at once, and `ran_out`, where the guard's word let it be asked.

        Raises:
            Stop: the run ends; made safe.
        """
        so_far = self.so_far
        verdict = guard.look(so_far.watch(), step.limits, so_far.memory, seen)
        if verdict.stop is not None and verdict.stop.check in LIKE_A_TIMER:
            ran_out = ran_out or self.charge.timer.ran_out()
        if ran_out:
            verdict = verdict._replace(stop=None)
        elif tripped and verdict.stop is None:
            verdict = guard.Verdict(stop=guard.Violation("protection-tripped", tripped, None, None))
        if verdict.stop is not None and verdict.stop.check == "voltage-falls" and so_far.state.order.kind == "charge":
            self.charge.fell = verdict.stop  # for the first time: a rest will tell
        elif verdict.stop is not None:
            self._guard_stop(verdict.stop, step)
        if verdict.call is not None:
            self._call(verdict.call)
        if verdict.told:
            so_far.event(InstrumentTrouble(verdict.told))
        return verdict.suspect is not None, ran_out

    def _guard_stop(self, violation: guard.Violation, step: Step) -> None:
        so_far = self.so_far
        self.orders.make_safe(f"guard:{violation.check}", violation.text)
        tripped = ""
        with contextlib.suppress(DriverError):
            tripped = self.trips.new()
        if tripped and tripped not in violation.text:
            violation = violation._replace(text=f"{tripped}: {violation.text}")
        try:
            so_far.event(GuardStopped(*violation, so_far.state.step))
        except OSError as error:  # what stopped it is said all the same
            violation = violation._replace(text=f"{violation.text}; this could not be written: {told(error)}")
        reason = f"guard:{violation.check}"
        if self.gaps.just_woken and not CHECKS[violation.check].final_after_gap:
            reason = "interrupted"  # unseen for a while, and nothing says that the cell was harmed: a person looks
        raise Stop(
            reason,
            f"{so_far.plan.cell_id}: {violation.text} (step {so_far.state.plan_step + 1}, {step.name}); "
            + _look_first(violation),
        )

    def _bound_passed_unseen(self, step: Step, t_s: float) -> None:
        """A step's bound in time that passed while nobody could look ends the run, not for good."""
        over_s = t_s - self.so_far.state.step_began_s - step.max_duration_s
        if over_s >= 0.0:
            text = f"not done after {format_duration(step.max_duration_s)}, its upper bound"
            self._guard_stop(guard.Violation("time", text, over_s + step.max_duration_s, step.max_duration_s), step)

    # -- people -----------------------------------------------------------------------------------

    def _call(self, found: guard.Violation) -> None:
        """Call the person for what no order can end; OFF is sent once more, and the run goes on looking."""
        text = f"{self.so_far.plan.cell_id}: {found.text}"
        self.so_far.event(PersonCalled(*found))
        if self.so_far.state.order.kind == "off":
            self.orders.order_off()
        self.people.say(f"! {text}")
        self.people.call("person", text)

    def _call_again(self, t_s: float, voltage_V: float | None) -> None:
        """Call the person again who has not come; a cell that goes on draining through a resistor is told."""
        people, so_far = self.people, self.so_far
        if t_s - people.called_s < CALL_AGAIN_S:
            return
        plan, state = so_far.plan, so_far.state
        people.called_s, text = t_s, so_far.step.segments[state.segment].order.text
        low_V = plan.notes.hard_low_V
        if low_V is not None and voltage_V is not None and voltage_V < low_V:
            least = f"{low_V:.2f} V, the least of {plan.chemistry_name}"
            text += f" {voltage_V:.2f} V is below {least}: the cell is being harmed."
            so_far.event(InstrumentTrouble(text))
        people.say(f"! {text}")
        people.call("person", text)

    def _attendance(self) -> None:
        """Tell the plan when the attended hours begin and end."""
        so_far = self.so_far
        hours = next((step.hours for step in so_far.plan.steps if step.hours is not None), None)
        if hours is None:
            return
        local = so_far.clock.utc().astimezone()
        now_h = local.hour + local.minute / 60.0
        start_h, end_h = hours
        present = start_h <= now_h < end_h if start_h <= end_h else now_h >= start_h or now_h < end_h
        if present != so_far.state.present:
            self.orders.record(AttendanceSeen(present))


__all__ = ["Outcome", "Progress", "Runner"]
