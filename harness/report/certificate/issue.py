"""The certificate that goes with a cell: what it says, and its pages.

`certificate_data` makes the data from finished runs; everything printed comes from that data alone, so
`render` gives the same bytes for the same data (fixed fonts, fixed layout, the date of issue as the
only time). `seal` writes the bench's signature over the whole file into a PDF comment before the cross
reference table, where PDF allows comments; the data inside the file is signed a second time by itself, so
that it can be taken out and still be checked.

Contents after ISO/IEC 17025:2017, clause 7.8.2.1 a to p, as far as they apply to a private bench; it is no
accredited certificate and says so. Numbers are rounded to nine significant digits in the data and to
two digits of their expanded uncertainty on the page. Capacity and energy positive; current into the cell.
"""

import dataclasses
import datetime
import json
import math
import re
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any, Literal

import amphora.harness
from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_beside
from amphora.harness.account.gate import require
from amphora.harness.analysis.bench_checks import zero_is_used
from amphora.harness.archive.journal import write_out
from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import FILES, RUN, is_simulated, read_header
from amphora.harness.archive.shelf import cell_id_now
from amphora.harness.cells.chemistry import KEYS, load_chemistry
from amphora.harness.common.errors import AmphoraError, InputError, Refused
from amphora.harness.decisions.comparison import read_runs
from amphora.harness.decisions.grades import grade_runs, load_criteria
from amphora.harness.report.certificate import footing
from amphora.harness.report.certificate.canonical import (
    RFC_8785,
    canonical_bytes,
    from_canonical,
    sha256_file,
    sha256_hex,
)
from amphora.harness.report.certificate.keys import Signer, bench_key, fingerprint, to_text
from amphora.harness.report.certificate.page import layout_digest, render
from amphora.harness.report.certificate.seal import seal
from amphora.harness.results.chosen import chosen_of
from amphora.harness.results.result import LeadsState, PhaseResult, ResistanceValue, Result

FORMAT = "amphora-certificate/1"
NOT_A_CAPACITY = ("capacity-implausible", "scale-doubtful", "resistor-late", "resistance-late")
CURVE_POINTS = 240
_TEXT_LIMIT = 1200
_KEPT = "\u00a0\u202f\u200c\u200d"  # spaces that do not break, joiners of letters; never a turn of direction
REST_H = 1.0  # IEC 61960-3, 7.3.1: 1 to 4 h between charge and discharge
MOST_RUNS = 12
MOST_RESISTANCES = 400

NOT_TESTED = (
    "safety in misuse (overcharge, short circuit, crushing, heat)",
    "insulation and any protective circuit",
    "cycle life and remaining service life",
    "performance in cold, in heat and at high current",
    "loss of charge in storage, unless a result above says so",
    "whether markings and origin are true",
    "the tests that transport rules ask for (UN 38.3)",
)
STATEMENTS = (
    "The results relate only to the one item described here, as it was on the dates given.",
    "No accredited test or calibration certificate: the bench is not an accredited laboratory. No safety "
    "approval, no type approval, no promise of service life.",
    "No statement of conformity with any standard for reuse, repurposing or transport: those ask for a "
    "recorded history or for tests that were not made.",
    "To be copied only in full.",
)
ADDED = {"": ("traceability", "cycle"), "results": ("temperature_rise_U_K",)}  # what older certificates do not state
CAUTIONS_LITHIUM = (
    "Lithium-ion cells can burn. Charge only with a charger made for this chemistry and limit, on a surface "
    "that cannot burn, between {low:g} and {high:g} °C, with somebody in reach; fuse each cell; never short, open, "
    "crush or heat it.",
    "Do not use or charge a cell that is swollen, dented, leaking, reversed, hot at rest or found below "
    "{reject:.1f} V; hissing, smoke, odour or swelling: get away and call for help.",
    "Posting: by air at most 30 % charged and only as the carrier's rules allow (UN 3480); a damaged or "
    "undiagnosed cell is not posted at all. Never into household waste; tape the terminals first.",
    "Local rules and qualified people come before this paper.",
)
CAUTIONS_OTHER = (
    "Cells hold energy: fuse each cell; never short, open, crush or heat it; charge only with a charger made for "
    "this chemistry, with somebody in reach.",
    "Do not use or charge a cell that is swollen, dented, leaking or reversed.",
    "Posting only as the carrier's rules allow; a damaged or undiagnosed cell is not posted at all. Never into "
    "household waste; tape the terminals first.",
    "Local rules and qualified people come before this paper.",
)
GRADE_RULE = (
    "A limit counts as met when the value is beyond it by its expanded uncertainty (k = 2), as not met when it fails "
    "by it, as open in between; an open criterion does not raise the grade. Limits are the bench's own, not those of a "
    "standard."
)


