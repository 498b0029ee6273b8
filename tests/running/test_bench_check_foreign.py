"""`bench check` on instruments of foreign make: what passes here, a charge and a discharge can send."""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign
from typer.testing import CliRunner

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.cli.app import app
from amphora.harness.running.bench_check import check_bench

QUICK = {"timeout": "300 ms"}


@pytest.fixture(scope="module")
def process() -> Iterator[Foreign]:
    with Foreign(
        cell={"charge_Ah": 0.5, "resistance_ohm": 0.1},
        load={"style": "generic", "lacks": ["sense"]},
        supply={"style": "generic", "lacks": ["state"]},
    ) as one:
        yield one


@pytest.fixture
def foreign(process: Foreign) -> Iterator[Foreign]:
    for name in process.kinds:
        process.fault(name, "drifts")  # as every instrument does in its last digits
    yield process
    for name in process.kinds:
        process.mend(name)
        process.switch(name, False)
    process.cell(charge_Ah=0.5, leads_open=False, reversed=False)


def look(bench: Path, **more: Any) -> dict[str, Any]:
    return check_bench(load_bench(bench), RealClock(), open_instrument, **{"look_for_s": 0.2, **more})


def written(foreign: Foreign, folder: Path, dialects: dict[str, str] | None = None, **more: Any) -> Path:
    auto = dict.fromkeys(foreign.kinds, "auto") if dialects is None else dialects
    return foreign.bench_file(folder, auto, {name: {**QUICK, **more.get(name, {})} for name in foreign.kinds})


def test_every_command_of_a_charge_and_a_discharge_is_tried_and_nothing_is_switched_on(
    foreign: Foreign, tmp_path: Path
) -> None:
    before = foreign.truth()
    found = look(written(foreign, tmp_path))
    assert found.passed, found.problems
    load, supply = found.instruments["load"], found.instruments["supply"]
    assert (load.dialect, supply.dialect) == ("load-function-input", "supply-plain")
    assert load.lacks == ["remote_sense"] and supply.lacks == []
    assert supply.always_armed == ["off_timer", "over_current", "over_voltage"]
    assert any("armed by the level alone" in text for text in found.problems)
    assert {"limits of its own", "constant current", "constant resistance", "off"} <= set(load.tried)
    assert {"limits of its own", "voltage", "current limit", "off"} <= set(supply.tried)
    after = foreign.truth()
    for name in ("load", "supply"):
        assert after[name]["switched"] == before[name]["switched"] and not after[name]["on"]
    assert after["load"]["settings"]["cutoff_V"] == 0.9 and after["load"]["settings"]["mode"] == "current"
    sent = " ".join(text for _, text in foreign.received("supply"))
    for words in ("VOLT:PROT 4.3", "CURR:PROT 0.2", "OUTP:TIM 3600", "VOLT 1.0", "CURR 0.05", "OUTP OFF"):
        assert words in sent
    assert after["cell"]["taken_Ah"] == before["cell"]["taken_Ah"]


