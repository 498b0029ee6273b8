"""Asking an instrument through a dialect: who it is, what went wrong, what it measures; and the way of one order.

A reply that is not what was asked for makes the link unusable until it is settled or reopened; only a well-formed
overrange or not-a-number leaves it usable. Sets nothing and switches nothing: `instrument` does.
"""

import dataclasses
import re
import time
from collections.abc import Callable, Collection, Mapping, Sequence, Set
from typing import Any

from amphora.drivers.errors import DriverError, GarbledReply, IdentityError, InstrumentError
from amphora.drivers.links.visa import Link
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.roles import Abilities
from amphora.drivers.scpi.dialect import KEYS_OF_READING, PROTECTIONS, Dialect
from amphora.drivers.scpi.syntax import (
    OverRange,
    esr_errors,
    join_commands,
    parse_boolean,
    parse_error,
    parse_identity,
    parse_integer,
    parse_number,
    split_answer,
)

MOST_ERRORS = 32  # entries read from one queue before it is said to be endless
# SCPI-1999, volume 2, 21.8.9: -113 undefined header, -114 its number is out of range, -100 command error (from memory).
UNKNOWN_HEADER = re.compile(r"-1(?:00|10|13|14)\b")
LOOK_AGAIN_S = 0.05
_OPTIONAL = ("cutoff", "over_current", "over_voltage", "off_timer")
LEARNED = (*_OPTIONAL, "remote_sense", "power_on")  # what an instrument of a family need not have


class AskedInstrument:
    """What an instrument is asked; `ScpiInstrument` sets it and switches it off.

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
                if self._ask_state(setting.tripped.send(channel=self.channel), f"{words_of(key)} tripped"):
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


def words_of(key: str) -> str:
    """Return a setting's name as messages have it."""
    return key.replace("_", " ")
