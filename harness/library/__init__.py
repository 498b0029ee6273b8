"""Amphora for those who write Python: the shelf, a run and its result, a cell's standing, readings of your own.

Start with `shelf` and `readings`; docs/python.md goes through all of it. Units: V, A, Ah, ohm, s; current is positive
into the cell. The command line calls the same functions. Nothing here orders an instrument. Bad input raises
`AmphoraError` (of `amphora.harness.common.errors`) with one sentence.
"""

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from amphora.harness.common.optional_parts import need

if TYPE_CHECKING:
    import pandas as pd

    from amphora.harness.account.standing import Standing
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.results.result import Result

__all__ = ["analyse", "readings", "result", "shelf", "standing"]

UNITS = {"t_s": "s", "step": "1", "voltage_V": "V", "current_A": "A", "temperature_degC": "°C"}


def shelf(folder: str | Path = "logs") -> "Shelf":
    """Open the register of cells and their runs.

    Args:
        folder: Where cells and runs are kept; it need not exist yet.
    """
    from amphora.harness.archive.shelf import Shelf

    return Shelf(Path(folder))


def readings(run: str | Path) -> "pd.DataFrame":
    """Return a run's readings, as they were written: one row a sample.

    Args:
        run: The run's folder.

    Returns:
        Columns `t_s`, `step`, `voltage_V`, `current_A`, `temperature_degC`; NaN where a channel had no value. The
        frame's `attrs` hold `units` (by column), `cell`, `run`.

    Raises:
        InputError: it is no run folder.
        JournalDamaged: it is damaged: file and line.
    """
    need("tables", "A frame of readings")
    import pandas as pd

    from amphora.harness.archive.loading import load

    record, info = load(Path(run))
    frame = pd.DataFrame(
        {
            "t_s": record.t_s,
            "step": record.step,
            "voltage_V": record.voltage_V,
            "current_A": record.current_A,
            "temperature_degC": record.temperature_degC,
        }
    )
    frame.attrs = {"units": dict(UNITS), "cell": info.cell_id, "run": str(run)}
    return frame


def result(run: str | Path, cutoff_V: float | None = None) -> "Result":
    """Return what is found in a run, field by field as `amphora analyse --json` answers: capacity, resistances, ...

    Args:
        run: The run's folder.
        cutoff_V: Another cut-off voltage than the run's own, V.

    Raises:
        InputError, JournalDamaged, AnalysisError: see `amphora.harness.account.answer`.
    """
    from amphora.harness.account.answer import analyse_run

    return analyse_run(Path(run), cutoff_V)


def standing(cell: str, folder: str | Path = "logs") -> "Standing":
    """Return what a cell is, by all that is known of it, and what may be done with it.

    Args:
        cell: Its id.
        folder: Where cells and runs are kept.

    Raises:
        InputError: there is no such cell.
    """
    from amphora.harness.account.asking import standing_of

    return standing_of(shelf(folder), cell)


def analyse(
    frame: "pd.DataFrame",
    *,
    cell: str = "anybody",
    columns: Mapping[str, str] | None = None,
    discharge_sign: Literal["negative", "positive"] = "negative",
    cutoff_V: float | None = None,
    start: Literal["full", "unknown"] = "unknown",
    chemistry: str | None = None,
) -> "Result":
    """Analyse readings that are already in memory, as `amphora import` and `amphora analyse` would. Nothing is kept.

    Args:
        frame: One row a sample.
        cell: A name for the cell.
        columns: Which column is `t` (s), `v` (V), `i` (A) and, where there is one, `temp` (°C); None: `t_s`,
            `voltage_V`, `current_A`, `temperature_degC`.
        discharge_sign: Sign of a current that discharges, in the frame.
        cutoff_V: Cut-off voltage, V; None: that of the chemistry's window.
        start: `full` where the record begins with the cell charged full, which you state; else `unknown`.
        chemistry: Such as `li-ion`; None: not known.

    Returns:
        As `result`.

    Raises:
        InputError: a column is missing, or the readings are not usable: what, where, what is accepted.
    """
    from amphora.harness.common.errors import InputError
    from amphora.harness.importing.import_run import import_table

    wanted = dict(columns or {"t": "t_s", "v": "voltage_V", "i": "current_A"})
    if columns is None and "temperature_degC" in frame.columns:
        wanted["temp"] = "temperature_degC"
    for channel in ("t", "v", "i"):
        if wanted.get(channel) not in frame.columns:
            raise InputError(f"the frame has no column {wanted.get(channel)!r} for {channel!r}: {list(frame.columns)}")
    names = {"t": "time (s)", "v": "voltage (V)", "i": "current (A)", "temp": "temperature (degC)"}
    unknown = sorted(set(wanted) - set(names))
    if unknown:
        raise InputError(f"columns: {unknown[0]!r} is not accepted; {', '.join(names)} are")
    table = frame[list(wanted.values())].set_axis([names[channel] for channel in wanted], axis=1)
    with tempfile.TemporaryDirectory(prefix="amphora-") as place:
        file = Path(place) / "readings.csv"
        table.to_csv(file, index=False)
        units = {"t": "s", "v": "V", "i": "A"}
        run = import_table(
            file, cell, {channel: names[channel] for channel in wanted}, discharge_sign, cutoff_V, start,
            Path(place) / "logs", chemistry, units=units,
        )  # fmt: skip
        return result(run)
