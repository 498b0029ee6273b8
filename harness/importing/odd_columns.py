"""Columns that say a thing in parts, put together before anybody looks for time, voltage and current.

Hours, minutes and seconds in three columns; the time since the row before; the unit of a value in a column of its own;
charge and discharge current apart. Each gets one new column at the table's end, and the parts lose their headers, so
that nobody takes one of them for the whole. What was done is told.
"""

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from amphora.harness.importing.columns import bare, known_headers, plain_word, unit_factor
from amphora.harness.importing.header_words import ANOTHER_TIME, UNITS, WORDS_IN
from amphora.harness.importing.table_file import Layout

if TYPE_CHECKING:
    import pandas as pd

UNIT_COLUMNS = frozenset(("unit", "units", "einheit", "unite", "unidad", "unita", "eenheid", "enhet"))
_PACE = re.compile(
    r"(?:interval|intervall|period|sampling|sample time|abtast\w*|pace|every|alle|spacing)\D{0,12}"
    r"(\d+(?:[.,]\d+)?)\s*([^\W\d]+)", re.I,
)  # fmt: skip
VALUES = frozenset(("value", "values", "wert", "valeur", "valor", "valore", "waarde", "reading", "messwert"))
TIME_WORDS, CURRENT_WORDS = WORDS_IN["t"], WORDS_IN["i"]
SINCE_THE_LAST = ANOTHER_TIME - {"per", "remaining", "step"}


def put_together(
    layout: Layout, table: "pd.DataFrame", mapping: Mapping[str, str], notes: list[str]
) -> tuple[Layout, "pd.DataFrame"]:
    """Return layout and table with what stood in parts as one column each; as they are where nothing does.

    Args:
        layout: Of the table, with its header.
        table: All rows; a column is added to a copy.
        mapping: What a person named is not touched.
        notes: Is added to.
    """
    if not layout.header or mapping:
        return layout, table
    for step in (
        _units_above,
        _one_value_a_row,
        _another_header,
        _paced,
        _units_beside,
        _time_in_parts,
        _since_the_last,
        _two_ways,
    ):
        layout, table = step(layout, table, notes)
    return layout, table


def _numbers(table: "pd.DataFrame", column: int) -> "pd.Series[float]":
    import pandas as pd

    series = table[column]
    if series.dtype.kind in "fiu":
        return series.astype(float)
    return pd.to_numeric(series.astype("string").str.replace(",", ".", regex=False), errors="coerce").astype(float)


def _with_column(
    layout: Layout, table: "pd.DataFrame", header: str, values: "pd.Series[float]", parts: list[int]
) -> tuple[Layout, "pd.DataFrame"]:
    names = ["" if column in parts else name for column, name in enumerate(layout.header)]
    wider = table.copy(deep=False)
    wider[layout.width] = values
    return replace(layout, header=[*names, header], width=layout.width + 1), wider


