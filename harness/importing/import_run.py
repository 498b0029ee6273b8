"""A run folder out of anybody's table of time, voltage and current.

The order of things: what the file is (`importing.table_file`), which column is what (`importing.columns`), the rows
over time (`importing.rows`), whether a cell can have made them (`importing.plausibility`), then the folder. What
was done to the table is told and kept in `run.json` under `imported`. Nothing is written before all is read and
judged, and the folder appears whole or not at all.
"""

import contextlib
import hashlib
import json
import math
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal

import amphora.harness
from amphora.harness.account.after_run import enter_run
from amphora.harness.account.asking import standing_of
from amphora.harness.account.gate import require
from amphora.harness.archive.data_package import write_package
from amphora.harness.archive.journal import to_line, write_whole
from amphora.harness.archive.loading import assumed_measurement
from amphora.harness.archive.run_folder import COLUMNS, EVENTS, FORMAT, RUN, SAMPLES, read_header
from amphora.harness.archive.run_header import ColumnTaken, ImportOfRun, header_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.cells.cell import Cell, check_id
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.common.files import sha256, utc_text
from amphora.harness.common.optional_parts import need
from amphora.harness.control.events import Event, RunBegun, Stopped, Unobserved, event_to_json, stamped
from amphora.harness.importing.column_values import Told
from amphora.harness.importing.columns import one_cells_header, sources_of, with_units
from amphora.harness.importing.long_table import LongRows, is_long, long_rows, read_parts
from amphora.harness.importing.odd_columns import put_together
from amphora.harness.importing.one_cell import table_of_one_cell
from amphora.harness.importing.plausibility import (
    current_into_cell,
    doubt_scale,
    judge,
    settle_units,
    states_of,
)
from amphora.harness.importing.proof import prove
from amphora.harness.importing.rows import Rows, readings_of, rows_of
from amphora.harness.importing.sources import Sources
from amphora.harness.importing.strays import without_strays
from amphora.harness.importing.table_file import Layout, read_bytes, read_table

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    from amphora.harness.archive.shelf import Shelf

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]

STARTS = ("full", "declared-full", "unknown")
WRITTEN_AT_ONCE = 500_000  # rows


def import_table(
    file: Path,
    cell: str,
    mapping: Mapping[str, str] | None = None,
    discharge_sign: Literal["negative", "positive"] | None = None,
    cutoff: float | None = None,
    start: str = "unknown",
    logs: Path = Path("logs"),
    chemistry: str | None = None,
    measurement: Mapping[str, Any] | None = None,
    units: Mapping[str, str] | None = None,
    which: str | None = None,
    began: datetime | None = None,
    bench: Path | None = None,
    in_spite_of: Sequence[str] = (),
) -> Path:
    """Make a run folder out of a table; return the folder.

    Args:
        file: Delimited text, plain, gzip'd or the only table in a zip archive: any delimiter, with a header or
            without, decimal points or commas, elapsed or clock time; or a spreadsheet (.xlsx), its first table.
        cell: Id of the cell; one that is not on the shelf is put there, chemistry `auto`, and told.
        mapping: Channel (t, v, i, temp, step, steptime, ah, wh) -> column, with a factor after `*`
            or `/`; channels left out are guessed from well-known header words, and told.
        discharge_sign: Sign of the current that discharges, in the table; None: told from the data
            where that is clear, else negative.
        cutoff: Cut-off voltage in volt, or None.
        start: `full`, `declared-full` or `unknown`: how the record starts.
        logs: Folder of the cells and their runs.
        chemistry: For a cell that is not on the shelf yet.
        measurement: Specification of the channels, as in `run.json`; missing parts are assumed.
        units: Channel (t, v, i) -> unit, such as `min` or `mA`, where the table does not say it; `t` may be `mm:ss`.
        which: One cell of several in the table: what its column says, or a number; see `tablerows.table_of_one_cell`.
        began: When the record began, with its zone; a date in the table goes first. None: the file's own date.
        bench: Bench file with the specification of the instruments and where they sense.
        in_spite_of: Findings of the cell's account that a person takes on; they are kept in `run.json`.

    Raises:
        Refused: the account of the cell asks whether this can be its record, and nobody took it on.
        InputError: the file, the map or the readings are not usable: what, where, what is accepted.
            Nothing was written.
    """
    need("tables", "An import")
    file = Path(file)
    cell = check_id(cell)
    if start not in STARTS:
        raise InputError(f"--start: {start!r}; full, declared-full or unknown are accepted")
    if discharge_sign not in (None, "negative", "positive"):
        raise InputError(f"--discharge-sign: {discharge_sign!r}; negative or positive are accepted")
    if cutoff is not None and not (math.isfinite(cutoff) and 0 < cutoff < 100):
        raise InputError(f"--cutoff: {cutoff!r} V; a voltage above 0 V and below 100 V is accepted")
    told = Told()
    shelf = Shelf(logs)
    form = shelf.get(cell).form if (shelf.folder(cell) / "cell.json").is_file() else ""
    let_through = _asked(shelf, cell, in_spite_of, told)
    own_bench = _bench(bench)
    rows, imported = _read(file, mapping or {}, discharge_sign, told, units or {}, which, str(form or ""))
    imported = _began(file, rows if isinstance(rows, Rows) else rows.judged, began, imported, told)
    new_cell = None
    if (shelf.folder(cell) / "cell.json").is_file():
        record = shelf.get(cell)
    else:
        new_cell = Cell(id=cell, chemistry=chemistry or "auto", source=f"imported from {file.name}")
        record = Cell.from_dict(new_cell.to_dict())  # judged as one that was read
        told.note(f"{cell} was not on the shelf: put there with chemistry {record.chemistry}")
    if own_bench is not None:
        measurement = {**own_bench[1], **(measurement or {})}
    imported = replace(
        imported, notes=tuple(told.notes), warnings=tuple(told.warnings), in_spite_of=let_through or None
    )
    run = _run_json(record.to_dict(), start, cutoff, measurement, imported, {} if own_bench is None else own_bench[0])
    if new_cell is not None:
        shelf.add(new_cell)
    folder = _write(shelf, cell, run, rows, file.name)
    with contextlib.suppress(AmphoraError, OSError):
        write_package(folder)
    enter_run(folder)
    return folder


