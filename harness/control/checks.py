"""The table of guard checks: what each is called, and what follows from it. Data only.

Every name that a `guard.Violation` may carry stands here, and nothing about a check stands anywhere else: the guard
reads whether it wants a second reading, the runner whether the run is over for good, the shelf whether the cell is
kept apart, the grades what such a cell may still be asked to do, the documentation its words.
"""

from dataclasses import dataclass
from typing import Literal

Grade = Literal["full duty", "steady duty", "standby duty", "bench only", "retire"]
PREFIX = "guard:"


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that the guard looks for."""

    name: str  # stands in events as guard:<name>
    confirm: bool  # a second reading is asked for before it acts; else it has looked at several itself
    against_cell: str  # what the shelf notes, and the cell is kept apart; "" when it speaks of the bench
    final_after_gap: bool  # also right after nobody looked for a while
    grade: Grade | None  # the best grade of a cell that was stopped by it; None: costs none
    words: str  # what it is, for people
    calls_only: bool = False  # nothing is on that could be switched off: the person is called, the run goes on

    @property
    def final(self) -> bool:
        """Whether a run that it stopped is over; what a person can put right is gone on from (`amphora resume`)."""
        return bool(self.against_cell) or self.final_after_gap


_ALL = (
    # -- the cell's voltage
    Rule("voltage-low", True, "", True, "bench only", "the voltage is below the lowest of the window or of the step"),
    Rule("voltage-high", True, "its voltage rose above the limit", True, "bench only", "above the highest voltage"),
    Rule("voltage-lost", True, "", False, None, "no voltage at all: a lead is off, or a protection board has tripped"),
    Rule("reversed", True, "its voltage was reversed", True, "bench only", "the cell is the wrong way round"),
    Rule("voltage-jump", True, "", False, None, "a step that no cell makes: another cell, a loose lead, a short"),
    Rule("voltage-rises", False, "", False, None, "the voltage rises on discharge"),
    Rule("voltage-falls", False, "", False, None,
          "the voltage falls in a charge, for the first time: outputs off for ten minutes, then it is judged"),
    Rule("short-inside", False, "its voltage fell in the charge", True, "bench only",
          "the voltage falls again in a charge, further in its rest, or below the pre-charge voltage: a short inside"),
    Rule("falls-at-rest", False, "its voltage fell at rest with nothing on", True, "bench only",
          "the voltage falls at rest by more than rest and meter explain: a short inside, or something drains it"),
    Rule("climbs-as-lfp", False, "it climbed at 3.45 to 3.65 V as LFP does, and was charged as Li-ion", True, None,
          "a declared Li-ion cell that rises at 3.45 to 3.65 V as LFP does: the charge limit would be wrong"),
    Rule("above-pre-charge", True, "", False, None, "more than the pre-charge flows into a cell below its voltage"),
    # -- the current
    Rule("current-low", True, "", False, None, "more current flows out than the step allows"),
    Rule("current-high", True, "", False, None, "more current flows in than the step allows"),
    Rule("current-when-off", False, "", False, None, "current flows although all is ordered off"),
    Rule("no-current", False, "", False, None,
          "no current flows although some was ordered: an open lead, or a tripped protection"),
    Rule("current-off-order", False, "", False, None, "another current than the one ordered"),
    Rule("charge", False, "it took or gave more charge than it can hold", True, "bench only",
          "more charge through one step than such a cell can hold"),
    Rule("takes-no-charge", False, "it does not take charge: ruined, or a short inside", True, "retire",
          "the cell did not reach its voltage within the time of the pre-charge"),
    Rule("no-taper", False, "its current did not fall in constant voltage", True, "bench only",
          "the current of a charge in constant voltage does not fall, lasts too long, or rises: a short inside"),
    # -- the temperature
    Rule("temperature-high", True, "it ran hot", True, "retire", "above the highest temperature"),
    Rule("temperature-rate", False, "it warmed too fast", True, "retire", "warms faster than any sound cell"),
    Rule("temperature-rise", True, "it warmed more than a sound cell does", True, "bench only",
          "warmed since the rest before the run by more than a sound cell does"),
    Rule("room-rise", True, "it was far warmer than the room", True, "bench only",
          "warmer than the room by more than a sound cell gets (needs a second sensor)"),
    Rule("warms-when-off", False, "it warmed with all off", True, "bench only",
          "the cell warms although all is off", calls_only=True),
    Rule("nickel-warm", True, "", False, None, "a nickel cell warms at the end of its charge: full, not faulty"),
    Rule("temperature-low", True, "", False, None, "below the lowest temperature, or the sensor is broken"),
    Rule("temperature-lost", False, "", False, None, "the sensor shows nothing"),
    Rule("temperature-frozen", False, "", False, None, "the sensor shows the same for an hour, to the last digit"),
    Rule("too-cold", False, "", False, None, "too cold to begin: nothing was switched on"),
    Rule("too-warm", False, "", False, None,
          "too warm to begin: nothing was switched on; a charge waits for two hours first"),
    # -- the bench
    Rule("drained", True, "", False, None, "something other than the load drains the cell below its window",
          calls_only=True),
    Rule("frozen", False, "", False, None, "readings that should change stay the same to the last digit"),
    Rule("no-reading", False, "", False, None, "no fresh reading for longer than the plan allows"),
    Rule("protection-tripped", False, "", False, None, "an instrument says that it has switched itself off"),
    Rule("smoke-alarm", False, "", False, None, "the bench's smoke or heat alarm, or its input cannot be read"),
    Rule("time", False, "", False, None, "current was ordered for longer in all than the plan allows"),
)  # fmt: skip
CHECKS = {check.name: check for check in _ALL}
NOT_JUDGED = ("guard:as-found",)  # refused before the first order: no check of a reading


def check_of(reason: str) -> Rule | None:
    """Return the check that a reason such as `guard:frozen` names, None where it names none of this table."""
    return CHECKS.get(reason.removeprefix(PREFIX)) if reason.startswith(PREFIX) else None


def against_the_cell(reason: str) -> str:
    """Return what a stop says against the cell itself; "" where it speaks of the bench, or is no stop by the guard."""
    check = check_of(reason)
    return "" if check is None else check.against_cell


# What a sensor, a meter or the time says of the bench: again on the same cell it is still the bench.
OF_THE_BENCH = frozenset({
    "temperature-low", "temperature-lost", "temperature-frozen", "too-cold", "too-warm", "drained", "frozen",
    "no-reading", "protection-tripped", "smoke-alarm", "time",
})  # fmt: skip


def tells_when_repeated(reason: str) -> bool:
    """Tell whether a stop, twice on one cell, is the cell's: a person has looked at the contacts in between."""
    check = check_of(reason)
    return check is not None and check.name not in OF_THE_BENCH


def is_final(reason: str) -> bool:
    """Tell whether a run that ended so is over: a guard's stop that speaks of the bench can be gone on from."""
    check = check_of(reason)
    return True if check is None else check.final
