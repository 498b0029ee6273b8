"""A table that holds the rows of several cells: those of one of them."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.common.errors import InputError
from amphora.harness.importing.column_values import Told, number_column
from amphora.harness.importing.columns import bare, plain_word
from amphora.harness.importing.header_words import CELLS, OTHERS
from amphora.harness.importing.rows import Readings, readings_of
from amphora.harness.importing.sources import Sources
from amphora.harness.importing.table_file import Layout

if TYPE_CHECKING:
    import pandas as pd


MOST_CELLS = 64  # of one table


def table_of_one_cell(
    file: Path, layout: Layout, table: "pd.DataFrame", sources: Sources, which: str | None, told: Told
) -> "pd.DataFrame":
    """Return the rows of one cell, where a table holds those of several.

    Args:
        file: As messages name it.
        layout: Of the table.
        table: All rows.
        sources: Which column each channel comes from.
        which: The cell: what stands in the column that says whose row it is, or, where rows of several cells follow
            one another in turn, the number of the row in each turn from 1; `all` for all rows.
        told: Is added to.

    Raises:
        InputError: several cells and nobody said which, or not the one that was asked for.
    """
    if (which or "").strip().lower() == "all":
        return table
    for column in range(layout.width if layout.header else 0):
        names = _cells_in(layout, table, column) if column not in sources.columns else []
        if len(names) > 1:
            return _of_the_name(file, layout.header[column], table, column, names, which, told)
    turns = _turns(readings_of(file, layout, table, sources))
    if turns > 1:
        there = np.flatnonzero(np.isfinite(number_column(layout, table, sources.v, {})))
        return table.iloc[there[_the_turn(file, turns, which, told) - 1 :: turns]]
    if which is not None and not any(bare(name)[0] == "" and not name for name in layout.header):
        raise InputError(f"{file}: --which {which!r}: the table does not show several cells; leave the option out")
    return table


def _cells_in(layout: Layout, table: "pd.DataFrame", column: int) -> list[str]:
    """Return the cells that a column names; empty where it is none that says whose row it is."""
    header, unit = bare(layout.header[column])
    words = set(plain_word(header).split())
    if unit or not words & CELLS or words & (OTHERS - {"index"}):
        return []
    names = [str(name).strip().removesuffix(".0") for name in table[column].dropna().unique()[: MOST_CELLS + 1]]
    return names if len(names) <= MOST_CELLS else []


def _of_the_name(
    file: Path, header: str, table: "pd.DataFrame", column: int, names: list[str], which: str | None, told: Told
) -> "pd.DataFrame":
    """Return the rows that bear a cell's name in the column that says whose row it is.

    Raises:
        InputError: nobody said which, or it is not there.
    """
    if which is None:
        raise InputError(
            f"{file}: the column {header!r} names {len(names)} cells ({', '.join(names[:6])}); "
            f"choose one, as --which {names[0]!r}, or --which all where they are one cell's"
        )
    wanted = which.strip().lower()
    own = table[column].astype("string").str.strip().str.replace(r"\.0$", "", regex=True).str.lower() == wanted
    if not own.any():
        raise InputError(f"{file}: --which {which!r} is not in {header!r}: {', '.join(names[:8])}")
    told.note(f"rows with {which} in {header!r} were taken, {int(own.sum())} of {len(table)}")
    return table[own.fillna(False).to_numpy(bool)]


def _the_turn(file: Path, turns: int, which: str | None, told: Told) -> int:
    """Return which row of each turn was asked for, from 1.

    Raises:
        InputError: nobody said which, or there are not so many.
    """
    if which is None:
        raise InputError(
            f"{file}: voltage and current change back and forth from row to row, as where rows of {turns} cells "
            f"stand in turn; choose one, as --which 1 (to {turns}), or --which all where they are "
            "one cell's"
        )
    if not which.strip().isdigit() or not 1 <= int(which) <= turns:
        raise InputError(f"{file}: --which {which!r}: rows of {turns} cells in turn; 1 to {turns} are accepted")
    told.note(f"row {which} of each {turns} in turn was taken")
    return int(which)


def _turns(readings: Readings) -> int:
    """Return of how many cells rows stand in turn: 1 where they are one cell's."""
    i, v, t = readings.i, readings.v, readings.t
    if i.size < 24:
        return 1
    size = float(np.quantile(np.abs(i), 0.95))
    loaded = np.abs(i) > 0.05 * size
    for turns in (2, 3, 4, 5, 6, 8):
        again_i, again_v = np.abs(i[turns:] - i[:-turns]), np.abs(v[turns:] - v[:-turns])
        next_i, next_v = np.abs(np.diff(i))[: again_i.size], np.abs(np.diff(v))[: again_v.size]
        under = loaded[: again_i.size]
        if under.sum() < 12:
            continue
        fresh = 1e-9 + np.median(again_i[under])
        differ_i = np.quantile(next_i[under], 0.6) > max(8 * fresh, 0.02 * size)
        differ_v = np.quantile(next_v, 0.6) > max(8 * np.median(again_v), 2e-3 * abs(float(np.median(v))))
        together = np.count_nonzero(np.diff(t) == 0) >= 0.9 * (t.size - t.size / turns - 1)
        differ = np.quantile(next_v, 0.6) > max(4 * np.median(again_v), 5e-4 * abs(float(np.median(v))))
        if differ_i or differ_v or (together and differ):
            return turns
    return 1
