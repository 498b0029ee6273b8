"""What a certificate states, from Results alone: the data that everything printed comes from.

Contents after ISO/IEC 17025:2017, clause 7.8.2.1 a to p, as far as they apply to a private bench; it is no
accredited certificate and says so. Numbers are rounded to nine significant digits in the data and to
two digits of their expanded uncertainty on the page. Capacity and energy positive; current into the cell.
"""

import datetime
import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib import metadata
from typing import Any

import amphora.harness
from amphora.harness.account.asking import as_the_account_has_it, standing_beside
from amphora.harness.archive.run_folder import is_simulated, read_header
from amphora.harness.archive.shelf import cell_id_now
from amphora.harness.common.errors import AmphoraError, InputError, Refused
from amphora.harness.decisions.grades import Graded
from amphora.harness.report.certificate import footing
from amphora.harness.report.certificate.canonical import (
    RFC_8785,
    canonical_bytes,
    from_canonical,
    sha256_hex,
)
from amphora.harness.report.certificate.cautions import GRADE_RULE, NOT_TESTED, STATEMENTS, cautions
from amphora.harness.report.certificate.deviations import deviations
from amphora.harness.report.certificate.page import layout_digest
from amphora.harness.report.certificate.run_input import RunInput, digests
from amphora.harness.report.certificate.stated import number, text
from amphora.harness.results.chosen import chosen_of
from amphora.harness.results.result import LeadsState, ResistanceValue, Result

FORMAT = "amphora-certificate/1"
MOST_RUNS = 12
MOST_RESISTANCES = 400
ADDED = {"": ("traceability", "cycle"), "results": ("temperature_rise_U_K",)}  # what older certificates do not state


@dataclass(frozen=True)
class Issue:
    """What only the person who issues a certificate can say. Empty text: not stated."""

    issued: datetime.date
    operator: str = ""
    place: str = ""
    bench: str = ""
    customer: str = ""
    pages: int = 1  # 2: with large curves and the uncertainty budget


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
    stated: dict[str, Any] = {name: number(getattr(result, name)) for name in names}
    stated["temperature_rise_U_K"] = number(result.thermal.rise_U_K if result.thermal else None)
    stated["reached_cutoff"] = result.reached_cutoff
    stated["start"] = result.start
    of_each = ("ohm", "U_ohm", "current_A", "duration_s", "charge_state", "t_s")
    stated["resistances"] = [
        {"method": item.method, **{name: number(getattr(item, name)) for name in of_each}}
        for item in _thinned(result.resistances)
    ]
    return stated


def budget_of(result: Result) -> list[dict[str, Any]]:
    """Return the lines of the capacity's uncertainty budget; contributions in ampere-hour."""
    table = result.budget.capacity if result.budget else None
    return [
        {
            "name": text(line.name),
            "standard_u": number(line.standard_u),
            "unit": text(line.unit),
            "contribution_Ah": number(line.contribution),
            "type": text(line.type),
            "assumed": line.assumed,
            "note": text(line.note),
        }
        for line in (table.lines if table else ())
    ]


def _instruments(run: dict[str, Any]) -> list[dict[str, str]]:
    bench = run.get("bench") or {}
    found = []
    for name, item in (bench.get("instruments") or {}).items():
        if isinstance(item, dict):
            found.append(
                {
                    "name": text(name),
                    "role": text(item.get("role")),
                    "identity": text(item.get("identity")) or "identity not read",
                }
            )
    return found


