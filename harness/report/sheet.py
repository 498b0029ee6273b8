"""The certificate's page: what is printed of the data, its plots, its QR code, and the PDF before it is sealed.

Everything here is a pure function of the certificate's data and the public key: equal data give equal bytes.
"""

import bisect
import datetime
import functools
import hashlib
import json
import math
import re
from pathlib import Path
from typing import Any

from harness.errors import InputError
from harness.report.canonical import canonical_bytes, sha256_hex
from harness.report.signing import fingerprint

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
TEMPLATES = HERE / "templates"
ATTACHMENT = "amphora-certificate.json"
LEAST_SPREAD = 0.1  # of the capacity
TEXT_SIZES_PT = (7.1, 6.7, 6.3)

CHEMISTRY_WORDS = {
    "li-ion": "lithium-ion, 4.20 V class",
    "li-ion-4.35": "lithium-ion, 4.35 V class",
    "lfp": "lithium iron phosphate",
    "nimh": "nickel-metal hydride",
    "nicd": "nickel-cadmium",
    "lto": "lithium titanate",
    "lead-acid": "lead-acid",
    "auto": "not identified",
}
START_WORDS = {
    "full": "full: charged on this bench to its taper, at most 4 h before",
    "declared-full": "declared full by the operator; not seen by the bench",
    "unknown": "unknown",
}
STOP_WORDS = {
    "cutoff": "cut-off voltage reached",
    "taper": "charge ended by its taper",
    "time": "time",
    "charge": "charge limit reached",
    "condition": "condition met",
    "person": "ended by a person",
}


def _grade_text(grade: dict[str, Any]) -> str:
    """Return the grade's reasons and its decision rule in words."""
    parts, missing = [], []
    decided = grade["decided_by"]
    for item in grade["criteria"]:
        if item["value"] is None:
            missing.append(item["name"])
            continue
        value = with_U(item["value"], item["U"], item["scale"]).replace(" ± ", "\u00a0±\u00a0")
        limit = f", limit {item['limit'] * item['scale']:.4g}" if item["limit"] is not None else ""
        remark = f", {item['remark']}" if item["remark"] else ""
        parts.append(f"{item['name']} {value} {item['unit']} ({item['verdict']}{limit}{remark})")
    if decided in missing:
        decided += ", which was not measured"
    said = [f"Decided by {decided}." if decided else ""]
    said.append("Looked at: " + "; ".join(parts) + "." if parts else "")
    rule = grade["rule"]
    said.append(rule[:1].upper() + rule[1:] + ("" if rule.endswith(".") else "."))
    return " ".join(text for text in said if text)


@functools.cache
def layout_digest() -> str:
    """Return one SHA-256 over the template and the fonts: what the look depends on beside typst itself."""
    digest = hashlib.sha256()
    for path in sorted([TEMPLATES / "certificate.typ", *FONTS.glob("*.otf"), *FONTS.glob("*.ttf")]):
        digest.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def with_U(value: float | None, U: float | None, scale: float = 1.0) -> str:
    """Return `value ± U`, both at two significant digits of U; a value alone at four."""
    if value is None:
        return "not measured"
    if U is None or not U > 0:
        return f"{value * scale:.4g}"
    decimals = max(0, 1 - math.floor(math.log10(U * scale)))
    if decimals > 9:
        return f"{value * scale:.4g}"
    shown_U = U * scale
    if decimals == 0:
        step = 10 ** max(0, math.floor(math.log10(shown_U)) - 1)
        return f"{_thousands(round(value * scale / step) * step)} ± {_thousands(round(shown_U / step) * step)}"
    return f"{value * scale:.{decimals}f} ± {shown_U:.{decimals}f}"


def _thousands(value: float) -> str:
    return f"{value:,.0f}".replace(",", "\u202f")


def _hours(seconds: float | None) -> str:
    if seconds is None:
        return "not measured"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


@functools.cache
def _covered() -> tuple[list[int], list[int]]:
    """Return first and last code points of the ranges that the shipped fonts can draw, rising."""
    ranges = json.loads((FONTS / "coverage.json").read_text(encoding="ascii"))
    return [low for low, _ in ranges], [high for _, high in ranges]


