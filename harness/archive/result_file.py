"""`result.json`: derived, believed only as it was written; deleted, it is made anew."""

import hashlib
import json
from pathlib import Path
from typing import Any

RESULT_KEY = b'"result": '  # the last key: what follows it is what the digest is of


def read_kept(path: Path) -> dict[str, Any] | None:
    """Return what `result.json` holds; None when it is not as it was written: by hand, or by a bad disk."""
    try:
        content = path.read_bytes()
        kept = json.loads(content)
    except (OSError, ValueError, RecursionError):
        return None
    part = content.partition(RESULT_KEY)[2].rstrip()[:-1]
    if not isinstance(kept, dict) or kept.get("result_sha256") != hashlib.sha256(part).hexdigest():
        return None
    return kept if isinstance(kept.get("result"), dict) else None
