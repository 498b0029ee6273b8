"""Promises of what stands between types and JSON."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pytest

from amphora.harness.common.as_json import known_of, without_odd_numbers


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


@dataclass(frozen=True, slots=True)
class Wire:
    role: str = ""
    ohm: float | None = None
    used: bool = False


@dataclass(frozen=True, slots=True)
class Bench:
    name: str = ""
    wires: Mapping[str, Wire] = field(default_factory=dict)
    order: tuple[str, ...] = ()
    count: int | None = None
    main: Wire = Wire()


def test_of_what_others_wrote_a_type_takes_what_it_knows():
    data = {"name": "kitchen", "wires": {"a": {"role": "load", "ohm": 1, "colour": "red"}}, "order": ["a"], "newer": 1}
    assert known_of(Bench, data) == Bench("kitchen", {"a": Wire("load", 1)}, ("a",))


@pytest.mark.parametrize(
    "data",
    [None, 7, [], {"name": 7}, {"wires": []}, {"wires": {"a": "b"}}, {"order": "abc"}, {"order": [7]}, {"count": True},
     {"count": 1.5}, {"main": None}, {"main": {"ohm": True, "used": 1}}],
)  # fmt: skip
def test_a_value_of_another_kind_counts_as_not_there(data):
    assert known_of(Bench, data) == Bench()