def test_a_run_with_what_check_wrote_down_charges_the_cell(foreign: Foreign, tmp_path: Path) -> None:
    bench = written(foreign, tmp_path)
    text = "# my bench\n" + bench.read_text().replace('dialect = "auto"', 'dialect = "auto"  # to be named one day')
    bench.write_text(text)
    done = CliRunner().invoke(app, ["bench", "check", "--bench", str(bench), "--write", "--logs", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert 'load: dialect = "load-function-input", lacks = ["remote_sense"]' in done.stdout
    kept = bench.read_text()
    assert kept.startswith("# my bench\n") and kept.count("# to be named one day") == 2
    tables = tomllib.loads(kept)["instruments"]
    assert tables["load"]["dialect"] == "load-function-input" and tables["supply"]["dialect"] == "supply-plain"
    changed = [one for one in kept.splitlines() if one not in text.splitlines()]
    assert len(changed) == 3, "two dialects and what is lacking"
    supply: Any = open_instrument("supply", load_bench(bench).instruments["supply"], RealClock())
    try:
        assert supply.arm_limits(4.25, 0.5, 3600.0)["over_voltage_V"] == 4.25
        supply.set_voltage(4.2)
        supply.set_current_limit(0.2)
        supply.set_output(True)
        assert supply.read()["current_A"] == pytest.approx(0.2)
    finally:
        supply.make_safe()
        supply.close()
    again = look(bench)
    assert again.passed


@pytest.mark.parametrize(
    ("cell", "shows", "said"),
    [
        ({}, {"current_A": 4.2, "voltage_V": 0.0}, "-4.2 A with its output off; at most"),
        ({}, {"voltage_V": 0.0}, "no cell is seen"),
        ({"leads_open": True}, None, "no cell is seen"),
        ({"reversed": True}, None, "wrong way round"),
        ({}, {"voltage_V": 1.92}, "1.920 V is below 2 V"),
        ({}, {"voltage_V": 8.1}, "more than one cell"),
    ],
)
def test_it_is_not_content_with(
    foreign: Foreign, tmp_path: Path, cell: dict[str, Any], shows: dict[str, float] | None, said: str
) -> None:
    foreign.cell(**cell)
    if shows:
        foreign.fault("load", "shows", shows)
    found = look(written(foreign, tmp_path))
    assert not found.passed
    assert any(said in text for text in found.problems), found.problems


def test_without_a_cell_the_instruments_are_looked_at_when_somebody_says_so(foreign: Foreign, tmp_path: Path) -> None:
    foreign.cell(leads_open=True)
    assert look(written(foreign, tmp_path), empty=True).passed


def test_a_cell_is_judged_by_its_own_window_when_it_is_named(foreign: Foreign, tmp_path: Path) -> None:
    bench = written(foreign, tmp_path)
    foreign.fault("load", "shows", {"voltage_V": 1.3})
    assert look(bench, chemistry="nimh").passed
    found = look(bench, chemistry="li-ion")
    assert not found.passed and any("1.300 V is below" in text for text in found.problems)


def test_every_instrument_is_reported_also_behind_a_silent_one(foreign: Foreign, tmp_path: Path) -> None:
    foreign.fault("load", "mute")
    bench = written(foreign, tmp_path)
    found = look(bench)
    assert found.trouble == ("load",) and found.exit_code == 4 and not found.passed
    assert "no answer" in found.instruments["load"].trouble
    assert found.instruments["supply"].identity.startswith("OTHER MAKE") and found.instruments["supply"].tried
    assert not found.unattended_discharge and "discharge: not known, the load could not be asked" in found.missing
    done = CliRunner().invoke(app, ["bench", "check", "--bench", str(bench), "--logs", str(tmp_path)])
    assert done.exit_code == 4 and "load (load): in trouble" in done.stdout and "supply (supply): OTHER" in done.stdout


@pytest.mark.parametrize("named", [True, False])
def test_swapped_ports_are_called_so(foreign: Foreign, tmp_path: Path, named: bool) -> None:
    ports = {name: foreign.instruments[name]["resource"] for name in ("load", "supply")}
    dialects = {"load": "load-function-input", "supply": "supply-plain"} if named else None
    bench = written(foreign, tmp_path, dialects, load={"resource": ports["supply"]}, supply={"resource": ports["load"]})
    found = look(bench)
    assert not found.passed and found.trouble == ("load", "supply")
    assert any(
        f"load: a supply answers at {ports['supply']}, where a load should" in text and "swapped?" in text
        for text in found.problems
    ), found.problems
    assert any("supply: a load answers" in text for text in found.problems)


def test_what_a_run_could_not_send_is_found_out(foreign: Foreign, tmp_path: Path) -> None:
    """A table of one's own with a command that this supply does not know: each charge would fail by it."""
    bench = written(foreign, tmp_path, {"load": "auto"})  # the supply's own table names a STATe
    found = look(bench)
    assert not found.passed
    assert any("a charge would fail" in text and "Undefined header" in text for text in found.problems)


def test_latency_and_renewal_are_measured(foreign: Foreign, tmp_path: Path) -> None:
    foreign.fault("supply", "slow", 0.02)
    foreign.fault("load", "renew", 0.5)
    bench = written(foreign, tmp_path, {"load": "load-function-input", "supply": "supply-plain"})
    found = look(bench, look_for_s=2.5)
    assert 0.02 <= found.instruments["supply"].latency_s <= found.instruments["supply"].longest_s
    renewed_s = found.instruments["load"].renewed_s
    assert renewed_s is not None and 0.3 < renewed_s <= 1.5
    assert any('refresh = "' in text for text in found.problems)
    foreign.mend("load", "renew")
    assert look(bench, look_for_s=0.3).instruments["load"].renewed_s == 0.0
