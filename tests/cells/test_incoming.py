"""Promises of the triage at the door: the strictest sense wins, and nothing encourages charging."""

import itertools

import pytest

from amphora.harness.cells.cell import INSPECTION, Cell
from amphora.harness.cells.incoming import judge_at_the_door, parse_inspection
from amphora.harness.common.errors import InputError

SOUND = {part: words[0] for part, words in INSPECTION.items()}


def cell(**changes) -> Cell:
    base = {"id": "a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.6, "mass_g": 44.0, "inspection": SOUND}
    return Cell(**{**base, "declared_rechargeable": True, **changes})


def test_a_sound_cell_is_accepted():
    judged = judge_at_the_door(cell())
    assert judged.verdict == "accept" and judged.may_charge and judged.may_discharge and not judged.open


@pytest.mark.parametrize(
    ("part", "word"), [("swelling", "yes"), ("leak", "yes"), ("smell", "yes"), ("dents", "deep"), ("rust", "heavy")]
)
def test_what_eye_and_nose_find_retires_whatever_the_voltage(part, word):
    judged = judge_at_the_door(cell(inspection={**SOUND, part: word}))
    assert judged.verdict == "retire" and not judged.may_charge and not judged.may_discharge
    for told in ("tape", "collection point", "never into household waste", "rules of your place"):
        assert told in judged.to_do


@pytest.mark.parametrize(
    ("mass_g", "verdict"),
    [
        (29.9, "retire"),
        (30.0, "quarantine"),
        (37.9, "quarantine"),
        (38.0, "accept"),
        (50.0, "accept"),
        (60.0, "quarantine"),
    ],
)
def test_an_18650_is_weighed(mass_g, verdict):
    # common practice: below 38 g suspicious, below 30 g almost surely false
    assert judge_at_the_door(cell(mass_g=mass_g)).verdict == verdict


def test_a_light_nimh_cell_of_another_form_is_not_judged_by_mass():
    assert judge_at_the_door(cell(form="AA", chemistry="nimh", as_found_V=1.25, mass_g=26.0)).verdict == "accept"


@pytest.mark.parametrize(
    ("volt", "verdict"), [(-0.5, "quarantine"), (1.2, "retire"), (2.2, "quarantine"), (3.3, "accept"), (4.4, "retire")]
)
def test_the_voltage_is_judged_by_chemistry(volt, verdict):
    assert judge_at_the_door(cell(as_found_V=volt)).verdict == verdict


def test_without_a_voltage_nothing_is_decided():
    judged = judge_at_the_door(cell(as_found_V=None))
    assert judged.verdict == "quarantine" and not judged.may_charge
    assert any("voltage" in item for item in judged.open)


def test_an_unidentified_undeclared_cell_is_never_to_be_charged():
    for volt in (0.0, 0.9, 1.3, 1.6, 2.1, 3.0, 3.3, 3.7, 4.1, 4.3):
        judged = judge_at_the_door(cell(chemistry="auto", declared_rechargeable=False, as_found_V=volt))
        assert not judged.may_charge, volt


def test_a_fault_never_leaves_charging_allowed():
    for part, volt in itertools.product(INSPECTION, (0.5, 2.2, 3.0, 3.7, 4.2)):
        for word in INSPECTION[part][1:]:
            judged = judge_at_the_door(cell(inspection={**SOUND, part: word}, as_found_V=volt))
            if word != "scratched":
                assert judged.verdict != "accept" and not judged.may_charge, (part, word, volt)


def test_a_retired_cell_stays_retired():
    judged = judge_at_the_door(cell(state="retired"))
    assert judged.verdict == "retire"
    said = " ".join(reason.text for reason in judged.reasons)
    assert "amphora cell note" in said and "found" in said  # the way back after a slip is told


def test_inspection_is_read_as_typed():
    assert parse_inspection(["sound", "wrapper=torn"]) == {**SOUND, "wrapper": "torn"}
    assert parse_inspection(["leak=none, smell=none"]) == {"leak": "none", "smell": "none"}


@pytest.mark.parametrize("bad", ["fine", "wrapper=blue", "colour=red", "leak"])
def test_an_unknown_finding_is_refused(bad):
    with pytest.raises(InputError):
        parse_inspection([bad])
