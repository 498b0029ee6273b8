"""What every instrument driven through a dialect has in common: asking, ordering, being made safe.

An order is followed by the error queue (where there is one) and by reading back what was set.
Refuse, never clip. Opening changes nothing at the terminals. The link is an argument.
A reply that is not what was asked for makes the link unusable until it is settled or reopened; only a
well-formed overrange or not-a-number leaves it usable.

Switching off comes before any question: `send_off` sends the bytes on the session that is open,
whatever has become of it, and waits for nobody; on each new session they are the first that is sent.
Who it is, what it reads back and what flows decides only what is said of it.
"""

import dataclasses
import math
import re
import time
from collections.abc import Callable, Collection, Mapping, Sequence, Set
from typing import Any

from amphora.drivers.errors import DriverError, GarbledReply, IdentityError, InstrumentError, LimitError
from amphora.drivers.links.visa import Link
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.roles import Abilities, SafeState
from amphora.drivers.scpi.dialect import KEYS_OF_READING, PROTECTIONS, Dialect, Setting
from amphora.drivers.scpi.syntax import (
    OverRange,
    esr_errors,
    format_number,
    join_commands,
    parse_boolean,
    parse_error,
    parse_identity,
    parse_integer,
    parse_number,
    split_answer,
)

MOST_ERRORS = 32  # entries read from one queue before it is said to be endless
# Ends half a command that a program left behind when it was killed, and spoils it: a bare line end
# would carry it out ("CURR 9" on a load that is on). No SCPI header or number holds this character.
SPOILER = "!"
# What it makes of half a command that was spoiled. SCPI-1999, volume 2, 21.8.9 and 21.8.10: command errors -199 to
# -100, of a parameter -220 to -229; IEEE 488.2, 11.5.1: bit 5 of the event register (numbers from memory).
SPOILED = re.compile(r"-1\d\d\b|-22\d\b|\d+, command error")
# SCPI-1999, volume 2, 21.8.9: -113 undefined header, -114 its number is out of range, -100 command error (from memory).
UNKNOWN_HEADER = re.compile(r"-1(?:00|10|13|14)\b")
OFF_ORDERS = 3
# How long a session in trouble is asked again before it is thrown away for a new one: an instrument that
# takes one client at a time may hold the dead one for a minute and more, and is out of reach as long.
KEEP_SESSION_S = 5.0
LOOK_AGAIN_S = 0.05
OUTSIDE = 1e-9  # a value that differs from its limit by rounding is at its limit


