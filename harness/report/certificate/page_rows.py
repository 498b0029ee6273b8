"""The tables of the certificate's page: what is stated, as rows of finished text."""

import math
from collections.abc import Sequence
from typing import Any

from amphora.harness.common import words
from amphora.harness.common.as_json import ABSENT
from amphora.harness.report.certificate import footing
from amphora.harness.report.certificate.body import (
    BudgetEntry,
    Certificate,
    CriterionStated,
    GradeStated,
    ItemStated,
    ItemUncertainty,
    LeadsStated,
    ResistanceStated,
    ResultsStated,
    RunStated,
    ZeroStated,
)

LEAST_SPREAD = 0.1  # of the capacity
AT_THE_START_S = 3600.0  # a zero taken this early belongs to the start of the run
BUDGET_LINES = 14
CHEMISTRY_WORDS = {
    "li-ion": "lithium-ion, 4.20 V class",
    "li-ion-4.35": "lithium-ion, 4.35 V class",
    "lfp": "lithium iron phosphate",
    "nimh": "nickel-metal hydride",
    "nicd": "nickel-cadmium",
    "lto": "lithium titanate",
    "lead-acid": "lead-acid",
    "auto": "not identified",
}


START_WORDS = {
    "full": "full: charged on this bench to its normal end, at most 4 h before",
    "declared-full": "declared full by the operator; not seen by the bench",
    "unknown": "unknown",
}


def sentence(text: str) -> str:
    """Return a text with a capital at its beginning and a full stop at its end."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def grade_text(grade: GradeStated) -> str:
    """Return the grade's reasons and its decision rule in words."""
    missing = [item.name for item in grade.criteria if item.value is None]
    parts = [_criterion_text(item) for item in grade.criteria if item.value is not None]
    decided = grade.decided_by + (", which was not measured" if grade.decided_by in missing else "")
    said = [f"Decided by {decided}." if decided else ""]
    said.append(sentence(grade.rule))
    said.append("Looked at: " + "; ".join(parts) + "." if parts else "")
    said.append("Not measured: " + ", ".join(missing) + "." if missing else "")
    return " ".join(text for text in said if text)


def _criterion_text(item: CriterionStated) -> str:
    unit = {"mohm": "mΩ", "ohm": "Ω"}.get(item.unit, item.unit)
    value = with_U(item.value, item.U, item.scale).replace(" ± ", "\u00a0±\u00a0")
    limit = f", limit {item.limit * item.scale:.4g}" if item.limit is not None else ""
    remark = f", {item.remark}" if item.remark else ""
    return f"{item.name} {value} {unit} ({item.verdict}{limit}{remark})"


def with_U(value: float | None, U: float | None, scale: float = 1.0) -> str:
    """Return `value ± U` as paper shows it: a thin space between thousands."""
    return words.with_U(value, U, scale, unknown="not measured", thousands="\u202f")


def _hours(seconds: float | None) -> str:
    if seconds is None:
        return "not measured"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def found_alike(results: ResultsStated) -> list[ResistanceStated]:
    """Return the resistances found after the same time as the one that stands for the cell, most charged first."""
    main = results.main_resistance
    if main is None:
        return []
    return sorted(
        (
            item
            for item in results.resistances
            if item.ohm is not None and item.duration_s == main.duration_s and item.method == main.method
        ),
        key=lambda item: -(item.charge_state if item.charge_state is not None else 2.0),
    )


def spread(items: Sequence[ResistanceStated]) -> bool:
    """Tell whether resistances were found at charge states that differ enough to make a curve."""
    states = [item.charge_state for item in items if item.charge_state is not None]
    return len(states) > 1 and max(states) - min(states) >= LEAST_SPREAD


LEADS_SHORT = {"out": "leads out", "in": "leads in", "not known": "leads not known"}


def leads_words(leads: LeadsStated | None) -> str:
    """Return in words whether leads and holder are in the resistances of a run; as `amphora analyse` says it."""
    if leads is None or leads.state not in ("in", "out"):
        return "not known whether leads and holder are in: nothing says where it is sensed"
    if leads.state == "in":
        return "leads and holder are in: sensed at the load, two wires"
    if leads.ohm is None:
        return "leads and holder are out: sensed at the cell, four wires"
    measured = with_U(leads.ohm, leads.U_ohm, 1000)
    return f"leads and holder, {measured} mΩ, are taken out (measured by {leads.from_run})"


