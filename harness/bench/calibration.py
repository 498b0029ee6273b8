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
from dataclasses import dataclass
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, name_shown, shown, table_of, text_of

CHANNELS = ("voltage", "current", "temperature", "time")


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a bench file says of one instrument's calibration. `date`, `due`: ISO 8601; empty: not said."""

    number: str
    date: str
    due: str = ""
    by: str = ""
    channels: tuple[str, ...] = CHANNELS
    note: str = ""


@dataclass(frozen=True)
class CalibrationTable:
    """The keys of [calibration.NAME], as they are written."""

    number: Any = None
    date: Any = None
    due: Any = None
    by: Any = ""
    channels: Any = CHANNELS
    note: Any = ""


def _day(value: Any, where: str) -> str:
    if isinstance(value, datetime.datetime):
        value = value.date()
    if isinstance(value, datetime.date):
        return value.isoformat()
    try:
        return datetime.date.fromisoformat(str(value)).isoformat()
    except ValueError as error:
        raise InputError(f"{where} = {shown(value)} is not accepted; a date such as 2026-04-17 is") from error


def calibrations_of(data: Any, instruments: Mapping[str, Any], where: str) -> dict[str, Calibration]:
    """Return the register, checked, by instrument.

    Args:
        data: The table `calibration` of a bench file; None: there is none.
        instruments: Those of the bench file.
        where: As messages name the file.

    Raises:
        InputError: no instrument of that name, a key that is not known, a date that is none, due before the date.
    """
    found: dict[str, Calibration] = {}
    for name, written in table_of(data or {}, f"{where}: calibration", tuple(instruments)).items():
        here = f"{where}: calibration.{name_shown(name)}"
        table = as_written(CalibrationTable, written, here)
        for key, value in (("number", table.number), ("date", table.date)):
            if value is None:
                raise InputError(f"{here}.{key} is missing; a calibration has a number and a date")
        channels = table.channels
        if not isinstance(channels, list | tuple) or not channels or not all(one in CHANNELS for one in channels):
            raise InputError(f"{here}.channels = {shown(channels)} is not accepted; a list of {', '.join(CHANNELS)} is")
        date = _day(table.date, f"{here}.date")
        due = "" if table.due is None else _day(table.due, f"{here}.due")
        if due and due < date:
            raise InputError(f"{here}.due = {due} is not accepted; a date after that of the calibration ({date}) is")
        number, by, note = str(table.number), text_of(table.by, f"{here}.by"), text_of(table.note, f"{here}.note")
        found[name] = Calibration(number, date, due, by, tuple(channels), note)
    return found
