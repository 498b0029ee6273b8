"""The other style, an invented one: words of its own, whole words only, one question a message, carriage returns.

Millivolt and milliampere where things are set, units behind what is measured, and orders only after CONTROL REMOTE. The
remote mode ends with the session.
"""

from machine import Load, Machine, Refused, Supply


class Otherwise(Machine):
    """What load and supply of this style share."""

    compound = False
    kind = ""
    head = ""  # SINK or FEED

    def obey(self, text: str, session) -> str | None:
        asks = text.endswith("?")
        head, _, tail = text.rstrip("?").partition(" ")
        head, tail = head.upper(), tail.strip()
        if ";" in text:
            raise Refused("31,ONE AT A TIME")
        if asks:
            if head == "*IDN":
                return f"OTHERWISE,{self.kind}-7,OW{self.name}77,0.9"
            if head == "TROUBLE":
                return self.errors.pop(0) if self.errors else "0,CLEAR"
            if head == f"{self.head}:STATE":
                return "TRUE" if self.on else "FALSE"
            if head == "LOOK":
                volt, ampere = self.look()
                sign = -1.0 if self.kind == "SINK" else 1.0
                return f"{self.number(volt, '{:.4f}V')}|{self.number(sign * ampere, '{:.4f}A')}|OK"
            if head == "TRIPPED":
                return "TRUE" if self.tripped else "FALSE"
            return self.held(head)
        if head == "CONTROL" and tail.upper() in ("REMOTE", "LOCAL"):
            session.remote = tail.upper() == "REMOTE"
            return None
        if not session.remote:
            raise Refused("12,LOCAL CONTROL")
        if head == self.head and tail.upper() in ("START", "HALT"):
            self.switch(tail.upper() == "START")
            return None
        try:
            self.take(head, float(tail))
        except ValueError:
            raise Refused("22,WHAT NUMBER") from None
        return None

    def held(self, head: str) -> str:
        raise NotImplementedError

    def take(self, head: str, value: float) -> None:
        raise NotImplementedError


class OtherwiseLoad(Otherwise, Load):
    kind = head = "SINK"

    def held(self, head: str) -> str:
        if head == "DRAW":
            return self.number(self.level["current"] * 1e3, "{:+.3E}")
        if head == "FLOOR":
            return self.number(self.cutoff_V * 1e3, "{:+.4E}")
        if head == "ROOF":
            return self.number(self.most_A * 1e3, "{:+.4E}")
        if head == "HOLDS":
            return "AMPERES"
        raise Refused("11,NO SUCH WORD")

    def take(self, head: str, value: float) -> None:
        if head == "DRAW" and 0.0 <= value <= 10000.0:
            self.level["current"] = value * 1e-3
        elif head == "FLOOR":
            self.cutoff_V, self.cutoff_armed = value * 1e-3, value > 0.0
        elif head == "ROOF":
            self.most_A, self.most_armed = value * 1e-3, value > 0.0
        else:
            raise Refused("11,NO SUCH WORD")

    def obey(self, text: str, session) -> str | None:
        if text.upper() == "HOLDS AMPERES":
            return None
        return super().obey(text, session)


class OtherwiseSupply(Otherwise, Supply):
    kind = head = "FEED"

    def held(self, head: str) -> str:
        known = {
            "UPTO": self.volt * 1e3, "GIVE": self.ampere * 1e3, "ROOF:VOLT": self.most_V * 1e3,
            "ROOF:AMP": self.most_A * 1e3, "ENDS": self.timer_s / 60.0,
        }  # fmt: skip
        if head not in known:
            raise Refused("11,NO SUCH WORD")
        return self.number(known[head], "{:+.4E}")

    def take(self, head: str, value: float) -> None:
        if head == "UPTO":
            self.volt = value * 1e-3
        elif head == "GIVE":
            self.ampere = value * 1e-3
        elif head == "ROOF:VOLT":
            self.most_V, self.most_V_armed = value * 1e-3, value > 0.0
        elif head == "ROOF:AMP":
            self.most_A, self.most_A_armed = value * 1e-3, value > 0.0
        elif head == "ENDS":
            self.timer_s, self.timer_armed = value * 60.0, value > 0.0
        else:
            raise Refused("11,NO SUCH WORD")
