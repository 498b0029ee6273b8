"""The record of one cell: id, form, chemistry, what eye and nose said. Plain data, checked."""

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime
from difflib import get_close_matches
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import finite_number, shown, table_of, unknown

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
ENTRY_KEYS = ("at", "noted_utc", "kind", "voltage_V", "resolution_V", "mass_g", "inspection", "state", "text", "by",
              "changed")  # fmt: skip


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
    identified: dict[str, Any] = field(default_factory=dict)
    entries: list[dict[str, Any]] = field(default_factory=list)  # dated: what people saw, measured, changed

    @property
    def is_device(self) -> bool:
        """Whether this is a lamp or a panel that is surveyed, not a cell."""
        return self.form in DEVICE_FORMS

    @property
    def identified_as(self) -> str:
        """Return the chemistry that a run of it showed; "" where none did."""
        return str(self.identified.get("chemistry") or "")

    @property
    def former_ids(self) -> tuple[str, ...]:
        """Return the ids it had before; runs made under them are still its own."""
        pairs = [dict(item.get("changed") or {}).get("id") for item in self.entries if item.get("kind") == "renamed"]
        return tuple(str(pair[0]) for pair in pairs if isinstance(pair, list | tuple) and pair)

    @property
    def quarantined_since(self) -> str:
        """Return the date of the newest entry that put it into quarantine, or empty."""
        dates = [str(item.get("at")) for item in self.entries if item.get("state") == "quarantined"]
        return dates[-1][:10] if dates else ""

    @property
    def noted_with_its_state(self) -> str:
        """Return the newest words that were noted with the state that it has; empty for none."""
        noted = [item for item in self.entries if item.get("state") == self.state and item.get("text")]
        return str(noted[-1]["text"]) if noted else ""

    def to_dict(self) -> dict[str, Any]:
        """Return the content of `cell.json`."""
        return {"format": FORMAT, **asdict(self)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], where: str = "cell") -> "Cell":
        """Return a cell from the content of `cell.json`.

        Raises:
            InputError: names `where`, the key, the value and what is accepted.
        """
        if isinstance(data, Mapping) and data.get("format", FORMAT) != FORMAT:
            raise InputError(f"{where}: {unknown('format', data['format'], (FORMAT,))}")
        table_of(data, where, ("format", *(item.name for item in fields(cls))), ("id",))
        if not isinstance(data["id"], str):
            raise InputError(f"{where}: key 'id' = {shown(data['id'])} is no text")
        try:
            values: dict[str, Any] = {"id": check_id(data["id"])}
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
        values["inspection"] = check_inspection(data.get("inspection") or {}, f"{where}: key 'inspection'")
        photos = data.get("photos") or []
        if not isinstance(photos, list) or not all(isinstance(item, str) for item in photos):
            raise InputError(f"{where}: key 'photos' = {shown(photos)} is not accepted; a list of paths is")
        values["photos"] = list(photos)
        declared = data.get("declared_rechargeable", False)
        if not isinstance(declared, bool):
            raise InputError(
                f"{where}: key 'declared_rechargeable' = {shown(declared)} is not accepted; true or false is"
            )
        values["declared_rechargeable"] = declared
        identified = data.get("identified") or {}
        if not isinstance(identified, Mapping):
            raise InputError(f"{where}: key 'identified' = {shown(identified)} is not a table")
        values["identified"] = dict(identified)
        values["entries"] = _entries(data.get("entries") or [], f"{where}: key 'entries'")
        return cls(**values)


def _entries(value: object, where: str) -> list[dict[str, Any]]:
    """Return the dated entries of a record, checked."""
    if not isinstance(value, list):
        raise InputError(f"{where} = {shown(value)} is not accepted; a list of dated entries is")
    found = []
    for number, item in enumerate(value):
        table = dict(table_of(item, f"{where}, entry {number + 1}", ENTRY_KEYS, ("at", "kind")))
        try:
            datetime.fromisoformat(str(table["at"]))
        except ValueError as error:
            raise InputError(f"{where}, entry {number + 1}: at = {shown(table['at'])} is no time") from error
        for name in ("voltage_V", "resolution_V", "mass_g"):
            if table.get(name) is not None:
                table[name] = _number(table[name], f"{where}, entry {number + 1}: {name}", negative=name == "voltage_V")
        if "inspection" in table:
            table["inspection"] = check_inspection(table["inspection"], f"{where}, entry {number + 1}: inspection")
        found.append(table)
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
