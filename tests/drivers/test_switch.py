import itertools
import math
import time
from datetime import UTC, datetime

import pytest
from wire import Far

from amphora.drivers.errors import DescriptionError, InstrumentError, LimitError, LinkError
from amphora.drivers.serial.board import open_switch
from amphora.drivers.serial.logger import SerialPort, open_logger


class CountingClock:
    """Wall clock whose sleeps take no time."""

    def __init__(self):
        self.ahead_s = self.slept_s = 0.0

    def now_s(self):
        return time.monotonic() + self.ahead_s

    def utc(self):
        return datetime.now(UTC)

    def sleep(self, seconds):
        self.slept_s += seconds
        self.ahead_s += seconds


@pytest.fixture
def clock():
    return CountingClock()


@pytest.fixture
def relay(clock):
    one = open_switch("relay", {"port": "loop://", "hold": {"discharge": "rts", "charge": "dtr"}}, clock)
    yield one
    one.close()


def line(relay, name):
    # loop:// mirrors RTS on CTS and DTR on DSR
    return SerialPort._open_ports["loop://"].get_line({"rts": "cts", "dtr": "dsr"}[name])


def test_opening_holds_nothing_and_leaves_the_lines_low(relay):
    assert relay.read_setup() == {"on": False, "position": "open"}
    assert not line(relay, "rts") and not line(relay, "dtr")
    relay.beat()
    assert not line(relay, "rts")


def test_each_beat_is_one_edge(relay):
    relay.connect("discharge")
    levels = []
    for _ in range(6):
        relay.beat()
        levels.append(line(relay, "rts"))
    assert all(a != b for a, b in itertools.pairwise(levels))
    assert not line(relay, "dtr")


def test_the_other_contact_is_made_only_after_the_first_fell_out(relay, clock):
    relay.connect("discharge")
    before = clock.slept_s
    relay.connect("charge")
    assert clock.slept_s - before >= 8.0
    assert relay.read_setup()["position"] == "charge"
    assert not line(relay, "rts")


def test_after_a_long_rest_open_nothing_is_waited_for(relay, clock):
    relay.connect("discharge")
    relay.connect("open")
    clock.ahead_s += 60.0
    before = clock.slept_s
    relay.connect("charge")
    assert clock.slept_s - before < 1.0


def test_make_safe_stops_the_beats_in_any_state(relay):
    relay.connect("discharge")
    for _ in range(2):
        state = relay.make_safe()
        assert state.off and "within 8 s" in state.text
    relay.beat()
    assert not line(relay, "rts")


def test_a_position_it_does_not_have_moves_nothing(clock):
    relay = open_switch("relay", {"port": "loop://"}, clock)
    try:
        relay.connect("discharge")
        with pytest.raises(LimitError, match="no position 'charge'"):
            relay.connect("charge")
        assert relay.read_setup()["position"] == "discharge"
    finally:
        relay.close()


def test_feedback_that_never_comes_is_an_error_and_lets_go(clock):
    relay = open_switch(
        "relay",
        {"port": "loop://", "hold": {"discharge": "rts"}, "feedback": {"discharge": "dsr"}, "dtr": False},
        clock,
    )
    try:
        with pytest.raises(InstrumentError, match="no contact"):
            relay.connect("discharge")
        assert relay.read_setup() == {"on": False, "position": "open"}
        assert relay.make_safe().off
    finally:
        relay.close()


def test_feedback_that_stays_is_told_by_make_safe(clock):
    relay = open_switch(
        "relay", {"port": "loop://", "hold": {"discharge": "rts"}, "feedback": {"discharge": "dsr"}, "dtr": True}, clock
    )
    try:
        assert relay.read_setup()["on"] is True
        assert not relay.make_safe().off
    finally:
        relay.close()


