"""Commands of the group Papers: certify, verify, label, report, key, schema."""

import datetime
import shlex
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.harness.archive.run_folder import RUN
from amphora.harness.cli.completion import runs as completion_of_runs
from amphora.harness.cli.measured_run import measured_run
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say, voltage
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.words import with_U
from amphora.harness.report.certificate.issue import certify as write_certificate
from amphora.harness.report.certificate.keys import key_path, known_keys, public_bytes, read_public
from amphora.harness.report.certificate.schema import PATH
from amphora.harness.report.certificate.statement import Issue
from amphora.harness.report.certificate.verify import verify_file


def folder_of(run: Path, logs: Path) -> Path:
    """Return a run's folder from a path, or from `cell/run` below the logs, or a cell's only run."""
    run = measured_run(run, logs)
    for candidate in (run, logs / run):
        if (candidate / RUN).is_file():
            return candidate
    raise InputError(f"{run}: is no run's folder (one with a run.json), also not below {logs}")


def _date(text: str | None, option: str) -> Any:
    if text is None:
        return datetime.datetime.now(datetime.UTC).date()
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{option} {text}: is no date; accepted: year-month-day, as 2026-11-25") from error


def certify(
    runs: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN",
            autocompletion=completion_of_runs,
            help="Run folders of one cell; the last one gives the headline.",
        ),
    ],
    out: Annotated[Path, typer.Option("--out", help="The PDF to write.")],
    operator: Annotated[
        str, typer.Option(help="Who made the test and answers for it.", envvar="AMPHORA_OPERATOR")
    ] = "",
    place: Annotated[str, typer.Option(help="Where the test was made.", envvar="AMPHORA_PLACE")] = "",
    bench: Annotated[str, typer.Option(help="Name and address of the bench; default: the run's bench.")] = "",
    customer: Annotated[str, typer.Option(help="For whom it is made.")] = "",
    issued: Annotated[str | None, typer.Option(help="Date of issue, year-month-day; default: today (UTC).")] = None,
    cutoff: Annotated[
        str | None, typer.Option("--cutoff", help="Another cut-off voltage than the run's own, such as 3.2 V.")
    ] = None,
    budget: Annotated[bool, typer.Option("--budget", help="A second page: large curves, uncertainty budget.")] = False,
    grade: Annotated[bool, typer.Option(help="Put the grade on it, where the run allows one.")] = True,
    in_spite_of: Annotated[
        list[str] | None,
        typer.Option("--in-spite-of", metavar="CODE", help="Take on a finding of the account; it is stated on top."),
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write a signed certificate that travels with the cell.

    A run whose start was not known to be full gets none; nor does a cell whose account says no, or asks (exit code 1,
    with what settles it). The key is made on first use. The same
    input and date of issue give the same file, byte for byte.

    Example: amphora certify logs/L3-a/20261124T210000Z-overnight --out L3-a.pdf --operator "M. Lindqvist"
    """
    issue = Issue(
        issued=_date(issued, "--issued"),
        operator=operator,
        place=place,
        bench=bench,
        customer=customer,
        pages=2 if budget else 1,
    )
    folders = [folder_of(run, logs) for run in runs]
    _make_room(out)
    beside = folders[0] if len(folders[0].parts) > 2 else folders[0].absolute()
    done = write_certificate(
        folders, out, issue, cutoff_V=voltage(cutoff, "--cutoff"), with_grade=grade, in_spite_of=in_spite_of or ()
    )
    if done.key_made:
        say(f"a new key was made for this bench: {key_path()}; keep a copy (amphora key export --private)")

    def show() -> None:
        print(f"{out}: certificate {done.number} for {done.cell}, key {done.key}")
        print(f"Next: amphora verify {shlex.quote(str(out))} --logs {shlex.quote(str(beside.parent.parent))}")

    answer(to_json(done), as_json, show)


def _make_room(out: Path) -> None:
    """Keep a certificate that stands where another is to be written: ask at a terminal, else set it aside and say so.

    Raises:
        InputError: the person said no.
    """
    if not out.is_file():
        return
    if sys.stdin.isatty() and sys.stderr.isatty():
        sys.stderr.write(f"{out} exists. Replace it? [y/N] ")
        sys.stderr.flush()
        if sys.stdin.readline().strip().lower() not in ("y", "yes"):
            raise InputError(f"{out}: exists and was kept; name another file with --out")
        return
    number = 1
    while (aside := out.with_name(f"{out.stem}.{number}{out.suffix}")).exists():
        number += 1
    out.rename(aside)
    say(f"{out} existed: it was kept as {aside.name}")


def verify(
    file: Annotated[Path, typer.Argument(help="The certificate (PDF).")],
    logs: Annotated[Path | None, typer.Option("--logs", help="Where the runs are: recompute from the samples.")] = None,
    key: Annotated[Path | None, typer.Option("--key", help="Public key (PEM) that must have signed it.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Check a certificate.

    Exit code 1, with the reasons, if anything does not match, or if --logs has nothing of its runs.

    Example: amphora verify L3-a.pdf --logs logs
    """
    expect = public_bytes(read_public(key)) if key else None
    found = verify_file(file, logs, expect, known_keys())

    def show() -> None:
        print(f"{file}: {'valid' if found.valid else 'NOT VALID'}")
        for reason in found.reasons:
            print(f"  no: {reason}")
        if found.number:
            print(f"  certificate {found.number} for {found.cell}, issued {found.issued}")
        if found.key:
            print(f"  key {found.key} ({found.signed_by or 'not one you know'})")
        for run in found.runs or ():
            results = run.results
            if found.valid and results.capacity_Ah is not None:
                held = with_U(results.capacity_Ah, results.capacity_U_Ah, 1000.0, "mAh")
                print(f"  {run.run_id}: {held} (k = 2), start {results.start}")
        if found.recomputed is not None and not found.recomputed:
            print("  each number was recomputed from the raw samples and agrees")
        for note in found.notes:
            print(f"  note: {note}")
        for text in found.proves:
            print(f"  it shows: {text}")
        for text in found.proves_not if found.key else []:
            print(f"  it does not show: {text}")

    answer(found.to_json(), as_json, show)
    if not found.valid:
        for reason in found.reasons if as_json else ():  # else they have just been shown
            say(f"amphora: {file}: {reason}")
        leave(1)
    if logs is not None and found.recomputed is None:
        say(f"amphora: {file}: no run of it is below {logs}, so no number was recomputed; name the right folder")
        leave(1)


def schema() -> None:
    """Print the JSON Schema of the data inside a certificate.

    Example: amphora schema > certificate.schema.json
    """
    print(PATH.read_text(encoding="utf-8"), end="")
