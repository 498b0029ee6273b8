"""A supply over a real wire: set, armed, switched, and what it does when something misbehaves."""

from collections.abc import Iterator
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from wire import open_over_wire

from amphora.drivers.errors import InstrumentError, LimitError, LinkError
from amphora.drivers.opening import open_instrument
from amphora.drivers.scpi.dialect import load_dialect
from amphora.drivers.scpi.supply import ScpiSupply
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.clock import VirtualClock
from amphora.drivers.simulated.scpi_server import ScpiServer
from tests.support.simulation.ideal import IdealCell, IdealSupply

SERVED = (IdealSupply, "supply-plain")
open_supply = partial(open_over_wire, ScpiSupply, "supply")


@pytest.fixture
def supply(server: ScpiServer) -> Iterator[ScpiSupply]:
    one = open_supply(server)
    yield one
    one.close()


def test_a_charge_is_set_switched_measured_and_made_safe(supply: ScpiSupply, cell: IdealCell) -> None:
    assert supply.set_voltage(4.2) == 4.2
    assert supply.set_current_limit(0.5) == 0.5
    supply.set_output(True)
    assert supply.read() == {"voltage_V": 3.725, "current_A": 0.5}
    state = supply.make_safe()
    assert state.off and state.current_A == 0.0
    assert cell.current_A == 0.0


def test_protections_and_timer_are_armed_and_read_back(supply: ScpiSupply) -> None:
    armed = supply.arm_limits(4.25, 0.6, 5400.2)
    assert armed == {"over_voltage_V": 4.25, "over_current_A": 0.6, "off_after_s": 5401.0}
    abilities = supply.abilities
    assert abilities.over_voltage_protection and abilities.over_current_protection and abilities.off_timer
    setup = supply.read_setup()
    assert (setup["on"], setup["over_voltage_V"], setup["off_timer_s"]) == (False, 4.25, 5401.0)


@pytest.mark.parametrize(("answer", "off"), [("OFF", True), ("RST", True), ("LAST", False)])
def test_the_power_on_state_is_asked(cell: IdealCell, answer: str, off: bool) -> None:
    with ScpiServer(IdealSupply(cell), "supply-plain", quirks={"power_on": answer}) as server:
        supply = open_supply(server)
        assert supply.abilities.power_on_off is off
        supply.close()


def test_a_family_without_protections_says_so_and_arms_nothing(cell: IdealCell) -> None:
    with ScpiServer(IdealSupply(cell), "supply-simple") as server:
        supply = open_supply(server)
        assert supply.arm_limits(4.25, 0.6, 3600.0) == {}
        assert not supply.abilities.off_timer
        assert supply.abilities.power_on_off is None
        supply.close()


def test_a_supply_that_reads_nothing_with_its_output_off(cell: IdealCell) -> None:
    with ScpiServer(IdealSupply(cell), "supply-simple", quirks={"refresh_s": 0.0}) as server:
        supply = open_supply(server)
        assert not supply.abilities.measures_with_output_off
        assert supply.read()["voltage_V"] == 0.0
        supply.set_voltage(4.2)
        supply.set_current_limit(0.1)
        supply.set_output(True)
        assert supply.read()["voltage_V"] == pytest.approx(3.705)
        supply.make_safe()
        supply.close()


def test_a_range_of_the_bench_file_is_kept(server: ScpiServer) -> None:
    supply = open_supply(server, max_voltage="4.25 V", max_current="1 A")
    before = server.responder.messages
    with pytest.raises(LimitError, match=r"supply: voltage 4\.3 V is outside 0 to 4\.25 V \(bench file\); nothing"):
        supply.set_voltage(4.3)
    with pytest.raises(LimitError):
        supply.set_current_limit(1.001)
    assert server.responder.messages == before
    assert supply.set_voltage(4.25) == 4.25
    supply.close()


def test_a_voltage_that_is_not_taken_over_is_found(server: ScpiServer, supply: ScpiSupply) -> None:
    supply.set_voltage(3.0)
    server.inject("refuse-order")
    with pytest.raises(InstrumentError, match=r"asked for voltage 4\.2 V, holds 3 V"):
        supply.set_voltage(4.2)
    assert [kind for _, kind in server.fired] == ["refuse-order"]


def test_an_output_that_ignores_off_twice_is_off_after_the_third_order(
    server: ScpiServer, supply: ScpiSupply, cell: IdealCell
) -> None:
    supply.set_voltage(4.2)
    supply.set_current_limit(0.5)
    supply.set_output(True)
    server.inject("ignore-off", count=2)
    assert supply.make_safe().off
    assert [kind for _, kind in server.fired] == ["ignore-off", "ignore-off"]
    assert cell.current_A == 0.0


