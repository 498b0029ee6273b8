"""One reader of run folders: whoever follows a run while it is written sees whole lines, and those alone."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.archive.run_folder import COLUMNS, new_lines, read_columns, read_header
from amphora.harness.common.errors import InputError, JournalDamaged

LINES = st.lists(st.from_regex(rb"[0-9.,]{1,12}( torn)?", fullmatch=True), max_size=8)


@given(LINES, st.lists(st.integers(0, 120), max_size=6))
def test_a_file_read_in_pieces_gives_the_same_lines_as_read_at_once_and_no_torn_one(
    tmp_path_factory: pytest.TempPathFactory, lines: list[bytes], cuts: list[int]
) -> None:
    path = tmp_path_factory.mktemp("run") / "samples.csv"
    content = b"".join(line + b"\n" for line in lines)
    seen: list[bytes] = []
    offset = 0
    for cut in [*sorted(cut for cut in cuts if cut < len(content)), len(content)]:
        path.write_bytes(content[:cut])
        more, offset = new_lines(path, offset)
        seen += more
    assert seen == [line for line in lines if not line.endswith(b" torn")]


def test_a_file_that_became_shorter_is_another_one_and_one_that_is_missing_has_nothing_new(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    assert new_lines(path, 7) == ([], 7)
    path.write_bytes(b"1\n")
    assert new_lines(path, 7) == ([], -1)


@pytest.mark.parametrize(
    ("content", "error", "said"),
    [(None, InputError, "no run folder"), ("[1]", JournalDamaged, "no JSON object"), ("{", JournalDamaged, "as JSON"),
     ('{"format": "amphora-run/2"}', InputError, "'amphora-run/2' is not known here; amphora-run/1 can be read")],
)  # fmt: skip
def test_what_is_no_run_is_refused_in_one_sentence(
    tmp_path: Path, content: str | None, error: type[Exception], said: str
) -> None:
    if content is not None:
        (tmp_path / "run.json").write_text(content)
    with pytest.raises(error, match=said):
        read_header(tmp_path)


def test_the_columns_are_those_of_the_format_and_further_ones_behind_them(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text(json.dumps({"format": "amphora-run/1"}))
    (tmp_path / "samples.csv").write_text(",".join((*COLUMNS, "counter_Ah")) + "\n")
    assert read_columns(tmp_path) == (*COLUMNS, "counter_Ah")
    (tmp_path / "samples.csv").write_text("t_s,voltage_V\n")
    with pytest.raises(JournalDamaged, match="line 1: the header is not t_s,step"):
        read_columns(tmp_path)
