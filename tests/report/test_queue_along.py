"""The queue beside the page: whose hands are needed when; nothing where there is no queue, or no bench it ran on."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from night_of_bays import night_of_bays, write_queue
from programs import wait_for

from amphora.harness.bench.bays import load_bays
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.supervisor import MomentShown, QueueShown
from amphora.harness.report.queue_along import MOST_MOMENTS, QueueAlong, planned
from amphora.harness.report.queue_text import render

NOW = datetime(2026, 3, 13, 19, 0, tzinfo=UTC)
USUAL_S = {"charge": 5 * 3600.0, "overnight": 7 * 3600.0, "storage": 2 * 3600.0}


def test_the_plan_says_who_has_to_do_what_when_and_what_comes_next_in_each_bay(tmp_path: Path) -> None:
    with night_of_bays(tmp_path, NOW):
        bays = load_bays(write_queue(tmp_path, "abcdef", NOW))
        said = planned(QueueJournal(tmp_path), bays, lambda cell, recipe: USUAL_S[recipe], NOW)
        turned = planned(
            QueueJournal(tmp_path), bays, lambda cell, recipe: USUAL_S[recipe], NOW,
            lambda cell, stage: "its wrapper is torn" if cell == "B03" else "",
        )  # fmt: skip
    assert "B03" not in str(turned) and "B04" in str(turned)  # what the gate refuses is not waited for
    first = said["hands"][0]
    assert first == {"at": "2026-03-13T19:00+00:00", "what": "take B02 out of bay f; put B03 into bay f"}
    assert len(said["hands"]) <= MOST_MOMENTS
    assert (said["cells"], said["left"], said["alarm"], said["stopped"]) == (8, 7, None, [])
    assert {"cell": "A10", "bay": "d", "recipe": "storage"}.items() <= said["slots"][0].items()
    assert all(datetime.fromisoformat(slot["begin"]) <= NOW + timedelta(hours=16) for slot in said["slots"])
    assert datetime.fromisoformat(said["done_at"]) > NOW


def test_the_plan_in_words_is_no_wider_than_a_terminal_and_no_hand_is_torn() -> None:
    hands = [f"take A{number:02d} out of bay {bay}" for number, bay in enumerate("abcdefgh", 1)]
    moment = MomentShown("2026-03-13T18:00+00:00", "; ".join(hands))
    lines = render(QueueShown((), (moment,), (), (), done_at=None, alarm=None), [])
    assert max(map(len, lines)) <= 80
    assert all(any(hand in line for line in lines) for hand in hands)


def test_a_look_never_waits_and_says_nothing_without_a_queue_or_its_bench_file(tmp_path: Path) -> None:
    assert QueueAlong(tmp_path).look() is None
    with night_of_bays(tmp_path, NOW):
        bench = write_queue(tmp_path, "abcdef", NOW)
        along = QueueAlong(tmp_path)
        assert along.look() is None  # it has only begun to look
        wait_for(lambda: along.look() is not None)
        bench.unlink()
        with (tmp_path / "queue.jsonl").open("a") as file:
            file.write('{"kind":"moved","cell":"B04","to":1,"utc":"2026-03-13T19:00:00+00:00"}\n')
        wait_for(lambda: along.look() is None)
