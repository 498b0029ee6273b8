"""The register of calibrations in a bench file: `[calibration.NAME]`, NAME being one of its instruments.

    [calibration.load]
    number = "C-2026-0417"
    date = 2026-04-17
    due = 2027-04-17
    by = "county measuring office"
    channels = ["voltage", "current"]

What is written there is copied into each run, so that a certificate can say on what its uncertainties rest.
"""

import datetime
from collections.abc import Mapping
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import name_shown, shown, table_of, text_of

KEYS = ("number", "date", "due", "by", "channels", "note")
CHANNELS = ("voltage", "current", "temperature", "time")


def _day(value: Any, where: str) -> str:
    if isinstance(value, datetime.datetime):
        value = value.date()
    if isinstance(value, datetime.date):
        return value.isoformat()
    try:
        return datetime.date.fromisoformat(str(value)).isoformat()
    except ValueError as error:
        raise InputError(f"{where} = {shown(value)} is not accepted; a date such as 2026-04-17 is") from error


def calibrations_of(data: Any, instruments: Mapping[str, Any], where: str) -> dict[str, dict[str, Any]]:
    """Return the register, checked: by instrument `number`, `date`, `due` (ISO 8601), `by`, `channels`, `note`.

    Args:
        data: The table `calibration` of a bench file; None: there is none.
        instruments: Those of the bench file.
        where: As messages name the file.

    Raises:
        InputError: no instrument of that name, a key that is not known, a date that is none, due before the date.
    """
    found: dict[str, dict[str, Any]] = {}
    for name, written in table_of(data or {}, f"{where}: calibration", tuple(instruments)).items():
        here = f"{where}: calibration.{name_shown(name)}"
        table = table_of(written, here, KEYS)
        for key in ("number", "date"):
            if key not in table:
                raise InputError(f"{here}.{key} is missing; a calibration has a number and a date")
        channels = table.get("channels", list(CHANNELS))
        if not isinstance(channels, list) or not channels or not all(one in CHANNELS for one in channels):
            raise InputError(f"{here}.channels = {shown(channels)} is not accepted; a list of {', '.join(CHANNELS)} is")
        date = _day(table["date"], f"{here}.date")
        due = _day(table["due"], f"{here}.due") if "due" in table else ""
        if due and due < date:
            raise InputError(f"{here}.due = {due} is not accepted; a date after that of the calibration ({date}) is")
        found[name] = {
            "number": text_of(str(table["number"]), f"{here}.number"),
            "date": date,
            "due": due,
            "by": text_of(table["by"], f"{here}.by") if "by" in table else "",
            "channels": list(channels),
            "note": text_of(table["note"], f"{here}.note") if "note" in table else "",
        }
    return found
