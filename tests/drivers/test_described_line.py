"""What only a wire shows, by its seam: baud and levels of the lines before the port opens, a board that starts, pacing,
questions put again and orders never, a line that echoes. The wire is played; nothing depends on how fast it goes.
"""

import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from foreign.asking import Foreign, dialect_file

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import LinkError
from amphora.drivers.opening import open_instrument
from amphora.drivers.polled import link as link_module
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.polled.wires import PortSettings, open_wire
from amphora.drivers.scpi.dialect import load_dialect

LINES = """format = "amphora-dialect/1"
name = "weir-load"
role = "load"

[protocol]
kind = "lines"
ends = "\\n"
identity = { send = "ID", answer = "WEIR 1" }
late_s = 0.05
MORE

[output]
on = { send = "RUN", answer = "OK" }
off = { send = "STOP", answer = "OK" }
query = { send = "S", answer = "S (RUN|STOP)", on = "S RUN", off = "S STOP" }

[settings.current]
set = { send = "I{value}", answer = "OK" }
query = { send = "I?", answer = "I (?P<value>[0-9.]+)" }
high = 10.0

[measure]
voltage = { send = "U", answer = "U (?P<value>[0-9.]+)" }
current = { send = "A", answer = "A (?P<value>[0-9.]+)" }
"""
ANSWERS = {b"ID\n": b"WEIR 1\n", b"U\n": b"U 3.700\n", b"STOP\n": b"OK\n", b"RUN\n": b"OK\n", b"S\n": b"S STOP\n"}


class Played:
    """A wire that answers by a table. `sent`: (when, what)."""

    pads = False

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self.answer, self.sent, self.waiting = answer, [], b""
        self.opened_s = time.monotonic()

    def send(self, data: bytes) -> None:
        self.sent.append((time.monotonic(), data))
        self.waiting += self.answer(data)

    def receive(self, wait_s: float) -> bytes:
        if not self.waiting:
            time.sleep(max(0.0, min(wait_s, 0.02)))
        came, self.waiting = self.waiting, b""
        return came

    def close(self) -> None: ...


def played(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: str = "", answer: Callable[[bytes], bytes] | None = None,
    **settings: Any,
) -> tuple[PolledLink, Played]:  # fmt: skip
    file = tmp_path / "weir.toml"
    file.write_text(LINES.replace("MORE", more), encoding="utf-8")
    speech = load_dialect(str(file)).speech
    assert speech is not None
    wire = Played(answer or (lambda data: ANSWERS.get(data, b"")))
    monkeypatch.setattr(link_module, "open_wire", lambda *words: wire)
    return PolledLink("ASRL/dev/null::INSTR", speech, timeout_s=0.1, **settings), wire


