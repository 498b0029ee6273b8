"""Check a certificate: the whole file, the data in it, the page it shows, and the raw samples behind it.

The file is judged before anything in it is interpreted: the seal covers each byte. Only then is the
attachment taken out, in a process of its own with a limit on time, memory and output, so that a hostile file
can neither hang nor harm the one who checks. Nothing in a PDF is ever executed.

Four questions, answered separately: is the file as it was sealed (`integrity`), does the signature over the data
hold (`signature`), does the page show what the data say (`page`), do the raw samples still give these
numbers (`recomputed`, when the run's folder is at hand).
"""

import contextlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar

from amphora.harness.archive.run_folder import FILES, RUN, is_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.common.as_json import ABSENT, known_of, to_json
from amphora.harness.common.as_json import key as json_key
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.report.certificate import page as sheet
from amphora.harness.report.certificate.attachment import extract
from amphora.harness.report.certificate.body import (
    ALGORITHM,
    FORMAT,
    Certificate,
    ItemStated,
    RunStated,
    SignedDocument,
)
from amphora.harness.report.certificate.canonical import (
    canonical_bytes,
    from_canonical,
    sha256_file,
    sha256_hex,
)
from amphora.harness.report.certificate.keys import fingerprint, from_text, signature_holds
from amphora.harness.report.certificate.run_input import RunInput, run_input
from amphora.harness.report.certificate.seal import read_seal
from amphora.harness.report.certificate.statement import (
    MOST_RUNS,
    item_statement,
    own_version,
    run_statement,
)
from amphora.harness.results.result import LeadsState

MAX_PDF_BYTES = 30_000_000
MAX_TEXT = 5_000
MAX_ENTRIES = 100_000
RELATIVE = 1e-6  # the data hold nine digits; other processors and library versions may differ in the last ones

PICTURES = {b"\xff\xd8\xff": "JPEG", b"\x89PNG": "PNG", b"II*\x00": "TIFF", b"MM\x00*": "TIFF"}

PROVES = (
    "nothing in the file was changed since it was sealed by whoever holds this private key",
    "the data were signed with the same key",
)
PROVES_NOT = (
    "who held the key: compare its fingerprint with one you got from the bench by another way",
    "that the bench measured well, or that the readings are real",
    "that this is the cell in your hand, or that the cell is still as it was",
)
# A run's folder, another cut-off, the run that measured its leads, and else what the certificate says was taken out.
Recompute = Callable[[Path, float | None, Path | None, LeadsState | None], RunInput]
T = TypeVar("T")
_PART = re.compile(r"[^/\\:\x00]{1,200}")


@dataclass(frozen=True, slots=True)
class Difference:
    """Where a run's folder gives another value than the certificate states. `name`: the way to it."""

    run: str
    name: str
    certificate: Any
    recomputed: Any

    @property
    def of_a_file(self) -> bool:
        """Tell whether a file is another than the one that was certified."""
        return self.name.startswith(OF_FILE)


OF_FILE = "sha256 of "
Pair = tuple[str, Any, Any]  # a name, what is stated, what was found


def _differences(stated: Any, found: Any, name: str = "") -> list[Pair]:
    """Return where two trees differ, numbers compared at `RELATIVE`."""
    if isinstance(stated, dict) and isinstance(found, dict):
        below = ((f"{name}.{key}" if name else key, key) for key in sorted(set(stated) | set(found)))
        return [one for path, key in below for one in _differences(stated.get(key), found.get(key), path)]
    if isinstance(stated, list) and isinstance(found, list):
        return _lists_apart(stated, found, name)
    if _same(stated, found):
        return []
    stated, found = (f"{len(x)} entries" if isinstance(x, list) else x for x in (stated, found))
    return [(name, stated, found)]


def _same(stated: Any, found: Any) -> bool:
    """Whether two values are one, numbers within `RELATIVE`."""
    if all(isinstance(x, int | float) and not isinstance(x, bool) for x in (stated, found)):
        return bool(abs(stated - found) <= RELATIVE * max(abs(stated), abs(found), 1e-9))
    return bool(stated == found and type(stated) is type(found))


