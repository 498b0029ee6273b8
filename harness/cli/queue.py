"""Commands of the group Queue: queue add, move, drop, done, clear."""

from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bays import Bays, load_bays
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer
from amphora.harness.common.errors import InputError
from amphora.harness.queue.course import load_course
from amphora.harness.queue.decide import hand_event, hands
from amphora.harness.queue.happening import AlarmCleared, BayCleared, CellAdded, CellDropped, CellMoved
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.supervisor import check_added, in_words

BenchOption = Annotated[
    Path | None, typer.Option("--bench", help="The bench file; default: the one the queue ran on last.")
]


def journal_of(logs: Path) -> QueueJournal:
    """Return the queue's journal, read up to now."""
    journal = QueueJournal(logs)
    journal.refresh()
    return journal


def bays_of(bench: Path | None, logs: Path) -> "Bays":
    """Return the bays of a bench file, and note it as the one that the queue ran on last.

    Raises:
        InputError: none is named, and the queue has not run yet; or it cannot be read.
    """
    note = logs / ".queue" / "bench"
    if bench is None:
        if not note.is_file():
            raise InputError("--bench is missing: which bench file describes the bays?")
        bench = Path(note.read_text(encoding="utf-8").strip())
    bays = load_bays(bench)
    note.parent.mkdir(parents=True, exist_ok=True)
    note.write_text(f"{bench.absolute()}\n", encoding="utf-8")
    return bays


def bench_named(logs: Path) -> str:
    """Return the bench file that the queue ran on last; "bench.toml" where it has not run."""
    note = logs / ".queue" / "bench"
    return note.read_text(encoding="utf-8").strip() if note.is_file() else "bench.toml"


def queue_add(
    cells: Annotated[list[str], typer.Argument(metavar="CELL...", help="Ids of cells, or patterns such as 'A*'.")],
    course: Annotated[str, typer.Option("--course", help="A built-in course, or the path of your own.")] = "one-night",
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Put cells into the queue, each with a course of recipes.

    Example: amphora queue add "A*" --course one-night
    """
    load_course(course)
    if course.endswith(".toml"):
        course = str(Path(course).absolute())
    shelf, journal = Shelf(logs), journal_of(logs)
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
        journal.append(CellAdded(cell, course))

    def show() -> None:
        print(f"{len(chosen)} cells added: {', '.join(chosen)}")
        show_next("queue", "run", "--bench", bench_named(logs), logs=logs)

    answer({"added": chosen, "course": course}, as_json, show)


def queue_move(
    cell: Annotated[str, typer.Argument(help="The cell.")],
    to: Annotated[int, typer.Option("--to", min=1, help="Its new place; 1 is the first.")] = 1,
    logs: LogsOption = DEFAULT_LOGS,
) -> None:
    """Move a cell to another place in the order. A cell in a bay stays in its bay.

    Example: amphora queue move A07 --to 1
    """
    journal = _in_the_queue(logs, cell)
    journal.append(CellMoved(cell, to))
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
    journal.append(CellDropped(cell, why))
    bay = journal.room.places[cell].bay
    print(f"{cell}: dropped" + (f"; take it out of bay {bay} when its run has ended" if bay else ""))
    show_next("queue", "show", logs=logs)


def _in_the_queue(logs: Path, cell: str) -> QueueJournal:
    journal = journal_of(logs)
    if cell not in journal.room.places:
        raise InputError(f"{cell}: is not in the queue of {logs}; amphora queue add {cell} puts it there")
    return journal


def queue_done(logs: LogsOption = DEFAULT_LOGS) -> None:
    """Confirm that you have put in and taken out the cells that the queue asked for.

    Example: amphora queue done
    """
    journal = journal_of(logs)
    wanted = hands(journal.room)
    for hand in wanted:
        journal.append(hand_event(hand))
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
    journal = journal_of(logs)
    if not why.strip():
        raise InputError("--why is missing: what was found, and what was put right?")
    if bay is None:
        if not journal.room.alarm:
            raise InputError("there is no alarm. To clear a bay: amphora queue clear BAY --why ...")
        journal.append(AlarmCleared(why))
    else:
        if bay not in journal.room.bays or not journal.room.bays[bay].stopped:
            raise InputError(f"bay {bay}: has not stopped")
        journal.append(BayCleared(bay, why))
    print("cleared")
    show_next("queue", "show", logs=logs)