def _drawable(point: int) -> bool:
    lows, highs = _covered()
    at = bisect.bisect_right(lows, point) - 1
    return at >= 0 and point <= highs[at]


def printable(text: str) -> str:
    """Return `text` with each character that the shipped fonts lack as its number, so that none prints as a box."""
    return "".join(char if _drawable(ord(char)) else f"[U+{ord(char):04X}]" for char in text)


def _printable_tree(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _printable_tree(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_printable_tree(item) for item in value]
    return _breakable(printable(value)) if isinstance(value, str) else value


def _breakable(text: str) -> str:
    """Return `text` with places to break in words too long for a column (zero-width spaces)."""
    return re.sub(r"\S{41,}", lambda word: re.sub(r"(.{12})(?=.)", "\\1\u200b", word[0]), text)


def main_resistance(results: dict[str, Any]) -> dict[str, Any] | None:
    """Return the resistance that stands for the cell, the same one that grading looks at."""
    from harness.grading import chosen_resistance

    return chosen_resistance(results)


def qr_payload(data: dict[str, Any], public: bytes) -> str:
    """Return the text of the QR code: what matters most, and the digest that ties it to the data."""
    results = data["runs"][-1]["results"]
    resistance = main_resistance(results)
    parts = [
        "AMPHORA CERTIFICATE 1",
        f"no {data['number']}",
        f"cell {data['item']['id'][:60]}",
        f"run {data['runs'][-1]['run_id'][:90]}",
        f"capacity {with_U(results['capacity_Ah'], results['capacity_U_Ah'], 1000)} mAh k=2".replace("\u202f", ""),
        f"start {results['start']}",
    ]
    if any(run["simulated"] for run in data["runs"]):
        parts.insert(1, "SIMULATED, no real cell")
    if resistance:
        parts.append(f"resistance {with_U(resistance['ohm'], resistance['U_ohm'], 1000)} mohm".replace("\u202f", ""))
    if data["grade"]:
        parts.append(f"grade {data['grade']['grade']}")
    parts.append(f"sha256 {sha256_hex(canonical_bytes(data))[:32]}")
    parts.append(f"key {fingerprint(public).replace(' ', '')}")
    return "\n".join(parts)


def qr_svg(text: str) -> str:
    """Return a QR code as SVG text without quiet zone (the page leaves it free)."""
    import io

    import segno

    buffer = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        buffer, kind="svg", border=0, xmldecl=False, svgns=True, nl=False, omitsize=True
    )
    return buffer.getvalue().decode("utf-8")


