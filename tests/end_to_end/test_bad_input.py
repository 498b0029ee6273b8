"""What bad input and faults get: the exit code of the contract, one sentence, nothing switched on, nothing written.

`amphora` is the program in a process of its own (each exit code at least once), `inside` the same without.
"""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from amphora.drivers.simulated.responder import STRANGER
from amphora.drivers.simulated.scpi_server import ScpiServer
from amphora.harness.archive.journal import read_run
from tests.support.simulation.ideal import IdealCell, IdealLoad

NIGHT = ("run", "--cell", "L3-a", "--profile", "overnight", "--start", "declared-full")
BENCH = """\
name = "the bench"
leads = "wired"
[instruments.load]
role = "load"
resource = "{resource}"
dialect = "load-function-input"
timeout = "500 ms"
[cell]
voltage = "load"
current = "load"
"""
LOGGER = """\
name = "the logger"
leads = "wired"
[instruments.logger]
role = "logger"
port = "{port}"
format = "plain"
shunt = "10 ohm"
[cell]
voltage = "logger"
current = "logger"
"""
RECIPE = """\
name = "mine"
summary = "Of one's own."
attended = false
[[step]]
kind = "discharge"
current = "300 mA"
until = {{ voltage_falls_to = "{cutoff}" }}
{bound}
"""


@pytest.fixture
def cell() -> IdealCell:
    return IdealCell(4.15, 0.05)


@pytest.fixture
def server(cell: IdealCell) -> Iterator[ScpiServer]:
    with ScpiServer(IdealLoad(cell), "load-function-input") as one:
        one.heard = []
        yield one


@pytest.fixture
def bench(tmp_path: Path, server: ScpiServer) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.format(resource=server.resource))
    return path


def add(amphora: Any, cell: str = "L3-a", voltage: str = "4.15 V", code: int = 0) -> None:
    amphora.call("cell", "add", cell, "--form", "18650", "--chemistry", "li-ion", "--as-found", voltage, code=code)


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def sentence(amphora: Any, *words: str, code: int) -> str:
    """Call the program; return its one sentence. Nothing may have been written, and no answer given."""
    before = tree(amphora.logs)
    done = amphora.call(*words, code=code)
    assert tree(amphora.logs) == before, "something was written"
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) == 1 and lines[0].startswith("amphora: "), done.stderr
    return lines[0]  # type: ignore[no-any-return]


def untouched(server: ScpiServer, cell: IdealCell) -> bool:
    """Whether nobody was ordered anything: questions only."""
    return cell.current_A == 0.0 and all("?" in message for message in server.heard or [])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda text: text.replace("timeout", "timeuot"), ("bench.toml", "instruments.load", "timeuot", "timeout")),
        (lambda text: text.replace("500 ms", "500 mV"), ("bench.toml", "load.timeout", "500 mV", "duration")),
        (lambda text: text.replace("500 ms", "0,5 s"), ("bench.toml", "instruments.load.timeout", "0,5 s")),
        (lambda text: text.replace('role = "load"', 'role = "lode"'), ("bench.toml", "role", "lode", "load")),
        (lambda text: text.replace("TCPIP", "TPCIP"), ("bench.toml", "resource", "VISA", "TCPIP::")),
        (lambda text: text.replace("load-function-input", "load-by-magic"), ("load-by-magic", "load-simple")),
        (lambda text: text.replace("[cell]", "[cell"), ("bench.toml", "TOML", "line 8")),
        (lambda text: text.replace('voltage = "load"', 'voltage = "laod"'), ("bench.toml", "voltage", "laod")),
        (lambda text: text + "\n[nonsense]\n", ("bench.toml", "nonsense")),
        (lambda text: text.replace("wired", "by wire"), ("bench.toml", "leads", "by wire", "by hand")),
        (lambda text: text.replace('role = "load"', 'role = "meter"').replace("load-function-input", "meter-measure"),
         ("has no load", "role = 'load'")),
    ],
)  # fmt: skip
def test_a_wrong_bench_file_says_file_field_value_and_what_is_accepted(
    change: Callable[[str], str], words: tuple[str, ...], inside: Any, bench: Path, server: ScpiServer, cell: IdealCell
) -> None:
    add(inside)
    bench.write_text(change(bench.read_text()))
    said = sentence(inside, *NIGHT, "--bench", str(bench), code=2)
    assert all(word in said for word in words), said
    assert untouched(server, cell)


