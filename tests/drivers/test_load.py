"""A load over a real wire: what it does when link or instrument misbehave."""

import dataclasses
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from importlib import resources
from typing import Any

import pytest
from programs import wait_for
from wire import PATIENT_S, impatient_until_reopened, open_over_wire

from amphora.drivers.errors import DriverError, GarbledReply, IdentityError, InstrumentError, LimitError, LinkError
from amphora.drivers.links.visa import Link
from amphora.drivers.opening import open_instrument
from amphora.drivers.scpi.dialect import parse_dialect
from amphora.drivers.scpi.load import ScpiLoad
from amphora.drivers.simulated.clock import VirtualClock
from amphora.drivers.simulated.scpi_server import ScpiServer
from tests.support.simulation.ideal import IdealCell, IdealLoad

Opener = Callable[..., ScpiLoad]
SERVED = (IdealLoad, "load-function-input")
HEARS_ALL = {"pause_s": 0.0}  # a busy machine hears an order late and the next one in time: too soon, it would seem
open_load = partial(open_over_wire, ScpiLoad, "load")


@pytest.fixture
def load(server: ScpiServer) -> Iterator[ScpiLoad]:
    one = open_load(server)
    yield one
    one.close()


def test_opening_changes_nothing(server: ScpiServer, cell: IdealCell) -> None:
    server.heard = []
    open_load(server).close()
    assert all(message.startswith("*IDN?") or message.endswith("?") for message in server.heard)


def test_a_discharge_is_set_switched_measured_and_made_safe(load: ScpiLoad, cell: IdealCell) -> None:
    assert load.set_discharge("current", 0.5) == 0.5
    load.set_input(True)
    assert load.read() == {"voltage_V": 3.675, "current_A": -0.5}
    assert load.read_setup() == {
        "on": True, "cutoff_V": 0.0, "over_current_A": 0.0, "remote_sense": False, "mode": "current", "level": 0.5,
    }  # fmt: skip
    state = load.make_safe()
    assert state.off and state.current_A == 0.0
    assert load.make_safe().off, "twice is allowed"
    assert cell.current_A == 0.0


@pytest.mark.parametrize(
    ("mode", "value", "current_A"), [("resistance", 7.35, -0.5), ("power", 1.85, -0.5), ("voltage", 3.675, -0.5)]
)
def test_every_mode_of_the_dialect_is_held(load: ScpiLoad, mode: Any, value: float, current_A: float) -> None:
    assert load.set_discharge(mode, value) == pytest.approx(value)
    load.set_input(True)
    assert load.read()["current_A"] == pytest.approx(current_A)
    assert load.read_setup()["mode"] == mode


def test_changing_the_mode_while_on_never_lets_an_old_level_flow(server: ScpiServer, load: ScpiLoad) -> None:
    load.set_discharge("current", 0.5)
    load.set_input(True)
    server.heard = []
    load.set_discharge("resistance", 10.0)
    orders = [message for message in server.heard if "?" not in message]
    assert orders == ["RES 10.000", "FUNC RES"]
    assert load.read()["current_A"] == pytest.approx(-3.7 / 10.05, abs=1e-5)


