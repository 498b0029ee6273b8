"""Recipes: checked key by key, every step bounded in time, never a traceback."""

import string
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.common.errors import InputError
from amphora.harness.plans.recipe import CONDITIONS, FIELDS, load_recipe, read_recipe, recipe_names

HEAD = 'name = "mine"\nsummary = "a try"\n'
DISCHARGE = '[[step]]\nkind = "discharge"\ncurrent = "0.2 It"\n'

SHIPPED = [
    "charge", "duty-night", "identify", "lamp", "leads", "load-steps", "log", "overnight", "panel", "retention",
    "screen", "standard-capacity", "storage", "watch-resistor",
]  # fmt: skip


def test_the_recipes_that_ship_are_these_and_can_be_read():
    assert recipe_names() == SHIPPED
    for name in SHIPPED:
        recipe = load_recipe(name)
        assert recipe.name == name
        assert recipe.summary


def test_overnight_never_charges_and_charging_recipes_want_somebody():
    def kinds(steps):
        return {step.kind for step in steps} | {kind for step in steps for kind in kinds(step.steps)}

    assert "charge" not in kinds(load_recipe("overnight").steps)
    for name in SHIPPED:
        recipe = load_recipe(name)
        if "charge" in kinds(recipe.steps):
            assert recipe.attended, name


def test_a_recipe_of_ones_own_is_read_by_its_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + DISCHARGE + 'at_most = "20 h"\nuntil = { voltage_falls_to = "cut-off" }\n')
    recipe = load_recipe(str(path))
    assert recipe.steps[0].number("at_most") == 72000.0
    assert recipe.steps[0].conditions["voltage_falls_to"].word == "cut-off"


REFUSED = [
    ("name = [", "not TOML"),
    ("", "name is missing"),
    ('name = "Mine!"\nsummary="x"\n', "small letters"),
    ('name = "mine"\n', "there is no step"),
    (HEAD, "there is no step"),
    (HEAD + 'colour = "red"\n', "'colour' is not known; name, summary"),
    (HEAD + 'attended = "yes"\n[[step]]\nkind="rest"\nduration="1 h"\n', "true or false"),
    (HEAD + "step = 3\n", "there is no step"),
    (HEAD + "step = [3]\n", "step 1: 3 is not a table"),
    (HEAD + "[[step]]\n", "kind = None is not accepted; rest, charge"),
    (HEAD + '[[step]]\nkind = "boil"\n', "'boil' is not accepted; rest, charge"),
    (HEAD + '[[step]]\nkind = "rest"\n', "has no upper bound in time"),
    (HEAD + DISCHARGE, "has no upper bound in time"),
    (HEAD + DISCHARGE + 'until = { voltage_falls_to = "3.0 V" }\n', "has no upper bound in time"),
    (HEAD + DISCHARGE + 'at_most = "20 h"\n', "nothing ends it but its upper bound"),
    (HEAD + DISCHARGE + 'at_most = "20"\nuntil = { voltage_falls_to = "3.0 V" }\n', "at_most"),
    (HEAD + DISCHARGE + 'at_most = "0 h"\nuntil = { voltage_falls_to = "3.0 V" }\n', "above zero"),
    (HEAD + DISCHARGE + 'at_most = "5000 d"\nuntil = { voltage_falls_to = "3.0 V" }\n', "beyond what is accepted"),
    (HEAD + DISCHARGE + 'at_most = "20 h"\nuntil = { voltage_falls_to = "3,0 V" }\n', "'3,0 V' is not accepted"),
    (HEAD + DISCHARGE + 'at_most = "20 h"\nuntil = { volts = "3.0 V" }\n', "'volts' is not known; voltage_falls_to"),
    (HEAD + DISCHARGE + 'at_most = "20 h"\nuntil = "cut-off"\n', "no table of conditions"),
    (HEAD + DISCHARGE + 'at_most = "20 h"\nuntil = {}\n', "no table of conditions"),
    (HEAD + DISCHARGE + 'speed = "fast"\nat_most = "1 h"\n', "'speed' is not known; kind, name"),
    (HEAD + '[[step]]\nkind = "discharge"\nat_most = "1 h"\nnormal_end = "time"\n', "exactly one of current"),
    (HEAD + DISCHARGE + 'power = "1 W"\nat_most = "1 h"\nnormal_end = "time"\n', "exactly one of current"),
    (HEAD + '[[step]]\nkind = "discharge"\ncurrent = "0 A"\nat_most = "1 h"\nnormal_end = "time"\n', "above zero"),
    (HEAD + '[[step]]\nkind = "discharge"\ncurrent = "-1 A"\nat_most = "1 h"\nnormal_end = "time"\n', "above zero"),
    (
        HEAD
        + '[[step]]\nkind = "discharge"\ncurrent = { parameter = "current" }\nat_most = "1 h"\nnormal_end = "time"\n',
        "which the recipe lacks",
    ),
    (
        HEAD + '[[step]]\nkind = "charge"\ncurrent = "0.1 It"\nat_most = "1 h"\nnormal_end = "time"\n',
        "voltage is missing",
    ),
    (HEAD + '[[step]]\nkind = "pulses"\n', "level is missing"),
    (HEAD + '[[step]]\nkind = "pulses"\nlevel = [{ current = "1 A" }]\n', "level 1: key 'duration' is missing"),
    (HEAD + '[[step]]\nkind = "pulses"\nlevel = [{ current = "1 A", duration = "1 h" }]\n', "is no pulse"),
    (HEAD + '[[step]]\nkind = "ask"\ntext = "do it"\n', "has no upper bound in time"),
    (HEAD + '[[step]]\nkind = "ask"\nat_most = "1 h"\n', "text is missing"),
    (HEAD + '[[step]]\nkind = "repeat"\ntimes = 3\n', "there is no step in it"),
    (HEAD + '[[step]]\nkind = "repeat"\ntimes = 0\n', "whole number"),
    (
        HEAD + '[[step]]\nkind = "repeat"\ntimes = 1999\n[[step.step]]\nkind = "repeat"\ntimes = 1999\n'
        '[[step.step.step]]\nkind = "rest"\nduration = "1 s"\n',
        "at most 2000 are accepted",
    ),
    (HEAD + '[parameters.colour]\ndefault = "1 A"\n[[step]]\nkind="rest"\nduration="1 h"\n', "'colour' is not known"),
    (
        HEAD
        + '[parameters.current]\ndefault="1 A"\nlowest="2 A"\nhighest="3 A"\n[[step]]\nkind="rest"\nduration="1 h"\n',
        "default is not between",
    ),
    (
        HEAD + '[[step]]\nkind="sweep"\nwith="supply"\nquantity="resistance"\nfrom="1 ohm"\nto="2 ohm"\npoints=3\n'
        'dwell="1 s"\n',
        "a supply sweeps its voltage",
    ),
]


