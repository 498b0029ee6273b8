"""What was read of a table, beside the table that it was read from: for all who look whether it is the only reading."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.importing.column_values import number_column
from amphora.harness.importing.columns import bare, plain_word
from amphora.harness.importing.rows import Rows
from amphora.harness.importing.sources import Source, Sources
from amphora.harness.importing.table_file import Layout

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Read:
    """What was read, and what it was read from."""

    layout: Layout
    table: "pd.DataFrame"
    sources: Sources
    rows: Rows
    at: "npt.NDArray[np.int64]"  # where each row stands in the table
    notes: tuple[str, ...] = ()  # what was told so far
    aside: frozenset[int] = frozenset()  # columns that were put together, or are another cell's

    def numbers(self, column: int) -> "FloatArray | None":
        """Return another column's numbers, row for row; None where it holds none."""
        source = Source(column, self.header(column), 1.0)
        values = number_column(self.layout, self.table, source, {})[self.at]
        return values if np.isfinite(values).mean() > 0.5 else None

    def header(self, column: int) -> str:
        """Return what stands above a column."""
        return self.layout.header[column] if self.layout.header else ""

    def unused(self) -> Iterator[tuple[int, set[str], str]]:
        """Give the columns that no channel comes from: number, words, unit."""
        for column in range(self.layout.width):
            if column not in self.sources.columns and column not in self.aside:
                words, unit = bare(self.header(column))
                yield column, set(plain_word(words).split()) | set(words.split()), plain_word(unit)


def charge_Ah(t: "FloatArray", i: "FloatArray") -> float:
    """Return the charge that flowed either way, without long gaps."""
    span = np.diff(t)
    usual = float(np.median(span[span > 0])) if (span > 0).any() else 0.0
    span = np.where((span < 0) | (span > 200 * usual), 0.0, span)
    both = np.abs(np.nan_to_num(i))
    return float(np.sum((both[1:] + both[:-1]) / 2 * span)) / 3600
