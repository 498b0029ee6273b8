"""What a cell may still be asked to do: grades by criteria, decided with the uncertainty.

The rule: guarded acceptance. A limit counts as met when the value is beyond it by the guard band w = guard * U (U
expanded, k = 2); as not met when it fails by U; in between it is open, and the lower grade is given together with the
measurement that would settle it. With a normal distribution and w = U, the chance that a cell was given a grade whose
limit it truly misses is at most about 2.3 % for each limit.

Pure. Ah, ohm, V, K; ratios as plain numbers.

Source: JCGM 106:2012, clauses 7 and 8 (conformance probability, guard bands); ILAC-G8:09/2019, 4.2.3 (from memory).
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, overload

from amphora.harness.analysis.resistance_warmth import STATED_degC, at_temperature
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.cells.incoming import FAULTS
from amphora.harness.common.as_json import LEFT_OUT
from amphora.harness.control.checks import check_of
from amphora.harness.decisions.criteria import GRADES, QUANTITIES, Criteria, Criterion
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.result import Result
from amphora.harness.results.rulings import NO_ACCOUNT

COHORT_LEAST = 4
REFERENCE_K = 5.0  # of 20 °C: within it a resistance is taken as it is (IEC 61960-3: 20 °C ± 5 K, from memory)


@dataclass(frozen=True, slots=True)
class GradeRow:
    """What one criterion, or a fault, says. `grade`: the best that it allows, None for no word on it.

    `margin`: positive on the good side. `shown_times`, `shown_in`: scale and unit of the figures for people.
    """

    name: str
    value: float | None = None
    U: float | None = None
    limit: float | None = None
    margin: float | None = None
    verdict: Literal["met", "not met", "open", "not measured"] = "not measured"
    grade: str | None = None
    remark: str | None = field(default=None, metadata=LEFT_OUT)
    shown_in: str = ""
    shown_times: float = 1.0

    @property
    def relative_margin(self) -> float:
        """Return the margin over the limit: the smaller decides between criteria that allow the same grade."""
        return 0.0 if self.margin is None or not self.limit else self.margin / abs(self.limit)


@dataclass(frozen=True, slots=True)
class Graded:
    """The grade of one run; `grade` is None where it `needs` more. `settle`: what would settle the open criteria."""

    cell: str
    run: str
    grade: str | None
    decided_by: str | None
    criteria: tuple[GradeRow, ...]
    needs: tuple[str, ...]
    settle: tuple[str, ...]
    rule: str
    criteria_file: str


def key_of(result: Result | None, cell: Cell) -> str:
    """Return the chemistry a cell is taken for: what a run found, else what the register says."""
    return cell.identified_as or (result.chemistry if result is not None else "") or cell.chemistry or "auto"


def measure(
    quantity: str,
    result: Result,
    cell: Cell,
    criteria: Criteria,
    cohort_Ah: Sequence[float] = (),
) -> tuple[float, float, str] | None:
    """Return (value, U, remark) of a quantity from a run's figures; None when it was not measured.

    Args:
        quantity: A key of `QUANTITIES`.
        result: What `analyse` answers.
        cell: The cell's record.
        criteria: For the forms and the intended load.
        cohort_Ah: Capacities of the other cells of the same form and chemistry.
    """
    if quantity.startswith("capacity"):
        return _capacity(quantity, result, cell, criteria, cohort_Ah, key_of(result, cell))
    if quantity in ("sag", "resistance"):
        return _resistance(quantity, result, criteria, key_of(result, cell))
    if quantity == "temperature rise":
        rise, U = result.temperature_rise_K, result.thermal.rise_U_K if result.thermal else None
        return None if rise is None else (rise, 1.0 if U is None else U, "" if U is not None else "U 1 K assumed")
    if quantity == "coulombic efficiency":
        cycle = result.cycle
        if cycle is None or cycle.coulombic_efficiency is None or cycle.coulombic_efficiency_U is None:
            return None
        return cycle.coulombic_efficiency, cycle.coulombic_efficiency_U, ""
    return _self_discharge(result)


def _resistance(quantity: str, result: Result, criteria: Criteria, key: str) -> tuple[float, float, str] | None:
    chosen = chosen_resistance(result)
    if chosen is None:
        return None
    factor, remark = 1.0, f"{chosen.duration_s:.3g} s pulse"
    ohm, U_ohm = chosen.ohm or 0.0, chosen.U_ohm or 0.0
    degC = result.temperature_degC
    there = None if degC is None or abs(degC - STATED_degC) <= REFERENCE_K else at_temperature(ohm, U_ohm, degC)
    if there is not None:  # the limits are for a room; cold alone is no fault of the cell
        ohm, U_ohm = there.ohm, there.U_ohm
        remark += f" at {degC:.0f} °C, converted to {STATED_degC:.0f} °C"
    elif degC is not None:
        remark += f" at {degC:.0f} °C"
    if quantity == "sag":
        factor = criteria.load_current_A / load_chemistry(key).nominal_V
        remark += f", at {criteria.load_current_A * 1000:g} mA"
    return ohm * factor, U_ohm * factor, remark


def _self_discharge(result: Result) -> tuple[float, float, str] | None:
    percent = result.retention.loss_percent_per_month if result.retention else None
    U_percent = result.retention.loss_U_percent_per_month if result.retention else None
    remark = ""
    if percent is None or U_percent is None:  # another run, or dated voltages, may have shown it
        account = result.account or NO_ACCOUNT
        percent, U_percent = account.self_discharge_percent_per_month, account.self_discharge_U
        remark = "by the account of the cell"
    if percent is None or U_percent is None:
        return None
    return percent / 100.0, U_percent / 100.0, remark


def _capacity(
    quantity: str,
    result: Result,
    cell: Cell,
    criteria: Criteria,
    cohort_Ah: Sequence[float],
    key: str,
) -> tuple[float, float, str] | None:
    value, U = result.capacity_Ah, result.capacity_U_Ah
    if value is None or U is None:
        return None
    U = result.capacity_item_U_Ah or U  # a grade is of the cell, not of one night
    form = criteria.forms.get((result.form or cell.form, key))
    if quantity == "capacity":
        return value, U, ""
    base: float | None
    if quantity == "capacity over claim":
        base = cell.claim_Ah
        if base and form and base > form.most_Ah:
            return None  # no cell of this form can hold that: a claim not to be believed is no measure
    elif quantity == "capacity over form":
        base = form.typical_Ah if form else None
    else:
        cohort = cohort_Ah if isinstance(cohort_Ah, Others) else Others(sorted(cohort_Ah))
        base = cohort.middle if len(cohort) >= COHORT_LEAST else None
    if not base:
        return None
    return value / base, U / base, f"of {base * 1000:.0f} mAh"


@dataclass(frozen=True, slots=True)
class Decision:
    """What one criterion allows. `margin` positive on the good side; `missed`: the next better grade, not given."""

    grade: str
    limit: float  # of the next better grade, or of the best when it is met
    margin: float
    verdict: Literal["met", "not met", "open"]
    missed: str | None = None


def decide(value: float, U: float, criterion: Criterion, guard: float) -> Decision:
    """Return what one criterion allows: the best grade whose limit is met with the guard band.

    Args:
        value, U: The quantity and its expanded uncertainty, k = 2; U 0 or more.
        criterion: Its limits.
        guard: Guard band over U.

    Source:
        JCGM 106:2012, 8.3.2 (guarded acceptance); ILAC-G8:09/2019 (from memory).
    """
    sign = 1.0 if criterion.better == "higher" else -1.0
    order = list(criterion.limits)
    reached = next((grade for grade in order if sign * (value - criterion.limits[grade]) >= guard * U), None)
    if reached == order[0]:
        limit = criterion.limits[reached]
        return Decision(reached, limit, sign * (value - limit), "met")
    if reached is None:
        missed = order[-1]
        given = GRADES[GRADES.index(missed) + 1]
    else:
        missed = order[order.index(reached) - 1]
        given = reached
    limit = criterion.limits[missed]
    margin = sign * (value - limit)
    return Decision(given, limit, margin, "open" if abs(margin) < max(U, guard * U) else "not met", missed)


def _blockers(result: Result) -> list[str]:
    """Return what a run lacks to be graded at all."""
    needs = []
    if not result.from_full:
        needs.append(
            "a discharge from a start known to be full: charge it by `amphora run --profile charge` at most 4 h before"
        )
    if result.capacity_Ah is None:
        needs.append("a discharge")
    elif not result.reached_cutoff:
        needs.append("a discharge that reaches the cut-off")
    elif not (result.capacity_U_Ah or 0.0) > 0.0:
        needs.append("a capacity with its uncertainty: give the instruments' specification in the bench file")
    return needs


def _anomalies(result: Result, cell: Cell) -> list[GradeRow]:
    """Return what alone lowers a grade: faults that eye and nose found, and the guard's stops."""
    rows = []
    for part, word in cell.inspection.items():
        fault = FAULTS.get((part, word))
        if fault and fault[0] == "retire":
            rows.append(_anomaly(f"{part}: {word}", "retire", fault[1]))
    if cell.state == "retired":
        rows.append(_anomaly("state", "retire", "the register says it is retired"))
    stop = result.stop or ""
    check = check_of(stop)
    if check is not None and check.grade is not None:  # what speaks of the bench alone costs no cell its grade
        rows.append(_anomaly("stopped by the guard", check.grade, f"{stop}: {check.against_cell or check.words}"))
    return rows


