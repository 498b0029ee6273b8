"""Commands of the group Shelf: cell add/list/show/check/note/state, shelf rebuild/export/import."""

import gc
from dataclasses import asdict, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.harness.account.after_run import make_missing
from amphora.harness.account.asking import listed, standing_of
from amphora.harness.account.corrections import checked, edited, remove, rename, time_of
from amphora.harness.archive.journal import write_new
from amphora.harness.archive.shelf import Shelf, now_utc
from amphora.harness.cells.cell import STATES, Cell, DatedEntry
from amphora.harness.cells.forms import forms
from amphora.harness.cells.incoming import DISPOSAL, Judgement, judge_at_the_door, parse_inspection, release_of
from amphora.harness.cli import completion
from amphora.harness.cli.next_command import after_a_look, show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import unknown
from amphora.harness.common.quantities import parse
from amphora.harness.report.shelf_parquet import export_shelf
from amphora.harness.report.tables import cell_sheet, shelf_table, standing_lines

IdArgument = Annotated[
    str, typer.Argument(autocompletion=completion.cells, help="The cell's id: letters, digits, '-', '_' and '.'.")
]
QuantityOption = Annotated[str | None, typer.Option(help="With its unit.")]


def _quantity(text: str | None, kind: str, where: str) -> float | None:
    return None if text is None else parse(text, kind, where)


def _show_judgement(judged: Any) -> None:
    print(judged.verdict if judged.reasons else "no verdict yet")
    for reason in judged.reasons:
        print(f"  {reason.sense}: {reason.text}")
    charge, discharge = ("yes" if may else "no" for may in (judged.may_charge, judged.may_discharge))
    print(f"  may be charged: {charge}; may be discharged: {discharge}")
    print(f"  {judged.to_do}")
    for item in judged.open:
        print(f"  not known yet: {item}")


