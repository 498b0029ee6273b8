"""The shelf: the register of cells and their runs.

Plain files are the truth: `<logs>/<cell id>/cell.json` and beside it one folder for each run. The index
`<logs>/.shelf-index.sqlite` only keeps lists instant; it is made when missing, brought up to date when a folder's
time stamps say so, and may be deleted at any time. A folder that cannot be read is listed as damaged and never
hides another. Units: V, A, Ah, g; times in UTC.
"""

import contextlib
import csv
import io
import json
import os
import sqlite3
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from amphora.harness.archive.run_folder import EVENTS, RUN, SAMPLES
from amphora.harness.cells.cell import (
    DEVICE_FORMS,
    INSPECTION,
    NUMBERS,
    Cell,
    among,
    check_id,
)
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import shown
from amphora.harness.control.events import Stopped, event_of

_Answer = TypeVar("_Answer")
INDEX_NAME = ".shelf-index.sqlite"
INDEX_VERSION = 3


@dataclass(frozen=True, slots=True)
class RunEntry:
    """One line of the list of runs. `damaged`: why it cannot be read, empty when it can."""

    cell: str
    folder: str
    profile: str = ""
    created_utc: str = ""
    stop: str = ""
    start: str = ""
    capacity_Ah: float | None = None
    capacity_U_Ah: float | None = None
    damaged: str = ""


@dataclass(frozen=True, slots=True)
class CellEntry:
    """One line of the list of cells. `damaged`: why its record cannot be read."""

    id: str
    cell: Cell | None
    runs: int = 0
    damaged_runs: int = 0
    capacity_Ah: float | None = None
    capacity_U_Ah: float | None = None
    last_run_utc: str = ""
    damaged: str = ""
    findings: tuple[str, ...] = ()  # codes of what its account holds against it


