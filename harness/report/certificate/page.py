"""The certificate's page: what is printed of the data, its plots, its QR code, and the PDF before it is sealed.

Everything here is a pure function of the certificate's data and the public key: equal data give equal bytes.
"""

import bisect
import datetime
import functools
import hashlib
import io
import json
import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from amphora.harness.common import words
from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate import footing
from amphora.harness.report.certificate.canonical import canonical_bytes, sha256_hex
from amphora.harness.report.certificate.keys import fingerprint
from amphora.harness.report.plot_style import of_cell, place_of
from amphora.harness.results.chosen import chosen_of
from amphora.harness.results.result import ResistanceValue

HERE = Path(__file__).parents[1]
FONTS = HERE / "fonts"
TEMPLATES = HERE / "templates"
ATTACHMENT = "amphora-certificate.json"
LEAST_SPREAD = 0.1  # of the capacity
AT_THE_START_S = 3600.0  # a zero taken this early belongs to the start of the run
TEXT_SIZES_PT = (8.4, 8.2, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0)  # never below 8; each leaves texts less room than before
TWICE = 2  # a page asked for may take two, so that the text need not shrink
TIGHTEST = len(TEXT_SIZES_PT) - 1
RUNS_SHOWN = (6, 6, 6, 6, 5, 5, 4, 4, 3)
DEVIATIONS_SHOWN = (9, 9, 8, 8, 8, 8, 6, 6, 6)
WARNINGS_SHOWN = (8, 8, 6, 6, 5, 4, 3, 2, 2)
MOST_MARKS = 4  # combining marks on one letter; more would climb into the lines around it
_UNDRAWN = {0xFDFD}  # one letter as wide as a sentence
_ON_LETTERS = ("Mn", "Me")
BUDGET_LINES = 14
MOST_PRINTED = 1800  # characters that a text may have before it is fitted to its lines
HALF_PT, FULL_PT = 238.1, 498.9  # 84 and 176 mm

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
    "full": "full: charged on this bench to its normal end, at most 4 h before",
    "declared-full": "declared full by the operator; not seen by the bench",
    "unknown": "unknown",
}


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _grade_text(grade: dict[str, Any]) -> str:
    """Return the grade's reasons and its decision rule in words."""
    parts, missing = [], []
    decided = grade["decided_by"]
    for item in grade["criteria"]:
        if item["value"] is None:
            missing.append(item["name"])
            continue
        unit = {"mohm": "mΩ", "ohm": "Ω"}.get(item["unit"], item["unit"])
        value = with_U(item["value"], item["U"], item["scale"]).replace(" ± ", "\u00a0±\u00a0")
        limit = f", limit {item['limit'] * item['scale']:.4g}" if item["limit"] is not None else ""
        remark = f", {item['remark']}" if item["remark"] else ""
        parts.append(f"{item['name']} {value} {unit} ({item['verdict']}{limit}{remark})")
    if decided in missing:
        decided += ", which was not measured"
    said = [f"Decided by {decided}." if decided else ""]
    said.append(_sentence(grade["rule"]))
    said.append("Looked at: " + "; ".join(parts) + "." if parts else "")
    said.append("Not measured: " + ", ".join(missing) + "." if missing else "")
    return " ".join(text for text in said if text)


@functools.cache
def layout_digest() -> str:
    """Return one SHA-256 over what the look depends on beside typst itself: template, fonts, code, QR."""
    digest = hashlib.sha256(metadata.version("segno").encode())
    code = (TEMPLATES / "certificate.typ", Path(__file__), Path(words.__file__))
    for path in sorted([*code, *FONTS.glob("*.otf"), *FONTS.glob("*.ttf")]):
        digest.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def with_U(value: float | None, U: float | None, scale: float = 1.0) -> str:
    """Return `value ± U` as paper shows it: a thin space between thousands."""
    return words.with_U(value, U, scale, unknown="not measured", thousands="\u202f")


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
    return at >= 0 and point <= highs[at] and point not in _UNDRAWN