class ScpiInstrument:
    """Base of `load.ScpiLoad`, `supply.ScpiSupply`, `meter.ScpiMeter`.

    Args:
        link: Where the instrument is; may be shared by several channels of one instrument.
        dialect: How it is spoken to.
        name: Its name in the bench file, for messages.
        channel: Which of several outputs.
        expected: Must be contained in the `*IDN?` answer; "" accepts anybody.
        ranges: For a setting's name the range of the bench file, in SI; narrows the dialect's.
        remote_sense: Switch remote sense so before the first order; None leaves it as it is.
        behaviour: What the bench file says of this one instrument, by the names of `Abilities`.
        lacks: What it has not, of `LEARNED`; it is not asked for these.
    """

    role = "instrument"
    sign = 1.0  # what a positive current of the instrument is to the cell

    def __init__(
        self,
        link: Link | PolledLink,
        dialect: Dialect,
        *,
        name: str,
        channel: int = 1,
        expected: str = "",
        ranges: Mapping[str, tuple[float, float]] | None = None,
        remote_sense: bool | None = None,
        behaviour: Mapping[str, Any] | None = None,
        lacks: Collection[str] = (),
    ) -> None:
        self.link = link
        self.dialect = dialect
        self.name = name
        self.channel = channel
        self.expected = expected
        self.ranges = dict(ranges or {})
        self.remote_sense = remote_sense
        self.behaviour = dict(behaviour or {})
        self.identity = ""
        self.missing: set[str] = set(lacks)
        self.always_armed: set[str] = set()  # protections that know no command to switch them on
        self.closed = False
        self.off_bytes: tuple[str, ...] = ()  # as prepared when the run began; else of the dialect
        self._off_sent = False
        self._prepared = False
        self._select = dialect.select.send(channel=channel) if dialect.select else ""
        self._plan_reading()
        self.abilities = self._abilities()

    # -- who and what --------------------------------------------------------------------------------

    def identify(self) -> str:
        """Return the `*IDN?` answer.

        Raises:
            IdentityError: another instrument than the bench file says, or than answered before.
        """
        answer = self._read_text("*IDN?")
        try:
            parse_identity(answer)
        except GarbledReply as error:
            raise self._garbled(error) from error
        wanted = self.identity or self.expected
        if (self.expected and self.expected not in answer) or (self.identity and answer != self.identity):
            self.link.distrust(f"{answer!r} answered")
            sent = "OFF had been sent before anybody was asked" if self._off_sent else "nothing was ordered"
            raise IdentityError(
                f"{self.name} at {self.link.resource}: {answer!r} answered where {wanted!r} was expected; {sent}"
            )
        self.identity = answer
        return answer

    def start_remote(self) -> None:
        """Take remote control where the instrument needs that; changes nothing at the terminals."""
        for command in self.dialect.remote:
            self.link.write(command.send(channel=self.channel))

    def start(self) -> None:
        """Take remote control where the instrument needs that, and learn its power-on state."""
        self.start_remote()
        if self.dialect.power_on_query is not None and "power_on" not in self.missing:
            answer = self._ask(self.dialect.power_on_query.send(channel=self.channel)).strip('"').upper()
            off = answer in (one.upper() for one in self.dialect.power_on_off_answers)
            self.abilities = dataclasses.replace(self.abilities, power_on_off=off)

    def learn(self) -> None:
        """Ask once for each thing an instrument of this family need not have; leave out what it has not.

        For an instrument in a dialect that ships, found by trying or named. Each missing thing may cost a time-out.
        """
        queries = {key: one.query for key, one in self.dialect.settings.items() if key in _OPTIONAL}
        queries["remote_sense"] = self.dialect.sense_query
        queries["power_on"] = self.dialect.power_on_query
        for key, query in queries.items():
            if query is None:
                self.missing.add(key)
            if query is None or key in self.missing:
                continue
            try:
                self._ask(query.send(channel=self.channel))
                if self.read_errors():
                    self.missing.add(key)
            except IdentityError:
                raise
            except DriverError:
                self.missing.add(key)
                self.link.reopen()
                self.identify()
                self.read_errors()
        self.abilities = self._abilities()

    def _abilities(self) -> Abilities:
        return abilities_as_written(self.dialect, self.behaviour, self.missing)

    def _has(self, key: str) -> bool:
        return _can_arm(self.dialect, key, self.missing)

    def read_errors(self) -> list[str]:
        """Empty the error queue; return its entries, oldest first, as `code, text`."""
        found: list[str] = []
        if self.dialect.error_query is not None:
            query = self.dialect.error_query.send(channel=self.channel)
            for _ in range(MOST_ERRORS):
                text = self.link.query(query)
                try:
                    entry = parse_error(text, self.dialect.error_none)
                except GarbledReply as error:
                    raise self._garbled(error) from error
                if entry.code == 0:
                    break
                found.append(str(entry))
            else:
                found.append(f"0, the queue did not get empty in {MOST_ERRORS} entries")
        elif self.dialect.event_register is not None:
            text = self.link.query(self.dialect.event_register.send(channel=self.channel))
            try:
                register = parse_integer(text, "*ESR?")
            except GarbledReply as error:
                raise self._garbled(error) from error
            found += [f"{register}, {name}" for name in esr_errors(register)]
        return found

    def read_trips(self) -> list[str]:
        """Ask the instrument's own protections; return those that have tripped, as a person calls them.

        An instrument that does not know the question is not asked again.

        Raises:
            DriverError: the link failed, and failed again once reopened.
        """
        tripped = []
        for key, setting in self.dialect.settings.items():
            if setting.tripped is None or key in self.missing or f"{key} tripped" in self.missing:
                continue
            try:
                if self._ask_state(setting.tripped.send(channel=self.channel), f"{_words(key)} tripped"):
                    tripped.append(PROTECTIONS[key])
            except IdentityError:
                raise
            except DriverError:
                self.missing.add(f"{key} tripped")
                self.link.reopen()
                self.identify()
                self.start_remote()
                self.read_errors()  # what it said of a question that it does not know
        return tripped

    # -- measuring: the hot path -----------------------------------------------------------------------

    def _plan_reading(self) -> None:
        """Work out once what a reading sends and where each number stands in the answer."""
        dialect, channel = self.dialect, self.channel
        signs = {"current": self.sign * dialect.current_sign, "power": self.sign * dialect.current_sign}
        parts: list[tuple[str, str, tuple[tuple[int, str, str, float, str], ...]]] = []
        done: set[str] = set()
        if dialect.measure_all is not None:
            places = tuple(
                (n, KEYS_OF_READING[key], f"{self.name}: {key}", signs.get(key, 1.0), self._unit(key))
                for n, key in enumerate(dialect.fields)
                if key
            )
            parts.append((dialect.measure_all.send(channel=channel), dialect.separator, places))
            done = set(dialect.fields)
        for key, command in dialect.measure.items():
            if key not in done:
                place = (0, KEYS_OF_READING[key], f"{self.name}: {key}", signs.get(key, 1.0), self._unit(key))
                parts.append((command.send(channel=channel), "", (place,)))
        self._parts = parts
        self._counts = [len(dialect.fields) if separator else 1 for _, separator, _ in parts]
        queries = [query for query, _, _ in parts]
        self._whole = join_commands([self._select, *queries] if self._select else queries) if dialect.compound else ""
        self._flat: list[tuple[str, str, float, str]] | None = None
        if dialect.compound and all(not separator for _, separator, _ in parts):
            self._flat = [(places[0][1], places[0][2], places[0][3], places[0][4]) for _, _, places in parts]

    def _unit(self, key: str) -> str:
        from amphora.drivers.scpi.dialect import MEASURED

        return MEASURED[key] if self.dialect.units else ""

    def read(self) -> Mapping[str, float]:
        """Measure: `voltage_V`, `current_A` (positive into the cell) and what else there is.

        Raises:
            LinkError: no answer; the link has to be reopened.
            GarbledReply: an answer that is no number, or a code for overrange or not-a-number.
        """
        flat = self._flat
        try:
            if flat is None:
                return self._read_in_parts()
            answer = self.link.query(self._whole)
            fields = answer.split(";")
            if len(fields) != len(flat):
                fields = split_answer(answer, len(flat), ";", f"{self.name}: {self._whole}")
            return {
                key: 0.0 + sign * parse_number(text, what, unit)
                for (key, what, sign, unit), text in zip(flat, fields, strict=True)
            }
        except OverRange:
            raise
        except GarbledReply as error:
            raise self._garbled(error) from error

    def _read_in_parts(self) -> dict[str, float]:
        if self._whole:
            answers = split_answer(self.link.query(self._whole), len(self._parts), ";", f"{self.name}: a reading")
        else:
            if self._select:
                self.link.write(self._select)
            answers = [self.link.query(query) for query, _, _ in self._parts]
        reading: dict[str, float] = {}
        for (query, separator, places), count, answer in zip(self._parts, self._counts, answers, strict=True):
            fields = split_answer(answer, count, separator, f"{self.name}: {query}") if separator else [answer]
            for n, key, what, sign, unit in places:
                reading[key] = 0.0 + sign * parse_number(fields[n], what, unit)
        return reading

    # -- asking and ordering -----------------------------------------------------------------------------

    def _read_text(self, query: str) -> str:
        return self.link.query(query)

    def _ask(self, query: str) -> str:
        return self._ask_all([query])[0]

    def _ask_all(self, queries: Sequence[str]) -> list[str]:
        """Ask several things of this channel, in one message where the dialect can."""
        if not queries:
            return []
        if self.dialect.compound:
            message = join_commands([self._select, *queries] if self._select else list(queries))
            answer = self.link.query(message)
            if len(queries) == 1:
                return [answer]
            try:
                return split_answer(answer, len(queries), ";", f"{self.name}: {message}")
            except GarbledReply as error:
                raise self._garbled(error) from error
        if self._select:
            self.link.write(self._select)
        return [self.link.query(query) for query in queries]

    def _ask_number(self, query: str, what: str, unit: str = "") -> float:
        try:
            return parse_number(self._ask(query), f"{self.name}: {what}", unit)
        except OverRange:
            raise
        except GarbledReply as error:
            raise self._garbled(error) from error

    def _ask_state(self, query: str, what: str) -> bool:
        try:
            return parse_boolean(self._ask(query), f"{self.name}: {what}")
        except GarbledReply as error:
            raise self._garbled(error) from error

    def _garbled(self, error: GarbledReply) -> GarbledReply:
        """Make the link untrustworthy: the next answer may belong to this question."""
        self.link.distrust("an answer could not be read")
        text = str(error)
        return GarbledReply(text if self.name in text else f"{self.name}: {text}")

    def _tell(self, command: str) -> None:
        """Send one order to this channel and no other."""
        if not self._select:
            self.link.write(command)
        elif self.dialect.compound:
            self.link.write(join_commands([self._select, command]))
        else:
            self.link.write(self._select)
            if self.dialect.select_query is not None:
                answer = self.link.query(self.dialect.select_query.send(channel=self.channel))
                try:
                    selected = parse_integer(answer, f"{self.name}: selected channel")
                except GarbledReply as error:
                    raise self._garbled(error) from error
                if selected != self.channel:
                    raise InstrumentError(
                        f"{self.name}: channel {self.channel} was selected, {selected} is; nothing was ordered"
                    )
            self.link.write(command)

    def _order(self, command: str, what: str) -> None:
        """Send one order, then read the error queue.

        Raises:
            InstrumentError: the instrument queued an error.
        """
        self._tell(command)
        errors = self.read_errors()
        if errors:
            raise InstrumentError(f"{self.name}: {what} ({command}) was refused with error {'; '.join(errors)}")

    def _until(self, ask: Callable[[], object], good: Callable[[object], bool]) -> object:
        """Ask until the answer is good or the settling time is over; return the last answer."""
        until_s = time.monotonic() + self.dialect.settle_s
        answer = ask()
        while not good(answer) and time.monotonic() < until_s:
            time.sleep(LOOK_AGAIN_S)
            answer = ask()
        return answer

    def _setting(self, key: str) -> Setting:
        setting = self.dialect.settings.get(key)
        if setting is None or key in self.missing:
            raise LimitError(
                f"{self.name}: has no {_words(key)} to set (dialect {self.dialect.name}); nothing was sent"
            )
        return setting

    def _checked(self, key: str, value: float) -> tuple[Setting, str]:
        """Return the setting and the text of a value inside its range.

        Raises:
            LimitError: outside the range, or finer than what can be set; nothing was sent.
        """
        setting = self._setting(key)
        bench_low, bench_high = self.ranges.get(key, (0.0, math.inf))
        low, high = max(setting.low, bench_low), min(setting.high, bench_high)
        if not low - OUTSIDE <= value <= high + OUTSIDE or not math.isfinite(value):
            source = "bench file" if (bench_low, bench_high) != (0.0, math.inf) else f"dialect {self.dialect.name}"
            upper = f"to {high:g} {setting.unit}" if high < math.inf else "and up"
            raise LimitError(
                f"{self.name}: {_words(key)} {value:g} {setting.unit} is outside {low:g} {upper} ({source}); "
                "nothing was sent"
            )
        text = format_number(value / setting.scale, setting.decimals)
        if value > 0.0 and float(text) == 0.0:
            raise LimitError(
                f"{self.name}: {_words(key)} {value:g} {setting.unit} is finer than what can be set "
                f"({setting.scale * 10.0**-setting.decimals:g} {setting.unit}); nothing was sent"
            )
        return setting, text

    def _hold(self, key: str, value: float) -> float:
        """Set a value and return what the instrument holds.

        Raises:
            LimitError: outside the range; nothing was sent.
            InstrumentError: an error was queued, or another value is held.
        """
        setting, text = self._checked(key, value)
        self._prepare()
        what = f"{_words(key)} {value:g} {setting.unit}"
        self._order(setting.set.send(value=text, channel=self.channel) if setting.set else "", what)
        if key not in self.always_armed:
            self._enable(key, setting, what)
        if setting.query is None:
            return value
        within = setting.step + 0.5 * setting.scale * 10.0**-setting.decimals + OUTSIDE
        held = self._until(lambda: self._read_setting(key), lambda one: abs(float(str(one)) - value) <= within)
        held_value = float(str(held))
        if not abs(held_value - value) <= within:
            raise InstrumentError(
                f"{self.name}: asked for {_words(key)} {value:g} {setting.unit}, holds {held_value:g} {setting.unit}"
            )
        return held_value

    def _enable(self, key: str, setting: Setting, what: str) -> None:
        """Switch on what has just been set.

        An instrument that does not know the command has a protection that is always armed by its level. That is taken
        from a dialect that ships, which fits a family; in a table written for this one instrument it is a mistake.

        Raises:
            InstrumentError: it queued another error.
        """
        for command in setting.enable:
            sent = command.send(channel=self.channel)
            self._tell(sent)
            errors = self.read_errors()
            if errors and self.dialect.shipped and all(UNKNOWN_HEADER.match(text) for text in errors):
                self.always_armed.add(key)
                return
            if errors:
                raise InstrumentError(f"{self.name}: {what} ({sent}) was refused with error {'; '.join(errors)}")

    def _read_setting(self, key: str) -> float:
        setting = self._setting(key)
        assert setting.query is not None
        unit = setting.unit if self.dialect.units else ""
        return setting.scale * self._ask_number(setting.query.send(channel=self.channel), _words(key), unit)

    def _prepare(self) -> None:
        """Before the first order: remote sense as the bench file has it."""
        if self._prepared:
            return
        wanted = self.remote_sense
        if wanted is not None:
            command = self.dialect.sense_on if wanted else self.dialect.sense_off
            if command is None or not self.abilities.remote_sense:
                raise LimitError(f"{self.name}: remote sense cannot be switched (dialect {self.dialect.name})")
            self._order(command.send(channel=self.channel), f"remote sense {_on(wanted)}")
            if self.dialect.sense_query is not None:
                query = self.dialect.sense_query.send(channel=self.channel)
                state = self._until(lambda: self._ask_state(query, "remote sense"), lambda one: one == wanted)
                if state != wanted:
                    raise InstrumentError(f"{self.name}: remote sense was ordered {_on(wanted)}, is {_on(not wanted)}")
        self._prepared = True

    def _is_on(self) -> bool:
        assert self.dialect.on_query is not None
        return self._ask_state(self.dialect.on_query.send(channel=self.channel), "state")

    def _switch(self, on: bool) -> None:
        """Order on or off and read it back.

        Raises:
            InstrumentError: an error was queued, or the state stays another.
        """
        command = self.dialect.on if on else self.dialect.off
        assert command is not None
        if on:
            self._prepare()
            self.link.off[self.name] = self.off_messages()
        elif self.link.broken:
            self.send_off()
        self._order(command.send(channel=self.channel), _on(on))
        if self._until(self._is_on, lambda one: one == on) != on:
            raise InstrumentError(f"{self.name}: was ordered {_on(on)}, reads back {_on(not on)}")
        if not on:
            self.link.off.pop(self.name, None)

    def read_setup(self) -> Mapping[str, object]:
        """Return what is set; `on` is None where there is nothing to switch."""
        return {"on": None}

    def read_setup_shortly(self) -> None:
        """Ask what a family has to answer: the state, the mode or the levels; for finding a dialect.

        Raises:
            DriverError: it does not understand these questions.
        """
        if self.dialect.on_query is not None:
            self._is_on()
        if self.dialect.mode_query is not None:
            answer = self._ask(self.dialect.mode_query.send(channel=self.channel)).strip().strip('"')
            if not answer[:1].isalpha():
                raise GarbledReply(f"{self.name}: the answer {answer!r} is no mode")
        asked: tuple[str, ...] = ("voltage", "current") if self.role == "supply" else ()
        if self.role == "load" and self.dialect.mode_query is None:
            asked = ("current",)
        for key in asked:
            self._read_setting(key)

    def _setup(self, keys: Sequence[str], more: Mapping[str, str]) -> tuple[dict[str, object], dict[str, str]]:
        """Ask for the state, remote sense and these settings; return them and the further texts."""
        dialect = self.dialect
        queries: dict[str, str] = {}
        if dialect.on_query is not None:
            queries["on"] = dialect.on_query.send(channel=self.channel)
        for key in keys:
            setting = dialect.settings.get(key)
            if setting is not None and setting.query is not None and key not in self.missing:
                queries[key] = setting.query.send(channel=self.channel)
        if dialect.sense_query is not None and "remote_sense" not in self.missing:
            queries["remote_sense"] = dialect.sense_query.send(channel=self.channel)
        queries.update(more)
        answers = dict(zip(queries, self._ask_all(list(queries.values())), strict=True))
        found: dict[str, object] = {}
        try:
            for key, text in answers.items():
                if key in ("on", "remote_sense"):
                    found[key] = parse_boolean(text, f"{self.name}: {_words(key)}")
                elif key in dialect.settings:
                    setting = dialect.settings[key]
                    unit = setting.unit if dialect.units else ""
                    try:
                        number: float | None = parse_number(text, f"{self.name}: {_words(key)}", unit) * setting.scale
                    except OverRange:
                        number = None  # a limit of infinity is none
                    found[f"{key}_{setting.unit}"] = number
        except GarbledReply as error:
            raise self._garbled(error) from error
        return found, {key: answers[key] for key in more}

    # -- being made safe, and the link --------------------------------------------------------------------

    def off_messages(self) -> tuple[str, ...]:
        """Return what switches this channel off on a new session, in order: sent without a question.

        A mark that spoils half a command of a program that was killed, remote control, OFF, and OFF again.
        """
        if self.off_bytes:
            return self.off_bytes
        dialect = self.dialect
        if dialect.off is None:
            return ()
        off = dialect.off.send(channel=self.channel)
        if not self._select:
            orders = [off]
        elif dialect.compound:
            orders = [join_commands([self._select, off])]
        else:
            orders = [self._select, off]
        remote = [command.send(channel=self.channel) for command in dialect.remote]
        words = (*remote, *orders, *orders)
        return self.link.blind(words) if isinstance(self.link, PolledLink) else (SPOILER, *words)

    def send_off(self) -> bool:
        """Send OFF on the session that is open, in any state of it; asks nothing, waits for nobody, never raises.

        Returns:
            Whether the bytes left this computer.
        """
        messages = self.off_messages()
        if not messages:
            return True
        self.link.off[self.name] = messages
        try:
            self.link.send_blind(messages if self.link.broken else self._off_on_a_sound_link(messages))
        except DriverError:
            return False
        self._off_sent = True
        return True

    def _off_on_a_sound_link(self, messages: tuple[str, ...]) -> tuple[str, ...]:
        """Leave out what only a link in trouble, or a new one, needs: this one is answered and asked again."""
        if self.off_bytes or self.dialect.lone_terminator or self.link.is_serial or self.dialect.speech is not None:
            return messages
        remote = len(self.dialect.remote) + 1
        return messages[remote : remote + (len(messages) - remote) // 2]

    def make_safe(self, *, lone_terminator: bool | None = None) -> SafeState:
        """Switch off, read back, measure the current; in any state of instrument and link.

        OFF goes out first, on the session that is open, else as the first on a new one; then it is asked.
        Where no right answer comes OFF goes out again, and once more it is asked: on the same session
        for some seconds, after that on a new one.

        Args:
            lone_terminator: Spoil half a command that a program left behind when it was killed. None: as
                the dialect has it, and always on serial ports and after trouble.

        Raises:
            DriverError: it could not be reached, or did not answer; IdentityError: another answered.
        """
        if self.dialect.off is None and not self.off_bytes:
            return SafeState(True, None, "has nothing to switch")
        self._off_sent = False
        first = self.link.broken
        spoiled = bool(first or lone_terminator or self.dialect.lone_terminator or self.link.is_serial)
        if lone_terminator and not first:
            self.link.off[self.name] = self.off_messages()
            if self.link.say_off():
                self._off_sent = True
        sent = self._off_sent or self.send_off()
        if not sent:
            first, spoiled = first or self.link.broken, True
        try:
            if not sent or first:
                self.get_back()
            return self._make_safe_once(spoiled, f"; the link had failed before ({first})" if first else "")
        except IdentityError:
            raise
        except DriverError as error:
            first = first or str(error)
            if self.link.alive:
                self.send_off()
        self.get_back()
        return self._make_safe_once(True, f"; the link had failed before ({first})")

    def get_back(self) -> None:
        """Be answered again, on the session that is open or on a new one with OFF first on it.

        Raises:
            DriverError: nobody answers yet. Within `KEEP_SESSION_S` the session stays open.
        """
        if self.link.alive:
            if not self.link.broken:
                self.identify()
                return
            try:
                self._settle()
                return
            except IdentityError:
                raise
            except DriverError:
                if self.link.broken_for_s() < KEEP_SESSION_S:
                    raise
        self.link.off[self.name] = messages = self.off_messages()
        self.link.reopen(messages)
        self._off_sent = True
        self.identify()

    def _settle(self) -> None:
        """Ask who is there until the answer is no old one; IdentityError when it is another."""

        def right(line: str) -> bool:
            try:
                parse_identity(line)
            except GarbledReply:
                return False
            return line == self.identity or not self.identity or line.count(",") >= 3

        answer = self.link.settle("*IDN?", right)
        if (self.identity and answer != self.identity) or (self.expected and self.expected not in answer):
            self.identify()
        else:
            self.identity = answer

    def prove_off(self, remark: str = "") -> SafeState:
        """After OFF was sent as the first on a session: ask whether it is off. As `make_safe`."""
        return self._make_safe_once(True, remark)

    def _make_safe_once(self, spoiled: bool, remark: str) -> SafeState:
        """Ask whether it is off, and order it again where it is not; what was sent before counts as the first order."""
        off = self.dialect.off.send(channel=self.channel) if self.dialect.off is not None else ""
        errors: list[str] = []
        orders = 1
        while True:
            told = self.read_errors()
            if spoiled and orders == 1:  # our own mark, which no instrument understands
                told = [text for text in told if not SPOILED.match(text)]
            errors += told
            on = self._is_on()
            if not on or orders >= OFF_ORDERS:
                break
            time.sleep(LOOK_AGAIN_S)
            self._tell(off)
            orders += 1
        if self.abilities.refresh_s > 0.0:
            time.sleep(self.abilities.refresh_s)  # a reading from before the order says nothing
        try:
            current_A = self.read().get("current_A")
        except OverRange:
            current_A = None
        text = f"{'still on' if on else 'off'}, read back"
        if orders > 1:
            text += f" after {orders} orders"
        if current_A is not None:
            text += f"; {abs(current_A):.4g} A flows"
        if errors:
            text += f"; errors {'; '.join(errors)}"
        if not on:
            self.link.off.pop(self.name, None)
        return SafeState(not on, current_A, text + remark)

    def reopen(self) -> None:
        """Be answered again by the same instrument; take remote control again.

        The session that is open is asked first, and kept for some seconds although nobody answers on it.
        Before it is thrown away an instrument that may be on is switched off on it, and so it is by the
        first bytes on the new one: `_still_as_ordered` of whoever ordered then finds it off.

        Raises:
            LinkError: it cannot be reached (yet). IdentityError: it is another.
        """
        self.closed = False
        if self.link.alive and not self.link.broken:
            self.identify()
        elif self.link.alive:
            try:
                self._settle()
            except IdentityError:
                raise
            except DriverError:
                if self.name in self.link.off and self.link.broken_for_s() < KEEP_SESSION_S:
                    raise
                self.link.reopen(self.link.off.get(self.name, ()))
                self.identify()
        else:
            self.link.reopen()
            self.identify()
        self._prepared = False
        self.start_remote()

    def beat(self) -> None:
        """Keep a remote mode alive where it lapses in silence; never raises."""
        if isinstance(self.link, PolledLink):
            self.link.beat()

    def close(self) -> None:
        """Give the link back; changes nothing in the instrument. May be called twice."""
        if not self.closed:
            self.closed = True
            self.link.off.pop(self.name, None)
            self.link.release()


def abilities_as_written(dialect: Dialect, behaviour: Mapping[str, Any], missing: Set[str] = frozenset()) -> Abilities:
    """Return what an instrument can by its dialect and its own table, without asking it.

    Args:
        dialect: How it is spoken to.
        behaviour: What the bench file says of this one instrument, by the names of `Abilities`.
        missing: What it was found not to have.
    """
    abilities = Abilities(
        low_voltage_cutoff=_can_arm(dialect, "cutoff", missing),
        cutoff_latches=dialect.cutoff_latches,
        over_voltage_protection=_can_arm(dialect, "over_voltage", missing),
        over_current_protection=_can_arm(dialect, "over_current", missing),
        off_timer=_can_arm(dialect, "off_timer", missing),
        off_timer_renewable=_can_arm(dialect, "off_timer", missing) and dialect.settings["off_timer"].renewable,
        power_on_off=dialect.power_on_off,
        measures_with_output_off=dialect.measures_with_output_off,
        refresh_s=dialect.refresh_s,
        off_when_silent_s=dialect.off_when_silent_s,
        remote_sense=dialect.sense_on is not None and "remote_sense" not in missing,
    )
    return dataclasses.replace(abilities, **behaviour)


def _can_arm(dialect: Dialect, key: str, missing: Set[str]) -> bool:
    setting = dialect.settings.get(key)
    return setting is not None and setting.query is not None and key not in missing


_OPTIONAL = ("cutoff", "over_current", "over_voltage", "off_timer")
LEARNED = (*_OPTIONAL, "remote_sense", "power_on")  # what an instrument of a family need not have


def _words(key: str) -> str:
    return key.replace("_", " ")


def _on(on: bool) -> str:
    return "on" if on else "off"
