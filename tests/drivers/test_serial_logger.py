import os
import socket
import threading
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire import Far

from amphora.drivers.errors import DescriptionError, DriverError, GarbledReply, IdentityError, LinkError
from amphora.drivers.serial.board import open_switch
from amphora.drivers.serial.logger import LOGGER_KEYS, SerialLogger, open_logger
from amphora.drivers.serial.relay import KEYS


class WallClock:
    def __init__(self):
        self.ahead_s = 0.0

    def now_s(self):
        return time.monotonic() + self.ahead_s

    def utc(self):
        return datetime.now(UTC)

    def sleep(self, seconds):
        time.sleep(min(seconds, 0.05))
        self.ahead_s += max(0.0, seconds - 0.05)


@pytest.fixture
def far():
    one = Far()
    yield one
    one.close()


@pytest.fixture
def opened(far):
    loggers = []

    def build(clock=None, **description):
        one = open_logger("logger", {"port": far.path, "silence": "60 s", **description}, clock or WallClock())
        loggers.append(one)
        time.sleep(0.06)  # a pause before the first byte: what comes then begins a record
        return one

    yield build
    for one in loggers:
        one.close()


def heard(logger, records, unreadable=0):
    """Wait until that many records came in."""
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        setup = logger.read_setup()
        if setup["records"] >= records and setup["unreadable"] >= unreadable:
            return
        time.sleep(0.005)
    pytest.fail(f"{records} records were sent, {logger.read_setup()} came")


def trouble(logger):
    """Read until the link's failure is told, which must be before it counts as silence; return what is told."""
    until = time.monotonic() + 30.0
    while time.monotonic() < until:
        try:
            logger.read()
        except LinkError as error:
            assert "silent" not in str(error)
            return str(error)
        time.sleep(0.005)
    pytest.fail("the failure was not told")


def taken(logger, count):
    """Wait until that many bytes came in."""
    until = time.monotonic() + 60.0
    while logger._bytes < count:
        assert time.monotonic() < until, f"{logger._bytes} of {count} bytes came"
        time.sleep(0.005)


@pytest.fixture
def impatient(monkeypatch):
    """A late line is waited for only a moment."""
    monkeypatch.setattr("amphora.drivers.serial.logger.PATIENCE_S", 0.1)


@pytest.fixture
def patient(monkeypatch):
    """A line that is sent will come, however busy the machine is."""
    monkeypatch.setattr("amphora.drivers.serial.logger.PATIENCE_S", 60.0)


def sent_after(far, data, seconds):
    timer = threading.Timer(seconds, far.send, (data,))
    timer.start()
    return timer


def test_reads_the_newest_complete_line(far, opened):
    logger = opened()
    far.send(b"1000,3.700,-0.5,24.0\r\n2000,3.699,-0.5,24.1\r\n3000,3.6")
    heard(logger, 2)
    assert logger.read() == {
        "voltage_V": 3.699, "current_A": -0.5, "temperature_degC": 24.1, "logger_time_s": 2.0,
    }  # fmt: skip
    far.send(b"98,-0.5,24.2\r\n")
    heard(logger, 3)
    assert logger.read()["voltage_V"] == 3.698


def test_reading_does_not_wait_while_a_fresh_line_is_there(far, opened):
    logger = opened()
    far.send(b"1000,3.7\n")
    heard(logger, 1)
    logger._news.wait = lambda timeout=None: pytest.fail("it waited")
    for _ in range(100):
        logger.read()
    assert 0 <= logger.age_s() < 60


def test_the_first_reading_waits_for_the_first_line(far, opened):
    logger = opened()
    timer = sent_after(far, b"1000,3.7\n", 0.1)
    assert logger.read()["voltage_V"] == 3.7
    timer.join()