def _specifications(run: dict[str, Any]) -> dict[str, Any]:
    stated: dict[str, Any] = {}
    for channel, item in (run.get("measurement") or {}).items():
        if isinstance(item, dict):
            stated[str(channel)] = {
                key: number(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
                for key, value in item.items()
                if key in ("gain", "offset", "resolution", "distribution", "k", "assumed")
            }
    return stated


def _current_zero(run: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what each instrument showed with nothing flowing, and whether it was taken out of its readings."""
    names = ("current_A", "standard_u_A", "t_s", "readings", "duration_s")
    return [
        {
            "instrument": text(zero.get("instrument")),
            **{name: number(zero.get(name)) for name in names},
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
        "ohm": number(leads.ohm),
        "U_ohm": number(leads.U_ohm),
        "from_run": text(leads.from_run),
        "files_sha256": dict(leads.files_sha256 or {}),
    }


def run_statement(item: RunInput) -> dict[str, Any]:
    """Return all that a certificate states of one run, from its folder alone."""
    run, result = item.run, item.result
    return {
        "run_id": str(run.get("run_id") or item.folder.name),
        "profile": text(run.get("profile") or result.profile),
        "started_utc": text(run.get("created_utc") or result.created_utc),
        "stop": text(result.stop),
        "cutoff_V": number(result.cutoff_V or run.get("cutoff_V")),
        "cutoff_given_V": number(item.cutoff_given_V),
        "main_current_A": number(result.main_current_A),
        "results": results_of(result),
        "start_temperature_degC": number(result.temperature_degC),
        "highest_temperature_degC": _highest(result),
        "warnings": [text(warning.text) for warning in result.warnings],
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
        "files_sha256": digests(item.folder),
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
        "id": text(cell.get("id") or first.result.cell),
        "form": text(cell.get("form") or first.result.form),
        "chemistry": text(key),
        "chemistry_found": "measured" if identified.get("chemistry") else "as entered in the shelf register",
        "source": text(cell.get("source")),
        "markings": text(cell.get("markings")),
        "claim_Ah": number(cell.get("claim_Ah")),
        "mass_g": number(cell.get("mass_g")),
        "as_found_V": number(cell.get("as_found_V")),
        "as_found_utc": text(cell.get("as_found_utc")),
        "condition": text(condition),
        "notes": text(cell.get("notes")),
    }


def _refuse_without_capacity(run_id: str, result: Result, run: dict[str, Any]) -> None:
    """Refuse a certificate of a run that says nothing of what a cell holds.

    Raises:
        Refused: what it lacks.
    """
    if not result.finished:
        raise Refused(f"{run_id}: the run is not finished, so it gets no certificate; `amphora resume` goes on with it")
    if number(result.capacity_Ah) is None:
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
    if number(result.capacity_U_Ah) is None:
        raise Refused(f"{run_id}: the capacity has no uncertainty, so there is nothing to certify")


def certificate_data(
    runs: list[RunInput],
    issue: Issue,
    grade: Graded | None = None,
    let_through: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Return the certificate's data for one cell over one or several runs.

    Raises:
        InputError: no run, runs of different cells, a run's files cannot be read.
        Refused: a run is not finished, did not reach its cut-off, or its start was not known to be full.
    """
    now = _the_one_cell(runs)
    state = _state_of(runs[-1], now)
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
            "bench": text(bench),
            "place": text(issue.place),
            "operator": text(issue.operator),
            "customer": text(issue.customer),
        },
        "item": {**about, **_named_now(first, now), "state": text(state)},
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
    data["item_uncertainty"] = _as_an_item(last)
    befores = [footing.charge_before(item.folder, item.run, item.result) for item in runs]
    data["charge_before"] = befores[-1]
    data["hand_over"] = footing.hand_over(last.folder)
    taken_on = _taken_on(runs, [str((before or {}).get("run") or "") for before in befores], let_through)
    if taken_on:
        data["in_spite_of"] = [text(said) for said in dict.fromkeys(taken_on)]
    data["number"] = f"{issue.issued:%Y%m%d}-{sha256_hex(canonical_bytes(data))[:10]}"
    again: dict[str, Any] = from_canonical(canonical_bytes(data))  # as whoever reads it sees it: 25 for 25.0
    return again


def _the_one_cell(runs: Sequence[RunInput]) -> str:
    """Return the id that the cell of these runs has now.

    Raises:
        InputError: no run, too many, or runs of different cells.
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
    return next(iter(ids))


def _state_of(last: RunInput, cell_id: str) -> str:
    """Return the cell's state on the register.

    Raises:
        Refused: it is retired.
    """
    state = str(last.run.get("state_now") or (last.run.get("cell") or {}).get("state") or "")
    if state == "retired":
        raise Refused(
            f"{cell_id}: the cell is retired on the register; it goes to recycling, not to somebody else, and "
            "gets no certificate"
        )
    return state


def _taken_on(runs: Sequence[RunInput], charges: Sequence[str], let_through: Sequence[dict[str, Any]]) -> list[str]:
    """Return the findings that somebody took on: at the issue, at each run, at the charge in a folder beside it."""
    taken = [("", entry) for entry in let_through]
    for item, charge in zip(runs, charges, strict=True):
        taken += [(" (at the run)", entry) for entry in _in_spite_of(item.run)]
        if charge:
            with suppress(AmphoraError):
                of_charge = _in_spite_of(read_header(item.folder.resolve().parent / charge))
                taken += [(" (at the charge before)", entry) for entry in of_charge]
    return [f"{entry.get('code')}{where}: {entry.get('text')}" for where, entry in taken]


def _in_spite_of(run: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what a run was let through by, as its plan notes it."""
    said: list[dict[str, Any]] = ((run.get("plan") or {}).get("notes") or {}).get("account", {}).get(
        "in_spite_of"
    ) or []
    return said


def _as_an_item(last: RunInput) -> dict[str, Any] | None:
    """Return the U of the cell as an item, by its account, and what it was learned from."""
    result, found = last.result, standing_beside(last.folder)
    if found is not None:  # as `amphora analyse` and `cell show` say it
        result = as_the_account_has_it(last.folder.resolve().name, result, found[1])
    U, item = number(result.capacity_item_U_Ah), result.item
    return None if U is None else {"capacity_U_Ah": U, "text": text(item.text if item else "")}


def _highest(result: Result) -> float | None:
    before, rise = number(result.temperature_degC), number(result.temperature_rise_K)
    return None if before is None or rise is None else number(before + rise)


def own_version() -> str:
    """Return the version of this software."""
    return str(amphora.harness.__version__)


def _grade(grade: Graded | None) -> dict[str, Any] | None:
    if grade is None or not grade.grade:
        return None
    return {
        "grade": text(grade.grade),
        "decided_by": text(grade.decided_by),
        "rule": text(grade.rule or GRADE_RULE),
        "criteria": [
            {
                "name": text(item.name),
                "unit": text(item.shown_in),
                "scale": number(item.shown_times) or 1.0,
                "value": number(item.value),
                "U": number(item.U),
                "limit": number(item.limit),
                "verdict": text(item.verdict),
                "remark": text(item.remark),
            }
            for item in grade.criteria
        ],
    }


def _named_now(first: RunInput, now: str) -> dict[str, Any]:
    """Return the id that a renamed cell has now, and those it had before; empty for one that was not renamed."""
    then = str((first.run.get("cell") or {}).get("id") or first.result.cell)
    return {} if then == now else {"id": text(now), "former_ids": [text(then)]}
