"""Run the queue, and show how it stands: queue run, queue show."""

import contextlib
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.harness.bench.bays import Bays
from amphora.harness.cli.next_command import after_a_bag, show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.cli.queue import BenchOption, bays_of, bench_named, journal_of
from amphora.harness.common.alarm import Alarm
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.signals import handled, numbers
from amphora.harness.decisions.duty import load_duty
from amphora.harness.decisions.screening_shelf import Screen
from amphora.harness.queue.journal import hold
from amphora.harness.queue.knowledge import Knowledge
from amphora.harness.queue.processes import Processes
from amphora.harness.queue.supervisor import LOOK_S, QueueShown, Supervisor, shown
from amphora.harness.report.queue_text import render
from amphora.harness.running.session import CAUTIONS


def _supervisor(logs: Path, bays: "Bays", settled: list[str] | None = None, **more: Any) -> "Supervisor":
    known = Knowledge(logs, bays)
    runs = Processes(logs, bays, settled=settled or ())
    return Supervisor(
        journal_of(logs), bays, runs, lambda: datetime.now().astimezone(), refused=known.refused,
        expected_s=known.expected_s, not_worth=_screen(logs), **more,
    )  # fmt: skip


def _screen(logs: Path) -> "Callable[[str, float | None], str]":
    """Return what says of a cell why it is not worth a night."""
    return Screen(logs).not_worth


def queue_show(bench: BenchOption = None, logs: LogsOption = DEFAULT_LOGS, as_json: JsonOption = False) -> None:
    """Show where each cell is, when a person is needed, and when the bag is done.

    Example: amphora queue show --bench bench.toml
    """
    bays = bays_of(bench, logs)
    supervisor = _supervisor(logs, bays)
    data = _shown(supervisor)

    def show() -> None:
        print("\n".join(render(data, bays.said())))
        states = {place.state for place in supervisor.journal.room.places.values()}
        if not states:
            show_next("cell", "list", logs=logs)
        elif states & {"waiting", "ready", "paused", "running"}:
            show_next("watch", "--all", logs=logs)
        else:
            show_next(*after_a_bag(logs), logs=logs)

    answer(to_json(data), as_json, show)


def _shown(supervisor: "Supervisor") -> QueueShown:
    room = supervisor.journal.refresh()
    return shown(room, supervisor.facts(room), supervisor.journal, supervisor.now())


def queue_run(
    bench: BenchOption = None,
    hands: Annotated[
        bool, typer.Option("--hands-done", help="Count each request to a person as done at once (simulated benches).")
    ] = False,
    stop_when_settled: Annotated[
        bool,
        typer.Option("--stop-when-settled", help="End a night early once neither its grade nor --for can change."),
    ] = False,
    duty: Annotated[
        str | None, typer.Option("--for", help="With --stop-when-settled: the duty that has to be served.")
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Run the queue until the bag is done.

    Ctrl-C ends all runs, outputs off. Started again, the queue goes on.

    Example: amphora queue run --bench bench.toml
    """
    bays = bays_of(bench, logs)
    if hands and not bays.simulated:
        raise InputError("--hands-done is for simulated benches only: a real cell has to be put in by hand")
    if duty is not None and not stop_when_settled:
        raise InputError(f"--for {duty} is not accepted alone; it goes with --stop-when-settled")
    if duty is not None:
        load_duty(duty)
    settled = ["--stop-when-settled", *(["--for", duty] if duty is not None else [])] if stop_when_settled else []
    alarm = Alarm(bays.alarms, f"{bays.where}: alarms")
    supervisor = _supervisor(logs, bays, settled, tell=_stamped, call=alarm.raise_)
    with hold(logs):
        for line in (*CAUTIONS, *bays.said()):
            say(line)
        if bays.attended is None:
            say("! no [attended] hours in the bench file: nothing is charged")
        code = _loop(supervisor, hands)
    alarm.drain(5.0)
    data = _shown(supervisor)

    def show() -> None:
        _say_how(data)
        if code:
            show_next("queue", "run", "--bench", bench_named(logs), logs=logs)
        else:
            show_next(*after_a_bag(logs), logs=logs)

    answer(to_json(data), as_json, show)
    if code:
        leave(code)


def _stamped(text: str) -> None:
    say(f"{datetime.now():%H:%M:%S}  {text}")


def _say_how(data: QueueShown) -> None:
    print("\n".join(render(data, [])))


def _loop(supervisor: "Supervisor", hands: bool) -> int:
    got: list[int] = []
    typed = threading.Event()
    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=_returns, args=(typed,), daemon=True).start()
    with handled(lambda number, frame: got.append(number), numbers("SIGINT", "SIGTERM", "SIGHUP")):
        while not got:
            room = supervisor.look()
            if hands or typed.is_set():
                typed.clear()
                supervisor.hands_done()
            if supervisor.done(room):
                return 0
            time.sleep(LOOK_S if not supervisor.bays.simulated else 0.3)
        say("all runs are being ended, outputs off. To go on: amphora queue run")
        while not supervisor.end_all():
            time.sleep(0.2)
    return 143 if 15 in got else 130


def _returns(typed: threading.Event) -> None:
    with contextlib.suppress(OSError, ValueError):
        for _ in sys.stdin:
            typed.set()
