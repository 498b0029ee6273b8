"""One bay of a bench file with several, as the data of a bench of one place. `bays` describes the whole file."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import near_file, shown, table_of, why_unreadable

INHERITED = ("alarms", "smoke_alarm", "speed_up", "simulated", "hands", "check_resistor", "sensed_at")
KEPT = ("leads", "sensed_at", "note", "check_resistor", "cell", "charge_path")
OF_A_BAY = ("fuse", "place", "shares", "channels", "instruments", *KEPT)


def read_toml(path: Path) -> dict[str, Any]:
    """Return a file's content; errors as in `load_bays`."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"{path}: there is no such bench file{near_file(path)}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read: {why_unreadable(error)}") from error
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError(f"{path}: is not TOML: {error}") from error


def table_of_any(data: Any, where: str) -> Mapping[str, Any]:
    """Return a table whose keys are names that a person gave."""
    if not isinstance(data, Mapping) or not data:
        raise InputError(f"{where}: {shown(data)} is not accepted; one table for each name is")
    for name in data:
        if not name or not all(sign.isalnum() or sign in "-_" for sign in name) or len(name) > 20:
            raise InputError(f"{where}: the name {shown(name)} is not accepted; letters, digits, '-' and '_' are")
    return data


def _places(data: Any, shares: list[str], where: str) -> dict[str, dict[str, int]]:
    """Return which place of a shared scanner is this bay's, by the scanner's name."""
    if not isinstance(data, Mapping):
        raise InputError(f"{where}: channels = {shown(data)} is not accepted; such as {{ scanner = 2 }} is")
    for name, place in data.items():
        if name not in shares:
            raise InputError(f"{where}: channels: {shown(name)} is none of its shares: {', '.join(shares) or 'none'}")
        if not isinstance(place, int) or isinstance(place, bool) or not 1 <= place <= 64:
            raise InputError(f"{where}: channels: {name} = {shown(place)} is not accepted; a place from 1 to 64 is")
    return {name: {"channel": place} for name, place in data.items()}


def bay_data(data: Mapping[str, Any], name: str, path: Path) -> dict[str, Any]:
    """Return one bay as the data of a bench of one place.

    Raises:
        InputError: there is no such bay, or a key or value of it is not accepted.
    """
    bays = table_of_any(data.get("bays"), f"{path}: bays")
    if name not in bays:
        raise InputError(f"{path}#{name}: there is no bay {shown(name)}; the bays are {', '.join(bays)}")
    where = f"{path}: bays.{name}"
    bay = table_of(bays[name], where, OF_A_BAY, ("fuse", "place"))
    shared = table_of_any(data["shared"], f"{path}: shared") if "shared" in data else {}
    shares = bay.get("shares", [])
    if not isinstance(shares, list) or not all(isinstance(item, str) and item in shared for item in shares):
        names = ", ".join(shared) or "none"
        raise InputError(f"{where}: shares = {shown(shares)} is not accepted; a list of shared instruments is: {names}")
    own = bay.get("instruments", {})
    if not isinstance(own, Mapping) or set(own) & set(shares):
        raise InputError(f"{where}: instruments: a table for each of its own is accepted, no name of a shared one")
    made = {key: data[key] for key in INHERITED if key in data}
    made |= {key: bay[key] for key in KEPT if key in bay}
    made["name"] = f"{data.get('name', 'bench')}, bay {name}"
    at = _places(bay.get("channels", {}), shares, where)
    made["instruments"] = {**own, **{item: {**shared[item], **at.get(item, {})} for item in shares}}
    made["bay"] = {"name": name, "shares": list(shares), "fuse": bay["fuse"], "place": bay["place"]}
    return made
