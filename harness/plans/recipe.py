"""Recipes: ordered steps as a person writes them in TOML, checked key by key. Data only.

A recipe knows no cell and no bench. Its values are quantities ("500 mA"), multiples of It
("0.2 It"), or words that a chemistry turns into numbers ("cut-off", "charge limit"), which
`plans.steps` does. Every step says what ends it and has an upper bound in time.
docs/recipes.md is the reference for people; `FIELDS` is the one for this program.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from amphora.drivers.hands import ACTS
from amphora.harness.common.errors import InputError, QuantityError
from amphora.harness.common.fields import as_written, name_shown, near_file, shown, table_of, unknown, why_unreadable
from amphora.harness.common.quantities import parse

PARAMETER_KEYS = ("default", "lowest", "highest")
PARAMETERS = ("current",)
MOST_STEPS = 2000
MOST_DEPTH = 4

# What each field takes: kinds of quantities, "word:..." for words, or a plain type.
CURRENT = ("current", "rate_It", "parameter")
COMMON: dict[str, tuple[str, ...]] = {
    "kind": ("text",),
    "name": ("text",),
    "only_when": ("word:cc-cv", "word:timed", "word:capacity unknown", "word:may be charged"),
}
TIMED: dict[str, tuple[str, ...]] = {
    "at_most": ("duration", "word:window"),
    "normal_end": ("word:time",),
    "sample_every": ("duration",),
    "until": ("conditions",),
}
FIELDS: dict[str, dict[str, tuple[str, ...]]] = {
    "rest": {**COMMON, **TIMED, "duration": ("duration",)},
    "charge": {
        **COMMON, **TIMED,
        "current": (*CURRENT, "word:pre-charge", "word:usual"),
        "voltage": ("voltage", "word:charge limit", "word:storage", "word:identify"),
    },
    "discharge": {
        **COMMON, **TIMED,
        "current": CURRENT, "resistance": ("resistance",), "power": ("power",),
        "it_from": ("word:measured",),
    },
    "pulses": {
        **COMMON,
        "level": ("levels",), "times": ("count",), "rest_before": ("duration",), "sample_every": ("duration",),
        "at_most": ("duration",), "it_from": ("word:measured",),
    },
    "sweep": {
        **COMMON,
        "with": ("word:load", "word:supply"),
        "quantity": ("word:voltage", "word:resistance", "word:current"),
        "from": ("voltage", "resistance", "current", "word:charge limit", "word:cut-off", "word:below cut-off"),
        "to": ("voltage", "resistance", "current", "word:charge limit", "word:cut-off", "word:below cut-off"),
        "points": ("count",), "dwell": ("duration",), "spacing": ("word:even", "word:ratio"),
        "current": ("current",), "sample_every": ("duration",), "at_most": ("duration",),
    },
    "log": {**COMMON, **TIMED, "duration": ("duration",), "leads": ("word:open", "word:discharge", "word:charge")},
    "ask": {**COMMON, "text": ("text",), "at_most": ("duration",), "act": tuple(f"word:{act}" for act in ACTS)},
    "repeat": {**COMMON, "times": ("count",), "leave_at_cutoff": ("flag",), "step": ("steps",)},
}  # fmt: skip
CONDITIONS: dict[str, tuple[str, ...]] = {
    "voltage_falls_to": ("voltage", "word:cut-off", "word:storage"),
    "voltage_reaches": ("voltage", "word:charge limit", "word:pre-charge", "word:identify"),
    "current_falls_to": ("current", "rate_It", "word:taper"),
    "charge_reaches": ("capacity", "ratio", "word:window"),
    "temperature_reaches": ("temperature",),
    "temperature_rises_by": ("temperature_difference", "word:window"),
    "temperature_rate_reaches": ("temperature_rate", "word:window"),
    "voltage_drops_by": ("voltage",),
    "voltage_rate_falls_to": ("voltage_rate",),
}
LEVEL: dict[str, tuple[str, ...]] = {
    "current": ("current", "rate_It"), "duration": ("duration",), "rest": ("duration",)
}  # fmt: skip
POSITIVE = frozenset(
    {"duration", "at_most", "sample_every", "dwell", "current", "resistance", "power", "voltage"}
)  # a zero here says nothing
MOST: dict[str, float] = {
    "duration": 400 * 86400.0, "at_most": 400 * 86400.0, "rest": 86400.0, "rest_before": 86400.0, "dwell": 3600.0,
    "sample_every": 3600.0,
}  # fmt: skip


@dataclass(frozen=True)
class LevelTable:
    """The keys of one level of pulses."""

    current: Any = None
    duration: Any = None
    rest: Any = "0 s"


@dataclass(frozen=True)
class RecipeTable:
    """The keys of a recipe, as they are written."""

    name: Any = None
    summary: Any = None
    attended: Any = False
    device: Any = False
    full_start: Any = False
    parameters: Any = field(default_factory=dict)
    step: Any = None


@dataclass(frozen=True, slots=True)
class Value:
    """One value: a quantity of `kind`, or (kind `word` or `parameter`) a `word`."""

    kind: str
    number: float = 0.0
    word: str = ""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A value that may be asked for, within limits of the recipe."""

    default: Value
    lowest: Value
    highest: Value


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a pulse step: a current for a time, then a rest (0: straight to the next)."""

    current: Value
    duration_s: float
    rest_s: float


@dataclass(frozen=True, slots=True)
class RecipeStep:
    """One step as written. `where` is what messages name."""

    kind: str
    name: str
    where: str
    values: Mapping[str, Value] = field(default_factory=dict)
    conditions: Mapping[str, Value] = field(default_factory=dict)
    levels: tuple[Level, ...] = ()
    text: str = ""
    times: int = 1
    points: int = 0
    leave_at_cutoff: bool = False
    steps: tuple["RecipeStep", ...] = ()

    def word(self, key: str) -> str:
        """Return the word in a field, '' where there is none."""
        value = self.values.get(key)
        return value.word if value is not None else ""

    def number(self, key: str) -> float | None:
        """Return the number in a field, None where there is none or it is a word."""
        value = self.values.get(key)
        return None if value is None or value.kind in ("word", "parameter") else value.number


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe. `device`: what is connected is a lamp or a panel, not a cell."""

    name: str
    summary: str
    where: str
    attended: bool
    device: bool
    full_start: bool  # its figures want a cell that starts full
    parameters: Mapping[str, Parameter]
    steps: tuple[RecipeStep, ...]


