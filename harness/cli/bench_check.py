"""Look at a bench: bench check."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli.completion import benches, cells
from amphora.harness.cli.looked_at import LookedAt
from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, say
from amphora.harness.common.errors import InputError
from amphora.harness.common.quantities import parse
from amphora.harness.running.bench_check import BenchFound, FoundOne, NotFound, check_bench
from amphora.harness.running.bench_writing import write_found
from amphora.harness.running.checks_of_bench import in_words, passed, read_checks, without_stamps

pass


def check(
    bench: Annotated[str, typer.Option("--bench", autocompletion=benches, help="A bench file, or 'simulated'.")],
    sensor: Annotated[
        bool, typer.Option("--sensor", help="Prove the cell's temperature sensor: somebody warms it with fingers.")
    ] = False,
    resistor: Annotated[
        bool, typer.Option("--resistor", help="Measure the known resistor that the bench file names.")
    ] = False,
    through: Annotated[
        str | None, typer.Option("--through", help="With --resistor: 'supply', 'load' or 'logger'.")
    ] = None,
    leakage: Annotated[
        bool, typer.Option("--leakage", help="Once per bench: does it drain a cell with its mains unplugged?")
    ] = False,
    wait: Annotated[str, typer.Option("--wait", help="With --leakage: for how long, half an hour at least.")] = "1 h",
    cell: Annotated[
        str | None,
        typer.Option(
            "--cell", autocompletion=cells, help="Judge the voltage by the chemistry of this cell on the shelf."
        ),
    ] = None,
    empty: Annotated[bool, typer.Option("--empty", help="No cell is connected: look at the instruments only.")] = False,
    write: Annotated[
        bool, typer.Option("--write", help="Write the dialects that were found into the bench file.")
    ] = False,
    logs: LogsOption = DEFAULT_LOGS,
    json: JsonOption = False,
) -> None:
    """Check a bench: which instruments answer, readings, their own limits, what is missing.

    Sends what a run will send, with the outputs off and harmless values, and switches nothing on. With --sensor,
    --resistor, --leakage it guides somebody through a proof and keeps it for the runs of this evening; only
    --resistor switches something on, at 1 V. Ends with 1 when something forbids a run or a proof failed, with 4
    when an instrument is in trouble.

    Example: amphora bench check --bench bench.toml --sensor --resistor
    """
    wait_s = parse(wait, "duration", "--wait")
    if not 1800.0 <= wait_s <= 172800.0:
        raise InputError(f"--wait {wait}: is not accepted; half an hour to two days is")
    if write and bench == "simulated":
        raise InputError("--write: goes with a bench file, and --bench is 'simulated'")
    chemistry = "auto" if cell is None else Shelf(logs).get(cell).chemistry
    if through is not None and not resistor:
        raise InputError(f"--through {through}: goes with --resistor, and --resistor was not given")
    with LookedAt(bench) as at:
        at.described_for(sensor=sensor, resistor=resistor)
        found = check_bench(at.description, at.clock, at.open, chemistry=chemistry, empty=empty)
        written = write_found(Path(bench), found.instruments) if write else []
        made = (
            at.prove(logs, sensor=sensor, resistor=resistor, through=through, leakage_s=wait_s if leakage else None)
            if not found.trouble
            else []
        )
        now = at.clock.utc() if bench == "simulated" else datetime.now(UTC)
        found = replace(
            found,
            written=tuple(written),
            proofs=tuple({"kind": one.kind, "passed": passed(one), **without_stamps(one)} for one in made),
            proven=tuple(in_words(read_checks(logs), at.description, now)),
            passed=found.passed and all(map(passed, made)),
        )

    def show() -> None:
        _show(found, at.description.instruments)
        if found.passed and cell is not None:
            show_next("plan", "--cell", cell, "--profile", "overnight", "--bench", bench, logs=logs)
        elif found.passed:
            show_next("cell", "list", logs=logs)

    answer(found.to_dict(), json, show)
    if found.trouble and json:
        for name in found.trouble:
            say(f"amphora: {next(text for text in found.problems if name in text)}")
    elif found.trouble:  # what is wrong with each has just been shown
        say(f"amphora: in trouble: {', '.join(found.trouble)}; mend that, then run this again")
    if found.trouble or not found.passed:
        leave(found.exit_code or 1)


def _show(found: BenchFound, tables: Mapping[str, Mapping[str, Any]]) -> None:
    print(f"{found.bench}: {'fit for a run' if found.passed else 'NOT fit for a run'}")
    for name, one in found.instruments.items():
        if isinstance(one, NotFound) or one.trouble is not None:
            print(f"  {name} ({one.role}): in trouble, see below")
            continue
        values = ", ".join(_shown(key, value) for key, value in one.readings.items())
        print(f"  {name} ({one.role}): {one.identity}; {values}")
        for line in _how(one, tables[name]):
            print(f"    {line}")
    for title, lines in (
        ("written to the bench file", found.written or ()),
        ("problem", found.problems),
        ("protected", found.guards),
        ("not protected", found.missing),
        ("proof", found.proven or ()),
    ):
        for line in lines:
            print(f"  {title}: {line}")


def _how(one: FoundOne, table: Mapping[str, Any]) -> list[str]:
    """Return how an instrument answers, in lines."""
    lines = []
    if one.dialect is not None:
        named = table.get("dialect", "auto") != "auto"
        lines.append(
            f"dialect {one.dialect}{'' if named else ', found by asking'}"
            + (f"; has no {', '.join(text.replace('_', ' ') for text in one.lacks)}" if one.lacks else "")
            + ("" if named else "; --write puts it into the bench file")
        )
    if one.latency_s is not None and one.longest_s is not None:
        renewed_s = one.renewed_s
        lines.append(
            f"answers in {one.latency_s * 1000:.3g} ms, at most {one.longest_s * 1000:.3g} ms; "
            + (
                "too little changed to see how often its readings are renewed"
                if renewed_s is None
                else "a new reading each time"
                if renewed_s == 0.0
                else f"readings renewed about every {renewed_s:.2g} s"
            )
        )
    if one.tried:
        moved = "with nothing flowing" if one.role == "switch" else "with its output off"
        lines.append(f"tried {moved}: {', '.join(one.tried)}")
    return lines


def _shown(key: str, value: float) -> str:
    name, _, unit = key.rpartition("_")
    return f"{name} {value:.4g} {'°C' if unit == 'degC' else unit}"
