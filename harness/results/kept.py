"""`result.json` beside a run: derived, with digests of what it was made from and of what made it.

Deleting it loses nothing; it is made anew whenever the inputs, the code or the data used differ. Whether the inputs
differ is asked of their digest; a comparison of many runs asks the files' size, time and inode instead (`by_stamps`),
which a file that was changed and whose time was set back deceives, and nothing else.
"""

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from amphora.harness.archive.result_file import RESULT_KEY, read_kept
from amphora.harness.archive.run_folder import EVENTS, FILES, RUN, SAMPLES
from amphora.harness.results.result import Result

FORMAT = "amphora-result/1"
STAMPS = "files"  # the key beside `inputs_sha256`: size, time and inode of each file that the digest is of
# A file may be written twice within one tick of its file system's clock (2 s on FAT, the coarsest in use): so young a
# file is looked into. What lies in the future was written by another computer's clock, and is looked into as well.
SETTLED_NS = 3_000_000_000

Stamps = dict[str, list[int]]
_Made = TypeVar("_Made")
_by_stamps: ContextVar[bool] = ContextVar("_by_stamps", default=False)
_seen_once: ContextVar[dict[str, Any] | None] = ContextVar("_seen_once", default=None)


@contextlib.contextmanager
def by_stamps(trusted: bool = True) -> Iterator[None]:
    """Let figures be believed by size, time and inode of their files, not by their digest, in this `with`.

    What other runs of the shelf say is looked up once in it (`once`), so that the work grows with the runs and not
    with their square.

    Args:
        trusted: False: ask the digest, also inside another such `with`.
    """
    token, seen = _by_stamps.set(trusted), _seen_once.set({})
    try:
        yield
    finally:
        _by_stamps.reset(token)
        _seen_once.reset(seen)


def once(key: str, make: Callable[[], _Made]) -> _Made:
    """Return what `make` gives; within one `by_stamps` it is asked only once for a key."""
    seen = _seen_once.get()
    if seen is None:
        return make()
    if key not in seen:
        seen[key] = make()
    made: _Made = seen[key]
    return made


def stamps_of(folder: Path | str, now_ns: int | None = None) -> Stamps | None:
    """Return size, time of change (ns) and inode of each file of a run; None where one is missing, or too young to say.

    Args:
        folder: The run's folder.
        now_ns: Nanoseconds since 1970; None asks the clock.
    """
    now_ns = time.time_ns() if now_ns is None else now_ns
    found: Stamps = {}
    for name in FILES:
        try:
            seen = os.stat(f"{folder}/{name}")  # noqa: PTH116  ten thousand of them a comparison
        except OSError:
            return None
        if now_ns - seen.st_mtime_ns < SETTLED_NS:
            return None
        found[name] = [seen.st_size, seen.st_mtime_ns, seen.st_ino]
    return found


ROOMS_OF_FIGURES = ("account", "analysis", "archive", "cells", "common", "results")  # what they are made by


def digest_of(folder: Path) -> str | None:
    """Return the digest that `load_all` gives, without parsing; None when a file is missing."""
    digest = hashlib.sha256()
    try:
        with (folder / SAMPLES).open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
        run_bytes = (folder / RUN).read_bytes()
        event_bytes = (folder / EVENTS).read_bytes()
    except OSError:
        return None
    return hashlib.sha256(digest.hexdigest().encode() + run_bytes + event_bytes).hexdigest()


@cache
def code_digest() -> str:
    """Return a digest of what makes the figures: the code of the rooms they come from, units, chemistries, forms."""
    import amphora.harness

    digest = hashlib.sha256(amphora.harness.__version__.encode())
    house = Path(__file__).parents[1]
    sources = [path for room in ROOMS_OF_FIGURES for path in (house / room).glob("*.py")]
    profiles = house.parent / "profiles"
    sources += [*(profiles / "chemistries").glob("*.toml"), profiles / "forms.toml"]
    sources += [house.parent / "drivers" / "quantities.py", house.parent / "drivers" / "described.py"]
    for path in sorted(sources):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()


def kept_text(result: dict[str, Any] | str, head: dict[str, Any]) -> str:
    """Return what `result.json` holds: the head, a digest of the result, and the result (or its JSON), in one line."""
    part = result if isinstance(result, str) else json.dumps(result, ensure_ascii=False, allow_nan=False)
    own = hashlib.sha256(part.encode("utf-8")).hexdigest()
    return json.dumps({**head, "result_sha256": own})[:-1] + ", " + RESULT_KEY.decode() + part + "}"


def kept_result(folder: Path, cutoff_V: float | None) -> Result | None:
    """Return what `result.json` holds where it is still true; None where it is not, or for another cut-off."""
    path = folder / "result.json"
    if cutoff_V is not None or not path.is_file():
        return None
    kept = read_kept(path)
    if kept is None or kept.get("format") != FORMAT or kept.get("code_sha256") != code_digest():
        return None
    stamps = stamps_of(folder) if _by_stamps.get() else None
    try:
        result = Result.from_json(kept["result"])
    except (ValueError, TypeError, AttributeError):  # no code that is here wrote it
        return None
    if stamps is not None and kept.get(STAMPS) == stamps:
        return result
    if kept.get("inputs_sha256") != digest_of(folder):
        return None
    if stamps is not None:  # copied here, or kept while its files were young: from now on they are known
        keep(
            folder,
            json.dumps(result.to_json(), ensure_ascii=False, allow_nan=False),
            str(kept["inputs_sha256"]),
            stamps,
        )
    return result


def keep(folder: Path, result: str, digest: str, stamps: Stamps | None = None) -> None:
    """Write `result.json` whole or not at all; a folder that cannot be written is left as it is.

    Args:
        folder: The run's folder.
        result: The figures as JSON.
        digest: Of the files that they were made from.
        stamps: As `stamps_of` gave them before these files were read; None: not to be believed by.
    """
    head = {"format": FORMAT, "inputs_sha256": digest, "code_sha256": code_digest()}
    text = kept_text(result, head if stamps is None else {**head, STAMPS: stamps})
    beside = folder / f".result.json.{os.getpid()}.{id(result)}.part"
    try:
        beside.write_text(text + "\n", encoding="utf-8", newline="\n")
        beside.replace(folder / "result.json")
    except OSError:  # a read-only folder is no reason to give no answer
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
