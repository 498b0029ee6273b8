"""Promises of the bench file."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amphora.harness.bench.bench_file import bench_from_dict, load_bench
from amphora.harness.bench.calibration import Calibration
from amphora.harness.bench.specification import CHANNELS, ChannelSpecification
from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.common.errors import InputError

FEW = st.floats(0.0, 1e3)

LOAD = {"role": "load", "resource": "TCPIP::127.0.0.1::5025::SOCKET"}


def bench(**changes: Any) -> dict[str, Any]:
    return {"name": "b", "instruments": {"load": dict(LOAD)}, **changes}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (bench(colour="red"), "key 'colour' is not known"),
        ({"name": "b"}, "instruments is missing"),
        (bench(leads="glued"), "leads = 'glued'"),
        (bench(speed_up=0), "speed_up = 0"),
        (bench(instruments={"x": {"role": "oven", "resource": "a"}}), "role = 'oven'"),
        (bench(instruments={"x": {"role": "load"}}), "resource is missing"),
        (bench(instruments={"x": {"rol": "load", "resource": "a"}}), "key 'rol' is not known ('role' is near)"),
        (bench(instruments={"x": {"resource": "a"}}), "role is missing; role = one of load, supply"),
        (bench(cell={"voltage": "meter"}), "names 'meter'; the instruments are load"),
        (bench(cell={"smell": "load"}), "cell: key 'smell' is not known; voltage, current"),
        (bench(instruments={"load": {**LOAD, "specification": {"current": {"gain": "1 furlong"}}}}), "'1 furlong'"),
        (bench(instruments={"load": {**LOAD, "specification": {"current": {"gain": "nan"}}}}), "'nan'"),
        (bench(instruments={"load": {**LOAD, "specification": {"current": {"gian": 1}}}}), "'gian'"),
        (bench(instruments={"load": {**LOAD, "specification": {"current": {"distribution": "odd"}}}}), "'odd'"),
        (bench(alarms={"bell": "loud"}), "alarms.bell"),
        (bench(alarms="bell"), "alarms: 'bell' is not a table"),
        (bench(check_resistor="10 ohm"), "check_resistor: '10 ohm' is not a table; one with resistance"),
        (bench(check_resistor={"tolerance": "0.1 %"}), "check_resistor.resistance is missing"),
        (bench(check_resistor={"resistance": "10 volt"}), "check_resistor.resistance"),
        (bench(check_resistor={"resistance": "0 ohm"}), "0.1 ohm to 10 kohm"),
        (bench(check_resistor={"resistance": "10 ohm", "tolerance": "5 %"}), "a coarser one checks nothing"),
        (bench(check_resistor={"resistance": "10 ohm", "colour": "red"}), "'colour' is not known"),
        (bench(calibration={"oven": {"number": "C-1", "date": "2026-04-17"}}), "calibration: key 'oven'"),
        (bench(calibration={"load": {"number": "C-1"}}), "calibration.load.date is missing"),
        (bench(calibration={"load": {"number": "C-1", "date": "spring"}}), "a date such as 2026-04-17 is"),
        (
            bench(calibration={"load": {"number": "C-1", "date": "2026-04-17", "due": "2025-04-17"}}),
            "calibration.load.due",
        ),
        (bench(calibration={"load": {"number": "C-1", "date": "2026-04-17", "channels": ["colour"]}}), "channels"),
        (bench(cell={"temperature": "load", "room_temperature": "load"}), "a second one is needed"),
        (bench(instruments={"sw": {"role": "switch", "port": "/dev/x"}}), "measures the cell's voltage"),
    ],
)
def test_a_wrong_bench_file_gets_one_sentence_that_names_the_place(data: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as caught:
        bench_from_dict(data, "bench.toml")
    assert words in str(caught.value) and "bench.toml" in str(caught.value)


@pytest.mark.parametrize("content", [b"name = ", b"\xff\xfe", None])
def test_an_unreadable_bench_file_is_refused_by_name(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "bench.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=r"bench\.toml"):
        load_bench(path)


def test_the_path_of_a_dialect_counts_from_the_bench_file_and_not_from_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shed = tmp_path / "shed"
    (shed / "tables").mkdir(parents=True)
    (shed / "bench.toml").write_text(
        '[instruments.load]\nrole = "load"\nresource = "a"\ndialect = "tables/mine.toml"\n'
        '[instruments.supply]\nrole = "supply"\nresource = "b"\ndialect = "supply-plain"\n'
        '[instruments.room]\nrole = "logger"\nport = "c"\nformat = "../lines.toml"\n'
    )
    monkeypatch.chdir(tmp_path)
    for path in (Path("shed/bench.toml"), shed / "bench.toml"):
        made = load_bench(path)
        assert made.instruments["load"]["dialect"] == str(shed.resolve() / "tables" / "mine.toml")
        assert made.instruments["supply"]["dialect"] == "supply-plain"
        assert made.instruments["room"]["format"] == str(tmp_path.resolve() / "lines.toml")
        assert made.data["instruments"]["load"] == made.instruments["load"], "what the keeper is handed"


def test_specifications_are_read_with_their_units_and_the_rest_is_marked_as_assumed() -> None:
    specification = {"current": {"gain": "0.1 %", "offset": "3 mA", "resolution": "100 µA"}}
    made = bench_from_dict(bench(instruments={"load": {**LOAD, "specification": specification}}))
    current = made.measurement().current
    assert (current.gain, current.offset, current.assumed) == (0.001, 0.003, False)
    assert current.resolution == pytest.approx(1e-4)
    # A cheap load: 0.5 % of reading plus 10 mA, common practice for one without a data sheet.
    assumed = bench_from_dict(bench()).measurement().current
    assert (assumed.gain, assumed.offset, assumed.assumed) == (0.005, 0.010, True)


def test_who_measures_the_cell_is_settled_where_the_file_leaves_it_open() -> None:
    made = bench_from_dict(
        bench(
            instruments={
                "load": LOAD,
                "psu": {"role": "supply", "resource": "a"},
                "dmm": {"role": "meter", "resource": "b"},
            }
        )
    )
    assert made.cell_voltage == "dmm" == made.cell_voltage_when_off
    assert made.cell_current == ("load", "psu")


def test_the_check_resistor_is_read_with_its_units() -> None:
    made = bench_from_dict(bench(check_resistor={"resistance": "10 ohm", "tolerance": "0.1 %", "power": "500 mW"}))
    found = made.check_resistor
    assert found is not None
    assert (found.resistance_ohm, found.tolerance, found.power_W) == (10.0, 0.001, 0.5)
    assert bench_from_dict(bench()).check_resistor is None


@given(
    st.builds(
        ChannelSpecification, gain=FEW, offset=FEW, resolution=FEW,
        distribution=st.sampled_from(["rectangular", "normal"]), k=st.floats(1.0, 5.0), assumed=st.booleans(),
        gain_per_K=st.none() | FEW, offset_per_K=st.none() | FEW,
        reference_degC=st.none() | FEW, band_K=st.none() | FEW, orders_within_s=st.none() | FEW,
    )
)  # fmt: skip
def test_a_specification_from_json_and_back(specification: ChannelSpecification) -> None:
    written = json.loads(json.dumps(to_json(specification)))
    assert from_json(ChannelSpecification, written) == specification


@given(
    st.builds(Calibration, number=st.text(), date=st.text(), channels=st.lists(st.sampled_from(CHANNELS)).map(tuple))
)
def test_a_calibration_from_json_and_back(calibration: Calibration) -> None:
    assert from_json(Calibration, json.loads(json.dumps(to_json(calibration)))) == calibration


def test_a_missing_bench_file_is_answered_with_the_command_that_writes_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.toml: there is no such bench file; amphora bench new writes one"):
        load_bench(tmp_path / "gone.toml")
