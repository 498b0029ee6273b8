"""What the folders and `cell.json` say of one cell, in order of time.

The one place of the account that reads files. A folder that cannot be read is an entry too, one that says so: what
flowed in it is not known. An imported table is dated by its own clock, where it has one.
"""

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.account.charge_end import NOT_TO_FULL, emptied_before, ended_full
from amphora.harness.account.standing import Entry, Move, Noted, RestSeen, RunSeen
from amphora.harness.archive.run_folder import EVENTS, header_unchecked, read_events, stopped_of
from amphora.harness.archive.run_header import RunHeader
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import AmphoraError
from amphora.harness.common.fields import finite_number
from amphora.harness.control.events import Checked, Event, StepBegun, StepEnded
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.result import PhaseResult, RestResult, Result

FLOWS = ("charge", "discharge", "pulses", "sweep", "log")
END_NEAR_S = 300.0  # a step's end belongs to the phase that ended so near


def entries_of(cell: Cell, folders: Sequence[Path]) -> list[Entry]:
    """Return what is known of a cell, oldest first.

    Args:
        cell: Its record.
        folders: Its run folders; damaged ones too.
    """
    found: list[Entry] = list(seen_by_people(cell))
    dated = sum(1 for item in found if isinstance(item, Noted) and item.voltage_V is not None)
    runs = [run_seen(Path(folder)) for folder in folders]
    if dated >= 2 or any(run.retention_V is not None for run in runs):
        runs = _with_curve(runs, {Path(folder).name: Path(folder) for folder in folders})
    # As it was found is before every run, whatever clock the bench had.
    first = min((run.at for run in runs), default=None)
    if first is not None:
        before = first - timedelta(seconds=1)
        found = [
            replace(item, at=min(item.at, before)) if isinstance(item, Noted) and item.kind == "found" else item
            for item in found
        ]
    found += runs
    return sorted(found, key=lambda entry: entry.at)


def _with_curve(runs: list[RunSeen], folders: Mapping[str, Path]) -> list[RunSeen]:
    """Return runs of which the newest whole discharge from full says how the voltage at rest falls with charge."""
    for place in range(len(runs) - 1, -1, -1):
        run = runs[place]
        if run.capacity_Ah is None or run.headline_start not in ("full", "declared-full"):
            continue
        with contextlib.suppress(AmphoraError, OSError, ValueError, IndexError, ZeroDivisionError):
            runs[place] = replace(run, curve=curve_of(folders[run.run]))
            break
    return runs