def printable(text: str) -> str:
    """Return `text` as the shipped fonts can draw it.

    A character that they lack becomes its number, so that none prints as a box; of marks heaped on one letter the
    first few stay.
    """
    out: list[str] = []
    heaped = 0
    for char in text:
        heaped = heaped + 1 if unicodedata.category(char) in _ON_LETTERS else 0
        if heaped <= MOST_MARKS:
            out.append(char if _drawable(ord(char)) else f"[U+{ord(char):04X}]")
    return "".join(out)


_UNITS = r"(%|°C|V|A|mA|mAh|Ah|Wh|mΩ|Ω|K|h|min|s|g|It)"


def _tied(text: str) -> str:
    """Return `text` with each number and its unit, and both sides of ±, held together on a line."""
    text = re.sub(rf"(?<=\d) (?={_UNITS}(?![\w]))", "\u00a0", text)
    return text.replace(" ± ", "\u00a0±\u00a0").replace("k = 2", "k\u00a0=\u00a02")


def _short(value: Any, most: int) -> Any:
    """Return texts, alone or in lists, printable and of at most `most` characters; more cannot stand in their room."""
    if isinstance(value, list):
        return [_short(item, most) for item in value]
    if isinstance(value, dict):
        return {key: _short(item, most) for key, item in value.items()}
    if not isinstance(value, str):
        return value
    text = printable(value[: 4 * most])
    return text[: most - 1] + "…" if len(text) > most else text


