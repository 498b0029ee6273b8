"""Which column of a table is which quantity: the map a person gives, and the words and units of headers.

Knows no file: a header as a list of words and a number of columns is all it is given. The map reads
`t=Time(s),i=Current(mA)*0.001`: a channel, a column by header or by number from 1, and a factor.
A channel that the map leaves out is guessed from well-known header words; what was guessed or scaled is told.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.errors import InputError

CHANNELS = ("t", "v", "i", "temp", "step", "steptime", "ah", "wh")
UNITS: dict[str, dict[str, float]] = {
    "t": {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0, "hr": 3600.0},
    "v": {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "volt": 1.0, "volts": 1.0},
    "i": {"a": 1.0, "ma": 1e-3, "ua": 1e-6, "amp": 1.0, "amps": 1.0, "ampere": 1.0},
    "temp": {"c": 1.0, "degc": 1.0, "°c": 1.0, "deg c": 1.0, "celsius": 1.0},
    "steptime": {"s": 1.0, "sec": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "ah": {"ah": 1.0, "mah": 1e-3},
    "wh": {"wh": 1.0, "mwh": 1e-3},
    "step": {},
}
# Words that headers use, the surest first; compared without unit, case and punctuation.
WORDS: dict[str, tuple[str, ...]] = {
    "t": (
        "test time", "total time", "elapsed time", "time elapsed", "run time", "time", "t", "time stamp", "timestamp",
        "elapsed", "seconds", "date time", "datetime", "zeit",
    ),
    "v": (
        "voltage", "voltage measured", "cell voltage", "measured voltage", "terminal voltage", "volt", "volts", "v",
        "u", "ucell", "ecell", "potential", "spannung",
    ),
    "i": (
        "current", "current measured", "cell current", "measured current", "amps", "amp", "i", "strom",
    ),
    "temp": (
        "temperature", "cell temperature", "temperature measured", "temp", "temperatur", "surface temperature",
        "skin temperature", "t cell", "tcell", "battery temperature",
    ),
    "steptime": ("step time",),
    "step": ("step index", "step", "step number", "step no"),
}  # fmt: skip
ENERGY_COUNTERS = {
    "counter_charge_Wh": ("charge energy", "charge wh", "wh charge", "wh in"),
    "counter_discharge_Wh": ("discharge energy", "discharge wh", "wh discharge", "wh out"),
    "counter_Wh": ("wh", "energy", "watt hours"),
}
CHARGE_COUNTERS = {
    "counter_charge_Ah": (
        "charge capacity",
        "charged capacity",
        "charge ah",
        "ah charge",
        "ah charged",
        "ah in",
        "chg ah",
    ),
    "counter_discharge_Ah": (
        "discharge capacity",
        "discharged capacity",
        "discharge ah",
        "ah discharge",
        "ah discharged",
        "ah out",
        "dis ah",
        "discharge",
        "dchg ah",
    ),
    "counter_Ah": ("ah", "capacity", "amp hours", "amphours", "charge"),
}


@dataclass(frozen=True)
class Source:
    """Where a channel comes from: a column (from 0), as a message shows it, and the factor to SI."""

    column: int
    shown: str
    factor: float
    guessed: bool = False


def parse_map(text: str) -> dict[str, str]:
    """Return the map `t=…,v=…,i=…,temp=…` as channel -> column expression.

    Raises:
        InputError: an unknown channel, one given twice, or an empty column.
    """
    out: dict[str, str] = {}
    if not text.strip():
        return out
    for part in re.split(rf",(?=\s*(?:{'|'.join(CHANNELS)})\s*=)", text):
        name, equals, column = part.partition("=")
        name, column = name.strip().lower(), column.strip()
        if not equals or name not in CHANNELS:
            raise InputError(
                f"--map: {part.strip()[:80]!r}; entries such as t=Time,v=Voltage,i=Current(mA)*0.001 are accepted"
            )
        if not column:
            raise InputError(f"--map: {name}= names no column; header text or a number from 1 is accepted")
        if name in out:
            raise InputError(f"--map: {name}= is given twice")
        out[name] = column
    return out


def sources_of(
    where: str, header: Sequence[str], width: int, mapping: Mapping[str, str], notes: list[str]
) -> dict[str, Source]:
    """Return which column each channel comes from; what was guessed or scaled goes into `notes`.

    Args:
        where: The file, as messages name it.
        header: The columns' headers; empty where the table has none.
        width: Number of columns.
        mapping: Channel -> column expression, as `parse_map` returns.
        notes: Is added to.

    Raises:
        InputError: an unknown channel, a column that is not there, one for two quantities, or no column for
            time, voltage or current.
    """
    unknown = [name for name in mapping if name not in CHANNELS]
    if unknown:
        raise InputError(f"--map: {unknown[0]!r} is no channel; {', '.join(CHANNELS)} are accepted")
    sources = {name: _named(where, header, width, name, text, notes) for name, text in mapping.items()}
    guessed = _add_guessed(header, sources)
    if "t" not in sources and "steptime" in sources and sources["steptime"].guessed:
        sources["t"] = sources.pop("steptime")
        notes.append(f"there is no other time than {sources['t'].shown}: it was taken, step after step")
    missing = [channel for channel in ("t", "v", "i") if channel not in sources]
    if missing:
        names = {"t": "time", "v": "voltage", "i": "current"}
        raise InputError(
            f"{where}: no column for {' and '.join(names[channel] for channel in missing)} was named or recognised "
            f"among {_held(header) or f'{width} columns, no header'}; "
            "name them, such as --map t=1,v=2,i=3 (header text, or number from 1)"
        )
    for one, other in (("t", "v"), ("t", "i"), ("v", "i")):
        if sources[one].column != sources[other].column:
            continue
        if one == "t" or sources[one].factor == sources[other].factor:  # a voltage over a resistor may be both
            raise InputError(
                f"{where}: --map: {one} and {other} are the same column, {sources[one].shown}; one column each is "
                "accepted, or for a current over a known resistor the voltage's with a factor, as i=Volt*-0.1"
            )
    if guessed:
        notes.append(f"columns guessed by their header: {', '.join(guessed)}")
    return sources


def bare(header: str) -> tuple[str, str]:
    """Return a header's words and its unit: 'Test_Time(s)' -> ('test time', 's')."""
    text = header.strip()
    unit = ""
    found = re.search(r"[\(\[/]\s*([^\)\]/]+?)\s*[\)\]]?\s*$", text)
    if not (found and found.start() > 0):
        found = re.search(r"[_ ](s|sec|ms|min|h|hr|V|mV|A|mA|uA|C|degC|°C|Ah|mAh|Wh|mWh)$", text)
    if found and found.start() > 0:
        unit, text = found.group(1), text[: found.start()]
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    words = re.sub(r"[^0-9A-Za-zµ°äöü]+", " ", words).strip().lower()
    return words, unit.strip()


