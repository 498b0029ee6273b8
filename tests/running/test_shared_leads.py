"""Leads that two bays share: welded, slow and swapped relays."""

from dataclasses import replace
from pathlib import Path

import pytest

from amphora.drivers.errors import InstrumentError
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.clock import VirtualClock
from amphora.drivers.simulated.parts import SimLeadsMeter
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bays import load_bays
from amphora.harness.bench.bench_file import bench_from_dict, for_recipe, load_bench
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.running.session import Request, carry_out
from amphora.harness.running.shared_leads import DEAD_WITHIN_S, SHARED_LEADS, show_dead, show_joined


def bays() -> tuple[VirtualClock, list[SimulatedBench], list[Rig]]:
    """Return two bays that share a supply, with a voltmeter on its leads; their cells stand at different voltages."""
    clock = VirtualClock()
    benches = [SimulatedBench(seed=n, start_soc=soc, clock=clock, leads="relay") for n, soc in ((1, 0.2), (2, 0.8))]
    rigs = []
    for bench in benches:
        bench.instruments["leads"] = SimLeadsMeter(bench, "leads", benches)
        data = {**bench.description, "bay": {"name": "x", "shares": ["supply", "leads"]}}
        data["instruments"] = {**data["instruments"], "leads": {"role": "meter", "resource": "simulated"}}
        rigs.append(Rig(bench_from_dict(data, "simulated"), dict(bench.instruments)))
    return clock, benches, rigs


def test_one_bay_after_another_joins_the_leads() -> None:
    clock, benches, rigs = bays()
    for bench, rig in zip(benches, rigs, strict=True):
        show_dead(rig, "supply", clock)
        assert bench.switch is not None
        bench.switch.connect("charge")
        show_joined(rig, "supply", clock)
        bench.switch.connect("open")


def test_a_welded_relay_keeps_the_next_bay_off_the_leads() -> None:
    clock, benches, rigs = bays()
    assert benches[0].switch is not None and benches[1].switch is not None
    benches[0].switch.connect("charge")
    benches[0].switch.welded = True
    assert benches[0].switch.make_safe().off and benches[0].switch.position == "charge"  # it says so, and is not
    with pytest.raises(InstrumentError, match=f"^{SHARED_LEADS}: .* does not open"):
        show_dead(rigs[1], "supply", clock)
    assert benches[1].switch.position == "open"


def test_a_slow_relay_is_waited_for_and_one_that_is_too_slow_is_not() -> None:
    for slow_s, waited in ((DEAD_WITHIN_S - 2.0, True), (DEAD_WITHIN_S + 5.0, False)):
        clock, benches, rigs = bays()
        switch = benches[0].switch
        assert switch is not None
        switch.connect("charge")
        switch.slow_s = slow_s
        switch.connect("open")
        if waited:
            show_dead(rigs[1], "supply", clock)
        else:
            with pytest.raises(InstrumentError, match=SHARED_LEADS):
                show_dead(rigs[1], "supply", clock)


def test_swapped_relays_are_found_before_anything_is_switched_on() -> None:
    clock, benches, rigs = bays()
    assert benches[0].switch is not None and benches[1].switch is not None
    benches[0].switch.moves, benches[1].switch.moves = benches[1], benches[0]
    show_dead(rigs[0], "supply", clock)
    benches[0].switch.connect("charge")
    with pytest.raises(InstrumentError, match=f"^{SHARED_LEADS}: .* swapped"):
        show_joined(rigs[0], "supply", clock)
    assert benches[1].switch.position == "open"  # the wrong cell is off the leads again


def test_leads_that_nothing_measures_are_not_used() -> None:
    clock, _, rigs = bays()
    unmeasured = Rig(replace(rigs[0].description, shares=("supply",)), rigs[0].instruments)
    with pytest.raises(InstrumentError, match="nothing measures"):
        show_dead(unmeasured, "supply", clock)


