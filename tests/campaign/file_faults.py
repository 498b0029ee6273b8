"""Each file operation of a whole short run fails once: `python -m tests.campaign.file_faults`.

The run is on the virtual clock in this process: a cell is entered, its channels and its folder are
locked, it is run, described, analysed and listed. Every open for writing, write, flush, sync,
rename, removal, making of a folder, lock and statement to the shelf's index is counted; the n-th
fails, for every n, with "no space left" or "input/output error", before anything was written or
after half of it, once or from then on. Afterwards must be true:

- every output is off, and what was said is one sentence;
- what stands in the folder is before or after, never between: each file whole or not there, rows
  and events a beginning of the undisturbed run's, to the bit (a torn last line is told as such);
- the shelf still lists; the run goes on with `resume`, or says in one sentence why it can't.

The same for the record that the keeper writes of a dead run.
"""

import argparse
import builtins
import collections
import contextlib
import dataclasses
import errno
import functools
import io
import json
import os
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common import locks as lock
from amphora.harness.common.errors import AmphoraError
from amphora.harness.running.session import Request, carry_out, go_on

RECIPE = """
name = "short"
summary = "A rest, a short discharge, a rest."
attended = false

[[step]]
kind = "rest"
name = "before"
duration = "60 s"
sample_every = "20 s"

[[step]]
kind = "discharge"
name = "discharge"
current = "0.2 It"
at_most = "6 s"
normal_end = "time"
until = { voltage_falls_to = "cut-off" }

[[step]]
kind = "rest"
name = "after"
duration = "30 s"
sample_every = "10 s"
"""
CELL = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}
OS_CALLS = (
    "open", "write", "fsync", "fdatasync", "replace", "rename", "link", "unlink", "mkdir", "ftruncate",
)  # fmt: skip


