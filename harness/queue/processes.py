"""Runs as processes of their own: `amphora run` and `amphora resume`, one for each bay.

They are no children that end with the queue: a session of their own, nothing on a pipe. What a run says goes to
`.queue/CELL.out` and `.err` beside the cells; how it ended is read from there, and from its folder where that is
missing (the queue was dead, or the run was killed).
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from amphora.harness.archive.journal import read_run
from amphora.harness.archive.run_folder import resumable
from amphora.harness.archive.run_header import header_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bays import Bays
from amphora.harness.common.as_json import known_of
from amphora.harness.common.errors import AmphoraError
from amphora.harness.common.locks import START_SLACK_S, process_start
from amphora.harness.control.events import MadeSafe, RunnerGone, Stopped
from amphora.harness.plans.recipe import load_recipe
from amphora.harness.plans.settled import may_end_early
from amphora.harness.queue.room import Place
from amphora.harness.queue.supervisor import Ended

CODES = {"instrument": 4, "interrupted": 130, "killed": 143}
MOST_TEXT = 500


@dataclass(frozen=True, slots=True)
class _Answer:
    """What `amphora run --json` says at its end, as far as the queue goes by it."""

    run: str
    stop: str
    text: str
    exit_code: int
    safe: bool


class Processes:
    """Starts and follows them.

    Args:
        logs: The shelf's folder.
        bays: The bench.
        environment: For the runs; None: this process's.
        settled: Words of `amphora run` for discharges to the cut-off that may end early, as a person asked for.
    """

    def __init__(
        self, logs: Path, bays: Bays, environment: dict[str, str] | None = None, settled: Sequence[str] = ()
    ) -> None:
        self._settled = tuple(settled)
        self._logs = Path(logs).absolute()
        self._bays = bays
        self._environment = environment
        self._mine: dict[int, subprocess.Popen[bytes]] = {}

    def begin(self, cell: str, recipe: str, bay: str, run: str) -> tuple[int, float]:
        """Start a run, or go on with one; errors as `supervisor.Runs`."""
        words = ["resume", run] if run else ["run", "--cell", cell, "--profile", recipe, "--logs", str(self._logs)]
        words += ["--bench", self._bays.bays[bay].address, "--json"]
        if not run and self._bays.attended is not None:
            words += ["--attended", str(self._bays.attended)]
        if not run and self._settled and may_end_early(load_recipe(recipe)):
            words += self._settled
        out, err = self._said(cell)
        out.parent.mkdir(exist_ok=True)
        with out.open("wb") as answer, err.open("wb") as said:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "amphora.harness", *words],
                stdin=subprocess.DEVNULL,
                stdout=answer,
                stderr=said,
                env=self._environment,
                start_new_session=os.name != "nt",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        self._mine[process.pid] = process
        return process.pid, process_start(process.pid) or 0.0

    def ended(self, place: Place) -> Ended | None:
        """Return how a run ended; None while it goes on."""
        mine = self._mine.get(place.pid)
        if mine is not None:
            code = mine.poll()
            if code is None:
                return None
            del self._mine[place.pid]
            return self._how(place, code)
        pid, started = (place.pid, place.started) if place.pid else self._found(place)
        if pid and self._lives(pid, started):
            return None
        return self._how(place, None)

    def end(self, place: Place) -> None:
        """Ask it to make safe and end."""
        self._signal(place, signal.SIGTERM)

    def kill(self, place: Place) -> None:
        """End it for good."""
        self._signal(place, getattr(signal, "SIGKILL", signal.SIGTERM))

    # -- small things -----------------------------------------------------------------------------

    def _said(self, cell: str) -> tuple[Path, Path]:
        folder = self._logs / ".queue"
        return folder / f"{cell}.out", folder / f"{cell}.err"

    def _signal(self, place: Place, number: int) -> None:
        pid, started = (place.pid, place.started) if place.pid else self._found(place)
        if pid and (pid in self._mine or self._lives(pid, started)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, number)

    @staticmethod
    def _lives(pid: int, started: float) -> bool:
        actual = process_start(pid)
        return actual is not None and abs(actual - started) <= START_SLACK_S

    def _found(self, place: Place) -> tuple[int, float]:
        """Return the process of a run that was started and not written down: the queue died in between."""
        import psutil

        bay = self._bays.bays.get(place.bay or "")
        wanted = [bay.address] if bay is not None else []
        wanted += [place.run or place.cell]
        for process in psutil.process_iter(["cmdline"]):
            words = process.info["cmdline"] or []
            if "amphora.harness" in words and all(word in words for word in wanted):
                with contextlib.suppress(psutil.Error):
                    return process.pid, float(process.create_time())
        return 0, 0.0

    def _how(self, place: Place, code: int | None) -> Ended:
        """Return how it ended: by its own answer, else by its folder, else by what it said."""
        out, err = self._said(place.cell)
        try:
            answer = known_of(_Answer, json.loads(out.read_text(encoding="utf-8")))
            final = not _goes_on(answer.run)
            return Ended(answer.stop, _short(answer.text), answer.exit_code, answer.run, final, answer.safe)
        except (OSError, ValueError):
            pass
        newest = self._newest(place)
        if newest is not None:
            return _by_folder(newest)
        lines: list[str] = []
        with contextlib.suppress(OSError):
            lines = [line.strip() for line in err.read_text(encoding="utf-8", errors="replace").splitlines()]
        said = [line for line in lines if line.startswith("amphora: ")] or lines[-1:]
        text = _short(said[-1].removeprefix("amphora: ")) if said else "it ended without a word"
        if code in (1, 2):
            return Ended("refused", text, code)
        return Ended("instrument" if code == 4 else "killed", text, code if code and code > 0 else 143)

    def _newest(self, place: Place) -> Path | None:
        """Return the folder that this run wrote to, if it got so far."""
        if place.run:
            return Path(place.run)
        folders = Shelf(self._logs).runs(place.cell)
        began = place.began or datetime.max
        for folder in reversed(folders):
            with contextlib.suppress(AmphoraError, ValueError):
                created = datetime.fromisoformat(header_of(read_run(folder).run).created_utc)
                if self._bays.speed_up > 1.0 or created >= began - timedelta(seconds=2):
                    return folder
        return None


def _goes_on(folder: str) -> bool:
    try:
        resumable(Path(folder))
    except AmphoraError:
        return False
    return True


def _by_folder(folder: Path) -> Ended:
    goes_on = _goes_on(str(folder))
    events = read_run(folder).events
    stopped = next((event for event in reversed(events) if isinstance(event, Stopped | RunnerGone)), None)
    if stopped is None:
        return Ended("killed", "its process ended without a message", 143, str(folder), not goes_on)
    reason, text = stopped.reason, _short(stopped.text)
    code = 3 if reason.startswith("guard:") else CODES.get(reason, 0)
    made = [event for event in events if isinstance(event, MadeSafe)]
    return Ended(reason, text, code, str(folder), not goes_on, bool(made[-1].off) if made else True)


def _short(text: str) -> str:
    return text if len(text) <= MOST_TEXT else text[:MOST_TEXT] + " ..."


__all__ = ["Processes"]
