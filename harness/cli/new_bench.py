"""Commands that make a first bench: find what is connected, write the bench file."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument
from amphora.harness.archive.journal import write_out
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.bench.new_bench import NewBench, NewInstrument, bench_text
from amphora.harness.cli.asking import choose, fill_in
from amphora.harness.cli.output import JsonOption, answer, leave, say
from amphora.harness.common.errors import InputError
from amphora.harness.running import finding
from amphora.harness.running.bench_check import check_bench
from amphora.harness.running.finding import Answer, Spot
from amphora.harness.running.session import held

OutOption = Annotated[Path, typer.Option("--out", help="Where the bench file is written; never over another.")]
SERIAL = "It is a serial port and may belong to something else, or reset a board when it is opened."


def find(
    ask: Annotated[
        list[str] | None, typer.Option("--ask", help="Ask this serial port, as /dev/ttyUSB0; may be repeated.")
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", help="Ask this address, as 192.0.2.10 or bench.local:5025; may be repeated."),
    ] = None,
    network: Annotated[bool, typer.Option("--network", help="Also search the local network.")] = False,
    baud: Annotated[
        list[int] | None, typer.Option("--baud", help="Try this rate on serial ports instead; may be repeated.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """List serial ports and VISA resources, and what each answers.

    At a terminal it asks you before it opens a serial port. Instruments on USB and addresses that you give are asked
    at once. Questions only: nothing is set or switched.

    Example: amphora bench find --at 192.0.2.10 --ask /dev/ttyUSB0
    """
    wanted = [finding.place_of(text) for text in ask or ()]
    found = finding.places(network, [*(ask or ()), *(at or ())])
    answers: list[tuple[Spot, Answer | None]] = []
    for place in found:
        yes = not place.needs_yes or any(place.address == one.address for one in wanted)
        if not yes and sys.stdin.isatty() and not json:
            yes = typer.confirm(f"Ask {place.address} ({place.about or 'no name'})? {SERIAL}", default=False, err=True)
        answers.append((place, finding.ask(place, tuple(baud or finding.BAUDS)) if yes else None))

    def show() -> None:
        for place, one in answers:
            for line in _lines(place, one):
                print(line)
        if not answers:
            print("No serial port, and no instrument on USB. On a network: amphora bench find --at ADDRESS")
        print(_next_command([one for _, one in answers if one is not None]))

    answer({"found": [_as_json(place, one) for place, one in answers]}, json, show)


def _lines(place: "Spot", one: "Answer | None") -> list[str]:
    about = f" ({place.about})" if place.about and place.about != "typed in" else ""
    lines = [f"{place.address}{about}"]
    if place.stable:
        lines.append(f"  by its own name: {place.stable}")
    if one is None:
        lines.append(f"  not asked; amphora bench find --ask {place.address}")
    elif one.role is not None:
        how = f"format {one.line_format}, {one.baud} baud" if one.line_format else f"dialect {one.dialect}"
        lines.append(f"  {one.role}: {one.said}; {how}")
    elif one.said:
        lines.append(f"  {one.said}: no shipped dialect fits ({one.why}); docs/dialects.md shows how to write one")
    else:
        lines.append(f"  nothing recognised: {one.why}")
    return lines


def _next_command(answers: "list[Answer]") -> str:
    words: list[str] = []
    for one in answers:
        if one.role is not None and not any(word == f"--{one.role}" for word in words):
            words += [f"--{one.role}", _typed(one.place)]
    return "Next: amphora bench new --out bench.toml" + "".join(f" {word}" for word in words)


def _typed(place: "Spot") -> str:
    return place.stable or place.address


def _as_json(place: "Spot", one: "Answer | None") -> dict[str, object]:
    found: dict[str, object] = {**place._asdict(), "asked": one is not None}
    if one is not None:
        found |= {key: value for key, value in one._asdict().items() if key != "place"}
    return found


def new(
    out: OutOption,
    load: Annotated[str | None, typer.Option("--load", help="Address of the electronic load.")] = None,
    supply: Annotated[str | None, typer.Option("--supply", help="Address of the supply.")] = None,
    meter: Annotated[str | None, typer.Option("--meter", help="Address of a voltmeter at the cell.")] = None,
    logger: Annotated[str | None, typer.Option("--logger", help="Port of the logger: temperature, or all.")] = None,
    name: Annotated[str | None, typer.Option("--name", help="What you call this bench.")] = None,
    leads: Annotated[
        str | None, typer.Option("--leads", help="'by hand', 'relay' or 'wired': who moves the cell's leads.")
    ] = None,
    sensed_at: Annotated[
        str | None, typer.Option("--sensed-at", help="'cell' with sense wires at the holder, else 'load'.")
    ] = None,
    fuse: Annotated[str | None, typer.Option("--fuse", help="The fuse at the cell, as '2 A'.")] = None,
    sheet: Annotated[
        list[str] | None,
        typer.Option("--sheet", help="Current accuracy from a sheet, as 'load=0.1 %,3 mA'; may be repeated."),
    ] = None,
    resistor: Annotated[
        str | None, typer.Option("--resistor", help="A known resistor for checks, as '10 ohm,0.1 %'.")
    ] = None,
    no_check: Annotated[bool, typer.Option("--no-check", help="Write the file only; ask no instrument again.")] = False,
) -> None:
    """Write a commented bench file, then check it with no cell connected.

    Asks each address what it is. At a terminal it asks you for what only you know; elsewhere give the options. What is
    not stated is assumed cautiously, and the file says so.

    Example: amphora bench new --out bench.toml --load 192.0.2.10 --logger /dev/ttyACM0
    """
    if out.exists():
        raise InputError(f"{out}: is there already; another name is accepted")
    sheets = _sheets(sheet or [])
    given = {"load": load, "supply": supply, "meter": meter, "logger": logger}
    if not any(given.values()):
        raise InputError(
            "no instrument was named; --load, --supply, --meter, --logger are accepted. `amphora bench find` lists them"
        )
    instruments, has_temperature = {}, False
    for role, address in given.items():
        if address is None:
            continue
        instruments[role], warm = _instrument(role, address, sheets)
        has_temperature = has_temperature or warm
    written = NewBench(
        name=fill_in("Name of this bench", name, "bench"),
        leads=choose("Who moves the cell's leads between supply and load?", leads, ("by hand", "relay", "wired")),
        sensed_at=choose("Where do the sense wires end?", sensed_at, ("cell", "load"), default="load"),
        instruments=instruments,
        temperature="logger" if has_temperature else "",
        fuse=fill_in("Fuse at the cell, as 2 A (empty: none)", fuse, ""),
        resistor=_resistor(fill_in("Known resistor for checks, as 10 ohm,0.1 % (empty: none)", resistor, "")),
    )
    text = bench_text(written)
    write_out(out, text)
    say(f"Written: {out}")
    if not written.fuse:
        say("! no fuse at the cell was stated: put one in of at most twice the largest current (amphora plan names it)")
    if no_check:
        print(f"Next: amphora bench check --bench {out} --empty")
        return
    _check(out)


def _check(out: Path) -> None:
    bench = load_bench(out)
    with held(bench):
        found = check_bench(bench, RealClock(), open_instrument, empty=True)
    for title, lines in (("problem", found.problems), ("protected", found.guards), ("not protected", found.missing)):
        for line in lines:
            print(f"  {title}: {line}")
    sensor = " --sensor" if bench.cell_temperature is not None else ""
    resistor = " --resistor" if bench.check_resistor is not None else ""
    if not found.passed:
        print(f"Mend what is above, then: amphora bench check --bench {out} --empty")
        leave(found.exit_code or 1)
    print(
        f"Every instrument answers, and off is off. Next: amphora bench check --bench {out} --write{sensor}{resistor}"
    )


def _instrument(role: str, address: str, sheets: dict[str, tuple[str, str]]) -> tuple["NewInstrument", bool]:
    """Return an instrument's table from what its address answers, and whether it gives a temperature.

    Raises:
        InputError: it does not answer, or is another kind of instrument.
    """
    place = finding.place_of(address)
    found = finding.ask(place)
    if found.role is None:
        raise InputError(f"--{role} {address}: {found.why or f'{found.said} fits no shipped dialect'}")
    if found.role != role:
        raise InputError(f"--{role} {address}: it is a {found.role} ({found.said}); --{found.role} is accepted")
    keys: dict[str, str | int] = {}
    if role == "logger":
        keys |= {"port": _typed(place), "format": str(found.line_format)}
    else:
        keys |= {"resource": finding.resource_of(place), "dialect": str(found.dialect)}
    if found.baud is not None:
        keys["baud"] = found.baud
    gain, offset = sheets.get(role, ("", ""))
    warm = role == "logger" and "temperature" in finding.quantities_of(str(found.line_format))
    return NewInstrument(role, keys, found.said, gain, offset), warm


def _sheets(texts: list[str]) -> dict[str, tuple[str, str]]:
    sheets = {}
    for text in texts:
        role, equals, values = text.partition("=")
        gain, comma, offset = values.partition(",")
        if role.strip() not in ("load", "supply") or not equals or not comma:
            raise InputError(f"--sheet {text}: is not accepted; load or supply, as 'load=0.1 %,3 mA', is")
        sheets[role.strip()] = (gain.strip(), offset.strip())
    return sheets


def _resistor(text: str) -> tuple[str, str] | None:
    if not text.strip():
        return None
    ohm, _, tolerance = text.partition(",")
    return ohm.strip(), tolerance.strip() or "0.1 %"
