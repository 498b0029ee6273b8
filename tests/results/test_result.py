"""A result stands in JSON and comes back as it was: each type within it, whatever it holds."""

import json
from dataclasses import MISSING, fields, is_dataclass
from types import NoneType
from typing import Any, Literal, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.results.result import PhaseResult, ResistanceValue, Result

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(max_size=8)


def any_of(hint: Any) -> st.SearchStrategy[Any]:
    """Return values of a field's type, as a result could hold them."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin is Literal:
        return st.sampled_from(parts)
    if origin is tuple:
        return st.lists(any_of(parts[0]), max_size=2).map(tuple)
    if origin is not None and NoneType not in parts:
        return st.dictionaries(TEXTS, st.one_of(NUMBERS, TEXTS), max_size=2)
    if NoneType in parts:
        return st.none() | any_of(next(part for part in parts if part is not NoneType))
    if is_dataclass(hint):
        return made(hint)  # type: ignore[arg-type]
    return {float: NUMBERS, int: st.integers(0, 10**9), str: TEXTS, bool: st.booleans()}.get(hint, NUMBERS)


def made(kind: type) -> st.SearchStrategy[Any]:
    """Return instances of a frozen type; what has a default is left out at times, so that shrinking is quick."""
    hints = get_type_hints(kind)
    needed = {f.name: any_of(hints[f.name]) for f in fields(kind) if f.default is MISSING}
    others = {f.name: any_of(hints[f.name]) for f in fields(kind) if f.default is not MISSING}
    return st.builds(
        lambda values, more: kind(**values, **more),
        st.fixed_dictionaries(needed),
        st.fixed_dictionaries({}, optional=others),
    )


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
