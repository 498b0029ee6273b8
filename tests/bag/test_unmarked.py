"""An unmarked cell in the queue ends in an answer or in one named question to a person, never in a circle."""

from pathlib import Path

import pytest

from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bays import Bays
from amphora.harness.cells.cell import Cell
from amphora.harness.queue.course import load_course
from amphora.harness.queue.knowledge import Knowledge

CHARGE = load_course("one-night").stages[0]
LIKELY = {"chemistry": "li-ion", "confidence": "likely"}


def refused(tmp_path: Path, **more: object) -> str:
    data = {"id": "u1", "form": "18650", "as_found_V": 3.31, "declared_rechargeable": True,
            "inspection": {"swelling": "none"}, **more}  # fmt: skip
    Shelf(tmp_path).add(Cell.from_dict(data))
    return Knowledge(tmp_path, Bays("hall", "hall.toml", {}, None, None, {}, True)).refused("u1", CHARGE)


def test_one_found_at_3_31_V_is_kept_apart_with_the_commands_that_name_it(tmp_path: Path) -> None:
    """The client's own case. Beside it the same cell once it was named."""
    why = refused(tmp_path)
    commands = ("run --cell u1 --profile identify --present`", "identify u1 --save`", "queue add u1`")
    assert [why.index(f"amphora {words}") for words in commands] == sorted(why.index(f"amphora {w}") for w in commands)
    assert why.count("question") == 1


@pytest.mark.parametrize("chemistry", ["li-ion", "lfp"])
def test_one_that_was_named_goes_on(tmp_path: Path, chemistry: str) -> None:
    assert refused(tmp_path, chemistry=chemistry, as_found_V=3.2) == ""
    sure = {"chemistry": chemistry, "confidence": "sure"}
    assert refused(tmp_path / "by-run", identified=sure) == ""


def test_one_that_no_run_can_name_waits_with_one_question(tmp_path: Path) -> None:
    why = refused(tmp_path, identified=LIKELY)
    assert why.count("The question:") == 1 and "cell edit u1 --chemistry li-ion" in why and "retired" in why


def test_one_that_nobody_declared_rechargeable_says_how_to(tmp_path: Path) -> None:
    assert "amphora cell check u1 --rechargeable" in refused(tmp_path, declared_rechargeable=False)
