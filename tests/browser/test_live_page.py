"""The live page in a browser: shows the run, follows it, fits a phone, and asks nobody else."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paper_runs import cell_record, write_run

from amphora.harness.report import live_page as livepage

Opened = Callable[..., Any]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = write_run(tmp_path, cell=cell_record(id="L3-a"))
    lines = (made / "samples.csv").read_text().splitlines(keepends=True)
    (made / "samples.csv").write_text("".join(lines[:300]))
    begun = {"kind": "step-begun", "t_s": 0, "utc": "2026-11-24T21:00:00Z", "step": 0, "name": "discharge to 3.00 V"}
    person = {"kind": "person", "t_s": 1, "utc": "2026-11-24T21:00:01Z", "text": "<img src=x onerror=alert(1)>"}
    (made / "events.jsonl").write_text(json.dumps(begun) + "\n" + json.dumps(person) + "\n")
    return made


@pytest.fixture
def server(folder: Path) -> Iterator[livepage.LiveServer]:
    served = livepage.start(folder)
    yield served
    served.shutdown()
    served.server_close()


def test_shows_the_run_as_text_and_asks_nobody_else(open_page: Opened, server: livepage.LiveServer) -> None:
    page = open_page(server.url)
    page.wait_for_selector("#curve polyline", state="attached")
    assert page.locator("#cell").inner_text() == "L3-a"
    assert page.locator("#step").inner_text() == "discharge to 3.00 V"
    assert page.locator("#current").inner_text() == "-0.500"
    assert "<img src=x" in page.locator("#events").inner_text()
    drawn = page.locator("#curve text").all_text_contents()
    assert "voltage, V" in drawn and "time, h" in drawn
    assert page.left == []
    assert [text for text in page.said if "favicon" not in text and "404" not in text] == []


def test_follows_the_run_to_its_end(open_page: Opened, server: livepage.LiveServer, folder: Path) -> None:
    page = open_page(server.url)
    page.wait_for_selector("#curve polyline", state="attached")
    with (folder / "samples.csv").open("a") as stream:
        stream.write("14400,0,2.987,0,25\n")
    with (folder / "events.jsonl").open("a") as stream:
        stream.write(json.dumps({"kind": "stopped", "t_s": 14400, "utc": "", "reason": "cutoff"}) + "\n")
    page.locator("#state", has_text="ended: cutoff").wait_for(timeout=8000)
    assert page.locator("#voltage").inner_text() == "2.987"


def test_a_lost_connection_is_said_and_is_not_the_end_of_the_run(
    open_page: Opened, server: livepage.LiveServer
) -> None:
    page = open_page(server.url)
    page.wait_for_selector("#curve polyline", state="attached")
    page.route("**/data", lambda route: route.abort())
    page.get_by_text("lost its connection").wait_for(timeout=8000)
    assert "cannot say how the run stands" in page.locator("#state").inner_text()


@pytest.mark.parametrize("width", [320, 390])
def test_fits_a_phone(open_page: Opened, server: livepage.LiveServer, width: int) -> None:
    page = open_page(server.url, width=width, height=740)
    page.wait_for_selector("#curve polyline", state="attached")
    assert page.evaluate("document.scrollingElement.scrollWidth") <= width
    box = page.locator("#voltage").bounding_box()
    assert box["y"] < 740  # the voltage is seen without scrolling


def test_accessibility_check_finds_nothing(open_page: Opened, server: livepage.LiveServer, violations: Any) -> None:
    page = open_page(server.url)
    page.wait_for_selector("#curve polyline", state="attached")
    assert violations(page) == []


def test_shared_by_token_the_page_works_below_it(open_page: Opened, folder: Path) -> None:
    served = livepage.start(folder, token="a-token-of-the-hall")
    try:
        page = open_page(served.url)
        page.wait_for_selector("#curve polyline", state="attached")
        assert "/a-token-of-the-hall/" in page.url
    finally:
        served.shutdown()
        served.server_close()