@dataclass(frozen=True)
class Issue:
    """What only the person who issues a certificate can say. Empty text: not stated."""

    issued: datetime.date
    operator: str = ""
    place: str = ""
    bench: str = ""
    customer: str = ""
    pages: int = 1  # 2: with large curves and the uncertainty budget


@dataclass(frozen=True)
class RunInput:
    """One run for a certificate.

    `result` is what `amphora analyse` gives, `curve` its discharge as (charge out in Ah, volt) pairs.
    """

    folder: Path
    run: dict[str, Any]
    result: Result
    curve: list[tuple[float, float]]
    cutoff_given_V: float | None = None  # another one than the run's own


def _number(value: Any) -> float | None:
    """Return a finite number at nine significant digits, or None."""
    if hasattr(value, "item"):  # a number of numpy
        value = value.item()
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(f"{value:.9g}") if math.isfinite(value) else None


def _text(value: Any) -> str:
    """Return text for the certificate: one paragraph, no control characters, of bounded length."""
    text = "" if value is None else str(value)
    text = "".join(char if char.isprintable() or char in _KEPT else " " for char in text)
    text = re.sub(r" +", " ", text).strip(" ")
    return text if len(text) <= _TEXT_LIMIT else text[: _TEXT_LIMIT - 1] + "…"


def _thinned(items: Sequence[ResistanceValue]) -> list[ResistanceValue]:
    """Return at most about `MOST_RESISTANCES` of many resistances, the one that stands for the cell among them."""
    stride = math.ceil(len(items) / MOST_RESISTANCES) if items else 1
    main = chosen_of(items)
    return [item for n, item in enumerate(items) if n % stride == 0 or item == main]


def results_of(result: Result) -> dict[str, Any]:
    """Return the numbers of one analysed run that a certificate states, all rounded alike."""
    names = (
        "capacity_Ah", "capacity_U_Ah", "charge_Ah", "charge_U_Ah", "energy_Wh", "energy_U_Wh", "mean_voltage_V",
        "duration_s", "end_voltage_V", "temperature_rise_K",
    )  # fmt: skip
    stated: dict[str, Any] = {name: _number(getattr(result, name)) for name in names}
    stated["temperature_rise_U_K"] = _number(result.thermal.rise_U_K if result.thermal else None)
    stated["reached_cutoff"] = result.reached_cutoff
    stated["start"] = result.start
    of_each = ("ohm", "U_ohm", "current_A", "duration_s", "charge_state", "t_s")
    stated["resistances"] = [
        {"method": item.method, **{name: _number(getattr(item, name)) for name in of_each}}
        for item in _thinned(result.resistances)
    ]
    return stated


def budget_of(result: Result) -> list[dict[str, Any]]:
    """Return the lines of the capacity's uncertainty budget; contributions in ampere-hour."""
    table = result.budget.capacity if result.budget else None
    return [
        {
            "name": _text(line.name),
            "standard_u": _number(line.standard_u),
            "unit": _text(line.unit),
            "contribution_Ah": _number(line.contribution),
            "type": _text(line.type),
            "assumed": line.assumed,
            "note": _text(line.note),
        }
        for line in (table.lines if table else ())
    ]


