"""The certificate keeps to its pages: at most twice those asked for, whatever names, notes and runs it has to carry."""

import copy
import datetime
import io
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from paper_runs import GRADE, run_input, write_run
from pypdf import PdfReader

from amphora.harness.report.certificate import page as sheet
from amphora.harness.report.certificate import stated
from amphora.harness.report.certificate.body import Certificate
from amphora.harness.report.certificate.statement import Issue, certificate_of

ISSUE = Issue(datetime.date(2026, 11, 25), operator="Mara Lindqvist")
PUBLIC = bytes(range(32))
PIECES = (
    "W", "x", "i", "a b ", "-", "电池 ", "가나다", "ไทยไม่มีช่องว่าง", "م", "ﷺ", "कोशिका ", "\U0001f50b",
    "Z\u0301\u0302\u0303\u0304\u0305",
    "neben dem Gewächshaus, drittes Feld von links, ",
)  # fmt: skip


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return certificate_of([run_input(write_run(tmp_path_factory.mktemp("logs")))], ISSUE, GRADE).to_json()


def filled(data: dict[str, Any], text: str, runs: int, pages: int) -> dict[str, Any]:
    """A certificate's data with the same text in every place that a person or a file fills."""
    full = copy.deepcopy(data)
    for name in ("id", "form", "source", "markings", "condition", "notes"):
        full["item"][name] = text
    full["issuer"] = dict.fromkeys(full["issuer"], text)
    one = full["runs"][0]
    full["runs"] = []
    for n in range(runs):
        run = copy.deepcopy(one)
        run["run_id"], run["profile"], run["started_utc"] = f"{text[:90]}/{n}{text[:90]}", text, f"2026-11-{n + 1:02d}T"
        run["warnings"] = [f"{n}.{k} {text}" for k in range(8)]
        run["deviations"] = [*run["deviations"], *(f"{n}.{k} {text}" for k in range(4))]
        run["instruments"] = [{"name": text, "role": "load", "identity": text}] * 3
        for item in run["results"]["resistances"]:
            item["method"] = text
        run["budget"] = [{**run["budget"][0], "name": text, "note": text}] * 20
        full["runs"].append(run)
    full["grade"]["rule"] = full["grade"]["grade"] = text
    full["pages"] = pages
    return full


def pages_of(data: dict[str, Any]) -> bytes:
    return sheet.render(Certificate.from_json(data), b"{}", PUBLIC)


def looked_at(made: bytes) -> tuple[int, bool]:
    """Return how many pages there are, and whether all letters stand within the margins."""
    inside = True
    for page in pypdfium2.PdfDocument(made):
        words, wide = page.get_textpage(), page.get_width()
        margin = 17 / 25.4 * 72
        for n in range(words.count_chars()):
            left, _, right, _ = words.get_charbox(n)
            inside = inside and left >= margin - 4 and right <= wide - margin + 4
    return len(PdfReader(io.BytesIO(made)).pages), inside


@pytest.mark.parametrize("pages", [1, 2])
@pytest.mark.parametrize("runs", [1, 3, 12])
def test_all_places_full_and_many_runs_take_the_pages_asked_for(data: dict[str, Any], runs: int, pages: int) -> None:
    text = (PIECES[-1] * 30)[:1200]
    made, inside = looked_at(pages_of(filled(data, text, runs, pages)))
    assert pages <= made <= 2 * pages
    assert inside


@pytest.mark.parametrize("pieces", [PIECES[:4], PIECES[5:9], PIECES[9:11], PIECES[12:]])
def test_no_script_and_no_long_word_leaves_the_page(data: dict[str, Any], pieces: tuple[str, ...]) -> None:
    text = " ".join((piece * 60)[:60] for piece in pieces)
    made, inside = looked_at(pages_of(filled(data, text, 1, 1)))
    assert made <= 2
    assert inside


def test_the_body_is_set_in_eight_point_at_least(data: dict[str, Any]) -> None:
    """But for the axes of the plots, whose letters are pictures' own."""
    for full in (data, filled(data, (PIECES[-1] * 30)[:600], 4, 1)):
        sizes: dict[float, int] = {}
        for page in pypdfium2.PdfDocument(pages_of(full)):
            words = page.get_textpage()
            for n in range(words.count_chars()):
                size = round(pypdfium2.raw.FPDFText_GetFontSize(words, n), 1)
                sizes[size] = sizes.get(size, 0) + 1
        small = {size: count for size, count in sizes.items() if 1.0 < size < 7.95}
        assert sum(small.values()) < 0.05 * sum(sizes.values()), small
        assert max(small, default=8.0) >= 7.0 or not small


@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(text=st.text(max_size=300), runs=st.integers(1, 12), pages=st.integers(1, 2))
def test_any_text_at_all_stays_on_the_pages_asked_for(data: dict[str, Any], text: str, runs: int, pages: int) -> None:
    full = filled(data, stated.text(text), runs, pages)
    assert len(PdfReader(io.BytesIO(pages_of(full))).pages) in range(pages, 2 * pages + 1)


def test_a_text_that_was_cut_shows_it_and_runs_left_out_are_counted(data: dict[str, Any], tmp_path: Path) -> None:
    full = filled(data, (PIECES[-1] * 30)[:1200], 10, 1)
    made = pages_of(full)
    text = " ".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(made))
    assert "…" in text
    assert "earlier runs in the attached data" in text
    assert "goes on in the attached data" in " ".join(text.split())
