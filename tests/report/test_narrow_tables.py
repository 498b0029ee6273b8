"""A table at a terminal of 80 columns: it fits, and no word of it is lost or broken."""

import re

from amphora.harness.report import tables

HEADER = ("Rank", "Cell", "Holds mAh", "As item ±", "Claim mAh", "DC mΩ", "Grade", "Tied with", "Run")
ROWS = [
    (1, "hall-2", "2016.9 ± 2.7", "46", "2200", "62.1 ± 1.1", "steady duty", "hall-3",
     "20260313T201045Z-overnight"),
    (2, "hall-3", "1285.5 ± 1.8", None, None, "69.1 ± 2.2", "standby duty", None, "20260313T203842Z-overnight"),
]  # fmt: skip
RIGHT = ("Rank", "Holds mAh", "As item ±", "Claim mAh", "DC mΩ")


def test_a_wide_table_fits_80_columns_and_keeps_every_word(monkeypatch) -> None:
    whole = tables.table(HEADER, ROWS, RIGHT)
    assert max(map(len, whole.splitlines())) > 100
    monkeypatch.setattr(tables, "terminal_columns", lambda: 80)
    narrow = tables.table(HEADER, ROWS, RIGHT)
    assert max(map(len, narrow.splitlines())) <= 80
    for word in re.split(r"\s+|(?<=Z-)", " ".join(str(cell) for row in (HEADER, *ROWS) for cell in row if cell)):
        assert word in narrow, word
    assert "2016.9 ± 2.7" in narrow, "a number stays in one line"


def test_a_file_gets_the_table_as_it_always_was(monkeypatch) -> None:
    monkeypatch.setattr(tables, "terminal_columns", lambda: None)
    assert "20260313T201045Z-overnight" in tables.table(HEADER, ROWS, RIGHT)
