"""Courses: the recipes a cell goes through, one after another, from TOML. Data only."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import shown, table_of, text_of, unknown, why_unreadable
from amphora.harness.common.quantities import parse
from amphora.harness.plans.recipe import load_recipe

LAST = "storage"  # what a course ends with: a cell goes to the shelf at its storage charge
MOST_STAGES = 20


@dataclass(frozen=True, slots=True)
class CourseTable:
    """The keys of a course's file, in the order that a refusal names them, as they are written."""

    name: Any
    summary: Any = ""
    least: Any = None
    stage: Any = ()


@dataclass(frozen=True, slots=True)
class StageTable:
    """The keys of a [[stage]], as they are written."""

    recipe: Any
    after: Any = "0 s"
    within: Any = None
    screened: Any = False


@dataclass(frozen=True, slots=True)
class Stage:
    """One recipe of a course. `after_s`, `within_s`: how long after the stage before at least and at most; second."""

    recipe: str
    charges: bool  # somebody has to be there
    name: str = ""  # the recipe's own name, for people
    roles: frozenset[str] = frozenset()  # of the instruments it needs: load, supply
    after_s: float = 0.0
    within_s: float | None = None
    screened: bool = False  # a cell that is not worth it by the screen is spared it, before it or in its beginning


@dataclass(frozen=True, slots=True)
class Course:
    """Stages in order; the last one leaves the cell at its storage charge.

    least_Ah: What a cell has to hold to be worth the screened stages; None: what the grade asks of its form.
    """

    name: str
    summary: str
    stages: tuple[Stage, ...]
    least_Ah: float | None = None


def shipped() -> list[str]:
    """Return the names of the built-in courses."""
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in (files("amphora.profiles") / "courses").iterdir()
        if entry.name.endswith(".toml")
    )


def load_course(name: str) -> Course:
    """Read a built-in course by its name, or one of your own by the path of its file.

    Raises:
        InputError: there is none, or its file says something that is not accepted.
    """
    if name in shipped():
        text = (files("amphora.profiles") / "courses" / f"{name}.toml").read_text(encoding="utf-8")
        return course_from_dict(tomllib.loads(text), f"course {name}")
    path = Path(name)
    if path.suffix != ".toml":
        raise InputError(f"--course: {unknown('course', name, shipped())}; or the path of a .toml file")
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read: {why_unreadable(error)}") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: is not TOML: {error}") from error
    return course_from_dict(data, str(path), path.parent)


def course_from_dict(data: Mapping[str, Any], where: str, folder: Path = Path()) -> Course:
    """Check a course given as data; a recipe's path counts from `folder`. Errors as in `load_course`."""
    table = CourseTable(**table_of(data, where, [one.name for one in fields(CourseTable)], ("name", "stage")))
    given = table.stage
    if not isinstance(given, list) or not 1 <= len(given) <= MOST_STAGES:
        raise InputError(f"{where}: stage = {shown(given)} is not accepted; 1 to {MOST_STAGES} [[stage]] tables are")
    stages = tuple(_stage(item, f"{where}, stage {number}", folder) for number, item in enumerate(given, 1))
    if stages[-1].name != LAST:
        raise InputError(
            f"{where}: the last stage is {stages[-1].name!r}; a course ends with {LAST!r}, so that no cell goes to "
            "the shelf full or empty"
        )
    if stages[-1].screened:
        raise InputError(f"{where}: screened = true is not accepted at the last stage; no cell is spared its {LAST!r}")
    least_Ah = None if table.least is None else parse(table.least, "capacity", f"{where}: least")
    if least_Ah is not None and not least_Ah > 0:
        raise InputError(f"{where}: least = {shown(table.least)} is not above 0")
    return Course(text_of(table.name, f"{where}: name"), text_of(table.summary, f"{where}: summary"), stages, least_Ah)


def _stage(data: Any, where: str, folder: Path) -> Stage:
    table = StageTable(**table_of(data, where, [one.name for one in fields(StageTable)], ("recipe",)))
    named = text_of(table.recipe, f"{where}: recipe")
    if named.endswith(".toml"):
        named = str((folder / named).absolute())
    recipe = load_recipe(named)
    kinds = set(_kinds(recipe.steps))
    roles = {"supply"} if "charge" in kinds else set()
    roles |= {"load"} if kinds & {"discharge", "pulses"} else set()
    after_s = parse(table.after, "duration", f"{where}: after")
    within_s = None if table.within is None else parse(table.within, "duration", f"{where}: within")
    if within_s is not None and within_s <= after_s:
        raise InputError(
            f"{where}: within = {shown(table.within)} is not accepted; a time longer than after is "
            f"({shown(table.after)})"
        )
    if not isinstance(table.screened, bool):
        raise InputError(f"{where}: screened = {shown(table.screened)} is not accepted; true or false is")
    return Stage(named, recipe.attended, recipe.name, frozenset(roles), after_s, within_s, table.screened)


def _kinds(steps: Any) -> Any:
    for step in steps:
        yield step.kind
        yield from _kinds(getattr(step, "steps", ()))


def stage_to_begin_with(course: Course, stage: int, since_s: float | None) -> int:
    """Return the stage to go on with: an earlier one where too long has passed since the stage before it ended.

    Args:
        course: What the cell goes through.
        stage: The one that would be next.
        since_s: How long ago the stage before it ended, second; None: nobody knows, or the cell was moved.
    """
    while stage > 0 and (limit_s := course.stages[stage].within_s) is not None:
        if stage == len(course.stages) - 1:
            return stage  # the charge for the shelf is never too late
        if since_s is not None and since_s <= limit_s:
            return stage
        stage, since_s = stage - 1, None
        if course.stages[stage].charges:
            return stage
    return stage