class Shelf:
    """The register in one folder of logs."""

    def __init__(self, logs: Path) -> None:
        self.logs = Path(logs)

    # the plain files: the truth

    def folder(self, cell_id: str) -> Path:
        """Return a cell's folder; it need not exist."""
        return self.logs / check_id(cell_id)

    def add(self, cell: Cell) -> Cell:
        """Put a cell on the shelf.

        Raises:
            InputError: the id is taken, also by another spelling that some file systems take for the same.
        """
        cell = Cell.from_dict(cell.to_dict())
        folder = self.folder(cell.id)
        self.check_free(cell.id)
        folder.mkdir(parents=True, exist_ok=True)
        self._write(cell)
        return cell

    def check_free(self, cell_id: str, own: str = "") -> None:
        """Refuse an id that is taken, but for `own`: a cell may change how its own id is spelled.

        Raises:
            InputError: it is taken.
        """
        taken = {_folded(name): name for name in self._names()}
        other = taken.get(_folded(cell_id))
        if other is not None and other != own and (self.logs / other / "cell.json").exists():
            raise InputError(
                f"{cell_id}: there is a cell {other} on the shelf in {self.logs} already; choose another id"
            )

    def save(self, cell: Cell) -> Cell:
        """Write a cell's record anew; it must be on the shelf."""
        cell = Cell.from_dict(cell.to_dict())
        self.get(cell.id)
        self._write(cell)
        return cell

    def _write(self, cell: Cell) -> None:
        from amphora.harness.archive.journal import write_whole

        text = json.dumps(cell.to_dict(), ensure_ascii=False, indent=2, allow_nan=False) + "\n"
        write_whole(self.folder(cell.id) / "cell.json", text)

    def get(self, cell_id: str) -> Cell:
        """Return a cell.

        Raises:
            InputError: no such cell (names the id and the folder), or its record is damaged.
        """
        path = self.folder(cell_id) / "cell.json"
        if not path.is_file():
            now = ""
            for file in sorted(self.logs.glob("*/cell.json")):  # not by the index: a refusal writes nothing
                with contextlib.suppress(InputError):
                    cell = _read_cell(file)
                    now = cell.id if cell_id in cell.former_ids else now
            if now:
                raise InputError(f"{cell_id}: no such cell on the shelf in {self.logs}; it is called {now} now")
            known = [entry.parent.name for entry in self.logs.glob("*/cell.json")]
            near = get_close_matches(cell_id, known, 1, 0.6)
            raise InputError(
                f"{cell_id}: no such cell on the shelf in {self.logs}; `amphora cell add` puts one there, "
                "`amphora cell list` shows those there are" + (f" ({near[0]!r} is near)" if near else "")
            )
        return _read_cell(path)

    def cells(self) -> list[Cell]:
        """Return every cell whose record can be read, by id."""
        return [entry.cell for entry in self.list_cells() if entry.cell is not None]

    def runs(self, cell_id: str) -> list[Path]:
        """Return a cell's run folders, oldest first; damaged ones too."""
        folder = self.folder(cell_id)
        if not folder.is_dir():
            return []
        return [folder / name for name in run_names(folder)]

    def propose_id(self, form: str = "") -> str:
        """Return an id that is free: the form and a number."""
        stem = "".join(c for c in form if c.isalnum() and c.isascii())[:20] or "cell"
        taken = {_folded(name) for name in self._names()}
        number = 1
        while _folded(f"{stem}-{number:03d}") in taken:
            number += 1
        return f"{stem}-{number:03d}"

    def _names(self) -> list[str]:
        try:
            with os.scandir(self.logs) as entries:
                return sorted(e.name for e in entries if not e.name.startswith(".") and e.is_dir())
        except FileNotFoundError:
            return []
        except OSError as error:
            raise InputError(f"{self.logs}: cannot be read: {error.strerror}; a folder is accepted") from error

    # the index: only for speed

    @property
    def index_path(self) -> Path:
        """Return where the index is kept."""
        return self.logs / INDEX_NAME

    def list_cells(self) -> list[CellEntry]:
        """Return every cell, by id, with the count of its runs and its newest capacity; damaged ones too."""
        totals, newest, rows = self._ask(_cells_and_counts)
        entries = []
        for cell_id, record, damaged in rows:
            count, broken, last = totals.get(cell_id, (0, 0, ""))
            capacity, capacity_U = newest.get(cell_id, (None, None))
            cell = None if damaged else Cell.from_checked(json.loads(record))
            entries.append(CellEntry(cell_id, cell, count, broken or 0, capacity, capacity_U, last or "", damaged))
        return entries

    def list_runs(self, cell_id: str | None = None) -> list[RunEntry]:
        """Return the runs of one cell, or of all, oldest first; damaged ones say why."""
        where, values = ("where cell = ?", (check_id(cell_id),)) if cell_id else ("", ())
        return self._entries(f"{where} order by cell, name", values)

    def list_runs_of_cells(self) -> list[RunEntry]:
        """Return the runs of all cells, oldest first, and none of a device: the index is looked at once."""
        marks = ", ".join("?" * len(DEVICE_FORMS))
        devices = f"select id from cells where damaged = '' and json_extract(record, '$.form') in ({marks})"
        return self._entries(f"where cell not in ({devices}) order by cell, name", DEVICE_FORMS)

    def _entries(self, which: str, values: tuple[str, ...]) -> list[RunEntry]:
        """Return the runs that the index has; their folders by where the shelf is now, not by where it was asked from
        when they were entered."""
        names = ", ".join("name" if item.name == "folder" else item.name for item in fields(RunEntry))
        question = f"select {names} from runs {which}"
        logs = str(self.logs)
        return [
            RunEntry(cell, os.path.join(logs, cell, name), *rest)  # noqa: PTH118  ten thousand of them a comparison
            for cell, name, *rest in self._ask(lambda base: base.execute(question, values).fetchall())
        ]

    def rebuild(self) -> dict[str, int]:
        """Make the index anew from the folders; return the counts."""
        for ending in ("", "-wal", "-shm", "-journal"):
            with contextlib.suppress(OSError):
                (self.logs / (INDEX_NAME + ending)).unlink(missing_ok=True)
        with self._index() as base:
            cells, broken = base.execute("select count(*), coalesce(sum(damaged <> ''), 0) from cells").fetchone()
            runs, broken_runs = base.execute("select count(*), coalesce(sum(damaged <> ''), 0) from runs").fetchone()
        return {"cells": cells, "runs": runs, "damaged_cells": broken, "damaged_runs": broken_runs}

    def kept(self, code: str) -> dict[str, tuple[str, str]]:
        """Return by cell a key of all that its standing is made of, and the standing kept for it, "" where none is.

        Args:
            code: A digest of the code that makes standings.
        """

        def ask(base: sqlite3.Connection) -> dict[str, tuple[str, str]]:
            stamps: dict[str, str] = {}
            for cell_id, text in base.execute(
                "select cell, group_concat(name || stamp || stop) from runs group by cell"
            ):
                stamps[cell_id] = str(text)
            kept = {row[0]: (row[1], row[2]) for row in base.execute("select cell, key, text from standings")}
            found = {}
            for cell_id, stamp in base.execute("select id, stamp from cells where damaged = '' order by id"):
                key = f"{code} {stamp} {stamps.get(cell_id, '')}"
                before = kept.get(cell_id)
                found[cell_id] = (key, before[1] if before is not None and before[0] == key else "")
            return found

        return self._ask(ask)

    def keep(self, standings: Mapping[str, tuple[str, str]]) -> None:
        """Keep standings in the index: by cell the key they were made for, and their text."""
        self._keep("standings", standings)

    def _keep(self, table: str, found: Mapping[str, tuple[str, str]]) -> None:
        if not found:
            return
        base = self._connect()
        try:
            with contextlib.suppress(sqlite3.Error), base:
                base.executemany(
                    f"insert or replace into {table} values (?, ?, ?)",
                    [(cell, key, text) for cell, (key, text) in found.items()],
                )
        finally:
            base.close()

    def kept_answers(self) -> dict[str, tuple[str, str]]:
        """Return by cell what `keep_answers` kept: the key it was kept for, and its text. The index is not brought up
        to date for it: the key alone says whether the text still holds."""
        base = self._connect()
        try:
            return {row[0]: (row[1], row[2]) for row in base.execute("select cell, key, text from answers")}
        except sqlite3.Error:
            return {}
        finally:
            base.close()

    def keep_answers(self, answers: Mapping[str, tuple[str, str]]) -> None:
        """Keep in the index what a comparison read of each cell: by cell the key it was made for, and its text."""
        self._keep("answers", answers)

    def note_run(self, folder: Path) -> None:
        """Enter or refresh one run in the index: the cost does not grow with the shelf."""
        folder = Path(folder)
        base = self._connect()
        try:
            with contextlib.suppress(sqlite3.Error), base:
                _store_run(base, folder.parent.name, folder)
        finally:
            base.close()

    def _ask(self, question: Callable[[sqlite3.Connection], _Answer]) -> _Answer:
        """Ask the index; where the disk refuses, one made in memory."""
        try:
            with self._index() as base:
                return question(base)
        except sqlite3.Error:
            base = _prepared(sqlite3.connect(":memory:"))
            try:
                self._refresh(base)
                return question(base)
            finally:
                base.close()

    @contextlib.contextmanager
    def _index(self) -> Iterator[sqlite3.Connection]:
        """Yield the index, up to date; in memory where the folder cannot be written or the file is damaged."""
        base = self._connect()
        try:
            try:
                self._refresh(base)
            except sqlite3.Error:
                base.close()
                base = _prepared(sqlite3.connect(":memory:"))
                self._refresh(base)
            yield base
        finally:
            base.close()

    def _connect(self) -> sqlite3.Connection:
        if not self.logs.is_dir():
            return _prepared(sqlite3.connect(":memory:"))
        for attempt in range(2):
            try:
                base = sqlite3.connect(self.index_path, timeout=5.0)
            except sqlite3.Error:
                break
            try:
                return _prepared(base)
            except sqlite3.DatabaseError as error:
                base.close()
                if attempt or isinstance(error, sqlite3.OperationalError):
                    break  # locked or read-only: not ours to throw away
                self.index_path.unlink(missing_ok=True)  # no database at all
        return _prepared(sqlite3.connect(":memory:"))

    def _refresh(self, base: sqlite3.Connection) -> None:
        """Bring the index up to date: look at time stamps, read only what changed."""
        known_cells = {row[0]: row[1:] for row in base.execute("select id, stamp, folder_stamp from cells")}
        known_runs: dict[str, dict[str, tuple[int, str]]] = {}
        for cell_id, name, stamp, stop in base.execute("select cell, name, stamp, stop from runs"):
            known_runs.setdefault(cell_id, {})[name] = (stamp, stop)
        names = self._names()
        with base:
            for gone in (known_cells.keys() | known_runs.keys()) - set(names):
                base.execute("delete from cells where id = ?", (gone,))
                base.execute("delete from runs where cell = ?", (gone,))
            for name in names:
                self._refresh_cell(base, name, known_cells.get(name), known_runs.get(name, {}))

    def _refresh_cell(
        self,
        base: sqlite3.Connection,
        name: str,
        known: tuple[int, int] | None,
        runs: Mapping[str, tuple[int, str]],
    ) -> None:
        folder = f"{self.logs}/{name}"  # text, for none of them is opened as long as nothing changed
        record = f"{folder}/cell.json"
        stamp, folder_stamp = _stamp(record), _stamp(folder)
        current: Iterable[str] = runs
        if known is None or known != (stamp, folder_stamp):
            current = run_names(folder)
            if stamp == 0 and not current:
                base.execute("delete from cells where id = ?", (name,))
                base.execute("delete from runs where cell = ?", (name,))
                return  # not a cell's folder
            content, damaged = "", ""
            try:
                cell = _read_cell(Path(record))
                if cell.id != name:
                    raise InputError(f"{record}: key 'id' = {cell.id!r}, but the folder is {name!r}")
                content = json.dumps(cell.to_dict())
            except InputError as error:
                damaged = str(error)
            base.execute(
                "insert or replace into cells values (?, ?, ?, ?, ?)", (name, stamp, folder_stamp, content, damaged)
            )
            for gone in runs.keys() - set(current):
                base.execute("delete from runs where cell = ? and name = ?", (name, gone))
        for run in current:
            before = runs.get(run)
            if before is None or not before[1] or before[0] != _run_stamp(f"{folder}/{run}"):
                _store_run(base, name, Path(folder) / run)

    # CSV

    def export_csv(self) -> str:
        """Return the register as CSV text, one cell a row."""
        out = io.StringIO(newline="")
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerow(CSV_COLUMNS)
        for cell in self.cells():
            writer.writerow(_csv_row(cell))
        return out.getvalue()

    def import_csv(self, text: str, where: str = "register") -> list[Cell]:
        """Put the cells of a CSV text on the shelf; all of them or none.

        Raises:
            InputError: names the file, the line, the column, the value; nothing was written.
        """
        cells = list(read_register(text, where))
        taken = {_folded(name) for name in self._names()}
        for line, cell in cells:
            if _folded(cell.id) in taken:
                raise InputError(f"{where}: line {line}: there is a cell {cell.id} already; nothing was written")
            taken.add(_folded(cell.id))
        return [self.add(cell) for _, cell in cells]


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _stamp(path: str) -> int:
    """Return when a path was last changed, in ns; 0 when it is not there."""
    try:
        return os.stat(path).st_mtime_ns  # noqa: PTH116  ten thousand of them a list
    except OSError:
        return 0


