"""The certificate's page: what is printed of the data, its plots, its QR code, and the PDF before it is sealed.

Everything here is a pure function of what is stated and the public key: equal data give equal bytes.
"""

import datetime
import functools
import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from amphora.harness.common import words
from amphora.harness.common.errors import InputError
from amphora.harness.report import svg
from amphora.harness.report.certificate import body, footing, page_rows, printable
from amphora.harness.report.certificate.attachment import ATTACHMENT
from amphora.harness.report.certificate.body import Certificate, RunStated
from amphora.harness.report.certificate.canonical import canonical_bytes, sha256_hex
from amphora.harness.report.certificate.keys import fingerprint
from amphora.harness.report.certificate.page_rows import (
    LEADS_SHORT,
    about_item,
    about_readings,
    about_test,
    budget,
    each_run,
    found_alike,
    grade_text,
    headline,
    rows_of,
    sentence,
    spread,
    with_U,
)
from amphora.harness.report.certificate.printable import FONTS, TEMPLATES, coded, printable_tree, short
from amphora.harness.report.plot_style import of_cell, place_of
from amphora.harness.report.svg import Mark, plot_svg, qr_svg

TEXT_SIZES_PT = (8.4, 8.2, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0)  # never below 8; each leaves texts less room than before
TWICE = 2  # a page asked for may take two, so that the text need not shrink
TIGHTEST = len(TEXT_SIZES_PT) - 1
RUNS_SHOWN = (6, 6, 6, 6, 5, 5, 4, 4, 3)
DEVIATIONS_SHOWN = (9, 9, 8, 8, 8, 8, 6, 6, 6)
WARNINGS_SHOWN = (8, 8, 6, 6, 5, 4, 3, 2, 2)
HALF_PT, FULL_PT = 238.1, 498.9  # 84 and 176 mm


@functools.cache
def layout_digest() -> str:
    """Return one SHA-256 over what the look depends on beside typst itself: template, fonts, code, QR."""
    digest = hashlib.sha256(metadata.version("segno").encode())
    parts = (body, footing, page_rows, printable, svg, words)
    code = (TEMPLATES / "certificate.typ", *(Path(str(part.__file__)) for part in parts))
    code = (*code, Path(__file__))
    for path in sorted([*code, *FONTS.glob("*.otf"), *FONTS.glob("*.ttf")]):
        digest.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def qr_payload(stated: Certificate, digest: str, public: bytes) -> str:
    """Return the text of the QR code: what matters most, and the digest that ties it to the data."""
    last = stated.last
    results = last.results
    resistance = results.main_resistance
    parts = [
        "AMPHORA CERTIFICATE 1",
        f"no {stated.number}",
        f"cell {coded(stated.item.id, 60)}",
        f"run {coded(last.run_id, 90)}",
        f"capacity {with_U(results.capacity_Ah, results.capacity_U_Ah, 1000)} mAh k=2".replace("\u202f", ""),
        f"start {results.start}",
    ]
    if stated.simulated:
        parts.insert(1, "SIMULATED, no real cell")
    if stated.item.quarantined:
        parts.insert(1, "IN QUARANTINE, not cleared for use")
    if resistance:
        value = with_U(resistance.ohm, resistance.U_ohm, 1000).replace("\u202f", "")
        parts.append(f"resistance {value} mohm, {LEADS_SHORT[last.leads_state]}")
    if stated.grade:
        parts.append(f"grade {coded(stated.grade.grade, 60)}")
    parts.append(f"sha256 {digest[:32]}")
    parts.append(f"key {fingerprint(public).replace(' ', '')}")
    return "\n".join(parts)


def _some(texts: list[str], most: int) -> list[str]:
    """Return the first `most` texts, the last of them saying how many more there are."""
    if len(texts) <= most:
        return texts
    return [*texts[: most - 1], f"{len(texts) - most + 1} more of these in the attached data"]


