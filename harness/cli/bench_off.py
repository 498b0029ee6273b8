"""Switch a bench off: the command that somebody may need at night, so it imports little else."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.bench.bench_file import bench_from_dict, load_bench
from amphora.harness.cli.completion import benches
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import JsonOption, answer, leave, say
from amphora.harness.common.as_json import to_json
from amphora.harness.running.switch_off import (
    beside,
    make_all_safe,
    off_limit_A,
    read_sheet,
    sheet_from_bench,
    switch_off_now,
)

OFF_FOR_S = 15.0


def off(
    bench: Annotated[str, typer.Option("--bench", autocompletion=benches, help="A bench file.")],
    json: JsonOption = False,
) -> None:
    """Switch off all that can let current flow, and see that it is off: read back, its current measured.

    For a bench that something left on: a computer that died in mid-run, say. OFF goes out first, before anything is
    asked, as the last run prepared it (NAME.off.json beside the bench file), else by the bench file. An instrument
    that a run has is left to it: end the run with Ctrl-C. Ends with 4 when something may still be on.

    Example: amphora bench off --bench bench.toml
    """
    if bench == "simulated":
        simulated = SimulatedBench(seed=1)  # as `run` has it
        description = bench_from_dict(simulated.description, "simulated")
        limits_A = {name: off_limit_A(description, name) for name in description.instruments}
        opened = {name: simulated.instruments[name] for name in description.instruments}
        found = make_all_safe(opened, simulated.clock, limits_A)
    else:
        description = load_bench(Path(bench))
        sheet = sheet_from_bench(description, known=read_sheet(beside(description.where)))
        found = switch_off_now(sheet, OFF_FOR_S, "bench off")
    all_off = all(one.off for one in found.values())

    def show() -> None:
        if not found:
            print(f"{description.name}: nothing in it can let current flow by an order")
        for name, one in found.items():
            print(f"  {name}: {'off' if one.off else 'NOT KNOWN TO BE OFF'} ({one.text})")
        if found and all_off:
            show_next("bench", "check", "--bench", bench)

    answer({"bench": description.name, "off": all_off, "instruments": to_json(found)}, json, show)
    if not all_off:
        for name, one in found.items():
            if one.held:
                say(f"amphora: {name}: {one.text}")
        if any(not one.off and not one.held for one in found.values()):
            say("amphora: SOMETHING MAY STILL BE ON: pull the leads at the cell now")
        leave(4)