def _printable_tree(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _printable_tree(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_printable_tree(item) for item in value]
    return _tied(_short(value, MOST_PRINTED)) if isinstance(value, str) else value


def main_resistance(results: dict[str, Any]) -> dict[str, Any] | None:
    """Return the resistance that stands for the cell, the same one that grading looks at."""
    names = ("ohm", "U_ohm", "duration_s", "charge_state")
    items = [
        (ResistanceValue("", **{name: item.get(name) for name in names}), item)
        for item in results.get("resistances") or []
    ]
    chosen = chosen_of([value for value, _ in items])
    return next((dict(item) for value, item in items if value is chosen), None)


def _coded(text: str, most: int) -> str:
    """Return as much of a text as `most` bytes of UTF-8 hold."""
    return text.encode("utf-8")[:most].decode("utf-8", "ignore")


def qr_payload(data: dict[str, Any], public: bytes) -> str:
    """Return the text of the QR code: what matters most, and the digest that ties it to the data."""
    results = data["runs"][-1]["results"]
    resistance = main_resistance(results)
    parts = [
        "AMPHORA CERTIFICATE 1",
        f"no {data['number']}",
        f"cell {_coded(data['item']['id'], 60)}",
        f"run {_coded(data['runs'][-1]['run_id'], 90)}",
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
        parts.append(f"grade {_coded(data['grade']['grade'], 60)}")
    parts.append(f"sha256 {sha256_hex(canonical_bytes(data))[:32]}")
    parts.append(f"key {fingerprint(public).replace(' ', '')}")
    return "\n".join(parts)


def qr_svg(text: str) -> str:
    """Return a QR code as SVG text without quiet zone (the page leaves it free)."""
    import segno

    buffer = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        buffer, kind="svg", border=0, xmldecl=False, svgns=True, nl=False, omitsize=True
    )
    return buffer.getvalue().decode("utf-8")


INK, TEAL, QUIET, RULE, EARLIER = "#1c2b33", "#1f5f6b", "#5a6a72", "#cfd8dc", "#7f8f96"


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


@dataclass(frozen=True)
class Mark:
    """One point of a plot, with the half height of its bar; `hollow` for those of earlier runs."""

    x: float
    y: float
    half: float | None = None
    hollow: bool = False


def plot_svg(
    lines: Sequence[Sequence[tuple[float, float]]],
    x_name: str,
    y_name: str,
    width: float,
    height: float,
    marks: Sequence[Mark] = (),
    x_most: float | None = None,
    colour: str = TEAL,
) -> str:
    """Return one quiet plot as SVG, lengths in point; of several lines the last is the one that counts.

    Args:
        lines: Curves as (x, y) pairs.
        x_name, y_name: What the axes say, with unit.
        width, height: Size on the page.
        marks: Points with bars.
        x_most: The x axis reaches at least to here.
        colour: Of the line that counts.
    """
    points = [p for line in lines for p in line] + [(m.x, m.y) for m in marks]
    if not points:
        return ""
    bars = [(m.y - (m.half or 0), m.y + (m.half or 0)) for m in marks]
    x_low, x_high = min(0.0, *(p[0] for p in points)), max(x_most or 0.0, *(p[0] for p in points))
    y_low = min([p[1] for p in points] + [b[0] for b in bars])
    y_high = max([p[1] for p in points] + [b[1] for b in bars])
    x_high = x_low + (x_high - x_low) * 1.02 if x_high > x_low else x_low + 1
    pad = (y_high - y_low) * 0.08 or abs(y_high) * 0.1 or 1
    y_low, y_high = y_low - pad, y_high + pad
    y_ticks = ticks(y_low, y_high, 8 if height > 200 else 5)
    left, right, top, bottom = 8.0 + 4.5 * max(len(f"{v:g}") for v in y_ticks), 6.0, 16.0, 24.0

    def x(value: float) -> float:
        return left + (value - x_low) / (x_high - x_low) * (width - left - right)

    def y(value: float) -> float:
        return top + (y_high - value) / (y_high - y_low) * (height - top - bottom)

    font = 'font-family="Inter" font-size="7.6"'
    base = height - bottom
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}">']
    for value in y_ticks:
        out.append(
            f'<line x1="{left:.2f}" x2="{width - right:g}" y1="{y(value):.2f}" y2="{y(value):.2f}" stroke="{RULE}" '
            'stroke-width="0.5"/>'
            f'<text x="{left - 4:.2f}" y="{y(value) + 2.2:.2f}" text-anchor="end" fill="{QUIET}" '
            f"{font}>{value:g}</text>"
        )
    x_ticks = ticks(x_low, x_high, 7 if width > 300 else 5)
    for value in x_ticks:
        out.append(
            f'<line x1="{x(value):.2f}" x2="{x(value):.2f}" y1="{base:g}" y2="{base + 2.5:g}" stroke="{QUIET}" '
            'stroke-width="0.5"/>'
            f'<text x="{x(value):.2f}" y="{base + 10.5:.2f}" text-anchor="middle" fill="{QUIET}" '
            f"{font}>{value:g}</text>"
        )
    out.append(
        f'<line x1="{left:.2f}" x2="{width - right:g}" y1="{base:g}" y2="{base:g}" stroke="{QUIET}" '
        'stroke-width="0.7"/>'
    )
    dashes = ("4 1.6", "1.2 1.4", "6 1.6 1.2 1.6", "2.4 1.2")
    for i, line in enumerate(lines):
        path = " ".join(f"{x(a):.2f},{y(b):.2f}" for a, b in line)
        last = i == len(lines) - 1
        look = (
            f'stroke="{colour}" stroke-width="1.3"'
            if last
            else f'stroke="{EARLIER}" stroke-width="0.8" stroke-dasharray="{dashes[i % 4]}"'
        )
        out.append(f'<polyline points="{path}" fill="none" stroke-linejoin="round" {look}/>')
    for mark in marks:
        shade = EARLIER if mark.hollow else INK
        if mark.half:
            out.append(
                f'<line x1="{x(mark.x):.2f}" x2="{x(mark.x):.2f}" y1="{y(mark.y - mark.half):.2f}" '
                f'y2="{y(mark.y + mark.half):.2f}" stroke="{shade}" stroke-width="0.7"/>'
            )
        fill = f'fill="#ffffff" stroke="{shade}" stroke-width="0.7"' if mark.hollow else f'fill="{shade}"'
        out.append(f'<circle cx="{x(mark.x):.2f}" cy="{y(mark.y):.2f}" r="1.8" {fill}/>')
    out.append(f'<text x="0" y="7.6" fill="{INK}" {font}>{y_name}</text>')
    out.append(
        f'<text x="{width - right:g}" y="{height - 2:g}" text-anchor="end" fill="{INK}" {font}>{x_name}</text></svg>'
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


LEADS_SHORT = {"out": "leads out", "in": "leads in", "not known": "leads not known"}


def leads_words(leads: dict[str, Any] | None) -> str:
    """Return in words whether leads and holder are in the resistances of a run; as `amphora analyse` says it."""
    state = (leads or {}).get("state")
    if leads is None or state not in ("in", "out"):
        return "not known whether leads and holder are in: nothing says where it is sensed"
    if state == "in":
        return "leads and holder are in: sensed at the load, two wires"
    if leads.get("ohm") is None:
        return "leads and holder are out: sensed at the cell, four wires"
    measured = with_U(leads["ohm"], leads.get("U_ohm"), 1000)
    return f"leads and holder, {measured} mΩ, are taken out (measured by {leads.get('from_run')})"


def zero_words(run: dict[str, Any]) -> str:
    """Return what the current showed with nothing flowing, when, and whether it was taken out of the readings."""
    if not run["current_zero"]:
        return "not measured: nothing was taken out of the current"
    latest: dict[str, dict[str, Any]] = {}
    for zero in run["current_zero"]:
        latest[zero["instrument"]] = zero
    rests: dict[str, list[str]] = {}
    for zero in latest.values():
        U_A = None if zero["standard_u_A"] is None else 2 * zero["standard_u_A"]
        when = "at the start" if (zero["t_s"] or 0.0) < AT_THE_START_S else f"{_hours(zero['t_s'])} after the start"
        count = f", {zero['readings']:.0f} readings in {zero['duration_s']:.0f} s" if zero["readings"] else ""
        done = "taken out" if zero["taken_out"] else "not taken out (the specification is better)"
        sign = "+" if (zero["current_A"] or 0.0) > 0 else ""
        value = with_U(zero["current_A"], U_A, 1000).replace("-", "\u2212")
        rests.setdefault(f"{done}, shown with all off {when}{count}", []).append(f"{zero['instrument']} {sign}{value}")
    more = len(run["current_zero"]) - len(latest)
    said = [f"{', '.join(values)} mA {rest}" for rest, values in rests.items()]
    return "; ".join(said) + (f"; {more} earlier attached" if more else "")


def _resistance_lines(results: dict[str, Any]) -> list[list[str]]:
    main, alike = main_resistance(results), _alike(results)
    shown = alike if len(alike) <= 3 or main is None else [alike[0], main, alike[-1]]
    if main is not None and not _spread(alike):
        shown = [main]
    rows = []
    for n, item in enumerate(shown):
        if item in shown[:n]:
            continue
        details = [item["method"] or "current step"]
        if item["current_A"] is not None:
            details.append(f"{abs(item['current_A']):.3g} A step")
        if item["duration_s"] is not None and not details[0].startswith(f"{item['duration_s']:.3g} s "):
            details.append(f"after {item['duration_s']:.3g} s")
        if item["charge_state"] is not None:
            details.append(f"at {item['charge_state'] * 100:.0f} % charge")
        rows.append(["DC resistance", with_U(item["ohm"], item["U_ohm"], 1000), "mΩ", ", ".join(details)])
    more = len([item for item in results["resistances"] if item["ohm"] is not None]) - len(rows)
    if rows and more > 0:
        rows[-1][3] += f"; {more} more attached"
    return rows


def _start_words(run: dict[str, Any]) -> str:
    charged = (run.get("start_from") or {}).get("run")
    if run["results"]["start"] == "full" and charged:
        return f"full: by the charge in {charged}, which the cell's account knows to have filled it"
    if run["imported"] and run["results"]["start"] == "full":
        seen = run["results"]["charge_Ah"] is not None
        return (
            "full: charged to its normal end in the imported readings"
            if seen
            else "full, as stated with the imported readings"
        )
    start = str(run["results"]["start"])
    return START_WORDS.get(start, start)


def _rows_of(run: dict[str, Any], item: dict[str, Any] | None = None) -> list[list[str]]:
    """Return the results of one run, a row each: quantity, value, unit, how; `item`: U of the cell as an item."""
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
        *(
            [["The cell as an item", with_U(r["capacity_Ah"], item["capacity_U_Ah"], 1000), "mAh", item["text"]]]
            if item
            else []
        ),
        ["Energy", with_U(r["energy_Wh"], r["energy_U_Wh"]), "Wh", f"in {_hours(r['duration_s'])}"],
        *_resistance_lines(r),
    ]
    if r["charge_Ah"] is not None:
        value = with_U(r["charge_Ah"], r["charge_U_Ah"], 1000)
        rows.append(["Charge accepted", value, "mAh", "in the charge in the same readings"])
    rise = r["temperature_rise_K"]
    rise_U = r.get("temperature_rise_U_K")
    unsure = "" if rise_U else "; its uncertainty is not known"
    how = f"highest above the rest before{unsure}" if rise is not None else ""
    value = (with_U(rise, rise_U) if rise_U else f"{rise:.1f}") if rise is not None else "not measured"
    rows.append(["Temperature rise", value, "K" if rise is not None else "", how])
    return rows


