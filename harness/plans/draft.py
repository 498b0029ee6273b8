"""What the steps of a plan are made from, and what a step is before its time is known. Plain data."""

import math
from dataclasses import dataclass
from typing import Literal

from amphora.harness.cells.chemistry import Chemistry
from amphora.harness.plans.charge_permission import Holds
from amphora.harness.plans.plan import Step
from amphora.harness.plans.recipe import Recipe

Start = Literal["full", "declared-full", "unknown"]


@dataclass(frozen=True, slots=True)
class ChargeMeter:
    """What the current of a charge is known to, its zero taken off: a share of it, and the last digit in ampere."""

    gain: float = 0.005
    resolution_A: float = 0.001
    k: float = 0.0  # 0: half-widths of rectangular distributions
    name: str = ""

    def U_A(self, current_A: float) -> float:
        """Return the expanded uncertainty (k = 2) of a current, in ampere.

        Source: JCGM 100:2008, 4.3.7 (a rectangular half-width over the root of three) and F.2.2.1 (a digit); the digit
        counts twice, in the reading and in the zero.
        """
        u_gain_A = self.gain * current_A / (self.k or math.sqrt(3.0))
        return 2.0 * math.sqrt(u_gain_A**2 + 2.0 * self.resolution_A**2 / 12.0)


@dataclass
class Context:
    """Everything that is fixed while the steps are made."""

    recipe: Recipe
    cell_id: str
    window: Chemistry  # for discharging
    charging: Chemistry  # for charging
    charge_limit_V: float
    identify_V: float
    capacity_Ah: float
    capacity_known: bool
    most_Ah: float
    cutoff_V: float
    current_A: float | None  # the parameter, where one is asked for
    may_charge: bool
    leads: str
    attended: tuple[float, float] | None
    start: Start
    precharge_only: bool
    voltage_high_V: float
    told: list[str]  # what the plan has to warn of
    holds: Holds
    meter: "ChargeMeter"
    sensor_U_K: float = 0.0  # of the sensor at the cell: so much above the window's lowest is charged
    as_found_V: float | None = None
    key: str = "auto"  # the cell's chemistry
    diode: bool = False  # the supply holds its voltage before a blocking diode
    staged: bool = False  # charged beyond 3.60 V though nobody is sure what it is


@dataclass
class Draft:
    """A step being made, with what only the planner needs to know of it."""

    step: Step
    side: str  # "load", "supply", "" (neither)
    leave: int | None = None  # the repeat to leave at the cut-off
    inside: tuple[int, ...] = ()
    most_current_A: float = 0.0
