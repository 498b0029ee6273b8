import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.drivers.errors import DescriptionError, DriverError, GarbledReply
from amphora.drivers.serial.sensors import BetaNtc, Platinum, SteinhartHartNtc, TableNtc, sensor_from_dict

SENSORS = [
    BetaNtc(10000.0, 3950.0),
    SteinhartHartNtc(8.85277e-4, 2.51859e-4, 1.90749e-7),
    TableNtc(((0.0, 27280.0), (25.0, 10000.0), (50.0, 4161.0))),
    Platinum(),
]


@pytest.mark.parametrize("sensor", SENSORS, ids=lambda s: type(s).__name__)
@given(ohm=st.floats())
def test_any_resistance_gives_a_finite_temperature_or_a_clear_refusal(sensor, ohm):
    try:
        assert math.isfinite(sensor.temperature_degC(ohm))
    except GarbledReply as error:
        assert "sensor" in str(error) or "wire" in str(error)


@pytest.mark.parametrize("sensor", SENSORS, ids=lambda s: type(s).__name__)
@pytest.mark.parametrize("ohm", [0.0, -5.0, 1e-3, 1e9, math.inf, math.nan])
def test_a_broken_or_shorted_wire_is_refused(sensor, ohm):
    with pytest.raises(GarbledReply):
        sensor.temperature_degC(ohm)


@given(degC=st.floats(-75.0, 240.0))
def test_platinum_there_and_back(degC):
    sensor = Platinum(100.0)
    assert sensor.temperature_degC(sensor.resistance_ohm(degC)) == pytest.approx(degC, abs=1e-6)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"kind": "thermistor"}, "ntc-beta"),
        ({"kind": "ntc-beta", "r25_ohm": 10000}, "beta_K"),
        ({"kind": "ntc-beta", "r25_ohm": -1, "beta_K": 3950}, "above 0"),
        ({"kind": "ntc-beta", "r25_ohm": 1e4, "beta_K": 3950, "beta": 1}, "'beta'"),
        ({"kind": "ntc-table", "degC": [0, 25], "ohm": [10000]}, "at least two"),
        ({"kind": "ntc-table", "degC": [0, 25, 50], "ohm": [3, 2]}, "must match"),
        ({"kind": "ntc-table", "degC": [0, 25], "ohm": [10000, 20000]}, "must fall"),
        ({"kind": "platinum", "r0_ohm": math.nan}, "number"),
    ],
)
def test_a_wrong_sensor_table_is_refused_with_what_is_accepted(table, words):
    with pytest.raises(DescriptionError, match="sensor") as caught:
        sensor_from_dict(table, "sensor")
    assert words in str(caught.value)
    assert isinstance(caught.value, DriverError)


def test_a_table_in_any_order_is_sorted():
    sensor = sensor_from_dict({"kind": "ntc-table", "degC": [50, 0, 25], "ohm": [4161, 27280, 10000]}, "sensor")
    assert sensor.temperature_degC(10000.0) == pytest.approx(25.0)