def is_row_of_units(cells: Sequence[str]) -> bool:
    """Tell whether a line under the header names the units: at least two cells, and half of them, are units."""
    known = {unit for group in UNITS.values() for unit in group}
    return sum(cell.strip(" ()[]").lower() in known for cell in cells) >= max(2, len(cells) // 2)


def counter_of(header: str, beside_a_discharge: bool) -> tuple[str, float] | None:
    """Return the run folder's name for a column that counts charge or energy, and its factor; None for another.

    Args:
        header: The column's header.
        beside_a_discharge: The table also counts the discharge: plain 'charge' is then the counter of the charge.
    """
    words, unit = bare(header)
    unit = unit.lower()
    if unit in UNITS["ah"] or re.search(r"\b(ah|amp hours)\b", words):
        counters, factor = CHARGE_COUNTERS, UNITS["ah"].get(unit, 1.0)
        if words == "charge" and beside_a_discharge:
            return "counter_charge_Ah", factor
    elif unit in UNITS["wh"] or re.search(r"\b(wh|watt hours)\b", words):
        counters, factor = ENERGY_COUNTERS, UNITS["wh"].get(unit, 1.0)
    else:
        return None
    return next(((name, factor) for name, accepted in counters.items() if words in accepted), None)


def counts_discharge(header: Sequence[str]) -> bool:
    """Tell whether a column counts the charge that was discharged."""
    return any(bare(name)[0] in CHARGE_COUNTERS["counter_discharge_Ah"] for name in header)


def _unit_factor(channel: str, unit: str) -> float | None:
    return UNITS[channel].get(unit.strip().lower().replace("µ", "u").replace("μ", "u"))


def _held(header: Sequence[str]) -> str:
    return ", ".join(repr(name) for name in header)


def _named(where: str, header: Sequence[str], width: int, channel: str, text: str, notes: list[str]) -> Source:
    """Return the column that one entry of the map names."""
    factor = 1.0
    column = _find(header, width, text)
    scaled = False
    if column is None:  # a factor only where no header reads like that as a whole
        found = re.match(r"^(.*?)\s*([*/])\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)$", text)
        if found:
            try:
                number = float(found.group(3))
            except ValueError as error:
                raise InputError(f"--map: {channel}={text}: {found.group(3)!r} is no number") from error
            if number == 0:
                raise InputError(
                    f"--map: {channel}={text}: a factor of 0 leaves nothing; a number such as 0.001 is accepted"
                )
            factor = number if found.group(2) == "*" else 1.0 / number
            column = _find(header, width, found.group(1).strip())
            scaled = True
    if column is None:
        raise InputError(
            f"{where}: --map {channel}={text}: no such column; there are {_held(header) or f'numbers 1 to {width}'}"
        )
    shown = header[column] if header else str(column + 1)
    if not scaled and header:
        _, unit = bare(shown)
        by_unit = _unit_factor(channel, unit) if unit else None
        if by_unit is not None and by_unit != 1.0:
            factor = by_unit
            notes.append(f"{channel}: the header {shown!r} names a unit; scaled by {factor:g}")
    return Source(column, shown, factor)


def _find(header: Sequence[str], width: int, text: str) -> int | None:
    wanted = text.strip().strip('"')
    for compare in (str, str.lower, lambda name: re.sub(r"\s+", "", name).lower()):
        for index, name in enumerate(header):
            if compare(name) == compare(wanted):
                return index
    if wanted.isdigit() and 1 <= int(wanted) <= width:
        return int(wanted) - 1
    return None


def _add_guessed(header: Sequence[str], sources: dict[str, Source]) -> list[str]:
    """Add to `sources` what the header's words tell; return it as a map that says the same."""
    used = {source.column for source in sources.values()}
    told = []
    for channel in ("t", "v", "i", "temp", "steptime", "step"):
        column = None if channel in sources else _guess(header, channel, used)
        if column is None:
            continue
        factor = _unit_factor(channel, bare(header[column])[1])
        factor = 1.0 if factor is None else factor
        sources[channel] = Source(column, header[column], factor, True)
        used.add(column)
        if channel in ("t", "v", "i", "temp"):
            told.append(f"{channel}={header[column]}" + (f"*{factor:g}" if factor != 1 else ""))
    return told


def _guess(header: Sequence[str], channel: str, used: set[int]) -> int | None:
    known = [bare(name) for name in header]
    for word in WORDS[channel]:
        for index, (words, unit) in enumerate(known):
            if index in used or words != word:
                continue
            # A step has no unit; behind a time there may stand a zone or a format.
            if unit and channel not in ("step", "t") and _unit_factor(channel, unit) is None:
                continue
            return index
    if channel not in ("v", "i"):
        return None
    free = [unit for index, (_, unit) in enumerate(known) if index not in used]
    for index, (words, unit) in enumerate(known):  # by its unit alone, where no other column has it
        if index not in used and not words and unit.lower() in UNITS[channel] and free.count(unit) == 1:
            return index
    return None
