"""The comparison of cells as one HTML page that needs nothing else: no network, no other file.

The table is complete without a script; the script sorts, filters and reads out curves. Every text from
outside is escaped, data for the script stand in a JSON block that cannot be left, and the page's own
content policy lets nothing run but this one script, known by its SHA-256.
"""

import base64
import hashlib
import html
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from amphora.harness.archive.run_folder import is_simulated, read_header
from amphora.harness.common.fields import finite_number
from amphora.harness.decisions.sources import One, by_source
from amphora.harness.report import plot_style as look
from amphora.harness.report.certificate.issue import (
    chosen_phase,
    discharge_curve,
    discharge_points,
    results_of,
    state_now,
)
from amphora.harness.report.certificate.page import TEMPLATES, main_resistance, ticks, with_U
from amphora.harness.report.label import SHORT_CHEMISTRY
from amphora.harness.report.sources_text import as_html
from amphora.harness.results.result import Result

CURVE_POINTS = 120
FIRST_SHOWN = 5
LOOKS = tuple(look.svg_look(place) for place in range(look.LOOKS))  # as in every picture: colour, dashes, marker
MARKS = ("M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0", "M-3.5-3.5h7v7h-7z", "M0-4.5L4.5 4h-9z", "M0-5L5 0L0 5L-5 0z",
         "M0 4.5L4.5-4h-9z", "M-1.5-4.5h3v3h3v3h-3v3h-3v-3h-3v-3h3z")  # fmt: skip
FRAME = {"width": 900, "height": 354, "left": 48, "right": 30, "top": 26, "bottom": 52}
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


@dataclass(frozen=True)
class _Curve:
    """A cell's discharge as the page draws it: points as (mAh given, volt), and the place of its look."""

    name: str
    points: list[list[float]]
    look: int


def _e(value: Any) -> str:
    return html.escape("" if value is None else str(value), quote=True)


