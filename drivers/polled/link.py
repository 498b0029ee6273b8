"""A link to an instrument by description: the words of its dialect in, what they mean on the wire out.

It has the face of `drivers.links.visa.Link`, so that the same drivers work over it, with the same invariant: an answer
belongs to the question before it. What such instruments lack is a question whose answer cannot be an old one. So
after ANY trouble (no answer, half of one, a wrong checksum, an echo, more than was asked for) nothing is taken
until the line has been silent for `late_s`; then a harmless question is put, and where questions are still without an
answer the line is listened to for as long as lay between them: an instrument that is always late shows
itself by the next old answer. Each answer that came after its time makes the wait longer.

Orders are never repeated. A question may be (`retries`), after the same silence. Times are wall time.
"""

import re
import time
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

from amphora.drivers.errors import DriverError, InstrumentError, LimitError, LinkError
from amphora.drivers.links.session import Session
from amphora.drivers.polled.coding import Coding
from amphora.drivers.polled.exchange import Declined, Exchange, Spoiled
from amphora.drivers.polled.table import Speech
from amphora.drivers.polled.wires import PortSettings, Wire, open_wire

OPEN_TIMEOUT_S = 5.0
LISTEN_MOST_S = 3.0  # of one try to be answered again; whoever asks comes again
LONGEST_WAIT_S = 30.0
FORGOTTEN_S = 60.0  # a question without an answer for so long is not waited for
BETWEEN_S = (
    0.005  # 3.5 characters of 9600 baud: silence between frames of Modbus RTU (its serial line guide, from memory)
)


