"""One way off: the bytes first, on the session that is open, whatever is answered. Instruments of foreign make."""

import dataclasses
import json
import os
import signal
import time
import types
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign
from programs import Inside

import amphora.drivers.off
import amphora.drivers.scpi.instrument
from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DriverError, LinkError
from amphora.drivers.off import OffOrder, StrangerError, UsbDevice, order_from_table, port_now, restore
from amphora.drivers.opening import open_instrument
from amphora.harness.bench.bench_file import BenchDescription, bench_from_dict, load_bench
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import BenchError
from amphora.harness.common.locks import acquire_channel, addresses, channel_keys, identity_key
from amphora.harness.control.events import Event, MadeSafe, OrderGiven
from amphora.harness.plans.plan import Order
from amphora.harness.running.off_first import off_first
from amphora.harness.running.session import held, hold_identities, open_rig
from amphora.harness.running.switch_off import (
    FILE,
    OffList,
    OffResult,
    beside,
    is_off,
    make_all_safe,
    off_limit_A,
    read_sheet,
    sheet_from_bench,
    sheet_of,
    switch_off_now,
    write_sheet,
)
from amphora.harness.running.watchdog import STILL_S, TRY_FOR_S, Keeper


@pytest.fixture(autouse=True)
def own_runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMPHORA_RUNTIME", str(tmp_path / "runtime"))


@pytest.fixture
def inside(tmp_path: Path) -> Inside:
    return Inside(tmp_path)


@pytest.fixture
def at_work(tmp_path: Path) -> Iterator[Any]:
    """Open a bench of foreign make and switch its load or supply on."""
    with ExitStack() as stack:

        def start(foreign: Foreign, **more: Any) -> tuple[BenchDescription, Rig]:
            bench = load_bench(foreign.bench_file(tmp_path, **more))
            rig = open_rig(bench, RealClock(), open_instrument)
            stack.callback(rig.close)
            if rig.load is not None:
                rig.load.set_discharge("current", 0.5)
                rig.load.set_input(True)
            if rig.supply is not None:
                rig.supply.set_voltage(4.0)
                rig.supply.set_current_limit(0.5)
                rig.supply.set_output(True)
            return bench, rig

        yield start


def made_safe(bench: BenchDescription, rig: Rig) -> dict[str, dict[str, Any]]:
    return make_all_safe(rig.instruments, RealClock(), {name: off_limit_A(bench, name) for name in rig.instruments})


# -- a runner that lives ---------------------------------------------------------------------------------


def test_late_answers_of_an_instrument_with_one_session_delay_no_off(at_work: Any) -> None:
    # 0.1.0: answers 5 s late on a load with one session, no OFF in 75 s
    with Foreign(load={"faults": {"session": 20.0}}) as foreign:
        _, rig = at_work(foreign, tables={"load": {"timeout": "200 ms"}})
        foreign.fault("load", "late", 5.0)
        with pytest.raises(DriverError):
            rig.instruments["load"].read()
        at_s = time.monotonic()
        with pytest.raises(DriverError):
            rig.instruments["load"].make_safe()
        assert foreign.off_after_s("load", at_s, 1.0) < 0.5
        truth = foreign.truth()["load"]
        assert truth["fired"]["late"] and truth["refused"] == 0, "no session may be thrown away for it"


def test_one_garbled_answer_costs_no_session_and_no_off(at_work: Any) -> None:
    # 0.1.0: one garbled answer left the load on, unwatched, for as long as it held the dead session
    with Foreign(load={"faults": {"session": 20.0}}) as foreign:
        _, rig = at_work(foreign)
        foreign.fault("load", "garbled")
        with pytest.raises(DriverError):
            rig.instruments["load"].read()
        assert foreign.truth()["load"]["fired"]["garbled"]
        foreign.mend("load", "garbled")
        rig.instruments["load"].reopen()
        assert rig.instruments["load"].read()["current_A"] == pytest.approx(-0.5, abs=0.05)
        truth = foreign.truth()["load"]
        assert truth["on"] and truth["accepted"] == 1 and truth["refused"] == 0


