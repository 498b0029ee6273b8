"""What a certificate states, from Results alone: the data that everything printed comes from.

Contents after ISO/IEC 17025:2017, clause 7.8.2.1 a to p, as far as they apply to a private bench; it is no
accredited certificate and says so. Numbers are rounded to nine significant digits in the data and to
two digits of their expanded uncertainty on the page. Capacity and energy positive; current into the cell.
"""

import datetime
import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib import metadata

import amphora.harness
from amphora.harness.account.asking import as_the_account_has_it, standing_beside
from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.run_header import Said, header_of
from amphora.harness.archive.shelf import cell_id_now
from amphora.harness.common.errors import AmphoraError, InputError, Refused
from amphora.harness.decisions.grades import Graded
from amphora.harness.report.certificate import footing
from amphora.harness.report.certificate.body import (
    FORMAT,
    BudgetEntry,
    Certificate,
    Coverage,
    CriterionStated,
    GradeStated,
    InstrumentStated,
    Issuer,
    ItemStated,
    ItemUncertainty,
    LayoutStated,
    LeadsStated,
    ResistanceStated,
    ResultsStated,
    RunStated,
    SoftwareStated,
    SpecificationStated,
    ZeroStated,
)
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

MOST_RUNS = 12
MOST_RESISTANCES = 400


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


def results_of(result: Result) -> ResultsStated:
    """Return the numbers of one analysed run that a certificate states, all rounded alike."""
    return ResultsStated(
        capacity_Ah=number(result.capacity_Ah),
        capacity_U_Ah=number(result.capacity_U_Ah),
        charge_Ah=number(result.charge_Ah),
        charge_U_Ah=number(result.charge_U_Ah),
        energy_Wh=number(result.energy_Wh),
        energy_U_Wh=number(result.energy_U_Wh),
        mean_voltage_V=number(result.mean_voltage_V),
        duration_s=number(result.duration_s),
        end_voltage_V=number(result.end_voltage_V),
        temperature_rise_K=number(result.temperature_rise_K),
        temperature_rise_U_K=number(result.thermal.rise_U_K if result.thermal else None),
        reached_cutoff=result.reached_cutoff,
        start=result.start,
        resistances=tuple(_resistance(item) for item in _thinned(result.resistances)),
    )


def _resistance(item: ResistanceValue) -> ResistanceStated:
    return ResistanceStated(
        method=item.method,
        ohm=number(item.ohm),
        U_ohm=number(item.U_ohm),
        current_A=number(item.current_A),
        duration_s=number(item.duration_s),
        charge_state=number(item.charge_state),
        t_s=number(item.t_s),
    )


def budget_of(result: Result) -> tuple[BudgetEntry, ...]:
    """Return the lines of the capacity's uncertainty budget; contributions in ampere-hour."""
    table = result.budget.capacity if result.budget else None
    return tuple(
        BudgetEntry(
            name=text(line.name),
            standard_u=number(line.standard_u),
            unit=text(line.unit),
            contribution_Ah=number(line.contribution),
            type=text(line.type),
            assumed=line.assumed,
            note=text(line.note),
        )
        for line in (table.lines if table else ())
    )


def _specifications(item: RunInput) -> dict[str, SpecificationStated]:
    return {
        channel: SpecificationStated(
            gain=number(known.gain),
            offset=number(known.offset),
            resolution=number(known.resolution),
            distribution=known.distribution,
            k=number(known.k),
            assumed=known.assumed,
        )
        for channel, known in item.measurement.channels()
    }


def _current_zero(item: RunInput) -> tuple[ZeroStated, ...]:
    """Return what each instrument showed with nothing flowing, and whether it was taken out of its readings."""
    return tuple(
        ZeroStated(
            instrument=text(zero.instrument),
            current_A=number(zero.current_A),
            standard_u_A=number(zero.standard_u_A),
            t_s=number(zero.t_s),
            readings=number(zero.readings),
            duration_s=number(zero.duration_s),
            taken_out=item.zero_taken_out,
        )
        for zero in item.zeros
    )