def test_missing_and_unreadable_files_are_named(inside: Any, tmp_path: Path) -> None:
    add(inside)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    (tmp_path / "folder.toml").mkdir()
    for path, word in (
        (tmp_path / "nowhere.toml", "no such"),
        (binary, "byte 0 is no UTF-8 text"),
        (tmp_path / "folder.toml", "it is a folder"),
    ):
        for words in ((*NIGHT, "--bench", str(path)), ("plan", "--cell", "L3-a", "--profile", str(path))):
            said = sentence(inside, *words, code=2)
            assert str(path) in said and word in said and "Errno" not in said and "codec" not in said
    said = sentence(inside, "plan", "--cell", "L3-a", "--profile", str(tmp_path / "nowhere.toml"), code=2)
    assert "nowhere.toml" in said
    of_a_cell = tmp_path / "L3-z"
    for name in ("20260301T200000Z-overnight", "20260302T200000Z-overnight"):
        (of_a_cell / name).mkdir(parents=True)
        (of_a_cell / name / "run.json").touch()
    for words in (("analyse",), ("resume",), ("plot",), ("watch",)):
        said = sentence(inside, *words, str(tmp_path / "nowhere"), code=2)
        assert "nowhere: there is no such run folder" in said and "amphora cell show" in said
        said = sentence(inside, *words, str(of_a_cell), code=2)
        assert f"its newest run is {of_a_cell / '20260302T200000Z-overnight'}" in said


def test_a_cell_without_a_voltage_has_no_verdict_yet_and_a_turned_form_is_told(inside: Any) -> None:
    done = inside.call("cell", "add", "L3-b", "--form", "18560", "--inspection", "sound")
    assert "no verdict yet" in done.stdout and "measure its voltage first" in done.stdout
    assert "18650 was meant: amphora cell edit L3-b --form 18650" in done.stderr
    assert inside.call("cell", "add", "L3-c", "--form", "18500").stderr == ""
    said = inside.call("cell", "add", "L3-d", "--form", "18650", "--as-found", "33 V", code=1).stdout
    assert "a slip of the pen?" in said and "a cell not identified yet" in said


@pytest.mark.parametrize(
    ("cutoff", "bound", "words"),
    [
        ("1.0 V", 'at_most = "8 h"', ("mine.toml", "1.000 V", "2.500")),
        ("3.0 V", "", ("mine.toml", "at_most")),
        ("3.0 mA", 'at_most = "8 h"', ("mine.toml", "3.0 mA", "voltage")),
        ("3.0 V", 'at_most = "-1 h"', ("mine.toml", "-1 h")),
        ("3.0 V", 'at_msot = "8 h"', ("mine.toml", "at_msot", "at_most")),
    ],
)
def test_a_wrong_recipe_is_refused_before_anything_is_opened(
    cutoff: str, bound: str, words: tuple[str, ...], inside: Any, tmp_path: Path, bench: Path, server: ScpiServer
) -> None:
    add(inside)
    recipe = tmp_path / "mine.toml"
    recipe.write_text(RECIPE.format(cutoff=cutoff, bound=bound))
    said = sentence(inside, "run", "--cell", "L3-a", "--profile", str(recipe), "--bench", str(bench), code=2)
    assert all(word in said for word in words), said
    assert server.heard == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--current", "300 mV"), ("--current", "300 mV", "mA")),
        (("--current", "0,3 A"), ("--current", "0,3 A", "comma")),
        (("--current", "9 A"), ("9 A", "50 mA to 500 mA")),
        (("--cutoff", "1 V"), ("1.000 V", "2.500 to 3.700 V")),
        (("--cutoff", "nan V"), ("--cutoff", "nan V", "finite")),
        (("--capacity", "-1 Ah"), ("-1",)),
        (("--ready-by", "25:00"), ("--ready-by", "25:00", "07:30")),
        (("--attended", "evening"), ("--attended", "evening", "18:00-23:00")),
        (("--attended", "18-23"), ("--attended", "18-23", "18:00-23:00")),
        (("--start", "half"), ("--start", "half", "declared-full")),
        (("--hand-voltage", "4 A"), ("--hand-voltage", "4 A")),
    ],
)
def test_a_wrong_option_is_refused_before_anything_is_opened(
    options: tuple[str, ...], words: tuple[str, ...], inside: Any, bench: Path, server: ScpiServer
) -> None:
    add(inside)
    said = sentence(inside, *NIGHT[:5], "--bench", str(bench), *options, code=2)
    assert all(word in said for word in words), said
    assert server.heard == []


