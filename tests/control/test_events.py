"""Events of the journal are types, and each is written as it was read."""

import json
from typing import Any, get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.control import events as all_events
from amphora.harness.control.events import KINDS, Event, OtherEvent, StepBegun, event_of, event_to_json, stamped
from amphora.harness.plans.plan import Order

TEXT = st.text(max_size=8)
NUMBER = st.floats(-1e6, 1e6) | st.integers(-1000, 1000)
TABLE = st.dictionaries(TEXT, NUMBER | TEXT | st.none(), max_size=2)
ORDERS = st.builds(
    Order, st.sampled_from(("off", "charge", "discharge", "ask")), voltage_V=st.none() | st.floats(0.1, 5.0)
)
BY_TYPE: dict[Any, st.SearchStrategy[Any]] = {
    float: NUMBER, int: st.integers(0, 10**6), str: TEXT, bool: st.booleans(), Order: ORDERS,
}  # fmt: skip


def values_of(hint: Any) -> st.SearchStrategy[Any]:
    parts = get_args(hint)
    if type(None) in parts:
        return st.none() | values_of(next(part for part in parts if part is not type(None)))
    if hint in BY_TYPE:
        return BY_TYPE[hint]
    return st.lists(TEXT, max_size=2).map(tuple) if "tuple" in str(hint) else TABLE


@st.composite
def drawn_events(draw: st.DrawFn) -> Event:
    kind = draw(st.sampled_from(sorted(KINDS)))
    hints = get_type_hints(KINDS[kind])
    own = {name: draw(values_of(hint)) for name, hint in hints.items() if name not in ("KIND", "more", "word")}
    more = draw(st.dictionaries(TEXT.filter(lambda key: key not in {*hints, "kind"}), NUMBER, max_size=2))
    return KINDS[kind](**own, more=more)


@given(drawn_events())
def test_an_event_is_the_same_after_it_was_written_and_read(event: Event) -> None:
    line = json.dumps(event_to_json(event))
    again = event_of(json.loads(line))
    assert json.dumps(event_to_json(again)) == line and type(again) is type(event)
    if "order" not in line:  # an order that switches off is written by its kind alone
        assert again == event


def test_what_a_newer_version_says_is_kept() -> None:
    later = {
        "kind": "step-begun", "t_s": 1.0, "utc": "", "after_row": 2, "step": 0, "plan_step": 0,
        "step_kind": "rest", "name": "rest", "mood": "calm",
    }  # fmt: skip
    event = event_of(later)
    assert isinstance(event, StepBegun) and event.name == "rest" and event_to_json(event) == later
    unknown = {"kind": "singing", "t_s": 1.0, "utc": "", "after_row": 2, "song": [1, 2]}
    event = event_of(unknown)
    assert isinstance(event, OtherEvent) and event.kind == "singing" and event_to_json(event) == unknown


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("t_s", "soon", "t_s is no time in seconds"),
        ("t_s", True, "t_s is no time in seconds"),
        ("after_row", 1.5, "after_row is no count of rows"),
        ("step", "first", "step is not a whole number"),
        ("name", 7, "name is not a text"),
    ],
)
def test_a_field_of_another_kind_is_named(field: str, value: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        event_of({"kind": "step-begun", "t_s": 0.0, "after_row": 0, field: value})


def test_an_order_that_is_not_known_here_is_no_order() -> None:
    with pytest.raises(ValueError, match="order is not an order"):
        event_of({"kind": "ordered", "order": {"kind": "charge", "colour": "red"}})
    with pytest.raises(ValueError, match="order is not an order"):
        event_of({"kind": "ordered", "order": "off"})


def test_each_kind_has_one_type_and_one_word() -> None:
    named = [kind for kind in vars(all_events).values() if isinstance(kind, type) and issubclass(kind, Event)]
    assert len(KINDS) == len(named) - 2  # all but Event itself and OtherEvent
    assert all(word == kind.KIND for word, kind in KINDS.items())


def test_a_stamp_changes_nothing_else() -> None:
    event = stamped(StepBegun(1, 2, "charge", "fill"), 3.5, "2026-11-24T21:00:00Z", 7)
    assert (event.t_s, event.utc, event.after_row) == (3.5, "2026-11-24T21:00:00Z", 7)
    assert stamped(event, 0.0, "", 0) == StepBegun(1, 2, "charge", "fill")
    assert event["step_kind"] == "charge" and event["kind"] == "step-begun" and "mood" not in event
