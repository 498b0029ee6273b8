"""Promises of a duty file: what ships can be read, what is broken is told by file and field, a change changes it."""

import pytest

from amphora.harness.common.errors import InputError
from amphora.harness.decisions.duty import load_duty, read_duty, shipped
from tests.support.duties import HEAD, simple


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name=", "TOML"),
        (HEAD, "lowest_rail"),
        (HEAD + 'lowest_rail="3 V"', "modes"),
        (HEAD + 'lowest_rail="3"\n[[modes]]\nname="m"\ncurrent="1 A"', "lowest_rail.*'3'"),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 V"', "modes 1.*current.*1 V"),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"', "current, power, resistor and line"),
        (HEAD + 'lowest_rail="3 V"\ncolour="red"\n[[modes]]\nname="m"\ncurrent="1 A"', "colour"),
        (
            HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\n[[night]]\nmode="x"\nfor="1 h"',
            "night 1.*'x'",
        ),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\nduty_cycle="120 %"', "duty_cycle"),
        (HEAD.replace("li-ion", "wood") + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"', "wood"),
        (HEAD + 'lowest_rail="3 V"\n[[modes]]\nname="m"\ncurrent="1 A"\n[panel]\ncurrent="1 A"', "panel.*sun"),
    ],
)
def test_a_broken_duty_file_is_told_by_file_and_field(text, told):
    with pytest.raises(InputError, match=f"lamp.toml.*{told}"):
        read_duty(text, "lamp.toml")


def test_duties_that_ship_can_be_read_and_a_change_changes_them():
    assert shipped() == ["camp-lantern", "door-sensor", "path-light"]
    for name in shipped():
        load_duty(name)
    assert load_duty("path-light", ["panel.current=120 mA"]).panel.current_A == pytest.approx(0.12)
    assert load_duty("camp-lantern", ["resistor=100 ohm"]).mode("night light").resistor_ohm == 100
    assert load_duty("camp-lantern", ["lowest_rail=3.2 V"]).mode("bright").lowest_rail_V == 3.2
    assert load_duty("path-light", ["bright.current=50 mA"]).mode("bright").current_A == 0.05
    with pytest.raises(InputError, match="what-if"):
        load_duty("path-light", ["colour=red"])


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('"3 V"', "two or more pairs"),
        ('[["3 V", "1 A"]]', "two or more pairs"),
        ('[["3 V", "1 A"], ["3 V"]]', "point 2"),
        ('[["3 V", "1 A"], ["4 A", "1 A"]]', "point 2: '4 A'"),
        ('[["4 V", "1 A"], ["3 V", "1 A"]]', "do not rise"),
        ('[["3 V", "0 A"], ["4 V", "0 A"]]', "no current"),
        ('[["3 V", "1 A"], ["4 V", "1 A"]]\ncurrent = "1 A"', "one of current, power, resistor and line"),
    ],
)
def test_a_broken_load_line_is_told_with_file_and_field(line, told):
    with pytest.raises(InputError, match=f"lamp.toml: modes 1 .*{told}"):
        simple("3.0 V", f"line = {line}")


def test_what_if_a_mode_with_a_load_line_drew_a_current():
    text = f'{HEAD}lowest_rail="3 V"\n[[modes]]\nname="m"\nline=[["3 V", "50 mA"], ["4 V", "100 mA"]]\n'
    assert read_duty(text, "l", ["m.current=80 mA"]).modes[0].current_A == 0.08


def test_what_if_a_mode_whose_name_begins_like_the_panel_is_a_mode():
    text = f'{HEAD}lowest_rail="3 V"\n[[modes]]\nname="panel lamp"\ncurrent="50 mA"\n'
    assert read_duty(text, "l", ["panel lamp.current=80 mA"]).modes[0].current_A == 0.08


@pytest.mark.parametrize(
    ("broken", "change", "told"),
    [
        ("modes = 5", "bright.current=80 mA", r"no \[\[modes\]\]"),
        ("modes = 5", "quiescent=1 mA", r"no \[\[modes\]\]"),
        ('panel = 5\n[[modes]]\nname="m"\ncurrent="1 A"', "panel.current=1 A", "panel: 5 is not a table"),
        ('[[modes]]\nname="m"\ncurrent="1 A"\n[panel]\ncurrent="1 A"\nsun=4', "panel.sun.good=1 h", "sun: 4 is not a"),
    ],
)
def test_a_change_to_a_broken_duty_file_is_told_as_the_file_is(broken, change, told):
    with pytest.raises(InputError, match=told):
        read_duty(f'{HEAD}lowest_rail="3 V"\n{broken}\n', "lamp.toml", [change])


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("lowest_rail=banana", "a voltage such as"),
        ("bright.current=0 mA", "not above 0"),
        ("panel.current=-5 mA", "not above 0"),
    ],
)
def test_a_change_that_cannot_be_is_said_of_the_change_and_not_of_the_file(change: str, why: str) -> None:
    with pytest.raises(InputError) as said:
        load_duty("path-light", [change])
    assert str(said.value).startswith(f"--what-if {change!r}") and why in str(said.value)
    assert ".toml" not in str(said.value)
