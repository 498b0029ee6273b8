"""The figures of a loaded run as its own record gives them; no file is opened here.

`figures` loads and keeps them, `across_runs` adds what other runs say.
"""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from amphora.harness.common.errors import AnalysisError, InputError
from amphora.harness.common.fields import finite
from amphora.harness.control.warmth import SENSOR_DEGC
from amphora.harness.results.bench_effects import evening_of, heeds_warmth, room_degC, zero_warnings
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
from amphora.harness.results.resistances import of_all, place, plain_resistance, resistances_of
from amphora.harness.results.settled import settled_told
from amphora.harness.results.thermal import reference_of, thermal_of

if TYPE_CHECKING:
    from amphora.harness.analysis.capacity import Figures
    from amphora.harness.analysis.charge import ChargeMetrics
    from amphora.harness.analysis.records import Record, RunInfo

SURVEY_STEPS = ("sweep", "rest", "ask")  # a run of these alone surveys a device, not a cell
DAYS_OF_REST_S = 2 * 86_400.0  # a rest as long is judged for self-discharge whatever the recipe


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


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


def _broken_sensor(record: "Record") -> list[Any]:
    """Return the warning that readings of the temperature are none that a cell has."""
    from amphora.harness.analysis.warnings import Warning_

    odd = int(no_temperature(record).sum())
    if not odd:
        return []
    text = (
        f"{odd} reading{'s' if odd > 1 else ''} of the temperature lie{'' if odd > 1 else 's'} outside "
        f"{SENSOR_DEGC[0]:.0f} to {SENSOR_DEGC[1]:.0f} °C, as an open or a short sensor shows: left out."
    )
    return [Warning_("sensor-broken", text)]


