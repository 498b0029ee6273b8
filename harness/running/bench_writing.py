"""Writes into a bench file what `bench check` found out: dialect, what an instrument lacks, how often it reads anew.

Everything else in the file stays as it was written, comments and order as well.
"""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import write_out
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.common.errors import InputError
from amphora.harness.running.bench_check import FoundOne, NotFound

WORTH_S = 0.3  # readings renewed faster than this disturb nothing


def write_found(path: Path, instruments: Mapping[str, FoundOne | NotFound]) -> list[str]:
    """Write what was found of each instrument; return a line for each that was changed.

    Args:
        path: The bench file.
        instruments: As `check_bench` returns them; one with `trouble` is left as it is.

    Raises:
        InputError: the file cannot be read or written; it is then as it was.
    """
    import tomlkit

    try:
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, ValueError) as error:
        raise InputError(f"{path}: cannot be read: {error}") from error
    told = []
    tables: Any = document["instruments"]
    for name, one in instruments.items():
        if isinstance(one, NotFound) or one.trouble is not None or one.dialect is None:
            continue
        table, new = tables[name], dict[str, Any]()
        if table.get("dialect", "auto") == "auto":
            new["dialect"] = one.dialect
        if one.lacks and list(table.get("lacks", ())) != one.lacks:
            new["lacks"] = one.lacks
        if "refresh" not in table and (one.renewed_s or 0.0) >= WORTH_S:
            new["refresh"] = f"{one.renewed_s:.2g} s"
        for key, value in new.items():
            table[key] = value
        if new:
            told.append(
                f"{name}: " + ", ".join(f"{key} = {tomlkit.item(value).as_string()}" for key, value in new.items())
            )
    if told:
        text = tomlkit.dumps(document)
        bench_from_dict(tomllib.loads(text), str(path))  # nothing that cannot be read again
        write_out(path, text)
    return told
