"""Promises of the sentences for keys and values that are not accepted: one form, short, with what is."""

import copy
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import read_chemistry
from amphora.harness.common.alarm import Alarm
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.common.fields import finite, finite_number, shown, table_of, unknown
from amphora.harness.decisions.criteria import read_criteria
from amphora.harness.decisions.duty import duty_from_dict
from amphora.harness.plans.recipe import read_recipe

LONG = "k" * 5000
HUGE = "0x" + "f" * 20000  # TOML takes it; Python refuses to print it in decimals
LOAD = {"role": "load", "resource": "TCPIP::127.0.0.1::5025::SOCKET"}
STEP = '[[step]]\nkind = "rest"\nduration = "1 h"\n'
RECIPE = 'name = "mine"\nsummary = "a try"\n'
CHEMISTRY = files("amphora.profiles").joinpath("chemistries", "li-ion.toml").read_text(encoding="utf-8")


def bench(**tables: Any) -> None:
    bench_from_dict({"name": "b", "instruments": {"load": dict(LOAD)}, **tables}, "my.toml")


READERS: dict[str, tuple[Callable[[str], object], str]] = {
    "bench": (lambda key: bench(**{key: 1}), "leads"),
    "instrument's specification": (
        lambda key: bench(instruments={"load": {**LOAD, "specification": {"voltage": {key: 1}}}}),
        "offset",
    ),
    "specified channel": (lambda key: bench(instruments={"load": {**LOAD, "specification": {key: {}}}}), "current"),
    "bench's cell": (lambda key: bench(cell={key: "load"}), "voltage"),
    "check resistor": (lambda key: bench(check_resistor={"resistance": "1 ohm", key: 1}), "tolerance"),
    "alarms": (lambda key: Alarm({key: 1}, "my.toml: alarms"), "webhook"),
    "chemistry": (lambda key: read_chemistry(f"{key} = 1\n{CHEMISTRY}", "my.toml"), "numbers"),
    "chemistry's number": (lambda key: read_chemistry(f"{CHEMISTRY}\n[numbers.{key}]\n", "my.toml"), "cutoff_V"),
    "recipe": (lambda key: read_recipe(f"{RECIPE}{key} = 1\n{STEP}", "my.toml"), "summary"),
    "recipe's step": (lambda key: read_recipe(f"{RECIPE}{STEP}{key} = 1\n", "my.toml"), "at_most"),
    "recipe's condition": (
        lambda key: read_recipe(f"{RECIPE}{STEP}until = {{ {key} = 1 }}\n", "my.toml"),
        "voltage_falls_to",
    ),
    "recipe's parameter": (lambda key: read_recipe(f"{RECIPE}{STEP}[parameters.{key}]\n", "my.toml"), "current"),
    "cell": (lambda key: Cell.from_dict({"id": "a", key: 1}, "my.toml"), "markings"),
    "inspection": (lambda key: Cell.from_dict({"id": "a", "inspection": {key: "none"}}, "my.toml"), "swelling"),
    "device": (lambda key: duty_from_dict({key: 1}, "my.toml"), "chemistry"),
    "criteria": (lambda key: read_criteria(f"{key} = 1\n", "my.toml"), "guard"),
}


def refusal(read: Callable[[str], object], key: str) -> str:
    with pytest.raises(InputError) as caught:
        read(key)
    return str(caught.value)


@pytest.mark.parametrize("what", READERS)
def test_every_reader_says_an_unknown_key_in_the_same_words(what: str) -> None:
    read, known = READERS[what]
    said = refusal(read, "xyzzy")
    found = re.fullmatch(r"my\.toml(: .+)?: key 'xyzzy' is not known; (.+) (are|is) accepted", said)
    assert found is not None, said
    assert known in found[2].split(", ")


@pytest.mark.parametrize("what", READERS)
def test_a_key_of_kilobytes_does_not_come_back_whole(what: str) -> None:
    said = refusal(READERS[what][0], LONG)
    assert "k" * 61 not in said and f"'{'k' * 60}'…" in said
    assert len(said) < 1200 and "\n" not in said


@pytest.mark.parametrize("what", READERS)
def test_a_slip_of_the_pen_is_told_with_the_key_that_is_near(what: str) -> None:
    read, known = READERS[what]
    said = refusal(read, known[0] + known[2:])
    assert said.endswith(f"accepted ({known!r} is near)"), said


