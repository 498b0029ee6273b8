"""`amphora bench rehearse`: a dialect against the instrument that it describes, with a dummy resistor."""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument
from amphora.drivers.scpi.dialect import load_dialect
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import JsonOption, answer, leave, say
from amphora.harness.common.errors import InputError
from amphora.harness.common.quantities import parse
from amphora.harness.running import rehearsal
from amphora.harness.running.session import held

USUAL_BAUDS = (9600, 115200, 19200, 38400, 57600, 4800, 2400)


def rehearse(
    file: Annotated[str, typer.Argument(help="A dialect: the path of your own, or a name.")],
    resource: Annotated[str, typer.Option("--resource", help="Where the instrument is.")],
    resistor: Annotated[str, typer.Option("--resistor", help="The dummy resistor in the cell's place.")] = "10 ohm",
    baud: Annotated[int | None, typer.Option("--baud", help="Of a serial line.")] = None,
    try_bauds: Annotated[
        bool, typer.Option("--try-bauds", help="Try baud rates with harmless questions until one is answered.")
    ] = False,
    address: Annotated[int | None, typer.Option("--address", help="Of a Modbus station.")] = None,
    channel: Annotated[int | None, typer.Option("--channel", help="Which output or place.")] = None,
    timeout: Annotated[str, typer.Option("--timeout", help="How long an answer may take.")] = "1 s",
    max_current: Annotated[str | None, typer.Option("--max-current", help="What the instrument can do.")] = None,
    no_cell: Annotated[
        bool, typer.Option("--no-cell", help="No cell is connected and the resistor is: asks nobody.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Test a dialect on its instrument: each order and limit, with a dummy resistor and no cell.

    A supply gets the resistor at its output. A load gets a source (5 V, say) with the resistor in series: whatever a
    wrong table orders, no more than the source's voltage over the resistor flows. It has to bear that: 5 V over
    10 ohm are 2.5 W. Ends with 1 when something is not as the dialect says.

    Example: amphora bench rehearse my-load.toml --resource ASRL/dev/ttyUSB0::INSTR --baud 9600
    """
    ohm = parse(resistor, "resistance", "--resistor")
    if not 0.5 <= ohm <= 1000.0:
        raise InputError(f"--resistor {resistor}: is not accepted; 0.5 ohm to 1 kohm is")
    dialect = load_dialect(file)
    own = str(Path(file).resolve()) if file.endswith(".toml") else file
    table: dict[str, Any] = {"role": dialect.role, "resource": resource, "dialect": own, "timeout": timeout}
    for key, value in (("baud", baud), ("address", address), ("channel", channel), ("max_current", max_current)):
        if value is not None:
            table[key] = value
    bench = bench_from_dict({"name": "rehearsal", "leads": "wired", "instruments": {dialect.role: table}}, "rehearsal")
    where = "in series with a source of at most 5 V at the load" if dialect.role == "load" else "at its output"
    if dialect.role != "meter":
        say(f"Take every cell away. {resistor} {where}; a hand meter next to it.")
        if not no_cell:
            if not sys.stdin.isatty():
                raise InputError("--no-cell is needed where nobody can be asked: it says that no cell is connected")
            input("Return when it is so: ")
    clock = RealClock()
    lines: list[rehearsal.RehearsalLine] = []
    with held(bench):
        if try_bauds:
            bauds = (dialect.speech.bauds if dialect.speech is not None else ()) or USUAL_BAUDS
            table["baud"] = rehearsal.find_baud(
                table, bauds, lambda one: open_instrument(dialect.role, one, clock), lambda text: say(f"  {text}")
            )
        instrument = open_instrument(dialect.role, table, clock)
        try:
            lines = rehearsal.Rehearsal(instrument, table, ohm, lambda line: None if json else print(shown(line))).run()
        finally:
            instrument.close()
    passed = all(line.passed is not False for line in lines)
    found = {
        "dialect": dialect.name,
        "baud": table.get("baud"),
        "passed": passed,
        "lines": [line._asdict() for line in lines],
    }

    def show() -> None:
        print(verdict(dialect.name, lines))
        if passed:
            show_next("bench", "check", "--bench", "bench.toml", "--empty")

    answer(found, json, show)
    if not passed:
        leave(1)


def shown(line: Any) -> str:
    """Return one line of the report."""
    return f"  {'ok  ' if line.passed else 'NOT ' if line.passed is False else '    '}{line.what}: {line.text}"


def verdict(name: str, lines: list[Any]) -> str:
    """Return what it comes to."""
    wrong = sum(line.passed is False for line in lines)
    if wrong:
        return f"{name}: {wrong} of {len(lines)} NOT as described; no cell at this instrument with this file"
    return f"{name}: as described"
