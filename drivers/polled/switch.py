"""A relay by description: told in lines, frames or coils to make or open its contacts.

    format = "amphora-dialect/1"
    role = "switch"
    [protocol] ...
    [positions]
    open = { write_coil = 0, is = 0 }              # opens everything
    discharge = { write_coil = 0, is = 1 }
    query = { read = "coil", register = 0, on = 1, off = 0 }     # made or open; a feedback, where there is one
    [habit]
    kind = "watchdog"              # "beat", "watchdog", "plain"
    opens_within_s = 5.0           # of silence; not for "plain"

Three habits. "beat": a contact is held by `protocol.keep_alive`, and falls out without. "watchdog": it opens by itself
when nobody has spoken to it for a while; `keep_alive`, or else the query, is what it hears. "plain": it stays as it was
told, whatever becomes of the computer: no layer then, and `bench check` says so. Opening it opens its contacts.
"""

import time
from collections.abc import Mapping
from typing import Any

from amphora.drivers.described import check_keys, finite_number, shown
from amphora.drivers.errors import DescriptionError, DriverError, IdentityError, InstrumentError, LimitError, LinkError
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.polled.table import Speech, translate
from amphora.drivers.relay import Relay
from amphora.drivers.roles import Abilities, Position, SafeState

HABITS = ("beat", "watchdog", "plain")
TOP = ("format", "name", "role", "about", "protocol", "link", "positions", "habit", "behaviour")
LONGEST_RELEASE_S = 10.0
BEAT_S = 0.5
BETWEEN_S = 0.05  # break before make


def relay_speech(data: Mapping[str, Any], where: str) -> tuple[Speech, str, float]:
    """Return how a relay is spoken to, its habit, and within how many seconds of silence it opens (0: never).

    Raises:
        DescriptionError: file, key, value, what is accepted.
    """
    check_keys(data, TOP, where)
    if data.get("role") != "switch" or "protocol" not in data:
        raise DescriptionError(f"{where}: role = {shown(data.get('role'))} is not accepted; switch with a protocol is")
    plain, speech = translate(data, where)
    positions = plain.get("positions", {})
    check_keys(positions, ("open", "discharge", "charge", "query"), f"{where}: positions")
    if "open" not in positions or len(set(positions) - {"open", "query"}) < 1:
        raise DescriptionError(f"{where}: positions needs open, and discharge or charge")
    habit = data.get("habit", {})
    check_keys(habit, ("kind", "opens_within_s"), f"{where}: habit")
    kind, opens_s = habit.get("kind"), finite_number(habit.get("opens_within_s", 0.0))
    if kind not in HABITS:
        raise DescriptionError(f"{where}: habit.kind = {shown(kind)} is not accepted; {', '.join(HABITS)} are")
    if opens_s is None or not (opens_s == 0.0 if kind == "plain" else 0.0 < opens_s <= LONGEST_RELEASE_S):
        accepted = "none for a plain relay" if kind == "plain" else f"above 0 and at most {LONGEST_RELEASE_S:g}"
        raise DescriptionError(
            f"{where}: habit.opens_within_s = {shown(habit.get('opens_within_s'))} is not accepted; {accepted} is"
        )
    if kind == "beat" and speech.keep_alive is None:
        raise DescriptionError(f"{where}: habit.kind = 'beat' needs protocol.keep_alive: what is the beat?")
    if kind == "watchdog" and speech.keep_alive is None and "POSITIONS.QUERY?" not in speech.exchanges:
        raise DescriptionError(
            f"{where}: habit.kind = 'watchdog' needs protocol.keep_alive or positions.query: what does it hear?"
        )
    return speech, str(kind), opens_s


