"""Which column of a table is which quantity: the map a person gives, and the words and units of headers.

Knows no file: a header as a list of words and a number of columns is all it is given. The map reads
`t=Time(s),i=Current(mA)*0.001`: a channel, a column by header or by number from 1, and a factor.
A channel that the map leaves out is guessed from well-known header words; what was guessed or scaled is told.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from amphora.harness.common.errors import InputError
from amphora.harness.importing.header_words import (
    CHANNELS,
    CLOCK_UNITS,
    KNOWN_UNITS,
    OTHERS,
    SHORT,
    SURER,
    UNITS,
    WORDS,
    WORDS_IN,
    bare,
    clock_of,
    factor_of,
    plain_word,
    unit_factor,
)


@dataclass(frozen=True)
class ColumnSource:
    """Where a channel comes from: a column (from 0), as a message shows it, and the factor to SI.

    `stated` is whether somebody said the unit: the header, a row of units, the map's factor or `--units`.
    """

    column: int
    shown: str
    factor: float
    guessed: bool = False
    stated: bool = False
    discharges: bool = False  # the header says that it counts the current out of the cell
    channel: str = ""
    clock: str | None = None  # what a clock of two figures shows: mm:ss or h:mm


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
) -> dict[str, ColumnSource]:
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
    guessed = _add_guessed(where, header, sources)
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


def _held(header: Sequence[str]) -> str:
    return ", ".join(repr(name) for name in header)


def _named(where: str, header: Sequence[str], width: int, channel: str, text: str, notes: list[str]) -> ColumnSource:
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
        by_unit = factor_of(channel, unit) if unit else None
        if by_unit is not None and by_unit != 1.0:
            factor = by_unit
            notes.append(f"{channel}: the header {shown!r} names a unit; scaled by {factor:g}")
        return ColumnSource(column, shown, factor, False, by_unit is not None, False, channel, clock_of(shown))
    return ColumnSource(column, shown, factor, False, scaled, False, channel)


def _find(header: Sequence[str], width: int, text: str) -> int | None:
    wanted = text.strip().strip('"')
    for compare in (str, str.lower, lambda name: re.sub(r"\s+", "", name).lower()):
        for index, name in enumerate(header):
            if compare(name) == compare(wanted):
                return index
    if wanted.isdigit() and 1 <= int(wanted) <= width:
        return int(wanted) - 1
    return None


def _add_guessed(where: str, header: Sequence[str], sources: dict[str, ColumnSource]) -> list[str]:
    """Add to `sources` what the header's words tell; return it as a map that says the same."""
    used = {source.column for source in sources.values()}
    told = []
    for channel in ("steptime", "t", "v", "i", "temp", "step"):
        column = None if channel in sources else _guess(where, header, channel, used)
        if column is None:
            continue
        words, unit = bare(header[column])
        factor = factor_of(channel, unit)
        out = channel == "i" and "discharge" in words.split() and "charge" not in words.split()
        stated = factor is not None and channel != "step"
        sources[channel] = ColumnSource(
            column,
            header[column],
            1.0 if factor is None else factor,
            True,
            stated,
            out,
            channel,
            clock_of(header[column]),
        )
        used.add(column)
        if channel in ("t", "v", "i", "temp"):
            told.append(f"{channel}={header[column]}" + (f"*{factor:g}" if factor not in (None, 1.0) else ""))
    return told


def _other_unit(channel: str, unit: str) -> bool:
    """Tell whether a unit is that of another quantity."""
    word = plain_word(unit)
    return bool(word) and word in KNOWN_UNITS and word not in UNITS[channel]


def _guess(where: str, header: Sequence[str], channel: str, used: set[int]) -> int | None:
    known = [bare(name) for name in header]
    for word in WORDS[channel]:
        for index, (words, unit) in enumerate(known):
            if index in used or words != word or _other_unit(channel, unit):
                continue
            # A step has no unit; behind a time there may stand a zone or a format.
            if unit and channel not in ("step", "t") and factor_of(channel, unit) is None:
                continue
            if channel == "t" and word not in ("test time", "total time", "elapsed time") and not unit:
                continue  # one that says its unit first: below
            return index
    if channel in ("step", "steptime"):
        return None
    best = _best_by_words(where, header, channel, used)
    if best is not None:
        return best
    if channel not in ("t", "v", "i"):
        return None
    free = [plain_word(unit) for index, (_, unit) in enumerate(known) if index not in used]
    for index, (words, unit) in enumerate(known):  # by its unit alone, where no other column has it
        word = plain_word(unit)
        if index not in used and word in UNITS[channel] and (not words or channel != "t") and free.count(word) == 1:
            if words and set(plain_word(words).split()) & OTHERS:
                continue
            return index
    return None


