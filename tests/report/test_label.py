"""Labels: what they say, that it fits, and that a printer of 203 dots an inch keeps it readable."""

import itertools
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from paper_runs import analyse, write_run
from paper_runs import cell_record as record_of

from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.report import label


def cell_record(**changes: Any) -> Cell:
    return Cell.from_dict(record_of(**changes))


@pytest.fixture
def content(tmp_path: Path) -> label.Label:
    return label.label_content(cell_record(), analyse(write_run(tmp_path)), "steady duty")


def shown(pdf: bytes, page: int = 0) -> str:
    return pypdfium2.PdfDocument(pdf)[page].get_textpage().get_text_bounded().replace("\u202f", " ")


def test_a_label_says_id_capacity_resistance_grade_chemistry_and_date(content: label.Label) -> None:
    text = shown(label.make_labels([content], label.size_mm("card")))
    for part in (
        "L3-a",
        "1 983 ± 12 mAh",
        "63.1 ± 1.8 mΩ (leads?, 10 s, 22 °C)",
        "steady duty",
        "Li-ion 4.20 V",
        "2026-11-24",
    ):
        assert part in text


def test_strip_keeps_all_of_it(content: label.Label) -> None:
    text = shown(label.make_labels([content], label.size_mm("strip")))
    for part in ("L3-a", "1 983 ± 12 mAh · Li-ion 4.20 V", "63.1 ± 1.8 mΩ", "steady duty", "2026-11-24"):
        assert part in text
    assert "…" not in text


@pytest.mark.parametrize("size", [*label.SIZES_MM, "30x10", "50x30", "100x60"])
def test_qr_code_is_read_at_203_dots_an_inch(content: label.Label, size: str) -> None:
    pdf = label.make_labels([content], label.size_mm(size))
    picture = pypdfium2.PdfDocument(pdf)[0].render(scale=203 / 72, grayscale=True).to_pil()
    dots = picture.point(lambda level: 255 if level > 127 else 0)  # a thermal printer knows no grey
    codes = zxingcpp.read_barcodes(dots)
    assert len(codes) == 1
    assert "L3-a" in codes[0].text


@pytest.mark.parametrize("size", list(label.SIZES_MM))
def test_no_text_is_smaller_than_five_and_a_half_points(content: label.Label, size: str) -> None:
    # 5.5 points are 15 dots at 203 dots an inch; cap height about 11 dots
    page = pypdfium2.PdfDocument(label.make_labels([content], label.size_mm(size)))[0].get_textpage()
    import pypdfium2.raw as raw

    sizes = [raw.FPDFText_GetFontSize(page.raw, n) for n in range(page.count_chars())]
    assert min(s for s in sizes if s > 1) >= 5.5 - 1e-6


def test_a_capacity_from_an_unknown_start_is_not_on_the_label(tmp_path: Path) -> None:
    item = label.label_content(cell_record(), analyse(write_run(tmp_path, start="unknown")))
    text = shown(label.make_labels([item], label.size_mm("card")))
    assert "capacity not known" in text
    assert "mAh" not in text
    assert "mAh" not in item.payload


@pytest.mark.parametrize("size", list(label.SIZES_MM))
def test_declared_full_is_on_every_size(tmp_path: Path, size: str) -> None:
    item = label.label_content(cell_record(), analyse(write_run(tmp_path, start="declared-full")))
    assert "declared full" in shown(label.make_labels([item], label.size_mm(size)))


def test_a_cell_never_run_gets_a_label_without_numbers() -> None:
    text = shown(label.make_labels([label.label_content(cell_record(), None)], label.size_mm("tag")))
    assert "capacity not known" in text


@pytest.mark.parametrize("size", list(label.SIZES_MM))
def test_a_long_id_is_cut_inside_its_label(tmp_path: Path, size: str) -> None:
    name = "the cell out of the light behind the greenhouse, third field, back path, under the oak tree"
    cell = replace(cell_record(), id=name)
    item = label.label_content(cell, analyse(write_run(tmp_path)))
    width, height = label.size_mm(size)
    sheet = label.make_labels([item, item], (width, height), label.Sheet(1, 2))
    page = pypdfium2.PdfDocument(sheet)[0]
    text = page.get_textpage()
    left = (210 - width) / 2 / 25.4 * 72
    for n in range(text.count_chars()):
        x0, _, x1, _ = text.get_charbox(n)
        assert x0 >= left - 0.5
        assert x1 <= left + width / 25.4 * 72 + 0.5
    assert "…" in text.get_text_bounded()


