"""The live page in a browser: shows the run, follows it, fits a phone, and asks nobody else."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from night_of_bays import night_of_bays, write_queue
from paper_runs import cell_record, write_run

from amphora.harness.report import live_page as livepage

Opened = Callable[..., Any]
TRACE = "#runs svg path.trace"


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
    page.wait_for_selector(TRACE, state="attached")
    assert page.locator("#title").inner_text() == "L3-a"
    assert "-500 mA" in page.locator("#runs").inner_text()
    assert "<img src=x" in page.locator("#events").inner_text()
    said = page.locator("#runs svg text").all_text_contents()
    assert any(text.endswith(" V") for text in said)
    assert said.count("00:00") <= 1, said  # a clock of several days shows the days
    assert page.left == []
    assert [text for text in page.said if "favicon" not in text and "404" not in text] == []


def test_follows_the_run_to_its_end(open_page: Opened, server: livepage.LiveServer, folder: Path) -> None:
    page = open_page(server.url)
    page.wait_for_selector(TRACE, state="attached")
    with (folder / "samples.csv").open("a") as stream:
        stream.write("14400,0,2.987,0,25\n")
    with (folder / "events.jsonl").open("a") as stream:
        stream.write(json.dumps({"kind": "stopped", "t_s": 14400, "utc": "", "reason": "cutoff"}) + "\n")
    page.locator(".sentence", has_text="ended: cutoff").wait_for(timeout=60000)
    assert "2.987 V" in page.locator("#runs").inner_text()


def test_a_lost_connection_is_said_and_is_not_the_end_of_the_run(
    open_page: Opened, server: livepage.LiveServer
) -> None:
    page = open_page(server.url)
    page.wait_for_selector(TRACE, state="attached")
    page.route("**/data", lambda route: route.abort())
    page.get_by_text("lost its connection").wait_for(timeout=60000)
    assert "cannot say how the runs stand" in page.locator("#urgent").inner_text()


def test_shared_by_token_the_page_works_below_it(open_page: Opened, folder: Path) -> None:
    served = livepage.start(folder, token="a-token-of-the-hall")
    try:
        page = open_page(served.url)
        page.wait_for_selector(TRACE, state="attached")
        assert "/a-token-of-the-hall/" in page.url
    finally:
        served.shutdown()
        served.server_close()


# -- all bays ----------------------------------------------------------------------------------------


@pytest.fixture
def bays(tmp_path: Path) -> Iterator[tuple[livepage.LiveServer, dict[str, Path]]]:
    with night_of_bays(tmp_path) as made:
        served = livepage.start(tmp_path, every=True)
        yield served, made
        served.shutdown()
        served.server_close()


Bays = tuple[livepage.LiveServer, dict[str, Path]]


def test_all_bays_stand_along_one_clock_and_what_is_dead_is_said_first(open_page: Opened, bays: Bays) -> None:
    page = open_page(bays[0].url, width=1920, height=1080)
    page.wait_for_selector(TRACE, state="attached")
    assert page.locator("#runs > li").count() == 6
    assert page.locator("#urgent").inner_text().startswith("Bay b, A08: the program is dead")
    nows = page.locator(".now").evaluate_all("lines => lines.map(line => Math.round(line.getBoundingClientRect().x))")
    assert len(nows) == 6 and len(set(nows)) == 1  # one clock: now stands at one place in all rows
    assert page.locator(".blind").count() == 1  # the gap of bay c is no line
    assert page.locator("#runs > li").nth(2).locator("path.trace").count() == 2
    clock = page.locator("#clock").inner_text()
    assert "AM" not in clock.upper() and "PM" not in clock.upper()


def test_a_runner_that_dies_is_said_within_seconds(open_page: Opened, bays: Bays) -> None:
    page = open_page(bays[0].url)
    page.wait_for_selector(TRACE, state="attached")
    lock = bays[1]["a"].with_name(f".{bays[1]['a'].name}.lock")
    lock.write_text(json.dumps({**json.loads(lock.read_text()), "started": 1.0}))
    page.locator("#urgent", has_text="Bay a, A07: the program is dead").wait_for(timeout=60000)


def test_the_current_stands_below_the_voltage_and_a_gap_is_no_current(open_page: Opened, bays: Bays) -> None:
    page = open_page(bays[0].url)
    page.wait_for_selector(TRACE, state="attached")
    assert page.locator("#runs > li").nth(0).locator("path.amps").count() == 1
    assert page.locator("#runs > li").nth(2).locator("path.amps").count() == 2  # bay c was not read for an hour
    heights = (
        page.locator("#runs > li")
        .nth(0)
        .locator("path.trace, path.amps")
        .evaluate_all(
            "paths => paths.map(path => [path.getBoundingClientRect().top, path.getBoundingClientRect().bottom])"
        )
    )
    assert heights[0][1] <= heights[1][0]  # never over each other
    assert "current between -0.40 and 0.00 ampere" in page.locator("#runs svg").nth(0).get_attribute("aria-label")


def test_what_hands_are_needed_when_stands_above_the_bays_and_what_comes_next_in_them(
    open_page: Opened, tmp_path: Path, violations: Any
) -> None:
    with night_of_bays(tmp_path):
        write_queue(tmp_path, "abcdef", datetime.now().astimezone(), hours="00:00-23:59")
        served = livepage.start(tmp_path, every=True)
        try:
            page = open_page(served.url)
            page.locator("#moments li", has_text="take B02 out of bay f; put B03 into bay f").wait_for(timeout=60000)
            assert "1 of 8 cells are through, done at about " in page.locator("#bag").inner_text()
            assert page.locator("#runs > li").nth(0).locator("rect.planned").count() == 1  # its storage charge
            assert page.evaluate("document.scrollingElement.scrollWidth") <= 1280
            assert violations(page) == []
        finally:
            served.shutdown()
            served.server_close()


def test_without_a_queue_nothing_is_said_of_hands(open_page: Opened, bays: Bays) -> None:
    page = open_page(bays[0].url)
    page.wait_for_selector(TRACE, state="attached")
    assert page.locator("#hands").is_hidden()


@pytest.mark.parametrize("width", [320, 390])
def test_all_bays_fit_a_phone(open_page: Opened, bays: Bays, width: int) -> None:
    page = open_page(bays[0].url, width=width, height=740)
    page.wait_for_selector(TRACE, state="attached")
    assert page.evaluate("document.scrollingElement.scrollWidth") <= width
    box = page.locator("#urgent").bounding_box()
    assert box["y"] + box["height"] < 740  # what is urgent is seen without scrolling


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessibility_check_finds_nothing(open_page: Opened, bays: Bays, violations: Any, scheme: str) -> None:
    page = open_page(bays[0].url)
    page.emulate_media(color_scheme=scheme)
    page.wait_for_selector(TRACE, state="attached")
    assert violations(page) == []
