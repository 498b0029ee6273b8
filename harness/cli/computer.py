"""Commands about the computer itself: doctor, and the unit that switches a bench off when the computer starts."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.archive.journal import write_out
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.bench.computer import examine
from amphora.harness.bench.startup_unit import enabling_lines, startup_unit
from amphora.harness.cli.completion import benches
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say

MARKS = {"right": "ok", "look": "look", "wrong": "WRONG"}


def doctor(logs: LogsOption = DEFAULT_LOGS, json: JsonOption = False) -> None:
    """Check this computer: installation, ports, permissions, clock, disk, sleep.

    Opens no port and asks no instrument. Ends with 1 when a night should not begin before something is mended.

    Example: amphora doctor
    """
    seen = examine(logs)
    wrong = [one for one in seen if one.verdict == "wrong"]

    def show() -> None:
        width = max(len(one.name) for one in seen)
        for one in seen:
            print(f"{MARKS[one.verdict]:5}  {one.name:{width}}  {one.text}")
            if one.todo:
                print(f"{'':5}  {'':{width}}  -> {one.todo}")
        print(
            f"Mend {len(wrong)} {'thing' if len(wrong) == 1 else 'things'} before the first night."
            if wrong
            else "Ready. Next: amphora bench find"
        )

    answer({"ready": not wrong, "checks": [one._asdict() for one in seen]}, json, show)
    if wrong:
        leave(1)


def unit(
    bench: Annotated[
        Path, typer.Option("--bench", autocompletion=benches, help="The bench file; its full path goes into the unit.")
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Write the unit here; without it, print it.")] = None,
) -> None:
    """Write a systemd user unit that switches this bench off when the computer starts.

    It is written, not started: the lines that enable it are printed. For a computer that stays at the bench and may
    lose its power at night.

    Example: amphora bench unit --bench bench.toml --out ~/.config/systemd/user/amphora-off.service
    """
    load_bench(bench)
    text = startup_unit(bench.absolute())
    if out is None:
        print(text, end="")
        return
    out.expanduser().parent.mkdir(parents=True, exist_ok=True)
    write_out(out.expanduser(), text)
    say("\n".join(enabling_lines(out.expanduser())))
