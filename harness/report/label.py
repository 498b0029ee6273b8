"""Small labels for cells: alone, or many on a sheet with offsets. Lengths in millimetre.

Black only, no text under 5.5 points and QR modules of whole dots at 203 dots an inch, so that a thermal
printer shows them. A label says how the charge at the start was known; without a capacity from a known
full start it says so in place of a number.
"""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate.page_rows import with_U
from amphora.harness.report.certificate.printable import FONTS, TEMPLATES, printable
from amphora.harness.report.certificate.stated import number
from amphora.harness.report.certificate.statement import results_of
from amphora.harness.report.svg import qr_svg
from amphora.harness.results.result import Result

DOT_MM = 25.4 / 203
LARGE_ENOUGH = 0.9  # of the room for a QR code, where its dots are more than three wide
SHORT_CHEMISTRY = {
    "li-ion": "Li-ion 4.20 V", "li-ion-4.35": "Li-ion 4.35 V", "lfp": "LFP 3.65 V", "nimh": "NiMH", "nicd": "NiCd",
    "lto": "LTO", "lead-acid": "lead-acid", "auto": "chemistry not known",
}  # fmt: skip
SIZES_MM = {"strip": (60.0, 12.0), "tag": (48.0, 25.0), "card": (70.0, 36.0)}
_NOT_KNOWN = "capacity not known"
_DECLARED = "declared full before"
DECLARED = "declared full"
STATE_WORDS = {"quarantined": "DO NOT USE: quarantine", "retired": "DO NOT USE: retired"}
LEADS_WORDS = {"in": "leads in", "out": "", "not known": "leads?"}
_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*[x×]\s*(\d+(?:\.\d+)?)")


@dataclass(frozen=True)
class Line:
    """One line of a label: its size in point before the label's scale, and a short form for where it is too wide."""

    text: str
    size: float
    strong: bool
    head: bool = False  # it warns
    short: str | None = None


@dataclass(frozen=True)
class Sheet:
    """Labels on a page: `columns` by `rows`, the first at (`left_mm`, `top_mm`), `gap_*` between them.

    `skip`: places already used, counted along the rows. `shift_*`: what the printer is off by.
    """

    columns: int
    rows: int
    page_mm: tuple[float, float] = (210.0, 297.0)
    left_mm: float | None = None  # None: the grid stands in the middle of the page
    top_mm: float | None = None
    gap_x_mm: float = 0.0
    gap_y_mm: float = 0.0
    skip: int = 0
    shift_x_mm: float = 0.0
    shift_y_mm: float = 0.0


def size_mm(text: str) -> tuple[float, float]:
    """Return width and height of a label from `strip`, `tag`, `card` or `45x25`.

    Raises:
        InputError: neither, or under 30 by 10 or over 200 by 150.
    """
    if text in SIZES_MM:
        return SIZES_MM[text]
    match = _SIZE.fullmatch(text.strip())
    width, height = (float(match[1]), float(match[2])) if match else (0.0, 0.0)
    if not (30 <= width <= 200 and 10 <= height <= 150):
        raise InputError(
            f"label size {text!r}: accepted are {', '.join(SIZES_MM)} or width x height in mm, 30x10 to 200x150"
        )
    return width, height


def pair(text: str, option: str) -> tuple[float, float]:
    """Return two lengths from text like `3,-1.5`.

    Raises:
        InputError: not two numbers.
    """
    parts = text.split(",")
    try:
        x, y = (float(part) for part in parts)
    except ValueError as error:
        raise InputError(f"{option} {text!r}: accepted are two numbers in mm, as 2,-1.5") from error
    if not (abs(x) < 1000 and abs(y) < 1000):
        raise InputError(f"{option} {text!r}: is beyond any page")
    return x, y


def grid(text: str) -> tuple[int, int]:
    """Return columns and rows from text like `3x8`.

    Raises:
        InputError: not two counts of 1 to 40.
    """
    match = re.fullmatch(r"(\d{1,2})\s*[x×]\s*(\d{1,2})", text.strip())
    if not match or not (1 <= int(match[1]) <= 40 and 1 <= int(match[2]) <= 40):
        raise InputError(f"--sheet {text!r}: accepted are columns x rows, as 3x8")
    return int(match[1]), int(match[2])


@dataclass(frozen=True)
class Label:
    """What one label says, as finished text. `strip`: the two lines of a label that is low; `payload`: in the code."""

    id: str
    id_size: float
    lines: tuple[Line, ...]
    payload: str
    strip: tuple[str, str]


@dataclass(frozen=True)
class _Part:
    """A part of a label: its lines, what of it stands in the code, and what a label that is low says of it."""

    lines: tuple[Line, ...] = ()
    coded: tuple[str, ...] = ()
    short: str = ""