def analyse(loaded: Any, cutoff_V: float | None) -> dict[str, Any]:
    """Return the figures of a loaded run as plain data."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.bench_checks import improved
    from amphora.harness.analysis.capacity import figures
    from amphora.harness.analysis.charge import charge_metrics
    from amphora.harness.analysis.integration import accumulate
    from amphora.harness.analysis.late_resistor import as_clipped_on
    from amphora.harness.analysis.phases import at_main_current, find_phases
    from amphora.harness.analysis.warnings import Warning_, find_warnings, late_resistor_told
    from amphora.harness.results.leads_measured import leads_warnings, measured_in, step_names
    from amphora.harness.results.passes import passes_in
    from amphora.harness.results.pulses import PULSE_S, is_pulse, kind_of, loaded_s, moved, resistance_table, told_once
    from amphora.harness.results.stated import stated_of

    info: RunInfo = loaded.info
    own = loaded.run.get("plan") is not None
    record = prepared(loaded.record, own, info)
    limit_V = cutoff_V if cutoff_V is not None else default_cutoff_V(info)
    base: dict[str, Any] = {
        "cell": info.cell_id,
        "run": info.run_id,
        "chemistry": info.chemistry,
        "form": info.form,
        "profile": info.profile,
        "created_utc": info.created_utc,
        "bench": {key: info.bench.get(key) for key in ("name", "sensed_at")},
        "finished": info.finished,
        "stop": info.stop,
        "rows": int(loaded.record.t_s.size),
        "cutoff_V": limit_V,
    }
    told = [Warning_("record", text + ".") for text in loaded.notices]
    told += settled_told(loaded.events)
    told += _broken_sensor(loaded.record)
    told += late_resistor_told(as_clipped_on(clean(loaded.record))[1])
    told += [
        Warning_(str(item.get("code", "import")), str(item.get("text", "")))
        for item in (loaded.run.get("imported") or {}).get("warnings", [])
    ]
    if record.t_s.size < 2:
        if loaded.record.t_s.size < 2:
            told.append(Warning_("empty", f"{loaded.record.t_s.size} reading(s) only: nothing can be said."))
        else:
            told.append(Warning_("no-current", "No row has both voltage and current: capacity cannot be had."))
        return {**base, **_nothing(info), "phases": [], "warnings": [_plain(item) for item in told], "budget": {}}
    step_time = record.extra.get("step_time_s")
    totals = accumulate(record, step_time)
    if own and "sweep" in info.step_kinds and set(info.step_kinds) <= {*SURVEY_STEPS, ""}:
        told.append(
            Warning_("survey", "This run surveys a device, it says nothing about a cell: 'amphora duty from-run'.")
        )
        return {**base, **_nothing(info), "phases": [], "warnings": [_plain(item) for item in told], "budget": {}}
    idle = idle_rows(record, info)
    drift_A = late_zero_A(record, idle) if info.zeros else None
    measurement = improved(info, drift_A=drift_A)
    quiet = record
    if idle.any():
        quiet = dataclasses.replace(record, current_A=np.where(idle, 0.0, record.current_A))
    phases = find_phases(quiet, totals)
    if not phases:  # what is left of the current is the meter's own: it steps nowhere, and it moves nothing
        record, totals = quiet, accumulate(quiet, step_time)
    rests = rests_of(quiet, idle, phases, info)
    del quiet, idle  # a second column of a long night
    entries: list[dict[str, Any]] = []
    made: list[Figures] = []
    metrics: list[ChargeMetrics | None] = []
    for phase in phases:
        warmth = measurement
        if heeds_warmth(info.measurement):
            warmth = improved(info, room_degC(record, phase), drift_A)
        found = figures(record, totals, phase, warmth, limit_V if phase.kind == "discharge" else None)
        made.append(found)
        metrics.append(charge_metrics(record, totals, phase) if phase.kind == "charge" else None)
    for index, phase in enumerate(phases):
        start = start_of(record, info, phases, metrics, made, index)
        entries.append(entry_of(record, info, phase, made[index], metrics[index], start))
        entries[-1]["end_slope_V"] = end_slope_of(record, totals, phase, made[index])
        entries[-1]["knee"] = knee_of(record, totals, phase, made[index])
    record_kind = kind_of(info, entries)
    for entry in entries:
        if entry["kind"] == "discharge" and is_pulse(info, entry, record_kind):  # a sag in a pulse is no end
            entry.update(complete=False, reached_cutoff=False, pulse=True)
    chosen = choose([entry["kind"] for entry in entries], entries)
    main = chosen if chosen is not None else (len(entries) - 1 if entries else None)
    if cutoff_V is not None and main is not None and phases[main].kind == "discharge":
        loaded_rows = at_main_current(record, phases[main])
        began_V = float(record.voltage_V[loaded_rows[0]]) if loaded_rows.size else math.inf
        if began_V <= cutoff_V:
            raise InputError(
                f"--cutoff: {cutoff_V:g} V; the discharge began at {began_V:.3f} V under load, and a cut-off below "
                "that is accepted"
            )
    result = {**base, **_nothing(info)}
    phase_main = phases[main] if main is not None else None
    resistances: Sequence[Any] = ()
    if phase_main is not None and main is not None:
        share_of = made[main].capacity_Ah if entries[main]["complete"] and phase_main.kind == "discharge" else None
        resistances = resistances_of(record, phase_main, share_of, measurement, told)
    for index, phase in enumerate(phases):
        if index == main:
            entries[index]["resistances"] = [plain_resistance(item) for item in resistances]
        else:
            share_of = made[index].capacity_Ah if entries[index]["complete"] and phase.kind == "discharge" else None
            entries[index]["resistances"] = [
                plain_resistance(item) for item in resistances_of(record, phase, share_of, measurement, [])
            ]
    for entry in entries:
        place(entry["resistances"], record, totals)
    if chosen is not None:
        result.update({key: entries[chosen][key] for key in _HEADLINES})
    # Of pulses and drives what a brake or a pulse gives back is no charge.
    no_charge = [bool(record_kind) and loaded_s(entry) < PULSE_S for entry in entries]
    charges = [index for index, phase in enumerate(phases) if phase.kind == "charge" and not no_charge[index]]
    before = [index for index in charges if chosen is None or index < chosen]
    if charges:
        picked = before[-1] if before else charges[-1]
        if chosen is None:
            complete = [index for index in charges if entries[index]["complete"]]
            picked = (complete or charges)[-1]
            result["resistances"] = entries[main]["resistances"] if main is not None else []
            if record_kind:
                result["resistances"] = of_all(entries)
            result["temperature_rise_K"] = entries[picked]["temperature_rise_K"]
            result["duration_s"] = entries[picked]["duration_s"]
        result["charge_Ah"] = entries[picked]["charge_Ah"]
        result["charge_U_Ah"] = entries[picked]["charge_U_Ah"]
        emptied = any(
            entries[index]["complete"] for index, phase in enumerate(phases[:picked]) if phase.kind == "discharge"
        )
        # An efficiency needs a cycle that ends where it began: emptied, charged full, emptied.
        if chosen is not None and before and emptied and entries[chosen]["complete"] and entries[picked]["complete"]:
            result["cycle"] = cycle_of(made[picked], made[chosen])
    if chosen is None and entries and not charges:
        result["resistances"] = of_all(entries)
    result.update(moved(record, totals), record_kind=record_kind)
    result["resistance_table"] = resistance_table(
        result["resistances"], result["temperature_degC"] or temperature_at_first(entries)
    )
    warnings = told + find_warnings(
        record,
        info,
        totals,
        phases[chosen] if chosen is not None else None,
        made[chosen] if chosen is not None else None,
        result["start"],
        limit_V,
        resistances,
        result["temperature_rise_K"],
        [phases[index] for index in charges],
    )
    warnings += counter_warnings(record, phases, totals)
    result["passes"], told_of_passes = passes_in(entries, info.chemistry)
    warnings += told_of_passes
    result["leads_measured"] = measured_in(record, info, step_names(loaded.run))
    warnings += leads_warnings(result["leads_measured"])
    result["thermal"] = thermal_of(record, info, phase_main, resistances)
    if (result["thermal"] or {}).get("unexplained"):
        warnings.append(Warning_("warmed-unexplained", _capital(result["thermal"]["unexplained"]) + "."))
    warnings += zero_warnings(info, drift_A)
    result["evening"] = evening_of(info, measurement, drift_A)
    result["reference_temperature"] = reference_of(result["temperature_degC"])
    result["stated"] = stated_of(
        record, totals, None if chosen is None else phases[chosen], None if chosen is None else made[chosen],
        result["temperature_degC"], result["start"],
    )  # fmt: skip
    result["retention"] = _retention(record, info, warnings)
    # A cell that was full already takes so little that its own readings show no taper; the run asked the supply.
    by_taper = any(event.get("kind") == "step-ended" and event.get("reason") == "taper" for event in loaded.events)
    if chosen is None and charges and not entries[charges[-1]]["complete"] and not by_taper:
        warnings.append(Warning_("charge-unfinished", "The charge did not end by its taper: it is an 'at least'."))
    result["phases"] = entries
    result["rests"] = rests
    result["gaps_unknown"] = sum(1 for gap in record.gaps if gap.charge_low_Ah is None)
    if record_kind:
        warnings = [_of_kind(record_kind, entries) if item.code == "no-discharge" else item for item in warnings]
    result["warnings"] = told_once([_plain(item) for item in warnings])
    result["resolved"] = {
        "edges": int(totals.edges.row.size),
        "edges_half_way": totals.edges.how.count("half-way"),
        "gaps": len(record.gaps),
        "rows_used": int(record.t_s.size),
        "sample_interval_s": float(np.median(np.diff(record.t_s[:: max(1, record.t_s.size // 20000)])))
        / max(1, record.t_s.size // 20000),
    }
    result["budget"] = {}
    for index in [chosen] if chosen is not None else charges[-1:]:
        result["budget"] = {"capacity": budget_of(made[index].capacity), "energy": budget_of(made[index].energy)}
    answer: dict[str, Any] = finite(result)
    return answer


def _retention(record: "Record", info: "RunInfo", told: list[Any]) -> dict[str, Any] | None:
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


def _nothing(info: "RunInfo") -> dict[str, Any]:
    """Return the keys of an answer, empty."""
    return {
        "capacity_Ah": None,
        "capacity_U_Ah": None,
        "capacity_whole_rows_Ah": None,
        "charge_Ah": None,
        "charge_U_Ah": None,
        "energy_Wh": None,
        "energy_U_Wh": None,
        "mean_voltage_V": None,
        "duration_s": None,
        "reached_cutoff": False,
        "complete": False,
        "end_voltage_V": None,
        "resistances": [],
        "temperature_rise_K": None,
        "temperature_degC": None,
        "main_current_A": None,
        "start": info.start,
        "cycle": None,
        "stated": None,
        "retention": None,
        "evening": None,
        "thermal": None,
        "reference_temperature": None,
        "leads_measured": None,
        "passes": None,
        "rests": [],
        "gaps_unknown": 0,
        "charged_Ah": None,
        "discharged_Ah": None,
        "net_charge_Ah": None,
        "record_kind": "",
        "resistance_table": None,
        "k": 2.0,
    }


def _plain(item: Any) -> dict[str, str]:
    return {"code": item.code, "text": item.text}


def _of_kind(kind: str, entries: list[dict[str, Any]]) -> Any:
    """Return the warning that a record of pulses or of a changing load says nothing about capacity."""
    from amphora.harness.analysis.warnings import Warning_
    from amphora.harness.results.pulses import loaded_s

    loads = [loaded_s(entry) for entry in entries if entry["kind"] == "discharge"]
    many = f"{len(loads)} loads" if len(loads) != 1 else "one load"
    return Warning_(
        "no-discharge",
        f"This record holds {kind}: {many}, the longest {max(loads):.0f} s. It shows resistance and the charge that "
        "moved, and says nothing about capacity.",
    )
