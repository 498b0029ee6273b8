"""Readings that no cell gives: set aside where they are few, reported where they go on.

Knows the rows of a table and how they are told; which limits hold is common practice for single cells.
"""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.common.errors import InputError
from amphora.harness.importing.column_values import Told
from amphora.harness.importing.rows import Rows
from amphora.harness.importing.table_file import lines_text
from amphora.harness.importing.table_times import DAY_S

if TYPE_CHECKING:
    import numpy.typing as npt

    BoolArray = npt.NDArray[np.bool_]

STRAY_ROWS = 5  # so many readings in a row may be strays
MOST_STRAYS = 0.02
SILENT_ROWS, SILENT_FALL, SILENT_MOST_S = 20, 0.04, 2 * DAY_S  # of a rest; share of the voltage that it falls by


def without_strays(file: Path, rows: Rows, told: Told) -> Rows:
    """Return the rows without readings that no cell gives in mid-run: 0 V between two good ones, or a million ampere.

    At most a few in a row and few in all; they are named. What stands at the end is kept: it may be the end.

    Raises:
        InputError: more than a few.
    """
    v, i = rows.columns.v, rows.columns.i
    if v.size < 20:
        return rows
    middle_V = float(np.median(v))
    scale_A = float(np.quantile(np.abs(i), 0.98))
    wild = (np.abs(v) < 0.02 * middle_V) | (v > 2.5 * middle_V) | (v < -0.5 * middle_V)
    wild |= np.abs(i) > max(20 * scale_A, 1.0) if scale_A > 0 else np.abs(i) > 1e3
    if not wild.any():
        return rows
    edges = np.flatnonzero(np.diff(np.concatenate(([0], wild.astype(np.int8), [0]))))
    out = np.zeros(v.size, bool)
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        mid_run = begin > 0 and end < v.size
        if mid_run and end - begin <= STRAY_ROWS and abs(v[end] - v[begin - 1]) < 0.15 * middle_V:
            out[begin:end] = True
    # One reading of the current may be wild anywhere: the cell was not there.
    out |= (np.abs(i) > max(1000 * scale_A, 1e3)) & (np.abs(i) > 1e3)
    if not out.any():
        return rows
    if out.sum() > max(3, MOST_STRAYS * v.size):
        raise InputError(
            f"{file}, line {int(rows.lines[np.flatnonzero(out)[0]])}: {int(out.sum())} of {v.size} rows hold readings "
            "that no cell gives (0 V under way, or a current far beyond all others); a table with a few is accepted"
        )
    first = int(np.flatnonzero(out)[0])
    told.note(lines_text(rows.lines[out].tolist(), "a reading that no cell gives in mid-run; set aside"))
    told.warn(
        "stray-readings",
        f"{int(out.sum())} reading(s) that no cell gives in mid-run were set aside, first at line "
        f"{int(rows.lines[first])}: "
        f"{v[first]:.4g} V, {i[first]:.4g} A.",
    )
    keep = ~out
    before = np.cumsum(out)
    return Rows(
        rows.columns.each(lambda column: column[keep]),
        {name: values[keep] for name, values in rows.extra.items()},
        rows.executed[keep],
        rows.lines[keep],
        [row - int(before[row - 1]) for row in rows.restarts if row - int(before[row - 1]) < int(keep.sum())],
        rows.first_utc,
    )


def silent_ammeter(rows: Rows, idle: "BoolArray", told: Told) -> None:
    """Warn where the voltage falls on for long with no current shown: what drew it is not in the figures."""
    t, v = rows.columns.t, rows.columns.v
    edges = np.flatnonzero(np.diff(np.concatenate(([0], idle.astype(np.int8), [0]))))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - begin < SILENT_ROWS or begin == 0:
            continue
        first = begin + 2  # a rest begins with a recovery
        fall = float(np.median(v[first : first + 3]) - np.median(v[end - 3 : end]))
        middle = float(np.median(v[(first + end) // 2 - 1 : (first + end) // 2 + 2]))
        late = middle - float(np.median(v[end - 3 : end]))
        if fall > SILENT_FALL * float(np.median(v)) and late > 0.25 * fall and t[end - 1] - t[begin] < SILENT_MOST_S:
            told.warn(
                "scale-doubtful",
                f"The voltage falls by {fall:.2f} V from line {int(rows.lines[begin])} on, and no current is shown. "
                "Either the ammeter fell silent, or it does not measure that current. "
                "No figure counts that current.",
            )
            return
