"""The writer of a run folder: append, sync. The journal is the run; `run_folder` reads it.

Files: `run.json` (what was known beforehand), `samples.csv` (a row per reading), `events.jsonl`
(a line per happening). Everything else in the folder is derived.

Order of writes, and what a crash between each two leaves behind:

1. The folder is made, `run.json` is written beside its place and renamed into it: a folder without
   `run.json` holds nothing that was ever on.
2. `samples.csv` gets its header, `events.jsonl` its first line (`run-begun`): a run without either
   has switched nothing on.
3. An order that energises is an event, synced, before it is sent: what may be on is always known.
4. A reading is a row, flushed as it comes (it survives the program) and synced by a second thread
   (it survives the computer): with every row at up to ten rows a second of wall clock, else once
   a second. A torn last line is dropped and told.
5. An event says how many rows precede it (`after_row`); these rows are synced before the event. Where
   they are missing all the same (a disk that does not keep its word), that is told, and the run is not
   taken up again: what its steps decided rests on rows that are gone.
6. The last event, `stopped`, carries the count of rows and a checksum of each file: without it the
   run was cut short and may be resumed; with it any later change is seen.

A write that fails (a full disk) is taken back: a line is there whole or not at all; where even that
fails, the next line that gets through marks the torn one.

Sampling never waits for the disk, save where an event must be on it. Invariant: rows in the order
of `t_s`, events in the order of writing; nothing is edited in place.
"""

import contextlib
import errno
import json
import os
import threading
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from amphora.harness.archive.run_folder import (
    COLUMNS,
    EVENTS,
    FILES,
    FORMAT,
    RUN,
    SAMPLES,
    TOOK,
    RunFolder,
    after_the_end,
    lost_rows,
    no_run,
    read_events,
    read_run,
)
from amphora.harness.common.errors import InputError
from amphora.harness.common.files import sha256, utc_text
from amphora.harness.control.events import Event, event_to_json, stamped

__all__ = [  # what is read stands in `run_folder`; named here, too, for those who ask the journal
    "COLUMNS",
    "FORMAT",
    "TOOK",
    "Event",
    "JournalWriter",
    "RunFolder",
    "after_the_end",
    "lost_rows",
    "no_run",
    "read_events",
    "read_run",
    "rounded",
    "sha256",
    "sync_folder",
    "to_line",
    "utc_text",
    "write_new",
    "write_out",
    "write_whole",
]  # fmt: skip

SYNC_EVERY_S = 0.1  # rows are brought to the disk at most this often, by wall clock