def _each_once(texts: Iterable[str]) -> list[str]:
    """Return texts, each once, none longer than its room."""
    return [text for text in dict.fromkeys(short(text, 320) for text in texts) if text]


def _marks(runs: Sequence[RunStated]) -> list[Mark]:
    """Return the resistances of each run that make a curve, at the charge given before them."""
    marks = []
    for run in runs:
        alike, capacity_Ah = found_alike(run.results), run.results.capacity_Ah
        for one in alike if spread(alike) else ():
            if one.charge_state is not None and one.ohm is not None and capacity_Ah is not None:
                given = (1 - one.charge_state) * capacity_Ah * 1000
                marks.append(Mark(given, one.ohm * 1000, (one.U_ohm or 0) * 1000 or None, run is not runs[-1]))
    return marks


def _plots(stated: Certificate, height: int) -> dict[str, str]:
    runs = stated.runs
    several = len(runs) > 1
    curves = [[(q * 1000, v) for q, v in run.curve] for run in runs if run.curve]
    marks = _marks(runs)
    main = stated.last.results.main_resistance
    after = f" after {main.duration_s:.3g} s" if main and main.duration_s is not None else ""
    x_name = "charge given, mAh"
    voltage = "voltage, V" + (" (last run solid, earlier ones dashed)" if several and len(curves) > 1 else "")
    resistance = f"DC resistance{after}, mΩ (bars: U, k = 2{'; earlier runs hollow' if several else ''})"
    most = max(((run.results.capacity_Ah or 0.0) * 1000 for run in runs), default=None)
    width = HALF_PT if marks else FULL_PT
    large = stated.pages > 1
    own = str(of_cell(place_of(stated.item.id))["color"])  # the colour that the cell has in every picture
    return {
        "voltage": plot_svg(curves, x_name, voltage, width, height, colour=own),
        "resistance": plot_svg([], x_name, resistance, width, height, marks, most),
        "voltage_large": plot_svg(curves, x_name, voltage, FULL_PT, 235, colour=own) if large else "",
        "resistance_large": plot_svg([], x_name, resistance, FULL_PT, 165, marks, most) if large else "",
    }


def view(stated: Certificate, public: bytes, tight: int = 0) -> dict[str, Any]:
    """Return all that the template prints, as finished text; a pure function of its arguments.

    Args:
        stated: What is certified.
        public: The public key of whoever seals it.
        tight: 0 to `TIGHTEST`: how much must give way so that the page stays one.
    """
    last, grade, item = stated.last, stated.grade, stated.item
    none = "not stated"
    digest = sha256_hex(canonical_bytes(stated.to_json()))
    taken_on = stated.in_spite_of or ()
    own = "not while in quarantine" if item.quarantined else "this bench's own grades"
    deviations = _each_once(text for run in stated.runs for text in run.deviations)
    warnings = _each_once(text for run in stated.runs for text in run.warnings)
    shown = {
        "number": stated.number,
        "title": "Capacity certificate",
        "subtitle": "A private bench's report on one used cell, not accredited",
        "cell": short(item.id, 120),
        "issued": stated.issued,
        "simulated": stated.simulated,
        "declared": last.results.start == "declared-full",
        "quarantined": item.quarantined,
        "in_spite_of": [text.partition(":")[0] for text in taken_on],
        "headline": short(headline(stated), 120),
        "grade": {"grade": short(grade.grade, 60), "text": short(grade_text(grade), 1300), "note": own}
        if grade
        else None,
        "about_item": short(about_item(item, none), 260),
        "about_test": short(about_test(stated, none), 260),
        "readings": short(about_readings(stated), 260),
        "notes": short(item.notes, 700),
        "results": short(rows_of(last, stated.as_an_item), 240),
        "each_run": short(each_run(stated.runs, RUNS_SHOWN[tight]), 90),
        "method": _method(last.profile),
        "covers": _covers(stated.as_an_item is not None),
        "footing": footing.traceable_words(last.traceability or ()) or ["Not traceable: not stated."],
        "deviations": _some(deviations, DEVIATIONS_SHOWN[tight]),
        "warnings": _some([*taken_on, *warnings], WARNINGS_SHOWN[tight]),
        "not_tested": sentence("; ".join(stated.not_tested)),
        "statements": list(stated.statements),
        "cautions": list(stated.cautions),
        "pages": stated.pages,
        "budget": short(budget(last), 150),
        "check": [
            ["Certificate", stated.number],
            ["Data SHA-256", digest[:32] + "…"],
            ["Bench key", fingerprint(public)],
            ["Software", f"{stated.software.name} {stated.software.version}"],
        ],
    }
    shown = dict(printable_tree(shown))
    shown["qr"] = qr_svg(qr_payload(stated, digest, public))
    shown["plots"] = _plots(stated, (96, 96, 96, 96, 96, 87, 78, 72, 66)[tight])
    return shown


