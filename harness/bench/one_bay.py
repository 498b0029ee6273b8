"""One bay of a bench file with several, as the data of a bench of one place. `bays` describes the whole file."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, keys_of, near_file, shown, why_unreadable

INHERITED = ("alarms", "smoke_alarm", "speed_up", "simulated", "hands", "check_resistor", "sensed_at")
KEPT = ("leads", "sensed_at", "note", "check_resistor", "cell", "charge_path")


@dataclass(frozen=True)
class BaysTable:
    """The keys of a bench file with several bays, as they are written."""

    name: Any = "bench"
    attended: Any = None
    smoke_alarm: Any = None
    shared: Any = None
    bays: Any = None
    alarms: Any = None
    speed_up: Any = None
    simulated: Any = None
    note: Any = None
    check_resistor: Any = None
    sensed_at: Any = None


@dataclass(frozen=True)
class BayTable:
    """The keys of [bays.NAME]; `leads` and what follows are as in a bench file of one place."""

    fuse: Any = None
    place: Any = None
    shares: Any = ()
    channels: Any = field(default_factory=dict)
    instruments: Any = field(default_factory=dict)
    leads: Any = None
    sensed_at: Any = None
    note: Any = None
    check_resistor: Any = None
    cell: Any = None
    charge_path: Any = None


@dataclass(frozen=True)
class OfBay:
    """What the data of one bay say of it beside a bench of one place."""

    name: str
    shares: tuple[str, ...]
    fuse: Any
    place: Any


def read_toml(path: Path) -> dict[str, Any]:
    """Return a file's content; errors as in `load_bays`."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(
            f"{path}: there is no such bench file{near_file(path)}; amphora bench new writes one"
        ) from error
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


def _places(data: Any, shares: Sequence[str], where: str) -> dict[str, dict[str, int]]:
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
    file = BaysTable(**{key: value for key, value in data.items() if key in keys_of(BaysTable)})
    bays = table_of_any(file.bays, f"{path}: bays")
    if name not in bays:
        raise InputError(f"{path}#{name}: there is no bay {shown(name)}; the bays are {', '.join(bays)}")
    where = f"{path}: bays.{name}"
    bay = as_written(BayTable, bays[name], where, ("fuse", "place"))
    shared = {} if file.shared is None else table_of_any(file.shared, f"{path}: shared")
    shares = bay.shares
    if not isinstance(shares, list | tuple) or not all(isinstance(item, str) and item in shared for item in shares):
        names = ", ".join(shared) or "none"
        raise InputError(f"{where}: shares = {shown(shares)} is not accepted; a list of shared instruments is: {names}")
    own = bay.instruments
    if not isinstance(own, Mapping) or set(own) & set(shares):
        raise InputError(f"{where}: instruments: a table for each of its own is accepted, no name of a shared one")
    made = {key: data[key] for key in INHERITED if key in data}
    made |= {key: bays[name][key] for key in KEPT if key in bays[name]}
    made["name"] = f"{file.name}, bay {name}"
    at = _places(bay.channels, shares, where)
    made["instruments"] = {**own, **{item: {**shared[item], **at.get(item, {})} for item in shares}}
    made["bay"] = asdict(OfBay(name, tuple(shares), bay.fuse, bay.place))
    return made
