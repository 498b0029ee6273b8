"""A table of samples, some rows at a time: by pyarrow where it is installed, by numpy alone where it is not.

pyarrow (170 MB) is the optional part `parquet` of the installation. Both ways give the same numbers.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

Batch = tuple[int, dict[str, Any]]
"""Number of rows; by column an array of that size, float64 (NaN where empty) or int64 for `step` (-1 where empty)."""


def batches(path: Path, columns: tuple[str, ...], wanted: list[str], block: int) -> Iterator[Batch]:
    """Give (rows, their columns) of about `block` bytes of a table at a time; by pyarrow where it is installed.

    Raises:
        ValueError: a row is not whole numbers throughout.
    """
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        return batches_by_numpy(path, columns, wanted, block)
    return batches_by_pyarrow(path, columns, wanted, block)


def batches_by_pyarrow(path: Path, columns: tuple[str, ...], wanted: list[str], block: int) -> Iterator[Batch]:
    """As `batches`, by pyarrow."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    kinds = {name: pa.float64() for name in columns} | {"step": pa.int64()}
    # The last column is read in any case: the mark of a torn row stands there, and makes it no number.
    asked = wanted if columns[-1] in wanted else [*wanted, columns[-1]]
    try:
        with pa_csv.open_csv(
            path,
            read_options=pa_csv.ReadOptions(block_size=block, use_threads=False),
            parse_options=pa_csv.ParseOptions(quote_char=False),
            convert_options=pa_csv.ConvertOptions(column_types=kinds, include_columns=asked, null_values=[""]),
            memory_pool=pa.system_memory_pool(),
        ) as reader:
            for batch in reader:
                part_of: dict[str, Any] = {}
                for name in wanted:
                    values = batch.column(name)
                    if values.null_count == len(values) and name != "step":
                        part_of[name] = np.broadcast_to(np.float64(np.nan), (len(values),))
                        continue
                    # straight from the buffer: the reader's own conversion would load pandas
                    if values.null_count:
                        values = values.fill_null(-1 if name == "step" else float("nan"))
                    held = np.frombuffer(values.buffers()[1], np.int64 if name == "step" else np.float64)
                    part_of[name] = held[values.offset : values.offset + len(values)]
                yield batch.num_rows, part_of
    except pa.ArrowKeyError as error:
        raise ValueError(str(error)) from error


def batches_by_numpy(path: Path, columns: tuple[str, ...], wanted: list[str], block: int) -> Iterator[Batch]:
    """As `batches`, with numpy alone: the same numbers, some times slower."""
    import numpy as np

    asked = wanted if columns[-1] in wanted else [*wanted, columns[-1]]
    width = len(columns)
    with path.open("rb") as file:
        next(file, None)
        while lines := file.readlines(block):
            rows = [fields for line in lines if (fields := line.rstrip(b"\r\n").split(b",")) != [b""]]
            if any(len(fields) != width for fields in rows):
                raise ValueError("a row has more or fewer fields than the table")
            part_of: dict[str, Any] = {}
            for name in asked:
                place, step = columns.index(name), name == "step"
                cells = [fields[place] or (b"-1" if step else b"nan") for fields in rows]
                part_of[name] = np.array(cells, dtype=bytes).astype(np.int64 if step else np.float64)
            yield len(rows), {name: part_of[name] for name in wanted}