def _leads(result: Result) -> LeadsStated | None:
    """Return whether leads and holder are in the resistances, and what was taken out; None without a resistance."""
    if not result.resistances:
        return None
    leads = result.leads or LeadsState("not known", "")
    return LeadsStated(
        state=leads.state if leads.state in ("in", "out") else "not known",
        ohm=number(leads.ohm),
        U_ohm=number(leads.U_ohm),
        from_run=text(leads.from_run),
        files_sha256=dict(leads.files_sha256 or {}),
    )


def run_statement(item: RunInput) -> RunStated:
    """Return all that a certificate states of one run, from its folder alone."""
    header, result = item.header, item.result
    return RunStated(
        run_id=item.run_id,
        profile=text(header.profile or result.profile),
        started_utc=text(header.created_utc or result.created_utc),
        stop=text(result.stop),
        cutoff_V=number(result.cutoff_V or header.cutoff_V),
        cutoff_given_V=number(item.cutoff_given_V),
        main_current_A=number(result.main_current_A),
        results=results_of(result),
        start_temperature_degC=number(result.temperature_degC),
        highest_temperature_degC=_highest(result),
        warnings=tuple(text(warning.text) for warning in result.warnings),
        budget=budget_of(result),
        current_zero=_current_zero(item),
        leads=_leads(result),
        deviations=tuple(deviations(header, result)),
        instruments=tuple(
            InstrumentStated(text(name), text(one.role), text(one.identity) or "identity not read")
            for name, one in header.bench.instruments.items()
        ),
        specifications=_specifications(item),
        traceability=footing.traceability(header, item.measurement),
        cycle=footing.cycle_of(result),
        imported=header.imported is not None,
        simulated=item.simulated,
        files_sha256=digests(item.folder),
        start_from=item.start_from,
        curve=tuple(item.curve),
    )


def item_statement(first: RunInput, state: str = "") -> ItemStated:
    """Return what a certificate states of the cell from its first run's folder; `state`: on the register."""
    cell, result = first.header.cell, first.result
    condition = ", ".join(f"{part.replace('_', ' ')}: {word}" for part, word in sorted(cell.inspection.items()) if word)
    return ItemStated(
        id=text(cell.id or result.cell),
        form=text(cell.form or result.form),
        chemistry=text(cell.identified_as or result.chemistry or cell.chemistry or "auto"),
        chemistry_found="measured" if cell.identified_as else "as entered in the shelf register",
        source=text(cell.source),
        markings=text(cell.markings),
        claim_Ah=number(cell.claim_Ah),
        mass_g=number(cell.mass_g),
        as_found_V=number(cell.as_found_V),
        as_found_utc=text(cell.as_found_utc),
        condition=text(condition),
        notes=text(cell.notes),
        state=text(state),
    )


def _refuse_without_capacity(item: RunInput) -> None:
    """Refuse a certificate of a run that says nothing of what a cell holds.

    Raises:
        Refused: what it lacks.
    """
    run_id, result = item.run_id, item.result
    if not result.finished:
        raise Refused(f"{run_id}: the run is not finished, so it gets no certificate; `amphora resume` goes on with it")
    if number(result.capacity_Ah) is None:
        raise Refused(f"{run_id}: there is no discharge in it, so there is no capacity to certify")
    if not result.from_full:
        raise Refused(
            f"{run_id}: the cell's charge at the start is not known to have been full, so the discharge says "
            "what was left, not what the cell holds: no capacity certificate; charge it full on the bench first"
            + (", or import the record of the charge before it" if item.header.imported else "")
        )
    if not result.reached_cutoff or not result.complete:
        raise Refused(
            f"{run_id}: the discharge did not reach its cut-off voltage without a break, so there is no "
            "capacity to certify"
        )
    if number(result.capacity_U_Ah) is None:
        raise Refused(f"{run_id}: the capacity has no uncertainty, so there is nothing to certify")


