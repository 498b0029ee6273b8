"""From a cell's entries to its standing: pure, like stepping. The same entries always give the same standing.

Bounds, not flags: at each moment the smallest and largest capacity, charge now, and leak that the evidence leaves
possible; what may be done with the cell follows from them, in `gate`.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from amphora.harness.account import findings as f
from amphora.harness.account import near_full
from amphora.harness.account.entries import key_of
from amphora.harness.account.holds import conditions_share
from amphora.harness.account.nickel import NICKEL, full_by_overcharge, gave_at_least, lost
from amphora.harness.account.self_discharge import self_discharge
from amphora.harness.account.standing import Bound, Entry, Move, Noted, RestSeen, RunSeen, Standing
from amphora.harness.account.state import FULL_FOR_H, FoldState, first_V, full_floor_V
from amphora.harness.analysis.repeats import Repeat, differences, item_U_Ah, learned
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.plans.charge_permission import holds_of
from amphora.harness.results.rulings import Finding

NEVER = datetime.min.replace(tzinfo=UTC)
KNOWN_STARTS = ("full", "declared-full")


def fold(cell: Cell, entries: Sequence[Entry]) -> Standing:
    """Return what a cell is by all that is known of it.

    Args:
        cell: Its record.
        entries: From `entries_of`, oldest first.
    """
    from amphora.harness.account.gate import with_rulings

    key = key_of(cell)
    state = FoldState()
    starts: dict[str, str] = {}
    full_from: dict[str, str] = {}
    rests_before: dict[str, float] = {}
    moves: list[tuple[RunSeen, Move]] = []
    broken: list[int] = []
    recoveries: list[tuple[RunSeen, RestSeen, f.Leak]] = []
    runs = [entry for entry in entries if isinstance(entry, RunSeen)]
    counted: list[RunSeen] = []
    for entry in entries:
        if isinstance(entry, Noted):
            _see(state, entry, key)
            continue
        doubts = len(state.findings)
        start, rest_h = _start(state, entry, key)
        if any("same" in item.code for item in state.findings[doubts:]):
            broken.append(len(moves))  # what happened in between nobody counted
        if entry.headline not in (0, None):
            first, start_of_it = start, entry.headline_start  # by the charge of its own record
            starts[entry.run] = start_of_it
            start = first
        else:
            starts[entry.run] = start
        if starts[entry.run] == "full" and entry.headline == 0 and state.full_run:
            full_from[entry.run] = state.full_run
        if rest_h is not None and entry.headline == 0:
            rests_before[entry.run] = rest_h
        if state.broken or entry.damaged or entry.gaps_unknown or not entry.final or not entry.dated:
            broken.append(len(moves))
        if starts[entry.run] == "full" and (less := _gave_less(state, entry, key)) is not None:
            state.findings.append(less)
            starts[entry.run] = "unknown"
            broken.append(len(moves))
        if key in NICKEL:
            if full_by_overcharge(state, entry) and starts[entry.run] == "unknown":
                starts[entry.run], full_from[entry.run] = "full", state.timed_run
            gave_at_least(state, entry)
        if state.charge_A is not None:
            state.charged_A[entry.run] = state.charge_A
        before = len(moves)
        moves += [(entry, move) for move in entry.moves]
        if entry.gaps_unknown or entry.damaged:
            broken += range(before, len(moves) + 1)
        lost(state, entry, key, counted)
        _run(state, entry, key, recoveries)
        if entry.damaged:
            state.findings.append(
                Finding(
                    "run-damaged", "reported", "record",
                    f"{entry.run} cannot be read ({entry.damaged}): what flowed in it is not known.", (entry.run,),
                    "mend the folder or take it off the shelf, then charge the cell full",
                )
            )  # fmt: skip
        if _is_capacity(entry, starts[entry.run]):
            counted.append(entry)
            # A measured full discharge settles whether the account is of this cell.
            state.findings = [item for item in state.findings if "same" not in item.code or entry.run in item.runs]
    released = _released(state)
    if key in f.LITHIUM:
        _closed_cycles(state, f.balances(moves, broken), runs)
        state.findings += f.recovery_findings([item for item in recoveries if item[1].end_utc >= released])
    state.findings += [item for item in f.changes(counted) if set(item.runs) & {run.run for run in counted[-1:]}]
    standing = _held(
        cell, key, counted, starts, state,
        Standing(cell.id, starts=starts, full_from=full_from, rest_before_h=rests_before),
    )  # fmt: skip
    state.leaks = [
        (when, replace(item, low=0.0) if when < released and item.kind != "balance" else item)
        for when, item in state.leaks
    ]
    leak = _leak(state, key)
    if standing.capacity_Ah and key in near_full.KINDS:
        least_Ah = standing.capacity_Ah - (standing.capacity_U_Ah or 0.0)
        state.at_full += near_full.by_filling_up(moves, broken, least_Ah)
        near_full.release(state, runs)
    findings = [*_leak_findings(leak, state, key), *_once(state.findings), *_second_look(cell, entries)]
    standing = replace(
        standing,
        leak=leak,
        filled_times=state.filled_times,
        leak_full=near_full.bound_of(state.at_full, _changed(state) if leak.high >= near_full.LIMIT else NEVER),
        findings=tuple(findings),
        full_since=state.full_at,
        full_rest_V=state.full_V,
        last_current=state.last_current,
        last_V=state.last_V,
        last_V_at=state.last_V_at,
        charges=near_full.charges(runs, standing.capacity_Ah),
        simulated=bool(runs) and all(run.simulated for run in runs),
        **_unseen(standing, state, key),
    )
    standing = self_discharge(standing, state, runs, key)
    low, high = _charge_now(standing, state, moves)
    standing = replace(standing, charge_low_Ah=low, charge_high_Ah=high)
    return with_rulings(cell, standing)


def _closed_cycles(state: FoldState, closed: Sequence[f.Balance], runs: Sequence[RunSeen]) -> None:
    """Take in what closed cycles say of a leak, and take back what they refute."""
    state.leaks += [(_end_of(runs, item.run), f.leak_of_balance(item)) for item in closed]
    state.findings += f.balance_findings(closed)
    bounded = [_end_of(runs, item.run) for item in closed if f.leak_of_balance(item).high < f.SICK_LEAK]
    if bounded:  # all that was put in came back: what fell near full was no leak
        later = {run.run for run in runs if run.at >= max(bounded)}
        state.findings = [item for item in state.findings if item.code != "falls-when-full" or set(item.runs) & later]
    state.at_full += near_full.by_balance(closed)


def _second_look(cell: Cell, entries: Sequence[Entry]) -> list[Finding]:
    """Return that nobody looked again after the first full charge on a bench: swelling and heat show there (practice).

    It forbids nothing; the certificate says it.
    """
    charged = [run for run in entries if isinstance(run, RunSeen) and not run.imported and not run.simulated]
    first = next((run for run in charged if run.charge_full), None)
    if first is None:
        return []
    if any(isinstance(item, Noted) and item.inspection and item.at >= first.moves[-1].end_utc for item in entries):
        return []
    return [
        Finding(
            "no-second-look", "reported", "cell",
            "nobody looked at, felt and smelled it again after its first full charge, or said so", (first.run,),
            f"amphora cell check {cell.id} --inspection sound",
        )
    ]  # fmt: skip


def _end_of(runs: Sequence[RunSeen], name: str) -> datetime:
    return next(run.end for run in runs if run.run == name)


def _once(found: Sequence[Finding]) -> list[Finding]:
    """Return the newest finding of each code, with the runs of all."""
    out: dict[str, Finding] = {}
    for item in found:
        before = out.pop(item.code, None)
        runs = item.runs if before is None else tuple(dict.fromkeys((*before.runs, *item.runs)))
        out[item.code] = replace(item, runs=runs)
    return list(out.values())


def _is_capacity(run: RunSeen, start: str) -> bool:
    return (
        run.capacity_Ah is not None
        and run.capacity_U_Ah is not None
        and 0 < run.capacity_U_Ah < run.capacity_Ah
        and start in KNOWN_STARTS
        and not any(code in f.NOT_A_CAPACITY for code in run.warnings)
    )


def _held(
    cell: Cell, key: str, counted: Sequence[RunSeen], starts: dict[str, str], state: FoldState, standing: Standing
) -> Standing:
    """Return the standing with what the cell holds, and the It that follows from it."""
    if counted:
        # A start that our own charge made counts before one that was declared; of equal ones the newest.
        own = [run for run in counted if starts[run.run] == "full"]
        best = (own or counted)[-1]
        capacity, U = float(best.capacity_Ah or 0.0), float(best.capacity_U_Ah or 0.0)
        start = starts[best.run]
        repeats = _repeats(counted, starts)
        scatter = learned(repeats)
        conditions = {run.run: conditions_share(run, own or counted, state.charged_A) for run in counted}
        beside = conditions[best.run] * capacity
        return replace(
            standing,
            capacity_Ah=capacity,
            capacity_U_Ah=U,
            capacity_item_U_Ah=math.hypot(item_U_Ah(capacity, U, start, scatter.share), beside),
            conditions_share=conditions[best.run],
            conditions=conditions,
            repeats=tuple(repeats),
            capacity_run=best.run,
            curve=next((run.curve for run in reversed(counted) if run.curve), ()),
            it_Ah=capacity,
            it_from="measured",
        )
    taken = holds_of(cell, cell.form.lower(), load_chemistry(key), None, None, [], gave_Ah=state.guess_Ah)
    return replace(standing, it_Ah=taken.capacity_Ah, it_from=taken.it_from)


def _unseen(standing: Standing, state: FoldState, key: str) -> dict[str, Any]:
    """Return what may have been drawn unseen from a cell with a flat curve, and its capacity's U with that inside."""
    if key not in ("lfp", "auto"):
        return {}
    share, capacity, U = (
        state.unseen.get(standing.capacity_run or ""), standing.capacity_Ah, standing.capacity_item_U_Ah
    )  # fmt: skip
    if share and capacity and U is not None:
        U = item_U_Ah(capacity, U, scatter=0.0, unseen=share)
    return {"unseen_share": share, "unseen": dict(state.unseen), "capacity_item_U_Ah": U}