def test_a_tail_of_a_line_at_connect_is_not_taken_for_a_reading(far):
    logger = SerialLogger("logger", {"port": far.path, "silence": "60 s"}, WallClock())
    logger._opened_s += 60.0  # as if it were being opened right now, however slow this machine is
    try:
        # Opened in mid-line: "…2000,3.712,-0.201" as its tail "712,-0.201" would be minus 0.2 V.
        far.send(b"712,-0.201\n2000,3.711,-0.201\n")
        assert logger.read()["voltage_V"] == 3.711
        assert logger.read_setup()["records"] == 1
    finally:
        logger.close()


def test_noise_at_connect_is_no_error(far, opened):
    logger = opened()
    far.send(b"\xff\x00\xfe#\x80\n1000,3.7\n")
    heard(logger, 1)
    assert logger.read()["voltage_V"] == 3.7
    assert logger.read_errors() == []


def test_a_garbled_line_in_between_costs_nothing_but_itself(far, opened):
    logger = opened()
    far.send(b"1000,3.7\n20\xff0,3.x\n3000,3.6\n")
    heard(logger, 2, 1)
    assert logger.read()["voltage_V"] == 3.6
    assert logger.read_setup()["unreadable"] == 1
    (remark,) = logger.read_errors()
    assert "logger: 1 records could not be read" in remark and "3.x" in remark
    assert logger.read_errors() == [], "each is told once"


def test_silence_is_told_with_how_long(far, opened, impatient):
    clock = WallClock()
    logger = opened(clock)
    far.send(b"1000,3.7\n")
    heard(logger, 1)
    logger.read()
    clock.ahead_s += 100.0
    with pytest.raises(LinkError, match=r"silent for 1\d\d(\.\d)? s \(60 s are allowed\)"):
        logger.read()


def test_a_logger_that_never_spoke_is_told(opened):
    with pytest.raises(LinkError, match="silent since it was opened"):
        opened(silence="0.2 s").read()


def test_a_meter_that_switched_itself_off_after_a_quarter_of_an_hour_is_named(far, opened, impatient):
    clock = WallClock()
    logger = opened(clock)
    far.send(b"1000,3.7\n")
    heard(logger, 1)
    logger.read()
    clock.ahead_s += 897.0
    far.send(b"898000,3.6\n")
    heard(logger, 2)
    logger.read()
    clock.ahead_s += 70.0
    with pytest.raises(LinkError, match=r"had run for 15 min.*switches itself off after a quarter of an hour"):
        logger.read()


def test_no_old_line_is_handed_out_after_a_suspend(far, opened, patient):
    clock = WallClock()
    logger = opened(clock)
    far.send(b"1000,3.7\n")
    heard(logger, 1)
    logger.read()
    clock.ahead_s += 3600.0  # the clock counts on while the computer sleeps
    timer = sent_after(far, b"3601000,3.5\n", 0.1)
    assert logger.read()["voltage_V"] == 3.5
    timer.join()


def test_a_bench_that_lives_fast_reads_what_comes_during_the_call(far, opened, patient):
    class Fast(WallClock):
        def now_s(self):
            return time.monotonic() * 1e6

    logger = opened(Fast())
    stop = threading.Event()

    def send():
        count = 0
        while not stop.is_set():
            count += 1
            far.send(b"%d,3.7\n" % count)
            time.sleep(0.01)

    sender = threading.Thread(target=send)
    sender.start()
    try:
        for _ in range(10):
            assert logger.read()["voltage_V"] == 3.7
    finally:
        stop.set()
        sender.join()


def test_old_lines_do_not_wait_in_a_buffer(far, opened):
    logger = opened()
    for n in range(3000):  # more than a system buffers
        far.send(b"%d,3.%03d\n" % (n, n % 1000))
    far.send(b"3000,3.111\n")
    heard(logger, 3001)
    assert logger.read()["voltage_V"] == 3.111


def test_a_wrong_baud_rate_is_said_plainly(far, opened):
    logger = opened(baud=9600, silence="0.2 s")
    far.send(bytes(range(128, 256)) * 3 + b"\n")
    taken(logger, 3 * 128 + 1)
    with pytest.raises(GarbledReply, match=r"baud rate \(9600\) is probably wrong"):
        logger.read()