@pytest.mark.parametrize(
    "read",
    [
        lambda: bench(leads=LONG),
        lambda: bench(speed_up=int(HUGE, 16)),
        lambda: bench(instruments={LONG: {"role": "oven"}}),
        lambda: bench(instruments={"load": {**LOAD, "specification": {"voltage": {"gain": int(HUGE, 16)}}}}),
        lambda: bench(instruments={"load": {**LOAD, "specification": {"voltage": {"k": int(HUGE, 16)}}}}),
        lambda: bench(instruments={"load": {**LOAD, "specification": {"voltage": {"band_K": int(HUGE, 16)}}}}),
        lambda: bench(instruments={"load": {**LOAD, "specification": {"voltage": {"range": "20 V", "offset": LONG}}}}),
        lambda: bench(check_resistor=[LONG]),
        lambda: bench(check_resistor={"resistance": int(HUGE, 16)}),
        lambda: bench(cell={"voltage": LONG}),
        lambda: Alarm({"command": LONG}, "my.toml: alarms"),
        lambda: Alarm({"limit": int(HUGE, 16)}, "my.toml: alarms"),
        lambda: read_chemistry(CHEMISTRY.replace('method = "cc-cv"', f'method = "{LONG}"'), "my.toml"),
        lambda: read_recipe(f"{RECIPE.replace('mine', LONG)}{STEP}", "my.toml"),
        lambda: read_recipe(f"{RECIPE}[[step]]\nkind = {HUGE}\n", "my.toml"),
        lambda: read_recipe(f"{RECIPE}[[step]]\nkind = 'rest'\nname = '{LONG[:1000]}'\n", "my.toml"),
        lambda: read_recipe(f"{RECIPE}[[step]]\nkind = 'rest'\nduration = {HUGE}\n", "my.toml"),
        lambda: read_recipe(f"{RECIPE}{STEP}attended = {HUGE}\n", "my.toml"),
        lambda: Cell.from_dict({"id": "a", "mass_g": int(HUGE, 16)}, "my.toml"),
        lambda: Cell.from_dict({"id": "a", "state": LONG}, "my.toml"),
        lambda: Cell.from_dict({"id": "a", "format": LONG}, "my.toml"),
        lambda: Cell.from_dict({"id": "a", "inspection": {"dents": LONG}}, "my.toml"),
        lambda: Cell.from_dict(json.loads("[" * 500 + "]" * 500), "my.toml"),
    ],
)
def test_no_value_is_so_large_that_it_comes_back_whole_or_cannot_be_told(read: Callable[[], object]) -> None:
    with pytest.raises(InputError) as caught:
        read()
    said = str(caught.value)
    assert said.startswith("my.toml: ") and "k" * 61 not in said and len(said) < 1200 and "\n" not in said


def places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in data.items() if isinstance(data, dict) else enumerate(data):
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from places(value, (*path, key))


