"""The rows of the comparison page: of each cell what is shown in each column, and how it is sorted there."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from amphora.harness.common.fields import finite_number
from amphora.harness.report.certificate.page_rows import main_resistance, with_U
from amphora.harness.report.certificate.statement import results_of
from amphora.harness.report.label import SHORT_CHEMISTRY
from amphora.harness.results.result import Result

LEADS_WORDS = {"in": " (leads in)", "out": "", "not known": " (leads?)"}
STATE_WORDS = {"quarantined": "in quarantine: do not use", "retired": "retired: do not use"}


@dataclass(frozen=True)
class PageRow:
    """One cell on the page.

    `compared` is the cell's entry of `amphora compare`, `result` its analysed run (None: not yet run), `cell` its
    record, `curve` its discharge as (charge given in Ah, volt), `simulated`: no real cell was tested.
    """

    cell: dict[str, Any]
    compared: dict[str, Any] = field(default_factory=dict)
    result: Result | None = None
    curve: list[tuple[float, float]] = field(default_factory=list)
    simulated: bool = False

    @property
    def name(self) -> str:
        """The cell's id."""
        return str(self.cell.get("id") or self.compared.get("cell") or "")

    @property
    def grade(self) -> str:
        """The cell's grade; "" for none."""
        return str(self.compared.get("grade") or "")

    @property
    def chemistry(self) -> str:
        """The cell's chemistry in short words."""
        key = str((self.cell.get("identified") or {}).get("chemistry") or self.cell.get("chemistry") or "")
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
    claim = finite_number(compared.get("claim_Ah"))
    rise = results_of(result)["temperature_rise_K"] if result else None
    date = str((result.created_utc if result else None) or "")[:10]
    run = str(compared.get("run") or "").replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    state = STATE_WORDS.get(str(row.cell.get("state") or ""), "")
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
        _text(row.cell.get("form")),
        _text(row.cell.get("source"), "words"),
        TableField("run", date, date or "–", run),
    )


def _number(value: float | None, shown: str, remark: str = "") -> TableField:
    return TableField("n", "" if value is None else repr(value), shown, remark or None)


def _text(value: Any, kind: str = "") -> TableField:
    text = "" if value is None else str(value)
    return TableField(kind, text, text or "–")


def _rank(compared: Mapping[str, Any]) -> TableField:
    rank = compared.get("rank")
    shown = "–" if rank is None else f"{rank}{' =' if compared.get('tied_with') else ''}"
    return _number(finite_number(rank), shown)


def _counts(result: Result | None) -> bool:
    """Whether capacity and energy say what the cell holds."""
    return result is not None and result.start in ("full", "declared-full") and result.reached_cutoff


def _capacity(row: PageRow) -> TableField:
    compared, result = row.compared, row.result
    stated = results_of(result) if result else None
    value = finite_number(compared.get("capacity_Ah"))
    if value is None and stated:
        value = stated["capacity_Ah"]
    U = finite_number(compared.get("capacity_U_Ah")) or (stated["capacity_U_Ah"] if stated else None)
    held = with_U(value, U, 1000)
    remarks = ("at least" if result and not result.reached_cutoff else "",
               "left in it" if result and result.start == "unknown" else "")  # fmt: skip
    shown = "–" if value is None else held if _counts(result) else f"({held})"
    return _number(value, shown, ", ".join(text for text in remarks if text))


def _resistance(row: PageRow) -> TableField:
    compared, result = row.compared, row.result
    main = main_resistance(results_of(result)) if result else None
    value = finite_number(compared.get("resistance_ohm")) or (main["ohm"] if main else None)
    if value is None:
        return _number(None, "–")
    U = finite_number(compared.get("resistance_U_ohm")) or (main["U_ohm"] if main and main["ohm"] == value else None)
    leads = LEADS_WORDS.get(result.leads.state if result and result.leads else "", LEADS_WORDS["not known"])
    at = compared.get("resistance_at")
    if not at:  # no temperature was read, or it is too far from 20 °C
        return _number(value, with_U(value, U, 1000) + leads)
    remark = f"at 20 °C; {with_U(value, U, 1000)} at {at['measured_degC']:.0f} °C"
    return _number(at["ohm"], with_U(at["ohm"], at["U_ohm"], 1000) + leads, remark)


def _energy(row: PageRow) -> TableField:
    stated = results_of(row.result) if row.result else None
    if stated is None or stated["energy_Wh"] is None:
        return _number(None, "–")
    held = with_U(stated["energy_Wh"], stated["energy_U_Wh"])
    return _number(stated["energy_Wh"], held if _counts(row.result) else f"({held})")