def _repeats(counted: Sequence[RunSeen], starts: dict[str, str]) -> list[float]:
    """Return what successive like tests of the cell differ by, as shares: the same kind of start, oldest first."""
    found: list[float] = []
    for kind in KNOWN_STARTS:
        tests = []
        for run in counted:
            if starts[run.run] != kind or run.capacity_Ah is None:
                continue
            move = run.moves[run.headline] if run.headline is not None and run.headline < len(run.moves) else None
            tests.append(
                Repeat(
                    run.capacity_Ah,
                    None if move is None or move.current_A is None else abs(move.current_A),
                    None if move is None else move.cutoff_V,
                    run.temperature_degC,
                    run.at.timestamp() / 86400.0 if run.dated else None,
                )
            )
        found += differences(tests)
    return found


def _start(state: FoldState, run: RunSeen, key: str) -> tuple[str, float | None]:
    """Return how a run's first discharge began, by the account, and for how many hours the cell rested before."""
    found = first_V(run)
    said = run.start
    if not run.moves or run.moves[0].kind != "discharge":
        _same(state, run, key, found)
        return ("unknown" if run.moves else said), None
    began = run.moves[0].begin_utc
    seen_V = None if found is None else found[0]
    if said == "declared-full":
        if seen_V is not None and seen_V < full_floor_V(key) - 0.01:
            state.findings.append(
                Finding(
                    "declared-full-contradicted", "established", "record",
                    f"{run.run} was declared full and began at {seen_V:.3f} V at rest: a full cell of this kind stands "
                    f"at {full_floor_V(key):.2f} V or more. It measured what was left.", (run.run,),
                    "charge it full on the bench and measure it again",
                )
            )  # fmt: skip
            return "unknown", None
        return said, None
    if state.full_at is None:
        _same(state, run, key, found)
        if said == "full" and seen_V is not None and seen_V < full_floor_V(key) - 0.01:
            state.findings.append(
                Finding(
                    "not-full-since", "established", "record",
                    f"{run.run} began at {seen_V:.3f} V, which is not full: it measured what was left.", (run.run,),
                    "charge it full on the bench and measure it again",
                )
            )  # fmt: skip
            return "unknown", None
        if said == "full" and (state.last_kind == "discharge" or state.contradicted):
            return "unknown", None
        return said, None
    rest_h = (began - state.full_at).total_seconds() / 3600
    if rest_h > FULL_FOR_H + 0.5 or said not in ("full", "unknown"):
        _same(state, run, key, found)
        return "unknown", rest_h
    if found is not None and run.rests:
        falls = f.falls_when_full(run.run, run.rests[0], (found[1] - state.full_at).total_seconds() / 3600, key)
        state.findings += [falls] if falls is not None else []
    if seen_V is not None and state.full_V is not None:
        state.unseen[run.run] = f.unseen_share(key, state.full_V, seen_V)
        low_V, high_V = full_band(state.full_V, state.fell_V, key)
        if not low_V <= seen_V <= high_V:
            less = seen_V < low_V
            state.findings.append(
                Finding(
                    "same-cell-doubtful", "suspected", "record",
                    f"{run.run} began at {seen_V:.3f} V; the charge before had left {state.full_V:.3f} V, so "
                    f"{low_V:.3f} to {high_V:.3f} V were expected: the cell was "
                    f"{'used in between, leaks inside' if less else 'charged in between'}, or is another one.",
                    (run.run,),
                    "look at its marks and weigh it; then charge it full and measure it again",
                )
            )  # fmt: skip
            return "unknown", rest_h
    elif seen_V is not None and seen_V < full_floor_V(key) - 0.01:
        return "unknown", rest_h
    by_its_charge = run.imported and run.dated and rest_h >= 0.0
    return ("full" if said == "full" or by_its_charge else "unknown"), rest_h


