"""The comparison of cells as one HTML page that needs nothing else: no network, no other file.

The table is complete without a script; the script sorts, filters and reads out curves. What it says stands in
`templates/comparison.html`, what it shows of a cell in `comparison_rows`, its curves in `comparison_chart`.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

import amphora.harness
from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import is_simulated, read_header
from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.cell_runs import read_runs
from amphora.harness.decisions.compared import Comparison
from amphora.harness.decisions.comparison import compare
from amphora.harness.decisions.sources import One, by_source
from amphora.harness.report import html
from amphora.harness.report.certificate.run_input import chosen_phase, discharge_curve, discharge_points, state_now
from amphora.harness.report.comparison_chart import CURVE_POINTS, FIRST_SHOWN, DrawnCurve, chart_of, curve_of
from amphora.harness.report.comparison_rows import COLUMNS, PageRow, TableRow, fields_of
from amphora.harness.report.sources_text import SourcesSection, section


def build_page(
    rows: list[PageRow],
    title: str = "Cells compared",
    note: str = "",
    outliers: list[str] | None = None,
    made: str = "",
    remarks: list[str] | None = None,
    sources: SourcesSection | None = None,
) -> str:
    """Return the page as HTML text.

    Args:
        rows: The cells, best first.
        title: Its heading.
        note: A sentence under the heading.
        outliers: Ids of cells that stand apart.
        remarks: Sentences to stand below the table, one a line.
        sources: A section of its own: what each source of cells gave.
        made: When and with what it was made; empty keeps equal input giving equal text.
    """
    style, script = html.own_text("page.css"), html.own_text("page.js")
    apart = set(outliers or [])
    invented = sum(row.simulated for row in rows)
    curves: list[DrawnCurve] = []
    shown: list[TableRow] = []
    for row in rows:
        curve = curve_of(row.name, row.curve)
        place = None if curve is None else len(curves)
        curves += [] if curve is None else [curve]
        first = place is not None and place < FIRST_SHOWN
        fields = fields_of(row, mixed=0 < invented < len(rows))
        shown.append(TableRow(row.name, row.grade, row.chemistry, row.name in apart, place, first, fields))
    chart = chart_of(curves)
    filters = (
        ("Grade", "grade", sorted({row.grade for row in shown} - {""})),
        ("Chemistry", "chemistry", sorted({row.chemistry for row in shown} - {""})),
    )
    simulated = "these" if invented == len(rows) else f"{invented} of these {len(rows)}"
    return html.page(
        "comparison.html",
        policy=html.content_policy(script, style), style=style, script=script,
        data=html.script_json(chart.for_script()), title=title, note=note, simulated=simulated if invented else "",
        filters=filters, columns=COLUMNS, rows=shown, remarks=remarks or [], sources=sources, chart=chart, made=made,
    )  # fmt: skip


def make_report(
    folders: Sequence[Path],
    title: str = "Cells compared",
    note: str = "",
    others: Sequence[Cell] = (),
    cells: Sequence[One] = (),
) -> tuple[str, Comparison]:
    """Compare runs and return the page and the comparison it shows.

    Args:
        folders: Run folders; of each cell the run that says most of it is shown.
        title: The page's heading.
        note: A sentence under it.
        others: Records of cells on the shelf that have no run yet; they are listed last.
        cells: Each cell as it counts for its source; none: no such section.

    Raises:
        InputError: none of the folders can be read.
    """
    comparison = compare(folders)
    known = {str(run.folder): (run.result, run.cell) for run in read_runs(folders)[0]}
    rows = []
    for compared in comparison.cells:
        result, cell = known[compared.run]
        folder = Path(compared.run)
        record, _ = load(folder)
        phase = chosen_phase(result)
        begin, end = (phase.begin_s, phase.end_s) if phase else (None, None)
        charge, voltage = discharge_points(record.t_s, record.voltage_V, record.current_A, begin, end)
        curve = discharge_curve(charge, np.asarray(voltage), CURVE_POINTS)
        now = state_now(folder)
        cell = replace(cell, state=now) if now else cell
        rows.append(PageRow(cell, compared, result, curve, is_simulated(read_header(folder))))
    shown = {row.cell.id for row in rows}
    rows += [PageRow(cell) for cell in others if cell.id not in shown]
    remarks = [f"{item.cell}: {item.text}" for item in comparison.outliers]
    remarks += [item.text for item in comparison.trends]
    remarks += [row.claim_text for row in comparison.cells if row.claim_text]
    remarks += [f"{item.run} was left out: {item.text}" for item in comparison.damaged]
    apart = [item.cell for item in comparison.outliers]
    made = f"amphora {amphora.harness.__version__}"
    return build_page(rows, title, note, apart, made, remarks, section(by_source(cells))), comparison