def test_a_sheet_of_24_is_one_page(content: label.Label) -> None:
    pdf = label.make_labels([content] * 24, label.size_mm("card"), label.Sheet(3, 8))
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 1
    assert shown(pdf).count("L3-a") == 24


def first_place_mm(sheet: label.Sheet, content: label.Label) -> tuple[float, float]:
    page = pypdfium2.PdfDocument(label.make_labels([content], (60, 30), sheet))[0]
    x0, _, _, top = page.get_textpage().get_charbox(0)
    return x0 / 72 * 25.4, (page.get_height() - top) / 72 * 25.4


def test_places_used_are_skipped_and_offsets_move_every_label(content: label.Label) -> None:
    plain = label.Sheet(3, 8, left_mm=5, top_mm=10, gap_x_mm=2, gap_y_mm=3)
    x, y = first_place_mm(plain, content)
    moved = label.Sheet(3, 8, left_mm=5, top_mm=10, gap_x_mm=2, gap_y_mm=3, skip=4, shift_x_mm=1.5, shift_y_mm=-0.5)
    moved_x, moved_y = first_place_mm(moved, content)
    assert moved_x - x == pytest.approx(62 + 1.5, abs=0.05)  # place 4 is the second of the second row
    assert moved_y - y == pytest.approx(33 - 0.5, abs=0.05)


def test_labels_go_on_to_the_next_sheet(content: label.Label) -> None:
    pdf = label.make_labels([content] * 5, (60, 30), label.Sheet(2, 2, skip=2))
    document = pypdfium2.PdfDocument(pdf)
    assert [shown(pdf, n).count("L3-a") for n in range(len(document))] == [2, 3]


@pytest.mark.parametrize("text", ["huge", "10x5", "300x20", "45", "nanxnan", "-45x25"])
def test_a_size_that_is_none_is_refused_with_what_is_accepted(text: str) -> None:
    with pytest.raises(InputError, match="strip, tag, card"):
        label.size_mm(text)


def test_labels_that_do_not_fit_their_page_are_refused(content: label.Label) -> None:
    with pytest.raises(InputError, match="more than the page"):
        label.make_labels([content], (70, 36), label.Sheet(4, 8))
    with pytest.raises(InputError, match="accepted: 0 to 23"):
        label.make_labels([content], (70, 36), label.Sheet(3, 8, skip=24))


@pytest.mark.parametrize(
    ("text", "option"), [("1", "--gap"), ("a,b", "--shift"), ("1,2,3", "--first"), ("nan,1", "--gap")]
)
def test_two_lengths_are_two_numbers(text: str, option: str) -> None:
    with pytest.raises(InputError, match=option):
        label.pair(text, option)


def test_equal_labels_are_equal_bytes(content: label.Label) -> None:
    sheet = label.Sheet(3, 8)
    assert label.make_labels([content], (60, 30), sheet) == label.make_labels([content], (60, 30), sheet)


@pytest.mark.parametrize("size", list(label.SIZES_MM))
def test_a_simulated_cell_is_marked_as_such(tmp_path: Path, size: str) -> None:
    item = label.label_content(cell_record(), analyse(write_run(tmp_path)), "steady duty", simulated=True)
    assert "SIMULATED" in shown(label.make_labels([item], label.size_mm(size)))
    assert "SIMULATED" in item.payload


@pytest.mark.parametrize("size", list(label.SIZES_MM))
@pytest.mark.parametrize("simulated", [False, True])
@pytest.mark.parametrize("state", ["quarantined", "retired"])
def test_a_cell_not_to_be_used_says_so_first_and_shows_no_grade(
    tmp_path: Path, size: str, simulated: bool, state: str
) -> None:
    item = label.label_content(cell_record(state=state), analyse(write_run(tmp_path)), "steady duty", simulated)
    text = shown(label.make_labels([item], label.size_mm(size)))
    assert text.splitlines()[1].startswith("DO NOT USE")
    assert "steady duty" not in text
    assert f"DO NOT USE: {'quarantine' if state == 'quarantined' else state}" in item.payload


