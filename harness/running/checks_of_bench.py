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
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import sync_folder, to_line, utc_text
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.common.errors import InputError, JournalDamaged
from amphora.harness.common.locks import Lock, acquire
from amphora.harness.control.events import (
    STAMPS,
    LeakageChecked,
    ResistorChecked,
    SensorChecked,
    event_of,
    event_to_json,
)

FILE = "bench-checks.jsonl"
FORMAT = "amphora-bench-checks/1"
EVENING = timedelta(hours=24)
AHEAD = timedelta(seconds=5)  # a clock that is kept right by the network is trimmed by less
LOCK_WITHIN_S = 10.0
TORN = b" torn\n"  # the mark of a line that was cut short, as in the journal
Made = SensorChecked | ResistorChecked | LeakageChecked  # what came of a check, as a run's events hold it


@dataclass(frozen=True, slots=True)
class KeptCheck:
    """One check of a bench, as it was kept.

    utc: when it was made; instruments: who took part, and what each answered; made: what came of it.
    """

    utc: str
    bench: str
    instruments: Mapping[str, str]
    made: Made

    @property
    def at(self) -> datetime:
        """When it was made."""
        return datetime.fromisoformat(self.utc)

    @property
    def passed(self) -> bool:
        """Whether it came out well."""
        return passed(self.made)

    @property
    def text(self) -> str:
        """What came of it, in a sentence."""
        return self.made.text or ""

    def event(self) -> Made:
        """Return it as a run's events hold it: what came of it, and when it was made."""
        return replace(self.made, taken_utc=self.utc)

    def to_dict(self) -> dict[str, Any]:
        """Return it as a line of the file holds it."""
        head = {"format": FORMAT, "kind": self.made.kind, "utc": self.utc, "bench": self.bench}
        return {**head, "instruments": dict(self.instruments), **without_stamps(self.made)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "KeptCheck":
        """Return it from a line of the file.

        Raises:
            ValueError, TypeError, KeyError: it is none of ours.
        """
        said = {key: value for key, value in data.items() if key not in ("format", "bench", "instruments", "utc")}
        made, instruments = event_of(said), data["instruments"]
        if data["format"] != FORMAT or not isinstance(made, Made) or not isinstance(instruments, dict):
            raise ValueError("no check of a bench")
        kept = cls(str(data["utc"]), str(data.get("bench", "")), instruments, made)
        if kept.at.tzinfo is None or made.text is None or verdict(made) is None:
            raise ValueError("a check without a time, a word or an outcome")
        if not instruments and not isinstance(made, LeakageChecked):
            raise ValueError("a check of nobody")
        return kept


def verdict(made: Made) -> bool | None:
    """Return what came of a check; None: it does not say."""
    return made.proven if isinstance(made, SensorChecked) else made.passed


def passed(made: Made) -> bool:
    """Tell whether a check came out well."""
    return verdict(made) is True


def without_stamps(made: Made) -> dict[str, Any]:
    """Return what came of a check, without a place in a run."""
    return {key: value for key, value in event_to_json(made).items() if key not in ("kind", *STAMPS)}


class Checks(list[KeptCheck]):
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
        check = _check(line)
        if check is None:
            raise JournalDamaged(
                f"{path}, line {number}: is no check of a bench ({FORMAT}); take that line out, and check again"
            )
        found.append(check)
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


def _check(line: bytes) -> KeptCheck | None:
    """Return one line of the file; None when it is none of ours."""
    try:
        data = json.loads(line)
        to_line(data).encode("utf-8")  # no number or character that a run's events could not hold
        return KeptCheck.from_dict(data)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        return None


def keep(logs: Path, bench: BenchDescription, identities: Mapping[str, str], made: Made, utc: datetime) -> KeptCheck:
    """Append one check to the file; return it.

    Raises:
        InputError: it cannot be written.
    """
    check = KeptCheck(utc_text(utc), bench.name, dict(identities), made)
    path = logs / FILE
    try:
        logs.mkdir(parents=True, exist_ok=True)
        with _locked(path):
            _append(path, to_line(check.to_dict()).encode("utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    return check


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
    checks: Sequence[KeptCheck],
    kind: type[Made],
    bench: BenchDescription,
    now: datetime,
    *,
    within: timedelta | None = EVENING,
    identities: Mapping[str, str] | None = None,
    sensor: str | None = None,
) -> KeptCheck | None:
    """Return the newest check of a kind that holds for this bench now; None: there is none.

    Args:
        within: How old it may be; None: any age.
        identities: Who answers now, by name; an instrument of the check that is another now makes it void.
        sensor: Which one it has to be about.
    """
    for check in reversed(checks):
        made = check.made
        if not isinstance(made, kind) or check.bench != bench.name:
            continue
        failed = not isinstance(made, SensorChecked) and made.passed is False  # that is warned of at any time
        if _is_ahead(check, now) and not failed:
            continue
        if sensor is not None and isinstance(made, SensorChecked) and made.sensor != sensor:
            continue
        if within is not None and now - check.at > within:
            continue
        if identities is not None and any(
            identities.get(name) != identity for name, identity in check.instruments.items()
        ):
            continue
        return None if isinstance(made, SensorChecked) and not check.passed else check
    return None


def _is_ahead(check: KeptCheck, now: datetime) -> bool:
    """Whether it was made later than now: then the clock was set back, and how old it is cannot be known."""
    return check.at - now > AHEAD


def notices_of(checks: Sequence[KeptCheck], bench: BenchDescription, now: datetime) -> list[str]:
    """Return what has to be told of the file: lines that were cut short, proofs that lie ahead of the clock."""
    told = list(getattr(checks, "notices", ()))
    ahead = [check for check in checks if check.bench == bench.name and _is_ahead(check, now)]
    if ahead:
        told.append(
            f"{len(ahead)} of this bench's checks, the last of {ahead[-1].utc}, lie ahead of this computer's clock "
            f"({utc_text(now)}): it was set back or runs wrong; they prove nothing until it is right"
        )
    return told


def in_words(checks: Sequence[KeptCheck], bench: BenchDescription, now: datetime) -> list[str]:
    """Return how the proofs of a bench stand, a line each; for `bench check` and `plan`."""
    lines = notices_of(checks, bench, now)
    leak = latest(checks, LeakageChecked, bench, now, within=None)
    if leak is None:
        lines.append("leakage with the mains unplugged: never tested on this bench ('amphora bench check --leakage')")
    else:
        word = "passed" if leak.passed else "FAILED"
        lines.append(f"leakage with the mains unplugged: {word} on {leak.utc[:10]}: {leak.text}")
    if bench.check_resistor is not None:
        resistor = latest(checks, ResistorChecked, bench, now)
        if resistor is None:
            lines.append("check resistor: not measured this evening ('amphora bench check --resistor')")
        else:
            word = "passed" if resistor.passed else "FAILED"
            lines.append(f"check resistor: {word} at {_hour(resistor)}: {resistor.text}")
    if bench.cell_temperature is not None:
        warmed = latest(checks, SensorChecked, bench, now, sensor=bench.cell_temperature)
        if warmed is None:
            lines.append(f"{bench.cell_temperature}: not proven this evening ('amphora bench check --sensor')")
        else:
            lines.append(f"{bench.cell_temperature}: proven at {_hour(warmed)}: {warmed.text}")
    return lines


def _hour(check: KeptCheck) -> str:
    return f"{check.at.astimezone():%H:%M}"