def test_lines_of_another_format_are_told_with_the_last_one(far, opened):
    logger = opened(silence="0.2 s")
    far.send(b"3,7;24\n3,7;25\n")
    taken(logger, 14)
    with pytest.raises(GarbledReply, match=r"none of use to format plain.*7;25"):
        logger.read()


def test_bytes_without_a_line_end_are_told(far, opened):
    logger = opened(silence="0.2 s")
    far.send(b"3.7 3.7 3.7")
    taken(logger, 11)
    with pytest.raises(GarbledReply, match="no complete record"):
        logger.read()


def test_only_headers_are_told(far, opened):
    logger = opened(silence="0.2 s")
    far.send(b"hello, I am a logger\n")
    taken(logger, 21)
    with pytest.raises(GarbledReply, match="only header lines"):
        logger.read()


def test_a_port_that_vanishes_is_told_at_once_and_stays_told(far, opened):
    logger = opened()
    far.send(b"1000,3.7\n")
    heard(logger, 1)
    logger.read()
    os.close(far.master)
    far.master = -1
    os.close(far.slave)
    far.slave = -1
    assert "unplugged" in trouble(logger)
    with pytest.raises(LinkError):
        logger.reopen()
        logger.read()


def test_a_busy_port_says_so(far, opened):
    import fcntl

    number = os.open(far.path, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with pytest.raises(LinkError, match="already in use by another program"):
            opened()
    finally:
        os.close(number)
    far.send(b"")
    opened()


def test_a_port_that_is_not_there_says_so():
    with pytest.raises(LinkError, match="no such port"):
        open_logger("logger", {"port": "/dev/ttyNOSUCH0"}, WallClock())


def test_reopening_reads_on_and_forgets_the_old_line(far, opened):
    logger = opened()
    far.send(b"1000,3.7\n")
    heard(logger, 1)
    logger.read()
    logger.reopen()
    assert logger.age_s() == float("inf")
    time.sleep(0.06)
    far.send(b"2000,3.6\n")
    assert logger.read()["voltage_V"] == 3.6


def test_closing_twice_is_harmless_and_reading_then_is_an_error(far, opened):
    logger = opened()
    logger.close()
    logger.close()
    with pytest.raises(LinkError, match="closed"):
        logger.read()


def test_a_known_resistor_gives_the_current_out_of_the_cell(far, opened):
    logger = opened(shunt="10 ohm")
    far.send(b"1000,3.700\n")
    heard(logger, 1)
    assert logger.read()["current_A"] == pytest.approx(-0.370)


def test_a_shunt_column_gives_the_current_and_the_cells_voltage_stays(far, opened, tmp_path):
    path = tmp_path / "two.toml"
    path.write_text(
        '[[columns]]\nquantity = "voltage"\n[[columns]]\nquantity = "shunt"\nunit = "mV"\n', encoding="utf-8"
    )
    logger = opened(format=str(path), shunt="100 mohm")
    far.send(b"3.700,50\n")
    heard(logger, 1)
    assert logger.read() == {
        "voltage_V": 3.7, "shunt_V": pytest.approx(0.05), "current_A": pytest.approx(-0.5),
    }  # fmt: skip


def test_a_restart_of_the_logger_is_told_once(far, opened, monkeypatch):
    monkeypatch.setattr("amphora.drivers.serial.logger.SETTLE_S", 0.0)
    logger = opened()
    far.send(b"3600000,3.7\n")
    heard(logger, 1)
    far.send(b"200,3.7\n")
    heard(logger, 2)
    logger.read()
    (told,) = logger.read_errors()
    assert "started again" in told and "3600 s" in told
    assert logger.read_errors() == []


def test_a_wrapped_counter_goes_on_and_is_no_restart(far, opened, monkeypatch):
    monkeypatch.setattr("amphora.drivers.serial.logger.SETTLE_S", 0.0)
    logger = opened()
    far.send(b"4294966796,3.7\n500,3.7\n")
    heard(logger, 2)
    assert logger.read()["logger_time_s"] == pytest.approx(4294967.796)
    assert logger.read_errors() == []


def test_a_lost_sensor_leaves_the_voltage(far, opened):
    logger = opened(format="raw-counts")
    far.send(b"1000,3000,4095\n")
    heard(logger, 1)
    assert "temperature_degC" not in logger.read() and "voltage_V" in logger.read()
    assert "broken or shorted" in logger.read_setup()["faults"][0]


def frame_bytes(text):
    return bytes(b | 0x80 if not b.bit_count() & 1 else b for b in text)  # odd parity in the eighth bit


def test_seven_bit_frames_with_parity_over_a_port(far, opened):
    logger = opened(format="sample-frame")
    time.sleep(0.06)
    far.send(frame_bytes(b"+037123v@\n"))
    heard(logger, 1)
    assert logger.read() == {"voltage_V": pytest.approx(3.712)}
    broken = bytearray(frame_bytes(b"+036123v@\n"))
    broken[3] ^= 0x01
    far.send(bytes(broken))
    heard(logger, 1, 1)
    assert logger.read() == {"voltage_V": pytest.approx(3.712)}  # wrong parity: not taken


def test_a_meter_set_to_something_else_is_told(far, opened):
    logger = opened(format="sample-frame", silence="0.2 s")
    time.sleep(0.06)
    far.send(frame_bytes(b"+037123w@\n") * 2)
    taken(logger, 20)
    with pytest.raises(GarbledReply, match="alternating voltage"):
        logger.read()


def test_static_levels_are_set_before_the_port_is_opened(monkeypatch):
    import serial

    seen = {}
    real = serial.serial_for_url

    def spying(url, **options):
        link = real(url, **options)
        opening = link.open

        def opened_with():
            seen.update(rts=link.rts, dtr=link.dtr, baud=link.baudrate)
            opening()

        link.open = opened_with
        return link

    monkeypatch.setattr(serial, "serial_for_url", spying)
    logger = open_logger("logger", {"port": "loop://", "rts": False, "dtr": True, "baud": 2400}, WallClock())
    logger.close()
    assert seen == {"rts": False, "dtr": True, "baud": 2400}


class Server:
    """A logger behind a TCP server."""

    def __init__(self):
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self.listening.getsockname()[1]}"

    def accept(self):
        self.connection, _ = self.listening.accept()
        return self.connection

    def close(self):
        self.listening.close()
        if hasattr(self, "connection"):
            self.connection.close()


