"""A bag of cells at the door: many ids at once, a sheet to fill in, and the sheet read back line by line.

The sheet is a table (CSV) with a line for each cell. What is empty has not been looked at and changes nothing. A line
that cannot be believed is refused by itself, in one sentence; the others are taken. Each line that is taken is a dated
entry of its cell, as `cell check` makes it.
"""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from amphora.harness.account.corrections import checked
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import INSPECTION, Cell, check_inspection
from amphora.harness.cells.forms import form_of
from amphora.harness.cells.incoming import Judgement, judge_at_the_door
from amphora.harness.common.errors import AmphoraError, InputError, QuantityError
from amphora.harness.common.fields import shown
from amphora.harness.common.quantities import parse

COLUMNS = ("id", "mass_g", "voltage_V", *INSPECTION)
MOST_CELLS = 999
HIGHEST_V = 5.0  # of one cell of any chemistry that the register knows, with room; above it: a slip of the pen
LOWEST_V = -5.0
LIKE_MASS = 2.0  # so many times lighter or heavier than the form ever is: a slip, not a cell


@dataclass(frozen=True, slots=True)
class Taken:
    """A line that was taken: the cell as it now stands, and what may be done with it."""

    cell: Cell
    judged: Judgement


@dataclass(frozen=True, slots=True)
class Turned:
    """A line, or one value of it, that was refused: where, which column, and why in one sentence."""

    line: int
    cell: str
    column: str
    why: str


def many(prefix: str, count: int, first: int, known: Sequence[str]) -> list[str]:
    """Return `count` ids that begin with a prefix, numbered on behind those there are.

    Raises:
        InputError: a count that is not accepted, or an id that is taken.
    """
    if not 1 <= count <= MOST_CELLS:
        raise InputError(f"--count {count} is not accepted; 1 to {MOST_CELLS} are")
    if first < 0:
        raise InputError(f"--first {first} is not accepted; a number of 0 or more is")
    pattern = re.compile(re.escape(prefix) + r"(\d+)")
    used = [int(match[1]) for name in known if (match := pattern.fullmatch(name))]
    begin = first or max(used, default=0) + 1
    width = max(2, len(str(begin + count - 1)))
    ids = [f"{prefix}{number:0{width}d}" for number in range(begin, begin + count)]
    taken = sorted(set(ids) & set(known))
    if taken:
        raise InputError(f"{taken[0]}: is on the shelf already; choose another --prefix or --first")
    return ids


def add_many(shelf: Shelf, ids: Sequence[str], form: str, chemistry: str, source: str, notes: str = "") -> list[Cell]:
    """Put cells on the shelf of which only where they came from is known; all, or none where one is not accepted."""
    made = [
        Cell.from_dict(
            {"id": name, "form": form, "chemistry": chemistry, "source": source, "notes": notes}, "cell add-many"
        )
        for name in ids
    ]
    return [shelf.add(cell) for cell in made]


def sheet(cells: Sequence[Cell]) -> str:
    """Return the empty sheet for these cells, as CSV."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for cell in cells:
        writer.writerow([cell.id, *([""] * (len(COLUMNS) - 1))])
    return out.getvalue()


def read_sheet(text: str, where: str) -> list[tuple[int, dict[str, str]]]:
    """Return the lines of a sheet with their numbers, as text; a comma, semicolon or tab between the columns.

    Raises:
        InputError: no such columns.
    """
    head = text.lstrip("\ufeff").splitlines()[0] if text.strip() else ""
    sign = max(",;\t", key=head.count)
    rows = list(csv.reader(io.StringIO(text.lstrip("\ufeff")), delimiter=sign))
    columns = [name.strip() for name in rows[0]] if rows else []
    if "id" not in columns or len(set(columns)) != len(columns):
        raise InputError(f"{where}, line 1: {shown(head)} is not accepted; columns are {', '.join(COLUMNS)}")
    odd = [name for name in columns if name not in COLUMNS]
    if odd:
        raise InputError(f"{where}, line 1: column {shown(odd[0])} is not known; columns are {', '.join(COLUMNS)}")
    found = []
    for number, row in enumerate(rows[1:], 2):
        values = {name: value.strip() for name, value in zip(columns, row, strict=False)}
        if values.get("id") and any(value for name, value in values.items() if name != "id"):
            found.append((number, values))
    return found


def value_of(column: str, text: str, cell: Cell) -> float | str:
    """Return one value of a sheet, checked against what such a cell can be.

    Raises:
        InputError: it cannot be believed; says what is accepted.
    """
    if column in INSPECTION:
        return check_inspection({column: text}, "sheet")[column]
    kind, unit = ("mass", "g") if column == "mass_g" else ("voltage", "V")
    bare = text.replace(",", ".")
    try:
        number = parse(f"{bare} {unit}" if re.fullmatch(r"[+-]?\d*\.?\d+", bare) else bare, kind, column)
    except QuantityError as error:
        raise InputError(str(error)) from error
    if column == "voltage_V" and not LOWEST_V <= number <= HIGHEST_V:
        raise InputError(
            f"voltage_V: {text} is not accepted; one cell stands at {LOWEST_V:g} to {HIGHEST_V:g} V (is the decimal "
            "point where it belongs?)"
        )
    if column == "mass_g":
        form = form_of(cell.form)
        low_g, _, high_g = (form and form.mass_g) or (1.0, 1.0, 1000.0)
        if not low_g / LIKE_MASS <= number <= high_g * LIKE_MASS:
            raise InputError(
                f"mass_g: {text} is not accepted; a {cell.form or 'cell'} weighs {low_g:g} to {high_g:g} g (was the "
                "scale zeroed, with nothing else on it?)"
            )
    return number


def take(
    shelf: Shelf, line: int, values: Mapping[str, str], now: datetime | None = None, by: str = ""
) -> tuple[Taken | None, list[Turned]]:
    """Enter one line of a sheet; what of it is refused leaves the whole line out, so that no cell is half judged.

    Args:
        shelf: Where the cell is.
        line: Its number in the sheet.
        values: By column, as text.
        now: When it was looked at; None: now.
        by: Who did.
    """
    name = values["id"]
    try:
        cell = shelf.get(name)
    except AmphoraError as error:
        return None, [Turned(line, name, "id", str(error))]
    good: dict[str, float | str] = {}
    refused = []
    for column in COLUMNS[1:]:
        text = values.get(column, "")
        if not text:
            continue
        try:
            good[column] = value_of(column, text, cell)
        except InputError as error:
            refused.append(Turned(line, name, column, str(error)))
    if refused:
        return None, refused
    voltage, mass = good.get("voltage_V"), good.get("mass_g")
    typed = values.get("voltage_V", "").replace(",", ".").split()
    decimals = len(typed[0].partition(".")[2].rstrip("VvmM")) if typed else 2
    cell = checked(
        cell,
        at=now or datetime.now(UTC),
        voltage_V=voltage if isinstance(voltage, float) else None,
        resolution_V=10.0**-decimals,
        mass_g=mass if isinstance(mass, float) else None,
        inspection={key: str(good[key]) for key in INSPECTION if key in good},
        by=by,
    )
    shelf.save(cell)
    return Taken(cell, judge_at_the_door(cell)), []


def number_of(line: str) -> str | None:
    """Return the first number in a line of a scale or hand meter, with its sign; None where there is none."""
    match = re.search(r"[+-]?\s*\d+(?:[.,]\d+)?", line)
    return re.sub(r"\s", "", match[0]) if match else None


__all__ = ["COLUMNS", "Taken", "Turned", "add_many", "many", "number_of", "read_sheet", "sheet", "take", "value_of"]
