"""The link: an answer belongs to the question before it, whatever happens on the wire."""

import gc
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from drivers.errors import LinkError
from drivers.simulated.ideal import IdealCell, IdealLoad
from drivers.simulated.scpi_server import ScpiServer
from drivers.visa import Link

ASK = "MEAS:VOLT?"


@pytest.fixture
def server() -> Iterator[ScpiServer]:
    with ScpiServer(IdealLoad(IdealCell(3.7)), "load-function-input") as one:
        yield one


@pytest.fixture
def link(server: ScpiServer) -> Iterator[Link]:
    one = Link(server.resource, name="load", timeout_s=0.12)
    one.open()
    yield one
    one.close()


def test_a_question_gets_its_answer_without_termination(link: Link) -> None:
    assert link.query(ASK) == "3.700000"


def test_silence_breaks_the_link_until_it_is_reopened(server: ScpiServer, link: Link) -> None:
    server.inject("silence")
    with pytest.raises(LinkError, match=r"no answer to 'MEAS:VOLT\?' within 0.12 s"):
        link.query(ASK)
    assert server.fired == [(1, "silence")]
    for use in (lambda: link.query(ASK), lambda: link.write("INP OFF")):
        with pytest.raises(LinkError, match="reopen it"):
            use()
    assert server.responder.messages == 1, "nothing may be sent over a broken link"
    link.reopen()
    assert link.query(ASK) == "3.700000"


def test_a_late_answer_never_answers_the_next_question(server: ScpiServer, link: Link) -> None:
    server.inject("late-reply", seconds=0.2)
    with pytest.raises(LinkError):
        link.query("*IDN?")
    link.reopen()
    time.sleep(0.15)  # the old answer has left the instrument by now
    assert link.query(ASK) == "3.700000"
    assert server.fired == [(1, "late-reply")]


def test_an_answer_that_arrives_before_the_next_question_is_noticed(server: ScpiServer, link: Link) -> None:
    link.write(ASK)  # a question nobody waits for
    time.sleep(0.05)
    with pytest.raises(LinkError, match="nobody asked for"):
        link.query("MEAS:CURR?")


def test_half_an_answer_is_no_answer(server: ScpiServer, link: Link) -> None:
    server.inject("split-reply", seconds=0.2)
    with pytest.raises(LinkError, match="no whole answer"):
        link.query(ASK)
    assert server.fired == [(1, "split-reply")]
    link.reopen()
    time.sleep(0.12)  # the other half has left the instrument by now
    assert link.query(ASK) == "3.700000"


def test_an_answer_split_but_in_time_is_one_answer(server: ScpiServer, link: Link) -> None:
    server.inject("split-reply", seconds=0.03)
    assert link.query(ASK) == "3.700000"
    assert server.fired == [(1, "split-reply")]


def test_a_peer_that_hangs_up_is_noticed_at_once(server: ScpiServer, link: Link) -> None:
    link.timeout_s = 5.0
    server.inject("drop")
    before_s = time.perf_counter()
    with pytest.raises(LinkError, match="closed the connection"):
        link.query(ASK)
    assert time.perf_counter() - before_s < 1.0
    assert server.fired == [(1, "drop")]
    link.reopen()
    assert link.query(ASK) == "3.700000"


def test_a_peer_gone_between_two_questions_is_noticed_before_the_second(server: ScpiServer, link: Link) -> None:
    server.inject("drop")
    link.write("*CLS")
    time.sleep(0.05)
    with pytest.raises(LinkError, match="closed the connection"):
        link.query(ASK)


