"""Leads and holder: which run of the bench measured them, and how they are taken out of another run's figures.

Whether leads are in a resistance depends on where the voltage is sensed: `sensed_at` in the bench file, "cell" or
"load". Without it nothing is taken out, and the resistances say that it is not known. Ohm, U with k = 2.
"""

import contextlib
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from amphora.harness.archive.run_folder import header_as_it_is, runs_below
from amphora.harness.common.errors import AmphoraError
from amphora.harness.common.words import to_places
from amphora.harness.results.kept import once
from amphora.harness.results.result import (
    BudgetLine,
    Budgets,
    BudgetTable,
    Knee,
    LeadsMeasured,
    LeadsState,
    PhaseResult,
    ResistanceTable,
    ResistanceValue,
    Result,
)

# Two leads of half a metre and a holder's springs are 20 to 80 mohm, seldom 100 (common practice, assumed); of a
# rectangle from nothing to that, 95 % lie below this.
UNKNOWN_MOST_OHM = 0.1
UNKNOWN_U_OHM = 0.95 * UNKNOWN_MOST_OHM
LEADS_NOTE = "two wires that nobody measured: up to 100 mohm are counted; run 'leads', or sense at the cell"


def latest_measured(folder: Path, bench: str | None, created_utc: str) -> tuple[Path, LeadsMeasured] | None:
    """Return the run that measured the leads of a bench, and what it found.

    The newest one not younger than the run in question; where there is none, the first one after it. So a leads run
    made later changes no figure that already had one.

    Args:
        folder: The run in question; its shelf is searched.
        bench: The name of its bench; benches are the same when their names are.
        created_utc: When it was made.
    """
    from amphora.harness.results.figures import figures_of

    earlier: list[tuple[str, Path]] = []
    later: list[tuple[str, Path]] = []
    root = folder.absolute().parent.parent
    for other in once(f"leads runs {root}", lambda: runs_below(root, "*-leads")):
        if other == folder.absolute():
            continue
        with contextlib.suppress(OSError, ValueError):
            run = header_as_it_is(other)
            if (run.get("bench") or {}).get("name") == bench:
                made = str(run.get("created_utc") or "")
                (earlier if made <= created_utc else later).append((made, other))
    for _, candidate in [*sorted(earlier, reverse=True), *sorted(later)]:
        with contextlib.suppress(AmphoraError, OSError):
            found = figures_of(candidate).leads_measured
            if found and found.ohm is not None:
                return candidate, found
    return None


def state_of(folder: Path, bench: str | None, sensed_at: str | None, created_utc: str) -> LeadsState:
    """Return whether leads and holder are in the resistances of a run, and what is to be taken out of each.

    Args:
        folder: The run's folder.
        bench: The name of its bench.
        sensed_at: Where that senses the voltage: "cell", "load", or what nobody said.
        created_utc: When the run was made.
    """
    if sensed_at == "cell":
        return LeadsState("out", "leads and holder are out: the voltage is sensed at the cell")
    if sensed_at != "load":
        return LeadsState(
            "not known", "not known whether leads and holder are in: nothing says where the voltage is sensed"
        )
    measured = latest_measured(folder, bench, created_utc)
    if measured is None:
        return LeadsState(
            "in",
            "leads and holder are in: the voltage is sensed at the load, and no 'leads' run of this bench is here; "
            f"up to {1000 * UNKNOWN_MOST_OHM:.0f} mΩ of them are counted in each U",
        )
    source, ohm, U_ohm = measured[0], float(measured[1].ohm or 0.0), float(measured[1].U_ohm or 0.0)
    text = (
        f"leads and holder, {to_places(ohm, U_ohm, 1, 1000, 'mΩ')}, are taken out "
        f"(measured by {source.parent.name}/{source.name})"
    )
    return LeadsState("out", text, ohm, U_ohm, str(source))


def with_leads(folder: Path, result: Result, stated: LeadsState | None = None) -> Result:
    """Return a result in which each resistance says whether leads and holder are in it; taken out where known.

    The leads run is not among the inputs of `result.json`, so this part is never kept.

    Args:
        folder: The run folder.
        result: As its own files give it.
        stated: What a certificate says was taken out, for one who has not the run that measured it.
    """
    if not any(phase.resistances or phase.knee for phase in result.phases) and not result.resistances:
        return replace(result, leads=None)
    if result.leads_measured:  # this run moved the clips about
        leads = LeadsState("not known", "leads and holder are in some and not in others: this run measures them")
    else:
        leads = state_of(folder, result.bench.name, result.sensed_at, str(result.created_utc or ""))
        if stated is not None and leads.state == "in":
            leads = replace(stated, state="out", text=leads.text)
    return replace(take_out(result, leads), leads=leads)


def take_out(result: Result, leads: LeadsState) -> Result:
    """Return a result as the cell's own ends would give it, as far as the leads are known.

    Leads that were measured leave resistance, capacity and energy alike. Of two wires that nobody measured, all
    that they may be counts in U, and nothing is taken out.

    Args:
        result: With leads and holder still in.
        leads: As `state_of` gives them.
    """
    phases = tuple(
        _at_the_cell(replace(phase, resistances=_without(phase.resistances, leads)), leads) for phase in result.phases
    )
    changed = replace(
        result,
        phases=phases,
        resistances=_without(result.resistances, leads),
        resistance_table=_table_without(result.resistance_table, leads),
    )
    for before, phase in zip(result.phases, phases, strict=True):
        if phase.leads_U_Ah is None or before.capacity_Ah != result.capacity_Ah:
            continue
        if before.energy_Wh == result.energy_Wh:
            changed = replace(
                changed,
                capacity_Ah=phase.capacity_Ah,
                capacity_U_Ah=phase.capacity_U_Ah,
                energy_Wh=phase.energy_Wh,
                energy_U_Wh=phase.energy_U_Wh,
                mean_voltage_V=phase.mean_voltage_V,
                budget=_with_line(result.budget or Budgets(), before, phase),
            )
    return changed


