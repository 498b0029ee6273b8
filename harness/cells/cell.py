"""The record of one cell: id, form, chemistry, what eye and nose said. Plain data, checked."""

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from difflib import get_close_matches
from typing import Any

from amphora.harness.common.as_json import LEFT_OUT, to_json
from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, finite_number, keys_of, shown, table_of, unknown

FORMAT = "amphora-cell/1"

STATES = ("found", "quarantined", "tested", "in use", "retired")
CHEMISTRIES = ("auto", "li-ion", "li-ion-4.35", "lfp", "nimh", "nicd", "lto", "lead-acid")
INSPECTION: dict[str, tuple[str, ...]] = {
    "wrapper": ("sound", "scratched", "torn", "missing"),
    "dents": ("none", "slight", "deep"),
    "rust": ("none", "slight", "heavy"),
    "swelling": ("none", "yes"),
    "leak": ("none", "yes"),
    "smell": ("none", "yes"),
}
DEVICE_FORMS = ("lamp", "light", "panel")  # a device that is surveyed stands on the shelf, and is no cell
ID_LENGTH = 64
TEXT_LENGTH = 4000
_RESERVED = {"con", "prn", "aux", "nul", *(f"com{n}" for n in range(10)), *(f"lpt{n}" for n in range(10))}
NUMBERS = ("claim_Ah", "mass_g", "as_found_V")
TEXTS = ("form", "chemistry", "source", "markings", "as_found_utc", "notes", "state")


@dataclass(frozen=True, slots=True)
class DatedEntry:
    """What somebody saw, measured, said or changed, and when. None: not said.

    at: UTC, ISO 8601; noted_utc: when it was written down; kind: found, check, state, edit, renamed, removed ...;
    resolution_V: what the last digit of the voltage stands for; changed: field -> what stood there, what stands there.
    """

    at: str
    kind: str
    noted_utc: str | None = field(default=None, metadata=LEFT_OUT)
    voltage_V: float | None = field(default=None, metadata=LEFT_OUT)
    resolution_V: float | None = field(default=None, metadata=LEFT_OUT)
    mass_g: float | None = field(default=None, metadata=LEFT_OUT)
    inspection: Mapping[str, str] | None = field(default=None, metadata=LEFT_OUT)
    state: str | None = field(default=None, metadata=LEFT_OUT)
    text: str | None = field(default=None, metadata=LEFT_OUT)
    by: str | None = field(default=None, metadata=LEFT_OUT)
    changed: Mapping[str, Any] | None = field(default=None, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class Identified:
    """What a run found a cell to be, as it is kept. None: not said.

    run: the folder's name; chemistry: where the answer names one; charge_to_V, rests_V: the next stage of the watched
    charge that it has earned, and where it stood then; more: what another version kept.
    """

    answer: str | None = field(default=None, metadata=LEFT_OUT)
    confidence: str | None = field(default=None, metadata=LEFT_OUT)
    evidence: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT)
    next_step: str | None = field(default=None, metadata=LEFT_OUT)
    run: str | None = field(default=None, metadata=LEFT_OUT)
    chemistry: str | None = field(default=None, metadata=LEFT_OUT)
    charge_to_V: float | None = field(default=None, metadata=LEFT_OUT)
    rests_V: float | None = field(default=None, metadata=LEFT_OUT)
    more: Mapping[str, Any] | None = field(default=None, metadata=LEFT_OUT)

    def to_dict(self) -> dict[str, Any]:
        """Return what `cell.json` holds of it."""
        kept: dict[str, Any] = to_json(replace(self, more=None))
        return {**kept, **(self.more or {})}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "Identified":
        """Return it from what `cell.json` holds."""
        known = {key: value for key, value in data.items() if key in keys_of(cls) and key != "more"}
        more = {key: value for key, value in data.items() if key not in known}
        kept = cls(**known, more=more or None)
        return replace(kept, evidence=tuple(kept.evidence)) if isinstance(kept.evidence, list) else kept


