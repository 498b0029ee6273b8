"""The instruments of foreign make themselves: each fault fires, and the truth is told.

Spoken to by plain sockets first, then through the drivers with tables written from docs/dialects.md.
"""

import contextlib
import os
import socket
import time
from collections.abc import Iterator
from typing import Any, ClassVar

import pytest
from foreign.asking import Foreign, dialect_file

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DriverError
from amphora.drivers.opening import open_instrument
from amphora.drivers.scpi.dialect import load_dialect

STYLES = ("generic", "otherwise")


class Plain:
    """A peer with a socket, or with a serial device, and nothing of ours."""

    opened: ClassVar[list["Plain"]] = []

    def __init__(self, foreign: Foreign, name: str, end: str = "\n") -> None:
        self.opened.append(self)
        place = foreign.instruments[name]["port"]
        self.end = end
        if isinstance(place, int):
            self.link: Any = socket.create_connection(("127.0.0.1", place))
            self.link.settimeout(10.0)
            self.send, self.receive = self.link.sendall, self.link.recv
        else:
            self.fd = os.open(place, os.O_RDWR | os.O_NOCTTY)
            self.send, self.receive = (lambda data: os.write(self.fd, data)), (lambda many: os.read(self.fd, many))

    def close(self) -> None:
        if hasattr(self, "link"):
            self.link.close()
        elif hasattr(self, "fd"):
            os.close(self.fd)

    def tell(self, text: str) -> None:
        self.send((text + self.end).encode())

    def hear(self) -> bytes:
        data = b""
        while not data.endswith(b"\n"):
            more = self.receive(4096)
            if not more:
                raise ConnectionResetError("hung up")
            data += more
        return data

    def ask(self, text: str) -> bytes:
        self.tell(text)
        return self.hear().strip()


@pytest.fixture(autouse=True)
def closed() -> Iterator[None]:
    yield
    while Plain.opened:
        Plain.opened.pop().close()


@pytest.fixture(scope="module")
def pair() -> Iterator[Foreign]:
    with Foreign(
        cell={"charge_Ah": 0.5, "capacity_Ah": 1.0, "resistance_ohm": 0.1},
        load={"style": "generic"},
        supply={"style": "generic"},
        sink={"kind": "load", "style": "otherwise"},
        feed={"kind": "supply", "style": "otherwise"},
        wired={"kind": "load", "style": "generic", "wire": "serial"},
    ) as foreign:
        yield foreign


@pytest.fixture
def foreign(pair: Foreign) -> Iterator[Foreign]:
    yield pair
    for name in pair.kinds:
        pair.mend(name)
        pair.switch(name, False)