INK, TEAL, QUIET, RULE = "#1c2b33", "#1f5f6b", "#5a6a72", "#cfd8dc"


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers from `low` to `high`, at most about `most`."""
    span = high - low
    if not span > 0:
        return [low]
    step = 10 ** math.floor(math.log10(span / most))
    for factor in (1, 2, 5, 10):
        if span / (step * factor) <= most:
            step *= factor
            break
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]


def plot_svg(
    lines: list[list[tuple[float, float]]],
    x_name: str,
    y_name: str,
    width: float = 330,
    height: float = 150,
    marks: list[tuple[float, float, float | None]] | None = None,
    x_most: float | None = None,
) -> str:
    """Return one quiet plot as SVG: lines, and marks with error bars (x, y, half height)."""
    points = [p for line in lines for p in line] + [(m[0], m[1]) for m in marks or []]
    if not points:
        return ""
    bars = [(m[1] - (m[2] or 0), m[1] + (m[2] or 0)) for m in marks or []]
    x_low, x_high = min(0.0, *(p[0] for p in points)), max(x_most or 0.0, *(p[0] for p in points))
    y_low = min([p[1] for p in points] + [b[0] for b in bars])
    y_high = max([p[1] for p in points] + [b[1] for b in bars])
    x_high = x_low + (x_high - x_low) * 1.02 if x_high > x_low else x_low + 1
    pad = (y_high - y_low) * 0.08 or abs(y_high) * 0.1 or 1
    y_low, y_high = y_low - pad, y_high + pad
    left, right, top, bottom = 26.0, 12.0, 16.0, 28.0

    def x(value: float) -> float:
        return left + (value - x_low) / (x_high - x_low) * (width - left - right)

    def y(value: float) -> float:
        return top + (y_high - value) / (y_high - y_low) * (height - top - bottom)

    font = 'font-family="Inter" font-size="8"'
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}">']
    for value in ticks(y_low, y_high, 5):
        out.append(
            f'<line x1="{left}" x2="{width - right}" y1="{y(value):.2f}" y2="{y(value):.2f}" stroke="{RULE}" '
            'stroke-width="0.6"/>'
            f'<text x="{left - 4}" y="{y(value) + 2.8:.2f}" text-anchor="end" fill="{QUIET}" {font}>{value:g}</text>'
        )
    for value in ticks(x_low, x_high, 7):
        out.append(
            f'<line x1="{x(value):.2f}" x2="{x(value):.2f}" y1="{height - bottom}" y2="{height - bottom + 3}" '
            f'stroke="{QUIET}" stroke-width="0.6"/>'
            f'<text x="{x(value):.2f}" y="{height - bottom + 12}" text-anchor="middle" fill="{QUIET}" '
            f"{font}>{value:g}</text>"
        )
    out.append(
        f'<line x1="{left}" x2="{width - right}" y1="{height - bottom}" y2="{height - bottom}" stroke="{QUIET}" '
        'stroke-width="0.8"/>'
    )
    dashes = ("", ' stroke-dasharray="5 2"', ' stroke-dasharray="1.5 1.5"', ' stroke-dasharray="6 2 1.5 2"')
    for i, line in enumerate(lines):
        path = " ".join(f"{x(a):.2f},{y(b):.2f}" for a, b in line)
        out.append(
            f'<polyline points="{path}" fill="none" stroke="{TEAL}" stroke-width="1.3" '
            f'stroke-linejoin="round"{dashes[i % 4]}/>'
        )
    for a, b, half in marks or []:
        if half:
            out.append(
                f'<line x1="{x(a):.2f}" x2="{x(a):.2f}" y1="{y(b - half):.2f}" y2="{y(b + half):.2f}" '
                f'stroke="{INK}" stroke-width="0.9"/>'
            )
        out.append(f'<circle cx="{x(a):.2f}" cy="{y(b):.2f}" r="2.4" fill="{INK}"/>')
    out.append(f'<text x="{left}" y="9" fill="{INK}" {font}>{y_name}</text>')
    out.append(
        f'<text x="{width - right}" y="{height - 3}" text-anchor="end" fill="{INK}" {font}>{x_name}</text></svg>'
    )
    return "".join(out)


def _alike(results: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the resistances found after the same time as the one that stands for the cell, most charged first."""
    main = main_resistance(results)
    if main is None:
        return []
    return sorted(
        (
            item
            for item in results["resistances"]
            if item["ohm"] is not None and item["duration_s"] == main["duration_s"] and item["method"] == main["method"]
        ),
        key=lambda item: -(item["charge_state"] if item["charge_state"] is not None else 2.0),
    )


def _spread(items: list[dict[str, Any]]) -> bool:
    """Tell whether resistances were found at charge states that differ enough to make a curve."""
    states = [item["charge_state"] for item in items if item["charge_state"] is not None]
    return len(states) > 1 and max(states) - min(states) >= LEAST_SPREAD


