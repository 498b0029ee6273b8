"""What every instrument driven through a dialect has in common: asking, ordering, being made safe.

An order is followed by the error queue (where there is one) and by reading back what was set.
Refuse, never clip. Opening changes nothing at the terminals. The link is an argument.
A reply that is not what was asked for makes the link unusable until it is settled or reopened; only a
well-formed overrange or not-a-number leaves it usable.

Switching off comes before any question: `send_off` sends the bytes on the session that is open,
whatever has become of it, and waits for nobody; on each new session they are the first that is sent.
Who it is, what it reads back and what flows decides only what is said of it.
"""

import math
import re
import time
from collections.abc import Mapping, Sequence

from amphora.drivers.errors import DriverError, GarbledReply, IdentityError, InstrumentError, LimitError
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.roles import SafeState
from amphora.drivers.scpi.asking import LOOK_AGAIN_S, UNKNOWN_HEADER, AskedInstrument, words_of
from amphora.drivers.scpi.dialect import Setting
from amphora.drivers.scpi.syntax import (
    OverRange,
    format_number,
    join_commands,
    parse_boolean,
    parse_identity,
    parse_number,
)

# Ends half a command that a program left behind when it was killed, and spoils it: a bare line end
# would carry it out ("CURR 9" on a load that is on). No SCPI header or number holds this character.
SPOILER = "!"
# What it makes of half a command that was spoiled. SCPI-1999, volume 2, 21.8.9 and 21.8.10: command errors -199 to
# -100, of a parameter -220 to -229; IEEE 488.2, 11.5.1: bit 5 of the event register (numbers from memory).
SPOILED = re.compile(r"-1\d\d\b|-22\d\b|\d+, command error")
OFF_ORDERS = 3
# How long a session in trouble is asked again before it is thrown away for a new one: an instrument that
# takes one client at a time may hold the dead one for a minute and more, and is out of reach as long.
KEEP_SESSION_S = 5.0
OUTSIDE = 1e-9  # a value that differs from its limit by rounding is at its limit


class ScpiInstrument(AskedInstrument):
    """Base of `load.ScpiLoad`, `supply.ScpiSupply`, `meter.ScpiMeter`; its arguments are those of `AskedInstrument`."""

    def _setting(self, key: str) -> Setting:
        setting = self.dialect.settings.get(key)
        if setting is None or key in self.missing:
            raise LimitError(
                f"{self.name}: has no {words_of(key)} to set (dialect {self.dialect.name}); nothing was sent"
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
                f"{self.name}: {words_of(key)} {value:g} {setting.unit} is outside {low:g} {upper} ({source}); "
                "nothing was sent"
            )
        text = format_number(value / setting.scale, setting.decimals)
        if value > 0.0 and float(text) == 0.0:
            raise LimitError(
                f"{self.name}: {words_of(key)} {value:g} {setting.unit} is finer than what can be set "
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
        what = f"{words_of(key)} {value:g} {setting.unit}"
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
                f"{self.name}: asked for {words_of(key)} {value:g} {setting.unit}, holds {held_value:g} {setting.unit}"
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
        return setting.scale * self._ask_number(setting.query.send(channel=self.channel), words_of(key), unit)

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
                    found[key] = parse_boolean(text, f"{self.name}: {words_of(key)}")
                elif key in dialect.settings:
                    setting = dialect.settings[key]
                    unit = setting.unit if dialect.units else ""
                    try:
                        number: float | None = parse_number(text, f"{self.name}: {words_of(key)}", unit) * setting.scale
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


def _on(on: bool) -> str:
    return "on" if on else "off"
