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
import zipfile
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import is_row_of_units, is_unit, known_headers

if TYPE_CHECKING:
    import pandas as pd

HEAD_BYTES = 1 << 17  # that and no more of a file is looked at for its layout
HEAD_LINES = 400
MOST_UNPACKED_BYTES = 8 << 30
DELIMITERS = ("\t", ";", ",", "|", "~", "^", " ")  # where the counts are even, the earlier one is it

_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_GROUPED = re.compile(r"^[+-]?\d{1,3}((,\d{3})+(\.\d*)?|(\.\d{3})+(,\d*)?)$")  # 1,234.5 and 1.234,5
WITH_UNIT = re.compile(r"^([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([^\W\d]{1,3}|°C)$")  # 3.91 V
COMPLEX = re.compile(  # 0.05-0.01j, (0.05-0.01j), 0.05 - 0.01i
    r"^\(?\s*[+-]?\d*\.?\d+(?:[eE][+-]?\d+)?\s*[+-]\s*\d*\.?\d*(?:[eE][+-]?\d+)?\s*\*?[ij]\s*\)?$"
)
_FORTRAN = re.compile(rb"(?<=\d)[dD](?=[+-]\d{2}(?!\d))")  # 1.0D+03
_BROKEN_FIELD = re.compile(rb'(?<![^,;\t\r\n])"[^",;\t\d]{0,60}\r?\n[^",;\t]{0,60}"(?=[,;\t\r\n])')
_HALF = r"(\s*[AP]\.?M\.?)?"
CLOCK = re.compile(
    rf"^((\d+\s*d(ays?)?[\s,]*)|\d+\.)?\d{{1,6}}:\d{{1,2}}(:\d{{1,2}})?([.,]\d+)?{_HALF}$"
    r"|^(\d+\s*d(ays?)?\s*)?(\d+\s*h(ours?)?\s*)?\d+\s*m(in)?(utes?)?\s*\d+([.,]\d+)?\s*s(ec)?$", re.I,
)  # fmt: skip
_MONTH = r"(jan|feb|mar|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?"
_TIME = rf"(?:[T ,]\s*\d{{1,2}}:\d{{2}}(:\d{{2}}([.,]\d+)?)?{_HALF})?"
DATE = re.compile(
    rf"^(\d{{1,4}}[-/.]\d{{1,2}}[-/.]\d{{1,4}}|\d{{1,2}}[-/. ]{_MONTH}[-/. ,]+\d{{2,4}}"
    rf"|{_MONTH} \d{{1,2}},? \d{{4}}){_TIME}"
    r"\s*(Z|UTC|[+-]\d{2}:?\d{2})?$|^\d{8}T\d{4,6}(\.\d+)?Z?$", re.I
)  # fmt: skip
DAY_ONLY = re.compile(r"^(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})$")


@dataclass(frozen=True)
class Layout:
    """How the text is laid out."""

    delimiter: str
    decimal: str
    header: list[str]  # empty where there is none
    first_line: int  # number of the first line of data, from 1
    width: int
    thousands: str | None = None
    above: tuple[str, ...] = ()  # the lines above the rows
    doubt: str = ""  # what a mark within numbers leaves open


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
    if raw[:4] == b"PK\x03\x04":
        raw = _unzipped(file, raw)
    if raw[:2] == b"\x1f\x8b":
        try:
            raw = gzip.decompress(raw)
        except (OSError, EOFError) as error:
            raise InputError(f"{file}: is a damaged gzip file ({error})") from error
    if raw[:4] == b"\xd0\xcf\x11\xe0":
        raise InputError(f"{file}: is a spreadsheet of an old kind; save it as .xlsx or as delimited text (CSV) first")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raw = raw.decode("utf-16", errors="replace").encode("utf-8")
    elif raw[:3] == b"\xef\xbb\xbf":
        raw = raw[3:]
    elif len(raw) > 40 and raw[1:40:2].count(0) > 15 and 0 not in raw[0:40:2]:
        raw = raw.decode("utf-16-le", errors="replace").encode("utf-8")  # and no mark that says so
    if b"\x00" in raw[:4096]:
        raise InputError(f"{file}: is no text; a table as delimited text (CSV) is accepted")
    if not raw.strip():
        raise InputError(f"{file}: is empty; a table with time, voltage and current is accepted")
    return plain_lines(raw), checksum


