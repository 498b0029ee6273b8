"""A run that was cut short goes on: replay, ask the instruments, bound the gap, the same cell?"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from amphora.harness.archive.journal import TOOK, JournalWriter, RunFolder
from amphora.harness.bench.opened import CellReading, Rig
from amphora.harness.common.errors import Refused
from amphora.harness.control import guard
from amphora.harness.control.events import Event, GuardStopped, RunBegun, RunResumed, Unobserved
from amphora.harness.control.gap import MAYBE_ON, GapBound, bound_gap, unacted
from amphora.harness.control.replay import replay
from amphora.harness.control.step_records import Sample, State
from amphora.harness.running.beginning import OffSheet
from amphora.harness.running.clock_watch import SLEPT_S, boot, boot_anchor
from amphora.harness.running.orders import Orders
from amphora.harness.running.run_so_far import RunSoFar, Stop

CONTINUITY_V = 0.25
MANY_ROWS = 100


@dataclass
class Resuming:
    """How a run goes on.

    Args:
        before: The folder as it stands.
        same_cell: A person is sure that it is the same cell, whatever the voltage says.
        not_proven: Why a run that goes on may not charge; the bench is made safe, then it is refused.
    """

    before: RunFolder
    same_cell: bool
    not_proven: str

    def look(self, orders: Orders, off_sheet: OffSheet, notes: list[str]) -> None:
        """Replay, ask the instruments, bound the gap, check that it is the same cell, go on.

        Raises:
            Refused: it may be another cell, or what passed cannot be bounded. All is off.
            Stop: an output was found on and could not be switched off.
            DriverError: an instrument does not answer as it should.
        """
        so_far, rig, before = orders.so_far, orders.rig, self.before
        plan = so_far.plan
        rows = [Sample(t, v, i, temperature) for t, _, v, i, temperature, _ in before.iter_rows()]
        so_far.state, _ = replay(plan, before.events, rows)
        so_far.memory = guard.refold(so_far.watch(), before.events, readings_of(before))
        now_s, unsure = _now_after(before, so_far, rows)
        orders.touched = True
        on, still_on, reading = _as_found(rig, before)
        last_s = rows[-1].t_s if rows else 0.0
        bound = bound_gap(plan, so_far.state, before.events, len(rows), last_s, now_s, still_on, reading.current_A)
        if still_on and not orders.make_safe():
            raise Stop("instrument", "an output was found on and could not be switched off")
        so_far.zero_s = so_far.clock.now_s() - now_s
        if not still_on:
            reading = rig.read(energised=False)
        so_far.degC = reading.temperature_degC
        if not self.same_cell:
            _see_same_cell(plan.cell_id, last_of_the_cell(rows, before.events), reading.voltage_V, so_far.state)
        if self.not_proven:
            raise Refused(self.not_proven)
        if unsure and bound.known == MAYBE_ON:
            raise Refused(
                f"{plan.cell_id}: {unsure}, and an output may have been on all the while: what passed cannot be "
                "bounded; outputs are off; what was measured before stands, measure the cell again"
            )
        so_far.journal = JournalWriter.open_again(so_far.folder)
        off_sheet.keep(so_far.folder, notes)
        so_far.last_reading_s = so_far.last_asked_s = so_far.now_s()
        _note_gap(so_far, bound, now_s, unsure)
        orders.arm()
        low_Ah, high_Ah, uncounted_s = unacted(plan, so_far.state, before.events, len(rows))
        low_Ah, high_Ah = low_Ah + bound.low_Ah, high_Ah + bound.high_Ah
        off_for_s = round(bound.off_for_s + uncounted_s, 4)
        orders.record(RunResumed(off_for_s, low_Ah, high_Ah, on, boot_anchor(so_far)))


def _as_found(rig: Rig, before: RunFolder) -> tuple[dict[str, bool | None], bool, CellReading]:
    """Ask who is there and what is on: by name, whether current may flow, and what the cell shows."""
    on: dict[str, bool | None] = {}
    for name, instrument in rig.instruments.items():
        instrument.identify()
        instrument.read_errors()
        state_on = instrument.read_setup().get("on")
        on[name] = bool(state_on) if state_on is not None else None
    rig.set_extra_columns(tuple(name for name in before.columns[5:] if name != TOOK))
    still_on = any(value for name, value in on.items() if name in rig.energising())
    return on, still_on, rig.read(energised=still_on)


def _note_gap(so_far: RunSoFar, bound: GapBound, now_s: float, unsure: str) -> None:
    known = f"{bound.known}; {unsure}" if unsure else bound.known
    so_far.event(
        Unobserved(
            round(bound.from_s, 4), round(now_s, 4), bound.low_Ah, bound.high_Ah, known,
            round(bound.on_low_s, 4), round(bound.on_high_s, 4),
        )
    )  # fmt: skip


def _now_after(before: RunFolder, so_far: RunSoFar, rows: list[Sample]) -> tuple[float, str]:
    """Return the run's time after an interruption, and why that is not sure ("" where it is).

    Since the same start of the computer its own clock tells, whatever the wall clock was set to; else the
    wall clock has to.
    """
    last = before.events[-1]
    last_t_s = max([last.t_s, *(row.t_s for row in rows[-1:])])
    now = boot(so_far.clock)
    anchor = next(
        (event.boot for event in reversed(before.events) if isinstance(event, RunBegun | RunResumed) and event.boot),
        None,
    )
    if now is not None and anchor is not None and anchor["id"] == now[0]:
        return max(now[1] - anchor["zero_s"], last_t_s), ""
    since_s = (so_far.clock.utc() - datetime.fromisoformat(last.utc)).total_seconds() + last.t_s - last_t_s
    if since_s < -SLEPT_S:
        behind = f"the wall clock is {-since_s:.0f} s behind the run's last event"
        return last_t_s, f"{behind}: how long the gap was is not known"
    return last_t_s + max(since_s, 0.0), ""


def _see_same_cell(cell_id: str, last_V: float | None, now_V: float | None, state: State) -> None:
    """Refuse to go on when the voltage says that this is another cell."""
    if last_V is None or now_V is None:
        return
    margin_V = CONTINUITY_V + abs(state.last_current_A or 0.0) * state.resistance_ohm * 2
    if abs(now_V - last_V) > margin_V:
        raise Refused(
            f"{cell_id}: {now_V:.3f} V now and {last_V:.3f} V when the run was cut short: is it the "
            f"same cell? (more than {margin_V:.2f} V apart); say --same-cell when you are sure"
        )


def last_of_the_cell(rows: list[Sample], events: Sequence[Event]) -> float | None:
    """Return the last voltage that was the cell's: not what an open lead shows, nor what the guard called a jump."""
    stop = next((event for event in reversed(events) if isinstance(event, GuardStopped)), None)
    if stop is not None and stop.check == "voltage-jump" and stop.after_row == len(rows) and stop.limit is not None:
        return stop.limit
    volts = [row.voltage_V for row in rows[-MANY_ROWS:] if row.voltage_V is not None]
    return next((value for value in reversed(volts) if value >= guard.NOTHING_V), volts[-1] if volts else None)


def readings_of(run: RunFolder) -> list[guard.Reading]:
    """Return a run's rows as the guard saw them, the room's temperature with them."""
    room = (run.run.get("bench", {}).get("cell") or {}).get("room_temperature")
    column = f"{room}.temperature_degC"
    return [guard.Reading(*row[:5], row[5].get(column), row[5].get(TOOK, 0.0)) for row in run.iter_rows()]