def zero_words(zeros: Sequence[ZeroStated]) -> str:
    """Return what the current showed with nothing flowing, when, and whether it was taken out of the readings."""
    if not zeros:
        return "not measured: nothing was taken out of the current"
    latest = {zero.instrument: zero for zero in zeros}
    rests: dict[str, list[str]] = {}
    for zero in latest.values():
        U_A = None if zero.standard_u_A is None else 2 * zero.standard_u_A
        when = "at the start" if (zero.t_s or 0.0) < AT_THE_START_S else f"{_hours(zero.t_s)} after the start"
        count = f", {zero.readings:.0f} readings in {zero.duration_s or 0.0:.0f} s" if zero.readings else ""
        done = "taken out" if zero.taken_out else "not taken out (the specification is better)"
        sign = "+" if (zero.current_A or 0.0) > 0 else ""
        value = with_U(zero.current_A, U_A, 1000).replace("-", "\u2212")
        rests.setdefault(f"{done}, shown with all off {when}{count}", []).append(f"{zero.instrument} {sign}{value}")
    more = len(zeros) - len(latest)
    said = [f"{', '.join(values)} mA {rest}" for rest, values in rests.items()]
    return "; ".join(said) + (f"; {more} earlier attached" if more else "")


def _resistance_lines(results: ResultsStated) -> list[list[str]]:
    main, alike = results.main_resistance, found_alike(results)
    shown = alike if len(alike) <= 3 or main is None else [alike[0], main, alike[-1]]
    if main is not None and not spread(alike):
        shown = [main]
    rows = []
    for n, item in enumerate(shown):
        if item in shown[:n]:
            continue
        details = [item.method or "current step"]
        if item.current_A is not None:
            details.append(f"{abs(item.current_A):.3g} A step")
        if item.duration_s is not None and not details[0].startswith(f"{item.duration_s:.3g} s "):
            details.append(f"after {item.duration_s:.3g} s")
        if item.charge_state is not None:
            details.append(f"at {item.charge_state * 100:.0f} % charge")
        rows.append(["DC resistance", with_U(item.ohm, item.U_ohm, 1000), "mΩ", ", ".join(details)])
    more = len([item for item in results.resistances if item.ohm is not None]) - len(rows)
    if rows and more > 0:
        rows[-1][3] += f"; {more} more attached"
    return rows


def _start_words(run: RunStated) -> str:
    start = run.results.start
    if start == "full" and run.start_from is not None:
        return f"full: by the charge in {run.start_from.run}, which the cell's account knows to have filled it"
    if start == "full" and run.imported:
        seen = run.results.charge_Ah is not None
        return (
            "full: charged to its normal end in the imported readings"
            if seen
            else "full, as stated with the imported readings"
        )
    return START_WORDS.get(start, start)


def _capacity(results: ResultsStated) -> str:
    return with_U(results.capacity_Ah, results.capacity_U_Ah, 1000)


def _resistance(item: ResistanceStated | None, otherwise: str) -> str:
    return otherwise if item is None else with_U(item.ohm, item.U_ohm, 1000)


def _down_to(run: RunStated) -> str:
    return f"to {run.cutoff_V:.2f} V" if run.cutoff_V else "to the cut-off"


def rows_of(run: RunStated, item: ItemUncertainty | None = None) -> list[list[str]]:
    """Return the results of one run, a row each: quantity, value, unit, how; `item`: U of the cell as an item."""
    r = run.results
    mainly = f", mainly at {abs(run.main_current_A):.3f} A" if run.main_current_A else ""
    rows = [["Capacity", _capacity(r), "mAh", f"discharge {_down_to(run)}{mainly}"]]
    if item is not None:
        rows.append(["The cell as an item", with_U(r.capacity_Ah, item.capacity_U_Ah, 1000), "mAh", item.text])
    rows.append(["Energy", with_U(r.energy_Wh, r.energy_U_Wh), "Wh", f"in {_hours(r.duration_s)}"])
    rows += _resistance_lines(r)
    if r.charge_Ah is not None:
        value = with_U(r.charge_Ah, r.charge_U_Ah, 1000)
        rows.append(["Charge accepted", value, "mAh", "in the charge in the same readings"])
    rise, rise_U = r.temperature_rise_K, r.rise_U_K
    if rise is None:
        return [*rows, ["Temperature rise", "not measured", "", ""]]
    value = with_U(rise, rise_U) if rise_U else f"{rise:.1f}"
    unsure = "" if rise_U else "; its uncertainty is not known"
    return [*rows, ["Temperature rise", value, "K", f"highest above the rest before{unsure}"]]


