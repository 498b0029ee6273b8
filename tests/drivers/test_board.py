"""The relay of the fallback board over a pseudo-terminal: what is armed, read back, held and told."""

import dataclasses
import os
import re
import select
import signal
import subprocess
import sys
import threading
import time
import tomllib
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from board_bench import Board, logic
from wire import Far

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DescriptionError, IdentityError, InstrumentError, LimitError, LinkError
from amphora.drivers.off import order_from_table, restore
from amphora.drivers.opening import open_instrument, written_abilities
from amphora.drivers.serial.board import OPEN_TEXT, BoardRelay, _limits_of, main, relay_table
from amphora.drivers.serial.logger import SerialLogger
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.plans.requirements import not_guarded
from amphora.harness.running.bench_check import check_bench


class Served:
    """A board at the far end of a pseudo-terminal; a round each 10 ms, which the board takes for 100 ms."""

    def __init__(self, **more):
        self.far = Far()
        self.board = Board(files=[logic.kept_text([one[1] for one in logic.CALIBRATION])], **more)
        self.lock, self.deaf, self._over = threading.Lock(), False, threading.Event()
        self.spoil = 0  # so many of the next answers go out damaged
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        while not self._over.is_set():
            if select.select([self.far.master], [], [], 0.01)[0]:
                heard = os.read(self.far.master, 500)
                with self.lock:
                    if not self.deaf:
                        self.board.one.feed(heard, self.board.now_ms)
            with self.lock:
                self.board.run(100)
                sent, self.board.sent = self.board.sent, b""
                if self.spoil and b"1 R" not in sent and sent:
                    self.spoil -= 1
                    sent = sent.replace(b" 3", b" 4", 1)
                if not self.deaf and sent:
                    self.far.send(sent)

    def end(self):
        self._over.set()
        self._thread.join()
        self.far.close()


@pytest.fixture
def served():
    one = Served(beat_limit_ms=10_000)  # its time goes ten times as fast: a second on the wall
    yield one
    one.end()


def table(served, **more):
    return {"role": "switch", "board": True, "port": served.far.path, "release": "10 s", **more}


@pytest.fixture
def relay(served):
    one = open_instrument("relay", table(served), RealClock())
    yield one
    one.close()


def test_limits_are_armed_and_read_back_by_their_value_in_the_board(served, relay):
    held = relay.arm_limits(2.95, 4.25, 0.0, 45.0, 3600.0)
    assert served.board.one.limits == (2950, 4250, 0, 4500, 3600)
    assert held == {"low_voltage_V": 2.95, "high_voltage_V": 4.25, "low_temperature_degC": 0.0,
                    "high_temperature_degC": 45.0, "longest_s": 3600.0}  # fmt: skip
    served.board.one.limits = (2000, 4250, 0, 4500, 3600)
    assert relay.read_limits()["low_voltage_V"] == 2.0  # asked, not remembered
    relay.arm_limits(2.95, 4.25, 0.0, 45.0, 4 * 86_400.0)  # a plan may last longer than the board takes: it is narrower
    assert served.board.one.limits[4] == 3 * 86_400


def test_a_board_that_holds_other_limits_than_it_was_told_is_refused(served, relay):
    tell = served.board.one.tell_limits

    def lying(tag, now_ms):
        served.board.one.limits = (1000, *served.board.one.limits[1:])
        tell(tag, now_ms)

    served.board.one.tell_limits = lying
    with pytest.raises(InstrumentError, match="2950"):
        relay.arm_limits(2.95, 4.25, 0.0, 45.0, 3600.0)


def test_a_board_that_answers_well_and_holds_others_is_refused(served, relay):
    tell = served.board.one.tell_limits

    def forgetting(tag, now_ms):
        tell(tag, now_ms)
        served.board.one.limits = (1000, *served.board.one.limits[1:])

    served.board.one.tell_limits = forgetting
    with pytest.raises(InstrumentError, match="holds 1000"):
        relay.arm_limits(2.95, 4.25, 0.0, 45.0, 3600.0)