def _each_run(runs: list[dict[str, Any]], most: int) -> dict[str, Any] | None:
    """Return the latest `most` of several runs, newest first, a row each; None for one run."""
    if len(runs) < 2:
        return None
    rows = []
    for run in reversed(runs[-most:]):
        r = run["results"]
        resistance = main_resistance(r)
        current = abs(run["main_current_A"]) if run["main_current_A"] else None
        conditions = [f"to {run['cutoff_V']:.2f} V" if run["cutoff_V"] else "to the cut-off"]
        conditions += [f"at {current:.3f} A"] if current else []
        if resistance and len({(one["leads"] or {}).get("state") for one in runs}) > 1:
            conditions.append(LEADS_SHORT[(run["leads"] or {}).get("state", "not known")])
        conditions += ["from declared full"] if r["start"] == "declared-full" else []
        rows.append(
            [
                run["run_id"].rsplit("/", 1)[-1],
                with_U(r["capacity_Ah"], r["capacity_U_Ah"], 1000),
                with_U(r["energy_Wh"], r["energy_U_Wh"]),
                with_U(resistance["ohm"], resistance["U_ohm"], 1000) if resistance else "–",
                ", ".join(conditions),
            ]
        )
    hidden = len(runs) - len(rows)
    return {
        "columns": ["Run", "Capacity, mAh", "Energy, Wh", "DC resistance, mΩ", "Discharge"],
        "rows": rows,
        "more": f"{hidden} earlier {'run' if hidden == 1 else 'runs'} in the attached data" if hidden else "",
    }


