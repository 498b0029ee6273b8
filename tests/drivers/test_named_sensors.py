"""Several temperature sensors on one line, told apart by name: each instrument takes its own, and no other's.

Sick ones beside sound ones: a sensor that has just been powered up (85), one that is gone (-127, or not in the line).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.drivers.errors import DescriptionError, GarbledReply
from amphora.drivers.serial.format_file import format_from_dict, load_format

NAMED = load_format("named-sensors")
LINE = b"28-0a31=21.44 28-0b07=22.06 hall=-3.5"


def test_each_sensor_is_known_by_its_name() -> None:
    parsed = NAMED.parse(LINE)
    assert parsed is not None
    assert parsed.sensors == {"28-0a31": 21.44, "28-0b07": 22.06, "hall": -3.5}
    assert (parsed.values, parsed.faults) == ({}, ())


@pytest.mark.parametrize(
    ("shown", "word"), [("85", "powered up"), ("-127.00", "answers"), ("nan", "answers"), ("300", "answers")]
)
def test_what_is_no_temperature_is_none_and_the_sound_one_beside_it_is(shown: str, word: str) -> None:
    parsed = NAMED.parse(f"28-0a31={shown} 28-0b07=22.06".encode())
    assert parsed is not None
    assert parsed.sensors == {"28-0b07": 22.06}
    (fault,) = parsed.faults
    assert fault.startswith("28-0a31 reads") and word in fault


@pytest.mark.parametrize("line", [b"28-0a31=2x.4", b"28-0a31=21 28-0a31=22", b"21.4 22.0", b"28-0a31"])
def test_half_a_line_is_no_line(line: bytes) -> None:
    with pytest.raises(GarbledReply):
        NAMED.parse(line)


@given(st.binary(max_size=80))
def test_whatever_comes_is_a_temperature_within_reach_or_refused(line: bytes) -> None:
    try:
        parsed = NAMED.parse(line)
    except GarbledReply:
        return
    assert parsed is None or all(-80.0 <= degC <= 250.0 and degC != 85.0 for degC in parsed.sensors.values())


def test_named_sensors_want_labels() -> None:
    with pytest.raises(DescriptionError, match="needs labels = true"):
        format_from_dict({"name": "n", "kind": "lines", "named_sensors": True})
