"""`result.json` beside a run: derived, with digests of what it was made from and of what made it.

Deleting it loses nothing; it is made anew whenever the inputs, the code or the data used differ.
"""

import contextlib
import hashlib
import json
import os
from functools import cache
from pathlib import Path
from typing import Any

from amphora.harness.archive.result_file import RESULT_KEY, read_kept
from amphora.harness.archive.run_folder import EVENTS, RUN, SAMPLES
from amphora.harness.results.result import Result

FORMAT = "amphora-result/1"

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
def _code_digest() -> str:
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
    if kept is None or kept.get("format") != FORMAT or kept.get("code_sha256") != _code_digest():
        return None
    if kept.get("inputs_sha256") != digest_of(folder):
        return None
    try:
        return Result.from_json(kept["result"])
    except (ValueError, TypeError, AttributeError):  # no code that is here wrote it
        return None


def keep(folder: Path, result: str, digest: str) -> None:
    """Write `result.json` whole or not at all; a folder that cannot be written is left as it is."""
    text = kept_text(result, {"format": FORMAT, "inputs_sha256": digest, "code_sha256": _code_digest()})
    beside = folder / f".result.json.{os.getpid()}.{id(result)}.part"
    try:
        beside.write_text(text + "\n", encoding="utf-8", newline="\n")
        beside.replace(folder / "result.json")
    except OSError:  # a read-only folder is no reason to give no answer
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
