"""The certificate's page: what is printed of the data, its plots, its QR code, and the PDF before it is sealed.

Everything here is a pure function of the certificate's data and the public key: equal data give equal bytes.
"""

import datetime
import functools
import hashlib
import json
import re
from importlib import metadata
from pathlib import Path
from typing import Any

from amphora.harness.common import words
from amphora.harness.common.errors import InputError
from amphora.harness.report import svg
from amphora.harness.report.certificate import footing, page_rows, printable
from amphora.harness.report.certificate.attachment import ATTACHMENT
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
    main_resistance,
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
    code = (TEMPLATES / "certificate.typ", *(Path(str(part.__file__)) for part in (page_rows, printable, svg, words)))
    code = (*code, Path(__file__))
    for path in sorted([*code, *FONTS.glob("*.otf"), *FONTS.glob("*.ttf")]):
        digest.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def qr_payload(data: dict[str, Any], public: bytes) -> str:
    """Return the text of the QR code: what matters most, and the digest that ties it to the data."""
    results = data["runs"][-1]["results"]
    resistance = main_resistance(results)
    parts = [
        "AMPHORA CERTIFICATE 1",
        f"no {data['number']}",
        f"cell {coded(data['item']['id'], 60)}",
        f"run {coded(data['runs'][-1]['run_id'], 90)}",
        f"capacity {with_U(results['capacity_Ah'], results['capacity_U_Ah'], 1000)} mAh k=2".replace("\u202f", ""),
        f"start {results['start']}",
    ]
    if any(run["simulated"] for run in data["runs"]):
        parts.insert(1, "SIMULATED, no real cell")
    if data["item"]["state"] == "quarantined":
        parts.insert(1, "IN QUARANTINE, not cleared for use")
    if resistance:
        held = LEADS_SHORT[(data["runs"][-1]["leads"] or {}).get("state", "not known")]
        value = with_U(resistance["ohm"], resistance["U_ohm"], 1000).replace("\u202f", "")
        parts.append(f"resistance {value} mohm, {held}")
    if data["grade"]:
        parts.append(f"grade {coded(data['grade']['grade'], 60)}")
    parts.append(f"sha256 {sha256_hex(canonical_bytes(data))[:32]}")
    parts.append(f"key {fingerprint(public).replace(' ', '')}")
    return "\n".join(parts)


def _some(texts: list[str], most: int) -> list[str]:
    """Return the first `most` texts, the last of them saying how many more there are."""
    if len(texts) <= most:
        return texts
    return [*texts[: most - 1], f"{len(texts) - most + 1} more of these in the attached data"]


def _all_of(data: dict[str, Any], name: str) -> list[str]:
    """Return the texts that the runs list under a name, each once, none longer than its room."""
    texts = [short(text, 320) for run in data["runs"] for text in run[name]]
    return [text for n, text in enumerate(texts) if text and text not in texts[:n]]


def _plots(data: dict[str, Any], height: int) -> dict[str, str]:
    several = len(data["runs"]) > 1
    curves = [[(q * 1000, v) for q, v in run["curve"]] for run in data["runs"] if run["curve"]]
    marks: list[Mark] = []
    for run in data["runs"]:
        alike = found_alike(run["results"])
        for r in alike if spread(alike) else []:
            if r["charge_state"] is not None:
                given = (1 - r["charge_state"]) * run["results"]["capacity_Ah"] * 1000
                half = (r["U_ohm"] or 0) * 1000 or None
                marks.append(Mark(given, r["ohm"] * 1000, half, run is not data["runs"][-1]))
    main = main_resistance(data["runs"][-1]["results"])
    after = f" after {main['duration_s']:.3g} s" if main and main["duration_s"] is not None else ""
    x_name = "charge given, mAh"
    voltage = "voltage, V" + (" (last run solid, earlier ones dashed)" if several and len(curves) > 1 else "")
    resistance = f"DC resistance{after}, mΩ (bars: U, k = 2{'; earlier runs hollow' if several else ''})"
    most = max((run["results"]["capacity_Ah"] * 1000 for run in data["runs"]), default=None)
    width = HALF_PT if marks else FULL_PT
    large = data["pages"] > 1
    own = str(of_cell(place_of(str(data["item"]["id"])))["color"])  # the colour that the cell has in every picture
    return {
        "voltage": plot_svg(curves, x_name, voltage, width, height, colour=own),
        "resistance": plot_svg([], x_name, resistance, width, height, marks, most),
        "voltage_large": plot_svg(curves, x_name, voltage, FULL_PT, 235, colour=own) if large else "",
        "resistance_large": plot_svg([], x_name, resistance, FULL_PT, 165, marks, most) if large else "",
    }


