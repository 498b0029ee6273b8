"""Instruments by description, over a pseudo-terminal and TCP: invented devices of each kind, whose program shares no
code with the drivers (tests/support/foreign/described.py). Every rule that holds for SCPI is shown here again."""

import contextlib
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign, dialect_file

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DescriptionError, DriverError, InstrumentError, LimitError, LinkError
from amphora.drivers.off import OffOrder, order_from_table, order_of, restore
from amphora.drivers.opening import open_instrument
from amphora.drivers.polled.coding import Check, checksum
from amphora.drivers.polled.link import PolledLink
from amphora.drivers.scpi.dialect import load_dialect
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.common.errors import InputError
from amphora.harness.plans.requirements import check_working_voltage

STYLES = ("polled", "framed", "registers")
CELL_V = 3.6  # half full
OHM = 0.05


class Opened:
    """One device at work, and the instrument that drives it."""

    def __init__(self, kind: str, style: str, wire: str = "tcp", **more: Any) -> None:
        self.foreign = Foreign(**{kind: {"style": style, "wire": wire}})
        self.table = self.foreign.table(kind, timeout="400 ms", **more)
        self.kind = kind
        self.one: Any = open_instrument(kind, self.table, RealClock())

    def truth(self) -> Any:
        return self.foreign.truth()[self.kind]

    def fault(self, name: str, value: Any = True) -> None:
        self.foreign.fault(self.kind, name, value)

    def back(self, seconds: float = 20.0) -> None:
        """Reopen until it answers again."""
        until_s = time.monotonic() + seconds
        while True:
            try:
                self.one.reopen()
                return
            except DriverError:
                assert time.monotonic() < until_s

    def end(self) -> None:
        self.one.close()
        self.foreign.end()


@pytest.fixture
def opened() -> Iterator[Any]:
    made: list[Opened] = []

    def start(*words: Any, **more: Any) -> Opened:
        made.append(Opened(*words, **more))
        return made[-1]

    yield start
    for one in made:
        one.end()


@pytest.mark.parametrize("wire", ["tcp", "serial"])
@pytest.mark.parametrize("style", STYLES)
def test_a_load_discharges_and_is_switched_off(opened: Any, style: str, wire: str) -> None:
    at = opened("load", style, wire)
    assert not at.truth()["on"]
    assert at.one.read_setup()["on"] is False
    assert at.one.arm_limits(2.8, None) == {"low_voltage_V": pytest.approx(2.8)}
    assert at.truth()["settings"]["cutoff_V"] == pytest.approx(2.8)
    assert at.one.set_discharge("current", 0.5) == pytest.approx(0.5)
    at.one.set_input(True)
    reading = at.one.read()
    assert reading["current_A"] == pytest.approx(-0.5, abs=1e-3)  # out of the cell: negative
    assert reading["voltage_V"] == pytest.approx(CELL_V - 0.5 * OHM, abs=2e-3)
    state = at.one.make_safe()
    assert state.off and state.current_A == 0.0
    assert not at.truth()["on"]


@pytest.mark.parametrize("style", STYLES)
def test_a_supply_charges_within_what_it_holds(opened: Any, style: str) -> None:
    at = opened("supply", style)
    assert at.one.arm_limits(4.25, None, None) == {"over_voltage_V": 4.25}
    assert at.one.set_voltage(4.1) == pytest.approx(4.1)
    assert at.one.set_current_limit(0.3) == pytest.approx(0.3)
    at.one.set_output(True)
    assert at.one.read()["current_A"] == pytest.approx(0.3, abs=1e-3)
    assert at.truth()["settings"] == pytest.approx(
        {"voltage_V": 4.1, "current_A": 0.3, "over_voltage_V": 4.25, "over_current_A": None, "off_after_s": None},
        nan_ok=True,
    )
    assert at.one.make_safe().off
    assert not at.truth()["on"]


def test_one_meter_reads_several_places(opened: Any) -> None:
    at = opened("meter", "polled", channel=3)
    assert at.one.read() == {"voltage_V": pytest.approx(3.3), "temperature_degC": 21.5}


def test_a_meter_of_frames_reads(opened: Any) -> None:
    assert opened("meter", "framed").one.read()["voltage_V"] == pytest.approx(CELL_V, abs=1e-3)


