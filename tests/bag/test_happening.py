"""What happened to a bag stands in its journal and comes back as it was; a line that says too little is named."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.common.errors import InputError
from amphora.harness.queue.happening import (
    KINDS,
    CellAdded,
    Happening,
    RunBegan,
    RunEnded,
    happening_of,
    happening_to_json,
)
from amphora.harness.queue.journal import NAME, QueueJournal
from tests.support.any_of_a_type import made

NOW = datetime(2026, 3, 13, 18, 0, tzinfo=UTC)


@settings(max_examples=60, deadline=None, database=None)
@given(st.one_of(*(made(kind) for kind in KINDS.values())))
def test_what_happened_comes_back_as_it_was(happening: Happening) -> None:
    data = json.loads(json.dumps({**happening_to_json(happening), "utc": NOW.isoformat(), "newer": 1}))
    read = happening_of(data)
    assert type(read) is type(happening)
    assert happening_to_json(read) == {**happening_to_json(happening), "utc": NOW.isoformat()}


def test_a_kind_that_a_newer_version_wrote_is_passed_over() -> None:
    assert happening_of({"kind": "washed", "utc": NOW.isoformat()}) is None


def test_lines_of_an_older_journal_are_read(tmp_path: Path) -> None:
    """As written before these were types: what is not said has its usual meaning."""
    old = [
        {"kind": "added", "utc": "2026-03-13T18:00:00+00:00", "cell": "A1", "course": "one-night"},
        {"kind": "began", "utc": "2026-03-13T18:01:00+00:00", "cell": "A1", "stage": 0, "bay": "a", "run": ""},
        {"kind": "ended", "utc": "2026-03-13T18:02:00+00:00", "cell": "A1", "stage": 0, "bay": "a",
         "reason": "instrument", "text": "no answer", "exit_code": 4, "run": "logs/A1/r", "final": False},
    ]  # fmt: skip
    (tmp_path / NAME).write_text("".join(json.dumps(line) + "\n" for line in old), encoding="utf-8")
    place = QueueJournal(tmp_path).refresh().places["A1"]
    assert (place.state, place.run, place.tries, place.pid, place.why) == ("paused", "logs/A1/r", 1, 0, "no answer")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ({"kind": "began", "utc": NOW.isoformat(), "cell": "A1", "stage": 0}, "RunBegan lacks bay"),
        ({"kind": "began", "utc": NOW.isoformat(), "cell": "A1", "stage": "0", "bay": "a"}, "RunBegan lacks stage"),
        ({"kind": "began", "utc": "yesterday", "cell": "A1", "stage": 0, "bay": "a"}, "yesterday"),
        ({"utc": NOW.isoformat()}, "does not say what happened and when"),
        ([], "is no event of the queue"),
    ],
)
def test_a_line_that_says_too_little_is_named_and_nothing_is_lost(tmp_path: Path, line: object, said: str) -> None:
    journal = QueueJournal(tmp_path)
    journal.append(CellAdded("A1", "one-night"), NOW)
    with (tmp_path / NAME).open("a", encoding="utf-8") as file:
        file.write(json.dumps(line) + "\n")
    before = (tmp_path / NAME).read_bytes()
    with pytest.raises(InputError, match=r"queue\.jsonl, line 2") as refused:
        QueueJournal(tmp_path).refresh()
    assert said in str(refused.value)
    assert (tmp_path / NAME).read_bytes() == before


def test_a_cell_that_is_in_no_bay_any_more_stops_none(tmp_path: Path) -> None:
    """Dropped and taken out while its run still ended: there is no bay to speak of."""
    journal = QueueJournal(tmp_path)
    journal.append(CellAdded("A1", "one-night"), NOW)
    journal.append(RunBegan("A1", 0, "a"), NOW)
    journal.append(RunEnded("A1", 0, None, "instrument", "no answer", safe=False, exit_code=4), NOW)
    assert dict(journal.room.bays) == {}