def each_run(runs: Sequence[RunStated], most: int) -> dict[str, Any] | None:
    """Return the latest `most` of several runs, newest first, a row each; None for one run."""
    if len(runs) < 2:
        return None
    leads_differ = len({run.leads_state for run in runs}) > 1
    rows = []
    for run in reversed(runs[-most:]):
        r = run.results
        resistance = r.main_resistance
        conditions = [_down_to(run)]
        conditions += [f"at {abs(run.main_current_A):.3f} A"] if run.main_current_A else []
        conditions += [LEADS_SHORT[run.leads_state]] if resistance and leads_differ else []
        conditions += ["from declared full"] if r.start == "declared-full" else []
        rows.append(
            [
                run.name,
                _capacity(r),
                with_U(r.energy_Wh, r.energy_U_Wh),
                _resistance(resistance, "–"),
                ", ".join(conditions),
            ]
        )
    hidden = len(runs) - len(rows)
    return {
        "columns": ["Run", "Capacity, mAh", "Energy, Wh", "DC resistance, mΩ", "Discharge"],
        "rows": rows,
        "more": f"{hidden} earlier {'run' if hidden == 1 else 'runs'} in the attached data" if hidden else "",
    }


def about_item(item: ItemStated, none: str) -> list[list[str]]:
    """Return what is said of the cell, a row each; `none` stands where nothing is stated."""
    claim = f"{item.claim_Ah * 1000:.0f} mAh (unproven)" if item.claim_Ah is not None else "none known"
    found = (
        f"{item.as_found_V:.3f} V" if item.as_found_V is not None else "voltage not recorded",
        f"{item.mass_g:g} g" if item.mass_g is not None else "",
        f"received {item.as_found_utc[:10]}" if item.as_found_utc else "date of receipt not recorded",
    )
    held = "in quarantine on the register: not cleared for use; " if item.quarantined else ""
    chemistry = CHEMISTRY_WORDS.get(item.chemistry, item.chemistry)
    how = "measured" if item.chemistry_found == "measured" else "as entered in the register"
    return [
        ["Identification", ", before: ".join([item.id, *(item.former_ids or ())])],
        ["Form", item.form or none],
        ["Chemistry", f"{chemistry} ({how})"],
        ["Came out of", item.source or none],
        ["Markings", item.markings or "none entered"],
        ["Claimed capacity", claim],
        ["As found", ", ".join(part for part in found if part)],
        ["Condition", held + (item.condition or "no inspection recorded")],
    ]


def about_test(stated: Certificate, none: str) -> list[list[str]]:
    """Return what is said of the test and of who answers for it, a row each."""
    issuer, last = stated.issuer, stated.last
    dates = sorted({run.started_utc[:10] for run in stated.runs if run.started_utc})
    tested = ", ".join(dates) if len(dates) < 4 else f"{dates[0]} to {dates[-1]}, on {len(dates)} days"
    used = dict.fromkeys(one for run in stated.runs for one in run.instruments)
    instruments = [f"{one.role or one.name}: {one.identity}" for one in used]
    temperature = (
        f"{last.start_temperature_degC:.1f} °C at the start" if last.start_temperature_degC is not None else "",
        f"highest {last.highest_temperature_degC:.1f} °C" if last.highest_temperature_degC is not None else "",
    )
    not_stated = "see the rise below" if last.results.temperature_rise_K is not None else "not measured"
    return [
        ["Issued by", issuer.bench or "a private bench, name not stated"],
        ["Place of test", issuer.place or none],
        ["Answered for by", issuer.operator or none],
        ["Made for", issuer.customer or "whoever holds the cell"],
        ["Tested (UTC)", tested or none],
        ["Run", last.name if len(stated.runs) == 1 else f"{last.name}, the last of {len(stated.runs)}"],
        ["Issued", stated.issued],
        ["Charge at the start", _start_words(last)],
        ["Temperature", ", ".join(part for part in temperature if part) or not_stated],
        ["Instruments", "; ".join(instruments) or "not recorded"],
    ]


