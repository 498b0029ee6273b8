"""Commands of the group Papers: certify, verify, label, report, key, schema."""

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from amphora.harness.cells.cell import DEVICE_FORMS
from amphora.harness.cli.completion import runs as completion_of_runs
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, run_named, say, voltage
from amphora.harness.common.errors import InputError

if TYPE_CHECKING:
    from amphora.harness.results.result import Result

_PASSWORD_HELP = "The key's password comes from AMPHORA_KEY_PASSWORD, where it has one."


def _folder(run: Path, logs: Path) -> Path:
    """Return a run's folder from a path, or from `cell/run` below the logs, or a cell's only run."""
    from amphora.harness.archive.run_folder import RUN

    run = run_named(run, capacity=True, logs=logs)
    for candidate in (run, logs / run):
        if (candidate / RUN).is_file():
            return candidate
    raise InputError(f"{run}: is no run's folder (one with a run.json), also not below {logs}")


def _date(text: str | None, option: str) -> Any:
    import datetime

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
    from amphora.harness.report.certificate import issue as certificate
    from amphora.harness.report.certificate.keys import key_path

    issue = certificate.Issue(
        issued=_date(issued, "--issued"),
        operator=operator,
        place=place,
        bench=bench,
        customer=customer,
        pages=2 if budget else 1,
    )
    folders = [_folder(run, logs) for run in runs]
    _make_room(out)
    done = certificate.certify(
        folders, out, issue, cutoff_V=voltage(cutoff, "--cutoff"), with_grade=grade, in_spite_of=in_spite_of or ()
    )
    if done["key_made"]:
        say(f"a new key was made for this bench: {key_path()}; keep a copy (amphora key export --private)")

    def show() -> None:
        print(f"{out}: certificate {done['number']} for {done['cell']}, key {done['key']}")
        print(f"Next: amphora verify {shlex.quote(str(out))} --logs {shlex.quote(str(logs))}")

    answer(done, as_json, show)


def _make_room(out: Path) -> None:
    """Keep a certificate that stands where another is to be written: ask at a terminal, else set it aside and say so.

    Raises:
        InputError: the person said no.
    """
    import sys

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
    from amphora.harness.common.words import with_U
    from amphora.harness.report.certificate.keys import known_keys, public_bytes, read_public
    from amphora.harness.report.certificate.verify import verify_file

    expect = public_bytes(read_public(key)) if key else None
    found = verify_file(file, logs, expect, known_keys())

    def show() -> None:
        print(f"{file}: {'valid' if found['valid'] else 'NOT VALID'}")
        for reason in found["reasons"]:
            print(f"  no: {reason}")
        if found["number"]:
            print(f"  certificate {found['number']} for {found['cell']}, issued {found['issued']}")
        if found["key"]:
            print(f"  key {found['key']} ({found['signed_by'] or 'not one you know'})")
        for item in found["results"] or []:
            if found["valid"] and item["capacity_Ah"] is not None:
                held = with_U(item["capacity_Ah"], item["capacity_U_Ah"], 1000.0, "mAh")
                print(f"  {item['run']}: {held} (k = 2), start {item['start']}")
        if found["recomputed"] is not None and not found["recomputed"]:
            print("  each number was recomputed from the raw samples and agrees")
        for note in found["notes"]:
            print(f"  note: {note}")
        for text in found["proves"]:
            print(f"  it shows: {text}")
        for text in found["proves_not"] if found["key"] else []:
            print(f"  it does not show: {text}")

    answer(found, as_json, show)
    if not found["valid"]:
        for reason in found["reasons"] if as_json else ():  # else they have just been shown
            say(f"amphora: {file}: {reason}")
        leave(1)
    if logs is not None and found["recomputed"] is None:
        say(f"amphora: {file}: no run of it is below {logs}, so no number was recomputed; name the right folder")
        leave(1)