def _one_value_a_row(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Put a table that names in each row the quantity of its one value into columns, one row for each time."""
    names = [plain_word(bare(name)[0]) for name in layout.header]
    values = [column for column, name in enumerate(names) if name in VALUES]
    if len(values) != 1:
        return layout, table
    value = values[0]
    for column in range(layout.width):
        if column == value or table[column].dtype.kind in "fiu":
            continue
        kinds = [str(kind).strip() for kind in table[column].dropna().unique()[:13]]
        found = {kind: name for kind in kinds for name in ("v", "i") if plain_word(kind) in WORDS_IN[name]}
        if len(kinds) > 12 or set(found.values()) != {"v", "i"}:
            continue
        return _pivoted(layout, table, column, value, kinds, notes)
    return layout, table


def _pivoted(
    layout: Layout, table: "pd.DataFrame", names: int, value: int, kinds: list[str], notes: list[str]
) -> tuple[Layout, "pd.DataFrame"]:
    units = next((c for c, name in enumerate(layout.header) if plain_word(name) in UNIT_COLUMNS), None)
    times = [c for c in range(layout.width) if c not in (names, value, units)]
    if len(times) != 1:
        return layout, table
    kind = table[names].astype("string").str.strip().fillna("").to_numpy(dtype=object)
    turn = (kind == kinds[0]).cumsum()  # so that a time that stands twice keeps both
    wide = table[[times[0]]].groupby(turn).first()
    header, lines = [layout.header[times[0]]], table.index.to_series().groupby(turn).first()
    wide.columns = [0]
    for number, one in enumerate(kinds):
        rows = kind == one
        wide[number + 1] = table[value][rows].groupby(turn[rows]).first()
        said = table[units][rows].dropna().unique() if units is not None else []
        if len(said) > 1:
            return layout, table
        header.append(f"{one} ({said[0]})" if len(said) else one)
    wide = wide[wide.index > 0]
    wide.index = lines[wide.index].to_numpy()
    notes.append(f"each row held one value, of {', '.join(kinds)}: put into columns by {layout.header[times[0]]}")
    return replace(layout, header=header, width=len(header)), wide


def _another_header(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Bring the rows below a second header, in other units, to the units of the first; its own line is left out."""
    texts = [column for column in range(layout.width) if table[column].dtype.kind not in "fiub"]
    if len(texts) < 2:
        return layout, table
    wordy = _numbers(table, texts[-1]).isna() & table[texts[-1]].notna()
    places = [int(place) for place in wordy.to_numpy().nonzero()[0][:50]]
    for place in places:
        cells = [str(cell).strip() for cell in table.iloc[place]]
        if cells == layout.header or known_headers(cells) < 2:
            continue
        ratios = [_ratio(name, cell) for name, cell in zip(layout.header, cells, strict=True)]
        known = [ratio for ratio in ratios if ratio is not None]
        if len(known) < len(ratios):
            return layout, table  # it names other columns
        line, changed = int(table.index[place]), table.copy(deep=False)
        for column, ratio in enumerate(known):
            if ratio != 1.0:
                values = _numbers(changed, column)
                values.iloc[place:] *= ratio
                changed[column] = values
        notes.append(f"line {line}: another header, in other units; what follows was brought to those of the first")
        keep = [k for k in range(len(table)) if k != place]
        return _another_header(layout, changed.iloc[keep], notes)
    return layout, table


def _ratio(name: str, again: str) -> float | None:
    """Return by what the figures under a later header are to be multiplied; None where it is another quantity."""
    if name == again:
        return 1.0
    (words, unit), (other, other_unit) = bare(name), bare(again)
    for channel in ("t", "v", "i"):
        factors = unit_factor(channel, unit), unit_factor(channel, other_unit)
        if words == other and factors[0] is not None and factors[1] is not None:
            return factors[1] / factors[0]
    return None


def _paced(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Count the rows of a table without a time, where a line above it says how far they are apart."""
    for name in layout.header:
        words, unit = bare(name)
        tokens = set(plain_word(words).split()) | set(words.split())
        if tokens & TIME_WORDS or unit_factor("t", unit) is not None or unit_factor("t", name) is not None:
            return layout, table
    for line in layout.above:
        found = _PACE.search(line)
        factor = None if found is None else unit_factor("t", found.group(2))
        if found is not None and factor is not None:
            step_s = float(found.group(1).replace(",", ".")) * factor
            notes.append(
                f"there is no time; {line.strip()[:60]!r} above the table says that rows are {step_s:g} s apart"
            )
            values = table.index.to_series().rank(method="first").sub(1.0) * step_s
            return _with_column(layout, table, "Time (s)", values, [])
    return layout, table


def _units_above(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Take units that a line above the table states in words into headers that state none: `time in min`."""
    header = list(layout.header)
    lines = [line for line in layout.above if sum(name in line for name in layout.header if name) < 2]
    for column, name in enumerate(layout.header):
        words, unit = bare(name)
        tokens = set(plain_word(words).split())
        channel = next((c for c in ("t", "v", "i") if tokens & WORDS_IN[c]), None)
        if unit or channel is None or unit_factor(channel, plain_word(name)) is not None:
            continue
        said = set()
        for line in lines:
            for found in re.finditer(r"(?=\b([^\W\d]+)\s*(?:in\b|[:=\[(,])?\s*\b([^\W\d]+)\b)", line):
                if plain_word(found.group(1)) in WORDS_IN[channel] and unit_factor(channel, found.group(2)) is not None:
                    said.add(found.group(2))
        if len(said) == 1:
            (unit,) = said
            header[column] = f"{name} ({unit})"
            notes.append(f"a line above the table states the unit of {name!r}: {unit}")
    return (replace(layout, header=header), table) if header != layout.header else (layout, table)


def _units_beside(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Take the unit out of a column that holds nothing else, into the header before it."""
    header = list(layout.header)
    for column in range(1, layout.width):
        if plain_word(header[column]) not in UNIT_COLUMNS or table[column].dtype.kind in "fiu":
            continue
        kinds = {str(kind).strip() for kind in table[column].dropna().unique()[:3]}
        if len(kinds) == 1 and any(plain_word(kind) in UNITS[name] for kind in kinds for name in ("t", "v", "i")):
            (unit,) = kinds
            header[column - 1], header[column] = f"{header[column - 1]} ({unit})", ""
            notes.append(f"the column after {layout.header[column - 1]!r} gives its unit: {unit}")
    return (replace(layout, header=header), table) if header != layout.header else (layout, table)


def _time_in_parts(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Add up hours, minutes and seconds that stand in columns of their own."""
    parts: dict[int, float] = {}
    for column, name in enumerate(layout.header):
        factor = unit_factor("t", name)
        if name and factor is not None and factor not in parts.values():
            parts[column] = factor
        elif set(plain_word(bare(name)[0]).split()) & TIME_WORDS:
            return layout, table  # it has a time
    if len(parts) < 2 or max(parts.values()) / min(parts.values()) > 86_400:
        return layout, table
    shown = sorted(parts.items(), key=lambda one: -one[1])
    for (_, above), (column, factor) in pairwise(shown):
        values = _numbers(table, column)
        if not float(values.max()) <= above / factor:  # seconds go to 59: what goes further counts by itself
            return layout, table
    total = sum(_numbers(table, column) * factor for column, factor in parts.items())
    names = " + ".join(layout.header[column] for column, _ in shown)
    notes.append(f"the time is {names}, added up")
    return _with_column(layout, table, "Time (s)", total, list(parts))  # type: ignore[arg-type]


def _since_the_last(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Add up times that count from the row before, where the table has no other."""
    found = None
    for column, name in enumerate(layout.header):
        words, unit = bare(name)
        tokens = set(plain_word(words).split()) | set(words.split())
        factor = unit_factor("t", unit)
        if tokens & SINCE_THE_LAST and factor is not None:
            found = (column, factor) if found is None else None
        elif tokens & TIME_WORDS:
            return layout, table
    if found is None:
        return layout, table
    column, factor = found
    spans = _numbers(table, column)
    if not bool((spans.dropna() >= 0).all()):
        return layout, table
    notes.append(f"{layout.header[column]} counts from the row before: added up")
    return _with_column(layout, table, "Time (s)", (spans * factor).cumsum(), [column])


def _two_ways(layout: Layout, table: "pd.DataFrame", notes: list[str]) -> tuple[Layout, "pd.DataFrame"]:
    """Make one current out of one column that charges and one that discharges; never are both above 0."""
    into, out, others = [], [], 0
    for column, name in enumerate(layout.header):
        words, unit = bare(name)
        tokens = set(plain_word(words).split())
        if not (tokens & CURRENT_WORDS) or unit_factor("i", unit) is None:
            continue
        if tokens & {"discharge", "discharging", "dis", "dch", "entladestrom"}:
            out.append(column)
        elif tokens & {"charge", "charging", "chg", "ladestrom"}:
            into.append(column)
        else:
            others += 1
    if others or len(into) != 1 or len(out) != 1:
        return layout, table
    charging, discharging = (
        _numbers(table, column) * (unit_factor("i", bare(layout.header[column])[1]) or 1.0)
        for column in (into[0], out[0])
    )
    size = float(discharging.abs().max() + charging.abs().max())
    both = (charging.abs() > 0.02 * size) & (discharging.abs() > 0.02 * size)
    if size <= 0 or bool(both.any()):
        return layout, table
    notes.append(f"the current is {layout.header[into[0]]} less {layout.header[out[0]]}")
    return _with_column(layout, table, "Current (A)", charging.abs() - discharging.abs(), [into[0], out[0]])
