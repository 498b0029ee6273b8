"""What an evening proves of a bench: check resistor, warmed sensor, leakage with the mains unplugged; the file of it.

Each proof is one line of `bench-checks.jsonl` in the logs folder, beside the cells. A run of the
same evening (24 h) on the same bench and the same instruments copies what it relies on into its own
events, so that a folder tells all by itself; leakage is tested once per bench and holds until the
bench is wired anew. Lines are only ever appended, one whole line at a time whoever appends beside; a
line that was cut short is told and proves nothing, and neither does a time that lies ahead of now (a
clock that was set back: how old that proof is nobody knows).
"""

import json
import os
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import sync_folder, to_line, utc_text
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.common.errors import InputError, JournalDamaged
from amphora.harness.common.locks import Lock, acquire
from amphora.harness.control.events import Event, event_of

FILE = "bench-checks.jsonl"
FORMAT = "amphora-bench-checks/1"
EVENING = timedelta(hours=24)
AHEAD = timedelta(seconds=5)  # a clock that is kept right by the network is trimmed by less
LOCK_WITHIN_S = 10.0
TORN = b" torn\n"  # the mark of a line that was cut short, as in the journal
KINDS = ("check-resistor", "sensor-proven", "leakage")


class Checks(list[dict[str, Any]]):
    """Every proof that was kept, oldest first; `notices` tells of lines that were left out."""

    notices: tuple[str, ...] = ()


def read_checks(logs: Path) -> Checks:
    """Return every proof that was kept, oldest first; a line that was cut short is left out and told.

    Raises:
        JournalDamaged: a line is none of ours: file and line.
    """
    path = logs / FILE
    content = _content(path)
    if content and not content.endswith(b"\n"):
        time.sleep(0.1)  # somebody may be in the middle of a line
        content = _content(path)
    found = Checks()
    notices = []
    *lines, tail = content.split(b"\n")
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if line.endswith(TORN.rstrip(b"\n")):
            notices.append(_torn(path, number))
            continue
        record = _record(line)
        if record is None:
            raise JournalDamaged(
                f"{path}, line {number}: is no check of a bench ({FORMAT}); take that line out, and check again"
            )
        found.append(record)
    if tail:
        notices.append(_torn(path, len(lines) + 1))
    found.notices = tuple(notices)
    return found


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _torn(path: Path, number: int) -> str:
    return f"{path}, line {number}: a check that was cut short was left out; it proves nothing"


def _record(line: bytes) -> dict[str, Any] | None:
    """Return one line of the file as data; None when it is none of ours."""
    try:
        record = json.loads(line)
        moment = datetime.fromisoformat(record["utc"])
        kind, passed = record["kind"], record["proven" if record["kind"] == "sensor-proven" else "passed"]
        ours = record["format"] == FORMAT and kind in KINDS and moment.tzinfo is not None
        whole = isinstance(record["instruments"], dict) and isinstance(record["text"], str) and isinstance(passed, bool)
        whole = whole and (kind == "leakage" or bool(record["instruments"]))  # of whom it was proven
        to_line(record).encode("utf-8")  # no number or character that a run's events could not hold
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        return None
    return record if ours and whole else None