def test_the_bench_files_limits_only_narrow_and_a_wider_one_is_refused(served):
    own = {"low_voltage": "3.1 V", "high_voltage": "4.1 V", "low_temperature": "5 degC", "high_temperature": "40 degC",
           "longest": "20 min"}  # fmt: skip
    relay = open_instrument("relay", table(served, **own), RealClock())
    relay.arm_limits(2.95, 4.25, 0.0, 45.0, 3600.0)
    assert served.board.one.limits == (3100, 4100, 500, 4000, 1200)
    relay.arm_limits(3.2, 4.0, 10.0, 35.0, 600.0)
    assert served.board.one.limits == (3200, 4000, 1000, 3500, 600)
    with pytest.raises(LimitError, match="refuses"):  # no room between them
        relay.arm_limits(3.2, 4.0, 10.0, 5.0, 600.0)
    assert served.board.one.limits == (3200, 4000, 1000, 3500, 600)
    relay.close()


def test_no_contact_without_limits_and_contact_is_read_back(served, relay):
    with pytest.raises(InstrumentError, match="no limits are armed"):
        relay.connect("discharge")
    assert not served.board.made
    relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)
    relay.connect("discharge")
    assert served.board.made and relay.read_setup()["on"] is True
    relay.connect("open")
    assert not served.board.made and relay.read_setup()["on"] is False
    assert relay.make_safe().off


def test_a_limit_that_opened_it_is_told_and_it_stays_open_until_armed_anew(served, relay):
    relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)
    relay.connect("discharge")
    assert relay.read_trips() == []
    served.board.volts = 2.9
    until = time.monotonic() + 10.0
    while served.board.made and time.monotonic() < until:
        relay.beat()
        time.sleep(0.05)
    assert not served.board.made
    time.sleep(0.1)
    assert relay.read_trips() == ["lower voltage limit"]
    relay.connect("open")
    served.board.volts = 3.9
    with pytest.raises(InstrumentError, match="lower voltage limit"):
        relay.connect("discharge")
    relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)
    relay.connect("discharge")
    assert served.board.made


def test_a_board_that_started_again_is_told(served, relay):
    relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)
    relay.connect("discharge")
    with served.lock:
        served.board.reset("line")
    time.sleep(0.2)
    assert "started again" in relay.read_trips()[0]
    assert not served.board.made


def test_a_damaged_answer_is_asked_again_and_a_late_one_answers_nothing(served, relay):
    served.spoil = 1
    relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)
    assert relay.read_limits()["low_voltage_V"] == 3.0 and served.spoil == 0
    tag = f"{(relay._tag + 9) % 100:02d}"
    relay._take(logic.sealed(f"1 L {tag} 1000 4250 - - 60 armed 0"))
    assert relay.read_limits()["low_voltage_V"] == 3.0


def test_logger_and_relay_share_the_port(served, relay):
    logger = open_instrument("logger", {"role": "logger", "port": served.far.path, "format": "board"}, RealClock())
    assert isinstance(logger, SerialLogger)
    values = logger.read()
    assert values["voltage_V"] == pytest.approx(3.9, abs=0.005) and values["current_A"] == 0.0
    assert values["second_degC"] == pytest.approx(22.0, abs=0.2)
    logger.close()


def test_who_switches_off_without_asking_sends_the_constant_line(served, relay):
    relay.arm_limits(3.0, 4.25, 0.0, 45.0, 3600.0)
    relay.connect("discharge")
    relay.close()  # the program that held it is gone, its beats with it
    order = order_from_table("relay", table(served))
    assert order.messages == (OPEN_TEXT.removeprefix("text "),)
    outlet = restore(order)
    assert outlet.send_off()
    outlet.close()
    until = time.monotonic() + 5.0
    while served.board.made and time.monotonic() < until:
        time.sleep(0.01)
    assert not served.board.made and served.board.one.trip == "none"  # told, not missed


def test_a_silent_port_and_another_board_are_refused(served):
    served.deaf = True
    with pytest.raises(LinkError, match="does not answer"):
        open_instrument("relay", table(served), RealClock())
    served.deaf = False
    one = open_instrument("relay", table(served, identity="avr"), RealClock())
    with pytest.raises(IdentityError, match="expects 'avr'"):
        one.identify()
    one.close()


