"""Which way an unsigned current flows, where a column of words says it and the voltage tells what the words mean."""

from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.importing.plausibility import has_no_sign
from amphora.harness.importing.rows import Rows
from amphora.harness.importing.sources import Sources
from amphora.harness.importing.table_file import Layout

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]


def states_by_voltage(layout: Layout, table: "pd.DataFrame", sources: Sources, rows: Rows) -> "FloatArray | None":
    """Return which way each row's current flows by a column of words, whose meaning the voltage shows; shape (n,).

    Under one word the voltage only rises while current flows, under another it only falls: so no word has to be
    known. -1 is a discharge, 1 a charge, 0 neither. None without such a column, or where the current has a sign.
    """
    v, i = rows.columns.v, rows.columns.i
    if not has_no_sign(v, i):
        return None
    at = np.searchsorted(table.index.to_numpy(), rows.lines)
    on = np.abs(i) > 0.05 * float(np.quantile(np.abs(i), 0.98))
    for column in range(layout.width):
        series = table[column]
        if column in sources.columns or not 2 <= series.nunique() <= 6:
            continue
        kinds = series.astype("string").str.strip().fillna("").to_numpy(dtype=object)[at]
        ways: dict[object, float] = {}
        for kind in set(kinds.tolist()):
            both = on & (kinds == kind)
            both = both[1:] & both[:-1]
            moved = np.diff(v)[both]
            if moved.size >= 12:
                ways[kind] = float(moved.sum()) / (float(np.abs(moved).sum()) or 1.0)
        rising = {kind for kind, way in ways.items() if way > 0}
        falling = set(ways) - rising
        far = {kind: abs(float(np.diff(v)[(kinds == kind)[1:] & (kinds == kind)[:-1] & on[1:] & on[:-1]].sum()))
               for kind in ways}  # fmt: skip
        if rising and falling and min(far.values()) > 0.05 * float(np.median(v)):
            signs = {kind: 1.0 if kind in rising else -1.0 for kind in ways}
            return np.array([signs.get(kind, 0.0) for kind in kinds.tolist()], np.float64)
    return None
