"""What a shell offers when somebody presses the tab key: cells, runs, recipes, duties, dialects, bench files.

Reads names only, and only what is quick to read; whatever goes wrong, it offers nothing.
"""

import os
from collections.abc import Iterable
from importlib import resources
from pathlib import Path

LOGS = "logs"


def cells(incomplete: str) -> list[str]:
    """Offer the ids on the shelf."""
    return _offered(_cell_ids(), incomplete)


def runs(incomplete: str) -> list[str]:
    """Offer ids (the newest run of each), and after an `@` the recipes that were run with that cell."""
    cell, at, _ = incomplete.partition("@")
    if not at:
        return _offered(_cell_ids(), incomplete)
    return _offered((f"{cell}@{recipe}" for recipe in _recipes_run(cell)), incomplete)


def recipes(incomplete: str) -> list[str]:
    """Offer the shipped recipes, then the TOML files here."""
    return _offered([*_shipped("amphora.profiles", "recipes"), *_files(incomplete)], incomplete)


def duties(incomplete: str) -> list[str]:
    """Offer the shipped duties, then the TOML files here."""
    return _offered([*_shipped("amphora.profiles", "duties"), *_files(incomplete)], incomplete)


def load_dialects(incomplete: str) -> list[str]:
    """Offer the shipped dialects of loads."""
    return _offered((name for name in _shipped("amphora.drivers.scpi", "dialects") if "load" in name), incomplete)


def supply_dialects(incomplete: str) -> list[str]:
    """Offer the shipped dialects of supplies."""
    return _offered((name for name in _shipped("amphora.drivers.scpi", "dialects") if "supply" in name), incomplete)


def benches(incomplete: str) -> list[str]:
    """Offer `simulated`, and the TOML files here."""
    return _offered(["simulated", *_files(incomplete)], incomplete)


def _offered(names: Iterable[str], incomplete: str) -> list[str]:
    found: list[str] = []
    try:
        found.extend(name for name in names if name.startswith(incomplete))
    except OSError:
        return found
    return found


def _logs() -> Path:
    return Path(os.environ.get("AMPHORA_LOGS") or LOGS)


def _cell_ids() -> list[str]:
    return sorted(entry.parent.name for entry in _logs().glob("*/cell.json"))


def _recipes_run(cell: str) -> list[str]:
    """Return the recipes in the names of a cell's run folders, `<time>-<recipe>`."""
    from amphora.harness.archive.run_folder import runs_in  # for what is typed behind an @ only

    names = (folder.name.partition("-")[2] for folder in runs_in(_logs() / cell))
    return sorted({name for name in names if name})


def _shipped(package: str, folder: str) -> list[str]:
    entries = resources.files(package).joinpath(folder).iterdir()
    return sorted(entry.name.removesuffix(".toml") for entry in entries if entry.name.endswith(".toml"))


def _files(incomplete: str) -> list[str]:
    folder = Path(incomplete.rpartition("/")[0]) if "/" in incomplete else Path()
    return sorted(str(folder / entry.name) for entry in folder.glob("*.toml"))
