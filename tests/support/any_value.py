"""Values of a frozen type as a file could hold them, drawn: for tests of what is written and comes back."""

from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

from amphora.harness.common.as_json import ABSENT, Absent

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(max_size=8)


def any_of(hint: Any) -> st.SearchStrategy[Any]:
    """Return values of a field's type, as a result could hold them."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin is Literal:
        return st.sampled_from(parts)
    if origin is tuple and len(parts) == 2 and parts[1] is not Ellipsis:
        return st.tuples(*(any_of(part) for part in parts))
    if origin is tuple:
        return st.lists(any_of(parts[0]), max_size=2).map(tuple)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return st.dictionaries(TEXTS, st.one_of(NUMBERS, TEXTS) if parts[1] is Any else any_of(parts[1]), max_size=2)
    if len(parts) > 1 and origin in (Union, UnionType):
        return st.one_of(*(any_of(part) for part in parts))
    if hint is NoneType:
        return st.none()
    if hint is Absent:
        return st.just(ABSENT)
    if is_dataclass(hint):
        return made(hint)  # type: ignore[arg-type]
    return {float: NUMBERS, int: st.integers(0, 10**9), str: TEXTS, bool: st.booleans()}.get(hint, NUMBERS)


def made(kind: type) -> st.SearchStrategy[Any]:
    """Return instances of a frozen type; what has a default is left out at times, so that shrinking is quick."""
    hints = get_type_hints(kind)
    needed = {f.name: any_of(hints[f.name]) for f in fields(kind) if f.default is MISSING}
    others = {f.name: any_of(hints[f.name]) for f in fields(kind) if f.default is not MISSING}
    return st.builds(
        lambda values, more: kind(**values, **more),
        st.fixed_dictionaries(needed),
        st.fixed_dictionaries({}, optional=others),
    )