def _best_by_words(where: str, header: Sequence[str], channel: str, used: set[int]) -> int | None:
    """Return the column that most looks like the channel by single words of its header; None for no such."""
    scored: list[tuple[float, int]] = []
    for index, name in enumerate(header):
        words, unit = bare(name)
        if index in used or _other_unit(channel, unit):
            continue
        tokens = set(plain_word(words).split()) | set(words.split())
        if not tokens & WORDS_IN[channel] or tokens & OTHERS:
            continue
        if channel == "temp" and unit and factor_of("temp", unit) is None:
            continue
        if channel in ("v", "i") and unit and factor_of(channel, unit) is None:
            continue
        score = 1.0 + 0.5 * len(tokens & SURER) - 0.05 * len(tokens)
        if channel == "t":
            score += 1.5 if factor_of("t", unit) is not None else 0.0
            score -= 0.5 * bool(tokens & {"uhrzeit", "clock"})  # beside a date
        elif unit:
            score += 0.5
        scored.append((score, index))
    scored.sort(key=lambda one: (-one[0], one[1]))
    if not scored:
        return None
    if channel in ("v", "i") and len(scored) > 1 and scored[0][0] == scored[1][0]:
        names = [header[index] for score, index in scored if score == scored[0][0]]
        raise InputError(
            f"{where}: {' and '.join(repr(name) for name in names[:4])} both may be the cell's "
            f"{'voltage' if channel == 'v' else 'current'}; name one, as --map {channel}={names[0]}, or "
            "one cell's columns by what they are called, as --which 1"
        )
    return scored[0][1]


def with_units(sources: Mapping[str, ColumnSource], units: Mapping[str, str]) -> dict[str, ColumnSource]:
    """Return the sources with the units that somebody stated: channel -> unit, as `parse_units` gives them."""
    out = dict(sources)
    for channel, unit in units.items():
        if channel in out:
            clock = unit.strip().lower()
            if channel == "t" and clock in CLOCK_UNITS:
                out[channel] = replace(out[channel], clock=clock)
            else:
                out[channel] = replace(out[channel], factor=unit_factor(channel, unit) or 1.0, stated=True)
    return out


def parse_units(text: str) -> dict[str, str]:
    """Return `t=min,i=mA` as channel -> unit.

    Raises:
        InputError: an unknown channel or unit, or one given twice.
    """
    out: dict[str, str] = {}
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        name, equals, unit = (piece.strip() for piece in part.partition("="))
        name = name.lower()
        if not equals or name not in ("t", "v", "i"):
            raise InputError(f"--units: {part[:60]!r}; entries such as t=min,v=mV,i=mA are accepted")
        if name in out:
            raise InputError(f"--units: {name}= is given twice")
        if unit_factor(name, unit) is None:
            accepted = [*SHORT[name].values(), *(CLOCK_UNITS if name == "t" else ())]
            raise InputError(f"--units: {name}={unit[:30]!r}; {', '.join(accepted)} are accepted")
        out[name] = unit
    return out


def one_cells_header(where: str, header: Sequence[str], which: str) -> list[str] | None:
    """Return the header with the columns of one cell only, the others' emptied; None where no columns are numbered.

    `Voltage 1, Voltage 2` with `which` = 1 is `Voltage, ` (columns keep their places).
    """
    tails: dict[int, str] = {}
    for index, name in enumerate(header):
        words, _ = bare(name)
        tokens = words.split()
        if len(tokens) > 1 and (set(map(plain_word, tokens[:-1])) & (WORDS_IN["v"] | WORDS_IN["i"] | WORDS_IN["temp"])):
            tails[index] = tokens[-1]
    if which.strip().lower() not in tails.values():
        return None
    out = []
    for index, name in enumerate(header):
        if index not in tails:
            out.append(name)
        elif tails[index] != which.strip().lower():
            out.append("")
        else:
            out.append(
                re.sub(r"[\s_#.-]*" + re.escape(which.strip()) + r"(?=\W*(?:[(\[/,].*)?$)", " ", name, flags=re.I)
            )
    return out