class _File:
    """A file opened for writing, whose writes and flushes are counted."""

    def __init__(self, real: Any, faults: "FileFaults") -> None:
        self._real = real
        self._faults = faults

    def write(self, data: Any) -> int:
        """Write, or fail with nothing or half of it written."""

        def half() -> None:
            self._real.write(data[: len(data) // 2])
            self._real.flush()

        self._faults.step("write", half)
        return int(self._real.write(data))

    def flush(self) -> None:
        """Flush, or fail and keep what was to be written, as a buffer does."""
        self._faults.step("flush")
        self._real.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def __enter__(self) -> "_File":
        self._real.__enter__()
        return self

    def __exit__(self, *words: Any) -> Any:
        return self._real.__exit__(*words)

    def __iter__(self) -> Iterator[Any]:
        return iter(self._real)


class FileFaults:
    """Makes the n-th file operation of this thread fail, below one folder; counts them all.

    Args:
        root: The folder.
        at: Which one fails, from 1; 0: none.
        number: The system's error number.
        half: Whether half of a write gets through.
        stays: Whether every one after it fails too.
    """

    def __init__(self, root: Path, at: int, number: int = errno.ENOSPC, half: bool = False, stays: bool = False):
        self.root = str(root)
        self.at, self.number, self.half, self.stays = at, number, half, stays
        self.count = 0
        self.fired = ""
        self.kinds: collections.Counter[str] = collections.Counter()
        self._thread = threading.get_ident()
        self._active = False

    def step(self, kind: str, half: Callable[[], Any] | None = None) -> None:
        """Count one operation, and fail if it is the one."""
        if not self._active or threading.get_ident() != self._thread:
            return
        self.count += 1
        self.kinds[kind] += 1
        if self.count == self.at or (self.stays and 0 < self.at < self.count):
            self.fired = self.fired or kind
            if self.half and half is not None:
                half()
            if kind == "index":
                raise sqlite3.OperationalError("database or disk is full")
            raise OSError(self.number, os.strerror(self.number))

    def _here(self, path: Any) -> bool:
        try:
            return not isinstance(path, int) and str(Path(path).absolute()).startswith(self.root)
        except TypeError:
            return False

    @contextlib.contextmanager
    def active(self) -> Iterator["FileFaults"]:
        """Count, and let the one fail, in here."""
        real_open, real_connect = io.open, sqlite3.connect
        faults = self

        def opened(file: Any, mode: str = "r", *words: Any, **more: Any) -> Any:
            if not faults._active or not faults._here(file) or not set(mode) & set("wax+"):
                return real_open(file, mode, *words, **more)
            faults.step("open")
            return _File(real_open(file, mode, *words, **more), faults)

        class Base(sqlite3.Connection):
            def execute(self, *words: Any) -> Any:
                faults.step("index")
                return super().execute(*words)

            def commit(self) -> None:
                faults.step("index")
                super().commit()

        def connect(*words: Any, **more: Any) -> Any:
            if words[:1] == (":memory:",):
                return real_connect(*words, **more)
            faults.step("index")
            return real_connect(*words, factory=Base, **more)

        changes: list[tuple[Any, str, Any]] = [
            (io, "open", opened), (builtins, "open", opened), (sqlite3, "connect", connect)
        ]  # fmt: skip
        for name in OS_CALLS:
            if hasattr(os, name):
                changes.append((os, name, self._counted(name, getattr(os, name))))
        if lock.fcntl is not None:
            changes.append((lock.fcntl, "flock", self._counted("lock", lock.fcntl.flock)))
        before = [(owner, name, getattr(owner, name)) for owner, name, _ in changes]
        for owner, name, new in changes:
            setattr(owner, name, new)
        self._active = True
        try:
            yield self
        finally:
            self._active = False
            for owner, name, old in before:
                setattr(owner, name, old)

    def _counted(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def operation(first: Any, *words: Any, **more: Any) -> Any:
            if isinstance(first, int) or self._here(first):
                half = None
                if name == "write":
                    half = functools.partial(real, first, words[0][: len(words[0]) // 2])
                self.step(name, half)
            return real(first, *words, **more)

        return operation


# -- the short run --------------------------------------------------------------------------------


@dataclasses.dataclass
class Told:
    """How a run under a fault ended, and what should not have come of it."""

    at: int
    kind: str
    count: int
    said: str
    wrong: list[str]


class Story:
    """One short run on a bench of its own."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.logs = root / "logs"
        self.recipe = root / "short.toml"
        self.recipe.write_text(RECIPE, encoding="utf-8")
        self.bench = SimulatedBench("worn-out", 7, start_soc=0.9)
        self.described = bench_from_dict(self.bench.description)
        self.was_on = False
        switch = self.bench.load.set_input

        def noted(on: bool) -> None:
            self.was_on = self.was_on or on
            switch(on)

        self.bench.load.set_input = noted  # type: ignore[method-assign]

    def rig(self) -> Rig:
        """Return the bench, opened."""
        return Rig(self.described, self.bench.instruments)

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Hold each channel of the bench, as a run on real instruments does."""
        with contextlib.ExitStack() as stack:
            for name in self.bench.instruments:
                stack.enter_context(lock.acquire_channel(name, {"resource": f"simulated {name}"}))
            yield

    def tell(self) -> str:
        """Do all of it; return how the run ended."""
        shelf = Shelf(self.logs)
        shelf.add(Cell.from_dict(CELL))
        request = Request("c", str(self.recipe), self.logs, capacity_Ah=0.5)
        with self.held(), lock.acquire_folder(self.logs / "c" / "run"):
            outcome = carry_out(
                request, self.described, self.rig(), self.bench.clock, ObligingPerson(), guarded=False
            )  # fmt: skip
        shelf.list_cells()
        return f"{outcome.reason}: {outcome.text}"

    def folder(self) -> Path | None:
        """Return the run's folder, if there is one."""
        return next((path for path in (self.logs / "c").glob("*-short*") if path.is_dir()), None)

    def go_on(self) -> str:
        """Resume it; return how that ended."""
        folder = self.folder()
        assert folder is not None
        with self.held():
            outcome = go_on(folder, self.described, self.rig(), self.bench.clock, ObligingPerson(), guarded=False)
        return f"{outcome.reason}: {outcome.text}"


@contextlib.contextmanager
def runtime(root: Path) -> Iterator[None]:
    """Keep the locks of channels in a folder of this story."""
    before = os.environ.get("AMPHORA_RUNTIME")
    os.environ["AMPHORA_RUNTIME"] = str(root / "runtime")
    try:
        yield
    finally:
        if before is None:
            del os.environ["AMPHORA_RUNTIME"]
        else:
            os.environ["AMPHORA_RUNTIME"] = before


@contextlib.contextmanager
def place() -> Iterator[Path]:
    """Give a folder in memory, where there is such a thing."""
    within = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="amphora-files-", dir=within) as name, runtime(Path(name)):
        yield Path(name)


@dataclasses.dataclass
class Reference:
    """The undisturbed run: what the others must be a beginning of."""

    rows: list[Any]
    kinds: list[str]
    operations: collections.Counter[str]
    count: int


def undisturbed() -> Reference:
    """Run with no fault; count what could fail."""
    with place() as root:
        story = Story(root)
        with FileFaults(root, 0).active() as faults:
            story.tell()
        folder = story.folder()
        assert folder is not None
        run = read_run(folder)
        kinds = [event["kind"] for event in run.events]
        return Reference(list(run.iter_rows()), kinds, faults.kinds, faults.count)


def one(reference: Reference, at: int, number: int, half: bool, stays: bool) -> Told:
    """Let the n-th operation fail; see what comes of it."""
    wrong: list[str] = []
    with place() as root:
        story = Story(root)
        said = ""
        with FileFaults(root, at, number, half, stays).active() as faults:
            try:
                said = story.tell()
            except (AmphoraError, OSError) as error:
                said = str(error)
        if not faults.fired:
            wrong.append("the fault did not strike")
        if "\n" in said.strip() or not said:
            wrong.append(f"said {said!r}, which is no sentence")
        if story.bench.load.on or story.bench.supply.on:
            wrong.append("an output is still on")
        _look(wrong, story, reference)
        return Told(at, faults.fired, faults.count, said, wrong)


def _look(wrong: list[str], story: Story, reference: Reference) -> None:
    """What stands in the folders is before or after; the run goes on, or says why not."""
    shelf = Shelf(story.logs)
    try:
        listed = [entry.cell.id if entry.cell is not None else "?" for entry in shelf.list_cells()]
    except (AmphoraError, OSError, sqlite3.Error) as error:
        wrong.append(f"the shelf cannot be listed: {error!r}")
        return
    if (story.logs / "c" / "cell.json").exists() and listed != ["c"]:
        wrong.append(f"the shelf lists {listed}")
    folder = story.folder()
    if folder is None or not (folder / "run.json").is_file():
        if story.was_on:
            wrong.append("something was on, and there is no run.json")
        return
    for name in ("run.json", "result.json", "datapackage.json"):
        path = folder / name
        if path.exists():
            try:
                json.loads(path.read_text(encoding="utf-8"))
            except ValueError:
                wrong.append(f"{name} is neither whole nor away")
    try:
        run = read_run(folder)
        _same(wrong, run, reference)
    except AmphoraError as error:
        if story.was_on:
            wrong.append(f"the folder cannot be read: {error}")
        return
    final = run.stopped is not None
    try:
        ended = story.go_on()
    except AmphoraError as error:
        if not final and "\n" in str(error):
            wrong.append(f"resume says {error!r}, which is no sentence")
        return
    if final:
        wrong.append("a finished run was resumed")
    if not ended.startswith("time"):
        wrong.append(f"the resumed run ended with {ended}")
    if story.bench.load.on or story.bench.supply.on:
        wrong.append("an output is still on after resume")
    _same(wrong, read_run(folder), reference, only_first=run.rows)


def _same(wrong: list[str], run: RunFolder, reference: Reference, only_first: int | None = None) -> None:
    """Rows and events are a beginning of the undisturbed run's."""
    rows = list(run.iter_rows())[:only_first]
    if rows != reference.rows[: len(rows)]:
        wrong.append("a row is not what was read")
    for event in run.events:
        if event["after_row"] > run.rows:
            wrong.append(f"the event {event['kind']} counts {event['after_row']} rows, {run.rows} are there")


# -- the record of the keeper -----------------------------------------------------------------------


def keeper_record(at: int, half: bool, stays: bool) -> tuple[str, list[str]]:
    """Let the n-th operation of the keeper's record fail: it never raises, and the folder still reads."""
    from amphora.drivers.off import OffOrder
    from amphora.harness.running import watchdog as keeper
    from amphora.harness.running.switch_off import Entry, OffList

    wrong: list[str] = []
    with place() as root:
        story = Story(root)
        story.tell()
        folder = story.folder()
        assert folder is not None
        lines = (folder / "events.jsonl").read_bytes().splitlines(keepends=True)
        begun = next(index for index, line in enumerate(lines) if b'"kind":"discharge"' in line)
        (folder / "events.jsonl").write_bytes(b"".join(lines[: begun + 1]))
        before = read_run(folder)
        story.bench.load.on = True
        entries = [Entry(OffOrder(name, name, name), 0.02, (f"file faults {name}",)) for name in ("load", "supply")]
        given = keeper.HandedOver(OffList("b", tuple(entries)).to_dict(), str(folder), pid=0, started=0.0)
        with FileFaults(folder, at, half=half, stays=stays).active() as faults:
            try:
                keeper.act(given, "the runner is gone", lambda order, links: story.bench.instruments[order.name], 0.1)
            except Exception as error:  # noqa: BLE001  that it raises at all is what is looked for
                wrong.append(f"the keeper failed: {error!r}")
        if story.bench.load.on:
            wrong.append("the load is still on")
        try:
            run = read_run(folder)
        except AmphoraError as error:
            return faults.fired, [*wrong, f"the folder cannot be read: {error}"]
        if run.events[: len(before.events)] != before.events:
            wrong.append("an event from before has changed")
        return faults.fired, wrong


WAYS = tuple(
    (number, half, stays) for number in (errno.ENOSPC, errno.EIO) for half in (False, True) for stays in (False, True)
)


def main() -> int:
    """Let every operation fail in every way; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.file_faults", description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only every so manieth operation")
    options = parser.parse_args()
    begin = time.monotonic()
    reference = undisturbed()
    print(f"one run, {reference.count} operations: " + ", ".join(f"{k} {n}" for k, n in reference.operations.items()))
    runs = broken = 0
    struck: collections.Counter[str] = collections.Counter()
    for number, half, stays in WAYS:
        for at in range(1, reference.count + 1, options.every):
            told = one(reference, at, number, half, stays)
            runs += 1
            struck[told.kind] += 1
            if told.wrong:
                broken += 1
                print(f"{at} ({told.kind}, {os.strerror(number)}, half {half}, stays {stays}): {'; '.join(told.wrong)}")
    for half in (False, True):
        for stays in (False, True):
            for at in range(1, 100):
                kind, wrong = keeper_record(at, half, stays)
                if not kind:
                    break
                runs += 1
                struck[f"keeper's {kind}"] += 1
                if wrong:
                    broken += 1
                    print(f"the keeper's {at} ({kind}, half {half}, stays {stays}): {'; '.join(wrong)}")
    print("struck: " + ", ".join(f"{kind} {count}" for kind, count in struck.most_common()))
    print(f"{runs} runs, {broken} broken promises, {time.monotonic() - begin:.0f} s")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
