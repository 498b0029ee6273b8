"""Promises of the journal."""

import json
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from amphora.harness.archive import journal as journal_module
from amphora.harness.archive.journal import JournalWriter, read_run, rounded
from amphora.harness.common.errors import InputError, JournalDamaged
from amphora.harness.control.events import PlanBegun, Stopped

RUN = {"format": "amphora-run/1", "run_id": "c/x", "cell": {"id": "c"}, "plan": None}
NOW = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def write(folder: Path, rows: int = 3, stop: bool = True) -> None:
    writer = JournalWriter.open_new(folder, RUN)
    try:
        writer.append_event(PlanBegun(), 0.0, NOW)
        for number in range(rows):
            writer.append_row(float(number), 0, 3.7 - number * 0.001, -0.5, 20.0, {})
        if stop:
            checksums = writer.checksums()
            writer.append_event(Stopped("cutoff", rows=rows, checksums=checksums), float(rows), NOW)
    finally:
        writer.close()


def test_what_was_written_is_read_back_to_the_bit(tmp_path: Path) -> None:
    write(tmp_path / "r")
    run = read_run(tmp_path / "r")
    assert [row[:5] for row in run.iter_rows()] == [
        (0.0, 0, 3.7, -0.5, 20.0),
        (1.0, 0, 3.7 - 0.001, -0.5, 20.0),
        (2.0, 0, 3.7 - 0.002, -0.5, 20.0),
    ]
    assert run.stopped is not None and run.stopped["after_row"] == 3
    assert run.notices == ()


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("t_s", None, "t_s is no time"), ("t_s", "5", "t_s is no time"), ("t_s", True, "t_s is no time"),
        ("t_s", 1e300, "t_s is no time"), ("after_row", -1, "after_row is no count"),
        ("after_row", 1.5, "after_row is no count"), ("after_row", None, "after_row is no count"),
        ("kind", 7, "kind is no word"),
    ],
)  # fmt: skip
def test_an_event_with_a_field_of_another_kind_is_damage_by_its_line(
    tmp_path: Path, field: str, value: object, words: str
) -> None:
    write(tmp_path / "r", stop=False)
    path = tmp_path / "r" / "events.jsonl"
    odd = {"kind": "ordered", "t_s": 1.0, "after_row": 1, field: value}
    path.write_text(path.read_text() + json.dumps(odd) + "\n")
    with pytest.raises(JournalDamaged, match=rf"events\.jsonl, line 2: is no event \({words}"):
        read_run(tmp_path / "r")


number = st.none() | st.floats(-1e3, 1e3)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=40)
@given(rows=st.lists(st.tuples(st.floats(0, 1e6), number, number, number), max_size=20))
def test_any_sequence_of_rows_comes_back_as_a_list_would(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[float, float | None, float | None, float | None]],
) -> None:
    folder = tmp_path_factory.mktemp("j") / "r"
    writer = JournalWriter.open_new(folder, RUN)
    expected = []
    for t_s, *values in rows:
        row = rounded(t_s, *values)
        writer.append_row(row[0], 1, *row[1:], {})
        expected.append((row[0], 1, *row[1:]))
    writer.append_event(Stopped("time"), 0.0, NOW)
    writer.close()
    assert [row[:5] for row in read_run(folder).iter_rows()] == expected


