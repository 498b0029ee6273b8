"""Chemistry windows and triage: cautious, sourced, never inferring what harms."""

import re
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.cells.chemistry import KEYS, NUMBERS, classify_as_found, load_chemistry, read_chemistry, triage
from amphora.harness.common.errors import InputError

LI = files("amphora.profiles").joinpath("chemistries", "li-ion.toml").read_text(encoding="utf-8")
VOLTAGES = st.floats(-10.0, 10.0)


@pytest.mark.parametrize("key", KEYS)
def test_every_number_of_every_window_carries_a_source(key):
    chemistry = load_chemistry(key)
    given_numbers = [name for name in NUMBERS if getattr(chemistry, name) != 0.0]
    assert all(chemistry.sources[name].strip() for name in given_numbers)


@pytest.mark.parametrize("key", KEYS)
def test_the_numbers_of_a_window_are_in_order(key):
    c = load_chemistry(key)
    assert c.hard_low_V <= c.cutoff_V < c.nominal_V < c.charge_limit_V <= c.hard_high_V
    assert c.reject_below_V < c.quarantine_below_V <= c.precharge_below_V or c.method == "timed" or key == "lead-acid"
    assert c.charge_limit_V - c.hard_high_V >= -0.15
    assert c.charge_low_degC >= c.discharge_low_degC


def test_no_voltage_leads_to_a_charge_limit_above_4_20_by_itself():
    found = {classify_as_found(step / 100.0) for step in range(-100, 600)}
    assert found == {None, "auto", "li-ion", "nimh"}
    assert max(load_chemistry(key).charge_limit_V for key in found if key) == 4.20
    assert load_chemistry("auto").charge_limit_V == 3.60
    assert load_chemistry("auto").max_charge_It == 0.1


@settings(deadline=None)
@given(VOLTAGES)
def test_voltage_alone_never_permits_charging_an_unidentified_cell(voltage_V):
    assert not triage("auto", voltage_V, declared_rechargeable=False).may_charge


@settings(deadline=None)
@given(VOLTAGES, st.booleans(), st.sampled_from(KEYS))
def test_what_is_refused_is_neither_charged_nor_discharged(voltage_V, declared, key):
    result = triage(key, voltage_V, declared)
    assert result.reason
    assert "\n" not in result.reason
    if result.verdict == "refuse":
        assert not result.may_charge
        assert not result.may_discharge
    if voltage_V < -0.02 or voltage_V > load_chemistry(key).reject_above_V:
        assert result.verdict == "refuse"
    if result.may_discharge and key != "auto":
        assert voltage_V > load_chemistry(key).hard_low_V


@pytest.mark.parametrize(
    ("key", "voltage_V", "declared", "verdict", "may_charge"),
    [
        ("li-ion", -3.7, True, "refuse", False),
        ("li-ion", 0.0, True, "refuse", False),
        ("li-ion", 1.99, True, "refuse", False),
        ("li-ion", 2.2, False, "quarantine", True),
        ("li-ion", 3.31, False, "accept", True),
        ("li-ion", 4.26, False, "refuse", False),
        ("li-ion-4.35", 4.30, False, "accept", True),
        ("lfp", 1.8, False, "quarantine", True),
        ("lfp", 3.76, False, "refuse", False),
        ("nimh", 0.0, False, "quarantine", True),
        ("nimh", -0.1, False, "refuse", False),
        ("nimh", 1.25, False, "accept", True),
        ("nimh", 3.3, False, "refuse", False),
        ("auto", 0.5, False, "refuse", False),
        ("auto", 0.5, True, "refuse", False),
        ("auto", 1.25, False, "quarantine", False),
        ("auto", 1.25, True, "quarantine", True),
        ("auto", 3.2, False, "accept", False),
        ("auto", 3.2, True, "accept", True),
        ("auto", 4.3, True, "refuse", False),
    ],
)
def test_triage_as_found(key, voltage_V, declared, verdict, may_charge):
    result = triage(key, voltage_V, declared)
    assert (result.verdict, result.may_charge) == (verdict, may_charge), result.reason


@pytest.mark.parametrize("voltage_V", [float("nan"), float("inf"), -float("inf")])
def test_a_voltage_that_is_no_number_is_refused(voltage_V):
    with pytest.raises(InputError, match="not accepted"):
        triage("li-ion", voltage_V)


def test_an_unknown_chemistry_is_refused_with_those_there_are():
    with pytest.raises(InputError, match=r"'lipo' is not known; li-ion, .*auto are accepted"):
        load_chemistry("lipo")


def _changed(number, value=None, source=None, text=LI):
    pattern = rf'(\[numbers\.{number}\]\nvalue = )"[^"]*"(\nsource = )"([^"]*)"'

    def swap(match):
        new = match[0] if value is None else re.sub(r'value = "[^"]*"', f'value = "{value}"', match[0])
        return new if source is None else re.sub(r'source = "[^"]*"', f'source = "{source}"', new)

    result, count = re.subn(pattern, swap, text)
    assert count == 1
    return result


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("key = [", "not TOML"),
        (LI + "\n[numbers.boiling_degC]\nvalue='1 degC'\nsource='x'\n", "numbers: key 'boiling_degC' is not known"),
        ("colour = 'red'\n" + LI, "'colour' is not known"),
        (_changed("cutoff_V", "3,0 V"), "comma"),
        (_changed("cutoff_V", "3.0 A"), "does not fit"),
        (_changed("cutoff_V", source=" "), "has no source"),
        (_changed("cutoff_V", "2.0 V"), "hard_low_V = 2.5 is above numbers.cutoff_V"),
        (_changed("charge_limit_V", "4.5 V"), "charge_limit_V = 4.5 is above numbers.hard_high_V"),
        (LI.replace('method = "cc-cv"', 'method = "fast"'), "'fast' is not accepted"),
        (LI.replace("[numbers.cutoff_V]", "[numbers.taper_It2]"), "'taper_It2' is not known"),
        ('key = "x"\nname = "x"\nmethod = "cc-cv"\n', "numbers are missing"),
        ('key = "x"\nname = "x"\nmethod = "cc-cv"\n[numbers]\n', "numbers.nominal_V is missing"),
    ],
)
def test_a_broken_chemistry_file_is_named_by_file_and_field(text, why):
    with pytest.raises(InputError) as caught:
        read_chemistry(text, "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert why in str(caught.value)


def test_the_page_on_chemistries_tells_what_the_files_hold():
    page = (Path(__file__).parents[2] / "docs" / "chemistries.md").read_text(encoding="utf-8")
    for name in NUMBERS:
        assert f"`{name}`" in page
    for key in KEYS:
        row = next(line for line in page.splitlines() if line.startswith(f"| `{key}` |"))
        c = load_chemistry(key)
        assert f"{c.charge_limit_V:.2f} V" in row
        assert f"{c.cutoff_V:g} V" in row or f"{c.cutoff_V:.1f} V" in row
        if key != "auto":
            assert f"above {c.reject_above_V:.2f} V" in row
            assert f"below {c.quarantine_below_V:.1f} V" in row
