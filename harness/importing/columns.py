"""Which column of a table is which quantity: the map a person gives, and the words and units of headers.

Knows no file: a header as a list of words and a number of columns is all it is given. The map reads
`t=Time(s),i=Current(mA)*0.001`: a channel, a column by header or by number from 1, and a factor.
A channel that the map leaves out is guessed from well-known header words; what was guessed or scaled is told.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import replace

from amphora.harness.common.errors import InputError
from amphora.harness.importing.header_words import (
    ANOTHER_TIME,
    CHARGE_COUNTERS,
    CLOCK_UNITS,
    ENERGY_COUNTERS,
    MEANS,
    NO_UNIT,
    OTHERS,
    OUT_OF_THE_CELL,
    SHORT,
    SURER,
    UNITS,
    WORDS,
    WORDS_IN,
    with_factor,
)
from amphora.harness.importing.sources import Source, Sources

CHANNELS = ("t", "v", "i", "temp", "step", "steptime", "ah", "wh")


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


def sources_of(where: str, header: Sequence[str], width: int, mapping: Mapping[str, str], notes: list[str]) -> Sources:
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
    of_step = sources.get("steptime")
    if "t" not in sources and of_step is not None and of_step.guessed:
        del sources["steptime"]
        sources["t"] = of_step
        notes.append(f"there is no other time than {of_step.shown}: it was taken, step after step")
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
    return Sources(sources)


def plain_word(text: str) -> str:
    """Return a text in lower case, without accents, the letter for a millionth as `u`."""
    text = text.replace("µ", "u").replace("μ", "u").replace("ł", "l").replace("Ł", "L").replace("ı", "i")
    text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return re.sub(r"\s+", " ", text).strip().lower()


_KNOWN_UNITS = {unit for group in UNITS.values() for unit in group} | NO_UNIT
_WORD_UNITS = {unit for unit in _KNOWN_UNITS if len(unit) > 1 and not unit.startswith(("°", "%"))} | {
    "s",
    "h",
    "v",
    "a",
}
_AMBIGUOUS = {"min", "timer", "hora", "heure", "ora", "volt", "volts", "amp", "amps", "dia", "1", "k"}


def _unit_last(text: str) -> str:
    """Return a header with its unit behind its words: '[min] Time' and 's Time' -> 'Time (min)'."""
    found = re.match(r"^[\[(<{]\s*([^\])>}]+?)\s*[\])>}]\s*([^\W\d].*)$", text) or re.match(
        r"^(\w{1,3}) (\w{2,})$", text
    )
    if found is None or plain_word(found.group(1)) not in _KNOWN_UNITS:
        return text
    word = plain_word(found.group(2))
    known = any(word in words or word.split()[0] in words for words in WORDS_IN.values())
    return f"{found.group(2)} ({found.group(1)})" if known else text


_IN = ("in", "en")
UNITS_OF_TIME, WORDS_OF_TIME = UNITS["t"], WORDS_IN["t"]
UNITS_OF_CHARGE, UNITS_OF_ENERGY = UNITS["ah"], UNITS["wh"]
_BRACKETS = str.maketrans("（）［］{}<>【】", "()[]()()()")


def bare(header: str) -> tuple[str, str]:
    """Return a header's words and its unit: 'Test_Time(s)' -> ('test time', 's').

    A unit stands in brackets, after a slash or a comma, or is the last word, with or without `in` before it.
    """
    text = _unit_last(header.strip().translate(_BRACKETS))
    if " " in text and plain_word(text) in _KNOWN_UNITS:
        return "", plain_word(text)
    text, unit = _unit_behind(text)
    words = re.sub(r"(?<=[a-z]{2})(?=[A-Z][a-z])", " ", text)
    tokens = re.sub(r"[^\w°]+|_", " ", words).lower().split()
    return _unit_among(tokens, text) if tokens and not unit else (" ".join(tokens), unit.strip())


def _unit_behind(text: str) -> tuple[str, str]:
    """Return a header without the unit that stands in brackets or behind a mark, and that unit; "" for none."""
    found = re.search(r"[\(\[/]\s*([^\)\]/\(\[]+?)\s*[\)\]]?\s*$", text)
    if found is None or found.start() == 0:
        found = re.search(r",\s*([^\W\d]+)\s*$", text)
    if found is None or found.start() == 0:
        return text, ""
    unit, text = found.group(1), text[: found.start()]
    known, comma, remark = unit.partition(",")
    if comma and plain_word(known) in _KNOWN_UNITS:  # Current (A, discharge positive)
        return f"{text} {remark}", known.strip()
    return text, unit


def _unit_among(tokens: list[str], text: str) -> tuple[str, str]:
    """Return the words of a header and the unit that is one of them; `text`: as it is written."""
    last = plain_word(tokens[-1])
    written = re.split(r"[\W_]+", text.strip())[-1]
    if len(tokens) > 1 and last in _WORD_UNITS | {"c", "f", "d"}:
        spelled = len(last) > 2 or tokens[-2] in _IN or re.search(r"[_.\s]" + re.escape(written) + r"$", text)
        if not (spelled or re.search(r"[a-z][A-Z][a-z]", text)):
            return " ".join(tokens), ""
        words = tokens[:-1] if tokens[-2] not in _IN else tokens[:-2]
        return " ".join(words), (written if len(written) <= 3 else last).strip()
    if len(tokens) == 2 and len(tokens[0]) > 3 and tokens[0] in UNITS_OF_TIME and last in WORDS_OF_TIME:
        return last, tokens[0]  # seconds elapsed
    if len(tokens) == 1 and last in _WORD_UNITS and len(last) > 2 and last != "min":
        return "", last  # only a unit: that is what the column holds
    return " ".join(tokens), ""


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit of time, voltage, current, temperature, charge or energy."""
    return any(plain_word(text) in group for group in UNITS.values())


