"""A result stands in JSON and comes back as it was: each type within it, whatever it holds."""

import json
from typing import Any

import pytest
from hypothesis import given, settings

from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.results.result import PhaseResult, ResistanceValue, Result
from tests.support.any_of_a_type import made


@settings(max_examples=60, deadline=None, database=None)
@given(made(Result))
def test_what_is_written_comes_back_as_it_was(result: Result) -> None:
    text = json.dumps(result.to_json(), allow_nan=False)
    assert Result.from_json(json.loads(text)) == result
    assert json.dumps(Result.from_json(json.loads(text)).to_json(), allow_nan=False) == text


def test_what_is_not_known_is_left_out_or_null_as_the_field_says() -> None:
    plain = to_json(PhaseResult("discharge"))
    assert "pulse" not in plain and plain["knee"] is None and plain["resistances"] == []
    assert "budget" not in Result("a", "r", "auto").to_json()


@pytest.mark.parametrize(
    ("data", "said"),
    [({"method": "x", "ohm": 1.0, "colour": 2}, "ResistanceValue has no 'colour'"), ({"ohm": 1.0}, "lacks method")],
)
def test_a_key_too_many_or_too_few_is_named(data: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        from_json(ResistanceValue, data)


def test_the_questions_that_rooms_ask_are_answered_in_one_place() -> None:
    end = PhaseResult("discharge", capacity_Ah=2.0)
    full = Result("a", "r", "li-ion", start="declared-full", reached_cutoff=True, capacity_Ah=2.0, phases=(end, end))
    assert full.capacity_counts and full.headline == 1 and full.item_U_Ah == 0.0
    assert not Result("a", "r", "li-ion", start="full", capacity_Ah=2.0).capacity_counts
    assert not Result("a", "r", "li-ion", reached_cutoff=True, capacity_Ah=2.0).capacity_counts