def _lists_apart(stated: list[Any], found: list[Any], name: str) -> list[Pair]:
    if len(stated) == len(found):
        pairs = enumerate(zip(stated, found, strict=True))
        return [one for i, (a, b) in pairs for one in _differences(a, b, f"{name}[{i}]")]
    if all(isinstance(x, str) for x in [*stated, *found]):
        more, less = [x for x in found if x not in stated], [x for x in stated if x not in found]
        return [(name, " ".join(less) or "not so", " ".join(more) or "not so")]
    return [(name, f"{len(stated)} entries", f"{len(found)} entries")]


@dataclass
class Found:
    """What a check has found so far; the answer of `amphora verify`, field by field.

    `recomputed`: None where no run was at hand; `runs`: as stated, None where the data cannot be read.
    """

    valid: bool = False
    signature: bool = False
    integrity: bool = False
    recomputed: list[Difference] | None = None
    page: str = "not compared"
    reasons: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    number: str | None = None
    cell: str | None = None
    issued: str | None = None
    key: str | None = None
    signed_by: str | None = None
    runs: tuple[RunStated, ...] | None = field(default=None, metadata=json_key("results"))
    proves: list[str] = field(default_factory=list)
    proves_not: list[str] = field(default_factory=lambda: list(PROVES_NOT))

    def to_json(self) -> dict[str, Any]:
        """Return it as plain data; of each run its numbers alone."""
        data: dict[str, Any] = to_json(self)
        data["results"] = None if self.runs is None else [_numbers_of(run) for run in self.runs]
        return data


def _numbers_of(run: RunStated) -> dict[str, Any]:
    numbers = dict(sorted(to_json(run.results).items()))
    del numbers["resistances"]
    return {"run": run.run_id, **numbers}


def run_folder(logs: Path, run_id: str) -> Path | None:
    """Return the folder of a run below `logs`, or None; never a folder outside `logs`."""
    parts = run_id.split("/")
    if not parts or len(parts) > 3 or any(not _PART.fullmatch(part) or part in (".", "..") for part in parts):
        return None
    base = logs.resolve()
    for candidate in (logs.joinpath(*parts), logs / parts[-1], logs):
        if (candidate / RUN).is_file():
            resolved = candidate.resolve()
            if resolved == base or base in resolved.parents:
                if candidate == logs and resolved.name != parts[-1]:
                    continue
                return candidate
    return _of_a_renamed_cell(logs, parts)


def _of_a_renamed_cell(logs: Path, parts: list[str]) -> Path | None:
    """Return the folder of a run whose cell has been given another id since; None where there is none."""
    if len(parts) != 2 or not logs.is_dir():
        return None
    with contextlib.suppress(AmphoraError, OSError):
        for cell in Shelf(logs).cells():
            folder = logs / cell.id / parts[1]
            if parts[0] in cell.former_ids and is_run(folder):
                return folder
    return None


def leads_folder(stated: RunStated, logs: Path) -> Path | None:
    """Return the folder of the run that a certificate's leads and holder were taken from, or None."""
    return run_folder(logs, stated.leads_run) if stated.leads_run else None