def _asked(shelf: "Shelf", cell_id: str, in_spite_of: Sequence[str], told: Told) -> tuple[Mapping[str, Any], ...]:
    """Pass the gate of the account; return what a person lets through.

    Raises:
        Refused: it asks, and nobody took it on.
    """
    if not (shelf.folder(cell_id) / "cell.json").is_file():
        return ()
    cell, standing = shelf.get(cell_id), standing_of(shelf, cell_id)
    let_through = require(cell, standing, ("import",), in_spite_of)
    for item in let_through:
        told.note(f"taken on: {item.code}: {item.text}")
    return tuple(to_json(item) for item in let_through)


def imported_notes(folder: Path) -> tuple[list[str], list[str]]:
    """Return what was told at an import: notes, and the texts of its warnings."""
    imported = header_of(read_header(folder)).imported or ImportOfRun()
    return list(imported.notes), [warning.text for warning in imported.warnings]


def _bench(file: Path | None) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Return what a bench file says of who measured: name and sensing, and the specification of the channels."""
    if file is None:
        return None
    bench = load_bench(file)
    return {"name": bench.name, "sensed_at": bench.data.get("sensed_at")}, bench.measurement()


def _began(file: Path, rows: Rows, began: datetime | None, imported: ImportOfRun, told: Told) -> ImportOfRun:
    """Return the import with when its record began and who says so: the table, whoever imports it, or the file."""
    if rows.first_utc is not None:
        if began is not None:
            told.note("the table has its own date; --began was not used")
        return replace(imported, began_utc=rows.first_utc, began_from="table")
    if began is not None:
        at = began.astimezone(UTC).isoformat()  # one without a zone is this computer's local time
        return replace(imported, began_utc=at, began_from="given", first_clock_time=at)
    try:
        at = datetime.fromtimestamp(file.stat().st_mtime, UTC).isoformat(timespec="seconds")
    except OSError:
        return imported
    told.note(f"the table has no date; the file's own is {at} (--began says otherwise)")
    return replace(imported, began_utc=at, began_from="file")


def _read(
    file: Path,
    mapping: Mapping[str, str],
    discharge_sign: Literal["negative", "positive"] | None,
    told: Told,
    units: Mapping[str, str],
    which: str | None,
    form: str,
) -> tuple[Rows | LongRows, ImportOfRun]:
    """Return a table's rows, judged, current positive into the cell; and what `run.json` keeps of the import."""
    notes: list[str] = []

    def channels(layout: Layout) -> Sources:
        return with_units(sources_of(str(file), layout.header, layout.width, mapping, []), units)

    if is_long(file) and which is None and (parts := read_parts(file, channels)) is not None:
        aside = Told()
        in_parts = put_together(parts.layout, parts.standing, mapping, [])[0] is not parts.layout
        try:
            rows, kept = _judged(file, parts.standing, parts.layout, mapping, discharge_sign, aside, units, None, form)
            long = None if in_parts else long_rows(parts, rows, kept, aside)  # what is put together needs the whole
        except InputError:
            long = None  # the whole table is judged anew, and named by its own rows
        if long is not None:
            told.notes += aside.notes
            told.warnings += aside.warnings
            return long, _imported(file, parts.checksum, parts.layout, rows.first_utc, kept)
        del parts
    content, checksum = read_bytes(file)
    table, layout = read_table(file, content, notes)
    del content
    told.notes += notes
    rows, kept = _judged(file, table, layout, mapping, discharge_sign, told, units, which, form)
    return rows, _imported(file, checksum, layout, rows.first_utc, kept)