def _run_stamp(folder: str) -> int:
    """Return a stamp that changes with a run's files being made or replaced."""
    return _stamp(folder)


def run_names(folder: Path | str) -> list[str]:
    """Return the names of a cell's run folders: those that begin with a UTC stamp, or hold a run.json."""
    try:
        with os.scandir(folder) as entries:
            names = [e.name for e in entries if not e.name.startswith(".") and e.is_dir()]
    except OSError:
        return []
    return sorted(n for n in names if n[:8].isdigit() or Path(folder, n, RUN).exists())


def _read_cell(path: Path) -> Cell:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"{path}: is missing") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: is not JSON: {error}") from error
    return Cell.from_dict(data, str(path))


def _cells_and_counts(
    base: sqlite3.Connection,
) -> tuple[dict[str, tuple[Any, ...]], dict[str, tuple[Any, ...]], list[Any]]:
    """Return by cell the counts of its runs and its newest capacity, and the cells."""
    counts = base.execute("select cell, count(*), sum(damaged <> ''), max(created_utc) from runs group by cell")
    totals = {row[0]: row[1:] for row in counts.fetchall()}
    capacities = base.execute(
        "select cell, capacity_Ah, capacity_U_Ah, max(created_utc) from runs "
        "where capacity_Ah is not null and start in ('full', 'declared-full') group by cell"
    )
    newest = {row[0]: row[1:3] for row in capacities.fetchall()}
    return totals, newest, base.execute("select id, record, damaged from cells order by id").fetchall()


