"""Dialects: what ships is sound, and a typing error in a user's table is one clear sentence."""

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.drivers.errors import DescriptionError
from amphora.drivers.opening import open_instrument
from amphora.drivers.quantities import described
from amphora.drivers.scpi.dialect import (
    Command,
    candidates,
    load_dialect,
    parse_dialect,
    shipped_dialects,
)
from amphora.drivers.simulated.clock import VirtualClock
from amphora.drivers.simulated.scpi_server import ScpiServer, default_identity
from tests.support.simulation.ideal import IdealCell, IdealLoad, IdealMeter, IdealSupply

KINDS: Mapping[str, Any] = {"load": IdealLoad, "supply": IdealSupply, "meter": IdealMeter}
NAMES = sorted(shipped_dialects())
USER = """
format = "amphora-dialect/1"
name = "mine"
role = "load"
[output]
state = "INPut {state}"
query = "INPut?"
[modes]
set = "MODE {mode}"
query = "MODE?"
words = { current = "CURRent" }
[settings.current]
set = "CURRent {value}"
query = "CURRent?"
[measure]
voltage = "MEASure:VOLTage?"
current = "MEASure:CURRent?"
"""


def served(name: str, cells: Mapping[int, IdealCell]) -> ScpiServer:
    dialect = load_dialect(name)
    kind = KINDS[dialect.role]
    devices = {channel: kind(cell) for channel, cell in cells.items()}
    # What comes too soon is not lost here: a busy machine hears an order late and the next one in time.
    return ScpiServer(devices if dialect.channels > 1 else devices[1], dialect, quirks={"pause_s": 0.0})


@pytest.mark.parametrize("name", NAMES)
def test_each_family_is_found_by_its_identity_and_does_its_work(name: str) -> None:
    cells = {channel: IdealCell(3.7) for channel in (1, 2, 3)}
    channel = 2 if load_dialect(name).channels > 1 else 1
    with served(name, cells) as server:
        description = {"role": server.dialect.role, "resource": server.resource, "channel": channel, "timeout": "30 s"}
        instrument: Any = open_instrument("it", description, VirtualClock())
        assert instrument.dialect.name == name
        assert instrument.identify() == default_identity(server.dialect)
        if instrument.role == "load":
            assert instrument.set_discharge("current", 0.5) == pytest.approx(0.5)
            instrument.set_input(True)
            assert cells[channel].current_A == pytest.approx(-0.5)
            assert instrument.read_setup()["on"] is True
            time.sleep(instrument.abilities.refresh_s)
            assert instrument.read()["current_A"] == pytest.approx(-0.5)
        elif instrument.role == "supply":
            assert instrument.set_voltage(4.0) == pytest.approx(4.0)
            assert instrument.set_current_limit(0.5) == pytest.approx(0.5)
            instrument.set_output(True)
            assert cells[channel].current_A == pytest.approx(0.5)
            time.sleep(instrument.abilities.refresh_s)
            assert instrument.read()["current_A"] == pytest.approx(0.5)
        else:
            assert instrument.read()
        state = instrument.make_safe()
        assert state.off
        assert all(cell.current_A == 0.0 for cell in cells.values())
        instrument.close()


@pytest.mark.parametrize("name", [one for one in NAMES if shipped_dialects()[one].channels > 1])
def test_one_channel_is_read_and_switched_off_without_touching_the_others(name: str) -> None:
    cells = {channel: IdealCell(3.0 + channel / 10) for channel in (1, 2, 3)}
    with served(name, cells) as server:
        base = {"role": server.dialect.role, "resource": server.resource, "dialect": name}
        opened: dict[int, Any] = {
            channel: open_instrument(f"output {channel}", {**base, "channel": channel}, VirtualClock())
            for channel in cells
        }
        for instrument in opened.values():
            if instrument.role == "load":
                instrument.set_discharge("current", 0.5)
                instrument.set_input(True)
            else:
                instrument.set_voltage(4.0)
                instrument.set_current_limit(0.5)
                instrument.set_output(True)
        assert opened[2].make_safe().off
        assert cells[2].current_A == 0.0
        assert abs(cells[1].current_A) == abs(cells[3].current_A) == pytest.approx(0.5)
        for channel, instrument in opened.items():
            assert instrument.read()["voltage_V"] == pytest.approx(cells[channel].voltage_V, abs=1e-5)
        for instrument in opened.values():
            instrument.close()


def test_a_hand_on_the_front_panel_between_two_readings_misleads_nobody() -> None:
    cells = {channel: IdealCell(3.0 + channel / 10) for channel in (1, 2, 3)}
    with served("load-channel-select", cells) as server:
        description = {"role": "load", "resource": server.resource, "channel": 2}
        load: Any = open_instrument("load", description, VirtualClock())
        server.responder.selected = 3
        assert load.read()["voltage_V"] == pytest.approx(3.2)
        load.set_discharge("current", 0.5)
        server.responder.selected = 3
        load.set_input(True)
        assert (cells[2].current_A, cells[3].current_A) == (-0.5, 0.0)
        load.close()


