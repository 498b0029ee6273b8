"""Promises about disks that refuse: what is there afterwards is before or after, never between.

Every operation of a whole short run fails once here; in every way in `tests.campaign.file_faults`.
Then a file system that is really full, in real processes: one in memory of a few kilobytes where
this computer lets us make one, else the system's own limit on the size of a file (both are real:
the system refuses the write).
"""

import contextlib
import errno
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from programs import PROGRAM, Program, Served

import amphora.harness.archive.journal as journal_module
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from tests.campaign.file_faults import CELL, RECIPE, Reference, Story, keeper_record, one, place, undisturbed

SMALL_KB = 64


@pytest.fixture(scope="module")
def reference() -> Reference:
    return undisturbed()


def test_every_kind_of_operation_is_among_those_that_fail(reference: Reference) -> None:
    wanted = {"open", "write", "flush", "fsync", "replace", "lock", "mkdir", "unlink", "index"}
    assert wanted <= set(reference.operations)
    assert reference.count > 150 and len(reference.rows) > 50


@pytest.mark.parametrize("stays", [False, True], ids=["fails once", "fails from then on"])
def test_whichever_operation_fails_outputs_are_off_and_files_are_before_or_after(
    reference: Reference, stays: bool
) -> None:
    struck = set()
    for at in range(1, reference.count + 1):
        number = errno.ENOSPC if at % 2 else errno.EIO
        told = one(reference, at, number, half=at % 4 < 2, stays=stays)
        assert not told.wrong, (at, told)
        struck.add(told.kind)
    assert struck == set(reference.operations)


def test_the_keepers_record_may_fail_and_the_load_is_off(reference: Reference) -> None:
    for at in range(1, 100):
        kind, wrong = keeper_record(at, half=at % 2 == 0, stays=False)
        assert not wrong, (at, kind)
        if not kind:
            break
    assert at > 4


def test_a_sync_that_fails_beside_the_run_ends_it_with_the_outputs_off(monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    real = journal_module._sync
    failed = []

    def sync(descriptor: int) -> None:
        if threading.current_thread().name == "journal-sync" and not failed:
            failed.append(descriptor)
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(descriptor)

    monkeypatch.setattr(journal_module, "_sync", sync)
    with place() as root:
        story = Story(root)
        sleep = story.bench.clock.sleep

        def slowly(seconds: float) -> None:  # so that the other thread gets to it
            if not failed:
                time.sleep(0.002)
            sleep(seconds)

        story.bench.clock.sleep = slowly  # type: ignore[method-assign]
        said = story.tell()
        assert failed and said.startswith("interrupted: the run folder cannot be written"), said
        assert not story.bench.load.on
        monkeypatch.undo()
        assert story.go_on().startswith("time")


# -- a file system that is really full ----------------------------------------------------------------


class Full:
    """A folder in which little fits, and the way it was made."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.how = "a file system of its own"
        folder.mkdir()
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={SMALL_KB}k", "none", str(folder)], capture_output=True, check=False
        )
        if made.returncode != 0:
            self.how = "the limit on a file's size"

    def limit(self, most: int = SMALL_KB * 512) -> Callable[[], None] | None:
        """What a process has to do first."""
        if self.how == "a file system of its own":
            return None
        return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))

    def fill(self) -> None:
        """Leave no room at all; with a limit there is nothing to fill."""
        if self.how == "a file system of its own":
            with contextlib.suppress(OSError), (self.folder / "filler").open("wb", buffering=0) as file:
                while True:
                    file.write(b"x" * 512)

    def make_room(self) -> None:
        """Let it be large from now on."""
        if self.how == "a file system of its own":
            subprocess.run(["mount", "-o", "remount,size=64m", str(self.folder)], check=True)

    def end(self) -> None:
        """Take it away."""
        if self.how == "a file system of its own":
            subprocess.run(["umount", str(self.folder)], check=True)


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Full]:
    made = Full(tmp_path / "full")
    yield made
    made.end()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    one_served = Served(tmp_path, "--cell", "worn-out", "--speed-up", "200", "--start-soc", "0.5")
    yield one_served
    one_served.end()


def test_a_disk_that_is_really_full_ends_the_run_off_readable_and_able_to_go_on(
    tmp_path: Path, full: Full, served: Served, capsys: pytest.CaptureFixture[str]
) -> None:
    amphora = Program(tmp_path)
    amphora.logs = full.folder / "logs"
    amphora.environment["AMPHORA_LOGS"] = str(amphora.logs)
    Shelf(amphora.logs).add(Cell.from_dict(CELL))
    recipe = tmp_path / "full.toml"
    recipe.write_text(RECIPE.replace('"6 s"', '"100 min"').replace('"short"', '"full"'), encoding="utf-8")
    bench = ["--bench", str(served.bench), "--capacity", "0.8 Ah"]
    process = subprocess.Popen(
        [*PROGRAM, "run", "--cell", "c", "--profile", str(recipe), *bench],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
        env=amphora.environment, preexec_fn=full.limit(),
    )  # fmt: skip
    out, err = process.communicate(timeout=60)
    with capsys.disabled():
        print(f"\n  full by {full.how}", file=sys.stderr)
    assert process.returncode == 2 and "Traceback" not in err
    assert "cannot be written" in out + err
    folder = next((amphora.logs / "c").glob("*-full"))
    run = read_run(folder)
    rows = list(run.iter_rows())
    assert len(rows) > 100 and run.stopped is None
    check = amphora.json("bench", "check", "--bench", str(served.bench))
    assert check["instruments"]["load"]["setup"]["on"] is False
    full.make_room()
    again = amphora.json("resume", str(folder))
    assert again["stop"] in ("cutoff", "time")
    assert list(read_run(folder).iter_rows())[: len(rows)] == rows
    assert read_run(folder).stopped is not None


def test_a_full_disk_gets_one_sentence_from_a_command_that_only_writes(tmp_path: Path) -> None:
    def tiny() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (16, resource.RLIM_INFINITY))

    done = subprocess.run(
        [*PROGRAM, "cell", "add", "x", "--form", "18650", "--chemistry", "li-ion", "--logs", str(tmp_path / "logs")],
        capture_output=True, text=True, check=False, preexec_fn=tiny,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.strip().count("\n") == 0 and "too large" in done.stderr.lower()
    assert not list((tmp_path / "logs").rglob("cell.json"))


def _whole(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def test_a_shelf_on_a_full_disk_keeps_the_old_record_of_a_cell(full: Full) -> None:
    shelf = Shelf(full.folder / "logs")
    shelf.add(Cell.from_dict(CELL))
    before = _whole(full.folder / "logs" / "c" / "cell.json")
    full.fill()
    saver = (
        "import dataclasses, sys\nfrom pathlib import Path\nfrom amphora.harness.archive.shelf import Shelf\n"
        "shelf = Shelf(Path(sys.argv[1]))\n"
        "try:\n    shelf.save(dataclasses.replace(shelf.get('c'), notes='n' * 4000))\n"
        "except OSError as error:\n    print('refused', error.errno)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", saver, str(shelf.logs)],
        capture_output=True, text=True, check=False, preexec_fn=full.limit(1000), cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.stdout.startswith("refused"), done
    assert _whole(full.folder / "logs" / "c" / "cell.json") == before
