"""The rows of the comparison page: of each cell what is shown in each column, and how it is sorted there."""

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.report.certificate.page_rows import with_U
from amphora.harness.report.label import SHORT_CHEMISTRY
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.result import Result

LEADS_NOT_KNOWN = "not known"
LEADS_WORDS = {"in": " (leads in)", "out": "", LEADS_NOT_KNOWN: " (leads?)"}
STATE_WORDS = {"quarantined": "in quarantine: do not use", "retired": "retired: do not use"}


NOT_COMPARED = ComparedRow()


@dataclass(frozen=True)
class PageRow:
    """One cell on the page.

    `compared` is the cell's entry of `amphora compare`, `result` its analysed run (None: not yet run), `cell` its
    record, `curve` its discharge as (charge given in Ah, volt), `simulated`: no real cell was tested.
    """

    cell: Cell
    compared: ComparedRow = NOT_COMPARED
    result: Result | None = None
    curve: list[tuple[float, float]] = field(default_factory=list)
    simulated: bool = False

    @property
    def name(self) -> str:
        """The cell's id."""
        return self.cell.id

    @property
    def grade(self) -> str:
        """The cell's grade; "" for none."""
        return self.compared.grade or ""

    @property
    def chemistry(self) -> str:
        """The cell's chemistry in short words."""
        key = self.cell.identified_as or self.cell.chemistry
        return SHORT_CHEMISTRY.get(key, key)


class TableColumn(NamedTuple):
    """A column: its heading, and whether it is sorted as numbers."""

    name: str
    number: bool = False


class TableField(NamedTuple):
    """A place of the table: `kind` is its class, `value` what it is sorted by; `remark` stands behind it, or None."""

    kind: str
    value: str
    shown: str
    remark: str | None = None


@dataclass(frozen=True)
class TableRow:
    """A row as the template has it: `curve` is the place of its curve, None without one; `apart`: an outlier."""

    name: str
    grade: str
    chemistry: str
    apart: bool
    curve: int | None
    curve_shown: bool
    fields: tuple[TableField, ...]


COLUMNS = (
    TableColumn("Rank", True),
    TableColumn("Cell"),
    TableColumn("Curve"),
    TableColumn("Grade"),
    TableColumn("Capacity, mAh", True),
    TableColumn("Claim, mAh", True),
    TableColumn("Resistance, mΩ", True),
    TableColumn("Energy, Wh", True),
    TableColumn("Rise, K", True),
    TableColumn("Start"),
    TableColumn("Chemistry"),
    TableColumn("Form"),
    TableColumn("Came out of"),
    TableColumn("Tested"),
)


def fields_of(row: PageRow, mixed: bool) -> tuple[TableField, ...]:
    """Return what is shown of a cell, by `COLUMNS`.

    Args:
        row: The cell.
        mixed: Some of the cells on the page are simulated, others are not: each says so beside its name.
    """
    compared, result = row.compared, row.result
    start = result.start if result else ""
    claim = compared.claim_Ah
    rise = result.temperature_rise_K if result else None
    date = str((result.created_utc if result else None) or "")[:10]
    run = compared.run.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    state = STATE_WORDS.get(row.cell.state, "")
    remarks = [text for text in (state, "simulated" if row.simulated and mixed else "") if text]
    return (
        _rank(compared),
        TableField("name", row.name, row.name, ", ".join(remarks) or None),
        TableField("curve", "", ""),
        _text(row.grade),
        _capacity(row),
        _number(claim, "–" if claim is None else f"{claim * 1000:.0f}"),
        _resistance(row),
        _energy(row),
        _number(rise, "–" if rise is None else f"{rise:.1f}"),
        _text("not known" if start == "unknown" else start.replace("-", " ")),
        _text(row.chemistry),
        _text(row.cell.form),
        _text(row.cell.source, "words"),
        TableField("run", date, date or "–", run),
    )


def _number(value: float | None, shown: str, remark: str = "") -> TableField:
    return TableField("n", "" if value is None else repr(value), shown, remark or None)


def _text(value: Any, kind: str = "") -> TableField:
    text = "" if value is None else str(value)
    return TableField(kind, text, text or "–")


def _rank(compared: ComparedRow) -> TableField:
    rank = compared.rank
    return _number(rank, "–" if rank is None else f"{rank}{' =' if compared.tied_with else ''}")


def _counts(result: Result | None) -> bool:
    """Whether capacity and energy say what the cell holds."""
    return result is not None and result.from_full and result.reached_cutoff


def _capacity(row: PageRow) -> TableField:
    compared, result = row.compared, row.result
    value, U = compared.capacity_Ah, compared.capacity_U_Ah
    if value is None and result:
        value, U = result.capacity_Ah, result.capacity_U_Ah
    held = with_U(value, U, 1000)
    remarks = ("at least" if result and not result.reached_cutoff else "",
               "left in it" if result and result.start == "unknown" else "")  # fmt: skip
    shown = "–" if value is None else held if _counts(result) else f"({held})"
    return _number(value, shown, ", ".join(text for text in remarks if text))


def _resistance(row: PageRow) -> TableField:
    compared, result = row.compared, row.result
    value, U = compared.resistance_ohm, compared.resistance_U_ohm
    if value is None and result and (chosen := chosen_resistance(result)):
        value, U = chosen.ohm, chosen.U_ohm
    if value is None:
        return _number(None, "–")
    leads = LEADS_WORDS.get(result.leads.state if result and result.leads else "", LEADS_WORDS[LEADS_NOT_KNOWN])
    at = compared.resistance_at
    if at is None:  # no temperature was read, or it is too far from 20 °C
        return _number(value, with_U(value, U, 1000) + leads)
    remark = f"at 20 °C; {with_U(value, U, 1000)} at {at.measured_degC:.0f} °C"
    return _number(at.ohm, with_U(at.ohm, at.U_ohm, 1000) + leads, remark)


def _energy(row: PageRow) -> TableField:
    result = row.result
    if result is None or result.energy_Wh is None:
        return _number(None, "–")
    held = with_U(result.energy_Wh, result.energy_U_Wh)
    return _number(result.energy_Wh, held if _counts(result) else f"({held})")
