"""The optional parts of the installation: what each is for, how large it is, and the sentence where one is missing.

The plain installation measures, judges and certifies. What only some people need is left out of it and named here; the
names are those of the extras in pyproject.toml (a test compares them).
"""

import importlib.util
from typing import NamedTuple

from amphora.harness.common.errors import InputError


class Part(NamedTuple):
    """An optional part: modules that it brings, its size in megabytes (Linux, 64-bit), and what it is for."""

    modules: tuple[str, ...]
    size_MB: int
    use: str


PARTS = {
    "tables": Part(("pandas", "openpyxl"), 90, "imports tables and spreadsheets, gives readings to Python"),
    "parquet": Part(("pyarrow",), 170, "writes .parquet, reads long tables faster"),
}


def is_there(name: str) -> bool:
    """Whether a part's modules can be imported; none of them is loaded."""
    return all(importlib.util.find_spec(module) is not None for module in PARTS[name].modules)


def how_to_get(name: str) -> str:
    """Return the line that installs a part."""
    return f'pip install "amphora-bench[{name}]"'


def need(name: str, what: str) -> None:
    """Pass where a part is installed.

    Args:
        name: A key of `PARTS`.
        what: What needs it, as the beginning of a sentence: "An import".

    Raises:
        InputError: it is not installed; the sentence says what needs it, its size and how to get it.
    """
    if not is_there(name):
        part = PARTS[name]
        raise InputError(
            f"{what} needs the optional part '{name}' ({part.size_MB} MB), which is not installed: {how_to_get(name)}"
        )