def _some(texts: list[str], most: int) -> list[str]:
    """Return the first `most` texts, the last of them saying how many more there are."""
    if len(texts) <= most:
        return texts
    return [*texts[: most - 1], f"{len(texts) - most + 1} more of these in the attached data"]


def _all_of(data: dict[str, Any], name: str) -> list[str]:
    """Return the texts that the runs list under a name, each once, none longer than its room."""
    texts = [_short(text, 320) for run in data["runs"] for text in run[name]]
    return [text for n, text in enumerate(texts) if text and text not in texts[:n]]


def _about_item(item: dict[str, Any], none: str) -> list[list[str]]:
    claim = f"{item['claim_Ah'] * 1000:.0f} mAh (unproven)" if item["claim_Ah"] is not None else "none known"
    found = (
        f"{item['as_found_V']:.3f} V" if item["as_found_V"] is not None else "voltage not recorded",
        f"{item['mass_g']:g} g" if item["mass_g"] is not None else "",
        f"received {item['as_found_utc'][:10]}" if item["as_found_utc"] else "date of receipt not recorded",
    )
    held = "; in quarantine on the register: not cleared for use" if item["state"] == "quarantined" else ""
    chemistry = CHEMISTRY_WORDS.get(item["chemistry"], item["chemistry"])
    how = "measured" if item["chemistry_found"] == "measured" else "as entered in the register"
    return [
        ["Identification", ", before: ".join([item["id"], *(item.get("former_ids") or [])])],
        ["Form", item["form"] or none],
        ["Chemistry", f"{chemistry} ({how})"],
        ["Came out of", item["source"] or none],
        ["Markings", item["markings"] or "none entered"],
        ["Claimed capacity", claim],
        ["As found", ", ".join(part for part in found if part)],
        ["Condition", (held[2:] + "; " if held else "") + (item["condition"] or "no inspection recorded")],
    ]


