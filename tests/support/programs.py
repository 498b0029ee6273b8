"""A simulated bench in another process, and the program as a user calls it."""

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

PROGRAM = [sys.executable, "-m", "amphora.harness"]


def heed_signals() -> None:
    """Let a program heed SIGHUP and Ctrl-C, also where whoever started the tests ignores them (nohup, a shell)."""
    for name in ("SIGHUP", "SIGINT"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)


class Served:
    """One `amphora bench simulate` at work."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.bench = folder / "bench.toml"
        self.truth_file = folder / "truth.json"
        self.process = subprocess.Popen(
            [
                *PROGRAM,
                "bench",
                "simulate",
                "--bench-out",
                str(self.bench),
                "--truth-out",
                str(self.truth_file),
                "--cell",
                "li-ion",  # full, unless a test wants another
                *options,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline().strip() == "ready"

    @property
    def truth(self) -> dict[str, Any]:
        return json.loads(self.truth_file.read_text())  # type: ignore[no-any-return]

    def end(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(timeout=180)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


class Program:
    """Calls the program with a shelf of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.logs = folder / "logs"
        self.environment = {**os.environ, "AMPHORA_LOGS": str(self.logs), "XDG_RUNTIME_DIR": str(folder)}
        # Locks of its own: simulated instruments of two tests have the same serial number.
        self.environment["AMPHORA_RUNTIME"] = str(folder / "runtime")

    def call(self, *words: str, code: int = 0) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [*PROGRAM, *words],
            capture_output=True,
            text=True,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            timeout=300,
        )
        assert done.returncode == code, (words, done.returncode, done.stdout[-2000:], done.stderr[-2000:])
        assert "Traceback" not in done.stderr
        return done

    def json(self, *words: str, code: int = 0) -> dict[str, Any]:
        return json.loads(self.call(*words, "--json", code=code).stdout)  # type: ignore[no-any-return]

    def start(self, *words: str, stdin: int = subprocess.DEVNULL) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [*PROGRAM, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=self.environment,
            stdin=stdin,
            preexec_fn=heed_signals,
        )


def run_inside(*words: str) -> subprocess.CompletedProcess[str]:
    """Call the program in this process, at a fraction of the time: for what starts no run.

    Nothing is caught but the end of the program, so an error nobody expected fails the test with its traceback.
    """
    from amphora.harness.cli.app import main

    out, err, ended = io.StringIO(), io.StringIO(), 0
    with (
        patch.object(sys, "argv", ["amphora", *words]),
        patch.object(sys, "excepthook", sys.excepthook),
        patch.object(sys, "stdin", io.StringIO()),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            ended = end.code if isinstance(end.code, int) else int(end.code is not None)
    return subprocess.CompletedProcess([*words], ended, out.getvalue(), err.getvalue())


class Inside(Program):
    """The same calls by `run_inside`."""

    def ends(self, *words: str) -> tuple[int, str]:
        """Return the exit code, whatever it is, and all that was said."""
        with patch.dict(os.environ, self.environment):
            done = run_inside(*words)
        return done.returncode, done.stdout + done.stderr

    def call(self, *words: str, code: int = 0) -> subprocess.CompletedProcess[str]:
        with patch.dict(os.environ, self.environment):
            done = run_inside(*words)
        assert done.returncode == code, (words, done.returncode, done.stdout[-2000:], done.stderr[-2000:])
        return done


def events_in(folder: Path) -> list[dict[str, Any]]:
    """The events written so far, without what `read_run` checks: for whoever looks many times a second."""
    try:
        lines = (folder / "events.jsonl").read_bytes().split(b"\n")[:-1]
    except OSError:  # not there yet
        return []
    return [json.loads(line) for line in lines]


def rows_in(folder: Path) -> int:
    """How many readings are written so far, likewise."""
    try:
        return max(0, (folder / "samples.csv").read_bytes().count(b"\n") - 1)
    except OSError:
        return 0


def wait_for(condition: Callable[[], bool], seconds: float = 180.0) -> None:
    """Wait until a condition holds; fail when it never does: on a busy machine everything comes, late."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.05)
    raise AssertionError(f"did not happen in {seconds:g} s")