def recipe_names() -> list[str]:
    """Return the names of the recipes that ship, sorted."""
    return sorted(
        one.name[:-5] for one in files("amphora.profiles").joinpath("recipes").iterdir() if one.name.endswith(".toml")
    )


def load_recipe(name: str) -> Recipe:
    """Return a recipe that ships, by name, or one's own, by its path.

    Raises:
        InputError: no such recipe, or it is not accepted: file, step, key, value.
    """
    if name.endswith(".toml") or "/" in name or "\\" in name:
        path = Path(name)
        try:
            return read_recipe(path.read_text(encoding="utf-8"), str(path))
        except FileNotFoundError as error:
            raise InputError(f"{path}: there is no such recipe{near_file(path)}") from error
        except (OSError, ValueError) as error:
            raise InputError(f"{path}: cannot be read: {why_unreadable(error)}") from error
    if name not in recipe_names():
        raise InputError(unknown("recipe", name, recipe_names(), ", or the path of a recipe"))
    text = files("amphora.profiles").joinpath("recipes", f"{name}.toml").read_text(encoding="utf-8")
    return read_recipe(text, f"profiles/recipes/{name}.toml")


def read_recipe(text: str, where: str) -> Recipe:
    """Read the text of a recipe; errors as in `load_recipe`."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError(f"{where}: is not TOML: {error}") from error
    table = as_written(RecipeTable, data, where)
    name = _text(table.name, f"{where}: name")
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,39}", name):
        raise InputError(f"{where}: name = {shown(name)} is not accepted; small letters, digits and hyphens are")
    steps = _steps(table.step, where, 0)
    total = sum(_size(step) for step in steps)
    if total > MOST_STEPS:
        raise InputError(f"{where}: unrolls to {total} steps; at most {MOST_STEPS} are accepted")
    recipe = Recipe(
        name=name,
        summary=_text(table.summary, f"{where}: summary"),
        where=where,
        attended=_flag(table.attended, f"{where}: attended"),
        device=_flag(table.device, f"{where}: device"),
        full_start=_flag(table.full_start, f"{where}: full_start"),
        parameters=_parameters(table.parameters, where),
        steps=steps,
    )
    for step in _all(recipe.steps):
        for key, value in step.values.items():
            if value.kind == "parameter" and value.word not in recipe.parameters:
                raise InputError(f"{step.where}: {key} names the parameter {shown(value.word)}, which the recipe lacks")
    return recipe


def _all(steps: tuple[RecipeStep, ...]) -> list[RecipeStep]:
    found = []
    for step in steps:
        found.append(step)
        found.extend(_all(step.steps))
    return found


def _size(step: RecipeStep) -> int:
    if step.kind == "pulses":
        return max(step.times * len(step.levels), 1)
    return step.times * sum(_size(child) for child in step.steps) if step.kind == "repeat" else max(step.points, 1)


def _text(text: object, where: str) -> str:
    if not isinstance(text, str) or not text.strip() or len(text) > 2000:
        raise InputError(f"{where} is missing or no text")
    return text


def _flag(flag: object, where: str) -> bool:
    if not isinstance(flag, bool):
        raise InputError(f"{where} = {shown(flag)} is not accepted; true or false is")
    return flag


def _parameters(data: Any, where: str) -> dict[str, Parameter]:
    found = {}
    for name, entry in table_of(data, f"{where}: parameters", PARAMETERS).items():
        here = f"{where}: parameters.{name}"
        table = table_of(entry, here, PARAMETER_KEYS, PARAMETER_KEYS)
        values = {key: _value(table[key], ("current", "rate_It"), f"{here}.{key}", key) for key in PARAMETER_KEYS}
        if len({value.kind for value in values.values()}) > 1:
            raise InputError(f"{here}: default, lowest and highest want the same unit, A or It")
        parameter = Parameter(**values)
        if not 0 < parameter.lowest.number <= parameter.default.number <= parameter.highest.number:
            raise InputError(f"{here}: default is not between lowest and highest, above zero")
        found[name] = parameter
    return found


def _steps(data: Any, where: str, depth: int) -> tuple[RecipeStep, ...]:
    if not isinstance(data, list) or not data:
        raise InputError(f"{where}: there is no step; at least one [[step]] table is needed")
    if depth > MOST_DEPTH:
        raise InputError(f"{where}: repeats inside repeats more than {MOST_DEPTH} deep are not accepted")
    return tuple(_step(table, f"{where}: step {index}", depth) for index, table in enumerate(data, 1))


def _step(table: Any, where: str, depth: int) -> RecipeStep:
    if not isinstance(table, dict):
        raise InputError(f"{where}: {shown(table)} is not a table; one with kind is accepted")
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in FIELDS:
        raise InputError(f"{where}: kind = {shown(kind)} is not accepted; {', '.join(FIELDS)} are")
    accepted = FIELDS[kind]
    name = _text(table["name"], f"{where}: name") if "name" in table else kind
    here = f"{where} ({name_shown(name)})"
    table_of(table, here, accepted)
    values: dict[str, Value] = {}
    more: dict[str, Any] = {}
    for key, raw in table.items():
        takes = accepted[key]
        if key in ("kind", "name"):
            continue
        if takes == ("text",):
            more["text"] = _text(raw, f"{here}: {key}")
        elif takes == ("conditions",):
            more["conditions"] = _conditions(raw, here)
        elif takes == ("levels",):
            more["levels"] = _levels(raw, here)
        elif takes == ("count",):
            more[key] = _count(raw, f"{here}: {key}")
        elif takes == ("flag",):
            more["leave_at_cutoff"] = _flag(raw, f"{here}: {key}")
        elif takes == ("steps",):
            more["steps"] = _steps(raw, here, depth + 1)
        else:
            values[key] = _value(raw, takes, f"{here}: {key}", key)
    step = RecipeStep(kind, name, here, values, **more)
    _complete(step)
    return step


def _count(raw: Any, where: str) -> int:
    if not isinstance(raw, int) or isinstance(raw, bool) or not 1 <= raw <= MOST_STEPS:
        raise InputError(f"{where} = {shown(raw)} is not accepted; a whole number from 1 to {MOST_STEPS} is")
    return raw


def _value(raw: Any, takes: tuple[str, ...], where: str, key: str) -> Value:
    """Read one value: a parameter, a word, or a quantity of one of the kinds."""
    words = [one[5:] for one in takes if one.startswith("word:")]
    kinds = [one for one in takes if not one.startswith("word:") and one != "parameter"]
    if isinstance(raw, dict):
        if "parameter" in takes and set(raw) == {"parameter"} and isinstance(raw["parameter"], str):
            return Value("parameter", word=raw["parameter"])
        raise InputError(f"{where}: {_accepted(kinds, words, takes)} is accepted")
    if isinstance(raw, str) and raw in words:
        return Value("word", word=raw)
    first: QuantityError | None = None
    for kind in kinds:
        try:
            number = parse(raw, kind, where)
        except QuantityError as error:
            first = first or error
            continue
        if key in POSITIVE and not number > 0.0:
            raise InputError(f"{where}: {shown(raw)} is not accepted; it has to be above zero")
        if number > MOST.get(key, 1e9):
            raise InputError(f"{where}: {shown(raw)} is beyond what is accepted ({MOST.get(key, 1e9):g})")
        if abs(number) > 1e6 and key not in MOST:
            raise InputError(f"{where}: {shown(raw)} is beyond what a bench for single cells does")
        return Value(kind, number)
    if first is not None and not words and len(kinds) == 1:
        raise first
    raise InputError(f"{where}: {shown(raw)} is not accepted; {_accepted(kinds, words, takes)} is")


def _accepted(kinds: list[str], words: list[str], takes: tuple[str, ...]) -> str:
    from amphora.harness.common.quantities import EXAMPLES

    said = [EXAMPLES[kind] for kind in kinds] + [repr(word) for word in words]
    if "parameter" in takes:
        said.append('{ parameter = "current" }')
    return ", or ".join(said)


def _conditions(raw: Any, where: str) -> dict[str, Value]:
    if not isinstance(raw, dict) or not raw:
        raise InputError(f"{where}: until is no table of conditions; {', '.join(CONDITIONS)} are accepted")
    table = table_of(raw, f"{where}: until", CONDITIONS)
    return {key: _value(value, CONDITIONS[key], f"{where}: until.{key}", key) for key, value in table.items()}


def _levels(raw: Any, where: str) -> tuple[Level, ...]:
    if not isinstance(raw, list) or not raw:
        raise InputError(f"{where}: level is no list of tables with {', '.join(LEVEL)}")
    levels = []
    for index, entry in enumerate(raw, 1):
        here = f"{where}: level {index}"
        table = as_written(LevelTable, entry, here, ("current", "duration"))
        current, duration, rest = (
            _value(written, LEVEL[key], f"{here}: {key}", key)
            for key, written in (("current", table.current), ("duration", table.duration), ("rest", table.rest))
        )
        if duration.number > 120.0:
            raise InputError(f"{here}: duration {shown(table.duration)} is no pulse; at most 120 s are accepted")
        levels.append(Level(current, duration.number, rest.number))
    return tuple(levels)


def _complete(step: RecipeStep) -> None:
    """Refuse a step that lacks what it needs, its upper bound in time first of all."""
    where, kind, values = step.where, step.kind, step.values
    if kind == "ask" and not step.text:
        raise InputError(f"{where}: text is missing; what is the person asked to do")
    if kind in ("rest", "log"):
        _bounded(step)
    if kind in ("charge", "discharge", "ask") and "at_most" not in values:
        raise InputError(f'{where}: has no upper bound in time; at_most = "14 h", say, is needed')
    bounded_only = "at_most" in values and kind not in ("ask", "pulses", "sweep") and not step.conditions
    if bounded_only and "normal_end" not in values:
        raise InputError(f"{where}: nothing ends it but its upper bound; until, or normal_end = 'time', is needed")
    if kind == "charge":
        _need(step, ("current", "voltage"))
    if kind == "discharge" and sum(key in values for key in ("current", "resistance", "power")) != 1:
        raise InputError(f"{where}: exactly one of current, resistance, power is needed")
    if kind == "pulses" and not step.levels:
        raise InputError(f"{where}: level is missing; a list of tables with {', '.join(LEVEL)} is needed")
    if kind == "sweep":
        _complete_sweep(step)
    if kind == "repeat" and not step.steps:
        raise InputError(f"{where}: there is no step in it; at least one [[step.step]] table is needed")


def _bounded(step: RecipeStep) -> None:
    """Refuse a rest or log that says its time twice, or not at all."""
    if "duration" not in step.values:
        if "at_most" not in step.values:
            raise InputError(f"{step.where}: has no upper bound in time; duration, or at_most with until, is needed")
        return
    for key in ("at_most", "normal_end"):
        if key in step.values:
            raise InputError(f"{step.where}: {key} beside duration says the same twice; one of them is accepted")


def _complete_sweep(step: RecipeStep) -> None:
    where, quantity = step.where, step.word("quantity")
    _need(step, ("with", "quantity", "from", "to", "dwell"))
    if step.points < 2:
        raise InputError(f"{where}: points is missing or below 2")
    if step.word("with") == "supply" and (quantity != "voltage" or "current" not in step.values):
        raise InputError(f"{where}: a supply sweeps its voltage, and current (its limit) is needed")
    for key in ("from", "to"):
        one = step.values[key]
        if one.kind not in ("word", quantity) or (one.kind == "word" and quantity != "voltage"):
            raise InputError(f"{where}: {key} is no {quantity}, which is what is swept")
        if one.kind != "word" and one.number <= 0:
            raise InputError(f"{where}: {key} has to be above zero")


def _need(step: RecipeStep, keys: tuple[str, ...]) -> None:
    for key in keys:
        if key not in step.values:
            raise InputError(f"{step.where}: {key} is missing")


def every_step(steps: tuple[RecipeStep, ...]) -> list[RecipeStep]:
    """Return steps and the steps inside them, in the order they are written."""
    found: list[RecipeStep] = []
    for step in steps:
        found.append(step)
        found.extend(every_step(step.steps))
    return found
