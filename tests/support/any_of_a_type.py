"""Any instance of a frozen type, for properties of what is written and read: each field as its annotation says."""

from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from types import NoneType
from typing import Any, Literal, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

from amphora.harness.common.as_json import ABSENT, Absent

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(max_size=8)
PLAIN = {Absent: st.just(ABSENT), float: NUMBERS, int: st.integers(0, 10**9), str: TEXTS, bool: st.booleans()}


def any_of(hint: Any, within: tuple[type, ...] = ()) -> st.SearchStrategy[Any]:
    """Return values of a field's type. A type within itself (`within`) is left None."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin is Literal:
        return st.sampled_from(parts)
    if origin is tuple:
        if parts[-1] is not ...:
            return st.tuples(*(any_of(part, within) for part in parts))
        return st.lists(any_of(parts[0], within), max_size=2).map(tuple)
    if origin is list:
        return st.lists(any_of(parts[0], within), max_size=2)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        values = st.one_of(NUMBERS, TEXTS) if parts[1] is Any else any_of(parts[1], within)
        return st.dictionaries(TEXTS, values, max_size=2)
    if parts:
        kinds = [part for part in parts if part is not NoneType and part not in within]
        return st.one_of(*([st.none()] if NoneType in parts else []), *(any_of(kind, within) for kind in kinds))
    if is_dataclass(hint):
        return made(hint, within)  # type: ignore[arg-type]
    return PLAIN.get(hint, NUMBERS)


def made(kind: type, within: tuple[type, ...] = ()) -> st.SearchStrategy[Any]:
    """Return instances of a frozen type; what has a default is left out at times, so that shrinking is quick."""
    hints, inside = get_type_hints(kind), (*within, kind)
    needed, others = {}, {}
    for field in fields(kind):
        free = field.default is MISSING and field.default_factory is MISSING
        (needed if free else others)[field.name] = any_of(hints[field.name], inside)
    return st.builds(
        lambda values, more: kind(**values, **more),
        st.fixed_dictionaries(needed),
        st.fixed_dictionaries({}, optional=others),
    )