def _resistance_lines(results: dict[str, Any], brief: bool = False) -> list[list[str]]:
    main, alike = main_resistance(results), _alike(results)
    shown = alike if len(alike) <= 3 or main is None else [alike[0], main, alike[-1]]
    if main is not None and (brief or not _spread(alike)):
        shown = [main]
    rows = []
    for n, item in enumerate(shown):
        if item in shown[:n]:
            continue
        details = [item["method"] or "current step"]
        if item["current_A"] is not None:
            details.append(f"step of {abs(item['current_A']):.3g} A")
        if item["duration_s"] is not None:
            details.append(f"after {item['duration_s']:.3g} s")
        if item["charge_state"] is not None:
            details.append(f"at {item['charge_state'] * 100:.0f} % charge")
        rows.append(["DC resistance", with_U(item["ohm"], item["U_ohm"], 1000), "mΩ", ", ".join(details)])
    more = len([item for item in results["resistances"] if item["ohm"] is not None]) - len(rows)
    if rows and more > 0:
        rows[-1][3] += f"; {more} more in the attached data"
    return rows


def _start_words(run: dict[str, Any]) -> str:
    if run["imported"] and run["results"]["start"] == "full":
        seen = run["results"]["charge_Ah"] is not None
        return (
            "full: charged to its taper in the imported readings"
            if seen
            else "full, as stated with the imported readings"
        )
    start = str(run["results"]["start"])
    return START_WORDS.get(start, start)