@pytest.mark.parametrize("size", [*label.SIZES_MM, "30x10"])
def test_the_smallest_code_still_names_the_cell(tmp_path: Path, size: str) -> None:
    record = cell_record(state="quarantined")
    item = label.label_content(record, analyse(write_run(tmp_path)), "steady duty", simulated=True)
    pdf = label.make_labels([item], label.size_mm(size))
    (code,) = zxingcpp.read_barcodes(pypdfium2.PdfDocument(pdf)[0].render(scale=406 / 72).to_pil())
    assert "L3-a" in code.text.split("\n")


@pytest.mark.parametrize("size", list(label.SIZES_MM))
@pytest.mark.parametrize("known", [True, False])
def test_the_voltage_class_is_not_cut_off_a_label(tmp_path: Path, size: str, known: bool) -> None:
    # a charger is chosen by it: 4.20 V or 3.65 V
    result = analyse(write_run(tmp_path, start="full" if known else "unknown"))
    item = label.label_content(cell_record(), result, None, simulated=True)
    text = shown(label.make_labels([item], label.size_mm(size)))
    assert "Li-ion 4.20 V" in text and "2026-11-24" in text


def test_labels_of_cells_on_the_shelf_by_command(tmp_path: Path) -> None:
    from amphora.harness.archive.shelf import Shelf

    logs = tmp_path / "logs"
    shelf = Shelf(logs)
    for name in ("L3-a", "L4-b"):
        shelf.add(Cell.from_dict({"id": name, "form": "18650", "chemistry": "li-ion"}))
    write_run(logs)
    out = tmp_path / "labels.pdf"
    command = [
        "label",
        "L3-a",
        "L4-b",
        "--logs",
        str(logs),
        "--size",
        "card",
        "--sheet",
        "3x8",
        "--out",
        str(out),
        "--json",
    ]
    done = subprocess.run(
        [sys.executable, "-c", "from amphora.harness.cli.app import main; main()", *command],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["cells"] == ["L3-a", "L4-b"]
    text = shown(out.read_bytes())
    assert "1 982 ±" in text
    assert "capacity not known" in text


@pytest.mark.parametrize("size", list(label.SIZES_MM))
@pytest.mark.parametrize("simulated", [False, True])
@pytest.mark.parametrize("state", ["found", "retired"])
def test_a_warning_is_the_largest_and_no_line_runs_into_another(
    tmp_path: Path, size: str, simulated: bool, state: str
) -> None:
    noted = {"at": "2026-11-25T08:00:00Z", "kind": "state", "state": "retired", "text": "bulged"}
    run = analyse(write_run(tmp_path), capacity_item_U_Ah=0.02)
    item = label.label_content(cell_record(state=state, entries=[noted]), run, "steady duty", simulated)
    width, height = label.size_mm(size)
    page = pypdfium2.PdfDocument(label.make_labels([item], (width, height)))[0]
    text = page.get_textpage()
    boxes = sorted((text.get_rect(n) for n in range(text.count_rects())), key=lambda box: -box[3])
    assert all(box[1] >= 0 and box[3] <= height / 25.4 * 72 for box in boxes)
    rows = [[boxes[0]]]
    for box in boxes[1:]:  # pieces of one line share most of their height
        same = min(box[3], rows[-1][0][3]) - max(box[1], rows[-1][0][1]) > 0.5 * (box[3] - box[1])
        rows[-1].append(box) if same else rows.append([box])
    for upper, lower in itertools.pairwise(rows):
        assert min(b[1] for b in upper) > max(b[3] for b in lower) - 0.8, (upper, lower)
    if state == "retired":
        said = shown(label.make_labels([item], (width, height)))
        assert "bulged" in said and "not known" not in said
        heights = {text.get_text_bounded(*row[0])[:6]: max(b[3] - b[1] for b in row) for row in rows}
        assert max(heights, key=lambda head: heights[head]) == "DO NOT"