def test_a_meter_of_registers_reads_voltage_and_sensor_of_each_place(opened: Any) -> None:
    at = opened("meter", "registers", "serial", channel=2)
    assert at.one.read() == {"voltage_V": pytest.approx(1.1), "temperature_degC": pytest.approx(-4.25)}
    at.fault("crc")
    with pytest.raises(DriverError):
        at.one.read()
    assert at.truth()["fired"]["crc"]


# -- devices that start again, sag, or drift away in the middle of their work ---------------------------------------


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("fault", ["resets", "brown-out"])
def test_a_device_that_starts_again_in_mid_run_is_found_off_and_nothing_is_read_from_before(
    opened: Any, style: str, fault: str
) -> None:
    at = opened("load", style)
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    at.fault(fault, 0.5 if fault == "brown-out" else True)
    at.foreign.wait(lambda truth: truth["load"]["fired"].get(fault) == 1, 5.0)
    if fault == "brown-out":
        with pytest.raises(DriverError):
            at.one.read()
        at.back()
    assert at.one.read_setup()["on"] is False and at.one.read_setup()["level"] == 0.0
    assert at.one.read()["current_A"] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("style", STYLES)
def test_what_a_drifting_line_lets_through_is_true_or_refused(opened: Any, style: str) -> None:
    at = opened("load", style)
    at.fault("drift", 0.02)
    read_V = []
    for _ in range(12):
        try:
            read_V.append(at.one.read()["voltage_V"])
        except DriverError:
            at.one.link.close()
            with contextlib.suppress(DriverError):
                at.one.reopen()
    at.fault("drift", 0.0)
    if style != "polled":  # a line without a checksum cannot tell a turned digit: see docs/described.md
        assert all(one == pytest.approx(CELL_V, abs=2e-3) for one in read_V)
    assert at.truth()["fired"]["drift"]
    at.back()
    assert at.one.make_safe().off


# -- refuse, never clip; read back after set ----------------------------------------------------------------


@pytest.mark.parametrize("style", STYLES)
def test_what_is_beyond_is_refused_and_nothing_is_sent(opened: Any, style: str) -> None:
    at = opened("load", style, max_current="2 A")
    before = at.truth()["messages"]
    with pytest.raises(LimitError, match=r"outside 0 to 2 A"):
        at.one.set_discharge("current", 2.5)
    assert at.truth()["messages"] == before


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("fault", ["clips", "sticks"])
def test_a_level_that_is_not_taken_is_found_by_reading_back(opened: Any, style: str, fault: str) -> None:
    at = opened("load", style)
    at.fault(fault, 0.4)
    with pytest.raises(InstrumentError, match="holds 0"):
        at.one.set_discharge("current", 0.9)
    assert at.truth()["fired"][fault] == 1


@pytest.mark.parametrize("style", STYLES)
def test_stuck_on_is_said(opened: Any, style: str) -> None:
    at = opened("load", style)
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    at.fault("stuck")
    assert not at.one.make_safe().off


# -- what came is the answer to this question, or nothing is read ----------------------------------------------


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("fault", ["mute", "half", "garbled", "echo"])
def test_a_spoiled_answer_is_never_a_reading_and_off_goes_out_all_the_same(opened: Any, style: str, fault: str) -> None:
    at = opened("load", style)
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    at.fault(fault)
    with pytest.raises(DriverError):
        at.one.read()
        at.one.read()  # an echo may stand where a confirmation of the same form would: found by what comes behind it
    with pytest.raises(DriverError):
        at.one.make_safe()
    assert not at.truth()["on"], "OFF does not wait for an answer"
    at.foreign.mend("load")
    at.back()
    assert at.one.read()["voltage_V"] == pytest.approx(CELL_V, abs=1e-2)


@pytest.mark.parametrize("style", ["framed", "registers"])
def test_a_wrong_checksum_spoils_a_frame(opened: Any, style: str) -> None:
    at = opened("load", style)
    at.fault("crc")
    with pytest.raises(DriverError, match=r"checksum|no whole answer"):
        at.one.read()
    at.foreign.mend("load")
    at.back()
    assert at.one.read()["voltage_V"] == pytest.approx(CELL_V, abs=1e-2)


@pytest.mark.parametrize("style", STYLES)
def test_no_late_answer_is_read_as_the_next_one(opened: Any, style: str) -> None:
    """The cell's voltage changes after the question: whatever is read later has to be the new one."""
    at = opened("load", style)
    at.fault("late", 1.0)
    with pytest.raises(DriverError):
        at.one.read()
    at.foreign.cell(charge_Ah=0.1)  # 3.12 V from now on
    at.foreign.mend("load")
    at.back()
    for _ in range(3):
        assert at.one.read()["voltage_V"] == pytest.approx(3.12, abs=0.02)


