"""What a table file is: plain or gzip'd, its encoding, where its rows begin, how they are delimited.

Finds delimiter, decimal mark and header from the first lines, reads all rows, and leaves to others what
a column means. The index of the table it returns is each row's line in the file, so that every later
message can name it. A line that does not fit is told and left out; a file that is no table is refused.
"""

import contextlib
import csv
import gzip
import hashlib
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.columnmap import is_row_of_units
from harness.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

HEAD_BYTES = 1 << 17  # that and no more of a file is looked at for its layout
HEAD_LINES = 400
DELIMITERS = ("\t", ";", ",", "|", " ")  # where the counts are even, the earlier one is it

_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
COMPLEX = re.compile(  # 0.05-0.01j, (0.05-0.01j), 0.05 - 0.01i
    r"^\(?\s*[+-]?\d*\.?\d+(?:[eE][+-]?\d+)?\s*[+-]\s*\d*\.?\d*(?:[eE][+-]?\d+)?\s*\*?[ij]\s*\)?$"
)
CLOCK = re.compile(r"^(\d+\s*d(ays?)?[\s,]*)?\d{1,4}:\d{1,2}(:\d{1,2}([.,]\d+)?)?$")
DATE = re.compile(
    r"^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([T ]\s*\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?)?\s*(Z|[AP]M|[+-]\d{2}:?\d{2})?$", re.I
)


@dataclass(frozen=True)
class Layout:
    """How the text is laid out."""

    delimiter: str
    decimal: str
    header: list[str]  # empty where there is none
    first_line: int  # number of the first line of data, from 1
    width: int


def read_bytes(file: Path) -> tuple[bytes, str]:
    """Return a file's text as bytes, unpacked and without a byte-order mark, and the SHA-256 of the file as it is.

    Raises:
        InputError: it cannot be read, is damaged, empty, or no text.
    """
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


def read_table(file: Path, content: bytes, notes: list[str]) -> "tuple[pd.DataFrame, Layout]":
    """Return the table, all rows of data, and its layout.

    Args:
        file: As messages name it.
        content: What `read_bytes` returned.
        notes: Lines that were left out are added, by number.

    Returns:
        One column per field, named 0, 1, ..., as numbers where all of it is numbers, else as text; the
        index is the line in the file, from 1.

    Raises:
        InputError: no rows of numbers, or no table.
    """
    import pandas as pd

    encoding = _encoding(content)
    head = content[:HEAD_BYTES].splitlines(keepends=True)[:HEAD_LINES]
    if len(content) > HEAD_BYTES and len(head) < HEAD_LINES:
        head = head[:-1]  # cut in the middle
    layout = _layout(file, [line.decode(encoding, errors="replace").rstrip("\r\n") for line in head])
    begin = sum(len(line) for line in head[: layout.first_line - 1])
    content = _without_torn_end(content, encoding, layout, notes)
    options: dict[str, Any] = {
        "sep": r"\s+" if layout.delimiter == " " else layout.delimiter,
        "decimal": layout.decimal,
        "header": None,
        "names": list(range(layout.width)),
        "index_col": False,
        "skip_blank_lines": False,  # so that rows can be counted as lines
        "skipinitialspace": True,
        "encoding": encoding,
        "encoding_errors": "replace",
        "engine": "c",
        "low_memory": False,
        "na_values": ["-", "--", "---", "n/a", "N/A", "overload", "OL"],
    }
    table = _parsed(file, content, begin, layout, options, notes)
    table.index = pd.RangeIndex(layout.first_line, layout.first_line + len(table))
    return table, layout


def _parsed(
    file: Path, content: bytes, begin: int, layout: Layout, options: dict[str, Any], notes: list[str]
) -> "pd.DataFrame":
    """Return the rows from byte `begin` on as they are, or else without the lines that have too many fields."""
    import pandas as pd

    wrong_table = (pd.errors.ParserError, ValueError)
    rows = io.BytesIO(content)
    rows.seek(begin)  # and no skipping by the parser: a quote in what stands above the rows would swallow some
    try:
        table: pd.DataFrame = pd.read_csv(rows, **options)
    except wrong_table:
        text, wrong = _without_wrong_lines(content[begin:].decode(options["encoding"], errors="replace"), layout)
        if wrong:
            notes.append(lines_text(wrong, f"not {layout.width} fields as the other lines have; left out"))
        try:
            table = pd.read_csv(io.StringIO(text), **options)
        except wrong_table as error:
            raise InputError(f"{file}: cannot be read as a table: {str(error).splitlines()[0]}") from error
    return table