def test_a_session_is_not_thrown_away_before_off_was_sent_on_it(at_work: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(amphora.drivers.scpi.instrument, "KEEP_SESSION_S", 0.6)
    with Foreign(load={"faults": {"session": 20.0}}) as foreign:
        _, rig = at_work(foreign, tables={"load": {"timeout": "200 ms"}})
        foreign.fault("load", "mute")
        with pytest.raises(DriverError):
            rig.instruments["load"].read()
        assert foreign.truth()["load"]["on"]
        with pytest.raises(LinkError):
            rig.instruments["load"].reopen()
        truth = foreign.truth()["load"]
        assert truth["on"] and truth["sessions"] == 1, "kept for a while: it may answer again"
        time.sleep(0.5)
        with pytest.raises(LinkError):
            rig.instruments["load"].reopen()
        for _ in range(300):  # the bytes left; when the instrument reads them is its own affair
            if not foreign.truth()["load"]["on"]:
                break
            time.sleep(0.1)
        assert not foreign.truth()["load"]["on"]


def test_a_mute_instrument_takes_nobody_elses_time(at_work: Any) -> None:
    with Foreign(load={"style": "generic"}, supply={"style": "otherwise"}) as foreign:
        bench, rig = at_work(foreign, tables={"supply": {"timeout": "10 s"}, "load": {"timeout": "10 s"}})
        foreign.fault("supply", "mute")
        foreign.fault("load", "mute")
        foreign.hang_up("load")  # its session is dead: OFF needs a new one
        time.sleep(0.2)
        at_s = time.monotonic()
        import threading

        threading.Thread(target=made_safe, args=(bench, rig), daemon=True).start()
        assert foreign.off_after_s("supply", at_s, 3.0) < 1.0
        assert foreign.off_after_s("load", at_s, 3.0) < 1.0


@pytest.mark.parametrize("fault", [("not-a-number", True), ("noise", 1.0), ("silent-to", ["MEAS", "ERR"])])
def test_whatever_is_answered_off_is_sent_first(at_work: Any, fault: tuple[str, Any]) -> None:
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign, tables={"load": {"timeout": "100 ms"}})
        foreign.fault("load", *fault)
        before = len(foreign.received("load"))
        at_s = time.monotonic()
        made_safe(bench, rig)
        assert foreign.off_after_s("load", at_s, 1.0) < 0.5
        first = foreign.received("load")[before][1]
        assert "OFF" in first and "?" not in first


def test_a_current_that_flows_on_is_said_so(at_work: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("amphora.harness.running.switch_off.OFF_SETTLE_S", 0.02)
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign)
        foreign.fault("load", "welded")
        (one,) = made_safe(bench, rig).values()
        assert not one.off and "still flows" in one.text


# -- what off is, once -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("specification", "limit_A"),
    [({}, 0.020), ({"offset": "0.5 mA"}, 0.005), ({"offset": "2 mA"}, 0.010), ({"offset": "30 mA"}, 0.020)],
)
def test_the_current_that_is_none_is_what_a_zero_may_show_when_a_run_begins(
    specification: dict[str, str], limit_A: float
) -> None:
    table = {"role": "load", "resource": "TCPIP::192.0.2.1::1::SOCKET", "dialect": "load-simple"}
    if specification:
        table["specification"] = {"current": specification}  # type: ignore[assignment]
    bench = bench_from_dict({"instruments": {"load": table}})
    assert off_limit_A(bench, "load") == pytest.approx(limit_A)
    assert [entry.limit_A for entry in sheet_from_bench(bench).entries] == [pytest.approx(limit_A)]
    assert is_off(True, limit_A, limit_A) and is_off(True, None, limit_A)
    assert not is_off(True, -1.01 * limit_A, limit_A) and not is_off(False, 0.0, limit_A)