def view(data: dict[str, Any], public: bytes) -> dict[str, Any]:
    """Return all that the template prints, as finished text; a pure function of the data and the public key."""
    item, issuer = data["item"], data["issuer"]
    last = data["runs"][-1]
    results = last["results"]
    resistance = main_resistance(results)
    none = "not stated"
    headline = [
        {
            "name": "Capacity",
            "value": with_U(results["capacity_Ah"], results["capacity_U_Ah"], 1000),
            "unit": "mAh",
            "note": f"to {last['cutoff_V']:.2f} V" if last["cutoff_V"] else "to the cut-off",
        },
        {
            "name": "Energy",
            "value": with_U(results["energy_Wh"], results["energy_U_Wh"]),
            "unit": "Wh",
            "note": f"mean {results['mean_voltage_V']:.3f} V" if results["mean_voltage_V"] is not None else "",
        },
        {
            "name": "DC resistance",
            "value": with_U(resistance["ohm"], resistance["U_ohm"], 1000) if resistance else "not measured",
            "unit": "mΩ" if resistance else "",
            "note": (
                f"{resistance['duration_s']:.3g} s step"
                + (
                    f" at {resistance['charge_state'] * 100:.0f} % charge"
                    if resistance["charge_state"] is not None
                    else ""
                )
                if resistance and resistance["duration_s"] is not None
                else ""
            ),
        },
    ]
    brief = len(data["runs"]) > 1  # the rest is in the attached data
    tables = []
    for run in data["runs"]:
        r = run["results"]
        current = abs(run["main_current_A"]) if run["main_current_A"] else None
        cut = f"discharge to {run['cutoff_V']:.2f} V" if run["cutoff_V"] else "discharge to the cut-off"
        rows = [
            [
                "Capacity",
                with_U(r["capacity_Ah"], r["capacity_U_Ah"], 1000),
                "mAh",
                cut + (f", mainly at {current:.3f} A" if current else ""),
            ],
            ["Energy", with_U(r["energy_Wh"], r["energy_U_Wh"]), "Wh", f"in {_hours(r['duration_s'])}"],
            *_resistance_lines(r, brief),
        ]
        if r["charge_Ah"] is not None:
            value = with_U(r["charge_Ah"], r["charge_U_Ah"], 1000)
            rows.append(["Charge accepted", value, "mAh", "in the charge in the same readings"])
        if not brief:
            rise = r["temperature_rise_K"]
            how = "highest above the rest before; no uncertainty stated" if rise is not None else ""
            value = f"{rise:.1f}" if rise is not None else "not measured"
            rows.append(["Temperature rise", value, "K" if rise is not None else "", how])
        tables.append({"run": run["run_id"], "rows": rows})
    dates = sorted({run["started_utc"][:10] for run in data["runs"] if run["started_utc"]})
    about_item = [
        ["Identification", item["id"]],
        ["Form", item["form"] or none],
        [
            "Chemistry",
            f"{CHEMISTRY_WORDS.get(item['chemistry'], item['chemistry'])} ({item['chemistry_found']})",
        ],
        ["Came out of", item["source"] or none],
        ["Markings", item["markings"] or "none entered"],
        [
            "Claimed capacity",
            f"{item['claim_Ah'] * 1000:.0f} mAh (unproven)" if item["claim_Ah"] is not None else "none known",
        ],
        [
            "As found",
            ", ".join(
                part
                for part in (
                    f"{item['as_found_V']:.3f} V" if item["as_found_V"] is not None else "voltage not recorded",
                    f"{item['mass_g']:g} g" if item["mass_g"] is not None else "",
                    f"received {item['as_found_utc'][:10]}" if item["as_found_utc"] else "date of receipt not recorded",
                )
                if part
            ),
        ],
        [
            "Condition",
            (item["condition"] or "no inspection recorded")
            + ("; in quarantine on the register: not cleared for use" if item["state"] == "quarantined" else ""),
        ],
    ]
    if item["notes"]:
        about_item.append(["Notes", item["notes"]])
    instruments = [
        f"{i['role'] or i['name']}: {i['identity']}"
        for i in {json.dumps(i): i for run in data["runs"] for i in run["instruments"]}.values()
    ]
    about_test = [
        ["Issued by", issuer["bench"] or "a private bench, name not stated"],
        ["Place of test", issuer["place"] or none],
        ["Answered for by", issuer["operator"] or none],
        ["Made for", issuer["customer"] or "whoever holds the cell"],
        ["Tested (UTC)", ", ".join(dates) or none],
        ["Issued", data["issued"]],
        ["Charge at the start", _start_words(last)],
        [
            "Temperature",
            ", ".join(
                part
                for part in (
                    f"{last['start_temperature_degC']:.1f} °C at the start"
                    if last["start_temperature_degC"] is not None
                    else "",
                    f"highest {last['highest_temperature_degC']:.1f} °C"
                    if last["highest_temperature_degC"] is not None
                    else "",
                )
                if part
            )
            or ("see the rise below" if results["temperature_rise_K"] is not None else "not measured"),
        ],
        ["Instruments", "; ".join(instruments) or "not recorded"],
    ]
    profile = f" (profile {last['profile']})" if last["profile"] else ""
    method = (
        f"Bench method of this software{profile}, after the pattern of IEC 61960-3:2017, clause 7.3.1, but not in "
        "conformity with "
        "it. Discharge to the cut-off voltage; capacity is the sum of measured current over measured time to the "
        "first lasting "
        "crossing, energy the sum of voltage times current. Resistance is the voltage change over the current "
        "change of a step. "
        f"U is the expanded uncertainty, k = 2, about 95 % (JCGM 100:2008). Sampling: none, the one item was tested."
    )
    said: list[str] = []
    for run in data["runs"]:
        said += [text for text in run["deviations"] if text not in said]
    warnings: list[str] = []
    for run in data["runs"]:
        warnings += [text for text in run["warnings"] if text and text not in warnings]
    grade = data["grade"]
    curves = [[(q * 1000, v) for q, v in run["curve"]] for run in data["runs"] if run["curve"]]
    marks = []
    for run in data["runs"]:
        for r in _alike(run["results"]) if _spread(_alike(run["results"])) else []:
            if r["charge_state"] is not None:
                capacity = run["results"]["capacity_Ah"]
                marks.append(
                    (
                        (1 - r["charge_state"]) * capacity * 1000,
                        r["ohm"] * 1000,
                        (r["U_ohm"] or 0) * 1000 or None,
                    )
                )
    voltage_plot: dict[str, Any] = {"x_name": "charge given, mAh", "y_name": "voltage, V"}
    after = ""
    if resistance and resistance["duration_s"] is not None:
        after = f" after {resistance['duration_s']:.3g} s"
    resistance_plot: dict[str, Any] = {
        "x_name": "charge given, mAh",
        "y_name": f"DC resistance{after}, mΩ (bars: U, k = 2)",
    }
    flat: dict[str, Any] = {"height": 112, "width": 330 if marks else 690}
    most = max((run["results"]["capacity_Ah"] * 1000 for run in data["runs"]), default=None)
    total = math.fsum((line["contribution_Ah"] or 0.0) ** 2 for line in last["budget"])
    budget_rows = [
        [
            line["name"] + (" (assumed)" if line["assumed"] else ""),
            f"{line['standard_u']:.2g} {line['unit']}" if line["standard_u"] is not None else "",
            line["type"],
            f"{abs(line['contribution_Ah']) * 1000:.2g}" if line["contribution_Ah"] is not None else "",
            f"{100 * line['contribution_Ah'] ** 2 / total:.0f} %"
            if line["contribution_Ah"] is not None and total
            else "",
            line["note"],
        ]
        for line in last["budget"][:16]
    ]
    shown = {
        "number": data["number"],
        "title": "Capacity certificate",
        "subtitle": "Report of a measurement on one used cell",
        "cell": item["id"],
        "issued": data["issued"],
        "simulated": any(run["simulated"] for run in data["runs"]),
        "declared": results["start"] == "declared-full",
        "headline": headline,
        "grade": {
            "grade": grade["grade"],
            "text": _grade_text(grade),
        }
        if grade
        else None,
        "about_item": about_item,
        "about_test": about_test,
        "tables": tables,
        "method": method,
        "deviations": said,
        "warnings": warnings[:6],
        "not_tested": "; ".join(data["not_tested"]) + ".",
        "statements": data["statements"],
        "cautions": data["cautions"],
        "several": len(data["runs"]) > 1,
        "pages": data["pages"],
        "budget": {
            "columns": ["Contribution from", "Standard u", "Type", "In the capacity, mAh", "Share", "Note"],
            "rows": budget_rows,
        },
        "check": [
            ["Certificate", data["number"]],
            ["Data SHA-256", sha256_hex(canonical_bytes(data))[:32] + "…"],
            ["Bench key", fingerprint(public)],
            ["Software", f"{data['software']['name']} {data['software']['version']}"],
        ],
        "runs": [run["run_id"] for run in data["runs"]],
    }
    shown = dict(_printable_tree(shown))
    shown["qr"] = qr_svg(qr_payload(data, public))
    shown["plots"] = {
        "voltage": plot_svg(curves, **voltage_plot, **flat) if curves else "",
        "resistance": plot_svg([], **resistance_plot, **flat, marks=marks, x_most=most) if marks else "",
        "voltage_large": plot_svg(curves, **voltage_plot, width=640, height=300)
        if curves and data["pages"] > 1
        else "",
        "resistance_large": plot_svg([], **resistance_plot, width=640, height=230, marks=marks, x_most=most)
        if marks and data["pages"] > 1
        else "",
    }
    return shown