def shipped(*folders: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for one in files("amphora.profiles").joinpath(*folders).iterdir():
        if one.name.endswith(".toml"):
            yield one.name, tomllib.loads(one.read_text(encoding="utf-8"))


def from_text(read: Callable[[str, str], object], module: str) -> Callable[[dict[str, Any]], object]:
    """The reader of a text, given what the text holds."""

    def read_data(data: dict[str, Any]) -> object:
        with patch(f"{module}.tomllib.loads", lambda text: data):
            return read("", "my.toml")

    return read_data


FULL_BENCH: dict[str, Any] = {
    "name": "b", "leads": "wired", "speed_up": 2.0, "note": "x", "sensed_at": "cell", "simulated": True,
    "instruments": {
        "load": {**LOAD, "specification": {"voltage": {
            "gain": "0.1 %", "offset": "1 mV", "resolution": "1 mV", "range": "20 V", "distribution": "normal", "k": 2,
            "gain_per_K": "1 ppm", "offset_per_K": "1 ppm", "reference_degC": 23, "band_K": 5,
        }}},
        "thermometer": {"role": "logger", "port": "/dev/nobody"},
    },
    "cell": {"voltage": "load", "current": ["load"], "temperature": "thermometer", "voltage_when_off": "load"},
    "check_resistor": {"resistance": "10 ohm", "tolerance": "0.1 %", "power": "1 W", "note": "n"},
    "alarms": {"bell": True, "desktop": False, "command": ["a"], "webhook": "http://a/b", "kinds": ["stop"],
               "limit": "5 s"},
}  # fmt: skip
FULL_CELL: dict[str, Any] = {
    "format": "amphora-cell/1", "id": "a", "form": "18650", "chemistry": "li-ion", "source": "lamp", "markings": "m",
    "claim_Ah": 1.0, "mass_g": 44.0, "as_found_V": 3.7, "as_found_utc": "2026-11-20T18:02:00Z",
    "inspection": {"dents": "none"}, "photos": ["a.jpg"], "notes": "n", "state": "found",
    "declared_rechargeable": True, "identified": {"answer": "x"},
}  # fmt: skip
WHOLE: list[tuple[str, dict[str, Any], Callable[[dict[str, Any]], object]]] = [
    ("bench", FULL_BENCH, lambda data: bench_from_dict(data, "my.toml")),
    ("cell", FULL_CELL, lambda data: Cell.from_dict(data, "my.toml")),
    ("chemistry", tomllib.loads(CHEMISTRY), from_text(read_chemistry, "amphora.harness.cells.chemistry")),
    *((name, data, from_text(read_recipe, "amphora.harness.plans.recipe")) for name, data in shipped("recipes")),
    *((name, data, lambda held: duty_from_dict(held, "my.toml")) for name, data in shipped("duties")),
    *((name, data, from_text(read_criteria, "amphora.harness.decisions.criteria")) for name, data in shipped("grades")),
]


@pytest.mark.parametrize(("name", "data", "read"), WHOLE, ids=[name for name, _, _ in WHOLE])
def test_whatever_stands_at_any_place_of_a_file_is_taken_or_refused_in_one_sentence(
    name: str, data: dict[str, Any], read: Callable[[dict[str, Any]], object]
) -> None:
    read(data)
    refused = 0
    for path in places(data):
        odd: tuple[object, ...] = (int(HUGE, 16), LONG, f"{LONG} V", [[]], {}, None, True, -1, {"parameter": 1})
        for value in odd:
            changed = copy.deepcopy(data)
            table: Any = changed
            for key in path[:-1]:
                table = table[key]
            table[path[-1]] = value
            try:
                read(changed)
            except AmphoraError as error:
                refused += 1
                said = str(error)
                assert said.startswith("my.toml") and "\n" not in said and "k" * 61 not in said, path
    assert refused > len(list(places(data)))


def test_what_is_missing_is_told_with_all_that_has_to_be_there() -> None:
    with pytest.raises(InputError, match=r"^here: key 'b' is missing; a, b have to be there$"):
        table_of({"a": 1}, "here", ("a", "b", "c"), ("a", "b"))
    assert table_of({"a": 1, "b": 2}, "here", ("a", "b", "c"), ("a", "b")) == {"a": 1, "b": 2}


def test_only_a_name_that_is_near_is_hinted_at() -> None:
    assert unknown("chemistry", "ni-mh", ["nimh"]).endswith("nimh is accepted ('nimh' is near)")
    assert unknown("chemistry", "wood", ["nimh", "lfp"]).endswith("; nimh, lfp are accepted")
    assert unknown("mode", 3, ["3 W"]) == "mode 3 is not known; 3 W is accepted"


def test_values_are_shown_on_one_line() -> None:
    assert shown("a\nb") == "'a\\nb'" and shown(2.5) == "2.5" and shown("k" * 60) == f"'{'k' * 60}'"
    assert shown(["x" * 100]) == "['" + "x" * 58 + "…"


def test_a_whole_number_beyond_every_float_is_no_finite_number() -> None:
    assert finite_number(10**400) is None and finite_number(True) is None and finite_number(float("nan")) is None
    assert finite_number(3) == 3.0 and isinstance(finite_number(3), float)


def test_plain_data_holds_no_array_no_path_and_no_number_that_json_has_not() -> None:
    given = {
        1: (np.float64("nan"), np.float32(2), np.int64(3), math.inf),
        "a": np.array([[1.0, np.nan]]),
        "p": Path("x/y"),
    }
    plain = finite(given)
    assert plain == {"1": [None, 2.0, 3, None], "a": [[1.0, None]], "p": "x/y"}
    assert type(plain["1"][1]) is float and type(plain["1"][2]) is int
    assert finite([True, None, "nan", 10**400]) == [True, None, "nan", 10**400]
