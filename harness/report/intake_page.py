"""The intake sheet to print: a row for each cell with boxes for mass, voltage, eye and nose; one page in itself."""

from collections.abc import Sequence
from html import escape

from amphora.harness.cells.cell import INSPECTION, Cell
from amphora.harness.report.certificate.page import qr_svg

STYLE = """
@page { size: A4 landscape; margin: 10mm }
body { font: 10pt sans-serif; color: #000; background: #fff }
table { border-collapse: collapse; width: 100% }
th, td { border: 0.3mm solid #000; padding: 1mm 1.5mm; text-align: left; vertical-align: middle }
thead { display: table-header-group } tr { break-inside: avoid }
td.fill { min-width: 18mm } td.qr svg { width: 11mm; height: 11mm; display: block }
.box { display: inline-block; width: 3mm; height: 3mm; border: 0.3mm solid #000; margin: 0 1mm 0 2mm }
"""


def intake_page(cells: Sequence[Cell], title: str) -> str:
    """Return the page as HTML; it prints in black on A4, across."""
    heads = ["", "cell", "mass / g", "voltage / V", *INSPECTION]
    rows = []
    for cell in cells:
        boxes = "".join(
            "<td>" + "<br>".join(f'<span class="box"></span>{escape(word)}' for word in words) + "</td>"
            for words in INSPECTION.values()
        )
        svg = qr_svg(f"AMPHORA CELL 1\n{cell.id}")
        rows.append(
            f'<tr><td class="qr">{svg}</td><th scope="row">{escape(cell.id)}<br><small>{escape(cell.form)} '
            f'{escape(cell.source)}</small></th><td class="fill"></td><td class="fill"></td>{boxes}</tr>'
        )
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in heads)
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(title)}</title><style>{STYLE}</style>'
        f"<h1>{escape(title)}</h1><p>At rest, without a load; red probe on plus. Swollen, leaking or smelling: "
        "outside, apart, and nothing is connected to it.</p>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></html>\n"
    )


__all__ = ["intake_page"]