def _unzipped(file: Path, raw: bytes) -> bytes:
    """Return the one table in an archive, or a sheet's first table as text.

    Raises:
        InputError: a damaged file, no table in it, or several.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as held:
            names = held.namelist()
            if "xl/workbook.xml" in names:
                return _sheet_as_text(file, raw)
            tables = [
                name for name in names
                if not name.endswith("/") and not Path(name).name.startswith(".") and not name.startswith("__MACOSX")
            ]  # fmt: skip
            if len(tables) > 1:  # a word to the reader may lie beside it
                likely = [
                    name for name in tables if Path(name).suffix.lower() in (".csv", ".tsv", ".xlsx", ".gz", ".dat")
                ]
                tables = likely if len(likely) == 1 else tables
            if len(tables) != 1:
                shown = ", ".join(tables[:4]) or "nothing"
                raise InputError(
                    f"{file}: an archive with {shown}; one with a single table is accepted: unpack it first"
                )
            if held.getinfo(tables[0]).file_size > MOST_UNPACKED_BYTES:
                raise InputError(f"{file}: {tables[0]} in it is larger than 8 GB; unpack it and import a part")
            inner = held.read(tables[0])
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, OSError) as error:
        raise InputError(f"{file}: is a damaged or locked spreadsheet or archive ({str(error)[:80]})") from error
    if inner[:4] == b"PK\x03\x04":
        return _sheet_as_text(file, inner)
    return inner


def _sheet_as_text(file: Path, raw: bytes) -> bytes:
    """Return the first sheet with at least two rows of numbers as text with tabs; dates as ISO 8601."""
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
        for page in book.worksheets:
            lines = []
            numbers = 0
            for row in page.iter_rows(values_only=True):
                numbers += sum(_is_value(cell) for cell in row) >= 2
                lines.append("\t".join(_cell_text(cell) for cell in row))
            if numbers >= 2:
                return ("\n".join(lines) + "\n").encode("utf-8")
    except (zipfile.BadZipFile, ValueError, KeyError, TypeError, OSError, SyntaxError) as error:
        raise InputError(f"{file}: is a damaged spreadsheet ({str(error)[:80]})") from error
    raise InputError(f"{file}: no rows of numbers found in the spreadsheet's sheets; a table over time is accepted")


def _is_value(cell: object) -> bool:
    return isinstance(cell, int | float | datetime | timedelta) or bool(isinstance(cell, str) and _NUMBER.match(cell))


def _cell_text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, timedelta):
        return repr(cell.total_seconds()) + " s"
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ", timespec="microseconds")
    if isinstance(cell, float):
        return repr(cell)
    return re.sub(r"[\t\r\n]+", " ", str(cell))


def plain_lines(raw: bytes) -> bytes:
    """Return the text without what only looks like something else: other minus signs, blanks within numbers, frames."""
    if b"\n" not in raw and b"\r" in raw:
        raw = raw.replace(b"\r", b"\n")
    for odd, plain in ((b"\xe2\x88\x92", b"-"), (b"\xe2\x80\xaf", b"\xc2\xa0")):
        if odd in raw:
            raw = raw.replace(odd, plain)
    if b"\xc2\xa0" in raw:
        raw = re.sub(rb"(?<=\d)\xc2\xa0(?=\d{3})", b"", raw).replace(b"\xc2\xa0", b" ")
    if b"'" in raw:
        raw = re.sub(rb"(?<=\d)'(?=\d{3})", b"", raw)
    head = raw[:HEAD_BYTES].split(b"\n")[2:60]
    if len(head) > 2 and sum(line.lstrip().startswith(b"'") for line in head) > 0.8 * len(head):
        raw = raw.replace(b"'", b"")
    if len(head) > 2 and sum(bool(_FORTRAN.search(line)) for line in head) > 0.8 * len(head):
        raw = _FORTRAN.sub(rb"E", raw)
    begin = raw[:2000]
    if b'"' in begin and (broken := _BROKEN_FIELD.search(begin)) is not None:  # a header with a line break in it
        raw = _BROKEN_FIELD.sub(lambda one: re.sub(rb"[\r\n]+", b" ", one.group()), begin) + raw[2000:]
        del broken
    if len(head) > 2 and sum(line.lstrip().startswith(b"|") for line in head) > 0.8 * len(head):
        lines = [line.strip().strip(b"|") for line in raw.split(b"\n")]
        raw = b"\n".join(b"" if re.fullmatch(rb"[\s|:+-]*", line) else line for line in lines)
    return raw


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

    layout, encoding, begin = layout_of(file, content, whole=len(content) <= HEAD_BYTES)
    content = _without_torn_end(content, encoding, layout, notes)
    options = options_of(layout, encoding)
    table = _parsed(file, content, begin, layout, options, notes)
    table.index = pd.RangeIndex(layout.first_line, layout.first_line + len(table))
    return table, layout


def layout_of(file: Path, content: bytes, whole: bool) -> tuple[Layout, str, int]:
    """Return how a table's text is laid out, its encoding, and the byte at which its rows begin.

    Args:
        file: As messages name it.
        content: The text, or its beginning.
        whole: The text ends where `content` does.

    Raises:
        InputError: no rows of numbers.
    """
    head = content[:HEAD_BYTES].splitlines(keepends=True)[:HEAD_LINES]
    if not whole and len(head) < HEAD_LINES:
        head = head[:-1]  # cut in the middle
    layouts = {}
    for encoding in _encodings(content):
        layouts[encoding] = _layout(file, [line.decode(encoding, errors="replace").rstrip("\r\n") for line in head])
    encoding = max(layouts, key=lambda one: known_headers(layouts[one].header))  # the first of equals
    layout = layouts[encoding]
    return layout, encoding, sum(len(line) for line in head[: layout.first_line - 1])


def options_of(layout: Layout, encoding: str) -> dict[str, Any]:
    """Return how pandas reads such rows."""
    return {
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


def _encodings(raw: bytes) -> tuple[str, ...]:
    """Return the encodings that the text may be in, the likeliest first."""
    looked_at = raw[: 1 << 20]
    try:
        looked_at.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(looked_at) - 4:  # nearer to the end it may be a letter cut in two
            return ("cp1252", "cp1250", "cp1251", "gb18030", "shift_jis")
    return ("utf-8",)


def _value_like(text: str) -> bool:
    if _NUMBER.match(text) or CLOCK.match(text) or DATE.match(text) or COMPLEX.match(text) or _GROUPED.match(text):
        return True
    with_unit = WITH_UNIT.match(text)
    return bool(with_unit and is_unit(with_unit.group(2)))


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
    decimal, thousands = _decimal(delimiter, split[first:])
    header = _header(split, values, first, width) or _header_elsewhere(split, values, first, width)
    rows = [cells for cells in split[first:] if len(cells) == width]
    doubt = _mark_doubt([list(column) for column in zip(*rows, strict=True)], header, decimal)
    return Layout(delimiter, decimal, header, first + 1, width, thousands, tuple(lines[:first]), doubt)


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
    between = split[wordy[-1] + 1 : first] if wordy else []
    if not wordy or sum(any(cells) for cells in between) > 1:
        return []
    header = split[wordy[-1]]
    names_at = max(wordy[-3:], key=lambda k: (known_headers(split[k]), k))  # below it may stand units, kinds, remarks
    if known_headers(split[names_at]) > known_headers(header) and wordy[-1] - names_at == len(wordy) - 1 - wordy.index(
        names_at
    ):
        below = next((split[k] for k in wordy if k > names_at and is_row_of_units(split[k])), None)
        return _named_columns(split[names_at], below)
    if len(wordy) >= 2 and is_row_of_units(header) and not any(map(any, split[wordy[-2] + 1 : wordy[-1]])):
        return _named_columns(split[wordy[-2]], header)
    return _named_columns(header, None)


def _named_columns(names: Sequence[str], units: Sequence[str] | None) -> list[str]:
    """Return a header, with the units of a row of units in it."""
    if units is not None:
        plain = [unit.strip(" ()[]") for unit in units]
        names = [f"{name} ({unit})" if unit else name for name, unit in zip(names, plain, strict=True)]
    return [cell.strip().strip('"').lstrip("#").strip() for cell in names]


def _header_elsewhere(split: Sequence[list[str]], values: Sequence[int], first: int, width: int) -> list[str]:
    """Return a header that leaves out the row numbers' column, or stands below the rows; empty without one."""
    above = split[first - 1] if first else []
    if len(above) == width - 1 and values[first - 1] == 0 and known_headers(above) >= 2:
        return ["", *_named_columns(above, None)]
    last = next((k for k in range(len(split) - 1, first, -1) if any(split[k])), first)
    if len(split[last]) == width and values[last] == 0 and known_headers(split[last]) >= 2:
        return _named_columns(split[last], None)
    return []


