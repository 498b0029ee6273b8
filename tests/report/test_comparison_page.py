"""The comparison page: everything in it, nothing from elsewhere, no text that becomes markup, small."""

import dataclasses
import html.parser
import json
import re
from pathlib import Path
from typing import Any

import pytest
from paper_runs import analyse, cell_record, run_input, write_run

from amphora.harness.analysis.resistance_warmth import AtTemperature
from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.report.comparison_page import build_page, make_report
from amphora.harness.report.comparison_rows import PageRow
from amphora.harness.report.html import content_policy, script_json
from tests.support.made_results import result_of

EVIL = "<script>alert(1)</script>"


class Reader(html.parser.HTMLParser):
    """Collects elements, attributes and the table's text."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.text: list[str] = []
        self._in = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._in = tag
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.scripts[-1] += data
        else:
            self.text.append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> list[PageRow]:
    folder = write_run(tmp_path_factory.mktemp("logs"))
    result, curve = analyse(folder), run_input(folder).curve
    made = []
    for n, name in enumerate(("L3-a", EVIL, "L4-b")):
        changed = dataclasses.replace(result, capacity_Ah=(result.capacity_Ah or 0.0) * (1 - n / 10))
        compared = ComparedRow(
            cell=name, run=f"logs/{name}/x", capacity_Ah=changed.capacity_Ah, capacity_U_Ah=0.012,
            resistance_ohm=0.0631, resistance_U_ohm=0.0018, grade="steady duty", rank=n + 1, tied_with=(),
        )  # fmt: skip
        made.append(PageRow(Cell(**cell_record(id=name, source='" onload="x')), compared, changed, curve))
    made.append(PageRow(Cell(**cell_record(id="L9-z", chemistry="auto"))))
    return made


def test_each_cell_with_its_values_stands_in_the_table_without_any_script(rows: list[PageRow]) -> None:
    reader = read(build_page(rows))
    text = "".join(reader.text).replace("\u202f", " ")
    for part in (
        "L3-a",
        "L4-b",
        "L9-z",
        "1 983 ± 12",
        "63.1 ± 1.8",
        "steady duty",
        "Li-ion 4.20 V",
        "chemistry not known",
    ):
        assert part in text
    assert [tag for tag, _ in reader.elements].count("tr") == 5


def test_text_from_outside_stays_text(rows: list[PageRow]) -> None:
    page = build_page(rows, title=EVIL, note='<img src="x" onerror="alert(1)">', outliers=[EVIL], made="</footer><b>")
    reader = read(page)
    assert EVIL not in page
    assert len(reader.scripts) == 2
    assert EVIL in json.loads(reader.scripts[0])["curves"][1]["name"]
    for tag, attributes in reader.elements:
        assert tag not in ("img", "iframe", "object", "b")
        assert not any(name.startswith("on") or name == "style" for name in attributes), (tag, attributes)


@pytest.mark.parametrize("text", ["</script>", "<!--<script>", "]]>", "\u2028", "&lt;", "\\u003c"])
def test_data_cannot_leave_its_script_element(text: str) -> None:
    written = script_json({"a": text})
    assert not re.search(r"[<>&\u2028\u2029]", written)
    assert json.loads(written) == {"a": text}


def test_nothing_is_fetched_from_anywhere(rows: list[PageRow]) -> None:
    page = build_page(rows)
    reader = read(page)
    for tag, attributes in reader.elements:
        assert tag != "link"
        assert not {"src", "href", "srcset", "action", "formaction"} & set(attributes), tag
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", page))
    assert addresses == {"http://www.w3.org/2000/svg"}  # a name, never fetched
    assert "url(" not in page
    assert "@import" not in page


def test_content_policy_names_the_one_script_and_style_by_digest(rows: list[PageRow]) -> None:
    page = build_page(rows)
    reader = read(page)
    style = page.split("<style>")[1].split("</style>")[0]
    policy = next(a["content"] for tag, a in reader.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy == content_policy(reader.scripts[1], style)
    assert "unsafe" not in str(policy)


def test_controls_have_labels_and_sorting_is_by_buttons(rows: list[PageRow]) -> None:
    reader = read(build_page(rows))
    headings = [a for tag, a in reader.elements if tag == "th" and a.get("scope") == "col"]
    assert [tag for tag, _ in reader.elements].count("button") == len(headings) - 1
    boxes = [a for tag, a in reader.elements if tag == "input" and a.get("type") == "checkbox"]
    assert len(boxes) == 3
    assert all(a.get("aria-label") for a in boxes)
    assert any(a.get("lang") == "en" for tag, a in reader.elements if tag == "html")


def contrast(one: str, two: str) -> float:
    # Source: WCAG 2.1, definitions of relative luminance and contrast ratio (common practice, from memory).
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_colours_of_text_and_curves_have_enough_contrast() -> None:
    from amphora.harness.report.comparison_chart import LOOKS

    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for colour in ("#1c2b33", "#4d5d66", "#1f5f6b"):
        assert contrast(colour, "#ffffff") >= 4.5
        assert contrast(colour, "#f1f5f6") >= 4.5
    assert all(contrast(colour, "#ffffff") >= 3 for colour, _, _ in LOOKS)
    assert len({dash for _, dash, _ in LOOKS}) >= 6  # told apart in grey as well


def test_two_hundred_cells_stay_below_three_megabytes(rows: list[PageRow]) -> None:
    many = [
        PageRow(Cell(**cell_record(id=f"L{n}")), rows[0].compared, rows[0].result, rows[0].curve) for n in range(200)
    ]
    assert len(build_page(many).encode("utf-8")) < 3_000_000


def test_no_cell_or_no_curve_still_makes_a_page() -> None:
    assert "<tbody></tbody>" in build_page([])
    assert "Discharge curves" not in build_page([PageRow(Cell("x"), result=None, curve=[(float("nan"), 1.0)])])


def test_equal_input_gives_equal_text(rows: list[PageRow]) -> None:
    assert build_page(rows) == build_page(rows)


def test_the_page_stands_alone_on_disk(rows: list[PageRow], tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text(build_page(rows), encoding="utf-8")
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


@pytest.mark.parametrize("changes", [{"start": "unknown"}, {"reached_cutoff": False}])
def test_a_capacity_that_does_not_count_stands_in_brackets(rows: list[PageRow], changes: dict[str, Any]) -> None:
    result = result_of(rows[0].result, **changes)
    page = build_page([PageRow(rows[0].cell, rows[0].compared, result, rows[0].curve)])
    assert ">(1\u202f983 ± 12)<span" in page
    assert f"> {'left in it' if 'start' in changes else 'at least'}</span>" in page
    assert ">1\u202f983 ± 12</td>" in build_page(rows)
    assert ">(7." in page and ">(7." not in build_page(rows)  # nor does its energy


def test_cells_of_the_simulated_bench_are_told(rows: list[PageRow]) -> None:
    one = dataclasses.replace(rows[0], simulated=True)
    page = build_page([one, *rows[1:]])
    assert "1 of these 4 are no real cells" in page
    assert page.count('<span class="remark"> simulated</span>') == 1
    whole = build_page([dataclasses.replace(row, simulated=True) for row in rows])
    assert "</strong> these are no real cells" in whole and 'remark"> simulated' not in whole
    assert "no real cell" not in build_page(rows)


@pytest.mark.parametrize(
    ("state", "words"), [("quarantined", "in quarantine: do not use"), ("retired", "retired: do not use")]
)
def test_a_cell_not_to_be_used_is_told_beside_its_name(rows: list[PageRow], state: str, words: str) -> None:
    page = build_page([dataclasses.replace(rows[0], cell=dataclasses.replace(rows[0].cell, state=state)), *rows[1:]])
    assert page.count(words) == 1
    assert "do not use" not in build_page(rows)


@pytest.mark.parametrize(
    ("state", "shown"), [("in", "63.1 ± 1.8 (leads in)<"), ("out", "63.1 ± 1.8<"), (None, "(leads?)<")]
)
def test_a_resistance_says_when_leads_are_in_it(rows: list[PageRow], state: str | None, shown: str) -> None:
    result = result_of(rows[0].result, leads={"state": state} if state else None)
    assert shown in build_page([dataclasses.replace(rows[0], result=result)])


def test_a_report_takes_the_state_from_the_register_and_the_simulation_from_the_run(tmp_path: Path) -> None:
    bench = {"name": "x", "instruments": {"load": {"role": "load", "identity": "AMPHORA SIM,LOAD,1,1"}}}
    folder = write_run(tmp_path, bench=bench)
    (folder.parent / "cell.json").write_text(json.dumps({"id": "L3-a", "state": "quarantined"}), encoding="utf-8")
    page, _ = make_report([folder])
    assert "in quarantine: do not use" in page and "these are no real cells" in page


def test_a_resistance_stands_at_20_degC_beside_what_was_measured(rows: list[PageRow]) -> None:
    at = AtTemperature(0.0594, 0.0021, 20.0, 14.2, "prior")
    cold = dataclasses.replace(rows[0], compared=dataclasses.replace(rows[0].compared, resistance_at=at))
    page = build_page([cold])
    assert "59.4 ± 2.1" in page and "at 20 °C; 63.1 ± 1.8 at 14 °C" in page
    assert "at 20 °C" not in build_page([rows[0]])