def test_a_user_adds_a_dialect_with_a_file_and_no_python(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(USER, encoding="utf-8")
    with ScpiServer(IdealLoad(IdealCell(3.7)), load_dialect(str(file))) as server:
        description = {"role": "load", "resource": server.resource, "dialect": str(file)}
        load: Any = open_instrument("load", description, VirtualClock())
        assert load.set_discharge("current", 1.0) == 1.0
        assert load.read() == {"voltage_V": 3.7, "current_A": 0.0}
        load.close()


@pytest.mark.parametrize("name", ["load-function-input", "load-mode-state", "load-simple", "supply-channel-number"])
def test_an_unknown_identity_is_tried_out_until_a_generic_family_understands(name: str) -> None:
    dialect = load_dialect(name)
    devices = {1: KINDS[dialect.role](IdealCell(3.7))}
    quirks = {"pause_s": 0.0}
    with ScpiServer(devices, dialect, identity="NOBODY KNOWS,X1,7,0.1", quirks=quirks) as server:
        description = {"role": dialect.role, "resource": server.resource, "timeout": "500 ms"}
        instrument: Any = open_instrument("it", description, VirtualClock())
        assert instrument.dialect.name == name
        assert instrument.read()["voltage_V"] == pytest.approx(3.7)
        assert instrument.read_setup()["on"] is False
        instrument.close()


def test_an_instrument_that_understands_no_family_is_refused_with_the_families_tried() -> None:
    with ScpiServer(IdealMeter(IdealCell()), "meter-temperature", identity="NOBODY KNOWS,X1,7,0.1") as server:
        description = {"role": "supply", "resource": server.resource, "timeout": "200 ms"}
        with pytest.raises(DescriptionError, match=r"understood none of supply-plain.*name a dialect"):
            open_instrument("supply", description, VirtualClock())


def test_each_role_has_a_generic_family() -> None:
    for role in KINDS:
        assert candidates(role, "NOBODY KNOWS,X1,7,0.1")


MISTAKES = [
    ('format = "amphora-dialect/1"', 'format = "2"', "format"),
    ('role = "load"', 'role = "lamp"', "role = 'lamp'"),
    ('name = "mine"', 'name = "Mine!"', "name"),
    ('name = "mine"', 'name = "mine"\ncolour = 3', "key 'colour' is not known"),
    ('query = "INPut?"', "", "output is not complete"),
    ('query = "INPut?"', 'query = "INPut"', "a query with ?"),
    ('state = "INPut {state}"', 'state = "INPut"', "{state}"),
    ('set = "CURRent {value}"', 'set = "CURRent {valeu}"', "{value}"),
    ('set = "CURRent {value}"', 'set = "CURRent {value};:INP ON"', "without ;"),
    ('set = "CURRent {value}"', 'set = "CURRent {value}"\nstep = -1', "settings.current.step"),
    ('set = "CURRent {value}"', 'set = "CURRent {value}"\nlow = 5\nhigh = 2', "settings.current.low"),
    ('set = "CURRent {value}"', 'set = "CURRent {value"', "brackets in pairs"),
    (
        'query = "CURRent?"',
        'query = "CURRent?"\nprotection_tripped = "CURRent:PROTection:TRIPped?"',
        "does not belong there",
    ),
    ('query = "CURRent?"', "", "settings.current needs set and query"),
    ('words = { current = "CURRent" }', 'words = { power = "POWer" }', "modes.words.power"),
    ('words = { current = "CURRent" }', "words = 3", "modes.words"),
    ('voltage = "MEASure:VOLTage?"', "", "voltage and current"),
    ('voltage = "MEASure:VOLTage?"', "voltage = 4", "measure.voltage"),
    ('voltage = "MEASure:VOLTage?"', 'voltage = "MEASure:VOLTage?"\nall = "MEAS?"', "belong together"),
    ("[measure]", "[behaviour]\nrefresh_s = true\n[measure]", "behaviour.refresh_s"),
    ("[measure]", "[link]\nspelling = 'tall'\n[measure]", "link.spelling"),
    ('name = "mine"', 'name = "mine"\nchannels = 3', "{channel}"),
    ('name = "mine"', 'name = "mine"\nidentity = ["("]', "regular expression"),
    ('name = "mine"', 'name = "mine', "is not TOML"),
]


@pytest.mark.parametrize(("right", "wrong", "said"), MISTAKES)
def test_a_mistake_is_one_sentence_with_file_key_and_what_is_accepted(right: str, wrong: str, said: str) -> None:
    assert right in USER
    with pytest.raises(DescriptionError) as caught:
        parse_dialect(USER.replace(right, wrong, 1), "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value).rstrip()


def test_the_users_table_as_it_stands_is_accepted() -> None:
    assert parse_dialect(USER, "mine.toml").name == "mine"


@given(st.text(max_size=30), st.sampled_from([mistake[0] for mistake in MISTAKES]))
def test_no_table_raises_anything_but_a_description_error(text: str, place: str) -> None:
    try:
        parse_dialect(USER.replace(place, text, 1), "mine.toml")
    except DescriptionError as error:
        assert str(error)


@pytest.mark.parametrize("which", ["load-nobody", "nowhere/mine.toml", "/nowhere/mine.toml"])
def test_a_dialect_that_is_not_there_is_named(which: str) -> None:
    with pytest.raises(DescriptionError, match=which):
        load_dialect(which)


def test_what_is_sent_is_understood_by_the_table_turned_round() -> None:
    for dialect in shipped_dialects().values():
        commands = [dialect.on, dialect.off, dialect.on_query, dialect.mode_set, *dialect.measure.values()]
        for setting in dialect.settings.values():
            commands += [setting.set, setting.query, *setting.enable]
        for command in commands:
            if command is not None:
                sent = command.send(value="1.5", channel=2, mode="CURR")
                assert command.pattern.fullmatch(sent), (dialect.name, sent)


def test_long_spelling_sends_whole_words() -> None:
    assert Command("[SOURce:]VOLTage[:LEVel] {value}", long=True).send(value="1.5") == "VOLTAGE 1.5"
    assert Command("[SOURce:]VOLTage[:LEVel] {value}").send(value="1.5") == "VOLT 1.5"


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("500 mA", "current", 0.5), ("5 A", "current", 5.0), ("2 min", "duration", 120.0), ("50 ms", "duration", 0.05),
     ("10 kohm", "resistance", 10e3)],
)  # fmt: skip
def test_quantities_of_the_bench_file_are_read(text: object, unit: str, value: float) -> None:
    assert described(text, unit, "here") == pytest.approx(value)


