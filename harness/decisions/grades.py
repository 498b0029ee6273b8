"""What a cell may still be asked to do: grades by criteria, decided with the uncertainty.

The rule: guarded acceptance. A limit counts as met when the value is beyond it by the guard band w = guard * U (U
expanded, k = 2); as not met when it fails by U; in between it is open, and the lower grade is given together with the
measurement that would settle it. With a normal distribution and w = U, the chance that a cell was given a grade whose
limit it truly misses is at most about 2.3 % for each limit.

Pure but for reading a criteria file. Ah, ohm, V, K; ratios as plain numbers.

Source: JCGM 106:2012, clauses 7 and 8 (conformance probability, guard bands); ILAC-G8:09/2019, 4.2.3 (from memory).
"""

import tomllib
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, overload

from amphora.harness.analysis.resistance_warmth import STATED_degC, at_temperature
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite_number, shown, table_of, text_of, unknown
from amphora.harness.control.checks import check_of
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.result import Result

GRADES = ("full duty", "steady duty", "standby duty", "bench only", "retire")
COHORT_LEAST = 4
REFERENCE_K = 5.0  # of 20 °C: within it a resistance is taken as it is (IEC 61960-3: 20 °C ± 5 K, from memory)

# quantity -> (kind of quantity of its limits, scale and unit for people)
QUANTITIES: dict[str, tuple[str, float, str]] = {
    "capacity": ("capacity", 1000.0, "mAh"),
    "capacity over claim": ("ratio", 100.0, "%"),
    "capacity over form": ("ratio", 100.0, "%"),
    "capacity over cohort": ("ratio", 100.0, "%"),
    "resistance": ("resistance", 1000.0, "mΩ"),
    "sag": ("ratio", 100.0, "%"),
    "self-discharge": ("ratio", 100.0, "%"),
    "coulombic efficiency": ("ratio", 100.0, "%"),
    "temperature rise": ("temperature_difference", 1.0, "K"),
}


@dataclass(frozen=True, slots=True)
class Criterion:
    """One thing looked at. `limits`: grade -> value that must be met, from the best grade down."""

    name: str
    quantity: str
    better: Literal["higher", "lower"]
    unmeasured: str  # "skip", "needs", or the best grade without it
    settle: str
    limits: Mapping[str, float]
    chemistries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FormLimits:
    """What a new cell of a form and chemistry holds, and the most that it can, in Ah."""

    typical_Ah: float
    most_Ah: float


@dataclass(frozen=True, slots=True)
class Criteria:
    """A file of criteria. `guard`: guard band over expanded uncertainty."""

    name: str
    guard: float
    load_current_A: float
    criteria: tuple[Criterion, ...]
    forms: Mapping[tuple[str, str], FormLimits]

    @property
    def rule(self) -> str:
        """Say the decision rule in one sentence."""
        if self.guard == 0.0:
            return (
                "simple acceptance (ILAC-G8:09/2019; JCGM 106:2012, 8.2): a limit is met when the value meets it; "
                "the risk may reach 50 %"
            )
        return (
            f"guarded acceptance, guard band {self.guard:g} U with k = 2 (after JCGM 106:2012, 8.3.2, and "
            "ILAC-G8:09/2019): an open limit gives the lower grade; "
            "the limits are the bench's own, not those of a standard"
        )


