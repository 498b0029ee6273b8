"""Commands of the group Queue: queue add/show/move/drop/done/clear/run."""

import contextlib
import sys
import threading
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.common.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from amphora.harness.bench.bays import Bays
    from amphora.harness.queue.supervisor import Supervisor


BenchOption = Annotated[
    Path | None, typer.Option("--bench", help="The bench file; default: the one the queue ran on last.")
]


def _journal(logs: Path) -> Any:
    from amphora.harness.queue.journal import QueueJournal

    journal = QueueJournal(logs)
    journal.refresh()
    return journal


def _bays(bench: Path | None, logs: Path) -> "Bays":
    from amphora.harness.bench.bays import load_bays

    note = logs / ".queue" / "bench"
    if bench is None:
        if not note.is_file():
            raise InputError("--bench is missing: which bench file describes the bays?")
        bench = Path(note.read_text(encoding="utf-8").strip())
    bays = load_bays(bench)
    note.parent.mkdir(parents=True, exist_ok=True)
    note.write_text(f"{bench.absolute()}\n", encoding="utf-8")
    return bays


def _bench_named(logs: Path) -> str:
    """Return the bench file that the queue ran on last; "bench.toml" where it has not run."""
    note = logs / ".queue" / "bench"
    return note.read_text(encoding="utf-8").strip() if note.is_file() else "bench.toml"


def _supervisor(logs: Path, bays: "Bays", settled: list[str] | None = None, **more: Any) -> "Supervisor":
    from amphora.harness.queue.knowledge import Knowledge
    from amphora.harness.queue.processes import Processes
    from amphora.harness.queue.supervisor import Supervisor

    known = Knowledge(logs, bays)
    runs = Processes(logs, bays, settled=settled or ())
    return Supervisor(
        _journal(logs), bays, runs, lambda: datetime.now().astimezone(), refused=known.refused,
        expected_s=known.expected_s, not_worth=_screen(logs), **more,
    )  # fmt: skip


def _screen(logs: Path) -> "Callable[[str, float | None], str]":
    """Return what says of a cell why it is not worth a night."""
    from amphora.harness.decisions.screening_shelf import Screen

    return Screen(logs).not_worth


