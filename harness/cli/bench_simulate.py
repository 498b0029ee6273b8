"""Serve a simulated bench: bench simulate."""

import json
import signal
import threading
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.drivers.simulated.cell import KINDS
from amphora.drivers.simulated.servers import ServedBench
from amphora.harness.archive.journal import write_out
from amphora.harness.cli.completion import load_dialects, supply_dialects
from amphora.harness.cli.output import leave, say
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite
from amphora.harness.common.quantities import parse

pass


def simulate(
    bench_out: Annotated[Path, typer.Option("--bench-out", help="Where the bench file is written.")],
    truth_out: Annotated[Path | None, typer.Option("--truth-out", help="Where the simulated truth is written.")] = None,
    cell: Annotated[
        str,
        typer.Option("--cell", help="Kind of cell: unmarked, li-ion, aged-lfp, ...; a wrong one lists all."),
    ] = "unmarked",
    seed: Annotated[int, typer.Option("--seed", help="Seed of cell and instruments.")] = 1,
    speed_up: Annotated[
        float, typer.Option("--speed-up", help="Speed of simulated time: 600 makes an hour 6 s.")
    ] = 1.0,
    start_soc: Annotated[
        float | None, typer.Option("--start-soc", help="Share of charge at the start, 0 to 1.")
    ] = None,
    load_dialect: Annotated[
        str, typer.Option("--load-dialect", autocompletion=load_dialects, help="How the load spells its commands.")
    ] = ("load-function-input"),
    supply_dialect: Annotated[
        str,
        typer.Option("--supply-dialect", autocompletion=supply_dialects, help="How the supply spells its commands."),
    ] = ("supply-plain"),
    clip_on_after: Annotated[
        str, typer.Option("--clip-on-after", help="With --resistor: when it is clipped on, in the bench's time.")
    ] = "0 s",
    resistor: Annotated[
        str | None, typer.Option("--resistor", help="Only a resistor and a serial logger, as '10 ohm'.")
    ] = None,
    short_ohm: Annotated[
        float | None,
        typer.Option("--short-ohm", help="Short inside the cell, in ohm; also changes a 'shorted-' kind's."),
    ] = None,
) -> None:
    """Serve a simulated bench: SCPI over TCP and a logger on a pseudo-terminal, on this computer only.

    Writes a bench file for it, prints 'ready', and runs until it is ended.

    The signal USR1 clips the resistor on (with --resistor).

    Example: amphora bench simulate --bench-out sim.toml --cell li-ion --speed-up 100
    """
    if cell not in KINDS:
        raise InputError(f"--cell {cell}: is not known; {', '.join(KINDS)} are accepted")
    _in_range(speed_up, start_soc, short_ohm)
    ohm = None if resistor is None else parse(resistor, "resistance", "--resistor")
    ended = threading.Event()
    code: list[int] = []

    def end(number: int, frame: Any) -> None:
        code.append({signal.SIGINT: 130}.get(signal.Signals(number), 143))
        ended.set()

    for name in ("SIGINT", "SIGTERM"):
        signal.signal(getattr(signal, name), end)
    served = ServedBench(
        cell,
        seed,
        start_soc=start_soc,
        speed_up=speed_up,
        load_dialect=load_dialect,
        supply_dialect=supply_dialect,
        resistor_ohm=ohm,
        clip_on_after_s=parse(clip_on_after, "duration", "--clip-on-after"),
        short_ohm=short_ohm,
    )
    if ohm is not None and hasattr(signal, "SIGUSR1"):
        signal.signal(signal.SIGUSR1, lambda number, frame: served.clip_on())
    _serve(served, bench_out, truth_out, ended)
    leave(code[0] if code else 0)


def _in_range(speed_up: float, start_soc: float | None, short_ohm: float | None) -> None:
    if not 0.0 < speed_up <= 100000.0:
        raise InputError(f"--speed-up {speed_up:g}: is not accepted; a number above 0 up to 100000 is")
    if start_soc is not None and not 0.0 <= start_soc <= 1.0:
        raise InputError(f"--start-soc {start_soc:g}: is not accepted; a share from 0 to 1 is")
    if short_ohm is not None and not 0.1 <= short_ohm <= 1e6:
        raise InputError(f"--short-ohm {short_ohm:g}: is not accepted; ohm from 0.1 to 1000000 are")


def _serve(served: ServedBench, bench_out: Path, truth_out: Path | None, ended: threading.Event) -> None:
    served.start()
    try:
        truth = served.truth()
        texts = [(bench_out, served.bench_file())]
        if truth_out is not None:  # first: whoever sees the bench file finds the truth beside it
            texts.insert(0, (truth_out, json.dumps(finite(truth), indent=1) + "\n"))
        for path, text in texts:
            write_out(path, text)
        over_tcp = f"{len(served.scpi)} instruments over TCP, " if served.scpi else ""
        say(f"{over_tcp}a logger at {served.logger.port}; Ctrl-C ends it")
        print("ready", flush=True)
        while not ended.wait(0.2):
            pass
    finally:
        served.stop()
