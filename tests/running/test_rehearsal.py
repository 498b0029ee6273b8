"""`bench rehearse`: a dialect that fits passes, each lie of a device has its line (tests/support/foreign)."""

from typing import Any

import pytest
from foreign.asking import Foreign

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DriverError
from amphora.drivers.opening import open_instrument
from amphora.harness.common.errors import Refused
from amphora.harness.running import rehearsal

OHM = 10.0
SOURCE = {"resistance_ohm": OHM, "full_V": 5.0, "empty_V": 5.0, "capacity_Ah": 1000.0, "charge_Ah": 500.0}
ALONE = SOURCE | {"full_V": 0.0, "empty_V": 0.0}


def rehearsed(
    monkeypatch: pytest.MonkeyPatch, kind: str, style: str, faults: dict[str, Any] | None = None, cell: Any = None
) -> tuple[dict[str, list[rehearsal.RehearsalLine]], dict[str, Any]]:
    monkeypatch.setattr(rehearsal, "SILENT_S", 0.3)
    monkeypatch.setattr(rehearsal, "TRIP_S", 1.0)
    cell = cell or (SOURCE if kind == "load" else ALONE)
    with Foreign(cell=cell, **{kind: {"style": style, "faults": faults or {}}}) as foreign:
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
    ("kind", "style"), [("load", "polled"), ("load", "framed"), ("supply", "registers"), ("load", "generic")]
)
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