def _prepared(base: sqlite3.Connection) -> sqlite3.Connection:
    """Return the database with our tables; made anew when the version differs."""
    version = base.execute("pragma user_version").fetchone()[0]
    if version != INDEX_VERSION:
        base.executescript(
            f"""
            drop table if exists cells; drop table if exists runs; drop table if exists standings;
            drop table if exists answers;
            create table cells (id text primary key, stamp int, folder_stamp int, record text, damaged text);
            create table runs (cell text, name text, stamp int, folder text, profile text, created_utc text,
                stop text, start text, capacity_Ah real, capacity_U_Ah real, damaged text,
                primary key (cell, name)) without rowid;
            create table standings (cell text primary key, key text, text text);
            create table answers (cell text primary key, key text, text text);
            pragma user_version = {INDEX_VERSION};
            """
        )
    base.execute("pragma synchronous = off")  # it can always be made again
    return base


def _store_run(base: sqlite3.Connection, cell_id: str, folder: Path) -> None:
    stamp = _run_stamp(str(folder))
    entry = read_entry(folder)
    base.execute(
        "insert or replace into runs values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            cell_id, folder.name, stamp, str(folder), entry.profile, entry.created_utc, entry.stop, entry.start,
            entry.capacity_Ah, entry.capacity_U_Ah, entry.damaged,
        ),
    )  # fmt: skip


