"""One way to write JSON down, so that a signature over it means something.

A certificate whose data say `"canonical": "RFC 8785"` is written by that standard (JSON Canonicalization Scheme):
anybody's library in any language makes the same bytes. One that says nothing is of 0.1.0: keys sorted by code point,
no white space, numbers as Python writes them (`repr`); that form is kept so that those certificates stay good.
`from_canonical` accepts nothing else: bytes that read as JSON but are not the canonical form of
what they say (a space, another order, a key given twice) are refused. So one document has one text,
and each changed byte is seen.
"""

import hashlib
import json
from pathlib import Path
from typing import Any, NoReturn

from amphora.harness.common.errors import InputError

MAX_BYTES = 4_000_000  # of a document read back
MAX_DEPTH = 40
RFC_8785 = "RFC 8785"  # what `canonical` says in the data of a certificate written by it


def _plain(value: Any, depth: int = 0) -> Any:
    if depth > MAX_DEPTH:
        raise InputError(f"certificate data: nested deeper than {MAX_DEPTH} levels")
    if isinstance(value, dict):
        return {str(key): _plain(item, depth + 1) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item, depth + 1) for item in value]
    if hasattr(value, "tolist") and not isinstance(value, str | bytes):
        return _plain(value.tolist(), depth + 1)
    return value


def canonical_bytes(value: Any) -> bytes:
    """Return `value` as canonical JSON, in the form that it or its member `certificate` says; else that of 0.1.0.

    Raises:
        InputError: a number is not finite or a whole one beyond 2⁵³, or something JSON cannot hold.
    """
    if _says_rfc_8785(value):
        import rfc8785

        try:
            return rfc8785.dumps(_plain(value))
        except (ValueError, TypeError, RecursionError) as error:
            raise InputError(f"certificate data: cannot be written as JSON: {error}") from error
    try:
        text = json.dumps(_plain(value), sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        return text.encode("utf-8")
    except (ValueError, TypeError) as error:
        raise InputError(f"certificate data: cannot be written as JSON: {error}") from error


def _says_rfc_8785(value: Any) -> bool:
    if not isinstance(value, dict):
        return False
    inner = value.get("certificate", value)
    return isinstance(inner, dict) and inner.get("canonical") == RFC_8785


def _no_constant(text: str) -> NoReturn:
    raise ValueError(f"{text} is no JSON number")


def from_canonical(data: bytes, what: str = "certificate data") -> Any:
    """Return what canonical JSON bytes say.

    Raises:
        InputError: too large, too deep, not JSON, or not in canonical form.
    """
    if len(data) > MAX_BYTES:
        raise InputError(f"{what}: {len(data)} bytes, at most {MAX_BYTES} are read")
    try:
        value = json.loads(data.decode("utf-8"), parse_constant=_no_constant)
    except RecursionError as error:
        raise InputError(f"{what}: nested too deep") from error
    except ValueError as error:
        raise InputError(f"{what}: is not JSON: {str(error)[:120]}") from error
    if canonical_bytes(value) != data:
        raise InputError(f"{what}: is JSON, but not in its canonical form, so it was rewritten by something else")
    return value


def sha256_hex(data: bytes) -> str:
    """Return the SHA-256 of `data`, 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def sha256_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, 64 hexadecimal digits.

    Raises:
        InputError: the file cannot be read.
    """
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