def view(data: dict[str, Any], public: bytes, tight: int = 0) -> dict[str, Any]:
    """Return all that the template prints, as finished text; a pure function of its arguments.

    Args:
        data: The certificate's data.
        public: The public key of whoever seals it.
        tight: 0 to `TIGHTEST`: how much must give way so that the page stays one.
    """
    last, grade = data["runs"][-1], data["grade"]
    none = "not stated"
    profile = f" (recipe {last['profile'][:60]})" if last["profile"] else ""
    method = (
        f"Bench method of this software{profile}, after the pattern of IEC 61960-3:2017, clause 7.3.1, but not in "
        "conformity with it. Discharge to the cut-off voltage; capacity is the sum of measured current over measured "
        "time to the first lasting crossing, energy the sum of voltage times current. Resistance is the voltage change "
        "over the current change of a step. Sampling: none, the one item was tested."
    )
    covers = (
        "U is expanded, k = 2 (JCGM 100:2008). U of this measurement: by how much the figure may be off from what the "
        "cell did in this test, because of the instruments, the time and the cut-off; it holds in about 95 of 100 such "
        "tests. It says nothing of another day. "
        + (
            "The cell as an item: about 95 of 100 tests of this cell made alike lie within that wider U of the figure. "
            "It decides whether two cells, or two dates, differ."
            if data.get("item_uncertainty")
            else "How far another test of the same cell may lie from it is not stated."
        )
    )
    quarantined = data["item"]["state"] == "quarantined"
    own = "not while in quarantine" if quarantined else "this bench's own grades"
    shown = {
        "number": data["number"],
        "title": "Capacity certificate",
        "subtitle": "A private bench's report on one used cell, not accredited",
        "cell": short(data["item"]["id"], 120),
        "issued": data["issued"],
        "simulated": any(run["simulated"] for run in data["runs"]),
        "declared": last["results"]["start"] == "declared-full",
        "quarantined": quarantined,
        "in_spite_of": [text.partition(":")[0] for text in data.get("in_spite_of") or []],
        "headline": short(headline(data), 120),
        "grade": {"grade": short(grade["grade"], 60), "text": short(grade_text(grade), 1300), "note": own}
        if grade
        else None,
        "about_item": short(about_item(data["item"], none), 260),
        "about_test": short(about_test(data, none), 260),
        "readings": short(about_readings(data), 260),
        "notes": short(data["item"]["notes"], 700),
        "results": short(rows_of(last, data.get("item_uncertainty")), 240),
        "each_run": short(each_run(data["runs"], RUNS_SHOWN[tight]), 90),
        "method": method,
        "covers": covers,
        "footing": footing.traceable_words(last.get("traceability") or []) or ["Not traceable: not stated."],
        "deviations": _some(_all_of(data, "deviations"), DEVIATIONS_SHOWN[tight]),
        "warnings": _some([*(data.get("in_spite_of") or []), *_all_of(data, "warnings")], WARNINGS_SHOWN[tight]),
        "not_tested": sentence("; ".join(data["not_tested"])),
        "statements": data["statements"],
        "cautions": data["cautions"],
        "pages": data["pages"],
        "budget": short(budget(last), 150),
        "check": [
            ["Certificate", data["number"]],
            ["Data SHA-256", sha256_hex(canonical_bytes(data))[:32] + "…"],
            ["Bench key", fingerprint(public)],
            ["Software", f"{data['software']['name']} {data['software']['version']}"],
        ],
    }
    shown = dict(printable_tree(shown))
    shown["qr"] = qr_svg(qr_payload(data, public))
    shown["plots"] = _plots(data, (96, 96, 96, 96, 96, 87, 78, 72, 66)[tight])
    return shown


def render(data: dict[str, Any], attached: bytes, public: bytes) -> bytes:
    """Return the unsealed PDF. Equal arguments, typst version and layout give equal bytes.

    Raises:
        InputError: it needs more pages than it may have, whatever gives way.
    """
    made = _printed(data, attached, public, 0)
    if made is not None:  # as nearly always
        return made
    low, high = 0, TIGHTEST + 1  # the first that keeps what belongs on one page there; `high` fits, or is none
    while high - low > 1:
        tight = (low + high) // 2
        found = _printed(data, attached, public, tight)
        low, high, made = (low, tight, found) if found is not None else (tight, high, made)
    if made is None:
        raise InputError(f"certificate: does not fit on {TWICE * data['pages']} pages")
    return made


def _printed(data: dict[str, Any], attached: bytes, public: bytes, tight: int) -> bytes | None:
    """Return the unsealed PDF with so much giving way, or None where it needs more pages than it may have."""
    import typst

    issued = datetime.datetime.combine(datetime.date.fromisoformat(data["issued"]), datetime.time(12), datetime.UTC)
    made: object = typst.compile(
        str(TEMPLATES / "certificate.typ"),
        root=str(TEMPLATES),
        format="pdf",
        sys_inputs={
            "view": json.dumps(view(data, public, tight), ensure_ascii=False),
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
    return made if pages and data["pages"] <= int(pages[1]) <= TWICE * data["pages"] else None