def lines_text(numbers: Sequence[int], what: str) -> str:
    """Return what is said of some lines: the first five by number, and how many more."""
    shown = ", ".join(str(number) for number in numbers[:5])
    more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
    return f"line{'s' if len(numbers) > 1 else ''} {shown}{more}: {what}"


def _encoding(raw: bytes) -> str:
    looked_at = raw[: 1 << 20]
    try:
        looked_at.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(looked_at) - 4:  # nearer to the end it may be a letter cut in two
            return "cp1252"
    return "utf-8"


def _value_like(text: str) -> bool:
    return bool(_NUMBER.match(text) or CLOCK.match(text) or DATE.match(text) or COMPLEX.match(text))


def _values(cells: Sequence[str]) -> int:
    return sum(_value_like(cell) for cell in cells)


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' in line:
        with contextlib.suppress(csv.Error):  # a field of more than 128 kB
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    return [cell.strip() for cell in line.split(delimiter)]


def _layout(file: Path, lines: Sequence[str]) -> Layout:
    """Find delimiter, decimal mark, header and first line of data from the first lines."""
    found = _delimiter(lines)
    if found is None:
        raise InputError(
            f"{file}: no rows of numbers found in the first {len(lines)} lines; "
            "a table with columns for time, voltage and current is accepted"
        )
    delimiter, width = found
    split = [_split(line, delimiter) for line in lines]
    values = [_values(cells) for cells in split]
    first = next(index for index, cells in enumerate(split) if len(cells) == width and _is_row(values[index], width))
    return Layout(delimiter, _decimal(delimiter, split[first:]), _header(split, values, first, width), first + 1, width)


def _is_row(values: int, width: int) -> bool:
    return values >= max(2, 0.4 * width)


def _delimiter(lines: Sequence[str]) -> tuple[str, int] | None:
    """Return the delimiter that makes the most lines rows of one width, and that width; None for no such."""
    best: tuple[float, str, int] | None = None
    for rank, delimiter in enumerate(DELIMITERS):
        counts: Counter[int] = Counter()
        for line in lines:
            cells = _split(line, delimiter)
            if _is_row(_values(cells), len(cells)):
                counts[len(cells)] += 1
        if not counts:
            continue
        width, agreeing = counts.most_common(1)[0]
        if width < 2:
            continue
        if delimiter == "," and all(_value_like(line.strip()) for line in lines[-3:]):
            continue  # one column with decimal commas
        score = agreeing - 0.01 * rank + (0.001 * width if delimiter != " " else 0.0)
        if best is None or score > best[0]:
            best = (score, delimiter, width)
    return None if best is None else best[1:]


def _header(split: Sequence[list[str]], values: Sequence[int], first: int, width: int) -> list[str]:
    """Return the header above row `first`, with the units of a line of units in it; empty where there is none."""
    wordy = [k for k in range(first) if len(split[k]) == width and any(split[k]) and values[k] <= 1]
    if not wordy or wordy[-1] < first - 2:
        return []
    header = split[wordy[-1]]
    if len(wordy) >= 2 and wordy[-2] == wordy[-1] - 1 and is_row_of_units(header):
        names = split[wordy[-2]]
        header = [f"{name}({unit})" if unit else name for name, unit in zip(names, header, strict=True)]
    return [cell.strip().strip('"').lstrip("#").strip() for cell in header]


def _decimal(delimiter: str, rows: Sequence[list[str]]) -> str:
    if delimiter == ",":
        return "."
    cells = [cell for row in rows for cell in row]
    comma = sum(bool(re.match(r"^[+-]?\d+,\d+([eE][+-]?\d+)?$", cell)) for cell in cells)
    point = sum(bool(re.match(r"^[+-]?\d+\.\d+([eE][+-]?\d+)?$", cell)) for cell in cells)
    return "," if comma > point else "."


def _without_torn_end(content: bytes, encoding: str, layout: Layout, notes: list[str]) -> bytes:
    """Return the text without a last line that was cut short while it was written."""
    if content.endswith(b"\n"):
        return content
    begin = content.rfind(b"\n") + 1
    last = content[begin:].decode(encoding, errors="replace")
    if not last.strip() or len(_split(last, layout.delimiter)) >= layout.width:
        return content
    number = content.count(b"\n") + 1
    notes.append(f"line {number}: the last line is cut short and was left out")
    return content[:begin]


def _without_wrong_lines(text: str, layout: Layout) -> tuple[str, list[int]]:
    """Blank the rows with too many fields, so that the rest can be read; return their lines in the file."""
    lines = text.splitlines()
    wrong = []
    for index, line in enumerate(lines):
        if line.strip() and len(_split(line, layout.delimiter)) > layout.width:
            wrong.append(layout.first_line + index)
            lines[index] = ""
    return "\n".join(lines) + "\n", wrong