def label_content(
    cell: Cell, result: Result | None, grade: str | None = None, simulated: bool = False, warning: str = ""
) -> Label:
    """Return what one label says, most important first.

    Args:
        cell: The cell's record.
        result: The analysed run it stands on, or None.
        grade: The grade in words, or None.
        simulated: The run was made on the simulated bench; the label says so.
        warning: What the account of the cell warns of; "" for nothing.
    """
    key = cell.identified_as or cell.chemistry or "auto"
    chemistry = SHORT_CHEMISTRY.get(key, key)
    date = ((result.created_utc if result else None) or "")[:10]
    word = STATE_WORDS.get(cell.state, "") or warning
    why = _why(cell, word) if word else ""
    heads = _there(word, "SIMULATED, no real cell" if simulated else "")
    held, resistance = _held(result), _resistance(result)
    good_for = "" if word else grade or ""  # a cell that is not to be used is good for nothing
    lines = (
        *_warnings(word, why, simulated),
        *(_behind_a_warning(held) if word else held.lines),
        *resistance.lines,
        *((Line(good_for, 8, True),) if good_for else ()),
        Line(" · ".join(_there(chemistry, date)), 6.5, False, short=" ".join(_there(chemistry, date))),  # never cut
    )
    if word:
        strip = (" · ".join(_short(heads)), " · ".join(_there(why, chemistry, date, held.short)))
    else:
        capacity = held.lines[0].text + (f" ({held.short})" if held.short else "")
        first = ": ".join([*_short(heads), capacity])
        strip = (f"{first} · {chemistry}", " · ".join(_there(resistance.short, good_for, date)))
    coded = _there(*heads, *held.coded, *resistance.coded, good_for, date)
    return Label(
        id=printable(cell.id),
        id_size=7.5 if heads else 11,  # what warns is the largest thing on a label
        lines=tuple(replace(line, text=printable(line.text)) for line in lines),
        payload="\n".join(["AMPHORA CELL 1", cell.id[:40], *coded]),
        strip=(printable(strip[0]), printable(strip[1])),
    )


def _there(*texts: str) -> list[str]:
    """Return the texts that are not empty."""
    return [text for text in texts if text]


def _behind_a_warning(held: _Part) -> list[Line]:
    """Return what a cell that is not to be used holds, small; nothing where that is not known."""
    more = f", {held.short}" if held.short else ""
    return [Line(line.text + more, 6, False) for line in held.lines[:1] if line.text != _NOT_KNOWN]


def _held(result: Result | None) -> _Part:
    """Return what the cell holds; without a known full start and the cut-off, that it is not known."""
    if result is None or not result.capacity_counts or number(result.capacity_Ah) is None:
        return _Part((Line(_NOT_KNOWN, 8, True),), (_NOT_KNOWN,))
    capacity = with_U(number(result.capacity_Ah), number(result.capacity_U_Ah), 1000) + " mAh"
    lines, coded = [Line(capacity, 9.5, True)], [capacity.replace("\u202f", "")]
    item_U = result.capacity_item_U_Ah
    if item_U:
        another = f"another day ± {with_U(item_U, None, 1000) if item_U < 1e-3 else f'{1000 * item_U:.0f}'} mAh"
        lines.append(Line(another, 6, False))
        coded.append(another)
    if result.start == "declared-full":
        lines.append(Line(_DECLARED, 6, False))
        coded.append(DECLARED)
    return _Part(tuple(lines), tuple(coded), DECLARED if result.start == "declared-full" else "")


def _resistance(result: Result | None) -> _Part:
    """Return the resistance that stands for the cell, and how it was found."""
    found = None if result is None else results_of(result).main_resistance
    if result is None or found is None:
        return _Part()
    after = f"{found.duration_s:.3g} s" if found.duration_s is not None else ""
    value = with_U(found.ohm, found.U_ohm, 1000)
    leads = LEADS_WORDS.get(result.leads.state if result.leads else "", LEADS_WORDS["not known"])
    warm = "" if result.temperature_degC is None else f"{result.temperature_degC:.0f} °C"
    how = ", ".join(part for part in (leads, after, warm) if part)
    short = f"{value} mΩ {leads}".rstrip()
    line = Line(f"{value} mΩ" + (f" ({how})" if how else ""), 7.5, False, short=short)
    return _Part((line,), (f"{value} mohm {leads}".rstrip().replace("\u202f", ""),), short)


def _short(heads: list[str]) -> list[str]:
    """Return the words that warn for a label as low as a strip: two lines, these first."""
    return [re.split("[,:]", head)[0] for head in heads if head]


def _why(cell: Cell, word: str) -> str:
    """Return why a cell is not to be used: what its state or its account says, and the words noted with the state."""
    said = word.partition(": ")[2]
    return f"{said}: {cell.noted_with_its_state}" if cell.noted_with_its_state else said


def _warnings(word: str, why: str, simulated: bool) -> list[Line]:
    """Return the lines that warn: the largest first."""
    made: list[Line] = []
    if word:
        made.append(Line(word.partition(":")[0], 13, True, head=True))
    if why:
        made.append(Line(why, 7, True, head=True))
    if simulated:
        made.append(Line("SIMULATED", 7 if word else 10.5, True, head=True))
    return made