def render(data: dict[str, Any], attached: bytes, public: bytes) -> bytes:
    """Return the unsealed PDF. Equal arguments, typst version and layout give equal bytes."""
    import typst

    issued = datetime.datetime.combine(datetime.date.fromisoformat(data["issued"]), datetime.time(12), datetime.UTC)
    made = b""
    printed = json.dumps(view(data, public), ensure_ascii=False)
    for size in TEXT_SIZES_PT:  # the first that keeps what belongs on one page there
        answer: object = typst.compile(
            str(TEMPLATES / "certificate.typ"),
            root=str(TEMPLATES),
            format="pdf",
            sys_inputs={
                "view": printed,
                "attached": attached.decode("utf-8"),
                "name": ATTACHMENT,
                "year": str(issued.year),
                "month": str(issued.month),
                "day": str(issued.day),
                "size": str(size),
            },
            font_paths=[str(FONTS)],
            ignore_system_fonts=True,
            pdf_standards=["a-3a"],
            timestamp=int(issued.timestamp()),
        )
        if not isinstance(answer, bytes):
            raise InputError("certificate: typst gave no single PDF")
        made = answer
        pages = re.search(rb"/Type\s*/Pages\s*/Count (\d+)", made)
        if pages and int(pages[1]) <= data["pages"]:
            break
    return made
