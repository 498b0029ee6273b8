"""What `amphora fit` answers: whether a cell fits a device, how long each mode runs, the night, and the day after it.

Currents are what the device draws, positive OUT of the cell. V, A, Ah, Wh, h; U is expanded with k = 2.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from amphora.harness.common.as_json import LEFT_OUT


@dataclass(frozen=True, slots=True)
class FittedMode:
    """One mode from full until it no longer works. `doubts_h`: by cause, what its run time may be off by.

    `retrigger_charge_state`: below it the device starts again and again, as the rail recovers when off; None: never.
    """

    name: str
    run_time_h: float
    run_time_U_h: float
    run_time_within_5_percent: bool
    retrigger_charge_state: float | None
    ends_charge_state: float
    ends_charge_state_U: float
    charge_state_within_3_percent: bool
    doubts_h: Mapping[str, float]
    doubt: str  # the largest of them
    ends_by: str
    sag_V: float | None
    mean_current_A: float
    delivered_Ah: float
    unusable_Ah: float
    unusable_Wh: float


@dataclass(frozen=True, slots=True)
class FittedNight:
    """The night against the day. By weather; None in `returned_Ah`: not known, in `days_until_empty_by`: for ever."""

    used_Ah: float | None
    returned_Ah: Mapping[str, float | None]
    days_until_empty: float | None  # of poor days where there is a panel, else without sun
    days_until_empty_by: Mapping[str, float | None]
    usable_Ah: float
    hours: float


@dataclass(frozen=True, slots=True)
class CoursePoint:
    """A point of the night: hours since dusk, charge given since full, and the mode it is in."""

    t_h: float
    given_Ah: float
    mode: str


@dataclass(frozen=True, slots=True)
class Fit:
    """Whether a cell fits a duty, and how. `what_if`: the same with the device changed by `changes`."""

    fits: bool
    cell: str
    run: str
    duty: str
    refusals: tuple[str, ...]
    reasons: tuple[str, ...]
    modes: tuple[FittedMode, ...]
    night: FittedNight
    notes: tuple[str, ...]
    course: tuple[CoursePoint, ...]
    capacity_Ah: float
    changes: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)
    what_if: "Fit | None" = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class DayOfFit:
    """An average day from dusk, equally long: current into the cell, night out and day in; charge given since full."""

    t_h: tuple[float, ...]
    current_A: tuple[float, ...]
    given_Ah: tuple[float, ...]