def _without(items: Sequence[ResistanceValue], leads: LeadsState) -> tuple[ResistanceValue, ...]:
    """Return resistances less those of leads and holder; what is not more than these is none of the cell."""
    if leads.ohm is None:
        wider = UNKNOWN_U_OHM if leads.state == "in" else 0.0
        return tuple(
            replace(item, U_ohm=math.hypot(item.U_ohm or 0.0, wider) if wider else item.U_ohm, leads=leads.state)
            for item in items
        )
    return tuple(
        replace(
            item,
            ohm=item.ohm - leads.ohm,
            U_ohm=math.hypot(item.U_ohm or 0.0, leads.U_ohm or 0.0),
            leads=leads.state,
        )
        for item in items
        if item.ohm is not None and item.ohm > leads.ohm
    )


def _table_without(table: ResistanceTable | None, leads: LeadsState) -> ResistanceTable | None:
    """Return the table of resistance over charge less leads and holder, or with all that they may be in U."""
    if table is None or (leads.ohm is None and leads.state != "in"):
        return table
    less, wider = (0.0, UNKNOWN_U_OHM) if leads.ohm is None else (leads.ohm, leads.U_ohm or 0.0)
    return replace(
        table,
        ohm=tuple(tuple(None if value is None else value - less for value in row) for row in table.ohm),
        U_ohm=tuple(tuple(None if value is None else math.hypot(value, wider) for value in row) for row in table.U_ohm),
    )


def _at_the_cell(phase: PhaseResult, leads: LeadsState) -> PhaseResult:
    """Return a complete discharge counted to where the cell's own ends crossed the cut-off.

    What is left below the record's last reading goes on as the knee above it bends.

    Source: V at the cell = V at the load + I R; JCGM 100:2008, 5.1.2.
    """
    knee = phase.knee
    if not knee or not phase.complete or not (leads.ohm is not None or leads.state == "in"):
        return phase
    ohm = UNKNOWN_U_OHM if leads.ohm is None else float(leads.ohm)
    end_V = phase.end_voltage_V or 0.0
    more_Ah, bend_Ah = _below(knee, ohm * knee.current_A)
    more_Wh = ohm * knee.square_A2h + end_V * more_Ah
    if leads.ohm is not None:
        share = float(leads.U_ohm or 0.0) / ohm if ohm > 0 else 0.0
        U_Ah, U_Wh = math.hypot(share * more_Ah, bend_Ah), math.hypot(share * more_Wh, end_V * bend_Ah)
    else:
        U_Ah, U_Wh, more_Ah, more_Wh = more_Ah, more_Wh, 0.0, 0.0
    capacity_Ah, energy_Wh = (phase.capacity_Ah or 0.0) + more_Ah, (phase.energy_Wh or 0.0) + more_Wh
    return replace(
        phase,
        capacity_Ah=capacity_Ah,
        capacity_U_Ah=math.hypot(phase.capacity_U_Ah or 0.0, U_Ah),
        energy_Wh=energy_Wh,
        energy_U_Wh=math.hypot(phase.energy_U_Wh or 0.0, U_Wh),
        mean_voltage_V=energy_Wh / capacity_Ah,
        leads_Ah=more_Ah,
        leads_U_Ah=U_Ah,
        leads_U_Wh=U_Wh,
    )


def _below(knee: Knee, fall_V: float) -> tuple[float, float]:
    """Return the charge between the cut-off and `fall_V` below it, and its U: the steps above go on as they shrink."""
    import numpy as np

    above_V, given_Ah = np.array([0.0, *knee.above_V]), np.array([0.0, *knee.Ah])
    first = float(np.interp(fall_V, above_V, given_Ah))
    second = float(np.interp(2 * fall_V, above_V, given_Ah)) - first
    if fall_V <= 0 or first <= 0:
        return 0.0, 0.0
    shrunk = first * min(1.0, first / second) if second > 0 else first
    return shrunk, 0.5 * shrunk


def _with_line(budgets: Budgets, before: PhaseResult, phase: PhaseResult) -> Budgets:
    """Return the budgets with what the leads do as one more line each."""
    measured = phase.leads_Ah != 0.0

    def each(table: BudgetTable | None, was: float | None, value: float | None, U: float | None, leads_U: float | None,
             unit: str) -> BudgetTable | None:  # fmt: skip
        if table is None or table.value != was or U is None:
            return table
        u = (leads_U or 0.0) / 2
        line = BudgetLine(
            "leads of the load", u, unit, 1.0, u, "B", assumed=not measured, note="" if measured else LEADS_NOTE
        )
        return replace(table, value=value, u=U / 2, U=U, lines=(*table.lines, line))

    return Budgets(
        each(budgets.capacity, before.capacity_Ah, phase.capacity_Ah, phase.capacity_U_Ah, phase.leads_U_Ah, "Ah"),
        each(budgets.energy, before.energy_Wh, phase.energy_Wh, phase.energy_U_Wh, phase.leads_U_Wh, "Wh"),
    )