def check_id(cell_id: str) -> str:
    """Return an id in the form that names a folder (Unicode NFC).

    Raises:
        InputError: empty, too long, a character other than letters, digits, '-', '.', '_', a dot or dash
            at the start, a dot at the end, or a name that an operating system keeps for itself.
    """
    text = unicodedata.normalize("NFC", cell_id)
    given = shown(text)
    accepted = "letters, digits, '-', '_' and '.' are accepted, beginning with a letter or digit"
    if not text:
        raise InputError(f"the cell's id is empty; {accepted}")
    if len(text) > ID_LENGTH or len(text.encode()) > 200:
        raise InputError(f"the cell's id {given} is longer than {ID_LENGTH} characters; a short one is accepted")
    for character in text:
        kind = unicodedata.category(character)
        if kind[0] not in "LM" and kind != "Nd" and character not in "-._":
            raise InputError(f"the cell's id {given} has the character {character!r}; {accepted}")
    if unicodedata.category(text[0])[0] not in "LN" or text.endswith("."):
        raise InputError(f"the cell's id {given} begins or ends with a mark; {accepted}")
    if text.split(".")[0].lower() in _RESERVED:
        raise InputError(f"the cell's id {given} is a name that some systems keep for devices; choose another")
    return text


@dataclass(frozen=True)
class CellRecordTable:
    """The keys of `cell.json`, as they are written."""

    format: Any = None
    id: Any = None
    form: Any = None
    chemistry: Any = None
    source: Any = None
    markings: Any = None
    claim_Ah: Any = None
    mass_g: Any = None
    as_found_V: Any = None
    as_found_utc: Any = None
    inspection: Any = None
    photos: Any = None
    notes: Any = None
    state: Any = None
    declared_rechargeable: Any = False
    identified: Any = None
    entries: Any = None


@dataclass(frozen=True, slots=True)
class Cell:
    """What is known of one cell. Text may be empty, numbers None: not known."""

    id: str = ""
    form: str = ""
    chemistry: str = "auto"
    source: str = ""
    markings: str = ""
    claim_Ah: float | None = None
    mass_g: float | None = None
    as_found_V: float | None = None
    as_found_utc: str = ""
    inspection: dict[str, str] = field(default_factory=dict)
    photos: list[str] = field(default_factory=list)
    notes: str = ""
    state: str = "found"
    declared_rechargeable: bool = False
    identified: Identified = Identified()
    entries: list[DatedEntry] = field(default_factory=list)  # what people saw, measured, changed

    @property
    def is_device(self) -> bool:
        """Whether this is a lamp or a panel that is surveyed, not a cell."""
        return self.form in DEVICE_FORMS

    @property
    def identified_as(self) -> str:
        """Return the chemistry that a run of it showed; "" where none did."""
        return self.identified.chemistry or ""

    @property
    def former_ids(self) -> tuple[str, ...]:
        """Return the ids it had before; runs made under them are still its own."""
        pairs = [(item.changed or {}).get("id") for item in self.entries if item.kind == "renamed"]
        return tuple(str(pair[0]) for pair in pairs if isinstance(pair, list | tuple) and pair)

    @property
    def quarantined_since(self) -> str:
        """Return the date of the newest entry that put it into quarantine, or empty."""
        dates = [item.at for item in self.entries if item.state == "quarantined"]
        return dates[-1][:10] if dates else ""

    @property
    def taken_for(self) -> str:
        """Return the chemistry that it is taken for: what a run found, else what the record says."""
        return self.identified_as or self.chemistry or "auto"

    @property
    def noted_with_its_state(self) -> str:
        """Return the newest words that were noted with the state that it has; empty for none."""
        noted = [item.text for item in self.entries if item.state == self.state and item.text]
        return noted[-1] if noted else ""

    def to_dict(self) -> dict[str, Any]:
        """Return the content of `cell.json`."""
        return {"format": FORMAT, **to_json(self), "identified": self.identified.to_dict()}

    @classmethod
    def from_checked(cls, data: Mapping[str, Any]) -> "Cell":
        """Return a cell from what `to_dict` made of one that was checked; nothing is checked again."""
        kept = {key: value for key, value in data.items() if key != "format"}
        identified = Identified.from_dict(kept.pop("identified"))
        return cls(identified=identified, entries=[DatedEntry(**one) for one in kept.pop("entries")], **kept)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], where: str = "cell") -> "Cell":
        """Return a cell from the content of `cell.json`.

        Raises:
            InputError: names `where`, the key, the value and what is accepted.
        """
        if isinstance(data, Mapping) and data.get("format", FORMAT) != FORMAT:
            raise InputError(f"{where}: {unknown('format', data['format'], (FORMAT,))}")
        table = as_written(CellRecordTable, data, where, ("id",))
        if not isinstance(table.id, str):
            raise InputError(f"{where}: key 'id' = {shown(table.id)} is no text")
        try:
            values: dict[str, Any] = {"id": check_id(table.id)}
        except InputError as error:
            raise InputError(str(error) if where == "cell" else f"{where}: {error}") from error
        for name in TEXTS:
            if data.get(name) is not None:
                values[name] = _text(data[name], f"{where}: key {name!r}")
        for name in NUMBERS:
            if data.get(name) is not None:
                values[name] = _number(data[name], f"{where}: key {name!r}", negative=name == "as_found_V")
        among(values.get("state", "found"), STATES, f"{where}: key 'state'")
        among(values.get("chemistry", "auto"), CHEMISTRIES, f"{where}: key 'chemistry'")
        photos, declared, identified = table.photos or [], table.declared_rechargeable, table.identified or {}
        if not isinstance(photos, list) or not all(isinstance(item, str) for item in photos):
            raise InputError(f"{where}: key 'photos' = {shown(photos)} is not accepted; a list of paths is")
        if not isinstance(declared, bool):
            raise InputError(
                f"{where}: key 'declared_rechargeable' = {shown(declared)} is not accepted; true or false is"
            )
        if not isinstance(identified, Mapping):
            raise InputError(f"{where}: key 'identified' = {shown(identified)} is not a table")
        return cls(
            **values,
            inspection=check_inspection(table.inspection or {}, f"{where}: key 'inspection'"),
            photos=list(photos),
            declared_rechargeable=declared,
            identified=Identified.from_dict(identified),
            entries=_entries(table.entries or [], f"{where}: key 'entries'"),
        )


