"""Frozen dataclasses to plain data as JSON holds it, and back: one pair for every type that a file or an answer holds.

A key of the JSON is a field's name, or what `key` says. A field with `LEFT_OUT` is written only where it is known; one
that holds `ABSENT` is not written, where null means something else. Tuples are lists in JSON; numbers pass as they are.
What a type does not know is refused by its name (`from_json`), or passed over where others wrote it (`known_of`).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass, replace
from enum import Enum
from functools import cache
from math import isfinite
from types import MappingProxyType, NoneType, UnionType
from typing import Any, Final, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

Reader = Callable[[Any], Any] | None  # None: as it is
T = TypeVar("T")
PLAIN = frozenset((NoneType, float, str, int, bool))  # of these JSON holds a value as it is


class Absent(Enum):
    """The type of `ABSENT`."""

    ABSENT = "absent"


ABSENT: Final = Absent.ABSENT  # a key that is not there, which is not the same as null: an older file does not say it
LEFT_OUT = MappingProxyType({"left_out": True})  # metadata of a field that is not written where it is None
WHERE_SAID = MappingProxyType({"left_out": True, "empty": True})  # nor where it is "" or False


def key(name: str) -> Mapping[str, str]:
    """Return the metadata of a field whose key in JSON is another than its name."""
    return MappingProxyType({"key": name})


@cache
def _layout(kind: type) -> tuple[tuple[str, str, tuple[Any, ...]], ...]:
    """Return name, key and the values with which it is left out, for each field in order."""
    found = []
    for item in fields(kind):
        says = item.metadata
        nothing = () if "left_out" not in says else (None, "", False) if "empty" in says else (None,)
        found.append((item.name, str(says.get("key", item.name)), nothing))
    return tuple(found)


def to_json(value: Any) -> Any:
    """Return a value as plain data: dataclasses and mappings as dictionaries, tuples as lists, the rest as it is."""
    kind = type(value)
    if kind in PLAIN:
        return value
    if is_dataclass(kind):
        out = {}
        for name, key, nothing in _layout(kind):
            item = getattr(value, name)
            if item is ABSENT or (nothing and any(item is one for one in nothing)):
                continue
            out[key] = item if type(item) in PLAIN else to_json(item)
        return out
    if isinstance(value, Mapping):
        return {key: to_json(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [item if type(item) in PLAIN else to_json(item) for item in value]
    return value


def without_defaults(value: Any) -> Any:
    """Return a value of a type as plain data, short: without each field that is as its type has it by default."""
    if not is_dataclass(value):
        if isinstance(value, Mapping):
            return {key: without_defaults(item) for key, item in value.items()}
        return [without_defaults(item) for item in value] if isinstance(value, tuple | list) else value
    out = {}
    for item in fields(value):
        held = getattr(value, item.name)
        if held != (item.default if item.default_factory is MISSING else item.default_factory()):
            out[str(item.metadata.get("key", item.name))] = without_defaults(held)
    return out


def without_odd_numbers(value: T) -> T:
    """Return a value of a type with None for each number that is not finite, and plain numbers for an array's."""
    made: Any = _plain(value)
    return cast(T, made)


def _plain(value: Any) -> Any:
    kind = type(value)
    if kind is float:
        return value if isfinite(value) else None
    if value is None or kind is str or kind is int or kind is bool:
        return value
    if is_dataclass(kind):
        changed = {}
        for name, _, _ in _layout(kind):
            item = getattr(value, name)
            plain = _plain(item)
            if plain is not item:
                changed[name] = plain
        return replace(value, **changed) if changed else value
    if kind is tuple:
        items = tuple(_plain(item) for item in value)
        return items if any(new is not old for new, old in zip(items, value, strict=True)) else value
    if isinstance(value, Mapping):
        return {name: _plain(item) for name, item in value.items()}
    return _plain(value.item()) if hasattr(value, "item") else value  # a number out of an array


def from_json(kind: type[T], data: Mapping[str, Any]) -> T:
    """Return plain data as the type that it was written from.

    Raises:
        ValueError: a key is missing that has no default, or one is not known; names the type and the key.
    """
    known, values = _readers(kind), {}  # type: ignore[arg-type]  # a class is hashable
    for key, item in data.items():
        if key not in known:
            raise ValueError(f"{kind.__name__} has no {key!r}")
        name, reader = known[key]
        values[name] = item if reader is None or item is None else reader(item)
    return _made(kind, values)


