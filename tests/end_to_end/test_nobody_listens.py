"""A terminal that is gone, a pipe that nobody reads: no reason to stop a night, and none to lose how it ended."""

import fcntl
import os
import select
import signal
import subprocess
import termios
import threading
from pathlib import Path
from typing import Any

import pytest
from programs import PROGRAM, Inside, heed_signals, rows_in, wait_for

from amphora.harness.archive.journal import read_run

NIGHT = ("--profile", "overnight", "--start", "declared-full", "--current", "0.1 A")  # long: it is to be cut short


def add(amphora: Any) -> None:
    Inside(amphora.folder).call(
        "cell", "add", "L3-a", "--form", "18650", "--chemistry", "li-ion", "--as-found", "4.18 V"
    )


def folder_of(amphora: Any) -> Path:
    folders: list[Path] = [path for path in (amphora.logs / "L3-a").iterdir() if path.is_dir()]
    return folders[0]


def rows_of(amphora: Any) -> int:
    try:
        return rows_in(folder_of(amphora))
    except (OSError, IndexError):  # not there yet
        return 0


def last_s(amphora: Any) -> float:
    """When the last reading was taken, in the run's time."""
    whole = (folder_of(amphora) / "samples.csv").read_bytes().split(b"\n")[:-1]
    return float(whole[-1].split(b",")[0])


def test_pipes_that_nobody_reads_stop_no_run_and_change_no_exit_code(serve: Any, amphora: Any) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "300")
    add(amphora)
    process = amphora.start("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT)
    wait_for(lambda: rows_of(amphora) > 100)
    process.stdout.close()
    process.stderr.close()
    before_s = last_s(amphora)
    wait_for(lambda: last_s(amphora) > before_s + 1500.0)  # progress is told every ten minutes of its time
    assert process.poll() is None
    process.send_signal(signal.SIGTERM)
    assert process.wait(180) == 143
    last = read_run(folder_of(amphora)).events[-1]
    assert last["kind"] == "stopped" and last["text"].startswith("asked to end (SIGTERM)") and last["safe"]


@pytest.mark.parametrize("hangs_up", [False, True])
def test_a_terminal_that_goes_away_stops_a_run_only_where_the_system_says_so(
    serve: Any, amphora: Any, hangs_up: bool
) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "300")
    lines = served.bench.read_text().splitlines(keepends=True)  # nobody rehearses: no prompt waits at this terminal
    served.bench.write_text("".join(line for line in lines if not line.startswith("hands = ")))
    add(amphora)
    master, slave = os.openpty()

    def own() -> None:
        os.setsid()
        heed_signals()
        if hangs_up:
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    process = subprocess.Popen(
        [*PROGRAM, "run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT],
        stdin=slave if hangs_up else subprocess.DEVNULL, stdout=slave, stderr=slave, env=amphora.environment,
        preexec_fn=own,
    )  # fmt: skip
    os.close(slave)
    enough = threading.Event()

    def listen() -> None:
        while not enough.is_set():
            if select.select([master], [], [], 0.1)[0]:
                os.read(master, 65536)

    terminal = threading.Thread(target=listen, daemon=True)
    terminal.start()
    wait_for(lambda: rows_of(amphora) > 100)
    enough.set()
    terminal.join()
    os.close(master)
    try:
        if not hangs_up:
            before_s = last_s(amphora)
            wait_for(lambda: last_s(amphora) > before_s + 900.0)
            assert process.poll() is None
            process.send_signal(signal.SIGINT)
        assert process.wait(180) == 130
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    last = read_run(folder_of(amphora)).events[-1]
    assert last["kind"] == "stopped" and last["safe"]
    assert last["text"].startswith("the terminal is gone (SIGHUP)" if hangs_up else "Ctrl-C (SIGINT)")