def _qr(payload: str, most_mm: float) -> tuple[str, float]:
    """Return the QR code and its width: the largest of whole printer dots a module that fits."""
    import segno

    texts = [payload, "\n".join(payload.split("\n")[:3]), "\n".join(payload.split("\n")[1:2])]
    for text in texts:
        modules = segno.make(text, error="m", micro=False).symbol_size(border=0)[0]
        dots = int(most_mm / (modules * DOT_MM))
        while dots > 3 and modules * dots * DOT_MM > LARGE_ENOUGH * most_mm:
            dots -= 1  # the words need the room more
        if dots >= 3:
            return qr_svg(text), modules * dots * DOT_MM
    modules = segno.make(texts[-1], error="m", micro=False).symbol_size(border=0)[0]
    return qr_svg(texts[-1]), modules * max(2, int(most_mm / (modules * DOT_MM))) * DOT_MM


def make_labels(
    contents: Sequence[Label], size: tuple[float, float], sheet: Sheet | None = None, cut_lines: bool = False
) -> bytes:
    """Return the labels as PDF: each on a page of its own, or on sheets.

    Args:
        contents: From `label_content`.
        size: Width and height of one label in millimetre.
        sheet: None: one label a page, the page being the label.
        cut_lines: Draw a thin outline to cut along.

    Raises:
        InputError: nothing to print, or the sheet's labels do not fit its page.
    """
    import typst

    if not contents:
        raise InputError("label: no cell was given; at least one is needed")
    width, height = size
    padding = 1.2 if height < 16 else 2.0
    rows_room = height - 2 * padding
    most_qr = min(rows_room, width * 0.42)
    labels = []
    for item in contents:
        code, code_mm = _qr(item.payload, most_qr)
        lines = item.lines
        if height < 16:
            first, rest = item.strip
            lines = (Line(first, 12 if any(line.head for line in lines) else 9.5, True), Line(rest, 7, False))
        labels.append({**to_json(replace(item, lines=lines)), "qr": code, "qr_mm": code_mm})
    if sheet is None:
        page = (width, height)
        sheets = [[{**item, "x": 0.0, "y": 0.0}] for item in labels]
    else:
        page = sheet.page_mm
        sheets = _placed(labels, size, sheet)
    shown = {
        "page": {"width": page[0], "height": page[1]},
        "label": {
            "width": width,
            "height": height,
            "padding": padding,
            "scale": 0.8 if height < 16 else min(1.5, max(0.85, rows_room / 21)),
            "spacing": 0.9 if height < 16 else 1.1 * min(1.6, rows_room / 21),
        },
        "cut_lines": cut_lines,
        "sheets": sheets,
    }
    made = typst.compile(
        str(TEMPLATES / "label.typ"),
        root=str(TEMPLATES),
        format="pdf",
        sys_inputs={"view": json.dumps(shown, ensure_ascii=False)},
        font_paths=[str(FONTS)],
        ignore_system_fonts=True,
        timestamp=0,
    )
    if not isinstance(made, bytes):
        raise InputError("label: typst gave no single PDF")
    return made


def _placed(labels: list[dict[str, Any]], size: tuple[float, float], sheet: Sheet) -> list[list[dict[str, Any]]]:
    width, height = size
    wide = sheet.columns * width + (sheet.columns - 1) * sheet.gap_x_mm
    high = sheet.rows * height + (sheet.rows - 1) * sheet.gap_y_mm
    left = (sheet.page_mm[0] - wide) / 2 if sheet.left_mm is None else sheet.left_mm
    top = (sheet.page_mm[1] - high) / 2 if sheet.top_mm is None else sheet.top_mm
    if min(left, top) < -0.01 or left + wide > sheet.page_mm[0] + 0.01 or top + high > sheet.page_mm[1] + 0.01:
        raise InputError(
            f"label: {sheet.columns} x {sheet.rows} labels of {width:g} x {height:g} mm need {wide:g} x {high:g} mm, "
            f"more than the page of {sheet.page_mm[0]:g} x {sheet.page_mm[1]:g} mm allows from {left:.1f}, {top:.1f} mm"
        )
    places = sheet.columns * sheet.rows
    if not 0 <= sheet.skip < places:
        raise InputError(f"label: {sheet.skip} used places to skip; accepted: 0 to {places - 1}")
    sheets: list[list[dict[str, Any]]] = []
    for n, item in enumerate(labels, start=sheet.skip):
        page, place = divmod(n, places)
        row, column = divmod(place, sheet.columns)
        while len(sheets) <= page:
            sheets.append([])
        sheets[page].append(
            {
                **item,
                "x": round(left + column * (width + sheet.gap_x_mm) + sheet.shift_x_mm, 4),
                "y": round(top + row * (height + sheet.gap_y_mm) + sheet.shift_y_mm, 4),
            }
        )
    return sheets
