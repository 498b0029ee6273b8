"""The generic style: long and short words of SCPI-1999 volume 2 (command subsystems).

Compound questions, an error queue.

`lacks` may hold: "state" (protections are armed by their value alone), "protections", "timer", "sense", "modes",
"power-on", "errors".
"""

import re

from machine import Load, Machine, Refused, Supply

UNKNOWN = '-113,"Undefined header"'
BAD_VALUE = '-224,"Illegal parameter value"'
MODES = {"CURRENT": "current", "RESISTANCE": "resistance", "POWER": "power", "VOLTAGE": "voltage"}
SHORT = {"current": "CURR", "resistance": "RES", "power": "POW", "voltage": "VOLT"}


def head_is(head: str, *words: str) -> bool:
    """Whether a header is these words, each long or short; a word in round brackets may be left out."""
    built = ""
    for word in words:
        bare = word.strip("()")
        short = "".join(one for one in bare if not one.islower())
        one = f"(?:{bare.upper()}|{short})"
        built += f"(?:{one}:?)?" if word.startswith("(") else f"{one}:?"
    return re.fullmatch(built, head) is not None


def value_of(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise Refused(BAD_VALUE) from None


def state_of(text: str) -> bool:
    if text.upper() in ("ON", "1"):
        return True
    if text.upper() in ("OFF", "0"):
        return False
    raise Refused(BAD_VALUE)


class Generic(Machine):
    """What load and supply of this style share."""

    kind = ""

    def obey(self, text: str, session) -> str | None:
        asks = "?" in text
        head, _, tail = text.partition(" ")
        head, tail = head.rstrip("?").upper(), tail.strip()
        if asks and head == "*IDN":
            return f"OTHER MAKE,GENERIC {self.kind},OM{self.name}01,2.4"
        if head in ("*CLS", "*RST"):
            self.errors.clear()
            if head == "*RST":
                self.switch(False)
            return None
        if asks and head_is(head, "SYSTem", "ERRor", "(NEXT)") and "errors" not in self.lacks:
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if asks and head_is(head, "MEASure", "(SCALar)", "VOLTage", "(DC)"):
            return self.number(self.look()[0], "{:.5f}")
        if asks and head_is(head, "MEASure", "(SCALar)", "CURRent", "(DC)"):
            return self.number(self.look()[1], "{:.5f}")
        return self.own(head, tail, asks)

    def own(self, head: str, tail: str, asks: bool) -> str | None:
        raise NotImplementedError

    def protection(self, armed: str, level: str, head: str, tail: str, asks: bool, words: tuple) -> tuple | None:
        """Level, state and trip of one protection; None where the header is another."""
        if "protections" in self.lacks:
            return None
        if head_is(head, *words, "(LEVel)"):
            if asks:
                return (self.number(getattr(self, level), "{:.3f}"),)
            setattr(self, level, value_of(tail))
            if "state" in self.lacks:
                setattr(self, armed, value_of(tail) > 0.0)
            return (None,)
        if head_is(head, *words, "STATe") and "state" not in self.lacks:
            if asks:
                return (str(int(getattr(self, armed))),)
            setattr(self, armed, state_of(tail))
            return (None,)
        if asks and head_is(head, *words, "TRIPped"):
            return (str(int(self.tripped != "")),)
        return None


class GenericLoad(Generic, Load):
    kind = "LOAD"

    def __init__(self, *words, **more) -> None:
        super().__init__(*words, **more)
        self.sense = False

    def own(self, head: str, tail: str, asks: bool) -> str | None:
        if head_is(head, "INPut", "(STATe)"):
            if asks:
                return str(int(self.on))
            self.switch(state_of(tail))
            return None
        if head_is(head, "(SOURce)", "FUNCtion") and "modes" not in self.lacks:
            if asks:
                return SHORT[self.mode]
            for word, mode in MODES.items():
                if tail.upper() in (word, SHORT[mode]):
                    self.mode = mode
                    return None
            raise Refused(BAD_VALUE)
        for word, mode in (("CURRent", "current"), ("RESistance", "resistance"), ("POWer", "power"),
                           ("VOLTage", "voltage")):  # fmt: skip
            if head_is(head, "(SOURce)", word, "(LEVel)", "(IMMediate)") and not (
                "modes" in self.lacks and mode != "current"
            ):
                if asks:
                    return self.number(self.level[mode], "{:.4f}")
                if not 0.0 <= value_of(tail) <= 1000.0:
                    raise Refused(BAD_VALUE)
                self.level[mode] = value_of(tail)
                return None
        for armed, level, words in (
            ("cutoff_armed", "cutoff_V", ("(SOURce)", "VOLTage", "PROTection", "UNDer")),
            ("most_armed", "most_A", ("(SOURce)", "CURRent", "PROTection")),
        ):
            told = self.protection(armed, level, head, tail, asks, words)
            if told is not None:
                return told[0]
        if head_is(head, "SYSTem", "RSENse") and "sense" not in self.lacks:
            if asks:
                return str(int(self.sense))
            self.sense = state_of(tail)
            return None
        raise Refused(UNKNOWN)


class GenericSupply(Generic, Supply):
    kind = "SUPPLY"

    def own(self, head: str, tail: str, asks: bool) -> str | None:
        if head_is(head, "OUTPut", "(STATe)"):
            if asks:
                return str(int(self.on))
            self.switch(state_of(tail))
            return None
        for word, name in (("VOLTage", "volt"), ("CURRent", "ampere")):
            if head_is(head, "(SOURce)", word, "(LEVel)", "(IMMediate)", "(AMPLitude)"):
                if asks:
                    return self.number(getattr(self, name), "{:.4f}")
                if not 0.0 <= value_of(tail) <= 60.0:
                    raise Refused(BAD_VALUE)
                setattr(self, name, value_of(tail))
                return None
        for armed, level, words in (
            ("most_V_armed", "most_V", ("(SOURce)", "VOLTage", "PROTection")),
            ("most_A_armed", "most_A", ("(SOURce)", "CURRent", "PROTection")),
        ):
            told = self.protection(armed, level, head, tail, asks, words)
            if told is not None:
                return told[0]
        if "timer" not in self.lacks:
            if head_is(head, "OUTPut", "TIMer", "(DELay)"):
                if asks:
                    return self.number(self.timer_s, "{:.0f}")
                self.timer_s = value_of(tail)
                if "state" in self.lacks:
                    self.timer_armed = self.timer_s > 0.0
                return None
            if head_is(head, "OUTPut", "TIMer", "STATe") and "state" not in self.lacks:
                if asks:
                    return str(int(self.timer_armed))
                self.timer_armed = state_of(tail)
                return None
        if asks and head_is(head, "OUTPut", "PON", "(STATe)") and "power-on" not in self.lacks:
            return "OFF"
        raise Refused(UNKNOWN)
