"""Holds a dialect against the instrument that it describes, with a dummy resistor in the cell's place.

A supply feeds the resistor alone; a load draws from a source through it, so that whatever a wrong table orders, no
more than the source's voltage over the resistor flows. Each order is given and read back, each limit of the table is
tried, and what flows is compared with what the resistor says must flow. Volt, ampere, ohm, second.
"""

import time
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from amphora.drivers.errors import DriverError, LimitError
from amphora.drivers.off import order_of, restore
from amphora.harness.common.errors import InputError, Refused

OFF_A = 0.02
OFF_V = 0.3  # a supply that is off and reads more has something else than a resistor at it
AGREE = (
    0.05  # share by which order, reading and resistor may differ; with AGREE_A it finds a wrong range, no calibration
)
AGREE_A, AGREE_V = 0.015, 0.03
SILENT_S = 3.0
TRIP_S = 3.0
BACK_S = 20.0


class RehearsalLine(NamedTuple):
    """One line of the report. passed: None for what is only told."""

    what: str
    passed: bool | None
    text: str


Tell = Callable[[RehearsalLine], None]


class Rehearsal:
    """One instrument, opened and off. `seen` grows line by line; the instrument is off at every end."""

    def __init__(
        self,
        instrument: Any,
        table: Mapping[str, Any],
        resistance_ohm: float,
        tell: Tell,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.one, self.table, self.ohm, self.tell, self.sleep = instrument, table, resistance_ohm, tell, sleep
        self.seen: list[RehearsalLine] = []
        self.open_V = 0.0
        self.is_load = instrument.role == "load"

    def run(self) -> list[RehearsalLine]:
        """Go through all of it.

        Raises:
            Refused: something else than the resistor is connected; nothing was switched on.
        """
        steps: list[tuple[str, Callable[[], None]]] = [("who answers", self.who), ("each question", self.questions)]
        if self.one.role in ("load", "supply"):
            steps += [
                ("off at first", self.off_at_first),
                ("each setting", self.settings),
                ("what flows", self.flow),
                ("off", self.off),
                ("its own protections", self.protections),
                ("half a message", self.half),
                ("silence", self.silence),
                ("off as prepared", self.prepared),
            ]
        for name, step in steps:
            try:
                self.back()
                step()
            except Refused:
                raise
            except DriverError as error:
                self.say(name, False, str(error))
        if self.one.role in ("load", "supply"):
            self.last_off()
        return self.seen

    def say(self, what: str, passed: bool | None, text: str) -> None:
        """Enter one line."""
        line = RehearsalLine(what, passed, text)
        self.seen.append(line)
        self.tell(line)

    def back(self) -> None:
        """Be answered again after a step that went wrong."""
        link = self.one.link
        until_s = time.monotonic() + BACK_S
        while link.broken:
            try:
                self.one.reopen()
            except DriverError:
                if time.monotonic() >= until_s:
                    raise
                self.sleep(0.1)

    # -- the steps ------------------------------------------------------------------------------------

    def who(self) -> None:
        """Ask who it is, several times."""
        told = {self.one.identify() for _ in range(3)}
        self.say("who answers", len(told) == 1, " / ".join(sorted(told)))

    def questions(self) -> None:
        """Put each question there is."""
        took: list[float] = []
        readings: list[Mapping[str, float]] = []
        for _ in range(10):
            before_s = time.monotonic()
            readings.append(self.one.read())
            took.append(time.monotonic() - before_s)
        values = ", ".join(f"{key} {value:.4g}" for key, value in readings[-1].items())
        self.say("each question", True, f"10 readings, the slowest in {max(took):.2g} s: {values}")
        if self.one.role != "meter":
            setup = ", ".join(f"{key} {value}" for key, value in self.one.read_setup().items())
            self.say("what is set", True, setup)

    def off_at_first(self) -> None:
        """See that it is off, and that no cell is there."""
        if self.one.read_setup()["on"] is not False:
            self.one.make_safe()
            self.say("off at first", False, "was on when it was opened; now switched off")
        reading = self.one.read()
        volt, ampere = reading["voltage_V"], reading["current_A"]
        self.say("off at first", abs(ampere) <= OFF_A, f"reads off; {volt:.3f} V, {ampere:.4f} A")
        if not self.is_load and abs(volt) > OFF_V:
            raise Refused(
                f"{self.one.name}: {volt:.3f} V with its output off: a cell, and no resistor alone; nothing was ordered"
            )
        if self.is_load and volt < 1.0:
            raise Refused(f"{self.one.name}: {volt:.3f} V at the load: a source through the resistor is needed")
        self.open_V = volt

    def settings(self) -> None:
        """Two values and both ends of each setting, with the output off; beyond the end nothing is sent."""
        for key, setting in self.one.dialect.settings.items():
            if setting.query is None or key in self.one.missing:
                self.say(f"setting {key}", None, "cannot be read back")
                continue
            if key not in ("current", "voltage") and key in self.one.dialect.mode_words:
                continue
            high = min(setting.high, self.one.ranges.get(key, (0.0, setting.high))[1])
            tick = setting.scale * 10.0**-setting.decimals
            top = high if high < 1e6 else setting.low + 1000 * tick
            wrong = []
            for share in (0.1, 0.5, 1.0, 0.02):
                value = max(setting.low, round((setting.low + share * (top - setting.low)) / tick) * tick)
                if value <= 0.0:
                    continue
                try:
                    self.one._hold(key, value)
                except LimitError as error:
                    wrong.append(str(error))
                except DriverError as error:
                    wrong.append(str(error))
                    self.back()
            if high < 1e6:
                try:
                    self.one._hold(key, high * 1.01 + tick)
                    wrong.append(f"{high * 1.01 + tick:g} {setting.unit}, beyond its range, was sent")
                except LimitError:
                    pass
            self.say(
                f"setting {key}",
                not wrong,
                "; ".join(wrong) or f"held up to {top:g} {setting.unit}; beyond is refused, nothing sent",
            )

    def levels(self) -> tuple[float, float]:
        """Two currents, both harmless to the resistor's circuit."""
        most_A = self.open_V / self.ohm if self.is_load else 1.0 / self.ohm
        return 0.2 * most_A, 0.4 * most_A

    def switch_on(self, ampere: float) -> None:
        """Let this current flow."""
        if self.is_load:
            self.one.arm_limits(0.1 * self.open_V, 3.0 * ampere)
            self.one.set_discharge("current", ampere)
            self.one.set_input(True)
        else:
            self.one.arm_limits(3.0 * ampere * self.ohm + 1.0, 3.0 * ampere, 600.0)
            self.one.set_voltage(ampere * self.ohm)
            self.one.set_current_limit(2.0 * ampere)
            self.one.set_output(True)
        self.sleep(max(0.3, 2.0 * self.one.abilities.refresh_s))

    def flow(self) -> None:
        """Compare order, reading and resistor at two currents."""
        try:
            for ampere in self.levels():
                self.switch_on(ampere)
                reading = self.one.read()
                shown_A, volt = abs(reading["current_A"]), reading["voltage_V"]
                by_resistor_A = (self.open_V - volt) / self.ohm if self.is_load else volt / self.ohm
                right_sign = (reading["current_A"] < 0.0) == self.is_load
                good = _near(shown_A, ampere) and _near(by_resistor_A, ampere) and right_sign
                text = (
                    f"ordered {ampere:.3f} A, shows {shown_A:.3f} A; "
                    f"{volt:.3f} V makes {by_resistor_A:.3f} A in the resistor"
                )
                if not right_sign:
                    text += "; the sign is wrong (measure.current_sign)"
                elif not good:
                    text += ": a wrong range, scale or order of bytes, or another resistor"
                self.say("what flows", good, text)
        finally:
            self.one.make_safe()

    def off(self) -> None:
        """Switch off, and see by the voltage that it is."""
        self.switch_on(self.levels()[0])
        before_s = time.monotonic()
        state = self.one.make_safe()
        took_s = time.monotonic() - before_s
        self.sleep(max(0.2, 2.0 * self.one.abilities.refresh_s))
        reading = self.one.read()
        flows = abs(reading["current_A"])
        volt = reading["voltage_V"]
        gone = abs(volt - self.open_V) <= max(AGREE_V, AGREE * self.open_V) if self.is_load else abs(volt) <= OFF_V
        lies = "" if gone else f"; but {volt:.3f} V says that current still flows: it says off and is not"
        self.say("off", state.off and flows <= OFF_A and gone, f"in {took_s:.2g} s: {state.text}{lies}")

    def protections(self) -> None:
        """Let its own protection act."""
        able = self.one.abilities
        ampere = self.levels()[1]
        try:
            if self.is_load and able.low_voltage_cutoff:
                self.one.set_discharge("current", ampere)
                self.one.arm_limits(self.open_V - 0.5 * ampere * self.ohm, 3.0 * ampere)
                self._trips("its cut-off", lambda: self.one.set_input(True))
                self.one.arm_limits(0.1, None)
            elif not self.is_load and able.over_voltage_protection:
                self.one.set_current_limit(2.0 * ampere)
                self.one.set_voltage(ampere * self.ohm)
                self.one.arm_limits(0.5 * ampere * self.ohm, None, None)
                self._trips("its over-voltage protection", lambda: self.one.set_output(True))
            else:
                self.say(
                    "its own protections", None, "none are described: nothing of it acts when the computer is dead"
                )
        finally:
            self.one.make_safe()

    def _trips(self, what: str, switch_on: Callable[[], None]) -> None:
        try:
            switch_on()
        except DriverError:
            self.back()  # it was off again before it could be read back as on
        until_s = time.monotonic() + TRIP_S
        while (on := self.one.read_setup()["on"]) and time.monotonic() < until_s:
            self.sleep(0.05)
        self.say(what, not on, "acted by itself" if not on else f"did not act within {TRIP_S:g} s, beyond its value")

    def half(self) -> None:
        """Half an order for the other level, then off: neither may be carried out wrong, nor off be lost."""
        blind = getattr(self.one.link, "blind", None)
        if blind is None:
            self.say("half a message", None, "not tried for an instrument of SCPI")
            return
        low_A, high_A = self.levels()
        self.switch_on(low_A)
        word = f"SETTINGS.CURRENT.SET {high_A:.3f}"
        message = blind([word])[-1]
        self.one.link.send_blind((message[: max(1, len(message) - 2)],))
        self.one.link.close()
        off = self._by_the_sheet()
        held = self.one.read_setup()
        level = held["level"] if self.is_load else held["current_A"]
        was = low_A if self.is_load else 2.0 * low_A
        kept = _near(float(level or 0.0), was) or float(level or 0.0) == 0.0
        text = "spoiled, and off went through"
        if not kept:
            text = f"{level} A is held, {was:.3f} A was: half an order was carried out"
        elif not off:
            text = "off was lost behind it"
        self.say("half a message", off and kept, text)

    def silence(self) -> None:
        """Say nothing for a while."""
        declared_s = self.one.abilities.off_when_silent_s
        self.switch_on(self.levels()[0])
        self.sleep(declared_s + SILENT_S)
        try:
            on = self.one.read_setup()["on"]
        finally:
            self.one.make_safe()
        waited_s = declared_s + SILENT_S
        if declared_s and on:
            text = f"is on after {waited_s:g} s of silence; off_when_silent_s = {declared_s:g} is not so"
        elif declared_s:
            text = f"switched itself off within {waited_s:g} s"
        elif on:
            text = "stays on: nothing of it acts when the computer is dead"
        else:
            text = f"switched itself off within {waited_s:g} s: off_when_silent_s can be said"
        self.say("silence", not on if declared_s else None, text)

    def prepared(self) -> None:
        """Off by the bytes that a keeper has, on a session of its own."""
        self.switch_on(self.levels()[0])
        self.one.link.off.clear()  # else closing it switches it off already
        self.one.link.close()
        off = self._by_the_sheet()
        self.say(
            "off as prepared",
            off,
            "the bytes alone, on a new session, switched it off" if off else "the bytes alone did not switch it off",
        )

    def _by_the_sheet(self) -> bool:
        order = order_of(self.one, self.table)
        assert order is not None
        outlet = restore(order)
        outlet.send_off()
        self.sleep(0.5)
        outlet.close()
        self.one.link.off.clear()
        until_s = time.monotonic() + BACK_S
        while True:
            try:
                self.one.reopen()
                return self.one.read_setup()["on"] is False
            except DriverError:
                if time.monotonic() >= until_s:
                    raise
                self.sleep(0.1)

    def last_off(self) -> None:
        """Leave it off."""
        try:
            self.back()
            state = self.one.make_safe()
            if not state.off:
                self.say("at the end", False, f"{state.text}: PULL THE LEADS NOW")
        except DriverError as error:
            self.say("at the end", False, f"not known to be off: PULL THE LEADS NOW ({error})")


def _near(value: float, wanted: float) -> bool:
    return abs(value - wanted) <= AGREE * abs(wanted) + AGREE_A


def find_baud(
    table: Mapping[str, Any],
    bauds: tuple[int, ...],
    open_one: Callable[[Mapping[str, Any]], Any],
    tell: Callable[[str], None],
) -> int:
    """Try baud rates, one after another; harmless questions only. On request alone: noise may mean something to others.

    Raises:
        InputError: none is answered.
    """
    for baud in bauds:
        try:
            instrument = open_one({**table, "baud": baud})
        except DriverError as error:
            tell(f"{baud} baud: {error}")
            continue
        instrument.close()
        tell(f"{baud} baud: answers")
        return baud
    raise InputError(
        f"--try-bauds: nobody answers at {', '.join(map(str, bauds))} baud; look at cable, parity and address"
    )
