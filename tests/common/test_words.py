"""A value with its uncertainty looks the same wherever it stands: terminal, table, paper, page."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.common.words import with_U
from amphora.harness.report import tables
from amphora.harness.report.certificate import page

# JCGM 100:2008, 7.2.6, from memory: two digits of U, the value to the same place; its example is 10,057 62 with 27 mΩ.
SHOWN = [
    (10.05762, 0.027, 1.0, "10.058 ± 0.027"),
    (0.9775, 0.00144, 1000, "977.5 ± 1.4"),
    (2.0134, 0.456, 1000, "2010 ± 460"),
    (0.12345, 0.0999, 1.0, "0.12 ± 0.10"),
    (1.0, 0.0, 1.0, "1"),
    (12.3456, 1e-12, 1.0, "12.35"),
    (-0.0042, 0.00031, 1000, "-4.20 ± 0.31"),
]


@pytest.mark.parametrize(("value", "U", "factor", "shown"), SHOWN)
def test_two_digits_of_U_and_the_value_to_the_same_place(value: float, U: float, factor: float, shown: str) -> None:
    assert with_U(value, U, factor) == shown


@given(st.floats(-1e6, 1e6), st.floats(0.0, 1e5), st.sampled_from([1.0, 100.0, 1000.0]))
def test_everybody_prints_the_same(value: float, U: float, factor: float) -> None:
    once = with_U(value, U, factor)
    assert tables.with_U(value, U, factor) == once
    assert page.with_U(value, U, factor).replace("\u202f", "") == once


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e5))
def test_what_is_shown_holds_the_value_and_is_no_more_than_half_a_digit_off(value: float, U: float) -> None:
    shown, shown_U = (float(side) for side in with_U(value, U).split(" ± "))
    step = 10.0 ** (math.floor(math.log10(shown_U)) - 1)
    assert abs(shown - value) <= 0.501 * step and abs(shown_U - U) <= 0.501 * step


def test_nothing_found_is_said_in_the_words_of_the_place() -> None:
    assert (with_U(None, 1.0), tables.with_U(math.nan, 1.0), page.with_U(None, None)) == (
        "not known",
        "–",
        "not measured",
    )