def test_a_timer_that_counts_minutes_is_rounded_up_and_given_back_in_seconds(cell: IdealCell, tmp_path: Any) -> None:
    from importlib import resources

    text = (resources.files("amphora.drivers.scpi") / "dialects" / "supply-plain.toml").read_text(encoding="utf-8")
    text = text.replace('name = "supply-plain"', 'name = "minutes"')
    text = text.replace("decimals = 0\nstep = 1", "decimals = 0\nscale = 60")
    file = tmp_path / "minutes.toml"
    file.write_text(text, encoding="utf-8")
    from amphora.drivers.scpi.dialect import load_dialect

    with ScpiServer(IdealSupply(cell), load_dialect(str(file))) as server:
        supply = open_supply(server, dialect=str(file))
        server.heard = []
        assert supply.arm_limits(None, None, 3601.0) == {"off_after_s": 3660.0}
        assert "OUTP:TIM 61" in server.heard
        supply.close()


def test_learning_leaves_out_what_an_unknown_instrument_has_not(cell: IdealCell, tmp_path: Any) -> None:
    """A generic family is tried on an instrument without protections: they are missing, and it works."""
    from importlib import resources

    from amphora.drivers.scpi.dialect import parse_dialect

    text = (resources.files("amphora.drivers.scpi") / "dialects" / "supply-plain.toml").read_text(encoding="utf-8")
    head, rest = text.split("[settings.over_voltage]")
    served = parse_dialect(head + "[measure]" + rest.split("[measure]")[1].split("[power_on]")[0], "less.toml")
    with ScpiServer(IdealSupply(cell), served, identity="NOBODY KNOWS,X1,7,0.1") as server:
        supply = open_supply(server, timeout="500 ms")
        assert supply.dialect.name == "supply-plain"
        assert not supply.abilities.over_voltage_protection
        assert supply.abilities.power_on_off is None
        assert supply.arm_limits(4.25, None, None) == {}
        assert supply.set_voltage(4.2) == 4.2
        assert supply.read_setup()["on"] is False
        supply.close()


def test_a_link_given_back_by_one_channel_serves_the_other() -> None:
    cells = {1: IdealCell(3.1), 2: IdealCell(3.2)}
    devices = {channel: IdealSupply(cell) for channel, cell in cells.items()}
    with ScpiServer(devices, "supply-channel-number", quirks={"clients": 1}) as server:
        base = {"role": "supply", "resource": server.resource}
        one = open_instrument("one", {**base, "channel": 1}, VirtualClock())
        two = open_instrument("two", {**base, "channel": 2}, VirtualClock())
        one.close()
        one.close()
        assert two.read()["voltage_V"] == 3.2
        two.close()
        with pytest.raises(LinkError, match="closed"):
            two.read()


def test_what_the_bench_file_says_of_one_instrument_goes_before_its_family(server: ScpiServer) -> None:
    supply = open_supply(server, measures_with_output_off=False, refresh="250 ms")
    assert not supply.abilities.measures_with_output_off
    assert supply.abilities.refresh_s == 0.25
    supply.close()


def test_a_protection_that_has_tripped_is_named_over_the_wire() -> None:
    bench = SimulatedBench("li-ion", 3, start_soc=0.5)
    with ScpiServer(bench.supply, "supply-plain", identity=bench.supply.identity) as server:
        supply = open_supply(server)
        assert supply.read_trips() == []
        supply.arm_limits(4.25, 0.5, None)
        supply.set_voltage(4.2)
        supply.set_current_limit(0.3)
        supply.set_output(True)
        assert supply.read()["current_A"] > 0.2
        bench.supply.overshoot_V = 0.3  # the output runs away: its own protection has to act
        bench.touch()
        supply.read()
        assert not bench.supply.on
        assert supply.read_trips() == ["over-voltage protection"]
        bench.supply.overshoot_V = 0.0
        supply.set_output(True)
        assert supply.read_trips() == []
        supply.close()


def test_an_instrument_that_does_not_know_about_trips_is_asked_once(cell: IdealCell, tmp_path: Path) -> None:
    text = (resources.files("amphora.drivers.scpi") / "dialects" / "supply-plain.toml").read_text(encoding="utf-8")
    own = tmp_path / "older.toml"
    lines = [line for line in text.splitlines() if not line.startswith("protection_tripped")]
    own.write_text("\n".join(lines), encoding="utf-8")
    with ScpiServer(IdealSupply(cell), load_dialect(str(own))) as server:
        supply = open_supply(server, dialect="supply-plain", timeout="500 ms")  # this one does not answer at all
        assert supply.read_trips() == []
        asked = server.responder.messages
        assert supply.read_trips() == []
        assert server.responder.messages == asked
        assert supply.read_errors() == []  # nothing of it is left in the queue
        supply.close()
