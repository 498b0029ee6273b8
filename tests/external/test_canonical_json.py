"""Canonical JSON of a certificate against RFC 8785 itself; what 0.1.0 wrote keeps its own form."""

import json
import struct

import pytest

from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate.canonical import RFC_8785, canonical_bytes, from_canonical

# Source: RFC 8785 (June 2020), appendix B, table 1: IEEE 754 bits and their text; from memory, each also checked
# here to read back as the very same double.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af6", "1e+23"),
    ("41b3de4355555555", "333333333.3333333"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_are_written_as_the_standard_writes_them(bits: str, text: str) -> None:
    value = struct.unpack(">d", bytes.fromhex(bits))[0]
    assert float(text) == value
    assert canonical_bytes({"canonical": RFC_8785, "x": value}) == f'{{"canonical":"RFC 8785","x":{text}}}'.encode()


def test_keys_are_sorted_as_the_standard_sorts_them() -> None:
    # Source: RFC 8785, section 3.2.3: keys by UTF-16 code units; its example's order, from memory.
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    text = canonical_bytes({"certificate": {"canonical": RFC_8785}, **dict.fromkeys(keys)})
    order = [key for key in json.loads(text) if key != "certificate"]
    assert order == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


def test_a_document_that_says_nothing_is_read_as_0_1_0_wrote_it_and_each_form_refuses_the_other() -> None:
    old = b'{"certificate":{"x":25.0,"y":1e-09}}'
    new = b'{"certificate":{"canonical":"RFC 8785","x":25,"y":1e-9}}'
    assert canonical_bytes(from_canonical(old)) == old
    assert canonical_bytes(from_canonical(new)) == new
    for mixed in (
        b'{"certificate":{"x":25.0,"y":1e-9}}',
        b'{"certificate":{"canonical":"RFC 8785","x":25.0,"y":1e-9}}',
    ):
        with pytest.raises(InputError, match="canonical"):
            from_canonical(mixed)


@pytest.mark.parametrize("value", [float("inf"), float("nan"), 2**60, {1, 2}, b"x"])
def test_what_the_standard_cannot_hold_is_refused_in_one_sentence(value: object) -> None:
    with pytest.raises(InputError, match="cannot be written as JSON"):
        canonical_bytes({"canonical": RFC_8785, "x": value})
