"""`bench rehearse`: a dialect that fits passes, each lie of a device has its line (tests/support/foreign)."""

import json
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign
from typer.testing import CliRunner

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DriverError
from amphora.drivers.opening import open_instrument
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.running import rehearsal

OHM = 10.0
SOURCE = {"resistance_ohm": OHM, "full_V": 5.0, "empty_V": 5.0, "capacity_Ah": 1000.0, "charge_Ah": 500.0}
ALONE = SOURCE | {"full_V": 0.0, "empty_V": 0.0}


def rehearsed(
    monkeypatch: pytest.MonkeyPatch, kind: str, style: str, faults: dict[str, Any] | None = None, cell: Any = None,
    wire: str = "tcp",
) -> tuple[dict[str, list[rehearsal.RehearsalLine]], dict[str, Any]]:  # fmt: skip
    monkeypatch.setattr(rehearsal, "SILENT_S", 0.3)
    monkeypatch.setattr(rehearsal, "TRIP_S", 1.0)
    cell = cell or (SOURCE if kind == "load" else ALONE)
    with Foreign(cell=cell, **{kind: {"style": style, "wire": wire, "faults": faults or {}}}) as foreign:
        table = foreign.table(kind, timeout="300 ms")
        instrument = open_instrument(kind, table, RealClock())
        try:
            lines = rehearsal.Rehearsal(instrument, table, OHM, lambda line: None).run()
        finally:
            instrument.close()
        found: dict[str, list[rehearsal.RehearsalLine]] = {}
        for line in lines:
            found.setdefault(line.what, []).append(line)
        return found, foreign.truth()[kind]


def wrong(found: dict[str, list[rehearsal.RehearsalLine]]) -> set[str]:
    return {line.what for lines in found.values() for line in lines if line.passed is False}


@pytest.mark.parametrize(
    ("kind", "style"),
    [("load", "polled"), ("load", "framed"), ("supply", "registers"), ("load", "generic"), ("supply", "framed")],
)  # fmt: skip
def test_a_device_as_described_passes_and_is_off_at_the_end(
    monkeypatch: pytest.MonkeyPatch, kind: str, style: str
) -> None:
    found, truth = rehearsed(monkeypatch, kind, style, {"lapses": 3.0} if style == "polled" else {})
    assert wrong(found) == set()
    assert {"who answers", "what flows", "off", "off as prepared"} <= set(found)
    assert len(found["what flows"]) == 2
    assert not truth["on"]


@pytest.mark.parametrize(
    ("style", "fault", "line"),
    [
        ("framed", {"clips": 2.0}, "setting current"),
        ("registers", {"sticks": True}, "setting current"),
        ("framed", {"swapped": True}, "setting current"),
        ("registers", {"welded": True}, "off"),
        ("framed", {"stuck": True}, "off"),
        ("polled", {"shows": {"current_A": 0.4}}, "what flows"),
    ],
    ids=["clips", "keeps its level", "bytes swapped", "says off and is not", "stays on", "wrong range"],
)
def test_each_lie_has_its_line(monkeypatch: pytest.MonkeyPatch, style: str, fault: dict[str, Any], line: str) -> None:
    for later in ("protections", "half", "silence", "prepared"):  # each of these lies shows before, and they wait
        monkeypatch.setattr(rehearsal.Rehearsal, later, lambda self: None)
    try:
        found, _ = rehearsed(monkeypatch, "load", style, fault)
    except Refused as error:
        assert "swapped" in fault and "V at the load" in str(error)
        return
    assert line in wrong(found), found


@pytest.mark.parametrize(
    ("kind", "wire", "fault", "lines"),
    [
        ("load", "tcp", {"unguarded": True}, {"its cut-off"}),
        ("supply", "tcp", {"unguarded": True}, {"its over-voltage protection"}),
        ("load", "serial", {"lenient": True}, {"half a message"}),
        ("load", "tcp", {"swallows": 5}, {"half a message", "off as prepared"}),
    ],
    ids=["its cut-off never acts", "over-voltage never acts", "half an order obeyed", "a new session's off swallowed"],
)
def test_each_lie_of_what_protects_without_the_computer_has_its_line(
    monkeypatch: pytest.MonkeyPatch, kind: str, wire: str, fault: dict[str, Any], lines: set[str]
) -> None:
    others = ("half", "prepared") if "unguarded" in fault else ("protections",)
    for other in ("settings", "flow", "off", "silence", *others):
        monkeypatch.setattr(rehearsal.Rehearsal, other, lambda self: None)
    found, truth = rehearsed(monkeypatch, kind, "polled", fault, wire=wire)
    assert wrong(found) == lines, found
    assert not truth["on"]
    assert "unguarded" in fault or truth["fired"]


