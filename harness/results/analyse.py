"""The results of a loaded run as its own record gives them; no file is opened here.

`figures` loads and keeps them, `across_runs` adds what other runs say. The way: the record is prepared and integrated
(`_integrated`), each phase is told (`phase_results`), one of them is what the answer is about (`_about`), and what is
to be distrusted is said (`_distrusted`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from amphora.harness.common.as_json import without_odd_numbers
from amphora.harness.common.errors import AnalysisError, InputError
from amphora.harness.control.events import StepEnded
from amphora.harness.control.warmth import SENSOR_DEGC
from amphora.harness.results.bench_effects import bench_checks_of, heeds_warmth, room_degC, zero_warnings
from amphora.harness.results.counters import counter_warnings
from amphora.harness.results.entries import (
    budget_of,
    choose,
    cycle_of,
    end_slope_of,
    entry_of,
    knee_of,
    rests_of,
    start_of,
    temperature_at_first,
)
from amphora.harness.results.preparation import clean, idle_rows, late_zero_A, no_temperature, prepared
from amphora.harness.results.pulses import PULSE_S, is_pulse, kind_of, loaded_s, moved, resistance_table, told_once
from amphora.harness.results.resistances import of_all, place, plain_resistance, resistances_of
from amphora.harness.results.result import BenchOfRun, Budgets, PhaseResult, Resolved, RestLoss, Result, RunWarning
from amphora.harness.results.settled import settled_told
from amphora.harness.results.thermal import reference_of, thermal_of

if TYPE_CHECKING:
    from amphora.harness.analysis.capacity import Figures
    from amphora.harness.analysis.charge import ChargeMetrics
    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Measurement, Record, RunInfo
    from amphora.harness.analysis.resistance import Resistance
    from amphora.harness.analysis.warnings import Warning_
    from amphora.harness.archive.loading import Loaded
    from amphora.harness.results.result import RestResult

SURVEY_STEPS = ("sweep", "rest", "ask")  # a run of these alone surveys a device, not a cell
DAYS_OF_REST_S = 2 * 86_400.0  # a rest as long is judged for self-discharge whatever the recipe


@dataclass(frozen=True, slots=True)
class _Seen:
    """A record as it was integrated: its phases, and of each its amounts and, for a charge, how it went."""

    record: "Record"
    info: "RunInfo"
    totals: "Totals"
    measurement: "Measurement"
    drift_A: float | None  # the zero at the end, where the bench measured one in the evening
    phases: "tuple[Phase, ...]"
    made: "list[Figures]"
    metrics: "list[ChargeMetrics | None]"
    rests: "tuple[RestResult, ...]"


def default_cutoff_V(info: "RunInfo") -> float | None:
    """Return the cut-off that holds when none was asked for: the plan's or map's, else the window's."""
    if info.cutoff_V is not None:
        return info.cutoff_V
    try:
        from amphora.harness.cells.chemistry import load_chemistry

        value = load_chemistry(info.chemistry).cutoff_V
    except (ImportError, InputError):
        return None
    return None if value is None else float(value)


def analyse(loaded: "Loaded", cutoff_V: float | None) -> Result:
    """Return what is found in a loaded run.

    Args:
        loaded: As `loading.load_all` gives it.
        cutoff_V: Another cut-off than the run's own, V.

    Raises:
        InputError: the discharge began below the cut-off that is asked for.
        AnalysisError: no figure can be made from the record.
    """
    info: RunInfo = loaded.info
    own = loaded.header.plan is not None
    record = prepared(loaded.record, own, info)
    limit_V = cutoff_V if cutoff_V is not None else default_cutoff_V(info)
    told = _told_of_the_record(loaded)
    head = _head(loaded, limit_V)
    why_not = _nothing_to_say(loaded, record, own)
    if why_not is not None:
        return replace(head, warnings=_as_warnings([*told, why_not]), budget=Budgets())
    seen = _integrated(record, info, limit_V)
    del record
    entries, kind = phase_results(seen)
    chosen = choose(entries)
    main = chosen if chosen is not None else (len(entries) - 1 if entries else None)
    _check_cutoff(seen, main, cutoff_V)
    resistances, entries = _with_resistances(seen, entries, main, told)
    result = _about(replace(head, rests=seen.rests, record_kind=kind), seen, entries, chosen)
    warnings, result = _distrusted(result, loaded, seen, chosen, resistances)
    result = replace(
        result,
        gaps_unknown=sum(1 for gap in seen.record.gaps if gap.charge_low_Ah is None),
        warnings=told_once(_as_warnings([*told, *warnings])),
        resolved=_resolved(seen),
    )
    return without_odd_numbers(result)