def _entries(value: object, where: str) -> list[DatedEntry]:
    """Return the dated entries of a record, checked."""
    if not isinstance(value, list):
        raise InputError(f"{where} = {shown(value)} is not accepted; a list of dated entries is")
    found = []
    for number, item in enumerate(value, 1):
        here = f"{where}, entry {number}"
        entry = as_written(DatedEntry, item, here, ("at", "kind"))
        try:
            datetime.fromisoformat(str(entry.at))
        except ValueError as error:
            raise InputError(f"{here}: at = {shown(entry.at)} is no time") from error
        if entry.inspection is not None:
            entry = replace(entry, inspection=check_inspection(entry.inspection, f"{here}: inspection"))
        numbers = {"voltage_V": entry.voltage_V, "resolution_V": entry.resolution_V, "mass_g": entry.mass_g}
        checked: dict[str, Any] = {
            name: _number(written, f"{here}: {name}", negative=name == "voltage_V")
            for name, written in numbers.items()
            if written is not None
        }
        found.append(replace(entry, **checked))
    return found


def _text(value: object, where: str) -> str:
    if not isinstance(value, str):
        raise InputError(f"{where} = {shown(value)} is no text")
    if len(value) > TEXT_LENGTH:
        raise InputError(f"{where} is {len(value)} characters long; {TEXT_LENGTH} are accepted")
    return value


def _number(value: object, where: str, negative: bool = False) -> float:
    number = finite_number(value)
    if number is None:
        raise InputError(f"{where} = {shown(value)} is not accepted; a finite number is")
    if number < 0 and not negative:
        raise InputError(f"{where} = {shown(value)} is negative; zero or more is accepted")
    return number


def among(value: object, accepted: Sequence[str], where: str) -> None:
    """Refuse a value that is none of the accepted ones."""
    if value not in accepted:
        near = get_close_matches(value[:40], accepted, 1, 0.6) if isinstance(value, str) else []
        hint = f" ({near[0]!r} is near)" if near else ""
        raise InputError(f"{where} must be one of {', '.join(accepted)}; got {shown(value)}{hint}")


def check_inspection(data: object, where: str = "inspection") -> dict[str, str]:
    """Return what eye and nose said, checked against the list of what is looked at.

    Raises:
        InputError: a part or a word that is not on the list.
    """
    table = table_of(data, where, INSPECTION)
    for part, word in table.items():
        among(word, INSPECTION[part], f"{where}: {part}")
    return {str(part): str(word) for part, word in table.items()}
