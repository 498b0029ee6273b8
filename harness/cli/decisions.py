"""Commands that decide: grade, compare, match, fit."""

import gc
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.harness.archive.journal import write_new
from amphora.harness.archive.loading import load
from amphora.harness.archive.shelf import Shelf, read_entry
from amphora.harness.cli import completion
from amphora.harness.cli.measured_run import measured_run
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import unknown
from amphora.harness.common.quantities import parse
from amphora.harness.decisions.basis import basis_from
from amphora.harness.decisions.cell_runs import best_runs, read_runs
from amphora.harness.decisions.compared import ComparedRow, Comparison
from amphora.harness.decisions.comparison import compare as compare_runs
from amphora.harness.decisions.criteria import load_criteria
from amphora.harness.decisions.duty import load_duty
from amphora.harness.decisions.fit import fit_run
from amphora.harness.decisions.grades import Graded, grade_runs
from amphora.harness.decisions.matching import Candidate, candidate_of
from amphora.harness.decisions.matching import match as match_cells
from amphora.harness.report.fit_plot import plot_fit
from amphora.harness.report.plots import plot_overlay, when_made
from amphora.harness.report.tables import as_csv, comparison_table, fit_sheet, grade_sheet, match_table

RunsArgument = Annotated[
    list[Path] | None,
    typer.Argument(metavar="RUN", autocompletion=completion.runs, help="Run folders, or ids of cells."),
]
AllOption = Annotated[bool, typer.Option("--all", help="Every run on the shelf.")]
VerifyOption = Annotated[
    bool,
    typer.Option("--verify", help="Hash all readings; else a file counts as unchanged by its size, time and inode."),
]
CriteriaOption = Annotated[
    str, typer.Option("--criteria", help="Criteria for grades: general, lenient, or a file of your own.")
]


def _folders(runs: list[Path] | None, every: bool, logs: Path) -> list[Path]:
    """Return the run folders that are meant; damaged ones of the shelf are told and left out."""
    if every == bool(runs):
        raise InputError("run folders or --all are accepted, one of the two")
    if runs:
        return [measured_run(run, logs) for run in runs]
    found = []
    for entry in Shelf(logs).list_runs_of_cells():
        if entry.damaged:
            say(f"damaged, left out: {entry.cell}: {entry.damaged}")
        else:
            found.append(Path(entry.folder))
    if not found:
        raise InputError(f"there are no runs on the shelf in {logs}; `amphora run` or `amphora import` makes one")
    return found


