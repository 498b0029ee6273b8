"""Promises about two at once: one channel, one folder, one run; in real processes."""

import signal
from pathlib import Path
from typing import Any

import pytest
from programs import Served, wait_for

from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.locks import acquire_folder

CELL = {"form": "18650", "chemistry": "li-ion", "declared_rechargeable": True, "as_found_V": 4.1}
NIGHT = ("--profile", "overnight", "--start", "declared-full", "--capacity", "0.5 Ah")
OPTIONS = ("--cell", "worn-out", "--speed-up", "60")


@pytest.fixture
def second(tmp_path: Path) -> Any:
    """Another bench like the first, with another cell just like it: other channels."""
    folder = tmp_path / "second"
    folder.mkdir()
    served = Served(folder, *OPTIONS)
    yield served
    served.end()


def folder_of(amphora: Any, cell: str) -> Path:
    found = [path for path in (amphora.logs / cell).glob("*") if path.is_dir()]
    assert len(found) == 1
    return found[0]


def begun(amphora: Any, cell: str) -> bool:
    found = [path for path in (amphora.logs / cell).glob("*-overnight") if (path / "events.jsonl").is_file()]
    return bool(found) and b'"ordered"' in (found[0] / "events.jsonl").read_bytes()


def test_one_channel_one_folder_one_run(serve: Any, amphora: Any, second: Served) -> None:
    first = serve(*OPTIONS)
    shelf = Shelf(amphora.logs)
    for name in ("a", "b"):
        shelf.add(Cell.from_dict({"id": name, **CELL}))
    running = amphora.start("run", "--cell", "a", "--bench", str(first.bench), *NIGHT)
    try:
        wait_for(lambda: begun(amphora, "a"))
        folder = folder_of(amphora, "a")

        # A second run on the channels of the first: refused by name, and it leaves no folder.
        refused = amphora.call("run", "--cell", "b", "--bench", str(first.bench), *NIGHT, code=4)
        assert f"process {running.pid}" in refused.stderr and "is in use" in refused.stderr
        assert not [path for path in (amphora.logs / "b").glob("*") if path.is_dir()]

        # The same run gone on with during the run: on its own bench the channel says no, on another the folder.
        refused = amphora.call("resume", str(folder), "--bench", str(first.bench), code=4)
        assert "is in use" in refused.stderr
        events = len((folder / "events.jsonl").read_bytes().splitlines())
        refused = amphora.call("resume", str(folder), "--bench", str(second.bench), code=2)
        assert str(folder) in refused.stderr and f"process {running.pid}" in refused.stderr
        assert b'"resumed"' not in (folder / "events.jsonl").read_bytes()
        assert len((folder / "events.jsonl").read_bytes().splitlines()) >= events
        assert running.poll() is None, "the run itself was disturbed"
        check = amphora.json("bench", "check", "--bench", str(second.bench))
        assert check["instruments"]["load"]["setup"]["on"] is False
    finally:
        running.send_signal(signal.SIGTERM)
        running.communicate(timeout=180)
    assert running.returncode == 143


def test_of_two_that_go_on_with_one_run_at_once_one_is_refused(serve: Any, amphora: Any, second: Served) -> None:
    first = serve(*OPTIONS)
    Shelf(amphora.logs).add(Cell.from_dict({"id": "a", **CELL}))
    running = amphora.start("run", "--cell", "a", "--bench", str(first.bench), *NIGHT)
    wait_for(lambda: begun(amphora, "a"))
    running.send_signal(signal.SIGTERM)
    running.communicate(timeout=180)
    folder = folder_of(amphora, "a")
    both = [amphora.start("resume", str(folder), "--bench", str(one.bench)) for one in (first, second)]
    try:
        wait_for(lambda: any(one.poll() is not None for one in both))
        ended = [one for one in both if one.poll() is not None]
        assert len(ended) == 1
        _, err = ended[0].communicate()
        assert ended[0].returncode == 2 and "is in use" in err
        wait_for(lambda: b'"resumed"' in (folder / "events.jsonl").read_bytes())  # the other one goes on
    finally:
        for one in both:
            if one.poll() is None:
                one.send_signal(signal.SIGTERM)
                one.communicate(timeout=180)
    kinds = [event["kind"] for event in read_run(folder).events]
    assert kinds.count("resumed") == 1
    with acquire_folder(folder):  # nobody has it any more
        pass


def test_a_run_of_ones_own_recipe_lies_under_its_name(serve: Any, amphora: Any, tmp_path: Path) -> None:
    from tests.campaign.file_faults import RECIPE

    served = serve("--cell", "worn-out", "--speed-up", "300")
    Shelf(amphora.logs).add(Cell.from_dict({"id": "a", **CELL}))
    recipe = tmp_path / "mine.toml"
    recipe.write_text(RECIPE, encoding="utf-8")
    words = ("--profile", str(recipe), "--capacity", "0.5 Ah", "--start", "declared-full")
    done = amphora.json("run", "--cell", "a", "--bench", str(served.bench), *words)
    folder = Path(done["run"])
    assert folder.parent == amphora.logs / "a" and folder.name.endswith("-short")
    assert read_run(folder).run["profile"] == "short"
