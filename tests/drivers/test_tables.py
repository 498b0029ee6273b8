"""Promises of what messages show of a table or an answer, and that both rooms say it in the same words."""

import tomllib
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import pytest

from amphora.drivers.described import check_keys, finite_number, shown
from amphora.drivers.errors import DescriptionError, IdentityError, LinkError
from amphora.drivers.opening import KEYS as KEYS_OF_SCPI
from amphora.drivers.opening import open_instrument
from amphora.drivers.serial.format_file import format_from_dict, shipped
from amphora.drivers.serial.logger import LOGGER_KEYS, open_logger
from amphora.drivers.simulated.clock import VirtualClock
from amphora.harness.common import fields
from amphora.harness.common.errors import InputError

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
    assert finite_number(value) == fields.finite_number(value)


def test_bytes_are_shown_as_a_person_reads_them() -> None:
    assert shown(b"3.7 V\r\n") == r"'3.7 V\r\n'" and shown(b"x" * 100) == f"'{'x' * 60}'…"


HUGE = 1 << 80000  # 0xfff… in TOML: Python turns it into neither a float nor decimals


def places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in data.items() if isinstance(data, dict) else enumerate(data):
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from places(value, (*path, key))


@pytest.mark.parametrize("value", [pytest.param(HUGE, id="huge"), "k" * 5000, [[]], {}, None])
@pytest.mark.parametrize("name", shipped())
def test_whatever_stands_at_any_place_of_a_line_format_is_taken_or_refused_in_one_sentence(
    name: str, value: object
) -> None:
    text = (files("amphora.drivers.serial") / "formats" / f"{name}.toml").read_text(encoding="utf-8")
    refused = 0
    for path in places(tomllib.loads(text)):
        changed = tomllib.loads(text)
        table = changed
        for key in path[:-1]:
            table = table[key]
        table[path[-1]] = value
        try:
            format_from_dict(changed, "mine.toml")
        except DescriptionError as error:
            refused += 1
            assert str(error).startswith("mine.toml") and "\n" not in str(error)
            assert "k" * 61 not in str(error)
    assert refused > 0


@pytest.mark.parametrize("value", [pytest.param(HUGE, id="huge"), "k" * 5000, [[]], {}])
@pytest.mark.parametrize("key", sorted(set(LOGGER_KEYS) - {"role", "port", "resource", "specification"}))
def test_whatever_a_loggers_table_holds_is_taken_or_refused_in_one_sentence(key: str, value: object) -> None:
    try:
        open_logger("it", {"port": "loop://", key: value}, VirtualClock()).close()
    except DescriptionError as error:
        assert "k" * 61 not in str(error) and "\n" not in str(error)
    except IdentityError:
        assert key == "identity"


@pytest.mark.parametrize("value", [pytest.param(HUGE, id="huge"), "k" * 5000, [[]], {}])
@pytest.mark.parametrize("key", sorted(KEYS_OF_SCPI))
def test_whatever_a_scpi_instruments_table_holds_is_taken_or_refused_in_one_sentence(key: str, value: object) -> None:
    table = {"role": "load", "resource": "TCPIP::127.0.0.1::1::SOCKET", "timeout": "20 ms", key: value}
    with pytest.raises((DescriptionError, LinkError)) as caught:
        open_instrument("it", table, VirtualClock())
    assert "k" * 61 not in str(caught.value) and "\n" not in str(caught.value)