def test_a_wrong_option_on_the_simulated_bench_writes_nothing_either(inside: Any) -> None:
    add(inside)
    assert "1.000 V" in sentence(inside, *NIGHT[:5], "--bench", "simulated", "--cutoff", "1 V", code=2)


def test_who_is_not_known_is_told_with_who_is(inside: Any) -> None:
    add(inside)
    assert "nobody" in sentence(inside, "run", "--cell", "nobody", *NIGHT[3:], "--bench", "simulated", code=2)
    said = sentence(inside, "run", "--cell", "L3-a", "--profile", "overnihgt", "--bench", "simulated", code=2)
    assert "overnihgt" in said and "overnight" in said


def test_a_cell_that_may_not_be_charged_is_a_no(inside: Any) -> None:
    add(inside, voltage="1.2 V", code=1)
    for profile in ("charge", "overnight"):
        said = sentence(inside, "run", "--cell", "L3-a", "--profile", profile, "--bench", "simulated", code=1)
        assert "L3-a" in said and "retired" in said


def test_another_instrument_than_the_bench_file_names_is_instrument_trouble(
    inside: Any, bench: Path, server: ScpiServer, cell: IdealCell
) -> None:
    add(inside)
    server.responder.identity = STRANGER
    bench.write_text(bench.read_text().replace("timeout", 'identity = "AMPHORA SIM,LOAD"\ntimeout'))
    said = sentence(inside, *NIGHT, "--bench", str(bench), code=4)
    assert "SOMEBODY ELSE" in said and "AMPHORA SIM,LOAD" in said
    assert untouched(server, cell)


def test_a_port_nobody_listens_on_is_instrument_trouble(
    amphora: Any, inside: Any, bench: Path, server: ScpiServer
) -> None:
    add(inside)
    server.stop()
    said = sentence(amphora, *NIGHT, "--bench", str(bench), code=4)
    assert "nobody listens there" in said and server.resource in said


def test_a_serial_port_that_is_busy_or_not_there_is_instrument_trouble(
    amphora: Any, inside: Any, tmp_path: Path
) -> None:
    add(inside)
    path = tmp_path / "logger.toml"
    master, slave = os.openpty()
    words = ("run", "--cell", "L3-a", "--profile", "watch-resistor", "--bench", str(path))
    try:
        with serial.Serial(os.ttyname(slave), exclusive=True):
            path.write_text(LOGGER.format(port=os.ttyname(slave)))
            said = sentence(amphora, *words, code=4)
            assert os.ttyname(slave) in said and "in use by another program" in said
            text = BENCH.format(resource=f"ASRL{os.ttyname(slave)}::INSTR")
            (tmp_path / "load.toml").write_text(text)
            assert "another program is using it" in sentence(
                amphora, *NIGHT, "--bench", str(tmp_path / "load.toml"), code=4
            )
    finally:
        os.close(master)
        os.close(slave)
    path.write_text(LOGGER.format(port="/dev/nobody"))
    assert "/dev/nobody: there is no such port" in sentence(amphora, *words, code=4)


@pytest.mark.parametrize(("found_V", "word"), [(1.2, "1.2"), (-3.6, "-3.6"), (4.6, "4.6")])
def test_an_as_found_voltage_outside_the_triage_leaves_a_folder_that_says_why(
    found_V: float, word: str, amphora: Any, inside: Any, bench: Path, server: ScpiServer, cell: IdealCell
) -> None:
    add(inside)
    cell.source_V = found_V
    done = amphora.call(*NIGHT, "--bench", str(bench), code=3)
    (folder,) = [path for path in (amphora.logs / "L3-a").iterdir() if path.is_dir()]
    last = read_run(folder).events[-1]
    assert last["kind"] == "stopped" and last["reason"] == "guard:as-found" and word in last["text"]
    assert word in done.stdout + done.stderr and str(folder) in done.stdout
    assert cell.current_A == 0.0
    assert not any("INP" in message and "ON" in message for message in server.heard or [])
