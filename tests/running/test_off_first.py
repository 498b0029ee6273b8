"""Before a run goes on it is known to be off, or OFF is sent: by the last word of its events."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from amphora.harness.control.events import Event, MadeSafe, OrderGiven
from amphora.harness.plans.plan import Order
from amphora.harness.running import off_first, switch_off

ON, CHARGE, OFF = (OrderGiven(Order(kind)) for kind in ("discharge", "charge", "off"))
SAFE, UNSAFE = MadeSafe(off=True), MadeSafe(off=False)


@pytest.mark.parametrize(
    ("events", "known"),
    [
        ([], True),
        ([ON], False),
        ([CHARGE], False),
        ([ON, SAFE], True),
        ([ON, UNSAFE], False),
        ([ON, MadeSafe()], False),
        ([ON, SAFE, UNSAFE], False),
        ([ON, SAFE, CHARGE], False),
        ([ON, OFF], False),  # ordered, but never read back
    ],
)
def test_only_a_making_safe_that_was_read_back_as_off_is_known_to_be_off(
    monkeypatch: pytest.MonkeyPatch, events: list[Event], known: bool
) -> None:
    monkeypatch.setattr(off_first, "read_run", lambda _folder: SimpleNamespace(events=events))
    assert off_first._known_off(Path("run")) is known


class Deaf:
    """Answers from a certain try on."""

    role = "load"

    def __init__(self, deaf_for: int) -> None:
        self.left, self.asked = deaf_for, 0

    def make_safe(self) -> SimpleNamespace:
        self.asked += 1
        if self.asked <= self.left:
            raise OSError("no answer")
        return SimpleNamespace(off=True, current_A=0.0, text="off")


@pytest.mark.parametrize(("deaf_for", "off", "tries"), [(0, True, 1), (4, True, 5), (5, False, 5)])
def test_off_is_tried_five_times_and_an_output_that_never_answered_is_not_off(
    deaf_for: int, off: bool, tries: int
) -> None:
    clock: Any = SimpleNamespace(sleep=lambda _s: None)
    instrument: Any = Deaf(deaf_for)
    answer = switch_off.make_one_safe(instrument, clock, 0.01)
    assert (answer.off, answer.tries, instrument.asked) == (off, tries, tries)
