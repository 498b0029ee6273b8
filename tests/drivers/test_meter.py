"""A meter over a real wire: it measures, and has nothing to switch."""

from functools import partial
from typing import Any

import pytest
from wire import open_over_wire

from amphora.drivers.errors import GarbledReply
from amphora.drivers.scpi.meter import ScpiMeter
from amphora.drivers.simulated.scpi_server import ScpiServer
from tests.support.simulation.ideal import IdealCell, IdealMeter

ALL = """
format = "amphora-dialect/1"
name = "all-at-once"
role = "meter"
[measure]
all = "FETCh?"
fields = ["voltage", "", "temperature"]
units = true
"""
open_meter = partial(open_over_wire, ScpiMeter, "meter")


def test_a_meter_measures_and_making_it_safe_asks_nothing() -> None:
    with ScpiServer(IdealMeter(IdealCell(3.7)), "meter-measure") as server:
        meter = open_meter(server)
        assert meter.read() == {"voltage_V": 3.7}
        assert meter.read_setup() == {"on": None}
        before = server.responder.messages
        assert meter.make_safe().off
        assert server.responder.messages == before
        meter.close()


def test_a_thermometer_gives_degrees() -> None:
    with ScpiServer(IdealMeter(IdealCell()), "meter-temperature") as server:
        meter = open_meter(server)
        assert meter.read() == {"temperature_degC": 23.0}
        meter.close()


@pytest.mark.parametrize("transport", ["tcp", "pty"])
def test_one_question_with_several_fields_units_and_a_field_to_leave_out(transport: Any, tmp_path: Any) -> None:
    file = tmp_path / "all.toml"
    file.write_text(ALL, encoding="utf-8")
    from amphora.drivers.scpi.dialect import load_dialect

    with ScpiServer(IdealMeter(IdealCell(3.7)), load_dialect(str(file)), transport=transport) as server:
        meter = open_meter(server, dialect=str(file))
        assert meter.link.query("FETC?") == "3.700000V,0.000000,23.000000degC"
        assert meter.read() == {"voltage_V": 3.7, "temperature_degC": 23.0}
        server.inject("wrong-unit")
        with pytest.raises(GarbledReply, match=r"meter.* is not a number|meter.*fields"):
            meter.read()
        assert [kind for _, kind in server.fired] == ["wrong-unit"]
        meter.close()


def test_numbers_in_exponent_form_are_read() -> None:
    with ScpiServer(IdealMeter(IdealCell(3.7)), "meter-measure", quirks={"number": "NR3"}) as server:
        meter = open_meter(server)
        assert meter.link.query("MEAS:VOLT?") == "+3.700000E+00"
        assert meter.read() == {"voltage_V": 3.7}
        meter.close()


@pytest.mark.parametrize("spelling", ['+0,"No error"', "0", "No error", '0,"no errors"'])
def test_an_empty_error_queue_is_empty_however_it_is_spelled(spelling: str) -> None:
    with ScpiServer(IdealMeter(IdealCell()), "meter-measure", quirks={"no_error": spelling}) as server:
        meter = open_meter(server)
        assert meter.read_errors() == []
        meter.link.write("BOGUS")
        assert meter.read_errors() == ["-113, Undefined header;BOGUS"]
        assert meter.read_errors() == []
        meter.close()
