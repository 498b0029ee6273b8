"""Relays by description, of each habit: told over lines and coils by invented boards (tests/support/foreign)."""

import json
import re
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


@pytest.mark.parametrize("beats", [True, False])
def test_a_contact_that_is_held_by_a_beat_falls_out_without_one_and_is_not_looked_for_in_words(
    board: Any, tmp_path: Path, beats: bool
) -> None:
    """A board without a word for its state: each beat is the described one, told no more often than twice a second."""
    foreign, table, _ = board("polled", "tcp", lapses=1.5)
    text = dialect_file("switch", "polled").read_text(encoding="utf-8")
    text = re.sub(r"\nquery = .*", "", text).replace('"watchdog"', '"beat"')
    file = tmp_path / "held.toml"
    file.write_text(text, encoding="utf-8")
    relay: Any = open_instrument("switch", {**table, "dialect": str(file)}, RealClock())
    assert relay.read_setup()["habit"] == "beat" and relay.abilities.off_when_silent_s == 2.0
    relay.connect("discharge")
    heard_before = len(foreign.received("switch"))
    if beats:
        relay._beat_s = 0.0
        for _ in range(20):
            relay.beat()  # as often as a loop likes
        assert [text for _, text in foreign.received("switch")[heard_before:]].count("?") == 1
    foreign.wait(lambda truth: not truth["switch"]["on"], 10.0)
    assert foreign.truth()["switch"]["fired"]["lapses"] == 1
    relay.close()


def test_a_board_that_never_answers_is_refused_nobody_could_tell_that_it_opened(tmp_path: Path) -> None:
    text = dialect_file("switch", "polled").read_text(encoding="utf-8")
    text = re.sub(r"\nquery = .*", "", text).replace(', answer = "IS [012]"', "").replace(', answer = "DONE"', "")
    file = tmp_path / "mute.toml"
    file.write_text(text.replace('"watchdog"', '"beat"'), encoding="utf-8")
    with pytest.raises(
        DescriptionError, match=r"whether it is there; .* positions\.query, an identity or a keep_alive"
    ):
        open_instrument("r", {"role": "switch", "resource": "ASRL/dev/null::INSTR", "dialect": str(file)}, RealClock())


def test_a_beat_relay_without_a_beat_is_refused(tmp_path: Path) -> None:
    text = dialect_file("switch", "polled").read_text(encoding="utf-8").replace('"watchdog"', '"beat"')
    file = tmp_path / "board.toml"
    file.write_text(re.sub(r"keep_alive = .*", "", text), encoding="utf-8")
    with pytest.raises(DescriptionError, match="what is the beat"):
        open_instrument("r", {"role": "switch", "resource": "ASRL/dev/null::INSTR", "dialect": str(file)}, RealClock())


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