def _decimal(delimiter: str, rows: Sequence[list[str]]) -> tuple[str, str | None]:
    """Return the decimal mark, and the mark between thousands where there is one."""
    cells = [cell for row in rows for cell in row]
    both = [cell for cell in cells if "," in cell and "." in cell and _GROUPED.match(cell)]
    if both:
        point_last = sum(cell.rfind(".") > cell.rfind(",") for cell in both)
        return (".", ",") if 2 * point_last > len(both) else (",", ".")
    comma = sum(bool(re.match(r"^[+-]?\d*,\d+([eE][+-]?\d+)?(\s*[^\W\d]{1,3})?$", cell)) for cell in cells)
    point = sum(bool(re.match(r"^[+-]?\d*\.\d+([eE][+-]?\d+)?(\s*[^\W\d]{1,3})?$", cell)) for cell in cells)
    if comma and point:  # 1,234 beside 0.5 in quotes: thousands
        return (".", ",") if point >= comma else (",", ".")
    return (",", ".") if comma > point else (".", ",")


def _mark_doubt(cells_of: Sequence[Sequence[str]], header: Sequence[str], decimal: str) -> str:
    """Return what leaves open whether a mark within numbers parts thousands or decimals; empty where nothing does.

    Args:
        cells_of: The cells of the first rows, one list a column.
        header: The columns' headers; may be empty.
        decimal: The mark that was taken for the decimal one.
    """
    mark = re.escape(decimal)
    for column, cells in enumerate(cells_of):
        three = sum(bool(re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}({mark}\d{{3}})+", cell)) for cell in cells)
        marked = sum(decimal in cell for cell in cells)
        whole = sum(bool(re.fullmatch(r"[+-]?\d{1,3}", cell)) for cell in cells)
        if three >= 4 and three == marked and whole >= 1:
            name = header[column] if header else f"column {column + 1}"
            return (
                f"numbers in {name!r} have {decimal!r} before three figures or no mark at all: it may part thousands; "
                "it was read as the decimal mark (--units with each channel's unit says that this is right)"
            )
    return ""


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