# -- the sheet: off by data alone ------------------------------------------------------------------------


@pytest.mark.parametrize("style", ["generic", "otherwise"])
@pytest.mark.parametrize("wire", ["tcp", "serial"])
def test_a_sheet_switches_off_a_mute_instrument_without_a_question_before(
    at_work: Any, tmp_path: Path, style: str, wire: str
) -> None:
    with Foreign(load={"style": style, "wire": wire}) as foreign:
        bench, rig = at_work(foreign)
        write_sheet(sheet_of(bench, rig.instruments), tmp_path / FILE)
        rig.close()
        foreign.fault("load", "mute")
        before = len(foreign.received("load"))
        known = read_sheet(tmp_path / FILE)
        assert known is not None
        at_s = time.monotonic()
        found = switch_off_now(known, 1.0, "a test")
        assert foreign.off_after_s("load", at_s, 0.1) < 1.0
        assert not found["load"].off and "OFF was sent; " in found["load"].text
        sent = [text for _, text in foreign.received("load")[before:]]
        first_question = next((number for number, text in enumerate(sent) if "?" in text), len(sent))
        order = known.entries[0].order
        assert sent[: len(order.messages)] == list(order.messages) and first_question >= len(order.messages)


def test_a_sheet_reads_back_and_says_off_where_it_is_answered(at_work: Any, tmp_path: Path) -> None:
    with Foreign(load={"style": "generic"}, supply={"style": "otherwise"}) as foreign:
        bench, rig = at_work(foreign, dialects={"load": "auto"})
        sheet = sheet_of(bench, rig.instruments)
        rig.close()
        again = OffList.from_dict(json.loads(json.dumps(sheet.to_dict(), default=str)))
        assert again.to_dict() == json.loads(json.dumps(sheet.to_dict(), default=str))
        found = switch_off_now(again, 5.0, "a test")
        assert found["load"].off and found["supply"].off
        assert "off, read back" in found["load"].text
        truth = foreign.truth()
        assert not truth["load"]["on"] and not truth["supply"]["on"]


def test_a_damaged_sheet_is_none_and_the_bench_file_has_to_do(tmp_path: Path) -> None:
    path = tmp_path / FILE
    for text in (
        "",
        "{}",
        '{"format": "amphora-off/1", "bench": "b", "instruments": [{}], "speed_up": 1, "unknown": {}}',
    ):
        path.write_text(text)
        assert read_sheet(path) is None
    assert read_sheet(tmp_path / "none.json") is None


def test_without_a_sheet_and_without_a_dialect_off_goes_out_in_each_that_it_could_be(tmp_path: Path) -> None:
    with Foreign(load={"style": "generic"}) as foreign:
        bench = load_bench(foreign.bench_file(tmp_path, dialects={"load": "auto"}))
        foreign.switch("load", True)
        foreign.fault("load", "mute")
        at_s = time.monotonic()
        found = switch_off_now(sheet_from_bench(bench), 1.0, "a test")
        assert foreign.off_after_s("load", at_s, 0.1) < 1.0 and not found["load"].off
        foreign.mend("load")
        foreign.switch("load", True)
        found = switch_off_now(sheet_from_bench(bench), 10.0, "a test")
        assert found["load"].off, found
        assert not foreign.truth()["load"]["on"]


def test_what_the_bench_file_says_anew_goes_before_an_old_sheet() -> None:
    table = {"role": "load", "resource": "TCPIP::192.0.2.1::1::SOCKET", "dialect": "load-simple"}
    old = sheet_from_bench(bench_from_dict({"instruments": {"load": table}}))
    moved = bench_from_dict({"instruments": {"load": {**table, "resource": "TCPIP::192.0.2.2::1::SOCKET"}}})
    assert sheet_from_bench(moved, known=old).entries[0].order.resource == "TCPIP::192.0.2.2::1::SOCKET"
    same = bench_from_dict({"instruments": {"load": dict(table)}})
    assert sheet_from_bench(same, known=old).entries == old.entries