def script_json(value: Any) -> str:
    """Return JSON that stays data inside a script element whatever it holds."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return text


def content_policy(script: str, style: str) -> str:
    """Return the policy that allows this script and this style and nothing from elsewhere."""

    def digest(text: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") + "'"

    allowed = f"script-src {digest(script)}; style-src {digest(style)}"
    return f"default-src 'none'; {allowed}; base-uri 'none'; form-action 'none'"


COLUMNS = (
    ("Rank", "n"), ("Cell", ""), ("Curve", ""), ("Grade", ""), ("Capacity, mAh", "n"), ("Claim, mAh", "n"),
    ("Resistance, mΩ", "n"), ("Energy, Wh", "n"), ("Rise, K", "n"), ("Start", ""), ("Chemistry", ""), ("Form", ""),
    ("Came out of", ""), ("Tested", ""),
)  # fmt: skip


def _cells_of(row: PageRow, index: int | None, checked: bool, mixed: bool) -> str:
    compared, result = row.compared, row.result
    results = results_of(result) if result else None
    name = str(row.cell.get("id") or compared.get("cell") or "")
    capacity = finite_number(compared.get("capacity_Ah")) if compared else (results or {}).get("capacity_Ah")
    if capacity is None and results:
        capacity = results["capacity_Ah"]
    capacity_U = finite_number(compared.get("capacity_U_Ah")) or (results["capacity_U_Ah"] if results else None)
    main = main_resistance(results) if results else None
    resistance = finite_number(compared.get("resistance_ohm")) or (main["ohm"] if main else None)
    held = with_U(capacity, capacity_U, 1000)
    counts = bool(results and results["start"] in ("full", "declared-full") and results["reached_cutoff"])
    resistance_U = finite_number(compared.get("resistance_U_ohm")) or (
        main["U_ohm"] if main and main["ohm"] == resistance else None
    )
    energy = (
        with_U(results["energy_Wh"], results["energy_U_Wh"]) if results and results["energy_Wh"] is not None else None
    )
    tied = compared.get("tied_with") or []
    rank = compared.get("rank")
    state = STATE_WORDS.get(str(row.cell.get("state") or ""), "")
    remarks = [text for text in (state, "simulated" if row.simulated and mixed else "") if text]
    remark = f'<span class="remark"> {_e(", ".join(remarks))}</span>' if remarks else ""
    leads = LEADS_WORDS.get(result.leads.state if result and result.leads else "", LEADS_WORDS["not known"])
    key = str((row.cell.get("identified") or {}).get("chemistry") or row.cell.get("chemistry") or "")
    start = results["start"] if results else ""
    date = str((result.created_utc if result else None) or "")[:10]
    run = str(compared.get("run") or "").replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]

    claim = finite_number(compared.get("claim_Ah"))
    least = "" if not results or results["reached_cutoff"] else "at least"
    left = ", ".join(part for part in (least, "left in it" if start == "unknown" else "") if part)

    def number(value: float | None, shown: str, said: str = "") -> str:
        remark = f'<span class="remark"> {_e(said)}</span>' if said else ""
        return f'<td class="n" data-v="{"" if value is None else repr(value)}">{_e(shown)}{remark}</td>'

    def words(value: Any) -> str:
        return f'<td class="words" data-v="{_e(value)}">{_e(value) or "–"}</td>'

    def short(value: Any) -> str:
        return f'<td data-v="{_e(value)}">{_e(value) or "–"}</td>'

    parts = [
        number(finite_number(rank), "–" if rank is None else f"{rank}{' =' if tied else ''}"),
        f'<th scope="row" data-v="{_e(name)}">{_e(name)}{remark}</th>',
        '<td class="c">–</td>'
        if index is None
        else f'<td class="c"><input type="checkbox" value="{index}" aria-label="show the curve of '
        f'{_e(name)}"{" checked" if checked else ""}></td>',
        short(compared.get("grade") or ""),
        number(capacity, "–" if capacity is None else held if counts else f"({held})", left),
        number(claim, "–" if claim is None else f"{claim * 1000:.0f}"),
        number(resistance, "–" if resistance is None else with_U(resistance, resistance_U, 1000) + leads),
        number(
            results["energy_Wh"] if results else None,
            "–" if energy is None else energy if counts else f"({energy})",
        ),
        number(
            results["temperature_rise_K"] if results else None,
            f"{results['temperature_rise_K']:.1f}" if results and results["temperature_rise_K"] is not None else "–",
        ),
        short("not known" if start == "unknown" else start.replace("-", " ")),
        short(SHORT_CHEMISTRY.get(key, key)),
        short(row.cell.get("form")),
        words(row.cell.get("source")),
        f'<td class="run" data-v="{_e(date)}">{_e(date) or "–"}<span class="remark"> {_e(run)}</span></td>',
    ]
    return "".join(parts)


def _select(name: str, key: str, values: list[str]) -> str:
    options = "".join(f'<option value="{_e(value)}">{_e(value)}</option>' for value in values)
    return f'<label>{name}<select data-key="{key}"><option value="">all</option>{options}</select></label>'


def _chart(curves: list[_Curve], most: float, low: float, high: float) -> str:
    f = FRAME
    wide, tall = f["width"] - f["left"] - f["right"], f["height"] - f["top"] - f["bottom"]
    out = [
        f'<svg id="curves" viewBox="0 0 {f["width"]} {f["height"]}" role="img" aria-label="Voltage over charge '
        "given, one line for "
        'each chosen cell; the slider below reads the values out">'
    ]
    for v in ticks(low, high, 6):
        y = f["top"] + (high - v) / (high - low) * tall
        out.append(f'<line class="grid" x1="{f["left"]}" x2="{f["width"] - f["right"]}" y1="{y:.1f}" y2="{y:.1f}"/>')
        out.append(f'<text x="{f["left"] - 6}" y="{y + 4:.1f}" text-anchor="end">{v:g}</text>')
    base = f["height"] - f["bottom"]
    for q in ticks(0, most, 9):
        x = f["left"] + q / most * wide
        out.append(f'<line class="axis" x1="{x:.1f}" x2="{x:.1f}" y1="{base}" y2="{base + 4}"/>')
        out.append(f'<text x="{x:.1f}" y="{base + 21}" text-anchor="middle">{q:g}</text>')
    out.append(f'<line class="axis" x1="{f["left"]}" x2="{f["width"] - f["right"]}" y1="{base}" y2="{base}"/>')
    out.append(f'<text x="0" y="{f["top"] - 8}">voltage, V</text>')
    out.append(f'<text x="{f["width"] - f["right"]}" y="{f["height"] - 5}" text-anchor="end">charge given, mAh</text>')
    out.append('<g id="lines">')
    for curve in curves[:FIRST_SHOWN]:  # for a reader without scripts, and for print
        points = " ".join(
            f"{f['left'] + q / most * wide:.1f},{f['top'] + (high - v) / (high - low) * tall:.1f}"
            for q, v in curve.points
        )
        colour, dash, mark = LOOKS[curve.look]
        out.append(f'<polyline class="curve" points="{points}" stroke="{colour}" stroke-dasharray="{dash}"/>')
        end = points.rsplit(" ", 1)[-1]
        out.append(f'<path d="{MARKS[mark]}" fill="{colour}" transform="translate({end})"/>')
    out.append(f'</g><line class="cursor" x1="{f["left"]}" x2="{f["left"]}" y1="{f["top"]}" y2="{base}"/></svg>')
    return "".join(out)


def build_page(
    rows: list[PageRow],
    title: str = "Cells compared",
    note: str = "",
    outliers: list[str] | None = None,
    made: str = "",
    remarks: list[str] | None = None,
    sources: str = "",
) -> str:
    """Return the page as HTML text.

    Args:
        rows: The cells, best first.
        title: Its heading.
        note: A sentence under the heading.
        outliers: Ids of cells that stand apart.
        remarks: Sentences to stand below the table, one a line.
        sources: A section of its own, as HTML.
        made: When and with what it was made; empty keeps equal input giving equal text.
    """
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    curves: list[_Curve] = []
    body: list[str] = []
    grades: set[str] = set()
    chemistries: set[str] = set()
    apart = set(outliers or [])
    invented = sum(row.simulated for row in rows)
    for row in rows:
        name = str(row.cell.get("id") or row.compared.get("cell") or "")
        index: int | None = None
        points = [(q, v) for q, v in row.curve if math.isfinite(q) and math.isfinite(v)]
        if len(points) > 1:
            index = len(curves)
            stride = max(1, math.ceil(len(points) / CURVE_POINTS))
            kept = points[::stride] + ([points[-1]] if (len(points) - 1) % stride else [])
            curves.append(_Curve(name, [[round(q * 1000, 1), round(v, 4)] for q, v in kept], 0))
        grade = str(row.compared.get("grade") or "")
        key = str((row.cell.get("identified") or {}).get("chemistry") or row.cell.get("chemistry") or "")
        chemistry = SHORT_CHEMISTRY.get(key, key)
        if grade:
            grades.add(grade)
        if chemistry:
            chemistries.add(chemistry)
        mark = ' class="outlier"' if name in apart else ""
        body.append(
            f'<tr{mark} data-grade="{_e(grade)}" data-chemistry="{_e(chemistry)}">'
            + _cells_of(row, index, index is not None and index < FIRST_SHOWN, 0 < invented < len(rows))
            + "</tr>"
        )
    places = look.places_of([curve.name for curve in curves])
    curves = [replace(curve, look=place) for curve, place in zip(curves, places, strict=True)]
    volts = [v for curve in curves for _, v in curve.points]
    most = max((q for curve in curves for q, _ in curve.points), default=1.0) or 1.0
    low, high = (min(volts), max(volts)) if volts else (0.0, 1.0)
    pad = (high - low) * 0.06 or 0.1
    low, high = round(low - pad, 4), round(high + pad, 4)
    data = {
        "curves": [asdict(curve) for curve in curves],
        "most_mAh": most,
        "low_V": low,
        "high_V": high,
        "frame": FRAME,
        "looks": LOOKS,
        "marks": MARKS,
    }
    head = "".join(
        f'<th scope="col"{f" class={chr(34)}n{chr(34)}" if kind else ""}><button type="button">{_e(name)}</button></th>'
        if name != "Curve"
        else '<th scope="col" class="c"><span class="plain">Curve</span></th>'
        for name, kind in COLUMNS
    )
    chart = (
        f"<h2>Discharge curves</h2><figure>{_chart(curves, most, low, high)}"
        f'<label class="noprint" for="at">Read the curves at a charge (or point at them)</label>'
        f'<input class="noprint" id="at" type="range" min="0" max="{most:g}" step="{max(1, round(most / 200))}" '
        f'value="{round(most / 2)}">'
        '<ul class="readout" id="readout" aria-label="Voltages read out"></ul>'
        '<figcaption class="quiet noprint">Choose curves in the table.</figcaption></figure>'
        if curves
        else ""
    )
    said = "".join(f"<li>{_e(text)}</li>" for text in remarks or [])
    said = f"<h2>Notes</h2><ul>{said}</ul>" if said else ""
    which = "these" if invented == len(rows) else f"{invented} of these {len(rows)}"
    warned = f'<p class="warned"><strong>Simulated bench:</strong> {which} are no real cells.</p>' if invented else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_e(content_policy(script, style))}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_e(title)}</title><style>{style}</style></head><body>"
        f"<header><h1>{_e(title)}</h1>{f'<p>{_e(note)}</p>' if note else ''}{warned}</header><main>"
        '<form class="controls noprint" role="search" aria-label="Filter the table">'
        '<label>Find<input type="search" id="find" autocomplete="off"></label>'
        f"{_select('Grade', 'grade', sorted(grades))}{_select('Chemistry', 'chemistry', sorted(chemistries))}"
        '<p id="status" role="status" class="quiet"></p></form>'
        '<div class="scroll" tabindex="0" role="region" aria-label="Table of cells"><table>'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table></div>"
        '<p class="quiet">'
        "Values with ± carry their expanded uncertainty, k = 2. Cells whose ranks are marked = are too close "
        "to separate. Capacity and energy in brackets do not count. “at least”: the cut-off was not "
        "reached. “left in it”: the "
        "cell was not known to be full at the start. Resistance is that of the cell without leads and holder. “leads "
        "in”: leads are included. “leads?”: not known. Grades are this bench’s own, no safety approval.</p>"
        f"{said}{sources}{chart}</main>"
        "<footer><p>Cells can burn. Use, charge and post them only as local rules and their chemistry allow; a "
        "damaged or "
        f"undiagnosed cell is not posted at all.</p><p>{_e(made)}</p></footer>"
        f'<script type="application/json" id="data">{script_json(data)}</script>'
        f"<script>{script}</script></body></html>\n"
    )


def make_report(
    folders: Sequence[Path],
    title: str = "Cells compared",
    note: str = "",
    others: Sequence[dict[str, Any]] = (),
    cells: Sequence[One] = (),
) -> tuple[str, dict[str, Any]]:
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
    import numpy as np

    import amphora.harness
    from amphora.harness.archive.loading import load
    from amphora.harness.decisions.comparison import compare, read_runs

    comparison = compare(folders)
    known = {str(run.folder): (run.result, run.cell) for run in read_runs(folders)[0]}
    rows = []
    for compared in comparison["cells"]:
        result, cell = known[str(compared["run"])]
        record, _ = load(Path(compared["run"]))
        phase = chosen_phase(result)
        begin, end = (phase.begin_s, phase.end_s) if phase else (None, None)
        charge, voltage = discharge_points(record.t_s, record.voltage_V, record.current_A, begin, end)
        curve = discharge_curve(charge, np.asarray(voltage), CURVE_POINTS)
        folder = Path(compared["run"])
        now = state_now(folder)
        cell = {"id": compared["cell"], **cell, **({"state": now} if now else {})}
        rows.append(PageRow(cell, compared, result, curve, is_simulated(read_header(folder))))
    shown = {str(row.cell.get("id")) for row in rows}
    rows += [PageRow(dict(cell)) for cell in others if str(cell.get("id")) not in shown]
    remarks = [f"{item['cell']}: {item['text']}" for item in comparison["outliers"]]
    remarks += [item["text"] for item in comparison["trends"]]
    remarks += [text for text in (str(row.get("claim_text") or "") for row in comparison["cells"]) if text]
    remarks += [f"{item['run']} was left out: {item['text']}" for item in comparison["damaged"]]
    apart = [str(item["cell"]) for item in comparison["outliers"]]
    page = build_page(
        rows, title, note, apart, f"amphora {amphora.harness.__version__}", remarks, as_html(by_source(cells))
    )
    return page, comparison