def check_run(
    stated: RunStated,
    logs: Path,
    recompute: Recompute = run_input,
    about: ItemStated | None = None,
    texts: bool = True,
) -> tuple[list[Difference] | None, list[str]]:
    """Compare one run of a certificate with its folder: the files' digests, then every number.

    Args:
        stated: What the certificate says of the run.
        logs: Where the runs may be.
        recompute: Reads and analyses a run's folder, see `Recompute`.
        about: What the certificate says of the cell, to be compared too; None: it is not.
        texts: Compare words too; another version of this software may have said the same in others.

    Returns:
        The differences (None without the folder), and in words what is wrong with the files.
    """
    run_id = stated.run_id
    folder = run_folder(logs, run_id)
    if folder is None:
        return None, []
    differences, wrong = _files_apart(stated, folder)
    try:
        item = _again(stated, folder, logs, recompute)
        found_now = _comparable(stated, run_statement(item))
    except AmphoraError as error:
        wrong.append(f"{run_id}: the numbers cannot be recomputed: {error}")
        differences.append(Difference(run_id, "analysis", "done", None))
        return differences, wrong
    parts = _differences(to_json(stated.results), to_json(found_now.results))
    alike = replace(found_now, results=stated.results, files_sha256=stated.files_sha256)  # compared apart
    parts += _differences(to_json(stated), to_json(alike))
    if about is not None:
        parts += _item_apart(about, item_statement(item))
    if stated.start_from is not None and found_now.start_from is None:
        charged = stated.start_from.run
        wrong.append(f"{run_id}: that it began full stands on the record of its charge, {charged}, which is not there")
    for name, then, now in parts:
        if not texts and (isinstance(then, str) or isinstance(now, str)):
            continue
        differences.append(Difference(run_id, name, then, now))
        wrong.append(f"{run_id}: {name} is {_told(now)} from the run's folder, {_told(then)} on the certificate")
    return differences, wrong


def _files_apart(stated: RunStated, folder: Path) -> tuple[list[Difference], list[str]]:
    """Return which of a run's files are not those of the certificate, as differences and in words."""
    run_id = stated.run_id
    wrong: list[str] = []
    differences: list[Difference] = []
    for name, digest in sorted(stated.files_sha256.items()):
        if name not in FILES:
            wrong.append(f"{run_id}: the certificate names a file {str(name)[:40]!r} that a run does not have")
            continue
        path = folder / name
        found = sha256_file(path) if path.is_file() else None
        if found != digest:
            said = "not there" if found is None else "not the file that was certified"
            if found is not None and _line_ends_apart(path, digest):
                said += (
                    ": only the ends of its lines differ (as a copy by way of another system makes them), no number; "
                    "bring the file over as it is"
                )
            wrong.append(f"{run_id}: {name} is {said}")
            differences.append(Difference(run_id, f"{OF_FILE}{name}", digest, found))
    if set(FILES) - set(stated.files_sha256):
        wrong.append(f"{run_id}: the certificate does not cover all files of the run")
    return differences, wrong


def _again(stated: RunStated, folder: Path, logs: Path, recompute: Recompute) -> RunInput:
    """Analyse a run anew as its certificate says it was: its cut-off, and the leads that were taken out.

    Raises:
        AmphoraError: it cannot be.
    """
    leads, leads_run, as_stated = stated.leads, leads_folder(stated, logs), None
    if leads is not None and leads.from_run and leads_run is None and None not in (leads.ohm, leads.U_ohm):
        as_stated = LeadsState("out", "", leads.ohm, leads.U_ohm, leads.from_run, leads.files_sha256)
    return recompute(folder, stated.cutoff_given_V, leads_run, as_stated)


def _comparable(stated: RunStated, found: RunStated) -> RunStated:
    """Return what was found without what an older certificate does not state."""
    if stated.traceability is None:  # one from before it was: its departures were told in other words
        found = replace(found, deviations=stated.deviations, traceability=None)
    return replace(_as_far_as(stated, found), results=_as_far_as(stated.results, found.results))


def _as_far_as(stated: T, found: T) -> T:
    """Return a value of a type without the fields that another does not have."""
    names = (item.name for item in fields(stated))  # type: ignore[arg-type]  # dataclasses alone come here
    unsaid = {name: ABSENT for name in names if getattr(stated, name) is ABSENT}
    return replace(found, **unsaid)  # type: ignore[type-var]


def _item_apart(about: ItemStated, of_item: ItemStated) -> list[Pair]:
    """Return where a cell is described otherwise than on the certificate; its state and its ids may have changed."""
    renamed = of_item.id in (about.former_ids or ())  # before the certificate was issued
    named = replace(about, state=of_item.state, former_ids=None, id=of_item.id if renamed else about.id)
    return _differences(to_json(named), to_json(of_item), "item")