def _head(loaded: "Loaded", limit_V: float | None) -> Result:
    """Return what is known of a run before anything is integrated."""
    info: RunInfo = loaded.info
    return Result(
        cell=info.cell_id,
        run=info.run_id,
        chemistry=info.chemistry,
        form=info.form,
        profile=info.profile,
        created_utc=info.created_utc,
        bench=BenchOfRun(info.bench, info.sensed_at),
        finished=info.finished,
        stop=info.stop,
        rows=int(loaded.record.t_s.size),
        cutoff_V=limit_V,
        start=info.start,
    )


def _told_of_the_record(loaded: "Loaded") -> "list[Warning_]":
    """Return what is to be said of a record before it is looked at: its damage, its sensor, what its import said."""
    from amphora.harness.analysis.late_resistor import as_clipped_on
    from amphora.harness.analysis.warnings import Warning_, late_resistor_told

    told = [Warning_("record", text + ".") for text in loaded.notices]
    told += settled_told(loaded.events)
    odd = int(no_temperature(loaded.record).sum())
    if odd:
        text = (
            f"{odd} reading{'s' if odd > 1 else ''} of the temperature lie{'' if odd > 1 else 's'} outside "
            f"{SENSOR_DEGC[0]:.0f} to {SENSOR_DEGC[1]:.0f} °C, as an open or a short sensor shows: left out."
        )
        told.append(Warning_("sensor-broken", text))
    told += late_resistor_told(as_clipped_on(clean(loaded.record))[1])
    imported = loaded.header.imported
    return told + [Warning_(item.code, item.text) for item in (imported.warnings if imported else ())]


def _nothing_to_say(loaded: "Loaded", record: "Record", own: bool) -> "Warning_ | None":
    """Return why a record says nothing of a cell; None where it may."""
    from amphora.harness.analysis.warnings import Warning_

    rows = loaded.record.t_s.size
    if rows < 2:
        return Warning_("empty", f"{rows} reading(s) only: nothing can be said.")
    if record.t_s.size < 2:
        return Warning_("no-current", "No row has both voltage and current: capacity cannot be had.")
    kinds = set(loaded.info.step_kinds)
    if own and "sweep" in kinds and kinds <= {*SURVEY_STEPS, ""}:
        return Warning_("survey", "This run surveys a device, it says nothing about a cell: 'amphora duty from-run'.")
    return None


def _integrated(record: "Record", info: "RunInfo", limit_V: float | None) -> _Seen:
    """Return the record with its running totals, its phases, and what each of them moved."""
    import numpy as np

    from amphora.harness.analysis.bench_checks import improved
    from amphora.harness.analysis.capacity import figures
    from amphora.harness.analysis.charge import charge_metrics
    from amphora.harness.analysis.integration import accumulate
    from amphora.harness.analysis.phases import find_phases

    step_time = record.extra.get("step_time_s")
    totals = accumulate(record, step_time)
    idle = idle_rows(record, info)
    drift_A = late_zero_A(record, idle) if info.zeros else None
    measurement = improved(info, drift_A=drift_A)
    quiet = replace(record, current_A=np.where(idle, 0.0, record.current_A)) if idle.any() else record
    phases = find_phases(quiet, totals)
    if not phases:  # what is left of the current is the meter's own: it steps nowhere, and it moves nothing
        record, totals = quiet, accumulate(quiet, step_time)
    rests = rests_of(quiet, idle, phases, info)
    del quiet, idle  # a second column of a long night
    made, metrics = [], []
    for phase in phases:
        warmth = improved(info, room_degC(record, phase), drift_A) if heeds_warmth(info.measurement) else measurement
        made.append(figures(record, totals, phase, warmth, limit_V if phase.kind == "discharge" else None))
        metrics.append(charge_metrics(record, totals, phase) if phase.kind == "charge" else None)
    return _Seen(record, info, totals, measurement, drift_A, phases, made, metrics, rests)


def phase_results(seen: _Seen) -> tuple[list[PhaseResult], str]:
    """Return each phase as it stands in the answer, its resistances still to come, and what kind of record it is."""
    record, info = seen.record, seen.info
    entries = []
    for index, (phase, found, metric) in enumerate(zip(seen.phases, seen.made, seen.metrics, strict=True)):
        start = start_of(record, info, seen.phases, seen.metrics, seen.made, index)
        entries.append(
            replace(
                entry_of(record, info, phase, found, metric, start),
                end_slope_V=end_slope_of(record, seen.totals, phase, found),
                knee=knee_of(record, seen.totals, phase, found),
            )
        )
    kind = kind_of(info, entries)
    entries = [  # a sag in a pulse is no end
        replace(entry, complete=False, reached_cutoff=False, pulse=True)
        if entry.kind == "discharge" and is_pulse(info, entry, kind)
        else entry
        for entry in entries
    ]
    return entries, kind