@pytest.mark.parametrize(("text", "why"), REFUSED)
def test_a_broken_recipe_is_named_by_file_step_and_key(text, why):
    with pytest.raises(InputError) as caught:
        read_recipe(text, "mine.toml")
    message = str(caught.value)
    assert message.startswith("mine.toml: ")
    assert why in message
    assert "\n" not in message


def test_an_unknown_recipe_is_refused_with_those_there_are():
    with pytest.raises(InputError, match="'over-night' is not known; charge, "):
        load_recipe("over-night")
    with pytest.raises(InputError, match="there is no such recipe"):
        load_recipe("./no-such-file.toml")


KEYS = sorted({key for fields in FIELDS.values() for key in fields} | {"colour"})
SCALARS = st.one_of(
    st.sampled_from(
        ["cut-off", "charge limit", "taper", "window", "time", "0.2 It", "500 mA", "3.0 V", "1 h", "10 ohm", "2 W",
         "3,0 V", "nan V", "load", "supply", "voltage", "resistance", "ratio", "measured", "cc-cv", "-1 h", "80 %"]
    ),
    st.integers(-3, 3000),
    st.floats(),
    st.booleans(),
    st.text(alphabet=string.ascii_letters + " .-%", max_size=8),
)  # fmt: skip
TABLES = st.dictionaries(
    st.sampled_from([*CONDITIONS, "current", "duration", "rest", "parameter"]), SCALARS, max_size=3
)
FIELD = st.one_of(SCALARS, TABLES, st.lists(TABLES, max_size=2))
STEP = st.builds(
    lambda kind, fields: {**fields, "kind": kind},
    st.sampled_from([*FIELDS, "boil"]),
    st.dictionaries(st.sampled_from(KEYS), FIELD, max_size=7),
)


def _toml(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {_toml(one)}' for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if isinstance(value, str):
        return '"' + value + '"'
    return repr(value)


@settings(max_examples=100, deadline=None)
@given(st.lists(STEP, max_size=3))
def test_whatever_stands_in_a_recipe_it_is_accepted_bounded_or_refused_in_one_sentence(steps):
    text = HEAD + f"step = {_toml(steps)}\n"
    try:
        recipe = read_recipe(text, "mine.toml")
    except InputError as error:
        assert str(error).startswith("mine.toml: ")
        assert "\n" not in str(error)
        return
    for step in recipe.steps:
        bounds = {"at_most", "duration"} & set(step.values)
        assert bounds or step.kind in ("pulses", "sweep", "repeat")


@settings(deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_recipe_or_refused(text):
    try:
        read_recipe(text, "mine.toml")
    except InputError as error:
        assert str(error).startswith("mine.toml: ")


def test_the_page_on_recipes_names_every_recipe_kind_field_condition_and_word():
    page = (Path(__file__).parents[2] / "docs" / "recipes.md").read_text(encoding="utf-8")
    wanted = {*recipe_names(), *FIELDS, *CONDITIONS}
    for fields in FIELDS.values():
        for field, takes in fields.items():
            wanted |= {field, *(f'"{one[5:]}"' for one in takes if one.startswith("word:"))}
    missing = sorted(
        word
        for word in wanted
        if not any(mark in page for mark in (f"`{word}`", f"`{word} =", word if '"' in word else "\0"))
    )
    assert missing == []