def full_band(left_V: float, fell_V: float, key: str) -> tuple[float, float]:
    """Return between which voltages a cell is met within 4 h after a charge that left it at `left_V` at rest.

    Args:
        left_V: The last voltage of the rest after the charge.
        fell_V: How far it fell in that rest.
    """
    falls = f.FALLS_FROM_FULL_V.get(key, 0.10)
    falls = min(max(falls, 2.5 * fell_V), max(falls, f.FALLS_AT_MOST_V))
    return max(left_V - falls, full_floor_V(key) - 0.01), left_V + f.RISES_FROM_FULL_V


def _same(state: FoldState, run: RunSeen, key: str, found: tuple[float, datetime] | None) -> None:
    """Note a voltage that the one before it does not explain."""
    if found is None or state.last_V is None or state.last_V_at is None or not run.dated:
        return
    near_full.seen(state, *found, "bench", key)
    _compare(state, found[0], found[1], key, "bench", run.run)


def _compare(state: FoldState, volt: float, at: datetime, key: str, by: str, run: str) -> None:
    """Compare a voltage at rest with the one before it, where no current flowed in between."""
    if state.last_V is None or state.last_V_at is None or state.broken:
        return
    hours = (at - state.last_V_at).total_seconds() / 3600
    if hours < 0:
        return
    _below(state, volt, key, run)
    rested_h = 0.0
    if state.last_current is not None:
        rested_h = max(0.0, (state.last_V_at - state.last_current).total_seconds() / 3600)
    U = f.SAME_METER_V if by == state.last_by else f.OTHER_METER_V
    rose_V = volt - state.last_V
    rise_V = f.RISES_ON_V if rested_h >= 0.5 else f.RISE_UNKNOWN_V
    rise_V = f.RISES_FROM_FULL_V if state.last_kind == "charge" else rise_V
    if state.last_kind and rose_V > rise_V + 0.05 + U:
        state.findings.append(
            Finding(
                "same-cell-or-charged", "suspected", "record",
                f"It was left at {state.last_V:.3f} V and found at {volt:.3f} V: it was charged elsewhere, or it is "
                "another cell.", (run,) if run else (),
                "look at its marks and weigh it; then charge it full and measure it again",
            )
        )  # fmt: skip
        return
    if state.last_kind in ("charge", "discharge") and key in f.LITHIUM:
        leak = f.leak_between(state.last_V, volt, hours / 24, rested_h, state.last_kind, U, key)
        if leak is not None:
            state.leaks.append((at, replace(leak, run=run)))


