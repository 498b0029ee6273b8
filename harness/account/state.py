"""How a cell stands while the fold goes on. Only the fold and its parts see it. Times in UTC, V, Ah."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from amphora.harness.account import findings as f
from amphora.harness.account.standing import Move, RunSeen
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.results.rulings import Finding

if TYPE_CHECKING:
    from amphora.harness.account.near_full import AtFull

FULL_FOR_H = 4.0  # IEC 61960-3, 7.3.1: discharged 1 to 4 h after the charge


@dataclass
class FoldState:
    """What the fold carries from entry to entry."""

    full_run: str = ""
    full_at: datetime | None = None
    full_V: float | None = None
    full_V_at: datetime | None = None
    fell_V: float = 0.0  # in the rest after that charge, as far as it was seen
    last_current: datetime | None = None
    last_kind: str = ""  # charge, discharge, or "" where nobody knows
    last_V: float | None = None
    last_V_at: datetime | None = None
    last_by: str = ""  # "bench" or "meter"
    emptied: bool = False  # by a whole discharge, and nothing charged since
    timed_run: str = ""  # the run that ended with `timed`
    timed: Move | None = None  # a charge from empty, nothing drawn since
    guess_Ah: float | None = None  # what an unmeasured nickel cell gave leads to
    gave_Ah: float = 0.0  # the most that a nickel cell gave in one go, less U
    low_since_charge: Finding | None = None  # it stood below its window, and nothing was charged since
    contradicted: bool = False  # a reading of another meter spoke against the charge before it
    charge_A: float | None = None  # of the last charge
    charged_A: dict[str, float] = field(default_factory=dict)  # run -> current of the charge before it
    broken: bool = False  # something may have flowed that nobody counted
    findings: list[Finding] = field(default_factory=list)
    leaks: list[tuple[datetime, f.Leak]] = field(default_factory=list)
    at_full: list["AtFull"] = field(default_factory=list)  # what rests at full say of a leak there
    losses: list[f.Loss] = field(default_factory=list)  # of nickel and lead-acid, by days of rest
    unseen: dict[str, float] = field(default_factory=dict)  # run -> share that may have been drawn before it, unseen
    dated: list[tuple[datetime, float, float, float, str]] = field(default_factory=list)  # at, V, U, rested h, after


def full_floor_V(key: str) -> float:
    """Return the lowest voltage at rest at which a cell may still be full, within 4 h of its charge."""
    return load_chemistry(key).charge_limit_V - f.FULL_BELOW_V.get(key, 0.25)


def first_V(run: RunSeen) -> tuple[float, datetime] | None:
    """Return the voltage at rest that a run met first, and when; None where it did not look before a current."""
    for rest in run.rests:
        if not rest.after:
            return rest.first_V, rest.begin_utc
        break
    return None