def cell_add(
    cell_id: Annotated[
        str | None, typer.Argument(metavar="ID", help="Its id; one is proposed when none is given.")
    ] = None,
    form: Annotated[str, typer.Option(help="Its form: 18650, 14500, AA, ...")] = "",
    chemistry: Annotated[str, typer.Option(help="auto, li-ion, lfp, nimh, ...; auto where nobody knows.")] = "auto",
    source: Annotated[str, typer.Option(help="Where it came from.")] = "",
    markings: Annotated[str, typer.Option(help="What is printed on it.")] = "",
    claim: Annotated[str | None, typer.Option(help="The capacity its label claims: '1200 mAh'.")] = None,
    mass: Annotated[str | None, typer.Option(help="Weighed: '44 g'.")] = None,
    as_found: Annotated[
        str | None, typer.Option("--as-found", help="Voltage at rest, without a load: '3.31 V'.")
    ] = None,
    inspection: Annotated[
        list[str] | None, typer.Option(help="What you see and smell: sound, or wrapper=torn, leak=yes, ...")
    ] = None,
    photo: Annotated[list[Path] | None, typer.Option(help="Path of a photo; may be given again.")] = None,
    notes: Annotated[str, typer.Option(help="Anything else.")] = "",
    rechargeable: Annotated[bool, typer.Option("--rechargeable", help="State that the cell is rechargeable.")] = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Put a cell on the shelf, and say what may be done with it.

    Ends with 1 when the answer is no (quarantine or retire): it is on the shelf then too, marked so. Without a voltage
    there is no answer yet.

    Example: amphora cell add L3-a --form 18650 --chemistry auto --as-found "3.31 V" --inspection sound
    """
    shelf = Shelf(logs)
    if cell_id is None and not any((form, source, markings, claim, mass, as_found, inspection, photo, notes)):
        raise InputError(
            "cell add: nothing is said of the cell; give it an id, as `amphora cell add L3-a`, or say what is known, "
            'as `amphora cell add --form 18650 --as-found "3.31 V"`'
        )
    data: dict[str, Any] = {
        "id": shelf.propose_id(form) if cell_id is None else cell_id,
        "form": form,
        "chemistry": chemistry,
        "source": source,
        "markings": markings,
        "claim_Ah": _quantity(claim, "capacity", "--claim"),
        "mass_g": _quantity(mass, "mass", "--mass"),
        "as_found_V": _quantity(as_found, "voltage", "--as-found"),
        "as_found_utc": now_utc() if as_found is not None else "",
        "inspection": parse_inspection(inspection or []),
        "photos": [str(path) for path in photo or []],
        "notes": notes,
        "declared_rechargeable": rechargeable,
    }
    cell = Cell.from_dict(data, "cell add")
    judged = judge_at_the_door(cell)
    state = {"accept": "found", "quarantine": "quarantined", "retire": "retired"}[judged.verdict]
    if not judged.reasons:
        state = "found"  # nothing was seen against it, its voltage only has not been measured yet
    entries = []
    if state != "found":
        why = "; ".join(reason.text for reason in judged.reasons if reason.verdict != "accept")
        entries = [{"at": now_utc(), "kind": "state", "state": state, "text": why}]
    cell = shelf.add(Cell.from_dict({**data, "state": state, "entries": entries}, "cell add"))

    near = [] if form.upper() in forms() else get_close_matches(form.upper(), forms(), 1, 0.8)
    if near:
        mend = f"amphora cell edit {cell.id} --form {near[0]}"
        say(f"note: form {form!r} is kept as it is; if {near[0]} was meant: {mend}")
    answer({"cell": cell.to_dict(), "judgement": judged.to_dict()}, as_json, lambda: _show_added(cell, judged, logs))
    if state != "found":
        leave(1)


def _show_added(cell: Cell, judged: Judgement, logs: Path) -> None:
    print(f"{cell.id} is on the shelf in {logs}; its state: {cell.state}")
    _show_judgement(judged)
    if cell.as_found_V is None:
        show_next("cell", "check", cell.id, "--as-found", "VOLTAGE", logs=logs)
    elif cell.state == "found":
        words = ("--profile", "charge", "--present") if judged.may_charge else ("--profile", "identify")
        show_next("plan", "--cell", cell.id, *words, "--bench", "bench.toml", logs=logs)
    else:
        show_next("cell", "show", cell.id, logs=logs)


def cell_list(
    state: Annotated[str | None, typer.Option(help="Only cells in this state.")] = None,
    chemistry: Annotated[str | None, typer.Option(help="Only this chemistry.")] = None,
    form: Annotated[str | None, typer.Option(help="Only this form.")] = None,
    find: Annotated[
        str | None, typer.Option(help="Only cells with this text in id, source, markings or notes.")
    ] = None,
    sort: Annotated[
        str, typer.Option(help="id, capacity, mass, runs, last; with '-' before it from the top down.")
    ] = "id",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """List the cells on the shelf.

    Example: amphora cell list --state tested --sort -capacity
    """

    gc.freeze()  # what is loaded stays for this short process; looking it through again takes a tenth of the time
    keys: dict[str, Any] = {
        "id": lambda e: e.id,
        "capacity": lambda e: e.capacity_Ah,
        "mass": lambda e: e.cell and e.cell.mass_g,
        "runs": lambda e: e.runs,
        "last": lambda e: e.last_run_utc or None,
    }
    name = sort.removeprefix("-")
    if name not in keys:
        raise InputError(unknown("--sort", sort, keys, ", with '-' before it from the top down"))
    if state is not None and state not in STATES:
        raise InputError(unknown("--state", state, STATES))
    entries = listed(Shelf(logs))
    devices = sum(e.cell is not None and e.cell.is_device for e in entries)
    chosen = [e for e in entries if _wanted(e, state, chemistry, form, find)]
    have = [e for e in chosen if keys[name](e) is not None]
    have.sort(key=keys[name], reverse=sort.startswith("-"))
    chosen = have + [e for e in chosen if keys[name](e) is None]

    def show() -> None:
        print(shelf_table(chosen) if chosen else f"no cells on the shelf in {logs}" + (" that fit" if entries else ""))
        if devices and form is None:
            print(f"{devices} surveyed {'device is' if devices == 1 else 'devices are'} not listed: amphora duty list")
        if chosen:
            show_next("cell", "show", chosen[0].id, logs=logs)

    rows = [
        {
            **(e.cell.to_dict() if e.cell else {"id": e.id}),
            "runs": e.runs,
            "damaged_runs": e.damaged_runs,
            "capacity_Ah": e.capacity_Ah,
            "capacity_U_Ah": e.capacity_U_Ah,
            "findings": list(e.findings),
            "last_run_utc": e.last_run_utc or None,
            "damaged": e.damaged or None,
        }
        for e in chosen
    ]
    answer({"cells": rows}, as_json, show)


def _wanted(entry: Any, state: str | None, chemistry: str | None, form: str | None, find: str | None) -> bool:
    """Tell whether an entry passes the filters; a damaged one always does, so that it is seen."""
    cell = entry.cell
    if cell is None:
        return True
    if find is not None:
        text = "\n".join((cell.id, cell.source, cell.markings, cell.notes)).casefold()
        if find.casefold() not in text:
            return False
    key = cell.taken_for
    if cell.is_device and form is None:
        return False
    return (
        (state is None or cell.state == state)
        and (chemistry is None or key == chemistry)
        and (form is None or cell.form == form)
    )


def cell_show(cell_id: IdArgument, logs: LogsOption = DEFAULT_LOGS, as_json: JsonOption = False) -> None:
    """Show all that the register knows of a cell, and its runs.

    Example: amphora cell show L3-a
    """
    shelf = Shelf(logs)
    cell = shelf.get(cell_id)
    runs = shelf.list_runs(cell.id)
    judged = judge_at_the_door(cell)
    standing = standing_of(shelf, cell.id)

    def show() -> None:
        print(cell_sheet(cell, runs, judged, standing))
        show_next(*after_a_look(cell, standing, judged.may_charge), logs=logs)

    own_runs = [
        {
            "folder": run.folder,
            "profile": run.profile,
            "created_utc": run.created_utc,
            "stop": run.stop or None,
            "start": standing.starts.get(Path(run.folder).name, run.start),
            "capacity_Ah": run.capacity_Ah,
            "capacity_U_Ah": run.capacity_U_Ah,
            "damaged": run.damaged or None,
        }
        for run in runs
    ]
    answer(
        {"cell": cell.to_dict(), "runs": own_runs, "judgement": judged.to_dict(), "standing": standing.to_dict()},
        as_json,
        show,
    )


def cell_check(
    cell_id: IdArgument,
    as_found: Annotated[str | None, typer.Option("--as-found", help="A new reading of its voltage at rest.")] = None,
    at: Annotated[
        str | None, typer.Option("--at", help="When it was read: '2026-11-28 18:40' or '18:40'; default: now.")
    ] = None,
    mass: Annotated[str | None, typer.Option(help="Weighed again.")] = None,
    inspection: Annotated[list[str] | None, typer.Option(help="Looked at again: sound, or part=word.")] = None,
    rechargeable: Annotated[bool, typer.Option("--rechargeable", help="State that the cell is rechargeable.")] = False,
    by: Annotated[str, typer.Option("--by", help="Who looked or measured.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Enter what was seen or measured, with its date, and judge the cell again. Ends with 1 unless accepted.

    Every entry stays; none is overwritten. A voltage 12 h or more after the last current bounds an inner leak.

    Example: amphora cell check L3-a --as-found "3.28 V" --at "18:40" --inspection leak=none
    """
    shelf = Shelf(logs)
    before = shelf.get(cell_id)
    voltage, grams = _quantity(as_found, "voltage", "--as-found"), _quantity(mass, "mass", "--mass")
    cell = checked(
        before,
        at=time_of(at),
        voltage_V=voltage,
        resolution_V=_last_digit_V(as_found),
        mass_g=grams,
        inspection=parse_inspection(inspection or []),
        rechargeable=rechargeable,
        by=by,
        tested=any(run.capacity_Ah is not None for run in shelf.list_runs(before.id)),
    )
    judged = judge_at_the_door(cell)
    if cell != before:
        shelf.save(cell)
    standing = standing_of(shelf, cell.id)
    accepted = judged.verdict == "accept" and cell.state != "quarantined"

    def show() -> None:
        print(f"{cell.id}: ", end="")
        if judged.verdict == "accept" and not accepted:
            print(f"kept apart still; {release_of(cell)}")
        else:
            _show_judgement(judged)
        for text in standing_lines(standing):
            print(f"  {text}")
        refused = ["cell", "show", cell.id]
        show_next(*(after_a_look(cell, standing, judged.may_charge) if accepted else refused), logs=logs)

    answer(
        {"cell": cell.id, "state": cell.state, **judged.to_dict(), "entries": to_json(cell.entries),
         "standing": standing.to_dict()},
        as_json,
        show,
    )  # fmt: skip
    if not accepted:
        leave(1)


def _last_digit_V(text: str | None) -> float:
    """Return what the last digit of a voltage stands for, as it was typed: 0.01 of '3.28 V'."""
    if text is None:
        return 0.01
    number = text.strip().replace(",", ".").split("V")[0].strip()
    scale = 1.0
    if number.endswith("m"):
        number, scale = number[:-1].strip(), 0.001
    decimals = len(number.partition(".")[2])
    return float(scale * 10.0**-decimals)


def cell_edit(
    cell_id: IdArgument,
    form: Annotated[str | None, typer.Option(help="Its form.")] = None,
    chemistry: Annotated[str | None, typer.Option(help="Its chemistry.")] = None,
    source: Annotated[str | None, typer.Option(help="Where it came from.")] = None,
    markings: Annotated[str | None, typer.Option(help="What is printed on it.")] = None,
    claim: Annotated[str | None, typer.Option(help="The capacity its label claims: '1200 mAh'.")] = None,
    why: Annotated[str, typer.Option("--why", help="Why it is corrected.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who corrects it.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Correct the register; what stood there before is kept as a dated entry. No finished run changes.

    Example: amphora cell edit L3-a --form 18650 --why "a slip of the pen"
    """
    shelf = Shelf(logs)
    changes: dict[str, Any] = {
        "form": form, "chemistry": chemistry, "source": source, "markings": markings,
        "claim_Ah": _quantity(claim, "capacity", "--claim"),
    }  # fmt: skip
    cell = shelf.save(edited(shelf.get(cell_id), {k: v for k, v in changes.items() if v is not None}, why, by))
    answer({"cell": cell.to_dict()}, as_json, lambda: _corrected(cell, logs))


def _corrected(cell: Cell, logs: Path) -> None:
    """Print what a correction entered, and where the cell is seen as it is now."""
    print(f"{cell.id}: {cell.entries[-1].text}")
    show_next("cell", "show", cell.id, logs=logs)


def cell_rename(
    cell_id: IdArgument,
    new_id: Annotated[str, typer.Argument(help="The id it gets.")],
    why: Annotated[str, typer.Option("--why", help="Why it is renamed.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who renames it.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Give a cell another id, as a dated entry. Its runs stay its own; nothing in their folders changes.

    Example: amphora cell rename 18650-004 L3-a --why "marked with a pen now"
    """
    cell = rename(Shelf(logs), cell_id, new_id, why, by)
    answer({"cell": cell.to_dict()}, as_json, lambda: _corrected(cell, logs))


def cell_remove(
    cell_id: IdArgument,
    why: Annotated[str, typer.Option("--why", help="Why it is removed.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who removes it.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Move a cell with all its runs to the wastebasket folder '.removed' of the logs; nothing is deleted.

    Example: amphora cell remove L3-a --why "entered twice"
    """
    where = remove(Shelf(logs), cell_id, why, by)

    def show() -> None:
        print(f"{cell_id}: moved to {where}")
        show_next("cell", "list", logs=logs)

    answer({"cell": cell_id, "moved_to": str(where)}, as_json, show)


def cell_note(
    cell_id: IdArgument,
    text: Annotated[str, typer.Argument(help="What to add to the notes.")],
    photo: Annotated[list[Path] | None, typer.Option(help="Path of a photo to add.")] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Add a line, dated, to a cell's notes.

    Example: amphora cell note L3-a "new wrapper put on"
    """
    shelf = Shelf(logs)
    cell = shelf.get(cell_id)
    notes = f"{cell.notes}\n{now_utc()[:10]}: {text}".strip()
    cell = shelf.save(replace(cell, notes=notes, photos=[*cell.photos, *(str(p) for p in photo or [])]))

    def show() -> None:
        print(cell.notes)
        show_next("cell", "show", cell.id, logs=logs)

    answer({"cell": cell.to_dict()}, as_json, show)


def cell_state(
    cell_id: IdArgument,
    state: Annotated[str, typer.Argument(help="found, quarantined, tested, in use or retired.")],
    chemistry: Annotated[str | None, typer.Option(help="Its chemistry, where it has become known.")] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """State what became of a cell.

    A retired cell stays retired unless its notes say why not: add a note first.

    Example: amphora cell state L3-a "in use"
    """
    shelf = Shelf(logs)
    cell = shelf.get(cell_id)
    if cell.state == "retired" and state != "retired" and not cell.notes:
        raise InputError(f"{cell.id} is retired; `amphora cell note {cell.id} TEXT` must say first why it comes back")
    told = replace(cell, entries=[*cell.entries, DatedEntry(now_utc(), "state", now_utc(), state=state)])
    data = {**told.to_dict(), "state": state, "chemistry": chemistry or cell.chemistry}
    cell = shelf.save(Cell.from_dict(data, f"cell state {cell.id}"))

    def show() -> None:
        print(f"{cell.id}: {cell.state}")
        if cell.state == "retired":
            print(f"  {DISPOSAL}")
        show_next(*(("cell", "list") if cell.state == "retired" else ("cell", "show", cell.id)), logs=logs)

    answer({"cell": cell.to_dict()}, as_json, show)


def shelf_rebuild(logs: LogsOption = DEFAULT_LOGS, as_json: JsonOption = False) -> None:
    """Rebuild the index and any deleted results from the run folders. Nothing is lost.

    Example: amphora shelf rebuild
    """
    shelf = Shelf(logs)
    make_missing(shelf)
    counts = shelf.rebuild()

    def show() -> None:
        print(", ".join(f"{number} {name.replace('_', ' ')}" for name, number in counts.items()))
        show_next("cell", "list", logs=logs)

    for entry in shelf.list_cells():
        if entry.damaged:
            say(f"damaged: {entry.damaged}")
    for run in shelf.list_runs():
        if run.damaged:
            say(f"damaged: {run.cell}: {run.damaged}")
    answer(dict(counts), as_json, show)


def _export_parquet(parquet: Path, out: Path | None, logs: Path, as_json: bool) -> None:
    if out is not None:
        raise InputError("--out and --parquet: one of the two is accepted")
    found = export_shelf(logs, parquet, say)
    for item in found.damaged:
        say(f"damaged, left out: {item.run}: {item.text}")
    text = f"{parquet}: {len(found.written)} runs written, {found.kept} unchanged, {len(found.removed)} removed"

    def show() -> None:
        print(f"{text}; {found.cells} cells")
        show_next("sources", logs=logs)

    answer({**asdict(found), "out": str(parquet)}, as_json, show)


def shelf_export(
    out: Annotated[Path | None, typer.Option("--out", help="Where to; standard output when not given.")] = None,
    parquet: Annotated[
        Path | None,
        typer.Option("--parquet", help="A folder for Parquet tables. A second export adds what is new."),
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Write the register as CSV, or with --parquet everything on the shelf as Parquet.

    Example: amphora shelf export --out register.csv
    """
    if parquet is not None:
        _export_parquet(parquet, out, logs, as_json)
        return
    shelf = Shelf(logs)
    text = shelf.export_csv()
    count = len(shelf.cells())
    if out is not None:
        write_new(out, text)
    data = {"cells": count, "out": None if out is None else str(out), "csv": text if out is None else None}

    def show() -> None:
        if out is None:  # the table alone: another program may read it
            print(text, end="")
            return
        print(f"{count} cells written to {out}")
        show_next("sources", logs=logs)

    answer(data, as_json, show)


def shelf_import(
    file: Annotated[Path, typer.Argument(help="A register as CSV; the columns of `shelf export`, any of them.")],
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Put the cells of a CSV file on the shelf: all of them, or none when one row is wrong.

    Example: amphora shelf import register.csv
    """
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{file}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{file}: byte {error.start} is no UTF-8 text; save the table as UTF-8") from error
    cells = Shelf(logs).import_csv(text, str(file))

    def show() -> None:
        print(f"{len(cells)} cells put on the shelf in {logs}")
        show_next("cell", "list", logs=logs)

    answer({"cells": [cell.id for cell in cells]}, as_json, show)