def queue_add(
    cells: Annotated[list[str], typer.Argument(metavar="CELL...", help="Ids of cells, or patterns such as 'A*'.")],
    course: Annotated[str, typer.Option("--course", help="A built-in course, or the path of your own.")] = "one-night",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Put cells into the queue, each with a course of recipes.

    Example: amphora queue add "A*" --course one-night
    """
    from fnmatch import fnmatchcase

    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.queue.course import load_course
    from amphora.harness.queue.supervisor import check_added

    load_course(course)
    if course.endswith(".toml"):
        course = str(Path(course).absolute())
    shelf, journal = Shelf(logs), _journal(logs)
    chosen: list[str] = []
    for word in cells:
        if any(sign in word for sign in "*?["):
            fitting = sorted(cell.id for cell in shelf.cells() if fnmatchcase(cell.id, word))
            if not fitting:
                raise InputError(f"{word}: no cell on the shelf in {logs} has such an id")
            chosen += fitting
        else:
            chosen.append(shelf.get(word).id)
    chosen = list(dict.fromkeys(chosen))
    check_added(journal, chosen)
    for cell in chosen:
        journal.append("added", cell=cell, course=course)

    def show() -> None:
        print(f"{len(chosen)} cells added: {', '.join(chosen)}")
        show_next("queue", "run", "--bench", _bench_named(logs), logs=logs)

    answer({"added": chosen, "course": course}, as_json, show)


def queue_show(bench: BenchOption = None, logs: LogsOption = DEFAULT_LOGS, as_json: JsonOption = False) -> None:
    """Show where each cell is, when a person is needed, and when the bag is done.

    Example: amphora queue show --bench bench.toml
    """
    from amphora.harness.report.queue_text import render

    bays = _bays(bench, logs)
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
            show_next("compare", "--all", logs=logs)

    answer(data, as_json, show)


def _shown(supervisor: "Supervisor") -> dict[str, Any]:
    from amphora.harness.queue.supervisor import shown

    room = supervisor.journal.refresh()
    return shown(room, supervisor.facts(room), supervisor.journal, supervisor.now())


def queue_move(
    cell: Annotated[str, typer.Argument(help="The cell.")],
    to: Annotated[int, typer.Option("--to", min=1, help="Its new place; 1 is the first.")] = 1,
    logs: LogsOption = DEFAULT_LOGS,
) -> None:
    """Move a cell to another place in the order. A cell in a bay stays in its bay.

    Example: amphora queue move A07 --to 1
    """
    journal = _in_the_queue(logs, cell)
    journal.append("moved", cell=cell, to=to)
    print(f"{cell}: place {journal.room.order.index(cell) + 1}")
    show_next("queue", "show", logs=logs)


def queue_drop(
    cell: Annotated[str, typer.Argument(help="The cell.")],
    why: Annotated[str, typer.Option("--why", help="Why; it stays in the journal.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
) -> None:
    """Take a cell out of the queue. A run of it ends, outputs off.

    Example: amphora queue drop A07 --why "wrapper torn"
    """
    journal = _in_the_queue(logs, cell)
    journal.append("dropped", cell=cell, why=why)
    bay = journal.room.places[cell].bay
    print(f"{cell}: dropped" + (f"; take it out of bay {bay} when its run has ended" if bay else ""))
    show_next("queue", "show", logs=logs)


def _in_the_queue(logs: Path, cell: str) -> Any:
    journal = _journal(logs)
    if cell not in journal.room.places:
        raise InputError(f"{cell}: is not in the queue of {logs}; amphora queue add {cell} puts it there")
    return journal


def queue_done(logs: LogsOption = DEFAULT_LOGS) -> None:
    """Confirm that you have put in and taken out the cells that the queue asked for.

    Example: amphora queue done
    """
    from amphora.harness.queue.decide import hand_event, hands
    from amphora.harness.queue.supervisor import in_words

    journal = _journal(logs)
    wanted = hands(journal.room)
    for hand in wanted:
        event = hand_event(hand, "")
        journal.append(event["kind"], cell=hand.cell, bay=hand.bay, what=hand.what)
        print(f"done: {in_words(hand)}")
    if not wanted:
        print("nothing was asked for")
    show_next("queue", "show", logs=logs)


def queue_clear(
    bay: Annotated[str | None, typer.Argument(help="A bay that stopped; without one: the smoke or heat alarm.")] = None,
    why: Annotated[str, typer.Option("--why", help="What was found and put right.")] = "",
    logs: LogsOption = DEFAULT_LOGS,
) -> None:
    """Let a bay that stopped go on, or all bays after an alarm.

    Say with --why what was put right.

    Example: amphora queue clear b --why "relay replaced"
    """
    journal = _journal(logs)
    if not why.strip():
        raise InputError("--why is missing: what was found, and what was put right?")
    if bay is None:
        if not journal.room.alarm:
            raise InputError("there is no alarm. To clear a bay: amphora queue clear BAY --why ...")
        journal.append("alarm-cleared", text=why)
    else:
        if bay not in journal.room.bays or not journal.room.bays[bay].stopped:
            raise InputError(f"bay {bay}: has not stopped")
        journal.append("bay-cleared", bay=bay, why=why)
    print("cleared")
    show_next("queue", "show", logs=logs)


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
    from amphora.harness.common.alarm import Alarm
    from amphora.harness.decisions.duty import load_duty
    from amphora.harness.queue.journal import hold
    from amphora.harness.running.session import CAUTIONS

    bays = _bays(bench, logs)
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
            show_next("queue", "run", "--bench", _bench_named(logs), logs=logs)
        else:
            show_next("compare", "--all", logs=logs)

    answer(data, as_json, show)
    if code:
        leave(code)


def _stamped(text: str) -> None:
    say(f"{datetime.now():%H:%M:%S}  {text}")


def _say_how(data: dict[str, Any]) -> None:
    from amphora.harness.report.queue_text import render

    print("\n".join(render(data, [])))


def _loop(supervisor: "Supervisor", hands: bool) -> int:
    from amphora.harness.common.signals import handled, numbers
    from amphora.harness.queue.supervisor import LOOK_S

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
