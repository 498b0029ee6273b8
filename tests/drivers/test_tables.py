"""Promises of what messages show of a table or an answer, and that both rooms say it in the same words."""

import pytest

from drivers.errors import DescriptionError
from drivers.tables import check_keys, shown
from harness import fields
from harness.errors import InputError

KEYS = ("port", "format", "silence")


@pytest.mark.parametrize("key", ["xyzzy", "fromat", "k" * 5000, "a\nb"])
@pytest.mark.parametrize("accepted", [KEYS, ("port",)])
def test_an_unknown_key_is_told_in_the_words_of_every_other_file(key: str, accepted: tuple[str, ...]) -> None:
    with pytest.raises(DescriptionError) as here:
        check_keys({"port": 1, key: 2}, accepted, "bench.toml: it")
    with pytest.raises(InputError) as there:
        fields.table_of({"port": 1, key: 2}, "bench.toml: it", accepted)
    assert str(here.value) == str(there.value)
    assert "k" * 61 not in str(here.value) and "\n" not in str(here.value)


def test_the_key_that_was_meant_is_named() -> None:
    with pytest.raises(DescriptionError, match=r"'fromat' is not known; .* are accepted \('format' is near\)$"):
        check_keys({"fromat": 1}, KEYS, "it")
    check_keys({"format": 1}, KEYS, "it")


@pytest.mark.parametrize(
    "value", ["x", "x" * 100, "a\r\nb", 2.5, None, ["x" * 100], pytest.param(1 << 80000, id="huge"), {"a": 1}]
)
def test_a_value_is_shown_cut_and_on_one_line_in_both_rooms(value: object) -> None:
    assert shown(value) == fields.shown(value)
    assert len(shown(value)) < 70 and "\n" not in shown(value)


def test_bytes_are_shown_as_a_person_reads_them() -> None:
    assert shown(b"3.7 V\r\n") == r"'3.7 V\r\n'" and shown(b"x" * 100) == f"'{'x' * 60}'…"
