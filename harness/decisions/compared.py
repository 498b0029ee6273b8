"""What `amphora compare` answers: a row for each cell, ties, outliers, courses over time, and what was left out.

Ah, ohm, V, A, Wh, K; U is expanded with k = 2. None: not known, not measured, or it does not count.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from amphora.harness.account.kept_answers import DamagedRun
from amphora.harness.analysis.resistance_warmth import AtTemperature
from amphora.harness.common.as_json import LEFT_OUT
from amphora.harness.decisions.grades import Graded
from amphora.harness.decisions.trends import CourseOfCell
from amphora.harness.results.result import StatedCapacity
from amphora.harness.results.rulings import May


@dataclass(frozen=True, slots=True)
class Basis:
    """What capacities are brought to. None: chosen for each chemistry from the runs themselves."""

    current_A: float | None = None
    temperature_degC: float | None = None
    cutoff_V: float | None = None


@dataclass(frozen=True, slots=True)
class OnBasis:
    """A capacity on a common basis, always an estimate; or `why` there is none. `runs`: how many it was made from."""

    capacity_Ah: float | None
    capacity_U_Ah: float | None
    basis: Basis
    estimate: bool = True
    why: str | None = field(default=None, metadata=LEFT_OUT)
    converted: bool | None = field(default=None, metadata=LEFT_OUT)
    runs: int | None = field(default=None, metadata=LEFT_OUT)
    left_out: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)
    text: str | None = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One cell, or one run, beside others. `comparable`: its capacity is what the cell holds, and is ranked."""

    cell: str = ""
    run: str = ""
    capacity_Ah: float | None = None  # what was left in it is not what it holds: see `left_Ah`
    capacity_U_Ah: float | None = None
    resistance_ohm: float | None = None
    resistance_U_ohm: float | None = None
    resistance_duration_s: float | None = None
    energy_Wh: float | None = None
    temperature_rise_K: float | None = None
    grade: str | None = None
    needs: tuple[str, ...] = ()
    rank: int | None = None  # one more than the number of cells that are certainly better
    tied: int = 0  # how many there are
    tied_with: tuple[str, ...] = ()  # the nearest of them
    claim_Ah: float | None = None
    chemistry: str = "auto"
    form: str = ""
    start: str = "unknown"
    comparable: bool = True
    capacity_item_U_Ah: float | None = None
    current_A: float | None = None
    stated: StatedCapacity | None = None
    item_text: str | None = None
    left_Ah: float | None = None
    may_match: May | None = None
    claim_text: str = ""
    resistance_temperature_degC: float | None = None
    resistance_at: AtTemperature | None = None  # the same at 20 °C; None where its own temperature is not known
    common_basis: OnBasis | None = field(default=None, metadata=LEFT_OUT)

    @property
    def counted_Ah(self) -> float | None:
        """Return its capacity where that is what the cell holds."""
        return self.capacity_Ah if self.comparable else None

    @property
    def stated_Ah(self) -> float | None:
        """Return its capacity at the stated condition, an estimate."""
        return self.stated.capacity_Ah if self.stated else None

    @property
    def item_U_Ah(self) -> float:
        """Return the U (k = 2) that cells are told apart by: the item's, else that of the measurement alone."""
        return self.capacity_item_U_Ah or self.capacity_U_Ah or 0.0

    @property
    def ohm_at_20(self) -> float | None:
        """Return its resistance at 20 °C where the temperature is known, else as measured: for cells side by side."""
        return self.resistance_at.ohm if self.resistance_at else self.resistance_ohm


@dataclass(frozen=True, slots=True)
class Outlier:
    """A cell that falls out of its batch. `scores`: figure -> modified z-score, of those beyond the limit."""

    cell: str
    run: str
    scores: Mapping[str, float]
    text: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Cells side by side, best first. `ranked_on`: "measured", "stated condition" or "common basis"."""

    ties: str = ""
    cells: tuple[ComparedRow, ...] = ()
    ranked_on: str = "measured"
    outliers: tuple[Outlier, ...] = ()
    trends: tuple[CourseOfCell, ...] = ()
    damaged: tuple[DamagedRun, ...] = ()
    grades: tuple[Graded, ...] | None = field(default=None, metadata=LEFT_OUT)  # what the rows' grades stand on
