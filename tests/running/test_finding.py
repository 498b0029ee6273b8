"""Promises of `bench find` and `bench new`: what answers is recognised; what may be somebody else's is not asked."""

import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from amphora.drivers.simulated.servers import ServedBench
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.running import finding


@pytest.fixture(scope="module")
def served() -> Iterator[ServedBench]:
    bench = ServedBench("li-ion", 1, speed_up=50.0)
    bench.start()
    yield bench
    bench.stop()


def addresses(served: ServedBench, folder: Path) -> dict[str, str]:
    path = folder / "served.toml"
    path.write_text(served.bench_file())
    return {
        table["role"]: str(table.get("resource") or table["port"]) for table in load_bench(path).instruments.values()
    }


def test_load_supply_and_logger_are_recognised_by_what_they_answer(served: ServedBench, tmp_path: Path) -> None:
    for role, address in addresses(served, tmp_path).items():
        answer = finding.ask(finding.place_of(address))
        assert answer.role == role, answer.why
        assert answer.dialect or answer.line_format == "plain"


def test_a_serial_port_is_not_opened_without_a_yes(served: ServedBench, tmp_path: Path) -> None:
    port = addresses(served, tmp_path)["logger"]
    assert finding.place_of(port).needs_yes and not finding.place_of("192.0.2.10").needs_yes
    asked: list[str] = []
    real = finding.ask
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(finding, "places", lambda network, typed: [finding.Spot("serial", port)])
        patch.setattr(finding, "ask", lambda place, bauds: (asked.append(place.address), real(place, bauds))[1])
        quiet = json.loads(CliRunner().invoke(app, ["bench", "find", "--json"]).stdout)
        assert asked == [] and quiet["found"][0]["asked"] is False
        told = json.loads(CliRunner().invoke(app, ["bench", "find", "--ask", port, "--json"]).stdout)
        assert asked == [port] and told["found"][0]["role"] == "logger"


def test_a_new_bench_file_passes_its_check_and_is_never_written_over(served: ServedBench, tmp_path: Path) -> None:
    at = addresses(served, tmp_path)
    out = tmp_path / "new.toml"
    words = ["bench", "new", "--out", str(out), "--load", at["load"], "--supply", at["supply"], "--logger",
             at["logger"], "--leads", "wired", "--sheet", "load=0.1 %,3 mA", "--fuse", "2 A"]  # fmt: skip
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    bench = load_bench(out)
    assert bench.cell_temperature == "logger" and bench.current_of("load").gain == 0.001
    assert "Every instrument answers" in done.stdout and f"amphora bench check --bench {out}" in done.stdout
    again = CliRunner().invoke(app, words)
    assert again.exit_code != 0 and "is there already" in str(again.exception)


def test_an_address_of_another_kind_is_refused_with_what_it_is(served: ServedBench, tmp_path: Path) -> None:
    at = addresses(served, tmp_path)
    done = CliRunner().invoke(app, ["bench", "new", "--out", str(tmp_path / "x.toml"), "--load", at["supply"]])
    assert "it is a supply" in str(done.exception) and not (tmp_path / "x.toml").exists()
    none = CliRunner().invoke(app, ["bench", "new", "--out", str(tmp_path / "x.toml")])
    assert "no instrument was named" in str(none.exception)


def test_a_silent_port_and_one_that_chatters_are_reported_in_words() -> None:
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    port = os.ttyname(theirs)
    try:
        silent = finding.ask(finding.place_of(port), (9600,), 0.1)
        assert silent.role is None and silent.why
        stop = threading.Event()

        def chatter() -> None:
            while not stop.wait(0.02):
                os.write(ours, b"door opened by nobody\r\n")

        thread = threading.Thread(target=chatter)
        thread.start()
        try:
            told = finding.ask(finding.place_of(port), (9600,), 5.0)
        finally:
            stop.set()
            thread.join()
        assert told.role is None and "no shipped format reads" in told.why
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.mark.parametrize(
    ("heard", "name"),
    [
        (b"12,3.712,-0.201,24.5\n13,3.711,-0.201,24.5\n14,3.711,-0.201,24.5\n", "plain"),
        (b"V=3.712 I=-0.201 T=24.5\r\nV=3.712 I=-0.201 T=24.5\r\nV=3.7 I=-0.2 T=24.5\r\n", "labelled"),
        (b"+3.7124E+00\n+3.7125E+00\n+3.7123E+00\n", "bare"),
        (b"hello\nworld\nagain\n", None),
        (b"12,3.712,-0.201,24.5\n", None),  # one line, begun who knows where
        (b"1,4000,0,900\n2,4000,0,900\n3,4000,0,900\n", None),  # 4000 V
    ],
)
def test_a_format_is_recognised_by_lines_that_make_sense(heard: bytes, name: str | None) -> None:
    found = finding.recognise(heard)
    assert found == name or (name is None and found == "raw-counts")


@pytest.mark.parametrize(
    ("text", "kind", "address"),
    [
        ("192.0.2.10", "network", "TCPIP::192.0.2.10::5025::SOCKET"),
        ("bench.local:5555", "network", "TCPIP::bench.local::5555::SOCKET"),
        ("/dev/ttyUSB0", "serial", "/dev/ttyUSB0"),
        ("com3", "serial", "com3"),
        ("ASRL/dev/ttyUSB0::INSTR", "serial", "/dev/ttyUSB0"),
        ("USB0::1::2::3::INSTR", "usb", "USB0::1::2::3::INSTR"),
    ],
)
def test_an_address_is_read_as_people_type_it(text: str, kind: str, address: str) -> None:
    assert finding.place_of(text)[:2] == (kind, address)


@pytest.mark.parametrize("text", ["", "a b", "host:99999", "host:0", "http://x"])
def test_what_is_no_address_is_refused_with_what_is(text: str) -> None:
    with pytest.raises(InputError, match=r"192\.0\.2\.10"):
        finding.place_of(text)


def test_the_roles_that_an_identity_names_are_tried_first() -> None:
    assert finding.likely_roles("X,BENCH POWER SUPPLY,1,2")[0] == "supply"
    assert finding.likely_roles("X,ELECTRONIC LOAD,1,2")[0] == "load"
    assert set(finding.likely_roles("X,Y,1,2")) == {"load", "supply", "meter"}