def _about_test(data: dict[str, Any], none: str) -> list[list[str]]:
    issuer, last = data["issuer"], data["runs"][-1]
    dates = sorted({run["started_utc"][:10] for run in data["runs"] if run["started_utc"]})
    tested = ", ".join(dates) if len(dates) < 4 else f"{dates[0]} to {dates[-1]}, on {len(dates)} days"
    instruments = [
        f"{i['role'] or i['name']}: {i['identity']}"
        for i in {json.dumps(i): i for run in data["runs"] for i in run["instruments"]}.values()
    ]
    temperature = (
        f"{last['start_temperature_degC']:.1f} °C at the start" if last["start_temperature_degC"] is not None else "",
        f"highest {last['highest_temperature_degC']:.1f} °C" if last["highest_temperature_degC"] is not None else "",
    )
    not_stated = "see the rise below" if last["results"]["temperature_rise_K"] is not None else "not measured"
    name = last["run_id"].rsplit("/", 1)[-1]
    return [
        ["Issued by", issuer["bench"] or "a private bench, name not stated"],
        ["Place of test", issuer["place"] or none],
        ["Answered for by", issuer["operator"] or none],
        ["Made for", issuer["customer"] or "whoever holds the cell"],
        ["Tested (UTC)", tested or none],
        ["Run", name if len(data["runs"]) == 1 else f"{name}, the last of {len(data['runs'])}"],
        ["Issued", data["issued"]],
        ["Charge at the start", _start_words(last)],
        ["Temperature", ", ".join(part for part in temperature if part) or not_stated],
        ["Instruments", "; ".join(instruments) or "not recorded"],
    ]


def _about_readings(data: dict[str, Any]) -> list[list[str]]:
    """Return what was done to the readings, what came before them, and how the cell stands now, a row each."""
    run = data["runs"][-1]
    rows = [["Current zero", "not known of imported readings" if run["imported"] else zero_words(run)]]
    if run["results"]["resistances"]:
        rows.append(["Resistance", leads_words(run["leads"])])
    before = footing.charge_words(data.get("charge_before"))
    if before:
        rows.append(["Charge before", before])
    if "hand_over" in data:
        rows += footing.hand_over_words(data["hand_over"])
    round_trip = footing.cycle_words(run.get("cycle"))
    rows.append(["Round trip", round_trip or "not measured: no whole cycle in this run"])
    return rows


def _headline(data: dict[str, Any]) -> list[dict[str, str]]:
    last = data["runs"][-1]
    results = last["results"]
    resistance = main_resistance(results)
    several = f", last of {len(data['runs'])} runs" if len(data["runs"]) > 1 else ""
    note = ""
    if resistance and resistance["duration_s"] is not None:
        state = resistance["charge_state"]
        note = f"{resistance['duration_s']:.3g} s" + (f", {state * 100:.0f} % charge" if state is not None else "")
    if resistance:
        note += (", " if note else "") + LEADS_SHORT[(last["leads"] or {}).get("state", "not known")]
    return [
        {
            "name": "Capacity",
            "value": with_U(results["capacity_Ah"], results["capacity_U_Ah"], 1000),
            "unit": "mAh",
            "note": (f"to {last['cutoff_V']:.2f} V" if last["cutoff_V"] else "to the cut-off")
            + ", this test"
            + several,
        },
        {
            "name": "Energy",
            "value": with_U(results["energy_Wh"], results["energy_U_Wh"]),
            "unit": "Wh" if results["energy_Wh"] is not None else "",
            "note": f"mean {results['mean_voltage_V']:.3f} V" if results["mean_voltage_V"] is not None else "",
        },
        {
            "name": "DC resistance",
            "value": with_U(resistance["ohm"], resistance["U_ohm"], 1000) if resistance else "not measured",
            "unit": "mΩ" if resistance else "",
            "note": note,
        },
    ]


