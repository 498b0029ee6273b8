"""Lies of instruments that are described, not of SCPI: boards and loads behind lines, frames and registers.

What a driver makes of them is what is raised here: a wrong checksum, an echo or half a frame is no answer, and the
order that it answered may have been carried out. What only the board knows (that it started again) is shown by its
state. Faults like those of `faults`, which lists them; each stands in `bench.fired` once it has acted.
"""

import random
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from amphora.drivers.errors import GarbledReply, LinkError

if TYPE_CHECKING:
    from amphora.drivers.simulated.bench import SimulatedBench
    from amphora.drivers.simulated.parts import SimulatedInstrument

Strike = Callable[["SimulatedInstrument", str], None]
Change = Callable[[dict[str, float]], dict[str, float]]
WAIT_S = 1.0  # what a question without an answer takes
MOST_GARBLED = 0.3  # share of answers that a drifting clock of the line spoils at its worst


def forget(one: "SimulatedInstrument") -> None:
    """Have an instrument start again: its output off, its levels and limits gone, as after its power came back."""
    part: Any = one
    part.on = False
    if one.role == "load":
        part.value, part.mode, part.low_V, part.most_A, part.cut = 0.0, "current", None, None, False
    elif one.role == "supply":
        part.set_V = part.limit_A = 0.0
        part.over_V = part.over_A = part.off_after_s = None
    one.bench.touch()


def _hooked(one: "SimulatedInstrument", strike: Strike) -> None:
    before = one.fault

    def both(part: "SimulatedInstrument", what: str) -> None:
        strike(part, what)
        if before is not None:
            before(part, what)

    one.fault = both


def spoiled(bench: "SimulatedBench", fault: Any, one: "SimulatedInstrument") -> None:
    """Its next answers are no answers: wrong checksums, echoes or halves, as `says` tells."""
    left = [int(fault["calls"])]

    def strike(part: "SimulatedInstrument", what: str) -> None:
        if left[0] > 0 and what != "reopen":
            left[0] -= 1
            bench.mark(fault.name)
            raise GarbledReply(f"{part.name}: asked to {what}, {fault['says']}")

    _hooked(one, strike)


def starts_again(bench: "SimulatedBench", fault: Any, one: "SimulatedInstrument") -> None:
    """It starts again, by itself and once."""
    bench.mark(fault.name)
    forget(one)


def starts_at_opening(bench: "SimulatedBench", fault: Any, one: "SimulatedInstrument") -> None:
    """Each opening of its port starts it again; a few questions stay unanswered first, so that it is opened anew."""
    left = [int(fault["calls"])]

    def strike(part: "SimulatedInstrument", what: str) -> None:
        if what == "reopen":
            bench.mark(fault.name)
            forget(part)
        elif left[0] > 0:
            left[0] -= 1
            bench.clock.sleep(WAIT_S)
            raise LinkError(f"{part.name}: no answer to {what} within {WAIT_S:g} s")

    _hooked(one, strike)


def browns_out(bench: "SimulatedBench", fault: Any, one: "SimulatedInstrument") -> None:
    """Its supply sags: it is off at once, deaf for a while, and has forgotten what it was told."""
    bench.mark(fault.name)
    forget(one)
    until_s = bench.clock.now_s() + float(fault["deaf_s"])

    def strike(part: "SimulatedInstrument", what: str) -> None:
        if bench.clock.now_s() < until_s:
            bench.clock.sleep(WAIT_S)
            raise LinkError(f"{part.name}: no answer to {what} within {WAIT_S:g} s")

    _hooked(one, strike)


def drifts(bench: "SimulatedBench", fault: Any, one: "SimulatedInstrument") -> None:
    """The clock of its line drifts away: more and more of what it says is spoiled."""
    rng, heard = random.Random(bench.seed), [0]

    def strike(part: "SimulatedInstrument", what: str) -> None:
        heard[0] += 1
        if what != "reopen" and rng.random() < min(MOST_GARBLED, float(fault["share_a_call"]) * heard[0]):
            bench.mark(fault.name)
            raise GarbledReply(f"{part.name}: asked to {what}, most of what came is no text")

    _hooked(one, strike)


def swapped(bench: "SimulatedBench", fault: Any, one: "SimulatedInstrument") -> None:
    """Its readings come with their two bytes the other way round, for some readings."""
    before: Change | None = one.reading_fault
    left = [int(fault["for_readings"])]

    def shown(values: dict[str, float]) -> dict[str, float]:
        values = values if before is None else before(values)
        if left[0] <= 0 or "voltage_V" not in values:
            return values
        left[0] -= 1
        bench.mark(fault.name)
        counts = round(max(values["voltage_V"], 0.0) * 1000.0) & 0xFFFF
        return {**values, "voltage_V": int.from_bytes(counts.to_bytes(2, "big"), "little") / 1000.0}

    one.reading_fault = shown


# name, family, about, what it does, its usual numbers; of a load unless `instrument` says another
ENTRIES: tuple[tuple[str, str, str, Callable[..., None], dict[str, Any]], ...] = (
    ("wrong checksums", "link", "answers whose checksum is wrong", spoiled,
     {"calls": 4, "says": "its checksum is wrong"}),
    ("echoes", "link", "it says back what it was told instead of an answer", spoiled,
     {"calls": 3, "says": "the question itself came back"}),
    ("half frames", "link", "the second half of its answers is missing", spoiled,
     {"calls": 3, "says": "half a frame came"}),
    ("late by more than its time", "link", "a late answer lies in the way of the next question", spoiled,
     {"calls": 2, "says": "an answer of before came"}),
    ("line drifts", "link", "the baud rate drifts away", drifts, {"share_a_call": 0.001}),
    ("board starts again", "instrument", "it starts again by itself: off, and all forgotten", starts_again, {}),
    ("starts at each opening", "instrument", "opening its port starts the board again", starts_at_opening,
     {"calls": 3}),
    ("browns out", "instrument", "its supply sags: off, deaf for a while, all forgotten", browns_out, {"deaf_s": 8.0}),
    ("bytes swapped", "instrument", "its readings have their bytes the other way round", swapped,
     {"for_readings": 2}),
)  # fmt: skip