@contextmanager
def peer_that(answers: Callable[[socket.socket], None]) -> Iterator[Link]:
    """A link to a peer of this test's own making."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            peer, _ = listener.accept()
            with peer, suppress(OSError):
                answers(peer)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        link = Link(f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET", name="load", timeout_s=0.15)
        link.open()
        yield link
        link.close()
        thread.join(2.0)


def test_what_comes_behind_an_answer_is_noticed_before_the_next_question() -> None:
    def two_for_one(peer: socket.socket) -> None:
        while peer.recv(100):
            peer.sendall(b"3.700000\n0.2000\n")

    with peer_that(two_for_one) as link:
        assert link.query(ASK) == "3.700000"
        with pytest.raises(LinkError, match="more came than was asked for"):
            link.query("MEAS:CURR?")


def test_an_answer_in_many_pieces_has_to_be_whole_in_time() -> None:
    def drip(peer: socket.socket) -> None:
        peer.recv(100)
        for _ in range(40):  # each piece comes in time, the whole does not
            peer.sendall(b"3")
            time.sleep(0.02)

    with peer_that(drip) as link:
        before_s = time.perf_counter()
        with pytest.raises(LinkError, match=r"no whole answer to 'MEAS:VOLT\?' within 0.15 s"):
            link.query(ASK)
        assert time.perf_counter() - before_s < 0.7


def test_an_answer_without_an_end_is_given_up() -> None:
    def flood(peer: socket.socket) -> None:
        peer.recv(100)
        while True:
            peer.sendall(b"3" * 65536)

    with peer_that(flood) as link:
        link.timeout_s = 20.0
        with pytest.raises(LinkError, match="has no end"):
            link.query(ASK)


def test_a_peer_that_goes_in_the_middle_of_an_answer_is_named_so() -> None:
    def half(peer: socket.socket) -> None:
        peer.recv(100)
        peer.sendall(b"3.70")

    with peer_that(half) as link, pytest.raises(LinkError, match="in the middle of answering"):
        link.query(ASK)


def test_a_peer_that_reads_nothing_does_not_hold_a_message_for_ever() -> None:
    stay = threading.Event()

    def deaf(peer: socket.socket) -> None:
        stay.wait(10.0)

    with peer_that(deaf) as link:
        with pytest.raises(LinkError, match="sending"):
            link.write("x" * 20_000_000)
        stay.set()


def test_a_port_nobody_listens_on_is_a_link_error() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    link = Link(f"TCPIP::127.0.0.1::{port}::SOCKET", name="load", timeout_s=0.2)
    with pytest.raises(LinkError, match="refused"):  # TCP tells it at the first write only
        link.open()
        link.query("*IDN?")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
@pytest.mark.parametrize(
    "resource",
    ["not a resource", "ASRL/dev/nobody-here::INSTR", "TCPIP::127.0.0.1,1::inst0::INSTR",
     "TCPIP::127.0.0.1::hislip0,1::INSTR"],
)  # fmt: skip
def test_what_cannot_be_opened_is_one_link_error(resource: str) -> None:
    with pytest.raises(LinkError, match="could not be opened"):
        Link(resource, name="load", timeout_s=0.2).open()
    gc.collect()  # the backend leaves a half-open socket behind; it ends here, not in another test


def test_a_link_that_was_closed_says_so_and_may_be_closed_twice(link: Link) -> None:
    link.close()
    link.close()
    with pytest.raises(LinkError, match="closed"):
        link.query(ASK)


def test_a_pause_is_kept_between_messages(server: ScpiServer) -> None:
    link = Link(server.resource, pause_s=0.03)
    link.open()
    link.query(ASK)
    before_s = time.perf_counter()
    link.query(ASK)
    assert time.perf_counter() - before_s >= 0.025
    link.close()


def test_two_messages_in_a_row_are_not_held_back(link: Link) -> None:
    # Without TCP_NODELAY a write after a write waits some 40 ms for an acknowledgement.
    before_s = time.perf_counter()
    for _ in range(10):
        link.write("*CLS")
        link.write("*CLS")
        link.query(ASK)
    assert time.perf_counter() - before_s < 0.2


def test_carriage_returns_do_not_stick_to_the_answer() -> None:
    with ScpiServer(IdealLoad(IdealCell(3.7)), "load-function-input", quirks={"terminator": "\r\n"}) as server:
        link = Link(server.resource)
        link.open()
        assert link.query(ASK) == "3.700000"
        assert link.query(ASK) == "3.700000"
        link.close()


def test_a_serial_instrument_on_a_pseudo_terminal() -> None:
    with ScpiServer(IdealLoad(IdealCell(3.7)), "load-function-input", transport="pty") as server:
        assert server.resource.startswith("ASRL/dev/")
        link = Link(server.resource, name="load", timeout_s=0.15, baud=9600)
        link.open()
        assert link.query(ASK) == "3.700000"
        other = Link(server.resource, name="second program", timeout_s=0.15)
        with pytest.raises(LinkError, match="could not be opened"):
            other.open()
        server.inject("silence")
        with pytest.raises(LinkError, match="no whole answer"):
            link.query(ASK)
        assert server.fired == [(2, "silence")]
        link.reopen()
        assert link.query(ASK) == "3.700000"
        link.close()


def test_a_late_answer_on_a_serial_line_is_gone_after_reopening() -> None:
    with ScpiServer(IdealLoad(IdealCell(3.7)), "load-function-input", transport="pty") as server:
        link = Link(server.resource, name="load", timeout_s=0.1)
        link.open()
        server.inject("late-reply", seconds=0.15)
        with pytest.raises(LinkError):
            link.query("*IDN?")
        link.reopen()  # the answer arrives while the line is listened to
        assert link.query(ASK) == "3.700000"
        assert server.fired == [(1, "late-reply")]
        link.close()


def test_noise_on_a_serial_line_is_noticed_before_the_next_question() -> None:
    with ScpiServer(IdealLoad(IdealCell(3.7)), "load-function-input", transport="pty") as server:
        link = Link(server.resource, name="load", timeout_s=0.15)
        link.open()
        os.write(server._master, b"\x00\xff?")
        time.sleep(0.02)
        with pytest.raises(LinkError, match="nobody asked for"):
            link.query(ASK)
        link.reopen()
        assert link.query(ASK) == "3.700000"
        link.close()


def test_a_serial_port_that_goes_away_is_a_link_error() -> None:
    master, slave = os.openpty()
    link = Link(f"ASRL{os.ttyname(slave)}::INSTR", name="load", timeout_s=0.15)
    link.open()
    os.close(slave)
    os.close(master)
    with pytest.raises(LinkError):
        link.query("*IDN?")


# -- HiSLIP and VXI-11: the smallest peers that speak them, so that the same link class is tried over both ---------


def _exactly(peer: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        more = peer.recv(count - len(data))
        if not more:
            raise ConnectionError
        data += more
    return data


def _hislip(listener: socket.socket) -> None:
    """IVI-6.1: Initialize 0/1, AsyncInitialize 17/18, AsyncMaximumMessageSize 15/16, Data 6, DataEnd 7."""
    import struct

    def answer(peer: socket.socket, kind: int, control: int, parameter: int, payload: bytes = b"") -> None:
        peer.sendall(struct.pack("!2sBBIQ", b"HS", kind, control, parameter, len(payload)) + payload)

    synchronous, _ = listener.accept()
    peers, said = [synchronous, listener], b""
    try:
        while True:
            for peer in select.select(peers, [], [])[0]:
                if peer is listener:
                    peers.append(listener.accept()[0])
                    continue
                _, kind, _, parameter, length = struct.unpack("!2sBBIQ", _exactly(peer, 16))
                payload = _exactly(peer, length)
                if kind == 0:
                    answer(peer, 1, 0, (0x0100 << 16) | 7)
                elif kind == 17:
                    answer(peer, 18, 0, 0)
                elif kind == 15:
                    answer(peer, 16, 0, 0, struct.pack("!Q", 1 << 20))
                elif kind in (6, 7):
                    said += payload
                    if kind == 7:
                        if b"?" in said:
                            answer(peer, 7, 0, parameter, b"3.700000\n")
                        said = b""
    except (OSError, ConnectionError):
        for peer in peers:
            peer.close()


def test_hislip_goes_through_the_same_link() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=_hislip, args=(listener,), daemon=True)
        thread.start()
        link = Link(f"TCPIP::127.0.0.1::hislip0,{listener.getsockname()[1]}::INSTR", name="load", timeout_s=1.0)
        link.open()
        assert link.query(ASK) == "3.700000"
        link.write("INP OFF")
        assert link.query(ASK) == "3.700000"
        link.close()
        thread.join(2.0)


def _vxi11(listener: socket.socket) -> None:
    """VXI-11 core channel over RPC: create_link 10, device_write 11, device_read 12, destroy_link 23."""
    import struct

    peer, _ = listener.accept()
    with peer:
        try:
            while True:
                size = struct.unpack("!I", _exactly(peer, 4))[0] & 0x7FFFFFFF
                call = _exactly(peer, size)
                identity, procedure = struct.unpack("!I", call[:4])[0], struct.unpack("!I", call[20:24])[0]
                if procedure == 10:
                    body = struct.pack("!iiII", 0, 1, 0, 4096)
                elif procedure == 11:
                    length = struct.unpack("!I", call[40 + 16 : 40 + 20])[0]
                    body = struct.pack("!iI", 0, length)
                elif procedure == 12:
                    data = b"3.700000\n"
                    body = struct.pack("!iiI", 0, 4, len(data)) + data + b"\0" * (-len(data) % 4)
                else:
                    body = struct.pack("!i", 0)
                reply = struct.pack("!IIIIII", identity, 1, 0, 0, 0, 0) + body
                peer.sendall(struct.pack("!I", 0x80000000 | len(reply)) + reply)
        except (OSError, ConnectionError):
            return


def test_vxi11_goes_through_the_same_link() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=_vxi11, args=(listener,), daemon=True)
        thread.start()
        link = Link(f"TCPIP::127.0.0.1,{listener.getsockname()[1]}::inst0::INSTR", name="load", timeout_s=1.0)
        link.open()
        assert link.query(ASK) == "3.700000"
        link.write("INP OFF")
        link.close()
        thread.join(2.0)
        again = threading.Thread(target=_vxi11, args=(listener,), daemon=True)
        again.start()
        link.reopen()  # clears the instrument's output as well
        assert link.query(ASK) == "3.700000"
        link.close()
        again.join(2.0)