def _scaled(value: float | None, unit: str) -> str:
    """Return a quantity at two digits with the prefix that suits it; a ratio in per cent or parts a million."""
    if value is None:
        return ""
    size = abs(value)
    if unit in ("", "1"):
        return f"{value * 100:.2g} %" if size >= 1e-5 or not size else f"{value * 1e6:.2g} ppm"
    for least, factor, prefix in ((1.0, 1.0, ""), (1e-3, 1e3, "m"), (1e-6, 1e6, "µ"), (1e-9, 1e9, "n")):
        if size >= least and len(unit) <= 3:
            return f"{float(f'{value * factor:.2g}'):g} {prefix}{unit}"
    return f"{value:.2g} {unit}"


def _share(part: float) -> str:
    return "< 1 %" if 0.0 < part < 0.01 else f"{100 * part:.0f} %"


def _budget(run: dict[str, Any]) -> dict[str, Any]:
    """Return the uncertainty budget of a run's capacity, largest share first, its sum last."""
    lines = sorted(run["budget"], key=lambda line: -abs(line["contribution_Ah"] or 0.0))
    total = math.fsum((line["contribution_Ah"] or 0.0) ** 2 for line in lines)
    rows = [
        [
            line["name"] + (" (assumed)" if line["assumed"] else ""),
            _scaled(line["standard_u"], line["unit"]),
            line["type"],
            f"{abs(line['contribution_Ah']) * 1000:.2g}" if line["contribution_Ah"] is not None else "",
            _share(line["contribution_Ah"] ** 2 / total) if line["contribution_Ah"] is not None and total else "",
            line["note"],
        ]
        for line in lines[:BUDGET_LINES]
    ]
    hidden = len(lines) - len(rows)
    U = run["results"]["capacity_U_Ah"]
    return {
        "columns": ["Contribution from", "Standard u", "Type", "In the capacity, mAh", "Share", "Note"],
        "rows": rows,
        "sum": ["Expanded uncertainty U", "", "", f"{U * 1000:.2g}", "", "k = 2, about 95 %"] if U is not None else [],
        "more": f"{hidden} smaller ones in the attached data" if hidden > 0 else "",
    }


def _plots(data: dict[str, Any], height: int) -> dict[str, str]:
    several = len(data["runs"]) > 1
    curves = [[(q * 1000, v) for q, v in run["curve"]] for run in data["runs"] if run["curve"]]
    marks: list[Mark] = []
    for run in data["runs"]:
        alike = _alike(run["results"])
        for r in alike if _spread(alike) else []:
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
    profile = f" (profile {last['profile'][:60]})" if last["profile"] else ""
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
        "cell": _short(data["item"]["id"], 120),
        "issued": data["issued"],
        "simulated": any(run["simulated"] for run in data["runs"]),
        "declared": last["results"]["start"] == "declared-full",
        "quarantined": quarantined,
        "in_spite_of": [text.partition(":")[0] for text in data.get("in_spite_of") or []],
        "headline": _short(_headline(data), 120),
        "grade": {"grade": _short(grade["grade"], 60), "text": _short(_grade_text(grade), 1300), "note": own}
        if grade
        else None,
        "about_item": _short(_about_item(data["item"], none), 260),
        "about_test": _short(_about_test(data, none), 260),
        "readings": _short(_about_readings(data), 260),
        "notes": _short(data["item"]["notes"], 700),
        "results": _short(_rows_of(last, data.get("item_uncertainty")), 240),
        "each_run": _short(_each_run(data["runs"], RUNS_SHOWN[tight]), 90),
        "method": method,
        "covers": covers,
        "footing": footing.traceable_words(last.get("traceability") or []) or ["Not traceable: not stated."],
        "deviations": _some(_all_of(data, "deviations"), DEVIATIONS_SHOWN[tight]),
        "warnings": _some([*(data.get("in_spite_of") or []), *_all_of(data, "warnings")], WARNINGS_SHOWN[tight]),
        "not_tested": _sentence("; ".join(data["not_tested"])),
        "statements": data["statements"],
        "cautions": data["cautions"],
        "pages": data["pages"],
        "budget": _short(_budget(last), 150),
        "check": [
            ["Certificate", data["number"]],
            ["Data SHA-256", sha256_hex(canonical_bytes(data))[:32] + "…"],
            ["Bench key", fingerprint(public)],
            ["Software", f"{data['software']['name']} {data['software']['version']}"],
        ],
    }
    shown = dict(_printable_tree(shown))
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
