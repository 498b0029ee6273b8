"""The intake sheet to print: a row for each cell with boxes for mass, voltage, eye and nose; one page in itself."""

from collections.abc import Sequence

from markupsafe import Markup

from amphora.harness.cells.cell import INSPECTION, Cell
from amphora.harness.report import html
from amphora.harness.report.svg import qr_svg


def intake_page(cells: Sequence[Cell], title: str) -> str:
    """Return the page as HTML; it prints in black on A4, across."""
    rows = [(cell, Markup(qr_svg(f"AMPHORA CELL 1\n{cell.id}"))) for cell in cells]  # squares only, no text of the id
    return html.page("intake.html", title=title, style=html.own_text("intake.css"), inspection=INSPECTION, rows=rows)
