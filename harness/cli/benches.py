"""Commands of the bench: look at a real one, serve a simulated one."""

from pathlib import Path
from typing import Annotated, Any

import typer

from harness.cli.common import JsonOption, answer, leave, say
from harness.errors import InputError


def register(app: typer.Typer) -> None:
    """Add this group's commands to the program."""
    group = typer.Typer(help="The instruments of one set-up.", no_args_is_help=True)
    group.command("check")(check)
    group.command("simulate")(simulate)
    app.add_typer(group, name="bench")


def check(
    bench: Annotated[str, typer.Option("--bench", help="A bench file, or 'simulated'.")],
    json: JsonOption = False,
) -> None:
    """Look at a bench: identities, error queues, readings, what guards itself, what is missing.

    Switches nothing on. Ends with 1 when something forbids a run, with 4 when an instrument is in trouble.

    Example: amphora bench check --bench bench.toml
    """
    from harness.bench import bench_from_dict, load_bench
    from harness.benchcheck import check_bench

    if bench == "simulated":
        from drivers.simulated.bench import SimulatedBench

        simulated = SimulatedBench()
        described = bench_from_dict(simulated.description, "simulated")
        found = check_bench(described, simulated.clock, lambda name, table, clock: simulated.instruments[name])
    else:
        from drivers.clock import RealClock
        from drivers.opening import open_instrument

        described = load_bench(Path(bench))
        found = check_bench(described, RealClock(), open_instrument)

    def show() -> None:
        print(f"{found['bench']}: {'fit for a run' if found['passed'] else 'NOT fit for a run'}")
        for name, one in found["instruments"].items():
            values = ", ".join(_shown(key, value) for key, value in one["readings"].items())
            print(f"  {name} ({one['role']}): {one['identity']}; {values}")
        for title, key in (("problems", "problems"), ("guards itself", "guards"), ("nobody guards", "missing")):
            for line in found[key]:
                print(f"  {title}: {line}")

    answer(found, json, show)
    if not found["passed"]:
        leave(1)


def _shown(key: str, value: float) -> str:
    name, _, unit = key.rpartition("_")
    return f"{name} {value:.4g} {'°C' if unit == 'degC' else unit}"


def simulate(
    bench_out: Annotated[Path, typer.Option("--bench-out", help="Where the bench file is written.")],
    truth_out: Annotated[Path | None, typer.Option("--truth-out", help="Where the simulated truth is written.")] = None,
    cell: Annotated[str, typer.Option("--cell", help="Kind of cell.")] = "li-ion",
    seed: Annotated[int, typer.Option("--seed", help="Seed of cell and instruments.")] = 1,
    speed_up: Annotated[float, typer.Option("--speed-up", help="How many times as fast the bench lives.")] = 1.0,
    start_soc: Annotated[
        float | None, typer.Option("--start-soc", help="Share of charge at the start, 0 to 1.")
    ] = None,
    load_dialect: Annotated[str, typer.Option("--load-dialect", help="How the load spells its commands.")] = (
        "load-function-input"
    ),
    supply_dialect: Annotated[str, typer.Option("--supply-dialect", help="How the supply spells its commands.")] = (
        "supply-plain"
    ),
    clip_on_after: Annotated[
        str, typer.Option("--clip-on-after", help="With --resistor: when it is clipped on, in the bench's time.")
    ] = "0 s",
    resistor: Annotated[
        str | None, typer.Option("--resistor", help="Only a resistor and a serial logger, as '10 ohm'.")
    ] = None,
) -> None:
    """Serve a simulated bench: SCPI over TCP and a logger on a pseudo-terminal, on this computer only.

    Writes a bench file for it, prints 'ready', and runs until it is ended. With --resistor, the
    signal USR1 clips the resistor on.

    Example: amphora bench simulate --bench-out sim.toml --cell li-ion --speed-up 100
    """
    import json
    import signal
    import threading

    from drivers.simulated.cell import KINDS
    from drivers.simulated.servers import ServedBench
    from harness.cli.common import finite
    from harness.journal import write_whole
    from harness.quantities import parse

    if cell not in KINDS:
        raise InputError(f"--cell {cell}: is not known; {', '.join(KINDS)} are accepted")
    if not 0.0 < speed_up <= 100000.0:
        raise InputError(f"--speed-up {speed_up:g}: is not accepted; a number above 0 up to 100000 is")
    if start_soc is not None and not 0.0 <= start_soc <= 1.0:
        raise InputError(f"--start-soc {start_soc:g}: is not accepted; a share from 0 to 1 is")
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
    )
    if ohm is not None and hasattr(signal, "SIGUSR1"):
        signal.signal(signal.SIGUSR1, lambda number, frame: served.clip_on())
    served.start()
    try:
        truth = served.truth()
        try:
            write_whole(bench_out, served.bench_file())
            if truth_out is not None:
                write_whole(truth_out, json.dumps(finite(truth), indent=1) + "\n")
        except OSError as error:
            raise InputError(f"{bench_out}: cannot be written: {error}") from error
        say(f"{len(served.scpi)} instruments over TCP, a logger at {served.logger.port}; Ctrl-C ends it")
        print("ready", flush=True)
        while not ended.wait(0.2):
            pass
    finally:
        served.stop()
    leave(code[0] if code else 0)