def cell_id_now(folder: Path, then: str) -> str:
    """Return the id that the cell of a run has now: the register's, where it is that cell, else `then`.

    Args:
        folder: The run's folder.
        then: The id that the run bears.
    """
    with contextlib.suppress(InputError):
        cell = _read_cell(Path(folder).absolute().parent / "cell.json")
        if then in cell.former_ids and cell.id == Path(folder).absolute().parent.name:
            return cell.id
    return then


def read_entry(folder: Path) -> RunEntry:
    """Return a run's line for the list, from its files; a damaged one says why and raises nothing."""
    from amphora.harness.archive.result_file import read_kept

    cell_id = folder.parent.name
    try:
        run = json.loads((folder / RUN).read_text(encoding="utf-8"))
        if not isinstance(run, dict) or not str(run.get("format", "")).startswith("amphora-run/"):
            raise ValueError("key 'format' is not that of a run")
        for name in (SAMPLES, EVENTS):
            if not (folder / name).is_file():
                raise FileNotFoundError(2, f"{name} is missing")
        stop = _last_stop(folder / EVENTS)
    except OSError as error:
        return RunEntry(cell_id, str(folder), damaged=f"{folder.name}: {_why(error)}", created_utc="")
    except (ValueError, RecursionError) as error:
        return RunEntry(cell_id, str(folder), damaged=f"{folder.name}: {error}")
    capacity: dict[str, float | None] = {"capacity_Ah": None, "capacity_U_Ah": None}
    result = (read_kept(folder / "result.json") or {}).get("result", {})
    if result.get("reached_cutoff"):
        for name in capacity:
            value = result.get(name)
            capacity[name] = float(value) if isinstance(value, int | float) else None
    start = str(result.get("start") or run.get("start") or "")
    return RunEntry(
        cell_id, str(folder), str(run.get("profile") or ""), str(run.get("created_utc") or ""), stop,
        start, capacity["capacity_Ah"], capacity["capacity_U_Ah"],
    )  # fmt: skip


def _why(error: OSError) -> str:
    """Return what is wrong with a file of a run, by its name."""
    name = Path(str(error.filename)).name if error.filename else ""
    if isinstance(error, FileNotFoundError) and name:
        return f"{name} is missing"
    return f"{name}: {error.strerror}" if name else str(error.strerror or error)