def keep(
    logs: Path, bench: BenchDescription, identities: Mapping[str, str], kind: str, utc: datetime, **fields: Any
) -> dict[str, Any]:
    """Append one proof to the file; return it.

    Raises:
        InputError: it cannot be written.
    """
    record = {
        "format": FORMAT, "kind": kind, "utc": utc_text(utc), "bench": bench.name, "instruments": dict(identities),
        **fields,
    }  # fmt: skip
    path = logs / FILE
    try:
        logs.mkdir(parents=True, exist_ok=True)
        with _locked(path):
            _append(path, to_line(record).encode("utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    return record


class _Busy(InputError):
    """Another process appends just now."""


def _locked(path: Path) -> Lock:
    """Return the lock of the file, waiting for whoever appends just now."""
    until_s = time.monotonic() + LOCK_WITHIN_S
    while True:
        try:
            return acquire(path.with_name(f".{path.name}.lock"), "a check of a bench", str(path), _Busy)
        except _Busy:
            if time.monotonic() >= until_s:
                raise
            time.sleep(0.02)


def _append(path: Path, line: bytes) -> None:
    """Append one line, on the disk when this returns; what fails leaves the file as it was. Under its lock."""
    new = not path.exists()
    descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    try:
        size = os.lseek(descriptor, 0, os.SEEK_END)
        if size:
            os.lseek(descriptor, -1, os.SEEK_END)
            if os.read(descriptor, 1) != b"\n":
                line = TORN + line
        try:
            done = 0
            while done < len(line):
                done += os.write(descriptor, line[done:])
            os.fsync(descriptor)
        except OSError:
            with suppress(OSError):  # where it cannot be taken back, the next one marks it
                os.ftruncate(descriptor, size)
            raise
    finally:
        os.close(descriptor)
    if new:
        sync_folder(path.parent)


def latest(
    checks: Sequence[Mapping[str, Any]],
    kind: str,
    bench: BenchDescription,
    now: datetime,
    *,
    within: timedelta | None = EVENING,
    identities: Mapping[str, str] | None = None,
    **fields: Any,
) -> dict[str, Any] | None:
    """Return the newest proof of a kind that holds for this bench now; None: there is none.

    Args:
        within: How old it may be; None: any age.
        identities: Who answers now, by name; an instrument of the proof that is another now makes it void.
        fields: What it has to be about (`sensor="thermometer"`).
    """
    for record in reversed(checks):
        if record["kind"] != kind or record.get("bench") != bench.name:
            continue
        if _is_ahead(record, now) and record.get("passed") is not False:  # what failed is warned of at any time
            continue
        if any(record.get(key) != value for key, value in fields.items()):
            continue
        age = now - datetime.fromisoformat(record["utc"])
        if within is not None and age > within:
            continue
        if identities is not None and any(
            identities.get(name) != identity for name, identity in record["instruments"].items()
        ):
            continue
        return None if record.get("proven") is False else dict(record)
    return None


def _is_ahead(record: Mapping[str, Any], now: datetime) -> bool:
    """Whether it was taken later than now: then the clock was set back, and how old it is cannot be known."""
    return datetime.fromisoformat(record["utc"]) - now > AHEAD


def notices_of(checks: Sequence[Mapping[str, Any]], bench: BenchDescription, now: datetime) -> list[str]:
    """Return what has to be told of the file: lines that were cut short, proofs that lie ahead of the clock."""
    told = list(getattr(checks, "notices", ()))
    ahead = [record for record in checks if record.get("bench") == bench.name and _is_ahead(record, now)]
    if ahead:
        told.append(
            f"{len(ahead)} of this bench's checks, the last of {ahead[-1]['utc']}, lie ahead of this computer's clock "
            f"({utc_text(now)}): it was set back or runs wrong; they prove nothing until it is right"
        )
    return told


def as_event(record: Mapping[str, Any]) -> Event:
    """Return a proof as a run's events hold it: its own fields, and when it was taken."""
    left_out = ("format", "bench", "instruments", "utc")
    return event_of(
        {**{key: value for key, value in record.items() if key not in left_out}, "taken_utc": record["utc"]}
    )


def in_words(checks: Sequence[Mapping[str, Any]], bench: BenchDescription, now: datetime) -> list[str]:
    """Return how the proofs of a bench stand, a line each; for `bench check` and `plan`."""
    lines = notices_of(checks, bench, now)
    leak = latest(checks, "leakage", bench, now, within=None)
    if leak is None:
        lines.append("leakage with the mains unplugged: never tested on this bench ('amphora bench check --leakage')")
    else:
        word = "passed" if leak["passed"] else "FAILED"
        lines.append(f"leakage with the mains unplugged: {word} on {leak['utc'][:10]}: {leak['text']}")
    if bench.check_resistor is not None:
        resistor = latest(checks, "check-resistor", bench, now)
        if resistor is None:
            lines.append("check resistor: not measured this evening ('amphora bench check --resistor')")
        else:
            word = "passed" if resistor["passed"] else "FAILED"
            lines.append(f"check resistor: {word} at {_hour(resistor)}: {resistor['text']}")
    if bench.cell_temperature is not None:
        proof = latest(checks, "sensor-proven", bench, now, sensor=bench.cell_temperature)
        if proof is None:
            lines.append(f"{bench.cell_temperature}: not proven this evening ('amphora bench check --sensor')")
        else:
            lines.append(f"{bench.cell_temperature}: proven at {_hour(proof)}: {proof['text']}")
    return lines


def _hour(record: Mapping[str, Any]) -> str:
    return f"{datetime.fromisoformat(record['utc']).astimezone():%H:%M}"