def _sync(descriptor: int) -> None:
    """Bring a file's data to the disk."""
    getattr(os, "fdatasync", os.fsync)(descriptor)


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system can."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet, as it stands.

    Raises:
        InputError: it is there already, or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise InputError(f"{path}: is there already; a new name is accepted") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from error


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file so that it is there whole or not at all; text in UTF-8."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "Is a directory", str(path))
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as file:
            file.write(content if isinstance(content, bytes) else content.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_out(out: Path, content: str | bytes) -> None:
    """Put what a person asked for in place at once, or leave what was there.

    Raises:
        InputError: it cannot be written.
    """
    if out.is_dir():
        raise InputError(f"{out}: is a folder; the name of a file is accepted")
    try:
        write_whole(out, content)
    except OSError as error:
        raise InputError(f"{out}: cannot be written: {error.strerror or error}") from error


def to_line(data: Mapping[str, Any]) -> str:
    """Return one line of JSON; a non-finite number is a mistake and raises ValueError."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"


class _Lines:
    """A file that grows by whole lines. A write that fails leaves it as it was before."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("ab", buffering=0)
        there = os.fstat(self._file.fileno())
        self._size, self._links, self._path = there.st_size, there.st_nlink, path
        self._torn = False

    def append(self, line: str) -> None:
        """Append a line, handed to the system when this returns.

        Raises:
            OSError: it could not be; what had got through is taken back.
        """
        data = line.encode("utf-8")
        if self._torn:
            data = b" torn\n" + data
        descriptor = self._file.fileno()
        done = 0
        try:
            while done < len(data):
                done += os.write(descriptor, data[done:] if done else data)
        except OSError:
            try:
                os.ftruncate(descriptor, self._size)
            except OSError:
                self._torn = os.fstat(descriptor).st_size > self._size
            raise
        self._torn = False
        self._size += done

    def sync(self) -> None:
        """Bring what was appended to the disk.

        Raises:
            ValueError: closed.
            OSError: it could not be, or somebody has deleted the file.
        """
        descriptor = self._file.fileno()
        _sync(descriptor)
        if os.fstat(descriptor).st_nlink == 0 < self._links:  # some file systems count none at all
            raise OSError(errno.ENOENT, f"{self._path} was deleted", str(self._path))

    def close(self) -> None:
        """Sync and close; may be called twice. A full disk does not raise: the write that failed told it."""
        if not self._file.closed:
            with contextlib.suppress(OSError):
                self.sync()
            with contextlib.suppress(OSError):
                self._file.close()


class JournalWriter:
    """Appends to one run folder. One writer at a time (see `common.locks`).

    `open_new` makes the folder; `open_again` goes on in one after an interruption.
    Any OSError goes through to the caller, which makes the bench safe first.
    """

    def __init__(self, folder: Path, rows: int, columns: tuple[str, ...]) -> None:
        self.folder = folder
        self.rows = rows
        self.columns = columns
        self._extra = columns[len(COLUMNS) :]
        self._samples = _Lines(folder / SAMPLES)
        try:
            self._events = _Lines(folder / EVENTS)
        except OSError:
            self._samples.close()
            raise
        self._dirty = threading.Event()
        self._closing = threading.Event()
        self._sync_error: OSError | None = None
        self._syncer = threading.Thread(target=self._keep_synced, name="journal-sync", daemon=True)
        self._syncer.start()

    @classmethod
    def open_new(cls, folder: Path, run: Mapping[str, Any], extra: tuple[str, ...] = ()) -> "JournalWriter":
        """Make the folder and write what is known beforehand.

        Raises:
            InputError: the folder is there already.
        """
        try:
            folder.mkdir(parents=True)
        except FileExistsError as error:
            raise InputError(f"{folder}: is there already; a run needs a folder of its own") from error
        columns = COLUMNS + extra
        write_whole(folder / RUN, json.dumps(run, ensure_ascii=False, allow_nan=False, indent=1) + "\n")
        write_whole(folder / SAMPLES, ",".join(columns) + "\n")
        sync_folder(folder.parent)
        return cls(folder, 0, columns)

    @classmethod
    def open_again(cls, folder: Path) -> "JournalWriter":
        """Go on in a folder whose run was cut short; a torn last line is closed off, not edited.

        A torn line gets a line end, so that what is appended starts on its own line; readers
        drop the incomplete row by its count of fields, and name it.
        """
        run = read_run(folder)
        for name in (SAMPLES, EVENTS):
            path = folder / name
            with path.open("r+b") as file:
                file.seek(0, os.SEEK_END)
                if file.tell():
                    file.seek(-1, os.SEEK_END)
                    if file.read(1) != b"\n":
                        # A torn number may look whole: the mark makes it unreadable for good.
                        file.write(b" torn\n")
                        file.flush()
                        os.fsync(file.fileno())
        return cls(folder, run.rows, run.columns)

    def append_row(
        self,
        t_s: float,
        step: int,
        voltage_V: float | None,
        current_A: float | None,
        temperature_degC: float | None,
        extra: Mapping[str, float],
    ) -> None:
        """Append a reading; handed to the system when this returns, synced within a second.

        Numbers are written so that reading them back gives the same bits: hand in values that
        have been rounded to what is worth keeping (`rounded`).
        """
        voltage = "" if voltage_V is None else voltage_V
        current = "" if current_A is None else current_A
        temperature = "" if temperature_degC is None else temperature_degC
        row = f"{t_s},{step},{voltage},{current},{temperature}"
        for name in self._extra:
            value = extra.get(name)
            row += "," if value is None else f",{value}"
        self._samples.append(row + "\n")
        self.rows += 1
        if self._sync_error is not None:
            raise self._sync_error
        if not self._dirty.is_set():
            self._dirty.set()

    def append_event(self, event: Event, t_s: float, utc: datetime) -> Event:
        """Append a happening, durable when this returns; the rows before it are synced first. Returns it stamped."""
        event = stamped(event, round(t_s, 4), utc_text(utc), self.rows)
        line = to_line(event_to_json(event))
        self._samples.sync()
        self._events.append(line)
        self._events.sync()
        return event

    def checksums(self) -> dict[str, str]:
        """Return the SHA-256 of the files as they stand; `events.jsonl` as before the next event."""
        return {name: sha256(self.folder / name) for name in FILES}

    def close(self) -> None:
        """Sync and close. May be called twice; a full disk does not raise here."""
        self._closing.set()
        self._dirty.set()
        if self._syncer.is_alive() and threading.current_thread() is not self._syncer:
            self._syncer.join(timeout=5.0)
        self._samples.close()
        self._events.close()

    def _keep_synced(self) -> None:
        """Sync in the background: at most ten times a second of wall clock."""
        while True:
            self._dirty.wait()
            self._dirty.clear()
            if self._closing.is_set():
                return
            try:
                self._samples.sync()
            except ValueError:
                return  # closed in between
            except OSError as error:
                self._sync_error = error
                return
            self._closing.wait(SYNC_EVERY_S)


def rounded(
    t_s: float, voltage_V: float | None, current_A: float | None, temperature_degC: float | None
) -> tuple[float, float | None, float | None, float | None]:
    """Return a reading rounded to what the journal keeps: 0.1 ms, 1 uV, 1 uA, 0.001 degC."""
    return (
        round(t_s, 4),
        None if voltage_V is None else round(voltage_V, 6),
        None if current_A is None else round(current_A, 6),
        None if temperature_degC is None else round(temperature_degC, 3),
    )
