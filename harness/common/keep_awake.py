"""Asks the operating system to stay awake during a run; says so when it cannot, and never fails.

A run does not depend on it: a suspend that happens all the same is seen by the clocks.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

ENTER_LIMIT_S = 5.0
LEAVE_LIMIT_S = 2.0


@dataclass(frozen=True)
class Awake:
    """Whether the system agreed to stay awake; `text` says how, or why not."""

    works: bool
    text: str

    @property
    def warning(self) -> str:
        """What a person has to know before a run; empty where the system agreed."""
        if self.works:
            return ""
        return (
            "this computer may fall asleep, and asleep it guards nothing: turn sleep off in its settings, and leave "
            "its lid open"
        )


@contextmanager
def stay_awake() -> Iterator[Awake]:
    """Keep the computer from falling asleep while the `with` lasts.

    The asking runs in a thread of its own with a time limit: a desktop service that does not answer
    delays a run by 5 s at most.
    """
    answer: list[Awake] = []
    asked, leave = threading.Event(), threading.Event()

    def hold() -> None:
        try:
            from wakepy import keep

            with keep.running(on_fail="pass") as mode:
                answer.append(_told(mode))
                asked.set()
                leave.wait()
        except Exception as error:  # noqa: BLE001  whatever it is, a run goes on without
            answer.append(Awake(False, f"the computer may fall asleep ({type(error).__name__}: {error})"))
        finally:
            asked.set()

    thread = threading.Thread(target=hold, name="stay-awake", daemon=True)
    thread.start()
    asked.wait(ENTER_LIMIT_S)
    try:
        yield answer[0] if answer else Awake(False, "the computer may fall asleep (the system gave no answer in 5 s)")
    finally:
        leave.set()
        thread.join(LEAVE_LIMIT_S)


def _told(mode: object) -> Awake:
    if getattr(mode, "active", False):
        method = getattr(getattr(mode, "method", None), "name", None) or getattr(mode, "method", "")
        return Awake(True, f"the computer stays awake during the run ({method})")
    result = getattr(mode, "result", None)
    failure = getattr(result, "get_failure_text", None)
    reason = " ".join(str(failure()).split())[:300] if callable(failure) else "no way was found"
    return Awake(False, f"the computer may fall asleep; turn that off in its settings ({reason})")