class DescribedRelay(Relay):
    """See the module. `link` is open; contacts are opened by `start`."""

    def __init__(self, name: str, link: PolledLink, data: Mapping[str, Any], where: str, expected: str = "") -> None:
        self.name, self.link, self.data = name, link, data
        self.speech, self.habit, self.opens_s = relay_speech(data, where)
        self.expected, self.identity = expected, ""
        self.abilities = Abilities(
            off_when_silent_s=self.opens_s, power_on_off=data.get("behaviour", {}).get("power_on_off")
        )
        self.position: Position = "open"
        self._beat_s = 0.0
        self._remote = [word for word in self.speech.exchanges if word.startswith("LINK.REMOTE")]

    def start(self) -> None:
        """Ask who it is, and open its contacts."""
        self.identify()
        for word in self._remote:
            self.link.write(word)
        self._tell("open")

    def identify(self) -> str:
        """Return who answers. IdentityError: another."""
        answer = self.link.query("*IDN?")
        if self.expected not in answer or (self.identity and answer != self.identity):
            raise IdentityError(f"{self.name}: {answer!r} answers; {self.identity or self.expected!r} was expected")
        self.identity = answer
        return answer

    def read_setup(self) -> Mapping[str, object]:
        """Return the position, `on` (by its own word where it has one), and the habit."""
        return {**super().read_setup(), "habit": self.habit}

    def connect(self, position: Position) -> None:
        """Open, then make, and read back where it can.

        Raises:
            LimitError: it has no such position; nothing was moved. InstrumentError: it says otherwise.
        """
        if f"POSITIONS.{position.upper()}" not in self.speech.exchanges:
            raise LimitError(f"{self.name}: has no position {position!r}; nothing moved")
        if position == self.position:
            self.beat()
            return
        self._tell("open")
        if position == "open":
            return
        time.sleep(BETWEEN_S)
        self._tell(position)

    def _tell(self, position: Position) -> None:
        if position != "open":
            self.link.off[self.name] = self.off_messages()
        self.position = position
        word = f"POSITIONS.{position.upper()}"
        self.link.write(word)
        made = self._made()
        if made is not None and made != (position != "open"):
            raise InstrumentError(
                f"{self.name}: was told {position}, and says that its contact is {'made' if made else 'open'}"
            )
        if position == "open":
            self.link.off.pop(self.name, None)

    def _made(self) -> bool | None:
        return self.link.query("POSITIONS.QUERY?") == "1" if "POSITIONS.QUERY?" in self.speech.exchanges else None

    def beat(self) -> None:
        """Let it hear that the computer lives, while a contact is made.

        Raises:
            DriverError: it does not answer; or it has opened by itself.
        """
        now_s = time.monotonic()
        if self.position == "open" or self.habit == "plain" or now_s - self._beat_s < BEAT_S:
            return
        self._beat_s = now_s
        if self.speech.keep_alive is not None:
            self.link.write("PROTOCOL.KEEP_ALIVE?")
        if self._made() is False:
            raise InstrumentError(f"{self.name}: was told {self.position}, and has opened by itself")

    def off_messages(self) -> tuple[str, ...]:
        """Return the bytes that open it, as Latin-1 texts: exact, for a new session."""
        return self.link.blind([*self._remote, "POSITIONS.OPEN", "POSITIONS.OPEN"])

    def send_off(self) -> bool:
        """Send the bytes on the session that is open; whether they left. Never raises."""
        try:
            self.link.send_blind(self.off_messages())
        except DriverError:
            return False
        self.position = "open"
        return True

    def make_safe(self) -> SafeState:
        """Open, and see that it is, where it can tell."""
        self.send_off()
        self.position = "open"
        if not self.link.alive:
            self.link.reopen(self.off_messages())
        if self.link.broken:
            self.link.settle("*IDN?", lambda line: not self.identity or line == self.identity)
        made = self._made()
        if made is None and self.identity:
            self.identify()  # it lives, and what was sent before was heard
        if made is None:
            return SafeState(
                True,
                None,
                "told to open" + ("" if not self.opens_s else f"; opens by itself within {self.opens_s:g} s"),
            )
        return SafeState(not made, None, f"{'still made' if made else 'open'}, read back")

    def reopen(self) -> None:
        """Be answered again; its contact is then open."""
        if not self.link.alive:
            self.link.reopen(self.off_messages())
        if self.link.broken:
            self.link.settle("*IDN?", lambda line: not self.identity or line == self.identity)
        self.start()

    def close(self) -> None:
        """Open its contacts where it can still be told; give the link back. May be called twice."""
        if self.link.alive and self.position != "open":
            self.send_off()
        self.link.off.pop(self.name, None)
        try:
            self.link.release()
        except (OSError, LinkError):
            return