def about_readings(stated: Certificate) -> list[list[str]]:
    """Return what was done to the readings, what came before them, and how the cell stands now, a row each."""
    run = stated.last
    rows = [["Current zero", "not known of imported readings" if run.imported else zero_words(run.current_zero)]]
    if run.results.resistances:
        rows.append(["Resistance", leads_words(run.leads)])
    before = "" if stated.charge_before is ABSENT else footing.charge_words(stated.charge_before)
    if before:
        rows.append(["Charge before", before])
    if stated.hand_over is not ABSENT:
        rows += footing.hand_over_words(stated.hand_over)
    round_trip = "" if run.cycle is ABSENT else footing.cycle_words(run.cycle)
    rows.append(["Round trip", round_trip or "not measured: no whole cycle in this run"])
    return rows


def headline(stated: Certificate) -> list[dict[str, str]]:
    """Return the three values at the top of the page: capacity, energy, resistance."""
    last = stated.last
    results = last.results
    resistance = results.main_resistance
    several = f", last of {len(stated.runs)} runs" if len(stated.runs) > 1 else ""
    notes = []
    if resistance is not None:
        notes += [f"{resistance.duration_s:.3g} s"] if resistance.duration_s is not None else []
        if notes and resistance.charge_state is not None:
            notes.append(f"{resistance.charge_state * 100:.0f} % charge")
        notes.append(LEADS_SHORT[last.leads_state])
    mean = f"mean {results.mean_voltage_V:.3f} V" if results.mean_voltage_V is not None else ""
    energy = with_U(results.energy_Wh, results.energy_U_Wh)
    return [
        _value("Capacity", _capacity(results), "mAh", f"{_down_to(last)}, this test{several}"),
        _value("Energy", energy, "Wh" if results.energy_Wh is not None else "", mean),
        _value("DC resistance", _resistance(resistance, "not measured"), "mΩ" if resistance else "", ", ".join(notes)),
    ]


def _value(name: str, value: str, unit: str, note: str) -> dict[str, str]:
    return {"name": name, "value": value, "unit": unit, "note": note}


def _scaled(value: float | None, unit: str) -> str:
    """Return a quantity at two digits with the prefix that suits it; a ratio in per cent or parts a million."""
    if value is None:
        return ""
    size = abs(value)
    if unit in ("", "1"):
        return f"{value * 100:.2g} %" if size >= 1e-5 or not size else f"{value * 1e6:.2g} ppm"
    for least, factor, prefix in ((1.0, 1.0, ""), (1e-3, 1e3, "m"), (1e-6, 1e6, "µ"), (1e-9, 1e9, "n")):
        if size >= least and len(unit) <= 3:
            return f"{float(f'{value * factor:.2g}'):g} {prefix}{unit}"
    return f"{value:.2g} {unit}"


def _share(part: float) -> str:
    return "< 1 %" if 0.0 < part < 0.01 else f"{100 * part:.0f} %"


def budget(run: RunStated) -> dict[str, Any]:
    """Return the uncertainty budget of a run's capacity, largest share first, its sum last."""
    lines = sorted(run.budget, key=lambda line: -abs(line.contribution_Ah or 0.0))
    total = math.fsum((line.contribution_Ah or 0.0) ** 2 for line in lines)
    hidden = len(lines) - BUDGET_LINES
    U = run.results.capacity_U_Ah
    return {
        "columns": ["Contribution from", "Standard u", "Type", "In the capacity, mAh", "Share", "Note"],
        "rows": [_budget_row(line, total) for line in lines[:BUDGET_LINES]],
        "sum": ["Expanded uncertainty U", "", "", f"{U * 1000:.2g}", "", "k = 2, about 95 %"] if U is not None else [],
        "more": f"{hidden} smaller ones in the attached data" if hidden > 0 else "",
    }


def _budget_row(line: BudgetEntry, total: float) -> list[str]:
    part = line.contribution_Ah
    return [
        line.name + (" (assumed)" if line.assumed else ""),
        _scaled(line.standard_u, line.unit),
        line.type,
        f"{abs(part) * 1000:.2g}" if part is not None else "",
        _share(part**2 / total) if part is not None and total else "",
        line.note,
    ]