def _last_stop(path: Path) -> str:
    """Return the reason of the last event if it says that the run is final, else an empty text."""
    with path.open("rb") as file:
        file.seek(0, os.SEEK_END)
        size = file.tell()
        file.seek(max(0, size - 65536))
        lines = file.read().split(b"\n")
    complete = [line for line in lines[:-1] if line.strip()]
    if not complete:
        return ""
    data = json.loads(complete[-1])
    if not isinstance(data, dict):
        raise ValueError("events.jsonl: the last line is no event")
    event = event_of(data)
    return (event.reason or "stopped") if isinstance(event, Stopped) else ""


CSV_COLUMNS = (
    "id", "form", "chemistry", "source", "markings", "claim_Ah", "mass_g", "as_found_V", "as_found_utc",
    *INSPECTION, "photos", "notes", "state", "declared_rechargeable", "identified",
)  # fmt: skip
_RISKY = ("=", "+", "-", "@", "\t", "\r", "'")


def _guarded(text: str) -> str:
    """Return text that no spreadsheet takes for a formula; `_bare` takes the mark off again."""
    return "'" + text if text.startswith(_RISKY) else text


def _bare(text: str) -> str:
    return text[1:] if text.startswith("'") else text


def _csv_row(cell: Cell) -> list[str]:
    row = []
    for name in CSV_COLUMNS:
        if name in INSPECTION:
            row.append(cell.inspection.get(name, ""))
            continue
        value = getattr(cell, name)
        if name == "photos":
            row.append(_guarded("\n".join(value)))
        elif name == "identified":
            kept = cell.identified.to_dict()
            row.append(json.dumps(kept, ensure_ascii=False) if kept else "")
        elif isinstance(value, bool):
            row.append("yes" if value else "no")
        elif isinstance(value, str):
            row.append(_guarded(value))
        else:
            row.append("" if value is None else repr(value))
    return row


def read_register(text: str, where: str) -> Iterator[tuple[int, Cell]]:
    """Yield (line, cell) of a register as CSV; columns as exported, those missing are not known.

    Raises:
        InputError: file, line, column, value and what is accepted.
    """
    text = text.removeprefix("\ufeff")
    head = text.partition("\n")[0]
    mark = ";" if ";" in head and "," not in head else ","  # some spreadsheets write the one, some the other
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    try:
        header = [name.strip() for name in next(reader, [])]
        for name in header:
            if name not in CSV_COLUMNS or header.count(name) > 1:
                raise InputError(
                    f"{where}: line 1: column {shown(name)} is not known or there twice; "
                    f"{', '.join(CSV_COLUMNS)} are accepted"
                )
        if "id" not in header:
            raise InputError(f"{where}: line 1: there is no column 'id'")
        for row in reader:
            if not any(row):
                continue
            line = reader.line_num
            if len(row) != len(header):
                raise InputError(f"{where}: line {line}: {len(row)} fields where the header has {len(header)}")
            yield line, _cell_of_row(dict(zip(header, row, strict=True)), f"{where}: line {line}")
    except csv.Error as error:
        raise InputError(f"{where}: line {reader.line_num}: is no CSV: {error}") from error


def _cell_of_row(row: Mapping[str, str], where: str) -> Cell:
    data: dict[str, Any] = {"inspection": {}}
    for name, written in row.items():
        if not written:
            continue
        if name in INSPECTION:
            data["inspection"][name] = written
        elif name in NUMBERS:
            try:
                data[name] = float(written)
            except ValueError as error:
                raise InputError(f"{where}: column {name!r} = {shown(written)} is no number") from error
        elif name == "photos":
            data[name] = _bare(written).split("\n")
        elif name == "declared_rechargeable":
            among(written, ("yes", "no"), f"{where}: column {name!r}")
            data[name] = written == "yes"
        elif name == "identified":
            try:
                data[name] = json.loads(written)
            except (ValueError, RecursionError) as error:
                raise InputError(f"{where}: column 'identified' is not JSON") from error
        else:
            data[name] = _bare(written)
    return Cell.from_dict(data, where)


def now_utc() -> str:
    """Return the time of the wall clock as the register writes it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