def _below(state: FoldState, volt: float, key: str, run: str, stopped: bool = False) -> None:
    """Note a voltage below the window; one inside it, with nothing charged since, says that it was misread."""
    if not state.last_kind or key not in f.LITHIUM:
        return
    found = f.below_window(key, state.last_V, volt - f.WINDOW_V if stopped else volt, run)
    if found is not None:
        state.findings.append(found)
    elif state.low_since_charge and volt >= f.least_V(key):
        state.findings = [item for item in state.findings if item is not state.low_since_charge]
    state.low_since_charge = found or state.low_since_charge


def _gave_less(state: FoldState, run: RunSeen, key: str) -> Finding | None:
    """Return what speaks against a night that gave far less than the charge from empty before it put in (lithium)."""
    charged, gave = state.timed, run.moves[0] if run.moves else None
    if key not in f.LITHIUM or charged is None or gave is None or run.headline != 0 or not run.dated:
        return None
    if gave.kind != "discharge" or not (gave.whole and charged.whole) or state.broken or run.gaps_unknown:
        return None
    return f.gave_less(charged, gave, run.run)


def _timed(run: RunSeen, emptied: bool) -> Move | None:
    """Return the charge that a run ends with, from empty: after a whole discharge, with nothing uncounted between.

    Args:
        emptied: The run before left it empty; its own discharge before the charge may then end before it counts.
    """
    if run.moves[-1].kind != "charge" or run.gaps_unknown or not run.final or run.stop.startswith("guard:"):
        return None
    before = run.moves[-2] if len(run.moves) >= 2 else None
    from_empty = emptied if before is None else before.kind == "discharge" and before.whole
    return run.moves[-1] if from_empty else None