def test_baud_and_levels_of_the_lines_are_set_before_the_port_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board that starts again on an edge of DTR must not see one: pyserial sets both when it opens, to what was set
    before; a level that nobody described is left to it."""
    import serial

    seen: list[tuple[str, Any]] = []

    class Port:
        def __setattr__(self, key: str, value: Any) -> None:
            seen.append((key, value))

        def open(self) -> None:
            seen.append(("open", None))

        def reset_input_buffer(self) -> None: ...

    monkeypatch.setattr(serial, "Serial", Port)
    settings = PortSettings(19200, 7, "even", 2, dtr=False)
    open_wire("ASRL/dev/ttyUSB9::INSTR", 1.0, settings, 64)
    before = dict(seen[: seen.index(("open", None))])
    assert (before["port"], before["baudrate"], before["dtr"]) == ("/dev/ttyUSB9", 19200, False)
    assert (before["bytesize"], before["parity"], before["stopbits"], before["exclusive"]) == (7, "E", 2, True)
    assert "rts" not in dict(seen)


def test_baud_and_levels_of_file_and_bench_reach_the_port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link, wire = played(tmp_path, monkeypatch, "dtr = false\nrts = true", serial=PortSettings(4800))
    asked: list[Any] = []
    monkeypatch.setattr(link_module, "open_wire", lambda *words: (asked.append(words), wire)[1])
    link.open()
    link.reopen()
    for _, _, serial, _ in asked:  # at each opening
        assert (serial.baud, serial.dtr, serial.rts) == (4800, False, True)
    assert len(asked) == 2


def test_a_board_that_starts_when_its_port_opens_is_waited_for_and_its_greeting_is_no_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link, wire = played(tmp_path, monkeypatch, "starts_s = 0.4")
    wire.waiting = b"boot 1.0\nready\n"
    began_s = time.monotonic()
    link.open()
    assert link.query("*IDN?") == "described,weir-load,WEIR 1,0"
    assert wire.sent[0][0] - began_s >= 0.4
    other, wire = played(tmp_path, monkeypatch)  # the same board, and a file that does not say so
    wire.waiting = b"boot 1.0\nready\n"
    other.open()
    with pytest.raises(LinkError, match="nobody asked for"):
        other.query("*IDN?")


def test_off_goes_out_at_once_and_again_when_a_board_that_starts_can_hear(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link, wire = played(tmp_path, monkeypatch, "starts_s = 0.4")
    link.open()
    wire.sent.clear()
    told_before_sleep: list[tuple[int, float]] = []

    def sleep(seconds: float) -> None:
        told_before_sleep.append((len(wire.sent), seconds))
        time.sleep(seconds)

    monkeypatch.setattr(link_module, "time", SimpleNamespace(monotonic=time.monotonic, sleep=sleep))
    link.reopen(("STOP\n",))
    assert (1, 0.4) in told_before_sleep and (0, 0.4) not in told_before_sleep  # the first before it is waited for
    (first_s, first), (again_s, again) = wire.sent[:2]
    assert first == again == b"STOP\n" and again_s - first_s >= 0.4


def test_a_question_is_put_again_as_often_as_described_and_an_order_never(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deaf = [0]

    def answer(data: bytes) -> bytes:
        if deaf[0]:
            deaf[0] -= 1
            return b""
        return ANSWERS[data]

    link, wire = played(tmp_path, monkeypatch, "retries = 2", answer)
    link.open()
    for silent, heard in ((2, True), (3, False)):
        wire.sent.clear()
        deaf[0] = silent
        if heard:
            assert link.query("MEASURE.VOLTAGE?") == "3.700"
        else:
            with pytest.raises(LinkError, match="no answer to MEASURE"):
                link.query("MEASURE.VOLTAGE?")
        times = [at_s for at_s, data in wire.sent]
        assert [data for _, data in wire.sent] == [b"U\n"] * 3
        assert min(after - before for before, after in pairwise(times)) >= 0.1  # after its time
        deaf[0] = 0
        link.reopen()
        link.settle("*IDN?", lambda line: True)
    wire.sent.clear()
    deaf[0] = 1
    with pytest.raises(LinkError):
        link.write("OUTPUT.ON")
    assert [data for _, data in wire.sent] == [b"RUN\n"]


def test_without_a_word_about_it_no_question_is_put_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link, wire = played(tmp_path, monkeypatch, answer=lambda data: b"")
    link.open()
    with pytest.raises(LinkError):
        link.query("MEASURE.VOLTAGE?")
    assert [data for _, data in wire.sent] == [b"U\n"]


def test_messages_keep_their_distance_and_the_first_one_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link, wire = played(tmp_path, monkeypatch, pause_s=0.12)
    link.open()
    opened_s = time.monotonic()
    for _ in range(3):
        link.query("MEASURE.VOLTAGE?")
    link.send_blind(("STOP\n", "STOP\n"))
    times = [opened_s, *(at_s for at_s, _ in wire.sent)]
    assert len(times) == 6
    assert min(after - before for before, after in pairwise(times[1:])) >= 0.119


def test_silence_ends_half_a_message_before_off_goes_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link, wire = played(tmp_path, monkeypatch, "gap_s = 0.3")
    link.open()
    link.query("MEASURE.VOLTAGE?")
    asked_s = wire.sent[-1][0]
    link.send_blind(("STOP\n",))
    off_s, off = wire.sent[-1]
    assert off == b"STOP\n" and off_s - asked_s >= 0.3


def test_a_line_that_echoes_is_read_where_it_is_described_and_refused_where_the_echo_differs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link, _ = played(tmp_path, monkeypatch, "echo = true", lambda data: data + ANSWERS[data])
    link.open()
    assert link.query("MEASURE.VOLTAGE?") == "3.700"
    link.write("OUTPUT.OFF")
    other, _ = played(tmp_path, monkeypatch, "echo = true", lambda data: b"A\n" + ANSWERS[data])
    other.open()
    with pytest.raises(LinkError, match="the echo is not what was sent"):
        other.query("MEASURE.VOLTAGE?")
    plain, _ = played(tmp_path, monkeypatch, "", lambda data: data + ANSWERS[data])
    plain.open()
    with pytest.raises(LinkError, match="echo = true is not said"):
        plain.query("MEASURE.VOLTAGE?")


@pytest.mark.parametrize(("state", "off"), [("0", True), ("1", False)])
def test_what_an_outlet_does_after_power_up_is_asked_where_it_can_be(tmp_path: Path, state: str, off: bool) -> None:
    """The invented supply's over-voltage question stands for it: whatever answers, 0 is off and 1 is on again."""
    file = tmp_path / "supply.toml"
    text = dialect_file("supply", "polled").read_text(encoding="utf-8").replace("power_on_off = true\n", "")
    text += '\n[power_on]\nquery = { send = "V?", answer = "V ([01])[.]000", on = "V 1.000", off = "V 0.000" }\n'
    file.write_text(text, encoding="utf-8")
    with Foreign(supply={"style": "polled"}) as foreign:
        other: Any = open_instrument("supply", foreign.table("supply"), RealClock())
        other.set_voltage(float(state))
        other.close()
        supply: Any = open_instrument("supply", foreign.table("supply", str(file)), RealClock())
        assert supply.abilities.power_on_off is off
        supply.close()
