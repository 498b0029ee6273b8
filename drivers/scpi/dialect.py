"""Dialects: command tables in TOML, checked when they are loaded, so that a typing error in a
user's table is one sentence before anything is switched on.

A dialect says how a family of instruments is spoken to; `drivers.scpi.load`, `drivers.scpi.supply` and
`drivers.scpi.meter` drive any instrument through one, and the simulated servers answer by the same
table turned round. Commands are written in the notation of the SCPI standard, as manuals print
them: capitals are the short form, square brackets may be left out, `{value}`, `{channel}`,
`{mode}`, `{state}` are filled in. docs/dialects.md describes every key.
"""

import dataclasses
import functools
import math
import re
import tomllib
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from amphora.drivers.described import check_keys, shown
from amphora.drivers.errors import DescriptionError
from amphora.drivers.polled.table import Speech, translate

FORMAT = "amphora-dialect/1"
SHIPPED = "drivers/scpi/dialects/"
ROLES = ("load", "supply", "meter")
MODES = ("current", "resistance", "power", "voltage")
# Which settings a role may have, and their unit. "cutoff" is a load's own low-voltage cut-off.
SETTINGS: Mapping[str, Mapping[str, str]] = {
    "load": {
        "current": "A", "resistance": "ohm", "power": "W", "voltage": "V", "cutoff": "V", "over_current": "A",
    },
    "supply": {"voltage": "V", "current": "A", "over_voltage": "V", "over_current": "A", "off_timer": "s"},
    "meter": {},
}  # fmt: skip
# The instrument's own protections, by the setting they are armed with, as a person calls them.
PROTECTIONS: Mapping[str, str] = {
    "cutoff": "low-voltage cut-off", "over_current": "over-current protection",
    "over_voltage": "over-voltage protection", "off_timer": "off-timer",
}  # fmt: skip
MEASURED: Mapping[str, str] = {"voltage": "V", "current": "A", "temperature": "degC", "power": "W"}
KEYS_OF_READING: Mapping[str, str] = {
    "voltage": "voltage_V", "current": "current_A", "temperature": "temperature_degC", "power": "power_W",
}  # fmt: skip

TOP = ("format", "name", "role", "about", "identity", "ask", "channels", "link", "errors", "output", "modes",
       "settings", "measure", "power_on", "remote_sense", "behaviour")  # fmt: skip
LINK = ("pause_s", "compound", "spelling", "remote", "select", "select_query", "read_termination",
        "write_termination", "lone_terminator")  # fmt: skip
ERRORS = ("query", "none", "event_register")
OUTPUT = ("on", "off", "query", "state", "states", "settle_s")
MODE = ("set", "query", "needed_before_level", "words", "answers")
SETTING = ("set", "query", "decimals", "step", "low", "high", "scale", "enable", "disable", "protection_tripped",
           "renewable")  # fmt: skip
MEASURE = ("voltage", "current", "temperature", "power", "all", "fields", "separator", "units", "current_sign")
POWER_ON = ("query", "off")
SENSE = ("on", "off", "query")
BEHAVIOUR = ("cutoff_latches", "power_on_off", "measures_with_output_off", "refresh_s", "clients",
             "lowest_working_voltage", "off_when_silent_s")  # fmt: skip
PLACES = frozenset({"value", "channel", "mode", "state"})
_PIECES = re.compile(r"\{(\w+)\}")
MOST = 1e15  # no number of a description is beyond


class Command:
    """One command of a table: the text that is sent, and the texts that mean it.

    Args:
        notation: As a manual prints it, `[SOURce:]VOLTage[:LEVel] {value}`.
        long: Send the long form of every word (some instruments know no other).
    """

    def __init__(self, notation: str, long: bool = False) -> None:
        self.notation = notation
        self.is_query = "?" in notation
        bare = re.sub(r"\[[^\]]*\]", "", notation)
        pieces = _PIECES.split(bare)  # text, place, text, place, ...
        for odd in range(0, len(pieces), 2):
            pieces[odd] = pieces[odd].upper() if long else _without_lower(pieces[odd])
        self.template = "".join(piece if n % 2 == 0 else "{" + piece + "}" for n, piece in enumerate(pieces))
        self.places = frozenset(pieces[1::2])

    def send(self, **values: object) -> str:
        """Return the text to send."""
        return self.template.format(**values) if self.places else self.template

    @functools.cached_property
    def pattern(self) -> re.Pattern[str]:
        """What a server takes for this command: long and short forms, optional words, any case."""
        return re.compile(_pattern_of(self.notation), re.IGNORECASE)