def _cell_record(cell_id: str, logs: Path) -> dict[str, Any]:
    """Return a cell's record from the shelf."""
    from amphora.harness.archive.shelf import Shelf

    return dict(Shelf(logs).get(cell_id).to_dict())


def _best_run(cell_id: str, logs: Path) -> "tuple[Path, Result] | None":
    """Return a cell's newest run with a capacity from a known full start, else its newest analysed run."""
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.common.errors import AmphoraError

    fallback: tuple[Path, Result] | None = None
    for folder in reversed(Shelf(logs).runs(cell_id)):
        try:
            result = analyse_run(folder)
        except AmphoraError as error:
            say(f"amphora: {folder} was left out: {error}")
            continue
        if result.from_full and result.reached_cutoff:
            return folder, result
        fallback = fallback or (folder, result)
    return fallback


def label(
    cells: Annotated[list[str], typer.Argument(help="Ids of cells on the shelf; one label each.")],
    out: Annotated[Path, typer.Option("--out", help="The PDF to write.")] = Path("labels.pdf"),
    size: Annotated[
        str, typer.Option(help="strip (60x12), tag (48x25), card (70x36), or width x height in mm.")
    ] = "tag",
    sheet: Annotated[
        str | None, typer.Option(help="Columns x rows on a page, as 3x8; default: a page per label.")
    ] = None,
    page: Annotated[str, typer.Option(help="The sheet's width, height in mm.")] = "210,297",
    first: Annotated[str | None, typer.Option(help="Left, top of the first label in mm; default: centred.")] = None,
    gap: Annotated[str, typer.Option(help="Gap between labels, across, down, in mm.")] = "0,0",
    skip: Annotated[int, typer.Option(help="Places already used on the first sheet.")] = 0,
    shift: Annotated[str, typer.Option(help="What the printer is off by: right, down, in mm.")] = "0,0",
    cut_lines: Annotated[bool, typer.Option("--cut-lines", help="A thin outline to cut along.")] = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write labels to stick on cells.

    Example: amphora label L3-a L3-b --size card --sheet 3x8 --skip 2 --out labels.pdf
    """
    from amphora.harness.account.asking import standing_of
    from amphora.harness.account.gate import warning_of
    from amphora.harness.archive.journal import write_out
    from amphora.harness.archive.run_folder import is_simulated, read_header
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.report import label as labels
    from amphora.harness.report.certificate.issue import grade_of

    sides = labels.size_mm(size)
    place = None
    if sheet is not None:
        columns, rows = labels.grid(sheet)
        corner = labels.pair(first, "--first") if first else (None, None)
        across, down = labels.pair(gap, "--gap")
        right, low = labels.pair(shift, "--shift")
        place = labels.Sheet(
            columns, rows, labels.pair(page, "--page"), corner[0], corner[1], across, down, skip, right, low
        )
    contents = []
    for cell_id in cells:
        record = _cell_record(cell_id, logs)
        if record["form"] in DEVICE_FORMS:
            raise InputError(f"{cell_id} is a {record['form']}, not a cell: a label names what a cell holds")
        best = _best_run(cell_id, logs)
        grade = grade_of(best[0]) if best else None
        simulated = best is not None and is_simulated(read_header(best[0]))
        words = (grade or {}).get("grade")
        warning = warning_of(Shelf(logs).get(cell_id), standing_of(Shelf(logs), cell_id))
        contents.append(labels.label_content(record, best[1] if best else None, words, simulated, warning))
    write_out(out, labels.make_labels(contents, sides, place, cut_lines))
    data = {"labels": str(out), "cells": [item["id"] for item in contents], "size_mm": list(sides)}

    def show() -> None:
        print(f"{out}: {len(contents)} label{'' if len(contents) == 1 else 's'} of {sides[0]:g} x {sides[1]:g} mm")
        show_next("report", "--all", logs=logs)

    answer(data, as_json, show)


def report(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="RUN", autocompletion=completion_of_runs, help="Run folders; or --all."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="The HTML page to write.")] = Path("cells.html"),
    everything: Annotated[bool, typer.Option("--all", help="Every run on the shelf, and cells without one.")] = False,
    title: Annotated[str, typer.Option(help="The page's heading.")] = "Cells compared",
    note: Annotated[str, typer.Option(help="A sentence under the heading.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write a page that compares cells.

    Example: amphora report --all --title "Cells of the path lights" --out cells.html
    """
    from amphora.harness.archive.journal import write_out
    from amphora.harness.decisions.sources import One, read_sources
    from amphora.harness.report.comparison_page import make_report

    others: list[dict[str, Any]] = []
    cells: list[One] = []
    if everything == bool(runs):
        raise InputError("report: name run folders, or give --all; one of the two is accepted")
    if everything:
        from amphora.harness.archive.shelf import Shelf

        shelf = Shelf(logs)
        others = [dict(cell.to_dict()) for cell in shelf.cells() if not cell.is_device]
        folders = [folder for cell in others for folder in shelf.runs(cell["id"])]
        cells = read_sources(logs) if others else []
        if not others:
            raise InputError(f"report: no cell is on the shelf in {logs}; `amphora cell add` puts one there")
    else:
        folders = [_folder(run, logs) for run in runs or []]
    page, comparison = make_report(folders, title, note, others, cells)
    write_out(out, page.encode("utf-8"))
    for item in comparison["damaged"]:
        say(f"amphora: {item['run']} was left out: {item['text']}")
    data = {"report": str(out), "cells": [row["cell"] for row in comparison["cells"]], "damaged": comparison["damaged"]}
    count = len(comparison["cells"])
    answer(data, as_json, lambda: print(f"{out}: {count} cell{'' if count == 1 else 's'} side by side"))


def schema() -> None:
    """Print the JSON Schema of the data inside a certificate.

    Example: amphora schema > certificate.schema.json
    """
    from amphora.harness.report.certificate.schema import PATH

    print(PATH.read_text(encoding="utf-8"), end="")


def key_show(as_json: JsonOption = False) -> None:
    """Show the bench's public key and its fingerprint.

    Makes the key if there is none.

    Example: amphora key show
    """
    from amphora.harness.report.certificate.keys import key_info

    info = key_info()
    data = {
        "path": str(info.path),
        "fingerprint": info.fingerprint,
        "public_key": info.public_pem,
        "made_now": info.made_now,
    }
    answer(
        data,
        as_json,
        lambda: print(f"{info.path}\nfingerprint {info.fingerprint}\n{info.public_pem}", end=""),
    )


def key_export(
    out: Annotated[Path, typer.Argument(help="The file to make; an existing one is left alone.")],
    private: Annotated[
        bool, typer.Option("--private", help=f"The private key, as a safe copy. {_PASSWORD_HELP}")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write the public key to give away, or the private key as a safe copy.

    Example: amphora key export kitchen-bench.pem
    """
    from amphora.harness.report.certificate.keys import export_key

    mark = export_key(out, private)
    answer(
        {"file": str(out), "fingerprint": mark, "private": private},
        as_json,
        lambda: print(f"{out}: key {mark}"),
    )


def key_import(
    source: Annotated[Path, typer.Argument(help="A private key (becomes this bench's) or another bench's public key.")],
    name: Annotated[str | None, typer.Option("--name", help="Whose public key it is.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Read a private key on a new computer, or another bench's public key.

    Example: amphora key import their-bench.pem --name "bench in the village hall"
    """
    from amphora.harness.report.certificate.keys import import_key

    mark, private = import_key(source, name)
    data = {"fingerprint": mark, "private": private, "name": name}
    answer(
        data,
        as_json,
        lambda: print(f"key {mark} {'is now this bench' + chr(39) + 's own' if private else f'is known as {name}'}"),
    )