def known_headers(header: Sequence[str]) -> int:
    """Return how many headers hold a word that is known; that tells in which encoding a header was written."""
    words = frozenset().union(*WORDS_IN.values())
    return sum(bool(words & {*plain_word(bare(name)[0]).split(), *bare(name)[0].split()}) for name in header)


def is_row_of_units(cells: Sequence[str]) -> bool:
    """Tell whether a line under the header names the units: at least two cells, and half of them, are units."""
    return sum(plain_word(cell.strip(' ()[]"')) in _KNOWN_UNITS for cell in cells) >= max(2, len(cells) // 2)


def counter_of(header: str, beside_a_discharge: bool) -> tuple[str, float] | None:
    """Return the run folder's name for a column that counts charge or energy, and its factor; None for another.

    Args:
        header: The column's header.
        beside_a_discharge: The table also counts the discharge: plain 'charge' is then the counter of the charge.
    """
    words, unit = bare(header)
    unit = unit.lower()
    if unit in UNITS_OF_CHARGE or re.search(r"\b(ah|amp hours)\b", words):
        counters, factor = CHARGE_COUNTERS, UNITS_OF_CHARGE.get(unit, 1.0)
        if words == "charge" and beside_a_discharge:
            return "counter_charge_Ah", factor
    elif unit in UNITS_OF_ENERGY or re.search(r"\b(wh|watt hours)\b", words):
        counters, factor = ENERGY_COUNTERS, UNITS_OF_ENERGY.get(unit, 1.0)
    else:
        return None
    return next(((name, factor) for name, accepted in counters.items() if words in accepted), None)


def counts_discharge(header: Sequence[str]) -> bool:
    """Tell whether a column counts the charge that was discharged."""
    return any(bare(name)[0] in CHARGE_COUNTERS["counter_discharge_Ah"] for name in header)


def _unit_factor(channel: str, unit: str) -> float | None:
    """Return the factor to SI of a unit, also of one with a factor of its own: `10^3 s`; None for none."""
    for written in (unit.strip(), plain_word(unit).rstrip(".")):
        if written in UNITS[channel]:
            return UNITS[channel][written]
    scaled = with_factor(unit)
    if scaled is None:
        return None
    own = UNITS[channel].get(plain_word(scaled[1]))
    return None if own is None else scaled[0] * own


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
        return Source(column, shown, factor, False, by_unit is not None, False, channel, _clock_of(shown))
    return Source(column, shown, factor, False, scaled, False, channel)


def _find(header: Sequence[str], width: int, text: str) -> int | None:
    wanted = text.strip().strip('"')
    for compare in (str, str.lower, lambda name: re.sub(r"\s+", "", name).lower()):
        for index, name in enumerate(header):
            if compare(name) == compare(wanted):
                return index
    if wanted.isdigit() and 1 <= int(wanted) <= width:
        return int(wanted) - 1
    return None


def _add_guessed(where: str, header: Sequence[str], sources: dict[str, Source]) -> list[str]:
    """Add to `sources` what the header's words tell; return it as a map that says the same."""
    used = {source.column for source in sources.values()}
    told = []
    for channel in ("steptime", "t", "v", "i", "temp", "step"):
        column = None if channel in sources else _guess(where, header, channel, used)
        if column is None:
            continue
        words, unit = bare(header[column])
        factor = _unit_factor(channel, unit)
        out = channel == "i" and bool(OUT_OF_THE_CELL & set(words.split())) and "charge" not in words.split()
        stated = factor is not None and channel != "step"
        sources[channel] = Source(
            column,
            header[column],
            1.0 if factor is None else factor,
            True,
            stated,
            out,
            channel,
            _clock_of(header[column]),
        )
        used.add(column)
        if channel in ("t", "v", "i", "temp"):
            told.append(f"{channel}={header[column]}" + (f"*{factor:g}" if factor not in (None, 1.0) else ""))
    return told


def _other_unit(channel: str, unit: str) -> bool:
    """Tell whether a unit is that of another quantity."""
    word = plain_word(unit)
    return bool(word) and word in _KNOWN_UNITS and word not in UNITS[channel]


def _guess(where: str, header: Sequence[str], channel: str, used: set[int]) -> int | None:
    """Return the column that most looks like a channel; None for no such."""
    known = [bare(name) for name in header]
    found = _by_its_name(known, channel, used)
    if found is not None or channel in ("step", "steptime"):
        return found
    found = _best_by_words(where, header, channel, used)
    if found is None:  # the mean of a row, the current of a load: where there is nothing nearer
        found = _best_by_words(where, header, channel, used, MEANS)
    return _by_its_unit(known, channel, used) if found is None and channel in ("t", "v", "i") else found


def _by_its_name(known: Sequence[tuple[str, str]], channel: str, used: set[int]) -> int | None:
    """Return the column whose header is a usual name of the channel, the surest first."""
    for word in WORDS[channel]:
        for index, (words, unit) in enumerate(known):
            if index in used or words != word or _other_unit(channel, unit):
                continue
            # A step has no unit; behind a time there may stand a zone or a format.
            if unit and channel not in ("step", "t") and _unit_factor(channel, unit) is None:
                continue
            if channel == "t" and word not in ("test time", "total time", "elapsed time") and not unit:
                continue  # one that says its unit first: below
            return index
    return None


def _by_its_unit(known: Sequence[tuple[str, str]], channel: str, used: set[int]) -> int | None:
    """Return the column that is the channel's by its unit alone, where no other column has it."""
    free = [plain_word(unit) for index, (_, unit) in enumerate(known) if index not in used]
    for index, (words, unit) in enumerate(known):
        word = plain_word(unit)
        if index in used or word not in UNITS[channel] or free.count(word) != 1:
            continue
        tokens = set(plain_word(words).split())
        if words and (tokens & (OTHERS | ANOTHER_TIME) or any(len(token) > 18 for token in tokens)):
            continue
        if channel == "t" and words and words.isascii():
            continue  # a word of ours that is none of time's may say what else it counts
        return index
    return None


def _best_by_words(
    where: str, header: Sequence[str], channel: str, used: set[int], let: frozenset[str] = frozenset()
) -> int | None:
    """Return the column that most looks like the channel by single words of its header; None for no such."""
    scores = {
        index: score
        for index, name in enumerate(header)
        if index not in used and (score := _score(*bare(name), channel, let)) is not None
    }
    if not scores:
        return None
    most = max(scores.values())
    best = [index for index, score in scores.items() if score == most]
    if channel in ("v", "i") and len(best) > 1:
        names = [header[index] for index in best]
        raise InputError(
            f"{where}: {' and '.join(repr(name) for name in names[:4])} both may be the cell's "
            f"{'voltage' if channel == 'v' else 'current'}; name one, as --map {channel}={names[0]}, or "
            "one cell's columns by what they are called, as --which 1"
        )
    return best[0]


def _score(words: str, unit: str, channel: str, let: frozenset[str]) -> float | None:
    """Return how much a header's words and unit look like a channel's; None where they are another quantity's."""
    tokens = set(plain_word(words).split()) | set(words.split())
    if _other_unit(channel, unit) or not tokens & WORDS_IN[channel] or tokens & (OTHERS - let):
        return None
    score = 1.0 + 0.5 * len(tokens & SURER) - 0.05 * len(tokens)
    known = _unit_factor(channel, unit) is not None
    if channel != "t":
        return None if unit and not known else score + (0.5 if unit else 0.0)
    if tokens & ANOTHER_TIME:
        return None
    return score + (1.5 if known else 0.0) - 0.5 * bool(tokens & {"uhrzeit", "clock"})  # beside a date


def _clock_of(header: str) -> str | None:
    """Return which clock of two figures a header names: 'Time (mm:ss)' -> 'mm:ss'."""
    if re.search(r"\bm(?:m|in)?:s", header, re.I) and not re.search(r"h:m", header, re.I):
        return "mm:ss"
    return "h:mm" if re.search(r"\bh{1,2}:mm(?!:)", header, re.I) else None


def with_units(sources: Sources, units: Mapping[str, str]) -> Sources:
    """Return the sources with the units that somebody stated: channel -> unit, as `parse_units` gives them."""
    changed = {}
    for channel, unit in units.items():
        source, clock = sources.by_channel.get(channel), unit.strip().lower()
        if source is not None and channel == "t" and clock in CLOCK_UNITS:
            changed[channel] = replace(source, clock=clock)
        elif source is not None:
            changed[channel] = source.in_unit(unit_factor(channel, unit) or 1.0)
    return sources.changed(**changed)


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


def unit_factor(channel: str, unit: str) -> float | None:
    """Return the factor to SI of a unit as somebody gave it, None for none; `t` may also be mm:ss or h:mm."""
    if channel == "t" and unit.strip().lower() in CLOCK_UNITS:
        return CLOCK_UNITS[unit.strip().lower()]
    return _unit_factor(channel, unit)


NUMBERED_WORDS = frozenset().union(*(WORDS_IN[channel] for channel in ("v", "i", "temp")))


def one_cells_header(where: str, header: Sequence[str], which: str) -> list[str] | None:
    """Return the header with the columns of one cell only, the others' emptied; None where no columns are numbered.

    `Voltage 1, Voltage 2` with `which` = 1 is `Voltage, ` (columns keep their places).
    """
    tails: dict[int, str] = {}
    for index, name in enumerate(header):
        words, _ = bare(name)
        tokens = words.split()
        if len(tokens) > 1 and (set(map(plain_word, tokens[:-1])) & NUMBERED_WORDS):
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