def grade(
    runs: RunsArgument = None,
    every: AllOption = False,
    criteria: CriteriaOption = "general",
    load_current: Annotated[
        str | None, typer.Option("--load-current", help="The intended load, for the sag: '350 mA'.")
    ] = None,
    verify: VerifyOption = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Grade cells by what they can still do.

    Exit code 1 if any cell could not be graded.

    Example: amphora grade logs/L3-a/20261124T210000Z-overnight --load-current "350 mA"
    """
    rules = load_criteria(criteria)
    if load_current is not None:
        load_A = parse(load_current, "current", "--load-current")
        if not load_A > 0:
            raise InputError(f"--load-current {load_current!r} is not above 0")
        rules = replace(rules, load_current_A=load_A)
    folders = _folders(runs, every, logs)
    good, damaged = read_runs(folders, verify, whole=False)
    if damaged and runs:
        raise InputError(damaged[0].text)
    for item in damaged:
        say(f"left out: {item.text}")
    if every:
        good = best_runs(good)
    grades = grade_runs([(run.result, run.cell) for run in good], rules)
    grades = [replace(graded, run=str(run.folder)) for graded, run in zip(grades, good, strict=True)]
    sheets = [grade_sheet(entry, rule=entry is grades[-1]) for entry in grades]  # one rule for all, once

    def show() -> None:
        print("\n\n".join(sheets))
        show_next("compare", "--all", logs=logs)

    answer({"grades": to_json(grades)}, as_json, show)
    if not grades or any(entry.grade is None for entry in grades):
        leave(1)


COMPARE_CSV = (
    "rank", "cell", "capacity_Ah", "capacity_U_Ah", "claim_Ah", "resistance_ohm", "resistance_U_ohm",
    "resistance_duration_s", "energy_Wh", "temperature_rise_K", "grade", "tied_with", "chemistry", "form", "start",
    "run",
)  # fmt: skip
BASIS_CSV = ("basis_Ah", "basis_U_Ah", "basis_why")
Sort = tuple[Callable[[ComparedRow], Any], bool]  # what is sorted by, and whether the largest comes first
SORTS: dict[str, Sort] = {
    "rank": (lambda row: row.rank, False),
    "cell": (lambda row: row.cell, False),
    "capacity": (lambda row: row.capacity_Ah, True),
    "resistance": (lambda row: row.resistance_ohm, False),
    "energy": (lambda row: row.energy_Wh, True),
    "claim": (lambda row: row.claim_Ah, True),
}


def _csv_row(row: ComparedRow) -> dict[str, Any]:
    """Return a row with the estimate on a common basis in columns of its own."""
    found = row.common_basis
    on_basis = (None, None, None) if found is None else (found.capacity_Ah, found.capacity_U_Ah, found.why)
    return {**to_json(row), **dict(zip(BASIS_CSV, on_basis, strict=True))}


def compare(
    runs: RunsArgument = None,
    every: AllOption = False,
    each_run: Annotated[bool, typer.Option("--each-run", help="A line for each run, not for each cell.")] = False,
    sort: Annotated[str, typer.Option(help=f"{', '.join(SORTS)}.")] = "rank",
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the table as CSV too.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Draw the curves over each other into this file.")] = None,
    criteria: CriteriaOption = "general",
    common_basis: Annotated[
        bool, typer.Option("--common-basis", help="Estimate each capacity at one current, temperature and cut-off.")
    ] = False,
    at_current: Annotated[str | None, typer.Option("--at-current", help="Of that basis, such as 0.5 A.")] = None,
    at_temperature: Annotated[str | None, typer.Option("--at-temperature", help="Of it, such as 20 degC.")] = None,
    at_cutoff: Annotated[str | None, typer.Option("--at-cutoff", help="Of it, such as 3.0 V.")] = None,
    rank_on_basis: Annotated[
        bool, typer.Option("--rank-on-basis", help="Rank by that estimate, not by what was measured.")
    ] = False,
    verify: VerifyOption = False,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Rank cells by what they hold.

    Cells too close to separate are marked, and so are outliers.

    A cell with several runs alike gets its course over time: of capacity, and of resistance.

    Example: amphora compare --all --csv cells.csv --plot cells.png
    """
    gc.disable()  # this process ends with the answer; looking for circles among ten thousand rows takes long
    if sort not in SORTS:
        raise InputError(unknown("--sort", sort, SORTS))
    asked = common_basis or rank_on_basis or (at_current, at_temperature, at_cutoff) != (None,) * 3
    basis = basis_from(at_current, at_temperature, at_cutoff) if asked else None
    folders = _folders(runs, every, logs)
    found = compare_runs(folders, criteria, each_run, basis, rank_on_basis, verify)
    if found.damaged and runs:
        raise InputError(found.damaged[0].text)
    for item in found.damaged:
        say(f"left out: {item.text}")
    key, falling = SORTS[sort]
    have = sorted((row for row in found.cells if key(row) is not None), key=key, reverse=falling)
    rows = (*have, *(row for row in found.cells if key(row) is None))
    found = replace(found, cells=rows, grades=None)
    if csv is not None:
        columns = COMPARE_CSV if basis is None else (*COMPARE_CSV, *BASIS_CSV)
        write_new(csv, as_csv(columns, [_csv_row(row) for row in rows]))
        say(f"table written to {csv}")
    if plot is not None:
        plot_overlay([Path(row.run) for row in rows], plot)
        say(f"picture written to {plot}")

    def show() -> None:
        print(comparison_table(found))
        show_next("match", "--size", "2", logs=logs)

    answer(to_json(found), as_json, show)


def match(
    size: Annotated[int, typer.Option("--size", help="Cells in a set.")],
    wiring: Annotated[str, typer.Option("--wiring", help="parallel or series.")] = "parallel",
    cells: Annotated[
        list[str] | None,
        typer.Option("--cell", autocompletion=completion.cells, help="Only these cells; may be given again."),
    ] = None,
    oldest: Annotated[str, typer.Option("--oldest", help="A test older than this does not count.")] = "365 d",
    widest: Annotated[str, typer.Option("--widest", help="A set with a greater spread is not offered.")] = "20 %",
    seconds: Annotated[float, typer.Option("--seconds", help="About so long for the search.")] = 4.0,
    criteria: CriteriaOption = "general",
    in_spite_of: Annotated[
        list[str] | None,
        typer.Option("--in-spite-of", metavar="CODE", help="Take on a finding of the cells' accounts."),
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Choose sets of cells that belong together.

    Exit code 1 if there is none.

    Never mixes chemistries. Read the caution on building packs.

    Example: amphora match --size 4 --wiring parallel
    """
    if wiring not in ("parallel", "series"):
        raise InputError(unknown("--wiring", wiring, ("parallel", "series")))
    if not 0 < seconds <= 3600:
        raise InputError(f"--seconds {seconds!r} is not accepted; above 0 up to 3600 is")
    if not 2 <= size <= 24:
        raise InputError(f"--size {size} is not accepted; 2 to 24 is")
    oldest_days = parse(oldest, "duration", "--oldest") / 86400.0
    limit = parse(widest, "ratio", "--widest")
    wanted, refused = _of_the_shelf(logs, cells)
    found = compare_runs(wanted, criteria) if wanted else Comparison()
    leaks = {graded.cell: _self_discharge(graded) for graded in found.grades or ()}
    candidates: list[Candidate] = []
    for row in found.cells:
        made = _tested_utc(Path(row.run))
        age = (datetime.now(UTC) - datetime.fromisoformat(made)).total_seconds() / 86400.0 if made else 0.0
        item = candidate_of(row, age, leaks[row.cell], in_spite_of or [])
        if isinstance(item, str):
            refused[row.cell] = item
        else:
            candidates.append(item)
    matched = match_cells(
        candidates, size, "series" if wiring == "series" else "parallel", oldest_days, limit, refused, seconds
    )

    def show() -> None:
        print(match_table(matched))
        if matched.sets:
            show_next("label", *matched.sets[0].cells, "--out", "labels.pdf", logs=logs)
        else:
            show_next("compare", "--all", logs=logs)

    answer(to_json(matched), as_json, show)
    if not matched.sets:
        leave(1)


def _self_discharge(graded: Graded) -> float | None:
    """Return the share that a cell loses a month, as its grade has it; None where it was not measured."""
    return next((one.value for one in graded.criteria if one.name.startswith("self-discharge")), None)


def _of_the_shelf(logs: Path, names: list[str] | None) -> tuple[list[Path], dict[str, str]]:
    """Return the runs of the cells that may be matched, and the cells that may not, with why."""
    shelf = Shelf(logs)
    for name in names or []:
        shelf.get(name)
    runs: list[Path] = []
    refused: dict[str, str] = {}
    by_cell: dict[str, list[Path]] = {}
    for entry in shelf.list_runs():
        if not entry.damaged:
            by_cell.setdefault(entry.cell, []).append(Path(entry.folder))
    for cell in shelf.list_cells():
        if names and cell.id not in names:
            continue
        if cell.cell is None:
            refused[cell.id] = "its record is damaged"
        elif cell.cell.is_device:
            continue
        elif cell.cell.state in ("retired", "quarantined", "in use"):
            refused[cell.id] = f"it is {cell.cell.state}"
        elif cell.id not in by_cell:
            refused[cell.id] = "not tested: no run"
        else:
            runs += by_cell[cell.id]
    return runs, refused


def _tested_utc(folder: Path) -> str:
    return read_entry(folder).created_utc


def fit(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN",
            autocompletion=completion.runs,
            help="A run with a discharge and load steps: folder or cell's id.",
        ),
    ],
    duty: Annotated[
        str,
        typer.Option(
            "--duty",
            autocompletion=completion.duties,
            help="A built-in duty, or your own file: see `amphora duty list`.",
        ),
    ],
    what_if: Annotated[
        list[str] | None,
        typer.Option("--what-if", help="A change: 'resistor=47 ohm', 'lowest_rail=3.2 V', 'panel.current=120 mA'."),
    ] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Draw the night and the day into this file.")] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Check whether a cell can run a device, and for how long.

    Also shows whether the voltage sags until the device starts again, and whether the panel replaces each night's
    charge. Exit code 1 if it does not fit.

    Example: amphora fit logs/L3-a/20261124T210000Z-overnight --duty path-light --what-if "panel.current=120 mA"
    """
    folder = measured_run(run, logs)
    found = fit_run(folder, duty, what_if or [])
    if plot is not None:
        if found.course:
            plot_fit(found, load_duty(duty), plot, when_made([load(folder)[1]]))
            say(f"picture written to {plot}")
        else:
            say("no picture: the duty has no night")

    def show() -> None:
        print(fit_sheet(found))
        if found.what_if is not None:
            print("\nwith " + ", ".join(found.what_if.changes or ()) + ":")
            print(fit_sheet(found.what_if))
        if found.fits:
            show_next("certify", run, "--out", "certificate.pdf", logs=logs)
        else:
            show_next("duty", "list")  # another device may suit it

    answer(to_json(found), as_json, show)
    if not found.fits:
        leave(1)
