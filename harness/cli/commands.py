"""The commands, in the order of the work: name, what is called, and the first line of the help.

`amphora --help` and completion need this table alone. A command's module is imported when the command is called, or
asked for its help; so such a module imports what it uses at its top. A test holds the lines equal to the real help.
"""

import functools
import importlib
import inspect
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import typer
from typer.core import TyperCommand, TyperGroup


class Named(NamedTuple):
    """A command: the module of this package and the function in it ("" of a group), and the first line of its help."""

    target: str
    line: str


PANELS = {  # the commands as the work goes, in the groups of the help
    "Begin": ("demo", "doctor", "bench", "cell"),
    "Measure a cell": ("plan", "run", "resume", "watch", "queue"),
    "See what it holds": ("analyse", "plot", "identify", "model", "import", "export"),
    "Decide": ("screen", "grade", "compare", "sources", "match", "fit", "duty"),
    "Hand it on and keep order": ("certify", "verify", "label", "report", "shelf", "key", "schema"),
}
COMMANDS = {
    "demo": Named("demo:demo", "Play the whole story on a simulated bench: five cells, their nights, the results."),
    "doctor": Named("computer:doctor", "Check this computer: installation, ports, permissions, clock, disk, sleep."),
    "bench": Named("", "Manage the instruments of one bench: find, new, check, rehearse, off, unit, simulate."),
    "bench find": Named("new_bench:find", "List serial ports and VISA resources, and what each answers."),
    "bench new": Named("new_bench:new", "Write a commented bench file, then check it with no cell connected."),
    "bench check": Named(
        "bench_check:check", "Check a bench: which instruments answer, readings, their own limits, what is missing."
    ),
    "bench rehearse": Named(
        "rehearse:rehearse",
        "Test a dialect on its instrument: each order and limit, with a dummy resistor and no cell.",
    ),
    "bench off": Named(
        "bench_off:off",
        "Switch off all that can let current flow, and see that it is off: read back, its current measured.",
    ),
    "bench unit": Named(
        "computer:unit", "Write a systemd user unit that switches this bench off when the computer starts."
    ),
    "bench simulate": Named(
        "bench_simulate:simulate",
        "Serve a simulated bench: SCPI over TCP and a logger on a pseudo-terminal, on this computer only.",
    ),
    "cell": Named(
        "",
        "Manage cells: add, list, show, check, edit, rename, note, state, remove; add-many, sheet, take-in.",
    ),
    "cell add": Named("cells:cell_add", "Put a cell on the shelf, and say what may be done with it."),
    "cell list": Named("cells:cell_list", "List the cells on the shelf."),
    "cell show": Named("cells:cell_show", "Show all that the register knows of a cell, and its runs."),
    "cell check": Named(
        "cells:cell_check",
        "Enter what was seen or measured, with its date, and judge the cell again. Ends with 1 unless accepted.",
    ),
    "cell edit": Named(
        "cells:cell_edit",
        "Correct the register; what stood there before is kept as a dated entry. No finished run changes.",
    ),
    "cell rename": Named(
        "cells:cell_rename",
        "Give a cell another id, as a dated entry. Its runs stay its own; nothing in their folders changes.",
    ),
    "cell remove": Named(
        "cells:cell_remove",
        "Move a cell with all its runs to the wastebasket folder '.removed' of the logs; nothing is deleted.",
    ),
    "cell note": Named("cells:cell_note", "Add a line, dated, to a cell's notes."),
    "cell state": Named("cells:cell_state", "State what became of a cell."),
    "cell add-many": Named(
        "intake:add_many", "Put many cells on the shelf at once, with labels and a sheet for what is measured and seen."
    ),
    "cell sheet": Named(
        "intake:sheet", "Write the intake sheet: mass, voltage, and what you see and smell, one line a cell."
    ),
    "cell take-in": Named(
        "intake:take_in",
        "Enter a filled sheet, line by line; each refusal is one line. Exit code 1 if a line was refused.",
    ),
    "plan": Named("runs:plan", "Show what a run will do, when it ends and what stops it."),
    "run": Named("runs:run", "Run a recipe on a cell."),
    "resume": Named("runs:resume", "Continue a run that was interrupted."),
    "watch": Named("watch:watch", "Follow a run, or all bays, read-only."),
    "queue": Named("", "Test a bag of cells in several bays: add, show, move, drop, done, clear, run."),
    "queue add": Named("queue:queue_add", "Put cells into the queue, each with a course of recipes."),
    "queue show": Named(
        "queue_run:queue_show", "Show where each cell is, when a person is needed, and when the bag is done."
    ),
    "queue move": Named(
        "queue:queue_move", "Move a cell to another place in the order. A cell in a bay stays in its bay."
    ),
    "queue drop": Named("queue:queue_drop", "Take a cell out of the queue. A run of it ends, outputs off."),
    "queue done": Named(
        "queue:queue_done", "Confirm that you have put in and taken out the cells that the queue asked for."
    ),
    "queue clear": Named("queue:queue_clear", "Let a bay that stopped go on, or all bays after an alarm."),
    "queue run": Named("queue_run:queue_run", "Run the queue until the bag is done."),
    "analyse": Named("readings:analyse", "Show the results of a run, each with its uncertainty."),
    "plot": Named("readings:plot", "Draw a run, or a surveyed device."),
    "identify": Named("insights:identify", "Find out what kind of cell it is."),
    "model": Named("insights:model", "Fit an equivalent circuit to a run's load steps."),
    "import": Named("readings:import_", "Make a run from any table of time, voltage and current."),
    "export": Named("readings:export", "Write a run's readings for other programs."),
    "screen": Named("screen:screen", "Say whether a cell is worth a night."),
    "grade": Named("decisions:grade", "Grade cells by what they can still do."),
    "compare": Named("decisions:compare", "Rank cells by what they hold."),
    "sources": Named("sources:sources", "Say which source of cells is worth opening."),
    "match": Named("decisions:match", "Choose sets of cells that belong together."),
    "fit": Named("decisions:fit", "Check whether a cell can run a device, and for how long."),
    "duty": Named("", "Show what devices ask of a cell: list, check, survey, from-run."),
    "duty list": Named("duties:duty_list", "List the built-in duties, and the devices that were surveyed."),
    "duty check": Named("duties:duty_check", "Check a duty file and show what it asks of a cell."),
    "duty from-run": Named("duties:duty_from_run", "Make a duty file from a survey of the device."),
    "duty survey": Named("duties:duty_survey", "Survey a lamp or a panel on the bench. No cell is in it."),
    "certify": Named("papers:certify", "Write a signed certificate that travels with the cell."),
    "verify": Named("papers:verify", "Check a certificate."),
    "label": Named("labels:label", "Write labels to stick on cells."),
    "report": Named("cells_page:report", "Write a page that compares cells."),
    "shelf": Named("", "Move the whole register in or out: export, import, rebuild."),
    "shelf rebuild": Named(
        "cells:shelf_rebuild", "Rebuild the index and any deleted results from the run folders. Nothing is lost."
    ),
    "shelf export": Named(
        "cells:shelf_export", "Write the register as CSV, or with --parquet everything on the shelf as Parquet."
    ),
    "shelf import": Named(
        "cells:shelf_import", "Put the cells of a CSV file on the shelf: all of them, or none when one row is wrong."
    ),
    "key": Named("", "Manage the key this bench signs with: show, export, import."),
    "key show": Named("keys:key_show", "Show the bench's public key and its fingerprint."),
    "key export": Named("keys:key_export", "Write the public key to give away, or the private key as a safe copy."),
    "key import": Named("keys:key_import", "Read a private key on a new computer, or another bench's public key."),
    "schema": Named("papers:schema", "Print the JSON Schema of the data inside a certificate."),
}
ORDER = tuple(name for names in PANELS.values() for name in names)


