"""Several cells on one meter behind a scanner, a diode in one charge lead: each bay is a bench of its own."""

from pathlib import Path

import pytest
from foreign.asking import Foreign

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument
from amphora.harness.bench.bays import load_bays
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.common.errors import InputError

FILE = """name = "hall"
[shared.scanner]
role = "meter"
resource = "{resource}"
dialect = "{dialect}"
[shared.supply]
role = "supply"
resource = "TCPIP::192.0.2.9::5025::SOCKET"
[bays.a]
fuse = "2 A"
place = "tile 1"
shares = ["scanner", "supply"]
channels = {{ scanner = {a} }}
cell = {{ voltage = "scanner", temperature = "scanner" }}
[bays.b]
fuse = "2 A"
place = "tile 2"
shares = ["scanner", "supply"]
channels = {{ scanner = {b} }}
cell = {{ voltage = "scanner", temperature = "scanner" }}
charge_path = {{ smallest_drop = "0.3 V" }}
"""


def written(
    folder: Path, resource: str = "TCPIP::192.0.2.8::502::SOCKET", dialect: str = "auto", **places: str
) -> Path:
    path = folder / "bench.toml"
    text = FILE.format(**{"resource": resource, "dialect": dialect, "a": "2", "b": "3", **places})
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("style", ["registers", "polled"])
def test_each_bay_reads_its_own_place_of_the_scanner(tmp_path: Path, style: str) -> None:
    with Foreign(meter={"style": style}) as foreign:
        table = foreign.table("meter")
        path = written(tmp_path, table["resource"], table["dialect"])
        read_V = {}
        for bay in ("a", "b"):
            meter = open_instrument("scanner", load_bench(Path(f"{path}#{bay}")).instruments["scanner"], RealClock())
            read_V[bay] = meter.read()["voltage_V"]
            meter.close()
    places_V = {"registers": (1.1, 2.2), "polled": (2.2, 3.3)}[style]  # what stands at places 2 and 3
    assert (read_V["a"], read_V["b"]) == pytest.approx(places_V)


def test_bays_of_a_scanner_run_one_at_a_time_and_a_diode_is_its_bays_alone(tmp_path: Path) -> None:
    path = written(tmp_path)
    bays = load_bays(path).bays
    assert all("scanner" in one.needs(frozenset({"supply"})) for one in bays.values())  # held for the whole run
    assert load_bench(Path(f"{path}#b")).diode_drop_V == pytest.approx(0.3)
    assert not load_bench(Path(f"{path}#a")).diode_drop_V


@pytest.mark.parametrize(
    ("places", "said"),
    [
        ({"a": "3"}, "the same place 3 of scanner"),
        ({"a": "0"}, "a place from 1 to 64"),
        ({"a": '"two"'}, "a place from 1 to 64"),
    ],
)
def test_a_wrong_place_is_one_sentence(tmp_path: Path, places: dict[str, str], said: str) -> None:
    with pytest.raises(InputError) as found:
        load_bays(written(tmp_path, **places))
    assert said in str(found.value) and "\n" not in str(found.value)


def test_a_place_of_what_a_bay_does_not_share_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_text(path.read_text().replace("{ scanner = 2 }", "{ meter = 2 }"))
    with pytest.raises(InputError, match="is none of its shares"):
        load_bays(path)