def test_torn_last_line_is_dropped_and_reported(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    write(folder, stop=False)
    with (folder / "samples.csv").open("a") as file:
        file.write("3.0,0,3.6")
    run = read_run(folder)
    assert run.rows == 3 == len(list(run.iter_rows()))
    assert run.notices == ("samples.csv, line 5: a torn row was left out",)


def test_a_torn_line_stays_out_after_the_run_went_on(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    write(folder, stop=False)
    with (folder / "samples.csv").open("a") as file:
        file.write("3.0,0,3.697,-0.5,2")  # all fields are there, the last is cut
    with (folder / "events.jsonl").open("a") as file:
        file.write('{"kind":"step-')
    writer = JournalWriter.open_again(folder)
    writer.append_row(5.0, 0, 3.6, -0.5, 20.0, {})
    writer.append_event(Stopped("cutoff"), 6.0, NOW)
    writer.close()
    run = read_run(folder)
    assert [row[0] for row in run.iter_rows()] == [0.0, 1.0, 2.0, 5.0]
    assert run.stopped is not None and run.stopped["after_row"] == 4
    assert len(run.notices) == 2


@pytest.mark.parametrize(
    ("file", "line", "text"),
    [("samples.csv", 3, "1.0,0,3.6"), ("samples.csv", 3, "1.0,0,x,-0.5,20"), ("events.jsonl", 1, "{nonsense")],
)
def test_damage_in_the_middle_is_located_by_file_and_line(tmp_path: Path, file: str, line: int, text: str) -> None:
    folder = tmp_path / "r"
    write(folder)
    path = folder / file
    lines = path.read_text().splitlines(keepends=True)
    lines[line - 1] = text + "\n"
    path.write_text("".join(lines))
    with pytest.raises(JournalDamaged, match=f"{file}, line {line}"):
        list(read_run(folder).iter_rows())


@pytest.mark.parametrize("name", ["run.json", "samples.csv", "events.jsonl"])
def test_a_change_after_the_end_is_seen(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "r"
    write(folder)
    path = folder / name
    path.write_text(path.read_text().replace("0.5", "0.4").replace('"c/x"', '"c/y"').replace("05.000Z", "06.000Z"))
    assert any(name in notice for notice in read_run(folder).notices)


def test_a_newer_format_is_refused_by_name(tmp_path: Path) -> None:
    write(tmp_path / "r")
    path = tmp_path / "r" / "run.json"
    path.write_text(path.read_text().replace("amphora-run/1", "amphora-run/99"))
    with pytest.raises(InputError, match="amphora-run/99"):
        read_run(tmp_path / "r")


def test_a_folder_is_used_once(tmp_path: Path) -> None:
    write(tmp_path / "r")
    with pytest.raises(InputError, match="folder of its own"):
        JournalWriter.open_new(tmp_path / "r", RUN)


class Fault:
    """Makes the n-th file operation fail, and counts how many there were."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
        self.count = 0
        self.fired = False
        self.at = at
        for owner, name in [(os, "fsync"), (os, "fdatasync"), (os, "replace"), (os, "mkdir")]:
            if hasattr(owner, name):
                monkeypatch.setattr(owner, name, self.wrap(getattr(owner, name)))
        for name in ("replace", "mkdir"):
            monkeypatch.setattr(Path, name, self.wrap(getattr(Path, name)))
        monkeypatch.setattr(Path, "open", self.wrap(Path.open))
        monkeypatch.setattr(journal_module, "_sync", self.wrap(journal_module._sync))

    def wrap(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def operation(*args: Any, **kwargs: Any) -> Any:
            self.count += 1
            if self.count == self.at:
                self.fired = True
                raise OSError(28, "No space left on device")
            return function(*args, **kwargs)

        return operation


def test_whichever_file_operation_fails_what_is_there_is_before_or_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fired = 0
    for at in range(1, 200):
        folder = tmp_path / f"r{at}"
        with monkeypatch.context() as patch:
            fault = Fault(patch, at)
            try:
                write(folder)
            except OSError as error:
                assert error.errno == 28
        if not fault.fired:
            break
        fired += 1
        if not (folder / "run.json").is_file():
            continue  # nothing was ever on
        assert json.loads((folder / "run.json").read_text()) == RUN
        try:
            run = read_run(folder)
        except JournalDamaged as error:
            assert "missing" in str(error)  # it ended between two files, before anything was on
            continue
        rows = list(run.iter_rows())
        assert [row[0] for row in rows] == [0.0, 1.0, 2.0][: len(rows)]
        for event in run.events:
            assert event["after_row"] <= len(rows)
    else:
        raise AssertionError("the faults never ran out")
    assert fired > 8
