"""The comparison page as a person meets it: by keyboard, by mouse, on a narrow screen, on paper, without scripts."""

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from paper_runs import analyse, cell_record, run_input, write_run

from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.report.comparison_page import build_page
from amphora.harness.report.comparison_rows import PageRow

EVIL = "<script>alert(1)</script>"
Opened = Callable[..., Any]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = write_run(tmp_path_factory.mktemp("logs"))
    result, curve = analyse(folder), run_input(folder).curve
    rows = []
    for n, name in enumerate(("L3-a", EVIL, "L10-b", "L2-c")):
        changed = dataclasses.replace(result, capacity_Ah=(result.capacity_Ah or 0.0) * (1 - n / 10))
        compared = ComparedRow(
            cell=name, run="x", capacity_Ah=changed.capacity_Ah, capacity_U_Ah=0.012,
            resistance_ohm=0.06, grade=("steady duty", "bench only")[n % 2], rank=n + 1, tied_with=(),
        )  # fmt: skip
        rows.append(PageRow(Cell(**cell_record(id=name)), compared, changed, [(q * (1 - n / 10), v) for q, v in curve]))
    rows.append(PageRow(Cell(**cell_record(id="L9-z"))))
    path = tmp_path_factory.mktemp("page") / "cells.html"
    path.write_text(build_page(rows, "Cells of the path lights"), encoding="utf-8")
    return path.as_uri()


def order(page: Any) -> list[str]:
    return list(page.locator("tbody tr:visible th[scope=row]").all_inner_texts())


def test_nothing_leaves_the_machine_and_no_text_becomes_a_script(open_page: Opened, address: str) -> None:
    page = open_page(address)
    page.wait_for_selector("#readout li")
    assert page.left == []
    assert page.said == []
    assert EVIL in order(page)


def test_sorts_by_mouse_both_ways_and_says_so(open_page: Opened, address: str) -> None:
    page = open_page(address)
    button = page.get_by_role("button", name="Capacity, mAh")
    button.click()
    assert order(page) == ["L2-c", "L10-b", EVIL, "L3-a", "L9-z"]
    assert page.locator("th[aria-sort=ascending]").inner_text().startswith("Capacity")
    button.click()
    assert order(page) == ["L3-a", EVIL, "L10-b", "L2-c", "L9-z"]  # the unknown stays last
    assert page.locator("th[aria-sort]").count() == 1
    assert "falling" in page.locator("#status").inner_text()


def test_sorts_by_keyboard_alone_with_numbers_in_names_in_order(open_page: Opened, address: str) -> None:
    page = open_page(address)
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Cell":
            break
    page.keyboard.press("Enter")
    assert order(page) == [EVIL, "L2-c", "L3-a", "L9-z", "L10-b"]
    page.keyboard.press("Space")
    assert order(page) == ["L10-b", "L9-z", "L3-a", "L2-c", EVIL]


def test_filters_by_words_and_by_grade(open_page: Opened, address: str) -> None:
    page = open_page(address)
    page.get_by_label("Find").fill("L2 bench")
    assert order(page) == ["L2-c"]
    assert "1 of 5" in page.locator("#status").inner_text()
    page.get_by_label("Find").fill("")
    page.get_by_label("Grade").select_option("steady duty")
    assert order(page) == ["L3-a", "L10-b"]


def test_curves_are_read_out_by_pointing_and_by_slider(open_page: Opened, address: str) -> None:
    page = open_page(address)
    assert page.locator("#lines polyline").count() == 4
    box = page.locator("#curves").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + box["height"] / 2)
    pointed = page.locator("#readout").inner_text()
    assert "L3-a" in pointed
    assert " V" in pointed
    slider = page.get_by_label("Read the curves at a charge")
    slider.focus()
    page.keyboard.press("Home")
    assert "after 0 mAh" in page.locator("#readout").inner_text()
    assert "L3-a 4.100 V" in page.locator("#readout").inner_text()
    assert slider.get_attribute("aria-valuetext") == "0 milliampere-hours given"
    page.keyboard.press("ArrowRight")
    assert "after 0 mAh" not in page.locator("#readout").inner_text()


def test_a_curve_can_be_taken_off(open_page: Opened, address: str) -> None:
    page = open_page(address)
    page.get_by_label("show the curve of L10-b").press("Space")
    assert page.locator("#lines polyline").count() == 3
    assert "L10-b" not in page.locator("#readout").inner_text()


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_no_screen_makes_the_page_itself_scroll_sideways(open_page: Opened, address: str, width: int) -> None:
    page = open_page(address, width=width)
    assert page.evaluate("document.scrollingElement.scrollWidth") <= width


def test_accessibility_check_finds_nothing(open_page: Opened, address: str, violations: Any) -> None:
    assert violations(open_page(address)) == []
    assert violations(open_page(address, width=390)) == []


def test_on_paper_the_controls_are_gone_and_the_curves_are_there(
    open_page: Opened, address: str, tmp_path: Path
) -> None:
    page = open_page(address)
    page.emulate_media(media="print")
    assert not page.locator("#find").is_visible()
    assert not page.locator("#at").is_visible()
    assert page.locator("#lines polyline").count() == 4
    page.pdf(path=str(tmp_path / "print.pdf"))
    assert (tmp_path / "print.pdf").stat().st_size > 5000


def test_without_scripts_table_and_first_curves_are_still_there(open_page: Opened, address: str) -> None:
    page = open_page(address, scripts=False)
    assert order(page) == ["L3-a", EVIL, "L10-b", "L2-c", "L9-z"]
    assert page.locator("#lines polyline").count() == 4


def test_two_hundred_cells_sort_and_filter(open_page: Opened, tmp_path: Path) -> None:
    folder = write_run(tmp_path / "logs")
    result, curve = analyse(folder), run_input(folder).curve
    rows = [
        PageRow(Cell(**cell_record(id=f"L{n}")), ComparedRow(rank=n + 1, grade="x"), result, curve) for n in range(200)
    ]
    path = tmp_path / "many.html"
    path.write_text(build_page(rows), encoding="utf-8")
    page = open_page(path.as_uri())
    page.evaluate(
        "() => { document.querySelectorAll('th button')[1].click();"
        " const f = document.getElementById('find'); f.value = 'L19'; f.dispatchEvent(new Event('input')); }"
    )
    assert page.locator("tbody tr:visible").count() == 11