def _line_ends_apart(path: Path, digest: str) -> bool:
    """Tell whether a file with a line feed alone at the end of each line would be the one of this digest."""
    try:
        return sha256_hex(path.read_bytes().replace(b"\r\n", b"\n")) == digest
    except OSError:
        return False


def _told(value: Any) -> str:
    text = str(value)
    return text if len(text) <= 60 else text[:59] + "…"


def _page(stated: Certificate, attached: bytes, public: bytes, covered: bytes) -> tuple[str, str | None]:
    """Tell whether the file's pages are what the data give, by making them again."""
    if stated.layout.typst != metadata.version("typst") or stated.layout.sha256 != sheet.layout_digest():
        return "not compared", "made with another layout or typst version; read the numbers from the data"
    made = sheet.render(stated, attached, public)
    end = re.compile(rb"startxref\n\d+\n%%EOF\s*$")
    return ("same", None) if end.sub(b"", made) == end.sub(b"", covered) else ("differs", None)


def verify_file(
    path: Path,
    logs: Path | None = None,
    expect: bytes | None = None,
    known: dict[bytes, str] | None = None,
    recompute: Recompute = run_input,
) -> Found:
    """Check a certificate and say what was found.

    Args:
        path: The PDF.
        logs: Where the runs may be; None: nothing is recomputed.
        expect: A public key, 32 bytes, that must have made the seal.
        known: Public keys the person knows, with their names.
        recompute: Analyses a run's folder (for tests).

    Raises:
        InputError: there is no such file, or it cannot be read.
    """
    pdf, why = _read_pdf(path)
    found = Found()
    if pdf is None:
        found.reasons.append(why)
        return found
    seal_public, covered = _judge_seal(pdf, found)
    try:
        attached = extract(path)
        public, stated = _signed_data(from_canonical(attached, "attachment"), found)
    except InputError as error:
        found.integrity = False
        found.reasons.append(str(error))
        return found
    if not found.signature:
        found.reasons.append(
            "the signature over the data does not hold: the data (their numbers among them), the signature or the key "
            "were changed"
        )
    if seal_public is not None and seal_public != public:
        found.integrity = False
        found.reasons.append("the file was sealed with another key than the data were signed with")
    if found.integrity and found.signature:
        _judge_page(stated, attached, public, covered, found)
    if expect is not None and public != expect:
        found.reasons.append(f"signed with the key {fingerprint(public)}, not with the expected {fingerprint(expect)}")
    if logs is not None:
        _check_logs(stated, logs, found, recompute)
    found.valid = not found.reasons and found.signature and found.integrity
    found.proves = list(PROVES) if found.valid else []
    found.signed_by = (known or {}).get(public)
    if found.signed_by is None:
        found.notes.append("the key is not one you know: compare its fingerprint with the bench's, got by another way")
    return found


def _read_pdf(path: Path) -> tuple[bytes | None, str]:
    """Return a PDF's bytes, or None and why it is not read.

    Raises:
        InputError: there is no such file, or it cannot be read.
    """
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise InputError(f"{path}: is no file; accepted: a certificate (PDF)")
        if size > MAX_PDF_BYTES:
            return None, f"the file has {size} bytes, more than the {MAX_PDF_BYTES} that are read"
        pdf = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    if pdf.startswith(b"%PDF-"):
        return pdf, ""
    kind = next((name for start, name in PICTURES.items() if pdf.startswith(start)), None)
    if kind is None:
        return None, "the file is no PDF"
    return None, (
        f"the file is no PDF but a {kind} picture; a picture of a certificate cannot be checked, ask for the PDF"
    )


def _judge_seal(pdf: bytes, found: Found) -> tuple[bytes | None, bytes]:
    """Note whether the seal holds; return the key that made it (None without one) and the bytes that it covers."""
    try:
        public, value, covered = read_seal(pdf)
    except InputError as error:
        found.reasons.append(str(error))
        return None, pdf
    found.integrity = signature_holds(public, value, covered)
    if not found.integrity:
        found.reasons.append("the file was changed after it was sealed, or the seal itself was")
    return public, covered


