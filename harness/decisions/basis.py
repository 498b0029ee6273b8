"""Capacities of cells on a common basis: one current, temperature and cut-off; estimates, each with why there is none.

What a cell's runs carry is `analysis.common_basis`; here it is decided which runs and which basis. Ah, A, V, degC.
"""

from collections.abc import Sequence
from statistics import median

from amphora.harness.account.answer import analyse_run
from amphora.harness.account.kept_answers import CellRun
from amphora.harness.analysis.common_basis import AT_CURRENT, RunPoint, on_basis
from amphora.harness.common.errors import AmphoraError, AnalysisError, InputError
from amphora.harness.common.quantities import parse
from amphora.harness.decisions.cell_runs import by_cell, counts, days_between
from amphora.harness.decisions.compared import Basis, OnBasis
from amphora.harness.decisions.grades import key_of

SAME_HEALTH_DAYS = 90.0  # runs further back tell of a younger cell, and carry no common basis


def basis_from(current: str | None, temperature: str | None, cutoff: str | None) -> Basis:
    """Return a basis from what a person wrote; None leaves it open.

    Raises:
        InputError: not a current, a temperature or a voltage, or a current or voltage not above 0.
    """
    made = Basis(
        None if current is None else parse(current, "current", "--at-current"),
        None if temperature is None else parse(temperature, "temperature", "--at-temperature"),
        None if cutoff is None else parse(cutoff, "voltage", "--at-cutoff"),
    )
    for name, text, value in (("--at-current", current, made.current_A), ("--at-cutoff", cutoff, made.cutoff_V)):
        if value is not None and value <= 0:
            raise InputError(f"{name} {text!r} is not accepted; a value above 0 is")
    return made


def on_common_basis(runs: Sequence[CellRun], basis: Basis) -> dict[str, OnBasis]:
    """Return each cell's capacity at one current, temperature and cut-off, as an estimate, or why there is none.

    What the basis leaves open is chosen for each chemistry: the highest cut-off of its runs, for a record holds what
    came before but not what would have come after; the current at which most cells were run; the middle temperature.

    Returns:
        By cell.
    """
    kinds: dict[str, dict[str, list[CellRun]]] = {}
    for name, items in by_cell(runs).items():
        kinds.setdefault(key_of(items[-1].result, items[-1].cell), {})[name] = items
    found: dict[str, OnBasis] = {}
    for cells in kinds.values():
        goal = _goal([(name, item) for name, items in cells.items() for item in items], basis)
        for name, items in cells.items():
            found[name] = _cell_on_basis(items, goal)
    return found


def _goal(all_items: Sequence[tuple[str, CellRun]], basis: Basis) -> Basis:
    cutoff_V, current_A, degC = basis.cutoff_V, basis.current_A, basis.temperature_degC
    items = [(name, run.result) for name, run in all_items if counts(run.result)]
    if cutoff_V is None:
        cutoff_V = max((r.cutoff_V for _, r in items if r.cutoff_V), default=None)
    if current_A is None:
        amps = [(name, abs(r.main_current_A)) for name, r in items if r.main_current_A]
        current_A = min(
            {value for _, value in amps},
            key=lambda at: (-len({name for name, value in amps if abs(value / at - 1.0) <= AT_CURRENT}), at),
            default=None,
        )
    if degC is None:
        known = [r.temperature_degC for _, r in items if r.temperature_degC is not None]
        degC = round(median(known), 1) if known else None
    return Basis(current_A, degC, cutoff_V)


def _cell_on_basis(items: Sequence[CellRun], goal: Basis) -> OnBasis:
    def none(why: str) -> OnBasis:
        return OnBasis(None, None, goal, why=why)

    full = [item for item in items if item.result.from_full]
    if not full:
        return none("no run from a full start")
    if goal.current_A is None or goal.cutoff_V is None:
        return none("no run to a cut-off whose current is known")
    points, left = _points_at(full, goal.cutoff_V)
    try:
        made = on_basis(points, goal.current_A, goal.temperature_degC)
    except AnalysisError as error:
        return none("; ".join([str(error).rstrip("."), *left]))
    return OnBasis(
        made.capacity_Ah, made.capacity_U_Ah, goal,
        converted=made.converted, runs=made.runs, left_out=tuple(left), text=made.text,
    )  # fmt: skip


def _points_at(full: Sequence[CellRun], cutoff_V: float) -> tuple[list[RunPoint], list[str]]:
    """Return what runs from full gave down to one cut-off, and which of them were left out, each with why."""
    points: list[RunPoint] = []
    left: list[str] = []
    for run in full:
        folder, result, days = run.folder, run.result, days_between(run, full[-1])
        if days is not None and days > SAME_HEALTH_DAYS:
            left.append(f"{folder.name} is {days:.0f} days older than the last")
            continue
        if result.cutoff_V is None or abs(result.cutoff_V - cutoff_V) > 1e-3:
            try:
                result = analyse_run(folder, cutoff_V, budget=False)
            except AmphoraError as error:
                left.append(f"{folder.name}: {error}")
                continue
        if not result.reached_cutoff or result.capacity_Ah is None or not result.main_current_A:
            left.append(f"{folder.name} does not reach {cutoff_V:g} V")
            continue
        points.append(
            RunPoint(result.capacity_Ah, result.item_U_Ah, abs(result.main_current_A), result.temperature_degC)
        )
    return points, left