@pytest.fixture
def server():
    one = Server()
    yield one
    one.close()


def test_the_same_over_a_socket(server):
    logger = open_logger("logger", {"port": server.url, "silence": "60 s"}, WallClock())
    try:
        connection = server.accept()
        time.sleep(0.06)
        connection.sendall(b"1000,3.7,-0.1,24.0\n2000,3.6")
        assert logger.read()["voltage_V"] == 3.7
        connection.sendall(b"99,-0.1,24.0\n")
        heard(logger, 2)
        assert logger.read()["voltage_V"] == 3.699
        connection.close()
        trouble(logger)
        logger.reopen()
        connection = server.accept()
        time.sleep(0.06)
        connection.sendall(b"3000,3.5\n")
        assert logger.read()["voltage_V"] == 3.5
        connection.close()
    finally:
        logger.close()


def test_a_socket_nobody_listens_on_says_so(server):
    url = server.url
    server.close()
    with pytest.raises(LinkError, match="nobody listens"):
        open_logger("logger", {"port": url}, WallClock())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"prot": 1}, "'prot' is not known"),
        ({"baud": 0}, "baud"),
        ({"format": "nonsuch"}, "shipped"),
        ({"shunt": "10"}, "10 ohm"),
        ({"shunt": "0 ohm"}, "above 0"),
        ({"shunt": "10 V"}, "10 ohm"),
        ({"shunt": "3,0 ohm"}, "10 ohm"),
        ({"silence": "soon"}, "such as 2 h 30 min or 10 s is accepted"),
        ({"port": ""}, "port"),
    ],
)
def test_a_wrong_table_is_refused_naming_the_field(change, words):
    with pytest.raises(DescriptionError) as caught:
        open_logger("logger", {"port": "/dev/ttyNOSUCH0", **change}, WallClock())
    assert words in str(caught.value)
    assert isinstance(caught.value, DriverError)


