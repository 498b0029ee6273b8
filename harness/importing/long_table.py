"""A table of very many rows, imported without ever being whole in memory: read twice, in parts.

The first reading checks that the table is plain: numbers in each column, none missing where they are needed, a time
that never falls. It keeps every so-manyth row, and all rows around whatever steps; these stand for the table wherever
units, signs and scales are judged, by the same code that judges a short table. The second reading writes the samples.
Whatever is not plain (words, clock times, gaps in a column, a time that falls, several cells, stray readings) gives
None: then the table is read whole, as a short one.
"""

import gzip
import hashlib
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, cast

import numpy as np

from amphora.harness.common.errors import InputError
from amphora.harness.importing.column_values import Told, number_column, step_column, temperature_column
from amphora.harness.importing.rows import Columns, Rows
from amphora.harness.importing.rows import extra_columns as extras_of
from amphora.harness.importing.sources import Source, Sources
from amphora.harness.importing.table_file import HEAD_BYTES, Layout, layout_of, options_of, plain_lines

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]

LONG_BYTES = 24 << 20  # below that a table is read whole: about 0.6 million rows
PACKED = 4  # so many times smaller a gzip'd table is, at least
PART_ROWS = 250_000
KEPT_ROWS = 250_000  # most rows near a step; more have something that steps all the time: no plain table
MOST_KEPT = 2 * KEPT_ROWS  # rows that stand for a table
NEAR_ROWS = 3  # on either side of a step
STEP_SHARE, STEP_V = 0.02, 0.01
BEYOND = 9e36  # SCPI-1999: no value


class NotPlain(Exception):
    """The table has something that only a reading of the whole can settle."""


@dataclass(frozen=True)
class Parts:
    """A table that can be read in parts: what stands for it, and how the rest is read."""

    file: Path
    layout: Layout
    options: Mapping[str, Any]
    begin: int
    checksum: str
    rows: int
    repeats: int  # rows that repeat the time of the one before
    standing: "pd.DataFrame"  # as a table, its index the lines in the file

    def __iter__(self) -> "Iterator[pd.DataFrame]":
        """Give the table again, part by part."""
        return _parts(self.file, self.begin, self.options)


@contextmanager
def _opened(file: Path) -> Iterator[IO[bytes]]:
    with file.open("rb") as raw:
        if raw.read(2) == b"\x1f\x8b":
            raw.seek(0)
            with gzip.open(raw) as unpacked:
                yield cast(IO[bytes], unpacked)
            return
        raw.seek(0)
        yield raw


def _parts(file: Path, begin: int, options: Mapping[str, Any]) -> "Iterator[pd.DataFrame]":
    import pandas as pd

    with _opened(file) as held:
        held.seek(begin)
        with pd.read_csv(held, chunksize=PART_ROWS, **options) as reader:
            yield from reader


def is_long(file: Path) -> bool:
    """Tell whether a file is large enough to be read in parts."""
    try:
        size = file.stat().st_size
        with file.open("rb") as raw:
            packed = raw.read(2) == b"\x1f\x8b"
    except OSError:
        return False
    return size * (PACKED if packed else 1) > LONG_BYTES


def read_parts(file: Path, channels: Callable[[Layout], Sources]) -> Parts | None:
    """Read a long table once, in parts.

    Args:
        file: Delimited text, plain or gzip'd.
        channels: Gives where each channel stands, from the layout.

    Returns:
        None where only the whole can be judged.
    """
    try:
        return _read(file, channels)
    except (NotPlain, InputError, ValueError, OSError, EOFError):  # whatever it is: the whole way says it
        return None