def test_the_truth_is_what_flows(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    load.tell("CURR 1;INP ON")
    truth = foreign.wait(lambda one: one["load"]["on"])
    assert truth["load"]["current_A"] == pytest.approx(1.0)
    assert truth["cell"]["voltage_V"] == pytest.approx(truth["cell"]["open_V"] - 0.1, abs=1e-6)
    assert load.ask("MEASure:CURRent?") == b"1.00000"
    before_s = time.monotonic()
    load.tell(":INPUT:STATE OFF")
    assert foreign.off_after_s("load", before_s) < 5.0
    arrived = [(at_s, text) for at_s, text in foreign.received("load") if "OFF" in text]
    assert arrived[-1][1] == ":INPUT:STATE OFF" and arrived[-1][0] >= before_s
    assert foreign.truth()["cell"]["taken_Ah"] > 0.0


def test_mute_obeys_and_answers_nothing(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "mute")
    load.tell("INP ON")
    load.tell("INP?")
    foreign.wait(lambda one: one["load"]["on"] and one["load"]["fired"].get("mute"))
    load.link.settimeout(0.2)
    with pytest.raises(TimeoutError):
        load.hear()


def test_late_obeys_at_once_and_answers_later(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "late", 0.4)
    before_s = time.monotonic()
    load.tell("INP ON;INP?")
    foreign.wait(lambda one: one["load"]["on"])
    assert load.hear().strip() == b"1"
    assert time.monotonic() - before_s >= 0.4
    assert foreign.truth()["load"]["fired"]["late"]


def test_slow_takes_its_time_for_orders_too(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "slow", 0.3)
    before_s = time.monotonic()
    load.tell("INP ON")
    assert foreign.wait(lambda one: one["load"]["on"])["load"]["since_s"] - before_s >= 0.3


@pytest.mark.parametrize(
    ("fault", "question", "answer"),
    [("garbled", "INP?", b"\xff\xfe@#5;,x!"), ("not-a-number", "CURR?", b"9.91E37")],
)
def test_what_is_answered_is_wrong(foreign: Foreign, fault: str, question: str, answer: bytes) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", fault)
    assert load.ask(question) == answer
    assert foreign.truth()["load"]["fired"][fault] == 1


def test_noise_now_and_then(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "noise", 0.5)
    answers = [load.ask("INP?") for _ in range(40)]
    assert 0 < answers.count(b"0") < 40
    assert foreign.truth()["load"]["fired"]["noise"] == 40 - answers.count(b"0")


def test_silent_to_some_words(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "silent-to", ["MEAS"])
    load.tell("MEAS:VOLT?")
    assert load.ask("INP?") == b"0"
    assert foreign.truth()["load"]["fired"]["silent-to"]


def test_stuck_and_welded(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    load.tell("CURR 0.5;INP ON")
    foreign.fault("load", "stuck")
    assert load.ask("INP OFF;INP?") == b"1"
    assert foreign.truth()["load"]["fired"]["stuck"]
    foreign.mend("load", "stuck")
    foreign.fault("load", "welded")
    assert load.ask("INP OFF;INP?") == b"0"
    assert foreign.truth()["load"]["current_A"] == pytest.approx(0.5)


def test_echo_and_hanging_up(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "echo")
    load.tell("INP?")
    heard = load.hear()
    while heard.count(b"\n") < 2:
        heard += load.hear()
    assert heard == b"INP?\n0\n"
    foreign.mend("load")
    foreign.hang_up("load")
    with pytest.raises(OSError):
        for _ in range(100):
            load.ask("INP?")
    again = Plain(foreign, "load")
    foreign.fault("load", "drops", 2)
    again.tell("INP?")
    with pytest.raises(OSError):
        for _ in range(100):
            again.ask("INP?")
    assert foreign.truth()["load"]["fired"]["drops"] == 1


def test_one_session_and_a_dead_one_that_is_held(foreign: Foreign) -> None:
    foreign.wait(lambda one: one["sink"]["sessions"] == 0)
    foreign.fault("sink", "session", 1.0)
    first = Plain(foreign, "sink")
    assert first.ask("SINK:STATE?") == b"FALSE"
    with pytest.raises(OSError):
        Plain(foreign, "sink").ask("SINK:STATE?")
    ended_s = time.monotonic()
    first.link.close()
    while True:
        try:
            Plain(foreign, "sink").ask("SINK:STATE?")
            break
        except OSError:
            time.sleep(0.05)
    assert time.monotonic() - ended_s >= 1.0
    assert foreign.truth()["sink"]["fired"]["session"] >= 2


def test_late_comers_wait_unheard_and_are_heard_afterwards(foreign: Foreign) -> None:
    foreign.wait(lambda one: one["feed"]["sessions"] == 0)
    foreign.fault("feed", "queue", 0.5)
    first = Plain(foreign, "feed")
    assert first.ask("FEED:STATE?") == b"FALSE"
    ended_s = time.monotonic()
    first.link.close()
    second = Plain(foreign, "feed")
    second.tell("CONTROL REMOTE")
    second.tell("FEED START")
    assert foreign.wait(lambda one: one["feed"]["on"])["feed"]["since_s"] - ended_s >= 0.5


def test_readings_are_renewed_now_and_then(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    load.tell("INP OFF;CURR 0.3")
    foreign.fault("load", "renew", 1000.0)
    assert load.ask("MEAS:CURR?") == b"0.00000"
    assert load.ask("INP ON;MEAS:CURR?") == b"0.00000"
    assert foreign.truth()["load"]["current_A"] == pytest.approx(0.3)
    foreign.fault("load", "renew", 0.001)
    time.sleep(0.01)
    assert load.ask("MEAS:CURR?") == b"0.30000"


def test_it_shows_what_is_not_there(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.fault("load", "shows", {"current_A": 4.2, "voltage_V": 0.0})
    assert load.ask("MEAS:CURR?") == b"4.20000"
    assert load.ask("MEAS:VOLT?") == b"0.00000"


def test_open_leads_and_a_cell_the_wrong_way_round(foreign: Foreign) -> None:
    load = Plain(foreign, "load")
    foreign.cell(leads_open=True)
    assert load.ask("MEAS:VOLT?") == b"0.00000"
    foreign.cell(leads_open=False, reversed=True)
    assert load.ask("MEAS:VOLT?").startswith(b"-3.")
    foreign.cell(reversed=False)
    assert load.ask("MEAS:VOLT?").startswith(b"3.")


def test_the_other_style_wants_to_be_taken_over(foreign: Foreign) -> None:
    sink = Plain(foreign, "sink", "\r\n")
    sink.tell("SINK START")
    assert sink.ask("TROUBLE?") == b"12,LOCAL CONTROL"
    sink.tell("CONTROL REMOTE")
    sink.tell("DRAW 250")
    sink.tell("SINK START")
    assert sink.ask("SINK:STATE?") == b"TRUE"
    assert sink.ask("LOOK?").endswith(b"V|-0.2500A|OK")
    assert sink.ask("DRAW?") == b"+2.500E+02"
    sink.tell("DRAW?;LOOK?")
    assert sink.ask("TROUBLE?") == b"31,ONE AT A TIME"


def test_protections_act_by_themselves(foreign: Foreign) -> None:
    load, supply = Plain(foreign, "load"), Plain(foreign, "supply")
    load.tell("CURR 1;VOLT:PROT:UND 3.55;VOLT:PROT:UND:STAT ON;INP ON")
    foreign.wait(lambda one: one["load"]["tripped"] == "cutoff" and not one["load"]["on"])
    load.tell("VOLT:PROT:UND:STAT OFF")
    supply.tell("VOLT 4.2;CURR 0.5;OUTP:TIM 1;OUTP:TIM:STAT ON;OUTP ON")
    foreign.wait(lambda one: one["supply"]["current_A"] == pytest.approx(0.5))
    foreign.wait(lambda one: one["supply"]["tripped"] == "timer" and not one["supply"]["on"])
    supply.tell("OUTP:TIM:STAT OFF")


def test_a_serial_line_carries_the_same(foreign: Foreign) -> None:
    wired = Plain(foreign, "wired")
    assert wired.ask("*IDN?").startswith(b"OTHER MAKE,GENERIC LOAD")
    wired.tell("CURR 0.2;INP ON")
    foreign.wait(lambda one: one["wired"]["on"])
    foreign.fault("wired", "mute")
    wired.tell("INP OFF")
    foreign.wait(lambda one: not one["wired"]["on"])


def test_a_relay_falls_out_when_no_line_comes() -> None:
    with Foreign(load={"style": "generic"}, relay={"wire": "serial", "kind": "relay", "release_s": 0.5}) as foreign:
        relay = Plain(foreign, "relay")
        assert foreign.truth()["load"]["voltage_V"] == 0.0
        for _ in range(3):
            relay.tell("hold d")
            time.sleep(0.1)
        truth = foreign.wait(lambda one: one["relay"]["position"] == "discharge")
        assert truth["load"]["voltage_V"] > 3.0
        heard_s = foreign.received("relay")[-1][0]
        assert foreign.off_after_s("relay", heard_s) >= 0.5
        foreign.fault("relay", "welded")
        foreign.mend("relay")
        foreign.fault("relay", "deaf")
        relay.tell("hold c")
        time.sleep(0.1)
        assert not foreign.truth()["relay"]["on"]


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("wire", ["tcp", "serial"])
def test_the_tables_beside_them_drive_them(style: str, wire: str) -> None:
    for kind in ("load", "supply"):
        assert load_dialect(str(dialect_file(kind, style))).role == kind
    with Foreign(
        cell={"charge_Ah": 0.5, "resistance_ohm": 0.1},
        load={"style": style, "wire": wire},
        supply={"style": style, "wire": wire},
    ) as foreign:
        load: Any = open_instrument("load", foreign.table("load"), RealClock())
        supply: Any = open_instrument("supply", foreign.table("supply"), RealClock())
        try:
            assert load.arm_limits(3.0, 2.0) == {"low_voltage_V": 3.0, "max_current_A": 2.0}
            assert load.set_discharge("current", 0.4) == 0.4
            load.set_input(True)
            assert load.read()["current_A"] == pytest.approx(-0.4)
            assert load.make_safe().off
            assert supply.arm_limits(4.25, 1.0, 3600.0) == {
                "over_voltage_V": 4.25, "over_current_A": 1.0, "off_after_s": 3600.0,
            }  # fmt: skip
            assert supply.set_voltage(4.2) == 4.2
            assert supply.set_current_limit(0.3) == 0.3
            supply.set_output(True)
            assert supply.read()["current_A"] == pytest.approx(0.3)
            settings = foreign.truth()["supply"]["settings"]
            assert settings["off_after_s"] == 3600.0 and settings["over_voltage_V"] == 4.25
            foreign.fault("supply", "stuck")
            assert not supply.make_safe().off
        finally:
            foreign.mend("supply")
            for one in (load, supply):
                with contextlib.suppress(DriverError):
                    one.make_safe()
                one.close()
        truth = foreign.truth()
        assert not truth["load"]["on"] and not truth["supply"]["on"]