def test_a_channel_that_another_run_holds_gets_nothing(at_work: Any, tmp_path: Path) -> None:
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign)
        sheet = sheet_of(bench, rig.instruments)
        before = len(foreign.received("load"))
        with acquire_channel("load", bench.instruments["load"], "the next run"):
            found = switch_off_now(sheet, 1.0, "a test")
        assert "left alone" in found["load"].text and foreign.truth()["load"]["on"]
        assert len(foreign.received("load")) == before


def test_a_lock_that_cannot_be_taken_leaves_no_load_on(
    at_work: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign)
        sheet = sheet_of(bench, rig.instruments)
        rig.close()
        monkeypatch.setenv("AMPHORA_RUNTIME", str(tmp_path / "file" / "no folder"))
        assert switch_off_now(sheet, 5.0, "a test")["load"].off
        assert not foreign.truth()["load"]["on"]


def test_a_microcontrollers_relay_is_told_to_open_by_the_sheet(tmp_path: Path) -> None:
    with Foreign(relay={"kind": "relay", "wire": "serial", "release_s": 60.0}) as foreign:
        table = foreign.table("relay", open="text let go")
        order = order_from_table("relay", table)
        assert order is not None and order.messages == ("let go",)
        relay = open_instrument("relay", table, RealClock())
        relay.connect("discharge")  # type: ignore[attr-defined]
        foreign.wait(lambda truth: truth["relay"]["on"], 5.0)
        relay._port.detach()  # type: ignore[attr-defined]  its runner is dead, and let nothing go
        outlet = restore(OffOrder.from_dict(json.loads(json.dumps(order.to_dict()))))
        at_s = time.monotonic()
        assert outlet.send_off()
        assert foreign.off_after_s("relay", at_s, 2.0) < 1.0
        outlet.close()


# -- bench off, resume ----------------------------------------------------------------------------------


def test_bench_off_sends_off_to_a_mute_load_from_anywhere(
    at_work: Any, inside: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Foreign(load={"style": "otherwise"}) as foreign:
        bench, rig = at_work(foreign)
        write_sheet(sheet_of(bench, rig.instruments), beside(bench.where))
        rig.close()
        text = Path(bench.where).read_text()
        assert beside(bench.where).name == "bench.off.json" and "foreign-otherwise" in text
        foreign.fault("load", "mute")
        (tmp_path / "elsewhere").mkdir()
        monkeypatch.chdir(tmp_path / "elsewhere")
        monkeypatch.setattr("amphora.harness.cli.bench_off.OFF_FOR_S", 1.0)
        at_s = time.monotonic()
        done = inside.call("bench", "off", "--bench", bench.where, code=4)
        assert foreign.off_after_s("load", at_s, 0.1) < 2.0
        assert "OFF was sent" in done.stdout and "pull the leads" in done.stderr


@pytest.mark.parametrize("kept", [True, False])
def test_a_run_that_goes_on_sends_off_before_it_asks(
    at_work: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept: bool
) -> None:
    events: list[Event] = [OrderGiven(Order("discharge"))]
    monkeypatch.setattr(
        "amphora.harness.running.off_first.read_run", lambda folder: types.SimpleNamespace(events=events)
    )
    monkeypatch.setattr("amphora.harness.running.off_first.OFF_FIRST_S", 0.5)
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign)
        if kept:
            write_sheet(sheet_of(bench, rig.instruments), tmp_path / FILE)
        rig.close()
        foreign.fault("load", "mute")
        said: list[str] = []
        at_s = time.monotonic()
        off_first(tmp_path, bench, said.append)
        assert foreign.off_after_s("load", at_s, 0.1) < 1.0
        assert said and "not known to be off" in said[0]
        foreign.switch("load", True)
        events.append(MadeSafe(off=True))
        assert off_first(tmp_path, bench, said.append) == {} and foreign.truth()["load"]["on"]


