"""A comparison believes figures by size, time and inode of their files; what that cannot see, `--verify` does."""

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from paper_runs import cell_record, write_run

from amphora.harness.account import kept_answers
from amphora.harness.account.kept_answers import read_answers
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.decisions.cell_runs import read_runs
from amphora.harness.results import kept
from amphora.harness.results.figures import figures_of
from amphora.harness.results.kept import STAMPS, by_stamps, stamps_of

LONG_AGO_NS = 1_700_000_000_000_000_000


def aged(folder: Path, ns: int = LONG_AGO_NS) -> Path:
    for name in ("run.json", "samples.csv", "events.jsonl"):
        os.utime(folder / name, ns=(ns, ns))
    return folder


@pytest.fixture
def run(tmp_path: Path) -> Path:
    Shelf(tmp_path).add(Cell.from_dict(cell_record(id="hall-1")))
    return aged(write_run(tmp_path, rows=600, cell=cell_record(id="hall-1")))


def changed(folder: Path) -> float:
    """Make every voltage of the table another one without changing its size; return the time it had."""
    before = (folder / "samples.csv").stat().st_mtime_ns
    text = (folder / "samples.csv").read_text()
    (folder / "samples.csv").write_text(text.replace(",-0.5", ",-0.4"))
    return before


def test_a_change_of_the_same_size_is_noticed_by_its_time(run: Path) -> None:
    before = figures_of(run)
    with by_stamps():
        assert figures_of(run) == before
    size = (run / "samples.csv").stat().st_size
    changed(run)
    aged(run, LONG_AGO_NS + 1)
    assert (run / "samples.csv").stat().st_size == size
    with by_stamps():
        assert figures_of(run).main_current_A == pytest.approx(-0.4)


def test_a_change_whose_time_was_set_back_is_noticed_by_verify_alone(run: Path) -> None:
    before = figures_of(run)
    changed(run)
    aged(run)
    with by_stamps():
        assert figures_of(run).main_current_A == before.main_current_A  # nothing says otherwise
        with by_stamps(trusted=False):
            assert figures_of(run).main_current_A == pytest.approx(-0.4)


def test_outside_of_a_comparison_the_digest_decides(run: Path) -> None:
    figures_of(run)
    changed(run)
    aged(run)
    assert figures_of(run).main_current_A == pytest.approx(-0.4)


@pytest.mark.parametrize("ahead_s", [-2.0, 0.0, 3600.0])
def test_a_file_written_within_the_last_seconds_or_in_the_future_is_looked_into(run: Path, ahead_s: float) -> None:
    now_ns = LONG_AGO_NS + 10**12
    aged(run, now_ns + int(ahead_s * 1e9))
    assert stamps_of(run, now_ns) is None
    aged(run, now_ns - kept.SETTLED_NS)
    assert stamps_of(run, now_ns) is not None


def test_figures_kept_while_their_files_were_young_are_known_after_one_look(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    os.utime(run / "samples.csv")
    figures_of(run)
    assert STAMPS not in json.loads((run / "result.json").read_text())
    aged(run)
    with by_stamps():
        figures_of(run)
    assert json.loads((run / "result.json").read_text())[STAMPS] == stamps_of(run)
    monkeypatch.setattr(kept, "digest_of", lambda folder: pytest.fail("hashed once more"))
    with by_stamps():
        figures_of(run)


# -- the answers of a whole shelf --------------------------------------------------------------------


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    monkeypatch.setattr(kept_answers, "MANY", 2)
    folders = []
    for number in range(3):
        record = cell_record(id=f"hall-{number + 1}")
        Shelf(tmp_path).add(Cell.from_dict(record))
        folders.append(aged(write_run(tmp_path, rows=600, cell=record)))
    return folders


def counting(monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    read: list[Path] = []
    real = kept_answers._read
    monkeypatch.setattr(kept_answers, "_read", lambda folder: (read.append(folder), real(folder))[1])

    def count() -> int:
        found, read[:] = len(read), []
        return found

    return count


def test_a_second_comparison_reads_no_run_and_says_the_same(shelf: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    count = counting(monkeypatch)
    first = read_answers(shelf, whole=False)
    assert count() == 3
    second = read_answers(shelf, whole=False)
    assert count() == 0
    for one, again in zip(first[0], second[0], strict=True):
        assert (one.folder, one.cell, one.measured_utc) == (again.folder, again.cell, again.measured_utc)
        assert again.result != one.result  # what no decision asks for was left out, and nothing else:
        assert kept_answers._to_json(again) == kept_answers._to_json(one)


def test_what_is_left_out_of_a_kept_answer_is_asked_by_no_decision(shelf: list[Path]) -> None:
    from amphora.harness.decisions.comparison import compare
    from amphora.harness.decisions.criteria import load_criteria
    from amphora.harness.decisions.grades import grade_runs
    from amphora.harness.decisions.sources import read_sources
    from amphora.harness.report.shelf_parquet import RESULTS

    def decided(verify: bool) -> object:
        runs, _ = read_runs(shelf, verify, whole=verify)
        graded = grade_runs([(run.result, run.cell) for run in runs], load_criteria("general"))
        return compare(shelf, verify=verify), graded, read_sources(shelf[0].parents[1])

    assert not {name for name, *_ in RESULTS} & set(kept_answers.NOT_COMPARED)
    whole = decided(verify=True)
    read_answers(shelf, whole=False)
    assert decided(verify=False) == whole


@pytest.mark.parametrize("what", ["readings", "record", "another run"])
def test_only_the_cell_that_changed_is_read_again(
    shelf: list[Path], monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    read_answers(shelf, whole=False)
    count = counting(monkeypatch)
    folders = list(shelf)
    if what == "readings":
        changed(shelf[0])
        aged(shelf[0], LONG_AGO_NS + 1)
    elif what == "record":
        register = Shelf(shelf[0].parents[1])
        register.save(Cell.from_dict({**register.get("hall-1").to_dict(), "claim_Ah": 1.234}))
    else:
        more = shelf[0].with_name("20270101T000000Z-overnight")
        more.mkdir()
        for name in ("run.json", "samples.csv", "events.jsonl"):
            (more / name).write_bytes((shelf[0] / name).read_bytes())
        folders.append(aged(more))
    good, _ = read_answers(folders, whole=False)
    assert count() == (2 if what == "another run" else 1)
    if what == "readings":
        assert good[0][1].main_current_A == pytest.approx(-0.4)
    if what == "record":
        assert good[0][2].claim_Ah == 1.234


def test_verify_reads_each_run_itself(shelf: list[Path]) -> None:
    read_answers(shelf, whole=False)
    changed(shelf[0])
    aged(shelf[0])
    assert read_runs(shelf, whole=False)[0][0][1].main_current_A == pytest.approx(-0.5)
    assert read_runs(shelf, verify=True, whole=False)[0][0][1].main_current_A == pytest.approx(-0.4)