def _without_lower(text: str) -> str:
    """Drop small letters outside quotes: what is left is the short form."""
    parts = text.split('"')
    return '"'.join(part if n % 2 else re.sub(r"[a-z]+", "", part) for n, part in enumerate(parts))


def _pattern_of(notation: str) -> str:
    head, blank, tail = notation.partition(" ")
    built = ":?"
    for match in re.finditer(r"\[|\]|\{(\w+)\}|[A-Za-z]+|.", head):
        piece = match.group(0)
        if piece == "[":
            built += "(?:"
        elif piece == "]":
            built += ")?"
        elif match.group(1):
            built += _place_pattern(match.group(1))
        elif piece.isalpha() and len(piece) > 1:
            short = "".join(letter for letter in piece if letter.isupper()) or piece
            rest = re.escape(piece[len(short) :])
            built += re.escape(short) + (f"(?:{rest})?" if rest else "")
        else:
            built += re.escape(piece)
    if blank:
        built += r"\s+"
        for n, piece in enumerate(_PIECES.split(tail)):
            built += _place_pattern(piece) if n % 2 else _literal_pattern(piece)
    return built.replace(r":?\:", ":?") + r"\s*"


def _literal_pattern(text: str) -> str:
    built = ""
    for match in re.finditer(r"([A-Z]+)([a-z]*)|\s+|.", text):
        if match.group(1):
            rest = match.group(2)
            built += re.escape(match.group(1)) + (f"(?:{re.escape(rest)})?" if rest else "")
        elif match.group(0).isspace():
            built += r"\s*"
        else:
            built += re.escape(match.group(0))
    return built


def _place_pattern(name: str) -> str:
    return r"(?P<channel>[0-9]+)" if name == "channel" else rf"(?P<{name}>[^\s,;]+)"


@dataclass(frozen=True)
class Setting:
    """One thing that can be set: how, in what places and range, and how coarsely it reads back.

    `step`: what is read back may differ by this much, in SI. `scale`: SI units in one unit of the
    instrument (60 for a timer that counts minutes). `tripped`: asks whether this protection has
    switched the instrument off. `renewable`: a timer that is set anew while the output is on begins anew.
    """

    set: Command | None
    query: Command | None
    decimals: int
    step: float
    low: float
    high: float
    scale: float
    enable: tuple[Command, ...]
    disable: tuple[Command, ...]
    unit: str
    tripped: Command | None = None
    renewable: bool = False


@dataclass(frozen=True)
class Dialect:
    """A checked command table. `where`: the file it came from."""

    name: str
    role: str
    about: str
    where: str
    identity: tuple[re.Pattern[str], ...]
    ask: int | None
    channels: int
    pause_s: float
    compound: bool
    remote: tuple[Command, ...]
    select: Command | None
    select_query: Command | None
    read_termination: str
    write_termination: str
    lone_terminator: bool
    error_query: Command | None
    error_none: tuple[str, ...]
    event_register: Command | None
    on: Command | None
    off: Command | None
    on_query: Command | None
    states: tuple[str, str]
    settle_s: float
    mode_set: Command | None
    mode_query: Command | None
    mode_needed_before_level: bool
    mode_words: Mapping[str, str]
    mode_answers: Mapping[str, tuple[str, ...]]
    settings: Mapping[str, Setting]
    measure: Mapping[str, Command]
    measure_all: Command | None
    fields: tuple[str, ...]
    separator: str
    units: bool
    current_sign: int
    power_on_query: Command | None
    power_on_off_answers: tuple[str, ...]
    sense_on: Command | None
    sense_off: Command | None
    sense_query: Command | None
    cutoff_latches: bool | None
    power_on_off: bool | None
    measures_with_output_off: bool
    refresh_s: float
    clients: int
    lowest_working_V: float = 0.0
    off_when_silent_s: float = 0.0
    speech: Speech | None = None  # how its words are said where it does not speak SCPI
    data: Mapping[str, Any] = field(default_factory=dict, repr=False)

    @property
    def shipped(self) -> bool:
        """Whether it is one of those that ship, which fit an instrument only nearly."""
        return self.where.startswith(SHIPPED)

    @property
    def long_words(self) -> bool:
        """Whether whole words are sent instead of their short forms."""
        return bool(self.data.get("link", {}).get("spelling") == "long")

    def matches(self, identity: str) -> bool:
        """Whether an `*IDN?` answer is of this family."""
        return any(pattern.search(identity) for pattern in self.identity)


