"""Relays by description, of each habit: told over lines and coils by invented boards (tests/support/foreign)."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign, dialect_file

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DescriptionError, DriverError, InstrumentError, LimitError
from amphora.drivers.off import OffOrder, order_from_table, order_of, restore
from amphora.drivers.opening import open_instrument

BOTH = [("polled", "serial"), ("registers", "tcp")]


@pytest.fixture
def board(request: pytest.FixtureRequest) -> Iterator[Any]:
    opened: list[Any] = []

    def start(style: str, wire: str, **faults: Any) -> Any:
        foreign = Foreign(switch={"style": style, "wire": wire, "faults": faults})
        opened.append(foreign)
        table = foreign.table("switch", timeout="400 ms")
        relay = open_instrument("switch", table, RealClock())
        opened.insert(0, relay)
        return foreign, table, relay

    yield start
    for one in opened:
        one.end() if isinstance(one, Foreign) else one.close()


@pytest.mark.parametrize(("style", "wire"), BOTH)
def test_it_makes_contact_reads_back_and_opens(board: Any, style: str, wire: str) -> None:
    foreign, _, relay = board(style, wire)
    assert relay.read_setup()["on"] is False
    relay.connect("discharge")
    assert foreign.truth()["switch"]["on"] and relay.read_setup()["on"] is True
    state = relay.make_safe()
    assert state.off and "read back" in state.text
    assert not foreign.truth()["switch"]["on"]
    relay.close()


@pytest.mark.parametrize(("style", "wire"), BOTH)
def test_its_off_is_exact_bytes_that_need_no_answer(board: Any, style: str, wire: str) -> None:
    foreign, table, relay = board(style, wire)
    relay.connect("discharge")
    written = json.loads(json.dumps(order_of(relay, table).to_dict()))  # type: ignore[union-attr]
    assert order_from_table("switch", table).messages == tuple(written["messages"])  # type: ignore[union-attr]
    relay.link.off.clear()
    relay.link.close()
    foreign.fault("switch", "mute")
    outlet = restore(OffOrder.from_dict(written))
    assert outlet.send_off()
    foreign.wait(lambda truth: not truth["switch"]["on"], 2.0)
    outlet.close()


def test_a_board_that_stays_made_is_said(board: Any) -> None:
    foreign, _, relay = board("registers", "tcp")
    relay.connect("discharge")
    foreign.fault("switch", "stuck")
    assert not relay.make_safe().off


def test_a_watchdog_is_kept_quiet_by_beats_and_opens_without(board: Any) -> None:
    foreign, _, relay = board("polled", "tcp", lapses=1.5)
    relay.connect("charge")
    for _ in range(4):
        relay._beat_s = 0.0
        relay.beat()
    assert foreign.truth()["switch"]["on"]
    foreign.wait(lambda truth: not truth["switch"]["on"], 10.0)
    relay._beat_s = 0.0
    with pytest.raises(InstrumentError, match="has opened by itself"):
        relay.beat()


def test_a_position_that_it_has_not_moves_nothing(board: Any) -> None:
    foreign, _, relay = board("registers", "tcp")
    with pytest.raises(LimitError, match="has no position 'charge'"):
        relay.connect("charge")
    assert not foreign.truth()["switch"]["on"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('kind = "watchdog"', 'kind = "lively"'), "beat, watchdog, plain are"),
        (("opens_within_s = 2.0", "opens_within_s = 60.0"), "at most 10"),
        (('kind = "watchdog"', 'kind = "plain"'), "none for a plain relay"),
        (("discharge = {", "discharged = {"), "'discharge' is near"),
    ],
)
def test_a_wrong_table_is_one_sentence(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    text = dialect_file("switch", "polled").read_text(encoding="utf-8")
    file = tmp_path / "board.toml"
    file.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(DescriptionError) as found:
        open_instrument("r", {"role": "switch", "resource": "ASRL/dev/null::INSTR", "dialect": str(file)}, RealClock())
    assert said in str(found.value) and "\n" not in str(found.value)
    assert issubclass(DescriptionError, DriverError)