def test_a_load_that_needs_the_mode_first_is_off_in_between(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-mode-state") as server:
        load = open_load(server)
        load.set_discharge("current", 0.5)
        load.set_input(True)
        server.heard = []
        load.set_discharge("power", 1.0)
        orders = [message for message in server.heard if "?" not in message]
        assert orders == ["LOAD 0", "MODE POW", "POW 1.000", "LOAD 1"]
        load.close()


def test_its_own_limits_are_armed_and_read_back(load: ScpiLoad) -> None:
    assert load.arm_limits(2.9, 1.2) == {"low_voltage_V": 2.9, "max_current_A": 1.2}
    assert load.abilities.low_voltage_cutoff and load.abilities.cutoff_latches
    assert load.read_setup()["cutoff_V"] == 2.9


def test_a_limit_it_has_not_is_left_out(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-simple", quirks=HEARS_ALL) as server:
        load = open_load(server)
        assert load.arm_limits(2.9, 1.2) == {}
        assert not load.abilities.low_voltage_cutoff
        with pytest.raises(LimitError, match="cannot hold a constant power"):
            load.set_discharge("power", 1.0)
        load.close()


@pytest.mark.parametrize("value", [5.01, float("nan"), float("inf"), -1.0, 0.0, 0.00001])
def test_a_value_outside_the_range_is_refused_and_nothing_sent(server: ScpiServer, value: float) -> None:
    load = open_load(server, max_current="5 A")
    before = server.responder.messages
    with pytest.raises(LimitError, match="nothing was sent"):
        load.set_discharge("current", value)
    assert server.responder.messages == before
    load.close()


def test_remote_sense_is_set_before_the_first_order_and_read_back(server: ScpiServer) -> None:
    load = open_load(server, remote_sense=True)
    assert load.read_setup()["remote_sense"] is False, "opening changes nothing"
    load.set_discharge("current", 0.5)
    assert load.read_setup()["remote_sense"] is True
    load.close()


# -- one test for each fault ---------------------------------------------------------------------


def fired(server: ScpiServer, kind: str) -> bool:
    return kind in [name for _, name in server.fired]


@pytest.mark.parametrize(("kind", "error"), [
    ("silence", LinkError), ("late-reply", LinkError), ("split-reply", LinkError), ("drop", LinkError),
    ("garbage", GarbledReply), ("wrong-unit", GarbledReply), ("wrong-format", GarbledReply),
])  # fmt: skip
def test_after_a_bad_answer_nothing_is_trusted_until_reopened(
    server: ScpiServer, load: ScpiLoad, kind: Any, error: type[DriverError]
) -> None:
    server.inject(kind)
    impatient_until_reopened(server, load.link)
    with pytest.raises(error, match="load"):
        load.read()
    wait_for(lambda: fired(server, kind))
    with pytest.raises(LinkError, match="reopen"):
        load.read()
    load.reopen()
    assert load.read() == {"voltage_V": 3.7, "current_A": 0.0}


@pytest.mark.parametrize(("kind", "word"), [("not-a-number", "not-a-number"), ("overrange", "overrange")])
def test_codes_for_no_value_are_named_and_the_link_stays_sound(
    server: ScpiServer, load: ScpiLoad, kind: Any, word: str
) -> None:
    server.inject(kind)
    with pytest.raises(GarbledReply, match=f"load: voltage: the instrument answered {word}"):
        load.read()
    assert fired(server, kind)
    assert load.read()["voltage_V"] == 3.7


def test_a_silent_refusal_is_found_by_reading_back(server: ScpiServer, load: ScpiLoad) -> None:
    load.set_discharge("current", 0.2)
    server.inject("refuse-order")
    with pytest.raises(InstrumentError, match=r"asked for current 0\.5 A, holds 0\.2 A"):
        load.set_discharge("current", 0.5)
    assert fired(server, "refuse-order")


def test_a_switch_on_that_is_ignored_is_found_by_reading_back(
    server: ScpiServer, load: ScpiLoad, cell: IdealCell
) -> None:
    load.set_discharge("current", 0.2)
    server.inject("refuse-order")
    with pytest.raises(InstrumentError, match="was ordered on, reads back off"):
        load.set_input(True)
    assert fired(server, "refuse-order")
    assert cell.current_A == 0.0


def test_an_order_carried_out_late_but_in_the_settling_time_is_accepted(server: ScpiServer, load: ScpiLoad) -> None:
    load.dialect = dataclasses.replace(load.dialect, settle_s=PATIENT_S)
    server.inject("late-order", seconds=0.08)
    assert load.set_discharge("current", 0.5) == 0.5
    assert fired(server, "late-order")


def test_an_order_carried_out_far_too_late_is_an_error(server: ScpiServer, load: ScpiLoad) -> None:
    server.inject("late-order", seconds=60.0)  # long after the settling time, on any machine
    with pytest.raises(InstrumentError, match="holds 0 A"):
        load.set_discharge("current", 0.5)
    assert fired(server, "late-order")


def test_a_queued_error_is_in_the_message_with_code_and_text(server: ScpiServer, load: ScpiLoad) -> None:
    server.inject("queue-error")
    said = r"current 0\.5 A \(CURR 0\.5000\) was refused with error -240, Hardware error"
    with pytest.raises(InstrumentError, match=said):
        load.set_discharge("current", 0.5)
    assert fired(server, "queue-error")
    assert load.read_errors() == []


def test_what_the_instrument_itself_refuses_comes_back_as_its_error(load: ScpiLoad) -> None:
    with pytest.raises(InstrumentError, match="-222, Data out of range"):
        load.set_discharge("current", 50.0)  # the ideal load goes to 40


def test_somebody_else_coming_back_is_named_beside_who_was_expected(server: ScpiServer, load: ScpiLoad) -> None:
    server.inject("other-identity")
    with pytest.raises(LinkError):
        load.read()
    assert fired(server, "other-identity")
    with pytest.raises(IdentityError, match=r"SOMEBODY ELSE.*AMPHORA SIM,LOAD,0001"):
        load.reopen()
    before = server.responder.messages
    with pytest.raises(LinkError):
        load.set_input(True)
    assert server.responder.messages == before, "another instrument gets no order"


def test_another_instrument_than_the_bench_file_says_is_refused_at_once(server: ScpiServer) -> None:
    with pytest.raises(IdentityError, match=r"'AMPHORA SIM,LOAD,0001,1.0' answered where 'AMPHORA SIM,LOAD,0007'"):
        open_load(server, identity="AMPHORA SIM,LOAD,0007")


def test_a_reset_shows_in_the_setup(server: ScpiServer, load: ScpiLoad) -> None:
    load.set_discharge("current", 0.5)
    load.set_input(True)
    server.inject("reset")
    assert load.read_setup()["on"] is False
    assert fired(server, "reset")


# -- being made safe -----------------------------------------------------------------------------------


def running(load: ScpiLoad) -> None:
    load.set_discharge("current", 0.5)
    load.set_input(True)


def test_an_off_order_that_is_ignored_once_is_given_again(server: ScpiServer, load: ScpiLoad, cell: IdealCell) -> None:
    running(load)
    server.inject("ignore-off")
    state = load.make_safe()
    assert fired(server, "ignore-off")
    assert state.off and "after 2 orders" in state.text
    assert cell.current_A == 0.0


def test_a_load_that_stays_on_is_told_so_with_its_current(server: ScpiServer, load: ScpiLoad) -> None:
    running(load)
    server.inject("ignore-off", count=9)
    state = load.make_safe()
    assert not state.off
    assert state.current_A == pytest.approx(-0.5)
    assert "still on" in state.text and "0.5 A flows" in state.text


@pytest.mark.parametrize("kind", ["silence", "late-reply", "split-reply", "garbage", "drop"])
def test_off_gets_through_a_link_that_fails_once(
    server: ScpiServer, load: ScpiLoad, cell: IdealCell, kind: Any
) -> None:
    running(load)
    server.inject(kind)
    impatient_until_reopened(server, load.link)
    state = load.make_safe()
    assert fired(server, kind)
    assert state.off and state.current_A == 0.0
    assert "the link had failed before" in state.text
    assert cell.current_A == 0.0


def test_off_gets_through_a_link_that_is_broken_already(server: ScpiServer, load: ScpiLoad, cell: IdealCell) -> None:
    running(load)
    server.inject("silence")
    impatient_until_reopened(server, load.link)
    with pytest.raises(LinkError):
        load.read()
    wait_for(lambda: fired(server, "silence"))
    server.heard = []
    state = load.make_safe()
    assert state.off and "113" not in state.text  # our own mark is no trouble of the instrument's
    assert server.heard[:2] == ["!", "INP OFF"], "off is the first thing sent through a new link"
    assert cell.current_A == 0.0


def test_off_gets_through_half_a_command_left_behind_on_a_serial_line(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-function-input", transport="pty") as server:
        load = open_load(server)
        running(load)
        load.link._serial.write(b"CURR 0.")  # a program was killed here
        server.heard = []
        state = load.make_safe()
        assert state.off and "error" not in state.text  # our own mark is no trouble of the instrument's
        assert server.heard[:2] == ["CURR 0.!", "INP OFF"]  # spoiled: it is not carried out
        assert cell.current_A == 0.0
        load.close()


def test_opening_with_a_lone_terminator_ends_half_a_command_first(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-function-input", transport="pty") as server:
        load = open_load(server)
        load.link._serial.write(b"INP O")  # a program was killed here
        load.close()
        server.heard = []
        description = {"role": "load", "resource": server.resource, "timeout": "30 s"}
        again = open_instrument("load", description, VirtualClock(), lone_terminator=True)
        assert server.heard[:2] == ["INP O!", "*IDN?"]
        assert again.make_safe().off
        again.close()


def test_off_to_an_instrument_that_is_gone_is_an_error_and_not_a_claim(server: ScpiServer, load: ScpiLoad) -> None:
    running(load)
    server.stop()
    with pytest.raises(LinkError):
        load.make_safe()


def test_off_is_not_claimed_for_a_stranger(server: ScpiServer, load: ScpiLoad) -> None:
    running(load)
    server.inject("other-identity")
    with pytest.raises(IdentityError):
        load.make_safe()
    assert fired(server, "other-identity")


def test_an_unmeasurable_current_is_none_and_not_zero(server: ScpiServer, load: ScpiLoad) -> None:
    running(load)
    server.inject("overrange")
    state = load.make_safe()
    assert fired(server, "overrange")
    assert state.off and state.current_A is None


# -- what cheap instruments do ------------------------------------------------------------------------------


def test_one_client_at_a_time_turns_a_second_away(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-simple", quirks=HEARS_ALL) as server:
        load = open_load(server)
        second = Link(server.resource, name="second", timeout_s=PATIENT_S)
        second.open()
        with pytest.raises(LinkError, match=r"closed the connection|failed"):
            second.query("*IDN?")
        assert server.refused == 1
        assert load.read()["voltage_V"] == pytest.approx(3.7)
        load.reopen()
        load.close()


def test_many_clients_are_served_at_once(server: ScpiServer) -> None:
    loads = [open_load(server) for _ in range(3)]
    assert all(load.read()["voltage_V"] == 3.7 for load in loads)
    for load in loads:
        load.close()


def test_orders_need_remote_control_where_the_dialect_says_so(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-simple", quirks=HEARS_ALL) as server:
        server.heard = []
        load = open_load(server)
        load.read()
        assert server.heard[:2] == ["*IDN?", "SYST:REM"]
        server.responder.remote = False  # somebody pressed 'local'
        with pytest.raises(InstrumentError, match="holds 0 A"):
            load.set_discharge("current", 0.5)
        load.reopen()
        assert load.set_discharge("current", 0.5) == 0.5
        load.close()


def test_messages_without_the_pause_are_lost_and_with_it_they_are_not(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-simple", quirks=HEARS_ALL) as server:
        load = open_load(server)
        server._pause_s = load.dialect.pause_s
        for _ in range(5):
            load.read()
        load.link.pause_s, load.link.timeout_s = 0.0, 0.2
        with pytest.raises(LinkError):
            for _ in range(10_000):  # sooner or later one comes too early
                load.read()
        load.close()


def test_a_reading_repeated_within_the_refresh_time_is_the_same(cell: IdealCell) -> None:
    now = [0.0]
    with ScpiServer(IdealLoad(cell), "load-mode-state", now=lambda: now[0]) as server:
        load = open_load(server)
        assert load.abilities.refresh_s == 0.2
        now[0] = 1.0
        assert load.read()["voltage_V"] == 3.7
        cell.source_V = 3.6
        now[0] = 1.1
        assert load.read()["voltage_V"] == 3.7
        now[0] = 1.25
        assert load.read()["voltage_V"] == 3.6
        load.close()


def test_the_current_after_off_is_a_new_reading_and_not_one_from_before(cell: IdealCell) -> None:
    now = [0.0]
    with ScpiServer(IdealLoad(cell), "load-mode-state", now=lambda: now[0]) as server:
        load = open_load(server)
        running(load)
        now[0] = 0.25
        assert load.read()["current_A"] == pytest.approx(-0.5)
        load.set_input(False)
        assert load.read()["current_A"] == pytest.approx(-0.5), "the instrument still shows its last reading"
        server.responder.now = time.monotonic  # make_safe lets the real refresh time pass
        assert load.make_safe().current_A == 0.0
        load.close()


def test_a_read_back_coarser_than_the_value_set_is_accepted_and_returned(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-mode-state") as server:
        load = open_load(server)
        assert load.set_discharge("current", 0.333) == pytest.approx(0.33)
        load.close()


def test_without_an_error_queue_a_refusal_is_found_by_reading_back(cell: IdealCell) -> None:
    with ScpiServer(IdealLoad(cell), "load-simple", quirks=HEARS_ALL) as server:
        load = open_load(server)
        assert load.dialect.error_query is None and load.read_errors() == []
        server.heard = []
        server.inject("refuse-order")
        with pytest.raises(InstrumentError, match=r"asked for current 0\.5 A, holds 0 A"):
            load.set_discharge("current", 0.5)
        assert fired(server, "refuse-order")
        assert not any("ERR" in message.upper() for message in server.heard), "nobody asks for a queue it has not"
        assert load.set_discharge("current", 0.5) == 0.5
        load.make_safe()
        load.close()


@pytest.mark.parametrize("states", [("ON", "OFF"), ("1", "0"), ("TRUE", "FALSE")])
def test_on_is_spelled_as_the_instrument_wants_it_and_read_in_any_spelling(
    states: tuple[str, str], cell: IdealCell
) -> None:
    text = resources.files("amphora.drivers.scpi").joinpath("dialects", "load-function-input.toml").read_text("utf-8")
    spelled = text.replace('states = ["ON", "OFF"]', f'states = ["{states[0]}", "{states[1]}"]')
    dialect = parse_dialect(spelled, "spelled.toml")
    assert dialect.states == states
    with ScpiServer(IdealLoad(cell), dialect) as server:
        link = Link(server.resource, name="load")
        link.open()
        load = ScpiLoad(link, dialect, name="load")
        load.set_discharge("current", 0.5)
        server.heard = []
        load.set_input(True)
        assert cell.current_A == -0.5 and f"INP {states[0]}" in server.heard
        assert load.make_safe().off
        assert cell.current_A == 0.0 and f"INP {states[1]}" in server.heard
        load.close()


def test_the_server_may_be_used_from_several_threads(server: ScpiServer) -> None:
    wrong: list[object] = []

    def many() -> None:
        load = open_load(server)
        for _ in range(200):
            reading = load.read()
            if reading != {"voltage_V": 3.7, "current_A": 0.0}:
                wrong.append(reading)
        load.close()

    threads = [threading.Thread(target=many) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENT_S)
    assert wrong == []