def _judged(
    file: Path,
    table: "pd.DataFrame",
    layout: Layout,
    mapping: Mapping[str, str],
    discharge_sign: Literal["negative", "positive"] | None,
    told: Told,
    units: Mapping[str, str],
    which: str | None,
    form: str,
) -> tuple[Rows, Sources]:
    """Return the rows of a table, judged, current positive into the cell; and where each channel was taken from."""
    import numpy as np

    as_found = layout.header
    layout, table = put_together(layout, table, mapping, told.notes)
    header = layout.header
    own = one_cells_header(str(file), header, which) if which is not None and header else None
    if own is not None:
        told.note(f"columns with {which} in their header were taken")
    sources = with_units(sources_of(str(file), own or header, layout.width, mapping, told.notes), units)
    if own is None:
        table = table_of_one_cell(file, layout, table, sources, which, told)
    if len(table) < 2:
        raise InputError(f"{file}: {len(table)} row(s) of that cell; at least 2 are needed")
    unstated: frozenset[str] = frozenset()
    if not (sources.t.stated and sources.v.stated and sources.i.stated):
        readings = readings_of(file, layout, table, sources)
        unstated = readings.unstated
        sources = settle_units(file, readings, sources, form, told)
        del readings
    states = states_of(layout, table, sources)
    rows = without_strays(file, rows_of(file, layout, table, sources, told), told)
    if states is not None:
        states = states[np.searchsorted(table.index.to_numpy(), rows.lines)]
    i = current_into_cell(file, rows.columns.v, rows.columns.i, discharge_sign, told, states, sources.i.discharges)
    rows = replace(rows, columns=replace(rows.columns, i=i))
    judge(file, rows, told)
    doubt_scale(file, rows, form, told)
    aside = frozenset(k for k, (had, has) in enumerate(zip(as_found, own or header, strict=False)) if had and not has)
    prove(layout, table, sources, rows, unstated, units, form, aside, told)
    return rows, sources


def _imported(file: Path, checksum: str, layout: Layout, first_utc: str | None, sources: Sources) -> ImportOfRun:
    """Return what `run.json` keeps of the table; what was told is added at the end."""
    return ImportOfRun(
        file=file.name,
        sha256=checksum,
        delimiter=layout.delimiter,
        decimal=layout.decimal,
        first_line=layout.first_line,
        first_clock_time=first_utc,
        map={
            name: ColumnTaken(source.shown, source.factor, source.guessed)
            for name, source in sources.by_channel.items()
        },
    )


def _run_json(
    cell: dict[str, Any],
    start: str,
    cutoff: float | None,
    measurement: Mapping[str, Any] | None,
    imported: ImportOfRun,
    own_bench: Mapping[str, Any],
) -> dict[str, Any]:
    """Return `run.json` but for the run's id, which the folder's name gives; `own_bench`: who measured."""
    specification: dict[str, Any] = assumed_measurement()
    for name, given in (measurement or {}).items():
        if name in specification and given:
            specification[name] = {**specification[name], "assumed": False, **given}
    return {
        "format": FORMAT,
        "run_id": "",
        "created_utc": utc_text(datetime.now(UTC)),
        "cell": cell,
        "plan": None,
        "profile": "import",
        "start": "declared-full" if start == "full" else start,
        "cutoff_V": cutoff,
        "bench": {"name": "imported", "instruments": {}, "cell": {}, **own_bench},
        "measurement": specification,
        "software": {"name": "amphora", "version": amphora.harness.__version__},
        "imported": to_json(imported),
    }


