"""A link to one instrument through VISA, over the pure-Python backend.

Any VISA string: TCPIP sockets, VXI-11, HiSLIP, USBTMC, serial. Text in, text out; what the text
means is left to `drivers.scpi.syntax`, which command is sent to the dialect.

The invariant: an answer belongs to the question before it. After ANY trouble (no answer, half an
answer, bytes nobody asked for, a dead peer) every use raises `LinkError` until `settle()` or
`reopen()`. A time-out that only tried again would hand the old answer to the next question, for
ever and without an error.

A session in trouble stays open: an instrument that takes one client at a time may hold a dead session
for a minute and more, and until then nobody could switch it off. `settle()` goes on with the session
once an answer that cannot be an old one has come; `reopen()` throws it away, and sends on it before,
for each instrument that may be on, what switches that off (`off`). `send_blind()` sends on whatever
session is open and waits for nobody.

A raw socket is opened by the backend and then spoken to directly: the backend's own way from message
to socket costs more than everything else a reading needs (docs/benchmarks.md), and the bytes are the
same. A peer that does not read is given up after the time-out, too.

Times are wall time (a pause is the instrument's need, also on a bench that runs faster).
pyvisa is imported when a link is opened, not before.
"""

import errno
import logging
import math
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from amphora.drivers.errors import LinkError
from amphora.drivers.links import light
from amphora.drivers.links.session import Session

BACKEND = "@py"
OPEN_TIMEOUT_S = 5.0
LONGEST_ANSWER = 1_000_000  # characters; a line that goes on for ever is no answer
BLIND_S = 1.0  # the longest that sending may take to a peer that does not read
DOUBLED_S = 0.3  # how long a second answer to a question that was put twice is waited for
QUIET_S = 0.1  # a serial line silent for this long has no old answer left to give
_PARITIES = ("none", "odd", "even", "mark", "space")

_making = threading.Lock()  # instruments are opened from several threads when everything has to be made safe
_manager: Any = None
_foreign: tuple[type[BaseException], ...] = ()


def _visa() -> Any:
    """Return the resource manager, made once; nothing is searched for on the network."""
    with _making:
        return _made()


def _made() -> Any:
    global _manager, _foreign
    if _manager is None:
        pyvisa = light.pyvisa()
        foreign: list[type[BaseException]] = [
            pyvisa.errors.Error,
            pyvisa.errors.VisaIOWarning,
            OSError,  # sockets, serial.SerialException
            EOFError,  # VXI-11: the peer closed
            RuntimeError,  # HiSLIP: the peer closed, or spoke out of turn
            ValueError,
            AttributeError,  # the backend's session was closed under it
            TypeError,
            KeyError,
            MemoryError,
            NotImplementedError,
            struct.error,
        ]
        try:
            from pyvisa_py.protocols import rpc, vxi11

            foreign += [rpc.RPCError, vxi11.Vxi11Error]
        except ImportError:
            pass
        try:
            import termios

            foreign.append(termios.error)
        except ImportError:  # no such thing on this system
            pass
        # The backend logs an error and raises it as well; raising is enough.
        logging.getLogger("pyvisa").setLevel(logging.CRITICAL)
        _manager, _foreign = pyvisa.ResourceManager(BACKEND), tuple(foreign)
    return _manager