def test_another_identity_than_the_bench_file_names_is_refused(far, opened):
    with pytest.raises(IdentityError, match="SN 12"):
        opened(identity="SN 12")
    opened(identity=far.path)  # the port was given back by the refusal


def test_it_is_a_meter(far, opened):
    logger = opened()
    assert logger.role == "logger"
    assert far.path in logger.identify() and "plain" in logger.identify()
    assert logger.make_safe().off and logger.make_safe().off
    assert logger.read_setup()["on"] is None


WORDS = st.sampled_from(["", "10 ohm", "3 s", "rts", "plain"])
ANY = st.recursive(
    st.none() | st.booleans() | st.integers(-3, 9600) | st.floats() | WORDS,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["discharge", "open"]), inner),
    max_leaves=3,
)


@pytest.mark.parametrize(("opening", "keys"), [(open_logger, LOGGER_KEYS), (open_switch, KEYS)])
@given(data=st.data())
def test_any_table_of_a_bench_file_is_refused_in_one_sentence(opening, keys, data):
    table = data.draw(st.dictionaries(st.sampled_from(keys) | st.text(max_size=3), ANY, max_size=4))
    with pytest.raises(DriverError) as caught:
        opening("one", {**table, "port": "/dev/ttyNOSUCH0"}, WallClock())
    assert "\n" not in str(caught.value)


# -- several sensors on one line, by name


def test_two_instruments_on_one_line_take_each_their_own(far, opened):
    cell, room = (opened(format="named-sensors", sensor=name) for name in ("28-0a31", "28-0b07"))
    time.sleep(0.06)
    far.send(b"28-0a31=21.44 28-0b07=22.06 hall=-3.5" + b"\n")
    heard(cell, 1)
    heard(room, 1)
    assert (cell.read(), room.read()) == ({"temperature_degC": 21.44}, {"temperature_degC": 22.06})
    far.send(b"28-0b07=22.10\n")  # the cell's own is gone: nothing is shown, least of all the other's
    heard(cell, 2)
    heard(room, 2)
    assert (cell.read(), room.read()) == ({}, {"temperature_degC": 22.10})
    assert cell.read_setup()["faults"] == ["28-0a31 is not in the line: no such sensor answers"]


def test_a_format_with_two_thermistors_gives_the_one_that_is_named(far, opened, tmp_path):
    ntc = '{ kind = "ntc-beta", r25_ohm = 10000, beta_K = 3950 }'
    path = tmp_path / "two.toml"
    path.write_text(
        'name = "two"\nkind = "lines"\n'
        f'[[columns]]\nname = "left"\nquantity = "temperature"\nsensor = {ntc}\n'
        f'[[columns]]\nname = "right"\nquantity = "temperature"\nkey = "right_degC"\nsensor = {ntc}\n'
    )
    right = opened(format=str(path), sensor="right")
    far.send(b"20000,10000\n")
    heard(right, 1)
    assert right.read()["temperature_degC"] == pytest.approx(25.0)  # R25 is the resistance at 25 degC


@pytest.mark.parametrize(
    ("described", "words"),
    [
        ({"format": "named-sensors"}, "tells sensors apart by name"),
        ({"format": "plain", "sensor": "28-0a31"}, "the temperatures of format plain are"),
        ({"format": "bare", "sensor": "x"}, "are none"),
        ({"format": "named-sensors", "sensor": 3}, "sensor"),
    ],
)
def test_a_name_that_cannot_come_is_refused(opened, described, words):
    with pytest.raises(DescriptionError, match=words):
        opened(**described)
