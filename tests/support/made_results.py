"""Results for tests, made of the few keys that a test is about; whatever else a type wants is empty."""

from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from typing import Any, get_args, get_origin, get_type_hints

from amphora.harness.common.as_json import from_json
from amphora.harness.results.result import Result


def result_of(plain: Result | Mapping[str, Any] | None = None, /, **changes: Any) -> Result:
    """Return a result that says what `plain` and `changes` do, as JSON would; nothing else is known of the run."""
    said = plain.to_json() if isinstance(plain, Result) else plain or {}
    data = {"cell": "a", "run": "run", "chemistry": "auto", **said, **changes}
    return from_json(Result, completed(Result, data))


def completed(kind: type, data: Mapping[str, Any]) -> dict[str, Any]:
    """Return plain data of a type with what it has no default for: empty texts and lists, else null."""
    hints, out = get_type_hints(kind), dict(data)
    for field in fields(kind):
        key = str(field.metadata.get("key", field.name))
        if key in out:
            out[key] = _within(hints[field.name], out[key])
        elif field.default is MISSING and field.default_factory is MISSING:
            hint = hints[field.name]
            out[key] = "" if hint is str else [] if get_origin(hint) is tuple else None
    return out


def _within(hint: Any, value: Any) -> Any:
    if is_dataclass(value):
        value = value.to_json() if isinstance(value, Result) else dict(value)
    if value is None:
        return None
    if get_origin(hint) is tuple:
        return [_within(get_args(hint)[0], item) for item in value]
    kinds = [part for part in (hint, *get_args(hint)) if isinstance(part, type) and is_dataclass(part)]
    return completed(kinds[0], value) if kinds and isinstance(value, Mapping) else value