class Link(Session):
    """One VISA resource. `reopen()` is the only way back after an error.

    Args:
        resource: The VISA string.
        name: The instrument's name, for messages.
        timeout_s: How long an answer may take.
        read_termination, write_termination: What ends a line each way.
        pause_s: The least time between the end of one exchange and the next message.
        baud, data_bits, parity, stop_bits: Serial resources only; None leaves the backend's own.
    """

    def __init__(
        self,
        resource: str,
        *,
        name: str = "instrument",
        timeout_s: float = 1.0,
        read_termination: str = "\n",
        write_termination: str = "\n",
        pause_s: float = 0.0,
        baud: int | None = None,
        data_bits: int | None = None,
        parity: str | None = None,
        stop_bits: float | None = None,
    ) -> None:
        self.resource = resource
        self.name = name
        self.timeout_s = timeout_s
        self.read_termination = read_termination
        self.write_termination = write_termination
        self.pause_s = pause_s
        self.baud, self.data_bits, self.parity, self.stop_bits = baud, data_bits, parity, stop_bits
        self.exchanges = 0
        self.open_timeout_s: float | None = None  # None: some seconds
        self._resource: Any = None
        self._socket: socket.socket | None = None
        self._unasked = b""  # what came behind the end of an answer
        self._end = read_termination[-1:].encode("latin-1")
        self._write_end = write_termination.encode("latin-1")
        self._serial: Any = None
        super().__init__()
        self._owed = 0  # answers that `settle` asked for and that have not come
        self._ready_s = -math.inf

    @property
    def _open(self) -> bool:
        return self._resource is not None

    def open(self) -> None:
        """Open the session. For TCP this proves nothing yet: ask `*IDN?`.

        Raises:
            LinkError: no such port, refused, busy, or no such kind of resource.
        """
        self.close()
        opened: Any = None
        open_s = self.open_timeout_s or max(self.timeout_s, OPEN_TIMEOUT_S)
        try:
            manager = _visa()
            opened = manager.open_resource(self.resource, open_timeout=int(open_s * 1000))
            opened.read_termination = self.read_termination[-1:]  # what is left of it is stripped
            opened.write_termination = self.write_termination
            opened.timeout = max(1, round(self.timeout_s * 1000))
            opened.encoding = "latin-1"  # any byte is text; what is no answer is found when it is read
            session = opened.visalib.sessions.get(opened.session)
            interface = getattr(session, "interface", None)
            self._socket, self._serial = None, None
            if isinstance(interface, socket.socket):
                interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                if hasattr(session, "_pending_buffer") and self._end:
                    interface.settimeout(self.timeout_s)
                    self._socket, self._unasked = interface, b""
            elif self.is_serial and interface is not None:
                self._set_serial(opened, interface)
        except Exception as error:  # the backend raises bare Exception while opening
            if opened is not None:
                _close(opened)
            self._broken = f"could not be opened: {_said(error)}"
            raise LinkError(f"{self.name} at {self.resource} could not be opened: {_said(error)}") from error
        self._resource = opened
        self._broken, self._dead, self._owed = "", False, 0
        self._ready_s = time.monotonic() + self.pause_s

    def _set_serial(self, opened: Any, port: Any) -> None:
        from pyvisa import constants

        if self.baud is not None:
            opened.baud_rate = self.baud
        if self.data_bits is not None:
            opened.data_bits = self.data_bits
        if self.parity is not None:
            opened.parity = getattr(constants.Parity, self.parity)
        if self.stop_bits is not None:
            kinds = {1: constants.StopBits.one, 1.5: constants.StopBits.one_and_a_half, 2: constants.StopBits.two}
            opened.stop_bits = kinds[self.stop_bits]
        port.write_timeout = BLIND_S
        port.exclusive = True  # two programs on one port would steal each other's answers
        port.reset_input_buffer()
        self._serial = port

    def set_pause(self, pause_s: float) -> None:
        """Let at least this much time pass between exchanges, from now on."""
        self.pause_s = pause_s
        self._ready_s = time.monotonic() + pause_s

    def reopen(self, first: Sequence[str] = ()) -> None:
        """Close, open again. Whatever was still to come of old answers is gone with the session.

        Whoever may be on is sent what switches it off (`off`) before its session is thrown away.
        A serial line has no session, so it is listened to until it has been quiet for a while; an
        instrument on USB, VXI-11 or HiSLIP keeps its output, so it is told to clear it.

        Args:
            first: Messages that go out on the new session before anything else, and again where
                clearing may have thrown them away.

        Raises:
            LinkError: as `open`; or `first` could not be sent.
        """
        self.say_off()
        self.open()
        if first:
            self.send_blind(first)
        try:
            if self._serial is not None:
                self._listen_until_quiet(self._serial)
            elif self._socket is None:
                self._clear()
        except _foreign as error:
            raise self._break(f"clearing old answers failed: {_said(error)}") from error
        if first and self._serial is None and self._socket is None:
            self.send_blind(first)

    def send_blind(self, messages: Sequence[str]) -> None:
        """Send on the open session, whatever has become of it; asks nothing and waits for no answer.

        Raises:
            LinkError: no session is open, or the peer is gone or does not read.
        """
        opened = self._resource
        if opened is None or self._dead:
            raise LinkError(f"{self.name} at {self.resource}: no session is open ({self._broken})")
        try:
            for message in messages:
                if self.pause_s:
                    self._pause()
                data = message.encode("latin-1") + self._write_end
                if self._socket is not None:
                    self._socket.settimeout(BLIND_S)
                    self._socket.sendall(data)
                else:
                    opened.write_raw(data)
                self.exchanges += 1
                if self.pause_s:
                    self._ready_s = time.monotonic() + self.pause_s
            peer = self._socket
            if peer is not None:
                peer.settimeout(self.timeout_s)
                if select.select((peer,), (), (), 0.0)[0] and not peer.recv(1, socket.MSG_PEEK):
                    raise self._break("the instrument closed the connection", dead=True)
        except LinkError:
            raise
        except _foreign as error:
            raise self._break(f"sending {messages[0]!r} failed: {_said(error)}", dead=True) from error

    def settle(self, message: str, right: Callable[[str], bool]) -> str:
        """Make the open session usable again: put a question whose answer cannot be an old one.

        Answers come in the order of the questions, so with that answer no older one is left.

        Args:
            message: The question; `*IDN?`, say.
            right: Tells its answer from others.

        Raises:
            LinkError: the right answer did not come in time. The session stays open, and broken.
        """
        opened = self._resource
        if opened is None or self._dead:
            raise LinkError(f"{self.name} at {self.resource}: no session is open ({self._broken})")
        if self.pause_s:
            self._pause()
        try:
            if self._socket is not None:
                answer = self._settle_socket(self._socket, message, right)
            else:
                if self._serial is not None:
                    self._serial.reset_input_buffer()
                else:
                    self._clear()
                opened.write(message)
                until_s = time.monotonic() + self.timeout_s
                answer = opened.read().strip("\r\n ")
                while not right(answer):
                    if time.monotonic() >= until_s:
                        raise self._break(f"{answer!r} answered {message!r}")
                    answer = opened.read().strip("\r\n ")
        except LinkError:
            raise
        except _foreign as error:
            raise self._break(self._why(message, error), dead=not self._timed_out(error)) from error
        self.exchanges += 1
        if self.pause_s:
            self._ready_s = time.monotonic() + self.pause_s
        self._broken = ""
        return answer

    def _settle_socket(self, peer: socket.socket, message: str, right: Callable[[str], bool]) -> str:
        peer.settimeout(self.timeout_s)
        self._unasked = b""
        peer.sendall(message.encode("latin-1") + self._write_end)
        self._owed += 1
        until_s = time.monotonic() + self.timeout_s
        data, answer, last = b"", None, ""
        while answer is None or self._owed:
            left_s = until_s - time.monotonic()
            if left_s <= 0.0 or not select.select((peer,), (), (), left_s)[0]:
                if answer is not None:
                    break  # the answers to the same question before have got lost
                came = f"; {last!r} came" if last else ""
                raise self._break(f"no answer to {message!r} within {self.timeout_s:g} s{came}")
            more = peer.recv(65536)
            if not more:
                raise self._break(f"the instrument closed the connection instead of answering {message!r}", dead=True)
            data += more
            *lines, data = data.split(self._end)
            if len(data) > LONGEST_ANSWER:
                raise self._break(f"the answer to {message!r} has no end")
            for line in lines:
                last = line.decode("latin-1").strip("\r\n ")
                if right(last):
                    answer, self._owed = last, max(self._owed - 1, 0)
            if answer is not None:
                until_s = min(until_s, time.monotonic() + DOUBLED_S)
        self._owed, self._unasked = 0, data
        return answer

    def close(self) -> None:
        """Give the session back; may be called twice."""
        opened, self._resource, self._socket, self._serial = self._resource, None, None, None
        self._dead = False
        if not self._broken:
            self._broken = "it was closed"
        if opened is not None:
            _close(opened)

    def write(self, message: str) -> None:
        """Send one message; the termination is added.

        Raises:
            LinkError: the link is broken or breaks; reopen it.
        """
        opened = self._usable()
        if self.pause_s:
            self._pause()
        try:
            self._nothing_waits()
            if self._socket is not None:
                self._socket.sendall(message.encode("latin-1") + self._write_end)
            else:
                opened.write(message)
        except LinkError:
            raise
        except _foreign as error:
            raise self._break(f"sending {message!r} failed: {_said(error)}", dead=True) from error
        self.exchanges += 1
        if self.pause_s:
            self._ready_s = time.monotonic() + self.pause_s

    def query(self, message: str) -> str:
        """Send one message and return the one line that answers it, without termination.

        Raises:
            LinkError: the link is broken or breaks (no answer in time counts); reopen it.
        """
        opened = self._usable()
        if self.pause_s:
            self._pause()
        peer = self._socket
        try:
            self._nothing_waits()
            if peer is not None:
                if peer.gettimeout() != self.timeout_s:
                    peer.settimeout(self.timeout_s)
                peer.sendall(message.encode("latin-1") + self._write_end)
                data = peer.recv(65536)
                if data.find(self._end) != len(data) - 1 or not data:  # not just one whole answer
                    data = self._rest_of(peer, data, message)
                answer = data.decode("latin-1")
            else:
                opened.write(message)
                answer = opened.read()
        except LinkError:
            raise
        except _foreign as error:
            raise self._break(self._why(message, error), dead=not self._timed_out(error)) from error
        self.exchanges += 1
        if self.pause_s:
            self._ready_s = time.monotonic() + self.pause_s
        return answer.strip("\r\n ")

    # -- inside ------------------------------------------------------------------------------------

    def _listen_until_quiet(self, port: Any) -> None:
        until_s = time.monotonic() + max(self.timeout_s, QUIET_S)
        quiet_s = time.monotonic() + QUIET_S
        while time.monotonic() < min(quiet_s, until_s):
            time.sleep(QUIET_S / 10)
            if port.in_waiting:
                port.reset_input_buffer()
                quiet_s = time.monotonic() + QUIET_S

    def _clear(self) -> None:
        pyvisa = light.pyvisa()
        try:
            self._resource.clear()
        except NotImplementedError:
            return  # the backend cannot; `*IDN?` has to answer right, or the link stays broken
        except pyvisa.errors.VisaIOError as error:
            if error.error_code != pyvisa.constants.StatusCode.error_nonsupported_operation:
                raise

    def _usable(self) -> Any:
        if self._resource is None or self._broken:
            raise LinkError(f"{self.name} at {self.resource}: the link is not usable ({self._broken}); reopen it")
        return self._resource

    def _pause(self) -> None:
        wait_s = self._ready_s - time.monotonic()
        if wait_s > 0.0:
            time.sleep(wait_s)

    def _nothing_waits(self) -> None:
        """Before a message: no byte may be waiting, and the peer may not have hung up."""
        peer = self._socket
        if peer is not None:
            if self._unasked:
                raise self._break("more came than was asked for")
            if select.select((peer,), (), (), 0.0)[0]:
                if not peer.recv(1, socket.MSG_PEEK):
                    raise self._break("the instrument closed the connection", dead=True)
                raise self._break("an answer that nobody asked for was waiting")
        elif self._serial is not None and self._serial.in_waiting:
            raise self._break("bytes that nobody asked for were waiting")

    def _rest_of(self, peer: socket.socket, data: bytes, message: str) -> bytes:
        """Wait for what is still to come of an answer; keep what came behind it, for the next message to find."""
        until_s = time.monotonic() + self.timeout_s
        while self._end not in data:
            if not data:
                raise self._break(f"the instrument closed the connection instead of answering {message!r}", dead=True)
            left_s = until_s - time.monotonic()
            if len(data) > LONGEST_ANSWER:
                raise self._break(f"the answer to {message!r} has no end")
            try:
                peer.settimeout(max(left_s, 0.001))
                more = peer.recv(65536)
            except TimeoutError:
                raise self._break(f"no whole answer to {message!r} within {self.timeout_s:g} s") from None
            if not more:
                raise self._break(
                    f"the instrument closed the connection in the middle of answering {message!r}", dead=True
                )
            data += more
        answer, end, self._unasked = data.partition(self._end)
        return answer + end

    def _why(self, message: str, error: BaseException) -> str:
        if isinstance(error, TimeoutError):
            return f"no answer to {message!r} within {self.timeout_s:g} s"
        if self._timed_out(error):
            return f"no whole answer to {message!r} within {self.timeout_s:g} s"
        return f"asking {message!r} failed: {_said(error)}"

    def _timed_out(self, error: BaseException) -> bool:
        pyvisa = light.pyvisa()
        return isinstance(error, TimeoutError) or (
            isinstance(error, pyvisa.errors.VisaIOError)
            and error.error_code == pyvisa.constants.StatusCode.error_timeout
        )


def _close(opened: Any) -> None:
    try:
        opened.close()
    except Exception:  # a session that is broken may break again while it is closed
        session = getattr(opened, "session", None)
        logging.getLogger(__name__).debug("closing session %s failed", session, exc_info=True)


def _said(error: BaseException) -> str:
    """Return an error's text in one line: what the system said where it said something, else the backend."""
    each: BaseException | None = error
    said = ""
    while each is not None:
        if isinstance(each, OSError) and each.errno in (errno.EAGAIN, errno.EBUSY):
            return "another program is using it"
        if isinstance(each, ConnectionRefusedError):
            return "nobody listens there (connection refused)"
        if isinstance(each, OSError) and each.errno == errno.EBADF:
            return "nobody is reached there"  # the backend asked a socket that never came to be
        if isinstance(each, OSError) and each.strerror:
            said = each.strerror  # the innermost is the system's own
        each = each.__cause__ or each.__context__
    return " ".join((said or str(error)).split()) or type(error).__name__