@pytest.mark.parametrize(
    ("more", "what"),
    [({"board": 1}, "board"), ({"holds": ["both"]}, "holds"), ({"low_voltage": "3 A"}, "low_voltage"),
     ({"high_temperature": "45 V"}, "high_temperature"), ({"hold": {}}, "hold"), ({"longest": 0}, "longest")],
)  # fmt: skip
def test_a_wrong_table_opens_nothing(served, more, what):
    with pytest.raises(DescriptionError, match=what):
        BoardRelay("relay", table(served, **more), RealClock())


def bench_data(served):
    return {
        "name": "board bench", "leads": "relay",
        "instruments": {
            "logger": {"role": "logger", "port": served.far.path, "format": "board"},
            "relay": table(served),
        },
        "cell": {"voltage": "logger", "current": "logger", "temperature": "logger"},
    }  # fmt: skip


def test_bench_check_and_plan_say_that_the_board_guards(served):
    bench = bench_from_dict(bench_data(served))
    found = check_bench(bench, RealClock(), open_instrument)
    assert any("its own voltage, temperature and time limits" in text for text in found.guards)
    assert found.unattended_discharge and not any("plain resistor" in text for text in found.missing)
    abilities = {"relay": written_abilities("relay", bench.instruments["relay"])}
    asked = {"resistor": True, "device": False, "needs_temperature": False}
    said = not_guarded(replace(bench, abilities=abilities), set(), **asked)
    assert any("lower and upper voltage limits and temperature limits" in text for text in said.guarded)
    assert any("beat stops" in text for text in said.guarded) and not said.missing
    assert not_guarded(bench, set(), **asked).guarded == ()


BEATER = """
import sys, time
from amphora.drivers.serial.board import BoardRelay
from amphora.drivers.clock import RealClock
relay = BoardRelay("relay", {"role": "switch", "board": True, "port": sys.argv[1], "release": "10 s"}, RealClock())
relay.arm_limits(3.0, 4.25, 0.0, 45.0, 36000.0)
relay.connect("discharge")
print("made", flush=True)
while True:
    relay.beat()
    time.sleep(0.05)
"""


def test_the_computer_is_killed_and_the_board_opens_by_itself(served):
    computer = subprocess.Popen([sys.executable, "-c", BEATER, served.far.path], stdout=subprocess.PIPE, text=True)
    try:
        assert computer.stdout.readline() == "made\n"
        assert served.board.made
    finally:
        os.kill(computer.pid, signal.SIGKILL)
        computer.wait()
        computer.stdout.close()
    until = time.monotonic() + 20.0
    while served.board.made and time.monotonic() < until:
        time.sleep(0.01)
    with served.lock:
        assert not served.board.made and served.board.one.trip == "beat"
        assert served.board.changes[-1][0] - served.board.one.beat_ms == 10_000


def test_the_page_says_what_a_person_may_write():
    text = (Path(__file__).resolve().parents[2] / "docs" / "board.md").read_text(encoding="utf-8")
    (data,) = (tomllib.loads(block) for block in re.findall(r"```toml\n(.*?)```", text, re.DOTALL))
    bench = bench_from_dict(data)
    relay_table(bench.instruments["relay"], "docs")
    limits = _limits_of(bench.instruments["relay"], "docs")
    said = {field.name for field in dataclasses.fields(limits) if getattr(limits, field.name) is not None}
    assert said == {"low_V", "high_V", "high_degC", "longest_s"}
    for name in re.findall(r"\((pictures/[^)]+)\)", text):
        drawn = ElementTree.parse(Path(__file__).resolve().parents[2] / "docs" / name)
        assert "pull-down" in ElementTree.tostring(drawn.getroot(), encoding="unicode")


def test_the_calibration_can_be_shown_and_written(served, capsys):
    served.board.one.beat_limit_ms = 5000
    assert main([served.far.path, "4", "9870000"]) == 0
    assert "9870000  shunt uohm" in capsys.readouterr().out
    assert b" 9870000 " in served.board.files[0] and served.board.one.limits is None
    assert main([served.far.path, "4", "1"]) == 4 and "refuses" in capsys.readouterr().out
    assert main([served.far.path, "4"]) == 2