def _write(shelf: "Shelf", cell: str, run: dict[str, Any], rows: Rows | LongRows, name: str) -> Path:
    """Write the folder beside its place and move it there whole."""
    home = shelf.folder(cell)
    moment = datetime.now(UTC)
    stamp = moment.strftime("%Y%m%dT%H%M%SZ")
    target = home / f"{stamp}-import"
    number = 2
    while target.exists():
        target = home / f"{stamp}-import-{number}"
        number += 1
    run["run_id"] = f"{cell}/{target.name}"
    building = home / f".{target.name}.{os.getpid()}.part"
    building.mkdir(parents=True)
    try:
        write_whole(building / RUN, json.dumps(run, ensure_ascii=False, allow_nan=False, indent=1) + "\n")
        _write_samples(building / SAMPLES, rows)
        checksums = {name: sha256(building / name) for name in (RUN, SAMPLES)}
        write_whole(building / EVENTS, _events(rows, moment, name, checksums))
        building.replace(target)
    except BaseException:
        shutil.rmtree(building, ignore_errors=True)
        raise
    return target


def _write_samples(path: Path, rows: Rows | LongRows) -> None:
    """Write `samples.csv` in parts, so that no second copy of a long table is held."""
    with path.open("wb") as file:
        for number, part in enumerate([rows] if isinstance(rows, Rows) else rows):
            if number == 0:
                file.write((",".join([*COLUMNS, *part.extra]) + "\n").encode("utf-8"))
            size = part.size
            for first in range(0, size, WRITTEN_AT_ONCE):
                _write_part(file, part, slice(first, min(first + WRITTEN_AT_ONCE, size)))


def _written(rows: Rows, part: slice) -> "dict[str, FloatArray | IntArray | None]":
    """Return the columns of the table in a run's folder for some rows; None of a channel that the record has not."""
    c = rows.columns
    t, v, i, temp = (None if values is None else _tidy(values[part]) for values in (c.t, c.v, c.i, c.temp))
    extra = {name: _tidy(values[part]) for name, values in rows.extra.items()}
    return {**dict(zip(COLUMNS, (t, rows.executed[part], v, i, temp), strict=True)), **extra}


def _write_part(file: IO[bytes], rows: Rows, part: slice) -> None:
    try:
        import pyarrow as pa
        import pyarrow.csv as pa_csv
    except ImportError:
        _write_plainly(file, rows, part)
        return
    data = {
        name: pa.nulls(part.stop - part.start, pa.float64()) if held is None else pa.array(held, from_pandas=True)
        for name, held in _written(rows, part).items()
    }
    pa_csv.write_csv(pa.table(data), file, pa_csv.WriteOptions(include_header=False))


def _write_plainly(file: IO[bytes], rows: Rows, part: slice) -> None:
    """As `_write_part`, where pyarrow is not installed: the same numbers."""
    import numpy as np

    texts: list[list[str]] = []
    for held in _written(rows, part).values():
        if held is None:
            texts.append([""] * (part.stop - part.start))
        else:
            texts.append(["" if np.isnan(value) else repr(value) for value in held.tolist()])
    file.write("".join(",".join(row) + "\n" for row in zip(*texts, strict=True)).encode("utf-8"))


def _events(rows: Rows | LongRows, moment: datetime, name: str, checksums: dict[str, str]) -> str:
    """Return `events.jsonl`: the beginning, a gap at each restart of the time, the end with all checksums."""
    judged = rows if isinstance(rows, Rows) else rows.judged
    size = rows.size
    t, utc = judged.columns.t, utc_text(moment)
    text = _line(RunBegun(), float(t[0]), utc, 0)
    for row in judged.restarts:
        known = "nothing: the file's time starts again here"
        text += _line(Unobserved(float(t[row - 1]), float(t[row]), known=known), float(t[row]), utc, row)
    own = hashlib.sha256(text.encode("utf-8")).hexdigest()  # of all lines before the last
    stopped = Stopped("person", f"imported from {name}", size, True, checksums={**checksums, EVENTS: own})
    return text + _line(stopped, float(t[-1]), utc, size)


def _line(event: Event, t_s: float, utc: str, after_row: int) -> str:
    return to_line(event_to_json(stamped(event, t_s, utc, after_row)))


def _tidy(values: "FloatArray") -> "FloatArray":
    """Round away the dust of a scale factor: ten decimals stay."""
    import numpy as np

    return np.round(values, 10)
