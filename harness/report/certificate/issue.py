"""From run folders to a sealed certificate: whether one may be issued, its data, its pages, its seal.

Everything printed comes from the data of `statement` alone, so `page.render` gives the same bytes for the same data
(fixed fonts, fixed layout, the date of issue as the only time); `seal` signs the whole file, the attachment the data.
"""

import dataclasses
import datetime
from collections.abc import Sequence
from pathlib import Path

from amphora.harness.account.asking import standing_beside
from amphora.harness.account.gate import require
from amphora.harness.archive.journal import write_out
from amphora.harness.archive.run_header import Said
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.decisions.cell_runs import read_runs
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.grades import Graded, grade_runs
from amphora.harness.report.certificate.body import ALGORITHM, Certificate, Signature, SignedDocument
from amphora.harness.report.certificate.canonical import (
    canonical_bytes,
)
from amphora.harness.report.certificate.keys import Signer, bench_key, fingerprint, to_text
from amphora.harness.report.certificate.page import render
from amphora.harness.report.certificate.run_input import RunInput, run_input
from amphora.harness.report.certificate.seal import seal
from amphora.harness.report.certificate.stated import number
from amphora.harness.report.certificate.statement import Issue, certificate_of
from amphora.harness.results.result import Result


@dataclasses.dataclass(frozen=True, slots=True)
class Issued:
    """A certificate that was written; the answer of `amphora certify`. `certificate`: the file."""

    certificate: str
    number: str
    cell: str
    issued: str
    key: str
    key_made: bool
    runs: tuple[str, ...]
    grade: str | None


NOT_A_CAPACITY = ("capacity-implausible", "scale-doubtful", "resistor-late", "resistance-late")


def _by_the_account(folders: Sequence[Path], inputs: Sequence[RunInput], in_spite_of: Sequence[str]) -> list[Said]:
    """Return what the issuer takes on of the account's findings; a cell that is on no shelf has no account.

    Raises:
        Refused: the account says no, or ask and nobody took it on.
    """
    found: dict[str, Said] = {}
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
        value, U = number(result.capacity_Ah), number(result.capacity_U_Ah)
        if value is not None and U is not None and value <= U:
            raise Refused(f"{cell.id}/{name}: its capacity is not measurable: U is larger than the value")
        for let in require(cell, standing, ("certify",), in_spite_of, item.simulated):
            found[let.code] = Said(let.code, let.text)
        if (unseen := standing.finding("no-second-look")) is not None:  # it forbids nothing and is stated
            found[unseen.code] = Said(unseen.code, unseen.text)
    return list(found.values())


def to_attach(stated: Certificate, signer: Signer) -> bytes:
    """Return the canonical JSON that is attached: the data, and the signature over its canonical form."""
    data = stated.to_json()
    signature = Signature(ALGORITHM, to_text(signer.public), to_text(signer.sign(canonical_bytes(data))))
    return canonical_bytes(to_json(SignedDocument(data, signature)))


def grade_of(folder: Path, result: Result | None = None) -> Graded | None:
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
    return grade if grade.grade else None


def certify(
    folders: Path | Sequence[Path],
    out: Path,
    issue: Issue | None = None,
    key_path: Path | None = None,
    cutoff_V: float | None = None,
    with_grade: bool = True,
    in_spite_of: Sequence[str] = (),
) -> Issued:
    """Write the certificate of one cell over one or several runs.

    Args:
        folders: The runs' folders; the last one gives the headline.
        out: The PDF to write; it is put in place whole.
        issue: What the issuer says; default: nothing but today's date (UTC).
        key_path: The key to sign with; default: the bench's own. Made when there is none.
        cutoff_V: Another cut-off than the runs' own.
        with_grade: Put the grade on it, where the last run has one.
        in_spite_of: Codes of findings that the issuer takes on; they are stated on top.

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
    stated = certificate_of(inputs, issue or Issue(today), grade, let_through)
    key, made = bench_key(path=key_path)
    signer = Signer(key)
    pdf = seal(render(stated, to_attach(stated, signer), signer.public), signer)
    write_out(out, pdf)
    return Issued(
        certificate=str(out),
        number=stated.number,
        cell=stated.item.id,
        issued=stated.issued,
        key=fingerprint(signer.public),
        key_made=made,
        runs=tuple(run.run_id for run in stated.runs),
        grade=stated.grade.grade if stated.grade else None,
    )