def _see(state: FoldState, seen: Noted, key: str) -> None:
    """Take in what a person measured."""
    if seen.voltage_V is None or seen.voltage_V < -0.02:
        return
    _seen_again(state)
    if state.full_at is not None and state.full_V is not None:
        hours = (seen.at - state.full_at).total_seconds() / 3600
        low_V, high_V = full_band(state.full_V, state.fell_V, key)
        if hours <= FULL_FOR_H and not low_V - f.OTHER_METER_V <= seen.voltage_V <= high_V + f.OTHER_METER_V:
            state.full_at, state.contradicted = None, True
    near_full.seen(state, seen.voltage_V, seen.at, "meter", key)
    _compare(state, seen.voltage_V, seen.at, key, "meter", "")
    if state.last_current is not None:
        rested_h = max(0.0, (seen.at - state.last_current).total_seconds() / 3600)
        U = math.hypot(f.SAME_METER_V, seen.resolution_V)
        state.dated.append((seen.at, seen.voltage_V, U, rested_h, state.last_kind))
    state.last_V, state.last_V_at, state.last_by = seen.voltage_V, seen.at, "meter"


def _run(state: FoldState, run: RunSeen, key: str, recoveries: list[tuple[RunSeen, RestSeen, f.Leak]]) -> None:
    """Take in what a run did to the cell."""
    if run.damaged:
        state.full_at = None
        state.broken = True
        return
    if run.moves or run.rests:
        _seen_again(state)
    elif run.refused_V is not None:
        _refused(state, run, run.refused_V)
    if run.moves:
        last = run.moves[-1]
        state.last_current, state.last_kind = last.end_utc, last.kind
        state.broken = bool(run.gaps_unknown) or not run.final
        state.full_at = state.full_V = state.full_V_at = None
        state.contradicted = False
        charged = [move for move in run.moves if move.kind == "charge"]
        if charged:
            state.low_since_charge, state.charge_A = None, charged[-1].current_A
        state.dated = []
        state.timed, state.timed_run = _timed(run, state.emptied), run.run
        state.emptied = last.kind == "discharge" and last.whole and not state.broken
        if run.charge_full and run.dated:
            state.full_run, state.full_at = run.run, last.end_utc
    for rest in run.rests:
        before = next((m for m in reversed(run.moves) if m.end_utc <= rest.begin_utc or m.kind == rest.after), None)
        if key in f.LITHIUM and before is not None and rest.after:
            if rest.after == "discharge":
                found = f.leak_of_recovery(rest, before, key)
                if found is not None:
                    recoveries.append((run, rest, replace(found, run=run.run)))
            else:
                found = f.leak_after_charge(rest, key)
            if found is not None:
                state.leaks.append((rest.end_utc, replace(found, run=run.run)))
    if run.rests:
        rest = run.rests[-1]
        ended = not run.moves or rest.after
        if ended:
            if not run.moves and state.last_V is not None and run.rests[0].last_V is not None:
                near_full.seen(state, rest.last_V, rest.end_utc, "bench", key)
                _compare(state, rest.last_V, rest.end_utc, key, "bench", run.run)
            elif run.moves:
                _below(state, rest.last_V, key, run.run, run.stop == "guard:voltage-low")
            if state.full_at is not None and run.moves:
                state.full_V, state.full_V_at = rest.last_V, rest.end_utc
                state.fell_V = max(0.0, rest.first_V - rest.last_V)
                near_full.seen(state, rest.last_V, rest.end_utc, "bench", key)
            state.last_V, state.last_V_at, state.last_by = rest.last_V, rest.end_utc, "bench"
    elif run.moves:
        state.last_V = state.last_V_at = None


