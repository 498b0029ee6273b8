"""A cell's record: what is known of it, from JSON and back."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.cells.cell import CHEMISTRIES, INSPECTION, STATES, Cell, DatedEntry, Identified
from amphora.harness.common.errors import InputError

TEXT = st.text(max_size=20)
NUMBER = st.floats(0.0, 100.0)
LOOKED_AT = st.fixed_dictionaries({}, optional={part: st.sampled_from(words) for part, words in INSPECTION.items()})
ENTRY = st.builds(
    DatedEntry, at=st.just("2026-11-24T21:00:00Z"), kind=st.sampled_from(["check", "state", "renamed"]),
    noted_utc=st.none() | TEXT, voltage_V=st.none() | st.floats(-5.0, 5.0), resolution_V=st.none() | NUMBER,
    mass_g=st.none() | NUMBER, inspection=st.none() | LOOKED_AT, state=st.none() | st.sampled_from(STATES),
    text=st.none() | TEXT, by=st.none() | TEXT, changed=st.none() | st.dictionaries(TEXT, st.lists(TEXT), max_size=2),
)  # fmt: skip
FOUND = st.builds(
    Identified, answer=st.none() | TEXT, confidence=st.none() | TEXT, evidence=st.none() | st.lists(TEXT).map(tuple),
    next_step=st.none() | TEXT, run=st.none() | TEXT, chemistry=st.none() | st.sampled_from(CHEMISTRIES),
    charge_to_V=st.none() | NUMBER, rests_V=st.none() | NUMBER,
    more=st.none() | st.dictionaries(st.sampled_from(["by", "why"]), TEXT, min_size=1),
)  # fmt: skip
CELL = st.builds(
    Cell, id=st.just("a"), form=TEXT, chemistry=st.sampled_from(CHEMISTRIES), source=TEXT, markings=TEXT,
    claim_Ah=st.none() | NUMBER, mass_g=st.none() | NUMBER, as_found_V=st.none() | st.floats(-5.0, 5.0),
    as_found_utc=TEXT, inspection=LOOKED_AT, photos=st.lists(TEXT, max_size=2), notes=TEXT,
    state=st.sampled_from(STATES), declared_rechargeable=st.booleans(), identified=FOUND,
    entries=st.lists(ENTRY, max_size=3),
)  # fmt: skip


@given(CELL)
def test_a_cell_from_json_and_back(cell: Cell) -> None:
    written = json.loads(json.dumps(cell.to_dict()))
    assert Cell.from_dict(written) == Cell.from_checked(written) == cell


def test_what_nobody_said_is_not_written() -> None:
    entry = DatedEntry("2026-11-24T21:00:00Z", "state", state="retired")
    written = Cell("a", entries=[entry]).to_dict()
    assert written["entries"] == [{"at": "2026-11-24T21:00:00Z", "kind": "state", "state": "retired"}]
    assert written["identified"] == {}


def test_a_cell_is_taken_for_what_a_run_found_else_for_what_the_record_says() -> None:
    assert Cell("a", chemistry="lfp").taken_for == "lfp"
    assert Cell("a", identified=Identified(chemistry="nimh")).taken_for == "nimh"


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"kind": "check"}, "cell: key 'entries', entry 1: key 'at' is missing"),
        ({"at": "noon", "kind": "check"}, "entry 1: at = 'noon' is no time"),
        ({"at": "2026-11-24T21:00:00Z", "kind": "check", "mass_g": -1}, "entry 1: mass_g = -1 is negative"),
        ({"at": "2026-11-24T21:00:00Z", "kind": "check", "colour": "red"}, "entry 1: key 'colour' is not known"),
    ],
)  # fmt: skip
def test_an_entry_that_is_none_is_refused_in_one_sentence(entry: dict[str, object], words: str) -> None:
    with pytest.raises(InputError) as raised:
        Cell.from_dict({"id": "a", "entries": [entry]})
    assert words in str(raised.value)