@pytest.mark.parametrize("style", STYLES)
def test_an_answer_that_comes_twice_is_not_the_next_one(opened: Any, style: str) -> None:
    at = opened("load", style)
    at.fault("again", 0.1)
    at.one.link.query(next(word for word in at.one.link.speech.exchanges if word.startswith("MEASURE")))
    at.foreign.mend("load")
    time.sleep(0.3)
    with pytest.raises(DriverError):
        at.one.read()
    at.back()
    assert at.one.read()["voltage_V"] == pytest.approx(CELL_V, abs=1e-2)


def test_a_device_that_waits_for_the_rest_of_a_long_frame_still_hears_off(opened: Any) -> None:
    at = opened("load", "framed", "serial")
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    prepared = order_of(at.one, at.table)
    assert prepared is not None
    at.one.link.send_blind(("\xaa\x55\x1e",))  # 32 bytes are still to come, more than both OFFs have
    at.one.close()
    outlet = restore(prepared)
    assert outlet.send_off()
    at.foreign.wait(lambda truth: not truth["load"]["on"], 2.0)
    outlet.close()


def test_a_device_that_stays_late_gives_no_reading_at_all(opened: Any) -> None:
    """It has no name to ask for, and all its answers look alike: the silence that is waited for grows."""
    at = opened("meter", "framed")
    at.fault("late", 1.3)
    for n in range(6):
        at.foreign.cell(charge_Ah=0.1 + 0.1 * n)
        expected_V = 3.0 + 1.2 * (0.1 + 0.1 * n)
        try:
            at.one.reopen()
            read_V = at.one.read()["voltage_V"]
        except DriverError:
            continue
        assert read_V == pytest.approx(expected_V, abs=1e-3)


# -- off, as data ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wire", ["tcp", "serial"])
@pytest.mark.parametrize("style", STYLES)
def test_off_is_prepared_as_exact_bytes_and_works_without_an_answer(opened: Any, style: str, wire: str) -> None:
    at = opened("load", style, wire)
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    written = json.loads(json.dumps(order_of(at.one, at.table).to_dict()))  # type: ignore[union-attr]
    at.one.close()
    at.fault("mute")
    outlet = restore(OffOrder.from_dict(written))
    assert outlet.send_off()
    at.foreign.wait(lambda truth: not truth["load"]["on"], 2.0)
    at.foreign.mend("load")
    until_s = time.monotonic() + 15.0
    while True:
        try:
            assert outlet.make_safe().off
            break
        except DriverError:
            assert time.monotonic() < until_s
    outlet.close()


@pytest.mark.parametrize("style", STYLES)
def test_off_from_the_bench_file_alone_is_the_same_bytes(opened: Any, style: str) -> None:
    at = opened("load", style)
    found, from_file = order_of(at.one, at.table), order_from_table("load", at.table)
    assert found is not None and from_file is not None
    assert found.messages == from_file.messages and found.messages


@pytest.mark.parametrize("style", STYLES)
def test_half_a_message_of_a_program_that_was_killed_is_spoiled(opened: Any, style: str) -> None:
    """Half an order to draw 9 A lies in the device's ear; OFF comes behind it, and neither half nor OFF goes astray."""
    at = opened("load", style, "serial")
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    prepared = order_of(at.one, at.table)
    assert prepared is not None
    link = at.one.link
    half = link.blind(["SETTINGS.CURRENT.SET 9.000"])[-1]
    link.send_blind((half[:-2],))
    at.one.close()
    outlet = restore(prepared)
    assert outlet.send_off()
    truth = at.foreign.wait(lambda one: not one["load"]["on"], 2.0)
    assert truth["load"]["settings"]["level"] == 0.5
    outlet.close()


def test_the_remote_mode_is_kept_alive_and_its_loss_switches_off(opened: Any) -> None:
    at = opened("load", "polled")
    at.fault("lapses", 1.5)
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    until_s = time.monotonic() + 2.5
    while time.monotonic() < until_s:
        at.one.beat()
        time.sleep(0.1)
    assert at.truth()["on"]
    assert not at.foreign.wait(lambda truth: not truth["load"]["on"], 5.0)["load"]["on"]  # nobody speaks to it any more
    at.one.set_discharge("current", 0.4)  # remote is entered again before an order