# -- loading ---------------------------------------------------------------------------------------


def load_dialect(which: str) -> Dialect:
    """Return a dialect by the name of one that ships, or by the path of a TOML file.

    Raises:
        DescriptionError: no such dialect, or its table is wrong: file, key, value, what is accepted.
    """
    shipped = _shipped()
    if which in shipped:
        return shipped[which]
    path = Path(which)
    if not (which.endswith(".toml") or path.parent != Path()):
        raise DescriptionError(
            f"dialect {shown(which)} is not known; {', '.join(shipped)} or the path of a .toml file are"
        )
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        if which in _read_before:  # gone, and an instrument still has to be switched off by it
            return _read_before[which]
        raise DescriptionError(f"dialect {which}: cannot be read: {error}") from error
    _read_before[which] = parse_dialect(text, which)
    return _read_before[which]


_read_before: dict[str, Dialect] = {}  # dialects of one's own, by path


def shipped_dialects() -> Mapping[str, Dialect]:
    """Return every dialect that ships, by name."""
    return _shipped()


@functools.cache
def _shipped() -> dict[str, Dialect]:
    found = {}
    folder = resources.files("amphora.drivers.scpi") / "dialects"
    for one in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if one.name.endswith(".toml"):
            dialect = parse_dialect(one.read_text(encoding="utf-8"), f"{SHIPPED}{one.name}")
            found[dialect.name] = dialect
    return found


def candidates(role: str, identity: str) -> list[Dialect]:
    """Return the dialects to try for a role: those matching `*IDN?`, else the generic ones in order."""
    of_role = [one for one in _shipped().values() if one.role == role]
    matching = [one for one in of_role if one.matches(identity)]
    if matching:
        return matching[:1]
    return sorted((one for one in of_role if one.ask is not None), key=lambda one: (one.ask, one.name))