class Later(TyperCommand):
    """A command as the list of commands shows it; whoever calls it, or asks for its help, gets the real one."""

    def __init__(self, words: str) -> None:
        name = words.rpartition(" ")[2]
        panel = next((panel for panel, names in PANELS.items() if words in names), None)
        super().__init__(name, callback=None, help=COMMANDS[words].line, rich_help_panel=panel)
        self._words = words

    @functools.cached_property
    def real(self) -> Any:
        """The command itself, its module imported."""
        named = COMMANDS[self._words]
        if not named.target:
            inside = [words for words in COMMANDS if words.startswith(f"{self._words} ")]
            return Listed(
                inside, name=self.name, help=named.line, no_args_is_help=True, rich_help_panel=self.rich_help_panel
            )
        alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
        function = function_of(named)
        alone.command(self.name, help=in_paragraphs(function), rich_help_panel=self.rich_help_panel)(function)
        return typer.main.get_command(alone)

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        """Begin the real command."""
        return self.real.make_context(info_name, args, parent=parent, **extra)


class Real(Mapping[str, Any]):
    """Commands by name; each is imported when it is asked for."""

    def __init__(self, later: Mapping[str, Later]) -> None:
        self._later = later

    def __getitem__(self, name: str) -> Any:
        return self._later[name].real

    def __iter__(self) -> Iterator[str]:
        return iter(self._later)

    def __len__(self) -> int:
        return len(self._later)


class Listed(TyperGroup):
    """A group that lists the commands of the table without importing them."""

    def __init__(self, inside: list[str], **attributes: Any) -> None:
        super().__init__(**attributes)
        self._later = {words.rpartition(" ")[2]: Later(words) for words in inside}
        self.commands = Real(self._later)  # type: ignore[assignment]  # who asks for one by name gets the real one

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names in the order of the table."""
        return list(self._later)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Return a command as it is listed."""
        return self._later.get(cmd_name)


class Root(Listed):
    """The program: all commands of the table."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(list(ORDER), **attributes)


def in_paragraphs(function: Any) -> str:
    """Return a command's docstring with one line a paragraph: the terminal decides where a line ends."""
    said = inspect.getdoc(function) or ""
    return "\n\n".join(part if "\n " in part else part.replace("\n", " ") for part in said.split("\n\n"))


def function_of(named: Named) -> Any:
    """Return what a command calls, its module imported."""
    module, _, name = named.target.partition(":")
    return getattr(importlib.import_module(f"amphora.harness.cli.{module}"), name)