# -- whose port it is ------------------------------------------------------------------------------------


def port(device: str, serial: str | None = "A1", vid: int = 0x1234, location: str = "1-2") -> Any:
    return types.SimpleNamespace(device=device, vid=vid, pid=0x0001, serial_number=serial, location=location)


def usb_order(**device: str) -> OffOrder:
    return OffOrder("load", "load", "ASRL/dev/ttyUSB0::INSTR", device=UsbDevice("1234", "0001", **device))


def test_a_serial_device_is_known_by_its_usb_serial_number_wherever_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    ports = [port("/dev/ttyUSB0", "OTHER"), port("/dev/ttyUSB1", "A1")]
    monkeypatch.setattr(amphora.drivers.off, "_ports", lambda: ports)
    assert port_now(usb_order(serial_number="A1", location="1-2")) == "/dev/ttyUSB1"
    ports.pop()
    with pytest.raises(StrangerError, match=r"serial number A1 is not plugged in.*nothing was sent"):
        port_now(usb_order(serial_number="A1", location="1-2"))


def test_a_device_without_a_serial_number_is_known_by_its_socket(monkeypatch: pytest.MonkeyPatch) -> None:
    ports = [port("/dev/ttyUSB0", None, location="1-3"), port("/dev/ttyUSB1", None, location="1-2")]
    monkeypatch.setattr(amphora.drivers.off, "_ports", lambda: ports)
    assert port_now(usb_order(location="1-2")) == "/dev/ttyUSB1"
    with pytest.raises(StrangerError, match="USB socket 1-7"):
        port_now(usb_order(location="1-7"))


def test_a_port_that_was_renumbered_gets_nothing(at_work: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    with Foreign(load={"style": "generic", "wire": "serial"}) as foreign:
        bench, rig = at_work(foreign)
        sheet = sheet_of(bench, rig.instruments)
        rig.close()
        (entry,) = sheet.entries
        mine = dataclasses.replace(entry.order, device=UsbDevice("1234", "0001", "A1"))
        node = foreign.instruments["load"]["port"]
        monkeypatch.setattr(amphora.drivers.off, "_ports", lambda: [port(node, "SOMEBODY ELSE'S")])
        before = len(foreign.received("load"))
        found = switch_off_now(OffList("b", (entry._replace(order=mine),)), 0.3, "a test")
        assert "nothing was sent" in found["load"].text
        assert len(foreign.received("load")) == before and foreign.truth()["load"]["on"]


# -- locks ----------------------------------------------------------------------------------------------


def test_a_channel_is_one_however_its_address_is_spelt(tmp_path: Path) -> None:
    def keys(resource: str, **more: Any) -> tuple[str, ...]:
        return channel_keys({"role": "load", "resource": resource, **more})

    same = [
        "TCPIP::127.0.0.1::5025::SOCKET", "TCPIP0::localhost::5025::SOCKET", "tcpip::LOCALHOST::05025::socket",
        "TCPIP::127.0.0.2::5025::SOCKET",
    ]  # fmt: skip
    assert len({keys(one) for one in same}) == 1
    assert keys("TCPIP::10.0.0.5::INSTR") == keys("TCPIP0::10.0.0.5::inst0::INSTR")
    assert keys("TCPIP::127.0.0.1::5026::SOCKET") != keys(same[0]) != keys(same[0], channel=2)
    assert keys("TCPIP::no such host::1::SOCKET") == ("TCPIP0::no such host::1::SOCKET channel 1",)
    assert addresses("::1") == addresses("[::1]") == addresses("127.0.0.1") == ("127.0.0.1",)


def test_an_identity_is_a_second_key_where_its_serial_number_names_somebody() -> None:
    assert identity_key("MAKE,MODEL,SN1234,1.0") == identity_key(" make , model,sn1234,2.0")
    assert identity_key("MAKE,MODEL,SN1234,1.0") != identity_key("MAKE,MODEL,SN1235,1.0")
    assert identity_key("MAKE,MODEL,SN1234,1.0", 2) != identity_key("MAKE,MODEL,SN1234,1.0", 1)
    for nobody in (
        "MAKE,MODEL,0,1.0",
        "MAKE,MODEL,,1.0",
        "MAKE,MODEL,00000000,1",
        "MAKE,MODEL,N/A,1.0",
        "relay on x",
        "",
    ):
        assert identity_key(nobody) == ""


def test_one_instrument_by_two_addresses_is_still_one(at_work: Any) -> None:
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign)
        with hold_identities(bench, rig):
            other = open_rig(bench, RealClock(), open_instrument)
            with pytest.raises(BenchError, match="is in use by"):
                hold_identities(bench, other)
            other.close()
        assert foreign.truth()["load"]["on"]


