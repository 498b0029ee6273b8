"""Commands of devices: what they ask of a cell, and a survey of a lamp or a panel on the bench."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.archive.journal import write_new
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell, check_id
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.cli import completion
from amphora.harness.cli.next_command import after_a_run, show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, run_named, say
from amphora.harness.cli.runs import perform
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import unknown
from amphora.harness.common.quantities import format_quantity
from amphora.harness.decisions.duty import Mode, load_duty, shipped
from amphora.harness.decisions.duty_survey import duty_from_run as text_from_run
from amphora.harness.running.session import Request


def duty_list(logs: LogsOption = DEFAULT_LOGS, as_json: JsonOption = False) -> None:
    """List the built-in duties, and the devices that were surveyed.

    Example: amphora duty list
    """
    rows = [
        {"file": name, "name": load_duty(name).name, "modes": [m.name for m in load_duty(name).modes]}
        for name in shipped()
    ]
    kept = [entry for entry in Shelf(logs).list_cells() if entry.cell is not None and entry.cell.is_device]
    devices = [{"device": one.id, "kind": one.cell.form if one.cell else "", "surveys": one.runs} for one in kept]

    def show() -> None:
        for row in rows:
            print(f"{row['file']}: {', '.join(row['modes'])}")
        for device in devices:
            print(f"{device['device']}: a surveyed {device['kind']}; surveys: {device['surveys']}")
        show_next("duty", "check", shipped()[0])

    answer({"duties": rows, "devices": devices}, as_json, show)


def duty_check(
    file: Annotated[str, typer.Argument(help="A built-in duty, or your own file.")], as_json: JsonOption = False
) -> None:
    """Check a duty file and show what it asks of a cell.

    Example: amphora duty check path-light
    """
    duty = load_duty(file)

    def show() -> None:
        print(f"{duty.name}: for {', '.join(duty.chemistries)}")
        for mode in duty.modes:
            share = f", on {100 * mode.share:.3g} % of the time" if mode.share < 1 else ""
            print(f"  {mode.name}: {_draws(mode)}{share}; works above {mode.lowest_rail_V:.2f} V at the cell")
        for name, hours in duty.night:
            print(f"  night: {name} for {hours:g} h")
        if duty.panel is not None:
            sun = ", ".join(f"{hours:g} h of full sun on {weather} days" for weather, hours in duty.panel.sun_h.items())
            print(f"  panel: {format_quantity(duty.panel.current_A, 'A')}, {100 * duty.panel.share:.3g} % of it; {sun}")
        show_next("fit", "CELL", "--duty", file)

    answer({"duty": asdict(duty)}, as_json, show)


def _draws(mode: "Mode") -> str:
    """Return what a mode draws while it is on."""
    if mode.line:
        return f"{format_quantity(mode.line[0][1], 'A')} to {format_quantity(mode.line[-1][1], 'A')} by its load line"
    if mode.current_A is not None:
        return format_quantity(mode.current_A, "A")
    if mode.power_W is not None:
        return format_quantity(mode.power_W, "W")
    return format_quantity(mode.resistor_ohm or 0.0, "ohm") + (
        f" and an LED of {mode.led_V:.2f} V" if mode.led_V else ""
    )


def duty_from_run(
    run: Annotated[
        Path,
        typer.Argument(metavar="RUN", autocompletion=completion.runs, help="The survey: folder, or NAME@lamp."),
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Where to; standard output when not given.")] = None,
    name: Annotated[str, typer.Option("--name", help="What the device is called.")] = "my lamp",
    chemistry: Annotated[str, typer.Option("--chemistry", help="What its charging is made for.")] = "li-ion",
    panel: Annotated[
        Path | None,
        typer.Option("--panel", autocompletion=completion.runs, help="The survey of the device's own panel."),
    ] = None,
    logs: LogsOption = DEFAULT_LOGS,
    as_json: JsonOption = False,
) -> None:
    """Make a duty file from a survey of the device.

    Example: amphora duty from-run light-9@lamp --panel panel-9@panel --name "light 9" --out light-9.toml
    """
    load_chemistry(chemistry)
    run = run_named(run, logs=logs)
    text = text_from_run(run, name, chemistry, None if panel is None else run_named(panel, logs=logs))
    if out is not None:
        write_new(out, text)
    data = {"toml": text, "out": None if out is None else str(out)}

    def show() -> None:
        print(text if out is None else f"duty written to {out}")
        if out is not None:
            show_next("duty", "check", out)

    answer(data, as_json, show)


def duty_survey(
    what: Annotated[str, typer.Argument(help="lamp: the supply takes the cell's place. panel: on the load.")],
    device: Annotated[str, typer.Argument(metavar="NAME", help="A name for it, as light-9.")],
    bench: Annotated[
        str, typer.Option("--bench", autocompletion=completion.benches, help="A bench file, or 'simulated'.")
    ],
    chemistry: Annotated[
        str, typer.Option("--chemistry", help="What the device is made for: no higher voltage is put on it.")
    ] = "li-ion",
    source: Annotated[str, typer.Option("--source", help="What it is and where it came from.")] = "",
    seed: Annotated[int, typer.Option("--seed", help="On the simulated bench: the noise.")] = 1,
    logs: LogsOption = DEFAULT_LOGS,
    json: JsonOption = False,
) -> None:
    """Survey a lamp or a panel on the bench. No cell is in it.

    A lamp is driven by the supply through its modes, a panel is loaded in the light of the moment. You are asked
    to connect it and to press its switch. The device is kept on the shelf as a device, not as a cell.

    Example: amphora duty survey lamp light-9 --bench bench.toml --source "a light from the shed"
    """
    if what not in ("lamp", "panel"):
        raise InputError(unknown("device", what, ("lamp", "panel")))
    load_chemistry(chemistry)
    shelf, name = Shelf(logs), check_id(device)
    kept = shelf.get(name) if (logs / name / "cell.json").is_file() else None
    if kept is None:
        shelf.add(Cell(name, form=what, chemistry=chemistry, source=source))
        say(f"{name} is kept in {logs} as a {what}")
    elif not kept.is_device or (kept.form == "panel") != (what == "panel"):
        raise InputError(f"{name} is on the shelf as a {kept.form or 'cell'}; give the {what} another name")
    then = after_a_run(name, what, bench)
    perform(bench, Request(name, what, logs, present=True), None, what, seed, json, then)
