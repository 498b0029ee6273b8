"""What a certificate's figures stand on beside the run itself: calibrations, the charge before, the state at hand-over.

After ISO/IEC 17025:2017, 7.8.2.1 (condition of the item), 7.8.3.1 and 7.8.4.1 c (metrological traceability), clause
6.5; the contents of the clauses are from memory. What rests on other folders than the run's own is not recomputed by
`verify`.
"""

import datetime
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from amphora.harness.account.asking import standing_beside
from amphora.harness.archive.run_folder import runs_in
from amphora.harness.archive.run_header import BenchAtRun, CalibrationOfRun, RunHeader
from amphora.harness.common.errors import AmphoraError
from amphora.harness.report.certificate.body import ChargeBefore, CycleStated, Footing, HandOver
from amphora.harness.report.certificate.stated import number
from amphora.harness.results.figures import figures_of
from amphora.harness.results.result import ChargeCourse, PhaseResult, Result

if TYPE_CHECKING:
    from amphora.harness.analysis.records import Measurement

CALIBRATED, OVERDUE, SHEET, ASSUMED = "calibration", "calibration overdue", "maker's sheet", "assumed"


def traceability(header: RunHeader, measurement: "Measurement") -> tuple[Footing, ...]:
    """Return for voltage, current, temperature and time what its U rests on, by the run's own record."""
    day = header.created_utc[:10]
    found = []
    for channel, specification in measurement.channels():
        name = _instrument_of(header.bench, channel)
        entry = header.bench.calibration.get(name, CalibrationOfRun())
        if channel not in entry.channels:
            entry = CalibrationOfRun()
        if specification.assumed:
            basis = ASSUMED
        elif not entry.channels:
            basis = SHEET
        else:
            basis = OVERDUE if entry.due and day and day > entry.due else CALIBRATED
        found.append(
            Footing(channel, name, basis, entry.number, entry.date, entry.due, entry.by, traceable=basis == CALIBRATED)
        )
    return tuple(found)


def _instrument_of(bench: BenchAtRun, channel: str) -> str:
    """Return the name of the instrument that a channel is read by; of several the first, of the only one its own."""
    wired = bench.cell
    named = {"current": next(iter(wired.current), ""), "temperature": wired.temperature}.get(channel, wired.voltage)
    return next(iter(bench.instruments)) if not named and len(bench.instruments) == 1 else named


def traceable_words(entries: Sequence[Footing]) -> list[str]:
    """Return in words what U rests on, a line for each kind of footing, what is not traceable first."""
    groups: dict[tuple[str, ...], list[Footing]] = {}
    for item in entries:
        cited = (item.instrument, item.number, item.date, item.due, item.by) if item.number else ()
        groups.setdefault((item.basis, *cited), []).append(item)
    in_order = sorted(groups.values(), key=lambda items: items[0].basis.startswith(CALIBRATED))
    return [_footing_words(items[0], _list([item.channel for item in items])) for items in in_order]


def _footing_words(item: Footing, what: str) -> str:
    if item.basis == ASSUMED:
        return f"Not traceable: U of {what} is assumed; no sheet and no calibration was entered for it."
    if item.basis == SHEET:
        return (
            f"Not traceable: U of {what} is what the bench file states, as from a maker's sheet, without a calibration."
        )
    cited = f"calibration {item.number} of {item.date}" + (f" by {item.by}" if item.by else "")
    if item.basis == OVERDUE:
        return f"Calibration overdue: {what} of {item.instrument} by {cited}, was due {item.due}, before this test."
    until = f", due {item.due}" if item.due else ", no due date stated"
    return f"U of {what} rests on {item.instrument}: {cited}{until}."


def _list(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]


def charge_before(folder: Path, header: RunHeader, result: Result) -> ChargeBefore | None:
    """Return the charge that came before a run's discharge: in the same run, else the last one of the cell's shelf.

    Returns:
        None where none was seen.
    """
    begin_s = _begin_of(result)
    own = None if begin_s is None else _last_charge(result, before_s=begin_s)
    began = _moment(header.created_utc)
    if own is not None and begin_s is not None:
        ended = None if began is None else began + datetime.timedelta(seconds=own.end_s)
        return _stated(own, "", ended, (begin_s - own.end_s) / 3600.0)
    if began is None:
        return None
    before = _newest_charge_beside(folder.resolve(), began)
    if before is None:
        return None
    ended, place, phase = before
    rest_h = ((began - ended).total_seconds() + (begin_s or 0.0)) / 3600.0
    return _stated(phase, place.name, ended, rest_h)


def _newest_charge_beside(here: Path, began: datetime.datetime) -> tuple[datetime.datetime, Path, PhaseResult] | None:
    """Return the newest charge that another run of the shelf ended with before a moment: when, where, and it."""
    best: tuple[datetime.datetime, Path, PhaseResult] | None = None
    for other in runs_in(here.parent):
        if other == here:
            continue
        try:
            figures = figures_of(other)
        except (AmphoraError, OSError, ValueError):
            continue
        made = _moment(figures.created_utc)
        phase = _last_charge(figures, before_s=math.inf)
        if made is None or phase is None:
            continue
        if any(p.kind == "discharge" and p.begin_s > phase.end_s for p in figures.phases):
            continue
        ended = made + datetime.timedelta(seconds=phase.end_s)
        if ended <= began and (best is None or ended > best[0]):
            best = (ended, other, phase)
    return best


