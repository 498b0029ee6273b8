"""Before a run that was cut short goes on: OFF to all of its instruments, blind, unless it is known to be off."""

from collections.abc import Callable
from pathlib import Path

from amphora.harness.archive.journal import read_run
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.control.events import MadeSafe, OrderGiven
from amphora.harness.running.switch_off import (
    FILE,
    OffResult,
    beside,
    in_words,
    read_sheet,
    sheet_from_bench,
    switch_off_now,
)

OFF_FIRST_S = 8.0


def off_first(folder: Path, bench: BenchDescription, say: Callable[[str], None]) -> dict[str, OffResult]:
    """Before a run that was cut short goes on: OFF to all of its instruments, blind, unless it is known to be off.

    By what the run wrote when it began, else by what stands beside the bench file, else by the bench file.

    Returns:
        By name what came of it; empty where the run's last word is that all was made safe.
    """
    if _known_off(folder):
        return {}
    known = read_sheet(folder / FILE) or read_sheet(beside(bench.where))
    results = switch_off_now(sheet_from_bench(bench, known=known), OFF_FIRST_S, "a run that goes on")
    left = in_words(results)
    say(f"! not known to be off: {left}" if left else "OFF was sent first; all is off, read back")
    return results


def _known_off(folder: Path) -> bool:
    """Tell whether a run's last word is that all was made safe, or that nothing had been switched on."""
    off = True
    for event in read_run(folder).events:
        if isinstance(event, OrderGiven) and event.order is not None and event.order.kind in ("charge", "discharge"):
            off = False
        elif isinstance(event, MadeSafe):
            off = bool(event.off)
    return off