def parse_dialect(text: str, where: str) -> Dialect:
    """Check a dialect's TOML.

    Raises:
        DescriptionError: one sentence with the file, the key, the value and what is accepted.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise DescriptionError(f"{where}: is not TOML: {error}") from error
    return dialect_of_table(data, where)


def dialect_of_table(data: Mapping[str, Any], where: str) -> Dialect:
    """Return a dialect of a table that has been read already: of an order to switch off, say. As `parse_dialect`."""
    if "protocol" not in data:
        return _Reader(data, where).dialect()
    plain, speech = translate(data, where)
    return dataclasses.replace(_Reader(plain, where).dialect(), speech=speech, data=data)


class _Reader:
    """Reads one table key by key; whatever is wrong is said with its key."""

    def __init__(self, data: Mapping[str, Any], where: str) -> None:
        self.data, self.where = data, where
        self.long = False
        self.channelled = False
        role = data.get("role", "")
        self.role = role if isinstance(role, str) else shown(role)

    def fail(self, key: str, value: object, accepted: str) -> DescriptionError:
        return DescriptionError(f"{self.where}: {key} = {shown(value)} is not accepted; {accepted}")

    def table(self, parent: Mapping[str, Any], key: str, allowed: Sequence[str], prefix: str = "") -> Mapping[str, Any]:
        value = parent.get(key, {})
        name = f"{prefix}{key}"
        if not isinstance(value, Mapping):
            raise self.fail(name, value, "a table is")
        self.known(value, allowed, name)
        return value

    def known(self, table: Mapping[str, Any], allowed: Sequence[str], name: str) -> None:
        check_keys(table, allowed, f"{self.where}: {name}" if name else self.where)

    def text(self, table: Mapping[str, Any], key: str, name: str, default: str = "") -> str:
        value = table.get(key, default)
        if not isinstance(value, str):
            raise self.fail(f"{name}{key}", value, "a text in quotes is")
        return value

    def texts(self, table: Mapping[str, Any], key: str, name: str) -> tuple[str, ...]:
        value = table.get(key, [])
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise self.fail(f"{name}{key}", value, "a list of texts is")
        return tuple(value)

    def number(
        self, table: Mapping[str, Any], key: str, name: str, default: float, low: float = 0.0, high: float = math.inf
    ) -> float:
        value = table.get(key, default)
        no_number = isinstance(value, bool) or not isinstance(value, int | float)
        if no_number or not low <= value <= high or MOST < value < math.inf:
            raise self.fail(f"{name}{key}", value, f"a number from {low:g} to {high:g} is")
        return float(value)

    def flag(self, table: Mapping[str, Any], key: str, name: str, default: bool) -> bool:
        value = table.get(key, default)
        if not isinstance(value, bool):
            raise self.fail(f"{name}{key}", value, "true or false is")
        return value

    def maybe(self, table: Mapping[str, Any], key: str, name: str) -> bool | None:
        return self.flag(table, key, name, False) if key in table else None

    def command(
        self, table: Mapping[str, Any], key: str, name: str, places: frozenset[str] = frozenset(), query: bool = False
    ) -> Command | None:
        if key not in table:
            return None
        return self.one_command(self.text(table, key, name), f"{name}{key}", places, query)

    def commands(self, table: Mapping[str, Any], key: str, name: str) -> tuple[Command, ...]:
        return tuple(
            self.one_command(one, f"{name}{key}", frozenset(), query=False) for one in self.texts(table, key, name)
        )

    def one_command(self, text: str, name: str, places: frozenset[str], query: bool) -> Command:
        if not text.strip() or not text.isascii() or not text.isprintable() or ";" in text:
            raise self.fail(name, text, "one command in printable ASCII without ; is")
        if text.count("[") != text.count("]") or text.count("{") != text.count("}"):
            raise self.fail(name, text, "brackets in pairs are")
        found = frozenset(_PIECES.findall(text))
        allowed = places | {"channel"}
        if not found <= allowed or not places <= found:
            wanted = ", ".join(f"{{{one}}}" for one in sorted(places)) or "no place but {channel}"
            raise self.fail(name, text, f"a command with {wanted} is")
        if query != ("?" in text):
            raise self.fail(name, text, "a query with ? is" if query else "a command without ? is")
        if not re.match(r"[:*\[A-Z]", text):
            raise self.fail(name, text, "a command with its short form in capitals, such as VOLTage, is")
        if "channel" in found:
            self.channelled = True
        return Command(text, self.long)

    def setting(self, key: str, table: Mapping[str, Any], unit: str) -> Setting:
        name = f"settings.{key}."
        self.known(table, SETTING, f"settings.{key}")
        set_it = self.command(table, "set", name, frozenset({"value"}))
        if set_it is None:
            raise DescriptionError(f'{self.where}: {name}set is missing; a command like "VOLTage {{value}}" is needed')
        decimals = int(self.number(table, "decimals", name, 3, 0, 9))
        low, high = self.number(table, "low", name, 0.0), self.number(table, "high", name, math.inf)
        if low > high:
            raise self.fail(f"{name}low", low, f"at most {name}high ({high:g}) is")
        scale = self.number(table, "scale", name, 1.0, 1e-6, 1e6)
        if "protection_tripped" in table and key not in PROTECTIONS:
            raise DescriptionError(
                f"{self.where}: {name}protection_tripped does not belong there; "
                f"{', '.join(one for one in PROTECTIONS if one in SETTINGS[self.role])} may have one"
            )
        if "renewable" in table and key != "off_timer":
            raise DescriptionError(f"{self.where}: {name}renewable does not belong there; off_timer may have it")
        return Setting(
            set=set_it,
            query=self.command(table, "query", name, query=True),
            decimals=decimals,
            step=self.number(table, "step", name, scale * 10.0**-decimals),
            low=low,
            high=high,
            scale=scale,
            enable=self.commands(table, "enable", name),
            disable=self.commands(table, "disable", name),
            unit=unit,
            tripped=self.command(table, "protection_tripped", name, query=True),
            renewable=self.flag(table, "renewable", name, False),
        )

    def dialect(self) -> Dialect:
        data = self.data
        name, role = self.name_and_role()
        link = self.table(data, "link", LINK)
        spelling = self.text(link, "spelling", "link.", "short")
        if spelling not in ("short", "long"):
            raise self.fail("link.spelling", spelling, "short or long is")
        self.long = spelling == "long"
        errors = self.table(data, "errors", ERRORS)
        output = self.table(data, "output", OUTPUT)
        modes = self.table(data, "modes", MODE)
        behaviour = self.table(data, "behaviour", BEHAVIOUR)
        measure = self.table(data, "measure", MEASURE)
        power_on = self.table(data, "power_on", POWER_ON)
        sense = self.table(data, "remote_sense", SENSE)
        settings_table = self.table(data, "settings", tuple(SETTINGS[role]))
        settings = {}
        for key, one in settings_table.items():
            if not isinstance(one, Mapping):
                raise self.fail(f"settings.{key}", one, "a table is")
            settings[key] = self.setting(key, one, SETTINGS[role][key])
        on, off, on_query, states = self.output(output, role)
        words, answers = self.modes(modes, role, settings)
        measures, fields_of_all = self.measures(measure, role)
        self.required(role, settings)
        select = self.command(link, "select", "link.", frozenset({"channel"}))
        channels = int(self.number(data, "channels", "", 1, 1, 64))
        sign = int(self.number(measure, "current_sign", "measure.", 1, -1, 1))
        if sign == 0:
            raise self.fail("measure.current_sign", 0, "1 or -1 is")
        if channels > 1 and not self.channelled:
            raise self.fail("channels", channels, "more than 1 needs {channel} in the commands or link.select")
        return Dialect(
            name=name,
            role=role,
            about=self.text(data, "about", ""),
            where=self.where,
            identity=self.patterns(),
            ask=int(self.number(data, "ask", "", 0, 0, 99)) if "ask" in data else None,
            channels=channels,
            pause_s=self.number(link, "pause_s", "link.", 0.0, 0.0, 10.0),
            compound=self.flag(link, "compound", "link.", True),
            remote=self.commands(link, "remote", "link."),
            select=select,
            select_query=self.command(link, "select_query", "link.", query=True),
            read_termination=self.termination(link, "read_termination"),
            write_termination=self.termination(link, "write_termination"),
            lone_terminator=self.flag(link, "lone_terminator", "link.", False),
            error_query=self.command(errors, "query", "errors.", query=True),
            error_none=self.texts(errors, "none", "errors."),
            event_register=self.command(errors, "event_register", "errors.", query=True),
            on=on,
            off=off,
            on_query=on_query,
            states=states,
            settle_s=self.number(output, "settle_s", "output.", 0.3, 0.0, 10.0),
            mode_set=self.command(modes, "set", "modes.", frozenset({"mode"})),
            mode_query=self.command(modes, "query", "modes.", query=True),
            mode_needed_before_level=self.flag(modes, "needed_before_level", "modes.", False),
            mode_words=words,
            mode_answers=answers,
            settings=settings,
            measure=measures,
            measure_all=self.command(measure, "all", "measure.", query=True),
            fields=fields_of_all,
            separator=self.text(measure, "separator", "measure.", ","),
            units=self.flag(measure, "units", "measure.", False),
            current_sign=sign,
            power_on_query=self.command(power_on, "query", "power_on.", query=True),
            power_on_off_answers=self.texts(power_on, "off", "power_on."),
            sense_on=self.command(sense, "on", "remote_sense."),
            sense_off=self.command(sense, "off", "remote_sense."),
            sense_query=self.command(sense, "query", "remote_sense.", query=True),
            cutoff_latches=self.maybe(behaviour, "cutoff_latches", "behaviour."),
            power_on_off=self.maybe(behaviour, "power_on_off", "behaviour."),
            measures_with_output_off=self.flag(behaviour, "measures_with_output_off", "behaviour.", True),
            refresh_s=self.number(behaviour, "refresh_s", "behaviour.", 0.0, 0.0, 60.0),
            clients=int(self.number(behaviour, "clients", "behaviour.", 0, 0, 64)),
            lowest_working_V=self.number(behaviour, "lowest_working_voltage", "behaviour.", 0.0, 0.0, 100.0),
            off_when_silent_s=self.number(behaviour, "off_when_silent_s", "behaviour.", 0.0, 0.0, 3600.0),
            data=data,
        )

    def name_and_role(self) -> tuple[str, str]:
        self.known(self.data, TOP, "")
        if self.data.get("format") != FORMAT:
            raise self.fail("format", self.data.get("format"), f"{FORMAT!r} is")
        name, role = self.text(self.data, "name", ""), self.text(self.data, "role", "")
        if not re.fullmatch(r"[a-z][a-z0-9-]*", name):
            raise self.fail("name", name, "small letters, digits and hyphens are")
        if role not in ROLES:
            raise self.fail("role", role, f"{', '.join(ROLES)} are")
        return name, role

    def patterns(self) -> tuple[re.Pattern[str], ...]:
        found = []
        for text in self.texts(self.data, "identity", ""):
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore", FutureWarning)  # of signs that may mean more one day
                    found.append(re.compile(text, re.IGNORECASE))
            except (re.error, OverflowError, RecursionError) as error:
                raise self.fail("identity", text, f"a regular expression is ({error})") from error
        return tuple(found)

    def termination(self, link: Mapping[str, Any], key: str) -> str:
        value = self.text(link, key, "link.", "\n")
        if value not in ("\n", "\r\n", "\r"):
            raise self.fail(f"link.{key}", value, r'"\n", "\r\n" or "\r" is')
        return value

    def output(
        self, output: Mapping[str, Any], role: str
    ) -> tuple[Command | None, Command | None, Command | None, tuple[str, str]]:
        states = self.texts(output, "states", "output.") or ("ON", "OFF")
        if len(states) != 2:
            raise self.fail("output.states", list(states), 'two words such as ["ON", "OFF"] are')
        on, off = self.command(output, "on", "output."), self.command(output, "off", "output.")
        if "state" in output:
            text = self.text(output, "state", "output.")
            self.one_command(text, "output.state", frozenset({"state"}), query=False)
            on, off = (Command(text.replace("{state}", state), self.long) for state in states)
        query = self.command(output, "query", "output.", query=True)
        if role != "meter" and (on is None or off is None or query is None):
            raise DescriptionError(
                f"{self.where}: output is not complete; state (or on and off) and query are needed for a {role}"
            )
        return on, off, query, (states[0], states[1])

    def modes(
        self, modes: Mapping[str, Any], role: str, settings: Mapping[str, Setting]
    ) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
        words = self.table(modes, "words", MODES, "modes.")
        answers = self.table(modes, "answers", MODES, "modes.")
        for key in words:
            self.text(words, key, "modes.words.")
            if key not in settings:
                raise DescriptionError(f"{self.where}: modes.words.{key} has no settings.{key} to set its level by")
        if role == "load" and modes and ("set" not in modes or "query" not in modes or "current" not in words):
            raise DescriptionError(
                f"{self.where}: modes is not complete; set, query and words.current are needed, or no modes at all "
                "for a load that holds nothing but a current"
            )
        if role == "load" and not modes:
            words = {"current": ""}
        return dict(words), {key: self.texts(answers, key, "modes.answers.") for key in answers}

    def measures(self, measure: Mapping[str, Any], role: str) -> tuple[dict[str, Command], tuple[str, ...]]:
        single = {}
        for key in MEASURED:
            command = self.command(measure, key, "measure.", query=True)
            if command is not None:
                single[key] = command
        names = self.texts(measure, "fields", "measure.")
        for one in names:
            if one not in (*MEASURED, ""):
                raise self.fail("measure.fields", one, f'{", ".join(MEASURED)} or "" for one to leave out are')
        if ("all" in measure) != bool(names):
            raise DescriptionError(f"{self.where}: measure.all and measure.fields belong together; one is missing")
        has = set(single) | set(names)
        needed = {"load": {"voltage", "current"}, "supply": {"voltage", "current"}, "meter": set()}[role]
        if not needed <= has or not has - {""}:
            wanted = " and ".join(sorted(needed, reverse=True)) or "at least one quantity"
            raise DescriptionError(f"{self.where}: measure is not complete; a {role} has to measure {wanted}")
        return single, names

    def required(self, role: str, settings: Mapping[str, Setting]) -> None:
        for key in {"load": ("current",), "supply": ("voltage", "current"), "meter": ()}[role]:
            if key not in settings or settings[key].query is None:
                raise DescriptionError(f"{self.where}: settings.{key} needs set and query for a {role}")
