"""The queue as the page of all bays shows it: who has to do what when, what comes next in each bay. Read only.

It is worked out beside the page, so that no look at the runs waits for it.
"""

import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.bench.bays import Bays, load_bays
from amphora.harness.common.errors import AmphoraError
from amphora.harness.queue.course import Stage
from amphora.harness.queue.decide import Facts, Moment, Slot, forecast
from amphora.harness.queue.journal import NAME, QueueJournal
from amphora.harness.queue.knowledge import Knowledge
from amphora.harness.queue.supervisor import in_words

AGAIN_S = 60.0  # an hour's plan moves little in it
MOST_MOMENTS = 6
AHEAD = timedelta(hours=16)  # of what comes next in the bays: one night


def planned(
    journal: QueueJournal,
    bays: Bays,
    expected_s: Callable[[str, str], float],
    now: datetime,
    refused: Callable[[str, Stage], str] = lambda cell, stage: "",
) -> Any:
    """Return what is expected of the queue, ready for JSON; None where nothing is in it.

    Args:
        journal: What happened.
        bays: The bench.
        expected_s: (cell, recipe) -> how long a run is expected to take, second.
        now: Local, aware.
        refused: (cell, stage) -> why the gate does not let it; empty where it does.
    """
    room = journal.refresh()
    if not room.order:
        return None
    expected = {
        (place.cell, number): expected_s(place.cell, stage.recipe)
        for place in room.left()
        for number, stage in enumerate(journal.courses[place.course].stages)
        if number >= place.stage
    }
    turned = {
        place.cell: why
        for place in room.left()
        if place.state in ("waiting", "to place", "ready")
        and (why := refused(place.cell, journal.courses[place.course].stages[place.stage]))
    }
    plan = forecast(room, Facts(journal.courses, bays.bays, bays.attended, turned, expected), now)
    return {
        "hands": [_moment(moment) for moment in plan.moments[:MOST_MOMENTS]],
        "more": max(0, len(plan.moments) - MOST_MOMENTS),
        "slots": [_slot(slot) for slot in plan.slots if now <= slot.begin <= now + AHEAD],
        "stopped": [[name, bay.stopped] for name, bay in sorted(room.bays.items()) if bay.stopped],
        "alarm": room.alarm or None,
        "done_at": None if plan.done is None or not room.left() else plan.done.isoformat(timespec="minutes"),
        "left": len(room.left()),
        "cells": len(room.order),
    }


def _moment(moment: Moment) -> dict[str, str]:
    return {"at": moment.at.isoformat(timespec="minutes"), "what": "; ".join(map(in_words, moment.what))}


def _slot(slot: Slot) -> dict[str, str]:
    begin, end = (at.isoformat(timespec="minutes") for at in (slot.begin, slot.end))
    return {"cell": slot.cell, "bay": slot.bay, "recipe": slot.recipe, "begin": begin, "end": end}


class QueueAlong:
    """Looks at the queue of a shelf every so often, in a thread of its own.

    Args:
        logs: The shelf's folder.
    """

    def __init__(self, logs: Path) -> None:
        self._logs = Path(logs)
        self._found: Any = None
        self._at_s = float("-inf")
        self._stamp: tuple[int, int] | None = None
        self._kept: dict[tuple[str, str], float] = {}
        self._thread: threading.Thread | None = None

    def look(self) -> Any:
        """Return what was found last (see `planned`), and look again where something happened since. Never waits."""
        try:
            seen = (self._logs / NAME).stat()
        except OSError:
            return None
        stamp = (seen.st_size, seen.st_mtime_ns)
        working = self._thread is not None and self._thread.is_alive()
        if not working and (stamp != self._stamp or time.monotonic() - self._at_s > AGAIN_S):
            self._stamp, self._at_s = stamp, time.monotonic()
            self._thread = threading.Thread(target=self._work, daemon=True)
            self._thread.start()
        return self._found

    def _work(self) -> None:
        try:
            note = (self._logs / ".queue" / "bench").read_text(encoding="utf-8").strip()
            bays = load_bays(Path(note))
            known = Knowledge(self._logs, bays)

            def expected_s(cell: str, recipe: str) -> float:
                if (cell, recipe) not in self._kept:
                    self._kept[cell, recipe] = known.expected_s(cell, recipe)
                return self._kept[cell, recipe]

            self._found = planned(
                QueueJournal(self._logs), bays, expected_s, datetime.now().astimezone(), known.refused
            )
        except (AmphoraError, OSError):
            self._found = None  # `queue show` says why; the runs are shown all the same


__all__ = ["QueueAlong", "planned"]