def curve_of(folder: Path, points: int = 80) -> tuple[tuple[float, float], ...]:
    """Return the voltage at rest and the share of charge given, from full, as a whole discharge shows them.

    Raises:
        InputError: the discharge has no resistance, or too few readings.
    """
    from amphora.harness.analysis.cell_model import cell_model
    from amphora.harness.archive.loading import load
    from amphora.harness.results.figures import figures_of

    record, _ = load(folder)
    model = cell_model(record.t_s, record.voltage_V, record.current_A, figures_of(folder))
    stride = max(1, len(model.ocv_V) // points)
    pairs = zip(model.ocv_V[::stride].tolist(), model.given_Ah[::stride].tolist(), strict=True)
    return tuple((volt, given / model.capacity_Ah) for volt, given in pairs)


def seen_by_people(cell: Cell) -> list[Noted]:
    """Return what `cell.json` says that people saw, measured or said."""
    found = []
    dated = [item for item in cell.entries if item.voltage_V is not None]
    at = moment(cell.as_found_utc)
    if cell.as_found_V is not None and at is not None and not dated:
        found.append(Noted(at, "found", cell.as_found_utc, cell.as_found_V))
    for item in cell.entries:
        when = moment(item.at or item.noted_utc or "")
        if when is None:
            continue
        found.append(
            Noted(
                when, item.kind or "check", item.noted_utc or "", item.voltage_V, item.mass_g,
                dict(item.inspection or {}), item.state or "", item.text or "", item.by or "",
                item.resolution_V or 0.01,
            )
        )  # fmt: skip
    return found


def moment(text: str) -> datetime | None:
    """Return a time as the register writes it; None where it is none."""
    with contextlib.suppress(ValueError):
        found = datetime.fromisoformat(text)
        return found if found.tzinfo else found.replace(tzinfo=UTC)
    return None


def run_seen(folder: Path) -> RunSeen:
    """Return what one run tells of its cell; one that cannot be read says why."""
    from amphora.harness.results.figures import figures_of

    stamp = _stamp(folder.name)
    try:
        header = header_unchecked(folder)
        events = read_events(folder / EVENTS)[0]
        result = figures_of(folder)
        return _run(folder, header, events, result)
    except (AmphoraError, OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
        return RunSeen(folder.name, stamp, stamp, "", "unknown", "", False, damaged=str(error) or repr(error))


def _stamp(name: str) -> datetime:
    with contextlib.suppress(ValueError):
        return datetime.strptime(name[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    return datetime(1970, 1, 1, tzinfo=UTC)


def _run(folder: Path, header: RunHeader, events: Sequence[Event], result: Result) -> RunSeen:
    imported = header.imported
    created = moment(header.created_utc) or _stamp(folder.name)
    dated, begin, t0_s = True, created, 0.0
    if imported is not None:
        own = moment(imported.began_utc or imported.first_clock_time or "")
        # A file's own date is when it was written, by whatever computer: it orders runs and proves no interval.
        dated, begin = own is not None and imported.began_from != "file", own or created
    first = next((event for event in events if moment(event.utc)), None)
    if first is not None:
        t0_s = float(first.t_s)
        if imported is None:
            begin = moment(first.utc) or created

    def at(t_s: float) -> datetime:
        return begin + timedelta(seconds=float(t_s) - t0_s)

    kinds = {event.step: event.step_kind for event in events if isinstance(event, StepBegun)}
    ended = [event for event in events if isinstance(event, StepEnded) and kinds.get(event.step) == "charge"]
    full_ends = {event.t_s: ended_full(header, event, emptied_before(events, event)) for event in ended}
    moves = tuple(_move(phase, at, header, full_ends) for phase in result.phases)
    rests = tuple(_rest(item, at) for item in result.rests)
    stopped = stopped_of(events)
    final = stopped is not None and stopped.ends_it
    stop = "" if stopped is None else stopped.reason
    end = at(float(events[-1].t_s or t0_s)) if events else begin
    refused = [event.as_found_V for event in events if isinstance(event, Checked)] if stop == "guard:as-found" else []
    whole = result.reached_cutoff and result.complete
    retention = result.retention
    charge_full = bool(moves) and moves[-1].kind == "charge" and moves[-1].whole and not stop.startswith("guard:")
    if charge_full and header.profile in NOT_TO_FULL:
        charge_full = False
    return RunSeen(
        folder.name, begin, max(end, begin), header.profile, header.start or "unknown", stop,
        final, moves, rests,
        capacity_Ah=result.capacity_Ah if whole else None,
        capacity_U_Ah=result.capacity_U_Ah if whole else None,
        stated_Ah=result.stated.capacity_Ah if whole and result.stated else None,
        headline=result.headline,
        headline_start=result.start or "unknown",
        temperature_degC=result.temperature_degC,
        charge_full=charge_full,
        gaps_unknown=result.gaps_unknown,
        imported=imported is not None,
        dated=dated,
        simulated=header.bench.simulated,
        warnings=tuple(item.code for item in result.warnings),
        retention_mV_per_day=retention.mV_per_day if retention else None,
        retention_U_mV_per_day=retention.mV_U_per_day if retention else None,
        retention_V=retention.rested_V if retention else None,
        refused_V=refused[-1] if refused else None,
        **_resistance(result),
    )  # fmt: skip


def _rest(rest: RestResult, at: Any) -> RestSeen:
    return RestSeen(
        at(rest.begin_s), at(rest.end_s), rest.after, rest.first_V, rest.last_V,
        rest.early_V_per_h, rest.early_U_V_per_h, rest.early_at_s,
        rest.late_V_per_h, rest.late_U_V_per_h, rest.late_at_s, rest.first_degC, rest.last_degC,
    )  # fmt: skip


def _move(phase: PhaseResult, at: Any, header: RunHeader, full_ends: Mapping[float, bool]) -> Move:
    whole, taper_A = phase.complete, None
    if phase.kind == "charge" and header.plan is not None:
        near = [full for t_s, full in full_ends.items() if abs(t_s - phase.end_s) <= END_NEAR_S]
        whole = bool(near) and near[-1]
        taper_A = phase.charge_metrics.end_current_A if whole and phase.charge_metrics else None
    return Move(
        phase.kind, at(phase.begin_s), at(phase.end_s), abs(phase.moved_Ah or 0.0), abs(phase.moved_U_Ah or 0.0),
        whole, phase.main_current_A, finite_number(header.cutoff_V), phase.end_slope_V, taper_A,
    )  # fmt: skip


def _resistance(result: Result) -> dict[str, Any]:
    chosen = chosen_resistance(result)
    if chosen is None:
        return {}
    state = chosen.charge_state
    like = (
        chosen.method,
        round(chosen.duration_s or 0.0, 1),
        None if state is None else round(state, 1),
        result.sensed_at,
    )
    return {"resistance_ohm": chosen.ohm, "resistance_U_ohm": chosen.U_ohm, "resistance_like": like}


def key_of(cell: Cell, runs: Sequence[RunSeen] = ()) -> str:
    """Return the chemistry a cell is taken for."""
    return cell.taken_for