def test_texts_hold_a_relay_behind_a_microcontroller_that_shares_its_port_with_the_logger(clock):
    far = Far()
    try:
        logger = open_logger("logger", {"port": far.path, "baud": 115200}, clock)
        relay = open_switch("relay", {"port": far.path, "baud": 115200, "hold": {"discharge": "text d"}}, clock)
        relay.connect("discharge")
        relay.beat()
        assert far.heard(4) == b"d\nd\n"
        time.sleep(0.06)
        far.send(b"1000,3.7\n")
        assert logger.read()["voltage_V"] == 3.7
        logger.close()
        relay.beat()  # the port stays open for the one who still uses it
        assert far.heard(2) == b"d\n"
        relay.close()
        relay.close()
        assert far.path not in SerialPort._open_ports
    finally:
        far.close()


def test_two_instruments_on_one_port_must_agree_about_its_settings(clock):
    far = Far()
    logger = open_logger("logger", {"port": far.path, "baud": 9600}, clock)
    try:
        with pytest.raises(DescriptionError, match="different settings"):
            open_switch("relay", {"port": far.path, "baud": 2400}, clock)
    finally:
        logger.close()
        far.close()


def test_a_port_that_cannot_set_its_lines_says_so(clock):
    far = Far()  # a pseudo-terminal has no RTS
    relay = open_switch("relay", {"port": far.path}, clock)
    try:
        with pytest.raises(LinkError, match="RTS line cannot be set"):
            relay.connect("discharge")
        assert relay.make_safe().off
    finally:
        relay.close()
        far.close()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"hold": {"sideways": "rts"}}, "discharge, charge"),
        ({"hold": {"discharge": "cts"}}, "rts, dtr, text X"),
        ({"hold": {"discharge": "rts", "charge": "rts"}}, "share one line"),
        ({"hold": {}}, "empty"),
        ({"rts": True}, "one of the two"),
        ({"release": "20 s"}, "within 10 s"),
        ({"feedback": {"discharge": "rts"}}, "cts"),
        ({"nonsense": 1}, "not known"),
    ],
)
def test_a_wrong_table_is_refused(clock, change, words):
    with pytest.raises(DescriptionError) as caught:
        open_switch("relay", {"port": "loop://", **change}, clock)
    assert words in str(caught.value)


# The circuit of docs/serial-logger.md, stepped numerically. The line drives C1; D1 (ground to node)
# takes it back on each fall; on each rise D2 moves charge into C2 at the transistor's gate, where a
# Zener diode limits and R empties it. The transistor holds the coil above its threshold.
C1_F, C2_F, R_OHM = 22e-6, 4.7e-6, 1e6
DIODE_V = 0.35  # Schottky at microamperes (common practice)
ZENER_V = 5.1
THRESHOLD_V = (1.0, 2.5)  # of a logic-level transistor, spread as makers print it (common practice)


def gate_V(swing_V, edges_per_s, beaten_s, silent_s):
    """Return (lowest gate voltage once it has settled, gate voltage after the silence)."""
    gate, level, lowest = 0.0, False, math.inf
    fading = math.exp(-1.0 / edges_per_s / (R_OHM * C2_F))
    for n in range(int(beaten_s * edges_per_s)):
        level = not level
        if level:
            gate = max(gate, min(ZENER_V, gate + (swing_V - 2 * DIODE_V - gate) * C1_F / (C1_F + C2_F)))
        gate *= fading
        if n > beaten_s * edges_per_s / 2:
            lowest = min(lowest, gate)
    return lowest, ZENER_V * math.exp(-silent_s / (R_OHM * C2_F))


@pytest.mark.parametrize("swing_V", [5.0, 10.0, 24.0])
def test_the_pump_of_the_docs_holds_with_an_edge_a_second_and_falls_out_in_eight(swing_V):
    lowest, after = gate_V(swing_V, 1.0, 60.0, 8.0)
    assert lowest > THRESHOLD_V[1]
    assert after < THRESHOLD_V[0]


def test_a_steady_level_does_not_hold_it():
    one_edge = min(ZENER_V, 24.0 - 2 * DIODE_V)
    assert one_edge * math.exp(-8.0 / (R_OHM * C2_F)) < THRESHOLD_V[0]