def _stated(phase: PhaseResult, run: str, ended: datetime.datetime | None, rest_h: float) -> ChargeBefore:
    course = phase.charge_metrics or ChargeCourse()
    return ChargeBefore(
        current_A=number(phase.main_current_A),
        end_current_A=number(course.end_current_A),
        held_V=number(course.held_voltage_V),
        tapered=course.tapered,
        run=run,
        ended_utc="" if ended is None else ended.isoformat(timespec="seconds"),
        rest_h=number(rest_h),
    )


def _last_charge(result: Result, before_s: float) -> PhaseResult | None:
    return next((p for p in reversed(result.phases) if p.kind == "charge" and p.end_s <= before_s), None)


def _begin_of(result: Result) -> float | None:
    """Return when the discharge that the figures are of began, in the run's own seconds."""
    return None if result.headline is None else result.phases[result.headline].begin_s


def charge_words(before: ChargeBefore | None) -> str:
    """Return the charge before in words; empty where none was seen."""
    if before is None:
        return ""
    parts = [f"at {abs(before.current_A):.3f} A" if before.current_A else "at a current not known"]
    if before.held_V:
        parts.append(f"held at {before.held_V:.3f} V")
    if before.tapered and before.end_current_A is not None:
        parts.append(f"until the current had fallen to {abs(before.end_current_A):.3f} A")
    elif before.end_current_A is not None:
        parts.append(f"last current {abs(before.end_current_A):.3f} A, no taper seen")
    rest_h = before.rest_h
    if rest_h is not None:
        rest = f"{60 * rest_h:.0f} min" if rest_h < 2 else f"{rest_h:.1f} h"
        parts.append(f"rest before the discharge {rest}")
    return ", ".join(parts)


def hand_over(folder: Path) -> HandOver | None:
    """Return how the cell stands at issue, by its account: voltage at rest, charge, keeping; None on no shelf."""
    beside = standing_beside(folder)
    if beside is None:
        return None
    standing = beside[1]
    held = standing.capacity_Ah
    low, high = standing.charge_low_Ah, standing.charge_high_Ah
    return HandOver(
        voltage_V=number(standing.last_V),
        voltage_utc="" if standing.last_V_at is None else standing.last_V_at.isoformat(timespec="minutes"),
        charge_low=number(low / held) if held and low is not None else None,
        charge_high=number(min(high / held, 1.0)) if held and high is not None else None,
        self_discharge_percent_per_month=number(standing.self_discharge_percent_per_month),
        self_discharge_U=number(standing.self_discharge_U),
        leak_high_percent_per_day=number(100 * standing.leak.high),
    )


def hand_over_words(state: HandOver | None) -> list[list[str]]:
    """Return rows: voltage and charge at hand-over, and how the cell keeps its charge."""
    if state is None:
        return [["At hand-over", "not known: the run is on no shelf; measure the voltage before use"]]
    volt = (
        f"{state.voltage_V:.3f} V at rest, last read {state.voltage_utc[:16].replace('T', ' ')} UTC"
        if state.voltage_V is not None
        else "voltage not read since"
    )
    low, high = state.charge_low, state.charge_high
    if low is None or high is None:
        charge = "charge not known"
    else:
        charge = f"charge {100 * low:.0f} to {100 * high:.0f} % of what it holds"
    month, U = state.self_discharge_percent_per_month, state.self_discharge_U
    keeps = "not measured"
    if month is not None:
        keeps = f"{month:.2g}" + (f" ± {U:.2g}" if U is not None else "") + " % a month"
    return [["At hand-over", f"{volt}; {charge}"], ["Self-discharge", keeps]]


def cycle_of(result: Result) -> CycleStated | None:
    """Return the share of charge and of energy that came back in a whole cycle of the run; None without one."""
    cycle = result.cycle
    if cycle is None:
        return None
    return CycleStated(
        number(cycle.coulombic_efficiency), number(cycle.coulombic_efficiency_U), number(cycle.energy_efficiency)
    )


def cycle_words(cycle: CycleStated | None) -> str:
    """Return the round trip in words; empty without one."""
    if cycle is None or cycle.coulombic_efficiency is None:
        return ""
    U = cycle.coulombic_efficiency_U
    said = f"{100 * cycle.coulombic_efficiency:.1f}" + (f" ± {100 * U:.1f}" if U else "") + " % of the charge"
    if cycle.energy_efficiency is not None:
        said += f", {100 * cycle.energy_efficiency:.1f} % of the energy"
    return said + " came back in a whole cycle"


def _moment(text: str | None) -> datetime.datetime | None:
    try:
        found = datetime.datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return found if found.tzinfo else found.replace(tzinfo=datetime.UTC)
