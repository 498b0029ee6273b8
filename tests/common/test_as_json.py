"""Promises of what stands between types and JSON."""

import math
from dataclasses import dataclass

import numpy as np

from amphora.harness.common.as_json import without_odd_numbers


@dataclass(frozen=True, slots=True)
class Part:
    ohm: float | None
    name: str = "a"


@dataclass(frozen=True, slots=True)
class Whole:
    parts: tuple[Part, ...]
    table: tuple[tuple[float | None, ...], ...]
    first: Part
    value: float | None


def test_a_number_that_is_none_is_not_known_at_any_depth_and_one_of_an_array_is_plain():
    whole = Whole((Part(1.0), Part(math.nan)), ((1.0, math.inf), (np.float64(2.0),)), Part(np.float64("nan")), 3.0)
    assert without_odd_numbers(whole) == Whole((Part(1.0), Part(None)), ((1.0, None), (2.0,)), Part(None), 3.0)
    assert type(without_odd_numbers(Part(np.float64(2.0))).ohm) is float


def test_what_holds_only_numbers_is_left_as_it_is():
    whole = Whole((Part(1.0),), ((1.0, None),), Part(None), 3.0)
    assert without_odd_numbers(whole) is whole