def discharge_curve(charge_Ah: Any, voltage_V: Any, points: int = CURVE_POINTS) -> list[tuple[float, float]]:
    """Thin a curve to at most `points` of its own points, the extremes of each stretch kept.

    Args:
        charge_Ah: Charge given so far, shape (n,), rising.
        voltage_V: Voltage, shape (n,).
        points: The most points to keep.
    """
    n = len(charge_Ah)
    if n <= points:
        keep = list(range(n))
    else:
        kept = {0, n - 1}
        stretches = max(points // 2 - 1, 1)
        for i in range(stretches):
            begin, end = i * n // stretches, (i + 1) * n // stretches
            part = voltage_V[begin:end]
            kept.add(begin + int(part.argmin()))
            kept.add(begin + int(part.argmax()))
        keep = sorted(kept)
    return [(float(f"{float(charge_Ah[i]):.5g}"), float(f"{float(voltage_V[i]):.5g}")) for i in keep]


def _instruments(run: dict[str, Any]) -> list[dict[str, str]]:
    bench = run.get("bench") or {}
    found = []
    for name, item in (bench.get("instruments") or {}).items():
        if isinstance(item, dict):
            found.append(
                {
                    "name": _text(name),
                    "role": _text(item.get("role")),
                    "identity": _text(item.get("identity")) or "identity not read",
                }
            )
    return found


def _specifications(run: dict[str, Any]) -> dict[str, Any]:
    stated: dict[str, Any] = {}
    for channel, item in (run.get("measurement") or {}).items():
        if isinstance(item, dict):
            stated[str(channel)] = {
                key: _number(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
                for key, value in item.items()
                if key in ("gain", "offset", "resolution", "distribution", "k", "assumed")
            }
    return stated


def _current_zero(run: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what each instrument showed with nothing flowing, and whether it was taken out of its readings."""
    names = ("current_A", "standard_u_A", "t_s", "readings", "duration_s")
    return [
        {
            "instrument": _text(zero.get("instrument")),
            **{name: _number(zero.get(name)) for name in names},
            "taken_out": bool(zero.get("taken_out")),
        }
        for zero in run.get("current_zero") or []
    ]


def _leads(result: Result) -> dict[str, Any] | None:
    """Return whether leads and holder are in the resistances, and what was taken out; None without a resistance."""
    if not result.resistances:
        return None
    leads = result.leads or LeadsState("not known", "")
    return {
        "state": leads.state if leads.state in ("in", "out") else "not known",
        "ohm": _number(leads.ohm),
        "U_ohm": _number(leads.U_ohm),
        "from_run": _text(leads.from_run),
        "files_sha256": dict(leads.files_sha256 or {}),
    }


def _resistor(run: dict[str, Any]) -> str:
    """Return the resistor that the cell's current was reckoned from, as the bench file has it; "" for none."""
    bench = run.get("bench") or {}
    tables = bench.get("instruments") or {}
    for name in (bench.get("cell") or {}).get("current") or []:
        table = tables.get(name)
        if isinstance(table, dict) and table.get("shunt"):
            return _text(table["shunt"])
    return ""


def _rest_before_h(run: dict[str, Any], result: Result) -> float | None:
    """Return how long the cell rested between our charge and this discharge, by the run's own plan; None: not known."""
    since = (((run.get("plan") or {}).get("notes") or {}).get("account") or {}).get("full_since")
    chosen = chosen_phase(result)
    try:
        begun = datetime.datetime.fromisoformat(str(run.get("created_utc")))
        left = datetime.datetime.fromisoformat(str(since))
    except ValueError:
        return None
    begin_s = 0.0 if chosen is None else _number(chosen.begin_s) or 0.0
    return ((begun - left).total_seconds() + begin_s) / 3600


def deviations(run: dict[str, Any], result: Result) -> list[str]:
    """Say in words where the test differs from the rated-capacity test of IEC 61960-3:2017.

    Source:
        IEC 61960-3:2017, clauses 4, 7.2, 7.3.1 and 7.7 (contents of the clauses from memory of the
        trade; the fact that they are these clauses was read in the standard's table of contents).
    """
    cell = run.get("cell") or {}
    said: list[str] = []
    key = str((cell.get("identified") or {}).get("chemistry") or result.chemistry or cell.get("chemistry") or "")
    if key and not _lithium(key):
        said.append(
            "Chemistry: the standard is written for secondary lithium cells; of this cell only the method is compared."
        )
    said += _current_deviations(run, result, _number(cell.get("claim_Ah")))
    said += [_temperature_deviation(result), *_charge_deviations(run, result)]
    cutoff = _number(result.cutoff_V or run.get("cutoff_V"))
    said.append(
        f"Cut-off{f' {cutoff:.2f} V' if cutoff else ''}: usual for the chemistry, not declared by the maker. "
        "One discharge, not up to five."
    )
    if result.resistances:
        said.append(
            "Resistance: from the current steps named with each value, not the standard's two-step test unless "
            "named so."
        )
    if run.get("imported"):
        said.append(
            "External provider: the readings were taken by others and imported; the bench did not see the test."
        )
    return [_text(item) for item in said]


def _current_deviations(run: dict[str, Any], result: Result, claim_Ah: float | None) -> list[str]:
    """Say at which rate the cell was discharged, and how its current was held."""
    said = []
    capacity, duration, main = _number(result.capacity_Ah), _number(result.duration_s), _number(result.main_current_A)
    current = abs(main) if main else (capacity / (duration / 3600) if capacity and duration else None)
    if current and capacity:
        said.append(
            f"Rate: {current:.3f} A, which is {current / capacity:.2f} It of the {capacity:.3g} Ah that it holds (the "
            "standard: 0.2 It of the rated capacity, "
            + (
                f"which is not known; the claim of {claim_Ah:g} Ah is unproven)."
                if claim_Ah
                else "which is not known)."
            )
        )
    resistor = _resistor(run)
    if resistor:
        tables = ((run.get("bench") or {}).get("instruments") or {}).values()
        held = any(isinstance(table, dict) and table.get("role") == "load" for table in tables)
        falls = "" if held else "; it falls with the voltage (the standard: a constant current)"
        said.append(f"Current: computed from the voltage over {resistor}{falls}.")
    return said


def _temperature_deviation(result: Result) -> str:
    """Say how warm the cell was, beside the standard's 20 degC."""
    rest = _number(result.temperature_degC)
    if rest is None and result.temperature_rise_K is None:
        return "Temperature: not measured (the standard: 20 ± 5 °C)."
    if rest is None:
        return "Temperature: measured, not controlled (the standard: 20 ± 5 °C)."
    place = "inside" if 15 <= rest <= 25 else "outside"
    return f"Temperature: {rest:.1f} °C at the start, not controlled ({place} the standard's 20 ± 5 °C)."


def _charge_deviations(run: dict[str, Any], result: Result) -> list[str]:
    """Say how the cell was charged before, and how long it rested then."""
    if result.start == "declared-full":
        said = ["Charge before the test: declared full by the operator, not made or seen by the bench."]
    elif run.get("imported"):
        said = ["Charge before the test: as in, or as stated with, the imported readings."]
    else:
        said = ["Charge before the test: this bench's own, by the chemistry's usual limits, not by the maker's method."]
    rest_h = _rest_before_h(run, result)
    if rest_h is not None and rest_h < REST_H:
        said.append(
            f"Rest between charge and discharge: {60 * rest_h:.0f} min (the standard, 7.3.1: 1 h to 4 h); what that "
            "moves is within the uncertainty of the cell as an item."
        )
    return said


def run_statement(item: RunInput) -> dict[str, Any]:
    """Return all that a certificate states of one run, from its folder alone."""
    run, result = item.run, item.result
    return {
        "run_id": str(run.get("run_id") or item.folder.name),
        "profile": _text(run.get("profile") or result.profile),
        "started_utc": _text(run.get("created_utc") or result.created_utc),
        "stop": _text(result.stop),
        "cutoff_V": _number(result.cutoff_V or run.get("cutoff_V")),
        "cutoff_given_V": _number(item.cutoff_given_V),
        "main_current_A": _number(result.main_current_A),
        "results": results_of(result),
        "start_temperature_degC": _number(result.temperature_degC),
        "highest_temperature_degC": _highest(result),
        "warnings": [_text(warning.text) for warning in result.warnings],
        "budget": budget_of(result),
        "current_zero": _current_zero(run),
        "leads": _leads(result),
        "deviations": deviations(run, result),
        "instruments": _instruments(run),
        "specifications": _specifications(run),
        "traceability": footing.traceability(run),
        "cycle": footing.cycle_of(result),
        "imported": bool(run.get("imported")),
        "simulated": is_simulated(run),
        "files_sha256": _digests(item.folder),
        **({"start_from": run["start_from"]} if run.get("start_from") else {}),
        "curve": [[q, v] for q, v in item.curve],
    }


def item_statement(first: RunInput) -> dict[str, Any]:
    """Return what a certificate states of the cell, but its state on the register, from its first run's folder."""
    cell = first.run.get("cell") or {}
    inspection = cell.get("inspection") or {}
    condition = ", ".join(
        f"{key.replace('_', ' ')}: {value}" for key, value in sorted(inspection.items()) if value not in (None, "", [])
    )
    identified = cell.get("identified") or {}
    key = str(identified.get("chemistry") or first.result.chemistry or cell.get("chemistry") or "auto")
    return {
        "id": _text(cell.get("id") or first.result.cell),
        "form": _text(cell.get("form") or first.result.form),
        "chemistry": _text(key),
        "chemistry_found": "measured" if identified.get("chemistry") else "as entered in the shelf register",
        "source": _text(cell.get("source")),
        "markings": _text(cell.get("markings")),
        "claim_Ah": _number(cell.get("claim_Ah")),
        "mass_g": _number(cell.get("mass_g")),
        "as_found_V": _number(cell.get("as_found_V")),
        "as_found_utc": _text(cell.get("as_found_utc")),
        "condition": _text(condition),
        "notes": _text(cell.get("notes")),
    }


def _by_the_account(
    folders: Sequence[Path], inputs: Sequence[RunInput], in_spite_of: Sequence[str]
) -> list[dict[str, Any]]:
    """Return what the issuer takes on of the account's findings; a cell that is on no shelf has no account.

    Raises:
        Refused: the account says no, or ask and nobody took it on.
    """
    found: dict[str, dict[str, Any]] = {}
    for folder, item in zip(folders, inputs, strict=True):
        beside = standing_beside(folder)
        if beside is None:
            continue
        cell, standing = beside
        name = folder.resolve().name
        result = item.result
        if result.from_full and standing.starts.get(name) == "unknown":
            why = next(
                (f"{f.text}" for f in standing.findings if name in f.runs), "by the cell's account it was not full"
            )
            raise Refused(f"{cell.id}/{name}: {why} No capacity certificate; charge it full on the bench first")
        if not result.from_full or not result.finished or not result.reached_cutoff:
            continue  # what the run itself lacks is said in its own words
        wrong = next((warning for warning in result.warnings if warning.code in NOT_A_CAPACITY), None)
        if wrong is not None:
            raise Refused(
                f"{cell.id}/{name}: {wrong.code}: {wrong.text} A figure that is known to be wrong is not certified"
            )
        value, U = _number(result.capacity_Ah), _number(result.capacity_U_Ah)
        if value is not None and U is not None and value <= U:
            raise Refused(f"{cell.id}/{name}: its capacity is not measurable: U is larger than the value")
        for let in require(cell, standing, ("certify",), in_spite_of, is_simulated(item.run)):
            found[let.code] = let.to_dict()
        if (unseen := standing.finding("no-second-look")) is not None:  # it forbids nothing and is stated
            found[unseen.code] = unseen.to_dict()
    return list(found.values())


def _refuse_without_capacity(run_id: str, result: Result, run: dict[str, Any]) -> None:
    """Refuse a certificate of a run that says nothing of what a cell holds.

    Raises:
        Refused: what it lacks.
    """
    if not result.finished:
        raise Refused(f"{run_id}: the run is not finished, so it gets no certificate; `amphora resume` goes on with it")
    if _number(result.capacity_Ah) is None:
        raise Refused(f"{run_id}: there is no discharge in it, so there is no capacity to certify")
    if not result.from_full:
        raise Refused(
            f"{run_id}: the cell's charge at the start is not known to have been full, so the discharge says "
            "what was left, not what the cell holds: no capacity certificate; charge it full on the bench first"
            + (", or import the record of the charge before it" if run.get("imported") else "")
        )
    if not result.reached_cutoff or not result.complete:
        raise Refused(
            f"{run_id}: the discharge did not reach its cut-off voltage without a break, so there is no "
            "capacity to certify"
        )
    if _number(result.capacity_U_Ah) is None:
        raise Refused(f"{run_id}: the capacity has no uncertainty, so there is nothing to certify")


def certificate_data(
    runs: list[RunInput],
    issue: Issue,
    grade: dict[str, Any] | None = None,
    let_through: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Return the certificate's data for one cell over one or several runs.

    Raises:
        InputError: no run, runs of different cells, a run's files cannot be read.
        Refused: a run is not finished, did not reach its cut-off, or its start was not known to be full.
    """
    if not runs:
        raise InputError("certificate: no run was given; at least one is needed")
    if len(runs) > MOST_RUNS:
        raise InputError(f"certificate: {len(runs)} runs; at most {MOST_RUNS} go on one certificate")
    # Of a cell that was renamed some runs bear an earlier id: the register knows the one it has now.
    ids = {cell_id_now(item.folder, str((item.run.get("cell") or {}).get("id") or item.result.cell)) for item in runs}
    if len(ids) > 1:
        raise InputError(
            f"certificate: runs of different cells ({', '.join(sorted(ids))}); one certificate is for one item"
        )
    state = str(runs[-1].run.get("state_now") or (runs[-1].run.get("cell") or {}).get("state") or "")
    if state == "retired":
        raise Refused(
            f"{next(iter(ids))}: the cell is retired on the register; it goes to recycling, not to somebody else, and "
            "gets no certificate"
        )
    for item in runs:
        _refuse_without_capacity(str(item.run.get("run_id") or item.folder.name), item.result, item.run)
    first = runs[0]
    about = item_statement(first)
    bench = issue.bench or str((first.run.get("bench") or {}).get("name") or "")
    data: dict[str, Any] = {
        "format": FORMAT,
        "canonical": RFC_8785,
        "kind": "capacity certificate",
        "issued": issue.issued.isoformat(),
        "issuer": {
            "bench": _text(bench),
            "place": _text(issue.place),
            "operator": _text(issue.operator),
            "customer": _text(issue.customer),
        },
        "item": {**about, **_named_now(first, next(iter(ids))), "state": _text(state)},
        "runs": [run_statement(item) for item in runs],
        "grade": _grade(grade),
        "coverage": {"k": 2, "probability": "about 95 %"},
        "not_tested": list(NOT_TESTED),
        "statements": list(STATEMENTS),
        "cautions": cautions(about["chemistry"]),
        "pages": 2 if issue.pages >= 2 else 1,
        "software": {"name": "amphora", "version": own_version()},
        "layout": {"typst": metadata.version("typst"), "sha256": layout_digest()},
    }
    last = runs[-1]
    data["item_uncertainty"] = _as_an_item(last.result)
    data["charge_before"] = footing.charge_before(last.folder, last.run, last.result)
    data["hand_over"] = footing.hand_over(last.folder)
    taken_on = [f"{item['code']}: {item['text']}" for item in let_through]
    for item in runs:
        for entry in ((item.run.get("plan") or {}).get("notes") or {}).get("account", {}).get("in_spite_of") or []:
            taken_on.append(f"{entry.get('code')} (at the run): {entry.get('text')}")
    if taken_on:
        data["in_spite_of"] = [_text(text) for text in dict.fromkeys(taken_on)]
    data["number"] = f"{issue.issued:%Y%m%d}-{sha256_hex(canonical_bytes(data))[:10]}"
    again: dict[str, Any] = from_canonical(canonical_bytes(data))  # as whoever reads it sees it: 25 for 25.0
    return again


def _as_an_item(result: Result) -> dict[str, Any] | None:
    """Return the U of the cell as an item beside that of the measurement, and what it was learned from."""
    U, item = _number(result.capacity_item_U_Ah), result.item
    return None if U is None else {"capacity_U_Ah": U, "text": _text(item.text if item else "")}


def _highest(result: Result) -> float | None:
    before, rise = _number(result.temperature_degC), _number(result.temperature_rise_K)
    return None if before is None or rise is None else _number(before + rise)


def own_version() -> str:
    """Return the version of this software."""
    return str(amphora.harness.__version__)


def cautions(chemistry: str) -> list[str]:
    """Return the cautions of a chemistry, with its own limits in them."""
    if not _lithium(chemistry):
        return list(CAUTIONS_OTHER)
    window = load_chemistry(chemistry if chemistry in KEYS else "auto")
    limits = {"low": window.charge_low_degC, "high": window.charge_high_degC, "reject": window.reject_below_V}
    return [text.format(**limits) for text in CAUTIONS_LITHIUM]


def _lithium(key: str) -> bool:
    return key not in ("nimh", "nicd", "lead-acid")


def _grade(grade: dict[str, Any] | None) -> dict[str, Any] | None:
    if not grade or not grade.get("grade"):
        return None
    return {
        "grade": _text(grade.get("grade")),
        "decided_by": _text(grade.get("decided_by")),
        "rule": _text(grade.get("rule") or GRADE_RULE),
        "criteria": [
            {
                "name": _text(item.get("name")),
                "unit": _text(item.get("shown_in")),
                "scale": _number(item.get("shown_times")) or 1.0,
                "value": _number(item.get("value")),
                "U": _number(item.get("U")),
                "limit": _number(item.get("limit")),
                "verdict": _text(item.get("verdict")),
                "remark": _text(item.get("remark")),
            }
            for item in grade.get("criteria") or []
            if isinstance(item, dict)
        ],
    }


def attachment(data: dict[str, Any], signer: Signer) -> bytes:
    """Return the canonical JSON that is attached: the data, and the signature over its canonical form."""
    return canonical_bytes(
        {
            "certificate": data,
            "signature": {
                "algorithm": "Ed25519",
                "public_key": to_text(signer.public),
                "value": to_text(signer.sign(canonical_bytes(data))),
            },
        }
    )


def make_certificate(
    runs: list[RunInput], issue: Issue, signer: Signer, grade: dict[str, Any] | None = None
) -> tuple[bytes, dict[str, Any]]:
    """Return the sealed PDF and its data.

    Raises:
        InputError, Refused: as `certificate_data`.
    """
    data = certificate_data(runs, issue, grade)
    return seal(render(data, attachment(data, signer), signer.public), signer), data


# ---- from a run's folder -------------------------------------------------------------------------


def discharge_points(
    t_s: Any, voltage_V: Any, current_A: Any, begin_s: float | None = None, end_s: float | None = None
) -> tuple[Any, Any]:
    """Return charge given (Ah, rising) and voltage (V) of a discharge's rows under load, shape (m,) each.

    Args:
        t_s, voltage_V, current_A: Readings, shape (n,); current into the cell.
        begin_s, end_s: The discharge in `t_s`; None: from the end of the last charge to the last discharging row.
    """
    import numpy as np

    good = np.isfinite(t_s) & np.isfinite(voltage_V) & np.isfinite(current_A)
    t, v, i = t_s[good], voltage_V[good], current_A[good]
    if t.size < 2:
        return np.empty(0), np.empty(0)
    small = 0.02 * float(np.abs(i).max())
    out = i < -small
    if not out.any():
        return np.empty(0), np.empty(0)
    last = int(np.flatnonzero(out)[-1])
    charging = np.flatnonzero(i[:last] > small)
    first = int(charging[-1]) + 1 if charging.size else 0
    low = t[first] if begin_s is None else begin_s
    high = t[last] if end_s is None else end_s
    window = (t >= low) & (t <= high)
    t, v, i, out = t[window], v[window], i[window], out[window]
    if t.size < 2:
        return np.empty(0), np.empty(0)
    steps = np.diff(t) * -(i[1:] + i[:-1]) / 2 / 3600
    given = np.concatenate([[0.0], np.cumsum(steps)])
    return given[out], v[out]


LeadsRun = Path | Literal["find"] | None  # a folder; to be found on the run's shelf; or none


def fresh_result(
    folder: Path, cutoff_V: float | None = None, leads_run: LeadsRun = None, stated: dict[str, Any] | None = None
) -> Result:
    """Analyse a copy of a run's raw files, so that no result kept beside them can answer instead.

    Args:
        folder: The run's folder.
        cutoff_V: Another cut-off than the run's own.
        leads_run: A run that measured leads and holder, copied beside it; "find": those on the run's own shelf.
        stated: What a certificate says was taken out, for one who has not that run.

    Raises:
        InputError: damaged, or no figure can be made from it.
    """
    shelf = folder.resolve().parent.parent
    if leads_run == "find":
        beside = [path.parent for path in sorted(shelf.glob(f"*/*-leads/{RUN}"))]
    else:
        beside = [] if leads_run is None else [leads_run]
    with tempfile.TemporaryDirectory() as scratch:
        copied: dict[str, Path] = {}
        for source in [folder, *(run for run in beside if run.resolve() != folder.resolve())]:
            copy = Path(scratch) / source.resolve().parent.name / source.resolve().name
            copy.mkdir(parents=True, exist_ok=True)
            copied[str(copy)] = source
            for name in FILES:
                if (source / name).is_file():
                    shutil.copyfile(source / name, copy / name)
        first = next(iter(copied))
        try:
            result = analyse_run(Path(first), cutoff_V, leads=stated)
        except AmphoraError as error:
            raise InputError(str(error).replace(first, str(folder))) from error
        leads = result.leads
        if leads is None or not leads.from_run or stated is not None:
            return result
        source = copied[leads.from_run]
        named = "/".join(source.resolve().parts[-2:])
        return dataclasses.replace(
            result, leads=dataclasses.replace(leads, from_run=named, files_sha256=_digests(source))
        )


def _digests(folder: Path) -> dict[str, str]:
    return {name: sha256_file(folder / name) for name in FILES if (folder / name).is_file()}


def run_input(
    folder: Path,
    cutoff_V: float | None = None,
    leads_run: LeadsRun = "find",
    stated: dict[str, Any] | None = None,
) -> RunInput:
    """Read and analyse one run for a certificate.

    Args:
        folder: The run's folder.
        cutoff_V: Another cut-off than the run's own.
        leads_run, stated: See `fresh_result`.

    Raises:
        InputError: no run's folder, or damaged.
    """
    run = read_header(folder)
    result = fresh_result(folder, cutoff_V, leads_run, stated)
    record, info = load(folder)
    run["measurement"] = dataclasses.asdict(info.measurement)  # with what is assumed where the bench gave nothing
    run["current_zero"] = [{**dataclasses.asdict(zero), "taken_out": zero_is_used(info)} for zero in info.zeros]
    chosen = chosen_phase(result)
    begin, end = (None, None) if chosen is None else (chosen.begin_s, chosen.end_s)
    charge, voltage = discharge_points(record.t_s, record.voltage_V, record.current_A, begin, end)
    run["state_now"] = state_now(folder)
    if result.start == "unknown" and (source := _charged_in(folder)) is not None:
        run["start_from"] = source
        said = tuple(item for item in result.warnings if item.code != "start-unknown")
        result = dataclasses.replace(result, start="full", warnings=said)
    return RunInput(folder, run, result, discharge_curve(charge, voltage), cutoff_V)


def _charged_in(folder: Path) -> dict[str, Any] | None:
    """Return the run whose charge made a discharge begin full, by the cell's account; None: it did not.

    A run says so itself but for a charge that was imported, and a nickel cell nobody had measured before.

    Args:
        folder: The run's folder, as it lies on a shelf.
    """
    beside = standing_beside(folder)
    charge = "" if beside is None else beside[1].full_from.get(folder.resolve().name, "")
    source = folder.resolve().parent / charge
    if not charge or not (source / RUN).is_file():
        return None
    return {"run": source.name, "files_sha256": _digests(source)}


def _named_now(first: RunInput, now: str) -> dict[str, Any]:
    """Return the id that a renamed cell has now, and those it had before; empty for one that was not renamed."""
    then = str((first.run.get("cell") or {}).get("id") or first.result.cell)
    return {} if then == now else {"id": _text(now), "former_ids": [_text(then)]}


def state_now(folder: Path) -> str:
    """Return the cell's state on the register as it is now, or empty."""
    try:
        record = json.loads((folder.resolve().parent / "cell.json").read_bytes())
    except (OSError, ValueError):
        return ""
    return str(record.get("state") or "") if isinstance(record, dict) else ""


def chosen_phase(result: Result) -> PhaseResult | None:
    """Return the discharge that the figures are of, else the last one."""
    if result.headline is not None:
        return result.phases[result.headline]
    return next((phase for phase in reversed(result.phases) if phase.kind == "discharge"), None)


def grade_of(folder: Path, result: Result | None = None) -> dict[str, Any] | None:
    """Return a run's grade as `amphora grade` gives it, or None where it needs more.

    Args:
        folder: The run's folder.
        result: Its figures; default: as analysed or kept.
    """
    runs, _ = read_runs([folder])
    if not runs:
        return None
    (grade,) = grade_runs(
        [(dataclasses.replace(result or run.result, account=run.result.account), run.cell) for run in runs],
        load_criteria("general"),
    )
    return grade if grade.get("grade") else None


def certify(
    folders: Path | Sequence[Path],
    out: Path,
    issue: Issue | None = None,
    key_path: Path | None = None,
    cutoff_V: float | None = None,
    with_grade: bool = True,
    in_spite_of: Sequence[str] = (),
) -> dict[str, Any]:
    """Write the certificate of one cell over one or several runs.

    Args:
        folders: The runs' folders; the last one gives the headline.
        out: The PDF to write; it is put in place whole.
        issue: What the issuer says; default: nothing but today's date (UTC).
        key_path: The key to sign with; default: the bench's own. Made when there is none.
        cutoff_V: Another cut-off than the runs' own.
        with_grade: Put the grade on it, where the last run has one.
        in_spite_of: Codes of findings that the issuer takes on; they are stated on top.

    Returns:
        `certificate` (the file), `number`, `cell`, `issued`, `key`, `key_made`, `runs`, `grade`.

    Raises:
        InputError: a folder is no run's, is damaged, or `out` cannot be written.
        Refused: no certificate can be given.
    """
    chosen = [folders] if isinstance(folders, Path) else list(folders)
    if out.is_dir():
        raise InputError(f"{out}: is a folder; the name of a file is accepted")
    inputs = [run_input(folder, cutoff_V) for folder in chosen]
    let_through = _by_the_account(chosen, inputs, in_spite_of)
    today = datetime.datetime.now(datetime.UTC).date()
    grade = grade_of(chosen[-1], inputs[-1].result) if with_grade and inputs else None
    data = certificate_data(inputs, issue or Issue(today), grade, let_through)
    key, made = bench_key(path=key_path)
    signer = Signer(key)
    pdf = seal(render(data, attachment(data, signer), signer.public), signer)
    write_out(out, pdf)
    return {
        "certificate": str(out),
        "number": data["number"],
        "cell": data["item"]["id"],
        "issued": data["issued"],
        "key": fingerprint(signer.public),
        "key_made": made,
        "runs": [run["run_id"] for run in data["runs"]],
        "grade": data["grade"]["grade"] if data["grade"] else None,
    }
