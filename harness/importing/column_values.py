"""The numbers of one column of a table in the units of the house, and what is to be told of an import.

A cell of the table that is no number is named by its line. Second, volt, ampere, degree Celsius.
"""

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from amphora.harness.archive.run_header import Said
from amphora.harness.importing.columns import bare, plain_word, unit_factor
from amphora.harness.importing.sources import Source
from amphora.harness.importing.table_file import WITH_UNIT, Layout

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]


@dataclass
class Told:
    """What a person should know about the import; warnings go on into the analysis."""

    notes: list[str] = field(default_factory=list)
    warnings: list[Said] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Add what was done."""
        self.notes.append(text)

    def warn(self, code: str, text: str) -> None:
        """Add what to distrust."""
        self.warnings.append(Said(code, text))


def number_column(layout: Layout, table: "pd.DataFrame", source: Source, bad: dict[int, str]) -> "FloatArray":
    """Return the numbers of a column in the house's unit, NaN where there is none; `bad` takes those by line."""
    import numpy as np
    import pandas as pd

    column = table[source.column]
    if column.dtype.kind in "fiu":
        values: FloatArray = column.to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        text = column.astype("string").str.strip()
        plain = text
        if layout.thousands is not None:
            mark = re.escape(layout.thousands)
            plain = plain.str.replace(rf"(?<=\d){mark}(?=\d{{3}}(?!\d))", "", regex=True)
        if layout.decimal == ",":
            plain = plain.str.replace(",", ".", regex=False)
        plain = plain.str.replace(r"^\((\d.*)\)$", r"-\1", regex=True)  # as bookkeepers write what is owed
        plain = plain.str.replace(r"^(\d[\d.]*)-$", r"-\1", regex=True)  # and as old ledgers do
        read = pd.to_numeric(plain, errors="coerce")
        values = read.to_numpy(dtype=np.float64, na_value=np.nan)
        values = _with_units(plain, values, source)
        name_bad(table, source, text, values, "a number", bad)
    # 9.9E37 and 9.91E37 stand for infinity and 'no value' in SCPI-1999: never data
    beyond = np.abs(values) > 9e36
    if beyond.any():
        values = np.where(beyond, np.nan, values)
    return np.asarray(values * source.factor) if source.factor != 1.0 else values


def _with_units(text: Any, values: "FloatArray", source: Source) -> "FloatArray":
    """Read what could not be read as a number and a unit behind it, such as `3.91 V`; the unit of the value counts."""
    import numpy as np
    import pandas as pd

    left = np.flatnonzero(np.isnan(values) & text.notna().to_numpy())
    if not left.size:
        return values
    parts = text.iloc[left].str.extract(WITH_UNIT)
    numbers = pd.to_numeric(parts[0].str.replace(",", ".", regex=False), errors="coerce").to_numpy(
        np.float64, na_value=np.nan
    )
    factors = np.full(left.size, np.nan)
    for unit in parts[1].dropna().unique():
        channels = [one for one in ("t", "v", "i", "temp") if unit_factor(one, str(unit)) is not None]
        words = set(plain_word(bare(source.shown)[0]).split())
        fits = [one for one in channels if source.channel in ("", one)] or ([] if source.channel else channels)
        if fits and words is not None:
            factors[(parts[1] == unit).fillna(False).to_numpy(bool)] = unit_factor(fits[0], str(unit)) or np.nan
    values = values.copy()
    values[left] = numbers * factors / source.factor
    return values


def name_bad(
    table: "pd.DataFrame", source: Source, text: Any, values: "FloatArray", what: str, bad: dict[int, str]
) -> None:
    """Put into `bad`, by line, what stands in a column and could not be read."""
    import numpy as np

    column = table[source.column]
    for row in np.flatnonzero(np.isnan(values) & column.notna().to_numpy() & (text != "").fillna(False).to_numpy(bool)):
        bad.setdefault(int(table.index[int(row)]), f"{str(column.iloc[row])[:30]!r} in {source.shown} is not {what}")


def temperature_column(layout: Layout, table: "pd.DataFrame", source: Source, told: Told) -> "FloatArray":
    """Return temperatures in degree Celsius; one that cannot be read costs no row."""
    import numpy as np

    values = number_column(layout, table, source, {})
    if bare(source.shown)[1].lower() in ("f", "degf", "°f"):
        values = (values - 32.0) / 1.8
    if np.isfinite(values).any() and float(np.nanmedian(values)) > 200.0:
        values = values - 273.15
        told.note("temperatures above 200 were read as kelvin")
    return values


def step_column(table: "pd.DataFrame", source: Source | None) -> "FloatArray":
    """Return the numbers of the steps, shape (rows,); 0 where the table has none."""
    import numpy as np
    import pandas as pd

    if source is None:
        return np.zeros(len(table), np.float64)
    numbers = pd.to_numeric(table[source.column], errors="coerce")
    steps: FloatArray = np.nan_to_num(numbers.to_numpy(dtype=np.float64, na_value=np.nan))
    return steps
