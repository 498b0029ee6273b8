"""Reads from a shelf what the screen looks at: the first twenty minutes of runs, and what the charge before put in."""

import csv
import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from amphora.harness.account.asking import standing_of
from amphora.harness.account.entries import run_seen
from amphora.harness.account.standing import RunSeen, Standing
from amphora.harness.analysis.early_signs import Signs, early_signs
from amphora.harness.archive.run_folder import SAMPLES, read_header
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import AmphoraError, AnalysisError, InputError
from amphora.harness.common.quantities import parse
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.duty import load_duty
from amphora.harness.decisions.grades import key_of
from amphora.harness.decisions.screening import Case, Screened, screen

MOST_S = 7200.0  # of a run: the load steps and ten minutes of discharge are over by then
RELAXED = timedelta(hours=2)  # of rest after a discharge: the voltage shows what is left (common practice)
FULL = ("full", "declared-full")
WORTH = "steady duty"  # the grade that a cell has to be able to reach, where nobody says what it is to hold


def signs_of(folder: Path) -> Signs:
    """Return what the first twenty minutes of a run show.

    Raises:
        AnalysisError: they are not in this run.
        InputError: it is no run folder.
    """
    read_header(folder)
    rows: list[tuple[float, float, float, float]] = []
    try:
        with (folder / SAMPLES).open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                values = tuple(_number(row.get(name)) for name in ("t_s", "voltage_V", "current_A", "temperature_degC"))
                if not math.isfinite(values[0]):
                    continue  # torn
                if values[0] > MOST_S:
                    break
                rows.append((values[0], values[1], values[2], values[3]))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise AnalysisError(f"{folder / SAMPLES}: cannot be read: {error}") from error
    if not rows:
        raise AnalysisError("the run has no readings")
    table = np.asarray(rows)
    return early_signs(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


def _number(text: str | None) -> float:
    try:
        return float(text) if text else math.nan
    except ValueError:
        return math.nan


def charge_before(runs: list[RunSeen], run: str | None) -> tuple[float | None, float | None, bool]:
    """Return what the newest whole charge before a run put in, the voltage at rest before it, and if from empty."""
    end = next((place for place, one in enumerate(runs) if one.run == run), len(runs))
    for place in range(end - 1, -1, -1):
        one = runs[place]
        charged = sum(move.ah for move in one.moves if move.kind == "charge")
        if not one.charge_full or one.gaps_unknown or any(move.kind == "discharge" for move in one.moves):
            continue
        rest = next((item for item in one.rests if not item.after), None)
        before = runs[place - 1].moves if place else ()
        emptied = bool(before) and before[-1].kind == "discharge" and before[-1].whole
        from_V = rest.last_V if rest is not None else None
        if from_V is not None and from_V > 4.0 and place:
            continue  # a charge to fill up again says nothing of the whole; an earlier one may
        if before and before[-1].kind == "discharge" and not _relaxed(before[-1].end_utc, one):
            from_V = None  # still rising: more is left than it shows
        return charged, from_V, emptied
    return None, None, False


def _relaxed(discharged: datetime, run: RunSeen) -> bool:
    return run.dated and run.at - discharged >= RELAXED


def case_of(shelf: Shelf, cell: Cell, run: Path | None = None, standing: Standing | None = None) -> Case:
    """Return a cell as the screen sees it: by one run, or by the newest that shows its first twenty minutes.

    Raises:
        AmphoraError: the cell or the run cannot be read.
    """
    standing = standing or standing_of(shelf, cell.id)
    folders = shelf.runs(cell.id)
    runs = [run_seen(folder) for folder in folders]
    chosen, signs = None, None
    for folder in reversed(folders) if run is None else [run]:
        try:
            signs = signs_of(folder)
        except AnalysisError:
            continue
        chosen = folder.name
        break
    full = standing.full_since is not None if chosen is None else standing.starts.get(chosen) in FULL
    charged_Ah, from_V, emptied = charge_before(runs, None if run is None else chosen)
    return Case(
        cell.id, signs, full, charged_Ah, from_V, emptied, cell.mass_g,
        standing.capacity_Ah if standing.capacity_run is not None else None,
    )  # fmt: skip


def like(first: Cell, second: Cell) -> bool:
    """Tell whether two cells are of one kind: the same form and the same chemistry."""
    return first.form == second.form and chemistry_of(first) == chemistry_of(second)


def chemistry_of(cell: Cell) -> str:
    """Return the chemistry a cell is taken for."""
    return key_of(None, cell)


def known_cases(shelf: Shelf, cell: Cell, kept: dict[str, tuple[Any, tuple[Case, ...]]] | None = None) -> list[Case]:
    """Return the like cells on the shelf that had a night, as the screen sees them.

    Args:
        shelf: The register.
        cell: What they have to be like; itself is left out.
        kept: What was read before, by cell; brought up to date where a cell's folder changed.
    """
    kept = {} if kept is None else kept
    found: list[Case] = []
    for other in shelf.cells():
        if other.id == cell.id or not like(other, cell):
            continue
        stamp = _stamp(shelf.folder(other.id))
        if other.id not in kept or kept[other.id][0] != stamp:
            kept[other.id] = (stamp, tuple(_known(shelf, other)))
        found += kept[other.id][1]
    return found


def _known(shelf: Shelf, cell: Cell) -> Iterable[Case]:
    """Yield the cell by the run that gave its capacity, and by its screen as it was found."""
    try:
        standing = standing_of(shelf, cell.id)
        if standing.capacity_run is None or standing.capacity_Ah is None:
            return
        yield case_of(shelf, cell, shelf.folder(cell.id) / standing.capacity_run, standing)
        for folder in shelf.runs(cell.id):
            if standing.starts.get(folder.name) not in FULL and read_header(folder).get("profile") == "screen":
                yield case_of(shelf, cell, folder, standing)
                return
    except (AmphoraError, OSError):
        return


def _stamp(folder: Path) -> Any:
    try:
        return folder.stat().st_mtime_ns, tuple(sorted(one.name for one in folder.iterdir()))
    except OSError:
        return None


def least_for(cell: Cell, least: str | None = None, duty: str | None = None) -> float:
    """Return what a cell has to hold to be worth a night, Ah.

    Args:
        cell: The cell.
        least: As a person said it: "800 mAh".
        duty: A duty: what one of its nights asks for.

    Raises:
        InputError: both are given, one is not accepted, or neither is and the form is not known.
    """
    if least is not None and duty is not None:
        raise InputError("--least and --for are both given; one of the two is accepted")
    if least is not None:
        value = parse(least, "capacity", "--least")
        if not value > 0:
            raise InputError(f"--least {least!r} is not above 0")
        return value
    if duty is not None:
        return charge_of_a_night_Ah(duty)
    criteria = load_criteria("general")
    form = criteria.forms.get((cell.form, chemistry_of(cell)))
    limits: Mapping[str, float] = next(
        (one.limits for one in criteria.criteria if one.quantity == "capacity over form"), {}
    )
    if form is None or WORTH not in limits:
        raise InputError(
            f"{cell.id}: what a {cell.form or 'cell of unknown form'} ({chemistry_of(cell)}) has to hold is not known; "
            "say it with --least '800 mAh' or --for path-light"
        )
    return form.typical_Ah * limits[WORTH]


def charge_of_a_night_Ah(name: str) -> float:
    """Return what one night of a duty takes out of a cell, Ah; a mode by power counts at the nominal 3.6 V.

    Raises:
        InputError: there is no such duty.
    """
    duty = load_duty(name)
    total = duty.quiescent_A * 24.0
    for mode_name, hours in duty.night:
        mode = duty.mode(mode_name)
        total += float(mode.on_current(np.array([3.6]), np.array([0.0]))[0]) * mode.share * hours
    return total


def screened(
    shelf: Shelf, cell: Cell, least_Ah: float, run: Path | None = None,
    kept: dict[str, tuple[Any, tuple[Case, ...]]] | None = None,
) -> Screened:  # fmt: skip
    """Return whether a cell is worth a night, by its runs and the like cells of its shelf.

    Raises:
        AmphoraError: the cell or the run cannot be read.
    """
    return screen(case_of(shelf, cell, run), known_cases(shelf, cell, kept), chemistry_of(cell), least_Ah)


class Screen:
    """Asks the screen for a queue; keeps what it read of the shelf.

    Args:
        logs: The shelf's folder.
    """

    def __init__(self, logs: Path) -> None:
        self._shelf = Shelf(logs)
        self._kept: dict[str, tuple[Any, tuple[Case, ...]]] = {}

    def not_worth(self, cell_id: str, least_Ah: float | None) -> str:
        """Return why a cell is not worth a night; empty where it is, where that cannot be told, or on any doubt."""
        try:
            cell = self._shelf.get(cell_id)
            least_Ah = least_for(cell) if least_Ah is None else least_Ah
            found = screened(self._shelf, cell, least_Ah, kept=self._kept)
        except AmphoraError:
            return ""
        return found.why if found.answer == "not worth a night" else ""


__all__ = [
    "Screen",
    "case_of",
    "charge_of_a_night_Ah",
    "chemistry_of",
    "known_cases",
    "least_for",
    "screened",
    "signs_of",
]
