"""What people enter of a cell after it came in: dated checks, corrections, removal. Each is an entry that stays.

Pure but for `remove`, which moves a folder. V, g, Ah; times in UTC.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.account.entries import key_of, seen_by_people
from amphora.harness.archive.shelf import Shelf, now_utc
from amphora.harness.cells.cell import INSPECTION, Cell, DatedEntry
from amphora.harness.cells.incoming import judge_at_the_door
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import shown
from amphora.harness.control.checks import PREFIX

FUTURE_S = 300.0  # clocks differ by so much
WASTE = ".removed"


def time_of(text: str | None, now: datetime | None = None) -> datetime:
    """Return the moment that somebody wrote: a date with a time, or a time of the last 24 h; local without a zone.

    Raises:
        InputError: no time, or one that has not come yet.
    """
    now = now or datetime.now(UTC)
    if text is None:
        return now
    accepted = "a date and time such as '2026-11-28 18:40', or a time such as '18:40', is"
    try:
        if len(text.strip()) <= 5:
            clock = datetime.strptime(text.strip(), "%H:%M")
            found = now.astimezone().replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
            if found > now + timedelta(seconds=FUTURE_S):
                found -= timedelta(days=1)
        else:
            found = datetime.fromisoformat(text.strip().replace("Z", "+00:00")).astimezone()
    except ValueError as error:
        raise InputError(f"--at {shown(text)} is not accepted; {accepted}") from error
    if found > now + timedelta(seconds=FUTURE_S):
        raise InputError(f"--at {shown(text)} has not come yet; {accepted}")
    return found.astimezone(UTC)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _entry(kind: str, at: datetime, by: str, **given: Any) -> DatedEntry:
    kept = {name: value for name, value in given.items() if value not in (None, "", {})}
    return DatedEntry(_utc(at), kind, now_utc(), by=by or None, **kept)


def checked(
    cell: Cell,
    *,
    at: datetime,
    voltage_V: float | None = None,
    resolution_V: float = 0.01,
    mass_g: float | None = None,
    inspection: Mapping[str, str] | None = None,
    rechargeable: bool = False,
    by: str = "",
    tested: bool = False,
) -> Cell:
    """Return a cell after somebody looked, weighed or measured; its state follows the verdict at the door.

    Args:
        cell: As it stood.
        at: When that was.
        voltage_V: At rest, without a load; `resolution_V`: what its last digit stands for.
        mass_g, inspection, rechargeable: What else was found.
        by: Who.
        tested: A run has measured it: out of quarantine it is tested again.
    """
    entries = list(cell.entries)
    given = voltage_V is not None or mass_g is not None or bool(inspection)
    if voltage_V is not None:
        if cell.as_found_V is not None and not any(item.voltage_V is not None for item in entries):
            at_first = cell.as_found_utc or _utc(at)
            entries.append(DatedEntry(at_first, "found", voltage_V=cell.as_found_V))  # the first one stays on record
        times = [item.at for item in entries if item.kind == "check" and item.voltage_V is not None]
        if not times or _utc(at) >= max(times):
            cell = replace(cell, as_found_V=voltage_V, as_found_utc=_utc(at))
    if mass_g is not None:
        cell = replace(cell, mass_g=mass_g)
    if inspection:
        cell = replace(cell, inspection={**cell.inspection, **inspection})
    if rechargeable:
        cell = replace(cell, declared_rechargeable=True)
    if given:
        entries.append(
            _entry(
                "check", at, by, voltage_V=voltage_V, resolution_V=None if voltage_V is None else resolution_V,
                mass_g=mass_g, inspection=dict(inspection or {}),
            )
        )  # fmt: skip
    judged = judge_at_the_door(cell)
    state, before = cell.state, cell.state
    if judged.verdict == "retire":
        state = "retired"
    elif judged.verdict == "quarantine" and cell.state in ("found", "tested") and judged.reasons:
        state = "quarantined"
    elif judged.verdict == "accept" and cell.state == "quarantined" and _looked_and_measured(cell, entries):
        state = "tested" if tested else "found"
    if state != before:
        why = "; ".join(reason.text for reason in judged.reasons if reason.verdict != "accept")
        entries.append(_entry("state", at, by, state=state, text=why))
    entries.sort(key=lambda item: item.at)
    return replace(cell, state=state, entries=entries)


def named(cell: Cell, at: datetime) -> Cell:
    """Return a cell after a run named its chemistry: one kept apart only for a voltage that nobody could place is out.

    1.25 V is far too low for lithium, and as nickel is met; what keeps it apart for another reason stays.
    """
    if cell.state != "quarantined" or key_of(cell) == "auto":
        return cell
    out = checked(cell, at=at) if judge_at_the_door(cell).verdict == "accept" else cell
    if out.state == cell.state:
        return cell
    text = f"named {key_of(cell)} by a run: its voltage as found is inside that window"
    return replace(out, entries=[*out.entries[:-1], replace(out.entries[-1], text=text)])


def _looked_and_measured(cell: Cell, entries: Sequence[DatedEntry]) -> bool:
    """Tell whether a cell that the guard kept apart was looked at and measured since: the one test of its release.

    What was found at the door is settled by what is found there now; a stop of the guard says nothing that a scale, or
    a look of the day before, could take back.
    """
    noted = seen_by_people(replace(cell, entries=list(entries)))
    stops = [item.at for item in noted if item.state == "quarantined" and item.text.startswith(PREFIX)]
    if not stops:
        return True
    since = [item for item in noted if item.kind == "check" and item.at >= max(stops)]
    seen = {part for item in since for part in item.inspection}
    return set(INSPECTION) <= seen and any(item.voltage_V is not None for item in since)


def edited(cell: Cell, changes: Mapping[str, Any], why: str = "", by: str = "") -> Cell:
    """Return a cell with corrected fields, and an entry of what stood there before.

    Raises:
        InputError: nothing is changed, or a value is not accepted.
    """
    before = cell.to_dict()
    changed = {name: [before[name], value] for name, value in changes.items() if before[name] != value}
    if not changed:
        raise InputError(f"{cell.id}: nothing is changed; a field with another value than before is accepted")
    words = ", ".join(f"{name} {shown(old)} is now {shown(new)}" for name, (old, new) in changed.items())
    entry = _entry("edit", datetime.now(UTC), by, text=words + (f": {why}" if why else ""), changed=changed)
    data = {**replace(cell, entries=[*cell.entries, entry]).to_dict(), **changes}
    return Cell.from_dict(data, f"cell edit {cell.id}")


def rename(shelf: Shelf, cell_id: str, new_id: str, why: str = "", by: str = "") -> Cell:
    """Give a cell another id; its folder moves as it is, its runs keep the id they were made under.

    The folder moves first, the record is written after it: where that was cut short, the same command finishes it.

    Raises:
        InputError: no such cell, the new id is taken or no id, or a run of the cell is going on.
    """
    from amphora.harness.common.locks import acquire_folder

    target = shelf.folder(new_id)
    cut_short = target.is_dir() and not shelf.folder(cell_id).is_dir() and shelf.get(new_id).id == cell_id
    cell = shelf.get(new_id if cut_short else cell_id)
    if target.name == cell.id:
        raise InputError(f"{cell.id}: has that id already; another one is accepted")
    if not cut_short:
        shelf.check_free(target.name, cell.id)
        for run in shelf.runs(cell.id):
            with acquire_folder(run):
                pass
        source = shelf.folder(cell.id)
        try:
            source.rename(target)
        except OSError as error:
            raise InputError(f"{source}: cannot be renamed to {target}: {error.strerror}") from error
    words = f"renamed from {cell.id} to {target.name}" + (f": {why}" if why else "")
    entry = _entry("renamed", datetime.now(UTC), by, text=words, changed={"id": [cell.id, target.name]})
    return shelf.save(replace(cell, id=target.name, entries=[*cell.entries, entry]))


def remove(shelf: Shelf, cell_id: str, why: str = "", by: str = "") -> Path:
    """Move a cell with all its runs to the wastebasket; return where it is now.

    Raises:
        InputError: no such cell, or a run of it is going on.
    """
    from amphora.harness.common.locks import acquire_folder

    cell = shelf.get(cell_id)
    for run in shelf.runs(cell.id):
        with acquire_folder(run):
            pass
    shelf.save(replace(cell, entries=[*cell.entries, _entry("removed", datetime.now(UTC), by, text=why)]))
    waste = shelf.logs / WASTE
    waste.mkdir(exist_ok=True)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    target = waste / f"{stamp}-{cell.id}"
    try:
        shelf.folder(cell.id).rename(target)
    except OSError as error:
        raise InputError(f"{shelf.folder(cell.id)}: cannot be moved to {target}: {error.strerror}") from error
    return target