def _check_cutoff(seen: _Seen, main: int | None, cutoff_V: float | None) -> None:
    """Refuse a cut-off that the discharge was below before it began."""
    from amphora.harness.analysis.phases import at_main_current

    if cutoff_V is None or main is None or seen.phases[main].kind != "discharge":
        return
    loaded_rows = at_main_current(seen.record, seen.phases[main])
    began_V = float(seen.record.voltage_V[loaded_rows[0]]) if loaded_rows.size else math.inf
    if began_V <= cutoff_V:
        raise InputError(
            f"--cutoff: {cutoff_V:g} V; the discharge began at {began_V:.3f} V under load, and a cut-off below "
            "that is accepted"
        )


def _with_resistances(
    seen: _Seen, entries: list[PhaseResult], main: int | None, told: "list[Warning_]"
) -> "tuple[Sequence[Resistance], list[PhaseResult]]":
    """Return the resistances of the main phase as they were measured, and each phase with its own."""
    measured: Sequence[Resistance] = ()
    found = []
    for index, (phase, entry) in enumerate(zip(seen.phases, entries, strict=True)):
        share_of = seen.made[index].capacity_Ah if entry.complete and phase.kind == "discharge" else None
        own = resistances_of(seen.record, phase, share_of, seen.measurement, told if index == main else [])
        if index == main:
            measured = own
        values = place([plain_resistance(item) for item in own], seen.record, seen.totals)
        found.append(replace(entry, resistances=values))
    return measured, found


_HEADLINES = (
    "capacity_Ah",
    "capacity_U_Ah",
    "capacity_whole_rows_Ah",
    "energy_Wh",
    "energy_U_Wh",
    "mean_voltage_V",
    "duration_s",
    "reached_cutoff",
    "complete",
    "end_voltage_V",
    "resistances",
    "temperature_rise_K",
    "start",
    "main_current_A",
    "temperature_degC",
)


def _charges(result: Result) -> list[int]:
    """Return which phases are charges; of pulses and drives what a brake or a pulse gives back is none."""
    return [
        index
        for index, entry in enumerate(result.phases)
        if entry.kind == "charge" and not (result.record_kind and loaded_s(entry) < PULSE_S)
    ]


def _about(result: Result, seen: _Seen, entries: list[PhaseResult], chosen: int | None) -> Result:
    """Return the answer with the figures of the phases it is about: one discharge, and the charge before it."""
    result = replace(result, phases=tuple(entries))
    if chosen is not None:
        result = replace(result, **{name: getattr(entries[chosen], name) for name in _HEADLINES})
    charges = _charges(result)
    if charges:
        result = _with_charge(result, seen, charges, chosen)
    elif chosen is None and entries:
        result = replace(result, resistances=of_all(entries))
    into_Ah, out_Ah = moved(seen.record, seen.totals)
    result = replace(result, charged_Ah=into_Ah, discharged_Ah=out_Ah, net_charge_Ah=into_Ah - out_Ah)
    table = resistance_table(result.resistances, result.temperature_degC or temperature_at_first(entries))
    budget = Budgets()
    for index in [chosen] if chosen is not None else charges[-1:]:
        budget = Budgets(budget_of(seen.made[index].capacity), budget_of(seen.made[index].energy))
    return replace(result, resistance_table=table, budget=budget)


def _with_charge(result: Result, seen: _Seen, charges: list[int], chosen: int | None) -> Result:
    """Return the answer with the charge that belongs to it: the last before the discharge, else one that is whole."""
    entries = result.phases
    before = [index for index in charges if chosen is None or index < chosen]
    picked = before[-1] if before else charges[-1]
    if chosen is None:
        complete = [index for index in charges if entries[index].complete]
        picked = (complete or charges)[-1]
        result = replace(
            result,
            resistances=of_all(entries) if result.record_kind else entries[-1].resistances,
            temperature_rise_K=entries[picked].temperature_rise_K,
            duration_s=entries[picked].duration_s,
        )
    result = replace(result, charge_Ah=entries[picked].charge_Ah, charge_U_Ah=entries[picked].charge_U_Ah)
    emptied = any(entry.complete for entry in entries[:picked] if entry.kind == "discharge")
    # An efficiency needs a cycle that ends where it began: emptied, charged full, emptied.
    if chosen is not None and before and emptied and entries[chosen].complete and entries[picked].complete:
        result = replace(result, cycle=cycle_of(seen.made[picked], seen.made[chosen]))
    return result


