"""Who is at a bench of a bench file: a person at the terminal, the simulated hands, or nobody."""

import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from amphora.drivers.errors import DriverError
from amphora.drivers.hands import Hands
from amphora.drivers.simulated.cell import KINDS
from amphora.drivers.simulated.device import DEVICES
from amphora.harness.archive.run_folder import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.bench.operator import ObligingPerson, TerminalPerson
from amphora.harness.common.errors import AmphoraError, BenchError, InputError
from amphora.harness.common.fields import unknown
from amphora.harness.common.quantities import parse


def hands_of(bench: "BenchDescription") -> "Hands | None":
    """Return the hands of a served simulated bench; None where the bench file names none."""
    if not bench.hands:
        return None
    return Hands(bench.hands)


def person_at(bench: "BenchDescription", hands: "Hands | None") -> "TerminalPerson | ObligingPerson":
    """Return who answers requests.

    At a terminal somebody presses Return, and on a simulated bench its hands then do what was asked. Without a
    terminal a simulated bench does it at once, and on a real bench nobody can be asked.
    """
    act = None if hands is None else hands.act
    if sys.stdin.isatty():
        return TerminalPerson(act)
    return ObligingPerson(only_when=bench.simulated, hands=act)


def hand_meter_shows(hands: "Hands | None") -> str:
    """Return what to add to a prompt for the hand meter's reading: on a simulated bench, what its meter shows.

    Raises:
        BenchError: the simulated bench does not answer.
    """
    if hands is None:
        return ""
    try:
        return f"; the simulated meter shows {hands.hand_meter_V():.3f} V"
    except DriverError as error:
        raise BenchError(str(error)) from error


def after_the_last_run(logs: Path, cell_id: str) -> datetime:
    """Return now, or a second after the cell's last run where that ended ahead of now.

    On a bench that lives faster, a night ends hours ahead of this computer's clock; the next run comes after it.
    """
    moments = [datetime.now(UTC)]
    with suppress(AmphoraError):  # said where the run itself asks for it
        for folder in Shelf(logs).runs(cell_id)[-1:]:
            moments += [
                datetime.fromisoformat(event.utc) + timedelta(seconds=1) for event in read_run(folder).events[-1:]
            ]
    return max(moments)


def typed_hand_meter(typed: str) -> float | None:
    """Return the volts that somebody typed, with or without the unit; None where nothing was typed.

    Raises:
        InputError: it is no voltage.
    """
    if not typed:
        return None
    try:
        return parse(f"{float(typed):g} V", "voltage", "hand meter")
    except ValueError:
        return parse(typed, "voltage", "hand meter")


def check_kind(kind: str) -> None:
    """Refuse a kind of simulated cell or device that is not known.

    Raises:
        InputError: names it, and the near one.
    """
    if kind not in (*KINDS, *DEVICES):
        raise InputError(f"--simulated-cell: {unknown('kind', kind, (*KINDS, *DEVICES))}")