def _read(file: Path, channels: Callable[[Layout], Sources]) -> Parts:
    with _opened(file) as held:
        head = held.read(HEAD_BYTES)
    if head[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0") or head[:2] in (b"\xff\xfe", b"\xfe\xff") or 0 in head[:4096]:
        raise NotPlain
    mark = 3 if head[:3] == b"\xef\xbb\xbf" else 0
    if plain_lines(head[mark:]) != head[mark:]:
        raise NotPlain
    import pandas as pd

    layout, encoding, first = layout_of(file, head[mark:], whole=False)
    options = options_of(layout, encoding)
    sources = channels(layout)
    begin = mark + first
    keeper = _Keeper((sources.t.column, sources.v.column, sources.i.column))
    line = layout.first_line
    for part in _parts(file, begin, options):
        if any(part[column].dtype.kind not in "fiu" for column in range(layout.width)):
            raise NotPlain
        part.index = pd.RangeIndex(line, line + len(part))
        line += len(part)
        keeper.take(part)
    checksum = hashlib.sha256()
    with file.open("rb") as raw:
        while block := raw.read(1 << 20):
            checksum.update(block)
    if keeper.rows < 2 or np.isnan(keeper.last_s):
        raise NotPlain
    return Parts(
        file, layout, options, begin, checksum.hexdigest(), keeper.rows, keeper.repeats, keeper.standing
    )  # fmt: skip


class _Keeper:
    """Takes the parts of a table in order and keeps the rows that stand for it."""

    def __init__(self, needed: tuple[int, int, int]) -> None:
        self.every = 1
        self.rows = self.repeats = 0
        self.last_s = math.nan
        self._kept: list[tuple[pd.DataFrame, IntArray, BoolArray]] = []  # rows, their numbers, which are near a step
        self._needed, self._scale = needed, 0.0
        self._last: tuple[float, float] | None = None

    @property
    def standing(self) -> "pd.DataFrame":
        """Return the rows that stand for the table."""
        import pandas as pd

        return pd.concat([rows for rows, _, _ in self._kept])

    def take(self, part: "pd.DataFrame") -> None:
        """Take the next rows.

        Raises:
            NotPlain: they are not numbers over a time that does not fall, or step too often.
        """
        t, v, i = (part[column].to_numpy(np.float64) for column in self._needed)
        for values in (t, v, i):
            if not np.isfinite(values).all() or (np.abs(values) > BEYOND).any():
                raise NotPlain
        first = math.isnan(self.last_s)
        spans = np.diff(t, prepend=t[0] if first else self.last_s)
        if (spans < 0).any():
            raise NotPlain
        self.repeats += int(np.count_nonzero(spans == 0)) - first
        self._scale = max(self._scale, float(np.abs(i).max()))
        before_V, before_A = (v[0], i[0]) if self._last is None else self._last
        odd = np.abs(np.diff(i, prepend=before_A)) > STEP_SHARE * self._scale
        odd |= np.abs(np.diff(v, prepend=before_V)) > STEP_V * max(1.0, abs(float(np.median(v))) / 4)
        odd |= spans > 5 * max(float(np.median(spans)), 1e-12)
        near = np.convolve(odd, np.ones(2 * NEAR_ROWS + 1))[NEAR_ROWS : NEAR_ROWS + odd.size] > 0
        near[:NEAR_ROWS] = near[-NEAR_ROWS:] = True
        number = np.arange(self.rows, self.rows + t.size)
        keep = near | (number % self.every == 0)
        self._kept.append((part[keep], number[keep], near[keep]))
        self.rows += t.size
        self.last_s, self._last = float(t[-1]), (float(v[-1]), float(i[-1]))
        self._thin()

    def _thin(self) -> None:
        """Keep fewer of the rows that only every so many were kept of, while there are too many."""
        while sum(number.size for _, number, _ in self._kept) > MOST_KEPT:
            if sum(int(near.sum()) for _, _, near in self._kept) > KEPT_ROWS:
                raise NotPlain
            self.every *= 2
            for place, (rows, number, near) in enumerate(self._kept):
                keep = near | (number % self.every == 0)
                self._kept[place] = (rows[keep], number[keep], near[keep])


@dataclass(frozen=True)
class LongRows:
    """The rows of a long table, to be written part by part; `judged` stands for them."""

    parts: Parts
    judged: Rows
    sources: Sources
    sign: float
    time_of: "Callable[[FloatArray], FloatArray]"

    @property
    def size(self) -> int:
        """Return how many rows there are."""
        return self.parts.rows

    def __iter__(self) -> Iterator[Rows]:
        """Give the rows again, part by part, in the units of the house."""
        executed, last_step = 0, None
        line = self.parts.layout.first_line
        for table in self.parts:
            layout, sources = self.parts.layout, self.sources
            columns = Columns(
                self.time_of(number_column(layout, table, sources.t, {})),
                number_column(layout, table, sources.v, {}),
                self.sign * number_column(layout, table, sources.i, {}),
                None if sources.temp is None else self._temperature(table, sources.temp),
            )
            extra = extras_of(layout, table, sources, Told(), np.ones(len(table), bool))
            steps = step_column(table, sources.step)
            moved = np.cumsum(np.diff(steps, prepend=steps[0] if last_step is None else last_step) != 0)
            steps_done = (executed + moved).astype(np.int64)
            executed, last_step = int(steps_done[-1]), float(steps[-1])
            yield Rows(columns, extra, steps_done, np.arange(line, line + len(table)), [], None)
            line += len(table)

    def _temperature(self, table: "pd.DataFrame", source: Source) -> "FloatArray":
        """Return the temperatures of a part, as those that stand for the whole were read."""
        layout, told = self.parts.layout, Told()
        temperature_column(layout, self.parts.standing, source, told)
        if told.notes:  # read as kelvin
            return number_column(layout, table, source, {}) - 273.15
        return temperature_column(layout, table, source, Told())


def long_rows(parts: Parts, judged: Rows, sources: Sources, told: Told) -> LongRows | None:
    """Return the rows to write, by what was judged of those that stand for them; None where it does not carry over."""
    table = parts.standing
    if judged.restarts or judged.size != len(table):
        return None  # rows were left out, turned round or set aside
    raw_t = number_column(parts.layout, table, sources.t, {})
    time_of = _time_of(raw_t, judged.columns.t)
    raw_i = number_column(parts.layout, table, sources.i, {})
    sign = next((s for s in (1.0, -1.0) if np.array_equal(s * raw_i, judged.columns.i)), 0.0)
    if time_of is None or sign == 0.0:
        return None
    told.notes[:] = [note for note in told.notes if "repeat the time of the row before" not in note]
    if parts.repeats:
        told.note(f"{parts.repeats} row(s) repeat the time of the row before")
    return LongRows(parts, judged, sources, sign, time_of)


def _time_of(raw: "FloatArray", judged: "FloatArray") -> "Callable[[FloatArray], FloatArray] | None":
    """Return how times were made out of the column's, where it is a shift and a unit."""
    if np.array_equal(raw, judged):
        return lambda t: t
    first = float(raw[0])
    for scale in (1.0, 1e-3, 1e-6, 1e-9):
        if np.array_equal((raw - first) * scale, judged):
            return lambda t, by=scale: (t - first) * by  # type: ignore[misc]
    return None
