"""A run folder out of anybody's table of time, voltage and current.

Takes delimited text (also gzip'd): any delimiter, with a header or without, decimal points or
commas, units and scale in the map, either sign of discharge, elapsed or clock time. What was done
to the table is told and kept in `run.json` under `imported`; a row that cannot be read is named by
line. Nonsense is refused in one sentence. Nothing is written before all is read and judged.
"""

import contextlib
import gzip
import hashlib
import io
import json
import math
import os
import re
import shutil
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from harness.errors import AmphoraError, InputError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]

CHANNELS = ("t", "v", "i", "temp", "step", "steptime", "ah", "wh")
UNITS: dict[str, dict[str, float]] = {
    "t": {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0, "hr": 3600.0},
    "v": {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "volt": 1.0, "volts": 1.0},
    "i": {"a": 1.0, "ma": 1e-3, "ua": 1e-6, "amp": 1.0, "amps": 1.0, "ampere": 1.0},
    "temp": {"c": 1.0, "degc": 1.0, "°c": 1.0, "deg c": 1.0, "celsius": 1.0},
    "steptime": {"s": 1.0, "sec": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "ah": {"ah": 1.0, "mah": 1e-3},
    "wh": {"wh": 1.0, "mwh": 1e-3},
    "step": {},
}
# Words that headers use, the surest first; compared without unit, case and punctuation.
WORDS: dict[str, tuple[str, ...]] = {
    "t": (
        "test time", "total time", "elapsed time", "time elapsed", "run time", "time", "t", "time stamp", "timestamp",
        "elapsed", "seconds", "date time", "datetime", "zeit",
    ),
    "v": (
        "voltage", "voltage measured", "cell voltage", "measured voltage", "terminal voltage", "volt", "volts", "v",
        "u", "ucell", "ecell", "potential", "spannung",
    ),
    "i": (
        "current", "current measured", "cell current", "measured current", "amps", "amp", "i", "strom",
    ),
    "temp": (
        "temperature", "cell temperature", "temperature measured", "temp", "temperatur", "surface temperature",
        "skin temperature", "t cell", "tcell", "battery temperature",
    ),
    "steptime": ("step time",),
    "step": ("step index", "step", "step number", "step no"),
}  # fmt: skip
ENERGY_COUNTERS = {
    "counter_charge_Wh": ("charge energy", "charge wh", "wh charge", "wh in"),
    "counter_discharge_Wh": ("discharge energy", "discharge wh", "wh discharge", "wh out"),
    "counter_Wh": ("wh", "energy", "watt hours"),
}
CHARGE_COUNTERS = {
    "counter_charge_Ah": (
        "charge capacity",
        "charged capacity",
        "charge ah",
        "ah charge",
        "ah charged",
        "ah in",
        "chg ah",
    ),
    "counter_discharge_Ah": (
        "discharge capacity",
        "discharged capacity",
        "discharge ah",
        "ah discharge",
        "ah discharged",
        "ah out",
        "dis ah",
        "discharge",
        "dchg ah",
    ),
    "counter_Ah": ("ah", "capacity", "amp hours", "amphours", "charge"),
}


@dataclass
class _Layout:
    """How the text is laid out."""

    delimiter: str
    decimal: str
    header: list[str]  # empty where there is none
    first_line: int  # number of the first line of data, from 1
    width: int
    names_line: int = 0


@dataclass(frozen=True)
class _Source:
    """One entry of the map: a column by header or number, and a factor."""

    column: int
    shown: str
    factor: float
    guessed: bool = False


@dataclass
class _Told:
    """What a person should know about the import; warnings go on into the analysis."""

    notes: list[str] = field(default_factory=list)
    warnings: list[dict[str, str]] = field(default_factory=list)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def warn(self, code: str, text: str) -> None:
        self.warnings.append({"code": code, "text": text})


def parse_map(text: str) -> dict[str, str]:
    """Return the map `t=…,v=…,i=…,temp=…` as channel -> column expression.

    Raises:
        InputError: an unknown channel, one given twice, or an empty column.
    """
    out: dict[str, str] = {}
    if not text.strip():
        return out
    for part in re.split(rf",(?=\s*(?:{'|'.join(CHANNELS)})\s*=)", text):
        name, equals, column = part.partition("=")
        name, column = name.strip().lower(), column.strip()
        if not equals or name not in CHANNELS:
            raise InputError(
                f"--map: {part.strip()[:80]!r}; entries such as t=Time,v=Voltage,i=Current(mA)*0.001 are accepted"
            )
        if not column:
            raise InputError(f"--map: {name}= names no column; header text or a number from 1 is accepted")
        if name in out:
            raise InputError(f"--map: {name}= is given twice")
        out[name] = column
    return out


def import_table(
    file: Path,
    cell: str,
    mapping: Mapping[str, str] | None = None,
    discharge_sign: Literal["negative", "positive"] | None = None,
    cutoff: float | None = None,
    start: str = "unknown",
    logs: Path = Path("logs"),
    chemistry: str | None = None,
    measurement: Mapping[str, Any] | None = None,
) -> Path:
    """Make a run folder out of a table; return the folder.

    Args:
        file: Delimited text, plain or gzip'd.
        cell: Id of the cell; one that is not on the shelf is put there, chemistry `auto`, and told.
        mapping: Channel (t, v, i, temp, step, steptime, ah, wh) -> column, with a factor after `*`
            or `/`; channels left out are guessed from well-known header words, and told.
        discharge_sign: Sign of the current that discharges, in the table; None: told from the data
            where that is clear, else negative.
        cutoff: Cut-off voltage in volt, or None.
        start: `full`, `declared-full` or `unknown`: how the record starts.
        logs: Folder of the cells and their runs.
        chemistry: For a cell that is not on the shelf yet.
        measurement: Specification of the channels, as in `run.json`; missing parts are assumed.

    Raises:
        InputError: the file, the map or the readings are not usable: what, where, what is accepted.
            Nothing was written.
    """
    from harness.entering import enter_run
    from harness.packaging import write_package
    from harness.shelf import Cell, Shelf, check_id

    file = Path(file)
    cell = check_id(cell)
    if start not in ("full", "declared-full", "unknown"):
        raise InputError(f"--start: {start!r}; full, declared-full or unknown are accepted")
    if discharge_sign not in (None, "negative", "positive"):
        raise InputError(f"--discharge-sign: {discharge_sign!r}; negative or positive are accepted")
    if cutoff is not None and not (math.isfinite(cutoff) and 0 < cutoff < 100):
        raise InputError(f"--cutoff: {cutoff!r} V; a voltage above 0 V and below 100 V is accepted")
    told = _Told()
    content, checksum = _read_bytes(file)
    table, layout = _read_text(file, content, told)
    del content
    sources = _sources(file, layout, dict(mapping or {}), told)
    states = _states(layout, table, sources)
    columns, extra, steps, first_utc, restarts, lines = _channels(file, layout, table, sources, told)
    states = None if states is None else states[lines - layout.first_line]
    del table
    _settle_sign(file, columns, discharge_sign, told, states)
    _judge(file, columns, lines, told)
    shelf = Shelf(logs)
    path = shelf.folder(cell) / "cell.json"
    new_cell = None
    if path.is_file():
        record = shelf.get(cell)
    else:
        new_cell = Cell(id=cell, chemistry=chemistry or "auto", source=f"imported from {file.name}")
        record = Cell.from_dict(new_cell.to_dict())
        told.note(f"{cell} was not on the shelf: put there with chemistry {record.chemistry}")
    run = _run_json(file, record.to_dict(), start, cutoff, measurement, sources, layout, checksum, told, first_utc)
    folder = _write(shelf, new_cell, cell, run, columns, extra, steps, restarts, told)
    with contextlib.suppress(AmphoraError, OSError):
        write_package(folder)
    enter_run(folder)
    return folder


def _read_bytes(file: Path) -> tuple[bytes, str]:
    try:
        raw = file.read_bytes()
    except IsADirectoryError as error:
        raise InputError(f"{file}: is a folder; a table as delimited text is accepted") from error
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror or error})") from error
    checksum = hashlib.sha256(raw).hexdigest()
    if raw[:2] == b"\x1f\x8b":
        try:
            raw = gzip.decompress(raw)
        except (OSError, EOFError) as error:
            raise InputError(f"{file}: is a damaged gzip file ({error})") from error
    if raw[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise InputError(f"{file}: is a spreadsheet or archive; save the table as delimited text (CSV) first")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raw = raw.decode("utf-16", errors="replace").encode("utf-8")
    elif raw[:3] == b"\xef\xbb\xbf":
        raw = raw[3:]
    if b"\x00" in raw[:4096]:
        raise InputError(f"{file}: is no text; a table as delimited text (CSV) is accepted")
    if not raw.strip():
        raise InputError(f"{file}: is empty; a table with time, voltage and current is accepted")
    return raw, checksum


def _encoding(raw: bytes) -> str:
    try:
        raw[: 1 << 20].decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < min(len(raw), 1 << 20) - 4:
            return "cp1252"
    return "utf-8"


_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_COMPLEX = re.compile(  # 0.05-0.01j, (0.05-0.01j), 0.05 - 0.01i
    r"^\(?\s*[+-]?\d*\.?\d+(?:[eE][+-]?\d+)?\s*[+-]\s*\d*\.?\d*(?:[eE][+-]?\d+)?\s*\*?[ij]\s*\)?$"
)
_CLOCK = re.compile(r"^(\d+\s*d(ays?)?[\s,]*)?\d{1,4}:\d{1,2}(:\d{1,2}([.,]\d+)?)?$")
_DATE = re.compile(
    r"^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([T ]\s*\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?)?\s*(Z|[AP]M|[+-]\d{2}:?\d{2})?$", re.I
)


def _value_like(text: str) -> bool:
    return bool(_NUMBER.match(text) or _CLOCK.match(text) or _DATE.match(text) or _COMPLEX.match(text))


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' in line:
        import csv

        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    return [cell.strip() for cell in line.split(delimiter)]


def _layout(file: Path, lines: Sequence[str]) -> _Layout:
    """Find delimiter, decimal mark, header and first line of data from the first lines."""
    best: tuple[float, str] | None = None
    for rank, delimiter in enumerate(("\t", ";", ",", "|", " ")):
        counts: dict[int, int] = {}
        for line in lines:
            cells = _split(line, delimiter)
            values = sum(_value_like(cell) for cell in cells)
            if values >= 2 and values >= 0.4 * len(cells):
                counts[len(cells)] = counts.get(len(cells), 0) + 1
        if not counts:
            continue
        width, agreeing = max(counts.items(), key=lambda item: item[1])
        if width < 2:
            continue
        score = agreeing - 0.01 * rank + (0.001 * width if delimiter != " " else 0.0)
        if delimiter == "," and all(_value_like(line.strip()) for line in lines[-3:]):
            continue
        if best is None or score > best[0]:
            best = (score, delimiter)
    if best is None:
        raise InputError(
            f"{file}: no rows of numbers found in the first {len(lines)} lines; "
            "a table with columns for time, voltage and current is accepted"
        )
    delimiter = best[1]
    split = [_split(line, delimiter) for line in lines]
    widths: dict[int, int] = {}
    for cells in split:
        if sum(_value_like(cell) for cell in cells) >= 2:
            widths[len(cells)] = widths.get(len(cells), 0) + 1
    width = max(widths.items(), key=lambda item: item[1])[0]
    first = next(
        index
        for index, cells in enumerate(split)
        if len(cells) == width and sum(_value_like(cell) for cell in cells) >= max(2, 0.4 * width)
    )
    header: list[str] = []
    names_line = 0
    if first > 0:
        above = [index for index in range(first) if len(split[index]) == width and any(split[index])]
        wordy = [index for index in above if sum(_value_like(cell) for cell in split[index]) <= 1]
        if wordy and wordy[-1] >= first - 2:
            names_line = wordy[-1]
            header = split[names_line]
            if len(wordy) >= 2 and wordy[-2] == names_line - 1 and _is_units(header):
                names = split[names_line - 1]
                header = [f"{name}({unit})" if unit else name for name, unit in zip(names, header, strict=True)]
                names_line -= 1
            header = [cell.strip().strip('"').lstrip("#").strip() for cell in header]
            names_line += 1
    decimal = "."
    if delimiter != ",":
        cells = [cell for row in split[first:] for cell in row]
        comma = sum(bool(re.match(r"^[+-]?\d+,\d+([eE][+-]?\d+)?$", cell)) for cell in cells)
        point = sum(bool(re.match(r"^[+-]?\d+\.\d+([eE][+-]?\d+)?$", cell)) for cell in cells)
        if comma > point:
            decimal = ","
    return _Layout(delimiter, decimal, header, first + 1, width, names_line)


def _is_units(cells: Sequence[str]) -> bool:
    known = {unit for group in UNITS.values() for unit in group}
    return sum(cell.strip(" ()[]").lower() in known for cell in cells) >= max(2, len(cells) // 2)


def _read_text(file: Path, content: bytes, told: _Told) -> "tuple[pd.DataFrame, _Layout]":
    """Return the table, all rows of data, its index the line number in the file."""
    import pandas as pd

    encoding = _encoding(content)
    head = content[: 1 << 17].decode(encoding, errors="replace").splitlines()[:400]
    if len(content) > 1 << 17 and len(head) < 400:
        head = head[:-1]
    layout = _layout(file, head)
    if not content.endswith(b"\n"):
        last = content[content.rfind(b"\n") + 1 :].decode(encoding, errors="replace")
        if len(_split(last, layout.delimiter)) < layout.width and last.strip():
            number = content.count(b"\n") + 1
            told.note(f"line {number}: the last line is cut short and was left out")
            content = content[: content.rfind(b"\n") + 1]
    options: dict[str, Any] = {
        "sep": r"\s+" if layout.delimiter == " " else layout.delimiter,
        "decimal": layout.decimal,
        "header": None,
        "names": list(range(layout.width)),
        "index_col": False,
        "skip_blank_lines": False,
        "skipinitialspace": True,
        "encoding": encoding,
        "encoding_errors": "replace",
        "engine": "c",
        "low_memory": False,
        "na_values": ["-", "--", "---", "n/a", "N/A", "overload", "OL"],
    }
    try:
        table = pd.read_csv(io.BytesIO(content), skiprows=layout.first_line - 1, **options)
    except (pd.errors.ParserError, ValueError):
        text, wrong = _without_wrong_lines(content.decode(encoding, errors="replace"), layout)
        if wrong:
            told.note(_lines_text(wrong, f"not {layout.width} fields as the other lines have; left out"))
        try:
            table = pd.read_csv(io.StringIO(text), skiprows=layout.first_line - 1, **options)
        except (pd.errors.ParserError, ValueError) as error:
            raise InputError(f"{file}: cannot be read as a table: {str(error).splitlines()[0]}") from error
    table.index = pd.RangeIndex(layout.first_line, layout.first_line + len(table))
    return table, layout


def _without_wrong_lines(text: str, layout: _Layout) -> tuple[str, list[int]]:
    """Blank the lines with too many fields, so that the rest can be read; return their numbers."""
    lines = text.splitlines()
    wrong = []
    for index in range(layout.first_line - 1, len(lines)):
        if lines[index].strip() and len(_split(lines[index], layout.delimiter)) > layout.width:
            wrong.append(index + 1)
            lines[index] = ""
    return "\n".join(lines) + "\n", wrong


def _lines_text(numbers: Sequence[int], what: str) -> str:
    shown = ", ".join(str(number) for number in numbers[:5])
    more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
    return f"line{'s' if len(numbers) > 1 else ''} {shown}{more}: {what}"


def _bare(header: str) -> tuple[str, str]:
    """Return a header's words and its unit: 'Test_Time(s)' -> ('test time', 's')."""
    text = header.strip()
    unit = ""
    found = re.search(r"[\(\[/]\s*([^\)\]/]+?)\s*[\)\]]?\s*$", text)
    if found and found.start() > 0:
        unit, text = found.group(1), text[: found.start()]
    else:
        found = re.search(r"[_ ](s|sec|ms|min|h|hr|V|mV|A|mA|uA|C|degC|°C|Ah|mAh|Wh|mWh)$", text)
        if found and found.start() > 0:
            unit, text = found.group(1), text[: found.start()]
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    words = re.sub(r"[^0-9A-Za-zµ°äöü]+", " ", words).strip().lower()
    return words, unit.strip()


def _unit_factor(channel: str, unit: str) -> float | None:
    return UNITS[channel].get(unit.strip().lower().replace("µ", "u").replace("μ", "u"))


def _sources(file: Path, layout: _Layout, mapping: dict[str, str], told: _Told) -> dict[str, _Source]:
    unknown = [name for name in mapping if name not in CHANNELS]
    if unknown:
        raise InputError(f"--map: {unknown[0]!r} is no channel; {', '.join(CHANNELS)} are accepted")
    sources = {name: _source(file, layout, name, text, told) for name, text in mapping.items()}
    used = {source.column for source in sources.values()}
    guessed = []
    for channel in ("t", "v", "i", "temp", "steptime", "step"):
        if channel in sources or not layout.header:
            continue
        column = _guess(layout.header, channel, used)
        if column is None:
            continue
        _, unit = _bare(layout.header[column])
        factor = _unit_factor(channel, unit) if unit else 1.0
        if factor is None:
            factor = 1.0
        sources[channel] = _Source(column, layout.header[column], factor, True)
        used.add(column)
        if channel in ("t", "v", "i", "temp"):
            guessed.append(f"{channel}={layout.header[column]}" + (f"*{factor:g}" if factor != 1 else ""))
    if "t" not in sources and sources.get("steptime") is not None and sources["steptime"].guessed:
        sources["t"] = sources.pop("steptime")
        told.note(f"there is no other time than {sources['t'].shown}: it was taken, step after step")
    missing = [channel for channel in ("t", "v", "i") if channel not in sources]
    if missing:
        names = {"t": "time", "v": "voltage", "i": "current"}
        held = (
            ", ".join(repr(name) for name in layout.header) if layout.header else f"{layout.width} columns, no header"
        )
        raise InputError(
            f"{file}: no column for {' and '.join(names[channel] for channel in missing)} was named or recognised "
            f"among {held}; name them, such as --map t=1,v=2,i=3 (header text, or number from 1)"
        )
    for one, other in (("t", "v"), ("t", "i"), ("v", "i")):
        same = sources[one].column == sources[other].column
        if same and (
            one == "t" or sources[one].factor == sources[other].factor
        ):  # a voltage over a resistor may be both
            raise InputError(
                f"{file}: --map: {one} and {other} are the same column, {sources[one].shown}; one column each is "
                "accepted, or for a current over a known resistor the voltage's with a factor, as i=Volt*-0.1"
            )
    if guessed:
        told.note(f"columns guessed by their header: {', '.join(guessed)}")
    return sources


def _source(file: Path, layout: _Layout, channel: str, text: str, told: _Told) -> _Source:
    factor = 1.0
    column = _find_column(layout, text)
    scaled = False
    if column is None:
        found = re.match(r"^(.*?)\s*([*/])\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)$", text)
        if found:
            try:
                number = float(found.group(3))
            except ValueError as error:
                raise InputError(f"--map: {channel}={text}: {found.group(3)!r} is no number") from error
            if number == 0:
                raise InputError(
                    f"--map: {channel}={text}: a factor of 0 leaves nothing; a number such as 0.001 is accepted"
                )
            factor = number if found.group(2) == "*" else 1.0 / number
            column = _find_column(layout, found.group(1).strip())
            scaled = True
    if column is None:
        held = ", ".join(repr(name) for name in layout.header) if layout.header else f"numbers 1 to {layout.width}"
        raise InputError(f"{file}: --map {channel}={text}: no such column; there are {held}")
    shown = layout.header[column] if layout.header else str(column + 1)
    if not scaled and layout.header:
        _, unit = _bare(shown)
        by_unit = _unit_factor(channel, unit) if unit else None
        if by_unit is not None and by_unit != 1.0:
            factor = by_unit
            told.note(f"{channel}: the header {shown!r} names a unit; scaled by {factor:g}")
    return _Source(column, shown, factor)


def _find_column(layout: _Layout, text: str) -> int | None:
    wanted = text.strip().strip('"')
    for compare in (str, str.lower, lambda name: re.sub(r"\s+", "", name).lower()):
        for index, name in enumerate(layout.header):
            if compare(name) == compare(wanted):
                return index
    if wanted.isdigit() and 1 <= int(wanted) <= layout.width:
        return int(wanted) - 1
    return None


def _guess(header: Sequence[str], channel: str, used: set[int]) -> int | None:
    bare = [_bare(name) for name in header]
    for word in WORDS[channel]:
        for index, (words, unit) in enumerate(bare):
            if index in used or words != word:
                continue
            if unit and channel != "step" and _unit_factor(channel, unit) is None and channel != "t":
                continue
            return index
    if channel in ("step", "steptime"):
        return None
    for index, (words, unit) in enumerate(bare):  # 'Current' by unit alone, when only one column has it
        same = [k for k, (_, other) in enumerate(bare) if other and other == unit and k not in used]
        if (
            index not in used
            and unit
            and channel in ("v", "i")
            and unit.lower() in UNITS[channel]
            and len(same) == 1
            and not words
        ):
            return index
    return None


def _number_column(
    file: Path, layout: _Layout, table: "pd.DataFrame", source: _Source, channel: str, bad: dict[int, str]
) -> "FloatArray":
    import numpy as np
    import pandas as pd

    column = table[source.column]
    if column.dtype.kind in "fiu":
        values = column.to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        text = column.astype("string").str.strip()
        if layout.decimal == ",":
            text = text.str.replace(",", ".", regex=False)
        values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        for row in np.flatnonzero(
            np.isnan(values) & column.notna().to_numpy() & (text != "").fillna(False).to_numpy(bool)
        ):
            bad.setdefault(
                int(table.index[int(row)]), f"{str(column.iloc[row])[:30]!r} in {source.shown} is not a number"
            )
    if np.isinf(values).any() or (np.abs(values) > 9e36).any():
        # 9.9E37 and 9.91E37 stand for infinity and 'no value' in SCPI-1999: never data
        values = np.where(np.isinf(values) | (np.abs(values) > 9e36), np.nan, values)
    return values * source.factor if source.factor != 1.0 else values


def _time_column(
    file: Path, table: "pd.DataFrame", source: _Source, bad: dict[int, str], told: _Told, layout: _Layout
) -> "tuple[FloatArray, str | None, bool]":
    """Return times in second, the UTC-less text of the first clock time, and whether days may wrap."""
    import numpy as np
    import pandas as pd

    column = table[source.column]
    if column.dtype.kind in "fiu":
        values = column.to_numpy(dtype=np.float64, na_value=np.nan) * source.factor
        finite = values[np.isfinite(values)]
        if finite.size and finite[0] > 1e8:  # seconds (or ms) since 1970
            scale = 1e-3 if finite[0] > 1e11 and source.factor == 1.0 else 1.0
            first = float(finite[0])
            told.note("times count from a far past; they now count from the first row")
            return (values - first) * scale, datetime.fromtimestamp(first * scale, UTC).isoformat(), False
        return values, None, False
    text = column.astype("string").str.strip()
    present = text[text.notna() & (text != "")]
    if present.empty:
        raise InputError(f"{file}: the time column {source.shown} is empty")
    sample = present.iloc[: min(50, len(present))]
    if sum(bool(_CLOCK.match(str(item))) for item in sample) > 0.5 * len(sample):
        parts = text.str.extract(
            r"^(?:(?P<d>\d+)\s*d(?:ays?)?[\s,]*)?(?P<h>\d+):(?P<m>\d+)(?::(?P<s>\d+(?:[.,]\d+)?))?$"
        )
        numbers = [
            pd.to_numeric(parts[name].str.replace(",", ".", regex=False), errors="coerce").to_numpy(
                np.float64, na_value=np.nan
            )
            for name in ("d", "h", "m", "s")
        ]
        numbers[0] = np.nan_to_num(numbers[0])
        numbers[3] = np.where(np.isnan(numbers[3]) & ~np.isnan(numbers[1]), 0.0, numbers[3])
        values = np.asarray(numbers[0] * 86400 + numbers[1] * 3600 + numbers[2] * 60 + numbers[3], dtype=np.float64)
        finite = numbers[1][np.isfinite(numbers[1])]
        wraps = bool(finite.size and finite.max() < 24)
        _name_bad(table, column, text, values, source, "a time", bad)
        return values, None, wraps
    if sum(bool(_DATE.match(str(item))) for item in sample) > 0.5 * len(sample):
        first_text = str(sample.iloc[0])
        day_first = bool(re.match(r"^\d{1,2}\.\d{1,2}\.\d{2,4}", first_text))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that it guesses row by row is no news
            plain = text.str.replace(",", ".", regex=False)
            stamps = pd.to_datetime(plain, errors="coerce", dayfirst=day_first, utc=True)
            if stamps.isna().mean() > 0.1:
                stamps = pd.to_datetime(plain, errors="coerce", dayfirst=day_first, utc=True, format="mixed")
        if re.match(r"^\d{1,2}/\d{1,2}/", first_text):
            told.note(f"dates such as {first_text!r} were read as month/day")
        seconds = (stamps - stamps.dropna().iloc[0]).dt.total_seconds() if stamps.notna().any() else None
        if seconds is None:
            raise InputError(f"{file}: the times in {source.shown}, such as {first_text!r}, cannot be read")
        values = np.asarray(seconds.to_numpy(np.float64, na_value=np.nan), dtype=np.float64)
        _name_bad(table, column, text, values, source, "a time", bad)
        return values, stamps.dropna().iloc[0].isoformat(), False
    return _number_column(file, layout, table, source, "t", bad), None, False


def _name_bad(
    table: "pd.DataFrame", column: Any, text: Any, values: "FloatArray", source: _Source, what: str, bad: dict[int, str]
) -> None:
    import numpy as np

    for row in np.flatnonzero(np.isnan(values) & column.notna().to_numpy() & (text != "").fillna(False).to_numpy(bool)):
        bad.setdefault(int(table.index[int(row)]), f"{str(column.iloc[row])[:30]!r} in {source.shown} is not {what}")


def _channels(
    file: Path, layout: _Layout, table: "pd.DataFrame", sources: dict[str, _Source], told: _Told
) -> "tuple[dict[str, FloatArray], dict[str, FloatArray], Any, str | None, list[int], Any]":
    """Return t, v, i, temp; the other columns; the step as executed; the first UTC; restarts of the time; lines."""
    import numpy as np

    bad: dict[int, str] = {}
    t, first_utc, wraps = _time_column(file, table, sources["t"], bad, told, layout)
    v = _number_column(file, layout, table, sources["v"], "v", bad)
    i = _number_column(file, layout, table, sources["i"], "i", bad)
    rows = len(table)
    blank = table.isna().all(axis=1).to_numpy() if np.isnan(t).any() else np.zeros(rows, bool)
    keep = np.isfinite(t) & np.isfinite(v) & np.isfinite(i)
    lines = table.index.to_numpy()
    impedance = _impedance_rows(layout, table, keep, bad)
    if impedance.any():
        told.note(
            _lines_text(
                [int(line) for line in lines[impedance]], "impedance without voltage or current over time; left out"
            )
        )
        for line in lines[impedance]:
            bad.pop(int(line), None)
        blank |= impedance
    if bad:
        numbers = sorted(bad)
        shown = "; ".join(f"line {number}: {bad[number]}" for number in numbers[:3])
        more = f"; and {len(numbers) - 3} more" if len(numbers) > 3 else ""
        told.note(f"{shown}{more}; left out")
        if len(numbers) > 0.2 * max(1, rows):
            first = numbers[0]
            raise InputError(
                f"{file}, line {first}: {bad[first]}, and so it is in {len(numbers)} of {rows} rows; "
                "rows of numbers are accepted"
            )
    missing = np.flatnonzero(~keep & ~blank & ~np.isin(lines, list(bad)))
    if missing.size:
        told.note(_lines_text([int(lines[row]) for row in missing[:2000]], "no time, voltage or current; left out"))
    if bad or missing.size:
        told.warn(
            "rows-left-out", f"{len(bad) + int(missing.size)} row(s) of {rows} could not be read and were left out."
        )
    if keep.sum() < 2:
        raise InputError(f"{file}: {int(keep.sum())} row(s) with time, voltage and current; at least 2 are needed")
    values: dict[str, FloatArray] = {"t": t, "v": v, "i": i}
    if "temp" in sources:
        values["temp"] = _number_column(file, layout, table, sources["temp"], "temp", {})
        if _bare(sources["temp"].shown)[1].lower() in ("f", "degf", "°f"):
            values["temp"] = (values["temp"] - 32.0) / 1.8
        if float(np.nanmedian(values["temp"])) > 200.0 if np.isfinite(values["temp"]).any() else False:
            values["temp"] = values["temp"] - 273.15
            told.note("temperatures above 200 were read as kelvin")
    extra, steps = _extras(layout, table, sources, told, keep)
    if not keep.all():
        values = {name: column[keep] for name, column in values.items()}
        extra = {name: column[keep] for name, column in extra.items()}
        steps = steps[keep]
        lines = lines[keep]
    order, restarts = _settle_time(values, wraps, lines, told, steps if "step" in sources else None)
    if order is not None:
        values = {name: column[order] for name, column in values.items()}
        extra = {name: column[order] for name, column in extra.items()}
        steps, lines = steps[order], lines[order]
    executed = np.concatenate(([0], np.cumsum(np.diff(steps) != 0))).astype(np.int64)
    return values, extra, executed, first_utc, restarts, lines


def _impedance_rows(
    layout: _Layout, table: "pd.DataFrame", keep: "npt.NDArray[np.bool_]", bad: Mapping[int, str]
) -> "npt.NDArray[np.bool_]":
    """Return which unusable rows are readings of impedance: complex numbers, or an impedance beside empty readings."""
    import numpy as np

    found = np.zeros(len(table), bool)
    left = np.flatnonzero(~keep)
    if not left.size:
        return found
    for column in range(layout.width):
        series = table[column]
        if series.dtype.kind in "fiub":
            header = _bare(layout.header[column])[0] if layout.header else ""
            if re.search(r"\b(impedance|resistance|eis|frequency|freq)\b", header):
                found[left] |= series.iloc[left].notna().to_numpy()
            continue
        text = series.iloc[left].astype("string").str.strip()
        found[left] |= text.str.match(_COMPLEX).fillna(False).to_numpy(bool)
    told_lines = table.index.to_numpy()
    told_bad = np.isin(told_lines, list(bad))
    if told_bad.any():  # what is neither a number nor complex stays a bad row
        for row in np.flatnonzero(told_bad & found):
            found[row] = bool(_COMPLEX.match(bad[int(told_lines[row])].split("'")[1].strip()))
    return found


def _settle_time(
    values: "dict[str, FloatArray]", wraps: bool, lines: Any, told: _Told, steps: "FloatArray | None" = None
) -> "tuple[Any, list[int]]":
    """Make times not fall: midnight, a clock set back, a clock of each step, a restart, rows out of order."""
    import numpy as np

    t = values["t"].copy()
    restarts: list[int] = []
    if steps is not None:
        t = _step_clock(t, steps, lines, told)
    order = None
    for _ in range(10_000):
        falls = np.flatnonzero(np.diff(t) < 0)
        if falls.size == 0:
            break
        row = int(falls[0]) + 1
        drop = float(t[row - 1] - t[row])
        line = int(lines[row])
        ahead = np.diff(t[max(0, row - 50) : row])
        ahead = ahead[ahead > 0]
        usual = float(np.median(ahead)) if ahead.size else 0.0
        if wraps and drop > 43200:
            t[row:] += 86400.0
            told.note(f"line {line}: the clock passes midnight")
            continue
        recovers = np.flatnonzero(t[row:] >= t[row - 1])
        if abs(drop - 3600) < max(5.0, 3 * usual) and drop > 100 * usual:
            t[row:] += 3600.0
            told.note(f"line {line}: the clock was set back by an hour; taken as going on")
            told.warn("clock-set", f"The clock was set back by an hour at line {line}; time was taken as going on.")
            continue
        if recovers.size and recovers[0] <= 5 and drop < 100 * max(usual, 1e-9):
            order = np.argsort(t, kind="stable")
            late = int(np.count_nonzero(np.diff(t) < 0))
            told.note(f"line {line}: time falls by {drop:g} s; {late} late row(s) put in order of time")
            told.warn("time-disorder", f"{late} row(s) were out of order in time and were sorted.")
            t = t[order]
            break
        t[row:] += drop + usual
        restarts.append(row)
        if len(restarts) == 1:
            told.note(f"line {line}: time falls by {drop:g} s and starts again; nothing is integrated across")
    else:
        told.note("time falls in very many places")
    if (np.diff(t) < 0).any():
        order = np.argsort(t, kind="stable")
        t = t[order]
    if restarts:
        told.warn(
            "time-restarts",
            f"Time starts again {len(restarts)} time(s); how long was between is not known: "
            "nothing was integrated across.",
        )
    repeated = int(np.count_nonzero(np.diff(t) == 0))
    if repeated:
        told.note(f"{repeated} row(s) repeat the time of the row before")
    if order is None:
        values["t"] = t
        if float(t[0]) < 0:
            values["t"] = t - float(t[0])
        return None, restarts
    if float(t[0]) < 0:
        t = t - float(t[0])
    unsorted = np.empty_like(t)
    unsorted[order] = t
    values["t"] = unsorted
    return order, []


def _step_clock(t: "FloatArray", steps: "FloatArray", lines: Any, told: _Told) -> "FloatArray":
    """Return times that go on where a clock counts each step from zero; the same times where it does not.

    A clock of each step falls only where the step changes, and begins there near zero; the step's own time then
    counts from the last reading of the step before. Source: common practice of test tables.
    """
    import numpy as np

    falls = np.flatnonzero(np.diff(t) < 0) + 1
    if falls.size == 0 or not (steps[falls] != steps[falls - 1]).all():
        return t
    spans = np.diff(t)
    usual = float(np.median(spans[spans > 0])) if (spans > 0).any() else 0.0
    if not ((t[falls] >= 0) & (t[falls] <= 2 * usual + 1e-9)).all():
        return t
    changes = np.flatnonzero(steps[1:] != steps[:-1]) + 1
    if not (t[changes] <= 2 * usual + 1e-9).all():
        return t  # a step whose clock did not begin anew: this is no clock of each step
    out = t.copy()
    for row in changes.tolist():
        out[row:] = out[row - 1] + t[row:] if t[row] > 0 else out[row - 1] + usual + t[row:]
    told.note(
        f"line {int(lines[changes[0]])}: the time counts each step from zero; the {changes.size + 1} steps were put "
        "one after the other"
    )
    return out


def _extras(
    layout: _Layout, table: "pd.DataFrame", sources: dict[str, _Source], told: _Told, keep: "npt.NDArray[np.bool_]"
) -> "tuple[dict[str, FloatArray], Any]":
    import numpy as np
    import pandas as pd

    both_ways = any(_bare(name)[0] in CHARGE_COUNTERS["counter_discharge_Ah"] for name in layout.header)
    main = {sources[name].column for name in ("t", "v", "i", "temp") if name in sources}
    extra: dict[str, FloatArray] = {}
    named = {sources[name].column: name for name in ("steptime", "ah", "wh") if name in sources}
    taken = {"t_s", "step", "voltage_V", "current_A", "temperature_degC"}
    for column in range(layout.width):
        if column in main:
            continue
        series = table[column]
        header = layout.header[column] if layout.header else f"column {column + 1}"
        name = re.sub(r'[,"\r\n\t]+', " ", header).strip() or f"column {column + 1}"
        factor = 1.0
        words, unit = _bare(header)
        known = named.get(column)
        if known == "steptime":
            name, factor = "step_time_s", sources[known].factor
        elif known in ("ah", "wh"):
            name, factor = f"counter_{'Ah' if known == 'ah' else 'Wh'}", sources[known].factor
        elif unit.lower() in ("ah", "mah") or re.search(r"\b(ah|amp hours)\b", words):
            for counter, accepted in CHARGE_COUNTERS.items():
                if words == "charge" and both_ways:  # beside a counter of the discharge it is that of the charge
                    counter, accepted = "counter_charge_Ah", ("charge",)
                if words in accepted:
                    name, factor = counter, (1e-3 if unit.lower() == "mah" else 1.0)
                    break
        elif unit.lower() in ("wh", "mwh") or re.search(r"\b(wh|watt hours)\b", words):
            for counter, accepted in ENERGY_COUNTERS.items():
                if words in accepted:
                    name, factor = counter, (1e-3 if unit.lower() == "mwh" else 1.0)
                    break
        while name in taken:
            name += "_"
        taken.add(name)
        if series.dtype.kind not in "fiub":
            numbers = pd.to_numeric(series.astype("string").str.strip(), errors="coerce")
            if numbers.notna().sum() < 0.5 * max(1, int(series.notna().sum())):
                parts = _complex_parts(series)
                if parts is not None:
                    if not keep[np.isfinite(parts[0])].any():
                        told.note(f"column {header!r} holds impedance, in rows that were left out: it is not kept")
                        continue
                    told.note(f"column {header!r} holds complex numbers; kept as {name}_real and {name}_imaginary")
                    extra[f"{name}_real"], extra[f"{name}_imaginary"] = parts
                    taken |= {f"{name}_real", f"{name}_imaginary"}
                    continue
                codes, levels = pd.factorize(series)
                if len(levels) > 200:
                    told.note(f"column {header!r} holds text of many kinds; left out")
                    continue
                legend = {int(code): str(level) for code, level in enumerate(levels)}
                told.note(f"column {header!r} holds words; kept as numbers: {legend}"[:300])
                extra[name] = np.where(codes < 0, np.nan, codes).astype(np.float64)
                continue
            series = numbers
        values = series.to_numpy(dtype=np.float64, na_value=np.nan)
        extra[name] = values * factor if factor != 1.0 else values
    steps = np.zeros(len(table), np.float64)
    if "step" in sources:
        steps = np.nan_to_num(
            pd.to_numeric(table[sources["step"].column], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        )
    return extra, steps


def _complex_parts(series: Any) -> "tuple[FloatArray, FloatArray] | None":
    """Return real and imaginary part of a column of complex numbers; None when it is none."""
    import numpy as np

    text = series.astype("string").str.strip()
    there = text.notna() & (text != "")
    complex_ = text.str.match(_COMPLEX).fillna(False)
    if not there.any() or int(complex_.sum()) < 0.5 * int(there.sum()):
        return None
    real, imaginary = np.full(len(text), np.nan), np.full(len(text), np.nan)
    for row in np.flatnonzero(complex_.to_numpy(bool)).tolist():
        plain = re.sub(r"[\s()*]", "", str(text.iloc[row])).replace("i", "j")
        try:
            value = complex(plain)
        except ValueError:
            continue
        real[row], imaginary[row] = value.real, value.imag
    return real, imaginary


_STATES = (  # words for what a row does, as tables have them; the beginning of the word decides
    (re.compile(r"^(dis|dch|dc\b|d$|entlad)", re.I), -1.0),
    (re.compile(r"^(ch|cc|cv|c$|lad)", re.I), 1.0),
)


def _states(layout: _Layout, table: "pd.DataFrame", sources: dict[str, _Source]) -> "FloatArray | None":
    """Return what a column of words says each row does: -1 discharge, 1 charge, 0 neither; None without one."""
    import numpy as np

    main = {source.column for source in sources.values()}
    for column in range(layout.width):
        series = table[column]
        if column in main or series.dtype.kind in "fiub":
            continue
        kinds = [str(kind).strip() for kind in series.dropna().unique()[:50]]
        signs = {kind: next((sign for word, sign in _STATES if word.match(kind)), 0.0) for kind in kinds}
        if {1.0, -1.0} <= set(signs.values()):
            plain = series.astype("string").str.strip()
            said: FloatArray = np.nan_to_num(plain.map(signs).to_numpy(dtype=np.float64, na_value=np.nan))
            return said
    return None


def _settle_sign(
    file: Path,
    columns: "dict[str, FloatArray]",
    discharge_sign: Literal["negative", "positive"] | None,
    told: _Told,
    states: "FloatArray | None" = None,
) -> None:
    if _has_no_sign(columns["v"], columns["i"]):
        if states is None or not ((states < 0) & (columns["i"] != 0)).any():
            raise InputError(
                f"{file}: the current has one sign while the voltage both rises and falls under it, so charge and "
                "discharge cannot be told apart; a current with a sign, or a column that says charge or discharge, is "
                "accepted"
            )
        told.note("the current has no sign; it was given the sign that the column of words says (discharge negative)")
        columns["i"] = _signed(states, columns["i"])
        return
    seen = _seen_sign(columns["v"], columns["i"])
    if discharge_sign is None:
        chosen = seen or "negative"
        if seen is None:
            told.note(
                "the data do not tell which sign discharges; negative was assumed (--discharge-sign says otherwise)"
            )
        elif seen == "positive":
            told.note("the voltage falls while the current is positive: positive was taken to discharge")
    else:
        chosen = discharge_sign
        if seen is not None and seen != chosen:
            told.warn(
                "sign-doubtful",
                f"The voltage moves as if {seen} current discharged the cell, against --discharge-sign {chosen}: "
                "check the sign.",
            )
    if chosen == "positive":
        columns["i"] = -columns["i"]


def _signed(states: "FloatArray", current_A: "FloatArray") -> "FloatArray":
    """Return a current without a sign, made negative where its row discharges."""
    import numpy as np

    return np.where(states < 0, -np.abs(current_A), np.abs(current_A))


def _has_no_sign(voltage_V: "FloatArray", current_A: "FloatArray") -> bool:
    """Tell whether the current is a magnitude: one sign throughout, and the voltage both rises and falls under it."""
    import numpy as np

    scale = float(np.quantile(np.abs(current_A), 0.99))
    if scale <= 0 or (float(current_A.min()) < -0.02 * scale and float(current_A.max()) > 0.02 * scale):
        return False
    # Stretches of steady current: where it steps, a voltage that recovers is no charge.
    steady = (np.abs(current_A) > 0.02 * scale) & (np.abs(np.diff(current_A, prepend=current_A[0])) < 0.2 * scale)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], steady.astype(np.int8), [0]))))
    risen = fallen = False
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin < 12:
            continue
        inner = voltage_V[begin + 1 : end : max(1, (end - begin) // 20_000)]
        calm = np.median(np.lib.stride_tricks.sliding_window_view(inner, 5), axis=-1) if inner.size >= 10 else inner
        room = 0.05 * abs(float(np.median(calm)))
        risen |= bool((calm - np.minimum.accumulate(calm)).max() > room)
        fallen |= bool((np.maximum.accumulate(calm) - calm).max() > room)
    return risen and fallen


def _seen_sign(voltage_V: "FloatArray", current_A: "FloatArray") -> Literal["negative", "positive"] | None:
    """Tell the sign that discharges from how voltage moves under the largest stretch of load.

    Positive current over which the voltage falls by more than 5 % discharges, and the like.
    """
    import numpy as np

    scale = float(np.quantile(np.abs(current_A), 0.99))
    if scale <= 0:
        return None
    votes = {"negative": 0.0, "positive": 0.0}
    for sign in (1, -1):
        loaded = sign * current_A > 0.3 * scale
        edges = np.flatnonzero(np.diff(np.concatenate(([0], loaded.astype(np.int8), [0]))))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            if end - begin < 8:
                continue
            inner = voltage_V[begin + 1 : end]
            change = float(inner[-1] - inner[0])
            if abs(change) < 0.02 * abs(float(np.median(inner))):
                continue
            falls = change < 0
            who = ("positive" if sign > 0 else "negative") if falls else ("negative" if sign > 0 else "positive")
            votes[who] += abs(change) * float(end - begin)
    negative, positive = votes["negative"], votes["positive"]
    if negative == positive == 0:
        return None
    if negative > 3 * positive:
        return "negative"
    if positive > 3 * negative:
        return "positive"
    return None


def _judge(file: Path, columns: "dict[str, FloatArray]", lines: Any, told: _Told) -> None:
    """Refuse or flag what no cell does. `lines` are the rows' numbers in the file, as an editor shows them."""
    import numpy as np

    t, v, i = columns["t"], columns["v"], columns["i"]
    rows = t.size
    scale_A = float(np.quantile(np.abs(i), 0.99)) if rows else 0.0
    middle_V = float(np.median(v))
    if middle_V > 1000 and middle_V < 5500:
        raise InputError(f"{file}: voltages about {middle_V:.0f} V; in mV? add a factor to the map, such as v=…*0.001")
    if middle_V > 60 or middle_V < -0.5:
        raise InputError(f"{file}: voltages about {middle_V:.3g} V are not a cell's; 0 V to 60 V is accepted")
    if scale_A > 2000:
        raise InputError(f"{file}: currents up to {scale_A:.0f} A; in mA? add a factor to the map, such as i=…*0.001")
    span_s = float(t[-1] - t[0])
    if span_s <= 0:
        raise InputError(
            f"{file}: all {rows} rows (lines {int(lines.min())} to {int(lines.max())}) have the same time; "
            "a table over time is accepted"
        )
    # A cell at rest does not jump by half a volt from one reading to the next.
    idle = np.abs(i) < max(0.02, 0.01 * scale_A)
    together = idle[1:] & idle[:-1] & (np.diff(t) < 60)
    jumps = np.flatnonzero(together & (np.abs(np.diff(v)) > 0.5))
    loaded = int(np.count_nonzero(~idle))
    if jumps.size and (rows < 20 or jumps.size > 0.1 * rows or scale_A < 0.005):
        row = int(jumps[0])
        raise InputError(
            f"{file}: from line {int(lines[row])} to line {int(lines[row + 1])} the voltage goes from {v[row]:.3f} V "
            f"to {v[row + 1]:.3f} V with no current flowing, which no cell does; the record is nonsense and was not "
            "imported"
        )
    if jumps.size:
        told.warn(
            "voltage-jumps",
            f"The voltage jumps by more than 0.5 V with no current {jumps.size} time(s), first at line "
            f"{int(lines[int(jumps[0]) + 1])}: a loose wire?",
        )
    if scale_A == 0 or loaded == 0:
        told.warn("no-load", "No current flows in this record: it says nothing about capacity.")
    elif rows < 10 or loaded < 5:
        told.warn("few-rows", f"Only {rows} rows, {loaded} with current: too few for figures to be trusted.")
    if middle_V > 5.0:
        told.warn("not-one-cell", f"Voltages about {middle_V:.1f} V: more than one cell, or a wrong scale.")
    if (v < -0.1).any():
        told.warn(
            "reversed",
            f"The voltage falls to {float(v.min()):.2f} V (line {int(lines[int(np.argmin(v))])}): "
            "a cell driven into reversal is scrap.",
        )
    spikes = np.flatnonzero(np.abs(i) > 100)
    if spikes.size and scale_A < 1:
        told.warn(
            "current-spikes",
            f"{spikes.size} reading(s) of the current are far beyond the rest, first at line {int(lines[spikes[0]])}: "
            f"{float(i[spikes[0]]):.4g} A.",
        )


def _run_json(
    file: Path,
    cell: dict[str, Any],
    start: str,
    cutoff: float | None,
    measurement: Mapping[str, Any] | None,
    sources: dict[str, _Source],
    layout: _Layout,
    checksum: str,
    told: _Told,
    first_utc: str | None,
) -> dict[str, Any]:
    import harness
    from harness.journal import FORMAT, utc_text
    from harness.loading import assumed_measurement

    specification: dict[str, Any] = assumed_measurement()
    for name, given in (measurement or {}).items():
        if name in specification and given:
            specification[name] = {**specification[name], "assumed": False, **given}
    return {
        "format": FORMAT,
        "run_id": "",
        "created_utc": utc_text(datetime.now(UTC)),
        "cell": cell,
        "plan": None,
        "profile": "import",
        "start": "declared-full" if start == "full" else start,
        "cutoff_V": cutoff,
        "bench": {"name": "imported", "instruments": {}, "cell": {}},
        "measurement": specification,
        "software": {"name": "amphora", "version": harness.__version__},
        "imported": {
            "file": file.name,
            "sha256": checksum,
            "delimiter": layout.delimiter,
            "decimal": layout.decimal,
            "first_line": layout.first_line,
            "first_clock_time": first_utc,
            "map": {
                name: {"column": source.shown, "factor": source.factor, "guessed": source.guessed}
                for name, source in sources.items()
            },
            "notes": told.notes,
            "warnings": told.warnings,
        },
    }


def _write(
    shelf: Any,
    new_cell: Any,
    cell: str,
    run: dict[str, Any],
    columns: "dict[str, FloatArray]",
    extra: "dict[str, FloatArray]",
    steps: Any,
    restarts: list[int],
    told: _Told,
) -> Path:
    """Write the folder beside its place and move it there whole."""
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    from harness.journal import COLUMNS, sha256, to_line, utc_text, write_whole

    if new_cell is not None:
        shelf.add(new_cell)
    home: Path = shelf.folder(cell)
    moment = datetime.now(UTC)
    stamp = moment.strftime("%Y%m%dT%H%M%SZ")
    target = home / f"{stamp}-import"
    number = 2
    while target.exists():
        target = home / f"{stamp}-import-{number}"
        number += 1
    run["run_id"] = f"{cell}/{target.name}"
    building = home / f".{target.name}.{os.getpid()}.part"
    building.mkdir(parents=True)
    try:
        arrays: dict[str, Any] = {
            "t_s": columns["t"],
            "step": steps,
            "voltage_V": columns["v"],
            "current_A": columns["i"],
            "temperature_degC": columns.get("temp"),
        }
        rows = int(columns["t"].size)
        write_whole(building / "run.json", json.dumps(run, ensure_ascii=False, allow_nan=False, indent=1) + "\n")
        data = {}
        for name in COLUMNS:
            held = arrays[name]
            if held is None:
                data[name] = pa.nulls(rows, pa.float64())
            elif name == "step":
                data[name] = pa.array(held)
            else:
                data[name] = pa.array(_tidy(held), from_pandas=True)
        for name, held in extra.items():
            data[name] = pa.array(_tidy(held), from_pandas=True)
        with (building / "samples.csv").open("wb") as file:
            file.write((",".join([*COLUMNS, *extra]) + "\n").encode("utf-8"))
            pa_csv.write_csv(pa.table(data), file, pa_csv.WriteOptions(include_header=False))
        events = to_line({"kind": "run-begun", "t_s": float(columns["t"][0]), "utc": utc_text(moment), "after_row": 0})
        for row in restarts:
            events += to_line(
                {
                    "kind": "gap",
                    "t_s": float(columns["t"][row]),
                    "utc": utc_text(moment),
                    "after_row": row,
                    "from_s": float(columns["t"][row - 1]),
                    "to_s": float(columns["t"][row]),
                    "charge_low_Ah": None,
                    "charge_high_Ah": None,
                    "known": "nothing: the file's time starts again here",
                }
            )
        checksums = {name: sha256(building / name) for name in ("run.json", "samples.csv")}
        checksums["events.jsonl"] = hashlib.sha256(events.encode("utf-8")).hexdigest()
        events += to_line(
            {
                "kind": "stopped",
                "t_s": float(columns["t"][-1]),
                "utc": utc_text(moment),
                "after_row": rows,
                "reason": "person",
                "text": f"imported from {run['imported']['file']}",
                "rows": rows,
                "final": True,
                "checksums": checksums,
            }
        )
        write_whole(building / "events.jsonl", events)
        building.replace(target)
    except BaseException:
        shutil.rmtree(building, ignore_errors=True)
        raise
    return target


def _tidy(values: "FloatArray") -> "FloatArray":
    """Round away the dust of a scale factor: twelve significant digits at least stay."""
    import numpy as np

    return np.round(values, 10)


def imported_notes(folder: Path) -> tuple[list[str], list[str]]:
    """Return what was told at an import: notes, and the texts of its warnings."""
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    held = run.get("imported") or {}
    return list(held.get("notes", [])), [str(item["text"]) for item in held.get("warnings", [])]


__all__ = ["import_table", "imported_notes", "parse_map"]