def _refused(state: FoldState, run: RunSeen, found_V: float) -> None:
    """Note a cell that the bench found far below what it was left at; no run told why, and nobody has looked since."""
    if state.last_V is None or found_V >= state.last_V - f.GONE_V:
        return
    state.findings.append(
        Finding(
            "found-without-its-voltage", "suspected", "cell",
            f"It was left at {state.last_V:.3f} V and the bench found {found_V:.3f} V: a lead is off, a protection "
            "board has tripped, it was drained, or it leaks inside.", (run.run,),
            "a hand meter at the cell itself: amphora cell check ID --as-found V; or the next run",
        )
    )  # fmt: skip


def _seen_again(state: FoldState) -> None:
    """Take back that the bench missed its voltage: what was measured since is judged by itself."""
    state.findings = [item for item in state.findings if item.code != "found-without-its-voltage"]


def _released(state: FoldState) -> datetime:
    """Return until when a leak seen by voltage is refuted: by later voltages at rest that leave no sick one possible.

    A closed cycle is not refuted so: a short may act near full alone. Voltages that fall by more than relaxation and
    meter explain speak of a leak themselves, and refute none.
    """
    when = [at for at, item in state.leaks if item.kind == "voltages" and item.high < f.SICK_LEAK and item.low == 0.0]
    return max(when, default=NEVER)


def _changed(state: FoldState) -> datetime:
    """Return since when the cell leaks more than before, as its newest recovery says: no bound from before holds."""
    seen = sorted(((at, item.high) for at, item in state.leaks if item.kind == "recovery"), key=lambda pair: pair[0])
    if len(seen) >= 2:
        (at, newest), before = seen[-1], min(high for _, high in seen[:-1])
        if newest >= f.HEALTHY_BELOW_LATER and newest > f.CHANGED_TIMES * before:
            return at
    return NEVER


def _leak(state: FoldState, key: str) -> Bound:
    """Return how large a leak the evidence leaves possible."""
    if key not in f.LITHIUM:
        if not state.losses:
            return Bound(0.0, 24.0, "", "for this chemistry only a rest of days after a full charge bounds it")
        loss = state.losses[-1]
        least, most = (max(0.0, loss.share + side * loss.U) / loss.days for side in (-1, 1))
        text = f"{100 * loss.share:.0f} % lost in {loss.days:.1f} days of rest"
        return Bound(least, min(24.0, most), text, text)
    low, high = f.Leak(0.0, 0.0, ""), f.Leak(0.0, 24.0, "nothing has been measured that bounds it")
    changed = _changed(state)
    for when, leak in state.leaks:
        if leak.low > low.low:
            low = leak
        if leak.high < high.high and when >= changed:
            high = leak
    if high.high < low.low:  # they contradict each other: what says more against the cell counts
        high = low
    return Bound(low.low, min(24.0, max(high.high, low.low)), low.text, high.text)


def _leak_findings(leak: Bound, state: FoldState, key: str) -> list[Finding]:
    if key not in f.LITHIUM or leak.low < 0.6 * f.SICK_LEAK:
        return []
    backed = [item for _, item in state.leaks if item.low >= 0.6 * f.SICK_LEAK]
    kinds = {(item.kind, item.run) for item in backed}
    sure = len(kinds) >= 2 or leak.low >= 0.5
    runs = tuple(dict.fromkeys(item.run for item in backed if item.run))
    return [
        Finding(
            "leak", "established" if sure else "suspected", "cell",
            f"It loses at least {100 * leak.low:.2g} % of its capacity a day ({leak.low_from}): a short inside.", runs,
            "a voltage 12 h or more after the last current (amphora cell check ID --as-found V --at TIME), or the next "
            "charge and night",
        )
    ]  # fmt: skip


def _charge_now(
    standing: Standing, state: FoldState, moves: Sequence[tuple[RunSeen, Move]]
) -> tuple[float | None, float | None]:
    """Return the least and most charge that can be in the cell now, Ah."""
    capacity = standing.capacity_Ah
    if capacity is None:
        return None, None
    U = standing.capacity_item_U_Ah or 0.0
    low, high = 0.0, capacity + U
    known = False
    for run, move in moves:
        if run.gaps_unknown or run.damaged:
            known = False
            low, high = 0.0, capacity + U
            continue
        if move.whole:
            known = True
            low, high = (capacity - U, capacity + U) if move.kind == "charge" else (0.0, 0.05 * capacity + U)
        elif known:
            step = move.ah if move.kind == "charge" else -move.ah
            low, high = low + step - move.U_ah, high + step + move.U_ah
        low, high = max(0.0, low), min(max(high, 0.0), capacity + U)
    if state.broken:
        return 0.0, capacity + U
    return low, max(low, high)