@pytest.mark.parametrize("text", ["5 V", "3,5 A", "nan", "-1 A", True, None, float("nan"), float("inf"), -1])
def test_quantities_that_are_none_are_refused_with_place_and_value(text: object) -> None:
    with pytest.raises(DescriptionError, match="here"):
        described(text, "current", "here")


BENCH_MISTAKES = [
    ({"colour": "red"}, "'colour' is not known"),
    ({"timeout": "1 V"}, "timeout"),
    ({"timeout": "1 h"}, "10 ms to 60 s"),
    ({"channel": 0}, "channel"),
    ({"channel": 2, "dialect": "load-function-input"}, "load-function-input has 1"),
    ({"baud": "fast"}, "baud"),
    ({"parity": "strange"}, "parity"),
    ({"dialect": "supply-plain"}, "is for a supply"),
    ({"dialect": "nobody"}, "instruments.it.dialect"),
    ({"resource": ""}, "resource is missing"),
    ({"role": "lamp"}, "role"),
    ({"max_current": "3 V"}, "max_current"),
    ({"remote_sense": "yes"}, "remote_sense"),
    ({"read_termination": "x"}, "read_termination"),
    ({"cutoff_latches": "no"}, "cutoff_latches"),
    ({"refresh": "-1 s"}, "refresh"),
    ({"timeout": 2}, "timeout: 2 has no unit; a duration such as 2 h 30 min or 10 s is accepted"),
    ({"timeout": "2"}, "timeout: '2' has no unit"),
    ({"max_current": 5}, "max_current: 5 has no unit; a current such as 500 mA"),
    ({"lacks": ["wheels"]}, "lacks"),
    ({"lacks": "cutoff"}, "lacks"),
]


@pytest.mark.parametrize(("change", "said"), BENCH_MISTAKES)
def test_a_mistake_in_the_bench_file_is_told_before_anything_is_opened(change: Mapping[str, Any], said: str) -> None:
    description = {"role": "load", "resource": "TCPIP::127.0.0.1::1::SOCKET", **change}
    with pytest.raises(DescriptionError, match=said):
        open_instrument("it", description, VirtualClock())


def test_the_table_in_the_documentation_is_accepted_as_it_stands() -> None:
    page = (Path(__file__).parents[2] / "docs" / "dialects.md").read_text(encoding="utf-8")
    table = next(part.split("```")[0] for part in page.split("```toml\n") if part.startswith("format = "))
    dialect = parse_dialect(table, "docs/dialects.md")
    assert dialect.name == "my-load"
    assert dialect.long_words


def test_every_shipped_dialect_stands_in_the_documentation() -> None:
    page = (Path(__file__).parents[2] / "docs" / "dialects.md").read_text(encoding="utf-8")
    assert [name for name in NAMES if f"`{name}`" not in page] == []


def test_an_instrument_that_knows_no_short_forms_is_sent_whole_words() -> None:
    dialect = parse_dialect(USER + '[link]\nspelling = "long"\n', "mine.toml")
    with ScpiServer(IdealLoad(IdealCell(3.7)), dialect) as server:
        from amphora.drivers.links.visa import Link
        from amphora.drivers.scpi.load import ScpiLoad

        link = Link(server.resource)
        link.open()
        load = ScpiLoad(link, dialect, name="load")
        server.heard = []
        server.responder.outputs[1].mode = "LIST"  # a mode that is not ours
        assert load.set_discharge("current", 0.5) == 0.5
        assert server.heard == [
            "MODE?", "INPUT?", "CURRENT 0.500", "CURRENT?", "MODE CURRENT", "MODE?",
        ]  # fmt: skip
        load.close()
