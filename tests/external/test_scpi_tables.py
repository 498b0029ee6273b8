"""SCPI-1999 and IEEE 488.2 tables against the parsers and the simulated instrument.

Each value names its place in the standard. "read": seen in a public copy or manual that quotes it;
"from memory": known, not looked at again. Computed: by the standard's own rule.
Not checked here: the standards' text itself, which is not public.
"""

import pytest
from programs import wait_for

from amphora.drivers.errors import GarbledReply
from amphora.drivers.links.visa import Link
from amphora.drivers.scpi import syntax as scpi
from amphora.drivers.scpi.dialect import shipped_dialects
from amphora.drivers.simulated.responder import TEXTS
from amphora.drivers.simulated.scpi_server import ScpiServer
from tests.support.simulation.ideal import IdealCell, IdealLoad

# SCPI-1999 volume 1, 6.2.1. TIMer, IMMediate, OUTPut, DELay, FORMat: read; the others computed by the rule.
PAIRS = [
    "MEASure", "VOLTage", "CURRent", "OUTPut", "INPut", "POWer", "RESistance", "SYSTem", "ERRor", "PROTection",
    "TRIPped", "STATe", "FETCh", "MODE", "LEVel", "TIMer", "DELay", "IMMediate", "FORMat",
]  # fmt: skip


@pytest.mark.parametrize("pair", PAIRS)
def test_short_forms_follow_the_rule(pair: str) -> None:
    printed = "".join(letter for letter in pair if letter.isupper())
    assert scpi.short_form(pair) == printed


def test_the_shipped_tables_keep_to_the_rule() -> None:
    # SCPI-1999 volume 1, 6.2.1, computed. Exceptions by name: 'LOAD', 'MODE', 'OFF' have no other form.
    import re

    for dialect in shipped_dialects().values():
        commands = [setting.set.notation for setting in dialect.settings.values() if setting.set]
        commands += [command.notation for command in dialect.measure.values()]
        for word in re.findall(r"\b[A-Z]+[a-z]+\b", " ".join(commands)):
            assert scpi.short_form(word) == "".join(letter for letter in word if letter.isupper()), word


def test_numeric_forms() -> None:
    # IEEE 488.2, 8.7.2 to 8.7.4 (read): NR1 integer, NR2 with point, NR3 with point and exponent.
    assert scpi.parse_number("+123") == 123.0
    assert scpi.parse_number("-1.5") == -1.5
    assert scpi.parse_number("+1.23456E-03") == 0.00123456
    assert scpi.parse_integer("+0") == 0


def test_booleans() -> None:
    # SCPI-1999 volume 1, 7.3 (read): ON, OFF, 1, 0; a query answers 1 or 0.
    assert [scpi.parse_boolean(text) for text in ("1", "0", "ON", "OFF")] == [True, False, True, False]


@pytest.mark.parametrize(
    ("text", "word"), [("9.9E37", "overrange"), ("-9.9E37", "overrange"), ("9.91E37", "not-a-number"),
                       ("9.91000E+37", "not-a-number")],
)  # fmt: skip
def test_codes_for_infinity_and_not_a_number(text: str, word: str) -> None:
    # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (read).
    with pytest.raises(GarbledReply, match=word):
        scpi.parse_number(text)


# SCPI-1999 volume 2, 21.8.9 to 21.8.16 (read): class of a code and the event status bit it sets.
CLASSES = [
    (-100, 32), (-113, 32), (-199, 32), (-200, 16), (-222, 16), (-299, 16), (-300, 8), (-350, 8), (-399, 8),
    (-400, 4), (-420, 4), (-499, 4), (-500, 128), (-600, 64), (-700, 2), (-800, 1), (0, 0), (1, 8), (301, 8),
]  # fmt: skip


@pytest.mark.parametrize(("code", "bit"), CLASSES)
def test_error_classes_set_their_status_bit(code: int, bit: int) -> None:
    assert scpi.esr_bit(code) == bit


def test_event_status_bits() -> None:
    # IEEE 488.2, 11.5.1 (bits read).
    assert {1, 2, 4, 8, 16, 32, 64, 128} == set(scpi.ESR_BITS)
    assert scpi.ESR_BITS[4] == "query error"
    assert scpi.ESR_BITS[8] == "device error"
    assert scpi.ESR_BITS[16] == "execution error"
    assert scpi.ESR_BITS[32] == "command error"
    assert scpi.ESR_BITS[128] == "power on"
    assert scpi.esr_errors(1 | 2 | 64 | 128) == []
    assert scpi.esr_errors(16 | 32) == ["execution error", "command error"]


# SCPI-1999 volume 2, 21.8 (texts read).
PRINTED = {
    -109: "Missing parameter", -113: "Undefined header", -200: "Execution error", -221: "Settings conflict",
    -222: "Data out of range", -224: "Illegal parameter value", -240: "Hardware error", -350: "Queue overflow",
    -420: "Query UNTERMINATED",
}  # fmt: skip


def test_error_texts_of_the_simulated_instrument_are_the_standard_ones() -> None:
    assert {code: TEXTS[code] for code in PRINTED} == PRINTED


def test_blocks_and_other_bases() -> None:
    # IEEE 488.2, 8.7.9 and 7.7.4: #12AB, #HFF, #Q77, #B11 read; #0 from memory.
    assert scpi.parse_block(b"#12AB") == b"AB"
    assert scpi.parse_block(b"#0AB\n") == b"AB"
    assert [scpi.parse_non_decimal(text) for text in ("#HFF", "#Q77", "#B11")] == [255, 63, 3]


def test_header_path_and_answers_of_a_compound_message() -> None:
    # IEEE 488.2 and SCPI-1999 volume 1, 6.2.4 (read): ';' keeps the path, ':' returns to the root,
    # '*' commands leave it; answers are joined with ';'.
    with ScpiServer(IdealLoad(IdealCell(3.7)), "load-function-input") as server:
        link = Link(server.resource)
        link.open()
        assert link.query("MEAS:VOLT?;CURR?") == "3.700000;0.000000"
        assert link.query("measure:voltage?;*OPC?;curr?") == "3.700000;1;0.000000"
        assert link.query("MEAS:VOLT?;:MEAS:CURR?") == "3.700000;0.000000"
        link.write("MEAS:VOLT:DC?;:VOL 1")
        wait_for(lambda: server.responder.messages == 4)  # before another connection may overtake it
        link.reopen()
        assert link.query("SYST:ERR?").startswith('-113,"Undefined header')
        assert link.query("*ESR?") == str(128 | 32)  # power on, command error; reading clears (11.5.1, read)
        assert link.query("*ESR?") == "0"
        link.close()


def test_identity_has_four_fields() -> None:
    # IEEE 488.2, 10.14: four fields read; "0" for an unknown one and at most 72 characters from memory.
    with ScpiServer(IdealLoad(IdealCell()), "load-function-input") as server:
        assert len(server.identity.split(",")) == 4
        assert len(server.identity) <= 72


def test_a_full_queue_says_so() -> None:
    # SCPI-1999 volume 2, 21.8.1 (read): the newest entry gives way to -350, "Queue overflow".
    with ScpiServer(IdealLoad(IdealCell()), "load-function-input", quirks={"queue_length": 3}) as server:
        link = Link(server.resource)
        link.open()
        for _ in range(5):
            link.write("BOGUS")
        entries = [scpi.parse_error(link.query("SYST:ERR?")) for _ in range(4)]
        assert [entry.code for entry in entries] == [-113, -113, -350, 0]
        assert entries[2].text == "Queue overflow"
        link.close()