@pytest.mark.parametrize("style", STYLES)
def test_a_board_that_starts_again_at_each_opening_is_found_off_with_its_levels_gone(opened: Any, style: str) -> None:
    at = opened("load", style)
    at.one.set_discharge("current", 0.5)
    at.one.set_input(True)
    at.fault("reboots")
    at.one.link.distrust("a test")
    at.one.link.close()
    at.back()
    setup = at.one.read_setup()
    assert setup["on"] is False and setup["level"] == 0.0


# -- what only a person's hardware shows: the seam --------------------------------------------------


def test_a_hid_device_is_spoken_to_in_reports(monkeypatch: pytest.MonkeyPatch) -> None:
    """No HID device is here: the library's face is played, the reports are what goes through it."""
    sent: list[bytes] = []
    answers: list[bytes] = []

    class Device:
        def open(self, vendor: int, product: int, serial: str | None) -> None:
            assert (vendor, product, serial) == (0x1234, 0x00AB, "S1")

        def write(self, data: bytes) -> int:
            sent.append(data)
            machine = data[1:].rstrip(b"\0")
            answers.append((b"\xaa\x55\x03\x81\x42\x07" + _check(b"\x03\x81\x42\x07")).ljust(64, b"\0"))
            assert machine.startswith(b"\xaa\x55")
            return len(data)

        def read(self, size: int, wait_ms: int) -> list[int]:
            return list(answers.pop(0)) if answers else []

        def close(self) -> None: ...

    monkeypatch.setitem(sys.modules, "hid", type(sys)("hid"))
    monkeypatch.setattr(sys.modules["hid"], "device", Device, raising=False)
    dialect = load_dialect(str(dialect_file("meter", "framed")))
    assert dialect.speech is not None
    link = PolledLink("HID::0x1234::0x00ab::S1", dialect.speech, timeout_s=0.2)
    link.open()
    assert link.query("*IDN?") == "described,weir-meter,7,0"
    assert len(sent[0]) == 65 and sent[0][0] == 0  # the report's number, then 64 bytes
    link.close()


def _check(data: bytes) -> bytes:
    return checksum(Check("crc", 2, "little", polynomial=0x1021, init=0xFFFF), data)


def test_without_the_library_a_hid_device_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "hid", None)
    table = {"role": "meter", "resource": "HID::0x1234::0xab", "dialect": str(dialect_file("meter", "framed"))}
    with pytest.raises(LinkError, match="pip install hidapi"):
        open_instrument("m", table, RealClock())


# -- wrong tables ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("style", "change", "said"),
    [
        ("polled", ('kind = "lines"', 'kind = "prose"'), "lines, frames, modbus are"),
        ("polled", ('{ send = "I{value}"', '{ send = "I"'), "a line with {value} is"),
        ("polled", (', on = "S RUN", off = "S STOP"', ""), "on and off"),
        ("framed", ('"value u16 0.001"]', '"value u17 0.001"]'), "u8, i8, u16"),
        ("framed", ("polynomial = 0x1021, ", ""), "polynomial"),
        ("framed", ('layout = ["start", "length", ', 'layout = ["length", '), "protocol.start"),
        ("registers", ("register = 16", "register = 70000"), "0 to 65535"),
        ("registers", ("write = 32, is = 1", "write = 32"), "is = the value"),
        ("registers", ("address = 7", "address = 700"), "1 to 247"),
    ],
)
def test_a_wrong_table_is_one_sentence(tmp_path: Path, style: str, change: tuple[str, str], said: str) -> None:
    text = dialect_file("load", style).read_text(encoding="utf-8")
    assert change[0] in text
    file = tmp_path / "d.toml"
    file.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(DescriptionError) as found:
        load_dialect(str(file))
    assert said in str(found.value) and "d.toml" in str(found.value) and "\n" not in str(found.value)


def test_a_load_that_works_from_1_1_V_is_refused_at_plan_time_for_a_nickel_cell(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(
        '[instruments.load]\nrole = "load"\nresource = "ASRL/dev/null::INSTR"\n'
        f'dialect = "{dialect_file("load", "polled")}"\n',
        encoding="utf-8",
    )
    description = load_bench(bench)
    assert description.instruments["load"]["lowest_working_voltage"] == "1.1 V"
    with pytest.raises(InputError, match=r"1\.1 V is above the cut-off of 1 V"):
        check_working_voltage(description, 1.0, "nimh")