class PolledLink(Session):
    """One instrument by description.

    Args:
        resource: See `wires.open_wire`.
        speech: How it is spoken to.
        name: The instrument's name, for messages.
        timeout_s: How long an answer may take.
        pause_s: The least time between the end of one exchange and the next message.
        serial: Settings of a serial port.
    """

    read_termination = write_termination = ""  # the bytes of an order to switch off are whole

    def __init__(
        self,
        resource: str,
        speech: Speech,
        *,
        name: str = "instrument",
        timeout_s: float = 1.0,
        pause_s: float = 0.0,
        serial: PortSettings = PortSettings(),  # noqa: B008  frozen
    ) -> None:
        self.resource = resource
        self.speech = speech
        self.name = name
        self.timeout_s = timeout_s
        self.pause_s = max(pause_s, BETWEEN_S if speech.kind == "modbus" else 0.0)
        self.baud, self.data_bits, self.parity, self.stop_bits = (
            serial.baud, serial.data_bits, serial.parity, serial.stop_bits
        )  # fmt: skip
        self.exchanges = 0
        self.open_timeout_s: float | None = None
        self._made: Coding | None = None  # made when it is first needed: bytes that are prepared go out before
        self._wire: Wire | None = None
        super().__init__()
        self._ready_s = self._heard_s = self._last_s = 0.0
        self._blind_s = -60.0
        self._blind = False  # something was sent that may be answered, and nobody listened
        self._quiet_s = speech.late_s or max(0.3, timeout_s / 2)
        self._wait_s = self._quiet_s
        self._unanswered: list[float] = []
        self._remote: tuple[str, ...] = ()

    # -- as of every link ---------------------------------------------------------------------------

    @property
    def _coding(self) -> Coding:
        if self._made is None:
            self._made = self.speech.make_coding()
        return self._made

    @property
    def _open(self) -> bool:
        return self._wire is not None

    def open(self, waits: bool = True) -> None:
        """Open the session; wait until a board that starts again at each opening has started.

        Raises:
            LinkError: it cannot be opened.
        """
        self.close()
        serial = PortSettings(
            self.baud, self.data_bits, self.parity, self.stop_bits, self.speech.dtr, self.speech.rts
        )  # fmt: skip
        open_s = self.open_timeout_s or max(self.timeout_s, OPEN_TIMEOUT_S)
        try:
            self._wire = open_wire(self.resource, open_s, serial, self.speech.hid_report)
        except (OSError, ValueError) as error:
            said = getattr(error, "strerror", None) or str(error)
            if isinstance(error, ConnectionRefusedError):
                said = "nobody listens there (connection refused)"
            self._broken = f"could not be opened: {said}"
            raise LinkError(f"{self.name} at {self.resource} could not be opened: {said}") from error
        self._broken, self._dead, self._blind = "", False, False
        now_s = time.monotonic()
        self._ready_s, self._heard_s = now_s + max(self.pause_s, self.speech.gap_s), now_s
        if waits and self.speech.starts_s > 0.0:
            time.sleep(self.speech.starts_s)
            self._throw_away()

    def set_pause(self, pause_s: float) -> None:
        """Let at least this much time pass between exchanges, from now on."""
        self.pause_s = max(pause_s, BETWEEN_S if self.speech.kind == "modbus" else 0.0)
        self._ready_s = time.monotonic() + self.pause_s

    def reopen(self, first: Sequence[str] = ()) -> None:
        """Close, open again, and listen until nothing old comes any more.

        Args:
            first: Bytes that go out before anything else.

        Raises:
            LinkError: as `open`; or `first` could not be sent; or the line does not fall silent (yet).
        """
        self.say_off()
        self.open(waits=not first)
        if first:
            self.send_blind(first)
            time.sleep(min(self.speech.starts_s, LISTEN_MOST_S))
            if self.speech.starts_s:  # a board that was starting did not hear it
                self.send_blind(first)
        self._listen()
        self._blind = False

    def send_blind(self, messages: Sequence[str]) -> None:
        """Send bytes (as Latin-1 texts) on the open session, whatever has become of it; waits for no answer.

        Raises:
            LinkError: no session is open, or the peer is gone or does not read.
        """
        if self._wire is None or self._dead:
            raise LinkError(f"{self.name} at {self.resource}: no session is open ({self._broken})")
        gap_s = max(self.pause_s, self.speech.gap_s)  # silence ends half a message that somebody left behind
        self._ready_s = max(self._ready_s, time.monotonic() + self.speech.gap_s)
        try:
            for message in messages:
                self._pause()
                self._wire.send(message.encode("latin-1"))
                self.exchanges += 1
                self._blind = True
                self._blind_s = time.monotonic()
                self._ready_s = self._blind_s + gap_s
        except OSError as error:
            raise self._break(f"sending failed: {error.strerror or error}", dead=True) from error

    def blind(self, words: Sequence[str]) -> tuple[str, ...]:
        """Return words as bytes (Latin-1 texts) that can be sent without a link: exact, and good for any time."""
        coding = self.speech.make_coding()
        found = [coding.spoiler.decode("latin-1")] if coding.spoiler else []
        for word in words:
            exchange, values = self._meant(word)
            found.append(coding.request(exchange, values).decode("latin-1"))
        return tuple(found)

    def settle(self, message: str, right: Callable[[str], bool]) -> str:
        """Make the open session usable again: silence, then a harmless question, then silence as long as is owed.

        Raises:
            LinkError: the line is not silent yet, or no right answer came. The session stays open, and broken.
        """
        if self._wire is None or self._dead:
            raise LinkError(f"{self.name} at {self.resource}: no session is open ({self._broken})")
        self._listen()
        now_s = time.monotonic()
        self._unanswered = [one for one in self._unanswered if now_s - one < FORGOTTEN_S]
        owed = list(self._unanswered)
        try:
            answer = self._identity()
        except InstrumentError as error:
            raise self._break(str(error)) from error
        if not right(answer):
            raise self._break(f"{answer!r} answered {message!r}")
        if owed:
            asked = [*owed, now_s]
            between = max(after - before for before, after in pairwise(asked))
            self._confirm(min(LISTEN_MOST_S, between + self.timeout_s), owed[0])
        self._unanswered.clear()
        self._wait_s = self._quiet_s
        self._broken, self._blind = "", False
        return answer

    def close(self) -> None:
        """Give the session back; may be called twice."""
        wire, self._wire = self._wire, None
        self._dead = False
        if not self._broken:
            self._broken = "it was closed"
        if wire is not None:
            wire.close()

    def write(self, message: str) -> None:
        """Give an order, and take its confirmation where the description has one.

        Raises:
            LinkError: the link is broken or breaks. InstrumentError: it refused. LimitError: the value does not fit.
        """
        self._usable()
        if message.startswith("LINK.REMOTE") and message not in self._remote:
            self._remote = (*self._remote, message)
        exchange, values = self._meant(message)
        self._stay_remote(message)
        self._exchange(exchange, values, message, retries=0)

    def query(self, message: str) -> str:
        """Put a question and return its answer; several values are joined by commas.

        Raises:
            LinkError: the link is broken or breaks (no answer in time counts); InstrumentError: it refused.
        """
        self._usable()
        if message == "*IDN?":
            return self._identity()
        exchange, values = self._meant(message)
        self._stay_remote(message)
        found = self._exchange(exchange, values, message, retries=self.speech.retries)
        return ",".join(found[name] for name in exchange.names)

    def beat(self) -> None:
        """Keep a remote mode alive that has to be; where that fails the next exchange says so."""
        kept = self.speech.keep_alive
        if kept is None or self._broken or time.monotonic() - self._last_s < self.speech.keep_alive_s:
            return
        try:
            self._exchange(kept, {}, kept.word, retries=0)
        except DriverError:
            return

    # -- inside ---------------------------------------------------------------------------------------

    def _identity(self) -> str:
        """Ask who is there, or where that cannot be asked, a harmless question: somebody is there."""
        exchange = self.speech.identity
        if exchange is None:
            self._exchange(self.speech.probe, self._first_channel(self.speech.probe), "a first question", retries=0)
            return f"described,{self.speech.name},no name of its own,0"
        found = self._exchange(exchange, {}, "who it is", retries=0)
        told = " ".join(found[name] for name in exchange.names)
        return f"described,{self.speech.name},{re.sub('[^!-~]+', ' ', told).replace(',', ' ').strip() or '-'},0"

    @staticmethod
    def _first_channel(exchange: Exchange) -> dict[str, str]:
        return {one: "1" for one in exchange.places if one == "channel"}

    def _meant(self, message: str) -> tuple[Exchange, dict[str, str]]:
        word, *filled = message.split()
        exchange = self.speech.exchanges.get(word)
        if exchange is None:
            raise LimitError(f"{self.name}: {word} is not described (dialect {self.speech.name}); nothing was sent")
        return exchange, dict(zip(exchange.places, filled, strict=True))

    def _stay_remote(self, message: str) -> None:
        """Enter the remote mode again where it has lapsed, before anything is ordered."""
        kept = self.speech.keep_alive
        if kept is None or message.startswith("LINK.REMOTE"):
            return
        silent_s = time.monotonic() - self._last_s
        if silent_s < self.speech.keep_alive_s:
            return
        for word in self._remote:
            self._exchange(self._meant(word)[0], {}, word, retries=0)
        if not self._remote:
            self._exchange(kept, {}, kept.word, retries=0)

    def _exchange(self, exchange: Exchange, values: Mapping[str, str], what: str, retries: int) -> dict[str, str]:
        if self._blind:
            self._listen()
            self._blind = False
        try:
            sent = self._coding.request(exchange, values)
        except LimitError as error:
            raise LimitError(f"{self.name}: {error}") from error
        for left in range(retries, -1, -1):
            try:
                return self._once(exchange, sent, what)
            except LinkError:
                if not left or self._dead:
                    raise
                self._heard_s = time.monotonic()
                self._listen()
                self._broken = ""
                sent = self._coding.request(exchange, values)
        raise AssertionError("the last try returns or raises")

    def _once(self, exchange: Exchange, sent: bytes, what: str) -> dict[str, str]:
        wire = self._wire
        assert wire is not None
        self._pause()
        try:
            waited = wire.receive(0.0)
            if waited.strip(b"\0" if wire.pads else b""):
                self._heard_s = time.monotonic()
                raise self._break(f"bytes that nobody asked for were waiting ({waited[:16].hex(' ')})")
            wire.send(sent)
            found = self._answer(wire, exchange, sent, what) if exchange.answered or self._coding.echo else {}
        except OSError as error:
            raise self._break(f"asking {what} failed: {error.strerror or error}", dead=True) from error
        finally:
            now_s = time.monotonic()
            self._ready_s = now_s + self.pause_s
        self.exchanges += 1
        self._last_s = now_s
        return found

    def _answer(self, wire: Wire, exchange: Exchange, sent: bytes, what: str) -> dict[str, str]:
        asked_s = time.monotonic()
        until_s, came, echoed = asked_s + self.timeout_s, b"", not self._coding.echo
        while True:
            left_s = until_s - time.monotonic()
            more = wire.receive(max(left_s, 0.0))
            if more:
                self._heard_s = time.monotonic()
            elif left_s <= 0.0:
                self._unanswered.append(asked_s)
                came_text = f"; {came[:24].hex(' ')} came" if came else ""
                raise self._break(
                    f"no {'whole ' if came else ''}answer to {what} within {self.timeout_s:g} s{came_text}"
                )
            came += more
            if not echoed:
                if len(came) < len(sent):
                    continue
                if came[: len(sent)] != sent:
                    raise self._break(f"{what}: the echo is not what was sent; somebody else talks on this line")
                came, echoed = came[len(sent) :], True
                if not exchange.answered:
                    taken: tuple[dict[str, str], int] | None = ({}, 0)
                    break
            try:
                taken = self._coding.answer(exchange, sent, came)
            except Declined as error:
                raise InstrumentError(f"{self.name}: {what} was refused ({error})") from error
            except Spoiled as error:
                raise self._break(f"{what}: {error}") from error
            if taken is not None:
                break
        assert taken is not None
        values, used = taken
        if came[used:].strip(b"\0" if wire.pads else b""):
            raise self._break(f"{what}: more came than was asked for ({came[used : used + 16].hex(' ')})")
        return values

    def _listen(self) -> None:
        """Throw away what comes until nothing has for `_wait_s`.

        Raises:
            LinkError: not silent for so long yet; what has been waited counts the next time.
        """
        wire = self._wire
        assert wire is not None
        until_s = time.monotonic() + LISTEN_MOST_S
        if not self._broken:  # after an order that nobody waited for: its confirmation may still come
            self._heard_s = max(self._heard_s, self._blind_s)
        try:
            while (silent_s := time.monotonic() - self._heard_s) < self._wait_s:
                left_s = until_s - time.monotonic()
                if left_s <= 0.0:
                    raise self._break(f"old answers may still come ({silent_s:.1f} of {self._wait_s:.1f} s of silence)")
                if wire.receive(min(self._wait_s - silent_s, left_s)):
                    self._late()
            while wire.receive(0.0):
                self._late()
        except OSError as error:
            raise self._break(f"listening failed: {error.strerror or error}", dead=True) from error

    def _late(self) -> None:
        """Something came that nobody waits for: where a question is without its answer, it may be that one."""
        self._heard_s = time.monotonic()
        confirms = self._heard_s - self._blind_s <= self.timeout_s  # what was sent without waiting is answered, too
        if self._unanswered and not confirms:
            late_s = self._heard_s - self._unanswered[0]
            if late_s > self.timeout_s:
                self._wait_s = min(LONGEST_WAIT_S, max(self._wait_s, 1.5 * late_s))

    def _confirm(self, seconds: float, oldest_s: float) -> None:
        wire = self._wire
        assert wire is not None
        until_s = time.monotonic() + seconds
        try:
            while (left_s := until_s - time.monotonic()) > 0.0:
                if wire.receive(left_s):
                    self._heard_s = time.monotonic()
                    self._wait_s = min(LONGEST_WAIT_S, max(self._wait_s, 1.5 * (self._heard_s - oldest_s)))
                    raise self._break("an answer came to a question of before; more of them may")
        except OSError as error:
            raise self._break(f"listening failed: {error.strerror or error}", dead=True) from error

    def _throw_away(self) -> None:
        wire = self._wire
        assert wire is not None
        try:
            while wire.receive(0.02):
                self._heard_s = time.monotonic()
        except OSError as error:
            raise self._break(f"listening failed: {error.strerror or error}", dead=True) from error

    def _usable(self) -> None:
        if self._wire is None or self._broken:
            raise LinkError(f"{self.name} at {self.resource}: the link is not usable ({self._broken}); reopen it")

    def _pause(self) -> None:
        wait_s = self._ready_s - time.monotonic()
        if wait_s > 0.0:
            time.sleep(wait_s)