def test_a_run_switches_nothing_on_where_the_leads_are_live(tmp_path: Path) -> None:
    _, benches, rigs = bays()
    shelf = Shelf(tmp_path)
    shelf.add(
        Cell("A1", form="18650", chemistry="li-ion", as_found_V=3.9, as_found_utc="2026-03-13T17:00:00+00:00",
             inspection={"smell": "none"})
    )  # fmt: skip
    assert benches[0].switch is not None
    benches[0].switch.connect("charge")
    benches[0].switch.welded = True
    request = Request("A1", "charge", tmp_path, present=True)
    clock = benches[1].clock
    outcome = carry_out(request, rigs[1].description, rigs[1], clock, ObligingPerson(), guarded=False)
    assert (outcome.reason, outcome.text[: len(SHARED_LEADS)]) == ("instrument", SHARED_LEADS), outcome.text
    assert max(row[3] or 0.0 for row in read_run(outcome.folder).iter_rows()) < 0.02


BENCH = """
name = "hall"
[attended]
hours = "18:00-23:00"
days = ["mon", "fri"]
[smoke_alarm]
file = "SMOKE"
above = 60
scale = 0.001
[shared.supply]
role = "supply"
resource = "TCPIP::192.0.2.9::5025::SOCKET"
[shared.leads]
role = "meter"
resource = "TCPIP::192.0.2.8::5025::SOCKET"
"""
BAY = """
[bays.{0}]
fuse = "2 A"
place = "tile {0}"
leads = "relay"
shares = ["supply", "leads"]
[bays.{0}.instruments.load]
role = "load"
resource = "TCPIP::192.0.2.{1}::5025::SOCKET"
[bays.{0}.instruments.thermometer]
role = "logger"
port = "/dev/tty{0}"
[bays.{0}.cell]
voltage = "load"
temperature = "thermometer"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "hall.toml"
    path.write_text(text.replace("SMOKE", str(folder / "smoke")))
    return path


def test_a_bench_file_describes_several_bays(tmp_path: Path) -> None:
    path = written(tmp_path, BENCH + BAY.format("a", 1) + BAY.format("b", 2))
    found = load_bays(path)
    assert [bay.fuse_A for bay in found.bays.values()] == [2.0, 2.0]
    assert found.bays["a"].needs(frozenset({"supply"})) == {"supply", "leads"}
    assert found.bays["a"].needs(frozenset({"load"})) == frozenset()
    assert all("fuse of 2 A; sensor thermometer" in line for line in found.said())
    bay = load_bench(Path(f"{path}#b"))
    assert set(bay.instruments) == {"load", "thermometer", "supply", "leads"}
    assert set(for_recipe(bay, {"load"}).instruments) == {"load", "thermometer"}
    assert set(for_recipe(bay, {"load", "supply"}).instruments) == set(bay.instruments)
    with pytest.raises(InputError, match=r"hall\.toml#a, .*hall\.toml#b is meant"):
        load_bench(path)
    with pytest.raises(InputError, match="there is no bay 'c'; the bays are a, b"):
        load_bench(Path(f"{path}#c"))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('fuse = "2 A"\n', ""), "fuse"),
        (("192.0.2.2", "192.0.2.1"), "the same channel"),
        (('place = "tile b"', 'place = "tile a"'), "the same place"),
        (('shares = ["supply", "leads"]', 'shares = ["suply"]'), "shares"),
        (("18:00-23:00", "18-23"), "two times of day"),
        (('"fri"', '"friday"'), "days"),
        (("above = 60\n", ""), "alarm_when or above"),
    ],
)
def test_what_a_bench_of_bays_lacks_is_said_in_one_sentence(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    text = BENCH + BAY.format("a", 1) + BAY.format("b", 2)
    with pytest.raises(InputError, match=said):
        load_bays(written(tmp_path, text.replace(*change)))


def test_a_smoke_or_heat_alarm_is_read_and_one_that_is_gone_is_an_alarm(tmp_path: Path) -> None:
    alarm = load_bays(written(tmp_path, BENCH + BAY.format("a", 1))).alarm_input
    assert alarm is not None
    assert "cannot be read" in alarm.read()
    for shown, loud in (("21500", False), ("59999", False), ("60000", True), ("??", True)):
        (tmp_path / "smoke").write_text(f"{shown}\n")
        assert bool(alarm.read()) is loud