def _judge_page(stated: Certificate, attached: bytes, public: bytes, covered: bytes, found: Found) -> None:
    """Note whether the pages show what the data say."""
    try:
        found.page, note = _page(stated, attached, public, covered)
    except Exception as error:  # noqa: BLE001  data of unknown origin: whatever cannot be printed from it is no certificate
        found.page, note = "differs", f"no page can be made from the data ({type(error).__name__})"
    if note:
        found.notes.append(note)
    if found.page == "differs":
        found.integrity = False
        found.reasons.append("the pages do not show what the data say")


def _oversized(value: Any, text_most: int = MAX_TEXT, entries_most: int = MAX_ENTRIES) -> bool:
    """Tell whether data hold more than any certificate does, so that no time is spent on setting them in type."""
    stack, entries = [value], 0
    while stack:
        item = stack.pop()
        entries += 1
        if entries > entries_most or (isinstance(item, str) and len(item) > text_most):
            return True
        if isinstance(item, dict):
            stack += [*item.keys(), *item.values()]
        elif isinstance(item, list):
            stack += item
    return False


def _signed_data(document: Any, found: Found) -> tuple[bytes, Certificate]:
    """Return the key that the data are signed with, and the data; notes whether the signature holds.

    Raises:
        InputError: it is not what a certificate holds.
    """
    try:
        signed = known_of(SignedDocument, document)
        if signed.certificate.get("format") != FORMAT:
            raise InputError(f"the attachment is not of the format {FORMAT}")
        if to_json(signed) != document or signed.signature.algorithm != ALGORITHM:
            raise InputError("the attachment is not signed in the way of this format")
        public, value = from_text(signed.signature.public_key, 32), from_text(signed.signature.value, 64)
        over = canonical_bytes(signed.certificate)
        found.key, found.signature = fingerprint(public), signature_holds(public, value, over)
        stated = _read(signed.certificate)
    except ValueError as error:
        raise InputError(f"the attachment lacks what a certificate has ({str(error)[:60]})") from error
    found.runs, found.number, found.issued, found.cell = stated.runs, stated.number, stated.issued, stated.item.id
    return public, stated


def _read(data: Mapping[str, Any]) -> Certificate:
    """Return data of unknown origin as what a certificate states: all of it, and nothing else.

    Raises:
        InputError, ValueError: they are not.
    """
    if _oversized(data):
        raise InputError("the attachment holds more than a certificate does")
    stated = known_of(Certificate, data)
    if stated.to_json() != data:
        raise ValueError("it states something that is not of this format")
    if not 0 < len(stated.runs) <= MOST_RUNS:
        raise InputError(f"the attachment holds {len(stated.runs)} runs; a certificate has 1 to {MOST_RUNS}")
    return stated


def _check_logs(stated: Certificate, logs: Path, found: Found, recompute: Recompute) -> None:
    if not logs.is_dir():
        raise InputError(f"{logs}: no such folder (--logs: where cells and their runs are kept)")
    apart: list[Difference] | None = None
    version, ours = stated.software.version, own_version()
    for n, run in enumerate(stated.runs):
        try:
            differences, wrong = check_run(run, logs, recompute, stated.item if n == 0 else None, version == ours)
        except (KeyError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
            found.reasons.append(f"the run {_told(run.run_id)} is stated in a way that cannot be compared ({error})")
            continue
        if differences is None:
            found.notes.append(f"the run {run.run_id} is not below {logs}; nothing of it was recomputed")
            continue
        apart = (apart or []) + differences
        found.reasons += wrong
        if run.leads_run and leads_folder(run, logs) is None:
            found.notes.append(
                f"the run {_told(run.leads_run)}, which measured leads and holder, is not below {logs}: what it gave "
                "was taken from the certificate"
            )
    found.recomputed = apart
    if apart and version != ours:
        found.notes.append(
            f"the certificate was made by version {version}, this is {ours}: where only numbers differ and no file, "
            "the way they are worked out may have changed; check with that version too"
        )
    if apart and any(one.of_a_file for one in apart):
        found.integrity = False
