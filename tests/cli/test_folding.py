"""At a terminal prose breaks between words; what is pasted, tabulated or written over stays as it is."""

import io

from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.cli.terminal import Folding, folded

LONG = "the guard stopped the run because the cell reached 46.1 °C, which is above the limit of 45 °C for a discharge"


def test_a_long_sentence_is_broken_between_words_and_keeps_every_word() -> None:
    for indent in ("", "  ", "  - ", "  ! "):
        lines = folded(indent + LONG, 60).split("\n")
        assert len(lines) == 2 and all(len(line) <= 60 for line in lines)
        assert " ".join(line.strip() for line in lines) == (indent + LONG).strip()


def test_a_table_a_command_and_json_stay_whole() -> None:
    for line in (
        "Rank  Cell        Holds mAh  Claim mAh        DC mΩ  Grade         Tied with  Run",
        "Next: amphora run --cell L3-a --profile overnight --bench bench.toml --current '300 mA'",
        '  "text": "' + LONG + '",', "\r\x1b[2K" + LONG,
    ):  # fmt: skip
        assert folded(line, 40) == line


@given(
    st.lists(st.text(st.characters(codec="ascii", exclude_characters="\n\r\x1b\x0b\x0c\x1c\x1d\x1e\t"), max_size=30))
)
def test_however_it_is_written_no_word_is_lost(parts: list[str]) -> None:
    into = io.StringIO()
    stream = Folding(into, lambda: 20)
    for part in parts:
        stream.write(part)
    stream.write("\n")
    assert into.getvalue().split() == "".join(parts).split()


def test_a_prompt_is_shown_at_once() -> None:
    into = io.StringIO()
    stream = Folding(into, lambda: 40)
    stream.write(">>> Return when it is done: ")
    assert into.getvalue() == ""
    stream.flush()
    assert into.getvalue() == ">>> Return when it is done: "