def _made(kind: type[T], values: Mapping[str, Any]) -> T:
    try:
        return kind(**values)
    except TypeError:
        needed = (f for f in fields(kind) if f.default is MISSING and f.default_factory is MISSING)  # type: ignore[arg-type]
        missing = [f.name for f in needed if f.name not in values]
        raise ValueError(f"{kind.__name__} lacks {', '.join(missing)}") from None


@cache
def _readers(kind: type) -> dict[str, tuple[str, Reader]]:
    hints = get_type_hints(kind)
    return {key: (name, _reader(hints[name])) for name, key, _ in _layout(kind)}


def _kind_with(kinds: Sequence[type], data: Mapping[str, Any]) -> type:
    """Return of several types the first that has all these keys; the first, where none has."""
    return next((kind for kind in kinds if data.keys() <= _readers(kind).keys()), kinds[0])


def _reader(hint: Any) -> Reader:
    """Return what makes a value of that type from JSON's; None where both are the same."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        kinds = [part for part in parts if isinstance(part, type) and is_dataclass(part)]
        if len(kinds) > 1:
            return lambda item: from_json(_kind_with(kinds, item), item)
        return next((reader for part in parts if part is not NoneType and (reader := _reader(part))), None)
    if origin is tuple:
        each = _reader(parts[0])
        return (
            tuple if each is None else lambda items: tuple(each(item) if item is not None else None for item in items)
        )
    if isinstance(hint, type) and is_dataclass(hint):
        return lambda item: from_json(hint, item)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        inner = _reader(parts[1])
        return None if inner is None else lambda items: {key: inner(item) for key, item in items.items()}
    return None


def known_of(kind: type[T], data: Any) -> T:
    """Return what a type knows of plain data that others wrote, or a newer version.

    A key that it does not know is passed over; a value of another kind than its field's counts as not there.

    Args:
        kind: A frozen type.
        data: A table; anything else holds nothing.

    Raises:
        ValueError: a field that has no default is not there; names it.
    """
    takers, values = _takers(kind), {}  # type: ignore[arg-type]  # a class is hashable
    for key, item in data.items() if isinstance(data, Mapping) else ():
        if key in takers:
            name, take = takers[key]
            taken = take(item)
            if taken is not MISSING:
                values[name] = taken
    return _made(kind, values)


def of_another_kind(kind: type, data: Mapping[str, Any], where: str = "") -> Iterator[str]:
    """Yield each key that a type knows and whose value is of another kind than its field's; null is not said.

    Args:
        kind: A frozen type.
        data: A table.
        where: What stands before its keys.
    """
    takers, inner = _takers(kind), _types_inside(kind)
    for key, item in data.items():
        if key not in takers or item is None:
            continue
        if takers[key][1](item) is MISSING:
            yield f"{where}{key}"
        elif key in inner and isinstance(item, Mapping):
            yield from of_another_kind(inner[key], item, f"{where}{key}.")


@cache
def _types_inside(kind: type) -> dict[str, type]:
    """Return by key which fields are a table that is a type itself."""
    hints, found = get_type_hints(kind), {}
    for name, key, _ in _layout(kind):
        for part in (hints[name], *get_args(hints[name])):
            if isinstance(part, type) and is_dataclass(part):
                found[key] = part
    return found


@cache
def _takers(kind: type) -> dict[str, tuple[str, Callable[[Any], Any]]]:
    hints = get_type_hints(kind)
    return {key: (name, _taker(hints[name])) for name, key, _ in _layout(kind)}


def _taker(hint: Any) -> Callable[[Any], Any]:
    """Return what makes a value of that type from JSON's, or MISSING of what is none."""
    origin, parts = get_origin(hint), get_args(hint)
    if hint is Any:
        return lambda item: item
    if origin in (Union, UnionType):
        takers = [_taker(part) for part in parts]
        return lambda item: next((got for take in takers if (got := take(item)) is not MISSING), MISSING)
    if origin is Literal:
        return lambda item: item if item in parts else MISSING
    if origin in (tuple, list):
        each, gathered = _taker(parts[0]), origin
        return lambda items: (
            gathered(got for item in items if (got := each(item)) is not MISSING)
            if isinstance(items, list)
            else MISSING
        )
    if isinstance(origin, type) and issubclass(origin, Mapping):
        inner = _taker(parts[1])
        return lambda items: (
            {key: got for key, item in items.items() if (got := inner(item)) is not MISSING}
            if isinstance(items, Mapping)
            else MISSING
        )
    if is_dataclass(hint):
        return lambda item: known_of(hint, item) if isinstance(item, Mapping) else MISSING  # type: ignore[arg-type]
    if hint is float:
        return lambda item: item if isinstance(item, int | float) and not isinstance(item, bool) else MISSING
    return lambda item: item if type(item) is hint else MISSING