def load_criteria(name: str | Path) -> Criteria:
    """Return criteria that ship, by name, or those of a file.

    Raises:
        InputError: no such file, or a field that is wrong: file, field, value, what is accepted.
    """
    folder = files("amphora.profiles").joinpath("grades")
    shipped = sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    if str(name) in shipped:
        return read_criteria(
            folder.joinpath(f"{name}.toml").read_text(encoding="utf-8"), f"profiles/grades/{name}.toml"
        )
    path = Path(name)
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError as error:
        raise InputError(unknown("criteria", str(name), shipped, ", or your own file")) from error
    except OSError as error:
        raise InputError(
            f"criteria {str(name)!r} cannot be read: {error.strerror}; a file or one of {', '.join(shipped)} "
            "is accepted"
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: byte {error.start} is no UTF-8 text") from error
    return read_criteria(text, str(path))


def read_criteria(text: str, where: str) -> Criteria:
    """Read the text of a criteria file.

    Raises:
        InputError: not TOML, or a field that is wrong: file, field, value, what is accepted.
    """
    from amphora.harness.common.quantities import parse

    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError(f"{where}: is not TOML: {error}") from error
    data = table_of(raw, where, ("name", "guard", "load_current", "criterion", "form"), ("name", "criterion"))
    if not isinstance(data["name"], str):
        raise InputError(f"{where}: key 'name' = {shown(data['name'])} is no text")
    guard = parse(data.get("guard", "1.0"), "ratio", f"{where}: guard")
    load_A = parse(data.get("load_current", "500 mA"), "current", f"{where}: load_current")
    if not load_A > 0:
        raise InputError(f"{where}: load_current = {data['load_current']!r} is not above 0")
    tables = data["criterion"]
    if not isinstance(tables, list) or not tables:
        raise InputError(f"{where}: there is no [[criterion]]")
    criteria = [_criterion(item, f"{where}: criterion {n}") for n, item in enumerate(tables, 1)]
    names = [item.name for item in criteria]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{where}: criterion {name!r} is there twice")
    forms: dict[tuple[str, str], FormLimits] = {}
    form_tables = data.get("form", [])
    if not isinstance(form_tables, list):
        raise InputError(f"{where}: form is no list of tables; [[form]] is accepted")
    for number, item in enumerate(form_tables, 1):
        place = f"{where}: form {number}"
        fields = ("form", "chemistry", "typical", "most")
        table = table_of(item, place, fields, fields)
        typical = parse(table["typical"], "capacity", f"{place}: typical")
        most = parse(table["most"], "capacity", f"{place}: most")
        if not 0 < typical <= most:
            raise InputError(
                f"{place}: typical = {shown(table['typical'])} is 0 or above most = {shown(table['most'])}"
            )
        kind = (text_of(table["form"], f"{place}: form"), text_of(table["chemistry"], f"{place}: chemistry"))
        forms[kind] = FormLimits(typical, most)
    return Criteria(data["name"], guard, load_A, tuple(criteria), forms)


def _criterion(data: object, where: str) -> Criterion:
    from amphora.harness.common.quantities import parse

    known = ("name", "quantity", "better", "unmeasured", "settle", "limits", "chemistries")
    table = table_of(data, where, known, ("name", "quantity", "better", "limits"))
    for key in ("name", "quantity", "better", "unmeasured", "settle"):
        if not isinstance(table.get(key, ""), str):
            raise InputError(f"{where}: key {key!r} = {shown(table[key])} is no text")
    where = f"{where} ({table['name']})"
    quantity, better = table["quantity"], table["better"]
    if quantity not in QUANTITIES:
        raise InputError(f"{where}: {unknown('quantity', quantity, QUANTITIES)}")
    if better not in ("higher", "lower"):
        raise InputError(f"{where}: better = {shown(better)} is not accepted; 'higher' or 'lower' is")
    unmeasured = table.get("unmeasured", "needs")
    if unmeasured not in ("skip", "needs", *GRADES[:-1]):
        raise InputError(f"{where}: unmeasured = {shown(unmeasured)} is not accepted; skip, needs or a grade is")
    written = table_of(table["limits"], f"{where}: limits", GRADES[:-1])
    if not written:
        raise InputError(f"{where}: there are no limits; one for a grade at least is accepted")
    limits = {
        grade: parse(written[grade], QUANTITIES[quantity][0], f"{where}: limits.{grade}")
        for grade in GRADES[:-1]
        if grade in written
    }
    values = list(limits.values())
    if any((a < b) if better == "higher" else (a > b) for a, b in pairwise(values)):
        raise InputError(f"{where}: the limits do not get easier from the best grade down")
    given = [GRADES.index(grade) for grade in limits]
    if given != list(range(given[0], given[0] + len(given))) or given[0] != 0:
        raise InputError(f"{where}: limits must begin with 'full duty' and leave out no grade in between")
    chemistries = table.get("chemistries", [])
    if not isinstance(chemistries, list) or not all(isinstance(item, str) for item in chemistries):
        raise InputError(f"{where}: chemistries is no list of texts")
    return Criterion(table["name"], quantity, better, unmeasured, table.get("settle", ""), limits, tuple(chemistries))


def key_of(result: Result | None, cell: Mapping[str, Any]) -> str:
    """Return the chemistry a cell is taken for: what a run found, else what the register says."""
    identified = cell.get("identified") or {}
    found = identified.get("chemistry") if isinstance(identified, Mapping) else None
    return str(found or (result.chemistry if result is not None else None) or cell.get("chemistry") or "auto")


def measure(
    quantity: str,
    result: Result,
    cell: Mapping[str, Any],
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
        from amphora.harness.cells.chemistry import load_chemistry

        factor = criteria.load_current_A / load_chemistry(key).nominal_V
        remark += f", at {criteria.load_current_A * 1000:g} mA"
    return ohm * factor, U_ohm * factor, remark


def _self_discharge(result: Result) -> tuple[float, float, str] | None:
    percent = result.retention.loss_percent_per_month if result.retention else None
    U_percent = result.retention.loss_U_percent_per_month if result.retention else None
    remark = ""
    if percent is None or U_percent is None:  # another run, or dated voltages, may have shown it
        account = result.account or {}
        percent = finite_number(account.get("self_discharge_percent_per_month"))
        U_percent = finite_number(account.get("self_discharge_U"))
        remark = "by the account of the cell"
    if percent is None or U_percent is None:
        return None
    return percent / 100.0, U_percent / 100.0, remark


def _capacity(
    quantity: str,
    result: Result,
    cell: Mapping[str, Any],
    criteria: Criteria,
    cohort_Ah: Sequence[float],
    key: str,
) -> tuple[float, float, str] | None:
    value, U = result.capacity_Ah, result.capacity_U_Ah
    if value is None or U is None:
        return None
    U = result.capacity_item_U_Ah or U  # a grade is of the cell, not of one night
    form = criteria.forms.get((str(result.form or cell.get("form") or ""), key))
    if quantity == "capacity":
        return value, U, ""
    base: float | None
    if quantity == "capacity over claim":
        base = finite_number(cell.get("claim_Ah"))
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


def _anomalies(result: Result, cell: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what alone lowers a grade: faults that eye and nose found, and the guard's stops."""
    from amphora.harness.cells.incoming import FAULTS

    rows = []
    for part, word in (cell.get("inspection") or {}).items():
        fault = FAULTS.get((part, word))
        if fault and fault[0] == "retire":
            rows.append(_anomaly(f"{part}: {word}", "retire", fault[1]))
    if cell.get("state") == "retired":
        rows.append(_anomaly("state", "retire", "the register says it is retired"))
    stop = result.stop or ""
    check = check_of(stop)
    if check is not None and check.grade is not None:  # what speaks of the bench alone costs no cell its grade
        rows.append(_anomaly("stopped by the guard", check.grade, f"{stop}: {check.against_cell or check.words}"))
    return rows


INNER_SHORT = ("leak", "recovery-falls", "charge-balance", "soft-short")


def _by_the_account(result: Result) -> list[dict[str, Any]]:
    """Return what the account of the cell holds against it, each with the best grade it leaves."""
    account = result.account or {}
    findings = {str(item.get("code")): item for item in account.get("findings") or []}
    rows = []
    for code in ((account.get("may") or {}).get("grade") or {}).get("findings") or []:
        item = findings.get(code) or {}
        if code in ("inspection", "mass", "retired") and item.get("strength") == "established":
            rows.append(_anomaly(code, "retire", str(item.get("text"))))
        elif code in INNER_SHORT:
            best = "bench only" if item.get("strength") == "established" else "standby duty"
            rows.append(_anomaly(code, best, str(item.get("text"))))
        elif code in ("quarantined", "inspection", "mass"):
            rows.append(_anomaly(code, "bench only", str(item.get("text"))))
        elif code != "no-capacity":
            text = f"{item.get('text')} Settled by: {item.get('settles')}"
            rows.append({**_anomaly(code, "standby duty", text), "verdict": "open"})
    return rows


def _anomaly(name: str, grade: str, text: str) -> dict[str, Any]:
    return {
        "name": name, "value": None, "U": None, "limit": None, "margin": None, "verdict": "not met", "grade": grade,
        "remark": text, "shown_in": "", "shown_times": 1.0,
    }  # fmt: skip


def grade_result(
    result: Result,
    cell: Mapping[str, Any],
    criteria: Criteria,
    cohort_Ah: Sequence[float] = (),
) -> dict[str, Any]:
    """Return the grade of one run.

    Args:
        result: What `analyse` answers.
        cell: The cell's record.
        criteria: From `load_criteria`.
        cohort_Ah: Capacities of the other cells of the same form and chemistry; four at least, or it is not looked at.

    Returns:
        `cell`, `run`, `grade` (None when it needs more), `decided_by`, `criteria`, `needs`, `settle`, `rule`.
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
    ruled = [row for row in rows if row["grade"] is not None]
    answer: dict[str, Any] = {
        "cell": result.cell or cell.get("id"),
        "run": result.run,
        "grade": None,
        "decided_by": None,
        "criteria": rows,
        "needs": needs,
        "settle": looked.settle,
        "rule": criteria.rule,
        "criteria_file": criteria.name,
    }
    retired = [row for row in ruled if row["grade"] == "retire" and row["value"] is None]
    if retired:  # a fault seen needs no figures
        return {**answer, "grade": "retire", "decided_by": retired[0]["name"], "needs": []}
    if needs or not ruled:
        return {**answer, "needs": needs or ["any criterion that could be measured"]}
    worst = max(ruled, key=lambda row: (GRADES.index(row["grade"]), -(_relative(row))))
    return {**answer, "grade": worst["grade"], "decided_by": worst["name"], "needs": looked.wishes}


@dataclass(frozen=True, slots=True)
class _Looked:
    """What was noted while the criteria were looked at: needed for any grade, wished for a better one, to settle."""

    needs: list[str] = field(default_factory=list)
    wishes: list[str] = field(default_factory=list)
    settle: list[str] = field(default_factory=list)


def _unmeasured(criterion: Criterion, looked: _Looked) -> dict[str, Any]:
    """Return the row of a criterion that was not measured; what that costs is noted."""
    cap = criterion.unmeasured if criterion.unmeasured in GRADES else None
    if criterion.unmeasured == "needs":
        looked.needs.append(f"{criterion.name}: {criterion.settle}" if criterion.settle else criterion.name)
    elif cap is not None:
        looked.wishes.append(f"{criterion.name}, not measured: {cap} is the best without it")
    return {
        **_head(criterion), "value": None, "U": None, "limit": None, "margin": None, "verdict": "not measured",
        "grade": cap,
    }  # fmt: skip


def _row(
    criterion: Criterion, value: float, U: float, remark: str, criteria: Criteria, looked: _Looked
) -> dict[str, Any]:
    """Return the row of a criterion that was measured; what would settle an open one is noted."""
    decision = decide(value, U, criterion, criteria.guard)
    if decision.verdict == "open":
        _, scale, unit = QUANTITIES[criterion.quantity]
        enough = abs(decision.margin) / criteria.guard if criteria.guard else 0.0
        text = f"{criterion.name} lies within its uncertainty of the limit of {decision.missed!r}"
        if criterion.settle:
            text += f": {criterion.settle}"
        if decision.margin > 0:
            text += f"; U below {enough * scale:.2g} {unit} would give it"
        looked.settle.append(text)
    return {
        **_head(criterion), "value": value, "U": U, "remark": remark, "grade": decision.grade,
        "limit": decision.limit, "margin": decision.margin, "verdict": decision.verdict,
    }  # fmt: skip


def _head(criterion: Criterion) -> dict[str, Any]:
    _, scale, unit = QUANTITIES[criterion.quantity]
    return {"name": criterion.name, "shown_in": unit, "shown_times": scale}


def _relative(row: Mapping[str, Any]) -> float:
    """Return a margin over its limit: the smaller decides between criteria that allow the same grade."""
    if row["margin"] is None or not row["limit"]:
        return 0.0
    return float(row["margin"]) / abs(float(row["limit"]))


def grade_runs(runs: Sequence[tuple[Result, Mapping[str, Any]]], criteria: Criteria) -> list[dict[str, Any]]:
    """Return the grades of several runs; each cell's cohort are the others of its form and chemistry among them.

    Args:
        runs: (what `analyse` answers, the cell's record), one for each run.
        criteria: From `load_criteria`.
    """
    groups: dict[tuple[str, str], dict[str, float]] = {}
    for result, cell in runs:
        if result.capacity_Ah is not None and not _blockers(result):
            place = (str(result.form or cell.get("form") or ""), key_of(result, cell))
            groups.setdefault(place, {})[result.cell] = result.capacity_Ah
    ordered = {place: sorted(found.values()) for place, found in groups.items()}
    grades = []
    for result, cell in runs:
        place = (str(result.form or cell.get("form") or ""), key_of(result, cell))
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