INNER_SHORT = ("leak", "recovery-falls", "charge-balance", "soft-short")


def _by_the_account(result: Result) -> list[GradeRow]:
    """Return what the account of the cell holds against it, each with the best grade it leaves."""
    account = result.account or NO_ACCOUNT
    rows = []
    for code in account.ruling("grade").findings:
        item = account.finding(code)
        established, text = item is not None and item.strength == "established", item.text if item else ""
        if code in ("inspection", "mass", "retired") and established:
            rows.append(_anomaly(code, "retire", text))
        elif code in INNER_SHORT:
            rows.append(_anomaly(code, "bench only" if established else "standby duty", text))
        elif code in ("quarantined", "inspection", "mass"):
            rows.append(_anomaly(code, "bench only", text))
        elif code != "no-capacity":
            text = f"{text} Settled by: {item.settles if item else ''}"
            rows.append(GradeRow(code, verdict="open", grade="standby duty", remark=text))
    return rows


def _anomaly(name: str, grade: str, text: str) -> GradeRow:
    return GradeRow(name, verdict="not met", grade=grade, remark=text)


def grade_result(result: Result, cell: Cell, criteria: Criteria, cohort_Ah: Sequence[float] = ()) -> Graded:
    """Return the grade of one run.

    Args:
        result: What `analyse` answers.
        cell: The cell's record.
        criteria: From `load_criteria`.
        cohort_Ah: Capacities of the other cells of the same form and chemistry; four at least, or it is not looked at.
    """
    rows = _anomalies(result, cell)
    blocked, looked = _blockers(result), _Looked()
    key = key_of(result, cell)
    for criterion in criteria.criteria:
        if not criterion.chemistries or key in criterion.chemistries:
            found = measure(criterion.quantity, result, cell, criteria, cohort_Ah)
            if criterion.quantity.startswith("capacity") and blocked:
                found = None
            rows.append(_unmeasured(criterion, looked) if found is None else _row(criterion, *found, criteria, looked))
    rows += _by_the_account(result)
    needs = blocked + looked.needs
    ruled = [(row, row.grade) for row in rows if row.grade is not None]
    retired = [row for row, grade in ruled if grade == "retire" and row.value is None]
    decided: tuple[str | None, str | None, list[str]]
    if retired:  # a fault seen needs no figures
        decided = "retire", retired[0].name, []
    elif needs or not ruled:
        decided = None, None, needs or ["any criterion that could be measured"]
    else:
        worst, grade = max(ruled, key=lambda pair: (GRADES.index(pair[1]), -pair[0].relative_margin))
        decided = grade, worst.name, looked.wishes
    return Graded(
        result.cell or cell.id, result.run, decided[0], decided[1], tuple(rows), tuple(decided[2]),
        tuple(looked.settle), criteria.rule, criteria.name,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Looked:
    """What was noted while the criteria were looked at: needed for any grade, wished for a better one, to settle."""

    needs: list[str] = field(default_factory=list)
    wishes: list[str] = field(default_factory=list)
    settle: list[str] = field(default_factory=list)


def _unmeasured(criterion: Criterion, looked: _Looked) -> GradeRow:
    """Return the row of a criterion that was not measured; what that costs is noted."""
    cap = criterion.unmeasured if criterion.unmeasured in GRADES else None
    if criterion.unmeasured == "needs":
        looked.needs.append(f"{criterion.name}: {criterion.settle}" if criterion.settle else criterion.name)
    elif cap is not None:
        looked.wishes.append(f"{criterion.name}, not measured: {cap} is the best without it")
    _, scale, unit = QUANTITIES[criterion.quantity]
    return GradeRow(criterion.name, grade=cap, shown_in=unit, shown_times=scale)


def _row(criterion: Criterion, value: float, U: float, remark: str, criteria: Criteria, looked: _Looked) -> GradeRow:
    """Return the row of a criterion that was measured; what would settle an open one is noted."""
    decision = decide(value, U, criterion, criteria.guard)
    _, scale, unit = QUANTITIES[criterion.quantity]
    if decision.verdict == "open":
        enough = abs(decision.margin) / criteria.guard if criteria.guard else 0.0
        text = f"{criterion.name} lies within its uncertainty of the limit of {decision.missed!r}"
        if criterion.settle:
            text += f": {criterion.settle}"
        if decision.margin > 0:
            text += f"; U below {enough * scale:.2g} {unit} would give it"
        looked.settle.append(text)
    return GradeRow(
        criterion.name, value, U, decision.limit, decision.margin, decision.verdict, decision.grade, remark, unit, scale
    )


def grade_runs(runs: Sequence[tuple[Result, Cell]], criteria: Criteria) -> list[Graded]:
    """Return the grades of several runs; each cell's cohort are the others of its form and chemistry among them.

    Args:
        runs: (what `analyse` answers, the cell's record), one for each run.
        criteria: From `load_criteria`.
    """
    groups: dict[tuple[str, str], dict[str, float]] = {}
    places = [(result.form or cell.form, key_of(result, cell)) for result, cell in runs]
    for place, (result, _) in zip(places, runs, strict=True):
        if result.capacity_Ah is not None and not _blockers(result):
            groups.setdefault(place, {})[result.cell] = result.capacity_Ah
    ordered = {place: sorted(found.values()) for place, found in groups.items()}
    grades = []
    for place, (result, cell) in zip(places, runs, strict=True):
        own = groups.get(place, {}).get(result.cell)
        grades.append(grade_result(result, cell, criteria, Others(ordered.get(place, []), own)))
    return grades


class Others(Sequence[float]):
    """Values in order without one of them, not copied: each of ten thousand cells has all others for its cohort.

    Args:
        ordered: The values of all, ascending.
        own: The one to leave out; None: none.
    """

    def __init__(self, ordered: Sequence[float], own: float | None = None) -> None:
        self._ordered = ordered
        self._gap = len(ordered) if own is None else bisect_left(ordered, own)
        self._length = len(ordered) - (own is not None)

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, index: int) -> float: ...

    @overload
    def __getitem__(self, index: slice) -> list[float]: ...

    def __getitem__(self, index: int | slice) -> float | list[float]:
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(self._length))]
        if not 0 <= index < self._length:
            raise IndexError(index)
        return self._ordered[index + (index >= self._gap)]

    @property
    def middle(self) -> float:
        """Return their median."""
        half = self._length // 2
        return self[half] if self._length % 2 else 0.5 * (self[half - 1] + self[half])