def _distrusted(
    result: Result, loaded: "Loaded", seen: _Seen, chosen: int | None, resistances: "Sequence[Resistance]"
) -> "tuple[list[Warning_], Result]":
    """Return what to distrust in a run, and the answer with what else its record says of bench, warmth and rest."""
    from amphora.harness.analysis.warnings import Warning_, find_warnings
    from amphora.harness.results.leads_measured import leads_warnings, measured_in, step_names
    from amphora.harness.results.repeats_within import repeats_in
    from amphora.harness.results.stated import stated_of

    record, info, phases = seen.record, seen.info, seen.phases
    charges = _charges(result)
    phase = phases[chosen] if chosen is not None else None
    found = seen.made[chosen] if chosen is not None else None
    warnings = find_warnings(
        record, info, seen.totals, phase, found, result.start, result.cutoff_V, resistances,
        result.temperature_rise_K, [phases[index] for index in charges],
    )  # fmt: skip
    warnings += counter_warnings(record, phases, seen.totals)
    passes, told_of_repeats = repeats_in(result.phases, info.chemistry)
    measured = measured_in(record, info, step_names(loaded.header))
    main = phase or (phases[-1] if phases else None)
    thermal = thermal_of(record, info, main, resistances)
    warnings += told_of_repeats + leads_warnings(measured)
    if thermal is not None and thermal.unexplained:
        warnings.append(Warning_("warmed-unexplained", _capital(thermal.unexplained) + "."))
    warnings += zero_warnings(info, seen.drift_A)
    retention = _retention(record, info, warnings)
    # A cell that was full already takes so little that its own readings show no taper; the run asked the supply.
    by_taper = any(isinstance(event, StepEnded) and event.reason == "taper" for event in loaded.events)
    if chosen is None and charges and not result.phases[charges[-1]].complete and not by_taper:
        warnings.append(Warning_("charge-unfinished", "The charge did not end by its taper: it is an 'at least'."))
    if result.record_kind:
        said = _of_kind(result)
        warnings = [said if item.code == "no-discharge" else item for item in warnings]
    return warnings, replace(
        result,
        passes=passes,
        leads_measured=measured,
        thermal=thermal,
        evening=bench_checks_of(info, seen.measurement, seen.drift_A),
        reference_temperature=reference_of(result.temperature_degC),
        stated=stated_of(record, seen.totals, phase, found, result.temperature_degC, result.start),
        retention=retention,
    )


def _retention(record: "Record", info: "RunInfo", told: "list[Warning_]") -> RestLoss | None:
    """Return what days of rest say; None for a run that is not about rest."""
    from amphora.harness.analysis.warnings import Warning_
    from amphora.harness.results.retention import longest_rest, retention_in

    rows = longest_rest(record, info)
    if rows is None:
        return None
    span_s = float(record.t_s[rows.stop - 1] - record.t_s[rows.start])
    if info.profile != "retention" and span_s < DAYS_OF_REST_S:
        return None
    try:
        return retention_in(record, info, rows)
    except AnalysisError as error:
        told.append(Warning_("retention", f"Nothing can be said about self-discharge: {error}."))
        return None


def _of_kind(result: Result) -> "Warning_":
    """Return the warning that a record of pulses or of a changing load says nothing about capacity."""
    from amphora.harness.analysis.warnings import Warning_

    loads = [loaded_s(entry) for entry in result.phases if entry.kind == "discharge"]
    many = f"{len(loads)} loads" if len(loads) != 1 else "one load"
    return Warning_(
        "no-discharge",
        f"This record holds {result.record_kind}: {many}, the longest {max(loads):.0f} s. It shows resistance and the "
        "charge that moved, and says nothing about capacity.",
    )


def _resolved(seen: _Seen) -> Resolved:
    """Return what the integration went by."""
    import numpy as np

    t_s, edges = seen.record.t_s, seen.totals.edges
    stride = max(1, t_s.size // 20000)
    return Resolved(
        edges=int(edges.row.size),
        edges_half_way=edges.how.count("half-way"),
        gaps=len(seen.record.gaps),
        rows_used=int(t_s.size),
        sample_interval_s=float(np.median(np.diff(t_s[::stride]))) / stride,
    )


def _as_warnings(told: "Sequence[Warning_]") -> tuple[RunWarning, ...]:
    return tuple(RunWarning(item.code, item.text) for item in told)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