def certificate_of(
    runs: list[RunInput],
    issue: Issue,
    grade: Graded | None = None,
    let_through: Sequence[Said] = (),
) -> Certificate:
    """Return what a certificate states of one cell over one or several runs.

    Raises:
        InputError: no run, runs of different cells, a run's files cannot be read.
        Refused: a run is not finished, did not reach its cut-off, or its start was not known to be full.
    """
    now = _the_one_cell(runs)
    first, last = runs[0], runs[-1]
    state = _state_of(last, now)
    for item in runs:
        _refuse_without_capacity(item)
    about = item_statement(first, state)
    if about.id != text(now):  # it was renamed
        about = replace(about, id=text(now), former_ids=(about.id,))
    befores = [footing.charge_before(item.folder, item.header, item.result) for item in runs]
    taken_on = _taken_on(runs, [before.run if before else "" for before in befores], let_through)
    stated = Certificate(
        format=FORMAT,
        canonical=RFC_8785,
        kind="capacity certificate",
        issued=issue.issued.isoformat(),
        issuer=Issuer(
            bench=text(issue.bench or first.header.bench.name),
            place=text(issue.place),
            operator=text(issue.operator),
            customer=text(issue.customer),
        ),
        item=about,
        runs=tuple(run_statement(item) for item in runs),
        grade=_grade(grade),
        coverage=Coverage(),
        not_tested=NOT_TESTED,
        statements=STATEMENTS,
        cautions=tuple(cautions(about.chemistry)),
        pages=2 if issue.pages >= 2 else 1,
        software=SoftwareStated("amphora", own_version()),
        layout=LayoutStated(metadata.version("typst"), layout_digest()),
        number="",
        item_uncertainty=_as_an_item(last),
        charge_before=befores[-1],
        hand_over=footing.hand_over(last.folder),
        in_spite_of=tuple(text(said) for said in dict.fromkeys(taken_on)) or None,
    )
    return _numbered(stated, issue.issued)


def _numbered(stated: Certificate, issued: datetime.date) -> Certificate:
    """Return it with its number, a digest of all else, as whoever reads it sees it: 25 for 25.0."""
    data = stated.to_json()
    del data["number"]
    data["number"] = f"{issued:%Y%m%d}-{sha256_hex(canonical_bytes(data))[:10]}"
    return Certificate.from_json(from_canonical(canonical_bytes(data)))


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
    ids = {cell_id_now(item.folder, item.header.cell.id or item.result.cell) for item in runs}
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
    state = last.state_now or last.header.cell.state
    if state == "retired":
        raise Refused(
            f"{cell_id}: the cell is retired on the register; it goes to recycling, not to somebody else, and "
            "gets no certificate"
        )
    return state


def _taken_on(runs: Sequence[RunInput], charges: Sequence[str], let_through: Sequence[Said]) -> list[str]:
    """Return the findings that somebody took on: at the issue, at each run, at the charge in a folder beside it."""
    taken = [("", entry) for entry in let_through]
    for item, charge in zip(runs, charges, strict=True):
        taken += [(" (at the run)", entry) for entry in item.header.in_spite_of]
        if charge:
            with suppress(AmphoraError):
                of_charge = header_of(read_header(item.folder.resolve().parent / charge))
                taken += [(" (at the charge before)", entry) for entry in of_charge.in_spite_of]
    return [f"{entry.code}{where}: {entry.text}" for where, entry in taken]


def _as_an_item(last: RunInput) -> ItemUncertainty | None:
    """Return the U of the cell as an item, by its account, and what it was learned from."""
    result, found = last.result, standing_beside(last.folder)
    if found is not None:  # as `amphora analyse` and `cell show` say it
        result = as_the_account_has_it(last.folder.resolve().name, result, found[1])
    U, item = number(result.capacity_item_U_Ah), result.item
    return None if U is None else ItemUncertainty(U, text(item.text if item else ""))


def _highest(result: Result) -> float | None:
    before, rise = number(result.temperature_degC), number(result.temperature_rise_K)
    return None if before is None or rise is None else number(before + rise)


def own_version() -> str:
    """Return the version of this software."""
    return str(amphora.harness.__version__)


def _grade(grade: Graded | None) -> GradeStated | None:
    if grade is None or not grade.grade:
        return None
    return GradeStated(
        grade=text(grade.grade),
        decided_by=text(grade.decided_by),
        rule=text(grade.rule or GRADE_RULE),
        criteria=tuple(
            CriterionStated(
                name=text(item.name),
                unit=text(item.shown_in),
                scale=number(item.shown_times) or 1.0,
                value=number(item.value),
                U=number(item.U),
                limit=number(item.limit),
                verdict=text(item.verdict),
                remark=text(item.remark),
            )
            for item in grade.criteria
        ),
    )
