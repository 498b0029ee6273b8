"""Promises of the look at a bench: what it finds, what the bench guards by itself, and what nobody does."""

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from amphora.drivers.errors import DescriptionError
from amphora.drivers.opening import written_abilities
from amphora.drivers.roles import Abilities
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.running.bench_check import check_bench


def look(bench: SimulatedBench) -> dict[str, Any]:
    described = bench_from_dict(bench.description, "simulated")
    return check_bench(described, bench.clock, lambda name, table, clock: bench.instruments[name])


def test_a_bench_that_guards_itself_is_fit_for_both_kinds_of_night() -> None:
    found = look(SimulatedBench(room=True, leads="relay"))
    assert found.passed and found.problems == ()
    assert found.unattended_discharge and found.unattended_charge
    assert found.missing == ()


def relay_of(bench: SimulatedBench) -> Any:
    return bench.instruments["relay"]


def test_a_relay_is_closed_and_opened_with_nothing_flowing() -> None:
    bench = SimulatedBench(leads="relay")
    found = look(bench)
    assert found.instruments["relay"].tried == ["closed to discharge and opened", "closed to charge and opened"]
    assert relay_of(bench).position == "open"
    sticks = SimulatedBench(leads="relay")
    relay_of(sticks).read_setup = lambda: {"on": True}
    assert "may stick" in " ".join(look(sticks).problems) and not look(sticks).passed


def test_a_relay_is_not_moved_while_something_is_on_or_flows_where_nothing_should() -> None:
    for sick in ("on", "flows"):
        bench = SimulatedBench(leads="relay")
        moved: list[str] = []
        relay_of(bench).connect = moved.append
        if sick == "on":
            bench.load.set_discharge("current", 0.1)
            bench.load.set_input(True)
        else:
            bench.load.current.jump = -0.5
        found = look(bench)
        assert not moved and not found.passed
        assert any("was not moved" in text for text in found.problems)


def test_what_nobody_guards_is_named() -> None:
    bench = SimulatedBench()
    bench.load.abilities = dataclasses.replace(bench.load.abilities, cutoff_latches=False, power_on_off=None)
    bench.supply.abilities = dataclasses.replace(bench.supply.abilities, off_timer=False)
    said = " | ".join(look(bench).missing)
    for words in (
        "starts again when the cell recovers",
        "no off-timer",
        "not known to be off",
        "no relay",
        "second sensor",
    ):
        assert words in said
    bare = SimulatedBench()
    bare.load.abilities = Abilities()
    found = look(bare)
    assert not found.unattended_discharge and "no low-voltage cut-off of its own" in " ".join(found.missing)


def test_an_output_that_is_on_a_queue_that_is_full_and_a_leak_are_problems() -> None:
    bench = SimulatedBench()
    bench.load.set_discharge("current", 0.1)
    bench.load.set_input(True)
    bench.supply.queue.append('-222,"Data out of range"')
    found = look(bench)
    said = " | ".join(found.problems)
    assert not found.passed
    assert "load: is switched on" in said and "Data out of range" in said
    leaking = SimulatedBench()
    leaking.supply.bleed_A = 0.004  # less than a run refuses
    found = look(leaking)
    assert found.passed
    assert any(text.startswith("supply: shows -") and "leakage" in text for text in found.problems)
    leaking = SimulatedBench()
    leaking.supply.bleed_A = 0.010  # five times its offset of 1.5 mA are 7.5 mA
    found = look(leaking)
    assert not found.passed
    assert any("A with its output off; at most 7.5 mA" in text and "leakage" in text for text in found.problems)


def test_a_cell_the_wrong_way_round_is_found() -> None:
    bench = SimulatedBench()
    bench.load.voltage.gain = -1.0
    found = look(bench)
    assert not found.passed and any("wrong way round" in text for text in found.problems)


def test_what_an_instrument_guards_is_known_from_its_dialect_without_opening_it() -> None:
    load = {"role": "load", "resource": "TCPIP::x::5025::SOCKET", "dialect": "load-function-input"}
    able = written_abilities("load", load)
    assert able is not None and able.low_voltage_cutoff and able.cutoff_latches
    mine = written_abilities("load", {**load, "cutoff_latches": False, "power_on_off": True})
    assert mine is not None and mine.cutoff_latches is False and mine.power_on_off is True
    assert written_abilities("load", {**load, "dialect": "auto"}) is None
    assert written_abilities("logger", {"role": "logger", "port": "x"}) is None
    with pytest.raises(DescriptionError, match="is for a load"):
        written_abilities("supply", {**load, "role": "supply"})


def test_a_plan_on_a_bench_of_named_dialects_lists_what_is_not_guarded_with_nothing_opened(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(
        'name = "village hall"\nleads = "wired"\n'
        '[instruments.load]\nrole = "load"\nresource = "TCPIP::127.0.0.1::9::SOCKET"\ndialect = "load-simple"\n'
    )
    Shelf(tmp_path).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion"}))
    words = ["plan", "--cell", "c", "--profile", "overnight", "--bench", str(file), "--logs", str(tmp_path)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0
    said = " ".join(done.stdout.split())
    left = said[said.index("Not guarded by this bench itself") :]
    for text in ("low-voltage cut-off", "current limit", "no sensor at the cell", "not known to be off"):
        assert text in left
    assert "leakage with the mains unplugged: never tested on this bench" in said
