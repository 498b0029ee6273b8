"""What docs/serial-logger.md tells a person to write is accepted as it stands."""

import importlib.util
import re
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import pytest

from amphora.drivers.quantities import described
from amphora.drivers.serial.format_file import format_from_dict, load_format, shipped
from amphora.drivers.serial.line_format import SERIAL_KEYS, SerialSettings
from amphora.drivers.serial.logger import LOGGER_KEYS
from amphora.drivers.serial.relay import KEYS

DOCS = Path(__file__).resolve().parents[2] / "docs"
TEXT = (DOCS / "serial-logger.md").read_text(encoding="utf-8")
TABLES = [tomllib.loads(block) for block in re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)]
INSTRUMENTS = [table for block in TABLES for table in block.get("instruments", {}).values()]


def test_there_are_examples():
    assert len(INSTRUMENTS) >= 4


@pytest.mark.parametrize("table", INSTRUMENTS, ids=lambda table: f"{table['role']}-{table['port']}")
def test_each_instrument_of_the_page_uses_known_keys_and_values(table):
    assert set(table) <= set(KEYS if table["role"] == "switch" else LOGGER_KEYS)
    SerialSettings.from_dict({key: table[key] for key in SERIAL_KEYS if key in table}, "docs")
    if "format" in table:
        load_format(table["format"])
    if "shunt" in table:
        assert described(table["shunt"], "resistance", "docs", bare=True, positive=True) == pytest.approx(10.02)


def test_the_whole_bench_of_the_page_is_accepted():
    from amphora.harness.bench.bench_file import bench_from_dict

    (whole,) = (block for block in TABLES if "cell" in block)
    assert bench_from_dict(whole).cell_current == ("logger",)


def test_the_format_of_the_page_reads_its_lines():
    (own,) = (block for block in TABLES if block.get("kind") == "lines")
    parsed = format_from_dict(own).parse(b"1500;3712,0;109,73;80")
    assert parsed.values["voltage_V"] == pytest.approx(3.7198, abs=1e-4)
    assert parsed.values["temperature_degC"] == pytest.approx(25.0, abs=0.02)  # IEC 60751: 109.73 ohm at 25 degC
    assert parsed.values["light_lx"] == 80 and parsed.time_s == 1.5


def test_every_shipped_format_is_named():
    assert all(f"`{name}`" in TEXT for name in shipped())


def test_a_line_of_the_sketch_is_read():
    assert load_format("plain").parse(b"123456,3.7123,,24.51").values == {
        "voltage_V": 3.7123,
        "temperature_degC": 24.51,
    }


def test_the_pictures_are_there_and_show_the_parts_that_were_computed():
    for name in re.findall(r"\((pictures/[^)]+)\)", TEXT):
        ElementTree.parse(DOCS / name)
    drawn = (DOCS / "pictures" / "held-relay.svg").read_text(encoding="utf-8")
    path = Path(__file__).with_name("test_switch.py")
    spec = importlib.util.spec_from_file_location("parts", path)
    parts = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(parts)
    assert f"C1 {parts.C1_F * 1e6:g} µF" in drawn
    assert f"{parts.C2_F * 1e6:g} µF" in drawn
    assert f"{parts.ZENER_V:g} V" in drawn and f"{parts.R_OHM / 1e6:g} MΩ" in drawn