def test_a_run_that_is_refused_touches_nothing_that_it_does_not_hold(at_work: Any, inside: Any, tmp_path: Path) -> None:
    # 0.1.0: localhost for 127.0.0.1 passed the lock, and the refused second run switched off the first one's load
    with Foreign(load={"style": "generic"}) as foreign:
        bench, _ = at_work(foreign)
        second = tmp_path / "second.toml"
        second.write_text(Path(bench.where).read_text().replace("127.0.0.1", "localhost"))
        inside.call("cell", "add", "L3-a", "--form", "18650", "--chemistry", "li-ion", "--source", "lamp",
                    "--as-found", "3.7 V", "--rechargeable")  # fmt: skip
        with held(bench):
            before = len(foreign.received("load"))
            done = inside.call("run", "--cell", "L3-a", "--profile", "overnight", "--bench", str(second), code=4)
        assert "is in use by" in done.stderr
        assert foreign.truth()["load"]["on"] and len(foreign.received("load")) == before


# -- the two processes watch one another -------------------------------------------------------------------


def test_a_keeper_that_is_stopped_is_noticed_and_ended_before_it_can_wake_up_and_act(
    at_work: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert STILL_S + 1.0 < 10.0 and TRY_FOR_S >= 120.0
    monkeypatch.setattr("amphora.harness.running.watchdog.STILL_S", 1.0)
    with Foreign(load={"style": "generic"}) as foreign:
        bench, rig = at_work(foreign)
        sheet = sheet_of(bench, rig.instruments)
        keeper = Keeper.start(bench, tmp_path / "run", sheet)
        for _ in range(10):
            keeper.beat()
            time.sleep(0.1)
            assert keeper.alive()
        os.kill(keeper.pid, signal.SIGSTOP)
        began_s = time.monotonic()
        while keeper.alive() and time.monotonic() - began_s < 20.0:
            keeper.beat()
            time.sleep(0.1)
        assert not keeper.alive() and time.monotonic() - began_s < 5.0
        keeper.end()
        assert keeper._process.returncode == -signal.SIGKILL
        time.sleep(0.3)
        assert foreign.truth()["load"]["on"], "the run goes on with another keeper"


def test_a_reading_from_before_the_switching_is_waited_for_and_what_is_off_is_not_said_to_flow() -> None:
    from amphora.drivers.roles import SafeState
    from amphora.harness.running.switch_off import make_one_safe

    class Slow:
        """Off at once; its display shows the old current for two readings."""

        role, name, shown = "load", "load", [0.3, 0.3, 0.0]

        def make_safe(self) -> SafeState:
            self.asked = 0
            return SafeState(True, 0.3, "off, read back")

        def read(self) -> dict[str, float]:
            self.asked += 1
            return {"current_A": self.shown[min(self.asked, 2)]}

    class Still:
        """No time passes."""

        def sleep(self, seconds: float) -> None:
            assert seconds >= 0.0

    found = make_one_safe(Slow(), Still(), 0.005)  # type: ignore[arg-type]
    assert found == OffResult(True, 0.0, "off, read back", tries=1)