def test_a_question_that_is_not_answered_has_its_line_and_nothing_is_switched_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for later in ("settings", "flow", "off", "protections", "half", "silence", "prepared"):
        monkeypatch.setattr(rehearsal.Rehearsal, later, lambda self: None)
    found, truth = rehearsed(monkeypatch, "load", "polled", {"silent-to": "A"})
    assert {"each question"} <= wrong(found) and "no answer to MEASURE.CURRENT?" in found["each question"][0].text
    assert not truth["on"] and truth["switched"] == 0


@pytest.mark.parametrize("style", ["polled", "framed", "registers"])
def test_a_meter_is_asked_and_nothing_of_it_is_switched(monkeypatch: pytest.MonkeyPatch, style: str) -> None:
    found, _ = rehearsed(monkeypatch, "meter", style, cell={})
    assert set(found) == {"who answers", "each question"} and wrong(found) == set()


# -- as a person calls it ----------------------------------------------------------------------------------------


def called(*words: str) -> Any:
    done = CliRunner().invoke(app, ["bench", "rehearse", *words])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def test_the_command_ends_with_1_for_a_device_that_lies_and_0_for_one_that_does_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for later in ("protections", "half", "silence", "prepared"):
        monkeypatch.setattr(rehearsal.Rehearsal, later, lambda self: None)
    for faults, code in (({}, 0), ({"clips": 2.0}, 1)):
        with Foreign(cell=SOURCE, load={"style": "framed", "faults": faults}) as foreign:
            table = foreign.table("load")
            words = (table["dialect"], "--resource", table["resource"], "--resistor", "10 ohm", "--timeout", "300 ms")
            with pytest.raises(InputError, match="--no-cell is needed"):
                raise CliRunner().invoke(app, ["bench", "rehearse", *words]).exception or AssertionError
            assert not foreign.truth()["load"]["messages"]
            done = called(*words, "--no-cell")
            assert done.exit_code == code, done.output
            assert ("no cell at this instrument with this file" in done.output) == bool(code)
            assert ("Next: amphora bench check" in done.output) != bool(code)
            assert not foreign.truth()["load"]["on"]


def test_the_command_tries_the_rates_of_the_file_or_the_usual_ones_on_request_only(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The rates that the port is really opened with; the instrument "answers" at the last one of them."""
    from amphora.harness.cli import rehearse

    opened: list[int | None] = []

    def open_one(role: str, table: Any, clock: Any) -> Any:
        opened.append(table.get("baud"))
        if table.get("baud") not in (None, rates[-1]):
            raise DriverError("silent")
        return open_instrument(role, table, clock)

    monkeypatch.setattr(rehearse, "open_instrument", open_one)
    with Foreign(meter={"style": "polled", "wire": "serial"}) as foreign:
        table = foreign.table("meter")
        own = tmp_path / "own.toml"
        text = Path(table["dialect"]).read_text(encoding="utf-8")
        own.write_text(text.replace("[protocol]", "[protocol]\nbauds = [1200, 300]"), encoding="utf-8")
        for file, rates in ((table["dialect"], rehearse.USUAL_BAUDS), (str(own), (1200, 300))):
            opened.clear()
            words = (file, "--resource", table["resource"], "--channel", "1", "--timeout", "300 ms", "--json")
            done = called(*words, "--try-bauds")
            assert done.exit_code == 0 and json.loads(done.stdout)["baud"] == rates[-1], done.output
            assert opened == [*rates, rates[-1]]
            opened.clear()
            assert called(*words).exit_code == 0
            assert opened == [None]


def test_nobody_at_any_rate_is_one_sentence() -> None:
    def silent(table: Any) -> Any:
        raise DriverError("silent")

    with pytest.raises(InputError, match=r"nobody answers at 9600, 4800 baud; look at cable, parity and address"):
        rehearsal.find_baud({}, (9600, 4800), silent, lambda text: None)


def test_a_silence_that_was_declared_and_is_not_kept_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    found, _ = rehearsed(monkeypatch, "load", "polled")  # its table says that it switches off after 3 s
    assert wrong(found) == {"silence"}
    assert "off_when_silent_s = 3 is not so" in found["silence"][0].text


def test_with_a_cell_in_the_resistors_place_nothing_is_switched_on(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(Refused, match="a cell, and no resistor alone"):
        rehearsed(monkeypatch, "supply", "framed", cell={"charge_Ah": 0.5})


def test_baud_rates_are_tried_one_after_another_until_one_is_answered() -> None:
    """A pseudo-terminal knows no baud rate, so the seam is tested: what is opened, with which rate, in which order."""
    tried = []

    def open_one(table: Any) -> Any:
        tried.append(table["baud"])
        if table["baud"] != 19200:
            raise DriverError("silent")
        return type("Answers", (), {"close": lambda self: None})()

    assert rehearsal.find_baud({}, (9600, 19200, 4800), open_one, lambda text: None) == 19200
    assert tried == [9600, 19200]