def _method(profile: str) -> str:
    named = f" (recipe {profile[:60]})" if profile else ""
    return (
        f"Bench method of this software{named}, after the pattern of IEC 61960-3:2017, clause 7.3.1, but not in "
        "conformity with it. Discharge to the cut-off voltage; capacity is the sum of measured current over measured "
        "time to the first lasting crossing, energy the sum of voltage times current. Resistance is the voltage change "
        "over the current change of a step. Sampling: none, the one item was tested."
    )


def _covers(as_an_item: bool) -> str:
    """Return what U says and what it does not."""
    return (
        "U is expanded, k = 2 (JCGM 100:2008). U of this measurement covers the instruments, the time and the cut-off "
        "of this test. It holds in about 95 of 100 such tests. It says nothing of another day. "
        + (
            "The cell as an item: about 95 of 100 tests of this cell made alike lie within that wider U of the figure. "
            "It decides whether two cells, or two dates, differ."
            if as_an_item
            else "How far another test of the same cell may lie from it is not stated."
        )
    )


def render(stated: Certificate, attached: bytes, public: bytes) -> bytes:
    """Return the unsealed PDF. Equal arguments, typst version and layout give equal bytes.

    Raises:
        InputError: it needs more pages than it may have, whatever gives way.
    """
    made = _printed(stated, attached, public, 0)
    if made is not None:  # as nearly always
        return made
    low, high = 0, TIGHTEST + 1  # the first that keeps what belongs on one page there; `high` fits, or is none
    while high - low > 1:
        tight = (low + high) // 2
        found = _printed(stated, attached, public, tight)
        low, high, made = (low, tight, found) if found is not None else (tight, high, made)
    if made is None:
        raise InputError(f"certificate: does not fit on {TWICE * stated.pages} pages")
    return made


def _printed(stated: Certificate, attached: bytes, public: bytes, tight: int) -> bytes | None:
    """Return the unsealed PDF with so much giving way, or None where it needs more pages than it may have."""
    import typst

    issued = datetime.datetime.combine(datetime.date.fromisoformat(stated.issued), datetime.time(12), datetime.UTC)
    made: object = typst.compile(
        str(TEMPLATES / "certificate.typ"),
        root=str(TEMPLATES),
        format="pdf",
        sys_inputs={
            "view": json.dumps(view(stated, public, tight), ensure_ascii=False),
            "attached": attached.decode("utf-8"),
            "name": ATTACHMENT,
            "year": str(issued.year),
            "month": str(issued.month),
            "day": str(issued.day),
            "size": str(TEXT_SIZES_PT[tight]),
            "tight": str(tight / 2),
        },
        font_paths=[str(FONTS)],
        ignore_system_fonts=True,
        pdf_standards=["a-3a"],
        timestamp=int(issued.timestamp()),
    )
    if not isinstance(made, bytes):
        raise InputError("certificate: typst gave no single PDF")
    pages = re.search(rb"/Type\s*/Pages\s*/Count (\d+)", made)
    return made if pages and stated.pages <= int(pages[1]) <= TWICE * stated.pages else None
