"""Promises of `amphora doctor`: each trouble is seen, and what is right is not called wrong."""

from pathlib import Path

import pytest

from amphora.harness.bench import computer
from amphora.harness.bench.computer import examine


def test_this_computer_can_be_examined_and_is_left_as_it_was(tmp_path: Path) -> None:
    seen = examine(tmp_path / "logs")
    assert [one.name for one in seen if one.verdict == "wrong"] == []
    assert list(tmp_path.iterdir()) == []
    assert all(one.text for one in seen)
    assert all(one.todo for one in seen if one.verdict != "right")


@pytest.mark.parametrize(("version", "wide", "verdict"), [((3, 10, 1), True, "wrong"), ((3, 11, 0), True, "right"),
                                                          ((3, 12, 0), False, "look")])  # fmt: skip
def test_an_old_interpreter_is_wrong(version: tuple[int, ...], wide: bool, verdict: str) -> None:
    assert computer.look_at_python(version, wide).verdict == verdict


def test_a_missing_library_is_named_and_an_optional_one_is_not_missed() -> None:
    lines = ["numpy>=2.0", "gone[socks]>=1", "optional>=1; extra == 'dev'", "odd; sys_platform == 'win32'"]
    seen = computer.look_at_packages(lines, lambda name: "2.0" if name == "numpy" else None)
    assert seen.verdict == "wrong" and seen.text == "missing: gone" and seen.todo == "pip install gone"
    assert computer.look_at_packages(lines[:1], lambda name: "2.0").verdict == "right"


def test_a_port_of_another_group_is_named_with_what_to_do() -> None:
    seen = computer.look_at_ports(["/dev/null", "/dev/zero"], lambda port: port != "/dev/zero")
    assert seen.verdict == "wrong" and "/dev/zero" in seen.text and "/dev/null" not in seen.text
    assert "usermod -aG root $USER" in seen.todo
    assert computer.look_at_ports(["/dev/null"], lambda port: True).verdict == "right"
    assert computer.look_at_ports([], lambda port: True).verdict == "look"


def test_usb_without_its_library_is_something_to_know_and_no_backend_at_all_is_wrong() -> None:
    some = computer.look_at_visa({"TCP": "", "USB": "libusb is not installed"})
    assert some.verdict == "look" and "libusb" in some.todo
    assert computer.look_at_visa({"TCP": "pyvisa_py is not installed"}).verdict == "wrong"
    assert computer.look_at_visa({"TCP": "", "USB": ""}).verdict == "right"


@pytest.mark.parametrize(("kept", "verdict"), [(True, "right"), (False, "look"), (None, "look")])
def test_a_clock_that_nobody_sets_is_said(kept: bool | None, verdict: str) -> None:
    assert computer.look_at_clock(kept).verdict == verdict


def test_the_room_on_the_disk_is_judged_at_its_limits() -> None:
    verdicts = [computer._room(free).verdict for free in (49_999_999, 50_000_000, 499_999_999, 500_000_000)]
    assert verdicts == ["wrong", "look", "look", "right"]


def test_a_folder_that_cannot_be_written_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    seen = computer.look_at_disk(tmp_path / "file")
    assert [one.verdict for one in seen] == ["wrong"] and "AMPHORA_LOGS" in seen[0].todo


@pytest.mark.parametrize(
    ("agreed", "lid", "masked", "verdict", "words"),
    [
        (True, False, False, "right", ""),
        (True, True, False, "look", "lid open"),
        (False, False, False, "look", "Turn sleep off"),
        (False, True, False, "look", "lid open"),
        (False, True, True, "right", ""),
    ],
)
def test_a_computer_that_may_sleep_is_said(agreed: bool, lid: bool, masked: bool, verdict: str, words: str) -> None:
    seen = computer.look_at_sleep(agreed, "as the system said", lid, masked)
    assert seen.verdict == verdict and words in seen.todo and bool(words) == bool(seen.todo)


@pytest.mark.parametrize(("encoding", "columns", "verdict"), [("utf-8", 80, "right"), ("UTF-8", 79, "look"),
                                                              ("ascii", 200, "look"), ("", 80, "look")])  # fmt: skip
def test_a_terminal_that_changes_signs_or_tables_is_said(encoding: str, columns: int, verdict: str) -> None:
    assert computer.look_at_terminal(encoding, columns).verdict == verdict


def test_what_the_system_says_of_clock_and_sleep_is_read() -> None:
    assert computer._clock_is_set(lambda words: "yes") is True
    assert computer._clock_is_set(lambda words: "no") is False
    assert computer._clock_is_set(lambda words: None) is None
    assert computer._sleep_is_masked(lambda words: "masked") and not computer._sleep_is_masked(lambda words: "static")
    assert computer._run_program(("no-such-program-here",)) is None


def test_each_optional_part_is_told_with_its_size_and_use_and_is_never_wrong():
    for there in (True, False):
        seen = computer.look_at_parts(lambda name, there=there: there)
        assert [one.name for one in seen] == ["part 'tables'", "part 'parquet'"]
        for one, size in zip(seen, ("90 MB", "170 MB"), strict=True):
            assert one.verdict == "right" and size in one.text
            assert ("pip install" in one.todo) is not there
