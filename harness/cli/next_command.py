"""The exact next command, as it can be pasted: each command that has one ends with it."""

import os
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from amphora.harness.archive.run_folder import read_header
from amphora.harness.archive.run_header import header_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli.output import DEFAULT_LOGS

if TYPE_CHECKING:
    from amphora.harness.account.standing import Standing
    from amphora.harness.cells.cell import Cell
    from amphora.harness.plans.plan import Step


def show_next(*words: str | Path, logs: Path | None = None) -> None:
    """Print the next command; `--logs` is in it where the cells are not where they are looked for anyway."""
    usual = Path(os.environ.get("AMPHORA_LOGS") or DEFAULT_LOGS)
    more = [] if logs is None or logs == usual else ["--logs", str(logs)]
    print(f"Next: amphora {shlex.join([*map(str, words), *more])}")


def after_a_bag(logs: Path) -> list[str]:
    """Return the words of what comes after the last cell of a queue: the comparison, where anything was measured."""
    return ["compare", "--all"] if any(not one.damaged for one in Shelf(logs).list_runs()) else ["cell", "list"]


def options_given(given: Mapping[str, Any], annotations: Mapping[str, Any], defaults: Mapping[str, Any]) -> list[str]:
    """Return the words of the options that a person gave.

    Args:
        given: The value of each parameter.
        annotations: Its `Annotated` type, with the option's name in it.
        defaults: What it is when it is not given.
    """
    words: list[str] = []
    for name, value in given.items():
        if value is None or value is False or value == defaults.get(name):
            continue
        kind = next(one for one in get_args(annotations[name]) if hasattr(one, "param_decls"))
        option = [kind.default, *kind.param_decls][0]  # inside Annotated the name stands where a default would
        for one in value if isinstance(value, list) else [value]:
            words += [option] if one is True else [option, str(one)]
    return words


def run_words(asked: list[str], bench: str, steps: "Sequence[Step]") -> list[str]:
    """Return the words of the run that does what was planned.

    A time by which it has to be done is replaced by the current that the plan chose for it: the run may begin later.

    Args:
        asked: The options that the plan was asked with.
        bench: The bench file.
        steps: The plan's steps.
    """
    words = ["run", *asked]
    if "--ready-by" in words:
        at = words.index("--ready-by")
        orders = [segment.order for step in steps if step.kind == "discharge" for segment in step.segments]
        currents = [order.value or 0.0 for order in orders if order.kind == "discharge" and order.mode == "current"]
        words[at : at + 2] = ["--current", f"{currents[-1] * 1000:g} mA"] if currents else words[at : at + 2]
    return [*words, "--bench", bench]


AFTER_A_RUN = {  # the recipe that ran: what a person does next
    "charge": ("plan", "--cell", "{cell}", "--profile", "overnight", "--bench", "{bench}"),
    "identify": ("identify", "{cell}", "--save"),
    "screen": ("screen", "{cell}"),
    "retention": ("cell", "show", "{cell}"),
    "storage": ("cell", "show", "{cell}"),
    "lamp": ("duty", "from-run", "{cell}@lamp", "--out", "{cell}.toml"),
    "panel": ("duty", "from-run", "LAMP@lamp", "--panel", "{cell}@panel", "--out", "lamp.toml"),
}


def after_a_look(cell: "Cell", standing: "Standing", may_charge: bool) -> list[str]:
    """Return the words of what comes after a look at a cell: its check, its first run, or its grade."""
    if cell.is_device:
        return ["duty", "list"]
    if cell.state == "retired":
        return ["cell", "list"]
    if cell.state == "quarantined" or (cell.as_found_V is None and standing.last_V is None):
        return ["cell", "check", cell.id, "--as-found", "VOLTAGE"]
    if standing.capacity_run is not None:
        return ["grade", cell.id]
    words = ["--profile", "charge", "--present"] if may_charge else ["--profile", "identify"]
    return ["plan", "--cell", cell.id, *words, "--bench", "bench.toml"]


def after_a_picture(run: Path) -> list[str]:
    """Return the words of what comes after a run was drawn: as after the run itself, its folder named."""
    cell, recipe = run.absolute().parent.name, header_of(read_header(run)).profile
    return after_a_run(cell, recipe, "bench.toml") if cell and recipe in AFTER_A_RUN else ["analyse", str(run)]


def after_a_run(cell: str, recipe: str, bench: str) -> list[str]:
    """Return the words of what comes after a run that ended well: its results, but for recipes that have none."""
    words = AFTER_A_RUN.get(recipe, ("analyse", f"{cell}@{recipe}"))
    return [word.format(cell=cell, bench=bench) for word in words]
