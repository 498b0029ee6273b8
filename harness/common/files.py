"""A file's checksum, and a moment as every file of ours writes it."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path


def sha256(path: Path) -> str:
    """Return a file's SHA-256 in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def utc_text(moment: datetime) -> str:
    """Return a moment as the journal writes it."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
